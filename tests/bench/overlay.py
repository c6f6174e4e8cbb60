"""Overlay: a drawn section with its true notches and what was measured drawn on it, for a person."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from tests.bench.outcomes import Outcome, Result
from xsect.locate.view import STATES
from xsect.synth.truth import DrawnSection

# Okabe-Ito colours, RGB; true marks are rings, measured ones crosses.
TRUE, MEASURED, PLAIN = (0, 158, 115), (213, 94, 0), (240, 228, 66)
STATE_COLOURS = {
    "joined": (86, 180, 233), "plating": (230, 159, 0), "open": (240, 228, 66), "filled": (204, 121, 167),
    "fused": (0, 114, 178), "unknown": (153, 153, 153),
}  # fmt: skip


def write_overlay(folder: Path, outcome: Outcome, section: DrawnSection, result: Result) -> Path:
    """Write one PNG, named by kind, difficulty, seed and the bond width's error; return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    canvas = eight_bit(section.pixels)
    view = result.view
    if view is not None:
        for i, state in enumerate(STATES):
            for run in _runs(view.states == i):
                _polyline(canvas, view.line[run], STATE_COLOURS[state])
        for outline in view.outlines:
            _polyline(canvas, outline, PLAIN)
        for notch in view.notches:
            at = (round(notch.x), round(notch.y))
            cv2.drawMarker(canvas, at, MEASURED, cv2.MARKER_TILTED_CROSS, 18, 2)
    for pair in section.truth.notches:
        for x, y in pair:
            cv2.circle(canvas, (round(x), round(y)), 12, TRUE, 2, cv2.LINE_AA)
    text = [
        f"{outcome.case.name}  {outcome.status}",
        *(f"{code}: {words}" for code, words in outcome.findings),
    ]
    for i, line in enumerate(text):
        cv2.putText(
            canvas, line[:150], (8, 22 + 20 * i), cv2.FONT_HERSHEY_SIMPLEX, 0.5, (0, 0, 0), 4, cv2.LINE_AA
        )
        cv2.putText(
            canvas,
            line[:150],
            (8, 22 + 20 * i),
            cv2.FONT_HERSHEY_SIMPLEX,
            0.5,
            (255, 255, 255),
            1,
            cv2.LINE_AA,
        )
    case = outcome.case
    path = folder / f"{case.kind}-{case.difficulty}-{case.seed:05d}-{_error_text(outcome)}.png"
    if not cv2.imwrite(str(path), canvas[..., ::-1]):
        raise OSError(f"{path}: could not be written")
    return path


def eight_bit(pixels: np.ndarray) -> np.ndarray:
    """Return (rows, columns, 3) uint8 for showing; 16-bit ones are stretched to their own largest value."""
    if pixels.dtype != np.uint8:
        pixels = (pixels / max(int(pixels.max()), 1) * 255).astype(np.uint8)
    return np.ascontiguousarray(cv2.cvtColor(pixels, cv2.COLOR_GRAY2RGB) if pixels.ndim == 2 else pixels)


def _error_text(outcome: Outcome) -> str:
    width = next((one for one in outcome.readings if (one.quantity, one.segment) == ("bond_width", 0)), None)
    if width is None or not np.isfinite(width.value):
        return "none"
    if width.truth == 0:
        return "false" if width.value > 0 else "right"
    return f"{100 * width.error / width.truth:+.2f}pc"


def _runs(mask: np.ndarray) -> list[slice]:
    """Return the runs of True, each one station longer so that neighbours join up."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [slice(int(a), int(b) + 1) for a, b in edges.reshape(-1, 2)]


def _polyline(canvas: np.ndarray, points: np.ndarray, colour: tuple[int, int, int]) -> None:
    cv2.polylines(canvas, [np.int32(np.round(points * 16))], False, colour, 1, cv2.LINE_AA, 4)
