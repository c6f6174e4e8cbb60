"""The README's two commands: where .ci/run finds them, and that what they name exists."""

import re
import shlex
import tomllib
from pathlib import Path

import pytest

from xsect.cli import main

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def command(marker: str) -> str:
    """The one line of the fenced block below a marker."""
    (block,) = re.findall(rf"^<!-- {marker} -->\n```sh\n(.*?)\n```$", README, flags=re.DOTALL | re.MULTILINE)
    assert "\n" not in block
    return str(block)


def steps(marker: str) -> list[list[str]]:
    return [shlex.split(part) for part in command(marker).split("&&")]


def test_the_first_command_measures_the_sample_lot() -> None:
    install, measure = steps("first command")
    assert install == ["pip", "install", "."]
    assert measure[:2] == ["xsect", "measure"]
    context = main.commands["measure"].make_context("measure", measure[2:], resilient_parsing=False)
    assert (ROOT / context.params["sheet"]).is_file()
    assert (ROOT / context.params["criteria"]).is_file()
    assert context.params["out"].parts[0] == "reports"


def test_the_second_command_runs_the_tests() -> None:
    install, test = steps("second command")
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert install == ["pip", "install", ".[test]"]
    assert "test" in extras["optional-dependencies"]
    assert test[:3] == ["python", "-m", "pytest"]


@pytest.mark.parametrize("marker", ["first command", "second command"])
def test_the_checks_take_the_commands_from_here(marker: str) -> None:
    assert f'readme_command "{marker}"' in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_the_first_paragraph_says_what_it_is_for() -> None:
    paragraph = README.split("\n\n")[1]
    assert paragraph.startswith("xsect measures cross-sections of resistance and projection welds")
