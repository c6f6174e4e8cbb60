"""Flaws of the joint: tortuous cracks, voids of many sizes, marks of both electrodes; drawn, and their truth."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.synth.coverage import to_picture
from xsect.synth.design import Crack, Pore, SectionDesign
from xsect.synth.draws import Draws
from xsect.synth.noise import Image
from xsect.synth.nugget import outline, relative_radius
from xsect.synth.profile import Floats, Profile

ZONE_SHARE = 0.1
"""Height of the bond zone to each side of the faying line, as a share of the contact's width."""

FINE = 8
"""Steps a pixel in which cracks are drawn: their width is true to an eighth of a pixel."""


def marked_parts(d: Draws, design: SectionDesign) -> SectionDesign:
    """Let an electrode leave its mark on both outer faces, except behind a stamped projection."""
    width = design.contacts[-1].right - design.contacts[0].left
    parts = []
    for part in (design.upper, design.lower):
        if not part.dent and d.rng.random() < 0.8:
            depth = max(d.log(0.02, 0.15) * part.thickness, 2.5 * d.pixel)
            part = replace(part, indentation=depth, mark_width=width * d.uni(0.4, 0.8))
        parts.append(part)
    return replace(design, upper=parts[0], lower=parts[1])


def with_flaws(d: Draws, design: SectionDesign, profile: Profile) -> SectionDesign:
    """Put voids and cracks into the metal near the joint, none across another, a face or the picture's edge."""
    taken: list[NDArray[np.float64]] = [
        np.array([[film.start, 0.0], [(film.start + film.end) / 2, 0.0], [film.end, 0.0]])
        for contact in design.contacts
        for film in contact.films
    ]
    if design.nugget is not None:
        taken += [np.array([[u, v]]) for u, v, _, _ in design.nugget.voids]
    cracks = []
    for _ in range(int(d.rng.choice([0, 1, 2, 3], p=[0.25, 0.4, 0.25, 0.1]))):
        crack = _crack(d, design, profile)
        places = None if crack is None else np.vstack([np.array(path) for path in crack.paths])
        if places is not None and _clear(places, taken, 25 * d.pixel):
            taken.append(places)
            cracks.append(crack)
    pores = []
    for _ in range(int(d.rng.integers(0, 9))):
        pore = _pore(d, design)
        rim = np.column_stack(pore_rim(pore))
        if _inside(design, profile, rim, 6 * d.pixel) and _clear(
            rim, taken, 8 * d.pixel + max(pore.a, pore.b)
        ):
            taken.append(np.vstack([rim, [[pore.u, pore.v]]]))
            pores.append(pore)
    return replace(design, cracks=tuple(one for one in cracks if one is not None), pores=tuple(pores))


def _clear(places: NDArray[np.float64], taken: list[NDArray[np.float64]], least: float) -> bool:
    return all(
        float(np.hypot(*(places[:, None, :] - other[None, :, :]).transpose(2, 0, 1)).min()) > least
        for other in taken
    )


def _inside(design: SectionDesign, profile: Profile, places: NDArray[np.float64], margin: float) -> bool:
    """Whether all places lie in metal and in the picture, off every face by ``margin`` µm."""
    u, v = places.T
    outer = [np.interp(u, profile.u, table) for table in (profile.upper_outer, profile.lower_outer)]
    faces = [np.interp(u, profile.u, table) for table in (profile.upper_face, profile.lower_face)]
    metal = np.where(v < np.interp(u, profile.u, profile.line), v < faces[0] + 1e-9, v > faces[1] - 1e-9)
    metal &= (v > outer[0] + margin) & (v < outer[1] - margin)
    for part, side in ((design.upper, v < 0), (design.lower, v > 0)):
        metal &= ~side | ((u > part.left + margin) & (u < part.right - margin))
    xy = np.array([to_picture(design, a, b) for a, b in places.tolist()])
    seen = (xy > 14) & (xy < (design.width_px - 15, design.height_px - 15))
    return bool(metal.all() and seen.all())


