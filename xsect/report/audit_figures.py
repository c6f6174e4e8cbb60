"""Figures of an audit: re-used pictures side by side, and stated values against measured ones."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.audit.copy_move import CopiedPatch
from xsect.audit.registration import laid_on
from xsect.audit.reuse import Reuse
from xsect.audit.stated import Pair, QuantityAgreement
from xsect.capture.image_files import read_image
from xsect.quantities import QUANTITIES, shown_unit
from xsect.report.plotting import figure, svg_text
from xsect.report.style import BLACK, BLUE, GREY, ORANGE, SKY_BLUE, VERMILLION, rgb

PANEL_PX = 800
MOST_POINTS = 16
MOST_DETAILS = 4

_GAP = 12
_NOT_SHOWN = (40, 40, 40)
_OUTLINE = 30.0
"""Spread of grey levels from which a detail shows an outline rather than texture."""

_SLIP, _ROUNDED, _PLAIN = (VERMILLION, "s"), (ORANGE, "D"), (BLUE, "o")


def evidence_jpeg(one: Reuse) -> bytes:
    """Return the two pictures of a re-use side by side: the first, and the second laid on the first's frame.

    Circles of one number mark the same detail in both. Below, the first of these details enlarged, the first picture's
    above the second's, each in its own full contrast.
    """
    pixels, factor = one.first.pixels()
    first = _colour(pixels)
    pixels, other_factor = one.second.pixels()
    second = _colour(pixels)
    if one.registration is None:
        sheet = np.hstack([_fit(first), _gap(_fit(first).shape[0]), _fit(second, rows=_fit(first).shape[0])])
        return _jpeg(sheet)
    planes = [
        laid_on(
            np.asarray(first[..., 0], np.float32), np.asarray(second[..., plane], np.float32),
            one.registration, factors=(factor, other_factor),
        )
        for plane in range(3)
    ]  # fmt: skip
    laid = np.clip(np.stack([plane for plane, _ in planes], axis=-1), 0, 255).astype(np.uint8)
    laid[~planes[0][1]] = _NOT_SHOWN
    points = one.registration.matched[:, :2] * np.float32(factor)
    points = points[_inside(points, first.shape, PANEL_PX / first.shape[1])]
    enlarged = _telling(first, laid, points)
    points = _spread(points, enlarged)
    left, right = _fit(first), _fit(laid)
    for number, (x, y) in enumerate(points * (PANEL_PX / first.shape[1]), 1):
        for panel in (left, right):
            _mark(panel, (round(float(x)), round(float(y))), number)
    sheet = np.hstack([left, _gap(left.shape[0]), right])
    return _jpeg(np.vstack([sheet, *_details(first, laid, points[: len(enlarged)])]))


def copied_jpeg(path: Path, patch: CopiedPatch) -> bytes:
    """Return a picture with a patch that stands twice in it framed at both places, and both enlarged beside it."""
    picture = _colour(read_image(path, name=path.name).pixels)
    whole = _fit(picture)
    scale = whole.shape[1] / picture.shape[1]
    parts = []
    for number, (x, y, wide, high) in enumerate((patch.box, patch.twin), 1):
        part = _stretched(picture[y : y + high, x : x + wide])
        size = (PANEL_PX // 2 - _GAP // 2, round((PANEL_PX // 2 - _GAP // 2) * high / wide))
        parts.append(np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_NEAREST), np.uint8))
        corners = [(round(a * scale), round(b * scale)) for a, b in ((x, y), (x + wide, y + high))]
        for ink, thick in (((0, 0, 0), 5), (rgb(SKY_BLUE), 2)):
            cv2.rectangle(whole, corners[0], corners[1], ink, thick, cv2.LINE_AA)
        _number(whole, (corners[0][0] + 4, corners[0][1] - 6), number)
        _number(parts[-1], (8, 24), number)
    beside = np.hstack([parts[0], _gap(parts[0].shape[0]), parts[1]])
    rows = max(whole.shape[0], beside.shape[0])
    return _jpeg(np.hstack([_padded(whole, rows), _gap(rows), _padded(beside, rows)]))


def _colour(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.uint8]:
    if pixels.dtype != np.uint8:
        top = max(float(np.percentile(pixels, 99.8)), 1.0)
        pixels = np.clip(pixels * (255 / top), 0, 255).astype(np.uint8)
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_GRAY2RGB) if pixels.ndim == 2 else pixels, np.uint8)


def _fit(picture: NDArray[np.uint8], rows: int | None = None) -> NDArray[np.uint8]:
    factor = PANEL_PX / picture.shape[1]
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    size = (PANEL_PX, rows or round(picture.shape[0] * factor))
    return np.asarray(cv2.resize(picture, size, interpolation=how), np.uint8)


def _gap(rows: int, columns: int = _GAP) -> NDArray[np.uint8]:
    return np.full((rows, columns, 3), 255, np.uint8)


def _padded(picture: NDArray[np.uint8], rows: int) -> NDArray[np.uint8]:
    return np.vstack([picture, _gap(rows - picture.shape[0], picture.shape[1])])


def _jpeg(sheet: NDArray[np.uint8]) -> bytes:
    settings = [cv2.IMWRITE_JPEG_QUALITY, 88]
    return cv2.imencode(".jpg", cv2.cvtColor(sheet, cv2.COLOR_RGB2BGR), settings)[1].tobytes()


def _inside(points: NDArray[np.float32], shape: tuple[int, ...], scale: float) -> NDArray[np.bool_]:
    """Return which points leave room for their circle and number; all of them where none does."""
    x, y = points.T * scale
    inside = (x > 10) & (x < shape[1] * scale - 40) & (y > 10) & (y < shape[0] * scale - 10)
    return np.asarray(inside if inside.any() else ~inside)


def _spread(points: NDArray[np.float32], chosen: list[int]) -> NDArray[np.float32]:
    """Return up to MOST_POINTS of the points: those chosen, then each next one the farthest from the others."""
    chosen = chosen or [0]
    away = np.min([np.hypot(*(points - points[at]).T) for at in chosen], axis=0)
    while len(chosen) < min(MOST_POINTS, len(points)) and away.max() > 15:
        chosen = [*chosen, int(away.argmax())]
        away = np.minimum(away, np.hypot(*(points - points[chosen[-1]]).T))
    return points[chosen]


def _telling(first: NDArray[np.uint8], laid: NDArray[np.uint8], points: NDArray[np.float32]) -> list[int]:
    """Return the places of up to MOST_DETAILS points, well apart, about which most is seen that is alike in both.

    An outline is alike too, but all sections of a design have it: it does not count.
    """
    value = np.zeros(len(points))
    for at, point in enumerate(points):
        pair = [cv2.cvtColor(_around(picture, point), cv2.COLOR_RGB2GRAY) for picture in (first, laid)]
        grey = [np.asarray(part, np.float32) for part in pair]
        shown = (_around(laid, point) == _NOT_SHOWN).all(axis=-1).mean() < 0.02
        if shown and float(grey[0].std()) < _OUTLINE:
            soft = [cv2.GaussianBlur(part, (0, 0), 2) - cv2.GaussianBlur(part, (0, 0), 12) for part in grey]
            value[at] = float((soft[0] * soft[1]).mean()) / max(*(float(part.std()) for part in soft), 1e-3)
    chosen: list[int] = []
    while len(chosen) < MOST_DETAILS and value.max(initial=0) > 0:
        chosen.append(int(value.argmax()))
        value[np.hypot(*(points - points[chosen[-1]]).T) < first.shape[1] / 12] = 0
    return chosen


def _around(picture: NDArray[np.uint8], point: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return what lies about a point: a tenth of the picture wide, half as high, within the picture."""
    wide, high = max(picture.shape[1] // 10, 24), max(picture.shape[1] // 20, 12)
    left = int(np.clip(point[0] - wide / 2, 0, picture.shape[1] - wide))
    top = int(np.clip(point[1] - high / 2, 0, max(picture.shape[0] - high, 0)))
    return np.ascontiguousarray(picture[top : top + high, left : left + wide])


def _details(
    first: NDArray[np.uint8], laid: NDArray[np.uint8], points: NDArray[np.float32]
) -> list[NDArray[np.uint8]]:
    """Return strips of details enlarged and numbered, of the first picture and of the second."""
    cell = (2 * PANEL_PX + _GAP - (MOST_DETAILS - 1) * _GAP) // MOST_DETAILS
    strips = []
    for above, picture in ((_GAP, first), (4, laid)) if len(points) else ():
        cells: list[NDArray[np.uint8]] = []
        for number, point in enumerate(points, 1):
            part = _stretched(_around(picture, point))
            size = (cell, round(cell * part.shape[0] / part.shape[1]))
            enlarged = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_CUBIC), np.uint8)
            _number(enlarged, (8, 26), number)
            cells += [enlarged, _gap(size[1])]
        strip = np.hstack(cells)[:, : 2 * PANEL_PX + _GAP]
        rest = 2 * PANEL_PX + _GAP - strip.shape[1]
        strips += [_gap(above, 2 * PANEL_PX + _GAP), np.hstack([strip, _gap(strip.shape[0], rest)])]
    return strips


