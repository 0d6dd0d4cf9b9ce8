"""From a checked project to the plain arrays that pictures are drawn from."""

from __future__ import annotations

import numpy as np
import shapely

from geometry.alignment import position, track_frame
from geometry.alignment.frames import to_grid
from geometry.exchange.project import Project
from geometry.exchange.results import anchor_table
from geometry.placement import SectionCheck
from geometry.slabs import outline

from .section import Section, Structure
from .terminal import visible

__all__ = ["section_of"]

_RAIL_STEP = 1.0  # spacing of points along a drawn rail, m
_AXIS_STEP = 5.0


def section_of(project: Project, check: SectionCheck, subtitle: str = "") -> Section:
    """Return the section of a project as pictures need it.

    Parameters
    ----------
    project : Project
    check : SectionCheck
        The check of all slabs of the project's layout.
    subtitle : str
        What it was made from.
    """
    layout, targets, bed = project.layout, project.targets, project.settings.bed
    rules = project.alignment.rules
    first = max(0.0, float(layout.distance[0]) - 10.0)
    last = min(project.alignment.length, float(layout.distance[-1]) + 10.0)
    along = np.linspace(first, last, max(2, int((last - first) / _RAIL_STEP) + 1))
    frame = track_frame(project.alignment, along)
    sides = np.array([[-1.0, 0, 0], [1.0, 0, 0]]) * rules.cant_base / 2
    rails = to_grid(frame.position, frame.rotation, sides, rules.grid_scale)
    axis = np.linspace(first, last, max(2, int((last - first) / _AXIS_STEP) + 1))
    anchors = anchor_table(project)
    limits: dict[str, float] = {
        t.quantity: max(abs(t.low), abs(t.high)) * 1e3
        for t in project.check_rules.tolerances
        if t.quantity in ("across", "along", "up")
    }
    thickness = [t.thickness for t in project.types]
    return Section(
        title=visible(project.settings.name),
        subtitle=subtitle,
        slab_names=layout.names,
        chainage=project.chainage,
        distance=layout.distance,
        type_index=layout.type_index,
        outlines=tuple(shapely.get_coordinates(outline(t).exterior)[:-1] for t in project.types),
        thickness=tuple(thickness),
        marks=tuple(t.marks.places for t in project.types),
        target_position=targets.position,
        target_rotation=targets.rotation,
        built_position=check.fits.position,
        built_rotation=check.fits.rotation,
        corner_deviation_mm=check.deviation * 1e3,
        verdict=check.verdict.astype(np.int64),
        tolerance_mm=limits,
        rail_left=rails[:, 0],
        rail_right=rails[:, 1],
        axis=position(project.alignment, axis),
        axis_chainage=project.count.to_chainage(axis),
        bed_depth=max(thickness) + bed.mortar_nominal_mm / 1e3,
        bed_width=bed.width_m,
        anchor_position=np.stack([anchors[f"{name}_m"] for name in ("easting", "northing", "level")], axis=1),
        anchor_radius=bed.anchor_radius_mm / 1e3,
        anchor_height=bed.anchor_height_mm / 1e3,
        structures=tuple(Structure(visible(s.name), visible(s.kind), s.start, s.end) for s in project.spans),
        bed_follows_cant=bed.follows_cant,
    )
