"""Scale bars, data strips and captions burned into a picture."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from xsect.synth.coverage import to_picture
from xsect.synth.design import SectionDesign
from xsect.synth.look import Look

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

ROUND_LENGTHS = tuple(m * 10**e for e in range(5) for m in (1, 2, 5))


def burned(pixels: Pixels, design: SectionDesign, look: Look) -> Pixels:
    """Return the picture with the look's bar (in a named corner) and caption, and a data strip below it."""
    if not (look.bar or look.strip or look.caption or look.arrow):
        return pixels
    full = np.iinfo(pixels.dtype).max
    if look.strip:
        below = np.zeros((round(STRIP_SHARE * pixels.shape[1]), *pixels.shape[1:]), pixels.dtype)
        pixels = np.concatenate([pixels, below])
    layer = Image.new("L", (pixels.shape[1], pixels.shape[0]), 128)
    draw = ImageDraw.Draw(layer)
    if look.strip:
        _strip(draw, layer.size, design, look)
    elif look.bar:
        _bar_in_corner(draw, layer.size, design, look)
    if look.arrow:
        _arrow(draw, design)
    if look.caption:
        face = font(layer.size[0] / 50)
        draw.text((layer.size[0] * 0.015, layer.size[1] * 0.015), look.caption, 255, face)
    ink = np.asarray(layer)
    out = pixels.copy()
    touched = ink != 128
    out[touched] = (ink[touched].astype(float) / 255 * full).astype(pixels.dtype)[
        ..., *[None] * (pixels.ndim - 2)
    ]
    return out


STRIP_SHARE = 0.035
"""Height of a data strip as a share of the picture's width."""


def font(size: float) -> ImageFont.FreeTypeFont:
    """Return the font that comes with matplotlib: Pillow's own has no µ."""
    origin = find_spec("matplotlib")
    assert origin is not None
    assert origin.origin is not None
    return ImageFont.truetype(Path(origin.origin).parent / "mpl-data/fonts/ttf/DejaVuSans.ttf", size)


def bar_length(design: SectionDesign, share: float = 0.18) -> float:
    """Return the round length (µm) nearest below ``share`` of the picture's width."""
    target = share * design.width_px * design.um_per_px
    return float(max(length for length in ROUND_LENGTHS if length <= max(target, 1)))


def _label(length: float) -> str:
    return f"{length / 1000:g} mm" if length >= 1000 else f"{length:g} µm"


def _bar(
    draw: ImageDraw.ImageDraw, x: float, y: float, design: SectionDesign, ink: int, *, beside: bool = False
) -> None:
    """Draw a bar with end ticks whose centres lie the bar's length apart, its label above or beside it."""
    length = bar_length(design)
    px = length / design.um_per_px
    thick = max(design.width_px // 500, 2)
    draw.line([(x, y), (x + px, y)], ink, thick)
    for end in (x, x + px):
        draw.line([(end, y - 4 * thick), (end, y + 4 * thick)], ink, thick)
    face = font(design.width_px / 60)
    if beside:
        draw.text((x - 5 * thick, y), _label(length), ink, face, anchor="rm")
    else:
        draw.text((x + px / 2, y - 5 * thick), _label(length), ink, face, anchor="mb")


def _arrow(draw: ImageDraw.ImageDraw, design: SectionDesign) -> None:
    """Draw a white arrow towards the middle of the bond, as people do for a report; it ends well above it."""
    contact = design.contacts[0]
    x, y = to_picture(design, (contact.left + contact.right) / 2, 0.0)
    size = 0.02 * design.width_px
    tip, tail = (x, y - 2 * size), (x + 2.5 * size, y - 5 * size)
    draw.line([tail, tip], 255, max(design.width_px // 400, 1))
    draw.polygon([tip, (x + 0.25 * size, y - 3 * size), (x + 1.05 * size, y - 2.6 * size)], 255)


def _bar_in_corner(
    draw: ImageDraw.ImageDraw, size: tuple[int, int], design: SectionDesign, look: Look
) -> None:
    width, height = size
    px = bar_length(design) / design.um_per_px
    x = 0.03 * width if "left" in look.bar else 0.97 * width - px
    y = 0.955 * height if "lower" in look.bar else 0.075 * height
    ink = 255
    if "box" in look.bar:
        draw.rectangle([x - 0.012 * width, y - 0.035 * width, x + px + 0.012 * width, y + 0.012 * width], 255)
        ink = 0
    _bar(draw, x, y, design, ink)


def _strip(draw: ImageDraw.ImageDraw, size: tuple[int, int], design: SectionDesign, look: Look) -> None:
    width, height = size
    top = height - round(STRIP_SHARE * width)
    ground, ink = (0, 255) if look.strip == "black" else (255, 0)
    draw.rectangle([0, top, width, height], ground)
    face = font(width / 80)
    for i, text in enumerate(("15.0 kV", "WD 10.2 mm", f"field {width * design.um_per_px:.0f} µm", "BSD")):
        draw.text(((0.02 + 0.14 * i) * width, top + 0.017 * width), text, ink, face, anchor="lm")
        draw.line([((0.145 + 0.14 * i) * width, top), ((0.145 + 0.14 * i) * width, height)], ink, 1)
    _bar(draw, 0.75 * width, top + 0.017 * width, design, ink, beside=True)
