"""Deviation, joints and moves: signs by hand, first-order theory by finite rotations, and the move applied."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from geometry.alignment.frames import angles, rotation, rotation_of_vector, to_grid
from geometry.placement.correction import moves
from geometry.placement.deviation import carried, deviation_at, pose_deviation, sigma_at
from geometry.placement.joints import joint_gaps, joints
from geometry.slabs import Fitting, SlabType, Targets
from geometry.survey import Fits, fit_slabs

MARKS = Fitting(
    ("RL", "RR", "FL", "FR"), np.array([[-0.95, -2.25, 0], [0.95, -2.25, 0], [-0.95, 2.25, 0], [0.95, 2.25, 0]])
)
SCREWS = Fitting(
    ("a", "b", "c", "d"),
    np.array([[-1.1, -1.8, -0.19], [1.1, -1.8, -0.19], [-1.1, 1.8, -0.19], [1.1, 1.8, -0.19]]),
    0.002,
    0.03,
)
SIDES = Fitting(("rear", "front"), np.array([[1.2, -1.8, -0.1], [1.2, 1.8, -0.1]]), 0.0015, 0.02)
TYPE = SlabType("A", 4.93, 2.34, 0.19, 0.3, 0.04, 0.2, np.linspace(-2.2, 2.2, 9), MARKS, SCREWS, SIDES)
SHORT_SCREWS = Fitting(
    ("a", "b", "c"), np.array([[-1.0, -1.2, -0.19], [1.0, -1.2, -0.19], [0.0, 1.2, -0.19]]), 0.004, 0.01
)
SHORT = SlabType("B", 3.685, 2.2, 0.19, 0.3, 0.04, 0.2, np.linspace(-1.5, 1.5, 7), MARKS, SHORT_SCREWS, SIDES)
SIGMA = np.array([0.0008, 0.0009, 0.0004])
ONE = np.zeros(1, dtype=np.intp)


def targets_of(position: np.ndarray, matrix: np.ndarray) -> Targets:
    zero = np.zeros(len(position))
    return Targets(position, matrix, zero, zero, zero, zero, zero)


def row_of_slabs(
    n: int = 6, bearing: float = 0.8, pitch: float = 0.02, roll: float = -0.08, gap: float = 0.07
) -> Targets:
    matrix = np.repeat(rotation(np.array([bearing]), np.array([pitch]), np.array([roll])), n, axis=0)
    start = np.array([1000.0, 2000.0, 50.0])
    return targets_of(start + np.arange(n)[:, None] * (4.93 + gap) * matrix[:, :, 1], matrix)


def built(
    targets: Targets, shift: np.ndarray, turn: np.ndarray, scale: float = 1.0, missing: tuple[int, ...] = ()
) -> Fits:
    """Return fits of slabs moved by shift, m, and turned by pitch, roll, yaw, rad, in their targets' frames."""
    n = len(targets.position)
    plan = np.array([scale, scale, 1.0])
    vector = np.broadcast_to(turn, (n, 3)) * [1, 1, -1]
    position = targets.position + (targets.rotation @ np.broadcast_to(shift, (n, 3))[..., None])[..., 0] * plan
    matrix = targets.rotation @ Rotation.from_rotvec(vector).as_matrix()
    xyz = to_grid(position, matrix, np.broadcast_to(MARKS.places, (n, 4, 3)), scale)
    xyz[list(missing)] = np.nan
    return fit_slabs(
        targets.position,
        targets.rotation,
        MARKS.places[None],
        np.zeros(n, dtype=np.intp),
        xyz,
        np.broadcast_to(SIGMA, (n, 4, 3)).copy(),
        scale,
    )


@pytest.mark.parametrize("scale", [1.0, 0.9996])
def test_the_deviation_is_built_less_target_in_the_targets_frame(scale: float) -> None:
    targets = row_of_slabs(1)
    shift, turn = np.array([0.003, -0.002, 0.0015]), np.array([4e-4, -3e-4, 2e-4])
    fits = built(targets, shift, turn, scale)
    np.testing.assert_allclose(pose_deviation(targets, fits, scale)[0], [*shift, *turn], rtol=0, atol=1e-9)


