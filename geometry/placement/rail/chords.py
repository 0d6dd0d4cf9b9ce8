"""Offsets of a rail from chords: what a string stretched between two of its points would show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

__all__ = ["LONGEST", "Chord", "ChordRows", "chord_response", "chord_rows", "twist_rows"]

LONGEST = 2.0
"""Seats further apart than this have no rail between them, m."""


@dataclass(frozen=True)
class Chord:
    """A chord and where the rail's offset from it is taken.

    Attributes
    ----------
    rear, front : float
        Lengths of the chord behind and ahead of the place, m; equal ones make the symmetric chord.
    apart : float
        0 for the offset at the place; else the offset at a second place of the same chord, so far ahead of the
        first one, less that at the first, m. It is smaller than `front`.

    Raises
    ------
    ValueError
        If the lengths contradict each other.
    """

    rear: float
    front: float
    apart: float = 0.0

    def __post_init__(self) -> None:
        if not (self.rear > 0 and self.front > 0 and 0 <= self.apart < self.front):
            raise ValueError(f"a chord needs rear and front over 0 and apart from 0 to below front, got {self}")


@dataclass(frozen=True, eq=False)
class ChordRows:
    """A chord, or a base, laid at every place of a rail that has room for it.

    Attributes
    ----------
    place : ndarray of int, shape (k,)
        Index of the station that each row belongs to.
    rows : sparse array, shape (k, n)
        Rows @ values at the stations are the offsets.
    """

    place: Ints
    rows: csr_array


def chord_rows(station: Floats, chord: Chord, longest: float = LONGEST) -> ChordRows:
    """Return what turns values along a rail into offsets from a chord.

    Offset = value at the place less the chord there, so that it has the sign of the values: + right for line, + up
    for level. Between stations the rail is taken as straight: with seats 0.65 m apart an end of the chord between
    two of them is off by up to 2 percent of a wave of 10 m, 8 percent of one of 5 m.

    Parameters
    ----------
    station : ndarray, shape (n,)
        Places along the rail, m, increasing.
    chord : Chord
    longest : float
        Stations further apart than this have no rail between them, m: no chord, and none of its points, crosses
        or meets the gap.

    Returns
    -------
    ChordRows
        Without the places that have no room.

    Examples
    --------
    >>> s = np.arange(0.0, 12.1, 1.0)
    >>> found = chord_rows(s, Chord(5.0, 5.0))
    >>> found.place.tolist(), (found.rows @ (s**2 / 2000.0)).round(6).tolist()
    ([5, 6, 7], [-0.0125, -0.0125, -0.0125])
    """
    length, ahead = chord.rear + chord.front, chord.apart
    # the chord at a place is the value at its rear end and at its front end by the lever of the place
    parts = [(-chord.rear, -(chord.front / length)), (chord.front, -(chord.rear / length)), (0.0, 1.0)]
    if ahead:
        # second place less first place of one chord
        parts = [(-chord.rear, ahead / length), (chord.front, -ahead / length), (0.0, -1.0), (ahead, 1.0)]
    return _weighted(station, parts, longest)


def twist_rows(station: Floats, base: float, longest: float = LONGEST) -> ChordRows:
    """Return what turns cant along a track into its change over a base, the place in the middle of the base.

    Parameters
    ----------
    station : ndarray, shape (n,)
        Places along the track, m, increasing.
    base : float
        m, over 0.
    longest : float
        As for `chord_rows`.

    Examples
    --------
    >>> found = twist_rows(np.arange(0.0, 5.0), 3.0)
    >>> found.place.tolist(), (found.rows @ np.array([0.0, 1.0, 3.0, 7.0, 8.0])).tolist()
    ([2], [7.0])
    """
    return _weighted(station, [(-base / 2, -1.0), (base / 2, 1.0)], longest)


def _weighted(station: Floats, parts: Sequence[tuple[float, float]], longest: float) -> ChordRows:
    """Return rows that weigh the values at places so far ahead of each station: (shift, m; weight)."""
    station = np.asarray(station, dtype=np.float64)
    n, hair = len(station), 1e-9
    if n < 2:
        return ChordRows(np.empty(0, dtype=np.intp), csr_array((0, n)))
    piece = np.concatenate([[0], np.cumsum(np.diff(station) > longest)])
    first, last = (np.searchsorted(piece, np.unique(piece), side) for side in ("left", "right"))
    low, high = station[first][piece], station[last - 1][piece]
    shifts = [shift for shift, _ in parts]
    has_room = (station + min(shifts) >= low - hair) & (station + max(shifts) <= high + hair)
    place = np.flatnonzero(has_room)
    at, column, weight = [], [], []
    for shift, factor in parts:
        where = np.clip(station[place] + shift, low[place], high[place])
        before = np.clip(np.searchsorted(station, where + hair, side="right") - 1, 0, n - 2)
        length = station[before + 1] - station[before]
        t = np.clip((where - station[before]) / length, 0.0, 1.0)
        # on a station its neighbour has no part at all: it may be unknown, or beyond a gap
        t = np.where(t * length < 2 * hair, 0.0, np.where((1 - t) * length < 2 * hair, 1.0, t))
        for index, part in ((before, 1 - t), (before + 1, t)):
            at.append(np.arange(len(place)))
            column.append(index)
            weight.append(factor * part)
    rows = csr_array((np.concatenate(weight), (np.concatenate(at), np.concatenate(column))), shape=(len(place), n))
    rows.sum_duplicates()
    rows.eliminate_zeros()
    return ChordRows(place, rows)


def chord_response(chord: Chord, wavelength: Floats) -> npt.NDArray[np.complex128]:
    """Return what a chord makes of a wave: measured over true, at the place, complex.

    Its absolute value is the gain. A symmetric chord is blind to waves of half its length, half of that and so on: a
    10 m chord does not see what repeats every 5 m.

    Examples
    --------
    >>> abs(chord_response(Chord(5.0, 5.0), np.array([5.0, 10.0, 20.0]))).round(6).tolist()
    [0.0, 2.0, 1.0]
    """
    k = 2j * np.pi / np.asarray(wavelength, dtype=np.float64)
    length = chord.rear + chord.front
    ends = np.exp(-k * chord.rear), np.exp(k * chord.front)
    if chord.apart:
        return np.asarray(np.exp(k * chord.apart) - 1 - chord.apart / length * (ends[1] - ends[0]))
    return np.asarray(1 - (chord.front * ends[0] + chord.rear * ends[1]) / length)
