"""The main job: a lot sheet's row in, measurements out."""

from __future__ import annotations

from dataclasses import dataclass

from xsect.capture.lot_sheet import SheetRow
from xsect.capture.micrograph import Micrograph
from xsect.locate.section import locate
from xsect.locate.view import SectionView
from xsect.measure.section import measure
from xsect.measure.view import make_view
from xsect.quantities import Measurement, Status
from xsect.reasons import Finding, Refusal


@dataclass(frozen=True)
class SectionResult:
    """What was measured in one picture."""

    measurements: tuple[Measurement, ...]
    findings: tuple[Finding, ...]
    view: SectionView | None

    @property
    def status(self) -> Status:
        effects = {finding.effect for finding in self.findings}
        if "not_measured" in effects:
            return "not_measured"
        return "needs_review" if "needs_review" in effects else "measured"


def measure_micrograph(micrograph: Micrograph, row: SheetRow) -> SectionResult:
    """Locate and measure one section."""
    try:
        located = locate(micrograph, plated=row.plated)
    except Refusal as refusal:
        return SectionResult((), (refusal.finding,), None)
    measurements, findings = measure(located, micrograph.scale, row)
    return SectionResult(measurements, findings, make_view(located, micrograph.scale))
