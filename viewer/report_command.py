"""What the command report does."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.errors import Fault, InputError
from geometry.exchange.bed_files import BedSurvey, bed_paths, read_anchors, read_bed
from geometry.exchange.bowing_tables import bowing_of, curl_of
from geometry.exchange.excel_writing import write_workbook
from geometry.exchange.fieldwork_files import WorkedUp
from geometry.exchange.mortar_section import batches_of, mortar_of, mortar_warnings
from geometry.exchange.project import Project, open_project
from geometry.exchange.ready_section import ready_section
from geometry.exchange.report_blocks import Report
from geometry.exchange.report_document import REPORT_TITLE, report_document
from geometry.exchange.report_evidence import Evidence, MortarEvidence, Told
from geometry.exchange.report_sheets import report_sheets
from geometry.exchange.results import CAUTIONS
from geometry.exchange.seat_files import seat_inputs
from geometry.exchange.writing import one_piece
from geometry.placement import UNJUDGED, SectionCheck
from geometry.placement.rail.forecast import RailForecast
from geometry.survey.fieldwork import Solved
from viewer.bowing_page import bowed_lines, curl_lines
from viewer.cli.options import OK
from viewer.field_commands import read_fieldwork
from viewer.mortar_page import MORTAR_CAUTIONS
from viewer.rail_command import forecast_of
from viewer.rail_page import RailPage, rail_document
from viewer.ready_page import READY_CAUTIONS
from viewer.running import by_readings, check_of, chosen_slabs, kept, warn
from viewer.terminal import Progress

__all__ = ["evidence_of", "run_report"]

Bools = npt.NDArray[np.bool_]


def _mortar(
    project: Project, check: SectionCheck, chosen: Bools
) -> tuple[MortarEvidence | None, BedSurvey | None, tuple[Fault, ...]]:
    """Return what lies under the slabs as built, and warnings; None if nobody surveyed the bed."""
    if project.settings.mortar is None or not bed_paths(project.folder):
        return None, None, ()
    bed, anchors = read_bed(project), read_anchors(project)
    report = mortar_of(project, check, bed, anchors)
    batches = batches_of(project, check, report, chosen)
    warnings = (*bed.warnings, *anchors.warnings, *mortar_warnings(project, bed, report))
    return MortarEvidence(report, anchors, batches), bed, warnings


def _told(
    project: Project, check: SectionCheck, chosen: Bools, rail: RailForecast | None, difference: float | None, *,
    mortar: bool,
) -> Told:  # fmt: skip
    """Return the sentences that the other pages have for what the report says too."""
    curl = curl_lines(project, curl_of(project), difference)
    bowing = (*bowed_lines(project, bowing_of(project, check), chosen), *curl)
    seen: tuple[str, ...] = ()
    if rail is not None:
        doubtful = np.asarray((check.notes & UNJUDGED) > 0)
        page = RailPage(project, rail, np.asarray(chosen[rail.seats.slab]), "built", {}, doubtful)
        seen = tuple(rail_document(page, {})["notes"])
    # the last of the usual ones says that nothing was looked at below the slab
    below = MORTAR_CAUTIONS[1:] if mortar else CAUTIONS[3:]
    cautions = (*READY_CAUTIONS, *CAUTIONS[1:3], *below)
    return Told(bowing, seen, cautions)


def _worked_up(
    project: Project, survey: Sequence[Path], readings: Sequence[Path], stage: str | None, solved: Solved
) -> WorkedUp | None:
    """Return the set-ups that a survey came from; None if it came as coordinates."""
    if not by_readings(project, survey, readings):
        return None
    return read_fieldwork(project, readings, None, stage, together=False, solved=solved)


def evidence_of(
    project: Project, survey: Sequence[Path], readings: Sequence[Path], stage: str | None, chosen: Bools,
    at: datetime | None,
) -> tuple[Evidence, BedSurvey | None, tuple[Fault, ...]]:  # fmt: skip
    """Read and work out everything that a report says of a project.

    Parameters
    ----------
    project : Project
    survey, readings : sequence of Path
    stage : str, optional
        See `running.check_of`.
    chosen : ndarray of bool, shape (n,)
        Slabs that the report is on.
    at : datetime, optional
        Time of the injection; now if not given.

    Returns
    -------
    evidence : Evidence
    bed : BedSurvey or None
    warnings : tuple of Fault
        Of every file.
    """
    solved: Solved = {}
    read, check = check_of(project, survey, stage, readings, solved)
    mortar, bed, bed_warnings = _mortar(project, check, chosen)
    limited = bool(project.settings.rail.limit)
    rail, rail_warnings = forecast_of(project, check) if limited else (None, ())
    when = np.datetime64((at or datetime.now(UTC)).astimezone(UTC).replace(tzinfo=None), "us")
    ready = ready_section(
        project, check, read.points, when, mortar=None if mortar is None else mortar.report, rail=rail
    )  # fmt: skip
    inputs = {**project.inputs, **read.inputs}
    if bed is not None and mortar is not None:
        inputs |= {**bed.inputs, **mortar.anchors.inputs}
    if rail is not None:
        inputs |= seat_inputs(project.folder)
    joints = np.asarray(chosen[check.joints.rear] & chosen[check.joints.front])
    evidence = Evidence(
        project, read, check, chosen, joints, ready, inputs, mortar, rail,
        _worked_up(project, survey, readings, stage, solved),
        _told(project, check, chosen, rail, ready.difference, mortar=mortar is not None),
    )  # fmt: skip
    return evidence, bed, (*project.warnings, *read.warnings, *bed_warnings, *rail_warnings)


@dataclass(eq=False)
class _Pages:
    """A report on its way to files: texts and pictures are made once, for whichever of them wants them."""

    evidence: Evidence
    bed: BedSurvey | None
    report: Report

    @cached_property
    def texts(self) -> dict[str, Any]:
        from viewer.report_cells import report_texts

        return report_texts(self.report)

    @cached_property
    def figures(self) -> Mapping[str, str]:
        from viewer.report_figures import report_figures

        return report_figures(self.evidence, self.bed)

    def pdf(self) -> bytes:
        from viewer.report_pdf import report_pdf

        return report_pdf(self.texts, self.figures, self.report.made["made_at"])

    def html(self) -> bytes:
        from viewer.report_html import report_html

        return report_html(self.texts, self.figures).encode()


def _libraries(pdf_file: Path | None, html_file: Path | None, xlsx_file: Path | None) -> None:
    """Look for the libraries before anything is worked out."""
    from geometry.exchange.workbook_cells import excel_library
    from viewer.report_html import html_library
    from viewer.report_pdf import pdf_library

    for file, library in ((pdf_file, pdf_library), (html_file, html_library), (xlsx_file, excel_library)):
        if file is not None:
            library()


def run_report(
    project: Path, survey: Sequence[Path], readings: Sequence[Path], stage: str | None, start: str | None,
    end: str | None, at: datetime | None, title: str | None, pdf_file: Path | None, html_file: Path | None,
    xlsx_file: Path | None,
) -> int:  # fmt: skip
    """Write the record of a section."""
    results = (pdf_file, html_file, xlsx_file)
    if not any(results):
        raise InputError([Fault("report", "at least one of --pdf, --html and --xlsx", "none")])
    files = kept(project, [*survey, *readings], results)
    _libraries(pdf_file, html_file, xlsx_file)
    with Progress("working out the report") as progress:
        read_project = open_project(project)
        chosen = chosen_slabs(read_project, start, end)
        evidence, bed, warnings = evidence_of(read_project, survey, readings, stage, chosen, at)
        report = report_document(evidence, title or REPORT_TITLE)
        pages = _Pages(evidence, bed, report)
        for path, content in ((pdf_file, pages.pdf), (html_file, pages.html)):
            if path is not None:
                progress.say(f"writing {path.name}")
                made = content()
                with one_piece(path, files) as file:
                    file.write(made)
        if xlsx_file is not None:
            progress.say(f"writing {xlsx_file.name}")
            write_workbook(xlsx_file, report_sheets(report), f"{report.title}, {report.project}", report.made,
                           tuple(files))  # fmt: skip
    warn(warnings)
    for path in results:
        if path is not None:
            sys.stderr.write(f"{path}\n")
    return OK