def test_signs_by_hand() -> None:
    # heading north, level: east is right, north is forward
    targets = targets_of(np.array([[1000.0, 2000.0, 50.0]]), np.eye(3)[None])
    places = np.array([[[-1.0, 2.0, 0.0], [1.0, 2.0, 0.0]]])
    lifted = built(targets, np.array([0.001, 0.002, 0.003]), np.zeros(3))
    np.testing.assert_allclose(lifted.position[0] - targets.position[0], [0.001, 0.002, 0.003], rtol=0, atol=1e-11)
    np.testing.assert_allclose(
        deviation_at(targets, lifted, places, ONE, 1.0)[0, 0], [0.001, 0.002, 0.003], rtol=0, atol=1e-11
    )
    nose_up = built(targets, np.zeros(3), np.array([1e-3, 0, 0]))
    np.testing.assert_allclose(deviation_at(targets, nose_up, places, ONE, 1.0)[0, :, 2], 0.002, rtol=0, atol=1e-8)
    left_up = built(targets, np.zeros(3), np.array([0, 1e-3, 0]))
    np.testing.assert_allclose(
        deviation_at(targets, left_up, places, ONE, 1.0)[0, :, 2], [0.001, -0.001], rtol=0, atol=1e-8
    )
    clockwise = built(targets, np.zeros(3), np.array([0, 0, 1e-3]))
    np.testing.assert_allclose(deviation_at(targets, clockwise, places, ONE, 1.0)[0, :, 0], 0.002, rtol=0, atol=2e-6)
    assert float(angles(clockwise.rotation)[0][0]) == pytest.approx(1e-3, abs=1e-9, rel=0)


@pytest.mark.parametrize("scale", [1.0, 0.9996])
def test_places_move_as_the_rigid_body_does(scale: float) -> None:
    targets = row_of_slabs(3)
    turn = np.array([0.02, -0.03, 0.05])  # far beyond first order
    fits = built(targets, np.array([0.05, 0.1, -0.03]), turn, scale)
    places = np.random.default_rng(1).normal(size=(1, 5, 3))
    got = deviation_at(targets, fits, places, np.zeros(3, dtype=np.intp), scale)
    wanted = Rotation.from_rotvec(turn * [1, 1, -1]).apply(places[0]) - places[0] + np.array([0.05, 0.1, -0.03])
    np.testing.assert_allclose(got, np.broadcast_to(wanted, (3, 5, 3)), rtol=0, atol=2e-9)


def test_sigma_at_places_is_what_repeated_surveys_show() -> None:
    n = 20_000
    base = row_of_slabs(1)
    targets = targets_of(np.repeat(base.position, n, axis=0), np.repeat(base.rotation, n, axis=0))
    local = MARKS.places + np.random.default_rng(3).normal(size=(n, 4, 3)) * SIGMA
    kinds = np.zeros(n, dtype=np.intp)
    xyz = to_grid(targets.position, targets.rotation, local)
    fits = fit_slabs(
        targets.position, targets.rotation, MARKS.places[None], kinds, xyz, np.broadcast_to(SIGMA, (n, 4, 3)).copy()
    )
    places = np.array([[[0, 0, 0], [-1.1, 1.8, -0.19], [1.2, -2.4, 0.3]]], dtype=float)
    off = deviation_at(targets, fits, places, kinds, 1.0)
    sigma = sigma_at(fits, places)
    assert sigma.shape == (n, 3, 3)
    np.testing.assert_allclose(off.std(axis=0) / sigma[0], 1.0, rtol=0, atol=0.02)
    # the middle of four corners: half of one sigma
    np.testing.assert_allclose(sigma[0, 0], SIGMA / 2, rtol=0, atol=1e-9)


