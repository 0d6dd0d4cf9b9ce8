"""Whether a slab moved: the congruency test by hand and by printed tables, its level and its power in simulation.

Outside evidence: closed forms worked by hand, printed tables of chi-square, scipy.stats, and seeded simulation.
"""

from __future__ import annotations

from dataclasses import replace
from math import erfc, exp, pi, sqrt

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.transform import Rotation

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
from tests.slab_book import (
    SIGMA,
    STILL,
    Book,
    row_of_slabs,
    with_setups,
)

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


# --- set-ups that are uncertain themselves


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
