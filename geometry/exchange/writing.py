"""Results written in one piece: a file is there whole, or as it was before.

Tables are RFC 4180 in UTF-8 with line feeds. Numbers have a fixed count of decimals, which the
unit at the end of a column's name decides; nan is an empty cell. A text that a spreadsheet
would run as a formula gets an apostrophe before it.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, TextIO

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geometry.errors import Fault, InputError
from geometry.exchange.cells import as_texts
from geometry.exchange.plain import to_plain

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

__all__ = [
    "as_frame",
    "decimals_of",
    "one_piece",
    "run_by_spreadsheets",
    "table_to_records",
    "write_csv",
    "write_json",
]

_DECIMALS = {
    "m": 4,
    "mm": 2,
    "m2": 3,
    "m3": 4,
    "deg": 6,
    "rad": 6,
    "mrad": 3,
    "gon": 6,
    "permille": 4,
    "ppm": 2,
    "percent": 2,
    "turns": 3,
}
_OTHER_DECIMALS = 6
# Arrow writes a decimal number of more places with an exponent once it is small.
_MOST_DECIMALS = 6
_RUN_BY_SPREADSHEETS = r"^\s*[=+\-@\t\r\x{FF1D}\x{FF0B}\x{FF0D}\x{FF20}]"
_NEEDS_QUOTES = r'[",\n\r]|^[\s#]|\s$'
_SPECIAL = b'=+-@",# \t\n\v\f\r'  # ASCII of either: a text without them stands in a cell as it is
_BLOCK = 1 << 14  # rows that are put into words at a time: they stay in the processor's cache


@contextmanager
def one_piece(path: Path | str, inputs: Sequence[Path | str] = ()) -> Iterator[BinaryIO]:
    """Open a file whose content appears under its name all at once, at the end of the block.

    Parameters
    ----------
    path : Path or str
        The file to write; one that is there is replaced.
    inputs : sequence of Path or str
        Files that must not be replaced, as the result is made from them.

    Yields
    ------
    file
        Takes bytes.

    Raises
    ------
    InputError
        If the path is one of the inputs, no file, or cannot be written.
    """
    target = Path(path).resolve()
    for source in map(Path, inputs):
        if source.resolve() == target or (source.exists() and target.exists() and source.samefile(target)):
            raise _refusal(path, "a file other than the inputs", "an input", "give the result another name")
    if target.exists() and not target.is_file():
        raise _refusal(path, "a file", "a folder" if target.is_dir() else "a device")
    part = target.with_name(f".{target.name[:100]}.{secrets.token_hex(4)}.part")
    try:
        # Made by open, not as a private temporary file: the result shall have usual permissions.
        file = part.open("xb")
    except OSError as fault:
        hint = "make the folder first" if not target.parent.is_dir() else ""
        raise _refusal(path, "a place to write to", (fault.strerror or str(fault)).lower(), hint) from fault
    try:
        with file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        try:
            part.replace(target)
        except OSError as fault:
            raise _refusal(path, "a place to write to", (fault.strerror or str(fault)).lower()) from fault
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _refusal(path: Path | str, expected: str, found: str, hint: str = "") -> InputError:
    return InputError([Fault(str(path), expected, found, hint)])


def decimals_of(name: str) -> int:
    """Return how many decimals a column of numbers is written with.

    Examples
    --------
    >>> decimals_of("up_mm"), decimals_of("chainage_m"), decimals_of("turns_RL"), decimals_of("weight")
    (2, 4, 3, 6)
    """
    parts = name.split("_")
    units = [part for part in reversed(parts) if part in _DECIMALS] if len(parts) > 1 else []
    return _DECIMALS[units[0]] if units else _OTHER_DECIMALS


def write_csv(
    path: Path | str,
    table: Mapping[str, ArrayLike],
    decimals: Mapping[str, int] | None = None,
    inputs: Sequence[Path | str] = (),
    comments: Sequence[str] = (),
) -> None:
    """Write a table in one piece.

    Parameters
    ----------
    path : Path or str
        The file.
    table : mapping of str to array_like, shape (rows,)
        Columns by header: numbers, texts, truth values (``true``, ``false``) or UTC times. Texts
        may be None, numbers nan, times NaT: the cell is empty then.
    decimals : mapping of str to int, optional
        Decimals of single columns, 0 to 6; the others follow `decimals_of`.
    inputs : sequence of Path or str
        Files that must not be replaced.
    comments : sequence of str
        Lines above the header, each with ``# `` before it; `read_table` passes over them.

    Raises
    ------
    InputError
        If the path is one of the inputs or cannot be written.
    ValueError
        If columns differ in length, or a number is infinite or too large for its decimals.
    """
    import pyarrow as pa

    arrays = {name: _in_seconds(np.asarray(values)) for name, values in table.items()}
    rows = {array.shape for array in arrays.values()}
    if len(rows) != 1 or len(next(iter(rows))) != 1:
        raise ValueError(f"columns of different shapes: { {name: array.shape for name, array in arrays.items()} }")
    places = {name: (decimals or {}).get(name, decimals_of(name)) for name in arrays}
    for name, array in arrays.items():
        _refuse_formless(name, array, places[name])
    head = [f"# {' '.join(line.split())}\n" for line in comments]
    head += [",".join(_text_cells(pa.array(list(arrays))).to_pylist()), "\n"]

    def lines(start: int) -> memoryview:
        return _lines([_cells(array[start : start + _BLOCK], places[name]) for name, array in arrays.items()])

    # Arrow lets go of the interpreter while it works through a block, and so does the file.
    with one_piece(path, inputs) as file, ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool:
        file.write("".join(head).encode())
        file.writelines(pool.map(lines, range(0, len(next(iter(arrays.values()))), _BLOCK)))


def _in_seconds(array: NDArray[Any]) -> NDArray[Any]:
    """Return times in the unit they are written in: seconds where all are whole, else microseconds."""
    if array.dtype.kind != "M":
        return array
    whole = array.astype("datetime64[s]")
    return whole if bool(np.all(np.isnat(array) | (array == whole))) else array.astype("datetime64[us]")


def _refuse_formless(name: str, array: NDArray[Any], places: int) -> None:
    if array.dtype.kind not in "fiubMOUT":
        raise TypeError(f"{name}: {array.dtype} has no form in a table")
    if array.dtype.kind != "f":
        return
    if not 0 <= places <= _MOST_DECIMALS:
        raise ValueError(f"{name}: {places} decimals; 0 to {_MOST_DECIMALS} can be written")
    # fmax and fmin pass over nan; beyond 2^53 a float has no digit to round at
    largest = float(np.fmax(np.fmax.reduce(array, initial=0.0), -np.fmin.reduce(array, initial=0.0)))
    if not largest * 10.0**places < 2.0**53:
        raise ValueError(f"{name}: {array[np.nanargmax(np.abs(array))]} cannot be written with {places} decimals")


def _lines(columns: list[pa.Array]) -> memoryview:
    """Return rows of cells as bytes."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if len(columns) == 1:  # an empty line would be no row
        columns = [pc.if_else(pc.equal(columns[0], ""), '""', columns[0])]
    ended = pc.binary_join_element_wise(columns[-1], "", "\n")
    joined = pc.binary_join_element_wise(*columns[:-1], ended, ",")
    _, offsets, text = joined.buffers()
    first, last = np.frombuffer(offsets, np.int32)[[joined.offset, joined.offset + len(joined)]]
    return memoryview(text if text is not None else pa.py_buffer(b""))[first:last]


