"""The command line.

Results go to standard output, everything else to standard error. Heavy imports wait until a command runs,
so that help answers at once.
"""

from __future__ import annotations

import contextlib
import sys

import click

from . import decision, design, exchange, field, show
from .options import BAD_INPUT, BUG, INTERRUPTED, NOT_ALL_WITHIN, OK, leave_output

__all__ = ["cli", "main"]


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


for _command in (
    decision.check,
    decision.plan,
    decision.mortar,
    decision.ready,
    decision.rail,
    decision.fasteners,
    decision.report,
    design.layout,
    design.review,
    design.rules,
    design.stations,
    design.offsets,
    show.view,
    design.chart,
    show.serve,
    show.present,
    field.setup,
    field.plan_setup,
    field.reduce,
    field.history,
    field.follow,
    exchange.import_,
    exchange.export,
    design.demo,
):
    cli.add_command(_command)


def _tell(text: str) -> None:
    sys.stderr.write(f"{text}\n")


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
