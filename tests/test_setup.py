"""Free set-ups: published and simulated, their statistics, and every kind of fault found and not invented."""

from __future__ import annotations

import math
import time
from collections import Counter

import numpy as np
import pytest
from scipy import stats

from geometry.survey.adjustment import AdjustmentError
from geometry.survey.approximate import rough_setup
from geometry.survey.observations import wrapped
from geometry.survey.readings import Control, Instrument, Sights
from geometry.survey.setup import free_setup
from geometry.survey.setup_result import FreeSetup, SetupError, ellipse
from tests.reference import load
from tests.simulated_survey import INSTRUMENT, Made, sighted, station

GON = math.pi / 200


def measured(made: Made, rng: np.random.Generator, rounds: int = 1, noise: float = 1.0) -> Sights:
    target = np.tile(np.arange(len(made.true)), rounds)
    return Sights.of(target, *sighted(rng, made.true[target], made.position, made.orientation, noise))


def off(result: FreeSetup, made: Made) -> np.ndarray:
    return np.append(result.position - made.position, wrapped(np.array([result.orientation - made.orientation])))


def distance_from_truth(result: FreeSetup, made: Made) -> float:
    """Return the squared error in units of the stated covariance: chi-square with 4 degrees of freedom."""
    error = off(result, made)
    return float(error @ np.linalg.solve(result.covariance, error))


# -- published -----------------------------------------------------------------------------------------------


def test_a_published_free_station() -> None:
    table = load("free_station")
    names = list(table["known_points_m"])
    control = Control(names, np.array([table["known_points_m"][n] for n in names]), np.zeros((3, 3)))

    def values(key: str, unit: float = 1.0) -> list[float]:
        return [table[key][n] * unit for n in names]

    sights = Sights.of(
        [0, 1, 2], values("direction_gon", GON), values("zenith_gon", GON), values("slope_distance_m"),
        table["instrument_height_m"], values("target_height_m"),
    )  # fmt: skip
    instrument = Instrument(
        table["sigma_direction_gon"] * GON, table["sigma_zenith_gon"] * GON, table["sigma_distance_m"], 0.0, 0.0, 0.0
    )
    result = free_setup(sights, control, instrument, refraction=1.0)
    wanted = table["recomputed"]
    np.testing.assert_allclose(result.position, wanted["position_m"], rtol=0, atol=5e-6)
    assert result.orientation / GON == pytest.approx(wanted["orientation_gon"], abs=5e-6)
    sigma = np.sqrt(np.diagonal(result.covariance)[:3]) * result.s0 * 1e3
    np.testing.assert_allclose(sigma, table["published"]["sigma_mm"], rtol=0, atol=5e-3)
    assert result.freedom == wanted["freedom"]
    assert result.sound
    kinds = {"distance": "distance", "zenith": "zenith angle", "direction": "direction"}
    rows = result.rows
    for row in wanted["residuals"]:
        wanted_row = kinds[row["kind"]], row["target"]
        i = next(k for k in range(9) if (rows.kind[k], names[rows.target[k]]) == wanted_row)
        assert -rows.w[i] == pytest.approx(row["w"], abs=6e-4)  # there adjusted less observed
        assert rows.redundancy[i] == pytest.approx(row["redundancy"], abs=6e-4)


# -- exact ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("kinds", ["all", "directions", "no distances", "no directions", "one distance"])
def test_exact_sights_give_the_exact_place_from_nothing(seed: int, kinds: str) -> None:
    rng = np.random.default_rng(seed)
    made = station(rng, sigma=0.0)
    s = measured(made, rng, noise=0.0)
    nothing = np.full(len(s), np.nan)
    first = np.where(np.arange(len(s)) == 0, s.distance, np.nan)
    given = {
        "all": (s.direction, s.zenith, s.distance), "directions": (s.direction, nothing, nothing),
        "no distances": (s.direction, s.zenith, nothing), "no directions": (nothing, s.zenith, s.distance),
        "one distance": (s.direction, s.zenith, first),
    }[kinds]  # fmt: skip
    result = free_setup(Sights.of(s.target, *given), made.control(), INSTRUMENT)
    error = off(result, made)
    assert np.nanmax(np.abs(error[:3])) < 2e-8
    assert math.isnan(error[2]) == (kinds == "directions")
    assert math.isnan(error[3]) == (kinds == "no directions")
    assert kinds == "no directions" or abs(error[3]) < 1e-9
    assert [f.kind for f in result.findings] == (["no level"] if kinds == "directions" else [])


