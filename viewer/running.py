"""What commands share: warnings, files that are kept, ways out, the section that is checked."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.alignment import ChainageCount
from geometry.errors import ChainageError, Fault, Faults, InputError
from geometry.exchange.bed_files import BED_FOLDER, bed_paths
from geometry.exchange.cells import near
from geometry.exchange.project import PROJECT_FILE, Project
from geometry.exchange.readings_files import READINGS_FOLDER, readings_paths
from geometry.exchange.results import (
    Columns,
)
from geometry.exchange.rules_files import RULES_FILE
from geometry.exchange.survey_files import (
    POINTS_SUFFIXES,
    SURVEY_FOLDER,
    Survey,
    read_survey,
    survey_paths,
)
from geometry.exchange.workbook_sheets import BOOK_SUFFIXES, table_files
from geometry.exchange.writing import write_csv, write_json
from geometry.placement import SectionCheck, check_section
from geometry.survey.fieldwork import Solved
from viewer.cli.options import leave_output, number_in
from viewer.terminal import visible

__all__ = ["FINE", "by_readings", "check_of", "chosen_slabs", "kept", "out", "place_on", "to_reader", "warn"]

FINE = {"easting_m": 5, "northing_m": 5, "level_m": 5}  # 10 um, for setting out


def warn(faults: Sequence[Fault], notes: Sequence[str] = ()) -> None:
    """Tell warnings on standard error, and before them what was taken for granted."""
    for note in notes:
        sys.stderr.write(f"note: {visible(note)}\n")
    for fault in faults:
        sys.stderr.write(f"warning: {visible(str(fault))}\n")


def kept(project: Path, read: Sequence[Path], results: Sequence[Path | None]) -> list[Path]:
    """Return the files that no result may replace: all that a project is or may be read from, and `read`.

    Raises
    ------
    InputError
        If two results go to one file, or one would be taken for a survey next time.
    """
    faults = Faults()
    files = [file for file in results if file is not None and str(file) != "-"]
    places = [file.resolve() for file in files]
    for i, (file, place) in enumerate(zip(files, places, strict=True)):
        if place in places[:i]:
            faults.error(str(file), "a file of its own for each result", "the name of another one")
        is_table = place.suffix.lower() in (".csv", *BOOK_SUFFIXES, *POINTS_SUFFIXES) and not place.exists()
        for folder in (SURVEY_FOLDER, BED_FOLDER, READINGS_FOLDER):
            if is_table and place.parent == (project / folder).resolve():
                faults.error(str(file), f"a place outside the {folder} folder", "one inside",
                             "every table in there is read as a survey")  # fmt: skip
    faults.stop_if_any()
    measured = [*survey_paths(project), *readings_paths(project), *bed_paths(project)]
    return [project / PROJECT_FILE, project / RULES_FILE, *table_files(project), *measured, *read]


@contextmanager
def to_reader() -> Iterator[None]:
    """Let the reader of the output leave when it has seen enough: the result stands all the same."""
    try:
        yield
        sys.stdout.flush()
    except (BrokenPipeError, SystemExit):  # rich turns the first into the second
        leave_output()


def out(
    table: Columns, document: Mapping[str, Any], csv_file: Path | None, json_file: Path | None,
    inputs: Sequence[Path], decimals: Mapping[str, int] | None = None,
) -> bool:  # fmt: skip
    """Write what was asked for; return whether the terminal is still free for a table."""
    made = document["made_from"]
    if csv_file is not None:
        named = [f"{name} {sha}" for name, sha in made["inputs_sha256"].items()]
        comments = [f"{made['program']}, {made['made_at']}", *(f"made from {line}" for line in named)]
        write_csv(csv_file, table, decimals={**FINE, **(decimals or {})}, inputs=inputs, comments=comments)
    if json_file is not None:
        with to_reader():
            write_json(sys.stdout if str(json_file) == "-" else json_file, document, inputs=inputs)
    return str(json_file) != "-"


def by_readings(project: Project, survey: Sequence[Path], readings: Sequence[Path]) -> bool:
    """Return whether readings are what a section is checked by: where they are named, or nothing else is there."""
    if readings or survey:
        return bool(readings)
    return not survey_paths(project.folder) and bool(readings_paths(project.folder))


def _survey(
    project: Project, survey: Sequence[Path], readings: Sequence[Path], stage: str | None, solved: Solved | None
) -> Survey:
    """Read surveyed points, or readings where they are named or nothing else is there."""
    if readings and survey:
        raise InputError([Fault("--readings", "either readings or surveyed points", "both")])
    if not by_readings(project, survey, readings):
        return read_survey(project, list(survey) or survey_paths(project.folder), stage)
    from viewer.field_commands import read_fieldwork
    from viewer.setup_page import setup_findings

    worked = read_fieldwork(project, readings, None, stage, together=False, solved=solved)
    for mark, text in setup_findings(worked):
        if mark == "!":
            sys.stderr.write(f"warning: {visible(text)}\n")
    return worked.survey


def check_of(
    project: Project, survey: Sequence[Path], stage: str | None, readings: Sequence[Path] = (),
    solved: Solved | None = None,
) -> tuple[Survey, SectionCheck]:  # fmt: skip
    """Read surveyed points or readings of a project, and check the section by them.

    Set-ups that `solved` holds are not solved again; it takes those that are.
    """
    layout = project.layout
    if not len(layout.names):
        raise InputError([Fault(str(project.folder), "at least one slab in the layout", "none",
                                "slabpose layout says why")])  # fmt: skip
    read = _survey(project, survey, readings, stage, solved)
    answer = check_section(
        project.targets, project.types, layout.type_index, layout.span, layout.names.tolist(), read.points,
        project.check_rules, read.injected,
    )  # fmt: skip
    return read, answer


def place_on(count: ChainageCount, project: Project | None, text: str, option: str, faults: Faults) -> float:
    """Return the distance of a slab's centre, or of a chainage, m; nan where faulty."""
    names = np.array([], dtype=np.str_) if project is None else project.layout.names
    if project is not None and text in names:
        return float(project.layout.distance[names == text][0])
    chainage = number_in(text)
    if np.isnan(chainage):
        expected = "a chainage in m" if project is None else "the name of a slab, or a chainage in m"
        faults.error(option, expected, repr(text), near(text, names.tolist()))
        return np.nan
    try:
        return float(count.to_distance(chainage))
    except ChainageError as fault:
        faults.error(option, "a chainage that names one place", str(fault), "" if project is None else "or name a slab")
        return np.nan


def chosen_slabs(project: Project, start: str | None, end: str | None) -> npt.NDArray[np.bool_]:
    """Return which slabs lie between two places, both included, shape (n,)."""
    faults = Faults()
    low = 0.0 if start is None else place_on(project.count, project, start, "--from", faults)
    high = project.alignment.length if end is None else place_on(project.count, project, end, "--to", faults)
    faults.stop_if_any()
    slabs = (project.layout.distance >= low) & (project.layout.distance <= high)
    if len(slabs) and not slabs.any():
        found = f"none from {start or 'the start'} to {end or 'the end'}"
        raise InputError([Fault("--from and --to", "slabs between them", found)])
    return np.asarray(slabs)
