"""Layer figure: a layer's edges in the picture, its thickness along its length, and a histogram of the readings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.locate.view import LayerView
from xsect.quantities import COVERAGE_FACTOR, decimals
from xsect.report.canvas import png_bytes
from xsect.report.plotting import figure, rendered
from xsect.report.style import BLACK, BLUE, ORANGE, SKY_BLUE, VERMILLION

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_DPI = 200
_GRID = "#D9D9D9"
_PANEL_IN, _LINE_IN, _FOOT_IN = 1.5, 0.26, 0.42
"""Height of one layer's panels, of one line of words, and of the axes' names beneath the last panels."""


def draw_layers(layers: Sequence[LayerView]) -> bytes:
    """Return profile and histogram of each layer, one beneath the other, as a PNG file 1600 px wide.

    A layer of which nothing is seen takes one line of words.
    """
    heights = [_PANEL_IN if _shows(layer) else _LINE_IN for layer in layers]
    total = sum(heights) + _FOOT_IN * any(_shows(layer) for layer in layers)
    drawn = [layer for layer in layers if _shows(layer)]
    with figure(8.0, total, dpi=_DPI) as drawing:
        top = total
        for layer, height in zip(layers, heights, strict=True):
            if _shows(layer):
                bottom = (top - height + 0.08) / total
                profile = _panels(
                    drawing, layer, top=(top - 0.32) / total, bottom=bottom, foot=layer is drawn[-1]
                )
                profile.set_xlim(min(one.along.min() for one in drawn), max(one.along.max() for one in drawn))
            else:
                drawing.text(0.075, (top - 0.17) / total, _headline(layer), fontsize=8, va="center")
            top -= height + _FOOT_IN * (bool(drawn) and layer is drawn[-1])
        return png_bytes(rendered(drawing))


def draw_layer_picture(pixels: NDArray[np.uint8] | NDArray[np.uint16], layer: LayerView) -> bytes:
    """Return the picture (rows, columns[, 3]) with the layer's edges, above profile and histogram, as a PNG file."""
    shown = _shown(pixels)
    height = 7.2 * shown.shape[0] / shown.shape[1]
    total = height + 3.1
    with figure(8.0, total, dpi=_DPI) as drawing:
        axes = drawing.add_axes((0.07, 1 - (height + 0.4) / total, 0.9, height / total))
        axes.imshow(
            shown,
            extent=(-0.5, pixels.shape[1] - 0.5, pixels.shape[0] - 0.5, -0.5),
            interpolation="antialiased",
        )
        for edge, colour, dash, name in (
            (layer.upper, ORANGE, "-", "upper edge"),
            (layer.lower, SKY_BLUE, (0, (4, 1.5)), "lower edge"),
        ):
            axes.plot(edge[:, 0], edge[:, 1], color=BLACK, linewidth=2.6)
            axes.plot(edge[:, 0], edge[:, 1], color=colour, linestyle=dash, linewidth=1.3, label=name)
        axes.set_xlim(-0.5, pixels.shape[1] - 0.5)
        axes.set_ylim(pixels.shape[0] - 0.5, -0.5)
        axes.set_title(layer.name, loc="left")
        axes.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=2, frameon=False, borderaxespad=0.1)
        axes.tick_params(labelsize=6)
        _panels(drawing, layer, top=2.15 / total, bottom=0.5 / total)
        return png_bytes(rendered(drawing))


