"""What a free set-up comes to: place, certainty, residuals and findings."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats

from .adjustment import Adjustment, UndeterminedError
from .points import Ints
from .reliability import FACTOR_95

__all__ = ["Ellipse", "FreeSetup", "SetupError", "SetupFinding", "SetupRows", "ellipse"]

Bools = npt.NDArray[np.bool_]


class SetupError(UndeterminedError):
    """A set-up that its sights do not determine; the text says what to measure."""


@dataclass(frozen=True)
class Ellipse:
    """Standard ellipse of a position in plan: it holds the point in 39 of 100 cases, 2.448 times as large in 95.

    Attributes
    ----------
    major, minor : float
        Semi-axes, m.
    bearing : float
        Of the major axis, clockwise from grid north, 0 .. pi, rad.
    factor_95 : float
        By which both axes grow for 95 percent.
    """

    major: float
    minor: float
    bearing: float
    factor_95: float = FACTOR_95


def ellipse(covariance: Floats) -> Ellipse:
    """Return the standard ellipse of a covariance of easting and northing, shape (2, 2), m^2.

    Examples
    --------
    >>> one = ellipse(np.array([[4e-6, 0.0], [0.0, 1e-6]]))
    >>> one.major, one.minor, round(math.degrees(one.bearing))
    (0.002, 0.001, 90)
    """
    values, vectors = np.linalg.eigh(covariance)
    minor, major = np.sqrt(np.maximum(values, 0.0)).tolist()
    return Ellipse(major, minor, float(np.arctan2(vectors[0, 1], vectors[1, 1]) % math.pi))


@dataclass(frozen=True)
class SetupFinding:
    """Something about a set-up that people have to know of.

    Attributes
    ----------
    kind : str
        A cause of `diagnosis.CAUSES`, "unexplained", "badly placed", "no check" or "no level".
    points : tuple of str
        Control points concerned.
    size, sigma : tuple of float
        By how much, as `diagnosis.Cause` says, and its standard uncertainty.
    text : str
        In words, with sizes and what to do.
    fault : bool
        Whether something was wrong; the position is then that of what is left.
    """

    kind: str
    points: tuple[str, ...]
    size: tuple[float, ...]
    sigma: tuple[float, ...]
    text: str
    fault: bool


@dataclass(frozen=True, eq=False)
class SetupRows:
    """Observations that the set-up rests on; arrays of shape (m,), readings first, then control coordinates.

    Attributes
    ----------
    kind : tuple of str
        "direction", "zenith angle", "distance", "easting", "northing" or "level".
    target : ndarray of int
        Control point.
    sight : ndarray of int
        Row of the sights; -1 for a coordinate.
    residual, sigma : ndarray
        Observed less adjusted and stated standard uncertainty, rad or m.
    redundancy, w, smallest_found : ndarray
        As `Adjustment` has them.
    """

    kind: tuple[str, ...]
    target: Ints
    sight: Ints
    residual: Floats
    sigma: Floats
    redundancy: Floats
    w: Floats
    smallest_found: Floats


@dataclass(frozen=True, eq=False)
class FreeSetup:
    """A set-up, as what does fit together has it.

    Attributes
    ----------
    name : str
    position : ndarray, shape (3,)
        Easting, northing, level in the grid, m, of the point the instrument height counts from; the level is nan
        without zenith angles.
    orientation : float
        Bearing of the zero of the circle, 0 .. 2 pi, rad; nan without directions.
    covariance : ndarray, shape (4, 4)
        Of easting, northing, level, m^2, and orientation, rad^2, from the stated sigmas of readings and control.
    ellipse : Ellipse
    rows : SetupRows
    left_out : ndarray of bool, shape (n, 3)
        Directions, zenith angles and distances that were read but do not count.
    misfit, limit : float
        Weighted sum of squares of what counts, and what only one set-up in a thousand exceeds.
    freedom : int
    s0 : float
    findings : tuple of SetupFinding
    adjustment : Adjustment
    """

    name: str
    position: Floats
    orientation: float
    covariance: Floats
    ellipse: Ellipse
    rows: SetupRows
    left_out: Bools
    misfit: float
    limit: float
    freedom: int
    s0: float
    findings: tuple[SetupFinding, ...]
    adjustment: Adjustment

    @property
    def faults(self) -> tuple[SetupFinding, ...]:
        """Findings that something was wrong."""
        return tuple(f for f in self.findings if f.fault)

    @property
    def sound(self) -> bool:
        """Whether everything fits together and something checks it; nan in the position fails this."""
        return not self.faults and self.freedom > 0 and self.misfit <= self.limit
