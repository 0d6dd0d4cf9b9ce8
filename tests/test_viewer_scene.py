"""The three-dimensional views: bodies, projection, pixels, keys and picking."""

from dataclasses import replace

import numpy as np
import pytest
from picture_layers import MAKERS, move_values, rail_values
from test_viewer_section import curve_section

from geometry.errors import SlabposeError
from viewer import window
from viewer.close import close_view, exaggeration
from viewer.colours import UNKNOWN, colours
from viewer.deviation_layer import deviation_layer
from viewer.gl import prepare
from viewer.mesh import corner_values_mm, slab_vertices
from viewer.move_layer import move_layer
from viewer.overview import overview
from viewer.rail_layer import rail_layer
from viewer.scene import picture
from viewer.section import QUANTITIES
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
    drawn = close_view(plotter, section, 21, deviation_layer(section, "up"))
    yield drawn, plotter, image(plotter)
    plotter.close()


@pytest.fixture(scope="module")
def over(section):
    plotter = stage(1536, 380, "#ffffff")
    drawn = overview(plotter, section, deviation_layer(section, "up"))
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
        drawn = close_view(plotter, section, slab, deviation_layer(section, "up"))
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
    drawn = overview(plotter, made, deviation_layer(made, "up"))
    assert len(drawn.mesh.rims) < 8000
    assert set(made.worst("up", 8)) <= set(drawn.mesh.slab_of_face)
    plotter.close()


def test_picture_is_a_page_of_both_views(section, tmp_path):
    drawn = picture(section, tmp_path / "both.png", deviation_layer(section, "up"))
    assert not drawn.flat
    assert drawn.path.stat().st_size > 50_000


class OneView:
    """A section at one stage, in the pose in which it was built."""

    def __init__(self, section, sources):
        self.section, self.sources = section, sources

    def stages(self):
        return ("",)

    def poses(self):
        return {"built": "as built"}

    def view(self, stage, pose):
        return self.section, self.sources

    def to_distance(self, chainage):
        return chainage


@pytest.fixture(scope="module")
def opened(section):
    def nothing():
        raise SlabposeError("no bed was surveyed")

    sources = {name: (lambda name=name: [deviation_layer(section, name)]) for name in QUANTITIES}
    sources |= {"gap": nothing, "move": lambda: [MAKERS["move"](section)]}
    sources["rail"] = lambda: [MAKERS["rail"](section), MAKERS["cant"](section)]
    made = window.Window(OneView(section, sources), off_screen=True, size=(800, 500))
    yield made
    made.plotter.close()


def test_keys_change_quantity_slab_and_exaggeration(opened):
    assert (opened.slab, opened.layer.name, opened.close.factor) == (21, "up", 100.0)
    opened.press("Right")
    assert (opened.slab, opened.close.slab) == (22, 22)
    opened.press("Left")
    opened.press("plus")
    assert opened.close.factor == 200.0
    opened.press("minus")
    opened.press("minus")
    assert opened.close.factor == 50.0
    opened.press("x")
    assert opened.over.plan.values.above == 4.0
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
        window.show(OneView(section, {}))


def one_move(section, slab, lift=0.0, push=0.0):
    n = len(section)
    lifts, pushes = np.zeros((n, 4)), np.zeros((n, 2))
    lifts[slab], pushes[slab] = lift, push
    return move_layer(move_values(section, lifts, pushes))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_arrows_in_three_dimensions_point_where_slabs_have_to_go(section, sign):
    """In the close view's frame and in the grid, against the axes of the target slab."""
    plotter = stage(300, 200, "#ffffff")
    layer = one_move(section, 24, lift=3.0 * sign, push=1.5 * sign)
    drawn = close_view(plotter, section, 24, layer)
    ways = drawn.arrow_tips - drawn.arrow_tails
    assert ways.shape == (6, 3)
    assert (sign * ways[:4, 2] > 0.3).all()
    assert (sign * ways[4:, 0] > 0.3).all()
    grid = ways @ _frame_of(section, 24).T
    wanted = section.target_rotation[24][:, [2, 2, 2, 2, 0, 0]].T * sign
    np.testing.assert_allclose(grid / np.linalg.norm(grid, axis=1)[:, None], wanted, rtol=0, atol=1e-9)
    # The larger move has the longer arrow, and arrows stand outside the slab, over it or before its right edge.
    assert np.linalg.norm(ways[0]) > np.linalg.norm(ways[4])
    inside = drawn.mesh.points[drawn.mesh.slab_of_point == 24] @ _frame_of(section, 24).T @ section.target_rotation[24]
    ends = np.stack([drawn.arrow_tails[:4], drawn.arrow_tips[:4]]) @ _frame_of(section, 24).T
    assert (ends @ section.target_rotation[24])[..., 2].min() > inside[:, 2].max() - 0.06
    assert min(drawn.arrow_tails[4:, 0].min(), drawn.arrow_tips[4:, 0].min()) > 1.1
    words = [label.text for label in drawn.labels if label.kind == "arrow"]
    assert words == 4 * ["3.0 up" if sign > 0 else "3.0 down"] + 2 * ["1.5 right" if sign > 0 else "1.5 left"]
    plotter.close()


