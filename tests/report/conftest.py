"""Made-up records and pictures for the report tests: two grey parts drawn from a known faying line."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from xsect.capture.lot_sheet import LotSheet, SheetRow
from xsect.capture.micrograph import Micrograph
from xsect.capture.scale import Scale
from xsect.judge.criteria import Clause, Criteria, Limit
from xsect.judge.decision import judge_section
from xsect.locate.view import FILLED, JOINED, OPEN, PLATING, NotchView, SectionView
from xsect.quantities import Component, Measurement, measured, not_measured, word
from xsect.reasons import Finding
from xsect.record import LotRecord, SectionRecord
from xsect.report.figures import write_section_figures

METAL, MOUNT, TIN = 185, 45, 235
Contact = tuple[float, float]


def draw_parts(
    contacts: tuple[Contact, ...] = ((320.0, 220.0),),
    *,
    shape: tuple[int, int] = (480, 640),
    standoff_px: float = 14.0,
    tilt: float = 0.03,
    plating_px: float = 0.0,
    colour: bool = True,
    um_per_px: float = 5.0,
    islands: bool = False,
    seed: int = 1,
) -> tuple[np.ndarray, SectionView]:
    """Draw two parts that touch at ``contacts`` (centre, width in px along x) and say where everything is."""
    rows, columns = shape
    rng = np.random.default_rng(seed)
    x = np.arange(columns, dtype=float)
    left, right = 0.05 * columns, 0.95 * columns
    centre = rows / 2 + tilt * (x - columns / 2)
    outside = np.min([np.abs(x - c) - w / 2 for c, w in contacts], axis=0).clip(0)
    gap = np.minimum(standoff_px, 0.0016 * standoff_px * outside**1.6)
    y = np.arange(rows, dtype=float)[:, None]
    inside = (x > left) & (x < right)
    upper = inside & (y > centre - 0.36 * rows) & (y <= centre - gap / 2)
    lower = inside & (y < centre + 0.40 * rows) & (y >= centre + gap / 2)
    grey = np.where(upper | lower, METAL, MOUNT).astype(float)
    states = np.where(outside > 0, OPEN, JOINED).astype(np.int8)
    plating = np.full(columns, np.nan)
    if plating_px:
        layer = (np.abs(y - centre) < gap / 2 + plating_px) & (outside > 0) & inside
        wedge = (outside > 0) & (gap < 3 * plating_px)
        grey[layer & (upper | lower)] = TIN
        grey[(np.abs(y - centre) <= gap / 2) & wedge & inside] = TIN
        states[wedge] = FILLED
        plating = np.where(wedge, gap + 2 * plating_px, np.where(outside > 0, 2 * plating_px, 0.0))
    if islands:
        c, w = contacts[0]
        states[(x > c - 0.2 * w) & (x < c - 0.05 * w)] = PLATING
        states[(x > c + 0.1 * w) & (x < c + 0.16 * w)] = OPEN
    grey += rng.normal(0, 6, grey.shape)
    pixels = grey.clip(0, 255).astype(np.uint8)
    if colour:
        pixels = (pixels[..., None] * np.array([1.0, 0.86, 0.72])).astype(np.uint8)
    span = np.flatnonzero(inside)
    line = np.column_stack([x, centre])[span]
    steps = np.hypot(*np.diff(line, axis=0).T) * um_per_px
    s_um = np.concatenate([[0.0], np.cumsum(steps)])
    half = int(0.12 * rows)
    at = np.rint(line[:, 1]).astype(int)[None, :] + np.arange(-half, half + 1)[:, None]
    strip = pixels[at.clip(0, rows - 1), span[None, :]]
    if strip.ndim == 2:
        strip = np.repeat(strip[..., None], 3, axis=2)
    notches = tuple(
        NotchView(number, side, cx, float(np.interp(cx, x, centre)), 9.0)
        for number, (c, w) in enumerate(contacts, 1)
        for side, cx in (("left", c - w / 2), ("right", c + w / 2))
    )
    corners = np.array([left, right])
    mid = np.interp(corners, x, centre)
    outlines = []
    for sign, reach in ((-1, 0.36), (1, 0.40)):
        inner = np.column_stack([x, centre + sign * gap / 2])[span]
        outer = np.column_stack([corners, mid + sign * reach * rows])[::-1]
        outlines.append(np.vstack([inner, outer]))
    view = SectionView(
        outlines=tuple(outlines), line=line, s_um=s_um, states=states[span],
        opening_um=gap[span] * um_per_px, plating_um=plating[span] * um_per_px, notches=notches,
        strip=strip, pitch_um=um_per_px,
    )  # fmt: skip
    return pixels, view


def make_row(section: str, number: int = 2, **columns: Any) -> SheetRow:
    given: dict[str, Any] = {
        "lot": "L-0417", "supplier": "Ferrowald Kontakte", "made_on": "2026-04-13", "cut_on": "2026-04-15",
        "operator": "M. Osei", "calibration": "obj10_cam1", "upper_material": "CuSn6",
        "lower_material": "Cu-ETP", "upper_thickness_um": 800.0, "lower_thickness_um": 900.0,
        "projection_height_um": 250.0, "projection_diameter_um": 1300.0, "etchant": "none",
    }  # fmt: skip
    return SheetRow(number, section, Path(f"img/{number}.png"), f"img/{number}.png", **given | columns)


def bond_budget(width: float) -> tuple[Component, ...]:
    return (
        Component("scale", 0.0015 * width),
        Component("edge fit", 4.1),
        Component("analysis choices", 5.8),
        Component("section plane", 0.0),
    )


def make_measurements(view: SectionView | None, *, standoff: float) -> tuple[Measurement, ...]:
    """Measurements of a drawn view; all not measured without one."""
    if view is None:
        return tuple(not_measured(name, "no faying line was found") for name in ("bond_width", "standoff"))
    pairs = zip(view.notches[::2], view.notches[1::2], strict=True)
    widths = [math.dist((a.x, a.y), (b.x, b.y)) * view.pitch_um for a, b in pairs]
    return (
        measured("bond_width", sum(widths), bond_budget(sum(widths)), method="hinge fit, both notches"),
        *(measured("bond_width", w, bond_budget(w), segment=n) for n, w in enumerate(widths, 1)),
        measured("continuity", 0.92, (Component("stations", 0.012), Component("scale", 0.0))),
        measured("bond_offset", -22.0, (Component("axis", 9.0),)),
        measured("standoff", standoff, (Component("scale", 0.1), Component("edge fit", 1.9))),
        measured("plating_in_bond_mean", 0.9, (Component("edge fit", 1.1),), note="below the blur"),
        not_measured("imc_mean", "the lot sheet gives no plating"),
        not_measured("nugget_width", "no nugget: the bond is solid-state"),
        not_measured("nugget_height", "no nugget: the bond is solid-state"),
        word("bond_kind", "solid_state"),
    )


def make_section(
    name: str,
    number: int = 2,
    *,
    findings: tuple[Finding, ...] = (),
    columns: dict[str, Any] | None = None,
    **scene: Any,
) -> tuple[Micrograph, SectionRecord]:
    """A drawn section with its record, judged by CRITERIA."""
    pixels, view = draw_parts(**{"shape": (240, 320), "contacts": ((160.0, 110.0),)} | scene)
    digest = hashlib.sha256(pixels.tobytes()).hexdigest()
    scale = Scale(
        view.pitch_um, view.pitch_um, 0.0015, "calibration record", "obj10_cam1 of 2026-03-02", "ab" * 32
    )
    row = make_row(name, number, **(columns or {}))
    found = make_measurements(view, standoff=scene.get("standoff_px", 14.0) * view.pitch_um)
    record = SectionRecord(row, digest, pixels.shape[:2], scale, findings, found, (), view)
    verdicts = judge_section(found, row, CRITERIA, record.status)
    return Micrograph(pixels, scale, digest), replace(record, verdicts=verdicts)


def make_missing(name: str, number: int) -> SectionRecord:
    """A section whose picture was not there."""
    row = make_row(name, number)
    finding = Finding("image_missing", {"image": row.image_as_written})
    verdicts = judge_section((), row, CRITERIA, "not_measured")
    return SectionRecord(row, "", (0, 0), None, (finding,), (), verdicts, None)


CRITERIA = Criteria(
    name="EXAMPLE: solid-state projection weld",
    weld_type="solid_state",
    source="made up for these tests",
    decision_rule="guarded",
    clauses=(
        Clause("width", "bond_width", at_least=Limit("times", 0.4, "projection_diameter")),
        Clause("continuity", "continuity", at_least=Limit("fraction", 0.85)),
        Clause("offset", "bond_offset", Limit("um", -20.0), Limit("um", 20.0), severity="minor"),
        Clause("kind", "bond_kind", must_be=("solid_state", "mixed")),
    ),
    sha256="cd" * 32,
    path=Path("criteria/example.toml"),
)
HOSTILE = ("<script>alert(1)</script>", "=cmd|'/c calc'!A1", "../../etc/passwd", "W" * 100)


def make_lot(out: Path) -> LotRecord:
    """A lot of seven sections, four with hostile names, its figures written below ``out``."""
    look = (Finding("out_of_focus", {"blur": "7.1"}),)
    drawn = [
        make_section("S01"),
        make_section(HOSTILE[0], 3, contacts=((95.0, 40.0), (220.0, 52.0)), colour=False, islands=True),
        make_section(
            HOSTILE[1], 4, plating_px=2.0, findings=look, columns={"plating": "tin", "plating_um": 4.0}
        ),
        make_section(
            HOSTILE[2], 5, columns={"extra": {"*batch* #x": "$1 + 2$ @ref"}, "stated": {"bond_width": 560.0}}
        ),
        make_section(HOSTILE[3], 6, contacts=((160.0, 60.0),)),
        make_section("S06", 7, contacts=((160.0, 104.0),)),
    ]
    sections = [replace(record, figures=write_section_figures(m, record, out)) for m, record in drawn]
    sections.append(make_missing("S07", 8))
    sheet = LotSheet(Path("lots/lot.csv"), "ef" * 32, tuple(record.row for record in sections))
    return LotRecord(sheet, CRITERIA, tuple(sections), {"smoothing": 1.5, "limit_mp": 400})


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[LotRecord, Path]:
    """The lot and the folder into which all its outputs were written."""
    from xsect.report.write import write_outputs

    out = tmp_path_factory.mktemp("report")
    lot = make_lot(out)
    write_outputs(lot, out)
    return lot, out


@pytest.fixture(scope="session")
def lot(written: tuple[LotRecord, Path]) -> LotRecord:
    return written[0]


@pytest.fixture(scope="session")
def out(written: tuple[LotRecord, Path]) -> Path:
    return written[1]


@pytest.fixture(scope="session")
def section() -> tuple[Micrograph, SectionRecord]:
    """One drawn section with a single bond segment."""
    return make_section("S01")


@pytest.fixture(scope="session")
def draw_section() -> Callable[..., tuple[Micrograph, SectionRecord]]:
    """The function that draws a section and makes its record."""
    return make_section
