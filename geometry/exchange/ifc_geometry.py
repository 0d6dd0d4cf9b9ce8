"""Alignments of IFC files by their curves, where no segment says what it is, and where both stand beside each other.

Curvature along the curves of ISO 16739-1:2024 (IfcPolynomialSpiral and its kin), + to the left over the length s from
the origin of the curve, A a term of the curve: ``1/A`` constant, ``A/|A|^3 s`` linear, ``A/|A|^4 s^2`` quadratic,
``A/|A|^5 s^3`` cubic, ``1/A cos(pi s/L)`` and ``1/A sin(2 pi s/L)``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final, Literal

import numpy as np

from geometry.alignment import HorizontalElement, TrackRules, VerticalElement
from geometry.alignment.laws import SHAPES
from geometry.errors import AlignmentError

from .design import Design
from .ifc_files import entity
from .ifc_reader import Reader
from .ifc_stationing import read_stationing
from .settling import settle

__all__ = ["design_from_geometry", "tell_disagreement"]

_KINDS: Final = {
    "IfcLine": "straight",
    "IfcCircle": "arc",
    "IfcClothoid": "clothoid",
    "IfcThirdOrderPolynomialSpiral": "bloss",
    "IfcCosineSpiral": "cosine",
    "IfcSineSpiral": "sine",
    "IfcSecondOrderPolynomialSpiral": "helmert",
    "IfcPolynomialCurve": "cubic",
}
_SHORTEST = 1e-6
_PLACE, _ANGLE, _BEND = 1e-4, 1e-6, 1e-8  # two descriptions of one element agree to this, m, rad, 1/m
_MOST_TOLD = 10


class _CannotReadError(Exception):
    """A curve that has no law here; its text says which."""


def _curves(alignment: Any) -> dict[str, Any]:
    """Return the curves of an alignment's representation by class, those they are based on included."""
    found: dict[str, Any] = {}
    shape = alignment.Representation
    for representation in shape.Representations if shape is not None else ():
        for item in representation.Items:
            curve = item
            while curve is not None and curve.is_a() not in found:
                found[curve.is_a()] = curve
                curve = getattr(curve, "BaseCurve", None)
    return found


def _term(curve: Any, name: str, unit: float) -> float:
    value = getattr(curve, name, None)
    return 0.0 if value is None else float(value) * unit


def _curvature(parent: Any, unit: float, length: float) -> Callable[[float], float]:
    """Return the curvature, 1/m, + to the left, over the length along a parent curve, m."""
    kind = parent.is_a()
    if kind == "IfcLine":
        return lambda _s: 0.0
    if kind == "IfcCircle":
        radius = float(parent.Radius) * unit
        return lambda _s: 1 / radius
    if kind == "IfcPolynomialCurve":
        y = [float(c) for c in parent.CoefficientsY or ()]
        if len(y) != 4 or any(y[:3]):
            raise _CannotReadError("a polynomial that is no cubic parabola")
        a = y[3] / unit**2
        return lambda s: 6 * a * s
    terms: list[tuple[float, int]] = [(_term(parent, "ConstantTerm", unit), 0)]
    names = ("LinearTerm", "QuadraticTerm", "CubicTerm")
    terms += [(_term(parent, name, unit), order) for order, name in enumerate(names, start=1)]
    if kind == "IfcClothoid":
        terms.append((_term(parent, "ClothoidConstant", unit), 1))
    cosine, sine = (_term(parent, name, unit) for name in ("CosineTerm", "SineTerm"))

    def curvature(s: float) -> float:
        value = sum(a / abs(a) ** (order + 2) * s**order for a, order in terms if a)
        value += math.cos(math.pi * s / length) / cosine if cosine else 0.0
        return value + (math.sin(2 * math.pi * s / length) / sine if sine else 0.0)

    return curvature


def _measure(value: Any, parent: Any, reader: Reader) -> float:
    """Return a segment's start or length as a length, m."""
    number = float(value.wrappedValue)
    if value.is_a("IfcParameterValue"):
        if parent.is_a("IfcCircle"):
            return number * reader.angle * float(parent.Radius) * reader.unit
        if parent.is_a("IfcLine"):
            return number * float(parent.Dir.Magnitude) * reader.unit
        raise _CannotReadError(f"{parent.is_a()} counted by its parameter")
    return number * reader.unit


