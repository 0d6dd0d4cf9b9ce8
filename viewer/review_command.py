"""What the command review does: the layout on its curves, and how other choices compare."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, cast

import numpy as np

from geometry.errors import Fault, Faults, InputError
from geometry.exchange.cells import near
from geometry.exchange.layout_writing import LAYOUT_FILE, write_layout
from geometry.exchange.project import Project, input_paths, layout_rules
from geometry.exchange.review_curves import curve_table
from geometry.exchange.review_section import follows_rules, longer, review_limits, review_of, seated
from geometry.exchange.review_tables import Choice, comparison_table, option_table, review_table, worst_table
from geometry.slabs import SEATINGS, Seating
from geometry.slabs.best_layout import best_layout
from geometry.slabs.layout import LayoutRules
from geometry.slabs.options import fewest_types, room_of, span_options
from geometry.slabs.quantities import quantities_of
from viewer.cli.options import NOT_ALL_WITHIN, OK
from viewer.design_commands import laid_out
from viewer.review_page import LayoutReview, SpanAnswer, review_document, show_review
from viewer.running import kept, out, to_reader, warn
from viewer.terminal import Progress, visible

__all__ = ["run_review"]


def run_review(
    project: Path, alignment_name: str | None, like: Path | None, longer_mm: Sequence[float], seating: Sequence[str],
    span: Sequence[str], worst: int, layout_file: Path | None, replace: bool, csv_file: Path | None,
    json_file: Path | None,
) -> int:  # fmt: skip
    """Review the layout."""
    if replace and layout_file is None:
        raise InputError([Fault("--replace", "--layout with a file to replace", "no --layout")])
    files = kept(project, (project,), (layout_file, csv_file, json_file))
    with Progress("laying out") as progress:
        read = laid_out(project, alignment_name, like)
        rows = _span_rows(read, span)
        if not len(read.layout.names):
            told = "; ".join(map(str, read.layout_findings)) or "no slab in the layout"
            raise InputError([Fault(str(project), "a layout with slabs", told)])
        progress.say("reviewing")
        answer = _review(read, longer_mm, cast("Sequence[Seating]", seating or SEATINGS), rows, worst)
    warn(read.warnings)
    document = review_document(answer, read.inputs)
    if layout_file is not None:
        _write_layout(layout_file, answer, rows, [*files, *(() if like is None else input_paths(like))],
                      document["made_from"], replace=replace)  # fmt: skip
    if out(answer.slabs, document, csv_file, json_file, files, {"radius_m": 1}):
        with to_reader():
            show_review(answer)
    return NOT_ALL_WITHIN if read.layout_findings or answer.counts["out"] else OK


def _write_layout(
    path: Path, answer: LayoutReview, spans: Sequence[int], inputs: Sequence[Path], made: Mapping[str, Any], *,
    replace: bool,
) -> None:  # fmt: skip
    """Write the slabs of the best set of types, on all spans or on those that were named."""
    project, choice = answer.project, answer.choice
    chosen = np.isin(np.arange(len(project.spans)), spans) if spans else np.ones(len(project.spans), dtype=bool)
    if not (choice.counts[chosen] > 0).any():
        raise InputError([Fault("--layout", "a span that a set of types fills", "none")])
    rules = layout_rules(project.settings)
    best = best_layout(project.alignment, project.spans, project.types, rules, project.layout, choice, chosen)
    names = " + ".join(t.name for t, used in zip(project.types, choice.members[0], strict=True) if used)
    proven = "proven to be the fewest" if choice.complete else "not proven to be the fewest"
    where = ", ".join(project.spans[i].name for i in spans) if spans else "all spans"
    comments = [f"{made['program']}, {made['made_at']}", f"{where}: {names}, {proven}",
                *(f"made from {name} {sha}" for name, sha in made["inputs_sha256"].items())]  # fmt: skip
    write_layout(path, project, best, inputs, comments, replace=replace)
    sys.stderr.write(f"{visible(str(path))}: {len(best.names)} slabs, numbered in order; a project reads it as "
                     f"{LAYOUT_FILE}\n")  # fmt: skip


def _span_rows(project: Project, asked: Sequence[str]) -> list[int]:
    names = [s.name for s in project.spans]
    faults = Faults()
    for name in asked:
        if name not in names:
            faults.error("--span", "the name of a span", repr(name), near(name, names))
    faults.stop_if_any()
    return [names.index(name) for name in dict.fromkeys(asked)]


def _review(
    project: Project, longer_mm: Sequence[float], seatings: Sequence[Seating], spans: Sequence[int], worst: int
) -> LayoutReview:  # fmt: skip
    own = project.settings.layout.seating
    review, limits = review_of(project), review_limits(project)
    slabs = review_table(review, limits)
    chosen = list(dict.fromkeys(seatings))
    of_seatings = [
        Choice(name, project, name, targets) for name, targets in zip(chosen, seated(project, chosen), strict=True)
    ]
    of_lengths = []
    if longer_mm:
        by = list(dict.fromkeys(longer_mm))
        of_lengths = [Choice("as it is", project, own, project.targets)]
        of_lengths += [
            Choice(f"{mm:+g} mm", other, own, other.targets, mm)
            for mm, other in zip(by, longer(project, by), strict=True)
        ]
    rules = layout_rules(project.settings)
    room = room_of(project.alignment, project.spans)
    return LayoutReview(
        project=project,
        limits=limits,
        slabs=slabs,
        worst=worst_table(slabs, limits, worst),
        seatings=comparison_table(of_seatings),
        lengths=comparison_table(of_lengths),
        curves=curve_table(of_lengths),
        spans=[_of_span(project, row, float(room[row]), rules) for row in spans],
        room=np.asarray(room),
        choice=fewest_types(room, project.types, rules),
        quantities=quantities_of(project.types, project.layout, review.thickness),
        by_rules=not longer_mm or follows_rules(project),
    )


def _of_span(project: Project, row: int, room: float, rules: LayoutRules) -> SpanAnswer:
    options = span_options(room, project.types, rules)
    return SpanAnswer(
        project.spans[row].name, room, option_table(project, row, options), options.found, options.complete
    )  # fmt: skip
