"""The plan of one window, exact: fewest slabs, then least travel, by mixed-integer programming.

The fewest slabs are found with screws that turn by any amount, which is quick and no more than whole steps need; if
whole steps do with as many, that is proven. Only where they do not, the count is found again in whole steps.
"""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import block_array, csr_array, eye_array

from geometry.alignment.laws import Floats

from .problem import HAIR, StepProblem
from .turns import LEADING
from .window_rows import Window, WindowRows, window_rows

__all__ = ["EXACT", "HURRIED", "Effort", "WindowPlan", "feasible", "least_excess", "quiet", "solve_window"]

_EQUAL = 1e-4  # mm of travel for 1 mm^2 nearer to the targets: decides among equals
_FINER = 1e3
_LEAST_SECONDS = 0.05
_IMPOSSIBLE = 2  # status of milp


@dataclass(frozen=True)
class Effort:
    """How hard the solver tries.

    Parameters
    ----------
    gap : float
        Relative gap of count and travel that is good enough.
    nodes : int
        Nodes of the search tree after which the best plan so far is taken.
    """

    gap: float
    nodes: int


EXACT: Final = Effort(0.0, 5000)
HURRIED: Final = Effort(0.05, 100)


@dataclass(frozen=True, eq=False)
class WindowPlan:
    """What came of a window.

    Attributes
    ----------
    steps : ndarray, shape (m, 5), or None
        Whole steps; None if none were found.
    count_bound : float
        No plan touches fewer slabs; infinite if there is none at all.
    travel, travel_bound : float
        Travel of these steps, and what no plan of as few slabs comes below, mm.
    by_steps : bool
        Whether there is a plan with screws that turn by any amount.
    """

    steps: Floats | None
    count_bound: float
    travel: float
    travel_bound: float
    by_steps: bool

    @property
    def count(self) -> int:
        """Slabs touched."""
        return 0 if self.steps is None else int((self.steps != 0).any(axis=1).sum())

    @property
    def impossible(self) -> bool:
        """Whether it is proven that no plan exists."""
        return bool(np.isinf(self.count_bound))


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Keep what the solver's own code prints away from standard output, where results go."""
    try:
        sys.stdout.flush()
        kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    except (OSError, ValueError):  # there is no standard output to keep clean
        yield
        return
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def _run(
    cost: Floats, rows: csr_array, low: Floats, high: Floats, bounds: tuple[Floats, Floats], whole: Floats,
    deadline: float, effort: Effort = EXACT, sure: bool = True,
) -> Any:  # fmt: skip
    for presolve in (True, False) if sure else (True,):
        seconds = max(deadline - time.monotonic(), _LEAST_SECONDS)
        found = milp(
            cost, integrality=whole.astype(np.intp), bounds=Bounds(*bounds),
            constraints=LinearConstraint(rows, low, high),
            options={"time_limit": seconds, "mip_rel_gap": effort.gap, "node_limit": effort.nodes,
                     "presolve": presolve},
        )  # fmt: skip
        # the presolve of HiGHS has called problems impossible that are not: only the search itself is believed
        if found.status != _IMPOSSIBLE:
            break
    return found


def _count(rows: WindowRows, window: Window, whole: bool, deadline: float, effort: Effort) -> Any:
    m = len(window.slabs)
    cost = np.concatenate([np.zeros(LEADING * m), np.ones(m)])
    bounds = (
        np.concatenate([np.minimum(window.least, 0.0).ravel(), rows.must]),
        np.concatenate([np.maximum(window.most, 0.0).ravel(), np.ones(m)]),
    )
    kinds = np.concatenate([np.full(LEADING * m, float(whole)), np.ones(m)])
    return _run(cost, rows.matrix, rows.low, rows.high, bounds, kinds, deadline, effort)


def feasible(problem: StepProblem, window: Window, whole: bool, deadline: float, sure: bool = True) -> bool:
    """Return whether any steps keep the rules of a window; True as well if the time does not suffice to tell.

    An answer that need not be sure is quicker.
    """
    rows = window_rows(problem, window)
    m = len(window.slabs)
    bounds = (
        np.concatenate([np.minimum(window.least, 0.0).ravel(), rows.must]),
        np.concatenate([np.maximum(window.most, 0.0).ravel(), np.ones(m)]),
    )
    kinds = np.concatenate([np.full(LEADING * m, float(whole)), np.ones(m)])
    cost = np.zeros((LEADING + 1) * m)
    found = _run(cost, rows.matrix, rows.low, rows.high, bounds, kinds, deadline, sure=sure)
    return int(found.status) != _IMPOSSIBLE


def least_excess(
    problem: StepProblem, window: Window, giving: npt.NDArray[np.bool_], whole: bool, deadline: float
) -> Floats | None:
    """Return by how much each rule that may give has to, so that the sum is least, shape (w,), mm.

    None if the other rules cannot be kept together, or the time does not suffice.

    Parameters
    ----------
    problem : StepProblem
    window : Window
    giving : ndarray of bool, shape (w,)
        Rules that may give.
    whole : bool
        Whether screws turn in whole steps.
    deadline : float
    """
    rows = window_rows(problem, window, tight=False)
    m, w = len(window.slabs), len(window.rules)
    at = np.flatnonzero(rows.rule >= 0)
    gives = csr_array(
        (giving[rows.rule[at]] * -1.0, (at, rows.rule[at])), shape=(rows.matrix.shape[0], w))  # fmt: skip
    matrix = csr_array(block_array([[rows.matrix, gives]], format="csr"))
    cost = np.concatenate([np.zeros((LEADING + 1) * m), np.ones(w)])
    bounds = (
        np.concatenate([np.minimum(window.least, 0.0).ravel(), np.zeros(m + w)]),
        np.concatenate([np.maximum(window.most, 0.0).ravel(), np.ones(m), np.where(giving, np.inf, 0.0)]),
    )
    kinds = np.concatenate([np.full(LEADING * m, float(whole)), np.ones(m), np.zeros(w)])
    found = _run(cost, matrix, rows.low, rows.high, bounds, kinds, deadline)
    return None if found.x is None else np.asarray(found.x[(LEADING + 1) * m :])


