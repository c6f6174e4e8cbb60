"""Files in: lot sheets, micrographs, scales, calibration records."""
