"""Readiness: each reason alone by a planted cause, and never a ready slab of which anything is not known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geometry.placement import SectionCheck, Tolerance
from geometry.placement.readiness import (
    INJECTED,
    NOT_READY,
    READY,
    STATES,
    Looked,
    ReadyRules,
    flat_verdict,
    readiness,
    ready_runs,
    slab_verdicts,
)
from geometry.placement.ready_reasons import NEXT_STEPS, NOTHING, REASON_WORDS, Reason
from geometry.placement.verdict import NO_LIMIT, NOT_MEASURED, OUT, UNDECIDED, WITHIN
from tests.test_check import HERE, LIMITS, Surveyed, check, one, survey

MM = 1e-3
N = HERE.size
RULES = ReadyRules(oldest=24.0)
STRICT = ReadyRules(oldest=24.0, only_warn=NOTHING)
SLAB = 11  # not beside a structure joint
Verdicts = npt.NDArray[np.int8]


def verdicts(value: int = WITHIN) -> Verdicts:
    return np.full(N, value, dtype=np.int8)


def good() -> Looked:
    """Everything looked at, and everything good."""
    return Looked(
        age=np.full(N, 3.0), gap_whole=np.ones(N, dtype=bool), gap_small=verdicts(), gap_large=verdicts(),
        anchor=verdicts(), bed=verdicts(), rail=verdicts(), planned=np.zeros(N, dtype=bool),
        bowed=np.zeros(N, dtype=bool), flat=verdicts(),
    )  # fmt: skip


PERFECT = check(HERE, survey(HERE))


def reasons_of(answer: SectionCheck, looked: Looked | None = None, rules: ReadyRules = STRICT) -> dict[int, Reason]:
    """Return the reasons of every slab that has any."""
    found = readiness(answer, looked or good(), rules)
    assert ((found.reasons == 0) == (found.state == READY)).all() or (found.state == INJECTED).any()
    return {int(i): Reason(int(found.reasons[i])) for i in np.flatnonzero(found.reasons)}


def without(made: Surveyed, slab: int, marks: set[int]) -> Surveyed:
    """Return a survey that lacks marks of a slab."""
    return made.kept(~((made.slab == slab) & np.isin(made.mark, list(marks))))


# -- each reason alone ---------------------------------------------------------------------------------------


def test_a_section_in_which_everything_is_good_is_ready() -> None:
    found = readiness(PERFECT, good(), STRICT)
    assert (found.state == READY).all()
    assert found.ready.all()
    assert not (found.reasons | found.warnings | found.waived).any()


@pytest.mark.parametrize(("along", "reason"), [(7.0, Reason.POSE_OUT), (5.05, Reason.POSE_UNDECIDED)])
def test_a_pose(along: float, reason: Reason) -> None:
    # along the line the gaps still hold, so that the pose is all there is
    assert reasons_of(check(HERE, survey(HERE, one(HERE, SLAB, 0.0, along * MM)))) == {SLAB: reason}


@pytest.mark.parametrize(("up", "behind", "ahead"), [
    (0.75, Reason.REAR_OUT, Reason.FRONT_OUT), (0.5, Reason.REAR_UNDECIDED, Reason.FRONT_UNDECIDED),
])  # fmt: skip
def test_a_joint_between_two_good_slabs(up: float, behind: Reason, ahead: Reason) -> None:
    moved = one(HERE, SLAB, 0.0, 0.0, up * MM) + one(HERE, SLAB + 1, 0.0, 0.0, -up * MM)
    answer = check(HERE, survey(HERE, moved))
    # their other joints carry 0.75 mm and are undecided; only the one between them is asked for
    found = reasons_of(answer)
    assert found[SLAB] & ahead
    assert found[SLAB + 1] & behind
    if up == 0.5:
        assert found == {SLAB: ahead, SLAB + 1: behind}
    assert not found[SLAB] & (Reason.POSE_OUT | Reason.POSE_UNDECIDED)


def test_a_slab_that_nobody_measured_holds_up_its_neighbours() -> None:
    found = reasons_of(check(HERE, without(survey(HERE), SLAB, {0, 1, 2, 3})))
    assert found == {SLAB - 1: Reason.FRONT_UNKNOWN, SLAB: Reason.ABSENT, SLAB + 1: Reason.REAR_UNKNOWN}


def test_too_few_corners() -> None:
    found = reasons_of(check(HERE, without(survey(HERE), SLAB, {0, 1})))
    assert found == {SLAB - 1: Reason.FRONT_UNKNOWN, SLAB: Reason.TOO_FEW, SLAB + 1: Reason.REAR_UNKNOWN}


def test_three_corners_have_no_check() -> None:
    answer = check(HERE, without(survey(HERE), SLAB, {2}))
    assert answer.verdict[SLAB] == WITHIN  # good enough to turn screws by, not to inject
    assert reasons_of(answer) == {SLAB: Reason.NO_CHECK}


def test_a_survey_that_contradicts_itself() -> None:
    made = survey(HERE)
    mark = made.mark.copy()
    mark[(made.slab == SLAB) & (made.mark < 2)] = [1, 0]
    found = reasons_of(check(HERE, replace(made, mark=mark)))
    wanted = {SLAB - 1: Reason.FRONT_UNDECIDED, SLAB: Reason.CONTRADICTED, SLAB + 1: Reason.REAR_UNDECIDED}
    assert found == wanted


def test_a_wrong_height_is_a_contradiction() -> None:
    made = survey(HERE)
    xyz = made.xyz.copy()
    xyz[(made.slab == SLAB) & (made.mark == 3), 2] += 2 * MM
    assert Reason.CONTRADICTED in reasons_of(check(HERE, replace(made, xyz=xyz)))[SLAB]


def test_a_set_up_in_doubt() -> None:
    answer = replace(PERFECT, notes=np.where(np.arange(N) == SLAB, 128, 0), verdict=verdicts())
    # the check withholds the verdict as well; even if it did not, the slab would not be ready
    assert reasons_of(answer) == {SLAB: Reason.SETUP}


@pytest.mark.parametrize(("hours", "reason"), [
    (np.nan, Reason.AGE_UNKNOWN), (-0.5, Reason.AHEAD), (24.5, Reason.OLD), (np.inf, Reason.AGE_UNKNOWN | Reason.OLD),
])  # fmt: skip
def test_an_age(hours: float, reason: Reason) -> None:
    age = np.full(N, 24.0)
    age[SLAB] = hours
    assert reasons_of(PERFECT, replace(good(), age=age)) == {SLAB: reason}


@pytest.mark.parametrize(("name", "value", "reason"), [
    ("gap_small", OUT, Reason.GAP_SMALL),
    ("gap_small", UNDECIDED, Reason.GAP_UNDECIDED),
    ("gap_small", NOT_MEASURED, Reason.GAP_UNKNOWN),
    ("gap_large", OUT, Reason.GAP_LARGE),
    ("gap_large", UNDECIDED, Reason.GAP_UNDECIDED),
    ("gap_large", NOT_MEASURED, Reason.GAP_UNKNOWN),
    ("anchor", OUT, Reason.ANCHOR_OUT),
    ("anchor", UNDECIDED, Reason.ANCHOR_UNDECIDED),
    ("anchor", NOT_MEASURED, Reason.ANCHOR_UNKNOWN),
    ("bed", OUT, Reason.BED_OUT),
    ("bed", UNDECIDED, NOTHING),
    ("rail", OUT, Reason.RAIL_OUT),
    ("rail", UNDECIDED, Reason.RAIL_UNDECIDED),
    ("rail", NOT_MEASURED, NOTHING),
    ("flat", OUT, Reason.HEAT),
    ("flat", UNDECIDED, Reason.HEAT),
    ("flat", NOT_MEASURED, Reason.HEAT),
    ("anchor", NO_LIMIT, NOTHING),
])  # fmt: skip
def test_what_was_looked_at(name: str, value: int, reason: Reason) -> None:
    looked = good()
    verdict = verdicts()
    verdict[SLAB] = value
    wanted = {SLAB: reason} if reason else {}
    assert reasons_of(PERFECT, replace(looked, **{name: verdict})) == wanted


@pytest.mark.parametrize(("name", "value", "reason"), [
    ("gap_whole", False, Reason.GAP_UNKNOWN), ("planned", True, Reason.PLANNED_MOVE), ("bowed", True, Reason.BOWED),
])  # fmt: skip
def test_what_is_true_or_not(name: str, *, value: bool, reason: Reason) -> None:
    flags = np.full(N, not value)
    flags[SLAB] = value
    assert reasons_of(PERFECT, replace(good(), **{name: flags})) == {SLAB: reason}


def test_what_nobody_looked_at_is_a_reason_not_silence() -> None:
    nothing = Looked(age=np.full(N, 3.0))
    found = readiness(PERFECT, nothing, RULES)
    assert (found.state == NOT_READY).all()
    assert (found.reasons == int(Reason.GAP_UNKNOWN | Reason.ANCHOR_UNKNOWN)).all()
    for name in ("gap_whole", "gap_small", "gap_large"):
        assert (readiness(PERFECT, replace(good(), **{name: None}), RULES).reasons == int(Reason.GAP_UNKNOWN)).all()
    only_poses = replace(good(), bed=None, rail=None, planned=None, bowed=None, flat=None)
    assert (readiness(PERFECT, only_poses, RULES).state == READY).all()


def test_an_injected_slab_has_its_own_state_whatever_is_wrong_with_it() -> None:
    moved = one(HERE, SLAB, 0.0, 0.0, 4 * MM)
    held = np.arange(N) == SLAB
    answer = replace(check(HERE, survey(HERE, moved)), held=held)
    found = readiness(answer, replace(good(), age=np.where(held, np.nan, 3.0)), RULES)
    assert found.state[SLAB] == INJECTED
    assert not found.ready[SLAB]
    # what is wrong with the joints is still their neighbours' business
    assert (found.state[[SLAB - 1, SLAB + 1]] == NOT_READY).all()
    assert (np.delete(found.state, [SLAB - 1, SLAB, SLAB + 1]) == READY).all()


def test_a_project_without_limits_for_joints_asks_for_none() -> None:
    made = without(survey(HERE), SLAB, {0, 1, 2, 3})
    answer = check(HERE, made)
    pose_only = {q: judged for q, judged in answer.by_tolerance.items() if q in ("across", "along", "up")}
    assert reasons_of(replace(answer, by_tolerance=pose_only)) == {SLAB: Reason.ABSENT}


# -- warnings and what a project waives ----------------------------------------------------------------------


def test_warnings_hold_nothing_up() -> None:
    looked = replace(good(), rail=verdicts(OUT), bowed=np.ones(N, dtype=bool), flat=verdicts(UNDECIDED),
                     bed=verdicts(OUT))  # fmt: skip
    found = readiness(PERFECT, looked, RULES)
    assert (found.state == READY).all()
    assert (found.warnings == int(Reason.RAIL_OUT | Reason.BOWED | Reason.HEAT | Reason.BED_OUT)).all()
    strict = readiness(PERFECT, looked, STRICT)
    assert (strict.state == NOT_READY).all()
    assert (strict.reasons == found.warnings).all()


def test_a_waiver_covers_what_is_not_known_never_what_is_wrong() -> None:
    rules = ReadyRules(24.0, NOTHING, Reason.GAP_UNKNOWN | Reason.ANCHOR_UNKNOWN)
    found = readiness(PERFECT, Looked(age=np.full(N, 3.0)), rules)
    assert (found.state == READY).all()
    assert (found.waived == int(Reason.GAP_UNKNOWN | Reason.ANCHOR_UNKNOWN)).all()
    wrong = replace(good(), gap_small=verdicts(OUT), anchor=verdicts(OUT))
    assert (readiness(PERFECT, wrong, rules).state == NOT_READY).all()


def test_nothing_waives_a_pose() -> None:
    """Even if every reason were only told, a slab whose pose is not within is not ready."""
    answer = check(HERE, without(survey(HERE, one(HERE, 5, 0.0, 8 * MM)), SLAB, {0, 1, 2, 3}))
    everything = Reason((1 << 40) - 1)
    for rules in (ReadyRules(24.0, everything), ReadyRules(24.0, NOTHING, everything)):
        state = readiness(answer, good(), rules).state
        assert np.flatnonzero(state != READY).tolist() == [5, SLAB]
    both = readiness(answer, good(), ReadyRules(24.0, everything, everything))
    assert not both.warnings.any()
    assert both.waived[SLAB]


# -- nothing unmeasured is ever ready ------------------------------------------------------------------------


def some(draw: st.DrawFn, values: list[float]) -> npt.NDArray[np.float64]:
    """Return one of these for each slab, most of them the first."""
    rng = np.random.default_rng(draw(st.integers(0, 2**31)))
    share = draw(st.sampled_from([0.0, 0.05, 0.5]))
    return np.where(rng.random(N) < share, rng.choice(values, N), values[0])


@st.composite
def looks(draw: st.DrawFn) -> Looked:
    every = [WITHIN, OUT, UNDECIDED, NOT_MEASURED, NO_LIMIT]
    judged = {name: some(draw, every).astype(np.int8) for name in ("gap_small", "gap_large", "anchor", "rail", "flat")}
    given_up = draw(st.sets(st.sampled_from(sorted(judged)), max_size=1))
    return Looked(
        age=some(draw, [2.0, 30.0, -1.0, np.nan]), gap_whole=some(draw, [1, 0]).astype(bool),
        planned=some(draw, [0, 1]).astype(bool), **{k: None if k in given_up else v for k, v in judged.items()},
    )  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**31), st.sampled_from([0.0, 0.02, 0.1, 0.5]), looks())
def test_nothing_unmeasured_is_ever_ready(seed: int, share: float, looked: Looked) -> None:
    made = survey(HERE)
    kept = np.random.default_rng(seed).random(len(made.xyz)) >= share
    answer = check(HERE, made.kept(kept))
    found = readiness(answer, looked, RULES)
    marks = np.bincount(made.slab[kept], minlength=N)
    known = marks == 4
    placed = marks >= 3
    beside = np.ones(N, dtype=bool)
    joint = answer.joints
    beside[joint.rear] &= placed[joint.front]
    beside[joint.front] &= placed[joint.rear]

    def fine(verdict: Verdicts | None) -> npt.NDArray[np.bool_]:
        return np.zeros(N, dtype=bool) if verdict is None else np.isin(verdict, [WITHIN, NO_LIMIT])

    fresh = (looked.age >= 0) & (looked.age <= 24)  # nan is neither
    under = looked.gap_whole & fine(looked.gap_small) & fine(looked.gap_large) & fine(looked.anchor)
    wanted = known & beside & fresh & under & ~looked.planned
    # the survey is perfect, so that being known is all there is: both directions
    assert (found.ready == wanted).all()


# -- words, runs, curl ---------------------------------------------------------------------------------------


def test_every_reason_has_words_and_a_next_step() -> None:
    assert set(REASON_WORDS) == set(NEXT_STEPS) == set(Reason)
    assert len(set(REASON_WORDS.values())) == len(Reason)
    for words in REASON_WORDS.values():
        assert len(words) <= 40
    for step in NEXT_STEPS.values():
        assert step[0].isupper()
        assert step.endswith(".")
        assert len(step) <= 110
    assert STATES == ("ready", "not ready", "injected")


def test_the_worst_of_what_lies_on_a_slab_decides() -> None:
    """In the order out, undecided, not measured, within; slabs without anything, or with other codes, have no limit."""
    slab = np.repeat(np.arange(5), 5)
    every = [WITHIN, NOT_MEASURED, UNDECIDED, OUT]
    codes = [every[:1] * 5, every[:2] * 2 + [WITHIN], [*every[:3], WITHIN, NO_LIMIT], [*every[::-1], WITHIN], [5] * 5]
    for turn in range(5):
        verdict = np.concatenate([np.roll(row, turn) for row in codes]).astype(np.int8)
        assert slab_verdicts(slab, verdict, 6).tolist() == [WITHIN, NOT_MEASURED, UNDECIDED, OUT, NO_LIMIT, NO_LIMIT]


def test_runs_are_those_of_a_regular_expression() -> None:
    """Python's re finds the same runs in a text of the flags."""
    import re

    for seed in range(30):
        flags = np.random.default_rng(seed).random(40) < 0.7
        text = "".join("x" if flag else "." for flag in flags)
        wanted = [(m.start(), m.end() - 1) for m in re.finditer("x+", text)]
        first, last = ready_runs(flags)
        assert list(zip(first.tolist(), last.tolist(), strict=True)) == wanted


def test_a_slab_that_is_within_only_while_it_is_curled() -> None:
    """Corners pushed down by 0.4 mm, measured at +0.7: flat they would be at +1.1 mm, beyond 1 mm."""
    limit = next(t for t in LIMITS if t.quantity == "up")
    up = np.array([[0.7, 0.7], [-0.7, -0.7], [0.0, 0.1]]) * MM
    rise = np.full((3, 2), -0.4 * MM)
    judged = flat_verdict(up, np.full((3, 2), 0.01 * MM), rise, limit, 2.0)
    assert judged.verdict.tolist() == [OUT, WITHIN, WITHIN]
    np.testing.assert_allclose(judged.value / MM, [1.1, -0.3, 0.5], rtol=0, atol=1e-9)
    nan = flat_verdict(np.full((1, 2), np.nan), np.full((1, 2), 0.1 * MM), rise[:1], limit, 2.0)
    assert nan.verdict.tolist() == [NOT_MEASURED]
    assert isinstance(limit, Tolerance)
