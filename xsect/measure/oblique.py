"""Oblique cut: a section that leans against the layer's normal shows the layer thicker than it is."""

from __future__ import annotations

import math
from dataclasses import replace

from xsect.locate.view import LayerView
from xsect.measure.spread import rms_deviation
from xsect.quantities import Component, Measurement


def oblique_excess(tilt_deg: float) -> float:
    """Return by which share a thickness reads high in a section leaning by ``tilt_deg``: 1/cos − 1."""
    return 1 / _cosine(tilt_deg) - 1


def perpendicular_thickness(
    apparent_um: float, tilt_deg: float, *, u_apparent_um: float = 0.0, u_tilt_deg: float = 0.0
) -> tuple[float, float]:
    """Return (thickness, standard uncertainty) in µm of a layer in a leaning section: apparent · cos(tilt).

    The tilt's share is taken over its whole normal distribution and includes the bias: about an upright
    section a lean in either direction makes the layer read high, which first order does not see. ValueError
    for a tilt of 90° or more and for negative or infinite input. Correction as in ASTM B487, 5.2.
    """
    cosine = _cosine(tilt_deg)
    for name, value in (
        ("apparent_um", apparent_um),
        ("u_apparent_um", u_apparent_um),
        ("u_tilt_deg", u_tilt_deg),
    ):
        if not (math.isfinite(value) and value >= 0):
            raise ValueError(f"{name} = {value!r}: must be >= 0")
    from_tilt = rms_deviation(lambda tilt: apparent_um * math.cos(math.radians(tilt)), tilt_deg, u_tilt_deg)
    return apparent_um * cosine, math.hypot(cosine * u_apparent_um, from_tilt)


def upright(found: Measurement, tilt_deg: float, u_tilt_deg: float) -> Measurement:
    """Return a layer's thickness or area as an upright cut would show it; its interval holds the lean's uncertainty."""
    if not found:
        return found
    cosine = _cosine(tilt_deg)
    _, u_tilt = perpendicular_thickness(max(found.value, 0.0), tilt_deg, u_tilt_deg=u_tilt_deg)
    budget = (
        *(Component(part.name, part.u * cosine) for part in found.budget),
        Component("lean of the cut", u_tilt),
    )
    u = math.hypot(found.u * cosine, u_tilt)
    wider = u / (found.u * cosine) if found.u > 0 else 1.0
    value = found.value * cosine
    note = f"corrected for a cut leaning by {tilt_deg:g}°, times {cosine:.4f}"
    return replace(
        found,
        value=value,
        u=u,
        low=max(value - wider * (found.value - found.low) * cosine, 0.0),
        high=value + wider * (found.high - found.value) * cosine,
        note="; ".join(part for part in (found.note, note) if part),
        budget=budget,
    )


def upright_view(layer: LayerView, tilt_deg: float) -> LayerView:
    """Return a layer's readings as an upright cut would show them; its mean is corrected already."""
    cosine = _cosine(tilt_deg)
    return replace(layer, thickness=layer.thickness * cosine, u=layer.u * cosine)


def _cosine(tilt_deg: float) -> float:
    if not abs(tilt_deg) < 90:
        raise ValueError(f"tilt_deg = {tilt_deg!r}: must lie between -90 and 90")
    return math.cos(math.radians(tilt_deg))
