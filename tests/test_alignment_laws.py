"""Horizontal laws against quadrature in 40 digits, Fresnel integrals and their own derivatives."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from scipy.special import fresnel

from geometry.alignment import (
    Alignment,
    AllowedJump,
    CantElement,
    HorizontalElement,
    TrackRules,
    VerticalElement,
    build,
    evaluate,
    position,
)
from tests.reference.quadrature import Curve, bearing, cubic_places, curvature, mp, places

TRANSITIONS = ("clothoid", "bloss", "cosine", "sine", "helmert", "viennese")
ONE_NM = 1e-9
PICOMETRES = 2e-12  # what doubles leave about a local origin, over 2 km; 1 nm is the promise
PARTS = (0.13, 0.5, 0.71, 1.0)
# (length, radius, other radius): high-speed, slow, the tightest and the longest
SIZES = ((670.0, 7000.0, 9000.0), (100.0, 300.0, 1000.0), (120.0, 150.0, 400.0), (2000.0, 150.0, 700.0))
FORMS = {
    "to radius": lambda k, _k2: (0.0, k),
    "from radius": lambda k, _k2: (k, 0.0),
    "between": lambda k, k2: (k2, k),
    "reverse": lambda k, k2: (-k2, k),
}


def level_profile(length: float) -> list[VerticalElement]:
    return [VerticalElement("gradient", 0.0, length + 100.0, 0.0, 0.0, level=0.0)]


def single(
    kind: str,
    length: float,
    k1: float,
    k2: float,
    *,
    start: tuple[float, float] = (0.0, 0.0),
    heading: float = 0.0,
    cant: tuple[float, float] | None = None,
    rules: TrackRules | None = None,
) -> Alignment:
    element = HorizontalElement(kind, length, k1, k2, easting=start[0], northing=start[1], bearing=heading)
    ramp = () if cant is None else (CantElement("viennese", 0.0, length, *cant),)
    return build([element], level_profile(length), ramp, rules)


def worst_miss(line: Alignment, stations: np.ndarray, wanted: list) -> tuple[float, float]:
    """Return the largest miss in place, m, and bearing, rad, compared in 40 digits."""
    seen = line.track.curve(stations)  # about the start: grid coordinates would add their own rounding
    place = turn = 0.0
    for (east, north, angle), (right, forward, angle_wanted) in zip(seen.tolist(), wanted, strict=True):
        place = max(place, float(mp.hypot(mp.mpf(east) - right, mp.mpf(north) - forward)))
        turn = max(turn, float(abs(mp.mpf(angle) - angle_wanted)))
    return place, turn


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"L{s[0]:.0f}R{s[1]:.0f}")
@pytest.mark.parametrize("kind", TRANSITIONS)
def test_transitions_agree_with_40_digits(kind: str, size: tuple[float, float, float]) -> None:
    length, radius, other = size
    stations = np.array(PARTS) * length
    for form, hand in product(FORMS, (1, -1)):
        k1, k2 = (hand * k for k in FORMS[form](1 / radius, 1 / other))
        cant = (0.02 * hand, 0.15 * hand) if kind == "viennese" else None
        rules = TrackRules(gravity_height=1.7)
        line = single(kind, length, k1, k2, cant=cant, rules=rules)
        tilt = mp.mpf(1.7) * (mp.mpf(cant[1]) - mp.mpf(cant[0])) / mp.mpf(1.5) if cant else 0
        place, turn = worst_miss(line, stations, places(Curve(kind, length, k1, k2, tilt), stations.tolist()))
        # turned by 6 rad and more the bearing itself is only known to its last bits, times the length
        limit = PICOMETRES * max(1.0, length / 2 / radius)
        assert place < min(limit, ONE_NM), (form, hand)
        assert turn < 4e-15 * max(1.0, length / radius), (form, hand)


@pytest.mark.parametrize("along", ["arc", "abscissa"])
@pytest.mark.parametrize(
    ("length", "radius", "other"), [(300.0, 7000.0, 12000.0), (100.0, 300.0, 900.0), (2000.0, 2500.0, 7000.0)]
)
def test_cubics_agree_with_40_digits(along: str, length: float, radius: float, other: float) -> None:
    for form, hand in product(FORMS, (1, -1)):
        k1, k2 = (hand * k for k in FORMS[form](1 / radius, 1 / other))
        element = HorizontalElement("cubic", length, k1, k2, easting=0.0, northing=0.0, bearing=0.0, length_along=along)
        line = build([element], level_profile(length + 50.0))
        total, rows = cubic_places(length, k1, k2, along, PARTS)
        assert abs(line.length - float(total)) < PICOMETRES
        stations = np.array([min(float(r[0]), line.length) for r in rows])
        place, turn = worst_miss(line, stations, [r[1:] for r in rows])
        assert place < 2 * PICOMETRES, (form, hand)
        assert turn < 4e-15, (form, hand)


def test_a_cubic_by_its_abscissa_is_longer_by_the_closed_form() -> None:
    # integral of sqrt(1 + (X^2/2RL)^2) - 1 is L^3/(40 R^2) to first order: 13.8 mm at R 7000, L 300
    lines = [
        build(
            [HorizontalElement("cubic", 300.0, 0.0, 1 / 7000, easting=0, northing=0, bearing=0, length_along=along)],
            level_profile(301.0),
        )
        for along in ("abscissa", "arc")
    ]
    assert (lines[0].length - lines[1].length) * 1e3 == pytest.approx(300**3 / 40 / 7000**2 * 1e3, abs=0.01)
    end = lines[0].track.curve(lines[0].length)
    assert end[:2].tolist() == pytest.approx([300**2 / 6 / 7000, 300.0], abs=1e-12, rel=0)  # on y = a X^3 itself


@pytest.mark.parametrize("kind", ["straight", "arc"])
def test_straights_and_arcs_have_their_closed_form(kind: str) -> None:
    k = 0.0 if kind == "straight" else -1 / 150.0
    line = single(kind, 2000.0, k, k)
    stations = np.linspace(0, 2000, 41)
    place, turn = worst_miss(
        line,
        stations,
        [
            (mp.mpf(0), mp.mpf(s), 0)
            if not k
            else (
                (1 - mp.cos(mp.mpf(s) * mp.mpf(k))) / mp.mpf(k),
                mp.sin(mp.mpf(s) * mp.mpf(k)) / mp.mpf(k),
                mp.mpf(s) * mp.mpf(k),
            )
            for s in stations.tolist()
        ],
    )
    assert place < 1e-11  # 13 rad of turning
    assert turn < 1e-14


@pytest.mark.parametrize("hand", [1, -1])
@pytest.mark.parametrize(("length", "radius"), [(670.0, 7000.0), (100.0, 300.0), (1000.0, 150.0)])
def test_clothoids_agree_with_fresnel_integrals(length: float, radius: float, hand: int) -> None:
    # x + iy = A sqrt(pi) (C + iS)(s / (A sqrt(pi))), A^2 = R L: the textbook form, scipy.special.fresnel
    line = single("clothoid", length, 0.0, hand / radius)
    s = np.linspace(0, length, 101)
    unit = math.sqrt(math.pi * radius * length)
    sine, cosine = fresnel(s / unit)
    np.testing.assert_allclose(position(line, s)[:, 0], hand * sine * unit, rtol=0, atol=3e-12)
    np.testing.assert_allclose(position(line, s)[:, 1], cosine * unit, rtol=0, atol=3e-12)


@pytest.mark.parametrize("kind", TRANSITIONS)
def test_the_reference_bearing_has_the_defined_curvature(kind: str) -> None:
    curve = Curve(kind, 300.0, -1 / 900, 1 / 450, 0.15)
    for part in (0.07, 0.31, 0.62, 0.93):
        s = mp.mpf(300) * part
        assert abs(mp.diff(lambda t: bearing(curve, t), s) - curvature(curve, s)) < 1e-17


@pytest.mark.parametrize("kind", TRANSITIONS)
def test_curvature_is_the_defined_one(kind: str) -> None:
    cant = (0.01, 0.12) if kind == "viennese" else None
    line = single(kind, 300.0, -1 / 900, 1 / 450, cant=cant)
    tilt = mp.mpf(1.8) * (mp.mpf(0.12) - mp.mpf(0.01)) / mp.mpf(1.5)
    s = np.array([0.0, 20.0, 77.7, 150.0, 151.0, 222.2, 300.0])
    wanted = [float(curvature(Curve(kind, 300.0, -1 / 900, 1 / 450, tilt), v)) for v in s]
    # curvature is a derivative of the fitted bearing: 1e-15 rad over pieces of some 10 m
    np.testing.assert_allclose(evaluate(line, s).curvature, wanted, rtol=0, atol=1e-13)


@pytest.mark.parametrize("kind", [*TRANSITIONS, "cubic", "arc", "straight"])
def test_curvature_is_the_derivative_of_the_bearing(kind: str) -> None:
    k1, k2 = {"arc": (1 / 450, 1 / 450), "straight": (0.0, 0.0)}.get(kind, (-1 / 900, 1 / 450))
    line = single(kind, 300.0, k1, k2, cant=(0.01, 0.12) if kind == "viennese" else None)
    s = np.linspace(5.0, 295.0, 59) + 0.123
    h = 0.01
    turned = (evaluate(line, s + h).bearing - evaluate(line, s - h).bearing + math.pi) % (2 * math.pi) - math.pi
    np.testing.assert_allclose(turned / (2 * h), evaluate(line, s).curvature, rtol=0, atol=2e-10)
    # and the place moves along the bearing: right hand and clockwise from north, not the other way about
    moved = (position(line, s + h) - position(line, s - h))[:, :2] / (2 * h)
    heading = evaluate(line, s).bearing
    np.testing.assert_allclose(moved, np.stack([np.sin(heading), np.cos(heading)], axis=1), rtol=0, atol=1e-9)


def test_the_viennese_bend_leads_the_centre_of_gravity() -> None:
    """The track plus gravity height times cant angle, square to the line, has the smooth law's curvature."""
    height, length, radius = 1.8, 300.0, 1000.0
    line = single("viennese", length, 0.0, 1 / radius, cant=(0.0, 0.15))
    s = np.linspace(0.0, length, 30001)
    at = evaluate(line, s)
    lean = height * at.cant / 1.5
    path = position(line, s)[:, :2] + lean[:, None] * np.stack([np.cos(at.bearing), -np.sin(at.bearing)], axis=1)
    step = np.diff(path, axis=0)
    heading = np.unwrap(np.arctan2(step[:, 0], step[:, 1]))
    curved = np.diff(heading) / np.hypot(*step.T)[:-1]
    u = s[1:-1] / length
    smooth = (35 * u**4 - 84 * u**5 + 70 * u**6 - 20 * u**7) / radius
    # the definition counts along the track, the path is shorter by lean/R: 0.2 permille of the curvature
    np.testing.assert_allclose(curved[100:-100:500], smooth[100:-100:500], rtol=0, atol=2e-6)
    # the term is h psi / L^2 times at most 7.51: here 1.5 percent of 1/R, far more than is left above
    assert np.abs(at.curvature[1:-1] - smooth).max() == pytest.approx(1.8 * 0.1 / length**2 * 7.513, abs=1e-8, rel=0)


