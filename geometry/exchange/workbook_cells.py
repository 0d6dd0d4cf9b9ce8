"""A sheet of an Excel workbook as the text of a comma separated table: nothing in it is ever calculated.

Line n of the text is row n of the sheet, so that every check and message of tables holds for sheets as well.
"""

from __future__ import annotations

import csv
import io
import warnings
import zipfile
import zlib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, Final, TypeVar

from geometry.errors import Faults, SlabposeError

from .cells import show
from .file_report import MOST_LIKE_EACH_OTHER

__all__ = ["MOST_COLUMNS", "MOST_ROWS", "excel_library", "read_workbook", "sheet_text"]

Found = TypeVar("Found")

MOST_ROWS: Final = 1_048_576  # of a sheet, by ECMA-376
MOST_COLUMNS: Final = 256  # more are no table of this program
_MOST_PACKED = 64 << 20  # bytes of a file
_MOST_UNPACKED = 128 << 20  # bytes of all that is packed in it
_MOST_TAGS = 6_000_000  # in all parts: a cell has four, so 200 000 points are well within
_MOST_PARTS = 2_000
_OLD_WORKBOOK = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"  # also what an encrypted workbook begins with


def excel_library() -> Any:
    """Return the library for Excel.

    Raises
    ------
    SlabposeError
        If it is not installed.
    """
    try:
        import openpyxl
    except ImportError as missing:
        raise SlabposeError("Excel needs a library more: pip install 'slabpose[excel]'") from missing
    return openpyxl


def _content(path: Path, faults: Faults) -> bytes | None:
    """Return the bytes of a file that is a zip archive of no more than a workbook may hold, or None."""
    if not path.is_file():
        faults.error(str(path), "a file", "a folder" if path.is_dir() else "nothing of that name")
        return None
    size = path.stat().st_size
    if size > _MOST_PACKED:
        faults.error(path.name, f"a workbook of at most {_MOST_PACKED >> 20} MiB", f"{size / (1 << 20):.0f} MiB")
        return None
    content = path.read_bytes()
    refusal = _refusal(content)
    if refusal is not None:
        faults.error(path.name, *refusal)
        return None
    return content


def _refusal(content: bytes) -> tuple[str, str, str] | None:
    """Return what would be expected in place of these bytes, what they are, and what to do; None if they will do."""
    if content.startswith(_OLD_WORKBOOK):
        return "a workbook in the format .xlsx", "an older or an encrypted one", "save it as .xlsx without a password"
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            parts = archive.infolist()
            # a reader never takes more out of a part than it says it holds
            unpacked = sum(part.file_size for part in parts)
            if unpacked > _MOST_UNPACKED or len(parts) > _MOST_PARTS:
                limit = f"a workbook of at most {_MOST_UNPACKED >> 20} MiB unpacked in {_MOST_PARTS} parts"
                return limit, f"{unpacked / (1 << 20):.0f} MiB in {len(parts)}", ""
            tags = sum(_tags(archive, part) for part in parts if not part.filename.lower().endswith((".png", ".jpeg")))
    except (zipfile.BadZipFile, zlib.error, ValueError, OSError, EOFError, NotImplementedError, RuntimeError):
        return "a workbook in the format .xlsx", "another, a broken or an encrypted file", ""
    if tags > _MOST_TAGS:
        return f"a workbook of at most {_MOST_TAGS // 4} cells", f"some {tags // 4}", "larger tables as .csv"
    return None


