"""How much of each pixel each material covers, from signed distances to the designed surfaces."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from xsect.synth import imc
from xsect.synth.design import Part, SectionDesign
from xsect.synth.profile import Profile

Image = NDArray[np.float32]


@dataclass(frozen=True)
class Coverage:
    """Shares of each pixel (rows, columns) float32 that sum to 1, and where the pixel lies in the weld frame
    (µm).

    ``upper`` and ``lower`` are base metal; ``tin`` all plating; ``reaction`` the intermetallic layer, of it ``cu3sn``
    the inner compound; ``gap`` lies between the parts; ``mount`` is the rest. ``depth`` is the distance (µm) into the
    metal, negative outside.
    """

    u: Image
    v: Image
    upper: Image
    lower: Image
    tin: Image
    reaction: Image
    gap: Image
    mount: Image
    depth: Image
    cu3sn: Image


def weld_frame(design: SectionDesign) -> tuple[Image, Image]:
    """Return (u, v) in µm of every pixel centre, each (rows, columns)."""
    x = (np.arange(design.width_px) - design.origin[0]) * design.um_per_px
    y = ((np.arange(design.height_px) - design.origin[1]) * design.um_per_px)[:, None]
    return to_weld_frame(design, x, y)


def to_weld_frame(
    design: SectionDesign, x: NDArray[np.floating], y: NDArray[np.floating]
) -> tuple[Image, Image]:
    """Turn picture positions (µm from the origin) into (u, v)."""
    angle = math.radians(design.tilt_deg)
    along = (x * math.cos(angle) + y * math.sin(angle)).astype(np.float32)
    across = (y * math.cos(angle) - x * math.sin(angle)).astype(np.float32)
    if math.isinf(design.bow_radius):
        return along, across
    radius, sign = np.float32(design.bow_radius), np.float32(math.copysign(1, design.bow_radius))
    down = radius - across
    # radius - hypot would lose the last digits of a nearly straight line; this form keeps them.
    from_centre = np.hypot(along, down)
    v = sign * (2 * radius * across - across**2 - along**2) / (np.abs(radius) + from_centre)
    return radius * np.arctan2(sign * along, sign * down), v


def to_picture(design: SectionDesign, u: float, v: float) -> tuple[float, float]:
    """Return the picture position (x, y) in px of a place in the weld frame."""
    along, across = u, v
    if math.isfinite(design.bow_radius):
        turn = u / design.bow_radius
        along = (design.bow_radius - v) * math.sin(turn)
        across = design.bow_radius - (design.bow_radius - v) * math.cos(turn)
    angle = math.radians(design.tilt_deg)
    x = along * math.cos(angle) - across * math.sin(angle)
    y = along * math.sin(angle) + across * math.cos(angle)
    return design.origin[0] + x / design.um_per_px, design.origin[1] + y / design.um_per_px


def cover(design: SectionDesign, profile: Profile) -> Coverage:
    """Return the coverage of every material in every pixel.

    A pixel's share beyond a surface at signed distance d is clip(0.5 - d / pixel, 0, 1): exact for edges
    along the pixel grid, and with the exact integral across the edge for any other direction.
    """
    u, v = weld_frame(design)
    pixel = design.um_per_px
    step = profile.u[1] - profile.u[0]
    index = np.clip(np.rint((u - profile.u[0]) / step).astype(np.int32), 0, len(profile.u) - 1)

    def beyond(surface: NDArray[np.float64], base: NDArray[np.float64] | None = None) -> Image:
        """Signed distance (µm) of each pixel below (positive) a surface v = surface(u).

        A coat takes its slope from its ``base``: it may jump where a filled stretch ends.
        """
        cosine = 1 / np.hypot(1, np.gradient(surface if base is None else base, step))
        height = v - surface.astype(np.float32)[index]
        return np.asarray(height * cosine.astype(np.float32)[index], np.float32)

    def share(distance: Image) -> Image:
        return np.asarray(np.clip(0.5 - distance / pixel, 0, 1), np.float32)

    coat = design.plating.outer if design.plating is not None else 0.0
    face_up, face_low = beyond(profile.upper_face), beyond(profile.lower_face)
    out_up, out_low = beyond(profile.upper_outer), beyond(profile.lower_outer)
    upper_edge = _body(design.upper, u, face_up, -out_up)
    lower_edge = _body(design.lower, u, -face_low, out_low)
    upper, lower = share(upper_edge), share(lower_edge)
    tin = reaction = cu3sn = np.zeros_like(u)
    facing = np.minimum(share(_ends(design.upper, u, coat)), share(_ends(design.lower, u, coat)))
    open_up, open_low = face_up, face_low
    if design.plating is not None:
        open_up, open_low = (
            beyond(profile.upper_coat, profile.upper_face),
            beyond(profile.lower_coat, profile.lower_face),
        )
        coated_up = share(_body(design.upper, u, open_up, -out_up - coat, coat))
        coated_low = share(_body(design.lower, u, -open_low, out_low - coat, coat))
        tin = np.maximum(coated_up - upper, 0) + np.maximum(coated_low - lower, 0)
        inner_up = beyond(
            np.minimum(profile.upper_face + profile.reaction, profile.upper_coat), profile.upper_face
        )
        inner_low = beyond(
            np.maximum(profile.lower_face - profile.reaction, profile.lower_coat), profile.lower_face
        )
        reaction = (share(inner_up) - share(face_up)) * share(_ends(design.upper, u, coat))
        reaction += (share(-inner_low) - share(-face_low)) * share(_ends(design.lower, u, coat))
        reaction = np.clip(reaction, 0, tin)
        tin = tin - reaction
        cu3sn = imc.inner_share(design.plating, reaction, face_up, face_low, share)
    between = np.clip(share(open_low) - share(open_up), 0, 1) * facing
    gap = np.clip(np.minimum(between, 1 - upper - lower - tin - reaction), 0, 1)
    if profile.fill_until:
        wetted = gap * _meniscus(profile, u, v, open_up, open_low, pixel)
        tin, gap = tin + wetted, gap - wetted
    mount = np.clip(1 - upper - lower - tin - reaction - gap, 0, 1)
    depth = -np.minimum(upper_edge, lower_edge)
    return Coverage(u, v, upper, lower, tin, reaction, gap, mount, depth, cu3sn)


def _ends(part: Part, u: Image, coat: float = 0.0) -> Image:
    """Signed distance beyond the part's two ends (negative between them)."""
    far = np.float32(1e9)
    left = np.float32(part.left - coat) - u if math.isfinite(part.left) else np.full_like(u, -far)
    right = u - np.float32(part.right + coat) if math.isfinite(part.right) else np.full_like(u, -far)
    return np.maximum(left, right)


