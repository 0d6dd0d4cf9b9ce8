"""Chainages of IFC alignments: referents with stations."""

from __future__ import annotations

from typing import Any

from .ifc_reader import Reader, nested

__all__ = ["read_stationing"]

_SHORTEST = 1e-6


def read_stationing(reader: Reader, alignment: Any) -> tuple[float, list[tuple[float, float]]]:
    """Return the chainage at the start and the chainage equations as (back, ahead), m, from referents."""
    from ifcopenshell.util.element import get_psets

    rows = []
    for referent in nested(alignment):
        if not referent.is_a("IfcReferent"):
            continue
        values = get_psets(referent).get("Pset_Stationing", {})
        if values.get("Station") is None:
            continue
        distance = _distance_along(referent)
        if distance is None:
            if values.get("IncomingStation") is not None:
                reader.faults.warn(reader.where(referent), "a distance along the alignment", "none",
                                 "this chainage equation is left out")  # fmt: skip
            continue
        incoming = values.get("IncomingStation")
        if values.get("HasIncreasingStation") is False:
            reader.faults.error(reader.where(referent), "chainages that grow along the alignment", "falling ones")
        rows.append((distance * reader.unit * reader.frame.scale, float(values["Station"]) * reader.unit,
                     None if incoming is None else float(incoming) * reader.unit))  # fmt: skip
    rows.sort(key=lambda row: row[0])
    if not rows:
        reader.notes.append("no chainage in the file: it starts at 0")
        return 0.0, []
    start = rows[0][1] - rows[0][0] if rows[0][2] is None else rows[0][2] - rows[0][0]
    place, count, equations = 0.0, start, []
    for distance, station, incoming in rows:
        back = count + (distance - place)
        if incoming is None and abs(station - back) <= 1e-4:
            continue
        if distance > _SHORTEST:
            equations.append((back, station))
        elif incoming is not None:
            start = station
        place, count = distance, station
    return start, equations


def _distance_along(referent: Any) -> float | None:
    placement = referent.ObjectPlacement
    if placement is None or not placement.is_a("IfcLinearPlacement"):
        return None
    location = placement.RelativePlacement.Location
    if location is None or not location.is_a("IfcPointByDistanceExpression"):
        return None
    return float(location.DistanceAlong.wrappedValue)
