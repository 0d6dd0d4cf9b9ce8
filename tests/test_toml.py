"""TOML files: every place has its line, and every fault is told in plain words.

The reference for what a file says is tomllib of the standard library, for lines the text itself.
"""

import math
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field, field_validator

from geometry.errors import Faults
from geometry.exchange.toml import TomlFile, read_toml, validate


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class Arc(Strict):
    kind: Literal["arc"]
    radius_m: float


class Clothoid(Strict):
    kind: Literal["clothoid"]
    length_m: float = Field(gt=0, description="the length along the track")


class SlabType(Strict):
    name: str
    length_m: float = Field(gt=0, le=10)
    side: Literal["left", "right"] = "left"
    seat_m: tuple[float, float] | None = None


class Project(Strict):
    name: str = Field(min_length=1)
    points: Path
    count: int = 1
    slab_type: list[SlabType] = []
    element: list[Annotated[Arc | Clothoid, Field(discriminator="kind")]] = []
    spans: dict[str, SlabType] = {}

    @field_validator("count")
    @classmethod
    def even(cls, value: int) -> int:
        if value % 2:
            raise ValueError("an even count")
        return value


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "project.toml"


def checked(path: Path, text: str) -> tuple[Project | None, list[str]]:
    path.write_text(text, encoding="utf-8")
    faults = Faults()
    toml = read_toml(path, faults)
    faults.stop_if_any()
    project = validate(toml, Project, faults)
    return project, [str(fault) for fault in faults.errors]


def test_good_file_becomes_a_model(path: Path) -> None:
    project, errors = checked(
        path,
        'name = "demo"\npoints = "points.csv"\ncount = 2\n[[slab_type]]\nname = "a"\nlength_m = 5\nseat_m = [0.5, 1]\n'
        '[[element]]\nkind = "arc"\nradius_m = -300.0\n',
    )
    assert not errors
    assert project is not None
    assert project.points == Path("points.csv")
    assert project.slab_type[0].seat_m == (0.5, 1.0)
    assert isinstance(project.element[0], Arc)


FAULTS = [
    ("", "1: points: expected a value, found none"),
    ("points = 5", "2: points: expected a text in quotes, found 5"),
    ('points = "a"\ncount = 1.5', "3: count: expected a whole number, found 1.5"),
    ('points = "a"\ncount = true', "3: count: expected a whole number, found true"),
    ('points = "a"\ncount = 3', "3: count: expected an even count, found 3"),
    ('points = "a"\ncount = "2"', "3: count: expected a whole number, found '2' (without the quotes)"),
    (
        'points = "a"\ncuont = 2',
        "3: cuont: expected one of the keys name, points, count, slab_type, element, spans,"
        " found the unknown key cuont (did you mean count?)",
    ),
    ('points = "a"\nslab_type = 1', "3: slab_type: expected an array [...], found 1"),
    ('points = "a"\nslab_type = [1]', "3: slab_type[1]: expected a table, found 1"),
    ('points = "a"\n[[slab_type]]\nlength_m = 5', "3: slab_type[1].name: expected a value, found none"),
    (
        'points = "a"\n[[slab_type]]\nname = "a"\nlength_m = 5\n\n[[slab_type]]\nname = "b"\nlength_m = -1',
        "9: slab_type[2].length_m: expected more than 0 m, found -1",
    ),
    (
        'points = "a"\n[[slab_type]]\nname = "a"\nlength_m = 5000',
        "5: slab_type[1].length_m: expected at most 10 m, found 5000",
    ),
    (
        'points = "a"\nslab_type = [\n {name = "a", length_m = 5},\n {name = "b", length_m = 5, side = "rigth"}\n]',
        "5: slab_type[2].side: expected 'left' or 'right', found 'rigth' (did you mean right?)",
    ),
    (
        'points = "a"\n[spans."a b"]\nname = "x"\nlength_m = nan',
        "5: spans.'a b'.length_m: expected a number, found nan or inf",
    ),
    (
        'points = "a"\n[[element]]\nkind = "clotoid"',
        "4: element[1].kind: expected 'arc' or 'clothoid', found 'clotoid' (did you mean clothoid?)",
    ),
    ('points = "a"\n[[element]]\nradius_m = 1', "3: element[1].kind: expected a value, found none"),
    (
        'points = "a"\n[[element]]\nkind = "clothoid"',
        "3: element[1].length_m: expected a value, found none (the length along the track)",
    ),
    (
        'points = "a"\n[[element]]\nkind = "arc"\nradius_m = 3.0\nlength = 1',
        "6: element[1].length: expected one of the keys kind, radius_m, found the unknown key length",
    ),
]


@pytest.mark.parametrize(("text", "message"), FAULTS, ids=[message[:50] for _, message in FAULTS])
def test_fault_is_told_in_full(path: Path, text: str, message: str) -> None:
    project, errors = checked(path, 'name = "demo"\n' + text)
    assert project is None
    assert errors == [f"project.toml:{message}"]


def test_all_faults_in_the_order_of_the_file(path: Path) -> None:
    _, errors = checked(
        path, 'count = 1.5\nextra = 1\nname = ""\npoints = 3\n[[slab_type]]\nname = 1\nlength_m = inf\n'
    )
    assert [error.split(":")[1] for error in errors] == ["1", "2", "3", "4", "6", "7"]
    assert errors[2] == "project.toml:3: name: expected string should have at least 1 character, found an empty text"


