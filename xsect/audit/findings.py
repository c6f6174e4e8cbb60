"""Findings: what an audit has to say, graded, with what to ask for. A finding is a reason to ask, not an accusation."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from xsect.audit.quality import BADLY, CANNOT
from xsect.audit.registration import Likeness
from xsect.audit.reuse import LEAST_LIKENESS, Reuse, pairs_to_show
from xsect.audit.run import Audit
from xsect.audit.scale_honesty import Disagreement
from xsect.audit.stated import Flip, Pair, QuantityAgreement, as_stated
from xsect.quantities import QUANTITIES, Unit, show
from xsect.record import SectionRecord

Grade = Literal["major", "minor", "observation"]
GRADES: Final[tuple[Grade, ...]] = ("major", "minor", "observation")

LARGE: Final = 0.05
"""Relative difference from which a doubtful scale or value is a major finding."""

MOST_TOLD: Final = 6
"""Sections of one finding whose numbers are told; the others are in the table of sections."""

MOST_SHOWN: Final = 200
"""Pairs of re-used pictures that are shown; the others are told, without a figure."""

BIAS: Final = 0.02
"""Share of the mean by which stated values may differ on average: what two careful readers differ by (common practice;
value from memory)."""


@dataclass(frozen=True)
class AuditFinding:
    """One finding. ``where`` are sections; ``figure`` is the place of its evidence among the pairs that are shown
    and, after them, the copied patches; -1 where it has none."""

    grade: Grade
    topic: str
    title: str
    what: str
    where: tuple[str, ...]
    how_sure: str
    ask: str
    figure: int = -1


def find_all(audit: Audit) -> tuple[AuditFinding, ...]:
    """Return the findings of an audit, gravest first, else in the order of their topics."""
    found = [*_pictures(audit), *_scales(audit), *_stated(audit), *_sample(audit), *_evidence(audit)]
    return tuple(sorted(found, key=lambda one: GRADES.index(one.grade)))


def shown_pairs(audit: Audit) -> tuple[int, ...]:
    """Return the places among an audit's re-used pairs of those that the report shows."""
    return pairs_to_show(audit.reuse, MOST_SHOWN)


def _pictures(audit: Audit) -> Iterator[AuditFinding]:
    figures = {at: figure for figure, at in enumerate(shown_pairs(audit))}
    for at, one in enumerate(audit.reuse):
        yield _reused(one, figures.get(at, -1))
    for at, (record, patch) in enumerate(audit.copied, len(figures)):
        (x, y, wide, high), twin = patch.box, patch.twin
        yield AuditFinding(
            "major", "Pictures", "A patch stands twice in one picture",
            f"What lies at x {x} to {x + wide}, y {y} to {y + high} px lies again {twin[0] - x:+d}, "
            f"{twin[1] - y:+d} px "
            "further on, down to the camera's noise.",
            (record.row.section,),
            f"The noise of {patch.area} px agrees with a correlation of {patch.likeness:.2f}; noise of two "
            f"places has none.",
            "The picture as the camera wrote it, and the mount, to look at the place again.", at,
        )  # fmt: skip


def _reused(one: Reuse, at: int) -> AuditFinding:
    names = (one.first.name, one.second.name)
    if one.same_specimen:
        return AuditFinding(
            "observation", "Pictures", "Two pictures of one weld overlap",
            f"{names[1]} shows a spot that {names[0]} shows too ({one.how}); the sheet gives both the same "
            f"weld.", names,
            _sure(one.likeness), "Which of the two the stated value was read from; they count as one section.", at,
        )  # fmt: skip
    return AuditFinding(
        "major", "Pictures", "One picture for two specimens",
        f"{names[0]} and {names[1]} show the same spot: {one.how}.", names, _sure(one.likeness),
        "The pictures as the camera wrote them, with their times, and both mounts to be photographed again.", at,
    )  # fmt: skip


def _sure(like: Likeness | None) -> str:
    if like is None:
        return "Certain: the files' hashes are equal."
    return (
        f"Their texture, outlines left out, correlates by {like.mean:.2f} over {like.tiles} fields. From "
        f"{LEAST_LIKENESS:g} on it is told; different sections of one design, drawn to measure this, stayed below 0.1."
    )


