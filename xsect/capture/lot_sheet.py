"""Lot sheet: CSV or XLSX, one row a section."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True)
class SheetRow:
    """One row of a lot sheet, checked. Lengths are µm; None and "" where the sheet gives nothing."""

    number: int
    """Row number as a spreadsheet shows it: the header is row 1."""
    section: str
    image: Path
    """Absolute, or relative to the working directory: already joined to the sheet's folder."""
    image_as_written: str
    calibration: str = ""
    um_per_px: float | None = None
    bar_um: float | None = None
    lot: str = ""
    supplier: str = ""
    made_on: str = ""
    cut_on: str = ""
    operator: str = ""
    weld: str = ""
    weld_type: str = "solid_state"
    upper_material: str = ""
    lower_material: str = ""
    upper_thickness_um: float | None = None
    lower_thickness_um: float | None = None
    projection_height_um: float | None = None
    projection_diameter_um: float | None = None
    plating: str = "none"
    plating_um: float | None = None
    view: str = "brightfield"
    etchant: str = ""
    plane_offset_um: float | None = None
    stated: dict[str, float] = field(default_factory=dict)
    """Quantity name to the supplier's value, from the columns stated_<quantity>."""
    extra: dict[str, str] = field(default_factory=dict)
    """Columns that xsect does not know, as written."""

    @property
    def plated(self) -> bool:
        """Whether the row says that the parts are plated."""
        return self.plating not in ("", "none")
