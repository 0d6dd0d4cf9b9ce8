"""The rigid fit against scipy's rotations and optimisers, exact constructions, and its own statistics."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from geometry.alignment.frames import rotation, rotation_of_vector, to_grid
from geometry.survey import CRITICAL_W, Fits, fit_slabs, movement_rows, replaced
from geometry.survey.fit import _groups
from tests.reference import load

MARKS = np.array([[-0.95, -2.25, 0.01], [0.95, -2.25, 0.0], [-0.95, 2.25, -0.01], [0.95, 2.25, 0.02]])
SIGMA = np.array([0.0008, 0.0009, 0.0004])
PM = 1e-12


def pose(n: int, seed: int = 1, at: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    matrix = rotation(rng.uniform(0, 2 * math.pi, n), rng.uniform(-0.03, 0.03, n), rng.uniform(-0.12, 0.12, n))
    return rng.normal(size=(n, 3)) * (50, 50, 5) + at, matrix


def measured(
    position: np.ndarray,
    matrix: np.ndarray,
    marks: np.ndarray = MARKS,
    noise: float | np.ndarray = 0.0,
    seed: int = 2,
    scale: float = 1.0,
) -> np.ndarray:
    """Return grid coordinates of marks, with noise (1 sigma) in the slab's frame."""
    rng = np.random.default_rng(seed)
    local = marks + rng.normal(size=(len(position), *marks.shape)) * noise
    return to_grid(position, matrix, local, scale)


def fit(
    start: tuple[np.ndarray, np.ndarray],
    xyz: np.ndarray,
    sigma: np.ndarray | float = SIGMA,
    marks: np.ndarray = MARKS,
    scale: float = 1.0,
) -> Fits:
    n, m = xyz.shape[:2]
    return fit_slabs(
        *start, marks[None], np.zeros(n, dtype=np.intp), xyz, np.broadcast_to(sigma, (n, m, 3)).astype(float), scale
    )


def disturbed(
    position: np.ndarray, matrix: np.ndarray, seed: int = 5, shift: float = 0.02, turn: float = 0.01
) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return position + rng.normal(size=position.shape) * shift, matrix @ rotation_of_vector(
        rng.normal(size=position.shape) * turn
    )


# -- the pose ------------------------------------------------------------------------------------------------


def test_an_exact_slab_is_found_exactly() -> None:
    true = pose(20)
    fits = fit(disturbed(*true), measured(*true))
    np.testing.assert_allclose(fits.position, true[0], rtol=0, atol=5e-13)
    np.testing.assert_allclose(fits.rotation, true[1], rtol=0, atol=5e-13)
    assert np.nanmax(np.abs(fits.residual)) < PM
    assert not fits.suspicious.any()


@pytest.mark.parametrize("turn", [0.0, 0.001, 0.05])
def test_unit_weights_give_the_rotation_of_scipy(turn: float) -> None:
    """scipy.spatial.transform.Rotation.align_vectors solves Wahba's problem by singular values (Kabsch)."""
    true = pose(15)
    xyz = measured(*true, noise=0.002)
    fits = fit(disturbed(*true, turn=turn), xyz, 0.001)
    centred = MARKS - MARKS.mean(axis=0)
    for i in range(15):
        wanted, _ = Rotation.align_vectors(xyz[i] - xyz[i].mean(axis=0), centred)
        # a last step below 1e-7 leaves that times residual over size, 1e-3: 1e-10
        np.testing.assert_allclose(fits.rotation[i], wanted.as_matrix(), rtol=0, atol=2e-10)
        at = xyz[i].mean(axis=0) - wanted.as_matrix() @ MARKS.mean(axis=0)
        np.testing.assert_allclose(fits.position[i], at, rtol=0, atol=2e-10)


