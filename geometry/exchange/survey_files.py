"""Files of surveyed points."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from geometry.alignment import evaluate
from geometry.alignment.laws import Floats
from geometry.errors import Fault, Faults, InputError
from geometry.survey import NO_NAME, UNKNOWN_NAME, SurveyPoints
from geometry.survey.points import Ints

from .project import Project, digest
from .tables import Column, Table, read_table

__all__ = ["Survey", "point_columns", "read_points", "read_survey", "survey_paths"]

SURVEY_FOLDER = "survey"
_BESIDE = 1000.0  # points further than this from the alignment's bounding box are not of this project, m
_ABOVE = 200.0
_SIGMAS = ("sigma_easting_mm", "sigma_northing_mm", "sigma_level_mm")


@dataclass(frozen=True, eq=False)
class Survey:
    """Surveyed points and where they come from.

    Attributes
    ----------
    points : SurveyPoints
        The points of the stages used.
    stages : dict of str to int
        Stages used, with the number of points of each; "" where the file names none.
    inputs : dict of str to str
        SHA-256 of each file.
    warnings : tuple of Fault
    """

    points: SurveyPoints
    stages: dict[str, int]
    inputs: dict[str, str]
    warnings: tuple[Fault, ...]


def survey_paths(project: Project) -> list[Path]:
    """Return the survey files of a project: every CSV in its folder ``survey``, in order of name."""
    return sorted((project.folder / SURVEY_FOLDER).glob("*.csv"))


def _bounds(project: Project) -> tuple[Floats, Floats]:
    line = evaluate(project.alignment, np.linspace(0, project.alignment.length, 2001))
    xyz = np.stack([line.easting, line.northing, line.level], axis=1)
    margin = np.array([_BESIDE, _BESIDE, _ABOVE])
    return xyz.min(axis=0) - margin, xyz.max(axis=0) + margin


def point_columns(low: Floats | None = None, high: Floats | None = None) -> tuple[Column, ...]:
    """Return the columns of a file of points, coordinates within bounds if they are given, m."""
    return (
        Column("point", "text", what="a point name"),
        *(
            Column(
                f"{name}_m",
                "number",
                low=None if low is None else float(np.floor(low[i])),
                high=None if high is None else float(np.ceil(high[i])),
                what=f"{'an' if name == 'easting' else 'a'} {name}",
            )
            for i, name in enumerate(("easting", "northing", "level"))
        ),
    )


def read_points(path: Path | str, project_bounds: tuple[Floats, Floats] | None, faults: Faults,
                more: Sequence[Column] = ()) -> tuple[Table, Floats]:  # fmt: skip
    """Read points with coordinates; exchanged coordinates are told as such.

    Returns
    -------
    table : Table
    xyz : ndarray, shape (p, 3)
        Easting, northing, level, m.
    """
    own = Faults()
    table = read_table(path, (*point_columns(), *more), own)
    names = ("easting_m", "northing_m", "level_m")
    if own.errors or not len(table):
        faults.errors += own.errors
        faults.warnings += own.warnings
        return table, np.empty((0, 3))
    xyz = np.stack([table[name] for name in names], axis=1)
    if project_bounds is not None:
        low, high = project_bounds
        outside = ~((xyz >= low) & (xyz <= high)).all(axis=1)
        if outside.any():
            exchanged = xyz[:, [1, 0, 2]]
            fits = ((exchanged >= low) & (exchanged <= high)).all(axis=1)
            if (fits & outside).sum() > outside.sum() / 2:
                row = int(np.flatnonzero(fits & outside)[0])
                faults.error(table.where(row, "easting_m"), "easting and northing of this project",
                             f"{int(outside.sum())} points elsewhere", "easting and northing exchanged?")  # fmt: skip
            else:  # once more with the bounds, for a fault per cell
                read_table(path, (*point_columns(low, high), *more), faults)
    faults.warnings += own.warnings
    return table, xyz


def read_survey(project: Project, paths: Sequence[Path | str], stage: str | None = None) -> Survey:
    """Read the surveyed points of a project.

    Of a slab surveyed in several stages the last one counts, in the order of the project file's
    ``survey.stages`` and after those in order of appearance; points without a slab belong to the last stage
    of all. Sigmas that a file does not give are those of the project.

    Parameters
    ----------
    project : Project
    paths : sequence of Path
    stage : str, optional
        Use only this stage.

    Raises
    ------
    InputError
        With every fault of all files.
    """
    faults = Faults()
    more = (
        Column("slab", "text", required=False, blank=True, what="a slab name"),
        Column("corner", "text", required=False, blank=True, what="a mark of the slab"),
        *(Column(name, "number", required=False, blank=True, low=1e-3, high=1000, what="a sigma") for name in _SIGMAS),
        Column("setup", "text", required=False, blank=True, what="a set-up name"),
        Column("stage", "text", required=False, blank=True, what="a stage"),
        Column("time", "time", required=False, blank=True, what="a time"),
    )
    bounds = _bounds(project)
    read = [(Path(path), *read_points(path, bounds, faults, more)) for path in paths]
    faults.stop_if_any()
    tables = [table for _, table, _ in read]
    if not sum(len(table) for table in tables):
        raise InputError([Fault(str(project.folder / SURVEY_FOLDER), "a survey: CSV files of points", "none",
                                "put the surveyed points there, or name a file with --survey")])  # fmt: skip
    xyz = np.concatenate([xyz for _, _, xyz in read])
    slab, mark = _names(project, tables)
    setups = _joined(tables, "setup")
    stages = _joined(tables, "stage")
    points = SurveyPoints(
        xyz=xyz,
        sigma=_sigmas(project, tables),
        slab=slab,
        mark=mark,
        setup=setups[0],
        time=np.concatenate([_times(table) for table in tables]),
        label=_labels(tables),
    )
    rows, used = _stage_rows(project, slab, *stages, stage)
    if len(rows) < len(points):
        label = points.label
        points = SurveyPoints(
            points.xyz[rows], points.sigma[rows], slab[rows], mark[rows], points.setup[rows], points.time[rows],
            lambda row: label(int(rows[row])),
        )  # fmt: skip
    inputs = {_shown(project, path): digest(path) for path, _, _ in read}
    return Survey(points, used, inputs, tuple(faults.warnings))


def _shown(project: Project, path: Path) -> str:
    inside = path.resolve().is_relative_to(project.folder.resolve())
    return path.resolve().relative_to(project.folder.resolve()).as_posix() if inside else path.name


def _joined(tables: Sequence[Table], name: str) -> tuple[Ints, list[str]]:
    """Return one code per row over all tables, and the texts; "" where there is no column."""
    texts: dict[str, int] = {"": 0}
    parts = []
    for table in tables:
        if name not in table:
            parts.append(np.zeros(len(table), dtype=np.intp))
            continue
        codes, distinct = table.codes(name)
        parts.append(np.array([texts.setdefault(str(t), len(texts)) for t in distinct], dtype=np.intp)[codes])
    return np.concatenate(parts), list(texts)


def _names(project: Project, tables: Sequence[Table]) -> tuple[Ints, Ints]:
    """Return the index of the slab and of the mark that each row names."""
    slab_code, slab_texts = _joined(tables, "slab")
    mark_code, mark_texts = _joined(tables, "corner")
    order = {str(name): i for i, name in enumerate(project.layout.names.tolist())}
    by_text = np.array([NO_NAME if not t else order.get(t, UNKNOWN_NAME) for t in slab_texts], dtype=np.intp)
    slab = by_text[slab_code]
    by_type = np.array(
        [
            [NO_NAME if not t else _index(slab_type.marks.names, t) for t in mark_texts]
            for slab_type in project.types
        ],
        dtype=np.intp,
    )
    kind = project.layout.type_index[np.maximum(slab, 0)] if len(project.layout.names) else np.zeros_like(slab)
    mark = by_type[np.where(slab >= 0, kind, 0), mark_code]
    return slab, mark


def _index(names: tuple[str, ...], text: str) -> int:
    return names.index(text) if text in names else UNKNOWN_NAME


def _sigmas(project: Project, tables: Sequence[Table]) -> Floats:
    s = project.settings.survey
    assumed = np.array([s.sigma_plan_mm, s.sigma_plan_mm, s.sigma_level_mm])
    parts = []
    for table in tables:
        sigma = np.tile(assumed, (len(table), 1))
        for i, name in enumerate(_SIGMAS):
            if name in table:
                sigma[:, i] = np.where(np.isnan(table[name]), assumed[i], table[name])
        parts.append(sigma / 1e3)
    return np.concatenate(parts)


def _times(table: Table) -> npt.NDArray[np.datetime64]:
    if "time" in table:
        return np.asarray(table["time"], dtype="datetime64[us]")
    return np.full(len(table), np.datetime64("NaT", "us"))


def _labels(tables: Sequence[Table]) -> Callable[[int], str]:
    ends = np.cumsum([len(table) for table in tables])

    def label(row: int) -> str:
        which = int(np.searchsorted(ends, row, side="right"))
        table = tables[which]
        own = row - (int(ends[which - 1]) if which else 0)
        return f"point {table['point'][own]} ({table.where(own)})"

    return label


def _stage_rows(
    project: Project, slab: Ints, codes: Ints, texts: list[str], stage: str | None
) -> tuple[Ints, dict[str, int]]:
    """Return the rows of the stages that count, and how many rows each stage gives."""
    present = np.unique(codes).tolist()
    if stage is not None:
        if stage not in [texts[c] for c in present]:
            known = ", ".join(repr(texts[c]) for c in present if texts[c]) or "none"
            raise InputError([Fault("--stage", f"a stage of the survey ({known})", repr(stage))])
        rows = np.flatnonzero(codes == texts.index(stage))
        return rows, {stage: len(rows)}
    named = project.settings.survey.stages
    order = sorted(range(len(texts)), key=lambda c: (
        0 if not texts[c] else 1 if texts[c] in named else 2, named.index(texts[c]) if texts[c] in named else c
    ))  # fmt: skip
    rank = np.empty(len(texts), dtype=np.intp)
    rank[order] = np.arange(len(texts))
    by_row = rank[codes]
    if len(present) > 1:
        last = np.full(len(project.layout.names) + 1, -1)
        np.maximum.at(last, np.where(slab >= 0, slab, -1), by_row)
        last[-1] = by_row.max()
        rows = np.flatnonzero(by_row == last[np.where(slab >= 0, slab, -1)])
    else:
        rows = np.arange(len(codes))
    names, counts = np.unique(codes[rows], return_counts=True)
    return rows, {texts[c]: int(k) for c, k in zip(names.tolist(), counts.tolist(), strict=True)}
