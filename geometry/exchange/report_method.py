"""How results came about, in words: method, decision rule, uncertainty, instrument and control, tolerances."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
from scipy import stats

from geometry.placement import QUANTITY_WORDS
from geometry.survey.fit import CRITICAL_W

from .control_files import CONTROL_FILE
from .fieldwork_tables import setup_table
from .report_blocks import Block, Facts, Kind, Listing, Paragraph, ReportTable, Section, Shown, columns_of
from .report_evidence import Evidence
from .settings import InstrumentSettings

__all__ = ["control_section", "input_section", "method_section", "tolerance_section"]

_INSTRUMENT: Final[dict[str, tuple[str, str]]] = {
    "sigma_direction_arcsec": ("direction", '"'),
    "sigma_zenith_arcsec": ("zenith angle", '"'),
    "sigma_distance_mm": ("distance, constant part", "mm"),
    "ppm": ("distance, part that grows with it", "mm/km"),
    "centring_mm": ("centring", "mm"),
    "target_height_mm": ("target height", "mm"),
    "control_sigma_plan_mm": ("control point in plan, where its file gives none", "mm"),
    "control_sigma_level_mm": ("control point in level, where its file gives none", "mm"),
}
_SEATING: Final = {
    "ends": "its ends lie on the design line",
    "centre": "its middle lies on the design line, parallel to the ends",
    "shared": "the largest offset of its rail seats from the design is smallest",
    "least_squares": "the squares of the offsets of its rail seats from the design are smallest in sum",
}


def method_section(evidence: Evidence) -> Section:
    """Return how slabs were compared with the design, how verdicts are made, and what uncertainty is in them."""
    project = evidence.project
    settings, rules = project.settings, project.alignment.rules
    guard = settings.decision.guard_factor
    risk = 100 * float(stats.norm.sf(guard))
    held = "low rail" if settings.alignment.pivot == "low_rail" else "track centre line"
    blocks: list[Block] = [
        Listing("Method", (
            f"Target: every slab of the layout is a rigid body on the design alignment, seated so that "
            f"{_SEATING[settings.layout.seating]}. Cant turns about the {held}; lengths in plan are true lengths "
            f"times {rules.grid_scale:g}.",
            "Matching: a surveyed point belongs to a mark if it lies within "
            f"{settings.survey.match_radius_m * 1e3:g} mm of the mark's target and is named after it, or is not named. "
            "Points of one mark from several set-ups are averaged. Names and places that contradict each other are "
            "told, and the slab gets no verdict.",
            "Fit: one position and one rotation for each slab (six values, no change of size), by least squares from "
            "all its marks, each weighted with its uncertainty.",
            "Blunders: the weighted sum of squares of each slab is tested at the 0.1 percent level. A mark that alone "
            "explains the failure is left out and named. Four heights can show that one of them is wrong, not which. "
            f"In the table of corners w is a residual over its standard deviation: one in a thousand is beyond "
            f"{CRITICAL_W:.2f} by chance.",
            "Deviation: built less target at each mark of the fitted slab, in the target slab's own frame: + right, "
            "+ forward, + up. The mark that decides is told for each slab.",
            "Joints: steps in level and line where the rails cross the joint, from the rear to the front slab, and "
            "the gap at both edges.",
        )),
        Listing("Decision rule", (
            f"JCGM 106:2012, guarded acceptance and guarded rejection: a value is within only if it lies inside both "
            f"limits by {guard:g} times its standard uncertainty, out only if it lies outside one of them by as much, "
            "undecided between. What was not measured is never within.",
            f"With the guard factor {guard:g}, a value that is told as within lies beyond the nearer limit with a "
            f"probability of at most {risk:.2g} percent, if its error is normally distributed and its uncertainty "
            "is what is stated.",
            "A slab is judged by its pose in all three directions; a joint by all its tolerances. Contradictions in "
            "the survey withhold the verdict of within.",
        )),
        Listing("Uncertainty", tuple(_uncertainty(evidence))),
        Listing("What is not in it", (
            "Errors of the design data, and of control points as far as the survey gives coordinates only.",
            "How well the marks sit on the slab, and a slab that is not cast as drawn: it is taken as rigid and plane. "
            "With four marks curl cannot be seen at all.",
            "What happens after the measurement: settling, heat, and slabs that float or slide while mortar is "
            "injected.",
        )),
    ]  # fmt: skip
    return Section("Method, decision rule and uncertainty", tuple(blocks))


def _uncertainty(evidence: Evidence) -> Iterator[str]:
    s = evidence.project.settings
    yield (
        "u is the standard uncertainty (coverage factor 1). That of a mark comes with the survey; where a file gives "
        f"none, {s.survey.sigma_plan_mm:g} mm in plan and {s.survey.sigma_level_mm:g} mm in level are assumed."
    )
    yield (
        "It is carried through the fit into every deviation, step and gap; what one set-up does to all its points is "
        "carried as shared, so that it drops out of differences between slabs that the set-up saw."
    )
    if evidence.mortar is not None and s.mortar is not None:
        yield (
            f"Mortar gap: levels of bed points ({s.mortar.sigma_level_mm:g} mm where a file gives none), "
            f"{s.mortar.shared_level_mm:g} mm that all bed levels share, the slab's pose, and what the bed may do "
            "between its points."
        )
    if evidence.rail is not None:
        yield (
            f"Rail: the slabs' poses, and rail seats as measured on the cast slabs, or with "
            f"{s.rail.unmeasured_seat_sigma_mm:g} mm where nobody measured them."
        )


def _control_facts(evidence: Evidence) -> Iterator[tuple[str, str]]:
    survey = evidence.survey
    for name, sha in survey.inputs.items():
        yield ("Control points" if Path(name).name == CONTROL_FILE else "Survey"), f"{name}, SHA-256 {sha}"
    yield "Points used", ", ".join(f"{name or 'no stage named'}: {count:,}" for name, count in survey.stages.items())
    setups = np.unique(survey.points.setup[survey.points.setup > 0])
    yield "Set-ups", f"{len(setups)} named" if len(setups) else "none named in the survey"
    times = survey.points.time[~np.isnat(survey.points.time)]
    if len(times):
        first, last = (str(t.astype("datetime64[m]")).replace("T", " ") for t in (times.min(), times.max()))
        yield "Measured", f"{first} to {last} UTC"
    else:
        yield "Measured", "at unknown times"


def _instrument(settings: InstrumentSettings) -> ReportTable:
    rows = [(words, getattr(settings, name), unit) for name, (words, unit) in _INSTRUMENT.items()]
    return ReportTable("instrument", "Standard uncertainties of readings and control", columns_of(
        rows, ("of", "value", "unit")
    ), (Shown("of", "of"), Shown("value", "value", "", "number", 2), Shown("unit", "unit")))  # fmt: skip


def control_section(evidence: Evidence) -> Section:
    """Return what was measured, with what, from where: survey files, set-ups, instrument, control."""
    settings, worked = evidence.project.settings.instrument, evidence.worked
    blocks: list[Block] = [Facts(tuple(_control_facts(evidence)))]
    if worked is None:
        blocks.append(Paragraph(
            "The survey gives coordinates: which instrument was used, how it was set up and whether its control points "
            "held was not checked here. The crew's own record of that belongs with this one."
        ))  # fmt: skip
        return Section("Instrument and control", tuple(blocks))
    air = "corrected for air" if settings.air_correction else "taken as corrected for air by the instrument"
    blocks.append(Paragraph(
        f"Coordinates were worked out here from readings: distances {air}, refraction {settings.refraction:g}, "
        f"sights over {settings.longest_sight_m:g} m told; each set-up by itself from all its control "
        "points, by least squares with tests for blunders."
    ))  # fmt: skip
    blocks.append(_instrument(settings))
    table = setup_table(worked)
    number: Kind = "number"
    blocks.append(ReportTable("set-ups", "Set-ups", table, (
        Shown("setup", "set-up"), Shown("state", "state", kind="verdict"),
        Shown("control_points", "control", "points", number),
        *(Shown(f"{axis}_m", axis, "m", number, 4) for axis in ("easting", "northing", "level")),
        *(Shown(f"sigma_{axis}_mm", "u, mm", head, number, 2)
          for axis, head in (("easting", "east"), ("northing", "north"), ("level", "level"))),
        Shown("s0", "s0", "", number, 2), Shown("largest_w", "max |w|", "", number, 1),
    ), ("s0 is 1 if the stated uncertainties are true; |w| over 3.3 speaks for a blunder.",)))  # fmt: skip
    return Section("Instrument and control", tuple(blocks))


def _limit_rows(evidence: Evidence) -> Iterator[tuple[str, str, float, float, str]]:
    settings, nan = evidence.project.settings, np.nan
    for t in settings.tolerance:
        of = "slab" if t.quantity in ("across", "along", "up") else "joint"
        yield of, QUANTITY_WORDS[t.quantity], *t.range_mm, t.source
    mortar = settings.mortar
    if mortar is not None:
        yield "mortar", "gap", *mortar.gap.range_mm, mortar.gap.source
        if mortar.bed is not None:
            yield "bed", "level, built less designed", *mortar.bed.range_mm, mortar.bed.source
        if mortar.anchor is not None:
            for name, words in (("across", "clearance across"), ("along", "clearance along"),
                                ("ring", "clearance all around")):  # fmt: skip
                least = getattr(mortar.anchor, f"{name}_mm")
                if least is not None:
                    yield "anchor", words, least, nan, mortar.anchor.source
    for one in settings.rail.limit:
        yield "rail", one.words, *one.range_mm, one.source


def tolerance_section(evidence: Evidence) -> Section:
    """Return every limit with its source."""
    names = ("of", "quantity", "low_mm", "high_mm", "source")
    table = columns_of(list(_limit_rows(evidence)), names)
    shown = (
        Shown("of", "of"), Shown("quantity", "quantity"), Shown("low_mm", "allowed, mm", "from", "number", 1),
        Shown("high_mm", "allowed, mm", "to", "number", 1), Shown("source", "source", kind="words"),
    )  # fmt: skip
    hours = evidence.project.settings.ready.oldest_hours
    return Section("Tolerances and their sources", (
        ReportTable("tolerances", "Limits of this project", table, shown),
        Paragraph(f"For injection a measurement counts for {hours:g} hours. Limits are settings of the project: those "
                  "of the contract and the local code prevail."),
    ))  # fmt: skip


def input_section(evidence: Evidence, made: dict[str, Any]) -> Section:
    """Return every file that was read, with its SHA-256, and the program."""
    table = columns_of(list(evidence.inputs.items()), ("file", "sha256"))
    return Section("Inputs and program", (
        Paragraph(f"Made by {made['program']} at {made['made_at'].replace('T', ' ').removesuffix('+00:00')} UTC from "
                  "the files below and from nothing else. The SHA-256 tells whether a file is the one that was read."),
        ReportTable("inputs", "Files", table, (Shown("file", "file"), Shown("sha256", "SHA-256", kind="digest"))),
    ))  # fmt: skip
