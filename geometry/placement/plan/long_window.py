"""A window of many slabs, all coupled: pieces without the rules between them bound it, pieces in a row plan it.

The plan settles one piece after the other, each with the next one in view, so that what is settled leaves room ahead.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_array

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

from .problem import StepProblem
from .solve import Effort, WindowPlan, solve_window
from .turns import LEADING
from .window_rows import Window

__all__ = ["plan_long"]

_PIECE = 8  # slabs
_NOTHING = np.zeros(0, dtype=np.intp)


def _part(window: Window, slabs: Ints, rules: Ints, shift: tuple[Floats, Floats] | None = None) -> Window:
    low, high = window.low[rules], window.high[rules]
    if shift is not None:
        low, high = low - shift[0][rules], high - shift[1][rules]
    return Window(window.slabs[slabs], window.rules[rules], low, high, window.least[slabs], window.most[slabs])


def plan_long(
    problem: StepProblem, window: Window, deadline: float, effort: Effort
) -> tuple[WindowPlan, WindowPlan, Ints]:
    """Return a lower bound and a plan of a long window.

    Parameters
    ----------
    problem : StepProblem
    window : Window
    deadline : float
    effort : Effort

    Returns
    -------
    lower, upper : WindowPlan
        The bounds of `lower` hold for the window, the steps of `upper` keep all its rules.
    culprit : ndarray of int
        Slabs of a piece that has no plan, by position in ``window.slabs``; empty if all have one.
    """
    m = len(window.slabs)
    piece = np.arange(m) * -(-m // _PIECE) // m
    column = (LEADING * window.slabs[:, None] + np.arange(LEADING)).ravel()
    a = csr_array(problem.rows[window.rules][:, column])
    used = np.diff(a.indptr) > 0
    first, last = np.full(len(window.rules), -1), np.full(len(window.rules), -1)
    touched = piece[a.indices // LEADING]
    starts = a.indptr[:-1][used]
    if starts.size:
        first[used], last[used] = np.minimum.reduceat(touched, starts), np.maximum.reduceat(touched, starts)

    count = travel = 0.0
    for p in range(int(piece.max()) + 1):
        slabs = np.flatnonzero(piece == p)
        found = solve_window(
            problem, _part(window, slabs, np.flatnonzero((first == p) & (last == p))), deadline, effort
        )
        if found.impossible:
            return found, found, slabs
        count, travel = count + found.count_bound, travel + found.travel_bound
    lower = WindowPlan(None, count, 0.0, travel, False)

    steps = np.zeros((m, LEADING))
    c = csr_array(problem.narrower[window.rules][:, window.slabs])
    for p in range(int(piece.max()) + 1):
        settled = np.where((piece < p)[:, None], steps, 0.0)
        change = np.asarray(a @ settled.ravel())
        narrow = np.asarray(c @ (settled != 0).any(axis=1).astype(np.float64))
        for ahead in (1, 3):
            slabs = np.flatnonzero((piece >= p) & (piece <= p + ahead))
            rules = np.flatnonzero((last >= p) & (last <= p + ahead))
            part = _part(window, slabs, rules, (change - narrow, change + narrow))
            found = solve_window(problem, part, deadline, effort)
            if found.steps is not None:
                break
        if found.steps is None:
            return lower, WindowPlan(None, count, 0.0, 0.0, False), _NOTHING
        steps[slabs] = found.steps
    moved = float(np.abs(np.einsum("mda,ma->md", problem.travel[window.slabs], steps)).sum())
    return lower, WindowPlan(steps, count, moved, travel, False), _NOTHING
