"""What the command ready does."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from geometry.errors import Fault
from geometry.exchange.bed_files import bed_paths, read_anchors, read_bed
from geometry.exchange.mortar_section import mortar_of, mortar_warnings
from geometry.exchange.plan_inputs import plan_of
from geometry.exchange.project import Project, open_project
from geometry.exchange.ready_section import ready_section
from geometry.exchange.ready_tables import all_ready, slab_ready_table
from geometry.exchange.seat_files import seat_inputs
from geometry.placement import SectionCheck
from geometry.placement.mortar import MortarReport
from geometry.placement.rail.forecast import RailForecast
from viewer.cli.options import NOT_ALL_WITHIN, OK
from viewer.rail_command import forecast_of
from viewer.ready_page import ready_document, show_ready
from viewer.running import check_of, chosen_slabs, kept, out, to_reader, warn
from viewer.terminal import Progress

__all__ = ["run_ready"]


def _mortar_of(
    project: Project, check: SectionCheck
) -> tuple[MortarReport | None, dict[str, str], tuple[Fault, ...]]:  # fmt: skip
    """Return what lies under the slabs as built, from which files, and warnings; None if nobody surveyed the bed."""
    if project.settings.mortar is None or not bed_paths(project.folder):
        return None, {}, ()
    bed, anchors = read_bed(project), read_anchors(project)
    report = mortar_of(project, check, bed, anchors)
    warnings = (*bed.warnings, *anchors.warnings, *mortar_warnings(project, bed, report))
    return report, {**bed.inputs, **anchors.inputs}, warnings


def _rail_of(project: Project, check: SectionCheck) -> tuple[RailForecast | None, tuple[Fault, ...]]:
    """Return the rail over the slabs and warnings; None if the project has no limits for it."""
    return forecast_of(project, check) if project.settings.rail.limit else (None, ())


def run_ready(
    project: Path, survey: Sequence[Path], readings: Sequence[Path], stage: str | None, start: str | None,
    end: str | None, at: datetime | None, temperature_difference: float | None, plan: bool, everything: bool,
    csv_file: Path | None, json_file: Path | None,
) -> int:  # fmt: skip
    """Tell which slabs are ready for injection."""
    files = kept(project, [*survey, *readings], (csv_file, json_file))
    with Progress("looking at every slab") as progress:
        read_project = open_project(project)
        chosen = chosen_slabs(read_project, start, end)
        read, answer = check_of(read_project, survey, stage, readings)
        when = np.datetime64((at or datetime.now(UTC)).astimezone(UTC).replace(tzinfo=None), "us")
        mortar, bed_inputs, bed_warnings = _mortar_of(read_project, answer)
        rail, rail_warnings = _rail_of(read_project, answer)
        beside = bed_inputs if rail is None else {**bed_inputs, **seat_inputs(project)}
        if plan:
            progress.say("making the correction plan")
        section = ready_section(
            read_project, answer, read.points, when, mortar=mortar, rail=rail,
            plan=plan_of(read_project, answer) if plan else None, difference=temperature_difference,
        )  # fmt: skip
    warn((*read_project.warnings, *read.warnings, *bed_warnings, *rail_warnings))
    slabs = {name: values[chosen] for name, values in slab_ready_table(read_project, answer, section).items()}
    document = ready_document(read_project, {**read.inputs, **beside}, section, chosen, slabs)
    terminal = out(slabs, document, csv_file, json_file, files)
    with to_reader() if terminal else nullcontext():
        if terminal:
            show_ready(read_project, section, chosen, slabs, everything=everything)
    return OK if all_ready(section, chosen) else NOT_ALL_WITHIN
