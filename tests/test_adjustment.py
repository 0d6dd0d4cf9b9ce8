"""The solver against published adjustments, certified regression, scipy, and its own statistics."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
import scipy.sparse as sp
from scipy import stats
from scipy.optimize import least_squares

from geometry.survey.adjustment import AdjustmentError, UndeterminedError, adjust, robust_unknowns
from geometry.survey.normal import Normal, SingularError
from geometry.survey.observations import (
    DIRECTION,
    DISTANCE,
    ZENITH,
    Observations,
    Places,
    SurveyModel,
    control,
    joined,
    levelled,
    sights,
)
from geometry.survey.reliability import CRITICAL, DELTA, alternatives, global_limit, log_chance
from tests.reference import load

GON = math.pi / 200
NO_BENDING = 1.0  # coefficient of refraction that takes curvature away as well


def places(xyz: object, fixed: object, orientations: int = 0) -> Places:
    xyz = np.array(xyz, dtype=float)
    names = tuple(f"P{i}" for i in range(len(xyz)))
    setups = tuple(f"S{i}" for i in range(orientations))
    return Places(xyz, np.broadcast_to(np.array(fixed), xyz.shape).copy(), np.zeros(orientations), names, setups)


# -- published adjustments -----------------------------------------------------------------------------------


def test_a_published_free_station() -> None:
    table = load("free_station")
    names = list(table["known_points_m"])
    known = np.array([table["known_points_m"][n] for n in names])
    start, end = np.full(3, 3), np.arange(3)
    prisms = np.array([table["target_height_m"][n] for n in names])
    heights = {"start_height": table["instrument_height_m"], "end_height": prisms}

    def values(key: str) -> np.ndarray:
        return np.array([table[key][n] for n in names])

    observed = joined(
        sights(DISTANCE, start, end, values("slope_distance_m"), table["sigma_distance_m"], **heights),
        sights(ZENITH, start, end, values("zenith_gon") * GON, table["sigma_zenith_gon"] * GON, **heights),
        sights(
            DIRECTION, start, end, values("direction_gon") * GON, table["sigma_direction_gon"] * GON,
            setup=np.zeros(3, dtype=int),
        ),
    )  # fmt: skip
    where = places([*known, known.mean(axis=0)], [[True], [True], [True], [False]], 1)
    # the orientation is only near: a third of a circle off
    where = Places(where.xyz, where.fixed, np.array([300 * GON]), where.names, where.setups)
    model = SurveyModel(observed, where, refraction=NO_BENDING)
    answer = adjust(model, model.start)
    published, recomputed = table["published"], table["recomputed"]
    np.testing.assert_allclose(model.coordinates(answer.unknowns)[3], published["position_m"], rtol=0, atol=5e-5)
    np.testing.assert_allclose(model.coordinates(answer.unknowns)[3], recomputed["position_m"], rtol=0, atol=5e-6)
    assert answer.freedom == recomputed["freedom"]
    assert answer.s0 == pytest.approx(recomputed["s0"], abs=5e-7, rel=0)
    sigma = np.sqrt(np.diagonal(answer.covariance(np.arange(3)))) * answer.s0 * 1e3
    np.testing.assert_allclose(sigma, published["sigma_mm"], rtol=0, atol=5e-3)
    np.testing.assert_allclose(sigma, recomputed["sigma_mm"], rtol=0, atol=5e-4)
    assert model.orientations(answer.unknowns)[0] / GON == pytest.approx(recomputed["orientation_gon"], abs=5e-6, rel=0)
    first = {"distance": 0, "zenith": 3, "direction": 6}
    for row in recomputed["residuals"]:
        at = first[row["kind"]] + names.index(row["target"])
        # there adjusted less observed, here observed less adjusted
        unit, size = (1e3, "residual_mm") if row["kind"] == "distance" else (1e4 / GON, "residual_e4_gon")
        assert -answer.residual[at] * unit == pytest.approx(row[size], abs=6e-4, rel=0)
        assert -answer.w[at] == pytest.approx(row["w"], abs=6e-4, rel=0)
        assert answer.redundancy[at] == pytest.approx(row["redundancy"], abs=6e-4, rel=0)


def test_a_published_levelling() -> None:
    table = load("levelling")
    points = ["A", "B", "C", "D"]
    rows = table["differences"]
    start, end = (np.array([points.index(r[k]) for r in rows]) for k in ("from", "to"))
    sigma = np.array([r["sigma_m"] for r in rows])
    # a line of 250 m has half the sigma of a kilometre
    observed = levelled(start, end, np.array([r["difference_m"] for r in rows]), 2 * sigma, np.full(len(rows), 250.0))
    fixed = np.array([[True, True, p == "A"] for p in points])
    where = places([[0, 0, table["fixed_m"]["A"]]] + [[0, 0, 400.0]] * 3, fixed)
    model = SurveyModel(observed, where)
    answer = adjust(model, model.start)
    levels = model.coordinates(answer.unknowns)[1:, 2]
    for i, point in enumerate(points[1:]):
        assert levels[i] == pytest.approx(table["published"][point]["height_m"], abs=5.1e-5, rel=0)
        assert levels[i] == pytest.approx(table["recomputed"]["height_m"][point], abs=5.1e-6, rel=0)
        spread = math.sqrt(answer.covariance(np.array([i]))[0, 0]) * answer.s0 * 1e3
        assert spread == pytest.approx(table["published"][point]["sigma_mm"], abs=5.1e-3, rel=0)
    assert answer.s0 == pytest.approx(table["recomputed"]["s0"], abs=5e-7, rel=0)
    np.testing.assert_allclose(-answer.residual * 1e3, table["recomputed"]["residual_mm"], rtol=0, atol=5.1e-4)
    np.testing.assert_allclose(-answer.w, table["recomputed"]["w"], rtol=0, atol=5.1e-4)
    np.testing.assert_allclose(answer.redundancy, table["recomputed"]["redundancy"], rtol=0, atol=5.1e-4)


def with_values(observed: Observations, **more: np.ndarray) -> Observations:
    return Observations(**(vars(observed) | more))


def quadrilateral(table: dict, leave_out: int | None = None) -> SurveyModel:
    """Return the model in plan; an angle is two directions of a set-up of its own, each with sigma / sqrt 2."""
    points = ["A", "B", "C", "D"]
    at = {p: i for i, p in enumerate(points)}
    xyz = [[*(table["fixed_m"] | table["start_m"])[p], 0.0] for p in points]
    lines = table["distances"]
    parts = [
        sights(
            DISTANCE, np.array([at[d["from"]] for d in lines]), np.array([at[d["to"]] for d in lines]),
            np.array([d["distance_m"] for d in lines]), np.array([d["sigma_m"] for d in lines]),
        )
    ]  # fmt: skip
    sigma = math.radians(table["sigma_angle_arcsec"] / 3600) / math.sqrt(2)
    for i, (vertex, first, second, text) in enumerate(table["angles"]):
        if i == leave_out:
            continue
        degrees, minutes, seconds = (float(t) for t in text.split("-"))
        value = math.radians(degrees + minutes / 60 + seconds / 3600)
        ends = np.array([at[first], at[second]])
        one = np.full(2, at[vertex])
        parts.append(sights(DIRECTION, one, ends, np.array([0.0, value]), sigma, setup=np.full(2, i)))
    fixed = np.array([[p in "AB", p in "AB", True] for p in points])
    where = places(xyz, fixed, len(table["angles"]))
    used = [i for i in range(len(table["angles"])) if i != leave_out]
    if leave_out is not None:
        parts = [parts[0], *(with_values(p, setup=np.searchsorted(used, p.setup)) for p in parts[1:])]
        where = Places(where.xyz, where.fixed, np.zeros(len(used)), where.names, where.setups[: len(used)])
    # orientations from the approximate coordinates
    xy = where.xyz[:, :2]
    toward = [np.arctan2(*(xy[p.end[0]] - xy[p.start[0]])) for p in parts[1:]]
    where = Places(where.xyz, where.fixed, np.array(toward), where.names, where.setups)
    return SurveyModel(joined(*parts), where, refraction=NO_BENDING)


def test_a_published_blunder() -> None:
    table = load("outlier")
    model = quadrilateral(table)
    answer = adjust(model, model.start)
    xyz = model.coordinates(answer.unknowns)
    np.testing.assert_allclose(xyz[2, :2], table["published"]["C"], rtol=0, atol=5.1e-5)
    np.testing.assert_allclose(xyz[3, :2], table["published"]["D"], rtol=0, atol=5.1e-5)
    sigma = np.sqrt(np.diagonal(answer.covariance(np.arange(4)))) * answer.s0
    np.testing.assert_allclose(sigma, table["published"]["sigma_m"], rtol=0, atol=5.1e-6)
    assert answer.s0 == pytest.approx(table["recomputed"]["s0"], abs=5e-5, rel=0)
    assert not answer.passes
    printed = list(table["recomputed"]["w"].values())
    np.testing.assert_allclose(-answer.w[:6], printed[:6], rtol=0, atol=5.1e-4)
    np.testing.assert_allclose(-answer.w[7::2], printed[6:], rtol=0, atol=5.1e-4)  # of the second direction of each
    worst = int(np.nanargmax(np.abs(answer.w[6:]))) // 2
    assert table["angles"][worst][:3] == ["D", "A", "B"]

    without = quadrilateral(table, leave_out=worst)
    answer = adjust(without, without.start)
    xyz = without.coordinates(answer.unknowns)
    np.testing.assert_allclose(xyz[2:, :2], [table["without"]["C"], table["without"]["D"]], rtol=0, atol=5.1e-5)
    assert answer.s0 == pytest.approx(table["without"]["s0"], abs=5.1e-6, rel=0)
    assert np.nanmax(np.abs(answer.w)) == pytest.approx(table["without"]["largest_w"], abs=5.1e-4, rel=0)


def test_the_certified_regression() -> None:
    """Distances between known points with an additive constant and a scale make a straight line."""
    table = load("straight_line")
    x, y = np.array(table["x"]), np.array(table["y"])
    n = len(x)
    xyz = np.zeros((n + 1, 3))
    xyz[1:, 1] = x
    observed = sights(DISTANCE, np.zeros(n, dtype=int), np.arange(1, n + 1), y, 1.0, group=np.zeros(n, dtype=int))
    model = SurveyModel(observed, places(xyz, True), refraction=NO_BENDING, constants=True, scales=True)
    answer = adjust(model, model.start)
    constant, scale = answer.unknowns
    assert constant == pytest.approx(table["intercept"], rel=1e-11)
    assert 1 + scale == pytest.approx(table["slope"], rel=1e-13)
    u = np.sqrt(np.diagonal(answer.covariance(np.arange(2)))) * answer.s0
    np.testing.assert_allclose(u, [table["u_intercept"], table["u_slope"]], rtol=1e-10, atol=0)
    assert answer.s0 == pytest.approx(table["residual_sd"], rel=1e-12)
    assert answer.misfit == pytest.approx(table["residual_sum_of_squares"], rel=1e-12)


# -- the model -----------------------------------------------------------------------------------------------


def mixed(
    seed: int = 1, constants: bool = False, scales: bool = False, grid_scale: float = 0.9997,
    points: int = 6, count: int = 3,
) -> SurveyModel:  # fmt: skip
    """Return a small network with every kind of observation, far from the grid's origin, exact values."""
    rng = np.random.default_rng(seed)
    xyz = rng.uniform(-40, 40, (points + count, 3)) * [1, 1, 0.1] + [512_345.0, 4_003_456.0, 87.0]
    start = np.repeat(np.arange(points, points + count), points)
    end = np.tile(np.arange(points), count)
    setup = start - points
    m = len(start)
    tall, prism = rng.uniform(1.4, 1.7, m), rng.uniform(0.1, 1.5, m)
    group = np.zeros(m, dtype=int)
    observed = joined(
        sights(DIRECTION, start, end, np.zeros(m), 5e-6, setup=setup),
        sights(ZENITH, start, end, np.full(m, 1.5), 7e-6, start_height=tall, end_height=prism),
        sights(DISTANCE, start, end, np.full(m, 50.0), 1e-3, start_height=tall, end_height=prism, group=group),
        levelled(np.array([0, 1]), np.array([1, 4]), np.zeros(2), 5e-4, np.array([60.0, 90.0])),
        control(np.arange(3), xyz[:3], np.full((3, 3), 7e-4)),
    )
    where = places(xyz, False, count)
    where = Places(xyz, where.fixed, rng.uniform(0, 6, count), where.names, where.setups)
    model = SurveyModel(observed, where, grid_scale=grid_scale, constants=constants, scales=scales)
    miss, _ = model.linearise(model.start)
    exact = observed.value - miss
    observed = with_values(observed, value=exact)
    return SurveyModel(observed, where, grid_scale=grid_scale, constants=constants, scales=scales)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_derivatives_are_those_of_the_model(seed: int) -> None:
    model = mixed(seed, constants=True, scales=True)
    x = model.start
    x[-2:] = 0.004, 3e-4
    miss, jacobian = model.linearise(x)
    step = np.where(np.arange(len(x)) < len(x) - 1, 1e-4, 1e-6)
    for i in range(len(x)):
        there = x.copy()
        there[i] += step[i]
        back = x.copy()
        back[i] -= step[i]
        slope = (model.linearise(back)[0] - model.linearise(there)[0]) / (2 * step[i])
        np.testing.assert_allclose(jacobian[:, i], slope, rtol=0, atol=3e-8)
    assert np.isfinite(miss).all()


