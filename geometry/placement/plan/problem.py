"""The rules over whole steps: what the solver is given, in mm and steps.

A slab that is turned is less certain afterwards than one that is left alone, so its rules are narrower by what turning
adds to their guard band. For a rule of several slabs these additions are summed, which is on the safe side: the
uncertainty of two turned slabs is less than the sum of what each adds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array, csr_array

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

from .rule_table import KINDS, RuleTable
from .turns import LEADING, Drives

__all__ = ["HAIR", "StepProblem", "broken_rules", "sigma_after", "step_problem"]

Bools = npt.NDArray[np.bool_]
HAIR = 1e-6  # mm; a rule kept to a nanometre is kept, as in the decision rule of verdicts


@dataclass(frozen=True, eq=False)
class StepProblem:
    """Rules over the whole steps x of five leading drives of n slabs, and over z, whether a slab is touched.

    Attributes
    ----------
    rows : sparse array, shape (r, 5 n)
        Change of each rule's value for one step, mm.
    narrower : sparse array, shape (r, n)
        How much narrower each limit becomes when a slab is touched, mm.
    low, high : ndarray, shape (r,)
        low + narrower @ z <= rows @ x <= high - narrower @ z, mm.
    least, most : ndarray, shape (n, 5)
        Range of steps by the travel of the leading drives; 0 for a slab that may not be moved.
    travel : ndarray, shape (n, d, 5)
        Travel of each of d screws and adjusters for one step, mm; 0 for those that a type does not have.
    reach : ndarray, shape (n, d)
        Largest travel, mm; infinite for those that a type does not have.
    nearer : ndarray, shape (n, 5)
        Among equal plans the one with the least sum of nearer * x: it brings the marks nearer to their targets, mm^2.
    free : ndarray of bool, shape (n,)
        Slabs that may be moved.
    uncertain : ndarray of bool, shape (r,)
        Rules held to their plain limits because the guard band alone is wider.
    beyond : ndarray of bool, shape (r,)
        Rules broken without a move that no screw can mend, see `bounds.without_beyond`; their limits are wide open.
    """

    rows: csr_array
    narrower: csr_array
    low: Floats
    high: Floats
    least: Floats
    most: Floats
    travel: Floats
    reach: Floats
    nearer: Floats
    free: Bools
    uncertain: Bools
    beyond: Bools

    @property
    def slabs(self) -> int:
        """Number of slabs."""
        return len(self.free)

    def travel_of(self, x: Floats) -> float:
        """Return the sum of the absolute travel of steps, shape (n, 5), mm."""
        return float(np.abs(np.einsum("nda,na->nd", self.travel, x)).sum())


def _per_slab(rows: csr_array) -> tuple[Ints, Ints, Floats]:
    """Return rule, slab and the dense six of every block of six that a rule has, shapes (b,), (b,), (b, 6)."""
    coo = rows.tocoo()
    key, block = np.unique(coo.row.astype(np.int64) * rows.shape[1] + coo.col // 6, return_inverse=True)
    dense = np.zeros((len(key), 6))
    dense[block, coo.col % 6] = coo.data
    rule, slab = np.divmod(key, rows.shape[1])
    return rule.astype(np.intp), slab.astype(np.intp), dense


def sigma_after(table: RuleTable, drive: Drives, type_index: Ints, touched: Bools) -> Floats:
    """Return the standard uncertainty of every rule once some slabs have been turned, shape (r,), m."""
    rule, slab, dense = _per_slab(table.rows)
    added = np.einsum("bi,bij,bj->b", dense, drive.covariance[type_index[slab]], dense) * touched[slab]
    return np.asarray(np.sqrt(table.sigma**2 + np.bincount(rule, added, len(table))))


def broken_rules(table: RuleTable, value: Floats, sigma: Floats, guard: float, uncertain: Bools) -> Bools:
    """Return which rules are not kept with their guard band; nan is broken."""
    band = np.where(uncertain, 0.0, guard * sigma)
    hair = HAIR / 1e3
    return ~((value - band >= table.low - hair) & (value + band <= table.high + hair))


def step_problem(table: RuleTable, drive: Drives, type_index: Ints, free: Bools, guard: float) -> StepProblem:
    """Return the rules of a section over whole steps.

    Parameters
    ----------
    table : RuleTable
        Without unknown values.
    drive : Drives
    type_index : ndarray of int, shape (n,)
    free : ndarray of bool, shape (n,)
        Slabs that may be moved.
    guard : float
        Guard factor of the decision rule.
    """
    n, r = len(type_index), len(table)
    rule, slab, dense = _per_slab(table.rows)
    mine = free[slab]
    rule, slab, dense = rule[mine], slab[mine], dense[mine]
    change = np.einsum("bi,bia->ba", dense, drive.pose[type_index[slab]]) * 1e3
    change[np.abs(change) < 1e-9] = 0.0
    column = LEADING * slab[:, None] + np.arange(LEADING)
    rows = csr_array(coo_array(
        (change.ravel(), (np.repeat(rule, LEADING), column.ravel())), shape=(r, LEADING * n)))  # fmt: skip
    rows.eliminate_zeros()

    turning = np.einsum("bi,bij,bj->b", dense, drive.covariance[type_index[slab]], dense)
    half = (table.high - table.low) / 2
    all_turned = np.sqrt(table.sigma**2 + np.bincount(rule, turning, r))
    uncertain = guard * all_turned > half
    added = guard * (np.sqrt(table.sigma[rule] ** 2 + turning) - table.sigma[rule]) * 1e3
    added[uncertain[rule]] = 0.0
    narrower = csr_array(coo_array((added, (rule, slab)), shape=(r, n)))
    band = np.where(uncertain, 0.0, guard * table.sigma)
    low, high = (table.low + band - table.value) * 1e3, (table.high - band - table.value) * 1e3

    travel = np.nan_to_num(drive.travel[type_index]) * 1e3
    reach = np.where(np.isfinite(drive.reach[type_index]), drive.reach[type_index] * 1e3, np.inf)
    most = _most_steps(travel, reach) * free[:, None]
    nearer = _nearer(table, change, rule, slab, n)
    return StepProblem(
        rows, narrower, low, high, -most, most, travel, reach, nearer, free, uncertain, np.zeros(r, dtype=bool)
    )


def _most_steps(travel: Floats, reach: Floats) -> Floats:
    """Return the most whole steps of each leading drive within its travel, shape (n, 5)."""
    n = len(travel)
    one = np.abs(travel) > 1e-9
    # a leading drive is the one that its own step alone moves
    alone = one.sum(axis=2) == 1
    steps = np.full((n, LEADING), np.inf)
    for a in range(LEADING):
        limit = np.where(alone & one[:, :, a], reach / np.where(one[:, :, a], np.abs(travel[:, :, a]), 1.0), np.inf)
        steps[:, a] = limit.min(axis=1)
    return np.floor(np.where(np.isfinite(steps), steps, 0.0) + 1e-9)


def _nearer(table: RuleTable, change: Floats, rule: Ints, slab: Ints, slabs: int) -> Floats:
    """Return how the mean square deviation of a slab's marks begins to change with each step, half of it, mm^2.

    The size of each deviation is in it, not only its sign, so that two plans hardly ever come out equal.
    """
    own = np.isin(table.kind, [KINDS.index("across"), KINDS.index("up")])[rule]
    slope = np.zeros((slabs, LEADING))
    np.add.at(slope, slab[own], table.value[rule[own]][:, None] * 1e3 * change[own])
    count = np.bincount(slab[own], minlength=slabs)
    return slope / np.maximum(count, 1)[:, None]
