"""What the commands import and export do."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from geometry.alignment import AllowedJump
from geometry.errors import Fault, InputError
from geometry.exchange.design import build_design
from geometry.exchange.design_files import read_design
from geometry.exchange.exports import WRITERS, Asked, export
from geometry.exchange.landxml_points import marked_control
from geometry.exchange.project import PROJECT_FILE, open_project
from geometry.exchange.project_writing import write_project
from geometry.exchange.survey_files import POINTS_SUFFIXES, survey_paths
from viewer.cli.options import OK
from viewer.design_commands import demo_folder
from viewer.gltf import gltf_writers
from viewer.running import check_of, kept, warn
from viewer.terminal import Progress, visible

__all__ = ["run_export", "run_import"]


def run_import(file: Path, folder: Path, alignment_name: str | None, like: Path | None, allow_jumps: bool) -> int:
    """Make a project folder out of a designer's file."""
    with Progress("reading"):
        design, faults = read_design(file, alignment_name)
        warn(faults.warnings, [f"{design.file}: {note}" for note in design.notes])
        faults.warnings.clear()
        built = build_design(design, faults)
        if built is None and allow_jumps:
            jumps = _jumps(faults.errors)
            faults.errors.clear()
            built = build_design(design, faults, allowed=jumps)
            for jump in jumps:
                sys.stderr.write(f"warning: {design.file}: jump in {jump.quantity} allowed at element {jump.element}\n")
        faults.stop_if_any()
        assert built is not None  # None only with a fault
    template = (like or demo_folder()) / PROJECT_FILE
    if not template.is_file():
        raise InputError([Fault("--like", f"a project with {PROJECT_FILE}", str(like))])
    # without blank lines: in a file of its own nobody looks for a point on the line where it stood
    control = marked_control(file, faults) if file.suffix.lower() in POINTS_SUFFIXES else None
    faults.stop_if_any()
    control = None if control is None else b"".join(row for row in control.splitlines(keepends=True) if row.strip())
    write_project(folder, design, *built, template, control)
    alignment = built[0]
    held = "" if control is None else f", {len(control.splitlines()) - 1} control points"
    sys.stdout.write(
        f"{folder}: {visible(design.name)}, {alignment.length:.3f} m, {len(design.horizontal)} elements in plan, "
        f"{len(design.vertical)} in profile, {len(alignment.cant)} of cant"
        f"{held}\n"
        f"Slab types, tolerances and limits are those of {like or 'the demo'}: put those of the contract into "
        f"{folder / PROJECT_FILE} before anybody relies on a verdict.\n"
    )
    return OK


def _jumps(errors: Sequence[Fault]) -> list[AllowedJump]:
    """Return the jumps among faults of a design; what is no jump stays a fault, as it comes again."""
    result = []
    for fault in errors:
        quantity, jumps, rest = fault.found.partition(" jumps by ")
        if jumps:
            element = rest.partition("where element ")[2].partition(" ")[0]
            result.append(AllowedJump(quantity, int(element)))
    return result


def run_export(
    project: Path, to: Sequence[Path], columns: str | None, design_only: bool, colour: str, exaggeration: float | None
) -> int:  # fmt: skip
    """Write a project for others."""
    files = kept(project, (), to)
    with Progress("writing"):
        read = open_project(project)
        warn(read.warnings)
        check, inputs = None, dict(read.inputs)
        if not design_only and survey_paths(project):
            survey, check = check_of(read, (), None)
            warn(survey.warnings)
            inputs |= survey.inputs
        chosen = tuple(part.strip() for part in columns.split(",")) if columns else ()
        asked = Asked(read, check, inputs, chosen, tuple(files))
        export(to, asked, {**WRITERS, **gltf_writers(colour, exaggeration)})
    warn(asked.faults.warnings)
    for path in to:
        sys.stderr.write(f"{path}\n")
    return OK
