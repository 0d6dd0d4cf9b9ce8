"""How a correction plan is made."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["PlanRules"]


@dataclass(frozen=True)
class PlanRules:
    """How a plan is made.

    Parameters
    ----------
    step_turns : float
        The smallest part of a turn that the crew turns on purpose.
    step : float or None
        The same as a length, m, in place of a part of a turn; None for a part of a turn.
    turning_sigma : float
        Standard uncertainty with which a screw or adjuster comes out where it was meant to, m.
    time_limit : float
        When the search for a better plan, or for a proof, ends, s.
    """

    step_turns: float
    step: float | None
    turning_sigma: float
    time_limit: float
