"""Chord limits of the rail as rows over the moves of the slabs that carry it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array, csr_array

from geometry.alignment.laws import Floats
from geometry.placement.rail.chords import chord_rows
from geometry.placement.rail.forecast import RailLimit
from geometry.placement.rail.seats import RailSeats

from .rule_table import KINDS, RuleTable

__all__ = ["CarriedRail", "rail_tables"]

_AXES = {"line": 0, "level": 1}
_NO_WEIGHT = 1e-12


@dataclass(frozen=True, eq=False)
class CarriedRail:
    """The rail on its slabs, and the limits of its chords.

    Attributes
    ----------
    seats : RailSeats
        s of them.
    cast, cast_variance : ndarray, shape (s, 2, 2)
        What casting adds to `RailSeats.target_offset`, m, and its variance, m^2.
    limits : tuple of RailLimit
        Of level and line, with a chord.
    """

    seats: RailSeats
    cast: Floats
    cast_variance: Floats
    limits: tuple[RailLimit, ...]


def _channel(rail: CarriedRail, side: int, axis: int, slabs: int) -> csr_array:
    """Return the rows of one rail in line (0) or level (1) at all seats, shape (s, 6 n)."""
    seats = rail.seats
    s = len(seats.slab)
    column = 6 * seats.slab[:, None] + np.arange(6)
    row = np.repeat(np.arange(s), 6)
    return csr_array(coo_array((seats.rows[:, side, axis].ravel(), (row, column.ravel())), shape=(s, 6 * slabs)))


def _limit_tables(rail: CarriedRail, number: int, limit: RailLimit, pose: Floats) -> list[RuleTable]:
    seats, axis = rail.seats, _AXES[limit.quantity]
    if limit.chord is None:
        raise ValueError(f"a plan keeps chords of the rail, got a limit of {limit.words}")
    found = chord_rows(seats.station, limit.chord)
    place, weights = found.place, csr_array(found.rows)
    r = len(place)
    tables = []
    for side in (0, 1):
        channel = _channel(rail, side, axis, len(pose))
        carried = seats.target_offset[:, side, axis] + rail.cast[:, side, axis]
        carried = carried + np.asarray(channel @ np.nan_to_num(pose).ravel())
        rows = csr_array(weights @ channel)
        # seats of one slab may cancel each other: what is left of that is no share in the rule
        rows.data[np.abs(rows.data) < _NO_WEIGHT] = 0.0
        rows.eliminate_zeros()
        rows.sort_indices()
        used = np.diff(rows.indptr) > 0
        last = max(rows.nnz - 1, 0)
        rear = rows.indices[np.clip(rows.indptr[:-1], 0, last)] // 6
        front = rows.indices[np.clip(rows.indptr[1:] - 1, 0, last)] // 6
        tables.append(RuleTable(
            kind=np.full(r, KINDS.index(f"rail_{limit.quantity}")),
            rear=np.where(used, rear, seats.slab[place]).astype(np.intp),
            front=np.where(used, front, seats.slab[place]).astype(np.intp),
            place=2 * place + side,
            limit=np.full(r, number),
            value=np.asarray(weights @ carried),
            sigma=np.asarray(np.sqrt(weights.power(2) @ rail.cast_variance[:, side, axis])),
            low=np.full(r, limit.low),
            high=np.full(r, limit.high),
            rows=rows,
        ))  # fmt: skip
    return tables


def rail_tables(rail: CarriedRail, pose: Floats) -> list[RuleTable]:
    """Return the rules of the rail, a table for each limit and rail; sigma is what casting alone makes uncertain.

    Parameters
    ----------
    rail : CarriedRail
    pose : ndarray, shape (n, 6)
        Deviation of each slab's pose, m and rad; nan where it is not known. Rules on such a slab get a value all the
        same, and are to be left out by their rows.
    """
    return [table for number, limit in enumerate(rail.limits) for table in _limit_tables(rail, number, limit, pose)]
