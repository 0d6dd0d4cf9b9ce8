"""From points in the grid to distance, offset and height over the reference line."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from .alignment import Alignment
from .laws import Floats

__all__ = ["AFTER_END", "AT_KINK", "BEFORE_START", "ON_LINE", "PLACES", "Projection", "project"]

ON_LINE, BEFORE_START, AFTER_END, AT_KINK = range(4)
PLACES = ("on line", "before start", "after end", "at kink")

_STEP = 10.0  # largest spacing of samples, m
_TURN = 0.15  # and at most this much turning between them, rad
_NEAR = 30.0  # points this close to a sample may take the short way, m
_SETTLED = 1e-7  # points this far along from the foot are square to the line, m
_ERROR = 2e-10  # error of a foot that may be left, m
_FLAT = 1e-6  # |1 - curvature * offset| below this: the foot moves a million times as far as the point
_TIE = 1e-6  # two feet this much alike in distance from the point: no telling which, m
_CHUNK = 4_000_000

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.intp]


@dataclass(frozen=True)
class Projection:
    """Feet of points on the reference line; every array has shape (...).

    Attributes
    ----------
    distance : ndarray
        Distance of the foot, m; 0 or the length of the alignment for points beyond an end.
    offset : ndarray
        Horizontal distance from the line, m, + to the right. Beyond an end: from the tangent there. At a
        kink: to the kink itself.
    height : ndarray
        Level of the point over the profile at the foot, m.
    beyond : ndarray
        How far along the end's tangent the point lies beyond the end, m: negative before the start,
        positive after the end, 0 elsewhere.
    place : ndarray of int
        `ON_LINE`, `BEFORE_START`, `AFTER_END`, or `AT_KINK` where a corner of the line is nearest and the
        point is square to neither side; `PLACES` names them.
    unique : ndarray of bool
        False where another foot is as near to within 1 um, or the point lies at a centre of curvature;
        the foot with the smallest distance along the line is given then.
    """

    distance: Floats
    offset: Floats
    height: Floats
    beyond: Floats
    place: npt.NDArray[np.int8]
    unique: Bools


@dataclass(frozen=True)
class _Samples:
    distance: Floats
    xy: Floats
    bearing: Floats
    curvature: Floats
    change: Floats  # of the curvature to the samples beside it, 1/m
    torn: Bools  # where the line jumps sideways or lengthwise
    tree: cKDTree
    reach: float  # points nearer to the line than this have one foot, next to their nearest sample
    widest: float


@lru_cache(maxsize=16)
def _samples(alignment: Alignment) -> _Samples:
    starts = alignment.track.starts
    bend = np.maximum(np.abs(alignment.track.curvature.start), np.abs(alignment.track.curvature.end))
    lengths = np.diff(starts)
    count = np.ceil(lengths / np.minimum(_STEP, _TURN / np.maximum(bend, 1e-12))).astype(np.intp)
    element = np.repeat(np.arange(len(lengths)), count)
    step_in = np.arange(len(element)) - np.repeat(np.cumsum(count) - count, count)
    distance = np.append(starts[element] + lengths[element] * step_in / count[element], starts[-1])
    curve = alignment.track.curve(distance)
    curvature = alignment.track.curve(distance, 1)[:, 2]
    steps = np.abs(np.diff(curvature))
    change = np.maximum(np.append(steps, 0.0), np.append(0.0, steps))
    torn = np.isin(distance, [j.distance for j in alignment.joints if j.quantity == "position"])
    tree = cKDTree(curve[:, :2])
    jumps = [j for j in alignment.joints if j.quantity in ("position", "bearing")]
    # a line that nowhere bends to less than 75 m radius and nowhere comes back to itself within 2 _NEAR
    # has one foot for every point nearer than _NEAR (by Schur's theorem its chords are long enough)
    simple = not jumps and float(bend.max()) <= 1 / (2.5 * _NEAR)
    if simple:
        pairs = tree.query_pairs(2 * (_NEAR + _STEP), output_type="ndarray")
        simple = not (np.abs(distance[pairs[:, 0]] - distance[pairs[:, 1]]) > 7 * _NEAR).any()
    return _Samples(
        distance, curve[:, :2], curve[:, 2], curvature, change, torn, tree,
        reach=_NEAR if simple else 0.0, widest=float(np.diff(distance).max()),
    )  # fmt: skip


def _along_across(xy: Floats, line_xy: Floats, bearing: Floats) -> tuple[Floats, Floats]:
    """Return where points lie from points of the line: along its bearing and to its right, m."""
    apart = xy - line_xy
    sine, cosine = np.sin(bearing), np.cos(bearing)
    return apart[:, 0] * sine + apart[:, 1] * cosine, apart[:, 0] * cosine - apart[:, 1] * sine


def _seen_from(alignment: Alignment, xy: Floats, s: Floats) -> tuple[Floats, Floats]:
    """Return `_along_across` from the line at distances s."""
    curve = alignment.track.curve(s)
    return _along_across(xy, curve[:, :2], curve[:, 2])


def project(alignment: Alignment, points: npt.ArrayLike) -> Projection:
    """Project points on the alignment.

    Parameters
    ----------
    points : array_like, shape (..., 3)
        Easting, northing, level, m. nan coordinates give nan and `unique` False.

    Returns
    -------
    Projection
        Distance and offset to about 1e-9 m, the resolution of large coordinates.

    Examples
    --------
    >>> from geometry.alignment import HorizontalElement, VerticalElement, build
    >>> north = build([HorizontalElement("straight", 100.0, easting=10, northing=20, bearing=0)],
    ...               [VerticalElement("gradient", 0.0, 100.0, 0.01, 0.01, level=50.0)])
    >>> foot = project(north, [[13.0, 60.0, 50.5], [10.0, 15.0, 50.0]])
    >>> foot.distance.tolist(), foot.offset.tolist(), foot.height.round(9).tolist(), foot.beyond.tolist()
    ([40.0, 0.0], [3.0, 0.0], [0.1, 0.0], [0.0, -5.0])
    """
    given = np.asarray(points, dtype=np.float64)
    flat = given.reshape(-1, 3)
    samples = _samples(alignment)
    xy = flat[:, :2] - alignment.track.origin
    known = np.asarray(np.isfinite(xy).all(axis=1))
    apart, nearest = np.full(len(flat), np.inf), np.zeros(len(flat), dtype=np.intp)
    apart[known], nearest[known] = samples.tree.query(xy[known], workers=-1)
    # along the line: neighbours then use the same pieces, which is four times faster than jumping about
    small = len(samples.distance) < np.iinfo(np.uint16).max  # numpy sorts 16-bit integers by radix
    order = np.argsort(nearest.astype(np.uint16) if small else nearest, kind="stable")
    xy, apart, nearest, known = xy[order], apart[order], nearest[order], known[order]

    size = len(flat)
    s, along, across = np.full(size, np.nan), np.zeros(size), np.full(size, np.nan)
    unique = apart < samples.reach
    if unique.any():
        s[unique], across[unique], settled = _newton(alignment, xy[unique], samples, nearest[unique])
        unique[unique] = settled
    rest = known & ~unique
    if rest.any():
        s[rest], along[rest], across[rest], unique[rest] = _search(alignment, xy[rest], samples)

    place = np.full(size, ON_LINE, dtype=np.int8)
    off = np.abs(along) > 10 * _SETTLED * np.maximum(1.0, 1e-3 * np.abs(np.nan_to_num(across)))
    place[off] = AT_KINK
    place[off & (s <= 0) & (along < 0)] = BEFORE_START
    place[off & (s >= np.nextafter(alignment.length, 0)) & (along > 0)] = AFTER_END
    kink = place == AT_KINK
    offset = np.where(kink, np.copysign(np.hypot(along, across), across), across)
    beyond = np.where(off & ~kink, along, 0.0)
    level = alignment.profile_curve(s)[:, 0]

    def as_given(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        result = np.empty_like(values)
        result[order] = values
        return result.reshape(given.shape[:-1])

    height = flat[:, 2].reshape(given.shape[:-1]) - as_given(level)
    return Projection(as_given(s), as_given(offset), height, as_given(beyond), as_given(place), as_given(unique))


def _newton(alignment: Alignment, xy: Floats, samples: _Samples, nearest: Ints) -> tuple[Floats, Floats, Bools]:
    """Return foot, offset and whether it settled, from the sample next to the only foot."""
    curvature, change = samples.curvature[nearest], samples.change[nearest]
    along, across = _along_across(xy, samples.xy[nearest], samples.bearing[nearest])
    s = np.clip(samples.distance[nearest] + along / (1 - curvature * across), 0.0, alignment.length)
    settled = np.zeros(len(s), dtype=bool)
    active = np.arange(len(s))
    for _ in range(4):
        along, offset = _seen_from(alignment, xy[active], s[active])
        step = along / (1 - curvature[active] * offset)
        s[active] = np.clip(s[active] + step, 0.0, alignment.length)
        across[active] = offset
        # the next step would correct this one by how wrong the curvature of the sample is here
        error = np.abs(step) * (change[active] * np.abs(offset) + np.abs(step * curvature[active]))
        done = (error <= _ERROR) & (np.abs(step) < 1e-3)
        # at an end the foot is not square to the line: left to the search
        settled[active] = done & (s[active] > 0) & (s[active] < alignment.length)
        active = active[~done]
        if not active.size:
            break
    return s, across, settled


def _search(alignment: Alignment, xy: Floats, samples: _Samples) -> tuple[Floats, Floats, Floats, Bools]:
    """Return foot, rest along, offset and uniqueness by looking at the whole line, for any point."""
    chunks = np.array_split(xy, max(1, -(-len(xy) * len(samples.distance) // _CHUNK)))
    parts = [_search_chunk(alignment, chunk, samples) for chunk in chunks]
    s, along, across, unique = (np.concatenate(column) for column in zip(*parts, strict=True))
    return s, along, across, unique


def _search_chunk(alignment: Alignment, xy: Floats, samples: _Samples) -> tuple[Floats, Floats, Floats, Bools]:
    apart = np.hypot(xy[:, :1] - samples.xy[:, 0], xy[:, 1:] - samples.xy[:, 1])
    padded = np.pad(apart, ((0, 0), (1, 1)), constant_values=np.inf)
    low = (apart <= padded[:, :-2]) & (apart <= padded[:, 2:])
    low &= apart <= apart.min(axis=1, keepdims=True) + samples.widest
    point, sample = np.nonzero(low)
    # either side of the lowest sample by itself: a kink can only be at a sample
    last = len(samples.distance) - 1
    ends = [(np.maximum(sample - 1, 0), sample, sample > 0), (sample, np.minimum(sample + 1, last), sample < last)]
    (before, before_at_sample), (after, after_at_sample) = (
        _side(alignment, xy[point], samples.distance[low_end], samples.distance[high_end], exists, at_high=at_high)
        for (low_end, high_end, exists), at_high in zip(ends, (True, False), strict=True)
    )
    # a side that is cut off at the sample has its foot on the other side, unless that is cut off as well or
    # the line is torn there
    corner = (before_at_sample & after_at_sample) | samples.torn[sample]
    foot = np.concatenate([
        ends[0][2] & (~before_at_sample | corner), ends[1][2] & (~after_at_sample | corner)
    ])  # fmt: skip
    point = np.concatenate([point, point])[foot]
    s, along, across = (np.concatenate(pair)[foot] for pair in zip(before, after, strict=True))
    away = np.hypot(along, across)

    best = np.full(len(xy), np.inf)
    np.minimum.at(best, point, away)
    tied = away <= best[point] + _TIE
    first, final = np.full(len(xy), np.inf), np.full(len(xy), -np.inf)
    np.minimum.at(first, point[tied], s[tied])
    np.maximum.at(final, point[tied], s[tied])
    # feet a hair apart are one foot seen from both sides of a sample
    unique = final - first <= 1e-3
    order = np.lexsort((np.where(unique[point], away, s), ~tied, point))
    chosen = order[np.searchsorted(point[order], np.arange(len(xy)))]
    s, along, across = s[chosen], along[chosen], across[chosen]
    curvature = alignment.track.curve(s, 1)[:, 2]
    return s, along, across, unique & (np.abs(1 - curvature * across) > _FLAT)


def _side(
    alignment: Alignment, xy: Floats, low: Floats, high: Floats, exists: Bools, *, at_high: bool
) -> tuple[tuple[Floats, Floats, Floats], Bools]:
    """Return the nearest places on one side of each sample, and whether they are the sample itself."""
    found = np.full((3, len(xy)), np.nan)
    at_sample = ~exists  # beyond the end of the line there is no better place
    *place, cut = _between(alignment, xy[exists], low[exists], high[exists])
    found[:, exists] = place
    at_sample[exists] = cut == (1 if at_high else -1)
    return (found[0], found[1], found[2]), at_sample


def _between(
    alignment: Alignment, xy: Floats, low: Floats, high: Floats
) -> tuple[Floats, Floats, Floats, npt.NDArray[np.int8]]:
    """Return the nearest place of each point on its own stretch of the line, by guarded Newton steps.

    Last comes -1 or 1 where that place is the low or high end because the line goes on nearer, else 0.
    """
    low = low.copy()
    high = np.nextafter(high, low)  # the value from this side, should the line jump or bend at `high`
    at_low, at_high = (_seen_from(alignment, xy, end)[0] for end in (low, high))
    cut = np.where(at_low <= 0, -1, np.where(at_high >= 0, 1, 0)).astype(np.int8)
    s = np.where(cut < 0, low, np.where(cut > 0, high, (low + high) / 2))
    active = np.flatnonzero(cut == 0)
    for _ in range(80):
        if not active.size:
            break
        here = s[active]
        along, across = _seen_from(alignment, xy[active], here)
        low[active] = np.where(along > 0, here, low[active])
        high[active] = np.where(along > 0, high[active], here)
        slope = 1 - alignment.track.curve(here, 1)[:, 2] * across
        with np.errstate(divide="ignore", invalid="ignore"):
            trial = here + along / slope
        # a small step is Newton's last one: below 1e-8 m rounding makes a circle of values and never settles
        last = np.abs(trial - here) <= 1e-8
        within = (trial > low[active]) & (trial < high[active])
        s[active] = np.where(last | within, trial, (low[active] + high[active]) / 2)
        active = active[~last & (high[active] - low[active] > 1e-12)]
    along, across = _seen_from(alignment, xy, s)
    return s, along, across, cut