def chain(start: tuple[float, float], heading: float) -> list[HorizontalElement]:
    r = 1 / 1400.0
    rows = [
        ("straight", 431.7, 0.0, 0.0),
        ("clothoid", 210.0, 0.0, r),
        ("arc", 923.4, r, r),
        ("bloss", 210.0, r, 0.0),
        ("sine", 190.0, 0.0, -r),
        ("arc", 377.7, -r, -r),
        ("helmert", 260.0, -r, r),
        ("arc", 55.5, r, r),
        ("cosine", 180.0, r, 0.0),
        ("straight", 1203.3, 0.0, 0.0),
        ("cubic", 150.0, 0.0, r / 4),
    ]
    elements = [HorizontalElement(*row) for row in rows]
    return [replace(elements[0], easting=start[0], northing=start[1], bearing=heading), *elements[1:]]


def chain_in_40_digits(start: tuple[float, float], heading: float) -> list[tuple]:
    """Return easting, northing at the end of each element."""
    east, north, angle = (mp.mpf(v) for v in (*start, heading))
    result = []
    for e in chain(start, heading):
        if e.kind == "cubic":
            right, forward, turn = cubic_places(e.length, e.curvature_start, e.curvature_end, "arc", [1.0])[1][0][1:]
        else:
            curve = Curve(e.kind, e.length, e.curvature_start, e.curvature_end)
            right, forward, turn = places(curve, [e.length])[0]
        east += forward * mp.sin(angle) + right * mp.cos(angle)
        north += forward * mp.cos(angle) - right * mp.sin(angle)
        angle += turn
        result.append((east, north))
    return result


