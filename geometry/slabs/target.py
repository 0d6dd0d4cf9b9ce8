"""Where a rigid slab has to lie under a curved, canted and twisted track."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final, Literal

import numpy as np

from geometry.alignment import Alignment, track_frame
from geometry.alignment.frames import from_grid, rotation_of_vector, to_grid
from geometry.alignment.laws import Floats

from .layout import Ints, Layout
from .types import SlabType

__all__ = ["SEATINGS", "SeatOffsets", "Seating", "Targets", "seat_offsets", "target_poses"]

Seating = Literal["ends", "centre", "shared", "least_squares"]
SEATINGS: Final = ("ends", "centre", "shared", "least_squares")
_CHUNK = 20_000  # slabs at a time, so that memory stays small


@dataclass(frozen=True, eq=False)
class Targets:
    """Target poses of n slabs, and what a rigid plane cannot follow.

    Attributes
    ----------
    position : ndarray, shape (n, 3)
        Centre of the top face in the grid, m.
    rotation : ndarray, shape (n, 3, 3)
        Slab to grid; columns right, forward, up.
    versine : ndarray, shape (n,)
        Chord less design line at the middle of the slab, m; like curvature + on a right-hand curve.
    vertical_versine : ndarray, shape (n,)
        The same in the profile, m, + in a sag.
    seat_across, seat_up : ndarray, shape (n,)
        Largest offset of a rail seat from the design rail (either rail), m, not negative.
    warp : ndarray, shape (n,)
        Twist that a rigid slab does not have: turn of the design track about its own axis from the rear to
        the front end of the slab, times the cant base, m, + the left rail rises more.
    """

    position: Floats
    rotation: Floats
    versine: Floats
    vertical_versine: Floats
    seat_across: Floats
    seat_up: Floats
    warp: Floats


@dataclass(frozen=True, eq=False)
class SeatOffsets:
    """Where the rails over each rail seat of target slabs lie; s seats, slab by slab from the rear to the front.

    Attributes
    ----------
    slab : ndarray of int, shape (s,)
        Row of the slab in the layout.
    seat : ndarray of int, shape (s,)
        Number of the seat on its slab, from 0 at the rear.
    along : ndarray, shape (s,)
        Place of the seat along the slab, m from its middle.
    distance : ndarray, shape (s,)
        Distance along the line of the middle between the rails, m.
    offset : ndarray, shape (s, 2, 3)
        Left and right rail less design rail: across, along, up in the track frame there, m.
    """

    slab: Ints
    seat: Ints
    along: Floats
    distance: Floats
    offset: Floats


def _line_through(seating: Seating, y: Floats, value: Floats) -> tuple[Floats, Floats]:
    """Return offset at y = 0 and slope of the line that a seating takes out of values along a slab.

    Parameters
    ----------
    seating : str
        "ends": through first and last. "centre": through the middle one, parallel to the ends. "shared":
        the largest rest is smallest. "least_squares": the sum of squares is.
    y : ndarray, shape (k,)
        Places, ascending.
    value : ndarray, shape (n, k)

    Returns
    -------
    offset, slope : ndarray, shape (n,)
    """
    if seating in ("ends", "centre"):
        slope = (value[:, -1] - value[:, 0]) / (y[-1] - y[0])
        through = len(y) // 2 if seating == "centre" else 0
        return value[:, through] - slope * y[through], slope
    if seating == "least_squares" or len(y) < 3:
        centred = y - y.mean()
        slope = value @ centred / (centred @ centred)
        return value.mean(axis=1) - slope * y.mean(), slope
    # the best line leaves equal and alternating rests at three places (Chebyshev); of all triples the one
    # with the largest such rest decides (de la Vallee Poussin)
    i, j, k = np.array(list(combinations(range(len(y)), 3))).T
    slopes = (value[:, k] - value[:, i]) / (y[k] - y[i])
    bulge = value[:, j] - value[:, i] - slopes * (y[j] - y[i])
    worst = np.abs(bulge).argmax(axis=1)[:, None]
    slope = np.take_along_axis(slopes, worst, 1)[:, 0]
    half = np.take_along_axis(bulge, worst, 1)[:, 0] / 2
    anchor = worst[:, 0]
    offset = np.take_along_axis(value, i[anchor][:, None], 1)[:, 0] - slope * y[i[anchor]] + half
    return offset, slope


def _level_of(seating: Seating, value: Floats) -> Floats:
    """Return the one value (of roll) that a seating takes for all places, shape (n,)."""
    if seating == "ends":
        return np.asarray((value[:, 0] + value[:, -1]) / 2)
    if seating == "centre":
        return value[:, value.shape[1] // 2]
    if seating == "shared":
        return np.asarray((value.max(axis=1) + value.min(axis=1)) / 2)
    return np.asarray(value.mean(axis=1))


def _rail_offsets(
    alignment: Alignment, position: Floats, matrix: Floats, distance: Floats, y: Floats, height: float
) -> tuple[Floats, Floats]:
    """Return where both rails over places y of a slab lie from the design rails.

    Returns
    -------
    offset : ndarray, shape (n, k, 2, 3)
        Left and right rail; across, along, up in the track frame at the foot of the place, m.
    foot : ndarray, shape (n, k)
        Distance along the line of the middle between the rails over each place, m.
    """
    rules = alignment.rules
    half = rules.cant_base / 2
    # middle between the rails, left rail top, right rail top over each place
    x = np.array([0.0, -half, half])
    local = np.stack(np.broadcast_arrays(x, y[:, None], height), axis=-1).reshape(-1, 3)
    points = to_grid(position, matrix, local, rules.grid_scale).reshape(len(position), len(y), 3, 3)
    scale = rules.grid_scale
    level_part = np.hypot(matrix[:, 0, 1], matrix[:, 1, 1])
    s = np.clip(distance[:, None] + scale * y * level_part[:, None], 0.0, alignment.length)
    for _ in range(4):
        frame = track_frame(alignment, s)
        seen = from_grid(frame.position, frame.rotation, points, scale)
        step = seen[..., 0, 1] * scale * np.hypot(frame.rotation[..., 0, 1], frame.rotation[..., 1, 1])
        if not (np.abs(step) > 1e-4).any():
            break  # a foot wrong by 0.1 mm changes the roll by 0.02 urad on a steep ramp, the rails by 15 nm
        s = np.clip(s + step, 0.0, alignment.length)
    seen[..., 1, 0] += half
    seen[..., 2, 0] -= half
    return np.asarray(seen[..., 1:, :]), s


def target_poses(alignment: Alignment, types: Sequence[SlabType], layout: Layout, seating: Seating) -> Targets:
    """Fit each slab to the design rails over its length.

    Across and yaw follow the plan, up and pitch the level, roll the cant. "ends" and "centre" look at the
    slab's ends and middle, "shared" and "least_squares" at its rail seats. "shared" makes the largest
    offset smallest, for line, level and cant each by itself. Along the line the middle of the slab stays
    at its distance.

    Parameters
    ----------
    alignment : Alignment
    types : sequence of SlabType
    layout : Layout
    seating : {"ends", "centre", "shared", "least_squares"}

    Returns
    -------
    Targets
        Converged to below 0.1 um.
    """
    size = len(layout.distance)
    result = Targets(
        np.empty((size, 3)), np.empty((size, 3, 3)), *(np.empty(size) for _ in range(5))
    )  # fmt: skip
    for index, slab_type in enumerate(types):
        rows = np.flatnonzero(layout.type_index == index)
        for chunk in np.array_split(rows, max(1, -(-len(rows) // _CHUNK))):
            _fit_chunk(alignment, slab_type, layout.distance[chunk], seating, result, chunk)
    return result


def _fit_chunk(
    alignment: Alignment, slab_type: SlabType, distance: Floats, seating: Seating, result: Targets, rows: Ints
) -> None:
    rules, height = alignment.rules, slab_type.rail_height
    ends = np.array([-0.5, 0.0, 0.5]) * slab_type.length
    places = ends if seating in ("ends", "centre") else np.sort(slab_type.seats)
    frame = track_frame(alignment, distance)
    matrix = frame.rotation
    down = np.array([[0.0, 0.0, -height]])
    position = to_grid(frame.position, matrix, down, rules.grid_scale)[:, 0]
    for _ in range(4):
        seen, _ = _rail_offsets(alignment, position, matrix, distance, places, height)
        roll = _level_of(seating, (seen[..., 0, 2] - seen[..., 1, 2]) / rules.cant_base)
        across, yaw = _line_through(seating, places, seen[..., 0].mean(axis=-1))
        up, pitch = _line_through(seating, places, seen[..., 2].mean(axis=-1))
        middle = to_grid(position, matrix, -down, rules.grid_scale)
        along = from_grid(frame.position, frame.rotation, middle, rules.grid_scale)[:, 0, 1]
        # a turn d about the slab's axes moves the rail middle over y by (d_y h - d_z y, .., d_x y)
        turn = np.stack([-pitch, -roll, yaw], axis=-1)
        shift = np.stack([roll * height - across, -along - pitch * height, -up], axis=-1)
        position = to_grid(position, matrix, shift[:, None], rules.grid_scale)[:, 0]
        matrix = matrix @ rotation_of_vector(turn)
        if not max(np.abs(shift).max(initial=0), np.abs(turn).max(initial=0)) > 1e-6:
            break  # what is left is a thousandth of this step

    result.position[rows], result.rotation[rows] = position, matrix
    every = np.concatenate([ends, np.sort(slab_type.seats)])
    seen, _ = _rail_offsets(alignment, position, matrix, distance, every, height)
    seats, seen = seen[:, 3:], seen[:, :3]
    result.seat_across[rows] = np.abs(seats[..., 0]).max(axis=(1, 2))
    result.seat_up[rows] = np.abs(seats[..., 2]).max(axis=(1, 2))
    middle_of = seen.mean(axis=2)
    # offsets are slab less design, and the slab is straight: what bends in them is chord less line
    bend = middle_of[:, 1] - (middle_of[:, 0] + middle_of[:, 2]) / 2
    result.versine[rows], result.vertical_versine[rows] = bend[:, 0], bend[:, 2]
    tilt = seen[..., 0, 2] - seen[..., 1, 2]
    result.warp[rows] = tilt[:, 0] - tilt[:, 2]


def seat_offsets(
    alignment: Alignment, types: Sequence[SlabType], layout: Layout, targets: Targets, slabs: Ints | None = None
) -> SeatOffsets:
    """Return how the rails over every rail seat of target slabs lie from the design rails.

    Parameters
    ----------
    alignment : Alignment
    types : sequence of SlabType
    layout : Layout
    targets : Targets
        Of all slabs of the layout.
    slabs : ndarray of int, shape (k,), optional
        Rows of the slabs that are asked for, ascending; all if not given.

    Returns
    -------
    SeatOffsets
    """
    slabs = np.arange(len(layout.distance)) if slabs is None else slabs
    counts = np.array([len(t.seats) for t in types], dtype=np.intp)[layout.type_index[slabs]]
    first = np.cumsum(counts) - counts
    size = int(counts.sum())
    seat = np.arange(size) - np.repeat(first, counts)
    result = SeatOffsets(
        np.repeat(slabs, counts), seat, np.empty(size), np.empty(size), np.empty((size, 2, 3))
    )  # fmt: skip
    for index, slab_type in enumerate(types):
        mine = np.flatnonzero(layout.type_index[slabs] == index)
        y = np.sort(slab_type.seats)
        for chunk in np.array_split(mine, max(1, -(-len(mine) // _CHUNK))):
            rows = slabs[chunk]
            offset, foot = _rail_offsets(
                alignment, targets.position[rows], targets.rotation[rows], layout.distance[rows], y,
                slab_type.rail_height,
            )  # fmt: skip
            at = first[chunk][:, None] + np.arange(len(y))
            result.along[at], result.distance[at], result.offset[at] = y, foot, offset
    return result
