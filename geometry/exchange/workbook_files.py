"""Tables of a project folder, wherever they stand: as comma separated files, or as sheets of ``tables.xlsx``."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from geometry.errors import Faults

from .cells import Column, near
from .tables import Table, read_table
from .workbook_cells import read_workbook, sheet_text

__all__ = ["SHEETS", "WORKBOOK", "WORKBOOK_SUFFIX", "FolderTables", "folder_tables", "points_sheet"]

WORKBOOK: Final = "tables.xlsx"
WORKBOOK_SUFFIX: Final = ".xlsx"
SHEETS: Final = ("horizontal", "vertical", "cant", "chainage", "structures", "layout")
_POINTS_SHEET: Final = "survey"


def _named(path: Path, title: str) -> Path:
    """Return a path whose name says file and sheet."""
    return path.with_name(f"{path.name} sheet {title.replace('/', '_')}")


@dataclass(frozen=True, eq=False)
class FolderTables:
    """The tables of a folder.

    Attributes
    ----------
    folder : Path
    sheets : mapping of str to (Path, bytes)
        Tables of the workbook by their name, in small letters: what they are called, and their text.
    broken : bool
        There is a workbook, and it cannot be read; that is told already.
    unused : tuple of str
        Sheets of the workbook that are no tables; where there is none, a file that is nearly called like it.
    """

    folder: Path
    sheets: Mapping[str, tuple[Path, bytes]]
    broken: bool
    unused: tuple[str, ...]

    def __contains__(self, name: object) -> bool:
        """Return whether there is a table of this name, such as ``cant``, as a file or as a sheet."""
        return name in self.sheets or (self.folder / f"{name}.csv").exists()

    def read(self, name: str, columns: Sequence[Column], faults: Faults, unique: Sequence[str] = ()) -> Table:
        """Read a table; one that is nowhere, or in both places, becomes a fault. See `tables.read_table`."""
        file = self.folder / f"{name}.csv"
        if name in self.sheets and file.exists():
            faults.error(str(file), f"either {file.name} or a sheet {name} in {WORKBOOK}", "both", "delete one of them")
        if name in self.sheets:
            path, content = self.sheets[name]
            return read_table(path, columns, faults, unique, content)
        if file.exists():
            return read_table(file, columns, faults, unique)
        if (self.folder / WORKBOOK).exists():
            if not self.broken:
                hint = near(name, self.unused) or f"neither is there a file {file.name}"
                faults.error(WORKBOOK, f"a sheet {name}", "none", hint)
        elif self.unused:
            faults.error(str(file), "a file", "nothing of that name", f"is {self.unused[0]} meant to be {WORKBOOK}?")
        else:
            return read_table(file, columns, faults, unique)
        return read_table(file, columns, Faults(), unique, b"")


def folder_tables(folder: Path, faults: Faults, names: Sequence[str] = SHEETS) -> FolderTables:
    """Return the tables of a project folder; sheets of its workbook are read at once, as text.

    Parameters
    ----------
    folder : Path
    faults : Faults
        Takes what is wrong with the workbook, and warnings of sheets whose names are nearly those of tables.
    names : sequence of str
        Tables that are asked for.
    """
    path = folder / WORKBOOK
    if not path.exists():
        return FolderTables(folder, {}, False, _tell_misnamed(folder, faults))
    sheets: dict[str, tuple[Path, bytes]] = {}
    unused: list[str] = []
    told = len(faults.errors)

    def read(book: Any) -> None:
        titles = [page.title for page in book.worksheets]
        for title in titles:
            name = title.strip().casefold()
            if name in names:
                called = _named(path, title)
                sheets[name] = called, sheet_text(book, title, called.name, faults)
            elif name not in SHEETS:
                unused.append(title)
        _tell_left_out(folder, unused, sheets, faults)

    read_workbook(path, faults, read)
    # a cell that is wrong is no broken workbook: what else is wrong with its sheets is told too
    broken = not sheets and len(faults.errors) > told
    return FolderTables(folder, sheets, broken, tuple(unused))


def _tell_misnamed(folder: Path, faults: Faults) -> tuple[str, ...]:
    """Warn of workbooks that nobody reads as their names are a little wrong; return them."""
    found = [path.name for path in sorted(folder.iterdir())
             if path.is_file() and difflib.get_close_matches(path.name.casefold(), [WORKBOOK], 1, 0.8)]  # fmt: skip
    for name in found:
        faults.warn(name, "a file that is used", "one that is left out", f"did you mean {WORKBOOK}?")
    return tuple(found)


def _tell_left_out(folder: Path, titles: Sequence[str], sheets: Mapping[str, object], faults: Faults) -> None:
    """Warn of sheets that nobody reads as their names are a little wrong."""
    lacking = [name for name in SHEETS if name not in sheets and not (folder / f"{name}.csv").exists()]
    for title in titles:
        meant = difflib.get_close_matches(title.strip().casefold(), lacking, 1, 0.8)
        if meant:
            faults.warn(f"{WORKBOOK} sheet {title}", "a sheet that is used", "one that is left out",
                        near(title, meant))  # fmt: skip


def points_sheet(path: Path, faults: Faults) -> tuple[Path, bytes] | None:
    """Return the sheet of points in a workbook: its only one, or the one called ``survey``.

    Returns
    -------
    (Path, bytes), or None with the reason in `faults`
        What file and sheet are called in messages, and the text of the table.
    """

    def read(book: Any) -> tuple[Path, bytes] | None:
        titles = [page.title for page in book.worksheets]
        named = [title for title in titles if title.strip().casefold() == _POINTS_SHEET]
        if len(titles) != 1 and not named:
            faults.error(path.name, f"one sheet, or one that is called {_POINTS_SHEET}",
                         f"{len(titles)} sheets: {', '.join(titles[:8])}")  # fmt: skip
            return None
        title = named[0] if named else titles[0]
        called = _named(path, title)
        return called, sheet_text(book, title, called.name, faults)

    return read_workbook(path, faults, read)