SYNTAX = [
    ("a = \n", "1:5: expected a line of TOML, found 'a =' (invalid value)"),
    ("b = 1\na = 1,5\n", "2:6: expected a line of TOML, found 'a = 1,5' (a decimal comma? write 12.5)"),
    ("a = left\n", "1:5: expected a line of TOML, found 'a = left' (a text needs quotes)"),
    ("a: 1\n", "1:2: expected a line of TOML, found 'a: 1' (write = between a key and its value)"),
    ("a = 1\na = 2\n", "2:6: expected a line of TOML, found 'a = 2' (cannot overwrite a value)"),
    ("a = [1,", "1:8: expected a line of TOML, found 'a = [1,' (invalid value at the end of the file)"),
]


@pytest.mark.parametrize(("text", "message"), SYNTAX, ids=[text for text, _ in SYNTAX])
def test_syntax_error_has_line_and_column(path: Path, text: str, message: str) -> None:
    path.write_text(text)
    faults = Faults()
    assert read_toml(path, faults).data == {}
    assert [*map(str, faults.errors)] == [f"project.toml:{message}"]


def test_bytes_and_places_that_are_no_text(tmp_path: Path, path: Path) -> None:
    path.write_bytes('a = "Süd"\n'.encode("latin-1"))
    faults = Faults()
    read_toml(path, faults)
    read_toml(tmp_path / "projekt.toml", faults)
    assert [*map(str, faults.errors)] == [
        "project.toml:1: expected text in UTF-8, found byte 0xFC ('ü' in Latin-1), byte 7 of the file"
        " (save it as UTF-8)",
        f"{tmp_path / 'projekt.toml'}: expected a file, found nothing of that name (did you mean project.toml?)",
    ]


def test_places_in_all_forms_a_file_can_take(path: Path) -> None:
    text = (
        '''# note [x]
title = """
[not_a_table]
key = "no" # """
other = 'it'''
        + """'s'
""".replace("'s'", "'")
        + """
"quoted key" = { inner = 1, deep . er = [1, { x = ']' }] } # }
list = [ # [
  "a,b", # "
  2.5,

  [3, 4],
]
[a.b] # comment
c.d = 2025-04-30T14:05:00Z

[[row]]
k = 1
[[row]]
k = '''
x'''
[row.sub]
z = 1
[[row.part]]
[[row.part]]
w = "\\\\"
"""
    )
    path.write_bytes(text.replace("\n", "\r\n").encode())
    faults = Faults()
    toml = read_toml(path, faults)
    faults.stop_if_any()
    rows = text.split("\n")

    def line(start: str, which: int = 0) -> int:
        return [number for number, row in enumerate(rows, 1) if row.startswith(start)][which]

    for place, expected in {
        ("title",): line("title"),
        ("other",): line("other"),
        ("quoted key", "deep", "er", 1, "x"): line('"quoted'),
        ("list", 0): line('  "a,b"'),
        ("list", 1): line("  2.5"),
        ("list", 2, 1): line("  [3, 4]"),
        ("a",): line("[a.b]"),
        ("a", "b", "c", "d"): line("c.d"),
        ("row", 0, "k"): line("k = 1"),
        ("row", 1, "k"): line("k = '''"),
        ("row", 1, "sub", "z"): line("z = 1"),
        ("row", 1, "part", 0): line("[[row.part]]"),
        ("row", 1, "part", 1, "w"): line("w ="),
        ("row", 1, "part", 1, "missing", 3): line("[[row.part]]", 1),
        ("nothing",): 1,
    }.items():
        assert toml.line(place) == expected, place
    assert toml.where(("row", 1, "k")) == f"project.toml:{line('k = ', 1)}: row[2].k"
    assert toml.where(()) == "project.toml:1"


KEYS = st.text("ab-_", min_size=1, max_size=3) | st.text('a".\\ ü', max_size=3)


def written(value: Any) -> str:
    """Return a value as TOML in one line for each entry of an array."""
    if isinstance(value, list):
        return "[\n" + "".join(f"{written(part)} , # ]\n" for part in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{quoted(key)} = {written(part)}" for key, part in value.items()) + "}"
    return quoted(value) if isinstance(value, str) else repr(value)


def quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def places_of(value: Any, place: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return {place} | {inner for key, part in parts for inner in places_of(part, (*place, key))}


@settings(deadline=None)
@given(
    st.dictionaries(
        KEYS,
        st.recursive(
            st.integers(0, 9) | st.text('a#]},"\\', max_size=4) | st.floats(0, 1),
            lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
            max_leaves=8,
        ),
    )
)
def test_every_place_of_any_file_has_a_line(tmp_path_factory: pytest.TempPathFactory, data: dict[str, Any]) -> None:
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_text("".join(f"{quoted(key)} = {written(value)}\n" for key, value in data.items()), encoding="utf-8")
    faults = Faults()
    toml = read_toml(path, faults)
    faults.stop_if_any()
    assert toml.data == data
    assert set(toml.lines) == places_of(data) - {()}
    lines = path.read_text(encoding="utf-8").split("\n")
    for key in data:
        assert lines[toml.line((key,)) - 1].startswith(quoted(key) + " =")


def test_nan_is_refused_even_where_a_model_takes_any_number() -> None:
    class Loose(BaseModel):
        a: float

    faults = Faults()
    assert validate(TomlFile(Path("x.toml"), {"a": math.nan}, {}), Loose, faults) is None
    assert str(faults.errors[0]) == "x.toml:1: a: expected a number, found nan or inf"
