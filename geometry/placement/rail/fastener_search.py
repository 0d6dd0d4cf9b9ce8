"""The plan of a long section: windows where something is wrong, grown until nothing beyond them objects."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import block_array, csr_array
from scipy.sparse.csgraph import connected_components

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

from .fastener_milp import HAIR, StepProblem, WindowPlan, solve_window

__all__ = ["SearchAnswer", "part_of", "search"]

Bools = npt.NDArray[np.bool_]
_PAD = 6  # seats to either side of what is wrong that may help: about 4 m, half a 10 m chord
_MOST_ROUNDS = 60
_MOST_MENDS = 4
_EXCESS_HAIR = 1e-4  # mm, of the sum over all rows


@dataclass(frozen=True, eq=False)
class SearchAnswer:
    """Steps for a whole section, and what is proven of them.

    Attributes
    ----------
    steps : ndarray of int, shape (v,)
    opened, opened_bound : int
        Fasteners that are opened, and how many at least any plan opens that exceeds its rows as little; 0 where it
        is not proven that the rows must be exceeded by so much.
    moved_mm, moved_bound_mm : float
        Sum of all movements, and the least with so many fasteners opened; the bound counts only where `opened`
        is proven.
    excess : ndarray, shape (k,)
        How far each row is exceeded by this plan, mm; 0 where it is kept.
    excess_bound_mm : float
        No plan exceeds the rows by less in sum.
    windows : int
        Parts that were solved by themselves, as no row that matters ties them together.
    cut : bool
        Whether a part was too long to be solved at once and was solved in pieces, whose seams were mended after.
    finished : bool
        False if time ran out before every limit was looked after.
    """

    steps: Ints
    opened: int
    opened_bound: int
    moved_mm: float
    moved_bound_mm: float
    excess: Floats
    excess_bound_mm: float
    windows: int
    cut: bool
    finished: bool


@dataclass(eq=False)
class _Work:
    """What is known while the search goes on."""

    problem: StepProblem
    seat: Ints
    direction: Ints
    touches: csr_array
    steps: Ints
    excess: Floats
    live: Bools
    active: Bools
    dropped: Bools


def search(problem: StepProblem, seat: Ints, direction: Ints, seconds: float, most_seats: int) -> SearchAnswer:
    """Return the plan for a section: fewest fasteners opened, then least sum of movement.

    Only rows that the plan so far breaks, and those between seats near to them, are looked at; what they leave
    alone stays as it is. A plan of these rows that keeps all others too is the best of all, since leaving rows
    away can only make a plan cheaper. Rows that tie seats together form windows which are solved each for itself.
    A window over more than `most_seats` seats is cut where the fewest broken rows cross: without the crossing rows
    its pieces give the bound, and with them the seams are mended.

    Parameters
    ----------
    problem : StepProblem
    seat : ndarray of int, shape (v,)
        Seat of each adjustment, numbered along the line.
    direction : ndarray of int, shape (v,)
        What an adjustment moves, 0 or 1: only adjustments of the same direction can stand in for each other.
    seconds : float
        Time that may be spent.
    most_seats : int
        Length of the longest window that is solved at once.
    """
    end = time.monotonic() + seconds
    k, v = problem.rows.shape
    touches = csr_array((np.ones(problem.rows.nnz), problem.rows.indices, problem.rows.indptr), shape=(k, v))
    work = _Work(problem, seat, direction, touches, np.zeros(v, dtype=np.intp), np.zeros(k), np.zeros(v, dtype=bool),
                 np.zeros(k, dtype=bool), np.zeros(k, dtype=bool))  # fmt: skip
    known: dict[bytes, WindowPlan] = {}
    plans: list[WindowPlan] = []
    finished, count = False, 0
    for _ in range(_MOST_ROUNDS):
        broken = _broken(work) & ~work.dropped
        if not broken.any():
            finished = True
            break
        _grow(work, broken)
        windows = _windows(work, most_seats)
        plans, in_time = _solve(work, windows, known, end)
        count = len(windows)
        if not in_time:
            break
    cut = bool(work.dropped.any())
    if cut:
        finished = _mend(work, end) and finished
    value = problem.rows @ work.steps
    excess = np.maximum(np.maximum(problem.low - value, value - problem.high), 0.0)
    excess = np.where(excess > HAIR * 2, excess, 0.0)
    excess_bound = float(sum(p.excess_bound_mm for p in plans))
    opened = len(np.unique(problem.fastener[work.steps != 0]))
    # a plan that exceeds rows by more than the windows must could open fewer: then nothing is proven of the count
    proven = excess.sum() <= excess_bound + _EXCESS_HAIR
    return SearchAnswer(
        steps=work.steps,
        opened=opened,
        opened_bound=min(opened, int(sum(p.opened_bound for p in plans))) if proven else 0,
        moved_mm=float(problem.size @ np.abs(work.steps)),
        moved_bound_mm=float(sum(p.moved_bound_mm for p in plans)),
        excess=excess,
        excess_bound_mm=excess_bound,
        windows=count,
        cut=cut,
        finished=finished,
    )


def _broken(work: _Work) -> Bools:
    """Return the rows that the steps so far exceed by more than is known to be unavoidable, shape (k,)."""
    p = work.problem
    value = p.rows @ work.steps
    hair = 2 * HAIR
    return np.asarray((value < p.low - work.excess - hair) | (value > p.high + work.excess + hair))


def _near(work: _Work, columns: Bools, pad: int) -> Bools:
    """Return the adjustments within so many seats of others, of the same direction, shape (v,)."""
    last = int(work.seat.max(initial=0))
    place = work.seat + work.direction * (last + 1 + pad)  # no seat of one direction is near to one of the other
    hit = np.zeros(place.max(initial=0) + pad + 2, dtype=np.intp)
    np.add.at(hit, np.maximum(place[columns] - pad, 0), 1)
    np.add.at(hit, place[columns] + pad + 1, -1)
    near = (np.cumsum(hit) > 0)[place]
    return np.asarray(near & (work.problem.most > work.problem.least))


def _grow(work: _Work, broken: Bools) -> None:
    """Take up rows that are broken, the adjustments near them, and all rows between those."""
    columns = np.asarray(work.touches[np.flatnonzero(broken)].sum(axis=0)).ravel() > 0
    work.live |= _near(work, columns, _PAD)
    movable = work.problem.most > work.problem.least
    outside = work.touches @ (~work.live & movable).astype(np.float64) > 0
    inside = work.touches @ work.live.astype(np.float64) > 0
    work.active |= broken | (inside & ~outside)


def _windows(work: _Work, most_seats: int) -> list[tuple[Ints, Ints]]:
    """Return adjustments and rows of each window."""
    rows = np.flatnonzero(work.active & ~work.dropped)
    columns = np.flatnonzero(work.live)
    label = _components(work, rows, columns)
    first, last = _extent(work, columns, label[: len(columns)])
    long = np.flatnonzero(last - first >= most_seats)
    if long.size:
        _cut(work, rows, columns, label, long, most_seats)
        rows = np.flatnonzero(work.active & ~work.dropped)
        label = _components(work, rows, columns)
    ends = np.arange(1, label.max(initial=-1) + 1)
    parts = []
    for things, names in ((columns, label[: len(columns)]), (rows, label[len(columns) :])):
        order = np.argsort(names, kind="stable")
        parts.append(np.split(things[order], np.searchsorted(names[order], ends)))
    return [(c, r) for c, r in zip(*parts, strict=True) if len(r)]


def _components(work: _Work, rows: Ints, columns: Ints) -> Ints:
    """Return which component each adjustment, then each row, belongs to; a fastener ties its adjustments together."""
    part = work.touches[rows][:, columns]
    names, which = np.unique(work.problem.fastener[columns], return_inverse=True)
    ties = csr_array((np.ones(len(columns)), (which, np.arange(len(columns)))), shape=(len(names), len(columns)))
    graph = block_array(
        [[None, part.T, ties.T], [part, None, None], [ties, None, None]], format="csr", dtype=np.float64
    )
    label = connected_components(graph, directed=False)[1]
    return np.asarray(label[: len(columns) + len(rows)], dtype=np.intp)


def _extent(work: _Work, columns: Ints, label: Ints) -> tuple[Ints, Ints]:
    """Return first and last seat of each component's adjustments."""
    count = int(label.max(initial=-1)) + 1
    first, last = np.full(count, np.iinfo(np.intp).max), np.full(count, -1)
    np.minimum.at(first, label, work.seat[columns])
    np.maximum.at(last, label, work.seat[columns])
    return first, last


