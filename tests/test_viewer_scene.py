"""The three-dimensional views: bodies, projection, pixels, keys and picking."""

import numpy as np
import pytest
from test_viewer_section import curve_section

from geometry.errors import SlabposeError
from viewer import window
from viewer.close import close_view, exaggeration
from viewer.colours import UNKNOWN, colours
from viewer.gl import prepare
from viewer.mesh import corner_values_mm, slab_vertices
from viewer.overview import overview
from viewer.scene import picture
from viewer.stage import image, on_page, stage


@pytest.fixture(scope="module")
def section():
    return curve_section()


@pytest.fixture(scope="module", autouse=True)
def gl():
    answer = prepare()
    if not answer.works:
        print(answer.told)
        pytest.skip(answer.told)


@pytest.fixture(scope="module")
def close(section):
    plotter = stage(1072, 294, "#f5f6f7")
    drawn = close_view(plotter, section, 21)
    yield drawn, plotter, image(plotter)
    plotter.close()


@pytest.fixture(scope="module")
def over(section):
    plotter = stage(1536, 380, "#ffffff")
    drawn = overview(plotter, section)
    yield drawn, image(plotter)
    plotter.close()


def test_exaggeration_is_round_and_keeps_slabs_above_the_bed(section):
    assert exaggeration(section, np.arange(18, 31)) == 100.0
    down = exaggeration(section, [41])
    lowest = np.nanmin(section.corner_deviation_mm[41, :, 2])
    assert lowest * down / 1000.0 > -section.bed_depth
    assert exaggeration(section, [7]) == 200.0


def test_close_view_shows_a_dozen_slabs(close, section):
    drawn, _, _ = close
    np.testing.assert_array_equal(drawn.slabs, np.arange(18, 31))
    assert drawn.factor == 100.0
    assert set(drawn.mesh.slab_of_face) == set(range(18, 31))


def test_close_view_stands_in_the_frame_of_the_slab(close, section):
    """x right, y forward, z up: the target's middle is the origin, and 4.8 mm up times 100 is half a metre up."""
    drawn, _, _ = close
    mine = drawn.mesh.points[drawn.mesh.slab_of_point == 21]
    middle = mine.mean(axis=0)
    ahead = drawn.mesh.points[drawn.mesh.slab_of_point == 22].mean(axis=0)
    assert 4.5 < (ahead - middle)[1] < 5.5
    assert abs((ahead - middle)[0]) < 0.2
    top = mine[np.isclose(drawn.mesh.value_of_point[drawn.mesh.slab_of_point == 21], 0, atol=99)][:30]
    deviation = section.corner_deviation_mm[21].mean(axis=0)
    assert top[:, 2].mean() == pytest.approx(0.1 * deviation[2], abs=0.03)


def test_near_the_ends_the_close_view_keeps_its_dozen(section):
    for slab, first in ((0, 0), (1, 0), (59, 47)):
        plotter = stage(200, 100, "#ffffff")
        drawn = close_view(plotter, section, slab)
        np.testing.assert_array_equal(drawn.slabs, np.arange(first, first + 13))
        plotter.close()


def test_pixels_of_the_close_view_show_the_scale(close, section):
    """Inside the top face of the worst slab, and of one within: colour of the very point that is seen there."""
    drawn, plotter, shot = close
    frame = _frame(section)
    for slab in (21, 23):
        vertex = np.array([[0.2, -1.7, 0.0]])
        point, deviation_mm = slab_vertices(
            section, np.array([slab]), vertex, factor=drawn.factor, origin=section.target_position[21]
        )
        x, y = np.rint(on_page(plotter, point[0] @ frame, 1072, 294)[0]).astype(int)
        wanted = np.rint(colours(deviation_mm[0, 0, 2], 2.0) * 255)
        np.testing.assert_allclose(shot[y, x], wanted, atol=4)


def _frame(section):
    forward = section.target_rotation[21, :2, 1] / np.linalg.norm(section.target_rotation[21, :2, 1])
    return np.column_stack([[forward[1], -forward[0], 0.0], [*forward, 0.0], [0.0, 0.0, 1.0]])


