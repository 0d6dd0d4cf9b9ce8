"""Slabs of many kinds fitted at once are as if each were fitted alone."""

from __future__ import annotations

import numpy as np
import pytest
from fitted_slabs import MARKS, SIGMA, fit, measured, pose

from geometry.alignment.frames import to_grid
from geometry.survey import fit_slabs, replaced
from geometry.survey.fit import _groups

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
