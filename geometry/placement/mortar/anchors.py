"""Clearance between built anchors and the notches of the slabs beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from geometry.alignment.frames import from_grid
from geometry.alignment.laws import Floats
from geometry.placement.verdict import NO_LIMIT, Tolerance, Verdicts, decide, worst
from geometry.slabs import SlabType
from geometry.slabs.notches import notch_clearance
from geometry.survey import movement_rows
from geometry.survey.points import Ints

__all__ = ["AnchorRings", "Anchors", "anchor_rings", "match_anchors"]


@dataclass(frozen=True, eq=False)
class Anchors:
    """Surveyed anchors; a of them.

    Attributes
    ----------
    names : tuple of str
        For people: file, line and name.
    xyz : ndarray, shape (a, 3)
        Centre of the top in the grid, m; level nan where it was not surveyed.
    radius : ndarray, shape (a,)
        m.
    sigma : ndarray, shape (a,)
        Standard uncertainty of the centre in each direction in plan, m.
    """

    names: tuple[str, ...]
    xyz: Floats
    radius: Floats
    sigma: Floats


@dataclass(frozen=True, eq=False)
class AnchorRings:
    """Clearance at the rear and front end of n slabs, as built; nan where anchor or slab is not measured.

    Attributes
    ----------
    anchor : ndarray of int, shape (n, 2)
        Row of the surveyed anchor in the rear and the front notch; -1 for none.
    left, right : ndarray, shape (n, 2)
        Across, at the face of the slab's end: from the anchor to the left and the right edge of the notch, m.
    along : ndarray, shape (n, 2)
        From the anchor to the bottom of the notch, m.
    ring : ndarray, shape (n, 2)
        Smallest width of the ring between anchor and notch, m; negative where they would overlap.
    across_sigma, along_sigma, ring_sigma : ndarray, shape (n, 2)
    verdict : ndarray of int8, shape (n, 2)
    """

    anchor: Ints
    left: Floats
    right: Floats
    along: Floats
    ring: Floats
    across_sigma: Floats
    along_sigma: Floats
    ring_sigma: Floats
    verdict: Verdicts


def match_anchors(places: Floats, anchors: Anchors, reach: float) -> tuple[Ints, Ints, Ints]:
    """Find the surveyed anchor of each place of the design.

    Where two structures meet two half anchors stand close together, so the nearest is not always the right one:
    pairs that are nearest to each other go first, then those among the rest.

    Parameters
    ----------
    places : ndarray, shape (j, 3)
        Where the design has anchors, grid, m.
    anchors : Anchors
    reach : float
        How far in plan an anchor may lie from its place, m.

    Returns
    -------
    anchor_of : ndarray of int, shape (j,)
        Row of the anchor; -1 where there is none, and where two claim the place: nobody knows which one is right.
    stray : ndarray of int
        Rows of anchors with no place near.
    second : ndarray of int, shape (s, 2)
        Rows of anchors that found their place taken, and the place.
    """
    count, size = len(anchors.xyz), len(places)
    anchor_of = np.full(size, -1, dtype=np.intp)
    if not count or not size:
        return anchor_of, np.arange(count), np.empty((0, 2), dtype=np.intp)
    near = min(4, size)
    origin = places[0, :2]
    tree = cKDTree(places[:, :2] - origin)
    apart, place = map(np.asarray, tree.query(anchors.xyz[:, :2] - origin, k=np.arange(1, near + 1)))
    within = apart <= reach
    place_of = np.full(count, -1, dtype=np.intp)
    for _ in range(near):
        free = within & (anchor_of[place] < 0) & (place_of < 0)[:, None]
        ranked = np.where(free, apart, np.inf)
        best = ranked.argmin(axis=1)
        asks = np.flatnonzero(free.any(axis=1))
        if not asks.size:
            break
        wanted, away = place[asks, best[asks]], ranked[asks, best[asks]]
        order = np.lexsort((away, wanted))
        first = order[np.append(True, np.diff(wanted[order]) != 0)]
        anchor_of[wanted[first]], place_of[asks[first]] = asks[first], wanted[first]
    stray = np.flatnonzero(~within.any(axis=1))
    late = np.flatnonzero((place_of < 0) & within.any(axis=1))
    second = np.stack([late, place[late, 0]], axis=1)
    anchor_of[second[:, 1]] = -1
    return anchor_of, stray, second


def anchor_rings(
    position: Floats, rotation: Floats, covariance: Floats, types: Sequence[SlabType], type_index: Ints, scale: float,
    anchors: Anchors, anchor_of: Ints, top: Floats, limits: tuple[float, float, float], guard: float,
) -> AnchorRings:  # fmt: skip
    """Return the clearance of the anchors in the notches of slabs.

    Anchor and notch are taken as cylinders square to the slab, and the anchor's centre is seen along the slab's z:
    on 130 mm of cant its top lies 20 mm beside the plumb line through its foot.

    Parameters
    ----------
    position, rotation : ndarray, shape (n, 3) and (n, 3, 3)
        Built poses, nan where not measured.
    covariance : ndarray, shape (n, 6, 6)
        Of the poses.
    types : sequence of SlabType
    type_index : ndarray of int, shape (n,)
    scale : float
        Grid length over true length in plan.
    anchors : Anchors
    anchor_of : ndarray of int, shape (n, 2)
        Anchor in the rear and front notch of each slab, -1 for none.
    top : ndarray, shape (n,)
        Height of an anchor's top over the slab's top face, m, for anchors without a level (mostly negative).
    limits : tuple of float
        Smallest clearance across, along and around; minus infinity for none.
    guard : float
        Guard factor of the decision rule.
    """
    n = len(type_index)
    has = anchor_of >= 0
    row = np.where(has, anchor_of, 0)
    xyz, radius, sigma = (
        (anchors.xyz[row], anchors.radius[row], anchors.sigma[row])
        if len(anchors.xyz)
        else (np.full((n, 2, 3), np.nan), np.full((n, 2), np.nan), np.full((n, 2), np.nan))
    )
    centre = _in_slab(position, rotation, xyz, scale, top)
    radius = np.where(has, radius, np.nan)
    room = notch_clearance(centre[..., :2], radius, types, type_index)
    half = np.array([t.length / 2 for t in types])[type_index][:, None]
    rows = movement_rows(np.stack(np.broadcast_arrays(0.0, np.array([-1.0, 1.0]) * half, 0.0), axis=-1))[..., :2, :]
    plan = np.einsum("neai,nij,nebj->neab", rows, covariance, rows) + (sigma**2)[..., None, None] * np.eye(2)
    across_sigma, along_sigma = np.sqrt(plan[..., 0, 0]), np.sqrt(plan[..., 1, 1])
    ring_sigma = np.sqrt(np.einsum("nea,neab,neb->ne", room.normal, plan, room.normal))
    values = ((np.minimum(room.left, room.right), across_sigma), (room.along, along_sigma), (room.ring, ring_sigma))
    judged = np.stack([
        decide(value, s, Tolerance("gap", low, np.inf, ""), guard) if np.isfinite(low)
        else np.full(value.shape, NO_LIMIT, dtype=np.int8)
        for (value, s), low in zip(values, limits, strict=True)
    ], axis=-1)  # fmt: skip
    verdict = worst(judged)
    notch = np.array([t.notch_radius for t in types])[type_index]
    verdict[(judged == NO_LIMIT).all(axis=-1) | (notch == 0)[:, None]] = NO_LIMIT
    return AnchorRings(
        anchor=anchor_of, left=room.left, right=room.right, along=room.along, ring=room.ring,
        across_sigma=across_sigma, along_sigma=along_sigma, ring_sigma=ring_sigma, verdict=verdict,
    )  # fmt: skip


def _in_slab(position: Floats, rotation: Floats, xyz: Floats, scale: float, top: Floats) -> Floats:
    """Return the centres of anchors in the frames of their slabs, shape (n, 2, 3); without a level at height `top`."""
    level = np.where(np.isnan(xyz[..., 2]), position[:, None, 2] + top[:, None], xyz[..., 2])
    flat = np.concatenate([xyz[..., :2], level[..., None]], axis=-1)
    seen = from_grid(position, rotation, flat, scale)
    # the level at which the point comes out at that height of the slab: all but the last um in two steps
    for _ in range(3):
        off = np.where(np.isnan(xyz[..., 2]), top[:, None] - seen[..., 2], 0.0)
        flat[..., 2] += off / rotation[:, None, 2, 2]
        seen = from_grid(position, rotation, flat, scale)
    return seen
