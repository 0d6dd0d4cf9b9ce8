"""What to draw where slabs are narrower than the picture can show: the worst of those that share a place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from viewer.layer import RailTrace, Scale
from viewer.rows import Rows
from viewer.section import NOT_MEASURED, OUT, UNDECIDED, WITHIN, Section

__all__ = ["gravest", "representatives", "thinned_rails"]

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


def representatives(section: Section, rows: Rows, amount: Floats, columns: int) -> Integers:
    """Return which slabs to draw where several share a column: the one with the largest amount.

    Parameters
    ----------
    section : Section
    rows : Rows
    amount : ndarray, shape (n,)
        Slabs of which it is nan give way to all others.
    columns : int
        Columns in a row.

    Returns
    -------
    ndarray of int
        Slab indices in the order of the section; all slabs if each has two columns and more to itself.
    """
    if len(section) * 2 <= rows.count * columns:
        return np.arange(len(section))
    return _first_of_each(_cells(section, rows, columns), np.nan_to_num(amount, nan=-1.0))


def gravest(section: Section, verdict: Integers, rows: Rows, columns: int) -> Integers:
    """Return which slabs carry a symbol: of those not within in one column, out before not measured before undecided.

    Parameters
    ----------
    section : Section
    verdict : ndarray of int, shape (n,)
    rows : Rows
    columns : int
        Symbols that have room side by side in a row.

    Returns
    -------
    ndarray of int
        Slab indices in the order of the section.
    """
    slabs = np.flatnonzero(verdict != WITHIN)
    urgency = np.array([_URGENCY[kind] for kind in range(4)], dtype=np.float64)[verdict[slabs]]
    chosen: Integers = slabs[_first_of_each(_cells(section, rows, columns)[slabs], urgency)]
    return chosen


def thinned_rails(
    rails: RailTrace, which: int, scale: Scale, rows: Rows, columns: int
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return a rail as pieces that lie in one row each: from seat to seat, or by columns where seats are too close.

    A column of several seats has the value furthest out among them, so that no peak is lost.

    Parameters
    ----------
    rails : RailTrace
    which : int
        Column of its values.
    scale : Scale
    rows : Rows
    columns : int
        Columns in a row.

    Returns
    -------
    ndarray, ndarray, each of shape (k,)
        Continuous distance of the beginning and the end of each piece, m.
    ndarray, ndarray, each of shape (k,)
        Values there, mm; both nan if one is unknown.
    """
    value, distance = rails.value_mm[:, which], rails.distance
    if len(distance) * 2 <= rows.count * columns:
        start, end = distance[:-1][rails.joined], distance[1:][rails.joined]
        first, last = value[:-1][rails.joined], value[1:][rails.joined]
        whole = rows.row(start) == rows.row(end)
        edge = rows.start + rows.row(end) * rows.length
        share = np.divide(edge - start, end - start, out=np.zeros(len(start)), where=end > start)
        middle = first + share * (last - first)
        cut = ~whole
        start, end, first, last = (
            np.concatenate(parts)
            for parts in (
                (start[whole], start[cut], edge[cut]),
                (end[whole], edge[cut] - 1e-6, end[cut]),
                (first[whole], first[cut], middle[cut]),
                (last[whole], middle[cut], last[cut]),
            )
        )
        blank = np.isnan(first) | np.isnan(last)
        return start, end, np.where(blank, np.nan, first), np.where(blank, np.nan, last)
    width = rows.length / columns
    column = np.floor(rows.place(distance) / width).astype(np.int64)
    cells = rows.row(distance) * columns + np.clip(column, 0, columns - 1)
    amount = np.where(np.isnan(value), -1.0, np.abs(scale.share(value)))
    chosen = _first_of_each(cells, amount)
    begin: Floats = np.asarray(rows.start + cells[chosen] * width, dtype=np.float64)
    return begin, begin + width - 1e-6, value[chosen], value[chosen]
