"""The history of slabs: epochs, the congruency test, moves asked and achieved, injection.

Outside evidence: closed forms worked by hand, printed tables of chi-square, scipy.stats, and seeded simulation.
"""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import replace
from math import erfc, exp, pi, sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.transform import Rotation

from geometry.alignment.frames import rotation, to_grid
from geometry.exchange.project import Project, open_project
from geometry.placement import CheckRules, Tolerance
from geometry.placement.epochs import MIXED_SETUPS, StagedPoints
from geometry.placement.history import History, slab_history
from geometry.placement.movement import (
    ALPHA,
    MOVED,
    NO_CHECK,
    NOISE,
    congruency,
    covariance_of_difference,
    least_found,
    moved,
)
from geometry.placement.verdict import NOT_MEASURED, OUT, UNDECIDED, WITHIN
from geometry.slabs import Fitting, SlabType, Targets
from geometry.survey import SurveyPoints
from viewer.cli import _status

MARKS = Fitting(
    ("RL", "RR", "FL", "FR"), np.array([[-0.95, -2.25, 0], [0.95, -2.25, 0], [-0.95, 2.25, 0], [0.95, 2.25, 0]])
)
SCREWS = Fitting(
    ("a", "b", "c", "d"),
    np.array([[-1.1, -1.8, -0.19], [1.1, -1.8, -0.19], [-1.1, 1.8, -0.19], [1.1, 1.8, -0.19]]),
    0.002,
    0.03,
)
SIDES = Fitting(("rear", "front"), np.array([[1.2, -1.8, -0.1], [1.2, 1.8, -0.1]]), 0.0015, 0.02)
TYPE = SlabType("A", 4.93, 2.34, 0.19, 0.3, 0.04, 0.2, np.linspace(-2.2, 2.2, 9), MARKS, SCREWS, SIDES)
RULES = CheckRules((), guard=2.0, match_radius=0.15, rail_apart=1.5, grid_scale=0.9998)
STAGES = ("", "rough", "fine", "recheck", "after injection")
SETUPS = ("", "S1", "S2", "S3")
SIGMA = np.array([0.25e-3, 0.25e-3, 0.10e-3])
START = np.datetime64("2031-05-14T08:00:00", "us")
MINUTE = np.timedelta64(60_000_000, "us")
STILL = np.zeros(6)


def row_of_slabs(n: int) -> Targets:
    matrix = np.repeat(rotation(np.array([0.8]), np.array([0.02]), np.array([-0.08])), n, axis=0)
    position = np.array([431_000.0, 186_000.0, 50.0]) + np.arange(n)[:, None] * 5.0 * matrix[:, :, 1]
    zero = np.zeros(n)
    return Targets(position, matrix, zero, zero, zero, zero, zero)


def places_of(targets: Targets, pose: np.ndarray) -> np.ndarray:
    """Return the marks of slabs that lie across, along, up, m, pitch, roll, yaw, rad, off their targets."""
    pose = np.broadcast_to(pose, (len(targets.position), 6))
    scale = RULES.grid_scale
    position = to_grid(targets.position, targets.rotation, pose[:, None, :3], scale)[:, 0]
    turned = targets.rotation @ Rotation.from_rotvec(pose[:, 3:] * [1, 1, -1]).as_matrix()
    return to_grid(position, turned, np.broadcast_to(MARKS.places, (len(position), 4, 3)), scale)


class Book:
    """A survey that grows pass by pass."""

    def __init__(self, targets: Targets, rng: np.random.Generator | None = None) -> None:
        self.targets, self.rng = targets, rng
        self.rows: list[tuple[np.ndarray, int, int, int, int, np.datetime64]] = []

    def add(
        self, pose: np.ndarray, stage: str, minute: float | None, setup: str = "S1",
        marks: tuple[int, ...] = (0, 1, 2, 3), slabs: list[int] | None = None,
    ) -> Book:  # fmt: skip
        xyz = places_of(self.targets, pose)
        if self.rng is not None:
            xyz += self.rng.normal(size=xyz.shape) * SIGMA
        for slab in range(len(xyz)) if slabs is None else slabs:
            for mark in marks:
                time = np.datetime64("NaT", "us") if minute is None else START + int(minute * 60) * MINUTE // 60
                self.rows.append((xyz[slab, mark], slab, mark, STAGES.index(stage), SETUPS.index(setup), time))
        return self

    def given(self) -> StagedPoints:
        xyz, slab, mark, stage, setup, time = zip(*self.rows, strict=True)
        points = SurveyPoints(
            np.array(xyz), np.tile(SIGMA, (len(xyz), 1)), np.array(slab), np.array(mark), np.array(setup),
            np.array(time, dtype="datetime64[us]"), lambda row: f"line {row + 1}",
        )  # fmt: skip
        return StagedPoints(points, np.array(stage), STAGES, SETUPS)

    def history(self, settling: Tolerance | None = None, points: StagedPoints | None = None) -> History:
        n = len(self.targets.position)
        names = [f"Q{i}" for i in range(n)]
        return slab_history(self.targets, [TYPE], np.zeros(n, dtype=np.intp), names, points or self.given(), RULES,
                            "After injection", settling)  # fmt: skip


# --- the test itself, against the outside


