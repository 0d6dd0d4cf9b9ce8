"""Copies of the demo to break, and the command line run in this process."""

from __future__ import annotations

import contextlib
import importlib.util
import io
import shutil
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

from geometry.exchange.project import Project
from geometry.exchange.survey_files import Survey
from geometry.placement import SectionCheck, check_section
from viewer.cli import _status

__all__ = [
    "AFTER_INJECTION", "DEMO", "SURVEY", "Answer", "change", "checked", "copy_of_demo", "demo_script", "read_rows",
    "run", "write_rows",
]  # fmt: skip

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


def demo_script(name: str) -> ModuleType:
    """Return a script of the demo, loaded."""
    spec = importlib.util.spec_from_file_location(name, DEMO / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def checked(project: Project, survey: Survey) -> SectionCheck:
    """Return the whole section checked with a survey."""
    layout = project.layout
    return check_section(
        project.targets, project.types, layout.type_index, layout.span, layout.names.tolist(), survey.points,
        project.check_rules, survey.injected,
    )  # fmt: skip


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
