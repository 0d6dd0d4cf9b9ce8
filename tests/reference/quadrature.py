"""Alignment laws written again and integrated in 40 digits with mpmath.

Independent of the program: nothing of it is imported, and the curves come from Gauss-Legendre quadrature
(mpmath.quad) of their definitions. Definitions of curvature: ISO 16739-1:2024 (IFC 4.3), entities IfcClothoid,
IfcThirdOrderPolynomialSpiral, IfcCosineSpiral, IfcSineSpiral, IfcSecondOrderPolynomialSpiral,
IfcSeventhOrderPolynomialSpiral. Right is positive, angles are counted from the start, clockwise.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import mpmath

__all__ = [
    "Curve",
    "bearing",
    "cubic_places",
    "curvature",
    "mp",
    "places",
    "shape",
    "vertical_arc",
    "vertical_clothoid",
]

mp = mpmath.MPContext()
mp.dps = 40
_SURE = mp.mpf(10) ** -26  # what the quadrature may leave, m


@dataclass(frozen=True)
class Curve:
    """A law on [0, length]; `tilt` is height of the centre of gravity times the change of cant angle, m."""

    kind: str
    length: float
    start: float
    end: float
    tilt: Any = 0


_SHAPES: dict[str, Callable[[Any], Any]] = {
    "straight": lambda _u: mp.mpf(0),
    "arc": lambda _u: mp.mpf(0),
    "clothoid": lambda u: u,
    "linear": lambda u: u,
    "bloss": lambda u: 3 * u**2 - 2 * u**3,
    "cosine": lambda u: (1 - mp.cos(mp.pi * u)) / 2,
    "sine": lambda u: u - mp.sin(2 * mp.pi * u) / (2 * mp.pi),
    "helmert": lambda u: 2 * u**2 if u <= 0.5 else -1 + 4 * u - 2 * u**2,
    "viennese": lambda u: 35 * u**4 - 84 * u**5 + 70 * u**6 - 20 * u**7,
}


def shape(kind: str, u: Any) -> Any:
    """Return how far curvature or cant has gone from its start (0) to its end (1)."""
    return _SHAPES[kind](u)


def curvature(curve: Curve, s: Any) -> Any:
    """Return the curvature at s, 1/m.

    A Viennese bend leads the centre of gravity along the smooth law. The track lies to the outside of it by
    height times cant angle, so it has the second derivative of that offset less.
    """
    length = mp.mpf(curve.length)
    u = mp.mpf(s) / length
    value = mp.mpf(curve.start) + (mp.mpf(curve.end) - mp.mpf(curve.start)) * shape(curve.kind, u)
    if curve.kind == "viennese":
        value -= mp.mpf(curve.tilt) / length**2 * (420 * u**2 - 1680 * u**3 + 2100 * u**4 - 840 * u**5)
    return value


def bearing(curve: Curve, s: Any) -> Any:
    """Return the angle turned until s, rad: the definition's curvature integrated by hand."""
    length, s = mp.mpf(curve.length), mp.mpf(s)
    u = s / length
    if curve.kind in ("straight", "arc"):
        area = mp.mpf(0)
    elif curve.kind == "clothoid":
        area = u**2 / 2
    elif curve.kind == "bloss":
        area = u**3 - u**4 / 2
    elif curve.kind == "cosine":
        area = u / 2 - mp.sin(mp.pi * u) / (2 * mp.pi)
    elif curve.kind == "sine":
        area = u**2 / 2 + (mp.cos(2 * mp.pi * u) - 1) / (4 * mp.pi**2)
    elif curve.kind == "helmert":
        area = 2 * u**3 / 3 if u <= 0.5 else mp.mpf(1) / 6 - u + 2 * u**2 - 2 * u**3 / 3
    elif curve.kind == "viennese":
        area = 7 * u**5 - 14 * u**6 + 10 * u**7 - 5 * u**8 / 2
    else:
        raise KeyError(curve.kind)
    value = mp.mpf(curve.start) * s + (mp.mpf(curve.end) - mp.mpf(curve.start)) * length * area
    if curve.kind == "viennese":
        value -= mp.mpf(curve.tilt) / length * (140 * u**3 - 420 * u**4 + 420 * u**5 - 140 * u**6)
    return value


def _integral(function: Callable[[Any], Any], low: Any, high: Any, panels: int, breaks: Sequence[Any] = ()) -> Any:
    edges = [low + (high - low) * i / panels for i in range(panels)]
    points = sorted({*edges, high, *(b for b in breaks if low < b < high)})
    value, left = mp.quad(function, points, error=True, method="gauss-legendre")
    assert left < _SURE
    return value


