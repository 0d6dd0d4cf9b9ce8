"""What the command check does."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path

import numpy as np

from geometry.exchange.project import open_project
from geometry.exchange.results import (
    all_within,
    corner_table,
    joint_table,
    slab_table,
)
from geometry.exchange.writing import write_csv
from viewer.check_page import Chosen, check_document, show_check
from viewer.cli.options import NOT_ALL_WITHIN, OK
from viewer.running import FINE, check_of, chosen_slabs, kept, out, to_reader, warn
from viewer.terminal import Progress

__all__ = ["run_check"]


def run_check(
    project: Path, survey: Sequence[Path], readings: Sequence[Path], stage: str | None, start: str | None,
    end: str | None, everything: bool, csv_file: Path | None, json_file: Path | None, corner_file: Path | None,
    joint_file: Path | None,
) -> int:  # fmt: skip
    """Check a section."""
    files = kept(project, [*survey, *readings], (csv_file, json_file, corner_file, joint_file))
    with Progress("checking"):
        read_project = open_project(project)
        slabs_asked = chosen_slabs(read_project, start, end)
        read, answer = check_of(read_project, survey, stage, readings)
    warn((*read_project.warnings, *read.warnings))
    chosen = Chosen(slabs_asked, slabs_asked[answer.joints.rear] & slabs_asked[answer.joints.front])
    slabs = {name: values[chosen.slabs] for name, values in slab_table(read_project, answer).items()}
    joints = {name: values[chosen.joints] for name, values in joint_table(read_project, answer).items()}
    inputs = {**read_project.inputs, **read.inputs}
    document = check_document(read_project, read, answer, chosen, slabs, joints)
    terminal = out(slabs, document, csv_file, json_file, files)
    named = [line for name, sha in inputs.items() for line in [f"made from {name} {sha}"]]
    corners = corner_table(read_project, answer) if corner_file else {}
    for file, table in ((corner_file, corners), (joint_file, joints)):
        if file is not None:
            rows = np.isin(table["slab"], slabs["slab"]) if table is corners else slice(None)
            made = document["made_from"]
            write_csv(file, {name: values[rows] for name, values in table.items()}, decimals=FINE, inputs=files,
                      comments=[f"{made['program']}, {made['made_at']}", *named])  # fmt: skip
    with to_reader() if terminal else nullcontext():
        if terminal:
            show_check(read_project, read, answer, chosen, slabs, joints, everything=everything)
    good = all_within(answer, chosen.slabs, chosen.joints)
    return OK if good else NOT_ALL_WITHIN
