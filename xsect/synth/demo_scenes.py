"""The demo lots' scenario: which welds they hold and how each is drawn. All names are invented."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xsect.synth.design import Contact, Film, Flank, Part, Plating, SectionDesign
from xsect.synth.look import COPPER, RESINS, TIN, Colour, Grains, Look

UM_PER_PX = 1.9974
"""True scale of the made-up microscope, which the demo's stage micrometer is drawn at too."""

WIDTH_PX, HEIGHT_PX = 1400, 1000
SHEET_UM, TERMINAL_UM, TIN_UM = 400.0, 500.0, 6.0
PROJECTION_HEIGHT_UM, PROJECTION_DIAMETER_UM = 250.0, 1000.0


@dataclass(frozen=True)
class Weld:
    """One section of a demo lot: ``bond`` wide, its middle ``offset`` from the projection's axis.

    ``gap`` is the distance of the base metals beside the projection, ``reach`` where the gap stands at half
    of it (from the axis); ``films`` lie at (start, end) shares of the bond. ``stated`` is the supplier's bond
    width.
    """

    section: str
    extension: str
    bond: float
    stated: float
    offset: float = 0.0
    gap: float = 74.0
    reach: float = 580.0
    tilt_deg: float = 0.0
    films: tuple[tuple[float, float, float, str], ...] = ()
    etched: bool = False
    grey: bool = False
    resin: str = "black"
    out_of_focus: bool = False


GOOD_LOT = (
    Weld("A1", "jpg", 912, 910, 12, 70, tilt_deg=1.2),
    Weld("A2", "jpg", 887, 890, -18, 74, tilt_deg=-2.3),
    Weld("A3", "png", 931, 930, 25, 68, tilt_deg=0.4, grey=True),
    Weld("A4", "jpg", 896, 900, -8, 76, tilt_deg=3.1, etched=True),
    Weld("A5", "tif", 920, 920, 31, 71, tilt_deg=-0.8, grey=True),
    Weld("A6", "jpg", 905, 900, 5, 73, tilt_deg=1.9, etched=True),
)

TROUBLE_LOT = (
    Weld("B1", "jpg", 893, 890, 14, 75, tilt_deg=-1.5, etched=True, resin="green"),
    Weld(
        "B2", "jpg", 904, 900, -22, 80, tilt_deg=2.2, resin="green",
        films=((0.10, 0.21, 5, "tin"), (0.27, 0.62, 9, "tin"), (0.70, 0.84, 6, "tin")),
    ),
    Weld("B3", "jpg", 899, 900, 9, 72, tilt_deg=0.9, resin="green", films=((0.42, 0.66, 18, "open"),)),
    Weld("B4", "png", 431, 850, -6, 216, 520, tilt_deg=-0.6, grey=True),
    Weld("B5", "jpg", 810, 810, 280, 74, 740, tilt_deg=1.1),
    Weld("B6", "jpg", 915, 910, 0, 74, out_of_focus=True),
)  # fmt: skip


def design_weld(weld: Weld, rng: np.random.Generator) -> SectionDesign:
    """Return the geometry of a demo weld: a stamped dimple in a tin-plated sheet on a terminal."""
    left, right = weld.offset - weld.bond / 2, weld.offset + weld.bond / 2

    def flank(distance: float) -> Flank:
        """Reach half the gap at ``distance``; a far one curves, to reach its plateau inside the picture."""
        bend = float(rng.uniform(0.15, 0.22))
        if distance < 400:
            return Flank(weld.gap / 2 / distance, "linear", bend=bend)
        return Flank(weld.gap / 2 / (distance * (1 + distance / 400)), "quadratic", radius=400, bend=bend)

    films = tuple(
        Film(
            left + weld.bond * start,
            left + weld.bond * end,
            thickness,
            "tin" if material == "tin" else "open",
            fullness=3.0 if material == "tin" else 1.2,
        )
        for start, end, thickness, material in weld.films
    )
    ripple = float(rng.uniform(0.05, 0.12))
    # The picture is taken to show the level gap on both sides of an off-centre bond, too.
    middle = WIDTH_PX / 2 + 0.4 * weld.offset + float(rng.uniform(-15, 15))
    return SectionDesign(
        um_per_px=UM_PER_PX,
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
        origin=(middle, HEIGHT_PX * float(rng.uniform(0.47, 0.52))),
        contacts=(Contact(left, right, flank(weld.reach + left), flank(weld.reach - right), films),),
        upper=Part(SHEET_UM - 2 * TIN_UM, dent=0.55 * PROJECTION_HEIGHT_UM, dent_width=380.0),
        lower=Part(TERMINAL_UM - 2 * TIN_UM),
        standoff_left=weld.gap,
        standoff_right=weld.gap,
        lower_share=0.15,
        tilt_deg=weld.tilt_deg,
        waves=((0.8, 310.0, float(rng.uniform(0, 6))),),
        roughness=0.25,
        rough_length=22.0,
        rough_seed=int(rng.integers(2**31)),
        plating=Plating(
            TIN_UM, TIN_UM, TIN_UM, fill=float(rng.uniform(1.3, 2.0)), ripple=ripple, ripple_wave=410.0
        ),
        projection_height=PROJECTION_HEIGHT_UM,
    )


def look_of(weld: Weld, rng: np.random.Generator) -> Look:
    """Return the look of a demo weld: copper and tin, a well-kept bench with its small faults."""
    resin: Colour = RESINS[weld.resin]
    dark: Colour = (0.7 * resin[0], 0.7 * resin[1], 0.7 * resin[2])
    look = Look(
        upper=COPPER,
        lower=COPPER,
        tin=TIN,
        mount=resin,
        gap=dark,
        metal_mottle=0.006,
        lay=0.006,
        mount_mottle=0.15,
        fillers=40 if weld.resin == "green" else 0,
        glints=2,
        gap_mottle=0.2,
        line_um=0.3,
        line_share=0.4,
        stringers=6,
        scratches=int(rng.integers(4, 14)),
        comets=2,
        pits=int(rng.integers(20, 50)),
        relief=0.08,
        rim_blur_px=1.2,
        rim_um=12.0,
        blur_px=0.9,
        tilt_light=0.05,
        vignette=0.08,
        exposure=float(rng.uniform(0.78, 0.86)) / COPPER[0],
        white_balance=(1.0, 0.97, 0.93),
        black_level=0.01,
        electrons=9000.0,
        read_noise=0.003,
        bits=8,
        grey=weld.grey,
    )
    if weld.grey:
        # Copper and tin lie too near to each other in a grey picture: a green filter parts them.
        level = COPPER[1]
        look = replace(look, upper=(level,) * 3, lower=(level,) * 3, exposure=0.85 / TIN[1])
    if weld.etched:
        grains = Grains(34.0, contrast=0.07, boundary=0.4, boundary_um=1.4, twins=0.5, flatten=1.5, grown=0.4)
        look = replace(look, grains_upper=grains, grains_lower=replace(grains, size=46.0))
    return look
