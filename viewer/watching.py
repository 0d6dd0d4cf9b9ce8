"""What a folder of growing tables holds: only complete lines count."""

from __future__ import annotations

import codecs
import csv
import io
import re
import time
from datetime import datetime
from pathlib import Path
from typing import Protocol

from geometry.exchange.csv_lines import Lines, split_lines

__all__ = ["Clock", "Folder", "Source", "Stamp", "SystemClock", "complete_lines", "without_lines"]

Stamp = tuple[int, int]


class Source(Protocol):
    """Where files come from."""

    def stamps(self) -> dict[Path, Stamp]:
        """Return every table with what changes when it is written to."""

    def content(self, path: Path) -> bytes:
        """Return what a table holds now."""


class Clock(Protocol):
    """Time, and waiting for it."""

    def seconds(self) -> float:
        """Return seconds from any moment, never going back."""

    def wait(self, seconds: float) -> None:
        """Let time pass."""

    def hour(self) -> str:
        """Return the local time of day for people."""


class SystemClock:
    """The computer's clock."""

    def seconds(self) -> float:
        """Return seconds from any moment, never going back."""
        return time.monotonic()

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        time.sleep(seconds)

    def hour(self) -> str:
        """Return the local time of day for people."""
        return datetime.now().astimezone().strftime("%H:%M:%S")


class Folder:
    """The tables of a folder, asked for time and size: that works on network drives as well."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def stamps(self) -> dict[Path, Stamp]:
        """Return time of change, ns, and size of every CSV; one that goes meanwhile is left out."""
        found = {}
        for path in sorted(self._path.iterdir()):
            if path.suffix.lower() == ".csv":
                try:
                    status = path.stat()
                except FileNotFoundError:
                    continue
                found[path] = status.st_mtime_ns, status.st_size
        return found

    def content(self, path: Path) -> bytes:
        """Return what a table holds now."""
        return path.read_bytes()


def complete_lines(content: bytes) -> tuple[bytes, str]:
    r"""Return the complete lines of a table that may still be written, and what waits after them.

    A last line waits if it has no line end, an open quote, or another number of cells than the header: what
    looks like a number there may be half of one. So does everything from a zero byte on, which some drives
    show before what is written arrives.

    Returns
    -------
    lines : bytes
        Empty if there is no row yet.
    waits : str
        In words, "" for nothing.

    Examples
    --------
    >>> complete_lines(b"slab,level_m\nQ1,212.58\nQ2,21")
    (b'slab,level_m\nQ1,212.58\n', 'a last line without its end')
    """
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return content, ""  # no table: whoever reads it says so
    zero = content.find(b"\0")
    written = content if zero < 0 else content[:zero]
    end = written.rfind(b"\n") + 1
    if not end:  # line ends of old kind; one at the very end may be the first half of a pair
        end = written.rfind(b"\r", 0, max(len(written) - 1, 0)) + 1
    whole = written[:end]
    waits = ""
    if zero >= 0:
        waits = "zero bytes where more will come"
    elif end < len(written):
        waits = "a last line without its end"
    if not whole:
        return b"", waits
    lines = split_lines(re.sub(rb"\r(?!\n)", b"\n", whole))
    if not len(lines.numbers):
        return b"", waits
    width = len(_cells(lines, 0))
    last = len(lines.numbers) - 1
    line = bytes(whole).count(b"\n") if b"\n" in whole else bytes(whole).count(b"\r")
    if int(lines.numbers[last]) == line and last:
        cells = len(_cells(lines, last))
        told = "a last line with an open quote" if lines.unclosed else f"a last line with {cells} of {width} cells"
        if lines.unclosed or cells != width:
            whole, waits, last = whole[: int(lines.starts[last])], waits or told, last - 1
    return (whole, waits) if last > 0 else (b"", waits or "a header without rows")


def without_lines(content: bytes, numbers: set[int]) -> bytes:
    r"""Return a table without the records that begin on some lines; all others keep their line numbers.

    Examples
    --------
    >>> without_lines(b"slab,note\nQ1,ok\nQ2,half\nQ3,ok\n", {3})
    b'slab,note\nQ1,ok\n\nQ3,ok\n'
    """
    plain = re.sub(rb"\r(?!\n)", b"\n", content)
    lines = split_lines(plain)
    starts = lines.starts.tolist()
    parts = [plain[: starts[0]]]
    for number, low, high in zip(lines.numbers.tolist(), starts[:-1], starts[1:], strict=True):
        record = plain[low:high]
        parts.append(re.sub(rb"[^\n]", b"", record) if number in numbers else record)
    return b"".join(parts)


def _cells(lines: Lines, index: int) -> list[str]:
    text = lines.record(index).decode("utf-8", "replace")
    return next(csv.reader(io.StringIO(text, newline="")), [])
