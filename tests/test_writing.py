"""Results are written whole or not at all, and say what they were given.

The reference readers are Python's csv and json modules and ``decimal``, the last for rounding.
"""

import csv
import dataclasses
import enum
import io
import json
import math
import os
import time
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geometry.errors import Faults, InputError
from geometry.exchange.tables import Column, read_table
from geometry.exchange.writing import as_frame, decimals_of, one_piece, table_to_records, write_csv, write_json


def rows_of(path: Path) -> list[list[str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.reader(file, strict=True))


def test_numbers_have_the_decimals_of_their_unit(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    write_csv(
        path,
        {
            "slab": ["S1", "S2"],
            "chainage_m": [12345.678949, 1e-5],
            "up_mm": [12.5, -0.001],
            "bearing_deg": [0.1 + 0.2, math.nan],
            "points": [4, 3],
            "weight": np.array([1.5, 2.5], np.float32),
            "measured": [True, False],
        },
        decimals={"weight": 0},
    )
    assert path.read_bytes().decode() == (
        "slab,chainage_m,up_mm,bearing_deg,points,weight,measured\n"
        "S1,12345.6789,12.50,0.300000,4,2,true\n"
        "S2,0.0000,0.00,,3,2,false\n"
    )


def test_times_are_iso_8601_in_utc(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    whole = np.array(["2025-04-30T14:05:00", "NaT"], "datetime64[us]")
    fine = np.array(["2025-04-30T14:05:00.25", "2025-04-30"], "datetime64[ns]")
    write_csv(path, {"time": whole, "seen": fine})
    assert rows_of(path)[1:] == [
        ["2025-04-30T14:05:00Z", "2025-04-30T14:05:00.250000Z"],
        ["", "2025-04-30T00:00:00.000000Z"],
    ]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@a", "\t=1", "\r=1", " =1", "\uff1d1", "-"])
def test_no_text_is_a_formula(tmp_path: Path, text: str) -> None:
    """OWASP, "CSV Injection": cells that begin with = + - @, tab or return, or their wide forms (from memory)."""
    path = tmp_path / "out.csv"
    write_csv(path, {text: [text], "a": ["b"]})
    assert rows_of(path) == [["'" + text, "a"], ["'" + text, "b"]]


def test_texts_are_quoted_where_a_reader_needs_it(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    texts = ['a,b "c"', "two\nlines", "#1", "", None, "Süd"]
    write_csv(path, {"slab": np.array(texts, object), "n": range(6)})
    assert [row[0] for row in rows_of(path)[1:]] == ['a,b "c"', "two\nlines", "#1", "", "", "Süd"]
    faults = Faults()
    table = read_table(path, [Column("slab", blank=True), Column("n", "number")], faults)
    faults.stop_if_any()
    assert table["slab"].tolist() == ['a,b "c"', "two\nlines", "#1", "", "", "Süd"]


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(
            st.text(st.characters(codec="utf-8", exclude_categories=["Cc"]), max_size=8).map(
                lambda text: "r" + text.strip()
            ),
            st.floats(-1e9, 1e9) | st.just(math.nan),
        ),
        min_size=1,
    )
)
def test_reading_gives_back_what_was_written(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, float]]
) -> None:
    path = tmp_path_factory.getbasetemp() / "round.csv"
    texts, numbers = [row[0] for row in rows], np.array([row[1] for row in rows])
    write_csv(path, {"slab": texts, "up_mm": numbers})
    faults = Faults()
    table = read_table(path, [Column("slab"), Column("up_mm", "number", blank=True)], faults)
    faults.stop_if_any()
    assert table["slab"].tolist() == texts
    np.testing.assert_array_equal(table["up_mm"], np.round(numbers, 2) + 0.0)


@given(st.floats(-1e6, 1e6))
def test_rounding_is_that_of_decimal_arithmetic(tmp_path_factory: pytest.TempPathFactory, number: float) -> None:
    path = tmp_path_factory.getbasetemp() / "decimal.csv"
    write_csv(path, {"up_mm": [number]})
    written = Decimal(rows_of(path)[1][0])
    # The product with 100 is itself rounded, so a tie may go the other way by one unit of the last bit.
    assert abs(written - Decimal(number)) <= Decimal("0.005") + Decimal(math.ulp(number))
    if abs(written - Decimal(number)) < Decimal("0.0049999"):
        assert written == Decimal(number).quantize(Decimal("0.01"), ROUND_HALF_EVEN)


