"""The command that tells what planned set-ups can decide: its page and its JSON document."""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import numpy as np

from geometry.alignment import format_chainage
from geometry.exchange.project import open_project
from geometry.exchange.prospect_tables import PROSPECT_DECIMALS
from geometry.exchange.results import CAUTIONS, Columns, made_from
from geometry.exchange.writing import table_to_records
from geometry.placement import JOINT_QUANTITIES, QUANTITY_WORDS, SLAB_QUANTITIES, Tolerance
from geometry.placement.prospect import DECIDABLE, NARROW, NONE, UNDECIDABLE
from geometry.survey.reliability import FACTOR_95
from viewer.check_page import show_list
from viewer.cli.options import NOT_ALL_WITHIN, OK
from viewer.planning import Planned, control_path, planned_setups
from viewer.running import kept, out, to_reader, warn
from viewer.terminal import Progress, TableColumn, print_table

__all__ = ["prospect_document", "run_plan_setup", "show_prospect"]

_MARKS = {"decidable": "  decidable", "narrow": "~ narrow", "undecidable": "# undecidable"}
_STYLES = {"  decidable": "green", "~ narrow": "yellow", "# undecidable": "bold red"}
_MOST_POSITIONS = 20


def run_plan_setup(
    project: Path, csv_file: Path | None, json_file: Path | None, corner_file: Path | None,
    position_file: Path | None, **options: Any,
) -> int:  # fmt: skip
    """Tell what planned set-ups can decide."""
    read = [control_path(project, options["control"]), *filter(None, [options["candidates"]])]
    files = kept(project, read, (csv_file, json_file, corner_file, position_file))
    with Progress("planning"):
        planned = planned_setups(open_project(project), options)
        tables = planned.tables()
    warn((*planned.project.warnings, *planned.warnings))
    document = prospect_document(planned, tables)
    terminal = out(tables["slabs"], document, csv_file, json_file, files, PROSPECT_DECIMALS)
    for file, key in ((corner_file, "corners"), (position_file, "positions")):
        if file is not None:
            out(tables[key], document, file, None, files, PROSPECT_DECIMALS)
    with to_reader() if terminal else nullcontext():
        if terminal:
            show_prospect(planned, tables)
    return OK if planned.seen.reach_length[planned.seen.ranking[0]] > 0 else NOT_ALL_WITHIN


def prospect_document(planned: Planned, tables: Mapping[str, Columns]) -> dict[str, Any]:
    """Return the whole answer as a document of plain values."""
    project = planned.project
    covariance = planned.seen.setups.covariance
    return {
        "made_from": made_from({**project.inputs, **planned.inputs}),
        "project": project.settings.name,
        "decision_rule": {
            "rule": "JCGM 106:2012 guard band on both sides of each limit",
            "guard_factor": project.settings.decision.guard_factor,
            "left_percent": planned.room * 100,
        },
        "tolerances": [
            {"quantity": t.quantity, "low_mm": t.low * 1e3, "high_mm": t.high * 1e3, "source": t.source}
            for t in project.check_rules.tolerances
        ],
        "assumptions": list(planned.granted),
        **{key: table_to_records(table) for key, table in tables.items()},
        "covariances": [
            {"setup": planned.names[i], "easting_northing_level_m_orientation_rad": covariance[i]}
            for i in planned.seen.ranking.tolist()
        ],
        "findings": [
            {"setup": planned.names[f.setup], "kind": f.kind, "text": f.text, "weak": f.weak} for f in planned.findings
        ],
        "cautions": list(CAUTIONS),
    }


def show_prospect(planned: Planned, tables: Mapping[str, Columns]) -> None:
    """Print the answer for people: the positions, then the best of them with its slabs and what to mind."""
    seen = planned.seen
    best = int(seen.ranking[0])
    name = planned.names[best]
    _show_positions(planned, tables["positions"])
    if len(np.flatnonzero(seen.setup == best)):
        sys.stdout.write("\n")
        _show_tolerances(planned, best, name)
        sys.stdout.write("\n")
        _show_slabs(tables["slabs"], name)
    several = f" of {name}, the best position" if len(planned.names) > 1 else ""
    show_list(f"Known beforehand{several}  (! weak)", [
        ("!" if f.weak else ".", f.text) for f in planned.findings if f.setup == best
    ], None)  # fmt: skip
    show_list("Taken for granted", [(".", text) for text in planned.granted], None)
    show_list("Mind", [(".", "Expected from geometry alone: nothing was measured yet, and no blunder is in it."),
                       (".", CAUTIONS[0])], None)  # fmt: skip


def _kilometres(values: Any) -> list[str | None]:
    """Return chainages to 0.1 m: enough to walk there."""
    return [None if math.isnan(value) else format_chainage(round(value, 1))[:-2] for value in values.tolist()]


