"""Slabs in an IFC 4.3 file: track elements at their target, and once more as built, with what the check says."""

from __future__ import annotations

from typing import Any

import numpy as np

from geometry.alignment.laws import Floats
from geometry.placement import SectionCheck
from geometry.slabs import SlabType, outline

from .ifc_files import new_id
from .project import Project
from .results import Columns, slab_table

__all__ = ["write_slabs"]

_KIND = "precast track slab"


def _shape(model: Any, body: Any, slab_type: SlabType) -> Any:
    """Return the solid of a slab type, to be mapped to every slab: its outline drawn down from the top face."""
    ring = np.array(outline(slab_type).exterior.coords)
    points = model.createIfcCartesianPointList2D([[float(x), float(y)] for x, y in ring])
    area = model.createIfcArbitraryClosedProfileDef("AREA", slab_type.name, model.createIfcIndexedPolyCurve(points))
    down = model.createIfcDirection((0.0, 0.0, -1.0))
    top = model.createIfcAxis2Placement3D(model.createIfcCartesianPoint((0.0, 0.0, 0.0)), None, None)
    solid = model.createIfcExtrudedAreaSolid(area, top, down, slab_type.thickness)
    shape = model.createIfcShapeRepresentation(body, "Body", "SweptSolid", [solid])
    return model.createIfcRepresentationMap(top, shape)


def _placement(model: Any, position: Floats, rotation: Floats) -> Any:
    """Return the placement of a slab's frame: z is its up, x its right."""
    point, up, right = (tuple(v.tolist()) for v in (position, rotation[:, 2], rotation[:, 0]))
    axes = model.createIfcDirection(up), model.createIfcDirection(right)
    return model.createIfcLocalPlacement(
        None, model.createIfcAxis2Placement3D(model.createIfcCartesianPoint(point), *axes)
    )  # fmt: skip


def write_slabs(model: Any, site: Any, project: Project, check: SectionCheck | None) -> None:
    """Add the slabs of a project to a file.

    Parameters
    ----------
    model, site : entities
    project : Project
    check : SectionCheck, optional
        Then every determined slab stands once more as built, and both carry deviations and verdict.
    """
    import ifcopenshell.api.context as contexts

    whole = next(c for c in model.by_type("IfcGeometricRepresentationContext", include_subtypes=False))
    body = contexts.add_context(
        model, context_type="Model", context_identifier="Body", target_view="MODEL_VIEW", parent=whole
    )
    maps = [_shape(model, body, slab_type) for slab_type in project.types]
    no_turn = model.createIfcCartesianTransformationOperator3D(
        None, None, model.createIfcCartesianPoint((0.0, 0.0, 0.0)), None, None
    )  # fmt: skip
    targets = project.targets
    groups = [("target", targets.position, targets.rotation, np.ones(len(targets.position), dtype=bool))]
    if check is not None:
        groups.append(("as built", check.fits.position, check.fits.rotation, check.fits.determined))
    table = {} if check is None else slab_table(project, check)
    elements = []
    for words, position, rotation, here in groups:
        rows = np.flatnonzero(here).tolist()
        members = []
        for k in rows:
            kind = int(project.layout.type_index[k])
            item = model.createIfcMappedItem(maps[kind], no_turn)
            shape = model.createIfcShapeRepresentation(body, "Body", "MappedRepresentation", [item])
            name = str(project.layout.names[k])
            members.append(model.createIfcTrackElement(
                new_id(), None, name if words == "target" else f"{name} {words}", project.types[kind].name, _KIND,
                _placement(model, position[k], rotation[k]), model.createIfcProductDefinitionShape(None, None, [shape]),
                name, "USERDEFINED",
            ))  # fmt: skip
            if table:
                _properties(model, members[-1], table, k)
        if members:
            group = model.createIfcGroup(new_id(), None, words, None, None)
            model.createIfcRelAssignsToGroup(new_id(), None, None, None, members, None, group)
        elements += members
    if elements:
        model.createIfcRelContainedInSpatialStructure(new_id(), None, None, None, elements, site)


def _properties(model: Any, element: Any, table: Columns, k: int) -> None:
    """Give an element its verdict and deviations; lengths in m, angles in rad, as the units of the file are."""
    values = []
    for column, given in table.items():
        value = given[k]
        name, _, unit = column.rpartition("_")
        if unit in ("mm", "mrad"):
            if np.isfinite(value):
                measure = model.createIfcLengthMeasure if unit == "mm" else model.createIfcPlaneAngleMeasure
                values.append((name, measure(float(value) / 1e3)))
        elif column in ("verdict", "why") or unit == "verdict":
            if str(value):
                values.append((column, model.createIfcText(str(value))))
        elif column in ("chainage_m", "distance_m"):
            values.append((name, model.createIfcLengthMeasure(float(value))))
    properties = [model.createIfcPropertySingleValue(name, None, value, None) for name, value in values]
    sheet = model.createIfcPropertySet(new_id(), None, "SlabCheck", None, properties)
    model.createIfcRelDefinesByProperties(new_id(), None, None, None, [element], sheet)
