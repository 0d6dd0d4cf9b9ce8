"""The meshes of the slabs against rigid motion worked out by another library, and against solid geometry."""

import time

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from shapely.geometry import Polygon
from test_viewer_section import curve_section, notched

from viewer.bodies import anchor_body, bed_body, symbol_body
from viewer.colours import VERDICTS
from viewer.deviation_layer import deviation_layer
from viewer.mesh import corner_values_mm, deviation_at_mm, slab_mesh, unrolled_mesh
from viewer.prism import prism
from viewer.rows import Rows, chainage_ticks, rows_of
from viewer.section import OUT
from viewer.thinning import gravest, representatives


@pytest.fixture(scope="module")
def section():
    return curve_section()


def volume(points, faces):
    """By the divergence theorem; positive if the triangles face outwards."""
    a, b, c = (points[faces[:, place]] for place in range(3))
    return np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0


def assert_closed(faces):
    """Every edge is run through once in each direction."""
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    assert len(np.unique(edges, axis=0)) == len(edges)
    assert {tuple(edge) for edge in edges} == {tuple(edge[::-1]) for edge in edges}


@pytest.mark.parametrize("turned", [1, -1])
def test_prism_is_a_closed_body_of_the_right_volume(turned):
    outline = notched(2.34, 4.93)[::turned]
    vertices, faces = prism(outline, 0.19)
    assert_closed(faces)
    assert volume(vertices, faces) == pytest.approx(Polygon(outline).area * 0.19, rel=1e-12)
    top = faces[(faces < len(outline)).all(axis=1)]
    normal = np.cross(vertices[top[:, 1]] - vertices[top[:, 0]], vertices[top[:, 2]] - vertices[top[:, 0]])
    assert (normal[:, 2] > 0).all()


def test_an_outline_that_crosses_itself_is_refused():
    with pytest.raises(ValueError, match="crosses itself"):
        prism([[0, 0], [1, 1], [1, 0], [0, 1]], 0.2)


def test_true_mesh_is_the_built_slab(section):
    mesh = slab_mesh(section, factor=1.0)
    one = 21
    points = mesh.points[mesh.slab_of_point == one] + mesh.origin
    vertices, _ = prism(section.outlines[0], 0.19)
    spin = Rotation.from_matrix(section.built_rotation[one])
    np.testing.assert_allclose(points, spin.apply(vertices) + section.built_position[one], rtol=0, atol=2e-9)


def test_exaggeration_stretches_the_way_from_target_to_built(section):
    target, built, far = (slab_mesh(section, [3, 20, 21], factor=factor).points for factor in (0.0, 1.0, 150.0))
    np.testing.assert_allclose(far - target, 150.0 * (built - target), rtol=0, atol=1e-9)
    assert np.linalg.norm(built - target, axis=1).max() > 0.004


def test_values_are_the_deviation_at_the_vertices(section):
    slabs = np.array([0, 21, 42, 59])
    vertices = np.array([[1.1, -2.2, 0.0], [-0.4, 1.9, -0.19]])
    into = Rotation.from_matrix(section.target_rotation[slabs]).inv()
    built = Rotation.from_matrix(section.built_rotation[slabs])
    target = Rotation.from_matrix(section.target_rotation[slabs])
    given = deviation_at_mm(section, slabs, vertices)
    for place, vertex in enumerate(vertices):
        way = section.built_position[slabs] - section.target_position[slabs]
        way = way + built.apply(np.tile(vertex, (4, 1))) - target.apply(np.tile(vertex, (4, 1)))
        np.testing.assert_allclose(given[:, place], into.apply(way) * 1000.0, rtol=0, atol=1e-6)


def test_values_agree_with_the_surveyed_marks(section):
    """The marks were made with 0.05 mm of noise beside the rigid motion."""
    known = np.flatnonzero(section.measured)
    marks = np.pad(section.marks[0], ((0, 0), (0, 1)))
    given = deviation_at_mm(section, known, marks)
    assert np.abs(given - section.corner_deviation_mm[known]).max() < 0.3


