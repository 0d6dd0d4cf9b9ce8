"""Cells of a column turned into numbers, texts and times, and the words for the ones that are wrong."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = [
    "NUMBER",
    "BadCells",
    "Column",
    "as_numbers",
    "as_texts",
    "either",
    "empty_cells",
    "near",
    "nothing_to_tell",
    "show",
    "to_numbers",
    "to_times",
    "unit_of",
]

NUMBER = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"
_ZONED = r"[T ].*(Z|[+-]\d{2}(:?\d{2})?)$"
_HOUR, _SIXTY = r"([01]\d|2[0-3])", r"[0-5]\d"
_TIME = rf"^\d{{4}}-\d{{2}}-\d{{2}}([T ]{_HOUR}(:{_SIXTY}(:{_SIXTY}(\.\d+)?)?)?(Z|[+-]{_HOUR}(:?{_SIXTY})?)?)?$"
_TIME_EXAMPLE = "2025-04-30T14:05:00Z"
_UNITS = {
    "m": "m",
    "mm": "mm",
    "m2": "m²",
    "m3": "m³",
    "deg": "degrees",
    "rad": "rad",
    "mrad": "mrad",
    "gon": "gon",
    "permille": "per mille",
    "ppm": "ppm",
    "percent": "%",
    "s": "s",
    "h": "h",
}
_NO_VALUE = r"[+-]?(nan|na|n/a|inf|infinity|null|none|-+|\?|\.)(\(.*\))?"
_COMMA_FOR_POINT = r"[+-]?\d*,\d+"
_NO_NUMBERS = (
    (r"\d{4}-\d\d-\d\dT.*", "a date: did a spreadsheet take a number for one?"),
    (NUMBER, "too large for a number"),
    (r"\u2212[\d.,]+", "write the minus sign as a hyphen"),
    (r"[+-]?\d{1,3}(?P<mark>[\s'\u2019.,_])\d{3}((?P=mark)\d{3})*([.,]\d+)?", "no marks between thousands"),
    (r"[+-]?\d+(\.\d+)?\s*[^\d\s.,]+", "the number alone, its unit is in the header"),
)
# What a value may be given in instead of its column's unit: factor to that unit, and its name.
_MISTAKES: dict[str, tuple[tuple[float, str], ...]] = {
    "m": ((1e-3, "millimetres"), (1e-2, "centimetres")),
    "mm": ((1e3, "metres"), (10.0, "centimetres")),
    "deg": ((0.9, "gon"), (180.0 / math.pi, "radians")),
    "mrad": ((1e3, "radians"), (1e3 * math.pi / 180.0, "degrees")),
    "permille": ((10.0, "per cent"), (1e3, "a ratio")),
}


@dataclass(frozen=True)
class Column:
    """A column that a file may or must have.

    Parameters
    ----------
    name : str
        Its header; a number's unit is the end of it: ``level_m``.
    kind : {"number", "text", "time"}
        What its cells are.
    required : bool
        Whether the column must be there.
    blank : bool
        Whether a cell may be empty; it then is nan, "" or NaT.
    low, high : float, optional
        The range of a number, both ends included.
    choices : tuple of str, optional
        The only texts allowed.
    what : str
        What a cell is, with its article: ``a level``.
    hint : str
        What to do about a fault in this column.
    """

    name: str
    kind: Literal["number", "text", "time"] = "text"
    required: bool = True
    blank: bool = False
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] | None = None
    what: str = ""
    hint: str = ""

    @property
    def expected(self) -> str:
        """What a cell of this column must be, in words.

        Examples
        --------
        >>> Column("level_m", "number", low=40, high=120, what="a level").expected
        'a level of 40 to 120 m'
        >>> Column("corner", choices=("left", "right")).expected
        'left or right'
        """
        if self.choices:
            return either(self.choices)
        if self.kind != "number":
            return f"{self.what or 'a time'} like {_TIME_EXAMPLE}" if self.kind == "time" else self.what or "a text"
        unit = unit_of(self.name)
        return (self.what or "a number") + _range_words(self.low, self.high, unit)


@dataclass(frozen=True)
class BadCells:
    """Cells with the same kind of fault: their rows, what stands there, and what each may be."""

    kind: str
    rows: NDArray[np.int64]
    expected: str
    found: Sequence[str]
    hints: Sequence[str]


def unit_of(name: str) -> str:
    """Return the unit that ends a column's name, in words, or "".

    Examples
    --------
    >>> unit_of("cant_mm"), unit_of("slab")
    ('mm', '')
    """
    stem, _, suffix = name.rpartition("_")
    return _UNITS.get(suffix, "") if stem else ""


def show(text: str, most: int = 40) -> str:
    """Return a cell's text for a message: in quotes, control characters visible, not too long."""
    if not text:
        return "an empty cell"
    return repr(text if len(text) <= most else text[: most - 1] + "…")


