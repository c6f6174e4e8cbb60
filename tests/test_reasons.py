"""Reasons: one registry, whose sentences are filled by the facts of a case."""

import re
from pathlib import Path

import pytest

from xsect.reasons import REASONS, Finding, Reason, Refusal

PACKAGE = Path(__file__).parents[1] / "xsect"


def test_a_finding_says_what_happened() -> None:
    finding = Finding("thickness_disagrees", {"part": "upper", "value": "0.71 mm", "stated": "0.80 mm"})
    assert finding.sentence == "upper part reads 0.71 mm where the lot sheet says 0.80 mm"
    assert finding.effect == "needs_review"


def test_a_refusal_carries_its_finding() -> None:
    refusal = Refusal("no_section_found", detail="one part only")
    assert str(refusal) == "no weld section was found: one part only"
    assert refusal.finding.effect == "not_measured"


def test_an_unknown_code_is_refused() -> None:
    with pytest.raises(ValueError, match="code = 'blurry': not in the registry of reasons"):
        Finding("blurry")


def test_a_missing_fact_is_refused() -> None:
    with pytest.raises(ValueError, match="facts of out_of_focus: 'blur' is missing"):
        Finding("out_of_focus")


@pytest.mark.parametrize("reason", REASONS.values(), ids=lambda reason: reason.code)
def test_every_reason_says_what_happened_and_what_to_do(reason: Reason) -> None:
    assert REASONS[reason.code] is reason
    assert reason.title[0].isupper()
    assert reason.what_to_do.endswith(".")
    facts = dict.fromkeys(re.findall(r"{(\w+)}", reason.sentence), "x")
    assert "{" not in Finding(reason.code, facts).sentence
    assert not reason.sentence.endswith(".")  # it stands in the middle of lists and tables


def test_every_code_named_in_the_package_is_registered() -> None:
    named = {
        code
        for path in PACKAGE.rglob("*.py")
        if path.parent.name != "audit"  # what an audit finds has words and grades of its own
        for code in re.findall(r"(?:Finding|Refusal)\(\s*\"(\w+)\"", path.read_text(encoding="utf-8"))
    }
    assert named
    assert named <= REASONS.keys()
