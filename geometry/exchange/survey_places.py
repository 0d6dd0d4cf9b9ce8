"""Where a survey lies as a whole: elsewhere than its design, or on it as nothing does that was measured."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geometry.alignment.laws import Floats
from geometry.errors import Faults
from geometry.survey import SurveyPoints
from geometry.survey.points import Ints

from .project import Project
from .survey_names import nearest_marks, target_marks
from .tables import Table

__all__ = ["tell_designed", "tell_elsewhere"]

_SAMPLE, _LEAST_SAMPLE = 400, 8  # named points that are asked whether the survey lies on the design at all
_ON_TARGET = 6e-5  # coordinates rounded to 0.1 mm are as near; of measured ones one point in hundreds is, m
_LEAST_ON_TARGET = 4


def tell_elsewhere(project: Project, points: SurveyPoints, faults: Faults) -> None:
    """Warn where most named points lie far from what they name, and say how the survey lies as a whole."""
    radius = project.settings.survey.match_radius_m
    named = np.flatnonzero((points.slab >= 0) & (points.mark >= 0))
    rows = named[:: max(1, len(named) // _SAMPLE)]
    if len(rows) < _LEAST_SAMPLE:
        return
    marks = target_marks(project, points.slab[rows])[np.arange(len(rows)), points.mark[rows]]
    apart = points.xyz[rows] - marks
    far = ~(np.linalg.norm(apart, axis=1) <= radius)
    if far.sum() <= len(rows) / 2:
        return
    shift = np.median(apart, axis=0)
    a, b = (xy[:, :2] - xy[:, :2].mean(axis=0) for xy in (marks, points.xyz[rows]))
    turn = float(np.degrees(np.arctan2((a[:, 1] * b[:, 0] - a[:, 0] * b[:, 1]).sum(), (a * b).sum())))
    bearing = float(np.degrees(project.alignment.horizontal[0].bearing or 0.0))
    # a bearing in gon read as degrees is too large by a tenth of it
    in_gon = abs(turn) > 0.2 and abs(turn + 0.1 * bearing) < 0.1
    hint = "bearing_deg of horizontal.csv in gon?" if in_gon else "another datum, another design, other slab names?"
    faults.warn("survey", f"points within {radius:g} m of the marks they name",
                f"{int(far.sum())} of {len(rows)} further away; as a whole the survey lies {shift[0]:+.3f} m east, "
                f"{shift[1]:+.3f} m north and {shift[2]:+.3f} m up of the design, turned by {turn:+.3f} deg clockwise",
                hint)  # fmt: skip


def tell_designed(
    project: Project, read: Sequence[tuple[Table, Floats]], slab: Ints, mark: Ints, faults: Faults
) -> None:  # fmt: skip
    """Warn of files whose points lie on their targets as nothing does that was measured: they pass every slab."""
    start = 0
    for table, xyz in read:
        own = np.arange(0, len(table), max(1, len(table) // _SAMPLE))
        rows = start + own
        start += len(table)
        named = (slab[rows] >= 0) & (mark[rows] >= 0)
        if named.any():
            own, rows = own[named], rows[named]
            targets = target_marks(project, slab[rows])[np.arange(len(rows)), mark[rows]]
        else:
            targets = nearest_marks(project, xyz[own])
        apart = np.abs(xyz[own] - targets).max(axis=1)
        on, known = int((apart <= _ON_TARGET).sum()), int(np.isfinite(apart).sum())
        if on >= _LEAST_ON_TARGET and on > known / 2:
            faults.warn(table.path.name, "measured points", f"designed ones: {on} of {known} looked at lie on their "
                        "targets to a tenth of a millimetre",
                        "a file for setting out? it says where slabs belong, not where they lie")  # fmt: skip
