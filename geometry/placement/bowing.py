"""Curl and twist of slabs beside their pose, as far as their marks show them.

A cast slab is no plane, and one that is warmer on top than below bends. Beside the rigid pose the height of a slab
gets three terms, z = a (2y/L)^2 + b (2x/W)^2 + t (2x/W)(2y/L): curl along, curl across and twist. Curl a is how far
both ends stand over the middle, L^2/8 times the curvature; twist t is how far the front right and rear left corners
stand over the plane, and the two others below it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from geometry.alignment.laws import Floats
from geometry.slabs import SlabType, padded_marks
from geometry.survey import Fits, fit_slabs, movement_rows, replaced
from geometry.survey.fit import CRITICAL_W
from geometry.survey.points import Ints

from .check import SectionCheck

__all__ = ["BOWING_TERMS", "SHAPE_TERMS", "Bowing", "bowing", "section_bowing", "seen_words"]

Bools = npt.NDArray[np.bool_]
SHAPE_TERMS: Final = ("curl_along", "curl_across", "twist")
BOWING_TERMS: Final = (*SHAPE_TERMS, "bowl")
"""What is estimated: `SHAPE_TERMS`, and where along and across show only together, curl of one curvature both ways."""

_LEAST_INFORMATION = 0.04  # a term no better known than five sigmas of one mark's height is not seen
_MOST_LEAK = 0.1  # of a term that may hide among what is not seen
_ALPHA = 0.001  # of the global test, as that of the fit


@dataclass(frozen=True, eq=False)
class Bowing:
    """Curl and twist of n slabs; columns in the order of `BOWING_TERMS`.

    Attributes
    ----------
    value, sigma : ndarray, shape (n, 4)
        Over length, width, corner, and for the bowl over the length, m; curl + ends or edges up, twist + front right
        and rear left corners up. nan where a slab's marks do not show it.
    seen : ndarray of bool, shape (n, 4)
        What the pattern of measured marks can show.
    significant : ndarray of bool, shape (n, 4)
        Larger than the test of marks allows by chance (two-sided, 0.1 percent).
    explains : ndarray of bool, shape (n,)
        The marks contradict a rigid slab, and agree with a bowed one.
    told_from_error : ndarray of bool, shape (n,)
        Heights are left over that tell a bowed slab from one wrong height.
    """

    value: Floats
    sigma: Floats
    seen: Bools
    significant: Bools
    explains: Bools
    told_from_error: Bools

    @property
    def w(self) -> Floats:
        """Value over sigma, shape (n, 4): normally distributed for a plane slab."""
        return self.value / self.sigma


def _shapes(places: Floats, size: Floats) -> Floats:
    """Return the height of places, (g, m, 3), for one metre of each of `SHAPE_TERMS`, shape (g, 3m, 3)."""
    g, m = places.shape[:2]
    x, y = (2 * places[..., i] / size[:, i, None] for i in (0, 1))
    rows = np.zeros((g, m, 3, 3))
    rows[:, :, 2] = np.stack([y**2, x**2, x * y], axis=-1)
    return np.nan_to_num(rows).reshape(g, 3 * m, 3)


@dataclass(frozen=True, eq=False)
class _System:
    """Normal equations of k terms of g groups beside the pose: seen (g, k), inverse (g, k, k), m^2, rank (g,)."""

    seen: Bools
    inverse: Floats
    rank: Ints


def _solved(normal: Floats, unit: Floats) -> _System:
    """Return what normal equations, (g, k, k), 1/m^2, determine; unit, (g,), is the sigma of a height, m."""
    values, vectors = np.linalg.eigh(normal * unit[:, None, None] ** 2)
    visible = values > _LEAST_INFORMATION
    hidden = np.where(visible[:, None], 0.0, vectors)
    # a term is seen if almost nothing of it lies in the directions without information
    seen = np.sqrt((hidden**2).sum(axis=-1)) < _MOST_LEAK
    share = np.where(visible, 1 / np.where(visible, values, 1.0), 0.0)
    inverse = (vectors * share[:, None]) @ np.swapaxes(vectors, 1, 2) * unit[:, None, None] ** 2
    return _System(np.asarray(seen), inverse, visible.sum(axis=1))


def _products(matrices: Floats, group: Ints, vectors: Floats) -> Floats:
    """Return matrices[group] @ vectors: (g, i, j), (n,), (n, j) -> (n, i)."""
    if len(group) and (group == group[0]).all():
        return np.asarray(vectors @ matrices[group[0]].T)
    return np.asarray(np.einsum("nij,nj->ni", matrices[group], vectors))


def bowing(fits: Fits, types: Sequence[SlabType]) -> Bowing:
    """Estimate curl and twist beside the pose, by least squares with the covariance of the marks.

    Groups of slabs with the same type, marks and covariance share their matrices. What the pose takes up of a term is
    taken out of it first, so that the estimate is that of pose and terms together.

    Parameters
    ----------
    fits : Fits
        Of n slabs, with all their marks.
    types : sequence of SlabType
    """
    design, group = fits.design, fits.group
    places, kind = padded_marks(types), design.type_index
    size = np.array([(t.width, t.length) for t in types])[kind]
    rows = movement_rows(np.nan_to_num(places[kind])).reshape(len(kind), -1, 6)
    shapes = _shapes(places[kind], size)
    weighted = design.weight @ rows
    determined = design.freedom >= 0
    pose = np.where(determined[:, None, None], design.covariance, 0.0)
    projected = np.swapaxes(weighted, 1, 2) @ shapes
    normal = np.swapaxes(shapes, 1, 2) @ design.weight @ shapes - np.swapaxes(projected, 1, 2) @ pose @ projected
    normal[~determined] = 0.0
    height = np.einsum("gii->gi", design.weight)[:, 2::3]
    used = height > 0
    inverse = np.divide(1.0, height, where=used, out=np.zeros_like(height))
    unit = np.sqrt(inverse.sum(axis=1) / np.maximum(used.sum(axis=1), 1))

    column = np.nan_to_num(fits.residual).reshape(len(group), -1)
    # by group first: gathering the weights of every slab would take a gigabyte for 200,000 slabs
    pull = _products(np.swapaxes(shapes, 1, 2) @ design.weight, group, column)
    three = _solved(normal, unit)
    # one curvature both ways, for marks that show along and across only together
    both = np.zeros((len(kind), 3, 2))
    both[:, 0, 0], both[:, 1, 0], both[:, 2, 1] = 1.0, (size[:, 0] / size[:, 1]) ** 2, 1.0
    two = _solved(np.swapaxes(both, 1, 2) @ normal @ both, unit)
    as_bowl = two.seen[:, 0] & ~three.seen[:, 0] & ~three.seen[:, 1]

    value = np.full((len(group), 4), np.nan)
    value[:, :3] = _products(three.inverse, group, pull)
    value[:, 3:] = _products(two.inverse[:, :1] @ np.swapaxes(both, 1, 2), group, pull)
    variance = np.concatenate([np.einsum("gii->gi", three.inverse), two.inverse[:, :1, 0]], axis=1)
    seen = np.column_stack([three.seen, as_bowl])
    sigma = np.where(seen, np.sqrt(np.where(seen, variance, 1.0)), np.nan)[group]
    value = np.where(seen[group], value, np.nan)

    fall = (pull * _products(three.inverse, group, pull)).sum(axis=1)
    left = np.maximum(design.freedom - three.rank, 0)
    limit = np.where(left > 0, special.chdtri(np.maximum(left, 1), _ALPHA), 0.0)
    heights = used.sum(axis=1) - 3 - three.rank
    with np.errstate(invalid="ignore"):
        significant = np.abs(value / sigma) > CRITICAL_W
    return Bowing(
        value=value,
        sigma=sigma,
        seen=seen[group],
        significant=np.asarray(significant),
        explains=np.asarray(fits.suspicious & (fits.misfit - fall <= limit[group])),
        # as many heights as unknowns: a bowed slab fits whatever was measured
        told_from_error=np.asarray(heights[group] >= 1),
    )


def section_bowing(check: SectionCheck, types: Sequence[SlabType], type_index: Ints, scale: float) -> Bowing:
    """Return curl and twist of the slabs of a checked section.

    Marks that the check left out as wrong take part: to a rigid slab the middle of a curled one looks like a blunder.
    """
    fits, measured = check.fits, check.measured
    known = np.isfinite(measured.xyz).all(axis=2) & np.isfinite(measured.sigma).all(axis=2)
    again = np.flatnonzero((known & ~fits.measured).any(axis=1))
    if again.size:
        covariance = None if measured.covariance is None else measured.covariance[again]
        whole = fit_slabs(
            check.targets.position[again], check.targets.rotation[again], padded_marks(types), type_index[again],
            measured.xyz[again], measured.sigma[again], scale, covariance,
            None if measured.common is None or measured.setups is None
            else (measured.common[again], measured.setups[again]),
        )  # fmt: skip
        fits = replaced(fits, again, whole)
    return bowing(fits, types)


_SEEN_WORDS = {
    (True, True, True): "curl along, curl across and twist are seen",
    (True, False, True): "curl along and twist are seen, curl across is not",
    (False, True, True): "curl across and twist are seen, curl along is not",
    (False, False, True): "only twist is seen, curl is not",
    (True, True, False): "curl along and across are seen, twist is not",
    (True, False, False): "only curl along is seen",
    (False, True, False): "only curl across is seen",
    (False, False, False): "neither curl nor twist is seen",
}


def seen_words(seen: Bools) -> npt.NDArray[np.object_]:
    """Return in words what the marks of each slab show, shape (n,), from (n, 4) as in `Bowing.seen`.

    Examples
    --------
    >>> seen_words(np.array([[False, False, True, False], [False, False, True, True]])).tolist()
    ['only twist is seen, curl is not', 'twist is seen, curl only along and across together']
    """
    patterns, which = np.unique(seen, axis=0, return_inverse=True)
    texts = []
    for along, across, twist, bowl in patterns.tolist():
        text = _SEEN_WORDS[along, across, twist]
        if bowl:
            text = f"{'twist is seen, ' if twist else ''}curl only along and across together"
        texts.append(text)
    return np.array(texts, dtype=object)[which.ravel()]
