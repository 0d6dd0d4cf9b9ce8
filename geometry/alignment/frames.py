"""Rotations of slab and track frames, and the way between such a frame and the grid.

A frame has x to the right, y forward, z up; its rotation matrix has these axes, seen in the grid
(easting, northing, level), as columns. It equals the grid when bearing, pitch and roll are 0. Lengths in a
frame are true lengths; in plan the grid shows them times the grid scale factor.
"""

from __future__ import annotations

import numpy as np

from .laws import Floats

__all__ = ["angles", "from_grid", "rotation", "rotation_by_axes", "rotation_of_vector", "to_grid", "vector_of_rotation"]


def rotation(bearing: Floats, pitch: Floats, roll: Floats) -> Floats:
    """Return the rotation matrix of a frame.

    Parameters
    ----------
    bearing, pitch, roll : ndarray, shape (...)
        rad; bearing clockwise from grid north, pitch + forward end up, roll + left side up.

    Returns
    -------
    ndarray, shape (..., 3, 3)
        Frame to grid; columns right, forward, up.

    Examples
    --------
    >>> right = rotation(np.array(np.pi / 2), np.array(0.0), np.array(0.1))[..., 0]  # heading east
    >>> right.round(3).tolist()  # to the south, and down when the left side is up
    [0.0, -0.995, -0.1]
    """
    sb, cb = np.sin(bearing), np.cos(bearing)
    sp, cp = np.sin(pitch), np.cos(pitch)
    sr, cr = np.sin(roll), np.cos(roll)
    matrix = np.empty((*np.broadcast_shapes(sb.shape, sp.shape, sr.shape), 3, 3))
    # level right vector r = (cb, -sb, 0), forward y = (sb cp, cb cp, sp), u = r x y; x = r cr - u sr, z = u cr + r sr
    matrix[..., 0, 0] = cb * cr + sb * sp * sr
    matrix[..., 1, 0] = -sb * cr + cb * sp * sr
    matrix[..., 2, 0] = -cp * sr
    matrix[..., 0, 1] = sb * cp
    matrix[..., 1, 1] = cb * cp
    matrix[..., 2, 1] = sp
    matrix[..., 0, 2] = cb * sr - sb * sp * cr
    matrix[..., 1, 2] = -sb * sr - cb * sp * cr
    matrix[..., 2, 2] = cp * cr
    return matrix


def angles(matrix: Floats) -> tuple[Floats, Floats, Floats]:
    """Return bearing in [0, 2 pi), pitch and roll, rad, of rotation matrices, shape (..., 3, 3)."""
    bearing = np.arctan2(matrix[..., 0, 1], matrix[..., 1, 1]) % (2 * np.pi)
    bearing = np.where(bearing >= 2 * np.pi, 0.0, bearing)  # what a tiny negative angle rounds to
    pitch = np.arctan2(matrix[..., 2, 1], np.hypot(matrix[..., 0, 1], matrix[..., 1, 1]))
    roll = np.arctan2(-matrix[..., 2, 0], matrix[..., 2, 2])
    return bearing, pitch, roll


def rotation_of_vector(vector: Floats) -> Floats:
    """Return the rotation by a rotation vector, shape (..., 3), rad; shape (..., 3, 3)."""
    matrix = rotation_by_axes(np.moveaxis(np.asarray(vector, dtype=np.float64), -1, 0))
    return np.moveaxis(matrix, (0, 1), (-2, -1))


def rotation_by_axes(vector: Floats) -> Floats:
    """Return `rotation_of_vector` with the axes of space first: (3, ...) to (3, 3, ...)."""
    x, y, z = vector
    angle = np.sqrt(x * x + y * y + z * z)
    # sin(a)/a and (1 - cos(a))/a^2 through sinc: no division by zero, no loss of digits near it
    a = np.sinc(angle / np.pi)
    b = np.sinc(angle / (2 * np.pi)) ** 2 / 2
    matrix = np.empty((3, 3, *np.shape(angle)))
    matrix[0, 0] = 1 - b * (y * y + z * z)
    matrix[1, 1] = 1 - b * (x * x + z * z)
    matrix[2, 2] = 1 - b * (x * x + y * y)
    matrix[0, 1], matrix[1, 0] = b * x * y - a * z, b * x * y + a * z
    matrix[0, 2], matrix[2, 0] = b * x * z + a * y, b * x * z - a * y
    matrix[1, 2], matrix[2, 1] = b * y * z - a * x, b * y * z + a * x
    return matrix


def vector_of_rotation(matrix: Floats) -> Floats:
    """Return the rotation vector, shape (..., 3), rad, of matrices well below half a turn."""
    skew = np.stack(
        [
            matrix[..., 2, 1] - matrix[..., 1, 2],
            matrix[..., 0, 2] - matrix[..., 2, 0],
            matrix[..., 1, 0] - matrix[..., 0, 1],
        ],
        axis=-1,
    )
    sine = np.linalg.norm(skew, axis=-1) / 2
    angle = np.arctan2(sine, (np.trace(matrix, axis1=-2, axis2=-1) - 1) / 2)
    return np.asarray(skew / (2 * np.sinc(angle / np.pi))[..., None], dtype=np.float64)


def _plan_scale(scale: float) -> Floats:
    return np.array([scale, scale, 1.0])


def to_grid(position: Floats, matrix: Floats, local: Floats, scale: float = 1.0) -> Floats:
    """Return grid coordinates of points given in a frame.

    Parameters
    ----------
    position : ndarray, shape (..., 3)
        Origin of the frame in the grid, m.
    matrix : ndarray, shape (..., 3, 3)
        Frame to grid.
    local : ndarray, shape (..., k, 3)
        Points in the frame, true metres.
    scale : float
        Grid length over true length in plan.

    Returns
    -------
    ndarray, shape (..., k, 3)
    """
    # a contiguous transpose and work in place: several times faster on a million points
    points = np.asarray(local @ np.ascontiguousarray(np.swapaxes(matrix, -1, -2)))
    if scale != 1.0:
        points *= _plan_scale(scale)
    points += position[..., None, :]
    return points


def from_grid(position: Floats, matrix: Floats, points: Floats, scale: float = 1.0) -> Floats:
    """Return true lengths in a frame of points given in the grid; undoes `to_grid`."""
    true = points - position[..., None, :]
    if scale != 1.0:
        true /= _plan_scale(scale)
    return np.asarray(true @ matrix)
