"""Correction plans as tables and words."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.alignment import format_chainage
from geometry.placement import SectionCheck
from geometry.placement.plan.order import WorkList
from geometry.placement.plan.rail_rules import CarriedRail
from geometry.placement.plan.rule_table import KIND_WORDS, KINDS, RuleTable
from geometry.placement.plan.rules import MortarRules
from geometry.placement.plan.section_plan import (
    DONE,
    DOUBTFUL,
    STANDING,
    UNKNOWN,
    Contradiction,
    SectionPlan,
)
from geometry.slabs import Fitting
from geometry.survey.points import Ints

from .project import Project
from .results import Columns

__all__ = [
    "RuleNames",
    "broken_counts",
    "contradiction_words",
    "left_out_words",
    "plan_table",
    "slab_ranges",
    "turn_text",
    "work_table",
]

_SIDES = ("left", "right")
_JOINT_KINDS = ("step_level", "step_line", "gap")
_FINEST = 64  # parts of a turn that are told as a fraction


def turn_text(turns: float) -> str:
    """Return turns with their sign, as a fraction where they are whole parts.

    Examples
    --------
    >>> turn_text(-0.6875), turn_text(1.25), turn_text(0.0), turn_text(0.213)
    ('-11/16', '+1 1/4', '0', '+0.21')
    """
    if np.isnan(turns):
        return ""
    part = Fraction(turns).limit_denominator(_FINEST)
    if part.denominator & (part.denominator - 1) or abs(float(part) - turns) > 1e-6:
        return f"{turns:+.2f}"
    whole, rest = divmod(abs(part), 1)
    told = " ".join(str(value) for value in (whole, rest) if value)
    return ("-" if part < 0 else "+") + told if told else "0"


def _mm(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.asarray(values * 1e3 + 0.0)


def _per_rule(table: RuleTable, which: npt.NDArray[np.bool_], slabs: int) -> npt.NDArray[np.intp]:
    """Return how many of some rules each slab has a share in, shape (n,)."""
    rows = table.rows[np.flatnonzero(which)]
    rule = np.repeat(np.arange(rows.shape[0]), np.diff(rows.indptr))
    pairs = np.unique(rule.astype(np.int64) * slabs + rows.indices // 6)
    return np.bincount(pairs % slabs, minlength=slabs)


def _named(fittings: Sequence[Fitting], kinds: Ints, values: npt.NDArray[Any], name: str, unit: str) -> Columns:
    names = list(dict.fromkeys(one for fitting in fittings for one in fitting.names))
    found: Columns = {}
    for one in names:
        column = np.array([f.names.index(one) if one in f.names else -1 for f in fittings])[kinds]
        taken = np.take_along_axis(values, np.maximum(column, 0)[:, None], 1)[:, 0]
        found[f"{name}_{one}{unit}"] = np.where(column >= 0, taken, np.nan)
    return found


def plan_table(project: Project, check: SectionCheck, plan: SectionPlan) -> Columns:
    """Return one row per slab: whether it is touched, what turns, and what comes of it."""
    kinds, n = project.layout.type_index, len(plan.touched)
    table: Columns = {
        "slab": project.layout.names,
        "chainage_m": project.chainage,
        "standing": np.array(STANDING, dtype=object)[plan.standing],
        "touched": plan.touched,
    }
    screws, adjusters = [t.screws for t in project.types], [t.adjusters for t in project.types]
    table |= _named(screws, kinds, _mm(plan.lift), "lift", "_mm") | _named(screws, kinds, plan.turns, "turns", "")
    table |= _named(adjusters, kinds, _mm(plan.push), "push", "_mm")
    table |= _named(adjusters, kinds, plan.push_turns, "push_turns", "")
    for i, name in enumerate(("across_mm", "along_mm", "up_mm", "pitch_mrad", "roll_mrad", "yaw_mrad")):
        quantity, unit = name.rsplit("_", 1)
        table[f"move_{name}"] = _mm(plan.move[:, i])
        table[name] = _mm(check.pose[:, i])
        table[f"{quantity}_after_{unit}"] = _mm(plan.pose_after[:, i])
        table[f"{quantity}_after_sigma_{unit}"] = _mm(plan.pose_after_sigma[:, i])
    table["plane_error_mm"] = _mm(plan.plane_error)
    for name, which in (("before", plan.broken_before), ("after", plan.broken_after)):
        table[f"rules_broken_{name}"] = _per_rule(plan.rules, which, n)
    return table


def work_table(project: Project, plan: SectionPlan, work: WorkList) -> Columns:
    """Return one row per slab to be moved, in walking order."""
    slab, kinds = work.slab, project.layout.type_index[work.slab]
    screws, adjusters = [t.screws for t in project.types], [t.adjusters for t in project.types]
    table: Columns = {
        "order": np.arange(1, len(slab) + 1),
        "slab": project.layout.names[slab],
        "chainage_m": project.chainage[slab],
    }
    for fittings, amount, turns, name in (
        (screws, plan.lift, plan.turns, "lift"), (adjusters, plan.push, plan.push_turns, "push"),
    ):  # fmt: skip
        turn_name = "turns" if name == "lift" else "push_turns"
        table |= _named(fittings, kinds, _mm(amount[slab]), name, "_mm")
        table |= _named(fittings, kinds, turns[slab], turn_name, "")
    for end, rail in ((0, "rear"), (1, "front")):
        for axis, quantity in ((0, "step_level"), (1, "step_line")):
            for side, text in enumerate(_SIDES):
                for name, values in (("before", work.before), ("after", work.after)):
                    table[f"{rail}_{quantity}_{text}_{name}_mm"] = _mm(values[:, end, side, axis])
    for name in ("across", "up"):
        table[f"{name}_expected_mm"] = _mm(getattr(work, name))
        table[f"{name}_expected_sigma_mm"] = _mm(getattr(work, f"{name}_sigma"))
    return table


class RuleNames:
    """Names of rules in words.

    Parameters
    ----------
    project : Project
    rail : CarriedRail, optional
    mortar : MortarRules, optional
        What the rules were made with.
    """

    def __init__(self, project: Project, rail: CarriedRail | None, mortar: MortarRules | None) -> None:
        self._project, self._rail, self._mortar = project, rail, mortar
        self._names = project.layout.names

    def limits(self, table: RuleTable, rule: int) -> str:
        """Return the limits of a rule."""
        low, high = (float(round(limit[rule] * 1e3, 6)) for limit in (table.low, table.high))
        if low == -high:
            return f"\u00b1{high:g} mm"
        if np.isinf(high):
            return f"at least {low:g} mm"
        return f"at most {high:g} mm" if np.isinf(low) else f"{low:g} to {high:g} mm"

    def where(self, table: RuleTable, rule: int) -> str:
        """Return which slab, joint or rail a rule is for, without its place on it."""
        kind, rear, front = KINDS[table.kind[rule]], int(table.rear[rule]), int(table.front[rule])
        one, other = str(self._names[rear]), str(self._names[front])
        if kind.startswith("rail"):
            return f"{one} to {other}" if one != other else one
        return one if one == other else f"{one}|{other}"

    def place(self, table: RuleTable, rule: int) -> str:
        """Return the place of a rule on its slab, joint or rail."""
        kind, place = KINDS[table.kind[rule]], int(table.place[rule])
        if kind in _JOINT_KINDS:
            return _SIDES[place]
        if kind == "gap_difference":
            return ""
        if kind.startswith("rail"):
            assert self._rail is not None  # rules of a rail were made with it
            seat, side = divmod(place, 2)
            at = float(self._project.count.to_chainage(self._rail.seats.distance[seat]))
            return f"{_SIDES[side]} rail at {format_chainage(round(at, 1))[:-2]}"
        if kind == "mortar_gap":
            assert self._mortar is not None  # rules of the mortar were made with it
            across, along = self._mortar.places.place[place].tolist()
            return f"{across:+.1f} m across, {along:+.1f} m along"
        marks = self._project.types[int(self._project.layout.type_index[table.rear[rule]])].marks
        return marks.names[place]

    def kind(self, table: RuleTable, rule: int) -> str:
        """Return what a rule is for."""
        if KINDS[table.kind[rule]].startswith("rail"):
            assert self._rail is not None
            return f"rail {self._rail.limits[int(table.limit[rule])].words}"
        return KIND_WORDS[KINDS[table.kind[rule]]]

    def told(self, table: RuleTable, rules: Ints) -> list[str]:
        """Return rules in words, those of one kind, place and limit together."""
        groups: dict[tuple[str, str, str], list[str]] = {}
        for rule in rules.tolist():
            key = (self.where(table, rule), self.kind(table, rule), self.limits(table, rule))
            groups.setdefault(key, []).append(self.place(table, rule))
        told = []
        for (where, kind, limits), places in groups.items():
            at = ", ".join(dict.fromkeys(place for place in places if place))
            told.append(f"{where} {kind} {limits}" + (f" ({at})" if at else ""))
        return told


def contradiction_words(names: RuleNames, plan: SectionPlan, one: Contradiction, slabs: npt.NDArray[Any]) -> str:
    """Return rules that contradict each other, and which slabs in them stand fast."""
    parts = names.told(plan.rules, one.rules)
    parts += [f"{slabs[s]}: {STANDING[plan.standing[s]]}" for s in one.standing.tolist()]
    if one.by_steps:
        parts.append("screws turn in whole steps")
    elif len(np.unique(plan.rules.subjects(one.rules))) == 1 and not one.standing.size:
        # one slab or joint contradicts nothing but what its screws can do
        parts.append("screws and adjusters reach no further")
    return "; ".join(parts)


def broken_counts(table: RuleTable, which: npt.NDArray[np.bool_]) -> dict[str, int]:
    """Return how many of some rules there are of each kind."""
    counts = np.bincount(table.kind[which], minlength=len(KINDS))
    return {KINDS[i]: int(count) for i, count in enumerate(counts) if count}


def slab_ranges(names: npt.NDArray[Any], which: npt.NDArray[np.bool_]) -> str:
    """Return names of slabs, those that follow each other as from and to.

    Examples
    --------
    >>> slab_ranges(np.array(["A1", "A2", "A3", "A4"]), np.array([True, True, False, True]))
    'A1 to A2, A4'
    """
    rows = np.flatnonzero(which)
    parts = np.split(rows, np.flatnonzero(np.diff(rows) != 1) + 1)
    return ", ".join(str(names[p[0]]) if len(p) == 1 else f"{names[p[0]]} to {names[p[-1]]}" for p in parts if len(p))


def left_out_words(plan: SectionPlan, names: npt.NDArray[Any]) -> list[str]:
    """Return which rules were left out for which slabs, in words, a line for each reason."""
    rows = plan.left_out.rows
    told = []
    for standing in (UNKNOWN, DOUBTFUL, DONE):
        slabs = plan.standing == standing
        touched = np.asarray(abs(rows) @ np.repeat(slabs, 6).astype(np.float64)) > 0
        counts = broken_counts(plan.left_out, touched)
        if counts:
            rules = ", ".join(f"{count} {KIND_WORDS[kind]}" for kind, count in counts.items())
            told.append(f"{STANDING[standing]}: {slab_ranges(names, slabs)}, so {rules} cannot be told")
    return told