def nothing_to_tell(numbers: pa.ChunkedArray, column: Column) -> bool:
    """Return whether numbers, null where a cell is empty, are what a column may hold."""
    import pyarrow.compute as pc

    fits = [pc.is_finite(numbers)]
    if column.low is not None:
        fits.append(pc.greater_equal(numbers, column.low))
    if column.high is not None:
        fits.append(pc.less_equal(numbers, column.high))
    # a null is neither true nor false, and passed over
    return (column.blank or not numbers.null_count) and all(pc.all(fit, min_count=0).as_py() for fit in fits)


def to_numbers(cells: pa.ChunkedArray, column: Column, most: int) -> tuple[NDArray[np.float64], list[BadCells]]:
    """Return trimmed cells as numbers, nan where they are none, and the cells that are wrong.

    At most `most` cells of each kind of fault are put into words; all of their rows are given.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    bad: list[BadCells] = []
    cells, empty = _without_empty(cells)
    if len(empty) and not column.blank:
        bad.append(empty_cells(empty, column, most))
    try:
        cast = cells.cast(pa.float64())
    except pa.ArrowInvalid:
        fits = pc.match_substring_regex(cells, NUMBER)
        cast = pc.if_else(fits, cells, None).cast(pa.float64())
    values = as_numbers(cast)
    wrong = np.flatnonzero(~np.isfinite(values))
    if len(wrong) > len(empty):
        wrong = np.setdiff1d(wrong, empty)
        found = cells.take(wrong[:most]).to_pylist()
        values[wrong] = np.nan
        hints = [_number_hint(text, column) for text in found]
        bad.append(BadCells("number", wrong, column.expected, [show(text) for text in found], hints))
    # A comparison with nan is false, and a nan has been told already.
    outside = np.zeros(len(values), bool)
    if column.low is not None:
        outside |= values < column.low
    if column.high is not None:
        outside |= values > column.high
    if outside.any():
        rows = np.flatnonzero(outside)
        found = cells.take(rows[:most]).to_pylist()
        hints = [_unit_hint(value, column) for value in values[rows[:most]]]
        bad.append(BadCells("range", rows, column.expected, found, hints))
    return values, bad


def to_times(cells: pa.ChunkedArray, column: Column, most: int) -> tuple[NDArray[np.datetime64], list[BadCells], bool]:
    """Return trimmed cells as UTC, NaT where they are no time, the wrong ones, and whether zones are mixed.

    A time without a zone counts as UTC. Digits beyond the microsecond are cut off.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    bad: list[BadCells] = []
    cells, empty = _without_empty(cells)
    if len(empty) and not column.blank:
        bad.append(empty_cells(empty, column, most))
    for zone in (None, "UTC"):
        try:
            return as_numbers(cells.cast(pa.timestamp("us", zone)).cast(pa.timestamp("us"))), bad, False
        except pa.ArrowInvalid:
            continue
    given, zoned = cells, pc.match_substring_regex(cells, _ZONED)
    cells = pc.replace_substring_regex(cells, r"(\.\d{6})\d+", r"\1")
    texts = zip(pc.match_substring_regex(cells, _TIME).to_pylist(), cells.to_pylist(), strict=True)
    fits = np.array([bool(like_time) and _is_day(text[:10]) for like_time, text in texts])
    wrong = np.setdiff1d(np.flatnonzero(~fits), empty)
    if len(wrong):
        found = given.take(wrong[:most]).to_pylist()
        hints = [_time_hint(text) for text in found]
        bad.append(BadCells("time", wrong, column.expected, [show(text) for text in found], hints))
    cells = pc.if_else(pa.array(fits), cells, None)
    with_zone = pc.if_else(zoned, cells, None)
    without = pc.if_else(zoned, None, cells)
    utc = with_zone.cast(pa.timestamp("us", "UTC")).cast(pa.timestamp("us"))
    values = as_numbers(pc.coalesce(utc, without.cast(pa.timestamp("us"))))
    return values, bad, max(with_zone.null_count, without.null_count) < len(cells)


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def as_numbers(array: pa.ChunkedArray) -> NDArray[Any]:
    """Return numbers or times as a writable array, nulls as nan or NaT."""
    values: NDArray[Any] = array.to_numpy()
    return values if values.flags.writeable else values.copy()


