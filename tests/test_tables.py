"""Tables: what a file says is read, and everything wrong with it is told at once.

The reference for cells and lines is Python's csv module, for numbers ``float``, for times
``datetime.fromisoformat``: general-purpose readers of RFC 4180, decimal notation and ISO 8601.
"""

import csv
import io
import math
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from geometry.errors import Faults, InputError
from geometry.exchange.tables import Column, Table, read_table

COLUMNS = (
    Column("slab", what="a slab name"),
    Column("corner", choices=("front_left", "front_right")),
    Column("stage", required=False, blank=True),
    Column("easting_m", "number"),
    Column("level_m", "number", low=40, high=120, what="a level"),
    Column("time", "time", required=False, blank=True),
)
HEADER = "slab,corner,easting_m,level_m\n"
GOOD = "S1,front_left,500000.5,50\n"


def read(path: Path, content: str | bytes, unique: tuple[str, ...] = ()) -> tuple[Table, Faults]:
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    faults = Faults()
    return read_table(path, COLUMNS, faults, unique), faults


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


def test_what_spreadsheets_and_editors_leave_is_read(path: Path) -> None:
    text = (
        b"\xef\xbb\xbf# made by hand\r\n slab , corner ,easting_m\t,level_m\r\n\r\n"
        b'" S1 ", front_left ,+5.0e5, 50 \r\n,,,\r\n   \r\n"","",,\r\n'
        b'"a\r\n#b, ""c""",front_right,.5,41.\r\n'
        b'5" pipe,front_left,-1E-3,120'
    )
    table, faults = read(path, text)
    assert (faults.errors, faults.warnings) == ([], [])
    assert table["slab"].tolist() == ["S1", 'a\r\n#b, "c"', '5" pipe']
    assert table["easting_m"].tolist() == [5e5, 0.5, -0.001]
    assert [table.line(row) for row in range(len(table))] == [4, 8, 10]
    assert table.where(1, "level_m") == "points.csv:8: level_m"
    assert list(table.columns) == ["slab", "corner", "easting_m", "level_m"]
    assert "stage" not in table


def test_blank_cells_where_they_are_allowed(path: Path) -> None:
    columns = (
        Column("a", "number", blank=True, low=0),
        Column("b", blank=True),
        Column("c", "time", blank=True),
    )
    path.write_text('a,b,c\n1,x,\n  ,"",2025-04-30\n,y, \n')
    faults = Faults()
    table = read_table(path, columns, faults)
    faults.stop_if_any()
    np.testing.assert_array_equal(table["a"], [1, math.nan, math.nan])
    assert table["b"].tolist() == ["x", "", "y"]
    assert np.isnat(table["c"]).tolist() == [True, False, True]


def test_texts_are_coded_in_order_of_appearance_and_read_only(path: Path) -> None:
    table, _ = read(path, HEADER + "b,front_left,1,50\na,front_left,1,50\nb,front_left,1,50\n")
    codes, distinct = table.codes("slab")
    assert (codes.tolist(), distinct.tolist()) == ([0, 1, 0], ["b", "a"])
    assert table["slab"][0] is table["slab"][2]
    for array in (codes, distinct, table["slab"], table["level_m"], table.lines):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = array[1]
    with pytest.raises(KeyError, match="level_m is no text"):
        table.codes("level_m")
    with pytest.raises(KeyError, match="stage is not there"):
        table["stage"]


TIMES = [
    "2025-04-30T14:05:00Z",
    "2025-04-30 14:05:00.25+02:00",
    "2025-04-30T14:05-0130",
    "2024-02-29",
    "2025-04-30T14:05:00.123456",
]


@pytest.mark.parametrize("text", TIMES)
@pytest.mark.parametrize("other", TIMES[:1] + TIMES[3:4])
def test_times_agree_with_the_standard_library(path: Path, text: str, other: str) -> None:
    path.write_text(f"time\n{text}\n{other}\n")
    faults = Faults()
    table = read_table(path, [Column("time", "time")], faults)
    faults.stop_if_any()
    for value, one in zip(table["time"], (text, other), strict=True):
        moment = datetime.fromisoformat(one)
        moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
        assert value == np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "us")
    zones = {datetime.fromisoformat(one).tzinfo is None for one in (text, other)}
    assert bool(faults.warnings) == (len(zones) == 2)