def test_heights_and_grid_scale_enter_as_they_should() -> None:
    """Coordinates half as far apart as in truth, prisms 0.1 m over their points, the axis 1.5 m over its."""
    rng = np.random.default_rng(1)
    made = station(rng, sigma=0.0)
    s = measured(made, rng, noise=0.0)
    shrunk = (made.true - [5e5, 4e6, 0]) * [0.5, 0.5, 1] + [5e5, 4e6, -0.1]
    control = Control([str(i) for i in range(8)], shrunk, np.zeros((8, 3)))
    raised = Sights.of(s.target, s.direction, s.zenith, s.distance, instrument_height=1.5, target_height=0.1)
    result = free_setup(raised, control, INSTRUMENT, grid_scale=0.5)
    wanted = (made.position - [5e5, 4e6, 0]) * [0.5, 0.5, 1] + [5e5, 4e6, -1.5]
    np.testing.assert_allclose(result.position, wanted, rtol=0, atol=2e-8)


def test_moving_and_turning_the_project_moves_and_turns_the_result() -> None:
    rng = np.random.default_rng(2)
    made = station(rng)
    s = measured(made, rng)
    first = free_setup(s, made.control(), INSTRUMENT)
    turn = 0.7
    matrix = np.array([[math.cos(turn), math.sin(turn), 0], [-math.sin(turn), math.cos(turn), 0], [0, 0, 1]])
    moved = (made.listed - made.position) @ matrix.T + [1000.0, -2000.0, 50.0]
    control = Control([str(i) for i in range(8)], moved, np.full((8, 3), 0.0005))
    second = free_setup(s, control, INSTRUMENT)
    wanted = (first.position - made.position) @ matrix.T + [1000.0, -2000.0, 50.0]
    np.testing.assert_allclose(second.position, wanted, rtol=0, atol=1e-8)
    assert wrapped(np.array([second.orientation - first.orientation - turn]))[0] == pytest.approx(0, abs=1e-9)
    big = np.eye(4)
    big[:3, :3] = matrix
    np.testing.assert_allclose(second.covariance, big @ first.covariance @ big.T, rtol=0, atol=1e-13)
    doubled = wrapped(np.array([2 * (second.ellipse.bearing - first.ellipse.bearing - turn)]))
    assert doubled[0] == pytest.approx(0, abs=1e-4)


def test_an_ellipse_by_hand() -> None:
    """Long axis 3 mm towards bearing 30 degrees, short axis 1 mm."""
    along, across = np.array([math.sin(math.pi / 6), math.cos(math.pi / 6)]), np.array([math.cos(math.pi / 6), -0.5])
    shape = ellipse(9e-6 * np.outer(along, along) + 1e-6 * np.outer(across, across))
    assert (shape.major, shape.minor) == (pytest.approx(0.003, rel=1e-9), pytest.approx(0.001, rel=1e-9))
    assert math.degrees(shape.bearing) == pytest.approx(30.0, abs=1e-9)
    assert shape.factor_95 == pytest.approx(math.sqrt(stats.chi2.ppf(0.95, 2)), rel=1e-12)


def test_held_control_leaves_its_own_doubt_out() -> None:
    rng = np.random.default_rng(3)
    made = station(rng, sigma=0.0)
    s = measured(made, rng)
    free, held = (free_setup(s, made.control(0.002), INSTRUMENT, weighted=w) for w in (True, False))
    assert held.ellipse.major < 0.5 * free.ellipse.major
    assert len(held.rows.kind) == 24
    assert len(free.rows.kind) == 48
    assert free.freedom == held.freedom == 20


# -- statistics ----------------------------------------------------------------------------------------------


