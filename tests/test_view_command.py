"""The command that draws: what it can be coloured by, from a project folder to the arrays of the picture."""

import shutil
from pathlib import Path

import numpy as np
import pytest
from project_copies import DEMO, Answer, change, copy_of_demo, run
from test_viewer_picture import words_of

from geometry.errors import InputError
from geometry.exchange.plan_inputs import plan_of
from geometry.exchange.project import open_project
from geometry.survey import movement_rows
from viewer.checked import section_of
from viewer.decided import layer_sources, move_values, worst_first
from viewer.flat import flat_sheet
from viewer.mesh import deviation_at_mm
from viewer.running import check_of
from viewer.section import NOT_MEASURED, OUT


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


def test_without_a_bed_the_gap_says_what_to_do(tmp_path):
    project = copy_of_demo(tmp_path)
    shutil.rmtree(project / "bed")
    answer = view(project, "--colour", "gap")
    assert answer.status == 2
    (line,) = [line for line in answer.err.splitlines() if line.startswith("slabpose: ")]
    assert "bed" in line
    assert "put the surveyed bed points there" in line
    assert not (tmp_path / "drawn.png").exists()


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