def _scales(audit: Audit) -> Iterator[AuditFinding]:
    expired: dict[str, list[str]] = defaultdict(list)
    odd_expired = False
    sizes, resampled, unproven = [], [], []
    blocks = math.nan
    differ: dict[tuple[str, str, int], list[tuple[str, Disagreement, str]]] = defaultdict(list)
    for record, looked in zip(audit.lot.sections, audit.looked, strict=True):
        check, name = looked.scale, record.row.section
        grave = [one for one in check.disagreements if abs(one.ratio - 1) > LARGE]
        for one in check.disagreements:
            near = round(math.log(one.ratio) / LARGE)
            differ[one.first.name, one.second.name, near].append((name, one, check.mismatch))
        if check.expired:
            expired[check.expired].append(name)
            odd_expired |= bool(grave)
        if check.mismatch and not grave:
            sizes.append(name)
        if check.resampled:
            resampled.append(name)
            if math.isfinite(check.resampled.blocks_px):
                blocks = check.resampled.blocks_px
        if check.sources and not any(source.name == "calibration record" for source in check.sources):
            unproven.append(name)
    for several in differ.values():
        yield _scale_differs(several)
    by_record: dict[str, list[str]] = defaultdict(list)
    for told, names in expired.items():
        by_record[told.split(" on ")[0].split(";")[0]] += names
    for told, names in by_record.items():
        yield AuditFinding(
            "major" if odd_expired else "minor", "Scale", "Calibration not valid on the day of use",
            f"{told[0].upper()}{told[1:]}, and was used after that day.", tuple(names),
            "Certain, by the dates in the record and in the sheet.",
            "The record that was valid then, or a check of the same objective and camera against a stage micrometer.",
        )  # fmt: skip
    yield from _listed(
        sizes, "minor", "Scale", "Picture size is not the calibration record's",
        "The pictures have another size than the record was made for: they were cropped, binned or resized. Their "
        "scale holds only if they were cropped.",
        "Certain that the sizes differ; the part thickness does not speak against the scale.",
        "The pictures as the camera wrote them.",
    )  # fmt: skip
    yield from _listed(
        unproven, "minor", "Scale", "Scale without a calibration record",
        "Nothing in the package traces the scale to a stage micrometer.", "Certain.",
        "The calibration record of objective and camera, with the micrometer's certificate.",
    )  # fmt: skip
    yield from _listed(
        resampled, "observation", "Scale", "Traces of resampling",
        "The pictures' spectrum shows lines that interpolation leaves: they may have been enlarged or turned."
        + (f" Blocks of an earlier JPEG are {blocks:.1f} px wide where 8 are written: enlarged {blocks / 8:.2f} times."
           if math.isfinite(blocks) else ""),
        "Moderate: some cameras and file converters leave such lines too.",
        "The pictures as the camera wrote them.",
    )  # fmt: skip


def _scale_differs(several: Sequence[tuple[str, Disagreement, str]]) -> AuditFinding:
    """Return the finding of sections whose scales differ alike, told by the first of them."""
    name, one, mismatch = several[0]
    more = f" {mismatch[0].upper()}{mismatch[1:]}." if mismatch else ""
    of = f"In {name} " if len(several) > 1 else ""
    found = (
        f"{of}{one.first.name} ({one.first.detail}) gives {one.first.um_per_px:.4g} µm/px, {one.second.name} "
        f"({one.second.detail}) {one.second.um_per_px:.4g} µm/px; {one.cause}.{more}"
    )
    return AuditFinding(
        "major" if abs(one.ratio - 1) > LARGE else "minor", "Scale",
        f"Scale by {one.second.name} is {one.ratio:.2f} times that by {one.first.name}",
        f"{found[0].upper()}{found[1:]}",
        tuple(name for name, _, _ in several),
        f"They differ by {abs(one.ratio - 1):.0%}; their standard uncertainties are {one.first.u_relative:.2%} and "
        f"{one.second.u_relative:.2%}.",
        "The picture as the camera wrote it, with objective and camera; which scale the stated value rests on.",
    )  # fmt: skip