def test_95_percent_regions_hold_the_truth_and_alarms_are_as_rare_as_stated() -> None:
    count, inside, in_ellipse, misfits, alarms, over, tests, found = 2000, 0, 0, [], 0, 0, 0, Counter()
    rng = np.random.default_rng(20_000)
    for _ in range(count):
        made = station(rng)
        result = free_setup(measured(made, rng), made.control(), INSTRUMENT)
        inside += distance_from_truth(result, made) < stats.chi2.ppf(0.95, 4)
        east, north, *_ = off(result, made)
        u, v = result.ellipse.bearing, result.ellipse.factor_95
        along, across = east * math.sin(u) + north * math.cos(u), east * math.cos(u) - north * math.sin(u)
        in_ellipse += (along / result.ellipse.major) ** 2 + (across / result.ellipse.minor) ** 2 < v**2
        misfits.append(result.misfit)
        alarms += bool(result.faults)
        found.update(f.kind for f in result.faults)
        over += int((np.abs(result.rows.w) > 3.2905).sum())
        tests += int(np.isfinite(result.rows.w).sum())
    # four standard deviations of a count of 2000 at 95 percent are 2 percent; the aim is 94 to 96
    assert 0.94 <= inside / count <= 0.96
    assert 0.94 <= in_ellipse / count <= 0.96
    assert stats.kstest(misfits, stats.chi2(20).cdf).pvalue > 0.001
    # each single test alarms in 1 of 1000; those of one set-up are correlated: 96,000 of them, 96 expected
    assert 0.0006 < over / tests < 0.0015
    # something is named in about 2 of 1000: 4 expected, more than 11 once in a thousand
    assert alarms <= 11, found


def test_the_smallest_blunder_is_found_in_four_of_five_cases() -> None:
    """Baarda's power of 80 percent: 400 trials, 3 standard deviations are 6 percent."""
    hits, count = 0, 400
    rng = np.random.default_rng(7)
    for _ in range(count):
        made = station(rng)
        s = measured(made, rng)
        clean = free_setup(s, made.control(), INSTRUMENT)
        row = 19  # the fourth distance
        distance = s.distance.copy()
        distance[clean.rows.sight[row]] += clean.rows.smallest_found[row]
        # least squares with the blunder in it, as it stands before anything is taken out
        sights = Sights.of(s.target, s.direction, s.zenith, distance)
        hits += abs(_w_of_all(sights, made)[row]) > 3.2905
    assert hits / count == pytest.approx(0.8, abs=0.06)


def _w_of_all(sights: Sights, made: Made) -> np.ndarray:
    from geometry.survey.adjustment import adjust
    from geometry.survey.single_setup import Case, Cleared, Posed, rough

    case = Case("1", sights, made.control(), INSTRUMENT, True, 0.13, 1.0)
    cleared = Cleared(case.read, sights.target)
    posed = Posed(case, cleared, rough(case, cleared))
    return adjust(posed.model, posed.model.start).w


# -- faults --------------------------------------------------------------------------------------------------


def spoiled(kind: str, seed: int) -> tuple[Made, Sights, tuple[str, ...], float | None]:
    """Return a set-up of two rounds with one fault: truth, sights, points concerned, size."""
    rng = np.random.default_rng([seed, sum(map(ord, kind))])
    made = station(rng)
    points, size = (), None
    if kind == "wrong control point":
        one = int(rng.integers(8))
        way = rng.normal(size=3)
        size = float(rng.uniform(0.010, 0.060))
        made.listed[one] -= way / np.linalg.norm(way) * size
        points = (f"C{one}",)
    if kind == "exchanged control points":
        one, two = sorted(rng.choice(8, 2, replace=False).tolist())
        made.listed[[one, two]] = made.listed[[two, one]]
        points = (f"C{one}", f"C{two}")
    s = measured(made, rng, rounds=2)
    direction, zenith, distance = s.direction.copy(), s.zenith.copy(), s.distance.copy()
    if kind == "wrong prism constant":
        size = float(rng.choice([-0.0175, 0.0175, 0.0344]))
        distance += size
    if kind == "wrong distance scale":
        size = 80e-6
        distance *= 1 + size
    if kind == "wrong reading":
        row = int(rng.integers(16))
        if rng.random() < 0.5:
            distance[row] += (size := 0.012)
        else:
            direction[row] += (size := 2e-4)
        points = (f"C{s.target[row]}",)
    if kind == "moved instrument":
        way = rng.normal(size=3)
        made.position = made.position + way / np.linalg.norm(way) * 0.010
        made.orientation += 5e-5
        size = 0.010
        later = sighted(rng, made.true, made.position, made.orientation)
        direction[8:], zenith[8:], distance[8:] = later
    return made, Sights.of(s.target, direction, zenith, distance), points, size


