"""Readiness of the slabs of a project, from everything that was looked at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geometry.placement import SectionCheck
from geometry.placement.bowing import Bowing
from geometry.placement.mortar import MortarReport
from geometry.placement.plan.section_plan import SectionPlan
from geometry.placement.rail.forecast import RailForecast
from geometry.placement.readiness import Looked, Readiness, flat_verdict, readiness, slab_verdicts
from geometry.placement.thermal_curl import ThermalCurl
from geometry.placement.verdict import NO_LIMIT, NOT_MEASURED, UNDECIDED, Verdicts
from geometry.survey import SurveyPoints

from .bowing_tables import bowing_of, curl_of
from .project import Project
from .ready_ages import Times, age_hours, oldest_times

__all__ = ["ReadySection", "ready_section"]


@dataclass(frozen=True, eq=False)
class ReadySection:
    """Which of n slabs are ready for injection, and what was looked at.

    Attributes
    ----------
    readiness : Readiness
    at : datetime64
        The time asked for, UTC.
    measured_at : ndarray of datetime64, shape (n,)
        When the oldest mark of each slab that counts was measured, UTC; NaT where not known.
    bowing : Bowing
    curl : ThermalCurl or None
        By slab type; None if no temperature difference is given.
    difference : float or None
        Temperature of the top face less that of the underside, K.
    mortar : MortarReport or None
        As built; None if nobody surveyed the bed.
    plan : SectionPlan or None
        That was asked which slabs it moves.
    rail_judged : bool
        Whether the rail over the slabs was judged.
    """

    readiness: Readiness
    at: np.datetime64
    measured_at: Times
    bowing: Bowing
    curl: ThermalCurl | None
    difference: float | None
    mortar: MortarReport | None
    plan: SectionPlan | None
    rail_judged: bool


def _flat(project: Project, check: SectionCheck, curl: ThermalCurl | None) -> Verdicts | None:
    """Return verdicts on levels as they would be without curl by heat, (n,); None if none is expected."""
    limit = next((t for t in project.check_rules.tolerances if t.quantity == "up"), None)
    if curl is None or limit is None:
        return None
    rise = curl.marks[project.layout.type_index]
    up, sigma = check.deviation[..., 2], check.deviation_sigma[..., 2]
    return flat_verdict(up, sigma, rise, limit, project.check_rules.guard).verdict


def _rail_verdicts(project: Project, rail: RailForecast) -> Verdicts:
    """Return the worst verdict on the rail over each slab, (n,)."""
    verdict = slab_verdicts(rail.seats.slab, rail.verdict, len(project.layout.names))
    if project.settings.ready.rail == "warning":
        # before fasteners are adjusted half a line is undecided: a warning that stands everywhere warns of nothing
        verdict[verdict == UNDECIDED] = NO_LIMIT
    return verdict


def _anchor_verdicts(project: Project, mortar: MortarReport) -> Verdicts:
    """Return verdicts on anchors, (n,): a notch for whose anchor the project has no limit is one nobody looked at."""
    notched = np.array([t.notch_radius > 0 for t in project.types])[project.layout.type_index]
    verdict = mortar.anchor_verdict
    return np.where((verdict == NO_LIMIT) & notched, NOT_MEASURED, verdict).astype(np.int8)


def ready_section(
    project: Project, check: SectionCheck, points: SurveyPoints, at: np.datetime64, *,
    mortar: MortarReport | None = None, rail: RailForecast | None = None, plan: SectionPlan | None = None,
    difference: float | None = None,
) -> ReadySection:  # fmt: skip
    """Return which slabs of a project are ready for injection at a time.

    Parameters
    ----------
    project : Project
    check : SectionCheck
        Of all n slabs of the project.
    points : SurveyPoints
        From which it was made.
    at : datetime64
        UTC.
    mortar : MortarReport, optional
        Of the slabs as built; without it no mortar gap and no anchor is known, and no slab is ready.
    rail : RailForecast, optional
        Of the slabs as built. A chord counts for the slab over which its offset is taken.
    plan : SectionPlan, optional
    difference : float, optional
        Temperature of the top face less that of the underside, K; that of the project if not given.

    Raises
    ------
    ValueError
        If the mortar is not that of the slabs as built.
    """
    if mortar is not None and mortar.pose != "built":
        raise ValueError(f"readiness needs the mortar gap as built, got it as {mortar.pose}")
    measured_at = oldest_times(project, points)
    bowing, curl = bowing_of(project, check), curl_of(project, difference)
    given = project.settings.ready.temperature_difference_k if difference is None else difference
    looked = Looked(
        age=age_hours(measured_at, at),
        gap_whole=None if mortar is None else mortar.gaps.measured,
        gap_small=None if mortar is None else mortar.smallest_verdict,
        gap_large=None if mortar is None else mortar.largest_verdict,
        anchor=None if mortar is None else _anchor_verdicts(project, mortar),
        bed=None if mortar is None else mortar.bed_verdict,
        rail=None if rail is None else _rail_verdicts(project, rail),
        planned=None if plan is None else plan.touched,
        bowed=np.asarray(bowing.significant.any(axis=1)),
        flat=_flat(project, check, curl),
    )
    return ReadySection(
        readiness=readiness(check, looked, project.settings.ready.rules),
        at=at,
        measured_at=measured_at,
        bowing=bowing,
        curl=curl,
        difference=given,
        mortar=mortar,
        plan=plan,
        rail_judged=rail is not None,
    )
