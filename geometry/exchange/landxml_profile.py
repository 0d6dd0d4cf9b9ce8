"""Profile and cant of LandXML 1.2 files."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final, Literal

from geometry.alignment import CantElement, TrackRules, VerticalElement

from .landxml_laws import CANT_LAWS, law_or_reason
from .landxml_units import Reader, child, children
from .xml_files import Element, element_name

__all__ = ["read_cant", "read_profile"]

_AGREE = 1e-3  # what a file says twice may differ by its rounding, m
_SHORTEST = 1e-6


def read_profile(
    reader: Reader, alignment: Element, start: float, notes: list[str]
) -> tuple[list[VerticalElement], list[str]]:
    """Return the elements of the design profile and their places; `start` is the station where distances begin, m."""
    profile = child(alignment, "Profile")
    designs = [] if profile is None else children(profile, "ProfAlign")
    designs = [d for d in designs if d.get("state") != "existing"] or designs
    if not designs:
        reader.faults.error(reader.where(alignment), "a profile (Profile / ProfAlign)", "none",
                            "export the design level together with the plan")  # fmt: skip
        return [], []
    if len(designs) > 1:
        notes.append(f"{len(designs)} profiles: the first one, {designs[0].get('name') or 'without a name'}, is used")
    rows = children(designs[0], "PVI", "ParaCurve", "UnsymParaCurve", "CircCurve")
    since = len(reader.faults.errors)
    points = [reader.numbers(row, 2, "station and level") for row in rows]
    x = [p[0] * reader.units.length - start for p in points]
    z = [p[1] * reader.units.length for p in points]
    if len(rows) < 2:
        reader.faults.error(reader.where(designs[0]), "two points of the profile or more", str(len(rows)))
    for row, before, here in zip(rows[1:], x, x[1:], strict=False):
        if not here - before > _SHORTEST:
            reader.faults.error(reader.where(row), "a station after that of the point before it",
                                f"{here - before:+.3f} m from it")  # fmt: skip
    for row in (rows[:1] + rows[-1:]) if len(rows) > 1 else []:
        if element_name(row) != "PVI":
            reader.faults.error(reader.where(row), "PVI at the ends of the profile", element_name(row))
    if len(reader.faults.errors) > since:
        return [], []
    gradients = [(b - a) / (d - c) for a, b, c, d in zip(z, z[1:], x, x[1:], strict=False)]
    pieces: list[VerticalElement] = []
    places: list[str] = []
    reached, level = x[0], z[0]
    for k, row in enumerate(rows[1:], start=1):
        curve = [] if k == len(rows) - 1 else _vertical_curve(reader, row, x[k], gradients[k - 1], gradients[k])
        begins = curve[0].start if curve else x[k]
        g = gradients[k - 1]
        if begins - reached > _AGREE:
            pieces.append(VerticalElement("gradient", reached, begins - reached, g, g, level))
            places.append(reader.where(row))
        elif begins - reached < -_AGREE:
            reader.faults.error(reader.where(row), "vertical curves that do not overlap",
                                f"one that starts {reached - begins:.3f} m before the last one ends")  # fmt: skip
        for piece in curve:
            # levels from the tangents, not from the piece before: rounding does not add up
            at = z[k] + g * (piece.start - x[k]) if piece is curve[0] else None
            pieces.append(replace(piece, level=at))
            places.append(reader.where(row))
        reached = curve[-1].start + curve[-1].length if curve else x[k]
        level = z[k] + (gradients[k] * (reached - x[k]) if k < len(gradients) else 0.0)
    return pieces, places


def _vertical_curve(reader: Reader, row: Element, x: float, g1: float, g2: float) -> list[VerticalElement]:
    """Return the elements of a vertical curve over a point of intersection, without levels."""
    kind = element_name(row)
    if kind == "PVI" or abs(g2 - g1) < 1e-12:
        return []
    if kind == "ParaCurve":
        length = reader.length(row, "length")
        return [VerticalElement("parabola", x - length / 2, length, g1, g2)] if length > _SHORTEST else []
    if kind == "UnsymParaCurve":
        before, after = reader.length(row, "lengthIn"), reader.length(row, "lengthOut")
        if not (before > _SHORTEST and after > _SHORTEST):
            return []
        # both meet under the point of intersection with one gradient
        middle = (g1 * before + g2 * after) / (before + after)
        return [
            VerticalElement("parabola", x - before, before, g1, middle),
            VerticalElement("parabola", x, after, middle, g2),
        ]
    turn = math.atan(g2) - math.atan(g1)
    radius = abs(reader.length(row, "radius", needed=False))
    given = reader.length(row, "length", needed=False)
    if not radius > _SHORTEST:
        if not given > _SHORTEST:
            reader.faults.error(reader.where(row), "a radius or a length", "neither")
            return []
        radius = given / abs(turn)
    tangent = radius * math.tan(abs(turn) / 2)
    first = x - tangent * math.cos(math.atan(g1))
    last = x + tangent * math.cos(math.atan(g2))
    return [VerticalElement("arc", first, last - first, g1, g2)]


_PIVOTS: Final = {"insideRail": "low_rail", "center": "centre"}


def read_cant(
    reader: Reader, alignment: Element, start: float, notes: list[str]
) -> tuple[list[CantElement], list[str], TrackRules]:
    """Return the cant between its stations, the places of the elements, and what the file says of the pivot."""
    table = child(alignment, "Cant")
    rows = [] if table is None else children(table, "CantStation")
    if table is None or not rows:
        notes.append("no cant in the file: none is assumed")
        return [], [], TrackRules()
    rules = TrackRules()
    pivot = table.get("rotationPoint")
    if pivot in _PIVOTS:
        named: Literal["low_rail"] = _PIVOTS[pivot]  # type: ignore[assignment]
        rules = TrackRules(pivot=named)
    elif pivot is None:
        notes.append("no rotationPoint of the cant: the low rail is assumed")
    else:
        reader.faults.error(reader.where(table, "rotationPoint"), f"one of {', '.join(_PIVOTS)}", repr(pivot),
                            "the cant turns about the low rail or the centre line here")  # fmt: skip
    x, cant = [], []
    for row in rows:
        x.append(reader.length(row, "station") - start)
        size = reader.number(row, "appliedCant") * reader.units.cant
        hand = row.get("curvature")
        if hand not in ("cw", "ccw") and size:
            reader.faults.error(reader.where(row, "curvature"), "cw or ccw", repr(hand) if hand else "nothing")
        sign = (1.0 if hand == "cw" else -1.0) * (-1.0 if row.get("adverse") in ("true", "1") else 1.0)
        cant.append(sign * size)
    pieces: list[CantElement] = []
    places: list[str] = []
    if any(math.isnan(v) for v in (*x, *cant)):
        return [], [], rules
    for row, a, b, c, d in zip(rows, x, x[1:], cant, cant[1:], strict=False):
        if not b - a > _SHORTEST:
            if b < a - _SHORTEST or abs(d - c) > _SHORTEST:
                reader.faults.error(reader.where(row, "station"), "stations that grow", f"{b - a:+.3f} m to the next")
            continue
        law = "constant" if abs(d - c) < 1e-9 else _cant_law(reader, row)
        if law is not None:
            kind: Literal["linear"] = law  # type: ignore[assignment]
            pieces.append(CantElement(kind, a, b - a, c, c if law == "constant" else d))
            places.append(reader.where(row))
    return pieces, places, rules


def _cant_law(reader: Reader, row: Element) -> str | None:
    law, found, hint = law_or_reason(row.get("transitionType", "clothoid"), CANT_LAWS)
    if law is None:
        reader.faults.error(reader.where(row, "transitionType"), f"one of {', '.join(CANT_LAWS)}", found, hint)
    return law
