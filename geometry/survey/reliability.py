"""Tests of an adjustment: global test, standardised residuals, the smallest blunder that would be found.

W. Baarda, "A testing procedure for use in geodetic networks", Netherlands Geodetic Commission 2 (5), 1968: a
blunder in one observation shows in w, normally distributed; with a level of 0.1 percent and a power of 80 percent
a blunder of 4.13 sigma / sqrt(r) is found. Alternatives with more parameters: P. J. G. Teunissen, "Testing
theory", 2nd ed. 2006, chapter 4.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from geometry.alignment.laws import Floats

from .points import Ints

__all__ = [
    "ALPHA", "CRITICAL", "DELTA", "FACTOR_95", "NO_CHECK", "POWER", "Alternatives", "alternatives", "global_limit",
    "log_chance", "smallest_found", "standardised",
]  # fmt: skip

ALPHA = 0.001  # level of the tests, two-sided
POWER = 0.80
CRITICAL = float(-special.ndtri(ALPHA / 2))  # 3.29
DELTA = CRITICAL + float(special.ndtri(POWER))  # 4.13
FACTOR_95 = math.sqrt(-2 * math.log(0.05))  # 2.448: of a standard ellipse that holds the point in 95 of 100 cases
NO_CHECK = 0.01  # a redundancy number below this: practically unchecked


def global_limit(freedom: int) -> float:
    """Return the weighted sum of squares that one adjustment in a thousand exceeds; inf without redundancy.

    Examples
    --------
    >>> round(global_limit(5), 3)
    20.515
    """
    return float(special.chdtri(freedom, ALPHA)) if freedom > 0 else math.inf


def standardised(residual: Floats, sigma: Floats, redundancy: Floats) -> Floats:
    """Return w = residual / (sigma sqrt(r)); nan where practically nothing checks the observation."""
    return np.asarray(residual / (sigma * np.sqrt(np.where(redundancy >= NO_CHECK, redundancy, np.nan))))


def smallest_found(sigma: Floats, redundancy: Floats) -> Floats:
    """Return the smallest blunder found with 80 percent chance; inf where nothing checks the observation."""
    found = DELTA * sigma / np.sqrt(np.maximum(redundancy, NO_CHECK))
    return np.asarray(np.where(redundancy >= NO_CHECK, found, np.inf))


@dataclass(frozen=True, eq=False)
class Alternatives:
    """What is gained when observations may have a common error of some kind; c kinds with q parameters each.

    Attributes
    ----------
    fall : ndarray, shape (c,)
        By how much the weighted sum of squares falls; chi-square distributed with `rank` if there is no error.
    rank : ndarray of int, shape (c,)
        Parameters of the error that the observations can tell.
    size, sigma : ndarray, shape (c, q)
        The error and its standard uncertainty; nan for parameters that they cannot tell.
    """

    fall: Floats
    rank: Ints
    size: Floats
    sigma: Floats


def alternatives(checking: Floats, pull: Floats, patterns: Floats) -> Alternatives:
    """Return the gain by kinds of errors, each by itself.

    Parameters
    ----------
    checking : ndarray, shape (m, m)
        P Qvv P, with P the weights and Qvv the covariance of the residuals.
    pull : ndarray, shape (m,)
        `checking` times observed less computed.
    patterns : ndarray, shape (c, m, q)
        How the observations change with the parameters of each error.
    """
    need = np.swapaxes(patterns, 1, 2) @ (checking @ patterns)
    diagonal = np.einsum("cii->ci", need)
    # of what a parameter does to the observations, the part that the unknowns do not absorb; rounding leaves 1e-13
    own = np.einsum("cmi,m,cmi->ci", patterns, np.diagonal(checking), patterns)
    felt = diagonal > 1e-9 * np.maximum(own, 1e-300)
    unit = 1 / np.sqrt(np.where(felt, diagonal, 1.0))
    scaled = np.where(felt[:, :, None] & felt[:, None, :], need * unit[:, :, None] * unit[:, None, :], 0.0)
    values, vectors = np.linalg.eigh(scaled)
    good = values > 1e-6
    safe = np.where(good, values, 1.0)[:, None, :]
    basis = np.where(good[:, None, :], vectors * unit[:, :, None], 0.0)
    along = np.einsum("cmq,m,cqk->ck", patterns, pull, basis)
    size = np.einsum("cqk,ck->cq", basis / safe, along)
    sigma = np.sqrt(np.einsum("cqk,cqk->cq", basis / safe, basis))
    lost = np.einsum("cqk,ck->cq", vectors**2, (~good).astype(np.float64)) > 1e-3
    return Alternatives(
        fall=(along**2 / safe[:, 0]).sum(axis=1),
        rank=good.sum(axis=1),
        size=np.where(lost, np.nan, size),
        sigma=np.where(lost, np.nan, sigma),
    )


def log_chance(fall: float, rank: int) -> float:
    """Return the logarithm of the chance that a fall this large comes without an error.

    Examples
    --------
    >>> round(math.exp(log_chance(CRITICAL**2, 1)), 6)
    0.001
    >>> log_chance(5000.0, 3) < log_chance(4000.0, 3) < -1900
    True
    """
    if rank < 1:
        return 0.0
    chance = float(special.chdtrc(rank, fall))
    if chance > 1e-280:
        return math.log(chance)
    # below that the function underflows: first terms of its asymptotic series
    half = rank / 2
    return (half - 1) * math.log(fall / 2) - fall / 2 - math.lgamma(half) + math.log1p(2 * (half - 1) / fall)
