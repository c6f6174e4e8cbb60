"""Figures: marks stand where they should, names of files are safe, the same input gives the same bytes."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from xsect.capture.micrograph import Micrograph
from xsect.locate.view import JOINED, OPEN, SectionView
from xsect.record import SectionRecord
from xsect.report.canvas import dashes, png_bytes
from xsect.report.figures import figure_names, write_section_figures
from xsect.report.marked import WIDEST, bar_label, draw_marked, level_station, round_length, runs, two_parts
from xsect.report.strip_figure import draw_strip
from xsect.report.style import GREEN, SKY_BLUE, STATE_STYLES, VERMILLION, YELLOW, rgb

Section = tuple[Micrograph, SectionRecord]


def count(picture: np.ndarray, colour: str, at: tuple[float, float], reach: int) -> int:
    """Pixels of exactly one colour within ``reach`` px of a place (x, y)."""
    x, y = round(at[0]), round(at[1])
    part = picture[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1]
    return int((part == rgb(colour)).all(axis=2).sum())


def placed(view: SectionView, picture: np.ndarray, pixels: np.ndarray) -> list[tuple[float, float]]:
    """The notches on the marked-up picture."""
    factor = picture.shape[1] / pixels.shape[1]
    return [((n.x + 0.5) * factor - 0.5, (n.y + 0.5) * factor - 0.5) for n in view.notches]


def test_notches_are_ringed_and_their_own_pixels_stay_seen(section: Section) -> None:
    micrograph, record = section
    assert record.view is not None
    picture = draw_marked(micrograph.pixels, record.view, record)
    ring = round(3.2 * 2.8)  # 2.8 units of 1280 / 400 px
    for x, y in placed(record.view, picture, micrograph.pixels):
        assert count(picture, YELLOW, (x, y), ring + 2) > 30
        # The centre shows the picture: metal, not yellow.
        assert count(picture, YELLOW, (x, y), 2) == 0
        assert picture[round(y), round(x), 0] > 100


def test_the_bond_is_marked_joined_and_the_gap_open(section: Section) -> None:
    micrograph, record = section
    assert record.view is not None
    picture = draw_marked(micrograph.pixels, record.view, record)
    left, right = placed(record.view, picture, micrograph.pixels)
    middle = ((left[0] + right[0]) / 2, (left[1] + right[1]) / 2)
    assert count(picture, GREEN, middle, 25) > 50
    assert count(picture, VERMILLION, middle, 25) == 0
    assert count(picture, VERMILLION, (left[0] - 60, left[1]), 40) > 20
    assert count(picture, GREEN, (left[0] - 60, left[1]), 40) == 0


@pytest.mark.parametrize("turned", [False, True])
def test_the_state_band_lies_in_the_lower_part(section: Section, turned: bool) -> None:
    """Also where the parts lie side by side: the upper one is the first outline, here left of the line."""
    micrograph, record = section
    view, pixels = record.view, micrograph.pixels
    assert view is not None
    flip = slice(None, None, -1) if turned else slice(None)
    if turned:
        pixels = np.ascontiguousarray(pixels.transpose(1, 0, 2))
        view = replace(
            view,
            line=view.line[:, ::-1],
            outlines=tuple(outline[:, ::-1] for outline in view.outlines),
            notches=tuple(replace(notch, x=notch.y, y=notch.x) for notch in view.notches),
        )
    picture = draw_marked(pixels, view, record)
    green = np.argwhere((picture[: 4 * pixels.shape[0]] == rgb(GREEN)).all(axis=2))
    across = float(np.median(green[:, 1 if turned else 0]))
    factor = max(picture.shape[1], picture.shape[0]) / max(pixels.shape[:2])
    line_across = float(np.median(view.line[:, flip][:, 1])) * 4
    assert factor >= 4
    assert 5 < across - line_across < 30


@pytest.mark.parametrize(
    ("shape", "dtype", "size"),
    [
        ((240, 320), np.uint8, (960, 1280)),
        ((240, 320, 3), np.uint8, (960, 1280)),
        ((900, 1200), np.uint16, (1200, 1600)),
        ((2000, 1000), np.uint8, (1600, 800)),
    ],
)
def test_every_kind_of_picture_comes_out_at_report_size(
    section: Section, shape: tuple[int, ...], dtype: type, size: tuple[int, int]
) -> None:
    pixels = np.full(shape, 100, dtype=dtype)
    picture = draw_marked(pixels, None, section[1])
    assert picture.dtype == np.uint8
    assert picture.shape[1] == size[1] <= WIDEST
    assert size[0] < picture.shape[0] < size[0] + 80  # the legend's band


def test_a_dark_picture_of_16_bits_is_shown_bright(section: Section) -> None:
    pixels = np.full((400, 400), 900, dtype=np.uint16)
    assert draw_marked(pixels, None, section[1])[50, 50, 0] == 255


@pytest.mark.parametrize(
    ("um", "length", "label"),
    [(1234.0, 1000.0, "1 mm"), (99.0, 50.0, "50 µm"), (250.0, 200.0, "0.2 mm"), (1.0, 1.0, "1 µm")],
)
def test_scale_bars_have_round_lengths(um: float, length: float, label: str) -> None:
    assert round_length(um) == length
    assert bar_label(length) == label


def test_the_scale_bar_is_as_long_as_it_says(section: Section) -> None:
    """320 px of 5 µm are 1.6 mm on 1280 px; a fifth of it is 0.32 mm, so the bar is 0.2 mm = 160 px long."""
    picture = draw_marked(np.full((240, 320), 60, dtype=np.uint8), None, section[1])
    white = (picture[:960] == 255).all(axis=2)
    row = np.argmax(white.sum(axis=1))
    columns = np.flatnonzero(white[row])
    # The stroke is 3 px wide with round ends and ticks at both: their centres lie 160 px apart.
    assert columns[-1] - columns[0] == pytest.approx(160 + 3, abs=2)


def test_outlines_are_drawn_beside_several_bonds(draw_section: Callable[..., Section]) -> None:
    """But not over them: there the picture itself must be seen."""
    micrograph, record = draw_section("two", contacts=((95.0, 40.0), (220.0, 52.0)))
    picture = draw_marked(micrograph.pixels, record.view, record)
    assert count(picture, SKY_BLUE, (60, 200), 200) > 100
    assert count(picture, SKY_BLUE, (220 * 4, 482), 20) == 0


def test_standoff_is_drawn_where_the_gap_is_level(section: Section) -> None:
    view = section[1].view
    assert view is not None
    station = level_station(view, 70.0)
    assert station is not None
    assert view.opening_um[station] == pytest.approx(70.0)
    assert view.states[station] == OPEN
    assert level_station(view, 500.0) is None


def test_runs_and_dashes() -> None:
    assert runs(np.array([JOINED, JOINED, OPEN, JOINED], dtype=np.int8)) == [(0, 2), (2, 3), (3, 4)]
    assert runs(np.array([], dtype=np.int8)) == []
    strokes = dashes(np.array([[0.0, 0.0], [100.0, 0.0]]), (3.0, 2.0), 4.0)
    # Strokes of 12 px with round ends of 2 px, every 20 px.
    assert [tuple(stroke[:, 0]) for stroke in strokes[:2]] == [(2.0, 10.0), (22.0, 30.0)]
    assert len(strokes) == 5


def test_states_differ_in_more_than_colour() -> None:
    assert len({(style.dash, style.lane) for style in STATE_STYLES.values()}) == len(STATE_STYLES)
    assert len({style.colour for style in STATE_STYLES.values()}) == len(STATE_STYLES)


def test_a_stray_outline_is_not_taken_for_a_part(section: Section) -> None:
    view = section[1].view
    assert view is not None
    assert two_parts(view)
    blob = np.array([[150.0, 220.0], [170.0, 220.0], [170.0, 230.0]])
    assert not two_parts(replace(view, outlines=(np.vstack(view.outlines), blob)))
    assert not two_parts(replace(view, outlines=(np.vstack(view.outlines),)))


@pytest.mark.parametrize("scene", [{}, {"plating_px": 2.0}])
def test_the_strip_figure_is_a_picture_of_one_size(section: Section, scene: dict[str, float]) -> None:
    view = section[1].view
    assert view is not None
    if scene:
        view = replace(view, plating_um=np.full(len(view.s_um), 4.0))
    picture = Image.open(io.BytesIO(draw_strip(view)))
    assert picture.size == (1600, 570)
    assert picture.info == {}
    assert (np.asarray(picture) == rgb(GREEN)).all(axis=2).sum() > 1000


def test_a_section_without_bond_has_figures(section: Section) -> None:
    micrograph, record = section
    assert record.view is not None
    view = replace(record.view, notches=(), states=np.full(len(record.view.s_um), OPEN, dtype=np.int8))
    picture = draw_marked(micrograph.pixels, view, replace(record, measurements=()))
    assert not (picture == rgb(GREEN)).all(axis=2).any()
    assert draw_strip(view)


def test_png_files_hold_the_picture_and_nothing_else() -> None:
    pixels = np.random.default_rng(5).integers(0, 255, (20, 30, 3), dtype=np.uint8)
    with Image.open(io.BytesIO(png_bytes(pixels))) as image:
        assert image.info == {}
        assert np.array_equal(np.asarray(image), pixels)


@pytest.mark.parametrize(
    ("name", "number", "marked"),
    [
        ("S01", 2, "figures/row002-S01-marked.png"),
        ("../../etc/passwd", 3, "figures/row003-etc-passwd-marked.png"),
        ("C:\\temp\\x", 4, "figures/row004-C-temp-x-marked.png"),
        ("<script>", 5, "figures/row005-script-marked.png"),
        ("焊接", 6, "figures/row006-marked.png"),
        ("..", 7, "figures/row007-marked.png"),
        ("W" * 300, 8, f"figures/row008-{'W' * 60}-marked.png"),
        ("CON", 9, "figures/row009-CON-marked.png"),
    ],
)
def test_names_of_figures_are_safe(section: Section, name: str, number: int, marked: str) -> None:
    assert figure_names(replace(section[1].row, section=name, number=number))[0] == marked


def test_figures_are_written_whole_and_repeat_to_the_byte(section: Section, tmp_path: Path) -> None:
    micrograph, record = section
    for folder in ("a", "b"):
        names = write_section_figures(micrograph, record, tmp_path / folder)
        assert names == figure_names(record.row)[:2]  # neither layers nor flaws in this one
    for name in names:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    assert len(list((tmp_path / "a" / "figures").iterdir())) == 2
    assert len(write_section_figures(micrograph, replace(record, view=None), tmp_path)) == 1