def test_a_mirrored_project_has_mirrored_arrows(section):
    """The same slabs on a left-hand curve: east and west exchanged, and left and right of every slab."""
    mirror = np.diag([-1.0, 1.0, 1.0])

    def flipped(points):
        return points @ mirror

    deviation = section.corner_deviation_mm[:, [1, 0, 3, 2]] * [-1.0, 1.0, 1.0]
    other = replace(
        section, corner_deviation_mm=deviation, target_position=flipped(section.target_position),
        built_position=flipped(section.built_position),
        target_rotation=mirror @ section.target_rotation @ mirror,
        built_rotation=mirror @ section.built_rotation @ mirror,
        rail_left=flipped(section.rail_right), rail_right=flipped(section.rail_left), axis=flipped(section.axis),
        anchor_position=flipped(section.anchor_position),
    )  # fmt: skip
    found = []
    for made, push in ((section, 2.0), (other, -2.0)):
        plotter = stage(300, 200, "#ffffff")
        drawn = close_view(plotter, made, 24, one_move(made, 24, lift=1.0, push=push))
        found.append((drawn.arrow_tips - drawn.arrow_tails) @ _frame_of(made, 24).T)
        plotter.close()
    np.testing.assert_allclose(flipped(found[0]), found[1], rtol=0, atol=1e-6)


def _frame_of(section, slab):
    forward = section.target_rotation[slab, :2, 1] / np.linalg.norm(section.target_rotation[slab, :2, 1])
    return np.column_stack([[forward[1], -forward[0], 0.0], [*forward, 0.0], [0.0, 0.0, 1.0]])


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_arrows_in_the_rows_start_at_zero(section, sign):
    plotter = stage(1536, 380, "#ffffff")
    drawn = overview(plotter, section, one_move(section, 24, lift=0.8 * sign, push=1.0))
    assert drawn.arrow_slab.tolist() == [24, 24]
    tails, tips = (on_page(plotter, points, 1536, 380) for points in (drawn.arrow_tails, drawn.arrow_tips))
    plan = drawn.plan
    zero = plan.page(1, 0.0, plan.guides[0], 0.0)[1]
    end = plan.page(1, 0.0, plan.guides[0], 0.8 * sign)[1]
    np.testing.assert_allclose(tails[:, 1], zero, rtol=0, atol=0.6)
    np.testing.assert_allclose(tips[:, 1], end, rtol=0, atol=0.6)
    plotter.close()


def test_rows_of_the_rail_keep_both_rails_apart(section):
    plotter = stage(1536, 380, "#ffffff")
    drawn = overview(plotter, section, MAKERS["rail"](section))
    plan = drawn.plan
    assert plan.walls == pytest.approx((-0.75, 0.75), abs=1e-3)
    # The highest value of the right rail stays below the lowest one of the left rail, which is behind it.
    right = plan.page(0, 0.0, plan.walls[1], plan.values.above)[1]
    left = plan.page(0, 0.0, plan.walls[0], -plan.values.below)[1]
    assert right >= left - 0.5
    assert plan.front(0) < plan.pitch - 20.0
    shot = image(plotter)
    layer = MAKERS["rail"](section)
    value = layer.rails.value_mm[8 * 21 + 4]
    for which, across in enumerate(plan.walls):
        height = min(value[which], plan.values.above) - 0.3 * plan.values.above
        x, y = plan.page(1, plan.rows.place(layer.rails.distance[8 * 21 + 4]), across, height)
        wanted = np.rint(colours(layer.scale.share(value[which]), 1.0) * 255)
        np.testing.assert_allclose(shot[round(float(y)), round(float(x))], wanted, atol=6)
    plotter.close()


