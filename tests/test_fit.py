"""The rigid fit against scipy's rotations and optimisers, exact constructions, and its own statistics."""

from __future__ import annotations

import numpy as np
import pytest
from fitted_slabs import MARKS, PM, SIGMA, disturbed, fit, measured, pose
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from geometry.alignment.frames import rotation, rotation_of_vector
from geometry.survey import Fits, fit_slabs, movement_rows
from tests.reference import load

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
