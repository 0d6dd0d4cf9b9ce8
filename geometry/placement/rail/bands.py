"""Level and line of a rail within ranges of wavelengths.

The ranges are those of EN 13848-1: D1 3 to 25 m, D2 25 to 70 m, D3 70 to 150 m for level and 70 to 200 m for line
(from memory). The filter is a Butterworth band-pass of order 2, run forwards and backwards so that no wave is
shifted; both runs together pass 1/sqrt(2) of a wave at either edge of the range, and fall by 24 dB an octave beyond
(common practice of track recording, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
from scipy.interpolate import make_interp_spline
from scipy.sparse import csr_array

from geometry.alignment.laws import Floats

from .chords import LONGEST, ChordRows

__all__ = ["BANDS", "ORDER", "STEP", "Band", "BandPassed", "band_pass", "band_response", "band_rows", "reach"]

Bools = npt.NDArray[np.bool_]
Band = Literal["D1", "D2", "D3"]

BANDS: Final[dict[tuple[Band, str], tuple[float, float]]] = {
    ("D1", "level"): (3.0, 25.0),
    ("D1", "line"): (3.0, 25.0),
    ("D2", "level"): (25.0, 70.0),
    ("D2", "line"): (25.0, 70.0),
    ("D3", "level"): (70.0, 150.0),
    ("D3", "line"): (70.0, 200.0),
}
"""Shortest and longest wave of a range, m, by its name and the quantity."""
ORDER: Final = 2
"""Of the filter, in each of its two directions."""
STEP: Final = 0.25
"""The rail is resampled this evenly, m."""
_TAIL = 0.01  # what lies beyond the reach has less than this part of all weight
_FINE = 8  # samples of the kernel in a step, for places between
_EDGE = np.sqrt(2.0) - 1.0  # with it both runs together pass 1/sqrt(2) at the edges


@dataclass(frozen=True, eq=False)
class BandPassed:
    """What is left of values along a rail within a range of wavelengths.

    Attributes
    ----------
    value : ndarray, shape (n, ...)
        In the units of what went in; nan where there is no answer.
    has_room : ndarray of bool, shape (n,)
        Whether the rail itself reaches far enough to both sides. With room and without a value something within
        reach is not known.
    """

    value: Floats
    has_room: Bools


def _edges(shortest: float, longest: float) -> tuple[float, float]:
    """Return the edges, 1/m, of a single run so that two runs pass 1/sqrt(2) at the edges asked for."""
    low, high = 1 / longest, 1 / shortest
    wide = (high - low) / _EDGE ** (1 / (2 * ORDER))
    middle = low * high  # the geometric mean stays
    below = np.sqrt(wide**2 / 4 + middle) - wide / 2
    return float(below), float(below + wide)


@lru_cache
def _filter(shortest: float, longest: float) -> Floats:
    from scipy import signal

    return np.asarray(signal.butter(ORDER, _edges(shortest, longest), "bandpass", fs=1 / STEP, output="sos"))


def _passed(shortest: float, longest: float, even: Floats) -> Floats:
    """Return values at even steps, shape (n, ...), run through the filter forwards and backwards."""
    from scipy import signal  # every command reads the project file: only few of them filter

    return np.asarray(signal.sosfiltfilt(_filter(shortest, longest), even, axis=0))


@lru_cache
def _kernel(shortest: float, longest: float) -> Floats:
    """Return the answer to one sample of 1, from its place on, as far as it counts."""
    half = round(20 * longest / STEP)
    impulse = np.zeros(2 * half + 1)
    impulse[half] = 1.0
    answer = _passed(shortest, longest, impulse)[half:]
    beyond = np.cumsum(np.abs(answer)[::-1])[::-1]
    kernel = np.asarray(answer[: int(np.argmax(beyond < _TAIL * beyond[0])) + 1])
    kernel.setflags(write=False)
    return kernel


@lru_cache
def _fine_kernel(shortest: float, longest: float) -> Floats:
    """Return the kernel at places `STEP` over `_FINE` apart."""
    kernel = _kernel(shortest, longest)
    mirrored = np.concatenate([kernel[:0:-1], kernel])
    bend = make_interp_spline(np.arange(1.0 - len(kernel), len(kernel)), mirrored, k=3)
    return np.asarray(bend(np.arange(len(kernel) * _FINE) / _FINE))


def reach(shortest: float, longest: float) -> float:
    """Return how far the rail has to be known to either side of a place, m.

    What lies beyond has less than 1 percent of the weight.

    Examples
    --------
    >>> [round(reach(*BANDS[band, "level"])) for band in ("D1", "D2", "D3")]
    [26, 104, 290]
    """
    return float((len(_kernel(shortest, longest)) - 1) * STEP)


def band_response(shortest: float, longest: float, wavelength: Floats) -> Floats:
    """Return the part of a wave that the filter lets pass, by the closed form of Butterworth's band-pass.

    With f0^2 = f1 f2 and Q = (f^2 - f0^2) / (f (f2 - f1)) two runs of order N pass 1 / (1 + (sqrt(2) - 1) Q^2N).

    Examples
    --------
    >>> band_response(3.0, 25.0, np.array([3.0, 8.66, 25.0, 100.0])).round(3).tolist()
    [0.707, 1.0, 0.707, 0.006]
    """
    f, low, high = 1 / np.asarray(wavelength, dtype=np.float64), 1 / longest, 1 / shortest
    q = (f**2 - low * high) / (f * (high - low))
    return np.asarray(1 / (1 + _EDGE * q ** (2 * ORDER)))


def _runs(station: Floats, known: Bools) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Return first and one past the last station of every stretch that is known without a gap."""
    n = len(station)
    starts = known & np.append(True, ~known[:-1] | (np.diff(station) > LONGEST))[:n]
    ends = known & np.append(~known[1:] | (np.diff(station) > LONGEST), True)[-n:]
    return np.flatnonzero(starts), np.flatnonzero(ends) + 1


