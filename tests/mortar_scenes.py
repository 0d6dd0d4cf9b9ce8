"""Slabs and beds that tests of the mortar share."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely

from geometry.alignment.frames import rotation, to_grid
from geometry.placement.mortar import Bed, Gaps, build_bed, gaps_under
from geometry.slabs import Fitting, SlabType

__all__ = ["NOTCHED", "PLACE", "PLAIN", "THICKNESS", "fine_outline", "gaps_of", "scene", "slab_type"]

THICKNESS = 0.2
PLACE = np.array([512_345.678, 5_402_345.678, 83.456])
NONE = Fitting(("A",), np.zeros((1, 3)))


def slab_type(width: float = 2.5, length: float = 5.2, notch: float = 0.26, beyond: float = 0.04) -> SlabType:
    return SlabType("T", length, width, THICKNESS, notch, beyond, 0.215, np.array([-1.0, 1.0]), NONE, NONE, NONE)


NOTCHED, PLAIN = slab_type(), slab_type(notch=0.0, beyond=0.0)


def fine_outline(kind: SlabType, segments: int = 2000) -> shapely.Polygon:
    """Return the outline with notches of so many chords for a quarter, made anew from shapely's parts."""
    shape = shapely.box(-kind.width / 2, -kind.length / 2, kind.width / 2, kind.length / 2)
    for side in (-1, 1):
        centre = shapely.Point(0, side * (kind.length / 2 + kind.notch_beyond))
        shape = shape - centre.buffer(kind.notch_radius, quad_segs=segments)
    return shape


def scene(
    surface: Callable[[np.ndarray, np.ndarray], np.ndarray], xy: np.ndarray, *, bearing: float = 0.7,
    pitch: float = -0.008, roll: float = 0.085, scale: float = 0.9998, sigma: float = 0.5e-3, shared: float = 0.0,
    longest: float = 2.5,
) -> tuple[Bed, np.ndarray, np.ndarray, float]:  # fmt: skip
    """Return a bed that is so much below a slab on cant at places of the slab, and the slab's pose."""
    matrix = rotation(np.array([bearing]), np.array([pitch]), np.array([roll]))
    below = -THICKNESS - surface(xy[:, 0], xy[:, 1])
    points = to_grid(PLACE[None], matrix, np.column_stack([xy, below])[None], scale)[0]
    return build_bed(points, np.full(len(points), sigma), shared, longest), PLACE[None], matrix, scale


def gaps_of(
    made: tuple[Bed, np.ndarray, np.ndarray, float], kind: SlabType = NOTCHED,
    limits: tuple[float, float] = (0.04, 0.06), covariance: np.ndarray | None = None,
) -> Gaps:  # fmt: skip
    bed, position, matrix, scale = made
    return gaps_under(bed, position, matrix, covariance, [kind], np.zeros(1, dtype=np.intp), scale, limits)
