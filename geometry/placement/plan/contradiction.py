"""Which rules of a window contradict each other, and how far they have to give.

An elastic filter (Chinneck and Dravnieks, ORSA Journal on Computing 3, 1991) first gathers a few rules that cannot be
kept together: every rule may give at a price, those that do are held fast in the next round, until nothing gives
enough. A deletion filter then takes out each one without which the rest still cannot be kept. What remains is
irreducible: without any one of them the others can be kept.
"""

from __future__ import annotations

import time

import numpy as np

from geometry.survey.points import Ints

from .bounds import step_bounds
from .problem import StepProblem
from .rule_table import RuleTable
from .solve import feasible, least_excess
from .window_rows import Window

__all__ = ["contradicting"]

_ROUNDS = 12
_GIVES = 1e-5  # mm
_QUICK = 0.5  # s
_NONE = np.zeros(0, dtype=np.intp)


def _of_rules(table: RuleTable, problem: StepProblem, window: Window, rules: Ints, whole: bool) -> Window:
    """Return the window with only some of its rules, and only the ranges of steps that these leave."""
    ranges = step_bounds(table, problem, window.slabs, window.rules[rules], whole)
    return Window(window.slabs, window.rules[rules], window.low[rules], window.high[rules], *ranges)


def _gathered(problem: StepProblem, window: Window, whole: bool, deadline: float) -> Ints:
    """Return rules that contradict each other, not yet without superfluous ones; all if the filter finds none."""
    # ranges that follow from rules would hold when the rules give
    ranges = problem.least[window.slabs], problem.most[window.slabs]
    window = Window(window.slabs, window.rules, window.low, window.high, *ranges)
    held = np.zeros(len(window.rules), dtype=bool)
    for _ in range(_ROUNDS):
        excess = least_excess(problem, window, ~held, whole, deadline)
        if excess is None:
            return np.flatnonzero(held)
        gave = excess > _GIVES
        if not gave.any():
            # all rules can be kept after all, or nearly
            return np.arange(len(window.rules))
        held |= gave
    return np.arange(len(window.rules))


def _without_superfluous(
    table: RuleTable, problem: StepProblem, window: Window, parts: list[Ints], whole: bool, deadline: float, sure: bool
) -> list[Ints]:
    """Return an irreducible part of contradicting sets of rules; halves are tried first, as most are superfluous."""
    needed: list[Ints] = []
    rest = parts
    size = max(len(rest) // 2, 1)
    while rest:
        tried, kept = rest[:size], rest[size:]
        some = _of_rules(table, problem, window, np.concatenate([*needed, *kept, _NONE]), whole)
        if not feasible(problem, some, whole, deadline, sure):
            rest = kept
            size = min(size, max(len(rest) // 2, 1))
        elif size == 1:
            needed += tried
            rest = kept
        else:
            size = max(size // 2, 1)
    return needed


def contradicting(table: RuleTable, problem: StepProblem, window: Window, by_steps: bool, deadline: float) -> Ints:
    """Return rules of a window that cannot be kept together while any of them left out the others can, shape (c,).

    Rules for several places of one slab or joint are first taken as one, so that few slabs and joints are named.
    Several such sets may exist: where it is quick to tell, the smaller one of those found from two ends is taken.

    Parameters
    ----------
    table : RuleTable
    problem : StepProblem
    window : Window
        One that has no plan.
    by_steps : bool
        Whether screws that turn by any amount would have a plan.
    deadline : float

    Returns
    -------
    ndarray of int
        Positions in ``window.rules``; empty if the time does not suffice.
    """

    def impossible(rules: Ints) -> bool:
        return not feasible(problem, _of_rules(table, problem, window, rules, by_steps), by_steps, deadline)

    def reduced(parts: list[Ints], sure: bool) -> Ints:
        few = _without_superfluous(table, problem, window, parts, by_steps, deadline, sure)
        single = [np.array([rule]) for part in few for rule in part.tolist()]
        found = _without_superfluous(table, problem, window, single, by_steps, deadline, sure)
        return np.sort(np.concatenate([*found, _NONE]))

    gathered = _gathered(problem, window, by_steps, deadline)
    subject = table.subjects(window.rules)
    # whole slabs and joints: what the filter gathered of them, and their other places
    gathered = np.flatnonzero(np.isin(subject, subject[gathered]))
    if not impossible(gathered):
        gathered = np.arange(len(window.rules))
    parts = [gathered[subject[gathered] == one] for one in np.unique(subject[gathered])]
    found: list[Ints] = []
    start = time.monotonic()
    for order in (parts, parts[::-1]):
        rules = reduced(order, sure=False)
        if not impossible(rules):
            rules = reduced(order, sure=True)
        found.append(rules)
        if time.monotonic() - start > _QUICK:
            break
    best = min(found, key=len)
    return best if time.monotonic() < deadline else _NONE
