"""The layout review as tables: slab by slab, worst cases, choices side by side, options of spans, quantities."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.placement import joint_gaps
from geometry.slabs import Allowed, Layout, Seating, Targets, target_poses
from geometry.slabs.options import SpanOptions, TypeChoice, room_of
from geometry.slabs.quantities import Quantities
from geometry.slabs.review import design_thickness, mortar_wedge

from .project import Project
from .results import Columns, station_table, target_table
from .review_section import ReviewLimits, SectionReview, stand_in

__all__ = [
    "MEASURES",
    "QUANTITIES",
    "REVIEW_VERDICTS",
    "Choice",
    "choice_table",
    "comparison_table",
    "option_table",
    "quantity_table",
    "review_table",
    "sizes_of",
    "type_set_table",
    "worst_table",
]

REVIEW_VERDICTS: Final = ("within", "out", "no limit")
_HAIR_MM = 1e-3  # a gap that was laid out at its limit stays within it
_TARGET_COLUMNS = ("slab", "type", "span", "chainage_m", "distance_m")
_RIGID_COLUMNS = ("versine_mm", "vertical_versine_mm", "seat_across_mm", "seat_up_mm", "warp_mm")
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class _Quantity:
    """A column of the review: what it is called, and which of its values are the worst."""

    column: str
    words: str
    worst: Literal["farthest", "least", "most"]
    limit: str = ""

    @property
    def signed(self) -> bool:
        """Whether it may have either sign."""
        return self.worst == "farthest" or self.limit in ("sideways", "height")


QUANTITIES: Final = (
    _Quantity("versine_mm", "versine", "farthest"),
    _Quantity("vertical_versine_mm", "vertical versine", "farthest"),
    _Quantity("seat_across_mm", "seat offset across", "most"),
    _Quantity("seat_up_mm", "seat offset up", "most"),
    _Quantity("warp_mm", "warp", "farthest"),
    _Quantity("wedge_mm", "joint wedge", "farthest"),
    _Quantity("gap_least_mm", "joint gap, smallest", "least", "gap"),
    _Quantity("gap_most_mm", "joint gap, largest", "most", "gap"),
    _Quantity("anchor_across_mm", "anchor, across", "least", "across"),
    _Quantity("anchor_along_mm", "anchor, along", "least", "along"),
    _Quantity("anchor_ring_mm", "anchor, all around", "least", "ring"),
    _Quantity("mortar_wedge_mm", "mortar wedge", "most"),
    _Quantity("mortar_least_mm", "mortar, thinnest", "least", "mortar"),
    _Quantity("mortar_most_mm", "mortar, thickest", "most", "mortar"),
    _Quantity("fastener_left_mm", "fastener, to the left", "least", "sideways"),
    _Quantity("fastener_right_mm", "fastener, to the right", "most", "sideways"),
    _Quantity("fastener_down_mm", "fastener, down", "least", "height"),
    _Quantity("fastener_up_mm", "fastener, up", "most", "height"),
)
"""What is reviewed of each slab, in the order of pages."""

MEASURES: Final = ("versine", "vertical_versine", "seat_across", "seat_up", "warp", "joint_wedge", "mortar_wedge")
"""What choices are compared by, each with its largest and its mean size."""


@dataclass(frozen=True, eq=False)
class Choice:
    """One of several designs that are compared: a project with its layout, seated in some way."""

    name: str
    project: Project
    seating: Seating
    targets: Targets
    longer_mm: float = 0.0


def _mm(values: Floats) -> Floats:
    return np.asarray(values * 1e3, dtype=np.float64)


def _range_of(limits: ReviewLimits, name: str) -> tuple[float, float] | None:
    """Return smallest and largest allowed value, mm, or None."""
    limit: Allowed | float | None = getattr(limits, name) if name else None
    if limit is None:
        return None
    if isinstance(limit, Allowed):
        return limit.low * 1e3, limit.high * 1e3
    return limit * 1e3, np.inf


def _of_extremes(low: Floats, high: Floats, least: str, most: str) -> Columns:
    return {least: _mm(low), most: _mm(high)}


def review_table(review: SectionReview, limits: ReviewLimits) -> Columns:
    """Return one row per slab: place, what it asks for, and a verdict against what the project allows.

    ``wedge_mm`` is the joint ahead: gap at the left edge less that at the right edge. ``anchor_*`` is the smaller of
    both ends. ``fastener_left_mm`` to ``fastener_up_mm`` are moves of a rail to the design rail: + right and up, so
    that the first and the third are the least of them. Values that a slab has not, such as a joint ahead of the last
    slab of a span, are nan; anything else that is nan counts as out.
    """
    project = review.project
    target = target_table(project)
    place = station_table(project.alignment, project.count, project.layout.distance)
    anchors, moves = review.anchors, review.moves
    wedge = mortar_wedge(review.thickness)
    gap_low, gap_high = review.gap.min(axis=1), review.gap.max(axis=1)
    thick = review.thickness.reshape(len(wedge), 6)
    table: Columns = {
        **{name: target[name] for name in _TARGET_COLUMNS},
        "radius_m": place["radius_m"],
        "gradient_permille": place["gradient_permille"],
        "cant_mm": place["cant_mm"],
        **{name: target[name] for name in _RIGID_COLUMNS},
        "wedge_mm": target["wedge_mm"],
        **_of_extremes(gap_low, gap_high, "gap_least_mm", "gap_most_mm"),
        "anchor_across_mm": _mm(np.minimum(anchors.left, anchors.right).min(axis=1)),
        "anchor_along_mm": _mm(anchors.along.min(axis=1)),
        "anchor_ring_mm": _mm(anchors.ring.min(axis=1)),
        "mortar_wedge_mm": _mm(wedge),
        **_of_extremes(thick.min(axis=1), thick.max(axis=1), "mortar_least_mm", "mortar_most_mm"),
        **_of_extremes(moves.right_least, moves.right_most, "fastener_left_mm", "fastener_right_mm"),
        **_of_extremes(moves.up_least, moves.up_most, "fastener_down_mm", "fastener_up_mm"),
    }
    notched = np.array([t.notch_radius > 0 for t in project.types])[project.layout.type_index]
    has_joint = np.append(project.layout.span[1:] == project.layout.span[:-1], False)[: len(wedge)]
    why = np.zeros(len(wedge), dtype=np.int64)
    judged = False
    said: list[str] = []
    for quantity in QUANTITIES:
        allowed = _range_of(limits, quantity.limit)
        if allowed is None:
            continue
        value = table[quantity.column]
        good = (value >= allowed[0] - _HAIR_MM) & (value <= allowed[1] + _HAIR_MM)
        if quantity.column.startswith("gap"):
            good |= ~has_joint
        if quantity.column.startswith("anchor"):
            good |= ~notched
        why |= np.where(good, 0, 1 << len(said))
        said.append(quantity.words)
        judged = True
    table["verdict"] = np.array(REVIEW_VERDICTS, dtype=object)[np.where(judged, (why != 0).astype(np.intp), 2)]
    table["why"] = _reasons(why, said)
    return table


def _reasons(why: npt.NDArray[np.int64], said: Sequence[str]) -> npt.NDArray[np.object_]:
    kinds, of_row = np.unique(why, return_inverse=True)
    texts = ["; ".join(words for bit, words in enumerate(said) if kind >> bit & 1) for kind in kinds.tolist()]
    return np.asarray(np.array([*texts, ""], dtype=object)[of_row])


def worst_table(table: Columns, limits: ReviewLimits, count: int) -> Columns:
    """Return the worst slabs by each quantity, the worst first: value, what is allowed, and what the line is there."""
    rows: list[npt.NDArray[np.intp]] = []
    words: list[str] = []
    columns: list[str] = []
    low: list[float] = []
    high: list[float] = []
    for quantity in QUANTITIES:
        value = table[quantity.column]
        size = {"farthest": np.abs(value), "least": -value, "most": value}[quantity.worst]
        known = np.flatnonzero(np.isfinite(size))
        kept = min(count, len(known))
        if not kept:
            continue
        # the best of a hundred thousand without sorting them all, then these in order
        picked = known[np.argpartition(-size[known], kept - 1)[:kept]]
        picked = picked[np.lexsort((picked, -np.round(size[picked], 4)))]
        allowed = _range_of(limits, quantity.limit) or (np.nan, np.nan)
        rows.append(picked)
        words += [quantity.words] * kept
        columns += [quantity.column] * kept
        low += [allowed[0]] * kept
        high += [allowed[1] if np.isfinite(allowed[1]) else np.nan] * kept
    row = np.concatenate(rows) if rows else np.empty(0, dtype=np.intp)
    value = np.array([table[column][i] for column, i in zip(columns, row.tolist(), strict=True)], dtype=np.float64)
    return {
        "quantity": np.array(words, dtype=object),
        "slab": table["slab"][row],
        "chainage_m": table["chainage_m"][row],
        "value_mm": value,
        "low_mm": np.array(low, dtype=np.float64),
        "high_mm": np.array(high, dtype=np.float64),
        **{name: table[name][row] for name in ("radius_m", "gradient_permille", "cant_mm", "type")},
    }


def comparison_table(choices: Sequence[Choice]) -> Columns:
    """Return one row per choice: what it takes, and how well rigid slabs follow the line with it.

    ``*_largest_mm`` and ``*_mean_mm`` are sizes without a sign, over all slabs, or joints for the joint wedge; slabs
    stand in for those of spans that stay empty; ``stand_ins`` counts them, and what is ``per_km`` of laid spans has
    them in it, so that choices can be compared by it.
    """
    rows = [_row_of(choice) for choice in choices]
    return {name: np.array([row[name] for row in rows]) for name in rows[0]} if rows else {}


def sizes_of(choice: Choice, layout: Layout, targets: Targets) -> tuple[Floats, ...]:
    """Return what choices are compared by of some slabs, in the order of `MEASURES`, m."""
    project, types, line = choice.project, choice.project.types, choice.project.alignment
    inside = layout.span[1:] == layout.span[:-1]
    gaps = joint_gaps(targets.position, targets.rotation, types, layout.type_index, line.rules.grid_scale)[inside]
    thickness = design_thickness(project.design_bed, types, layout, targets)
    return (targets.versine, targets.vertical_versine, targets.seat_across, targets.seat_up, targets.warp,
            gaps[:, 0] - gaps[:, 1], mortar_wedge(thickness))  # fmt: skip


def _row_of(choice: Choice) -> dict[str, float | int | str]:
    project, layout = choice.project, choice.project.layout
    types = project.types
    counts = np.bincount(layout.type_index, minlength=len(types))
    main = max((t for t in types if not t.special), key=lambda t: int(counts[types.index(t)]))
    sizes = sizes_of(choice, layout, choice.targets)
    empty = stand_in(project)
    every = counts if empty is None else counts + np.bincount(empty.type_index, minlength=len(types))
    km = float(room_of(project.alignment, project.spans).sum()) / 1e3
    fasteners = 2 * np.array([len(t.seats) for t in types])
    if empty is not None:
        more = sizes_of(choice, empty, target_poses(project.alignment, types, empty, choice.seating))
        sizes = tuple(np.concatenate(pair) for pair in zip(sizes, more, strict=True))
    row: dict[str, float | int | str] = {
        "choice": choice.name,
        "seating": choice.seating,
        "longer_mm": choice.longer_mm,
        "main_type": main.name,
        "main_length_m": main.length,
        "seat_spacing_mm": float(np.diff(main.seats).mean() * 1e3),
        "slabs": len(layout.distance),
        "specials": int(counts[[t.special for t in types]].sum()),
        "types": int((counts > 0).sum()),
        "joints": int((layout.span[1:] == layout.span[:-1]).sum()),
        "spans_unfilled": len(project.spans) - len(np.unique(layout.span[layout.span >= 0])),
        "layout_findings": len(project.layout_findings),
        "fasteners": int((counts * fasteners).sum()),
        "stand_ins": int(every.sum() - counts.sum()),
        "slabs_per_km": float(every.sum()) / km,
        "fasteners_per_km": float((every * fasteners).sum()) / km,
    }
    for name, size in zip(MEASURES, sizes, strict=True):
        row[f"{name}_largest_mm"] = float(np.abs(size).max()) * 1e3 if len(size) else float("nan")
        row[f"{name}_mean_mm"] = float(np.abs(size).mean()) * 1e3 if len(size) else float("nan")
    return row


def _counts(project: Project, counts: npt.NDArray[np.intp], before: str = "") -> Columns:
    return {f"{before}{t.name}": counts[:, i] for i, t in enumerate(project.types)}


def _laid(project: Project) -> npt.NDArray[np.intp]:
    """Return how many slabs of each type lie on each span, shape (s, t)."""
    layout, t = project.layout, len(project.types)
    inside = layout.span >= 0
    key = layout.span[inside] * t + layout.type_index[inside]
    return np.bincount(key, minlength=len(project.spans) * t).reshape(-1, t)


def option_table(project: Project, span: int, options: SpanOptions) -> Columns:
    """Return one row per way to fill a span, the best first; ``laid_out`` where the layout has these counts."""
    lies = _laid(project)[span]
    return {
        "rank": np.arange(1, len(options.gap) + 1),
        **_counts(project, options.counts, "slabs_"),
        "slabs": options.counts.sum(axis=1),
        "specials": options.specials,
        "gap_mm": _mm(options.gap),
        "clearance_mm": _mm(options.clearance),
        "outside_mm": _mm(options.missing),
        "laid_out": (options.counts == lies).all(axis=1),
    }


def type_set_table(project: Project, choice: TypeChoice) -> Columns:
    """Return one row per set of slab types, the best first; ``in_use`` marks the set that the layout has."""
    names = np.array([t.name for t in project.types])
    used = _laid(project).sum(axis=0) > 0
    return {
        "types": np.array([" + ".join(names[mine]) for mine in choice.members], dtype=object),
        "count": choice.members.sum(axis=1),
        "specials": choice.specials,
        "spans_unfilled": choice.unfilled,
        "in_use": (choice.members == used).all(axis=1),
    }


def choice_table(project: Project, room: Floats, choice: TypeChoice) -> Columns:
    """Return one row per span: its fewest slab types and specials, beside what the layout has."""
    return {
        "span": np.array([s.name for s in project.spans]),
        "kind": np.array([s.kind for s in project.spans]),
        "length_m": room,
        **_counts(project, choice.counts, "slabs_"),
        "gap_mm": _mm(choice.gap),
        "clearance_mm": _mm(choice.clearance),
        **_counts(project, _laid(project), "laid_out_"),
        "possible": ~choice.impossible,
    }


def quantity_table(project: Project, quantities: Quantities) -> Columns:
    """Return one row per slab type: slabs, rail seats, fasteners, and mortar by design without losses."""
    return {
        "type": np.array([t.name for t in project.types]),
        "special": np.array([t.special for t in project.types]),
        "slabs": quantities.slabs,
        "length_m": quantities.length,
        "rail_seats": quantities.seats,
        "fasteners": quantities.fasteners,
        "mortar_m3": quantities.mortar,
    }
