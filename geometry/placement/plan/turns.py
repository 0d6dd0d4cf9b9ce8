"""From whole steps of screws and adjusters to the move of a rigid slab, and back to turns.

A slab lies on more screws than a plane needs. Three of them lead, those with the largest triangle between them, and
take whole steps; the slab is rigid, so every other screw follows their plane and is turned to the nearest whole step.
On four screws in a rectangle that is exact; elsewhere it is off by half a step at most, which `plane_error` tells, and
the last bit of such a screw is turned until it carries. Two adjusters lead sideways, those furthest apart along.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.errors import Fault, InputError
from geometry.slabs import Fitting, SlabType
from geometry.survey import movement_rows
from geometry.survey.points import Ints

__all__ = ["LEADING", "Drives", "Turned", "drives", "turned"]

LEADING = 5  # three screws and two adjusters: across, up, pitch, roll, yaw
_ROUNDING = 1e-12  # m or rad; the solver must not take what is left of a difference for a coefficient
_LEAST_APART = 0.1  # m; closer together, half a step of a screw tilts the slab by milliradians


@dataclass(frozen=True, eq=False)
class Drives:
    """What the screws and adjusters of t types of slabs do; k screws and h adjusters at most.

    Attributes
    ----------
    pose : ndarray, shape (t, 6, 5)
        Move of the pose for one step of each leading drive: three screws, then two adjusters, m and rad.
    travel : ndarray, shape (t, k + h, 5)
        Travel of every screw and adjuster for one step of each leading drive, m; nan where a type has fewer.
    step : ndarray, shape (t, k + h)
        Length of a step, m.
    pitch : ndarray, shape (t, k + h)
        Travel for one turn, m.
    reach : ndarray, shape (t, k + h)
        Largest travel in either direction, m.
    covariance : ndarray, shape (t, 6, 6)
        Of the pose of a slab that has been turned, m and rad.
    screws : int
        k.
    """

    pose: Floats
    travel: Floats
    step: Floats
    pitch: Floats
    reach: Floats
    covariance: Floats
    screws: int


@dataclass(frozen=True, eq=False)
class Turned:
    """Whole steps of n slabs; see `SectionPlan` for the attributes."""

    steps: Ints
    push_steps: Ints
    lift: Floats
    turns: Floats
    push: Floats
    push_turns: Floats
    plane_error: Floats


def _rows(fitting: Fitting, sideways: bool) -> Floats:
    """Return how the drives move with across, up, pitch, roll, yaw, shape (k, 5)."""
    every = movement_rows(fitting.places)[:, 0 if sideways else 2]
    return np.asarray(every[:, [0, 2, 3, 4, 5]])


def _leading_screws(t: SlabType) -> list[int]:
    """Return the three screws with the largest triangle; of equal ones the first."""
    xy = t.screws.places[:, :2]
    best, area = [0, 1, 2], -1.0
    for three in combinations(range(len(xy)), 3):
        a, b = xy[list(three[1:])] - xy[three[0]]
        found = abs(float(a[0] * b[1] - a[1] * b[0])) / 2
        if found > area * (1 + 1e-9):
            best, area = list(three), found
    if not area > _LEAST_APART**2:
        raise InputError([Fault(f"project.toml: screws of slab type {t.name}", "three screws or more that span a plane",
                                f"{len(xy)} on one line" if len(xy) > 2 else f"{len(xy)}",
                                "no plan can be made for such a slab")])  # fmt: skip
    return best


def _leading_adjusters(t: SlabType) -> list[int]:
    """Return the rearmost and the foremost adjuster."""
    along = t.adjusters.places[:, 1]
    two = [int(along.argmin()), int(along.argmax())]
    if not along[two[1]] - along[two[0]] > _LEAST_APART:
        raise InputError([Fault(f"project.toml: adjusters of slab type {t.name}", "adjusters at two places along",
                                "one", "no plan can be made for such a slab")])  # fmt: skip
    return two


def drives(
    types: Sequence[SlabType], step_turns: float, turning_sigma: float, step_length: float | None = None
) -> Drives:
    """Return what whole steps do to slabs of each type.

    Parameters
    ----------
    types : sequence of SlabType
    step_turns : float
        The smallest part of a turn that the crew turns on purpose.
    turning_sigma : float
        Standard uncertainty with which a drive comes out where it was meant to, m.
    step_length : float, optional
        Length of a step of every drive, m, in place of a part of a turn.

    Raises
    ------
    InputError
        If the screws of a type do not span a plane, or its adjusters stand at one place.
    """
    k, h = max(len(t.screws.names) for t in types), max(len(t.adjusters.names) for t in types)
    shape = (len(types), k + h)
    pose, travel = np.zeros((len(types), 6, LEADING)), np.full((*shape, LEADING), np.nan)
    step, pitch, reach = (np.full(shape, np.nan) for _ in range(3))
    covariance = np.zeros((len(types), 6, 6))
    free = np.array([0, 2, 3, 4, 5])
    for i, t in enumerate(types):
        every = np.concatenate([_rows(t.screws, False), _rows(t.adjusters, True)])
        at = np.concatenate([np.arange(len(t.screws.names)), k + np.arange(len(t.adjusters.names))])
        for values, name in ((pitch, "pitch"), (reach, "travel")):
            values[i, :k], values[i, k:] = getattr(t.screws, name), getattr(t.adjusters, name)
        step[i] = pitch[i] * step_turns if step_length is None else step_length
        leading = [*_leading_screws(t), *(len(t.screws.names) + a for a in _leading_adjusters(t))]
        pose[i, free] = np.linalg.solve(every[leading], np.diag(step[i, at[leading]]))
        pose[i][np.abs(pose[i]) < _ROUNDING] = 0.0
        moved = every @ pose[i, free]
        moved[np.abs(moved) < _ROUNDING] = 0.0
        travel[i, at] = moved
        # all drives carry, not only those that lead: the pose is what fits them best
        covariance[i][np.ix_(free, free)] = np.linalg.inv(every.T @ every) * turning_sigma**2
        lacking = np.setdiff1d(np.arange(k + h), at)
        step[i, lacking] = pitch[i, lacking] = reach[i, lacking] = np.nan
    return Drives(pose, travel, step, pitch, reach, covariance, k)


def turned(drive: Drives, type_index: Ints, leading: npt.NDArray[np.float64]) -> Turned:
    """Return the whole steps of every screw and adjuster.

    Parameters
    ----------
    drive : Drives
    type_index : ndarray of int, shape (n,)
    leading : ndarray, shape (n, 5)
        Whole steps of the leading drives.
    """
    exact = np.einsum("nda,na->nd", drive.travel[type_index], leading)
    step, pitch = drive.step[type_index], drive.pitch[type_index]
    # halves away from zero, so that a mirrored slab gets the mirrored steps; a hair for rounding below a half
    whole = np.sign(exact) * np.floor(np.abs(exact) / step + 0.5 - 1e-9)
    amount = whole * step
    error = np.nan_to_num(np.abs(exact - amount)).max(axis=1)
    count, k = np.nan_to_num(whole).astype(np.intp), drive.screws
    turns = amount / pitch
    return Turned(
        count[:, :k], count[:, k:], amount[:, :k], turns[:, :k], amount[:, k:], turns[:, k:], np.asarray(error)
    )
