"""What lies around the slabs, as plain triangle arrays: bed, anchors, symbols of verdicts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.prism import prism
from viewer.section import Section

__all__ = ["anchor_body", "arrow_body", "bed_body", "nearest_slab", "polygon_faces", "symbol_body"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

BED_THICKNESS = 0.30
"""Drawn thickness of the bed, m; only its surface is known."""
BED_BRIDGED = 2.0
"""The bed is drawn through gaps between slabs up to this length, m."""


def nearest_slab(section: Section, points: ArrayLike) -> Integers:
    """Return the slab whose target lies nearest to each grid point, shape (k, 3) to (k,)."""
    from scipy.spatial import KDTree

    origin = section.target_position[0]
    tree = KDTree(section.target_position - origin)
    return np.asarray(tree.query(np.asarray(points, dtype=np.float64) - origin)[1], dtype=np.int64)


def bed_body(section: Section, slabs: ArrayLike, origin: ArrayLike) -> tuple[Floats, Integers]:
    """Return the bed under consecutive slabs, through the gaps between them.

    Parameters
    ----------
    section : Section
    slabs : array_like of int, shape (s,)
        Consecutive slabs.
    origin : array_like, shape (3,)
        Subtracted from the grid coordinates, m.

    Returns
    -------
    ndarray, shape (p, 3)
        Grid directions, m about ``origin``.
    ndarray of int, shape (f, 3)
        Triangles.
    """
    chosen = np.asarray(slabs, dtype=np.int64)
    low = np.array([ring[:, 1].min() for ring in section.outlines])[section.type_index[chosen]]
    high = np.array([ring[:, 1].max() for ring in section.outlines])[section.type_index[chosen]]
    side = 0.5 * section.bed_width
    profile = np.array([[-side, 0.0], [side, 0.0], [side, -BED_THICKNESS], [-side, -BED_THICKNESS]])
    corners = np.empty((len(chosen), 2, 4, 3))  # slab, back or forward end, place in the profile
    corners[..., 0] = profile[:, 0]
    corners[..., 2] = (profile[:, 1] - section.bed_under(chosen, profile[None, :, 0]))[:, None]
    corners[:, 0, :, 1], corners[:, 1, :, 1] = low[:, None], high[:, None]
    # Half a joint more at the free ends, so that the last anchors stand on the bed.
    corners[0, 0, :, 1] -= 0.6
    corners[-1, 1, :, 1] += 0.6
    points = np.einsum("sij,sepj->sepi", section.target_rotation[chosen], corners)
    points += (section.target_position[chosen] - np.asarray(origin, dtype=np.float64))[:, None, None]
    rings = np.arange(2 * len(chosen)) * 4
    gap = np.linalg.norm(points[1:, 0, 0] - points[:-1, 1, 0], axis=-1)
    joined = np.ones(2 * len(chosen) - 1, dtype=bool)
    joined[1::2] = gap < BED_BRIDGED
    here, there = rings[:-1][joined][:, None], rings[1:][joined][:, None]
    place = np.arange(4)
    following = (place + 1) % 4
    first = np.stack([here + place, here + following, there + following], axis=-1)
    second = np.stack([here + place, there + following, there + place], axis=-1)
    # The two ends, and both faces of every gap that is not bridged.
    opens = rings[np.concatenate([[True], ~joined])]
    closes = rings[np.concatenate([~joined, [True]])]
    ends = [
        (ring[:, None] + np.array(face))
        for ring, turn in ((opens, -1), (closes, 1))
        for face in ([0, 1, 2][::turn], [0, 2, 3][::turn])
    ]
    return points.reshape(-1, 3), np.concatenate([first.reshape(-1, 3), second.reshape(-1, 3), *ends])


def anchor_body(
    section: Section, anchors: ArrayLike, origin: ArrayLike, drop: float = 0.0, sides: int = 24
) -> tuple[Floats, Integers]:
    """Return anchors as cylinders that stand square on the bed of the nearest slab.

    Parameters
    ----------
    section : Section
    anchors : array_like of int, shape (a,)
    origin : array_like, shape (3,)
        Subtracted from the grid coordinates, m.
    drop : float
        How far they reach below their feet, to a bed that is drawn lower, m.
    sides : int

    Returns
    -------
    ndarray, shape (p, 3)
        Grid directions, m about ``origin``.
    ndarray of int, shape (f, 3)
        Triangles.
    """
    chosen = np.asarray(anchors, dtype=np.int64)
    feet = section.anchor_position[chosen]
    turn = 2.0 * np.pi * np.arange(sides) / sides
    circle = section.anchor_radius * np.column_stack([np.cos(turn), np.sin(turn)])
    vertices, faces = prism(circle, section.anchor_height + drop)
    vertices[:, 2] += section.anchor_height
    rotation = section.target_rotation[nearest_slab(section, feet)] if len(feet) else np.empty((0, 3, 3))
    points = vertices @ rotation.swapaxes(-1, -2) + (feet - np.asarray(origin, dtype=np.float64))[:, None]
    start = len(vertices) * np.arange(len(chosen))
    return points.reshape(-1, 3), (start[:, None, None] + faces).reshape(-1, 3)


def polygon_faces(outline: Sequence[tuple[float, float]]) -> tuple[Floats, Integers]:
    """Return the vertices (k, 2) of a polygon, anticlockwise, and the triangles that fill it."""
    vertices, faces = prism(np.asarray(outline), 1.0)
    k = len(vertices) // 2
    return vertices[:k, :2], faces[(faces < k).all(axis=1)]


def symbol_body(
    outline: Sequence[tuple[float, float]], centres: ArrayLike, right: ArrayLike, up: ArrayLike, scale: float = 1.0
) -> tuple[Floats, Integers]:
    """Return a flat symbol at many places.

    Parameters
    ----------
    outline : sequence of (float, float)
        The symbol within -1..1.
    centres, right, up : array_like, shape (s, 3)
        Where each lies, and the half axes it is drawn along, m.
    scale : float
        Size of the symbol as a share of its axes.

    Returns
    -------
    ndarray, shape (p, 3)
        Points, m.
    ndarray of int, shape (f, 3)
        Triangles.
    """
    flat, faces = polygon_faces(outline)
    centre, along, across = (np.atleast_2d(np.asarray(value, dtype=np.float64)) for value in (centres, up, right))
    points = centre[:, None] + scale * (flat[:, :1] * across[:, None] + flat[:, 1:] * along[:, None])
    start = len(flat) * np.arange(len(centre))
    return points.reshape(-1, 3), (start[:, None, None] + faces).reshape(-1, 3)


def arrow_body(
    tails: ArrayLike, tips: ArrayLike, sight: ArrayLike, *, head: float, half_width: float, shaft: float
) -> tuple[Floats, Integers]:
    """Return flat arrows that show their broad side along a sight line.

    Parameters
    ----------
    tails, tips : array_like, shape (a, 3)
        An arrow shorter than its head is drawn as a smaller head alone.
    sight : array_like, shape (3,)
        From the eye onwards.
    head, half_width, shaft : float
        Length and half width of the head, half width of the shaft; in the unit of the points.

    Returns
    -------
    ndarray, shape (7 a, 3)
        Tip, head, shaft of each arrow.
    ndarray of int, shape (3 a, 3)
        Triangles.
    """
    tail, tip = (np.asarray(value, dtype=np.float64).reshape(-1, 3) for value in (tails, tips))
    length = np.linalg.norm(tip - tail, axis=1)
    along = (tip - tail) / np.maximum(length, 1e-12)[:, None]
    across = np.cross(along, np.asarray(sight, dtype=np.float64))
    across /= np.maximum(np.linalg.norm(across, axis=1), 1e-12)[:, None]
    size = np.minimum(1.0, length / head)[:, None]
    neck = tip - along * head * size
    wide, thin = across * half_width * size, across * shaft * size
    points = np.stack([tip, neck + wide, neck - wide, neck + thin, tail + thin, tail - thin, neck - thin], axis=1)
    faces = np.array([[0, 1, 2], [3, 4, 5], [3, 5, 6]])
    start = 7 * np.arange(len(tip))
    return points.reshape(-1, 3), (start[:, None, None] + faces).reshape(-1, 3)