def _stated(audit: Audit) -> Iterator[AuditFinding]:
    flipped = (
        {flip.section for flip in audit.verdicts.flips if flip.to == "reject" and flip.vouched}
        if audit.verdicts
        else set()
    )
    for one in audit.quantities:
        yield from _slips(one)
        yield from _rounded(one, flipped)
        yield from _apart(one)
        yield from _biased(one)
    alike: dict[tuple[str, str, bool], list[Flip]] = defaultdict(list)
    for flip in audit.verdicts.flips if audit.verdicts else ():
        alike[flip.clause, flip.to, flip.vouched].append(flip)
    for flips in alike.values():
        yield _flipped(flips)


def _flipped(flips: Sequence[Flip]) -> AuditFinding:
    """Return the finding of sections that one clause judges otherwise by stated values than by ours."""
    one = flips[0]
    label, unit = QUANTITIES[one.quantity].label.lower(), QUANTITIES[one.quantity].unit
    worse = one.to == "reject"
    doubt = "" if one.vouched else " Our own measurement needs a look, too."
    grade: Grade = "observation"
    if worse and one.vouched:
        grade = "major" if one.severity == "major" else "minor"
    told = "; ".join(
        f"{flip.section} stated {as_stated(flip.stated, unit)}, measured {show(flip.measured, unit)}"
        for flip in flips[:MOST_TOLD]
    )
    return AuditFinding(
        grade, "Stated values",
        "Meets the clause as stated, not as measured" if worse else "Fails as stated, passes as measured",
        f"Clause {one.clause} ({one.limit}), {label}: {told}.{doubt}",
        tuple(flip.section for flip in flips), "The whole 95 % interval of ours lies on the other side of the limit.",
        "How and by whom the value was read; the section to be measured together.",
    )  # fmt: skip


def _slips(one: QuantityAgreement) -> Iterator[AuditFinding]:
    label = QUANTITIES[one.quantity].label.lower()
    groups: dict[tuple[float, str], list[Pair]] = defaultdict(list)
    for pair in one.pairs:
        if pair.slip:
            groups[pair.slip.factor, pair.slip.name].append(pair)
    for (factor, name), pairs in groups.items():
        first = pairs[0]
        yield AuditFinding(
            "major", "Stated values", f"Stated {label} off by a known factor",
            f"Measured is {factor:.4g} times stated, as if {name}: {first.section} says "
            f"{as_stated(first.stated, one.unit)} "
            f"where {show(first.measured, one.unit, digits_from=first.u)} is measured.",
            tuple(pair.section for pair in pairs),
            f"{len(pairs)} of {len(one.pairs)} values fit that factor within 2.5 standard uncertainties, "
            f"and 1 not within 4.",
            "The unit and the scale the value was read with; the sheet it was copied from.",
        )  # fmt: skip


def _rounded(one: QuantityAgreement, flipped: set[str]) -> Iterator[AuditFinding]:
    rounded = one.rounded_up
    if rounded is None:
        return
    names = one.rounded_sections
    label = QUANTITIES[one.quantity].label.lower()
    unit = {"um": " µm", "um2": " µm²"}.get(one.unit, "")
    step = f"{rounded.step:g}{unit}"
    others = [name for name in names if name not in one.plainly_rounded]
    doubt = f" For {_named(others)} our own measurement alone would not tell." if others else ""
    yield AuditFinding(
        "major" if flipped & set(names) else "minor", "Stated values", f"Stated {label} rounded up",
        f"{len(names)} values look like the next multiple of {step} above what is measured, while others are stated to "
        f"{one.step:g}{unit}.{doubt}",
        names,
        f"If all were read and rounded alike, as much would come by chance with {_p(rounded.p)}. "
        "Each named value is at least three times likelier rounded up than read.",
        "The readings before rounding.",
    )  # fmt: skip


