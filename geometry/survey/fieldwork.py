"""From the readings of a field book to set-ups and to the points that they saw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from hashlib import sha256
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats

from .adjustment import AdjustmentError, UndeterminedError
from .air import Air
from .network import Levelling, Network, NetworkResult, Steps, adjust_network, steps_between
from .points import Ints
from .polar_uncertainty import PolarPoints, Stands, points_seen
from .readings import Control, Instrument, Readings, Sights
from .reduction import Reduction, foot_setups, reduce_readings
from .setup import free_setup
from .setup_result import FreeSetup

__all__ = [
    "Fieldwork", "FieldworkRules", "LevellingLines", "SetupState", "Solved", "solve_fieldwork", "stands_of",
]  # fmt: skip

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class LevellingLines:
    """Levelling lines between named points.

    Attributes
    ----------
    start, end : tuple of str
    difference, length : ndarray, shape (l,)
        Level of the end less that of the start, and length of the line, m.
    sigma_per_root_km : float
        Standard uncertainty of one kilometre, m.
    """

    start: tuple[str, ...]
    end: tuple[str, ...]
    difference: Floats
    length: Floats
    sigma_per_root_km: float


@dataclass(frozen=True)
class FieldworkRules:
    """How readings are worked up.

    Parameters
    ----------
    instrument : Instrument
    air : Air, optional
        What the distance meter assumed of the air; without it distances are not corrected.
    refraction : float
        Coefficient k.
    grid_scale : float
        Grid length over true length in plan.
    longest_sight : float
        Sights longer than this are told, m.
    together : bool
        Adjust all sound set-ups in one network with the points they share.
    free : bool
        Let control points go in that network, and hold it by inner constraints on them.
    """

    instrument: Instrument
    air: Air | None
    refraction: float
    grid_scale: float
    longest_sight: float
    together: bool = False
    free: bool = False


@dataclass(frozen=True, eq=False)
class SetupState:
    """What became of a set-up: solved, or the reason why not.

    Attributes
    ----------
    name : str
    result : FreeSetup, optional
    problem : str
        Why there is no result; "" if there is one.
    control : int
        Control points sighted.
    lacking : bool
        Whether more sights to control are what it needs.
    """

    name: str
    result: FreeSetup | None
    problem: str
    control: int
    lacking: bool = False

    @property
    def sound(self) -> bool:
        """Whether the set-up is solved, everything in it fits, and something checks it."""
        return self.result is not None and self.result.sound


Solved = dict[str, tuple[bytes, SetupState]]
"""Set-ups by name as they were solved before, each with the SHA-256 of what it rests on."""


@dataclass(frozen=True, eq=False)
class Fieldwork:
    """Worked-up readings.

    Attributes
    ----------
    reduction : Reduction
        Mean sights, and the instrument's errors.
    states : tuple of SetupState
        One for each set-up.
    stands : Stands
        Places of the set-ups as they are used; nan where not solved.
    points : PolarPoints
        Of the sights to points that are no control; nan from set-ups without a place.
    sight : ndarray of int, shape (n,)
        Row of the mean sights of each point.
    rounds : Sights
        The same sights with every round by itself, as what they mark may have been moved in between.
    round_points : PolarPoints
        Of each of these.
    network : NetworkResult, optional
        With all sound set-ups together.
    networked : tuple of int
        Set-ups that took part in it, in its order.
    steps : Steps
        How pairs of sound set-ups see their common points, from the places that are used.
    findings : tuple of str
        What the readings themselves show.
    """

    reduction: Reduction
    states: tuple[SetupState, ...]
    stands: Stands
    points: PolarPoints
    sight: Ints
    rounds: Sights
    round_points: PolarPoints
    network: NetworkResult | None
    networked: tuple[int, ...]
    steps: Steps
    findings: tuple[str, ...]


def solve_fieldwork(
    readings: Readings, setups: Sequence[str], targets: Sequence[str], control: Control, control_of: Ints,
    rules: FieldworkRules, levelling: LevellingLines | None = None, solved: Solved | None = None,
) -> Fieldwork:  # fmt: skip
    """Reduce readings, solve every set-up, and return the points they saw.

    Parameters
    ----------
    readings : Readings
    setups, targets : sequence of str
        Names that ``readings.setup`` and ``readings.target`` count in.
    control : Control
    control_of : ndarray of int, shape (t,)
        Control point that each target is; -1 for none.
    rules : FieldworkRules
    levelling : LevellingLines, optional
        Joins the network where all set-ups are adjusted together; between control points and targets.
    solved : dict, optional
        Set-ups that were solved before: those whose sights to control are the same, with the same control and by the
        same rules, are not solved again. Takes what is solved now.

    Returns
    -------
    Fieldwork
    """
    rounds = reduce_readings(readings, rules.air, False, setups)
    mean = reduce_readings(readings, rules.air, True, setups)
    findings = [f.text for f in mean.findings]
    stopped = {int(readings.setup[row]) for f in mean.findings if f.stops for row in f.rows}
    basis = b"" if solved is None else repr((control.names, rules)).encode() + _bytes(control.xyz, control.sigma)
    states = tuple(
        _state(name, i, rounds.sights, control, control_of, rules, stopped=i in stopped, solved=solved, basis=basis)
        for i, name in enumerate(setups)
    )
    to_control = mean.sights.rows(control_of[mean.sights.target] >= 0)
    to_control = replace(to_control, target=control_of[to_control.target])
    findings += [f.text for f in foot_setups(to_control, control, setups)]
    far = np.flatnonzero(mean.sights.distance > rules.longest_sight)
    if far.size:
        row = int(far[0])
        findings.append(
            f"{far.size} sight{'s' * (far.size > 1)} over {rules.longest_sight:g} m, the first from "
            f"{setups[int(mean.sights.setup[row])]} to {targets[int(mean.sights.target[row])]}, "
            f"{float(mean.sights.distance[row]):.1f} m: another point, or another set-up?"
        )
    stands = stands_of(states)
    network, networked = None, tuple(i for i, state in enumerate(states) if state.sound)
    if rules.together and networked:
        network = _together(mean.sights, networked, setups, targets, control, control_of, rules, levelling)
        rows = np.array(networked)
        position, orientation = stands.position.copy(), stands.orientation.copy()
        covariance = stands.covariance.copy()
        position[rows], orientation[rows] = network.setups, network.orientation
        covariance[rows] = network.setup_covariance
        stands = Stands(position, orientation, covariance)
    # a step to a set-up in which something is wrong says that once more, and hides the others
    sound = np.array([state.sound for state in states])[mean.sights.setup]
    steps = steps_between(
        mean.sights.rows(sound), stands.position, stands.orientation, rules.refraction, rules.grid_scale
    )  # fmt: skip
    sight = np.flatnonzero(control_of[mean.sights.target] < 0)
    each = rounds.sights.rows(control_of[rounds.sights.target] < 0)
    points, round_points = (
        points_seen(stands, sights, rules.instrument, rules.refraction, rules.grid_scale)
        for sights in (mean.sights.rows(sight), each)
    )
    return Fieldwork(
        mean, states, stands, points, sight, each, round_points, network, networked if network else (), steps,
        tuple(findings),
    )  # fmt: skip


def _state(
    name: str, index: int, sights: Sights, control: Control, control_of: Ints, rules: FieldworkRules, *, stopped: bool,
    solved: Solved | None, basis: bytes,
) -> SetupState:  # fmt: skip
    """Return what becomes of one set-up, solving it only if it was not solved with these sights before.

    Control and rules stand in `basis`.
    """
    own = (sights.setup == index) & (control_of[sights.target] >= 0)
    mine = sights.rows(own)
    mine = replace(mine, target=control_of[mine.target], setup=np.zeros(len(mine), dtype=np.intp))
    given = _bytes(*(getattr(mine, field.name) for field in fields(mine)))
    rests_on = sha256(basis + bytes([stopped]) + given).digest()
    before = None if solved is None else solved.get(name)
    if before is not None and before[0] == rests_on:
        return before[1]
    state = _solve(name, mine, control, rules, stopped=stopped)
    if solved is not None:
        solved[name] = rests_on, state
    return state


def _bytes(*arrays: npt.NDArray[Any]) -> bytes:
    return b"".join(array.tobytes() for array in arrays)


def _solve(name: str, mine: Sights, control: Control, rules: FieldworkRules, *, stopped: bool) -> SetupState:
    count = len(np.unique(mine.target))
    if stopped:
        return SetupState(name, None, "its readings cannot be used until what is told of them is cleared up", count)
    if not count:
        return SetupState(name, None, "no control point was sighted: sight at least two", 0, lacking=True)
    try:
        result = free_setup(
            mine, control, rules.instrument, name, refraction=rules.refraction, grid_scale=rules.grid_scale
        )
    except AdjustmentError as error:
        return SetupState(name, None, str(error), count, lacking=isinstance(error, UndeterminedError))
    return SetupState(name, result, "", count)


def stands_of(states: Sequence[SetupState]) -> Stands:
    """Return the places of set-ups; nan where one is not solved or its uncertainty is not known."""
    s = len(states)
    position, orientation = np.full((s, 3), np.nan), np.full(s, np.nan)
    covariance = np.zeros((s, 4, 4))
    for i, state in enumerate(states):
        # a place whose uncertainty is not known is no place: zero would make its points look perfect
        if state.result is not None and np.isfinite(state.result.covariance).all():
            position[i], orientation[i] = state.result.position, state.result.orientation
            covariance[i] = state.result.covariance
    return Stands(position, orientation, covariance)


def _together(
    sights: Sights, networked: tuple[int, ...], setups: Sequence[str], targets: Sequence[str], control: Control,
    control_of: Ints, rules: FieldworkRules, levelling: LevellingLines | None,
) -> NetworkResult:  # fmt: skip
    """Adjust the sound set-ups with the points that more than one of them saw, with control and levelling."""
    chosen = np.full(len(setups), -1)
    chosen[list(networked)] = np.arange(len(networked))
    rows = np.flatnonzero(chosen[sights.setup] >= 0)
    pairs = np.unique(np.stack([sights.target[rows], sights.setup[rows]], axis=1), axis=0)
    often = np.bincount(pairs[:, 0], minlength=len(targets)) > 1
    levelled = set() if levelling is None else {*levelling.start, *levelling.end}
    use = often | (control_of >= 0) | np.array([name in levelled for name in targets])
    rows = rows[use[sights.target[rows]]]
    points = np.unique(sights.target[rows])
    names = [targets[i] for i in points.tolist()]
    of_control = control_of[points]
    # control points that only the levelling reached
    more = [i for i, name in enumerate(control.names) if name in levelled and name not in names]
    names += [control.names[i] for i in more]
    of_control = np.concatenate([of_control, np.array(more, dtype=np.intp)])
    is_control = of_control >= 0
    known, sigma = np.full((len(names), 3), np.nan), np.full((len(names), 3), np.inf)
    known[is_control], sigma[is_control] = control.xyz[of_control[is_control]], control.sigma[of_control[is_control]]
    mine = sights.rows(rows)
    mine = replace(
        mine, target=np.searchsorted(points, mine.target).astype(np.intp), setup=chosen[mine.setup].astype(np.intp)
    )
    network = Network(names, known, sigma, [setups[i] for i in networked], mine, _lines(levelling, names))
    return adjust_network(network, rules.instrument, rules.refraction, rules.grid_scale, rules.free)


def _lines(levelling: LevellingLines | None, names: Sequence[str]) -> Levelling | None:
    """Return the lines between points of the network."""
    if levelling is None:
        return None
    place = {name: i for i, name in enumerate(names)}
    ends = np.array([[place.get(a, -1), place.get(b, -1)] for a, b in zip(levelling.start, levelling.end, strict=True)])
    inside = (ends >= 0).all(axis=1)
    start, end = ends[inside].T.astype(np.intp)
    return Levelling(start, end, levelling.difference[inside], levelling.length[inside], levelling.sigma_per_root_km)
