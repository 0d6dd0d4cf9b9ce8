"""A section as its correction plan leaves it: where the slabs lie then, how well that is known, and the verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.placement.check import CheckRules, SectionCheck
from geometry.placement.deviation import deviation_at
from geometry.placement.mortar.report import posed
from geometry.placement.verdict import Verdicts, judge, worst
from geometry.slabs import SlabType, padded_marks
from geometry.survey import movement_rows
from geometry.survey.points import Ints

from .plan_rules import PlanRules
from .section_plan import SectionPlan
from .turns import drives

__all__ = ["CarriedOut", "carried_out"]

_AXES = ("across", "along", "up")


@dataclass(frozen=True, eq=False)
class CarriedOut:
    """n slabs after the moves of a plan: computed, not measured. What no screw turns is as it was measured.

    Attributes
    ----------
    position, rotation : ndarray, shape (n, 3) and (n, 3, 3)
        Pose of each slab in the grid; nan where it is not known now.
    covariance : ndarray, shape (n, 6, 6)
        Of the pose: across, along, up, m, pitch, roll, yaw, rad; that of the survey, and of turning where the slab is
        touched.
    deviation, deviation_sigma : ndarray, shape (n, m, 3)
        Of each mark: across, along, up in the target's frame, m, with its standard uncertainty.
    verdict : ndarray of int8, shape (n,)
        Touched slabs by what is computed; the others keep their verdict.
    """

    position: Floats
    rotation: Floats
    covariance: Floats
    deviation: Floats
    deviation_sigma: Floats
    verdict: Verdicts

    @property
    def known(self) -> npt.NDArray[np.bool_]:
        """Slabs whose pose is known, shape (n,)."""
        return np.asarray(np.isfinite(self.position).all(axis=1))


def carried_out(
    check: SectionCheck, plan: SectionPlan, types: Sequence[SlabType], type_index: Ints, check_rules: CheckRules,
    rules: PlanRules,
) -> CarriedOut:  # fmt: skip
    """Return a section after the moves of a plan.

    Parameters
    ----------
    check : SectionCheck
        Of n slabs, as measured.
    plan : SectionPlan
        Of this check.
    types : sequence of SlabType
    type_index : ndarray of int, shape (n,)
    check_rules : CheckRules
        Tolerances and guard factor.
    rules : PlanRules
        With which the plan was made: how well screws come out.
    """
    touched, scale = plan.touched, check_rules.grid_scale
    position, rotation = (np.array(of) for of in (check.fits.position, check.fits.rotation))
    moved = posed(check.targets, plan.pose_after, scale)
    # what is not touched stays to the last digit
    position[touched], rotation[touched] = moved[0][touched], moved[1][touched]
    places = padded_marks(types)
    fits = replace(check.fits, position=position, rotation=rotation)
    computed = deviation_at(check.targets, fits, places, type_index, scale)
    deviation = np.where(touched[:, None, None], computed, check.deviation)
    moving = movement_rows(places)
    turning = drives(types, rules.step_turns, rules.turning_sigma, rules.step).covariance
    here = touched[:, None, None]
    variance = np.einsum("tkci,tij,tkcj->tkc", moving, turning, moving)[type_index] * here
    sigma = np.sqrt(check.deviation_sigma**2 + variance)
    covariance = check.fits.covariance + turning[type_index] * here
    limits = {limit.quantity: limit for limit in check_rules.tolerances}
    of_pose = [
        judge(deviation[..., axis], sigma[..., axis], limits[name], check_rules.guard).verdict
        for axis, name in enumerate(_AXES)
        if name in limits
    ]
    verdict = check.verdict if not of_pose else np.where(touched, worst(np.stack(of_pose).T), check.verdict)
    return CarriedOut(position, rotation, covariance, deviation, sigma, np.asarray(verdict, dtype=np.int8))