def test_levelling_of_three_points_at_two_epochs_by_hand() -> None:
    # Three points levelled twice with sigma 0.3 mm: heights 0.0, 0.0, 0.0 and then 0.6, -0.3, 0.9 mm. The
    # differences have variance 0.18 mm2 each, so T = (0.36 + 0.09 + 0.81) / 0.18 = 7.0; for 3 degrees of freedom
    # the survival function has the closed form erfc(sqrt(T/2)) + sqrt(2 T / pi) exp(-T/2).
    statistic, p = congruency(np.array([0.6e-3, -0.3e-3, 0.9e-3]), np.eye(3) * 0.18e-6)
    assert float(statistic) == pytest.approx(7.0, abs=1e-9)
    assert float(p) == pytest.approx(erfc(sqrt(3.5)) + sqrt(14 / pi) * exp(-3.5), abs=1e-12)


def test_correlated_points_by_hand() -> None:
    # C = [[2, 1], [1, 2]], d = (1, 2): C^-1 = [[2, -1], [-1, 2]] / 3 and T = (2 - 4 + 8) / 3 = 2; with two
    # degrees of freedom p = exp(-T/2). Rows and columns in other units leave T as it is.
    unit = np.array([1e-3, 20.0])
    statistic, p = congruency(np.array([1.0, 2.0]) * unit, np.array([[2.0, 1.0], [1.0, 2.0]]) * unit * unit[:, None])
    assert float(statistic) == pytest.approx(2.0, abs=1e-12)
    assert float(p) == pytest.approx(np.exp(-1.0), abs=1e-12)


@pytest.mark.parametrize(("freedom", "five", "one"), [(1, 3.841, 6.635), (3, 7.815, 11.345), (6, 12.592, 16.812)])
def test_verdict_turns_at_the_printed_critical_values(freedom: int, five: float, one: float) -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4, critical values of the chi-square distribution
    for limit, alpha in ((five, 0.05), (one, 0.01)):
        for value, verdict in ((limit - 0.001, NOISE), (limit + 0.001, MOVED)):
            d = np.full(freedom, np.sqrt(value / freedom))
            p = congruency(d, np.eye(freedom))[1]
            assert moved(p, np.array(True), alpha) == verdict


def test_unknown_is_no_check() -> None:
    for d, c in ((np.nan, 1.0), (1.0, np.nan), (1.0, 0.0)):
        statistic, p = congruency(np.array([d]), np.array([[c]]))
        assert np.isnan(statistic)
        assert moved(p, np.array(True)) == NO_CHECK
    assert moved(np.array(1e-9), np.array(False)) == NO_CHECK


def test_least_movement_found_by_printed_noncentrality() -> None:
    # noncentrality of the chi-square distribution for alpha 0.05 and power 0.8: 7.849 with one and 13.624 with six
    # degrees of freedom; alpha 0.001 with one: 17.075 (Baarda). Standard tables, from memory.
    for k, alpha, value in ((1, 0.05, 7.849), (6, 0.05, 13.624), (1, 0.001, 17.075)):
        found = least_found(np.eye(k) * 0.04, alpha=alpha, power=0.8)
        assert found == pytest.approx(np.full(k, 0.2 * np.sqrt(value)), abs=2e-5)
    # by hand: C^-1 of [[2, 1], [1, 2]] has 2/3 on its diagonal
    pair = least_found(np.array([[2.0, 1.0], [1.0, 2.0]]), alpha=0.05)
    assert pair == pytest.approx(np.sqrt(9.635 / (2 / 3)), abs=1e-3)
    assert np.isnan(least_found(np.full((2, 2), np.nan))).all()


# --- planted movements


def test_false_alarms_have_the_stated_rate() -> None:
    n = 6000
    book = Book(row_of_slabs(n), np.random.default_rng(20))
    history = book.add(STILL, "fine", 0).add(STILL, "recheck", 60, "S2").history()
    m = history.movements
    assert len(m.verdict) == n
    checked = m.verdict != NO_CHECK
    # the marks' own test lets one pair in a thousand go without a verdict
    assert 0 <= (~checked).sum() <= 15
    alarms = (m.verdict == MOVED).sum() / checked.sum()
    assert ALPHA == 0.01
    assert abs(alarms - 0.01) < 3.3 * np.sqrt(0.01 * 0.99 / n)
    # the statistic as a whole is chi-square with six degrees of freedom, each component normal
    assert stats.kstest(m.statistic, stats.chi2(6).cdf).pvalue > 0.001
    for i in range(6):
        assert stats.kstest(m.pose[:, i] / m.sigma[:, i], stats.norm.cdf).pvalue > 0.001
        assert stats.kstest(m.component_p[:, i], stats.uniform.cdf).pvalue > 0.001


