"""The layout review of a project: what every slab asks of its surroundings, and how other choices compare."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geometry.alignment import true_length
from geometry.alignment.frames import from_grid
from geometry.alignment.laws import Floats
from geometry.errors import Fault, Faults
from geometry.placement import joint_gaps
from geometry.slabs import Allowed, Layout, Seating, Targets, fill_spans, target_poses
from geometry.slabs.layout import placed
from geometry.slabs.longer import with_longer_slabs
from geometry.slabs.notches import NotchClearance, notch_clearance
from geometry.slabs.review import FastenerMoves, design_thickness, fastener_moves

from .bed_files import slab_rows
from .project import Project, layout_rules
from .results import anchor_table

__all__ = [
    "ReviewLimits",
    "SectionReview",
    "follows_rules",
    "longer",
    "review_limits",
    "review_of",
    "seated",
    "stand_in",
]

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class ReviewLimits:
    """What a design has to keep, m; None where the project does not say.

    Attributes
    ----------
    gap : Allowed or None
        Joint gap at the slabs' edges: the tolerance of the built gap, within which the designed one has to lie.
    mortar : Allowed or None
        Thickness of the mortar.
    across, along, ring : float or None
        Smallest clearance of an anchor.
    sideways, height : Allowed or None
        How far a fastener can move a rail to the right and up.
    """

    gap: Allowed | None
    mortar: Allowed | None
    across: float | None
    along: float | None
    ring: float | None
    sideways: Allowed | None
    height: Allowed | None


@dataclass(frozen=True, eq=False)
class SectionReview:
    """What n slabs of a project ask for by design.

    Attributes
    ----------
    project : Project
    gap : ndarray, shape (n, 2)
        To the next slab of the span at the left and right edge, m; nan for the last slab of a span.
    thickness : ndarray, shape (n, 2, 3)
        Of the mortar: left and right edge, at the rear end, the middle and the front end, m.
    moves : FastenerMoves
    anchors : NotchClearance
        Of anchors where `anchor_table` sets them out: in the middle between the ends of two slabs, and half a nominal
        gap before the first and behind the last slab of a span.
    """

    project: Project
    gap: Floats
    thickness: Floats
    moves: FastenerMoves
    anchors: NotchClearance

    @property
    def targets(self) -> Targets:
        """Target poses of the slabs."""
        return self.project.targets


def review_limits(project: Project) -> ReviewLimits:
    """Return what the design of a project has to keep."""
    settings = project.settings
    gap = next((t.range_mm for t in settings.tolerance if t.quantity == "gap"), None)
    mortar, fastener = settings.mortar, settings.fastener
    anchor = None if mortar is None else mortar.anchor

    def metres(value: float | None) -> float | None:
        return None if value is None else value / 1e3

    def allowed(low_mm: float, nominal_mm: float, high_mm: float) -> Allowed:
        return Allowed(nominal_mm / 1e3, low_mm / 1e3, high_mm / 1e3)

    return ReviewLimits(
        gap=None if gap is None else allowed(gap[0], settings.layout.gap_nominal_mm, gap[1]),
        mortar=None
        if mortar is None
        else allowed(mortar.gap.range_mm[0], settings.bed.mortar_nominal_mm, mortar.gap.range_mm[1]),
        across=None if anchor is None else metres(anchor.across_mm),
        along=None if anchor is None else metres(anchor.along_mm),
        ring=None if anchor is None else metres(anchor.ring_mm),
        sideways=None if fastener is None else allowed(-fastener.sideways_mm, 0.0, fastener.sideways_mm),
        height=None if fastener is None else allowed(fastener.low_mm, 0.0, fastener.high_mm),
    )


def review_of(project: Project) -> SectionReview:
    """Return what the slabs of a project ask for by design."""
    layout, targets, line, types = project.layout, project.targets, project.alignment, project.types
    n = len(layout.distance)
    gap = np.full((n, 2), np.nan)
    followed = np.flatnonzero(layout.span[1:] == layout.span[:-1])
    gap[followed] = joint_gaps(
        targets.position, targets.rotation, types, layout.type_index, line.rules.grid_scale
    )[followed]  # fmt: skip
    return SectionReview(
        project=project,
        gap=gap,
        thickness=design_thickness(project.design_bed, types, layout, targets),
        moves=fastener_moves(line, types, layout, targets),
        anchors=_anchors(project),
    )


def _anchors(project: Project) -> NotchClearance:
    layout, targets = project.layout, project.targets
    table = anchor_table(project)
    xyz = np.stack([table[f"{axis}_m"] for axis in ("easting", "northing", "level")], axis=1)
    at_end = np.full((len(layout.distance), 2, 3), np.nan)
    # the anchor behind a joint's front slab stands in that slab's rear notch
    for end, side in enumerate(("front_slab", "rear_slab")):
        row = slab_rows(project, table[side])
        at_end[row[row >= 0], end] = xyz[row >= 0]
    centre = from_grid(targets.position, targets.rotation, at_end, project.alignment.rules.grid_scale)
    radius = np.full(centre.shape[:2], project.settings.bed.anchor_radius_mm / 1e3)
    return notch_clearance(centre[..., :2], radius, project.types, layout.type_index)


def seated(project: Project, seatings: Sequence[Seating]) -> list[Targets]:
    """Return the target poses of the slabs of a project with other seatings."""
    own = project.settings.layout.seating
    return [
        project.targets if seating == own else target_poses(project.alignment, project.types, project.layout, seating)
        for seating in seatings
    ]


def follows_rules(project: Project) -> bool:
    """Return whether the layout of a project is what its rules make of it, and not given in another way."""
    made, _ = fill_spans(project.alignment, project.spans, project.types, layout_rules(project.settings))
    is_given = project.layout
    return np.array_equal(made.type_index, is_given.type_index) and np.allclose(
        made.distance, is_given.distance, rtol=0, atol=1e-6
    )


def stand_in(project: Project) -> Layout | None:
    """Return slabs on the spans that stay empty, so that choices are compared over all of the line.

    As many of the commonest type that is not special as have room with nominal gaps, at least one, in the middle of
    the span: clearances and structure joints do not count. None if no span is empty.
    """
    layout, rules, types = project.layout, layout_rules(project.settings), project.types
    empty = np.setdiff1d(np.arange(len(project.spans)), layout.span)
    if not empty.size:
        return None
    edges = true_length(project.alignment, np.array([[project.spans[i].start, project.spans[i].end] for i in empty]))
    lengths = np.array([t.length for t in types])
    laid = np.bincount(layout.type_index, minlength=len(types))
    main = int(np.where([t.special for t in types], -1, laid).argmax())
    room, gap = edges[:, 1] - edges[:, 0], rules.gap.nominal
    counts = np.zeros((len(empty), len(types)), dtype=np.intp)
    counts[:, main] = np.maximum(np.floor((room + gap) / (lengths[main] + gap)), 1)
    clearance = (room - counts[:, main] * (lengths[main] + gap) + gap) / 2
    return placed(project.alignment, edges[:, 0], counts, main, np.full(len(empty), gap), clearance, lengths, rules)


def longer(project: Project, by_mm: Sequence[float]) -> list[Project]:
    """Return a project with longer slabs, laid out anew by its rules, once for each length.

    Parameters
    ----------
    project : Project
    by_mm : sequence of float
        How much longer all but the special slabs are, mm; negative for shorter.

    Raises
    ------
    InputError
        If a slab cannot be so short.
    """
    faults = Faults()
    result = []
    for by in by_mm:
        try:
            types = with_longer_slabs(project.types, by / 1e3)
        except ValueError as fault:
            faults.errors.append(Fault("--longer", "a length that leaves a slab", str(fault)))
            continue
        layout, findings = fill_spans(project.alignment, project.spans, types, layout_rules(project.settings))
        result.append(replace(project, types=types, layout=layout, layout_findings=findings))
    faults.stop_if_any()
    return result
