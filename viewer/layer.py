"""What a picture is coloured by: values on slabs or along the rails, their scale, verdicts and words."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.section import NOT_MEASURED, OUT, UNDECIDED, WITHIN, Section

__all__ = ["VERDICT_WORDS", "Arrows", "Card", "Layer", "RailTrace", "Scale", "Source", "field_at", "rectangles"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

VERDICT_WORDS: Mapping[int, str] = {
    WITHIN: "within", OUT: "out", UNDECIDED: "undecided", NOT_MEASURED: "not measured",
}  # fmt: skip
Ends = tuple[Integers, Floats, Floats]
RAIL_BREAK = 2.0
"""Seats further apart than this have no rail drawn between them, m."""


@dataclass(frozen=True)
class Scale:
    """A scale that diverges from a middle value, each arm by its own length; mm.

    Parameters
    ----------
    low, middle, high : float
        Where the lower arm ends, what has the middle colour, where the upper arm ends.
    allowed : (float, float), optional
        Smallest and largest good value, marked on the scale; none if there is no limit.
    allowed_word : str
        What the allowed range is called, with its numbers.
    """

    low: float
    middle: float
    high: float
    allowed: tuple[float, float] | None = None
    allowed_word: str = ""

    def __post_init__(self) -> None:
        if not self.low < self.middle < self.high:
            raise ValueError(
                f"a scale ascends from low over middle to high, not {self.low}, {self.middle}, {self.high}"
            )

    @classmethod
    def of_range(cls, low: float, middle: float, high: float, word: str) -> Scale:
        """Return the scale on which the limits of an allowed range stand half way out on either arm."""
        return cls(2.0 * low - middle, middle, 2.0 * high - middle, (low, high), word)

    @property
    def below(self) -> float:
        """Length of the lower arm, mm."""
        return self.middle - self.low

    @property
    def above(self) -> float:
        """Length of the upper arm, mm."""
        return self.high - self.middle

    @property
    def floor(self) -> float:
        """How far below the middle the floor lies that things of this height stand on, mm (negative)."""
        return -(self.below + 0.05 * (self.below + self.above))

    def share(self, values: ArrayLike) -> Floats:
        """Return how far out on their arm values lie: -1 and 1 at the ends, beyond them further; nan stays."""
        from_middle = np.asarray(values, dtype=np.float64) - self.middle
        share: Floats = from_middle / np.where(from_middle < 0.0, self.below, self.above)
        return share

    def height(self, values: ArrayLike) -> Floats:
        """Return values less the middle, cut at the ends, mm; nan stays."""
        height: Floats = np.clip(np.asarray(values, dtype=np.float64), self.low, self.high) - self.middle
        return height

    def marks(self) -> tuple[float, ...]:
        """Return the values that the scale is labelled with, ascending."""
        return tuple(sorted({self.low, self.middle, self.high, *(self.allowed or ())}))

    def extreme(self, values: ArrayLike, axis: int | tuple[int, ...] = -1) -> Floats:
        """Return the values furthest out on the scale along axes, with what they are; nan only where all are."""
        value = np.asarray(values, dtype=np.float64)
        axes = tuple(at % value.ndim for at in ((axis,) if isinstance(axis, int) else axis))
        kept = [at for at in range(value.ndim) if at not in axes]
        several = int(np.prod([value.shape[at] for at in axes]))
        flat = value.transpose(*kept, *axes).reshape(*(value.shape[at] for at in kept), several)
        if flat.shape[-1] == 0:
            return np.full(flat.shape[:-1], np.nan)
        amount = np.where(np.isnan(flat), -1.0, np.abs(self.share(flat)))
        found: Floats = np.take_along_axis(flat, amount.argmax(axis=-1)[..., None], axis=-1)[..., 0]
        return found


@dataclass(frozen=True, eq=False)
class Arrows:
    """Moves of slabs at places on them, a of them.

    Parameters
    ----------
    slab : ndarray of int, shape (a,)
    place : ndarray, shape (a, 3)
        In the slab's frame, m.
    move_mm : ndarray, shape (a, 3)
        Right, forward, up in the slab's frame, mm.
    """

    slab: Integers
    place: Floats
    move_mm: Floats

    def by_end(self, section: Section) -> tuple[Ends, Ends]:
        """Return the moves of both ends of each slab: up and to the right, the largest of either sign.

        Returns
        -------
        tuple, tuple
            Of those up and of those to the right that are not zero: slab, place along it in m, and value in mm.
        """
        ahead = (self.place[:, 1] > 0.0).astype(np.int64)
        found = []
        for axis in (2, 0):
            value = self.move_mm[:, axis]
            some = np.flatnonzero(np.abs(value) > 0.0)
            kind = 4 * self.slab[some] + 2 * ahead[some] + (value[some] > 0.0)
            order = np.lexsort((-np.abs(value[some]), kind))
            kept = some[order[np.unique(kind[order], return_index=True)[1]]]
            quarter = 0.25 * section.size[self.slab[kept], 1] * np.where(ahead[kept], 1.0, -1.0)
            found.append((self.slab[kept], quarter, value[kept]))
        return found[0], found[1]


@dataclass(frozen=True, eq=False)
class RailTrace:
    """Values along the rails at s seats.

    Parameters
    ----------
    distance : ndarray, shape (s,)
        Continuous distance along the line, m, increasing.
    slab : ndarray of int, shape (s,)
        That carries the seat.
    value_mm : ndarray, shape (s, r)
        Of the left and the right rail, or, with r = 1, of both together; nan where unknown.
    shift_mm : ndarray, shape (s, 2, 2)
        How left and right rail lie from the design rail: right, up, mm; nan where unknown.
    """

    distance: Floats
    slab: Integers
    value_mm: Floats
    shift_mm: Floats

    def together(self, scale: Scale) -> RailTrace:
        """Return the trace with one value at each seat: that of the rail which is further out on the scale."""
        return replace(self, value_mm=scale.extreme(self.value_mm, 1)[:, None])

    @property
    def joined(self) -> NDArray[np.bool_]:
        """Whether a rail runs from each seat to the next one, shape (s - 1,)."""
        joined: NDArray[np.bool_] = np.diff(self.distance) < RAIL_BREAK
        return joined


class Card(NamedTuple):
    """The numbers of one slab as a small table.

    Parameters
    ----------
    told : str
        What the numbers are, with their unit.
    columns : tuple of str
        Heads of the columns, without the names of the rows.
    rows : tuple of tuple of str
        Name and cells of each row.
    bold : frozenset of (int, int)
        Row and column of the cells that are beyond a limit.
    limits : tuple of str
        The last row, below a line; empty for none.
    notes : tuple of str
        Lines below the table.
    """

    told: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    bold: frozenset[tuple[int, int]] = frozenset()
    limits: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Layer:
    """What slabs, or the rails over them, are coloured by.

    Parameters
    ----------
    name : str
        What chooses it on the command line.
    heading : str
        What the picture shows, within a line of words.
    title, sign : str
        Over the scale: the quantity, and what its two directions mean.
    scale : Scale
    worst : ndarray, shape (n,)
        The value that each slab is ranked and named by, mm; nan if there is none.
    verdict : ndarray of int, shape (n,)
        One of the verdicts of `viewer.section` each: shown by symbols.
    words : mapping of int to str
        What the four verdicts are called here.
    named : function of a slab
        Its worst value in words, with unit and direction.
    card : function of a slab
        Its numbers.
    field : ndarray, shape (n, r, c), optional
        Values on a grid over the rectangle around each slab, mm: rows from the back to the forward end, columns from
        left to right, edges included; nan where unknown. Without it slabs have no colour of their own.
    rails : RailTrace, optional
        Values along the rails.
    arrows : Arrows, optional
        Moves drawn at the slabs.
    mortar : bool
        Whether the field is the gap between slab and bed, so that bed and mortar can be drawn by it.
    unknown : str
        What a slab without a value is called.
    largest : str
        Which slabs are named, for the line that explains it.

    Raises
    ------
    ValueError
        If shapes contradict each other.
    """

    name: str
    heading: str
    title: str
    sign: str
    scale: Scale
    worst: Floats
    verdict: Integers
    words: Mapping[int, str]
    named: Callable[[int], str]
    card: Callable[[int], Card]
    field: Floats | None = None
    rails: RailTrace | None = None
    arrows: Arrows | None = None
    mortar: bool = False
    unknown: str = "not measured"
    largest: str = "the largest deviations"

    def __post_init__(self) -> None:
        n = len(self.worst)
        if self.verdict.shape != (n,) or (self.field is None) == (self.rails is None):
            raise ValueError(f"a layer of {n} slabs needs as many verdicts, and either a field or rails")
        if self.field is not None and (self.field.ndim != 3 or len(self.field) != n or min(self.field.shape[1:]) < 2):
            raise ValueError(f"a field needs shape ({n}, 2 or more, 2 or more), not {self.field.shape}")

    @property
    def amount(self) -> Floats:
        """How far out on the scale the worst value of each slab lies, shape (n,); nan if there is none."""
        amount: Floats = np.abs(self.scale.share(self.worst))
        return amount

    def ranked(self, count: int) -> Integers:
        """Return the slabs furthest out on the scale, furthest first; never those in the middle or without value."""
        amount = self.amount
        order: Integers = np.argsort(-amount, kind="stable")  # nan sorts last
        return order[amount[order] > 0.0][:count]

    @property
    def known(self) -> NDArray[np.bool_]:
        """Which slabs have any value, shape (n,)."""
        if self.field is None:
            return np.isfinite(self.worst)
        return np.asarray(np.isfinite(self.field).any(axis=(1, 2)))


Source = Callable[[], Sequence[Layer]]
"""Works out the layers of a choice when it is first made; raises SlabposeError where there are none."""


def rectangles(section: Section) -> Floats:
    """Return the corners of the rectangle around each slab, shape (n, 4, 2), m.

    (across, along) in the order back left, back right, forward right, forward left.
    """
    low = np.array([ring.min(axis=0) for ring in section.outlines])
    high = np.array([ring.max(axis=0) for ring in section.outlines])
    corners: Floats = np.stack(
        [low, np.column_stack([high[:, 0], low[:, 1]]), high, np.column_stack([low[:, 0], high[:, 1]])], axis=1
    )[section.type_index]
    return corners


def field_at(field: Floats, rectangle: Floats, points: Floats) -> Floats:
    """Return the values of fields at points of their slabs, linear along both axes between the grid's points.

    Parameters
    ----------
    field : ndarray, shape (s, r, c)
    rectangle : ndarray, shape (s, 4, 2)
        As `rectangles` gives it.
    points : ndarray, shape (v, 2)
        (across, along) in the slab's frame, m.

    Returns
    -------
    ndarray, shape (s, v)
        nan where a neighbour on the grid with a share in the value is nan.
    """
    rows, columns = field.shape[1:]
    low, size = rectangle[:, None, 0], rectangle[:, None, 2] - rectangle[:, None, 0]
    place = np.clip((points[None] - low) / size, 0.0, 1.0) * [columns - 1, rows - 1]
    first = np.minimum(place.astype(np.int64), [columns - 2, rows - 2])
    share = place - first
    slab = np.arange(len(field))[:, None]
    value: Floats = np.zeros(share.shape[:2])
    for row in (0, 1):
        for column in (0, 1):
            weight = np.abs(1 - column - share[..., 0]) * np.abs(1 - row - share[..., 1])
            part = field[slab, first[..., 1] + row, first[..., 0] + column]
            value += np.where(weight > 0.0, weight * part, 0.0)
    return value