def test_power_is_the_one_stated() -> None:
    n = 2000
    targets = row_of_slabs(n)
    least = Book(targets).add(STILL, "fine", 0).add(STILL, "recheck", 60).history().movements.least[0]
    for i in (0, 2, 5):
        step = STILL.copy()
        step[i] = least[i]
        book = Book(targets, np.random.default_rng(30 + i))
        m = book.add(STILL, "fine", 0).add(step, "recheck", 60, "S2").history().movements
        checked = m.verdict != NO_CHECK
        found = (m.verdict == MOVED).sum() / checked.sum()
        assert abs(found - 0.8) < 3.3 * np.sqrt(0.8 * 0.2 / n)


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_millimetre_is_found(axis: int) -> None:
    step = STILL.copy()
    step[axis] = 1e-3
    book = Book(row_of_slabs(500), np.random.default_rng(axis))
    m = book.add(STILL, "fine", 0).add(step, "fine", 60).history().movements
    # sigma of the movement along is sqrt(2) 0.25 / sqrt(4) = 0.177 mm: noncentrality 32, power 0.99
    assert (m.verdict == MOVED).mean() > 0.97
    assert m.pose[:, axis].mean() == pytest.approx(1e-3, abs=4 * m.sigma[0, axis] / np.sqrt(500))
    assert m.sigma[0, 1] == pytest.approx(np.sqrt(2) * 0.25e-3 / 2, abs=2e-7)


def test_turns_of_slabs_that_were_far_off_do_not_simply_add() -> None:
    first = np.array([0.02, -0.03, 0.01, 0.012, -0.02, 0.015])
    then = np.array([-0.01, 0.01, 0.0, -0.008, 0.006, -0.011])
    book = Book(row_of_slabs(2))
    m = book.add(first, "rough", 0).add(then, "fine", 60).history().movements
    a, b = (Rotation.from_rotvec(pose[3:] * [1, 1, -1]) for pose in (first, then))
    assert m.pose[0, 3:] == pytest.approx((b * a.inv()).as_rotvec() * [1, 1, -1], abs=1e-9)
    assert np.abs(m.pose[0, 3:] - (then - first)[3:]).max() > 1e-5
    assert m.pose[0, :3] == pytest.approx((then - first)[:3], abs=1e-9)


# --- epochs


def test_rounds_follow_stage_then_time_whatever_the_order_of_the_files() -> None:
    book = Book(row_of_slabs(3))
    book.add(STILL, "recheck", 200).add(STILL, "fine", 90, slabs=[0, 2]).add(STILL, "fine", 30).add(STILL, "rough", 0)
    epochs = book.history().epochs
    assert epochs.slab.tolist() == [0, 0, 0, 0, 1, 1, 1, 2, 2, 2, 2]
    assert epochs.stage.tolist() == [1, 2, 2, 3, 1, 2, 3, 1, 2, 2, 3]
    assert epochs.round.tolist() == [1, 1, 2, 1, 1, 1, 1, 1, 1, 2, 1]
    assert epochs.ordinal.tolist() == [0, 1, 2, 3, 0, 1, 2, 0, 1, 2, 3]
    assert epochs.start[2] == START + 90 * MINUTE
    assert epochs.latest.tolist() == [3, 6, 10]


def test_an_epoch_ends_where_a_mark_comes_again_and_where_another_setup_takes_over() -> None:
    book = Book(row_of_slabs(1))
    book.add(STILL, "fine", 0, marks=(0, 1)).add(STILL, "fine", 1, "S2", marks=(2, 3))  # two marks from either side
    book.add(STILL, "fine", 2, "S2", marks=(3, 2, 1)).add(STILL, "fine", 3, "S3", marks=(0, 1, 2, 3))
    book.add(STILL, "fine", 4, "S3", marks=(1,))
    epochs = book.history().epochs
    assert epochs.round.tolist() == [1, 2, 3, 4]
    assert epochs.setup.tolist() == [MIXED_SETUPS, 2, 3, 3]
    assert epochs.of_point.tolist() == [0, 0, 0, 0, 1, 1, 1, 2, 2, 2, 2, 3]


def test_a_reading_without_a_setup_goes_with_the_others() -> None:
    book = Book(row_of_slabs(1)).add(STILL, "fine", 0, marks=(0, 1, 2)).add(STILL, "fine", 1, "", marks=(3,))
    assert book.history().epochs.round.tolist() == [1]


def test_an_epoch_without_a_pose_is_passed_over_and_said() -> None:
    book = Book(row_of_slabs(2))
    book.add(STILL, "fine", 0).add(STILL, "fine", 9, marks=(0, 1)).add(STILL + 1e-3, "fine", 20, slabs=[1])
    history = book.history()
    assert history.notes.tolist() == [0, 1, 0, 1, 0]
    assert history.movements.before.tolist() == [2]
    assert history.movements.after.tolist() == [4]
    assert np.isnan(history.pose[[1, 3]]).all()


def test_three_corners_give_numbers_but_no_check() -> None:
    m = Book(row_of_slabs(1)).add(STILL, "fine", 0).add(STILL + 5e-3, "fine", 9, marks=(0, 1, 2)).history().movements
    assert m.verdict.tolist() == [NO_CHECK]
    assert m.p[0] < 1e-6


def test_rows_without_stage_and_time_stand_in_the_order_of_the_lines() -> None:
    up = np.array([0, 0, 2e-3, 0, 0, 0])
    book = Book(row_of_slabs(1)).add(STILL, "", None, "").add(up, "", None, "").add(2 * up, "rough", None, "")
    history = book.history()
    assert history.epochs.round.tolist() == [1, 2, 1]
    assert history.pose[:, 2] == pytest.approx([0, 2e-3, 4e-3], abs=1e-8)
    assert [f.kind for f in history.findings] == ["no time"]
    assert np.isnat(history.epochs.start).all()
    assert history.movements.assumed.tolist() == [0, 0]


