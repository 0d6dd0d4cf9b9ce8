"""Where a table stands: in a comma separated file, in a workbook of its own, or on a sheet of a workbook of many.

A table that is asked for has a name, such as ``control``. In a workbook it is the only sheet that can be seen, or the
one of that name. Surveyed points, readings and the bed may stand on several: ``survey``, ``survey north`` and so on.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from geometry.errors import Fault, Faults, InputError

from .workbook_cells import read_workbook, sheet_text

__all__ = [
    "BOOK_SUFFIXES",
    "MANY",
    "SINGLE",
    "WORKBOOK",
    "WORKBOOK_SUFFIX",
    "is_book",
    "is_of",
    "named_sheet",
    "table_file",
    "table_files",
    "tables_in_folder",
    "text_at",
    "texts_at",
]

WORKBOOK: Final = "tables.xlsx"
"""The workbook of a project folder that may hold all of its tables."""
WORKBOOK_SUFFIX: Final = ".xlsx"
BOOK_SUFFIXES: Final = (WORKBOOK_SUFFIX, ".xlsm", ".xltx", ".xltm", ".xlsb", ".xls", ".ods")
"""Files of spreadsheets; only the first can be read, the others are refused by name."""
SINGLE: Final = (
    "horizontal", "vertical", "cant", "chainage", "structures", "layout", "control", "levelling", "anchors", "seats",
)  # fmt: skip
"""Tables of a project folder of which there is one each."""
MANY: Final = ("survey", "readings", "bed")
"""Tables of a project folder of which there may be several, in a folder of that name."""
_MOST_NAMED = 8


def is_book(path: Path) -> bool:
    """Return whether a file is one of a spreadsheet, by its name."""
    return path.suffix.lower() in BOOK_SUFFIXES


def is_of(title: str, name: str) -> bool:
    """Return whether a sheet holds a table by its title.

    Examples
    --------
    >>> is_of("Survey north", "survey"), is_of("Control ", "control"), is_of("control north", "control")
    (True, True, False)
    """
    plain = title.strip().casefold()
    return plain == name or (name in MANY and plain.startswith(f"{name} "))


def named_sheet(path: Path, title: str) -> Path:
    """Return a path whose name says file and sheet, for messages."""
    return path.with_name(f"{path.name} sheet {title.replace('/', '_')}")


def _meant(path: Path, pages: Sequence[Any], name: str, faults: Faults) -> list[str]:
    """Return the titles of the sheets that hold a table; none with the reason in `faults`."""
    seen = [page.title for page in pages if page.sheet_state == "visible"]
    hidden = [page.title for page in pages if page.sheet_state != "visible" and is_of(page.title, name)]
    for title in hidden:
        faults.error(named_sheet(path, title).name, "a sheet that can be seen", "a hidden one", "show it or delete it")
    found = [title for title in seen if is_of(title, name)]
    if hidden or found:
        return [] if hidden else found
    if len(seen) == 1:
        return seen
    more = f" and {len(seen) - _MOST_NAMED} more" if len(seen) > _MOST_NAMED else ""
    shown = f"{len(seen)} sheets: {', '.join(seen[:_MOST_NAMED])}{more}" if seen else "none that can be seen"
    faults.error(path.name, f"one sheet, or one that is called {name}", shown)
    return []


def texts_at(path: Path, name: str, faults: Faults) -> list[tuple[Path, bytes | None]]:
    """Return the tables of a file.

    Parameters
    ----------
    path : Path
        A workbook, or any other file.
    name : str
        What is asked for, such as ``control``; one of `MANY` may stand on several sheets.
    faults : Faults
        Takes what is wrong with a workbook.

    Returns
    -------
    list of (Path, bytes or None)
        What each table is called in messages, and its text; None for a file that is to be read as it is. Nothing
        with the reason in `faults`.
    """
    if not is_book(path):
        return [(path, None)]
    if path.suffix.lower() != WORKBOOK_SUFFIX:
        faults.error(path.name, f"a comma separated table, or a workbook that ends in {WORKBOOK_SUFFIX}",
                     f"one that ends in {path.suffix}", "save it as .xlsx, without macros and password")  # fmt: skip
        return []

    def read(book: Any) -> list[tuple[Path, bytes | None]]:
        called = [(title, named_sheet(path, title)) for title in _meant(path, book.worksheets, name, faults)]
        return [(place, sheet_text(book, title, place.name, faults)) for title, place in called]

    before = len(faults.errors)
    found = read_workbook(path, faults, read)
    return [] if found is None or len(faults.errors) > before else found


def text_at(path: Path, name: str, faults: Faults) -> tuple[Path, bytes | None] | None:
    """Return the one table of a file; see `texts_at`. None with the reason in `faults`."""
    found = texts_at(path, name, faults)
    if len(found) > 1:
        titles = ", ".join(place.name.partition(" sheet ")[2] for place, _ in found)
        faults.error(path.name, f"one sheet called {name}", f"{len(found)}: {titles}")
        return None
    return found[0] if found else None


def _titles(path: Path) -> tuple[str, ...]:
    """Return the titles of the sheets of a workbook; none if it cannot be read, which whoever reads it tells."""
    try:
        status = path.stat()
    except OSError:
        return ()
    return _titles_of(path, status.st_mtime_ns, status.st_size)


@lru_cache(maxsize=4)
def _titles_of(path: Path, _changed: int, _size: int) -> tuple[str, ...]:
    titles = read_workbook(path, Faults(), lambda book: tuple(page.title for page in book.worksheets))
    return titles or ()


def table_file(path: Path) -> Path:
    """Return the file in which a table of a project folder stands.

    Parameters
    ----------
    path : Path
        The table as a comma separated file, such as ``PROJECT/control.csv``.

    Returns
    -------
    Path
        That file, the workbook ``control.xlsx``, or ``tables.xlsx`` if that has a sheet ``control``; as given, if it
        is nowhere.

    Raises
    ------
    InputError
        If it stands in two of them.
    """
    folder, name = path.parent, path.stem
    found = [file for file in (path, folder / f"{name}{WORKBOOK_SUFFIX}") if file.exists()]
    if any(is_of(title, name) for title in _titles(folder / WORKBOOK)):
        found.append(folder / WORKBOOK)
    if len(found) > 1:
        words = [f"a sheet {name} in {WORKBOOK}" if file.name == WORKBOOK else file.name for file in found]
        raise InputError([Fault(str(path), f"either {' or '.join(words)}", "both", "delete one of them")])
    return found[0] if found else path


def tables_in_folder(folder: Path, name: str, suffixes: Sequence[str] = ()) -> list[Path]:
    """Return the files of a project of which there may be many.

    Parameters
    ----------
    folder : Path
        The project folder.
    name : str
        One of `MANY`: files are in a folder of that name, or sheets of that name in ``tables.xlsx``.
    suffixes : sequence of str
        Ends of files besides ``.csv`` and those of spreadsheets.

    Returns
    -------
    list of Path
        In order of name, the workbook of all tables last.
    """
    inside, kinds = folder / name, (".csv", *BOOK_SUFFIXES, *suffixes)
    # a spreadsheet that has a workbook open keeps a file ~$name beside it
    there = inside.iterdir() if inside.is_dir() else ()
    found = sorted(p for p in there if p.suffix.lower() in kinds and not p.name.startswith("~$"))
    book = [folder / WORKBOOK] if any(is_of(title, name) for title in _titles(folder / WORKBOOK)) else []
    return [*found, *book]


def table_files(folder: Path, names: Sequence[str] = SINGLE) -> list[Path]:
    """Return every file that some tables of a project folder may stand in, there or not."""
    return [folder / WORKBOOK, *(folder / f"{name}{end}" for name in names for end in (".csv", WORKBOOK_SUFFIX))]
