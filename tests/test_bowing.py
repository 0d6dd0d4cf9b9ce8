"""Curl and twist: against closed forms, scipy's optimiser, published figures, and their own statistics."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy import stats
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from geometry.alignment.frames import rotation, to_grid
from geometry.placement import CheckRules, Tolerance, check_section
from geometry.placement.bowing import BOWING_TERMS, Bowing, bowing, section_bowing, seen_words
from geometry.placement.thermal_curl import thermal_curl
from geometry.slabs import Fitting, SlabType, padded_marks
from geometry.survey import CRITICAL_W, SurveyPoints, fit_slabs
from tests.reference import load

Floats = npt.NDArray[np.float64]
MM = 1e-3
LENGTH, WIDTH, THICKNESS = 5.2, 2.5, 0.2
CORNERS = [(-1.05, -2.35), (1.05, -2.35), (-1.05, 2.35), (1.05, 2.35)]
MIDDLE, EDGES, ENDS = [(0.0, 0.0)], [(-1.05, 0.0), (1.05, 0.0)], [(0.0, -2.35), (0.0, 2.35)]
NINE = [*CORNERS, *MIDDLE, *EDGES, *ENDS]
ALONG, ACROSS, TWIST, BOWL = range(4)
SIGMA = np.array([0.3, 0.3, 0.1]) * MM


def slab(marks: list[tuple[float, float]], length: float = LENGTH, thickness: float = THICKNESS) -> SlabType:
    names = ("RL", "RR", "FL", "FR", "A", "B", "C", "D", "E")[: len(marks)]
    # screws and marks at different heights and no mark at the height of the reference
    places = np.array([(x, y, 0.01 * i) for i, (x, y) in enumerate(marks)])
    screws = Fitting(("RL", "RR", "FL", "FR"), np.array([(x, 0.7 * y, 0.0) for x, y in CORNERS]), 4 * MM, 25 * MM)
    sides = Fitting(("R", "F"), np.array([(0.0, -1.7, 0.0), (0.0, 1.7, 0.0)]), 3 * MM, 15 * MM)
    return SlabType(
        "example", length, WIDTH, thickness, 0.26, 0.04, 0.215, np.linspace(-2.0, 2.0, 6),
        Fitting(names, places), screws, sides,
    )  # fmt: skip


def bent(places: Floats, along: float = 0.0, across: float = 0.0, twist: float = 0.0) -> Floats:
    """Return places raised by a shape: how far ends stand over the middle, edges over it, front right corner up."""
    raised = places.copy()
    x, y = 2 * places[..., 0] / WIDTH, 2 * places[..., 1] / LENGTH
    raised[..., 2] += along * y**2 + across * x**2 + twist * x * y
    return raised


def poses(n: int, seed: int = 3) -> tuple[Floats, Floats]:
    rng = np.random.default_rng(seed)
    matrix = rotation(rng.uniform(0, 2 * math.pi, n), rng.uniform(-0.02, 0.02, n), rng.uniform(-0.1, 0.1, n))
    return rng.normal(size=(n, 3)) * (500, 500, 5) + (431_000, 187_000, 90), matrix


def measured(
    marks: list[tuple[float, float]], n: int = 5, noise: float = 0.0, shape: Floats | None = None, seed: int = 4,
    lost: npt.NDArray[np.bool_] | None = None,
) -> Bowing:  # fmt: skip
    """Return curl and twist of n slabs whose marks were measured with noise, some of them perhaps not."""
    kind, start = slab(marks), poses(n)
    places = np.repeat(kind.marks.places[None], n, axis=0) if shape is None else shape
    local = places + np.random.default_rng(seed).normal(size=places.shape) * SIGMA * noise
    xyz = to_grid(start[0], start[1], local, 1.0)
    sigma = np.broadcast_to(SIGMA, xyz.shape).copy()
    if lost is not None:
        sigma[lost] = np.nan
    fits = fit_slabs(*start, padded_marks([kind]), np.zeros(n, dtype=np.intp), xyz, sigma)
    return bowing(fits, [kind])


def shaped(marks: list[tuple[float, float]], **shape: float) -> Floats:
    return bent(np.repeat(slab(marks).marks.places[None], 5, axis=0), **shape)


# -- what is estimated ---------------------------------------------------------------------------------------


def test_a_slab_on_a_sphere_has_the_sagitta_of_its_circle() -> None:
    """The sagitta of a chord: R - sqrt(R^2 - (L/2)^2), elementary geometry; + since ends and edges stand up."""
    radius = 2500.0
    places = slab(NINE).marks.places
    ball = np.repeat(places[None], 5, axis=0)
    ball[..., 2] += radius - np.sqrt(radius**2 - (places[:, :2] ** 2).sum(axis=1))
    found = measured(NINE, shape=ball)
    for column, side in ((ALONG, LENGTH), (ACROSS, WIDTH)):
        sagitta = radius - math.sqrt(radius**2 - (side / 2) ** 2)
        # the parabola leaves the circle by L^4 / 128 R^3: 0.4 nm
        np.testing.assert_allclose(found.value[:, column], sagitta, rtol=0, atol=5e-9)
    np.testing.assert_allclose(found.value[:, TWIST], 0.0, rtol=0, atol=5e-9)


def test_each_term_keeps_its_sign_and_its_name() -> None:
    for column, name in enumerate(("along", "across", "twist")):
        found = measured(NINE, shape=shaped(NINE, **{name: 0.8 * MM}))
        wanted = np.zeros(3)
        wanted[column] = 0.8 * MM
        # poses settle to 0.1 nm, coordinates of half a million carry 0.06 nm
        np.testing.assert_allclose(found.value[:, :3], np.tile(wanted, (5, 1)), rtol=0, atol=2e-9)
        assert found.significant[:, column].all()
        assert found.significant.sum() == 5


def test_the_published_warp_of_four_corners() -> None:
    """A plane cannot follow a corner that is 1.2 mm off: +-0.3 mm stay, which is the twist at the marks."""
    table = load("rigid_body")
    to_ours = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    places = np.array(table["corners_m"]) @ to_ours.T
    size = np.abs(places[:, :2]).max(axis=0) * 2
    four = Fitting(("a", "b", "c", "d"), places)
    kind = SlabType("warp", float(size[1]), float(size[0]), 0.2, 0.0, 0.0, 0.2, np.array([-1.0, 1.0]), four, four, four)
    start = np.array(table["position_m"])[None], (np.array(table["rotation"]) @ to_ours.T)[None]
    xyz = np.array(table["measured_m"])[None]
    fits = fit_slabs(*start, places[None], np.zeros(1, dtype=np.intp), xyz, np.full((1, 4, 3), MM))
    found = bowing(fits, [kind])
    over = -np.array(table["adjusted_less_observed_m"]) * np.sign(places[:, 0] * places[:, 1])
    assert over.std() < 1e-12  # all four corners tell the same twist
    assert float(found.value[0, TWIST]) == pytest.approx(over[0], rel=0, abs=5e-9)
    assert found.seen[0].tolist() == [False, False, True, False]


@pytest.mark.parametrize("correlated", [False, True])
def test_estimate_and_sigma_are_those_of_one_adjustment_with_scipy(*, correlated: bool) -> None:
    """Pose and terms in one nonlinear adjustment by scipy.optimize.least_squares, covariance from its Jacobian."""
    rng = np.random.default_rng(11)
    kind, start = slab(NINE), poses(1)
    places = kind.marks.places
    sigma = np.tile(SIGMA, (9, 1)) * rng.uniform(0.6, 1.7, (9, 1))
    mixing = np.diag(sigma.ravel())
    if correlated:
        mixing = mixing @ np.hstack([np.eye(27), 0.6 * rng.normal(size=(27, 3))])
    own = mixing @ mixing.T
    turn = np.kron(np.eye(9), start[1][0])
    covariance = turn @ own @ turn.T
    miss = np.linalg.cholesky(own) @ rng.normal(size=27)
    local = bent(places, 0.5 * MM, -0.3 * MM, 0.2 * MM) + miss.reshape(9, 3)
    xyz = to_grid(start[0], start[1], local[None], 1.0)
    fits = fit_slabs(
        *start, places[None], np.zeros(1, dtype=np.intp), xyz, sigma[None],
        covariance=covariance[None] if correlated else None,
    )  # fmt: skip
    found = bowing(fits, [kind])
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))

    def rest(p: Floats) -> Floats:
        matrix = start[1][0] @ Rotation.from_rotvec(p[3:6]).as_matrix()
        model = start[0][0] + p[:3] + bent(places, *p[6:]) @ matrix.T
        return np.asarray(whiten @ (xyz[0] - model).ravel())

    answer = least_squares(rest, np.zeros(9), x_scale=MM, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    jacobian = answer.jac
    wanted = np.sqrt(np.diag(np.linalg.inv(jacobian.T @ jacobian)))[6:]
    # the terms enter linearly here: what they do to the slopes is of second order, 1e-4 of them
    np.testing.assert_allclose(found.value[0, :3], answer.x[6:], rtol=0, atol=0.2e-6)
    np.testing.assert_allclose(found.sigma[0, :3], wanted, rtol=0, atol=0.02e-6)


def test_w_is_standard_normal_and_false_alarms_are_as_rare_as_said() -> None:
    n = 20_000
    found = measured(NINE, n, noise=1.0)
    w = found.w[:, :3]
    np.testing.assert_allclose(w.mean(axis=0), 0.0, rtol=0, atol=4 / math.sqrt(n))
    np.testing.assert_allclose(w.std(axis=0), 1.0, rtol=0, atol=4 / math.sqrt(2 * n))
    alarms = found.significant[:, :3].mean(axis=0)
    # 0.1 percent, Baarda's usual level; four sigmas of a count of 20
    assert (np.abs(alarms - 0.001) < 4 * math.sqrt(0.001 / n)).all()
    assert (found.significant[:, :3] == (np.abs(w) > CRITICAL_W)).all()


def test_slabs_of_several_types_and_patterns_keep_their_own_matrices() -> None:
    types = [slab(CORNERS), slab(NINE)]
    kinds = np.array([1, 0, 1, 1])
    places = padded_marks(types)
    start = poses(4)
    local = bent(np.nan_to_num(places[kinds]), along=1 * MM, twist=0.4 * MM)
    xyz = np.where(np.isfinite(places[kinds]), to_grid(*start, local, 1.0), np.nan)
    xyz[3, 4:] = np.nan  # only the corners of a slab with nine marks
    found = bowing(fit_slabs(*start, places, kinds, xyz, np.broadcast_to(SIGMA, xyz.shape).copy()), types)
    assert found.seen.tolist() == [[True, True, True, False], [False, False, True, False]] * 2
    np.testing.assert_allclose(found.value[:, TWIST], 0.4 * MM, rtol=0, atol=2e-9)
    np.testing.assert_allclose(found.value[[0, 2], ALONG], 1 * MM, rtol=0, atol=2e-9)
    assert np.isnan(found.value[[1, 3], ALONG]).all()


# -- what can be seen ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("marks", "seen", "words"), [
    (CORNERS, {"twist"}, "only twist is seen, curl is not"),
    ([*CORNERS, *MIDDLE], {"twist", "bowl"}, "twist is seen, curl only along and across together"),
    ([*CORNERS, *EDGES], {"curl_along", "twist"}, "curl along and twist are seen, curl across is not"),
    ([*CORNERS, *ENDS], {"curl_across", "twist"}, "curl across and twist are seen, curl along is not"),
    ([*CORNERS, *EDGES, *ENDS], {"curl_along", "curl_across", "twist"}, "curl along, curl across and twist are seen"),
    (NINE, {"curl_along", "curl_across", "twist"}, "curl along, curl across and twist are seen"),
    (CORNERS[:3], set(), "neither curl nor twist is seen"),
    # one height too many, but curl and twist both explain it
    ([*CORNERS[:3], *MIDDLE], set(), "neither curl nor twist is seen"),
    # the corners of a slab stand a centimetre out of the rectangle: still no curl, and the twist is not spoilt
    ([(-1.05, -2.35), (1.05, -2.34), (-1.05, 2.35), (1.04, 2.35)], {"twist"}, "only twist is seen, curl is not"),
])  # fmt: skip
def test_what_a_pattern_of_marks_shows(marks: list[tuple[float, float]], seen: set[str], words: str) -> None:
    found = measured(marks, noise=1.0)
    assert [{BOWING_TERMS[i] for i in np.flatnonzero(row)} for row in found.seen] == [seen] * 5
    assert seen_words(found.seen).tolist() == [words] * 5
    # a number stands where a term is seen, and nowhere else
    assert (np.isfinite(found.value) == found.seen).all()
    assert (np.isfinite(found.sigma) == found.seen).all()
    assert not (found.significant & ~found.seen).any()


def test_what_is_seen_is_the_rank_of_the_design() -> None:
    """numpy.linalg.matrix_rank of the heights' design, with and without a term, says what is estimable."""
    rng = np.random.default_rng(5)
    every = np.array(NINE)
    for _ in range(60):
        lost = np.tile(rng.random(9) < rng.uniform(0, 0.6), (2, 1))
        found = measured(NINE, 2, lost=lost)
        x, y = every[~lost[0]].T
        columns = np.column_stack([np.ones_like(x), x, y, y**2, x**2, x * y])
        if np.linalg.matrix_rank(columns[:, :3]) < 3:
            assert not found.seen.any()
            continue
        for i in range(3):
            others = np.delete(columns, 3 + i, axis=1)
            estimable = np.linalg.matrix_rank(columns) > np.linalg.matrix_rank(others)
            assert found.seen[0, i] == estimable


