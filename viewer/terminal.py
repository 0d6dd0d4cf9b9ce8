"""Tables and progress in the terminal.

Tables go to standard output, progress to standard error. There is no colour where a terminal is
not on the other side, or where ``NO_COLOR`` is set; an output that knows ASCII only gets that.
Whatever stands in the data is shown as it is: nothing in it is markup, and what a terminal would
obey is made visible. Negative numbers carry a true minus sign; CSV and JSON, which machines read, a hyphen.
"""

from __future__ import annotations

import math
import sys
import threading
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import TracebackType
from typing import TYPE_CHECKING, TextIO

import numpy as np
from numpy.typing import ArrayLike

from viewer.numbers import MINUS

if TYPE_CHECKING:
    import rich.progress
    from rich.console import Console

__all__ = ["Progress", "TableColumn", "print_table", "visible"]

_WIDTH_WITHOUT_TERMINAL = 120
_LEAST_TEXT_WIDTH = 12
_MOST_KEY_WIDTH = 24
_GAP = 2
_DASH = "\u2013"
_SECONDS_BEFORE_SHOWN = 1.0
# Eight rows of a box in the order of rich.box: only the line under the header is drawn.
_RULES = "    \n    \n {0}{0} \n    \n    \n    \n    \n    \n"


@dataclass(frozen=True)
class TableColumn:
    """How a column is shown.

    Parameters
    ----------
    name : str
        Its header.
    unit : str
        Stands under the header; empty for none.
    decimals : int, optional
        Decimals of a number; None for whole numbers and texts.
    sign : bool
        Whether a positive number carries its plus sign.
    styles : mapping of str to str
        Style of a cell by its text, such as ``{"out": "bold red"}``; seen only where there is
        colour, so the text must say all of it.
    """

    name: str
    unit: str = ""
    decimals: int | None = None
    sign: bool = False
    styles: Mapping[str, str] = field(default_factory=dict)


def visible(text: str) -> str:
    r"""Return a text with everything a terminal would obey made visible.

    Examples
    --------
    >>> visible("a\x1b[31m b\nc")
    'a\\x1b[31m b\\nc'
    """
    if text.isprintable():
        return text
    return "".join(
        char
        if char.isprintable()
        else " "
        if unicodedata.category(char) == "Zs"
        else char.encode("unicode_escape").decode()
        for char in text
    )


def print_table(
    columns: Sequence[TableColumn],
    values: Sequence[ArrayLike],
    title: str = "",
    notes: Sequence[str] = (),
    *,
    file: TextIO | None = None,
    width: int | None = None,
) -> None:
    """Print a table.

    Numbers are never cut: where the columns do not fit beside each other, texts wrap first, and
    then the table goes on below, the first column repeated.

    Parameters
    ----------
    columns : sequence of TableColumn
        How each column is shown.
    values : sequence of array_like, shape (rows,)
        The cells of each column; nan and None show as a dash.
    title, notes : str, sequence of str
        Above and below the table.
    file : text stream, optional
        Where to; standard output if not given.
    width : int, optional
        Characters in a line; the terminal's if not given, 120 without one.
    """
    from rich.console import Console
    from rich.text import Text

    file = file or sys.stdout
    console = Console(file=file, highlight=False, markup=False, emoji=False, soft_wrap=False)
    if width is not None:
        console.width = width
    elif not console.is_terminal:
        console.width = _WIDTH_WITHOUT_TERMINAL
    encoding = getattr(file, "encoding", None) or "utf-8"

    minus = MINUS if MINUS.encode(encoding, "ignore") else "-"

    def plain(text: str) -> str:
        return visible(text).replace(MINUS, minus).encode(encoding, "backslashreplace").decode(encoding)

    dash = _DASH if plain(_DASH) == _DASH else "-"
    cells = [
        [plain(cell) for cell in _cells(column, given, dash)] for column, given in zip(columns, values, strict=True)
    ]
    if title:
        console.print(Text(plain(title), style="bold"))
    for number, block in enumerate(_blocks(columns, cells, console.width)):
        if number:
            console.print()
        _print_block(block, plain, console)
    for note in notes:
        console.print(Text(plain(note)))


def _cells(column: TableColumn, given: ArrayLike, dash: str) -> list[str]:
    """Return a column's cells as text."""
    array = np.asarray(given)
    if array.dtype.kind == "f":
        places = 0 if column.decimals is None else column.decimals
        # Adding zero turns -0.0, which rounding makes of a small negative number, into 0.0.
        rounded = np.round(array.astype(float), places) + 0.0
        return [
            dash if math.isnan(value) else f"{value:{_sign(column, value)}.{places}f}".replace("-", MINUS)
            for value in rounded.tolist()
        ]
    if array.dtype.kind in "iu":
        return [f"{value:{_sign(column, value)}d}".replace("-", MINUS) for value in array.tolist()]
    if array.dtype.kind == "b":
        return ["yes" if value else "no" for value in array.tolist()]
    return [dash if value is None or value != value else str(value) for value in array.tolist()]  # noqa: PLR0124


def _sign(column: TableColumn, value: float) -> str:
    return "+" if column.sign and value else ""


