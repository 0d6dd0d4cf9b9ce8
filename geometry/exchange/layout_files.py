"""The tables that say where slabs may lie: structures, and a layout that is given."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from geometry.alignment import Alignment, ChainageCount
from geometry.alignment.laws import Floats
from geometry.errors import Faults
from geometry.slabs import SlabType, Span
from geometry.slabs.layout import Ints

from .places import distances, in_order, place_columns
from .tables import Column, Table
from .workbook_files import FolderTables

__all__ = ["LayoutTables", "read_layout_tables", "slabs_of", "spans_of"]

_HAIR = 1e-6


@dataclass(frozen=True)
class LayoutTables:
    """Structures and slabs as they were read; None where there is no such table."""

    structures: Table | None
    slabs: Table | None


def read_layout_tables(given: FolderTables, type_names: Sequence[str] | None, faults: Faults) -> LayoutTables:
    """Read the tables of structures and slabs; any type of slab will do where the types are not known."""
    of_structures = (
        Column("name", "text", what="a name"),
        Column("kind", "text", what="a kind of structure"),
        *place_columns("_start"),
        *place_columns("_end"),
    )
    choices = None if type_names is None else tuple(type_names)
    of_slabs = (
        Column("slab", "text", what="a slab name"),
        Column("type", "text", choices=choices, what="a slab type of project.toml"),
        *place_columns(),
    )
    return LayoutTables(
        given.read("structures", of_structures, faults, unique=("name",)) if "structures" in given else None,
        given.read("layout", of_slabs, faults, unique=("slab",)) if "layout" in given else None,
    )


def spans_of(table: Table | None, alignment: Alignment, count: ChainageCount, faults: Faults) -> tuple[Span, ...]:
    """Return the spans between structure joints in order; without a table one span is all of the line."""
    if table is None:
        return (Span("line", "line", 0.0, alignment.length),)
    since = len(faults.errors)
    start, end = distances(table, count, faults, "_start"), distances(table, count, faults, "_end")
    spans = []
    for row in np.flatnonzero(np.isfinite(start) & np.isfinite(end)).tolist():  # the others are told already
        span = Span(str(table["name"][row]), str(table["kind"][row]), float(start[row]), float(end[row]))
        spans.append((span, row))
        found = f"{span.start:.3f} to {span.end:.3f} m"
        if not span.start < span.end:
            faults.error(table.where(row), "an end after the start", found)
        elif not (span.start >= -_HAIR and span.end <= alignment.length + _HAIR):
            faults.error(table.where(row), f"a span on the alignment, 0 to {alignment.length:.3f} m", found)
    spans.sort(key=lambda pair: pair[0].start)
    for (this, _), (following, row) in pairwise(spans):
        if following.start < this.end - _HAIR:
            faults.error(table.where(row), f"a start at or after the end of {this.name}, {this.end:.3f} m",
                         f"{following.start:.3f} m", "spans overlap")  # fmt: skip
    in_order(faults, since)
    return tuple(span for span, _ in spans)


def slabs_of(
    table: Table, types: Sequence[SlabType], alignment: Alignment, count: ChainageCount, faults: Faults
) -> tuple[npt.NDArray[np.str_], Ints, Floats]:
    """Return name, type and distance of the centre of each slab of a table without faults, in its order."""
    since = len(faults.errors)
    distance = distances(table, count, faults)
    codes, distinct = table.codes("type")
    names = [t.name for t in types]
    kind = np.array([names.index(name) for name in distinct], dtype=np.intp)[codes]
    half = np.array([t.length for t in types])[kind] / 2
    beyond = np.maximum(half - distance, distance + half - alignment.length)
    for row in np.flatnonzero(beyond > 0).tolist():
        faults.error(table.where(row), f"a slab that lies on the alignment with its whole length, "
                     f"0 to {alignment.length:.3f} m", f"one that reaches {beyond[row]:.3f} m beyond")  # fmt: skip
    in_order(faults, since)
    return table["slab"].astype(np.str_), kind, distance
