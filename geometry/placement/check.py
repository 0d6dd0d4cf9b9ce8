"""The main job: from target poses and surveyed points to verdicts and moves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, overload

import numpy as np
import numpy.typing as npt

from geometry.alignment.frames import from_grid
from geometry.alignment.laws import Floats
from geometry.slabs import SlabType, Targets, padded_marks
from geometry.survey import Fits, MeasuredMarks, SurveyFinding, SurveyPoints, fit_slabs, match, replaced
from geometry.survey.blocks import blocks
from geometry.survey.points import Ints

from .blunders import find_blunders
from .correction import Moves, moves
from .deviation import carried, deviation_at, pose_deviation, sigma_at
from .joints import Joints, joints
from .verdict import (
    NO_LIMIT,
    NOT_MEASURED,
    OUT,
    UNDECIDED,
    Judged,
    Quantity,
    Tolerance,
    Verdicts,
    judge,
    worst,
)

__all__ = ["NOTES", "UNJUDGED", "CheckRules", "SectionCheck", "check_section"]

Bools = npt.NDArray[np.bool_]

# why a slab is not simply judged by its pose; the bits of SectionCheck.notes
NOTES: Final = {
    1: "not measured",
    2: "too few corners",
    4: "three corners, no check",
    8: "names contradict places",
    16: "a corner left out as wrong",
    32: "heights or marks contradict each other",
    64: "a move is beyond the screws",
    128: "its set-up is in doubt",
}
_ABSENT, _TOO_FEW, _NO_CHECK, _NAMES, _LEFT_OUT, _CONTRADICT, _FAR, _SETUP = NOTES
_WITHHELD = _NAMES | _LEFT_OUT | _CONTRADICT | _SETUP
UNJUDGED: Final = _ABSENT | _TOO_FEW | _WITHHELD
"""Bits of `NOTES` that keep a slab, and the joints beside it, from a verdict of within."""


@dataclass(frozen=True)
class CheckRules:
    """How a section is judged.

    Parameters
    ----------
    tolerances : tuple of Tolerance
    guard : float
        Guard factor of the decision rule.
    match_radius : float
        How far a mark may lie from its target, m.
    rail_apart : float
        Distance between the rail head centres, m.
    grid_scale : float
        Grid length over true length in plan.
    """

    tolerances: tuple[Tolerance, ...]
    guard: float
    match_radius: float
    rail_apart: float
    grid_scale: float


@dataclass(frozen=True, eq=False)
class SectionCheck:
    """The answer for a section of n slabs and j joints.

    Attributes
    ----------
    targets : Targets
    fits : Fits
        Without the marks that were named as wrong.
    measured : MeasuredMarks
    deviation, deviation_sigma : ndarray, shape (n, m, 3)
        Of each mark as the fitted slab carries it: across, along, up, m.
    pose : ndarray, shape (n, 6)
        Deviation of the pose: across, along, up, m, pitch, roll, yaw, rad.
    pose_sigma : ndarray, shape (n, 6)
    joints : Joints
    by_tolerance : mapping from quantity to Judged
        Slab quantities have n entries, joint quantities j.
    verdict : ndarray of int8, shape (n,)
        On the pose of each slab, by all slab tolerances.
    joint_verdict : ndarray of int8, shape (j,)
        By all joint tolerances; undecided beside a slab whose survey is contradictory.
    notes : ndarray of int, shape (n,)
        Bits of `NOTES`.
    moves : Moves
    findings : tuple of SurveyFinding
    held : ndarray of bool, shape (n,)
        Slabs that mortar holds: nothing moves them any more.
    """

    targets: Targets
    fits: Fits
    measured: MeasuredMarks
    deviation: Floats
    deviation_sigma: Floats
    pose: Floats
    pose_sigma: Floats
    joints: Joints
    by_tolerance: Mapping[Quantity, Judged]
    verdict: Verdicts
    joint_verdict: Verdicts
    notes: Ints
    moves: Moves
    findings: tuple[SurveyFinding, ...]
    held: Bools

    @property
    def released(self) -> Bools:
        """Slabs whose moves may be made, shape (n,): determined, nothing contradictory in their survey, not held."""
        return np.asarray(self.fits.determined & ((self.notes & _WITHHELD) == 0) & ~self.held)


def check_section(
    targets: Targets, types: Sequence[SlabType], type_index: Ints, span: Ints, slab_names: Sequence[str],
    points: SurveyPoints, rules: CheckRules, held: Bools | None = None,
) -> SectionCheck:  # fmt: skip
    """Compare surveyed points with target poses.

    Parameters
    ----------
    targets : Targets
        Of n slabs in order of chainage.
    types : sequence of SlabType
    type_index, span : ndarray of int, shape (n,)
        Type of each slab, and the span between structure joints that it lies on.
    slab_names : sequence of str, length n
    points : SurveyPoints
    rules : CheckRules
    held : ndarray of bool, shape (n,), optional
        Slabs that mortar holds: judged like the others, but without moves.

    Returns
    -------
    SectionCheck
        A slab is within only if every tolerance says so and nothing in its survey is contradictory; without
        a survey it is not measured.
    """
    scale = rules.grid_scale
    # memory along the slabs, as in the fit
    targets = replace(
        targets, position=np.asfortranarray(targets.position), rotation=np.asfortranarray(targets.rotation)
    )
    places = padded_marks(types)
    mark_names = _ByType([t.marks.names for t in types], type_index)
    measured = match(_in_grid(targets, places, type_index, scale), points, slab_names, mark_names, rules.match_radius)
    covariance = _covariance(measured)

    def fit(slabs: Ints | slice, left_out: Bools | None = None) -> Fits:
        sigma = measured.sigma[slabs]
        return fit_slabs(
            targets.position[slabs], targets.rotation[slabs], places, type_index[slabs], measured.xyz[slabs],
            sigma if left_out is None else np.where(left_out[..., None], np.nan, sigma),
            scale, None if covariance is None else covariance[slabs],
            None if measured.common is None or measured.setups is None
            else (measured.common[slabs], measured.setups[slabs]),
        )  # fmt: skip

    first = fit(slice(None))
    doubtful = first.suspicious | measured.withheld | measured.doubted

    def fit_without(slabs: Ints, left_out: Bools) -> tuple[Fits, Floats]:
        fits = fit(slabs, left_out)
        seen = from_grid(fits.position, fits.rotation, measured.xyz[slabs], scale)
        return fits, seen - places[type_index[slabs]]

    def steps_of(slabs: Ints, fits: Fits) -> tuple[Floats, Floats]:
        steps, sigma = _steps_to_neighbours(targets, first, slabs, fits, types, type_index, span, rules)
        # a neighbour that is itself contradictory is no witness
        beside = np.clip(slabs[:, None] + np.array([-1, -1, 1, 1]), 0, len(type_index) - 1)
        return np.where(doubtful[beside], np.nan, steps), sigma

    step_limit = max((t.high for t in rules.tolerances if t.quantity == "step_level"), default=0.001)
    blunders = find_blunders(first, slab_names, mark_names, fit_without, steps_of, step_limit, measured.disputed)
    fits = first
    again = np.flatnonzero(blunders.dropped.any(axis=1))
    if again.size:
        fits = replaced(first, again, fit(again, blunders.dropped[again]), take_over=True)

    deviation = deviation_at(targets, fits, places, type_index, scale)
    sigma = sigma_at(fits, places)
    between = joints(targets, fits, types, type_index, span, rules.rail_apart, scale)
    corrections = moves(targets, fits, types, type_index, scale)
    judged = _judge_all(deviation, sigma, between, rules)
    notes = _notes(measured, fits, blunders.dropped, blunders.unnamed, corrections)
    return SectionCheck(
        targets=targets,
        fits=fits,
        measured=measured,
        deviation=deviation,
        deviation_sigma=sigma,
        pose=pose_deviation(targets, fits, scale),
        pose_sigma=np.take(np.sqrt(np.einsum("gii->ig", fits.design.covariance)), fits.group, axis=1).T,
        joints=between,
        by_tolerance=judged,
        verdict=_overall(judged, notes, fits),
        joint_verdict=_joint_overall(judged, notes[between.rear] | notes[between.front]),
        notes=notes,
        moves=corrections,
        findings=tuple(sorted((*measured.findings, *blunders.findings), key=lambda f: (f.slab < 0, f.slab))),
        held=np.zeros(len(type_index), dtype=bool) if held is None else held,
    )


def _in_grid(targets: Targets, places: Floats, type_index: Ints, scale: float) -> Floats:
    """Return the target places of the marks in the grid, shape (n, m, 3), m."""
    marks = np.empty((len(type_index), places.shape[1], 3), order="F")
    plan = np.array([scale, scale, 1.0])[:, None, None]
    for rows in blocks(len(type_index)):
        matrix = np.ascontiguousarray(targets.rotation[rows].transpose(1, 2, 0))
        marks.T[..., rows] = carried(matrix, places, type_index[rows]) * plan + targets.position[rows].T[:, None]
    return marks


def _covariance(measured: MeasuredMarks) -> Floats | None:
    """Return covariances in the grid, (n, 3m, 3m), m^2: those of the points, or if sigmas differ within the plan."""
    if measured.covariance is not None:
        return measured.covariance
    sigma = measured.sigma
    if not (np.abs(sigma[..., 0] - sigma[..., 1]) > 1e-9).any():
        return None
    variance = np.nan_to_num(sigma, nan=1.0).reshape(len(sigma), -1) ** 2
    return variance[:, :, None] * np.eye(variance.shape[1])


class _ByType(Sequence[Sequence[str]]):
    """Names of the marks of each slab, looked up through its type."""

    def __init__(self, names: Sequence[tuple[str, ...]], type_index: Ints) -> None:
        self._names, self._type_index = names, type_index

    @overload
    def __getitem__(self, slab: int) -> Sequence[str]: ...
    @overload
    def __getitem__(self, slab: slice) -> Sequence[Sequence[str]]: ...
    def __getitem__(self, slab: int | slice) -> Sequence[str] | Sequence[Sequence[str]]:
        if isinstance(slab, slice):
            return [self._names[t] for t in self._type_index[slab].tolist()]
        return self._names[int(self._type_index[slab])]

    def __len__(self) -> int:
        return len(self._type_index)


def _steps_to_neighbours(
    targets: Targets, first: Fits, slabs: Ints, fits: Fits, types: Sequence[SlabType], type_index: Ints, span: Ints,
    rules: CheckRules,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return level steps of refitted slabs to their neighbours: rear left, right, front left, right, m."""
    n = len(targets.position)
    window = np.unique(np.clip(slabs[:, None] + np.array([-1, 0, 1]), 0, n - 1))
    between = joints(
        _subset(targets, window), first.of(window), types, type_index[window], span[window],
        rules.rail_apart, rules.grid_scale,
    )  # fmt: skip
    half, length = rules.rail_apart / 2, np.array([t.length for t in types])
    ends = np.array([[-1, -1, 0], [1, -1, 0], [-1, 1, 0], [1, 1, 0]]) * np.array([half, 0.5, 0.0])
    places = np.repeat(ends[None], len(types), axis=0)
    places[:, :, 1] *= length[:, None]
    mine = _subset(targets, slabs)
    own = deviation_at(mine, fits, places, type_index[slabs], rules.grid_scale)[..., 2]
    own_sigma = sigma_at(fits, places)[..., 2]
    # what the neighbours have at the joint: the first fit's deviation here plus or less the step there
    before = deviation_at(mine, first.of(slabs), places, type_index[slabs], rules.grid_scale)[..., 2]
    steps = np.full((len(slabs), 4), np.nan)
    neighbour_sigma = np.full((len(slabs), 4), np.nan)
    at_rear, at_front = np.full(n, -1), np.full(n, -1)
    at_rear[window[between.front]] = at_front[window[between.rear]] = np.arange(len(between.rear))
    for columns, joint, sign in ((slice(0, 2), at_rear[slabs], 1.0), (slice(2, 4), at_front[slabs], -1.0)):
        has = joint >= 0
        change = own[has, columns] - before[has, columns]
        steps[has, columns] = between.step_level[joint[has]] + sign * change
        neighbour_sigma[has, columns] = between.step_level_sigma[joint[has]]
    return steps, np.hypot(own_sigma, neighbour_sigma)


