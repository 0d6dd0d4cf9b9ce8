"""Built less target, in the frame of the target slab, with its uncertainty."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from geometry.alignment.frames import vector_of_rotation
from geometry.alignment.laws import Floats
from geometry.slabs import Targets
from geometry.survey import Fits, movement_rows
from geometry.survey.blocks import blocks
from geometry.survey.fit import times
from geometry.survey.points import Ints

__all__ = ["carried", "deviation_at", "pose_deviation", "sigma_at"]


def pose_deviation(targets: Targets, fits: Fits, scale: float) -> Floats:
    """Return the deviation of each pose, shape (n, 6).

    Returns
    -------
    ndarray, shape (n, 6)
        Across (+ right), along (+ forward), up, m, of the centre of the top face; pitch (+ forward end up),
        roll (+ left side up), yaw (+ clockwise), rad. nan where a slab is not determined.
    """
    moved, turned = _relative(targets, fits, scale)
    pose = np.empty((len(fits.position), 6), order="F")
    pose[:, :3] = moved.T
    for rows in blocks(len(pose)):
        matrix = np.moveaxis(turned[..., rows], -1, 0) + np.eye(3)
        pose[rows, 3:] = vector_of_rotation(matrix) * (1.0, 1.0, -1.0)
    return pose


def deviation_at(
    targets: Targets, fits: Fits, places: Floats, type_index: Ints, scale: float, axes: slice = slice(None)
) -> Floats:
    """Return how far places fixed to each slab lie from where the target slab has them.

    Parameters
    ----------
    targets, fits : n slabs
    places : ndarray, shape (t, k, 3)
        Places in the frame of each type, m.
    type_index : ndarray of int, shape (n,)
    scale : float
        Grid length over true length in plan.
    axes : slice, optional
        Which of across, along, up are asked for.

    Returns
    -------
    ndarray, shape (n, k, 3) or fewer axes
        Across, along, up in the target's frame, m; nan where not determined.
    """
    moved, turned = _relative(targets, fits, scale)
    moved, turned = moved[axes], turned[axes]
    off = np.empty((len(type_index), places.shape[1], len(moved)), order="F")
    for rows in blocks(len(off)):
        off[rows] = (carried(turned[..., rows], places, type_index[rows]) + moved[:, None, rows]).T
    return off


@lru_cache(maxsize=2)  # one check asks for half a dozen kinds of places
def _relative(targets: Targets, fits: Fits, scale: float) -> tuple[Floats, Floats]:
    """Return the shift in the target's frame, (3, n), and what turns places into their movement, (3, 3, n)."""
    n = len(fits.position)
    moved, turned = np.empty((3, n)), np.empty((3, 3, n))
    plan = np.array([[scale], [scale], [1.0]])
    for rows in blocks(n):
        to_target = targets.rotation[rows].transpose(2, 1, 0)
        shift = (fits.position[rows] - targets.position[rows]).T / plan
        moved[:, rows] = times(to_target, shift[:, None])[:, 0]
        # rotation less unit matrix first: places of metres then only meet numbers of the size of the deviation
        turned[..., rows] = times(to_target, fits.rotation[rows].transpose(1, 2, 0)) - np.eye(3)[..., None]
    return moved, turned


def carried(matrix: Floats, places: Floats, type_index: Ints) -> Floats:
    """Return what the matrix of each slab makes of the places of its type: (a, 3, n), (t, k, 3), (n,) -> (a, k, n)."""
    kinds = np.flatnonzero(np.bincount(type_index))
    if len(kinds) == 1:
        return np.asarray(places[kinds[0]] @ matrix)
    result = np.empty((len(matrix), places.shape[1], matrix.shape[2]))
    for kind in kinds.tolist():
        rows = np.flatnonzero(type_index == kind)
        result[..., rows] = places[kind] @ matrix[..., rows]
    return result


def sigma_at(fits: Fits, places: Floats) -> Floats:
    """Return the standard uncertainty of `deviation_at`, shape (n, k, 3), m.

    It holds what the marks' sigmas give; a blunder, or an error that all marks share, is not in it.
    """
    moving = movement_rows(places)[fits.design.type_index]
    variance = np.einsum("gkci,gij,gkcj->gkc", moving, fits.design.covariance, moving)
    of_group = np.sqrt(variance).T
    sigma = np.empty((len(fits.group), *variance.shape[1:]), order="F")
    for rows in blocks(len(sigma)):
        sigma[rows] = np.take(of_group, fits.group[rows], axis=-1).T
    return sigma
