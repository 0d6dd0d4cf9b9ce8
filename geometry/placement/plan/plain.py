"""What a crew would do without a plan: every slab that is not within goes to its target."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

from .problem import StepProblem, broken_rules, sigma_after
from .rule_table import RuleTable
from .section_plan import PlainPlan
from .turns import Drives

__all__ = ["plain_plan"]

Bools = npt.NDArray[np.bool_]


def plain_plan(
    table: RuleTable, problem: StepProblem, drive: Drives, type_index: Ints, pose: Floats, guard: float
) -> PlainPlan:
    """Return the plan that brings slabs to their targets, rounded to whole steps of the leading drives.

    First the slabs that break a rule of their own; then, as long as a rule of several slabs is broken, its slabs too.

    Parameters
    ----------
    table : RuleTable
    problem : StepProblem
    drive : Drives
    type_index : ndarray of int, shape (n,)
    pose : ndarray, shape (n, 6)
    guard : float
    """
    free = problem.free
    here = np.where(free[:, None], np.nan_to_num(pose), 0.0)
    # five leading drives make the five parts of a pose that screws can change
    inverse = np.linalg.pinv(drive.pose)[type_index]
    most = problem.most
    steps = np.clip(np.rint(np.einsum("nap,np->na", inverse, -here)), -most, most)
    to_target = np.einsum("npa,na->np", drive.pose[type_index], steps)
    touches = problem.rows.copy()
    touches.data = np.ones_like(touches.data)
    touched = np.zeros(len(free), dtype=bool)
    own = table.rear == table.front
    while True:
        move = to_target * touched[:, None]
        value = table.value + np.asarray(table.rows @ move.ravel())
        sigma = sigma_after(table, drive, type_index, touched)
        broken = broken_rules(table, value, sigma, guard, problem.uncertain)
        concerned = broken & ~problem.beyond
        if (concerned & own & ~touched[table.rear] & free[table.rear]).any():
            concerned &= own
        reached = np.asarray(touches.T @ concerned.astype(np.float64)).reshape(len(free), -1).any(axis=1) & free
        # a slab that its target rounds to where it lies is not touched
        more = reached & ~touched & (steps != 0).any(axis=1)
        if not more.any():
            break
        touched |= more
    travel = problem.travel_of(steps * touched[:, None]) / 1e3
    return PlainPlan(move, touched, travel, broken)