def test_digits_beyond_the_microsecond_are_cut_and_bad_times_are_told(path: Path) -> None:
    good = "2025-04-30T14:05:00.1234569Z"
    bad = {
        "2025-02-30": "no such day or hour, or the zone is not written like +02:00",
        "2025-04-30T24:00Z": "no such day or hour, or the zone is not written like +02:00",
        "30.4.2025": "write the year first: 2025-04-30",
        "noon": "",
    }
    path.write_text("time\n" + "\n".join([good, *bad]) + "\n")
    faults = Faults()
    table = read_table(path, [Column("time", "time")], faults)
    assert table["time"][0] == np.datetime64("2025-04-30T14:05:00.123456")
    assert np.isnat(table["time"][1:]).all()
    assert [(fault.where, fault.expected, fault.found, fault.hint) for fault in faults.errors] == [
        (f"points.csv:{line}: time", "a time like 2025-04-30T14:05:00Z", f"'{text}'", hint)
        for line, (text, hint) in enumerate(bad.items(), 3)
    ]


@settings(deadline=None)
@given(st.lists(st.text("0123456789+-.eE_nainf ", max_size=12), min_size=1, max_size=30))
@example(["1e308", "1e309", "4.9e-324", "1e-400", "-0", "+.5", "5.", "1e+", ".", "+-1", "1__0", "infinity"])
def test_numbers_agree_with_float(tmp_path_factory: pytest.TempPathFactory, texts: list[str]) -> None:
    path = tmp_path_factory.getbasetemp() / "numbers.csv"
    path.write_text("key,value\n" + "".join(f"k,{text}\n" for text in texts))
    faults = Faults()
    values = read_table(path, [Column("key"), Column("value", "number", blank=True)], faults)["value"]
    for text, value in zip(texts, values.tolist(), strict=True):
        try:
            reference = float(text)
        except ValueError:
            reference = math.nan
        # Python's float takes underscores and nan, inf: decimal notation has neither.
        if "_" in text or not math.isfinite(reference):
            assert math.isnan(value)
        else:
            assert value == reference