def test_points_without_names_and_names_by_half_a_turn() -> None:
    book = Book(row_of_slabs(2)).add(STILL, "fine", 0).add(STILL, "recheck", 60)
    given = book.given()
    p = given.points
    slab, mark = p.slab.copy(), p.mark.copy()
    slab[:8], mark[:8] = -1, -1
    mark[12:] = 3 - mark[12:]  # slab 1 at the recheck
    turned = replace(given, points=replace(p, slab=slab, mark=mark))
    history = book.history(points=turned)
    assert history.epochs.slab.tolist() == [0, 0, 1, 1]
    assert history.movements.verdict.tolist() == [NOISE, NO_CHECK]
    assert history.notes.tolist() == [0, 0, 0, 4]
    (finding,) = history.findings
    assert finding.text.startswith("recheck, round 1: ")


def test_stages_that_times_contradict_are_told() -> None:
    history = Book(row_of_slabs(1)).add(STILL, "recheck", 0).add(STILL, "fine", 60).history()
    assert [f.kind for f in history.findings] == ["stages out of order"]
    assert history.epochs.stage.tolist() == [2, 3]


# --- append only


def test_a_later_file_never_replaces() -> None:
    book = Book(row_of_slabs(2)).add(STILL, "fine", 0)
    alone = book.history()
    book.add(np.array([0, 0, 3e-3, 0, 0, 0]), "fine", 0, slabs=[0], marks=(1,))
    both = book.history()
    assert both.pose == pytest.approx(alone.pose, abs=0)
    (finding,) = both.findings
    assert (finding.kind, finding.slab, finding.withholds) == ("told differently", 0, True)
    assert "RR of slab Q0" in finding.text
    assert "line 2" in finding.text
    assert "line 9" in finding.text
    assert "3.0 mm apart" in finding.text
    assert both.notes.tolist() == [16, 0]
    # with it nothing is said of a movement either
    book.add(STILL + 5e-3, "recheck", 50)
    assert book.history().movements.verdict.tolist() == [NO_CHECK, MOVED]


def test_the_same_readings_again_count_once() -> None:
    book = Book(row_of_slabs(2)).add(STILL, "fine", 0).add(STILL, "fine", None, "")
    once = book.history()
    book.rows += [(row[0] + 4e-5, *row[1:]) for row in book.rows[:8]] + book.rows[8:]  # fewer decimals; exactly
    again = book.history()
    assert len(again.epochs) == len(once.epochs)
    assert again.pose == pytest.approx(once.pose, abs=0, nan_ok=True)
    assert [f.text for f in again.findings if f.kind == "told again"] == [
        "16 readings stand in the survey twice and count once"
    ]


# --- asked and achieved


def test_screws_turned_as_asked_achieve_what_was_asked() -> None:
    n = 400
    rng = np.random.default_rng(7)
    left = rng.normal(size=(n, 6)) * [4e-3, 6e-3, 5e-3, 1e-3, 1.5e-3, 1e-3]
    book = Book(row_of_slabs(n), rng)
    history = book.add(left, "fine", 0).add(STILL, "fine", 30).history()
    for kind, columns in (("lift", 4), ("push", 2), ("along", 1)):
        a = history.movements.adjustments[kind]
        assert a.asked.shape == (n, columns)
        off = (a.achieved - a.asked) / a.rest_sigma
        assert np.abs(off).max() < 4.5
        assert np.mean(np.abs(off) < 3) > 0.99
        assert off.std() == pytest.approx(1, abs=0.12)
        known = np.isfinite(a.ratio)
        assert known.mean() > 0.8
        pull = (a.ratio[known] - 1) / a.ratio_sigma[known]
        assert np.mean(np.abs(pull) < 3) > 0.98
        # asked less achieved is what is left
        assert a.asked - a.achieved == pytest.approx(a.rest, abs=1e-12)


def test_one_screw_by_hand() -> None:
    # 4 mm low all over and 1 mm too far right; raised by 3 mm and pushed back by 1 mm
    low, then = np.array([1e-3, 0, -4e-3, 0, 0, 0]), np.array([0, 0, -1e-3, 0, 0, 0])
    m = Book(row_of_slabs(1)).add(low, "fine", 0).add(then, "fine", 5).history().movements
    lift, push = m.adjustments["lift"], m.adjustments["push"]
    assert lift.asked[0] == pytest.approx(np.full(4, 4e-3), abs=1e-8)
    assert lift.achieved[0] == pytest.approx(np.full(4, 3e-3), abs=1e-8)
    assert lift.rest[0] == pytest.approx(np.full(4, 1e-3), abs=1e-8)
    assert lift.ratio[0] == pytest.approx(np.full(4, 0.75), abs=1e-5)
    assert push.asked[0] == pytest.approx(np.full(2, -1e-3), abs=1e-8)
    assert push.ratio[0] == pytest.approx(np.ones(2), abs=1e-5)
    # of four marks with 0.1 mm: 0.05 mm at the centre, more at the screws by their arms
    arm = 1 + (1.8 / 2.25) ** 2 + (1.1 / 0.95) ** 2
    at_screw = 0.05e-3 * np.sqrt(arm)
    # the screw heads lie 0.19 m under the marks, which tilts nothing into the height
    assert lift.asked_sigma[0] == pytest.approx(np.full(4, at_screw), abs=2e-8)
    assert lift.achieved_sigma[0] == pytest.approx(np.full(4, np.sqrt(2) * at_screw), abs=3e-8)
    # share 3/4: sigma of 1 - b/a with a = -4, b = -1
    expected = at_screw / 4e-3 * np.sqrt(1 + 0.25**2)
    assert lift.ratio_sigma[0] == pytest.approx(np.full(4, expected), abs=1e-5)
    # nothing was asked along: no share of nothing
    assert np.isnan(m.adjustments["along"].ratio).all()