def _subset(targets: Targets, rows: Ints) -> Targets:
    return Targets(**{name: getattr(targets, name)[rows] for name in Targets.__dataclass_fields__})


def _judge_all(deviation: Floats, sigma: Floats, between: Joints, rules: CheckRules) -> dict[Quantity, Judged]:
    difference = between.gap[:, :1] - between.gap[:, 1:] - (between.target_gap[:, :1] - between.target_gap[:, 1:])
    values: dict[Quantity, tuple[Floats, Floats]] = {
        "across": (deviation[..., 0], sigma[..., 0]),
        "along": (deviation[..., 1], sigma[..., 1]),
        "up": (deviation[..., 2], sigma[..., 2]),
        "step_level": (between.step_level, between.step_level_sigma),
        "step_line": (between.step_line, between.step_line_sigma),
        "gap": (between.gap, between.gap_sigma),
        "gap_difference": (difference, between.wedge_sigma[:, None]),
    }
    judged = {t.quantity: judge(*values[t.quantity], t, rules.guard) for t in rules.tolerances}
    for quantity in ("gap", "gap_difference"):
        if quantity in judged:
            verdict = judged[quantity].verdict.copy()
            verdict[between.at_structure] = NO_LIMIT
            judged[quantity] = replace(judged[quantity], verdict=verdict)
    return judged


