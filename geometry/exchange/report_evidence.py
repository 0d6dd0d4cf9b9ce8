"""What a report rests on: everything that was read and worked out of a section, and what nobody looked at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geometry.placement import SectionCheck
from geometry.placement.mortar import Batches, MortarReport
from geometry.placement.rail.forecast import RailForecast

from .bed_files import AnchorSurvey
from .fieldwork_files import WorkedUp
from .project import Project
from .ready_section import ReadySection
from .survey_files import Survey

__all__ = ["Evidence", "MortarEvidence", "Told"]

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class MortarEvidence:
    """The mortar under the slabs as built, the anchors beside them, and the batches."""

    report: MortarReport
    anchors: AnchorSurvey
    batches: Batches


@dataclass(frozen=True)
class Told:
    """Sentences that other pages have for the same things, so that a report says them in the same words.

    Attributes
    ----------
    bowing : tuple of str
        Of curl and twist.
    rail : tuple of str
        Of what the limits of the rail see.
    cautions : tuple of str
    """

    bowing: tuple[str, ...] = ()
    rail: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Evidence:
    """What is known of a project of n slabs and j joints; None for what nobody looked at.

    Attributes
    ----------
    project : Project
    survey : Survey
    check : SectionCheck
    slabs, joints : ndarray of bool, shape (n,) and (j,)
        Those that the report is on.
    ready : ReadySection
    inputs : dict of str to str
        SHA-256 of every file that was read.
    mortar : MortarEvidence, optional
    rail : RailForecast, optional
    worked : WorkedUp, optional
        Set-ups and control, where the survey came of readings.
    told : Told
    """

    project: Project
    survey: Survey
    check: SectionCheck
    slabs: Bools
    joints: Bools
    ready: ReadySection
    inputs: dict[str, str]
    mortar: MortarEvidence | None = None
    rail: RailForecast | None = None
    worked: WorkedUp | None = None
    told: Told = Told()

    @property
    def seats(self) -> Bools:
        """Rail seats of the chosen slabs, shape (s,); none without a forecast."""
        return np.zeros(0, dtype=bool) if self.rail is None else np.asarray(self.slabs[self.rail.seats.slab])
