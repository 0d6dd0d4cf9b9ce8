"""How set-ups and reduced marks are told: terminal page and JSON document."""

from __future__ import annotations

import sys
from typing import Any

import numpy as np

from geometry.exchange.fieldwork_files import WorkedUp
from geometry.exchange.fieldwork_tables import observation_table, setup_table, step_table
from geometry.exchange.project import Project
from geometry.exchange.results import CAUTIONS, Columns, made_from
from geometry.exchange.writing import table_to_records
from geometry.survey.fieldwork import Fieldwork, SetupState
from viewer.check_page import show_list
from viewer.terminal import TableColumn, print_table

__all__ = [
    "fieldwork_findings", "setup_document", "setup_findings", "show_marks", "show_setups", "state_findings",
]  # fmt: skip

_MARKS = {"sound": "  sound", "in doubt": "? in doubt", "not solved": "# not solved"}
_STYLES = {"  sound": "green", "? in doubt": "yellow", "# not solved": "bold red"}


def setup_findings(worked: WorkedUp) -> list[tuple[str, str]]:
    """Return what was found in readings and set-ups: "!" for what is wrong, "." for what is worth knowing."""
    return fieldwork_findings(worked.work)


def fieldwork_findings(work: Fieldwork) -> list[tuple[str, str]]:
    """Return what was found in readings and set-ups: "!" for what is wrong, "." for what is worth knowing."""
    told = [(".", text) for text in work.findings]
    for state in work.states:
        told += state_findings(state)
    network = work.network
    if network is not None:
        rows = network.suspicious.tolist()
        told += [("!", f"all together: {network.label(int(row))} does not fit") for row in rows[:10]]
        if len(rows) > 10:
            told.append(("!", f"all together: {len(rows) - 10} more that do not fit"))
    return sorted(told, key=lambda entry: entry[0] != "!")


def state_findings(state: SetupState) -> list[tuple[str, str]]:
    """Return what was found in one set-up, as `fieldwork_findings` does."""
    # what the adjustment says of a set-up begins with its name already
    name = f"set-up {state.name}: "
    if state.problem:
        return [("!", name + state.problem.removeprefix(name))]
    if state.result is None:
        return []
    return [("!" if f.fault else ".", name + f.text) for f in state.result.findings]


def setup_document(project: Project, worked: WorkedUp) -> dict[str, Any]:
    """Return everything about the set-ups as a document of plain values."""
    return {
        "made_from": made_from({**project.inputs, **worked.survey.inputs}),
        "project": project.settings.name,
        "adjusted": "all sound set-ups together" if worked.work.network is not None else "each set-up by itself",
        "setups": table_to_records(setup_table(worked)),
        "observations": table_to_records(observation_table(worked)),
        "steps": table_to_records(step_table(worked)),
        "findings": [text for _, text in setup_findings(worked)],
        "cautions": list(CAUTIONS),
    }


def show_setups(project: Project, worked: WorkedUp) -> None:
    """Print the set-ups for people."""
    table = setup_table(worked)
    columns = [
        TableColumn("set-up"),
        TableColumn("state", styles=_STYLES),
        TableColumn("control"),
        TableColumn("easting", "m", 4),
        TableColumn("northing", "m", 4),
        TableColumn("level", "m", 4),
        TableColumn("u east", "mm", 2),
        TableColumn("u north", "mm", 2),
        TableColumn("u level", "mm", 2),
        TableColumn("u turn", '"', 1),
        TableColumn("s0", "", 2),
        TableColumn("max |w|", "", 1),
    ]
    names = (
        "setup", "state", "control_points", "easting_m", "northing_m", "level_m", "sigma_easting_mm",
        "sigma_northing_mm", "sigma_level_mm", "sigma_orientation_arcsec", "s0", "largest_w",
    )  # fmt: skip
    values = [[_MARKS[s] for s in table[n].tolist()] if n == "state" else table[n] for n in names]
    together = worked.work.network is not None
    how = "all sound ones adjusted together" if together else "each by itself"
    print_table(columns, values, f"{project.settings.name}: {len(worked.book.setups)} set-ups, {how}", [
        "u: standard uncertainty from readings and control; s0: 1 if the stated sigmas are true; |w| over 3.3 speaks "
        "for a blunder.",
    ])  # fmt: skip
    steps = step_table(worked)
    if len(steps["largest_mm"]):
        sys.stdout.write("\n")
        worst = np.argsort(-steps["largest_mm"])[:8]
        shown: Columns = {name: column[worst] for name, column in steps.items()}
        print_table(
            [TableColumn("from"), TableColumn("to"), TableColumn("points"),
             *(TableColumn(axis, "mm", 2, sign=True) for axis in ("east", "north", "up")),
             TableColumn("largest", "mm", 2)],
            list(shown.values()), "Largest steps between set-ups that saw the same points",
        )  # fmt: skip
    show_list("Found in the readings", setup_findings(worked), None)


def show_marks(project: Project, worked: WorkedUp, table: Columns) -> None:
    """Print the marks of slabs that the readings give."""
    names = ["point", "easting_m", "northing_m", "level_m", "sigma_easting_mm", "sigma_northing_mm", "sigma_level_mm",
             "setup", "stage"]  # fmt: skip
    columns = [
        TableColumn("mark"),
        *(TableColumn(axis, "m", 4) for axis in ("easting", "northing", "level")),
        *(TableColumn(f"u {axis}", "mm", 2) for axis in ("east", "north", "level")),
        TableColumn("set-up"), TableColumn("stage"),
    ]  # fmt: skip
    title = f"{project.settings.name}: {len(table['point'])} marks from {len(worked.book.setups)} set-ups"
    print_table(columns, [table[n] for n in names], title, ["u: standard uncertainty, reading and set-up together."])
    show_list("Found in the readings", setup_findings(worked), None)
