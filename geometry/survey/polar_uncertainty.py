"""From sights of a set-up whose place is known to points with their covariance.

The uncertainty of a point has two parts: its own reading (direction, zenith angle, distance, centring of the
prism), and the set-up that all points of it share. The second is carried as a factor, so that what is common
to two points can drop out of their difference.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geometry.alignment.laws import Floats

from .observations import REFRACTION
from .polar import polar_points
from .readings import Instrument, Sights

__all__ = ["PolarPoints", "Stands", "points_seen"]


@dataclass(frozen=True, eq=False)
class Stands:
    """Places of set-ups, as an adjustment gives them; arrays of shape (s, ...).

    Attributes
    ----------
    position : ndarray, shape (s, 3)
        Easting, northing, level of the point under the instrument in the grid, m.
    orientation : ndarray, shape (s,)
        Bearing of the zero of the horizontal circle, rad.
    covariance : ndarray, shape (s, 4, 4)
        Of easting, northing, level, m, and orientation, rad.
    """

    position: Floats
    orientation: Floats
    covariance: Floats


@dataclass(frozen=True, eq=False)
class PolarPoints:
    """Points of polar sights; arrays of shape (n, ...).

    Attributes
    ----------
    xyz : ndarray, shape (n, 3)
        Easting, northing, level in the grid, m.
    own : ndarray, shape (n, 3, 3)
        Covariance that comes from the reading of the point itself, m^2.
    common : ndarray, shape (n, 3, 4)
        What four causes of one standard deviation each, shared by all points of a set-up, do to the point, m.
    """

    xyz: Floats
    own: Floats
    common: Floats

    @property
    def covariance(self) -> Floats:
        """Whole covariance of each point, shape (n, 3, 3), m^2."""
        return np.asarray(self.own + self.common @ np.swapaxes(self.common, 1, 2))


def _factor(covariance: Floats) -> Floats:
    """Return a matrix whose product with its transpose is the covariance; singular ones as well."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :])


def points_seen(
    stands: Stands, sights: Sights, instrument: Instrument, refraction: float = REFRACTION, grid_scale: float = 1.0
) -> PolarPoints:
    """Return the points that sights of known set-ups were taken to, and how certain they are.

    Parameters
    ----------
    stands : Stands
        Of s set-ups; ``sights.setup`` counts them.
    sights : Sights
        n sights with direction, zenith angle and distance each; where one is nan the point is.
    instrument : Instrument
        What a reading is worth.
    refraction : float
        Coefficient k.
    grid_scale : float
        Grid length over true length in plan.

    Returns
    -------
    PolarPoints
        The points under the prisms.

    Examples
    --------
    >>> stand = Stands(np.array([[100.0, 200.0, 50.0]]), np.array([np.pi / 2]), np.zeros((1, 4, 4)))
    >>> sight = Sights.of([0], direction=[0.0], zenith=[np.pi / 2], distance=[30.0], target_height=[0.1])
    >>> points_seen(stand, sight, Instrument(), refraction=1.0).xyz.round(6).tolist()
    [[130.0, 200.0, 49.9]]
    """
    at = sights.setup
    lacking = np.isnan(sights.direction) | np.isnan(sights.zenith) | np.isnan(sights.distance)
    xyz = polar_points(sights, stands.position[at], stands.orientation[at], refraction, grid_scale)
    xyz = np.where(lacking[:, None], np.nan, xyz)

    bearing = stands.orientation[at] + sights.direction
    sine, cosine, none = np.sin(bearing), np.cos(bearing), np.zeros(len(sights))
    # by direction, zenith angle and distance; bending of the ray changes these by parts in a million
    sine_z, cosine_z = np.sin(sights.zenith), np.cos(sights.zenith)
    along = np.stack([sine, cosine, none], axis=1)
    square = np.stack([cosine, -sine, none], axis=1)
    vertical = np.array([0.0, 0.0, 1.0])
    by_direction = square * (grid_scale * sights.distance * sine_z)[:, None]
    by_zenith = along * (grid_scale * sights.distance * cosine_z)[:, None]
    by_zenith = by_zenith - vertical * (sights.distance * sine_z)[:, None]
    by_distance = along * (grid_scale * sine_z)[:, None] + vertical * cosine_z[:, None]
    sigmas = instrument.sigmas(sights.distance, sights.zenith, sights.repeats)
    jacobian = np.stack([by_direction, by_zenith, by_distance], axis=2) * np.stack(sigmas, axis=1)[:, None, :]

    by_stand = np.concatenate([np.broadcast_to(np.eye(3), (len(sights), 3, 3)), by_direction[..., None]], axis=2)
    return PolarPoints(xyz, jacobian @ np.swapaxes(jacobian, 1, 2), by_stand @ _factor(stands.covariance)[at])
