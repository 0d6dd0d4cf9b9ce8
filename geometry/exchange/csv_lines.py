"""Physical lines of a comma separated file: its text, its records, and where each stands.

A record is a row in the sense of RFC 4180: it ends at a line end outside quotes. Three kinds
of line hold no record: empty ones, ones with nothing but blanks and commas (spreadsheets write
them below a table), and comments, whose first character is ``#``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Lines", "split_lines"]

_LINE_END, _RETURN, _QUOTE, _HASH, _COMMA, _SPACE, _TAB = b'\n\r"#, \t'
_UNLIKE_A_ROW = np.isin(np.arange(256), [_LINE_END, _RETURN, _QUOTE, _HASH, _COMMA, _SPACE, _TAB])  # as first byte
_BLANK_CELL = rb'(?:[ \t]*|"[ \t]*"[ \t]*)'
# A cell of blanks in quotes all by itself may be meant.
_BLANK_LINE = re.compile(rb'(?!"[ \t]*"[ \t]*\r?\Z)%b(?:,%b)*\r?' % (_BLANK_CELL, _BLANK_CELL))
_CELL = re.compile(rb'(?:"(?:[^"]|"")*+"[^,\n]*|[^",\n][^,\n]*|)(,|\n|\Z)')


@dataclass(frozen=True)
class Lines:
    """The records of a file.

    Parameters
    ----------
    data : bytes-like
        The file, lines without a record overwritten by line ends.
    starts : ndarray of int, shape (records + 1,)
        Where each record begins in `data`; the last entry is the length of `data`.
    numbers : ndarray of int, shape (records,)
        The 1-based line on which each record begins.
    unclosed : int
        Line of the record whose quote is never closed, 0 if there is none.
    comments : ndarray of int
        The 1-based lines that are comments.
    wrapped : bool
        Whether a cell goes over a line end.
    """

    data: memoryview
    starts: NDArray[np.int64]
    numbers: NDArray[np.int64]
    unclosed: int
    comments: NDArray[np.int64]
    wrapped: bool

    def record(self, index: int) -> bytes:
        """Return the bytes of one record."""
        return bytes(self.data[self.starts[index] : self.starts[index + 1]])

    def rest(self, index: int) -> memoryview:
        """Return the bytes from a record to the end of the file."""
        return self.data[self.starts[index] :]


def split_lines(data: bytes) -> Lines:
    r"""Return the records of a text.

    Examples
    --------
    >>> lines = split_lines(b'# note\na,b\n\n1,"x\ny"\n,,\n2,z')
    >>> lines.numbers, lines.record(2)
    (array([2, 4, 7]), b'2,z')
    """
    content: NDArray[np.uint8] = np.frombuffer(data, np.uint8)
    starts = np.append(0, _places(content, _LINE_END) + 1)
    if starts[-1] == len(data):
        starts = starts[:-1]
    ends = np.append(starts[1:] - 1, len(data) - (data[-1:] == b"\n"))
    first = content[starts]  # of an empty line its end
    candidates = np.flatnonzero(_UNLIKE_A_ROW[first])
    second = content[np.minimum(starts[candidates] + 1, len(data) - 1)]
    candidates = candidates[(first[candidates] != _QUOTE) | (second == _QUOTE) | (second == _SPACE) | (second == _TAB)]
    idle = np.zeros(len(starts), bool)
    idle[candidates] = [
        first[line] == _HASH or _BLANK_LINE.fullmatch(data, starts[line], ends[line]) is not None for line in candidates
    ]
    inside, unclosed = _quoted_lines(data, content, starts, ends, idle)
    idle &= ~inside
    kept = np.flatnonzero(~(idle | inside))
    comments = np.flatnonzero(idle & (first == _HASH)) + 1
    written = np.flatnonzero(idle & (ends > starts))
    if len(written):
        # Lengths must stay as they are, and the reader skips empty lines: so a line without a
        # record becomes as many line ends as it has characters.
        step = np.zeros(len(data) + 1, np.int8)
        step[starts[written]] += 1
        step[ends[written]] -= 1
        content = np.where(np.cumsum(step[:-1], dtype=np.int8) > 0, np.uint8(_LINE_END), content)
    return Lines(content.data, np.append(starts[kept], len(data)), kept + 1, unclosed, comments, bool(inside.any()))


def _quoted_lines(
    data: bytes,
    content: NDArray[np.uint8],
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    idle: NDArray[np.bool_],
) -> tuple[NDArray[np.bool_], int]:
    """Return which lines begin inside quotes, and the line of a quote that is never closed."""
    inside = np.zeros(len(starts), bool)
    if b'"' not in data:
        return inside, 0
    quotes = _places(content, _QUOTE)
    opening = content[np.maximum(quotes[::2] - 1, 0)]
    opens = (opening == _COMMA) | (opening == _LINE_END) | (quotes[::2] == 0)
    opens[1:] |= quotes[2::2] == quotes[1:-1:2] + 1
    in_idle = np.searchsorted(quotes, ends[idle]) - np.searchsorted(quotes, starts[idle])
    if bool(opens.all()) and not bool(in_idle.any()):
        # Every odd quote stands where a quote opens a cell or follows one that just closed, so
        # by induction a line lies inside quotes exactly when an odd number precedes it.
        inside = np.searchsorted(quotes, starts) % 2 == 1
        unclosed = int(np.searchsorted(starts, quotes[-1], side="right")) if len(quotes) % 2 else 0
        return inside, unclosed
    line_of = np.unique(np.searchsorted(starts, quotes, side="right") - 1)
    return _follow_quotes(data, starts, idle, line_of)


def _places(content: NDArray[np.uint8], byte: int) -> NDArray[np.int64]:
    """Return where a byte stands; in pieces, for less memory than the text itself takes."""
    pieces = range(0, len(content), 1 << 16)
    return np.concatenate([np.flatnonzero(content[at : at + (1 << 16)] == byte) + at for at in pieces])


def _follow_quotes(
    data: bytes, starts: NDArray[np.int64], idle: NDArray[np.bool_], with_quotes: NDArray[np.int64]
) -> tuple[NDArray[np.bool_], int]:
    """Go through the quotes in order: for a text with quotes that open nothing, such as 5" pipe."""
    inside = np.zeros(len(starts), bool)
    done = 0
    for line in with_quotes:
        if starts[line] < done or idle[line]:
            continue
        at, end = int(starts[line]), b","
        while end == b",":
            cell = _CELL.match(data, at)
            if cell is None:
                inside[line + 1 :] = True
                return inside, int(line) + 1
            at, end = cell.end(), cell[1]
        inside[line + 1 : np.searchsorted(starts, at)] = True
        done = at
    return inside, 0
