"""An alignment, control points and slab corners as LandXML 1.2."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from lxml import etree

from geometry.alignment import Alignment, ChainageCount, evaluate
from geometry.alignment.laws import Floats
from geometry.errors import Fault, InputError

from .landxml_laws import CANT_LAWS, SPIRALS
from .landxml_points import STANDARD_ERRORS, TO_STAKE_OUT
from .xml_files import Element, xml_words

__all__ = ["NAMESPACE", "PointGroup", "landxml_of", "to_bytes"]

NAMESPACE: Final = "http://www.landxml.org/schema/LandXML-1.2"


@dataclass(frozen=True, eq=False)
class PointGroup:
    """Points of one kind.

    Attributes
    ----------
    name : str
        Of the group.
    role : str
        What the points are, in a word of the schema; see `landxml_points`.
    names : sequence of str
    xyz : ndarray, shape (p, 3)
        Easting, northing, level, m.
    sigma : ndarray, shape (p, 3), optional
        Standard error of each coordinate, m; nan for none.
    """

    name: str
    role: str
    names: Sequence[str]
    xyz: Floats
    sigma: Floats | None = None


def _types(laws: dict[str, str]) -> dict[str, str]:
    """Return the spiral type for each law: the first that stands for it."""
    result: dict[str, str] = {}
    for name, law in laws.items():
        result.setdefault(law, name)
    return result


_TYPE_OF, _TYPE_OF_CANT = _types(SPIRALS), _types(CANT_LAWS)


def _text(value: float) -> str:
    """Return a number with all its digits; a straight end has a radius without end."""
    return "INF" if math.isinf(value) else repr(float(value))


def _add(parent: Element, tag: str, text: str = "", **attributes: float | str) -> Element:
    given = {key: xml_words(value) if isinstance(value, str) else _text(value) for key, value in attributes.items()}
    element = etree.SubElement(parent, f"{{{NAMESPACE}}}{tag}", given)
    if text:
        element.text = text
    return element


def landxml_of(
    alignment: Alignment | None, count: ChainageCount | None, name: str, made: Any,
    points: Sequence[PointGroup] = (),
) -> Element:  # fmt: skip
    """Return a LandXML document.

    Parameters
    ----------
    alignment, count : Alignment and ChainageCount, or None for points only
    name : str
        Of project and alignment.
    made : mapping
        Program, version and time; see `results.made_from`.
    points : sequence of PointGroup

    Raises
    ------
    InputError
        If an element has no equal in the schema; all are named.
    """
    root = etree.Element(f"{{{NAMESPACE}}}LandXML", {"version": "1.2", "language": "English"}, nsmap={None: NAMESPACE})  # type: ignore[dict-item]
    day, _, clock = str(made["made_at"]).partition("T")
    root.set("date", day)
    root.set("time", clock[:8])
    units = _add(root, "Units")
    _add(units, "Metric", areaUnit="squareMeter", linearUnit="meter", volumeUnit="cubicMeter",
         temperatureUnit="celsius", pressureUnit="milliBars", angularUnit="decimal degrees",
         directionUnit="decimal degrees")  # fmt: skip
    _add(root, "Project", name=name)
    program, _, version = str(made["program"]).partition(" ")
    _add(root, "Application", name=program, version=version)
    for group in points:
        _points(root, group)
    if alignment is not None and count is not None:
        _alignment(_add(root, "Alignments"), alignment, count, name)
    return root


def _points(root: Element, group: PointGroup) -> None:
    """Add points, each with its role: a reader must not take what is to be set out for what was measured."""
    table = _add(root, "CgPoints", name=group.name)
    sigma = np.full(group.xyz.shape, np.nan) if group.sigma is None else group.sigma
    state = "proposed" if group.role == TO_STAKE_OUT else "existing"
    for name, (east, north, level), own in zip(group.names, group.xyz.tolist(), sigma.tolist(), strict=True):
        given = {error: value for error, value in zip(STANDARD_ERRORS, own, strict=True) if not math.isnan(value)}
        _add(table, "CgPoint", f"{_text(north)} {_text(east)} {_text(level)}", name=name, state=state, role=group.role,
             **given)  # fmt: skip


def to_bytes(root: Element) -> bytes:
    """Return a document as a file's content."""
    etree.indent(root)
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8")