def test_a_sight_by_hand() -> None:
    """3-4-5 triangle, prism 12 m up: slope distance 13, bearing of the north-east quadrant."""
    xyz = [[100.0, 200.0, 10.0], [103.0, 204.0, 22.3]]
    ends = np.array([0]), np.array([1])
    observed = joined(
        sights(DIRECTION, *ends, np.array([0.0]), 1.0, setup=np.array([0])),
        sights(ZENITH, *ends, np.array([0.0]), 1.0, start_height=1.5, end_height=1.2),
        sights(DISTANCE, *ends, np.array([0.0]), 1.0, start_height=1.5, end_height=1.2),
    )
    where = places(xyz, True, 1)
    model = SurveyModel(observed, Places(where.xyz, where.fixed, np.array([0.25]), where.names, where.setups), 0.13)
    miss, _ = model.linearise(model.start)
    bending = (1 - 0.13) * 5 / (2 * 6_371_000)
    np.testing.assert_allclose(-miss, [math.atan2(3, 4) - 0.25, math.atan2(5, 12) + bending, 13.0], rtol=0, atol=1e-12)
    # a grid that shortens: the true distance is longer
    scaled = SurveyModel(observed.rows(np.array([2])), where, grid_scale=0.5)
    assert -scaled.linearise(scaled.start)[0][0] == pytest.approx(math.hypot(10, 12), abs=1e-12, rel=0)


