"""Rough coordinates of a whole network, from the known points outward."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geometry.alignment.laws import Floats

from .adjustment import UndeterminedError
from .approximate import rough_setup
from .points import Ints
from .polar import polar_points
from .readings import Sights

if TYPE_CHECKING:
    from .network import Network

__all__ = ["rough_network"]

_SHOWN = 6  # names in a message


def rough_network(network: Network, refraction: float, grid_scale: float) -> tuple[Floats, Floats]:
    """Return rough coordinates of points, then set-ups, (p + s, 3), m, and orientations, (s,), rad.

    Wave by wave, set-ups that see enough placed points are placed, and then the points that placed set-ups see.
    What follows from what makes this a walk over set-ups; the points of a wave are placed together.

    Raises
    ------
    UndeterminedError
        If set-ups or points are out of reach: says which.
    """
    p, count = len(network.points), len(network.setups)
    s = network.sights
    xyz = np.full((p + count, 3), np.nan)
    xyz[:p] = network.known
    mean_level = float(np.nanmean(xyz[:p, 2])) if np.isfinite(xyz[:p, 2]).any() else 0.0
    orientation = np.zeros(count)
    order = np.argsort(s.setup, kind="stable")
    edge = np.searchsorted(s.setup[order], np.arange(count + 1))
    mine = [order[edge[i] : edge[i + 1]] for i in range(count)]
    waiting = [i for i in range(count) if mine[i].size]
    placed = np.isfinite(xyz[:, :2]).all(axis=1)
    if waiting and not placed.any():  # a free network of its own: it starts somewhere
        first = max(waiting, key=lambda i: mine[i].size)
        xyz[p + first] = 0.0
        placed[p + first] = True
        waiting.remove(first)
        _place_points(network, xyz, orientation, placed, refraction, grid_scale)
    while waiting:
        ready = _ready(waiting, mine, s.target, placed)
        done = []
        for i in ready:
            some = mine[i][placed[s.target[mine[i]]]]
            known = xyz[s.target[some]].copy()
            known[np.isnan(known[:, 2]), 2] = mean_level
            start = rough_setup(
                known, s.direction[some], s.zenith[some], s.distance[some],
                s.target_height[some], refraction, grid_scale,
            )  # fmt: skip
            if start is not None:
                xyz[p + i] = start.position
                xyz[p + i, 2] -= float(np.median(s.instrument_height[some]))
                orientation[i] = start.orientation
                done.append(i)
        if not done:
            names = [network.setups[i] for i in waiting]
            raise UndeterminedError(
                tuple(f"set-up {name}" for name in names),
                f"not determined: {_list('set-up', names)}: fewer than two points that are known or seen from a set-up "
                f"already placed; sight more control points or common points from there",
            )
        placed[[p + i for i in done]] = True
        waiting = [i for i in waiting if i not in set(done)]
        _place_points(network, xyz, orientation, placed, refraction, grid_scale)
    _middle_points(network, xyz, orientation, refraction, grid_scale)
    _levels(network, xyz)
    lost = np.flatnonzero(~placed[:p])
    if network.levelling is not None:  # points of levelling lines need no place in plan
        on_line = np.unique(np.concatenate([network.levelling.start, network.levelling.end]))
        only = lost[np.isin(lost, on_line) & ~np.isin(lost, s.target)]
        xyz[only, :2] = np.nanmean(xyz[:, :2], axis=0) if placed.any() else 0.0
        lost = np.setdiff1d(lost, only)
    if lost.size:
        names = [network.points[i] for i in lost.tolist()]
        raise UndeterminedError(
            tuple(names),
            f"not determined: {_list('point', names)}: measure direction and distance to it, or directions from two "
            f"set-ups; or leave it out",
        )
    xyz[np.isnan(xyz[:, 2]), 2] = mean_level
    return xyz, orientation


def _list(kind: str, names: list[str]) -> str:
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return f"{kind}{'s' if len(names) > 1 else ''} {', '.join(names[:_SHOWN])}{more}"


def _ready(waiting: list[int], mine: list[Ints], target: Ints, placed: np.ndarray) -> list[int]:
    """Return set-ups that see three placed points; if there are none, those that see two."""
    seen = {i: len(np.unique(target[mine[i]][placed[target[mine[i]]]])) for i in waiting}
    return [i for i in waiting if seen[i] >= 3] or [i for i in waiting if seen[i] >= 2]


def _place_points(
    network: Network, xyz: Floats, orientation: Floats, placed: np.ndarray, refraction: float, grid_scale: float
) -> None:
    """Place points seen from placed set-ups: by direction and distance, else by two directions."""
    p = len(network.points)
    s = network.sights
    new = s.rows(placed[p + s.setup] & ~placed[s.target] & np.isfinite(s.direction))
    polar = new.rows(np.isfinite(new.distance))
    if len(polar):
        seen = polar_points(polar, xyz[p + polar.setup], orientation[polar.setup], refraction, grid_scale)
        seen[np.isnan(polar.zenith), 2] = np.nan
        _, first = np.unique(polar.target, return_index=True)
        keep = np.isnan(xyz[polar.target[first]])
        xyz[polar.target[first]] = np.where(keep, seen[first], xyz[polar.target[first]])
        placed[polar.target[first]] = True
        new = new.rows(~placed[new.target])
    if len(new):
        _intersect(new, xyz, orientation, placed, p)


def _middle_points(network: Network, xyz: Floats, orientation: Floats, refraction: float, grid_scale: float) -> None:
    """Put points that were not known into the middle of what all set-ups make of them.

    The median: the set-up that placed a point first may have misread it.
    """
    p, s = len(network.points), network.sights
    full = np.isfinite(s.direction) & np.isfinite(s.zenith) & np.isfinite(s.distance)
    polar = s.rows(full & np.isnan(network.known[s.target]).any(axis=1))
    if not len(polar):
        return
    seen = polar_points(polar, xyz[p + polar.setup], orientation[polar.setup], refraction, grid_scale)
    target, count = np.unique(polar.target, return_counts=True)
    last = np.cumsum(count)
    for axis in range(3):
        order = np.lexsort((seen[:, axis], polar.target))
        middle = seen[order, axis][last - count + (count - 1) // 2]
        xyz[target, axis] = np.where(np.isnan(network.known[target, axis]), middle, xyz[target, axis])


def _intersect(new: Sights, xyz: Floats, orientation: Floats, placed: np.ndarray, p: int) -> None:
    """Place points where directions from several set-ups meet."""
    bearing = new.direction + orientation[new.setup]
    # square to each direction: cos E - sin N is the same for the point and the set-up
    a, b = np.cos(bearing), -np.sin(bearing)
    at = xyz[p + new.setup]
    origin = at.mean(axis=0)
    c = a * (at[:, 0] - origin[0]) + b * (at[:, 1] - origin[1])
    size = len(placed)
    aa, ab, bb, ac, bc = (np.bincount(new.target, v, size) for v in (a * a, a * b, b * b, a * c, b * c))
    determinant = aa * bb - ab**2
    good = np.flatnonzero(determinant > 1e-3)
    d = determinant[good]
    xyz[good, 0] = (bb[good] * ac[good] - ab[good] * bc[good]) / d + origin[0]
    xyz[good, 1] = (aa[good] * bc[good] - ab[good] * ac[good]) / d + origin[1]
    placed[good] = True


def _levels(network: Network, xyz: Floats) -> None:
    """Fill in levels that are still missing, by zenith angles and then along levelling lines."""
    p, s = len(network.points), network.sights
    open_ = np.isnan(xyz[s.target, 2]) & np.isfinite(s.zenith) & np.isfinite(xyz[p + s.setup, 2])
    some = s.rows(open_)
    if len(some):
        reach = np.hypot(*(xyz[some.target, :2] - xyz[p + some.setup, :2]).T)
        rise = reach / np.tan(some.zenith) + some.instrument_height - some.target_height
        xyz[some.target, 2] = xyz[p + some.setup, 2] + rise
    run = network.levelling
    while run is not None:
        ahead = np.isfinite(xyz[run.start, 2]) & np.isnan(xyz[run.end, 2])
        back = np.isnan(xyz[run.start, 2]) & np.isfinite(xyz[run.end, 2])
        xyz[run.end[ahead], 2] = xyz[run.start[ahead], 2] + run.difference[ahead]
        xyz[run.start[back], 2] = xyz[run.end[back], 2] - run.difference[back]
        if not (ahead.any() or back.any()):
            break