def test_a_bowl_is_curl_of_one_curvature_both_ways() -> None:
    curvature = 3e-4
    shape = shaped(
        [*CORNERS, *MIDDLE], along=curvature * LENGTH**2 / 8, across=curvature * WIDTH**2 / 8, twist=-0.3 * MM
    )
    found = measured([*CORNERS, *MIDDLE], shape=shape)
    np.testing.assert_allclose(found.value[:, BOWL], curvature * LENGTH**2 / 8, rtol=0, atol=2e-9)
    np.testing.assert_allclose(found.value[:, TWIST], -0.3 * MM, rtol=0, atol=2e-9)


def test_a_bowl_is_told_only_where_neither_curl_is() -> None:
    """On a square slab curl across alone would do for a bowl as well; it is told as what it is."""
    places = np.array(
        [(x, y, 0.0) for x, y in [(-1.8, -1.8), (1.8, -1.8), (-1.8, 1.8), (1.8, 1.8), (0, -1.8), (0, 1.8)]]
    )
    marks = Fitting(("RL", "RR", "FL", "FR", "A", "B"), places)
    kind = SlabType("square", 4.0, 4.0, 0.2, 0.0, 0.0, 0.2, np.array([-1.0, 1.0]), marks, marks, marks)
    start = poses(1)
    xyz = to_grid(*start, places, 1.0)
    found = bowing(
        fit_slabs(*start, places[None], np.zeros(1, dtype=np.intp), xyz, np.full(xyz.shape, 0.1 * MM)), [kind]
    )
    assert found.seen.tolist() == [[False, True, True, False]]


