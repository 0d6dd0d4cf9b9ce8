"""Files of surveyed bed points and of built anchors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.errors import Fault, Faults, InputError
from geometry.placement.mortar import Anchors, Bed, build_bed, match_anchors
from geometry.survey.points import Ints

from .mortar_settings import MortarSettings
from .places import FAR
from .project import LEAST_SIGMA_MM, MOST_SIGMA_MM, Project, digest
from .results import anchor_table
from .survey_files import POINTS_SUFFIXES, bounds_of, each_once, read_points, shown_name
from .tables import Column, Table, read_table
from .workbook_sheets import table_file, tables_in_folder, texts_at

__all__ = [
    "ANCHOR_FILE",
    "BED_FOLDER",
    "AnchorSurvey",
    "BedSurvey",
    "bed_paths",
    "mortar_settings",
    "read_anchors",
    "read_bed",
    "slab_rows",
]

BED_FOLDER, ANCHOR_FILE = "bed", "anchors.csv"
_TIMES = 4.6  # readings of one place further apart than this many sigmas differ: 3.29 times the square root of two
_MOST_RADIUS = 1000.0  # of an anchor, mm
_MOST_NAMED = 5
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class BedSurvey:
    """Surveyed points of the bed, and the bed that they make; p points.

    Attributes
    ----------
    names : ndarray of str, shape (p,)
        As the files name them; "" for none.
    source : ndarray of str, shape (p,)
        File and line.
    xyz : ndarray, shape (p, 3)
        Easting, northing, level, m.
    sigma : ndarray, shape (p,)
        Standard uncertainty of each level, m.
    time : ndarray of datetime64, shape (p,)
        NaT where unknown.
    bed : Bed
    inputs : dict of str to str
        SHA-256 of each file.
    warnings : tuple of Fault
    """

    names: npt.NDArray[np.object_]
    source: npt.NDArray[np.object_]
    xyz: Floats
    sigma: Floats
    time: npt.NDArray[np.datetime64]
    bed: Bed
    inputs: dict[str, str]
    warnings: tuple[Fault, ...]


@dataclass(frozen=True, eq=False)
class AnchorSurvey:
    """Built anchors, and the notch that each stands in.

    Attributes
    ----------
    anchors : Anchors
    anchor_of : ndarray of int, shape (n, 2)
        Anchor in the rear and the front notch of each slab of the layout; -1 for none.
    inputs : dict of str to str
        SHA-256 of the file.
    warnings : tuple of Fault
    """

    anchors: Anchors
    anchor_of: Ints
    inputs: dict[str, str]
    warnings: tuple[Fault, ...]


def mortar_settings(project: Project) -> MortarSettings:
    """Return what the project says of the mortar.

    Raises
    ------
    InputError
        If it says nothing.
    """
    settings = project.settings.mortar
    if settings is None:
        raise InputError([Fault("project.toml", "a table mortar.gap with low_mm, high_mm and source", "none",
                                "no mortar gap is judged without its limits")])  # fmt: skip
    return settings


def bed_paths(folder: Path) -> list[Path]:
    """Return the bed files of a project folder, in order of name: CSV, Excel and LandXML in its folder ``bed``."""
    return tables_in_folder(folder, BED_FOLDER, POINTS_SUFFIXES)


def read_bed(project: Project, paths: Sequence[Path | str] | None = None, *, needed: bool = True) -> BedSurvey:
    """Read the bed points of a project: ``easting_m,northing_m,level_m``, perhaps ``point,sigma_level_mm,time``.

    Parameters
    ----------
    project : Project
    paths : sequence of Path, optional
        In place of those in the project folder.
    needed : bool
        Whether no file is a fault; else there is a bed without points then.

    Raises
    ------
    InputError
        With every fault of all files; if there is no file and one is needed; if the project says nothing of the mortar.
    """
    settings = mortar_settings(project)
    files = each_once(bed_paths(project.folder) if paths is None else paths)
    if not files and not needed:
        nothing, empty = np.empty(0, dtype=object), np.empty(0)
        bed = build_bed(np.empty((0, 3)), empty, settings.shared_level_mm / 1e3, settings.longest_edge_m)
        none = Fault(BED_FOLDER, "a survey of the bed", "none", "gaps are to the bed by design, and none is within")
        return BedSurvey(
            nothing, nothing, np.empty((0, 3)), empty, np.empty(0, dtype="datetime64[us]"), bed, {}, (none,)
        )  # fmt: skip
    if not files:
        raise InputError([Fault(str(project.folder / BED_FOLDER), "a survey of the bed: files of points", "none",
                                "put the surveyed bed points there")])  # fmt: skip
    faults = Faults()
    more = (
        Column("sigma_level_mm", "number", required=False, blank=True, low=1e-3, high=1000, what="a sigma"),
        Column("time", "time", required=False, blank=True, what="a time"),
    )
    bounds = bounds_of(project)
    places = [place for path in files for place in texts_at(path, BED_FOLDER, faults)]
    read = [read_points(path, bounds, faults, more, content, named=False) for path, content in places]
    faults.stop_if_any()
    tables = [table for table, _ in read]
    xyz = np.concatenate([points for _, points in read])
    sigma = np.concatenate([_sigmas(table, settings.sigma_level_mm, faults) for table in tables])
    source = np.concatenate([_sources(shown_name(project, table.path), table) for table in tables])
    bed = build_bed(xyz, sigma, settings.shared_level_mm / 1e3, settings.longest_edge_m)
    _tell_bed(bed, sigma, source, settings, faults)
    return BedSurvey(
        names=np.concatenate([_texts(table, "point") for table in tables]),
        source=source,
        xyz=xyz,
        sigma=sigma,
        time=np.concatenate([_times(table) for table in tables]),
        bed=bed,
        inputs={shown_name(project, path): digest(path) for path in files},
        warnings=tuple(faults.warnings),
    )


def _texts(table: Table, name: str) -> npt.NDArray[np.object_]:
    return table[name] if name in table else np.full(len(table), "", dtype=object)


def _times(table: Table) -> npt.NDArray[np.datetime64]:
    if "time" in table:
        return np.asarray(table["time"], dtype="datetime64[us]")
    return np.full(len(table), np.datetime64("NaT", "us"))


def _sources(name: str, table: Table) -> npt.NDArray[np.object_]:
    return np.char.add(f"{name}:", table.lines.astype(str)).astype(object)


def _sigmas(table: Table, assumed_mm: float, faults: Faults) -> Floats:
    if "sigma_level_mm" not in table:
        return np.full(len(table), assumed_mm / 1e3)
    sigma = np.where(np.isnan(table["sigma_level_mm"]), assumed_mm, table["sigma_level_mm"])
    least, most = float(sigma.min()), float(sigma.max())
    if not (least >= LEAST_SIGMA_MM and most <= MOST_SIGMA_MM):
        faults.warn(f"{table.path.name}: sigma_level_mm", f"sigmas of {LEAST_SIGMA_MM:g} to {MOST_SIGMA_MM:g} mm",
                    f"{least:g} to {most:g}", "metres?" if least < LEAST_SIGMA_MM else "")  # fmt: skip
    return np.asarray(sigma / 1e3)


def _tell_bed(
    bed: Bed, sigma: Floats, source: npt.NDArray[np.object_], settings: MortarSettings, faults: Faults
) -> None:  # fmt: skip
    """Warn of points that make no bed, and of places that were measured twice and differ."""
    if not len(bed.triangles):
        faults.warn(BED_FOLDER, "points that span a surface", f"{len(bed.xyz)} places that do not",
                    "all on one line, or further apart than mortar.longest_edge_m?")  # fmt: skip
    apart = bed.spread[bed.place_of]
    differ = np.flatnonzero(apart > _TIMES * sigma)
    if differ.size:
        worst = differ[apart[differ].argmax()]
        places = len(np.unique(bed.place_of[differ]))
        faults.warn(str(source[worst]), "readings of one place that agree",
                    f"{apart[worst] * 1e3:.1f} mm between them, at {places} place{'s' * (places > 1)} in all",
                    "their mean counts, with half of it as its uncertainty")  # fmt: skip


def read_anchors(project: Project) -> AnchorSurvey:
    """Read the built anchors of a project, if it has any, and find the joint of each by its place.

    ``anchors.csv``, or such a sheet, has ``easting_m,northing_m``, perhaps ``name,level_m,radius_mm,sigma_plan_mm``;
    the level is that of the top. The radius is that of the project where it is not given, the sigma that of a
    surveyed mark.

    Raises
    ------
    InputError
        With every fault of the file.
    """
    path = table_file(project.folder / ANCHOR_FILE)
    nobody = np.full((len(project.layout.names), 2), -1, dtype=np.intp)
    if not path.exists():
        return AnchorSurvey(Anchors((), np.empty((0, 3)), np.empty(0), np.empty(0)), nobody, {}, ())
    faults = Faults()
    columns = (
        Column("name", "text", required=False, blank=True, what="a name"),
        Column("easting_m", "number", low=-FAR, high=FAR, what="an easting"),
        Column("northing_m", "number", low=-FAR, high=FAR, what="a northing"),
        Column("level_m", "number", required=False, blank=True, low=-FAR, high=FAR, what="a level"),
        Column("radius_mm", "number", required=False, blank=True, low=1, high=_MOST_RADIUS, what="a radius"),
        Column("sigma_plan_mm", "number", required=False, blank=True, low=1e-3, high=MOST_SIGMA_MM, what="a sigma"),
    )
    table = read_table(path, columns, faults, sheet="anchors")
    faults.stop_if_any()

    def numbers(name: str, assumed: float) -> Floats:
        given = table[name] if name in table else np.full(len(table), np.nan)
        return np.asarray(np.where(np.isnan(given), assumed, given))

    names = [f"{table.where(row)}{f' ({name})' if name else ''}"
             for row, name in enumerate(_texts(table, "name").tolist())]  # fmt: skip
    anchors = Anchors(
        tuple(names),
        np.stack([table["easting_m"], table["northing_m"], numbers("level_m", np.nan)], axis=1),
        numbers("radius_mm", project.settings.bed.anchor_radius_mm) / 1e3,
        numbers("sigma_plan_mm", project.settings.survey.sigma_plan_mm) / 1e3,
    )
    design = anchor_table(project)
    places = np.stack([design[f"{axis}_m"] for axis in ("easting", "northing", "level")], axis=1)
    reach = project.settings.survey.match_radius_m
    found, stray, second = match_anchors(places, anchors, reach)
    _tell_anchors(names, design, stray, second, reach, faults)
    rear, front = (slab_rows(project, design[f"{side}_slab"]) for side in ("rear", "front"))
    nobody[front[front >= 0], 0] = found[front >= 0]
    nobody[rear[rear >= 0], 1] = found[rear >= 0]
    return AnchorSurvey(anchors, nobody, {path.name: digest(path)}, tuple(faults.warnings))


def slab_rows(project: Project, names: npt.NDArray[np.str_]) -> Ints:
    """Return the row of each named slab in the layout; -1 for an empty name."""
    order = np.argsort(project.layout.names)
    at = np.searchsorted(project.layout.names, names, sorter=order)
    rows = order[np.minimum(at, len(order) - 1)]
    return np.where(project.layout.names[rows] == names, rows, -1)


def _tell_anchors(
    names: Sequence[str], design: dict[str, npt.NDArray[np.str_]], stray: Ints, second: Ints, reach: float,
    faults: Faults,
) -> None:  # fmt: skip
    """Warn of anchors that stand at no joint, and of joints that two of them claim."""
    for row in stray[:_MOST_NAMED].tolist():
        faults.warn(names[row], f"an anchor within {reach:g} m of a joint of the layout", "none near", "left out")
    if len(stray) > _MOST_NAMED:
        hint = "easting and northing exchanged, or another layout?" if 2 * len(stray) > len(names) else "left out"
        faults.warn(ANCHOR_FILE, "anchors at joints of the layout", f"{len(stray) - _MOST_NAMED} more that are not",
                    hint)  # fmt: skip
    for row, place in second.tolist():
        beside = [str(name) for name in (design["rear_slab"][place], design["front_slab"][place]) if name]
        faults.warn(names[row], "one anchor at each joint", f"a second one beside {' and '.join(beside)}",
                    "neither counts until one is struck out")  # fmt: skip