def test_four_corners_with_a_warp() -> None:
    table = load("rigid_body")
    # there x is along the slab and y to its left; here x is to the right and y forward
    to_ours = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    marks = np.array(table["corners_m"]) @ to_ours.T
    wanted = np.array(table["rotation"]) @ to_ours.T
    xyz = np.array(table["measured_m"])[None]
    start = (
        np.array(table["position_m"])[None] + [0.01, -0.02, 0.03],
        wanted[None] @ rotation_of_vector(np.array([0.01, 0.02, -0.01])),
    )
    fits = fit(start, xyz, 0.001, marks)
    np.testing.assert_allclose(fits.position[0], table["position_m"], rtol=0, atol=2e-9)  # the spacing at 3.4e6
    np.testing.assert_allclose(fits.rotation[0], wanted, rtol=0, atol=1e-9)
    np.testing.assert_allclose(fits.residual[0, :, 2], -np.array(table["adjusted_less_observed_m"]), rtol=0, atol=2e-9)
    np.testing.assert_allclose(fits.residual[0, :, :2], 0.0, rtol=0, atol=2e-9)
    # equal sigmas: the misfit is 4 (0.3 / 1)^2
    assert float(fits.misfit[0]) == pytest.approx(0.36, abs=1e-5, rel=0)


def solve(start: tuple[np.ndarray, np.ndarray], marks: np.ndarray, xyz: np.ndarray, covariance: np.ndarray):
    """Fit one slab with scipy's least_squares; the covariance of its coordinates is that of the grid, (3m, 3m)."""
    used = np.repeat(np.isfinite(xyz).all(axis=1), 3)
    whiten = np.linalg.inv(np.linalg.cholesky(covariance[np.ix_(used, used)]))

    def miss(p: np.ndarray) -> np.ndarray:
        matrix = start[1] @ Rotation.from_rotvec(p[3:]).as_matrix()
        return whiten @ (xyz - start[0] - p[:3] - marks @ matrix.T).ravel()[used]

    answer = least_squares(miss, np.zeros(6), x_scale=[1e-3] * 6, ftol=1e-15, xtol=1e-15, gtol=1e-15, method="lm")
    return start[0] + answer.x[:3], start[1] @ Rotation.from_rotvec(answer.x[3:]).as_matrix(), answer