def test_curl_and_one_wrong_height_are_told_apart_where_marks_allow() -> None:
    curled = measured(NINE, shape=shaped(NINE, along=1.5 * MM))
    assert curled.explains.all()
    assert curled.told_from_error.all()
    wrong = shaped(NINE)
    wrong[:, 5, 2] += 1.5 * MM  # the middle of an edge
    other = measured(NINE, shape=wrong)
    assert not other.explains.any()
    # five marks: the middle of a bowed slab looks like a wrong height, and the other way round
    five = [*CORNERS, *MIDDLE]
    wrong = shaped(five)
    wrong[:, 4, 2] -= 1.5 * MM
    either = measured(five, shape=wrong)
    assert either.explains.all()
    assert not either.told_from_error.any()
    # four marks and nothing wrong: nothing to explain
    assert not measured(CORNERS).explains.any()
    assert not measured(CORNERS).told_from_error.any()


def test_explained_is_what_passes_the_global_test_as_a_bowed_slab() -> None:
    """Fitted once more with marks bent by the estimate: what is left is chi-square with three degrees less."""
    n, kind = 3000, slab(NINE)
    start, sigma = poses(n), np.broadcast_to(SIGMA, (n, 9, 3)).copy()
    rng = np.random.default_rng(8)
    places = np.repeat(kind.marks.places[None], n, axis=0)
    # noise a little too large puts many slabs on either side of the limit
    local = bent(places, along=0.6 * MM) + rng.normal(size=places.shape) * SIGMA * 1.5
    xyz = to_grid(*start, local, 1.0)
    fits = fit_slabs(*start, kind.marks.places[None], np.zeros(n, dtype=np.intp), xyz, sigma)
    found = bowing(fits, [kind])
    own = np.stack([bent(kind.marks.places, *value[:3]) for value in found.value])
    again = fit_slabs(*start, own, np.arange(n), xyz, sigma)
    passes = again.misfit <= stats.chi2.isf(0.001, 27 - 6 - 3)
    # the second fit is not linear in the terms: a hair around the limit
    clear = np.abs(again.misfit - stats.chi2.isf(0.001, 18)) > 1e-3
    assert (found.explains == (fits.suspicious & passes))[clear].all()
    assert 300 < found.explains.sum() < n - 300
    assert (fits.suspicious & ~passes).sum() > 300


