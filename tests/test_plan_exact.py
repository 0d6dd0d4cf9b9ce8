"""The plan is the best one there is: against trying every combination, and against other ways to cut a section."""

from __future__ import annotations

import io
import os
import sys
from contextlib import redirect_stdout
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from simulated_section import LIMITS, MM, RULES, Section, checked, oblong_type, section, uneven_type

from geometry.placement import SectionCheck, Tolerance
from geometry.placement.plan import long_window, windows
from geometry.placement.plan.bounds import step_bounds, without_beyond
from geometry.placement.plan.plan_rules import PlanRules
from geometry.placement.plan.planning import plan_section, standing_of
from geometry.placement.plan.problem import StepProblem, broken_rules, step_problem
from geometry.placement.plan.rule_table import KINDS, RuleTable
from geometry.placement.plan.rules import section_rules
from geometry.placement.plan.section_plan import SectionPlan
from geometry.placement.plan.solve import EXACT, quiet, solve_window
from geometry.placement.plan.turns import LEADING, drives
from geometry.placement.plan.window_rows import Window

PLAN = PlanRules(1 / 16, None, 0.15 * MM, 120.0)
# levels only, in coarse steps: few enough combinations to try them all
LEVELS = tuple(t for t in LIMITS if t.quantity in ("up", "step_level"))
LINE = tuple(t for t in LIMITS if t.quantity in ("across", "step_line"))
COARSE = PlanRules(1 / 16, 0.5 * MM, 0.1 * MM, 120.0)


def planned(where: Section, check: SectionCheck, rules: PlanRules = PLAN, **more: object) -> SectionPlan:
    check_rules = more.pop("check_rules", RULES)
    standing = more.pop("standing", standing_of(check))
    return plan_section(check, where.types, where.kinds, check_rules, rules, standing, **more)  # type: ignore[arg-type]


def problem_of(
    where: Section, check: SectionCheck, tolerances: tuple[Tolerance, ...], rules: PlanRules
) -> tuple[RuleTable, StepProblem]:
    known = np.ones(where.size, dtype=bool)
    table, _ = section_rules(check, where.types, where.kinds, tolerances, RULES.rail_apart, known)
    drive = drives(where.types, rules.step_turns, rules.turning_sigma, rules.step)
    return table, without_beyond(table, step_problem(table, drive, where.kinds, known & ~check.held, RULES.guard))


def kept(problem: StepProblem, x: np.ndarray) -> np.ndarray:
    """Return whether every rule is kept by steps, shape (c, n, 5); written down anew."""
    flat = x.reshape(len(x), -1)
    change = flat @ problem.rows.T.toarray()
    narrow = (x != 0).any(axis=2) @ problem.narrower.T.toarray()
    return ((change - narrow >= problem.low - 1e-6) & (change + narrow <= problem.high + 1e-6)).all(axis=1)


