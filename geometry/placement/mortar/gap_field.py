"""The gap at any places of slabs, and on a grid over each, for pictures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geometry.alignment.frames import from_grid, to_grid
from geometry.alignment.laws import Floats
from geometry.slabs import SlabType
from geometry.survey.points import Ints

from .bed import Bed

__all__ = ["gap_field", "gaps_at"]

_USUAL = 0.05  # where the search for the bed below a place begins, m under the underside


def gaps_at(
    bed: Bed, position: Floats, rotation: Floats, thickness: Floats, places: Floats, scale: float
) -> Floats:  # fmt: skip
    """Return the gap at places of slabs, shape (n, k), m; nan where there is no bed or no pose.

    Parameters
    ----------
    bed : Bed
    position, rotation : ndarray, shape (n, 3) and (n, 3, 3)
        Poses: centre of the top face in the grid, m, and slab to grid.
    thickness : ndarray, shape (n,)
        m.
    places : ndarray, shape (n, k, 2)
        Across and along in the frame of each slab, m.
    scale : float
        Grid length over true length in plan.
    """
    height = np.broadcast_to(-(thickness + _USUAL)[:, None], places.shape[:2])
    # square below the place, not plumb: each step is off by cant times the bed's slope of what the last one was
    for _ in range(4):
        local = np.concatenate([places, height[..., None]], axis=-1)
        grid = to_grid(position, rotation, local, scale)
        grid[..., 2] = bed.level_at(grid[..., :2])
        height = from_grid(position, rotation, grid, scale)[..., 2]
    return np.asarray(-thickness[:, None] - height)


def gap_field(
    bed: Bed, position: Floats, rotation: Floats, types: Sequence[SlabType], type_index: Ints, scale: float,
    rows: int, columns: int,
) -> Floats:  # fmt: skip
    """Return the gap on a grid over each slab, edges included, shape (n, rows, columns), m.

    Parameters
    ----------
    rows, columns : int
        Places from the rear to the front end, and from the left to the right edge. Under notches too there is bed.
    """
    across, along = np.meshgrid(np.linspace(-0.5, 0.5, columns), np.linspace(-0.5, 0.5, rows))
    unit = np.stack([across.ravel(), along.ravel()], axis=-1)
    size = np.array([[t.width, t.length] for t in types])[type_index]
    thickness = np.array([t.thickness for t in types])[type_index]
    gaps = gaps_at(bed, position, rotation, thickness, unit * size[:, None], scale)
    return gaps.reshape(len(type_index), rows, columns)
