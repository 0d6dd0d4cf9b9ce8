"""Where under a slab the smallest and the largest gap can lie, and how certain the gap is there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geometry.alignment.laws import Floats
from geometry.slabs import SlabType
from geometry.survey.points import Ints

from .bed import Bed
from .clipping import Pieces

__all__ = ["GapPlaces", "corner_gaps", "extreme_gaps", "gap_in_pieces", "gap_places", "gap_rows"]

Bools = npt.NDArray[np.bool_]
_AT_CORNER = 1e-6
_PER_PLACE = 1e-5  # places nearer than this are one, m


@dataclass(frozen=True, eq=False)
class GapPlaces:
    """All places of the undersides where the smallest or largest gap can lie; arrays of shape (v, ...).

    They are the corners of the clipped pieces of the bed, in order of slab. While a slab moves by millimetres the
    same places decide, and the gap there changes by ``gap_rows(place) @ move`` (move: across, along, up, pitch,
    roll, yaw, m and rad, in the slab's frame): so a smallest gap is kept by one linear inequality for each place.

    Attributes
    ----------
    slab : ndarray of int, shape (v,)
        Row of the slab, ascending.
    place : ndarray, shape (v, 2)
        Across and along in the slab's frame, m.
    gap : ndarray, shape (v,)
        m; negative where the bed is higher than the underside.
    sigma : ndarray, shape (v,)
        Standard uncertainty of the gap about there, m: of pose, bed points, what all bed points share, and of what
        the bed may do between its points. To prove that a gap is kept, use this one.
    sigma_here : ndarray, shape (v,)
        The same at this very place, m: at a surveyed point the bed is known. To prove that a gap is broken, this
        one does.
    """

    slab: Ints
    place: Floats
    gap: Floats
    sigma: Floats
    sigma_here: Floats


def gap_rows(place: Floats) -> Floats:
    """Return how gaps change with a slab's move (across, along, up, pitch, roll, yaw), shape (..., 6).

    Pushing a slab sideways over a rough bed changes its gaps too, by the push times the slope of the bed: 10 um
    for 1 mm on 1 percent. That is left out.

    Parameters
    ----------
    place : ndarray, shape (..., 2)
        Across and along in the slab's frame, m.

    Examples
    --------
    >>> gap_rows(np.array([1.0, 2.5])).tolist()  # on the right in front: up with pitch, down with roll
    [0.0, 0.0, 1.0, 2.5, -1.0, 0.0]
    """
    rows = np.zeros((*place.shape[:-1], 6))
    rows[..., 2], rows[..., 3], rows[..., 4] = 1.0, place[..., 1], -place[..., 0]
    return rows


def gap_in_pieces(pieces: Pieces, row: Ints, weights: Floats, thickness: Floats) -> Floats:
    """Return the gap at places of triangles, shape (m,), m."""
    bed_up = (pieces.corners[row][..., 2] * weights).sum(axis=1)
    return np.asarray(-thickness[pieces.slab[row]] - bed_up)


def gap_places(
    bed: Bed, pieces: Pieces, thickness: Floats, pose: Floats, roughness: Floats, unseen: Floats
) -> GapPlaces:
    """Return all places where an extreme can lie.

    These are the corners of the pieces' convex hulls: along the arc of a notch the outline is hollow, and a linear
    function has no extreme there.
    """
    hulls = pieces.shape.copy()
    hulls[pieces.hollow] = shapely.convex_hull(hulls[pieces.hollow])
    xy, piece = shapely.get_coordinates(hulls, return_index=True)
    open_ring = np.append(piece[1:] == piece[:-1], False)[: len(piece)]  # the last corner is the first once more
    xy, row = xy[open_ring], pieces.row[piece[open_ring]]
    steps = np.round(xy / _PER_PLACE).astype(np.int64) + (1 << 21)
    key = (pieces.slab[row].astype(np.int64) << 44) + (steps[:, 0] << 22) + steps[:, 1]
    first = np.unique(key, return_index=True)[1]
    xy, row = xy[first], row[first]
    slab = pieces.slab[row]
    weights = pieces.weights(row, xy)
    squares = weights**2
    rows = gap_rows(xy)
    base = np.einsum("vi,vij,vj->v", rows, pose[slab], rows) + bed.shared**2
    base += (squares * bed.sigma[bed.triangles[pieces.triangle[row]]] ** 2).sum(axis=1)
    here = np.clip(1.5 * (1 - squares.sum(axis=1)), 0.0, 1.0)
    return GapPlaces(
        slab=slab,
        place=xy,
        gap=gap_in_pieces(pieces, row, weights, thickness),
        sigma=np.sqrt(base + unseen[slab]),
        sigma_here=np.sqrt(base + here * roughness[slab] ** 2),
    )


def corner_gaps(places: GapPlaces, types: Sequence[SlabType], type_index: Ints) -> tuple[Bools, Floats, Floats]:
    """Return whether all four corners have bed, shape (n,), and gap and sigma there, shape (n, 4)."""
    n = len(type_index)
    gap, sigma = np.full((n, 4), np.nan), np.full((n, 4), np.nan)
    half = np.array([[t.width / 2, t.length / 2] for t in types])[type_index[places.slab]]
    at = (np.abs(np.abs(places.place) - half) < _AT_CORNER).all(axis=1)
    slab, right_front = places.slab[at], places.place[at] > 0
    which = right_front[:, 0] + 2 * right_front[:, 1]
    gap[slab, which], sigma[slab, which] = places.gap[at], places.sigma_here[at]
    return np.asarray(np.isfinite(gap).all(axis=1)), gap, sigma


def extreme_gaps(places: GapPlaces, n: int, sign: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the smallest (sign 1) or largest (-1) gap of each slab, both sigmas and the place."""
    order = np.lexsort((sign * places.gap, places.slab))
    slab = places.slab[order]
    first = order[np.append(True, slab[1:] != slab[:-1])[: len(slab)]]
    of_slab = np.full(n, -1, dtype=np.intp)
    of_slab[places.slab[first]] = first
    has = of_slab >= 0

    def taken(values: Floats) -> Floats:
        result = np.full((n, *values.shape[1:]), np.nan)
        result[has] = values[of_slab[has]]
        return result

    return taken(places.gap), taken(places.sigma), taken(places.sigma_here), taken(places.place)