def test_curvature_and_refraction_lift_the_known_amount() -> None:
    """At 1 km the earth falls 78.5 mm, refraction takes 13 percent of it back: 68.3 mm (common practice)."""
    ends = np.array([0]), np.array([1])
    observed = sights(ZENITH, *ends, np.array([math.pi / 2]), 1e-6)
    model = SurveyModel(observed, places([[0, 0, 50.0], [0, 1000.0, 50.0]], [[True] * 3, [True, True, False]]))
    answer = adjust(model, model.start)
    rise = model.coordinates(answer.unknowns)[1, 2] - 50.0
    assert rise * 1e3 == pytest.approx(68.3, abs=0.05, rel=0)


def test_exact_observations_give_the_points_from_a_bad_start() -> None:
    model = mixed()
    reach = np.where(np.arange(model.size) < model.points_end, 2.0, 0.05)
    answer = adjust(model, model.start + np.random.default_rng(4).uniform(-1, 1, model.size) * reach)
    np.testing.assert_allclose(answer.unknowns, model.start, rtol=0, atol=1e-8)
    assert answer.misfit < 1e-6


def noisy(model: SurveyModel, seed: int, blunder: dict[int, float] | None = None) -> SurveyModel:
    o = model.observations
    value = o.value + np.random.default_rng(seed).normal(size=len(o)) * o.sigma
    for row, size in (blunder or {}).items():
        value[row] += size
    return SurveyModel(with_values(o, value=value), model.places, grid_scale=model.grid_scale)


