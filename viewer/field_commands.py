"""What the commands for readings do: set-ups, and marks of slabs."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path

from geometry.errors import Fault, InputError
from geometry.exchange.fieldwork_files import WorkedUp, work_up
from geometry.exchange.fieldwork_tables import mark_table, observation_table, setup_table
from geometry.exchange.project import Project, open_project
from geometry.exchange.readings_files import READINGS_FOLDER, readings_paths
from geometry.exchange.results import made_from
from geometry.exchange.writing import table_to_records, write_csv
from geometry.survey.fieldwork import Solved
from viewer.cli.options import NOT_ALL_WITHIN, OK
from viewer.running import kept, out, to_reader, warn
from viewer.setup_page import setup_document, setup_findings, show_marks, show_setups
from viewer.terminal import Progress

__all__ = ["read_fieldwork", "run_reduce", "run_setup"]

_DECIMALS = {"s0": 3, "misfit": 2, "misfit_limit": 2, "largest_w": 2, "residual": 3, "sigma": 3, "smallest_found": 3}


def read_fieldwork(
    project: Project,
    readings: Sequence[Path],
    control: Path | None,
    stage: str | None,
    *,
    together: bool,
    free: bool = False,
    solved: Solved | None = None,
) -> WorkedUp:
    """Work up the readings of a project, or those named; what `solved` holds is not solved again."""
    paths = list(readings) or readings_paths(project.folder)
    if not paths:
        raise InputError([Fault(str(project.folder / READINGS_FOLDER), "CSV files of readings", "none",
                                "put them there, or name a file with --readings")])  # fmt: skip
    return work_up(project, paths, control, stage, together or free, free, solved)


def run_setup(
    project: Path, readings: Sequence[Path], control: Path | None, together: bool, free: bool, csv_file: Path | None,
    json_file: Path | None, row_file: Path | None,
) -> int:  # fmt: skip
    """Solve set-ups."""
    files = kept(project, [*readings, *([control] if control else [])], (csv_file, json_file, row_file))
    with Progress("adjusting"):
        read = open_project(project)
        worked = read_fieldwork(read, readings, control, None, together=together, free=free)
    warn((*read.warnings, *worked.survey.warnings))
    document = setup_document(read, worked)
    terminal = out(setup_table(worked), document, csv_file, json_file, files, _DECIMALS)
    if row_file is not None:
        made = document["made_from"]
        write_csv(row_file, observation_table(worked), _DECIMALS, files, [f"{made['program']}, {made['made_at']}"])
    with to_reader() if terminal else nullcontext():
        if terminal:
            show_setups(read, worked)
    return OK if all(state.sound for state in worked.work.states) else NOT_ALL_WITHIN


def run_reduce(
    project: Path, readings: Sequence[Path], control: Path | None, stage: str | None, together: bool,
    csv_file: Path | None, json_file: Path | None,
) -> int:  # fmt: skip
    """Turn readings into marks of slabs."""
    files = kept(project, [*readings, *([control] if control else [])], (csv_file, json_file))
    with Progress("reducing"):
        read = open_project(project)
        worked = read_fieldwork(read, readings, control, stage, together=together)
    warn((*read.warnings, *worked.survey.warnings))
    table = mark_table(read, worked)
    document = {
        "made_from": made_from({**read.inputs, **worked.survey.inputs}),
        "project": read.settings.name,
        "marks": table_to_records(table),
        "findings": [text for _, text in setup_findings(worked)],
    }
    decimals = {f"sigma_{axis}_mm": 3 for axis in ("easting", "northing", "level")}
    terminal = out(table, document, csv_file, json_file, files, decimals)
    with to_reader() if terminal else nullcontext():
        if terminal:
            show_marks(read, worked, table)
    return OK if all(state.sound for state in worked.work.states) else NOT_ALL_WITHIN
