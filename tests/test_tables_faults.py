"""Faults of tables: everything wrong with a file is told at once, each with its place."""

from pathlib import Path

import numpy as np
import pytest
from points_table import COLUMNS, GOOD, HEADER, read

from geometry.errors import Faults, InputError
from geometry.exchange.tables import read_table


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "points.csv"


ROWS = [
    (
        'S1,front_left,"12,5",50',
        "2: easting_m",
        "a number in m",
        "'12,5'",
        "write the decimal mark as a point: 12.5",
    ),
    ("S1,front_left,1 234.5,50", "2: easting_m", "a number in m", "'1 234.5'", "no marks between thousands"),
    (
        'S1,front_left,"1,234.5",50',
        "2: easting_m",
        "a number in m",
        "'1,234.5'",
        "no marks between thousands",
    ),
    (
        "S1,front_left,1'234'567,50",
        "2: easting_m",
        "a number in m",
        "\"1'234'567\"",
        "no marks between thousands",
    ),
    (
        "S1,front_left,12.3 m,50",
        "2: easting_m",
        "a number in m",
        "'12.3 m'",
        "the number alone, its unit is in the header",
    ),
    (
        "S1,front_left,n/a,50",
        "2: easting_m",
        "a number in m",
        "'n/a'",
        "leave the row out if it was not measured",
    ),
    (
        "S1,front_left,nan,50",
        "2: easting_m",
        "a number in m",
        "'nan'",
        "leave the row out if it was not measured",
    ),
    (
        "S1,front_left,-inf,50",
        "2: easting_m",
        "a number in m",
        "'-inf'",
        "leave the row out if it was not measured",
    ),
    ("S1,front_left,1e999,50", "2: easting_m", "a number in m", "'1e999'", "too large for a number"),
    (
        "S1,front_left,\u22123,50",
        "2: easting_m",
        "a number in m",
        "'\u22123'",
        "write the minus sign as a hyphen",
    ),
    ("S1,front_left,0x10,50", "2: easting_m", "a number in m", "'0x10'", ""),
    ("S1,front_left,1_0,50", "2: easting_m", "a number in m", "'1_0'", ""),
    ("S1,front_left,,50", "2: easting_m", "a number in m", "an empty cell", ""),
    (
        "S1,front_left,easting_m,50",
        "2: easting_m",
        "a number in m",
        "'easting_m'",
        "the header line a second time?",
    ),
    ("S1,front_left,1,50000", "2: level_m", "a level of 40 to 120 m", "50000", "millimetres?"),
    ("S1,front_left,1,39.999", "2: level_m", "a level of 40 to 120 m", "39.999", ""),
    ("S1,front_left,1,121", "2: level_m", "a level of 40 to 120 m", "121", ""),
    (
        "S1,Front_left,1,50",
        "2: corner",
        "front_left or front_right",
        "'Front_left'",
        "did you mean front_left?",
    ),
    ("S1,rear,1,50", "2: corner", "front_left or front_right", "'rear'", ""),
    (",front_left,1,50", "2: slab", "a slab name", "an empty cell", ""),
    (
        "S1,front_left,1,5,50,0",
        "2",
        "4 cells, as in the header",
        "6",
        "write 12.5, not 12,5; a text with a comma needs quotes",
    ),
    (
        "S1,front,left,1.5,50",
        "2",
        "4 cells, as in the header",
        "5",
        "a text with a comma needs quotes",
    ),
    ("S1,front_left,1", "2", "4 cells, as in the header", "3", "the line is cut off, or a comma is missing"),
    ("S1;front_left;1;50", "2", "4 cells, as in the header", "1", "semicolons instead of commas?"),
]


@pytest.mark.parametrize("case", ROWS, ids=[row[0] for row in ROWS])
def test_bad_row_is_told_in_full(path: Path, case: tuple[str, ...]) -> None:
    row, where, expected, found, hint = case
    _, faults = read(path, HEADER + row + "\n" + GOOD)
    tail = f" ({hint})" if hint else ""
    assert [*map(str, faults.errors)] == [f"points.csv:{where}: expected {expected}, found {found}{tail}"]
    assert not faults.warnings


