"""A project with control points, and what planned set-ups on it are expected to reach."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from geometry.exchange.control_files import beside_line
from geometry.exchange.project import Project
from geometry.exchange.prospect_tables import line_of
from geometry.placement.expected_setup import SightPlan, within_range
from geometry.placement.prospect import (
    Prospect,
    prospect,
)
from geometry.placement.prospect_findings import ProspectFinding, prospect_findings
from geometry.survey.readings import Control, Instrument

__all__ = [
    "FINE",
    "GON",
    "INSTRUMENT",
    "MM",
    "PLAN",
    "PURE",
    "SECOND",
    "Floats",
    "beside",
    "candidates",
    "findings",
    "foresee",
    "pairs",
]

Floats = npt.NDArray[np.float64]
MM, SECOND, GON = 1e-3, math.radians(1 / 3600), math.pi / 200
PURE = {"ppm": 0.0, "centring": 0.0, "target_height": 0.0}
INSTRUMENT = Instrument()
FINE = SightPlan(Instrument(0.5 * SECOND, 0.5 * SECOND, 0.6 * MM, 1.0, 0.2 * MM, 0.1 * MM))
PLAN = SightPlan(Instrument(1.2 * SECOND, 0.9 * SECOND, 0.8 * MM), rounds=2.0, mark_rounds=1.5)


def beside(project: Project, distance: object, offset: object, height: object) -> Floats:
    s, right, up = np.broadcast_arrays(*(np.atleast_1d(np.asarray(v, dtype=float)) for v in (distance, offset, height)))
    return beside_line(project.alignment, s, right, up)


def pairs(project: Project, sigma: tuple[float, float, float] = (0.5 * MM, 0.4 * MM, 0.3 * MM)) -> Control:
    """Control pairs every 50 m, the left ones a little further on, at different heights."""
    at = np.arange(15.0, 1490.0, 50.0)
    xyz = np.concatenate([beside(project, at + 3.0, -4.6, 0.9), beside(project, at, 5.1, 1.3)])
    names = [f"{side}{i:02d}" for side in "LR" for i in range(len(at))]
    return Control(names, xyz, np.tile(sigma, (len(names), 1)))


def foresee(
    project: Project, position: Floats, control: Control, plan: SightPlan, room: float = 0.5,
    sighted: npt.NDArray[np.bool_] | None = None,
) -> Prospect:  # fmt: skip
    some = within_range(position, control, plan) if sighted is None else sighted
    return prospect(position, control, some, line_of(project), project.check_rules, plan, room)


def findings(
    project: Project, seen: Prospect, control: Control, plan: SightPlan, setup: int = 0
) -> dict[str, ProspectFinding]:
    told = prospect_findings(seen, control, project.layout.names, project.check_rules, plan)
    return {f.kind: f for f in told if f.setup == setup}


def candidates(project: Project) -> Floats:
    return beside(project, [330.0, 412.0, 7.0, 90.0, 700.0, 1180.0], [2.3, -2.0, 1.5, 30.0, 2.0, 0.4],
                  [1.45, 1.6, 1.5, 2.0, 0.4, 1.7])  # fmt: skip