FAULTS = (
    "wrong control point", "exchanged control points", "wrong prism constant", "wrong distance scale", "wrong reading",
    "moved instrument",
)  # fmt: skip


@pytest.mark.parametrize("kind", FAULTS)
def test_a_fault_is_named_with_its_size_and_taken_out(kind: str) -> None:
    count, named, right = 60, Counter(), 0
    for seed in range(count):
        made, sights, points, size = spoiled(kind, seed)
        result = free_setup(sights, made.control(), INSTRUMENT)
        named[tuple(f.kind for f in result.faults)] += 1
        assert not result.sound
        if [f.kind for f in result.faults] != [kind]:
            continue
        finding = result.faults[0]
        assert tuple(sorted(finding.points)) == points
        right += distance_from_truth(result, made) < stats.chi2.ppf(0.999, 4)
        if kind in ("wrong prism constant", "wrong distance scale", "wrong reading"):
            assert abs(finding.size[0] - size) < 5 * finding.sigma[0]
        if kind in ("wrong control point", "moved instrument") and len(finding.size) >= 3:
            assert np.linalg.norm(finding.size[:3]) == pytest.approx(size, abs=0.004)
    assert named[(kind,)] >= 0.95 * count, named
    # with the fault out of it the place is as good as stated
    assert right >= named[(kind,)] - 1


def test_faults_far_too_large_for_linear_thinking_are_named() -> None:
    for seed in range(20):
        rng = np.random.default_rng(seed)
        made = station(rng)
        sights = measured(made, rng)
        made.listed[3] += rng.normal(size=3) * 5
        sights.direction[6] += 1.0
        result = free_setup(sights, made.control(), INSTRUMENT)
        assert sorted((f.kind, f.points) for f in result.faults) == [
            ("wrong control point", ("C3",)), ("wrong reading", ("C6",)),
        ]  # fmt: skip
        assert distance_from_truth(result, made) < stats.chi2.ppf(0.9999, 4)
        assert np.flatnonzero(result.left_out.any(axis=1)).tolist() == [3, 6]


def test_words_of_a_fault_have_sizes_and_say_what_to_do() -> None:
    made, sights, *_ = spoiled("wrong prism constant", 1)
    text = free_setup(sights, made.control(), INSTRUMENT).faults[0].text
    assert "mm" in text
    assert "check the prism constant" in text
    made, sights, *_ = spoiled("moved instrument", 1)
    text = free_setup(sights, made.control(), INSTRUMENT).faults[0].text
    assert "moved after sight 8 (to C7)" in text
    assert "set up anew" in text


def test_a_level_alone_is_told_with_the_prism_height_beside_it() -> None:
    rng = np.random.default_rng(4)
    made = station(rng)
    made.listed[2, 2] += 0.012
    finding = free_setup(measured(made, rng, rounds=2), made.control(), INSTRUMENT).faults[0]
    assert (finding.kind, finding.points) == ("wrong control point", ("C2",))
    assert finding.size == (pytest.approx(-0.012, abs=0.003),)
    assert "prism height" in finding.text


def test_contradictions_without_a_single_cause_are_unexplained() -> None:
    """Readings ten times worse than stated: nothing is averaged away silently."""
    rng = np.random.default_rng(9)
    made = station(rng)
    result = free_setup(measured(made, rng, noise=10.0), made.control(), INSTRUMENT)
    assert not result.sound
    assert [f.kind for f in result.faults] == ["unexplained"]
    assert not result.left_out.any()


# -- too little ----------------------------------------------------------------------------------------------


def undetermined(made: Made, which: list[int], columns: str = "dzs") -> str:
    rng = np.random.default_rng(0)
    s = measured(made, rng).rows(np.array(which, dtype=np.intp))
    values = [v if c in columns else None for c, v in zip("dzs", (s.direction, s.zenith, s.distance), strict=True)]
    with pytest.raises(SetupError) as caught:
        free_setup(Sights.of(s.target, *values), made.control(), INSTRUMENT, "S7")
    assert str(caught.value).startswith("set-up S7: not determined: ")
    return str(caught.value)