def _cells(array: NDArray[Any], places: int) -> pa.Array:
    """Return a column as the text of its cells."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if array.dtype.kind == "f":
        return _decimal_cells(array.astype(np.float64, copy=False), places)
    if array.dtype.kind in "iu":
        return pa.array(array).cast(pa.string())
    if array.dtype.kind == "b":
        return pc.if_else(pa.array(array), "true", "false")
    if array.dtype.kind == "M":
        utc = pa.array(array).cast(pa.timestamp(np.datetime_data(array.dtype)[0], "UTC"))
        return pc.replace_substring(utc.cast(pa.string()), " ", "T").fill_null("")
    return _text_cells(as_texts(array))


def _decimal_cells(values: NDArray[np.float64], places: int) -> pa.Array:
    import pyarrow as pa

    blank = np.isnan(values)
    any_blank = bool(blank.any())
    scaled = np.rint((np.where(blank, 0.0, values) if any_blank else values) * 10.0**places).astype("<i8")
    low, high = scaled.min(), scaled.max()
    if high - low < len(scaled):
        # millimetres with two decimals: every number that there can be is put into words once
        scaled -= low
        texts = _decimal_texts(np.arange(low, high + 1), places).take(pa.array(scaled))
    else:
        texts = _decimal_texts(scaled, places)
    if not any_blank:
        return texts
    return pa.compute.if_else(pa.array(blank), "", texts)


def _decimal_texts(scaled: NDArray[np.int64], places: int) -> pa.Array:
    """Return integers as the texts of numbers with so many decimals."""
    import pyarrow as pa

    # Arrow's decimal numbers are integers of 128 bits: the low half and the sign's extension.
    halves = np.empty((len(scaled), 2), "<i8")
    halves[:, 0] = scaled
    halves[:, 1] = scaled >> 63
    numbers = pa.Array.from_buffers(pa.decimal128(19, places), len(scaled), [None, pa.py_buffer(halves)])
    return numbers.cast(pa.string())


def run_by_spreadsheets(texts: Sequence[str]) -> NDArray[np.bool_]:
    """Return which texts a spreadsheet would take for formulas, shape (n,).

    Examples
    --------
    >>> run_by_spreadsheets(["Q0101", "=1+1", " @SUM(A1)"]).tolist()
    [False, True, True]
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    runs = pc.match_substring_regex(pa.array(texts, pa.string()), _RUN_BY_SPREADSHEETS)
    return np.asarray(runs.to_numpy(zero_copy_only=False), dtype=np.bool_)


