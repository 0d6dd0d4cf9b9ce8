"""The exact answer for a few seats: whole steps that keep every limit, with the fewest fasteners opened."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import block_array, csr_array, eye_array

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

__all__ = ["HAIR", "StepProblem", "WindowPlan", "silence", "solve_window", "tightened"]

_Part = tuple[csr_array, Floats | float, Floats | float]  # rows of the problem with their lower and upper limits

HAIR = 1e-6  # mm: limits are kept to this, far below what anybody measures
_INFEASIBLE = 2  # status of scipy's milp
_SUM_SHARE = 0.15  # of the time that is left once the count of fasteners is known
_SUM_GAP = 0.005  # of the sum of movements: below one step in a window, and not worth the wait


@dataclass(frozen=True, eq=False)
class StepProblem:
    """Whole steps of v adjustments, of which several may belong to one fastener, under k ranged rows.

    Attributes
    ----------
    rows : csr_array, shape (k, v)
        What a step of each adjustment changes, mm.
    low, high : ndarray, shape (k,)
        Room that the values before leave: ``low <= rows @ steps <= high``, mm.
    least, most : ndarray of int, shape (v,)
        Range of each adjustment, steps; 0 belongs to it.
    fastener : ndarray of int, shape (v,)
        Which fastener an adjustment opens.
    size : ndarray, shape (v,)
        One step, mm.
    """

    rows: csr_array
    low: Floats
    high: Floats
    least: Ints
    most: Ints
    fastener: Ints
    size: Floats


@dataclass(frozen=True, eq=False)
class WindowPlan:
    """The answer for a window.

    Attributes
    ----------
    steps : ndarray of int, shape (v,)
    excess : ndarray, shape (k,)
        How far each row lies beyond its room, mm; 0 but where no plan keeps them all, and then least in sum.
    opened_bound : float
        No plan with this sum of excess opens fewer fasteners.
    moved_bound_mm : float
        No plan with this sum of excess and this count of fasteners moves less in sum.
    excess_bound_mm : float
        No plan has a smaller sum of excess.
    """

    steps: Ints
    excess: Floats
    opened_bound: float
    moved_bound_mm: float
    excess_bound_mm: float


def solve_window(problem: StepProblem, seconds: float) -> WindowPlan | None:
    """Return the plan that opens the fewest fasteners and among those moves the least in sum; None if time ran out.

    Where no plan keeps all rows, the sum by which they are exceeded is made as small as possible before.

    Parameters
    ----------
    problem : StepProblem
    seconds : float
        For the whole of it. When it runs out, the best plan found so far is returned with its bounds.
    """
    end = time.monotonic() + max(seconds, 0.05)
    least, most = tightened(problem)
    first = None
    if not (least > most).any():
        first = _fewest(problem, least, most, None, end)
        if first is not None and first[0] is None:
            return None  # neither a plan nor a proof that there is none
    allowed = excess_bound = 0.0
    if first is None:
        least, most = problem.least, problem.most
        found = _least_excess(problem, end)
        if found is None:
            return None
        allowed, excess_bound, fallback = found
        first = _fewest(problem, least, most, allowed, end)
        if first is None or first[0] is None:
            first = (fallback, 0.0)
    steps, bound = first
    assert steps is not None  # the cases without are behind
    opened = _opened(problem, steps)
    now = time.monotonic()
    end = min(end, now + max((end - now) * _SUM_SHARE, 0.05))
    spare = allowed if excess_bound or allowed else None
    # first with the same fasteners, which is quick and seldom far from the best, then with any so many
    same = np.isin(problem.fastener, problem.fastener[steps != 0])
    steps, _ = _least_moved(problem, least * same, most * same, spare, opened, steps, end)
    steps, moved_bound = _least_moved(problem, least, most, spare, opened, steps, end)
    value = problem.rows @ steps
    excess = np.maximum(np.maximum(problem.low - value, value - problem.high), 0.0)
    return WindowPlan(steps, np.where(excess > HAIR, excess, 0.0), bound, moved_bound, excess_bound)


def tightened(problem: StepProblem) -> tuple[Ints, Ints]:
    """Return the range of each adjustment that the rows on it alone leave; empty (least over most) where none."""
    rows, least, most = problem.rows, problem.least.copy(), problem.most.copy()
    alone = np.flatnonzero(np.diff(rows.indptr) == 1)
    at = rows.indptr[alone]
    column, factor = rows.indices[at], rows.data[at]
    edges = np.sort(np.stack([problem.low[alone] - HAIR, problem.high[alone] + HAIR]) / factor, axis=0)
    edges = np.clip(edges, -1e6, 1e6)  # an open side is infinite
    np.maximum.at(least, column, np.ceil(edges[0]).astype(least.dtype))
    np.minimum.at(most, column, np.floor(edges[1]).astype(most.dtype))
    return least, most


def _opened(problem: StepProblem, steps: Ints) -> int:
    return len(np.unique(problem.fastener[steps != 0]))


@contextmanager
def silence() -> Iterator[None]:
    """Keep what the solver's library prints out of the results on standard output."""
    sys.stdout.flush()
    try:
        kept = os.dup(1)
    except OSError:  # there is no standard output to keep clean
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def _run(
    cost: Floats, whole: npt.NDArray[np.bool_], bounds: tuple[Floats, Floats],
    parts: list[tuple[csr_array, Floats | float, Floats | float]], end: float, gap: float = 0.0,
) -> tuple[Floats | None, float, bool]:  # fmt: skip
    """Return the best point found, the bound on its cost, and whether it is proven that there is none."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    left = end - time.monotonic()
    with silence():
        answer = milp(
            cost, integrality=whole.astype(np.uint8), bounds=Bounds(*bounds),
            constraints=[LinearConstraint(*part) for part in parts],
            options={"time_limit": max(left, 0.05), "mip_rel_gap": gap},
        )  # fmt: skip
    if answer.status == _INFEASIBLE:
        return None, np.inf, True
    bound = answer.mip_dual_bound
    return answer.x, -np.inf if bound is None else float(bound), False


def _gates(problem: StepProblem, least: Ints, most: Ints) -> tuple[csr_array, csr_array, int, Ints]:
    """Return the rows by which an adjustment needs its fastener opened, on steps and on fasteners.

    ``steps - most opened <= 0`` and ``-steps + least opened <= 0``, with limits as tight as the rows on one
    adjustment make them: the tighter, the fewer branches.
    """
    names, which = np.unique(problem.fastener, return_inverse=True)
    v = len(which)
    place = (np.arange(v), which)
    up = csr_array((-np.maximum(most, 0).astype(np.float64), place), shape=(v, len(names)))
    down = csr_array((np.minimum(least, 0).astype(np.float64), place), shape=(v, len(names)))
    return up, down, len(names), which


def _fewest(
    problem: StepProblem, least: Ints, most: Ints, allowed: float | None, end: float
) -> tuple[Ints | None, float] | None:
    """Return steps with the fewest fasteners opened, and the bound on their count.

    None where no plan keeps the rows; steps of None where none was found in time.
    """
    up, down, f, which = _gates(problem, least, most)
    v = len(which)
    forced = np.zeros(f)
    np.maximum.at(forced, which, ((least > 0) | (most < 0)).astype(np.float64))
    cost = np.concatenate([np.zeros(v), np.ones(f)])
    whole = np.ones(v + f, dtype=bool)
    bounds = np.concatenate([least, forced]), np.concatenate([most, np.ones(f)])
    parts: list[_Part] = [
        (block_array([[eye_array(v), up]], format="csr"), -np.inf, 0.0),
        (block_array([[-eye_array(v), down]], format="csr"), -np.inf, 0.0),
    ]
    x, bound, impossible = _with_rows(problem, cost, whole, bounds, parts, allowed, end)
    if impossible:
        return None
    return (None if x is None else np.rint(x[:v]).astype(np.intp)), float(np.ceil(max(bound, 0.0) - 1e-6))


def _least_moved(
    problem: StepProblem, least: Ints, most: Ints, allowed: float | None, opened: int, steps: Ints, end: float
) -> tuple[Ints, float]:
    """Return the steps with the least sum of movement among those that open so many fasteners, and its bound, mm."""
    up, down, f, which = _gates(problem, least, most)
    v = len(which)
    forced = np.zeros(f)
    np.maximum.at(forced, which, ((least > 0) | (most < 0)).astype(np.float64))
    # size of each movement: at least the steps, and their opposite
    cost = np.concatenate([np.zeros(v + f), problem.size])
    whole = np.concatenate([np.ones(v + f, dtype=bool), np.zeros(v, dtype=bool)])
    reach = np.maximum(np.abs(least), np.abs(most)).astype(np.float64)
    bounds = np.concatenate([least, forced, np.zeros(v)]), np.concatenate([most, np.ones(f), reach])
    one, none = eye_array(v), csr_array((v, v))
    parts: list[_Part] = [
        (block_array([[one, up, none]], format="csr"), -np.inf, 0.0),
        (block_array([[-one, down, none]], format="csr"), -np.inf, 0.0),
        (block_array([[one, csr_array((v, f)), -one], [-one, csr_array((v, f)), -one]], format="csr"), -np.inf, 0.0),
        (csr_array(np.concatenate([np.zeros(v), np.ones(f), np.zeros(v)])[None]), -np.inf, float(opened)),
    ]
    x, bound, _ = _with_rows(problem, cost, whole, bounds, parts, allowed, end, _SUM_GAP)
    if x is None:
        return steps, max(bound, 0.0) if np.isfinite(bound) else 0.0
    found = np.rint(x[:v]).astype(np.intp)
    better = problem.size @ np.abs(found) < problem.size @ np.abs(steps) and _opened(problem, found) <= opened
    return (found if better else steps), max(bound, 0.0)


def _with_rows(
    problem: StepProblem, cost: Floats, whole: npt.NDArray[np.bool_], bounds: tuple[Floats, Floats],
    parts: list[_Part], allowed: float | None, end: float, gap: float = 0.0,
) -> tuple[Floats | None, float, bool]:  # fmt: skip
    """Solve with the ranged rows added; with `allowed` they may be exceeded by so much in sum, mm."""
    k, v = problem.rows.shape
    rest = csr_array((k, len(cost) - v))
    # limits a hair inside their tolerance, as the solver keeps rows to 1e-6 only
    if allowed is None:
        parts = [*parts, (block_array([[problem.rows, rest]], format="csr"), problem.low, problem.high)]
        return _run(cost, whole, bounds, parts, end, gap)
    wide = [(block_array([[a, csr_array((a.shape[0], k))]], format="csr"), b, c) for a, b, c in parts]
    beyond = eye_array(k)
    wide += [
        (block_array([[problem.rows, rest, beyond]], format="csr"), problem.low, np.inf),
        (block_array([[problem.rows, rest, -beyond]], format="csr"), -np.inf, problem.high),
        (csr_array(np.concatenate([np.zeros(len(cost)), np.ones(k)])[None]), -np.inf, allowed + HAIR),
    ]
    x, bound, impossible = _run(
        np.concatenate([cost, np.zeros(k)]), np.concatenate([whole, np.zeros(k, dtype=bool)]),
        (np.concatenate([bounds[0], np.zeros(k)]), np.concatenate([bounds[1], np.full(k, np.inf)])), wide, end, gap,
    )  # fmt: skip
    return (None if x is None else x[: len(cost)]), bound, impossible


def _least_excess(problem: StepProblem, end: float) -> tuple[float, float, Ints] | None:
    """Return the smallest sum by which rows must be exceeded, mm, the bound on it, and steps that reach it."""
    k, v = problem.rows.shape
    beyond = eye_array(k)
    x, bound, _ = _run(
        np.concatenate([np.zeros(v), np.ones(k)]), np.arange(v + k) < v,
        (np.concatenate([problem.least, np.zeros(k)]), np.concatenate([problem.most, np.full(k, np.inf)])),
        [
            (block_array([[problem.rows, beyond]], format="csr"), problem.low, np.inf),
            (block_array([[problem.rows, -beyond]], format="csr"), -np.inf, problem.high),
        ],
        end,
    )  # fmt: skip
    if x is None:
        return None
    steps = np.rint(x[:v]).astype(np.intp)
    value = problem.rows @ steps
    excess = np.maximum(np.maximum(problem.low - value, value - problem.high), 0.0)
    return float(excess.sum()), max(bound, 0.0), steps
