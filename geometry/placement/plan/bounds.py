"""How many steps of each drive a slab's own limits leave: tight ranges make the plan quick to prove."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.sparse import csr_array

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

from .problem import HAIR, StepProblem
from .rule_table import KINDS, RuleTable
from .turns import LEADING

__all__ = ["row_range", "step_bounds", "without_beyond"]

_OWN = (KINDS.index("across"), KINDS.index("up"))
_HAIR_STEPS = 1e-6  # a range that follows from limits must not be narrower than they are for a rounding
_NOT_BY_SCREWS = tuple(KINDS.index(kind) for kind in ("along", "gap"))


def step_bounds(
    table: RuleTable,
    problem: StepProblem,
    slabs: Ints | None = None,
    rules: Ints | None = None,
    whole: bool = True,
) -> tuple[Floats, Floats]:
    """Return the least and the most steps of each leading drive of a slab that is touched, shape (m, 5) each.

    Every drive is a weighted sum of the marks' movements across and up, so that limits of the marks bound it. Zero
    need not lie between the two: a slab that is out has to be moved at least so far.

    Parameters
    ----------
    table : RuleTable
    problem : StepProblem
    slabs : ndarray of int, shape (m,), optional
        All if not given.
    rules : ndarray of int, optional
        Rules that hold; all if not given.
    whole : bool
        Whether the ranges end at whole steps.
    """
    n = problem.slabs
    slabs = np.arange(n) if slabs is None else slabs
    rules = np.arange(len(table)) if rules is None else rules
    at_slab = np.full(n, -1)
    at_slab[slabs] = np.arange(len(slabs))
    own = rules[np.isin(table.kind[rules], _OWN) & problem.free[table.rear[rules]] & (at_slab[table.rear[rules]] >= 0)]
    least, most = problem.least[slabs], problem.most[slabs]
    if not own.size:
        return least, most
    marks = int(table.place[own].max()) + 1
    slab, at = at_slab[table.rear[own]], table.place[own] + marks * (table.kind[own] == _OWN[1])
    picked = problem.rows[own].tocoo()
    dense = np.zeros((len(slabs), 2 * marks, LEADING))
    dense[slab[picked.row], at[picked.row], picked.col % LEADING] = picked.data
    narrow = np.asarray(problem.narrower[own].sum(axis=1)).ravel()
    low, high = np.full((len(slabs), 2 * marks), -np.inf), np.full((len(slabs), 2 * marks), np.inf)
    low[slab, at], high[slab, at] = problem.low[own] + narrow, problem.high[own] - narrow
    full = np.linalg.matrix_rank(dense) == LEADING
    weight = np.zeros((len(slabs), LEADING, 2 * marks))
    if full.any():
        weight[full] = np.linalg.pinv(dense[full])
    weight[np.abs(weight) < 1e-12] = 0.0
    up, down = np.maximum(weight, 0.0), np.minimum(weight, 0.0)
    with np.errstate(invalid="ignore"):
        # 0 times a missing limit is nan, and means nothing
        lowest = np.nansum(up * low[:, None], axis=2) + np.nansum(down * high[:, None], axis=2)
        highest = np.nansum(up * high[:, None], axis=2) + np.nansum(down * low[:, None], axis=2)
    lowest, highest = lowest - _HAIR_STEPS, highest + _HAIR_STEPS
    if whole:
        lowest, highest = np.ceil(lowest), np.floor(highest)
    known = full[:, None]
    return np.where(known, np.maximum(least, lowest), least), np.where(known, np.minimum(most, highest), most)


def row_range(rows: csr_array, least: Floats, most: Floats) -> tuple[Floats, Floats]:
    """Return the smallest and the largest value of each row, shape (r,), within the ranges of its variables."""
    up, down = rows.maximum(0.0), rows.minimum(0.0)
    return np.asarray(up @ least + down @ most), np.asarray(up @ most + down @ least)


def without_beyond(table: RuleTable, problem: StepProblem) -> StepProblem:
    """Return the problem with the limits open of rules that are broken and that no screw can mend.

    They are rules whose slabs all stand fast; and along or a gap, where the turn in plan that the limits of across
    leave does not suffice, since screws move nothing along.
    """
    broken = ~((problem.low <= HAIR) & (problem.high >= -HAIR))
    fast = np.diff(problem.rows.indptr) == 0
    least, most = step_bounds(table, problem)
    lowest, highest = row_range(problem.rows, np.minimum(least, most).ravel(), np.maximum(least, most).ravel())
    far = ~((highest >= problem.low - HAIR) & (lowest <= problem.high + HAIR))
    beyond = broken & (fast | (np.isin(table.kind, _NOT_BY_SCREWS) & far))
    return replace(
        problem, beyond=beyond, low=np.where(beyond, -np.inf, problem.low), high=np.where(beyond, np.inf, problem.high)
    )
