"""Criteria files: what is read, and that each mistake is named by file, clause, key, rule and value."""

import hashlib
import math
from pathlib import Path

import pytest

from xsect.capture.lot_sheet import SheetRow
from xsect.judge.criteria import REFERENCES, Clause, CriteriaError, InputMissing, Limit, load_criteria

HEAD = 'name = "n"\nweld_type = "solid_state"\nsource = "s"\n'
GOOD = '[[clause]]\nid = "width"\nquantity = "bond_width"\nat_least = { um = 800 }\n'
EXAMPLES = sorted((Path(__file__).parents[2] / "sample_images" / "criteria").glob("*.toml"))


def write(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "demo.toml"
    path.write_bytes(text.encode(encoding))
    return path


def problems(folder: Path, text: str) -> list[str]:
    with pytest.raises(CriteriaError) as caught:
        load_criteria(write(folder, text))
    return str(caught.value).split("\n")


def test_every_key_is_read(tmp_path: Path) -> None:
    clause = """[[clause]]
    id = "window"
    quantity = "continuity"
    at_least = { fraction = 0.5 }
    at_most = { fraction = 1 }
    severity = "minor"
    per_segment = true
    note = "why"
    [[clause]]
    id = "kind"
    quantity = "bond_kind"
    must_be = ["solid_state", "mixed"]
    """
    text = HEAD + 'decision_rule = "simple"\nguard = "one_sided_95"\n' + clause
    path = write(tmp_path, text)
    criteria = load_criteria(path)
    assert criteria.clauses == (
        Clause(
            "window",
            "continuity",
            Limit("fraction", 0.5),
            Limit("fraction", 1.0),
            severity="minor",
            per_segment=True,
            note="why",
        ),
        Clause("kind", "bond_kind", must_be=("solid_state", "mixed")),
    )
    assert (criteria.name, criteria.weld_type, criteria.source) == ("n", "solid_state", "s")
    assert (criteria.decision_rule, criteria.guard, criteria.path) == ("simple", "one_sided_95", path)
    assert criteria.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert criteria.clause("kind") is criteria.clauses[1]


def test_defaults_are_the_safe_ones(tmp_path: Path) -> None:
    criteria = load_criteria(write(tmp_path, HEAD + GOOD))
    assert (criteria.decision_rule, criteria.guard) == ("guarded", "interval")
    assert criteria.clauses == (Clause("width", "bond_width", Limit("um", 800.0), severity="major"),)


def test_a_byte_order_mark_and_windows_line_ends_do_not_matter(tmp_path: Path) -> None:
    path = write(tmp_path, (HEAD + GOOD).replace("\n", "\r\n"), "utf-8-sig")
    assert load_criteria(path).clauses[0].id == "width"


@pytest.mark.parametrize(
    ("clause", "expected"),
    [
        ('quantity = "bond_width"\nat_lest = { um = 3 }', ".at_lest: unknown key, did you mean at_least?"),
        ('quantity = "bond_widht"', ".quantity = 'bond_widht': unknown quantity, did you mean bond_width?"),
        ('quantity = "bond_width"', ": must hold at_least or at_most"),
        ("at_least = { um = 3 }", ".quantity: missing, must be given"),
        (
            'quantity = "bond_width"\nat_least = 800',
            ".at_least = 800: must be a table with its unit, such as",
        ),
        ('quantity = "bond_width"\nat_least = { um = "800" }', ".at_least.um = '800': must be a number"),
        ('quantity = "bond_width"\nat_least = { um = true }', ".at_least.um = true: must be a number"),
        ('quantity = "bond_width"\nat_least = { um = nan }', ".at_least.um = nan: must be a finite number"),
        ('quantity = "bond_width"\nat_least = { um = -3 }', ".at_least = { um = -3 }: must be > 0"),
        ('quantity = "bond_width"\nat_least = { um = 0 }', ".at_least = { um = 0 }: must be > 0"),
        ('quantity = "standoff"\nat_most = { um = -3 }', ".at_most = { um = -3 }: must be >= 0"),
        (
            'quantity = "bond_width"\nat_least = { mm = 3 }',
            ".at_least.mm: unknown key, must be one of um, um2",
        ),
        ('quantity = "bond_width"\nat_least = {}', ".at_least = { }: must hold exactly one of um,"),
        (
            'quantity = "bond_width"\nat_least = { um = 3, times = 2, of = "plating" }',
            '.at_least = { um = 3, times = 2, of = "plating" }: must hold exactly one of um,',
        ),
        (
            'quantity = "bond_width"\nat_least = { times = 2 }',
            ".at_least = { times = 2 }: times needs of = one of",
        ),
        (
            'quantity = "bond_width"\nat_least = { um = 2, of = "plating" }',
            '.at_least = { um = 2, of = "plating" }: of goes with times',
        ),
        (
            'quantity = "bond_width"\nat_least = { times = 2, of = "projecton_height" }',
            ".at_least.of = 'projecton_height': unknown reference, did you mean projection_height?",
        ),
        (
            'quantity = "bond_width"\nat_least = { times = -2, of = "plating" }',
            '.at_least = { times = -2, of = "plating" }: must be > 0',
        ),
        (
            'quantity = "continuity"\nat_least = { um = 5 }',
            ".at_least = { um = 5 }: does not fit the unit of continuity, must be given as fraction",
        ),
        (
            'quantity = "continuity"\nat_least = { times = 5, of = "plating" }',
            '.at_least = { times = 5, of = "plating" }: does not fit the unit of continuity',
        ),
        (
            'quantity = "expelled_plating_area"\nat_most = { um = 5 }',
            ".at_most = { um = 5 }: does not fit the unit of expelled_plating_area, must be given as um2",
        ),
        (
            'quantity = "continuity"\nat_least = { fraction = 80 }',
            ".at_least = { fraction = 80 }: a fraction must be 0 to 1, did you mean 0.8?",
        ),
        (
            'quantity = "bond_width"\nat_least = { um = 900 }\nat_most = { um = 800 }',
            ": at_least 900 µm is above at_most 800 µm",
        ),
        ('quantity = "bond_width"\nmust_be = ["fusion"]', ".must_be: bond_width is a number, give at_least"),
        ('quantity = "bond_kind"\nat_least = { um = 3 }', ".at_least: bond_kind is a word, give must_be"),
        ('quantity = "bond_kind"', ": must hold must_be, a list of words"),
        ('quantity = "bond_kind"\nmust_be = "fusion"', ".must_be = 'fusion': must be a list"),
        (
            'quantity = "bond_kind"\nmust_be = ["solid-state"]',
            ".must_be = 'solid-state': unknown word, did you mean solid_state?",
        ),
        (
            'quantity = "standoff"\nat_most = { um = 3 }\nper_segment = true',
            ".per_segment = true: standoff is measured for the whole section only",
        ),
        (
            'quantity = "standoff"\nat_most = { um = 3 }\nseverity = "majr"',
            ".severity = 'majr': must be 'major'",
        ),
    ],
)
def test_a_mistake_in_a_clause_is_named(tmp_path: Path, clause: str, expected: str) -> None:
    found = problems(tmp_path, f'{HEAD}{GOOD}[[clause]]\nid = "mine"\n{clause}\n')
    assert any(line.startswith(f"demo.toml: clause[2] (mine){expected}") for line in found), found


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (HEAD.split("\n", 1)[1] + GOOD, "demo.toml: name: missing, must be given"),
        (HEAD, "demo.toml: clause: missing, must be given"),
        (HEAD + "clause = []\n", "demo.toml: clause: must be one or more tables"),
        (HEAD + GOOD.replace("[[clause]]", "[clause]"), "demo.toml: clause: must be one or more tables"),
        (HEAD + "clauses = 3\n" + GOOD, "demo.toml: clauses: unknown key, did you mean clause?"),
        (HEAD.replace('"s"', '""') + GOOD, "demo.toml: source = '': must not be empty"),
        (HEAD.replace("solid_state", "fusoin") + GOOD, "demo.toml: weld_type = 'fusoin': must be"),
        (HEAD + 'decision_rule = "guard"\n' + GOOD, "demo.toml: decision_rule = 'guard': must be"),
        (HEAD + GOOD + GOOD, "demo.toml: clause[2].id = 'width': already used by clause[1]"),
        (HEAD + GOOD + 'severity = "minor"\n', "demo.toml: clause: at least one must be of severity major"),
        (HEAD + "x = = 3", "demo.toml: not valid TOML: Invalid value (at line 4, column 5)"),
    ],
)
def test_a_mistake_in_the_file_is_named(tmp_path: Path, text: str, expected: str) -> None:
    found = problems(tmp_path, text)
    assert len(found) == 1
    assert found[0].startswith(expected)


