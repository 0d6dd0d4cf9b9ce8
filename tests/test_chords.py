"""Chords against circle, parabola and sines in closed form, and against the differences that the trade writes down."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geometry.placement.rail.chords import Chord, chord_response, chord_rows, twist_rows
from tests.reference import load

VERSINES = load("versines")["rows"]
WAVES = load("chord_waves")
UM = 1e-6
SEATS = np.cumsum(np.tile([0.65] * 7 + [0.73], 60))  # slabs of eight seats, wider over the joint


def offsets(station: np.ndarray, chord: Chord, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    found = chord_rows(station, chord)
    return found.place, found.rows @ value


@pytest.mark.parametrize(("length", "radius", "versine"), VERSINES)
def test_versine_of_a_circle(length: float, radius: float, versine: float) -> None:
    """Curve books: V (2R - V) = (C/2)^2, tabulated to 1e-4 mm. The curve bends to the right: its line is +."""
    x = np.linspace(-length / 2, length / 2, 41)
    line = radius - np.sqrt(radius**2 - x**2)
    place, found = offsets(x, Chord(length / 2, length / 2), line)
    assert place.tolist() == [20]
    assert -found[0] * 1e3 == pytest.approx(versine, rel=0, abs=6e-5)


@pytest.mark.parametrize(("rear", "front", "apart"), [(5, 5, 0), (2, 8, 0), (7, 3, 0), (15, 15, 5), (15, 285, 150)])
def test_parabola_in_closed_form(rear: float, front: float, apart: float) -> None:
    """A chord of a parabola x^2/2R, p from its rear end and L long, lies p (L - p) / 2R beside it, anywhere."""
    x, radius, length = np.arange(0.0, 700.0), 6200.0, rear + front
    place, found = offsets(x, Chord(rear, front, apart), x**2 / (2 * radius))

    def beside(p: float) -> float:
        return -p * (length - p) / (2 * radius)

    expected = beside(rear + apart) - beside(rear) if apart else beside(rear)
    assert place.tolist() == list(range(int(rear), int(700 - front)))
    np.testing.assert_allclose(found, expected, rtol=0, atol=UM / 1e3)


@pytest.mark.parametrize(("length", "wavelength", "gain"), WAVES["symmetric"]["rows"])
def test_symmetric_chord_on_waves(length: float, wavelength: float, gain: float) -> None:
    x = np.arange(0.0, length + 3 * wavelength, length / 40)
    place, found = offsets(x, Chord(length / 2, length / 2), np.sin(2 * np.pi * x / wavelength + 0.3))
    np.testing.assert_allclose(found, gain * np.sin(2 * np.pi * x[place] / wavelength + 0.3), rtol=0, atol=1e-6)
    response = chord_response(Chord(length / 2, length / 2), np.array([wavelength]))
    assert abs(response[0]) == pytest.approx(gain, abs=1e-6)


@pytest.mark.parametrize(("rear", "front", "wavelength", "gain", "phase"), WAVES["asymmetric"]["rows"])
def test_asymmetric_chord_on_waves(rear: float, front: float, wavelength: float, gain: float, phase: float) -> None:
    x = np.arange(0.0, 200.0, 0.5)
    place, found = offsets(x, Chord(rear, front), np.exp(2j * np.pi * x / wavelength))
    seen = found / np.exp(2j * np.pi * x[place] / wavelength)
    np.testing.assert_allclose(np.abs(seen), gain, rtol=0, atol=1e-6)
    np.testing.assert_allclose(np.degrees(np.angle(seen)), phase, rtol=0, atol=1e-4)


@pytest.mark.parametrize("chord", [Chord(15, 15, 5), Chord(15, 285, 150), Chord(3, 8, 6)])
@pytest.mark.parametrize("wavelength", [4.0, 11.0, 70.0, 900.0])
def test_response_of_two_places_on_one_chord(chord: Chord, wavelength: float) -> None:
    x = np.arange(0.0, 900.0, 0.5)
    place, found = offsets(x, chord, np.exp(2j * np.pi * x / wavelength))
    seen = found / np.exp(2j * np.pi * x[place] / wavelength)
    np.testing.assert_allclose(seen, chord_response(chord, np.array([wavelength]))[0], rtol=0, atol=1e-9)


@pytest.mark.parametrize(("points", "first", "ahead"), [(49, 24, 8), (481, 24, 240)])
def test_differences_as_the_trade_writes_them(points: int, first: int, ahead: int) -> None:
    """Common practice (from memory): dv(i) - dv(i+8) on a 30 m chord, dv(i) - dv(i+240) on 300 m, seats 0.625 m apart.

    dv is the offset from one chord between its first and its last point; the first place lies 15 m from the rear.
    """
    rng = np.random.default_rng(4)
    value = rng.normal(size=points)
    x = 0.625 * np.arange(points)
    of_chord = value - np.interp(x, x[[0, -1]], value[[0, -1]])
    length = 0.625 * (points - 1)
    place, found = offsets(x, Chord(15.0, length - 15.0, 0.625 * ahead), value)
    assert place.tolist() == [first]
    assert found[0] == pytest.approx(of_chord[first + ahead] - of_chord[first], rel=0, abs=1e-12)


@given(
    st.floats(0.7, 20), st.floats(0.7, 20), st.floats(0, 0.95), st.floats(-1, 1), st.floats(-0.01, 0.01),
)  # fmt: skip
def test_a_straight_rail_has_no_offset(rear: float, front: float, part: float, start: float, slope: float) -> None:
    place, found = offsets(SEATS, Chord(rear, front, part * front), start + slope * SEATS)
    assert place.size
    np.testing.assert_allclose(found, 0.0, rtol=0, atol=1e-13)
    inside = (SEATS - rear >= SEATS[0]) & (SEATS + front <= SEATS[-1])
    assert place.tolist() == np.flatnonzero(inside).tolist()


def test_between_seats_the_rail_is_straight() -> None:
    value = np.sin(np.arange(len(SEATS)) * 1.7)
    chord = Chord(3.0, 4.1)
    place, found = offsets(SEATS, chord, value)
    at = SEATS[place]
    ends = np.interp(at - 3.0, SEATS, value), np.interp(at + 4.1, SEATS, value)
    np.testing.assert_allclose(found, value[place] - (4.1 * ends[0] + 3.0 * ends[1]) / 7.1, rtol=0, atol=1e-12)


def test_no_chord_meets_a_gap() -> None:
    station = np.concatenate([np.arange(0.0, 12.0), np.arange(14.5, 26.0)])
    value = np.where(station < 13, 0.0, 100.0)
    place, found = offsets(station, Chord(5.0, 5.0), value)
    assert station[place].tolist() == [5.0, 6.0, 19.5, 20.5]
    np.testing.assert_array_equal(found, 0.0)
    joined = chord_rows(station, Chord(5.0, 5.0), longest=3.6)
    assert len(joined.place) == len(station) - 10


def test_a_chord_that_ends_on_a_seat_asks_nothing_of_its_neighbour() -> None:
    station = np.arange(0.0, 30.0)
    value = np.zeros(30)
    value[[3, 20]] = np.nan
    place, found = offsets(station, Chord(5.0, 5.0), value)
    blind = [p for p in range(5, 25) if {p - 5, p, p + 5} & {3, 20}]
    assert place[np.isnan(found)].tolist() == blind
    # sums of seat distances do not come out round: still nothing leaks
    uneven = np.cumsum(np.full(30, 0.1)) * 10
    place, found = offsets(uneven, Chord(5.0, 5.0), value)
    assert place[np.isnan(found)].tolist() == blind


def test_twist_is_the_change_of_cant_over_its_base() -> None:
    """175 mm of cant over 670 m: 0.26119 mm/m, 1.1754 mm over 4.5 m (closed form)."""
    found = twist_rows(SEATS, 4.5)
    np.testing.assert_allclose(found.rows @ (SEATS * 0.175 / 670.0) * 1e3, 1.1754, rtol=0, atol=5e-5)
    step = np.where(SEATS > 100.0, 0.002, 0.0)
    twist = found.rows @ step
    middle = SEATS[found.place]
    assert twist.max() == pytest.approx(0.002, abs=1e-12)
    assert (np.abs(middle[twist > 1e-9] - 100.0) < 2.25 + 0.74).all()


def test_too_short_a_rail_has_no_chord() -> None:
    for station in (np.array([]), np.array([3.0]), np.array([0.0, 0.6])):
        found = chord_rows(station, Chord(5.0, 5.0))
        assert found.place.size == 0
        assert found.rows.shape == (0, len(station))


@pytest.mark.parametrize(
    "lengths", [(0, 5, 0), (5, 0, 0), (5, -1, 0), (5, 5, -1), (5, 5, 5), (np.nan, 5, 0), (5, 5, np.nan)]
)
def test_a_chord_that_is_none(lengths: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="a chord needs"):
        Chord(*lengths)
