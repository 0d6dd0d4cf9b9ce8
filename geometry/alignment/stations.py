"""Values of an alignment at distances along it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geometry.errors import DistanceError

from .alignment import Alignment, TrackRules
from .frames import rotation
from .laws import Floats

__all__ = [
    "Stations",
    "TrackFrames",
    "evaluate",
    "position",
    "roll_of_cant",
    "track_frame",
    "true_length",
    "true_length_to_distance",
]

_ROUNDING = 1e-6  # a distance printed to the millimetre or finer may miss the end by its rounding, m


@dataclass(frozen=True)
class Stations:
    """The reference line at many distances; every array has the shape of the distances.

    Attributes
    ----------
    distance : m from the start, along the line in plan
    easting, northing, level : m, in the grid
    bearing : rad, clockwise from grid north, in [0, 2 pi)
    curvature : 1/m, + to the right
    gradient : rise over run
    profile_curvature : change of gradient per metre, 1/m, + in a sag
    cant : m, + left rail higher
    """

    distance: Floats
    easting: Floats
    northing: Floats
    level: Floats
    bearing: Floats
    curvature: Floats
    gradient: Floats
    profile_curvature: Floats
    cant: Floats


@dataclass(frozen=True)
class TrackFrames:
    """Centre of the track between the rail tops, and the canted frame there.

    Attributes
    ----------
    position : ndarray, shape (..., 3)
        Middle between the rail tops in the grid, m.
    rotation : ndarray, shape (..., 3, 3)
        Track frame to grid; columns right (along the line through both rail tops), forward, up.
    """

    position: Floats
    rotation: Floats


def _checked(alignment: Alignment, distance: npt.ArrayLike) -> Floats:
    """Return distances as floats, rounding at the ends cut off; nan passes and gives nan."""
    s = np.asarray(distance, dtype=np.float64)
    outside = (s < -_ROUNDING) | (s > alignment.length + _ROUNDING)
    if outside.any():
        raise DistanceError(
            f"distance {float(s[outside].flat[0]):.3f} m lies outside the alignment, "
            f"which reaches from 0 to {alignment.length:.3f} m"
        )
    return np.clip(s, 0.0, alignment.length)


def position(alignment: Alignment, distance: npt.ArrayLike) -> Floats:
    """Return the points of the reference line.

    Parameters
    ----------
    distance : array_like, shape (...)
        Continuous distance from the start, m; both ends included.

    Returns
    -------
    ndarray, shape (..., 3)
        Easting, northing, level in the grid, m.

    Raises
    ------
    DistanceError
        If a distance lies outside the alignment; names it and the valid range.

    Examples
    --------
    >>> import math
    >>> from geometry.alignment import HorizontalElement, VerticalElement, build
    >>> east_up = build([HorizontalElement("straight", 100.0, easting=10, northing=20, bearing=math.pi / 2)],
    ...                 [VerticalElement("gradient", 0.0, 100.0, 0.01, 0.01, level=50.0)])
    >>> position(east_up, 30.0).round(6).tolist()
    [40.0, 20.0, 50.3]
    """
    s = _checked(alignment, distance)
    curve = alignment.track.curve(s)
    level = alignment.profile_curve(s)[..., :1]
    return np.concatenate([curve[..., :2] + alignment.track.origin, level], axis=-1)


def evaluate(alignment: Alignment, distance: npt.ArrayLike) -> Stations:
    """Return all values of the reference line; at a joint those of the element that starts there.

    Parameters
    ----------
    distance : array_like, shape (...)
        Continuous distance from the start, m; nan gives nan.

    Raises
    ------
    DistanceError
        If a distance lies outside the alignment.
    """
    s = _checked(alignment, distance)
    curve = alignment.track.curve(s)
    profile = alignment.profile_curve(s)
    return Stations(
        distance=s,
        easting=curve[..., 0] + alignment.track.origin[0],
        northing=curve[..., 1] + alignment.track.origin[1],
        level=profile[..., 0],
        bearing=_one_turn(curve[..., 2]),
        curvature=alignment.track.curve(s, 1)[..., 2],
        gradient=alignment.profile_curve(s, 1)[..., 0],
        profile_curvature=alignment.profile_curve(s, 2)[..., 0],
        cant=alignment.cant_curve(s)[..., 0],
    )


def _one_turn(angle: Floats) -> Floats:
    """Return angles in [0, 2 pi): the remainder of a tiny negative angle rounds to 2 pi itself."""
    turned = np.remainder(angle, 2 * np.pi)
    return np.where(turned >= 2 * np.pi, 0.0, turned)


def roll_of_cant(cant: Floats, rules: TrackRules) -> Floats:
    """Return the roll of the track, rad, + left side up, by the project's rule for the cant angle.

    Examples
    --------
    >>> float(np.degrees(roll_of_cant(np.array(0.125), TrackRules())).round(5))
    4.78019
    """
    ratio = cant / rules.cant_base
    if rules.cant_angle == "arcsin":
        return np.asarray(np.arcsin(ratio))
    if rules.cant_angle == "arctan":
        return np.asarray(np.arctan(ratio))
    return np.asarray(ratio)


def track_frame(alignment: Alignment, distance: npt.ArrayLike) -> TrackFrames:
    """Return the canted track frames.

    With the low rail as pivot the middle between the rails lies half the cant above the profile; with
    ``plan_held="rail"`` it also swings towards the low rail. The frame's forward axis follows the
    reference line and its gradient.

    Parameters
    ----------
    distance : array_like, shape (...)
        Continuous distance from the start, m.

    Raises
    ------
    DistanceError
        If a distance lies outside the alignment.
    """
    s = _checked(alignment, distance)
    rules = alignment.rules
    curve = alignment.track.curve(s)
    bearing = curve[..., 2]
    gradient = alignment.profile_curve(s, 1)[..., 0]
    roll = roll_of_cant(alignment.cant_curve(s)[..., 0], rules)
    origin = np.concatenate([curve[..., :2] + alignment.track.origin, alignment.profile_curve(s)[..., :1]], axis=-1)
    if rules.pivot == "low_rail":
        half = rules.cant_base / 2
        # on a gradient the line through the rails leans forward as well: its ends differ less in level
        origin[..., 2] += half * np.abs(np.sin(roll)) / np.sqrt(1 + gradient**2)
        if rules.plan_held == "rail":
            # 1 - cos through the half angle keeps its digits; the low rail is the right one when roll > 0
            swing = np.sign(roll) * half * 2 * np.sin(roll / 2) ** 2 * rules.grid_scale
            origin[..., 0] += swing * np.cos(bearing)
            origin[..., 1] -= swing * np.sin(bearing)
    return TrackFrames(origin, rotation(bearing, np.arctan(gradient), roll))


def true_length(alignment: Alignment, distance: npt.ArrayLike) -> Floats:
    """Return the length in space along the reference line, m, from the start of the profile.

    Gradient and grid scale are counted: in plan a true length is the grid length over the scale, and
    levels are not scaled. Only differences of it mean something.
    """
    return np.asarray(alignment.length_curve(_checked(alignment, distance))[..., 0], dtype=np.float64)


def true_length_to_distance(alignment: Alignment, length: npt.ArrayLike) -> Floats:
    """Return the distance at which `true_length` has the given values; undoes it to about 1e-10 m.

    Raises
    ------
    DistanceError
        If a length lies outside the alignment.
    """
    target = np.asarray(length, dtype=np.float64)
    low, high = true_length(alignment, [0.0, alignment.length]).tolist()
    outside = (target < low - _ROUNDING) | (target > high + _ROUNDING)
    if outside.any():
        raise DistanceError(
            f"true length {float(target[outside].flat[0]):.3f} m lies outside the alignment, "
            f"which reaches from {low:.3f} to {high:.3f} m"
        )
    s = np.full_like(target, alignment.length / 2)
    for _ in range(50):
        step = (true_length(alignment, s) - target) / alignment.length_curve(s, 1)[..., 0]
        s = np.clip(s - step, 0.0, alignment.length)
        if not np.any(np.abs(step) > 1e-10):
            break
    return s
