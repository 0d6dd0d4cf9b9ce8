"""How readiness for injection is told: the terminal page and the JSON document."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.alignment import format_chainage
from geometry.exchange.bowing_tables import curl_table
from geometry.exchange.project import Project
from geometry.exchange.ready_section import ReadySection
from geometry.exchange.ready_tables import (
    common_reasons,
    reason_table,
    reason_texts,
    run_table,
    state_counts,
    stretch_table,
)
from geometry.exchange.results import CAUTIONS, Columns, made_from
from geometry.exchange.writing import table_to_records
from geometry.placement.readiness import INJECTED, NOT_READY
from viewer.bowing_page import bowed_lines, curl_lines, seen_lines
from viewer.check_page import show_list
from viewer.terminal import TableColumn, print_table

__all__ = ["READY_CAUTIONS", "age_words", "ready_document", "show_ready"]

Bools = npt.NDArray[np.bool_]
_MARKS = {"ready": "  ready", "not ready": "# not ready", "injected": "= injected"}
_STYLES = {"  ready": "green", "# not ready": "bold red", "= injected": "cyan"}
_MOST_ROWS = 40
_MOST_RANGES = 4

READY_CAUTIONS = (
    "Ready is what measurements say at their time: whoever releases the injection is the engineer whom the contract "
    "names, and the contract, the local code and the licensed surveyor decide.",
    "Press the slabs down, see that nothing floats or slides sideways, and measure again before the mortar goes in.",
    "Nobody steps on a slab, leans on it or turns a screw from the last measurement until the mortar carries.",
    "Before mass production inject a trial slab and lift it: only its underside shows whether the mortar filled.",
    "No injection into standing water, in rain, frost or heat beyond what the mortar's data sheet allows; note "
    "temperatures of air, bed and mortar.",
    "Watch level and vents while the mortar rises: a slab floats and tilts; measure it again after injection.",
    "Fresh mortar burns skin and eyes; slabs weigh tonnes: no hands under an edge, nobody under a lifted slab.",
)


def age_words(hours: float) -> str:
    """Return an age in words.

    Examples
    --------
    >>> age_words(0.5), age_words(1.0), age_words(31.2), age_words(100.0), age_words(9000.0), age_words(-40000.0)
    ('30 minutes', '1 hour', '31 hours', '4 days', '12 months', '5 years later')
    """
    if not np.isfinite(hours):
        return "unknown"
    size = abs(hours)
    # days, months and years only from two of them on: 31 hours say more than a day
    units = ((17532.0, 8766.0, "year"), (1461.0, 730.5, "month"), (48.0, 24.0, "day"), (1.0, 1.0, "hour"))
    unit, name = next(((unit, name) for least, unit, name in units if size >= least), (1 / 60, "minute"))
    count = round(size / unit)
    return f"{count} {name}{'s' * (count != 1)}{' later' if hours < 0 else ''}"


def _time(at: np.datetime64) -> str:
    return str(at.astype("datetime64[m]")).replace("T", " ")


def _age_line(project: Project, section: ReadySection, chosen: Bools) -> str:
    """Say when the chosen slabs that wait for injection were measured, and how old that is."""
    waiting = chosen & (section.readiness.state != INJECTED) & ~np.isnat(section.measured_at)
    times = section.measured_at[waiting]
    asked = f"For injection at {_time(section.at)} UTC"
    if not times.size:
        return f"{asked}; when the slabs were measured is not known."
    first, last = _time(times.min()), _time(times.max())
    last = last[11:] if first[:10] == last[:10] else last
    ages = section.readiness.age[waiting]
    youngest, oldest = (age_words(float(age)) for age in (np.nanmin(ages), np.nanmax(ages)))
    old = oldest if youngest == oldest else f"{youngest} to {oldest}"
    return (
        f"{asked}. Measured {first} to {last} UTC: {old}{'' if 'later' in old else ' old'}. Older than "
        f"{project.settings.ready.oldest_hours:g} hours is too old."
    )


def _chainages(values: npt.NDArray[np.float64]) -> list[str]:
    return [format_chainage(round(c, 1))[:-2] for c in values.tolist()]


def _ranges(names: npt.NDArray[Any], where: Bools, most: int | None) -> str:
    """Return slabs in words, those that follow each other as from and to."""
    edges = np.diff(np.concatenate([[False], where, [False]]).astype(np.int8))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    told = [
        str(names[a]) if a == b else f"{names[a]} to {names[b]}"
        for a, b in zip(first[:most].tolist(), last[:most].tolist(), strict=True)
    ]
    more = len(first) - len(told)
    return ", ".join(told) + (f" and {more} more stretch{'es' * (more > 1)}" if more > 0 else "")


def ready_document(
    project: Project, inputs: Mapping[str, str], section: ReadySection, chosen: Bools, slabs: Columns
) -> dict[str, Any]:
    """Return the whole answer as a document of plain values; `inputs` are files besides those of the project."""
    settings = project.settings.ready
    return {
        "made_from": made_from({**project.inputs, **inputs}),
        "project": project.settings.name,
        "at": np.datetime_as_string(section.at, unit="s") + "Z",
        "oldest_hours": settings.oldest_hours,
        "temperature_difference_k": section.difference,
        "looked_at": {
            "mortar_gap": section.mortar is not None,
            "correction_plan": section.plan is not None,
            "rail": section.rail_judged,
        },
        "waived": [{"what": w.what, "because": w.because} for w in settings.waived],
        "summary": state_counts(section, chosen),
        "runs": table_to_records(run_table(project, section, chosen)),
        "reasons": [
            {**entry, "where": project.layout.names[entry["where"]].tolist()} for entry in reason_table(section, chosen)
        ],
        "slabs": table_to_records(slabs),
        "curl_by_heat": [] if section.curl is None else table_to_records(curl_table(project, section.curl)),
        "cautions": [*READY_CAUTIONS, *CAUTIONS[:3]],
    }


def show_ready(project: Project, section: ReadySection, chosen: Bools, slabs: Columns, *, everything: bool) -> None:
    """Print the answer for people: what is ready from where to where, why the rest is not, and what to do."""
    counts = state_counts(section, chosen)
    notes = [_age_line(project, section, chosen)]
    if not len(run_table(project, section, chosen)["slabs"]):
        notes.append("No slab is ready.")
    print_table(
        [TableColumn("state", styles=_STYLES), TableColumn("slabs")],
        [[_MARKS[name] for name in counts], list(counts.values())],
        f"{project.settings.name}: ready for injection?", notes,
    )  # fmt: skip
    _show_runs(project, section, chosen)
    if everything:
        _show_slabs(slabs)
    else:
        _show_stretches(project, section, chosen)
    entries = reason_table(section, chosen)
    for kind, title, mark in (
        ("reason", "What to do", "!"),
        ("warning", "Warnings  (the project's settings let them hold nothing up)", "."),
    ):
        show_list(title, [(mark, text) for text in _steps(project, entries, kind)], None)
    show_list("Not looked at", [(".", line) for line in _not_looked_at(project, section)], None)
    show_list("Curl and twist of the slabs", [
        (".", line)
        for line in (
            *seen_lines(section.bowing, chosen), *bowed_lines(project, section.bowing, chosen),
            *curl_lines(project, section.curl, section.difference),
        )
    ], None)  # fmt: skip
    show_list("Mind", [(".", caution) for caution in READY_CAUTIONS], None)


def _steps(project: Project, entries: list[dict[str, Any]], kind: str) -> list[str]:
    """Return what to do, reasons with the same next step together."""
    same: dict[str, list[dict[str, Any]]] = {}
    for entry in entries:
        if entry["kind"] == kind:
            same.setdefault(entry["next_step"], []).append(entry)
    told = []
    for step, of_step in same.items():
        where = np.any([entry["where"] for entry in of_step], axis=0)
        words = ", ".join(entry["reason"] for entry in of_step)
        told.append(f"{words}: {_many(int(where.sum()))}, {_ranges(project.layout.names, where, _MOST_RANGES)}. {step}")
    return told


def _many(count: int) -> str:
    return f"{count} slab{'s' * (count != 1)}"


def _show_runs(project: Project, section: ReadySection, chosen: Bools) -> None:
    runs = run_table(project, section, chosen)
    if not len(runs["slabs"]):
        return
    sys.stdout.write("\n")
    columns = [TableColumn("from"), TableColumn("to"), TableColumn("from", "km"), TableColumn("to", "km"),
               TableColumn("slabs"), TableColumn("length", "m", 1)]  # fmt: skip
    values: list[Any] = [runs["from_slab"], runs["to_slab"], _chainages(runs["from_chainage_m"]),
                         _chainages(runs["to_chainage_m"]), runs["slabs"], runs["length_m"]]  # fmt: skip
    notes = []
    if section.mortar is not None:
        columns.append(TableColumn("mortar", "m\u00b3", 2))
        values.append(runs["mortar_m3"])
        notes.append("Mortar: volume of the gap, without losses.")
    print_table(columns, values, "Ready without a break", notes)


def _show_stretches(project: Project, section: ReadySection, chosen: Bools) -> None:
    """Print what is not ready: what all of it waits for once, the rest by neighbours with the same reasons."""
    ready = section.readiness
    waiting = chosen & (ready.state == NOT_READY)
    common = common_reasons(section, chosen)
    own = waiting & (((ready.reasons & ~common) | ready.warnings) > 0)
    if common:
        others = int((waiting & ~own).sum())
        alone = f"; {others} of them for nothing else" if others and own.any() else ""
        texts = reason_texts(np.array([common]))[0]
        show_list("Not ready", [("!", f"all {int(waiting.sum())} wait for this: {texts}{alone}")], None)
    table = stretch_table(project, section, own, common)
    total = len(table["slabs"])
    if not total:
        return
    sys.stdout.write("\n")
    table = {name: values[:_MOST_ROWS] for name, values in table.items()}
    more = [f"{total - _MOST_ROWS} more; --all shows every slab, --json has them."] if total > _MOST_ROWS else []
    several = bool((table["slabs"] > 1).any())
    values: list[Any]
    columns, values = [TableColumn("from" if several else "slab")], [table["from_slab"]]
    if several:
        columns.append(TableColumn("to"))
        values.append(np.where(table["slabs"] > 1, table["to_slab"], ""))
    columns += [TableColumn("from", "km"), *([TableColumn("slabs")] if several else []), TableColumn("why not ready")]
    values += [_chainages(table["from_chainage_m"]), *([table["slabs"]] if several else []), table["reasons"]]
    if (table["warnings"] != "").any():
        columns.append(TableColumn("warning"))
        values.append(table["warnings"])
    print_table(columns, values, "Besides" if common else "Not ready", more)


def _show_slabs(slabs: Columns) -> None:
    sys.stdout.write("\n")
    columns = [TableColumn("slab"), TableColumn("chainage", "km"), TableColumn("state", styles=_STYLES),
               TableColumn("age", "h", 1), TableColumn("why not ready")]  # fmt: skip
    values: list[Any] = [slabs["slab"], _chainages(slabs["chainage_m"]), [_MARKS[s] for s in slabs["state"].tolist()],
                         slabs["age_h"], slabs["reasons"]]  # fmt: skip
    if (slabs["warnings"] != "").any():
        columns.append(TableColumn("warning"))
        values.append(slabs["warnings"])
    print_table(columns, values, "All slabs", ["Age: of the oldest corner that counts, at the time asked for."])


def _not_looked_at(project: Project, section: ReadySection) -> list[str]:
    lines = [f"{w.what}: waived by the project, because {w.because}" for w in project.settings.ready.waived]
    if section.mortar is None:
        lines.append("bed and anchors: the project has no surveyed bed, or no limits for it, so no mortar gap is known")
    if not section.rail_judged:
        lines.append("the rail over the slabs: the project has no limits for it")
    if section.plan is None:
        lines.append("whether the correction plan moves slabs that are good by themselves")
    elif section.plan.proof.out_of_time:
        lines.append("better plans: the search ran out of time, and another plan may move other slabs")
    return lines
