"""What a bed survey leaves open under each slab: noise of its points, and the bed between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

from .bed import Bed
from .clipping import Pieces, summed

__all__ = ["StandsFor", "area_of_points", "roughness_under", "unseen_variance", "volume_variance"]

_PRIOR = 8.0  # places that the roughness of the whole bed counts for beside those of one slab
_EXTREME = 1.5  # what the bed does between its points at its extremes, in roughnesses


@dataclass(frozen=True, eq=False)
class StandsFor:
    """Area that bed places stand for under slabs, m^2; arrays of length s."""

    slab: Ints
    place: Ints
    area: Floats


def area_of_points(bed: Bed, pieces: Pieces, area: Floats) -> StandsFor:
    """Return the area of each bed place under each slab from the share of each piece's corners, shape (k, 3)."""
    size = len(bed.xyz)
    corner = bed.triangles[pieces.triangle[pieces.row]]
    key, where = np.unique(pieces.slab[pieces.row][:, None] * size + corner, return_inverse=True)
    return StandsFor(key // max(size, 1), key % max(size, 1), summed(where.ravel(), area.ravel(), len(key)))


def roughness_under(bed: Bed, points: StandsFor, n: int) -> Floats:
    """Return the standard deviation of the bed between its points, shape (n,), m; nan where nothing tells it."""
    of_all = bed.roughness2[np.isfinite(bed.roughness2)]
    if not of_all.size:
        return np.full(n, np.nan)
    near = bed.roughness2[points.place]
    has = np.isfinite(near)
    slab = points.slab[has]
    variance = (summed(slab, near[has], n) + _PRIOR * of_all.mean()) / (np.bincount(slab, minlength=n) + _PRIOR)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def unseen_variance(bed: Bed, points: StandsFor, roughness: Floats) -> Floats:
    """Return the variance of an extreme for what is not seen, or seen by chance, shape (n,), m^2."""
    n = len(roughness)
    with np.errstate(invalid="ignore", divide="ignore"):
        noise = summed(points.slab, bed.sigma[points.place] ** 2 * points.area, n)
        noise /= summed(points.slab, points.area, n)
    return (_EXTREME * roughness) ** 2 + noise


def volume_variance(bed: Bed, points: StandsFor, covered: Floats, roughness: Floats, n: int) -> Floats:
    """Return the variance of each volume that the bed survey gives, without what all points share, m^6."""
    variance = bed.sigma[points.place] ** 2 + roughness[points.slab] ** 2
    random = summed(points.slab, variance * points.area**2, n)
    residual = bed.residual[points.place]
    has = np.isfinite(residual)
    bend = summed(points.slab[has], (residual * points.area)[has], n)
    with np.errstate(invalid="ignore", divide="ignore"):
        bend *= covered / summed(points.slab[has], points.area[has], n)
    return random + (bend / 4) ** 2
