"""A layer between two others in closed form: half-planes by signed distance, blurred, with noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

Level = tuple[float, ...]


@dataclass(frozen=True)
class LayerDrawing:
    """One picture. ``levels``: of the upper neighbour, the layer, the lower one, one value a channel, of full scale.

    The lower edge is scalloped by the share ``scallop`` of the thickness over ``wave`` px; both edges bow by ``bow`` px
    at the picture's ends. ``tilt_deg`` turns everything about the picture's middle, ``shift`` px below which it lies.
    """

    thickness: float
    levels: tuple[Level, Level, Level]
    tilt_deg: float = 0.0
    blur: float = 1.2
    noise: float = 0.008
    size: tuple[int, int] = (360, 480)
    scallop: float = 0.0
    wave: float = 23.0
    bow: float = 0.0
    shift: float = 0.0

    def pixels(self, seed: int = 0) -> NDArray[np.uint8]:
        """The picture, (rows, columns) or (rows, columns, 3)."""
        rows, columns = self.size
        y, x = np.mgrid[0:rows, 0:columns].astype(float)
        x, y = x - (columns - 1) / 2, y - (rows - 1) / 2 - self.shift
        c, s = np.cos(np.radians(self.tilt_deg)), np.sin(np.radians(self.tilt_deg))
        u, v = x * c + y * s, y * c - x * s
        v = v - self.bow * (2 * u / columns) ** 2 + self.thickness / 2
        thick = self.thickness * (1 + self.scallop * np.sin(2 * np.pi * u / self.wave))
        above, below = np.clip(0.5 - v, 0, 1)[..., None], np.clip(0.5 + v - thick, 0, 1)[..., None]
        upper, layer, lower = (np.asarray(level) for level in self.levels)
        out = layer + above * (upper - layer) + below * (lower - layer)
        out = gaussian_filter(out, (self.blur, self.blur, 0))
        out += np.random.default_rng(seed).normal(0, self.noise, out.shape)
        out = np.clip(np.rint(out * 255), 0, 255).astype(np.uint8)
        return out[..., 0] if out.shape[2] == 1 else out


LOOKS: dict[str, tuple[Level, Level, Level]] = {
    "between in grey": ((0.15,), (0.5,), (0.8,)),
    "brightest": ((0.5,), (0.85,), (0.1,)),
    "darkest": ((0.75,), (0.35,), (0.6,)),
    "film in one metal": ((0.7,), (0.45,), (0.7,)),
    "tin on copper, colour": ((0.8, 0.58, 0.46), (0.8, 0.8, 0.82), (0.14, 0.15, 0.16)),
    "backscatter": ((0.6,), (0.75,), (0.82,)),
}
