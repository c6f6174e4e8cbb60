"""Weld frame: the picture about one bond, turned level and scaled so that every bond is equally wide in it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.locate.contacts import runs
from xsect.locate.section import Located
from xsect.locate.stations import Segment
from xsect.locate.tone import Floats, Image
from xsect.locate.view import OPEN, PLATING

SPAN = 320
"""Width of the bond in frame px: a zone a tenth as wide still has 32."""

BESIDE, ACROSS = 0.4, 0.85
"""Reach of the frame beside the bond and across it, in bond widths."""

FINEST = 0.5
"""Smallest step from one frame px to the next, in px of the picture."""

LARGEST = 170_000
"""Frame px of the closer look at a zone that was found."""

EVEN = 10
"""Frames have a multiple of this number of rows and columns, so that coarser copies of them cover the same."""

BRIDGE = 0.25
"""Two segments belong to one bond when what parts them is shorter than this share of the shorter one."""


@dataclass(frozen=True)
class WeldFrame:
    """A level copy of the picture about one bond.

    ``image``: (rows, columns[, 3]) float32 in 0..1; ``fine``: (rows, columns) mean square of the picture's finest
    detail; ``metal``: (rows, columns) what is metal and not covered. Frame place (x, y) lies at ``middle`` +
    ``step`` · ((x − columns/2) · ``along`` + (y − rows/2) · ``across``) of the (turned) picture, in px.
    """

    image: Floats
    fine: Floats
    metal: NDArray[np.bool_]
    middle: NDArray[np.float64]
    along: NDArray[np.float64]
    across: NDArray[np.float64]
    step: float

    @property
    def centre(self) -> NDArray[np.float64]:
        """Return the frame's middle (x, y) in its own px."""
        rows, columns = self.metal.shape
        return np.array([columns / 2, rows / 2])

    def from_picture(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return (n, 2) places (x, y) of the frame of (n, 2) places of the turned picture."""
        off = (places - self.middle) / self.step
        return np.stack([off @ self.along, off @ self.across], axis=-1) + self.centre

    def to_picture(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return (n, 2) places (x, y) of the turned picture of (n, 2) places of the frame."""
        off = self.step * (places - self.centre)
        return np.asarray(self.middle + off[:, :1] * self.along + off[:, 1:] * self.across)


@dataclass(frozen=True)
class Bond:
    """Segments ``first`` to ``last`` (counted from 1) of a section, and the stations of their outer notches."""

    first: int
    last: int
    left: float
    right: float


def bonds(segments: tuple[Segment, ...]) -> list[Bond]:
    """Return the bonds that segments belong to: a pore on the line does not end one."""
    out: list[Bond] = []
    for number, segment in enumerate(segments, 1):
        left, right = segment.left.station, segment.right.station
        if out and left - out[-1].right < BRIDGE * min(out[-1].right - out[-1].left, right - left):
            out[-1] = replace(out[-1], last=number, right=right)
        else:
            out.append(Bond(number, number, left, right))
    return out


def frame_of(located: Located, pixels: Image, bond: Bond) -> WeldFrame:
    """Return the frame about a bond of ``pixels``, the picture already turned."""
    ends = np.array([located.strip.place(station) for station in (bond.left, bond.right)])
    span = float(np.hypot(*(ends[1] - ends[0])))
    along = (ends[1] - ends[0]) / span
    step = max(span / SPAN, FINEST)
    size = (span * (1 + 2 * BESIDE) / step, span * 2 * ACROSS / step)
    return _frame(located, pixels, ends.mean(axis=0), along, step, size)


def closer(located: Located, pixels: Image, frame: WeldFrame, outline: NDArray[np.float64]) -> WeldFrame:
    """Return a frame turned alike about an ``outline`` (n, 2) of ``frame``, in which it is drawn larger."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    extent = high - low
    reach = extent / 2 + max(0.5 * float(extent.min()), 0.12 * float(extent.max()), 12)
    area = 4 * float(reach[0] * reach[1])
    step = max(frame.step * math.sqrt(area / LARGEST), FINEST, frame.step / 4)
    middle = frame.to_picture((low + high)[None] / 2)[0]
    size = 2 * reach * frame.step / step
    return _frame(located, pixels, middle, frame.along, step, (float(size[0]), float(size[1])))


def _frame(
    located: Located, pixels: Image, middle: NDArray[np.float64], along: NDArray[np.float64], step: float,
    size: tuple[float, float],
) -> WeldFrame:  # fmt: skip
    across = np.array([-along[1], along[0]])
    columns, rows = (int(length) // EVEN * EVEN for length in size)
    image, fine = _sampled(pixels, middle, along, across, step, (rows, columns))
    solid = _warp(
        (located.parts.metal & located.parts.known).astype(np.float32),
        middle, along, across, step, (rows, columns), located.parts.step, 0,
    )  # fmt: skip
    metal = cv2.erode((solid > 0.6).astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    return _without_openings(located, WeldFrame(image, fine, metal, middle, along, across, step))


def _without_openings(located: Located, frame: WeldFrame) -> WeldFrame:
    """Take the stretches of the faying line that are open or hold a layer off the metal: they are dark too."""
    strip, stations = located.strip, located.stations
    metal = frame.metal.astype(np.uint8)
    for first, last in runs((stations.states == OPEN) | (stations.states == PLATING)):
        span = slice(first, last + 1)
        half = located.apart.thickness[span] / 2 + 2 * frame.step
        rims = [
            strip.points[span] + (located.apart.centre[span] + sign * half)[:, None] * strip.normals[span]
            for sign in (-1, 1)
        ]
        band = frame.from_picture(np.vstack([rims[0], rims[1][::-1]]))
        cv2.fillPoly(metal, [np.rint(band).astype(np.int32)], 0)
    return replace(frame, metal=metal.astype(bool))


def _sampled(
    pixels: Image, middle: NDArray[np.float64], along: NDArray[np.float64], across: NDArray[np.float64],
    step: float, shape: tuple[int, int],
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return the level copy and the energy of detail finer than about 1.5 px of the picture."""
    rows, columns = shape
    half = step * np.array([columns, rows]) / 2
    reach = np.abs(along) * half[0] + np.abs(across) * half[1] + 2
    low = np.maximum(np.floor(middle - reach), 0).astype(int)
    high = np.minimum(np.ceil(middle + reach) + 1, pixels.shape[1::-1]).astype(int)
    crop = pixels[low[1] : high[1], low[0] : high[0]]
    grey = mean_channel(crop).astype(np.float32)
    detail = grey - cv2.GaussianBlur(grey, (7, 7), 1.0)
    shrunk = max(step, 1.0)
    size = (max(8, round(crop.shape[1] / shrunk)), max(8, round(crop.shape[0] / shrunk)))
    # the picture is averaged in its own integers: where many px make one, their noise keeps what rounding would lose
    copies = [
        cv2.resize(one, size, interpolation=cv2.INTER_AREA) if shrunk > 1 else one
        for one in (crop, cv2.multiply(detail, detail))
    ]
    scale, full = crop.shape[1] / size[0], np.float32(np.iinfo(pixels.dtype).max)
    image, fine = (
        _warp(copy.astype(np.float32), middle - low, along, across, step, shape, scale, 1) for copy in copies
    )
    return image / full, fine / full**2


def mean_channel(image: NDArray[Any]) -> NDArray[Any]:
    """Return the mean of the channels of an image (rows, columns[, 3]) in its own type."""
    return image if image.ndim == 2 else np.asarray(cv2.transform(image, np.full((1, 3), 1 / 3)))


def _warp(
    image: Floats, middle: NDArray[np.float64], along: NDArray[np.float64], across: NDArray[np.float64],
    step: float, shape: tuple[int, int], scale: float, border: int,
) -> Floats:  # fmt: skip
    """Return ``image``, whose px are ``scale`` px of the picture, resampled in the frame."""
    rows, columns = shape
    axes = np.column_stack([along, across]) * step / scale
    origin = (middle + 0.5) / scale - 0.5 - axes @ np.array([columns / 2, rows / 2])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    mode = cv2.BORDER_REPLICATE if border else cv2.BORDER_CONSTANT
    out = cv2.warpAffine(
        image, np.column_stack([axes, origin]), (columns, rows), flags=flags, borderMode=mode
    )
    return np.asarray(out, np.float32)
