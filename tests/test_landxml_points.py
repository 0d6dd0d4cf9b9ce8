"""Points of LandXML files: what each is good for, by the roles and states of the schema.

The roles (``SurveyRoleType``) and states (``StateType``) are those of LandXML-1.2.xsd; a foot is 0.3048 m, and a US
survey foot 1200/3937 m (NIST Special Publication 811, appendix B).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hostile_names import HOSTILE, hostile_project
from lxml import etree
from project_copies import copy_of_demo, run

from geometry.errors import Faults
from geometry.exchange.control_files import read_control_and_given
from geometry.exchange.landxml_points import cg_points_table, read_cg_points
from geometry.exchange.landxml_writing import NAMESPACE
from geometry.exchange.project import open_project

ASSUMED = (0.001, 0.001, 0.002)


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


def points(tmp_path: Path, *rows: str, unit: str = "meter", group: str = "") -> Path:
    """Write a file with a point on each line, from line 3 on."""
    system = "Imperial" if "oot" in unit else "Metric"
    units = f'<Units><{system} linearUnit="{unit}" directionUnit="decimal degrees"/></Units>'
    head = f'<?xml version="1.0"?><LandXML xmlns="{NAMESPACE}" version="1.2">{units}\n<CgPoints {group}>\n'
    path = tmp_path / "points.xml"
    path.write_text(head + "\n".join(rows) + "\n</CgPoints></LandXML>")
    return path


def test_control_goes_out_and_comes_back_to_the_last_digit(project: Path, tmp_path: Path) -> None:
    file = project / "control.csv"
    header, first, second, *rest = file.read_text().splitlines()
    more = f"{header},sigma_easting_mm,sigma_northing_mm,sigma_level_mm"
    file.write_text("\n".join([more, f"{first},0.7,,0", f"{second},1.25,0.3,0.4", *(f"{r},,," for r in rest)]) + "\n")
    assert run("export", project, "--to", tmp_path / "all.xml").status == 0
    faults = Faults()
    was, had = read_control_and_given(file, Faults(), ASSUMED)
    now, has = read_control_and_given(tmp_path / "all.xml", faults, ASSUMED)
    assert now.names == was.names
    np.testing.assert_array_equal(now.xyz, was.xyz)
    np.testing.assert_array_equal(now.sigma, was.sigma)
    np.testing.assert_array_equal(has, had)
    told = [str(fault) for fault in faults.warnings]
    assert told[0] == (
        "all.xml: expected control points, found 50 of them beside 1076 points to stake out and 1064 other points (the "
        "others are left out)"
    )
    assert "1 of 0 (those coordinates are held fixed)" in told[1]
    before, after = (
        run("setup", project, *control, "--json", "-") for control in ((), ("--control", tmp_path / "all.xml"))
    )
    assert json.loads(before.out)["setups"] == json.loads(after.out)["setups"]


def test_control_of_an_imported_file_becomes_that_of_the_project(project: Path, tmp_path: Path) -> None:
    assert run("export", project, "--to", tmp_path / "line.xml").status == 0
    answer = run("import", tmp_path / "line.xml", tmp_path / "new", "--like", project)
    assert answer.status == 0
    assert ", 50 control points\n" in answer.out
    was = read_control_and_given(project / "control.csv", Faults(), ASSUMED)[0]
    now = read_control_and_given(tmp_path / "new" / "control.csv", Faults(), ASSUMED)[0]
    assert now.names == was.names
    np.testing.assert_array_equal(now.xyz, was.xyz)
    (project / "control.csv").unlink()
    assert run("export", project, "--to", tmp_path / "line.xml").status == 0
    assert run("import", tmp_path / "line.xml", tmp_path / "other").status == 0
    assert not (tmp_path / "other" / "control.csv").exists()  # corners are no control points


def test_what_is_exported_names_the_role_of_each_point(project: Path, tmp_path: Path) -> None:
    assert run("export", project, "--to", tmp_path / "all.xml").status == 0
    groups = etree.parse(tmp_path / "all.xml").getroot().findall(f"{{{NAMESPACE}}}CgPoints")
    roles = {group.get("name"): {(p.get("role"), p.get("state")) for p in group} for group in groups}
    assert roles == {
        "control points": {("control point", "existing")},
        "target corners": {("to stake out", "proposed")},
        "surveyed corners": {("measured", "existing")},
    }
    names = [p.get("name") for group in groups for p in group]
    assert len(set(names)) == len(names)  # no program shall put one point in the place of another
    (project / "control.csv").unlink()
    assert run("export", project, "--design-only", "--to", tmp_path / "design.xml").status == 0
    groups = etree.parse(tmp_path / "design.xml").getroot().findall(f"{{{NAMESPACE}}}CgPoints")
    assert [group.get("name") for group in groups] == ["target corners"]


def test_points_to_stake_out_are_no_survey(project: Path, tmp_path: Path) -> None:
    file = tmp_path / "set_out.xml"
    assert run("export", project, "--design-only", "--to", file).status == 0
    for command in ("check", "history", "plan"):
        answer = run(command, project, "--survey", file)
        assert answer.status == 2
        assert answer.err == (
            "slabpose: set_out.xml: expected surveyed points, found only 50 control points and 1076 points to stake "
            "out (where slabs belong says nothing of where they lie)\n"
        )
    as_control = run("setup", project, "--control", file)
    assert "set_out.xml: expected control points, found 50 of them beside 1076 points to stake out" in as_control.err


def test_corners_of_which_nobody_knows_which_is_which_are_left_out(project: Path, tmp_path: Path) -> None:
    answer = run("export", project, "--to", tmp_path / "all.xml")
    assert (
        "surveyed corners: expected points that are what their names say, found others on Q0160 and 1 more"
        in answer.err
    )
    found = read_cg_points(tmp_path / "all.xml", Faults(), "survey")
    assert found is not None
    slabs = {name.partition("-")[0] for name in found.names}
    assert not {"Q0160", "Q0296"} & slabs
    assert {"Q0159", "Q0161"} <= slabs
    assert len(found.names) == 1064


def test_an_error_of_nothing_is_not_known_of_what_was_measured(tmp_path: Path) -> None:
    rows = [f'<CgPoint name="p{k}" eastingStdError="{k / 1e3}">1 2 3</CgPoint>' for k in range(3)]
    file = points(tmp_path, *rows)
    table = (cg_points_table(file, Faults(), "survey") or b"").decode().split()
    assert table == ["point,easting_m,northing_m,level_m,sigma_easting_mm", '"p0",2.0,1.0,3.0,', '"p1",2.0,1.0,3.0,1.0',
                     '"p2",2.0,1.0,3.0,2.0']  # fmt: skip


def test_a_set_out_table_fed_back_is_told(project: Path, tmp_path: Path) -> None:
    file = tmp_path / "set_out.csv"
    assert run("export", project, "--to", file).status == 0
    for columns in ((), ("--columns", "point,easting_m,northing_m,level_m")):  # with and without names of slabs
        assert run("export", project, *columns, "--to", file).status == 0
        told = run("check", project, "--survey", file).err
        assert "set_out.csv: expected measured points, found designed ones: 538 of 538 looked at" in told
    rounded = [line.split(",") for line in file.read_text().splitlines() if not line.startswith("#")]
    file.write_text("\n".join(",".join([r[0], *(c if i == 0 else f"{float(c):.4f}" for c in r[1:])])
                              for i, r in enumerate(rounded)) + "\n")  # fmt: skip
    assert "designed ones" in run("check", project, "--survey", file).err
    assert "designed ones" not in run("check", project).err


def test_roles_and_states_say_what_counts(tmp_path: Path) -> None:
    file = points(
        tmp_path,
        '<CgPoint name="a" role="measured" state="proposed">1 2 3</CgPoint>',
        '<CgPoint name="b" role="staked out">1 2 3</CgPoint>',
        '<CgPoint name="c">1 2 3</CgPoint>',
        '<CgPoint name="d" state="existing">1 2 3</CgPoint>',
        '<CgPoint name="e" state="proposed">1 2 3</CgPoint>',
        '<CgPoint name="f" role="to stake out">1 2 3</CgPoint>',
        '<CgPoint name="g" role="control point" state="destroyed">1 2 3</CgPoint>',
        '<CgPoint name="h" role="control point">1 2 3</CgPoint>',
        '<CgPoint pntRef="h"/>',
    )
    wanted = {"survey": "abcd", "control": "h", "any": "abcdefgh"}
    for kind, names in wanted.items():
        found = read_cg_points(file, faults := Faults(), kind)  # type: ignore[arg-type]
        assert found is not None
        assert "".join(found.names) == names
        assert bool(faults.warnings) == (kind != "any")
    assert "beside 2 points to stake out and 1 destroyed point and 1 control point" in str(
        (read_cg_points(file, faults := Faults(), "survey"), faults.warnings[0])[1]
    )
    # a whole group may be proposed; control that nobody marked is what is neither
    file = points(tmp_path, '<CgPoint name="a">1 2 3</CgPoint>', group='state="proposed"')
    assert read_cg_points(file, faults := Faults(), "survey") is None
    assert "only 1 point to stake out" in str(faults.errors[0])
    file = points(tmp_path, '<CgPoint name="a">1 2 3</CgPoint>', '<CgPoint name="b" state="proposed">1 2 3</CgPoint>')
    found = read_cg_points(file, Faults(), "control")
    assert found is not None
    assert found.names == ("a",)


@pytest.mark.parametrize(("unit", "metre"), [("meter", 1.0), ("foot", 0.3048), ("USSurveyFoot", 1200 / 3937)])
def test_coordinates_and_standard_errors_are_in_the_unit_of_the_file(tmp_path: Path, unit: str, metre: float) -> None:
    errors = 'northingStdError="0.002" eastingStdError="0.003" elevationStdError="0.004"'
    file = points(tmp_path, f'<CgPoint name="a" {errors}>612000.5 1414000.25 700.125</CgPoint>',
                  '<CgPoint name="b">612010.5 1414000.25 700.125</CgPoint>', unit=unit)  # fmt: skip
    control, given = read_control_and_given(file, faults := Faults(), ASSUMED)
    assert not faults.errors
    np.testing.assert_allclose(control.xyz[0], np.array([1414000.25, 612000.5, 700.125]) * metre, rtol=0, atol=1e-9)
    np.testing.assert_allclose(control.sigma, [np.array([0.003, 0.002, 0.004]) * metre, ASSUMED], rtol=0, atol=1e-12)
    assert given.tolist() == [[True] * 3, [False] * 3]


def test_no_name_is_taken_for_a_sign_of_the_table(tmp_path: Path) -> None:
    names = ["#1", 'a, "b"', "=1+1", "x\ny", "\u202eabc", "#"]
    rows = "".join(f'<CgPoint name="{n.replace(chr(34), "&quot;").replace(chr(10), "&#10;")}">{k} 2 3</CgPoint>\n'
                   for k, n in enumerate(names))  # fmt: skip
    control, _ = read_control_and_given(points(tmp_path, rows), faults := Faults(), ASSUMED)
    assert not faults.errors
    assert not faults.warnings
    assert control.names == ("#1", 'a, "b"', "=1+1", "x y", "\u202eabc", "#")
    assert control.xyz[:, 1].tolist() == [0, 1, 2, 3, 4, 5]


def test_hostile_names_go_out_and_come_back(tmp_path: Path) -> None:
    project, slabs = hostile_project(tmp_path)
    rows = "".join(f'"{name.replace(chr(34), chr(34) * 2)} c",{431200 + k},{186700 + k},212.5\n'
                   for k, name in enumerate((*HOSTILE, "bell \a")))  # fmt: skip
    (project / "control.csv").write_bytes(f"point,easting_m,northing_m,level_m\n{rows}".encode())
    assert run("export", project, "--to", tmp_path / "all.xml").status == 0
    control, _ = read_control_and_given(tmp_path / "all.xml", Faults(), ASSUMED)
    assert control.names == tuple(" ".join(f"{n} c".splitlines()) for n in (*HOSTILE, "bell \u2407"))
    found = read_cg_points(tmp_path / "all.xml", Faults())
    assert found is not None
    corners = [name for name in found.names if name.endswith("-RL")]
    assert corners == [" ".join(f"{name}-RL".splitlines()) for name in slabs]
    assert open_project(project).layout.names.tolist() == slabs


def test_faults_of_points_name_the_line_of_the_file(project: Path, tmp_path: Path) -> None:
    place = "186759.0 431244.0 {}"
    rows = [f'<CgPoint name="p{k}">{place.format(212)}</CgPoint>' for k in range(9)]
    rows[6] = f'<CgPoint name="far">{place.format(9212)}</CgPoint>'
    answer = run("check", project, "--survey", points(tmp_path, *rows))
    assert answer.status == 2
    assert answer.err.startswith("slabpose: points.xml:9: level_m: expected a level of ")
    # on one line they cannot be told apart; rows then count as in a table
    content = points(tmp_path, " ".join(rows))
    table = cg_points_table(content, Faults())
    assert table is not None
    assert table.count(b"\n") == 10


def test_ten_faults_of_points_are_ten_messages(project: Path, tmp_path: Path) -> None:
    rows = [*['<CgPoint name="p">1 2</CgPoint>'] * 4, *["<CgPoint>1 2 3</CgPoint>"] * 3,
            *['<CgPoint name="q" eastingStdError="x">1,5 2 3</CgPoint>'] * 2]  # fmt: skip
    told = run("setup", project, "--control", points(tmp_path, *rows)).err.splitlines()
    assert len(told) == 11
    assert sum("expected northing, easting and level" in line for line in told) == 6
    assert sum("expected a name, found nothing" in line for line in told) == 3
    assert sum("eastingStdError: expected a number, found 'x'" in line for line in told) == 2
