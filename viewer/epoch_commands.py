"""What the commands history and follow do."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from geometry.errors import Faults
from geometry.exchange.cells import near
from geometry.exchange.epoch_files import read_epochs
from geometry.exchange.history_tables import EPOCH_DECIMALS, epoch_table
from geometry.exchange.project import open_project
from geometry.exchange.readings_files import READINGS_FOLDER, readings_paths
from geometry.exchange.survey_files import survey_paths
from viewer.cli.options import NOT_ALL_WITHIN, OK
from viewer.running import kept, out, to_reader, warn
from viewer.terminal import Progress

__all__ = ["run_follow", "run_history"]


def run_history(
    project: Path, survey: Sequence[Path], readings: Sequence[Path], named: Sequence[str], csv_file: Path | None,
    json_file: Path | None,
) -> int:  # fmt: skip
    """Show how slabs moved from epoch to epoch."""
    from viewer.history_page import Told, history_document, history_of, show_history, worth_telling

    files = kept(project, [*survey, *readings], (csv_file, json_file))
    with Progress("reading"):
        read_project = open_project(project)
        names = read_project.layout.names.tolist()
        faults = Faults()
        for name in named:
            if name not in names:
                faults.error("--slab", "the name of a slab", repr(name), near(name, names))
        faults.stop_if_any()
        points, books, unused = _sources(project, survey, readings)
        read, worked = read_epochs(read_project, points, books)
        history = history_of(read_project, read)
    warn((*read_project.warnings, *read.warnings))
    told = Told(read, history, None if worked is None else worked.work, unused)
    slabs = np.isin(read_project.layout.names, named) if named else worth_telling(read_project, history)
    table = epoch_table(read_project, read.given, history)
    # whoever names no slab gets the epochs of all in files: what was measured once is a history to come
    rows = np.isin(table["slab"], read_project.layout.names[slabs]) if named else slice(None)
    in_files = slabs if named else np.ones(len(names), dtype=bool)
    document = history_document(read_project, told, in_files)
    shown = {name: values[rows] for name, values in table.items()}
    if out(shown, document, csv_file, json_file, files, EPOCH_DECIMALS):
        with to_reader():
            show_history(read_project, told, slabs, details=bool(named))
    return OK


def _sources(project: Path, survey: Sequence[Path], readings: Sequence[Path]) -> tuple[list[Path], list[Path], str]:
    """Return the files to read, surveyed points and readings: those named; else the survey, else the readings.

    The last is a sentence on what is there and not read, "" for nothing.
    """
    if survey or readings:
        return list(survey), list(readings), ""
    points, books = survey_paths(project), readings_paths(project)
    if points and books:
        return points, [], (
            f"surveyed points only; for the files in {READINGS_FOLDER} name them with --readings, and with --survey "
            "what counts beside them"
        )  # fmt: skip
    return points, books, ""


def run_follow(
    project: Path, survey: Path | None, readings: Path | None, interval: float, once: bool, until_idle: float | None
) -> int:
    """Follow measurements while they come in."""
    from viewer.follow import follow

    good = follow(project, survey, interval, once=once, until_idle=until_idle, readings=readings)
    return OK if good else NOT_ALL_WITHIN
