"""An alignment as IFC 4.3: segments that say what they are, the curve beside them, chainages as referents."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from geometry.alignment import Alignment, ChainageCount, format_chainage, position

from .ifc_cant import CANT_TYPES
from .ifc_curves import curve_segment, plan_segments, profile_segments, straight_curve
from .ifc_files import SCHEMA, library, new_id
from .ifc_horizontal import HORIZONTAL_TYPES
from .ifc_vertical import VERTICAL_TYPES

__all__ = ["ifc_model", "write_alignment"]

_PLAN: Final = {law: name for name, law in HORIZONTAL_TYPES.items()}
_PROFILE: Final = {law: name for name, law in VERTICAL_TYPES.items()}
_CANT: Final = {law: name for name, law in CANT_TYPES.items()}


def ifc_model(name: str, made: Any) -> tuple[Any, Any, Any]:
    """Return a new file with project, site and units (m, rad), its site, and the context of axes.

    Parameters
    ----------
    name : str
    made : mapping
        Program, version and time; see `results.made_from`.
    """
    ifcopenshell = library()
    import ifcopenshell.api.context as contexts
    import ifcopenshell.api.unit as units
    from ifcopenshell.api import root

    model = ifcopenshell.file(schema=SCHEMA)
    header = model.header.file_name
    header.name, header.originating_system = name, str(made["program"])
    header.time_stamp = str(made["made_at"])[:19]
    project = root.create_entity(model, ifc_class="IfcProject", name=name)
    units.assign_unit(model, units=[
        model.create_entity("IfcSIUnit", UnitType="LENGTHUNIT", Name="METRE"),
        model.create_entity("IfcSIUnit", UnitType="AREAUNIT", Name="SQUARE_METRE"),
        model.create_entity("IfcSIUnit", UnitType="VOLUMEUNIT", Name="CUBIC_METRE"),
        model.create_entity("IfcSIUnit", UnitType="PLANEANGLEUNIT", Name="RADIAN"),
    ])  # fmt: skip
    whole = contexts.add_context(model, context_type="Model")
    axis = contexts.add_context(
        model, context_type="Model", context_identifier="Axis", target_view="MODEL_VIEW", parent=whole
    )
    site = root.create_entity(model, ifc_class="IfcSite", name=name)
    from ifcopenshell.api import aggregate

    aggregate.assign_object(model, products=[site], relating_object=project)
    return model, site, axis


def _placement(model: Any, xyz: Any = (0.0, 0.0, 0.0)) -> Any:
    point = model.createIfcCartesianPoint(tuple(float(v) for v in xyz))
    return model.createIfcLocalPlacement(None, model.createIfcAxis2Placement3D(point, None, None))


def write_alignment(model: Any, site: Any, axis: Any, alignment: Alignment, count: ChainageCount, name: str) -> Any:
    """Add an alignment to a file.

    Returns
    -------
    entity
        The IfcAlignment; its curve, an IfcGradientCurve, carries placements along it. Cant stands in the segments
        only: what it means in a curve has changed between revisions of the schema.
    """
    line = model.createIfcAlignment(new_id(), None, name, None, None, _placement(model), None, None)
    plan, profile, cant = _layouts(model, line, alignment)
    pieces = plan_segments(model, alignment)
    levels = profile_segments(model, alignment)
    _zero_end(model, alignment, pieces, levels)
    flat = [segment for group in pieces for segment in group]
    curve = model.createIfcCompositeCurve(flat, False)
    gradient = model.createIfcGradientCurve(levels, False, curve, None)
    shape = model.createIfcShapeRepresentation(axis, "Axis", "Curve3D", [gradient])
    flat_shape = model.createIfcShapeRepresentation(axis, "FootPrint", "Curve2D", [curve])
    line.Representation = model.createIfcProductDefinitionShape(None, None, [shape, flat_shape])
    _segments(model, plan, _plan_parameters(model, alignment), "plan", axis, pieces)
    _segments(model, profile, _profile_parameters(model, alignment), "profile", axis, [[s] for s in levels])
    _segments(model, cant, _cant_parameters(model, alignment), "cant", axis, None)
    _stations(model, line, gradient, alignment, count)
    model.createIfcRelContainedInSpatialStructure(new_id(), None, None, None, [line], site)
    return line


def _layouts(model: Any, line: Any, alignment: Alignment) -> tuple[Any, Any, Any]:
    plan = model.createIfcAlignmentHorizontal(new_id(), None, "plan", None, None, None, None)
    profile = model.createIfcAlignmentVertical(new_id(), None, "profile", None, None, None, None)
    cant = model.createIfcAlignmentCant(new_id(), None, "cant", None, None, None, None, alignment.rules.cant_base)
    model.createIfcRelNests(new_id(), None, None, None, line, [plan, profile, cant])
    return plan, profile, cant


def _zero_end(model: Any, alignment: Alignment, pieces: list[list[Any]], levels: list[Any]) -> None:
    """Add the segments without length that mark the ends of the curves."""
    x, y, z = position(alignment, alignment.length).tolist()
    bearing = float(alignment.track.bearing.end[-1])
    pieces.append([curve_segment(model, (x, y), math.pi / 2 - bearing, 0.0, 0.0, straight_curve(model))])
    slope = math.atan(float(alignment.profile_curve(alignment.length, 1)[0]))
    levels.append(curve_segment(model, (alignment.length, z), slope, 0.0, 0.0, straight_curve(model)))
    for group in ([s for g in pieces for s in g], levels):
        group[-1].Transition = "DISCONTINUOUS"
        for segment in group[:-1]:
            segment.Transition = "CONTSAMEGRADIENT"


def _segments(
    model: Any, layout: Any, parameters: list[Any], name: str, axis: Any, curves: list[list[Any]] | None
) -> None:  # fmt: skip
    """Nest segments in a layout; those with curves carry them as their own representation."""
    rows = []
    for number, given in enumerate(parameters, start=1):
        shape = None
        if curves is not None:
            items = [model.createIfcShapeRepresentation(axis, "Axis", "Segment", curves[number - 1])]
            shape = model.createIfcProductDefinitionShape(None, None, items)
        placement = _placement(model) if shape is not None else None
        rows.append(
            model.createIfcAlignmentSegment(new_id(), None, f"{name} {number}", None, None, placement, shape, given)
        )
    model.createIfcRelNests(new_id(), None, None, None, layout, rows)


def _plan_parameters(model: Any, alignment: Alignment) -> list[Any]:
    track, rows = alignment.track, []
    places = track.position.start + np.array(track.origin)
    for k, element in enumerate(alignment.horizontal):
        radii = [0.0 if c == 0 else -1 / c for c in (element.curvature_start, element.curvature_end)]
        direction = (math.pi / 2 - float(track.bearing.start[k])) % (2 * math.pi)
        gravity = alignment.rules.gravity_height if element.kind == "viennese" else None
        # a cubic's length is that of its curve, whatever it was given by
        rows.append(model.createIfcAlignmentHorizontalSegment(
            None, None, model.createIfcCartesianPoint(tuple(places[k].tolist())), direction, *radii,
            float(track.starts[k + 1] - track.starts[k]), gravity, _PLAN[element.kind],
        ))  # fmt: skip
    end = (track.position.end[-1] + np.array(track.origin)).tolist()
    direction = (math.pi / 2 - float(track.bearing.end[-1])) % (2 * math.pi)
    rows.append(model.createIfcAlignmentHorizontalSegment(
        None, None, model.createIfcCartesianPoint(tuple(end)), direction, 0.0, 0.0, 0.0, None, "LINE",
    ))  # fmt: skip
    return rows


def _profile_parameters(model: Any, alignment: Alignment) -> list[Any]:
    rows = []
    for e in alignment.vertical:
        level = float(alignment.profile_curve(max(e.start, 0.0))[0])
        change = e.gradient_end - e.gradient_start
        radius = None
        if e.kind == "parabola":
            radius = e.length / change
        elif e.kind == "arc":
            radius = e.length / (math.sin(math.atan(e.gradient_end)) - math.sin(math.atan(e.gradient_start)))
        rows.append(model.createIfcAlignmentVerticalSegment(
            None, None, e.start, e.length, level, e.gradient_start, e.gradient_end, radius, _PROFILE[e.kind],
        ))  # fmt: skip
    last = alignment.vertical[-1]
    level, slope = float(alignment.profile_curve(alignment.length)[0]), last.gradient_end
    rows.append(model.createIfcAlignmentVerticalSegment(
        None, None, last.start + last.length, 0.0, level, slope, slope, None, "CONSTANTGRADIENT",
    ))  # fmt: skip
    return rows


def _cant_parameters(model: Any, alignment: Alignment) -> list[Any]:
    def rails(cant: float) -> tuple[float, float]:
        """Return the heights of the left and the right rail over the profile."""
        if alignment.rules.pivot == "centre":
            return cant / 2, -cant / 2
        return (cant, 0.0) if cant > 0 else (0.0, -cant)

    rows = []
    for e in alignment.cant:
        (left, right), (left_end, right_end) = rails(e.cant_start), rails(e.cant_end)
        rows.append(model.createIfcAlignmentCantSegment(
            None, None, e.start, e.length, left, left_end, right, right_end, _CANT[e.kind],
        ))  # fmt: skip
    last = alignment.cant[-1]
    left, right = rails(last.cant_end)
    rows.append(model.createIfcAlignmentCantSegment(
        None, None, last.start + last.length, 0.0, left, left, right, right, "CONSTANTCANT",
    ))  # fmt: skip
    return rows


def _stations(model: Any, line: Any, curve: Any, alignment: Alignment, count: ChainageCount) -> None:
    """Nest a referent at the start and at every chainage equation."""
    rows = []
    for k, (distance, station) in enumerate(zip(count.starts[:-1].tolist(), count.first.tolist(), strict=True)):
        values = [_property(model, "Station", station)]
        if k:
            values.append(_property(model, "IncomingStation", count.first[k - 1] + distance - count.starts[k - 1]))
        point = model.createIfcPointByDistanceExpression(
            model.createIfcLengthMeasure(distance), None, None, None, curve
        )  # fmt: skip
        xyz = position(alignment, distance).tolist()
        fallback = model.createIfcAxis2Placement3D(model.createIfcCartesianPoint(tuple(xyz)), None, None)
        place = model.createIfcLinearPlacement(None, model.createIfcAxis2PlacementLinear(point, None, None), fallback)
        referent = model.createIfcReferent(
            new_id(), None, format_chainage(station), None, None, place, None, "STATION"
        )  # fmt: skip
        table = model.createIfcPropertySet(new_id(), None, "Pset_Stationing", None, values)
        model.createIfcRelDefinesByProperties(new_id(), None, None, None, [referent], table)
        rows.append(referent)
    model.createIfcRelNests(new_id(), None, None, None, line, rows)


def _property(model: Any, name: str, value: float) -> Any:
    return model.createIfcPropertySingleValue(name, None, model.createIfcLengthMeasure(float(value)), None)
