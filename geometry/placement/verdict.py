"""Verdicts against tolerances under measurement uncertainty.

The rule is that of JCGM 106:2012, section 8, with a guard band on both sides of each limit: *within* only
if the value is inside the limits by the guard band, *out* only if it is outside by it, *undecided* between.
The guard band is the guard factor times the standard uncertainty; with factor 2 at most 2.5 percent of the
slabs called within are not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.survey.blocks import blocks

__all__ = [
    "JOINT_QUANTITIES",
    "NOT_MEASURED",
    "NO_LIMIT",
    "OUT",
    "QUANTITY_WORDS",
    "SLAB_QUANTITIES",
    "UNDECIDED",
    "VERDICTS",
    "WITHIN",
    "Judged",
    "Quantity",
    "Tolerance",
    "Verdicts",
    "decide",
    "judge",
    "worst",
]

Verdicts = npt.NDArray[np.int8]
WITHIN, OUT, UNDECIDED, NOT_MEASURED, NO_LIMIT = range(5)
VERDICTS: Final = ("within", "out", "undecided", "not measured", "no limit")

_BY_RANK = np.array([NOT_MEASURED, WITHIN, UNDECIDED, OUT], dtype=np.int8)  # later ones prevail
_RANK = np.array([1, 3, 2, 0, 0], dtype=np.int8)  # of each verdict in it; no limit counts like not measured
_HAIR = 1e-9  # the band of a value exactly at its edge may be one rounding wide: 1 nm is no length here, m

Quantity = Literal["across", "along", "up", "step_level", "step_line", "gap", "gap_difference"]
SLAB_QUANTITIES: Final[tuple[Quantity, ...]] = ("across", "along", "up")
JOINT_QUANTITIES: Final[tuple[Quantity, ...]] = ("step_level", "step_line", "gap", "gap_difference")
QUANTITY_WORDS: Final[dict[Quantity, str]] = {
    "across": "across",
    "along": "along",
    "up": "up",
    "step_level": "step in level",
    "step_line": "step in line",
    "gap": "gap",
    "gap_difference": "gap difference",
}


@dataclass(frozen=True)
class Tolerance:
    """Limits for a quantity, m.

    Parameters
    ----------
    quantity : str
        One of `SLAB_QUANTITIES` (deviation of a slab's marks) or `JOINT_QUANTITIES`.
    low, high : float
        Smallest and largest value that is still good.
    source : str
        Where the limits come from.
    """

    quantity: Quantity
    low: float
    high: float
    source: str


@dataclass(frozen=True, eq=False)
class Judged:
    """A tolerance applied to n things, each with one or more places.

    Attributes
    ----------
    value, sigma : ndarray, shape (n,)
        At the place of each that decides, m; nan where not measured.
    place : ndarray of int, shape (n,)
        Which place that is.
    verdict : ndarray of int8, shape (n,)
    """

    value: Floats
    sigma: Floats
    place: npt.NDArray[np.intp]
    verdict: Verdicts


def decide(value: Floats, sigma: Floats, tolerance: Tolerance, guard: float) -> Verdicts:
    """Return the verdict on each value.

    Parameters
    ----------
    value, sigma : ndarray, shape (...)
        Measured value and its standard uncertainty, m. A value that is nan is not measured; one whose
        sigma is nan is undecided.
    tolerance : Tolerance
    guard : float
        Guard factor; 2 is usual, 0 is simple acceptance.

    Examples
    --------
    >>> limit = Tolerance("up", -0.001, 0.001, "example")
    >>> [VERDICTS[v] for v in decide(np.array([0.0006, 0.0007, -0.0015, np.nan]), np.full(4, 0.0002), limit, 2.0)]
    ['within', 'undecided', 'out', 'not measured']
    """
    return _verdicts(_beyond(value, tolerance), guard * sigma)  # nan without a sigma, whatever the guard factor


def _beyond(value: Floats, tolerance: Tolerance) -> Floats:
    """Return how far values lie outside the nearer limit, m; negative inside, nan like the value."""
    return np.asarray(np.maximum(tolerance.low - value, value - tolerance.high))


def _verdicts(beyond: Floats, guarded: Floats) -> Verdicts:
    within = beyond + guarded <= _HAIR
    out = beyond - guarded > _HAIR
    verdict = np.where(within, WITHIN, np.where(out, OUT, UNDECIDED))
    return np.where(np.isnan(beyond), NOT_MEASURED, verdict).astype(np.int8)


def judge(value: Floats, sigma: Floats, tolerance: Tolerance, guard: float) -> Judged:
    """Return the verdict on things with several places each: the worst place decides.

    Parameters
    ----------
    value, sigma : ndarray, shape (n, k)
        nan at places that a thing does not have, or that are not measured; `NOT_MEASURED` only if all are.
    """
    n, k = value.shape
    judged = Judged(np.empty(n), np.empty(n), np.empty(n, dtype=np.intp), np.full(n, WITHIN, dtype=np.int8))
    for rows in blocks(n):
        values, sigmas = np.broadcast_arrays(value[rows], sigma[rows])
        guarded = guard * sigmas
        beyond = _beyond(values, tolerance)
        # most things are within at all their places, and then the one of the furthest reach decides
        reach = beyond + guarded
        place = np.zeros(len(values), dtype=np.intp)
        furthest, deciding, its_sigma = reach[:, 0], values[:, 0], sigmas[:, 0]
        for i in range(1, k):
            further = reach[:, i] > furthest
            place = np.where(further, i, place)
            furthest = np.maximum(furthest, reach[:, i])  # nan stays
            deciding = np.where(further, values[:, i], deciding)
            its_sigma = np.where(further, sigmas[:, i], its_sigma)
        judged.value[rows], judged.sigma[rows], judged.place[rows] = deciding, its_sigma, place
        rest = np.flatnonzero(~(furthest <= _HAIR))
        if rest.size:
            place, verdict = _deciding(beyond[rest], guarded[rest])
            others = rest + rows.start
            judged.verdict[others], judged.place[others] = verdict, place
            judged.value[others], judged.sigma[others] = values[rest, place], sigmas[rest, place]
    return judged


def _deciding(beyond: Floats, guarded: Floats) -> tuple[npt.NDArray[np.intp], Verdicts]:
    """Return the place that decides on each thing, and the verdict there."""
    verdicts = _verdicts(beyond, guarded)
    verdict = worst(verdicts)
    # of the places with that verdict the one furthest beyond its limit, or least inside
    reach = beyond + np.nan_to_num(guarded)
    counts = (verdicts == verdict[:, None]) & ~np.isnan(reach)
    return np.where(counts, reach, -np.inf).argmax(axis=1), verdict


def worst(verdicts: Verdicts) -> Verdicts:
    """Return the worst verdict of the last axis: out, undecided, within; not measured if nothing is.

    What has no limit does not count.

    Examples
    --------
    >>> worst(np.array([[WITHIN, OUT], [UNDECIDED, WITHIN], [WITHIN, NOT_MEASURED]], dtype=np.int8)).tolist()
    [1, 2, 0]
    """
    return np.asarray(_BY_RANK[_RANK[verdicts].max(axis=-1, initial=0)])
