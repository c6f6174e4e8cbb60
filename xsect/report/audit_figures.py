"""Figures of an audit: re-used pictures side by side, and stated values against measured ones."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.audit.registration import laid_on
from xsect.audit.reuse import Reuse
from xsect.audit.stated import Pair, QuantityAgreement
from xsect.capture.image_files import read_image
from xsect.quantities import QUANTITIES, shown_unit
from xsect.report.plotting import figure, svg_text
from xsect.report.style import BLACK, BLUE, GREY, ORANGE, SKY_BLUE, VERMILLION, rgb

PANEL_PX = 800
MOST_POINTS = 24

_SLIP, _ROUNDED, _PLAIN = (VERMILLION, "s"), (ORANGE, "D"), (BLUE, "o")


def evidence_jpeg(one: Reuse) -> bytes:
    """Return the two pictures of a re-use side by side: the first, and the second laid on the first's frame.

    Circles of one number mark the same detail in both; up to 24 of those that agree, spread over the picture.
    """
    first = _panel(one.first.path)
    if one.registration is None:
        size = (first.shape[1], first.shape[0])
        right = np.asarray(
            cv2.resize(_panel(one.second.path), size, interpolation=cv2.INTER_AREA), np.float32
        )
        points = np.zeros((0, 2), np.float32)
    else:
        whole = read_image(one.first.path, name=one.first.name).pixels
        factor = first.shape[1] / whole.shape[1]
        second = _panel(one.second.path, wide=None)
        planes = [
            laid_on(
                np.asarray(first[..., 0], np.float32), np.asarray(second[..., plane], np.float32),
                one.registration, factors=(factor, 1.0),
            )
            for plane in range(3)
        ]  # fmt: skip
        right = np.stack([plane for plane, _ in planes], axis=-1)
        right[~planes[0][1]] = (40, 40, 40)
        points = one.registration.matched[:, :2] * np.float32(factor)
        inside = (points[:, 0] < first.shape[1] - 30) & (points[:, 1] < first.shape[0] - 8)
        points = _spread(points[inside] if inside.any() else points)
    gap = np.full((first.shape[0], 12, 3), 255, np.uint8)
    sheet = np.ascontiguousarray(np.hstack([first, gap, np.clip(right, 0, 255).astype(np.uint8)]))
    for number, (x, y) in enumerate(points, 1):
        for left in (0, first.shape[1] + 12):
            _mark(sheet, (round(left + float(x)), round(float(y))), number)
    settings = [cv2.IMWRITE_JPEG_QUALITY, 85]
    return cv2.imencode(".jpg", cv2.cvtColor(sheet, cv2.COLOR_RGB2BGR), settings)[1].tobytes()


def _panel(path: object, wide: int | None = PANEL_PX) -> NDArray[np.uint8]:
    pixels = read_image(str(path), name=str(path)).pixels
    if pixels.dtype != np.uint8:
        top = max(float(np.percentile(pixels, 99.8)), 1.0)
        pixels = np.clip(pixels * (255 / top), 0, 255).astype(np.uint8)
    colour = cv2.cvtColor(pixels, cv2.COLOR_GRAY2RGB) if pixels.ndim == 2 else pixels
    if wide is not None:
        factor = wide / colour.shape[1]
        colour = cv2.resize(
            colour,
            None,
            fx=factor,
            fy=factor,
            interpolation=cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC,
        )
    return np.asarray(colour, np.uint8)


def _spread(points: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return up to MOST_POINTS of the points, each next one the farthest from those chosen."""
    chosen = [0]
    away = np.hypot(*(points - points[0]).T)
    while len(chosen) < min(MOST_POINTS, len(points)) and away.max() > 15:
        chosen.append(int(away.argmax()))
        away = np.minimum(away, np.hypot(*(points - points[chosen[-1]]).T))
    return points[chosen]


def _mark(sheet: NDArray[np.uint8], at: tuple[int, int], number: int) -> None:
    # black under colour: seen on dark mount and on bright metal
    cv2.circle(sheet, at, 7, (0, 0, 0), 4, cv2.LINE_AA)
    cv2.circle(sheet, at, 7, rgb(SKY_BLUE), 2, cv2.LINE_AA)
    for colour, width in (((0, 0, 0), 4), ((255, 255, 255), 1)):
        place = (at[0] + 10, at[1] + 5)
        cv2.putText(sheet, str(number), place, cv2.FONT_HERSHEY_SIMPLEX, 0.5, colour, width, cv2.LINE_AA)