def _cut(work: _Work, rows: Ints, columns: Ints, label: Ints, long: Ints, most_seats: int) -> None:
    """Drop rows of components that are too long, so that they fall apart where the fewest broken rows cross."""
    p = work.problem
    of_rows = label[len(columns) :]
    mine = rows[np.isin(of_rows, long)]
    part = work.touches[mine]
    seats = work.seat[part.indices]
    low, high = np.minimum.reduceat(seats, part.indptr[:-1]), np.maximum.reduceat(seats, part.indptr[:-1])
    value = np.zeros(len(mine))
    wrong = (value < p.low[mine]) | (value > p.high[mine])
    last = int(work.seat.max(initial=0))
    crossing = np.zeros(last + 2)
    # a cut lies before a seat; rows that are kept by themselves count a little
    weight = np.where(wrong, 1.0, 0.01)
    np.add.at(crossing, low + 1, weight)
    np.add.at(crossing, high + 1, -weight)
    crossing = np.cumsum(crossing)
    cuts = []
    start = int(low.min())
    while int(high.max()) - start >= most_seats:
        reach = np.arange(start + most_seats // 2, start + most_seats)
        start = int(reach[np.argmin(crossing[reach])])
        cuts.append(start)
    piece = np.searchsorted(np.array(cuts, dtype=np.intp), np.arange(last + 1), side="right")
    work.dropped[mine[piece[low] != piece[high]]] = True


def _solve(
    work: _Work, windows: list[tuple[Ints, Ints]], known: dict[bytes, WindowPlan], end: float
) -> tuple[list[WindowPlan], bool]:
    """Solve every window that has changed since the last round; return all plans, and whether time sufficed."""
    keys = [columns.tobytes() + rows.tobytes() for columns, rows in windows]
    left = float(sum(len(c) for (c, _), key in zip(windows, keys, strict=True) if key not in known))
    # half of the time for this round, so that there is some for what it stirs up
    until = (time.monotonic() + end) / 2
    plans, in_time = [], True
    work.steps[:], work.excess[:] = 0, 0.0
    for (columns, rows), key in zip(windows, keys, strict=True):
        if key not in known:
            seconds = (until - time.monotonic()) * min(1.0, 2 * len(columns) / left)
            left -= len(columns)
            plan = (
                solve_window(part_of(work.problem, work.steps, columns, rows), seconds)
                if end > time.monotonic()
                else None
            )
            if plan is None:
                in_time = False
                continue
            known[key] = plan
        plan = known[key]
        plans.append(plan)
        work.steps[columns] = plan.steps
        work.excess[rows] = plan.excess
    return plans, in_time


def part_of(problem: StepProblem, steps: Ints, columns: Ints, rows: Ints) -> StepProblem:
    """Return the problem of some adjustments and rows, all others staying where they are.

    Parameters
    ----------
    problem : StepProblem
    steps : ndarray of int, shape (v,)
        Where they are; those of the part do not count.
    columns, rows : ndarray of int
        Adjustments and rows of the part.
    """
    others = steps.copy()
    others[columns] = 0
    mine = problem.rows[rows]
    stays = mine @ others
    return StepProblem(
        csr_array(mine[:, columns]), problem.low[rows] - stays, problem.high[rows] - stays, problem.least[columns],
        problem.most[columns], problem.fastener[columns], problem.size[columns],
    )  # fmt: skip


def _mend(work: _Work, end: float) -> bool:
    """Move seats near the seams until the rows that were dropped are kept as well; return whether they are."""
    pad = _PAD
    for attempt in range(_MOST_MENDS):
        broken = _broken(work)
        if not broken.any():
            return True
        columns = np.asarray(work.touches[np.flatnonzero(broken)].sum(axis=0)).ravel() > 0
        work.live = _near(work, columns, pad)
        work.active = np.asarray(work.touches @ work.live.astype(np.float64) > 0)
        work.dropped[:] = False
        for c, r in _windows(work, len(work.seat)):
            left = end - time.monotonic()
            if left <= 0:
                return False
            plan = solve_window(part_of(work.problem, work.steps, c, r), left / 4)
            if plan is None:
                continue
            work.steps[c] = plan.steps
            # more seats may still spare an excess that these few cannot
            if attempt == _MOST_MENDS - 1 or plan.excess.sum() <= work.excess[r].sum() + HAIR:
                work.excess[r] = plan.excess
        pad *= 2
    return not _broken(work).any()
