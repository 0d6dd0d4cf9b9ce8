"""Labels in a column beside a picture, with lines to what they name that neither cross nor run through a label."""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Leader", "crossing", "leaders"]

Floats = NDArray[np.float64]


class Leader(NamedTuple):
    """One label: its box (left, top, right, bottom), and both ends of its line; pixels, y runs down."""

    box: tuple[float, float, float, float]
    start: tuple[float, float]
    end: tuple[float, float]


def _turn(a: Floats, b: Floats, c: Floats) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


def crossing(a: Floats, b: Floats, c: Floats, d: Floats) -> bool:
    """Return whether the straight lines from a to b and from c to d cross."""
    return _turn(a, b, c) * _turn(a, b, d) < 0.0 and _turn(c, d, a) * _turn(c, d, b) < 0.0


def leaders(holds: ArrayLike, sizes: ArrayLike, left: float, top: float, bottom: float, gap: float) -> list[Leader]:
    """Return where labels stand in a column to the right of what they name.

    They stand in the order of what they name from top to bottom, and two whose lines cross change places until none
    do: each exchange makes the lines together shorter, so that it comes to an end.

    Parameters
    ----------
    holds : array_like, shape (k, 2)
        What each label names; to the left of the column.
    sizes : array_like, shape (k, 2)
        Width and height of each label.
    left, top, bottom : float
        Left edge of the column, and its ends.
    gap : float
        Clear space between the end of a line and its label, and at least between two labels.
    """
    hold, size = np.asarray(holds, dtype=np.float64), np.asarray(sizes, dtype=np.float64)
    count = len(hold)
    height = float(size[:, 1].max())
    pitch = max((bottom - top - height) / max(count - 1, 1), height + gap)
    end = np.column_stack([np.full(count, left - gap), top + height / 2 + pitch * np.arange(count)])
    slot = np.empty(count, dtype=np.int64)
    slot[np.argsort(hold[:, 1], kind="stable")] = np.arange(count)
    for _ in range(count**3):
        crossed = [
            pair for pair in combinations(range(count), 2)
            if crossing(hold[pair[0]], end[slot[pair[0]]], hold[pair[1]], end[slot[pair[1]]])
        ]  # fmt: skip
        if not crossed:
            break
        one, other = crossed[0]
        slot[[one, other]] = slot[[other, one]]
    placed = []
    for point, (wide, tall), number in zip(hold, size, slot, strict=True):
        x, y = end[number]
        box = (left, float(y - tall / 2), left + float(wide), float(y + tall / 2))
        placed.append(Leader(box, (float(point[0]), float(point[1])), (float(x), float(y))))
    return placed
