"""Elements in plan of LandXML 1.2 files: Line, Curve, Spiral."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final, Literal

import numpy as np

from geometry.alignment import HorizontalElement
from geometry.errors import AlignmentError

from .landxml_laws import SPIRALS, law_or_reason
from .landxml_units import Reader, child
from .settling import settle
from .xml_files import Element, element_name

__all__ = ["read_horizontal"]

_AGREE = 1e-3  # what a file says twice may differ by its rounding, m
_SHORTEST = 1e-6


def read_horizontal(reader: Reader, alignment: Element, notes: list[str]) -> tuple[list[HorizontalElement], list[str]]:
    """Return the elements of CoordGeom and their places in the file; what is taken for granted goes to `notes`."""
    geometry = child(alignment, "CoordGeom")
    rows = [] if geometry is None else [e for e in geometry if isinstance(e.tag, str)]
    if not rows:
        reader.faults.error(reader.where(alignment), "elements in CoordGeom", "none")
        return [], []
    elements: list[HorizontalElement] = []
    places: list[str] = []
    open_ones: list[tuple[int, tuple[float, float]]] = []
    for row in rows:
        kind = element_name(row)
        make = {"Line": _line, "Curve": _curve, "Spiral": _spiral}.get(kind)
        if make is None:
            if kind in ("IrregularLine", "Chain"):
                reader.faults.error(reader.where(row), "Line, Curve or Spiral", kind,
                                    "a string of points has no curvature: ask the designer for elements")  # fmt: skip
            continue
        try:
            element = make(reader, row)
        except AlignmentError as fault:
            reader.faults.error(reader.where(row), "a possible element", str(fault))
            continue
        if element is None:
            continue
        if element.kind == "cubic" or element.curvature_start * element.curvature_end * (element.kind != "arc"):
            open_ones.append((len(elements), reader.point(row, "End", needed=False)))
        elements.append(element)
        places.append(reader.where(row))
    settle(elements, open_ones, notes, reverse=True)
    _tell_directions(reader, rows, notes)
    return elements, places


def _bearing(start: tuple[float, float], end: tuple[float, float]) -> float:
    return math.atan2(end[0] - start[0], end[1] - start[1]) % (2 * math.pi)


def _line(reader: Reader, row: Element) -> HorizontalElement | None:
    start, end = reader.point(row, "Start"), reader.point(row, "End")
    length = math.dist(start, end)
    if math.isnan(length) or length < _SHORTEST:
        return None  # told, or an end mark without length
    _compare(reader, row, "length", reader.length(row, "length", needed=False), length)
    return HorizontalElement("straight", length, 0.0, 0.0, *start, _bearing(start, end))


def _hand(reader: Reader, row: Element) -> float:
    rot = row.get("rot")
    if rot not in ("cw", "ccw"):
        reader.faults.error(reader.where(row, "rot"), "cw or ccw", repr(rot) if rot else "nothing")
        return math.nan
    return 1.0 if rot == "cw" else -1.0


def _curve(reader: Reader, row: Element) -> HorizontalElement | None:
    hand = _hand(reader, row)
    start, end = reader.point(row, "Start"), reader.point(row, "End")
    given = reader.length(row, "radius", needed=False, infinite=True)
    centre = reader.point(row, "Center", needed=False)
    if math.isnan(centre[0]):
        if not given > 0:
            reader.faults.error(reader.where(row), "a Center point or a radius", "neither")
            return None
        centre = _centre(start, end, given, hand)
    radius = (math.dist(start, centre) + math.dist(end, centre)) / 2
    if math.isnan(radius + hand):
        return None
    if not radius > _SHORTEST:
        reader.faults.error(reader.where(row), "a radius", f"{radius:g} m")
        return None
    _compare(reader, row, "radius", given, radius)
    bearing = (_bearing(start, centre) - hand * math.pi / 2) % (2 * math.pi)
    turn = (hand * (_bearing(centre, end) - _bearing(centre, start))) % (2 * math.pi)
    if turn * radius < _SHORTEST:
        return None
    _compare(reader, row, "length", reader.length(row, "length", needed=False), turn * radius)
    return HorizontalElement("arc", turn * radius, hand / radius, hand / radius, *start, bearing)


def _centre(start: tuple[float, float], end: tuple[float, float], radius: float, hand: float) -> tuple[float, float]:
    """Return the centre of the smaller arc between two points."""
    half = math.dist(start, end) / 2
    along = _bearing(start, end)
    rise = math.sqrt(max(radius**2 - half**2, 0.0))
    middle = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
    side = along + hand * math.pi / 2
    return middle[0] + rise * math.sin(side), middle[1] + rise * math.cos(side)


def _spiral(reader: Reader, row: Element) -> HorizontalElement | None:
    hand, since = _hand(reader, row), len(reader.faults.errors)
    law, found, hint = law_or_reason(row.get("spiType", ""), SPIRALS)
    if law is None:
        reader.faults.error(reader.where(row, "spiType"), f"one of {', '.join(SPIRALS)}", found, hint)
    length = reader.length(row, "length")
    radii = [reader.length(row, name, infinite=True) for name in ("radiusStart", "radiusEnd")]
    start, corner = reader.point(row, "Start"), reader.point(row, "PI", needed=False)
    direction = reader.number(row, "dirStart", needed=False)
    if math.isnan(corner[0]) and math.isnan(direction):
        reader.faults.error(reader.where(row), "a PI point or dirStart, for the tangent at its start", "neither")
    if len(reader.faults.errors) > since or math.isnan(hand) or law is None:
        return None
    if not all(abs(radius) > _SHORTEST for radius in radii):
        reader.faults.error(reader.where(row), "radii, INF for a straight end", f"{radii[0]:g} and {radii[1]:g} m")
        return None
    # without a PI only the direction is left, and then it has to be a bearing
    bearing = reader.units.direction(direction) if math.isnan(corner[0]) else _bearing(start, corner)
    kind: Literal["clothoid"] = law  # type: ignore[assignment]
    first, last = (hand / radius for radius in radii)
    if first == last:
        last = -last  # two equal radii make no transition, except the one into a reverse curve
    return HorizontalElement(kind, length, first, last, *start, bearing)


def _compare(reader: Reader, row: Element, what: str, given: float, computed: float) -> None:
    if not math.isnan(given) and not abs(abs(given) - computed) <= _AGREE:
        reader.faults.warn(reader.where(row, what), f"{computed:.4f} m, as its points give", f"{given:.4f} m",
                           "the points are used")  # fmt: skip


_DIRECTIONS: Final[dict[str, Callable[[float], float]]] = {
    "clockwise from north": lambda d: d,
    "counter-clockwise from north": lambda d: -d,
    "counter-clockwise from east": lambda d: math.pi / 2 - d,
}


def _tell_directions(reader: Reader, rows: Sequence[Element], notes: list[str]) -> None:
    """Say how the directions of lines count, as their coordinates show, and where one fits in no way."""
    told: list[tuple[Element, float, float]] = []
    for row in rows:
        if element_name(row) == "Line" and row.get("dir") is not None:
            start, end = (reader.point(row, name, needed=False) for name in ("Start", "End"))
            if math.dist(start, end) > 1.0:
                direction = reader.units.direction(reader.number(row, "dir"))
                told.append((row, direction, _bearing(start, end)))
    if not told:
        return
    misses = {
        words: [abs(math.remainder(turned(d) - b, 2 * math.pi)) for _, d, b in told]
        for words, turned in _DIRECTIONS.items()
    }
    best = min(misses, key=lambda words: float(np.median(misses[words])))
    wrong = [k for k, miss in enumerate(misses[best]) if not miss <= 1e-3]
    if len(wrong) == len(told):
        reader.faults.warn(reader.where(told[0][0], "dir"), "directions that fit the coordinates",
                           "none that does, however they count", "the coordinates are used")  # fmt: skip
        return
    notes.append(f"directions count {best}; bearings are taken from the coordinates")
    for k in wrong:
        miss = math.degrees(misses[best][k])
        reader.faults.warn(reader.where(told[k][0], "dir"), "the direction of its points", f"{miss:.4f} deg off",
                           "the points are used")  # fmt: skip
