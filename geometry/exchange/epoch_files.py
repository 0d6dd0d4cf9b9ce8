"""Everything that was measured of slabs in all stages: surveyed points, readings, or both together."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from geometry.errors import Fault, Faults
from geometry.placement.epochs import StagedPoints
from geometry.survey import SurveyPoints
from geometry.survey.fieldwork import Fieldwork, Solved, solve_fieldwork

from .alike import as_one
from .control_files import CONTROL_FILE
from .fieldwork_files import fieldwork_rules, read_fieldwork
from .project import Project, digest
from .readings_files import FieldBook
from .seen_marks import seen_marks
from .survey_files import StagedSurvey, read_stages, shown_name
from .survey_names import stage_order
from .workbook_sheets import table_file

__all__ = ["StagedReadings", "read_epochs", "read_staged_readings", "together"]


@dataclass(frozen=True, eq=False)
class StagedReadings:
    """Readings of all stages, what they were worked up to, and the marks that solved set-ups saw.

    Attributes
    ----------
    book : FieldBook
    work : Fieldwork
    marks : StagedSurvey
        Every round by itself; perhaps none.
    shown : ndarray of void, shape (n,)
        Every reading of the book, in the form in which the marks carry theirs.
    """

    book: FieldBook
    work: Fieldwork
    marks: StagedSurvey
    shown: npt.NDArray[np.void]


def read_epochs(
    project: Project, survey: Sequence[Path], readings: Sequence[Path], solved: Solved | None = None
) -> tuple[StagedSurvey, StagedReadings | None]:
    """Read what was measured in all stages.

    Parameters
    ----------
    project : Project
    survey, readings : sequence of Path
        Files of surveyed points and of readings; with neither the survey is missed.
    solved : dict, optional
        Set-ups solved before; see `solve_fieldwork`.

    Returns
    -------
    survey : StagedSurvey
        All points, those of readings with their covariances.
    readings : StagedReadings, optional
        What the readings were worked up to, if there are any.

    Raises
    ------
    InputError
        With every fault of all files of a kind.
    """
    surveyed = read_stages(project, survey) if survey or not readings else None
    if not readings:
        assert surveyed is not None
        return surveyed, None
    worked = read_staged_readings(project, readings, solved=solved)
    return (worked.marks if surveyed is None else together(project, surveyed, worked.marks)), worked


def read_staged_readings(
    project: Project, paths: Sequence[Path], contents: Mapping[Path, bytes] | None = None,
    solved: Solved | None = None,
) -> StagedReadings:  # fmt: skip
    """Read readings, solve each set-up by itself, and return the marks they saw, every round by itself.

    Parameters
    ----------
    project : Project
    paths : sequence of Path
    contents : mapping of Path to bytes, optional
        What to read in place of the files; then it holds all of `paths`.
    solved : dict, optional
        Set-ups solved before; see `solve_fieldwork`.

    Raises
    ------
    InputError
        With every fault of all files.
    """
    faults = Faults()
    book, control, control_of = read_fieldwork(project, paths, faults, contents=contents)
    rules = fieldwork_rules(project, together=False)
    work = solve_fieldwork(book.readings, book.setups, book.targets, control, control_of, rules, solved=solved)
    seen = seen_marks(book, work, by_round=True)
    codes, texts = book.stage[seen.target], list(book.stages)
    order = stage_order(project, codes, texts, faults)
    rank = np.array([order.index(text) if text in order else -1 for text in texts], dtype=np.intp)
    given = StagedPoints(seen.points, rank[codes], tuple(order), ("", *book.setups))
    control_path = table_file(project.folder / CONTROL_FILE)
    inputs = {shown_name(project, control_path): digest(control_path)}
    for path in map(Path, paths):
        sha = digest(path) if contents is None else hashlib.sha256(contents[path]).hexdigest()
        inputs[shown_name(project, path)] = sha
    r = book.readings
    shown = as_one(r.direction, r.zenith, r.distance, book.time, r.target_height, r.prism)
    marks = StagedSurvey(given, inputs, tuple(faults.warnings), shown[seen.reading], seen.faces)
    return StagedReadings(book, work, marks, shown)


def together(project: Project, surveyed: StagedSurvey, read: StagedSurvey) -> StagedSurvey:
    """Return surveyed points and readings as one survey.

    Set-ups of both are different ones, whatever their names. A mark that both have of one moment is the same
    measurement: then the readings count, which know more of their uncertainty, and that is told.
    """
    one, two = surveyed.given, read.given
    stages = list(dict.fromkeys([*one.stages, *two.stages]))
    place = [np.array([stages.index(stage) for stage in given.stages], dtype=np.intp) for given in (one, two)]
    shared = set(one.setups[1:]) & set(two.setups[1:])
    setups = (*one.setups, *(f"{name} of the readings" if name in shared else name for name in two.setups[1:]))
    again = _same_moment(one.points, two.points)
    faults = Faults()
    if again.any():
        first = int(np.flatnonzero(again)[0])
        more = f" and {int(again.sum()) - 1} more like it" if again.sum() > 1 else ""
        faults.warn("survey and readings", "each measurement once", f"{one.points.label(first)}{more} in both",
                    "those of the readings count")  # fmt: skip
    rows = np.flatnonzero(~again)
    a, b = one.points.rows(rows), two.points
    moved = np.where(b.setup > 0, b.setup + len(one.setups) - 1, 0)
    given = StagedPoints(
        _joined(a, replace(b, setup=moved)), np.concatenate([place[0][one.stage[rows]], place[1][two.stage]]),
        tuple(stages), setups,
    )  # fmt: skip
    return StagedSurvey(
        given, {**surveyed.inputs, **read.inputs}, (*surveyed.warnings, *_new(read.warnings, surveyed.warnings),
                                                    *faults.warnings),
        np.concatenate([surveyed.read_as[rows], read.read_as]),
        np.concatenate([surveyed.faces[rows], read.faces]),
    )  # fmt: skip


def _new(warnings: Sequence[Fault], told: Sequence[Fault]) -> list[Fault]:
    return [fault for fault in warnings if fault not in told]


def _same_moment(one: SurveyPoints, two: SurveyPoints) -> np.ndarray:
    """Return which of some points are also among others, by slab, mark and time, shape (p,)."""
    keys = [as_one(p.slab, p.mark, p.time.astype("datetime64[us]")) for p in (one, two)]
    certain = (one.slab >= 0) & (one.mark >= 0) & ~np.isnat(one.time)
    return np.asarray(certain & np.isin(keys[0], keys[1]))


def _joined(one: SurveyPoints, two: SurveyPoints) -> SurveyPoints:
    """Return points without and points with covariance as one; nothing is known to be common to the first."""
    n = len(one)
    assert two.own is not None
    assert two.common is not None
    assert two.doubtful is not None

    def label(row: int) -> str:
        return one.label(row) if row < n else two.label(row - n)

    return SurveyPoints(
        np.concatenate([one.xyz, two.xyz]),
        np.concatenate([one.sigma, two.sigma]),
        np.concatenate([one.slab, two.slab]),
        np.concatenate([one.mark, two.mark]),
        np.concatenate([one.setup, two.setup]),
        np.concatenate([one.time, two.time]),
        label,
        np.concatenate([one.sigma[:, :, None] ** 2 * np.eye(3), two.own]),
        np.concatenate([np.zeros((n, *two.common.shape[1:])), two.common]),
        np.concatenate([np.zeros(n, dtype=bool), two.doubtful]),
    )