# --- injection


def test_uplift_during_injection_by_corner() -> None:
    limit = Tolerance("up", -0.5e-3, 1e-3, "example")
    targets = row_of_slabs(4)
    up = np.zeros((4, 6))
    up[1, 2] = 0.6e-3
    up[2, 2] = 2e-3
    up[3, 3] = 1.3e-3 / 2.25  # nose up: front +1.3 mm, rear -1.3 mm
    book = Book(targets).add(STILL, "rough", 0).add(STILL, "recheck", 60).add(up, "after injection", 600, "S2")
    m = book.history(limit).movements
    assert m.injection.tolist() == [False, True] * 4
    during = np.flatnonzero(m.injection)
    assert m.marks[during[3], :, 2] == pytest.approx([-1.3e-3, -1.3e-3, 1.3e-3, 1.3e-3], abs=1e-6)
    # at a corner three of four parts of the variance: 0.1 sqrt(3/4) mm, twice
    assert m.marks_sigma[during[0], :, 2] == pytest.approx(np.full(4, 0.1e-3 * np.sqrt(1.5)), abs=3e-8)
    assert m.settling[during[:3]].tolist() == [[WITHIN] * 4, [WITHIN] * 4, [OUT] * 4]
    assert m.settling[during[3]].tolist() == [OUT, OUT, OUT, OUT]
    assert (m.settling[~m.injection] == NOT_MEASURED).all()
    up[1, 2] = 0.9e-3  # within two sigmas, 0.24 mm, of the limit
    book = Book(targets).add(STILL, "recheck", 60).add(up, "after injection", 600)
    assert book.history(limit).movements.settling[1].tolist() == [UNDECIDED] * 4
    assert (book.history().movements.settling == NOT_MEASURED).all()
    assert book.history().movements.injection.all()


# --- what is behind a movement


def test_a_mark_that_moved_alone_is_no_movement_of_the_slab() -> None:
    book = Book(row_of_slabs(2)).add(STILL, "fine", 0).add(STILL, "recheck", 60)
    moved_mark = book.rows[8][0]
    moved_mark[2] += 3e-3  # RL of slab 0 at the recheck
    history = book.history()
    assert history.movements.verdict.tolist() == [NO_CHECK, NOISE]
    assert history.notes.tolist() == [0, 8, 0, 0]


def test_a_warped_slab_still_has_a_history() -> None:
    book = Book(row_of_slabs(1)).add(STILL, "fine", 0).add(np.array([0, 0, 1e-3, 0, 0, 0]), "recheck", 60)
    for row in (0, 4):  # cast with one corner 2 mm high: the same at both epochs
        book.rows[row][0][2] += 2e-3
    history = book.history()
    assert history.notes.tolist() == [8, 8]
    assert history.movements.verdict.tolist() == [MOVED]
    assert history.movements.pose[0, 2] == pytest.approx(1e-3, abs=1e-7)


def test_what_is_assumed_of_setups_is_said() -> None:
    book = Book(row_of_slabs(1)).add(STILL, "fine", 0).add(STILL, "fine", 9).add(STILL, "recheck", 60, "S2")
    assert book.history().movements.assumed.tolist() == [1, 2]


def test_slabs_that_move_alike_between_two_setups() -> None:
    n = 6
    rng = np.random.default_rng(3)
    targets = row_of_slabs(n)
    shifted = np.array([0, 0, 0.8e-3, 0, 0, 0])
    book = Book(targets, rng).add(STILL, "fine", 0).add(shifted, "recheck", 60, "S2")
    (finding,) = book.history().findings
    assert finding.kind == "moved alike"
    assert "all 6 slabs measured from set-up S1 and then from S2" in finding.text
    up = float(finding.text.split(" mm up")[0].split()[-1])
    assert up == pytest.approx(0.8, abs=4 * 0.1 * np.sqrt(2) / np.sqrt(4 * n))
    # two slabs, one set-up, or slabs that moved each by its own amount: nothing is said
    for slabs, setup, pose in (
        ([0, 1], "S2", shifted), (None, "S1", shifted), (None, "S2", rng.normal(size=(n, 6)) * [0, 0, 3e-3, 0, 0, 0]),
    ):  # fmt: skip
        other = Book(targets, np.random.default_rng(4)).add(STILL, "fine", 0)
        assert not other.add(pose, "recheck", 60, setup, slabs=slabs).history().findings


