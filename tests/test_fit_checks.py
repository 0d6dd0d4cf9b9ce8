"""What a rigid fit checks: redundancy, its own statistics, and blunders named or only seen."""

from __future__ import annotations

import numpy as np
import pytest
from fitted_slabs import MARKS, SIGMA, fit, measured, pose
from scipy import stats
from scipy.spatial.transform import Rotation

from geometry.alignment.frames import to_grid
from geometry.survey import CRITICAL_W

# -- what is checked -----------------------------------------------------------------------------------------


def test_redundancy_of_four_corners() -> None:
    """0.70, 0.55 and 0.25 in across, along, up for corners 1.9 m by 4.5 m; all together 12 - 6."""
    flat = MARKS * (1, 1, 0)
    true = pose(1)
    r = fit(true, measured(*true, flat), 0.001, flat).design.redundancy.reshape(4, 3)
    square = 0.95**2 + 2.25**2
    # leverage: 1/4 of the shift, yaw takes y^2 or x^2 over the sum of squares; up: shift, pitch and roll 1/4 each
    wanted = (1 - 1 / 4 - 2.25**2 / (4 * square), 1 - 1 / 4 - 0.95**2 / (4 * square), 0.25)
    np.testing.assert_allclose(r, np.broadcast_to(wanted, (4, 3)), rtol=0, atol=1e-12)
    assert r.sum() == pytest.approx(6.0, abs=1e-10, rel=0)


def test_redundancy_numbers_add_up_to_the_freedom() -> None:
    marks = np.concatenate([MARKS, [[0.1, 0.3, 0.0]]])
    true = pose(3)
    xyz = measured(*true, marks)
    xyz[1, 4] = np.nan
    xyz[2, [0, 4]] = np.nan
    sigma = SIGMA * np.random.default_rng(3).uniform(0.3, 3.0, (3, 5, 3))
    fits = fit(true, xyz, sigma, marks)
    assert fits.design.freedom[fits.group].tolist() == [9, 6, 3]
    np.testing.assert_allclose(np.nansum(fits.design.redundancy, axis=1)[fits.group], [9, 6, 3], rtol=0, atol=1e-9)
    assert np.isnan(fits.design.redundancy.reshape(-1, 5, 3)[fits.group[2]][[0, 4]]).all()


def test_monte_carlo() -> None:
    """Covariance, w and the global test do what their names promise, over 40,000 slabs with normal noise."""
    n = 40_000
    true = pose(n)
    sigma = SIGMA * np.array([[1.0], [2.0], [1.0], [0.5]])
    fits = fit(true, measured(*true, noise=sigma), sigma)
    off = np.einsum("nij,ni->nj", true[1], fits.position - true[0])
    turned = Rotation.from_matrix(np.swapaxes(true[1], 1, 2) @ fits.rotation).as_rotvec() * (1, 1, -1)
    six = np.concatenate([off, turned], axis=1)
    wanted = fits.covariance[0]
    size = np.sqrt(np.diag(wanted))
    # a standard deviation from 40,000 is good to 0.35 percent, a correlation to 0.005
    np.testing.assert_allclose(six.std(axis=0) / size, 1.0, rtol=0, atol=0.015)
    np.testing.assert_allclose(np.corrcoef(six.T), wanted / np.outer(size, size), rtol=0, atol=0.02)
    np.testing.assert_allclose(six.mean(axis=0) / size, 0.0, rtol=0, atol=0.025)
    np.testing.assert_allclose(fits.w.std(axis=0), 1.0, rtol=0, atol=0.015)
    np.testing.assert_allclose((np.abs(fits.w) > CRITICAL_W).mean(), 0.001, rtol=0, atol=3e-4)
    assert fits.misfit.mean() == pytest.approx(6.0, abs=0.07, rel=0)
    assert stats.kstest(fits.misfit, stats.chi2(6).cdf).pvalue > 1e-3
    # false alarms: 0.1 percent of 40,000 is 40 +- 6.3
    assert 20 <= fits.suspicious.sum() <= 64


def test_the_critical_value() -> None:
    # two-sided 0.1 percent of a normal distribution (Baarda): 3.29
    assert pytest.approx(3.2905, abs=1e-4, rel=0) == CRITICAL_W


def test_three_corners_fit_but_check_no_height() -> None:
    true = pose(2)
    xyz = measured(*true, noise=0.001)
    xyz[0, 2] = np.nan
    fits = fit(true, xyz)
    assert fits.determined.tolist() == [True, True]
    assert fits.checked.tolist() == [False, True]
    assert fits.design.freedom[fits.group].tolist() == [3, 6]
    assert np.isnan(fits.w[0, 2]).all()
    assert np.isnan(fits.residual[0, 2]).all()
    assert np.isnan(fits.w[0, :, 2]).all()  # three heights always fit
    np.testing.assert_allclose(fits.residual[0, [0, 1, 3], 2], 0.0, rtol=0, atol=1e-5)
    assert np.isfinite(fits.covariance[0]).all()


@pytest.mark.parametrize("gone", [[0, 1], [0, 3], [0, 1, 2], [0, 1, 2, 3]])
def test_fewer_than_three_marks_have_no_pose(gone: list[int]) -> None:
    true = pose(2)
    xyz = measured(*true)
    xyz[0, gone] = np.nan
    fits = fit(true, xyz)
    assert fits.determined.tolist() == [False, True]
    for values in (fits.position, fits.rotation, fits.residual, fits.w, fits.misfit, fits.covariance):
        assert np.isnan(values[0]).all()
        assert np.isfinite(values[1]).all()
    assert not fits.suspicious[0]
    assert not fits.explained[0].any()
    assert not fits.checked[0]


