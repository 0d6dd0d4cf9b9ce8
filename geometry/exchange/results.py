"""Results as tables: one mapping of column name to array each, units in the names.

Corrections of slabs whose survey is contradictory are left out: nobody shall turn a screw because of a
reading that is wrong.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.alignment import PLACES, Alignment, ChainageCount, Projection, evaluate
from geometry.alignment.frames import angles, to_grid
from geometry.alignment.laws import Floats
from geometry.placement import (
    JOINT_QUANTITIES,
    NOTES,
    QUANTITY_WORDS,
    SLAB_QUANTITIES,
    UNDECIDED,
    UNJUDGED,
    VERDICTS,
    WITHIN,
    Judged,
    Quantity,
    SectionCheck,
    joint_gaps,
)
from geometry.slabs import Fitting, Layout
from geometry.survey.points import Ints

from .project import Project

__all__ = [
    "CAUTIONS",
    "Columns",
    "all_within",
    "anchor_table",
    "corner_table",
    "joint_table",
    "made_from",
    "offset_table",
    "slab_table",
    "station_table",
    "summary",
    "target_corner_table",
    "target_table",
]

Columns = dict[str, npt.NDArray[Any]]
Bools = npt.NDArray[np.bool_]

CAUTIONS = (
    "An aid to calculation: the contract, the local code and the licensed surveyor decide, and sign.",
    "Check control points and set-up before you trust a reading; measure again after every move.",
    "Turn one screw at a time in small steps and keep load on all; nobody under or beside a lifted slab.",
    "Four marks do not show a curled slab, and nothing here tells whether the mortar gap is right.",
)


def made_from(inputs: Mapping[str, str]) -> dict[str, Any]:
    """Return what a result was made from: program, time (UTC), and inputs with their SHA-256."""
    return {
        "program": f"slabpose {version('slabpose')}",
        "made_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "inputs_sha256": dict(inputs),
    }


def _mm(values: Floats) -> Floats:
    return np.asarray(values * 1e3, dtype=np.float64)


def _texts(choices: Sequence[str], which: npt.NDArray[Any]) -> npt.NDArray[np.object_]:
    """Return one of a few texts for each row, shape (n,): all rows that say the same share one object."""
    return np.asarray(np.array(choices, dtype=object)[which])


def _reasons(
    judged: Mapping[Quantity, Judged], quantities: Sequence[Quantity], notes: Ints, before: str = ""
) -> npt.NDArray[np.object_]:
    """Return in words why things are not within, "" where there is nothing to say; `before` goes before a note."""
    present = [q for q in quantities if q in judged]
    key = notes.astype(np.int64)
    for q in present:
        key = key * len(VERDICTS) + judged[q].verdict
    combinations = np.flatnonzero(np.bincount(key))
    texts = np.empty(int(combinations.max(initial=-1)) + 1, dtype=object)
    for value in combinations.tolist():
        rest = value
        parts: list[str] = []
        for q in reversed(present):
            rest, verdict = divmod(rest, len(VERDICTS))
            # nothing measured is said once, by the note
            if verdict in (1, UNDECIDED):
                parts.insert(0, f"{QUANTITY_WORDS[q]} {VERDICTS[verdict]}")
        noted = ", ".join(text for bit, text in NOTES.items() if rest & bit)
        parts += [before + noted] if noted else []
        texts[value] = "; ".join(parts)
    return np.asarray(texts[key])


def _by_name(fittings: Sequence[Fitting], kinds: Ints, values: Floats, column: str, unit: str) -> Columns:
    """Return a column per fitting name; types may have them in other order, or not at all."""
    names = list(dict.fromkeys(name for f in fittings for name in f.names))
    table: Columns = {}
    for name in names:
        by_type = np.array([f.names.index(name) if name in f.names else -1 for f in fittings])
        if (by_type == by_type[0]).all():
            taken = values[:, by_type[0]]
        else:
            where = by_type[kinds]
            taken = np.take_along_axis(values, np.maximum(where, 0)[:, None], 1)[:, 0]
            taken = np.where(where >= 0, taken, np.nan)
        table[f"{column}_{name}_{unit}" if unit else f"{column}_{name}"] = taken
    return table


def slab_table(project: Project, check: SectionCheck) -> Columns:
    """Return one row per slab: verdicts, decisive deviations, and the moves that bring it to its target."""
    layout, kinds = project.layout, project.layout.type_index
    table: Columns = {
        "slab": layout.names,
        "type": _texts([t.name for t in project.types], kinds),
        "chainage_m": project.chainage,
        "distance_m": layout.distance,
        "verdict": _texts(VERDICTS, check.verdict),
        "why": _reasons(check.by_tolerance, SLAB_QUANTITIES, check.notes),
    }
    for q in SLAB_QUANTITIES:
        if q in check.by_tolerance:
            judged = check.by_tolerance[q]
            table[f"{q}_mm"] = _mm(judged.value)
            table[f"{q}_sigma_mm"] = _mm(judged.sigma)
            table[f"{q}_verdict"] = _texts(VERDICTS, judged.verdict)
    for i, name in enumerate(("pitch", "roll", "yaw"), start=3):
        table[f"{name}_mrad"] = _mm(check.pose[:, i])
    table["marks"] = check.fits.measured.sum(axis=1)
    released = np.where(check.released, 1.0, np.nan)[:, None]
    screws, adjusters = [t.screws for t in project.types], [t.adjusters for t in project.types]
    table |= _by_name(screws, kinds, _mm(check.moves.lift * released), "lift", "mm")
    table |= _by_name(screws, kinds, check.moves.turns * released, "turns", "")
    table |= _by_name(adjusters, kinds, _mm(check.moves.push * released), "push", "mm")
    table |= _by_name(adjusters, kinds, check.moves.push_turns * released, "push_turns", "")
    table["move_along_mm"] = _mm(check.moves.along * released[:, 0])
    return table


def corner_table(project: Project, check: SectionCheck) -> Columns:
    """Return one row per mark of each slab: deviation of the fitted slab, residual and test of the mark."""
    kinds = project.layout.type_index
    m = check.fits.measured.shape[1]
    names = np.array([[*t.marks.names, *[""] * (m - len(t.marks.names))] for t in project.types])[kinds]
    exists = (names != "").ravel()
    rows = np.flatnonzero(exists)
    table: Columns = {"slab": np.repeat(project.layout.names, m)[rows], "corner": names.ravel()[rows]}
    for i, axis in enumerate(("easting", "northing", "level")):
        table[f"{axis}_m"] = check.measured.xyz[..., i].ravel()[rows]
    table["used"] = check.fits.measured.ravel()[rows]
    for i, q in enumerate(SLAB_QUANTITIES):
        table[f"{q}_mm"] = _mm(check.deviation[..., i].ravel()[rows])
        table[f"{q}_sigma_mm"] = _mm(check.deviation_sigma[..., i].ravel()[rows])
    redundancy, w = check.fits.design.redundancy.reshape(-1, m, 3)[check.fits.group], check.fits.w
    for i, q in enumerate(SLAB_QUANTITIES):
        table[f"residual_{q}_mm"] = _mm(check.fits.residual[..., i].ravel()[rows])
        table[f"w_{q}"] = w[..., i].ravel()[rows]
        table[f"redundancy_{q}"] = redundancy[..., i].ravel()[rows]
    return table


def joint_table(project: Project, check: SectionCheck) -> Columns:
    """Return one row per joint between neighbouring slabs."""
    j, layout = check.joints, project.layout
    length = np.array([t.length for t in project.types])[layout.type_index]
    at = (layout.distance[j.rear] * length[j.front] + layout.distance[j.front] * length[j.rear]) / (
        length[j.rear] + length[j.front]
    )
    beside = (check.notes[j.rear] | check.notes[j.front]) & UNJUDGED
    table: Columns = {
        "rear_slab": layout.names[j.rear],
        "front_slab": layout.names[j.front],
        "chainage_m": project.count.to_chainage(at),
        "at_structure_joint": j.at_structure,
        "verdict": _texts(VERDICTS, check.joint_verdict),
        "why": _reasons(check.by_tolerance, JOINT_QUANTITIES, beside, "beside it: "),
    }
    for name in ("step_level", "step_line", "gap"):
        values, sigmas = getattr(j, name), getattr(j, f"{name}_sigma")
        for side, text in enumerate(("left", "right")):
            table[f"{name}_{text}_mm"] = _mm(values[:, side])
            table[f"{name}_{text}_sigma_mm"] = _mm(sigmas[:, side])
    for side, text in enumerate(("left", "right")):
        table[f"target_gap_{text}_mm"] = _mm(j.target_gap[:, side])
    for q in JOINT_QUANTITIES:
        if q in check.by_tolerance:
            table[f"{q}_verdict"] = _texts(VERDICTS, check.by_tolerance[q].verdict)
    return table


def _before_another(layout: Layout) -> Bools:
    """Return which slabs have another one of their span ahead, shape (n,)."""
    return np.append(layout.span[1:] == layout.span[:-1], False)[: len(layout.span)]


def target_table(project: Project) -> Columns:
    """Return one row per slab of the layout: target pose, and what a rigid slab cannot follow."""
    layout, targets = project.layout, project.targets
    bearing, pitch, roll = angles(targets.rotation)
    gaps = joint_gaps(
        targets.position, targets.rotation, project.types, layout.type_index, project.alignment.rules.grid_scale
    )
    inside = _before_another(layout)
    gaps = np.where(inside[:, None], np.concatenate([gaps, np.full((1, 2), np.nan)])[: len(inside)], np.nan)
    span_names = np.array([*(s.name for s in project.spans), ""])
    return {
        "slab": layout.names,
        "type": _texts([t.name for t in project.types], layout.type_index),
        "span": span_names[layout.span],
        "chainage_m": project.chainage,
        "distance_m": layout.distance,
        "easting_m": targets.position[:, 0],
        "northing_m": targets.position[:, 1],
        "level_m": targets.position[:, 2],
        "bearing_deg": np.degrees(bearing),
        "pitch_mrad": _mm(pitch),
        "roll_mrad": _mm(roll),
        "gap_ahead_mm": _mm(layout.gap_ahead),
        "gap_left_mm": _mm(gaps[:, 0]),
        "gap_right_mm": _mm(gaps[:, 1]),
        "wedge_mm": _mm(gaps[:, 0] - gaps[:, 1]),
        "versine_mm": _mm(targets.versine),
        "vertical_versine_mm": _mm(targets.vertical_versine),
        "seat_across_mm": _mm(targets.seat_across),
        "seat_up_mm": _mm(targets.seat_up),
        "warp_mm": _mm(targets.warp),
    }


def target_corner_table(project: Project) -> Columns:
    """Return one row per mark of each target slab, for setting out."""
    layout, targets = project.layout, project.targets
    parts = []
    for index, slab_type in enumerate(project.types):
        rows = np.flatnonzero(layout.type_index == index)
        marks = slab_type.marks
        xyz = to_grid(targets.position[rows], targets.rotation[rows], marks.places, project.alignment.rules.grid_scale)
        parts.append((np.repeat(rows, len(marks.names)), np.tile(np.array(marks.names), len(rows)), xyz.reshape(-1, 3)))
    slab, corner, xyz = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.argsort(slab, kind="stable")
    names = layout.names[slab[order]]
    corner = corner[order]
    return {
        "point": np.char.add(np.char.add(names, "-"), corner),
        "slab": names,
        "corner": corner,
        "easting_m": xyz[order, 0],
        "northing_m": xyz[order, 1],
        "level_m": xyz[order, 2],
    }


def anchor_table(project: Project) -> Columns:
    """Return one row per anchor: the joints' middles, and half a nominal gap beyond the ends of a row.

    The level is that of the bed below the anchor.
    """
    layout, targets = project.layout, project.targets
    scale = project.alignment.rules.grid_scale
    half = np.array([t.length for t in project.types])[layout.type_index] / 2
    down = np.array([t.thickness for t in project.types])[layout.type_index]
    down = down + project.design_bed.under_middle(project.types, layout.type_index, targets.rotation)
    nominal = project.settings.layout.gap_nominal_mm / 2e3
    rear = to_grid(targets.position, targets.rotation, _along(-half - nominal, -down), scale)[:, 0]
    front = to_grid(targets.position, targets.rotation, _along(half + nominal, -down), scale)[:, 0]
    inside = _before_another(layout)
    # between two slabs of a span the middle of what both ask for
    shared = np.flatnonzero(inside)
    middle = (front[shared] + rear[shared + 1]) / 2
    first = np.flatnonzero(~np.append(False, inside)[: len(inside)])
    last = np.flatnonzero(~inside)
    xyz = np.concatenate([middle, rear[first], front[last]])
    before = np.concatenate([layout.names[shared], np.full(len(first), ""), layout.names[last]])
    after = np.concatenate([layout.names[shared + 1], layout.names[first], np.full(len(last), "")])
    place = np.concatenate([
        layout.distance[shared] + half[shared], layout.distance[first] - half[first], layout.distance[last] + half[last]
    ])  # fmt: skip
    order = np.argsort(place, kind="stable")
    return {
        "rear_slab": before[order],
        "front_slab": after[order],
        "easting_m": xyz[order, 0],
        "northing_m": xyz[order, 1],
        "level_m": xyz[order, 2],
    }


def _along(along: Floats, up: Floats) -> Floats:
    return np.stack([np.zeros_like(along), along, up], axis=-1)[:, None]


def station_table(alignment: Alignment, count: ChainageCount, distance: Floats) -> Columns:
    """Return one row per distance: the values of the alignment there."""
    s = evaluate(alignment, distance)
    with np.errstate(divide="ignore"):
        radius = np.where(np.abs(s.curvature) > 1e-9, 1 / s.curvature, np.nan)
    return {
        "chainage_m": count.to_chainage(s.distance),
        "distance_m": s.distance,
        "easting_m": s.easting,
        "northing_m": s.northing,
        "level_m": s.level,
        "bearing_deg": np.degrees(s.bearing),
        "radius_m": radius,
        "curvature_1_km": s.curvature * 1e3,
        "gradient_permille": s.gradient * 1e3,
        "cant_mm": _mm(s.cant),
    }


def offset_table(count: ChainageCount, names: npt.NDArray[Any], xyz: Floats, feet: Projection) -> Columns:
    """Return one row per point: its chainage, offset and height, and where the answer is no plain foot."""
    place = np.array(PLACES)[feet.place]
    return {
        "point": names,
        "easting_m": xyz[:, 0],
        "northing_m": xyz[:, 1],
        "level_m": xyz[:, 2],
        "chainage_m": count.to_chainage(feet.distance),
        "distance_m": feet.distance,
        "offset_m": feet.offset,
        "height_m": feet.height,
        "beyond_m": feet.beyond,
        "place": place,
        "unique": feet.unique,
    }


def summary(check: SectionCheck, slabs: Bools, joints: Bools) -> dict[str, dict[str, int]]:
    """Return how many of the chosen slabs, (n,), and joints, (j,), have each verdict."""
    return {
        what: {text: int((verdict == code).sum()) for code, text in enumerate(VERDICTS[:4])}
        for what, verdict in (("slabs", check.verdict[slabs]), ("joints", check.joint_verdict[joints]))
    }


def all_within(check: SectionCheck, slabs: Bools, joints: Bools) -> bool:
    """Return whether every chosen slab and joint is within; nothing unmeasured is, and no slab is no section."""
    verdicts = np.concatenate([check.verdict[slabs], check.joint_verdict[joints]])
    return bool(slabs.any() and (verdicts == WITHIN).all())