def _tags(archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> int:
    """Return how many tags a part may have: what a parser has to work through, far more than its size says."""
    with archive.open(part) as file:
        return sum(block.count(b"<") for block in iter(lambda: file.read(1 << 20), b""))


def read_workbook(path: Path, faults: Faults, work: Callable[[Any], Found]) -> Found | None:
    """Return what `work` makes of an open workbook, its formulas as text.

    Returns
    -------
    What `work` returns, or None
        With the reason in `faults`: no workbook, too large, or something that the library stumbles over at any time,
        as it reads sheets only while they are gone through.
    """
    content = _content(path, faults)
    if content is None:
        return None
    library = excel_library()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of drawings, styles and the like, which no table needs
            book = _open(library, content)
            try:
                return work(book)
            finally:
                book.close()
    except (SlabposeError, MemoryError, RecursionError):
        raise
    except Exception as fault:
        reason = " ".join(str(fault).split())[:120]
        faults.error(path.name, "a workbook that can be read", f"a broken one: {reason or type(fault).__name__}")
        return None


def _open(library: Any, content: bytes, data_only: bool = False) -> Any:
    book = library.load_workbook(io.BytesIO(content), read_only=True, data_only=data_only, keep_links=False)
    book.content = content  # to be opened once more for the values of formulas
    return book


def _words(value: Any) -> str:
    """Return what stands in a cell as it would stand in a comma separated table."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        return value.isoformat()
    return str(value)


class _Sheet:
    """A sheet on its way to text."""

    def __init__(self, name: str, faults: Faults) -> None:
        self.name, self.faults = name, faults
        self.header: list[str] = []
        self.told: dict[str, int] = {}

    def fault(self, row: int, column: int, expected: str, found: str, hint: str = "") -> None:
        """Note a fault of a cell, unless there were many of its kind."""
        self.told[expected] = self.told.get(expected, 0) + 1
        if self.told[expected] <= MOST_LIKE_EACH_OTHER:
            self.faults.error(self.where(row, column), expected, f"{found} in cell {self.cell(row, column)}", hint)

    def cell(self, row: int, column: int) -> str:
        from openpyxl.utils import get_column_letter

        return f"{get_column_letter(column + 1)}{row}"

    def where(self, row: int, column: int) -> str:
        """Return the place of a cell for a message."""
        head = self.header[column] if column < len(self.header) else ""
        return f"{self.name}:{row}" + (f": {head}" if head else "")


def sheet_text(book: Any, title: str, name: str, faults: Faults) -> bytes:
    """Return a sheet as a comma separated table.

    A cell with a formula counts by the value that its program last kept in it, with a warning; without one it is a
    fault. The header is the first row in which something stands. Rows whose first cell begins with # are comments.

    Parameters
    ----------
    book : workbook
        From `read_workbook`.
    title : str
        The sheet.
    name : str
        How file and sheet are called in messages.
    faults : Faults
    """
    sheet, formulas = _Sheet(name, faults), dict[tuple[int, int], str]()
    rows: list[list[str]] = []
    page = book[title]
    page.reset_dimensions()  # they may say anything
    for number, cells in enumerate(page.iter_rows(max_row=MOST_ROWS), start=1):
        if len(cells) > MOST_COLUMNS:
            sheet.fault(number, len(cells) - 1, f"at most {MOST_COLUMNS} columns", "something",
                        "delete the columns that are empty")  # fmt: skip
            break
        rows.append(_row(sheet, number, cells, formulas))
        if cells and not sheet.header and any(rows[-1]) and not rows[-1][0].startswith("#"):
            sheet.header = rows[-1]
    if formulas:
        _kept_values(book, title, sheet, formulas, rows)
    text = _as_table(sheet, rows)
    for expected, count in sheet.told.items():
        if count > MOST_LIKE_EACH_OTHER:
            faults.error(name, expected, f"{count - MOST_LIKE_EACH_OTHER} more like these")
    return text.encode("utf-8", "replace")


def _as_table(sheet: _Sheet, rows: list[list[str]]) -> str:
    """Return rows as comma separated text, a line to each, as wide as the header."""
    lines = io.StringIO()
    writer = csv.writer(lines, lineterminator="\n")
    width = len(sheet.header)
    while rows and not any(rows[-1]):
        rows.pop()
    for number, row in enumerate(rows, start=1):
        for column in range(width, len(row)):
            if row[column] and not row[0].startswith("#"):
                sheet.fault(number, column, "nothing beyond the columns of the header", show(row[column]))
        if not any(row):
            lines.write("\n")
        elif row[0].startswith("#"):
            # as wide as a row if more stands in it: then the reader of tables tells that it is left out
            lines.write("#" + "," * (width - 1) * (sum(map(bool, row)) > 1) + "\n")
        else:
            writer.writerow([*row[:width], *[""] * (width - len(row))])
    return lines.getvalue()


def _row(sheet: _Sheet, number: int, cells: tuple[Any, ...], formulas: dict[tuple[int, int], str]) -> list[str]:
    """Return the texts of a row without what is empty at its end; formulas are noted and left empty."""
    texts: list[str] = []
    for column, cell in enumerate(cells):
        value = cell.value
        if value is None:
            texts.append("")
            continue
        kind = cell.data_type
        if kind == "f":
            formulas[number, column] = _words(getattr(value, "text", value))
            value = None
        elif kind == "e":
            sheet.fault(number, column, "a value", f"the error {value}")
            value = None
        text = _words(value).strip()
        if "\n" in text or "\r" in text:
            sheet.faults.warn(sheet.where(number, column), "a cell of one line",
                              f"a line break in cell {sheet.cell(number, column)}", "taken as a blank")  # fmt: skip
            text = " ".join(text.split())
        texts.append(text)
    while texts and not texts[-1] and (number, len(texts) - 1) not in formulas:
        texts.pop()
    return texts


def _kept_values(
    book: Any, title: str, sheet: _Sheet, formulas: dict[tuple[int, int], str], rows: list[list[str]]
) -> None:  # fmt: skip
    """Put the values that formulas last had into the rows; tell of each column with formulas once."""
    again = _open(excel_library(), book.content, data_only=True)
    page = again[title]
    page.reset_dimensions()
    last, told = max(row for row, _ in formulas), dict[int, list[tuple[int, str]]]()
    for number, cells in enumerate(page.iter_rows(max_row=last), start=1):
        for column in [c for c in range(min(len(cells), MOST_COLUMNS)) if (number, c) in formulas]:
            cell = cells[column]
            if cell.value is None or cell.data_type == "e":
                kept = "no value kept with it" if cell.value is None else f"the error {cell.value}"
                sheet.fault(number, column, "a value", f"the formula {show(formulas[number, column])} and {kept}",
                            "formulas are never calculated here: put its value there")  # fmt: skip
                continue
            rows[number - 1][column] = " ".join(_words(cell.value).split())
            told.setdefault(column, []).append((number, rows[number - 1][column]))
    again.close()
    for column, entries in told.items():
        number, value = entries[0]
        more = f", and {len(entries) - 1} more in this column" if len(entries) > 1 else ""
        sheet.faults.warn(sheet.where(number, column), "a value",
                          f"the formula {show(formulas[number, column])} in cell {sheet.cell(number, column)}{more}",
                          f"not calculated: {show(value)}, which was kept with it, counts")  # fmt: skip
