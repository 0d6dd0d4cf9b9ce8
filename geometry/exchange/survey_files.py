"""Files of surveyed points."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from geometry.alignment import evaluate
from geometry.alignment.laws import Floats
from geometry.errors import Fault, Faults, InputError
from geometry.placement.epochs import StagedPoints
from geometry.survey import SurveyPoints
from geometry.survey.points import Ints

from .alike import as_one
from .landxml_points import PointsFor, cg_points_table
from .project import LEAST_SIGMA_MM, MOST_SIGMA_MM, Project, digest
from .setup_names import told_apart
from .survey_names import (
    injected,
    joined,
    labels,
    named_places,
    stage_order,
    stage_rows,
    together,
)
from .survey_places import tell_designed, tell_elsewhere
from .tables import Column, Table, read_table
from .workbook_sheets import is_book, tables_in_folder, text_at, texts_at

__all__ = [
    "StagedSurvey",
    "Survey",
    "bounds_of",
    "each_once",
    "point_columns",
    "read_points",
    "read_stages",
    "read_survey",
    "shown_name",
    "survey_paths",
]

SURVEY_FOLDER = "survey"
POINTS_SUFFIXES = (".xml", ".landxml")  # points of a LandXML file
_BESIDE = 1000.0  # points further than this from the alignment's bounding box are not of this project, m
_ABOVE = 200.0
_ONE_PLACE = 1.0  # a point that is measured again lies nearer than this, m
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
    injected : ndarray of bool, shape (n,)
        Slabs of the layout that mortar holds by the stage of their points.
    """

    points: SurveyPoints
    stages: dict[str, int]
    inputs: dict[str, str]
    warnings: tuple[Fault, ...]
    injected: npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class StagedSurvey:
    """Surveyed points of all stages and where they come from.

    Attributes
    ----------
    given : StagedPoints
    inputs, warnings
        See `Survey`.
    read_as : ndarray of void, shape (p,)
        What stands in the files for each point: differs where a coordinate, a reading or the time does.
    faces : ndarray of int, shape (p,)
        Faces of the instrument that it was read in so far; 0 for coordinates.
    """

    given: StagedPoints
    inputs: dict[str, str]
    warnings: tuple[Fault, ...]
    read_as: npt.NDArray[np.void]
    faces: Ints


def survey_paths(folder: Path) -> list[Path]:
    """Return the survey files of a project: CSV, Excel and LandXML in its folder ``survey``, in order of name.

    The last may be ``tables.xlsx``, if that has such a sheet.
    """
    return tables_in_folder(folder, SURVEY_FOLDER, POINTS_SUFFIXES)


def bounds_of(project: Project) -> tuple[Floats, Floats]:
    """Return smallest and largest coordinates that a point of a project may have: easting, northing, level, m."""
    line = evaluate(project.alignment, np.linspace(0, project.alignment.length, 2001))
    xyz = np.stack([line.easting, line.northing, line.level], axis=1)
    margin = np.array([_BESIDE, _BESIDE, _ABOVE])
    return xyz.min(axis=0) - margin, xyz.max(axis=0) + margin


def point_columns(
    low: Floats | None = None, high: Floats | None = None, *, named: bool = True
) -> tuple[Column, ...]:  # fmt: skip
    """Return the columns of a file of points, coordinates within bounds if they are given, m; names if they must be."""
    return (
        Column("point", "text", required=named, blank=not named, what="a point name"),
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
                more: Sequence[Column] = (), content: bytes | None = None, *, named: bool = True,
                wanted: PointsFor = "survey") -> tuple[Table, Floats]:  # fmt: skip
    """Read points with coordinates; exchanged coordinates are told as such. For `content` see `read_table`.

    Parameters
    ----------
    path : Path or str
        A comma separated table, a workbook, or a LandXML file.
    project_bounds : tuple of ndarray, shape (3,) each, optional
        Smallest and largest coordinates that may be, m.
    faults : Faults
        Takes everything that is wrong with the file.
    more : sequence of Column
        Columns besides name and coordinates.
    content : bytes, optional
        Read in place of what the file holds.
    named : bool
        Points that need no name may lie anywhere under one name, or under none.
    wanted : {"survey", "control", "any"}
        Which points of a LandXML file count, and what a sheet is called where a workbook has several.

    Returns
    -------
    table : Table
    xyz : ndarray, shape (p, 3)
        Easting, northing, level, m.
    """
    own = Faults()
    path = Path(path)
    if content is None and (is_book(path) or path.suffix.lower() in POINTS_SUFFIXES):
        found = _points_text(path, own, wanted)
        if found is None:
            faults.errors += own.errors
            faults.warnings += own.warnings
            return read_table(path, point_columns(named=named), Faults(), content=b""), np.empty((0, 3))
        path, content = found
    table = read_table(path, (*point_columns(named=named), *more), own, content=content)
    names = ("easting_m", "northing_m", "level_m")
    if own.errors or not len(table):
        faults.errors += own.errors
        faults.warnings += own.warnings
        return table, np.empty((0, 3))
    # each coordinate in one piece of memory: what follows works on a coordinate of all points at a time
    xyz = np.stack([table[name] for name in names]).T
    if project_bounds is not None and not _tell_outside(table, xyz, *project_bounds, faults):
        # once more with the bounds, for a fault per cell
        read_table(path, (*point_columns(*project_bounds, named=named), *more), faults, content=content)
    if named:
        _tell_twins(table, xyz, faults)
    faults.warnings += own.warnings
    return table, xyz