def as_texts(texts: NDArray[Any]) -> pa.Array:
    """Return NumPy's texts as Arrow's; None and nan among objects become null."""
    import pyarrow as pa

    if texts.dtype.kind != "U":
        return pa.array(texts.astype(object, copy=False), pa.string(), from_pandas=True)
    letters = np.ascontiguousarray(texts).view(np.uint32)
    if letters.size and letters.max() < 128:
        # NumPy has 32 bits for each letter: ASCII cut down to bytes first is taken over four times as fast
        return pa.array(letters.astype(np.uint8).view(f"S{texts.itemsize // 4}")).cast(pa.string())
    return pa.array(texts, pa.string())


def _without_empty(cells: pa.ChunkedArray) -> tuple[pa.ChunkedArray, NDArray[np.int64]]:
    import pyarrow.compute as pc

    empty = pc.equal(cells, "")
    if not pc.any(empty, min_count=0).as_py():
        return cells, np.empty(0, np.int64)
    return pc.if_else(empty, None, cells), np.flatnonzero(empty.to_numpy())


def empty_cells(rows: NDArray[np.int64], column: Column, most: int) -> BadCells:
    """Return the fault of cells that must not be empty."""
    count = min(len(rows), most)
    return BadCells("empty", rows, column.expected, ["an empty cell"] * count, [""] * count)


def _number_hint(text: str, column: Column) -> str:
    """Return what a cell that is no number may be."""
    if text == column.name:
        return "the header line a second time?"
    if re.fullmatch(_NO_VALUE, text, re.IGNORECASE):
        return "leave the cell empty" if column.blank else "leave the row out if it was not measured"
    if re.fullmatch(_COMMA_FOR_POINT, text):
        return f"write the decimal mark as a point: {text.replace(',', '.')}"
    return next((hint for pattern, hint in _NO_NUMBERS if re.fullmatch(pattern, text)), "")


def _range_words(low: float | None, high: float | None, unit: str) -> str:
    tail = f" {unit}" if unit else ""
    if low is not None and high is not None:
        return f" of {low:.12g} to {high:.12g}{tail}"
    if low is not None:
        return f" of at least {low:.12g}{tail}"
    if high is not None:
        return f" of at most {high:.12g}{tail}"
    return f" in {unit}" if unit else ""


def _unit_hint(value: float, column: Column) -> str:
    """Return which other unit would bring a value into its column's range."""
    low = -math.inf if column.low is None else column.low
    high = math.inf if column.high is None else column.high
    for factor, name in _MISTAKES.get(column.name.rpartition("_")[2], ()):
        if low <= value * factor <= high:
            return f"{name}?"
    return ""


def _time_hint(text: str) -> str:
    if re.match(r"\d{1,2}[./-]\d{1,2}[./-]\d{2,4}", text):
        return "write the year first: 2025-04-30"
    if re.match(r"\d{4}-\d{2}-\d{2}", text):
        return "no such day or hour, or the zone is not written like +02:00"
    return ""


def either(choices: Sequence[str]) -> str:
    """Return choices in words: ``a, b or c``."""
    return " or ".join([", ".join(choices[:-1]), choices[-1]] if len(choices) > 1 else choices)


def near(text: str, choices: Sequence[str]) -> str:
    """Return a hint naming the choice that a text is nearest to, or ""."""
    same = [choice for choice in choices if choice.casefold() == text.casefold()]
    found = same or difflib.get_close_matches(text, choices, 1)
    return f"did you mean {found[0]}?" if found else ""
