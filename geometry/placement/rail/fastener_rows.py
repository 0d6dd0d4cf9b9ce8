"""The limits of a rail as rows over what fasteners can change."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.sparse import block_array, csr_array, eye_array, kron, vstack

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

from .chords import LONGEST, chord_rows, twist_rows
from .fastener_milp import StepProblem
from .forecast import NO_ROOM, LimitForecast, RailForecast, RailLimit

__all__ = ["Demand", "StepRange", "demands", "kink_demand", "step_problem"]

Bools = npt.NDArray[np.bool_]
_LINE, _LEVEL = 0, 1
_LEFT_LESS_RIGHT = np.array([[1.0, -1.0]])


@dataclass(frozen=True, eq=False)
class Demand:
    """A limit at the k places where it is known, as rows over the change at s seats, left and right.

    Attributes
    ----------
    limit : RailLimit or None
        None for the stiffness of the rail.
    words : str
    upright : bool
        Whether the rows are over heights; else over moves sideways.
    rows : csr_array, shape (k, 2 s)
        Over left and right rail of the first seat, of the second and so on; no unit.
    place, rail : ndarray of int, shape (k,)
        Where the value belongs to; the rail is 0 where there is one for both.
    rails : int
        2 where left and right have their own, else 1.
    low, high : ndarray, shape (k,)
        What change leaves it within its limits, m.
    narrow : ndarray of bool, shape (k,)
        Where its guard band is wider than the limits.
    left_out : ndarray of int, shape (l,)
        Seats where it is not known.
    """

    limit: RailLimit | None
    words: str
    upright: bool
    rows: csr_array
    place: Ints
    rail: Ints
    rails: int
    low: Floats
    high: Floats
    narrow: Bools
    left_out: Ints

    def on(self, seats: Bools) -> Demand:
        """Return what hangs on some of the seats, shape (s,)."""
        mine = abs(self.rows) @ np.repeat(seats, 2).astype(np.float64) > 0
        parts = {name: getattr(self, name)[mine] for name in ("place", "rail", "low", "high", "narrow")}
        return replace(
            self, rows=self.rows[np.flatnonzero(mine)], left_out=self.left_out[seats[self.left_out]], **parts
        )

    def excess(self, change: Floats) -> Floats:
        """Return how far a change of the rail, shape (s, 2), leaves each value beyond, shape (s, r), m; else 0."""
        value = self.rows @ change.ravel()
        result = np.full((len(change), self.rails), np.nan)
        beyond = np.maximum(np.maximum(self.low - value, value - self.high), 0.0)
        # the search works in mm and keeps rows to a millionth
        result[self.place, self.rail] = np.where(beyond < 1e-8, 0.0, beyond)
        return result


@dataclass(frozen=True)
class StepRange:
    """Steps in one direction, m: the size of one, and the range that they may cover."""

    step: float
    lowest: float
    highest: float

    @property
    def least(self) -> int:
        """Fewest steps, 0 or below."""
        return int(np.ceil(self.lowest / self.step - 1e-6))

    @property
    def most(self) -> int:
        """Most steps, 0 or above."""
        return int(np.floor(self.highest / self.step + 1e-6))


def demands(forecast: RailForecast, guard: float) -> list[Demand]:
    """Return what the limits of a forecast ask of the fasteners, those of ranges of wavelengths left out.

    Limits are narrowed by the guard factor times the standard uncertainty; where nothing would be left, they stay
    as they are. Gauge that is not measured is held by its change: the seats count as designed.

    Parameters
    ----------
    forecast : RailForecast
    guard : float
    """
    return [_demand(one, forecast, guard) for one in forecast.limits if one.limit.band is None and _asks(one.limit)]


def _asks(limit: RailLimit) -> bool:
    return bool(np.isfinite(limit.low) or np.isfinite(limit.high))


def _demand(one: LimitForecast, forecast: RailForecast, guard: float) -> Demand:
    limit = one.limit
    rows, place, rails = _operator(limit, forecast.seats.station)
    at, rail = np.repeat(place, rails), np.tile(np.arange(rails), len(place))
    value, sigma = one.value[at, rail], one.sigma[at, rail]
    if limit.quantity == "gauge":
        line = forecast.deviation[:, :, _LINE]
        designed = np.isnan(value)
        value = np.where(designed, (line[:, 1] - line[:, 0])[at], value)
        sigma = np.where(designed, 0.0, sigma)
    known = np.isfinite(value)
    band = guard * np.nan_to_num(sigma)
    # a value whose guard band leaves nothing of its limits can only be held to the limits themselves
    narrow = known & ~(limit.low + band < limit.high - band)
    band = np.where(narrow, 0.0, band)
    room = one.verdict[at, rail] != NO_ROOM
    return Demand(
        limit=limit,
        words=limit.words,
        upright=limit.quantity in ("level", "cant", "twist"),
        rows=rows[np.flatnonzero(known)],
        place=at[known],
        rail=rail[known],
        rails=rails,
        low=(limit.low + band - value)[known],
        high=(limit.high - band - value)[known],
        narrow=narrow[known],
        left_out=at[room & ~known],
    )


def _operator(limit: RailLimit, station: Floats) -> tuple[csr_array, Ints, int]:
    """Return the rows of a limit over both rails, r for each place; the places, and r."""
    s = len(station)
    found = eye_array(s, format="csr"), np.arange(s)
    if limit.chord is not None:
        chord = chord_rows(station, limit.chord)
        found = chord.rows, chord.place
    elif limit.quantity == "twist":
        assert limit.base is not None  # a twist has one
        twist = twist_rows(station, limit.base)
        found = twist.rows, twist.place
    rows, place = found
    if limit.quantity in ("level", "line"):
        return csr_array(kron(rows, eye_array(2), format="csr")), place, 2
    sign = 1.0 if limit.quantity in ("cant", "twist") else -1.0  # gauge is right less left
    return csr_array(kron(rows, csr_array(sign * _LEFT_LESS_RIGHT), format="csr")), place, 1


def kink_demand(station: Floats, value: Floats, kink: float, words: str, *, upright: bool) -> Demand:
    """Return what the stiffness of the rail asks: no slope changes by more than `kink`, rad, from seat to seat.

    The change of slope is the divided second difference, so that seats need not be equally far apart; it is weighed
    by the mean of the two spacings, m, so that it is a height like all others. The design's own curvature, a hundredth
    of a millimetre at R 20 km, is left out.

    Parameters
    ----------
    station : ndarray, shape (s,)
    value : ndarray, shape (s, 2)
        Level or line of both rails, m; nan where not known.
    kink : float
    words : str
    upright : bool
    """
    s = len(station)
    behind, ahead = np.diff(station)[:-1], np.diff(station)[1:]
    middle = np.flatnonzero((behind <= LONGEST) & (ahead <= LONGEST)) + 1
    behind, ahead = behind[middle - 1], ahead[middle - 1]
    mean = (behind + ahead) / 2
    weight = np.stack([mean / behind, -mean / behind - mean / ahead, mean / ahead], axis=1)
    column = middle[:, None] + np.array([-1, 0, 1])
    start = 3 * np.arange(len(middle) + 1)
    rows = csr_array(kron(csr_array((weight.ravel(), column.ravel(), start), shape=(len(middle), s)), eye_array(2),
                          format="csr"))  # fmt: skip
    bent = (weight[:, :, None] * value[column]).sum(axis=1).ravel()
    known = np.isfinite(bent)
    limit = np.repeat(kink * mean, 2)
    return Demand(
        limit=None,
        words=words,
        upright=upright,
        rows=rows[np.flatnonzero(known)],
        place=np.repeat(middle, 2)[known],
        rail=np.tile([0, 1], len(middle))[known],
        rails=2,
        low=(-limit - bent)[known],
        high=(limit - bent)[known],
        narrow=np.zeros(int(known.sum()), dtype=bool),
        left_out=np.repeat(middle, 2)[~known],
    )


def step_problem(
    asked: Sequence[Demand], measured: Bools, height: StepRange, sideways: StepRange
) -> tuple[StepProblem, Ints, Ints]:
    """Return the problem in whole steps, in mm, and seat and direction (0 up, 1 sideways) of each adjustment.

    Adjustments are the heights of left and right rail at the first seat, at the second and so on, then the moves
    sideways in the same order. Rows that no fastener can change are left out.

    Parameters
    ----------
    asked : sequence of Demand
    measured : ndarray of bool, shape (s,)
        Seats that may be adjusted.
    height, sideways : StepRange
    """
    s = len(measured)
    size = np.repeat([height.step * 1e3, sideways.step * 1e3], 2 * s)
    free = np.tile(np.repeat(measured, 2), 2)
    least = np.where(free, np.repeat([height.least, sideways.least], 2 * s), 0)
    most = np.where(free, np.repeat([height.most, sideways.most], 2 * s), 0)
    parts = [
        block_array([[d.rows, csr_array(d.rows.shape)] if d.upright else [csr_array(d.rows.shape), d.rows]],
                    format="csr") for d in asked
    ]  # fmt: skip
    rows = csr_array(vstack(parts, format="csr")) if parts else csr_array((0, 4 * s))
    rows.data *= size[rows.indices]
    low, high = (np.concatenate([getattr(d, side) for d in asked] or [[]]) * 1e3 for side in ("low", "high"))
    can = abs(rows) @ (most > least).astype(np.float64) > 0
    problem = StepProblem(
        rows=rows[np.flatnonzero(can)],
        low=low[can],
        high=high[can],
        least=least.astype(np.intp),
        most=most.astype(np.intp),
        fastener=np.tile(np.arange(2 * s), 2),
        size=size,
    )
    return problem, np.tile(np.repeat(np.arange(s), 2), 2), np.repeat([0, 1], 2 * s)
