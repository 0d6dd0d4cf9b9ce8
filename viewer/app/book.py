"""What is known of a project folder now: read once for all browser sessions, and again when a file changes."""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from geometry.errors import Fault, InputError, SlabposeError
from geometry.exchange.epoch_files import read_epochs
from geometry.exchange.history_tables import epoch_table
from geometry.exchange.project import PROJECT_FILE, Project, open_project
from geometry.exchange.readings_files import readings_paths
from geometry.exchange.results import Columns, corner_table, joint_table, slab_table
from geometry.exchange.survey_files import survey_paths
from geometry.exchange.workbook_sheets import table_files
from geometry.placement import SectionCheck, check_section
from geometry.survey.fieldwork import Solved
from geometry.survey.points import SurveyPoints
from viewer.checked import section_of
from viewer.history_page import history_of
from viewer.layer import Layer, Source
from viewer.running import check_of
from viewer.section import Section
from viewer.watching import complete_lines

if TYPE_CHECKING:
    from viewer.posed import Planning

__all__ = ["LATEST", "Book", "Edition"]

LATEST = ""
"""The stage that stands for the last one of each slab."""
_FOLDERS = ("survey", "readings", "bed")


@dataclass(frozen=True, eq=False)
class Edition:
    """A section as it was checked by the files of one moment and one stage.

    Parameters
    ----------
    number : int
        Grows with every reading of the files.
    hour : str
        Local time of day at which the files were read.
    project : Project
    check : SectionCheck
    section : Section
    surveyed : bool
        Whether there is any survey.
    warnings : tuple of Fault
    """

    number: int
    hour: str
    project: Project
    check: SectionCheck
    section: Section
    surveyed: bool
    warnings: tuple[Fault, ...]
    _solved: Solved = field(default_factory=dict, repr=False)
    _made: dict[str, list[Layer]] = field(default_factory=dict, repr=False)
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False)

    @cached_property
    def sources(self) -> Mapping[str, Source]:
        """What each choice of colour is worked out by."""
        from viewer.decided import layer_sources  # brings the solvers along, which the first page does not need

        return layer_sources(self.project, self.check, self.section, planning=self.planning)

    @cached_property
    def planning(self) -> Planning:
        """The correction plan, made when it is first asked for."""
        from viewer.posed import Planning

        return Planning(self.project, self.check)

    def ready(self, name: str) -> bool:
        """Return whether the layers of a name need no working out that takes time."""
        return name in self._made or name in ("across", "along", "up")

    def layers(self, name: str) -> list[Layer]:
        """Return the layers of a name, worked out once.

        Raises
        ------
        SlabposeError
            If the project lacks what they are worked out from.
        """
        with self._lock:
            if name not in self._made:
                self._made[name] = list(self.sources[name]())
            return self._made[name]

    @cached_property
    def slabs(self) -> Columns:
        """One row per slab."""
        return slab_table(self.project, self.check)

    @cached_property
    def corners(self) -> Columns:
        """One row per mark of each slab."""
        return corner_table(self.project, self.check)

    @cached_property
    def joints(self) -> Columns:
        """One row per joint."""
        return joint_table(self.project, self.check)

    @cached_property
    def epochs(self) -> Columns | None:
        """One row per measurement of a slab; None if the files have no history that can be read."""
        points = survey_paths(self.project.folder)
        books = [] if points else readings_paths(self.project.folder)
        if not points and not books:
            return None
        try:
            with _complete(points) as whole:
                read, _ = read_epochs(self.project, whole, books, self._solved)
            return epoch_table(self.project, read.given, history_of(self.project, read))
        except SlabposeError:
            return None

    @cached_property
    def needs_work(self) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Which slabs are not within, shape (n,)."""
        return np.asarray(self.check.verdict != 0)


class Book:
    """The editions of a project folder.

    `look` reads files and takes time; everything else answers at once. Both may run in different threads.

    Parameters
    ----------
    folder : Path

    Attributes
    ----------
    trouble : tuple of Fault
        Why the files as they are now cannot be read; what was read before still counts.
    stages : tuple of str
        Stages that the survey has, in their order.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.trouble: tuple[Fault, ...] = ()
        self.stages: tuple[str, ...] = ()
        self._editions: dict[str, Edition] = {}
        self._number = 0
        self._project: Project | None = None
        self._stamps: dict[Path, tuple[int, int]] | None = None
        self._read: dict[Path, tuple[int, int]] | None = None
        self._solved: Solved = {}  # set-ups of all editions: only those with other sights are solved anew
        self._lock = threading.Lock()

    @property
    def number(self) -> int:
        """How often the files were read."""
        return self._number

    @property
    def latest(self) -> Edition | None:
        """The edition of the last stage of each slab; None as long as nothing could be read."""
        return self._editions.get(LATEST)

    def look(self) -> bool:
        """Read the files if they changed and have come to rest; return whether anything is new.

        The first look reads at once. A file that is being written is read when it was the same at two looks.
        """
        stamps = self._seen()
        settled = self._read is None or stamps == self._stamps
        self._stamps = stamps
        if not settled or stamps == self._read:
            return False
        with self._lock:
            self._read_all(stamps)
            self._read = stamps
        return True

    def edition(self, stage: str) -> Edition | None:
        """Return the edition of a stage, read if need be; None if nothing could be read.

        Raises
        ------
        SlabposeError
            If the survey cannot be read by that stage alone.
        """
        with self._lock:
            latest = self.latest
            if latest is None or stage == LATEST or stage not in self.stages:
                return latest
            found = self._editions.get(stage)
            if found is None:
                found = self._editions[stage] = self._checked(latest.project, stage)
            return found

    def _seen(self) -> dict[Path, tuple[int, int]]:
        """Return time of change and size of every file that counts."""
        places = [self.folder / PROJECT_FILE, *table_files(self.folder)]
        for name in _FOLDERS:
            inside = self.folder / name
            places += sorted(inside.iterdir()) if inside.is_dir() else []
        found = {}
        for path in dict.fromkeys(places):
            try:
                status = path.stat()
            except OSError:
                continue
            if not path.is_dir():
                found[path] = status.st_mtime_ns, status.st_size
        return found

    def _read_all(self, stamps: Mapping[Path, tuple[int, int]]) -> None:
        before = {path: stamp for path, stamp in (self._read or {}).items() if path.parent == self.folder}
        same = self._project is not None and before == {p: s for p, s in stamps.items() if p.parent == self.folder}
        self._number += 1
        try:
            project = self._project if same and self._project is not None else open_project(self.folder)
            if not len(project.layout.names):
                raise InputError([Fault("layout.csv", "at least one slab", "none",
                                        "slabpose layout says why there is no room")])  # fmt: skip
            latest = self._checked(project, LATEST)
        except InputError as error:
            self.trouble = error.faults
        except SlabposeError as error:
            self.trouble = (Fault(self.folder.name, "a project that can be worked out", str(error)),)
        else:
            self._project = project
            self.trouble = ()
            self.stages = self._stages(latest)
            self._editions = {LATEST: latest}

    def _checked(self, project: Project, stage: str) -> Edition:
        """Return an edition by the files as they are, lines that are only half written left out."""
        hour = datetime.now().astimezone().strftime("%H:%M:%S")
        points = survey_paths(project.folder)
        if not points and not readings_paths(project.folder):
            check = _unsurveyed(project)
            return Edition(
                self._number, hour, project, check, section_of(project, check), False, project.warnings, self._solved
            )  # fmt: skip
        with _complete(points) as whole:
            survey, check = check_of(project, whole, stage or None, solved=self._solved)
        section = section_of(project, check)
        return Edition(
            self._number, hour, project, check, section, True, (*project.warnings, *survey.warnings), self._solved
        )  # fmt: skip

    @staticmethod
    def _stages(latest: Edition) -> tuple[str, ...]:
        epochs = latest.epochs
        if epochs is None:
            return ()
        found = {str(stage) for stage in epochs["stage"].tolist() if stage}
        order = [stage for stage in latest.project.settings.survey.stages if stage in found]
        return (*order, *sorted(found - set(order)))


@contextmanager
def _complete(paths: Sequence[Path]) -> Iterator[list[Path]]:
    """Yield files to read in place of others: copies without a last line that is only half written."""
    with tempfile.TemporaryDirectory(prefix="slabpose-") as aside:
        yield [_whole(path, Path(aside)) for path in paths]


def _whole(path: Path, aside: Path) -> Path:
    """Return a file, or a copy of its complete lines if a last one is only half written."""
    if path.suffix.lower() != ".csv":
        return path
    lines, waits = complete_lines(path.read_bytes())
    if not waits or not lines:
        return path
    copy = aside / path.name
    copy.write_bytes(lines)
    return copy


def _unsurveyed(project: Project) -> SectionCheck:
    """Return the check of a section of which nothing is measured yet."""
    none = np.empty(0, dtype=np.intp)
    points = SurveyPoints(
        xyz=np.empty((0, 3)), sigma=np.empty((0, 3)), slab=none, mark=none, setup=none,
        time=np.empty(0, dtype="datetime64[us]"), label=str,
    )  # fmt: skip
    layout = project.layout
    return check_section(
        project.targets, project.types, layout.type_index, layout.span, layout.names.tolist(), points,
        project.check_rules,
    )  # fmt: skip
