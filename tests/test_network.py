"""Networks of set-ups: truth and statistics, free and held, steps, what is missing, and speed."""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import least_squares

from geometry.survey.adjustment import UndeterminedError
from geometry.survey.network import Levelling, Network, adjust_network
from geometry.survey.observations import DISTANCE
from geometry.survey.readings import Sights
from geometry.survey.rough_network import rough_network
from geometry.survey.setup import free_setup
from tests.reference import load
from tests.simulated_survey import INSTRUMENT, corridor, station
from tests.test_setup import measured

SECOND = math.pi / 648_000


def thinned(network: Network, keep: np.ndarray) -> Network:
    return replace(network, sights=network.sights.rows(keep))


# -- truth ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [4, 30])
def test_exact_sights_give_the_exact_network(count: int) -> None:
    """Dense with 4 set-ups, sparse with 30."""
    network, points, setups = corridor(count, noise=0.0)
    result = adjust_network(network, INSTRUMENT)
    np.testing.assert_allclose(result.points, points, rtol=0, atol=5e-8)
    np.testing.assert_allclose(result.setups, setups, rtol=0, atol=5e-8)
    assert np.abs(result.steps.step).max() < 1e-7
    # every orientation has its own place in the covariance: the errors of both ends of the chain differ
    turn = result.model.points_end + np.arange(count)
    spread = np.diagonal(result.adjustment.covariance(turn))
    np.testing.assert_allclose(result.setup_covariance[:, 3, 3], spread, rtol=1e-6, atol=0)
    assert np.ptp(spread) > 0.01 * spread.max()
    assert not result.suspicious.size


def test_a_network_of_one_set_up_is_a_free_set_up() -> None:
    rng = np.random.default_rng(1)
    made = station(rng)
    s = measured(made, rng)
    alone = free_setup(s, made.control(), INSTRUMENT)
    names = [f"C{i}" for i in range(8)]
    result = adjust_network(Network(names, made.listed, np.full((8, 3), 0.0005), ["1"], s), INSTRUMENT)
    np.testing.assert_allclose(result.setups[0], alone.position, rtol=0, atol=1e-8)
    assert result.orientation[0] == pytest.approx(alone.orientation, abs=1e-10)
    np.testing.assert_allclose(result.setup_covariance[0], alone.covariance, rtol=0, atol=1e-13)
    assert result.adjustment.misfit == pytest.approx(alone.misfit, abs=1e-4)


def test_regions_hold_the_truth_and_tests_keep_their_level() -> None:
    inside, misfits, over, tests = [], [], 0, 0
    for seed in range(25):
        network, points, _ = corridor(12, seed=seed)
        result = adjust_network(network, INSTRUMENT)
        error = result.points - points
        inside.append(np.einsum("ni,nij,nj->n", error, np.linalg.inv(result.point_covariance), error))
        misfits.append(stats.chi2.cdf(result.adjustment.misfit, result.adjustment.freedom))
        over += int((np.abs(result.adjustment.w) > 3.2905).sum())
        tests += int(np.isfinite(result.adjustment.w).sum())
    # points of one network err together: 3000 of them are worth some hundreds
    assert (np.concatenate(inside) < stats.chi2.ppf(0.95, 3)).mean() == pytest.approx(0.95, abs=0.02)
    assert stats.kstest(misfits, "uniform").pvalue > 0.001
    assert 0.0005 < over / tests < 0.0016


def test_a_blunder_is_the_most_suspicious_and_is_called_by_its_name() -> None:
    network, *_ = corridor(12, seed=3)
    s = network.sights
    row = 137
    distance = s.distance.copy()
    distance[row] += 0.012
    spoiled = replace(network, sights=Sights.of(s.target, s.direction, s.zenith, distance, setup=s.setup))
    result = adjust_network(spoiled, INSTRUMENT)
    worst = int(result.suspicious[0])
    assert result.sight[worst] == row
    assert result.observations.kind[worst] == DISTANCE
    wanted = f"distance from set-up {network.setups[s.setup[row]]} to {network.points[s.target[row]]}"
    assert result.label(worst) == wanted
    assert not adjust_network(network, INSTRUMENT).suspicious.size


