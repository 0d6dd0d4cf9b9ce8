"""Between neighbouring slabs: steps in level and line, and the gap, on both sides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.slabs import SlabType, Targets
from geometry.survey import Fits, movement_rows
from geometry.survey.blocks import blocks
from geometry.survey.points import Ints

from .deviation import carried, deviation_at

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
    ends = _ends(types, [t.width / 2 for t in types])
    plan = np.array([scale, scale, 1.0])[:, None, None]
    gaps = np.empty((max(len(position) - 1, 0), 2), order="F")
    for rows in blocks(len(gaps)):
        both = slice(rows.start, rows.stop + 1)
        matrix = np.ascontiguousarray(rotation[both].transpose(1, 2, 0))
        corners = carried(matrix, ends, type_index[both])
        corners *= plan
        corners += position[both].T[:, None]
        apart = (corners[:, :2, 1:] - corners[:, 2:, :-1]) / plan
        # along the forward axis of the slab behind the gap
        gaps[rows] = (matrix[:, 1, None, :-1] * apart).sum(axis=0).T
    return gaps


def _sigma_of_difference(fits: Fits, front_rows: Floats, rear_rows: Floats, rear: Ints, front: Ints) -> Floats:
    """Return the standard uncertainty of front less rear slab, shape (j, ...), m.

    The rows, shape (t, ..., 6), say how a quantity of each type of slab depends on its pose. What one set-up
    does to both slabs alike drops out; their frames are taken as parallel.
    """
    design = fits.design

    def variance(rows: Floats, slabs: Ints) -> Floats:
        of_group = rows[design.type_index]
        per_group = np.einsum("g...i,gij,g...j->g...", of_group, design.covariance, of_group)
        return np.asarray(np.take(per_group.T, fits.group[slabs], axis=-1).T)

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


def _ahead(off: Floats, rear: Ints, front: Ints) -> Floats:
    """Return rear ends of the front slabs less front ends of the rear slabs: (n, 4), (j,), (j,) -> (j, 2)."""
    rows = off.T
    return np.asarray((np.take(rows[:2], front, axis=1) - np.take(rows[2:], rear, axis=1)).T)


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
    step_line, step_level = (
        _ahead(deviation_at(targets, fits, under_rails, type_index, scale, axis)[..., 0], rear, front)
        for axis in (slice(0, 1), slice(2, 3))
    )
    rows = movement_rows(under_rails)[:, :, ::2]  # across and up
    step_sigma = _sigma_of_difference(fits, rows[:, :2], rows[:, 2:], rear, front)
    edges = _ends(types, [t.width / 2 for t in types])
    widened = _ahead(deviation_at(targets, fits, edges, type_index, scale, slice(1, 2))[..., 0], rear, front)
    rows = movement_rows(edges)[:, :, 1]
    left_less_right = rows[:, [0, 2]] - rows[:, [1, 3]]
    design_gap = np.take(target_gap.T, rear, axis=-1).T
    return Joints(
        rear=rear,
        front=front,
        at_structure=np.asarray(span[rear] != span[front]),
        step_level=step_level,
        step_level_sigma=step_sigma[..., 1],
        step_line=step_line,
        step_line_sigma=step_sigma[..., 0],
        # the frames of neighbours differ by a milliradian, which turns millimetres into micrometres
        gap=design_gap + widened,
        gap_sigma=_sigma_of_difference(fits, rows[:, :2], rows[:, 2:], rear, front),
        wedge_sigma=_sigma_of_difference(fits, left_less_right[:, 0], left_less_right[:, 1], rear, front),
        target_gap=design_gap,
    )
