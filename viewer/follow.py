"""Follow measurements while they come in: every measurement of a slab is told at once. Nothing is written.

Ctrl-C ends it, as every command, with exit status 130.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from geometry.errors import Fault, InputError
from geometry.exchange.project import open_project
from geometry.exchange.readings_files import READINGS_FOLDER, readings_paths
from geometry.exchange.survey_files import POINTS_SUFFIXES, SURVEY_FOLDER, survey_paths
from geometry.exchange.workbook_sheets import WORKBOOK, is_book
from viewer.follow_page import say
from viewer.follower import Follower
from viewer.terminal import visible
from viewer.watching import Clock, Folder, Source, SystemClock

__all__ = ["follow"]


def follow(
    project: Path, survey: Path | None, interval: float, *, once: bool, until_idle: float | None,
    readings: Path | None = None, source: Source | None = None, readings_source: Source | None = None,
    clock: Clock | None = None,
) -> bool:  # fmt: skip
    """Follow folders until they are idle, or Ctrl-C.

    Parameters
    ----------
    project : Path
    survey, readings : Path, optional
        Folders to watch, of surveyed points and of readings. If neither is given those of the project: the survey
        if it has a file, else both.
    interval : float
        Between two looks, s.
    once : bool
        Look once and end.
    until_idle : float, optional
        End when nothing has changed for so long, s.
    source, readings_source, clock : optional
        Stand-ins for the folders and the computer's clock.

    Returns
    -------
    bool
        Whether every slab that was told of is within.

    Raises
    ------
    InputError
        If the project is faulty or there is no such folder. Faults of survey and readings are told, not raised.
    """
    read = open_project(project)
    for fault in read.warnings:
        sys.stderr.write(f"warning: {visible(str(fault))}\n")
    if not len(read.layout.names):
        raise InputError([Fault(str(project), "at least one slab in the layout", "none", "slabpose layout says why")])
    clock = clock or SystemClock()
    say((read.settings.name, "bold"), f": {len(read.layout.names)} slabs")
    if source is None and readings_source is None:
        folders = _folders(project, survey, readings)
        source, readings_source = (None if folder is None else Folder(folder) for folder in folders)
        for folder in filter(None, folders):
            say(f"watching {folder}")
        default = survey is None and readings is None
        for path in _not_watched(folders, project if default else None):
            say(f"not watching {path}: only comma separated files are read while they grow; slabpose check reads it")
        if survey is None and readings is None and folders[1] is None and readings_paths(project):
            say(f"not watching {project / READINGS_FOLDER}: name it with --readings, with --survey for both")
    follower = Follower(read, source, readings_source, clock)
    try:
        follower.start()
        if not once:
            _until(follower, clock, interval, until_idle)
    finally:
        follower.finish()
    return follower.all_within


def _folders(project: Path, survey: Path | None, readings: Path | None) -> tuple[Path | None, Path | None]:
    """Return the folders to watch."""
    for folder, option in ((survey, "--survey"), (readings, "--readings")):
        if folder is not None and not folder.is_dir():
            found = "a file" if folder.exists() else "nothing of that name"
            raise InputError([Fault(str(folder), "a folder to watch", found, f"make it, or name one with {option}")])
    if survey is not None or readings is not None:
        return survey, readings
    points, books = project / SURVEY_FOLDER, project / READINGS_FOLDER
    if any(path.parent == points for path in survey_paths(project)):
        return points, None
    if not points.is_dir() and not books.is_dir():
        raise InputError([Fault(str(points), f"a folder to watch, {SURVEY_FOLDER} or {READINGS_FOLDER}", "neither",
                                "make one, or name one with --survey or --readings")])  # fmt: skip
    return points if points.is_dir() else None, books if books.is_dir() else None


def _not_watched(folders: Sequence[Path | None], project: Path | None) -> list[Path]:
    """Return the tables beside those that are watched, in files that are of no use while they grow."""
    inside = [path for folder in filter(None, folders) for path in sorted(folder.iterdir())
              if is_book(path) or path.suffix.lower() in POINTS_SUFFIXES]  # fmt: skip
    books = [] if project is None else [*survey_paths(project), *readings_paths(project)]
    return [*inside, *dict.fromkeys(path for path in books if path.name == WORKBOOK)]


def _until(follower: Follower, clock: Clock, interval: float, until_idle: float | None) -> None:
    """Look again and again until nothing has changed for so long."""
    last = clock.seconds()
    while until_idle is None or clock.seconds() - last < until_idle:
        clock.wait(interval)
        if follower.look():
            last = clock.seconds()
