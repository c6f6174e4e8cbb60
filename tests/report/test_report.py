"""Reports: HTML, PDF and terminal say the same, safely, readably and in the same bytes each time."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from rich.console import Console

from xsect.quantities import QUANTITIES
from xsect.record import LotRecord
from xsect.report.lot_plot import lot_plot, verdict_on_width
from xsect.report.model import build_report
from xsect.report.section_page import GROUPS, section_page
from xsect.report.summary import counts, summary
from xsect.report.typeface import covered
from xsect.report.write import check_writable, write_outputs

FILES = ("measurements.csv", "verdicts.csv", "tables.xlsx", "report.html", "report.pdf", "run.json")
VOID = {"meta", "img", "br", "link", "path", "use", "rect"}


class Page(HTMLParser):
    """Gathers what a page holds and fails on tags that do not match."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def page(out: Path) -> Page:
    return Page((out / "report.html").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def pdf_text(out: Path) -> list[str]:
    """The text of each page of the PDF."""
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    done = subprocess.run(
        ["pdftotext", "-layout", out / "report.pdf", "-"], capture_output=True, check=True, text=True
    )
    return done.stdout.split("\f")[:-1]


def test_all_files_are_there_and_nothing_half_written(out: Path) -> None:
    assert sorted(path.name for path in out.iterdir()) == sorted([*FILES, "figures"])
    assert not [path for path in (out / "figures").iterdir() if not path.name.endswith(".png")]


def test_same_record_same_bytes(lot: LotRecord, out: Path, tmp_path: Path) -> None:
    shutil.copytree(out / "figures", tmp_path / "figures")
    write_outputs(lot, tmp_path)
    for name in FILES:
        assert (tmp_path / name).read_bytes() == (out / name).read_bytes(), name


def test_html_pictures_have_words_and_exist(page: Page, out: Path) -> None:
    pictures = page.all("img")
    assert len(pictures) == 6 * 3  # small picture, marked-up picture and strip of each section that has them
    for picture in pictures:
        assert picture["alt"]
        source = picture["src"] or ""
        assert source.startswith("data:image/jpeg;base64,") or (out / source).is_file()
    assert any(figure.get("aria-label") for figure in page.all("figure"))


def test_html_asks_for_nothing_from_outside(page: Page) -> None:
    assert page.all("link") == page.all("script") == []
    for tag, attributes in page.tags:
        for name in ("src", "href", "xlink:href", "action", "srcset"):
            value = attributes.get(name) or ""
            assert re.match(r"(#|figures/|data:image/jpeg|$)", value), (tag, name, value)


def test_html_tables_have_headers_and_ids_are_unique(page: Page) -> None:
    assert len(page.all("table")) == len(page.all("thead"))
    assert all(cell.get("scope") in ("col", "row", "colgroup") for cell in page.all("th"))
    ids = [attributes["id"] for _, attributes in page.tags if attributes.get("id")]
    assert len(ids) == len(set(ids))
    anchors = {(link["href"] or "")[1:] for link in page.all("a") if (link["href"] or "").startswith("#")}
    assert anchors <= set(ids)


def test_hostile_names_are_shown_and_do_nothing(page: Page, out: Path) -> None:
    raw = (out / "report.html").read_text(encoding="utf-8")
    assert "<script" not in raw
    shown = "".join(page.text)
    for name in (
        "<script>alert(1)</script>",
        "=cmd|'/c calc'!A1",
        "../../etc/passwd",
        "*batch* #x",
        "$1 + 2$ @ref",
    ):
        assert name in shown


def test_html_says_what_the_record_says(page: Page) -> None:
    words = " ".join("".join(page.text).split())
    for phrase in (
        "Lot L-0417", "0.550 ± 0.014 mm", "needs a look", "out of focus",
        "EXAMPLE: solid-state projection weld",
        "safety data sheet", "governing code", "Measured by", "Reviewed by", "at least 0.52 mm",
        "0.4 × projection diameter", "edge fit 4.10 µm", "No nugget: the bond is solid-state.",
        "Nugget width, Nugget height:", "Stated bond width", "0.56 mm", "5 µm/px ± 0.29 %",
    ):  # fmt: skip
        assert phrase.lower() in words.lower(), phrase
    assert words.count("safety data sheet") == 1


def test_pdf_has_numbered_pages_for_every_section(pdf_text: list[str], lot: LotRecord) -> None:
    total = len(pdf_text)
    # Overview, at least a page a section, appendix.
    assert 2 + len(lot.sections) <= total <= 4 + 2 * len(lot.sections)
    for number, text in enumerate(pdf_text, 1):
        assert f"Page {number} of {total}" in text


def test_pdf_says_what_the_record_says(pdf_text: list[str]) -> None:
    words = " ".join(" ".join(pdf_text).replace("\u00a0", " ").split())
    for phrase in (
        "Lot L-0417",
        "0.550 ± 0.014 mm",
        "Measured by",
        "Reviewed by",
        "governing code",
        "<script>",
        "=cmd",
    ):
        assert phrase in words, phrase
    assert "$1 + 2$ @ref" in words  # taken as text, not as markup


def test_pdf_carries_its_typeface_and_no_date(out: Path) -> None:
    if shutil.which("pdffonts") is None:
        pytest.skip("pdffonts is not installed")
    fonts = subprocess.run(
        ["pdffonts", out / "report.pdf"], capture_output=True, check=True, text=True
    ).stdout
    names = {line.split()[0].split("+")[-1] for line in fonts.splitlines()[2:]}
    assert names == {"LiberationSans", "LiberationSans-Bold"}
    info = subprocess.run(["pdfinfo", out / "report.pdf"], capture_output=True, check=True, text=True).stdout
    assert "CreationDate" not in info


def test_the_typeface_covers_what_reports_are_made_of(lot: LotRecord, out: Path) -> None:
    assert covered(json.dumps(build_report(lot, out).as_json(), ensure_ascii=False))
    assert not covered("焊接")


def test_names_that_the_typeface_lacks_do_not_stop_the_report(lot: LotRecord, tmp_path: Path) -> None:
    record = lot.sections[-1]
    named = replace(record, row=replace(record.row, section="焊接 3", lot="Ж-1"))
    write_outputs(replace(lot, sections=(named,)), tmp_path)
    assert "焊接 3" in (tmp_path / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("sections", [0, 1])
def test_small_lots_without_criteria(lot: LotRecord, out: Path, tmp_path: Path, sections: int) -> None:
    shutil.copytree(out / "figures", tmp_path / "figures")
    bare = tuple(replace(record, verdicts=()) for record in lot.sections[:sections])
    write_outputs(replace(lot, criteria=None, sections=bare), tmp_path)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "none: nothing was judged" in text
    assert ("not judged" in text) == bool(sections)


def test_the_plot_shows_limits_and_verdicts_by_shape(lot: LotRecord) -> None:
    assert [verdict_on_width(record) for record in lot.sections] == [
        "accept", "reject", "undecided", "accept", "reject", "undecided", "",
    ]  # fmt: skip
    svg = lot_plot(lot)
    assert svg.startswith("<svg")
    assert "<dc:date>" not in svg
    # Circle green, square vermillion, diamond orange, cross grey.
    for colour in ("#009e73", "#d55e00", "#e69f00", "#6b6b6b"):
        assert colour in svg
    assert svg == lot_plot(lot)


def test_summary_lists_every_section(lot: LotRecord) -> None:
    console = Console(width=150, record=True, file=open(os.devnull, "w"), force_terminal=False)  # noqa: SIM115
    console.print(summary(lot))
    console.file.close()
    text = console.export_text()
    for words in ("S01", "<script>alert(1)</script>", "0.550 ± 0.014 mm", "Image missing", counts(lot)):
        assert words in text
    assert counts(lot) == "7 sections: 2 accept, 2 reject, 2 undecided, 1 not measured, 1 needs a look"


def test_a_folder_that_cannot_be_written_gives_one_line(lot: LotRecord, out: Path, tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    for action in (
        lambda: check_writable(blocked),
        lambda: write_outputs(replace(lot, sections=()), blocked),
    ):
        with pytest.raises(OSError, match=r"^.*file: the report cannot be written: .+$") as caught:
            action()
        assert "\n" not in str(caught.value)


def test_nothing_is_replaced_when_a_figure_is_missing(lot: LotRecord, tmp_path: Path) -> None:
    (tmp_path / "measurements.csv").write_text("kept")
    with pytest.raises(OSError, match="cannot be written"):
        write_outputs(lot, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["measurements.csv"]
    assert (tmp_path / "measurements.csv").read_text() == "kept"


def test_every_quantity_of_the_registry_stands_under_one_heading() -> None:
    under = [name for names in GROUPS.values() for name in names]
    assert sorted(under) == sorted(QUANTITIES)


def test_bond_segments_are_compared_side_by_side(lot: LotRecord, out: Path, page: Page) -> None:
    """The second section has two; their quantities stand in one table and not in the section's own rows again."""
    one, two = (section_page(record, lot.criteria, out) for record in lot.sections[:2])
    assert one.contacts == ()
    assert [line.label for line in two.contacts] == ["Bond width"]
    assert len(two.contacts[0].values) == 2
    assert [line.label for line in two.measurements].count("Bond width") == 1
    assert "Bond segments compared, from left to right" in page.text
    noted = replace(
        lot.sections[1],
        measurements=tuple(
            replace(found, note="the gap beside it is wide") if found.segment == 2 else found
            for found in lot.sections[1].measurements
        ),
    )
    assert section_page(noted, lot.criteria, out).contact_notes == ("Segment 2: the gap beside it is wide.",)
