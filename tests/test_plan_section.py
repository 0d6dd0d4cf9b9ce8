"""Plans carried out in simulation, mirrored and turned sections, the order of work, and what comes after a move."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated_section import LIMITS, MM, RULES, Section, checked, oblong_type, section, uneven_type

from geometry.placement import VERDICTS, SectionCheck
from geometry.placement.plan.order import WorkList, work_list
from geometry.placement.plan.plan_rules import PlanRules
from geometry.placement.plan.planning import plan_section, standing_of
from geometry.placement.plan.problem import broken_rules, sigma_after
from geometry.placement.plan.rail_rules import CarriedRail
from geometry.placement.plan.rule_table import KINDS
from geometry.placement.plan.section_plan import SectionPlan
from geometry.placement.plan.turns import drives
from geometry.placement.rail.chords import Chord
from geometry.placement.rail.forecast import RailLimit
from geometry.placement.rail.seats import rail_seats
from geometry.survey import movement_rows

PLAN = PlanRules(1 / 16, None, 0.15 * MM, 120.0)
ROUGH = np.array([0.8, 1.0, 0.4, 0.1, 0.15, 0.2]) * MM


def planned(where: Section, check: SectionCheck, rules: PlanRules = PLAN, **more: object) -> SectionPlan:
    standing = more.pop("standing", standing_of(check))
    return plan_section(check, where.types, where.kinds, RULES, rules, standing, **more)  # type: ignore[arg-type]


def turned_slabs(where: Section, plan: SectionPlan, rng: np.random.Generator, sigma: float) -> np.ndarray:
    """Return how slabs move when a crew turns every screw and adjuster, each with its own error; by least squares."""
    move = np.zeros((where.size, 6))
    for slab in np.flatnonzero(plan.touched):
        kind = where.types[where.kinds[slab]]
        rows = np.concatenate([movement_rows(kind.screws.places)[:, 2], movement_rows(kind.adjusters.places)[:, 0]])
        asked = np.concatenate([plan.lift[slab], plan.push[slab]])
        came = asked + rng.normal(size=len(asked)) * sigma
        free = [0, 2, 3, 4, 5]
        move[slab, free] = np.linalg.lstsq(rows[:, free], came, rcond=None)[0]
    return move


def outside(check: SectionCheck, slack: float = 0.0) -> int:
    """Return how many values of a check lie outside their plain limits by more than `slack`, m."""
    j = check.joints
    wedge = j.gap[:, 0] - j.gap[:, 1] - (j.target_gap[:, 0] - j.target_gap[:, 1])
    values = {
        "across": check.deviation[..., 0], "along": check.deviation[..., 1], "up": check.deviation[..., 2],
        "step_level": j.step_level, "step_line": j.step_line, "gap": j.gap, "gap_difference": wedge,
    }  # fmt: skip
    return sum(
        int((~((values[t.quantity] >= t.low - slack) & (values[t.quantity] <= t.high + slack))).sum()) for t in LIMITS
    )


@pytest.mark.parametrize(("guard", "part"), [(2.0, 0.0025), (3.5, 0.0)])
def test_carried_out_and_surveyed_again_every_limit_is_met(guard: float, part: float) -> None:
    """True poses, a noisy survey, a plan, a crew that turns inexactly, and the truth afterwards: in 20 sections.

    With a guard factor of 2 a value that stands right at the edge of its guard band is beyond the limit in 2.3 percent
    of all cases (normal distribution), and few values stand there; with 3.5 in 0.02 percent.
    """
    where, rules = section(12), replace(RULES, guard=guard)
    before = after = beyond = again = values = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        truth = rng.normal(size=(where.size, 6)) * ROUGH
        check = checked(where, truth, noise=seed, rules=rules)
        plan = plan_section(check, where.types, where.kinds, rules, PLAN, standing_of(check))
        assert not plan.broken_after.any()
        moved = truth + turned_slabs(where, plan, rng, PLAN.turning_sigma)
        before, after = before + outside(checked(where, truth)), after + outside(checked(where, moved))
        beyond += outside(checked(where, moved), 0.2 * MM)
        second = checked(where, moved, noise=1000 + seed)
        again += outside(second, 0.4 * MM)
        values += where.size * 12 + 11 * 7
        # surveyed again it may be undecided, but nothing is out
        assert VERDICTS.index("out") not in [*second.verdict.tolist(), *second.joint_verdict.tolist()]
    assert before > 50
    assert after <= part * values
    assert beyond == again == 0


def test_the_truth_stays_within_the_uncertainty_told() -> None:
    where = section(12)
    off = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        truth = rng.normal(size=(where.size, 6)) * ROUGH
        plan = planned(where, checked(where, truth, noise=seed))
        moved = truth + turned_slabs(where, plan, rng, PLAN.turning_sigma)
        off.append(((plan.pose_after - moved) / plan.pose_after_sigma)[plan.touched])
    values = np.concatenate(off)
    assert len(values) > 60
    free = values[:, [0, 2, 3, 4, 5]]
    assert abs(np.sqrt(np.mean(free**2)) - 1) < 4 / np.sqrt(2 * free.size)


def mirrored(pose: np.ndarray) -> np.ndarray:
    """Return poses as a mirror along the line shows them: across, roll and yaw change sign."""
    return pose * np.array([-1, 1, 1, 1, -1, -1])


def assert_mirrored(plan: SectionPlan, other: SectionPlan) -> None:
    assert (plan.touched == other.touched).all()
    assert plan.touched.sum() > 1
    assert np.abs(mirrored(plan.move) - other.move).max() < 1e-9
    swapped = [1, 0, 3, 2]
    assert np.allclose(plan.lift[:, :4], other.lift[:, swapped], rtol=0, atol=1e-9)
    assert np.allclose(plan.push, -other.push, rtol=0, atol=1e-9)


@pytest.mark.parametrize("kind", [oblong_type, uneven_type])
@pytest.mark.parametrize("seed", [3, 4])
def test_a_mirrored_section_gets_the_mirrored_plan(kind: object, seed: int) -> None:
    pose = np.random.default_rng(seed).normal(size=(9, 6)) * ROUGH * 1.3
    here = section(9, kind(1.0))  # type: ignore[operator]
    there = section(9, kind(-1.0), hand=-1.0)  # type: ignore[operator]
    assert_mirrored(planned(here, checked(here, pose)), planned(there, checked(there, mirrored(pose))))


@pytest.mark.parametrize("place", [{"bearing": 4.3}, {"origin": (3_500_000.0, 5_800_000.0), "level": 612.0}])
def test_a_section_elsewhere_gets_the_same_plan(place: dict[str, object]) -> None:
    pose = np.random.default_rng(5).normal(size=(9, 6)) * ROUGH * 1.3
    here, there = section(9), section(9, **place)  # type: ignore[arg-type]
    plan, other = planned(here, checked(here, pose)), planned(there, checked(there, pose))
    assert (plan.steps == other.steps).all()
    assert (plan.push_steps == other.push_steps).all()
    assert plan.touched.sum() > 1


def test_chords_of_the_rail_are_kept_too() -> None:
    where = section(9)
    pose = np.zeros((9, 6))
    pose[4, 2] = 0.7 * MM  # every slab and joint is within
    check = checked(where, pose)
    without = planned(where, check)
    assert not without.touched.any()
    seats = rail_seats(where.alignment, where.targets, where.types, where.layout)
    nothing = np.zeros((len(seats.slab), 2, 2))
    narrow = RailLimit("level", -0.6 * MM, 0.6 * MM, "test", Chord(5.0, 5.0))
    plan = planned(where, check, rail=CarriedRail(seats, nothing, nothing, (narrow,)))
    rail = plan.rules.kind == KINDS.index("rail_level")
    assert (plan.broken_before & rail).any()
    assert not plan.broken_after.any()
    assert plan.touched.any()
    assert plan.rail_considered
    assert plan.proof.gap == 0


def test_a_long_chord_is_looked_at_although_its_slabs_are_apart() -> None:
    where = section(14)
    seats = rail_seats(where.alignment, where.targets, where.types, where.layout)
    nothing = np.zeros((len(seats.slab), 2, 2))
    pose = np.zeros((14, 6))
    pose[6, 0] = 1.2 * MM
    check = checked(where, pose)
    long = RailLimit("line", -1.4 * MM, 1.4 * MM, "test", Chord(30.0, 30.0))
    plan = planned(where, check, rail=CarriedRail(seats, nothing, nothing, (long,)))
    assert not planned(where, check).touched.any()
    assert not plan.broken_after.any()
    assert plan.touched.tolist() == [i == 6 for i in range(14)]


def test_rules_that_only_the_plan_would_break_are_kept() -> None:
    """A chord that is kept now, and that the cheapest mending of the rest would break: looked at when it happens."""
    where = section(7)
    seats = rail_seats(where.alignment, where.targets, where.types, where.layout)
    nothing = np.zeros((len(seats.slab), 2, 2))
    pose = np.random.default_rng(50).normal(size=(7, 6)) * ROUGH * 0.8
    pose[3, 2] += 1.2 * MM
    check = checked(where, pose)
    free = planned(where, check)
    limit = RailLimit("line", -1.5 * MM, 1.5 * MM, "test", Chord(12.0, 12.0, 5.0))
    plan = planned(where, check, rail=CarriedRail(seats, nothing, nothing, (limit,)))
    rail = plan.rules.kind == KINDS.index("rail_line")
    assert not (plan.broken_before & rail).any()
    sigma = sigma_after(plan.rules, drives(where.types, 1 / 16, 0.15 * MM), where.kinds, free.touched)
    value = plan.rules.value + plan.rules.rows @ free.move.ravel()
    assert (broken_rules(plan.rules, value, sigma, 2.0, plan.uncertain) & rail).any()
    assert not plan.broken_after.any()
    assert np.abs(plan.move - free.move).max() > 0
    assert plan.proof.gap == 0
    assert (plan.proof.count, plan.proof.travel) >= (free.proof.count, free.proof.travel - 1e-9)


def work_of(where: Section, check: SectionCheck, plan: SectionPlan) -> WorkList:
    drive = drives(where.types, PLAN.step_turns, PLAN.turning_sigma)
    return work_list(check, plan, where.types, where.kinds, RULES.rail_apart, drive)


def test_the_work_list_tells_each_joint_as_it_is_found_and_left() -> None:
    """Against checks of the section with the first slabs moved and the others not yet."""
    where = section(9)
    pose = np.random.default_rng(3).normal(size=(9, 6)) * ROUGH * 1.4
    check = checked(where, pose)
    plan = planned(where, check)
    work = work_of(where, check, plan)
    assert len(work.slab) >= 3
    assert (np.diff(work.slab) > 0).all()
    assert (np.diff(work.slab) == 1).any()  # neighbours: the second one finds the joint as the first left it
    now = pose.copy()
    for i, slab in enumerate(work.slab):
        for values in (work.before, work.after):
            if values is work.after:
                now[slab] += plan.move[slab]
            joints = checked(where, now).joints
            for end, joint in enumerate(work.joint[i]):
                if joint < 0:
                    assert slab in (0, 8)
                    assert np.isnan(values[i, end]).all()
                    continue
                assert {int(joints.rear[joint]), int(joints.front[joint])} == {slab, slab - 1 if end == 0 else slab + 1}
                found = np.stack([joints.step_level[joint], joints.step_line[joint]], axis=1)
                assert np.abs(values[i, end] - found).max() < 5e-6
    end = checked(where, now)
    for i, slab in enumerate(work.slab):
        for axis, value in ((0, work.across[i]), (2, work.up[i])):
            assert abs(value) == pytest.approx(np.abs(end.deviation[slab, :, axis]).max(), abs=5e-6)
    assert (work.up_sigma > check.deviation_sigma[work.slab, :, 2].min(axis=1)).all()


def test_after_a_slab_is_measured_again_the_rest_of_the_list_remains() -> None:
    where = section(12)
    pose = np.random.default_rng(7).normal(size=(12, 6)) * ROUGH * 1.4
    check = checked(where, pose)
    plan = planned(where, check)
    first, *rest = np.flatnonzero(plan.touched).tolist()
    assert len(rest) >= 2
    pose[first] += plan.move[first]
    again = planned(where, checked(where, pose))
    assert np.flatnonzero(again.touched).tolist() == rest
    assert (again.steps[rest] == plan.steps[rest]).all()


def test_a_slab_that_came_out_otherwise_is_planned_again() -> None:
    where = section(12)
    pose = np.random.default_rng(7).normal(size=(12, 6)) * ROUGH * 1.4
    plan = planned(where, checked(where, pose))
    first = int(np.flatnonzero(plan.touched)[0])
    pose[first] += plan.move[first]
    pose[first, 2] += 1.5 * MM  # turned the wrong way
    again = planned(where, checked(where, pose))
    assert again.touched[first]
    assert not again.broken_after.any()


def test_turned_but_not_measured_is_neither_moved_nor_trusted() -> None:
    where = section(9)
    pose = np.random.default_rng(3).normal(size=(9, 6)) * ROUGH * 1.4
    check = checked(where, pose)
    plan = planned(where, check)
    done = np.arange(9) == np.flatnonzero(plan.touched)[0]
    then = planned(where, check, standing=standing_of(check, done=done))
    assert not then.touched[done].any()
    assert np.isnan(then.pose_after[done]).all()
    touches = np.abs(then.rules.rows[:, np.repeat(done, 6)]).sum(axis=1)
    assert not (touches > 0).any()
    assert len(then.left_out) > 0
    beside = work_of(where, check, then)
    joints = check.joints
    unknown = np.flatnonzero(done[joints.rear] | done[joints.front])
    told = np.isin(beside.joint, unknown)
    assert np.isnan(beside.before[told]).all()


def test_only_the_range_asked_for_is_planned() -> None:
    where = section(12)
    pose = np.random.default_rng(7).normal(size=(12, 6)) * ROUGH * 1.4
    check = checked(where, pose)
    chosen = np.arange(12) < 6
    plan = planned(where, check, standing=standing_of(check, chosen=chosen), chosen=chosen)
    assert plan.touched[:6].any()
    assert not plan.touched[6:].any()
    assert plan.rules.rear.max() <= 5  # and the joint to the next slab is one of them
    assert (plan.rules.front == 6).any()


def test_the_plain_plan_brings_slabs_to_their_targets() -> None:
    where = section(9)
    pose = np.zeros((9, 6))
    pose[4] = np.array([3.1, 0.5, 2.2, 0.3, -0.4, 0.5]) * MM
    check = checked(where, pose)
    plan = planned(where, check)
    plain = plan.plain
    assert plain.touched.tolist() == [i == 4 for i in range(9)]
    left = (pose + plain.move)[4]
    assert abs(left[2]) < 0.13 * MM  # half a step of three screws of 0.25 mm
    assert left[1] == pytest.approx(0.5 * MM)
    assert not plain.broken.any()
    assert plan.proof.travel < plain.travel
    two = np.zeros((9, 6))
    two[3, 2], two[4, 2] = -0.7 * MM, 0.7 * MM  # each within, their joint not
    both = planned(where, checked(where, two))
    assert both.plain.touched.tolist() == [i in (3, 4) for i in range(9)]
    assert both.proof.count == 1
