"""Curves of ISO 16739-1:2024 for the elements of an alignment: curve segments and what they are cut from.

A term A of a polynomial spiral gives the curvature ``A/|A|^(k+2) s^k``, + to the left; see `ifc_geometry`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from geometry.alignment import Alignment, HorizontalElement, VerticalElement
from geometry.alignment.laws import cubic_arc_length

__all__ = ["curve_segment", "plan_segments", "profile_segments", "straight_curve"]

_NAMES = ("ConstantTerm", "LinearTerm", "QuadraticTerm", "CubicTerm", "QuarticTerm", "QuinticTerm", "SexticTerm",
          "SepticTerm")  # fmt: skip


def _term(coefficient: float, order: int) -> float | None:
    """Return the term that gives a coefficient of s^order in the curvature; None for none."""
    if not abs(coefficient) > 1e-300:
        return None
    return math.copysign(abs(coefficient) ** (-1 / (order + 1)), coefficient)


def _origin(model: Any) -> Any:
    return model.createIfcAxis2Placement2D(
        model.createIfcCartesianPoint((0.0, 0.0)), model.createIfcDirection((1.0, 0.0))
    )


def _spiral(model: Any, kind: str, coefficients: Sequence[float]) -> Any:
    """Return a polynomial spiral with the given coefficients of its curvature, lowest order first."""
    terms = {name: _term(c, k) for k, (name, c) in enumerate(zip(_NAMES, coefficients, strict=False))}
    return model.create_entity(kind, Position=_origin(model), **terms)


def curve_segment(
    model: Any, place: tuple[float, float], direction: float, start: float, length: float, parent: Any
) -> Any:
    """Return a segment that starts at a place in a direction, counter-clockwise from x, rad."""
    along = model.createIfcDirection((math.cos(direction), math.sin(direction)))
    return model.createIfcCurveSegment(
        "DISCONTINUOUS", model.createIfcAxis2Placement2D(model.createIfcCartesianPoint(place), along),
        model.createIfcLengthMeasure(start), model.createIfcLengthMeasure(length), parent,
    )  # fmt: skip


def plan_segments(model: Any, alignment: Alignment) -> list[list[Any]]:
    """Return the curve segments of each element in plan, in order; a Helmert transition has two."""
    track = alignment.track
    result = []
    for k, element in enumerate(alignment.horizontal):
        start, length = float(track.starts[k]), float(track.starts[k + 1] - track.starts[k])
        x, y = (track.position.start[k] + np.array(track.origin)).tolist()
        direction = math.pi / 2 - float(track.bearing.start[k])
        # to the left, as the schema has it
        first, last = -element.curvature_start, -element.curvature_end
        parts = _parts(model, alignment, element, start, length, first, last)
        segments = []
        for begin, from_origin, part, parent in parts:
            place, turned = (x, y), direction
            if begin:
                *xy, bearing = track.curve(start + begin).tolist()
                place = (xy[0] + track.origin[0], xy[1] + track.origin[1])
                turned = math.pi / 2 - bearing
            segments.append(curve_segment(model, place, turned, from_origin, part, parent))
        result.append(segments)
    return result


def _parts(
    model: Any, alignment: Alignment, element: HorizontalElement, start: float, length: float, first: float, last: float
) -> list[tuple[float, float, float, Any]]:
    """Return (where on the element, from the parent's origin, length, parent curve) of each segment."""
    change = last - first
    begin, reach = 0.0, length
    match element.kind:
        case "straight":
            parent = straight_curve(model)
        case "arc":
            parent, reach = model.createIfcCircle(_origin(model), 1 / abs(first)), math.copysign(length, first)
        case "clothoid":
            parent, begin = model.createIfcClothoid(_origin(model), _term(change / length, 1)), first * length / change
        case "bloss":
            terms = [first, 0.0, 3 * change / length**2, -2 * change / length**3]
            parent = _spiral(model, "IfcThirdOrderPolynomialSpiral", terms)
        case "helmert":
            return _helmert(model, length, first, change)
        case "cosine":
            parent = model.create_entity("IfcCosineSpiral", Position=_origin(model), CosineTerm=-2 / change,
                                         ConstantTerm=_term(first + change / 2, 0))  # fmt: skip
        case "sine":
            slope, constant = _term(change / length, 1), _term(first, 0)
            parent = model.create_entity("IfcSineSpiral", Position=_origin(model), SineTerm=-2 * math.pi / change,
                                         LinearTerm=slope, ConstantTerm=constant)  # fmt: skip
        case "cubic":
            parent, begin = _cubic(model, element, first, change)
        case "viennese":
            parent = _viennese(model, alignment, start, length)
    return [(0.0, begin, reach, parent)]


def _helmert(model: Any, length: float, first: float, change: float) -> list[tuple[float, float, float, Any]]:
    half = length / 2
    rising = [first, 0.0, 2 * change / length**2]
    falling = [first - change, 4 * change / length, -2 * change / length**2]
    spirals = [_spiral(model, "IfcSecondOrderPolynomialSpiral", terms) for terms in (rising, falling)]
    return [(0.0, 0.0, half, spirals[0]), (half, half, half, spirals[1])]


def straight_curve(model: Any) -> Any:
    """Return the line that straight segments are cut from."""
    along = model.createIfcVector(model.createIfcDirection((1.0, 0.0)), 1.0)
    return model.createIfcLine(model.createIfcCartesianPoint((0.0, 0.0)), along)


def _cubic(model: Any, element: HorizontalElement, first: float, change: float) -> tuple[Any, float]:
    """Return the parabola and the length along it from its inflection to where the element starts, m."""
    a = change / (6 * element.length)
    start = first * element.length / change
    if element.length_along == "abscissa":
        start = float(cubic_arc_length(np.array(a), np.array(start)))
    return model.createIfcPolynomialCurve(_origin(model), (0.0, 1.0), (0.0, 0.0, 0.0, a), None), start


def _viennese(model: Any, alignment: Alignment, start: float, length: float) -> Any:
    """Return the spiral of seventh order through the curvature as it is compiled, gravity terms included."""
    xi = (1 - np.cos(np.pi * (np.arange(8) + 0.5) / 8)) / 2
    values = -alignment.track.curve(start + length * xi, 1)[..., 2]
    # eight nodes settle the eight coefficients of a polynomial of seventh order exactly
    fitted = np.polynomial.Polynomial.fit(xi, values, 7, domain=[0, 1], window=[0, 1]).coef
    least = 1e-9 * float(np.abs(values).max())
    terms = [c if abs(c) > least else 0.0 for c in fitted.tolist()]
    return _spiral(model, "IfcSeventhOrderPolynomialSpiral", [c / length**k for k, c in enumerate(terms)])


def profile_segments(model: Any, alignment: Alignment) -> list[Any]:
    """Return the curve segments of the profile over the distance, in order."""
    return [
        _profile_segment(model, element, float(alignment.profile_curve(max(element.start, 0.0))[0]))
        for element in alignment.vertical
    ]


def _profile_segment(model: Any, element: VerticalElement, level: float) -> Any:
    g1, g2, run = element.gradient_start, element.gradient_end, element.length
    first, last = math.atan(g1), math.atan(g2)
    place = (element.start, level)
    if element.kind == "gradient":
        return curve_segment(model, place, first, 0.0, run / math.cos(first), straight_curve(model))
    if element.kind == "parabola":
        c = (g2 - g1) / (2 * run)
        parent = model.createIfcPolynomialCurve(_origin(model), (0.0, 1.0), (level, g1, c), None)

        def reached(g: float) -> float:
            return g * math.sqrt(1 + g * g) + math.asinh(g)

        return curve_segment(model, place, first, 0.0, (reached(g2) - reached(g1)) / (4 * c), parent)
    if element.kind == "arc":
        radius = run / abs(math.sin(last) - math.sin(first))
        turn = math.copysign(math.pi / 2, last - first)
        # from the centre to the curve: below it in a sag, above it over a crest
        start = radius * (first - turn)
        parent = model.createIfcCircle(_origin(model), radius)
        return curve_segment(model, place, first, start, radius * (last - first), parent)
    # the angle is quadratic in the own length: own length by Simpson as it settles
    own, bend = run, element.curvature_start
    for _ in range(20):
        slope = 2 * ((last - first) / own - bend) / own
        angles = [first + bend * s + slope * s * s / 2 for s in (0.0, own / 4, own / 2, 3 * own / 4, own)]
        mean = sum(w * math.cos(a) for w, a in zip((7, 32, 12, 32, 7), angles, strict=True)) / 90
        own = run / mean
    slope = 2 * ((last - first) / own - bend) / own
    parent = model.createIfcClothoid(_origin(model), _term(slope, 1))
    return curve_segment(model, place, first, bend / slope, own, parent)