def test_the_minimum_is_that_of_scipy() -> None:
    model = noisy(mixed(5), 6)

    def weighted(x: np.ndarray) -> np.ndarray:
        return model.linearise(x)[0] / model.sigma

    peer = least_squares(weighted, model.start, jac=lambda x: -model.linearise(x)[1] / model.sigma[:, None],
                         x_scale="jac", ftol=1e-15, xtol=1e-15, gtol=1e-15)  # fmt: skip
    answer = adjust(model, model.start)
    np.testing.assert_allclose(answer.unknowns, peer.x, rtol=0, atol=1e-8)
    assert answer.misfit == pytest.approx(2 * peer.cost, rel=1e-9)
    covariance = np.linalg.inv(peer.jac.T @ peer.jac)
    np.testing.assert_allclose(answer.covariance(np.arange(model.size)), covariance, rtol=0, atol=1e-12)
    hat = peer.jac @ covariance @ peer.jac.T
    np.testing.assert_allclose(answer.redundancy, 1 - np.diagonal(hat), rtol=0, atol=1e-9)
    assert answer.redundancy.sum() == pytest.approx(answer.freedom, abs=1e-8, rel=0)
    one = answer.w[3] * model.sigma[3] * math.sqrt(1 - hat[3, 3])
    assert one == pytest.approx(answer.residual[3], rel=1e-9)
    np.testing.assert_allclose(answer.smallest_found, 4.13 * model.sigma / np.sqrt(1 - np.diagonal(hat)), rtol=1e-3)


