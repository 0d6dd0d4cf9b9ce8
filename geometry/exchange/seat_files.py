"""The file of rail seats as the factory measured them on the cast slabs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from geometry.errors import Faults
from geometry.placement.rail.seats import CastSeats, RailSeats

from .cells import near
from .project import digest
from .tables import Column, Table, read_table
from .workbook_sheets import table_file

__all__ = ["SEATS_FILE", "read_cast_seats", "seat_inputs"]

SEATS_FILE = "seats.csv"
_RAILS = ("L", "R")
_FAR = 20.0  # a seat further from its place than this is no measurement of it, mm

_COLUMNS = (
    Column("slab", "text", what="a slab name"),
    Column("seat", "number", low=1, what="the number of a seat on its slab, 1 at the rear"),
    Column("rail", "text", choices=_RAILS),
    Column("across_mm", "number", low=-_FAR, high=_FAR, what="a seat as cast less designed, + right"),
    Column("up_mm", "number", low=-_FAR, high=_FAR, what="a seat as cast less designed, + up"),
    Column("sigma_mm", "number", required=False, blank=True, low=0.001, high=5.0, what="a standard uncertainty"),
)


def seat_inputs(folder: Path) -> dict[str, str]:
    """Return the file that holds the factory's measurements of a project with its SHA-256; nothing if there is none."""
    file = table_file(folder / SEATS_FILE)
    return {file.name: digest(file)} if file.is_file() else {}


def read_cast_seats(
    path: Path, names: npt.NDArray[np.str_], seats: RailSeats, sigma: float, faults: Faults
) -> CastSeats | None:
    """Read seats.csv: slab, seat, rail, across_mm, up_mm, and sigma_mm if known.

    Parameters
    ----------
    path : Path
        ``seats.csv`` of a project, in place of which a workbook may stand.
    names : ndarray of str, shape (n,)
        Of the slabs of the layout.
    seats : RailSeats
        Of this layout.
    sigma : float
        Standard uncertainty where the file gives none, m.
    faults : Faults
        Takes everything that is wrong.

    Returns
    -------
    CastSeats, or None if there is no such file or it has faults
        Seats without a row are not measured.
    """
    path = table_file(path)
    if not path.exists():
        return None
    since = len(faults.errors)
    table = read_table(path, _COLUMNS, faults, unique=("slab", "seat", "rail"), sheet="seats")
    if len(faults.errors) > since or not len(table):
        return None
    slab = table.index_in("slab", names)
    number, count = table["seat"], np.bincount(seats.slab, minlength=len(names))
    _tell_strange(table, slab, number, count, names, faults)
    if len(faults.errors) > since:
        return None
    first = np.cumsum(count) - count
    row = first[slab] + number.astype(np.intp) - 1
    rail = table.index_in("rail", _RAILS)
    offset, spread = np.full((len(seats.slab), 2, 2), np.nan), np.full((len(seats.slab), 2, 2), np.nan)
    offset[row, rail, 0], offset[row, rail, 1] = table["across_mm"] / 1e3, table["up_mm"] / 1e3
    given = table["sigma_mm"] / 1e3 if "sigma_mm" in table else np.full(len(table), np.nan)
    spread[row, rail] = np.where(np.isnan(given), sigma, given)[:, None]
    return CastSeats(offset, spread)


def _tell_strange(
    table: Table, slab: npt.NDArray[np.intp], number: npt.NDArray[np.float64], count: npt.NDArray[np.intp],
    names: npt.NDArray[np.str_], faults: Faults,
) -> None:  # fmt: skip
    """Report rows of slabs and seats that are not there."""
    unknown = np.flatnonzero(slab < 0)
    for row in unknown[:5].tolist():
        text = str(table["slab"][row])
        faults.error(table.where(row, "slab"), "a slab of the layout", repr(text), near(text, names.tolist()))
    if len(unknown) > 5:
        faults.error(table.path.name, "slabs of the layout", f"{len(unknown) - 5} more rows of unknown ones")
    most = np.where(slab >= 0, count[slab], np.inf)
    strange = np.flatnonzero((number != np.floor(number)) | (number > most))
    for row in strange[:5].tolist():
        last = "that many" if np.isinf(most[row]) else f"{most[row]:.0f}"
        faults.error(table.where(row, "seat"), f"a whole number of 1 to {last}, counted from the rear of the slab",
                     f"{number[row]:g}")  # fmt: skip
    if len(strange) > 5:
        faults.error(table.path.name, "seats that the slabs have", f"{len(strange) - 5} more rows of others")
