"""Design of a drawn section: its geometry in µm, known in closed form.

Weld frame: ``u`` runs along the faying line (arc length from its origin, to the right), ``v`` along its
normal (down in the picture, so the upper part lies at negative v). All lengths are µm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Shape = Literal["linear", "root", "quadratic", "cap"]


@dataclass(frozen=True)
class Flank:
    """How the gap opens outward from one notch: initial ``slope`` and local ``shape``, bent to the plateau.

    ``radius`` is the length over which the shape leaves its first slope (not used by "linear"). ``bend`` (0
    to 1) is the share of the plateau height over which the flank is rounded into it. A collar of upset metal
    narrows the gap by the share ``collar`` about ``collar_at`` from the notch.
    """

    slope: float
    shape: Shape = "linear"
    radius: float = 1000.0
    bend: float = 0.5
    collar: float = 0.0
    collar_at: float = 100.0


@dataclass(frozen=True)
class Film:
    """A lens of residual plating (``material`` "tin") or gap ("open") from ``start`` to ``end`` at the line.

    ``fullness`` shapes it: 1 is a parabolic lens, larger is a film of even thickness with rounded ends.
    """

    start: float
    end: float
    thickness: float
    material: Literal["tin", "open"] = "tin"
    fullness: float = 1.0


@dataclass(frozen=True)
class Contact:
    """One contact from ``left`` to ``right``: what lies between the parts and how the gap opens beside it."""

    left: float
    right: float
    left_flank: Flank
    right_flank: Flank
    films: tuple[Film, ...] = ()


@dataclass(frozen=True)
class Part:
    """One welded part. ``left`` and ``right`` are its ends (infinite: runs on); ``corner`` rounds its edges.

    ``dent`` is the depth of a stamped dimple's hollow in the outer face and ``dent_width`` its half width;
    ``indentation`` is the depth of an electrode mark of half width ``mark_width``.
    """

    thickness: float
    left: float = -math.inf
    right: float = math.inf
    corner: float = 20.0
    dent: float = 0.0
    dent_width: float = 300.0
    indentation: float = 0.0
    mark_width: float = 800.0


@dataclass(frozen=True)
class Plating:
    """Plating on both parts: free thicknesses, and how far expelled plating fills each wedge.

    ``fill`` is the gap height at which the fill ends in a meniscus, as a multiple of the free thicknesses'
    sum (never below 1: there the two coatings touch). ``reaction`` is the thickness of the intermetallic
    layer between plating and base metal, ``scallop`` its relative unevenness, ``cu3sn`` how much of it, next to the
    base metal, is Cu3Sn. The free thickness itself
    varies by the share ``ripple`` over ``ripple_wave``.
    """

    upper: float
    lower: float
    outer: float = 0.0
    fill: float = 1.5
    reaction: float = 0.0
    cu3sn: float = 0.0
    scallop: float = 0.0
    ripple: float = 0.0
    ripple_wave: float = 300.0


@dataclass(frozen=True)
class Nugget:
    """A lens-shaped nugget: half axes along and across the line, its centre, waves of its rim, round voids.

    ``voids`` are (u, v, half axis along u, half axis along v).
    """

    centre_u: float
    centre_v: float
    half_width: float
    half_height_upper: float
    half_height_lower: float
    squareness: float = 2.0
    rim_waves: tuple[tuple[int, float, float], ...] = ()
    voids: tuple[tuple[float, float, float, float], ...] = ()


@dataclass(frozen=True)
class Pore:
    """A void in the metal: centre, half axes, the first one's ``angle`` (rad from u to v), waves of its rim.

    ``waves`` are (order, relative amplitude, phase), as of a nugget's rim.
    """

    u: float
    v: float
    a: float
    b: float
    angle: float = 0.0
    waves: tuple[tuple[int, float, float], ...] = ()


@dataclass(frozen=True)
class Crack:
    """A crack: centre lines ``paths`` of (u, v), the trunk first and then its branches; mean ``width``.

    ``contrast`` is the share of the metal's brightness it takes away; ``begins`` says where it started.
    """

    paths: tuple[tuple[tuple[float, float], ...], ...]
    width: float
    contrast: float
    begins: Literal["notch", "nugget", "parent"]


@dataclass(frozen=True)
class SectionDesign:
    """Geometry of one section and where it lies in the picture.

    ``origin`` is the picture position (x, y) in px of u = v = 0, pixel centres at whole numbers; ``tilt_deg``
    turns the faying line clockwise. ``bow_radius`` is the signed radius of the faying line's arc (infinite:
    straight, positive: its centre lies on the lower part's side). ``waves`` are (amplitude, wavelength,
    phase) of small waves of the line. ``lower_share`` is the share of the opening cut from the lower part.
    ``clearance`` is a gap added everywhere: with any, the parts do not touch. ``roughness`` is the rms height
    of the surfaces outside the contacts, over ``rough_length``; ``rough_seed`` chooses the surface. ``heat``
    is the zone of a heat-affected structure without any nugget. ``heat``
    is the zone of a heat-affected structure without any nugget.
    """

    um_per_px: float
    width_px: int
    height_px: int
    origin: tuple[float, float]
    contacts: tuple[Contact, ...]
    upper: Part
    lower: Part
    standoff_left: float
    standoff_right: float
    standoff_between: float = 0.0
    clearance: float = 0.0
    lower_share: float = 0.0
    tilt_deg: float = 0.0
    bow_radius: float = math.inf
    waves: tuple[tuple[float, float, float], ...] = ()
    roughness: float = 0.0
    rough_length: float = 20.0
    rough_seed: int = 0
    plating: Plating | None = None
    nugget: Nugget | None = None
    heat: Nugget | None = None
    pores: tuple[Pore, ...] = ()
    cracks: tuple[Crack, ...] = ()
    projection_height: float = math.nan
