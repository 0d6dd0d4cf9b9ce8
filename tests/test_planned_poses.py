"""What mortar, rail and fasteners have to expect once the correction plan is carried out; points from LandXML."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest
from project_copies import DEMO, SURVEY, copy_of_demo, run

from geometry.exchange.landxml_points import read_cg_points
from geometry.exchange.plan_inputs import plan_of
from geometry.exchange.project import open_project
from viewer.running import check_of


@pytest.fixture(scope="module")
def built_and_planned() -> dict[str, dict[str, dict[str, object]]]:
    told = {}
    for pose in ("built", "planned"):
        answer = run("mortar", DEMO, "--pose", pose, "--json", "-")
        assert answer.status == 1
        told[pose] = {row["slab"]: row for row in json.loads(answer.out)["slabs"]}
    return told


def test_the_gap_changes_by_what_the_plan_lifts(
    built_and_planned: dict[str, dict[str, dict[str, float]]],
) -> None:
    project = open_project(DEMO)
    _, check = check_of(project, (), None)
    plan = plan_of(project, check)
    names = project.layout.names.tolist()
    built, planned = built_and_planned["built"], built_and_planned["planned"]
    for slab in ("Q0137", "Q0182", "Q0363"):
        k = names.index(slab)
        assert plan.touched[k]
        # the mean gap under a slab that is lifted at its middle by so much grows by that
        change = planned[slab]["mean_mm"] - built[slab]["mean_mm"]
        assert change == pytest.approx((plan.pose_after[k, 2] - check.pose[k, 2]) * 1e3, abs=0.05)
        assert abs(change) > 0.02
    still = [slab for slab in names if not plan.touched[names.index(slab)] and built[slab]["mean_mm"] is not None]
    apart = [abs(planned[s]["mean_mm"] - built[s]["mean_mm"]) for s in still]
    assert np.nanmax(apart) < 1e-3


def test_a_contradictory_survey_is_undecided_whatever_the_plan(
    built_and_planned: dict[str, dict[str, dict[str, str]]],
) -> None:
    for slab in ("Q0160", "Q0213", "Q0296"):
        assert built_and_planned["planned"][slab]["verdict"] == "undecided"
    assert built_and_planned["planned"]["Q0318"]["verdict"] == "not measured"


def test_the_planned_rail_is_better(tmp_path: Path) -> None:
    out = {}
    for pose in ("built", "planned"):
        told = json.loads(run("rail", DEMO, "--pose", pose, "--json", "-").out)
        out[pose] = {row["limit"]: row["out"] for row in told["limits"]}
    chords = [name for name in out["built"] if "chord" in name]
    assert sum(out["planned"][c] for c in chords) < sum(out["built"][c] for c in chords) / 3


def test_surveyed_points_of_a_landxml_file_are_a_survey(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    before = json.loads(run("check", project, "--json", "-").out)["slabs"]
    assert run("export", project, "--to", tmp_path / "corners.xml").status == 0
    for old in (project / "survey").iterdir():
        old.unlink()
    (tmp_path / "corners.xml").rename(project / "survey" / "corners.xml")
    answer = run("check", project, "--json", "-")
    assert answer.status == 1, answer.err
    told = json.loads(answer.out)
    assert "survey/corners.xml" in told["made_from"]["inputs_sha256"]
    # control points and target corners of the file are none of what was measured
    for was, now in zip(before, told["slabs"], strict=True):
        if now["verdict"] == was["verdict"] and was["up_mm"] is not None:
            assert abs(now["up_mm"] - was["up_mm"]) < 0.02, now["slab"]
    differ = [was["slab"] for was, now in zip(before, told["slabs"], strict=True) if now["verdict"] != was["verdict"]]
    assert differ == ["Q0160", "Q0296"]  # whose corner names contradict their places, left out of the file


def test_points_of_a_landxml_file_from_the_line(tmp_path: Path) -> None:
    assert run("export", DEMO, "--to", tmp_path / "corners.xml").status == 0
    told = json.loads(run("offsets", DEMO, tmp_path / "corners.xml", "--json", "-").out)
    from geometry.errors import Faults

    points = read_cg_points(tmp_path / "corners.xml", Faults())
    assert points is not None
    assert len(told["points"]) == len(points.names)
    assert max(abs(row["offset_m"]) for row in told["points"] if "-" in row["point"]) < 1.5
    assert min(abs(row["offset_m"]) for row in told["points"] if "-" not in row["point"]) > 3  # control beside the line
    (tmp_path / "broken.xml").write_text("<LandXML><CgPoints/></LandXML>")
    broken = run("offsets", DEMO, tmp_path / "broken.xml")
    assert broken.status == 2
    assert "broken.xml" in broken.err


@pytest.mark.parametrize(
    ("command", "read"),
    [
        (("rail",), {"seats.csv"}),
        (("rail", "--pose", "planned"), {"seats.csv", "bed/rest.csv", "anchors.csv"}),
        (("fasteners", "--from", "Q0176", "--to", "Q0188"), {"seats.csv"}),
        (("plan", "--from", "Q0176", "--to", "Q0188"), {"seats.csv", "bed/rest.csv", "anchors.csv"}),
        (("ready",), {"seats.csv", "bed/rest.csv", "anchors.csv"}),
    ],
)
def test_every_file_that_was_read_is_named_with_its_digest(command: tuple[str, ...], read: set[str]) -> None:
    told = json.loads(run(command[0], DEMO, *command[1:], "--json", "-").out)["made_from"]["inputs_sha256"]
    assert read | {"project.toml", SURVEY} <= set(told)
    for name in read:
        assert told[name] == hashlib.sha256((DEMO / name).read_bytes()).hexdigest()