# -- of a checked section ------------------------------------------------------------------------------------


def test_marks_that_the_check_left_out_come_back() -> None:
    """To a rigid slab the middle of a curled one is a blunder; the curl must not vanish with it."""
    five = [*CORNERS, *MIDDLE]
    kind, (position, matrix) = slab(five), poses(1)
    n, step = 4, 5.28
    position = position + np.arange(n)[:, None] * step * matrix[0, :, 1]
    matrix = np.repeat(matrix, n, axis=0)
    local = np.repeat(kind.marks.places[None], n, axis=0)
    local[1] = bent(local[1], along=1.2 * MM, across=1.2 * MM * (WIDTH / LENGTH) ** 2)
    xyz = to_grid(position, matrix, local, 1.0).reshape(-1, 3)
    points = SurveyPoints(
        xyz, np.broadcast_to(SIGMA, xyz.shape).copy(), np.repeat(np.arange(n), 5), np.tile(np.arange(5), n),
        np.zeros(5 * n, dtype=np.intp), np.full(5 * n, np.datetime64("2031-05-14", "us")), lambda row: f"P{row}",
    )  # fmt: skip
    from geometry.slabs import Targets

    targets = Targets(position, matrix, *(np.zeros(n) for _ in range(5)))
    limits = tuple(Tolerance(q, -5 * MM, 5 * MM, "test") for q in ("across", "along", "up"))
    kinds = np.zeros(n, dtype=np.intp)
    check = check_section(
        targets, [kind], kinds, kinds, [f"S{i}" for i in range(n)], points, CheckRules(limits, 2.0, 0.12, 1.5, 1.0)
    )
    assert check.fits.measured.sum(axis=1).tolist() == [5, 4, 5, 5]
    found = section_bowing(check, [kind], kinds, 1.0)
    assert found.seen[1].tolist() == [False, False, True, True]
    assert float(found.value[1, BOWL]) == pytest.approx(1.2 * MM, rel=0, abs=5e-9)
    assert found.significant[:, BOWL].tolist() == [False, True, False, False]
    assert found.explains.tolist() == [False, True, False, False]