def _notes(measured: MeasuredMarks, fits: Fits, dropped: Bools, unnamed: Bools, corrections: Moves) -> Ints:
    any_mark = np.asarray(np.asarray(np.isfinite(measured.xyz).all(axis=2)).any(axis=1))
    notes = np.zeros(len(any_mark), dtype=np.intp)
    notes[~any_mark] |= _ABSENT
    notes[any_mark & ~fits.determined] |= _TOO_FEW
    notes[fits.determined & ~fits.checked] |= _NO_CHECK
    notes[measured.withheld] |= _NAMES
    notes[measured.doubted] |= _SETUP
    notes[dropped.any(axis=1)] |= _LEFT_OUT
    notes[unnamed] |= _CONTRADICT
    notes[corrections.beyond_travel] |= _FAR
    return notes


def _overall(judged: Mapping[Quantity, Judged], notes: Ints, fits: Fits) -> Verdicts:
    pose = [judged[q].verdict for q in ("across", "along", "up") if q in judged]
    if not pose:
        return np.where(fits.determined, UNDECIDED, NOT_MEASURED).astype(np.int8)
    verdict = _withheld(worst(np.stack(pose).T), notes)
    verdict[~fits.determined] = NOT_MEASURED
    return verdict


def _joint_overall(judged: Mapping[Quantity, Judged], notes: Ints) -> Verdicts:
    found = [judged[q].verdict for q in ("step_level", "step_line", "gap", "gap_difference") if q in judged]
    if not found:
        return np.full(len(notes), NOT_MEASURED, dtype=np.int8)
    verdict = worst(np.stack(found).T)
    return np.where(verdict == NOT_MEASURED, verdict, _withheld(verdict, notes))


def _withheld(verdict: Verdicts, notes: Ints) -> Verdicts:
    """Return verdicts without those that a contradictory survey cannot bear."""
    verdict = verdict.copy()
    # it proves nothing, neither good nor bad; without the corner that was named as wrong, bad it may prove
    verdict[(notes & (_NAMES | _CONTRADICT | _SETUP)) > 0] = UNDECIDED
    verdict[((notes & _WITHHELD) > 0) & (verdict != OUT)] = UNDECIDED
    return verdict