def in_grid(sigma: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """Return the covariance in the grid, (3m, 3m), of sigmas along the axes of a slab, (m, 3)."""
    turn = np.kron(np.eye(len(sigma)), matrix)
    return turn @ np.diag(sigma.ravel() ** 2) @ turn.T


@pytest.mark.parametrize("case", ["anisotropic", "mixed sigmas", "three marks"])
def test_weighted_fits_agree_with_scipy(case: str) -> None:
    true = pose(4, seed=8)
    xyz = measured(*true, noise=0.003)
    sigma = np.broadcast_to(SIGMA, (4, 4, 3)).copy()
    if case == "mixed sigmas":
        sigma = sigma * np.random.default_rng(3).uniform(0.3, 4.0, (4, 4, 3))
    if case == "three marks":
        xyz[:, 1] = np.nan
    fits = fit(disturbed(*true), xyz, sigma)
    for i in range(4):
        # sigmas lie along the axes of the slab as it is: there, and nowhere else, the fit must be the minimum
        covariance = in_grid(sigma[i], fits.rotation[i])
        position, matrix, answer = solve((true[0][i], true[1][i]), MARKS, xyz[i], covariance)
        np.testing.assert_allclose(fits.position[i], position, rtol=0, atol=1e-9)
        np.testing.assert_allclose(fits.rotation[i], matrix, rtol=0, atol=1e-9)
        assert float(fits.misfit[i]) == pytest.approx(2 * answer.cost, abs=1e-8, rel=0)


def with_covariance(start: tuple, xyz: np.ndarray, covariance: np.ndarray) -> Fits:
    n, m = xyz.shape[:2]
    return fit_slabs(*start, MARKS[None], np.zeros(n, dtype=np.intp), xyz, np.ones((n, m, 3)), covariance=covariance)


def common_error(seed: int) -> np.ndarray:
    """Return a covariance in the grid whose marks share an error, as those of one set-up do."""
    root = np.random.default_rng(seed).normal(size=(12, 16)) * 0.0005
    root[:, 0] += np.tile([0.002, -0.001, 0.0005], 4)
    return root @ root.T


def test_full_covariances_agree_with_scipy() -> None:
    true = pose(3, seed=8)
    covariance = np.stack([common_error(i) for i in range(3)])
    noise = np.stack(
        [np.random.default_rng(i).multivariate_normal(np.zeros(12), covariance[i]).reshape(4, 3) for i in range(3)]
    )
    xyz = measured(*true) + noise
    xyz[2, 1] = np.nan
    fits = with_covariance(true, xyz, covariance)
    for i in range(3):
        position, matrix, answer = solve((true[0][i], true[1][i]), MARKS, xyz[i], covariance[i])
        # the covariance rides with the slab from its start to its place, some mrad: that times residuals of 2 mm
        np.testing.assert_allclose(fits.position[i], position, rtol=0, atol=1e-5)
        np.testing.assert_allclose(fits.rotation[i], matrix, rtol=0, atol=1e-5)
        assert float(fits.misfit[i]) == pytest.approx(2 * answer.cost, abs=0.02 * 2 * answer.cost, rel=0)
        # covariance of the pose from scipy's Jacobian: shift in the grid, turn about the slab's axes
        spread = np.linalg.inv(answer.jac.T @ answer.jac)
        to_six = np.zeros((6, 6))
        to_six[:3, :3], to_six[3:, 3:] = true[1][i].T, np.diag([1.0, 1.0, -1.0])
        wanted = to_six @ spread @ to_six.T
        size = np.sqrt(np.diag(wanted))
        np.testing.assert_allclose(
            fits.covariance[i] / np.outer(size, size), wanted / np.outer(size, size), rtol=0, atol=0.02
        )
    assert fits.design.freedom[fits.group].tolist() == [6, 6, 3]


def test_diagonal_covariances_are_sigmas() -> None:
    true = pose(5, seed=8)
    xyz = measured(*true, noise=0.001)
    xyz[3, 0] = np.nan
    sigma = SIGMA * np.random.default_rng(3).uniform(0.3, 4.0, (5, 4, 3))
    covariance = np.stack([in_grid(s, m) for s, m in zip(sigma, true[1], strict=True)])
    one, other = fit(true, xyz, sigma), with_covariance(true, xyz, covariance)
    for name in ("position", "rotation", "residual", "covariance", "measured", "suspicious", "explained"):
        np.testing.assert_allclose(getattr(other, name), getattr(one, name), rtol=0, atol=1e-10, err_msg=name)
    for name in ("w", "misfit"):
        np.testing.assert_allclose(getattr(other, name), getattr(one, name), rtol=0, atol=1e-7, err_msg=name)
    np.testing.assert_allclose(
        other.design.redundancy[other.group], one.design.redundancy[one.group], rtol=0, atol=1e-9
    )


def test_monte_carlo_with_a_common_error() -> None:
    n = 20_000
    true = pose(1, seed=8)
    true = np.repeat(true[0], n, axis=0), np.repeat(true[1], n, axis=0)
    covariance = common_error(4)
    noise = np.random.default_rng(6).multivariate_normal(np.zeros(12), covariance, n).reshape(n, 4, 3)
    fits = with_covariance(true, measured(*true) + noise, np.broadcast_to(covariance, (n, 12, 12)))
    np.testing.assert_allclose(fits.w.std(axis=0), 1.0, rtol=0, atol=0.02)
    assert fits.misfit.mean() == pytest.approx(6.0, abs=0.1, rel=0)
    off = np.einsum("nij,ni->nj", true[1], fits.position - true[0])
    np.testing.assert_allclose(off.std(axis=0) / np.sqrt(np.diag(fits.covariance[0]))[:3], 1.0, rtol=0, atol=0.02)


def test_covariance_is_that_of_the_numerical_jacobian() -> None:
    true = pose(1, seed=8)
    sigma = SIGMA * np.random.default_rng(3).uniform(0.3, 4.0, (1, 4, 3))
    fits = fit(true, measured(*true), sigma)
    jacobian = np.empty((12, 6))
    for k in range(6):
        ends = []
        for step in (1e-5, -1e-5):
            p = np.zeros(6)
            p[k] = step
            # across, along, up in the slab's frame; pitch and roll right-handed about x and y, yaw clockwise
            matrix = true[1][0] @ Rotation.from_rotvec(p[3:] * [1, 1, -1]).as_matrix()
            at = true[0][0] + true[1][0] @ p[:3]
            ends.append((MARKS @ matrix.T + at - true[0][0]) @ true[1][0])
        jacobian[:, k] = ((ends[0] - ends[1]) / 2e-5 / sigma[0]).ravel()
    wanted = np.linalg.inv(jacobian.T @ jacobian)
    size = np.sqrt(np.diag(wanted))
    np.testing.assert_allclose(
        fits.covariance[0] / np.outer(size, size), wanted / np.outer(size, size), rtol=0, atol=1e-8
    )


def test_movement_rows_move_places() -> None:
    places = np.random.default_rng(4).normal(size=(7, 3))
    rows = movement_rows(places)
    step = 1e-6
    for k, (shift, turn) in enumerate(
        [
            *((np.eye(3)[i], np.zeros(3)) for i in range(3)),
            (np.zeros(3), [1, 0, 0]),
            (np.zeros(3), [0, 1, 0]),
            (np.zeros(3), [0, 0, -1]),
        ]
    ):
        matrix = Rotation.from_rotvec(np.array(turn) * step).as_matrix()
        np.testing.assert_allclose(
            rows[..., k], (places @ matrix.T + np.array(shift) * step - places) / step, rtol=0, atol=3e-6
        )


def test_the_words_of_the_six() -> None:
    front, left, right = np.array([0, 2.0, 0]), np.array([-1.0, 0, 0]), np.array([1.0, 0, 0])
    assert movement_rows(front)[2, 3] == 2.0  # pitch: forward end up
    assert movement_rows(left)[2, 4] == 1.0  # roll: left side up
    assert movement_rows(front)[0, 5] == 2.0  # yaw: clockwise from above, the front goes right
    assert movement_rows(right)[1, 5] == -1.0


def test_weights_times_a_number_leave_the_estimate() -> None:
    true = pose(6)
    xyz = measured(*true, noise=0.002)
    sigma = SIGMA * np.random.default_rng(3).uniform(0.5, 2.0, (6, 4, 3))
    one, ten = fit(true, xyz, sigma), fit(true, xyz, 10 * sigma)
    np.testing.assert_allclose(ten.position, one.position, rtol=0, atol=1e-12)
    np.testing.assert_allclose(ten.rotation, one.rotation, rtol=0, atol=1e-12)
    np.testing.assert_allclose(ten.covariance / 100, one.covariance, rtol=0, atol=1e-15)
    np.testing.assert_allclose(ten.misfit * 100, one.misfit, rtol=0, atol=1e-6)
    np.testing.assert_allclose(ten.design.redundancy, one.design.redundancy, rtol=0, atol=1e-12)


def test_moving_the_project_moves_the_pose() -> None:
    true = pose(6)
    xyz = measured(*true, noise=0.002)
    turn = rotation(np.array(1.1), np.array(0.0), np.array(0.0))
    shift = np.array([100.0, -50.0, 3.0])
    one = fit(true, xyz)
    other = fit((true[0] @ turn.T + shift, turn @ true[1]), xyz @ turn.T + shift)
    np.testing.assert_allclose(other.position, one.position @ turn.T + shift, rtol=0, atol=1e-12)
    np.testing.assert_allclose(other.rotation, turn @ one.rotation, rtol=0, atol=1e-12)
    np.testing.assert_allclose(other.w, one.w, rtol=0, atol=1e-8)


def test_the_start_does_not_matter() -> None:
    true = pose(10)
    xyz = measured(*true, noise=0.002)
    near, far = fit(true, xyz), fit(disturbed(*true, shift=0.3, turn=0.05), xyz)
    np.testing.assert_allclose(far.position, near.position, rtol=0, atol=1e-10)
    np.testing.assert_allclose(far.rotation, near.rotation, rtol=0, atol=1e-10)


def test_large_coordinates() -> None:
    true = pose(10)
    shift = np.array([512_345.0, 5_234_567.0, 300.0])
    far = true[0] + shift, true[1]
    fits, near = fit(far, measured(*far)), fit(true, measured(*true))
    np.testing.assert_allclose(fits.position - shift, near.position, rtol=0, atol=2e-9)
    np.testing.assert_allclose(fits.rotation, near.rotation, rtol=0, atol=2e-9)
    np.testing.assert_allclose(fits.residual, 0.0, rtol=0, atol=1e-9)


@pytest.mark.parametrize("scale", [0.9996, 1.0005])
def test_grid_scale(scale: float) -> None:
    # unheeded, 4.5 m would be 1.8 mm too long or short
    true = pose(10)
    fits = fit(disturbed(*true), measured(*true, scale=scale), scale=scale)
    np.testing.assert_allclose(fits.position, true[0], rtol=0, atol=PM)
    np.testing.assert_allclose(fits.rotation, true[1], rtol=0, atol=PM)
    wrong = fit(true, measured(*true, scale=scale))
    assert np.abs(wrong.residual).max() > 2e-4


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


# -- many kinds at once --------------------------------------------------------------------------------------


def test_types_and_patterns_mixed_are_as_if_alone() -> None:
    rng = np.random.default_rng(21)
    n = 300
    places = np.stack(
        [np.concatenate([MARKS, [[0.2, 0.6, 0.0]]]), np.concatenate([MARKS * (1, 0.75, 1), [[np.nan] * 3]])]
    )
    kinds = rng.integers(0, 2, n)
    true = pose(n)
    local = np.nan_to_num(places)[kinds] + rng.normal(size=(n, 5, 3)) * 0.001
    xyz = to_grid(*true, local)
    xyz[kinds == 1, 4] = np.nan
    for mark in range(4):
        xyz[rng.random(n) < 0.1, mark] = np.nan
    sigma = SIGMA * rng.choice([1.0, 1.5, 3.0], size=(n, 1, 1)) * np.ones((n, 5, 1))
    sigma[rng.random(n) < 0.2, 1] *= 1.7
    fits = fit_slabs(*true, places, kinds, xyz, sigma)
    for i in range(0, n, 7):
        alone = fit_slabs(
            true[0][i : i + 1], true[1][i : i + 1], places, kinds[i : i + 1], xyz[i : i + 1], sigma[i : i + 1]
        )
        for name in ("position", "rotation", "residual", "covariance", "explained", "suspicious", "measured"):
            np.testing.assert_allclose(
                getattr(fits, name)[i], getattr(alone, name)[0], rtol=0, atol=3e-10, err_msg=name
            )
        for name in ("w", "misfit"):  # in units of some 0.1 mm
            np.testing.assert_allclose(getattr(fits, name)[i], getattr(alone, name)[0], rtol=0, atol=1e-6, err_msg=name)
    assert (fits.measured.sum(axis=1) >= 3).any()
    assert (~fits.determined).any()


def test_types_with_the_same_sigmas_keep_their_own_matrices() -> None:
    """Only the shape tells them apart: a wide slab and a narrow one, measured alike."""
    places = np.stack([MARKS, MARKS * (0.5, 0.6, 1)])
    kinds = np.array([0, 1, 1, 0])
    true = pose(4)
    xyz = to_grid(*true, places[kinds] + np.random.default_rng(5).normal(size=(4, 4, 3)) * 0.001)
    fits = fit_slabs(*true, places, kinds, xyz, np.broadcast_to(SIGMA, (4, 4, 3)).copy())
    assert fits.group[0] == fits.group[3] != fits.group[1]
    for i in range(4):
        alone = fit((true[0][i : i + 1], true[1][i : i + 1]), xyz[i : i + 1], marks=places[kinds[i]])
        np.testing.assert_allclose(fits.position[i], alone.position[0], rtol=0, atol=3e-10)
        np.testing.assert_allclose(fits.covariance[i], alone.covariance[0], rtol=0, atol=1e-15)


def test_sigmas_that_are_permuted_are_not_the_same_group() -> None:
    """Slabs whose sigmas are the same numbers in another order need matrices of their own."""
    true = pose(2)
    xyz = measured(*true, noise=0.003)
    sigma = np.broadcast_to(SIGMA, (2, 4, 3)).copy()
    sigma[0, 0], sigma[1, 3] = 5 * SIGMA, 5 * SIGMA
    fits = fit(true, xyz, sigma)
    assert fits.group[0] != fits.group[1]
    for i in range(2):
        alone = fit((true[0][i : i + 1], true[1][i : i + 1]), xyz[i : i + 1], sigma[i : i + 1])
        np.testing.assert_allclose(fits.position[i], alone.position[0], rtol=0, atol=1e-12)


def test_tiny_differences_of_sigma_do_not_share_a_wrong_group() -> None:
    rng = np.random.default_rng(31)
    n = 5000
    true = pose(n)
    sigma = SIGMA * rng.uniform(0.9, 1.1, (n, 4, 3))
    fits = fit(true, measured(*true, noise=0.001), sigma)
    used = 1 / np.sqrt(np.einsum("gii->gi", fits.design.weight))[fits.group].reshape(n, 4, 3)
    np.testing.assert_allclose(used, sigma, rtol=0, atol=1e-15)


@pytest.mark.parametrize("type_index", [0, 9])
def test_no_two_sets_of_sigmas_are_taken_for_one(type_index: int) -> None:
    """With sigmas from an adjustment every slab has its own; none may be fitted with another's weights."""
    rng = np.random.default_rng(32)
    n = 400_000
    sigma = SIGMA * rng.uniform(0.5, 2.0, (n, 4, 3))
    _, group = _groups(np.full(n, type_index), sigma, np.ones((n, 4), dtype=bool))
    assert len(np.unique(group)) == n


def test_no_slabs() -> None:
    fits = fit_slabs(
        np.empty((0, 3)),
        np.empty((0, 3, 3)),
        MARKS[None],
        np.empty(0, dtype=np.intp),
        np.empty((0, 4, 3)),
        np.empty((0, 4, 3)),
    )
    assert fits.position.shape == (0, 3)
    assert fits.determined.shape == (0,)


def test_inputs_are_left_alone() -> None:
    true = pose(3)
    xyz, sigma = measured(*true, noise=0.001), np.broadcast_to(SIGMA, (3, 4, 3)).copy()
    copies = [a.copy() for a in (*true, xyz, sigma)]
    fit(true, xyz, sigma)
    for now, before in zip((*true, xyz, sigma), copies, strict=True):
        np.testing.assert_array_equal(now, before)


def test_the_order_of_memory_does_not_matter() -> None:
    true = pose(6, seed=41)
    xyz, sigma = measured(*true, noise=0.001), np.broadcast_to(SIGMA, (6, 4, 3)).copy()
    xyz[2, 1] = np.nan
    one = fit(true, xyz, sigma)
    other = fit(
        (np.asfortranarray(true[0]), np.asfortranarray(true[1])), np.asfortranarray(xyz), np.asfortranarray(sigma)
    )
    for name in ("position", "rotation", "residual", "w", "misfit", "measured", "group"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


@pytest.mark.parametrize("take_over", [False, True])
def test_rows_of_another_fit(take_over: bool) -> None:
    true = pose(5, seed=42)
    xyz, sigma = measured(*true, noise=0.001), np.broadcast_to(SIGMA, (5, 4, 3)).copy()
    whole, rows = fit(true, xyz, sigma), np.array([1, 3])
    less = xyz.copy()
    less[rows, 2] = np.nan
    part = fit((true[0][rows], true[1][rows]), less[rows], sigma[rows])
    wanted, before = fit(true, less, sigma), whole.position.copy()
    found = replaced(whole, rows, part, take_over=take_over)
    for name in ("position", "rotation", "residual", "w", "misfit", "measured", "covariance", "determined"):
        np.testing.assert_allclose(getattr(found, name), getattr(wanted, name), rtol=0, atol=1e-9)
    assert (whole.position is found.position) == take_over
    if not take_over:
        np.testing.assert_array_equal(whole.position, before)
