"""The solver against published adjustments, certified regression, scipy, and its own statistics."""

from __future__ import annotations

import math

import numpy as np
import pytest
from adjusted_models import GON, NO_BENDING, mixed, noisy, places, with_values
from scipy.optimize import least_squares

from geometry.survey.adjustment import adjust, robust_unknowns
from geometry.survey.observations import (
    DIRECTION,
    DISTANCE,
    ZENITH,
    Places,
    SurveyModel,
    joined,
    levelled,
    sights,
)
from tests.reference import load

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
