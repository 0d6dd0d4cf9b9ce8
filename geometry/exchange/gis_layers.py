"""A project as layers of a map: slabs, marks, joints, anchors, the line; every column with its unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.polygon import orient

from geometry.alignment.frames import angles, to_grid
from geometry.alignment.laws import Floats
from geometry.placement import SectionCheck
from geometry.slabs import outline
from geometry.survey.points import Ints

from .drawn_line import centre_line, chainage_marks, places_on_line
from .project import Project
from .results import (
    Columns,
    anchor_table,
    corner_table,
    joint_table,
    slab_table,
    target_corner_table,
    target_table,
)

__all__ = ["MapLayer", "map_layers"]


@dataclass(frozen=True, eq=False)
class MapLayer:
    """Things of one kind on a map.

    Attributes
    ----------
    name : str
    kind : str
        "Polygon", "LineString" or "Point"; all with levels.
    shapes : ndarray of shapely geometry, shape (k,)
        Easting, northing, level, m.
    table : mapping of str to ndarray, shape (k,)
    """

    name: str
    kind: str
    shapes: npt.NDArray[np.object_]
    table: Columns


def map_layers(project: Project, check: SectionCheck | None) -> list[MapLayer]:
    """Return the layers of a project; what was built and how it deviates only where there is a check."""
    slabs = target_table(project)
    verdicts = {} if check is None else slab_table(project, check)
    targets = project.targets
    marks = target_corner_table(project)
    if check is not None:
        seen = {name: column for name, column in corner_table(project, check).items() if name not in ("slab", "corner")}
        for axis in ("easting", "northing", "level"):
            seen[f"surveyed_{axis}_m"] = seen.pop(f"{axis}_m")
        marks |= seen
    every = np.arange(len(project.layout.names))
    layers = [
        MapLayer("slabs_target", "Polygon", _outlines(project, targets.position, targets.rotation, every),
                 slabs | verdicts),
        MapLayer("marks", "Point", _points(marks), marks),
    ]  # fmt: skip
    if check is not None:
        layers[1:1] = [_built(project, check, verdicts)]
        joints = joint_table(project, check)
        middle = (targets.position[check.joints.rear] + targets.position[check.joints.front]) / 2
        layers.append(MapLayer("joints", "Point", shapely.points(middle), joints))
    anchors = anchor_table(project)
    line = centre_line(project)
    ends = project.count.to_chainage(np.array([0.0, project.alignment.length]))
    named = {
        "name": np.array([project.settings.name], dtype=object), "chainage_start_m": ends[:1],
        "chainage_end_m": ends[1:], "length_m": np.array([project.alignment.length]),
    }  # fmt: skip
    chainages = chainage_marks(project.count, project.alignment.length)
    places, bearing = places_on_line(project, chainages.distance, np.zeros((1, 3)))
    told = {
        "chainage": chainages.text, "chainage_m": chainages.chainage, "distance_m": chainages.distance,
        "bearing_deg": np.degrees(bearing) % 360,
    }  # fmt: skip
    return [
        *layers,
        MapLayer("anchors", "Point", _points(anchors), anchors),
        MapLayer("centre_line", "LineString", np.array([shapely.linestrings(line)], dtype=object), named),
        MapLayer("chainage", "Point", shapely.points(places[:, 0]), told),
    ]


def _points(table: Columns) -> npt.NDArray[np.object_]:
    points: npt.NDArray[np.object_] = shapely.points(
        np.stack([table[f"{axis}_m"] for axis in ("easting", "northing", "level")], axis=1)
    )
    return points


def _outlines(project: Project, position: Floats, rotation: Floats, slabs: Ints) -> npt.NDArray[np.object_]:
    """Return the edge of the top face of slabs that lie as said; the rings run anticlockwise."""
    shapes: npt.NDArray[Any] = np.empty(len(slabs), dtype=object)
    kinds = project.layout.type_index[slabs]
    for index, slab_type in enumerate(project.types):
        rows = np.flatnonzero(kinds == index)
        ring = shapely.get_coordinates(orient(outline(slab_type)).exterior)
        local = np.column_stack([ring, np.zeros(len(ring))])
        where = slabs[rows]
        shapes[rows] = shapely.polygons(
            to_grid(position[where], rotation[where], local, project.alignment.rules.grid_scale)
        )
    return shapes


def _built(project: Project, check: SectionCheck, verdicts: Columns) -> MapLayer:
    """Return the slabs that were measured, as they lie."""
    slabs = np.flatnonzero(check.fits.determined)
    position, rotation = check.fits.position, check.fits.rotation
    bearing, pitch, roll = angles(rotation[slabs])
    pose = {
        "easting_m": position[slabs, 0], "northing_m": position[slabs, 1], "level_m": position[slabs, 2],
        "bearing_deg": np.degrees(bearing), "built_pitch_mrad": pitch * 1e3, "built_roll_mrad": roll * 1e3,
    }  # fmt: skip
    table = {name: column[slabs] for name, column in verdicts.items()} | pose
    return MapLayer("slabs_built", "Polygon", _outlines(project, position, rotation, slabs), table)
