"""Spherical cap: the shape of a domed projection, as a plane cuts it and as it flattens."""

from __future__ import annotations

import math

from xsect.measure.chord import chord


def cap_radius(base_um: float, height_um: float) -> float:
    """Return the sphere's radius in µm of a cap ``height_um`` high on a base circle of diameter ``base_um``.

    R = (a² + h²) / 2h with a = base / 2. ValueError unless 0 < height <= a (a hemisphere).
    """
    if not (math.isfinite(base_um) and 0 < height_um <= base_um / 2):
        raise ValueError(
            f"height_um = {height_um!r}: must lie above 0 and within half of base_um = {base_um!r}"
        )
    return ((base_um / 2) ** 2 + height_um**2) / (2 * height_um)


def cap_section(base_um: float, height_um: float, offset_um: float) -> tuple[float, float]:
    """Return (base chord, apparent height) in µm of a cap in a plane ``offset_um`` beside its axis.

    Both read low: a projection cut beside its centre looks smaller than it is. ValueError where the plane
    misses it.
    """
    radius = cap_radius(base_um, height_um)
    return chord(base_um, offset_um), math.sqrt(radius**2 - offset_um**2) - (radius - height_um)


def contact_diameter(base_um: float, height_um: float, pushed_um: float) -> float:
    """Return the contact diameter in µm after a flat has pushed a cap down by ``pushed_um``.

    2 √(2Rx − x²), without sideways flow: the least width that a collapse by x can leave. ValueError unless
    0 <= pushed <= height.
    """
    radius = cap_radius(base_um, height_um)
    if not 0 <= pushed_um <= height_um:
        raise ValueError(f"pushed_um = {pushed_um!r}: must be 0 to height_um = {height_um!r}")
    return 2 * math.sqrt(2 * radius * pushed_um - pushed_um**2)