FILES = [
    (b"", "points.csv: expected a table with a header, found an empty file"),
    (b"\xef\xbb\xbf", "points.csv: expected a table with a header, found an empty file"),
    (b"\n\n# note\n", "points.csv: expected a table with a header, found an empty file"),
    (HEADER.encode(), "points.csv: expected at least one row, found only the header"),
    (HEADER.encode() + b"\n# note\n,,,\n", "points.csv: expected at least one row, found only the header"),
    (
        (HEADER + GOOD).replace(",", ";").encode(),
        "points.csv:1: expected commas between cells, found semicolons"
        " (save it as comma separated, numbers with a decimal point)",
    ),
    (
        (HEADER + GOOD).replace(",", "\t").encode(),
        "points.csv:1: expected commas between cells, found tabs"
        " (save it as comma separated, numbers with a decimal point)",
    ),
    ((HEADER + GOOD).encode("utf-16"), "points.csv: expected text in UTF-8, found UTF-16 (save it as UTF-8)"),
    (
        (HEADER + GOOD).encode("utf-16-le"),
        "points.csv:1: expected text in UTF-8, found UTF-16 or a file that is no text (save it as UTF-8)",
    ),
    (
        (HEADER + GOOD).encode() + b"\0\0\0",
        "points.csv:3: expected text in UTF-8, found 3 zero bytes"
        " (the file was cut off or damaged while it was written)",
    ),
    (
        (HEADER + GOOD + "Süd,front_left,1,50\n").encode("latin-1"),
        "points.csv:3: expected text in UTF-8, found byte 0xFC ('ü' in Latin-1), byte 58 of the file"
        " (save it as UTF-8)",
    ),
    (
        (HEADER + GOOD + 'S2,"front_left,1,50\n').encode(),
        "points.csv:3: expected a quote at the end of the cell, found none to the end of the file",
    ),
    (
        HEADER.replace("level_m", "level").encode() + GOOD.encode(),
        "points.csv:1: expected a column level_m, found none (rename level if it is in m)",
    ),
    (
        HEADER.replace("level_m", "level_mm").encode() + GOOD.encode(),
        "points.csv:1: expected a column level_m, found none (there is level_mm: change its numbers from mm to m)",
    ),
    (
        HEADER.replace("corner", "Corner").encode() + GOOD.encode(),
        "points.csv:1: expected a column corner, found none (rename Corner?)",
    ),
    (
        HEADER.replace("\n", ",level_m\n").encode() + b"S1,front_left,1,50,50\n",
        "points.csv:1: expected one column level_m, found 2 of that name: columns 4 and 5",
    ),
]


@pytest.mark.parametrize(("content", "message"), FILES, ids=[message[:60] for _, message in FILES])
def test_bad_file_is_told_in_full(path: Path, content: bytes, message: str) -> None:
    _, faults = read(path, content)
    assert str(faults.errors[0]) == message
    with pytest.raises(InputError):
        faults.stop_if_any()


def test_file_that_is_not_there(tmp_path: Path, path: Path) -> None:
    path.write_text(HEADER + GOOD)
    faults = Faults()
    read_table(tmp_path / "point.csv", COLUMNS, faults)
    read_table(tmp_path, COLUMNS, faults)
    assert [*map(str, faults.errors)] == [
        f"{tmp_path / 'point.csv'}: expected a file, found nothing of that name (did you mean points.csv?)",
        f"{tmp_path}: expected a file, found a folder",
    ]


def test_all_faults_of_a_file_in_the_order_of_its_lines(path: Path) -> None:
    text = HEADER + "S1,front_left,x,50\nS2,rear,1\nS3,rear,1,5\n" + GOOD
    _, faults = read(path, text)
    assert [fault.where for fault in faults.errors] == [
        "points.csv:2: easting_m",
        "points.csv:3",
        "points.csv:4: corner",
        "points.csv:4: level_m",
    ]


def test_many_faults_of_a_kind_are_counted(path: Path) -> None:
    table, faults = read(path, HEADER + "S1,front_left,x,50\n" * 1254)
    assert len(faults.errors) == 21
    assert str(faults.errors[-1]) == "points.csv: easting_m: expected a number in m, found 1234 more like these"
    assert np.isnan(table["easting_m"]).all()


def test_rows_of_a_wrong_width_are_counted(path: Path) -> None:
    table, faults = read(path, HEADER + "S1,front_left\n" * 21 + GOOD)
    assert str(faults.errors[-1]) == "points.csv: expected 4 cells, as in the header, found 1 more like this"
    assert table.where(0, "slab") == "points.csv:23: slab"


def test_unknown_columns_and_rows_behind_a_hash_are_warned_of(path: Path) -> None:
    text = HEADER.replace("\n", ",stag,\n") + "S1,front_left,1,50,set,\n#S2,front_left,1,50,set,\n"
    _, faults = read(path, text)
    assert not faults.errors
    assert [*map(str, faults.warnings)] == [
        "points.csv:1: stag: expected a column that is used, found one that is left out (did you mean stage?)",
        "points.csv:1: column 6: expected a column that is used, found one that is left out (no name)",
        "points.csv:3: expected a row or a comment, found a row behind #, left out as a comment"
        " (quote the first cell if it is a row)",
    ]


def test_cells_said_twice_name_both_lines(path: Path) -> None:
    text = HEADER + "S1,front_left,1,50\n\nS1,front_right,1,50\nS2,front_left,1,50\n# note\nS1,front_left,2,51\n"
    table, faults = read(path, text, unique=("slab", "corner", "stage"))
    assert [*map(str, faults.errors)] == [
        "points.csv:7: slab, corner: expected each slab, corner once, found 'S1', 'front_left' again (first on line 2)"
    ]
    assert len(table) == 4
    _, faults = read(path, HEADER + "S1,front_left,1.50,50\nS2,front_left,1.5,50\n", unique=("easting_m",))
    assert str(faults.errors[0]) == (
        "points.csv:3: easting_m: expected each easting_m once, found 1.5 again (first on line 2)"
    )


def test_an_empty_key_is_not_also_said_twice(path: Path) -> None:
    _, faults = read(path, HEADER + ",front_left,1,50\n,front_left,1,50\n", unique=("slab", "corner"))
    assert [fault.found for fault in faults.errors] == ["an empty cell"] * 2
