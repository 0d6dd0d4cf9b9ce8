"""What the commands history and follow do."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from geometry.errors import Faults
from geometry.exchange.cells import near
from geometry.exchange.history_tables import EPOCH_DECIMALS, epoch_table
from geometry.exchange.project import open_project
from geometry.exchange.survey_files import (
    read_stages,
    survey_paths,
)
from viewer.cli.options import NOT_ALL_WITHIN, OK
from viewer.running import kept, out, to_reader, warn
from viewer.terminal import Progress

__all__ = ["run_follow", "run_history"]


def run_history(
    project: Path, survey: Sequence[Path], named: Sequence[str], csv_file: Path | None, json_file: Path | None
) -> int:
    """Show how slabs moved from epoch to epoch."""
    from viewer.history_page import history_document, history_of, show_history, worth_telling

    files = kept(project, survey, (csv_file, json_file))
    with Progress("reading"):
        read_project = open_project(project)
        names = read_project.layout.names.tolist()
        faults = Faults()
        for name in named:
            if name not in names:
                faults.error("--slab", "the name of a slab", repr(name), near(name, names))
        faults.stop_if_any()
        read = read_stages(read_project, list(survey) or survey_paths(project))
        history = history_of(read_project, read)
    warn((*read_project.warnings, *read.warnings))
    slabs = np.isin(read_project.layout.names, named) if named else worth_telling(read_project, history)
    table = epoch_table(read_project, read.given, history)
    # whoever names no slab gets the epochs of all in files: what was measured once is a history to come
    rows = np.isin(table["slab"], read_project.layout.names[slabs]) if named else slice(None)
    in_files = slabs if named else np.ones(len(names), dtype=bool)
    document = history_document(read_project, read, history, in_files)
    shown = {name: values[rows] for name, values in table.items()}
    if out(shown, document, csv_file, json_file, files, EPOCH_DECIMALS):
        with to_reader():
            show_history(read_project, read, history, slabs, details=bool(named))
    return OK


def run_follow(project: Path, survey: Path | None, interval: float, once: bool, until_idle: float | None) -> int:
    """Follow a survey while it grows."""
    from viewer.follow import follow

    return OK if follow(project, survey, interval, once=once, until_idle=until_idle) else NOT_ALL_WITHIN
