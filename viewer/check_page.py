"""How the check of a section is told: the terminal page and the JSON document."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.alignment import format_chainage
from geometry.exchange.bowing_tables import bowing_of, curl_of
from geometry.exchange.project import Project
from geometry.exchange.results import CAUTIONS, Columns, made_from, summary
from geometry.exchange.survey_files import Survey
from geometry.exchange.writing import table_to_records
from geometry.placement import QUANTITY_WORDS, SectionCheck, Tolerance
from viewer.bowing_page import bowed_lines, curl_lines
from viewer.terminal import TableColumn, print_table, visible

__all__ = ["Chosen", "check_document", "show_check", "show_list"]

Bools = npt.NDArray[np.bool_]
_WIDTH_WITHOUT_TERMINAL = 120  # as that of the tables
_MOST_FINDINGS = 40
_MOST_ABSENT = 10  # slabs that were not measured are listed one by one up to here
_STYLES = {"within": "green", "out": "bold red", "undecided": "yellow", "not measured": "magenta"}
_MARKS = {"within": "  within", "out": "# out", "undecided": "? undecided", "not measured": "- not measured"}


@dataclass(frozen=True, eq=False)
class Chosen:
    """The part of a project that is asked for: masks of slabs, (n,), and joints, (j,)."""

    slabs: Bools
    joints: Bools


def _limits(tolerance: Tolerance) -> str:
    low, high = tolerance.low * 1e3, tolerance.high * 1e3
    return f"\u00b1{high:g} mm" if low == -high else f"{low:g} to {high:g} mm"


def _findings(answer: SectionCheck, chosen: Chosen) -> list[Any]:
    return [f for f in answer.findings if f.slab < 0 or chosen.slabs[f.slab]]


def check_document(
    project: Project, read: Survey, answer: SectionCheck, chosen: Chosen, slabs: Columns, joints: Columns
) -> dict[str, Any]:
    """Return the whole answer as a document of plain values."""
    return {
        "made_from": made_from({**project.inputs, **read.inputs}),
        "project": project.settings.name,
        "stages": {name or "(none)": count for name, count in read.stages.items()},
        "decision_rule": {
            "rule": "JCGM 106:2012 guard band on both sides of each limit",
            "guard_factor": project.settings.decision.guard_factor,
        },
        "tolerances": [
            {"quantity": t.quantity, "low_mm": t.low * 1e3, "high_mm": t.high * 1e3, "source": t.source}
            for t in project.check_rules.tolerances
        ],
        "summary": summary(answer, chosen.slabs, chosen.joints),
        "slabs": table_to_records(slabs),
        "joints": table_to_records(joints),
        "findings": [
            {
                "kind": f.kind,
                "slab": str(project.layout.names[f.slab]) if f.slab >= 0 else None,
                "text": f.text,
                "withholds_verdict": f.withholds,
            }
            for f in _findings(answer, chosen)
        ],
        "layout_findings": [str(f) for f in project.layout_findings],
        "cautions": list(CAUTIONS),
    }


def show_check(
    project: Project, read: Survey, answer: SectionCheck, chosen: Chosen, slabs: Columns, joints: Columns, *,
    everything: bool,
) -> None:  # fmt: skip
    """Print the answer for people: summary, what needs attention, what to turn, what was found."""
    stages = ", ".join(f"{name or 'no stage named'}: {count}" for name, count in read.stages.items())
    limits = "; ".join(f"{QUANTITY_WORDS[t.quantity]} {_limits(t)}" for t in project.check_rules.tolerances)
    counts = summary(answer, chosen.slabs, chosen.joints)
    print_table(
        [_verdict_column(), TableColumn("slabs"), TableColumn("joints")],
        [list(_MARKS.values()), *(list(of.values()) for of in counts.values())],
        project.settings.name,
        [
            f"Surveyed points used: {stages}.",
            f"Limits: {limits}. A value counts as inside or outside only if it is so by "
            f"{project.settings.decision.guard_factor:g} times its standard uncertainty.",
        ],
    )  # fmt: skip
    _show_slabs(slabs, everything=everything)
    _show_moves(slabs, everything=everything)
    held = int((answer.held & chosen.slabs).sum())
    if held:
        many = "s were" if held > 1 else " was"
        text = f"{held} slab{many} measured after injection: mortar holds, no moves are given."
        show_list("These slabs stay", [(".", text)], None)
    _show_joints(joints, everything=everything)
    most = None if everything else _MOST_FINDINGS
    show_list("Found in the survey  (! no verdict until it is cleared up)", [
        ("!" if finding.withholds else ".", finding.text) for finding in _findings(answer, chosen)
    ], most)  # fmt: skip
    _show_bowing(project, answer, chosen, most)
    show_list("Found in the layout", [("!", str(problem)) for problem in project.layout_findings], most)
    show_list("Mind", [(".", caution) for caution in CAUTIONS], None)


def _show_bowing(project: Project, answer: SectionCheck, chosen: Chosen, most: int | None) -> None:
    """Tell of curl and twist, only where there is something to say."""
    bowed = bowed_lines(project, bowing_of(project, answer), chosen.slabs)
    curl = curl_lines(project, curl_of(project), project.settings.ready.temperature_difference_k)
    show_list("Bowed slabs", [(".", line) for line in (*bowed, *curl)], most)


def show_list(title: str, lines: Sequence[tuple[str, str]], most: int | None) -> None:
    """Print lines with their marks, at most so many; nothing if there is none."""
    if not lines:
        return
    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
    known = shutil.get_terminal_size((_WIDTH_WITHOUT_TERMINAL, 24)).columns
    width = known if sys.stdout.isatty() else _WIDTH_WITHOUT_TERMINAL
    told = [f"\n{title}"]
    for mark, text in lines[:most]:
        plain = visible(text).encode(encoding, "backslashreplace").decode(encoding)
        told += textwrap.wrap(plain, max(width, 40), initial_indent=f"  {mark} ", subsequent_indent="    ",
                              break_on_hyphens=False)  # fmt: skip
    if most is not None and len(lines) > most:
        told.append(f"  . {len(lines) - most} more; --all shows them, --json has them")
    sys.stdout.write("\n".join(told) + "\n")


def _picked(table: Columns, rows: Bools) -> Columns:
    return {name: values[rows] for name, values in table.items()}


def _marked(table: Columns) -> list[str]:
    return [_MARKS[text] for text in table["verdict"].tolist()]


def _ranges(names: npt.NDArray[Any], which: Bools) -> str:
    """Return names in words, those that follow each other as from and to."""
    rows = np.flatnonzero(which)
    parts = np.split(rows, np.flatnonzero(np.diff(rows) != 1) + 1)
    told = [str(names[p[0]]) if len(p) == 1 else f"{names[p[0]]} to {names[p[-1]]}" for p in parts]
    return f"{len(rows)} slabs: {', '.join(told)}"


def _chainages(table: Columns) -> list[str]:
    """Return chainages to 0.1 m: enough to walk there."""
    return [format_chainage(round(c, 1))[:-2] for c in table["chainage_m"].tolist()]


def _verdict_column() -> TableColumn:
    return TableColumn("verdict", styles={text: _STYLES[name] for name, text in _MARKS.items()})


def _with_sigma(name: str) -> Sequence[TableColumn]:
    return TableColumn(name, "mm", 2, sign=True), TableColumn("\u00b1 u", "mm", 2)


def _show_slabs(slabs: Columns, *, everything: bool) -> None:
    # within without a check, or out of the screws' reach, has to be seen as well
    noted = (slabs["verdict"] != "within") | (slabs["why"] != "")
    absent = np.asarray(slabs["marks"] == 0)
    # a section that is surveyed in part must not drown in what nobody looked at
    unlisted = absent if absent.sum() > _MOST_ABSENT and not everything else np.zeros_like(absent)
    rows = np.ones(len(noted), dtype=bool) if everything else noted & ~unlisted
    if unlisted.any():
        show_list("Not measured at all", [(".", _ranges(slabs["slab"], unlisted))], None)
    if not rows.any():
        return
    sys.stdout.write("\n")
    shown = _picked(slabs, rows)
    columns = [TableColumn("slab"), TableColumn("chainage", "km"), _verdict_column()]
    values: list[Any] = [shown["slab"], _chainages(shown), _marked(shown)]
    for name in ("across", "along", "up"):
        columns += _with_sigma(name)
        values += [shown[f"{name}_mm"], shown[f"{name}_sigma_mm"]]
    columns.append(TableColumn("why"))
    values.append(shown["why"])
    title = "All slabs" if everything else "Slabs that need attention"
    note = "Built less target at the worst corner: + right, forward, up; u: standard uncertainty."
    print_table(columns, values, title, [note])


def _show_moves(slabs: Columns, *, everything: bool) -> None:
    """Print the screws of slabs that are not within and may be moved."""
    lifts = [name for name in slabs if name.startswith("lift_")]
    pushes = [name for name in slabs if name.startswith("push_") and name.endswith("_mm")]
    known = np.isfinite(np.stack([slabs[name] for name in lifts])).any(axis=0)
    rows = known & (everything | (slabs["verdict"] != "within"))
    if not rows.any():
        return
    sys.stdout.write("\n")
    shown = _picked(slabs, rows)
    columns, values = [TableColumn("slab")], [shown["slab"]]
    for name in lifts:
        screw = name.removeprefix("lift_").removesuffix("_mm")
        columns += [TableColumn(f"lift {screw}", "mm", 2, sign=True), TableColumn("", "turns", 2, sign=True)]
        values += [shown[name], shown[f"turns_{screw}"]]
    for name in pushes:
        side = name.removeprefix("push_").removesuffix("_mm")
        columns += [TableColumn(f"push {side}", "mm", 2, sign=True), TableColumn("", "turns", 2, sign=True)]
        values += [shown[name], shown[f"push_turns_{side}"]]
    columns.append(TableColumn("along", "mm", 1, sign=True))
    values.append(shown["move_along_mm"])
    print_table(columns, values, "Moves that bring them to the target", [
        "lift + raises the slab at that screw, push + moves it to the right there, along + forward; all of a slab's "
        "screws belong together.",
    ])  # fmt: skip


def _show_joints(joints: Columns, *, everything: bool) -> None:
    absent = np.asarray(joints["verdict"] == "not measured")
    unlisted = absent if absent.sum() > 2 * _MOST_ABSENT else np.zeros_like(absent)
    rows = np.ones(len(absent), dtype=bool) if everything else (joints["verdict"] != "within") & ~unlisted
    if not rows.any():
        return
    sys.stdout.write("\n")
    shown = _picked(joints, rows)
    columns = [TableColumn("joint"), TableColumn("chainage", "km"), _verdict_column()]
    pair = [f"{a}|{b}" for a, b in zip(shown["rear_slab"].tolist(), shown["front_slab"].tolist(), strict=True)]
    values: list[Any] = [pair, _chainages(shown), _marked(shown)]
    for name, text, decimals in (("step_level", "level", 2), ("step_line", "line", 2), ("gap", "gap", 1)):
        for side, short in (("left", "L"), ("right", "R")):
            columns.append(TableColumn(f"{text} {short}", "mm", decimals, sign=name != "gap"))
            values.append(shown[f"{name}_{side}_mm"])
    columns.append(TableColumn("why"))
    values.append(shown["why"])
    title = "All joints" if everything else "Joints that need attention"
    print_table(columns, values, title, [
        "Steps from the rear to the front slab where the rails cross the joint, + up, + right; built gap at both "
        "edges; L left, R right.",
    ])  # fmt: skip
