"""The command line.

Results go to standard output, everything else to standard error. Heavy imports wait until a command runs,
so that help answers at once.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

__all__ = ["cli", "main"]

OK, NOT_ALL_WITHIN, BAD_INPUT, BUG, INTERRUPTED = 0, 1, 2, 3, 130
Command = TypeVar("Command", bound=Callable[..., Any])

_PROJECT = click.argument("project", type=click.Path(path_type=Path))


def _out_options(what: str) -> Callable[[Command], Command]:
    """Add --csv and --json, the two ways out of every command."""

    def add(command: Command) -> Command:
        file = click.Path(dir_okay=False, path_type=Path)
        dash = click.Path(dir_okay=False, path_type=Path, allow_dash=True)
        command = click.option("--json", "json_file", type=dash, metavar="FILE",
                               help=f"Write {what} as JSON; - for standard output.")(command)  # fmt: skip
        return click.option("--csv", "csv_file", type=file, metavar="FILE", help=f"Write {what} as CSV.")(command)

    return add


_survey_options = (
    click.option("--survey", "survey", multiple=True, type=click.Path(path_type=Path), metavar="FILE",
                 help="Surveyed points; may be repeated. [default: every CSV in PROJECT/survey]"),
    click.option("--stage", metavar="NAME", help="Use only this stage. [default: the last stage of each slab]"),
    click.option("--from", "start", type=float, metavar="CHAINAGE_M", help="Only slabs from this chainage on."),
    click.option("--to", "end", type=float, metavar="CHAINAGE_M", help="Only slabs up to this chainage."),
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
    """


@cli.command()
@_PROJECT
@_with(_survey_options)
@click.option("--all", "everything", is_flag=True, help="List every slab, not only those that need attention.")
@_out_options("the verdict of each slab")
@click.option("--corners", "corner_file", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
              help="Write deviation, residual and test of each corner as CSV.")  # fmt: skip
@click.option("--joints", "joint_file", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
              help="Write steps and gaps of each joint as CSV.")  # fmt: skip
def check(**options: Any) -> int:
    """Compare surveyed corner points with the design: verdicts and corrections.

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
    """Lay out the slabs between the structure joints and give their target poses.

    \b
    Example:
      slabpose layout demo_alignment --show corners --csv set_out.csv
    """
    from viewer.commands import run_layout

    return run_layout(**options)


@cli.command()
@_PROJECT
@click.option("--at", "chainage", multiple=True, type=float, metavar="CHAINAGE_M", help="At this chainage; repeatable.")
@click.option("--at-distance", "distance", multiple=True, type=float, metavar="DISTANCE_M",
              help="At this distance from the start; repeatable.")  # fmt: skip
@click.option("--every", type=click.FloatRange(min=0.001), metavar="M", help="At regular chainages. [default: 20]")
@_out_options("the table")
def stations(**options: Any) -> int:
    """Give position, bearing, radius, gradient and cant of the design along the line.

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
    """Give chainage, offset and height of points from the design line.

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
    """Show the slabs in 3D, coloured by deviation.

    \b
    Example:
      slabpose view demo_alignment --picture section.png
    """
    from viewer.commands import run_view

    return run_view(**options)


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path))
def demo(folder: Path) -> int:
    """Write a copy of the demo project into FOLDER, which must not exist yet.

    \b
    Example:
      slabpose demo try-it
    """
    from viewer.commands import run_demo

    return run_demo(folder)


def _tell(text: str) -> None:
    sys.stderr.write(f"{text}\n")


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and end the process with its exit status."""
    sys.exit(_status(arguments))


def _status(arguments: list[str] | None) -> int:
    from geometry.errors import InputError, SlabposeError
    from viewer.terminal import visible

    try:
        result = cli.main(args=arguments, prog_name="slabpose", standalone_mode=False)
        sys.stdout.flush()
        return result if isinstance(result, int) else OK
    except click.exceptions.Exit as leave:
        return leave.exit_code
    except click.ClickException as mistake:
        mistake.show(sys.stderr)
        return BAD_INPUT
    except (KeyboardInterrupt, click.Abort):
        _tell("interrupted")
        return INTERRUPTED
    except InputError as mistake:
        for fault in mistake.faults:
            _tell(f"slabpose: {visible(str(fault))}")
        return BAD_INPUT
    except SlabposeError as mistake:
        _tell(f"slabpose: {visible(str(mistake))}")
        return BAD_INPUT
    except BrokenPipeError:
        # the reader of the output has seen enough; nothing more can be told to it
        sys.stdout = sys.stderr
        return OK
    except Exception:
        import traceback

        traceback.print_exc()
        _tell("slabpose: this is a bug in slabpose; please report it with the lines above")
        return BUG