def test_low_rows_show_the_rail_that_is_further_out():
    made = curve_section(5000)
    plotter = stage(1536, 380, "#ffffff")
    assert overview(plotter, made, MAKERS["rail"](made)).plan.walls == (0.0,)
    plotter.close()


def test_rails_of_the_close_view_lie_off_the_design_by_the_factor(section):
    values = rail_values(section)
    still = replace(values, trace=replace(values.trace, shift_mm=np.zeros_like(values.trace.shift_mm)))
    found = []
    for one in (values, still):
        plotter = stage(300, 200, "#ffffff")
        found.append(close_view(plotter, section, 21, rail_layer(one, 60), factor=50.0))
        plotter.close()
    way = (found[0].rails - found[1].rails) @ _frame_of(section, 21).T
    seats = np.flatnonzero(np.isin(values.trace.slab, found[0].slabs))
    assert len(found[0].rails) == 2 * len(seats)
    axes = section.target_rotation[values.trace.slab[seats]]
    for which, part in enumerate(np.split(way, 2)):
        shift = np.nan_to_num(values.trace.shift_mm[seats, which]) / 1000.0
        wanted = 50.0 * (axes[:, :, 0] * shift[:, :1] + axes[:, :, 2] * shift[:, 1:])
        np.testing.assert_allclose(part, wanted, rtol=0, atol=1e-9)
    # Without a shift the rails lie on the design rails: three quarters of a metre to either side of the middle.
    np.testing.assert_allclose(np.abs(found[1].rails[:8, 0] - found[1].rails[len(seats) :][:8, 0]), 1.5, atol=0.02)


def test_the_bed_of_the_close_view_rises_under_the_high_spot(section):
    plotter = stage(300, 200, "#ffffff")
    drawn = close_view(plotter, section, 20, MAKERS["gap"](section))
    assert drawn.factor == 10.0
    bed = drawn.bed @ _frame_of(section, 20).T @ section.target_rotation[20]
    surface = bed[np.abs(bed[:, :2]).max(axis=1) < 2.0]
    highest = surface[surface[:, 2].argmax()]
    np.testing.assert_allclose(highest[:2], [0.5 * 1.17, -0.25 * 2.465], rtol=0, atol=0.1)
    assert -0.19 - 10.0 * 0.033 < highest[2] < -0.19 - 10.0 * 0.024
    plotter.close()


def test_keys_switch_to_gap_move_and_rail(opened):
    opened.press("z")
    opened.press("g")
    assert (opened.layer.name, opened.told) == ("up", "no bed was surveyed")
    opened.press("m")
    assert (opened.layer.name, opened.told) == ("move", "")
    assert len(opened.over.arrow_slab)
    opened.press("r")
    opened.press("r")
    assert opened.layer.heading.endswith("cant")
    opened.press("r")
    assert opened.layer.heading.endswith("level, chord 5 + 5 m")
    assert opened.over.plan.walls
    opened.press("z")
    assert opened.layer.name == "up"


def test_words_move_with_the_size_of_the_window(section):
    view = OneView(section, {"up": lambda: [deviation_layer(section, "up")]})
    made = window.Window(view, off_screen=True, size=(800, 500))

    def far_right():
        names = [name for name in made.plotter.renderers[1].actors if name.startswith("text h  all keys")]
        (actor,) = [made.plotter.renderers[1].actors[name] for name in names]
        return actor.GetPosition()[0]

    assert far_right() == 784.0
    made.plotter.window_size = [1000, 700]
    made.resized()
    assert far_right() == 984.0
    assert (made.over.plan.width, made.size) == (1000.0, (1000, 700))
    made.plotter.close()
