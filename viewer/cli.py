"""The command line.

Results go to standard output, everything else to standard error. Heavy imports wait until a command runs,
so that help answers at once.
"""

from __future__ import annotations

import contextlib
import math
import os
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

__all__ = ["cli", "leave_output", "main", "number_in"]

OK, NOT_ALL_WITHIN, BAD_INPUT, BUG, INTERRUPTED = 0, 1, 2, 3, 130
Command = TypeVar("Command", bound=Callable[..., Any])

_PROJECT = click.argument("project", type=click.Path(path_type=Path))
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


def _number(expected: str, low: float = -math.inf) -> Callable[[click.Context, click.Parameter, Any], Any]:
    """Return a callback that turns a text, or each of several, into a finite number that is not below `low`."""

    def convert(context: click.Context, parameter: click.Parameter, given: Any) -> Any:
        if given is None or isinstance(given, tuple):
            return given and tuple(convert(context, parameter, text) for text in given)
        number = number_in(given)
        if not number >= low:
            raise click.BadParameter(f"expected {expected}, found {given!r}", context, parameter)
        return number

    return convert


def _file(_context: click.Context, parameter: click.Parameter, value: Path | None) -> Path | None:
    if str(value) == "-":
        raise click.BadParameter("expected a file, found -; only --json writes to standard output", param=parameter)
    return value


def _out_options(what: str) -> Callable[[Command], Command]:
    """Add --csv and --json, the two ways out of every command."""

    def add(command: Command) -> Command:
        file = click.Path(dir_okay=False, path_type=Path)
        dash = click.Path(dir_okay=False, path_type=Path, allow_dash=True)
        command = click.option("--json", "json_file", type=dash, metavar="FILE",
                               help=f"Write {what} as JSON; - for standard output.")(command)  # fmt: skip
        return click.option("--csv", "csv_file", type=file, callback=_file, metavar="FILE",
                            help=f"Write {what} as CSV.")(command)  # fmt: skip

    return add


_survey_options = (
    click.option("--survey", "survey", multiple=True, type=click.Path(path_type=Path), metavar="FILE",
                 help="Surveyed points; may be repeated. [default: every CSV in PROJECT/survey]"),
    click.option("--stage", metavar="NAME", help="Use only this stage. [default: the last stage of each slab]"),
    click.option("--from", "start", metavar="PLACE", help="Only slabs from here on: a slab's name or a chainage in m."),
    click.option("--to", "end", metavar="PLACE", help="Only slabs up to here: a slab's name or a chainage in m."),
)  # fmt: skip


def _with(options: tuple[Callable[[Command], Command], ...]) -> Callable[[Command], Command]:
    def add(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return add


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="slabpose")
def cli() -> None:
    r"""Tell of every precast track slab whether it lies where the design puts it.

    Before the mortar goes in: verdict, uncertainty, and how far which screw has to turn.

    \b
    Try it:
      slabpose demo try-it
      slabpose check try-it
      slabpose view try-it --picture section.png

    Exit status: 0 all within, 1 something is out, undecided or not measured, 2 bad input, 3 a bug.
    """


@cli.command()
@_PROJECT
@_with(_survey_options)
@click.option("--all", "everything", is_flag=True, help="List every slab, not only those that need attention.")
@_out_options("the verdict of each slab")
@click.option("--corners", "corner_file", type=click.Path(dir_okay=False, path_type=Path), callback=_file,
              metavar="FILE", help="Write deviation, residual and test of each corner as CSV.")  # fmt: skip
@click.option("--joints", "joint_file", type=click.Path(dir_okay=False, path_type=Path), callback=_file,
              metavar="FILE", help="Write steps and gaps of each joint as CSV.")  # fmt: skip
def check(**options: Any) -> int:
    r"""Compare surveyed corner points with the design: verdicts and corrections.

    \b
    Example:
      slabpose check demo_alignment --csv verdicts.csv
    """
    from viewer.commands import run_check

    return run_check(**options)


@cli.command()
@_PROJECT
@click.option("--show", "what", type=click.Choice(["slabs", "corners", "anchors"]), default="slabs", show_default=True,
              help="Slabs with target poses, target corners for setting out, or anchors.")  # fmt: skip
@_out_options("the table")
def layout(**options: Any) -> int:
    r"""Lay out the slabs between the structure joints and give their target poses.

    \b
    Example:
      slabpose layout demo_alignment --show corners --csv set_out.csv
    """
    from viewer.commands import run_layout

    return run_layout(**options)


