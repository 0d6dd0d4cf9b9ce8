"""The stiffness bound of a rail against finite elements of a beam, and against closed forms of textbooks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geometry.exchange.fastener_settings import FastenerSettings
from geometry.placement.rail.beam import Beam, largest_kink, seat_forces
from geometry.placement.rail.fastener_rows import kink_demand

PADS = Beam(6.38e6, 22.5e6, 18e3)
A = 0.65


def finite_elements(station: np.ndarray, seats: np.ndarray, bending: float, spring: float) -> np.ndarray:
    """Return the force of each seat on a beam of cubic elements over springs that stand at `seats`, N.

    Deflection and slope at each node, with the stiffness matrix of the Euler-Bernoulli element as in any book on the
    method, for instance Przemieniecki, Theory of Matrix Structural Analysis, 1968 (from memory).
    """
    n = len(station)
    stiffness = np.zeros((2 * n, 2 * n))
    for i, length in enumerate(np.diff(station).tolist()):
        a, b = 6 * length, length * length
        stiffness[2 * i : 2 * i + 4, 2 * i : 2 * i + 4] += bending / length**3 * np.array([
            [12, a, -12, a], [a, 4 * b, -a, 2 * b], [-12, -a, 12, -a], [a, 2 * b, -a, 4 * b]
        ])  # fmt: skip
    load = np.zeros(2 * n)
    stiffness[np.arange(0, 2 * n, 2), np.arange(0, 2 * n, 2)] += spring
    load[::2] = spring * seats
    deflection = np.linalg.solve(stiffness, load)[::2]
    return np.asarray(spring * (seats - deflection))


def worst_seats(beam: Beam, n: int) -> np.ndarray:
    """Return seats whose slope changes by the largest kink everywhere, with signs that strain the middle one most."""
    single = np.zeros(n)
    single[n // 2] = 1.0
    # force at the middle from a kink elsewhere: that of seats bent at that place alone
    kink = largest_kink(beam, A)
    station = A * np.arange(n)
    bent = np.maximum(station[None, :] - station[:, None], 0.0)  # row i: straight, then a slope of 1 from seat i on
    force = np.array([finite_elements(station, row, beam.bending, beam.spring)[n // 2] for row in bent])
    return np.asarray((kink * np.sign(force)) @ bent)


@pytest.mark.parametrize("spring", [22.5e6, 60e6, 5e9])
def test_the_worst_seats_need_just_the_hold(spring: float) -> None:
    beam = Beam(6.38e6, spring, 18e3)
    n = 61
    seats = worst_seats(beam, n)
    slopes = np.diff(seats) / A
    assert np.abs(np.diff(slopes)).max() == pytest.approx(largest_kink(beam, A), rel=1e-9)
    forces = finite_elements(A * np.arange(n), seats, beam.bending, spring)
    assert abs(forces[n // 2]) == pytest.approx(beam.hold, rel=2e-4)
    assert np.abs(forces[10:-10]).max() <= beam.hold * (1 + 2e-4)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.lists(st.floats(-1.0, 1.0), min_size=60, max_size=60), st.floats(0.0, 0.15))
def test_no_seats_within_the_bound_need_more_than_the_hold(kinks: list[float], uneven: float) -> None:
    """Seats 0.6 to 0.75 m apart, as over joints: the bound of the worst spacing holds for all of them."""
    apart = 0.6 + uneven * (np.arange(60) % 8 == 7)
    station = np.append(0.0, np.cumsum(apart))
    bound = min(largest_kink(PADS, float(a)) for a in np.linspace(0.6, 0.6 + uneven, 5))
    slope = np.cumsum(np.array(kinks) * bound)
    seats = np.append(0.0, np.cumsum(slope * apart))
    forces = finite_elements(station, seats, PADS.bending, PADS.spring)
    assert np.abs(forces[8:-8]).max() <= PADS.hold


def test_forces_agree_with_finite_elements() -> None:
    seats = np.zeros(128)
    seats[60:63] = [0.001, 0.0015, 0.0005]
    forces = seat_forces(PADS, A, seats)
    expected = finite_elements(A * np.arange(128), seats, PADS.bending, PADS.spring)
    np.testing.assert_allclose(forces, expected, rtol=0, atol=1e-3)
    assert forces.sum() == pytest.approx(0.0, abs=1e-6)
    assert forces[61] > 0 > forces[59]


def test_stiff_supports_in_closed_form() -> None:
    """Continuous beam on supports that do not give: second difference F a^3 / (12 EI), from the three-moment theorem.

    T is tridiagonal with 1, 4, 1 and D the second difference, so that R = 6 EI / a^3 (1 - 6 / T) D y; the inverse of T
    is (-q)^|k| / (2 sqrt 3) with q = 2 - sqrt 3, and the absolute values of the kernel sum to 2.
    """
    beam = Beam(6.38e6, 1e16, 18e3)
    assert largest_kink(beam, A) * A == pytest.approx(beam.hold * A**3 / (12 * beam.bending), rel=1e-6)
    q = 2 - np.sqrt(3)
    k = np.arange(1, 60)
    kernel = abs(1 - 6 / (2 * np.sqrt(3))) + 2 * (6 / (2 * np.sqrt(3)) * q**k).sum()
    assert kernel == pytest.approx(2.0, rel=1e-12)


def test_one_seat_between_two_in_closed_form() -> None:
    """Simply supported beam of span 2a with F in its middle: F (2a)^3 / (48 EI), as in every table of beams."""
    station, bending, out = np.array([0.0, A, 2 * A]), 6.38e6, 0.001
    force = finite_elements(station, np.array([0.0, out, 0.0]), bending, 1e14)[1]
    assert force == pytest.approx(out * 48 * bending / (2 * A) ** 3, rel=1e-5)
    assert 2 * out == pytest.approx(force * A**3 / (3 * bending), rel=1e-5)
    # the bound for endless rails is on the safe side of it
    assert largest_kink(Beam(bending, 1e16, force), A) * A < 2 * out


@pytest.mark.parametrize(("change", "factor"), [({"hold": 2.0}, 2.0), ({"bending": 2.0, "spring": 2.0}, 0.5)])
def test_the_bound_scales_as_it_must(change: dict[str, float], factor: float) -> None:
    values = {"bending": 6.38e6, "spring": 22.5e6, "hold": 18e3}
    changed = Beam(**{name: value * change.get(name, 1.0) for name, value in values.items()})
    assert largest_kink(changed, A) == pytest.approx(factor * largest_kink(Beam(**values), A), rel=1e-9)


def test_softer_pads_bear_more() -> None:
    bounds = [largest_kink(Beam(6.38e6, spring, 18e3), A) for spring in (10e6, 22.5e6, 60e6, 1e12)]
    assert bounds == sorted(bounds, reverse=True)


def test_a_beam_of_nothing_is_refused() -> None:
    for bad in ((0.0, 1.0, 1.0), (1.0, -1.0, 1.0), (1.0, 1.0, np.nan)):
        with pytest.raises(ValueError, match="over 0"):
            Beam(*bad)


def test_the_rail_of_the_settings() -> None:
    """60E1 of EN 13674-1 (from memory): 3038.3 and 512.3 cm4; steel 210 GPa: 6.38 and 1.08 MN m2."""
    rules = FastenerSettings(source="test", step_mm=0.5, low_mm=0.0, high_mm=2.0, sideways_step_mm=1.0, sideways_mm=2.0,
                             shims_mm=[0.5, 1.0], most_shims=2).rules(2.0)  # fmt: skip
    assert rules.vertical.bending == pytest.approx(6.38e6, rel=1e-3)
    assert rules.lateral.bending == pytest.approx(1.0758e6, rel=1e-3)
    assert rules.vertical.spring == pytest.approx(22.5e6)
    assert rules.vertical.hold == pytest.approx(18e3)


def test_kinks_of_a_parabola_at_uneven_seats() -> None:
    """The divided second difference of c s^2 is 2 c wherever the seats are, so that the slope changes by 2 c times the
    mean spacing."""
    station = np.array([0.0, 0.6, 1.25, 2.0, 2.73, 3.3])
    c = 1e-3
    value = np.stack([c * station**2, -2 * c * station**2], axis=1)
    demand = kink_demand(station, value, 1.0, "test", upright=True)
    mean = (station[2:] - station[:-2]) / 2
    bent = demand.rows @ value.ravel()
    np.testing.assert_allclose(bent.reshape(-1, 2), np.outer(2 * c * mean**2, [1, -2]), rtol=0, atol=1e-15)
    np.testing.assert_allclose(demand.high + bent, np.repeat(mean, 2), rtol=0, atol=1e-15)
    np.testing.assert_allclose(demand.low + bent, -np.repeat(mean, 2), rtol=0, atol=1e-15)


def test_no_kink_is_told_over_a_gap_of_the_rail() -> None:
    station = np.array([0.0, 0.65, 1.3, 5.0, 5.65, 6.3])
    demand = kink_demand(station, np.zeros((6, 2)), 1.0, "test", upright=False)
    assert demand.place.tolist() == [1, 1, 4, 4]