def test_all_mistakes_are_named_at_once(tmp_path: Path) -> None:
    bad = GOOD.replace("at_least", "at_lest") + GOOD.replace("bond_width", "bond").replace('"width"', '"w"')
    assert len(problems(tmp_path, HEAD.replace("name", "nam") + bad)) >= 4


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(CriteriaError, match=r"none\.toml: cannot be read: No such file"):
        load_criteria(tmp_path / "none.toml")
    with pytest.raises(CriteriaError, match="byte 9 is not UTF-8"):
        load_criteria(write(tmp_path, 'name = "µ"', "latin-1"))
    with pytest.raises(CriteriaError, match="nested too deeply"):
        load_criteria(write(tmp_path, "a = " + "[" * 5000))


ROW = SheetRow(
    2,
    "a",
    Path("a.png"),
    "a.png",
    upper_thickness_um=810.0,
    lower_thickness_um=640.0,
    projection_height_um=300.0,
    projection_diameter_um=1000.0,
    plating_um=4.0,
)


@pytest.mark.parametrize(
    ("limit", "value", "text"),
    [
        (Limit("um", 12.5), 12.5, "12.5 µm"),
        (Limit("um2", 5000), 5000, "5000 µm²"),
        (Limit("fraction", 0.075), 0.075, "7.5 %"),
        (Limit("times", 0.8, "projection_diameter"), 800, "800 µm (0.8 × projection diameter)"),
        (Limit("times", 0.5, "projection_height"), 150, "150 µm (0.5 × projection height)"),
        (Limit("times", 0.1, "thinner_part"), 64, "64 µm (0.1 × thinner part)"),
        (Limit("times", 0.1, "upper_thickness"), 81, "81 µm (0.1 × upper thickness)"),
        (Limit("times", 0.1, "lower_thickness"), 64, "64 µm (0.1 × lower thickness)"),
        (Limit("times", 2, "plating"), 8, "8 µm (2 × plating)"),
        (Limit("times_sqrt_mm", 4, "thinner_part"), 3200, "3200 µm (4 × √(thinner part in mm) mm)"),
    ],
)
def test_a_limit_takes_its_value_from_the_row(limit: Limit, value: float, text: str) -> None:
    assert math.isclose(limit.value(ROW), value, rel_tol=1e-12)
    assert limit.text(ROW) == text


@pytest.mark.parametrize("of", REFERENCES)
def test_a_limit_without_its_input_is_refused(of: str) -> None:
    bare = SheetRow(2, "a", Path("a.png"), "a.png")
    with pytest.raises(InputMissing, match=f"no {REFERENCES[of][0]}, which the limit 2 × "):
        Limit("times", 2, of).value(bare)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_bundled_criteria_load_and_say_that_they_are_examples(path: Path) -> None:
    criteria = load_criteria(path)
    assert criteria.name.startswith("EXAMPLE")
    assert "Example values" in criteria.source
    assert "DECIDES NOTHING" in path.read_text(encoding="utf-8").split("\n")[0]


def test_both_weld_types_have_an_example() -> None:
    assert {load_criteria(path).weld_type for path in EXAMPLES} == {"solid_state", "fusion"}