@pytest.mark.parametrize("size", [0.002, 1.0, 3.0])
@pytest.mark.parametrize("free", [False, True])
def test_a_gross_error_is_set_aside_and_told(size: float, free: bool) -> None:
    network, points, _ = corridor(12, seed=3)
    s = network.sights
    direction = s.direction.copy()
    direction[137] += size
    spoiled = replace(network, sights=Sights.of(s.target, direction, s.zenith, s.distance, setup=s.setup))
    result = adjust_network(spoiled, INSTRUMENT, free=free)
    wanted = f"direction from set-up {network.setups[s.setup[137]]} to {network.points[s.target[137]]}"
    assert result.set_aside == (wanted,)
    assert not result.suspicious.size
    assert result.adjustment.passes
    sighted = np.flatnonzero(result.sight >= 0)
    start = result.observations.start[sighted] - len(network.points)
    np.testing.assert_array_equal(start, s.setup[result.sight[sighted]])
    np.testing.assert_array_equal(result.observations.end[sighted], s.target[result.sight[sighted]])
    assert len(result.sight) == len(result.observations)
    np.testing.assert_array_equal(result.sight[:137], np.arange(137))
    assert result.sight[137] == 138
    assert free or np.abs(result.points - points).max() < 0.006


# -- what joins ----------------------------------------------------------------------------------------------


def test_levelling_betters_the_levels_and_leaves_the_plan() -> None:
    network, *_ = corridor(12, seed=4)
    line, none = adjust_network(network, INSTRUMENT), adjust_network(replace(network, levelling=None), INSTRUMENT)
    middle = 60
    assert line.point_covariance[middle, 2, 2] < 0.8 * none.point_covariance[middle, 2, 2]
    assert line.point_covariance[middle, 0, 0] == pytest.approx(none.point_covariance[middle, 0, 0], rel=0.01)
    rows = np.flatnonzero(line.observations.start != line.observations.end)[-len(network.levelling.start) :]
    assert line.label(int(rows[0])) == "level difference from P0 to P10"


def test_levelling_alone_is_a_network_too() -> None:
    table = load("levelling")
    points = ["A", "B", "C", "D"]
    rows = table["differences"]
    at = [np.array([points.index(r[k]) for r in rows]) for k in ("from", "to")]
    sigma = np.array([r["sigma_m"] for r in rows])
    known, spread = np.full((4, 3), np.nan), np.full((4, 3), np.inf)
    known[:, :2], spread[:, :2] = 0.0, 0.0
    known[0, 2], spread[0, 2] = table["fixed_m"]["A"], 0.0
    # a kilometre has 1 mm: the length that gives each sigma
    line = Levelling(*at, np.array([r["difference_m"] for r in rows]), (sigma / 0.001) ** 2 * 1000.0, 0.001)
    result = adjust_network(Network(points, known, spread, [], Sights.of([]), line), INSTRUMENT)
    for i, point in enumerate(points[1:], 1):
        assert result.points[i, 2] == pytest.approx(table["published"][point]["height_m"], abs=5.1e-5)
        sigma_mm = math.sqrt(result.point_covariance[i, 2, 2]) * result.adjustment.s0 * 1e3
        assert sigma_mm == pytest.approx(table["published"][point]["sigma_mm"], abs=5.1e-3)


