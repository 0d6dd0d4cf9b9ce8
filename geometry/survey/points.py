"""Surveyed points as they come, and the findings that a survey gives rise to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Self

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
    own : ndarray, shape (p, 3, 3), optional
        Covariance of a point that comes from its own reading, m^2.
    common : ndarray, shape (p, 3, k), optional
        What k causes of one standard deviation each do to a point, m; all points of a set-up share them. With
        both given, `sigma` is the root of the diagonal of own + common common'.
    doubtful : ndarray of bool, shape (p,), optional
        Points of a set-up in which something was wrong: their slabs get no verdict.
    """

    xyz: Floats
    sigma: Floats
    slab: Ints
    mark: Ints
    setup: Ints
    time: npt.NDArray[np.datetime64]
    label: Callable[[int], str]
    own: Floats | None = None
    common: Floats | None = None
    doubtful: npt.NDArray[np.bool_] | None = None

    def rows(self, which: Ints) -> Self:
        """Return some of the points."""

        def some(values: npt.NDArray[Any] | None) -> npt.NDArray[Any] | None:
            return None if values is None else values[which]

        return type(self)(
            self.xyz[which],
            self.sigma[which],
            self.slab[which],
            self.mark[which],
            self.setup[which],
            self.time[which],
            lambda row: self.label(int(which[row])),
            some(self.own),
            some(self.common),
            some(self.doubtful),
        )

    def __len__(self) -> int:
        return len(self.xyz)


@dataclass(frozen=True)
class SurveyFinding:
    """Something in a survey that people have to know of.

    Attributes
    ----------
    kind : str
        "swapped corners", "turned slab", "wrong slab", "no slab", "unknown slab", "unknown corner", "duplicate",
        "measured again", "set-ups differ", "set-up in doubt", "far", "blunder", "blunder not named".
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
