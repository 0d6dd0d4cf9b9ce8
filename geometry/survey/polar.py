"""Points from a set-up by direction, zenith angle and distance."""

from __future__ import annotations

import numpy as np

from geometry.alignment.laws import Floats

from .approximate import horizontal
from .observations import REFRACTION
from .readings import Sights

__all__ = ["polar_points"]


def polar_points(
    sights: Sights, position: Floats, orientation: Floats, refraction: float = REFRACTION, grid_scale: float = 1.0
) -> Floats:
    """Return the sighted points in the grid.

    Parameters
    ----------
    sights : Sights
        A zenith angle of nan is taken as level.
    position : ndarray, shape (n, 3) or (3,)
        Point of the set-up that the instrument height counts from, m.
    orientation : ndarray, shape (n,), or float
        Bearing of the zero of the circle, rad.
    refraction, grid_scale : float
        Coefficient k and grid length over true length.

    Returns
    -------
    ndarray, shape (n, 3)
        Easting, northing, level, m; nan without a direction or a distance.

    Examples
    --------
    >>> one = Sights.of([0], [0.5], [np.pi / 2], [40.0], instrument_height=1.5, target_height=0.1)
    >>> polar_points(one, np.array([100.0, 200.0, 10.0]), np.pi / 2 - 0.5, refraction=1.0).round(6)
    array([[140. , 200. ,  11.4]])
    """
    s, up = horizontal(sights.distance, sights.zenith, refraction)
    bearing = sights.direction + orientation
    grid = s * grid_scale
    rise = up + sights.instrument_height - sights.target_height
    return np.asarray(position + np.stack([grid * np.sin(bearing), grid * np.cos(bearing), rise], axis=-1))