def _points_text(path: Path, faults: Faults, wanted: PointsFor) -> tuple[Path, bytes | None] | None:
    """Return what a workbook or a LandXML file with points is called, and the text of its table; None if faulty."""
    if is_book(path):
        return text_at(path, SURVEY_FOLDER if wanted == "any" else wanted, faults)
    content = cg_points_table(path, faults, wanted)
    return None if content is None else (path, content)


def _tell_outside(table: Table, xyz: Floats, low: Floats, high: Floats, faults: Faults) -> bool:
    """Tell what most points of a file have in common if they lie outside; return whether there is nothing to add."""
    if (xyz.min(axis=0) >= low).all() and (xyz.max(axis=0) <= high).all():
        return True
    outside = ~((xyz >= low) & (xyz <= high))
    rows = np.flatnonzero(outside.any(axis=1))
    if not rows.size:
        return True
    exchanged = xyz[rows][:, [1, 0, 2]]
    fits = ((exchanged >= low) & (exchanged <= high)).all(axis=1)
    many = f"{len(rows)} point{'s' * (len(rows) > 1)} of {len(table)} elsewhere"
    if fits.sum() > len(rows) / 2:
        faults.error(table.where(int(rows[fits][0]), "easting_m"), "easting and northing of this project", many,
                     "easting and northing exchanged, here or in horizontal.csv?")  # fmt: skip
        return True
    if len(rows) < max(3, len(table) / 2):
        return False
    for i, name in enumerate(("easting_m", "northing_m", "level_m")):
        wrong = np.flatnonzero(outside[:, i])
        if wrong.size:
            first = float(xyz[wrong[0], i])
            in_mm = low[i] <= first / 1e3 <= high[i]
            faults.error(table.where(int(wrong[0]), name), f"one of {low[i]:.0f} to {high[i]:.0f} m, on this project",
                         f"{first:.3f}, and {len(wrong)} of {len(table)} elsewhere",
                         "millimetres?" if in_mm else "another project, or another coordinate system?")  # fmt: skip
    return True


def _tell_twins(table: Table, xyz: Floats, faults: Faults) -> None:
    """Warn of a point name that stands for places which are apart."""
    if not table.repeats("point"):
        return
    codes, distinct = table.codes("point")
    order = np.argsort(codes, kind="stable")
    starts = np.flatnonzero(np.diff(codes[order], prepend=-1))
    spread = np.maximum.reduceat(xyz[order], starts) - np.minimum.reduceat(xyz[order], starts)
    apart = np.hypot.reduce(spread, axis=1)
    twins = np.flatnonzero(apart > _ONE_PLACE)
    if twins.size:
        rows = order[starts[twins[0]] :]
        again = f", and {len(twins) - 1} more names like it" if len(twins) > 1 else ""
        faults.warn(table.where(int(rows[1]), "point"), "each name for one place",
                    f"{str(distinct[codes[rows[0]]])!r} for places {apart[twins[0]]:.2f} m apart{again}",
                    f"first on line {table.line(int(rows[0]))}")  # fmt: skip


def each_once(paths: Sequence[Path | str]) -> list[Path]:
    """Return the paths, each file once.

    Raises
    ------
    InputError
        If a file stands there twice, or one is a copy of another: every point would be a duplicate.
    """
    faults, seen = Faults(), dict[str, Path]()
    files = [Path(path) for path in paths]
    sizes = [path.stat().st_size if path.is_file() else -1 for path in files]
    for path, size in zip(files, sizes, strict=True):
        # only files of one size are worth reading twice
        content = digest(path) if size >= 0 and sizes.count(size) > 1 else str(path.resolve())
        if content in seen:
            faults.error(str(path), "each survey once", f"the same as {seen[content]}")
        seen.setdefault(content, path)
    faults.stop_if_any()
    return files


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
    files = each_once(paths)
    with ThreadPoolExecutor(1) as aside:  # hashing lets go of the interpreter: beside the reading it takes no time
        digests = [aside.submit(digest, path) for path in files]
        points, _, (codes, texts) = _all_points(project, files, faults)
    rows, used = stage_rows(project, points.slab, points.xyz, codes, texts, stage, faults)
    # by all points, whatever stage is asked for: mortar does not let go again
    held = injected(project, points.slab, points.xyz, codes, texts)
    if len(rows) < len(points):
        points = points.rows(rows)
    tell_elsewhere(project, points, faults)
    inputs = {shown_name(project, path): sha.result() for path, sha in zip(files, digests, strict=True)}
    return Survey(points, used, inputs, tuple(faults.warnings), held)


