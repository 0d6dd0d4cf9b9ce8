"""Whether something moved between two epochs: the congruency test.

The difference d of two estimates with covariance C is compared with noise: d' C^-1 d is chi-square distributed
with as many degrees of freedom as d has components, if nothing moved. The least shift that the test finds with
a given power comes from the noncentral chi-square distribution.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import product
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

__all__ = [
    "ALPHA",
    "MOVED",
    "MOVEMENT_WORDS",
    "NOISE",
    "NO_CHECK",
    "POWER",
    "congruency",
    "covariance_of_difference",
    "least_found",
    "moved",
]

ALPHA: Final = 0.01  # one slab at rest in a hundred is called moved
POWER: Final = 0.8  # usual in the planning of monitoring
MOVED, NOISE, NO_CHECK = range(3)
MOVEMENT_WORDS: Final = ("moved", "not distinguishable from noise", "no check")


def covariance_of_difference(
    covariance: Floats, common: Floats, setups: Ints, before: Ints, after: Ints
) -> tuple[Floats, Floats]:
    """Return the covariance of differences between epochs, and the part of it that set-ups cause.

    What a set-up does to both epochs is the same and cancels; everything else is taken as independent.

    Parameters
    ----------
    covariance : ndarray, shape (e, r, r)
        Of the estimates of e epochs.
    common : ndarray, shape (e, r, q k)
        What the k causes of each of q set-ups do to them; part of `covariance`.
    setups : ndarray of int, shape (e, q)
        These set-ups; -1 for none. q is 0 if nothing is known of them.
    before, after : ndarray of int, shape (v,)

    Returns
    -------
    total, shared : ndarray, shape (v, r, r)
    """
    total = covariance[before] + covariance[after]
    shared = sum((common[rows] @ np.swapaxes(common[rows], 1, 2) for rows in (before, after)), np.zeros_like(total))
    several = setups.shape[1]
    if several:
        block = common.reshape(*common.shape[:2], several, -1)
        for a, b in product(range(several), repeat=2):
            one = np.flatnonzero((setups[before, a] >= 0) & (setups[before, a] == setups[after, b]))
            cross = block[before[one], :, a] @ np.swapaxes(block[after[one], :, b], 1, 2)
            both = cross + np.swapaxes(cross, 1, 2)
            total[one] -= both
            shared[one] -= both
    return total, shared


def congruency(difference: Floats, covariance: Floats) -> tuple[Floats, Floats]:
    """Return the test statistic of differences and how likely noise alone makes one as large.

    Parameters
    ----------
    difference : ndarray, shape (..., k)
    covariance : ndarray, shape (..., k, k)
        Of the difference: the sum of both epochs' covariances where these are independent.

    Returns
    -------
    statistic, p : ndarray, shape (...)
        nan where difference or covariance is not known.

    Examples
    --------
    >>> statistic, p = congruency(np.array([0.3, 0.0]), np.diag([0.01, 0.04]))
    >>> round(float(statistic), 3), round(float(p), 4)
    (9.0, 0.0111)
    """
    k = difference.shape[-1]
    variance = np.einsum("...ii->...i", covariance)
    known = np.asarray(np.isfinite(difference).all(axis=-1) & np.isfinite(covariance).all(axis=(-1, -2)))
    known &= (variance > 0).all(axis=-1)
    # metres and radians: in units of their sigmas the matrix is near 1 and solves without loss
    unit = np.sqrt(np.where(known[..., None], variance, 1.0))
    scaled = np.where(known[..., None, None], covariance / (unit[..., :, None] * unit[..., None, :]), np.eye(k))
    d = np.where(known[..., None], difference / unit, 0.0)
    weighted = np.linalg.solve(scaled, d[..., None])[..., 0]
    statistic = np.where(known, (d * weighted).sum(axis=-1), np.nan)
    return statistic, np.asarray(special.chdtrc(k, statistic))


def moved(p: Floats, checked: npt.NDArray[np.bool_], alpha: float = ALPHA) -> npt.NDArray[np.int8]:
    """Return `MOVED`, `NOISE` or `NO_CHECK` for tests with p values; one that is nan is no check."""
    verdict = np.where(p < alpha, MOVED, NOISE)
    return np.where(checked & np.isfinite(p), verdict, NO_CHECK).astype(np.int8)


@lru_cache
def _noncentrality(freedom: int, alpha: float, power: float) -> float:
    limit = special.chdtri(freedom, alpha)

    def beyond(x: float) -> float:
        return 1.0 - float(special.chndtr(limit, freedom, x)) - power

    return float(optimize.brentq(beyond, 1e-9, 1e3, xtol=1e-10))


def least_found(covariance: Floats, alpha: float = ALPHA, power: float = POWER) -> Floats:
    """Return the least movement in each component alone that the test finds with a given power.

    Parameters
    ----------
    covariance : ndarray, shape (..., k, k)

    Returns
    -------
    ndarray, shape (..., k)
        In the units of the components; nan where the covariance is not known.
    """
    k = covariance.shape[-1]
    known = np.asarray(np.isfinite(covariance).all(axis=(-1, -2)))
    safe = np.where(known[..., None, None], covariance, np.eye(k))
    unit = np.sqrt(np.einsum("...ii->...i", safe))
    scaled = safe / (unit[..., :, None] * unit[..., None, :])
    weight = np.einsum("...ii->...i", np.linalg.solve(scaled, np.broadcast_to(np.eye(k), scaled.shape)))
    found = unit * np.sqrt(_noncentrality(k, alpha, power) / weight)
    return np.where(known[..., None], found, np.nan)
