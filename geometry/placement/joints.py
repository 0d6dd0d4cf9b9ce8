"""Between neighbouring slabs: steps in level and line, and the gap, on both sides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from geometry.alignment.frames import from_grid, to_grid
from geometry.alignment.laws import Floats
from geometry.slabs import SlabType, Targets
from geometry.survey import Fits, movement_rows
from geometry.survey.points import Ints

from .deviation import deviation_at

__all__ = ["Joints", "joint_gaps", "joints"]

_NEIGHBOURS = 1.0  # slabs whose ends are closer than this share rails over a joint, m


@dataclass(frozen=True, eq=False)
class Joints:
    """Joints between neighbouring slabs; arrays of shape (j,) or (j, 2) for left and right.

    Attributes
    ----------
    rear, front : ndarray of int, shape (j,)
        Index of the slab before the joint and of the one after it.
    at_structure : ndarray of bool, shape (j,)
        Whether a structure joint lies between them: no limit of a gap between slabs holds there.
    step_level, step_line : ndarray, shape (j, 2)
        Deviation of the front slab less that of the rear slab where the rails cross the joint, up and
        across, m. nan where a slab is not measured.
    step_level_sigma, step_line_sigma : ndarray, shape (j, 2)
    gap, gap_sigma : ndarray, shape (j, 2)
        Built gap at the slabs' left and right edges, m, and its standard uncertainty.
    wedge_sigma : ndarray, shape (j,)
        Standard uncertainty of the gap on the left less that on the right, m.
    target_gap : ndarray, shape (j, 2)
        The gap between the target slabs; left less right is the wedge that a curve asks for.
    """

    rear: Ints
    front: Ints
    at_structure: npt.NDArray[np.bool_]
    step_level: Floats
    step_level_sigma: Floats
    step_line: Floats
    step_line_sigma: Floats
    gap: Floats
    gap_sigma: Floats
    wedge_sigma: Floats
    target_gap: Floats


def _ends(types: Sequence[SlabType], half_apart: Sequence[float]) -> Floats:
    """Return rear left, rear right, front left, front right of each type, shape (t, 4, 3), m."""
    sides = np.array([[-1, -1, 0], [1, -1, 0], [-1, 1, 0], [1, 1, 0]], dtype=np.float64)
    size = np.array([[half, t.length / 2, 0.0] for half, t in zip(half_apart, types, strict=True)])
    return np.asarray(sides * size[:, None])


def joint_gaps(position: Floats, rotation: Floats, types: Sequence[SlabType], type_index: Ints, scale: float) -> Floats:
    """Return the gap from each slab to the next one at the left and right edge, shape (n - 1, 2), m."""
    corners = to_grid(position, rotation, _ends(types, [t.width / 2 for t in types])[type_index], scale)
    between = from_grid(corners[:-1, 2], rotation[:-1], corners[1:, :1], scale)[:, 0, 1]
    right = from_grid(corners[:-1, 3], rotation[:-1], corners[1:, 1:2], scale)[:, 0, 1]
    return np.stack([between, right], axis=1)


def _sigma_of_difference(fits: Fits, front_rows: Floats, rear_rows: Floats, rear: Ints, front: Ints) -> Floats:
    """Return the standard uncertainty of front less rear slab, shape (j, ...), m.

    The rows, shape (t, ..., 6), say how a quantity of each type of slab depends on its pose. What one set-up
    does to both slabs alike drops out; their frames are taken as parallel.
    """
    design = fits.design

    def variance(rows: Floats, slabs: Ints) -> Floats:
        of_group = rows[design.type_index]
        per_group = np.einsum("g...i,gij,g...j->g...", of_group, design.covariance, of_group)
        return np.asarray(per_group[fits.group[slabs]])

    total = variance(front_rows, front) + variance(rear_rows, rear)
    several = fits.setup.shape[1]
    causes = fits.common.shape[2] // max(several, 1)
    for a, b in product(range(several), repeat=2):
        seen = fits.setup[rear, a] >= 0
        one = np.flatnonzero(seen & (fits.setup[rear, a] == fits.setup[front, b]))
        effects = [
            np.einsum(
                "j...i,jik->j...k",
                rows[design.type_index[fits.group[slabs]]],
                fits.common[slabs][:, :, which * causes : (which + 1) * causes],
            )
            for rows, slabs, which in ((rear_rows, rear[one], a), (front_rows, front[one], b))
        ]
        total[one] -= 2 * (effects[0] * effects[1]).sum(axis=-1)
    return np.asarray(np.sqrt(np.maximum(total, 0.0)))


def joints(
    targets: Targets, fits: Fits, types: Sequence[SlabType], type_index: Ints, span: Ints,
    rail_apart: float, scale: float,
) -> Joints:  # fmt: skip
    """Return the joints of a row of slabs in order of chainage.

    Parameters
    ----------
    targets, fits : n slabs
    types : sequence of SlabType
    type_index, span : ndarray of int, shape (n,)
        Type of each slab, and the span between structure joints that it lies on.
    rail_apart : float
        Distance between the rail head centres, m.
    scale : float
        Grid length over true length in plan.
    """
    target_gap = joint_gaps(targets.position, targets.rotation, types, type_index, scale)
    rear = np.flatnonzero(np.abs(target_gap).max(axis=1, initial=0.0) < _NEIGHBOURS)
    front = rear + 1
    under_rails = _ends(types, [rail_apart / 2] * len(types))
    off = deviation_at(targets, fits, under_rails, type_index, scale)
    step = off[front, :2] - off[rear, 2:]
    rows = movement_rows(under_rails)
    step_sigma = _sigma_of_difference(fits, rows[:, :2], rows[:, 2:], rear, front)
    edges = _ends(types, [t.width / 2 for t in types])
    along = deviation_at(targets, fits, edges, type_index, scale)[..., 1]
    rows = movement_rows(edges)[:, :, 1]
    left_less_right = rows[:, [0, 2]] - rows[:, [1, 3]]
    return Joints(
        rear=rear,
        front=front,
        at_structure=np.asarray(span[rear] != span[front]),
        step_level=step[..., 2],
        step_level_sigma=step_sigma[..., 2],
        step_line=step[..., 0],
        step_line_sigma=step_sigma[..., 0],
        # the frames of neighbours differ by a milliradian, which turns millimetres into micrometres
        gap=target_gap[rear] + along[front, :2] - along[rear, 2:],
        gap_sigma=_sigma_of_difference(fits, rows[:, :2], rows[:, 2:], rear, front),
        wedge_sigma=_sigma_of_difference(fits, left_less_right[:, 0], left_less_right[:, 1], rear, front),
        target_gap=target_gap[rear],
    )
