"""A sheet of an Excel workbook as the text of a comma separated table: nothing in it is ever calculated.

Line n of the text is row n of the sheet, so that every check and message of tables holds for sheets as well.
"""

from __future__ import annotations

import csv
import io
import re
import warnings
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final, TypeVar

from geometry.errors import Faults, SlabposeError

from .cells import show
from .file_report import MOST_LIKE_EACH_OTHER

__all__ = ["MOST_COLUMNS", "MOST_ROWS", "cell_words", "excel_library", "read_workbook", "sheet_text"]

Found = TypeVar("Found")

MOST_ROWS: Final = 1_048_576  # of a sheet, by ECMA-376
MOST_COLUMNS: Final = 256  # more are no table of this program
_MOST_PACKED = 64 << 20  # bytes of a file
_MOST_UNPACKED = 128 << 20  # bytes of all that is packed in it
_MOST_TAGS = 6_000_000  # in all parts: a cell has four, so 200 000 points are well within
_MOST_PARTS = 2_000
_OLD_WORKBOOK = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"  # also what an encrypted workbook begins with
_MACROS = "vbaproject.bin"
_MERGED = re.compile(rb"<(?:\w+:)?mergeCell\s[^>]*?\bref\s*=\s*[\"']([A-Z]{1,3})(\d{1,7}):([A-Z]{1,3})(\d{1,7})[\"']")


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
            if any(part.filename.lower().endswith(_MACROS) for part in parts):
                return "a workbook without macros", "one with macros, whatever its name says", "save it as .xlsx"
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
            book = library.load_workbook(io.BytesIO(content), read_only=True, keep_links=False)
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


def cell_words(value: Any) -> str:
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


@dataclass(frozen=True, slots=True)
class _Row:
    """The texts of a row without what is empty at its end, and whether it is a comment."""

    texts: list[str]
    comment: bool


_BLANK: Final = _Row([], False)


def sheet_text(book: Any, title: str, name: str, faults: Faults) -> bytes:
    """Return a sheet as a comma separated table.

    The header is the first row in which something stands. Rows whose first cell begins with # are comments, unless
    that cell is marked as a text (with an apostrophe, as it is typed). Formulas, errors, merged cells and cells beyond
    the header are faults.

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
    sheet = _Sheet(name, faults)
    rows: list[_Row] = []
    page = book[title]
    page.reset_dimensions()  # they may say anything
    for number, cells in enumerate(page.iter_rows(max_row=MOST_ROWS), start=1):
        if len(cells) > MOST_COLUMNS:
            sheet.fault(number, len(cells) - 1, f"at most {MOST_COLUMNS} columns", "something",
                        "delete the columns that are empty")  # fmt: skip
            break
        rows.append(_row(sheet, number, cells))
        if cells and not sheet.header and any(rows[-1].texts) and not rows[-1].comment:
            sheet.header = rows[-1].texts
    while rows and not any(rows[-1].texts):
        rows.pop()
    _tell_merged(page, sheet, rows)
    text = _as_table(sheet, rows)
    for expected, count in sheet.told.items():
        if count > MOST_LIKE_EACH_OTHER:
            faults.error(name, expected, f"{count - MOST_LIKE_EACH_OTHER} more like these")
    return text.encode("utf-8", "replace")


def _as_table(sheet: _Sheet, rows: list[_Row]) -> str:
    """Return rows as comma separated text, a line to each, as wide as the header."""
    lines = io.StringIO()
    plain, quoted = (csv.writer(lines, lineterminator="\n", quoting=how) for how in (csv.QUOTE_MINIMAL, csv.QUOTE_ALL))
    width = len(sheet.header)
    for number, row in enumerate(rows, start=1):
        texts = row.texts
        for column in range(width, len(texts)):
            if texts[column] and not row.comment:
                sheet.fault(number, column, "nothing beyond the columns of the header", show(texts[column]))
        if not any(texts):
            lines.write("\n")
        elif row.comment:
            # as wide as a row if more stands in it: then the reader of tables tells that it is left out
            lines.write("#" + "," * (width - 1) * (sum(map(bool, texts)) > 1) + "\n")
        else:
            writer = quoted if texts[0].startswith("#") else plain
            writer.writerow([*texts[:width], *[""] * (width - len(texts))])
    return lines.getvalue()


def _row(sheet: _Sheet, number: int, cells: tuple[Any, ...]) -> _Row:
    """Return a row; what is wrong with a cell is told, and the cell is empty."""
    texts: list[str] = []
    for column, cell in enumerate(cells):
        value = cell.value
        if value is None:
            texts.append("")
            continue
        if cell.data_type == "f":
            formula = getattr(value, "text", value)  # of an array, or of a data table, which has no text
            sheet.fault(number, column, "a value", f"the formula {show(formula if isinstance(formula, str) else '=')}",
                        "formulas are never calculated: copy the cells, and paste their values only")  # fmt: skip
            value = None
        elif cell.data_type == "e":
            sheet.fault(number, column, "a value", f"the error {value}")
            value = None
        text = cell_words(value).strip()
        if "\n" in text or "\r" in text:
            sheet.faults.warn(sheet.where(number, column), "a cell of one line",
                              f"a line break in cell {sheet.cell(number, column)}", "taken as a blank")  # fmt: skip
            text = " ".join(text.split())
        texts.append(text)
    while texts and not texts[-1]:
        texts.pop()
    if not texts:
        return _BLANK
    return _Row(texts, texts[0].startswith("#") and not cells[0].style_array.quotePrefix)


def _tell_merged(page: Any, sheet: _Sheet, rows: list[_Row]) -> None:
    """Tell of merged cells within the table: all but the first of them would be empty."""
    from openpyxl.utils import column_index_from_string

    with page._get_source() as part:  # the library reads merged cells only together with everything else
        merged = _MERGED.findall(part.read())
    for left, top, right, bottom in merged:
        first, row = column_index_from_string(left.decode()) - 1, int(top)
        inside = rows[max(row - 1, 0) : int(bottom)]
        if first < len(sheet.header) and any(one.texts and not one.comment for one in inside):
            sheet.fault(row, first, "cells that each stand for themselves",
                        f"cells merged up to {right.decode()}{int(bottom)}",
                        "split them, and fill every one")  # fmt: skip
