"""How the plan of the fasteners is told: the terminal page for the crew, and the JSON document."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.alignment import format_chainage
from geometry.exchange.fastener_settings import FastenerSettings
from geometry.exchange.fastener_tables import Laid, changed_table, order_table, shortfall_table, work_table
from geometry.exchange.project import Project
from geometry.exchange.rail_tables import limit_table
from geometry.exchange.results import CAUTIONS, Columns, made_from
from geometry.exchange.writing import table_to_records
from geometry.placement.rail.fasteners import FastenerPlan
from geometry.placement.rail.forecast import RailForecast
from geometry.placement.verdict import NOT_MEASURED, OUT, UNDECIDED, WITHIN
from viewer.check_page import show_list
from viewer.terminal import TableColumn, print_table

__all__ = ["FastenerPage", "all_kept", "fastener_document", "show_fasteners"]

Bools = npt.NDArray[np.bool_]
_POSES = {"built": "slabs as built", "target": "slabs on their targets", "given": "slabs as planned"}
_MOST_SHORTFALLS = 30
_MOST_WORK = 60
_SUM_CERTAIN = 0.99  # a sum as near to its bound as this needs no word
_CAUTIONS = (
    CAUTIONS[0],
    "Open no more fasteners in a row than the rules of the track allow, and mind the stress in a welded rail.",
    "Pads, clips and the rail's own bending even out part of a shim: fasten, measure the rail, then judge it.",
    "Seats that nobody measured on the slab, and slabs that settle, are in no plan.",
)


@dataclass(frozen=True, eq=False)
class FastenerPage:
    """What is told: the plan, the rail after it, the pieces, the slabs asked for, (n,), and whose poses they are."""

    project: Project
    settings: FastenerSettings
    plan: FastenerPlan
    after: RailForecast
    laid: Laid
    slabs: Bools
    poses: str
    inputs: dict[str, str]

    @property
    def chosen(self) -> Bools:
        """Seats of the slabs asked for, shape (s,)."""
        return np.asarray(self.slabs[self.after.seats.slab])


def all_kept(page: FastenerPage) -> bool:
    """Return whether the rail after the plan keeps every limit wherever there is room, and is not bent too far."""
    verdicts = [told.verdict[page.chosen] for told in page.after.limits if np.isfinite(told.limit.high)]
    bad = (OUT, UNDECIDED, NOT_MEASURED)
    return page.plan.keeps_all and all((one == WITHIN).any() and not np.isin(one, bad).any() for one in verdicts)


def _unmeasured(page: FastenerPage) -> list[str]:
    """Return the slabs asked for whose seats have no place, in walking order."""
    seats = page.after.seats
    absent = np.unique(seats.slab[page.chosen & ~page.plan.measured])
    parts = np.split(absent, np.flatnonzero(np.diff(absent) != 1) + 1) if absent.size else []
    names = page.project.layout.names
    return [str(names[p[0]]) if len(p) == 1 else f"{names[p[0]]} to {names[p[-1]]}" for p in parts]


def _stiffness(page: FastenerPage) -> list[dict[str, Any]]:
    s = page.settings
    spring = (s.pad_kn_per_mm, s.lateral_kn_per_mm)
    hold = (s.hold_kn, s.lateral_hold_kn)
    return [
        {
            "direction": name,
            "bending_stiffness_mn_m2": rule.beam.bending / 1e6,
            "seat_spring_kn_per_mm": spring[i],
            "hold_kn": hold[i],
            "largest_kink_mrad": rule.kink * 1e3,
            "seat_spacing_m": rule.spacing,
            "largest_second_difference_mm": rule.second_difference * 1e3,
        }
        for i, (name, rule) in enumerate(zip(("height", "sideways"), page.plan.kinks, strict=True))
    ]


def fastener_document(page: FastenerPage) -> dict[str, Any]:
    """Return the whole answer as a document of plain values."""
    project, plan, chosen = page.project, page.plan, page.chosen
    return {
        "made_from": made_from(page.inputs),
        "project": project.settings.name,
        "poses": _POSES[page.poses],
        "decision_rule": {
            "rule": "JCGM 106:2012 guard band on both sides of each limit",
            "guard_factor": project.settings.decision.guard_factor,
        },
        "fastener_source": page.settings.source,
        "summary": {
            "fasteners": 2 * int(chosen.sum()),
            "changed": plan.opened,
            "changed_at_least": plan.opened_bound,
            "gap_percent": plan.gap * 100 if plan.excess_proven else None,
            "adjusted_sum_mm": plan.moved * 1e3,
            "adjusted_sum_at_least_mm": plan.moved_bound * 1e3 if plan.gap == 0 else None,
            "missed_sum_at_least_mm": plan.excess_bound * 1e3,
            "all_planned_limits_kept": plan.keeps_all,
            "finished_in_time": plan.finished,
            "windows": plan.windows,
            "windows_cut": plan.cut,
            "search_s": plan.seconds,
            "fewest_shims_to_order": page.laid.could_order,
            "bases_out": page.laid.bases_out,
        },
        "stiffness": _stiffness(page),
        "considered": [
            {"limit": k.words, "values": k.considered, "not_measured": k.left_out, "narrower_than_guard": k.narrow}
            for k in plan.kept
        ],
        "limits_before": table_to_records(limit_table(project, plan.forecast, chosen)),
        "limits_after": table_to_records(limit_table(project, page.after, chosen)),
        "not_kept": table_to_records(shortfall_table(project, plan)),
        "not_measured": _unmeasured(page),
        "fasteners": table_to_records(changed_table(project, page.settings, plan, page.laid, page.after)),
        "work": table_to_records(work_table(project, page.settings, plan, page.laid)),
        "pieces": table_to_records(order_table(page.settings, page.laid)),
        "cautions": list(_CAUTIONS),
    }


def show_fasteners(page: FastenerPage, *, everything: bool) -> None:
    """Print the answer for people: the rail before and after, the work in walking order, the pieces."""
    _show_limits(page)
    _show_shortfalls(page)
    absent = _unmeasured(page)
    lost = sum(k.left_out for k in page.plan.kept)
    show_list("Not measured, or with a survey that contradicts itself: left as they are", [
        (".", f"{', '.join(absent)}. {lost:,} values of limits that reach over them are not looked after."),
    ] if absent else [], None)  # fmt: skip
    _show_work(page, everything=everything)
    _show_pieces(page)
    show_list("The rail is a beam", [(".", line) for line in _beam_lines(page)], None)
    show_list("Mind", [(".", caution) for caution in _CAUTIONS], None)


def _many(count: int, word: str) -> str:
    return f"{count:,} {word}{'' if count == 1 else 's'}"


def _proof(page: FastenerPage) -> str:
    """Say how many fasteners are opened, and what is proven of that."""
    plan = page.plan
    told = f"{plan.opened:,} of {2 * int(page.chosen.sum()):,} fasteners are opened, left and right counted each"
    near = "keeps the limits" if plan.excess_bound == 0 else "comes as near to the limits"
    if not plan.opened:
        return f"No fastener has to be opened of {2 * int(page.chosen.sum()):,}."
    if not plan.finished:
        return f"{told}. Time ran out before every limit was looked after: give it more with --most-seconds."
    if not plan.excess_proven:
        proof = "not proven: limits may be missed by less than here"
    elif plan.gap == 0:
        proof = f"proven: no plan with fewer {near}"
    else:
        proof = f"not proven to be the fewest: at least {plan.opened_bound:,}, a gap of {plan.gap * 100:.1f} percent"
    pieces = " Long parts were cut into windows and their seams mended." if plan.cut else ""
    least = plan.moved_bound * 1e3
    moved = f"{plan.moved * 1e3:g}\u00a0mm"
    if plan.gap == 0 and least < plan.moved * 1e3 * _SUM_CERTAIN:
        moved += f", and at least {least:.1f}\u00a0mm"
    return f"{told}; {proof}. All adjustments together: {moved}.{pieces}"


def _limit_texts(table: Columns) -> list[str]:
    pairs = zip(np.round(table["low_mm"], 3).tolist(), np.round(table["high_mm"], 3).tolist(), strict=True)
    return [f"{high:g}" if low == -high else f"{low:g} to {high:g}" for low, high in pairs]


def _show_limits(page: FastenerPage) -> None:
    chosen, plan = page.chosen, page.plan
    before, after = (limit_table(page.project, f, chosen) for f in (plan.forecast, page.after))
    planned = np.array([told.limit.band is None for told in page.after.limits])
    names = [text if mine else f"{text} *" for text, mine in zip(before["limit"].tolist(), planned, strict=True)]
    columns = [TableColumn("limit"), TableColumn("\u00b1", "mm")]
    values: list[Any] = [names, _limit_texts(before)]
    for word, table in (("before", before), ("after", after)):
        columns += [TableColumn(f"out {word}"), TableColumn(f"undecided {word}"),
                    TableColumn(f"worst {word}", "mm", 2, sign=True)]  # fmt: skip
        values += [table["out"], table["undecided"], table["worst_mm"]]
    columns.append(TableColumn("not measured"))
    values.append(after["not_measured"])
    guard = page.project.settings.decision.guard_factor
    narrow = sum(k.narrow for k in plan.kept)
    notes = [
        f"A value counts as inside or outside only if it is so by {guard:g} times its standard uncertainty; the plan "
        "aims at its limits by that too.",
        _proof(page),
    ]
    if not planned.all():
        notes.insert(1, "* Ranges of wavelengths are told, not planned for.")
    if narrow:
        notes.append(f"{_many(narrow, 'value')} with more uncertainty than the limits leave: held to the bare limits, "
                     "and undecided whatever is done.")  # fmt: skip
    if any(k.limit is not None and k.limit.quantity == "gauge" for k in plan.kept):
        notes.append("Where gauge is not measured the seats count as designed, and the plan keeps its own change of "
                     "gauge within the limit.")  # fmt: skip
    title = f"{page.project.settings.name}: fasteners, {_POSES[page.poses]}"
    print_table(columns, values, title, notes)


def _show_shortfalls(page: FastenerPage) -> None:
    table = shortfall_table(page.project, page.plan)
    if not len(table["limit"]):
        return
    worst = np.sort(np.argsort(-table["excess_mm"], kind="stable")[:_MOST_SHORTFALLS])
    shown = {name: values[worst] for name, values in table.items()}
    sys.stdout.write("\n")
    first, last, at = (
        [f"{slab} {seat}" for slab, seat in zip(shown[f"{end}_slab"], shown[f"{end}_seat"], strict=True)]
        for end in ("from", "to", "worst")
    )
    columns = [TableColumn("limit"), TableColumn("rail"), TableColumn("from"), TableColumn("to"),
               TableColumn("most beyond", "mm", 2), TableColumn("at")]  # fmt: skip
    more = len(table["limit"]) - len(worst)
    left = f" The {len(worst)} that are furthest beyond; {more} more are in --json." if more else ""
    print_table(
        columns,
        [shown["limit"], shown["rail"], first, ["" if a == b else b for a, b in zip(first, last, strict=True)],
         shown["excess_mm"], at],
        "What the fasteners cannot mend" if page.plan.excess_proven else "What this plan does not mend",
        [f"Slab and number of the seat from its rear; beyond the limit less its guard band.{left}"],
    )  # fmt: skip


def _show_work(page: FastenerPage, *, everything: bool) -> None:
    table = work_table(page.project, page.settings, page.plan, page.laid)
    size = len(table["slab"])
    if not size:
        return
    sys.stdout.write("\n")
    shown = table if everything else {name: values[:_MOST_WORK] for name, values in table.items()}
    slabs = shown["slab"].tolist()
    # the name once for each slab, so that a slab's work stands together
    new = [i == 0 or slabs[i - 1] != name for i, name in enumerate(slabs)]
    kilometres = [format_chainage(round(c, 1))[:-2] for c in shown["chainage_m"].tolist()]
    decimals = 1 if float(page.settings.step_mm * 10).is_integer() else 2
    lift = [f"{mm:+.{decimals}f}" if mm else "" for mm in shown["shim_mm"].tolist()]
    sideways = [f"{text.split()[0]} to the {text.split()[1]}" if text else "" for text in shown["sideways"].tolist()]
    notes = [
        "Seats are numbered from the rear of the slab, and each of them gets the same; left and right looking forward.",
        _base_line(page.settings),
    ]
    if size > len(slabs):
        notes.insert(0, f"{_many(size - len(slabs), 'more row')}: --all shows them, --csv and --json have them.")
    print_table(
        [TableColumn("slab"), TableColumn("chainage", "km"), TableColumn("seats"), TableColumn("rail"),
         TableColumn("up", "mm"), TableColumn("pieces under the rail", "mm"), TableColumn("sideways", "mm")],
        [
            [name if first else "" for name, first in zip(slabs, new, strict=True)],
            kilometres,
            [f"{a}" if a == b else f"{a} to {b}" for a, b in zip(shown["from_seat"], shown["to_seat"], strict=True)],
            shown["rail"], lift, shown["pieces"], sideways,
        ],
        "Work in walking order", notes,
    )  # fmt: skip


def _base_line(settings: FastenerSettings) -> str:
    base = f" on top of the base of {settings.base_mm:g} mm, or in its place where it says so" if settings.base_mm \
        else ""  # fmt: skip
    return f"Pieces lie under the rail{base}. Up + lifts the rail; sideways it moves as far as it says, by a pair of " \
        "guides."  # fmt: skip


def _show_pieces(page: FastenerPage) -> None:
    table = order_table(page.settings, page.laid)
    if not len(table["piece"]):
        return
    sys.stdout.write("\n")
    notes = []
    if page.laid.bases_out:
        notes.append(f"{_many(page.laid.bases_out, 'base')} of {page.settings.base_mm:g} mm come out.")
    short, could = int(page.laid.shims.short.sum()), page.laid.could_order
    if could is not None and could < short:
        notes.append(f"Other stacks of the same heights would do with {_many(could, 'shim')} ordered, not {short:,}, "
                     "at the price of more pieces on a seat.")  # fmt: skip
    print_table(
        [TableColumn("piece"), TableColumn("size", "mm", 2), TableColumn("needed"), TableColumn("in stock"),
         TableColumn("to order")],
        [table["piece"], table["size_mm"], table["needed"], table["in_stock"], table["to_order"]],
        "Pieces", notes,
    )  # fmt: skip


def _beam_lines(page: FastenerPage) -> list[str]:
    lines = []
    for name, told in zip(("In height", "Sideways"), _stiffness(page), strict=True):
        lines.append(
            f"{name} a seat may stand {told['largest_second_difference_mm'] / 2:.2f} mm out of the line of its "
            f"neighbours, {told['seat_spacing_m']:.2f} m apart, and the slope may change by "
            f"{told['largest_kink_mrad']:.2f} mrad: EI {told['bending_stiffness_mn_m2']:.2f} MN m\u00b2, "
            f"{told['seat_spring_kn_per_mm']:g} kN/mm and a hold of {told['hold_kn']:g} kN at each seat."
        )
    return [
        *lines,
        "From the theorem of three moments on springs: beyond it the rail would not lie on all its seats. It is held "
        "by the likeliest values, without a guard band.",
    ]
