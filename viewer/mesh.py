"""All slabs as one triangle mesh in plain arrays.

A slab is rigid, so the deviation of any of its points follows from its two poses, and is linear over the
slab: a value at each vertex and linear interpolation between them show it exactly. Origin and exaggeration
are dealt with in float64; what is returned is small enough for a float32 renderer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.layer import Layer, field_at, rectangles
from viewer.prism import prism
from viewer.rows import Rows
from viewer.section import QUANTITIES, Section

__all__ = ["SlabMesh", "corner_values_mm", "deviation_at_mm", "slab_mesh", "slab_vertices", "unrolled_mesh"]

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
        What the slabs are coloured by, mm; nan where unknown.
    origin : ndarray, shape (3,)
        What was subtracted from grid coordinates, m.
    rims : ndarray, shape (s, e, 3)
        Of blocks: the edge of each block's top, anticlockwise from the back left corner, m. Else empty.
    """

    points: Floats
    faces: Integers
    slab_of_face: Integers
    slab_of_point: Integers
    value_of_point: Floats
    origin: Floats
    rims: Floats


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
    layer: Layer | None = None,
    factor: float = 1.0,
    origin: ArrayLike | None = None,
) -> SlabMesh:
    """Return slabs in their true shape at target plus ``factor`` times deviation.

    Parameters
    ----------
    section : Section
    slabs : array_like of int, shape (s,), optional
        Which slabs; all if left out.
    layer : Layer, optional
        What ``value_of_point`` holds; nan without one, or if it is no field.
    factor : float
        Exaggeration of the deviation; 0 gives the target slabs.
    origin : array_like, shape (3,), optional
        Local origin in the grid, m; the first slab's target position if left out.

    Returns
    -------
    SlabMesh
        Slabs of one type stand together, in the order of ``slabs``.
    """
    chosen = np.arange(len(section)) if slabs is None else np.atleast_1d(np.asarray(slabs, dtype=np.int64))
    about = section.target_position[chosen[:1]].ravel() if origin is None else np.asarray(origin, dtype=np.float64)
    field = None if layer is None else layer.field
    cells = (1, 1) if field is None else (field.shape[2] - 1, field.shape[1] - 1)
    corners = rectangles(section)
    points, faces, values, of_face, of_point = [], [], [], [], []
    first = 0
    for kind, (outline, thickness) in enumerate(zip(section.outlines, section.thickness, strict=True)):
        members = chosen[section.type_index[chosen] == kind]
        vertices, triangles = prism(outline, thickness, cells)
        places, _ = slab_vertices(section, members, vertices, factor=factor, origin=about)
        points.append(places.reshape(-1, 3))
        blank = np.full((len(members), len(vertices)), np.nan)
        value = blank if field is None else field_at(field[members], corners[members], vertices[:, :2])
        values.append(value.ravel())
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
        np.empty((0, 0, 3)),
    )


def corner_values_mm(section: Section, quantity: str) -> tuple[Floats, Floats]:
    """Return the corners of each slab's surrounding rectangle and a part of the deviation there.

    Returns
    -------
    ndarray, shape (n, 4, 2)
        As `viewer.layer.rectangles` gives it.
    ndarray, shape (n, 4)
        mm; nan where not measured.
    """
    section.quantity(quantity)
    rectangle = rectangles(section)
    vertices = np.concatenate([rectangle, np.zeros((*rectangle.shape[:2], 1))], axis=2)
    deviation_mm = deviation_at_mm(section, np.arange(len(section)), vertices)
    return rectangle, deviation_mm[:, :, QUANTITIES.index(quantity)]


