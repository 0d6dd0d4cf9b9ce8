"""How a correction plan is told: the terminal page and the JSON document."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Any

import numpy as np

from geometry.alignment import format_chainage
from geometry.exchange.plan_inputs import PlanInputs
from geometry.exchange.plan_tables import (
    RuleNames,
    broken_counts,
    contradiction_words,
    left_out_words,
    slab_ranges,
    turn_text,
)
from geometry.exchange.project import Project
from geometry.exchange.results import CAUTIONS, Columns, made_from
from geometry.exchange.writing import table_to_records
from geometry.placement import SectionCheck
from geometry.placement.plan.order import WorkList
from geometry.placement.plan.rule_table import KIND_WORDS
from geometry.placement.plan.section_plan import DONE, FIXED, HELD, STANDING, SectionPlan
from viewer.check_page import show_list
from viewer.terminal import TableColumn, print_table

__all__ = ["PlanPage", "all_kept", "plan_document", "show_plan"]

_MOST = 40  # lines of a list
_AGAIN = (
    "All of a slab's moves belong together. When they are done measure the slab, and run this again with the new "
    "survey: what came out within stays, and the rest of the list follows from it."
)
_CURL = "Four marks do not show a curled slab."


@dataclass(frozen=True, eq=False)
class PlanPage:
    """Everything that the page of a plan tells.

    Attributes
    ----------
    project : Project
    check : SectionCheck
    plan : SectionPlan
    work : WorkList
    given : PlanInputs
    inputs : dict of str to str
        SHA-256 of every file read.
    """

    project: Project
    check: SectionCheck
    plan: SectionPlan
    work: WorkList
    given: PlanInputs
    inputs: dict[str, str]

    @property
    def names(self) -> RuleNames:
        """Names of rules."""
        return RuleNames(self.project, self.given.rail, self.given.mortar)


def _cautions(page: PlanPage) -> list[str]:
    # the last of the general ones says that nothing tells of the mortar gap
    return [_AGAIN, *CAUTIONS[:-1], _CURL] if page.plan.mortar_considered else [_AGAIN, *CAUTIONS]


def all_kept(page: PlanPage) -> bool:
    """Return whether every rule can be told and is kept once the plan has been carried out."""
    plan = page.plan
    return not (bool(plan.broken_after.any()) or len(plan.left_out) or plan.proof.out_of_time)


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"


def _proof_words(page: PlanPage) -> list[str]:
    plan = page.plan
    proof = plan.proof
    mm = proof.travel * 1e3
    if not proof.windows:
        return ["No rule that screws can mend is broken: nothing has to be turned."]
    kept = " that keeps all rules that can be kept together" if plan.contradictions else ""
    cut = f"{_counted(proof.windows, 'window')} of at most {_counted(proof.longest, 'slab')} that agree at their edges"
    took = f"{proof.seconds:.1f} s"
    if proof.out_of_time:
        return [f"Not finished: the time of {took} ended the search. {_counted(proof.count, 'slab')} in this plan; "
                f"rules may be left broken that a longer search would mend. --time-limit gives it more."]  # fmt: skip
    if proof.count > proof.count_bound:
        return [f"Nearly proven: no plan{kept} touches fewer than {_counted(proof.count_bound, 'slab')}; this one "
                f"touches {proof.count} (gap {proof.gap * 100:.1f} %). {cut}, {took}."]  # fmt: skip
    fewest = f"Proven: no plan{kept} touches fewer than {_counted(proof.count, 'slab')}"
    if proof.gap > 0:
        return [f"{fewest}; with as few, none needs less than {proof.travel_bound * 1e3:.2f} mm of travel, this one "
                f"{mm:.2f} mm (gap {proof.gap * 100:.1f} %). {cut}, {took}."]  # fmt: skip
    return [f"{fewest}, and with as few none needs less than {mm:.2f} mm of travel. {cut}, {took}."]


def _show_summary(page: PlanPage) -> None:
    plan, plain = page.plan, page.plan.plain
    saved = int(plain.touched.sum()) - plan.proof.count
    saves = f" The plan saves {_counted(saved, 'slab')}." if saved > 0 else ""
    sums = [
        ("slabs to touch", plan.proof.count, int(plain.touched.sum())),
        ("travel of screws and adjusters, mm", plan.proof.travel * 1e3, plain.travel * 1e3),
        ("rules still broken then", int(plan.broken_after.sum()), int(plain.broken.sum())),
    ]
    cells = [[f"{v:.2f}" if isinstance(v, float) else str(v) for v in row[1:]] for row in sums]
    settings = page.project.settings.plan
    step = f"{settings.step_mm:g} mm" if settings.step_mm else f"{turn_text(settings.step_turns or 1 / 16)[1:]} turn"
    notes = [
        *_proof_words(page),
        "Plain plan: each slab that is not within goes to its target, and so do all slabs of a joint or chord that is "
        f"still not.{saves}",
        f"Steps of {step}. A rule is kept if its value clears the limits by "
        f"{page.project.settings.decision.guard_factor:g} times its standard uncertainty; where a slab is turned, "
        f"{settings.turning_sigma_mm:g} mm at each screw is part of it.",
    ]
    print_table(
        [TableColumn("", ""), TableColumn("plan", decimals=0), TableColumn("plain plan", decimals=0)],
        [[row[0] for row in sums], [c[0] for c in cells], [c[1] for c in cells]],
        f"{page.project.settings.name}: correction plan", notes,
    )  # fmt: skip


def _chainages(values: Any) -> list[str]:
    return [format_chainage(round(c, 1))[:-2] for c in values.tolist()]


def _show_moves(work: Columns) -> None:
    """Print what to turn, slab by slab."""
    columns = [TableColumn("slab"), TableColumn("chainage", "km")]
    values: list[Any] = [work["slab"], _chainages(work["chainage_m"])]
    for kind, turns in (("lift", "turns"), ("push", "push_turns")):
        for name in [n for n in work if n.startswith(f"{kind}_") and n.endswith("_mm")]:
            drive = name.removeprefix(f"{kind}_").removesuffix("_mm")
            amount = work[name]
            columns += [TableColumn(f"{kind} {drive}", "mm", 2, sign=True), TableColumn("", "turns")]
            values += [amount, [_aligned(t) for t in work[f"{turns}_{drive}"].tolist()]]
    print_table(columns, values, "To turn, in walking order", [
        "lift + raises the slab at that screw, push + moves it to the right there; turns + raise or push right. All of "
        "a slab's screws belong together; 0: leave it.",
    ])  # fmt: skip


def _told_as(sign: str, otherwise: str) -> str:
    """Return a sign, or something else where the output does not know it."""
    try:
        sign.encode(getattr(sys.stdout, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        return otherwise
    return sign


def _aligned(turns: float) -> str:
    return "\u2013" if np.isnan(turns) else turn_text(turns)


def _show_effect(page: PlanPage) -> None:
    """Print what each move does to the joints beside the slab, and how the slab comes to lie."""
    work, names = page.work, page.project.layout.names
    joints = page.check.joints
    end, side, axis = 1e3, (0, 1), (0, 1)
    arrow = _told_as("\u2192", "to")
    lines: list[list[Any]] = []
    for i, slab in enumerate(work.slab.tolist()):
        for at in (0, 1):
            joint = int(work.joint[i, at])
            if joint < 0:
                continue
            pair = f"{names[joints.rear[joint]]}|{names[joints.front[joint]]}"
            steps = [f"{work.before[i, at, s, a] * end:+.2f} {arrow} {work.after[i, at, s, a] * end:+.2f}"
                     if np.isfinite(work.before[i, at, s, a]) else "\u2013" for a in axis for s in side]  # fmt: skip
            first = not any(line[0] == str(names[slab]) for line in lines)
            up, across = (f"{v[i] * end:+.2f} \u00b1 {u[i] * end:.2f}" if first else ""
                          for v, u in ((work.up, work.up_sigma), (work.across, work.across_sigma)))  # fmt: skip
            lines.append([str(names[slab]), up, across, pair, *steps])
    shown = [list(column) for column in zip(*lines, strict=True)]
    previous = ["", *shown[0][:-1]]
    shown[0] = [name if name != before else "" for name, before in zip(shown[0], previous, strict=True)]
    print_table(
        [TableColumn("slab"), TableColumn("then up", "mm"), TableColumn("across", "mm"), TableColumn("joint"),
         *(TableColumn(f"{what} {lr}", "mm") for what in ("level", "line") for lr in ("L", "R"))],
        shown, "What comes of it, in this order", [
            "Up and across at the worst corner once the slab is turned, \u00b1 standard uncertainty. Steps at the "
            f"joints beside it, before {arrow} after, from the rear to the front slab: + up, + right.",
        ],
    )  # fmt: skip


def _lists(page: PlanPage) -> list[tuple[str, list[tuple[str, str]]]]:
    plan, names, slabs = page.plan, page.names, page.project.layout.names
    contrary = [("!", contradiction_words(names, plan, one, slabs)) for one in plan.contradictions]
    mendless = [("!", text) for text in names.told(plan.rules, np.flatnonzero(plan.beyond_screws))]
    named = np.zeros(len(plan.rules), dtype=bool)
    for one in plan.contradictions:
        named[one.rules] = True
    left = plan.broken_after & ~plan.beyond_screws & ~named
    uncertain = names.told(plan.rules, np.flatnonzero(plan.uncertain & (plan.broken_before | plan.broken_after)))
    counts = broken_counts(plan.rules, plan.uncertain)
    doubt = [f"{count} {KIND_WORDS[kind]}" for kind, count in counts.items()]
    stay = [(".", f"{STANDING[code]}: {slab_ranges(slabs, plan.standing == code)}")
            for code in (HELD, FIXED) if (plan.standing == code).any()]  # fmt: skip
    done = plan.standing == DONE
    if done.any():
        stay.append(("!", f"{STANDING[DONE]}: {slab_ranges(slabs, done)}; joints beside them are told then"))
    return [
        ("Rules that contradict each other (somebody has to decide)", contrary),
        ("Broken, and no screw can mend it", mendless),
        ("Still broken with this plan", [("!", text) for text in names.told(plan.rules, np.flatnonzero(left))]),
        ("Guard band wider than the limits: the plain limits count",
         [("!", f"{', '.join(doubt)}{': ' if uncertain else ''}{'; '.join(uncertain)}")] if doubt else []),
        ("Not considered", [("?", text) for text in [*left_out_words(plan, slabs), *page.given.left_out]]),
        ("These slabs stay", stay),
    ]  # fmt: skip


def show_plan(page: PlanPage, work: Columns, *, everything: bool) -> None:
    """Print the plan for people."""
    _show_summary(page)
    if len(page.work.slab):
        sys.stdout.write("\n")
        _show_moves(work)
        sys.stdout.write("\n")
        _show_effect(page)
    most = None if everything else _MOST
    for title, lines in _lists(page):
        show_list(title, lines, most)
    show_list("Mind", [(".", caution) for caution in _cautions(page)], None)


def plan_document(page: PlanPage, slabs: Columns, work: Columns) -> dict[str, Any]:
    """Return the whole plan as a document of plain values."""
    plan, names = page.plan, page.names
    proof = plan.proof
    layout = page.project.layout.names
    return {
        "made_from": made_from(page.inputs),
        "project": page.project.settings.name,
        "plan": {
            "slabs_touched": proof.count,
            "slabs_touched_bound": proof.count_bound,
            "travel_mm": proof.travel * 1e3,
            "travel_bound_mm": proof.travel_bound * 1e3,
            "gap_percent": proof.gap * 100,
            "proven": proof.gap == 0 and not proof.out_of_time,
            "windows": proof.windows,
            "longest_window_slabs": proof.longest,
            "out_of_time": proof.out_of_time,
            "seconds": proof.seconds,
            "rules": len(plan.rules),
            "rules_broken_before": broken_counts(plan.rules, plan.broken_before),
            "rules_broken_after": broken_counts(plan.rules, plan.broken_after),
        },
        "plain_plan": {
            "slabs_touched": int(plan.plain.touched.sum()),
            "travel_mm": plan.plain.travel * 1e3,
            "rules_broken_after": broken_counts(plan.rules, plan.plain.broken),
            "slabs": layout[plan.plain.touched].tolist(),
        },
        "slabs": table_to_records(slabs),
        "work": table_to_records(work),
        "contradictions": [
            {
                "text": contradiction_words(names, plan, one, layout),
                "rules": names.told(plan.rules, one.rules),
                "slabs_that_stay": layout[one.standing].tolist(),
                "by_steps": one.by_steps,
            }
            for one in plan.contradictions
        ],
        "beyond_screws": names.told(plan.rules, np.flatnonzero(plan.beyond_screws)),
        "too_uncertain": broken_counts(plan.rules, plan.uncertain),
        "not_considered": [*left_out_words(plan, layout), *page.given.left_out],
        "mortar_considered": plan.mortar_considered,
        "rail_considered": plan.rail_considered,
        "cautions": _cautions(page),
    }
