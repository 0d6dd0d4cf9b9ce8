"""Comma separated tables and sheets of workbooks, read with every fault of the file told at once.

The format is RFC 4180 in UTF-8: a header, commas, quotes around a cell that has a comma, quote
or line end. Lines beginning with ``#`` are comments. Blanks around a cell do not count.
Numbers are published decimal notation, with a point and perhaps an exponent; a cell that says
nan or inf is no number. Times are ISO 8601.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from geometry.errors import Faults
from geometry.exchange.cells import (
    BadCells,
    Column,
    as_numbers,
    as_texts,
    empty_cells,
    near,
    nothing_to_tell,
    show,
    to_numbers,
    to_times,
)
from geometry.exchange.csv_lines import Lines, split_lines
from geometry.exchange.file_report import MOST_LIKE_EACH_OTHER, FileReport
from geometry.exchange.table_header import SEPARATORS, match_header
from geometry.exchange.text_file import read_text
from geometry.exchange.workbook_sheets import is_book, text_at

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["Column", "Table", "read_table"]

_LONGEST_KEY = 64  # bytes of a text that is compared as a number
_ODD = np.uint64(0x9E3779B97F4A7C15)  # 2^64 over the golden ratio spreads texts that are nearly alike


@dataclass(frozen=True)
class Table:
    """The rows of a file.

    Parameters
    ----------
    path : Path
        The file.
    lines : ndarray of int, shape (rows,)
        The 1-based line of each row.
    numbers : mapping of str to ndarray, shape (rows,)
        Columns of numbers, and of times in UTC; read-only.
    texts : mapping of str to pyarrow array
        Columns of text as they were read; `table[name]` and `codes` give NumPy arrays.

    Notes
    -----
    While its file has faults, a table holds nan, NaT or what stands there in the cells that are
    wrong, and lacks the rows with a wrong number of cells: stop before using it.
    """

    path: Path
    lines: NDArray[np.int64]
    numbers: Mapping[str, NDArray[Any]]
    texts: Mapping[str, pa.ChunkedArray]
    _made: dict[str, NDArray[Any]] = field(default_factory=dict, repr=False, compare=False)
    _codes: dict[str, tuple[NDArray[np.int64], NDArray[np.object_]]] = field(
        default_factory=dict, repr=False, compare=False
    )

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self.lines)

    def __contains__(self, name: object) -> bool:
        """Return whether the file has a column."""
        return name in self.numbers or name in self.texts

    def __getitem__(self, name: str) -> NDArray[Any]:
        """Return a column: float64, datetime64[us] or str objects, shape (rows,), read-only.

        Texts are made on first use, one object for each distinct text.
        """
        if name in self.numbers:
            return self.numbers[name]
        if name not in self._made:
            codes, distinct = self.codes(name)
            self._made[name] = _read_only(distinct[codes])
        return self._made[name]

    @property
    def columns(self) -> Mapping[str, NDArray[Any]]:
        """All columns by name, texts first."""
        return _Columns(self)

    def codes(self, name: str) -> tuple[NDArray[np.int64], NDArray[np.object_]]:
        """Return a text column as places, shape (rows,), in its distinct texts, shape (distinct,).

        The distinct texts are in order of appearance. Both arrays are read-only.
        """
        if name not in self.texts:
            reason = "is no text" if name in self.numbers else "is not there"
            raise KeyError(f"{self.path.name}: column {name} {reason}")
        if name not in self._codes:
            encoded = self._encoded(name)
            codes = encoded.indices.to_numpy(zero_copy_only=False).astype(np.int64)
            distinct = np.array(encoded.dictionary.to_pylist(), dtype=object)
            self._codes[name] = _read_only(codes), _read_only(distinct)
        return self._codes[name]

    def repeats(self, name: str) -> bool:
        """Return whether a text stands more than once in a text column."""
        import pyarrow.compute as pc

        texts = self.texts[name]
        return not _surely_differ(texts) and len(pc.unique(texts)) < len(texts)

    def _encoded(self, name: str) -> pa.DictionaryArray:
        return self.texts[name].combine_chunks().dictionary_encode()

    def index_in(self, name: str, texts: NDArray[Any] | Sequence[str]) -> NDArray[np.intp]:
        """Return where each cell of a text column stands in a list of texts, shape (rows,).

        -1 stands for an empty cell, -2 for a text that is not in the list.
        """
        import pyarrow as pa
        import pyarrow.compute as pc

        cells = self.texts[name].combine_chunks()
        # rows of one slab follow each other: every run of a text is looked up once
        new = pc.not_equal(cells[1:], cells[:-1]).to_numpy(zero_copy_only=False)
        starts = np.flatnonzero(np.append(True, new)[: len(cells)])
        runs = cells.take(pa.array(starts))
        places = pc.index_in(runs, value_set=as_texts(np.asarray(texts))).fill_null(-2)
        places = pc.if_else(pc.equal(runs, ""), -1, places).to_numpy(zero_copy_only=False)
        return np.repeat(places.astype(np.intp), np.diff(starts, append=len(cells)))

    def line(self, row: int) -> int:
        """Return the 1-based line of the file on which a row begins."""
        return int(self.lines[row])

    def where(self, row: int, column: str = "") -> str:
        """Return the place of a cell for a message: ``points.csv:12: level_m``."""
        return f"{self.path.name}:{self.line(row)}" + (f": {column}" if column else "")


class _Columns(Mapping[str, NDArray[Any]]):
    def __init__(self, table: Table) -> None:
        self._table = table

    def __getitem__(self, name: str) -> NDArray[Any]:
        return self._table[name]

    def __iter__(self) -> Iterator[str]:
        yield from self._table.texts
        yield from self._table.numbers

    def __len__(self) -> int:
        return len(self._table.texts) + len(self._table.numbers)


def _surely_differ(texts: pa.ChunkedArray) -> bool:
    """Return whether no two texts are alike for sure; where it says no they may differ all the same.

    Sorting one number for each text is several times faster than a set of all texts.
    """
    import pyarrow.compute as pc

    longest = pc.max(pc.binary_length(texts)).as_py() or 0
    if not 0 < longest <= _LONGEST_KEY:
        return False
    width = -(-longest // 8) * 8
    padded = pc.ascii_rpad(texts, width=width, padding="\0").combine_chunks()
    words = np.frombuffer(padded.buffers()[2], np.uint64, len(texts) * width // 8, padded.offset * width)
    key, *more = words.reshape(len(texts), -1).T
    for word in more:
        key = key * _ODD ^ word
    key = np.sort(key)
    return bool((key[1:] != key[:-1]).all())


def read_table(path: Path | str, columns: Sequence[Column], faults: Faults, unique: Sequence[str] = (),
               content: bytes | None = None, sheet: str = "") -> Table:  # fmt: skip
    """Read a table.

    Parameters
    ----------
    path : Path or str
        The file, comma separated or a workbook.
    columns : sequence of Column
        The columns it must or may have; others are left out with a warning.
    faults : Faults
        Takes everything that is wrong with the file.
    unique : sequence of str
        Columns whose cells together may stand in one row only; those not in the file do not count.
    content : bytes, optional
        Read in place of what the file holds: of a file that still grows, its complete lines.
    sheet : str
        What the table is called where a workbook has several; see `workbook_sheets`.

    Returns
    -------
    Table
        The rows; without any if the file cannot be read as a table at all. Call
        ``faults.stop_if_any()`` before using it.
    """
    path = Path(path)
    if content is None and is_book(path):
        found = text_at(path, sheet, faults)
        if found is None:
            return _without_rows(path)
        path, content = found
    nothing = _without_rows(path)
    data = read_text(path, faults, content)
    if data is None:
        return nothing
    lines = split_lines(data) if data else None
    if lines is None or not len(lines.numbers):
        faults.error(path.name, "a table with a header", "an empty file")
        return nothing
    header = _cells_of(lines.record(0))
    places = match_header(path, int(lines.numbers[0]), header, columns, faults)
    if places is None:
        return nothing
    if lines.unclosed:
        where = f"{path.name}:{lines.unclosed}"
        faults.error(where, "a quote at the end of the cell", "none to the end of the file")
    elif len(lines.numbers) == 1:
        faults.error(path.name, "at least one row", "only the header")
    if len(lines.numbers) == 1:
        return nothing
    report = FileReport(path, columns)
    cells, kept = _read_cells(lines, header, places, report)
    rows = _read_only(lines.numbers[1:][kept])
    if len(lines.comments) and len(header) > 1:
        _tell_comments(path, data, lines, len(header), faults)
    table = _convert(path, cells, rows, report, faults)
    _check_unique(table, [name for name in unique if name in table], columns, report)
    report.tell(faults)
    return table


def _without_rows(path: Path) -> Table:
    return Table(path, _read_only(np.empty(0, np.int64)), MappingProxyType({}), MappingProxyType({}))


def _read_only(array: NDArray[Any]) -> NDArray[Any]:
    array.flags.writeable = False
    return array


def _cells_of(record: bytes) -> list[str]:
    text = io.StringIO(record.decode(), newline="")
    return [cell.strip() for cell in next(csv.reader(text), [])]


def _tell_comments(path: Path, data: bytes, lines: Lines, width: int, faults: Faults) -> None:
    """Warn of comments that look like rows: a name may begin with #."""
    text = data.split(b"\n")
    like_rows = [line for line in lines.comments if text[line - 1].count(b",") == width - 1]
    if like_rows:
        count = f" ({len(like_rows)} such lines)" if len(like_rows) > 1 else ""
        faults.warn(
            f"{path.name}:{like_rows[0]}",
            "a row or a comment",
            f"a row behind #, left out as a comment{count}",
            "quote the first cell if it is a row",
        )


