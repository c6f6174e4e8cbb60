"""Who may import whom, as DEVELOPERS.md draws it; and a command line that starts without heavy libraries."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "xsect"
GROUND = {"quantities", "reasons"}
LAYERS: dict[str, set[str]] = {
    "capture": GROUND,
    "locate": GROUND | {"capture"},
    "uncertainty": GROUND,
    "measure": GROUND | {"uncertainty", "capture", "locate"},
    "judge": GROUND | {"capture.lot_sheet"},
    "record": GROUND | {"capture", "locate.view", "judge"},
    "welds": GROUND | {"measure", "record"},
    "lots": GROUND | {"capture", "judge", "record"},
    "audit": GROUND | {"capture", "judge", "lots", "record"},
    "explain": GROUND | {"judge"},
    "report": GROUND | {"audit", "capture", "locate.view", "judge", "lots", "record", "welds"},
    "synth": set(),
    "pipeline": GROUND | {"capture", "locate", "measure", "judge", "record", "report"},
    "self_study": GROUND | {"capture", "lots", "pipeline"},
    "verify": GROUND | {"judge", "pipeline", "report"},
    "commands": GROUND
    | {"audit", "capture", "judge", "lots", "measure.layer_image", "record", "report", "pipeline", "explain"}
    | {"synth", "welds"}
    | {"self_study", "verify"},
    "cli": {"commands"},
    "__main__": {"cli"},
    "quantities": set(),
    "reasons": set(),
}
"""What each module or folder of xsect may import of the others; ``a.b`` stands for that module alone."""

HEAVY = {
    "numpy",
    "scipy",
    "cv2",
    "skimage",
    "pandas",
    "matplotlib",
    "typst",
    "PIL",
    "pydantic",
    "rich",
    "sqlalchemy",
}


def imports(path: Path) -> Iterator[str]:
    """All modules that a file imports, inside functions and for type checks too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: a relative import"
            # ``from xsect import explain`` names a module, other forms name what is in one.
            yield from (
                (f"xsect.{name.name}" for name in node.names)
                if node.module == "xsect"
                else [str(node.module)]
            )


def layer(path: Path) -> str:
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


FILES = sorted(path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py")


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_imports_go_down_only(path: Path) -> None:
    here, allowed = layer(path), LAYERS[layer(path)]
    others = {name.removeprefix("xsect.") for name in imports(path) if name.startswith("xsect.")}
    wrong = {
        name
        for name in others
        if name.split(".")[0] != here
        and name != "__version__"
        and not any(name == one or name.startswith(f"{one}.") for one in allowed)
    }
    assert not wrong, f"{path.relative_to(ROOT)} may not import {', '.join(sorted(wrong))}"


def test_the_judge_knows_nothing_of_images() -> None:
    seen = {name.split(".")[0] for path in FILES if layer(path) == "judge" for name in imports(path)}
    assert not seen & {"cv2", "numpy", "scipy", "skimage", "PIL"}


def test_the_developers_page_shows_every_module_and_folder() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    missing = [name for name in LAYERS if f"`{name}" not in page]
    assert not missing


@pytest.mark.parametrize("arguments", [["--help"], ["measure", "--help"], ["--version"]], ids=" ".join)
def test_help_loads_no_heavy_library(arguments: list[str]) -> None:
    code = (
        "import sys\nfrom xsect.cli import main\n"
        f"main({arguments!r}, standalone_mode=False)\n"
        f"print('loaded', sorted({HEAVY!r} & sys.modules.keys()))"
    )
    made = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert made.stdout.splitlines()[-1] == "loaded []"
