"""The pages keep up with the code: commands, options, columns, keys, files, dependencies, links."""

import re
import tomllib
from pathlib import Path

import click
import pytest

from xsect.capture.calibration import CalibrationRecord
from xsect.capture.lot_sheet import COLUMNS
from xsect.cli import main
from xsect.judge.criteria import REFERENCES, load_criteria
from xsect.judge.schema import ClauseSchema, FileSchema, LimitSchema
from xsect.report.tables import MEASUREMENT_COLUMNS, VERDICT_COLUMNS, WELD_COLUMNS

ROOT = Path(__file__).parents[1]
COMMANDS = list(main.commands.items())
PAGES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "CHANGELOG.md",
    *sorted((ROOT / "docs").glob("*.md")),
]


def page(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def sections(text: str) -> dict[str, str]:
    """A page's second-level sections by heading."""
    parts = re.split(r"^## ", text, flags=re.MULTILINE)[1:]
    return {part.split("\n", 1)[0]: part.split("\n", 1)[1] for part in parts}


def options(command: click.Command) -> list[str]:
    return [name for one in command.params if isinstance(one, click.Option) for name in one.opts]


@pytest.mark.parametrize(("name", "command"), COMMANDS)
def test_every_command_and_option_is_documented(name: str, command: click.Command) -> None:
    described = [
        text for head, text in sections(page("docs/commands.md")).items() if f"`xsect {name}" in head
    ]
    assert len(described) == 1, f"docs/commands.md: needs one section with `xsect {name} …` in its heading"
    rows = re.findall(r"^\| `(--[a-z-]+)", described[0], flags=re.MULTILINE)
    assert sorted(rows) == sorted(options(command))


@pytest.mark.parametrize(("name", "command"), COMMANDS)
def test_every_option_explains_itself(name: str, command: click.Command) -> None:
    assert command.help, f"xsect {name}: says nothing of itself"
    assert [one.name for one in command.params if isinstance(one, click.Option) and not one.help] == []


@pytest.mark.parametrize("name", ["README.md", "docs/lot_sheet.md"])
def test_every_column_of_the_lot_sheet_is_described(name: str) -> None:
    rows = re.findall(r"^\| (`[^|]*`) \|", page(name), flags=re.MULTILINE)
    named = {word for row in rows for word in re.findall(r"`([^`]+)`", row)}
    assert {*COLUMNS, "stated_<quantity>"} <= named


@pytest.mark.parametrize(
    ("name", "keys"),
    [
        ("docs/criteria.md", [*FileSchema.model_fields, *ClauseSchema.model_fields, *REFERENCES]),
        ("docs/criteria.md", LimitSchema.model_fields),
        ("docs/scale.md", CalibrationRecord.model_fields),
        ("docs/outputs.md", [*MEASUREMENT_COLUMNS, *VERDICT_COLUMNS, *WELD_COLUMNS]),
    ],
    ids=["criteria", "limits", "calibration", "tables"],
)
def test_every_key_is_described(name: str, keys: list[str]) -> None:
    text = page(name)
    assert [key for key in keys if not re.search(rf"[`\[{{ ]{key}[`\]= ]", text)] == []


def test_the_criteria_shown_are_valid(tmp_path: Path) -> None:
    for name in ("README.md", "docs/criteria.md"):
        (shown,) = re.findall(r"```toml\n(.*?)```", page(name), flags=re.DOTALL)
        path = tmp_path / "shown.toml"
        path.write_text(shown, encoding="utf-8")
        assert load_criteria(path).clauses


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_links_and_files_exist(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    links = [link for link in re.findall(r"\]\(([^)#]+)", text) if "://" not in link]
    assert [link for link in links if not (path.parent / link).exists()] == []
    files = re.findall(r"`((?:xsect|tests|docs|sample_images|\.ci)/[\w./-]+)`", text)
    assert [name for name in files if not (ROOT / name).exists()] == []


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads(page("pyproject.toml"))["project"]
    groups = [project["dependencies"], *project["optional-dependencies"].values()]
    needed = {re.match(r"[\w-]+", one).group() for group in groups for one in group} - {"xsect"}  # type: ignore[union-attr]
    rows = re.findall(
        r"^\| ([\w, -]+) \|", sections(page("DEVELOPERS.md"))["Why each dependency"], re.MULTILINE
    )
    assert needed == {name for row in rows for name in row.split(", ")} - {"package", "---"}


def test_the_version_stands_in_the_changes() -> None:
    version = tomllib.loads(page("pyproject.toml"))["project"]["version"]
    assert page("CHANGELOG.md").split("\n## ")[1].startswith(version)