def _shown(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.uint8]:
    """Return the picture as 8-bit RGB, no more than 1600 px wide."""
    shrink = min(1.0, 1600 / pixels.shape[1])
    small = (
        cv2.resize(pixels, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA) if shrink < 1 else pixels
    )
    if small.dtype == np.uint16:
        small = (small // 256).astype(np.uint8)
    rgb = small if small.ndim == 3 else np.repeat(small[:, :, None], 3, axis=2)
    return np.asarray(rgb, dtype=np.uint8)


def _shows(layer: LayerView) -> bool:
    """Return whether a layer has a thickness to draw."""
    return layer.resolved and bool(np.max(layer.thickness, initial=0.0) > 0)


def _headline(layer: LayerView) -> str:
    # a layer drawn in its picture bears the picture's name, which stands above it
    name = "Thickness" if len(layer.upper) else layer.name[:1].upper() + layer.name[1:]
    if not layer.resolved:
        most = f"{layer.high:.{decimals(layer.high, layer.high)}f}"
        return f"{name}: thinner than the picture resolves, mean at most {most} {layer.unit}"
    places = decimals(layer.mean, (layer.high - layer.low) / (2 * COVERAGE_FACTOR))
    mean, low, high = (f"{value:.{places}f}" for value in (layer.mean, layer.low, layer.high))
    if not _shows(layer):
        return f"{name}: none seen, mean {mean} {layer.unit} (95 % interval {low} to {high} {layer.unit})"
    return f"{name}: mean {mean} {layer.unit} (dashed), 95 % interval {low} to {high} {layer.unit} (band)"


def _panels(drawing: Figure, layer: LayerView, *, top: float, bottom: float, foot: bool = True) -> Axes:
    grid = drawing.add_gridspec(
        1, 2, width_ratios=(3.6, 1), wspace=0.05, left=0.075, right=0.985, top=top, bottom=bottom
    )
    profile = drawing.add_subplot(grid[0])
    counts = drawing.add_subplot(grid[1], sharey=profile)
    _draw_profile(profile, layer)
    _draw_histogram(counts, layer)
    highest = float(np.max(layer.thickness + layer.u, initial=layer.high))
    profile.set_ylim(0, 1.08 * highest)
    if not foot:
        profile.set_xlabel("")
        profile.tick_params(labelbottom=False)
        counts.set_xlabel("")
    return profile


def _sides(layer: LayerView) -> list[NDArray[np.intp]]:
    """Return the readings of each surface: where the place along the layer steps back, the other surface begins."""
    return np.split(np.arange(len(layer.along)), np.flatnonzero(np.diff(layer.along) < 0) + 1)


def _draw_profile(axes: Axes, layer: LayerView) -> None:
    axes.axhspan(layer.low, layer.high, color=ORANGE, alpha=0.25, linewidth=0)
    sides = _sides(layer)
    pens = ((BLUE, "-", "o", "upper surface"), (VERMILLION, (0, (4, 1.5)), "s", "lower surface"))
    for side, (colour, dash, mark, name) in zip(sides, pens, strict=False):
        steps = np.diff(layer.along[side])
        usual = float(np.median(steps)) if steps.size else 1.0
        dense = len(side) > 150
        # across the bond, or where nothing could be read, no line joins the readings
        for run in np.split(side, np.flatnonzero(steps > 3 * usual) + 1):
            along, thickness, reach = layer.along[run], layer.thickness[run], 2 * layer.u[run]
            low = np.maximum(thickness - reach, 0)
            axes.fill_between(along, low, thickness + reach, color=colour, alpha=0.2, linewidth=0)
            axes.plot(
                along, thickness, color=colour, linewidth=1.1, linestyle=dash, marker="" if dense else mark,
                markersize=2.2, label=name if run[0] == side[0] and len(sides) == 2 else None,
            )  # fmt: skip
    if len(sides) == 2:
        axes.legend(loc="lower right", ncols=2, frameon=False, borderaxespad=0.2, handlelength=3)
    axes.axhline(layer.mean, color=BLACK, linewidth=0.9, linestyle=(0, (6, 2)))
    way = "layer" if len(layer.upper) else "faying line"
    axes.set_xlabel(f"along the {way}, {'mm' if layer.unit == 'µm' else layer.unit}", loc="left")
    axes.set_ylabel(f"thickness, {layer.unit}")
    axes.grid(axis="y", color=_GRID, linewidth=0.6)
    axes.set_title(_headline(layer), loc="left", fontsize=8)


def _draw_histogram(axes: Axes, layer: LayerView) -> None:
    # bare stations of a bond would dwarf all others
    there = layer.thickness[layer.thickness > 0]
    bins = int(np.clip(np.sqrt(len(there)) * 1.5, 5, 24))
    axes.hist(there, bins=bins, orientation="horizontal", color=SKY_BLUE, edgecolor=BLUE, linewidth=0.5)
    axes.axhline(layer.mean, color=BLACK, linewidth=0.9, linestyle=(0, (6, 2)))
    axes.set_xlabel("number of readings", loc="left")
    axes.tick_params(labelleft=False)
    bare = len(layer.thickness) - len(there)
    axes.set_title(f"n = {len(there)}" + (f", {bare} bare" if bare else ""), loc="left", fontsize=8)
