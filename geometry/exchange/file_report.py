"""The faults of one table, told in the order of its lines and not more than anyone reads."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from geometry.errors import Fault, Faults
from geometry.exchange.cells import BadCells, Column

__all__ = ["MOST_LIKE_EACH_OTHER", "FileReport"]

MOST_LIKE_EACH_OTHER = 20
"""Faults of one kind in one column that are told one by one."""


class FileReport:
    """Faults of one file, told in the order of its lines."""

    def __init__(self, path: Path, columns: Sequence[Column]) -> None:
        self._path, self._columns = path, columns
        self._faults: list[tuple[int, int, Fault]] = []

    def cells(self, bad: BadCells, column: Column, lines: NDArray[np.int64]) -> None:
        """Note cells with the same kind of fault."""
        place = self._columns.index(column)
        told = bad.rows[:MOST_LIKE_EACH_OTHER]
        for row, found, hint in zip(told, bad.found, bad.hints, strict=False):
            hints = "; ".join(part for part in (hint, column.hint) if part)
            where = f"{self._path.name}:{lines[row]}: {column.name}"
            self._faults.append((int(lines[row]), place, Fault(where, bad.expected, found, hints)))
        self.more(len(bad.rows) - len(told), bad.expected, column.name, place)

    def line(self, line: int, column: str, expected: str, found: str, hint: str = "") -> None:
        """Note a fault of a whole line."""
        where = f"{self._path.name}:{line}" + (f": {column}" if column else "")
        self._faults.append((line, -1, Fault(where, expected, found, hint)))

    def more(self, count: int, expected: str, column: str = "", place: int = -1) -> None:
        """Note how many faults of a kind are not told one by one."""
        if count > 0:
            where = self._path.name + (f": {column}" if column else "")
            fault = Fault(where, expected, f"{count} more like {'this' if count == 1 else 'these'}")
            self._faults.append((np.iinfo(np.int64).max, place, fault))

    def tell(self, faults: Faults) -> None:
        """Hand everything over."""
        faults.errors.extend(fault for _, _, fault in sorted(self._faults, key=lambda entry: entry[:2]))
