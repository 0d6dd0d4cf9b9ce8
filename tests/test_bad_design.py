# ruff: noqa: E501 - what is broken and what has to be told of it stand in one line
"""A stranger's design, broken in every way: a clear error or warning, all of them together, and no wrong verdict."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from broken_projects import TABLES, C, E, H, P, S, V, line_of, told
from project_copies import change, copy_of_demo, run


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


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
