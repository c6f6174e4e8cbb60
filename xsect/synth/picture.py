"""Draw a section: from design and look to pixels, and from a kind's name to both."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from xsect.synth import flaws, joint_flaws, optics
from xsect.synth.burn import Pixels, burned
from xsect.synth.coverage import Coverage, cover
from xsect.synth.design import SectionDesign
from xsect.synth.look import Look
from xsect.synth.metal import paint, traces
from xsect.synth.noise import Image, smooth, smooth_line
from xsect.synth.nugget import outline
from xsect.synth.profile import Profile, unroll


def render(design: SectionDesign, look: Look, seed: int, *, profile: Profile | None = None) -> Pixels:
    """Draw ``design`` as ``look`` says; the same three arguments give the same pixels."""
    rng = np.random.default_rng(seed)
    profile = profile or unroll(design)
    cov = cover(design, profile)
    scene = _reflectance(design, profile, cov, look, rng)
    rim = _rim(cov, look) if look.rim_blur_px else None
    if look.grey:
        scene = scene @ optics.LUMINANCE
    scene = optics.lit(optics.blurred(scene, look, rim), look, rng)
    pixels = optics.quantised(optics.exposed(scene, look, rng), look)
    return burned(pixels, design, look)


def _reflectance(
    design: SectionDesign, profile: Profile, cov: Coverage, look: Look, rng: np.random.Generator
) -> Image:
    """Sum the materials' colours by coverage, then lay traces, scratches and stains over the metal."""
    upper, lower = paint(design, cov, look, rng)
    shape, pixel = cov.u.shape, design.um_per_px
    mount = np.asarray(look.mount, np.float32) * flaws.mount_texture(cov, look, rng)[..., None]
    if look.shrinkage_um:
        void = flaws.shrinkage(cov, look, pixel, rng)[..., None]
        mount = mount * (1 - void) + void * np.asarray(look.gap, np.float32)
    gap = flaws.gap_colour(design, cov, look, mount, rng)
    scene = upper * cov.upper[..., None] + lower * cov.lower[..., None]
    if look.line_um or look.stringers:
        trace = traces(design, _trace(design, profile, look, rng), profile.line, profile.u, cov)
        scene *= (1 - np.float32(0.92) * trace)[..., None]
    scene += gap * cov.gap[..., None] + mount * cov.mount[..., None]
    if design.plating is not None:
        tin = cov.tin * (1 + np.float32(0.012) * smooth(shape, 5, rng))
        scene += tin[..., None] * np.asarray(look.tin, np.float32)
        scene += (cov.reaction - cov.cu3sn)[..., None] * np.asarray(look.reaction, np.float32)
        scene += cov.cu3sn[..., None] * np.asarray(look.cu3sn, np.float32)
    if look.relief:
        # A soft layer polishes lower: its step shows as a light and a dark halo.
        step = cv2.GaussianBlur(cov.tin, (0, 0), 1.2) - cv2.GaussianBlur(cov.tin, (0, 0), 3.0)
        scene *= (1 + np.float32(look.relief) * step)[..., None]
    marks = np.ones(shape, np.float32)
    if look.scratches or look.scratches_along:
        marks *= flaws.scratches(shape, look, design.tilt_deg, rng)
    if look.pits or look.comets:
        marks *= flaws.pits(shape, look, rng)
    scene *= (1 + (marks - 1) * (1 - cov.gap - cov.mount))[..., None]
    if design.pores or design.cracks:
        scene = joint_flaws.cut_away(design, scene, gap, 1 - cov.gap - cov.mount)
    return scene * flaws.stains(design, cov, look, rng) if look.stains else scene


def _trace(
    design: SectionDesign, profile: Profile, look: Look, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return the thickness (µm, a value a station) of the dark traces of the faying line inside the bond."""
    n, step = len(profile.u), profile.u[1] - profile.u[0]
    shown = smooth_line(n, 0.04 * design.width_px * design.um_per_px / step, rng)
    threshold = np.quantile(shown, 1 - np.clip(look.line_share, 0, 1))
    fine = np.clip(1 + 0.5 * smooth_line(n, 4 * design.um_per_px / step, rng), 0, 2.5)
    thickness = look.line_um * fine * np.clip((shown - threshold) * 4 + 0.5, 0, 1)
    for _ in range(look.stringers):
        contact = design.contacts[int(rng.integers(len(design.contacts)))]
        reach = rng.uniform(1.5, 8) * design.um_per_px
        lens = 1 - ((profile.u - rng.uniform(contact.left, contact.right)) / reach) ** 2
        thickness = np.maximum(thickness, rng.uniform(0.5, 1.6) * design.um_per_px * lens)
    seen = profile.joined
    if design.nugget is not None:
        # Inside the nugget no faying line is left.
        rim, _ = outline(design.nugget)
        seen = seen & ((profile.u < rim.min()) | (profile.u > rim.max()))
    return np.asarray(thickness * seen)


def _rim(cov: Coverage, look: Look) -> Image:
    """Return 0 to 1: how far a pixel belongs to a rounded outer edge, next to the mount."""
    near = np.exp(-np.abs(cov.depth) / np.float32(look.rim_um))
    return near * np.clip(3 * cv2.blur(cov.mount, (15, 15)), 0, 1)
