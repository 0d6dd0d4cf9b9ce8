"""What a project file says of correction plans."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from geometry.placement.plan.plan_rules import PlanRules

from .settings_parts import NotNegative, Part, Positive

__all__ = ["PlanSettings"]


class PlanSettings(Part):
    """How finely a crew turns screws and adjusters, how well they come out, and how long to search for a plan.

    ``step_turns`` is the part of a turn that the crew turns on purpose, and ``step_mm`` the same as a length: either
    one. ``turning_sigma_mm`` is the standard uncertainty with which a screw comes out where it was meant to.
    """

    step_turns: Annotated[float, Field(gt=0, le=1)] | None = None
    step_mm: Positive | None = None
    turning_sigma_mm: NotNegative = 0.15
    time_limit_s: Annotated[float, Field(gt=0, le=3600)] = 30.0

    @model_validator(mode="after")
    def _one_step(self) -> Self:
        if self.step_turns is not None and self.step_mm is not None:
            raise ValueError(f"either step_turns or step_mm, found {self.step_turns:g} and {self.step_mm:g}")
        return self

    def rules(self, seconds: float | None = None) -> PlanRules:
        """Return how a plan is made, `seconds` in place of the time limit; a step is 1/16 turn if nothing is given."""
        return PlanRules(
            self.step_turns or 1 / 16,
            None if self.step_mm is None else self.step_mm / 1e3,
            self.turning_sigma_mm / 1e3,
            self.time_limit_s if seconds is None else seconds,
        )
