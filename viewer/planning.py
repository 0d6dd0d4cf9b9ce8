"""From what the command line asks for to planned set-ups: files, options, instrument class."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.errors import ChainageError, Fault, Faults, InputError
from geometry.exchange.cells import near
from geometry.exchange.control_files import (
    CONTROL_FILE,
    PlannedPlaces,
    beside_line,
    read_control_and_given,
    read_places,
)
from geometry.exchange.project import Project, digest
from geometry.exchange.prospect_tables import (
    control_sight_table,
    line_of,
    position_table,
    seen_corner_table,
    seen_joint_table,
    seen_slab_table,
)
from geometry.exchange.results import Columns
from geometry.exchange.settings import InstrumentSettings
from geometry.exchange.workbook_sheets import table_file
from geometry.placement.expected_setup import LEAST_PLAN, SightPlan, within_range
from geometry.placement.prospect import Prospect, prospect
from geometry.placement.prospect_findings import ProspectFinding, prospect_findings
from geometry.survey.readings import Control, Instrument

__all__ = ["CLASSES", "Planned", "control_path", "planned_setups"]

_SECOND = math.radians(1 / 3600)
# seconds of arc of direction and zenith angle (mean of two faces), mm and ppm of distances (common practice)
CLASSES: Final[dict[str, tuple[float, float, float, float]]] = {
    "0.5": (0.5, 0.5, 0.6, 1.0), "1": (1.0, 1.0, 1.0, 1.0), "2": (2.0, 2.0, 2.0, 2.0),
}  # fmt: skip
_CLASS_VALUES = ("direction_arcsec", "zenith_arcsec", "distance_mm", "distance_ppm")
_SETTINGS = {
    "direction_arcsec": "sigma_direction_arcsec", "zenith_arcsec": "sigma_zenith_arcsec",
    "distance_mm": "sigma_distance_mm", "distance_ppm": "ppm", "centring_mm": "centring_mm",
    "prism_height_mm": "target_height_mm", "control_plan_mm": "control_sigma_plan_mm",
    "control_level_mm": "control_sigma_level_mm",
}  # fmt: skip
_ASSUMED = " (assumed)"
_WORDS = {
    "direction_arcsec": 'directions {:g}"', "zenith_arcsec": 'zenith angles {:g}"', "distance_mm": "distances {:g} mm",
    "distance_ppm": "and {:g} ppm", "centring_mm": "prisms {:g} mm off their points in plan",
    "prism_height_mm": "{:g} mm in height",
}  # fmt: skip
_BESIDE = np.array([1000.0, 1000.0, 200.0])  # control points further from all slabs are not of this project, m


@dataclass(frozen=True, eq=False)
class Planned:
    """Everything that a page of planned set-ups tells.

    Attributes
    ----------
    project : Project
    names : tuple of str
        Of the positions.
    control : Control
    plan : SightPlan
    room : float
        Part of the half tolerance that has to be left.
    seen : Prospect
    findings : tuple of ProspectFinding
    granted : tuple of str
        What was taken for granted.
    inputs : dict of str to str
        SHA-256 of the files read beside the project's.
    warnings : tuple of Fault
    """

    project: Project
    names: tuple[str, ...]
    control: Control
    plan: SightPlan
    room: float
    seen: Prospect
    findings: tuple[ProspectFinding, ...]
    granted: tuple[str, ...]
    inputs: dict[str, str]
    warnings: tuple[Fault, ...]

    def tables(self) -> dict[str, Columns]:
        """Return every table by its key in the document, the best position first."""
        of = (self.project, self.names, self.seen)
        return {
            "positions": position_table(*of),
            "slabs": seen_slab_table(*of),
            "corners": seen_corner_table(*of),
            "joints": seen_joint_table(*of),
            "control": control_sight_table(self.names, self.control, self.seen),
        }


def _values(settings: InstrumentSettings, options: Mapping[str, Any]) -> dict[str, tuple[float, str]]:
    """Return each value of instrument and control, by option, class or project, and what to say if it is assumed."""
    given = settings.model_fields_set
    values: dict[str, tuple[float, str]] = {
        name: (float(getattr(settings, key)), "" if key in given else _ASSUMED) for name, key in _SETTINGS.items()
    }
    if options["instrument"] is not None:
        values |= {name: (value, _ASSUMED) for name, value in zip(
            _CLASS_VALUES, CLASSES[options["instrument"]], strict=True)}  # fmt: skip
    return values | {name: (options[name], "") for name in values if options[name] is not None}


def _plan(values: Mapping[str, tuple[float, str]], refraction: float, options: Mapping[str, Any]) -> SightPlan:
    value = {name: number for name, (number, _) in values.items()}
    return SightPlan(
        instrument=Instrument(
            sigma_direction=value["direction_arcsec"] * _SECOND,
            sigma_zenith=value["zenith_arcsec"] * _SECOND,
            sigma_distance=value["distance_mm"] / 1e3,
            ppm=value["distance_ppm"],
            centring=value["centring_mm"] / 1e3,
            target_height=value["prism_height_mm"] / 1e3,
        ),
        rounds=options["rounds"],
        mark_rounds=options["mark_rounds"],
        control_range=(options["range_min"], options["range_max"]),
        mark_range=(min(SightPlan().mark_range[0], options["reach"] / 2), options["reach"]),
        steep=math.radians(options["steep_deg"]),
        grazing=math.radians(options["grazing_deg"]),
        refraction=refraction,
    )


def _granted(values: Mapping[str, tuple[float, str]], plan: SightPlan, assumed_points: int) -> tuple[str, ...]:
    """Return in words what the numbers rest on, and what of it is assumed only."""
    parts = [words.format(values[name][0]) + values[name][1] for name, words in _WORDS.items()]
    low, high = plan.control_range
    told = [
        f"Standard uncertainties, mean of two faces: {', '.join(parts)}.",
        f"Control points are sighted in {plan.rounds:g} round{'s' * (plan.rounds != 1)} if {low:g} to {high:g} m away "
        f"or named, slab marks in {plan.mark_rounds:g} up to {plan.mark_range[1]:g} m; all marks of a slab from one "
        f"set-up.",
        f"Refraction coefficient {plan.refraction:g}, the same for all sights; its changes near the ground are not in "
        f"the uncertainties.",
    ]
    if assumed_points:
        (in_plan, from_plan), (level, from_level) = values["control_plan_mm"], values["control_level_mm"]
        told.append(
            f"{assumed_points} control point{'s' * (assumed_points != 1)} without all sigmas: {in_plan:g} mm in "
            f"plan{from_plan}, {level:g} mm in level{from_level}."
        )
    return tuple(told)


def control_path(project: Path, given: Path | None) -> Path:
    """Return the file of control points: the given one, or that of the project."""
    return table_file(project / CONTROL_FILE) if given is None else given


def planned_setups(project: Project, options: Mapping[str, Any]) -> Planned:
    """Return what the planned set-ups of a command can decide.

    Parameters
    ----------
    project : Project
    options : mapping
        Of the command line.

    Raises
    ------
    InputError
        With every fault of files and options together.
    """
    faults = Faults()
    if not len(project.layout.names):
        raise InputError([Fault(str(project.folder), "at least one slab in the layout", "none",
                                "slabpose layout says why")])  # fmt: skip
    path = control_path(project.folder, options["control"])
    values = _values(project.settings.instrument, options)
    in_plan, level = values["control_plan_mm"][0] / 1e3, values["control_level_mm"][0] / 1e3
    if path.is_file() or options["control"] is not None:
        control, has = read_control_and_given(path, faults, (in_plan, in_plan, level), _bounds(project))
    else:
        faults.error(str(path), "a file of control points", "none", "name it with --control FILE")
        control, has = Control((), np.zeros((0, 3)), np.zeros((0, 3))), np.zeros((0, 3), dtype=bool)
    places = _places(project, options, faults)
    if not options["range_min"] < options["range_max"]:
        faults.error("--range-min and --range-max", "the shorter sight first",
                     f"{options['range_min']:g} and {options['range_max']:g}")  # fmt: skip
    for name in options["sight"] if len(control) else ():
        if name not in control.names:
            faults.error("--sight", f"a control point of {path.name}", repr(name), near(name, control.names))
    faults.stop_if_any()
    plan = _plan(values, project.settings.instrument.refraction, options)
    named = np.isin(np.array(control.names, dtype=object), list(options["sight"]))
    sighted = np.tile(named, (len(places.names), 1)) if named.any() else within_range(places.xyz, control, plan)
    _tell_upright(places, control, sighted, faults)
    faults.stop_if_any()
    room = options["left_percent"] / 100
    seen = prospect(places.xyz, control, sighted, line_of(project), project.check_rules, plan, room)
    findings = prospect_findings(seen, control, project.layout.names, project.check_rules, plan)
    lacking = int((~has[np.unique(seen.setups.target)]).any(axis=1).sum())
    files = [path, *([options["candidates"]] if options["candidates"] is not None else [])]
    return Planned(
        project, places.names, control, plan, room, seen, findings, _granted(values, plan, lacking),
        {file.name: digest(file) for file in files}, tuple(faults.warnings),
    )  # fmt: skip


def _bounds(project: Project) -> tuple[Floats, Floats]:
    """Return the smallest and largest coordinates that a control point of the project may have, m."""
    centre = project.targets.position
    return centre.min(axis=0) - _BESIDE, centre.max(axis=0) + _BESIDE


def _places(project: Project, options: Mapping[str, Any], faults: Faults) -> PlannedPlaces:
    """Return the planned positions, from a file or from one chainage with offset and height."""
    here = {"--at-chainage": options["chainage"], "--offset": options["offset"], "--height": options["height"]}
    given = [name for name, value in here.items() if value is not None]
    nothing = PlannedPlaces((), np.zeros((0, 3)))
    if options["candidates"] is not None:
        if given:
            faults.error(" and ".join(given), "a position, or else a file of --candidates", "both")
        return read_places(options["candidates"], project.alignment, project.count, faults)
    if len(given) < len(here):
        lacking = ", ".join(name for name in here if name not in given)
        faults.error(
            lacking if given else "--at-chainage, --offset and --height",
            "a value" if given else "a planned position",
            "none",
            "chainage, offset and height belong together" if given else "or a file with --candidates",
        )
        return nothing  # fmt: skip
    try:
        distance = float(project.count.to_distance(options["chainage"]))
    except ChainageError as fault:
        faults.error("--at-chainage", "a chainage that names one place", str(fault))
        return nothing
    values = (np.array([value]) for value in (distance, options["offset"], options["height"]))
    return PlannedPlaces(("planned",), beside_line(project.alignment, *values))


def _tell_upright(places: PlannedPlaces, control: Control, sighted: npt.NDArray[np.bool_], faults: Faults) -> None:
    apart = control.xyz[None, :, :2] - places.xyz[:, None, :2]
    over = sighted & (np.hypot(apart[..., 0], apart[..., 1]) < LEAST_PLAN)
    for place, point in np.argwhere(over).tolist():
        faults.error("--sight", f"control points beside the instrument at {places.names[place]}",
                     f"{control.names[point]} straight over or under it")  # fmt: skip