def with_setups(book: Book, setup: np.ndarray, *, rng: np.random.Generator | None) -> StagedPoints:
    """Return the points as seen from set-ups 40 m away whose place and orientation are uncertain: 4 causes each."""
    given = book.given()
    p = given.points
    away = p.xyz - book.targets.position[p.slab] - np.array([30.0, -25.0, 2.0])
    common = np.zeros((len(p), 3, 4))
    common[:, 0, 0], common[:, 1, 1], common[:, 2, 2] = 0.6e-3, 0.6e-3, 0.3e-3
    turn = 1e-5  # rad, 2 arc seconds
    common[:, 0, 3], common[:, 1, 3] = turn * away[:, 1], -turn * away[:, 0]
    own = np.repeat(np.diag(SIGMA**2)[None], len(p), axis=0)
    sigma = np.sqrt(np.einsum("pii->pi", own + common @ np.swapaxes(common, 1, 2)))
    xyz = p.xyz
    if rng is not None:
        of_setup = rng.normal(size=(setup.max() + 1, 4))
        xyz = p.xyz + np.einsum("pck,pk->pc", common, of_setup[setup])
    points = replace(p, xyz=xyz, sigma=sigma, setup=setup, own=own, common=common)
    names = ("", *(f"S{i}" for i in range(1, setup.max() + 1)))
    return replace(given, points=points, setups=names)


def test_false_alarms_where_setups_are_uncertain_as_well() -> None:
    # every slab with set-ups of its own, so that the trials are independent: the same twice, or another one
    n = 3000
    sigmas = []
    for other in (False, True):
        rng = np.random.default_rng(50 + other)
        book = Book(row_of_slabs(n), rng).add(STILL, "fine", 0).add(STILL, "recheck", 60)
        slab = np.tile(np.repeat(np.arange(n), 4), 2)
        setup = slab + 1 + np.repeat([0, n * other], 4 * n)
        m = book.history(points=with_setups(book, setup, rng=rng)).movements
        checked = m.verdict != NO_CHECK
        assert (~checked).sum() <= 12
        assert abs((m.verdict == MOVED).sum() / checked.sum() - 0.01) < 3.3 * np.sqrt(0.01 * 0.99 / n)
        assert stats.kstest(m.statistic, stats.chi2(6).cdf).pvalue > 0.001
        assert set(m.assumed.tolist()) == {4 if other else 3}
        sigmas.append(m.sigma[0])
        # asked less achieved is the rest, and the sigma of what was achieved holds as well
        lift = m.adjustments["lift"]
        assert (lift.achieved / lift.achieved_sigma).std() == pytest.approx(1, abs=0.05)
    # of one set-up nothing remains but the marks, four of them, twice; seen along the axes of a canted slab
    marks = book.targets.rotation[0].T ** 2 @ SIGMA**2 / 4
    assert sigmas[0][:3] == pytest.approx(np.sqrt(2 * marks), abs=3e-7)
    # of two, 0.6 mm each in plan and 0.3 mm in level besides, and 2 seconds over 40 m in plan
    up = book.targets.rotation[0, :, 2] ** 2
    assert sigmas[1][2] == pytest.approx(np.sqrt(2 * (marks[2] + up @ [0.36e-6, 0.36e-6, 0.09e-6])), abs=1e-6)


def test_the_share_achieved_where_one_setup_saw_both() -> None:
    n = 1500
    rng = np.random.default_rng(60)
    low, then = np.array([0, 0, -4e-3, 0, 0, 0]), np.array([0, 0, -1e-3, 0, 0, 0])
    book = Book(row_of_slabs(n), rng).add(low, "fine", 0).add(then, "fine", 5)
    setup = np.tile(np.repeat(np.arange(n), 4), 2) + 1
    lift = book.history(points=with_setups(book, setup, rng=rng)).movements.adjustments["lift"]
    pull = (lift.ratio - 0.75) / lift.ratio_sigma
    assert pull.std() == pytest.approx(1, abs=0.05)
    # with 0.3 mm of each set-up taken as independent it would be near 0.8
    assert lift.ratio_sigma.mean() < 0.07


def test_slabs_that_move_alike_by_what_setups_explain() -> None:
    n = 6
    shifted = np.array([0, 0, 0.5e-3, 0, 0, 0])
    book = Book(row_of_slabs(n)).add(STILL, "fine", 0).add(shifted, "recheck", 60)
    setup = np.repeat([1, 2], 4 * n)
    # 0.5 mm are 1.2 sigmas of two set-ups of 0.3 mm; 2 mm are not
    assert not book.history(points=with_setups(book, setup, rng=None)).findings
    book = Book(row_of_slabs(n)).add(STILL, "fine", 0).add(4 * shifted, "recheck", 60)
    assert [f.kind for f in book.history(points=with_setups(book, setup, rng=None)).findings] == ["moved alike"]


def test_one_setup_at_both_epochs_by_hand() -> None:
    # two estimates of variance 5 with a common cause of 2 each (4 of the 5): their difference has 5 + 5 - 2 * 4
    covariance, common = np.full((3, 1, 1), 5.0), np.full((3, 1, 1), 2.0)
    setups = np.array([[7], [7], [8]])
    total, shared = covariance_of_difference(covariance, common, setups, np.array([0, 0]), np.array([1, 2]))
    assert total.ravel().tolist() == [2.0, 10.0]
    assert shared.ravel().tolist() == [0.0, 8.0]
    # no set-up is no common one
    assert covariance_of_difference(covariance, common, np.full((3, 1), -1), np.array([0]), np.array([1]))[
        0
    ].ravel().tolist() == [10.0]
    # seen from two set-ups, one of which comes again: causes 1 and 3, then 3 and 2
    common = np.array([[[1.0, 3.0]], [[3.0, 2.0]]])
    total, shared = covariance_of_difference(
        np.array([[[11.0]], [[14.0]]]), common, np.array([[4, 5], [5, -1]]), np.array([0]), np.array([1])
    )
    assert total.ravel().tolist() == [25.0 - 2 * 9.0]
    assert shared.ravel().tolist() == [23.0 - 2 * 9.0]