def _crack(d: Draws, design: SectionDesign, profile: Profile) -> Crack | None:
    """Choose a crack at a notch, in the nugget (or bond zone) or in the parent metal beside it."""
    begins = str(d.rng.choice(["notch", "nugget", "parent"], p=[0.4, 0.35, 0.25]))
    contact = design.contacts[int(d.rng.integers(len(design.contacts)))]
    width = contact.right - contact.left
    for _ in range(40):
        length = d.log(60, 260) * d.pixel
        up = -1 if d.rng.random() < 0.5 else 1
        if begins == "notch":
            left = d.rng.random() < 0.5
            start = (contact.left if left else contact.right, 0.0)
            heading = up * d.uni(0.6, 1.9) if left else up * (math.pi - d.uni(0.6, 1.9))
        else:
            reach, height = (0.35, 0.08) if begins == "nugget" else (0.8, 0.25)
            middle = (contact.left + contact.right) / 2
            start = (middle + d.uni(-1, 1) * reach * width, up * d.uni(0.02, height) * width)
            heading = d.uni(-math.pi, math.pi)
        trunk = _walk(d, start, heading, length)
        paths = [trunk]
        if d.rng.random() < 0.35:
            at = int(d.uni(0.3, 0.7) * len(trunk))
            turn = float(np.sign(d.uni(-1, 1))) * d.uni(0.6, 1.1)
            along = math.atan2(*(trunk[at + 1] - trunk[at])[::-1])
            paths.append(_walk(d, tuple(trunk[at]), along + turn, d.uni(0.25, 0.5) * length))
        first = np.interp(start[0], profile.u, profile.line)
        paths = [path + np.array([0.0, first]) for path in paths]
        places = np.vstack(paths)[3:] if begins == "notch" else np.vstack(paths)
        away = np.abs(places[:, 1] - np.interp(places[:, 0], profile.u, profile.line))
        # a crack along the line would be an unbonded island, and is drawn as one elsewhere
        if away.min() > 3 * d.pixel and _inside(design, profile, places, 12 * d.pixel):
            lines = tuple(tuple((float(a), float(b)) for a, b in path) for path in paths)
            return Crack(lines, d.log(1.0, 4.0) * d.pixel, d.uni(0.3, 1.0), begins)  # type: ignore[arg-type]
    return None


def _walk(d: Draws, start: tuple[float, ...], heading: float, length: float) -> NDArray[np.float64]:
    """Return a tortuous centre line (k, 2): steps that swerve about one heading."""
    places, swerve, gone = [np.array(start)], 0.0, 0.0
    while gone < length:
        step = d.uni(5, 12) * d.pixel
        swerve = 0.45 * swerve + float(d.rng.normal(0, 0.45))
        places.append(places[-1] + step * np.array([math.cos(heading + swerve), math.sin(heading + swerve)]))
        gone += step
    return np.array(places)


def _pore(d: Draws, design: SectionDesign) -> Pore:
    contact = design.contacts[int(d.rng.integers(len(design.contacts)))]
    width = contact.right - contact.left
    size = d.log(2.2, 22) * d.pixel
    u, v = contact.left + width * d.uni(0.12, 0.88), d.uni(-0.85, 0.85) * ZONE_SHARE * width
    if design.nugget is not None:
        u = design.nugget.centre_u + d.uni(-0.6, 0.6) * design.nugget.half_width
        v = d.uni(-0.6, 0.6) * min(design.nugget.half_height_upper, design.nugget.half_height_lower)
    waves = tuple((n, d.uni(0, 0.09), d.uni(0, 6.28)) for n in (2, 3, 5))
    stretch = d.uni(1.0, 1.9)
    return Pore(u, v, size * stretch**0.5, size / stretch**0.5, d.uni(0, math.pi), waves)


def pore_rim(pore: Pore, points: int = 720) -> tuple[Floats, Floats]:
    """Return the rim as (u, v), each (points,), µm."""
    turn = np.linspace(0, 2 * np.pi, points, endpoint=False)
    radius = 1 + sum((a * np.cos(n * turn + phase) for n, a, phase in pore.waves), np.zeros_like(turn))
    x, y = pore.a * radius * np.cos(turn), pore.b * radius * np.sin(turn)
    c, s = math.cos(pore.angle), math.sin(pore.angle)
    return pore.u + c * x - s * y, pore.v + s * x + c * y


def cut_away(design: SectionDesign, scene: Image, void: Image, metal: Image) -> Image:
    """Return the scene (rows, columns, 3) with voids and cracks cut from the metal.

    ``void`` is the colour of what fills them, ``metal`` the share of each pixel that is metal.
    """
    shape = scene.shape[:2]
    empty = np.zeros(shape, np.float32)
    for pore in design.pores:
        rim = np.column_stack(pore_rim(pore, 240))
        xy = np.array([to_picture(design, u, v) for u, v in rim.tolist()])
        _drawn(empty, [xy], None, 1.0)
    for crack in design.cracks:
        for path in crack.paths:
            xy = np.array([to_picture(design, u, v) for u, v in path])
            ends = np.array([0.0, 0.2, 0.8, 1.0])
            along = np.linspace(0, 1, len(xy) - 1)
            # full width in the middle; the mouth of a branch and a tip are finer
            share = np.interp(along, ends, [1.0, 1.1, 1.0, 0.55])
            _drawn(empty, [xy], crack.width / design.um_per_px * share, crack.contrast)
    weight = (empty * metal)[..., None]
    return np.asarray(scene * (1 - weight) + void * weight, np.float32)