# -- curl by heat --------------------------------------------------------------------------------------------


def test_curl_by_heat_of_a_free_slab() -> None:
    """45 K/m over 4.93 m bow by 1.37 mm with 1e-5 1/K; the sagitta once more from the circle of the curvature."""
    kind = slab(CORNERS, length=4.93)
    curl = thermal_curl([kind], 45.0 * THICKNESS)
    assert float(curl.along[0]) == pytest.approx(-1.37 * MM, rel=0, abs=0.005 * MM)
    radius = 1 / (1e-5 * 45.0)
    circle = radius - math.sqrt(radius**2 - (4.93 / 2) ** 2)
    assert float(curl.along[0]) == pytest.approx(-circle, rel=0, abs=2e-9)
    assert float(curl.curvature[0]) == pytest.approx(-1 / radius, rel=1e-12)
    # a free plate bends to a sphere: the same curvature across (Timoshenko & Woinowsky-Krieger, from memory)
    assert float(curl.across[0] / curl.along[0]) == pytest.approx((WIDTH / 4.93) ** 2, rel=1e-12)


def test_a_warm_top_lowers_marks_beyond_the_screws_and_lifts_the_middle() -> None:
    kind = slab(NINE)
    curl = thermal_curl([kind], 8.0)
    marks = dict(zip(kind.marks.names, curl.marks[0] / MM, strict=True))
    assert all(marks[name] < 0 for name in ("RL", "RR", "FL", "FR"))
    assert marks["A"] == pytest.approx(float(curl.middle[0]) / MM, rel=1e-12)
    assert marks["A"] > 0
    # screws at 0.7 of the marks' place along: half the curvature times the difference of squared distances
    curvature = 1e-5 * 8.0 / THICKNESS
    wanted = -curvature / 2 * 2.35**2 * (1 - 0.7**2) / MM
    assert marks["FR"] == pytest.approx(wanted, rel=1e-12)
    cold = thermal_curl([kind], -8.0)
    np.testing.assert_array_equal(cold.marks, -curl.marks)
    np.testing.assert_allclose(thermal_curl([kind], 8.0, 2e-5).marks, 2 * curl.marks, rtol=1e-12)


