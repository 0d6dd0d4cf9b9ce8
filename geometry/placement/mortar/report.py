"""The mortar of a section in one value: gaps, bed and anchors with their verdicts.

Verdicts are those of `geometry.placement.verdict`: `WITHIN`, `OUT`, `UNDECIDED`, `NOT_MEASURED`, `NO_LIMIT`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from geometry.alignment.frames import rotation_of_vector, to_grid
from geometry.alignment.laws import Floats
from geometry.placement.check import UNJUDGED, SectionCheck
from geometry.placement.verdict import (
    NO_LIMIT,
    NOT_MEASURED,
    OUT,
    UNDECIDED,
    WITHIN,
    Tolerance,
    Verdicts,
    decide,
)
from geometry.slabs import DesignBed, Layout, SlabType, Targets
from geometry.survey.points import Ints

from .anchors import AnchorRings, Anchors, anchor_rings
from .bed import Bed
from .bed_map import BedMap, map_bed, worst_under
from .designed import DesignedGaps, beds_used, designed_gaps
from .gap import Gaps, gaps_under

__all__ = ["MortarLimits", "MortarReport", "Pose", "mortar_report", "posed"]

Bools = npt.NDArray[np.bool_]

Pose = Literal["built", "target", "given"]


@dataclass(frozen=True)
class MortarLimits:
    """What mortar, bed and anchors have to keep, m; `guard` is the guard factor of the decision rule.

    Attributes
    ----------
    gap_low, gap_high : float
        Smallest and largest allowed gap.
    gap_nominal : float
        What the gap is meant to be.
    bed_low, bed_high : float
        Deviation of the bed from its design, + up; minus and plus infinity without a limit.
    anchor_across, anchor_along, anchor_ring : float
        Smallest allowed clearance between anchor and notch; minus infinity without a limit.
    guard : float
    """

    gap_low: float
    gap_high: float
    gap_nominal: float
    bed_low: float
    bed_high: float
    anchor_across: float
    anchor_along: float
    anchor_ring: float
    guard: float


@dataclass(frozen=True, eq=False)
class MortarReport:
    """What lies under and between the n slabs of a layout, for one pose of all of them.

    Attributes
    ----------
    pose : {"built", "target", "given"}
        Which pose the gaps are of: as surveyed, as designed, or as somebody asked (a correction plan).
    limits : MortarLimits
    doubted : ndarray of bool, shape (n,)
        Slabs whose survey contradicts itself: by their pose nothing is proven, neither good nor bad.
    gaps : Gaps
        Per slab: gaps at the corners, smallest and largest gap with place and uncertainty, areas, volume. Its
        `places` bound the smallest gap of a slab that is still to be moved. Only where the bed was surveyed.
    designed : DesignedGaps
        The gaps down to the bed by design, of all slabs that have a pose: nothing is proven by them.
    bed_used : ndarray of int8, shape (n,)
        Which of `BEDS` is under each slab.
    smallest_verdict, largest_verdict : ndarray of int8, shape (n,)
        On the smallest gap against `limits.gap_low`, and on the largest against `limits.gap_high`.
    gap_verdict : ndarray of int8, shape (n,)
        The worse of the two; a slab that is not wholly measured is `NOT_MEASURED`, unless what is measured is out.
    bed_map : BedMap
        Every bed point against the design of the bed.
    bed_verdict : ndarray of int8, shape (n,)
        Worst verdict of the bed points under or beside each slab; `NO_LIMIT` if the project has none.
    anchors : AnchorRings
        Clearance of the anchors at both ends of each slab, always as built.
    anchor_verdict : ndarray of int8, shape (n,)
        Worst verdict of the two ends; `NO_LIMIT` if the project has none.
    verdict : ndarray of int8, shape (n,)
        Worst of gap, bed and anchors; `NOT_MEASURED` if any of them is and none is out.
    """

    pose: Pose
    limits: MortarLimits
    doubted: Bools
    gaps: Gaps
    designed: DesignedGaps
    bed_used: npt.NDArray[np.int8]
    smallest_verdict: Verdicts
    largest_verdict: Verdicts
    gap_verdict: Verdicts
    bed_map: BedMap
    bed_verdict: Verdicts
    anchors: AnchorRings
    anchor_verdict: Verdicts
    verdict: Verdicts

    @property
    def corner_gap(self) -> Floats:
        """Gap at the corners of the underside, RL, RR, FL, FR, shape (n, 4), m."""
        return self.gaps.corner


def posed(targets: Targets, deviation: Floats, scale: float) -> tuple[Floats, Floats]:
    """Return the poses that deviate from targets by so much.

    Parameters
    ----------
    targets : Targets
        Of n slabs.
    deviation : ndarray, shape (n, 6)
        Across, along, up, m, pitch, roll, yaw, rad, in the target's frame, as in `SectionCheck.pose`.
    scale : float
        Grid length over true length in plan.

    Returns
    -------
    position, rotation : ndarray, shape (n, 3) and (n, 3, 3)
    """
    position = to_grid(targets.position, targets.rotation, deviation[:, None, :3], scale)[:, 0]
    return position, targets.rotation @ rotation_of_vector(deviation[:, 3:] * (1.0, 1.0, -1.0))


def mortar_report(
    check: SectionCheck, types: Sequence[SlabType], layout: Layout, limits: MortarLimits, bed: Bed,
    design: DesignBed, points: tuple[Floats, Floats], anchors: Anchors, anchor_of: Ints, anchor_top: Floats,
    pose: Pose = "built", given: tuple[Floats, Floats | None] | None = None,
) -> MortarReport:  # fmt: skip
    """Look at everything under and between the slabs of a section.

    Parameters
    ----------
    check : SectionCheck
        Of n slabs.
    types : sequence of SlabType
    layout : Layout
        Of the same slabs.
    limits : MortarLimits
    bed : Bed
        As it was surveyed; without triangles where it was not.
    design : DesignBed
    points : tuple of ndarray, shape (p, 3) and (p,)
        The bed points one by one, and the standard uncertainty of each level, m.
    anchors : Anchors
    anchor_of : ndarray of int, shape (n, 2)
        Anchor in the rear and front notch of each slab; -1 for none.
    anchor_top : ndarray, shape (n,)
        Height of an anchor's top over the slab's top face, m, for anchors without a level.
    pose : {"built", "target", "given"}
        Which pose the gaps are of. Anchors are always seen as built.
    given : tuple of ndarray, shape (n, 6), and ndarray, shape (n, 6, 6) or None
        For the pose "given": deviation from the target (nan for a slab that has none) and its covariance.
    """
    type_index, scale = layout.type_index, design.alignment.rules.grid_scale
    n = len(type_index)
    covariance: Floats | None = check.fits.covariance
    doubted = np.asarray(((check.notes & UNJUDGED) > 0) & check.fits.determined)
    # a pose that comes from a contradictory survey proves nothing, moved or not
    of_gaps = np.zeros(n, dtype=bool) if pose == "target" else doubted
    if pose == "built":
        position, rotation = check.fits.position, check.fits.rotation
    elif pose == "target":
        position, rotation, covariance = check.targets.position, check.targets.rotation, None
    else:
        if given is None:
            raise ValueError("a given pose needs its deviations from the target")
        position, rotation = posed(check.targets, given[0], scale)
        covariance = given[1]
    gaps = gaps_under(bed, position, rotation, covariance, types, type_index, scale, (limits.gap_low, limits.gap_high))
    small = _beyond(gaps.smallest, gaps.smallest_sigma, gaps.smallest_here, limits.gap_low, limits.guard, 1.0)
    large = _beyond(gaps.largest, gaps.largest_sigma, gaps.largest_here, limits.gap_high, limits.guard, -1.0)
    small, large = (_judged(verdict, gaps.measured, of_gaps) for verdict in (small, large))
    gap_verdict = _together(small, large)
    designed = designed_gaps(design, types, type_index, layout.distance, position, rotation)
    bed_map = map_bed(
        *points, bed.shared, check.targets, types, type_index, layout.distance, design,
        (limits.bed_low, limits.bed_high), limits.guard,
    )  # fmt: skip
    bed_verdict = worst_under(bed_map, n)
    if np.isinf(limits.bed_low) and np.isinf(limits.bed_high):
        bed_verdict[:] = NO_LIMIT
    rings = anchor_rings(
        check.fits.position, check.fits.rotation, check.fits.covariance, types, type_index, scale, anchors, anchor_of,
        anchor_top, (limits.anchor_across, limits.anchor_along, limits.anchor_ring), limits.guard,
    )  # fmt: skip
    anchor_verdict = _together(rings.verdict[:, 0], rings.verdict[:, 1])
    anchor_verdict[doubted & ((anchor_verdict == WITHIN) | (anchor_verdict == OUT))] = UNDECIDED
    return MortarReport(
        pose=pose,
        limits=limits,
        doubted=doubted,
        gaps=gaps,
        designed=designed,
        bed_used=beds_used(gaps, designed),
        smallest_verdict=small,
        largest_verdict=large,
        gap_verdict=gap_verdict,
        bed_map=bed_map,
        bed_verdict=bed_verdict,
        anchors=rings,
        anchor_verdict=anchor_verdict,
        verdict=_together(gap_verdict, bed_verdict, anchor_verdict),
    )


def _beyond(value: Floats, sigma: Floats, here: Floats, limit: float, guard: float, sign: float) -> Verdicts:
    """Return verdicts on extremes: proven good with all uncertainty, proven bad by the very place.

    What the bed does where nobody looked can make the smallest gap smaller, not larger than the one found.
    """
    tolerance = Tolerance("gap", sign * limit, np.inf, "")
    verdict = decide(sign * value, sigma, tolerance, guard)
    bad = decide(sign * value, here, tolerance, guard) == OUT
    return np.where(bad, OUT, np.where(verdict == OUT, UNDECIDED, verdict)).astype(np.int8)


def _judged(verdict: Verdicts, measured: Bools, doubted: Bools) -> Verdicts:
    """Return verdicts on gaps: nothing good where part of a slab has no bed, nothing at all by a doubtful pose."""
    verdict = np.where(measured | (verdict == OUT), verdict, NOT_MEASURED)
    return np.where(doubted & (verdict != NOT_MEASURED), UNDECIDED, verdict).astype(np.int8)


def _together(*verdicts: Verdicts) -> Verdicts:
    """Return one verdict of several: what is missing is worse than what is undecided; no limit does not count."""
    every = np.stack(verdicts, axis=-1)
    result = np.full(every.shape[:-1], NO_LIMIT, dtype=np.int8)
    for verdict in (WITHIN, UNDECIDED, NOT_MEASURED, OUT):
        result[(every == verdict).any(axis=-1)] = verdict
    return result
