"""What the command rail does."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path

import numpy as np

from geometry.alignment.laws import Floats
from geometry.errors import Fault, Faults, InputError
from geometry.exchange.plan_inputs import plan_inputs, plan_of
from geometry.exchange.project import Project, open_project
from geometry.exchange.rail_tables import seat_table
from geometry.exchange.seat_files import SEATS_FILE, read_cast_seats, seat_inputs
from geometry.placement import UNJUDGED, SectionCheck
from geometry.placement.rail.chords import Chord
from geometry.placement.rail.forecast import RailForecast, RailLimit, RailRules, rail_forecast
from geometry.placement.rail.seats import RailSeats, rail_seats
from viewer.cli.options import NOT_ALL_WITHIN, OK
from viewer.rail_page import RailPage, keeps_all, rail_document, show_rail
from viewer.running import check_of, chosen_slabs, kept, out, to_reader, warn
from viewer.terminal import Progress

__all__ = ["forecast_of", "run_rail"]


def forecast_of(
    project: Project, answer: SectionCheck | None, pose: Floats | None = None, chords: Sequence[Chord] = ()
) -> tuple[RailForecast, tuple[Fault, ...]]:
    """Forecast the rail of a project.

    Parameters
    ----------
    project : Project
    answer : SectionCheck, optional
        Its poses and their uncertainty; without it slabs lie on their targets, exactly.
    pose : ndarray, shape (n, 6), optional
        Deviations of poses in place of those of `answer`, as a plan would leave them, with the uncertainty of the
        measured ones.
    chords : sequence of Chord
        Further chords to tell level and line from; nothing is held against them.

    Returns
    -------
    forecast : RailForecast
    warnings : tuple of Fault
        Of the file of rail seats.

    Raises
    ------
    InputError
        If there are no slabs, or the file of rail seats has faults.
    """
    if not len(project.layout.names):
        raise InputError([Fault(str(project.folder), "at least one slab in the layout", "none",
                                "slabpose layout says why")])  # fmt: skip
    faults = Faults()
    layout, settings = project.layout, project.settings
    seats: RailSeats = rail_seats(project.alignment, project.targets, project.types, layout)
    cast = read_cast_seats(
        project.folder / SEATS_FILE, layout.names, seats, settings.rail.seat_sigma_mm / 1e3, faults
    )  # fmt: skip
    faults.stop_if_any()
    rules = _with_chords(settings.rail.rules(settings.decision.guard_factor), chords)
    if pose is None:
        pose = np.zeros((len(layout.names), 6)) if answer is None else answer.pose
    if answer is None:
        return rail_forecast(seats, pose, None, rules, cast), tuple(faults.warnings)
    doubtful = np.asarray((answer.notes & UNJUDGED) > 0)
    return rail_forecast(seats, pose, answer.fits, rules, cast, doubtful), tuple(faults.warnings)


def _with_chords(rules: RailRules, chords: Sequence[Chord]) -> RailRules:
    """Return the rules with level and line from further chords, those that a limit is for left out."""
    known = {(limit.quantity, limit.chord) for limit in rules.limits}
    more = [
        RailLimit(quantity, -np.inf, np.inf, "asked for with --chord", chord)
        for chord in dict.fromkeys(chords)
        for quantity in ("level", "line")
        if (quantity, chord) not in known
    ]
    return replace(rules, limits=(*rules.limits, *more))


def run_rail(
    project: Path, survey: Sequence[Path], readings: Sequence[Path], stage: str | None, start: str | None,
    end: str | None, poses: str, chord: Sequence[Chord], everything: bool, csv_file: Path | None,
    json_file: Path | None,
) -> int:  # fmt: skip
    """Forecast the rail of a section."""
    if poses == "target" and (survey or readings or stage):
        raise InputError([Fault("--pose target", "no survey, as slabs lie on their targets", "one that is named")])
    files = kept(project, [*survey, *readings], (csv_file, json_file))
    with Progress("forecasting the rail"):
        read_project = open_project(project)
        slabs = chosen_slabs(read_project, start, end)
        inputs = {**read_project.inputs, **seat_inputs(project)}
        answer = None
        pose = None
        if poses != "target":
            read, answer = check_of(read_project, survey, stage, readings)
            inputs |= read.inputs
            warn(read.warnings)
        if poses == "planned" and answer is not None:
            given = plan_inputs(read_project, answer)
            inputs |= given.inputs
            pose = plan_of(read_project, answer, given=given).pose_after
        forecast, warnings = forecast_of(read_project, answer, pose, chord)
    warn((*read_project.warnings, *warnings))
    chosen = slabs[forecast.seats.slab]
    doubtful = np.zeros(len(slabs), dtype=bool) if answer is None else np.asarray((answer.notes & UNJUDGED) > 0)
    page = RailPage(read_project, forecast, chosen, "given" if poses == "planned" else poses, inputs, doubtful)
    # a long line has millions of values here: only a file has a use for them
    asked = csv_file is not None or json_file is not None
    every = seat_table(read_project, forecast) if asked else {}
    table = {name: values[chosen] for name, values in every.items()}
    document = rail_document(page, table if json_file is not None else {})
    terminal = out(table, document, csv_file, json_file, files)
    with to_reader() if terminal else nullcontext():
        if terminal:
            show_rail(page, everything=everything)
    return OK if keeps_all(page) else NOT_ALL_WITHIN