def _block(rows: int, columns: int) -> tuple[Integers, Integers, int]:
    """Return how a block with a grid of points on its top is put together.

    Returns
    -------
    order : ndarray of int, shape (rows * columns,)
        Points of the grid, counted row by row, in the order of the block: the rim anticlockwise from the back left
        corner, and then those inside.
    faces : ndarray of int, shape (f, 3)
        Triangles over the ordered points and, after them, the rim once more on the floor.
    rim : int
        Points on the rim.
    """
    grid = np.arange(rows * columns).reshape(rows, columns)
    rim = np.concatenate([grid[0, :-1], grid[:-1, -1], grid[-1, :0:-1], grid[:0:-1, 0]])
    order = np.concatenate([rim, grid[1:-1, 1:-1].ravel()])
    place = np.empty(grid.size, dtype=np.int64)
    place[order] = np.arange(grid.size)
    back_left, back_right, forward_right, forward_left = (
        place[part].ravel() for part in (grid[:-1, :-1], grid[:-1, 1:], grid[1:, 1:], grid[1:, :-1])
    )
    here = np.arange(len(rim))
    following = np.roll(here, -1)
    low, low_following = here + grid.size, following + grid.size
    faces = [
        (back_left, back_right, forward_right), (back_left, forward_right, forward_left),
        (here, low, low_following), (here, low_following, following),
    ]  # fmt: skip
    return order, np.concatenate([np.column_stack(three) for three in faces]), len(rim)


def unrolled_mesh(
    section: Section,
    rows: Rows,
    layer: Layer,
    *,
    row_pitch: float,
    width_factor: float,
    height_factor: float,
    slabs: ArrayLike | None = None,
    least_length: float = 0.0,
) -> SlabMesh:
    """Return the section unrolled in rows: slabs as blocks whose height is the field of a layer.

    x runs along a row, y up the page (left of the track, since chainage runs to the right), z is the value less the
    middle of the layer's scale. Blocks stand on a floor a little below the lower end of the scale. Where the field
    is unknown it counts as the middle; a layer without a field leaves flat blocks on the floor.

    Parameters
    ----------
    section : Section
    rows : Rows
    layer : Layer
    row_pitch : float
        From row to row, m in the picture.
    width_factor, height_factor : float
        Exaggeration across the track, and of the values. Values beyond an end of the scale are drawn at it;
        ``value_of_point`` keeps the full value.
    slabs : array_like of int, shape (s,), optional
        Which slabs; all if left out.
    least_length : float
        Shorter blocks are drawn that long, m.

    Returns
    -------
    SlabMesh
        In the order of ``slabs``, equally many points and triangles each.
    """
    chosen = np.arange(len(section)) if slabs is None else np.asarray(slabs, dtype=np.int64)
    floor = layer.scale.floor
    field = np.full((len(chosen), 2, 2), np.nan) if layer.field is None else layer.field[chosen]
    n, r, c = field.shape
    order, faces, rim = _block(r, c)
    rectangle, distance = rectangles(section)[chosen], section.distance[chosen]
    share = np.stack(np.meshgrid(np.linspace(0.0, 1.0, c), np.linspace(0.0, 1.0, r)), axis=-1).reshape(-1, 2)[order]
    place = rectangle[:, None, 0] + share[None] * (rectangle[:, None, 2] - rectangle[:, None, 0])
    value = field.reshape(n, r * c)[:, order]
    stretch = np.maximum(1.0, least_length / np.ptp(rectangle[:, :, 1], axis=1))
    points = np.empty((n, len(order) + rim, 3))
    top, low = points[:, : len(order)], points[:, len(order) :]
    top[..., 0] = rows.place(distance)[:, None] + place[..., 1] * stretch[:, None]
    top[..., 1] = -rows.row(distance)[:, None] * row_pitch - width_factor * place[..., 0]
    height = floor if layer.field is None else np.nan_to_num(layer.scale.height(value))
    top[..., 2] = 0.001 * height_factor * height
    low[..., :2] = top[:, :rim, :2]
    low[..., 2] = 0.001 * height_factor * floor
    return SlabMesh(
        points.reshape(-1, 3),
        _repeated(faces, n, points.shape[1], 0),
        np.repeat(chosen, len(faces)),
        np.repeat(chosen, points.shape[1]),
        np.concatenate([value, value[:, :rim]], axis=1).ravel(),
        np.zeros(3),
        points[:, :rim],
    )
