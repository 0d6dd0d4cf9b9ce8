# ruff: noqa: E501 - what is broken and what has to be told of it stand in one line
"""A stranger's survey, broken in every way: a clear error, warning or finding, and no wrong verdict."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from broken_projects import Row, plus, told
from project_copies import SURVEY, copy_of_demo, read_rows, run, write_rows


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


# changes of the rows of a survey
def every(**changes: Callable[[str], str]) -> Callable[[list[Row]], list[Row]]:
    return lambda rows: [{**row, **{name: new(row[name]) for name, new in changes.items()}} for row in rows]


def of(where: str, at: str | None = None, /, **changes: Callable[[str], str]) -> Callable[[list[Row]], list[Row]]:
    def made(rows: list[Row]) -> list[Row]:
        return [
            {**row, **{name: new(row[name]) for name, new in changes.items()}}
            if row["slab"] == where and at in (None, row["corner"])
            else row
            for row in rows
        ]

    return made


def to(text: str) -> Callable[[str], str]:
    return lambda _: text


def exchanged(rows: list[Row]) -> list[Row]:
    return [{**row, "easting_m": row["northing_m"], "northing_m": row["easting_m"]} for row in rows]


def with_sigma(text: str) -> Callable[[list[Row]], list[Row]]:
    return lambda rows: [{**row, "sigma_level_mm": text} for row in rows]


# a change, and what has to be told of it
REFUSED = {
    "not finite": (of("Q0105", "FL", level_m=to("nan")), f"{Path(SURVEY).name}:20: level_m: expected a level in m, found 'nan' (leave the row out if it was not measured)"),
    "one level in mm": (of("Q0105", "FL", level_m=to("212756.28")), ":20: level_m: expected a level of 12 to 418 m, found 212756.28 (millimetres?)"),
    "levels in mm": (every(level_m=lambda v: f"{round(float(v))}000"), ":2: level_m: expected one of 12 to 418 m, on this project, found 213000.000, and 1204 of 1204 elsewhere (millimetres?)"),
    "exchanged": (exchanged, "found 1204 points of 1204 elsewhere (easting and northing exchanged, here or in horizontal.csv?)"),
    "exchanged for one slab": (lambda rows: [*exchanged(rows[:4]), *rows[4:]], "found 4 points of 1204 elsewhere (easting and northing exchanged"),
    "another project": (every(easting_m=plus(2e5)), "1204 of 1204 elsewhere (another project, or another coordinate system?)"),
    "time with day first": (of("Q0105", "FL", time=to("14.05.2031")), "write the year first"),
    "sigma zero": (with_sigma("0"), ":2: sigma_level_mm: expected a sigma of 0.001 to 1000 mm, found 0"),
    "sigma negative": (with_sigma("-0.1"), "found -0.1"),
    "sigma huge": (with_sigma("1e6"), "found 1e6"),
    "point without a name": (of("Q0105", "FL", point=to("")), ":20: point: expected a point name, found an empty cell"),
}  # fmt: skip


@pytest.mark.parametrize(("made", "expected"), REFUSED.values(), ids=REFUSED)
def test_a_survey_that_cannot_be_read(project: Path, made: Callable[[list[Row]], list[Row]], expected: str) -> None:
    write_rows(project, made(read_rows(project)))
    answer = run("check", project)
    told(answer, expected)
    if "1204" in expected:
        assert len(answer.err.splitlines()) == 1


def test_many_faults_of_one_kind_are_counted(project: Path) -> None:
    write_rows(project, with_sigma("0")(read_rows(project)))
    answer = run("check", project)
    told(answer, "1184 more like these")
    assert len(answer.err.splitlines()) == 21


def renamed(slab: str, names: dict[str, str]) -> Callable[[list[Row]], list[Row]]:
    return of(slab, corner=lambda_of(names))


def lambda_of(names: dict[str, str]) -> Callable[[str], str]:
    return lambda text: names.get(text, text)


def again(**changes: Callable[[str], str]) -> Callable[[list[Row]], list[Row]]:
    """Add a second measurement of FL of Q0105."""

    def made(rows: list[Row]) -> list[Row]:
        first = next(row for row in rows if (row["slab"], row["corner"]) == ("Q0105", "FL"))
        return [*rows, {**first, "point": "X1", **{name: new(first[name]) for name, new in changes.items()}}]

    return made


def without(*corners: str) -> Callable[[list[Row]], list[Row]]:
    return lambda rows: [row for row in rows if row["slab"] != "Q0105" or row["corner"] not in corners]


# a change, the verdict of slab Q0105 after it, and what the page has to say: none of the texts may be missing
FOUND = {
    "unknown slab": (of("Q0105", slab=to("Q9105")), "undecided", ["4 points, the first is point P0017 of unknown slab 'Q9105' (fine_adjustment.csv:18), lie on slab Q0105"]),
    "unknown slab elsewhere": (of("Q0105", slab=to("Q9105"), easting_m=plus(1)), "not measured", ["point P0017 of unknown slab 'Q9105' (fine_adjustment.csv:18) is within 0.120 m of no mark"]),
    "unknown corner": (of("Q0105", "FL", corner=to("XX")), "undecided", ["point P0019 of unknown corner 'XX' (fine_adjustment.csv:20) lies at FL of slab Q0105"]),
    "half a turn": (renamed("Q0105", {"RL": "FR", "FR": "RL", "RR": "FL", "FL": "RR"}), "undecided", ["(half a turn: names, or the slab itself)"]),
    "wrong number": (of("Q0105", slab=to("Q0106")), "undecided", ["4 points named slab Q0106 lie on slab Q0105"]),
    "two slabs exchanged": (every(slab=lambda_of({"Q0105": "Q0106", "Q0106": "Q0105"})), "undecided", ["4 points named slab Q0105 lie on slab Q0106", "4 points named slab Q0106 lie on slab Q0105"]),
    "corner far away": (of("Q0105", "FL", easting_m=plus(0.2)), "undecided", ["point P0019 (fine_adjustment.csv:20) lies 0.", "further than 0.120 m: not used"]),
    "measured twice at once": (again(level_m=plus(0.001)), "undecided", ["FL of slab Q0105 measured 2 times", "neither set-up nor time tells which counts"]),
    "measured twice without time": (again(time=to("")), "undecided", ["none is used"]),
    "row copied": (again(), "undecided", ["FL of slab Q0105 measured 2 times, up to 0.0 mm apart"]),
    "measured again later": (again(time=to("2031-05-15T07:20:00Z")), "within", ["the latest is used"]),
    "set-ups agree": (again(setup=to("S77")), "within", []),
    "set-ups differ": (again(setup=to("S77"), level_m=plus(0.005)), "undecided", ["FL of slab Q0105 differs by 5.0 mm between set-ups", "the set-ups do not agree on FL"]),
    "height wrong": (of("Q0105", "FL", level_m=plus(0.006)), "undecided", ["the heights of slab Q0105 do not lie in one plane", "the neighbours' levels speak for FL"]),
    "plan wrong": (of("Q0105", "RR", easting_m=plus(0.02)), "undecided", ["RR of slab Q0105 does not fit the other marks"]),
    "three corners": (without("FL"), "within", ["three corners, no check"]),
    "two corners": (without("FL", "RR"), "not measured", ["too few corners"]),
    "one corner": (without("FL", "RR", "FR"), "not measured", ["too few corners"]),
    "slab named, corners not": (of("Q0105", corner=to("")), "within", []),
    "corners named, slab not": (of("Q0105", slab=to("")), "within", []),
    "corners turned, slab not named": (lambda rows: of("Q0105", slab=to(""))(renamed("Q0105", {"RL": "RR", "RR": "RL"})(rows)), "undecided", ["RL lies at RR, RR lies at RL"]),
    "no fault": (every(), "within", []),
}  # fmt: skip


@pytest.mark.parametrize(("made", "verdict", "expected"), FOUND.values(), ids=FOUND)
def test_what_a_survey_contradicts_is_found(
    project: Path, made: Callable[[list[Row]], list[Row]], verdict: str, expected: list[str]
) -> None:
    write_rows(project, made(read_rows(project)))
    result = project / "verdicts.json"
    answer = run("check", project, "--json", result)
    assert answer.status == 1
    document = json.loads(result.read_text())
    verdicts = {row["slab"]: row["verdict"] for row in document["slabs"]}
    assert verdicts["Q0105"] == verdict
    page = " ".join(answer.out.split())
    for text in expected:
        assert text in page
    beside = {tuple(row[f"{end}_slab"] for end in ("rear", "front")): row["verdict"] for row in document["joints"]}
    for joint in (("Q0104", "Q0105"), ("Q0105", "Q0106")):
        assert beside[joint] == verdict
    # nothing else in the section changes
    others = {name: text for name, text in verdicts.items() if name not in ("Q0105", "Q0106")}
    wrong = {"Q0137": "out", "Q0182": "out", "Q0160": "undecided", "Q0213": "undecided", "Q0296": "undecided",
             "Q0318": "not measured"}  # fmt: skip
    assert {name: text for name, text in others.items() if text != "within"} == wrong


SPELT = {
    "lower case": every(slab=str.lower, corner=str.lower),
    "blanks around": every(slab=lambda text: f" {text} "),
    "blank inside": every(slab=lambda text: text.replace("Q", "Q ")),
    "hyphen": every(slab=lambda text: text.replace("Q", "q-")),
}


@pytest.mark.parametrize(("how", "made"), SPELT.items(), ids=SPELT)
def test_names_that_are_spelt_otherwise_are_taken_as_meant(
    project: Path, how: str, made: Callable[[list[Row]], list[Row]]
) -> None:
    before = run("check", project).out
    write_rows(project, made(read_rows(project)))
    answer = run("check", project)
    assert answer.out == before
    assert ("taken as meant" in answer.err) is (how != "blanks around")


def test_a_spelling_that_fits_two_names_is_unknown(project: Path) -> None:
    (project / "layout.csv").write_text("slab,type,chainage_m\nA-1,A520,27500\nA 1,A520,27505.28\n")
    rows = [{**row, "slab": "a1"} for row in read_rows(project)[:4]]
    write_rows(project, rows)
    answer = run("check", project)
    assert "taken as meant" not in answer.err
    assert "of unknown slab 'a1'" in answer.out


def test_a_datum_that_differs_is_told_as_a_whole(project: Path) -> None:
    write_rows(project, every(level_m=plus(0.2))(read_rows(project)))
    answer = run("check", project)
    assert answer.status == 1
    assert "598 of 598 further away" in answer.err
    assert "+0.200 m up of the design, turned by +0.000 deg" in answer.err
    assert "  within            0       0" in answer.out


def test_sigmas_that_nobody_has(project: Path) -> None:
    for text, hint in (("0.001", " (metres?)"), ("999", "")):
        write_rows(project, with_sigma(text)(read_rows(project)))
        answer = run("check", project)
        assert f"sigma_level_mm: expected sigmas of 0.01 to 20 mm, found {text} to {text}{hint}\n" in answer.err
        within = re.search(r"  within +(\d+) +(\d+)\n", answer.out)
        assert within is not None
        assert int(within[1]) < 30  # a few of 268 planes happen to fit to a thousandth of a millimetre
        assert int(within[2]) < 30


def test_a_stage_that_the_project_does_not_know(project: Path) -> None:
    """One row with a typing error would be a later stage, and all of its slab's other rows an earlier one."""
    write_rows(project, of("Q0105", "FL", stage=to("fime"))(read_rows(project)))
    answer = run("check", project)
    assert (
        "warning: survey: stage: expected a stage of project.toml (rough, fine, recheck, after injection), found 'fime' (did you mean fine?)"
        in answer.err
    )
    assert re.search(r"Q0105 .* - not measured", answer.out)
    assert "Surveyed points used: fine: 1200, fime: 1." in answer.out


