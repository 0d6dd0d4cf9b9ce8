"""What the command mortar does."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path

import numpy as np

from geometry.exchange.bed_files import AnchorSurvey, BedSurvey, mortar_settings, read_anchors, read_bed
from geometry.exchange.mortar_section import batches_of, mortar_of, mortar_warnings
from geometry.exchange.mortar_tables import DECIMALS, all_good, batch_table, bed_table, mortar_table
from geometry.exchange.project import Project, open_project
from geometry.exchange.writing import write_csv
from geometry.placement import SectionCheck
from geometry.placement.mortar import MortarReport
from viewer.cli.options import NOT_ALL_WITHIN, OK
from viewer.mortar_page import MortarSection, mortar_document, show_mortar
from viewer.posed import Planning
from viewer.running import FINE, check_of, chosen_slabs, kept, out, to_reader, warn
from viewer.terminal import Progress

__all__ = ["run_mortar"]


def run_mortar(
    project: Path, survey: Sequence[Path], readings: Sequence[Path], stage: str | None, start: str | None,
    end: str | None, poses: str, everything: bool, csv_file: Path | None, json_file: Path | None,
    bed_file: Path | None, batch_file: Path | None,
) -> int:  # fmt: skip
    """Tell the mortar gap, the bed and the anchors of a section."""
    files = kept(project, [*survey, *readings], (csv_file, json_file, bed_file, batch_file))
    with Progress("looking under the slabs"):
        read_project = open_project(project)
        settings = mortar_settings(read_project)
        bed, anchors = read_bed(read_project, needed=False), read_anchors(read_project)
        chosen = chosen_slabs(read_project, start, end)
        read, check = check_of(read_project, survey, stage, readings)
        report = _report(read_project, check, bed, anchors, poses)
        batches = batches_of(read_project, check, report, chosen)
    told = (*read_project.warnings, *read.warnings, *bed.warnings, *anchors.warnings)
    warn((*told, *mortar_warnings(read_project, bed, report)))
    section = MortarSection(read_project, settings, check, bed, anchors, report, batches, chosen)
    slabs = {name: values[chosen] for name, values in mortar_table(read_project, report, batches).items()}
    inputs = {**read_project.inputs, **read.inputs, **bed.inputs, **anchors.inputs}
    document = mortar_document(section, inputs, slabs)
    terminal = out(slabs, document, csv_file, json_file, files, DECIMALS)
    made = document["made_from"]
    comments = [f"{made['program']}, {made['made_at']}", *(f"made from {name} {sha}" for name, sha in inputs.items())]
    if bed_file is not None:
        points = bed_table(read_project, bed, report)
        near = np.append(chosen, False)[report.bed_map.slab]
        write_csv(bed_file, {name: values[near] for name, values in points.items()}, inputs=files,
                  decimals={**FINE, **DECIMALS}, comments=comments)  # fmt: skip
    if batch_file is not None:
        write_csv(batch_file, batch_table(read_project, settings, batches), inputs=files,
                  decimals={**FINE, **DECIMALS, "full_percent": 0}, comments=comments)  # fmt: skip
    with to_reader() if terminal else nullcontext():
        if terminal:
            show_mortar(section, slabs, everything=everything)
    return OK if all_good(report, chosen) else NOT_ALL_WITHIN


def _report(project: Project, check: SectionCheck, bed: BedSurvey, anchors: AnchorSurvey, poses: str) -> MortarReport:
    """Look under the slabs as built, as designed, or as the correction plan leaves them."""
    if poses == "planned":
        planning = Planning(project, check)
        given = planning.plan.pose_after, planning.after.covariance
        return mortar_of(project, check, bed, anchors, "given", given)
    return mortar_of(project, check, bed, anchors, "built" if poses == "built" else "target")