def _show_positions(planned: Planned, table: Columns) -> None:
    shown = {key: values[:_MOST_POSITIONS] for key, values in table.items()}
    more = len(table["setup"]) - len(shown["setup"])
    left = [f"{more} more positions are in --positions and --json."] if more else []
    columns = [
        TableColumn("position"), TableColumn("chainage", "km"), TableColumn("offset", "m", 2, sign=True),
        TableColumn("height", "m", 2, sign=True), TableColumn("control points"), TableColumn("within", "deg", 0),
        TableColumn("least check", "", 2), TableColumn("easting \u00b1\u00a0u", "mm", 2),
        TableColumn("northing \u00b1\u00a0u", "mm", 2), TableColumn("level \u00b1\u00a0u", "mm", 2),
        TableColumn("turn \u00b1\u00a0u", '"', 1),
    ]  # fmt: skip
    keys = ("offset_m", "height_m", "control_points", "control_sector_deg", "least_checked", "sigma_easting_mm",
            "sigma_northing_mm", "sigma_level_mm", "orientation_sigma_arcsec")  # fmt: skip
    several = ", the best first" if len(table["setup"]) > 1 else ""
    values: list[Any] = [shown["setup"], _kilometres(shown["chainage_m"]), *(shown[key] for key in keys)]
    print_table(
        columns, values,
        f"{planned.project.settings.name}: planned set-ups{several}",
        ["offset + to the right of the line, height over the profile; within: sector that holds all control points; "
         "least check: part of an error in the least checked sight that the others show; u: standard uncertainty.",
         *_ellipse(table)],
    )  # fmt: skip
    sys.stdout.write("\n")
    columns = [TableColumn("position"), TableColumn("corners decidable"), TableColumn("row", "m", 1)]
    values = [shown["setup"], shown["corners_decidable"], shown["reach_m"]]
    for head, key in (("from", "reach_start"), ("to", "reach_end"), ("at all from", "any_reach_start"),
                      ("at all to", "any_reach_end")):  # fmt: skip
        columns.append(TableColumn(head, "km"))
        values.append(_kilometres(shown[f"{key}_chainage_m"]))
    columns.append(TableColumn("largest \u00b1\u00a0u", "mm", 2))
    values.append(shown["largest_sigma_mm"])
    print_table(columns, values, "What they can decide", [
        f"Decidable: after the guard bands at least {planned.room:.0%} of every tolerance is left, so that a good slab "
        "can still be called within; narrow: less is left. Row: longest row of slabs where all is decidable, joints "
        "too; at all: where something is left.", *left,
    ])  # fmt: skip


def _ellipse(table: Columns) -> list[str]:
    """Return the error ellipse of the first position in words; nothing if it is not determined."""
    name, major, minor, bearing = (
        table[key][0].item() for key in ("setup", "ellipse_major_mm", "ellipse_minor_mm", "ellipse_bearing_deg")
    )
    if math.isnan(major):
        return []
    return [
        f"{name}: standard error ellipse {major:.2f} by {minor:.2f} mm, long axis at a bearing of {bearing:.0f} deg; "
        f"{FACTOR_95:.2f} times as large it holds the place in 95 of 100 cases."
    ]


def _limits(tolerance: Tolerance) -> str:
    low, high = tolerance.low * 1e3, tolerance.high * 1e3
    return f"\u00b1{high:g}" if low == -high else f"{low:g} to {high:g}"


def _show_tolerances(planned: Planned, best: int, name: str) -> None:
    seen = planned.seen
    guard = planned.project.settings.decision.guard_factor
    rows: list[tuple[Any, ...]] = []
    for quantity, one in seen.outlooks.items():
        joint = quantity in JOINT_QUANTITIES
        mine = (seen.setup[seen.joints.front] if joint else seen.setup) == best
        mine &= one.state != NONE
        if not mine.any():
            continue
        state, sigma = one.state[mine], one.sigma[mine] * 1e3
        half = (one.tolerance.high - one.tolerance.low) / 2e-3
        needed = (1 - planned.room) * half / guard if guard else math.nan
        counts = [int((state == code).sum()) for code in (DECIDABLE, NARROW, UNDECIDABLE)]
        worst = np.flatnonzero(mine)[sigma.argmax()]
        shared = math.nan if joint else seen.common[worst, one.place[worst], SLAB_QUANTITIES.index(quantity)] * 1e3
        words = (QUANTITY_WORDS[quantity], _limits(one.tolerance))
        rows.append((*words, *counts, sigma.min(), sigma.max(), shared, needed))
    columns = [
        TableColumn("tolerance"), TableColumn("limits", "mm"), TableColumn("decidable"), TableColumn("narrow"),
        TableColumn("undecidable"), TableColumn("smallest \u00b1\u00a0u", "mm", 2),
        TableColumn("largest \u00b1\u00a0u", "mm", 2),
        TableColumn("of it the set-up", "mm", 2), TableColumn("asked \u00b1\u00a0u", "mm", 2),
    ]  # fmt: skip
    print_table(columns, [list(column) for column in zip(*rows, strict=True)], f"{name}: slabs and joints in reach", [
        f"asked: standard uncertainty that leaves {planned.room:.0%}; with twice as much and more nothing is left."
        if planned.room == 0.5 else f"asked: standard uncertainty that leaves {planned.room:.0%}.",
        "Across, along, up: slabs at their least certain corner; the others: joints, where what the set-up does to "
        "both slabs drops out.",
    ])  # fmt: skip


def _show_slabs(table: Columns, name: str) -> None:
    shown = {key: values[table["setup"] == name] for key, values in table.items()}
    columns = [
        TableColumn("slab"), TableColumn("chainage", "km"), TableColumn("sights up to", "m", 1),
        TableColumn("outlook", styles=_STYLES),
    ]  # fmt: skip
    values: list[Any] = [shown["slab"], _kilometres(shown["chainage_m"]), shown["furthest_m"],
                         [_MARKS[text] for text in shown["outlook"].tolist()]]  # fmt: skip
    for quantity in ("across", "along", "up"):
        if f"{quantity}_sigma_mm" in shown:
            columns += [TableColumn(f"{quantity} \u00b1\u00a0u", "mm", 2), TableColumn("left", "mm", 2, sign=True)]
            values += [shown[f"{quantity}_sigma_mm"], shown[f"{quantity}_left_mm"]]
    print_table(columns, values, f"{name}: expected standard uncertainty of each slab", [
        "At the least certain corner, with the part of the set-up; left: largest deviation that can still be called "
        "within, from the middle of the limits.",
    ])  # fmt: skip
