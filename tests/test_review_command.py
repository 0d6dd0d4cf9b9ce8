"""`slabpose review` as a designer runs it: page, CSV, JSON, refusals, a file in place of a project."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from project_copies import change, copy_of_demo, run

from geometry.exchange.project import open_project


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


def document(project: Path, *options: object) -> dict[str, Any]:
    answer = run("review", project, "--json", "-", *options)
    assert answer.status in (0, 1)
    found: dict[str, Any] = json.loads(answer.out)
    return found


def test_the_page_says_it_all_in_120_columns(project: Path) -> None:
    answer = run("review", project, "--longer", 500, "--longer", -300, "--span", "Tarn G6", "--worst", 3)
    assert answer.status == 0
    assert not answer.err
    lines = answer.out.splitlines()
    assert max(map(len, lines)) <= 120
    assert lines[0] == "Quillmoor link, track 2: 269 slabs by design, seating shared: 269 within"
    for title in (
        "Seatings side by side, all slabs", "Slab lengths side by side, seating shared",
        "Span Tarn G6, 24.863 m: ways to fill it, the best first", "Fewest types and special slabs over 16 spans",
        "Quantities",
    ):  # fmt: skip
        assert title in lines, title
    heads = [line.split() for line in lines if line.startswith("length of the main type")]
    assert heads == [["length", "of", "the", "main", "type", "m", "5.200", "5.700", "4.900"]]
    assert [line.split()[:8] for line in lines if line.startswith("A520 + A364")] == [
        ["A520", "+", "A364", "2", "7", "0", "laid", "out"]
    ]
    assert "Proven:" in answer.out
    # signs where a value has a side, none where it is a size
    cells = [line.split() for line in lines]
    assert any(row[:8] == ["fastener,", "to", "the", "left", "\u22120.26", "\u22126", "to", "+6"] for row in cells)
    assert any(row[:6] == ["anchor,", "along", "45.42", "at", "least", "30"] for row in cells)
    assert sum(line.startswith("versine   ") for line in lines) == 1


def test_every_slab_in_csv_and_all_in_json(project: Path, tmp_path: Path) -> None:
    file = tmp_path / "slabs.csv"
    whole = document(project, "--csv", file, "--longer", 500, "--span", "Tarn G6", "--span", "Skylark bank")
    rows = [line.split(",") for line in file.read_text().splitlines() if not line.startswith("#")]
    assert len(rows) == 1 + 269 == 1 + len(whole["slabs"])
    for name in rows[0]:
        assert name in {"slab", "type", "span", "verdict", "why"} or name.rsplit("_", 1)[1] in {"m", "mm", "permille"}
    read = open_project(project)
    by_name = {row["slab"]: row for row in whole["slabs"]}
    assert by_name["Q0216"]["versine_mm"] == pytest.approx(read.targets.versine[115] * 1e3, abs=6e-3)
    assert whole["summary"] == {"within": 269, "out": 0, "no limit": 0}
    assert whole["bed_follows_cant"] is True
    assert whole["limits"]["fastener_height"] == {"low_mm": -4.0, "high_mm": 26.0}
    assert whole["limits"]["anchor_ring"] == {"low_mm": 30.0, "high_mm": None}
    assert [row["seating"] for row in whole["seatings"]] == ["ends", "centre", "shared", "least_squares"]
    assert [row["longer_mm"] for row in whole["lengths"]] == [0.0, 500.0]
    assert [span["span"] for span in whole["span_options"]] == ["Tarn G6", "Skylark bank"]
    laid = [row for row in whole["span_options"][1]["options"] if row["laid_out"]]
    assert [(row["slabs_A520"], row["slabs_A364"], row["rank"]) for row in laid] == [(31, 0, 1)]
    assert whole["type_sets_proven"] is True
    assert whole["type_sets"][0]["types"] == "A520 + A364"
    best = whole["best_set_by_span"]
    assert sum(row["slabs_A364"] for row in best) == whole["type_sets"][0]["specials"] == 7
    # the layout of the demo is made by the same rules: its slabs are those of the best set
    assert [(row["slabs_A520"], row["slabs_A364"]) for row in best] == [
        (row["laid_out_A520"], row["laid_out_A364"]) for row in best
    ]
    quantities = whole["quantities"]
    assert quantities["anchors_between_slabs"] + len(read.spans) == 269
    assert quantities["anchors_at_span_ends"] == 2 * len(read.spans)
    assert quantities["mortar_with_losses_m3"] == pytest.approx(quantities["mortar_m3"] * 1.05, abs=1e-3)
    assert sum(row["fasteners"] for row in quantities["by_type"]) == 262 * 16 + 7 * 12


def test_some_seatings_only(project: Path) -> None:
    whole = document(project, "--seating", "ends", "--seating", "ends", "--seating", "shared")
    assert [row["seating"] for row in whole["seatings"]] == ["ends", "shared"]
    assert whole["lengths"] == []


def test_a_level_bed_is_out_on_cant(project: Path) -> None:
    change(project, "project.toml", "mortar_nominal_mm = 55.0", "mortar_nominal_mm = 55.0\nfollows_cant = false")
    answer = run("review", project)
    assert answer.status == 1
    assert "on a bed that is level across" in answer.out
    whole = document(project)
    worst = next(row for row in whole["worst"] if row["quantity"] == "mortar wedge")
    # 2.5 m of width at 130 mm on 1500
    assert worst["value_mm"] == pytest.approx(2500 * np.tan(np.arcsin(130 / 1500)), abs=2.0)
    canted = [row for row in whole["slabs"] if abs(row["cant_mm"]) > 20]
    assert canted
    assert all(row["why"] == "mortar, thickest" for row in canted)
    assert whole["quantities"]["mortar_m3"] > 250


def test_a_layout_that_is_given_is_told_beside_those_laid_out(project: Path) -> None:
    read = open_project(project)
    lines = ["slab,type,distance_m"]
    lines += [f"{name},{read.types[kind].name},{place:.6f}" for name, kind, place in zip(
        read.layout.names, read.layout.type_index, read.layout.distance, strict=True)][:-2]  # fmt: skip
    (project / "layout.csv").write_text("\n".join(lines) + "\n")
    answer = run("review", project, "--longer", 500)
    assert "The first column is the layout as it is given" in answer.out
    assert "The first column" not in run("review", project).out
    # as long as the line is the same, there is nothing to tell
    (project / "layout.csv").unlink()
    assert "The first column" not in run("review", project, "--longer", 500).out


def test_a_span_that_nothing_fills(project: Path) -> None:
    change(project, "structures.csv", "Tarn G6,viaduct,27874.800,27899.660", "Tarn G6,viaduct,27874.800,27897.000")
    answer = run("review", project, "--span", "Tarn G6")
    assert answer.status == 1
    assert "nothing fits, this comes nearest" in answer.out
    assert "No set fills Tarn G6: not counted here." in answer.out
    assert "layout" in answer.out
    whole = document(project, "--span", "Tarn G6")
    assert whole["span_options"][0]["found"] == 0
    assert whole["span_options"][0]["options"][0]["outside_mm"] > 0
    assert [row["span"] for row in whole["best_set_by_span"] if not row["possible"]] == ["Tarn G6"]


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--span", "Tarn G66"], "--span: expected the name of a span, found 'Tarn G66' (did you mean Tarn G6?)"),
        (["--longer", "-5000"], "A520 of 5.2 m cannot be -5000 mm longer"),
        (["--longer", "half a metre"], "expected a length of -10000 to 10000 mm, found 'half a metre'"),
        (["--seating", "middle"], "'middle' is not one of"),
        (["--worst", "0"], "0 is not in the range"),
        (["--like", "elsewhere"], "--like: expected a designer's file"),
    ],
)
def test_refusals(project: Path, options: list[str], told: str) -> None:
    answer = run("review", project, *options)
    assert answer.status == 2
    assert told in answer.err.replace("\n", " ")
    assert not answer.out


def test_a_designers_file_with_the_slabs_of_a_project(project: Path, tmp_path: Path) -> None:
    file = tmp_path / "line.xml"
    assert run("export", project, "--to", file).status == 0
    assert run("review", file).status == 2
    whole = document(file, "--like", project)
    # one span from end to end, on the same line
    assert [row["span"] for row in whole["best_set_by_span"]] == ["line"]
    assert whole["quantities"]["anchors_at_span_ends"] == 2
    on_arc = [row["versine_mm"] for row in whole["slabs"] if 446 < row["distance_m"] < 634 and row["type"] == "A520"]
    assert max(on_arc) == pytest.approx(5.2**2 / 8 / 5200 * 1e3, abs=0.02)
