"""Planned set-ups as tables: positions, slabs, corners, joints and sights to control points."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from geometry.alignment import project as project_points
from geometry.alignment.laws import Floats
from geometry.placement.prospect import OUTLOOKS, Line, Outlook, Prospect
from geometry.placement.verdict import JOINT_QUANTITIES, SLAB_QUANTITIES, Quantity
from geometry.survey.points import Ints
from geometry.survey.readings import Control

from .project import Project
from .results import Columns

__all__ = ["PROSPECT_DECIMALS", "control_sight_table", "line_of", "position_table", "seen_corner_table",
           "seen_joint_table", "seen_slab_table"]  # fmt: skip

_SECONDS = np.degrees(1.0) * 3600
_AXES = ("easting", "northing", "level")
PROSPECT_DECIMALS = {
    **{f"{q}_{part}_mm": 3 for q in (*SLAB_QUANTITIES, *JOINT_QUANTITIES)
       for part in ("sigma", "left", "own", "by_setup", "pose_sigma", "shift")},
    **{f"sigma_{axis}_mm": 3 for axis in _AXES}, **{f"least_{axis}_mm": 2 for axis in _AXES},
    "ellipse_major_mm": 3, "ellipse_minor_mm": 3, "largest_sigma_mm": 3, "ellipse_bearing_deg": 1,
    "orientation_sigma_arcsec": 2, "least_direction_arcsec": 1, "least_zenith_arcsec": 1, "reach_m": 2,
    "redundancy_direction": 3, "redundancy_zenith": 3, "redundancy_distance": 3,
    "checked_direction": 3, "checked_zenith": 3, "checked_distance": 3, "least_checked": 3,
    "bearing_deg": 4, "zenith_deg": 4, "face_angle_deg": 2, "control_sector_deg": 1,
}  # fmt: skip
"""Decimals of columns that need more or fewer than their unit usually has."""


def line_of(project: Project) -> Line:
    """Return the slabs of a project as `prospect` takes them."""
    layout = project.layout
    return Line(project.targets, project.types, layout.type_index, layout.span, layout.distance)


def _mm(values: Floats) -> Floats:
    return np.asarray(values * 1e3, dtype=np.float64)


def _finite(values: Floats) -> Floats:
    """Return values with nan for what has no limit: files know no infinity."""
    return np.where(np.isfinite(values), values, np.nan)


def _first_of(values: Floats, setup: Ints, count: int, reduce: np.ufunc) -> Floats:
    """Return a value per set-up by minimum or maximum over its rows, nan without any."""
    result = np.full(count, np.inf if reduce is np.minimum else -np.inf)
    reduce.at(result, setup, values)
    return _finite(result)


def position_table(project: Project, names: Sequence[str], seen: Prospect) -> Columns:
    """Return one row per planned position, the best first: expected set-up, and what it can decide."""
    s, order = seen.setups, seen.ranking
    feet = project_points(project.alignment, s.position)
    c = len(s.position)
    major, minor, bearing = s.ellipses()
    sigma = s.sigma
    slabs = np.bincount(seen.setup, minlength=c)
    lowest = _first_of(np.nan_to_num(s.checked.min(axis=1, initial=1.0)), s.setup, c, np.minimum)
    start, end = (_chainage(project, seen, seen.reach[:, side], side) for side in (0, 1))
    any_start, any_end = (_chainage(project, seen, seen.widest_reach[:, side], side) for side in (0, 1))
    table: Columns = {
        "rank": np.argsort(order) + 1,
        "setup": np.array(names),
        "chainage_m": project.count.to_chainage(feet.distance),
        "offset_m": feet.offset,
        "height_m": feet.height,
        "easting_m": s.position[:, 0],
        "northing_m": s.position[:, 1],
        "level_m": s.position[:, 2],
        "control_points": np.bincount(s.setup, minlength=c),
        "control_sector_deg": np.degrees(s.spread),
        "least_checked": np.where(s.determined, lowest, np.nan),
        **{f"sigma_{axis}_mm": _mm(sigma[:, i]) for i, axis in enumerate(_AXES)},
        "orientation_sigma_arcsec": sigma[:, 3] * _SECONDS,
        "ellipse_major_mm": _mm(major),
        "ellipse_minor_mm": _mm(minor),
        "ellipse_bearing_deg": np.degrees(bearing),
        "slabs": slabs,
        "corners_decidable": seen.marks_decidable,
        "reach_m": seen.reach_length,
        "reach_start_chainage_m": start,
        "reach_end_chainage_m": end,
        "any_reach_start_chainage_m": any_start,
        "any_reach_end_chainage_m": any_end,
        "largest_sigma_mm": _mm(_finite(seen.largest_sigma)),
    }
    return {name: values[order] for name, values in table.items()}


def _chainage(project: Project, seen: Prospect, view: Ints, side: int) -> Floats:
    """Return the chainage of the rear (side 0) or front end of slabs seen, nan where there is none."""
    if not len(seen.slab):
        return np.full(len(view), np.nan)
    line = line_of(project)
    slab = seen.slab[view]
    end = line.distance[slab] + (1 if side else -1) * line.half_length[slab]
    return np.where(view >= 0, project.count.to_chainage(np.clip(end, 0.0, project.alignment.length)), np.nan)


def _outlook_columns(outlooks: Mapping[Quantity, Outlook], quantities: Sequence[Quantity]) -> Columns:
    table: Columns = {}
    for q in quantities:
        if q in outlooks:
            table[f"{q}_sigma_mm"] = _mm(outlooks[q].sigma)
            table[f"{q}_left_mm"] = _mm(outlooks[q].left)
            table[f"{q}_outlook"] = np.array(OUTLOOKS)[outlooks[q].state]
    return table


def seen_slab_table(project: Project, names: Sequence[str], seen: Prospect) -> Columns:
    """Return one row per slab and planned position that sees it: expected uncertainty, and what is left."""
    slab = seen.slab
    states = [seen.outlooks[q].state for q in SLAB_QUANTITIES if q in seen.outlooks]
    worst = np.max(states, axis=0) if states else np.zeros(len(slab), dtype=np.int8)
    table: Columns = {
        "setup": np.array(names)[seen.setup],
        "slab": project.layout.names[slab],
        "chainage_m": project.chainage[slab],
        "nearest_m": np.nanmin(seen.distance, axis=1, initial=np.inf),
        "furthest_m": np.nanmax(seen.distance, axis=1, initial=0.0),
        "outlook": np.array(OUTLOOKS)[worst],
    }
    table |= _outlook_columns(seen.outlooks, SLAB_QUANTITIES)
    for i, (name, unit) in enumerate(zip(("across", "along", "up", "pitch", "roll", "yaw"),
                                         ("mm",) * 3 + ("mrad",) * 3, strict=True)):  # fmt: skip
        table[f"{name}_pose_sigma_{unit}"] = _mm(seen.pose_sigma[:, i])
    return table


def seen_corner_table(project: Project, names: Sequence[str], seen: Prospect) -> Columns:
    """Return one row per mark and planned position: the sight, its own and the set-up's part, and the fitted slab's."""
    m = seen.distance.shape[1]
    marks = np.array([[*t.marks.names, *[""] * (m - len(t.marks.names))] for t in project.types])
    corner = marks[project.layout.type_index[seen.slab]].ravel()
    rows = np.flatnonzero(corner != "")
    table: Columns = {
        "setup": np.repeat(np.array(names)[seen.setup], m)[rows],
        "slab": np.repeat(project.layout.names[seen.slab], m)[rows],
        "corner": corner[rows],
        "distance_m": seen.distance.ravel()[rows],
        "zenith_deg": np.degrees(seen.zenith.ravel()[rows]),
        "face_angle_deg": np.degrees(seen.face_angle.ravel()[rows]),
    }
    for i, q in enumerate(SLAB_QUANTITIES):
        table[f"{q}_own_mm"] = _mm(seen.own[..., i].ravel()[rows])
        table[f"{q}_by_setup_mm"] = _mm(seen.common[..., i].ravel()[rows])
        table[f"{q}_sigma_mm"] = _mm(seen.deviation_sigma[..., i].ravel()[rows])
    table["decidable"] = seen.mark_decidable.ravel()[rows]
    return table


def seen_joint_table(project: Project, names: Sequence[str], seen: Prospect) -> Columns:
    """Return one row per joint and planned position that sees the slabs on both sides."""
    j = seen.joints
    rear, front = seen.slab[j.rear], seen.slab[j.front]
    return {
        "setup": np.array(names)[seen.setup[j.front]],
        "rear_slab": project.layout.names[rear],
        "front_slab": project.layout.names[front],
        "at_structure_joint": j.at_structure,
        **_outlook_columns(seen.outlooks, JOINT_QUANTITIES),
    }


def control_sight_table(names: Sequence[str], control: Control, seen: Prospect) -> Columns:
    """Return one row per sight to a control point: how well the others check it, and what may pass unnoticed.

    ``least`` is the smallest error that is found with 80 percent chance at a level of 0.1 percent, empty where
    nothing checks it; ``shift`` is how far it could shift a slab in reach.
    """
    s = seen.setups
    table: Columns = {
        "setup": np.array(names)[s.setup],
        "point": np.array([*control.names, ""])[s.target],
        "distance_m": s.aim.distance,
        "bearing_deg": np.degrees(s.aim.direction),
        "zenith_deg": np.degrees(s.aim.zenith),
    }
    for i, name in enumerate(("direction", "zenith", "distance")):
        table[f"redundancy_{name}"] = s.redundancy[:, i]
        table[f"checked_{name}"] = s.checked[:, i]
    table["least_direction_arcsec"] = _finite(s.smallest_reading[:, 0]) * _SECONDS
    table["least_zenith_arcsec"] = _finite(s.smallest_reading[:, 1]) * _SECONDS
    table["least_distance_mm"] = _mm(_finite(s.smallest_reading[:, 2]))
    for i, axis in enumerate(_AXES):
        table[f"least_{axis}_mm"] = _mm(_finite(s.smallest_point[:, i]))
    for i, q in enumerate(SLAB_QUANTITIES):
        table[f"{q}_shift_mm"] = _mm(_finite(seen.influence[:, i]))
    return table
