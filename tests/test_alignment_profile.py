"""The profile and lengths in space, against exact geometry in 40 digits."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geometry.alignment import (
    HorizontalElement,
    TrackRules,
    VerticalElement,
    build,
    evaluate,
    position,
    true_length,
    true_length_to_distance,
)
from geometry.alignment.alignment import Alignment
from geometry.errors import DistanceError
from tests.reference.quadrature import mp, vertical_arc, vertical_clothoid


def straight(length: float) -> HorizontalElement:
    return HorizontalElement("straight", length, easting=0.0, northing=0.0, bearing=0.0)


def profile(*elements: VerticalElement, rules: TrackRules | None = None) -> Alignment:
    end = elements[-1].start + elements[-1].length
    return build([straight(end)], elements, rules=rules)


@pytest.mark.parametrize(
    ("length", "g1", "g2"), [(500.0, 0.012, -0.008), (80.0, -0.025, 0.0), (60.0, 0.002, 0.035), (20.0, -1e-4, 1e-4)]
)
def test_a_parabola_is_a_parabola(length: float, g1: float, g2: float) -> None:
    line = profile(VerticalElement("parabola", 0.0, length, g1, g2, level=321.0))
    u = np.linspace(0, length, 33)
    at = evaluate(line, u)
    np.testing.assert_allclose(at.level, 321.0 + g1 * u + (g2 - g1) * u**2 / (2 * length), rtol=0, atol=1.2e-13)
    np.testing.assert_allclose(at.gradient, g1 + (g2 - g1) * u / length, rtol=0, atol=1e-14)
    np.testing.assert_allclose(at.profile_curvature, (g2 - g1) / length, rtol=0, atol=1e-13)


@pytest.mark.parametrize(
    ("length", "g1", "g2"), [(500.0, 0.012, -0.008), (80.0, -0.025, 0.0), (1000.0, -0.02, 0.02), (150.0, 0.1, 0.4)]
)
def test_an_arc_is_a_circle(length: float, g1: float, g2: float) -> None:
    line = profile(VerticalElement("arc", 0.0, length, g1, g2, level=0.0))
    u = np.linspace(0, length, 17)
    at = evaluate(line, u)
    exact = [vertical_arc(length, g1, g2, v) for v in u.tolist()]
    np.testing.assert_allclose(at.level, [float(e[0]) for e in exact], rtol=0, atol=2e-13)
    np.testing.assert_allclose(at.gradient, [float(e[1]) for e in exact], rtol=0, atol=1e-14)
    # all points have one distance from the centre
    radius = length / (math.sin(math.atan(g2)) - math.sin(math.atan(g1)))
    a1 = math.atan(g1)
    centre = (-radius * math.sin(a1), radius * math.cos(a1))
    np.testing.assert_allclose(np.hypot(u - centre[0], at.level - centre[1]), abs(radius), rtol=0, atol=2e-11)


@pytest.mark.parametrize(
    ("length", "g1", "g2", "k1"),
    [
        (300.0, 0.0, 0.012, 0.0),
        (300.0, 0.012, 0.0, 0.0),
        (300.0, 0.0, 0.012, 8e-5),
        (200.0, -0.02, 0.025, 1e-4),
        (80.0, 0.3, 0.05, 0.0),
    ],
)
def test_a_vertical_clothoid(length: float, g1: float, g2: float, k1: float) -> None:
    line = profile(VerticalElement("clothoid", 0.0, length, g1, g2, level=0.0, curvature_start=k1))
    u = np.array([0.1, 0.37, 0.5, 0.83, 1.0]) * length
    at = evaluate(line, u)
    exact = [vertical_clothoid(length, g1, g2, k1, v) for v in u.tolist()]
    np.testing.assert_allclose(at.level, [float(e[0]) for e in exact], rtol=0, atol=2e-13)
    np.testing.assert_allclose(at.gradient, [float(e[1]) for e in exact], rtol=0, atol=2e-14)
    # the change of gradient per metre at the start is k1 (1 + g^2)^(3/2)
    assert float(evaluate(line, 0.0).profile_curvature) == pytest.approx(k1 * (1 + g1**2) ** 1.5, abs=1e-12, rel=0)


def test_circle_and_parabola_of_the_same_gradients_differ() -> None:
    # both turn by g2 - g1 over L; to third order they part by the change of cos^3 of the slope: at 0 to 30
    # permille over R 25 km (750 m) up to about 0.1 mm and more with the gradient; exact value by mpmath
    length, g1, g2 = 750.0, 0.0, 0.03
    circle = profile(VerticalElement("arc", 0.0, length, g1, g2, level=0.0))
    parabola = profile(VerticalElement("parabola", 0.0, length, g1, g2, level=0.0))
    u = np.linspace(0, length, 61)
    apart = (evaluate(circle, u).level - evaluate(parabola, u).level) * 1e3
    exact = [
        float((vertical_arc(length, g1, g2, v)[0] - (mp.mpf(g2) - mp.mpf(g1)) * mp.mpf(v) ** 2 / 2 / length) * 1000)
        for v in u
    ]
    np.testing.assert_allclose(apart, exact, rtol=0, atol=1e-9)
    assert 0.5 < np.abs(apart).max() < 3.0  # mm: never to be exchanged


def test_levels_are_chained_and_restarted() -> None:
    line = profile(
        VerticalElement("gradient", 0.0, 100.0, 0.01, 0.01, level=5.0),
        VerticalElement("parabola", 100.0, 200.0, 0.01, -0.02),
        VerticalElement("gradient", 300.0, 50.0, -0.02, -0.02, level=4.99999),
    )
    np.testing.assert_allclose(position(line, [100.0, 350.0])[:, 2], [6.0, 3.99999], rtol=0, atol=1e-12)
    assert float(evaluate(line, np.nextafter(300.0, 0)).level) == pytest.approx(5.0, abs=1e-12, rel=0)
    assert [(j.quantity, j.element) for j in line.joints if j.quantity == "level"] == [("level", 3)]
    assert line.joints[-1].jump == pytest.approx(-1e-5, abs=1e-12, rel=0)


def test_gradient_is_the_slope_of_the_level() -> None:
    line = profile(
        VerticalElement("gradient", 0.0, 100.0, -0.004, -0.004, level=5.0),
        VerticalElement("arc", 100.0, 250.0, -0.004, 0.021),
        VerticalElement("clothoid", 350.0, 100.0, 0.021, 0.025, curvature_start=1e-4),
        VerticalElement("parabola", 450.0, 100.0, 0.025, 0.0),
    )
    s = np.linspace(1, 549, 100) + 0.017
    h = 1e-3
    rise = (position(line, s + h) - position(line, s - h))[:, 2] / (2 * h)
    np.testing.assert_allclose(rise, evaluate(line, s).gradient, rtol=0, atol=2e-11)
    # true length is what a tape along the line would show
    tape = (true_length(line, s + h) - true_length(line, s - h)) / (2 * h)
    np.testing.assert_allclose(tape, np.sqrt(1 + rise**2), rtol=0, atol=2e-10)


def test_true_length_at_25_permille() -> None:
    # sqrt(1 + 0.025^2) - 1 = 0.31245 permille: 1.54 mm on 4.93 m
    line = profile(VerticalElement("gradient", 0.0, 1000.0, 0.025, 0.025, level=0.0))
    more = np.diff(true_length(line, [500.0, 504.93]))[0] - 4.93
    assert more * 1e3 == pytest.approx((math.sqrt(1 + 0.025**2) - 1) * 4930, abs=1e-7, rel=0)
    assert more * 1e3 == pytest.approx(1.5404, abs=1e-4, rel=0)


@pytest.mark.parametrize("scale", [0.9996, 1.0, 1.00012])
def test_true_length_with_a_grid_scale(scale: float) -> None:
    # in plan a true length is the grid length over the scale; levels are not scaled: 1000 m of grid at 25
    # permille (of grid length) rise 25 m over 1000/scale true metres
    line = profile(
        VerticalElement("gradient", 0.0, 1000.0, 0.025, 0.025, level=0.0), rules=TrackRules(grid_scale=scale)
    )
    total = float(true_length(line, 1000.0) - true_length(line, 0.0))
    assert total == pytest.approx(math.hypot(1000.0 / scale, 25.0), abs=1e-10, rel=0)


@pytest.mark.parametrize("kind", ["parabola", "arc"])
def test_true_length_of_curves(kind: str) -> None:
    length, g1, g2 = 400.0, -0.03, 0.02
    line = profile(VerticalElement(kind, 0.0, length, g1, g2, level=0.0))
    a1, a2 = math.atan(g1), math.atan(g2)
    if kind == "arc":
        wanted = length / (math.sin(a2) - math.sin(a1)) * (a2 - a1)
    else:
        wanted = float(
            mp.quad(lambda u: mp.sqrt(1 + (mp.mpf(g1) + (mp.mpf(g2) - mp.mpf(g1)) * u / length) ** 2), [0, length])
        )
    assert float(true_length(line, length)) == pytest.approx(wanted, abs=2e-12, rel=0)


def test_true_length_undone() -> None:
    line = profile(
        VerticalElement("gradient", 0.0, 300.0, 0.025, 0.025, level=0.0),
        VerticalElement("arc", 300.0, 500.0, 0.025, -0.03),
        VerticalElement("gradient", 800.0, 200.0, -0.03, -0.03),
        rules=TrackRules(grid_scale=0.9996),
    )
    s = np.linspace(0, line.length, 401)
    np.testing.assert_allclose(true_length_to_distance(line, true_length(line, s)), s, rtol=0, atol=1e-9)


def test_distances_outside_are_told() -> None:
    line = profile(VerticalElement("gradient", 0.0, 100.0, 0.0, 0.0, level=0.0))
    for call in (position, evaluate, true_length):
        with pytest.raises(DistanceError, match=r"distance 100\.010 m lies outside .* from 0 to 100\.000 m"):
            call(line, [50.0, 100.01])
        with pytest.raises(DistanceError, match=r"-0\.010"):
            call(line, -0.01)
    # a micrometre is rounding of a printed distance
    assert position(line, 100.0 + 9e-7)[1] == pytest.approx(100.0, abs=1e-12, rel=0)
    assert np.isnan(position(line, [np.nan, 1.0])[0]).all()
    assert np.isfinite(position(line, [np.nan, 1.0])[1]).all()


def test_true_lengths_outside_are_told() -> None:
    """A length that the line does not have must not quietly become its end."""
    line = profile(VerticalElement("gradient", 0.0, 100.0, 0.0, 0.0, level=0.0))
    with pytest.raises(DistanceError):
        true_length_to_distance(line, [50.0, 150.0])