@cli.command()
@_PROJECT
@click.option("--at", "chainage", multiple=True, callback=_number("a chainage in metres, 27500 or 27+500.000"),
              metavar="CHAINAGE_M", help="At this chainage; repeatable.")  # fmt: skip
@click.option("--at-distance", "distance", multiple=True, callback=_number("a distance in metres"),
              metavar="DISTANCE_M", help="At this distance from the start; repeatable.")  # fmt: skip
@click.option("--every", callback=_number("a length of at least 0.001 m", 0.001), metavar="M",
              help="At regular chainages. [default: 20]")  # fmt: skip
@_out_options("the table")
def stations(**options: Any) -> int:
    r"""Give position, bearing, radius, gradient and cant of the design along the line.

    \b
    Example:
      slabpose stations demo_alignment --at 27500 --at 28120
    """
    from viewer.commands import run_stations

    return run_stations(**options)


@cli.command()
@_PROJECT
@click.argument("points", type=click.Path(path_type=Path))
@_out_options("the table")
def offsets(**options: Any) -> int:
    r"""Give chainage, offset and height of points from the design line.

    POINTS is a CSV with point, easting_m, northing_m, level_m.

    \b
    Example:
      slabpose offsets demo_alignment demo_alignment/survey/fine_adjustment.csv
    """
    from viewer.commands import run_offsets

    return run_offsets(**options)


@cli.command()
@_PROJECT
@_with(_survey_options[:2])
@click.option("--picture", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
              help="Write a picture (.png, .svg, .pdf) instead of opening a window; needs no screen.")  # fmt: skip
@click.option("--colour", "quantity", type=click.Choice(["up", "across", "along"]), default="up", show_default=True,
              help="Deviation that colours and heights show.")  # fmt: skip
@click.option("--slab", metavar="NAME", help="Slab to show close up. [default: the worst]")
@click.option("--flat", is_flag=True, help="Draw the flat overview, without any 3D library.")
def view(**options: Any) -> int:
    r"""Show the slabs in 3D, coloured by deviation.

    \b
    Example:
      slabpose view demo_alignment --picture section.png
    """
    from viewer.commands import run_view

    return run_view(**options)


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path))
def demo(folder: Path) -> int:
    r"""Write a copy of the demo project into FOLDER, which must not exist yet.

    \b
    Example:
      slabpose demo try-it
    """
    from viewer.commands import run_demo

    return run_demo(folder)


def _tell(text: str) -> None:
    sys.stderr.write(f"{text}\n")


def leave_output() -> None:
    """Send what is still to be printed to nowhere: nobody reads it any more."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and end the process with its exit status."""
    sys.exit(_status(arguments))


def _status(arguments: list[str] | None) -> int:
    """Run a command and return the exit status; every way out is mapped here."""
    try:
        with contextlib.suppress(click.exceptions.Exit):  # help and version have answered
            result = cli.main(args=arguments, prog_name="slabpose", standalone_mode=False)
            _flush()
            return result if isinstance(result, int) else OK
        status = OK
    except click.ClickException as mistake:
        mistake.show(sys.stderr)
        status = BAD_INPUT
    except (KeyboardInterrupt, click.Abort):
        _tell("interrupted")
        status = INTERRUPTED
    except Exception as failure:
        status = _told(failure)
    return status


def _told(failure: Exception) -> int:
    """Say what went wrong and return the exit status."""
    from geometry.errors import InputError, SlabposeError
    from viewer.terminal import visible

    if isinstance(failure, InputError):
        for fault in failure.faults:
            _tell(f"slabpose: {visible(str(fault))}")
    elif isinstance(failure, SlabposeError):
        _tell(f"slabpose: {visible(str(failure))}")
    elif isinstance(failure, BrokenPipeError):
        leave_output()
        return NOT_ALL_WITHIN  # the answer was not told to its end
    elif isinstance(failure, OSError):
        # a full disk, a lost drive: neither the input nor the program is to blame
        place = f"{failure.filename}: " if failure.filename else ""
        _tell(f"slabpose: {visible(place + (failure.strerror or str(failure)).lower())}")
    else:
        import traceback

        traceback.print_exception(failure)
        _tell("slabpose: this is a bug in slabpose; please report it with the lines above")
        return BUG
    return BAD_INPUT


def _flush() -> None:
    """Hand the last of the output over; a reader that has seen enough changes nothing of the result."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        leave_output()
