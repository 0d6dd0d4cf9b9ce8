"""Alignments of IFC 4.3 (ISO 16739-1:2024): the segments that say what they are.

Radii are + to the left there and directions count counter-clockwise from x; cants are heights of both rails over the
profile. Where only a geometric representation stands, `ifc_geometry` reads that.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from geometry.errors import Faults

from .cells import near
from .design import Design
from .ifc_cant import read_cant
from .ifc_files import frame_of, open_ifc, units_of
from .ifc_geometry import design_from_geometry, tell_disagreement
from .ifc_horizontal import read_horizontal
from .ifc_reader import Reader, nested
from .ifc_stationing import read_stationing
from .ifc_vertical import read_vertical

__all__ = ["read_ifc"]


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
    file, since = path.name, len(faults.errors)
    alignment = _choose(model, file, faults, name)
    length, angle = units_of(model, file, faults)
    if alignment is None or len(faults.errors) > since:
        return None
    notes: list[str] = []
    frame = frame_of(model, alignment, length, file, faults, notes)
    reader = Reader(file, faults, length, angle, frame, notes)
    layouts = _layouts(alignment)
    if "IfcAlignmentHorizontal" not in layouts:
        return design_from_geometry(alignment, reader)
    horizontal, places, gravity = read_horizontal(reader, layouts["IfcAlignmentHorizontal"])
    if len(faults.errors) > since:
        return None
    vertical, level_places = read_vertical(reader, layouts.get("IfcAlignmentVertical"), alignment)
    total = sum(e.length for e in horizontal)
    cant, cant_places, rules = read_cant(reader, layouts.get("IfcAlignmentCant"), gravity, total)
    start, equations = read_stationing(reader, alignment)
    if len(faults.errors) > since:
        return None
    tell_disagreement(alignment, reader, horizontal, places)
    return Design(
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


def _choose(model: Any, file: str, faults: Faults, name: str | None) -> Any:
    alignments = model.by_type("IfcAlignment")
    names = [a.Name or "" for a in alignments]
    if name is not None:
        if name not in names:
            faults.error(file, f"an alignment {name!r}", ", ".join(map(repr, names)) or "none", near(name, names))
            return None
        return alignments[names.index(name)]
    complete = [a for a in alignments if "IfcAlignmentVertical" in _layouts(a)]
    if len(complete) == 1 or len(alignments) == 1:
        return (complete or alignments)[0]
    if alignments:
        found = ", ".join(map(repr, names))
        faults.error(file, "one alignment with a profile, or the name of one", found, "name it with --alignment")
    else:
        faults.error(file, "an IfcAlignment", "none")
    return None


def _layouts(alignment: Any) -> dict[str, Any]:
    """Return the layouts of an alignment; a child that has no plan of its own has that of its parent."""
    found = {part.is_a(): part for part in nested(alignment) if part.is_a("IfcLinearElement")}
    if "IfcAlignmentHorizontal" not in found:
        for relation in alignment.Decomposes or ():
            parent = relation.RelatingObject
            if parent.is_a("IfcAlignment"):
                found = {**{k: v for k, v in _layouts(parent).items() if k == "IfcAlignmentHorizontal"}, **found}
    return found
