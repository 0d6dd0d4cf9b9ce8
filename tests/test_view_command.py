"""The command that draws: what it can be coloured by, from a project folder to the arrays of the picture."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hostile_names import hostile_project
from project_copies import DEMO, Answer, change, copy_of_demo, run
from test_viewer_picture import words_of

from geometry.errors import InputError
from geometry.exchange.plan_inputs import plan_of
from geometry.exchange.project import open_project
from geometry.placement.plan.carried_out import carried_out
from geometry.placement.plan.rule_table import KINDS
from geometry.survey import movement_rows
from viewer.checked import section_of
from viewer.decided import layer_sources, move_values, worst_first
from viewer.flat import flat_sheet
from viewer.mesh import deviation_at_mm
from viewer.posed import POSES, Planning, section_in
from viewer.running import check_of
from viewer.section import NOT_MEASURED, OUT, UNDECIDED, WITHIN
from viewer.sheet import slab_word


@pytest.fixture(scope="module")
def demo():
    project = open_project(DEMO)
    _, check = check_of(project, (), None)
    return project, check, section_of(project, check)


@pytest.fixture(scope="module")
def plan(demo):
    project, check, _ = demo
    return plan_of(project, check)


def view(project: Path, *arguments: object) -> Answer:
    return run("view", project, "--flat", "--picture", project.parent / "drawn.png", *arguments)


def test_gaps_of_the_demo_are_the_bed_under_the_built_slabs(demo):
    """At the corners of the grid against the corners of the report; inside against its smallest and largest."""
    project, check, section = demo
    (layer,) = layer_sources(project, check, section)["gap"]()
    assert layer.field.shape[0] == len(section)
    known = np.isfinite(layer.field).all(axis=(1, 2))
    assert known.sum() > 0.9 * len(section)
    assert (layer.verdict[~section.measured] == NOT_MEASURED).all()
    # A grid of 0.6 m sees neither less than the smallest nor more than the largest gap of the whole bed.
    field = layer.field[known]
    card = [layer.card(int(slab)) for slab in np.flatnonzero(known)[:20]]
    for values, one in zip(field, card, strict=False):
        numbers = [float(row[1]) for row in one.rows]
        np.testing.assert_allclose(values[[0, 0, -1, -1], [0, -1, 0, -1]], numbers[:4], rtol=0, atol=0.06)
        assert numbers[4] - 0.06 <= values.min()
        assert values.max() <= numbers[5] + 0.06
    assert (layer.verdict == OUT).sum() == 2  # the high spot and the hollow


def test_gap_follows_the_slab_and_not_only_the_bed(demo):
    """A slab that lies higher has as much more mortar under it: Q0137 lies 3.1 to 3.6 mm too high."""
    project, check, section = demo
    (layer,) = layer_sources(project, check, section)["gap"]()
    slab = section.slab("Q0137")
    up = deviation_at_mm(section, np.array([slab]), np.zeros((1, 3)))[0, 0, 2]
    nominal = project.settings.bed.mortar_nominal_mm
    assert 3.0 < up < 3.7
    assert layer.field[slab].mean() == pytest.approx(nominal + up, abs=1.5)


def test_moves_of_the_demo_lift_the_corners_as_the_plan_says(demo, plan):
    project, _, section = demo
    values = move_values(plan, project, section)
    assert values.touched.sum() == plan.touched.sum() > 0
    slab = int(np.flatnonzero(plan.touched & (np.abs(plan.lift).max(axis=1) > 1e-3))[0])
    # The corners of the rectangle by the plane through the screws, solved here on its own.
    screws = project.types[section.type_index[slab]].screws.places
    plane = np.linalg.lstsq(np.column_stack([np.ones(len(screws)), screws[:, :2]]), plan.lift[slab] * 1e3, rcond=None)[
        0
    ]
    half = section.size[slab] / 2
    for row, along in enumerate((-half[1], half[1])):
        for column, across in enumerate((-half[0], half[0])):
            assert values.field_mm[slab, row, column] == pytest.approx(plane @ [1.0, across, along], abs=1e-3)
    assert (values.field_mm[~plan.touched & section.measured] == 0.0).all()
    assert np.isnan(values.field_mm[~section.measured]).all()
    # Screws stand where they are drawn: the move at them is the lift.
    at_screws = movement_rows(values.screw_place[[slab]])[0, :, 2] @ plan.move[slab] * 1e3
    np.testing.assert_allclose(at_screws, values.lift_mm[slab], rtol=0, atol=1e-3)


def test_slabs_of_broken_rules_are_still_out(demo, plan):
    project, _, section = demo
    values = move_values(plan, project, section)
    table = plan.rules.picked(np.flatnonzero(plan.broken_after))
    out = set(np.flatnonzero(values.verdict == OUT))
    concerned = {slab for rear, front in zip(table.rear, table.front, strict=True) for slab in range(rear, front + 1)}
    assert out
    assert out <= concerned
    alone = table.rear[table.rear == table.front]
    assert set(alone) <= out


def test_the_worst_limit_of_the_rail_comes_first(demo):
    project, check, section = demo
    layers = layer_sources(project, check, section)["rail"]()
    furthest = [np.nanmax(layer.amount, initial=0.0) for layer in layers]
    assert furthest[0] == max(furthest)
    named = layer_sources(project, check, section, "twist")["rail"]()
    assert named[0].heading == "rail before fastening, twist over 3 m"
    assert len(named) == len(layers)
    assert {layer.title for layer in named} == {layer.title for layer in layers}
    with pytest.raises(InputError, match="of them"):
        worst_first(layers, "chord")
    assert worst_first(layers, "LEVEL")[0].title == "rail, level"  # its whole name, though others begin with it


@pytest.mark.parametrize("colour", ["across", "gap", "move", "rail"])
def test_every_colour_draws(tmp_path, colour):
    answer = view(copy_of_demo(tmp_path), "--colour", colour)
    assert answer.status == 0, answer.err
    assert (tmp_path / "drawn.png").read_bytes().startswith(b"\x89PNG")


def test_without_a_bed_the_gap_is_that_of_the_design_and_says_so(tmp_path):
    project = copy_of_demo(tmp_path)
    shutil.rmtree(project / "bed")
    answer = view(project, "--colour", "gap")
    assert answer.status == 0
    (line,) = [line for line in answer.err.splitlines() if line.startswith("warning: ")]
    assert "bed: expected a survey of the bed, found none" in line
    assert "to the bed by design, and none is within" in line
    assert (tmp_path / "drawn.png").exists()


def test_limits_go_with_the_rail_alone_and_are_told(tmp_path):
    project = copy_of_demo(tmp_path)
    assert "--colour rail" in view(project, "--colour", "gap", "--limit", "cant").err
    answer = view(project, "--colour", "rail", "--limit", "twits")
    assert answer.status == 2
    assert "twist over 3 m" in answer.err


def test_a_project_without_limits_of_the_rail_says_so(tmp_path):
    project = copy_of_demo(tmp_path)
    text = (project / "project.toml").read_text()
    before, *parts = text.split("[[rail.limit]]")
    kept = before + "".join("\n[" + part.split("\n[", 1)[1] if "\n[" in part else "" for part in parts)
    (project / "project.toml").write_text(kept)
    answer = view(project, "--colour", "rail")
    assert answer.status == 2
    assert "rail.limit" in answer.err


def test_units_and_signs_stand_on_every_picture(demo):
    project, check, section = demo
    sources = layer_sources(project, check, section)
    for name in ("up", "gap", "rail"):
        layer = sources[name]()[0]
        told = " ".join(words for words, _ in words_of(flat_sheet(section, layer)))
        assert " mm" in told
        assert layer.sign in told
        assert layer.scale.allowed_word in told
        assert "\N{MULTIPLICATION SIGN}" in told


def test_the_nominal_gap_is_the_middle_of_the_scale(tmp_path):
    project = copy_of_demo(tmp_path)
    change(project, "project.toml", "mortar_nominal_mm = 55.0", "mortar_nominal_mm = 50.0")
    read = open_project(project)
    _, check = check_of(read, (), None)
    (layer,) = layer_sources(read, check, section_of(read, check))["gap"]()
    assert layer.scale.middle == 50.0


# --- poses -----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def planning(demo):
    return Planning(*demo[:2])


def test_slabs_as_planned_lie_where_the_rules_of_the_plan_have_them(demo, planning):
    """Values before plus rows times move, which the plan works out on its own; turning is not exact, and counts."""
    check = demo[1]
    plan, after = planning.plan, planning.after
    for axis, name in enumerate(("across", "along", "up")):
        rules = np.flatnonzero(plan.rules.kind == KINDS.index(name))
        slab, mark = plan.rules.rear[rules], plan.rules.place[rules]
        # the plan is linear: half the square of 2 mrad of roll at 1.2 m is 2.4 um
        np.testing.assert_allclose(after.deviation[slab, mark, axis], plan.value_after[rules], rtol=0, atol=5e-6)
        np.testing.assert_allclose(after.deviation_sigma[slab, mark, axis], plan.sigma_after[rules], rtol=0, atol=1e-12)
    touched = plan.touched
    assert (after.deviation_sigma[touched, 0, 2] > check.deviation_sigma[touched, 0, 2] * 1.2).all()
    np.testing.assert_array_equal(after.position[~touched], check.fits.position[~touched])
    np.testing.assert_array_equal(after.verdict[~touched], check.verdict[~touched])
    own = np.sqrt(np.einsum("nii->ni", after.covariance))
    np.testing.assert_allclose(own[touched], plan.pose_after_sigma[touched], rtol=0, atol=1e-12)
    assert (check.verdict[touched] == OUT).sum() == 2
    assert (after.verdict[touched] == WITHIN).all()


def test_a_move_that_ends_too_near_the_limit_is_no_longer_within(demo, planning):
    project, check, _ = demo
    plan = planning.plan
    loose = replace(project.settings.plan.rules(), turning_sigma=0.001)
    after = carried_out(check, plan, project.types, project.layout.type_index, project.check_rules, loose)
    assert (after.verdict[plan.touched] == UNDECIDED).any()
    assert not (after.verdict[plan.touched] == WITHIN).all()
    np.testing.assert_array_equal(after.verdict[~plan.touched], check.verdict[~plan.touched])


def test_gap_and_rail_of_other_poses_are_those_of_their_commands(demo, planning, tmp_path):
    project, check, section = demo
    for pose in ("planned", "target"):
        assert run("mortar", DEMO, "--pose", pose, "--json", tmp_path / "mortar.json").status == 1
        rows = json.loads((tmp_path / "mortar.json").read_text())["slabs"]
        posed = section_in(section, pose, planning)
        sources = layer_sources(project, check, posed, pose=pose, planning=planning)
        (gap,) = sources["gap"]()
        for slab in (section.slab("Q0137"), section.slab("Q0232"), 3):
            numbers = [float(row[1]) for row in gap.card(slab).rows]
            assert numbers[4] == pytest.approx(rows[slab]["smallest_mm"], rel=0, abs=0.051)
            assert numbers[5] == pytest.approx(rows[slab]["largest_mm"], rel=0, abs=0.051)
            assert gap.field[slab].mean() == pytest.approx(np.mean(numbers[:4]), rel=0, abs=5.0)
        assert gap.title.endswith({"planned": "slabs as planned", "target": "slabs on their targets"}[pose])
        assert run("rail", DEMO, "--pose", pose, "--json", tmp_path / "rail.json").status == 1
        limits = {row["limit"]: row for row in json.loads((tmp_path / "rail.json").read_text())["limits"]}
        for layer in sources["rail"]():
            worst = limits[layer.title.removeprefix("rail, ")]["worst_mm"]
            if worst is not None:
                shown = layer.rails.value_mm[np.isfinite(layer.rails.value_mm)]
                assert np.abs(shown - worst).min() < 1e-9
            assert layer.heading.endswith(f"slabs {POSES[pose]}")


def test_deviations_of_slabs_as_planned_say_so(demo, planning):
    project, check, section = demo
    posed = section_in(section, "planned", planning)
    (layer,) = layer_sources(project, check, posed, pose="planned", planning=planning)["up"]()
    assert layer.title == "up, planned minus target"
    assert layer.heading == "deviation up, slabs as planned"
    slab = section.slab("Q0137")
    assert layer.card(slab).told == "planned minus target, mm"
    assert abs(layer.worst[slab]) < 0.5


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--pose", "target"], "have no deviation"),
        (["--pose", "target", "--colour", "move"], "goes with --pose built"),
        (["--pose", "planned", "--colour", "move"], "goes with --pose built"),
        (["--pose", "tomorrow"], "'tomorrow' is not one of"),
    ],
)
def test_poses_that_have_nothing_to_show_are_told(tmp_path, options, told):
    answer = run("view", DEMO, "--flat", "--picture", tmp_path / "a.png", *options)
    assert answer.status == 2
    assert told in answer.err
    assert not (tmp_path / "a.png").exists()


def test_every_pose_draws_and_the_picture_names_it(tmp_path):
    for pose, colour in (("planned", "up"), ("planned", "gap"), ("target", "rail")):
        picture = tmp_path / f"{pose}-{colour}.svg"
        answer = run("view", DEMO, "--flat", "--pose", pose, "--colour", colour, "--picture", picture)
        assert answer.status == 0, answer.err
        assert picture.stat().st_size > 10_000


def test_readings_stand_in_for_surveyed_points(tmp_path):
    project = copy_of_demo(tmp_path)
    readings = sorted((project / "readings").glob("*.csv"))
    assert readings
    picture = tmp_path / "a.png"
    answer = run(
        "view", project, "--flat", "--picture", picture, *(part for r in readings for part in ("--readings", r))
    )
    assert answer.status == 0, answer.err
    assert picture.read_bytes().startswith(b"\x89PNG")
    both = run("view", project, "--flat", "--picture", picture, "--readings", readings[0], "--survey",
               project / "survey/fine_adjustment.csv")  # fmt: skip
    assert both.status == 2
    assert "either readings or surveyed points" in both.err


def test_hostile_names_stand_on_one_line_in_pictures(tmp_path):
    project, _ = hostile_project(tmp_path)
    read = open_project(project)
    _, check = check_of(read, (), None)
    section = section_of(read, check)
    assert section.title.startswith("=2+2 <i>")
    words = [words for words, _ in words_of(flat_sheet(section, layer_sources(read, check, section)["up"]()[0]))]
    assert any("<script>alert(1)" in line for line in words)
    assert not any(mark in line for line in words for mark in ("\n", "\r", "\u202e"))
    for slab, name in enumerate(section.slab_names[:13]):
        told = slab_word(section, slab)
        assert len(told) <= 28
        assert told.isprintable()
        assert told == name or "\\" in told or told.endswith("\N{HORIZONTAL ELLIPSIS}")