@pytest.mark.parametrize("start", [(0.0, 0.0), (512_345.678, 5_234_567.891)])
def test_a_chain_of_all_laws_keeps_its_digits(start: tuple[float, float]) -> None:
    heading = 4.1
    line = build(
        chain(start, heading),
        level_profile(4300.0),
        allowed_jumps=[AllowedJump("curvature", 12)],
    )
    ends = np.append(line.track.starts[1:-1], line.length)
    seen = position(line, ends)
    for (east, north), got in zip(chain_in_40_digits(start, heading), seen, strict=True):
        # the spacing of doubles at 5.2e6 is 0.93 nm, at 5.1e5 0.058 nm; about a local origin 2 pm remain
        assert abs(float(mp.mpf(float(got[0])) - east)) <= max(np.spacing(start[0]), 5e-12)
        assert abs(float(mp.mpf(float(got[1])) - north)) <= max(np.spacing(start[1]), 5e-12)


def test_a_chain_does_not_gather_rounding() -> None:
    # 5000 straights of 100.1 m: a plain running sum is wrong by 4 nm at the end, the exact one by half a unit
    elements = [HorizontalElement("straight", 100.1) for _ in range(5000)]
    elements[0] = replace(elements[0], easting=0.0, northing=0.0, bearing=0.0)
    line = build(elements, level_profile(500_500.0))
    exact = [float(Fraction(100.1) * i) for i in range(5001)]
    np.testing.assert_allclose(line.track.starts, exact, rtol=0, atol=6e-11)  # the spacing at 500 km
    np.testing.assert_allclose(position(line, line.track.starts)[:, 1], exact, rtol=0, atol=1.2e-10)
    assert np.abs(np.cumsum(np.full(5000, 100.1)) - exact[1:]).max() > 1e-9  # what the care is for


