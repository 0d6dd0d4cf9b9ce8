"""What the commands for design and demo do."""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from geometry.alignment import format_chainage
from geometry.alignment import project as project_points
from geometry.errors import ChainageError, Fault, Faults, InputError, SlabposeError
from geometry.exchange.design_files import is_design_file
from geometry.exchange.lines import open_line
from geometry.exchange.project import Project, digest, open_project
from geometry.exchange.results import (
    CAUTIONS,
    anchor_table,
    made_from,
    offset_table,
    station_table,
    target_corner_table,
    target_table,
)
from geometry.exchange.survey_files import (
    read_points,
)
from geometry.exchange.writing import table_to_records
from viewer.check_page import show_list
from viewer.cli.options import NOT_ALL_WITHIN, OK
from viewer.running import kept, out, to_reader, warn
from viewer.terminal import Progress, TableColumn, print_table, visible

__all__ = ["demo_folder", "laid_out", "run_demo", "run_layout", "run_offsets", "run_stations"]

_MOST_STATIONS = 2_000_000


_LAYOUT_COLUMNS = (
    ("slab", TableColumn("slab")),
    ("type", TableColumn("type")),
    ("chainage_m", TableColumn("chainage", "km")),
    ("bearing_deg", TableColumn("bearing", "deg", 4)),
    ("pitch_mrad", TableColumn("pitch", "mrad", 2, sign=True)),
    ("roll_mrad", TableColumn("roll", "mrad", 2, sign=True)),
    ("gap_ahead_mm", TableColumn("gap ahead", "mm", 1)),
    ("wedge_mm", TableColumn("wedge", "mm", 2, sign=True)),
    ("versine_mm", TableColumn("versine", "mm", 2, sign=True)),
    ("seat_across_mm", TableColumn("seat across", "mm", 2)),
    ("seat_up_mm", TableColumn("seat up", "mm", 2)),
    ("warp_mm", TableColumn("warp", "mm", 2, sign=True)),
)


_POINT_COLUMNS = tuple(TableColumn(name, "m", 4) for name in ("easting", "northing", "level"))


def _chainages(values: np.ndarray[Any, Any]) -> list[str]:
    return [format_chainage(v) for v in values.tolist()]


def run_layout(
    project: Path, alignment_name: str | None, like: Path | None, what: str, csv_file: Path | None,
    json_file: Path | None,
) -> int:  # fmt: skip
    """Show the layout."""
    files = kept(project, (project,), (csv_file, json_file))
    with Progress("laying out"):
        read = laid_out(project, alignment_name, like)
        table = {"slabs": target_table, "corners": target_corner_table, "anchors": anchor_table}[what](read)
    warn(read.warnings)
    findings = [str(finding) for finding in read.layout_findings]
    document = {
        "made_from": made_from(read.inputs),
        "project": read.settings.name,
        "seating": read.settings.layout.seating,
        "findings": findings,
        what: table_to_records(table),
        "cautions": CAUTIONS,
    }
    if out(table, document, csv_file, json_file, files):
        count = f"{len(read.layout.names)} slabs on {len(read.spans)} spans, seating {read.settings.layout.seating}"
        notes = [
            "bearing clockwise from grid north; pitch + forward end up, roll + left side up; versine + on a right-hand "
            "curve; wedge: gap left less gap right; seat: largest offset of a rail seat from the design rail; "
            "warp: design cant at the front end less that at the rear end.",
        ]
        if what == "slabs":
            columns = [column for _, column in _LAYOUT_COLUMNS]
            values = [_chainages(table[n]) if n == "chainage_m" else table[n] for n, _ in _LAYOUT_COLUMNS]
        else:
            texts = [name for name in table if not name.endswith("_m")]
            columns = [*(TableColumn(name.replace("_", " ")) for name in texts), *_POINT_COLUMNS]
            values = [table[name] for name in (*texts, "easting_m", "northing_m", "level_m")]
            notes = []
        with to_reader():
            print_table(columns, values, f"{read.settings.name}: {count}", notes)
    for finding in findings:
        sys.stderr.write(f"layout: {visible(finding)}\n")
    return NOT_ALL_WITHIN if findings else OK


def laid_out(project: Path, alignment_name: str | None, like: Path | None) -> Project:
    """Return a project, or a designer's file with the slab types and rules of another project."""
    if not is_design_file(project):
        if like is not None:
            raise InputError([Fault("--like", "a designer's file to lay slabs on", f"the project {project}")])
        return open_project(project)
    if like is None:
        raise InputError([Fault("--like", f"a project with the slab types and rules for {project}", "nothing")])
    line = open_line(project, alignment_name)
    warn(line.warnings, line.notes)
    read = open_project(like, (line.alignment, line.count))
    settings = read.settings.model_copy(update={"name": f"{line.name}, slabs as in {read.settings.name}"})
    return replace(read, settings=settings, inputs={**read.inputs, **line.inputs})


