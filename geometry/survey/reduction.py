"""From readings to sights: faces, air, prism constants, rounds; and mistakes that the numbers show.

Two faces: the collimation error c turns a direction by c / sin z in face 1 and by the opposite in face 2, the index
error i adds to every zenith angle that the circle shows; means of two faces are free of both (F. Deumlich,
R. Staiger, "Instrumentenkunde der Vermessungstechnik", 9th ed. 2002, chapter 6; scatter as in ISO 17123-3).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats

from .air import Air, velocity_factor
from .observations import wrapped
from .points import Ints
from .readings import Control, Readings, Sights

__all__ = ["ReadingFinding", "Reduction", "foot_setups", "reduce_readings"]

Bools = npt.NDArray[np.bool_]
_STEEP = math.radians(25)  # nobody sights a prism this near to the zenith without a diagonal eyepiece
_UNIT = math.radians(5)  # how near the sum of two faces comes to that of another unit
_FOOT = 0.3048  # m, international foot
_CLOSE = 0.005  # of a ratio of lengths


@dataclass(frozen=True)
class ReadingFinding:
    """A mistake that readings show.

    Attributes
    ----------
    kind : str
        "face", "elevation angle", "angle unit", "one face", "no air", "feet".
    rows : tuple of int
        Readings concerned; of "feet", sights.
    text : str
        What it looks like, and what was done or is to be done.
    stops : bool
        Whether the readings cannot be used until it is cleared up.
    """

    kind: str
    rows: tuple[int, ...]
    text: str
    stops: bool


@dataclass(frozen=True, eq=False)
class Reduction:
    """Reduced readings of s set-ups.

    Attributes
    ----------
    sights : Sights
        One per target, set-up and, unless averaged, round; `order` counts the time.
    collimation, index_error : ndarray, shape (s,)
        In face 1, rad: direction too large by c / sin z, zenith angle by i; nan where no target was read in both.
    scatter : ndarray, shape (s, 3)
        Standard deviation of one round's direction, zenith angle, rad, and distance, m, from the rounds
        themselves; nan with one round only.
    findings : tuple of ReadingFinding
    """

    sights: Sights
    collimation: Floats
    index_error: Floats
    scatter: Floats
    findings: tuple[ReadingFinding, ...]


def reduce_readings(
    readings: Readings, air: Air | None = None, average: bool = True, setups: Sequence[str] = ()
) -> Reduction:
    """Reduce readings to sights.

    Parameters
    ----------
    readings : Readings
    air : Air, optional
        What the distance meter assumed; without it no atmospheric correction is done here.
    average : bool
        Average the rounds of a set-up; else each round stays by itself.
    setups : sequence of str
        Names for messages.

    Returns
    -------
    Reduction
        nan readings stay out of means; a sight without any reading of a kind has nan there.
    """
    r = readings
    count = int(r.setup.max()) + 1 if len(r) else 0
    name = [*setups, *map(str, range(len(setups), count))]
    face, findings = _faces(r, name)
    findings += _elevations(r, name)
    length = r.distance + r.prism
    if air is not None:
        told = np.isfinite(r.temperature) & np.isfinite(r.pressure)
        wet = np.where(np.isfinite(r.humidity), r.humidity, air.humidity)
        factor = velocity_factor(
            air, np.where(told, r.temperature, air.temperature), np.where(told, r.pressure, air.pressure),
            np.where(told, wet, air.humidity),
        )  # fmt: skip
        length = length * factor
        bare = np.flatnonzero(~told & np.isfinite(length))
        if bare.size:
            text = f"{bare.size} distances have no temperature and pressure: the air the instrument assumed was taken"
            findings.append(ReadingFinding("no air", tuple(bare.tolist()), text, False))
    first, second, key = _pairs(r, face)
    has1, has2 = first >= 0, second >= 0
    one, two = np.maximum(first, 0), np.maximum(second, 0)
    setup, target = r.setup[np.where(has1, one, two)], r.target[np.where(has1, one, two)]
    both = has1 & has2
    index = np.where(both, wrapped(r.zenith[one] + r.zenith[two]) / 2, np.nan)
    index_error = _mean_by(index, setup, count)
    # one face alone is freed of the errors that the others of its set-up show
    tilt = np.where(np.isnan(index), np.nan_to_num(index_error)[setup], index)
    zenith = _either(has1, r.zenith[one] - tilt, has2, 2 * math.pi - (r.zenith[two] - tilt))
    sine = np.maximum(np.nan_to_num(np.abs(np.sin(zenith)), nan=1.0), 1e-3)
    around = np.where(both, wrapped(r.direction[one] - r.direction[two] + math.pi) / 2, np.nan)
    collimation = _mean_by(around * sine, setup, count)
    turn = np.where(np.isnan(around), np.nan_to_num(collimation)[setup] / sine, around)
    direction = _either(has1, r.direction[one] - turn, has2, r.direction[two] - math.pi + turn) % (2 * math.pi)
    findings += _units(index, first, second, setup, name)
    findings += _single(both, has1, one, two, setup, name)
    lengths = np.stack([np.where(has1, length[one], np.nan), np.where(has2, length[two], np.nan)])
    distance = _mean_of(lengths)
    held = np.where(has1, one, two)
    order = np.where(both, np.minimum(r.time[one], r.time[two]), r.time[held])
    # both faces make the reading that the instrument's sigmas are stated for; one alone counts half
    repeats = np.where(both, 1.0, 0.5)
    sights = Sights(
        target, np.asarray(direction), np.asarray(zenith), distance, r.instrument_height[held], r.target_height[held],
        repeats, np.asarray(order, dtype=np.float64), setup,
    )  # fmt: skip
    scatter, mean = _rounds(sights, key, count)
    return Reduction(mean if average else sights, collimation, index_error, scatter, tuple(findings))


def _either(has1: Bools, first: Floats, has2: Bools, second: Floats) -> Floats:
    """Return the first value where it was read, else the second, else nan."""
    one = np.where(has1, first, np.nan)
    return np.asarray(np.where(np.isnan(one), np.where(has2, second, np.nan), one))


def _mean_of(values: Floats) -> Floats:
    """Return the mean along the first axis without nan; nan where there is nothing."""
    there = np.isfinite(values)
    total = np.where(there, values, 0.0).sum(axis=0)
    return np.asarray(np.divide(total, there.sum(axis=0), where=there.any(axis=0), out=np.full(total.shape, np.nan)))


def _mean_by(values: Floats, group: Ints, count: int) -> Floats:
    good = np.isfinite(values)
    total = np.bincount(group[good], values[good], count)
    many = np.bincount(group[good], minlength=count)
    return np.asarray(np.divide(total, many, where=many > 0, out=np.full(count, np.nan)))


def _faces(r: Readings, name: list[str]) -> tuple[Ints, list[ReadingFinding]]:
    """Return the face that each zenith angle shows: 0 .. 180 degrees is face 1, 180 .. 360 face 2."""
    shown = np.where(np.isnan(r.zenith), r.face, np.where(r.zenith % (2 * math.pi) < math.pi, 1, 2))
    # near the zenith an elevation angle or an index error may show the other face
    steep = np.abs(wrapped(np.nan_to_num(r.zenith, nan=1.5))) < _STEEP
    face = np.where(steep, r.face, shown).astype(np.intp)
    findings = []
    for booked in (1, 2):
        wrong = np.flatnonzero((face != r.face) & (r.face == booked))
        if wrong.size:
            where = _named(r.setup[wrong], name)
            text = (
                f"{wrong.size} readings of set-up {where} are booked as face {booked}, but their zenith angles are "
                f"those of face {3 - booked}: taken as face {3 - booked}"
            )
            findings.append(ReadingFinding("face", tuple(wrong.tolist()), text, False))
    return face, findings


def _elevations(r: Readings, name: list[str]) -> list[ReadingFinding]:
    steep = np.abs(wrapped(np.nan_to_num(r.zenith, nan=1.5))) < _STEEP
    back = np.abs(wrapped(np.nan_to_num(r.zenith, nan=1.5) - math.pi)) < _STEEP
    rows = np.flatnonzero(steep | (back & (r.face == 2)))
    if not rows.size:
        return []
    where = _named(r.setup[rows], name)
    text = (
        f"{rows.size} zenith angles of set-up {where} lie within {math.degrees(_STEEP):.0f} degrees of the zenith or "
        f"the nadir: are they elevation angles? A zenith angle is 90 degrees for a level sight"
    )
    return [ReadingFinding("elevation angle", tuple(rows.tolist()), text, True)]


def _pairs(r: Readings, face: Ints) -> tuple[Ints, Ints, Ints]:
    """Return rows of face 1 and face 2 of each target and round, -1 where there is none, and the round, (q,)."""
    n = len(r)
    order = np.lexsort((r.time, face, r.target, r.setup))
    triple = np.stack([r.setup[order], r.target[order], face[order]])
    fresh = np.ones(n, dtype=bool)
    fresh[1:] = (triple[:, 1:] != triple[:, :-1]).any(axis=0)
    begin = np.maximum.accumulate(np.where(fresh, np.arange(n), 0))
    turn = np.zeros(n, dtype=np.intp)
    turn[order] = np.arange(n) - begin  # how often the target was read in this face before
    most = int(turn.max()) + 1 if n else 1
    targets = int(r.target.max()) + 1 if n else 1
    key = (r.setup * targets + r.target) * most + turn
    which, back = np.unique(key, return_inverse=True)
    first, second = np.full(len(which), -1), np.full(len(which), -1)
    first[back[face == 1]] = np.flatnonzero(face == 1)
    second[back[face == 2]] = np.flatnonzero(face == 2)
    return first, second, which % most


def _units(index: Floats, first: Ints, second: Ints, setup: Ints, name: list[str]) -> list[ReadingFinding]:
    """Two faces sum to 360 degrees; in gon read as degrees to 400, in degrees read as gon to 324."""
    findings = []
    for excess, text in ((math.radians(40), "gon read as degrees"), (math.radians(-36), "degrees read as gon")):
        rows = np.flatnonzero(np.abs(np.nan_to_num(2 * index, nan=9.0) - excess) < _UNIT)
        if rows.size:
            where = _named(setup[rows], name)
            total = 360 + math.degrees(excess)
            findings.append(
                ReadingFinding(
                    "angle unit", tuple(np.concatenate([first[rows], second[rows]]).tolist()),
                    f"the zenith angles of both faces of set-up {where} sum to about {total:.0f} degrees, not 360: "
                    f"{text}?", True,
                )
            )  # fmt: skip
    return findings


def _named(setup: Ints, name: list[str]) -> str:
    """Return the set-ups for a message, the first six of many."""
    found = np.unique(setup).tolist()
    more = f" and {len(found) - 6} more" if len(found) > 6 else ""
    return ", ".join(name[i] for i in found[:6]) + more


def _single(both: Bools, has1: Bools, one: Ints, two: Ints, setup: Ints, name: list[str]) -> list[ReadingFinding]:
    alone = np.flatnonzero(~both)
    if not alone.size:
        return []
    where = _named(setup[alone], name)
    text = (
        f"{alone.size} sights of set-up {where} were read in one face only: freed of the collimation and index "
        f"error that the others show, where there are any, and given half the weight"
    )
    return [ReadingFinding("one face", tuple(np.where(has1, one, two)[alone].tolist()), text, False)]


def _rounds(s: Sights, turn: Ints, count: int) -> tuple[Floats, Sights]:
    """Return the scatter of the rounds, (s, 3), and their means."""
    targets = int(s.target.max()) + 1 if len(s) else 1
    both, group = np.unique(s.setup * targets + s.target, return_inverse=True)
    groups = len(both)
    # a direction that was read leads its group, so that their mean does not suffer where the circle begins anew
    order = np.lexsort((np.isnan(s.direction), group))
    lead = order[np.searchsorted(group[order], np.arange(groups))]
    deviation = (wrapped(s.direction - s.direction[lead][group]), s.zenith, s.distance)
    base = (s.direction[lead], np.zeros(groups), np.zeros(groups))
    scatter = np.full((count, 3), np.nan)
    means = []
    most = int(turn.max()) + 1 if len(turn) else 1
    round_of = s.setup * most + turn
    for kind in range(3):
        mean = _mean_by(deviation[kind], group, groups)
        means.append(base[kind] + mean)
        v = deviation[kind] - mean[group]
        if kind == 0:  # the circle may have turned between rounds
            v = v - _mean_by(v, round_of, count * most)[round_of]
        good = np.isfinite(v)
        square = np.bincount(s.setup[good], v[good] ** 2, count)
        seen, kinds = np.bincount(s.setup[good], minlength=count), _distinct(s.setup, group, good, count)
        turns = _distinct(s.setup, round_of, good, count)
        freedom = (turns - 1) * (kinds - 1) if kind == 0 else seen - kinds
        known = freedom > 0
        scatter[known, kind] = np.sqrt(square[known] / freedom[known])
    repeats = np.asarray(np.bincount(group, s.repeats, groups), dtype=np.float64)
    moment = np.full(groups, np.inf)
    np.minimum.at(moment, group, s.order)
    averaged = Sights(
        s.target[lead], np.asarray(means[0] % (2 * math.pi)), np.asarray(means[1]), np.asarray(means[2]),
        s.instrument_height[lead], s.target_height[lead], repeats, moment, s.setup[lead],
    )  # fmt: skip
    return scatter, averaged.rows(np.lexsort((moment, averaged.setup)))


def _distinct(setup: Ints, group: Ints, good: Bools, count: int) -> Ints:
    """Return how many groups each set-up has among good rows."""
    _, at = np.unique(group[good], return_index=True)
    return np.asarray(np.bincount(setup[good][at], minlength=count))


def foot_setups(sights: Sights, control: Control, setups: Sequence[str] = ()) -> list[ReadingFinding]:
    """Return set-ups whose distances look like feet where metres are wanted, or the other way about.

    The distance between two control points, from what the set-up read to them, is compared with the list.

    Parameters
    ----------
    sights : Sights
        To control points.
    control : Control
    setups : sequence of str
        Names for messages.
    """
    usable = np.flatnonzero(np.isfinite(sights.direction) & np.isfinite(sights.distance))
    order = usable[np.argsort(sights.setup[usable], kind="stable")]
    one, two = order[:-1], order[1:]
    same = sights.setup[one] == sights.setup[two]
    one, two = one[same], two[same]
    level = np.nan_to_num(np.sin(sights.zenith), nan=1.0) * sights.distance
    x, y = level * np.sin(sights.direction), level * np.cos(sights.direction)
    measured = np.hypot(x[one] - x[two], y[one] - y[two])
    listed = np.hypot(*(control.xyz[sights.target[one], :2] - control.xyz[sights.target[two], :2]).T)
    good = listed > 1.0
    one, ratio = one[good], measured[good] / listed[good]
    findings = []
    for factor, text in ((1 / _FOOT, "feet where metres are wanted"), (_FOOT, "metres where feet were taken")):
        hit = np.abs(ratio / factor - 1) < _CLOSE
        for setup in np.unique(sights.setup[one]).tolist():
            mine = sights.setup[one] == setup
            if hit[mine].mean() > 0.5:
                rows = usable[sights.setup[usable] == setup]
                name = setups[setup] if setup < len(setups) else str(setup)
                said = f"the distances of set-up {name} are {factor:.4f} times those of its control points: {text}?"
                findings.append(ReadingFinding("feet", tuple(rows.tolist()), said, True))
    return findings
