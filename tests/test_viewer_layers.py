"""What pictures are coloured by: scales, fields, arrows and rails against interpolation and geometry done elsewhere."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.collections import PolyCollection
from picture_layers import MAKERS, NO_ROOM, gap_values, move_values, rail_values
from scipy.interpolate import RegularGridInterpolator
from shapely.geometry import Polygon
from test_viewer_mesh import assert_closed, volume
from test_viewer_section import curve_section, notched

from viewer.bed import bed_surface, mortar_sides
from viewer.colours import INK, PAPER, UNKNOWN, colours, table
from viewer.deviation_layer import deviation_layer
from viewer.flat import flat_picture, flat_sheet
from viewer.gap_layer import gap_layer
from viewer.layer import Layer, RailTrace, Scale, field_at, rectangles
from viewer.mesh import deviation_at_mm, slab_mesh, unrolled_mesh
from viewer.move_layer import move_layer
from viewer.prism import prism
from viewer.rail_layer import rail_layer
from viewer.rows import Rows, rows_of
from viewer.section import NOT_MEASURED, OUT, UNDECIDED, WITHIN
from viewer.thinning import thinned_rails


@pytest.fixture(scope="module")
def section():
    return curve_section()


def test_each_arm_of_a_scale_has_its_limit_half_way_out():
    scale = Scale.of_range(40.0, 55.0, 75.0, "allowed 40 to 75 mm")
    np.testing.assert_allclose(scale.share([25.0, 40.0, 55.0, 75.0, 95.0, 115.0]), [-1, -0.5, 0, 0.5, 1, 1.5])
    assert scale.marks() == (25.0, 40.0, 55.0, 75.0, 95.0)
    # Heights keep one length for a millimetre on both arms, and end with the scale.
    np.testing.assert_allclose(scale.height([20.0, 45.0, 65.0, 200.0]), [-30.0, -10.0, 10.0, 40.0])
    assert np.isnan(scale.share(np.nan))
    assert np.isnan(scale.height(np.nan))
    with pytest.raises(ValueError, match="ascends"):
        Scale(1.0, 0.0, 2.0)


def test_the_extreme_is_measured_in_allowances_and_passes_over_the_unknown():
    scale = Scale.of_range(50.0, 55.0, 75.0, "")
    # 4 mm too little use more of the 5 mm allowed downwards than 10 mm too much use of the 20 mm upwards.
    assert scale.extreme([51.0, 65.0]) == 51.0
    assert scale.extreme([54.0, 65.0, np.nan]) == 65.0
    assert np.isnan(scale.extreme([np.nan, np.nan]))
    values = np.arange(24.0).reshape(2, 3, 4)
    np.testing.assert_array_equal(Scale(-1.0, 0.0, 1.0).extreme(values, (1, 2)), [11.0, 23.0])
    assert scale.extreme(np.empty((0, 3, 3)), (1, 2)).shape == (0,)


def test_a_layer_has_either_a_field_or_rails(section):
    layer = deviation_layer(section, "up")
    with pytest.raises(ValueError, match="either a field or rails"):
        replace(layer, field=None)
    with pytest.raises(ValueError, match="either a field or rails"):
        replace(layer, verdict=layer.verdict[:-1])
    with pytest.raises(ValueError, match="2 or more"):
        replace(layer, field=layer.field[:, :1])


def test_a_field_is_linear_between_its_points(section):
    rng = np.random.default_rng(5)
    field, points = rng.normal(size=(3, 4, 6)), rng.uniform([-1.17, -2.4], [1.17, 2.4], (40, 2))
    corners = rectangles(section)[[0, 9, 20]]
    given = field_at(field, corners, points)
    for one in range(3):
        axes = np.linspace(corners[one, 0, 1], corners[one, 2, 1], 4), np.linspace(corners[one, 0, 0],
                                                                                    corners[one, 2, 0], 6)  # fmt: skip
        wanted = RegularGridInterpolator(axes, field[one])(points[:, ::-1])
        np.testing.assert_allclose(given[one], wanted, rtol=0, atol=1e-12)


def test_an_unknown_value_spoils_only_what_lies_next_to_it(section):
    field = np.zeros((1, 3, 3))
    field[0, 2, 2] = np.nan
    corners = rectangles(section)[:1]
    given = field_at(field, corners, np.array([[-1.0, 2.0], [0.9, 2.0], [0.9, -2.0], [0.0, 2.465]]))
    np.testing.assert_array_equal(np.isnan(given[0]), [False, True, False, False])


@pytest.mark.parametrize("cells", [(4, 8), (3, 5)])
def test_a_prism_cut_into_cells_is_the_same_closed_body(cells):
    outline = notched(2.34, 4.93)
    vertices, faces = prism(outline, 0.19, cells)
    assert_closed(faces)
    assert volume(vertices, faces) == pytest.approx(Polygon(outline).area * 0.19, rel=1e-12)
    # No triangle reaches over a line of the grid.
    top = vertices[faces[(faces < len(vertices) // 2).all(axis=1)]][..., :2]
    for axis, extent in ((0, 2.34), (1, 4.93)):
        place = (top[..., axis] + extent / 2) / extent * cells[axis]
        assert (np.floor(place.min(axis=1) + 1e-6) >= np.ceil(place.max(axis=1) - 1e-6) - 1).all()


def test_blocks_carry_the_grid_of_their_field(section):
    layer = gap_layer(gap_values(section))
    rows = Rows(30.0, 100.0, 4)
    mesh = unrolled_mesh(section, rows, layer, row_pitch=50.0, width_factor=10.0, height_factor=100.0)
    faces = mesh.faces[mesh.slab_of_face == 4]
    points = mesh.points[mesh.slab_of_point == 4]
    assert len(points) == 9 * 5 + 24
    # Open below, closed everywhere else: the edges that only one triangle has are those of the rim on the floor.
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    _, times = np.unique(edges, axis=0, return_counts=True)
    assert (times == 1).sum() == 24
    # The high spot of the bed in slab 20 makes a hollow inside: 0.3 to the right, 0.2 back of the middle.
    top = mesh.points[mesh.slab_of_point == 20][:45]
    lowest = top[top[:, 2].argmin()]
    assert lowest[2] == pytest.approx(0.1 * layer.scale.height(layer.field[20].min()))
    place = rows.place(section.distance[20])
    np.testing.assert_allclose(lowest[:2], [place - 0.25 * 2.465, -50.0 - 10.0 * 0.5 * 1.17], rtol=0, atol=1e-9)
    # Slab 30 is known in part: known heights stay, unknown ones count as the middle.
    part = mesh.points[mesh.slab_of_point == 30][:45, 2]
    unknown = np.isnan(mesh.value_of_point[mesh.slab_of_point == 30][:45])
    assert unknown.sum() == 10
    assert (part[unknown] == 0.0).all()
    assert (part[~unknown] != 0.0).any()


def test_the_worst_gap_is_the_one_inside_the_slab(section):
    values = gap_values(section)
    layer = gap_layer(values)
    assert set(layer.ranked(2)) == {20, 40}
    assert layer.worst[20] == values.smallest_mm[20] < 40.0 < values.corner_mm[20].min()
    assert layer.worst[40] == values.largest_mm[40] > 75.0
    assert layer.named(20) == f"{values.smallest_mm[20]:.0f} mm"
    assert layer.named(7) == "not measured"
    card = layer.card(20)
    assert (4, 0) in card.bold
    assert not {(row, 0) for row in range(4)} & card.bold
    assert card.rows[4][0].startswith("smallest, 0.6 m right, 0.6 m back")
    assert {row[1] for row in layer.card(7).rows} == {"unknown"}
    assert layer.verdict[30] == NOT_MEASURED  # known in part is not known


def test_the_gap_under_the_drawn_slab_is_the_gap_times_the_factor(section):
    """Straight through the slab, from the underside as it is drawn to the bed as it is drawn."""
    values, factor, slabs = gap_values(section), 8.0, np.arange(18, 24)
    origin = section.target_position[20]
    points, faces = bed_surface(section, slabs, values.field_mm, factor, origin)
    assert_closed(faces)
    assert volume(points, faces) > 0.0
    grid = points.reshape(6, 9, 9, 3)[:, :, 1:6]  # slab, row, then edge of the bed, five columns, edge, two below
    for place, slab in enumerate(slabs):
        local = (grid[place] + origin - section.target_position[slab]) @ section.target_rotation[slab]
        vertices = np.concatenate([local[..., :2].reshape(-1, 2), np.zeros((45, 1))], axis=1)
        up = deviation_at_mm(section, np.array([slab]), vertices)[0, :, 2].reshape(9, 5) / 1000.0
        underside = -0.19 + factor * up
        np.testing.assert_allclose(
            underside - local[..., 2], factor * values.field_mm[slab] / 1000.0, rtol=0, atol=1e-9
        )
    # Beside the slab the bed goes on as high as under its edge.
    np.testing.assert_allclose(
        np.linalg.norm(points.reshape(6, 9, 9, 3)[:, :, 0] - grid[:, :, 0], axis=-1), 1.4 - 1.17, atol=1e-9
    )


def test_mortar_stands_only_where_the_gap_is_known(section):
    values, origin = gap_values(section), section.target_position[30]
    whole, walls = mortar_sides(section, np.array([29]), values.field_mm, 5.0, origin)
    assert len(walls) == 2 * 24
    assert volume(whole, walls) != 0.0
    _, part = mortar_sides(section, np.array([30]), values.field_mm, 5.0, origin)
    assert 0 < len(part) < len(walls)
    _, none = mortar_sides(section, np.array([31]), values.field_mm, 5.0, origin)
    assert not len(none)


def test_colours_in_the_flat_picture_show_the_spot_and_the_unknown(section, tmp_path):
    from matplotlib import image

    layer = gap_layer(gap_values(section))
    flat_picture(section, tmp_path / "gap.png", layer)
    shot = np.rint(image.imread(tmp_path / "gap.png")[..., :3] * 255)
    # Slab 20 is the first of row 1; its plan lies at y 487 to 524. The spot: a quarter of half a length before the
    # middle, and half of half a width to the right, which is down the page.
    x, y = 124 + 14.44 * (2.5 - 0.25 * 2.465), 505.5 + 0.5 * 18.5
    wanted = np.rint(colours(layer.scale.share(layer.field[20].min()), 1.0) * 255)
    np.testing.assert_allclose(shot[round(y), round(x)], wanted, atol=2)
    # Slab 30, 50 m further on: known at the back, not at the front.
    grey = [int(UNKNOWN[at : at + 2], 16) for at in (1, 3, 5)]
    ahead = shot[490:522, round(124 + 14.44 * 54.6)]
    back = shot[490:522, round(124 + 14.44 * 51.0)]
    assert (np.abs(ahead - grey).max(axis=1) <= 2).any()
    assert not (np.abs(back - grey).max(axis=1) <= 2).any()


def shapes(sheet, face, edge):
    """Arrows of a flat picture: (a, 7, 2) corners of the collections with that face and edge, y down the page."""
    found = []
    for part in sheet.axes.collections:
        if isinstance(part, PolyCollection) and len(part.get_paths()) and len(part.get_paths()[0].vertices) == 8:
            looks = [
                tuple(np.rint(255 * part.get_facecolor()[0, :3])),
                tuple(np.rint(255 * part.get_edgecolor()[0, :3])),
            ]
            if looks == [tuple(int(one[at : at + 2], 16) for at in (1, 3, 5)) for one in (face, edge)]:
                found += [path.vertices[:7] for path in part.get_paths()]
    return np.array(found)


def one_move(section, slab=24, lift=(0.0,) * 4, push=(0.0,) * 2):
    n = len(section)
    lifts, pushes = np.zeros((n, 4)), np.zeros((n, 2))
    lifts[slab], pushes[slab] = lift, push
    return move_layer(move_values(section, lifts, pushes))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_arrows_of_the_flat_picture_point_where_slabs_have_to_go(section, sign):
    layer = one_move(section, lift=sign * np.array([2.0, 1.5, 1.0, 0.5]), push=sign * np.array([0.8, 0.8]))
    sheet = flat_sheet(section, layer)
    lifts, pushes = shapes(sheet, INK, INK), shapes(sheet, PAPER, INK)
    assert lifts.shape == pushes.shape == (2, 7, 2)
    # Corner 3 is the tip, corner 0 a foot of the shaft. Up the page is up; down the page is right.
    reach = lifts[:, 3, 1] - lifts[:, 0, 1]
    assert (sign * reach < 0.0).all()
    assert abs(reach[0]) == pytest.approx(2.0 * abs(reach[1]))  # 2 mm at the back, 1 mm ahead
    assert lifts[0, 3, 0] < lifts[1, 3, 0]
    assert (sign * (pushes[:, 3, 1] - pushes[:, 0, 1]) > 0.0).all()


def test_a_slab_that_tilts_has_an_arrow_up_and_one_down(section):
    slab, along, value = one_move(section, lift=(-2.5, 2.3, -2.4, 2.0)).arrows.by_end(section)[0]
    assert set(slab) == {24}
    assert sorted(zip(np.sign(along), value, strict=True)) == [(-1, -2.5), (-1, 2.3), (1, -2.4), (1, 2.0)]


def test_slabs_that_stay_carry_no_arrow_and_no_name(section):
    layer = one_move(section, lift=(1.0, 1.0, 1.0, 1.0))
    assert layer.ranked(5).tolist() == [24]
    assert len(shapes(flat_sheet(section, layer), PAPER, INK)) == 0
    assert set(layer.arrows.slab) == {24}
    assert not len(move_layer(move_values(section, np.zeros((60, 4)), np.zeros((60, 2)))).ranked(5))


def test_moves_are_told_with_amount_and_direction(section):
    assert one_move(section, lift=(2.04, 1.0, 0.5, 1.0)).named(24) == "2.0 mm up"
    assert one_move(section, lift=(-2.5, 2.3, -2.4, 2.0)).named(24) == "2.5 mm down, 2.3 up"
    assert (
        one_move(section, lift=(-2.0, 0.0, 0.0, 0.0), push=(0.8, -1.2)).named(24) == "2.0 mm down, 1.2 left, 0.8 right"
    )
    assert one_move(section, push=(0.8, 0.7)).named(24) == "0.8 mm right"
    still = one_move(section, push=(0.8, 0.7))
    assert (still.named(10), still.named(7), still.named(58)) == ("no move", "not measured", "held by mortar")
    assert still.worst[24] == 0.8
    assert np.isnan(still.worst[7])
    assert still.worst[10] == 0.0
    rows = one_move(section, lift=(2.0, 0.0, -1.0, 0.0), push=(0.9, 0.0)).card(24).rows
    assert rows[0] == ("screw RL", "+2.0", "+0.50")
    assert rows[4] == ("adjuster R", "+0.9", "+0.30")


def test_long_sections_leave_their_arrows_to_the_colours():
    made = curve_section(1200)
    assert not len(shapes(flat_sheet(made, one_move(made, lift=(2.0,) * 4)), INK, INK))


def test_a_slab_has_the_gravest_verdict_of_its_seats(section):
    values = rail_values(section)
    verdict = np.full(values.verdict.shape, WITHIN)
    verdict[8 * 1, 0] = NOT_MEASURED
    verdict[8 * 2 : 8 * 2 + 2, 1] = NOT_MEASURED, UNDECIDED
    verdict[8 * 3 : 8 * 3 + 2, 0] = UNDECIDED, OUT
    verdict[8 * 4 : 8 * 5] = NO_ROOM
    verdict[8 * 5, 0] = NO_ROOM
    layer = rail_layer(replace(values, verdict=verdict), 60)
    assert layer.verdict[:7].tolist() == [WITHIN, NOT_MEASURED, UNDECIDED, OUT, NOT_MEASURED, WITHIN, WITHIN]


def test_the_worst_seat_ranks_its_slab(section):
    values = rail_values(section)
    layer = rail_layer(values, 60)
    one = int(layer.ranked(1)[0])
    mine = values.trace.value_mm[values.trace.slab == one]
    assert layer.worst[one] == mine.flat[np.abs(mine).argmax()]
    assert np.abs(values.trace.value_mm[np.isfinite(values.trace.value_mm)]).max() == abs(layer.worst[one])
    assert np.isnan(layer.worst[[0, 7, 31]]).all()


def test_a_limit_that_is_none_still_has_colours(section):
    layer = rail_layer(replace(rail_values(section), low_mm=-np.inf, high_mm=np.inf), 60)
    assert layer.scale.allowed is None
    assert layer.words[WITHIN] == "without a limit"
    assert layer.verdict[0] == NOT_MEASURED
    assert (layer.verdict[[1, 21]] == WITHIN).all()


def test_thinning_keeps_the_peak_of_each_column_and_gaps_between_rails():
    distance = np.arange(0.0, 400.0, 0.65)
    value = np.sin(distance / 9.0)
    value[300] = -7.0
    value[100] = np.nan
    trace = RailTrace(
        distance, np.zeros(len(distance), dtype=np.int64), value[:, None], np.zeros((len(distance), 2, 2))
    )
    scale, rows = Scale(-2.0, 0.0, 2.0), Rows(0.0, 200.0, 2)
    _, _, first, last = thinned_rails(trace, 0, scale, rows, 50)
    assert -7.0 in first
    assert len(first) == 100
    np.testing.assert_array_equal(first, last)
    start, end, first, last = thinned_rails(trace, 0, scale, rows, 5000)
    assert np.isnan(first).sum() == 2  # the two pieces at the seat without a value
    assert (rows.row(start) == rows.row(end)).all()
    assert (end - start).sum() == pytest.approx(distance[-1], abs=1e-3)
    broken = replace(trace, distance=np.where(distance > 100.0, distance + 3.0, distance))
    start, end, *_ = thinned_rails(broken, 0, scale, rows, 5000)
    assert (end - start).sum() == pytest.approx(distance[-1] - 0.65, abs=1e-3)


def test_a_rail_is_drawn_where_it_is_known(section):
    sheet = flat_sheet(section, MAKERS["rail"](section))
    runs = [run for part in sheet.axes.collections if part.__class__.__name__ == "LineCollection"
            for run in part.get_segments()]  # fmt: skip
    # Slab 7 of row 0 was not measured: no line from its first to its last seat.
    x0, x1 = (124 + 14.44 * (35.0 + 2.5 + at) for at in (-2.1, 2.1))
    assert not any(((run[:, 0] > x0) & (run[:, 0] < x1) & (run[:, 1] < 300)).any() for run in runs)
    # Slab 21 lies 3 to 5 mm high: its lines stand above those of the slab before, further up the page.
    row = [run for run in runs if 320 < run[:, 1].mean() < 480]
    high = np.concatenate([run[(run[:, 0] > 124 + 14.44 * 5.5) & (run[:, 0] < 124 + 14.44 * 9.5), 1] for run in row])
    low = np.concatenate([run[run[:, 0] < 124 + 14.44 * 4.5, 1] for run in row])
    assert high.max() < low.min()


def test_mesh_colours_are_those_of_the_field(section):
    layer = gap_layer(gap_values(section))
    mesh = slab_mesh(section, [20], layer=layer)
    local = (mesh.points + mesh.origin - section.built_position[20]) @ section.built_rotation[20]
    spot = np.argmin(np.hypot(local[:, 0] - 0.5 * 1.17, local[:, 1] + 0.25 * 2.465))
    assert mesh.value_of_point[spot] == layer.field[20].min()
    assert np.nanmin(mesh.value_of_point) == layer.field[20].min()
    blank = slab_mesh(section, [20], layer=MAKERS["rail"](section))
    assert np.isnan(blank.value_of_point).all()


def test_a_thick_gap_is_orange_and_a_thin_one_blue(section):
    layer = gap_layer(gap_values(section))
    thin, thick = colours(layer.scale.share([layer.worst[20], layer.worst[40]]), 1.0)
    assert thin[2] > thin[0]
    assert thick[0] > thick[2]
    np.testing.assert_array_equal(colours(layer.scale.share(200.0), 1.0), table()[-1])


def test_rows_of_a_layer_hold_every_slab(section):
    layer: Layer = MAKERS["cant"](section)
    mesh = unrolled_mesh(section, rows_of(section), layer, row_pitch=50.0, width_factor=10.0, height_factor=100.0)
    assert set(mesh.slab_of_face) == set(range(60))
    assert np.ptp(mesh.points[:, 2]) == 0.0  # slabs are flat where the rails stand for the values