def run_stations(
    project: Path, alignment_name: str | None, chainage: Sequence[float], distance: Sequence[float],
    every: float | None, csv_file: Path | None, json_file: Path | None,
) -> int:  # fmt: skip
    """Show the alignment at chainages."""
    files = kept(project, (project,), (csv_file, json_file))
    line = open_line(project, alignment_name)
    alignment, count = line.alignment, line.count
    warn(line.warnings, line.notes)
    try:
        asked = [*distance, *(float(count.to_distance(c)) for c in chainage)]
    except ChainageError as fault:
        raise InputError([Fault("--at", "a chainage that names one place", str(fault))]) from fault
    if every is not None or not asked:
        step = every or 20.0
        if alignment.length / step > _MOST_STATIONS:
            raise InputError([Fault("--every", f"a step that gives at most {_MOST_STATIONS} stations", f"{step:g} m")])
        asked += _regular(count.starts, count.first, step)
    places = np.array(sorted(set(asked)))
    table = station_table(alignment, count, places)
    document = {
        "made_from": made_from(line.inputs), "project": line.name, "stations": table_to_records(table),
        "jumps": [str(joint) for joint in alignment.joints],
    }  # fmt: skip
    if out(table, document, csv_file, json_file, files):
        columns = [
            TableColumn("chainage", "km"), TableColumn("distance", "m", 3), *_POINT_COLUMNS,
            TableColumn("bearing", "deg", 5), TableColumn("radius", "m", 1, sign=True),
            TableColumn("gradient", "permille", 3, sign=True), TableColumn("cant", "mm", 1, sign=True),
        ]  # fmt: skip
        shown = [name for name in table if name != "curvature_1_km"]
        values = [_chainages(table[n]) if n == "chainage_m" else table[n] for n in shown]
        with to_reader():
            print_table(columns, values, f"{line.name}: the design line", [
                "radius + to the right, none on a straight; cant + left rail higher; level is that of the profile.",
            ])  # fmt: skip
            show_list("Jumps between elements", [(".", str(joint)) for joint in alignment.joints], 40)
    return OK


def _regular(starts: np.ndarray[Any, Any], first: np.ndarray[Any, Any], step: float) -> list[float]:
    """Return distances of round chainages on every stretch of the count, and both ends of the line."""
    places = [float(starts[0]), float(starts[-1])]
    for low, high, chainage in zip(starts[:-1].tolist(), starts[1:].tolist(), first.tolist(), strict=True):
        round_chainage = np.arange(np.ceil(chainage / step) * step, chainage + (high - low), step)
        places += (low + (round_chainage - chainage)).tolist()
    return places


def run_offsets(
    project: Path, points: Path, alignment_name: str | None, csv_file: Path | None, json_file: Path | None
) -> int:
    """Project points on the alignment."""
    files = kept(project, (project, points), (csv_file, json_file))
    line = open_line(project, alignment_name)
    alignment, count = line.alignment, line.count
    warn((), line.notes)
    faults = Faults(warnings=list(line.warnings))
    read, xyz = read_points(points, None, faults, wanted="any")
    # a file may hold more than is asked for here
    warn([w for w in faults.warnings if "column" not in w.expected])
    faults.stop_if_any()
    with Progress("projecting"):
        feet = project_points(alignment, xyz)
    table = offset_table(count, read["point"], xyz, feet)
    inputs = {**line.inputs, points.name: digest(points)}
    document = {"made_from": made_from(inputs), "project": line.name, "points": table_to_records(table)}
    if out(table, document, csv_file, json_file, files):
        place = np.where(feet.unique, table["place"], np.char.add(table["place"], ", not unique"))
        columns = [
            TableColumn("point"), TableColumn("chainage", "km"), TableColumn("offset", "m", 4, sign=True),
            TableColumn("height", "m", 4, sign=True), TableColumn("beyond end", "m", 4, sign=True),
            TableColumn("place"),
        ]  # fmt: skip
        beyond = np.where(table["beyond_m"] == 0, np.nan, table["beyond_m"])
        values: list[Any] = [
            table["point"], _chainages(table["chainage_m"]), table["offset_m"], table["height_m"], beyond, place,
        ]  # fmt: skip
        with to_reader():
            print_table(columns, values, f"{line.name}: points seen from the design line", [
                "offset + to the right; height over the profile; beyond end - before the start, + after the end.",
            ])  # fmt: skip
    return OK


def demo_folder() -> Path:
    """Return the demo's folder, beside the program or in the repository."""
    here = Path(__file__).parent
    source = next((p for p in (here / "demo_alignment", here.parent / "demo_alignment") if p.is_dir()), None)
    if source is None:
        raise SlabposeError("this installation has no demo")
    return source


def run_demo(folder: Path) -> int:
    """Copy the demo."""
    source = demo_folder()
    if folder.exists():
        raise InputError([Fault(str(folder), "a folder that does not exist yet", "one that does",
                                "nothing is written over")])  # fmt: skip
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        # copied beside and then named, so that a copy that breaks off leaves nothing behind
        with tempfile.TemporaryDirectory(prefix=".slabpose-", dir=folder.parent) as beside:
            draft = Path(beside) / "demo"
            shutil.copytree(source, draft, ignore=shutil.ignore_patterns("__pycache__"))
            draft.rename(folder)
    except (OSError, shutil.Error) as fault:
        # a copy tells of each file that failed: source, target, why
        why = fault.args[0][0][2] if isinstance(fault, shutil.Error) else fault.strerror
        raise InputError([Fault(str(folder), "a place to write to", str(why).lower())]) from fault
    sys.stdout.write(f"{folder}: now try  slabpose check {folder}\n")
    return OK
