"""Cells of tables: what a file says is read.

The reference for cells and lines is Python's csv module, for numbers ``float``, for times
``datetime.fromisoformat``: general-purpose readers of RFC 4180, decimal notation and ISO 8601.
"""

import csv
import io
import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from points_table import GOOD, HEADER, read

from geometry.errors import Faults
from geometry.exchange.tables import Column, read_table


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "points.csv"


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
