"""Readings to sights: air against theory and tables, faces, rounds, and mistakes that the numbers show."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geometry.survey.air import Air, group_refractivity, vapour_pressure, velocity_factor
from geometry.survey.observations import wrapped
from geometry.survey.polar import polar_points
from geometry.survey.readings import Control, Instrument, Readings, Sights
from geometry.survey.reduction import foot_setups, reduce_readings
from tests.reference import load
from tests.reference.air_theory import group_index, phase_index

SECOND = math.pi / 648_000


# -- air -----------------------------------------------------------------------------------------------------


def test_the_theory_that_judges_is_right_itself() -> None:
    table = load("air_index")
    for row in table["rows"]:
        index = phase_index(table["wavelength_um"], row["temperature_c"], row["pressure_hpa"]) * 1e8
        assert index == pytest.approx(row["index_e8"], abs=0.06, rel=0)


@pytest.mark.parametrize("wavelength", [0.633, 0.658, 0.785, 0.85])
@pytest.mark.parametrize("celsius", [-20.0, 0.0, 15.0, 40.0])
@pytest.mark.parametrize("hpa", [850.0, 1013.25])
@pytest.mark.parametrize("humidity", [0.0, 100.0])
def test_the_closed_formula_keeps_its_promise(wavelength: float, celsius: float, hpa: float, humidity: float) -> None:
    """IAG resolution 1999: within 1 ppm; without vapour much better."""
    vapour = float(vapour_pressure(celsius, hpa, humidity))
    wanted = group_index(wavelength, celsius, hpa, vapour) * 1e6
    got = float(group_refractivity(wavelength, celsius, hpa, humidity))
    assert got == pytest.approx(wanted, abs=1.0 if humidity else 0.2, rel=0)


def test_vapour_pressure_is_that_of_the_tables() -> None:
    """Smithsonian Meteorological Tables, 6th ed., table 94, over water: 6.1078, 12.272, 23.373, 42.430 hPa."""
    for celsius, wanted in ((0.0, 6.1078), (10.0, 12.272), (20.0, 23.373), (30.0, 42.430)):
        assert float(vapour_pressure(celsius, 1013.25, 100.0)) == pytest.approx(wanted, rel=0.006)
    assert float(vapour_pressure(20.0, 1013.25, 50.0)) == pytest.approx(23.44 / 2, abs=0.01)


def test_the_correction_has_its_known_size_and_sign() -> None:
    """One part in a million for 1 degree or for 3.6 hPa (common practice); warm and thin air: the true is longer."""
    air = Air()
    assert float(velocity_factor(air, 12.0, 1013.25, 60.0)) == 1.0
    assert (float(velocity_factor(air, 22.0, 1013.25, 60.0)) - 1) * 1e6 == pytest.approx(10.0, abs=0.6)
    assert (float(velocity_factor(air, 12.0, 1013.25 - 36, 60.0)) - 1) * 1e6 == pytest.approx(10.0, abs=0.3)
    with pytest.raises(ValueError, match=r"outside 0\.4 to 1\.6"):
        Air(wavelength=658.0)


# -- faces and rounds ----------------------------------------------------------------------------------------


def made(
    collimation: float = 12 * SECOND, index: float = -8 * SECOND, rounds: int = 3, targets: int = 5, setups: int = 2,
    noise: float = 0.0, seed: int = 1, circle: float = 0.0,
) -> tuple[Readings, np.ndarray]:  # fmt: skip
    """Return readings in both faces, and the true direction, zenith angle and distance, (setups, targets, 3)."""
    rng = np.random.default_rng(seed)
    true = np.stack(
        [rng.uniform(0, 2 * math.pi, (setups, targets)), rng.uniform(1.2, 1.8, (setups, targets)),
         rng.uniform(10, 80, (setups, targets))], axis=-1,
    )  # fmt: skip
    rows = [(s, k, f, t) for s in range(setups) for k in range(rounds) for f in (1, 2) for t in range(targets)]
    setup, turn, face, target = np.array(rows).T
    here = true[setup, target]
    hand = np.where(face == 1, 1.0, -1.0)
    direction = here[:, 0] + (face == 2) * math.pi + hand * collimation / np.sin(here[:, 1]) + turn * circle
    zenith = np.where(face == 1, here[:, 1], 2 * math.pi - here[:, 1]) + index
    n = len(rows)
    shake = rng.normal(size=(3, n)) * noise
    return Readings(
        setup=setup, target=target, face=face, direction=(direction + shake[0]) % (2 * math.pi),
        zenith=zenith + shake[1], distance=here[:, 2] + 100 * shake[2] - 0.0175,
        instrument_height=np.full(n, 1.5), target_height=np.full(n, 0.1), prism=np.full(n, 0.0175),
        temperature=np.full(n, np.nan), pressure=np.full(n, np.nan), humidity=np.full(n, np.nan),
        time=np.arange(n, dtype=float),
    ), true  # fmt: skip


def changed(readings: Readings, **more: np.ndarray) -> Readings:
    return Readings(**(vars(readings) | more))


def test_both_faces_free_the_mean_of_the_instruments_errors() -> None:
    readings, true = made()
    answer = reduce_readings(readings)
    np.testing.assert_allclose(answer.collimation, 12 * SECOND, rtol=0, atol=1e-12)
    np.testing.assert_allclose(answer.index_error, -8 * SECOND, rtol=0, atol=1e-12)
    s = answer.sights
    assert len(s) == 10
    here = true[s.setup, s.target]
    np.testing.assert_allclose(wrapped(s.direction - here[:, 0]), 0.0, atol=1e-12)
    np.testing.assert_allclose(s.zenith, here[:, 1], rtol=0, atol=1e-12)
    np.testing.assert_allclose(s.distance, here[:, 2], rtol=0, atol=1e-12)
    np.testing.assert_array_equal(s.repeats, 3.0)
    np.testing.assert_allclose(answer.scatter, 0.0, atol=1e-10)
    assert not answer.findings
    assert len(reduce_readings(readings, average=False).sights) == 30


def test_one_face_is_freed_of_what_the_others_show() -> None:
    readings, true = made(rounds=1)
    keep = ~((readings.setup == 1) & (readings.target == 2) & (readings.face == 1))
    keep &= ~((readings.setup == 0) & (readings.target == 3) & (readings.face == 2))
    answer = reduce_readings(readings.rows(keep), setups=("S1", "S2"))
    s = answer.sights
    here = true[s.setup, s.target]
    np.testing.assert_allclose(wrapped(s.direction - here[:, 0]), 0.0, atol=1e-12)
    np.testing.assert_allclose(s.zenith, here[:, 1], rtol=0, atol=1e-12)
    assert [f.kind for f in answer.findings] == ["one face"]
    assert "2 sights of set-up S1, S2" in answer.findings[0].text
    assert s.repeats[(s.setup == 1) & (s.target == 2)] == 0.5


def test_scatter_is_the_noise_and_takes_no_turn_of_the_circle_for_it() -> None:
    """20 rounds to 20 targets, 2 set-ups: the estimate has an error of about 4 percent."""
    noise = 3 * SECOND
    readings, _ = made(rounds=20, targets=20, noise=noise, circle=0.7)
    scatter = reduce_readings(readings).scatter
    # the mean of two faces scatters less by the root of two
    np.testing.assert_allclose(scatter[:, :2], noise / math.sqrt(2), rtol=0.13)
    np.testing.assert_allclose(scatter[:, 2], 100 * noise / math.sqrt(2), rtol=0.13)


def test_scatter_counts_its_degrees_of_freedom() -> None:
    """2 rounds to 3 targets leave 2 degrees of freedom for directions, 3 for the rest; 400 set-ups."""
    noise = 3 * SECOND
    readings, _ = made(rounds=2, targets=3, setups=400, noise=noise)
    mean = np.sqrt((reduce_readings(readings).scatter ** 2).mean(axis=0))
    np.testing.assert_allclose(mean[:2], noise / math.sqrt(2), rtol=0.1)
    assert mean[2] == pytest.approx(100 * noise / math.sqrt(2), rel=0.1)


def test_a_missing_reading_stays_out_of_the_mean() -> None:
    readings, true = made(rounds=2, setups=1)
    distance, direction = readings.distance.copy(), readings.direction.copy()
    first = (readings.target == 0) & (readings.time < 10)
    distance[first], direction[first] = np.nan, np.nan
    distance[readings.target == 4] = np.nan
    s = reduce_readings(changed(readings, distance=distance, direction=direction)).sights
    here = true[0, s.target]
    np.testing.assert_allclose(wrapped(s.direction - here[:, 0]), 0.0, atol=1e-12)
    np.testing.assert_allclose(s.distance[s.target == 0], true[0, 0, 2], rtol=0, atol=1e-12)
    assert np.isnan(s.distance[s.target == 4]).all()


def test_air_lengthens_the_distances_and_missing_air_is_told() -> None:
    readings, true = made(rounds=1, setups=1)
    n = len(readings)
    warm = changed(readings, temperature=np.full(n, 32.0), pressure=np.full(n, 1013.25), humidity=np.full(n, 60.0))
    answer = reduce_readings(warm, Air())
    s = answer.sights
    wanted = true[0, s.target, 2] * float(velocity_factor(Air(), 32.0, 1013.25, 60.0))
    np.testing.assert_allclose(s.distance, wanted, rtol=0, atol=1e-12)
    assert (s.distance > true[0, s.target, 2]).all()
    assert [f.kind for f in reduce_readings(readings, Air()).findings] == ["no air"]


# -- mistakes ------------------------------------------------------------------------------------------------


def test_a_face_2_reading_booked_as_face_1_is_named_and_set_right() -> None:
    readings, true = made(rounds=1)
    face = readings.face.copy()
    wrong = (readings.setup == 1) & (readings.target == 3) & (face == 2)
    face[wrong] = 1
    answer = reduce_readings(changed(readings, face=face), setups=("S1", "S2"))
    assert [(f.kind, f.rows) for f in answer.findings] == [("face", tuple(np.flatnonzero(wrong).tolist()))]
    assert "set-up S2 are booked as face 1" in answer.findings[0].text
    s = answer.sights
    np.testing.assert_allclose(wrapped(s.direction - true[s.setup, s.target, 0]), 0.0, atol=1e-12)


@pytest.mark.parametrize("hand", [1, 2])
def test_an_elevation_angle_is_named(hand: int) -> None:
    readings, _ = made(rounds=1)
    zenith = readings.zenith.copy()
    mine = (readings.setup == 0) & (readings.face == hand)
    zenith[mine] = (math.pi / 2 - zenith[mine]) if hand == 1 else zenith[mine] - math.pi / 2
    answer = reduce_readings(changed(readings, zenith=zenith))
    found = [f for f in answer.findings if f.kind == "elevation angle"]
    assert len(found) == 1
    assert found[0].stops
    assert set(found[0].rows) <= set(np.flatnonzero(mine).tolist())
    assert len(found[0].rows) >= 3


@pytest.mark.parametrize(("factor", "text"), [(200 / 180, "gon read as degrees"), (180 / 200, "degrees read as gon")])
def test_the_wrong_angle_unit_is_named(factor: float, text: str) -> None:
    readings, _ = made(rounds=1)
    mine = readings.setup == 1
    zenith, direction = readings.zenith.copy(), readings.direction.copy()
    zenith[mine] *= factor
    direction[mine] = direction[mine] * factor % (2 * math.pi)
    answer = reduce_readings(changed(readings, zenith=zenith, direction=direction), setups=("S1", "S2"))
    found = [f for f in answer.findings if f.kind == "angle unit"]
    assert len(found) == 1
    assert text in found[0].text
    assert "S2" in found[0].text
    assert set(found[0].rows) == set(np.flatnonzero(mine).tolist())


@pytest.mark.parametrize(("factor", "named"), [(1.0, False), (1 / 0.3048, True), (0.3048, True), (1.02, False)])
def test_feet_are_named(factor: float, named: bool) -> None:
    rng = np.random.default_rng(3)
    xyz = rng.uniform(-50, 50, (6, 3)) * [1, 1, 0.05]
    control = Control(tuple("ABCDEF"), xyz, np.zeros((6, 3)))
    distance = np.linalg.norm(xyz, axis=1)
    zenith = np.arccos(xyz[:, 2] / distance)
    sights = Sights.of(np.arange(6), np.arctan2(xyz[:, 0], xyz[:, 1]), zenith, distance * factor)
    found = foot_setups(sights, control, ("S9",))
    assert [f.kind for f in found] == (["feet"] if named else [])
    assert not found or "set-up S9" in found[0].text


def test_no_mistake_is_named_in_good_readings() -> None:
    for seed in range(40):
        readings, _ = made(rounds=2, noise=2 * SECOND, seed=seed)
        assert not reduce_readings(readings).findings


def test_readings_and_instruments_are_checked_when_made() -> None:
    readings, _ = made(rounds=1)
    with pytest.raises(ValueError, match="neither 1 nor 2"):
        changed(readings, face=readings.face + 1)
    with pytest.raises(ValueError, match="has not the shape"):
        changed(readings, zenith=readings.zenith[:-1])
    for bad in ({"sigma_direction": 0.0}, {"sigma_distance": -1.0}, {"ppm": math.nan}):
        with pytest.raises(ValueError, match="of the instrument"):
            Instrument(**bad)
    with pytest.raises(ValueError, match="control point B"):
        Control(("A", "B"), np.array([[1.0, 2, 3], [1, np.nan, 3]]), np.zeros((2, 3)))


def test_sigmas_grow_with_centring_at_short_range() -> None:
    """0.3 mm at 3 m is 21 seconds (common practice)."""
    one = Instrument(sigma_direction=SECOND, centring=0.0003, target_height=0.0, sigma_distance=0.001, ppm=1.0)
    direction, zenith, distance = one.sigmas(np.array([3.0, 1000.0]), np.array([math.pi / 2] * 2))
    assert direction[0] / SECOND == pytest.approx(20.65, abs=0.05)
    assert zenith[0] == pytest.approx(SECOND, rel=1e-9)  # plan centring does not tilt a level sight
    assert distance[1] * 1e3 == pytest.approx(math.sqrt(2 + 0.09), rel=1e-6)
    better = one.sigmas(np.array([1000.0]), np.array([math.pi / 2]), 4.0)
    assert better[1][0] == pytest.approx(SECOND / 2, rel=1e-9)
    assert better[0][0] == pytest.approx(math.hypot(SECOND / 2, 0.3e-6), rel=1e-9)
    assert better[2][0] * 1e3 == pytest.approx(math.sqrt(0.25 + 1 + 0.09), rel=1e-6)


def test_polar_points_undo_sights_in_a_scaled_grid() -> None:
    """A sight of 100 m to the east, 30 m up: 80 m level in a grid of half size are 40 m."""
    zenith = math.atan2(80.0, 60.0)
    one = Sights.of([0], [0.3], [zenith], [100.0], instrument_height=1.6, target_height=0.2)
    point = polar_points(one, np.array([10.0, 20.0, 5.0]), math.pi / 2 - 0.3, refraction=1.0, grid_scale=0.5)
    np.testing.assert_allclose(point, [[50.0, 20.0, 66.4]], rtol=0, atol=1e-12)
