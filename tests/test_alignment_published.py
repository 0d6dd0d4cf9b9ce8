"""Alignments against published tables and worked examples; sources stand in the headers of tests/reference."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geometry.alignment import (
    Alignment,
    CantElement,
    HorizontalElement,
    VerticalElement,
    build,
    evaluate,
    position,
    track_frame,
)
from tests.reference import load

TRANSITIONS = load("transitions")["tables"]
CANT_RAMPS = load("cant_ramps")["tables"]
VERTICAL_CURVES = load("vertical_curves")["tables"]


def from_origin(*elements: HorizontalElement) -> Alignment:
    """Return an alignment that starts at the origin heading north: x of a book is N, y to the left is -E."""
    return build(elements, [VerticalElement("gradient", 0.0, 1e4, 0.0, 0.0, level=0.0)])


def element(kind: str, length: float, k1: float, k2: float) -> HorizontalElement:
    return HorizontalElement(kind, length, k1, k2, easting=0.0, northing=0.0, bearing=0.0)


def name(table: dict) -> str:
    return (
        f"{table['kind']}-{table.get('radius_start_m', table.get('gradient_start_percent', table.get('cant_start_m')))}"
    )


@pytest.mark.parametrize("table", TRANSITIONS, ids=name)
def test_transition_tables(table: dict) -> None:
    # tables are left-hand curves with + to the left; here a left-hand curve has negative curvature
    k1, k2 = (-1 / r if r else 0.0 for r in (table["radius_start_m"], table["radius_end_m"]))
    line = from_origin(element(table["kind"], table["length_m"], k1, k2))
    s, x, y = np.array(table["rows"]).T
    seen = position(line, s)
    np.testing.assert_allclose(seen[:, 1], x, rtol=0, atol=5e-13)  # 15 digits are printed
    np.testing.assert_allclose(seen[:, 0], -y, rtol=0, atol=5e-13)


@pytest.mark.parametrize("table", CANT_RAMPS, ids=name)
def test_cant_tables(table: dict) -> None:
    length = table["length_m"]
    ramp = CantElement(table["kind"], 0.0, length, table["cant_start_m"], table["cant_end_m"])
    line = build([element("straight", length, 0, 0)], [VerticalElement("gradient", 0.0, length, 0, 0, level=0)], [ramp])
    s, cant = np.array(table["rows"]).T
    np.testing.assert_allclose(evaluate(line, s).cant, cant, rtol=0, atol=5.1e-11)  # printed to 1e-10


@pytest.mark.parametrize("table", VERTICAL_CURVES, ids=name)
def test_vertical_curve_tables(table: dict) -> None:
    length = table["length_m"]
    curve = VerticalElement(
        table["kind"],
        0.0,
        length,
        table["gradient_start_percent"] / 100,
        table["gradient_end_percent"] / 100,
        level=table["level_start_m"],
    )
    line = build([element("straight", length, 0, 0)], [curve])
    x, level = np.array(table["rows"]).T
    np.testing.assert_allclose(position(line, x)[:, 2], level, rtol=0, atol=5.1e-7)  # printed to 1e-6


def test_vertical_curve_in_feet() -> None:
    table = load("vertical_curve_feet")
    g1, g2 = table["gradient_start_percent"] / 100, table["gradient_end_percent"] / 100
    curve = VerticalElement("parabola", 0.0, table["length_ft"], g1, g2, level=table["level_start_ft"])
    line = build([element("straight", table["length_ft"], 0, 0)], [curve])
    station, level, percent = np.array(table["rows"]).T
    at = evaluate(line, station - table["start_station_ft"])
    np.testing.assert_allclose(at.level, level, rtol=0, atol=5.1e-4)
    np.testing.assert_allclose(at.gradient * 100, percent, rtol=0, atol=1e-10)


def test_vertical_curve_of_radius_25000() -> None:
    table = load("vertical_curve_radius_25000")
    length, tangent = table["length_m"], table["tangent_m"]
    curve = VerticalElement("parabola", 0.0, length, 0.012, -0.008, level=100.0)
    line = build([element("straight", length, 0, 0)], [curve])
    for x, fall in table["rows"]:
        assert float(position(line, x)[2]) == pytest.approx(100 + 0.012 * x - fall, abs=1e-10, rel=0)
    assert float(position(line, tangent)[2]) == pytest.approx(
        100 + 0.012 * tangent - table["external_m"], abs=1e-10, rel=0
    )
    np.testing.assert_allclose(evaluate(line, [0.0, 250.0]).profile_curvature, -1 / 25000, rtol=0, atol=1e-13)


def test_arc_table() -> None:
    table = load("arc")
    line = from_origin(element("arc", 100.0, -1 / table["radius_m"], -1 / table["radius_m"]))
    s, x, y = np.array(table["rows"]).T
    np.testing.assert_allclose(position(line, s)[:, 1], x, rtol=0, atol=5.1e-7)
    np.testing.assert_allclose(position(line, s)[:, 0], -y, rtol=0, atol=5.1e-7)


def test_bloss_end_point() -> None:
    table = load("bloss_end")
    line = from_origin(element("bloss", table["length_m"], 0.0, 1 / table["radius_m"]))
    assert position(line, table["length_m"])[:2].tolist() == pytest.approx(
        [table["y_m"], table["x_m"]], abs=5.1e-4, rel=0
    )


def test_clothoid_deflection_angles() -> None:
    table = load("clothoid_deflections")
    length, radius = table["length_m"], table["radius_m"]
    line = from_origin(element("clothoid", length, 0.0, 1 / radius))
    for s, degrees in table["rows"]:
        east, north, _ = position(line, s)
        angle = s**2 / (2 * radius * length)
        later_terms = math.degrees(8 * angle**3 / 2835)  # the page stops at angle/3; the next term of the series
        assert math.degrees(math.atan2(east, north)) == pytest.approx(degrees - later_terms, abs=4e-6, rel=0)
    shift, _ = shift_and_k(line, length, radius)
    assert shift == pytest.approx(table["shift_m"], abs=6e-4, rel=0)
    half = math.radians(table["total_deflection_deg"]) / 2
    # the page's tangent uses L/2 for k, 3.6 mm more at this length, and the rounded shift
    assert (radius + shift) * math.tan(half) + length / 2 == pytest.approx(table["tangent_m"], abs=1e-3, rel=0)


def shift_and_k(line: Alignment, length: float, radius: float) -> tuple[float, float]:
    """Return how far the arc lies inside the tangent, and where its foot on it is, m."""
    end = evaluate(line, length)
    angle = float(end.bearing)
    return float(end.easting) - radius * (1 - math.cos(angle)), float(end.northing) - radius * math.sin(angle)


def spiral_curve_spiral(radius: float, spiral: float, deflection: float) -> tuple[Alignment, Alignment, float]:
    """Return the whole curve, its first spiral, and the length of the arc."""
    arc = radius * deflection - spiral
    k = 1 / radius
    whole = from_origin(
        element("clothoid", spiral, 0.0, k),
        HorizontalElement("arc", arc, k, k),
        HorizontalElement("clothoid", spiral, k, 0.0),
    )
    return whole, from_origin(element("clothoid", spiral, 0.0, k)), arc


def tangent_and_external(line: Alignment, deflection: float) -> tuple[float, float]:
    """Return from the finished curve: start to vertex, and vertex to the middle of the curve, m."""
    end = position(line, line.length)
    # the end tangent, heading `deflection`, meets the start tangent E = 0
    tangent = float(end[1] - end[0] / math.tan(deflection))
    middle = position(line, line.length / 2)
    return tangent, float(np.hypot(middle[0], middle[1] - tangent))


def test_spiral_curve_spiral_of_a_road_office() -> None:
    table = load("spiral_curve_spiral")
    radius, spiral = table["radius_m"], table["spiral_m"]
    deflection = math.radians(table["deflection_deg"])
    line, half, arc = spiral_curve_spiral(radius, spiral, deflection)
    end = evaluate(half, spiral)
    x, y, angle = float(end.northing), float(end.easting), float(end.bearing)
    printed = 0.0051
    assert math.degrees(angle) == pytest.approx(table["spiral_angle_deg"], abs=0.06 / 3600, rel=0)
    assert (x, y) == (pytest.approx(table["x_m"], abs=printed, rel=0), pytest.approx(table["y_m"], abs=printed, rel=0))
    assert math.hypot(x, y) == pytest.approx(table["long_chord_m"], abs=printed, rel=0)
    assert y / math.sin(angle) == pytest.approx(table["short_tangent_m"], abs=printed, rel=0)
    assert x - y / math.tan(angle) == pytest.approx(table["long_tangent_m"], abs=printed, rel=0)
    assert shift_and_k(half, spiral, radius) == (
        pytest.approx(table["p_m"], abs=printed, rel=0),
        pytest.approx(table["k_m"], abs=printed, rel=0),
    )
    assert arc == pytest.approx(table["arc_m"], abs=printed, rel=0)
    assert tangent_and_external(line, deflection) == (
        pytest.approx(table["tangent_m"], abs=printed, rel=0),
        pytest.approx(table["external_m"], abs=printed, rel=0),
    )
    assert float(evaluate(line, line.length).bearing) == pytest.approx(deflection, abs=1e-12, rel=0)


def test_high_speed_clothoid() -> None:
    table = load("clothoid_radius_7000")
    radius, length, deflection = table["radius_m"], table["length_m"], math.radians(table["deflection_deg"])
    line, half, arc = spiral_curve_spiral(radius, length, deflection)
    s, x, y = np.array(table["rows"]).T
    np.testing.assert_allclose(position(half, s)[:, 1], x, rtol=0, atol=5.1e-10)  # printed to 1 nm
    np.testing.assert_allclose(position(half, s)[:, 0], y, rtol=0, atol=5.1e-10)
    assert float(evaluate(half, length).bearing) == pytest.approx(table["angle_rad"], abs=5.1e-13, rel=0)
    assert shift_and_k(half, length, radius) == (
        pytest.approx(table["shift_m"], abs=5.1e-7, rel=0),
        pytest.approx(table["k_m"], abs=5.1e-7, rel=0),
    )
    assert tangent_and_external(line, deflection) == (
        pytest.approx(table["tangent_m"], abs=5.1e-7, rel=0),
        pytest.approx(table["external_m"], abs=5.1e-7, rel=0),
    )
    assert arc == pytest.approx(table["arc_m"], abs=5.1e-7, rel=0)
    assert line.length == pytest.approx(table["total_m"], abs=5.1e-7, rel=0)
    # the mirrored curve: a clothoid to the left has the tables' y to the left
    left = from_origin(element("clothoid", length, 0.0, -1 / radius))
    np.testing.assert_allclose(position(left, s)[:, 0], -y, rtol=0, atol=5.1e-10)


@pytest.mark.parametrize("row", load("cubic_less_clothoid")["rows"], ids=lambda r: f"R{r[0]}")
def test_a_cubic_is_no_clothoid(row: list[float]) -> None:
    radius, length, *millimetres = row
    clothoid = from_origin(element("clothoid", length, 0.0, 1 / radius))
    cubic = from_origin(
        HorizontalElement("cubic", length, 0.0, 1 / radius, easting=0, northing=0, bearing=0, length_along="abscissa")
    )
    for part, wanted in zip((0.25, 0.5, 0.75, 1.0), millimetres, strict=True):
        east, north, _ = position(clothoid, part * length)
        # the place on the cubic with the same abscissa, by bisection on its own length
        low, high = 0.0, cubic.length
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if position(cubic, middle)[1] < north else (low, middle)
        assert (position(cubic, low)[0] - east) * 1e3 == pytest.approx(wanted, abs=1e-3, rel=0)


def test_canted_track_in_space() -> None:
    table = load("canted_track")
    left_curve = element("clothoid", 100.0, 0.0, -1 / 300)
    line = build(
        [left_curve],
        [VerticalElement("gradient", 0.0, 100.0, 0.0, 0.0, level=0.0)],
        [CantElement("linear", 0.0, 100.0, 0.0, -0.160)],  # the right rail is the higher one: negative here
    )
    s, x, y, z, nx, ny, nz = np.array(table["rows"]).T
    frame = track_frame(line, s)
    np.testing.assert_allclose(
        frame.position[:, :2], np.stack([-y, x], axis=1), rtol=0, atol=1e-6
    )  # as the source allows
    np.testing.assert_allclose(frame.position[:, 2], z, rtol=0, atol=1e-12)
    # the source lets the angle grow linearly, which differs by up to 7.9e-5 rad
    np.testing.assert_allclose(frame.rotation[..., 2], np.stack([-ny, nx, nz], axis=1), rtol=0, atol=8.1e-5)
    np.testing.assert_allclose(
        frame.rotation[[0, -1], :, 2], np.stack([-ny, nx, nz], axis=1)[[0, -1]], rtol=0, atol=1e-6
    )


@pytest.mark.parametrize("row", load("versines")["rows"], ids=lambda r: f"C{r[0]}R{r[1]}")
def test_versines_of_arcs(row: list[float]) -> None:
    chord, radius, millimetres = row
    half = radius * math.asin(chord / 2 / radius)
    line = from_origin(element("arc", 2 * half, 1 / radius, 1 / radius))
    start, middle, end = position(line, [0.0, half, 2 * half])[:, :2]
    assert np.hypot(*(end - start)) == pytest.approx(chord, abs=1e-10, rel=0)
    assert np.hypot(*(middle - (start + end) / 2)) * 1e3 == pytest.approx(millimetres, abs=5.1e-5, rel=0)
