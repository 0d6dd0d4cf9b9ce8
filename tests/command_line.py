"""The command line as its users meet it: the commands, the program as a process, a terminal, results as rows."""

from __future__ import annotations

import contextlib
import csv
import io
import sys
from pathlib import Path

import pytest

from viewer.cli import _status, cli

__all__ = ["COMMANDS", "PROGRAM", "UNITS", "Terminal", "on_terminal", "rows_of"]

COMMANDS = sorted(cli.commands)
PROGRAM = [sys.executable, "-m", "viewer"]
UNITS = ("_m", "_mm", "_deg", "_mrad", "_permille", "_km")
"""What a number's name may end with: a unit of the project's list."""


def rows_of(path: Path) -> list[dict[str, str]]:
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


class Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def on_terminal(width: int, monkeypatch: pytest.MonkeyPatch, *arguments: object, colour: bool = False) -> str:
    for name in ("NO_COLOR", "FORCE_COLOR", "COLORTERM", "TTY_COMPATIBLE", "TTY_INTERACTIVE", "LINES"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("COLUMNS", str(width))
    monkeypatch.setenv("TERM", "xterm-256color")
    if not colour:
        monkeypatch.setenv("NO_COLOR", "1")
    out = Terminal()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        assert _status([str(argument) for argument in arguments]) in (0, 1)
    return out.getvalue()