def agreement_plot(one: QuantityAgreement) -> str:
    """Return two plots as an SVG element, 7.1 × 2.7 inches: stated against measured with the line through them, and
    their difference against their mean with the limits of agreement."""
    label = QUANTITIES[one.quantity].label.lower()
    plain = [pair for pair in one.pairs if pair.slip is None]
    typical = float(np.median([pair.measured for pair in plain or one.pairs]))
    factor, unit = shown_unit(typical, one.unit)
    finer, fine_unit = (1.0, "µm") if one.unit == "um" else (factor, unit)
    with figure(7.1, 2.7) as drawing:
        left = drawing.add_axes((0.085, 0.17, 0.38, 0.70))
        right = drawing.add_axes((0.585, 0.17, 0.405, 0.70))
        _points(left, right, one, plain, factor, finer)
        _line(left, one, plain, factor)
        _limits(right, one, finer)
        off = [pair.section for pair in one.pairs if pair.slip]
        if off:
            right.set_title(f"not shown, off by a known factor: {', '.join(off[:6])}", fontsize=7, color=GREY)
        left.set_xlabel(f"measured {label}, {unit}")
        left.set_ylabel(f"stated, {unit}")
        right.set_xlabel(f"mean of both, {unit}")
        right.set_ylabel(f"stated − measured, {fine_unit}")
        for axes in (left, right):
            axes.grid(color="#E4E4E4", linewidth=0.6)
            axes.margins(0.08)
        left.legend(
            loc="lower right",
            bbox_to_anchor=(1.0, 1.0),
            ncols=4,
            frameon=False,
            fontsize=7,
            handletextpad=0.3,
        )
        return svg_text(drawing, title=f"Stated against measured {label}")


def _points(
    left: Any, right: Any, one: QuantityAgreement, plain: list[Pair], factor: float, finer: float
) -> None:
    """Draw every pair in both plots; hollow where our own measurement needs a look."""
    for name, (colour, mark) in (("as read", _PLAIN), ("rounded up", _ROUNDED)):
        for vouched in (True, False):
            group = [
                pair
                for pair in plain
                if (pair.section in one.rounded_sections) == (name == "rounded up")
                and pair.vouched is vouched
            ]
            if not group:
                continue
            seen, said, u = (
                np.array([getattr(pair, side) for pair in group]) for side in ("measured", "stated", "u")
            )
            how = {
                "color": colour, "markersize": 4, "markerfacecolor": colour if vouched else "white",
            }  # fmt: skip
            label = name if vouched else "hollow: needs a look"
            left.errorbar(
                seen * factor,
                said * factor,
                xerr=1.96 * u * factor,
                fmt=mark,
                linewidth=0.8,
                label=label,
                **how,
            )
            right.plot((seen + said) / 2 * factor, (said - seen) * finer, mark, **how)


def _line(axes: Any, one: QuantityAgreement, plain: list[Pair], factor: float) -> None:
    if not plain:
        return
    ends = np.array(
        [min(min(p.measured, p.stated) for p in plain), max(max(p.measured, p.stated) for p in plain)]
    )
    axes.plot(ends * factor, ends * factor, color=GREY, linewidth=0.8, dashes=(2, 2), label="equal")
    if one.line:
        said = one.line.intercept + one.line.slope * ends
        axes.plot(ends * factor, said * factor, color=BLACK, linewidth=1.0, label="line")


def _limits(axes: Any, one: QuantityAgreement, factor: float) -> None:
    axes.axhline(0, color=GREY, linewidth=0.8, dashes=(2, 2))
    if one.limits is None:
        return
    for value, (low, high), solid in (
        (one.limits.bias, one.limits.bias_interval, True),
        (one.limits.low, one.limits.low_interval, False),
        (one.limits.high, one.limits.high_interval, False),
    ):
        axes.axhspan(low * factor, high * factor, color=SKY_BLUE, alpha=0.18, linewidth=0)
        axes.axhline(value * factor, color=BLACK, linewidth=1.0, linestyle="-" if solid else "--")