def test_points_without_names_count_in_the_last_stage_of_their_own_slab(project: Path) -> None:
    rows = read_rows(project)
    later = [{**row, "stage": "recheck", "point": f"R{i}"} for i, row in enumerate(rows) if row["slab"] == "Q0137"]
    write_rows(project, [*rows, *later])
    answer = run("check", project)
    assert "fine: 1200, recheck: 4." in answer.out
    assert not re.search(r"Q012[01] .*not measured", answer.out)


def test_a_point_name_for_two_places(project: Path) -> None:
    write_rows(project, of("Q0105", "FL", point=to("P0001"))(read_rows(project)))
    answer = run("check", project)
    assert (
        "warning: fine_adjustment.csv:20: point: expected each name for one place, found 'P0001' for places 2"
        in answer.err
    )
    assert "(first on line 2)" in answer.err


def test_times_with_and_without_a_zone(project: Path) -> None:
    write_rows(project, of("Q0105", "FL", time=lambda text: text.removesuffix("Z"))(read_rows(project)))
    assert "those without are taken as UTC" in run("check", project).err


def test_one_point_and_points_of_one_slab_only(project: Path) -> None:
    rows = read_rows(project)
    for count, measured in ((1, 0), (4, 1)):
        write_rows(project, rows[:count])
        answer = run("check", project)
        assert answer.status == 1
        assert re.search(rf"  within +{measured} +0\n.*\n.*\n- not measured +{269 - measured} +268\n", answer.out)


