"""From the decisions before injection to what pictures are coloured by: mortar gap, planned moves, rail."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from geometry.errors import Fault, Faults, InputError
from geometry.exchange.bed_files import read_anchors, read_bed
from geometry.exchange.cells import near
from geometry.exchange.mortar_section import mortar_of, mortar_warnings
from geometry.exchange.plan_inputs import plan_inputs, plan_of
from geometry.exchange.project import Project
from geometry.placement import SectionCheck
from geometry.placement.mortar import MortarReport
from geometry.placement.mortar.bed import Bed
from geometry.placement.mortar.gap_field import gap_field
from geometry.placement.plan.section_plan import DOUBTFUL, STANDING, UNKNOWN, SectionPlan
from geometry.placement.rail.forecast import LimitForecast, RailForecast
from geometry.slabs import Fitting
from geometry.survey import movement_rows

from .deviation_layer import deviation_layer
from .gap_layer import GapValues, gap_layer
from .layer import Layer, RailTrace, rectangles
from .move_layer import MoveValues, move_layer
from .rail_layer import RailValues, rail_layer
from .section import NOT_MEASURED, OUT, QUANTITIES, UNDECIDED, WITHIN, Section
from .window import Source

__all__ = ["gap_values", "layer_sources", "move_values", "rail_values", "worst_first"]

Floats = NDArray[np.float64]
Tell = Callable[[Sequence[Fault]], None]

_ROWS, _COLUMNS = 9, 5  # of the grid of gaps under a slab: cells of about 0.6 m by 0.6 m
_POSES = {"built": "as built", "target": "at their targets", "given": "after the moves"}
_FIGURES = 1e-6  # mm; what is smaller is rounding


def gap_values(report: MortarReport, bed: Bed, check: SectionCheck, project: Project) -> GapValues:
    """Return the gaps of a mortar report of the slabs as built, with a grid of them for every slab."""
    gaps, limits = report.gaps, report.limits
    field = gap_field(
        bed, check.fits.position, check.fits.rotation, project.types, project.layout.type_index,
        project.alignment.rules.grid_scale, _ROWS, _COLUMNS,
    )  # fmt: skip
    verdict = report.gap_verdict.astype(np.int64)
    return GapValues(
        field_mm=field * 1e3,
        corner_mm=gaps.corner * 1e3,
        corner_sigma_mm=gaps.corner_sigma * 1e3,
        smallest_mm=gaps.smallest * 1e3,
        largest_mm=gaps.largest * 1e3,
        smallest_sigma_mm=gaps.smallest_sigma * 1e3,
        largest_sigma_mm=gaps.largest_sigma * 1e3,
        smallest_place=gaps.smallest_place,
        largest_place=gaps.largest_place,
        volume_l=gaps.volume * 1e3,
        volume_sigma_l=gaps.volume_sigma * 1e3,
        under_area=gaps.under_area,
        low_mm=limits.gap_low * 1e3,
        nominal_mm=limits.gap_nominal * 1e3,
        high_mm=limits.gap_high * 1e3,
        verdict=np.where(verdict > NOT_MEASURED, NOT_MEASURED, verdict),
        pose=_POSES[report.pose],
    )


def _places(fittings: Sequence[Fitting], type_index: NDArray[np.intp], count: int) -> Floats:
    places = np.full((len(fittings), count, 3), np.nan)
    for row, fitting in zip(places, fittings, strict=True):
        row[: len(fitting.places)] = fitting.places
    return np.asarray(places[type_index])


def move_values(plan: SectionPlan, project: Project, section: Section) -> MoveValues:
    """Return the moves of a plan, and what it leaves of each slab."""
    kinds = project.layout.type_index
    corners = rectangles(section)
    vertices = np.concatenate([corners, np.zeros((*corners.shape[:2], 1))], axis=2)
    lift = np.einsum("nki,ni->nk", movement_rows(vertices)[:, :, 2], plan.move) * 1e3
    unknown = plan.standing == UNKNOWN
    lift[unknown] = np.nan
    verdict = np.full(len(section), WITHIN)
    touching = abs(plan.rules.rows[np.flatnonzero(plan.broken_after)]).sum(axis=0).reshape(-1, 6)
    verdict[np.asarray(touching).sum(axis=1) > 0.0] = OUT
    verdict[plan.standing == DOUBTFUL] = UNDECIDED
    verdict[unknown] = NOT_MEASURED
    return MoveValues(
        field_mm=np.where(np.abs(lift) < _FIGURES, 0.0, lift)[:, [[0, 1], [3, 2]]],
        lift_mm=plan.lift * 1e3,
        turns=plan.turns,
        push_mm=plan.push * 1e3,
        push_turns=plan.push_turns,
        screw_place=_places([t.screws for t in project.types], kinds, plan.lift.shape[1]),
        adjuster_place=_places([t.adjusters for t in project.types], kinds, plan.push.shape[1]),
        screw_name=tuple(t.screws.names for t in project.types),
        adjuster_name=tuple(t.adjusters.names for t in project.types),
        type_index=kinds,
        touched=plan.touched,
        verdict=verdict,
        standing=np.array(STANDING)[plan.standing],
    )


def rail_values(forecast: RailForecast, one: LimitForecast) -> RailValues:
    """Return the rail held against one of its limits."""
    seats = forecast.seats
    return RailValues(
        words=one.limit.words,
        quantity=one.limit.quantity,
        low_mm=one.limit.low * 1e3,
        high_mm=one.limit.high * 1e3,
        trace=RailTrace(seats.distance, seats.slab, one.value * 1e3, forecast.deviation * 1e3),
        sigma_mm=one.sigma * 1e3,
        verdict=one.verdict.astype(np.int64),
        seat=seats.seat,
    )


def worst_first(layers: Sequence[Layer], limit: str | None = None) -> list[Layer]:
    """Return layers of the rail from the one that is furthest out on its scale, or from the one named.

    Parameters
    ----------
    layers : sequence of Layer
    limit : str, optional
        What a limit is for, as its title has it, or a part of that which no other has.

    Raises
    ------
    InputError
        If no limit, or more than one, goes by that name.
    """
    names = [layer.title.removeprefix("rail, ") for layer in layers]
    if limit is None:
        furthest = [float(np.nan_to_num(layer.amount, nan=-1.0).max(initial=-1.0)) for layer in layers]
        first = int(np.argmax(furthest))
    else:
        wanted = limit.casefold().strip()
        found = [at for at, name in enumerate(names) if name.casefold() == wanted]
        found = found or [at for at, name in enumerate(names) if wanted in name.casefold()]
        if len(found) != 1:
            told = "none by that name" if not found else f"{len(found)} of them"
            raise InputError([Fault("--limit", f"one of: {'; '.join(names)}", f"{told}, {limit!r}",
                                    near(limit, names))])  # fmt: skip
        first = found[0]
    return [*layers[first:], *layers[:first]]


def layer_sources(
    project: Project, check: SectionCheck, section: Section, limit: str | None = None, tell: Tell = lambda _: None
) -> Mapping[str, Source]:
    """Return what each choice of colour is worked out by.

    Parameters
    ----------
    project : Project
    check : SectionCheck
        Of all slabs of the project.
    section : Section
        Of that check.
    limit : str, optional
        The limit of the rail that is shown first; see `worst_first`.
    tell : function of faults
        Takes the warnings of the files that a choice needs.
    """

    def gaps() -> list[Layer]:
        bed, anchors = read_bed(project), read_anchors(project)
        report = mortar_of(project, check, bed, anchors)
        tell((*bed.warnings, *anchors.warnings, *mortar_warnings(project, bed, report)))
        return [gap_layer(gap_values(report, bed.bed, check, project))]

    def moves() -> list[Layer]:
        given = plan_inputs(project, check)
        tell(given.warnings)
        return [move_layer(move_values(plan_of(project, check, given=given), project, section))]

    def rail() -> list[Layer]:
        from viewer.rail_command import forecast_of

        forecast, warnings = forecast_of(project, check)
        tell(warnings)
        if not forecast.limits:
            faults = Faults()
            faults.error("project.toml: rail.limit", "at least one limit of the rail", "none",
                         "without limits the rail has no colours")  # fmt: skip
            faults.stop_if_any()
        layers = [rail_layer(rail_values(forecast, one), len(section)) for one in forecast.limits]
        return worst_first(layers, limit)

    parts = {name: (lambda name=name: [deviation_layer(section, name)]) for name in QUANTITIES}
    return {**parts, "gap": gaps, "move": moves, "rail": rail}