def test_sigmas_that_differ_in_plan_are_turned_into_the_slab_frame() -> None:
    book = Book(row_of_slabs(1)).add(STILL, "fine", 0).add(STILL, "fine", 9)
    given = book.given()
    sigma = np.tile([0.1e-3, 0.4e-3, 0.1e-3], (8, 1))
    m = book.history(points=replace(given, points=replace(given.points, sigma=sigma))).movements
    along = book.targets.rotation[0, :, 1]
    expected = np.sqrt(2 * (along**2 * sigma[0] ** 2).sum() / 4)
    assert m.sigma[0, 1] == pytest.approx(expected, abs=2e-7)


def test_nothing_surveyed_and_one_slab() -> None:
    book = Book(row_of_slabs(1)).add(STILL, "fine", 0)
    history = book.history()
    assert len(history.epochs) == 1
    assert len(history.movements.before) == 0
    given = book.given()
    p = given.points
    empty = SurveyPoints(p.xyz[:0], p.sigma[:0], p.slab[:0], p.mark[:0], p.setup[:0], p.time[:0], p.label)
    assert len(book.history(points=StagedPoints(empty, given.stage[:0], STAGES, SETUPS)).epochs) == 0


# --- files and pages

DEMO = Path(__file__).parent.parent / "demo_alignment"
LIMITS = '[injection]\nlow_mm = -0.5\nhigh_mm = 1.0\nsource = "example"\n\n[decision]'


def survey_of(project: Project, pose: dict[str, tuple[float, ...]], stage: str, day: str, setup: str) -> str:
    """Return rows of slabs that lie so far across, along, up, m, off their targets."""
    rows = []
    scale = project.alignment.rules.grid_scale
    for slab, off in pose.items():
        at = project.layout.names.tolist().index(slab)
        marks = project.types[int(project.layout.type_index[at])].marks
        position, matrix = project.targets.position[[at]], project.targets.rotation[[at]]
        xyz = to_grid(position, matrix, marks.places[None] + np.array(off), scale)[0]
        for i, (name, (e, n, h)) in enumerate(zip(marks.names, xyz.tolist(), strict=True)):
            rows.append(f"{slab}{name},{slab},{name},{e:.5f},{n:.5f},{h:.5f},{setup},{stage},{day}:0{i}Z\n")
    return "".join(rows)