def test_a_ring_of_quarter_turns_closes() -> None:
    quarter = math.pi / 2
    elements = []
    for _ in range(40):
        elements += [HorizontalElement("straight", 250.0), HorizontalElement("arc", 500.0 * quarter, 1 / 500, 1 / 500)]
    elements[0] = replace(elements[0], easting=712_345.6, northing=5_612_345.6, bearing=0.3)
    line = build(elements, level_profile(50_000.0), allowed_jumps=[AllowedJump("curvature", i) for i in range(2, 81)])
    start, end = line.track.curve(0.0), line.track.curve(line.length)
    assert np.hypot(*(end - start)[:2]) < 1e-10  # 41 km; bearings of 63 rad are known to 7e-15
    assert end[2] - start[2] == pytest.approx(20 * math.pi, rel=0, abs=1e-13)


def test_a_given_start_restarts_the_chain() -> None:
    elements = [
        HorizontalElement("straight", 100.0, easting=1000.0, northing=2000.0, bearing=0.0),
        HorizontalElement("straight", 100.0, easting=1000.0001, northing=2100.00005, bearing=8e-6),
        HorizontalElement("straight", 50.0),
    ]
    line = build(elements, level_profile(250.0))
    np.testing.assert_allclose(
        position(line, [100.0, 250.0])[:, :2],
        [[1000.0001, 2100.00005], [1000.0001 + 150 * math.sin(8e-6), 2100.00005 + 150 * math.cos(8e-6)]],
        rtol=0,
        atol=1e-9,
    )


@pytest.mark.parametrize("kind", [*TRANSITIONS, "cubic"])
def test_the_mirrored_element_has_the_mirrored_curve(kind: str) -> None:
    cant = (0.02, 0.15) if kind == "viennese" else None
    right = single(kind, 400.0, 1 / 3000, 1 / 500, cant=cant)
    left = single(kind, 400.0, -1 / 3000, -1 / 500, cant=None if cant is None else (-0.02, -0.15))
    s = np.linspace(0, 400, 57)
    np.testing.assert_allclose(position(left, s), position(right, s) * (-1, 1, 1), rtol=0, atol=1e-12)


@pytest.mark.parametrize("kind", [*TRANSITIONS, "cubic by arc", "cubic by abscissa"])
def test_the_element_run_backwards_is_the_same_curve(kind: str) -> None:
    """An exit transition is the mirror image of the entry: from R to straight, seen from its other end."""
    kind, _, along = kind.partition(" by ")
    k = 1 / 800

    def one(k1: float, k2: float, easting: float, northing: float, heading: float) -> Alignment:
        element = HorizontalElement(
            kind, 300.0, k1, k2, easting=easting, northing=northing, bearing=heading, length_along=along or "arc"
        )
        return build([element], level_profile(310.0))

    forth = one(0.0, k, 0.0, 0.0, 0.0)
    end = evaluate(forth, forth.length)
    back = one(-k, 0.0, float(end.easting), float(end.northing), float(end.bearing) + math.pi)
    s = np.linspace(0, forth.length, 41)
    assert back.length == pytest.approx(forth.length, rel=0, abs=1e-11)
    np.testing.assert_allclose(
        position(back, np.clip(forth.length - s, 0, back.length)), position(forth, s), rtol=0, atol=1e-11
    )


def test_turning_and_shifting_the_project_turns_and_shifts_the_line() -> None:
    turn, shift = 2.345, np.array([3210.0, -777.0])
    line = build(chain((0.0, 0.0), 0.2), level_profile(4300.0))
    moved = build(chain((float(shift[0]), float(shift[1])), 0.2 + turn), level_profile(4300.0))
    s = np.linspace(0, line.length, 333)
    at, at_moved = evaluate(line, s), evaluate(moved, s)
    c, n = math.cos(turn), math.sin(turn)
    np.testing.assert_allclose(at_moved.easting, c * at.easting + n * at.northing + shift[0], rtol=0, atol=1e-10)
    np.testing.assert_allclose(at_moved.northing, -n * at.easting + c * at.northing + shift[1], rtol=0, atol=1e-10)
    np.testing.assert_allclose(at_moved.bearing, (at.bearing + turn) % (2 * math.pi), rtol=0, atol=1e-13)
    np.testing.assert_allclose(at_moved.curvature, at.curvature, rtol=0, atol=1e-15)
