"""The correction plan of a section as one value: what to turn, what comes of it, and how far that is proven."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

from .rule_table import RuleTable

__all__ = [
    "DONE",
    "DOUBTFUL",
    "FIXED",
    "FREE",
    "HELD",
    "OUTSIDE",
    "STANDING",
    "UNKNOWN",
    "Contradiction",
    "PlainPlan",
    "Proof",
    "SectionPlan",
]

Bools = npt.NDArray[np.bool_]

STANDING: Final = ("may move", "not measured", "survey contradicts itself", "held by mortar", "fixed",
                   "turned, to be measured again", "outside the range")  # fmt: skip
"""Why a slab may be moved or not: texts of `SectionPlan.standing`."""
FREE, UNKNOWN, DOUBTFUL, HELD, FIXED, DONE, OUTSIDE = range(len(STANDING))


@dataclass(frozen=True, eq=False)
class Proof:
    """How far a plan is proven.

    Attributes
    ----------
    count, count_bound : int
        Slabs that the plan touches, and the number below which no plan comes; equal ones are a proof.
    travel, travel_bound : float
        Sum of the absolute travel of all screws and adjusters, and what no plan of this count comes below, m; the
        bound is nan as long as the count is not proven, since more slabs may need less travel.
    windows : int
        Windows that the section was cut into, each planned by itself and agreeing with its neighbours at the edges.
    longest : int
        Slabs in the longest window.
    out_of_time : bool
        Whether the time limit ended the search.
    seconds : float
        Time that it took.
    """

    count: int
    count_bound: int
    travel: float
    travel_bound: float
    windows: int
    longest: int
    out_of_time: bool
    seconds: float

    @property
    def gap(self) -> float:
        """Optimality gap of the count, as part of the plan's; once it is proven, that of the travel. 0 is a proof."""
        if self.count > self.count_bound:
            return (self.count - self.count_bound) / self.count
        lacking = self.travel - self.travel_bound
        # a tenth of a micrometre of travel is rounding
        return lacking / self.travel if lacking > 1e-7 else 0.0


@dataclass(frozen=True, eq=False)
class Contradiction:
    """Rules that no move can keep together; without any one of them it would be possible.

    Attributes
    ----------
    rules : ndarray of int, shape (c,)
        Rows of the rule table.
    standing : ndarray of int, shape (s,)
        Slabs in these rules that may not be moved.
    by_steps : bool
        Whether the rules contradict each other only because screws turn in whole steps.
    """

    rules: Ints
    standing: Ints
    by_steps: bool


@dataclass(frozen=True, eq=False)
class PlainPlan:
    """What to do without a plan: each slab that is not within goes to its target, rounded to whole steps.

    Where a joint or a rail rule is still broken then, its slabs go to their targets as well.

    Attributes
    ----------
    move : ndarray, shape (n, 6)
    touched : ndarray of bool, shape (n,)
    travel : float
        Sum of the absolute travel of all screws and adjusters, m.
    broken : ndarray of bool, shape (r,)
        Rules that would still be broken.
    """

    move: Floats
    touched: Bools
    travel: float
    broken: Bools


@dataclass(frozen=True, eq=False)
class SectionPlan:
    """The correction plan of n slabs, with k screws and h lateral adjusters at most on each.

    Moves are in the frame of the target slab: across + right, up + up, pitch + forward end up, roll + left side up,
    yaw + clockwise. A slab that is not touched has a move of zero, never nan.

    Attributes
    ----------
    standing : ndarray of int8, shape (n,)
        Whether each slab may be moved, or why not: index of `STANDING`.
    touched : ndarray of bool, shape (n,)
        Slabs that have to be moved.
    move : ndarray, shape (n, 6)
        Planned move of the pose: across, along (always 0: screws cannot), up, m, pitch, roll, yaw, rad.
    pose_after : ndarray, shape (n, 6)
        Deviation of the pose when the plan has been carried out; nan where the pose is not known now.
    pose_after_sigma : ndarray, shape (n, 6)
        Its standard uncertainty: of the survey, and of turning where the slab is touched; nan where not known.
    steps, push_steps : ndarray of int, shape (n, k) and (n, h)
        Whole steps of each screw, + raises, and of each adjuster, + to the right; 0 where a type has none.
    lift, turns : ndarray, shape (n, k)
        What these steps lift, m, and turn, in turns; nan where a type has fewer screws.
    push, push_turns : ndarray, shape (n, h)
        The same of the adjusters.
    plane_error : ndarray, shape (n,)
        Largest difference between a screw's whole steps and the plane of the three that lead, m: 0 for four screws
        in a rectangle.
    rules : RuleTable
        Every rule that was considered, with its value before.
    left_out : RuleTable
        Rules that touch a slab whose pose is not known: nothing is told of them.
    value_after, sigma_after : ndarray, shape (r,)
        Of every rule when the plan has been carried out, m.
    broken_before, broken_after : ndarray of bool, shape (r,)
        Rules that are not kept with their guard band.
    uncertain : ndarray of bool, shape (r,)
        Rules whose guard band alone is wider than the limits: they are held to the plain limits.
    beyond_screws : ndarray of bool, shape (r,)
        Rules broken before that no screw can mend: along and gap beyond what yaw can do, or every slab of the rule
        stands fast.
    contradictions : tuple of Contradiction
        Empty if the plan keeps every rule that can be kept.
    proof : Proof
    plain : PlainPlan
    mortar_considered, rail_considered : bool
        Whether gaps of the mortar and limits of the rail were among the rules.
    """

    standing: npt.NDArray[np.int8]
    touched: Bools
    move: Floats
    pose_after: Floats
    pose_after_sigma: Floats
    steps: Ints
    push_steps: Ints
    lift: Floats
    turns: Floats
    push: Floats
    push_turns: Floats
    plane_error: Floats
    rules: RuleTable
    left_out: RuleTable
    value_after: Floats
    sigma_after: Floats
    broken_before: Bools
    broken_after: Bools
    uncertain: Bools
    beyond_screws: Bools
    contradictions: tuple[Contradiction, ...]
    proof: Proof
    plain: PlainPlan
    mortar_considered: bool
    rail_considered: bool

    @property
    def feasible(self) -> bool:
        """Whether every rule that screws can mend is kept by the plan."""
        return not bool((self.broken_after & ~self.beyond_screws).any())
