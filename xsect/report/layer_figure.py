"""Layer figure: a layer's edges in the picture, its thickness along its length, and a histogram of the readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.locate.view import LayerView
from xsect.report.canvas import png_bytes
from xsect.report.plotting import figure, rendered, svg_text
from xsect.report.style import BLACK, BLUE, ORANGE, SKY_BLUE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_DPI = 200
_GRID = "#D9D9D9"


def draw_layer(layer: LayerView) -> bytes:
    """Return profile and histogram of one layer as a PNG file, 1600 × 520 px."""
    with figure(8.0, 2.6, dpi=_DPI) as drawing:
        _panels(drawing, layer, top=0.88, bottom=0.19)
        return png_bytes(rendered(drawing))


def layer_svg(layer: LayerView) -> str:
    """Return profile and histogram of one layer as an SVG element."""
    with figure(7.2, 2.3) as drawing:
        _panels(drawing, layer, top=0.88, bottom=0.2)
        return svg_text(drawing, title=f"{layer.name}: thickness")


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


def _panels(drawing: Figure, layer: LayerView, *, top: float, bottom: float) -> None:
    grid = drawing.add_gridspec(
        1, 2, width_ratios=(3.2, 1), wspace=0.08, left=0.07, right=0.97, top=top, bottom=bottom
    )
    profile = drawing.add_subplot(grid[0])
    counts = drawing.add_subplot(grid[1], sharey=profile)
    _draw_profile(profile, layer)
    _draw_histogram(counts, layer)
    highest = float(np.max(layer.thickness + layer.u, initial=layer.high))
    profile.set_ylim(0, 1.08 * highest)


def _spacing(along: NDArray[np.float64]) -> float:
    """Return the usual distance of neighbouring readings, those on the other surface at the same place left out."""
    steps = np.diff(along)
    return float(np.median(steps[steps > 0])) if (steps > 0).any() else 1.0


def _draw_profile(axes: Axes, layer: LayerView) -> None:
    # readings lie side by side; across the bond, or where nothing could be read, no line joins them
    near = np.diff(layer.along) < 3 * _spacing(layer.along)
    for run in np.split(np.arange(len(layer.along)), np.flatnonzero(~near) + 1):
        along, thickness, reach = layer.along[run], layer.thickness[run], 2 * layer.u[run]
        low = np.maximum(thickness - reach, 0)
        axes.fill_between(along, low, thickness + reach, color=SKY_BLUE, alpha=0.35, linewidth=0)
        axes.plot(along, thickness, color=BLUE, linewidth=1.1, marker="o", markersize=1.8)
    axes.axhspan(layer.low, layer.high, color=ORANGE, alpha=0.3, linewidth=0)
    axes.axhline(layer.mean, color=BLACK, linewidth=0.9, linestyle=(0, (6, 2)))
    axes.set_xlabel("along the layer, " + ("mm" if layer.unit == "µm" else layer.unit))
    axes.set_ylabel(f"thickness, {layer.unit}")
    axes.grid(axis="y", color=_GRID, linewidth=0.6)
    if layer.resolved:
        title = f"{layer.name}: mean {layer.mean:.4g} {layer.unit} (dashed), 95 % {layer.low:.4g} to {layer.high:.4g}"
    else:
        title = f"{layer.name}: thinner than the picture resolves: at most {layer.high:.3g} {layer.unit}"
    axes.set_title(title, loc="left", fontsize=8)


def _draw_histogram(axes: Axes, layer: LayerView) -> None:
    bins = int(np.clip(np.sqrt(len(layer.thickness)) * 1.5, 5, 24))
    axes.hist(
        layer.thickness, bins=bins, orientation="horizontal", color=SKY_BLUE, edgecolor=BLUE, linewidth=0.5
    )
    axes.axhline(layer.mean, color=BLACK, linewidth=0.9, linestyle=(0, (6, 2)))
    axes.set_xlabel("readings")
    axes.tick_params(labelleft=False)
    axes.set_title(f"n = {len(layer.thickness)}", loc="left", fontsize=8)