def test_the_move_applied_gives_the_target() -> None:
    targets = row_of_slabs(4)
    rng = np.random.default_rng(2)
    shift, turn = rng.normal(size=(4, 3)) * 0.003, rng.normal(size=(4, 3)) * 5e-4
    fits = built(targets, shift, turn)
    kinds = np.zeros(4, dtype=np.intp)
    plan = moves(targets, fits, [TYPE], kinds, 1.0)
    # where the screws are now, in the target's frame, plus the moves: the plane of the target to 2nd order
    at_screws = deviation_at(targets, fits, SCREWS.places[None], kinds, 1.0)
    np.testing.assert_allclose(at_screws[..., 2] + plan.lift, 0.0, rtol=0, atol=1e-12)
    # the slab raised at its screws and pushed at its sides and along, by plain rigid kinematics
    columns = np.concatenate(
        [
            np.stack([[0 * y, 0 * y, 1 + 0 * y, y, -x, 0 * y] for x, y, _ in SCREWS.places]),
            np.stack([[1.0, 0, 0, 0, z, y] for _, y, z in SIDES.places]),
            [[0, 1.0, 0, 0, 0, 0]],
        ]
    )
    wanted = np.concatenate([plan.lift, plan.push, plan.along[:, None]], axis=1)
    six = np.linalg.lstsq(columns, wanted.T, rcond=None)[0].T
    np.testing.assert_allclose(six, -pose_deviation(targets, fits, 1.0), rtol=0, atol=5e-6)
    matrix = fits.rotation @ rotation_of_vector(six[:, 3:] * [1, 1, -1])
    position = fits.position + (fits.rotation @ six[:, :3, None])[..., 0]
    np.testing.assert_allclose(position, targets.position, rtol=0, atol=1e-5)  # second order of 3 mm and 1 mrad
    np.testing.assert_allclose(matrix, targets.rotation, rtol=0, atol=5e-6)


def test_moves_by_hand() -> None:
    targets = targets_of(np.array([[1000.0, 2000.0, 50.0]]), np.eye(3)[None])
    # 3 mm too high, 2 mm too far right, 1 mm too far forward
    plan = moves(targets, built(targets, np.array([0.002, 0.001, 0.003]), np.zeros(3)), [TYPE], ONE, 1.0)
    np.testing.assert_allclose(plan.lift[0], -0.003, rtol=0, atol=1e-11)
    np.testing.assert_allclose(plan.turns[0], -1.5, rtol=0, atol=1e-8)  # 2 mm a turn
    np.testing.assert_allclose(plan.push[0], -0.002, rtol=0, atol=1e-11)
    np.testing.assert_allclose(plan.push_turns[0], -4 / 3, rtol=0, atol=1e-8)  # 1.5 mm a turn
    assert plan.along[0] == pytest.approx(-0.001, abs=1e-11, rel=0)
    assert not plan.beyond_travel[0]


@pytest.mark.parametrize(
    ("shift", "beyond"),
    [
        ((0, 0, 0.0299), False),
        ((0, 0, -0.0301), True),
        ((0.0199, 0, 0), False),
        ((-0.0201, 0, 0), True),
        ((0, 0.5, 0), False),
    ],
)
def test_travel(shift: tuple[float, float, float], beyond: bool) -> None:
    targets = row_of_slabs(1)
    plan = moves(targets, built(targets, np.array(shift), np.zeros(3)), [TYPE], ONE, 1.0)
    assert bool(plan.beyond_travel[0]) is beyond


def test_types_use_their_own_screws_and_threads() -> None:
    targets = row_of_slabs(2)
    fits = built(targets, np.array([0.0, 0.0, 0.004]), np.zeros(3))
    plan = moves(targets, fits, [TYPE, SHORT], np.array([0, 1]), 1.0)
    assert np.isnan(plan.lift[1]).tolist() == [False, False, False, True]
    np.testing.assert_allclose(plan.turns[0], -2.0, rtol=0, atol=1e-7)
    np.testing.assert_allclose(plan.turns[1, :3], -1.0, rtol=0, atol=1e-7)
    far = moves(targets, built(targets, np.array([0.0, 0.0, 0.015]), np.zeros(3)), [TYPE, SHORT], np.array([0, 1]), 1.0)
    assert far.beyond_travel.tolist() == [False, True]  # 30 mm of travel against 10


