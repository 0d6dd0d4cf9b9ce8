"""What the command fasteners does."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path

import numpy as np

from geometry.alignment.laws import Floats
from geometry.errors import Fault, Faults, InputError
from geometry.exchange.fastener_tables import FASTENER_DECIMALS, changed_table, lay_pieces, order_table
from geometry.exchange.plan_inputs import plan_inputs, plan_of
from geometry.exchange.project import PROJECT_FILE, Project, open_project
from geometry.exchange.seat_files import SEATS_FILE, read_cast_seats, seat_inputs
from geometry.placement import UNJUDGED, SectionCheck
from geometry.placement.rail.fasteners import FastenerPlan, adjusted, plan_fasteners
from geometry.placement.rail.forecast import RailForecast, rail_forecast
from geometry.placement.rail.seats import CastSeats, RailSeats, rail_seats
from viewer.cli.options import NOT_ALL_WITHIN, OK
from viewer.fastener_page import FastenerPage, all_kept, fastener_document, show_fasteners
from viewer.running import check_of, chosen_slabs, kept, out, to_reader, warn
from viewer.terminal import Progress

__all__ = ["fastened_rail", "run_fasteners"]


def fastened_rail(
    project: Project, answer: SectionCheck | None, pose: Floats | None = None, slabs: np.ndarray | None = None,
    seconds: float | None = None,
) -> tuple[FastenerPlan, RailForecast, tuple[Fault, ...]]:  # fmt: skip
    """Plan the fasteners of a project.

    Parameters
    ----------
    project : Project
    answer : SectionCheck, optional
        Its poses and their uncertainty; without it slabs lie on their targets, exactly. A slab whose survey
        contradicts itself counts as not measured: no shim is laid by a reading that may be wrong.
    pose : ndarray, shape (n, 6), optional
        Deviations of poses in place of those of `answer`, as a plan would leave them.
    slabs : ndarray of bool, shape (n,), optional
        Slabs whose fasteners may be adjusted; all if not given.
    seconds : float, optional
        Time for the search in place of that of the project file.

    Returns
    -------
    plan : FastenerPlan
        With the rail before.
    after : RailForecast
        The rail as the plan makes it.
    warnings : tuple of Fault

    Raises
    ------
    InputError
        If the project lacks slabs, fasteners or limits of the rail, or the file of rail seats has faults.
    """
    layout, settings, faults = project.layout, project.settings, Faults()
    if not len(layout.names):
        faults.error(str(project.folder), "at least one slab in the layout", "none", "slabpose layout says why")
    if settings.fastener is None:
        faults.error(f"{PROJECT_FILE}: fastener", "a table [fastener]: steps, range and pieces", "none",
                     "the fastener's own papers say them")  # fmt: skip
    if all(limit.band is not None for limit in settings.rail.limit):
        found = "only ranges of wavelengths" if settings.rail.limit else "none"
        faults.error(f"{PROJECT_FILE}: rail.limit", "at least one limit at seats or over a chord or base", found)
    faults.stop_if_any()
    assert settings.fastener is not None  # None only with a fault
    seats: RailSeats = rail_seats(project.alignment, project.targets, project.types, layout)
    cast = read_cast_seats(
        project.folder / SEATS_FILE, layout.names, seats, settings.rail.seat_sigma_mm / 1e3, faults
    )  # fmt: skip
    faults.stop_if_any()
    if pose is None:
        pose = np.zeros((len(layout.names), 6)) if answer is None else answer.pose
    if answer is not None:
        pose = np.where(((answer.notes & UNJUDGED) > 0)[:, None], np.nan, pose)
    rules = settings.fastener.rules(settings.decision.guard_factor, seconds)
    free = None if slabs is None else slabs[seats.slab]
    plan = plan_fasteners(_forecast(project, answer, seats, pose, cast), rules, free)
    return plan, _forecast(project, answer, adjusted(seats, plan), pose, cast), tuple(faults.warnings)


def _forecast(
    project: Project, answer: SectionCheck | None, seats: RailSeats, pose: Floats, cast: CastSeats | None
) -> RailForecast:  # fmt: skip
    rules = project.settings.rail.rules(project.settings.decision.guard_factor)
    return rail_forecast(seats, pose, None if answer is None else answer.fits, rules, cast)


def run_fasteners(
    project: Path, survey: Sequence[Path], readings: Sequence[Path], stage: str | None, start: str | None,
    end: str | None, poses: str, everything: bool, most_seconds: float | None,
    csv_file: Path | None, json_file: Path | None, order_file: Path | None,
) -> int:  # fmt: skip
    """Plan the fasteners of a section."""
    if poses == "target" and (survey or readings or stage):
        raise InputError([Fault("--pose target", "no survey, as slabs lie on their targets", "one that is named")])
    files = kept(project, [*survey, *readings], (csv_file, json_file, order_file))
    with Progress("planning the fasteners"):
        read_project = open_project(project)
        slabs = chosen_slabs(read_project, start, end)
        inputs, answer = {**read_project.inputs, **seat_inputs(project)}, None
        pose = None
        if poses != "target":
            read, answer = check_of(read_project, survey, stage, readings)
            inputs |= read.inputs
            warn(read.warnings)
        if poses == "planned" and answer is not None:
            given = plan_inputs(read_project, answer)
            inputs |= given.inputs
            pose = plan_of(read_project, answer, given=given).pose_after
        plan, after, warnings = fastened_rail(read_project, answer, pose, slabs, most_seconds)
    warn((*read_project.warnings, *warnings))
    settings = read_project.settings.fastener
    assert settings is not None  # no plan without
    laid = lay_pieces(plan, settings)
    page = FastenerPage(
        read_project, settings, plan, after, laid, slabs, "given" if poses == "planned" else poses, inputs
    )
    table, document = changed_table(read_project, settings, plan, laid, after), fastener_document(page)
    terminal = out(table, document, csv_file, json_file, files, FASTENER_DECIMALS)
    if order_file is not None:
        out(order_table(settings, laid), document, order_file, None, files)
    with to_reader() if terminal else nullcontext():
        if terminal:
            show_fasteners(page, everything=everything)
    return OK if all_kept(page) else NOT_ALL_WITHIN
