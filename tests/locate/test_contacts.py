"""Which stretches belong to one bond segment: profiles written down station by station, cases far from any
threshold.

No tolerance: stations are whole numbers.
"""

import numpy as np
import pytest

from xsect.locate.contacts import Contact, find_contacts, runs

STANDOFF = 24.0
GAP = (100, STANDOFF, STANDOFF)
Piece = tuple[int, float, float]


def contacts(*pieces: Piece, shortest: float = 12.0) -> list[tuple[int, int]]:
    """Each piece: its stations, the px between the base metals, and the open part of them."""
    lengths = [length for length, _, _ in pieces]
    apart = np.repeat([apart for _, apart, _ in pieces], lengths)
    opening = np.repeat([opening for _, _, opening in pieces], lengths)
    return [(one.first, one.last) for one in find_contacts(apart > 0, apart, opening, shortest=shortest)]


def joined(length: int) -> Piece:
    return length, 0.0, 0.0


@pytest.mark.parametrize(
    ("flags", "expected"),
    [
        ("", []),
        ("000", []),
        ("111", [(0, 2)]),
        ("0110", [(1, 2)]),
        ("1001", [(0, 0), (3, 3)]),
        ("01011", [(1, 1), (3, 4)]),
    ],
)
def test_runs(flags: str, expected: list[tuple[int, int]]) -> None:
    assert runs(np.array([mark == "1" for mark in flags], bool)) == expected


def test_one_contact() -> None:
    assert contacts(GAP, joined(200), GAP) == [(100, 299)]


@pytest.mark.parametrize("sides", [(joined(200),), (GAP, joined(200)), (joined(200), GAP)])
def test_contact_up_to_the_end_of_the_line(sides: tuple[Piece, ...]) -> None:
    first = sides[0][0] if sides[0] is GAP else 0
    assert contacts(*sides) == [(first, first + 199)]


@pytest.mark.parametrize(
    "flaw",
    [
        pytest.param((30, 2.0, 2.0), id="slim void"),
        pytest.param((150, 2.0, 2.0), id="long slim void"),
        pytest.param((25, 8.0, 8.0), id="short open void"),
        pytest.param((9, 20.0, 20.0), id="pore"),
        pytest.param((60, 6.0, 0.0), id="island of residual plating"),
        pytest.param((180, 10.0, 0.0), id="long film of residual plating"),
        pytest.param((60, 10.0, 2.0), id="residual plating with a slim crack"),
    ],
)
def test_flaws_stay_inside_their_segment(flaw: Piece) -> None:
    n = flaw[0]
    assert contacts(GAP, joined(120), flaw, joined(130), GAP) == [(100, 349 + n)]


@pytest.mark.parametrize(
    "between",
    [
        pytest.param((100, 24.0, 24.0), id="gap of full standoff"),
        pytest.param((300, 24.0, 24.0), id="long gap"),
        pytest.param((150, 12.0, 12.0), id="gap of half the standoff"),
        pytest.param((200, 30.0, 0.0), id="gap filled with plating"),
        pytest.param((60, 24.0, 24.0), id="gap half as long as its neighbours"),
    ],
)
def test_gap_between_two_contacts_parts_them(between: Piece) -> None:
    n = between[0]
    found = contacts(GAP, joined(120), between, joined(130), GAP)
    assert found == [(100, 219), (220 + n, 349 + n)]


def test_round_voids_near_the_ends_leave_one_contact() -> None:
    voids = (18, 20.0, 20.0)
    assert contacts(GAP, joined(30), voids, joined(45), voids, joined(103), GAP) == [(100, 313)]


def wedge(steps: int, rise: float, open_: bool = True) -> list[Piece]:
    """A gap that opens by ``rise`` px a station, station by station."""
    return [(1, rise * (k + 0.5), rise * (k + 0.5) if open_ else 0.0) for k in range(steps)]


def test_contacts_between_which_the_gap_opens_as_it_does_outside() -> None:
    mouth, inner = wedge(160, 0.15), wedge(50, 0.15)
    found = contacts(*mouth[::-1], joined(150), *inner, *inner[::-1], joined(150), *mouth)
    assert found == [(160, 309), (410, 559)]


def test_long_flaw_that_opens_less_than_the_mouths_stays_inside() -> None:
    mouth, flaw = wedge(160, 0.15), (80, 2.8, 2.8)
    assert contacts(*mouth[::-1], joined(150), flaw, joined(150), *mouth) == [(160, 539)]


