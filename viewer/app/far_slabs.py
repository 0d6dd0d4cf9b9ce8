"""Slabs beyond the dozen that are drawn whole: plates near by, and plates for several slabs together far away."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from viewer.app.section_svg import cells_of
from viewer.layer import Layer, rectangles
from viewer.mesh import slab_vertices
from viewer.section import Section

__all__ = ["GROUP", "NEAR", "far_plates"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

NEAR = 200
"""Slabs before and after the chosen one with a plate each."""
GROUP = 8
"""Slabs further away share a plate by this number."""


def far_plates(
    section: Section, layer: Layer, slab: int, whole: Integers, factor: float, origin: Floats
) -> tuple[Floats, Integers, Floats, Integers]:
    """Return plates in the place of slabs, displaced as slabs are.

    Parameters
    ----------
    section : Section
    layer : Layer
        Its values at the corners; of slabs that share a plate those of the one furthest out.
    slab : int
        The chosen one.
    whole : ndarray of int
        Slabs that are drawn as bodies, and get no plate.
    factor : float
        Exaggeration.
    origin : ndarray, shape (3,)
        Subtracted from grid coordinates, m.

    Returns
    -------
    points : ndarray, shape (4 p, 3)
        Back left, back right, forward right, forward left of each plate; grid directions, m about `origin`.
    faces : ndarray of int, shape (2 p, 3)
    values : ndarray, shape (4 p,)
        mm; nan where unknown.
    first : ndarray of int, shape (p,)
        The slab of each plate, or the one furthest out of several.
    """
    n = len(section)
    every = np.arange(n)
    rest = np.setdiff1d(every, whole)
    near = rest[np.abs(rest - slab) <= NEAR]
    far = rest[np.abs(rest - slab) > NEAR]
    group = far // GROUP
    # what lies beside the near ones must not reach over them
    group = np.where(far < slab, group, group + n)
    _, start = np.unique(group, return_index=True)
    last = np.append(start[1:], len(far)) - 1
    amount = np.nan_to_num(layer.amount[far], nan=-1.0)
    order = np.lexsort((-amount, group))
    worst = far[order][start] if len(far) else far
    corners = rectangles(section)
    back = np.concatenate([near, far[start] if len(far) else far])
    ahead = np.concatenate([near, far[last] if len(far) else far])
    shown = np.concatenate([near, worst])

    def placed(slabs: Integers, which: list[int]) -> Floats:
        points = np.empty((len(slabs), 2, 3))
        for kind in np.unique(section.type_index[slabs]).tolist():
            members = np.flatnonzero(section.type_index[slabs] == kind)
            flat = corners[slabs[members[0]]][which]
            vertices = np.column_stack([flat, np.zeros(2)])
            points[members] = slab_vertices(section, slabs[members], vertices, factor=factor, origin=origin)[0]
        return points

    points = np.concatenate([placed(back, [0, 1]), placed(ahead, [2, 3])], axis=1).reshape(-1, 3)
    cells = cells_of(layer)[shown]
    values = np.stack([cells[:, 0, 0], cells[:, 0, 1], cells[:, 1, 1], cells[:, 1, 0]], axis=1).ravel()
    base = 4 * np.arange(len(shown))[:, None]
    faces = (base + np.array([0, 1, 2, 0, 2, 3])).reshape(-1, 3)
    return points, faces, values, shown