def _read_cells(
    lines: Lines, header: list[str], places: Mapping[Column, int], report: FileReport
) -> tuple[dict[Column, pa.ChunkedArray], NDArray[np.int64]]:
    """Return cells by column, and which records after the header they come from.

    Numbers come as numbers if nothing has to be told of any of them, else as the texts that stand there.
    """
    import pyarrow as pa
    from pyarrow import csv as reader

    wrong: list[tuple[int, int, str]] = []
    body = lines.rest(1)
    count = len(lines.numbers) - 1
    placeholders = [f"{place}" for place in range(len(header))]
    longest = int(np.diff(lines.starts).max())

    def skip(row: Any) -> str:
        wrong.append((row.number, row.actual_columns, row.text[:200] if len(wrong) < 100 else ""))
        return "skip"

    def read(number: pa.DataType, in_order: bool = False) -> pa.Table:
        return reader.read_csv(
            pa.BufferReader(pa.py_buffer(body)),
            read_options=reader.ReadOptions(
                column_names=placeholders, use_threads=not in_order, block_size=max(1 << 20, 2 * longest)
            ),
            parse_options=reader.ParseOptions(
                newlines_in_values=lines.wrapped, invalid_row_handler=skip if in_order else None
            ),
            convert_options=reader.ConvertOptions(
                column_types={
                    str(place): number if column.kind == "number" else pa.string() for column, place in places.items()
                },
                include_columns=[str(place) for place in places.values()],
                strings_can_be_null=False,
                null_values=[""],
            ),
        )

    def named(table: pa.Table) -> dict[Column, pa.ChunkedArray]:
        return {column: table[str(place)] for column, place in places.items()}

    kept = np.arange(count)
    with suppress(pa.ArrowInvalid):
        table = read(pa.float64())
        if table.num_rows == count and all(
            nothing_to_tell(cells, column) for column, cells in named(table).items() if column.kind == "number"
        ):
            return named(table), kept
    try:
        table = read(pa.string())
    except pa.ArrowInvalid:
        # Only a reader that goes through the rows in order knows the numbers of the wrong ones.
        table = read(pa.string(), in_order=True)
        kept = np.setdiff1d(kept, [number - 1 for number, _, _ in wrong])
        expected = f"{len(header)} cells, as in the header"
        for number, width, text in wrong[:MOST_LIKE_EACH_OTHER]:
            hint = _width_hint(width, len(header), text)
            report.line(int(lines.numbers[number]), "", expected, str(width), hint)
        report.more(len(wrong) - MOST_LIKE_EACH_OTHER, expected)
    if len(kept) != table.num_rows:
        raise AssertionError(f"{table.num_rows} rows read, {len(kept)} seen")
    return named(table), kept


