"""The located section as reports draw it: geometry in the picture's own pixels."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.capture.scale import Scale
from xsect.locate.contents import Contents
from xsect.locate.parts import Parts
from xsect.locate.section import Located
from xsect.locate.view import NotchView, SectionView
from xsect.measure.bond import segment_widths
from xsect.measure.imperfections import list_imperfections
from xsect.measure.layers import layer_views
from xsect.measure.nugget import nugget_views
from xsect.measure.oblique import upright_view
from xsect.measure.plating import residual_view
from xsect.quantities import Measurement


def make_view(
    located: Located,
    contents: Contents,
    measurements: Sequence[Measurement],
    scale: Scale,
    *,
    lean_deg: float = 0.0,
) -> SectionView:
    """Return what was located and found, turned back to the picture as it was taken.

    ``lean_deg``: of the cut, by which layers read too thick.
    """
    stations, strip, um = located.stations, located.strip, scale.um_per_px
    notches = []
    widths = segment_widths(located, um)
    for number, (segment, width) in enumerate(zip(stations.segments, widths, strict=True), 1):
        for side, notch, u in (("left", segment.left, width.u_left), ("right", segment.right, width.u_right)):
            x, y = strip.place(notch.station)
            notches.append(NotchView(number, side, *((y, x) if located.parts.turned else (x, y)), u))
    flip = slice(None, None, -1) if located.parts.turned else slice(None)
    plating = np.full(stations.opening.size, np.nan)
    if located.plating is not None:
        plating = stations.layer * um
    shown = np.clip(np.rint(strip.values * 255), 0, 255).astype(np.uint8)
    return SectionView(
        outlines=tuple(line[:, flip] for line in _outlines(located.parts, strip.points)),
        line=strip.points[:, flip],
        s_um=stations.arc * um,
        states=stations.states,
        opening_um=stations.opening * um,
        plating_um=plating,
        notches=tuple(notches),
        strip=shown if shown.ndim == 3 else np.repeat(shown[:, :, None], 3, axis=2),
        pitch_um=um,
        nuggets=nugget_views(contents.nuggets, turned=located.parts.turned),
        flaws=list_imperfections(contents.flaws, located, um),
        layers=tuple(
            upright_view(layer, lean_deg)
            for layer in (
                *residual_view(located, contents.surfaces, measurements, um),
                *layer_views(located, contents.surfaces, measurements, um),
            )
        ),
    )


def _outlines(parts: Parts, line: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Return the parts' contours in px, upper first: the metal cut in two along the faying line."""
    metal = parts.metal.astype(np.uint8)
    coarse = (line + 0.5) / parts.step - 0.5
    cv2.polylines(metal, [np.rint(coarse).astype(np.int32)], isClosed=False, color=0, thickness=2)
    contours, _ = cv2.findContours(metal, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    large = sorted(contours, key=cv2.contourArea, reverse=True)[:2]
    large.sort(key=lambda contour: float(contour[:, 0, 1].mean()))
    return tuple((contour[:, 0, :].astype(np.float64) + 0.5) * parts.step - 0.5 for contour in large)
