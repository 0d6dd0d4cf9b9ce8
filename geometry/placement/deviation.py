"""Built less target, in the frame of the target slab, with its uncertainty."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from geometry.alignment.frames import from_grid, vector_of_rotation
from geometry.alignment.laws import Floats
from geometry.slabs import Targets
from geometry.survey import Fits, movement_rows
from geometry.survey.points import Ints

__all__ = ["deviation_at", "pose_deviation", "sigma_at"]


def pose_deviation(targets: Targets, fits: Fits, scale: float) -> Floats:
    """Return the deviation of each pose, shape (n, 6).

    Returns
    -------
    ndarray, shape (n, 6)
        Across (+ right), along (+ forward), up, m, of the centre of the top face; pitch (+ forward end up),
        roll (+ left side up), yaw (+ clockwise), rad. nan where a slab is not determined.
    """
    moved = from_grid(targets.position, targets.rotation, fits.position[:, None], scale)[:, 0]
    turned = vector_of_rotation(np.swapaxes(targets.rotation, 1, 2) @ fits.rotation)
    return np.concatenate([moved, turned * (1.0, 1.0, -1.0)], axis=1)


def deviation_at(targets: Targets, fits: Fits, places: Floats, type_index: Ints, scale: float) -> Floats:
    """Return how far places fixed to each slab lie from where the target slab has them.

    Parameters
    ----------
    targets, fits : n slabs
    places : ndarray, shape (t, k, 3)
        Places in the frame of each type, m.
    type_index : ndarray of int, shape (n,)
    scale : float
        Grid length over true length in plan.

    Returns
    -------
    ndarray, shape (n, k, 3)
        Across, along, up in the target's frame, m; nan where not determined.
    """
    moved, turned = _relative(targets, fits, scale)
    off = places[type_index] @ turned
    off += moved
    return np.asarray(off)


@lru_cache(maxsize=2)  # one check asks for half a dozen kinds of places
def _relative(targets: Targets, fits: Fits, scale: float) -> tuple[Floats, Floats]:
    """Return the shift in the target's frame, (n, 1, 3), and what turns places into their movement, (n, 3, 3)."""
    moved = from_grid(targets.position, targets.rotation, fits.position[:, None], scale)
    # rotation less unit matrix first: places of metres then only meet numbers of the size of the deviation
    turned = np.ascontiguousarray(np.swapaxes(fits.rotation, 1, 2)) @ targets.rotation - np.eye(3)
    return moved, turned


def sigma_at(fits: Fits, places: Floats) -> Floats:
    """Return the standard uncertainty of `deviation_at`, shape (n, k, 3), m.

    It holds what the marks' sigmas give; a blunder, or an error that all marks share, is not in it.
    """
    rows = movement_rows(places)[fits.design.type_index]
    variance = np.einsum("gkci,gij,gkcj->gkc", rows, fits.design.covariance, rows)
    return np.asarray(np.sqrt(variance)[fits.group])
