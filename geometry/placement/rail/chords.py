"""Offsets of a rail from chords: what a string stretched between two of its points would show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

__all__ = ["Chord", "ChordRows", "chord_response", "chord_rows"]


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
    """A chord laid at every place of a rail that has room for it.

    Attributes
    ----------
    place : ndarray of int, shape (k,)
        Index of the station that each row belongs to.
    rows : sparse array, shape (k, n)
        Rows @ values at the stations are the offsets.
    """

    place: Ints
    rows: csr_array


def chord_rows(station: Floats, chord: Chord, longest: float = 2.0) -> ChordRows:
    """Return what turns values along a rail into offsets from a chord.

    Offset = value at the place less the chord there, so that it has the sign of the values: + right for line, + up
    for level. Between stations the rail is taken as straight, which at seats 0.65 m apart is off by less than 2
    percent of a wave of 5 m.

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
    station = np.asarray(station, dtype=np.float64)
    n, hair = len(station), 1e-9
    if n < 2:
        return ChordRows(np.empty(0, dtype=np.intp), csr_array((0, n)))
    piece = np.concatenate([[0], np.cumsum(np.diff(station) > longest)])
    first, last = (np.searchsorted(piece, np.unique(piece), side) for side in ("left", "right"))
    low, high = station[first][piece], station[last - 1][piece]
    has_room = (station - chord.rear >= low - hair) & (station + chord.front <= high + hair)
    place = np.flatnonzero(has_room)
    length = chord.rear + chord.front
    ahead = chord.apart
    # the chord at a place is the value at its rear end and at its front end by the lever of the place
    parts = [(-chord.rear, -(chord.front / length)), (chord.front, -(chord.rear / length)), (0.0, 1.0)]
    if ahead:
        # second place less first place of one chord
        parts = [(-chord.rear, ahead / length), (chord.front, -ahead / length), (0.0, -1.0), (ahead, 1.0)]
    at, column, weight = [], [], []
    for shift, factor in parts:
        where = station[place] + shift
        # the last station before, so that the two around the point belong to one piece
        before = np.clip(np.searchsorted(station, where + hair, side="right") - 1, 0, n - 2)
        before = np.where(piece[before] == piece[place], before, before + 1)
        before = np.where(piece[np.minimum(before + 1, n - 1)] == piece[place], before, before - 1)
        t = np.clip((where - station[before]) / (station[before + 1] - station[before]), 0.0, 1.0)
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
