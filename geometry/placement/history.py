"""A slab through its life: where it lay at each epoch, how it moved between them, and what was asked of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from geometry.alignment.frames import from_grid, to_grid, vector_of_rotation
from geometry.alignment.laws import Floats
from geometry.slabs import Fitting, SlabType, Targets, padded_marks
from geometry.survey import Fits, SurveyFinding, fit_slabs, movement_rows
from geometry.survey.points import Ints

from .check import CheckRules
from .common_shift import common_shifts
from .deviation import deviation_at, pose_deviation, sigma_at
from .epoch_marks import EpochMarks, marks_of
from .epochs import MIXED_SETUPS, NO_SETUP, Epochs, StagedPoints, split_epochs
from .movement import NO_CHECK, congruency, covariance_of_difference, least_found, moved
from .verdict import Tolerance, Verdicts, decide

__all__ = [
    "ASSUMED",
    "EPOCH_NOTES",
    "Adjustment",
    "History",
    "Movements",
    "fitting_places",
    "slab_history",
]

Bools = npt.NDArray[np.bool_]

# why an epoch says less than it might; the bits of History.notes
EPOCH_NOTES: Final = {
    1: "too few corners",
    2: "three corners, no check",
    4: "names contradict places",
    8: "marks contradict each other",
    16: "two readings of one moment",
    32: "set-up in doubt",
}
_TOO_FEW, _UNCHECKED, _NAMES, _CONTRADICT, _TWICE, _SETUP = EPOCH_NOTES

# what is taken for granted about the errors of two epochs; Movements.assumed
ASSUMED: Final = (
    "set-ups not named: errors of both epochs taken as independent",
    "one set-up: its own errors cancel; sigmas that hold them are too large here, so less is called moved",
    "two set-ups: their errors taken as independent; what the sigmas of the marks do not hold is not in the test",
    "one set-up of known uncertainty: its errors taken as the same at both epochs, so that they cancel",
    "two set-ups of known uncertainty: both are in the test, taken as independent",
)
_ASKED_IS_NOISE = 2.0  # a move asked for that is smaller than this many sigmas has no share that was achieved


@dataclass(frozen=True, eq=False)
class Adjustment:
    """Moves asked for at one epoch and achieved until the next, at k places of v movements; shape (v, k).

    nan where a slab has fewer places or an epoch has no pose.

    Attributes
    ----------
    asked : ndarray
        Minus the deviation at the earlier epoch, m.
    achieved : ndarray
        What the slab moved since, m.
    rest : ndarray
        What is still to be done: minus the deviation at the later epoch, m.
    ratio : ndarray
        Achieved over asked; nan where what was asked is within two of its sigmas.
    asked_sigma, achieved_sigma, rest_sigma, ratio_sigma : ndarray
    """

    asked: Floats
    asked_sigma: Floats
    achieved: Floats
    achieved_sigma: Floats
    rest: Floats
    rest_sigma: Floats
    ratio: Floats
    ratio_sigma: Floats


@dataclass(frozen=True, eq=False)
class Movements:
    """What v pairs of epochs of one slab each tell, one right after the other.

    Attributes
    ----------
    before, after : ndarray of int, shape (v,)
        Epochs; those without a pose are passed over.
    pose : ndarray, shape (v, 6)
        Movement across, along, up of the centre of the top face, m, pitch, roll, yaw, rad, in the frame of the
        target slab.
    covariance : ndarray, shape (v, 6, 6)
        Sum of the covariances of both poses, less what they share where one set-up of known uncertainty saw both.
    statistic, p : ndarray, shape (v,)
        Of the congruency test with 6 degrees of freedom.
    verdict : ndarray of int8, shape (v,)
        Place in `MOVEMENT_WORDS`. No check where an epoch has fewer than four marks, names that contradict places
        or a set-up in which something was wrong, or where the marks did not move as one body.
    component_p : ndarray, shape (v, 6)
        Of each component by itself.
    least : ndarray, shape (v, 6)
        Least movement of each component alone that the test finds with 80 percent.
    marks, marks_sigma : ndarray, shape (v, m, 3)
        Movement of each mark as the fitted slab carries it: across, along, up, m.
    assumed : ndarray of int, shape (v,)
        Place in `ASSUMED`.
    injection : ndarray of bool, shape (v,)
        Whether the slab was injected between the two.
    settling : ndarray of int8, shape (v, m)
        Verdict on the movement up of each mark during injection; not measured for all other movements.
    adjustments : mapping from "lift", "push", "along" to Adjustment
        At each vertical screw, at each lateral adjuster, and at the centre.
    """

    before: Ints
    after: Ints
    pose: Floats
    covariance: Floats
    statistic: Floats
    p: Floats
    verdict: npt.NDArray[np.int8]
    component_p: Floats
    least: Floats
    marks: Floats
    marks_sigma: Floats
    assumed: Ints
    injection: Bools
    settling: Verdicts
    adjustments: Mapping[str, Adjustment]

    @property
    def sigma(self) -> Floats:
        """Standard uncertainty of each component, shape (v, 6)."""
        return np.asarray(np.sqrt(np.einsum("vii->vi", self.covariance)))


@dataclass(frozen=True, eq=False)
class History:
    """All epochs of all slabs.

    Attributes
    ----------
    epochs : Epochs
        e epochs.
    fits : Fits
        Of each epoch by itself.
    deviation, deviation_sigma : ndarray, shape (e, m, 3)
        Of each mark as the fitted slab carries it: across, along, up, m.
    pose, pose_sigma : ndarray, shape (e, 6)
        Deviation of the pose.
    notes : ndarray of int, shape (e,)
        Bits of `EPOCH_NOTES`.
    movements : Movements
    findings : tuple of SurveyFinding
    """

    epochs: Epochs
    fits: Fits
    deviation: Floats
    deviation_sigma: Floats
    pose: Floats
    pose_sigma: Floats
    notes: Ints
    movements: Movements
    findings: tuple[SurveyFinding, ...]


def slab_history(
    targets: Targets, types: Sequence[SlabType], type_index: Ints, slab_names: Sequence[str], given: StagedPoints,
    rules: CheckRules, injected: str = "", settling: Tolerance | None = None,
) -> History:  # fmt: skip
    """Return the history of every slab.

    Parameters
    ----------
    targets : Targets
        Of n slabs.
    types : sequence of SlabType
    type_index : ndarray of int, shape (n,)
    slab_names : sequence of str, length n
    given : StagedPoints
    rules : CheckRules
    injected : str
        The first stage after injection; "" for none. Capitals do not count.
    settling : Tolerance, optional
        Limits for the movement up of a mark during injection.
    """
    scale, places = rules.grid_scale, padded_marks(types)
    target_marks = to_grid(targets.position, targets.rotation, places[type_index], scale)

    def mark_name(slab: int, mark: int) -> str:
        return types[int(type_index[slab])].marks.names[mark]

    epochs = split_epochs(target_marks, given, slab_names, mark_name, rules.match_radius)
    kinds = type_index[epochs.slab]
    marks = marks_of(target_marks, given, epochs, slab_names, types, type_index, rules)
    own = Targets(**{name: getattr(targets, name)[epochs.slab] for name in Targets.__dataclass_fields__})
    fits = fit_slabs(own.position, own.rotation, places, kinds, marks.xyz, marks.sigma, scale, marks.covariance,
                     marks.common)  # fmt: skip
    notes = np.zeros(len(epochs), dtype=np.intp)
    notes[~fits.determined] |= _TOO_FEW
    notes[fits.determined & ~fits.checked] |= _UNCHECKED
    notes[marks.withheld] |= _NAMES
    notes[fits.suspicious] |= _CONTRADICT
    notes[epochs.disputed] |= _TWICE
    notes[marks.doubted] |= _SETUP
    stage = _injection_stage(given.stages, injected)
    movements, shared = _movements(own, fits, types, kinds, epochs, marks, notes, rules, stage, settling)
    alike = common_shifts(
        own.rotation[movements.after], movements.pose, movements.covariance, shared, epochs.setup[movements.before],
        epochs.setup[movements.after], movements.verdict != NO_CHECK, given.setups,
    )  # fmt: skip
    return History(
        epochs=epochs,
        fits=fits,
        deviation=deviation_at(own, fits, places, kinds, scale),
        deviation_sigma=sigma_at(fits, places),
        pose=pose_deviation(own, fits, scale),
        pose_sigma=np.sqrt(np.einsum("eii->ei", fits.covariance)),
        notes=notes,
        movements=movements,
        findings=tuple(sorted((*epochs.findings, *marks.findings, *alike), key=lambda f: (f.slab < 0, f.slab))),
    )


def _injection_stage(stages: tuple[str, ...], injected: str) -> int:
    """Return the place of the first stage after injection; beyond all where no survey has it."""
    folded = [stage.casefold() for stage in stages]
    return folded.index(injected.casefold()) if injected and injected.casefold() in folded else len(stages)


def _pairs(epochs: Epochs, determined: Bools) -> tuple[Ints, Ints]:
    """Return epochs with a pose and the ones before them with one, of the same slab."""
    rows = np.flatnonzero(determined)
    same = np.diff(epochs.slab[rows]) == 0
    return rows[:-1][same], rows[1:][same]


def _movements(
    own: Targets, fits: Fits, types: Sequence[SlabType], kinds: Ints, epochs: Epochs, measured: EpochMarks,
    notes: Ints, rules: CheckRules, injection_stage: int, settling: Tolerance | None,
) -> tuple[Movements, Floats]:  # fmt: skip
    """Return the movements, and the part of their covariance that set-ups cause."""
    before, after = _pairs(epochs, fits.determined)
    scale = rules.grid_scale
    covariance, shared = covariance_of_difference(fits.covariance, fits.common, fits.setup, before, after)
    shift = pose_deviation(own, fits, scale)[:, :3]
    to_target = np.swapaxes(own.rotation[after], 1, 2)
    # the turn between both, not the difference of two turns: they do not add for slabs that were far off
    turn = to_target @ fits.rotation[after] @ np.swapaxes(fits.rotation[before], 1, 2) @ own.rotation[after]
    pose = np.concatenate([shift[after] - shift[before], vector_of_rotation(turn) * (1.0, 1.0, -1.0)], axis=1)
    statistic, p = congruency(pose, covariance)
    untrue = (notes & (_TOO_FEW | _UNCHECKED | _NAMES | _TWICE | _SETUP)) > 0
    checked = ~untrue[before] & ~untrue[after] & _as_one_body(own, measured, before, after, scale)

    adjustments = {
        kind: _adjustment(own, fits, places, kinds, axis, before, after, covariance, scale)
        for kind, places, axis in (
            ("lift", fitting_places([t.screws for t in types]), 2),
            ("push", fitting_places([t.adjusters for t in types]), 0),
            ("along", np.zeros((len(types), 1, 3)), 1),
        )
    }
    marks = padded_marks(types)
    off = deviation_at(own, fits, marks, kinds, scale)
    moves, moves_sigma = off[after] - off[before], _sigma(covariance, marks[kinds[after]])
    injection = (epochs.stage[before] < injection_stage) & (epochs.stage[after] >= injection_stage)
    limit = settling or Tolerance("up", -np.inf, np.inf, "no limit given")
    up = np.where(injection[:, None] & (settling is not None), moves[..., 2], np.nan)
    setups = epochs.setup[before], epochs.setup[after]
    named = (setups[0] != NO_SETUP) & (setups[1] != NO_SETUP)
    one = named & (setups[0] == setups[1]) & (setups[0] != MIXED_SETUPS)
    known = measured.of_known[before] & measured.of_known[after]
    from_one = np.where(one, 1, 2) + 2 * known
    movements = Movements(
        before=before,
        after=after,
        pose=pose,
        covariance=covariance,
        statistic=statistic,
        p=p,
        verdict=moved(p, checked),
        component_p=congruency(pose[..., None], np.einsum("vii->vi", covariance)[..., None, None])[1],
        least=least_found(covariance),
        marks=moves,
        marks_sigma=moves_sigma,
        assumed=np.where(named, from_one, 0),
        injection=injection,
        settling=decide(up, moves_sigma[..., 2], limit, rules.guard),
        adjustments=adjustments,
    )
    return movements, shared


def _as_one_body(own: Targets, marks: EpochMarks, before: Ints, after: Ints, scale: float) -> Bools:
    """Return whether four marks or more of each pair moved as a rigid body would, shape (v,).

    The slab is fitted to where its own marks lay before, so that its shape, and a mark that sits wrong on
    it at both epochs, do not matter.
    """
    if not len(before):
        return np.zeros(0, dtype=bool)
    lay = from_grid(own.position[before], own.rotation[before], marks.xyz[before], scale)
    both = np.hypot(marks.sigma[before], marks.sigma[after])
    there = np.where(np.isfinite(lay), marks.xyz[after], np.nan)
    kinds = np.arange(len(before))
    # what set-ups do moves all marks as one body, so that here it may stand twice
    covariance = None if marks.covariance is None else marks.covariance[before] + marks.covariance[after]
    again = fit_slabs(own.position[after], own.rotation[after], lay, kinds, there, both, scale, covariance)
    return np.asarray(again.checked & ~again.suspicious)


def fitting_places(fittings: Sequence[Fitting]) -> Floats:
    """Return the places of fittings of each type, shape (t, k, 3), m, nan where a type has fewer."""
    places = np.full((len(fittings), max(len(f.names) for f in fittings), 3), np.nan)
    for row, fitting in zip(places, fittings, strict=True):
        row[: len(fitting.places)] = fitting.places
    return places


def _sigma(covariance: Floats, places: Floats) -> Floats:
    """Return the standard uncertainty of the movement of places, (v, k, 3), for covariances of poses (v, 6, 6)."""
    rows = movement_rows(places)
    return np.asarray(np.sqrt(np.einsum("vkci,vij,vkcj->vkc", rows, covariance, rows)))


def _adjustment(
    own: Targets, fits: Fits, places: Floats, kinds: Ints, axis: int, before: Ints, after: Ints, covariance: Floats,
    scale: float,
) -> Adjustment:  # fmt: skip
    """Return asked, achieved and rest at the places of each type along one axis of the target's frame."""
    off = deviation_at(own, fits, places, kinds, scale)[..., axis]
    sigma = sigma_at(fits, places)[..., axis]
    first, second, u, v = off[before], off[after], sigma[before], sigma[after]
    asked = np.where(np.abs(first) > _ASKED_IS_NOISE * u, -first, np.nan)
    moved_sigma = _sigma(covariance, places[kinds[after]])[..., axis]
    # achieved / asked = 1 - second / first; what both share is what their difference is surer of than their sum
    left = -second / asked
    shared = (u**2 + v**2 - moved_sigma**2) / 2
    of_ratio = np.sqrt(np.maximum(v**2 + (left * u) ** 2 - 2 * left * shared, 0.0))
    return Adjustment(
        asked=-first,
        asked_sigma=u,
        achieved=second - first,
        achieved_sigma=moved_sigma,
        rest=-second,
        rest_sigma=v,
        ratio=(second - first) / asked,
        ratio_sigma=of_ratio / np.abs(asked),
    )
