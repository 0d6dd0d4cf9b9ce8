"""Rows of a sheet as ECMA-376 (SpreadsheetML) writes them: whole columns at a time, numbers with all their digits.

The library for Excel makes everything else of a workbook. It writes cell by cell, which takes half a minute where a
section has some thousand slabs, and sixteen digits of a number, from which not every number comes back.
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import numpy as np
import numpy.typing as npt

from .writing import run_by_spreadsheets

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["SheetColumn", "copy_with_rows", "marked_as_text", "rows_of"]

_BLOCK: Final = 1 << 14  # rows that are put into words at a time
_END: Final = b"</sheetData>"


@dataclass(frozen=True, eq=False)
class SheetColumn:
    """A column below its header.

    Attributes
    ----------
    letter : str
        ``A``, ``B`` ...
    values : ndarray, shape (rows,)
        Numbers, truth values or texts that XML can hold; nan, None and "" are empty cells.
    style, marked : int
        Style of its cells, and of texts that a spreadsheet might run.
    """

    letter: str
    values: npt.NDArray[Any]
    style: int
    marked: int


def marked_as_text(texts: Sequence[str]) -> npt.NDArray[np.bool_]:
    """Return which texts need the mark that makes a cell text for good, shape (n,).

    Those that a spreadsheet would run, and those that begin with #, which `workbook_cells` takes for comments.
    """
    return run_by_spreadsheets(texts) | np.array([text.startswith("#") for text in texts], dtype=np.bool_)


def rows_of(columns: Sequence[SheetColumn], first: int) -> Iterator[bytes]:
    """Yield all rows, `first` the number of the first one."""
    import pyarrow as pa
    import pyarrow.compute as pc

    count = len(columns[0].values)
    for start in range(0, count, _BLOCK):
        numbers = pa.array(np.arange(start, min(start + _BLOCK, count)) + first).cast(pa.string())
        cells = [_cells(column, column.values[start : start + _BLOCK], numbers) for column in columns]
        rows = pc.binary_join_element_wise('<row r="', numbers, '">', *cells, "</row>", "")
        yield "".join(rows.to_pylist()).encode()


def _cells(column: SheetColumn, values: npt.NDArray[Any], numbers: pa.Array) -> pa.Array:
    """Return the cells of some rows, empty ones as nothing."""
    import pyarrow as pa
    import pyarrow.compute as pc

    head, plain = f'<c r="{column.letter}', f'" s="{column.style}"'
    kind = values.dtype.kind
    if kind == "b":
        texts = pc.if_else(pa.array(values), "1", "0")
        return pc.binary_join_element_wise(head, numbers, f'{plain} t="b"><v>', texts, "</v></c>", "")
    if kind in "fiu":
        # the shortest text from which the number comes back
        texts = pa.array(values, from_pandas=True).cast(pa.string())
        cells = pc.binary_join_element_wise(head, numbers, f"{plain}><v>", texts, "</v></c>", "")
        return cells.fill_null("")
    given = pa.array([value or None for value in values.tolist()], pa.string()).dictionary_encode()
    distinct = given.dictionary
    for letter, name in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ("\r\n", "\n"), ("\r", "\n")):
        distinct = pc.replace_substring(distinct, letter, name)
    styles = np.where(marked_as_text(given.dictionary.to_pylist()), f'" s="{column.marked}"', plain)
    bodies = pc.binary_join_element_wise(
        pa.array(styles.tolist(), pa.string()), ' t="inlineStr"><is><t xml:space="preserve">', distinct,
        "</t></is></c>", "",
    )  # fmt: skip
    return pc.binary_join_element_wise(head, numbers, bodies.take(given.indices), "").fill_null("")


def copy_with_rows(book: BinaryIO, rows: Mapping[str, Iterator[bytes]], file: BinaryIO) -> None:
    """Copy a workbook, and put rows behind those of its sheets.

    Parameters
    ----------
    book : binary file
        The workbook, with at least a header on each sheet.
    rows : mapping of str to iterator of bytes
        Rows by the name of their sheet's part.
    file : binary file
        Takes the copy.
    """
    with zipfile.ZipFile(book) as given, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as made:
        for name in given.namelist():
            content = given.read(name)
            with made.open(name, "w", force_zip64=True) as part:
                if name in rows:
                    before, end, content = content.partition(_END)
                    assert end, "a sheet without its header"
                    part.write(before)
                    for block in rows[name]:
                        part.write(block)
                    part.write(end)
                part.write(content)
        assert set(rows) <= set(given.namelist()), "a sheet that the library calls otherwise"