def test_long_void_as_high_as_the_mouths_but_blunt_stays_inside() -> None:
    mouth, void = wedge(160, 0.15), (100, 7.5, 7.5)
    assert contacts(*mouth[::-1], joined(220), void, joined(220), *mouth) == [(160, 699)]


def test_short_void_taller_than_a_slim_gap_stays_inside() -> None:
    slim = (100, 8.0, 8.0)
    assert contacts(slim, joined(83), (32, 9.0, 9.0), joined(180), slim) == [(100, 394)]


def test_film_with_a_pore_stays_inside() -> None:
    mouth = wedge(160, 0.15)
    film = [(40, 4.5, 0.0), (15, 4.5, 4.5), (40, 4.5, 0.0)]
    assert contacts(*mouth[::-1], joined(180), *film, joined(180), *mouth) == [(160, 614)]


def test_row_of_low_voids_stays_inside() -> None:
    voids = [(16, 6.0, 6.0), joined(24)] * 4
    assert contacts(GAP, joined(24), *voids, GAP) == [(100, 100 + 24 + 160 - 1)]


def test_long_film_with_specks_of_void_stays_inside() -> None:
    """Longer than the bond on either side, as residual plating may be."""
    film = [(40, 3.0, 0.5), (12, 4.5, 4.0)] * 6
    assert contacts(GAP, joined(100), *film, joined(250), GAP) == [(100, 100 + 100 + 312 + 250 - 1)]


def test_filled_gap_between_two_contacts_parts_them() -> None:
    """Full of plating but for a pore: no thicker than a quarter of the gap outside, which is wide."""
    wide = (100, 100.0, 90.0)
    filled = [*wedge(120, 0.25, open_=False), (30, 30.0, 20.0), *wedge(120, 0.25, open_=False)[::-1]]
    assert contacts(wide, joined(145), *filled, joined(145), wide) == [(100, 244), (515, 659)]


def test_three_contacts_and_a_void_in_the_middle_one() -> None:
    found = contacts(GAP, joined(90), GAP, joined(60), (20, 2.0, 2.0), joined(50), GAP, joined(80), GAP)
    assert found == [(100, 189), (290, 419), (520, 599)]


@pytest.mark.parametrize("length", [1, 5, 11])
def test_dust_across_the_gap_is_no_contact(length: int) -> None:
    assert contacts(GAP, joined(200), (60, 24.0, 24.0), joined(length), GAP) == [(100, 299)]
    assert contacts(GAP, joined(length), GAP) == []


def test_dust_does_not_tie_two_contacts_together() -> None:
    found = contacts(GAP, joined(120), GAP, joined(6), GAP, joined(120), GAP)
    assert found == [(100, 219), (426, 545)]


def test_nothing_joined() -> None:
    assert find_contacts(np.ones(50, bool), np.full(50, 9.0), np.full(50, 9.0), shortest=12) == ()


def test_contact_is_first_and_last_station() -> None:
    (one,) = find_contacts(np.zeros(50, bool), np.zeros(50), np.zeros(50), shortest=12)
    assert one == Contact(0, 49)


def filled_gap(length: int, rise: float, *, open_beyond: float) -> tuple[np.ndarray, np.ndarray]:
    """A gap that opens by ``rise`` px a station from both its ends, plating filling it up to ``open_beyond`` px."""
    apart = rise * np.minimum(np.arange(1, length + 1), np.arange(length, 0, -1))
    return apart, np.clip(apart - open_beyond, 0, None)


@pytest.mark.parametrize(("like_outside", "expected"), [(1.0, 2), (0.12, 1)])
def test_plating_fills_the_gap_between_two_contacts(like_outside: float, expected: int) -> None:
    """Filled pockets that open as the mouths outside do part two contacts; a slim lens of plating is a flaw of one."""
    mouth, mouth_open = filled_gap(400, 0.4, open_beyond=40.0)
    pocket, pocket_open = filled_gap(160, 0.4 * like_outside, open_beyond=99.0)
    shut = np.zeros(90)
    apart = np.concatenate([mouth[200:], shut, pocket, shut, mouth[:200]])
    opening = np.concatenate([mouth_open[200:], shut, pocket_open, shut, mouth_open[:200]])
    assert len(find_contacts(apart > 0, apart, opening, shortest=12.0)) == expected
