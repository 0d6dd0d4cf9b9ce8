"""From the decisions before injection to what pictures are coloured by: mortar gap, planned moves, rail."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from geometry.errors import Fault, Faults, InputError, SlabposeError
from geometry.exchange.bed_files import read_anchors, read_bed
from geometry.exchange.cells import near
from geometry.exchange.mortar_section import mortar_of, mortar_warnings
from geometry.exchange.project import Project
from geometry.placement import SectionCheck
from geometry.placement.mortar import BEDS, MortarReport, designed_field
from geometry.placement.mortar.bed import Bed
from geometry.placement.mortar.gap_field import gap_field
from geometry.placement.plan.section_plan import DOUBTFUL, STANDING, UNKNOWN, SectionPlan
from geometry.placement.rail.forecast import LimitForecast, RailForecast
from geometry.slabs import Fitting
from geometry.survey import movement_rows

from .deviation_layer import deviation_card, deviation_layer
from .gap_layer import GapValues, gap_layer
from .layer import Layer, RailTrace, Source, rectangles
from .move_layer import MoveValues, move_layer
from .posed import POSES, Planning
from .rail_layer import RailValues, rail_layer
from .section import NOT_MEASURED, OUT, QUANTITIES, UNDECIDED, WITHIN, Section

__all__ = ["gap_values", "layer_sources", "move_values", "rail_values", "worst_first"]

Floats = NDArray[np.float64]
Tell = Callable[[Sequence[Fault]], None]

_ROWS, _COLUMNS = 9, 5  # of the grid of gaps under a slab: cells of about 0.6 m by 0.6 m
_OF_REPORT = {"built": "built", "target": "target", "given": "planned"}
_FIGURES = 1e-6  # mm; what is smaller is rounding


def gap_values(
    report: MortarReport, bed: Bed, check: SectionCheck, project: Project, section: Section | None = None
) -> GapValues:
    """Return the gaps of a mortar report, with a grid of them for every slab.

    Parameters
    ----------
    report : MortarReport
    bed : Bed
    check : SectionCheck
    project : Project
    section : Section, optional
        Whose built poses are those of the report; where the slabs were measured if not given.
    """
    gaps, limits = report.gaps, report.limits
    poses = check.fits.position, check.fits.rotation
    if section is not None:
        poses = section.built_position, section.built_rotation
    kinds, scale = project.layout.type_index, project.alignment.rules.grid_scale
    by_design = report.designed
    if np.isin(report.bed_used, (0, 1)).any():
        field = gap_field(bed, *poses, project.types, kinds, scale, _ROWS, _COLUMNS)
    else:
        place = project.layout.distance
        field = designed_field(project.design_bed, project.types, kinds, place, *poses, _ROWS, _COLUMNS)
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
        pose=POSES[_OF_REPORT[report.pose]],
        bed=np.array(BEDS)[report.bed_used],
        design_corner_mm=by_design.corner * 1e3,
        design_smallest_mm=by_design.smallest * 1e3,
        design_largest_mm=by_design.largest * 1e3,
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
    project: Project, check: SectionCheck, section: Section, limit: str | None = None, tell: Tell = lambda _: None, *,
    pose: str = "built", planning: Planning | None = None,
) -> Mapping[str, Source]:  # fmt: skip
    """Return what each choice of colour is worked out by.

    Parameters
    ----------
    project : Project
    check : SectionCheck
        Of all slabs of the project.
    section : Section
        Of that check, with its slabs in the pose: see `viewer.posed.section_in`.
    limit : str, optional
        The limit of the rail that is shown first; see `worst_first`.
    tell : function of faults
        Takes the warnings of the files that a choice needs.
    pose : str
        One of `viewer.posed.POSES`.
    planning : Planning, optional
        Of that check; made if not given.
    """
    made = Planning(project, check, tell) if planning is None else planning

    def deviation(name: str) -> list[Layer]:
        if pose == "target":
            raise SlabposeError("slabs on their targets have no deviation: colour them by gap or rail")
        layer = deviation_layer(section, name)
        if pose == "planned":
            layer = replace(
                layer,
                heading=f"{layer.heading}, slabs {POSES[pose]}",
                title=f"{name}, planned minus target",
                card=lambda slab: deviation_card(section, slab)._replace(told="planned minus target, mm"),
            )
        return [layer]

    def gaps() -> list[Layer]:
        bed, anchors = read_bed(project, needed=False), read_anchors(project)
        if pose == "planned":
            given = made.plan.pose_after, made.after.covariance
            report = mortar_of(project, check, bed, anchors, "given", given)
        else:
            report = mortar_of(project, check, bed, anchors, "target" if pose == "target" else "built")
        tell((*bed.warnings, *anchors.warnings, *mortar_warnings(project, bed, report)))
        return [gap_layer(gap_values(report, bed.bed, check, project, section))]

    def moves() -> list[Layer]:
        if pose != "built":
            raise SlabposeError("planned moves start from where slabs were built: show them with the pose built")
        return [move_layer(move_values(made.plan, project, section))]

    def rail() -> list[Layer]:
        from viewer.rail_command import forecast_of

        if pose == "target":
            forecast, warnings = forecast_of(project, None)
        else:
            forecast, warnings = forecast_of(project, check, made.plan.pose_after if pose == "planned" else None)
        tell(warnings)
        if not forecast.limits:
            faults = Faults()
            faults.error("project.toml: rail.limit", "at least one limit of the rail", "none",
                         "without limits the rail has no colours")  # fmt: skip
            faults.stop_if_any()
        layers = [rail_layer(rail_values(forecast, one), len(section)) for one in forecast.limits]
        if pose != "built":
            layers = [replace(layer, heading=f"{layer.heading}, slabs {POSES[pose]}") for layer in layers]
        return worst_first(layers, limit)

    parts = {name: (lambda name=name: deviation(name)) for name in QUANTITIES}
    return {**parts, "gap": gaps, "move": moves, "rail": rail}
