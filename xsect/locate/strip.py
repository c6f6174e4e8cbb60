"""Strip: the picture resampled along the faying line, so that everything thin is measured in one straight band."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from xsect.locate.tone import Floats, Image


@dataclass(frozen=True)
class Strip:
    """The unrolled picture.

    ``values``: (m, n) or (m, n, 3) float32 in 0..1; row ``half`` lies on the line, rows grow towards the lower
    part, one px a row; one station (px of arc) a column. ``points`` and ``normals``: (n, 2) = (x, y) of each
    station and its unit normal, pointing to the lower part. ``seen``: (m, n) False outside the picture and under
    burned-in marks.
    """

    values: Floats
    points: NDArray[np.float64]
    normals: NDArray[np.float64]
    seen: NDArray[np.bool_]

    @property
    def half(self) -> int:
        """Row of the faying line."""
        return int(self.values.shape[0] // 2)

    def place(self, station: float, offset: float = 0.0) -> tuple[float, float]:
        """Return the picture position (x, y) of a fractional station and an offset along its normal."""
        index = np.arange(len(self.points))
        x, y = (float(np.interp(station, index, self.points[:, axis])) for axis in (0, 1))
        nx, ny = (float(np.interp(station, index, self.normals[:, axis])) for axis in (0, 1))
        return x + offset * nx, y + offset * ny


def unroll(
    pixels: Image, points: NDArray[np.float64], half: int, burned_in: NDArray[np.bool_] | None = None
) -> Strip:
    """Resample ``pixels`` along ``points`` (n, 2), ``half`` px to each side of the line, bilinearly.

    ``burned_in``: mask of ``pixels`` of what covers the picture; it counts as not seen.
    """
    direction = gaussian_filter1d(points, 12.0, axis=0, order=1, mode="nearest")
    # a derivative filter with "nearest" ends loses length there, not direction
    length = np.hypot(direction[:, 0], direction[:, 1])
    length[length == 0] = 1.0
    tangent = direction / length[:, None]
    normals = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    offsets = np.arange(-half, half + 1, dtype=np.float64)[:, None]
    map_x = (points[None, :, 0] + offsets * normals[None, :, 0]).astype(np.float32)
    map_y = (points[None, :, 1] + offsets * normals[None, :, 1]).astype(np.float32)
    left, top = max(0, int(map_x.min()) - 2), max(0, int(map_y.min()) - 2)
    around = pixels[top : int(map_y.max()) + 3, left : int(map_x.max()) + 3].astype(np.float32)
    around /= np.float32(np.iinfo(pixels.dtype).max)
    sampled = cv2.remap(around, map_x - left, map_y - top, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    values = np.asarray(sampled, dtype=np.float32)
    rows, columns = pixels.shape[:2]
    seen = (map_x >= 0) & (map_x <= columns - 1) & (map_y >= 0) & (map_y <= rows - 1)
    if burned_in is not None:
        x, y = np.rint(map_x).astype(np.intp), np.rint(map_y).astype(np.intp)
        seen &= ~burned_in[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)]
    return Strip(values, points, normals, seen)
