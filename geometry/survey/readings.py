"""What an instrument reads, how well it reads, and the points it reads to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Self

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats

from .points import Ints

__all__ = ["Control", "Instrument", "Readings", "Sights"]

_SECOND = np.pi / 648_000  # one second of arc, rad


@dataclass(frozen=True)
class Instrument:
    """Standard uncertainties of a total station and its targets.

    The defaults are those of a 1" instrument with prisms on fixed bolts (common practice for slab work).

    Attributes
    ----------
    sigma_direction, sigma_zenith : float
        Of a direction and a zenith angle, mean of two faces, rad (the values that ISO 17123-3 tests).
    sigma_distance : float
        Constant part of the distance's, m (ISO 17123-4).
    ppm : float
        Part that grows with the distance, 1e-6.
    centring : float
        Of a prism over its point in each horizontal direction, m.
    target_height : float
        Of the prism's height over its point, m.

    Examples
    --------
    >>> one = Instrument(sigma_distance=0.0006, ppm=1.0, centring=0.0)
    >>> one.sigmas(np.array([800.0]), np.array([np.pi / 2]))[2]
    array([0.001])
    """

    sigma_direction: float = _SECOND
    sigma_zenith: float = _SECOND
    sigma_distance: float = 0.001
    ppm: float = 1.0
    centring: float = 0.0003
    target_height: float = 0.0002

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            least = 0.0 if field.name in ("ppm", "centring", "target_height") else 1e-12
            if not least <= value < np.inf:
                raise ValueError(f"{field.name} of the instrument is {value!r}; it is a number over zero")

    def sigmas(self, distance: Floats, zenith: Floats, repeats: Floats | float = 1.0) -> tuple[Floats, Floats, Floats]:
        """Return the standard uncertainties of direction, zenith angle (rad) and distance (m).

        Parameters
        ----------
        distance : ndarray, shape (n,)
            Slope distance, m, known or nearly so.
        zenith : ndarray, shape (n,)
            rad; nan is taken as level.
        repeats : float or ndarray
            How many independent readings were averaged; it betters the reading, not the centring.
        """
        level = np.nan_to_num(zenith, nan=np.pi / 2)
        sine, cosine = np.abs(np.sin(level)), np.cos(level)
        across = np.maximum(distance * sine, 0.1)
        direction = self.sigma_direction**2 / repeats + (self.centring / across) ** 2
        up = (self.centring * cosine) ** 2 + (self.target_height * sine) ** 2
        zen = self.sigma_zenith**2 / repeats + up / np.maximum(distance, 0.1) ** 2
        length = (self.sigma_distance**2) / repeats + (self.ppm * 1e-6 * distance) ** 2
        along = (self.centring * sine) ** 2 + (self.target_height * cosine) ** 2
        return np.sqrt(direction), np.sqrt(zen), np.sqrt(length + along)


@dataclass(frozen=True, eq=False)
class Control:
    """Control points.

    Attributes
    ----------
    names : sequence of str
    xyz : ndarray, shape (k, 3)
        Easting, northing, level in the grid, m.
    sigma : ndarray, shape (k, 3)
        Their standard uncertainties, m; zero holds a coordinate fixed.
    """

    names: Sequence[str]
    xyz: Floats
    sigma: Floats

    def __post_init__(self) -> None:
        if self.xyz.shape != (len(self.names), 3) or self.sigma.shape != self.xyz.shape:
            raise ValueError("control points need three coordinates and three sigmas each")
        bad = ~(np.isfinite(self.xyz) & (self.sigma >= 0) & np.isfinite(self.sigma)).all(axis=1)
        if bad.any():
            name = self.names[int(bad.argmax())]
            raise ValueError(f"control point {name} has a coordinate or sigma that is no number, or a negative sigma")

    def __len__(self) -> int:
        return len(self.names)


@dataclass(frozen=True, eq=False)
class Sights:
    """Reduced sights: means of faces, atmospheric and prism corrections done; arrays of shape (n,).

    Attributes
    ----------
    target : ndarray of int
        Point that was sighted.
    direction : ndarray
        Clockwise as the circle counts, rad; nan where not read.
    zenith : ndarray
        Zenith angle, rad; nan where not read.
    distance : ndarray
        Slope distance, m; nan where not read.
    instrument_height, target_height : ndarray
        Of the tilting axis over its point and of the prism over its, m.
    repeats : ndarray
        How many independent readings each is the mean of.
    order : ndarray
        Grows with time; equal within a round that is taken as one.
    setup : ndarray of int
        Set-up of each sight.
    """

    target: Ints
    direction: Floats
    zenith: Floats
    distance: Floats
    instrument_height: Floats
    target_height: Floats
    repeats: Floats
    order: Floats
    setup: Ints

    def __len__(self) -> int:
        return len(self.target)

    @classmethod
    def of(
        cls, target: npt.ArrayLike, direction: npt.ArrayLike | None = None, zenith: npt.ArrayLike | None = None,
        distance: npt.ArrayLike | None = None, instrument_height: npt.ArrayLike = 0.0,
        target_height: npt.ArrayLike = 0.0, repeats: npt.ArrayLike = 1.0, order: npt.ArrayLike | None = None,
        setup: npt.ArrayLike = 0,
    ) -> Self:  # fmt: skip
        """Return sights with what was not given left out, in the order of time unless told otherwise.

        Examples
        --------
        >>> Sights.of([0, 2], direction=[0.1, 2.3]).distance
        array([nan, nan])
        """
        index = np.asarray(target, dtype=np.intp)
        n = len(index)

        def full(values: npt.ArrayLike | None) -> Floats:
            chosen = np.nan if values is None else values
            return np.array(np.broadcast_to(np.asarray(chosen, dtype=np.float64), n))

        return cls(
            index, full(direction), full(zenith), full(distance), full(instrument_height), full(target_height),
            full(repeats), full(np.arange(n) if order is None else order),
            np.array(np.broadcast_to(np.asarray(setup, dtype=np.intp), n)),
        )  # fmt: skip

    def rows(self, which: npt.NDArray[np.bool_] | Ints) -> Self:
        """Return some of the sights."""
        return type(self)(*(getattr(self, field.name)[which] for field in fields(self)))


@dataclass(frozen=True, eq=False)
class Readings:
    """Readings as the instrument showed them; arrays of shape (n,).

    Attributes
    ----------
    setup, target : ndarray of int
        Set-up and point of each reading.
    face : ndarray of int
        1 or 2.
    direction, zenith : ndarray
        rad, as read in that face; nan where not read.
    distance : ndarray
        Slope distance as shown, m; nan where not read.
    instrument_height, target_height : ndarray
        m.
    prism : ndarray
        What has to be added to the distance for this prism, beyond what the instrument added, m.
    temperature, pressure, humidity : ndarray
        Air in degrees Celsius, hPa and percent; nan where not noted.
    time : ndarray
        Seconds from any origin, or a running number.
    """

    setup: Ints
    target: Ints
    face: Ints
    direction: Floats
    zenith: Floats
    distance: Floats
    instrument_height: Floats
    target_height: Floats
    prism: Floats
    temperature: Floats
    pressure: Floats
    humidity: Floats
    time: Floats

    def __post_init__(self) -> None:
        n = len(self.setup)
        for field in fields(self):
            if getattr(self, field.name).shape != (n,):
                raise ValueError(f"{field.name} of the readings has not the shape ({n},)")
        if not np.isin(self.face, (1, 2)).all():
            raise ValueError("a reading's face is neither 1 nor 2")

    def __len__(self) -> int:
        return len(self.setup)

    def rows(self, which: npt.NDArray[np.bool_] | Ints) -> Self:
        """Return some of the readings."""
        return type(self)(*(getattr(self, field.name)[which] for field in fields(self)))
