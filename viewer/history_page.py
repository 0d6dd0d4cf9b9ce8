"""How the history of slabs is told: the terminal page and the JSON document."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.exchange.history_tables import (
    corner_movements,
    epoch_names,
    epoch_table,
    screw_movements,
)
from geometry.exchange.project import Project
from geometry.exchange.results import CAUTIONS, Columns, made_from
from geometry.exchange.survey_files import StagedSurvey
from geometry.exchange.writing import table_to_records
from geometry.placement import Tolerance
from geometry.placement.history import ASSUMED, History, slab_history
from geometry.placement.movement import ALPHA, MOVED, MOVEMENT_WORDS, NO_CHECK, NOISE, POWER
from geometry.survey.fieldwork import Fieldwork
from viewer.check_page import show_list
from viewer.setup_page import fieldwork_findings
from viewer.terminal import TableColumn, print_table, visible

__all__ = ["Told", "history_document", "history_of", "show_history", "worth_telling"]

Bools = npt.NDArray[np.bool_]
_STYLES = {"# moved": "bold", "  noise": "", "? no check": "yellow"}
_MARKS = dict(zip(MOVEMENT_WORDS, _STYLES, strict=True))
_VERDICTS = {"within": "  within", "out": "# out", "undecided": "? undecided", "not measured": "- not measured"}
_VERDICT_STYLES = {"  within": "green", "# out": "bold red", "? undecided": "yellow", "- not measured": "magenta"}
_WORSE = ("not measured", "within", "undecided", "out")
_DASH = "\u2013"
_CENTRE = "centre"
_MOST_FINDINGS = 40


@dataclass(frozen=True, eq=False)
class Told:
    """What is told of a project.

    Attributes
    ----------
    read : StagedSurvey
    history : History
    work : Fieldwork, optional
        What readings were worked up to, if there are any.
    unused : str
        What is there and was not read, in words; "" for nothing.
    """

    read: StagedSurvey
    history: History
    work: Fieldwork | None
    unused: str

    @property
    def in_readings(self) -> list[tuple[str, str]]:
        """What was found in readings and set-ups: "!" for what is wrong, "." for what is worth knowing."""
        return [] if self.work is None else fieldwork_findings(self.work)


def history_of(project: Project, read: StagedSurvey) -> History:
    """Return the history of all slabs of a project."""
    asked = project.settings.injection
    layout = project.layout
    return slab_history(
        project.targets, project.types, layout.type_index, layout.names.tolist(), read.given, project.check_rules,
        project.settings.injection_stage,
        Tolerance("up", asked.low_mm / 1e3, asked.high_mm / 1e3, asked.source) if asked else None,
    )  # fmt: skip


def worth_telling(project: Project, history: History) -> Bools:
    """Return the slabs that were measured more than once, shape (n,)."""
    return np.bincount(history.epochs.slab, minlength=len(project.layout.names)) > 1


def _of(table: Columns, names: npt.NDArray[Any]) -> Columns:
    rows = np.isin(table["slab"], names)
    return {name: values[rows] for name, values in table.items()}


def history_document(project: Project, told: Told, slabs: Bools) -> dict[str, Any]:
    """Return the history of the chosen slabs, (n,), as a document of plain values."""
    read, history = told.read, told.history
    names = project.layout.names[slabs]
    injection = project.settings.injection
    m = history.movements
    rows = slabs[history.epochs.slab[m.after]]
    assumed = [
        {"slab": str(slab), "to": str(to), "errors": ASSUMED[code]}
        for slab, to, code in zip(
            project.layout.names[history.epochs.slab[m.after[rows]]].tolist(),
            epoch_names(read.given, history)[m.after[rows]].tolist(), m.assumed[rows].tolist(), strict=True,
        )
    ]  # fmt: skip
    return {
        "made_from": made_from({**project.inputs, **read.inputs}),
        "project": project.settings.name,
        "test": {
            "rule": "congruency: difference of poses d with the sum of their covariances C, d' C^-1 d against "
                    "chi-square with 6 degrees of freedom",
            "false_alarm": ALPHA,
            "power_of_least": POWER,
        },
        "injection": None if injection is None else injection.model_dump(),
        "epochs": table_to_records(_of(epoch_table(project, read.given, history), names)),
        "assumed": assumed,
        "corners": table_to_records(_of(corner_movements(project, read.given, history), names)),
        "moves": table_to_records(_of(screw_movements(project, read.given, history), names)),
        "findings": [
            {
                "kind": f.kind,
                "slab": str(project.layout.names[f.slab]) if f.slab >= 0 else None,
                "text": f.text,
                "withholds_verdict": f.withholds,
            }
            for f in history.findings
            if f.slab < 0 or slabs[f.slab]
        ],
        "findings_in_readings": [{"text": text, "wrong": mark == "!"} for mark, text in told.in_readings],
        "cautions": list(CAUTIONS),
    }  # fmt: skip


def show_history(project: Project, told: Told, slabs: Bools, *, details: bool) -> None:
    """Print the history of the chosen slabs, (n,): a line per epoch; with `details` each corner and screw."""
    read, history = told.read, told.history
    names = project.layout.names[slabs]
    epochs = _of(epoch_table(project, read.given, history), names)
    corners = _of(corner_movements(project, read.given, history), names)
    moves = _of(screw_movements(project, read.given, history), names)
    if len(epochs["slab"]):
        _show_epochs(project, epochs, moves)
    else:
        sys.stdout.write(f"{visible(project.settings.name)}: no slab was measured more than once.\n")
    for name in names.tolist() if details else []:
        _show_components(name, _of(epochs, np.array([name])))
        _show_moves(name, _of(moves, np.array([name])))
        _show_corners(name, _of(corners, np.array([name])))
    _show_injection(project, corners)
    show_list("Found in the survey  (! nothing is said of the slab's movement until it is cleared up)", [
        ("!" if f.withholds else ".", f.text) for f in history.findings if f.slab < 0 or slabs[f.slab]
    ], None if details else _MOST_FINDINGS)  # fmt: skip
    show_list("Found in the readings", [entry for entry in told.in_readings if entry[0] == "!"], None)
    m = history.movements
    granted = [ASSUMED[code] for code in np.unique(m.assumed[slabs[history.epochs.slab[m.after]]]).tolist()]
    show_list("Taken for granted", [(".", text) for text in [*granted, *filter(None, [told.unused])]], None)


def _pair(values: npt.NDArray[Any], sigmas: npt.NDArray[Any], decimals: int = 2) -> list[str]:
    """Return values with their standard uncertainties in one cell, as long as each other."""
    return [
        _DASH if np.isnan(value) else f"{value:+.{decimals}f} \u00b1{sigma:.{decimals}f}"
        for value, sigma in zip((np.round(values, decimals) + 0.0).tolist(), sigmas.tolist(), strict=True)
    ]


def _hours(times: npt.NDArray[Any]) -> list[str]:
    """Return month, day, hour and minute; whoever needs the year has it in the files."""
    texts = np.datetime_as_string(times.astype("datetime64[m]")).tolist()
    return [_DASH if text == "NaT" else text[5:].replace("T", " ") for text in texts]


def _show_epochs(project: Project, epochs: Columns, moves: Columns) -> None:
    slabs = epochs["slab"].tolist()
    # a slab's name once, so that the eye finds where the next begins
    named = [" " * len(slab) if slab == before else slab for before, slab in zip(["", *slabs], slabs, strict=False)]
    key = [f"{name} {stage or 'no stage'} {number}" for name, stage, number in zip(
        named, epochs["stage"].tolist(), epochs["round"].tolist(), strict=True)]  # fmt: skip
    columns = [TableColumn("slab, stage, round"), TableColumn("time", "UTC")]
    values: list[Any] = [key, _hours(epochs["time"])]
    for name in ("across", "along", "up"):
        columns.append(TableColumn(name, "mm"))
        values.append(_pair(epochs[f"{name}_mm"], epochs[f"{name}_sigma_mm"]))
    columns.append(TableColumn("change", styles=_STYLES))
    values.append([_MARKS.get(text, "") for text in epochs["moved"].tolist()])
    columns.append(TableColumn("made of asked", "mm"))
    values.append(_largest_move(epochs, moves))
    if (epochs["notes"] != "").any():
        columns.append(TableColumn("note"))
        values.append(epochs["notes"])
    print_table(columns, values, f"{project.settings.name}: the history of its slabs", [
        "Built less target at the corner furthest off, + right, forward, up, with its standard uncertainty.",
        f"Change since the epoch before; noise: not distinguishable from it. {ALPHA:.0%} of slabs at rest are called "
        "moved.",
        "Made of asked: at the screw or adjuster that had most to do; lift + raises, push + moves to the right.",
    ])  # fmt: skip


def _largest_move(epochs: Columns, moves: Columns) -> list[str]:
    """Return for each epoch what was achieved of the largest lift or push asked for before, if the slab moved."""
    best: dict[tuple[str, str], tuple[float, str]] = {}
    for slab, to, move, place, asked, achieved, share in zip(
        *(moves[n].tolist() for n in ("slab", "to", "move", "place", "asked_mm", "achieved_mm", "achieved_percent")),
        strict=True,
    ):
        if move != "along" and not np.isnan(share) and abs(asked) > best.get((slab, to), (0.0, ""))[0]:
            best[slab, to] = abs(asked), f"{move} {place} {achieved:+.2f} of {asked:+.2f}"
    keys = zip(epochs["slab"].tolist(), epochs["stage"].tolist(), epochs["round"].tolist(), strict=True)
    moved = (epochs["moved"] == MOVEMENT_WORDS[MOVED]).tolist()
    return [
        best.get((slab, f"{stage or 'no stage'} {number}"), (0.0, ""))[1] if has else ""
        for (slab, stage, number), has in zip(keys, moved, strict=True)
    ]


def _once(keys: list[str]) -> list[str]:
    """Return each of a run of equal keys once, so that the eye finds where the next begins."""
    return [" " if key == before else key for before, key in zip(["", *keys], keys, strict=False)]


def _ends(table: Columns) -> list[str]:
    return [f"{start} > {end}" for start, end in zip(table["from"].tolist(), table["to"].tolist(), strict=True)]


def _chance(p: float) -> str:
    return "<0.0001" if p < 5e-5 else f"{p:.4f}"


def _show_components(slab: str, epochs: Columns) -> None:
    rows = np.flatnonzero(epochs["moved"] != "")
    if not rows.size:
        return
    sys.stdout.write("\n")
    keys = [f"{since} > {stage or 'no stage'} {number}" for since, stage, number in zip(
        *(epochs[n][rows].tolist() for n in ("moved_since", "stage", "round")), strict=True)]  # fmt: skip
    names, units = ("across", "along", "up", "pitch", "roll", "yaw"), ("mm",) * 3 + ("mrad",) * 3

    def by_row(column: str) -> npt.NDArray[Any]:
        parts = [epochs[f"{name}_{column}".replace("UNIT", unit)] for name, unit in zip(names, units, strict=True)]
        return np.stack(parts, axis=1)[rows].ravel()

    p = by_row("moved_p")
    columns = [
        TableColumn("from > to"), TableColumn("part"), TableColumn("moved"), TableColumn("unit"),
        TableColumn("change", styles=_STYLES), TableColumn("p"), TableColumn("least found", "", 2),
    ]  # fmt: skip
    values: list[Any] = [
        _once([key for key in keys for _ in names]), names * len(rows),
        _pair(by_row("moved_UNIT"), by_row("moved_sigma_UNIT")), units * len(rows),
        _part_words(epochs["moved"][rows], p), [_chance(one) for one in p.tolist()],
        by_row("least_UNIT"),
    ]  # fmt: skip
    print_table(columns, values, f"{slab}: movement of the centre of the top face, each part by itself", [
        "p: how often noise alone makes a movement as large. Least found: alone it would be found with "
        f"{POWER:.0%} by the test of all parts together.",
    ])  # fmt: skip


def _part_words(whole: npt.NDArray[Any], p: npt.NDArray[Any]) -> list[str]:
    """Return what is said of each part; of a movement that nothing checks nothing is said in parts either."""
    unchecked = np.repeat(whole == MOVEMENT_WORDS[NO_CHECK], len(p) // len(whole))
    words = np.where(unchecked, NO_CHECK, np.where(p < ALPHA, MOVED, NOISE))
    return [_MARKS[MOVEMENT_WORDS[code]] for code in words.tolist()]


def _show_moves(slab: str, moves: Columns) -> None:
    if not len(moves["slab"]):
        return
    sys.stdout.write("\n")
    columns, values = [TableColumn("from > to")], [_once(_ends(moves))]
    columns.append(TableColumn("move"))
    values.append([kind if place == _CENTRE else f"{kind} {place}" for kind, place in zip(
        moves["move"].tolist(), moves["place"].tolist(), strict=True)])  # fmt: skip
    for what in ("asked", "achieved", "rest"):
        columns.append(TableColumn("still to do" if what == "rest" else what, "mm"))
        values.append(_pair(moves[f"{what}_mm"], moves[f"{what}_sigma_mm"]))
    columns.append(TableColumn("achieved", "%"))
    values.append(_pair(moves["achieved_percent"], moves["achieved_sigma_percent"], 0))
    print_table(columns, values, f"{slab}: moves asked for and achieved", [
        "lift + raises the slab at that screw, push + moves it to the right there, along + forward. No share where "
        "what was asked for is within twice its standard uncertainty.",
    ])  # fmt: skip


def _show_corners(slab: str, corners: Columns) -> None:
    if not len(corners["slab"]):
        return
    sys.stdout.write("\n")
    columns = [TableColumn("from > to"), TableColumn("corner")]
    values: list[Any] = [_once(_ends(corners)), corners["corner"]]
    for name in ("across", "along", "up"):
        columns.append(TableColumn(name, "mm"))
        values.append(_pair(corners[f"{name}_moved_mm"], corners[f"{name}_moved_sigma_mm"]))
    print_table(columns, values, f"{slab}: movement of each corner, as the fitted slab carries it", [
        "+ right, forward, up.",
    ])  # fmt: skip


def _show_injection(project: Project, corners: Columns) -> None:
    """Print what injection did to each slab, a line per slab and a column per corner."""
    shown = {name: values[corners["injection"]] for name, values in corners.items()}
    if not len(shown["slab"]):
        return
    sys.stdout.write("\n")
    keys = [f"{slab} {ends}" for slab, ends in zip(shown["slab"].tolist(), _ends(shown), strict=True)]
    rows = list(dict.fromkeys(keys))
    names = list(dict.fromkeys(shown["corner"].tolist()))
    cells = dict(zip(
        zip(keys, shown["corner"].tolist(), strict=True),
        _pair(shown["up_moved_mm"], shown["up_moved_sigma_mm"]), strict=True,
    ))  # fmt: skip
    columns, values = [TableColumn("slab, from > to")], [rows]
    for name in names:
        columns.append(TableColumn(name, "mm"))
        values.append([cells.get((row, name), _DASH) for row in rows])
    asked = project.settings.injection
    note = "+ up. The project gives no limit for injection."
    if asked is not None:
        worst: dict[str, str] = {}
        for key, verdict in zip(keys, shown["injection_verdict"].tolist(), strict=True):
            worst[key] = max(worst.get(key, verdict), verdict, key=_WORSE.index)
        columns.append(TableColumn("verdict", styles=_VERDICT_STYLES))
        values.append([_VERDICTS[worst[row]] for row in rows])
        note = f"+ up. Limits: {asked.low_mm:+g} to {asked.high_mm:+g} mm ({asked.source})."
    print_table(columns, values, "Up or down during injection, by corner", [note])