@pytest.fixture(scope="module")
def life(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a project with three slabs from rough placing to after injection."""
    folder = tmp_path_factory.mktemp("life") / "p"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("survey", "*.py", "__pycache__"))
    settings = folder / "project.toml"
    settings.write_text(settings.read_text().replace("[decision]", LIMITS))
    (folder / "survey").mkdir()
    project = open_project(folder)
    header = "point,slab,corner,easting_m,northing_m,level_m,setup,stage,time\n"
    slabs = ("Q0140", "Q0141", "Q0142")
    # the files stand in another order than the stages
    passes = (
        ("z", dict.fromkeys(slabs, (0.004, 0.0, -0.010)), "rough", "2031-05-12T08:00", "S1"),
        ("y", dict.fromkeys(slabs, (0.001, 0.0, -0.002)), "fine", "2031-05-13T08:00", "S2"),
        ("x", {"Q0140": (0.0, 0.0, 0.0005)}, "fine", "2031-05-13T09:00", "S2"),
        ("w", {"Q0140": (0.0, 0.0, 0.0008), "Q0141": (0.001, 0.0, 0.0)}, "after injection", "2031-05-20T08:00", "S3"),
    )
    for name, *rest in passes:
        (folder / "survey" / f"{name}.csv").write_text(header + survey_of(project, *rest))  # type: ignore[arg-type]
    return folder


def told(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    capsys.readouterr()
    status = _status([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return status, out, err


def test_history_as_json_and_csv(life: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = told(capsys, "history", life, "--json", "-", "--csv", tmp_path / "h.csv")
    assert (status, err) == (0, "")
    document = json.loads(out)
    assert list(document["made_from"]["inputs_sha256"])[-4:] == [f"survey/{name}.csv" for name in "wxyz"]
    epochs = document["epochs"]
    assert [(e["slab"], e["stage"], e["round"]) for e in epochs] == [
        ("Q0140", "rough", 1), ("Q0140", "fine", 1), ("Q0140", "fine", 2), ("Q0140", "after injection", 1),
        ("Q0141", "rough", 1), ("Q0141", "fine", 1), ("Q0141", "after injection", 1),
        ("Q0142", "rough", 1), ("Q0142", "fine", 1),
    ]  # fmt: skip
    third = epochs[2]
    assert third["up_mm"] == pytest.approx(0.5, abs=0.01)
    assert third["up_sigma_mm"] == pytest.approx(0.1 * np.sqrt(3) / 2, abs=1e-3)
    assert third["up_moved_mm"] == pytest.approx(2.5, abs=0.01)
    assert third["up_moved_sigma_mm"] == pytest.approx(0.05 * np.sqrt(2), abs=1e-3)
    assert (third["moved_since"], third["moved"], third["setup"]) == ("fine 1", "moved", "S2")
    assert epochs[0]["moved"] == ""
    assert epochs[0]["congruency_p"] is None
    # along nothing was done
    assert third["along_moved_p"] > 0.9
    corner = next(c for c in document["corners"] if c["slab"] == "Q0141" and c["to"] == "after injection 1")
    assert corner["up_moved_mm"] == pytest.approx(2.0, abs=0.01)
    assert (corner["injection"], corner["injection_verdict"]) == (True, "out")
    lifts = [m for m in document["moves"] if (m["slab"], m["to"], m["move"]) == ("Q0140", "fine 2", "lift")]
    assert [m["place"] for m in lifts] == ["RL", "RR", "FL", "FR"]
    for move in lifts:
        assert move["asked_mm"] == pytest.approx(2.0, abs=0.02)
        assert move["achieved_mm"] == pytest.approx(2.5, abs=0.02)
        assert move["rest_mm"] == pytest.approx(-0.5, abs=0.02)
        assert move["achieved_percent"] == pytest.approx(125, abs=1)
    # nobody turns a screw of a slab that is injected
    assert not [m for m in document["moves"] if m["to"] == "after injection 1"]
    errors = {(a["slab"], a["to"]): a["errors"].split(":")[0] for a in document["assumed"]}
    assert errors["Q0140", "fine 2"] == "one set-up"
    assert errors["Q0140", "after injection 1"] == "two set-ups"

    with (tmp_path / "h.csv").open(newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert [row["slab"] for row in rows] == [e["slab"] for e in epochs]
    assert float(rows[2]["up_moved_mm"]) == pytest.approx(2.5, abs=0.01)
    assert rows[2]["up_pose_sigma_mm"] == "0.050"
    assert rows[0]["up_moved_mm"] == ""
    assert rows[2]["time"] == "2031-05-13T09:00:00Z"


def test_history_page(life: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = told(capsys, "history", life)
    assert status == 0
    lines = [line.rstrip() for line in out.splitlines()]
    (row,) = (line for line in lines if line.startswith("      fine 2 "))
    assert row.split()[2:4] == ["05-13", "09:00"]
    assert "+0.50 ±0.09   # moved  lift" in row
    assert any(line.startswith("Q0142 rough 1") for line in lines)
    (up,) = (line for line in lines if line.startswith("Q0141 fine 1 > after injection 1"))
    assert up.split()[-2:] == ["#", "out"]
    assert "+2.00 ±0.12" in up
    (up,) = (line for line in lines if line.startswith("Q0140 fine 2 > after injection 1"))
    assert up.endswith("  within")
    assert "Limits: -0.5 to +1 mm (example)." in out
    assert "two set-ups: their errors taken as independent" in out
    assert max(map(len, lines)) <= 120


def test_history_of_one_slab(life: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = told(capsys, "history", life, "--slab", "Q0142")
    assert "Q0140" not in out
    assert "Q0142: moves asked for and achieved" in out
    assert "Q0142: movement of each corner" in out
    assert "during injection" not in out
    (row,) = (line for line in out.splitlines() if "lift FR" in line and line.startswith(" "))
    cells = row.split()
    # coordinates are written to 0.01 mm
    assert [float(cells[i]) for i in (2, 4, 6)] == pytest.approx([10.0, 8.0, 2.0], abs=0.021)
    assert cells[3::2] == ["±0.08", "±0.11", "±0.08", "±1"]
    assert cells[8] == "+80"


def test_history_of_slabs_measured_once_and_unknown_ones(life: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = told(capsys, "history", life, "--survey", life / "survey" / "z.csv")
    assert status == 0
    assert out.startswith("Quillmoor link, track 2: no slab was measured more than once.")
    status, out, _ = told(capsys, "history", life, "--survey", life / "survey" / "z.csv", "--slab", "Q0141")
    assert "Q0141 rough 1" in out
    status, _, err = told(capsys, "history", life, "--slab", "Q0143", "--slab", "Q014l")
    assert status == 2
    assert "--slab: expected the name of a slab, found 'Q014l' (did you mean" in err


def test_history_of_conflicting_files(life: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "p"
    shutil.copytree(life, folder)
    rows = (folder / "survey" / "x.csv").read_text()
    level = rows.splitlines()[1].split(",")[5]
    (folder / "survey" / "x2.csv").write_text(rows.replace(level, f"{float(level) + 0.003:.5f}", 1))
    status, out, _ = told(capsys, "history", folder)
    assert status == 0
    text = " ".join(out.split())
    assert "! RL of slab Q0140 has two readings of one moment, 3.0 mm apart: point Q0140RL (x.csv:2)" in text
    assert "(x2.csv:2)" in text
    assert "3 readings stand in the survey twice and count once" in text
    (row,) = (line for line in out.splitlines() if line.startswith("      fine 2 "))
    assert "+0.50 ±0.09" in row
    assert "? no check" in row
    assert "two readings of one moment" in text


def test_limits_of_injection_that_make_no_sense(life: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "p"
    shutil.copytree(life, folder)
    settings = folder / "project.toml"
    settings.write_text(settings.read_text().replace("high_mm = 1.0", "high_mm = -1.0"))
    status, _, err = told(capsys, "history", folder)
    assert status == 2
    assert "low_mm below high_mm, found -0.5 and -1" in err
