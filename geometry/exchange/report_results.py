"""Results of a section as parts of a report: slabs, moves, joints, corners, and what was found in the survey."""

from __future__ import annotations

from typing import Final

import numpy as np

from geometry.alignment.laws import Floats

from .ready_tables import slab_ready_table
from .report_blocks import Kind, Listing, Paragraph, Picture, ReportTable, Section, Shown, picked, with_u
from .report_evidence import Evidence
from .results import Columns, corner_table, joint_table, slab_table

__all__ = ["corner_section", "joint_section", "joints_all", "pictures", "slab_section", "slabs_all"]

SLAB: Final = Shown("slab", "slab")
CHAINAGE: Final = Shown("chainage_m", "chainage", "km", "chainage")
VERDICT: Final = Shown("verdict", "verdict", kind="verdict")
WHY: Final = Shown("why", "why", kind="words")
_WORST: Final = (
    "Deviation is built less target at the corner that decides: + right, + forward, + up; u is its standard "
    "uncertainty."
)
_STEPS: Final = (
    "Steps go from the rear to the front slab where the rails cross the joint: + up, + right. L left, R right; u is "
    "the standard uncertainty of the value before it."
)
_POSE = tuple(shown for name in ("across", "along", "up") for shown in with_u(name, name))


def _told(values: Floats, unit: str = "mm") -> str:
    """Return from where to where values lie, for those who cannot see a picture."""
    known = values[np.isfinite(values)]
    if not known.size:
        return "nothing is known"
    return f"from {known.min():+.1f} to {known.max():+.1f} {unit}"


def pictures(evidence: Evidence) -> Section:
    """Return the pages of pictures, each with what it shows in words."""
    check, chosen = evidence.check, evidence.slabs
    count = int(chosen.sum())
    of = f"of {count:,} slab{'s' * (count != 1)} in rows along chainage"
    axes = (("up", "in level", 2), ("across", "across", 0))
    shown = [
        Picture(name, f"Deviation {word} {of}: {_told(check.deviation[chosen][..., axis] * 1e3)}. Numbers: all slabs.")
        for name, word, axis in axes
    ]
    if evidence.mortar is not None:
        gaps = evidence.mortar.report.gaps
        extremes = np.concatenate([gaps.smallest[chosen], gaps.largest[chosen]]) * 1e3
        told = _told(extremes).replace("+", "")
        shown.append(Picture("gap", f"Mortar gap {of}: {told}. Numbers: mortar of all slabs."))
    if evidence.rail is not None and evidence.rail.limits:
        words = f"The rail over them, {of}, against the limit that it exceeds most. Numbers: rail forecast."
        shown.append(Picture("rail", words))
    shown.append(Picture("line", "Charts along the line, one above the other: curvature, cant, gradient, and "
                                 "deviations of the slabs."))  # fmt: skip
    return Section("The section in pictures", tuple(shown), wide=True)


def _moves(slabs: Columns) -> ReportTable | None:
    """Return the moves of slabs that are not within and may be moved; None if there are none."""
    lifts = [name for name in slabs if name.startswith("lift_")]
    pushes = [name for name in slabs if name.startswith("push_") and name.endswith("_mm")]
    known = np.isfinite(np.stack([slabs[name] for name in lifts])).any(axis=0)
    rows = np.asarray(known & (slabs["verdict"] != "within"))
    if not rows.any():
        return None
    shown = [SLAB]
    for way, names, turns in (("lift", lifts, "turns"), ("push", pushes, "push_turns")):
        for name in names:
            screw = name.removeprefix(f"{way}_").removesuffix("_mm")
            shown += [
                Shown(name, f"{way} {screw}", "mm", "number", 2, sign=True),
                Shown(f"{turns}_{screw}", f"{way} {screw}", "turns", "number", 2, sign=True),
            ]
    shown.append(Shown("move_along_mm", "along", "mm", "number", 1, sign=True))
    return ReportTable("", "Moves that bring them to the target", picked(slabs, rows), tuple(shown), (
        "lift + raises the slab at that screw, push + moves it to the right there, along + forward; all of a slab's "
        "screws belong together. Each slab by itself: the correction plan is not part of this report.",
    ))  # fmt: skip


def slab_section(evidence: Evidence) -> Section:
    """Return what is wrong with slabs, how they would be moved, and what was found in the survey."""
    project, check, chosen = evidence.project, evidence.check, evidence.slabs
    slabs = picked(slab_table(project, check), chosen)
    # within without a check, or out of the screws' reach, has to be seen as well
    noted = np.asarray((slabs["verdict"] != "within") | (slabs["why"] != ""))
    blocks: list[ReportTable | Paragraph | Listing] = []
    if noted.any():
        shown = (SLAB, CHAINAGE, VERDICT, *_POSE, WHY)
        blocks.append(ReportTable("", "Slabs that need attention", picked(slabs, noted), shown, (_WORST,)))
    else:
        blocks.append(Paragraph("Every slab is within."))
    moves = _moves(slabs)
    blocks += [moves] if moves is not None else []
    held = int((check.held & chosen).sum())
    if held:
        many = "s were" if held > 1 else " was"
        blocks.append(Paragraph(f"{held} slab{many} measured after injection: mortar holds, no moves are given."))
    found = [f for f in check.findings if f.slab < 0 or chosen[f.slab]]
    for title, withholds in (("Found in the survey: no verdict until it is cleared up", True),
                             ("Found in the survey besides", False)):  # fmt: skip
        texts = tuple(f.text for f in found if f.withholds == withholds)
        blocks += [Listing(title, texts)] if texts else []
    for title, lines in (("Curl and twist of the slabs", evidence.told.bowing),
                         ("Found in the layout", tuple(str(f) for f in project.layout_findings))):  # fmt: skip
        blocks += [Listing(title, lines)] if lines else []
    return Section("Slabs", tuple(blocks))