def _alignment(parent: Element, alignment: Alignment, count: ChainageCount, name: str) -> None:
    faults = _without_equal(alignment)
    if faults:
        raise InputError(faults)
    start = float(count.first[0])
    line = _add(parent, "Alignment", name=name, length=alignment.length, staStart=start)
    _plan(_add(line, "CoordGeom"), alignment)
    if len(alignment.cant) > 1 or alignment.cant[0].cant_start:
        _cant(line, alignment, start)
    for number, place in enumerate(count.starts[1:-1].tolist(), start=1):
        back = float(count.first[number - 1] + place - count.starts[number - 1])
        _add(line, "StaEquation", staAhead=float(count.first[number]), staBack=back, staInternal=start + place)
    _profile(_add(_add(line, "Profile", name=name), "ProfAlign", name=name), alignment, start)


def _without_equal(alignment: Alignment) -> list[Fault]:
    """Return what the schema cannot say: vertical clothoids."""
    return [
        Fault(f"vertical element {number}", "gradient, parabola or arc, as LandXML 1.2 has them", "clothoid",
              "write IFC instead")
        for number, element in enumerate(alignment.vertical, start=1)
        if element.kind == "clothoid"
    ]  # fmt: skip


@dataclass(frozen=True)
class _Part:
    """An element in plan that the schema can say: ends in the grid, m, and bearings there, rad."""

    kind: str
    length: float
    curvature: tuple[float, float]
    start: Floats
    end: Floats
    bearing: tuple[float, float]


def _parts(alignment: Alignment) -> list[_Part]:
    """Return the elements, clothoids into reverse curves parted where they are straight.

    A spiral of the schema turns one way. Of the laws only the clothoid is itself again in its two parts; the others
    stay whole, and their end points tell a reader what they are.
    """
    track = alignment.track
    origin = np.array(track.origin)
    result: list[_Part] = []
    for k, element in enumerate(alignment.horizontal):
        first, last = element.curvature_start, element.curvature_end
        length = float(track.starts[k + 1] - track.starts[k])
        whole = _Part(
            element.kind, length, (first, last), track.position.start[k] + origin, track.position.end[k] + origin,
            (float(track.bearing.start[k]), float(track.bearing.end[k])),
        )  # fmt: skip
        if element.kind == "clothoid" and first * last < 0:
            part = length * first / (first - last)
            *place, bearing = track.curve(track.starts[k] + part).tolist()
            middle = np.array(place) + origin
            before, after = whole.bearing
            result += [
                replace(whole, length=part, curvature=(first, 0.0), end=middle, bearing=(before, bearing)),
                replace(whole, length=length - part, curvature=(0.0, last), start=middle, bearing=(bearing, after)),
            ]
        else:
            result.append(whole)
    return result


