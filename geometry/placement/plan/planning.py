"""From a checked section to its correction plan."""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.placement.check import NOTES, CheckRules, SectionCheck
from geometry.slabs import SlabType
from geometry.survey.points import Ints

from .bounds import without_beyond
from .plain import plain_plan
from .plan_rules import PlanRules
from .problem import StepProblem, broken_rules, sigma_after, step_problem
from .rail_rules import CarriedRail
from .rule_table import RuleTable
from .rules import MortarRules, section_rules
from .section_plan import (
    DONE,
    DOUBTFUL,
    FIXED,
    FREE,
    HELD,
    OUTSIDE,
    UNKNOWN,
    Contradiction,
    PlainPlan,
    Proof,
    SectionPlan,
)
from .solve import quiet
from .turns import Drives, drives, turned
from .windows import Planned, plan_windows

__all__ = ["plan_section", "standing_of"]

Bools = npt.NDArray[np.bool_]
# a survey that contradicts itself tells no pose; three corners do, though nothing checks them
_DOUBT = sum(bit for bit, text in NOTES.items() if text in (
    "names contradict places", "a corner left out as wrong", "heights or marks contradict each other",
    "its set-up is in doubt"))  # fmt: skip


def standing_of(
    check: SectionCheck, fixed: Bools | None = None, done: Bools | None = None, chosen: Bools | None = None
) -> npt.NDArray[np.int8]:
    """Return whether each slab may be moved, or why not, shape (n,): index of `STANDING`.

    Parameters
    ----------
    check : SectionCheck
        Of n slabs.
    fixed : ndarray of bool, shape (n,), optional
        Slabs that the user wants to stay: they are as measured.
    done : ndarray of bool, shape (n,), optional
        Slabs that were turned since they were measured: nobody knows where they are now.
    chosen : ndarray of bool, shape (n,), optional
        Slabs to plan for; the others are as measured and stay. All if not given.
    """
    standing = np.full(len(check.verdict), FREE, dtype=np.int8)
    if fixed is not None:
        standing[fixed] = FIXED
    standing[check.held] = HELD
    if chosen is not None:
        standing[~chosen] = OUTSIDE
    if done is not None:
        standing[done] = DONE
    standing[(check.notes & _DOUBT) > 0] = DOUBTFUL
    standing[~check.fits.determined] = UNKNOWN
    return standing


def plan_section(
    check: SectionCheck, types: Sequence[SlabType], type_index: Ints, check_rules: CheckRules, rules: PlanRules,
    standing: npt.NDArray[np.int8], rail: CarriedRail | None = None, mortar: MortarRules | None = None,
    chosen: Bools | None = None,
) -> SectionPlan:  # fmt: skip
    """Return the plan with the fewest slabs touched, and of those plans the one with the least travel of screws.

    Among plans of equal travel the one that brings the marks nearest to their targets is taken.

    Parameters
    ----------
    check : SectionCheck
        Of n slabs.
    types : sequence of SlabType
    type_index : ndarray of int, shape (n,)
    check_rules : CheckRules
        Tolerances and guard factor.
    rules : PlanRules
    standing : ndarray of int8, shape (n,)
        Whether each slab may be moved; see `standing_of`.
    rail : CarriedRail, optional
        Without it chords of the rail are not considered.
    mortar : MortarRules, optional
        Without it the mortar gap is not considered.
    chosen : ndarray of bool, shape (n,), optional
        Only rules that one of these slabs has a share in count; all if not given.

    Raises
    ------
    InputError
        If screws of a type do not span a plane, or its adjusters stand at one place along.
    """
    start = time.monotonic()
    guard = check_rules.guard
    drive = drives(types, rules.step_turns, rules.turning_sigma, rules.step)
    free = standing == FREE
    known = ~np.isin(standing, (UNKNOWN, DOUBTFUL, DONE))
    table, left_out = section_rules(
        check, types, type_index, check_rules.tolerances, check_rules.rail_apart, known, rail, mortar
    )
    if chosen is not None:
        table, left_out = (t.picked(_concerned(t, chosen)) for t in (table, left_out))
    problem = without_beyond(table, step_problem(table, drive, type_index, free, guard))
    plain = plain_plan(table, problem, drive, type_index, check.pose, guard)
    beyond, uncertain = problem.beyond, problem.uncertain
    with quiet():
        planned = plan_windows(table, problem, rules.time_limit - (time.monotonic() - start))
    return _result(check, table, left_out, problem, planned, drive, type_index, standing, guard, plain,
                   (beyond, uncertain), time.monotonic() - start, rail is not None, mortar is not None)  # fmt: skip


def _concerned(table: RuleTable, inside: Bools) -> Bools:
    return np.asarray((abs(table.rows) @ np.repeat(inside, 6).astype(np.float64)) > 0)


def _standing_in(table: RuleTable, rules: Ints, free: Bools) -> Ints:
    slabs = np.unique(table.rows[rules].indices // 6)
    return np.asarray(slabs[~free[slabs]])


def _result(
    check: SectionCheck, table: RuleTable, left_out: RuleTable, problem: StepProblem, planned: Planned, drive: Drives,
    type_index: Ints, standing: npt.NDArray[np.int8], guard: float, plain: PlainPlan, told: tuple[Bools, Bools],
    seconds: float, rail: bool, mortar: bool,
) -> SectionPlan:  # fmt: skip
    beyond, uncertain = told
    steps = planned.steps
    touched = np.asarray((steps != 0).any(axis=1))
    move = np.einsum("npa,na->np", drive.pose[type_index], steps) + 0.0
    screws = turned(drive, type_index, steps)
    value: Floats = table.value + np.asarray(table.rows @ move.ravel())
    sigma = sigma_after(table, drive, type_index, touched)
    turning = np.einsum("nii->ni", drive.covariance[type_index]) * touched[:, None]
    unknown = np.where(standing == DONE, np.nan, 0.0)[:, None]
    travel = problem.travel_of(steps) / 1e3
    count = int(touched.sum())
    proven = planned.count_bound >= count and not planned.out_of_time
    proof = Proof(
        count=count, count_bound=min(planned.count_bound, count), travel=travel,
        travel_bound=min(planned.travel_bound / 1e3, travel) if proven else float("nan"),
        windows=planned.windows, longest=planned.longest, out_of_time=planned.out_of_time, seconds=seconds,
    )  # fmt: skip
    return SectionPlan(
        standing=standing,
        touched=touched,
        move=move,
        pose_after=check.pose + move + unknown,
        pose_after_sigma=np.sqrt(check.pose_sigma**2 + turning) + unknown,
        steps=screws.steps,
        push_steps=screws.push_steps,
        lift=screws.lift,
        turns=screws.turns,
        push=screws.push,
        push_turns=screws.push_turns,
        plane_error=screws.plane_error,
        rules=table,
        left_out=left_out,
        value_after=value,
        sigma_after=sigma,
        broken_before=broken_rules(table, table.value, table.sigma, guard, uncertain),
        broken_after=broken_rules(table, value, sigma, guard, uncertain),
        uncertain=uncertain,
        beyond_screws=beyond,
        contradictions=tuple(
            Contradiction(rules, _standing_in(table, rules, problem.free), by_steps)
            for rules, by_steps in planned.contradictions
        ),
        proof=proof,
        plain=plain,
        mortar_considered=mortar,
        rail_considered=rail,
    )
