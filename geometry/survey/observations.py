"""Observations of a survey and how they follow from coordinates: the one model of every adjustment.

A sight from instrument height i at point S to prism height t at point T, with s the horizontal distance in
the grid over the grid scale and v the level of the prism less that of the instrument:

direction   bearing of T from S less the orientation of the set-up
zenith      atan2(s, v) + (1 - k) s / (2 R)      earth curvature and refraction
distance    (1 + m) sqrt(s^2 + v^2) + a          m and a: unknowns of a group, where wanted

(W. Torge, J. Mueller, "Geodesy", 4th ed. 2012, section 5.5.1 for the zenith angle; s is meant at the mean level
of the sight, which the combined scale factor stands for.) The other kinds are level differences and
coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Self

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp

from geometry.alignment.laws import Floats

from .normal import DENSE, Jacobian
from .points import Ints

Bools = npt.NDArray[np.bool_]
__all__ = [
    "DIRECTION", "DISTANCE", "EARTH_RADIUS", "EASTING", "HEIGHT", "KINDS", "LEVEL", "NORTHING", "REFRACTION", "ZENITH",
    "Observations", "Places", "SurveyModel", "control", "joined", "levelled", "sights", "wrapped",
]  # fmt: skip

DIRECTION, ZENITH, DISTANCE, HEIGHT, EASTING, NORTHING, LEVEL = range(7)
KINDS = ("direction", "zenith angle", "distance", "level difference", "easting", "northing", "level")
REFRACTION = 0.13  # mean coefficient k by day (common practice, after C. F. Gauss)
EARTH_RADIUS = 6_371_000.0  # m, mean
_AXES = ("easting", "northing", "level")


@dataclass(frozen=True, eq=False)
class Observations:
    """Observations of all kinds; arrays of shape (m,).

    Attributes
    ----------
    kind : ndarray of int
        `DIRECTION`, `ZENITH`, `DISTANCE`, `HEIGHT`, `EASTING`, `NORTHING` or `LEVEL`.
    start, end : ndarray of int
        Points it goes from and to; of a coordinate, the point twice.
    setup : ndarray of int
        Set-up whose orientation a direction has; -1 for kinds without.
    value, sigma : ndarray
        Observed value and standard uncertainty, rad or m.
    start_height, end_height : ndarray
        Of the instrument and the prism over their points, m.
    group : ndarray of int
        Group of distances that share an additive constant and a scale; -1 for none.
    """

    kind: Ints
    start: Ints
    end: Ints
    setup: Ints
    value: Floats
    sigma: Floats
    start_height: Floats
    end_height: Floats
    group: Ints

    def __post_init__(self) -> None:
        bad = ~(np.isfinite(self.value) & (self.sigma > 0) & np.isfinite(self.sigma))
        if bad.any():
            raise ValueError(f"observation {int(bad.argmax())} has no finite value or no positive sigma")

    def __len__(self) -> int:
        return len(self.kind)

    def rows(self, which: Ints) -> Self:
        """Return some of the observations."""
        return type(self)(*(getattr(self, field.name)[which] for field in fields(self)))


def joined(*parts: Observations) -> Observations:
    """Return observations one after the other."""
    return Observations(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Observations)))


def _made(kind: int, start: Ints, end: Ints, value: Floats, sigma: Floats, **more: Floats | Ints) -> Observations:
    m = len(value)
    none = {"setup": np.full(m, -1), "start_height": np.zeros(m), "end_height": np.zeros(m), "group": np.full(m, -1)}
    values = none | more
    return Observations(
        kind=np.full(m, kind),
        start=np.asarray(start, dtype=np.intp),
        end=np.asarray(end, dtype=np.intp),
        setup=np.asarray(values["setup"], dtype=np.intp),
        value=np.asarray(value, dtype=np.float64),
        sigma=np.asarray(np.broadcast_to(sigma, m), dtype=np.float64),
        start_height=np.asarray(np.broadcast_to(values["start_height"], m), dtype=np.float64),
        end_height=np.asarray(np.broadcast_to(values["end_height"], m), dtype=np.float64),
        group=np.asarray(values["group"], dtype=np.intp),
    )


def sights(
    kind: int, start: Ints, end: Ints, value: Floats, sigma: Floats | float,
    setup: Ints | None = None, start_height: Floats | float = 0.0, end_height: Floats | float = 0.0,
    group: Ints | None = None,
) -> Observations:  # fmt: skip
    """Return directions, zenith angles or distances; those with a value of nan are left out.

    Parameters
    ----------
    kind : int
        `DIRECTION`, `ZENITH` or `DISTANCE`.
    start, end : ndarray of int, shape (m,)
        Points of instrument and prism.
    value : ndarray, shape (m,)
        rad or m.
    sigma : float or ndarray
    setup : ndarray of int, shape (m,), optional
        Needed with directions.
    start_height, end_height : float or ndarray
        m.
    group : ndarray of int, shape (m,), optional
        Group of distances with unknowns of their own.
    """
    value = np.asarray(value, dtype=np.float64)
    there = np.flatnonzero(np.isfinite(value))
    full = len(value)

    def some(values: Floats | float) -> Floats:
        return np.broadcast_to(np.asarray(values, dtype=np.float64), full)[there]

    index = np.full(full, -1)
    return _made(
        kind, np.asarray(start)[there], np.asarray(end)[there], value[there], some(sigma),
        setup=(index if setup is None or kind != DIRECTION else np.asarray(setup))[there],
        start_height=some(start_height), end_height=some(end_height),
        group=(index if group is None or kind != DISTANCE else np.asarray(group))[there],
    )  # fmt: skip


def levelled(
    start: Ints, end: Ints, difference: Floats, sigma_per_root_km: Floats | float, length: Floats
) -> Observations:
    """Return differential levelling: level of `end` less that of `start`, m.

    Parameters
    ----------
    start, end : ndarray of int, shape (m,)
    difference : ndarray, shape (m,)
        m.
    sigma_per_root_km : float or ndarray
        Standard uncertainty of one kilometre, m; it grows with the root of the length (common practice).
    length : ndarray, shape (m,)
        Of the line, m.

    Examples
    --------
    >>> levelled([0], [1], [1.25], 0.0003, [250.0]).sigma
    array([0.00015])
    """
    sigma = np.asarray(sigma_per_root_km) * np.sqrt(np.asarray(length) / 1000.0)
    return _made(HEIGHT, np.asarray(start), np.asarray(end), np.asarray(difference), sigma)


def control(point: Ints, xyz: Floats, sigma: Floats) -> Observations:
    """Return coordinates as observations, one for each that has a sigma over zero.

    Parameters
    ----------
    point : ndarray of int, shape (k,)
    xyz, sigma : ndarray, shape (k, 3)
        Easting, northing, level and their standard uncertainties, m.
    """
    parts = []
    for axis, kind in enumerate((EASTING, NORTHING, LEVEL)):
        there = np.flatnonzero(sigma[:, axis] > 0)
        index = np.asarray(point)[there]
        parts.append(_made(kind, index, index, xyz[there, axis], sigma[there, axis]))
    return joined(*parts)


def wrapped(angle: Floats) -> Floats:
    """Return angles brought to -pi .. pi."""
    return np.asarray(angle - 2 * np.pi * np.round(angle / (2 * np.pi)))


@dataclass(frozen=True, eq=False)
class Places:
    """Where points and set-ups are thought to be.

    Attributes
    ----------
    xyz : ndarray, shape (p, 3)
        Easting, northing, level in the grid, m.
    fixed : ndarray of bool, shape (p, 3)
        Coordinates that are no unknowns.
    orientation : ndarray, shape (s,)
        Bearing of the zero of the horizontal circle, rad.
    names, setups : tuple of str
        Of the points and the set-ups, for people.
    """

    xyz: Floats
    fixed: Bools
    orientation: Floats
    names: tuple[str, ...]
    setups: tuple[str, ...]


class SurveyModel:
    """Observed less computed, and how it changes with the unknowns.

    The unknowns are the coordinates that are not fixed, point by point, the orientations, and for each group of
    distances an additive constant and a scale where wanted. Coordinates count from a local origin.

    Parameters
    ----------
    observations : Observations
    places : Places
    refraction : float
        Coefficient k; 1 leaves curvature and refraction out.
    grid_scale : float
        Grid length over true length.
    constants, scales : bool
        Whether each group of distances has an additive constant, m, and a scale difference as unknowns.
    """

    def __init__(
        self, observations: Observations, places: Places, refraction: float = REFRACTION, grid_scale: float = 1.0,
        constants: bool = False, scales: bool = False,
    ) -> None:  # fmt: skip
        self.observations, self.places = observations, places
        self.sigma = observations.sigma
        self.grid_scale = grid_scale
        self._bend = (1.0 - refraction) / (2 * EARTH_RADIUS)
        # a round origin: differences of large coordinates keep their digits
        self.origin: Floats = np.round(np.asarray(np.nanmean(places.xyz, axis=0)))
        self._first = places.xyz - self.origin
        free = ~places.fixed
        p, s = len(places.xyz), len(places.orientation)
        self.column = np.where(free, np.cumsum(free.ravel()).reshape(p, 3) - 1, -1)
        self.points_end = int(free.sum())
        self.groups = int(observations.group.max()) + 1 if len(observations) else 0
        self.constant_start = self.points_end + s
        self.scale_start = self.constant_start + (self.groups if constants else 0)
        self.size = self.scale_start + (self.groups if scales else 0)
        self._constants, self._scales, self._refraction = constants, scales, refraction
        self._prepare()

    def _prepare(self) -> None:
        o = self.observations
        self._sight = np.flatnonzero(o.kind <= DISTANCE)
        self._start, self._end = o.start[self._sight], o.end[self._sight]
        self._rise = (o.end_height - o.start_height)[self._sight]
        # shares of the coordinates' derivatives that each kind takes, and rows of the kinds that need more
        kind = o.kind[self._sight]
        self._kind_is = [(kind == k).astype(np.float64) for k in (DIRECTION, ZENITH, DISTANCE)]
        self._of_kind = [np.flatnonzero(o.kind == k) for k in range(len(KINDS))]
        none = self.size
        columns = np.full((len(o), 9), none)
        axis = np.where(o.kind >= EASTING, o.kind - EASTING, 2)
        columns[self._sight, 0:3] = self.column[self._start]
        columns[self._sight, 3:6] = self.column[self._end]
        other = np.flatnonzero(o.kind >= HEIGHT)
        columns[other, 3] = self.column[o.end[other], axis[other]]
        columns[self._of_kind[HEIGHT], 0] = self.column[o.start[self._of_kind[HEIGHT]], 2]
        direction = self._of_kind[DIRECTION]
        columns[direction, 6] = self.points_end + o.setup[direction]
        grouped = np.flatnonzero(o.group >= 0)
        if self._constants:
            columns[grouped, 7] = self.constant_start + o.group[grouped]
        if self._scales:
            columns[grouped, 8] = self.scale_start + o.group[grouped]
        self._columns = np.where(columns < 0, none, columns)
        self._used = self._columns < none
        self._indptr = np.concatenate([[0], np.cumsum(self._used.sum(axis=1))])
        self._axis = axis

    def without(self, rows: Ints) -> Self:
        """Return the model with some observations left out and the same unknowns."""
        rest = self.observations.rows(np.setdiff1d(np.arange(len(self.observations)), rows))
        return type(self)(rest, self.places, self._refraction, self.grid_scale, self._constants, self._scales)

    @property
    def start(self) -> Floats:
        """The unknowns as `places` has them, shape (n,)."""
        out = np.zeros(self.size)
        free = ~self.places.fixed
        out[: self.points_end] = self._first[free]
        out[self.points_end : self.constant_start] = self.places.orientation
        return out

    def coordinates(self, unknowns: Floats) -> Floats:
        """Return all points in the grid, m, shape (p, 3)."""
        return self._local(unknowns) + self.origin

    def orientations(self, unknowns: Floats) -> Floats:
        """Return the orientations, rad, 0 .. 2 pi, shape (s,)."""
        return np.asarray(unknowns[self.points_end : self.constant_start] % (2 * np.pi))

    def _local(self, unknowns: Floats) -> Floats:
        out = self._first.copy()
        out[~self.places.fixed] = unknowns[: self.points_end]
        return out

    def linearise(self, unknowns: Floats) -> tuple[Floats, Jacobian]:
        """Return observed less computed, shape (m,), and the derivatives of the computed values, shape (m, n)."""
        o = self.observations
        xyz = self._local(unknowns)
        delta = xyz[self._end] - xyz[self._start]
        east, north = delta[:, 0], delta[:, 1]
        v = delta[:, 2] + self._rise
        grid = np.hypot(east, north)
        s = np.asarray(grid / self.grid_scale)
        d = np.hypot(s, v)
        if not (grid > 0).all():
            raise ValueError("a prism stands in the instrument's own vertical")
        bearing, zenith = np.arctan2(east, north), np.arctan2(s, v)
        miss = o.value.copy()
        at, is_zenith, is_distance = self._kind_is
        computed = np.select([at > 0, is_zenith > 0], [bearing, zenith + self._bend * s], d)
        # along the sight, square to it and upward
        along = is_zenith * (v / d**2 + self._bend) + is_distance * s / d
        up = is_distance * v / d - is_zenith * s / d**2
        per_grid = 1 / grid
        lateral = at * per_grid
        sine, cosine = east * per_grid, north * per_grid
        along = along / self.grid_scale
        values = np.zeros((len(o), 9))
        sight = self._sight
        values[sight, 3] = along * sine + lateral * cosine
        values[sight, 4] = along * cosine - lateral * sine
        values[sight, 5] = up
        values[sight, 0:3] = -values[sight, 3:6]
        direction = self._of_kind[DIRECTION]
        values[direction, 6] = -1.0
        values[:, 7] = 1.0
        if self._constants or self._scales:
            group = np.maximum(o.group[sight], 0)
            own = is_distance * (o.group[sight] >= 0)
            if self._scales:
                scale = 1 + own * unknowns[self.scale_start + group]
                values[sight, 8] = computed
                values[sight, :6] *= scale[:, None]
                computed = computed * scale
            if self._constants:
                computed = computed + own * unknowns[self.constant_start + group]
        miss[sight] -= computed
        miss[direction] += unknowns[self.points_end + o.setup[direction]]
        miss[direction] = wrapped(miss[direction])
        self._others(miss, values, xyz)
        return miss, self._assembled(values)

    def _others(self, miss: Floats, values: Floats, xyz: Floats) -> None:
        """Fill in level differences and coordinates."""
        o, height = self.observations, self._of_kind[HEIGHT]
        miss[height] -= xyz[o.end[height], 2] - xyz[o.start[height], 2]
        values[height, 0], values[height, 3] = -1.0, 1.0
        for rows in self._of_kind[EASTING:]:
            axis = self._axis[rows]
            # the origin goes first: the sum with it would round to 1e-9 m
            miss[rows] = (o.value[rows] - self.origin[axis]) - xyz[o.end[rows], axis]
            values[rows, 3] = 1.0

    def _assembled(self, values: Floats) -> Jacobian:
        m = len(values)
        if self.size <= DENSE:
            out = np.zeros((m, self.size + 1))
            out[np.arange(m)[:, None], self._columns] = values
            return out[:, : self.size]
        shape = (m, self.size)
        return sp.csr_array((values[self._used], self._columns[self._used], self._indptr), shape=shape)

    def free_moves(self, unknowns: Floats) -> Floats:
        """Return moves of everything that sights alone do not feel, shape (n, 5).

        Easting, northing, level, a turn about the vertical and a change of scale; a survey with known points or
        distances feels some of them.
        """
        out = np.zeros((self.size, 5))
        local = self._local(unknowns)
        local = local - local.mean(axis=0)
        free = ~self.places.fixed
        for axis in range(3):
            out[: self.points_end, axis] = np.broadcast_to(np.eye(3)[axis], local.shape)[free]
        turn = np.stack([local[:, 1], -local[:, 0], np.zeros(len(local))], axis=1)
        out[: self.points_end, 3] = turn[free]
        out[self.points_end : self.constant_start, 3] = 1.0
        out[: self.points_end, 4] = local[free]
        return out

    def label(self, unknown: int) -> str:
        """Return what an unknown is, for people."""
        if unknown < self.points_end:
            point, axis = divmod(int(np.flatnonzero(self.column == unknown)[0]), 3)
            return f"{_AXES[axis]} of {self.places.names[point]}"
        if unknown < self.constant_start:
            return f"orientation of set-up {self.places.setups[unknown - self.points_end]}"
        if unknown < self.scale_start:
            return "additive constant of the distances"
        return "scale of the distances"
