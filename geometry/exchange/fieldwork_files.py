"""Readings of a project worked up: set-ups, and the points they saw, ready to be checked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from geometry.errors import Fault, Faults, InputError
from geometry.survey.air import Air
from geometry.survey.fieldwork import Fieldwork, FieldworkRules, Solved, solve_fieldwork
from geometry.survey.points import Ints
from geometry.survey.readings import Control, Instrument

from .control_files import CONTROL_FILE, read_control
from .levelling_files import LEVELLING_FILE, read_levelling
from .project import Project, digest
from .readings_files import FieldBook, read_field_book
from .seen_marks import standing_marks
from .survey_files import Survey, shown_name
from .survey_names import injected, stage_rows
from .workbook_sheets import table_file

__all__ = ["WorkedUp", "fieldwork_rules", "read_fieldwork", "work_up"]

_SECOND = np.pi / 648_000


@dataclass(frozen=True, eq=False)
class WorkedUp:
    """Readings, what they were worked up to, and the survey of slab marks that came of them.

    Attributes
    ----------
    book : FieldBook
    control : Control
    work : Fieldwork
    survey : Survey
        The marks of slabs, with their covariances.
    stage : ndarray of int, shape (p,)
        Stage of each of them, by its place in the book's stages.
    """

    book: FieldBook
    control: Control
    work: Fieldwork
    survey: Survey
    stage: Ints


def fieldwork_rules(project: Project, *, together: bool, free: bool = False) -> FieldworkRules:
    """Return how the project file says that readings are worked up."""
    s = project.settings.instrument
    air = Air(s.wavelength_um, s.assumed_temperature_c, s.assumed_pressure_hpa, s.assumed_humidity_percent)
    return FieldworkRules(
        instrument=Instrument(
            s.sigma_direction_arcsec * _SECOND, s.sigma_zenith_arcsec * _SECOND, s.sigma_distance_mm / 1e3, s.ppm,
            s.centring_mm / 1e3, s.target_height_mm / 1e3,
        ),
        air=air if s.air_correction else None,
        refraction=s.refraction,
        grid_scale=project.alignment.rules.grid_scale,
        longest_sight=s.longest_sight_m,
        together=together,
        free=free,
    )  # fmt: skip


def read_fieldwork(
    project: Project, paths: Sequence[Path | str], faults: Faults, control_path: Path | None = None,
    contents: Mapping[Path, bytes] | None = None,
) -> tuple[FieldBook, Control, Ints]:  # fmt: skip
    """Read readings and control points.

    Parameters
    ----------
    project, paths, control_path
        As `work_up` takes them.
    faults : Faults
        Takes warnings.
    contents : mapping of Path to bytes, optional
        What to read in place of the files of readings; then it holds all of `paths`.

    Returns
    -------
    book : FieldBook
    control : Control
    control_of : ndarray of int, shape (t,)
        Control point that each target of the book is; -1 for none.

    Raises
    ------
    InputError
        With every fault of all files.
    """
    path = control_path or table_file(project.folder / CONTROL_FILE)
    s = project.settings.instrument
    assumed = (s.control_sigma_plan_mm / 1e3, s.control_sigma_plan_mm / 1e3, s.control_sigma_level_mm / 1e3)
    control = read_control(path, faults, assumed)
    book = read_field_book(project, paths, faults, contents)
    faults.stop_if_any()
    if book is None:
        raise AssertionError("a field book without faults was not read")
    index = {name: i for i, name in enumerate(control.names)}
    control_of = np.array([index.get(name, -1) for name in book.targets], dtype=np.intp)
    for i in np.flatnonzero((control_of < 0) & (book.slab < 0)).tolist():
        faults.error(f"{book.label(int(book.first[i]))}: target", "a control point, or a mark with its slab and corner",
                     f"the unknown target {book.targets[i]!r}")  # fmt: skip
    for i in np.flatnonzero((control_of >= 0) & (book.slab >= 0)).tolist():
        faults.error(
            f"{book.label(int(book.first[i]))}: target",
            "either a control point or a mark of a slab",
            f"{book.targets[i]!r}, which is both",
        )
    faults.stop_if_any()
    return book, control, control_of


def work_up(
    project: Project, paths: Sequence[Path | str], control_path: Path | None = None, stage: str | None = None,
    together: bool = False, free: bool = False, solved: Solved | None = None,
) -> WorkedUp:  # fmt: skip
    """Read readings and control points, solve the set-ups, and return the marks they saw.

    Parameters
    ----------
    project : Project
    paths : sequence of Path
        Files of readings.
    control_path : Path, optional
        Control points; those of the project if left out.
    stage : str, optional
        Use only marks of this stage; else the last stage of each slab.
    together : bool
        Adjust all sound set-ups in one network, with the levelling lines of the project if there are any.
    free : bool
        Let control points go in that network.
    solved : dict, optional
        Set-ups solved before; see `solve_fieldwork`.

    Raises
    ------
    InputError
        With every fault of all files.
    """
    faults = Faults()
    path = control_path or table_file(project.folder / CONTROL_FILE)
    book, control, control_of = read_fieldwork(project, paths, faults, path)
    lines_path = table_file(project.folder / LEVELLING_FILE)
    known = {*control.names, *book.targets}
    per_root_km = project.settings.instrument.levelling_mm_per_root_km / 1e3
    lines = read_levelling(lines_path, known, per_root_km, faults) if together else None
    faults.stop_if_any()
    rules = fieldwork_rules(project, together=together, free=free)
    work = solve_fieldwork(book.readings, book.setups, book.targets, control, control_of, rules, lines, solved)
    inputs = {shown_name(project, p): digest(Path(p)) for p in [path, *paths, *([lines_path] if lines else [])]}
    return WorkedUp(book, control, work, *_survey(project, book, work, stage, inputs, faults))


def _survey(
    project: Project, book: FieldBook, work: Fieldwork, stage: str | None, inputs: dict[str, str], faults: Faults
) -> tuple[Survey, Ints]:
    seen = standing_marks(book, work, faults)
    points, target = seen.points, seen.target
    if not len(points):
        raise InputError([Fault("readings", "sights to marks of slabs from a set-up that is solved", "none",
                                "slabpose setup says what is wrong with each set-up")])  # fmt: skip
    codes, texts = book.stage[target], list(book.stages)
    chosen, used = stage_rows(project, points.slab, points.xyz, codes, texts, stage, faults)
    faults.stop_if_any()
    held = injected(project, points.slab, points.xyz, codes, texts)
    return Survey(points.rows(chosen), used, inputs, tuple(faults.warnings), held), codes[chosen]