def test_a_slab_not_measured_stands_at_its_target_without_a_value(section):
    mesh = slab_mesh(section, layer=deviation_layer(section, "along"), factor=100.0)
    target = slab_mesh(section, factor=0.0)
    blank = np.isin(mesh.slab_of_point, [7, 31])
    assert np.isnan(mesh.value_of_point[blank]).all()
    assert np.isfinite(mesh.value_of_point[~blank]).all()
    np.testing.assert_array_equal(mesh.points[blank], target.points[blank])


def test_faces_know_their_slab_through_two_types(section):
    mesh = slab_mesh(section)
    np.testing.assert_array_equal(mesh.slab_of_point[mesh.faces], np.repeat(mesh.slab_of_face[:, None], 3, axis=1))
    assert set(mesh.slab_of_face) == set(range(60))
    # Types are told apart by length: slab 9 is the shorter one.
    span = [np.ptp(mesh.points[mesh.slab_of_point == one] @ section.target_rotation[one], axis=0)[1] for one in (8, 9)]
    np.testing.assert_allclose(span, [4.93, 4.856], rtol=0, atol=2e-3)


def test_float32_of_the_mesh_keeps_a_hundredth_of_a_millimetre(section):
    mesh = slab_mesh(section, [20, 21, 22])
    assert np.abs(mesh.points.astype(np.float32) - mesh.points).max() < 1e-5
    # In grid coordinates it would not: that is why there is an origin.
    grid = mesh.points + mesh.origin
    assert np.abs(grid.astype(np.float32) - grid).max() > 0.05


def test_unrolled_heights_and_places(section):
    rows = Rows(30.0, 100.0, 4)
    mesh = unrolled_mesh(
        section, rows, deviation_layer(section, "up"), row_pitch=50.0, width_factor=10.0, height_factor=2000.0
    )
    points = mesh.points.reshape(60, 8, 3)
    rectangle, value = corner_values_mm(section, "up")
    # Slab 5 stands at distance 65 m: 35 m into row 0; corners run back left, back right, forward right, forward left.
    np.testing.assert_allclose(points[5, :4, 0], 35.0 + 2.465 * np.array([-1, -1, 1, 1]), rtol=0, atol=1e-9)
    np.testing.assert_allclose(points[5, :4, 1], 11.7 * np.array([1, -1, -1, 1]), rtol=0, atol=1e-9)
    np.testing.assert_allclose(points[5, :4, 2], 2.0 * value[5], rtol=0, atol=1e-9)
    assert points[20, 0, 1] == pytest.approx(-50.0 + 11.7)
    # The worst is cut at the limit, but keeps its value.
    assert (points[21, :4, 2] == 4.0).all()
    assert mesh.value_of_point[mesh.slab_of_point == 21].max() > 4.0
    assert (points[7, :4, 2] == 0.0).all()
    np.testing.assert_array_equal(mesh.slab_of_face, np.repeat(np.arange(60), 10))
    assert rectangle.shape == (60, 4, 2)


def test_unrolled_blocks_face_outwards(section):
    mesh = unrolled_mesh(
        section,
        rows_of(section),
        deviation_layer(section, "up"),
        row_pitch=50.0,
        width_factor=10.0,
        height_factor=2000.0,
    )
    faces = mesh.faces[mesh.slab_of_face == 12]
    points = mesh.points - mesh.points[mesh.slab_of_point == 12].mean(axis=0)
    a, b, c = (points[faces[:, place]] for place in range(3))
    assert (np.einsum("ij,ij->i", np.cross(b - a, c - a), a + b + c) > 0).all()


def test_bed_is_closed_and_lies_below_the_targets(section):
    points, faces = bed_body(section, np.arange(10, 22), section.target_position[15])
    assert_closed(faces)
    assert volume(points, faces) == pytest.approx(2.8 * 0.30 * (12 * 5.0 + 1.1), rel=0.02)
    local = points.reshape(12, 2, 4, 3) + section.target_position[15] - section.target_position[10:22, None, None]
    level = np.einsum("sepi,sij->sepj", local, section.target_rotation[10:22])[..., 2]
    np.testing.assert_allclose(level[:, :, :2], -0.24, rtol=0, atol=1e-9)


