"""The demo's packages say what they are meant to say; their pictures are drawn by code that other tests prove."""

from pathlib import Path

from xsect.audit.claim import load_claim
from xsect.audit.sampling import attribute_plan, code_letter, zero_failure_n
from xsect.synth.demo_audit import CLAIM, HONEST, TROUBLED, Shown


def of(trouble: str) -> list[Shown]:
    return [one for one in TROUBLED if one.planted == trouble]


def test_what_is_planted() -> None:
    rounded = of("rounded up")
    assert len(rounded) == 5
    assert all(one.weld.stated % 50 == 0 and 30 < one.weld.stated - one.weld.bond < 50 for one in rounded)
    assert [(one.weld.section, one.copy_of) for one in of("re-used picture")] == [("T04", "T09")]
    assert [one.half for one in of("scale")] == [True]
    assert sum(one.expired for one in TROUBLED) == 3
    assert any(one.weld.bond < 800 <= one.weld.stated for one in rounded)


def test_the_honest_package_is_honest() -> None:
    assert not any(one.planted or one.copy_of or one.half or one.expired for one in HONEST)
    assert all(abs(one.weld.stated - one.weld.bond) < 10 for one in HONEST)


def test_its_claim_is_carried_by_its_sections(tmp_path: Path) -> None:
    path = tmp_path / "claim.toml"
    path.write_text(CLAIM, encoding="utf-8")
    claim = load_claim(path)
    assert claim.reliability is not None
    assert zero_failure_n(claim.reliability, claim.confidence) < len(HONEST)
    assert claim.lot_size is not None
    assert claim.aql is not None
    plan = attribute_plan(code_letter(claim.lot_size, claim.level), claim.aql)
    assert (plan.letter, plan.n, plan.accept) == ("D", 8, 0)