def _body(part: Part, u: Image, face: Image, outer: Image, coat: float = 0.0) -> Image:
    """Signed distance outside a part: its facing surface stays sharp, its other edges are rounded."""
    if math.isinf(part.left) and math.isinf(part.right):
        return np.maximum(face, outer)
    return np.maximum(face, _rounded(outer, _ends(part, u, coat), part.corner))


def _rounded(a: Image, b: Image, radius: float) -> Image:
    """Intersection of two half planes with a corner rounded by ``radius``."""
    r = np.float32(radius)
    corner = np.hypot(np.maximum(a + r, 0), np.maximum(b + r, 0)) - r
    return np.where((a > -r) & (b > -r), corner, np.maximum(a, b))


def _meniscus(profile: Profile, u: Image, v: Image, open_up: Image, open_low: Image, pixel: float) -> Image:
    """Share of the gap wetted beyond each filled stretch: the meniscus climbs along both walls."""
    wetted = np.zeros_like(u)
    for place, half, sign in profile.fill_until:
        # 0 in the middle of the gap, 1 on its walls, whatever its height there.
        t = np.abs(open_up + open_low) / np.maximum(open_up - open_low, 1e-3)
        edge = place + sign * half * np.minimum(t, 1) ** 2
        wetted = np.maximum(
            wetted, np.where(sign * (u - place) > -pixel, np.clip(0.5 - sign * (u - edge) / pixel, 0, 1), 0)
        )
    return wetted