def test_a_slab_without_pose_has_no_moves() -> None:
    targets = row_of_slabs(2)
    plan = moves(
        targets, built(targets, np.zeros(3), np.zeros(3), missing=(0,)), [TYPE], np.zeros(2, dtype=np.intp), 1.0
    )
    for values in (plan.lift, plan.turns, plan.push, plan.push_turns, plan.along):
        assert np.isnan(values[0]).all()
        assert np.isfinite(values[1]).all()
    assert not plan.beyond_travel[0]


# -- joints --------------------------------------------------------------------------------------------------


def test_gaps_between_neighbours() -> None:
    targets = row_of_slabs(4, gap=0.07)
    gaps = joint_gaps(targets.position, targets.rotation, [TYPE], np.zeros(4, dtype=np.intp), 1.0)
    np.testing.assert_allclose(gaps, 0.07, rtol=0, atol=2e-12)


def test_a_turned_slab_opens_one_side() -> None:
    targets = row_of_slabs(2)
    fits = built(targets, np.zeros(3), np.array([[0, 0, 0], [0, 0, 0.002]]))
    state = joints(targets, fits, [TYPE], np.zeros(2, dtype=np.intp), np.zeros(2, dtype=np.intp), 1.5, 1.0)
    # the front slab turns clockwise about its own middle: its rear end swings to the left by 2.465 x 2 mrad, its left
    # edge comes forward by 1.17 x 2 mrad, its right edge goes back
    np.testing.assert_allclose((state.gap - state.target_gap)[0], [0.00234, -0.00234], rtol=0, atol=1e-5)
    np.testing.assert_allclose(state.step_line[0], -2.465 * 0.002, rtol=0, atol=1e-5)
    np.testing.assert_allclose(state.step_level[0], 0.0, rtol=0, atol=1e-9)


def test_steps_by_hand() -> None:
    targets = row_of_slabs(3)
    # slab 1 is 2 mm high and rolled left side up by 1 mrad: steps at 0.75 m from its axis
    fits = built(
        targets, np.array([[0, 0, 0], [0.001, 0, 0.002], [0, 0, 0]]), np.array([[0, 0, 0], [0, 1e-3, 0], [0, 0, 0]])
    )
    state = joints(targets, fits, [TYPE], np.zeros(3, dtype=np.intp), np.zeros(3, dtype=np.intp), 1.5, 1.0)
    assert (state.rear.tolist(), state.front.tolist()) == ([0, 1], [1, 2])
    np.testing.assert_allclose(state.step_level[0], [0.00275, 0.00125], rtol=0, atol=1e-6)
    np.testing.assert_allclose(state.step_level[1], [-0.00275, -0.00125], rtol=0, atol=1e-6)
    np.testing.assert_allclose(state.step_line, [[0.001] * 2, [-0.001] * 2], rtol=0, atol=1e-6)
    np.testing.assert_allclose(state.gap, state.target_gap, rtol=0, atol=1e-6)


def test_sigmas_of_steps_and_gaps() -> None:
    targets = row_of_slabs(2)
    fits = built(targets, np.zeros(3), np.zeros(3))
    state = joints(targets, fits, [TYPE], np.zeros(2, dtype=np.intp), np.zeros(2, dtype=np.intp), 1.5, 1.0)
    ends = np.array([[[x, y, 0.0] for y in (-2.465, 2.465) for x in (-0.75, 0.75)]])
    single = sigma_at(fits, ends)[0]
    np.testing.assert_allclose(state.step_level_sigma[0], math.sqrt(2) * single[0, 2], rtol=0, atol=1e-12)
    np.testing.assert_allclose(state.step_line_sigma[0], math.sqrt(2) * single[0, 0], rtol=0, atol=1e-12)
    edges = np.array([[[x, y, 0.0] for y in (-2.465, 2.465) for x in (-1.17, 1.17)]])
    np.testing.assert_allclose(state.gap_sigma[0], math.sqrt(2) * sigma_at(fits, edges)[0, 0, 1], rtol=0, atol=1e-12)


