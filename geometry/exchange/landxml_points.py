"""Points of LandXML 1.2 files (CgPoints), and what each of them is good for.

The schema lets a point say its role (``SurveyRoleType``) and whether it exists yet (``StateType``). A point to stake
out is designed: taken for a measured one it would put every slab within. A control point is none of a slab. A
destroyed one carries nothing any more.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal, cast

import numpy as np

from geometry.alignment.laws import Floats
from geometry.errors import Faults

from .landxml_units import Reader, units_of
from .xml_files import Element, element_name, read_xml

__all__ = ["CONTROL", "MEASURED", "STANDARD_ERRORS", "TO_STAKE_OUT", "CgPoints", "PointsFor", "cg_points_table",
           "marked_control", "read_cg_points"]  # fmt: skip

PointsFor = Literal["survey", "control", "any"]
"""What points are wanted for: measured ones, control points, or every point there is."""
CONTROL: Final = "control point"
TO_STAKE_OUT: Final = "to stake out"
MEASURED: Final = "measured"
"""Roles of points, as the schema calls them."""
_PROPOSED: Final = "proposed"
_GONE: Final = ("abandoned", "destroyed")
STANDARD_ERRORS: Final = ("eastingStdError", "northingStdError", "elevationStdError")
_SIGMAS: Final = ("sigma_easting_mm", "sigma_northing_mm", "sigma_level_mm")
_WANTED: Final = {"survey": "surveyed points", "control": "control points", "any": "points"}
_WORDS: Final = {CONTROL: "control point{}", TO_STAKE_OUT: "point{} to stake out", "": "other point{}",
                 **{state: f"{state} point{{}}" for state in _GONE}}  # fmt: skip


@dataclass(frozen=True, eq=False)
class CgPoints:
    """Points of a file.

    Attributes
    ----------
    names : tuple of str
    xyz : ndarray, shape (p, 3)
        Easting, northing, level, m.
    sigma : ndarray, shape (p, 3)
        Standard error of each coordinate, m; nan where the file gives none.
    lines : tuple of int
        Line of the file that each stands on.
    """

    names: tuple[str, ...]
    xyz: Floats
    sigma: Floats
    lines: tuple[int, ...]


def _stands_for(row: Element) -> str:
    """Return what a point is: control, to stake out, gone, or "" for any other."""
    role, parent = row.get("role", ""), row.getparent()
    state = row.get("state") or ("" if parent is None else parent.get("state", ""))
    if state in _GONE:
        return state
    if role == CONTROL:
        return CONTROL
    return TO_STAKE_OUT if role == TO_STAKE_OUT or (state == _PROPOSED and not role) else ""


def _chosen(rows: Sequence[Element], wanted: PointsFor, file: str, faults: Faults) -> list[Element]:
    """Return the points that are wanted, and tell how many others are left out, or that there are only others."""
    if wanted == "any":
        return list(rows)
    kinds = [_stands_for(row) for row in rows]
    good = CONTROL if wanted == "control" and CONTROL in kinds else ""
    chosen = [row for row, kind in zip(rows, kinds, strict=True) if kind == good]
    others = Counter(kind for kind in kinds if kind != good)
    if others:
        found = " and ".join(f"{count} {_WORDS[kind].format('s' * (count > 1))}" for kind, count in others.items())
        if chosen:
            faults.warn(file, _WANTED[wanted], f"{len(chosen)} of them beside {found}", "the others are left out")
        else:
            hint = "where slabs belong says nothing of where they lie" if TO_STAKE_OUT in others else ""
            faults.error(file, _WANTED[wanted], f"only {found}", hint)
    return chosen


def read_cg_points(path: Path, faults: Faults, wanted: PointsFor = "any") -> CgPoints | None:
    """Read the points of a file that are wanted.

    Parameters
    ----------
    path : Path
    faults : Faults
        Takes what is wrong, and what is left out.
    wanted : {"any", "survey", "control"}
        For a survey neither control points nor those to stake out; for control only control points if the file marks
        any, else all but those to stake out. Abandoned and destroyed points are for neither.

    Returns
    -------
    CgPoints, or None if there are faults, or no points.
    """
    root = read_xml(path, faults)
    units = None if root is None else units_of(root, path.name, faults)
    if root is None or units is None:
        return None
    reader, since = Reader(path.name, units, faults), len(faults.errors)
    rows = [e for e in root.iter() if isinstance(e.tag, str) and element_name(e) == "CgPoint"]
    rows = [row for row in rows if row.get("pntRef") is None]  # the others are points once more, by reference
    if not rows:
        faults.error(path.name, "points (CgPoints / CgPoint)", "none")
    rows = _chosen(rows, wanted, path.name, faults)
    names, places, sigmas = [], [], []
    for row in rows:
        name = " ".join((row.get("name") or row.get("oID") or "").splitlines()).strip()
        if not name:
            faults.error(reader.where(row), "a name", "nothing")
        north, east, level = reader.numbers(row, 3, "northing, easting and level")[:3]
        names.append(name)
        places.append((east, north, level))
        sigmas.append([reader.length(row, error, needed=False) for error in STANDARD_ERRORS])
    if len(faults.errors) > since:
        return None
    lines = tuple(int(cast(Any, row).sourceline or 0) for row in rows)
    return CgPoints(tuple(names), np.array(places) * units.length, np.array(sigmas), lines)


def cg_points_table(path: Path, faults: Faults, wanted: PointsFor = "any") -> bytes | None:
    """Return the points of a file as the text of a table of points; None with the reason in `faults`.

    Coordinates are in m, whatever the unit of the file. Each row stands on the line on which its point stands in the
    file, as far as every point has a line of its own.
    """
    points = read_cg_points(path, faults, wanted)
    if points is None:
        return None
    sigma = points.sigma * 1e3
    if wanted == "control" and (sigma == 0).any():
        faults.warn(path.name, "standard errors of control points, or none where they are not known",
                    f"{int((sigma == 0).sum())} of 0", "those coordinates are held fixed")  # fmt: skip
    elif wanted == "survey":  # nothing is measured without error: many a program writes 0 for not known
        sigma = np.where(sigma == 0, np.nan, sigma)
    given = [i for i in range(3) if np.isfinite(sigma[:, i]).any()]
    rows = [",".join(("point", "easting_m", "northing_m", "level_m", *(_SIGMAS[i] for i in given)))]
    apart = all(b > a for a, b in zip((1, *points.lines[:-1]), points.lines, strict=True))
    for name, place, own, line in zip(points.names, points.xyz.tolist(), sigma.tolist(), points.lines, strict=True):
        rows += [""] * (line - len(rows) - 1 if apart else 0)
        # in quotes nothing in a name is a sign of the table
        quoted = '"' + name.replace('"', '""') + '"'
        rows.append(",".join((quoted, *map(repr, place), *(_rounded(own[i]) for i in given))))
    return "\n".join([*rows, ""]).encode("utf-8", "replace")


def marked_control(path: Path, faults: Faults) -> bytes | None:
    """Return the table of the points that a file marks as control points; None if there are none, or with the reason.

    See `cg_points_table`.
    """
    root = read_xml(path, faults)
    marked = root is not None and any(
        isinstance(e.tag, str) and element_name(e) == "CgPoint" and _stands_for(e) == CONTROL for e in root.iter()
    )  # fmt: skip
    return cg_points_table(path, faults, "control") if marked else None


def _rounded(sigma: float) -> str:
    """Return a sigma in mm without the rounding of its unit; nothing for none."""
    return "" if math.isnan(sigma) else repr(round(sigma, 9))
