"""A body of constant thickness below an outline, its faces cut into cells where values bend within it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["prism"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


def _ring(outline: ArrayLike) -> Floats:
    """Return an outline anticlockwise; refuse one that crosses itself."""
    from shapely import Polygon

    ring = np.asarray(outline, dtype=np.float64)
    polygon = Polygon(ring)
    if not polygon.is_valid:
        raise ValueError("the outline of a slab crosses itself")
    return ring if polygon.exterior.is_ccw else ring[::-1]


def _crossed(ring: Floats, lines: tuple[Floats, Floats]) -> Floats:
    """Return a ring with a further vertex wherever a side crosses a line of the grid."""
    start, way = ring, np.roll(ring, -1, axis=0) - ring
    side, place = [np.arange(len(ring))], [np.zeros(len(ring))]
    for axis, values in enumerate(lines):
        with np.errstate(divide="ignore", invalid="ignore"):
            share = (values[None] - start[:, axis, None]) / way[:, axis, None]
        at, which = np.nonzero((share > 1e-9) & (share < 1.0 - 1e-9))
        side.append(at)
        place.append(share[at, which])
    sides, places = np.concatenate(side), np.concatenate(place)
    order = np.lexsort((places, sides))
    crossed: Floats = start[sides[order]] + places[order, None] * way[sides[order]]
    return crossed


def _filled(ring: Floats, lines: tuple[Floats, Floats]) -> tuple[Floats, Integers]:
    """Return what fills a polygon, cut along the lines of a grid: vertices, the ring's first, and triangles."""
    from scipy.spatial import KDTree
    from shapely import Polygon, box, constrained_delaunay_triangles, get_coordinates, get_parts, intersection, prepare

    polygon = Polygon(ring)
    prepare(polygon)
    edges = [
        np.concatenate([[ring[:, axis].min()], values, [ring[:, axis].max()]]) for axis, values in enumerate(lines)
    ]
    low, high = (np.stack(np.meshgrid(edges[0][cut], edges[1][cut]), axis=-1).reshape(-1, 2)
                 for cut in (slice(None, -1), slice(1, None)))  # fmt: skip
    pieces = get_parts(intersection(polygon, box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])))
    triangles = get_parts(constrained_delaunay_triangles(pieces[[piece.area > 1e-12 for piece in pieces]]))
    corners = get_coordinates(triangles).reshape(-1, 4, 2)[:, :3]
    nodes = np.stack(np.meshgrid(*lines), axis=-1).reshape(-1, 2)
    vertices = np.concatenate([ring, nodes])
    faces = KDTree(vertices).query(corners.reshape(-1, 2))[1].reshape(-1, 3)
    whole = (faces != np.roll(faces, 1, axis=1)).all(axis=1)  # a sliver of rounding has a corner twice
    faces, corners = faces[whole], corners[whole]
    edge, span = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    clockwise = edge[:, 0] * span[:, 1] - edge[:, 1] * span[:, 0] < 0.0
    faces[clockwise] = faces[clockwise][:, ::-1]
    used, numbers = np.unique(np.concatenate([np.arange(len(ring)), faces.ravel()]), return_inverse=True)
    return vertices[used], numbers[len(ring) :].reshape(-1, 3)


def prism(outline: ArrayLike, thickness: float, cells: tuple[int, int] = (1, 1)) -> tuple[Floats, Integers]:
    """Return a body of constant thickness below an outline.

    Parameters
    ----------
    outline : array_like, shape (k, 2)
        Corners, (across, along) in m, not closed.
    thickness : float
        m.
    cells : (int, int)
        Cells across and along into which both faces are cut, over the rectangle around the outline.

    Returns
    -------
    ndarray, shape (2 v, 3)
        The v vertices of the top face at z = 0, the corners of the outline before all others unless it is cut, and
        then those of the underside.
    ndarray of int, shape (f, 3)
        Triangles, anticlockwise seen from outside.

    Raises
    ------
    ValueError
        If the outline crosses itself.
    """
    ring = _ring(outline)
    low, high = ring.min(axis=0), ring.max(axis=0)
    lines = tuple(np.linspace(low[axis], high[axis], cells[axis] + 1)[1:-1] for axis in (0, 1))
    ring = _crossed(ring, (lines[0], lines[1]))
    top, faces = _filled(ring, (lines[0], lines[1]))
    v, here = len(top), np.arange(len(ring))
    following = np.roll(here, -1)
    sides = np.vstack(
        [np.column_stack([here, here + v, following + v]), np.column_stack([here, following + v, following])]
    )
    vertices = np.vstack([np.column_stack([top, np.zeros(v)]), np.column_stack([top, np.full(v, -float(thickness))])])
    return vertices, np.vstack([faces, faces[:, ::-1] + v, sides]).astype(np.int64)
