"""Segments of the profile of IFC alignments."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final, Literal

from geometry.alignment import VerticalElement
from geometry.errors import AlignmentError

from .ifc_reader import Reader
from .profile_radii import clothoid_start, tell_radius

__all__ = ["VERTICAL_TYPES", "read_vertical"]

VERTICAL_TYPES: Final = {
    "CONSTANTGRADIENT": "gradient",
    "PARABOLICARC": "parabola",
    "CIRCULARARC": "arc",
    "CLOTHOID": "clothoid",
}
_SHORTEST = 1e-6


def read_vertical(reader: Reader, layout: Any, alignment: Any) -> tuple[list[VerticalElement], list[str]]:
    """Return the elements of the profile and their places."""
    if layout is None:
        reader.faults.error(reader.where(alignment), "an IfcAlignmentVertical", "none",
                          "export the design level together with the plan")  # fmt: skip
        return [], []
    rows = []
    for segment, p in reader.segments(layout, "IfcAlignmentVerticalSegment"):
        start, length, height, first, last = reader.numbers(
            segment, p, "StartDistAlong", "HorizontalLength", "StartHeight", "StartGradient", "EndGradient"
        )
        scaled = start * reader.unit * reader.frame.scale, length * reader.unit * reader.frame.scale
        if not math.isnan(start + length + height + first + last) and scaled[1] >= _SHORTEST:
            rows.append((*scaled, height * reader.unit + float(reader.frame.origin[2]), first, last, segment, p))
    rows.sort(key=lambda row: row[0])
    # distances count from the start of the plan, gradients are rise over run on the ground
    true = 1 / reader.frame.scale
    elements: list[VerticalElement] = []
    places: list[str] = []
    for k, (start, length, level, first, last, segment, p) in enumerate(rows):
        kind = VERTICAL_TYPES[p.PredefinedType]
        g1, g2 = first * true, last * true
        try:
            if abs(g2 - g1) < 1e-12 or kind == "gradient":
                if abs(g2 - g1) > 1e-7:
                    reader.faults.error(
                        reader.where(segment), "one gradient, as it is constant", f"{first:g} and {last:g}"
                    )
                element = VerticalElement("gradient", start, length, g1, g1, level)
            else:
                bend = 0.0
                if kind == "clothoid":
                    bend = _clothoid_start(reader, rows, k, g1, g2)
                named: Literal["parabola"] = kind  # type: ignore[assignment]
                element = VerticalElement(named, start, length, g1, g2, level, bend)
                radius = None if p.RadiusOfCurvature is None else p.RadiusOfCurvature * reader.unit
                tell_radius(element, radius, f"{reader.where(segment)}: RadiusOfCurvature", reader.faults)
        except AlignmentError as fault:
            reader.faults.error(reader.where(segment), "a possible element", str(fault))
            continue
        elements.append(element)
        places.append(reader.where(segment))
    return elements, places


def _clothoid_start(reader: Reader, rows: Sequence[Any], k: int, first: float, last: float) -> float:
    """Return the start curvature of a vertical clothoid: the schema leaves it to what lies beside it."""
    length = rows[k][1]
    straight = [
        not 0 <= j < len(rows) or VERTICAL_TYPES[rows[j][6].PredefinedType] == "gradient" for j in (k - 1, k + 1)
    ]
    if straight[0]:
        return 0.0
    if straight[1]:
        return clothoid_start((1.0, None), first, last, length)
    before = rows[k - 1]
    if VERTICAL_TYPES[before[6].PredefinedType] == "arc":
        sines = [math.sin(math.atan(g / reader.frame.scale)) for g in (before[3], before[4])]
        return float((sines[1] - sines[0]) / before[1])
    reader.faults.error(reader.where(rows[k][5]), "a gradient or an arc beside a vertical clothoid", "neither",
                      "its curvature cannot be known")  # fmt: skip
    return 0.0
