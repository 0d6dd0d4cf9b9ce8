"""What a correction plan of a project has to keep besides its tolerances: chords of the rail, gaps of the mortar."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geometry.errors import Fault, Faults
from geometry.placement import SectionCheck
from geometry.placement.plan.planning import plan_section, standing_of
from geometry.placement.plan.rail_rules import CarriedRail
from geometry.placement.plan.rules import MortarRules
from geometry.placement.plan.section_plan import SectionPlan
from geometry.placement.rail.seats import rail_seats

from .bed_files import BED_FOLDER, bed_paths, read_anchors, read_bed
from .mortar_section import mortar_of
from .project import PROJECT_FILE, Project
from .seat_files import SEATS_FILE, read_cast_seats, seat_inputs

__all__ = ["PlanInputs", "plan_inputs", "plan_of"]

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class PlanInputs:
    """What is kept besides tolerances, and what is not.

    Attributes
    ----------
    rail : CarriedRail or None
    mortar : MortarRules or None
    left_out : tuple of str
        What no rule of the plan looks at, and why.
    inputs : dict of str to str
        SHA-256 of the files read for it.
    warnings : tuple of Fault
    """

    rail: CarriedRail | None
    mortar: MortarRules | None
    left_out: tuple[str, ...]
    inputs: dict[str, str]
    warnings: tuple[Fault, ...]


def _rail(project: Project, faults: Faults) -> tuple[CarriedRail | None, list[str]]:
    settings = project.settings.rail
    every = settings.rules(project.settings.decision.guard_factor)
    chords = tuple(limit for limit in every.limits if limit.chord is not None)
    others = [limit.words for limit in every.limits if limit.chord is None]
    told = []
    if others:
        told.append(f"limits of the rail that are for no chord ({'; '.join(others)}): its fasteners are there for them")
    if not chords:
        return None, [*told, f"chords of the rail: {PROJECT_FILE} has no limit for one"]
    seats = rail_seats(project.alignment, project.targets, project.types, project.layout)
    cast = read_cast_seats(
        project.folder / SEATS_FILE, project.layout.names, seats, settings.seat_sigma_mm / 1e3, faults
    )  # fmt: skip
    offset, sigma = np.zeros((len(seats.slab), 2, 2)), np.full((len(seats.slab), 2, 2), every.cast_sigma)
    if cast is not None:
        known = np.isfinite(cast.offset)
        offset, sigma = np.where(known, cast.offset, 0.0), np.where(known, cast.sigma, every.cast_sigma)
    return CarriedRail(seats, offset, sigma**2, chords), told


def plan_inputs(project: Project, check: SectionCheck) -> PlanInputs:
    """Read what a plan of a project has to keep besides tolerances.

    Parameters
    ----------
    project : Project
    check : SectionCheck
        Of all slabs of the project.

    Raises
    ------
    InputError
        If a file of rail seats, bed points or anchors has faults.
    """
    faults = Faults()
    rail, left_out = _rail(project, faults)
    faults.stop_if_any()
    warnings, inputs = list(faults.warnings), seat_inputs(project.folder) if rail is not None else {}
    mortar = None
    if project.settings.mortar is None:
        left_out.append(f"the mortar gap: {PROJECT_FILE} has no [mortar]")
    elif not bed_paths(project.folder):
        left_out.append(f"the mortar gap: no bed was surveyed, {BED_FOLDER} has no table")
    else:
        bed, anchors = read_bed(project), read_anchors(project)
        report = mortar_of(project, check, bed, anchors)
        mortar = MortarRules(report.gaps.places, report.limits.gap_low, report.limits.gap_high)
        inputs |= bed.inputs | anchors.inputs
        warnings += [*bed.warnings, *anchors.warnings]
    return PlanInputs(rail, mortar, tuple(left_out), inputs, tuple(warnings))


def plan_of(
    project: Project, check: SectionCheck, seconds: float | None = None, fixed: Bools | None = None,
    done: Bools | None = None, chosen: Bools | None = None, given: PlanInputs | None = None,
) -> SectionPlan:  # fmt: skip
    """Return the correction plan of a project.

    Parameters
    ----------
    project : Project
    check : SectionCheck
        Of all n slabs of the project.
    seconds : float, optional
        Time limit in place of that of the project, s.
    fixed, done, chosen : ndarray of bool, shape (n,), optional
        Slabs that are to stay, that were turned since they were measured, and to plan for; see `standing_of`.
    given : PlanInputs, optional
        What `plan_inputs` returned; read if not given.

    Raises
    ------
    InputError
        If a file of rail seats, bed points or anchors has faults, or a slab type has no screws that span a plane.
    """
    given = given or plan_inputs(project, check)
    return plan_section(
        check, project.types, project.layout.type_index, project.check_rules, project.settings.plan.rules(seconds),
        standing_of(check, fixed, done, chosen), given.rail, given.mortar, chosen,
    )  # fmt: skip
