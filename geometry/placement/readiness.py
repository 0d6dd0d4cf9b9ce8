"""Whether a slab may be injected, or every reason why not.

Mortar cannot be taken back, so a slab is ready only if everything that has to be known of it is known and good: what
nobody looked at is a reason like what is wrong. A slab that has been injected has a state of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

from .check import SectionCheck
from .ready_reasons import NOTHING, Reason
from .verdict import (
    JOINT_QUANTITIES,
    NO_LIMIT,
    NOT_MEASURED,
    OUT,
    UNDECIDED,
    WITHIN,
    Judged,
    Tolerance,
    Verdicts,
    judge,
)

__all__ = [
    "INJECTED",
    "NOT_READY",
    "READY",
    "STATES",
    "Looked",
    "Readiness",
    "ReadyRules",
    "flat_verdict",
    "readiness",
    "ready_runs",
    "slab_verdicts",
]

Bools = npt.NDArray[np.bool_]
READY, NOT_READY, INJECTED = range(3)
STATES: Final = ("ready", "not ready", "injected")


_JOINT_REASONS = (
    (Reason.REAR_OUT, Reason.REAR_UNDECIDED, Reason.REAR_UNKNOWN),
    (Reason.FRONT_OUT, Reason.FRONT_UNDECIDED, Reason.FRONT_UNKNOWN),
)
_OF_POSE_UNKNOWN = Reason.REAR_UNKNOWN | Reason.FRONT_UNKNOWN
_UNDER_POSE_UNKNOWN = Reason.GAP_UNKNOWN | Reason.ANCHOR_UNKNOWN
_OF_POSE_UNDECIDED = (
    Reason.POSE_UNDECIDED | Reason.REAR_UNDECIDED | Reason.FRONT_UNDECIDED | Reason.GAP_UNDECIDED
    | Reason.ANCHOR_UNDECIDED
)  # fmt: skip
_ABSENT, _TOO_FEW, _NO_CHECK, _SETUP = 1, 2, 4, 128  # bits of check.NOTES
_CONTRADICTED = 8 | 16 | 32


@dataclass(frozen=True)
class ReadyRules:
    """What counts against a slab.

    Parameters
    ----------
    oldest : float
        Age of the oldest mark of a slab that still counts, h.
    only_warn : Reason
        Reasons that are told beside the state and do not hold a slab up.
    waived : Reason
        Reasons that the project sees to in another way; they are told as such.
    """

    oldest: float
    only_warn: Reason = Reason.BED_OUT | Reason.RAIL_OUT | Reason.RAIL_UNDECIDED | Reason.BOWED | Reason.HEAT
    waived: Reason = NOTHING


@dataclass(frozen=True, eq=False)
class Looked:
    """What was looked at beside the poses of n slabs; None for what nobody looked at.

    Attributes
    ----------
    age : ndarray, shape (n,)
        Of the oldest mark of each slab that counts, h before the time asked for; nan where unknown.
    gap_whole : ndarray of bool, shape (n,), optional
        Slabs under which the mortar gap is known everywhere.
    gap_small, gap_large : ndarray of int8, shape (n,), optional
        Verdict on the smallest mortar gap against its lower limit and on the largest one against its upper.
    anchor : ndarray of int8, shape (n,), optional
        Verdict on the clearance between anchors and notches.
    bed : ndarray of int8, shape (n,), optional
        Verdict on the level of the bed itself.
    rail : ndarray of int8, shape (n,), optional
        Worst verdict on the rail over each slab; what has no limit or no room for a chord counts for nothing.
    planned : ndarray of bool, shape (n,), optional
        Slabs that a correction plan moves.
    bowed : ndarray of bool, shape (n,), optional
        Slabs whose curl or twist is more than noise.
    flat : ndarray of int8, shape (n,), optional
        Verdict on the level of each slab if it lost its curl by heat.
    """

    age: Floats
    gap_whole: Bools | None = None
    gap_small: Verdicts | None = None
    gap_large: Verdicts | None = None
    anchor: Verdicts | None = None
    bed: Verdicts | None = None
    rail: Verdicts | None = None
    planned: Bools | None = None
    bowed: Bools | None = None
    flat: Verdicts | None = None


@dataclass(frozen=True, eq=False)
class Readiness:
    """Whether n slabs are ready for injection.

    Attributes
    ----------
    state : ndarray of int8, shape (n,)
        `READY`, `NOT_READY` or `INJECTED`; words in `STATES`.
    reasons, warnings, waived : ndarray of int, shape (n,)
        Bits of `Reason` that hold a slab up, that are only told, and that the project waives.
    age : ndarray, shape (n,)
        As in `Looked`.
    """

    state: npt.NDArray[np.int8]
    reasons: Ints
    warnings: Ints
    waived: Ints
    age: Floats

    @property
    def ready(self) -> Bools:
        """Slabs that are ready, shape (n,)."""
        return np.asarray(self.state == READY)


def flat_verdict(up: Floats, sigma: Floats, rise: Floats, tolerance: Tolerance, guard: float) -> Judged:
    """Judge levels as they would be if a slab lost its curl.

    Parameters
    ----------
    up, sigma : ndarray, shape (n, m)
        Deviation of the marks as measured and its uncertainty, m.
    rise : ndarray, shape (n, m)
        How far the curl holds each mark over its place on the flat slab, m, + up.
    tolerance : Tolerance
    guard : float
        Guard factor.
    """
    return judge(up - rise, sigma, tolerance, guard)


def _joint_verdicts(check: SectionCheck) -> tuple[Verdicts, Verdicts]:
    """Return the verdicts of the joints behind and ahead of each slab, (n,); `NO_LIMIT` where there is none."""
    behind = np.full(len(check.verdict), NO_LIMIT, dtype=np.int8)
    ahead = behind.copy()
    if any(q in check.by_tolerance for q in JOINT_QUANTITIES):
        behind[check.joints.front] = check.joint_verdict
        ahead[check.joints.rear] = check.joint_verdict
    return behind, ahead


def _beside(check: SectionCheck, looked: Looked) -> Iterator[tuple[Reason, Bools]]:
    """Yield what may have been looked at and need not be."""
    if looked.bed is not None:
        yield Reason.BED_OUT, looked.bed == OUT
    if looked.rail is not None:
        yield Reason.RAIL_OUT, looked.rail == OUT
        yield Reason.RAIL_UNDECIDED, looked.rail == UNDECIDED
    if looked.planned is not None:
        yield Reason.PLANNED_MOVE, looked.planned
    if looked.bowed is not None:
        yield Reason.BOWED, looked.bowed
    if looked.flat is not None:
        yield Reason.HEAT, (check.verdict == WITHIN) & (looked.flat != WITHIN)


def _untell(found: Ints, where: Bools, reasons: Reason) -> None:
    found[where] &= ~int(reasons)


def readiness(check: SectionCheck, looked: Looked, rules: ReadyRules) -> Readiness:
    """Return which slabs are ready for injection, and why the others are not.

    Parameters
    ----------
    check : SectionCheck
        Of n slabs.
    looked : Looked
    rules : ReadyRules

    Returns
    -------
    Readiness
        A slab is ready only if its pose is within, and no reason is left that is neither waived nor only told.
    """
    found = np.zeros(len(check.verdict), dtype=np.intp)

    def tell(reason: Reason, where: Bools) -> None:
        found[where] |= int(reason)

    def tell_verdicts(verdict: Verdicts, out: Reason, undecided: Reason, unknown: Reason) -> None:
        tell(out, verdict == OUT)
        tell(undecided, verdict == UNDECIDED)
        tell(unknown, verdict == NOT_MEASURED)

    measured = check.fits.determined
    noted = check.notes
    for reason, bits in (
        (Reason.ABSENT, _ABSENT), (Reason.TOO_FEW, _TOO_FEW), (Reason.NO_CHECK, _NO_CHECK), (Reason.SETUP, _SETUP),
        (Reason.CONTRADICTED, _CONTRADICTED),
    ):  # fmt: skip
        tell(reason, (noted & bits) > 0)
    # a pose that is not known has been told above; should a note ever lack, it is not measured all the same
    tell(Reason.ABSENT, ~measured & ((noted & (_ABSENT | _TOO_FEW)) == 0))
    tell(Reason.POSE_OUT, check.verdict == OUT)
    tell(Reason.POSE_UNDECIDED, check.verdict == UNDECIDED)
    for of_joint, reasons in zip(_joint_verdicts(check), _JOINT_REASONS, strict=True):
        tell_verdicts(of_joint, *reasons)

    tell(Reason.AGE_UNKNOWN, measured & ~np.isfinite(looked.age))
    tell(Reason.AHEAD, measured & (looked.age < 0))
    tell(Reason.OLD, measured & (looked.age > rules.oldest))

    # what nobody looked at is a reason, not silence
    everywhere = np.ones_like(measured)
    tell(Reason.GAP_UNKNOWN, everywhere if looked.gap_whole is None else ~looked.gap_whole)
    for verdict, out, undecided, unknown in (
        (looked.gap_small, Reason.GAP_SMALL, Reason.GAP_UNDECIDED, Reason.GAP_UNKNOWN),
        (looked.gap_large, Reason.GAP_LARGE, Reason.GAP_UNDECIDED, Reason.GAP_UNKNOWN),
        (looked.anchor, Reason.ANCHOR_OUT, Reason.ANCHOR_UNDECIDED, Reason.ANCHOR_UNKNOWN),
    ):
        if verdict is None:
            tell(unknown, everywhere)
        else:
            tell_verdicts(verdict, out, undecided, unknown)
    # what follows from the slab's own survey is told once, by its cause
    _untell(found, ~measured, _OF_POSE_UNKNOWN)
    if looked.gap_whole is not None and looked.anchor is not None:
        _untell(found, ~measured, _UNDER_POSE_UNKNOWN)
    _untell(found, (noted & (_CONTRADICTED | _SETUP)) > 0, _OF_POSE_UNDECIDED)
    for reason, where in _beside(check, looked):
        tell(reason, where)

    holding = found & ~int(rules.only_warn) & ~int(rules.waived)
    state = np.where((holding == 0) & (check.verdict == WITHIN), READY, NOT_READY).astype(np.int8)
    state[check.held] = INJECTED
    return Readiness(
        state=state,
        reasons=holding,
        warnings=found & int(rules.only_warn) & ~int(rules.waived),
        waived=found & int(rules.waived),
        age=looked.age,
    )


def slab_verdicts(slab: Ints, verdict: Verdicts, slabs: int) -> Verdicts:
    """Return the worst verdict of the things on each slab, shape (slabs,); `NO_LIMIT` for a slab without any.

    Parameters
    ----------
    slab : ndarray of int, shape (s,)
        Slab of each thing.
    verdict : ndarray of int8, shape (s,)
        Verdicts of `geometry.placement.verdict`; any other code counts like `NO_LIMIT`.
    slabs : int

    Examples
    --------
    >>> slab_verdicts(np.array([0, 0, 2]), np.array([WITHIN, OUT, UNDECIDED], dtype=np.int8), 3).tolist()
    [1, 4, 2]
    """
    result = np.full(slabs, NO_LIMIT, dtype=np.int8)
    for code in (WITHIN, NOT_MEASURED, UNDECIDED, OUT):
        result[slab[verdict == code]] = code
    return result


def ready_runs(ready: Bools) -> tuple[Ints, Ints]:
    """Return first and last slab of each unbroken run of ready slabs, shapes (r,): mortar is injected in runs.

    Examples
    --------
    >>> [ends.tolist() for ends in ready_runs(np.array([True, True, False, True]))]
    [[0, 3], [1, 3]]
    """
    edges = np.diff(np.concatenate([[False], ready, [False]]).astype(np.int8))
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
