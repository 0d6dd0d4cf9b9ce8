"""Rail seats on target and on moved slabs: curves, ramps and rotations in closed form, by other libraries."""

from __future__ import annotations

import numpy as np
import pytest
from project_copies import DEMO
from scipy.spatial.transform import Rotation

from geometry.alignment import Alignment, CantElement, HorizontalElement, TrackRules, VerticalElement, build
from geometry.alignment.frames import from_grid
from geometry.errors import SlabposeError
from geometry.exchange.project import open_project
from geometry.placement.rail.seats import RailSeats, rail_seats
from geometry.slabs import Fitting, Layout, Seating, SlabType, seat_offsets, target_poses
from tests.reference import load

MARKS = Fitting(("RL", "RR", "FL", "FR"), np.array([[-1, -2, 0], [1, -2, 0], [-1, 2, 0], [1, 2, 0]], dtype=float))
SLAB = load("slab_on_curve")


def kind(seats: np.ndarray, length: float = 4.93, height: float = 0.2) -> SlabType:
    return SlabType("A", length, 2.34, 0.19, 0.3, 0.04, height, seats, MARKS, MARKS, MARKS)


def line(
    *, curvature: float = 0.0, gradient: float = 0.0, cant: tuple[float, float] = (0.0, 0.0), length: float = 200.0,
    scale: float = 1.0,
) -> Alignment:  # fmt: skip
    horizontal = HorizontalElement(
        "arc" if curvature else "straight", length, curvature, curvature, easting=5e5, northing=4e6, bearing=0.7
    )
    return build(
        [horizontal],
        [VerticalElement("gradient", 0.0, length, gradient, gradient, level=50.0)],
        [CantElement("constant" if cant[0] == cant[1] else "linear", 0.0, length, *cant)],
        TrackRules(grid_scale=scale),
    )


def seated(alignment: Alignment, types: list[SlabType], distance: list[float], which: list[int] | None = None,
           seating: Seating = "shared") -> RailSeats:  # fmt: skip
    n = len(distance)
    row = Layout(
        np.array([f"S{i}" for i in range(n)]), np.array(which or [0] * n, dtype=np.intp), np.array(distance),
        np.zeros(n, dtype=np.intp), np.full(n, np.nan),
    )  # fmt: skip
    return rail_seats(alignment, target_poses(alignment, types, row, seating), types, row)


def test_on_a_straight_line_the_target_rail_is_the_design_rail() -> None:
    seats = seated(line(cant=(0.1, 0.1), gradient=0.02), [kind(np.linspace(-2.0, 2.0, 7))], [50.0, 55.0])
    np.testing.assert_allclose(seats.target_offset, 0.0, rtol=0, atol=1e-9)
    assert seats.slab.tolist() == [0] * 7 + [1] * 7
    assert seats.seat.tolist() == [1, 2, 3, 4, 5, 6, 7] * 2


@pytest.mark.parametrize("scale", [1.0, 0.9996, 1.0004])
def test_stations_are_true_lengths(scale: float) -> None:
    """Seats 0.65 m apart on the slab are 0.65 m apart along a straight track, whatever grid and gradient say."""
    places = 0.65 * (np.arange(8) - 3.5)
    slope = 0.025
    seats = seated(line(gradient=slope, scale=scale), [kind(places, 5.2)], [50.0, 56.0])
    between = np.diff(seats.station)
    np.testing.assert_allclose(np.delete(between, 7), 0.65, rtol=0, atol=1e-7)
    # 6 m of grid in plan, over the scale, and the rise of the profile over those 6 m of grid
    apart = np.hypot(6.0 / scale, 6.0 * slope)
    assert between[7] == pytest.approx(apart - 7 * 0.65, rel=0, abs=1e-7)


@pytest.mark.parametrize(("radius", "f"), SLAB["midordinate"]["rows"])
def test_a_slab_on_a_curve_carries_a_straight_rail(radius: float, f: float) -> None:
    """Mid-ordinate f = R - sqrt(R^2 - L^2/4): right of the arc in the middle of a right-hand curve."""
    length = SLAB["midordinate"]["slab_length_m"]
    seats = seated(line(curvature=1 / radius), [kind(np.array([-length / 2, 0.0, length / 2]))], [80.0], seating="ends")
    middle = seats.target_offset[:, :, 0].mean(axis=1) * 1e3
    np.testing.assert_allclose(middle, [0.0, f, 0.0], rtol=0, atol=2e-5 * f)
    # either rail has the radius of its own: half the cant base more or less
    assert seats.target_offset[1, 0, 0] == pytest.approx(seats.target_offset[1, 1, 0], abs=0.001 * f)


@pytest.mark.parametrize(("radius", "length", "cant", "gradient", "twist", "warp", "rest"), SLAB["cant_ramp"]["rows"])
def test_a_flat_slab_on_a_cant_ramp(
    radius: float, length: float, cant: float, gradient: float, twist: float, warp: float, rest: float
) -> None:  # fmt: skip
    """Twist over 4.5 m is missing under the rails of a slab that is flat: half of it at either end (closed form)."""
    alignment = line(cant=(0.0, cant / 1e3), length=length)
    seats = seated(alignment, [kind(np.array([-2.25, 0.0, 2.25]))], [length / 2], seating="least_squares")
    off = (seats.target_offset[:, 0, 1] - seats.target_offset[:, 1, 1]) * 1e3
    np.testing.assert_allclose(off, [twist / 2, 0.0, -twist / 2], rtol=0, atol=0.003 * twist)
    # a quarter of the warp at each corner; the table has corners 1.9 m apart, rails are 1.5 m
    np.testing.assert_allclose(np.abs(seats.target_offset[[0, 2], :, 1]) * 1e3, rest * 1.5 / 1.9, rtol=0, atol=0.002)


