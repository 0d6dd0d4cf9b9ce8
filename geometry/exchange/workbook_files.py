"""Tables of the design, wherever they stand in a project folder: in CSV files, workbooks, or sheets of one workbook."""

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
from .workbook_sheets import MANY, SINGLE, WORKBOOK, WORKBOOK_SUFFIX, is_of, named_sheet

__all__ = ["SHEETS", "FolderTables", "folder_tables"]

SHEETS: Final = ("horizontal", "vertical", "cant", "chainage", "structures", "layout")
"""Tables of the design, which are read together."""


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

    def _files(self, name: str) -> list[Path]:
        both = (self.folder / f"{name}.csv", self.folder / f"{name}{WORKBOOK_SUFFIX}")
        return [file for file in both if file.exists()]

    def __contains__(self, name: object) -> bool:
        """Return whether there is a table of this name, such as ``cant``, as a file or as a sheet."""
        return name in self.sheets or bool(self._files(str(name)))

    def read(self, name: str, columns: Sequence[Column], faults: Faults, unique: Sequence[str] = ()) -> Table:
        """Read a table; one that is nowhere, or in two places, becomes a fault. See `tables.read_table`."""
        files, file = self._files(name), self.folder / f"{name}.csv"
        words = [one.name for one in files] + [f"a sheet {name} in {WORKBOOK}"] * (name in self.sheets)
        if len(words) > 1:
            faults.error(str(file), f"either {' or '.join(words)}", "both", "delete one of them")
        if name in self.sheets:
            path, content = self.sheets[name]
            return read_table(path, columns, faults, unique, content)
        if files:
            return read_table(files[0], columns, faults, unique, sheet=name)
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
        present: list[str] = []
        for page in book.worksheets:
            name = next((name for name in (*SINGLE, *MANY) if is_of(page.title, name)), "")
            called = named_sheet(path, page.title)
            if not name:
                unused.append(page.title)
            elif page.sheet_state != "visible":
                faults.error(called.name, "a sheet that can be seen", "a hidden one", "show it or delete it")
            elif name in present and name in SINGLE:
                faults.error(called.name, f"one sheet {name}", "a second one")
            elif name in names:
                sheets[name] = called, sheet_text(book, page.title, called.name, faults)
            present += [name] * bool(name)
        _tell_left_out(folder, unused, present, faults)

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


def _tell_left_out(folder: Path, titles: Sequence[str], present: Sequence[str], faults: Faults) -> None:
    """Warn of sheets that nobody reads as their names are a little wrong."""
    elsewhere = [name for name in (*SINGLE, *MANY) if (folder / name).exists() or (folder / f"{name}.csv").exists()]
    lacking = [name for name in (*SINGLE, *MANY) if name not in (*present, *elsewhere)]
    for title in titles:
        meant = difflib.get_close_matches(title.strip().casefold(), lacking, 1, 0.8)
        if meant:
            faults.warn(f"{WORKBOOK} sheet {title}", "a sheet that is used", "one that is left out",
                        near(title, meant))  # fmt: skip
