"""The order of work: slabs as one walks along them, and what each move does to the joints beside it.

A list is made from the poses as measured. Once a slab has been turned and measured again, a new plan from the new
survey is the rest of the list: what came out within stays, and what did not is planned again with its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geometry.alignment.laws import Floats
from geometry.placement.check import SectionCheck
from geometry.slabs import SlabType, padded_marks
from geometry.survey import movement_rows
from geometry.survey.points import Ints

from .section_plan import SectionPlan
from .turns import Drives

__all__ = ["WorkList", "work_list"]


@dataclass(frozen=True, eq=False)
class WorkList:
    """Slabs to be moved, t of them, in order of chainage.

    Attributes
    ----------
    slab : ndarray of int, shape (t,)
    joint : ndarray of int, shape (t, 2)
        The joint at the rear and at the front of each; -1 if there is none.
    before, after : ndarray, shape (t, 2, 2, 2)
        Steps at these joints [rear, front] before and after the move, all earlier ones made: [left, right] by
        [level, + up; line, + right] from the rear to the front slab, m. nan where the slab beside is not known.
    across, up : ndarray, shape (t,)
        Deviation expected at the mark that will be furthest off, m.
    across_sigma, up_sigma : ndarray, shape (t,)
        Their standard uncertainty: of the survey and of turning, m.
    """

    slab: Ints
    joint: Ints
    before: Floats
    after: Floats
    across: Floats
    across_sigma: Floats
    up: Floats
    up_sigma: Floats


def _end_rows(types: tuple[SlabType, ...], half: float) -> Floats:
    """Return how both rails at the rear and at the front end move, level and line, shape (t, 2, 2, 2, 6)."""
    ends = np.array([[[-half, -0.5], [half, -0.5]], [[-half, 0.5], [half, 0.5]]])
    places = np.zeros((len(types), 2, 2, 3))
    places[..., :2] = ends
    places[..., 1] *= np.array([t.length for t in types])[:, None, None]
    return np.asarray(movement_rows(places)[..., [2, 0], :])


def work_list(
    check: SectionCheck, plan: SectionPlan, types: tuple[SlabType, ...], type_index: Ints, rail_apart: float,
    drive: Drives,
) -> WorkList:  # fmt: skip
    """Return the moves of a plan in walking order.

    Parameters
    ----------
    check : SectionCheck
        Of n slabs in order of chainage.
    plan : SectionPlan
    types : tuple of SlabType
    type_index : ndarray of int, shape (n,)
    rail_apart : float
        Distance between the rail head centres, m.
    drive : Drives
        Of these types.
    """
    n = len(type_index)
    slab = np.flatnonzero(plan.touched)
    joints = check.joints
    at_rear, at_front = np.full(n, -1), np.full(n, -1)
    at_rear[joints.front] = at_front[joints.rear] = np.arange(len(joints.rear))
    joint = np.stack([at_rear[slab], at_front[slab]], axis=1)
    known = np.asarray(np.isfinite(plan.pose_after).all(axis=1))
    rows = _end_rows(types, rail_apart / 2)[type_index]
    # movement of each slab's ends by its own move: [rear, front] by [left, right] by [level, line]
    moved = np.einsum("nesqp,np->nesq", rows, plan.move)
    moved[~known] = np.nan
    steps = np.stack([joints.step_level, joints.step_line], axis=-1) if len(joints.rear) else np.zeros((1, 2, 2))
    there = joint >= 0
    built = np.where(there[..., None, None], steps[np.maximum(joint, 0)], np.nan)
    before = built.copy()
    # the slab behind has been moved already, the one ahead not yet
    behind = np.clip(slab - 1, 0, n - 1)
    before[:, 0] -= moved[behind, 1]
    before[:, 1] += np.where(known[np.clip(slab + 1, 0, n - 1)], 0.0, np.nan)[:, None, None]
    after = before.copy()
    after[:, 0] += moved[slab, 0]
    after[:, 1] -= moved[slab, 1]

    marks = movement_rows(padded_marks(types))[type_index[slab]]
    change = np.einsum("tmap,tp->tma", marks, plan.move[slab])
    turning = np.einsum("tmap,tpq,tmaq->tma", marks, drive.covariance[type_index[slab]], marks)
    value = check.deviation[slab] + change
    sigma = np.sqrt(check.deviation_sigma[slab] ** 2 + turning)
    worst: list[Floats] = []
    for axis in (0, 2):
        at = np.abs(np.nan_to_num(value[..., axis])).argmax(axis=1)[:, None]
        worst += [np.take_along_axis(of[..., axis], at, 1)[:, 0] for of in (value, sigma)]
    return WorkList(slab, joint, before, after, *worst)
