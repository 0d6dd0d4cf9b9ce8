"""Rotations of frames, against scipy's rotations and the meaning of the words."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from geometry.alignment.frames import angles, from_grid, rotation, rotation_of_vector, to_grid, vector_of_rotation

FIXED = settings(derandomize=True, database=None, deadline=None, max_examples=100)
ANGLE = st.floats(-1.2, 1.2)


def one(value: float) -> np.ndarray:
    return np.array(value)


@FIXED
@given(st.floats(0, 6.283), ANGLE, ANGLE)
def test_rotation_is_bearing_then_pitch_then_roll(bearing: float, pitch: float, roll: float) -> None:
    # clockwise about z is negative; nose up is positive about x (right); left up is positive about y (forward):
    # intrinsic z, x, y rotations in scipy's capital-letter sequence
    wanted = Rotation.from_euler("ZXY", [-bearing, pitch, roll]).as_matrix()
    got = rotation(one(bearing), one(pitch), one(roll))
    np.testing.assert_allclose(got, wanted, rtol=0, atol=2e-15)
    np.testing.assert_allclose(angles(got), (bearing, pitch, roll), rtol=0, atol=3e-15)


def test_the_words_mean_what_they_say() -> None:
    north = rotation(one(0.0), one(0.0), one(0.0))
    np.testing.assert_array_equal(north, np.eye(3))
    east = rotation(one(math.pi / 2), one(0.0), one(0.0))
    np.testing.assert_allclose(east @ [0, 1, 0], [1, 0, 0], rtol=0, atol=1e-15)  # forward is east
    np.testing.assert_allclose(east @ [1, 0, 0], [0, -1, 0], rtol=0, atol=1e-15)  # right is south
    nose_up = rotation(one(0.3), one(0.1), one(0.0))
    assert (nose_up @ [0, 1, 0])[2] == pytest.approx(math.sin(0.1), abs=1e-15, rel=0)
    left_up = rotation(one(0.3), one(0.0), one(0.1))
    assert (left_up @ [-1, 0, 0])[2] == pytest.approx(math.sin(0.1), abs=1e-15, rel=0)


def test_bearings_come_back_in_one_turn() -> None:
    bearing = angles(rotation(np.array([-0.1, 6.5, 3.0]), np.zeros(3), np.zeros(3)))[0]
    np.testing.assert_allclose(bearing, [2 * math.pi - 0.1, 6.5 - 2 * math.pi, 3.0], rtol=0, atol=2e-15)


def test_north_is_0_and_not_a_full_turn() -> None:
    # the remainder of -1e-17 by 2 pi is 2 pi in doubles: 360 degrees where 0 is meant
    bearing = angles(rotation(one(-1e-17), one(0.0), one(0.0)))[0]
    assert 0 <= float(bearing) < 2 * math.pi


@pytest.mark.parametrize("size", [0.0, 1e-300, 1e-9, 1e-3, 0.5, 3.0])
def test_rotation_vectors(size: float) -> None:
    vector = size * np.array([0.36, -0.48, 0.8])
    wanted = Rotation.from_rotvec(vector).as_matrix()
    np.testing.assert_allclose(rotation_of_vector(vector), wanted, rtol=0, atol=1e-15)
    np.testing.assert_allclose(vector_of_rotation(wanted), vector, rtol=0, atol=5e-15)


def test_small_rotation_vectors_keep_their_digits() -> None:
    # through the trace alone the angle of a small turn would be lost below 1e-8
    vector = np.array([1e-10, -2e-10, 3e-10])
    np.testing.assert_allclose(vector_of_rotation(rotation_of_vector(vector)), vector, rtol=0, atol=1e-24)


def test_to_grid_scales_plan_only() -> None:
    matrix = rotation(one(math.pi / 2), one(0.0), one(0.0))  # heading east
    at = to_grid(np.array([100.0, 200.0, 300.0]), matrix, np.array([[1.0, 10.0, 5.0]]), 0.9)
    np.testing.assert_allclose(at, [[109.0, 199.1, 305.0]], rtol=0, atol=1e-12)


@FIXED
@given(st.floats(0, 6.283), ANGLE, ANGLE, st.floats(0.99, 1.01))
def test_from_grid_undoes_to_grid(bearing: float, pitch: float, roll: float, scale: float) -> None:
    matrix = rotation(one(bearing), one(pitch), one(roll))
    position = np.array([5e5, 5e6, 100.0])
    local = np.array([[1.0, 2.0, -0.2], [-0.7, 2.4, 0.3]])
    back = from_grid(position, matrix, to_grid(position, matrix, local, scale), scale)
    np.testing.assert_allclose(back, local, rtol=0, atol=2e-9)  # the spacing of doubles at 5e6 is 0.9 nm


def test_many_frames_at_once() -> None:
    rng = np.random.default_rng(1)
    b, p, r = rng.uniform(-1, 1, (3, 4, 5))
    position, local = rng.normal(size=(4, 5, 3)), rng.normal(size=(4, 5, 6, 3))
    got = to_grid(position, rotation(b, p, r), local, 1.001)
    assert got.shape == (4, 5, 6, 3)
    wanted = position[2, 3] + (Rotation.from_euler("ZXY", [-b[2, 3], p[2, 3], r[2, 3]]).apply(local[2, 3, 4])) * (
        1.001,
        1.001,
        1,
    )
    np.testing.assert_allclose(got[2, 3, 4], wanted, rtol=0, atol=1e-15)
