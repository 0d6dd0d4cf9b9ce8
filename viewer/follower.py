"""What is known of measurements that come in, and telling what is new at every look."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from geometry.errors import Faults, InputError
from geometry.exchange.control_files import CONTROL_FILE
from geometry.exchange.epoch_files import StagedReadings, read_staged_readings, together
from geometry.exchange.fieldwork_files import read_fieldwork
from geometry.exchange.project import Project, digest
from geometry.exchange.survey_files import StagedSurvey, read_stages
from geometry.exchange.workbook_sheets import table_file
from geometry.placement import NOT_MEASURED, UNDECIDED, VERDICTS, WITHIN, SectionCheck
from geometry.placement.epoch_marks import IN_DOUBT
from geometry.survey import SurveyFinding
from geometry.survey.fieldwork import Solved
from geometry.survey.points import Ints
from viewer.follow_page import Measured, say, tell_changes, tell_slab
from viewer.growing import GrowingFiles, Voice, without_faulty
from viewer.history_page import history_of
from viewer.look import CORNERS, LEAST, Keys, Look, lost_since, told_of
from viewer.setup_watch import SetupWatch
from viewer.watching import Clock, Source

__all__ = ["Follower"]

# findings of the history that a check of the present epoch does not have
_OF_HISTORY = ("told differently", "told again", "no time", "stages out of order", "moved alike")
_COUNTS = ("told again", "no time", "moved alike")  # their texts change with every point: said once
_PASSES = 20  # readings until lines of several files that contradict each other are found


class Follower:
    """What is known of measurements that come in.

    Every change reads all tables again and checks all slabs, which is a matter of some hundredths of a second; of
    set-ups only those with new sights to control are solved again, and only the slabs with new points are told.
    """

    def __init__(self, project: Project, points: Source | None, books: Source | None, clock: Clock) -> None:
        self._project, self._clock = project, clock
        self._voice = Voice(clock)

        def read_book(path: Path, lines: bytes) -> None:
            read_fieldwork(project, [path], Faults(), contents={path: lines})

        def read_points(path: Path, lines: bytes) -> None:
            read_stages(project, [path], {path: lines})

        self._points = None if points is None else GrowingFiles(points, self._voice, read_points)
        self._books = None if books is None else GrowingFiles(books, self._voice, read_book)
        self._setups = SetupWatch(self._voice)
        self._solved: Solved = {}  # set-ups, by the control points of `_control`
        self._control = ""
        self._state: tuple[dict[Path, bytes], ...] = ({}, {})
        self._surveyed: StagedSurvey | None = None
        self._worked: StagedReadings | None = None
        self._now: Look | None = None
        self._known: Keys = np.empty(0, dtype=np.dtype((np.void, 49)))  # readings and points that were told of
        self._verdict = np.full(len(project.layout.names), NOT_MEASURED, dtype=np.int8)
        self._open: set[int] = set()  # slabs of which a measurement has begun
        self._shown: set[int] = set()

    @property
    def all_within(self) -> bool:
        """Whether every slab that was told of is within."""
        return all(self._verdict[slab] == WITHIN and slab not in self._open for slab in self._shown | self._open)

    def start(self) -> None:
        """Look for the first time: count verdicts, and tell of the slab that was measured last."""
        self._see()
        if not self._refresh():
            say("nothing measured yet; waiting")
            return
        if self._worked is not None:
            self._setups.tell(self._worked, first=True)
        now = self._now
        if now is None:
            say("nothing that can be used yet; waiting")
            return
        self._known = told_of(now, self._known)[1]
        if not len(now.history.epochs):
            say("nothing measured on any slab yet; waiting")
            nobody = np.zeros(0, dtype=np.intp)
            self._tell_findings(now, now.check(nobody), nobody)
            return
        current = np.array([now.history.epochs.slab[now.read_last()]])
        begun = current[~now.complete(current)]
        answer = now.check(begun)
        self._verdict = answer.verdict.copy()
        say(", ".join(f"{int((answer.verdict == code).sum())} {text}" for code, text in enumerate(VERDICTS[:4])))
        self._open = set(begun.tolist())
        self._say_begun(now, begun)
        self._tell(now, answer, [] if begun.size else current.tolist())
        self._tell_findings(now, answer, current)

    def look(self) -> bool:
        """Look again and tell what is new; return whether any file changed or is not settled."""
        changed = self._see()
        before = self._now
        if not self._refresh():
            return changed
        if self._worked is not None:
            self._setups.tell(self._worked, first=False)
        now = self._now
        if now is None:
            return True
        fresh, self._known = told_of(now, self._known)
        lost = lost_since(before, now)
        epochs = now.history.epochs
        touched = epochs.of_point[fresh]
        touched = np.unique(touched[touched >= 0])
        slabs = np.unique(epochs.slab[touched])
        latest = np.zeros(len(epochs), dtype=bool)
        latest[epochs.latest] = True
        current = np.unique(epochs.slab[touched[latest[touched]]])
        disputed = self._newly_disputed(now)
        slabs = np.union1d(slabs, disputed)
        current = np.union1d(current, np.intersect1d(disputed, epochs.slab[latest & epochs.disputed]))
        if lost.size and before is not None:
            self._say_lost(before.survey, lost)
            gone = before.history.epochs.of_point[lost]
            slabs = np.union1d(slabs, before.history.epochs.slab[np.unique(gone[gone >= 0])])
        complete = now.complete(current)
        begun = current[~complete]
        # where the crew has gone on to another slab, nothing more comes for this one
        ended = sorted(self._open - set(current.tolist())) if current.size else []
        self._open = set(begun.tolist()) | (set() if current.size else self._open)
        self._open &= set(epochs.slab.tolist())
        self._say_begun(now, begun)
        answer = now.check(np.array(sorted(self._open), dtype=np.intp))
        told = [*self._enough(now, ended), *current[complete].tolist()]
        self._tell(now, answer, told)
        for slab in np.setdiff1d(slabs, current).tolist():
            self._say_added(now, slab)
        self._tell_otherwise(answer)
        self._tell_findings(now, answer, np.setdiff1d(slabs, begun))
        return True

    def finish(self) -> None:
        """Tell of what has begun and was not finished."""
        if self._now is not None and self._open:
            whole = self._enough(self._now, sorted(self._open))
            self._open -= set(whole)
            self._tell(self._now, self._now.check(np.array(sorted(self._open), dtype=np.intp)), whole)
        if self._worked is not None:
            self._setups.finish(self._worked)
        for files in filter(None, (self._points, self._books)):
            files.tell_waiting()

    # --- numbers

    def _see(self) -> bool:
        """Look at all folders; return whether any file changed or is not settled."""
        return any([files.look() for files in (self._points, self._books) if files is not None])  # noqa: C419 - all look

    def _refresh(self) -> bool:
        """Read what changed and fit everything again; return whether anything counts that is new."""
        points, books = (dict(files.good) if files is not None else {} for files in (self._points, self._books))
        if (points, books) == self._state or not (points or books):
            return False
        if points != self._state[0]:
            self._surveyed = read_stages(self._project, sorted(points), points) if points else None
        if books != self._state[1]:
            self._worked = self._work_up(books) if books else None
        self._state = points, books
        marks = None if self._worked is None else self._worked.marks
        survey = marks or self._surveyed
        if self._surveyed is not None and marks is not None:
            survey = together(self._project, self._surveyed, marks)
        if survey is None:
            self._now = None
            return True
        for fault in survey.warnings:
            self._voice.once(f"warning: {fault}")
        self._now = Look(self._project, survey, history_of(self._project, survey), self._worked)
        return True

    def _work_up(self, books: dict[Path, bytes]) -> StagedReadings | None:
        """Return what readings come to, without lines that contradict others; what it was where none can be named."""
        for _ in range(_PASSES):
            try:
                # control points may be added while the work goes on
                control = digest(table_file(self._project.folder / CONTROL_FILE))
                if control != self._control:
                    self._solved.clear()
                    self._control = control
                return read_staged_readings(self._project, sorted(books), books, self._solved)
            except InputError as error:
                for fault in error.faults:
                    self._voice.once(f"{fault}; left out until it is mended")
                better = without_faulty(books, error)
                if better is None:
                    break
                books = better
        return self._worked

    # --- words

    def _tell(self, now: Look, answer: SectionCheck, slabs: Iterable[int]) -> None:
        h = now.history
        stages = [stage.casefold() for stage in now.survey.given.stages]
        first = self._project.settings.injection_stage.casefold()
        for slab in slabs:
            epoch = now.last(slab)
            before = h.movements.before[h.movements.after == epoch]
            tell_slab(self._project, answer, h, Measured(
                slab=slab,
                epoch=epoch,
                name=now.name(epoch),
                before=int(self._verdict[slab]),
                since=now.name(int(before[0])) if before.size else "",
                injected=first in stages and bool(h.epochs.stage[epoch] >= stages.index(first)),
                hour=self._clock.hour(),
            ))  # fmt: skip
            self._shown.add(slab)
            self._verdict[slab] = answer.verdict[slab]

    def _tell_otherwise(self, answer: SectionCheck) -> None:
        """Tell slabs that are judged otherwise than was told, though nothing new was measured of them."""
        told = self._verdict != NOT_MEASURED
        told[list(self._shown)] = True
        other = told & (answer.verdict != self._verdict)
        # a set-up in doubt may be without a place for some sights: what it saw stays undecided
        other &= ~((self._verdict == UNDECIDED) & (answer.verdict == NOT_MEASURED))
        other[list(self._open)] = False
        slabs = np.flatnonzero(other)
        if slabs.size:
            tell_changes(self._project, answer, slabs, self._verdict[slabs], self._clock.hour())
            self._shown |= set(slabs.tolist())
            self._verdict[slabs] = answer.verdict[slabs]

    def _tell_findings(self, now: Look, answer: SectionCheck, slabs: Ints) -> None:
        of_history = [f for f in now.history.findings if f.kind in _OF_HISTORY]
        # what set-ups are in doubt is told with their own findings
        told: list[SurveyFinding] = [f for f in (*answer.findings, *of_history) if f.kind != IN_DOUBT]
        for finding in told:
            if finding.slab < 0 or finding.slab in slabs:
                self._voice.once(finding.text, finding.kind if finding.kind in _COUNTS else None)

    def _newly_disputed(self, now: Look) -> Ints:
        """Return the slabs of which a reading is told differently, and nobody has been told."""
        found = [
            f.slab for f in now.history.findings if f.kind == "told differently" and not self._voice.has_said(f.text)
        ]
        return np.unique(np.array(found, dtype=np.intp))

    def _names(self, now: Look, slab: int) -> tuple[str, str]:
        """Return the name of a slab, and of its last epoch."""
        return str(self._project.layout.names[slab]), now.name(now.last(slab))

    def _say_begun(self, now: Look, slabs: Ints) -> None:
        for slab in slabs.tolist():
            name, epoch = self._names(now, slab)
            again = now.second_face(slab)
            face = f", {again} of them in both faces" if again else ""
            self._voice.say(f"{name}  {epoch}: {now.corners(slab)} of {CORNERS} corners{face}")

    def _enough(self, now: Look, slabs: Sequence[int]) -> list[int]:
        """Return the slabs whose measurement ended with a pose; tell of the others."""
        there = [slab for slab in slabs if (now.history.epochs.slab == slab).any()]
        for slab in there:
            if now.corners(slab) < LEAST:
                name, epoch = self._names(now, slab)
                self._voice.say(f"{name}  {epoch}: ended with {now.corners(slab)} of {CORNERS} corners: not judged")
        return [slab for slab in there if now.corners(slab) >= LEAST]

    def _say_added(self, now: Look, slab: int) -> None:
        name = str(self._project.layout.names[slab])
        if (now.history.epochs.slab == slab).any():
            self._voice.say(f"{name}  an earlier epoch has changed; {self._names(now, slab)[1]} is still the last")
        else:
            self._voice.say(f"{name}  has no points any more")

    def _say_lost(self, before: StagedSurvey, lost: Ints) -> None:
        points = before.given.points
        easting, northing, level = points.xyz[lost[0]].tolist()
        first = f"{points.label(int(lost[0]))} {easting:.4f}, {northing:.4f}, {level:.4f}"
        many = f"{len(lost)} points that were read are" if len(lost) > 1 else "1 point that was read is"
        self._voice.say(f"{many} gone or changed, first {first}; what stands there now counts")
