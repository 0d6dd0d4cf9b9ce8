"""Points of LandXML 1.2 files (CgPoints)."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np

from geometry.alignment.laws import Floats
from geometry.errors import Faults

from .landxml_units import Reader, units_of
from .xml_files import element_name, read_xml

__all__ = ["cg_points_table", "read_cg_points"]


def read_cg_points(path: Path, faults: Faults) -> tuple[tuple[str, ...], Floats] | None:
    """Read all points with a level.

    Returns
    -------
    names : tuple of str
    xyz : ndarray, shape (p, 3)
        Easting, northing, level, m.

    None if there are faults, or no points.
    """
    root = read_xml(path, faults)
    units = None if root is None else units_of(root, path.name, faults)
    if root is None or units is None:
        return None
    reader, since = Reader(path.name, units, faults), len(faults.errors)
    rows = [e for e in root.iter() if isinstance(e.tag, str) and element_name(e) == "CgPoint"]
    names, places = [], []
    for row in rows:
        if row.get("pntRef") is not None:
            continue  # a point once more, by reference
        name = row.get("name") or row.get("oID") or ""
        if not name:
            faults.error(reader.where(row), "a name", "nothing")
        north, east, level = reader.numbers(row, 3, "northing, easting and level")[:3]
        names.append(name)
        places.append((east, north, level))
    if not rows:
        faults.error(path.name, "points (CgPoints / CgPoint)", "none")
    if len(faults.errors) > since:
        return None
    return tuple(names), np.array(places) * units.length


def cg_points_table(path: Path, faults: Faults) -> bytes | None:
    """Return the points of a file as the text of a table of points; None with the reason in `faults`.

    Coordinates are in m, whatever the unit of the file.
    """
    told = read_cg_points(path, faults)
    if told is None:
        return None
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["point", "easting_m", "northing_m", "level_m"])
    names, xyz = told
    rows.writerows([" ".join(name.split()), *map(repr, place)] for name, place in zip(names, xyz.tolist(), strict=True))
    return text.getvalue().encode()
