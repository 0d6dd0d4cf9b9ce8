"""The triangles of a bed, cut to the outlines of the slabs above them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geometry.alignment.frames import from_grid, to_grid
from geometry.alignment.laws import Floats
from geometry.slabs import SlabType, outline
from geometry.survey.points import Ints

from .bed import Bed

__all__ = ["SEGMENTS", "Pieces", "bed_pieces", "below_level", "summed"]

Bools = npt.NDArray[np.bool_]
SEGMENTS = 32  # chords for a quarter of a notch: two notches of 0.26 m over 50 mm come out 4 ml too full
_NOTHING = 1e-12  # what is cut off by less area than this is rounding, m^2
_BEYOND = 50.0  # more than any piece is long, m


@dataclass(frozen=True, eq=False)
class Pieces:
    """Pieces of bed triangles under n slabs, in the frames of the slabs; k pieces of r triangles.

    Attributes
    ----------
    slab : ndarray of int, shape (r,)
        Slab above each triangle, ascending.
    triangle : ndarray of int, shape (r,)
        Row in the bed's triangles; a triangle stands there once for each slab above it.
    corners : ndarray, shape (r, 3, 3)
        The triangle in the slab's frame: across, along, up, m.
    row : ndarray of int, shape (k,)
        Triangle (in the r) that a piece is cut from.
    shape : ndarray of shapely polygons, shape (k,)
        Across and along, m.
    outline_area : ndarray, shape (n,)
        Area of the slab's underside, m^2.
    hollow : ndarray of bool, shape (k,)
        Pieces that may be hollow, as they lie at a notch; the others are convex.
    """

    slab: Ints
    triangle: Ints
    corners: Floats
    row: Ints
    shape: np.ndarray
    outline_area: Floats
    hollow: Bools

    def weights(self, row: Ints, xy: Floats) -> Floats:
        """Return barycentric weights of places in triangles, shape (m, 3); what is linear there is their mean.

        Parameters
        ----------
        row : ndarray of int, shape (m,)
            Which of the r triangles.
        xy : ndarray, shape (m, 2)
        """
        corners = self.corners[row][..., :2]
        a, b, p = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0], xy - corners[:, 0]
        doubled = _cross(a, b)
        second, third = _cross(p, b) / doubled, _cross(a, p) / doubled
        return np.stack([1 - second - third, second, third], axis=-1)

    def slope(self) -> Floats:
        """Return the change of the bed's height per metre across and along in each of the r triangles, shape (r, 2)."""
        a, b = (self.corners[:, i] - self.corners[:, 0] for i in (1, 2))
        doubled = _cross(a, b)
        rise = np.stack([a[:, 2] * b[:, 1] - b[:, 2] * a[:, 1], b[:, 2] * a[:, 0] - a[:, 2] * b[:, 0]], axis=-1)
        return np.asarray(rise / doubled[:, None])


def summed(index: Ints, values: Floats, n: int) -> Floats:
    """Return the sums of the values that belong to each of n things, shape (n,)."""
    return np.bincount(index, values, n).astype(np.float64)


def _cross(a: Floats, b: Floats) -> Floats:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def bed_pieces(
    bed: Bed, position: Floats, rotation: Floats, types: Sequence[SlabType], type_index: Ints, scale: float
) -> Pieces:
    """Return the pieces of a bed under slabs.

    Parameters
    ----------
    bed : Bed
    position, rotation : ndarray, shape (n, 3) and (n, 3, 3)
        Poses: centre of the top face in the grid, m, and slab to grid; nan for a slab without one.
    types : sequence of SlabType
    type_index : ndarray of int, shape (n,)
    scale : float
        Grid length over true length in plan.
    """
    outlines = np.array([outline(t, SEGMENTS) for t in types], dtype=object)
    slab, triangle = _above(bed, position, rotation, types, type_index, scale)
    corners = from_grid(position[slab], rotation[slab], bed.xyz[bed.triangles[triangle]], scale)
    boxes = shapely.envelope(outlines)
    notches = shapely.difference(boxes, outlines)
    for shapes in (outlines, notches):
        shapely.prepare(shapes)
    kind = type_index[slab]
    flat = shapely.polygons(corners[..., :2])
    inside = shapely.covers(outlines[kind], flat)
    cut = np.flatnonzero(~inside)
    shape = _in_boxes(flat[cut], boxes, kind[cut])
    # few triangles meet a notch, and only there a hundred edges have to be looked at
    notch = notches[kind[cut]]
    at_notch = shapely.intersects(notch, shape)
    shape[at_notch] = shapely.difference(shape[at_notch], notch[at_notch])
    shape, row = shapely.get_parts(shape, return_index=True)
    shape, again = shapely.get_parts(shape, return_index=True)  # collections may hold multipolygons
    part = row[again]
    row = cut[part]
    some = (shapely.get_type_id(shape) == shapely.GeometryType.POLYGON) & (shapely.area(shape) > _NOTHING)
    whole = np.flatnonzero(inside)
    return Pieces(
        slab=slab,
        triangle=triangle,
        corners=corners,
        row=np.concatenate([whole, row[some]]).astype(np.intp),
        shape=np.concatenate([flat[whole], shape[some]]),
        outline_area=np.asarray(shapely.area(outlines), dtype=np.float64)[type_index],
        hollow=np.concatenate([np.zeros(len(whole), dtype=bool), at_notch[part[some]]]),
    )