def _text_cells(texts: pa.Array) -> pa.Array:
    """Return texts as cells: no formula, and in quotes where a reader needs them."""
    import pyarrow.compute as pc

    texts = texts.fill_null("")
    content = b"" if texts.buffers()[2] is None else texts.buffers()[2].to_pybytes()
    if content.isascii() and len(content.translate(None, _SPECIAL)) == len(content):
        return texts
    encoded = texts.dictionary_encode()  # most texts stand in many cells
    distinct = encoded.dictionary
    runs = pc.match_substring_regex(distinct, _RUN_BY_SPREADSHEETS)
    distinct = pc.if_else(runs, pc.binary_join_element_wise("'", distinct, ""), distinct)
    quoted = pc.match_substring_regex(distinct, _NEEDS_QUOTES)
    doubled = pc.replace_substring(distinct, '"', '""')
    distinct = pc.if_else(quoted, pc.binary_join_element_wise('"', doubled, '"', ""), distinct)
    return distinct.take(encoded.indices)


def write_json(target: Path | str | TextIO, document: Any, inputs: Sequence[Path | str] = ()) -> None:
    """Write a document as JSON, in one piece where the target is a file.

    Keys keep the order in which they are given, and nan and NaT become null. A stream, such as
    standard output, takes the text as it is.

    Raises
    ------
    InputError
        If the path is one of the inputs or cannot be written.
    ValueError
        If a number is infinite, which JSON cannot say.
    TypeError
        If something in the document has no form in JSON.
    """
    text = json.dumps(to_plain(document), ensure_ascii=False, allow_nan=False, indent=2) + "\n"
    if isinstance(target, (str, Path)):
        with one_piece(target, inputs) as file:
            file.write(text.encode())
    else:
        target.write(text)


def table_to_records(table: Mapping[str, ArrayLike]) -> list[dict[str, Any]]:
    """Return the rows of a table as plain values by column, nan as None.

    Examples
    --------
    >>> table_to_records({"slab": ["a", "b"], "up_mm": [1.5, float("nan")]})
    [{'slab': 'a', 'up_mm': 1.5}, {'slab': 'b', 'up_mm': None}]
    """
    columns = [to_plain(np.asarray(values)) for values in table.values()]
    return [dict(zip(table, row, strict=True)) for row in zip(*columns, strict=True)]


def as_frame(table: Mapping[str, ArrayLike]) -> pd.DataFrame:
    """Return a table as a pandas data frame."""
    import pandas as pd

    return pd.DataFrame({name: np.asarray(values) for name, values in table.items()})
