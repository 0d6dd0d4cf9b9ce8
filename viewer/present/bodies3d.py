"""Bodies that guests see beside the slabs: rails by their profile, fasteners, swept and boxed shapes."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geometry.slabs import SlabType
from viewer.bodies import polygon_faces

__all__ = ["RAIL_PROFILE", "boxes", "fastener_body", "rail_body", "sweep"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_HALF: Final = np.array([
    [0.036, 0.0], [0.036, -0.036], [0.0085, -0.051], [0.0085, -0.145], [0.075, -0.160], [0.075, -0.172],
])  # fmt: skip
RAIL_PROFILE: Final = np.concatenate([_HALF * [-1.0, 1.0], _HALF[::-1]])
"""Outline of a rail below its top, across and up, m, anticlockwise: the sizes of 60E1 (EN 13674-1, from memory)."""
RAIL_HEIGHT: Final = 0.172

_CORNERS: Final = np.array([[x, y, z] for z in (-1, 1) for y in (-1, 1) for x in (-1, 1)], dtype=np.float64)
_BOX: Final = np.array([
    [0, 2, 3], [0, 3, 1], [4, 5, 7], [4, 7, 6], [0, 1, 5], [0, 5, 4], [2, 6, 7], [2, 7, 3], [0, 4, 6], [0, 6, 2],
    [1, 3, 7], [1, 7, 5],
])  # fmt: skip


def boxes(centres: ArrayLike, half: ArrayLike) -> tuple[Floats, Integers]:
    """Return boxes along the axes.

    Parameters
    ----------
    centres : array_like, shape (k, 3)
    half : array_like, shape (3,)
        Half their sizes.

    Returns
    -------
    ndarray, shape (8 k, 3)
    ndarray of int, shape (12 k, 3)
        Triangles, anticlockwise seen from outside.
    """
    centre = np.asarray(centres, dtype=np.float64).reshape(-1, 3)
    points = centre[:, None] + _CORNERS * np.asarray(half, dtype=np.float64)
    faces = 8 * np.arange(len(centre))[:, None, None] + _BOX
    return points.reshape(-1, 3), faces.reshape(-1, 3)


def sweep(ring: Floats, centres: Floats, right: Floats, up: Floats) -> tuple[Floats, Integers]:
    """Return a body swept along a line.

    Parameters
    ----------
    ring : ndarray, shape (k, 2)
        Its cross-section in the directions right and up, anticlockwise as seen against the direction of the line.
    centres : ndarray, shape (m, 3)
    right, up : ndarray, shape (m, 3)
        Directions at each point of the line.

    Returns
    -------
    ndarray, shape (m k, 3)
    ndarray of int, shape (f, 3)
        Triangles, with both ends closed.
    """
    points = centres[:, None] + ring[None, :, :1] * right[:, None] + ring[None, :, 1:] * up[:, None]
    k, m = len(ring), len(centres)
    start = k * np.arange(m - 1)[:, None]
    here, following = np.arange(k), np.roll(np.arange(k), -1)
    sides = [
        np.stack([start + here, start + following, start + k + following], axis=-1)[..., ::-1],
        np.stack([start + here, start + k + following, start + k + here], axis=-1)[..., ::-1],
    ]
    flat, ends = polygon_faces([(float(x), float(y)) for x, y in ring])
    # `polygon_faces` may begin its ring elsewhere, or turn it
    place = np.array([int(np.linalg.norm(ring - vertex, axis=1).argmin()) for vertex in flat])
    ends = place[ends]
    faces = [*(part.reshape(-1, 3) for part in sides), ends, ends[:, ::-1] + k * (m - 1)]
    return points.reshape(-1, 3), np.concatenate(faces)


def rail_body(line: Floats, up: Floats) -> tuple[Floats, Integers]:
    """Return a rail below a line of its top, shape (m, 3), with the direction up at each point, shape (m, 3)."""
    along = np.gradient(line, axis=0)
    right = np.cross(along, up)
    right /= np.linalg.norm(right, axis=1, keepdims=True)
    return sweep(RAIL_PROFILE, line, right, np.cross(right, along / np.linalg.norm(along, axis=1, keepdims=True)))


def fastener_body(kind: SlabType, apart: float) -> tuple[Floats, Integers]:
    """Return the fasteners of a slab: a plate under each rail and a clip at either side of its foot.

    Parameters
    ----------
    kind : SlabType
        Its seats and how far the top of rail stands over the slab.
    apart : float
        Between the rails, m.

    Returns
    -------
    ndarray, shape (p, 3)
        In the slab's frame, m.
    ndarray of int, shape (f, 3)
    """
    seats = np.asarray(kind.seats, dtype=np.float64)
    plate = max(kind.rail_height - RAIL_HEIGHT, 0.01)
    centres = np.stack(np.meshgrid([-apart / 2, apart / 2], seats, indexing="ij"), axis=-1).reshape(-1, 2)
    level = np.column_stack([centres, np.full(len(centres), plate / 2)])
    parts = [boxes(level, [0.19, 0.09, plate / 2])]
    for side in (-1.0, 1.0):
        clips = level + np.array([side * 0.105, 0.0, plate / 2 + 0.022])
        parts.append(boxes(clips, [0.042, 0.055, 0.022]))
    points, faces, first = [], [], 0
    for body, triangles in parts:
        points.append(body)
        faces.append(triangles + first)
        first += len(body)
    return np.concatenate(points), np.concatenate(faces)
