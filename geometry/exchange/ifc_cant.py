"""Segments of the cant of IFC alignments: heights of both rails over the profile."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final, Literal

import numpy as np

from geometry.alignment import CantElement, TrackRules

from .design import covering_cant
from .ifc_reader import Reader

__all__ = ["CANT_TYPES", "read_cant"]

CANT_TYPES: Final = {
    "CONSTANTCANT": "constant",
    "LINEARTRANSITION": "linear",
    "BLOSSCURVE": "bloss",
    "COSINECURVE": "cosine",
    "SINECURVE": "sine",
    "HELMERTCURVE": "helmert",
    "VIENNESEBEND": "viennese",
}
_SHORTEST = 1e-6
_SAME = 1e-9


def read_cant(
    reader: Reader, layout: Any, gravity: float, total: float
) -> tuple[list[CantElement], list[str], TrackRules]:
    """Return the cant, the places of its elements, and what the heights of the rails say of the pivot."""
    scale = reader.frame.scale
    if layout is None:
        reader.notes.append("no cant in the file: none is assumed")
        return [], [], TrackRules(gravity_height=gravity, grid_scale=scale)
    base = (layout.RailHeadDistance or 0.0) * reader.unit
    if not 0.5 <= base <= 2.5:
        reader.faults.error(f"{reader.where(layout)}: RailHeadDistance", "0.5 to 2.5 m", f"{base:g} m")
    rows, heights = [], []
    for segment, p in reader.segments(layout, "IfcAlignmentCantSegment"):
        start, length, left, right = reader.numbers(
            segment, p, "StartDistAlong", "HorizontalLength", "StartCantLeft", "StartCantRight"
        )
        ends = [v if v is not None else s for v, s in ((p.EndCantLeft, left), (p.EndCantRight, right))]
        if math.isnan(start + length + left + right) or length * reader.unit < _SHORTEST:
            continue
        rails = np.array([[left, right], ends], dtype=np.float64) * reader.unit
        heights.append((rails, segment))
        rows.append((start * reader.unit * scale, length * reader.unit * scale, rails, segment, p))
    rows.sort(key=lambda row: row[0])
    pivot = _pivot(reader, heights, layout)
    elements: list[CantElement] = []
    places: list[str] = []
    for start, length, rails, segment, p in rows:
        first, last = (float(left - right) for left, right in rails)
        kind = CANT_TYPES[p.PredefinedType] if abs(last - first) > _SAME else "constant"
        if kind == "constant" and abs(last - first) > _SAME:
            reader.faults.error(reader.where(segment), "one cant, as it is constant", f"{first:g} and {last:g} m")
            continue
        named: Literal["linear"] = kind  # type: ignore[assignment]
        elements.append(CantElement(named, start, length, first, first if kind == "constant" else last))
        places.append(reader.where(segment))
    elements, places = covering_cant(elements, places, total)
    return elements, places, TrackRules(pivot=pivot, cant_base=base, gravity_height=gravity, grid_scale=scale)


def _pivot(reader: Reader, heights: Sequence[tuple[Any, Any]], layout: Any) -> Literal["low_rail", "centre"]:
    canted = [(rails, segment) for rails, segment in heights if np.abs(rails).max() > _SAME]
    if not canted:
        return "low_rail"
    kinds = {
        "low_rail": [np.abs(rails.min(axis=1)).max() <= 1e-6 for rails, _ in canted],
        "centre": [np.abs(rails.sum(axis=1)).max() <= 1e-6 for rails, _ in canted],
        "high": [np.abs(rails.max(axis=1)).max() <= 1e-6 for rails, _ in canted],
    }
    if all(kinds["low_rail"]):
        return "low_rail"
    if all(kinds["centre"]):
        return "centre"
    where = reader.where(layout)
    if all(kinds["high"]):
        reader.faults.error(where, "cant about the low rail or the centre line", "about the high rail")
    else:
        odd = next(s for (_, s), low, mid in zip(canted, kinds["low_rail"], kinds["centre"], strict=True)
                   if not (low if sum(kinds["low_rail"]) >= sum(kinds["centre"]) else mid))  # fmt: skip
        reader.faults.error(reader.where(odd), "one pivot for all of the cant", "heights of the rails that change it")
    return "low_rail"