def test_joint_adjustment_leaves_no_step_that_single_set_ups_have() -> None:
    network, *_ = corridor(12, seed=5, control_every=60.0)
    result = adjust_network(network, INSTRUMENT)
    steps = result.steps
    assert (steps.first < steps.second).all()
    beside = steps.second == steps.first + 1
    assert beside.sum() == 11
    assert (steps.shared[beside] >= 20).all()
    # the same by hand for one pair
    pair = int(np.flatnonzero(beside)[4])
    s = network.sights
    means = []
    for setup in (steps.first[pair], steps.second[pair]):
        mine = s.setup == setup
        bearing = s.direction[mine] + result.orientation[setup]
        bent = s.zenith[mine] - 0.87 * s.distance[mine] * np.sin(s.zenith[mine]) / (2 * 6_371_000)
        flat = s.distance[mine] * np.sin(bent)
        away = np.stack([flat * np.sin(bearing), flat * np.cos(bearing), s.distance[mine] * np.cos(bent)], axis=1)
        means.append(dict(zip(s.target[mine].tolist(), result.setups[setup] + away, strict=True)))
    shared = sorted(set(means[0]) & set(means[1]))
    differences = np.array([means[1][t] - means[0][t] for t in shared])
    assert len(shared) == steps.shared[pair]
    np.testing.assert_allclose(steps.step[pair], differences.mean(axis=0), rtol=0, atol=1e-9)
    assert steps.largest[pair] == pytest.approx(np.linalg.norm(differences, axis=1).max(), abs=1e-9)
    # in plan the mean step of some 30 common points is a fraction of a millimetre
    assert np.abs(steps.step[beside]).max() < 0.0008


def test_a_free_network_fits_onto_its_approximate_points() -> None:
    network, points, _ = corridor(8, seed=6)
    known = points + np.random.default_rng(1).normal(size=points.shape) * 0.01
    floating = replace(network, known=known, sigma=np.full(known.shape, np.inf))
    with pytest.raises(UndeterminedError, match="no control point has easting and northing and level"):
        adjust_network(floating, INSTRUMENT)
    result = adjust_network(floating, INSTRUMENT, free=True)
    change = result.points - known
    np.testing.assert_allclose(change.mean(axis=0), 0.0, atol=1e-8)
    local = known - known.mean(axis=0)
    assert abs((change[:, 0] * local[:, 1] - change[:, 1] * local[:, 0]).sum() / (local[:, :2] ** 2).sum()) < 1e-9
    assert result.adjustment.passes
    # the trace of the covariance of the datum points is the smallest there is: less than with four points held
    held = adjust_network(network, INSTRUMENT)
    assert np.einsum("nii->", result.point_covariance) < np.einsum("nii->", held.point_covariance)
    error = result.points - points
    error -= error.mean(axis=0)
    assert np.abs(error).max() < 0.004


def test_instrument_and_prism_heights_count_from_the_points() -> None:
    network, points, setups = corridor(5, seed=15, noise=0.0)
    s = network.sights
    lower = Sights.of(s.target, s.direction, s.zenith, s.distance, 1.55, 0.35, setup=s.setup)
    raised = replace(network, known=network.known - [0, 0, 0.35], sights=lower)
    xyz, _ = rough_network(raised, 0.13, 1.0)
    np.testing.assert_allclose(xyz[len(points) :], setups - [0, 0, 1.55], rtol=0, atol=0.01)
    result = adjust_network(raised, INSTRUMENT)
    np.testing.assert_allclose(result.points, points - [0, 0, 0.35], rtol=0, atol=5e-8)
    np.testing.assert_allclose(result.setups, setups - [0, 0, 1.55], rtol=0, atol=5e-8)


def test_a_network_of_directions_alone_is_intersected() -> None:
    network, points, _ = corridor(6, seed=7, control_every=60.0, noise=0.0)
    s = network.sights
    bare = replace(network, sights=Sights.of(s.target, s.direction, setup=s.setup), levelling=None)
    result = adjust_network(bare, INSTRUMENT)
    np.testing.assert_allclose(result.points[:, :2], points[:, :2], rtol=0, atol=1e-6)
    assert np.isfinite(result.point_covariance[:, :2, :2]).all()
    assert not result.steps.shared.size


# -- what is missing -----------------------------------------------------------------------------------------


def test_set_ups_out_of_reach_are_named() -> None:
    network, *_ = corridor(10, seed=8)
    s = network.sights
    # from the set-ups 6 on nothing is seen that others see, and their control is gone
    cut = (s.setup < 6) & (s.target < 60) | (s.setup >= 6) & (s.target >= 60)
    known = network.known.copy()
    known[60:] = np.nan
    with pytest.raises(UndeterminedError, match="set-ups S6, S7, S8, S9: fewer than two points"):
        adjust_network(replace(thinned(network, cut), known=known), INSTRUMENT)


