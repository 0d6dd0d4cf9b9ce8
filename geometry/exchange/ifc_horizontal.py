"""Segments in plan of IFC alignments."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final, Literal

import numpy as np

from geometry.alignment import HorizontalElement, TrackRules
from geometry.errors import AlignmentError

from .ifc_reader import Reader
from .settling import ends_of, settle

__all__ = ["HORIZONTAL_TYPES", "read_horizontal"]

HORIZONTAL_TYPES: Final = {
    "LINE": "straight",
    "CIRCULARARC": "arc",
    "CLOTHOID": "clothoid",
    "BLOSSCURVE": "bloss",
    "COSINECURVE": "cosine",
    "SINECURVE": "sine",
    "HELMERTCURVE": "helmert",
    "CUBIC": "cubic",
    "VIENNESEBEND": "viennese",
}
_SHORTEST = 1e-6
_CHAIN = 0.01  # segments that follow one another miss each other by less, m


def read_horizontal(reader: Reader, layout: Any) -> tuple[list[HorizontalElement], list[str], float]:
    """Return elements, their places, and the height of the centre of gravity that they name, m."""
    elements: list[HorizontalElement] = []
    places: list[str] = []
    heights: set[float] = set()
    ends: list[tuple[float, float]] = []  # of the zero-length segments
    for segment, p in reader.segments(layout, "IfcAlignmentHorizontalSegment"):
        length, first, last, direction = reader.numbers(
            segment, p, "SegmentLength", "StartRadiusOfCurvature", "EndRadiusOfCurvature", "StartDirection"
        )
        start = p.StartPoint.Coordinates
        if len(start) < 2:
            reader.faults.error(f"{reader.where(segment)}: StartPoint", "two coordinates", len(start))
        if math.isnan(length + first + last + direction) or len(start) < 2:
            continue
        place = reader.frame.grid(start[0] * reader.unit, start[1] * reader.unit)
        length *= reader.unit * reader.frame.scale
        if length < _SHORTEST:
            ends.append(place)
            continue
        bends = [0.0 if r == 0 else -1 / (r * reader.unit * reader.frame.scale) for r in (first, last)]
        law = HORIZONTAL_TYPES[p.PredefinedType]
        kind: Literal["straight"] = law  # type: ignore[assignment]
        bearing = (math.pi / 2 - direction * reader.angle - reader.frame.turn) % (2 * math.pi)
        try:
            element = HorizontalElement(kind, length, bends[0], bends[1], *place, bearing)
        except AlignmentError as fault:
            reader.faults.error(reader.where(segment), "a possible element", str(fault))
            continue
        if p.GravityCenterLineHeight and law == "viennese":
            heights.add(round(float(p.GravityCenterLineHeight) * reader.unit, 6))
        elements.append(element)
        places.append(reader.where(segment))
    if len(heights) > 1:
        reader.faults.error(reader.where(layout), "one height of the centre of gravity", f"{sorted(heights)} m")
    gravity = heights.pop() if heights else TrackRules().gravity_height
    if not elements:
        return elements, places, gravity
    order = _chained(reader, elements, ends)
    elements, places = [elements[k] for k in order], [places[k] for k in order]
    follows = [(e.easting or 0.0, e.northing or 0.0) for e in elements[1:]] + (ends[-1:] or [(math.nan, math.nan)])
    settle(
        elements,
        [(k, end) for k, (e, end) in enumerate(zip(elements, follows, strict=True)) if e.kind == "cubic"],
        reader.notes, reverse=False,
    )  # fmt: skip
    return elements, places, gravity


def _chained(reader: Reader, elements: Sequence[HorizontalElement], ends: Sequence[tuple[float, float]]) -> list[int]:
    """Return the order in which elements follow one another, that of the file wherever it can be."""
    n = len(elements)
    order = list(range(n))
    if n < 2:
        return order
    starts = np.array([(e.easting, e.northing) for e in elements], dtype=np.float64)
    reached = ends_of(elements)
    if (np.hypot(*(starts[1:] - reached[:-1]).T) < 1.0).all():
        return order
    apart = np.hypot(*np.moveaxis(starts[None] - reached[:, None], -1, 0))
    follower = np.where(apart.min(axis=1) < _CHAIN, apart.argmin(axis=1), -1)
    heads = sorted(set(order) - set(follower.tolist()))
    if len(heads) != 1:
        return order
    chain = [heads[0]]
    while follower[chain[-1]] >= 0 and len(chain) <= n:
        chain.append(int(follower[chain[-1]]))
    if sorted(chain) != order:
        return order
    reader.notes.append("segments in plan stand in another order than they follow one another: put in line")
    return chain