@pytest.mark.parametrize("size", [0.02, 0.6, 2.5])
def test_the_majority_is_found_beside_a_gross_error(size: float) -> None:
    """A direction 1 to 140 degrees off; plain least squares does not settle with the largest."""
    exact = mixed(7)
    model = noisy(exact, 8, {9: size})
    reach = np.where(np.arange(model.size) < 27, 0.05, 0.002)
    found = robust_unknowns(model, model.start + np.random.default_rng(1).normal(size=model.size) * reach)
    np.testing.assert_allclose(found[:27], exact.start[:27], rtol=0, atol=0.006)
    miss = np.abs(model.linearise(found)[0]) / model.sigma
    assert np.flatnonzero(miss > 30).tolist() == [9]
    # least squares without it is then plain sailing
    np.testing.assert_allclose(adjust(model.without(np.array([9])), found).unknowns, found, rtol=0, atol=0.002)


def test_one_large_blunder_is_the_most_suspicious() -> None:
    model = noisy(mixed(7), 8, {2: 0.02})  # a direction 1.1 degrees off: 4000 sigmas
    answer = adjust(model, model.start)
    assert answer.converged
    assert not answer.passes
    assert int(np.nanargmax(np.abs(answer.w))) == 2


def test_weights_times_a_constant_leave_the_answer() -> None:
    model = noisy(mixed(9), 10)
    answer = adjust(model, model.start)
    o = model.observations
    weaker = SurveyModel(with_values(o, sigma=3 * o.sigma), model.places, grid_scale=model.grid_scale)
    other = adjust(weaker, weaker.start)
    np.testing.assert_allclose(answer.unknowns, other.unknowns, rtol=0, atol=2e-9)
    np.testing.assert_allclose(answer.residual, other.residual, rtol=0, atol=2e-9)
    assert answer.misfit == pytest.approx(9 * other.misfit, rel=1e-6)


# -- sparse and dense, free and held -------------------------------------------------------------------------


def large(free: bool, seed: int = 3) -> SurveyModel:
    """Return a chain of set-ups large enough to be adjusted sparsely."""
    rng = np.random.default_rng(seed)
    points, count, per = 90, 15, 18
    along = np.arange(points) * 5.0
    xyz = np.zeros((points + count, 3))
    xyz[:points] = np.stack([along, 8.0 * (-1) ** np.arange(points), rng.uniform(0, 3, points)], axis=1)
    xyz[points:] = np.stack([np.arange(count) * 30.0 + 15, rng.uniform(-2, 2, count), rng.uniform(1, 2, count)], axis=1)
    start = np.repeat(np.arange(count), per)
    end = np.clip(start * 6 + np.tile(np.arange(per), count) - 6, 0, points - 1)
    start, end = np.unique(np.stack([start, end]), axis=1)
    setup = start
    start = start + points
    m = len(start)
    parts = [
        sights(DIRECTION, start, end, np.zeros(m), 5e-6, setup=setup),
        sights(ZENITH, start, end, np.full(m, 1.5), 5e-6),
        sights(DISTANCE, start, end, np.full(m, 50.0), 1e-3),
        levelled(np.arange(0, 80, 8), np.arange(8, 88, 8), np.zeros(10), 3e-4, np.full(10, 40.0)),
    ]
    if not free:
        parts.append(control(np.array([0, 1, 88, 89]), xyz[[0, 1, 88, 89]], np.full((4, 3), 5e-4)))
    observed = joined(*parts)
    where = Places(xyz, np.zeros(xyz.shape, dtype=bool), rng.uniform(0, 6, count), tuple(map(str, range(len(xyz)))),
                   tuple(map(str, range(count))))  # fmt: skip
    model = SurveyModel(observed, where)
    exact = observed.value - model.linearise(model.start)[0]
    noise = rng.normal(size=len(observed)) * observed.sigma
    return SurveyModel(with_values(observed, value=exact + noise), where)


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