def _in_boxes(shape: np.ndarray, boxes: np.ndarray, kind: Ints) -> np.ndarray:
    """Return polygons cut to the rectangle of their kind, shape (m,)."""
    result = np.empty(len(shape), dtype=object)
    for index, bounds in enumerate(shapely.bounds(boxes)):
        mine = kind == index
        result[mine] = shapely.clip_by_rect(shape[mine], *bounds)
    return result


def _above(
    bed: Bed, position: Floats, rotation: Floats, types: Sequence[SlabType], type_index: Ints, scale: float
) -> tuple[Ints, Ints]:
    """Return the pairs of slab and triangle that meet in plan, ascending by slab."""
    known = np.flatnonzero(np.isfinite(position).all(axis=1) & np.isfinite(rotation).all(axis=(1, 2)))
    if not known.size or not len(bed.triangles):
        return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
    half = np.array([[t.width / 2, t.length / 2, t.thickness] for t in types])[type_index[known]]
    sides = np.array([[-1.0, -1.0, -1.0], [1.0, -1.0, -1.0], [1.0, 1.0, -1.0], [-1.0, 1.0, -1.0]])
    # a little larger: on cant the bed's points are not plumb below the places of the slab they are seen from
    local = sides * (half[:, None] + np.array([0.1, 0.1, 0.0]))
    origin = bed.xyz[0, :2]
    over = shapely.polygons(to_grid(position[known], rotation[known], local, scale)[..., :2] - origin)
    tree = shapely.STRtree(shapely.polygons(bed.xyz[bed.triangles][..., :2] - origin))
    slab, triangle = tree.query(over, predicate="intersects")
    order = np.lexsort((triangle, slab))
    return known[slab[order]], triangle[order].astype(np.intp)


def below_level(
    shape: np.ndarray, centroid: Floats, value: Floats, slope: Floats, reach: Floats, level: float
) -> Floats:  # fmt: skip
    """Return the area of each polygon on which a linear function is below a level, shape (k,), m^2.

    Parameters
    ----------
    shape : ndarray of shapely polygons, shape (k,)
    centroid : ndarray, shape (k, 2)
    value : ndarray, shape (k,)
        Of the function at the centroid.
    slope : ndarray, shape (k, 2)
        Its change per metre.
    reach : ndarray, shape (k, 2)
        It is nowhere smaller and nowhere larger than this.
    level : float
    """
    area = np.where(value < level, shapely.area(shape), 0.0)
    crossed = np.flatnonzero((reach[:, 0] < level) & (level < reach[:, 1]))
    steep = np.linalg.norm(slope[crossed], axis=1)
    up = slope[crossed] / steep[:, None]
    side = np.stack([-up[:, 1], up[:, 0]], axis=1)
    foot = centroid[crossed] + up * ((level - value[crossed]) / steep)[:, None]
    low = np.stack([
        foot - _BEYOND * side, foot + _BEYOND * side, foot + _BEYOND * (side - up), foot - _BEYOND * (side + up)
    ], axis=1)  # fmt: skip
    area[crossed] = shapely.area(shapely.intersection(shape[crossed], shapely.polygons(low)))
    return area