def _plan(curve: Any, reader: Reader) -> tuple[list[HorizontalElement], list[str]]:
    """Return the elements of a composite curve; raises `_CannotReadError` at what has no law."""
    elements: list[HorizontalElement] = []
    places: list[str] = []
    half: HorizontalElement | None = None
    ends: tuple[float, float] = (math.nan, math.nan)
    for segment in curve.Segments:
        where = f"{reader.file}: {entity(segment)}"
        if not segment.is_a("IfcCurveSegment"):
            raise _CannotReadError(f"{where}: {segment.is_a()}, whose curve has no curvature")
        parent = segment.ParentCurve
        kind = _KINDS.get(parent.is_a())
        if kind is None:
            raise _CannotReadError(f"{where}: {parent.is_a()} has no law that its curve alone would tell")
        start, length = (_measure(v, parent, reader) for v in (segment.SegmentStart, segment.SegmentLength))
        x, y = segment.Placement.Location.Coordinates[:2]
        along = segment.Placement.RefDirection.DirectionRatios[:2] if segment.Placement.RefDirection else (1.0, 0.0)
        place = reader.frame.grid(x * reader.unit, y * reader.unit)
        if abs(length) < _SHORTEST:
            ends = place
            continue
        bearing = (math.pi / 2 - math.atan2(along[1], along[0]) - reader.frame.turn) % (2 * math.pi)
        way = math.copysign(1.0, length)
        curvature = _curvature(parent, reader.unit, abs(length))
        scale = reader.frame.scale
        values = [-way * curvature(start + length * xi) / scale for xi in (0.0, 0.25, 0.5, 1.0)]
        first, last = values[0], values[-1]
        element = _element(kind, abs(length) * scale, first, last, place, bearing)
        if kind == "helmert":
            if half is None:
                half = element
                continue
            element = _element("helmert", half.length + element.length, half.curvature_start, last,
                               (half.easting or 0.0, half.northing or 0.0), half.bearing or 0.0)  # fmt: skip
            half = None
        elif kind not in ("straight", "arc", "cubic"):
            shape = SHAPES[kind][0](np.array([0.25, 0.5]))
            if not np.allclose(values[1:3], first + (last - first) * shape, rtol=0, atol=1e-9):
                raise _CannotReadError(f"{where}: {parent.is_a()}, but not the curve of a {kind} transition")
        elements.append(element)
        places.append(where)
    if half is not None:
        raise _CannotReadError(f"{reader.file}: {entity(curve)}: one half of a Helmert transition")
    follows = [(e.easting or 0.0, e.northing or 0.0) for e in elements[1:]] + [ends]
    cubics = [(k, end) for k, (e, end) in enumerate(zip(elements, follows, strict=True)) if e.kind == "cubic"]
    settle(elements, cubics, [], reverse=False)
    return elements, places


def _element(
    kind: str, length: float, first: float, last: float, place: tuple[float, float], bearing: float
) -> HorizontalElement:  # fmt: skip
    named: Literal["straight"] = kind  # type: ignore[assignment]
    # what is a rounding of a straight end is one
    first, last = (0.0 if abs(c) < 1e-12 else c for c in (first, last))
    try:
        return HorizontalElement(named, length, first, last, *place, bearing)
    except AlignmentError as fault:
        raise _CannotReadError(str(fault)) from fault


def tell_disagreement(
    alignment: Any, reader: Reader, horizontal: list[HorizontalElement], places: list[str]
) -> None:  # fmt: skip
    """Warn where segments and curve of the plan disagree; the segments are used."""
    curve = _curves(alignment).get("IfcCompositeCurve")
    if curve is None:
        return
    try:
        drawn, _ = _plan(curve, reader)
    except _CannotReadError as reason:
        reader.notes.append(f"the curve of the plan was not compared with its segments: {reason}")
        return
    if len(drawn) != len(horizontal):
        reader.faults.warn(f"{reader.file}: {entity(curve)}", f"{len(horizontal)} elements, as the segments say",
                           f"{len(drawn)}", "the segments are used")  # fmt: skip
        return
    told = 0
    for element, other, where in zip(horizontal, drawn, places, strict=True):
        for words, miss, most, factor, unit in _differences(element, other):
            if not miss <= most:
                told += 1
                if told <= _MOST_TOLD:
                    reader.faults.warn(where, f"the same {words} in its curve", f"{miss * factor:.4g} {unit} apart",
                                       "the segments are used")  # fmt: skip
    if told > _MOST_TOLD:
        reader.faults.warn(f"{reader.file}: {entity(curve)}", "a curve like its segments",
                           f"{told - _MOST_TOLD} more differences", "the segments are used")  # fmt: skip


def _differences(a: HorizontalElement, b: HorizontalElement) -> list[tuple[str, float, float, float, str]]:
    apart = math.dist((a.easting or 0.0, a.northing or 0.0), (b.easting or 0.0, b.northing or 0.0))
    turn = abs(math.remainder((a.bearing or 0.0) - (b.bearing or 0.0), 2 * math.pi))
    kind = 0.0 if a.kind == b.kind else math.inf
    return [
        ("kind", kind, 0.0, 1.0, ""),
        ("start", apart, _PLACE, 1e3, "mm"),
        ("direction", turn, _ANGLE, 1e3, "mrad"),
        ("length", abs(a.length - b.length), _PLACE, 1e3, "mm"),
        ("curvature at its start", abs(a.curvature_start - b.curvature_start), _BEND, 1e3, "1/km"),
        ("curvature at its end", abs(a.curvature_end - b.curvature_end), _BEND, 1e3, "1/km"),
    ]


