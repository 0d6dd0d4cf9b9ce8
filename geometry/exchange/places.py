"""Which place along the line a row of a table names: by chainage or by distance."""

from __future__ import annotations

import numpy as np

from geometry.alignment import ChainageCount, format_chainage
from geometry.alignment.laws import Floats
from geometry.errors import ChainageError, Fault, Faults

from .tables import Column, Table

__all__ = ["FAR", "MOST", "distances", "in_order", "place_columns"]

FAR = 1e8
"""No chainage or coordinate is further from zero, m."""
MOST = 1e12
"""No number of a design is larger, in whatever unit: larger ones have no meaning, and powers of them no value."""
_SAME_PLACE = 1e-3  # chainage and distance of one place may differ by their rounding, m


def place_columns(suffix: str = "") -> tuple[Column, Column]:
    """Return the two columns either of which says where something is along the line."""
    return (
        Column(f"chainage{suffix}_m", "number", required=False, blank=True, low=-FAR, high=FAR, what="a chainage"),
        Column(f"distance{suffix}_m", "number", required=False, blank=True, low=-1e3, high=FAR, what="a distance"),
    )


def distances(table: Table, count: ChainageCount, faults: Faults, suffix: str = "") -> Floats:
    """Return the distance of each row from its chainage or distance column, m; nan where faulty.

    Parameters
    ----------
    table : Table
        With ``chainage{suffix}_m`` or ``distance{suffix}_m``; where both are filled the distance counts.
    count : ChainageCount
    faults : Faults
        Takes chainages that do not exist or occur twice, and rows without either.
    suffix : str
        "", "_start" or "_end".
    """
    chainage, distance = f"chainage{suffix}_m", f"distance{suffix}_m"
    nothing = np.full(len(table), np.nan)
    given, named = (table.columns.get(name, nothing) for name in (distance, chainage))
    result = np.array(given, dtype=np.float64)
    told = {fault.where.rpartition(": ")[0] for fault in faults.errors}  # a cell that is wrong is not missing
    for row in np.flatnonzero(np.isnan(given) & np.isnan(named)).tolist():
        if table.where(row) not in told:
            faults.error(table.where(row, chainage), "a chainage or a distance", "neither")
    for row in np.flatnonzero(~np.isnan(named)).tolist():
        where = table.where(row, chainage)
        if np.isnan(given[row]):
            try:
                result[row] = count.to_distance(named[row])
            except ChainageError as fault:
                faults.error(where, "a chainage that names one place", str(fault))
        elif not (np.abs(count.candidates(named[row])[1] - given[row]) <= _SAME_PLACE).any():
            at = format_chainage(float(count.to_chainage(given[row])))
            faults.error(where, f"the chainage of distance {given[row]:.3f} m, {at}",
                         format_chainage(float(named[row])), "leave one of the two empty")  # fmt: skip
    return result


def in_order(faults: Faults, since: int) -> None:
    """Sort the errors after the first `since` by file and line."""

    def key(fault: Fault) -> tuple[str, int]:
        file, _, rest = fault.where.partition(":")
        line = rest.partition(":")[0]
        return file, int(line) if line.isdigit() else 0

    faults.errors[since:] = sorted(faults.errors[since:], key=key)
