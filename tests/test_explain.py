"""Explain: every quantity, reason and clause in words, and the docs page made from the same registries."""

import subprocess
import sys
from pathlib import Path

import pytest

from xsect.explain import explain, glossary
from xsect.judge.advice_entries import ADVICE
from xsect.judge.criteria import Criteria, load_criteria
from xsect.quantities import QUANTITIES
from xsect.reasons import REASONS

ROOT = Path(__file__).parents[1]
CRITERIA = ROOT / "sample_images" / "criteria" / "tin_plated_copper_solid_state.toml"


@pytest.fixture(scope="module")
def criteria() -> Criteria:
    return load_criteria(CRITERIA)


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("name", QUANTITIES)
def test_every_quantity(name: str) -> None:
    entry, text = QUANTITIES[name], flat(explain(name))
    assert text.startswith(f"{name}: {entry.label}")
    for part in (entry.definition, entry.method, entry.source):
        assert flat(part) in text


@pytest.mark.parametrize("code", REASONS)
def test_every_reason(code: str) -> None:
    text = flat(explain(code))
    assert text.startswith(f"{code}: {REASONS[code].title}")
    assert f"effect {REASONS[code].effect}:" in text
    assert REASONS[code].what_to_do in text
    assert "{" not in text


@pytest.mark.parametrize("code", ADVICE)
def test_all_advice(code: str) -> None:
    text = flat(explain(code))
    assert text.startswith(f"{code}: {ADVICE[code].title} given where {flat(ADVICE[code].condition)}")
    assert ADVICE[code].what_to_change in text
    assert "qualified persons decide" in text


def test_a_clause_says_what_it_asks_for(criteria: Criteria) -> None:
    text = flat(explain("width", criteria))
    assert text.startswith(f"clause width of {criteria.name} (tin_plated_copper_solid_state.toml)")
    assert "asks for bond_width at least 0.8 × projection diameter" in text
    assert "major: decides on the section" in text
    assert "guarded: accept only with the whole 95 % interval inside" in text
    assert flat(criteria.source) in text
    assert "for each bond segment" in explain("opening", criteria)
    assert "must be solid_state" in explain("kind", criteria)


def test_a_shared_name_explains_both(criteria: Criteria) -> None:
    text = explain("continuity", criteria)
    assert text.startswith("continuity: Continuity")
    assert "\n\nclause continuity of " in text


@pytest.mark.parametrize("term", ["Bond width", " BOND-WIDTH ", "bond_width"])
def test_capitals_spaces_and_hyphens_do_not_matter(term: str) -> None:
    assert explain(term).startswith("bond_width: ")


def test_unknown_terms_are_refused_with_the_closest(criteria: Criteria) -> None:
    with pytest.raises(
        ValueError, match=r"^bond_widht: no such quantity, reason or advice, did you mean bond_width"
    ):
        explain("bond_widht")
    with pytest.raises(
        ValueError, match=r"no such quantity, reason, advice or clause, did you mean residual_tin"
    ):
        explain("residual_tim", criteria)
    with pytest.raises(ValueError, match=r"^qqqq: no such quantity, reason or advice$"):
        explain("qqqq")


def test_the_docs_page_is_up_to_date() -> None:
    page = (ROOT / "docs" / "quantities.md").read_text(encoding="utf-8")
    assert page == glossary(), "run: python -m xsect.explain > docs/quantities.md"


def test_the_module_writes_the_page() -> None:
    made = subprocess.run([sys.executable, "-m", "xsect.explain"], capture_output=True, cwd=ROOT, check=True)
    assert made.stdout.decode("utf-8") == glossary()


def test_the_page_holds_every_entry() -> None:
    page = glossary()
    assert all(f"### `{name}`: " in page for name in QUANTITIES)
    assert all(f"| `{code}` | " in page for code in REASONS)
