"""A long section in rows: which row a distance falls into, where the rows begin, which chainages to print."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.numbers import MINUS
from viewer.section import Section

__all__ = ["Rows", "chainage_text", "chainage_ticks", "line_of", "nice_below", "rows_of"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MOST_ROWS = 8
SHORT_ROWS = 4
LEAST_ROW = 50.0
SHORTEST_ROW = 25.0
USUAL_ROW = 1000.0


def nice_below(value: float) -> float:
    """Return the largest of 1, 2, 5, 10, 20, 50 ... (and 0.5, 0.2 ...) that is not above ``value``.

    Examples
    --------
    >>> [nice_below(value) for value in (0.3, 7.0, 20.0, 149.0)]
    [0.2, 5.0, 20.0, 100.0]
    """
    exponent = float(np.floor(np.log10(value) + 1e-12))
    lead = value / 10.0**exponent
    step = 5.0 if lead >= 5.0 - 1e-9 else 2.0 if lead >= 2.0 - 1e-9 else 1.0
    return float(np.round(step * 10.0**exponent, 12))


def chainage_text(chainage: float, decimals: int = 0) -> str:
    r"""Return a chainage as kilometres + metres (common practice).

    Examples
    --------
    >>> chainage_text(12340.0), chainage_text(-50.0), chainage_text(999.96, 1)
    ('12+340', '\u22120+050', '1+000.0')
    """
    rounded = round(abs(chainage), decimals)
    kilometres, metres = divmod(rounded, 1000.0)
    width = 3 if decimals == 0 else 4 + decimals
    sign = MINUS if chainage < 0.0 and rounded > 0.0 else ""
    return f"{sign}{kilometres:.0f}+{metres:0{width}.{decimals}f}"


def chainage_ticks(chainage: ArrayLike, distance: ArrayLike, step: float) -> tuple[Floats, Floats]:
    """Return where the displayed chainage passes a multiple of ``step``.

    A chainage equation makes the displayed chainage jump; between two points across a jump nothing is marked.

    Parameters
    ----------
    chainage, distance : array_like, shape (k,)
        Displayed chainage and increasing continuous distance of points along the line, m.
    step : float
        m.

    Returns
    -------
    ndarray, shape (t,)
        Continuous distance of each mark, m.
    ndarray, shape (t,)
        Its chainage, a multiple of ``step``, m.
    """
    chain = np.asarray(chainage, dtype=np.float64)
    along = np.asarray(distance, dtype=np.float64)
    if len(chain) < 2:
        return np.empty(0), np.empty(0)
    first, last = chain[:-1], chain[1:]
    smooth = np.abs((last - first) - np.diff(along)) < 0.5
    start = np.ceil(first / step - 1e-9)
    count = np.where(smooth, np.ceil(last / step - 1e-9) - start, 0.0).astype(np.int64)
    count = np.maximum(count, 0)
    piece = np.repeat(np.arange(len(count)), count)
    number = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
    marks = (start[piece] + number) * step
    share = (marks - first[piece]) / (last[piece] - first[piece])
    places: Floats = along[piece] + share * (along[piece + 1] - along[piece])
    values: Floats = np.asarray(marks, dtype=np.float64)
    return places, values


def line_of(section: Section) -> tuple[Floats, Floats]:
    """Return distance and displayed chainage of the section's beginning, its slabs and its end, m, shape (n + 2,)."""
    half = 0.5 * section.size[[0, -1], 1]
    distance, chainage = (
        np.concatenate([[value[0] - half[0]], value, [value[-1] + half[1]]])
        for value in (section.distance, section.chainage)
    )
    return distance, chainage


@dataclass(frozen=True)
class Rows:
    """How a section is broken into rows of equal length.

    Parameters
    ----------
    start : float
        Continuous distance at which the first row begins, m.
    length : float
        Of each row, m.
    count : int
        Number of rows.
    """

    start: float
    length: float
    count: int

    def row(self, distance: ArrayLike) -> Integers:
        """Return the row of each distance, counted from 0; what lies outside counts to the nearest row."""
        row = np.floor((np.asarray(distance, dtype=np.float64) - self.start) / self.length)
        return np.clip(row, 0, self.count - 1).astype(np.int64)

    def place(self, distance: ArrayLike) -> Floats:
        """Return the distance from the beginning of the row, m."""
        along = np.asarray(distance, dtype=np.float64)
        place: Floats = along - self.start - self.row(along) * self.length
        return place

    def spans(self, start: float, end: float) -> list[tuple[int, float, float]]:
        """Return the parts of a stretch in the rows: (row, from, to), the last two from the row's beginning, m."""
        low = max(start - self.start, 0.0)
        high = min(end - self.start, self.length * self.count)
        if not low < high:
            return []
        first = int(low // self.length)
        last = min(int(np.ceil(high / self.length)), self.count)
        return [
            (row, max(low - row * self.length, 0.0), min(high - row * self.length, self.length))
            for row in range(first, last)
        ]


def rows_of(section: Section, most: int = MOST_ROWS) -> Rows:
    """Return rows of about 1 km; shorter ones for a short section, longer ones rather than more than ``most``.

    The first row begins a little before the first slab, at a round chainage where that costs no further row.
    """
    half = 0.5 * section.size[:, 1]
    first = float(section.distance[0] - half[0])
    last = float(section.distance[-1] + half[-1])
    extent = last - first
    length = max(nice_below(extent / most), LEAST_ROW) if extent > LEAST_ROW else max(extent, SHORTEST_ROW)
    while np.ceil(extent / length) > (most if length >= USUAL_ROW else SHORT_ROWS):
        length = nice_below(2.5 * length)
    shift = float(section.chainage[0] - section.distance[0])
    grain = nice_below(length / 20.0)
    count = max(1, int(np.ceil(extent / length - 1e-9)))
    begin = float(np.floor((first + shift) / grain) * grain) - shift
    if begin + count * length < last:  # a round beginning is not worth a row with nothing but a stub in it
        begin = first
    return Rows(begin, length, count)