def _apart(one: QuantityAgreement) -> Iterator[AuditFinding]:
    label = QUANTITIES[one.quantity].label.lower()
    taken = set(one.rounded_sections)
    apart = [pair for pair in one.pairs if pair.beyond and pair.slip is None and pair.section not in taken]
    for vouched in (True, False):
        pairs = [pair for pair in apart if pair.vouched is vouched]
        if not pairs:
            continue
        worst = max(pairs, key=lambda pair: abs(pair.z))
        share = (
            max(abs(pair.difference / pair.measured) for pair in pairs if pair.measured)
            if worst.measured
            else 1.0
        )
        doubt = "" if vouched else " Our own measurement of these sections needs a look, too."
        yield AuditFinding(
            "major" if vouched and share > 2 * LARGE else "minor" if vouched else "observation",
            "Stated values", f"Stated {label} differs beyond uncertainty",
            f"Most in {worst.section}: stated {as_stated(worst.stated, one.unit)}, measured "
            f"{show(worst.measured, one.unit, digits_from=worst.u)}.{doubt}",
            tuple(pair.section for pair in pairs),
            f"Up to {max(abs(pair.z) for pair in pairs):.1f} standard uncertainties of the difference; corrected for "
            f"{len(one.pairs)} sections, chance would give one such in twenty audits.",
            "How and by whom the values were read; the sections to be measured together.",
        )  # fmt: skip


def _biased(one: QuantityAgreement) -> Iterator[AuditFinding]:
    if one.limits is None:
        return
    mean = math.fsum(pair.measured for pair in one.pairs) / len(one.pairs)
    low, high = one.limits.bias_interval
    if low <= 0 <= high or not mean or abs(one.limits.bias / mean) < BIAS:
        return
    yield AuditFinding(
        "minor", "Stated values", f"Stated {QUANTITIES[one.quantity].label.lower()} is off on average",
        f"Stated values lie {_difference(abs(one.limits.bias), one.unit)} "
        f"{'above' if one.limits.bias > 0 else 'below'} measured ones "
        f"on average, {abs(one.limits.bias / mean):.1%}"
        f"{', those rounded up among them' if one.rounded_sections else ''}.",
        (), f"95 % interval {_difference(low, one.unit)} to {_difference(high, one.unit)}, over "
        f"{one.limits.n} sections.",
        "Where the ends of the value are placed, and with which scale.",
    )  # fmt: skip


def _sample(audit: Audit) -> Iterator[AuditFinding]:
    sample, claim = audit.sample, audit.claim
    if sample.plan and sample.sections < sample.plan.n:
        plan = sample.plan
        yield AuditFinding(
            "major", "Sample", "Fewer sections than the plan asks for",
            f"Lot of {claim.lot_size}, level {claim.level}, AQL {claim.aql:g} %: code letter {plan.letter}, "
            f"{plan.n} sections, "
            f"accept on {plan.accept}, reject on {plan.reject}. {sample.sections} sections are shown.",
            (), "Certain, by the plan of ISO 2859-1 for normal inspection.", "The other sections, or another claim.",
        )  # fmt: skip
    if sample.plan and sample.failures > sample.plan.accept:
        yield AuditFinding(
            "major", "Sample", "More rejects than the plan allows",
            f"{sample.failures} of the sections rejected as measured; the plan accepts the lot with up to "
            f"{sample.plan.accept}.",
            (), "By our verdicts, whose intervals lie wholly beyond the limits.", "What was done with the lot.",
        )  # fmt: skip
    shown = sample.support
    if shown and shown.claimed is not None and shown.reliability < shown.claimed:
        left = sample.sections - sample.decided
        open_yet = shown.failures == 0 and shown.needed is not None and sample.sections >= shown.needed
        yield AuditFinding(
            "minor" if open_yet else "major", "Sample",
            "The claimed reliability is not shown yet" if open_yet else "The sample does not carry the "
            "claimed reliability",
            f"{shown.n} sections decided, {shown.failures} of them rejects, show a reliability of "
            f"{shown.reliability:.1%} at "
            f"{shown.confidence:.0%} confidence; {shown.claimed:.1%} is claimed, which takes {shown.needed} sections "
            f"without a reject. {left} sections are not decided by us.",
            (), f"The claimed reliability is shown with {shown.confidence_reached:.0%} confidence.",
            "A look at the undecided sections." if open_yet else "More sections, or a claim that these carry.",
        )  # fmt: skip
    for sign in audit.signs:
        if sign.adjusted < 0.05:
            yield AuditFinding(
                "minor" if sign.adjusted < 0.01 else "observation", "Sample", sign.title,
                f"{sign.seen[0].upper()}{sign.seen[1:]}, compared with {sign.against}.", (),
                f"By chance as much or more: {_p(sign.p)}, {_p(sign.adjusted)} corrected for "
                f"{len(audit.signs)} such looks.",
                "How the sections were chosen, and what became of the others.",
            )  # fmt: skip


