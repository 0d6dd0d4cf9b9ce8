"""Slabs that mortar holds: judged, but nobody is told to turn their screws."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.project_copies import change, copy_of_demo, read_rows, run, write_rows


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


def restaged(project: Path, slabs: set[str], stage: str) -> None:
    rows = read_rows(project)
    write_rows(project, [{**row, "stage": stage} if row["slab"] in slabs else row for row in rows])


def slabs_of(project: Path) -> dict[str, dict[str, object]]:
    return {slab["slab"]: slab for slab in json.loads(run("check", project, "--json", "-").out)["slabs"]}


def moves_of(slab: dict[str, object]) -> set[object]:
    return {value for name, value in slab.items() if name.startswith(("lift_", "turns_", "push_", "move_"))}


def test_an_injected_slab_is_judged_without_moves(project: Path) -> None:
    before = slabs_of(project)
    assert None not in moves_of(before["Q0137"])
    restaged(project, {"Q0137"}, "after injection")
    after = slabs_of(project)
    assert after["Q0137"]["verdict"] == before["Q0137"]["verdict"] == "out"
    assert after["Q0137"]["up_mm"] == before["Q0137"]["up_mm"]
    assert moves_of(after["Q0137"]) == {None}
    # only this one: the other slab that is out keeps its moves
    assert moves_of(after["Q0182"]) == moves_of(before["Q0182"])
    page = run("check", project).out
    assert "1 slab was measured after injection: mortar holds, no moves are given." in page
    moves = page.split("Moves that bring them to the target")[1].split("Joints")[0]
    assert "\nQ0182" in moves
    assert "\nQ0137" not in moves


def test_bare_points_on_an_injected_slab_hold_it_too(project: Path) -> None:
    rows = read_rows(project)
    # Q0120 and Q0121 were surveyed with neither slab nor corner
    assert sum(not row["slab"] for row in rows) >= 8
    write_rows(project, [{**row, "stage": "after injection"} if not row["slab"] else row for row in rows])
    after = slabs_of(project)
    assert moves_of(after["Q0120"]) == moves_of(after["Q0121"]) == {None}
    assert None not in moves_of(after["Q0119"])


def test_the_project_says_from_which_stage_on(project: Path) -> None:
    injection = '[injection]\nstage = "recheck"\nlow_mm = -0.5\nhigh_mm = 0.5\nsource = "test"\n\n[decision]\n'
    change(project, "project.toml", "[decision]\n", injection)
    restaged(project, {"Q0137"}, "after injection")  # later than recheck, so held as well
    restaged(project, {"Q0182"}, "recheck")
    after = slabs_of(project)
    assert moves_of(after["Q0137"]) == moves_of(after["Q0182"]) == {None}
    assert None not in moves_of(after["Q0138"])


def test_an_earlier_stage_asked_for_does_not_release_what_is_held(project: Path) -> None:
    """Mortar does not let go again, whatever stage the slab is judged by."""
    rows = read_rows(project)
    later = [{**row, "stage": "after injection"} for row in rows if row["slab"] == "Q0137"]
    write_rows(project, [*rows, *later])
    assert moves_of(slabs_of(project)["Q0137"]) == {None}
    asked = json.loads(run("check", project, "--stage", "fine", "--json", "-").out)
    slab = next(s for s in asked["slabs"] if s["slab"] == "Q0137")
    assert slab["verdict"] == "out"
    assert moves_of(slab) == {None}