def test_one_column_keeps_its_empty_cells(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    write_csv(path, {"up_mm": [1.0, math.nan, 2.0]})
    faults = Faults()
    table = read_table(path, [Column("up_mm", "number", blank=True)], faults)
    faults.stop_if_any()
    np.testing.assert_array_equal(table["up_mm"], [1, math.nan, 2])


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"a": [1.0, 2.0], "b": [1.0]}, "different shapes"),
        ({"up_mm": [math.inf]}, "up_mm: inf cannot be written with 2 decimals"),
        ({"up_mm": [1e300]}, r"up_mm: 1e\+300 cannot be written"),
    ],
)
def test_what_has_no_form_leaves_the_old_file(tmp_path: Path, table: dict[str, Any], message: str) -> None:
    path = tmp_path / "out.csv"
    path.write_text("old")
    with pytest.raises(ValueError, match=message):
        write_csv(path, table)
    assert path.read_text() == "old"
    assert [*tmp_path.iterdir()] == [path]


def test_many_rows_come_in_order(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    count = (1 << 17) + 3
    write_csv(path, {"n": np.arange(count), "half_mm": np.arange(count) / 2})
    read = np.loadtxt(path, delimiter=",", skiprows=1)
    np.testing.assert_array_equal(read[:, 0], np.arange(count))
    np.testing.assert_array_equal(read[:, 1], np.arange(count) / 2)


def test_a_failure_in_the_middle_leaves_nothing(tmp_path: Path) -> None:
    path = tmp_path / "out.bin"

    def fail() -> None:
        with one_piece(path) as file:
            file.write(b"half")
            assert not path.exists()
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        fail()
    assert [*tmp_path.iterdir()] == []
    with one_piece(path) as file:
        file.write(b"whole")
    assert path.read_bytes() == b"whole"
    assert [*tmp_path.iterdir()] == [path]


def test_an_input_is_never_replaced(tmp_path: Path) -> None:
    source = tmp_path / "points.csv"
    source.write_text("measured")
    (tmp_path / "link.csv").hardlink_to(source)
    for path in (source, tmp_path / "." / "points.csv", tmp_path / "link.csv"):
        with pytest.raises(InputError) as refused:
            write_csv(path, {"a": [1]}, inputs=[source])
        assert str(refused.value) == (
            f"{path}: expected a file other than the inputs, found an input (give the result another name)"
        )
    assert source.read_text() == "measured"


def test_places_that_take_no_file(tmp_path: Path) -> None:
    for path, message in (
        (tmp_path, f"{tmp_path}: expected a file, found a folder"),
        (
            tmp_path / "no" / "a.csv",
            f"{tmp_path / 'no' / 'a.csv'}: expected a place to write to, found no such file or directory"
            " (make the folder first)",
        ),
    ):
        with pytest.raises(InputError) as refused:
            write_csv(path, {"a": [1]})
        assert str(refused.value) == message


@pytest.mark.skipif(os.name == "nt", reason="no permission bits and links of this kind")
def test_permissions_and_links_stay_usual(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.write_text("")
    target, link = tmp_path / "target.csv", tmp_path / "link.csv"
    target.write_text("old")
    link.symlink_to(target)
    write_csv(link, {"a": [1]})
    assert link.is_symlink()
    assert target.read_text() == "a\n1\n"
    assert target.stat().st_mode == plain.stat().st_mode


class Verdict(enum.Enum):
    OUT = "out"


@dataclasses.dataclass
class Slab:
    name: str
    up_mm: float


def test_json_is_plain(tmp_path: Path) -> None:
    path = tmp_path / "out.json"
    document = {
        "b": np.array([[1.5, np.nan]]),
        "a": [np.float32(0.5), np.int64(3), np.bool_(True), math.nan, None, "Süd"],
        "time": np.datetime64("2025-04-30T14:05:00"),
        "no_time": np.array(["NaT"], "datetime64[s]"),
        "slab": Slab("S1", 2.0),
        "verdict": Verdict.OUT,
        "path": Path("a") / "b",
        "mixed": np.array(["x", math.nan], object),
    }
    write_json(path, document)
    assert json.loads(path.read_text(encoding="utf-8")) == {
        "b": [[1.5, None]],
        "a": [0.5, 3, True, None, None, "Süd"],
        "time": "2025-04-30T14:05:00Z",
        "no_time": [None],
        "slab": {"name": "S1", "up_mm": 2.0},
        "verdict": "out",
        "path": "a/b",
        "mixed": ["x", None],
    }
    assert list(json.loads(path.read_text(encoding="utf-8")))[:2] == ["b", "a"]
    stream = io.StringIO()
    write_json(stream, document)
    assert stream.getvalue() == path.read_text(encoding="utf-8")


@pytest.mark.parametrize(("value", "error"), [(math.inf, ValueError), (1j, TypeError), ({1: 2}, TypeError)])
def test_json_without_a_form_is_refused(tmp_path: Path, value: object, error: type[Exception]) -> None:
    with pytest.raises(error):
        write_json(tmp_path / "out.json", {"a": value})
    assert [*tmp_path.iterdir()] == []


def test_records_and_frame() -> None:
    table = {"slab": np.array(["a", "b"], object), "up_mm": np.array([1.5, math.nan])}
    assert table_to_records(table) == [{"slab": "a", "up_mm": 1.5}, {"slab": "b", "up_mm": None}]
    frame = as_frame(table)
    assert frame.columns.tolist() == ["slab", "up_mm"]
    assert frame["up_mm"].isna().tolist() == [False, True]
    assert decimals_of("mm") == 6


@pytest.mark.parametrize("spread", [0.3, 3e5])
def test_few_and_many_different_numbers_are_written_alike(tmp_path: Path, spread: float) -> None:
    """Against Python's own formatting, away from ties; the numbers of a narrow range are put into words once each."""
    path = tmp_path / "out.csv"
    values = np.random.default_rng(7).normal(0, spread, 40_000).round(3) + 1e-4
    values[::17] = math.nan
    values[1:4] = [-0.004, 0.004, -0.0]
    write_csv(path, {"n": np.arange(len(values)), "up_mm": values})
    wanted = ["" if math.isnan(v) else f"{v:.2f}" for v in values.tolist()]
    assert [row[1] for row in rows_of(path)[1:]] == ["0.00" if text == "-0.00" else text for text in wanted]


def test_texts_of_many_rows_keep_their_quotes(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    texts = np.array(["plain", 'a "b", c', "=1", "Süd", "", "two words"])[np.arange(40_000) % 6]
    write_csv(path, {"fixed": texts, "object": texts.astype(object), "ascii": np.full(len(texts), "L1")})
    wanted = [f"'{text}" if text == "=1" else text for text in texts.tolist()]
    assert rows_of(path)[1:] == [[text, text, "L1"] for text in wanted]


@pytest.mark.benchmark
def test_speed(tmp_path: Path) -> None:
    import pyarrow as pa
    from pyarrow import csv as arrow

    count, path = 200_000, tmp_path / "out.csv"
    random = np.random.default_rng(0)
    table: dict[str, Any] = {"slab": np.array([f"S{slab}" for slab in range(count)], object)}
    table |= {f"v{column}_mm": random.normal(0, 20, count) for column in range(22)}
    table |= {"verdict": np.array(["within", "out"], object)[np.arange(count) % 2], "points": np.arange(count)}

    def seconds(work: Any) -> float:
        taken = []
        for _ in range(4):
            start = time.perf_counter()
            work()
            taken.append(time.perf_counter() - start)
        return min(taken)

    def peer() -> None:
        rounded = {name: np.round(values, 2) if values.dtype == float else values for name, values in table.items()}
        arrow.write_csv(pa.table(rounded), path)

    def pandas() -> None:
        as_frame(table).round(2).head(20_000).to_csv(path, index=False)

    mine, arrow_s, pandas_s = seconds(lambda: write_csv(path, table)), seconds(peer), 10 * seconds(pandas)
    print(f"\nwrite: {mine:.3f} s; pyarrow {mine / arrow_s:.2f} x, pandas {mine / pandas_s:.2f} x")
    assert mine < 3 * arrow_s
