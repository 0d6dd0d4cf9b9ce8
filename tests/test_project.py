"""A project folder becomes the values the program works on: units, signs, order, and what may be left out."""

from __future__ import annotations

import hashlib
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from project_copies import DEMO, change, copy_of_demo

from geometry.alignment import evaluate, format_chainage
from geometry.errors import InputError
from geometry.exchange.project import input_paths, open_alignment, open_project
from geometry.exchange.survey_files import read_survey, survey_paths
from geometry.survey import NO_NAME
from viewer.cli.options import number_in


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


def test_units_and_signs_come_through() -> None:
    read = open_project(DEMO)
    line = read.alignment
    assert line.length == pytest.approx(1500.0, abs=1e-9)
    assert line.rules.cant_base == 1.5
    assert line.rules.grid_scale == 0.99988
    start = evaluate(line, np.array([0.0, 540.0, 1050.0, 250.0]))
    assert (start.easting[0], start.northing[0], start.level[0]) == (431208.455, 186740.118, 212.48)
    assert math.degrees(start.bearing[0]) == pytest.approx(63.52, abs=1e-12)
    assert start.curvature[1] == pytest.approx(1 / 5200, rel=1e-12)  # to the right
    assert start.cant[1] == pytest.approx(0.130, abs=1e-12)  # left rail higher
    assert start.curvature[2] == pytest.approx(-1 / 6400, rel=1e-12)
    assert start.cant[2] == pytest.approx(-0.105, abs=1e-12)
    assert start.gradient[0] == pytest.approx(0.008, abs=1e-15)
    # 250 m of grid are 250 / 0.99988 m of true length, of which gradients are part
    assert start.level[3] == pytest.approx(212.48 + 0.008 * 250 / line.rules.grid_scale, abs=1e-3)


def test_slab_types_and_rules_are_in_metres() -> None:
    read = open_project(DEMO)
    a, b = read.types
    assert (a.length, a.width, a.thickness, a.special, b.length, b.special) == (5.2, 2.5, 0.2, False, 3.64, True)
    assert a.marks.names == ("RL", "RR", "FL", "FR")
    assert a.marks.places[1].tolist() == [1.05, -2.35, 0.0]  # rear right: + across, - along
    assert (a.screws.pitch, a.screws.travel, a.adjusters.pitch) == (0.004, 0.025, 0.003)
    rules = read.check_rules
    limits = {t.quantity: (t.low, t.high) for t in rules.tolerances}
    assert limits["across"] == (-0.002, 0.002)
    assert limits["gap"] == (0.06, 0.1)
    assert (rules.guard, rules.match_radius, rules.rail_apart) == (2.0, 0.12, 1.5)


def test_the_order_of_rail_seats_does_not_count(project: Path) -> None:
    before = open_project(project).targets
    change(project, "project.toml", "[-2.275, -1.625, -0.975,", "[-0.975, -2.275, -1.625,")
    after = open_project(project).targets
    assert (before.position == after.position).all()


def test_inputs_are_named_with_their_digest() -> None:
    read = open_project(DEMO)
    tables = ["horizontal.csv", "vertical.csv", "cant.csv", "chainage.csv", "structures.csv"]
    assert list(read.inputs) == ["project.toml", *tables]
    for name, sha in read.inputs.items():
        assert sha == hashlib.sha256((DEMO / name).read_bytes()).hexdigest()
    files = {*tables, "layout.csv"}
    workbooks = {name.replace(".csv", ".xlsx") for name in files}  # each may be one of its own
    assert {p.name for p in input_paths(DEMO)} == {"project.toml", "tables.xlsx", *files, *workbooks}


def test_what_may_be_left_out(project: Path) -> None:
    for name in ("cant.csv", "chainage.csv", "structures.csv"):
        (project / name).unlink()
    read = open_project(project)
    assert read.warnings == ()
    assert [(s.start, s.end) for s in read.spans] == [(0.0, read.alignment.length)]
    assert not evaluate(read.alignment, np.linspace(0, 1500, 50)).cant.any()
    assert read.count.to_chainage(750.0) == 28150.0
    assert len(read.layout.names) > 270


def test_a_layout_that_is_laid_out_and_given_back_is_the_same(project: Path) -> None:
    laid_out = open_project(project)
    rows = zip(laid_out.layout.names, laid_out.layout.type_index, laid_out.layout.distance, strict=True)
    lines = [f"{name},{laid_out.types[kind].name},{place:.9f}" for name, kind, place in rows]
    order = np.random.default_rng(3).permutation(len(lines))
    (project / "layout.csv").write_text("slab,type,distance_m\n" + "\n".join(lines[i] for i in order) + "\n")
    given_back = open_project(project)
    assert given_back.layout_findings == ()
    assert given_back.layout.names.tolist() == laid_out.layout.names.tolist()
    assert given_back.layout.type_index.tolist() == laid_out.layout.type_index.tolist()
    assert np.abs(given_back.targets.position - laid_out.targets.position).max() < 2e-9
    assert given_back.layout.span.tolist() == laid_out.layout.span.tolist()
    assert "layout.csv" in given_back.inputs


def test_chainage_and_distance_name_the_same_places(project: Path) -> None:
    by_chainage = open_project(project)
    spans = by_chainage.spans
    lines = [f"{s.name},{s.kind},{s.start:.6f},{s.end:.6f}" for s in spans[::-1]]  # in any order
    (project / "structures.csv").write_text("name,kind,distance_start_m,distance_end_m\n" + "\n".join(lines) + "\n")
    by_distance = open_project(project)
    assert [s.name for s in by_distance.spans] == [s.name for s in spans]
    assert np.abs(by_distance.targets.position - by_chainage.targets.position).max() < 2e-6
    # the count skips 12.5 m: a slab behind the jump has a chainage 12.5 m larger than its distance tells
    rest = by_chainage.chainage - by_chainage.layout.distance - 27400.0
    assert set(np.round(rest, 6).tolist()) == {0.0, 12.5}