def test_points_seen_by_one_direction_are_named() -> None:
    network, *_ = corridor(4, seed=9)
    s = network.sights
    point = 17
    only = np.flatnonzero(s.target == point)[0]
    keep = (s.target != point) | (np.arange(len(s)) == only)
    distance = np.where(np.arange(len(s)) == only, np.nan, s.distance)
    bare = replace(network, sights=Sights.of(s.target, s.direction, s.zenith, distance, setup=s.setup).rows(keep))
    with pytest.raises(UndeterminedError, match="point P17: measure direction and distance to it"):
        adjust_network(bare, INSTRUMENT)


def test_a_point_without_a_level_is_named() -> None:
    network, *_ = corridor(4, seed=10)
    s = network.sights
    # level sights: a distance does not tell the level of a point at the height of the instrument
    zenith = np.where(s.target == 15, np.nan, s.zenith)
    distance = np.where(s.target == 15, np.nan, s.distance)
    bare = replace(network, sights=Sights.of(s.target, s.direction, zenith, distance, setup=s.setup))
    with pytest.raises(UndeterminedError, match="level of P15: measure zenith angles or levelling lines"):
        adjust_network(bare, INSTRUMENT)


def test_what_does_not_belong_is_refused() -> None:
    network, *_ = corridor(4, seed=11)
    with pytest.raises(ValueError, match="no point in the network"):
        replace(network, sights=Sights.of([40], [0.0], [1.5], [10.0]))
    with pytest.raises(ValueError, match="no set-up in the network"):
        replace(network, sights=Sights.of([1], [0.0], [1.5], [10.0], setup=4))
    with pytest.raises(ValueError, match="no sigma, or a negative one"):
        replace(network, sigma=np.where(np.isfinite(network.known), -1.0, np.inf))


def test_rough_coordinates_reach_along_the_line() -> None:
    """30 set-ups, 1.8 km between control: an error of direction of some seconds at every step."""
    network, points, setups = corridor(30, seed=12, control_every=1e9)
    network.known[-2:], network.sigma[-2:] = np.nan, np.inf
    xyz, _ = rough_network(network, 0.13, 1.0)
    assert np.abs(xyz[: len(points)] - points).max() < 0.25
    assert np.abs(xyz[len(points) :] - setups).max() < 0.25


# -- speed ---------------------------------------------------------------------------------------------------


@pytest.mark.benchmark
def test_speed_against_a_dense_peer_and_the_large_network() -> None:
    """5,000 points are out of reach of a dense Jacobian (8 GB): compared at 400 points, the ratio grows from there."""
    small, *_ = corridor(40, seed=13)
    begin = time.perf_counter()
    ours = adjust_network(small, INSTRUMENT)
    mine = time.perf_counter() - begin
    model = ours.model
    start = model.start
    begin = time.perf_counter()

    def dense(x: np.ndarray) -> np.ndarray:
        jacobian = model.linearise(x)[1]
        full = jacobian if isinstance(jacobian, np.ndarray) else jacobian.toarray()
        return -full / model.sigma[:, None]

    peer = least_squares(lambda x: model.linearise(x)[0] / model.sigma, start, jac=dense, x_scale="jac", method="trf")
    theirs = time.perf_counter() - begin
    assert 2 * peer.cost == pytest.approx(ours.adjustment.misfit, rel=1e-4)
    network, points, _ = corridor(500, seed=14)
    begin = time.perf_counter()
    result = adjust_network(network, INSTRUMENT)
    large = time.perf_counter() - begin
    print(
        f"\nnetwork of 40 set-ups, 400 points: {mine:.2f} s with covariances and tests, least_squares with a dense "
        f"Jacobian {theirs:.1f} s without; {theirs / mine:.0f} times as fast (aim 20). 500 set-ups, {len(points)} "
        f"points, {len(result.observations)} observations: {large:.1f} s"
    )
    assert theirs / mine > 12
    assert large < 15
    error = result.points - points
    assert np.abs(error).max() < 0.006
