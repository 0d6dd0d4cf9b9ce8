"""A long section cut into windows, each planned exactly, until together they keep every rule.

A slab that breaks no rule and shares none with a slab that is moved is left alone: taking its move back would break
nothing. So the first windows are the slabs of broken rules, those that share one together. A window is planned as if
the rules across its edges did not exist, so it needs no more slabs, and for as many no more travel, than any plan of
the section does there: lower bounds, which add up, as windows share no slab. Then all plans are put together; where
they break a rule across edges its windows become one, slabs at rest join, and that is planned again. Once nothing is
broken the plan is as good as its own lower bound: proven.

Rules that many slabs share, such as those of long chords, are only looked at once a plan breaks them. A window that has
grown too long for one search is planned piece by piece, with bounds that may differ.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

from .bounds import step_bounds
from .contradiction import contradicting
from .long_window import plan_long
from .problem import HAIR, StepProblem
from .rule_table import KINDS, RuleTable
from .solve import EXACT, HURRIED, Effort, WindowPlan, feasible, least_excess, solve_window
from .turns import LEADING
from .window_rows import Window

__all__ = ["Planned", "plan_windows"]

Bools = npt.NDArray[np.bool_]
_LONG = 24  # slabs; longer windows are planned piece by piece
_UNHURRIED = 0.6  # of the time; then any good plan is better than none
_ON_DEMAND = [i for i, kind in enumerate(KINDS) if kind.startswith(("rail", "mortar"))]


@dataclass(eq=False)
class Planned:
    """What came of a section.

    Attributes
    ----------
    steps : ndarray, shape (n, 5)
    count_bound : int
    travel_bound : float
        mm.
    windows, longest : int
        Number of windows, and slabs in the longest one.
    out_of_time : bool
    contradictions : list of (ndarray of int, bool)
        Rules, and whether only whole steps make them contradict each other.
    """

    steps: Floats
    count_bound: int = 0
    travel_bound: float = 0.0
    windows: int = 0
    longest: int = 0
    out_of_time: bool = False
    contradictions: list[tuple[Ints, bool]] = field(default_factory=list)


@dataclass(eq=False)
class _State:
    table: RuleTable
    problem: StepProblem
    least: Floats
    most: Floats
    touches: csr_array  # rules by free slabs
    looked_at: Bools  # rules
    owner: Ints  # window of each slab, -1 for none
    hurry_at: float
    deadline: float
    plans: dict[int, tuple[Ints, WindowPlan, float, float]] = field(default_factory=dict)
    contradictions: list[tuple[Ints, bool]] = field(default_factory=list)
    out_of_time: bool = False

    @property
    def effort(self) -> Effort:
        """How hard to try: in the last part of the time no harder than needed for a plan."""
        return EXACT if time.monotonic() < self.hurry_at else HURRIED

    def slabs_of(self, rule: int) -> Ints:
        """Return the slabs of a rule that may be moved."""
        return self.touches.indices[self.touches.indptr[rule] : self.touches.indptr[rule + 1]].astype(np.intp)


def _kept_without_a_move(problem: StepProblem) -> Bools:
    return np.asarray((problem.low <= HAIR) & (problem.high >= -HAIR))


def _joined(owner: Ints, groups: list[Ints]) -> set[int]:
    """Let the windows of each group of slabs be one, slabs without a window join it; return the windows concerned."""
    concerned: set[int] = set()
    for group in groups:
        found = np.unique(owner[group])
        mine = found[found >= 0]
        window = int(mine[0]) if mine.size else int(owner.max(initial=-1)) + 1
        owner[np.isin(owner, mine)] = window
        owner[group] = window
        concerned.add(window)
        concerned -= {int(other) for other in mine[1:]}
    return concerned


def _window(state: _State, slabs: Ints, rules: Ints) -> Window:
    p = state.problem
    return Window(slabs, rules, p.low[rules], p.high[rules], state.least[slabs], state.most[slabs])


def _rules_of(state: _State, slabs: Ints) -> Ints:
    """Return the rules looked at whose slabs that may be moved are all among these."""
    inside = np.zeros(state.problem.slabs)
    inside[slabs] = 1.0
    mine = np.asarray(state.touches @ inside)
    return np.flatnonzero(state.looked_at & (mine > 0) & (mine == np.diff(state.touches.indptr)))


def _kept(state: _State, rules: Ints, steps: Floats) -> Bools:
    """Return which rules are kept with these steps."""
    p = state.problem
    change = np.asarray(p.rows[rules] @ steps.ravel())
    narrow = np.asarray(p.narrower[rules] @ (steps != 0).any(axis=1).astype(np.float64))
    return np.asarray((change - narrow >= p.low[rules] - 2 * HAIR) & (change + narrow <= p.high[rules] + 2 * HAIR))


def _give_way(state: _State, slabs: Ints, inner: Ints) -> bool:
    """Name rules that contradict each other and open their limits; return whether the rest can be kept.

    Whoever answers for them has to decide which one gives way, so nothing is moved for their sake: those that are
    broken get no worse. Only where the rest cannot be kept even so, they give as little as possible in sum.
    """
    p = state.problem
    named = np.zeros(len(inner), dtype=bool)
    subject = state.table.subjects(inner)
    low, high = p.low[inner].copy(), p.high[inner].copy()
    widest = np.asarray(p.narrower[inner].sum(axis=1)).ravel()

    def window(which: Bools, whole: bool = True) -> Window:
        rules = inner[which]
        return Window(slabs, rules, p.low[rules], p.high[rules], *step_bounds(state.table, p, slabs, rules, whole))

    while time.monotonic() < state.deadline:
        by_steps = feasible(p, window(~named, whole=False), False, state.deadline)
        rest = window(~named, whole=by_steps)
        if by_steps and feasible(p, rest, True, state.deadline):
            break
        found = np.flatnonzero(~named)[contradicting(state.table, p, rest, by_steps, state.deadline)]
        if not found.size:
            return False
        state.contradictions.append((inner[found], by_steps))
        # all places of a slab or joint that is named
        found = np.flatnonzero(np.isin(subject, subject[found]))
        named[found] = True
        broken = found[~((low[found] <= HAIR) & (high[found] >= -HAIR))]
        p.low[inner[broken]] = np.minimum(low[broken], -widest[broken] - HAIR)
        p.high[inner[broken]] = np.maximum(high[broken], widest[broken] + HAIR)
        if feasible(p, window(np.ones_like(named)), True, state.deadline):
            break
    else:
        return False
    whole = window(np.ones_like(named))
    if not feasible(p, whole, True, state.deadline):
        p.low[inner], p.high[inner] = low, high
        wide = Window(slabs, inner, low, high, *step_bounds(state.table, p, slabs, inner[~named]))
        excess = least_excess(p, wide, named, True, state.deadline)
        if excess is None:
            return False
        give = np.where(excess > HAIR, excess + 20 * HAIR, 0.0)
        p.low[inner] -= give
        p.high[inner] += give
    concerned = np.unique(state.touches[inner[named]].indices).astype(np.intp)
    state.least[concerned], state.most[concerned] = step_bounds(state.table, p, concerned)
    return True


def _solve(state: _State, number: int) -> bool:
    """Plan a window; return whether rules in it gave way, so that it has to be planned again."""
    slabs = np.flatnonzero(state.owner == number)
    inner = _rules_of(state, slabs)
    culprit = np.zeros(0, dtype=np.intp)
    if len(slabs) > _LONG:
        lower, upper, culprit = plan_long(state.problem, _window(state, slabs, inner), state.deadline, state.effort)
    else:
        lower = upper = solve_window(state.problem, _window(state, slabs, inner), state.deadline, state.effort)
    if lower.impossible:
        part = slabs[culprit] if culprit.size else slabs
        if _give_way(state, part, _rules_of(state, part)):
            return True
        state.out_of_time = True
        return False
    state.plans[number] = (slabs, upper, lower.count_bound, lower.travel_bound)
    return False


def plan_windows(table: RuleTable, problem: StepProblem, seconds: float) -> Planned:
    """Plan a section.

    Parameters
    ----------
    table : RuleTable
    problem : StepProblem
        Limits of rules that contradict each other are widened in it by what they have to give.
    seconds : float
        Time for the search.
    """
    start = time.monotonic()
    deadline = start + seconds
    least, most = step_bounds(table, problem)
    n = problem.slabs
    touched = problem.rows.tocoo()
    pairs = np.unique(touched.row.astype(np.int64) * n + touched.col // LEADING)
    rule, slab = np.divmod(pairs, n)
    touches = csr_array((np.ones(len(pairs)), (rule, slab)), shape=(len(table), n))
    broken = ~_kept_without_a_move(problem)
    looked_at = (broken | ~np.isin(table.kind, _ON_DEMAND)) & (np.diff(touches.indptr) > 0)
    state = _State(
        table, problem, least, most, touches, looked_at, np.full(n, -1), start + _UNHURRIED * seconds, deadline
    )
    first = np.flatnonzero(broken & looked_at)
    todo = _joined(state.owner, [state.slabs_of(rule) for rule in first.tolist()])
    while todo:
        while todo:
            number = min(todo)
            todo.discard(number)
            if time.monotonic() > deadline:
                state.out_of_time = True
                continue
            if _solve(state, number):
                todo.add(number)
        if state.out_of_time:
            break
        todo = _check_together(state)
    return _outcome(state)


def _total(state: _State) -> Floats:
    steps = np.zeros((state.problem.slabs, LEADING))
    for slabs, plan, _, _ in state.plans.values():
        if plan.steps is not None:
            steps[slabs] = plan.steps
    return steps


def _check_together(state: _State) -> set[int]:
    """Look at all rules with all windows planned, join those that break one; return what is to be planned again."""
    rules = np.flatnonzero(np.diff(state.touches.indptr) > 0)
    bad = rules[~_kept(state, rules, _total(state))]
    groups = []
    for rule in bad.tolist():
        slabs = state.slabs_of(rule)
        # a rule that one window knows already is one that it could not keep in time
        if not state.looked_at[rule] or len(np.unique(state.owner[slabs])) > 1:
            groups.append(slabs)
        state.looked_at[rule] = True
    for group in groups:
        for window in np.unique(state.owner[group]).tolist():
            state.plans.pop(int(window), None)
    return _joined(state.owner, groups)


def _outcome(state: _State) -> Planned:
    plans = list(state.plans.values())
    unsolved = any(plan.steps is None for _, plan, _, _ in plans)
    return Planned(
        steps=_total(state),
        count_bound=int(sum(bound for _, _, bound, _ in plans)),
        travel_bound=float(sum(travel for _, _, _, travel in plans)),
        windows=len(plans),
        longest=max((len(slabs) for slabs, _, _, _ in plans), default=0),
        out_of_time=state.out_of_time or unsolved,
        contradictions=state.contradictions,
    )
