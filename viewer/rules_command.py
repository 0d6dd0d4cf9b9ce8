"""What the command rules does: the design against the limits of running."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from geometry.alignment import format_chainage
from geometry.alignment.design_rules import measure, speed_profile
from geometry.errors import Fault, Faults, InputError
from geometry.exchange.lines import open_line
from geometry.exchange.project import digest
from geometry.exchange.results import Columns, made_from
from geometry.exchange.rules_files import RULES_FILE, read_limits
from geometry.exchange.rules_tables import VERDICT_WORDS, finding_table, limit_table, speed_table
from geometry.exchange.writing import table_to_records, write_csv
from viewer.cli.options import NOT_ALL_WITHIN, OK
from viewer.numbers import DASH, MINUS
from viewer.running import kept, out, to_reader, warn
from viewer.terminal import TableColumn, print_table

__all__ = ["run_rules"]

_DECIMALS = {"value": 4, "normal": 4, "exceptional": 4}
_CAUTION = (
    "Limits marked 'from memory' were not read in their source: look them up before you rely on them, or put those of "
    "your contract into rules.toml. The code in force, the contract and the licensed designer decide."
)
_NOTHING = 5e-4  # of any unit: what is smaller is rounding
_STYLES = {"! beyond": "bold red", "~ exceptional": "yellow"}


def run_rules(
    project: Path, alignment_name: str | None, speed: float, slow: float | None, everything: bool,
    csv_file: Path | None, json_file: Path | None, speed_file: Path | None,
) -> int:  # fmt: skip
    """Compare an alignment with its design limits."""
    if slow is not None and slow > speed:
        raise InputError([Fault("--slow", "a speed of at most that of --speed", f"{slow:g} over {speed:g}")])
    files = kept(project, (project,), (csv_file, json_file, speed_file))
    faults = Faults()
    line = open_line(project, alignment_name)
    alignment, count = line.alignment, line.count
    limits = read_limits(project, faults)
    faults.stop_if_any()
    warn((*line.warnings, *faults.warnings), line.notes)
    measures = measure(alignment, speed, slow)
    findings = finding_table(measures, limits, count, alignment)
    speeds = speed_table(
        speed_profile(alignment, measures, limits, "normal"),
        speed_profile(alignment, measures, limits, "exceptional"),
        count,
    )
    own = project / RULES_FILE
    inputs = {**line.inputs, **({own.name: digest(own)} if own.is_file() else {})}
    made = made_from(inputs)
    document = {
        "made_from": made,
        "project": line.name,
        "speed_kmh": speed,
        "slow_speed_kmh": measures.slow,
        "findings": table_to_records(findings),
        "speeds": table_to_records(speeds),
        "limits": table_to_records(limit_table(limits)),
        "caution": _CAUTION,
    }
    terminal = out(findings, document, csv_file, json_file, files, _DECIMALS)
    if speed_file is not None:
        write_csv(speed_file, speeds, {}, files, [f"{made['program']}, {made['made_at']}"])
    if terminal:
        with to_reader():
            _show(line.name, measures.speed, measures.slow, findings, speeds, everything=everything)
    return OK if not np.isin(findings["verdict"], VERDICT_WORDS[2:3]).any() else NOT_ALL_WITHIN


def _show(
    name: str, speed: float, slow: float, findings: Columns, speeds: Columns, *, everything: bool
) -> None:  # fmt: skip
    words, counts = findings["verdict"], {}
    for word in VERDICT_WORDS:
        counts[word] = int((words == word).sum())
    slow_words = f", slowest train {slow:g} km/h" if slow < speed else ""
    print_table(
        [TableColumn("verdict"), TableColumn("values")],
        [[_marked(word) for word in VERDICT_WORDS if counts[word]], [counts[w] for w in VERDICT_WORDS if counts[w]]],
        f"{name} at {speed:g} km/h{slow_words}",
        [f"No limit at this speed: {_listed(np.unique(findings['quantity'][words == VERDICT_WORDS[3]]).tolist())}."]
        if counts[VERDICT_WORDS[3]] else [],
    )  # fmt: skip
    rows = np.flatnonzero(np.ones(len(words), dtype=bool) if everything else np.isin(words, VERDICT_WORDS[1:3]))
    if rows.size:
        _show_findings(findings, rows, everything=everything)
    print()  # noqa: T201 - a page for people
    _show_speeds(speeds)


def _marked(word: str) -> str:
    return {"beyond": "! beyond", "exceptional": "~ exceptional"}.get(word, f"  {word}")


def _place(chainage: float) -> str:
    return format_chainage(round(chainage, 1))[:-2]


def _number(value: float) -> str:
    """Return a number in four digits or so, whatever its unit."""
    if np.isnan(value):
        return DASH
    if abs(value) < _NOTHING:
        return "0"
    text = f"{value:.0f}" if abs(value) >= 1000 else f"{value:.1f}" if abs(value) >= 100 else f"{value:.3g}"
    return text.replace("-", MINUS)


def _show_findings(findings: Columns, rows: np.ndarray[Any, Any], *, everything: bool) -> None:
    def remedy_of(length: str, speed: str) -> str:
        ways = [f"{length} m"] * (length != DASH) + [f"{speed} km/h"] * (speed != DASH)
        return f" ({' or '.join(ways)})" if ways else ""

    def texts(column: str) -> list[str]:
        return [_number(v) for v in findings[column][rows].tolist()]

    place = [
        f"{'plan' if profile == 'horizontal' else 'profile' if profile == 'vertical' else profile} {element}, {kind}"
        for profile, element, kind in zip(
            *(findings[name][rows].tolist() for name in ("profile", "element", "kind")), strict=True
        )
    ]
    columns = [
        TableColumn("element"), TableColumn("worst at", "km"), TableColumn("quantity"), TableColumn("value", "", 0),
        TableColumn("unit"), TableColumn("verdict", styles=_STYLES),
    ]  # fmt: skip
    values: list[Any] = [
        place, [_place(v) for v in findings["chainage_worst_m"][rows].tolist()], findings["quantity"][rows],
        texts("value"), findings["unit"][rows], [_marked(word) for word in findings["verdict"][rows].tolist()],
    ]  # fmt: skip
    for level, name in (("normal", "passes"), ("exceptional", "exceptional")):
        lengths, speeds = texts(f"{name}_length_m"), texts(f"{name}_speed_kmh")
        remedies = [remedy_of(*pair) for pair in zip(lengths, speeds, strict=True)]
        columns.append(TableColumn(f"{level} limit (kept by)"))
        values.append([f"{bound}{remedy}" for bound, remedy in zip(texts(level), remedies, strict=True)])
    print()  # noqa: T201 - a page for people
    print_table(
        columns, values, "All values" if everything else "Beyond the normal limit",
        [
            "Kept by: the shortest length of the element, or the largest speed, that keeps a limit that is broken.",
            *(f"{text}." for text in _sources(findings, rows)),
            _CAUTION,
        ],
    )  # fmt: skip


def _sources(findings: Columns, rows: np.ndarray[Any, Any]) -> list[str]:
    named: Mapping[str, str] = {
        str(findings["quantity"][row]): f"{findings['source'][row]}; clause: {findings['clause'][row]} "
        f"({findings['checked'][row]})"
        for row in rows.tolist()
        if findings["source"][row]
    }
    by_source: dict[str, list[str]] = {}
    for quantity, source in named.items():
        by_source.setdefault(source, []).append(quantity)
    return [f"Limits of {_listed(names)}: {source}" for source, names in by_source.items()]


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _show_speeds(speeds: Columns) -> None:
    print_table(
        [
            TableColumn("from", "km"), TableColumn("to", "km"), TableColumn("normal", "km/h"),
            TableColumn("governed by"), TableColumn("exceptional", "km/h"), TableColumn("governed by"),
        ],
        [
            *([_place(v) for v in speeds[f"chainage_{end}_m"].tolist()] for end in ("start", "end")),
            np.floor(speeds["speed_normal_kmh"]), speeds["governed_normal"],
            np.floor(speeds["speed_exceptional_kmh"]), speeds["governed_exceptional"],
        ],
        "Largest speed by the limits that depend on it, whole km/h",
    )  # fmt: skip
