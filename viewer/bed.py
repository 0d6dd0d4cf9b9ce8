"""The bed as it was surveyed, by design where it was not, and the mortar above it, drawn with an exaggerated gap.

The underside of the target slabs stays where it is, and everything below it is drawn as many times lower as the
displacements are exaggerated: then the gap under a displaced slab is exaggerated by that factor too.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from viewer.bodies import BED_BRIDGED, BED_THICKNESS
from viewer.layer import rectangles
from viewer.mesh import deviation_at_mm
from viewer.section import Section

__all__ = ["bed_surface", "mortar_sides"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


def _nodes(section: Section, slabs: Integers, field: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the grid of a gap field: places (s, r, c, 2) and underside and bed as drawn without exaggeration, m.

    Both heights, shape (s, r, c), are displacements from the underside of the target, + up. Where the gap is not
    known, the bed lies as it was designed.
    """
    rows, columns = field.shape[1:]
    corners = rectangles(section)[slabs]
    share = np.stack(np.meshgrid(np.linspace(0.0, 1.0, columns), np.linspace(0.0, 1.0, rows)), axis=-1)
    places = corners[:, None, None, 0] + share * (corners[:, None, None, 2] - corners[:, None, None, 0])
    vertices = np.concatenate([places.reshape(len(slabs), -1, 2), np.zeros((len(slabs), rows * columns, 1))], axis=2)
    up = np.nan_to_num(0.001 * deviation_at_mm(section, slabs, vertices)[..., 2]).reshape(len(slabs), rows, columns)
    thickness = np.array(section.thickness)[section.type_index[slabs]][:, None, None]
    design = section.bed_under(slabs, places[..., 0]) - thickness + up
    gap = np.where(np.isnan(field[slabs]), 1000.0 * design, field[slabs])
    return places, up, up - 0.001 * gap


def _grid(section: Section, slabs: Integers, origin: Floats, places: Floats, height: Floats) -> Floats:
    """Return points at places and heights over the underside of target slabs, grid directions about the origin."""
    thickness = np.array(section.thickness)[section.type_index[slabs]]
    local = np.concatenate([places, (height - thickness.reshape(-1, *[1] * (height.ndim - 1)))[..., None]], axis=-1)
    flat = local.reshape(len(slabs), -1, 3) @ section.target_rotation[slabs].swapaxes(-1, -2)
    flat += (section.target_position[slabs] - origin)[:, None]
    points: Floats = flat.reshape(local.shape)
    return points


def bed_surface(
    section: Section, slabs: Integers, field: Floats, factor: float, origin: Floats
) -> tuple[Floats, Integers]:
    """Return the bed under consecutive slabs, with the surface that a gap field says.

    Parameters
    ----------
    section : Section
    slabs : ndarray of int, shape (s,)
        Consecutive slabs.
    field : ndarray, shape (n, r, c)
        Gap under all slabs of the section, mm; nan where unknown.
    factor : float
        Exaggeration.
    origin : ndarray, shape (3,)
        Subtracted from the grid coordinates, m.

    Returns
    -------
    ndarray, shape (p, 3)
        Grid directions, m about ``origin``.
    ndarray of int, shape (f, 3)
        Triangles.
    """
    places, _, bed = _nodes(section, slabs, field)
    # Beside the slabs, out to the edges of the bed, the surface goes on from the slab's edge as it was designed.
    side = np.full((*places.shape[:2], 1), 0.5 * section.bed_width)
    edges = [np.stack([sign * side[..., 0], places[:, :, 0, 1]], axis=-1)[:, :, None] for sign in (-1.0, 1.0)]
    beyond = [bed[:, :, [at]] - section.bed_under(slabs, edge[..., 0]) + section.bed_under(slabs, places[:, :, [at], 0])
              for at, edge in zip((0, -1), edges, strict=True)]  # fmt: skip
    places = np.concatenate([edges[0], places, edges[1]], axis=2)
    bed = np.concatenate([beyond[0], bed, beyond[1]], axis=2)
    under = factor * bed
    lowest = float(under.min()) - BED_THICKNESS
    places = np.concatenate([places, places[:, :, [-1, 0]]], axis=2)
    under = np.concatenate([under, np.full((*under.shape[:2], 2), lowest)], axis=2)
    points = _grid(section, slabs, origin, places, under)
    s, rows, around = points.shape[:3]
    number = np.arange(s * rows * around).reshape(s * rows, around)
    gap = np.linalg.norm(points[1:, 0, 0] - points[:-1, -1, 0], axis=-1)
    joined = np.ones(s * rows - 1, dtype=bool)
    joined[rows - 1 :: rows] = gap < BED_BRIDGED
    here, there = number[:-1][joined], number[1:][joined]
    turn = np.roll(np.arange(around), -1)
    faces = [np.stack([here, here[:, turn], there[:, turn]], axis=-1), np.stack([here, there[:, turn], there], axis=-1)]
    ends = []
    for ring, turned in ((number[np.concatenate([[True], ~joined])], True),
                         (number[np.concatenate([~joined, [True]])], False)):  # fmt: skip
        # A fan would leave the section where the surface is hollow: from each piece of the surface straight down.
        top, low_right, low_left = ring[:, :-2], ring[:, -2:-1], ring[:, -1:]
        fan = [
            np.stack([top[:, :-1], top[:, 1:], np.broadcast_to(low_left, top[:, 1:].shape)], axis=-1).reshape(-1, 3),
            np.stack([top[:, -1:], low_right, low_left], axis=-1).reshape(-1, 3),
        ]
        end = np.concatenate(fan)
        ends.append(end[:, ::-1] if turned else end)
    return points.reshape(-1, 3), np.concatenate([part.reshape(-1, 3) for part in (*faces, *ends)])


def mortar_sides(
    section: Section, slabs: Integers, field: Floats, factor: float, origin: Floats
) -> tuple[Floats, Integers]:
    """Return the mortar that would fill the gap, as the faces along both sides and both ends of each slab.

    Parameters
    ----------
    section, slabs, field, factor, origin
        As for `bed_surface`. Where the gap is not known there is no mortar.

    Returns
    -------
    ndarray, shape (p, 3)
        Grid directions, m about ``origin``.
    ndarray of int, shape (f, 3)
        Triangles, facing outwards.
    """
    places, up, bed = _nodes(section, slabs, field)
    rows, columns = field.shape[1:]
    grid = np.arange(rows * columns).reshape(rows, columns)
    rim = np.concatenate([grid[0, :-1], grid[:-1, -1], grid[-1, :0:-1], grid[:0:-1, 0]])
    known = np.isfinite(field[slabs]).reshape(len(slabs), -1)[:, rim]
    places, up, bed = (part.reshape(len(slabs), rows * columns, *part.shape[3:])[:, rim] for part in (places, up, bed))
    above, below = (_grid(section, slabs, origin, places, factor * height) for height in (up, np.minimum(bed, up)))
    points = np.concatenate([above, below], axis=1)
    e = len(rim)
    here, following = np.arange(e), np.roll(np.arange(e), -1)
    walls = np.stack(
        [np.column_stack([here, here + e, following + e]), np.column_stack([here, following + e, following])], axis=1
    )
    drawn = known & np.roll(known, -1, axis=1)
    start = 2 * e * np.arange(len(slabs))
    every = start[:, None, None, None] + walls
    return points.reshape(-1, 3), every[drawn].reshape(-1, 3)
