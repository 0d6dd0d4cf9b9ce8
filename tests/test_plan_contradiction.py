"""Rules that contradict each other: found, irreducible, told in words; the rest is planned all the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated_section import LIMITS, MM, RULES, Section, checked, oblong_type, section

from geometry.placement import SectionCheck, Tolerance
from geometry.placement.mortar.gap import GapPlaces
from geometry.placement.plan.bounds import without_beyond
from geometry.placement.plan.contradiction import contradicting
from geometry.placement.plan.plan_rules import PlanRules
from geometry.placement.plan.planning import plan_section, standing_of
from geometry.placement.plan.problem import step_problem
from geometry.placement.plan.rule_table import KINDS
from geometry.placement.plan.rules import MortarRules, section_rules
from geometry.placement.plan.section_plan import SectionPlan
from geometry.placement.plan.solve import feasible, quiet
from geometry.placement.plan.turns import drives
from geometry.placement.plan.window_rows import Window
from geometry.slabs import Fitting

PLAN = PlanRules(1 / 16, None, 0.15 * MM, 120.0)
NEVER = float("inf")


def planned(where: Section, check: SectionCheck, rules: PlanRules = PLAN, **more: object) -> SectionPlan:
    check_rules = more.pop("check_rules", RULES)
    standing = more.pop("standing", standing_of(check))
    return plan_section(check, where.types, where.kinds, check_rules, rules, standing, **more)  # type: ignore[arg-type]


def held_high(count: int = 6, at: int = 4, up: float = 2.4) -> tuple[Section, SectionCheck]:
    """Return a section in which mortar holds a slab so high that its neighbours cannot come near enough."""
    where = section(count)
    pose = np.zeros((count, 6))
    pose[at, 2] = up * MM
    pose[0, 2] = 1.6 * MM  # another one that is simply high
    held = np.arange(count) == at
    return where, checked(where, pose, held=held)


def test_a_slab_held_too_high_contradicts_the_tolerances_beside_it() -> None:
    where, check = held_high()
    plan = planned(where, check)
    assert plan.contradictions
    for one in plan.contradictions:
        kinds = {KINDS[k] for k in plan.rules.kind[one.rules]}
        assert "step_level" in kinds
        assert one.standing.tolist() == [4]
        assert not one.by_steps
    # both joints are named, each with the slab beside it
    joints = [set(plan.rules.rear[one.rules]) | set(plan.rules.front[one.rules]) for one in plan.contradictions]
    assert {3, 4} in joints
    assert {4, 5} in joints
    # the rest is planned: the high slab at the other end comes down, nothing is moved for the held one
    assert plan.touched.tolist() == [True, False, False, False, False, False]
    named = np.unique(np.concatenate([one.rules for one in plan.contradictions]))
    left = np.flatnonzero(plan.broken_after & ~plan.beyond_screws)
    assert set(left) <= set(named)
    assert plan.proof.gap == 0
    assert not plan.feasible
    # the held slab's own tolerance is nothing that a screw could mend
    beyond = plan.rules.picked(plan.beyond_screws)
    assert set(beyond.rear) == {4}
    assert {KINDS[k] for k in beyond.kind} == {"up"}


def test_without_any_one_of_them_the_others_can_be_kept() -> None:
    """Irreducible, by leaving out each rule in turn, and contradictory, by asking the solver without its presolve."""
    where, check = held_high()
    plan = planned(where, check)
    table, _ = section_rules(check, where.types, where.kinds, LIMITS, RULES.rail_apart, np.ones(6, dtype=bool))
    drive = drives(where.types, PLAN.step_turns, PLAN.turning_sigma)
    problem = without_beyond(table, step_problem(table, drive, where.kinds, ~check.held, RULES.guard))
    slabs = np.flatnonzero(~check.held)

    def can_be_kept(rules: np.ndarray) -> bool:
        window = Window(
            slabs, rules, problem.low[rules], problem.high[rules], problem.least[slabs], problem.most[slabs]
        )
        with quiet():
            return feasible(problem, window, False, NEVER)

    for one in plan.contradictions:
        assert len(one.rules) >= 2
        assert not can_be_kept(one.rules)
        for left_out in one.rules:
            assert can_be_kept(one.rules[one.rules != left_out])


def test_steps_that_are_too_coarse_are_told_as_the_cause() -> None:
    """Up within 0.2 mm cannot be met in steps of 1 mm from 0.5 mm off, but with finer ones it can."""
    where = section(1)
    pose = np.zeros((1, 6))
    pose[0, 2] = 0.5 * MM
    narrow = (Tolerance("up", -0.3 * MM, 0.3 * MM, "test"), LIMITS[0], LIMITS[1])
    rules = replace(RULES, tolerances=narrow)
    check = checked(where, pose, sigma=np.array([0.01, 0.01, 0.01]) * MM, rules=rules)
    coarse = planned(where, check, replace(PLAN, step=1 * MM, turning_sigma=0.0), check_rules=rules)
    assert [one.by_steps for one in coarse.contradictions] == [True]
    assert not coarse.touched.any()
    fine = planned(where, check, replace(PLAN, turning_sigma=0.0), check_rules=rules)
    assert not fine.contradictions
    assert fine.touched.all()


def test_a_bed_that_is_too_high_contradicts_the_height_of_its_slab() -> None:
    where = section(3)
    check = checked(where, np.zeros((3, 6)))
    places = GapPlaces(
        np.array([1]), np.array([[0.9, 2.0]]), np.array([0.0375]), np.full(1, 0.1 * MM), np.full(1, 0.1 * MM)
    )
    plan = planned(where, check, mortar=MortarRules(places, 0.04, 0.075))
    (one,) = plan.contradictions
    kinds = sorted(KINDS[k] for k in plan.rules.kind[one.rules])
    assert kinds[0] == "mortar_gap"
    assert set(kinds[1:]) == {"up"}
    assert not plan.touched.any()
    assert plan.mortar_considered
    near = replace(places, gap=np.array([0.0400]))  # within, but not by its guard band
    plan = planned(where, check, mortar=MortarRules(near, 0.04, 0.075))
    assert not plan.contradictions
    assert plan.touched.tolist() == [False, True, False]
    assert plan.value_after[plan.rules.kind == KINDS.index("mortar_gap")][0] >= 0.0402


def test_fixed_by_the_user_counts_like_held() -> None:
    where = section(5)
    pose = np.zeros((5, 6))
    pose[2, 2] = 1.7 * MM
    check = checked(where, pose)
    free = planned(where, check)
    assert free.touched.tolist() == [False, False, True, False, False]
    fixed = planned(where, check, standing=standing_of(check, fixed=np.arange(5) == 2))
    assert not fixed.touched[2]
    assert fixed.beyond_screws.any()


def test_a_contradiction_in_a_long_window_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    from geometry.placement.plan import windows

    where, check = held_high(12, 6)
    monkeypatch.setattr(windows, "_LONG", 1)
    plan = planned(where, check)
    assert plan.contradictions
    assert all(one.standing.tolist() == [6] for one in plan.contradictions)
    assert plan.touched[0]


def test_no_time_no_set() -> None:
    where, check = held_high()
    table, _ = section_rules(check, where.types, where.kinds, LIMITS, RULES.rail_apart, np.ones(6, dtype=bool))
    drive = drives(where.types, PLAN.step_turns, PLAN.turning_sigma)
    problem = without_beyond(table, step_problem(table, drive, where.kinds, ~check.held, RULES.guard))
    rules = np.flatnonzero(np.diff(problem.rows.indptr) > 0)
    slabs = np.flatnonzero(~check.held)
    window = Window(slabs, rules, problem.low[rules], problem.high[rules], problem.least[slabs], problem.most[slabs])
    with quiet():
        assert not contradicting(table, problem, window, False, -NEVER).size


def with_travel(travel: float) -> Section:
    usual = oblong_type()
    screws = Fitting(usual.screws.names, usual.screws.places, usual.screws.pitch, travel)
    return section(1, replace(usual, screws=screws))


def test_a_screw_that_follows_has_its_travel_too() -> None:
    """Three screws lead and would be within their travel; the fourth follows the plane and would not."""
    where = with_travel(2 * MM)
    pose = np.zeros((1, 6))
    # 0 at the rear left screw, 1.6 mm too low at both screws beside it, so 3.2 mm at the front right one
    pose[0, 2], pose[0, 3], pose[0, 4] = -1.6 * MM, -1.6 / 3.4 * MM, 1.6 / 2.2 * MM
    plan = planned(where, checked(where, pose))
    assert np.abs(plan.lift).max() <= 2 * MM + 1e-9
    assert plan.contradictions
    told = {KINDS[k] for one in plan.contradictions for k in plan.rules.kind[one.rules]}
    assert told == {"up"}
    enough = with_travel(3.5 * MM)
    plan = planned(enough, checked(enough, pose))
    assert not plan.contradictions
    assert not plan.broken_after.any()
    assert plan.lift[0, 3] > 2 * MM


def test_a_gap_that_only_the_plan_would_break_is_kept() -> None:
    """Looked at only once a plan breaks it, and then within the window that it belongs to."""
    where = section(5)
    pose = np.zeros((5, 6))
    pose[2, 2] = 2 * MM
    check = checked(where, pose)
    free = planned(where, check)
    lowered = -free.lift[2].min()
    places = GapPlaces(
        np.array([2]), np.array([[1.0, 2.3]]), np.array([0.04025 + lowered]), *[np.full(1, 0.05 * MM)] * 2
    )
    plan = planned(where, check, mortar=MortarRules(places, 0.04, 0.075))
    gap = plan.rules.kind == KINDS.index("mortar_gap")
    assert not (plan.broken_before & gap).any()
    assert not plan.contradictions
    assert not plan.broken_after.any()
    assert plan.value_after[gap][0] > 0.04025 + 1e-6
    assert np.abs(plan.move - free.move).max() > 0


def test_a_rule_that_turning_makes_too_uncertain_is_held_to_its_plain_limits() -> None:
    """Its guard band fits before a move and no longer after one; else nothing beside it could be moved at all."""
    where = section(3)
    check = checked(where, np.zeros((3, 6)))
    table, _ = section_rules(check, where.types, where.kinds, LIMITS, RULES.rail_apart, np.ones(3, dtype=bool))
    level = table.kind == KINDS.index("step_level")
    for turning, expected in ((0.15 * MM, False), (0.6 * MM, True)):
        drive = drives(where.types, PLAN.step_turns, turning)
        problem = step_problem(table, drive, where.kinds, np.ones(3, dtype=bool), RULES.guard)
        assert (problem.uncertain[level] == expected).all()
        fixed = step_problem(table, drive, where.kinds, np.zeros(3, dtype=bool), RULES.guard)
        assert not fixed.uncertain[level].any()