def test_curl_by_heat_does_not_depend_on_where_the_screws_are_counted_from() -> None:
    """Screws off the middle: what is left after the plane through them is the same as by numpy's polynomial fit."""
    screws = Fitting(("a", "b", "c"), np.array([(-1.1, -1.2, 0.0), (0.9, -1.5, 0.0), (0.2, 1.9, 0.0)]), 4 * MM, 25 * MM)
    kind = slab(NINE)
    moved = SlabType(
        "moved", LENGTH, WIDTH, THICKNESS, 0.26, 0.04, 0.215, kind.seats, kind.marks, screws, kind.adjusters
    )
    curl = thermal_curl([kind, moved], 5.0)
    height = -1e-5 * 5.0 / THICKNESS / 2 * (screws.places[:, :2] ** 2).sum(axis=1)
    plane = np.linalg.solve(np.column_stack([np.ones(3), screws.places[:, :2]]), height)
    places = kind.marks.places
    bow = -1e-5 * 5.0 / THICKNESS / 2 * (places[:, :2] ** 2).sum(axis=1)
    np.testing.assert_allclose(curl.marks[1], bow - plane[0] - places[:, :2] @ plane[1:], rtol=0, atol=1e-15)
    assert np.abs(curl.marks[1] - curl.marks[0]).max() > 0.05 * MM


def test_types_with_fewer_marks_have_no_curl_there() -> None:
    curl = thermal_curl([slab(CORNERS), slab(NINE)], 5.0)
    assert np.isnan(curl.marks[0, 4:]).all()
    assert np.isfinite(curl.marks[1]).all()
