"""Which pieces make up a height under the rail, and how many of each a plan needs.

Lengths are whole hundredths of a millimetre in here, so that sums are exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations_with_replacement
from math import comb

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

from .fastener_milp import silence

__all__ = ["Order", "Pieces", "Stacks", "fewest_to_order", "hundredths", "impossible_heights", "order", "stacks"]

_PER_METRE = 100_000
_MOST_STACKS = 20_000  # more are not compared with the stock


@dataclass(frozen=True)
class Pieces:
    """What may lie under the rail.

    Parameters
    ----------
    shims : tuple of int
        Thickness of each kind, growing, hundredths of a millimetre.
    most : int
        Most pieces on one seat, the base not counted.
    base : int
        Thickness of the piece that lies there anyhow, and comes out for heights below what it allows; 0 if none
        does.
    """

    shims: tuple[int, ...]
    most: int
    base: int = 0

    def __post_init__(self) -> None:
        if not self.shims or list(self.shims) != sorted(set(self.shims)) or self.shims[0] <= 0 or self.most < 1:
            raise ValueError(f"pieces need growing thicknesses over 0 and at least one on a seat, got {self}")


@dataclass(frozen=True, eq=False)
class Stacks:
    """The pieces of h heights.

    Attributes
    ----------
    count : ndarray of int, shape (h, p)
        Of each kind.
    base_out : ndarray of bool, shape (h,)
        Whether the base comes out.
    possible : ndarray of bool, shape (h,)
        False where no stack makes the height; its count is 0.
    """

    count: Ints
    base_out: npt.NDArray[np.bool_]
    possible: npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Order:
    """Pieces of a plan by kind, all of shape (p,).

    Attributes
    ----------
    needed, stock, short : ndarray of int
        How many it takes, how many are there, how many have to be ordered.
    """

    needed: Ints
    stock: Ints
    short: Ints


def hundredths(metres: Floats) -> Ints:
    """Return lengths as whole hundredths of a millimetre."""
    return np.rint(np.asarray(metres, dtype=np.float64) * _PER_METRE).astype(np.intp)


def stacks(heights: Ints, pieces: Pieces) -> Stacks:
    """Return the stack with the fewest pieces for each height, and of those the one with the thickest piece.

    The base stays wherever the height can be made on top of it.

    Parameters
    ----------
    heights : ndarray of int, shape (h,)
        Over the base alone, hundredths of a millimetre; may be negative.
    pieces : Pieces

    Examples
    --------
    Pieces of 0.5, 1, 2, 6 mm on a base of 10 mm: 3 mm is 2 + 1, and for -4 mm the base gives way to one of 6 mm.

    >>> found = stacks(np.array([0, 300, -400]), Pieces((50, 100, 200, 600), 3, 1000))
    >>> found.count.tolist(), found.base_out.tolist()
    ([[0, 0, 0, 0], [0, 1, 1, 0], [0, 0, 0, 1]], [False, False, True])
    """
    heights = np.asarray(heights, dtype=np.intp)
    fewest, last = _table(int(max(heights.max(initial=0) + pieces.base, 0)), pieces)
    on_top = (heights >= 0) & (fewest[np.maximum(heights, 0)] <= pieces.most)
    instead = heights + pieces.base
    base_out = ~on_top & (pieces.base > 0) & (instead > 0) & (fewest[np.maximum(instead, 0)] <= pieces.most)
    rest = np.where(on_top, heights, np.where(base_out, instead, 0))
    count = np.zeros((len(heights), len(pieces.shims)), dtype=np.intp)
    size = np.array(pieces.shims)
    for _ in range(pieces.most):
        laid = np.flatnonzero(rest > 0)
        kind = last[rest[laid]]
        count[laid, kind] += 1
        rest[laid] -= size[kind]
    return Stacks(count, base_out, on_top | base_out)


def _table(highest: int, pieces: Pieces) -> tuple[Ints, Ints]:
    """Return for each height from 0 on the fewest pieces that make it, and the thickest piece of such a stack.

    A height made of c pieces is one made of c - 1 and one piece more: one round for each count.
    """
    fewest = np.full(highest + 1, pieces.most + 1, dtype=np.intp)
    last = np.full(highest + 1, -1, dtype=np.intp)
    fewest[0] = 0
    for count in range(1, pieces.most + 1):
        before = np.flatnonzero(fewest == count - 1)
        for kind, size in reversed(list(enumerate(pieces.shims))):
            made = before[before + size <= highest] + size
            made = made[fewest[made] > count]
            fewest[made], last[made] = count, kind
    return fewest, last


def impossible_heights(pieces: Pieces, step: int, least: int, most: int) -> Ints:
    """Return the heights from `least` to `most` steps that no stack makes, hundredths of a millimetre."""
    heights = np.arange(least, most + 1) * step
    return np.asarray(heights[~stacks(heights, pieces).possible])


def order(count: Ints, stock: Ints) -> Order:
    """Return what stacks need of each kind, and what the stock lacks.

    Parameters
    ----------
    count : ndarray of int, shape (h, p)
        Of each kind on each seat.
    stock : ndarray of int, shape (p,)
    """
    needed = count.sum(axis=0)
    return Order(needed, stock, np.maximum(needed - stock, 0))


def fewest_to_order(heights: Ints, pieces: Pieces, stock: Ints) -> int | None:
    """Return the fewest pieces that have to be ordered for these heights if any allowed stacks may be laid.

    Parameters
    ----------
    heights : ndarray of int, shape (h,)
        Hundredths of a millimetre; all of them possible.
    pieces : Pieces
    stock : ndarray of int, shape (p,)

    Returns
    -------
    int or None
        None where there are too many stacks to compare.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    need, many = np.unique(heights[heights != 0], return_counts=True)
    p, size = len(pieces.shims), np.array(pieces.shims)
    if not need.size:
        return 0
    if comb(p + pieces.most, pieces.most) > _MOST_STACKS:
        return None
    kinds = [np.bincount(taken, minlength=p) for c in range(1, pieces.most + 1)
             for taken in combinations_with_replacement(range(p), c)]  # fmt: skip
    stack = np.array(kinds)
    total = stack @ size
    # on the base, or in its place
    fits = (total == need[:, None]) | ((pieces.base > 0) & (total == need[:, None] + pieces.base))
    which, kind = np.nonzero(fits)
    n = len(which)
    each = np.zeros((len(need), n + p))
    each[which, np.arange(n)] = 1.0
    # what is laid less what is ordered comes from the stock
    from_stock = np.concatenate([stack[kind].T.astype(np.float64), -np.eye(p)], axis=1)
    with silence():
        found = milp(
            np.concatenate([np.zeros(n), np.ones(p)]), integrality=np.ones(n + p, dtype=np.uint8),
            bounds=Bounds(0, np.inf), options={"time_limit": 10.0},
            constraints=[LinearConstraint(each, many, many), LinearConstraint(from_stock, -np.inf, stock)],
        )  # fmt: skip
    return None if found.x is None else round(float(found.fun))