def best_of_all(problem: StepProblem, most: int, leading: slice) -> tuple[int, float]:
    """Return the fewest slabs and the least travel of every combination of steps of some leading drives, in mm.

    Slabs are joined one after the other, and whatever a slab's own rules or its joints forbid is dropped at once.
    """
    n = problem.slabs
    width = len(range(LEADING)[leading])
    one = np.zeros(((2 * most + 1) ** width, LEADING))
    one[:, leading] = list(product(range(-most, most + 1), repeat=width))
    alone = np.zeros((1, n, LEADING))
    for slab in range(n):
        options = one if problem.free[slab] else one[(one == 0).all(axis=1)]
        more = np.repeat(alone, len(options), axis=0)
        more[:, slab] = np.tile(options, (len(alone), 1))
        # rules of this slab and those before it
        later = np.arange(n) > slab
        touches_later = np.asarray(abs(problem.rows) @ np.repeat(later, LEADING).astype(float)) > 0
        part = replace(
            problem,
            rows=problem.rows[~touches_later], narrower=problem.narrower[~touches_later],
            low=problem.low[~touches_later], high=problem.high[~touches_later],
        )  # fmt: skip
        alone = np.concatenate([chunk[kept(part, chunk)] for chunk in np.array_split(more, len(more) // 20_000 + 1)])
        if not len(alone):
            return -1, np.inf
    count = (alone != 0).any(axis=2).sum(axis=1)
    travel = np.array([problem.travel_of(x) for x in alone[count == count.min()]])
    return int(count.min()), float(travel.min())


def rough_levels(seed: int) -> SectionCheck:
    rng = np.random.default_rng(seed)
    pose = np.zeros((3, 6))
    pose[:, 2] = rng.uniform(-0.9, 0.9, 3) * MM
    pose[:, 3:5] = rng.normal(size=(3, 2)) * 0.15 * MM
    check = checked(section(3), pose)
    return replace(check, held=np.array([False, False, True])) if seed % 4 == 3 else check


def rough_line(seed: int) -> SectionCheck:
    rng = np.random.default_rng(seed)
    pose = np.zeros((4, 6))
    pose[:, 0] = rng.uniform(-2.4, 2.4, 4) * MM
    pose[:, 5] = rng.normal(size=4) * 0.3 * MM
    return checked(section(4), pose)


@pytest.mark.parametrize("seed", range(12))
def test_no_combination_of_screws_is_better(seed: int) -> None:
    """Three slabs, three leading screws in steps of half a millimetre: every combination within three steps."""
    check, where = rough_levels(seed), section(3)
    _, problem = problem_of(where, check, LEVELS, COARSE)
    count, travel = best_of_all(problem, 3, slice(0, 3))
    plan = planned(where, check, COARSE, check_rules=replace(RULES, tolerances=LEVELS))
    if count < 0:
        assert plan.contradictions
        return
    assert plan.proof.count == plan.proof.count_bound == count
    assert plan.proof.travel / MM == pytest.approx(travel, abs=1e-6)
    assert plan.proof.travel_bound == plan.proof.travel
    assert plan.proof.gap == 0
    assert not (plan.broken_after & ~plan.beyond_screws).any()
    # the ranges tried hold the answer with room
    assert np.abs(plan.steps).max() < 3


@pytest.mark.parametrize("seed", range(8))
def test_no_combination_of_adjusters_is_better(seed: int) -> None:
    """Four slabs, two adjusters in steps of half a millimetre: every combination within six steps."""
    check, where = rough_line(seed), section(4)
    _, problem = problem_of(where, check, LINE, COARSE)
    count, travel = best_of_all(problem, 6, slice(3, 5))
    plan = planned(where, check, COARSE, check_rules=replace(RULES, tolerances=LINE))
    assert plan.proof.count == plan.proof.count_bound == count
    assert plan.proof.travel / MM == pytest.approx(travel, abs=1e-6)
    assert np.abs(plan.push_steps).max() < 6
    assert not plan.steps.any()


def test_the_seeds_hold_sections_of_every_kind() -> None:
    """The two tests above would prove little if all their sections were alike."""
    levels, line = replace(RULES, tolerances=LEVELS), replace(RULES, tolerances=LINE)
    counts = {planned(section(3), rough_levels(seed), COARSE, check_rules=levels).proof.count for seed in range(12)}
    counts |= {planned(section(4), rough_line(seed), COARSE, check_rules=line).proof.count for seed in range(8)}
    assert counts == {1, 2, 3, 4}


def whole(where: Section, check: SectionCheck, rules: PlanRules = PLAN) -> tuple[int, float]:
    """Return count and travel, mm, of a section planned in one piece, without windows."""
    table, problem = problem_of(where, check, LIMITS, rules)
    least, most = step_bounds(table, problem)
    slabs = np.flatnonzero(problem.free)
    rules_there = np.flatnonzero(np.diff(problem.rows.indptr) > 0)
    window = Window(slabs, rules_there, problem.low[rules_there], problem.high[rules_there], least[slabs], most[slabs])
    with quiet():
        found = solve_window(problem, window, float("inf"), replace(EXACT, nodes=10**6))
    assert found.steps is not None
    return found.count, found.travel


@settings(max_examples=12, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.integers(0, 2**32 - 1), st.integers(3, 7), st.sampled_from([0.5, 0.9]),
    st.sampled_from([oblong_type, uneven_type]),
)  # fmt: skip
def test_windows_change_nothing(seed: int, count: int, rough: float, kind: object) -> None:
    """A section planned in windows that agree is as good as planned in one piece."""
    where = section(count, kind())  # type: ignore[operator]
    rng = np.random.default_rng(seed)
    pose = rng.normal(size=(count, 6)) * np.array([0.8, 1.0, 0.4, 0.1, 0.15, 0.2]) * MM * rough
    check = checked(where, pose)
    plan = planned(where, check)
    assert not plan.contradictions
    slabs, travel = whole(where, check)
    assert plan.proof.count == slabs
    assert plan.proof.travel / MM == pytest.approx(travel, abs=2e-3)
    assert plan.proof.gap == 0
    assert not plan.broken_after.any()


@pytest.mark.parametrize(("seed", "level"), [(3, 0.75), (5, 0.6), (8, 0.75)])
def test_a_long_window_is_bounded_from_both_sides(seed: int, level: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Planned in pieces of two slabs: what is told of it has to hold for the plan of the whole."""
    where = section(14)
    pose = np.random.default_rng(seed).normal(size=(14, 6)) * np.array([0.8, 1.0, level, 0.1, 0.15, 0.2]) * MM
    check = checked(where, pose)
    exact = planned(where, check)
    assert exact.proof.longest >= 5
    monkeypatch.setattr(windows, "_LONG", 3)
    monkeypatch.setattr(long_window, "_PIECE", 2)
    pieces = planned(where, check)
    assert pieces.proof.count_bound <= exact.proof.count <= pieces.proof.count
    assert not pieces.broken_after.any()
    if pieces.proof.count == exact.proof.count:
        assert np.nan_to_num(pieces.proof.travel_bound) <= exact.proof.travel + 1e-9
        assert exact.proof.travel <= pieces.proof.travel + 1e-9
    assert pieces.proof.gap > 0


def test_no_time_is_told_and_nothing_is_called_proven() -> None:
    where = section(30)
    pose = np.random.default_rng(3).normal(size=(30, 6)) * np.array([0.8, 1.0, 0.9, 0.2, 0.3, 0.4]) * MM
    plan = planned(where, checked(where, pose), replace(PLAN, time_limit=1e-3))
    assert plan.proof.out_of_time
    assert np.isnan(plan.proof.travel_bound) or plan.proof.count > plan.proof.count_bound
    assert plan.broken_after.any()


def test_a_quiet_section_needs_nothing() -> None:
    where = section(5)
    plan = planned(where, checked(where, np.zeros((5, 6))))
    assert plan.proof.count == plan.proof.windows == 0
    assert plan.proof.gap == 0
    assert not plan.touched.any()
    assert not plan.move.any()
    assert not plan.broken_before.any()
    assert plan.plain.touched.sum() == 0


def test_one_high_slab_is_lowered_by_as_little_as_its_rules_ask() -> None:
    """By hand: within needs 1 mm less 2 u; the slab of 2 mm goes down by whole steps of 0.25 mm until it is so."""
    where = section(5)
    pose = np.zeros((5, 6))
    pose[2, 2] = 2 * MM
    check = checked(where, pose)
    plan = planned(where, check)
    assert plan.touched.tolist() == [False, False, True, False, False]
    sigma = np.sqrt(
        check.joints.step_level_sigma[1, 0] ** 2 + (0.15 * MM) ** 2 * (1 / 4 + (2.6 / 3.4) ** 2 + (0.75 / 2.2) ** 2)
    )
    reach = 1 * MM - 2 * sigma  # of the steps at both joints, narrower than up
    steps = np.ceil((2 * MM - reach) / (0.25 * MM) - 1e-9)
    assert np.allclose(plan.lift[2] / MM, -0.25 * steps, rtol=0, atol=1e-9)
    assert plan.proof.travel == pytest.approx(4 * 0.25 * MM * steps, abs=1e-9)
    assert plan.pose_after[2, 2] == pytest.approx(2 * MM - steps * 0.25 * MM, abs=1e-6)


def test_along_is_left_alone_and_told() -> None:
    where = section(5)
    pose = np.zeros((5, 6))
    pose[2, 1] = 6.5 * MM
    check = checked(where, pose)
    plan = planned(where, check)
    assert not plan.touched.any()
    kinds = {KINDS[k] for k in plan.rules.kind[plan.beyond_screws]}
    assert kinds == {"along"}
    assert (plan.broken_after == plan.broken_before).all()
    assert (plan.rules.rear[plan.beyond_screws] == 2).all()
    assert not plan.contradictions


def test_along_that_a_turn_in_plan_mends_is_mended() -> None:
    where = section(5)
    pose = np.zeros((5, 6))
    # forward by 4.2 mm and turned so that the corners on one side are 4.2 + 1.05 x 0.7 mm ahead
    pose[2, 1], pose[2, 5] = 4.2 * MM, -0.7 * MM
    plan = planned(where, checked(where, pose))
    along = plan.rules.kind == KINDS.index("along")
    assert (plan.broken_before & along).any()
    assert not plan.broken_after.any()
    assert plan.touched.tolist() == [False, False, True, False, False]
    assert plan.move[2, 5] > 0


def test_rules_whose_guard_band_is_wider_than_they_are_held_to_plain_limits() -> None:
    where = section(4)
    pose = np.zeros((4, 6))
    pose[1, 2] = 1.4 * MM
    check = checked(where, pose, sigma=np.array([0.3, 0.3, 0.7]) * MM)
    plan = planned(where, check)
    steps = plan.rules.kind == KINDS.index("step_level")
    assert plan.uncertain[steps].all()
    assert plan.touched.tolist() == [False, True, False, False]
    after = np.abs(plan.value_after[plan.uncertain])
    assert (after <= 1 * MM + 1e-9).all()
    assert (after + 2 * plan.sigma_after[plan.uncertain] > 1 * MM).any()


def test_nothing_but_results_goes_to_standard_output() -> None:
    where = section(8)
    pose = np.random.default_rng(3).normal(size=(8, 6)) * np.array([0.8, 1.0, 0.6, 0.1, 0.2, 0.2]) * MM
    read, write = os.pipe()
    kept_out = os.dup(1)
    sys.stdout.flush()
    try:
        os.dup2(write, 1)
        with redirect_stdout(io.StringIO()):
            planned(where, checked(where, pose))
    finally:
        os.dup2(kept_out, 1)
        os.close(kept_out)
        os.close(write)
    with os.fdopen(read, "rb") as found:
        assert found.read() == b""


def test_standard_output_comes_back(capfd: pytest.CaptureFixture[str]) -> None:
    with quiet():
        os.write(1, b"printed by a solver")
    os.write(1, b"a result")
    assert capfd.readouterr().out == "a result"


def test_broken_rules_of_a_plan_are_those_of_the_decision_rule() -> None:
    where = section(6)
    check = checked(where, np.random.default_rng(8).normal(size=(6, 6)) * 0.6 * MM)
    plan = planned(where, check)
    table = plan.rules
    again = broken_rules(table, plan.value_after, plan.sigma_after, RULES.guard, plan.uncertain)
    assert (again == plan.broken_after).all()
    up = table.kind == KINDS.index("up")
    judged = check.by_tolerance["up"].verdict == 0
    broken = np.bincount(table.rear[up], plan.broken_before[up], where.size) > 0
    assert (broken == ~judged).all()
