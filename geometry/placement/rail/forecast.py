"""The rail that slabs will carry before any fastener is adjusted, held against its limits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.placement.verdict import (
    NO_LIMIT,
    NOT_MEASURED,
    OUT,
    UNDECIDED,
    VERDICTS,
    WITHIN,
    Tolerance,
    Verdicts,
    decide,
)
from geometry.survey import Fits

from .bands import BANDS, Band, band_pass, band_rows
from .chords import Chord, ChordRows, chord_rows, twist_rows
from .seats import CastSeats, RailSeats
from .uncertainty import PARTS, PoseSpread, pose_spread, variance_at_seats, variance_of_rows

__all__ = [
    "NO_ROOM",
    "RAIL_VERDICTS",
    "LimitForecast",
    "RailForecast",
    "RailLimit",
    "RailQuantity",
    "RailRules",
    "rail_forecast",
]

Bools = npt.NDArray[np.bool_]
RailQuantity = Literal["level", "line", "gauge", "cant", "twist"]

RAIL_VERDICTS: Final = (*VERDICTS, "no room")
"""Words of the verdicts on a rail: those of `geometry.placement.verdict`, and one more."""
NO_ROOM: Final = len(VERDICTS)

_LINE, _LEVEL = 0, 1
_SLIGHT = 0.01  # a slab with less than this part of all weight does not make an answer doubtful
_MOST_WEIGHTS = 2_000_000  # at a time, so that memory stays small


@dataclass(frozen=True)
class RailLimit:
    """A limit of the rail, m.

    Attributes
    ----------
    quantity : str
        "level" and "line" of each rail, "gauge", "cant" (+ left rail higher), "twist".
    low, high : float
        Smallest and largest value that is still good, m; infinite where nothing is judged.
    source : str
        Where the limits come from.
    chord : Chord, optional
        Level and line are offsets from this chord.
    band : {"D1", "D2", "D3"}, optional
        Level and line are what is left in this range of wavelengths.
    base : float, optional
        Twist is the change of cant over this length, m.
    """

    quantity: RailQuantity
    low: float
    high: float
    source: str
    chord: Chord | None = None
    band: Band | None = None
    base: float | None = None

    @property
    def words(self) -> str:
        """What the limit is for.

        Examples
        --------
        >>> RailLimit("line", -0.002, 0.002, "example", Chord(2.0, 8.0)).words
        'line, chord 2 + 8 m'
        """
        if self.chord is not None:
            apart = f", {self.chord.apart:g} m apart" if self.chord.apart else ""
            return f"{self.quantity}, chord {self.chord.rear:g} + {self.chord.front:g} m{apart}"
        if self.band is not None:
            shortest, longest = BANDS[self.band, self.quantity]
            return f"{self.quantity}, {self.band} {shortest:g} to {longest:g} m"
        return f"twist over {self.base:g} m" if self.quantity == "twist" else self.quantity


@dataclass(frozen=True)
class RailRules:
    """How a rail is judged.

    Attributes
    ----------
    limits : tuple of RailLimit
    guard : float
        Guard factor of the decision rule.
    cast_sigma : float
        Standard uncertainty of a seat on its slab, across and up alike, where the factory did not measure it, m.
    """

    limits: tuple[RailLimit, ...]
    guard: float
    cast_sigma: float


@dataclass(frozen=True, eq=False)
class LimitForecast:
    """A limit at s seats and r rails: left and right for level and line, one for gauge, cant and twist.

    Attributes
    ----------
    limit : RailLimit
    value, sigma : ndarray, shape (s, r)
        In the sense of the limit, m, and its standard uncertainty; nan where not known. A chord's offset belongs to
        the place that divides it into rear and front, twist to the middle of its base.
    verdict : ndarray of int8, shape (s, r)
        `WITHIN`, `OUT`, `UNDECIDED`; `NOT_MEASURED` where something under the chord, or within reach of the band, is
        not; `NO_ROOM` where the rail ends before the chord, or the reach of the band, does; `NO_LIMIT` where there
        is a value and nothing to hold it against.
    """

    limit: RailLimit
    value: Floats
    sigma: Floats
    verdict: Verdicts


@dataclass(frozen=True, eq=False)
class RailForecast:
    """The rail over s seats before any fastener is adjusted.

    Attributes
    ----------
    seats : RailSeats
    deviation, sigma : ndarray, shape (s, 2, 2)
        Rail less design rail: [left, right] by [line, + right; level, + up], m, and its standard uncertainty; nan
        where the slab has no pose. Seats that the factory did not measure count as designed on their slab, with
        `RailRules.cast_sigma`.
    gauge, gauge_sigma : ndarray, shape (s,)
        Gauge less nominal, + wide, m; nan where the factory did not measure both seats: a slab's pose says
        nothing of gauge.
    cant, cant_sigma : ndarray, shape (s,)
        Cant less design, + left rail higher, m.
    cast_known : ndarray of bool, shape (s, 2)
        Whether the factory measured the seat.
    limits : tuple of LimitForecast
        In the order of the rules.
    """

    seats: RailSeats
    deviation: Floats
    sigma: Floats
    gauge: Floats
    gauge_sigma: Floats
    cant: Floats
    cant_sigma: Floats
    cast_known: npt.NDArray[np.bool_]
    limits: tuple[LimitForecast, ...]

    @property
    def verdict(self) -> Verdicts:
        """By all limits, shape (s,): the worst of out, undecided, not measured, within; else no limit, no room."""
        found = np.concatenate([one.verdict for one in self.limits], axis=1) if self.limits else np.empty((0, 0))
        result = np.full(len(self.seats.slab), NO_ROOM, dtype=np.int8)
        for verdict in (NO_LIMIT, WITHIN, NOT_MEASURED, UNDECIDED, OUT) if self.limits else ():
            result[(found == verdict).any(axis=1)] = verdict
        return result


@dataclass(frozen=True, eq=False)
class _Rail:
    """What every limit is told from: values of the rail, and what makes them uncertain or doubtful."""

    seats: RailSeats
    deviation: Floats
    cast_variance: Floats
    spread: PoseSpread | None
    doubtful: Bools

    def values(self, quantity: str) -> Floats:
        """Return level or line of both rails, (s, 2), or cant, (s, 1)."""
        if quantity == "cant":
            return self.deviation[:, :1, _LEVEL] - self.deviation[:, 1:, _LEVEL]
        return self.deviation[:, :, _LEVEL if quantity == "level" else _LINE]

    def own_variance(self, quantity: str) -> Floats:
        """Return the variance that seats bring in each by itself, shaped as `values`."""
        if quantity == "cant":
            return np.asarray(self.cast_variance[:, :, _LEVEL].sum(axis=1, keepdims=True))
        return self.cast_variance[:, :, _LEVEL if quantity == "level" else _LINE]

    def sigma_of(self, rows: ChordRows, quantities: Sequence[str]) -> dict[str, Floats]:
        """Return the standard uncertainty of weighted sums, by quantity, each (k, r)."""
        squared = rows.rows.power(2)
        variance = {quantity: squared @ self.own_variance(quantity) for quantity in quantities}
        if self.spread is not None:
            parts = [PARTS[quantity] for quantity in quantities]
            first = min(part.start for part in parts)
            poses = variance_of_rows(
                rows.rows, self.seats, self.spread.of(slice(first, max(part.stop for part in parts)))
            )  # fmt: skip
            for quantity, part in zip(quantities, parts, strict=True):
                variance[quantity] = variance[quantity] + poses[part.start - first : part.stop - first].T
        return {quantity: np.sqrt(of) for quantity, of in variance.items()}

    def doubted(self, rows: ChordRows) -> Bools:
        """Return which sums hang on a slab whose survey contradicts itself, (k,)."""
        if not self.doubtful.any():
            return np.zeros(len(rows.place), dtype=bool)
        weight = abs(rows.rows)
        doubted = weight @ self.doubtful[self.seats.slab].astype(np.float64)
        return np.asarray(doubted > _SLIGHT * weight.sum(axis=1))


@dataclass(frozen=True, eq=False)
class _Told:
    """Values and their uncertainty at all seats, (s, r); which have room, (s,), and which are doubtful, (s,)."""

    value: Floats
    sigma: Floats
    has_room: Bools
    doubtful: Bools


def rail_forecast(
    seats: RailSeats, pose: Floats, fits: Fits | None, rules: RailRules, cast: CastSeats | None = None,
    doubtful: npt.NDArray[np.bool_] | None = None,
) -> RailForecast:  # fmt: skip
    """Forecast the rail over slabs in given poses.

    Parameters
    ----------
    seats : RailSeats
    pose : ndarray, shape (n, 6)
        Deviation of each slab: across, along, up, m, pitch, roll, yaw, rad; as built, or as a plan will leave them;
        nan where not known.
    fits : Fits, optional
        Their uncertainty, with what set-ups do to several slabs alike; without it the poses are exact, as targets
        are.
    rules : RailRules
    cast : CastSeats, optional
        Without it no seat was measured by the factory.
    doubtful : ndarray of bool, shape (n,), optional
        Slabs whose survey contradicts itself: nothing that hangs on them is decided.

    Returns
    -------
    RailForecast
    """
    s = len(seats.slab)
    cast = cast or CastSeats(np.full((s, 2, 2), np.nan), np.full((s, 2, 2), np.nan))
    known = np.asarray(np.isfinite(cast.offset))
    variance = np.where(known, cast.sigma, rules.cast_sigma) ** 2
    deviation = seats.rail_deviation(pose) + np.where(known, cast.offset, 0.0)
    none = np.zeros(len(pose), dtype=bool)
    rail = _Rail(
        seats, deviation, variance, None if fits is None else pose_spread(seats, fits),
        none if doubtful is None else doubtful,
    )  # fmt: skip
    line, level, cant = (_at_seats(rail, quantity) for quantity in ("line", "level", "cant"))
    both = np.asarray(known[:, :, _LINE].all(axis=1))
    # the two rails of one slab move together: only casting changes their distance
    across = np.where(both[:, None], cast.offset[:, :, _LINE] + seats.target_offset[:, :, _LINE], np.nan)
    gauge = across[:, 1:] - across[:, :1]
    gauge_sigma = np.where(both[:, None], np.sqrt(variance[:, :, _LINE].sum(axis=1, keepdims=True)), np.nan)
    surely = np.zeros(s, dtype=bool)
    found: dict[RailLimit, _Told] = {}
    for limit in rules.limits:
        if limit.chord is None and limit.band is None and limit.quantity != "twist":
            plain = {"line": line, "level": level, "cant": cant, "gauge": _Told(gauge, gauge_sigma, ~surely, surely)}
            found[limit] = plain[limit.quantity]
    for limits in _by_operator(rules.limits):
        found |= _along_rail(rail, limits)
    return RailForecast(
        seats=seats,
        deviation=deviation,
        sigma=np.stack([line.sigma, level.sigma], axis=-1),
        gauge=gauge[:, 0],
        gauge_sigma=gauge_sigma[:, 0],
        cant=cant.value[:, 0],
        cant_sigma=cant.sigma[:, 0],
        cast_known=np.asarray(known.all(axis=2)),
        limits=tuple(_judged(limit, found[limit], rules.guard) for limit in rules.limits),
    )


def _at_seats(rail: _Rail, quantity: str) -> _Told:
    """Return level, line or cant at every seat."""
    value, variance = rail.values(quantity), rail.own_variance(quantity)
    if rail.spread is not None:
        variance = variance + variance_at_seats(rail.seats, rail.spread.of(PARTS[quantity])).T
    sigma = np.where(np.isnan(value), np.nan, np.sqrt(variance))
    return _Told(value, sigma, np.ones(len(value), dtype=bool), rail.doubtful[rail.seats.slab])


def _by_operator(limits: Sequence[RailLimit]) -> Iterator[list[RailLimit]]:
    """Return limits that share a chord, a base or a range of wavelengths together."""
    groups: dict[object, list[RailLimit]] = {}
    for limit in dict.fromkeys(limits):
        if limit.chord is not None or limit.quantity == "twist":
            groups.setdefault(limit.chord or limit.base, []).append(limit)
        elif limit.band is not None:
            groups.setdefault(BANDS[limit.band, limit.quantity], []).append(limit)
    yield from groups.values()


def _along_rail(rail: _Rail, limits: Sequence[RailLimit]) -> dict[RailLimit, _Told]:
    """Return what is told by limits that share an operator."""
    first, station = limits[0], rail.seats.station
    if first.band is not None:
        return _in_band(rail, limits, *BANDS[first.band, first.quantity])
    if first.chord is not None:
        rows = chord_rows(station, first.chord)
    else:
        assert first.base is not None  # a twist has one
        rows = twist_rows(station, first.base)
    of = {limit: "cant" if limit.quantity == "twist" else limit.quantity for limit in limits}
    sigmas = rail.sigma_of(rows, list(dict.fromkeys(of.values())))
    has_room, doubtful = (np.zeros(len(station), dtype=bool) for _ in range(2))
    has_room[rows.place] = True
    doubtful[rows.place] = rail.doubted(rows)
    told = {}
    for limit, quantity in of.items():
        value = np.full_like(rail.values(quantity), np.nan)
        value[rows.place] = rows.rows @ rail.values(quantity)
        sigma = np.full_like(value, np.nan)
        sigma[rows.place] = np.where(np.isnan(value[rows.place]), np.nan, sigmas[quantity])
        told[limit] = _Told(value, sigma, has_room, doubtful)
    return told


def _in_band(rail: _Rail, limits: Sequence[RailLimit], shortest: float, longest: float) -> dict[RailLimit, _Told]:
    """Return level and line within a range of wavelengths."""
    quantities = list(dict.fromkeys(limit.quantity for limit in limits))
    station = rail.seats.station
    passed = band_pass(
        station, np.stack([rail.values(quantity) for quantity in quantities], axis=1), shortest, longest
    )  # fmt: skip
    answered = np.flatnonzero(np.isfinite(passed.value).all(axis=(1, 2)))
    # uncertainty changes little over an eighth of the shortest wave: told there, and between them the larger one
    piece = np.floor(station[answered] / (shortest / 8))
    some = np.flatnonzero(np.append(True, np.diff(piece) != 0)[: len(piece)])
    if some.size:
        some = np.union1d(some, [len(answered) - 1])
    place = answered[some]
    weights = 2 * longest / 0.5 * max(len(place), 1)  # roughly, seats being half a metre apart or more
    parts = []
    for chunk in np.array_split(place, int(weights // _MOST_WEIGHTS) + 1):
        rows = band_rows(station, chunk, shortest, longest)
        sigmas = rail.sigma_of(rows, quantities)
        parts.append((*(sigmas[quantity] for quantity in quantities), rail.doubted(rows)))
    *sigmas_there, doubted = (np.concatenate(part) for part in zip(*parts, strict=True))
    after = np.searchsorted(some, np.arange(len(answered)))
    before = np.searchsorted(some, np.arange(len(answered)), side="right") - 1
    doubtful = np.zeros(len(station), dtype=bool)
    doubtful[answered] = doubted[before] | doubted[after]
    told = {}
    for index, quantity in enumerate(quantities):
        sigma = np.full(passed.value[:, index].shape, np.nan)
        sigma[answered] = np.maximum(sigmas_there[index][before], sigmas_there[index][after])
        told[quantity] = _Told(passed.value[:, index], sigma, passed.has_room, doubtful)
    return {limit: told[limit.quantity] for limit in limits}


def _judged(limit: RailLimit, told: _Told, guard: float) -> LimitForecast:
    # the verdict asks a tolerance for its limits only, not for what quantity of a slab it is
    verdict = decide(told.value, told.sigma, Tolerance("up", limit.low, limit.high, limit.source), guard)
    verdict[told.doubtful[:, None] & (verdict != NOT_MEASURED)] = UNDECIDED
    if not (np.isfinite(limit.low) or np.isfinite(limit.high)):
        verdict[verdict != NOT_MEASURED] = NO_LIMIT
    verdict[~told.has_room] = NO_ROOM
    return LimitForecast(limit, told.value, told.sigma, verdict)