def _stretched(part: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return a part in full contrast, as grey."""
    grey = cv2.cvtColor(np.ascontiguousarray(part), cv2.COLOR_RGB2GRAY).astype(np.float32)
    low, high = np.percentile(grey, (1, 99))
    level = np.clip((grey - low) * (225 / max(high - low, 4.0)) + 15, 0, 255).astype(np.uint8)
    return np.asarray(cv2.cvtColor(level, cv2.COLOR_GRAY2RGB), np.uint8)


def _mark(sheet: NDArray[np.uint8], at: tuple[int, int], number: int) -> None:
    # black under colour: seen on dark mount and on bright metal
    cv2.circle(sheet, at, 8, (0, 0, 0), 5, cv2.LINE_AA)
    cv2.circle(sheet, at, 8, rgb(SKY_BLUE), 2, cv2.LINE_AA)
    _number(sheet, (at[0] + 12, at[1] + 7), number)


def _number(sheet: NDArray[np.uint8], place: tuple[int, int], number: int) -> None:
    for colour, width in (((0, 0, 0), 5), ((255, 255, 255), 2)):
        cv2.putText(sheet, str(number), place, cv2.FONT_HERSHEY_SIMPLEX, 0.65, colour, width, cv2.LINE_AA)


def agreement_plot(one: QuantityAgreement) -> str:
    """Return two plots as an SVG element, 7.1 × 2.7 inches: stated against measured with the line through them, and
    their difference against their mean with the limits of agreement."""
    label = QUANTITIES[one.quantity].label.lower()
    plain = [pair for pair in one.pairs if pair.slip is None]
    typical = float(np.median([pair.measured for pair in plain or one.pairs]))
    factor, unit = shown_unit(typical, one.unit)
    finer, fine_unit = (1.0, "µm") if one.unit == "um" else (factor, unit)
    with figure(7.1, 2.7) as drawing:
        left = drawing.add_axes((0.085, 0.17, 0.38, 0.6))
        right = drawing.add_axes((0.585, 0.17, 0.405, 0.6))
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
            bbox_to_anchor=(1.0, 0.98),
            ncols=3,
            frameon=False,
            fontsize=7,
            handletextpad=0.3,
        )
        return svg_text(drawing, title=f"Stated against measured {label}")


def _points(
    left: Any, right: Any, one: QuantityAgreement, plain: list[Pair], factor: float, finer: float
) -> None:
    """Draw every pair in both plots; hollow where our own measurement needs a look."""
    doubtful, rounded = "hollow: needs a look", set(one.rounded_sections)
    for name, (colour, mark) in (("as read", _PLAIN), ("rounded up", _ROUNDED)):
        for vouched in (True, False):
            group = [
                pair
                for pair in plain
                if (pair.section in rounded) == (name == "rounded up") and pair.vouched is vouched
            ]
            if not group:
                continue
            seen, said, u = (
                np.array([getattr(pair, side) for pair in group]) for side in ("measured", "stated", "u")
            )
            how = {
                "color": colour, "markersize": 4, "markerfacecolor": colour if vouched else "white",
            }  # fmt: skip
            label = name if vouched else doubtful
            if not vouched:
                doubtful = "_told already"
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
