"""Chainage as people write it, and the continuous distance used inside.

A chainage equation says that from one point on the count goes on with another number. Where the count
jumps ahead some chainages do not exist; where it falls back some occur twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geometry.errors import ChainageError

from .laws import Floats

__all__ = ["ChainageCount", "chainage_count", "format_chainage"]

_SAME_POINT = 1e-6  # two readings of one chainage closer than this are one point, m
_ROUNDING = 1e-6


@dataclass(frozen=True)
class ChainageCount:
    """The chainage along an alignment.

    Attributes
    ----------
    starts : ndarray, shape (z + 1,)
        Distance where each stretch of unbroken count starts, and where the last one ends, m.
    first : ndarray, shape (z,)
        Chainage at the start of each stretch, m.
    """

    starts: Floats
    first: Floats

    def to_chainage(self, distance: npt.ArrayLike) -> Floats:
        """Return the chainage, m, at distances, m; at an equation the number that goes on (ahead)."""
        s = np.asarray(distance, dtype=np.float64)
        stretch = np.clip(np.searchsorted(self.starts, s, side="right") - 1, 0, len(self.first) - 1)
        return np.asarray(self.first[stretch] + (s - self.starts[stretch]))

    def to_distance(self, chainage: npt.ArrayLike) -> Floats:
        """Return the distance, m, of chainages, m.

        Raises
        ------
        ChainageError
            If a chainage does not exist on this line, or occurs at two places; both are named.
        """
        values = np.asarray(chainage, dtype=np.float64)
        first_of_twin, candidates = self.candidates(values)
        count = np.isfinite(candidates).sum(axis=-1)
        bad = (count == 0) & ~np.isnan(values)
        if bad.any():
            raise ChainageError(self._missing(float(values[bad].flat[0])))
        twins = np.nanmax(candidates, axis=-1, initial=-np.inf) - first_of_twin > _SAME_POINT
        if twins.any():
            value = float(values[twins].flat[0])
            places = candidates[twins].reshape(-1, candidates.shape[-1])[0]
            named = " and ".join(f"distance {p:.3f} m" for p in places[np.isfinite(places)])
            raise ChainageError(
                f"chainage {format_chainage(value)} occurs twice, at {named}: give the distance instead"
            )
        return first_of_twin

    def candidates(self, chainage: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Return the first distance with each chainage, shape (...), and all by stretch, (..., z); or nan."""
        c = np.asarray(chainage, dtype=np.float64)[..., None]
        s = self.starts[:-1] + (c - self.first)
        inside = (s >= self.starts[:-1] - _ROUNDING) & (s <= self.starts[1:] + _ROUNDING)
        places = np.where(inside, s, np.nan)
        found = inside.any(axis=-1)
        first = np.where(found, np.take_along_axis(s, inside.argmax(axis=-1)[..., None], -1)[..., 0], np.nan)
        return first, places

    def _missing(self, value: float) -> str:
        last = self.first + np.diff(self.starts)
        stretches = ", ".join(
            f"{format_chainage(a)} to {format_chainage(b)}"
            for a, b in zip(self.first.tolist(), last.tolist(), strict=True)
        )
        return f"chainage {format_chainage(value)} does not exist on this line, which counts {stretches}"


def chainage_count(start: float, length: float, equations: Sequence[tuple[float, float]] = ()) -> ChainageCount:
    """Return the count of an alignment.

    Parameters
    ----------
    start : float
        Chainage at the start of the alignment, m.
    length : float
        Length of the alignment, m.
    equations : sequence of (back, ahead)
        In order along the line: the chainage where the old count ends, and the number the new one starts
        with, m.

    Raises
    ------
    ChainageError
        If an equation lies outside the stretch it ends.

    Examples
    --------
    >>> count = chainage_count(1000.0, 500.0, [(1200.0, 1250.0)])
    >>> count.to_distance([1100.0, 1260.0]).tolist(), float(count.to_chainage(300.0))
    ([100.0, 210.0], 1350.0)
    """
    starts, first = [0.0], [start]
    for number, (back, ahead) in enumerate(equations, start=1):
        place = starts[-1] + (back - first[-1])
        if not starts[-1] < place < length:
            raise ChainageError(
                f"chainage equation {number} ends the count at {format_chainage(back)}, which the stretch from "
                f"{format_chainage(first[-1])} to {format_chainage(first[-1] + length - starts[-1])} does not have"
            )
        starts.append(place)
        first.append(ahead)
    return ChainageCount(np.array([*starts, length]), np.array(first))


def format_chainage(value: float) -> str:
    """Return a chainage in the usual form, kilometres + metres.

    Examples
    --------
    >>> format_chainage(12345.678), format_chainage(-5.25)
    ('12+345.678', '-0+005.250')
    """
    milli = round(abs(value) * 1000)
    return f"{'-' if value < 0 and milli else ''}{milli // 1_000_000}+{milli % 1_000_000 / 1000:07.3f}"
