"""Follow a survey while it grows: every measurement of a slab is told at once. Nothing is written.

Ctrl-C ends it, as every command, with exit status 130.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from geometry.errors import Fault, InputError
from geometry.exchange.project import Project, open_project
from geometry.exchange.survey_files import SURVEY_FOLDER, StagedSurvey, read_stages
from geometry.placement import NOT_MEASURED, UNDECIDED, VERDICTS, WITHIN, SectionCheck, check_section
from geometry.placement.history import History
from geometry.survey import SurveyFinding
from geometry.survey.points import Ints
from viewer.follow_page import Measured, say, tell_slab
from viewer.growing import SurveyFiles, Voice
from viewer.history_page import history_of
from viewer.terminal import visible
from viewer.watching import Clock, Folder, Source, SystemClock

__all__ = ["Follower", "follow"]

Bools = npt.NDArray[np.bool_]
_CORNERS, _LEAST = 4, 3
# findings of the history that a check of the present epoch does not have
_OF_HISTORY = ("told differently", "told again", "no time", "stages out of order", "moved alike")
_COUNTS = ("told again", "no time", "moved alike")  # their texts change with every point: said once


def follow(
    project: Path, survey: Path | None, interval: float, *, once: bool, until_idle: float | None,
    source: Source | None = None, clock: Clock | None = None,
) -> bool:  # fmt: skip
    """Follow a folder until it is idle, or Ctrl-C.

    Parameters
    ----------
    project : Path
    survey : Path, optional
        Folder to watch; that of the project if not given.
    interval : float
        Between two looks, s.
    once : bool
        Look once and end.
    until_idle : float, optional
        End when nothing has changed for so long, s.
    source, clock : optional
        Stand-ins for the folder and the computer's clock.

    Returns
    -------
    bool
        Whether every slab that was told of is within.

    Raises
    ------
    InputError
        If the project is faulty or there is no such folder. Faults of the survey are told, not raised.
    """
    read = open_project(project)
    for fault in read.warnings:
        sys.stderr.write(f"warning: {visible(str(fault))}\n")
    if not len(read.layout.names):
        raise InputError([Fault(str(project), "at least one slab in the layout", "none", "slabpose layout says why")])
    folder = survey or project / SURVEY_FOLDER
    if source is None and not folder.is_dir():
        found = "a file" if folder.exists() else "nothing of that name"
        raise InputError([Fault(str(folder), "a folder to watch", found, "make it, or name one with --survey")])
    clock = clock or SystemClock()
    follower = Follower(read, source or Folder(folder), clock)
    say((read.settings.name, "bold"), f": {len(read.layout.names)} slabs")
    say(f"watching {folder}")
    try:
        follower.start()
        if not once:
            _until(follower, clock, interval, until_idle)
    finally:
        follower.finish()
    return follower.all_within


def _until(follower: Follower, clock: Clock, interval: float, until_idle: float | None) -> None:
    """Look again and again until nothing has changed for so long."""
    last = clock.seconds()
    while until_idle is None or clock.seconds() - last < until_idle:
        clock.wait(interval)
        if follower.look():
            last = clock.seconds()


class Follower:
    """What is known of a survey that grows.

    Every change reads all tables again and checks all slabs, which is a matter of some hundredths of a second;
    only the slabs with new points are told.
    """

    def __init__(self, project: Project, source: Source, clock: Clock) -> None:
        self._project, self._clock = project, clock
        self._voice = Voice(clock)
        self._files = SurveyFiles(project, source, self._voice)
        self._state: dict[Path, bytes] = {}
        self._survey: StagedSurvey | None = None
        self._history: History | None = None
        self._verdict = np.full(len(project.layout.names), NOT_MEASURED, dtype=np.int8)
        self._open: set[int] = set()  # slabs of which a measurement has begun
        self._shown: set[int] = set()

    @property
    def all_within(self) -> bool:
        """Whether every slab that was told of is within."""
        return all(self._verdict[slab] == WITHIN and slab not in self._open for slab in self._shown | self._open)

    def start(self) -> None:
        """Look for the first time: count verdicts, and tell of the slab that was measured last."""
        self._files.look()
        if not self._refresh() or self._history is None:
            say("no surveyed point yet; waiting")
            return
        if not len(self._history.epochs):
            say("no surveyed point on any slab yet; waiting")
            nobody = np.zeros(0, dtype=np.intp)
            self._tell_findings(self._check(nobody), nobody)
            return
        epochs = self._history.epochs
        current = np.array([epochs.slab[_last(epochs.end, epochs.of_point)]])
        begun = current[~self._complete(current)]
        answer = self._check(begun)
        self._verdict = answer.verdict.copy()
        say(", ".join(f"{int((answer.verdict == code).sum())} {text}" for code, text in enumerate(VERDICTS[:4])))
        self._open = set(begun.tolist())
        self._say_begun(begun)
        self._tell(answer, [] if begun.size else current.tolist())
        self._tell_findings(answer, current)

    def look(self) -> bool:
        """Look again and tell what is new; return whether any file changed or is not settled."""
        changed = self._files.look()
        before, former = self._survey, self._history
        if not self._refresh():
            return changed
        assert self._survey is not None  # _refresh has just made both
        assert self._history is not None
        fresh, lost = _difference(before, self._survey)
        epochs = self._history.epochs
        touched = epochs.of_point[fresh]
        touched = np.unique(touched[touched >= 0])
        slabs = np.unique(epochs.slab[touched])
        latest = np.zeros(len(epochs), dtype=bool)
        latest[epochs.latest] = True
        current = np.unique(epochs.slab[touched[latest[touched]]])
        disputed = self._newly_disputed()
        slabs = np.union1d(slabs, disputed)
        current = np.union1d(current, np.intersect1d(disputed, epochs.slab[latest & epochs.disputed]))
        if lost.size and before is not None and former is not None:
            self._say_lost(before, lost)
            gone = former.epochs.of_point[lost]
            slabs = np.union1d(slabs, former.epochs.slab[np.unique(gone[gone >= 0])])
        complete = self._complete(current)
        begun = current[~complete]
        # where the crew has gone on to another slab, nothing more comes for this one
        ended = sorted(self._open - set(current.tolist())) if current.size else []
        self._open = set(begun.tolist()) | (set() if current.size else self._open)
        self._say_begun(begun)
        answer = self._check(np.array(sorted(self._open), dtype=np.intp))
        self._tell(answer, [*self._enough(ended), *current[complete].tolist()])
        for slab in np.setdiff1d(slabs, current).tolist():
            self._say_added(slab)
        self._tell_findings(answer, np.setdiff1d(slabs, begun))
        return True

    def finish(self) -> None:
        """Tell of what has begun and was not finished."""
        if self._history is not None and self._open:
            whole = self._enough(sorted(self._open))
            self._open -= set(whole)
            self._tell(self._check(np.array(sorted(self._open), dtype=np.intp)), whole)
        self._files.tell_waiting()

    # --- numbers

    def _refresh(self) -> bool:
        """Read and fit everything again; return whether anything counts that is new."""
        if self._files.good == self._state or not self._files.good:
            return False
        self._state = dict(self._files.good)
        files = sorted(self._files.good)
        self._survey = read_stages(self._project, files, self._files.good)
        for fault in self._survey.warnings:
            self._voice.once(f"warning: {fault}")
        self._history = history_of(self._project, self._survey)
        return True

    def _corners(self, slab: int) -> int:
        """Return how many corners the last epoch of a slab has."""
        assert self._history is not None
        epochs = self._history.epochs
        return int(self._history.fits.measured[np.flatnonzero(epochs.slab == slab)[-1]].sum())

    def _complete(self, slabs: Ints) -> Bools:
        """Return of which slabs the last epoch has as many corners as are to be expected."""
        assert self._history is not None
        epochs = self._history.epochs
        count = self._history.fits.measured.sum(axis=1)
        last = np.zeros(len(self._project.layout.names), dtype=np.intp)
        last[epochs.slab[epochs.latest]] = epochs.latest
        at = last[slabs]
        has_before = epochs.ordinal[at] > 0
        # as many as the time before, if that was a whole measurement
        expected = np.where(has_before & (count[at - 1] >= _LEAST), np.minimum(count[at - 1], _CORNERS), _CORNERS)
        return np.asarray(count[at] >= expected)

    def _check(self, begun: Ints) -> SectionCheck:
        """Return the check of the last epoch with a pose of each slab; of those begun, of the one before."""
        assert self._history is not None
        assert self._survey is not None
        epochs, given, project = self._history.epochs, self._survey.given, self._project
        usable = self._history.fits.determined.copy()
        usable[epochs.latest[np.isin(epochs.slab[epochs.latest], begun)]] = False
        # a slab without any pose keeps its last points, so that the check says what it lacks
        use = np.full(len(project.layout.names), -1)
        use[epochs.slab] = np.arange(len(epochs))
        use[epochs.slab[usable]] = np.flatnonzero(usable)
        points = given.points
        # a point on no slab is told by the check; a reading told differently would count as measured again
        counts = (epochs.of_point < 0) & (points.slab < 0)
        on_slab = np.flatnonzero(epochs.of_point >= 0)
        counts[on_slab] = use[epochs.slab[epochs.of_point[on_slab]]] == epochs.of_point[on_slab]
        rows = np.flatnonzero(counts)
        layout = project.layout
        answer = check_section(
            project.targets, project.types, layout.type_index, layout.span, layout.names.tolist(),
            points.rows(rows), project.check_rules,
        )  # fmt: skip
        # two numbers for one reading prove nothing
        verdict = answer.verdict.copy()
        disputed = use[epochs.slab[epochs.disputed]] == np.flatnonzero(epochs.disputed)
        verdict[epochs.slab[epochs.disputed][disputed]] = UNDECIDED
        return replace(answer, verdict=verdict)

    # --- words

    def _tell(self, answer: SectionCheck, slabs: Iterable[int]) -> None:
        assert self._history is not None
        assert self._survey is not None
        h = self._history
        stages = [stage.casefold() for stage in self._survey.given.stages]
        first = self._project.settings.injection_stage.casefold()
        for slab in slabs:
            epoch = int(np.flatnonzero(h.epochs.slab == slab)[-1])
            before = h.movements.before[h.movements.after == epoch]
            tell_slab(self._project, answer, h, Measured(
                slab=slab,
                epoch=epoch,
                name=self._name(epoch),
                before=int(self._verdict[slab]),
                since=self._name(int(before[0])) if before.size else "",
                injected=first in stages and bool(h.epochs.stage[epoch] >= stages.index(first)),
                hour=self._clock.hour(),
            ))  # fmt: skip
            self._shown.add(slab)
            self._verdict[slab] = answer.verdict[slab]

    def _tell_findings(self, answer: SectionCheck, slabs: Ints) -> None:
        assert self._history is not None
        of_history = [f for f in self._history.findings if f.kind in _OF_HISTORY]
        told: list[SurveyFinding] = [*answer.findings, *of_history]
        for finding in told:
            if finding.slab < 0 or finding.slab in slabs:
                self._voice.once(finding.text, finding.kind if finding.kind in _COUNTS else None)

    def _newly_disputed(self) -> Ints:
        """Return the slabs of which a reading is told differently, and nobody has been told."""
        assert self._history is not None
        found = [
            f.slab for f in self._history.findings if f.kind == "told differently" and not self._voice.has_said(f.text)
        ]
        return np.unique(np.array(found, dtype=np.intp))

    def _name(self, epoch: int) -> str:
        assert self._history is not None
        assert self._survey is not None
        epochs = self._history.epochs
        return f"{self._survey.given.stages[int(epochs.stage[epoch])] or 'no stage'}, round {epochs.round[epoch]}"

    def _names(self, slab: int) -> tuple[str, str]:
        """Return the name of a slab, and of its last epoch."""
        assert self._history is not None
        epoch = int(np.flatnonzero(self._history.epochs.slab == slab)[-1])
        return str(self._project.layout.names[slab]), self._name(epoch)

    def _say_begun(self, slabs: Ints) -> None:
        for slab in slabs.tolist():
            name, epoch = self._names(slab)
            self._voice.say(f"{name}  {epoch}: {self._corners(slab)} of {_CORNERS} corners")

    def _enough(self, slabs: Sequence[int]) -> list[int]:
        """Return the slabs whose measurement ended with a pose; tell of the others."""
        for slab in slabs:
            if self._corners(slab) < _LEAST:
                name, epoch = self._names(slab)
                self._voice.say(f"{name}  {epoch}: ended with {self._corners(slab)} of {_CORNERS} corners: not judged")
        return [slab for slab in slabs if self._corners(slab) >= _LEAST]

    def _say_added(self, slab: int) -> None:
        assert self._history is not None
        name = str(self._project.layout.names[slab])
        if (self._history.epochs.slab == slab).any():
            self._voice.say(f"{name}  an earlier epoch has changed; {self._names(slab)[1]} is still the last")
        else:
            self._voice.say(f"{name}  has no points any more")

    def _say_lost(self, before: StagedSurvey, lost: Ints) -> None:
        points = before.given.points
        easting, northing, level = points.xyz[lost[0]].tolist()
        first = f"{points.label(int(lost[0]))} {easting:.4f}, {northing:.4f}, {level:.4f}"
        many = f"{len(lost)} points that were read are" if len(lost) > 1 else "1 point that was read is"
        self._voice.say(f"{many} gone or changed, first {first}; what stands there now counts")


def _last(end: npt.NDArray[np.datetime64], of_point: Ints) -> int:
    """Return the epoch with the latest reading, or the one read last where no time is known."""
    if np.isnat(end).all():
        return int(of_point[of_point >= 0][-1])
    return int(np.argmax(np.where(np.isnat(end), end[~np.isnat(end)].min(), end)))


def _difference(before: StagedSurvey | None, after: StagedSurvey) -> tuple[Ints, Ints]:
    """Return the points that are new, and those of before that are no longer there."""
    new = _keys(after)
    if before is None:
        return np.arange(len(new)), np.empty(0, dtype=np.intp)
    old = _keys(before)
    return np.flatnonzero(~np.isin(new, old)), np.flatnonzero(~np.isin(old, new))


def _keys(survey: StagedSurvey) -> npt.NDArray[np.void]:
    """Return one value per point that differs where coordinates or time do."""
    points = survey.given.points
    time = points.time.astype("datetime64[us]").astype(np.int64)
    both = np.column_stack([np.ascontiguousarray(points.xyz).view(np.int64).reshape(-1, 3), time])
    return np.ascontiguousarray(both).view(np.dtype((np.void, both.itemsize * 4))).ravel()
