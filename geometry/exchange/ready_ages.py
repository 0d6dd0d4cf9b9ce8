"""How old the measurement of each slab is."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from geometry.alignment.laws import Floats
from geometry.survey import SurveyPoints

from .project import Project
from .survey_names import target_marks

__all__ = ["age_hours", "oldest_times"]

Times = npt.NDArray[np.datetime64]
_UNKNOWN = np.datetime64("NaT", "us")


def oldest_times(project: Project, points: SurveyPoints) -> Times:
    """Return when the oldest mark of each slab was measured, shape (n,), UTC; NaT where any time is not known.

    Of a mark that one set-up measured again the latest time counts, as its latest reading does; of several set-ups,
    which are averaged, the oldest.
    """
    n = len(project.layout.names)
    oldest = np.full(n, _UNKNOWN, dtype="datetime64[us]")
    if not len(points):
        return oldest
    marks = target_marks(project, np.arange(n))
    m, flat = marks.shape[1], marks.reshape(-1, 3)
    exists = np.flatnonzero(np.isfinite(flat).all(axis=1))
    radius = project.settings.survey.match_radius_m
    apart, nearest = cKDTree(flat[exists]).query(points.xyz, distance_upper_bound=radius)
    rows = np.flatnonzero(np.isfinite(apart))
    place = exists[np.asarray(nearest)[rows]]
    if not rows.size:
        return oldest
    key = place * (int(points.setup.max()) + 1) + points.setup[rows]
    order = np.argsort(key, kind="stable")
    rows, place, key = rows[order], place[order], key[order]
    # maximum and minimum hand a time that is not known on
    first = np.flatnonzero(np.diff(key, prepend=-1))
    latest = np.maximum.reduceat(points.time[rows].astype("datetime64[us]"), first)
    slab = place[first] // m
    start = np.flatnonzero(np.diff(slab, prepend=-1))
    oldest[slab[start]] = np.minimum.reduceat(latest, start)
    return oldest


def age_hours(oldest: Times, at: np.datetime64) -> Floats:
    """Return how long before a time slabs were measured, h; negative for later, nan where not known.

    Examples
    --------
    >>> times = np.array(["2031-05-14T06:00", "2031-05-14T13:30", "NaT"], dtype="datetime64[us]")
    >>> age_hours(times, np.datetime64("2031-05-14T12:00", "us")).tolist()
    [6.0, -1.5, nan]
    """
    return np.asarray((at.astype("datetime64[us]") - oldest) / np.timedelta64(1, "h"), dtype=np.float64)