def test_marks_on_one_line_have_no_pose() -> None:
    line = np.array([[0.5, -2.0, 0.0], [0.5, 0.0, 0.0], [0.5, 1.0, 0.0], [0.5, 2.0, 0.0]])
    true = pose(1)
    fits = fit(true, measured(*true, line), SIGMA, line)
    assert not fits.determined[0]
    assert np.isnan(fits.position).all()
    almost = line.copy()
    almost[0, 0] += 1e-6
    assert not fit(true, measured(*true, almost), SIGMA, almost).determined[0]


def test_no_sigma_no_measurement() -> None:
    true = pose(1)
    sigma = np.broadcast_to(SIGMA, (1, 4, 3)).copy()
    sigma[0, 2, 1] = np.nan
    fits = fit(true, measured(*true), sigma)
    assert fits.measured[0].tolist() == [True, True, False, True]


def test_one_missing_coordinate_leaves_the_mark_out() -> None:
    true = pose(1)
    xyz = measured(*true)
    xyz[0, 1, 2] = np.nan
    assert fit(true, xyz).measured[0].tolist() == [True, False, True, True]


# -- blunders ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mark", range(4))
@pytest.mark.parametrize("axis", [0, 1])
def test_a_plan_blunder_is_attributed(mark: int, axis: int) -> None:
    true = pose(1)
    local = MARKS + np.random.default_rng(7).normal(size=(1, 4, 3)) * SIGMA * 0.5
    local[0, mark, axis] += 0.025
    fits = fit(true, to_grid(*true, local))
    assert fits.suspicious[0]
    assert fits.explained[0].tolist() == [i == mark for i in range(4)]
    # the largest w stands at the mark and axis, with the sign of the blunder (measured less fitted)
    worst = np.unravel_index(np.nanargmax(np.abs(fits.w[0])), (4, 3))
    assert worst == (mark, axis)
    assert fits.w[0][worst] > CRITICAL_W


@pytest.mark.parametrize("mark", range(4))
@pytest.mark.parametrize("size", [0.006, -0.006])
def test_a_height_blunder_is_seen_but_cannot_be_attributed(mark: int, size: float) -> None:
    true = pose(1)
    flat = MARKS * (1, 1, 0)
    local = flat[None].copy()
    local[0, mark, 2] += size
    fits = fit(true, to_grid(*true, local), SIGMA, flat)
    assert fits.suspicious[0]
    assert fits.explained[0].tolist() == [True] * 4  # each alone explains it
    # a quarter shows at every mark, in turn
    np.testing.assert_allclose(np.abs(fits.residual[0, :, 2]), abs(size) / 4, rtol=0, atol=1e-6)
    assert np.sign(fits.residual[0, mark, 2]) == np.sign(size)
    w = np.abs(fits.w[0, :, 2])
    np.testing.assert_allclose(w, w[0], rtol=0, atol=1e-3)


def test_a_fifth_mark_names_the_height() -> None:
    marks = np.concatenate([MARKS, [[0.2, 0.6, 0.0]]])
    true = pose(1)
    local = marks[None].copy()
    local[0, 3, 2] += 0.010
    fits = fit(true, to_grid(*true, local), SIGMA, marks)
    assert fits.suspicious[0]
    assert fits.explained[0].tolist() == [False, False, False, True, False]


def test_explained_means_that_the_rest_passes() -> None:
    """What the quadratic form says of leaving a mark out is what a fit without it finds."""
    true = pose(400, seed=12)
    rng = np.random.default_rng(13)
    local = MARKS + rng.normal(size=(400, 4, 3)) * SIGMA
    rows = np.arange(400)
    local[rows, rng.integers(0, 4, 400)] += rng.normal(size=(400, 3)) * 0.006
    xyz = to_grid(*true, local)
    fits = fit(true, xyz)
    limit = stats.chi2.isf(0.001, 6)
    assert fits.suspicious.tolist() == (fits.misfit > limit).tolist()
    assert 50 < fits.suspicious.sum() < 400
    checked = 0
    for mark in range(4):
        without = xyz.copy()
        without[:, mark] = np.nan
        rest = fit(true, without).misfit
        passes = rest <= stats.chi2.isf(0.001, 3)
        clear = fits.suspicious & (np.abs(rest - stats.chi2.isf(0.001, 3)) > 0.3)  # not a matter of rounding
        assert fits.explained[clear, mark].tolist() == passes[clear].tolist()
        checked += int(clear.sum())
    assert not fits.explained[~fits.suspicious].any()
    assert checked > 200


def test_two_blunders_are_not_explained_by_one_mark() -> None:
    true = pose(1)
    local = MARKS[None].copy()
    local[0, 0, 0] += 0.02
    local[0, 3, 1] += 0.02
    fits = fit(true, to_grid(*true, local))
    assert fits.suspicious[0]
    assert not fits.explained[0].any()


def test_three_marks_with_a_blunder_cannot_explain_it() -> None:
    true = pose(1)
    local = MARKS[None].copy()
    local[0, 0, 1] += 0.03
    xyz = to_grid(*true, local)
    xyz[0, 3] = np.nan
    fits = fit(true, xyz)
    assert fits.suspicious[0]
    assert not fits.explained[0].any()  # without it two marks are left, which fit nothing