def _drawn(image: Image, lines: list[NDArray[np.float64]], widths: Floats | None, strength: float) -> None:
    """Draw a filled outline, or a line of given widths (px a piece), into ``image`` as shares of its pixels."""
    places = np.vstack(lines)
    low = np.floor(places.min(axis=0) - 8).astype(int)
    high = np.ceil(places.max(axis=0) + 9).astype(int)
    patch = np.zeros(tuple((high - low)[::-1] * FINE), np.uint8)
    fixed = [np.rint(((line - low + 0.5) * FINE - 0.5) * 16).astype(np.int32) for line in lines]
    for line in fixed:
        if widths is None:
            cv2.fillPoly(patch, [line], 255, cv2.LINE_8, 4)
            continue
        for i, width in enumerate(widths):
            thick = max(round(float(width) * FINE), 1)
            cv2.polylines(patch, [line[i : i + 2]], False, 255, thick, cv2.LINE_8, 4)
    size = (patch.shape[1] // FINE, patch.shape[0] // FINE)
    share = cv2.resize(patch, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255 * strength
    top, left = max(low[1], 0), max(low[0], 0)
    part = image[top : high[1], left : high[0]]
    np.maximum(part, share[top - low[1] :, left - low[0] :][: part.shape[0], : part.shape[1]], out=part)


def flaw_quantities(
    design: SectionDesign, profile: Profile
) -> tuple[dict[str, float], tuple[dict[str, Any], ...]]:
    """Return void fraction, largest void and crack length of the whole section, and each flaw by itself.

    Voids counted are those whose centre lies in the zone: the nugget, or where there is none the bond zone, a
    band about the faying line over each contact's width and ``ZONE_SHARE`` of it high to each side.
    """
    voids = []
    for pore in design.pores:
        u, v = pore_rim(pore)
        area = 0.5 * abs(float(np.dot(u, np.roll(v, 1)) - np.dot(v, np.roll(u, 1))))
        voids.append((pore.u, pore.v, area, _feret(u, v)))
    if design.nugget is not None:
        voids += [(at, up, math.pi * a * b, 2 * max(a, b)) for at, up, a, b in design.nugget.voids]
    for contact in design.contacts:
        for film in contact.films:
            if film.material == "open":
                length = film.end - film.start
                middle = (film.start + film.end) / 2
                area = film.thickness * length * (1 - 1 / (2 * film.fullness + 1))
                voids.append((middle, float(np.interp(middle, profile.u, profile.line)), area, length))
    counted = [void for void in voids if _in_zone(design, profile, *void[:2])]
    cracks = [_length(crack) for crack in design.cracks]
    found = {
        "void_fraction": sum(void[2] for void in counted) / _zone_area(design, profile),
        "largest_void": max((void[3] for void in counted), default=0.0),
        "crack_length": sum(cracks),
    }
    flaws: list[dict[str, Any]] = []
    for at, up, area, feret in voids:
        x, y = to_picture(design, at, up)
        flaws.append({"kind": "void", "x": x, "y": y, "area": area, "feret": feret})
    for crack, length in zip(design.cracks, cracks, strict=True):
        paths = [[to_picture(design, u, v) for u, v in path] for path in crack.paths]
        flaws.append(
            {"kind": "crack", "paths": paths, "length": length, "width": crack.width,
             "contrast": crack.contrast, "begins": crack.begins}
        )  # fmt: skip
    return found, tuple(flaws)


def _length(crack: Crack) -> float:
    return sum(float(np.hypot(*np.diff(np.array(path), axis=0).T).sum()) for path in crack.paths)


def _feret(u: Floats, v: Floats) -> float:
    """Longest distance of two places of a rim, from its extent in 360 directions."""
    turn = np.linspace(0, np.pi, 360)[:, None]
    across = u * np.cos(turn) + v * np.sin(turn)
    return float((across.max(axis=1) - across.min(axis=1)).max())


def _in_zone(design: SectionDesign, profile: Profile, u: float, v: float) -> bool:
    if design.nugget is not None:
        at = np.full((1, 1), u, np.float32), np.full((1, 1), v, np.float32)
        return float(relative_radius(design.nugget, *at)[0, 0]) < 1
    away = abs(v - float(np.interp(u, profile.u, profile.line)))
    return any(
        contact.left <= u <= contact.right and away <= ZONE_SHARE * (contact.right - contact.left)
        for contact in design.contacts
    )


def _zone_area(design: SectionDesign, profile: Profile) -> float:
    if design.nugget is not None:
        u, v = outline(design.nugget)
        return 0.5 * abs(float(np.dot(u, np.roll(v, 1)) - np.dot(v, np.roll(u, 1))))
    total, step = 0.0, profile.u[1] - profile.u[0]
    for contact in design.contacts:
        on = (profile.u >= contact.left) & (profile.u <= contact.right)
        high = ZONE_SHARE * (contact.right - contact.left)
        above = np.minimum(profile.line - profile.upper_outer, high)[on]
        below = np.minimum(profile.lower_outer - profile.line, high)[on]
        total += float((above + below).sum() * step)
    return total
