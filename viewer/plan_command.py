"""What the command plan does."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path

import numpy as np
import numpy.typing as npt

from geometry.errors import Faults
from geometry.exchange.cells import near
from geometry.exchange.plan_inputs import plan_inputs, plan_of
from geometry.exchange.plan_tables import plan_table, work_table
from geometry.exchange.project import Project, open_project
from geometry.exchange.writing import write_csv
from geometry.placement.plan.order import work_list
from geometry.placement.plan.turns import drives
from viewer.cli.options import NOT_ALL_WITHIN, OK
from viewer.plan_page import PlanPage, all_kept, plan_document, show_plan
from viewer.running import check_of, chosen_slabs, kept, out, to_reader, warn
from viewer.terminal import Progress

__all__ = ["plan_of", "run_plan"]

_TURNS = 4  # decimals: a thirty-second of a turn has five, and nobody turns that


def _named_slabs(project: Project, texts: Sequence[str], option: str, faults: Faults) -> npt.NDArray[np.bool_]:
    """Return which slabs texts like Q0251 or Q0251:Q0260 name, shape (n,)."""
    names = project.layout.names
    which = np.zeros(len(names), dtype=bool)
    for text in texts:
        # a name may hold a colon itself
        ends = [text] if text in names else text.split(":")
        rows = [np.flatnonzero(names == end) for end in ends]
        if len(ends) > 2 or not all(row.size for row in rows):
            wrong = next((end for end, row in zip(ends, rows, strict=True) if not row.size), text)
            faults.error(option, "the name of a slab, or two names as FIRST:LAST", repr(text),
                         near(wrong, names.tolist()))  # fmt: skip
            continue
        first, last = int(rows[0][0]), int(rows[-1][0])
        if last < first:
            faults.error(option, "FIRST:LAST in order of chainage", repr(text), f"{ends[1]}:{ends[0]}?")
            continue
        which[first : last + 1] = True
    return which


def run_plan(
    project: Path, survey: Sequence[Path], readings: Sequence[Path], stage: str | None, start: str | None,
    end: str | None, fix: Sequence[str], done: Sequence[str], time_limit: float | None, everything: bool,
    csv_file: Path | None, json_file: Path | None, work_file: Path | None,
) -> int:  # fmt: skip
    """Plan the corrections of a section."""
    files = kept(project, [*survey, *readings], (csv_file, json_file, work_file))
    with Progress("planning"):
        read_project = open_project(project)
        faults = Faults()
        chosen = chosen_slabs(read_project, start, end)
        fixed = _named_slabs(read_project, fix, "--fix", faults)
        turned = _named_slabs(read_project, done, "--done", faults)
        faults.stop_if_any()
        read, check = check_of(read_project, survey, stage, readings)
        given = plan_inputs(read_project, check)
        plan = plan_of(read_project, check, time_limit, fixed, turned, chosen, given)
        rules = read_project.settings.plan.rules(time_limit)
        types, kinds = read_project.types, read_project.layout.type_index
        drive = drives(types, rules.step_turns, rules.turning_sigma, rules.step)
        work = work_list(check, plan, types, kinds, read_project.check_rules.rail_apart, drive)
    warn((*read_project.warnings, *read.warnings, *given.warnings))
    page = PlanPage(read_project, check, plan, work, given, {**read_project.inputs, **read.inputs, **given.inputs})
    slabs = {name: values[chosen] for name, values in plan_table(read_project, check, plan).items()}
    list_of_work = work_table(read_project, plan, work)
    document = plan_document(page, slabs, list_of_work)
    decimals = {name: _TURNS for name in (*slabs, *list_of_work) if "turns_" in name}
    terminal = out(slabs, document, csv_file, json_file, files, decimals)
    if work_file is not None:
        made = document["made_from"]
        named = [f"made from {name} {sha}" for name, sha in page.inputs.items()]
        write_csv(work_file, list_of_work, decimals=decimals, inputs=files,
                  comments=[f"{made['program']}, {made['made_at']}", *named])  # fmt: skip
    with to_reader() if terminal else nullcontext():
        if terminal:
            show_plan(page, list_of_work, everything=everything)
    return OK if all_kept(page) else NOT_ALL_WITHIN
