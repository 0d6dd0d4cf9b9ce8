"""How the layout review is told: the terminal page and the JSON document."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.alignment import format_chainage
from geometry.alignment.laws import Floats
from geometry.exchange.project import Project
from geometry.exchange.results import CAUTIONS, Columns, made_from
from geometry.exchange.review_section import ReviewLimits
from geometry.exchange.review_tables import (
    MEASURES,
    QUANTITIES,
    REVIEW_VERDICTS,
    choice_table,
    quantity_table,
    type_set_table,
)
from geometry.exchange.writing import table_to_records
from geometry.slabs.options import TypeChoice
from geometry.slabs.quantities import Quantities
from viewer.check_page import show_list
from viewer.numbers import number, with_minus
from viewer.review_curves import price_words, show_curves
from viewer.terminal import TableColumn, print_table

__all__ = ["REVIEW_CAUTIONS", "LayoutReview", "SpanAnswer", "review_document", "show_review"]

REVIEW_CAUTIONS = (
    CAUTIONS[0],
    "All of this is by design: what placing adds comes on top and uses up the same fasteners, mortar and anchor room.",
)
_MARKS = {"within": "  within", "out": "# out", "no limit": "  no limit"}
_STYLES = {"# out": "bold red", "  within": "green"}
_MOST = 40
_MOST_SETS = 8
_MEASURE_WORDS = {
    "versine": "versine", "vertical_versine": "vertical versine", "seat_across": "seat offset across",
    "seat_up": "seat offset up", "warp": "warp", "joint_wedge": "joint wedge", "mortar_wedge": "mortar wedge",
}  # fmt: skip
_MEANINGS = (
    "Versine: chord less line in the middle of a slab, + on a right-hand curve; vertical + in a sag. Seat offset: the "
    "rail that a slab carries off the design rail, larger of all seats and both rails. Warp: cant of the track at the "
    "front end less that at the rear end. Joint wedge: gap at the left edge less that at the right edge.",
    "Anchor: from the anchor in the middle of the joint to the notch around it. Mortar wedge: thickest corner less "
    "thinnest, {bed}. Fastener: what it must move a rail to the design rail, + right and up.",
)
_SIGNED = {q.words for q in QUANTITIES if q.signed}
_BEDS = {True: "on a bed parallel to the design track", False: "on a bed that is level across"}


@dataclass(frozen=True, eq=False)
class SpanAnswer:
    """The ways to fill one span: its name, its true length, m, the table, how many there are, whether all are known."""

    name: str
    length: float
    table: Columns
    found: int
    complete: bool


@dataclass(frozen=True, eq=False)
class LayoutReview:
    """All that a review says; `slabs`, `worst`, `seatings`, `lengths` and `curves` are tables with their units."""

    project: Project
    limits: ReviewLimits
    slabs: Columns
    worst: Columns
    seatings: Columns
    lengths: Columns
    curves: Columns
    spans: Sequence[SpanAnswer]
    room: Floats
    choice: TypeChoice
    quantities: Quantities
    by_rules: bool

    @property
    def counts(self) -> dict[str, int]:
        """Slabs of each verdict."""
        return {text: int((self.slabs["verdict"] == text).sum()) for text in REVIEW_VERDICTS}


def _loss(project: Project) -> float:
    return project.settings.mortar.loss_percent if project.settings.mortar else 0.0


def review_document(review: LayoutReview, inputs: Mapping[str, str]) -> dict[str, Any]:
    """Return the whole answer as a document of plain values."""
    project, quantities = review.project, review.quantities
    limits = {
        name: None if limit is None else {"low_mm": limit.low * 1e3, "high_mm": limit.high * 1e3}
        for name, limit in (("joint_gap", review.limits.gap), ("mortar", review.limits.mortar),
                            ("fastener_sideways", review.limits.sideways), ("fastener_height", review.limits.height))
    }  # fmt: skip
    anchor = {f"anchor_{name}": None if least is None else {"low_mm": least * 1e3, "high_mm": None}
              for name, least in (("across", review.limits.across), ("along", review.limits.along),
                                  ("ring", review.limits.ring))}  # fmt: skip
    return {
        "made_from": made_from(inputs),
        "project": project.settings.name,
        "seating": project.settings.layout.seating,
        "bed_follows_cant": project.settings.bed.follows_cant,
        "limits": {**limits, **anchor},
        "summary": review.counts,
        "worst": table_to_records(review.worst),
        "seatings": table_to_records(review.seatings),
        "lengths": table_to_records(review.lengths),
        "lengths_by_element": table_to_records(review.curves),
        "lengths_in_words": price_words(review.lengths, review.curves),
        "span_options": [
            {"span": span.name, "length_m": round(span.length, 4), "found": span.found,
             "all_counts_tried": span.complete, "options": table_to_records(span.table)}
            for span in review.spans
        ],
        "type_sets": table_to_records(type_set_table(project, review.choice)),
        "type_sets_proven": review.choice.complete,
        "best_set_by_span": table_to_records(choice_table(project, review.room, review.choice)),
        "quantities": {
            "by_type": table_to_records(quantity_table(project, quantities)),
            "anchors_between_slabs": quantities.anchors_between,
            "anchors_at_span_ends": quantities.anchors_at_ends,
            "mortar_m3": round(float(quantities.mortar.sum()), 4),
            "loss_percent": _loss(project),
            "mortar_with_losses_m3": round(float(quantities.mortar.sum()) * (1 + _loss(project) / 100), 4),
        },
        "layout_findings": [str(finding) for finding in project.layout_findings],
        "slabs": table_to_records(review.slabs),
        "cautions": list(REVIEW_CAUTIONS),
    }  # fmt: skip


def show_review(review: LayoutReview) -> None:
    """Print the answer for people."""
    project = review.project
    _show_worst(review)
    _show_out(review)
    _show_side_by_side(review.seatings, "Seatings side by side, all slabs", review.seatings["seating"], [])
    if review.lengths:
        given = [] if review.by_rules else [
            "The first column is the layout as it is given; the others are laid out by the project's rules."
        ]  # fmt: skip
        _show_side_by_side(
            review.lengths, f"Slab lengths side by side, seating {project.settings.layout.seating}",
            review.lengths["choice"],
            ["Longer slabs keep the distance from the outermost rail seat to the end, and as many seats as keep their "
             "spacing nearest to the present one. Special slabs stay as they are.", *given],
        )  # fmt: skip
        show_curves(review.curves)
        show_list("In words", [(".", text) for text in price_words(review.lengths, review.curves)], None)
    for span in review.spans:
        _show_span(project, span)
    _show_sets(review)
    _show_quantities(review)
    show_list("Found in the layout", [("!", str(problem)) for problem in project.layout_findings], _MOST)
    show_list("Mind", [(".", caution) for caution in REVIEW_CAUTIONS], None)


def _allowed(low: float, high: float) -> str:
    if np.isnan(low):
        return ""
    if np.isnan(high):
        return f"at least {low:g}"
    return with_minus(f"{low:+g} to {high:+g}") if low <= 0 else f"{low:g} to {high:g}"


def _radii(values: Floats) -> list[str]:
    return ["straight" if np.isnan(v) else number(v, 0, sign=True) for v in values.tolist()]


def _chainages(values: Floats) -> list[str]:
    return [format_chainage(round(c, 1))[:-2] for c in values.tolist()]


def _show_worst(review: LayoutReview) -> None:
    project, worst, counts = review.project, review.worst, review.counts
    told = ", ".join(f"{count} {text}" for text, count in counts.items() if count)
    names, every = worst["quantity"], review.slabs["slab"]
    first = np.append(True, names[1:] != names[:-1])[: len(names)]
    print_table(
        [TableColumn("worst cases"), TableColumn("value", "mm", 2), TableColumn("allowed", "mm"),
         TableColumn("slab"), TableColumn("type"), TableColumn("chainage", "km"), TableColumn("radius", "m"),
         TableColumn("cant", "mm", 1, sign=True), TableColumn("gradient", "permille", 2, sign=True)],
        [np.where(first, names, ""),
         [number(value, 2, sign=name in _SIGNED)
          for name, value in zip(names.tolist(), worst["value_mm"].tolist(), strict=True)],
         [_allowed(*pair) if at else "" for at, *pair in zip(first, worst["low_mm"], worst["high_mm"], strict=True)],
         worst["slab"], worst["type"], _chainages(worst["chainage_m"]), _radii(worst["radius_m"]),
         worst["cant_mm"], worst["gradient_permille"]],
        f"{project.settings.name}: {len(every)} slab{'s' * (len(every) != 1)} by design, seating "
        f"{project.settings.layout.seating}: {told or 'none'}",
        [_MEANINGS[0], _MEANINGS[1].format(bed=_BEDS[project.settings.bed.follows_cant]),
         "Radius + right-hand curve, cant + left rail higher, gradient + uphill."],
    )  # fmt: skip


def _show_out(review: LayoutReview) -> None:
    rows = np.flatnonzero(review.slabs["verdict"] == "out")
    if not rows.size:
        return
    sys.stdout.write("\n")
    shown, left = rows[:_MOST], len(rows) - _MOST
    notes = [f"{left} more; --csv and --json have all."] if left > 0 else []
    slabs = review.slabs
    print_table(
        [TableColumn("slab"), TableColumn("chainage", "km"), TableColumn("verdict", styles=_STYLES),
         TableColumn("why")],
        [slabs["slab"][shown], _chainages(slabs["chainage_m"][shown]),
         [_MARKS[text] for text in slabs["verdict"][shown].tolist()], slabs["why"][shown]],
        "Slabs that the design puts out of what is allowed", notes,
    )  # fmt: skip


def _show_side_by_side(
    table: Columns, title: str, heads: npt.NDArray[Any], notes: Sequence[str]
) -> None:  # fmt: skip
    """Print choices as columns: people compare along a line."""
    words: list[str] = []
    units: list[str] = []
    cells: list[list[str]] = []

    alike: list[str] = []

    def add(text: str, unit: str, column: str, decimals: int) -> None:
        shown = [number(v, decimals) for v in table[column].tolist()]
        if len(shown) > 1 and len(set(shown)) == 1:
            alike.append(f"{text} {shown[0]} {unit}".rstrip())
            return
        words.append(text)
        units.append(unit)
        cells.append(shown)

    if len(set(table["longer_mm"].tolist())) > 1:
        add("length of the main type", "m", "main_length_m", 3)
        add("spacing of its rail seats", "mm", "seat_spacing_mm", 1)
        for column, text, decimals in (
            ("slabs", "slabs laid out", 0), ("specials", "special slabs among them", 0), ("types", "types in use", 0),
            ("joints", "joints between slabs", 0), ("spans_unfilled", "empty spans", 0),
            ("stand_ins", "slabs that stand in there", 0), ("slabs_per_km", "slabs for a km, with them", 1),
            ("fasteners_per_km", "fasteners for a km, with them", 0),
        ):  # fmt: skip
            if table[column].any() or column != "stand_ins":
                add(text, "", column, decimals)
    for name in MEASURES:
        for kind in ("largest", "mean"):
            add(f"{_MEASURE_WORDS[name]}, {kind}", "mm", f"{name}_{kind}_mm", 2)
    notes = [f"Alike: {'; '.join(alike)}."] * bool(alike) + list(notes)
    if table["spans_unfilled"].any():
        notes.append("On empty spans slabs of the main type stand in, so that sizes and numbers for a km are of all "
                     "the line.")  # fmt: skip
    sys.stdout.write("\n")
    columns = [TableColumn(""), TableColumn("", "")]
    columns += [TableColumn(str(head).replace("_", " "), decimals=0) for head in heads.tolist()]
    values = [np.array(column) for column in zip(*cells, strict=True)]
    print_table(columns, [words, units, *values] if words else [[]] * len(columns), title, notes)


def _show_span(project: Project, span: SpanAnswer) -> None:
    sys.stdout.write("\n")
    table = span.table
    names = [t.name for t in project.types]
    fits = (table["outside_mm"] == 0).all()
    columns = [TableColumn(""), *(TableColumn(name) for name in names), TableColumn("slabs"), TableColumn("special"),
               TableColumn("joint gap", "mm", 1), TableColumn("clearance", "mm", 1)]  # fmt: skip
    values: list[Any] = [table["rank"], *(table[f"slabs_{name}"] for name in names), table["slabs"],
                         table["specials"], table["gap_mm"], table["clearance_mm"]]  # fmt: skip
    if not fits:
        columns.append(TableColumn("outside by", "mm", 1))
        values.append(table["outside_mm"])
    columns.append(TableColumn("layout"))
    values.append(["laid out" if lies else "" for lies in table["laid_out"].tolist()])
    s = project.settings.layout
    left = span.found - len(table["rank"])
    notes = [f"Allowed: joint gap {s.gap_min_mm:g} to {s.gap_max_mm:g} mm, nominal {s.gap_nominal_mm:g}; clearance to "
             f"the structure joint {s.clearance_min_mm:g} to {s.clearance_max_mm:g} mm, nominal "
             f"{s.clearance_nominal_mm:g}."]  # fmt: skip
    notes += [f"{left} more that fit have more special slabs or gaps farther from nominal."] if left > 0 else []
    notes += [] if span.complete else ["Not every count of slabs was tried: there are too many."]
    told = "ways to fill it, the best first" if fits else "nothing fits, this comes nearest"
    print_table(columns, values, f"Span {span.name}, {span.length:.3f} m: {told}", notes)


def _show_sets(review: LayoutReview) -> None:
    table, choice, project = type_set_table(review.project, review.choice), review.choice, review.project
    shown = slice(None, _MOST_SETS)
    notes = []
    if choice.complete:
        notes.append("Proven: no smaller set of types fills these spans, and no filling of the first set has fewer "
                     "special slabs.")  # fmt: skip
    else:
        notes.append("Not proven: there are too many counts of slabs to try them all.")
    impossible = np.flatnonzero(choice.impossible)
    if impossible.size:
        names = ", ".join(project.spans[i].name for i in impossible[:5].tolist())
        more = f" and {len(impossible) - 5} more" if len(impossible) > 5 else ""
        notes.append(f"No set fills {names}{more}: not counted here.")
    if (table["specials"].size and not table["in_use"][0]) or project.layout_findings:
        notes.append("--layout FILE writes the slabs of the first set as a layout that the project can read.")
    sys.stdout.write("\n")
    print_table(
        [TableColumn("types"), TableColumn("number"), TableColumn("special slabs"),
         TableColumn("empty spans"), TableColumn("layout")],
        [table["types"][shown], table["count"][shown], table["specials"][shown], table["spans_unfilled"][shown],
         ["laid out" if used else "" for used in table["in_use"][shown].tolist()]],
        f"Fewest types and special slabs over {len(project.spans)} span{'s' * (len(project.spans) != 1)}", notes,
    )  # fmt: skip


def _show_quantities(review: LayoutReview) -> None:
    quantities, project = review.quantities, review.project
    table = quantity_table(project, quantities)
    loss = _loss(project)
    volume = float(table["mortar_m3"].sum())
    mixed = f", {volume * (1 + loss / 100):.1f} m\u00b3 with {loss:g} percent of losses" if loss else ""
    sys.stdout.write("\n")
    print_table(
        [TableColumn("type"), TableColumn("slabs"), TableColumn("length", "m", 1), TableColumn("rail seats"),
         TableColumn("fasteners"), TableColumn("mortar", "m\u00b3", 1)],
        [[f"{name}, special" if special else name
          for name, special in zip(table["type"].tolist(), table["special"].tolist(), strict=True)],
         table["slabs"], table["length_m"], table["rail_seats"], table["fasteners"], table["mortar_m3"]],
        "Quantities",
        [f"Together {table['slabs'].sum()} slabs, {table['fasteners'].sum()} fasteners, {volume:.1f} m\u00b3 of mortar "
         f"under slabs{mixed}; {quantities.anchors_between} anchors between slabs and {quantities.anchors_at_ends} "
         "beside structure joints."],
    )  # fmt: skip
