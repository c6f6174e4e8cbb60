"""Calibration records and pictures shared by the capture tests. Names are invented."""

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from xsect.capture.calibration import CalibrationRecord, write_record

RECORD: dict[str, Any] = {
    "name": "obj20",
    "objective": "20x/0.45",
    "camera": "cam2",
    "binning": 1,
    "image_width_px": 200,
    "image_height_px": 100,
    "um_per_px_x": 0.582,
    "um_per_px_y": 0.582,
    "u_relative": 0.001,
    "date": dt.date(2026, 3, 2),
    "valid_until": dt.date(2027, 3, 2),
    "operator": "kb",
    "repeats": 5,
    "skew_deg": -2.9,
    "micrometer": {"certificate": "SM-17", "pitch_um": 10.0, "u_pitch_um": 0.005},
    "image": {"file": "obj20.png", "sha256": "0" * 64},
}


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., CalibrationRecord]:
    """Write a record that differs from RECORD in the given keys into tmp_path/calibration."""

    def write(**changes: Any) -> CalibrationRecord:
        record = CalibrationRecord.model_validate(RECORD | changes)
        write_record(record, tmp_path / "calibration")
        return record

    return write


@pytest.fixture
def picture() -> NDArray[np.uint8]:
    """A (100, 200) grey picture of noise: nothing in it looks drawn."""
    return np.random.default_rng(11).normal(120, 12, (100, 200)).clip(0, 255).astype(np.uint8)
