"""What to draw where slabs are narrower than the picture can show: the worst of those that share a place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from viewer.rows import Rows
from viewer.section import NOT_MEASURED, OUT, UNDECIDED, WITHIN, Section

__all__ = ["gravest", "representatives"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_URGENCY = {WITHIN: 0, UNDECIDED: 1, NOT_MEASURED: 2, OUT: 3}


def _cells(section: Section, rows: Rows, columns: int) -> Integers:
    """Return in which cell of the picture each slab stands, counted row by row."""
    column = np.floor(rows.place(section.distance) / rows.length * columns).astype(np.int64)
    cells: Integers = rows.row(section.distance) * columns + np.clip(column, 0, columns - 1)
    return cells


def _first_of_each(cells: Integers, amount: Floats) -> Integers:
    """Return which entry of each cell has the largest amount, in the order of the entries."""
    order = np.lexsort((-amount, cells))
    first = np.unique(cells[order], return_index=True)[1]
    chosen: Integers = np.sort(order[first])
    return chosen


def representatives(section: Section, rows: Rows, quantity: str, columns: int) -> Integers:
    """Return which slabs to draw where several share a column: the one with the largest amount.

    Parameters
    ----------
    section : Section
    rows : Rows
    quantity : str
        Slabs of which it is not known give way to all others.
    columns : int
        Columns in a row.

    Returns
    -------
    ndarray of int
        Slab indices in the order of the section; all slabs if each has two columns and more to itself.
    """
    if len(section) * 2 <= rows.count * columns:
        return np.arange(len(section))
    amount = np.nan_to_num(np.abs(section.largest(quantity)), nan=-1.0)
    return _first_of_each(_cells(section, rows, columns), amount)


def gravest(section: Section, rows: Rows, columns: int) -> Integers:
    """Return which slabs carry a symbol: of those not within in one column, out before not measured before undecided.

    Parameters
    ----------
    section : Section
    rows : Rows
    columns : int
        Symbols that have room side by side in a row.

    Returns
    -------
    ndarray of int
        Slab indices in the order of the section.
    """
    slabs = np.flatnonzero(section.verdict != WITHIN)
    urgency = np.array([_URGENCY[verdict] for verdict in range(4)], dtype=np.float64)[section.verdict[slabs]]
    chosen: Integers = slabs[_first_of_each(_cells(section, rows, columns)[slabs], urgency)]
    return chosen