@settings(deadline=None, max_examples=400)
@given(st.text('a ,"\n', max_size=40))
@example('a,"a"a\na,"a"a"\n"a,a')
@example('a"a,"\n\n,"\n,\na,a')
def test_cells_and_lines_agree_with_the_csv_module(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = tmp_path_factory.getbasetemp() / "cells.csv"
    content = "x,y\n" + text
    path.write_text(content)
    faults = Faults()
    table = read_table(path, [Column("x", blank=True), Column("y", blank=True)], faults)
    reader = csv.reader(io.StringIO(content, newline=""))
    rows, lines, before = [], [], 0
    for row in reader:
        start, before = before + 1, reader.line_num
        blank = not any(cell.strip() for cell in row) and before == start
        if len(row) == 2 and start > 1 and not blank:
            rows.append([cell.strip() for cell in row])
            lines.append(start)
    if any("quote" in fault.expected for fault in faults.errors):
        with pytest.raises(csv.Error, match=r"unexpected end of data|expected after"):
            list(csv.reader(io.StringIO(content, newline=""), strict=True))
    elif "x" in table:
        assert [list(row) for row in zip(table["x"], table["y"], strict=True)] == rows
        assert table.lines.tolist() == lines
    else:
        assert not rows


def test_a_comment_may_hold_quotes(path: Path) -> None:
    table, faults = read(path, HEADER + 'S1,front_left,"1",50\n# 5" pipe, "x\n"S2\n# y",front_left,2,51\n')
    assert not faults.errors
    assert table["slab"].tolist() == ["S1", "S2\n# y"]
    assert table.lines.tolist() == [2, 4]


def test_a_cell_longer_than_a_block_of_the_reader(path: Path) -> None:
    long = "x" * 3_000_000
    table, faults = read(path, HEADER + f'"{long}\n",front_left,1,50\n' + GOOD)
    faults.stop_if_any()
    assert table["slab"][0] == long
    assert table.lines.tolist() == [2, 4]


@pytest.mark.parametrize(
    ("names", "repeated"),
    [
        (["a", "b", "ab", "ba"], False),
        (["a", "b", "a"], True),
        (["L00001-RL", "L00001-RR", "L00002-RL"], False),
        (["L00001-RL", "L00001-RR", "L00001-RL"], True),
        (["x" * 70 + "1", "x" * 70 + "2"], False),
        (["x" * 70 + "1", "x" * 70 + "1"], True),
        (["Süd", "Sud", "Su\u0308d"], False),
    ],
)
def test_texts_that_stand_more_than_once(path: Path, names: list[str], repeated: bool) -> None:
    table, faults = read(path, HEADER + "".join(f"{name},front_left,1,50\n" for name in names))
    faults.stop_if_any()
    assert table.repeats("slab") is repeated
    assert repeated == (len(set(names)) < len(names))


def test_places_in_a_list_of_texts(path: Path) -> None:
    cells = ["b", "b", "", "Sü", "a", "a", "b", "x", "x", ""]
    rows = "".join(f"s,front_left,1,50,{cell}\n" for cell in cells)
    table, faults = read(path, "slab,corner,easting_m,level_m,stage\n" + rows)
    faults.stop_if_any()
    known = ["a", "b", "Sü"]
    wanted = [-1 if not cell else known.index(cell) if cell in known else -2 for cell in cells]
    assert table.index_in("stage", np.array(known)).tolist() == wanted
    assert table.index_in("stage", known[:2]).tolist() == [-2 if at == 2 else at for at in wanted]
    assert table.index_in("stage", []).tolist() == [-1 if not cell else -2 for cell in cells]


@pytest.mark.parametrize(
    ("odd", "fault"), [("nan", "'nan'"), ("", "an empty cell"), ("1e999", "'1e999'"), ("+1", ""), ('" 7.5 "', "")]
)
def test_one_odd_number_changes_no_other(path: Path, odd: str, fault: str) -> None:
    """A plain file is read as numbers at once; one odd cell sends all columns through their texts."""
    rows = [f"S{i},front_left,{500000 + i / 7!r},{50 + i / 3!r}" for i in range(60)]
    plain, faults = read(path, HEADER + "\n".join(rows))
    faults.stop_if_any()
    table, faults = read(path, HEADER + "\n".join([*rows, f"S60,front_left,{odd},50"]))
    for name in ("easting_m", "level_m"):
        np.testing.assert_array_equal(table[name][:60], plain[name])
    if fault:
        assert [str(error) for error in faults.errors] == [
            f"{path.name}:62: easting_m: expected a number in m, found {fault}"
            + {"nan": " (leave the row out if it was not measured)", "1e999": " (too large for a number)"}.get(odd, "")
        ]
    else:
        faults.stop_if_any()
        assert table["easting_m"][60] == float(odd.strip('" '))


@pytest.mark.benchmark
@pytest.mark.parametrize("quoted", [False, True])
def test_speed(path: Path, quoted: bool) -> None:
    import pandas as pd
    import pyarrow as pa
    from pyarrow import csv as arrow

    count = 800_000
    numbers = np.arange(count)
    random = np.random.default_rng(1)
    table = pa.table(
        {
            "slab": [f"S{slab:06d}" for slab in (numbers // 8).tolist()],
            "corner": np.array(["front_left", "front_right"])[numbers % 2].tolist(),
            "stage": np.array(["set", "final", "again", "last"])[numbers // 2 % 4].tolist(),
            "easting_m": np.round(random.uniform(5e5, 5.1e5, count), 4),
            "northing_m": np.round(random.uniform(4e6, 4.1e6, count), 4),
            "level_m": np.round(random.uniform(50, 60, count), 4),
        }
    )
    arrow.write_csv(table, path, arrow.WriteOptions(quoting_style="all_valid" if quoted else "none"))
    columns = (*COLUMNS, Column("northing_m", "number"))

    def seconds(work: object) -> float:
        assert callable(work)
        taken = []
        for _ in range(4):
            start = time.perf_counter()
            work()
            taken.append(time.perf_counter() - start)
        return min(taken)

    def own() -> None:
        faults = Faults()
        assert len(read_table(path, columns, faults, unique=("slab", "corner", "stage"))) == count
        faults.stop_if_any()

    def unchecked() -> None:
        names = ("slab", "corner", "stage")
        convert = arrow.ConvertOptions(column_types={name: pa.dictionary(pa.int32(), pa.string()) for name in names})
        arrow.read_csv(path, convert_options=convert).to_pandas()

    mine, peer, pandas = seconds(own), seconds(unchecked), seconds(lambda: pd.read_csv(path))
    print(f"\nread, quoted {quoted}: {mine:.3f} s; pyarrow {mine / peer:.2f} x, pandas {mine / pandas:.2f} x")
    assert mine < 8 * peer
