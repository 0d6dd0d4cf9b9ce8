"""What the uncertainty of slab poses does to sums of weighted rail values: chords, twist, bands.

Seats of one slab move together, and what a set-up does to all the slabs that it saw drops out of differences
between them. Along one slab a rail value is ``a + b y`` with y the place of the seat, so that for each slab under a
chord two sums tell everything: of the weights, and of the weights times y.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array

from geometry.alignment.laws import Floats
from geometry.survey import Fits
from geometry.survey.points import Ints

from .seats import RailSeats

__all__ = ["PARTS", "PoseSpread", "pose_spread", "variance_at_seats", "variance_of_rows"]

PARTS: Final = {"line": slice(0, 1), "level": slice(1, 3), "cant": slice(3, 4)}
"""Rail values of a spread: line of both rails, which is the same; level left and right; cant."""

_PITCH, _YAW = 3, 5
_SLOPE = {0: _YAW, 1: _PITCH}  # what makes line, and what makes level, change along a slab


@dataclass(frozen=True, eq=False)
class PoseSpread:
    """Uncertainty of c rail values on each of n slabs, as constant part a and slope b along the slab.

    Attributes
    ----------
    along : ndarray, shape (s,)
        Place of each seat along its slab, m.
    variance : ndarray, shape (3, c, n)
        Of a, m^2; covariance of a and b, m; variance of b.
    common : ndarray, shape (2, q, n, c, k)
        What k causes of each of the q set-ups of a slab do to a, m, and b.
    setup : ndarray of int, shape (n, q)
        These set-ups; -1 for none.
    """

    along: Floats
    variance: Floats
    common: Floats
    setup: Ints

    def of(self, channels: slice) -> PoseSpread:
        """Return the same of some of the rail values."""
        return PoseSpread(self.along, self.variance[:, channels], self.common[..., channels, :], self.setup)


def pose_spread(seats: RailSeats, fits: Fits) -> PoseSpread:
    """Return the spread of line (of either rail), level left, level right and cant, in this order.

    Parameters
    ----------
    seats : RailSeats
    fits : Fits
        Of the n slabs of the layout; what is nan there stays nan.
    """
    n = len(fits.group)
    along = np.ascontiguousarray(seats.rows[:, 0, 1, _PITCH])
    first = np.flatnonzero(np.append(True, np.diff(seats.slab) != 0)[: len(seats.slab)])
    flat = np.zeros((4, 6, n))  # rows at the middle of each slab
    slope = np.zeros((4, 6))
    for channel, (rail, part) in enumerate(((0, 0), (0, 1), (1, 1))):
        slope[channel, _SLOPE[part]] = 1.0
        rows = seats.rows[first, rail, part] - along[first, None] * slope[channel]
        flat[channel][:, seats.slab[first]] = rows.T
    flat[3], slope[3] = flat[1] - flat[2], slope[1] - slope[2]
    covariance = fits.design.covariance
    # few groups share their covariance; only with readings each slab has its own
    steep = np.einsum("gij,cj->cig", covariance, slope)
    bb = np.einsum("ci,cig->cg", slope, steep)[:, fits.group]
    ab = np.einsum("cin,cin->cn", flat, steep[:, :, fits.group])
    of_slab = np.ascontiguousarray(np.moveaxis(covariance, 0, -1))[:, :, fits.group]
    aa = np.einsum("cin,cin->cn", flat, np.einsum("ijn,cjn->cin", of_slab, flat))
    several = fits.setup.shape[1]
    common = fits.common.reshape(n, 6, several, -1 if several else 0)
    causes = np.stack([
        np.einsum("cin,niqk->qnck", flat, common), np.einsum("ci,niqk->qnck", slope, common)
    ])  # fmt: skip
    return PoseSpread(along, np.stack([aa, ab, bb]), causes, fits.setup)


def variance_at_seats(seats: RailSeats, spread: PoseSpread) -> Floats:
    """Return the variance of each rail value at each seat, shape (c, s), m^2."""
    aa, ab, bb = spread.variance[..., seats.slab]
    return np.asarray(aa + spread.along * (2 * ab + spread.along * bb))


def _sums(values: npt.NDArray[Any], start: Ints) -> npt.NDArray[Any]:
    return np.add.reduceat(values, start, axis=-1) if len(start) else values[..., :0]


def _starts(keys: Ints) -> Ints:
    """Return where runs of equal keys start."""
    return np.flatnonzero(np.append(True, keys[1:] != keys[:-1])[: len(keys)])


def variance_of_rows(rows: csr_array, seats: RailSeats, spread: PoseSpread) -> Floats:
    """Return the variance of weighted sums of rail values, shape (c, k), m^2.

    Parameters
    ----------
    rows : sparse array, shape (k, s)
        Weights of the seats, their indices sorted in each row.
    seats : RailSeats
    spread : PoseSpread

    Returns
    -------
    ndarray, shape (c, k)
        nan where a slab with a weight is not determined.
    """
    k = rows.shape[0]
    # one entry for each slab under a row; small integers, as there are millions of weights
    under = seats.slab.astype(np.int32)[rows.indices]
    fresh = np.ones(len(under), dtype=bool)
    np.not_equal(under[1:], under[:-1], out=fresh[1:])
    fresh[rows.indptr[:-1][np.diff(rows.indptr) > 0]] = True
    start = np.flatnonzero(fresh)
    flat = _sums(rows.data, start)
    slope = _sums(rows.data * spread.along[rows.indices], start)
    slab, pointer = under[start], np.searchsorted(start, rows.indptr)
    n = spread.variance.shape[-1]
    total = np.zeros((k, spread.variance.shape[1]))
    for weight, of_slab in zip((flat * flat, 2 * flat * slope, slope * slope), spread.variance, strict=True):
        total += csr_array((weight, slab, pointer), shape=(k, n)) @ np.ascontiguousarray(of_slab.T)
    if spread.common.size:
        total += _shared(np.repeat(np.arange(k), np.diff(pointer)), slab, flat, slope, spread, k)
    return np.maximum(total, 0.0).T


def _shared(
    row: Ints, slab: npt.NDArray[np.int32], flat: Floats, slope: Floats, spread: PoseSpread, k: int
) -> Floats:  # fmt: skip
    """Return what slabs that one set-up saw add to the variance, or take from it, beyond each by itself, (k, c)."""
    several, n, channels, causes = spread.common.shape[1:]
    setups = int(spread.setup.max(initial=-1)) + 1
    entry, which = np.nonzero(spread.setup[slab] >= 0)
    key = row[entry] * setups + spread.setup[slab[entry], which]
    if (key[1:] < key[:-1]).any():
        order = np.argsort(key, kind="stable")
        entry, which, key = entry[order], which[order], key[order]
    size = np.diff(np.append(_starts(key), len(key)))
    keep = np.repeat(size > 1, size)  # a slab that shares its set-up with none under this row adds nothing
    entry, which, key = entry[keep], which[keep], key[keep]
    start = _starts(key)
    place, pointer = which * n + slab[entry], np.append(start, len(key))
    a, b = flat[entry], slope[entry]

    def summed(weight: Floats, effect: Floats) -> Floats:
        of_setup = csr_array((weight, place, pointer), shape=(len(start), several * n))
        return np.asarray(of_setup @ effect.reshape(several * n, -1))

    of_a, of_b = spread.common
    together = summed(a, of_a) + summed(b, of_b)
    more = (together**2).reshape(-1, channels, causes).sum(axis=2)
    for weight, effect in ((a * a, of_a * of_a), (2 * a * b, of_a * of_b), (b * b, of_b * of_b)):
        more -= summed(weight, effect.sum(axis=-1))
    # every set-up under a row adds to it
    owner = csr_array((np.ones(len(start)), (row[entry[start]], np.arange(len(start)))), shape=(k, len(start)))
    return np.asarray(owner @ more)