def test_too_few_sights_are_refused_with_what_to_measure() -> None:
    made = station(np.random.default_rng(5))
    assert "no control point was sighted" in undetermined(made, [])
    assert "only C3 was sighted; sight at least one more" in undetermined(made, [3])
    assert "only directions to 2 control points; measure distances, or" in undetermined(made, [0, 5], "dz")
    text = undetermined(made, [0, 5], "zs")
    assert "side on which set-up S7 stands" in text
    assert "read directions as well" in text
    made.true[[0, 2, 4], 0], made.true[[0, 2, 4], 1] = made.position[0] - 9, made.position[1] + np.array([-50, 3, 60])
    made.listed[:] = made.true
    assert "the control points lie on one line" in undetermined(made, [0, 2, 4], "zs")


def test_two_directions_and_one_distance_may_fit_two_places() -> None:
    rng = np.random.default_rng(0)
    known = np.array([[0.0, 20.0, 0.0], [1.0, -10.0, 0.0]])
    for north, ambiguous in ((-60.0, True), (3.0, False)):
        made = Made(known, known, np.array([4.0, north, 0.5]), 1.0)
        direction, zenith, distance = sighted(rng, known, made.position, 1.0, 0.0)
        sights = Sights.of([0, 1], direction, zenith, [distance[0], np.nan])
        if ambiguous:
            with pytest.raises(SetupError, match="fit both; measure the other distance"):
                free_setup(sights, made.control(), INSTRUMENT)
        else:
            result = free_setup(sights, made.control(), INSTRUMENT)
            np.testing.assert_allclose(result.position, made.position, rtol=0, atol=1e-7)


@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_the_danger_circle_is_named(noise: float) -> None:
    rng = np.random.default_rng(6)
    angle = np.array([0.3, 1.4, 2.9, 4.0])
    ring = np.column_stack([40 * np.sin(angle), 40 * np.cos(angle), np.zeros(4)])
    made = Made(ring, ring, np.array([40 * math.sin(5.2), 40 * math.cos(5.2), 0.3]), 1.0)
    direction, zenith, distance = sighted(rng, ring, made.position, 1.0, noise)
    with pytest.raises(SetupError, match=r"danger circle.*measure distances, or sight a (control )?point off"):
        free_setup(Sights.of(range(4), direction, zenith), made.control(), INSTRUMENT)
    # one distance resolves it
    one = free_setup(Sights.of(range(4), direction, zenith, np.where(np.arange(4) == 1, distance, np.nan)),
                     made.control(), INSTRUMENT)  # fmt: skip
    assert np.linalg.norm(one.position - made.position) < 0.01


def test_control_in_a_small_angle_is_told_or_refused() -> None:
    rng = np.random.default_rng(8)
    for width, kind in ((8.0, "badly placed"), (0.4, "refused")):
        true = np.array([[-width, 70.0, 1.0], [width, 71.0, 2.0], [0.0, 73.0, 1.5]])
        made = Made(true, true, np.zeros(3), 2.0)
        sights = measured(made, rng)
        if kind == "refused":
            with pytest.raises(SetupError, match="all control points lie within 1 degrees; sight one to the side"):
                free_setup(sights, made.control(), INSTRUMENT)
        else:
            result = free_setup(sights, made.control(), INSTRUMENT)
            assert [f.kind for f in result.findings] == [kind]
            assert "within 13 degrees; sight one to the side or behind" in result.findings[0].text
            assert result.sound


def test_two_points_stand_but_nothing_checks_them_in_full() -> None:
    rng = np.random.default_rng(10)
    made = station(rng)
    sights = measured(made, rng).rows(np.array([0, 7]))
    result = free_setup(sights, made.control(), INSTRUMENT)
    assert result.freedom == 2
    bare = Sights.of(sights.target, sights.direction, [sights.zenith[0], np.nan], [sights.distance[0], np.nan])
    lone = free_setup(bare, made.control(), INSTRUMENT)
    assert lone.freedom == 0
    assert not lone.sound
    assert "no check" in {f.kind for f in lone.findings}