def _joints(evidence: Evidence) -> Columns:
    table = picked(joint_table(evidence.project, evidence.check), evidence.joints)
    pair = [f"{a} | {b}" for a, b in zip(table["rear_slab"].tolist(), table["front_slab"].tolist(), strict=True)]
    return {"joint": np.array(pair, dtype=object)} | table


def _sides(name: str, head: str, decimals: int, *, sign: bool, u: bool = True) -> tuple[Shown, ...]:
    shown = []
    for side in ("left", "right"):
        value = Shown(f"{name}_{side}_mm", head, side[0].upper(), "number", decimals, sign)
        shown += [value, *([Shown(f"{name}_{side}_sigma_mm", head, "u", "number", decimals)] if u else [])]
    return tuple(shown)


def joint_section(evidence: Evidence) -> Section:
    """Return the joints that need attention."""
    table = _joints(evidence)
    noted = np.asarray(table["verdict"] != "within")
    if not noted.any():
        words = "Every joint is within." if len(noted) else "There is no joint."
        return Section("Joints", (Paragraph(words),))
    shown = (
        Shown("joint", "joint"), CHAINAGE, VERDICT, *_sides("step_level", "step in level, mm", 2, sign=True),
        *_sides("step_line", "step in line, mm", 2, sign=True), *_sides("gap", "gap, mm", 1, sign=False, u=False), WHY,
    )  # fmt: skip
    return Section("Joints", (
        ReportTable("", "Joints that need attention", picked(table, noted), shown, (_STEPS,)),
    ), wide=True)  # fmt: skip


def joints_all(evidence: Evidence) -> Section:
    """Return every joint."""
    shown = (
        Shown("joint", "joint"), CHAINAGE, VERDICT, *_sides("step_level", "step in level, mm", 2, sign=True),
        *_sides("step_line", "step in line, mm", 2, sign=True), *_sides("gap", "gap, mm", 1, sign=False),
        *_sides("target_gap", "target, mm", 1, sign=False, u=False), WHY,
    )  # fmt: skip
    notes = (_STEPS, "Gaps at both edges of the slabs; target: as the layout has them.")
    return Section("All joints", (ReportTable("joints", "Steps and gaps of every joint", _joints(evidence), shown,
                                              notes),), wide=True)  # fmt: skip


def slabs_all(evidence: Evidence) -> Section:
    """Return every slab with its verdict, its reasons, and whether it is ready."""
    project, chosen = evidence.project, evidence.slabs
    table = picked(slab_table(project, evidence.check), chosen)
    ready = picked(slab_ready_table(project, evidence.check, evidence.ready), chosen)
    table |= {f"ready_{name}": ready[name] for name in ("state", "reasons", "warnings", "waived")}
    table |= {name: ready[name] for name in ("measured_at", "age_h")}
    shown = (
        SLAB, Shown("type", "type"), CHAINAGE, VERDICT, *_POSE,
        *(Shown(f"{name}_mrad", name, "mrad", "number", 2, sign=True) for name in ("pitch", "roll", "yaw")),
        Shown("marks", "corners", "", "number"), WHY, Shown("ready_state", "for injection", kind="verdict"),
        Shown("ready_reasons", "not ready because", kind="words"),
    )  # fmt: skip
    notes = (_WORST, "Pitch + forward end up, roll + left side up, yaw + clockwise. Corners: how many the fit uses.")
    return Section("All slabs", (ReportTable("slabs", "Verdict and reasons of every slab", table, shown, notes),),
                   wide=True)  # fmt: skip


def corner_section(evidence: Evidence) -> Section:
    """Return every corner: place, deviation of the fitted slab, residual and test."""
    table = corner_table(evidence.project, evidence.check)
    names = evidence.project.layout.names[evidence.slabs]
    table = picked(table, np.isin(table["slab"], names))
    number: Kind = "number"
    shown = (
        SLAB, Shown("corner", "corner"),
        *(Shown(f"{axis}_m", axis, "m", number, 4) for axis in ("easting", "northing", "level")),
        Shown("used", "used"), *_POSE,
        *(Shown(f"residual_{q}_mm", "residual, mm", q, number, 2, sign=True) for q in ("across", "along", "up")),
        *(Shown(f"w_{q}", "w", q, number, 1, sign=True) for q in ("across", "along", "up")),
    )  # fmt: skip
    notes = (
        "Coordinates as surveyed; deviation of the fitted slab at the corner, with its standard uncertainty u; "
        "residual is the mark as measured less the fitted slab, w its size in the test for blunders.",
    )
    return Section("Corners", (ReportTable("corners", "Every corner, its slab's fit and its own residual", table,
                                           shown, notes, grouped=True),), wide=True)  # fmt: skip