def design_from_geometry(alignment: Any, reader: Reader) -> Design | None:
    """Return the design that the curves of an alignment describe; None with the reason in the reader's faults."""
    curves = _curves(alignment)
    plan, profile = curves.get("IfcCompositeCurve"), curves.get("IfcGradientCurve")
    where = reader.where(alignment)
    since = len(reader.faults.errors)
    if plan is None:
        reader.faults.error(where, "segments of an IfcAlignmentHorizontal, or an IfcCompositeCurve", "neither",
                            "a polyline has no curvature: ask the designer for elements" if curves else "")  # fmt: skip
    if profile is None:
        reader.faults.error(where, "an IfcGradientCurve for the profile", "none")
    if "IfcSegmentedReferenceCurve" in curves:
        reader.faults.error(where, "cant as segments of an IfcAlignmentCant", "cant as a curve only",
                            "its meaning has changed between revisions of the schema: export the segments")  # fmt: skip
    if plan is None or profile is None or len(reader.faults.errors) > since:
        return None
    try:
        horizontal, places = _plan(plan, reader)
        vertical, level_places = _profile(profile, reader)
    except _CannotReadError as reason:
        reader.faults.error(where, "curves with a law", str(reason))
        return None
    start, equations = read_stationing(reader, alignment)
    if len(reader.faults.errors) > since:
        return None
    reader.notes.append("only curves stand in the file: elements were taken from them, and there is no cant")
    return Design(
        name=alignment.Name or "alignment",
        file=reader.file,
        horizontal=tuple(horizontal),
        vertical=tuple(vertical),
        where={"horizontal": tuple(places), "vertical": tuple(level_places)},
        start_chainage=start,
        equations=tuple(equations),
        rules=TrackRules(grid_scale=reader.frame.scale),
        notes=tuple(reader.notes),
    )


def _profile(curve: Any, reader: Reader) -> tuple[list[VerticalElement], list[str]]:
    """Return the elements of a gradient curve: horizontal lengths from where the next one starts."""
    rows = []
    for segment in curve.Segments:
        place = segment.Placement
        x, z = (float(v) * reader.unit for v in place.Location.Coordinates[:2])
        along = place.RefDirection.DirectionRatios[:2] if place.RefDirection else (1.0, 0.0)
        length = _measure(segment.SegmentLength, segment.ParentCurve, reader)
        rows.append((x, z, along[1] / along[0], length, segment))
    rows.sort(key=lambda row: row[0])
    scale, lift = reader.frame.scale, float(reader.frame.origin[2])
    elements: list[VerticalElement] = []
    places: list[str] = []
    for k, (x, z, g1, length, segment) in enumerate(rows):
        if abs(length) < _SHORTEST:
            continue
        parent, where = segment.ParentCurve, f"{reader.file}: {entity(segment)}"
        kind = {"IfcLine": "gradient", "IfcCircle": "arc", "IfcPolynomialCurve": "parabola"}.get(parent.is_a())
        if kind is None:
            raise _CannotReadError(f"{where}: {parent.is_a()} has no law in a profile that its curve alone would tell")
        slope = math.atan(g1)
        bend = _profile_bend(parent, length, reader, where)
        if k + 1 < len(rows):
            run = rows[k + 1][0] - x
        elif kind == "arc":
            run = (math.sin(slope + abs(length) * bend) - math.sin(slope)) / bend
        else:
            run = abs(length) * math.cos(slope) if kind == "gradient" else abs(length)
        g2 = g1
        if kind == "arc":
            sine = math.sin(slope) + run * bend
            g2 = sine / math.sqrt(1 - sine * sine)
        elif kind == "parabola":
            g2 = g1 + bend * run
        named: Literal["gradient"] = kind  # type: ignore[assignment]
        try:
            elements.append(VerticalElement(named, x * scale, run * scale, g1 / scale, g2 / scale, z + lift))
        except AlignmentError as fault:
            raise _CannotReadError(f"{where}: {fault}") from fault
        places.append(where)
    return elements, places


def _profile_bend(parent: Any, length: float, reader: Reader, where: str) -> float:
    """Return 1/R of a circle or the second derivative of a parabola, + in a sag, 1/m; 0 for a line."""
    if parent.is_a("IfcCircle"):
        return math.copysign(1 / (float(parent.Radius) * reader.unit), length)
    if parent.is_a("IfcLine"):
        return 0.0
    y = [float(c) for c in parent.CoefficientsY or ()]
    if len(y) != 3:
        raise _CannotReadError(f"{where}: a polynomial that is no parabola")
    return 2 * y[2] / reader.unit
