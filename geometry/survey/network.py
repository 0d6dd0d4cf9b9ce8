"""Several set-ups, tie points, control and levelling lines adjusted together.

Adjusted together a tie point has one place, whichever set-up saw it, so that neighbouring set-ups meet without a
step. What the sights of two set-ups would still say about their common points is reported.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from geometry.alignment.laws import Floats

from .adjustment import Adjustment, AdjustmentError, UndeterminedError, adjust, robust_unknowns
from .observations import (
    DIRECTION,
    DISTANCE,
    KINDS,
    REFRACTION,
    ZENITH,
    Observations,
    Places,
    SurveyModel,
    control,
    joined,
    levelled,
    sights,
)  # fmt: skip
from .points import Ints
from .polar import polar_points
from .readings import Instrument, Sights
from .reliability import ALPHA
from .rough_network import rough_network

__all__ = ["Levelling", "Network", "NetworkResult", "Steps", "adjust_network", "steps_between"]

Bools = npt.NDArray[np.bool_]
_AXES = ("easting", "northing", "level")
_GROSS = 30.0  # sigmas
_GROSS_SHARE = 0.05  # more than this part of the observations is no matter of single errors


@dataclass(frozen=True, eq=False)
class Levelling:
    """Differential levelling lines; arrays of shape (l,).

    Attributes
    ----------
    start, end : ndarray of int
        Points of the network.
    difference : ndarray
        Level of `end` less that of `start`, m.
    length : ndarray
        Of the line, m.
    sigma_per_root_km : float
        Standard uncertainty of one kilometre, m.
    """

    start: Ints
    end: Ints
    difference: Floats
    length: Floats
    sigma_per_root_km: float = 0.0003


@dataclass(frozen=True, eq=False)
class Network:
    """What was measured in a network, and what was known before.

    Attributes
    ----------
    points : sequence of str
        Names of control and tie points; `sights.target` counts in them.
    known : ndarray, shape (p, 3)
        Easting, northing, level, m; nan where not known.
    sigma : ndarray, shape (p, 3)
        Of known coordinates, m: zero holds one, inf lets it go free and keeps it as an approximate value.
    setups : sequence of str
        Names of the set-ups; `sights.setup` counts in them.
    sights : Sights
        Those without an instrument height count from the tilting axis.
    levelling : Levelling, optional
    """

    points: Sequence[str]
    known: Floats
    sigma: Floats
    setups: Sequence[str]
    sights: Sights
    levelling: Levelling | None = None

    def __post_init__(self) -> None:
        p, s = len(self.points), self.sights
        if self.known.shape != (p, 3) or self.sigma.shape != (p, 3):
            raise ValueError("every point of a network needs three coordinates and three sigmas; nan where not known")
        if (np.isfinite(self.known) & ~(self.sigma >= 0)).any():
            raise ValueError("a known coordinate has no sigma, or a negative one")
        if len(s) and not (s.target.min() >= 0 and s.target.max() < p):
            raise ValueError("a sight has no point in the network")
        if len(s) and not (s.setup.min() >= 0 and s.setup.max() < len(self.setups)):
            raise ValueError("a sight has no set-up in the network")


@dataclass(frozen=True, eq=False)
class Steps:
    """How pairs of set-ups see their common points; arrays of shape (q, ...).

    Attributes
    ----------
    first, second : ndarray of int
        Set-ups, first < second.
    shared : ndarray of int
        Points that both saw with direction, zenith angle and distance.
    step : ndarray, shape (q, 3)
        Mean of what the second makes of these points less what the first does, easting, northing, level, m.
    largest : ndarray, shape (q,)
        Largest difference in space at one of them, m.
    """

    first: Ints
    second: Ints
    shared: Ints
    step: Floats
    largest: Floats


@dataclass(frozen=True, eq=False)
class NetworkResult:
    """An adjusted network.

    Attributes
    ----------
    points, setups : ndarray, shape (p, 3) and (s, 3)
        Easting, northing, level, m.
    orientation : ndarray, shape (s,)
        Bearing of the zero of each circle, 0 .. 2 pi, rad; nan where a set-up read no direction.
    point_covariance : ndarray, shape (p, 3, 3)
        m^2; zero for what is held.
    setup_covariance : ndarray, shape (s, 4, 4)
        Easting, northing, level, orientation; m and rad.
    observations : Observations
        In the order of the adjustment; points of it beyond p are the set-ups.
    sight : ndarray of int, shape (m,)
        Row of the sights for each observation; -1 for levelling and coordinates.
    suspicious : ndarray of int
        Observations with |w| over the critical value of the whole network, the worst first.
    set_aside : tuple of str
        Gross errors that were left out: more than 30 sigmas off from where most observations agree.
    steps : Steps
    adjustment : Adjustment
        With residuals, redundancy, w, smallest blunders and the global test.
    model : SurveyModel
    """

    points: Floats
    setups: Floats
    orientation: Floats
    point_covariance: Floats
    setup_covariance: Floats
    observations: Observations
    sight: Ints
    suspicious: Ints
    set_aside: tuple[str, ...]
    steps: Steps
    adjustment: Adjustment
    model: SurveyModel

    def label(self, row: int) -> str:
        """Return what an observation is, for people."""
        return _label(self.model, row)


def _label(model: SurveyModel, row: int) -> str:
    o, names = model.observations, model.places.names
    start, end = names[int(o.start[row])], names[int(o.end[row])]
    if start == end:
        return f"{KINDS[int(o.kind[row])]} of {end}"
    return f"{KINDS[int(o.kind[row])]} from {start} to {end}"


def adjust_network(
    network: Network, instrument: Instrument, refraction: float = REFRACTION, grid_scale: float = 1.0,
    free: bool = False,
) -> NetworkResult:  # fmt: skip
    """Adjust a network.

    Parameters
    ----------
    network : Network
    instrument : Instrument
    refraction, grid_scale : float
    free : bool
        Let all known coordinates go and hold the network by inner constraints on the points that have them:
        what is left is how well the sights agree among themselves.

    Raises
    ------
    AdjustmentError
        If no solution is found, even with gross errors set aside.
    UndeterminedError
        If set-ups or points hang on too little: says which, and what to measure.
    """
    xyz, orientation = rough_network(network, refraction, grid_scale)
    model, sight = _model(network, instrument, xyz, orientation, refraction, grid_scale, free)
    datum = None
    if free:
        known = np.zeros(xyz.shape, dtype=bool)
        known[: len(network.points)] = np.isfinite(network.known)
        datum = np.zeros(model.size)
        datum[model.column[known & (model.column >= 0)]] = 1.0
    moves = model.free_moves if free else None
    set_aside: tuple[str, ...] = ()
    try:
        answer = _settled(model, moves, datum)
        if answer is None:
            robust = robust_unknowns(model, model.start, moves)
            off = np.abs(model.linearise(robust)[0]) > _GROSS * model.sigma
            if off.sum() <= _GROSS_SHARE * len(off):
                set_aside = tuple(_label(model, row) for row in np.flatnonzero(off).tolist())
                model, sight = model.without(np.flatnonzero(off)), sight[~off]
            answer = adjust(model, robust, model.free_moves if free else None, datum)
    except UndeterminedError as error:
        raise UndeterminedError(error.unknowns, f"{error}: {_missing(network, error.unknowns, free)}") from None
    return _result(network, model, sight, answer, set_aside, refraction, grid_scale)


def _settled(model: SurveyModel, moves: Callable[[Floats], Floats] | None, datum: Floats | None) -> Adjustment | None:
    """Return the adjustment of everything; None while a gross error keeps it from settling near the truth."""
    try:
        answer = adjust(model, model.start, moves, datum)
    except AdjustmentError:  # also where the steps led to a place at which nothing is determined
        return None
    gross = not answer.passes and bool(np.nanmax(np.abs(answer.w)) > _GROSS)
    return None if gross else answer


def _missing(network: Network, unknowns: tuple[str, ...], free: bool) -> str:
    held = np.asarray((np.isfinite(network.known) & np.isfinite(network.sigma)).any(axis=0))
    if not free and not held.all():
        lacking = " and ".join(axis for axis, there in zip(_AXES, held.tolist(), strict=True) if not there)
        return f"no control point has {lacking}; give control coordinates, or adjust a free network"
    if all(name.startswith("level of ") for name in unknowns):
        return "measure zenith angles or levelling lines to these points"
    return "measure directions, zenith angles and distances to these points, or from these set-ups to known points"


def _model(
    network: Network, instrument: Instrument, xyz: Floats, orientation: Floats, refraction: float, grid_scale: float,
    free: bool,
) -> tuple[SurveyModel, Ints]:  # fmt: skip
    s, p = network.sights, len(network.points)
    start = s.setup + p
    away = np.linalg.norm(xyz[s.target] - xyz[start], axis=1)
    spread = instrument.sigmas(np.where(np.isfinite(s.distance), s.distance, away), s.zenith, s.repeats)
    aimed = np.unique(s.setup[np.isfinite(s.direction)])
    circle = np.searchsorted(aimed, s.setup)
    flat = not np.isfinite(s.zenith).any() and network.levelling is None
    heights = (np.zeros(len(s)), np.zeros(len(s))) if flat else (s.instrument_height, s.target_height)
    parts, rows = [], []
    read = (s.direction, s.zenith, s.distance)
    for kind, value, sigma in zip((DIRECTION, ZENITH, DISTANCE), read, spread, strict=True):
        parts.append(sights(kind, start, s.target, value, sigma, circle, *heights))
        rows.append(np.flatnonzero(np.isfinite(value)))
    if network.levelling is not None:
        run = network.levelling
        parts.append(levelled(run.start, run.end, run.difference, run.sigma_per_root_km, run.length))
        rows.append(np.full(len(parts[-1]), -1))
    told = np.isfinite(network.known) & np.isfinite(network.sigma)
    if flat:  # a network in plan: its sights are taken as level
        xyz = xyz * [1, 1, 0]
        told[:, 2] = False
    fixed = np.zeros(xyz.shape, dtype=bool)
    fixed[:, 2] = flat
    if not free:
        fixed[:p] |= told & (network.sigma == 0)
        parts.append(control(np.arange(p), network.known, np.where(told, network.sigma, 0.0)))
        rows.append(np.full(len(parts[-1]), -1))
    names = (*network.points, *(f"set-up {name}" for name in network.setups))
    places = Places(xyz, fixed, orientation[aimed], names, tuple(network.setups[i] for i in aimed.tolist()))
    return SurveyModel(joined(*parts), places, refraction, grid_scale), np.concatenate(rows)


def _result(
    network: Network, model: SurveyModel, sight: Ints, answer: Adjustment, set_aside: tuple[str, ...],
    refraction: float, grid_scale: float,
) -> NetworkResult:  # fmt: skip
    p, count = len(network.points), len(network.setups)
    xyz = model.coordinates(answer.unknowns)
    aimed = np.unique(network.sights.setup[np.isfinite(network.sights.direction)])
    turn = np.full(count, -1)
    turn[aimed] = model.points_end + np.arange(len(aimed))
    orientation = np.full(count, np.nan)
    orientation[aimed] = model.orientations(answer.unknowns)
    w = np.abs(answer.w)
    # the level of one test, shared out over all of them
    critical = -float(special.ndtri(ALPHA / 2 / max(len(w), 1)))
    over = np.flatnonzero(w > critical)
    return NetworkResult(
        points=xyz[:p],
        setups=xyz[p:],
        orientation=orientation,
        point_covariance=answer.blocks(model.column[:p]),
        setup_covariance=answer.blocks(np.concatenate([model.column[p:], turn[:, None]], axis=1)),
        observations=model.observations,
        sight=sight,
        suspicious=over[np.argsort(-w[over])],
        set_aside=set_aside,
        steps=steps_between(network.sights, xyz[p:], orientation, refraction, grid_scale),
        adjustment=answer,
        model=model,
    )


def steps_between(
    s: Sights, setups: Floats, orientation: Floats, refraction: float = REFRACTION, grid_scale: float = 1.0
) -> Steps:
    """Compare what set-ups make of their common points; places (s, 3), m, and orientations (s,), rad."""
    full = s.rows(np.isfinite(s.direction) & np.isfinite(s.zenith) & np.isfinite(s.distance))
    if not len(full):
        none = np.zeros(0, dtype=np.intp)
        return Steps(none, none, none, np.zeros((0, 3)), np.zeros(0))
    seen = polar_points(full, setups[full.setup], orientation[full.setup], refraction, grid_scale)
    # rounds of one set-up to one point count as one
    both, group = np.unique(full.target * len(setups) + full.setup, return_inverse=True)
    rounds = np.bincount(group)
    origin = seen.mean(axis=0)
    mean = np.stack([np.bincount(group, seen[:, i] - origin[i]) / rounds for i in range(3)], axis=1)
    target, setup = np.divmod(both, len(setups))
    pairs, differences = [], []
    apart = 1
    while True:  # set-ups that saw a point stand together, so that pairs are entries a few places apart
        mine = np.flatnonzero(target[apart:] == target[:-apart]) if apart < len(target) else np.zeros(0, dtype=np.intp)
        if not mine.size:
            break
        pairs.append(setup[mine] * len(setups) + setup[mine + apart])
        differences.append(mean[mine + apart] - mean[mine])
        apart += 1
    if not pairs:
        none = np.zeros(0, dtype=np.intp)
        return Steps(none, none, none, np.zeros((0, 3)), np.zeros(0))
    difference = np.concatenate(differences)
    which, back, shared = np.unique(np.concatenate(pairs), return_inverse=True, return_counts=True)
    step = np.stack([np.bincount(back, difference[:, i]) / shared for i in range(3)], axis=1)
    largest = np.zeros(len(which))
    np.maximum.at(largest, back, np.linalg.norm(difference, axis=1))
    first, second = np.divmod(which, len(setups))
    return Steps(first, second, shared, step, largest)