def _width_hint(width: int, header: int, text: str) -> str:
    import re

    if width < header:
        marks = [word for mark, word in SEPARATORS.items() if text.count(mark) >= header - 1]
        return f"{marks[0]} instead of commas?" if marks else "the line is cut off, or a comma is missing"
    if re.search(r"(?<![\d.])\d+,\d+(?![\d.])", text):
        return "write 12.5, not 12,5; a text with a comma needs quotes"
    return "a text with a comma needs quotes"


def _convert(
    path: Path,
    cells: Mapping[Column, pa.ChunkedArray],
    lines: NDArray[np.int64],
    report: FileReport,
    faults: Faults,
) -> Table:
    """Return the table of the cells, every cell checked."""
    import pyarrow as pa
    import pyarrow.compute as pc

    # Filled by several threads, so the columns take their places first.
    numbers: dict[str, NDArray[Any]] = {one.name: np.empty(0) for one in cells if one.kind != "text"}
    texts = {one.name: given for one, given in cells.items() if one.kind == "text"}
    table = Table(path, lines, MappingProxyType(numbers), MappingProxyType(texts))

    def convert(column: Column) -> tuple[list[BadCells], bool]:
        if pa.types.is_floating(cells[column].type):
            numbers[column.name] = _read_only(as_numbers(cells[column]))
            return [], False
        trimmed = pc.utf8_trim_whitespace(cells[column])
        if column.kind == "text":
            texts[column.name] = trimmed
            return _bad_texts(table, column), False
        if column.kind == "number":
            values, bad = to_numbers(trimmed, column, MOST_LIKE_EACH_OTHER)
            numbers[column.name] = _read_only(values)
            return bad, False
        times, bad, mixed = to_times(trimmed, column, MOST_LIKE_EACH_OTHER)
        numbers[column.name] = _read_only(times)
        return bad, mixed

    # Arrow lets go of the interpreter while it works through a column.
    with ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool:
        for column, (bad, mixed) in zip(cells, pool.map(convert, cells), strict=True):
            for fault in bad:
                report.cells(fault, column, lines)
            if mixed:
                where = f"{path.name}: {column.name}"
                hint = "those without are taken as UTC"
                faults.warn(where, "all times with a zone or all without", "both", hint)
    return table


