# ruff: noqa: E501 - what is broken and what has to be told of it stand in one line
"""A stranger's files, broken in every way: a clear error, a clear warning or a clear finding, and no wrong verdict."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from project_copies import SURVEY, Answer, change, copy_of_demo, read_rows, run, write_rows

H, V, C, S, E, P = "horizontal.csv", "vertical.csv", "cant.csv", "structures.csv", "chainage.csv", "project.toml"
TABLES = (H, V, C, S, E)
Row = dict[str, str]


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


def told(answer: Answer, *wanted: str) -> None:
    """Assert that bad input is refused, with these texts in lines of their own kind and nothing else."""
    assert answer.status == 2, answer.err
    assert answer.out == ""
    lines = answer.err.splitlines()
    assert all(line.startswith("slabpose: ") for line in lines)
    for text in wanted:
        assert any(text in line for line in lines), f"{text!r} not in {answer.err}"
    assert all(": expected " in line and ", found " in line for line in lines)


def line_of(project: Path, text: str) -> int:
    """Return the line of the project file on which a text stands first."""
    return 1 + next(i for i, line in enumerate((project / P).read_text().splitlines()) if text in line)


# file, what stands there, what shall stand there, and what has to be told; <text> is the line where a text stands
ONE_CHANGE = {
    "length not finite": (H, "straight,180", "straight,nan", f"{H}:2: length_m: expected a length of 0.001"),
    "length infinite": (H, "straight,180", "straight,inf", f"{H}:2: length_m: expected a length"),
    "length negative": (H, "straight,180", "straight,-180", "found -180"),
    "length with unit": (H, "straight,180", "straight,180 m", "the number alone, its unit is in the header"),
    "bearing in gon": (H, "63.52", "380.5", f"{H}:2: bearing_deg: expected a bearing of -360 to 360 degrees, found 380.5 (gon?)"),
    "kind unknown": (H, "straight,180", "strait,180", "found 'strait' (did you mean straight?)"),
    "kind empty": (V, "gradient,0,", ",0,", f"{V}:2: kind: expected gradient"),
    "radius of wrong hand": (H, "clothoid,260,,5200", "clothoid,260,,-5200", f"{H}:4: expected elements that join, found curvature jumps"),
    "radius sign is hinted": (H, "arc,180,-6400,-6400", "arc,180,6400,6400", "a radius with the wrong sign? + curves to the right"),
    "later element exchanged": (H, "arc,200,5200,5200,,,", "arc,200,5200,5200,187000,431000,", f"{H}:4: expected elements that join, found position jumps by +3.455e+08 mm where element 3 starts, at distance 440.000 m (at most 0.2 mm) (easting and northing exchanged?)"),
    "later element elsewhere": (H, "arc,200,5200,5200,,,", "arc,200,5200,5200,431000,187000,", "(allow a jump that is meant in project.toml)"),
    "later bearing in gon": (H, "arc,200,5200,5200,,,", "arc,200,5200,5200,,,72.1695", f"{H}:4: expected elements that join, found bearing jumps by"),
    "later bearing in gon is hinted": (H, "arc,200,5200,5200,,,", "arc,200,5200,5200,,,72.1695", "(gon?)"),
    "radius zero": (H, "clothoid,260,,5200", "clothoid,260,0,5200", f"{H}:3: radius_start_m: expected a radius of 10 m or more"),
    "radius in km": (H, "arc,200,5200,5200", "arc,200,5.2,5.2", f"{H}:4: radius_start_m: expected a radius of 10 m or more, or nothing for a straight end, found 5.2 (kilometres?)"),
    "straight with radius": (H, "straight,120,,", "straight,120,900,", f"{H}:8: expected a possible element"),
    "cant in m": (C, "linear,180,260,0,130", "linear,180,260,0,0.130", f"{C}:4: expected elements that join, found cant jumps by +129.9 mm"),
    "cant in m is hinted": (C, "linear,180,260,0,130", "linear,180,260,0,0.130", "a cant in metres?"),
    "cant of wrong sign": (C, "linear,180,260,0,130", "linear,180,260,0,-130", "a cant with the wrong sign? + raises the left rail"),
    "cant too large": (C, "0,130", "0,1300", "expected a cant of -250 to 250 mm, found 1300"),
    "level in mm": (V, "212.480", "212480", f"{V}:2: level_m: expected a level of -1000 to 10000 m, found 212480 (millimetres?)"),
    "level missing": (V, "212.480", "", f"{V}:2: level_m: expected the level at the start of the profile, found an empty cell"),
    "profile with a gap": (V, "gradient,600,200", "gradient,600,190", f"{V}:4: expected elements that join, found vertical element 3 leaves a gap of 10.000 m"),
    "profile overlaps": (V, "gradient,600,200", "gradient,600,210", "vertical element 3 overlaps the next by 10.000 m"),
    "profile too short": (V, "gradient,1152,348", "gradient,1152,300", f"{V}:6: expected elements that join, found vertical elements end at distance 1452.000 m"),
    "gradient in percent": (V, "parabola,250,350,,8,-6", "parabola,250,350,,8,-0.6", f"{V}:4: expected elements that join, found gradient jumps"),
    "cant overlaps": (C, "constant,440,200", "constant,440,210", f"{C}:4: expected elements that join, found cant element 3 overlaps the next by 10.000 m"),
    "equation off the line": (E, "28100.000", "128100.000", f"{E}: expected equations in order along the line"),
    "chainage that does not exist": (S, "28090.300", "28105.000", f"{S}:15: chainage_start_m: expected a chainage that names one place, found chainage 28+105.000 does not exist"),
    "span overlaps": (S, "27747.760", "27740.760", f"{S}:4: expected a start at or after the end of Tarn G1, 347.700 m, found 340.760 m (spans overlap)"),
    "span beyond the end": (S, "28862.500", "28999.500", f"{S}:17: chainage_end_m: expected a chainage that names one place"),
    "span turned round": (S, "27440.000,27716.000", "27716.000,27440.000", f"{S}:2: expected an end after the start, found 316.000 to 40.000 m"),
    "span named twice": (S, "Tarn G2", "Tarn G1", f"{S}:4: name: expected each name once, found 'Tarn G1' again (first on line 3)"),
    "span without a name": (S, "Tarn G2", "", f"{S}:4: name: expected a name, found an empty cell"),
    "column missing": (H, "length_m", "len_m", f"{H}:1: expected a column length_m, found none (rename len_m?)"),
    "column of other unit": (C, "cant_start_mm", "cant_start_m", "there is cant_start_m: change its numbers from m to mm"),
    "cells lacking": (C, "constant,1380,120,0,", "constant,1380,120", f"{C}:8: expected 5 cells, as in the header, found 3"),
    "decimal comma": (V, "212.480", "212,480", f"{V}:2: expected 8 cells, as in the header, found 9 (write 12.5, not 12,5"),
    "quoted decimal comma": (V, "212.480", '"212,480"', "write the decimal mark as a point: 212.480"),
    "toml without quotes": (P, '"low_rail"', "low_rail", f"{P}:<pivot =>:9: expected a line of TOML"),
    "toml decimal comma": (P, "guard_factor = 2.0", "guard_factor = 2,0", "a decimal comma? write 12.5"),
    "toml key unknown": (P, "guard_factor", "guard_faktor", "found the unknown key guard_faktor (did you mean guard_factor?)"),
    "toml key missing": (P, "sigma_plan_mm = 0.25", "", f"{P}:<[survey]>: survey.sigma_plan_mm: expected a value, found none"),
    "toml key twice": (P, "guard_factor = 2.0", "guard_factor = 2.0\nguard_factor = 1.0", "cannot overwrite a value"),
    "toml text for number": (P, "guard_factor = 2.0", 'guard_factor = "2"', "expected a number, found '2' (without the quotes)"),
    "toml not finite": (P, "guard_factor = 2.0", "guard_factor = nan", f"{P}:<guard_factor>: decision.guard_factor: expected a number, found nan or inf"),
    "slab in mm": (P, "length_m = 5.2", "length_m = 5200", f"{P}:<length_m = 5.2>: slab_type[1].length_m: expected at most 40 m, found 5200"),
    "cant base in m": (P, "cant_base_mm = 1500.0", "cant_base_mm = 1.5", "expected at least 500 mm, found 1.5"),
    "scale in ppm": (P, "grid_scale = 0.99988", "grid_scale = -120", "expected at least 0.99, found -120"),
    "radius of match in mm": (P, "match_radius_m = 0.12", "match_radius_m = 120", "expected at most 1 m, found 120"),
    "sigma zero": (P, "sigma_plan_mm = 0.25", "sigma_plan_mm = 0.0", "expected more than 0 mm, found 0"),
    "two types of one name": (P, '"A364"', '"A520"', f"{P}:<[[slab_type]]>: slab_type: expected names of slab types that differ, found 'A520' twice"),
    "two marks of one name": (P, '{ name = "RR", across_m = 1.05, along_m = -2.35 }', '{ name = "RL", across_m = 1.05, along_m = -2.35 }', "expected names of marks that differ, found 'RL' twice"),
    "mark in the wrong corner": (P, '"RL", across_m = -1.05, along_m = -2.35', '"RL", across_m = 1.05, along_m = -2.35', "expected RL in the corner that its name says, found it 1.05 m across (+ right) and -2.35 m along (+ front)"),
    "marks in other order": (P, '{ name = "RL", across_m = -1.05, along_m = -2.35 },\n', "", "slab_type[1].marks: expected"),
    "screw off the slab": (P, '"RL", across_m = -1.1, along_m = -1.7', '"RL", across_m = -9.1, along_m = -1.7', "expected RL on the slab of 5.2 x 2.5 m, found it -1.7 m along and -9.1 m across"),
    "seat off the slab": (P, "-2.275, ", "-2.775, ", "expected rail seats on the slab of 5.2 m, found one -2.775 m along"),
    "two seats at one place": (P, "-2.275, -1.625", "-2.275, -2.275", "expected places of rail seats that differ, found -2.275 twice"),
    "notch too large": (P, "notch_radius_m = 0.26", "notch_radius_m = 1.3", "expected notches that leave a slab of 5.2 x 2.5 m, found a radius of 1.3 m"),
    "gaps that do not ascend": (P, "gap_min_mm = 70.0", "gap_min_mm = 85.0", "gap_max_mm that ascend, found 85, 80, 90"),
    "tolerance said twice": (P, 'quantity = "along"', 'quantity = "across"', "found 'across' twice"),
    "tolerance lacking": (P, 'quantity = "up"\nlimit_mm = 1.0\nsource = "JSCE 64th annual conference 2009, IV-299, table 1"\n\n[[tolerance]]\n', "", "found none for up"),
    "tolerance without limits": (P, "limit_mm = 5.0\n", "", "expected either limit_mm, or low_mm and high_mm, found none of them"),
    "tolerance with half a range": (P, "low_mm = 60.0\n", "", "found high_mm"),
    "range upside down": (P, "low_mm = 60.0", "low_mm = 160.0", "expected low_mm below high_mm, found 160 and 100"),
    "gap around zero": (P, "low_mm = 60.0\nhigh_mm = 100.0", "limit_mm = 20.0", "as a gap is not around zero, found limit_mm"),
}  # fmt: skip


@pytest.mark.parametrize(("name", "old", "new", "expected"), ONE_CHANGE.values(), ids=ONE_CHANGE)
def test_one_wrong_thing_is_told_with_its_place(project: Path, name: str, old: str, new: str, expected: str) -> None:
    expected = re.sub(r"<(.+?)>", lambda found: str(line_of(project, found[1])), expected)
    change(project, name, old, new)
    answer = run("check", project)
    told(answer, expected)
    assert len(answer.err.splitlines()) <= 2  # one mistake is no flood
    assert re.search(rf"^slabpose: {re.escape(name)}(:\d+)*: ", answer.err, re.MULTILINE)


@pytest.mark.parametrize("name", TABLES)
@pytest.mark.parametrize(("content", "expected"), [
    (lambda text: b"", "expected a table with a header, found an empty file"),
    (lambda text: (text.split("\n")[0] + "\n").encode(), "expected at least one row, found only the header"),
    (lambda text: text.replace(",", ";").encode(), "expected commas between cells, found semicolons"),
    (lambda text: text.replace(",", ";").replace(".", ",").encode(), "expected commas between cells, found semicolons"),
    (lambda text: text.encode("utf-16"), "expected text in UTF-8, found UTF-16 (save it as UTF-8)"),
    (lambda text: text.encode() + b"M\xfcller,1\n", "expected text in UTF-8, found byte 0xFC"),
    (lambda text: text.encode()[:60] + b"\0\0" + text.encode()[60:], "found 2 zero bytes"),
], ids=["empty", "header only", "semicolons", "semicolons and decimal commas", "UTF-16", "Latin-1", "zero bytes"])  # fmt: skip
def test_no_table_at_all(project: Path, name: str, content: Callable[[str], bytes], expected: str) -> None:
    (project / name).write_bytes(content((project / name).read_text()))
    answer = run("check", project)
    told(answer, expected)
    assert f"slabpose: {name}" in answer.err


@pytest.mark.parametrize("name", [H, V])
def test_a_table_that_has_to_be_there(project: Path, name: str) -> None:
    (project / name).unlink()
    told(run("check", project), f"{name}: expected a file, found nothing of that name")
    (project / name).mkdir()
    told(run("check", project), f"{name}: expected a file, found a folder")


def test_all_faults_of_all_files_come_together(project: Path) -> None:
    change(project, H, "straight,180", "strait,nan")
    change(project, V, "212.480", "212480")
    change(project, V, "gradient,600", "gradint,600")
    change(project, C, "130", "1300")
    change(project, E, "28100.000", "x")
    change(project, S, "viaduct,27716.000", "viaduct,27716 m")
    change(project, P, "guard_factor = 2.0", "guard_factor = -2.0")
    (project / "layout.csv").write_text("slab,type,chainage_m\nA,A520,27500\nA,A520,27600\n")
    answer = run("check", project)
    told(answer, f"{H}:2: kind", f"{H}:2: length_m", f"{V}:2: level_m", f"{V}:4: kind", f"{C}:3: cant_end_mm",
         f"{E}:2: chainage_back_m", f"{S}:3: chainage_start_m", f"{P}:{line_of(project, 'guard_factor')}: decision.guard_factor", "layout.csv:3: slab")  # fmt: skip
    assert len(answer.err.splitlines()) == 9


def test_faults_of_a_file_come_in_order(project: Path) -> None:
    (project / E).write_text("chainage_back_m,chainage_ahead_m\n28100.000,28050.000\n")
    answer = run("check", project)
    told(answer, f"{S}:14: chainage_start_m: expected a chainage that names one place, found chainage 28+058.520 "
         "occurs twice, at distance 658.520 m and distance 708.520 m: give the distance instead")  # fmt: skip
    lines = [int(line.split(":")[2]) for line in answer.err.splitlines()]
    assert lines == sorted(lines)
    assert lines[0] == 13


def test_chainage_and_distance_that_contradict_each_other(project: Path) -> None:
    (project / S).write_text("name,kind,distance_start_m,chainage_start_m,chainage_end_m\nbank,bank,40,27500,28000\n")
    told(run("check", project), f"{S}:2: chainage_start_m: expected the chainage of distance 40.000 m, 27+440.000, "
         "found 27+500.000 (leave one of the two empty)")  # fmt: skip
    (project / S).write_text("name,kind,distance_start_m,chainage_start_m,chainage_end_m\nbank,bank,,,28000\n")
    told(run("check", project), f"{S}:2: chainage_start_m: expected a chainage or a distance, found neither")


LAYOUTS = {
    "type unknown": ("A,A521,27500", "layout.csv:2: type: expected A520 or A364, found 'A521' (did you mean A520?)"),
    "type empty": ("A,,27500", "layout.csv:2: type: expected A520 or A364, found an empty cell"),
    "name twice": ("A,A520,27500\nA,A520,27600", "layout.csv:3: slab: expected each slab once, found 'A' again"),
    "name empty": (",A520,27500", "layout.csv:2: slab: expected a slab name, found an empty cell"),
    "off the line": ("A,A520,27500\nB,A520,27401", "layout.csv:3: expected a slab that lies on the alignment with its whole length, 0 to 1500.000 m, found one that reaches 1.600 m beyond"),
    "no such chainage": ("A,A520,28105", "layout.csv:2: chainage_m: expected a chainage that names one place"),
    "no place": ("A,A520,", "layout.csv:2: chainage_m: expected a chainage or a distance, found neither"),
}  # fmt: skip


@pytest.mark.parametrize(("rows", "expected"), LAYOUTS.values(), ids=LAYOUTS)
def test_a_layout_that_cannot_be(project: Path, rows: str, expected: str) -> None:
    (project / "layout.csv").write_text(f"slab,type,chainage_m\n{rows}\n")
    told(run("layout", project), expected)


def test_a_span_that_is_shorter_than_any_slab(project: Path) -> None:
    change(project, S, "27716.000,27747.700", "27716.000,27717.700")
    answer = run("check", project)
    assert answer.status == 1
    assert "Found in the layout" in answer.out
    assert "! span Tarn G1: clearance" in answer.out


def test_a_span_that_nothing_fits_leaves_no_slab_to_check(project: Path) -> None:
    (project / S).write_text("name,kind,distance_start_m,distance_end_m\nshort,bank,100,110\n")
    told(run("check", project), "p: expected at least one slab in the layout, found none (slabpose layout says why)")
    told(run("view", project, "--flat", "--picture", project / "x.png"), "expected at least one slab in the layout")
    answer = run("layout", project)
    assert answer.status == 1
    assert answer.err.startswith("layout: span short: ")
    for what in ("corners", "anchors"):
        assert run("layout", project, "--show", what, "--csv", project / "x.csv").status == 1


def test_slabs_that_overlap_or_cross_a_joint_are_found(project: Path) -> None:
    (project / "layout.csv").write_text("slab,type,chainage_m\nA,A520,27500\nB,A520,27501\nC,A520,27716\n")
    answer = run("layout", project)
    assert answer.status == 1
    assert "layout: slab A and B: overlap, by 4199.8 mm" in answer.err
    assert "layout: slab C: crosses a structure joint" in answer.err


WARNED = {
    "tight radius": ([(H, "5200", "52", True), (H, "6400", "64", True), (C, "130", "60", True)], f"{H}:3: radius_end_m: expected a radius of 150 m or more, found 52 (kilometres?)"),
    "cants in m": ([(C, "130", "0.130", True), (C, "105", "0.105", True)], f"{C}: cant_start_mm: expected cants that reach 1 mm, found 0.13 at most (metres?)"),
    "radius contradicts gradients": ([(V, "-25000,-25000", "25000,24000", False)], f"{V}:3: radius_end_m: expected the radius -25000.0 m that the gradients give, found 24000"),
    "jump allowed but not there": ([(P, "grid_scale", 'allowed_jump = [{ quantity = "bearing", element = 3, reason = "x" }]\ngrid_scale', False)], "expected a jump in bearing, found none where element 3 starts"),
    "tolerance in m": ([(P, "limit_mm = 2.0", "limit_mm = 0.002", False)], "tolerance of across: expected limits wider than the guard band of a mark, ±0.5 mm, found -0.002 to 0.002 mm (metres?)"),
    "sigma in m": ([(P, "sigma_plan_mm = 0.25", "sigma_plan_mm = 0.00025", False)], "survey.sigma_plan_mm: expected a sigma of 0.01 to 20 mm, found 0.00025 (metres?)"),
    "match radius over the joint": ([(P, "match_radius_m = 0.12", "match_radius_m = 0.9", False)], "a point could be taken for its neighbour"),
}  # fmt: skip


@pytest.mark.parametrize(("changes", "expected"), WARNED.values(), ids=WARNED)
def test_what_may_be_meant_is_warned_of(
    project: Path, changes: list[tuple[str, str, str, bool]], expected: str
) -> None:
    for name, old, new, everywhere in changes:
        change(project, name, old, new, everywhere=everywhere)
    answer = run("check", project)
    assert any(line.startswith("warning: ") and expected in line for line in answer.err.splitlines())
    assert answer.status in (1, 2)


def test_a_table_with_a_letter_wrong_in_its_name_is_not_missed_in_silence(project: Path) -> None:
    (project / C).rename(project / "cants.csv")
    (project / "verdicts_of_today.csv").write_text("a\n1\n")
    answer = run("stations", project)
    assert answer.status == 0
    assert (
        "warning: cants.csv: expected a file that is used, found one that is left out (did you mean cant.csv?)"
        in answer.err
    )
    assert "verdicts" not in answer.err


def test_a_whole_file_with_its_bearing_in_gon(project: Path) -> None:
    """63.52 degrees are 70.58 gon: all joins, but the line runs elsewhere, and the survey shows it."""
    change(project, H, "63.52", "70.5778")
    answer = run("check", project)
    assert answer.status == 1
    assert "(bearing_deg of horizontal.csv in gon?)" in answer.err
    assert "turned by -7.058 deg clockwise" in answer.err
    assert re.search(r"within +0 +0\n", answer.out)
    assert answer.out.count("\n") < 120  # not a line for each of 1204 points, 269 slabs or 268 joints
    assert "269 slabs: Q0101 to Q0369" in answer.out


# the survey: a change of its rows, and what has to be told; None of the texts may be missing
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


def plus(metres: float) -> Callable[[str], str]:
    return lambda text: f"{float(text) + metres:.5f}"


def to(text: str) -> Callable[[str], str]:
    return lambda _: text


def exchanged(rows: list[Row]) -> list[Row]:
    return [{**row, "easting_m": row["northing_m"], "northing_m": row["easting_m"]} for row in rows]


def with_sigma(text: str) -> Callable[[list[Row]], list[Row]]:
    return lambda rows: [{**row, "sigma_level_mm": text} for row in rows]


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


HOSTILE = ["=cmd|'/c calc'!A1", "<script>alert(1)</script>", "\x1b[31mred\x1b[0m", "x" * 400, "\u202egnp.exe", "\U0001f600",
           "[bold red]b[/]", "a\u0000b".replace("\u0000", "\u0007"), "'; drop", "+1", "@x", "\u05e9\u05dc\u05d5\u05dd"]  # fmt: skip


def test_hostile_names_are_shown_and_written_as_what_they_are(project: Path) -> None:
    rows = read_rows(project)
    for i, name in enumerate(HOSTILE):
        rows[i] = {
            **rows[i],
            "point": name,
            "slab": name if i % 2 else "",
            "corner": "",
            "easting_m": plus(3)(rows[i]["easting_m"]),
        }
    write_rows(project, rows)
    change(project, P, "Quillmoor link, track 2", "\\u001b[31m<b>=1\\u202e")
    result = project / "v.csv"
    answer = run("check", project, "--all", "--csv", result)
    assert answer.status == 1
    for text in (answer.out, answer.err):
        assert "\x1b" not in text
        assert "\u202e" not in text
        assert "\x07" not in text
    assert "x" * 60 not in answer.out
    assert "[bold red]b[/]" in answer.out


def test_hostile_names_of_files_and_folders_are_shown_as_what_they_are(project: Path) -> None:
    hostile = "\x1b[31m\u202e"
    (project / "survey" / f"{hostile}.csv").write_text("point\n1\n")
    for arguments in ((project,), (project / hostile,), (project, "--from", hostile), (project, "--stage", hostile),
                      (project, "--survey", hostile), (project, "--csv", project / hostile / "x")):  # fmt: skip
        answer = run("check", *arguments)
        assert answer.status == 2
        assert "\x1b" not in answer.err
        assert "\u202e" not in answer.err
        assert "\\x1b[31m\\u202e" in answer.err


def test_hostile_slab_names_are_no_formulas_in_a_result(project: Path) -> None:
    lines = [f"{name},A520,{27500 + 5.28 * i:.3f}" for i, name in enumerate(HOSTILE)]
    (project / "layout.csv").write_text("slab,type,chainage_m\n" + "\n".join(lines) + "\n")
    result = project / "v.csv"
    answer = run("layout", project, "--csv", result)
    assert answer.status == 1  # the clearances of this layout
    assert "\x1b" not in answer.out + answer.err
    firsts = [line.split(",")[0].strip('"') for line in result.read_text().splitlines() if not line.startswith("#")]
    assert len(firsts) == 13
    assert not any(cell.startswith(("=", "+", "@", "-")) for cell in firsts)


def test_the_project_folder_has_to_be_one(project: Path) -> None:
    told(run("check", project / "nowhere"), "expected a project folder, found nothing (slabpose demo FOLDER writes")
    told(run("check", project / P), "expected a project folder, found a file")
    (project / P).unlink()
    told(run("check", project), "project.toml: expected a file, found nothing of that name")
    (project / P).write_text("")
    told(run("check", project), "name: expected a value, found none", "survey: expected a value, found none")
    (project / P).write_bytes("ü".encode("latin-1"))
    told(run("check", project), "project.toml:1: expected text in UTF-8, found byte 0xFC")


def test_a_file_that_may_not_be_read(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read = Path.read_bytes

    def refuse(path: Path) -> bytes:
        if path.name == C:
            raise PermissionError(13, "Permission denied", str(path))
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", refuse)
    told(run("check", project), "cant.csv: expected a file that can be read, found permission denied")


@pytest.mark.parametrize("arguments", [
    ("check", "--csv"), ("check", "--json"), ("check", "--corners"), ("check", "--joints"), ("layout", "--csv"),
    ("layout", "--json"), ("stations", "--csv"), ("stations", "--json"), ("offsets", "--csv"), ("offsets", "--json"),
])  # fmt: skip
@pytest.mark.parametrize("name", [H, V, C, S, E, P, SURVEY, "layout.csv"])
def test_nothing_is_written_over_an_input(project: Path, arguments: tuple[str, str], name: str) -> None:
    command, option = arguments
    before = {path: path.read_bytes() for path in project.rglob("*") if path.is_file()}
    points = [project / SURVEY] if command == "offsets" else []
    answer = run(command, project, *points, option, project / "survey" / ".." / name)
    told(answer, "expected a file other than the inputs, found an input (give the result another name)")
    assert {path: path.read_bytes() for path in project.rglob("*") if path.is_file()} == before


def test_links_to_an_input_are_inputs(project: Path) -> None:
    (project / "link.csv").symlink_to(project / C)
    (project / "hard.csv").hardlink_to(project / C)
    before = (project / C).read_bytes()
    for name in ("link.csv", "hard.csv"):
        told(run("layout", project, "--csv", project / name), "found an input")
    assert (project / C).read_bytes() == before


def test_no_result_lands_among_the_surveys_or_on_another_result(project: Path) -> None:
    told(
        run("check", project, "--csv", project / "survey" / "verdicts.csv"), "every table in there is read as a survey"
    )
    one = project / "one.csv"
    told(
        run("check", project, "--csv", one, "--json", project / "survey/../one.csv"),
        "a file of its own for each result",
    )
    assert not one.exists()


def test_a_place_that_takes_no_result(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told(run("check", project, "--csv", project / "no" / "v.csv"), "no such file or directory (make the folder first)")
    told(run("check", project, "--csv", "/dev/null"), "/dev/null: expected a file, found a device")
    opened = Path.open

    def refuse(path: Path, mode: str = "r", *rest: object, **named: object) -> object:
        if "x" in mode:
            raise PermissionError(13, "Permission denied", str(path))
        return opened(path, mode, *rest, **named)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", refuse)
    told(run("check", project, "--csv", project / "v.csv"), "expected a place to write to, found permission denied")


PLACES = {
    "before the line": (("--from", "27000"), "--from: expected a chainage that names one place, found chainage 27+000.000 does not exist"),
    "in a jump of the count": (("--to", "28+105"), "--to: expected a chainage that names one place, found chainage 28+105.000 does not exist"),
    "turned round": (("--from", "28000", "--to", "27900"), "expected slabs between them, found none from 28000 to 27900"),
    "no number": (("--from", "nan"), "--from: expected the name of a slab, or a chainage in m, found 'nan'"),
    "no end": (("--to", "inf"), "--to: expected the name of a slab, or a chainage in m, found 'inf'"),
    "no slab": (("--from", "Q0999"), "found 'Q0999' (did you mean Q0299?)"),
    "no stage": (("--stage", "final"), "--stage: expected a stage of the survey ('fine'), found 'final' (did you mean fine?)"),
    "no file": (("--survey", "nowhere.csv"), "nowhere.csv: expected a file, found nothing of that name"),
}  # fmt: skip


@pytest.mark.parametrize(("options", "expected"), PLACES.values(), ids=PLACES)
def test_options_that_name_nothing(project: Path, options: tuple[str, ...], expected: str) -> None:
    told(run("check", project, *options), expected)


def test_a_chainage_that_occurs_twice_names_both_places(project: Path) -> None:
    (project / E).write_text("chainage_back_m,chainage_ahead_m\n28000.000,27950.000\n")
    (project / S).unlink()
    answer = run("check", project, "--from", "27+980")
    told(answer, "27+980.000 occurs twice, at distance 580.000 m and distance 630.000 m", "(or name a slab)")
    told(run("stations", project, "--at", "27980"), "distance 580.000 m and distance 630.000 m")
    assert run("check", project, "--from", "Q0200", "--to", "Q0202").status == 1


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "x", "", "1e999"])
@pytest.mark.parametrize("option", ["--at", "--at-distance", "--every"])
def test_stations_at_no_number(project: Path, option: str, text: str) -> None:
    answer = run("stations", project, option, text)
    assert answer.status == 2
    assert f"Invalid value for '{option}': expected " in answer.err
    assert answer.out == ""


def test_stations_too_many_or_off_the_line(project: Path) -> None:
    assert "expected a length of at least 0.001 m, found '0'" in run("stations", project, "--every", "0").err
    assert run("stations", project, "--at-distance", "1500.1").status == 2
    assert run("stations", project, "--every", "1e12").status == 0


def test_a_text_for_a_point_in_offsets(project: Path) -> None:
    (project / "points.csv").write_text("point,easting_m,northing_m,level_m\nA,431300,186800,here\nB,1,,3\n")
    told(run("offsets", project, project / "points.csv"), "points.csv:2: level_m: expected a level in m, found 'here'",
         "points.csv:3: northing_m: expected a northing in m, found an empty cell")  # fmt: skip