def test_poses_move_the_rail_as_a_rigid_body() -> None:
    """Against rotations of scipy: the rails over each seat of the moved slab, seen from its target."""
    project = open_project(DEMO)
    targets, layout, scale = project.targets, project.layout, project.alignment.rules.grid_scale
    seats = rail_seats(project.alignment, targets, project.types, layout)
    rng = np.random.default_rng(2)
    n = len(layout.names)
    pose = rng.normal(size=(n, 6)) * [2e-3, 4e-3, 2e-3, 4e-4, 4e-4, 4e-4]
    plan = np.array([scale, scale, 1.0])
    half = project.alignment.rules.cant_base / 2
    expected = np.empty((len(seats.slab), 2, 2))
    for i, (slab, number) in enumerate(zip(seats.slab, seats.seat, strict=True)):
        of_type = project.types[layout.type_index[slab]]
        local = np.array([[x, np.sort(of_type.seats)[number - 1], of_type.rail_height] for x in (-half, half)])
        turn = Rotation.from_matrix(targets.rotation[slab])
        # pitch about x, roll about y, yaw clockwise seen from above
        moved = turn * Rotation.from_rotvec(pose[slab, 3:] * [1, 1, -1])
        centre = targets.position[slab] + turn.apply(pose[slab, :3]) * plan
        built = centre + moved.apply(local) * plan
        seen = from_grid(targets.position[slab], targets.rotation[slab], built, scale) - local
        expected[i] = seen[:, [0, 2]]
    change = seats.rail_deviation(pose) - seats.target_offset
    np.testing.assert_allclose(change, expected, rtol=0, atol=4e-6)  # second order of 0.4 mrad over 2.3 m
    np.testing.assert_array_equal(seats.rail_deviation(np.zeros((n, 6))), seats.target_offset)


def test_signs_of_a_moved_slab() -> None:
    seats = seated(line(), [kind(np.array([-2.0, 0.0, 2.0]), height=0.25)], [50.0])
    expected = {
        0: [[1, 0], [1, 0]],  # across: both rails to the right
        1: [[0, 0], [0, 0]],  # along: not in line and level
        2: [[0, 1], [0, 1]],
        4: [[0.25, 0.75], [0.25, -0.75]],  # left side up: left rail rises, both go right, as they lie over the slab
    }
    for component, rail in expected.items():
        np.testing.assert_allclose(seats.rows[1, :, :, component], rail, rtol=0, atol=1e-12)
    np.testing.assert_allclose(seats.rows[:, :, 1, 3], [[-2, -2], [0, 0], [2, 2]], atol=1e-12)  # front end up
    np.testing.assert_allclose(seats.rows[:, :, 0, 5], [[-2, -2], [0, 0], [2, 2]], atol=1e-12)  # clockwise


def test_the_order_in_which_a_type_names_its_seats_does_not_count() -> None:
    places = np.array([0.4, -2.1, 2.0, -0.9])
    named, ordered = (seated(line(curvature=1 / 800), [kind(p)], [80.0]) for p in (places, np.sort(places)))
    np.testing.assert_array_equal(named.station, ordered.station)
    np.testing.assert_allclose(named.target_offset, ordered.target_offset, rtol=0, atol=1e-12)
    np.testing.assert_array_equal(named.rows, ordered.rows)


def test_types_with_different_numbers_of_seats() -> None:
    project = open_project(DEMO)
    seats = rail_seats(project.alignment, project.targets, project.types, project.layout)
    counts = np.array([len(t.seats) for t in project.types])[project.layout.type_index]
    assert set(counts) == {6, 8}
    np.testing.assert_array_equal(np.bincount(seats.slab), counts)
    assert (np.diff(seats.station) > 0.5).all()
    assert (np.diff(seats.distance) > 0.5).all()
    # the largest of each slab is what its target says of it
    for part, name in ((0, "seat_across"), (1, "seat_up")):
        most = np.zeros(len(counts))
        np.maximum.at(most, seats.slab, np.abs(seats.target_offset[:, :, part]).max(axis=1))
        np.testing.assert_array_equal(most, getattr(project.targets, name))


def test_some_slabs_alone() -> None:
    project = open_project(DEMO)
    every = seat_offsets(project.alignment, project.types, project.layout, project.targets)
    some = np.array([3, 40, 41, 268])
    found = seat_offsets(project.alignment, project.types, project.layout, project.targets, some)
    rows = np.isin(every.slab, some)
    for name in ("slab", "seat", "along", "distance", "offset"):
        np.testing.assert_allclose(getattr(found, name), getattr(every, name)[rows], rtol=0, atol=1e-8)


def test_an_unmeasured_slab_leaves_its_seats_unknown() -> None:
    seats = seated(line(), [kind(np.array([-2.0, 0.0, 2.0]))], [50.0, 56.0, 62.0])
    pose = np.zeros((3, 6))
    pose[1] = np.nan
    assert np.isnan(seats.rail_deviation(pose)).all(axis=(1, 2)).tolist() == [False] * 3 + [True] * 3 + [False] * 3


def test_overlapping_slabs_have_no_rail() -> None:
    shapes = [kind(np.array([-2.0, 0.0, 2.0]))]
    with pytest.raises(SlabposeError, match=r"slab S0 and slab S1 lie in each other's place: slabs overlap at 1 joint"):
        seated(line(), shapes, [50.0, 53.9, 60.0])
    assert len(seated(line(), shapes, [50.0, 54.1, 60.0]).slab) == 9