def _inside(station: Floats, known: Bools, far: float) -> Bools:
    """Return the stations that are known as far as asked to both sides, shape (n,)."""
    first, past = _runs(station, known)
    inside = np.zeros(len(station), dtype=bool)
    run = np.repeat(np.arange(len(first)), past - first)
    at = np.flatnonzero(known)
    low, high = station[first][run], station[past - 1][run]
    inside[at] = (station[at] - low >= far - 1e-9) & (high - station[at] >= far - 1e-9)
    return inside


def band_pass(station: Floats, value: Floats, shortest: float, longest: float) -> BandPassed:
    """Return the part of values along a rail whose waves lie within a range.

    Between stations the rail bends as a cubic spline. Stations further apart than 2 m and unknown values end a
    record; within `reach` of its ends there is no answer, since the filter would have to guess what comes next.

    Parameters
    ----------
    station : ndarray, shape (n,)
        Places along the rail, m, increasing.
    value : ndarray, shape (n, ...)
        nan where not known: then all of a station counts as unknown.
    shortest, longest : float
        Wavelengths, m.

    Returns
    -------
    BandPassed
    """
    flat = np.asarray(value, dtype=np.float64).reshape(len(station), int(np.prod(np.shape(value)[1:])))
    known = np.asarray(np.isfinite(flat).all(axis=1))
    far = reach(shortest, longest)
    result = np.full_like(flat, np.nan)
    inside = _inside(station, known, far)
    first, past = _runs(station, known)
    long_enough = station[past - 1] - station[first] >= 2 * far
    for low, high in zip(first[long_enough].tolist(), past[long_enough].tolist(), strict=True):
        at = station[low:high] - station[low]
        even = np.arange(0.0, at[-1], STEP)
        smooth = make_interp_spline(at, flat[low:high], k=3)(even)
        passed = _passed(shortest, longest, smooth)
        rows = low + np.flatnonzero(inside[low:high])
        result[rows] = make_interp_spline(even, passed, k=3)(station[rows] - station[low])
    return BandPassed(result.reshape(np.shape(value)), _inside(station, np.ones(len(station), dtype=bool), far))


def band_rows(station: Floats, place: npt.NDArray[np.intp], shortest: float, longest: float) -> ChordRows:
    """Return rows that do nearly what `band_pass` does, at some of the stations: for uncertainties.

    Each station stands for the rail from halfway to its neighbours. The rows miss `band_pass` by about 2 percent
    of what passes.

    Parameters
    ----------
    station : ndarray, shape (n,)
        Places along the rail, m, increasing.
    place : ndarray of int, shape (k,)
        Stations that are asked for, with room to both sides.
    shortest, longest : float
        Wavelengths, m.
    """
    fine, far = _fine_kernel(shortest, longest), reach(shortest, longest)
    low = np.searchsorted(station, station[place] - far)
    count = np.searchsorted(station, station[place] + far, side="right") - low
    start = np.append(0, np.cumsum(count))
    column = np.arange(start[-1]) + np.repeat(low - start[:-1], count)
    between = np.diff(station)
    share = (np.append(between[:1], between) + np.append(between, between[-1:])) / (2 * STEP)
    away = np.abs(station[column] - np.repeat(station[place], count)) * (_FINE / STEP)
    weight = fine[np.rint(away).astype(np.intp)] * share[column]
    return ChordRows(place, csr_array((weight, column, start), shape=(len(place), len(station))))
