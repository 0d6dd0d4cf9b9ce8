"""Surveyed points as they come, and the findings that a survey gives rise to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats

__all__ = ["NO_NAME", "UNKNOWN_NAME", "SurveyFinding", "SurveyPoints"]

Ints = npt.NDArray[np.intp]
NO_NAME = -1
UNKNOWN_NAME = -2


@dataclass(frozen=True, eq=False)
class SurveyPoints:
    """Surveyed points of one stage; arrays of shape (p, ...).

    Attributes
    ----------
    xyz : ndarray, shape (p, 3)
        Easting, northing, level in the grid, m.
    sigma : ndarray, shape (p, 3)
        Standard uncertainty of each coordinate, m.
    slab, mark : ndarray of int
        Index of the slab in the layout and of the mark in its type as the file names them; `NO_NAME`
        where it names none, `UNKNOWN_NAME` where it names one that does not exist.
    setup : ndarray of int
        Code of the instrument set-up; 0 where none is named.
    time : ndarray of datetime64
        When it was measured; NaT where unknown.
    label : callable
        ``label(row)`` names a point for people: file, line and point name.
    """

    xyz: Floats
    sigma: Floats
    slab: Ints
    mark: Ints
    setup: Ints
    time: npt.NDArray[np.datetime64]
    label: Callable[[int], str]

    def __len__(self) -> int:
        return len(self.xyz)


@dataclass(frozen=True)
class SurveyFinding:
    """Something in a survey that people have to know of.

    Attributes
    ----------
    kind : str
        "swapped corners", "turned slab", "wrong slab", "no slab", "unknown slab", "unknown corner", "duplicate",
        "measured again", "set-ups differ", "far", "blunder", "blunder not named".
    slab : int
        Index of the slab in the layout, -1 for none.
    text : str
        What was found, with names and sizes.
    withholds : bool
        Whether the slab gets no verdict until this is cleared up.
    """

    kind: str
    slab: int
    text: str
    withholds: bool