def _plan(parent: Element, alignment: Alignment) -> None:
    def point(place: Floats) -> str:
        return f"{_text(place[1])} {_text(place[0])}"

    for part in _parts(alignment):
        first, last = part.bearing
        direction = [_text(math.degrees(b) % 360) for b in part.bearing]
        bend = part.curvature[0] or part.curvature[1]
        rot = "cw" if bend > 0 else "ccw"
        if part.kind == "straight":
            row = _add(parent, "Line", dir=direction[0], length=part.length)
            inside: list[tuple[str, Floats]] = [("Start", part.start), ("End", part.end)]
        elif part.kind == "arc":
            centre = part.start + (1 / bend) * np.array([math.cos(first), -math.sin(first)])
            row = _add(parent, "Curve", rot=rot, crvType="arc", radius=1 / abs(bend), length=part.length,
                       dirStart=direction[0], dirEnd=direction[1])  # fmt: skip
            inside = [("Start", part.start), ("Center", centre), ("End", part.end)]
        else:
            radii = [math.inf if c == 0 else 1 / abs(c) for c in part.curvature]
            row = _add(parent, "Spiral", length=part.length, radiusStart=radii[0], radiusEnd=radii[1], rot=rot,
                       spiType=_TYPE_OF[part.kind], dirStart=direction[0], dirEnd=direction[1])  # fmt: skip
            inside = [("Start", part.start), ("PI", _corner(part.start, first, part.end, last)), ("End", part.end)]
        for name, place in inside:
            _add(row, name, point(place))


def _corner(start: Floats, first: float, end: Floats, last: float) -> Floats:
    """Return where the tangents of both ends meet; a reverse curve's may not, then a point on the first one."""
    forward = np.array([math.sin(first), math.cos(first)])
    back = np.array([math.sin(last), math.cos(last)])
    turn = float(forward[0] * back[1] - forward[1] * back[0])
    along = end - start
    reach = float(along[0] * back[1] - along[1] * back[0]) / turn if abs(turn) > 1e-9 else -1.0
    # the reader takes the start tangent from this point: it has to lie ahead, and not too near
    half = float(np.hypot(*along)) / 2
    return np.asarray(start + forward * (reach if reach > half / 10 else half))


def _cant(parent: Element, alignment: Alignment, start: float) -> None:
    pivot = {"low_rail": "insideRail", "centre": "center"}[alignment.rules.pivot]
    base = alignment.rules.cant_base
    table = _add(parent, "Cant", name="cant", gauge=base, rotationPoint=pivot,
                 equilibriumConstant=11.8 * base / 1.5, appliedCantConstant=11.8 * base / 1.5)  # fmt: skip

    def station(distance: float, cant: float, hand: float, law: str) -> None:
        transition = {} if law == "constant" else {"transitionType": _TYPE_OF_CANT[law]}
        _add(table, "CantStation", station=start + distance, appliedCant=abs(cant) * 1e3,
             curvature="cw" if hand > 0 else "ccw", **transition)  # fmt: skip

    for element in alignment.cant:
        hand = element.cant_start or element.cant_end or 1.0
        station(element.start, element.cant_start, hand, element.kind)
    last = alignment.cant[-1]
    station(last.start + last.length, last.cant_end, last.cant_end or 1.0, "constant")


def _profile(parent: Element, alignment: Alignment, start: float) -> None:
    elements = alignment.vertical
    level = evaluate(alignment, np.clip([e.start for e in elements], 0.0, alignment.length)).level.tolist()
    reached = None
    for element, z in zip(elements, level, strict=True):
        length, g1, g2 = element.length, element.gradient_start, element.gradient_end
        if element.kind == "gradient":
            if reached != "curve":
                _add(parent, "PVI", f"{_text(start + element.start)} {_text(z)}")
            reached = "gradient"
            continue
        if reached is None:
            _add(parent, "PVI", f"{_text(start + element.start)} {_text(z)}")
        if element.kind == "parabola":
            corner = length / 2
            row = _add(parent, "ParaCurve", length=length)
        else:
            angles = [math.atan(g) for g in (g1, g2)]
            radius = length / abs(math.sin(angles[1]) - math.sin(angles[0]))
            corner = radius * math.tan(abs(angles[1] - angles[0]) / 2) * math.cos(angles[0])
            row = _add(parent, "CircCurve", length=radius * abs(angles[1] - angles[0]), radius=radius)
        row.text = f"{_text(start + element.start + corner)} {_text(z + g1 * corner)}"
        reached = "curve"
    end = float(evaluate(alignment, alignment.length).level)
    _add(parent, "PVI", f"{_text(start + alignment.length)} {_text(end)}")
