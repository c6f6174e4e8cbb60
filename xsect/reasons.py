"""Why a section is put aside or a quantity not measured: one registry for code, screens, reports and docs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

Effect = Literal["not_measured", "needs_review", "note"]


@dataclass(frozen=True)
class Reason:
    """One entry: what happened (a sentence with fields), what it does to the section, what can be done."""

    code: str
    effect: Effect
    title: str
    sentence: str
    what_to_do: str


def _registry(*entries: Reason) -> dict[str, Reason]:
    return {entry.code: entry for entry in entries}


REASONS: dict[str, Reason] = _registry(
    # The row and the file
    Reason("row_invalid", "not_measured", "Row not usable", "{detail}", "Correct the row in the lot sheet."),
    Reason("image_missing", "not_measured", "Image missing", "{image}: no such file",
           "Correct the path; it is relative to the lot sheet."),
    Reason("image_unreadable", "not_measured", "Image unreadable", "{image}: {detail}",
           "Export the picture again as PNG, JPEG, BMP or TIFF."),
    Reason("image_too_large", "not_measured", "Image too large", "{image}: {detail}",
           "Export the zone around the weld, or raise the limit if the file is to be trusted."),
    Reason("image_too_small", "not_measured", "Image too small", "{image}: {detail}",
           "Take the picture with at least 200 pixels across each part."),
    Reason("unexpected", "not_measured", "Analysis failed", "the analysis failed: {detail}",
           "Report the picture; the other sections are not affected."),
    # The scale
    Reason("no_scale", "not_measured", "No scale",
           "no scale: the lot sheet names no calibration record and no um_per_px, and the image holds none "
           "({detail})",
           "Name a calibration record, or give um_per_px with the micrometer that proves it."),
    Reason("scale_conflict", "not_measured", "Scales disagree", "{detail}",
           "Find out which scale is right before anything is measured."),
    Reason("calibration_missing", "not_measured", "Calibration record missing", "{detail}",
           "Put the record into the calibration folder, or correct its name."),
    Reason("calibration_invalid", "not_measured", "Calibration record not usable", "{detail}",
           "Correct or renew the record."),
    Reason("calibration_expired", "needs_review", "Calibration expired", "{detail}",
           "Calibrate the objective again, then measure again."),
    Reason("calibration_mismatch", "needs_review", "Calibration does not fit the picture", "{detail}",
           "Use the record of the objective, camera, binning and image size the picture was taken with."),
    Reason("graduation_not_found", "not_measured", "No graduation found",
           "no graduation was found in the picture: {detail}",
           "Take the picture with at least six lines of the stage micrometer in sharp focus, along its rows."),
    Reason("bar_not_found", "not_measured", "No scale bar found", "no scale bar was found: {detail}",
           "Give um_per_px or name a calibration record instead of the bar's length."),
    Reason("scale_unproven", "note", "Scale stated, not proven",
           "the scale {um_per_px} µm/px comes from {source}, with no calibration record behind it",
           "Calibrate with a stage micrometer and name the record in the lot sheet."),
    Reason("thickness_disagrees", "needs_review", "Part thickness disagrees with the lot sheet",
           "{part} part reads {value} where the lot sheet says {stated}",
           "Check scale, cut plane and lot sheet: a wrong scale shows here first."),
    # The picture
    Reason("saturated", "needs_review", "Overexposed", "{share} of the metal is saturated",
           "Take the picture again with less light."),
    Reason("out_of_focus", "needs_review", "Out of focus", "the edges are blurred over {blur} px",
           "Focus and take the picture again."),
    Reason("soft", "needs_review", "Soft edges",
           "the edges are blurred over {blur} px: a slim gap beside the bond may have closed under it",
           "Focus and take the picture again, or take it at higher magnification."),
    Reason("low_contrast", "needs_review", "Low contrast",
           "metal and mount differ by only {contrast} times the texture and noise of the metal",
           "Polish again, or change the illumination."),
    Reason("no_section_found", "not_measured", "No section found", "no weld section was found: {detail}",
           "Check that the picture shows both parts and the mount between them."),
    # The faying line
    Reason("faying_line_not_found", "not_measured", "Faying line not found",
           "no faying line was found: {detail}",
           "Take the picture so that it shows an open gap beside the bond."),
    Reason("line_uncertain", "needs_review", "Faying line uncertain",
           "the line departs from a smooth curve by {wander} of its length: it may have left the joint",
           "Look at the marked-up picture; the line should run between the two parts."),
    Reason("gap_not_seen", "needs_review", "Gap seen on one side only",
           "no open gap {side} of the bond: the bond may go on outside the picture",
           "Take the picture so that the gap is seen on both sides of the bond."),
    Reason("no_notch_seen", "not_measured", "No notch in view",
           "no open gap was seen on either side: the bond, if it is one, ends outside the picture",
           "Take the picture so that the gap is seen on both sides of the bond."),
    Reason("notch_uncertain", "needs_review", "Notch uncertain",
           "the {side} notch moves by {spread} under small changes of the analysis",
           "Look at the strip; place the notch by eye if it is wrong."),
    Reason("filled_between", "needs_review", "Parted by plating alone",
           "{where}: the gap between two contacts, or plating left inside one",
           "Look at the strip; the design says how many contacts there are."),
    Reason("bond_uncertain", "not_measured", "Bond not told from none",
           "what may be a bond of {width} has notches that are uncertain by {spread}: it may as well be none",
           "Take a picture of the joint at higher magnification."),
    Reason("gap_below_resolution", "needs_review", "Gap thinner than the blur",
           "a dark line of {thickness} runs through the bond: it may be an unresolved gap",
           "Take a picture of the bond at higher magnification."),
    Reason("bond_not_separable", "needs_review", "Plating not separable",
           "plating and base metal cannot be told apart in this picture: {detail}",
           "Use a colour picture, another etchant, or a backscatter picture."),
    # The nugget
    Reason("nugget_uncertain", "needs_review", "Nugget uncertain",
           "a zone of {width} in the bond may be a nugget: {detail}",
           "Look at its outline in the marked-up picture; etch again if it does not show."),
    Reason("nugget_possible", "note", "Zone that might be a nugget",
           "a zone of {width} in the bond looks a little different: {detail}",
           "Look at its outline in the marked-up picture if fusion matters."),
    # Single quantities
    Reason("no_bond", "note", "No bond", "no joined station: the parts face each other over the whole line",
           "Nothing to do: this is a result."),
    Reason("not_given", "note", "Input not given", "the lot sheet gives no {column}",
           "Add the column to the lot sheet."),
    Reason("not_in_view", "note", "Not in view", "{detail}", "Take the picture with a wider field."),
    Reason("not_plated", "note", "Not plated", "the lot sheet gives no plating",
           "Nothing to do if the parts are bare; else add the column plating."),
    Reason("layer_not_found", "not_measured", "Layer not found", "no layer was found: {detail}",
           "Say where it lies (--at X,Y), or take a picture in which it and both its neighbours fill a share."),
    # What persons did
    Reason("corrected", "note", "Corrected by a person",
           "{what} was set to {value} by {who} on {on}: {why}; measured: {measured}",
           "Nothing to do; values that were computed from the measured one stay as they are."),
    Reason("decided", "note", "Decided by a person",
           "{who} decided {decision} on {on}: {why}; by the clauses: {clauses}",
           "Nothing to do; the verdicts of the clauses stand as they are."),
    Reason("correction_left_behind", "note", "Earlier correction not used",
           "the correction by {who} on {on} was made on another picture of this section and does not hold here",
           "Correct again if this picture needs it too."),
)  # fmt: skip


@dataclass(frozen=True)
class Finding:
    """A reason with the facts of one case filled in."""

    code: str
    facts: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse a code the registry does not hold, and facts that do not fill its sentence."""
        if self.code not in REASONS:
            raise ValueError(f"code = {self.code!r}: not in the registry of reasons")
        try:
            _ = self.sentence
        except KeyError as error:
            raise ValueError(f"facts of {self.code}: {error} is missing") from None

    @property
    def reason(self) -> Reason:
        """The registry's entry."""
        return REASONS[self.code]

    @property
    def effect(self) -> Effect:
        """What the finding does to its section."""
        return self.reason.effect

    @property
    def sentence(self) -> str:
        """The plain sentence for reports and files."""
        return self.reason.sentence.format_map(self.facts)


def status_of(findings: Iterable[Finding]) -> Literal["measured", "needs_review", "not_measured"]:
    """Return what findings make of their section: the gravest effect; notes leave it measured."""
    effects = {finding.effect for finding in findings}
    if "not_measured" in effects:
        return "not_measured"
    return "needs_review" if "needs_review" in effects else "measured"


class Refusal(Exception):
    """Raised by a stage that cannot go on with a section; carries the finding that says why."""

    def __init__(self, code: str, **facts: str) -> None:
        """Build the finding from a code of the registry and its facts."""
        self.finding = Finding(code, facts)
        super().__init__(self.finding.sentence)