def _is_number(column: TableColumn, cells: Sequence[str]) -> bool:
    """Return whether a column is set flush right."""
    return column.decimals is not None or all(
        cell.lstrip(f"+-{MINUS}").isdigit() or cell in {_DASH, "-"} for cell in cells
    )


def _narrowest(column: TableColumn, cells: Sequence[str], text_width: int = _LEAST_TEXT_WIDTH) -> int:
    """Return the least width of a column in which no number and no word of the header is cut."""
    from rich.cells import cell_len

    head = max(cell_len(word) for word in (*column.name.split(), column.unit, ""))
    widest = max(map(cell_len, cells), default=0)
    return max(head, widest if _is_number(column, cells) else min(widest, text_width))


def _blocks(
    columns: Sequence[TableColumn], cells: Sequence[Sequence[str]], width: int
) -> Iterator[list[tuple[TableColumn, Sequence[str], int]]]:
    """Yield the columns that stand beside each other, with their least widths; the first in every block."""
    key, *others = (
        (column, texts, _narrowest(column, texts, _LEAST_TEXT_WIDTH if at else _MOST_KEY_WIDTH))
        for at, (column, texts) in enumerate(zip(columns, cells, strict=True))
    )
    block, used = [key], key[2]
    for other in others:
        if used + _GAP + other[2] > width and len(block) > 1:
            yield block
            block, used = [key], key[2]
        block.append(other)
        used += _GAP + other[2]
    yield block


def _print_block(
    block: Sequence[tuple[TableColumn, Sequence[str], int]], plain: Callable[[str], str], console: Console
) -> None:
    from rich.box import Box
    from rich.table import Table
    from rich.text import Text

    rule = "─" if plain("─") == "─" else "-"
    # The box puts one blank between columns.
    table = Table(
        box=Box(_RULES.format(rule), ascii=rule == "-"),
        show_edge=False,
        pad_edge=False,
        padding=(0, _GAP - 1, 0, 0),
    )
    heads = [_head(column, least if _is_number(column, texts) else 0) for column, texts, least in block]
    height = max(map(len, heads))
    for head, (column, texts, least) in zip(heads, block, strict=True):
        number = _is_number(column, texts)
        table.add_column(
            Text("\n".join(map(plain, [""] * (height - len(head)) + head)), style="bold"),
            justify="right" if number else "left",
            no_wrap=number,
            overflow="fold",
            min_width=least,
        )
    for row in zip(*(texts for _, texts, _ in block), strict=True):
        styles = (column.styles.get(cell, "") for (column, _, _), cell in zip(block, row, strict=True))
        table.add_row(*(Text(cell, style=style) for cell, style in zip(row, styles, strict=True)))
    # A number that is wider than the terminal shall go on in the next line, not lose its end.
    least_width = sum(least + _GAP for _, _, least in block)
    console.print(table, width=max(least_width, console.width), crop=False, no_wrap=False)


def _head(column: TableColumn, width: int) -> list[str]:
    """Return the lines of a header, the unit in the last one; a width of 0 keeps the name in one line."""
    import textwrap

    name = textwrap.wrap(column.name, width, break_long_words=False) if width else [column.name]
    return [*name, column.unit] if column.unit else name


class Progress:
    """Shows on standard error that work goes on, once it has gone on for a second.

    Nothing is shown for shorter work, or where standard error is no terminal; when the work is
    over, nothing of it stays.

    Parameters
    ----------
    label : str
        What is being done.
    total : float, optional
        How much there is to do, in any unit; unknown if not given.
    file : text stream, optional
        Where to; standard error if not given.
    """

    def __init__(self, label: str, total: float | None = None, *, file: TextIO | None = None) -> None:
        self._label, self._total, self._file = label, total, file or sys.stderr
        self._done = 0.0
        self._lock = threading.Lock()
        self._closed = False
        self._timer: threading.Timer | None = None
        self._shown: rich.progress.Progress | None = None

    def __enter__(self) -> Progress:
        """Begin to wait for the first second."""
        if self._file.isatty():
            self._timer = threading.Timer(_SECONDS_BEFORE_SHOWN, self._show)
            self._timer.daemon = True
            self._timer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Take away what was shown."""
        if self._timer is not None:
            self._timer.cancel()
        with self._lock:
            self._closed = True
            shown = self._shown
        if shown is not None:
            shown.stop()

    def advance(self, amount: float = 1.0) -> None:
        """Note that an amount of the work is done."""
        with self._lock:
            self._done += amount
            self._update()

    def say(self, label: str) -> None:
        """Name what is being done now."""
        with self._lock:
            self._label = label
            self._update()

    def _update(self) -> None:
        if self._shown is not None:
            task = self._shown.task_ids[0]
            self._shown.update(task, completed=self._done, description=visible(self._label))

    def _show(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
        from rich.progress import Progress as Bar

        with self._lock:
            if self._closed:
                return
            console = Console(file=self._file, markup=False, highlight=False, emoji=False)
            parts = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
            shown = Bar(*parts, console=console, transient=True, redirect_stdout=False, redirect_stderr=False)
            shown.add_task(visible(self._label), total=self._total)
            self._shown = shown
            self._update()
            shown.start()
