"""From elements to piecewise polynomials: horizontal, profile, cant."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PPoly

from .elements import CantElement, HorizontalElement, VerticalElement
from .laws import Floats, cubic_arc_length, cubic_bearing, shape, shape_integral, shape_slope
from .pieces import Pieces, fit, piecewise

__all__ = ["Ends", "Track", "compile_cant", "compile_horizontal", "compile_vertical", "curve_lengths"]

Index = npt.NDArray[np.intp]
_GAUSS_NODES, _GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(24)


@dataclass(frozen=True)
class Ends:
    """A quantity at the start and at the end of every element, shape (n, ...)."""

    start: Floats
    end: Floats

    def jumps(self) -> Floats:
        """Return start of the next less end of this, shape (n - 1, ...)."""
        return np.asarray(self.start[1:] - self.end[:-1], dtype=np.float64)


@dataclass(frozen=True)
class Track:
    """A compiled horizontal alignment.

    Attributes
    ----------
    origin : tuple of float
        Easting and northing that the polynomials count from, m.
    curve : PPoly
        Easting and northing less the origin, m, and bearing, rad (not reduced to a turn).
    starts : ndarray, shape (n + 1,)
        Distance at the start of each element and at the end of the last, m.
    position, bearing, curvature : Ends
        Ends of every element; position about the origin.
    """

    origin: tuple[float, float]
    curve: PPoly
    starts: Floats
    position: Ends
    bearing: Ends
    curvature: Ends


def _column(values: Sequence[float], element: Index) -> Floats:
    return np.array(values, dtype=np.float64)[element][:, None]


def curve_lengths(elements: Sequence[HorizontalElement]) -> Floats:
    """Return the length of each element along its curve, m, shape (n,)."""
    lengths = np.array([e.length for e in elements])
    for i, e in enumerate(elements):
        if e.length_along == "abscissa":
            a, start = _cubic(e)
            last = e.curvature_end * e.length / (e.curvature_end - e.curvature_start)
            lengths[i] = float(cubic_arc_length(np.array(a), np.array(last))) - start
    return lengths


def _cubic(element: HorizontalElement) -> tuple[float, float]:
    """Return a of ``y = a X^3``, 1/m^2, and the length along it from the inflection to the element's start, m.

    The inflection lies where the curvature would be zero were it linear in what the length counts.
    """
    change = element.curvature_end - element.curvature_start
    a, start = change / (6 * element.length), element.curvature_start * element.length / change
    if element.length_along == "abscissa":
        start = float(cubic_arc_length(np.array(a), np.array(start)))
    return a, start


def _exact_steps(steps: Floats, given: Sequence[float | None]) -> Floats:
    """Return running sums of steps, restarted wherever a value is given, without gathering rounding."""
    values = [0.0 if given[0] is None else given[0]]
    parts = [values[0]]
    for step, value in zip(steps.tolist(), [*given[1:], None], strict=True):
        parts = [*parts, step] if value is None else [value]
        values.append(math.fsum(parts))
        if len(parts) > 2:
            # keep the rounding of the sum as a second part: as exact as the whole list, and short
            parts = [values[-1], math.fsum([*parts, -values[-1]])]
    return np.array(values)


def compile_horizontal(elements: Sequence[HorizontalElement], roll_change: Floats, gravity_height: float) -> Track:
    """Compile the horizontal alignment.

    Parameters
    ----------
    elements : sequence of HorizontalElement
        In order; the first has a start and a bearing.
    roll_change : ndarray, shape (n,)
        Cant at the end less cant at the start of each element, over the cant base, rad. Used by the
        Viennese bend only.
    gravity_height : float
        Height of the vehicle's centre of gravity over the rails, m; likewise.

    Returns
    -------
    Track
    """
    lengths = curve_lengths(elements)
    kinds = np.array([{"straight": "constant", "arc": "constant"}.get(e.kind, e.kind) for e in elements])
    cubic = kinds == "cubic"
    shapes = np.where(cubic, "constant", kinds)
    first = [e.curvature_start for e in elements]
    change = [e.curvature_end - e.curvature_start for e in elements]
    cubics = [_cubic(e) if e.kind == "cubic" else (0.0, 0.0) for e in elements]
    tilt = np.where(kinds == "viennese", gravity_height * roll_change, 0.0).tolist()

    def turned(element: Index, s: Floats) -> Floats:
        """Return the bearing less that at the start of the element, rad, shape (p, k)."""
        length = _column(lengths.tolist(), element)
        xi = s / length
        value = _column(first, element) * s
        value += _column(change, element) * length * shape_integral(shapes[element], xi)
        value -= _column(tilt, element) / length * shape_slope(shapes[element], xi)
        rows = cubic[element]
        if rows.any():
            a, from_inflection = (_column([c[i] for c in cubics], element[rows]) for i in range(2))
            value[rows] = cubic_bearing(a, from_inflection, s[rows])
        return value

    def law(element: Index, middle: Floats, s: Floats) -> Floats:
        # about the middle of the piece the angle is small, and cos - 1 keeps all its digits
        delta = turned(element, s) - turned(element, middle)
        return np.stack([np.sin(delta), -2 * np.sin(delta / 2) ** 2, delta], axis=-1)

    halves = {i: [0.5] for i in np.flatnonzero(kinds == "helmert").tolist()}
    turns = np.abs(first) * lengths + np.abs(change) * lengths
    pieces = fit(law, lengths, turns, halves)
    element = pieces.element
    turned_end = turned(np.arange(len(elements)), lengths[:, None])[:, 0]
    bearings = _exact_steps(turned_end, [e.bearing for e in elements])
    bearing = Ends(bearings[:-1], bearings[:-1] + turned_end)
    middle_turn = turned(element, ((pieces.start + pieces.stop) / 2)[:, None])[:, 0]
    middle_bearing = bearing.start[element] + middle_turn

    along_across = pieces.integrated(slice(0, 2))  # across: integral of sin; along: of cos - 1
    along_across[:, 0, 1] += pieces.half_width  # give back the 1: its integral is half width * (t + 1)
    along_across[:, 1, 1] += pieces.half_width
    sine, cosine = np.sin(middle_bearing)[:, None], np.cos(middle_bearing)[:, None]
    across, along = along_across[:, :, 0], along_across[:, :, 1]
    east, north = along * sine + across * cosine, along * cosine - across * sine

    step = np.stack([east.sum(axis=1), north.sum(axis=1)], axis=1)  # value of a Chebyshev sum at t = 1
    piece_start, position = _chain(elements, pieces, step)
    origin = (elements[0].easting or 0.0, elements[0].northing or 0.0)
    starts = _exact_steps(lengths, [0.0, *[None] * (len(elements) - 1)])
    curve = piecewise(
        pieces,
        starts,
        np.stack([east, north, pieces.padded(2)], axis=-1),
        np.column_stack([piece_start, middle_bearing]),
    )
    return Track(origin, curve, starts, position, bearing, _end_curvatures(curve, starts))


def _chain(elements: Sequence[HorizontalElement], pieces: Pieces, step: Floats) -> tuple[Floats, Ends]:
    """Return the start of every piece and the ends of every element, about the first start, m."""
    first = np.flatnonzero(np.diff(pieces.element, prepend=-1))  # first piece of each element
    piece_start, start, end = np.empty_like(step), np.empty((len(elements), 2)), np.empty((len(elements), 2))
    for axis in range(2):
        origin = (elements[0].easting, elements[0].northing)[axis] or 0.0
        given: list[float | None] = [None] * len(step)
        for i, e in enumerate(elements):
            value = (e.easting, e.northing)[axis]
            given[first[i]] = None if value is None else value - origin
        sums = _exact_steps(step[:, axis], given)
        piece_start[:, axis] = sums[:-1]
        start[:, axis] = sums[first]
        last = np.append(first[1:], len(step)) - 1
        end[:, axis] = sums[last] + step[last, axis]
    return piece_start, Ends(start, end)


def _end_curvatures(curve: PPoly, starts: Floats) -> Ends:
    curvature = PPoly(curve.c[:, :, 2], curve.x).derivative()
    before_end = np.nextafter(starts[1:], -np.inf)
    return Ends(curvature(starts[:-1]), curvature(before_end))


def compile_vertical(elements: Sequence[VerticalElement], grid_scale: float) -> tuple[PPoly, PPoly, Ends, Ends]:
    """Compile the profile.

    Parameters
    ----------
    elements : sequence of VerticalElement
        In order, without gaps; the first has a level.
    grid_scale : float
        Grid length over true length in plan.

    Returns
    -------
    profile, true_length : PPoly
        Level, m, and true length in space from the start of the profile, m, over distance.
    level, gradient : Ends
        Ends of every element, m and rise over run.
    """
    lengths = np.array([e.length for e in elements])
    kinds = np.array([e.kind for e in elements])
    slope = np.arctan([[e.gradient_start, e.gradient_end] for e in elements])
    own_length, start_curvature = _clothoid_lengths(elements, slope, lengths)

    def law(element: Index, _middle: Floats, u: Floats) -> Floats:
        first, last = (_column(slope[:, i].tolist(), element) for i in range(2))
        part = u / _column(lengths.tolist(), element)
        kind = kinds[element]
        g = np.tan(first) + (np.tan(last) - np.tan(first)) * part  # gradient, parabola
        sine = np.sin(first) + (np.sin(last) - np.sin(first)) * part
        g = np.where((kind == "arc")[:, None], sine / np.sqrt(1 - sine**2), g)
        rows = kind == "clothoid"
        if rows.any():
            length = _column(own_length.tolist(), element)[rows]
            curvature = _column(start_curvature.tolist(), element)[rows]
            g[rows] = np.tan(_clothoid_slope(first[rows], last[rows], curvature, length, u[rows]))
        return np.stack([g, np.sqrt(grid_scale**-2 + g**2)], axis=-1)

    pieces = fit(law, lengths)
    integral = pieces.integrated(slice(0, 2))
    step = integral.sum(axis=1)
    first = np.flatnonzero(np.diff(pieces.element, prepend=-1))
    given: list[float | None] = [None] * len(step)
    for i, e in enumerate(elements):
        given[first[i]] = e.level
    levels = _exact_steps(step[:, 0], given)
    along = _exact_steps(step[:, 1], [0.0, *[None] * (len(step) - 1)])
    last = np.append(first[1:], len(step)) - 1
    starts = np.array([*(e.start for e in elements), elements[-1].start + elements[-1].length])
    profile = piecewise(pieces, starts, integral[:, :, :1], levels[:-1, None])
    true_length = piecewise(pieces, starts, integral[:, :, 1:], along[:-1, None])
    gradient = Ends(np.tan(slope[:, 0]), np.tan(slope[:, 1]))
    return profile, true_length, Ends(levels[first], levels[last] + step[last, 0]), gradient


def _slope_at(part: Floats, first: Floats, last: Floats, bend: Floats) -> Floats:
    """Return the slope angle of a clothoid at a part of its own length; bend = curvature at start * length."""
    return first + bend * part + (last - first - bend) * part**2


def _clothoid_lengths(elements: Sequence[VerticalElement], slope: Floats, lengths: Floats) -> tuple[Floats, Floats]:
    """Return the own length of vertical clothoids from their horizontal length, m, and start curvatures."""
    curvature = np.array([e.curvature_start for e in elements])
    t = (_GAUSS_NODES + 1) / 2
    own = lengths.copy()
    for _ in range(100):
        angle = _slope_at(t, slope[:, :1], slope[:, 1:], (curvature * own)[:, None])
        mean_cosine = np.cos(angle) @ _GAUSS_WEIGHTS / 2
        new = lengths / mean_cosine
        settled = np.all(np.abs(new - own) <= 4e-16 * own)
        own = new
        if settled:
            break
    return own, curvature


def _clothoid_slope(first: Floats, last: Floats, curvature: Floats, length: Floats, u: Floats) -> Floats:
    """Return the slope angle at horizontal distance u from the start, shape (p, k)."""
    t = (_GAUSS_NODES + 1) / 2
    bend = curvature * length
    part = np.clip(u / (length * np.cos(first)), 0.0, 1.0)
    for _ in range(60):
        inner = _slope_at(part[..., None] * t, first[..., None], last[..., None], bend[..., None])
        reached = part * length * (np.cos(inner) @ _GAUSS_WEIGHTS / 2)
        move = (reached - u) / (length * np.cos(_slope_at(part, first, last, bend)))
        part = part - move
        if np.all(np.abs(move) <= 4e-16):
            break
    return _slope_at(part, first, last, bend)


def compile_cant(elements: Sequence[CantElement]) -> tuple[PPoly, Ends]:
    """Compile the cant.

    Parameters
    ----------
    elements : sequence of CantElement
        In order, without gaps.

    Returns
    -------
    cant : PPoly
        Height of the left rail over the right one over distance, m, one function.
    ends : Ends
        Cant at the ends of every element, m.
    """
    lengths = np.array([e.length for e in elements])
    kinds = np.array([e.kind for e in elements])
    first = [e.cant_start for e in elements]
    change = [e.cant_end - e.cant_start for e in elements]

    def law(element: Index, _middle: Floats, s: Floats) -> Floats:
        value = shape(kinds[element], s / _column(lengths.tolist(), element))
        return np.asarray(_column(first, element) + _column(change, element) * value)[..., None]

    halves = {i: [0.5] for i in np.flatnonzero(kinds == "helmert").tolist()}
    pieces = fit(law, lengths, breaks=halves)
    starts = np.array([*(e.start for e in elements), elements[-1].start + elements[-1].length])
    zero = np.zeros((len(pieces.element), 1))
    cant = piecewise(pieces, starts, pieces.coefficients, zero)
    return cant, Ends(np.array(first), np.array(first) + np.array(change))
