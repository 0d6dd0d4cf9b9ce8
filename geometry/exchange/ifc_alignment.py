"""Alignments of IFC 4.3 (ISO 16739-1:2024): the segments that say what they are.

Radii are + to the left there and directions count counter-clockwise from x; cants are heights of both rails over the
profile. Where only a geometric representation stands, `ifc_geometry` reads that.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from geometry.errors import Faults

from .design import Design, choose_alignment, tell_far
from .ifc_broken import tell_invalid
from .ifc_cant import read_cant
from .ifc_files import frame_of, open_ifc, units_of
from .ifc_geometry import design_from_geometry, tell_disagreement
from .ifc_horizontal import read_horizontal
from .ifc_reader import Reader, nested
from .ifc_stationing import read_stationing
from .ifc_vertical import read_vertical

__all__ = ["read_ifc"]

_PLAN = "IfcAlignmentHorizontal"


def read_ifc(path: Path, faults: Faults, name: str | None = None) -> Design | None:
    """Read one alignment of an IFC file.

    Parameters
    ----------
    path : Path
    faults : Faults
        Takes every fault, with file and entity.
    name : str, optional
        Which alignment; needed where there are several.

    Returns
    -------
    Design, or None if there are faults.

    Raises
    ------
    SlabposeError
        If the library for IFC is not installed.
    """
    model = open_ifc(path, faults)
    if model is None:
        return None
    try:
        return _design(model, path.name, faults, name)
    except (AttributeError, TypeError, ValueError, IndexError, ZeroDivisionError):
        # an attribute that the schema asks for is not there, or is something else
        if tell_invalid(model, path.name, faults):
            return None
        raise


def _design(model: Any, file: str, faults: Faults, name: str | None) -> Design | None:
    since = len(faults.errors)
    found = [(a.Name or "", "IfcAlignmentVertical" in _layouts(a), a) for a in model.by_type("IfcAlignment")]
    alignment = choose_alignment(found, "an IfcAlignment", name, file, faults)
    length, angle = units_of(model, file, faults)
    if alignment is None or len(faults.errors) > since:
        return None
    notes: list[str] = []
    frame = frame_of(model, alignment, length, file, faults, notes)
    reader = Reader(file, faults, length, angle, frame, notes)
    layouts = _layouts(alignment)
    if _PLAN not in layouts:
        return design_from_geometry(alignment, reader)
    horizontal, places, gravity = read_horizontal(reader, layouts[_PLAN])
    if len(faults.errors) > since:
        return None
    vertical, level_places = read_vertical(reader, layouts.get("IfcAlignmentVertical"), alignment)
    total = sum(e.length for e in horizontal)
    cant, cant_places, rules = read_cant(reader, layouts.get("IfcAlignmentCant"), gravity, total)
    start, equations = read_stationing(reader, alignment)
    if len(faults.errors) > since:
        return None
    design = Design(
        name=alignment.Name or "alignment",
        file=file,
        horizontal=tuple(horizontal),
        vertical=tuple(vertical),
        cant=tuple(cant),
        where={"horizontal": tuple(places), "vertical": tuple(level_places), "cant": tuple(cant_places)},
        start_chainage=start,
        equations=tuple(equations),
        rules=rules,
        notes=tuple(notes),
    )
    tell_far(design, faults)
    if len(faults.errors) > since:
        return None
    tell_disagreement(alignment, reader, horizontal, places)
    return replace(design, notes=tuple(notes))


def _layouts(alignment: Any) -> dict[str, Any]:
    """Return the layouts of an alignment; a child that has no plan of its own has that of its parent."""
    found = {part.is_a(): part for part in nested(alignment) if part.is_a("IfcLinearElement")}
    seen: set[int] = set()
    above = [alignment]
    while above and _PLAN not in found:
        line = above.pop()
        if line.id() not in seen and line.is_a("IfcAlignment"):
            seen.add(line.id())
            found |= {part.is_a(): part for part in nested(line) if part.is_a(_PLAN)}
            above += [relation.RelatingObject for relation in line.Decomposes or ()]
    return found
