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


def _number(
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

_readings_option = click.option(
    "--readings", multiple=True, type=click.Path(path_type=Path), metavar="FILE",
    help="Readings in place of surveyed points; may be repeated. [default: PROJECT/readings if there is no survey]",
)  # fmt: skip
_field_options = (
    click.option("--readings", multiple=True, type=click.Path(path_type=Path), metavar="FILE",
                 help="Instrument readings; may be repeated. [default: every CSV in PROJECT/readings]"),
    click.option("--control", type=click.Path(path_type=Path), metavar="FILE",
                 help="Control points. [default: PROJECT/control.csv]"),
    click.option("--together", is_flag=True, help="Adjust all sound set-ups in one network, with marks they share."),
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
    """Tell of every precast track slab whether it lies where the design puts it.

    Before the mortar goes in: verdict, uncertainty, and how far which screw has to turn.

    \b
    Try it:
      slabpose demo try-it
      slabpose check try-it
      slabpose view try-it --picture section.png

    Exit status: 0 all within, 1 something is out, undecided or not measured, 2 bad input, 3 a bug.
    """  # noqa: D301 - click wants the character itself


@cli.command(short_help="Verdict of every slab and joint, and the moves that correct them.")
@_PROJECT
@_with((_survey_options[0], _readings_option, *_survey_options[1:]))
@click.option("--all", "everything", is_flag=True, help="List every slab, not only those that need attention.")
@_out_options("the verdict of each slab")
@click.option("--corners", "corner_file", type=click.Path(dir_okay=False, path_type=Path), callback=_file,
              metavar="FILE", help="Write deviation, residual and test of each corner as CSV.")  # fmt: skip
@click.option("--joints", "joint_file", type=click.Path(dir_okay=False, path_type=Path), callback=_file,
              metavar="FILE", help="Write steps and gaps of each joint as CSV.")  # fmt: skip
def check(**options: Any) -> int:
    """Compare surveyed corner points with the design: verdicts and corrections.

    \b
    Example:
      slabpose check demo_alignment --csv verdicts.csv
    """  # noqa: D301 - click wants the character itself
    from viewer.commands import run_check

    return run_check(**options)


@cli.command(short_help="Slabs with their target poses, and corners for setting out.")
@_PROJECT
@click.option("--show", "what", type=click.Choice(["slabs", "corners", "anchors"]), default="slabs", show_default=True,
              help="Slabs with target poses, target corners for setting out, or anchors.")  # fmt: skip
@_out_options("the table")
def layout(**options: Any) -> int:
    """Lay out the slabs between the structure joints and give their target poses.

    \b
    Example:
      slabpose layout demo_alignment --show corners --csv set_out.csv
    """  # noqa: D301 - click wants the character itself
    from viewer.commands import run_layout

    return run_layout(**options)


@cli.command(short_help="Values of the design along the line.")
@_PROJECT
@click.option("--at", "chainage", multiple=True, callback=_number("a chainage in metres, 27500 or 27+500.000"),
              metavar="CHAINAGE_M", help="At this chainage; repeatable.")  # fmt: skip
@click.option("--at-distance", "distance", multiple=True, callback=_number("a distance in metres"),
              metavar="DISTANCE_M", help="At this distance from the start; repeatable.")  # fmt: skip
@click.option("--every", callback=_number("a length of at least 0.001 m", 0.001), metavar="M",
              help="At regular chainages. [default: 20]")  # fmt: skip
@_out_options("the table")
def stations(**options: Any) -> int:
    """Give position, bearing, radius, gradient and cant of the design along the line.

    \b
    Example:
      slabpose stations demo_alignment --at 27500 --at 28120
    """  # noqa: D301 - click wants the character itself
    from viewer.commands import run_stations

    return run_stations(**options)


@cli.command()
@_PROJECT
@click.argument("points", type=click.Path(path_type=Path))
@_out_options("the table")
def offsets(**options: Any) -> int:
    """Give chainage, offset and height of points from the design line.

    POINTS is a CSV with point, easting_m, northing_m, level_m.

    \b
    Example:
      slabpose offsets demo_alignment demo_alignment/survey/fine_adjustment.csv
    """  # noqa: D301 - click wants the character itself
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
    """Show the slabs in 3D, coloured by deviation.

    \b
    Example:
      slabpose view demo_alignment --picture section.png
    """  # noqa: D301 - click wants the character itself
    from viewer.commands import run_view

    return run_view(**options)


@cli.command(short_help="Where the instrument stood, how certain that is, and what does not fit.")
@_PROJECT
@_with(_field_options)
@_out_options("the set-ups")
@click.option("--free", is_flag=True, help="Together, and hold no control point: how well the sights agree.")
@click.option("--observations", "row_file", type=click.Path(dir_okay=False, path_type=Path), callback=_file,
              metavar="FILE", help="Write residual, redundancy and test of each observation as CSV.")  # fmt: skip
def setup(**options: Any) -> int:
    """Solve free set-ups from readings to control points, and name what is wrong with one.

    \b
    Example:
      slabpose setup demo_alignment --together
    """  # noqa: D301 - click wants the character itself
    from viewer.field_commands import run_setup

    return run_setup(**options)


@cli.command(short_help="Coordinates of slab marks from readings.")
@_PROJECT
@_with(_field_options)
@click.option("--stage", metavar="NAME", help="Use only this stage. [default: the last stage of each slab]")
@_out_options("the marks, in the form of a survey file,")
def reduce(**options: Any) -> int:
    """Turn readings into coordinates of slab marks with their uncertainty.

    \b
    Example:
      slabpose reduce demo_alignment --csv marks.csv
    """  # noqa: D301 - click wants the character itself
    from viewer.field_commands import run_reduce

    return run_reduce(**options)


@cli.command(short_help="How slabs moved from one measurement to the next.")
@_PROJECT
@_with(_survey_options[:1])
@click.option("--slab", "named", multiple=True, metavar="NAME",
              help="Show this slab with every corner and screw; repeatable. "
                   "[default: slabs measured twice or more]")  # fmt: skip
@_out_options("every epoch")
def history(**options: Any) -> int:
    """Tell how slabs moved from one measurement to the next: moved or noise, made of asked, injection.

    \b
    Example:
      slabpose history demo_alignment --slab Q0108
    """  # noqa: D301 - click wants the character itself
    from viewer.commands import run_history

    return run_history(**options)


@cli.command(short_help="Verdict and remaining moves while screws are turned.")
@_PROJECT
@click.option("--survey", type=click.Path(file_okay=False, path_type=Path), metavar="FOLDER",
              help="Folder to watch. [default: PROJECT/survey]")  # fmt: skip
@click.option("--interval", default="1", show_default=True, callback=_number("a time of at least 0.05 s", 0.05),
              metavar="S", help="Look every so many seconds.")  # fmt: skip
@click.option("--once", is_flag=True, help="Look once, tell of the slab measured last, and end.")
@click.option("--until-idle", callback=_number("a time of at least 0 s", 0.0), metavar="S",
              help="End when nothing has changed for so many seconds. [default: Ctrl-C ends]")  # fmt: skip
def follow(**options: Any) -> int:
    """Watch a survey folder while screws are turned: verdict and remaining moves after every measurement.

    Nothing is written. The design is read once, at the start. Ctrl-C ends with exit status 130.

    \b
    Example:
      slabpose follow demo_alignment --once
    """  # noqa: D301 - click wants the character itself
    from viewer.commands import run_follow

    return run_follow(**options)


_instrument_options = (
    click.option("--instrument", type=click.Choice(["0.5", "1", "2"]),
                 help="Assume this class, by a direction's standard uncertainty in seconds of arc. "
                      "[default: values of the project file]"),
    *(click.option(f"--{name}", callback=_number("a number over 0", 1e-6), metavar=unit, help=text)
      for name, unit, text in (
          ("direction-arcsec", "ARCSEC", "Standard uncertainty of a direction, mean of two faces."),
          ("zenith-arcsec", "ARCSEC", "Standard uncertainty of a zenith angle, mean of two faces."),
          ("distance-mm", "MM", "Standard uncertainty of a distance, constant part."))),
    *(click.option(f"--{name}", callback=_number("a number of at least 0", 0.0), metavar=unit, help=text)
      for name, unit, text in (
          ("distance-ppm", "PPM", "Standard uncertainty of a distance, part that grows with it."),
          ("centring-mm", "MM", "Standard uncertainty of a prism over its point in plan."),
          ("prism-height-mm", "MM", "Standard uncertainty of a prism's height over its point."))),
    click.option("--rounds", default="1", show_default=True, callback=_number("a number of at least 1", 1.0),
                 metavar="N", help="Rounds to control points, each in two faces."),
    click.option("--mark-rounds", default="1", show_default=True, callback=_number("a number of at least 1", 1.0),
                 metavar="N", help="Rounds to slab marks, each in two faces."),
)  # fmt: skip
_range_options = (
    click.option("--range-min", default="10", show_default=True, callback=_number("a distance of at least 0 m", 0.0),
                 metavar="M", help="Shortest sight to a control point."),
    click.option("--range-max", default="80", show_default=True, callback=_number("a distance of at least 1 m", 1.0),
                 metavar="M", help="Longest sight to a control point."),
    click.option("--reach", default="80", show_default=True, callback=_number("a distance of at least 1 m", 1.0),
                 metavar="M", help="Longest sight to a slab mark."),
    click.option("--steep-deg", default="30", show_default=True, metavar="DEG",
                 callback=_number("an angle of 1 to 89 degrees", 1.0, 89.0), help="Tell of sights steeper than this."),
    click.option("--grazing-deg", default="1", show_default=True, metavar="DEG",
                 callback=_number("an angle of 0 to 45 degrees", 0.0, 45.0),
                 help="Tell of sights that meet a slab's top face flatter than this."),
)  # fmt: skip
_sigma = _number("a standard uncertainty over 0 mm", 1e-3)


@cli.command("plan-setup", short_help="What a planned set-up of the instrument will be able to decide.")
@_PROJECT
@click.option("--at-chainage", "chainage", callback=_number("a chainage in metres, 27500 or 27+500.000"),
              metavar="CHAINAGE_M", help="Planned position of the instrument, with --offset and --height.")  # fmt: skip
@click.option("--offset", callback=_number("an offset in metres"), metavar="M", help="From the line, + to the right.")
@click.option("--height", callback=_number("a height in metres"), metavar="M",
              help="Of the tilting axis over the profile.")  # fmt: skip
@click.option("--candidates", type=click.Path(path_type=Path), metavar="FILE",
              help="Rank positions of a CSV: name with easting_m, northing_m, level_m, or with chainage_m, offset_m, "
                   "height_m.")  # fmt: skip
@click.option("--control", type=click.Path(path_type=Path), metavar="FILE",
              help="Control points: point, easting_m, northing_m, level_m, perhaps sigma_easting_mm, "
                   "sigma_northing_mm, sigma_level_mm. [default: PROJECT/control.csv]")  # fmt: skip
@click.option("--sight", multiple=True, metavar="POINT",
              help="Sight only this control point; repeatable. [default: all in range]")  # fmt: skip
@click.option("--control-plan-mm", callback=_sigma, metavar="MM",
              help="Standard uncertainty assumed for control points without one, easting and northing.")  # fmt: skip
@click.option("--control-level-mm", callback=_sigma, metavar="MM",
              help="Standard uncertainty assumed for control points without one, level.")  # fmt: skip
@click.option("--left-percent", default="50", show_default=True, metavar="PERCENT",
              callback=_number("a percentage of 0 to 99", 0.0, 99.0),
              help="Part of a tolerance that has to be left after the guard bands.")  # fmt: skip
@_with(_instrument_options)
@_with(_range_options)
@_out_options("the outlook of each slab")
@click.option("--corners", "corner_file", type=click.Path(dir_okay=False, path_type=Path), callback=_file,
              metavar="FILE", help="Write the expected uncertainty of each corner as CSV.")  # fmt: skip
@click.option("--positions", "position_file", type=click.Path(dir_okay=False, path_type=Path), callback=_file,
              metavar="FILE", help="Write the planned positions, the best first, as CSV.")  # fmt: skip
def plan_setup(**options: Any) -> int:
    """Tell what a planned set-up will be able to decide, before anything is measured.

    Expected uncertainty of the set-up and of the slabs around it, and what that leaves of each tolerance. Exit
    status 0 if every tolerance can be decided at some slab, else 1.

    \b
    Example:
      slabpose plan-setup demo_alignment --at-chainage 27+560 --offset 2 --height 1.5
    """  # noqa: D301 - click wants the character itself
    from viewer.prospect_page import run_plan_setup

    return run_plan_setup(**options)


@cli.command(short_help="Write a copy of the demo project.")
@click.argument("folder", type=click.Path(path_type=Path))
def demo(folder: Path) -> int:
    """Write a copy of the demo project into FOLDER, which must not exist yet.

    \b
    Example:
      slabpose demo try-it
    """  # noqa: D301 - click wants the character itself
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
