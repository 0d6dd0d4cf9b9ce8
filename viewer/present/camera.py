"""The way of the eye through the film: from above the section, along the track, and down to one slab."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from viewer.present.show import Show

__all__ = ["FLIGHT", "LANDED", "RESTING", "Eye", "Flight", "flight_of"]

Floats = NDArray[np.float64]

LONGEST: Final = 2000.0
"""No more of a section than this is flown over, m."""
FLIGHT: Final = 0.26
"""Share of the film at which the eye is down at the track and flies along it."""
LANDED: Final = 0.50
"""Share of the film at which it has come to its slab."""
RESTING: Final = 0.93
"""Share of the film from which on nothing moves any more, so that the last words can be read."""
METRES_A_SECOND: Final = 34.0
_TURN: Final = 25.0  # the eye follows the bearing of the line over so many metres to either side


class Eye(NamedTuple):
    """Where the eye is and what it looks at, about the origin of the flight, m, and over which distance that is."""

    eye: Floats
    focus: Floats
    distance: float


@dataclass(frozen=True, eq=False)
class Flight:
    """A smooth way of the eye.

    Parameters
    ----------
    origin : ndarray, shape (3,)
        In the grid, m.
    distance : ndarray, shape (k,)
    line : ndarray, shape (k, 3)
        Centre of the slabs' top, m about the origin, by continuous distance.
    first, last : float
        Continuous distance from where to where slabs are in the film, m.
    ahead : float
        1 for a flight along growing distance, else -1.
    goal : float
        Continuous distance of the slab it ends at, m.
    seconds : float
    """

    origin: Floats
    distance: Floats
    line: Floats
    first: float
    last: float
    ahead: float
    goal: float
    seconds: float

    @cached_property
    def _ways(self) -> dict[str, Any]:
        """Monotone cubics through a few places in time: they never run beyond them, and have no kinks."""
        from scipy.interpolate import PchipInterpolator

        extent = self.last - self.first
        high = float(np.clip(1.12 * extent, 60.0, 2000.0))
        run = min(METRES_A_SECOND * self.seconds * (LANDED - FLIGHT) * 0.8, abs(self.goal - self._far))
        start = self.goal - self.ahead * run
        middle = 0.5 * (self.first + self.last)
        # sideways while it is high, so that little of the way is left when the ground is near
        time = np.array([0.0, 0.08, 0.18, FLIGHT, 0.44, LANDED, 0.77, RESTING])
        places = {
            "distance": [middle, middle + 0.06 * (start - middle), start - 0.08 * (start - middle), start,
                         self.goal - self.ahead * 0.13 * run, *[self.goal] * 3],
            "reach": [np.log(value) for value in (high, 0.93 * high, 0.3 * high + 14.0, 19.0, 17.0, 12.5, 12.0, 11.5)],
            "turn": [266.0, 262.0, 232.0, 186.0, 176.0, 140.0, 124.0, 118.0],
            "rise": [30.0, 29.0, 25.0, 16.0, 16.0, 22.0, 24.0, 25.0],
        }  # fmt: skip
        return {name: PchipInterpolator(time, values) for name, values in places.items()}

    @property
    def _far(self) -> float:
        return self.first if self.ahead > 0.0 else self.last

    @cached_property
    def _spline(self) -> Any:
        from scipy.interpolate import CubicSpline

        if len(self.distance) < 2:
            step = np.array([0.0, 1.0, 0.0])
            return CubicSpline([self.goal - 1.0, self.goal + 1.0], [self.line[0] - step, self.line[0] + step])
        return CubicSpline(self.distance, self.line, bc_type="natural")

    def at(self, share: float) -> Eye:
        """Return the eye at a share of the film, 0 to 1."""
        share = min(share, RESTING)
        distance = float(self._ways["distance"](share))
        focus = np.asarray(self._spline(distance), dtype=np.float64)
        low, high = self.distance[0], self.distance[-1]
        before, after = (np.clip(distance + step, low, high) for step in (-_TURN, _TURN))
        along = self._spline(after) - self._spline(before) if after > before else np.array([0.0, 1.0, 0.0])
        bearing = float(np.arctan2(along[0], along[1])) + (0.0 if self.ahead > 0.0 else np.pi)
        reach = float(np.exp(self._ways["reach"](share)))
        turn, rise = (np.deg2rad(float(self._ways[name](share))) for name in ("turn", "rise"))
        side = np.array([np.sin(bearing + turn) * np.cos(rise), np.cos(bearing + turn) * np.cos(rise), np.sin(rise)])
        return Eye(focus + reach * side, focus, distance)


def flight_of(show: Show, seconds: float) -> Flight:
    """Return the flight over a section; of a long one over the part around the slab at which it ends."""
    section = show.section
    goal = float(section.distance[show.slab])
    first, last = float(section.distance[0]), float(section.distance[-1])
    ahead = 1.0 if goal - first >= last - goal else -1.0
    if last - first > LONGEST:
        first = float(np.clip(goal - (0.8 if ahead > 0.0 else 0.2) * LONGEST, first, last - LONGEST))
        last = first + LONGEST
    inside = (section.distance >= first) & (section.distance <= last)
    origin = section.target_position[show.slab]
    return Flight(
        origin, section.distance[inside], section.target_position[inside] - origin, first, last, ahead, goal, seconds
    )
