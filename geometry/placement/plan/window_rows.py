"""The rules of a window as the rows that the solver is given."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.sparse import block_array, csr_array, diags_array, eye_array, kron

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

from .bounds import row_range
from .problem import HAIR, StepProblem
from .turns import LEADING

__all__ = ["Window", "WindowRows", "window_rows"]

_CLOSE = 2e-6  # mm; the solver keeps its rows to about half of this


@dataclass(frozen=True, eq=False)
class Window:
    """A part of a `StepProblem`: m slabs that may be moved, and the rules that hold there.

    Attributes
    ----------
    slabs : ndarray of int, shape (m,)
    rules : ndarray of int, shape (w,)
    low, high : ndarray, shape (w,)
        Limits of the rules, mm, less what moves that are already settled outside the window change.
    least, most : ndarray, shape (m, 5)
        Range of steps of slabs that are touched.
    """

    slabs: Ints
    rules: Ints
    low: Floats
    high: Floats
    least: Floats
    most: Floats


@dataclass(frozen=True, eq=False)
class WindowRows:
    """Rows over steps x, shape (5 m,), and touched slabs z, shape (m,): low <= matrix @ [x, z] <= high.

    Attributes
    ----------
    matrix : sparse array, shape (q, 6 m)
    low, high : ndarray, shape (q,)
    must : ndarray, shape (m,)
        1 for slabs that cannot stay as they are, else 0.
    rule : ndarray of int, shape (q,)
        Position in ``window.rules`` of the rule that a row belongs to; -1 for rows of ranges and travel.
    """

    matrix: csr_array
    low: Floats
    high: Floats
    must: Floats
    rule: Ints


@dataclass(eq=False)
class _Gathered:
    """Rows as they come: parts of the matrix over x and over z, limits, rules."""

    parts: list[list[csr_array]] = field(default_factory=list)
    low: list[Floats] = field(default_factory=list)
    high: list[Floats] = field(default_factory=list)
    rule: list[Ints] = field(default_factory=list)

    def add(self, x: csr_array, z: csr_array, low: Floats, high: Floats, rule: Ints) -> None:
        self.parts.append([csr_array(x), csr_array(z)])
        for values, found in ((self.low, low), (self.high, high)):
            values.append(found)
        self.rule.append(rule)


def window_rows(problem: StepProblem, window: Window, tight: bool = True) -> WindowRows:
    """Return the rows of a window.

    In the tight form a rule of one slab holds as low z <= a x <= high z, and z is 1 where no move breaks it.

    Parameters
    ----------
    problem : StepProblem
    window : Window
    tight : bool
        Without it every row is a rule by itself, which a rule that may give needs.
    """
    m = len(window.slabs)
    column = (LEADING * window.slabs[:, None] + np.arange(LEADING)).ravel()
    a = csr_array(problem.rows[window.rules][:, column])
    c = csr_array(problem.narrower[window.rules][:, window.slabs])
    # a limit at which a rule stands already must not fail for a rounding
    low = np.where(window.low <= HAIR, np.minimum(window.low + _CLOSE, 0.0), window.low + _CLOSE)
    high = np.where(window.high >= -HAIR, np.maximum(window.high - _CLOSE, 0.0), window.high - _CLOSE)
    of_slab = csr_array(kron(eye_array(m), np.ones((LEADING, 1)), format="csr"))
    belongs = csr_array(abs(a) @ of_slab)
    single = np.diff(belongs.indptr) == 1
    must = np.zeros(m)
    if tight:
        kept = (low[single] <= 0.0) & (high[single] >= 0.0)
        must[belongs.indices[belongs.indptr[:-1][single]][~kept]] = 1.0
    else:
        single = np.zeros_like(single)

    found = _Gathered()
    least, most = np.minimum(window.least, 0.0).ravel(), np.maximum(window.most, 0.0).ravel()
    lowest, highest = row_range(a, least, most)
    narrower = np.asarray(c.sum(axis=1)).ravel()
    for sign, limit, far in ((1.0, high, highest), (-1.0, -low, -lowest)):
        binds = np.isfinite(limit) & (far + narrower > limit)
        several = np.flatnonzero(binds & ~single)
        found.add(sign * a[several], c[several], np.full(len(several), -np.inf), limit[several], several)
        alone = np.flatnonzero(binds & single)
        slab = belongs.indices[belongs.indptr[:-1][alone]]
        room = csr_array((narrower[alone] - limit[alone], (np.arange(len(alone)), slab)), shape=(len(alone), m))
        found.add(sign * a[alone], room, np.full(len(alone), -np.inf), np.zeros(len(alone)), alone)
    none, open_below = np.full(LEADING * m, -1), np.full(LEADING * m, -np.inf)
    for sign, bound in ((1.0, window.most), (-1.0, -window.least)):
        z = diags_array(-bound.ravel(), format="csr") @ of_slab
        found.add(sign * eye_array(LEADING * m, format="csr"), z, open_below, np.zeros(LEADING * m), none)
    _add_followers(found, problem, window, least, most)
    return WindowRows(
        csr_array(block_array(found.parts, format="csr")), np.concatenate(found.low), np.concatenate(found.high), must,
        np.concatenate(found.rule),
    )  # fmt: skip


def _add_followers(found: _Gathered, problem: StepProblem, window: Window, least: Floats, most: Floats) -> None:
    """Add the travel of screws that follow the plane; the ranges of those that lead hold theirs already."""
    travel, reach = problem.travel[window.slabs], problem.reach[window.slabs]
    slab, drive = np.nonzero(((np.abs(travel) > 0).sum(axis=2) > 1) & np.isfinite(reach))
    column = LEADING * slab[:, None] + np.arange(LEADING)
    row = np.repeat(np.arange(len(slab)), LEADING)
    x = csr_array((travel[slab, drive].ravel(), (row, column.ravel())), shape=(len(slab), len(least)))
    far = reach[slab, drive]
    lowest, highest = row_range(x, least, most)
    needed = np.flatnonzero((highest > far) | (lowest < -far))
    no_z = csr_array((len(needed), len(window.slabs)))
    found.add(x[needed], no_z, -far[needed], far[needed], np.full(len(needed), -1))
