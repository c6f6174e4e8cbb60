"""Off-centre cut: beside its centre a round bond shows a chord, never more than its diameter."""

from __future__ import annotations

import math

from xsect.measure.spread import rms_deviation


def chord(diameter_um: float, offset_um: float) -> float:
    """Return the chord in µm that a cut ``offset_um`` beside the centre of a circle shows: √(D² − 4e²).

    0 where the cut just touches the circle; ValueError where it misses it.
    """
    if not (math.isfinite(diameter_um) and diameter_um > 0):
        raise ValueError(f"diameter_um = {diameter_um!r}: must be > 0")
    if not abs(offset_um) <= diameter_um / 2:
        raise ValueError(f"offset_um = {offset_um!r}: must be at most half of diameter_um = {diameter_um!r}")
    return math.sqrt(diameter_um**2 - 4 * offset_um**2)


def diameter_from_chord(
    chord_um: float, offset_um: float, *, u_chord_um: float = 0.0, u_offset_um: float = 0.0
) -> tuple[float, float]:
    """Return (diameter, standard uncertainty) in µm of a round bond from its chord and the cut's offset.

    D = √(c² + 4e²). The offset's share is taken over its whole normal distribution, because at offset 0 the
    slope vanishes and first order would call any offset harmless; it includes the bias (an unseen offset only
    ever shortens the chord). ValueError for a chord that is not > 0 (a cut without bond says nothing about
    the diameter) and for negative or infinite input.
    """
    if not (math.isfinite(chord_um) and chord_um > 0):
        raise ValueError(f"chord_um = {chord_um!r}: must be > 0")
    if not math.isfinite(offset_um):
        raise ValueError(f"offset_um = {offset_um!r}: must be finite")
    for name, u in (("u_chord_um", u_chord_um), ("u_offset_um", u_offset_um)):
        if not (math.isfinite(u) and u >= 0):
            raise ValueError(f"{name} = {u!r}: must be >= 0")
    diameter = math.hypot(chord_um, 2 * offset_um)
    from_offset = rms_deviation(lambda offset: math.hypot(chord_um, 2 * offset), offset_um, u_offset_um)
    return diameter, math.hypot(chord_um / diameter * u_chord_um, from_offset)