def _least_travel(
    problem: StepProblem, window: Window, rows: WindowRows, count: int, deadline: float, effort: Effort
) -> tuple[Any, float]:
    """Return the result of the least travel with so many slabs, and the most that the rule among equals weighs, mm."""
    m = len(window.slabs)
    travel = problem.travel[window.slabs]
    slab, drive = np.nonzero((np.abs(travel) > 0).any(axis=2))
    k = len(slab)
    where = LEADING * slab[:, None] + np.arange(LEADING)
    row = np.repeat(np.arange(k), LEADING)
    x = csr_array((travel[slab, drive].ravel(), (row, where.ravel())), shape=(k, LEADING * m))
    x.eliminate_zeros()
    t, no_z = eye_array(k, format="csr"), csr_array((k, m))
    one = csr_array(np.ones((1, m)))
    w = rows.matrix.shape[0]
    matrix = block_array(
        [[rows.matrix[:, : LEADING * m], rows.matrix[:, LEADING * m :], csr_array((w, k))],
         [x, no_z, -t], [-x, no_z, -t], [csr_array((1, LEADING * m)), one, csr_array((1, k))]], format="csr",
    )  # fmt: skip
    low = np.concatenate([rows.low, np.full(2 * k, -np.inf), [0.0]])
    high = np.concatenate([rows.high, np.zeros(2 * k), [count]])
    among = _EQUAL * problem.nearer[window.slabs].ravel()
    # the solver stops within 1e-6 of the best: in micrometres that also decides among equals
    cost = np.concatenate([among, np.zeros(m), np.ones(k)]) * _FINER
    least, most = np.minimum(window.least, 0.0).ravel(), np.maximum(window.most, 0.0).ravel()
    bounds = (np.concatenate([least, rows.must, np.zeros(k)]), np.concatenate([most, np.ones(m), np.full(k, np.inf)]))
    kinds = np.concatenate([np.ones((LEADING + 1) * m), np.zeros(k)])
    found = _run(cost, csr_array(matrix), low, high, bounds, kinds, deadline, effort)
    return found, float(np.maximum(among * least, among * most).sum())


def _whole_steps(found: Any, m: int) -> Floats | None:
    if found.x is None:
        return None
    return np.asarray(np.rint(found.x[: LEADING * m]).reshape(m, LEADING) + 0.0)


def _bound(found: Any) -> float:
    """Return what no solution comes below; 0 if the solver tells nothing."""
    bound = getattr(found, "mip_dual_bound", None)
    return 0.0 if bound is None or not np.isfinite(bound) else max(float(bound), 0.0)


def solve_window(problem: StepProblem, window: Window, deadline: float, effort: Effort = EXACT) -> WindowPlan:
    """Return the plan of a window.

    Parameters
    ----------
    problem : StepProblem
    window : Window
    deadline : float
        When to stop, by `time.monotonic`.
    effort : Effort
    """
    m = len(window.slabs)
    if not m:
        kept = bool(((window.low <= HAIR) & (window.high >= -HAIR)).all())
        return WindowPlan(np.zeros((0, LEADING)), 0.0 if kept else np.inf, 0.0, 0.0, False)
    rows = window_rows(problem, window)
    found = _count(rows, window, False, deadline, effort)
    if found.status == _IMPOSSIBLE:
        return WindowPlan(None, np.inf, 0.0, 0.0, False)
    bound = float(np.ceil(_bound(found) - 1e-6))
    count = None if found.x is None else round(found.fun)
    steps = None
    # as few as the bound, or as few as there is time to find
    if count is not None and (count == bound or effort.gap > 0):
        least, among = _least_travel(problem, window, rows, count, deadline, effort)
        steps = _whole_steps(least, m)
    if steps is None:
        # whole steps need more slabs, or the time ended first
        found = _count(rows, window, True, deadline, effort)
        if found.status == _IMPOSSIBLE:
            return WindowPlan(None, np.inf, 0.0, 0.0, True)
        bound = max(bound, float(np.ceil(_bound(found) - 1e-6)))
        steps = _whole_steps(found, m)
        if steps is None:
            return WindowPlan(None, bound, 0.0, 0.0, True)
        least, among = _least_travel(problem, window, rows, round(found.fun), deadline, effort)
        better = _whole_steps(least, m)
        steps = steps if better is None else better
    travel = float(np.abs(np.einsum("mda,ma->md", problem.travel[window.slabs], steps)).sum())
    proven = least.status == 0 and effort.gap == 0.0
    return WindowPlan(
        steps, bound, travel, travel if proven else min(max(_bound(least) / _FINER - among, 0.0), travel), False
    )
