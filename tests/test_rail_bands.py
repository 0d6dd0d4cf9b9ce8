"""Ranges of wavelengths against Butterworth's closed form, as scipy has it for the analog filter, and on sines."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from geometry.placement.rail.bands import (
    _EDGE,
    BANDS,
    ORDER,
    band_pass,
    band_response,
    band_rows,
    reach,
)

SEATS = np.cumsum(np.tile([0.65] * 7 + [0.73], 300))  # 1.58 km
RANGES = sorted(set(BANDS.values()))


def test_ranges_are_those_of_the_standard() -> None:
    """EN 13848-1, from memory: D1 3 to 25 m, D2 25 to 70 m, D3 70 to 150 m for level and 70 to 200 m for alignment."""
    assert {key: value for key, value in BANDS.items() if key[1] == "level"} == {
        ("D1", "level"): (3, 25), ("D2", "level"): (25, 70), ("D3", "level"): (70, 150),
    }  # fmt: skip
    assert [BANDS[band, "line"] for band in ("D1", "D2", "D3")] == [(3, 25), (25, 70), (70, 200)]


@pytest.mark.parametrize(("shortest", "longest"), RANGES)
def test_response_is_that_of_the_analog_filter(shortest: float, longest: float) -> None:
    """scipy.signal.butter and freqs, analog, run twice; its edges widened until two runs pass 1/sqrt(2) there."""
    wide = (1 / shortest - 1 / longest) / _EDGE ** (1 / (2 * ORDER))
    centre = 1 / (shortest * longest)
    low = np.sqrt(wide**2 / 4 + centre) - wide / 2
    b, a = signal.butter(ORDER, [low, low + wide], "bandpass", analog=True)
    wavelength = np.geomspace(shortest / 4, longest * 4, 50)
    _, single = signal.freqs(b, a, 1 / wavelength)
    np.testing.assert_allclose(band_response(shortest, longest, wavelength), np.abs(single) ** 2, rtol=0, atol=1e-9)
    # the 3 dB points, by the meaning of the word
    np.testing.assert_allclose(band_response(shortest, longest, np.array([shortest, longest])), 2**-0.5, atol=1e-12)
    # 24 dB an octave far beyond either edge (6.02 dB are a factor of 2)
    beyond = band_response(shortest, longest, np.array([longest * 32, longest * 64, shortest / 32, shortest / 64]))
    np.testing.assert_allclose(beyond[::2] / beyond[1::2], 16.0, rtol=0.02)


@pytest.mark.parametrize(("shortest", "longest"), RANGES)
@pytest.mark.parametrize("part", [0.5, 0.8, 1.0, 1.3])
@pytest.mark.parametrize("edge", ["short", "long", "middle"])
def test_sines_inside_and_outside(shortest: float, longest: float, part: float, edge: str) -> None:
    wavelength = {"short": shortest, "long": longest, "middle": np.sqrt(shortest * longest)}[edge] * part
    if wavelength < 2.5:
        pytest.skip("four seats a wave are the least that a rail between seats can show")
    phase = np.exp(2j * np.pi * SEATS / wavelength)
    passed = band_pass(SEATS, np.stack([phase.real, phase.imag], axis=1), shortest, longest).value
    seen = (passed[:, 0] + 1j * passed[:, 1]) / phase
    seen = seen[np.isfinite(seen)]
    assert seen.size > 100
    expected = float(band_response(shortest, longest, np.array(wavelength)))
    # what lies beyond the reach has up to 1 percent of the weight, on both sides of the place
    np.testing.assert_allclose(seen.real, expected, rtol=0, atol=0.025)
    np.testing.assert_allclose(seen.imag, 0.0, rtol=0, atol=0.025)  # no wave is shifted
    assert seen.real.mean() == pytest.approx(expected, abs=0.012)


def test_what_lies_beyond_the_reach_hardly_counts() -> None:
    rng = np.random.default_rng(5)
    value = np.cumsum(rng.normal(size=len(SEATS))) * 1e-4
    for shortest, longest in RANGES:
        far = reach(shortest, longest)
        whole = band_pass(SEATS, value, shortest, longest).value
        middle = len(SEATS) // 2
        near = np.abs(SEATS - SEATS[middle]) <= far + 0.7
        alone = band_pass(SEATS[near], value[near], shortest, longest).value[int(near[:middle].sum())]
        spread = value[near].max() - value[near].min()
        assert alone == pytest.approx(whole[middle], rel=0, abs=0.02 * spread)


def test_answers_end_at_the_reach() -> None:
    for shortest, longest in RANGES:
        far = reach(shortest, longest)
        found = band_pass(SEATS, np.sin(SEATS), shortest, longest)
        inside = (SEATS - SEATS[0] >= far) & (SEATS[-1] - SEATS >= far)
        np.testing.assert_array_equal(np.isfinite(found.value), inside)
        np.testing.assert_array_equal(found.has_room, inside)


def test_what_is_unknown_splits_the_record_and_a_break_of_the_rail_ends_it() -> None:
    value = np.zeros(len(SEATS))
    value[1200:1208] = np.nan
    station = SEATS + np.where(np.arange(len(SEATS)) >= 600, 5.0, 0.0)
    far = reach(3.0, 25.0)
    found = band_pass(station, value, 3.0, 25.0)
    answered = np.zeros(len(SEATS), dtype=bool)
    for first, last in ((0, 599), (600, 1199), (1208, len(SEATS) - 1)):
        answered |= (station >= station[first] + far) & (station <= station[last] - far)
    np.testing.assert_array_equal(np.isfinite(found.value), answered)
    room = np.zeros(len(SEATS), dtype=bool)
    for first, last in ((0, 599), (600, len(SEATS) - 1)):
        room |= (station >= station[first] + far) & (station <= station[last] - far)
    np.testing.assert_array_equal(found.has_room, room)
    assert (room & ~answered).sum() > 8


def test_a_step_beyond_a_gap_does_not_leak() -> None:
    value = np.where(np.arange(len(SEATS)) >= 1200, 0.05, 0.0)
    value[1192:1200] = np.nan
    found = band_pass(SEATS, value, 3.0, 25.0).value
    np.testing.assert_allclose(found[np.isfinite(found)], 0.0, rtol=0, atol=1e-12)


def test_too_short_a_record_has_no_answer() -> None:
    short = SEATS[SEATS - SEATS[0] < 2 * reach(25.0, 70.0) - 1.0]
    found = band_pass(short, np.zeros(len(short)), 25.0, 70.0)
    assert np.isnan(found.value).all()
    assert not found.has_room.any()
    for few in (0, 1, 2, 3):
        assert np.isnan(band_pass(SEATS[:few], np.zeros(few), 3.0, 25.0).value).all()


@pytest.mark.parametrize(("shortest", "longest"), RANGES)
def test_rows_do_nearly_what_the_filter_does(shortest: float, longest: float) -> None:
    rng = np.random.default_rng(6)
    value = rng.normal(size=(len(SEATS), 3))
    passed = band_pass(SEATS, value, shortest, longest).value
    place = np.flatnonzero(np.isfinite(passed[:, 0]))[::7]
    by_rows = band_rows(SEATS, place, shortest, longest).rows @ value
    np.testing.assert_allclose((by_rows - passed[place]).std() / passed[place].std(), 0.0, atol=0.06)
    slow = np.sin(2 * np.pi * SEATS / np.sqrt(shortest * longest))
    one = band_pass(SEATS, slow, shortest, longest).value[place]
    np.testing.assert_allclose(band_rows(SEATS, place, shortest, longest).rows @ slow, one, rtol=0, atol=0.02)
