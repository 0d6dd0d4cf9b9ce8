"""Copies of the demo to break, and the command line run in this process."""

from __future__ import annotations

import contextlib
import io
import shutil
from dataclasses import dataclass
from pathlib import Path

from viewer.cli import _status

__all__ = ["AFTER_INJECTION", "DEMO", "SURVEY", "Answer", "change", "copy_of_demo", "read_rows", "run", "write_rows"]

DEMO = Path(__file__).parent.parent / "demo_alignment"
SURVEY = "survey/fine_adjustment.csv"
AFTER_INJECTION = "survey/after_injection.csv"


@dataclass(frozen=True)
class Answer:
    """What a command came to: exit status, standard output, standard error."""

    status: int
    out: str
    err: str


def run(*arguments: object) -> Answer:
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = _status([str(argument) for argument in arguments])
    assert "Traceback" not in out.getvalue()
    return Answer(status, out.getvalue(), err.getvalue())


def copy_of_demo(folder: Path, *, injected: bool = False) -> Path:
    """Copy the demo as it was before mortar was injected under its last slabs, or after it."""
    project = folder / "p"
    shutil.copytree(DEMO, project, ignore=shutil.ignore_patterns("__pycache__", "*.py"))
    if not injected:
        (project / AFTER_INJECTION).unlink()
    return project


def change(project: Path, name: str, old: str, new: str, *, everywhere: bool = False) -> None:
    """Replace the first place, or every one, where a text stands; it has to stand there."""
    text = (project / name).read_text()
    assert old in text
    (project / name).write_text(text.replace(old, new) if everywhere else text.replace(old, new, 1))


def read_rows(project: Path, name: str = SURVEY) -> list[dict[str, str]]:
    header, *lines = (project / name).read_text().splitlines()
    return [dict(zip(header.split(","), line.split(","), strict=True)) for line in lines]


def write_rows(project: Path, rows: list[dict[str, str]], name: str = SURVEY) -> None:
    lines = [",".join(rows[0]), *(",".join(row.values()) for row in rows)]
    (project / name).write_text("\n".join(lines) + "\n")
