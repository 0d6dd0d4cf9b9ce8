"""All slabs as one triangle mesh in plain arrays.

A slab is rigid, so the deviation of any of its points follows from its two poses, and is linear over the
slab: a value at each vertex and linear interpolation between them show it exactly. Origin and exaggeration
are dealt with in float64; what is returned is small enough for a float32 renderer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.rows import Rows
from viewer.section import QUANTITIES, Section

__all__ = ["SlabMesh", "corner_values_mm", "deviation_at_mm", "prism", "slab_mesh", "slab_vertices", "unrolled_mesh"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class SlabMesh:
    """Triangles of many slabs.

    Parameters
    ----------
    points : ndarray, shape (p, 3)
        float64, m, about ``origin``.
    faces : ndarray of int, shape (f, 3)
        Corners of each triangle, anticlockwise seen from outside.
    slab_of_face, slab_of_point : ndarray of int, shapes (f,) and (p,)
        Which slab a triangle (what a pick reports) and a vertex belong to.
    value_of_point : ndarray, shape (p,)
        The chosen quantity, mm; nan where not measured.
    origin : ndarray, shape (3,)
        What was subtracted from grid coordinates, m.
    """

    points: Floats
    faces: Integers
    slab_of_face: Integers
    slab_of_point: Integers
    value_of_point: Floats
    origin: Floats


def prism(outline: ArrayLike, thickness: float) -> tuple[Floats, Integers]:
    """Return the vertices and triangles of an upright prism whose top face lies at z = 0.

    Parameters
    ----------
    outline : array_like, shape (k, 2)
        A simple polygon, either sense of turning, not closed, m.
    thickness : float
        m.

    Returns
    -------
    ndarray, shape (2 k, 3)
        The top ring, then the bottom ring, anticlockwise seen from above.
    ndarray of int, shape (t, 3)
        Triangles, anticlockwise seen from outside: the top first, then the bottom, then the sides.

    Raises
    ------
    ValueError
        If the outline crosses itself.
    """
    from scipy.spatial import KDTree
    from shapely import constrained_delaunay_triangles, get_coordinates, get_parts
    from shapely.geometry import Polygon

    ring = np.asarray(outline, dtype=np.float64)
    polygon = Polygon(ring)
    if not polygon.is_valid:
        raise ValueError("the outline of a slab crosses itself")
    if not polygon.exterior.is_ccw:
        ring = ring[::-1]
    k = len(ring)
    corners = get_coordinates(get_parts(constrained_delaunay_triangles(polygon))).reshape(-1, 4, 2)[:, :3]
    top = KDTree(ring).query(corners.reshape(-1, 2))[1].reshape(-1, 3)
    edge, span = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    clockwise = edge[:, 0] * span[:, 1] - edge[:, 1] * span[:, 0] < 0.0
    top[clockwise] = top[clockwise][:, ::-1]
    here = np.arange(k)
    following = np.roll(here, -1)
    sides = np.vstack(
        [np.column_stack([here, here + k, following + k]), np.column_stack([here, following + k, following])]
    )
    vertices = np.vstack([np.column_stack([ring, np.zeros(k)]), np.column_stack([ring, np.full(k, -float(thickness))])])
    return vertices, np.vstack([top, top[:, ::-1] + k, sides]).astype(np.int64)


def deviation_at_mm(section: Section, slabs: Integers, vertices: Floats) -> Floats:
    """Return the deviation of points fixed to slabs, from the slabs' poses.

    Parameters
    ----------
    section : Section
    slabs : ndarray of int, shape (s,)
    vertices : ndarray, shape (v, 3) or (s, v, 3)
        In the slab frame, m.

    Returns
    -------
    ndarray, shape (s, v, 3)
        Built minus target in the target slab's frame, (across, along, up), mm; nan where not measured.
    """
    grid_to_slab = section.target_rotation[slabs].swapaxes(-1, -2)
    # The difference of positions first: as products with the full coordinates it would lose 1e-9 m and more.
    shift = grid_to_slab @ (section.built_position[slabs] - section.target_position[slabs])[:, :, None]
    turn = grid_to_slab @ section.built_rotation[slabs] - np.eye(3)
    deviation: Floats = (vertices @ turn.swapaxes(-1, -2) + shift.swapaxes(-1, -2)) * 1000.0
    return deviation


def slab_vertices(
    section: Section, slabs: Integers, vertices: Floats, *, factor: float, origin: Floats
) -> tuple[Floats, Floats]:
    """Return where points fixed to slabs are drawn, and their deviations.

    A point is drawn at its target position plus ``factor`` times its deviation: factor 0 is the target, 1 the
    built slab. A slab that was not measured is drawn at its target.

    Parameters
    ----------
    section : Section
    slabs : ndarray of int, shape (s,)
    vertices : ndarray, shape (v, 3)
        In the slab frame, m.
    factor : float
        Exaggeration of the deviation.
    origin : ndarray, shape (3,)
        Subtracted from the grid coordinates, m.

    Returns
    -------
    ndarray, shape (s, v, 3)
        Grid directions, m about ``origin``.
    ndarray, shape (s, v, 3)
        (across, along, up), mm; nan where not measured.
    """
    deviation_mm = deviation_at_mm(section, slabs, vertices)
    moved = vertices + np.where(np.isfinite(deviation_mm), deviation_mm, 0.0) * (0.001 * factor)
    points = moved @ section.target_rotation[slabs].swapaxes(-1, -2)
    points += (section.target_position[slabs] - origin)[:, None, :]
    return points, deviation_mm


def _repeated(faces: Integers, count: int, vertices: int, first: int) -> Integers:
    """Return the triangles of ``count`` equal bodies of ``vertices`` points each, numbered from ``first``."""
    start = first + vertices * np.arange(count, dtype=np.int64)
    repeated: Integers = (start[:, None, None] + faces[None]).reshape(-1, 3)
    return repeated


def slab_mesh(
    section: Section,
    slabs: ArrayLike | None = None,
    *,
    quantity: str = "up",
    factor: float = 1.0,
    origin: ArrayLike | None = None,
) -> SlabMesh:
    """Return slabs in their true shape at target plus ``factor`` times deviation.

    Parameters
    ----------
    section : Section
    slabs : array_like of int, shape (s,), optional
        Which slabs; all if left out.
    quantity : str
        What ``value_of_point`` holds.
    factor : float
        Exaggeration of the deviation; 0 gives the target slabs.
    origin : array_like, shape (3,), optional
        Local origin in the grid, m; the first slab's target position if left out.

    Returns
    -------
    SlabMesh
        Slabs of one type stand together, in the order of ``slabs``.
    """
    section.quantity(quantity)
    chosen = np.arange(len(section)) if slabs is None else np.atleast_1d(np.asarray(slabs, dtype=np.int64))
    about = section.target_position[chosen[:1]].ravel() if origin is None else np.asarray(origin, dtype=np.float64)
    axis = QUANTITIES.index(quantity)
    points, faces, values, of_face, of_point = [], [], [], [], []
    first = 0
    for kind, (outline, thickness) in enumerate(zip(section.outlines, section.thickness, strict=True)):
        members = chosen[section.type_index[chosen] == kind]
        vertices, triangles = prism(outline, thickness)
        places, deviation_mm = slab_vertices(section, members, vertices, factor=factor, origin=about)
        points.append(places.reshape(-1, 3))
        values.append(deviation_mm[:, :, axis].ravel())
        faces.append(_repeated(triangles, len(members), len(vertices), first))
        of_face.append(np.repeat(members, len(triangles)))
        of_point.append(np.repeat(members, len(vertices)))
        first += len(vertices) * len(members)
    return SlabMesh(
        np.concatenate(points),
        np.concatenate(faces),
        np.concatenate(of_face),
        np.concatenate(of_point),
        np.concatenate(values),
        np.array(about),
    )


def corner_values_mm(section: Section, quantity: str) -> tuple[Floats, Floats]:
    """Return the corners of each slab's surrounding rectangle and a quantity there.

    Returns
    -------
    ndarray, shape (n, 4, 2)
        (across, along) in m, in the order back left, back right, forward right, forward left.
    ndarray, shape (n, 4)
        mm; nan where not measured.
    """
    section.quantity(quantity)
    low = np.array([ring.min(axis=0) for ring in section.outlines])
    high = np.array([ring.max(axis=0) for ring in section.outlines])
    rectangle = np.stack(
        [low, np.column_stack([high[:, 0], low[:, 1]]), high, np.column_stack([low[:, 0], high[:, 1]])], axis=1
    )[section.type_index]
    vertices = np.concatenate([rectangle, np.zeros((*rectangle.shape[:2], 1))], axis=2)
    deviation_mm = deviation_at_mm(section, np.arange(len(section)), vertices)
    return rectangle, deviation_mm[:, :, QUANTITIES.index(quantity)]


_SKIRT = np.array(
    [[0, 1, 2], [0, 2, 3]]
    + [triangle for a, b in ((0, 1), (1, 2), (2, 3), (3, 0)) for triangle in ([a, a + 4, b + 4], [a, b + 4, b])]
)


def unrolled_mesh(
    section: Section,
    rows: Rows,
    *,
    quantity: str,
    row_pitch: float,
    width_factor: float,
    height_factor: float,
    limit_mm: float,
    slabs: ArrayLike | None = None,
    least_length: float = 0.0,
) -> SlabMesh:
    """Return the section unrolled in rows: slabs as blocks whose height is the deviation.

    x runs along a row, y up the page (left of the track, since chainage runs to the right), z is the deviation.
    Blocks stand on a floor at ``-1.1 * limit_mm``. A slab that was not measured stands at zero height.

    Parameters
    ----------
    section : Section
    rows : Rows
    quantity : str
    row_pitch : float
        From row to row, m in the picture.
    width_factor, height_factor : float
        Exaggeration across the track, and of the deviation.
    limit_mm : float
        Heights beyond it are drawn at it; ``value_of_point`` keeps the full value.
    slabs : array_like of int, shape (s,), optional
        Which slabs; all if left out.
    least_length : float
        Shorter blocks are drawn that long, m.

    Returns
    -------
    SlabMesh
        Eight points and ten triangles a slab, in the order of ``slabs``.
    """
    chosen = np.arange(len(section)) if slabs is None else np.asarray(slabs, dtype=np.int64)
    rectangle, value_mm = (part[chosen] for part in corner_values_mm(section, quantity))
    n, distance = len(chosen), section.distance[chosen]
    stretch = np.maximum(1.0, least_length / np.ptp(rectangle[:, :, 1], axis=1))
    height = 0.001 * height_factor * np.clip(np.nan_to_num(value_mm), -limit_mm, limit_mm)
    points = np.empty((n, 8, 3))
    points[:, :4, 0] = rows.place(distance)[:, None] + rectangle[:, :, 1] * stretch[:, None]
    points[:, :4, 1] = -rows.row(distance)[:, None] * row_pitch - width_factor * rectangle[:, :, 0]
    points[:, 4:, :2] = points[:, :4, :2]
    points[:, :4, 2] = height
    points[:, 4:, 2] = -0.0011 * height_factor * limit_mm
    return SlabMesh(
        points.reshape(-1, 3),
        _repeated(_SKIRT, n, 8, 0),
        np.repeat(chosen, len(_SKIRT)),
        np.repeat(chosen, 8),
        np.tile(value_mm, (1, 2)).ravel(),
        np.zeros(3),
    )
