"""A project whose names want to be something else than text, wherever a name may stand."""

from __future__ import annotations

import csv
from pathlib import Path

from project_copies import SURVEY, copy_of_demo

from geometry.exchange.project import open_project

__all__ = ["HOSTILE", "hostile_project"]

HOSTILE = (
    "<script>alert(1)</script>",
    "=cmd|'/c calc'!A1",
    "+1+1",
    "-2",
    "@SUM(A1:A9)",
    "a\nb\r\nc",
    "quote \" ' ` ; -- DROP TABLE slabs",
    "\u202egnp.exe",
    "\U0001f682 Gleis \u00e4\u00f6\u00fc \u8ecc\u9053",
    "%%c %%u ^J \\U+0041 {\\H9;x}",
    "x" * 900,
    "../../etc/passwd",
    "&amp; ]]> <!--",
)
"""Names of the first slabs and of the first structures."""


def hostile_project(folder: Path) -> tuple[Path, list[str]]:
    """Return a copy of the demo with hostile names of slabs, structures, types and of itself, and the slabs' names."""
    project = copy_of_demo(folder)
    read = open_project(project)
    old = read.layout.names.tolist()
    names = [*HOSTILE, *old[len(HOSTILE) :]]
    renamed = dict(zip(old, names, strict=True))
    toml = (project / "project.toml").read_text()
    kind = read.types[0].name
    toml = toml.replace(f'name = "{kind}"', 'name = "=1+1 <b>\\u202e%%c"').replace(
        f'name = "{read.settings.name}"', 'name = "=2+2 <i>\\"\\n\\u202e"'
    )
    (project / "project.toml").write_text(toml)
    with (project / "layout.csv").open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["slab", "type", "distance_m"])
        for name, index, place in zip(names, read.layout.type_index, read.layout.distance, strict=True):
            of_type = "=1+1 <b>\u202e%%c" if index == 0 else read.types[index].name
            writer.writerow([name, of_type, f"{place:.9f}"])
    structures = dict(zip((s.name for s in read.spans), HOSTILE, strict=False))
    for file_name, column, new in (
        (SURVEY, "slab", renamed), ("seats.csv", "slab", renamed), ("structures.csv", "name", structures),
    ):  # fmt: skip
        with (project / file_name).open(newline="") as file:
            rows = list(csv.DictReader(file))
        for row in rows:
            row[column] = new.get(row[column], row[column])
        with (project / file_name).open("w", newline="") as file:
            out = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            out.writeheader()
            out.writerows(rows)
    return project, names
