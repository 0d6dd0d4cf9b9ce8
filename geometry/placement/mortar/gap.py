"""The gap between the underside of slabs and the bed below: at corners, smallest, largest, areas, volume.

The gap is measured along the slab's own z. The bed is piecewise linear, so over each triangle clipped to the
slab's outline the gap is linear: its extremes lie at the corners of the clipped pieces, and area times the value
at the centroid is its volume, exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from geometry.alignment.laws import Floats
from geometry.slabs import SlabType
from geometry.survey.points import Ints

from .bed import Bed
from .clipping import bed_pieces, below_level, summed
from .gap_places import GapPlaces, corner_gaps, extreme_gaps, gap_in_pieces, gap_places, gap_rows
from .gap_uncertainty import area_of_points, roughness_under, unseen_variance, volume_variance

__all__ = ["WHOLE", "GapPlaces", "Gaps", "gap_rows", "gaps_under"]

Bools = npt.NDArray[np.bool_]
WHOLE: Final = 0.999  # of an outline: less than that has a hole in its bed survey


@dataclass(frozen=True, eq=False)
class Gaps:
    """Gaps under n slabs in one pose. Not covered by bed points is not measured: nan, never good.

    Attributes
    ----------
    corner : ndarray, shape (n, 4)
        Gap at the corners of the underside, rear left, rear right, front left, front right, m; nan without bed.
    corner_sigma : ndarray, shape (n, 4)
    smallest, largest : ndarray, shape (n,)
        Over the part of the outline (without notches) that has bed below it, m; nan where nothing has. Negative
        where the bed is higher than the underside.
    smallest_sigma, largest_sigma : ndarray, shape (n,)
        With what the bed may do between its points (`GapPlaces.sigma`).
    smallest_here, largest_here : ndarray, shape (n,)
        Of the gap at that very place (`GapPlaces.sigma_here`).
    smallest_place, largest_place : ndarray, shape (n, 2)
        Where they lie: across (+ right) and along (+ forward) from the centre of the slab, m.
    covered : ndarray, shape (n,)
        Part of the outline that has bed points around it, 0 to 1; nan for a slab without a pose.
    measured : ndarray of bool, shape (n,)
        The slab has a pose, bed under all four corners, and under at least `WHOLE` of its outline.
    under_area, over_area : ndarray, shape (n,)
        Area where the gap is below the smallest or above the largest allowed, m^2; of the covered part.
    mean : ndarray, shape (n,)
        Mean gap, m; nan where not measured.
    volume : ndarray, shape (n,)
        Of the gap, m^3, without losses; nan where not measured.
    volume_own, volume_shared : ndarray, shape (n,)
        Standard uncertainty of the volume, m^3: the part of this slab alone, and the part that all slabs share.
    roughness : ndarray, shape (n,)
        Standard deviation of what the bed does between its points, m; nan where too few points tell it.
    places : GapPlaces
    """

    corner: Floats
    corner_sigma: Floats
    smallest: Floats
    smallest_sigma: Floats
    smallest_here: Floats
    smallest_place: Floats
    largest: Floats
    largest_sigma: Floats
    largest_here: Floats
    largest_place: Floats
    covered: Floats
    measured: Bools
    under_area: Floats
    over_area: Floats
    mean: Floats
    volume: Floats
    volume_own: Floats
    volume_shared: Floats
    roughness: Floats
    places: GapPlaces

    @property
    def volume_sigma(self) -> Floats:
        """Standard uncertainty of each volume, shape (n,), m^3."""
        return np.hypot(self.volume_own, self.volume_shared)


def gaps_under(
    bed: Bed, position: Floats, rotation: Floats, covariance: Floats | None, types: Sequence[SlabType],
    type_index: Ints, scale: float, limits: tuple[float, float],
) -> Gaps:  # fmt: skip
    """Return the gaps under slabs.

    Parameters
    ----------
    bed : Bed
    position, rotation : ndarray, shape (n, 3) and (n, 3, 3)
        Poses: centre of the top face in the grid, m, and slab to grid; nan for a slab without one.
    covariance : ndarray, shape (n, 6, 6), optional
        Of the poses: across, along, up (m), pitch, roll, yaw (rad); None for poses that are exact, such as targets.
    types : sequence of SlabType
    type_index : ndarray of int, shape (n,)
    scale : float
        Grid length over true length in plan.
    limits : tuple of float
        Smallest and largest allowed gap, m, for the areas.

    Notes
    -----
    Uncertainty: with w the weights of the three bed points around a place, the variance of a gap there is
    ``r C r' + shared^2 + sum(w^2 sigma^2) + q^2 1.5 (1 - sum(w^2))``, where r are the `gap_rows`, C is the pose's
    covariance and q the roughness of the bed: the last term is 0 at a point and q^2 in the middle of a triangle.
    q^2 is the mean of `Bed.roughness2` over the points around the slab, with the mean of the whole bed counting as
    eight further points.

    The smallest gap may lie between the points, and of many values the smallest is often so by chance. In place of
    the last term it has ``(1.5 q)^2 + mean(sigma^2)``, which holds the true extreme in 95 of 100 cases for beds
    from smooth to rougher than the spacing of their points (by simulation; a test repeats it).

    The volume changes with the level of a point by a, the area that the point stands for, so that its variance is
    ``A^2 r C r' + sum(a^2 (sigma^2 + q^2)) + (sum(a residual) / 4)^2 + A^2 shared^2``. The third term is for a bed
    that bends the same way everywhere, such as one that sags: for a paraboloid over equilateral triangles the
    triangles miss a quarter of what a left-out point misses.
    """
    n = len(type_index)
    pieces = bed_pieces(bed, position, rotation, types, type_index, scale)
    thickness = np.array([t.thickness for t in types])[type_index]
    pose = np.zeros((n, 6, 6)) if covariance is None else covariance

    slab_of_piece = pieces.slab[pieces.row]
    centroid = shapely.get_coordinates(shapely.centroid(pieces.shape)).reshape(-1, 2)
    area = np.asarray(shapely.area(pieces.shape), dtype=np.float64)
    share = pieces.weights(pieces.row, centroid)
    value = gap_in_pieces(pieces, pieces.row, share, thickness)
    covered_area = summed(slab_of_piece, area, n)
    stands_for = area_of_points(bed, pieces, share * area[:, None])
    roughness = roughness_under(bed, stands_for, n)
    places = gap_places(bed, pieces, thickness, pose, roughness, unseen_variance(bed, stands_for, roughness))
    at_corner, corner, corner_sigma = corner_gaps(places, types, type_index)

    has_pose = np.isfinite(position).all(axis=1) & np.isfinite(rotation).all(axis=(1, 2))
    covered = np.where(has_pose, covered_area / pieces.outline_area, np.nan)
    measured = at_corner & (covered >= WHOLE)
    known = np.where(measured, 1.0, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = known * summed(slab_of_piece, area * value, n) / covered_area
        middle = np.stack([summed(slab_of_piece, area * axis, n) / covered_area for axis in centroid.T], axis=-1)
    rows = gap_rows(middle)
    own2 = covered_area**2 * np.einsum("ni,nij,nj->n", rows, pose, rows)
    own2 += volume_variance(bed, stands_for, covered_area, roughness, n)
    # the gap goes down where the bed goes up
    slope = -pieces.slope()[pieces.row]
    at_corners = -thickness[pieces.slab, None] - pieces.corners[..., 2]
    reach = np.stack([at_corners.min(axis=1), at_corners.max(axis=1)], axis=1)[pieces.row]
    under = below_level(pieces.shape, centroid, value, slope, reach, limits[0])
    over = below_level(pieces.shape, centroid, -value, -slope, -reach[:, ::-1], -limits[1])
    low, high = (extreme_gaps(places, n, sign) for sign in (1.0, -1.0))
    seen = np.where(covered_area > 0, 1.0, np.nan)
    return Gaps(
        corner=corner,
        corner_sigma=corner_sigma,
        smallest=low[0],
        smallest_sigma=low[1],
        smallest_here=low[2],
        smallest_place=low[3],
        largest=high[0],
        largest_sigma=high[1],
        largest_here=high[2],
        largest_place=high[3],
        covered=covered,
        measured=measured,
        under_area=seen * summed(slab_of_piece, under, n),
        over_area=seen * summed(slab_of_piece, over, n),
        mean=mean,
        volume=mean * pieces.outline_area,
        volume_own=known * np.sqrt(own2),
        volume_shared=known * pieces.outline_area * bed.shared,
        roughness=roughness,
        places=places,
    )
