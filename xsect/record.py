"""Record: everything kept of one measured section, and of one run over a lot sheet."""

from __future__ import annotations

from dataclasses import dataclass

from xsect.capture.lot_sheet import LotSheet, SheetRow
from xsect.capture.scale import Scale
from xsect.judge.criteria import Criteria
from xsect.judge.decision import Verdict
from xsect.locate.view import SectionView
from xsect.quantities import Measurement, Status
from xsect.reasons import Finding, status_of


@dataclass(frozen=True)
class SectionRecord:
    """One section: its row, picture, scale, findings, measurements, verdicts, and what to draw.

    ``image_sha256`` is "" and ``image_shape`` (0, 0) where the picture could not be read; ``scale`` and ``view``
    are None where there is none. ``figures`` are file names in the output folder: marked-up image, then strip.
    ``decision`` is the verdict that a person gave the section instead of the clauses', "" where none did.
    """

    row: SheetRow
    image_sha256: str
    image_shape: tuple[int, int]
    scale: Scale | None
    findings: tuple[Finding, ...]
    measurements: tuple[Measurement, ...]
    verdicts: tuple[Verdict, ...]
    view: SectionView | None
    figures: tuple[str, ...] = ()
    decision: str = ""

    @property
    def status(self) -> Status:
        """The gravest effect among the findings."""
        return status_of(self.findings)

    def find(self, quantity: str, segment: int | None = None) -> Measurement | None:
        """Return the measurement of a quantity (whole section by default), or None."""
        for measurement in self.measurements:
            if measurement.quantity == quantity and measurement.segment == segment:
                return measurement
        return None


@dataclass(frozen=True)
class LotRecord:
    """One run of the main job: the sheet, the criteria it was judged by, and its sections in sheet order."""

    sheet: LotSheet
    criteria: Criteria | None
    sections: tuple[SectionRecord, ...]
    settings: dict[str, str | float | int | bool]
