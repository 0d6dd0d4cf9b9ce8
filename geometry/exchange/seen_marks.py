"""The marks of slabs that set-ups saw: every round by itself, or where they stand in the end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from geometry.errors import Faults
from geometry.survey import CRITICAL_W, SurveyPoints
from geometry.survey.fieldwork import Fieldwork
from geometry.survey.points import Ints

from .readings_files import FieldBook

__all__ = ["SeenMarks", "seen_marks", "standing_marks"]


@dataclass(frozen=True, eq=False)
class SeenMarks:
    """Marks of slabs that solved set-ups saw, in the order in which they were read; arrays of shape (p,).

    Attributes
    ----------
    points : SurveyPoints
        Set-ups are counted from 1, in the order of the book.
    target : ndarray of int
        Target of the book that each is.
    reading : ndarray of int
        With which reading of the book each begins.
    faces : ndarray of int
        2, or 1 for one face alone; all together where a point is the mean of several rounds.
    """

    points: SurveyPoints
    target: Ints
    reading: Ints
    faces: Ints


def seen_marks(book: FieldBook, work: Fieldwork, *, by_round: bool) -> SeenMarks:
    """Return the marks of slabs that solved set-ups saw, every round by itself or the mean of all."""
    sights = work.rounds if by_round else work.reduction.sights.rows(work.sight)
    polar = work.round_points if by_round else work.points
    rows = np.flatnonzero(np.isfinite(polar.xyz).all(axis=1) & (book.slab[sights.target] >= 0))
    reading = book.first_reading(sights.rows(rows))
    rows, reading = rows[np.argsort(reading)], np.sort(reading)
    target, setup = sights.target[rows], sights.setup[rows]
    sound = np.array([state.sound for state in work.states])

    def label(row: int) -> str:
        return f"{book.targets[int(target[row])]} from {book.setups[int(setup[row])]} ({book.label(int(reading[row]))})"

    points = SurveyPoints(
        xyz=polar.xyz[rows],
        sigma=np.sqrt(np.einsum("nii->ni", polar.covariance[rows])),
        slab=book.slab[target],
        mark=book.mark[target],
        setup=setup + 1,
        time=book.time[reading],
        label=label,
        own=polar.own[rows],
        common=polar.common[rows],
        doubtful=~sound[setup],
    )
    return SeenMarks(points, target, reading, np.rint(2 * sights.repeats[rows]).astype(np.intp))


def standing_marks(book: FieldBook, work: Fieldwork, faults: Faults) -> SeenMarks:
    """Return the mean of all rounds to each mark; where its slab was moved between them, the last round.

    Rounds from one set-up share what the set-up does to them, so that they differ by their own readings only. What
    was moved is told as a warning.
    """
    mean, each = seen_marks(book, work, by_round=False), seen_marks(book, work, by_round=True)
    if len(each.target) == len(mean.target):
        return mean
    p = each.points
    assert p.own is not None
    assert p.common is not None
    key = p.setup * len(book.targets) + each.target
    order = np.argsort(key, kind="stable")
    again = np.flatnonzero(np.diff(key[order]) == 0)
    one, two = order[again], order[again + 1]
    spread = np.sqrt(np.einsum("nii->ni", p.own[one] + p.own[two]))
    differs = ~(np.abs(p.xyz[two] - p.xyz[one]) <= CRITICAL_W * spread).all(axis=1)
    # all marks of a slab together: half of it as before and half as after is no slab
    stage = book.stage[each.target]
    of_slab = (p.setup * (int(p.slab.max()) + 1) + p.slab) * len(book.stages) + stage
    moved = np.unique(of_slab[two[differs]])
    if not moved.size:
        return mean
    last = order[np.append(np.diff(key[order]) != 0, True)]
    last = last[np.isin(of_slab[last], moved)]
    first = one[differs][0]
    far = float(np.abs(p.xyz[two[differs][0]] - p.xyz[first]).max()) * 1e3
    many = f", and {len(moved) - 1} more slabs like it" if len(moved) > 1 else ""
    faults.warn(book.label(int(each.reading[two[differs][0]])), "rounds to a mark that agree",
                f"{book.targets[int(each.target[first])]} {far:.1f} mm from where it was{many}",
                "the slab was moved in between: only the last round counts")  # fmt: skip
    m = mean.points
    place = dict(zip((m.setup * len(book.targets) + mean.target).tolist(), range(len(m)), strict=True))
    to = np.array([place[k] for k in key[last].tolist()], dtype=np.intp)
    which = np.full(len(m), -1)
    which[to] = last

    def put(values: Any, new: Any) -> Any:
        result = values.copy()
        result[to] = new[last]
        return result

    def label(row: int) -> str:
        return m.label(row) if which[row] < 0 else p.label(int(which[row]))

    points = SurveyPoints(
        put(m.xyz, p.xyz), put(m.sigma, p.sigma), m.slab, m.mark, m.setup, put(m.time, p.time), label,
        put(m.own, p.own), put(m.common, p.common), m.doubtful,
    )  # fmt: skip
    return SeenMarks(points, mean.target, put(mean.reading, each.reading), put(mean.faces, each.faces))
