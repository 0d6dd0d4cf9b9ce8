"""A layout as the table ``layout.csv`` that a project reads."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from geometry.errors import Fault, InputError
from geometry.slabs import Layout

from .project import Project
from .results import Columns
from .writing import run_by_spreadsheets, write_csv

__all__ = ["LAYOUT_FILE", "layout_table", "write_layout"]

LAYOUT_FILE = "layout.csv"
_DIGITS = 9  # of distances, m: a gap that was laid out at its limit stays within it


def layout_table(project: Project, layout: Layout) -> Columns:
    """Return one row per slab: name, type, and the place of its centre by chainage and by distance, which counts.

    Distances are texts, as a nanometre is finer than other tables are written.
    """
    chainage = project.count.to_chainage(layout.distance)
    return {
        "slab": layout.names,
        "type": np.array([t.name for t in project.types])[layout.type_index],
        "chainage_m": chainage,
        "distance_m": np.char.mod(f"%.{_DIGITS}f", layout.distance),
    }


def write_layout(
    path: Path, project: Project, layout: Layout, inputs: Sequence[Path], comments: Sequence[str], *, replace: bool
) -> None:  # fmt: skip
    """Write a layout.

    Parameters
    ----------
    path : Path
    project : Project
    layout : Layout
    inputs : sequence of Path
        Files that must not be replaced.
    comments : sequence of str
        Lines above the header.
    replace : bool
        Whether a file that is there may be replaced; the project's own layout too, though it may be an input.

    Raises
    ------
    InputError
        If there is a file and nobody said that it may go, if names would not come back as they are, or if the file
        cannot be written.
    """
    if path.exists() and not replace:
        raise InputError([Fault(str(path), "a new file for the layout", "one that is there",
                                "--replace lets it go")])  # fmt: skip
    table = layout_table(project, layout)
    texts = [*table["slab"][:1].tolist(), *np.unique(table["type"]).tolist()]
    for text in np.array(texts)[run_by_spreadsheets(texts)].tolist():
        # such a text gets an apostrophe in every table of ours, and would come back as another name
        raise InputError([Fault("project.toml", "names of slabs and types that no spreadsheet takes for a formula",
                                text, "another layout.prefix, or another name of the type")])  # fmt: skip
    own = (project.folder / LAYOUT_FILE).resolve()
    kept = [file for file in inputs if file.resolve() != own]
    write_csv(path, table, inputs=kept, comments=comments)
