"""How a slab that is warmer on one face than on the other would curl if nothing held it down.

A free plate whose temperature changes evenly through its thickness bends without stress into a part of a sphere, of
curvature expansion times difference over thickness (S. Timoshenko, S. Woinowsky-Krieger, Theory of Plates and Shells,
2nd edition 1959, section 14; H. M. Westergaard, Analysis of Stresses in Concrete Pavements Due to Variations of
Temperature, Highway Research Board 1927; both quoted from memory). Its own weight, screws and holding-down keep a
slab flatter: this is the most that it can curl by heat, not what it does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geometry.alignment.laws import Floats
from geometry.slabs import SlabType, padded_marks

__all__ = ["EXPANSION", "ThermalCurl", "thermal_curl"]

EXPANSION = 1e-5  # of concrete, 1/K; common practice


@dataclass(frozen=True, eq=False)
class ThermalCurl:
    """Largest curl by heat of t types of slabs.

    Attributes
    ----------
    curvature : ndarray, shape (t,)
        1/m, + ends up: the underside is the warmer one.
    along, across : ndarray, shape (t,)
        How far the ends stand over the middle of the length, and the edges over the middle of the width, m.
    marks : ndarray, shape (t, m)
        How far each mark stands over its place on the flat slab, if the slab rests on its screws, m, + up; nan where
        a type has fewer marks.
    middle : ndarray, shape (t,)
        The same of the slab's middle.
    """

    curvature: Floats
    along: Floats
    across: Floats
    marks: Floats
    middle: Floats


def thermal_curl(types: Sequence[SlabType], difference: float, expansion: float = EXPANSION) -> ThermalCurl:
    """Return the curl of free slabs.

    Parameters
    ----------
    types : sequence of SlabType
    difference : float
        Temperature of the top face less that of the underside, K: + bends the middle up and the corners down.
    expansion : float
        Of the concrete, 1/K.

    Examples
    --------
    >>> from geometry.slabs import Fitting
    >>> at = Fitting(("a", "b", "c"), np.array([(-1.0, -1.5, 0.0), (1.0, -1.5, 0.0), (0.0, 1.5, 0.0)]))
    >>> slab = SlabType("example", 4.93, 2.4, 0.2, 0.0, 0.0, 0.2, np.array([-1.0, 1.0]), at, at, at)
    >>> (thermal_curl([slab], 9.0).along * 1e3).round(2).tolist()  # 45 K/m over 4.93 m
    [-1.37]
    """
    length, width, thickness = np.array([(t.length, t.width, t.thickness) for t in types]).T
    curvature = -expansion * difference / thickness
    planes = np.stack([_plane_of_squares(t.screws.places) for t in types])

    def over_flat(places: Floats) -> Floats:
        rows = np.concatenate([np.ones((*places.shape[:2], 1)), places[..., :2]], axis=-1)
        bent = (places[..., :2] ** 2).sum(axis=-1) - np.einsum("tmk,tk->tm", rows, planes)
        return np.asarray(curvature[:, None] / 2 * bent)

    return ThermalCurl(
        curvature=curvature,
        along=curvature * length**2 / 8,
        across=curvature * width**2 / 8,
        marks=over_flat(padded_marks(types)),
        middle=over_flat(np.zeros((len(types), 1, 3)))[:, 0],
    )


def _plane_of_squares(places: Floats) -> Floats:
    """Return offset and slopes, (3,), of the plane that supports leave when their squared distances are heights."""
    rows = np.column_stack([np.ones(len(places)), places[:, :2]])
    return np.asarray(np.linalg.lstsq(rows, (places[:, :2] ** 2).sum(axis=1), rcond=None)[0])