def test_labels_name_the_slab_the_scale_and_chainages(close):
    drawn, _, _ = close
    words = [label.text for label in drawn.labels]
    assert words[0].startswith("M122  +4.")
    assert {"10 mm right", "10 mm ahead", "10 mm up"} <= set(words)
    assert "12+150" in words
    arms = {label.text.split()[-1]: np.array(label.point) for label in drawn.labels if label.kind == "scale"}
    # 10 mm drawn 100 times larger is a metre; arms end 6 % before their words.
    assert np.linalg.norm(arms["up"] - arms["right"]) == pytest.approx(1.06 * np.sqrt(2.0), abs=1e-6)
    assert arms["up"][2] > arms["right"][2]
    assert arms["right"][0] > arms["ahead"][0]


def test_overview_pixels_show_the_scale_and_what_was_not_measured(over, section):
    drawn, shot = over
    plan = drawn.plan
    values = corner_values_mm(section, "up")[1]
    # A slab that hardly tilts, the cut one, and a place in the middle of its top face.
    for slab in (21, 44):
        height = np.clip(values[slab].mean(), -2.0, 2.0)
        x, y = plan.page(plan.rows.row(section.distance[slab]), plan.rows.place(section.distance[slab]), 0.0, height)
        wanted = np.rint(colours(values[slab].mean(), 2.0) * 255)
        np.testing.assert_allclose(shot[round(float(y)), round(float(x))], wanted, atol=4)
    x, y = plan.page(0, plan.rows.place(section.distance[7]), 0.3, 0.0)
    patch = shot[round(float(y)) - 8 : round(float(y)) + 8, round(float(x)) - 20 : round(float(x)) + 20].reshape(-1, 3)
    grey = np.array([int(UNKNOWN[at : at + 2], 16) for at in (1, 3, 5)])
    assert (np.abs(patch.astype(int) - grey).max(axis=1) <= 3).mean() > 0.2


def test_overview_factors_are_what_the_mesh_has(over, section):
    drawn, _ = over
    points = drawn.mesh.points.reshape(-1, 8, 3)
    assert np.ptp(points[3, :4, 1]) == pytest.approx(2.34 * drawn.plan.width_factor)
    value = corner_values_mm(section, "up")[1][3, 2]
    assert points[3, 2, 2] == pytest.approx(0.001 * value * drawn.plan.height_factor)


def test_overview_thins_a_very_long_section():
    made = curve_section(30_000)
    plotter = stage(1536, 380, "#ffffff")
    drawn = overview(plotter, made)
    assert len(drawn.mesh.points) // 8 < 8000
    assert set(made.worst("up", 8)) <= set(drawn.mesh.slab_of_face)
    plotter.close()


def test_picture_is_a_page_of_both_views(section, tmp_path):
    drawn = picture(section, tmp_path / "both.png")
    assert not drawn.flat
    assert drawn.path.stat().st_size > 50_000


@pytest.fixture(scope="module")
def opened(section):
    made = window.Window(section, off_screen=True, size=(800, 500))
    yield made
    made.plotter.close()


def test_keys_change_quantity_slab_and_exaggeration(opened):
    assert (opened.slab, opened.quantity, opened.close.factor) == (21, "up", 100.0)
    opened.press("n")
    assert (opened.slab, opened.close.slab) == (22, 22)
    opened.press("b")
    opened.press("plus")
    assert opened.close.factor == 200.0
    opened.press("minus")
    opened.press("minus")
    assert opened.close.factor == 50.0
    opened.press("x")
    assert opened.over.plan.limit_mm == 4.0
    opened.press("w")
    assert opened.slab == opened.section.worst("across", 1)[0]
    opened.press("F5")
    opened.go(-3)
    assert opened.slab == 0
    opened.press("z")
    opened.press("w")
    assert opened.slab == 21


def test_a_click_on_a_block_finds_its_slab(opened, section):
    opened.press("z")
    opened.plotter.render()
    plan = opened.over.plan
    values = corner_values_mm(section, "up")[1]
    for slab in (2, 21, 50):
        height = float(np.clip(values[slab].mean(), -2.0, 2.0))
        x, y = plan.page(plan.rows.row(section.distance[slab]), plan.rows.place(section.distance[slab]), 0.0, height)
        assert opened.pick(round(float(x)), 500 - round(float(y))) == slab
    assert opened.pick(3, 497) is None


def test_a_window_needs_a_screen(section, monkeypatch):
    monkeypatch.setattr(window, "has_screen", lambda: False)
    with pytest.raises(SlabposeError, match="no screen"):
        window.show(section)
