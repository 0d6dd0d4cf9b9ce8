"""Where an instrument stands, roughly, from any mixture of sights and without a starting value.

Every pair or triple of control points that fixes the instrument gives a candidate; the candidate that most
sights agree with is taken, so that a wrong point or two exchanged ones do not lead astray.

A direction r to a control point (e, n) from (E, N) with orientation o means, with U = E cos o - N sin o and
V = E sin o + N cos o, that  (e cos r - n sin r) cos o - (e sin r + n cos r) sin o - U cos r + V sin r = 0: linear
in (cos o, sin o, U, V) up to a factor, so three directions make a null space, and on the danger circle one too many.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from geometry.alignment.laws import Floats

from .observations import EARTH_RADIUS, wrapped
from .points import Ints

__all__ = ["Start", "circle_miss", "horizontal", "rough_setup"]

_NEAR = 0.005  # a sight that misses by this counts half, m
_MOST = 300  # candidates that are tried
_MANY = 40  # sights that judge them


@dataclass(frozen=True)
class Start:
    """A rough place of an instrument.

    Attributes
    ----------
    position : ndarray, shape (3,)
        Easting, northing, level of its tilting axis, m; the level is that of the control points where no
        zenith angle tells.
    orientation : float
        Bearing of the zero of the circle, rad; 0 without directions.
    """

    position: Floats
    orientation: float


def horizontal(distance: Floats, zenith: Floats, refraction: float) -> tuple[Floats, Floats]:
    """Return horizontal distance and rise of a sight, m: refraction and curvature taken out, rise + upward.

    Parameters
    ----------
    distance, zenith : ndarray
        Slope distance, m, and zenith angle, rad; a zenith of nan is taken as level.
    refraction : float
        Coefficient k.
    """
    level = np.isnan(zenith)
    flat = np.where(level, np.pi / 2, zenith)
    bent = flat - (1 - refraction) * distance * np.sin(flat) / (2 * EARTH_RADIUS)
    bent = np.where(level, np.pi / 2, bent)
    return np.asarray(distance * np.sin(bent)), np.asarray(distance * np.cos(bent))


def rough_setup(
    known: Floats, direction: Floats, zenith: Floats, distance: Floats, rise: Floats,
    refraction: float, grid_scale: float = 1.0,
) -> Start | None:  # fmt: skip
    """Return where the instrument stands; None where the sights are too few to tell.

    Parameters
    ----------
    known : ndarray, shape (n, 3)
        Control point of each sight, m.
    direction, zenith, distance : ndarray, shape (n,)
        rad, rad, m; nan where not read.
    rise : ndarray, shape (n,)
        Height of the prism over its point, m.
    refraction, grid_scale : float
    """
    origin = known.mean(axis=0)
    xy = (known - origin)[:, :2]
    reach = horizontal(distance, zenith, refraction)[0] * grid_scale
    candidates = _candidates(xy, direction, reach)
    if candidates is None:
        return None
    place = _best(candidates, xy, direction, reach)
    orientation = _orientation(place[None], xy, direction)[0]
    s = np.hypot(*(xy - place).T) / grid_scale
    up = np.where(np.isfinite(distance), horizontal(distance, zenith, refraction)[1], s / np.tan(zenith))
    seen = np.isfinite(zenith)
    level = known[:, 2] + rise - np.where(seen, up, 0.0)
    height = float(np.median(level[seen] if seen.any() else level))
    return Start(np.array([*(place + origin[:2]), height]), float(orientation))


def _candidates(xy: Floats, direction: Floats, reach: Floats) -> Floats | None:
    """Return possible places, shape (c, 2)."""
    aimed, ranged = np.isfinite(direction), np.isfinite(reach)
    both = np.flatnonzero(aimed & ranged)
    found = []
    pair = _pairs(xy, both, both)
    if len(pair):
        found.append(_from_polar(xy, direction, pair, reach[pair[:, 0]], reach[pair[:, 1]]))
    else:
        pair = _pairs(xy, both, np.flatnonzero(aimed))
        if len(pair):
            found.append(_from_polar_and_direction(xy, direction, reach, pair))
        pair = _pairs(xy, np.flatnonzero(ranged), np.flatnonzero(ranged))
        if len(pair):
            found.append(_from_distances(xy, reach, pair))
        if aimed.sum() >= 3:
            found.append(_from_directions(xy, direction, np.flatnonzero(aimed)))
    every = np.concatenate([np.zeros((0, 2)), *found])
    every = every[np.isfinite(every).all(axis=1)]
    return every if len(every) else None


def _pairs(xy: Floats, first: Ints, second: Ints) -> Ints:
    """Return pairs of sights to different points, the widest apart if there are many, shape (c, 2)."""
    i, j = (a.ravel() for a in np.meshgrid(first, second, indexing="ij"))
    apart = np.hypot(*(xy[i] - xy[j]).T)
    mirrored = np.isin(i, second) & np.isin(j, first) & (i > j)
    good = np.flatnonzero((apart > 1e-3) & ~mirrored)
    if len(good) > _MOST:
        good = good[np.argsort(-apart[good], kind="stable")][:_MOST]
    return np.stack([i[good], j[good]], axis=1)


def _from_polar(xy: Floats, direction: Floats, pair: Ints, first: Floats, second: Floats) -> Floats:
    """Two points by direction and distance: a rotation and a shift."""
    a, b = xy[pair[:, 0]], xy[pair[:, 1]]
    ra, rb = direction[pair[:, 0]], direction[pair[:, 1]]
    pa = np.stack([first * np.sin(ra), first * np.cos(ra)], axis=1)
    pb = np.stack([second * np.sin(rb), second * np.cos(rb)], axis=1)
    turn = np.arctan2(*(b - a).T) - np.arctan2(*(pb - pa).T)
    middle = (pa + pb) / 2
    sine, cosine = np.sin(turn), np.cos(turn)
    x, y = middle.T
    return np.asarray((a + b) / 2 - np.stack([x * cosine + y * sine, y * cosine - x * sine], axis=1))


def _from_polar_and_direction(xy: Floats, direction: Floats, reach: Floats, pair: Ints) -> Floats:
    """One point by direction and distance, one by direction.

    The triangle has a second solution where the distance is longer than that between the points; whatever else was
    measured to a third point finds that one, and without a third point there is no telling.
    """
    i, j = pair.T
    apart, s = np.hypot(*(xy[i] - xy[j]).T), reach[i]
    angle = direction[j] - direction[i]
    with np.errstate(invalid="ignore"):
        root = np.sqrt(apart**2 - (s * np.sin(angle)) ** 2)
    other = s * np.cos(angle) + root
    return _from_polar(xy, direction, pair, s, np.where(other > 0, other, np.nan))


def _from_distances(xy: Floats, reach: Floats, pair: Ints) -> Floats:
    """Two circles: their intersections, or the nearest place where they miss each other."""
    i, j = pair.T
    across = xy[j] - xy[i]
    apart = np.hypot(*across.T)
    along = (reach[i] ** 2 - reach[j] ** 2 + apart**2) / (2 * apart)
    side = np.sqrt(np.maximum(reach[i] ** 2 - along**2, 0.0))
    unit = across / apart[:, None]
    foot, square = xy[i] + unit * along[:, None], np.stack([unit[:, 1], -unit[:, 0]], axis=1)
    return np.concatenate([foot + square * side[:, None], foot - square * side[:, None]])


def _from_directions(xy: Floats, direction: Floats, aimed: Ints) -> Floats:
    """Three directions each: the null space of three rows."""
    chosen = aimed if len(aimed) <= 13 else aimed[np.linspace(0, len(aimed) - 1, 13).astype(np.intp)]
    triple = np.array(list(combinations(chosen.tolist(), 3)))
    size = max(float(np.abs(xy).max()), 1e-9)
    (e, n), r = np.moveaxis(xy[triple] / size, -1, 0), direction[triple]
    rows = np.stack([e * np.cos(r) - n * np.sin(r), -(e * np.sin(r) + n * np.cos(r)), -np.cos(r), np.sin(r)], axis=-1)
    _, values, turned = np.linalg.svd(rows)
    c, s, u, v = turned[:, 3].T
    length = c**2 + s**2
    with np.errstate(divide="ignore", invalid="ignore"):
        place = np.stack([(u * c + v * s) / length, (v * c - u * s) / length], axis=1) * size
    # two points of the null space would fit: on the danger circle of these three points
    place[~(values[:, 2] > 1e-9 * values[:, 0])] = np.nan
    return np.asarray(place)


def _orientation(places: Floats, xy: Floats, direction: Floats) -> Floats:
    """Return the orientation that most directions agree with, for each place, shape (c,)."""
    aimed = np.flatnonzero(np.isfinite(direction))
    if not aimed.size:
        return np.zeros(len(places))
    away = xy[aimed] - places[:, None]
    turn = np.arctan2(away[..., 0], away[..., 1]) - direction[aimed]
    miss = np.abs(wrapped(turn[:, :, None] - turn[:, None, :])) * np.hypot(away[..., 0], away[..., 1])[:, None, :]
    return np.asarray(turn[np.arange(len(places)), np.log1p((miss / _NEAR) ** 2).sum(axis=2).argmin(axis=1)])


def _best(places: Floats, xy: Floats, direction: Floats, reach: Floats) -> Floats:
    """Return the place that most sights agree with."""
    if len(xy) > _MANY:
        some = np.linspace(0, len(xy) - 1, _MANY).astype(np.intp)
        xy, direction, reach = xy[some], direction[some], reach[some]
    orientation = _orientation(places, xy, direction)
    away = xy - places[:, None]
    s = np.hypot(away[..., 0], away[..., 1])
    aside = wrapped(np.arctan2(away[..., 0], away[..., 1]) - direction - orientation[:, None]) * s
    # the logarithm keeps telling near misses apart without letting far ones rule
    cost = np.log1p((np.nan_to_num(aside) / _NEAR) ** 2) + np.log1p((np.nan_to_num(s - reach) / _NEAR) ** 2)
    return np.asarray(places[int(cost.sum(axis=1).argmin())])


def circle_miss(places: Floats, at: Floats) -> float:
    """Return how far a place lies from the circle through control points, as part of its radius.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Control points, three or more.
    at : ndarray, shape (2,)

    Returns
    -------
    float
        Root mean square over the points and the place of the best circle; near 0 on the danger circle.

    Examples
    --------
    >>> circle_miss(np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]]), np.array([0.6, -0.8])) < 1e-12
    True
    """
    xy = np.concatenate([places, at[None]])
    xy = xy - xy.mean(axis=0)
    size = float(np.abs(xy).max())
    if not size > 0:
        return 0.0
    xy = xy / size
    rows = np.column_stack([2 * xy, np.ones(len(xy))])
    centre = np.linalg.lstsq(rows, (xy**2).sum(axis=1), rcond=None)[0]
    radius = math.sqrt(max(float(centre[2] + (centre[:2] ** 2).sum()), 1e-300))
    return float(np.sqrt(np.mean((np.hypot(*(xy - centre[:2]).T) - radius) ** 2))) / radius
