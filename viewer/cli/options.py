"""Arguments and options that commands share, and the exit statuses."""

from __future__ import annotations

import contextlib
import math
import os
import re
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import click

__all__ = [
    "ALIGNMENT_OPTION",
    "BAD_INPUT",
    "BUG",
    "INTERRUPTED",
    "LINE",
    "NOT_ALL_WITHIN",
    "OK",
    "PROJECT",
    "READINGS_OPTION",
    "SURVEY_OPTIONS",
    "file_only",
    "leave_output",
    "number",
    "number_in",
    "out_options",
    "time_of",
    "with_options",
]

OK, NOT_ALL_WITHIN, BAD_INPUT, BUG, INTERRUPTED = 0, 1, 2, 3, 130
Command = TypeVar("Command", bound=Callable[..., Any])

PROJECT = click.argument("project", type=click.Path(path_type=Path))
LINE = click.argument("project", type=click.Path(path_type=Path), metavar="PROJECT|FILE")
ALIGNMENT_OPTION = click.option("--alignment", "alignment_name", metavar="NAME",
                                help="Which alignment of an IFC or LandXML file that has several.")  # fmt: skip
_KILOMETRES = re.compile(r"([+-]?)(\d+)\+(\d{1,3}(?:\.\d*)?)")


def number_in(text: str) -> float:
    """Return a text as a number, nan if it is none; a chainage may stand in the usual form.

    Examples
    --------
    >>> number_in("27500"), number_in("27+500.25"), number_in("-0+005"), number_in("half way")
    (27500.0, 27500.25, -5.0, nan)
    """
    told = _KILOMETRES.fullmatch(text.strip())
    if told:
        return float(f"{told[1]}1") * (1000 * int(told[2]) + float(told[3]))
    try:
        number = float(text)
    except ValueError:
        return math.nan
    return number if math.isfinite(number) else math.nan


def number(
    expected: str, low: float = -math.inf, high: float = math.inf
) -> Callable[[click.Context, click.Parameter, Any], Any]:
    """Return a callback that turns a text, or each of several, into a finite number of `low` to `high`."""

    def convert(context: click.Context, parameter: click.Parameter, given: Any) -> Any:
        if given is None or isinstance(given, tuple):
            return given and tuple(convert(context, parameter, text) for text in given)
        number = number_in(given)
        if not low <= number <= high:
            raise click.BadParameter(f"expected {expected}, found {given!r}", context, parameter)
        return number

    return convert


def time_of(context: click.Context, parameter: click.Parameter, given: str | None) -> datetime | None:
    """Return a time in UTC; without a zone it counts as UTC, as in survey files."""
    if given is None:
        return None
    try:
        time = datetime.fromisoformat(given.strip())
        return (time if time.tzinfo else time.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, OverflowError) as fault:
        raise click.BadParameter(f"expected a time like 2025-04-30T14:05Z, found {given!r}", context,
                                 parameter) from fault  # fmt: skip


def file_only(_context: click.Context, parameter: click.Parameter, value: Path | None) -> Path | None:
    """Take no dash for a file: only one result of a command can go to standard output."""
    if str(value) == "-":
        raise click.BadParameter("expected a file, found -; only --json writes to standard output", param=parameter)
    return value


def out_options(what: str) -> Callable[[Command], Command]:
    """Add --csv and --json, the two ways out of every command."""

    def add(command: Command) -> Command:
        file = click.Path(dir_okay=False, path_type=Path)
        dash = click.Path(dir_okay=False, path_type=Path, allow_dash=True)
        command = click.option("--json", "json_file", type=dash, metavar="FILE",
                               help=f"Write {what} as JSON; - for standard output.")(command)  # fmt: skip
        return click.option("--csv", "csv_file", type=file, callback=file_only, metavar="FILE",
                            help=f"Write {what} as CSV.")(command)  # fmt: skip

    return add


SURVEY_OPTIONS = (
    click.option("--survey", "survey", multiple=True, type=click.Path(path_type=Path), metavar="FILE",
                 help="Surveyed points; may be repeated. [default: every table in PROJECT/survey]"),
    click.option("--stage", metavar="NAME", help="Use only this stage. [default: the last stage of each slab]"),
    click.option("--from", "start", metavar="PLACE", help="Only slabs from here on: a slab's name or a chainage in m."),
    click.option("--to", "end", metavar="PLACE", help="Only slabs up to here: a slab's name or a chainage in m."),
)  # fmt: skip

READINGS_OPTION = click.option(
    "--readings", multiple=True, type=click.Path(path_type=Path), metavar="FILE",
    help="Readings in place of surveyed points; may be repeated. [default: PROJECT/readings if there is no survey]",
)  # fmt: skip


def with_options(options: tuple[Callable[[Command], Command], ...]) -> Callable[[Command], Command]:
    """Add several options, in their order in the help."""

    def add(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return add


def leave_output() -> None:
    """Send what is still to be printed to nowhere: nobody reads it any more."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
