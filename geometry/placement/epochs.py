"""When each slab was measured: its epochs, in order of stage, round and time.

An epoch is one pass over the marks of one slab. A new one begins where a mark comes that this pass has
already, and where the set-up changes once the pass has three marks. A later file adds; what is read first
stays.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from geometry.alignment.laws import Floats
from geometry.survey import SurveyFinding, SurveyPoints
from geometry.survey.points import Ints

__all__ = ["MIXED_SETUPS", "NO_SETUP", "Epochs", "StagedPoints", "split_epochs"]

Times = npt.NDArray[np.datetime64]
NO_SETUP, MIXED_SETUPS = 0, -1
_ENOUGH = 3  # marks that determine a slab
_SAME = 5e-5  # readings of one moment that differ by less are one reading, written with other decimals, m


@dataclass(frozen=True, eq=False)
class StagedPoints:
    """Surveyed points of all stages, in the order in which files and lines give them.

    Attributes
    ----------
    points : SurveyPoints
        p points.
    stage : ndarray of int, shape (p,)
        Place in `stages`.
    stages : tuple of str
        In the order in which a slab goes through them; "" where a file names none.
    setups : tuple of str
        Names of set-ups by the code that the points carry; "" for 0.
    """

    points: SurveyPoints
    stage: Ints
    stages: tuple[str, ...]
    setups: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Epochs:
    """The epochs of all slabs, in order of slab, stage and round; arrays of shape (e,).

    Attributes
    ----------
    slab, stage : ndarray of int
        Index of the slab, and place in the list of stages.
    round : ndarray of int
        From 1: how often the slab had been measured in this stage.
    start, end : ndarray of datetime64
        First and last reading, NaT where no time is known.
    setup : ndarray of int
        Code of the set-up; `NO_SETUP` where none is named, `MIXED_SETUPS` where there are several.
    disputed : ndarray of bool
        Whether a reading of it is told differently elsewhere in the survey.
    of_point : ndarray of int, shape (p,)
        Epoch of each point, -1 for points that are on no slab or do not count.
    findings : tuple of SurveyFinding
    """

    slab: Ints
    stage: Ints
    round: Ints
    start: Times
    end: Times
    setup: Ints
    disputed: npt.NDArray[np.bool_]
    of_point: Ints
    findings: tuple[SurveyFinding, ...]

    def __len__(self) -> int:
        return len(self.slab)

    @property
    def ordinal(self) -> Ints:
        """How many epochs the slab had before, shape (e,)."""
        return _number_in(self.slab)

    @property
    def latest(self) -> Ints:
        """The last epoch of each slab that has one."""
        return np.flatnonzero(np.diff(self.slab, append=-1) != 0)


def _number_in(group: Ints) -> Ints:
    """Return the place of each entry within its run of equal values."""
    first = np.flatnonzero(np.diff(group, prepend=-1) != 0)
    return np.arange(len(group)) - np.repeat(first, np.diff(first, append=len(group)))


def split_epochs(
    targets: Floats, given: StagedPoints, slab_names: Sequence[str], mark_name: Callable[[int, int], str],
    radius: float,
) -> Epochs:  # fmt: skip
    """Return the epochs of each slab.

    Parameters
    ----------
    targets : ndarray, shape (n, m, 3)
        Target places of the marks in the grid, m; nan where a slab has fewer marks.
    given : StagedPoints
    slab_names : sequence of str, length n
    mark_name : callable
        ``mark_name(slab, mark)`` names a mark.
    radius : float
        A point belongs to the mark whose target is nearest within this, m, else to the mark it names.
    """
    points, findings = given.points, list[SurveyFinding]()
    place = _places(targets, points, radius)
    m = targets.shape[1]

    def what(row: int) -> str:
        slab, mark = divmod(int(place[row]), m)
        return f"{mark_name(slab, mark)} of slab {slab_names[slab]}"

    rows, contradicted = _first_told(given, place, what, m, findings)
    slab = place[rows] // m
    life = slab * len(given.stages) + given.stage[rows]
    order, timed = _in_order(life, points.time[rows])
    rows, slab, life = rows[order], slab[order], life[order]
    begins = _begins(life, place[rows], points.setup[rows])
    first = np.flatnonzero(begins)
    of_point = np.full(len(points), -1)
    of_point[rows] = np.cumsum(begins) - 1
    disputed = np.zeros(len(first), dtype=bool)
    disputed[of_point[contradicted]] = True
    time, setup = points.time[rows], points.setup[rows]
    low, high = (np.minimum.reduceat(setup, first), np.maximum.reduceat(setup, first)) if len(first) else (setup, setup)
    epochs = Epochs(
        slab=slab[first],
        stage=given.stage[rows[first]],
        round=_number_in(life[first]) + 1,
        start=np.fmin.reduceat(time, first) if len(first) else time,
        end=np.fmax.reduceat(time, first) if len(first) else time,
        setup=np.where(low == high, low, MIXED_SETUPS).astype(np.intp),
        disputed=disputed,
        of_point=of_point,
        findings=(),
    )
    _tell_order(epochs, given.stages, slab_names, timed[order][first], findings)
    return replace(epochs, findings=tuple(findings))


def _places(targets: Floats, points: SurveyPoints, radius: float) -> Ints:
    """Return for each point the mark it measures, slab * marks + mark, or -1; where it lies tells before its name."""
    flat = targets.reshape(-1, 3)
    exists = np.flatnonzero(np.isfinite(flat).all(axis=1))
    named = (points.slab >= 0) & (points.mark >= 0)
    place = np.where(named, points.slab * targets.shape[1] + points.mark, -1)
    if not len(points) or not exists.size:
        return place
    apart, nearest = cKDTree(flat[exists]).query(points.xyz, distance_upper_bound=radius)
    found = np.asarray(np.isfinite(apart))
    place[found] = exists[np.asarray(nearest)[found]]
    return place


def _first_told(
    given: StagedPoints, place: Ints, what: Callable[[int], str], m: int, findings: list[SurveyFinding]
) -> tuple[Ints, Ints]:
    """Return the rows that count, of what is told again the first, and those that another row contradicts."""
    p = given.points
    rows = np.flatnonzero(place >= 0)
    untimed = np.isnat(p.time[rows])
    moment = np.where(untimed, 0, p.time[rows].astype("datetime64[us]").astype(np.int64))
    # without a time only a row that is equal to the last digit is the same reading
    alike = [np.where(untimed, p.xyz[rows, i], 0.0) for i in range(3)]
    keys = [place[rows], given.stage[rows], p.setup[rows], untimed.astype(np.intp), moment, *alike]
    order = np.lexsort(keys[::-1])
    new = np.ones(len(rows), dtype=bool)
    new[1:] = np.any([np.diff(key[order]) != 0 for key in keys], axis=0)
    rows = rows[order]
    first = rows[np.maximum.accumulate(np.where(new, np.arange(len(rows)), 0))] if len(rows) else rows
    apart = np.abs(p.xyz[rows] - p.xyz[first]).max(axis=1) if len(rows) else np.empty(0)
    differs = ~new & ~(apart <= _SAME)
    for i in np.flatnonzero(differs).tolist():
        text = (
            f"{what(int(rows[i]))} has two readings of one moment, {apart[i] * 1e3:.1f} mm apart: "
            f"{_told(p, int(first[i]))} and {_told(p, int(rows[i]))}; the first counts, nothing is replaced"
        )
        findings.append(SurveyFinding("told differently", int(place[rows[i]]) // m, text, withholds=True))
    again = int((~new & (apart <= _SAME)).sum())
    if again:
        many = f"{again} readings stand" if again > 1 else "1 reading stands"
        text = f"{many} in the survey twice and count{'s' * (again == 1)} once"
        findings.append(SurveyFinding("told again", -1, text, withholds=False))
    return np.sort(rows[new]), np.unique(first[differs])


def _told(points: SurveyPoints, row: int) -> str:
    easting, northing, level = points.xyz[row].tolist()
    return f"{points.label(row)} {easting:.4f}, {northing:.4f}, {level:.4f}"


def _in_order(life: Ints, time: Times) -> tuple[Ints, npt.NDArray[np.bool_]]:
    """Return the order by slab and stage, then time, or place in the files where a time lacks; and where times tell."""
    lacking = np.zeros(int(life.max(initial=-1)) + 1, dtype=bool)
    lacking[life[np.isnat(time)]] = True
    timed = ~lacking[life] if len(life) else np.zeros(0, dtype=bool)
    moment = np.where(timed, time.astype("datetime64[us]").astype(np.int64), 0)
    return np.lexsort((np.arange(len(life)), moment, life)), timed


def _begins(life: Ints, place: Ints, setup: Ints) -> npt.NDArray[np.bool_]:
    """Return which rows begin an epoch; rows in order of slab, stage, time."""
    k = len(life)
    begins = np.zeros(k, dtype=bool)
    if not k:
        return begins
    at = np.arange(k)
    first = np.flatnonzero(np.diff(life, prepend=-1) != 0)
    size = np.diff(first, append=k)
    end = np.repeat(first + size, size)
    # where the same mark comes next
    by_mark = np.lexsort((at, place, life))
    same = (np.diff(life[by_mark]) == 0) & (np.diff(place[by_mark]) == 0)
    again = np.full(k, k)
    again[by_mark[:-1][same]] = by_mark[1:][same]
    # the first repetition of any mark from here on: what a pass that begins here runs into
    repeats = np.minimum.accumulate(again[::-1])[::-1]
    changes = np.zeros(k, dtype=bool)
    changes[1:] = (np.diff(life) == 0) & (np.diff(setup) != 0) & (setup[1:] != NO_SETUP) & (setup[:-1] != NO_SETUP)
    change = np.append(np.minimum.accumulate(np.where(changes, at, k)[::-1])[::-1], k)
    start = first
    while start.size:  # all slabs at once, round by round
        begins[start] = True
        following = np.minimum(repeats[start], change[np.minimum(start + _ENOUGH, k)])
        start = following[following < end[start]]
    return begins


def _tell_order(
    epochs: Epochs, stages: tuple[str, ...], slab_names: Sequence[str], timed: npt.NDArray[np.bool_],
    findings: list[SurveyFinding],
) -> None:  # fmt: skip
    """Tell of stages that times put in another order, and of rounds that no time puts in order."""
    follows = np.diff(epochs.slab, prepend=-1) == 0
    before = np.roll(epochs.end, 1)
    for i in np.flatnonzero(follows & (epochs.start < before)).tolist():
        names = [stages[int(epochs.stage[j])] or "no stage named" for j in (i, i - 1)]
        text = (
            f"slab {slab_names[int(epochs.slab[i])]}: {names[0]}, round {epochs.round[i]}, was measured before "
            f"{names[1]}, round {epochs.round[i - 1]}; they stand in the order of the project's stages"
        )
        findings.append(SurveyFinding("stages out of order", int(epochs.slab[i]), text, withholds=False))
    untimed = (epochs.round > 1) & ~timed
    count = len(np.unique(epochs.slab[untimed]))
    if count:
        slabs = f"{count} slab{'s' * (count > 1)}"
        text = f"rounds of {slabs} are counted in the order of files and lines, as not every reading has its time"
        findings.append(SurveyFinding("no time", -1, text, withholds=False))
