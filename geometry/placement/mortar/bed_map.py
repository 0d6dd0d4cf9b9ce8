"""Bed points against the design of the bed: which are too high, which too low."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from geometry.alignment.frames import from_grid
from geometry.alignment.laws import Floats
from geometry.placement.verdict import NO_LIMIT, NOT_MEASURED, OUT, UNDECIDED, WITHIN, Tolerance, Verdicts, decide
from geometry.slabs import DesignBed, SlabType, Targets
from geometry.survey.points import Ints

__all__ = ["BESIDE", "BedMap", "map_bed", "worst_under"]

BESIDE: Final = 0.6  # a bed point further from every target slab in plan has no design to compare with, m
_NEAREST = 3  # slabs whose centres are nearest: long ones beside short ones are not always the nearest


@dataclass(frozen=True, eq=False)
class BedMap:
    """p bed points against the design of the bed.

    Attributes
    ----------
    slab : ndarray of int, shape (p,)
        Slab under or beside which the point lies; -1 if none is near.
    place : ndarray, shape (p, 2)
        Across and along in the frame of that target slab, m.
    deviation : ndarray, shape (p,)
        Along the slab's z, m, + where the bed is higher than designed; nan if no slab is near.
    sigma : ndarray, shape (p,)
        Standard uncertainty of it, m.
    verdict : ndarray of int8, shape (p,)
    """

    slab: Ints
    place: Floats
    deviation: Floats
    sigma: Floats
    verdict: Verdicts


def map_bed(
    xyz: Floats, sigma: Floats, shared: float, targets: Targets, types: Sequence[SlabType], type_index: Ints,
    distance: Floats, design: DesignBed, limits: tuple[float, float], guard: float,
) -> BedMap:  # fmt: skip
    """Compare bed points with the design of the bed.

    Parameters
    ----------
    xyz : ndarray, shape (p, 3)
        Easting, northing, level of the points, m.
    sigma : ndarray, shape (p,)
        Standard uncertainty of each level, m.
    shared : float
        Standard uncertainty of what all levels share, m.
    targets : Targets
        Of n slabs.
    types : sequence of SlabType
    type_index : ndarray of int, shape (n,)
    distance : ndarray, shape (n,)
        Of the middle of each slab along the line, m.
    design : DesignBed
    limits : tuple of float
        Smallest and largest allowed deviation, m, + up; infinite for none.
    guard : float
        Guard factor of the decision rule.
    """
    count = len(xyz)
    if not count:
        empty = np.empty(0)
        return BedMap(np.empty(0, dtype=np.intp), np.empty((0, 2)), empty, empty, np.empty(0, dtype=np.int8))
    near = min(_NEAREST, len(type_index))
    origin = targets.position[0]
    tree = cKDTree(targets.position - origin)
    candidates = tree.query(xyz - origin, k=np.arange(1, near + 1))[1].reshape(count, near)
    local = from_grid(targets.position[candidates], targets.rotation[candidates], xyz[:, None, None],
                      design.alignment.rules.grid_scale)[:, :, 0]  # fmt: skip
    half = np.array([[t.width / 2, t.length / 2] for t in types])[type_index[candidates]]
    outside = np.linalg.norm(np.maximum(np.abs(local[..., :2]) - half, 0.0), axis=-1)
    best = outside.argmin(axis=1)
    row = np.arange(count)
    beside = outside[row, best] <= BESIDE
    slab = np.where(beside, candidates[row, best], -1)
    seen = local[row, best]
    of = candidates[row, best]
    thickness = np.array([t.thickness for t in types])[type_index[of]]
    gap = design.gap(
        types, type_index[of], distance[of], targets.position[of], targets.rotation[of], seen[:, :1], seen[:, 1:2]
    )[:, 0, 0]  # fmt: skip
    deviation = np.where(beside, seen[:, 2] + thickness + gap, np.nan)
    combined = np.hypot(sigma, shared)
    low, high = limits
    if np.isinf(low) and np.isinf(high):
        verdict = np.where(beside, NO_LIMIT, NOT_MEASURED).astype(np.int8)
    else:
        verdict = decide(deviation, combined, Tolerance("up", low, high, ""), guard)
    return BedMap(slab, np.where(beside[:, None], seen[:, :2], np.nan), deviation, combined, verdict)


def worst_under(bed_map: BedMap, n: int) -> Verdicts:
    """Return the worst verdict of the bed points of each of n slabs; `NOT_MEASURED` for a slab without any."""
    found = np.zeros((n, NO_LIMIT + 1), dtype=bool)
    near = bed_map.slab >= 0
    found[bed_map.slab[near], bed_map.verdict[near]] = True
    result = np.full(n, NOT_MEASURED, dtype=np.int8)
    for verdict in (NO_LIMIT, WITHIN, UNDECIDED, OUT):
        result[found[:, verdict]] = verdict
    return result
