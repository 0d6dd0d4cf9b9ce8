"""The record of a section before injection: everything that page, web page and workbook say, as plain values."""

from __future__ import annotations

from datetime import datetime
from typing import Final

import numpy as np
import numpy.typing as npt

from geometry.alignment import format_chainage
from geometry.placement import VERDICTS
from geometry.placement.readiness import slab_verdicts
from geometry.placement.verdict import Verdicts

from .ready_tables import state_counts
from .report_blocks import (
    Block,
    Facts,
    Listing,
    Paragraph,
    Picture,
    Report,
    ReportTable,
    Section,
    Shown,
    Signatures,
    columns_of,
)
from .report_decisions import batch_section, mortar_all, mortar_section, not_looked_at, rail_section, ready_section_of
from .report_evidence import Evidence
from .report_method import control_section, input_section, method_section, tolerance_section
from .report_results import corner_section, joint_section, joints_all, pictures, slab_section, slabs_all
from .results import made_from

__all__ = ["REPORT_TITLE", "report_document"]

REPORT_TITLE: Final = "Record before injection"
_TOLD: Final = VERDICTS[:4]


def _kilometre(chainage: float) -> str:
    return format_chainage(round(chainage, 1))[:-2]


def _place(evidence: Evidence) -> str:
    """Return which part of the line the report is on."""
    project = evidence.project
    rows = np.flatnonzero(evidence.slabs)
    names, chainage = project.layout.names[rows], project.chainage[rows]
    length = np.array([t.length for t in project.types])[project.layout.type_index[rows]] / 2
    # a slab may stand over the end of the line by a joint gap
    ends = np.clip(project.layout.distance[rows[[0, -1]]] + [-length[0], length[-1]], 0.0, project.alignment.length)
    start, end = (_kilometre(value) for value in project.count.to_chainage(ends).tolist())
    if len(rows) == 1:
        return f"slab {names[0]} at km {_kilometre(float(chainage[0]))}"
    return f"km {start} to {end}, {len(rows):,} slabs from {names[0]} to {names[-1]}"


def _time(at: np.datetime64) -> str:
    return str(at.astype("datetime64[m]")).replace("T", " ")


def _counts(evidence: Evidence) -> ReportTable:
    """Return how many slabs and joints have each verdict, by what was judged."""
    chosen, n = evidence.slabs, len(evidence.slabs)
    rows: list[tuple[str, Verdicts]] = [
        ("pose of the slabs", evidence.check.verdict[chosen]),
        ("joints", evidence.check.joint_verdict[evidence.joints]),
    ]
    if evidence.mortar is not None:
        report = evidence.mortar.report
        rows += [("mortar gap", report.gap_verdict[chosen]), ("bed", report.bed_verdict[chosen]),
                 ("anchors", report.anchor_verdict[chosen])]  # fmt: skip
    if evidence.rail is not None:
        over = slab_verdicts(evidence.rail.seats.slab, evidence.rail.verdict, n)
        rows.append(("rail over the slabs", over[chosen]))
    counts = [[int((verdict == code).sum()) for code in range(len(_TOLD))] for _, verdict in rows]
    table = [(what, len(verdict), *of) for (what, verdict), of in zip(rows, counts, strict=True)]
    whole = all(sum(of) == len(verdict) for (_, verdict), of in zip(rows, counts, strict=True))
    names = ["judged", "count", *(text.replace(" ", "_") for text in _TOLD)]
    number = [Shown(name, text, "", "number") for name, text in zip(names[2:], _TOLD, strict=True)]
    return ReportTable("summary", "Verdicts", columns_of(table, names), (
        Shown("judged", "what was judged"), Shown("count", "in all", "", "number"), *number,
    ), _mark_notes(whole=whole))  # fmt: skip


def _mark_notes(*, whole: bool) -> tuple[str, ...]:
    marks = "In the tables # stands before what is out, ? before undecided, - before not measured."
    return (marks,) if whole else (marks, "What has no limit is in no column.")


def _answer(evidence: Evidence) -> str:
    """Return the answer in a sentence or two."""
    counts = state_counts(evidence.ready, evidence.slabs)
    ready, waiting, injected = counts["ready"], counts["not ready"], counts["injected"]
    total = ready + waiting + injected
    if not waiting and not ready:
        return f"All {total:,} slabs have been injected."
    if not waiting:
        words = f"All {ready:,} slabs that wait for injection are ready."
    elif not ready:
        words = f"None of the {waiting:,} slabs that wait for injection is ready."
    else:
        words = f"{ready:,} of {ready + waiting:,} slabs that wait for injection are ready, {waiting:,} are not."
    return words + (f" {injected:,} {'has' if injected == 1 else 'have'} been injected already." if injected else "")


def _measured(times: npt.NDArray[np.datetime64]) -> str:
    known = times[~np.isnat(times)]
    if not known.size:
        return "at unknown times"
    return f"{_time(known.min())} to {_time(known.max())} UTC, the oldest corner of each slab"


def _summary(evidence: Evidence, made: dict[str, str]) -> Section:
    settings = evidence.project.settings
    stages = ", ".join(
        f"{name or 'no stage named'}: {count:,} points" for name, count in evidence.survey.stages.items()
    )
    made_at = datetime.fromisoformat(made["made_at"]).strftime("%Y-%m-%d %H:%M")
    facts = (
        ("Section", _place(evidence)),
        ("For injection at", f"{_time(evidence.ready.at)} UTC"),
        ("Measured", _measured(evidence.ready.measured_at[evidence.slabs])),
        ("Survey", stages),
        ("Limits", f"{len(settings.tolerance)} for slabs and joints, {len(settings.rail.limit)} for the rail; guard "
                   f"factor {settings.decision.guard_factor:g}"),
        ("Made", f"{made_at} UTC by {made['program']}"),
    )  # fmt: skip
    strip = Picture("strip", "The section at a glance: where something is out, undecided or not measured.")
    blocks: list[Block] = [Paragraph(_answer(evidence), answer=True), Facts(facts), _counts(evidence), strip]
    blocks.append(Listing("Not looked at here", not_looked_at(evidence)))
    return Section("Summary", tuple(blocks))


def report_document(evidence: Evidence, title: str = REPORT_TITLE) -> Report:
    """Return the record of a section.

    Parameters
    ----------
    evidence : Evidence
    title : str
        Over everything.

    Returns
    -------
    Report
        First what decides, then how it came about, then every slab, corner and joint.
    """
    settings = evidence.project.settings
    made = made_from(evidence.inputs)
    cautions = Listing("Cautions", evidence.told.cautions)
    signing = Paragraph(
        "By signing, each confirms to have read this record as a whole. An aid to calculation made it: the contract, "
        "the local code and the licensed surveyor decide."
    )
    return Report(title, settings.name, settings.description, _place(evidence), made, (
        _summary(evidence, made),
        Section("Cautions and signatures", (cautions, signing, Signatures(tuple(settings.report.signatures)))),
        pictures(evidence),
        ready_section_of(evidence),
        slab_section(evidence),
        joint_section(evidence),
        mortar_section(evidence),
        rail_section(evidence),
        method_section(evidence),
        control_section(evidence),
        tolerance_section(evidence),
        input_section(evidence, made),
        *batch_section(evidence),
        slabs_all(evidence),
        corner_section(evidence),
        joints_all(evidence),
        *mortar_all(evidence),
    ))  # fmt: skip