def test_a_sight_without_a_control_point_is_refused() -> None:
    made = station(np.random.default_rng(11))
    with pytest.raises(ValueError, match="sight 1 has no control point"):
        free_setup(Sights.of([0, 8], [0.0, 1.0]), made.control(), INSTRUMENT)


def test_hopeless_contradictions_end_in_words() -> None:
    made = station(np.random.default_rng(12), count=4)
    s = Sights.of(range(4), [0.1, 3.0, 0.2, 5.0], [1.5, 1.6, 1.4, 1.7], [3.0, 900.0, 0.5, 44.0])
    with pytest.raises(AdjustmentError, match="set-up 1: the sights contradict each other grossly: check the names"):
        free_setup(s, made.control(), INSTRUMENT)


# -- rough places --------------------------------------------------------------------------------------------


def test_exchanged_points_do_not_mislead_the_rough_place() -> None:
    for seed in range(50):
        rng = np.random.default_rng(seed)
        made = station(rng)
        s = measured(made, rng)
        listed = made.listed.copy()
        one, two = rng.choice(8, 2, replace=False)
        listed[[one, two]] = listed[[two, one]]
        start = rough_setup(listed, s.direction, s.zenith, s.distance, np.zeros(8), 0.13)
        assert start is not None
        assert np.linalg.norm(start.position - made.position) < 0.02


@pytest.mark.parametrize("north", [-30.0, 30.0])
def test_both_intersections_of_two_circles_are_tried(north: float) -> None:
    """Distances to two points, directions to two others: either side of the line may be the right one."""
    known = np.array([[-20.0, 0.0, 0.0], [25.0, 1.0, 0.0], [40.0, 50.0, 0.0], [-35.0, -45.0, 0.0]])
    here = np.array([3.0, north, 0.0])
    away = known - here
    bearing = np.arctan2(away[:, 0], away[:, 1])
    nothing = np.full(4, np.nan)
    direction = np.where([False, False, True, True], bearing - 0.4, np.nan)
    distance = np.where([True, True, False, False], np.hypot(away[:, 0], away[:, 1]), np.nan)
    start = rough_setup(known, direction, nothing, distance, np.zeros(4), 1.0)
    assert start is not None
    np.testing.assert_allclose(start.position, here, rtol=0, atol=1e-9)
    assert start.orientation == pytest.approx(0.4, abs=1e-9)


@pytest.mark.parametrize("turn", [math.pi, 0.4])
def test_one_distance_tells_the_place_on_the_danger_circle(turn: float) -> None:
    """On the danger circle directions do not tell: one distance does, to the far end of it or to a near one."""
    angle = np.array([turn, 0.6, -0.9])
    known = np.column_stack([40 * np.sin(angle), 40 * np.cos(angle), np.zeros(3)])
    here = np.array([0.0, 40.0])
    away = known[:, :2] - here
    direction = np.arctan2(away[:, 0], away[:, 1]) + 2.0
    distance = np.array([np.hypot(*away[0]), np.nan, np.nan])
    start = rough_setup(known, direction, np.full(3, np.nan), distance, np.zeros(3), 1.0)
    assert start is not None
    np.testing.assert_allclose(start.position[:2], here, rtol=0, atol=1e-8)


def test_too_little_gives_no_rough_place() -> None:
    nothing = np.full(2, np.nan)
    assert rough_setup(np.zeros((2, 3)), nothing, nothing, nothing, np.zeros(2), 0.13) is None


# -- speed ---------------------------------------------------------------------------------------------------


@pytest.mark.benchmark
def test_a_resection_takes_milliseconds() -> None:
    rng = np.random.default_rng(13)
    cases = [(measured(made, rng), made.control()) for made in (station(rng) for _ in range(200))]
    times = []
    for sights, control in cases:
        begin = time.perf_counter()
        free_setup(sights, control, INSTRUMENT)
        times.append(time.perf_counter() - begin)
    begin = time.perf_counter()
    for _ in range(200):
        np.linalg.svd(np.eye(48))
    peer = (time.perf_counter() - begin) / 200
    middle = float(np.median(times))
    print(
        f"\nfree set-up over 8 weighted control points, with reliability and diagnosis: median {middle * 1e3:.1f} ms "
        f"(aim 5); {middle / peer:.0f} times one singular value decomposition of 48 by 48"
    )
    assert middle < 0.015