def _evidence(audit: Audit) -> Iterator[AuditFinding]:
    sections = [
        (record, looked.evidence) for record, looked in zip(audit.lot.sections, audit.looked, strict=True)
    ]
    absent = [(record, told) for record, _ in sections if (told := _why_absent(record))]
    yield from _many(
        absent, len(sections), "Sections that could not be measured",
        "Certain: the sheet, the picture's file or its scale does not allow it.",
        "The pictures and the sheet, complete.",
    )  # fmt: skip
    left_out = {id(record) for record, _ in absent}
    stated = [(record, one) for record, one in sections if record.row.stated and id(record) not in left_out]
    yield from _many(
        [(record, one.reasons[0]) for record, one in stated if one.bears == "no"], len(stated),
        "Pictures that cannot bear a stated value",
        "Nobody can read a notch in these pictures; the stated values must rest on something else.",
        "What the stated values were read from; new pictures of the same mounts.",
    )  # fmt: skip
    badly = [(record, one) for record, one in stated if one.bears == "badly"]
    if badly:
        yield AuditFinding(
            "observation", "Evidence", "Pictures that bear a stated value badly",
            "; ".join(f"{record.row.section}: {one.reasons[0]}" for record, one in badly[:MOST_TOLD]) + ".",
            tuple(record.row.section for record, _ in badly),
            "A value can be read, but not as surely as it is stated.", "Better pictures of the same mounts.",
        )  # fmt: skip


def _why_absent(record: SectionRecord) -> str:
    """Return why a section could not even be looked at, "" where it was: its row, its file or its scale."""
    read = (*CANNOT, *BADLY)
    told = [one.sentence for one in record.findings if one.effect == "not_measured" and one.code not in read]
    return told[0].rstrip(".") if told else ""


def _many(
    told: Sequence[tuple[SectionRecord, str]], of: int, title: str, how_sure: str, ask: str
) -> Iterator[AuditFinding]:
    """Yield the finding of sections with a reason each: major where they are more than a quarter, or all there are."""
    if told:
        yield AuditFinding(
            "major" if len(told) > max(2, of / 4) or len(told) == of else "minor", "Evidence", title,
            "; ".join(f"{record.row.section}: {why}" for record, why in told[:MOST_TOLD]) + ".",
            tuple(record.row.section for record, _ in told), how_sure, ask,
        )  # fmt: skip


def _listed(
    names: Sequence[str], grade: Grade, topic: str, title: str, what: str, how_sure: str, ask: str
) -> Iterator[AuditFinding]:
    if names:
        yield AuditFinding(grade, topic, title, what, tuple(names), how_sure, ask)


def _difference(value: float, unit: Unit) -> str:
    return f"{value:.1f} µm" if unit == "um" else show(value, unit)


def _named(names: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _p(p: float) -> str:
    return f"p = {p:.2g}" if p >= 1e-4 else "p < 0.0001"


def gravest(findings: Iterable[AuditFinding]) -> dict[str, Grade]:
    """Return the gravest grade of the findings that name a section, of each section that any names."""
    grades: dict[str, Grade] = {}
    for one in sorted(findings, key=lambda one: GRADES.index(one.grade)):
        for section in one.where:
            grades.setdefault(section, one.grade)
    return grades
