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
class SerialCut:
    """One of the serial sections of a weld; lengths in µm.

    ``width`` is what the cut plane shows, ``residual`` how far its ends lie outside (+) or inside (−) the
    fitted circle, NaN where none was fitted.
    """

    section: str
    face_offset: float
    width: float
    u: float
    residual: float


@dataclass(frozen=True)
class WeldDiameter:
    """One weld cut in series: its diameter from all cuts together (weld_diameter), and where its centre lies.

    ``centre`` and ``u_centre`` in µm from the common face, NaN where the diameter was not measured. ``left_out``
    are sections that gave no width, each with the reason.
    """

    lot: str
    weld: str
    diameter: Measurement
    cuts: tuple[SerialCut, ...]
    left_out: tuple[str, ...]
    centre: float
    u_centre: float


@dataclass(frozen=True)
class LotRecord:
    """One run of the main job: the sheet, the criteria it was judged by, and its sections in sheet order.

    ``welds`` are those that the sheet gives serial sections of.
    """

    sheet: LotSheet
    criteria: Criteria | None
    sections: tuple[SectionRecord, ...]
    settings: dict[str, str | float | int | bool]
    welds: tuple[WeldDiameter, ...] = ()