def _bad_texts(table: Table, column: Column) -> list[BadCells]:
    import pyarrow.compute as pc

    bad = []
    empty = pc.equal(table.texts[column.name], "")
    if not column.blank and pc.any(empty, min_count=0).as_py():
        bad.append(empty_cells(np.flatnonzero(empty.to_numpy()), column, MOST_LIKE_EACH_OTHER))
    if column.choices is not None:
        allowed = {*column.choices, ""}
        codes, distinct = table.codes(column.name)
        strange = np.array([text not in allowed for text in distinct], bool)
        if strange.any():
            rows = np.flatnonzero(strange[codes])
            found = distinct[codes[rows[:MOST_LIKE_EACH_OTHER]]]
            hints = [near(text, column.choices) for text in found]
            bad.append(BadCells("choice", rows, column.expected, [show(text) for text in found], hints))
    return bad


def _check_unique(table: Table, names: Sequence[str], columns: Sequence[Column], report: FileReport) -> None:
    """Report rows that say again what an earlier row says in all of the columns."""
    if not names or not len(table):
        return
    key = np.zeros(len(table), np.int64)
    valid = np.ones(len(table), bool)
    blank = {column.name: column.blank for column in columns}
    for name in names:
        if name in table.texts:
            codes, distinct = table.codes(name)
            count = len(distinct)
            present = np.array([text != "" for text in distinct], bool)[codes]
        else:
            values, codes = np.unique(table[name], return_inverse=True)
            count = len(values)
            present = table[name] == table[name]
        valid &= present | blank[name]
        if count * (int(key.max()) + 1) > 2**62:
            key = np.unique(key, return_inverse=True)[1].astype(np.int64)
        key = key * count + codes
    # A cell that is empty by mistake is reported as that, not also as said twice.
    rows = np.flatnonzero(valid)
    order = rows[np.argsort(key[rows], kind="stable")]
    again = np.append(False, key[order][1:] == key[order][:-1])
    if not again.any():
        return
    first = order[np.maximum.accumulate(np.where(again, 0, np.arange(len(order))))]
    doubled, first = order[again], first[again]
    in_file = np.argsort(doubled)
    expected = f"each {', '.join(names)} once"
    for row, earlier in zip(
        doubled[in_file][:MOST_LIKE_EACH_OTHER], first[in_file][:MOST_LIKE_EACH_OTHER], strict=True
    ):
        found = ", ".join(_words(table[name][row]) for name in names) + " again"
        hint = f"first on line {table.line(earlier)}"
        report.line(table.line(row), ", ".join(names), expected, found, hint)
    report.more(len(doubled) - MOST_LIKE_EACH_OTHER, expected, ", ".join(names))


def _words(value: Any) -> str:
    if isinstance(value, str):
        return show(value)
    return f"{value:.12g}" if isinstance(value, float) else str(value)
