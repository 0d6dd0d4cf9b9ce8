"""From surveyed points to built poses of slabs with their uncertainty."""

from .fit import CRITICAL_W, Fits, fit_slabs, movement_rows, replaced
from .matching import MeasuredMarks, match
from .points import NO_NAME, UNKNOWN_NAME, SurveyFinding, SurveyPoints

__all__ = [
    "CRITICAL_W",
    "NO_NAME",
    "UNKNOWN_NAME",
    "Fits",
    "MeasuredMarks",
    "SurveyFinding",
    "SurveyPoints",
    "fit_slabs",
    "match",
    "movement_rows",
    "replaced",
]