def test_bed_is_not_drawn_through_a_long_gap(section):
    points, faces = bed_body(section, np.array([3, 4, 9, 10]), section.target_position[3])
    assert_closed(faces)
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    assert np.linalg.norm(points[edges[:, 0]] - points[edges[:, 1]], axis=1).max() < 7.0


def test_anchors_stand_square_on_the_canted_bed(section):
    points, faces = anchor_body(section, [4], section.anchor_position[4], sides=16)
    assert volume(points, faces) == pytest.approx(0.5 * 16 * np.sin(np.pi / 8) * 0.22**2 * 0.24, rel=1e-9)
    up = points[:16].mean(axis=0) - points[16:].mean(axis=0)
    np.testing.assert_allclose(up / 0.24, section.target_rotation[4, :, 2], rtol=0, atol=2e-3)


def test_symbols_are_filled_once():
    for look in VERDICTS.values():
        if look.symbol:
            points, faces = symbol_body(look.symbol, [[5.0, 6.0, 7.0]], [[2.0, 0.0, 0.0]], [[0.0, 3.0, 0.0]])
            a, b, c = (points[faces[:, place]] for place in range(3))
            assert 0.5 * np.cross(b - a, c - a)[:, 2].sum() == pytest.approx(6.0 * Polygon(look.symbol).area)


def test_a_thinned_section_keeps_the_worst_of_each_column(section):
    rows = rows_of(section)
    assert len(representatives(section, rows, np.abs(section.largest("up")), 1000)) == 60
    few = representatives(section, rows, np.abs(section.largest("up")), 4)
    assert len(few) == 4 * rows.count
    assert {21, 41} <= set(few.tolist())  # the two great deviations of the sample
    assert not {7, 31} & set(few.tolist())


def test_the_gravest_symbol_stays(section):
    few = gravest(section, section.verdict, rows_of(section), 3)
    assert set(np.flatnonzero(section.verdict == OUT)) & set(few.tolist())
    every = gravest(section, section.verdict, rows_of(section), 10_000)
    np.testing.assert_array_equal(every, np.flatnonzero(section.verdict != 0))


@pytest.mark.parametrize(("n", "count", "length"), [(3, 1, 25.0), (60, 3, 100.0), (1200, 6, 1000.0), (1500, 8, 1000.0)])
def test_rows_are_round_and_hold_every_slab(n, count, length):
    made = curve_section(n, unmeasured=())
    rows = rows_of(made)
    assert (rows.count, rows.length) == (count, length)
    place, half = rows.place(made.distance), made.size[:, 1] / 2
    assert (place >= 0.0).all()
    assert (place[rows.row(made.distance) == 0] - half[rows.row(made.distance) == 0] >= -1e-9).all()
    assert place[-1] + half[-1] <= rows.length + 1e-6 or rows.count > 1
    spans = rows.spans(made.distance[0], made.distance[-1])
    assert sum(x1 - x0 for _, x0, x1 in spans) == pytest.approx(made.distance[-1] - made.distance[0])


def test_no_chainage_is_marked_inside_a_break():
    distance = np.array([0.0, 5.0, 10.0, 15.0, 20.0])
    chainage = np.array([98.0, 103.0, 208.0, 213.0, 218.0])  # 100 m too many between the second and the third
    places, values = chainage_ticks(chainage, distance, 10.0)
    np.testing.assert_allclose(places, [2.0, 12.0], rtol=0, atol=1e-9)
    np.testing.assert_allclose(values, [100.0, 210.0])


@pytest.mark.benchmark
def test_two_hundred_thousand_slabs_in_a_second():
    made = curve_section(200_000)
    started = time.perf_counter()
    mesh = unrolled_mesh(
        made, rows_of(made), deviation_layer(made, "up"), row_pitch=50.0, width_factor=10.0, height_factor=2000.0
    )
    took = time.perf_counter() - started
    print(f"{len(mesh.faces)} triangles in {took:.2f} s")
    assert took < 1.0