def places(curve: Curve, stations: Sequence[float]) -> list[tuple[Any, Any, Any]]:
    """Return (right, forward, bearing) at ascending stations, from a start at the origin heading forward."""
    right = forward = low = mp.mpf(0)
    result = []
    half = (mp.mpf(curve.length) / 2,) if curve.kind == "helmert" else ()
    for station in stations:
        high = mp.mpf(station)
        if high > low:
            step = high - low
            turn = max(abs(mp.mpf(curve.start)), abs(mp.mpf(curve.end))) * step
            panels = 1 + int(turn * 2)
            right += _integral(lambda s: mp.sin(bearing(curve, s)), low, high, panels, half)
            forward += _integral(lambda s: mp.cos(bearing(curve, s)), low, high, panels, half)
        low = high
        result.append((right, forward, bearing(curve, station)))
    return result


def cubic_places(
    length: float, start: float, end: float, along: str, parts: Sequence[float]
) -> tuple[Any, list[tuple[Any, Any, Any, Any]]]:
    """Return the length along ``y = a X^3`` and (s, right, forward, bearing) at parts of it.

    ``a = (kappa2 - kappa1) / (6 L)``. With along "abscissa" it runs from X = kappa1 L / (kappa2 - kappa1) to
    kappa2 L / (kappa2 - kappa1), with "arc" the same two numbers are lengths along the curve from its
    inflection; it is turned to its start tangent. So an exit is the mirror image of an entry either way.
    """
    change = mp.mpf(end) - mp.mpf(start)
    a, first = change / (6 * mp.mpf(length)), mp.mpf(start) * mp.mpf(length) / change

    def run(x: Any) -> Any:
        if not x:
            return mp.mpf(0)
        return mp.sign(x) * _integral(lambda t: mp.sqrt(1 + 9 * a**2 * t**4), mp.mpf(0), abs(x), 2)

    def place(s: Any) -> Any:
        x = s
        for _ in range(12):  # Newton, quadratic: 12 steps are plenty for 40 digits
            x -= (run(x) - s) / mp.sqrt(1 + 9 * a**2 * x**4)
        return x

    x1 = first if along == "abscissa" else place(first)
    s1 = run(x1)
    total = run(first + mp.mpf(length)) - s1 if along == "abscissa" else mp.mpf(length)
    turned = mp.atan(3 * a * x1**2)
    rows = []
    for part in parts:
        s = total * mp.mpf(part)
        x = place(s1 + s)
        dx, dy = x - x1, a * (x**3 - x1**3)
        rows.append(
            (
                s,
                dy * mp.cos(turned) - dx * mp.sin(turned),
                dx * mp.cos(turned) + dy * mp.sin(turned),
                mp.atan(3 * a * x**2) - turned,
            )
        )
    return total, rows


def vertical_arc(length: float, first: float, last: float, u: float) -> tuple[Any, Any]:
    """Return rise and gradient at u of the circle that has the gradients first and last, `length` apart.

    Plain circle geometry: the chord's ends lie at slope angles a1 and a2, so the radius is
    length / (sin a2 - sin a1), signed + in a sag.
    """
    a1, a2 = mp.atan(mp.mpf(first)), mp.atan(mp.mpf(last))
    radius = mp.mpf(length) / (mp.sin(a2) - mp.sin(a1))
    angle = mp.asin(mp.sin(a1) + mp.mpf(u) / radius)
    return radius * (mp.cos(a1) - mp.cos(angle)), mp.tan(angle)


def vertical_clothoid(length: float, first: float, last: float, curvature_start: float, u: float) -> tuple[Any, Any]:
    """Return rise and slope at u of a profile whose slope angle is quadratic in its own length."""
    a1, a2, k1 = mp.atan(mp.mpf(first)), mp.atan(mp.mpf(last)), mp.mpf(curvature_start)

    def angle(t: Any, own: Any) -> Any:
        return a1 + k1 * t + (a2 - a1 - k1 * own) * (t / own) ** 2

    def horizontal(t: Any, own: Any) -> Any:
        return mp.quad(lambda w: mp.cos(angle(w, own)), [0, t], method="gauss-legendre")

    own = mp.findroot(lambda w: horizontal(w, w) - mp.mpf(length), (length, length * 1.001))
    t = mp.findroot(lambda w: horizontal(w, own) - mp.mpf(u), (u, u * 1.001))
    rise = mp.quad(lambda w: mp.sin(angle(w, own)), [0, t], method="gauss-legendre")
    return rise, mp.tan(angle(t, own))
