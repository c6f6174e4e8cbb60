"""Look of a drawn section: materials, etch, preparation, light and camera."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Colour = tuple[float, float, float]
NuggetStyle = Literal["columnar", "dendritic", "fine", "plain"]

# Linear reflectance (R, G, B). Copper and nickel after Johnson & Christy 1972, brass after Querry 1985, at
# normal incidence at 650, 550 and 450 nm; bronze, steel, tin and resins are from memory.
COPPER: Colour = (0.935, 0.624, 0.538)
BRASS: Colour = (0.887, 0.789, 0.434)
NICKEL: Colour = (0.649, 0.601, 0.571)
STEEL: Colour = (0.575, 0.565, 0.560)
BRONZE: Colour = (0.90, 0.70, 0.55)
TIN: Colour = (0.80, 0.80, 0.79)
TIN_COPPER: Colour = (0.62, 0.63, 0.64)
RESINS: dict[str, Colour] = {
    "black": (0.030, 0.030, 0.030),
    "red": (0.130, 0.040, 0.030),
    "green": (0.040, 0.090, 0.045),
    "grey": (0.120, 0.120, 0.125),
    "clear": (0.170, 0.155, 0.130),
}


@dataclass(frozen=True)
class Grains:
    """Grain structure shown by etching. Sizes µm; ``contrast`` is the spread of shades relative to the mean.

    ``boundary`` is how dark the boundaries are (0 to 1), ``tint`` how much shades differ in colour, ``twins``
    the share of grains with straight bands, ``flatten`` how much grains are pressed flat near the faying
    line, ``grown`` the share of the bond over which grains have grown across the line.
    """

    size: float
    contrast: float = 0.1
    boundary: float = 0.5
    boundary_um: float = 0.8
    tint: float = 0.1
    twins: float = 0.0
    flatten: float = 1.0
    grown: float = 0.0


@dataclass(frozen=True)
class Look:
    """How a section looks; the default is bare coverage: no texture, no blur, no noise, grey 16 bit.

    ``nugget_grain`` is the width of a nugget's columns as a share of its half width, ``nugget_contrast`` the
    spread of their shades, ``nugget_rim`` the depth of a dark line etched along its rim; ``heat_grains`` is how
    many times larger the grains of the heat-affected zone have grown (0: not at all).
    Colours are linear reflectances. ``line_um`` is the thickness of a fully dark line equivalent to the
    traces of the faying line inside the bond (not an opening), seen over the share ``line_share`` of it.
    Lengths in px are of the camera and do not scale with the picture.
    """

    upper: Colour = (1.0, 1.0, 1.0)
    lower: Colour = (1.0, 1.0, 1.0)
    tin: Colour = (0.8, 0.8, 0.8)
    reaction: Colour = (0.6, 0.6, 0.6)
    cu3sn: Colour = (0.65, 0.6, 0.6)
    mount: Colour = (0.0, 0.0, 0.0)
    gap: Colour = (0.0, 0.0, 0.0)
    grains_upper: Grains | None = None
    grains_lower: Grains | None = None
    metal_mottle: float = 0.0
    lay: float = 0.0
    mount_mottle: float = 0.0
    fillers: int = 0
    bubbles: int = 0
    glints: int = 0
    smears: int = 0
    wall_glow: float = 0.0
    gap_mottle: float = 0.0
    line_um: float = 0.0
    line_share: float = 0.0
    stringers: int = 0
    heat: float = 0.0
    heat_reach: float = 0.5
    nugget_shade: float = 1.0
    nugget_style: NuggetStyle = "columnar"
    nugget_grain: float = 0.03
    nugget_contrast: float = 0.07
    nugget_tint: Colour = (1.0, 1.0, 1.0)
    nugget_rim: float = 0.0
    heat_grains: float = 0.0
    scratches: int = 0
    scratches_along: int = 0
    comets: int = 0
    stains: int = 0
    pits: int = 0
    relief: float = 0.0
    shrinkage_um: float = 0.0
    rim_blur_px: float = 0.0
    rim_um: float = 20.0
    blur_px: float = 0.0
    astigmatism: float = 0.0
    tilt_light: float = 0.0
    vignette: float = 0.0
    tiles: int = 0
    exposure: float = 1.0
    white_balance: Colour = (1.0, 1.0, 1.0)
    black_level: float = 0.0
    gamma: float = 1.0
    electrons: float = 0.0
    read_noise: float = 0.0
    sharpen: float = 0.0
    grey: bool = True
    bits: int = 16
    jpeg: int = 0
    bar: str = ""
    strip: str = ""
    caption: str = ""
    arrow: bool = False
