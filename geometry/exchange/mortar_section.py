"""The mortar of a project: limits of its settings, its bed and anchors, and the answer for a section."""

from __future__ import annotations

import numpy as np

from geometry.alignment.laws import Floats
from geometry.errors import Fault, Faults
from geometry.placement import SectionCheck
from geometry.placement.mortar import Batches, MortarLimits, MortarReport, Pose, mortar_report, plan_batches
from geometry.placement.mortar.gap import Bools

from .bed_files import BED_FOLDER, AnchorSurvey, BedSurvey, mortar_settings
from .project import Project

__all__ = ["batches_of", "mortar_limits", "mortar_of", "mortar_warnings"]

_NOT_A_BED = 0.1  # points this far from the design, as most of them lie, are of something else, m


def mortar_limits(project: Project) -> MortarLimits:
    """Return what mortar, bed and anchors of a project have to keep."""
    settings = mortar_settings(project)
    gap, bed, anchor = settings.gap.range_mm, settings.bed, settings.anchor
    low, high = (-np.inf, np.inf) if bed is None else (value / 1e3 for value in bed.range_mm)

    def least(value: float | None) -> float:
        return -np.inf if value is None else value / 1e3

    return MortarLimits(
        gap_low=gap[0] / 1e3,
        gap_high=gap[1] / 1e3,
        gap_nominal=project.settings.bed.mortar_nominal_mm / 1e3,
        bed_low=low,
        bed_high=high,
        anchor_across=least(None if anchor is None else anchor.across_mm),
        anchor_along=least(None if anchor is None else anchor.along_mm),
        anchor_ring=least(None if anchor is None else anchor.ring_mm),
        guard=project.settings.decision.guard_factor,
    )


def mortar_of(
    project: Project, check: SectionCheck, survey: BedSurvey, anchors: AnchorSurvey, pose: Pose = "built",
    given: tuple[Floats, Floats | None] | None = None,
) -> MortarReport:  # fmt: skip
    """Return the mortar under all n slabs of a project.

    Parameters
    ----------
    project : Project
    check : SectionCheck
        Of all slabs of the project.
    survey : BedSurvey
    anchors : AnchorSurvey
    pose : {"built", "target", "given"}
    given : tuple of ndarray, shape (n, 6), and ndarray, shape (n, 6, 6) or None
        For the pose "given", such as that of a plan: across, along, up (m), pitch, roll, yaw (rad) as deviation from
        the target, and its covariance; without one the pose counts as exact.
    """
    types, layout, design = project.types, project.layout, project.design_bed
    thickness = np.array([t.thickness for t in types])[layout.type_index]
    under = design.under_middle(types, layout.type_index, check.targets.rotation)
    top = project.settings.bed.anchor_height_mm / 1e3 - under - thickness
    return mortar_report(
        check, types, layout, mortar_limits(project), survey.bed, design, (survey.xyz, survey.sigma),
        anchors.anchors, anchors.anchor_of, top, pose, given,
    )  # fmt: skip


def mortar_warnings(project: Project, survey: BedSurvey, report: MortarReport) -> tuple[Fault, ...]:
    """Return what may be wrong with a bed survey or the limits as a whole."""
    faults, limits = Faults(), report.limits
    if not limits.gap_low <= limits.gap_nominal <= limits.gap_high:
        faults.warn("project.toml: bed.mortar_nominal_mm", "a gap that mortar.gap allows",
                    f"{limits.gap_nominal * 1e3:g}")  # fmt: skip
    off = report.bed_map.deviation
    known = np.isfinite(off)
    far = int((~known).sum())
    if far:
        faults.warn(BED_FOLDER, "bed points under or beside slabs", f"{far} of {len(off)} elsewhere", "left out")
    if known.any() and abs(middle := float(np.median(off[known]))) > _NOT_A_BED:
        faults.warn(BED_FOLDER, "points on the bed", f"most of them {middle:+.3f} m from its design",
                    "points on the slabs, another level datum, or another bed.mortar_nominal_mm?")  # fmt: skip
    return tuple(faults.warnings)


def batches_of(project: Project, check: SectionCheck, report: MortarReport, chosen: Bools) -> Batches:
    """Return the batches for the chosen slabs, (n,), that mortar does not hold already."""
    settings, gaps = mortar_settings(project), report.gaps
    capacity = np.inf if settings.mixer_capacity_l is None else settings.mixer_capacity_l / 1e3
    return plan_batches(
        gaps.volume, gaps.volume_own, gaps.volume_shared, chosen & ~check.held, settings.loss_percent / 100, capacity,
        settings.slabs_per_day or 0,
    )  # fmt: skip
