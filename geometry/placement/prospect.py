"""Before the work: what a planned set-up will be able to decide about the slabs around it.

A value counts as within only if it clears its limits by the guard factor times its standard uncertainty (JCGM
106:2012, section 8). What is left of the tolerance after both guard bands is the room in which a slab can still
be called within; where nothing is left, no measured value ever could.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from geometry.alignment.frames import to_grid
from geometry.alignment.laws import Floats
from geometry.slabs import SlabType, Targets, padded_marks
from geometry.survey import Fits, fit_slabs
from geometry.survey.points import Ints
from geometry.survey.polar_uncertainty import Stands, points_seen
from geometry.survey.readings import Control

from .check import CheckRules
from .deviation import sigma_at
from .expected_setup import ExpectedSetups, SightPlan, expected_setups, planned_sights
from .joints import Joints, joints
from .verdict import JOINT_QUANTITIES, SLAB_QUANTITIES, Quantity, Tolerance

__all__ = [
    "DECIDABLE", "NARROW", "NONE", "OUTLOOKS", "UNDECIDABLE", "Line", "Outlook", "Prospect", "outlook", "prospect",
]  # fmt: skip

Bools = npt.NDArray[np.bool_]
DECIDABLE, NARROW, UNDECIDABLE, NONE = range(4)
OUTLOOKS: Final = ("decidable", "narrow", "undecidable", "no limit")
_HAIR = 1e-9  # 1 nm is no length here, as in the verdicts


@dataclass(frozen=True, eq=False)
class Line:
    """The n slabs of a project, in order of chainage.

    Attributes
    ----------
    targets : Targets
    types : sequence of SlabType
    type_index, span : ndarray of int, shape (n,)
        Type of each slab, and the span between structure joints that it lies on.
    distance : ndarray, shape (n,)
        Of each slab's centre along the line, m.
    """

    targets: Targets
    types: Sequence[SlabType]
    type_index: Ints
    span: Ints
    distance: Floats

    @property
    def half_length(self) -> Floats:
        """Half the length of each slab, m, shape (n,)."""
        return np.array([t.length / 2 for t in self.types])[self.type_index]


@dataclass(frozen=True, eq=False)
class Outlook:
    """What is left of one tolerance, for n things with one or more places each.

    Attributes
    ----------
    tolerance : Tolerance
    sigma : ndarray, shape (n,)
        Expected standard uncertainty at the least certain place, m.
    place : ndarray of int, shape (n,)
        Which place that is.
    left : ndarray, shape (n,)
        Half the width between the acceptance limits there, m; negative where they have crossed.
    state : ndarray of int8, shape (n,)
        `DECIDABLE` with the room asked for, `NARROW` with less, `UNDECIDABLE` without any, `NONE` where the
        tolerance does not hold.
    """

    tolerance: Tolerance
    sigma: Floats
    place: Ints
    left: Floats
    state: npt.NDArray[np.int8]


@dataclass(frozen=True, eq=False)
class Prospect:
    """What c planned set-ups can decide.

    A view is one slab seen from one set-up with all its marks; v of them, set-up by set-up in order of chainage.

    Attributes
    ----------
    setups : ExpectedSetups
    setup, slab : ndarray of int, shape (v,)
        Set-up and slab of each view.
    distance, zenith, face_angle : ndarray, shape (v, m)
        Of the sight to each mark, m and rad; the angle at which it meets the slab's top face, negative from below.
    own, common : ndarray, shape (v, m, 3)
        Standard uncertainty of each mark's coordinates by its own reading and by the set-up, across, along, up, m.
    deviation_sigma : ndarray, shape (v, m, 3)
        Of the deviation at each mark as the fitted slab carries it, m: this is what is judged.
    mark_decidable : ndarray of bool, shape (v, m)
        Whether across, along and up all leave the room asked for at this mark.
    pose_sigma : ndarray, shape (v, 6)
        Across, along, up, m, pitch, roll, yaw, rad.
    joints : Joints
        Between neighbouring slabs seen from one set-up; `rear` and `front` count views. Its deviations are zero.
    outlooks : mapping from quantity to Outlook
        Slab quantities have v entries, joint quantities one for each joint.
    reach, widest_reach : ndarray of int, shape (c, 2)
        First and last view of the longest row of slabs of each set-up where every tolerance of slabs and of the
        joints between them is decidable with the room asked for, and decidable at all; -1 where there is none.
    reach_length : ndarray, shape (c,)
        Length of `reach` along the line, m.
    marks_decidable : ndarray of int, shape (c,)
        How many marks are.
    largest_sigma : ndarray, shape (c,)
        Of any deviation at these marks (at all marks where none is decidable), m; inf without any.
    influence : ndarray, shape (s, 3)
        How far an error that would just not be found in the control point of each sight could shift a slab
        across, along, up, m.
    """

    setups: ExpectedSetups
    setup: Ints
    slab: Ints
    distance: Floats
    zenith: Floats
    face_angle: Floats
    own: Floats
    common: Floats
    deviation_sigma: Floats
    mark_decidable: Bools
    pose_sigma: Floats
    joints: Joints
    outlooks: Mapping[Quantity, Outlook]
    reach: Ints
    widest_reach: Ints
    reach_length: Floats
    marks_decidable: Ints
    largest_sigma: Floats
    influence: Floats

    @property
    def ranking(self) -> Ints:
        """Set-ups from the best to the worst, shape (c,): by decidable marks, then by the largest sigma."""
        return np.lexsort((np.arange(len(self.largest_sigma)), self.largest_sigma, -self.marks_decidable))


def outlook(sigma: Floats, tolerance: Tolerance, guard: float, room: float) -> Outlook:
    """Return what is left of a tolerance at the least certain place of each thing.

    Parameters
    ----------
    sigma : ndarray, shape (n, k)
        Expected standard uncertainty at each place, m; nan for places that a thing does not have. Without any
        place nothing can be decided.
    tolerance : Tolerance
    guard : float
        Guard factor.
    room : float
        Part of the half tolerance that has to be left, 0 .. 1.

    Examples
    --------
    >>> limit = Tolerance("up", -0.001, 0.001, "example")
    >>> one = outlook(np.array([[0.0003], [0.0002], [0.0005], [np.nan]]), limit, 2.0, 0.5)
    >>> (one.left * 1e3).round(6).tolist(), [OUTLOOKS[s] for s in one.state]
    ([0.4, 0.6, 0.0, nan], ['narrow', 'decidable', 'undecidable', 'undecidable'])
    """
    place = np.where(np.isnan(sigma), -np.inf, sigma).argmax(axis=1)
    worst = np.take_along_axis(sigma, place[:, None], 1)[:, 0]
    half = (tolerance.high - tolerance.low) / 2
    left = half - guard * worst
    state = np.where(left >= room * half - _HAIR, DECIDABLE, NARROW)
    state = np.where(left > _HAIR, state, UNDECIDABLE)  # nan as well
    return Outlook(tolerance, worst, place, left, state.astype(np.int8))


def prospect(
    position: Floats, control: Control, sighted: Bools, line: Line, rules: CheckRules, plan: SightPlan,
    room: float = 0.5,
) -> Prospect:  # fmt: skip
    """Return what planned set-ups can decide, each on its own.

    Parameters
    ----------
    position : ndarray, shape (c, 3)
        Easting, northing, level of the tilting axis in the grid, m.
    control : Control
        k points.
    sighted : ndarray of bool, shape (c, k)
        Which control points each set-up will sight.
    line : Line
    rules : CheckRules
        Tolerances and guard factor.
    plan : SightPlan
    room : float
        Part of the half tolerance that has to be left for a slab to count as decidable.

    Raises
    ------
    ValueError
        If a sighted point stands over or under its instrument.
    """
    setups = expected_setups(position, control, sighted, plan, rules.grid_scale)
    targets, places = line.targets, padded_marks(line.types)
    setup, slab = _views(setups, line, places, plan)
    v, m = len(slab), places.shape[1]
    kinds = line.type_index[slab]
    seen = Targets(**{name: getattr(targets, name)[slab] for name in Targets.__dataclass_fields__})
    marks = to_grid(seen.position, seen.rotation, places[kinds], rules.grid_scale)
    delta = marks - position[setup][:, None]
    sight = planned_sights(
        delta.reshape(-1, 3), plan.mark_rounds, np.repeat(setup, m), np.arange(v * m), plan.refraction,
        rules.grid_scale,
    )  # fmt: skip
    stands = Stands(position, np.zeros(len(position)), np.nan_to_num(setups.covariance))
    points = points_seen(stands, sight, plan.instrument, plan.refraction, rules.grid_scale)
    own, common = points.own.reshape(v, m, 3, 3), points.common.reshape(v, m, 3, 4)
    exists = np.asarray(np.isfinite(marks).all(axis=2))
    fits = fit_slabs(
        seen.position, seen.rotation, places, kinds, marks, np.where(exists[..., None], 1.0, np.nan) * np.ones(3),
        rules.grid_scale, _covariance(own, common), (common.reshape(v, 3 * m, 4), setup[:, None]) if v else None,
    )  # fmt: skip
    sigma = sigma_at(fits, places)
    between = _joints(seen, fits, line, setup, slab, rules)
    outlooks = _outlooks(sigma, between, rules, room)

    limits = [t for t in rules.tolerances if t.quantity in SLAB_QUANTITIES]
    by_limit = [
        outlook(sigma[..., SLAB_QUANTITIES.index(t.quantity)].reshape(-1, 1), t, rules.guard, room).state == DECIDABLE
        for t in limits
    ]
    decidable = np.stack([*by_limit, exists.ravel()]).all(axis=0).reshape(v, m)
    count = np.bincount(setup, decidable.sum(axis=1), len(position)).astype(np.intp)
    reach = _longest(setup, slab, between, outlooks, line, len(position), NARROW)
    into_slab = np.swapaxes(seen.rotation, 1, 2)[:, None]
    return Prospect(
        setups=setups,
        setup=setup,
        slab=slab,
        distance=sight.distance.reshape(v, m),
        zenith=sight.zenith.reshape(v, m),
        face_angle=_face_angle(seen, delta),
        own=_sigmas(into_slab @ own @ np.swapaxes(into_slab, 2, 3)),
        common=np.asarray(np.linalg.norm(into_slab @ common, axis=3)),
        deviation_sigma=sigma,
        mark_decidable=decidable,
        pose_sigma=_sigmas(fits.covariance),
        joints=between,
        outlooks=outlooks,
        reach=reach,
        widest_reach=_longest(setup, slab, between, outlooks, line, len(position), UNDECIDABLE),
        reach_length=_length(reach, slab, line),
        marks_decidable=count,
        largest_sigma=_largest(sigma, decidable, setup, count),
        influence=_influence(setups, setup, seen, position),
    )


def _views(setups: ExpectedSetups, line: Line, places: Floats, plan: SightPlan) -> tuple[Ints, Ints]:
    """Return set-up and slab wherever all marks of a slab are within reach, set-up by set-up."""
    centre, position = line.targets.position, setups.position
    largest = float(np.nanmax(np.linalg.norm(places, axis=2)))
    near = cKDTree(centre).query_ball_point(position, plan.mark_range[1] + largest, return_sorted=True)
    found = [np.asarray(some, dtype=np.intp) for some in near]
    setup = np.repeat(np.arange(len(position)), [len(some) for some in found])
    slab = np.concatenate([np.zeros(0, dtype=np.intp), *found])
    marks = to_grid(centre[slab], line.targets.rotation[slab], places[line.type_index[slab]])
    away = np.linalg.norm(marks - position[setup][:, None], axis=2)
    inside = ~(away > plan.mark_range[1]).any(axis=1) & setups.determined[setup]
    return setup[inside], slab[inside]


def _covariance(own: Floats, common: Floats) -> Floats:
    """Return the covariance of all coordinates of each slab, (v, 3m, 3m), from what marks have and what they share."""
    v, m = own.shape[:2]
    factor = common.reshape(v, 3 * m, common.shape[3])
    result = factor @ np.swapaxes(factor, 1, 2)
    blocks = result.reshape(v, m, 3, m, 3)
    mark = np.arange(m)
    blocks[:, mark, :, mark, :] += own.transpose(1, 0, 2, 3)
    return np.asarray(result)


def _sigmas(covariance: Floats) -> Floats:
    return np.asarray(np.sqrt(np.einsum("...ii->...i", covariance)))


def _face_angle(seen: Targets, delta: Floats) -> Floats:
    """Return at what angle each sight meets the top face, rad, shape (v, m)."""
    down = -np.einsum("vmi,vi->vm", delta, seen.rotation[:, :, 2]) / np.linalg.norm(delta, axis=2)
    return np.asarray(np.arcsin(np.clip(down, -1.0, 1.0)))


def _joints(seen: Targets, fits: Fits, line: Line, setup: Ints, slab: Ints, rules: CheckRules) -> Joints:
    every = joints(
        seen, fits, line.types, line.type_index[slab], line.span[slab], rules.rail_apart, rules.grid_scale
    )  # fmt: skip
    # the last slab of one set-up and the first of the next may be neighbours as well
    one = (setup[every.rear] == setup[every.front]) & (slab[every.front] == slab[every.rear] + 1)
    return Joints(**{name: getattr(every, name)[one] for name in Joints.__dataclass_fields__})


def _outlooks(sigma: Floats, between: Joints, rules: CheckRules, room: float) -> dict[Quantity, Outlook]:
    values: dict[Quantity, Floats] = {
        "across": sigma[..., 0],
        "along": sigma[..., 1],
        "up": sigma[..., 2],
        "step_level": between.step_level_sigma,
        "step_line": between.step_line_sigma,
        "gap": between.gap_sigma,
        # as the check has it
        "gap_difference": between.wedge_sigma[:, None],
    }
    found = {t.quantity: outlook(values[t.quantity], t, rules.guard, room) for t in rules.tolerances}
    for quantity in ("gap", "gap_difference"):
        if quantity in found:
            found[quantity].state[between.at_structure] = NONE
    return found


def _longest(
    setup: Ints, slab: Ints, between: Joints, outlooks: Mapping[Quantity, Outlook], line: Line, count: int, bad: int
) -> Ints:
    """Return first and last view of the longest row without a state of `bad` or worse, shape (count, 2)."""

    def failing(quantities: Sequence[Quantity], size: int) -> Bools:
        states = [outlooks[q].state for q in quantities if q in outlooks]
        return np.asarray(np.any([(s >= bad) & (s != NONE) for s in states] or [np.zeros(size, bool)], axis=0))

    result = np.full((count, 2), -1, dtype=np.intp)
    good = ~failing(SLAB_QUANTITIES, len(slab))
    if not good.any():
        return result
    starts = np.ones(len(slab), dtype=bool)
    starts[1:] = ~good[:-1] | (setup[1:] != setup[:-1]) | (slab[1:] != slab[:-1] + 1)
    starts[between.front[failing(JOINT_QUANTITIES, len(between.front))]] = True
    row = np.cumsum(starts)[good]
    view = np.flatnonzero(good)
    first = view[np.flatnonzero(np.diff(row, prepend=-1))]
    last = view[np.flatnonzero(np.diff(row, append=row[-1] + 1))]
    rows = np.stack([first, last], axis=1)
    order = np.argsort(_length(rows, slab, line), kind="stable")
    result[setup[first[order]]] = rows[order]  # the longest of each set-up comes last and stays
    return result


def _length(rows: Ints, slab: Ints, line: Line) -> Floats:
    """Return lengths of rows of slabs along the line, m; 0 where there is none."""
    if not len(slab):
        return np.zeros(len(rows))
    first, last = slab[rows[:, 0]], slab[rows[:, 1]]
    half = line.half_length
    length = line.distance[last] - line.distance[first] + half[first] + half[last]
    return np.where(rows[:, 0] >= 0, length, 0.0)


def _largest(sigma: Floats, decidable: Bools, setup: Ints, count: Ints) -> Floats:
    counts = decidable | (count[setup] == 0)[:, None]
    of_view = np.where(counts[..., None], np.nan_to_num(sigma, nan=-np.inf), -np.inf).max(axis=(1, 2), initial=-np.inf)
    result = np.full(len(count), -np.inf)
    np.maximum.at(result, setup, of_view)
    return np.where(result > 0, result, np.inf)


def _influence(setups: ExpectedSetups, setup: Ints, seen: Targets, position: Floats) -> Floats:
    """Return how far the smallest error that is found in a control point shifts a slab at most, shape (s, 3)."""
    s = len(setups.setup)
    result = np.zeros((s, 3))
    most = int(np.bincount(setups.setup).max(initial=0)) if s else 0
    if not (most and len(setup)):
        return result
    # sights of each set-up side by side; where it has fewer, the first sight of all with no influence
    slot = np.arange(s) - np.searchsorted(setups.setup, setups.setup)
    table = np.full((len(position), most), -1)
    table[setups.setup, slot] = np.arange(s)
    which = table[setup]
    east, north, _ = np.moveaxis(seen.position - position[setup], -1, 0)
    turned = np.stack([north, -east, np.zeros_like(east)], axis=1)[:, :, None]
    moved = np.concatenate([np.broadcast_to(np.eye(3), (len(setup), 3, 3)), turned], axis=2)
    in_slab = np.swapaxes(seen.rotation, 1, 2) @ moved
    size = np.abs(np.einsum("vij,vkja->vkia", in_slab, setups.influence[which]))
    least = setups.smallest_point[which][:, :, None, :]
    shift = np.where(np.isfinite(least), size * np.where(np.isfinite(least), least, 0.0), np.inf).max(axis=3)
    real = which >= 0
    np.maximum.at(result, which[real], shift[real])
    return result