def test_chainage_and_distance_may_stand_beside_each_other_if_they_agree(project: Path) -> None:
    header = "name,kind,chainage_start_m,distance_start_m,chainage_end_m,distance_end_m"
    (project / "structures.csv").write_text(f"{header}\nbank,bank,27440,40.0004,28112.5,700\n")
    span = open_project(project).spans[0]
    assert (span.start, span.end) == (40.0004, 700.0)  # the distance counts
    (project / "structures.csv").write_text(f"{header}\nbank,bank,27440,40.0004,28112.5,701\n")
    with pytest.raises(InputError, match=r":2: chainage_end_m: expected the chainage of distance 701\.000 m"):
        open_project(project)


@pytest.mark.parametrize(("radii", "start", "end"), [(",-8000", 0.0, -1 / 8000), ("-8000,", -1 / 8000, 0.0)])
def test_a_vertical_clothoid_is_curved_at_the_end_whose_radius_is_given(
    project: Path, radii: str, start: float, end: float
) -> None:
    """Over a crest; the change of slope of a clothoid is half its largest curvature times its length."""
    last = 8 - 1e3 * 200 / 2 / 8000
    header = (project / "vertical.csv").read_text().split("\n")[0]
    (project / "vertical.csv").write_text(
        f"{header}\ngradient,0,300,212.48,8,,,\nclothoid,300,200,,8,{last},{radii}\ngradient,500,1000,,{last},,,\n"
    )
    line, *_ = open_alignment(project)
    gradient = evaluate(line, np.array([300.0, 310.0, 490.0, 500.0])).gradient
    bend = [(gradient[1] - gradient[0]) / 10, (gradient[3] - gradient[2]) / 10]  # over the first and last 10 m
    for found, at, other in zip(bend, (start, end), (end, start), strict=True):
        assert found == pytest.approx(at + (other - at) * 5 / 200, rel=0.01)


def test_a_vertical_clothoid_without_any_radius_is_refused(project: Path) -> None:
    change(project, "vertical.csv", "parabola,250,350,,8,-6,-25000,-25000", "clothoid,250,350,,8,-6,,")
    with pytest.raises(InputError, match=r"vertical\.csv:3: .*found a vertical clothoid needs"):
        open_project(project)


def test_an_allowed_jump_is_taken(project: Path) -> None:
    change(project, "cant.csv", "constant,440,200,130,", "constant,440,200,128,")
    change(project, "cant.csv", "linear,640,320,130,-105", "linear,640,320,128,-105")
    with pytest.raises(InputError, match=r"cant\.csv:4: .*allow a jump that is meant in project\.toml"):
        open_project(project)
    allowed = 'allowed_jump = [{ quantity = "cant", element = 3, reason = "as built" }]'
    change(project, "project.toml", "grid_scale", f"{allowed}\ngrid_scale")
    assert open_project(project).warnings == ()


def test_sigmas_of_the_file_go_before_those_of_the_project(project: Path) -> None:
    path = project / "survey" / "one.csv"
    path.write_text("point,slab,corner,easting_m,northing_m,level_m,sigma_level_mm\n"
                    "a,Q0101,RL,431244.06,186759.03,212.59,0.4\nb,Q0101,RR,431245.0,186757.15,212.59,\n")  # fmt: skip
    read = read_survey(open_project(project), [path])
    assert read.points.sigma.tolist() == [[0.25e-3, 0.25e-3, 0.4e-3], [0.25e-3, 0.25e-3, 0.1e-3]]
    assert (read.points.slab == 0).all()
    assert read.points.mark.tolist() == [0, 1]
    assert read.points.label(1) == "point b (one.csv:3)"
    assert list(read.inputs) == ["survey/one.csv"]


def test_a_corner_beside_the_four_has_no_meaning_without_its_slab(project: Path) -> None:
    last = '{ name = "FR", across_m = 1.05, along_m = 2.35 },\n'
    change(project, "project.toml", last, f'{last}    {{ name = "C", across_m = 0.6, along_m = -0.1 }},\n')
    path = project / "survey" / "one.csv"
    rows = "".join(f"{name},431254,186764,213\n" for name in ("a,Q0104,C", "b,,C", "c,,FR"))
    path.write_text(f"point,slab,corner,easting_m,northing_m,level_m\n{rows}")
    read = read_survey(open_project(project), [path])
    assert read.points.mark.tolist() == [4, NO_NAME, 3]


def test_surveys_are_read_in_order_of_their_names(project: Path) -> None:
    for name in ("b.csv", "A.CSV", "notes.txt"):
        (project / "survey" / name).write_text("")
    assert [p.name for p in survey_paths(project)] == ["A.CSV", "b.csv", "fine_adjustment.csv"]
    assert survey_paths(project / "nowhere") == []


@settings(deadline=None, derandomize=True)
@given(st.integers(-99_999_999, 99_999_999))
def test_chainages_are_read_as_they_are_written(milli: int) -> None:
    assert number_in(format_chainage(milli / 1000)) == pytest.approx(milli / 1000, abs=1e-9)
    assert number_in(f"{milli / 1000:.3f}") == milli / 1000


@pytest.mark.parametrize("text", ["", "nan", "inf", "-inf", "1e999", "x", "27+", "27+5000", "1+2+3", "27 + 5"])
def test_what_is_no_chainage(text: str) -> None:
    assert math.isnan(number_in(text))
