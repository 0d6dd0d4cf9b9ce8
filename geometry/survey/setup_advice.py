"""Whether control points are well placed around a set-up, and what to measure where they are not."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from geometry.alignment.laws import Floats

from .approximate import circle_miss, horizontal
from .points import Ints
from .setup_result import FreeSetup, SetupError, SetupFinding
from .single_setup import Case, Cleared, Posed, rough

__all__ = ["mirrored", "remarks", "undetermined"]

# the set-up's semi-major axis over what one sight alone is good for: well placed points come to about 1, and
# what is more than a centimetre off sets no slab
_WEAK, _HOPELESS = 4.0, 12.0
_NARROW = math.radians(40)
_ON_CIRCLE = 0.03  # of the radius


def remarks(case: Case, cleared: Cleared, posed: Posed, result: FreeSetup) -> list[SetupFinding]:
    """Return what is no fault and yet has to be known of a set-up.

    Raises
    ------
    SetupError
        If the control points are so badly placed that the position is worth nothing.
    """
    said = []
    ratio = result.ellipse.major / _one_sight(case, cleared, posed, result)
    if not ratio < _HOPELESS:
        raise undetermined(case, cleared, (f"position of set-up {case.name}",), result)
    if ratio > _WEAK:
        reason = _why_weak(case, cleared, result.position[:2])
        said.append(
            SetupFinding(
                "badly placed", (), (ratio,), (),
                f"the position is {ratio:.0f} times less certain than a single sight: {reason}", False,
            )
        )  # fmt: skip
    if result.freedom <= 0:
        text = "nothing checks this set-up: sight one more control point"
        said.append(SetupFinding("no check", (), (), (), text, False))
    if posed.flat:
        text = "no zenith angles: the sights are taken as level, and the set-up has no level of its own"
        said.append(SetupFinding("no level", (), (), (), text, False))
    return said


def _one_sight(case: Case, cleared: Cleared, posed: Posed, result: FreeSetup) -> float:
    """Return the standard uncertainty in plan that one average sight gives, m."""
    some = np.flatnonzero(cleared.use.any(axis=1))
    away = case.control.xyz[cleared.target[some], :2] - result.position[:2]
    s = np.hypot(*away.T)
    zenith = case.sights.zenith[some]
    direction, _, distance = case.instrument.sigmas(s, zenith)
    parts = []
    if cleared.use[:, 0].any():
        parts.append((direction * s) ** 2)
    if cleared.use[:, 2].any():
        parts.append(distance**2)
    listed = case.control.sigma[cleared.target[some], :2] if case.weighted else np.zeros(away.shape)
    return math.sqrt(float(np.mean(parts)) + float((listed**2).mean()))


def _bearings(case: Case, cleared: Cleared, at: Floats) -> tuple[float, Ints]:
    """Return the angle that holds all control points as seen from a place, rad, and the points."""
    points = np.unique(cleared.target[cleared.use.any(axis=1)])
    away = case.control.xyz[points, :2] - at
    bearing = np.sort(np.arctan2(away[:, 0], away[:, 1]))
    gaps = np.diff(np.append(bearing, bearing[0] + 2 * math.pi)) if len(points) else np.array([2 * math.pi])
    return 2 * math.pi - float(gaps.max()), points


def _why_weak(case: Case, cleared: Cleared, at: Floats) -> str:
    span, points = _bearings(case, cleared, at)
    aimed = np.unique(cleared.target[cleared.use[:, 0]])
    if not cleared.use[:, 2].any() and len(aimed) >= 3 and circle_miss(case.control.xyz[aimed, :2], at) < _ON_CIRCLE:
        return (
            "it lies on the circle through the control points (danger circle), where directions do not tell the place; "
            "measure distances, or sight a control point off that circle"
        )
    if span < _NARROW:
        return f"all control points lie within {math.degrees(span):.0f} degrees; sight one to the side or behind"
    if len(points) < 3:
        return "only two control points were sighted; sight a third"
    return "the control points are badly placed around it; sight others, on the far sides"


def mirrored(case: Case, cleared: Cleared) -> bool:
    """Whether the sights leave two places.

    Distances alone leave one either side of a line through the control points; two directions and one distance leave
    two along the other ray, if the distance is longer than that between the points.
    """
    aimed = np.unique(cleared.target[cleared.use[:, 0]])
    points = np.unique(cleared.target[cleared.use[:, 2]])
    if len(aimed) == 2 and len(points) == 1 and points[0] in aimed:
        one = cleared.use[:, 2]
        apart = np.hypot(*(case.control.xyz[aimed[0], :2] - case.control.xyz[aimed[1], :2]))
        reach = horizontal(case.sights.distance[one], case.sights.zenith[one], case.refraction)[0] * case.grid_scale
        return bool(reach.max() > apart)
    if len(aimed) >= 2 or len(points) < 2:
        return False
    xy = case.control.xyz[points, :2]
    spread = np.linalg.svd(xy - xy.mean(axis=0), compute_uv=False)
    return bool(spread[1] < 0.02 * spread[0])  # two points are always on one line


def undetermined(case: Case, cleared: Cleared, unknowns: Sequence[str], result: FreeSetup | None = None) -> SetupError:
    """Return the error that says what the sights leave open, why, and what to measure.

    Parameters
    ----------
    case, cleared : Case, Cleared
    unknowns : sequence of str
        What is open; empty for everything.
    result : FreeSetup, optional
        The set-up, where it was found at all.
    """
    use = cleared.use
    points = np.unique(cleared.target[use.any(axis=1)])
    aimed, ranged = (np.unique(cleared.target[use[:, column]]) for column in (0, 2))
    lost = ", ".join(unknowns) if unknowns else f"position and orientation of set-up {case.name}"
    if not len(points):
        why = "no control point was sighted; sight three or more, with direction, zenith angle and distance"
    elif len(points) == 1:
        name = case.control.names[int(points[0])]
        why = f"only {name} was sighted; sight at least one more control point with direction and distance"
    elif mirrored(case, cleared) and len(aimed) == 2:
        lost = f"which of two places set-up {case.name} stands on"
        why = "two directions and one distance fit both; measure the other distance, or sight a third point"
    elif mirrored(case, cleared):
        lost = f"side on which set-up {case.name} stands"
        why = "the control points lie on one line and only distances were measured; read directions as well"
    elif not len(ranged) and len(aimed) < 3:
        why = f"only directions to {len(aimed)} control points; measure distances, or sight a third point"
    elif result is not None:
        why = _why_weak(case, cleared, result.position[:2])
    else:
        start = rough(case, cleared)
        why = _why_weak(case, cleared, start.position[:2]) if start is not None else (
            "the control points lie on one circle with the instrument (danger circle), or on one line; "
            "measure distances, or sight a point off it"
        )  # fmt: skip
    return SetupError(tuple(unknowns), f"set-up {case.name}: not determined: {lost}: {why}")
