"""What a report is made of: sections of paragraphs, lists, tables, pictures, and lines to sign on.

A table keeps its values as columns, with their units in the names, and says beside them how they are shown: a page
rounds, a workbook does not.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from .results import Columns

__all__ = [
    "Block",
    "Facts",
    "Kind",
    "Listing",
    "Paragraph",
    "Picture",
    "Report",
    "ReportTable",
    "Section",
    "Shown",
    "Signatures",
    "columns_of",
    "picked",
    "with_u",
]

Kind = Literal["text", "words", "number", "verdict", "chainage", "digest"]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Shown:
    """How a column of a table is shown.

    Attributes
    ----------
    name : str
        The column's.
    head, unit : str
        Its head in words, and what stands below it; neighbours with one head share it.
    kind : {"text", "words", "number", "verdict", "chainage", "digest"}
        Words take what is left of the width, and wrap.
    decimals : int
        Of numbers.
    sign : bool
        Whether positive numbers carry their sign.
    """

    name: str
    head: str
    unit: str = ""
    kind: Kind = "text"
    decimals: int = 0
    sign: bool = False


def with_u(name: str, head: str, decimals: int = 2, unit: str = "mm", *, sign: bool = True) -> tuple[Shown, Shown]:
    """Return how a value in mm, column ``<name>_mm``, and its standard uncertainty are shown beside each other."""
    return (
        Shown(f"{name}_mm", head, unit, "number", decimals, sign),
        Shown(f"{name}_sigma_mm", head, "u", "number", decimals),
    )


@dataclass(frozen=True, eq=False)
class ReportTable:
    """A table.

    Attributes
    ----------
    key : str
        Its name in a workbook; "" if all that is in it stands in another table as well.
    caption : str
    columns : Columns
        Everything that is known, by name.
    shown : tuple of Shown
        What a page has room for, in its order.
    notes : tuple of str
        What has to be known to read it: signs, places, uncertainty.
    grouped : bool
        Whether rows that follow each other with the same value in the first column belong together.
    """

    key: str
    caption: str
    columns: Columns
    shown: tuple[Shown, ...]
    notes: tuple[str, ...] = ()
    grouped: bool = False

    def __post_init__(self) -> None:
        lacking = [one.name for one in self.shown if one.name not in self.columns]
        if lacking:
            raise ValueError(f"{self.caption}: no column {', '.join(lacking)}")

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(next(iter(self.columns.values())))


@dataclass(frozen=True)
class Paragraph:
    """Words; ``answer`` for those that have to be read if nothing else is."""

    text: str
    answer: bool = False


@dataclass(frozen=True)
class Listing:
    """A list under a title of its own."""

    title: str
    items: tuple[str, ...]


@dataclass(frozen=True)
class Facts:
    """Terms, each with what it is here."""

    entries: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Picture:
    """A place for a drawing: which one, and what it shows in words for those who cannot see it."""

    key: str
    words: str


@dataclass(frozen=True)
class Signatures:
    """Lines for names and signatures."""

    roles: tuple[str, ...]


Block = ReportTable | Paragraph | Listing | Facts | Picture | Signatures


@dataclass(frozen=True, eq=False)
class Section:
    """A part of a report under its title; ``wide`` if it needs pages across."""

    title: str
    blocks: tuple[Block, ...]
    wide: bool = False


@dataclass(frozen=True, eq=False)
class Report:
    """A report on a section.

    Attributes
    ----------
    title, project, description : str
    place : str
        Which part of the project, in words.
    made : mapping of str
        What it was made from: see `results.made_from`.
    sections : tuple of Section
    """

    title: str
    project: str
    description: str
    place: str
    made: dict[str, Any] = field(repr=False)
    sections: tuple[Section, ...] = ()

    def tables(self) -> Iterator[ReportTable]:
        """Yield the tables that a workbook holds, in their order; two of one name never."""
        for section in self.sections:
            yield from (block for block in section.blocks if isinstance(block, ReportTable) and block.key)


def picked(columns: Columns, rows: Bools | npt.NDArray[np.intp]) -> Columns:
    """Return some rows of a table."""
    return {name: np.asarray(values)[rows] for name, values in columns.items()}


def columns_of(rows: Sequence[Sequence[Any]], names: Sequence[str]) -> Columns:
    """Return rows as columns; texts stay objects, so that None and empty texts stay what they are."""
    table: Columns = {}
    for at, name in enumerate(names):
        values = [row[at] for row in rows]
        numbers = all(isinstance(value, (int, float)) for value in values) and bool(values)
        table[name] = np.array(values) if numbers else np.array(values, dtype=object)
    return table
