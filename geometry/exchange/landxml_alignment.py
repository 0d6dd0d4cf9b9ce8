"""Alignments of LandXML 1.2 files.

Points stand there as "northing easting", lengths in the unit of the file, cants in millimetres or inches. Elements
keep the coordinates that the file gives for each of them: what does not join is told, not drawn together. Stations are
taken as the schema means them, internal, without the equations.
"""

from __future__ import annotations

import math
from pathlib import Path

from geometry.errors import Faults

from .design import Design, choose_alignment, covering_cant
from .landxml_horizontal import read_horizontal
from .landxml_profile import read_cant, read_profile
from .landxml_units import Reader, child, children, units_of
from .xml_files import Element, element_name, read_xml

__all__ = ["design_of", "read_landxml"]

_AGREE = 1e-3  # what a file says twice may differ by its rounding, m
_SHORTEST = 1e-6


def read_landxml(path: Path, faults: Faults, name: str | None = None) -> Design | None:
    """Read one alignment of a LandXML file.

    Parameters
    ----------
    path : Path
    faults : Faults
        Takes every fault, with file, line and element.
    name : str, optional
        Which alignment; needed where there are several with a profile.

    Returns
    -------
    Design, or None if there are faults.
    """
    root = read_xml(path, faults)
    return None if root is None else design_of(root, path.name, faults, name)


def design_of(root: Element, file: str, faults: Faults, name: str | None = None) -> Design | None:
    """Return one alignment of a parsed file; see `read_landxml`."""
    if element_name(root) != "LandXML":
        faults.error(f"{file}:{root.sourceline}", "LandXML as the outermost element", element_name(root))
        return None
    version = root.get("version", "")
    units = units_of(root, file, faults)
    groups = children(root, "Alignments")
    found = [(a.get("name") or "", all(child(a, part) is not None for part in ("CoordGeom", "Profile")), a)
             for group in groups for a in children(group, "Alignment")]  # fmt: skip
    chosen = choose_alignment(found, "an alignment (Alignments / Alignment)", name, file, faults)
    if units is None or chosen is None:
        return None
    reader = Reader(file, units, faults)
    notes = [f"lengths in {units.name}"]
    if not version.startswith("1.2"):
        notes.append(f"the file is of version {version or 'unknown'}, read like 1.2")
    since = len(faults.errors)
    start = reader.length(chosen, "staStart", needed=False)
    start = 0.0 if math.isnan(start) else start
    horizontal, places = read_horizontal(reader, chosen, notes)
    vertical, level_places = read_profile(reader, chosen, start, notes)
    cant, cant_places, rules = read_cant(reader, chosen, start, notes)
    equations = _equations(reader, chosen, start)
    if len(faults.errors) > since:
        return None
    cant, cant_places = covering_cant(cant, cant_places, sum(e.length for e in horizontal))
    return Design(
        name=chosen.get("name") or "alignment",
        file=file,
        horizontal=tuple(horizontal),
        vertical=tuple(vertical),
        cant=tuple(cant),
        where={
            "horizontal": tuple(places),
            "vertical": tuple(level_places),
            "cant": tuple(cant_places),
        },
        start_chainage=start,
        equations=tuple(equations),
        rules=rules,
        notes=tuple(notes),
    )


def _equations(reader: Reader, alignment: Element, start: float) -> list[tuple[float, float]]:
    """Return the station equations as (back, ahead), m; places follow from the internal stations."""
    rows = []
    for row in children(alignment, "StaEquation"):
        internal, ahead = reader.length(row, "staInternal"), reader.length(row, "staAhead")
        back = reader.length(row, "staBack", needed=False)
        rows.append((internal, back, ahead, row))
    rows.sort(key=lambda r: r[0])
    result: list[tuple[float, float]] = []
    place, count = 0.0, start
    for internal, back, ahead, row in rows:
        if math.isnan(internal + ahead):
            continue
        reached = count + (internal - start - place)
        if not math.isnan(back) and not abs(back - reached) <= _AGREE:
            reader.faults.warn(reader.where(row, "staBack"), f"{reached:.4f} m, as staInternal gives", f"{back:.4f} m",
                               "staInternal is used")  # fmt: skip
        if abs(internal - start) > _SHORTEST:  # an equation at the very start only names the start
            result.append((reached, ahead))
        place, count = internal - start, ahead
    return result
