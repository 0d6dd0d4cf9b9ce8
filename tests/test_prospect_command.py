"""The command plan-setup: its files and its pages."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path

import numpy as np
import pytest
from command_line import UNITS, on_terminal
from project_copies import copy_of_demo, run

from geometry.alignment import project as project_points
from geometry.errors import Faults
from geometry.exchange.control_files import read_control, read_places
from geometry.exchange.project import Project, open_project
from geometry.exchange.prospect_tables import line_of
from tests.planned_setups import (
    FINE,
    MM,
    SECOND,
    beside,
    foresee,
    pairs,
)

# -- files ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    return open_project(copy_of_demo(tmp_path_factory.mktemp("prospect")))


def test_control_files(tmp_path: Path) -> None:
    path = tmp_path / "control.csv"
    path.write_text("point,easting_m,northing_m,level_m,sigma_easting_mm,sigma_level_mm\n"
                    "A,431208.4,186740.1,212.5,0.7,\nB,431218.4,186745.1,213.5,,0\n")  # fmt: skip
    faults = Faults()
    control = read_control(path, faults, (0.5 * MM, 0.6 * MM, 0.3 * MM))
    faults.stop_if_any()
    assert control.names == ("A", "B")
    assert control.xyz[1].tolist() == [431218.4, 186745.1, 213.5]
    np.testing.assert_allclose(control.sigma / MM, [[0.7, 0.6, 0.3], [0.5, 0.6, 0.0]], rtol=0, atol=1e-12)
    assert not faults.warnings
    path.write_text(path.read_text().replace("0.7,", "0.0007,"))
    read_control(path, faults, (0.5 * MM, 0.6 * MM, 0.3 * MM))
    assert [str(w) for w in faults.warnings] == [
        "control.csv:2: sigma_easting_mm: expected a sigma of 0 (fixed) or from 0.01 mm on, found 0.0007 (metres?)"
    ]


def test_bad_control_files_say_everything_at_once(tmp_path: Path) -> None:
    path = tmp_path / "control.csv"
    path.write_text("point,easting_m,northing_m,level_m,sigma_level_mm\nA,431208.4,x,212.5,0.3\n"
                    "B,431218.4,186745.1,,-1\n,431218.4,186745.1,213.0,0.3\n")  # fmt: skip
    faults = Faults()
    assert len(read_control(path, faults, (0.5 * MM,) * 3)) == 0
    assert sorted(fault.where for fault in faults.errors) == [
        "control.csv:2: northing_m", "control.csv:3: level_m", "control.csv:3: sigma_level_mm", "control.csv:4: point"
    ]  # fmt: skip
    path.write_text("point,easting_m,northing_m,level_m\nA,1,2,3\nB,2,3,4\nA,5,6,7\nB,5,6,8\n")
    faults = Faults()
    assert len(read_control(path, faults, (0.5 * MM,) * 3)) == 0
    assert [str(fault) for fault in faults.errors] == [
        "control.csv:4: point: expected each control point once, found 'A' again (first on line 2)",
        "control.csv:5: point: expected each control point once, found 'B' again (first on line 3)",
    ]
    bounds = np.array([431000.0, 186000.0, 100.0]), np.array([432000.0, 187000.0, 300.0])
    path.write_text("point,easting_m,northing_m,level_m\nA,186740.1,431208.4,212\nB,186750,431300,212\n")
    faults = Faults()
    read_control(path, faults, (0.5 * MM,) * 3, bounds)
    assert "easting and northing exchanged" in str(faults.errors[0])


def test_planned_places_by_grid_and_by_chainage(project: Project, tmp_path: Path) -> None:
    path = tmp_path / "places.csv"
    path.write_text("name,easting_m,northing_m,level_m,chainage_m,offset_m,height_m\n"
                    "grid,431300.5,186790.25,214.125,,,\nline,,,,28200.5,-3.25,1.5\n")  # fmt: skip
    faults = Faults()
    places = read_places(path, project.alignment, project.count, faults)
    faults.stop_if_any()
    assert places.names == ("grid", "line")
    assert places.xyz[0].tolist() == [431300.5, 186790.25, 214.125]
    foot = project_points(project.alignment, places.xyz[1])
    # the count jumps by 12.5 m at 28+100: 28200.5 is 788 m from the start
    found = [float(foot.distance), float(foot.offset), float(foot.height)]
    assert found == pytest.approx([788.0, -3.25, 1.5], abs=1e-6)


def test_bad_places_say_everything_at_once(project: Project, tmp_path: Path) -> None:
    path = tmp_path / "places.csv"
    path.write_text("name,easting_m,northing_m,level_m,chainage_m,offset_m,height_m\n"
                    "a,1,2,,,,\nb,1,2,3,27500,1,1\nc,,,,28105,1,1\nd,,,,,,\na,1,2,3,,,\ne,,,,27500,x,1\n")  # fmt: skip
    faults = Faults()
    places = read_places(path, project.alignment, project.count, faults)
    assert len(places.names) == 0
    told = sorted(str(fault) for fault in faults.errors)
    either = "expected easting_m, northing_m, level_m, or else chainage_m, offset_m, height_m, found"
    assert told[0] == f"places.csv:2: {either} easting_m, northing_m"
    assert told[1].startswith(f"places.csv:3: {either} easting_m, northing_m, level_m, chainage_m")
    assert told[2].startswith("places.csv:4: chainage_m: expected a chainage that names one place")
    assert told[3] == f"places.csv:5: {either} none of them"
    assert told[4].startswith("places.csv:6: name: expected each name once, found 'a' again")
    assert told[5].startswith("places.csv:7: offset_m: ")
    assert len(told) == 6


# -- the command ---------------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path, project: Project) -> Path:
    copy = copy_of_demo(tmp_path)
    control = pairs(project)
    lines = [f"{n},{e:.4f},{h:.4f},{z:.4f}" for n, (e, h, z) in zip(control.names, control.xyz.tolist(), strict=True)]
    (copy / "control.csv").write_text("\n".join(["point,easting_m,northing_m,level_m", *lines]) + "\n")
    (copy / "places.csv").write_text("name,chainage_m,offset_m,height_m\nout,28500,300,1.6\nS1,27730,2.3,1.45\n"
                                     "S2,27812,-2,1.6\n")  # fmt: skip
    return copy


HERE = ("--at-chainage", "27+730", "--offset", "2.3", "--height", "1.45")
POOR_OPTIONS = ("--instrument", "2", "--centring-mm", "0.3", "--prism-height-mm", "0.2", "--control-level-mm", "0.3",
                "--control-plan-mm", "0.5")  # fmt: skip


def test_the_command_says_what_the_geometry_does(folder: Path, project: Project) -> None:
    answer = run("plan-setup", folder, *HERE, "--json", "-")
    assert answer.status == 0, answer.err
    document = json.loads(answer.out)
    control = pairs(project, (0.4 * MM, 0.4 * MM, 0.2 * MM))
    seen = foresee(project, beside(project, 330.0, 2.3, 1.45), control, FINE)
    (place,) = document["positions"]
    assert place["offset_m"] == pytest.approx(2.3, abs=1e-6)
    assert place["chainage_m"] == pytest.approx(27730.0, abs=1e-6)
    sigma = seen.setups.sigma[0]
    assert place["sigma_level_mm"] == pytest.approx(sigma[2] * 1e3, rel=1e-4)
    assert place["orientation_sigma_arcsec"] == pytest.approx(sigma[3] / SECOND, rel=1e-4)
    assert place["corners_decidable"] == seen.marks_decidable[0]
    assert place["reach_m"] == pytest.approx(seen.reach_length[0], abs=1e-3)
    first, last = seen.slab[seen.reach[0]]
    line = line_of(project)
    start = float(project.count.to_chainage(line.distance[first] - line.half_length[first]))
    end = float(project.count.to_chainage(line.distance[last] + line.half_length[last]))
    assert [place["reach_start_chainage_m"], place["reach_end_chainage_m"]] == pytest.approx([start, end], abs=1e-6)
    assert [row["up_sigma_mm"] for row in document["slabs"]] == pytest.approx(
        (seen.outlooks["up"].sigma * 1e3).tolist(), rel=1e-4
    )
    assert len(document["corners"]) == 4 * len(document["slabs"])
    assert len(document["joints"]) == len(seen.joints.front)
    assert {row["point"] for row in document["control"]} == {control.names[i] for i in seen.setups.target}
    assert document["decision_rule"] == {
        "rule": "JCGM 106:2012 guard band on both sides of each limit", "guard_factor": 2.0, "left_percent": 50.0
    }  # fmt: skip
    assert {"control.csv", "project.toml"} <= set(document["made_from"]["inputs_sha256"])
    covariance = np.array(document["covariances"][0]["easting_northing_level_m_orientation_rad"])
    np.testing.assert_allclose(covariance, seen.setups.covariance[0], rtol=1e-3, atol=0)
    assumed = " ".join(document["assumptions"])
    # the project file says these: what the check will state of readings of this instrument
    assert 'mean of two faces: directions 0.5", zenith angles 0.5", distances 0.6 mm, and 1 ppm, prisms' in assumed
    assert "6 control points without all sigmas: 0.4 mm in plan, 0.2 mm in level." in assumed


def test_what_nobody_said_is_assumed(folder: Path) -> None:
    def assumed(*options: str) -> str:
        return " ".join(json.loads(run("plan-setup", folder, *HERE, *options, "--json", "-").out)["assumptions"])

    text = assumed("--instrument", "1", "--zenith-arcsec", "0.7")
    assert 'directions 1" (assumed), zenith angles 0.7", distances 1 mm (assumed), and 1 ppm (assumed)' in text
    assert "prisms 0.2 mm off their points in plan, 0.1 mm in height." in text
    toml = (folder / "project.toml").read_text()
    (folder / "project.toml").write_text(re.sub(r"\[instrument\].*?\n\n", "", toml, flags=re.DOTALL))
    text = assumed()
    assert 'directions 1" (assumed), zenith angles 1" (assumed)' in text
    assert "0.2 mm in height (assumed)" in text
    assert "0.5 mm in plan (assumed), 0.3 mm in level (assumed)." in text


def test_candidates_are_ranked_and_written(folder: Path) -> None:
    out = folder.parent
    answer = run("plan-setup", folder, "--candidates", folder / "places.csv", "--csv", out / "s.csv",
                 "--corners", out / "c.csv", "--positions", out / "p.csv", "--json", out / "d.json")  # fmt: skip
    assert answer.status == 0, answer.err

    def rows(name: str) -> list[dict[str, str]]:
        text = (out / name).read_text()
        assert "# made from control.csv " in text
        assert "# made from places.csv " in text
        return list(csv.DictReader(io.StringIO("".join(x for x in text.splitlines(True) if not x.startswith("#")))))

    places = rows("p.csv")
    assert [row["rank"] for row in places] == ["1", "2", "3"]
    assert places[2]["setup"] == "out"
    assert places[2]["sigma_level_mm"] == ""
    assert int(places[0]["corners_decidable"]) >= int(places[1]["corners_decidable"]) > 0
    slabs, corners = rows("s.csv"), rows("c.csv")
    assert {row["setup"] for row in slabs} == {"S1", "S2"}
    assert len(corners) == 4 * len(slabs)
    decidable = sum(row["decidable"] == "true" for row in corners if row["setup"] == places[0]["setup"])
    assert decidable == int(places[0]["corners_decidable"])
    bare = re.compile(r"rank|slabs|control_points|corners_decidable|\w*checked\w*|redundancy_\w+")
    for table in (places, slabs, corners):
        for name in table[0]:
            numbers = [row[name] for row in table if re.fullmatch(r"-?\d+(\.\d+)?", row[name])]
            assert not numbers or name.endswith((*UNITS, "_arcsec")) or bare.fullmatch(name), name
    told = {f["kind"]: f for f in json.loads((out / "d.json").read_text())["findings"] if f["setup"] == "out"}
    assert told["not determined"]["weak"]


def test_the_status_says_whether_anything_can_be_decided(folder: Path) -> None:
    assert run("plan-setup", folder, *HERE).status == 0
    assert run("plan-setup", folder, *HERE, *POOR_OPTIONS).status == 1
    assert run("plan-setup", folder, *HERE, *POOR_OPTIONS, "--left-percent", "5").status == 0


def test_named_control_points_only(folder: Path) -> None:
    answer = run("plan-setup", folder, *HERE, "--sight", "L05", "--sight", "R07", "--sight", "L08", "--json", "-")
    assert {row["point"] for row in json.loads(answer.out)["control"]} == {"L05", "R07", "L08"}


def test_rounds_and_values_of_the_instrument_count(folder: Path) -> None:
    def sigma(*options: str) -> dict[str, float]:
        document = json.loads(run("plan-setup", folder, *HERE, *options, "--json", "-").out)
        mark = document["corners"][0]
        place = document["positions"][0]
        return {
            "level": place["sigma_level_mm"],
            "turn": place["orientation_sigma_arcsec"],
            "own_up": mark["up_own_mm"],
            "own_along": mark["along_own_mm"],
            "own_across": mark["across_own_mm"],
        }

    base = sigma()
    assert sigma("--rounds", "4")["level"] < base["level"]
    assert sigma("--rounds", "4")["own_up"] == pytest.approx(base["own_up"], rel=1e-9)
    assert sigma("--mark-rounds", "4")["own_up"] < 0.9 * base["own_up"]
    assert sigma("--mark-rounds", "4")["level"] == base["level"]
    for option, key in (("--zenith-arcsec", "own_up"), ("--direction-arcsec", "own_across"),
                        ("--distance-mm", "own_along"), ("--prism-height-mm", "own_up"),
                        ("--centring-mm", "own_across")):  # fmt: skip
        assert sigma(option, "5")[key] > 2 * base[key], option
    assert sigma("--distance-ppm", "50")["own_along"] > 2 * base["own_along"]
    assert sigma("--control-level-mm", "3")["level"] > 3 * base["level"]
    assert sigma("--control-plan-mm", "3")["turn"] > 3 * base["turn"]


def test_bad_options_and_files_are_told_together(folder: Path) -> None:
    (folder / "control.csv").write_text("point,easting_m,northing_m,level_m\nA,431208.4,x,212.5\nB,431208,186740,212\n")
    answer = run("plan-setup", folder, "--at-chainage", "27730", "--range-min", "90")
    assert answer.status == 2
    assert answer.out == ""
    assert "control.csv:2: northing_m" in answer.err
    assert "--offset, --height: expected a value, found none" in answer.err
    assert "--range-min and --range-max: expected the shorter sight first, found 90 and 80" in answer.err
    (folder / "control.csv").unlink()
    answer = run("plan-setup", folder)
    assert answer.status == 2
    assert "control.csv: expected a file of control points, found none (name it with --control FILE)" in answer.err
    assert "--at-chainage, --offset and --height: expected a planned position, found none" in answer.err
    for options in (("--instrument", "3"), ("--rounds", "0"), ("--left-percent", "100"), ("--steep-deg", "95"),
                    ("--distance-mm", "0"), ("--offset", "left"), ("--reach", "nan")):  # fmt: skip
        assert run("plan-setup", folder, *options).status == 2


def test_mistaken_names_and_places_are_told(folder: Path) -> None:
    answer = run("plan-setup", folder, *HERE, "--sight", "L5", "--candidates", folder / "places.csv")
    assert answer.status == 2
    assert "--sight: expected a control point of control.csv, found 'L5' (did you mean L" in answer.err
    assert "expected a position, or else a file of --candidates, found both" in answer.err
    answer = run("plan-setup", folder, "--at-chainage", "28+105", "--offset", "2", "--height", "1")
    assert answer.status == 2
    assert "--at-chainage: expected a chainage that names one place" in answer.err
    # the left point of the sixth pair: 3 m further on than 27+665, 4.6 m to the left
    over = ("--at-chainage", "27668", "--offset", "-4.6", "--height", "2.0")
    answer = run("plan-setup", folder, *over, "--sight", "L05")
    assert answer.status == 2
    assert "L05 straight over or under it" in answer.err


def test_results_do_not_replace_what_they_are_made_from(folder: Path) -> None:
    before = (folder / "control.csv").read_bytes()
    assert run("plan-setup", folder, *HERE, "--csv", folder / "control.csv").status == 2
    places = folder / "places.csv"
    assert run("plan-setup", folder, "--candidates", places, "--positions", places).status == 2
    assert (folder / "control.csv").read_bytes() == before


@pytest.mark.parametrize("width", [80, 100, 120])
def test_the_page_fits(width: int, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for where in (HERE, ("--candidates", folder / "places.csv")):
        arguments = ("plan-setup", folder, *where, *POOR_OPTIONS[:2])
        page = re.sub(r"\x1b\[[\d;]*m", "", on_terminal(width, monkeypatch, *arguments))
        assert max(len(line.rstrip()) for line in page.splitlines()) <= width
        for text in ("What they can decide", "standard error ellipse", "2.45 times as large", "~ narrow",
                     "slabs and joints in reach", "Taken for granted", "(assumed)"):  # fmt: skip
            assert text in " ".join(page.split())
        assert ", the best first" in page if where is not HERE else ", the best first" not in page


def test_the_page_without_any_determined_position(folder: Path) -> None:
    answer = run("plan-setup", folder, "--at-chainage", "28500", "--offset", "300", "--height", "1.6")
    assert answer.status == 1
    assert "! no control point is sighted (10 to 80 m are): position and orientation are not" in answer.out
