"""Slabs in the poses that pictures show: as built, on their targets, or as the correction plan leaves them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Final

import numpy as np

from geometry.errors import Fault
from geometry.exchange.plan_inputs import PlanInputs, plan_inputs, plan_of
from geometry.exchange.project import Project
from geometry.placement import SectionCheck
from geometry.placement.plan.carried_out import CarriedOut, carried_out
from geometry.placement.plan.section_plan import SectionPlan

from .section import WITHIN, Section

__all__ = ["POSES", "Planning", "section_in"]

Tell = Callable[[Sequence[Fault]], None]

POSES: Final = {"built": "as built", "target": "on their targets", "planned": "as planned"}
"""Poses as the command line names them, and what slabs in them are called."""


class Planning:
    """The correction plan of a checked project, and what it leaves: made when it is first asked for.

    Parameters
    ----------
    project : Project
    check : SectionCheck
        Of all slabs of the project.
    tell : function of faults
        Takes the warnings of the files that the plan needs.

    Raises
    ------
    InputError
        By the properties, if a file of rail seats, bed points or anchors has faults, or a slab type has no screws that
        span a plane.
    """

    def __init__(self, project: Project, check: SectionCheck, tell: Tell = lambda _: None) -> None:
        self.project, self.check, self._tell = project, check, tell

    @cached_property
    def inputs(self) -> PlanInputs:
        """What the plan has to keep besides tolerances."""
        given = plan_inputs(self.project, self.check)
        self._tell(given.warnings)
        return given

    @cached_property
    def plan(self) -> SectionPlan:
        """The plan."""
        return plan_of(self.project, self.check, given=self.inputs)

    @cached_property
    def after(self) -> CarriedOut:
        """The slabs once the plan has been carried out."""
        project = self.project
        return carried_out(
            self.check, self.plan, project.types, project.layout.type_index, project.check_rules,
            project.settings.plan.rules(),
        )  # fmt: skip


def section_in(section: Section, pose: str, planning: Planning) -> Section:
    """Return a section with its slabs in one of `POSES`, in place of where they were built.

    Slabs on their targets count as within; layers of deviations have nothing to tell of them.
    """
    if pose == "planned":
        after = planning.after
        return replace(
            section,
            built_position=after.position,
            built_rotation=after.rotation,
            corner_deviation_mm=after.deviation * 1e3,
            verdict=after.verdict.astype(np.int64),
        )
    if pose == "target":
        has = np.array([np.arange(section.corner_deviation_mm.shape[1]) < len(marks) for marks in section.marks])
        marked = np.where(has[section.type_index], 0.0, np.nan)
        return replace(
            section,
            built_position=section.target_position,
            built_rotation=section.target_rotation,
            corner_deviation_mm=np.repeat(marked[:, :, None], 3, axis=2),
            verdict=np.full(len(section), WITHIN),
        )
    return section