def read_stages(
    project: Project, paths: Sequence[Path | str], contents: Mapping[Path, bytes] | None = None
) -> StagedSurvey:
    """Read the surveyed points of all stages of a project.

    Parameters
    ----------
    project : Project
    paths : sequence of Path
        In order: of two files that say different things of one reading, the first counts.
    contents : mapping of Path to bytes, optional
        What to read in place of the files; then it holds all of `paths`.

    Raises
    ------
    InputError
        With every fault of all files.
    """
    faults = Faults()
    files = each_once(paths) if contents is None else [Path(path) for path in paths]
    points, (codes, names), (stage, texts) = _all_points(project, files, faults, contents)
    setup, setups = told_apart(codes, names, points.time)
    points = replace(points, setup=setup)
    order = stage_order(project, stage, texts, faults)
    # "" has a code even where every row names its stage
    place = np.array([order.index(text) for text in texts], dtype=np.intp)
    tell_elsewhere(project, points, faults)
    inputs = {
        shown_name(project, path): digest(path) if contents is None else hashlib.sha256(contents[path]).hexdigest()
        for path in files
    }
    given = StagedPoints(points, place[stage], tuple(order), tuple(setups))
    none = np.zeros(len(points))
    read_as = as_one(*points.xyz.T, points.time, none, none)  # as wide as that of readings
    return StagedSurvey(given, inputs, tuple(faults.warnings), read_as, np.zeros(len(points), dtype=np.intp))


def _all_points(
    project: Project, files: Sequence[Path], faults: Faults, contents: Mapping[Path, bytes] | None = None
) -> tuple[SurveyPoints, tuple[Ints, list[str]], tuple[Ints, list[str]]]:
    """Return the points of all files, and codes and texts of their set-ups and stages.

    Raises
    ------
    InputError
        With every fault of all files.
    """
    more = (
        Column("slab", "text", required=False, blank=True, what="a slab name"),
        Column("corner", "text", required=False, blank=True, what="a mark of the slab"),
        *(Column(name, "number", required=False, blank=True, low=1e-3, high=1000, what="a sigma") for name in _SIGMAS),
        Column("setup", "text", required=False, blank=True, what="a set-up name"),
        Column("stage", "text", required=False, blank=True, what="a stage"),
        Column("time", "time", required=False, blank=True, what="a time"),
    )
    bounds = bounds_of(project)
    places = [
        place for path in files
        for place in (texts_at(path, SURVEY_FOLDER, faults) if contents is None else [(path, contents[path])])
    ]  # fmt: skip
    read = [read_points(path, bounds, faults, more, content) for path, content in places]
    faults.stop_if_any()
    tables = [table for table, _ in read]
    if not sum(len(table) for table in tables):
        raise InputError([Fault(str(project.folder / SURVEY_FOLDER), "a survey: CSV files of points", "none",
                                "put the surveyed points there, or name a file with --survey")])  # fmt: skip
    slab, mark = named_places(project, tables, faults)
    tell_designed(project, read, slab, mark, faults)
    setups = joined(tables, "setup")
    points = SurveyPoints(
        xyz=together([xyz for _, xyz in read]),
        sigma=_sigmas(project, tables, faults),
        slab=slab,
        mark=mark,
        setup=setups[0],
        time=together([_times(table) for table in tables]),
        label=labels(tables, slab, mark),
    )
    return points, setups, joined(tables, "stage")


def shown_name(project: Project, path: Path | str) -> str:
    """Return the name of a file for people and for provenance: within the project folder with its way from there."""
    full, folder = Path(path).resolve(), project.folder.resolve()
    return full.relative_to(folder).as_posix() if full.is_relative_to(folder) else full.name


def _sigmas(project: Project, tables: Sequence[Table], faults: Faults) -> Floats:
    s = project.settings.survey
    assumed = np.array([s.sigma_plan_mm, s.sigma_plan_mm, s.sigma_level_mm])
    parts = []
    for table in tables:
        own = [name for name in _SIGMAS if name in table]
        # a view that repeats one row takes no memory
        sigma = np.broadcast_to(assumed / 1e3, (len(table), 3))
        if own:
            sigma = sigma.copy()
        for name in own:
            i = _SIGMAS.index(name)
            values = np.where(np.isnan(table[name]), assumed[i], table[name])
            least, most = float(values.min()), float(values.max())
            if not (least >= LEAST_SIGMA_MM and most <= MOST_SIGMA_MM):
                faults.warn(f"{table.path.name}: {name}", f"sigmas of {LEAST_SIGMA_MM:g} to {MOST_SIGMA_MM:g} mm",
                            f"{least:g} to {most:g}", "metres?" if least < LEAST_SIGMA_MM else "")  # fmt: skip
            sigma[:, i] = values / 1e3
        parts.append(sigma)
    return together(parts)


def _times(table: Table) -> npt.NDArray[np.datetime64]:
    if "time" in table:
        return np.asarray(table["time"], dtype="datetime64[us]")
    return np.full(len(table), np.datetime64("NaT", "us"))
