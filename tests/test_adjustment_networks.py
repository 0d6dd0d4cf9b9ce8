"""The solver sparse and dense, free and held, where nothing can be adjusted, and its statistics."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
import scipy.sparse as sp
from adjusted_models import large, mixed, places, with_values
from scipy import stats

from geometry.survey.adjustment import AdjustmentError, UndeterminedError, adjust
from geometry.survey.normal import Normal, SingularError
from geometry.survey.observations import (
    DISTANCE,
    ZENITH,
    SurveyModel,
    levelled,
    sights,
)
from geometry.survey.reliability import CRITICAL, DELTA, alternatives, global_limit, log_chance

# -- sparse and dense, free and held -------------------------------------------------------------------------


def test_sparse_and_dense_agree() -> None:
    model = large(free=False)
    answer = adjust(model, model.start)
    miss, jacobian = model.linearise(answer.unknowns)
    assert sp.issparse(jacobian)
    dense = (jacobian / model.sigma[:, None]).toarray()
    covariance = np.linalg.inv(dense.T @ dense)
    np.testing.assert_allclose(dense.T @ (miss / model.sigma), 0.0, atol=0.05)  # of terms up to 1e6
    seen = 1 - np.einsum("ij,jk,ik->i", dense, covariance, dense)
    np.testing.assert_allclose(answer.redundancy, seen, rtol=0, atol=1e-8)
    some = np.array([3, 150, 4, 299])
    np.testing.assert_allclose(answer.covariance(some), covariance[np.ix_(some, some)], rtol=1e-6, atol=1e-15)
    triples = model.column[[0, 40, 100]]
    blocks = answer.blocks(triples)
    np.testing.assert_allclose(blocks[1], covariance[np.ix_(triples[1], triples[1])], rtol=1e-6, atol=1e-15)


def pseudo_inverse(model: SurveyModel, unknowns: np.ndarray) -> np.ndarray:
    """Return the covariance of the free network whose coordinates alone make the datum."""
    _, jacobian = model.linearise(unknowns)
    dense = jacobian if isinstance(jacobian, np.ndarray) else jacobian.toarray()
    dense = dense / model.sigma[:, None]
    moves = model.free_moves(unknowns)[:, :4]
    held = moves * (np.arange(model.size) < model.points_end)[:, None]
    n, d = moves.shape
    bordered = np.block([[dense.T @ dense, held], [held.T, np.zeros((d, d))]])
    return np.linalg.inv(bordered)[:n, :n]


def test_a_free_network_has_inner_constraints() -> None:
    model = large(free=True)
    datum = (np.arange(model.size) < model.points_end).astype(float)
    answer = adjust(model, model.start, free_moves=model.free_moves, datum=datum)
    change = (answer.unknowns - model.start)[: model.points_end].reshape(-1, 3)
    np.testing.assert_allclose(change.sum(axis=0), 0.0, atol=1e-8)  # no shift of the whole
    local = model.coordinates(model.start) - model.coordinates(model.start).mean(axis=0)
    assert abs((change[:, 0] * local[:, 1] - change[:, 1] * local[:, 0]).sum()) < 1e-3  # no turn: 1e-8 rad
    assert answer.freedom == len(model.observations) - model.size + 4
    wanted = pseudo_inverse(model, answer.unknowns)
    some = np.array([5, 100, 270, model.size - 1])
    np.testing.assert_allclose(answer.covariance(some), wanted[np.ix_(some, some)], rtol=1e-5, atol=1e-13)
    triples = model.column[[2, 57]]
    np.testing.assert_allclose(answer.blocks(triples)[1], wanted[np.ix_(triples[1], triples[1])], rtol=1e-5, atol=1e-13)
    # what is seen does not depend on the datum
    other = adjust(model, model.start, free_moves=model.free_moves, datum=datum * (np.arange(model.size) < 60))
    np.testing.assert_allclose(answer.residual, other.residual, rtol=0, atol=1e-8)
    np.testing.assert_allclose(answer.redundancy, other.redundancy, rtol=0, atol=1e-7)


def test_cancelled_entries_of_the_factor_are_still_found() -> None:
    """Eliminating the first unknown cancels the entry between the next two exactly, and the factor drops it."""
    n = 300
    rows = np.zeros((n + 400, n))
    rows[0, :3] = 2, 1, 1
    rows[1, [1, 3]] = rows[2, [2, 4]] = 1
    rows[3, 1] = rows[4, 1] = rows[5, 2] = rows[6, 2] = 1  # the diagonals come to 4, so that scaling rounds nothing
    rows[7 : 7 + n - 3, 3:] = np.eye(n - 3)
    some = np.random.default_rng(1)
    for line in range(7 + n, n + 400):  # the rest is well connected, so that it is eliminated later
        rows[line, 3 + some.choice(12, 2, replace=False)] = some.normal(size=2)
    normal = Normal(sp.csr_array(rows))
    inverse = np.linalg.inv(rows.T @ rows)
    which = np.array([[0, 1, 2], [1, 2, 3], [0, 4, 299]])  # the last ones never meet in an observation
    wanted = np.stack([inverse[np.ix_(w, w)] for w in which])
    np.testing.assert_allclose(normal.blocks(which), wanted, rtol=0, atol=1e-13)
    np.testing.assert_allclose(normal.columns(np.array([2]))[:5, 0], inverse[:5, 2], rtol=0, atol=1e-13)
    np.testing.assert_allclose(
        normal.row_variances(sp.csr_array(rows[:8])), np.einsum("ij,jk,ik->i", rows[:8], inverse, rows[:8]),
        rtol=0, atol=1e-13,
    )  # fmt: skip


# -- what cannot be adjusted ---------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [4, 400])
def test_undetermined_unknowns_are_named(size: int) -> None:
    count = np.arange(size - 1)
    xyz = np.zeros((size + 1, 3))
    fixed = np.ones(xyz.shape, dtype=bool)
    fixed[1:, 2] = False
    observed = levelled(count, count + 1, np.zeros(size - 1), 1e-3, np.full(size - 1, 100.0))
    model = SurveyModel(observed, places(xyz, fixed))
    with pytest.raises(UndeterminedError, match=f"do not determine: level of P{size}$") as caught:
        adjust(model, model.start)
    assert caught.value.unknowns == (f"level of P{size}",)


def test_a_floating_network_is_named_and_not_adjusted() -> None:
    model = large(free=True)
    with pytest.raises(UndeterminedError, match="do not determine"):
        adjust(model, model.start)


def test_singular_equations_say_what_is_free() -> None:
    rows = np.array([[1.0, -1.0, 0.0], [0.0, 0.0, 2.0]])
    with pytest.raises(SingularError) as caught:
        Normal(rows)
    np.testing.assert_allclose(np.abs(caught.value.free[:, 0]), [math.sqrt(0.5), math.sqrt(0.5), 0.0], atol=1e-8)


def test_observations_without_a_value_or_a_sigma_are_refused() -> None:
    with pytest.raises(ValueError, match=re.escape("observation 1 has no finite value")):
        levelled(np.array([0, 0]), np.array([1, 1]), np.array([1.0, np.nan]), 1e-3, np.ones(2))
    assert len(sights(ZENITH, np.array([0, 0]), np.array([1, 1]), np.array([np.nan, 1.5]), 1e-3)) == 1


def test_a_prism_over_the_instrument_is_refused() -> None:
    model = SurveyModel(
        sights(DISTANCE, np.array([0]), np.array([1]), np.array([1.0]), 1.0), places([[1, 2, 3], [1, 2, 5]], True)
    )
    with pytest.raises(ValueError, match="own vertical"):
        model.linearise(model.start)


def test_gross_contradictions_end_in_an_error_not_in_numbers() -> None:
    model = mixed(11)
    o = model.observations
    value = np.where(o.kind == DISTANCE, 1e9, o.value)
    wild = SurveyModel(with_values(o, value=value), model.places)
    with pytest.raises(AdjustmentError):
        adjust(wild, wild.start)


# -- statistics ----------------------------------------------------------------------------------------------


def test_limits_are_those_of_the_tables() -> None:
    assert pytest.approx(3.2905, abs=5e-5, rel=0) == CRITICAL  # tables of the normal distribution
    assert pytest.approx(4.13, abs=5e-3, rel=0) == DELTA  # Baarda 1968
    assert global_limit(10) == pytest.approx(29.588, abs=5e-4, rel=0)  # chi-square table, 0.1 percent
    assert math.isinf(global_limit(0))
    for rank in (1, 2, 4):
        for fall in (3.0, 50.0, 900.0, 1300.0):
            wanted = stats.chi2.logsf(fall, rank)
            assert log_chance(fall, rank) == pytest.approx(float(wanted), abs=0.01, rel=0)
    # beyond that the chance underflows; for two degrees it is exp(-fall / 2) exactly
    assert log_chance(5000.0, 2) == pytest.approx(-2500.0, abs=1e-6, rel=0)


def test_an_alternative_equals_an_adjustment_that_has_it_as_an_unknown() -> None:
    rng = np.random.default_rng(12)
    a, sigma = rng.normal(size=(12, 4)), rng.uniform(0.5, 2, 12)
    miss = rng.normal(size=12) * sigma
    pattern = rng.normal(size=(12, 2))
    rows = a / sigma[:, None]
    hat = rows @ np.linalg.solve(rows.T @ rows, rows.T)
    checking = (np.eye(12) - hat) / sigma[:, None] / sigma
    got = alternatives(checking, checking @ miss, np.stack([pattern, a[:, 1:3], pattern]))
    both = np.hstack([a, pattern]) / sigma[:, None]
    solution, after, *_ = np.linalg.lstsq(both, miss / sigma, rcond=None)
    before = np.linalg.lstsq(rows, miss / sigma, rcond=None)[1]
    assert got.rank.tolist() == [2, 0, 2]  # what the unknowns absorb cannot be told
    assert np.isnan(got.size[1]).all()
    assert float(got.fall[2]) == pytest.approx(float(before[0] - after[0]), rel=1e-10)
    np.testing.assert_allclose(got.size[0], solution[4:], rtol=1e-9)
    np.testing.assert_allclose(got.sigma[2], np.sqrt(np.diagonal(np.linalg.inv(both.T @ both)))[4:], rtol=1e-9)
    mixed_pattern = np.stack([pattern[:, 0], a[:, 0]], axis=1)
    half = alternatives(checking, checking @ miss, mixed_pattern[None])
    assert half.rank.tolist() == [1]
    assert np.isnan(half.size[0, 1])
    assert np.isfinite(half.size[0, 0])
