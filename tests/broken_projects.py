"""Projects to break: names of their files, and what has to be told of bad input."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from project_copies import Answer

__all__ = ["TABLES", "C", "E", "H", "P", "Row", "S", "V", "line_of", "plus", "told"]

H, V, C, S, E, P = "horizontal.csv", "vertical.csv", "cant.csv", "structures.csv", "chainage.csv", "project.toml"
TABLES = (H, V, C, S, E)
Row = dict[str, str]


def told(answer: Answer, *wanted: str) -> None:
    """Assert that bad input is refused, with these texts in lines of their own kind and nothing else."""
    assert answer.status == 2, answer.err
    assert answer.out == ""
    lines = answer.err.splitlines()
    assert all(line.startswith("slabpose: ") for line in lines)
    for text in wanted:
        assert any(text in line for line in lines), f"{text!r} not in {answer.err}"
    assert all(": expected " in line and ", found " in line for line in lines)


def line_of(project: Path, text: str) -> int:
    """Return the line of the project file on which a text stands first."""
    return 1 + next(i for i, line in enumerate((project / P).read_text().splitlines()) if text in line)


def plus(metres: float) -> Callable[[str], str]:
    return lambda text: f"{float(text) + metres:.5f}"