def test_a_survey_without_rows_or_without_files(project: Path) -> None:
    (project / SURVEY).write_text((project / SURVEY).read_text().split("\n")[0] + "\n")
    told(run("check", project), "expected at least one row, found only the header")
    shutil.rmtree(project / "readings")  # without a survey these would be taken
    (project / SURVEY).unlink()
    told(run("check", project), "expected a survey: CSV files of points, found none (put the surveyed points there")
    (project / "survey").rmdir()
    told(run("check", project), "expected a survey: CSV files of points, found none")
    (project / "survey").write_text("")
    told(run("check", project), "expected a survey: CSV files of points, found none")


def test_survey_files_in_capitals_are_read(project: Path) -> None:
    (project / SURVEY).rename(project / "survey" / "FINE.CSV")
    assert "fine: 1204" in run("check", project).out


def test_several_surveys(project: Path) -> None:
    rows = read_rows(project)
    write_rows(project, rows[:600], "survey/a.csv")
    write_rows(project, rows[600:], "survey/b.csv")
    together = run("check", project, "--survey", project / "survey/a.csv", "--survey", project / "survey/b.csv")
    (project / "survey/a.csv").rename(project / "a.csv")
    (project / "survey/b.csv").rename(project / "b.csv")
    assert together.out.replace("b.csv", "").replace("a.csv", "") == run("check", project).out
    (project / SURVEY).write_bytes((project / "a.csv").read_bytes())
    for again in (project / "a.csv", project / SURVEY):
        told(run("check", project, "--survey", project / "a.csv", "--survey", again), "expected each survey once")
