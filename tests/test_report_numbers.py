"""Numbers of the record before injection: they are those of check, ready and mortar, in all three forms."""

from __future__ import annotations

import csv
import re
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from project_copies import DEMO, run
from record_report import MINUS, Made, record_of_demo, told

from geometry.exchange.report_blocks import Shown
from viewer.report_cells import cell_texts

CORNER_COLUMNS = (
    (-16, "easting_m", 4), (-15, "northing_m", 4), (-14, "level_m", 4), (-12, "across_mm", 2),
    (-11, "across_sigma_mm", 2), (-8, "up_mm", 2), (-7, "up_sigma_mm", 2), (-6, "residual_across_mm", 2),
    (-1, "w_up", 1),
)  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return record_of_demo(tmp_path_factory.getbasetemp())


def slab_row(record: dict[str, Any]) -> list[str]:
    numbers = []
    for name in ("across", "along", "up"):
        numbers += [told(record[f"{name}_mm"], 2, sign=True), told(record[f"{name}_sigma_mm"], 2)]
    return numbers


def test_every_slab_has_the_numbers_of_check(made: Made) -> None:
    head, units, *rows = made.page.tables["Verdict and reasons of every slab"]
    assert head[:7] == ["slab", "type", "chainage", "verdict", "across", "along", "up"]
    assert units[:3] == ["km", "mm", "u"]
    assert len(rows) == len(made.check["slabs"]) == 269
    ready = {record["slab"]: record for record in made.ready["slabs"]}
    for row, record in zip(rows, made.check["slabs"], strict=True):
        assert row[0] == record["slab"]
        assert row[3].lstrip("#?-").strip() == record["verdict"]
        assert row[4:10] == slab_row(record)
        assert row[14] == (record["why"] or "")
        assert row[15].lstrip("#=").strip() == ready[record["slab"]]["state"]
        assert row[16] == ready[record["slab"]]["reasons"]


def test_every_corner_has_the_numbers_of_check(made: Made, tmp_path: Path) -> None:
    assert run("check", DEMO, "--corners", tmp_path / "corners.csv").status == 1
    with (tmp_path / "corners.csv").open(newline="") as file:
        records = list(csv.DictReader(line for line in file if not line.startswith("#")))
    _, _, *rows = made.page.tables["Every corner, its slab's fit and its own residual"]
    assert len(rows) == len(records) == 4 * 269
    for row, record in zip(rows, records, strict=True):
        assert row[-17] == record["corner"]  # names of slabs stand once for their four corners
        for place, name, decimals in CORNER_COLUMNS:
            shown, exact = row[place].replace(MINUS, "-"), record[name]
            if exact == "":
                assert shown == "\N{EN DASH}"
            else:
                assert float(shown) == pytest.approx(float(exact), rel=0, abs=0.51 * 10.0**-decimals + 1e-9)


def test_moves_have_the_numbers_of_check(made: Made) -> None:
    _, _, *rows = made.page.tables["Moves that bring them to the target"]
    moved = {record["slab"]: record for record in made.check["slabs"] if record["verdict"] == "out"}
    assert [row[0] for row in rows] == ["Q0137", "Q0182"]
    for row in rows:
        record = moved[row[0]]
        names = [name for screw in ("RL", "RR", "FL", "FR") for name in (f"lift_{screw}_mm", f"turns_{screw}")]
        names += [name for end in ("R", "F") for name in (f"push_{end}_mm", f"push_turns_{end}")]
        wanted = [told(record[name], 2, sign=True) for name in names]
        assert row[1 : 1 + len(wanted)] == wanted


def test_the_pages_say_the_same_digits(made: Made) -> None:
    text = " ".join(" ".join(made.texts).split())
    for record in made.check["slabs"]:
        numbers = " ".join(slab_row(record))
        row = rf"{record['slab']} A\d+ [\d+.]+ ?[#?-]? {record['verdict']} {re.escape(numbers)}"
        assert re.search(row, text), record


def test_the_summary_counts_like_check_and_ready(made: Made) -> None:
    table = {row[0]: row[1:] for row in made.page.tables["Verdicts"][1:]}
    for what, name in (("pose of the slabs", "slabs"), ("joints", "joints")):
        counts = list(made.check["summary"][name].values())
        assert table[what] == [str(sum(counts)), *map(str, counts)]
    for part in ("mortar gap", "bed", "anchors"):
        counts = list(made.mortar["summary"][part.split()[-1]].values())[:4]
        assert table[part][1:] == list(map(str, counts))
    state = made.ready["summary"]
    answer = f"{state['ready']} of {state['ready'] + state['not ready']} slabs that wait for injection are ready"
    assert answer in made.texts[0].replace("\n", " ")
    assert answer in made.html


def test_joints_and_mortar_have_the_numbers_of_their_commands(made: Made) -> None:
    _, _, *joints = made.page.tables["Steps and gaps of every joint"]
    for row, record in zip(joints, made.check["joints"], strict=True):
        assert row[0] == f"{record['rear_slab']} | {record['front_slab']}"
        assert row[3:5] == [told(record["step_level_left_mm"], 2, sign=True),
                            told(record["step_level_left_sigma_mm"], 2)]  # fmt: skip
        assert row[13] == told(record["gap_right_mm"], 1)
    _, _, *mortar = made.page.tables["Mortar gap, volume and anchors of every slab"]
    for row, record in zip(mortar, made.mortar["slabs"], strict=True):
        assert row[0] == record["slab"]
        assert row[3] == told(record["smallest_mm"], 1)
        assert row[-1] == record["why"]


def test_the_workbook_has_the_same_tables_unrounded(made: Made) -> None:
    book = openpyxl.load_workbook(made.xlsx)
    assert {"report", "summary", "slabs", "corners", "joints", "mortar", "rail limits", "tolerances", "inputs",
            "batches"} <= set(book.sheetnames)  # fmt: skip
    header, *rows = book["slabs"].iter_rows(values_only=True)
    at = {name: number for number, name in enumerate(header)}
    for row, record in zip(rows, made.check["slabs"], strict=True):
        for name in ("up_mm", "up_sigma_mm", "across_mm", "chainage_m"):
            value = row[at[name]]
            assert (np.nan if value is None else value) == pytest.approx(
                np.nan if record[name] is None else record[name], rel=0, abs=1e-9, nan_ok=True
            )
    words = [row[2] for row in book["report"].iter_rows(values_only=True)]
    assert "Record before injection" in words
    assert any("licensed surveyor" in str(word) for word in words)


def test_numbers_are_rounded_once_with_their_signs() -> None:
    shown = Shown("a_mm", "a", "mm", "number", 2, sign=True)
    values = np.array([0.005, 0.015, -0.0049, -1.235, 12.0, np.nan])
    assert cell_texts(shown, values) == [*(told(v, 2, sign=True) for v in values[:5].tolist()), "\N{EN DASH}"]
    km = Shown("chainage_m", "chainage", "km", "chainage")
    assert cell_texts(km, np.array([27999.96, -12.34, np.nan])) == ["28+000.0", f"{MINUS}0+012.3", "\N{EN DASH}"]
