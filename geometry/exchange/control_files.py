"""Files of control points and of planned instrument positions."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from geometry.alignment import Alignment, ChainageCount, evaluate
from geometry.alignment.laws import Floats
from geometry.errors import ChainageError, Faults
from geometry.survey.readings import Control

from .places import FAR
from .project import LEAST_SIGMA_MM
from .survey_files import read_points
from .tables import Column, Table, read_table

__all__ = ["CONTROL_FILE", "PlannedPlaces", "beside_line", "read_control", "read_control_and_given", "read_places"]

CONTROL_FILE = "control.csv"
_MOST_SIGMA_MM = 50.0  # a control point less certain than that is none
_SIGMAS = ("sigma_easting_mm", "sigma_northing_mm", "sigma_level_mm")
_GRID = ("easting_m", "northing_m", "level_m")
_BESIDE = ("chainage_m", "offset_m", "height_m")
_FAR_BESIDE, _HIGH = 500.0, 100.0  # an instrument further from the line sees no mark of it, m


@dataclass(frozen=True, eq=False)
class PlannedPlaces:
    """Places where an instrument may stand; arrays of length c.

    Attributes
    ----------
    names : tuple of str
    xyz : ndarray, shape (c, 3)
        Easting, northing, level of the tilting axis in the grid, m.
    """

    names: tuple[str, ...]
    xyz: Floats


def read_control(
    path: Path | str, faults: Faults, assumed_sigma: tuple[float, float, float],
    bounds: tuple[Floats, Floats] | None = None,
) -> Control:  # fmt: skip
    """Read control points: ``point,easting_m,northing_m,level_m`` and perhaps a sigma of each coordinate in mm.

    Parameters
    ----------
    path : Path or str
    faults : Faults
        Takes everything that is wrong with the file; the points are only to be used without errors.
    assumed_sigma : tuple of float
        Standard uncertainty of easting, northing, level where the file gives none, m. A sigma of 0 in the file
        holds the coordinate fixed.
    bounds : tuple of ndarray, shape (3,) each, optional
        Smallest and largest coordinates that may be, m.

    Returns
    -------
    Control
        Without points if the file has faults.
    """
    return read_control_and_given(path, faults, assumed_sigma, bounds)[0]


def read_control_and_given(
    path: Path | str, faults: Faults, assumed_sigma: tuple[float, float, float],
    bounds: tuple[Floats, Floats] | None = None,
) -> tuple[Control, npt.NDArray[np.bool_]]:  # fmt: skip
    """Return what `read_control` does, and which sigmas the file itself gives, shape (k, 3)."""
    nothing = Control((), np.zeros((0, 3)), np.zeros((0, 3))), np.zeros((0, 3), dtype=bool)
    more = [
        Column(name, "number", required=False, blank=True, low=0.0, high=_MOST_SIGMA_MM, what="a sigma")
        for name in _SIGMAS
    ]
    before = len(faults.errors)
    table, xyz = read_points(path, bounds, faults, more, wanted="control")
    if len(table):
        _tell_again(table, faults)
    if len(faults.errors) > before or not len(table):
        return nothing
    has = np.zeros((len(table), 3), dtype=bool)
    sigma = np.tile(np.asarray(assumed_sigma, dtype=np.float64), (len(table), 1))
    for axis, name in enumerate(_SIGMAS):
        if name in table:
            given = table[name]
            has[:, axis] = np.isfinite(given)
            sigma[:, axis] = np.where(has[:, axis], given / 1e3, sigma[:, axis])
            small = np.flatnonzero((given > 0) & (given < LEAST_SIGMA_MM))
            if small.size:
                faults.warn(table.where(int(small[0]), name), f"a sigma of 0 (fixed) or from {LEAST_SIGMA_MM:g} mm on",
                            f"{given[small[0]]:g}", "metres?")  # fmt: skip
    return Control(tuple(table["point"].tolist()), xyz, sigma), has


def _tell_again(table: Table, faults: Faults) -> None:
    """Report names that stand in more than one row: nobody knows which of the points counts."""
    codes, distinct = table.codes("point")
    first = np.unique(codes, return_index=True)[1]
    for row in np.setdiff1d(np.arange(len(table)), first).tolist():
        name = str(distinct[codes[row]])
        if name:
            faults.error(table.where(row, "point"), "each control point once", f"{name!r} again",
                         f"first on line {table.line(int(first[codes[row]]))}")  # fmt: skip


def beside_line(alignment: Alignment, distance: Floats, offset: Floats, height: Floats) -> Floats:
    """Return places beside the line in the grid, m, shape (c, 3).

    Parameters
    ----------
    alignment : Alignment
    distance : ndarray, shape (c,)
        Along the line, m.
    offset : ndarray, shape (c,)
        Square to the line in the grid, m, + to the right.
    height : ndarray, shape (c,)
        Over the profile, m.
    """
    line = evaluate(alignment, distance)
    return np.stack([
        line.easting + offset * np.cos(line.bearing), line.northing - offset * np.sin(line.bearing), line.level + height
    ], axis=-1)  # fmt: skip


def read_places(path: Path | str, alignment: Alignment, count: ChainageCount, faults: Faults) -> PlannedPlaces:
    """Read planned positions of an instrument's tilting axis.

    A row names itself (``name``) and gives either ``easting_m,northing_m,level_m`` or
    ``chainage_m,offset_m,height_m``, height over the profile; a file may mix both.

    Parameters
    ----------
    path : Path or str
    alignment, count : Alignment, ChainageCount
    faults : Faults
        Takes everything that is wrong with the file.
    """
    columns = (
        Column("name", "text", what="a name"),
        *(Column(name, "number", required=False, blank=True, low=-FAR, high=FAR, what="a coordinate")
          for name in _GRID),
        Column("chainage_m", "number", required=False, blank=True, low=-FAR, high=FAR, what="a chainage"),
        Column("offset_m", "number", required=False, blank=True, low=-_FAR_BESIDE, high=_FAR_BESIDE, what="an offset"),
        Column("height_m", "number", required=False, blank=True, low=-_HIGH, high=_HIGH,
               what="a height over the profile"),
    )  # fmt: skip
    before = len(faults.errors)
    table = read_table(path, columns, faults, unique=("name",), sheet="candidates")
    if not len(table):
        return PlannedPlaces((), np.zeros((0, 3)))
    told = {fault.where.rpartition(": ")[0] for fault in faults.errors[before:]}
    nothing = np.full(len(table), np.nan)
    grid, beside = (np.stack([table.columns.get(name, nothing) for name in names], 1) for names in (_GRID, _BESIDE))
    has_grid, has_beside = np.isfinite(grid), np.isfinite(beside)
    one_way = (has_grid.all(axis=1) & ~has_beside.any(axis=1)) | (has_beside.all(axis=1) & ~has_grid.any(axis=1))
    for row in np.flatnonzero(~one_way).tolist():
        if table.where(row) not in told:  # a cell that is wrong is not missing
            given = [n for n, has in zip((*_GRID, *_BESIDE), (*has_grid[row], *has_beside[row]), strict=True) if has]
            faults.error(table.where(row), f"{', '.join(_GRID)}, or else {', '.join(_BESIDE)}",
                         ", ".join(given) or "none of them")  # fmt: skip
    distance = np.full(len(table), np.nan)
    for row in np.flatnonzero(has_beside[:, 0]).tolist():
        try:
            distance[row] = count.to_distance(beside[row, 0])
        except ChainageError as fault:
            faults.error(table.where(row, "chainage_m"), "a chainage that names one place", str(fault))
    if len(faults.errors) > before:
        return PlannedPlaces((), np.zeros((0, 3)))
    at_line = beside_line(alignment, distance, beside[:, 1], beside[:, 2])
    return PlannedPlaces(tuple(table["name"].tolist()), np.where(has_grid[:, :1], grid, at_line))