def test_slabs_far_apart_share_no_joint() -> None:
    targets = row_of_slabs(4)
    targets.position[2:] += targets.rotation[2:, :, 1] * 3.0  # a 3 m hole in the row
    fits = built(targets, np.zeros(3), np.zeros(3))
    state = joints(targets, fits, [TYPE], np.zeros(4, dtype=np.intp), np.zeros(4, dtype=np.intp), 1.5, 1.0)
    assert state.rear.tolist() == [0, 2]
    assert state.front.tolist() == [1, 3]


def test_structure_joints_are_marked() -> None:
    targets = row_of_slabs(4)
    fits = built(targets, np.zeros(3), np.zeros(3))
    state = joints(targets, fits, [TYPE], np.zeros(4, dtype=np.intp), np.array([3, 3, 4, 4]), 1.5, 1.0)
    assert state.at_structure.tolist() == [False, True, False]


def test_an_unmeasured_slab_has_no_steps() -> None:
    targets = row_of_slabs(3)
    state = joints(
        targets,
        built(targets, np.zeros(3), np.zeros(3), missing=(1,)),
        [TYPE],
        np.zeros(3, dtype=np.intp),
        np.zeros(3, dtype=np.intp),
        1.5,
        1.0,
    )
    for values in (state.step_level, state.step_line, state.gap, state.step_level_sigma, state.gap_sigma):
        assert np.isnan(values).all()
    assert np.isfinite(state.target_gap).all()


def test_grid_scale_in_gaps() -> None:
    targets = row_of_slabs(2, roll=0.0, pitch=0.0, gap=0.07)
    shrunk = targets_of(targets.position * (0.9996, 0.9996, 1.0), targets.rotation)
    gaps = joint_gaps(shrunk.position, shrunk.rotation, [TYPE], np.zeros(2, dtype=np.intp), 0.9996)
    np.testing.assert_allclose(gaps, 0.07, rtol=0, atol=1e-9)


def test_one_slab_has_no_joints() -> None:
    targets = row_of_slabs(1)
    state = joints(targets, built(targets, np.zeros(3), np.zeros(3)), [TYPE], ONE, ONE, 1.5, 1.0)
    assert state.gap.shape == (0, 2)


def test_places_of_several_types_are_carried_by_their_slabs() -> None:
    """Against scipy's rotations, one slab at a time."""
    rng = np.random.default_rng(21)
    turns = Rotation.random(7, rng=21)
    places = rng.normal(size=(3, 2, 3))
    places[1, 1] = np.nan  # a type with fewer places
    kinds = np.array([2, 0, 1, 1, 0, 2, 2])
    matrix = np.ascontiguousarray(turns.as_matrix().transpose(1, 2, 0))
    for some in (np.arange(7), np.flatnonzero(kinds == 2)):
        found = carried(matrix[..., some], places, kinds[some])
        for column, slab in enumerate(some.tolist()):
            np.testing.assert_allclose(found[..., column].T, turns[slab].apply(places[kinds[slab]]), rtol=0, atol=1e-14)


def test_axes_asked_for_alone_are_those_of_all() -> None:
    targets = row_of_slabs()
    fits = built(targets, np.array([0.002, -0.001, 0.0007]), np.array([4e-4, -3e-4, 2e-4]), scale=0.9998, missing=(2,))
    kinds = np.zeros(6, dtype=np.intp)
    every = deviation_at(targets, fits, MARKS.places[None], kinds, 0.9998)
    for axis in range(3):
        alone = deviation_at(targets, fits, MARKS.places[None], kinds, 0.9998, slice(axis, axis + 1))
        assert alone.shape == (6, 4, 1)
        np.testing.assert_allclose(alone[..., 0], every[..., axis], rtol=0, atol=1e-15)
    assert np.isnan(every[2]).all()
    assert np.isfinite(np.delete(every, 2, axis=0)).all()
