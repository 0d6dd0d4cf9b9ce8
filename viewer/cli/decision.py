"""Commands for the hour before injection."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from .options import (
    PROJECT,
    READINGS_OPTION,
    SURVEY_OPTIONS,
    file_only,
    number,
    number_in,
    out_options,
    time_of,
    with_options,
)

__all__ = ["check", "fasteners", "mortar", "plan", "rail", "ready", "report"]


@click.command(short_help="Verdict of every slab and joint, and the moves that correct them.")
@PROJECT
@with_options((SURVEY_OPTIONS[0], READINGS_OPTION, *SURVEY_OPTIONS[1:]))
@click.option("--all", "everything", is_flag=True, help="List every slab, not only those that need attention.")
@out_options("the verdict of each slab")
@click.option("--corners", "corner_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE", help="Write deviation, residual and test of each corner as CSV.")  # fmt: skip
@click.option("--joints", "joint_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE", help="Write steps and gaps of each joint as CSV.")  # fmt: skip
def check(**options: Any) -> int:
    """Compare surveyed corner points with the design: verdicts and corrections.

    \b
    Example:
      slabpose check demo_alignment --csv verdicts.csv
    """  # noqa: D301 - click wants the character itself
    from viewer.check_command import run_check

    return run_check(**options)


@click.command(short_help="Which slabs are ready for injection, and why the others are not.")
@PROJECT
@with_options((SURVEY_OPTIONS[0], READINGS_OPTION, *SURVEY_OPTIONS[1:]))
@click.option("--at", callback=time_of, metavar="TIME",
              help="Time of the injection, UTC unless it says its zone: 2031-05-15T04:00Z. [default: now]")  # fmt: skip
@click.option("--temperature-difference", callback=number("a difference of -60 to 60 K", -60.0, 60.0), metavar="K",
              help="Top face less underside, when the slabs were measured. [default: the project's]")  # fmt: skip
@click.option("--plan/--no-plan", default=True, show_default=True,
              help="Make the correction plan as well: a slab that it moves is not ready.")  # fmt: skip
@click.option("--all", "everything", is_flag=True, help="List every slab, not only those that are not ready.")
@out_options("the state of each slab")
def ready(**options: Any) -> int:
    """Tell which slabs may be injected, and every reason that holds up the others.

    What nobody measured or surveyed is a reason too. Exit status 0 only if every chosen slab is ready or has been
    injected.

    \b
    Example:
      slabpose ready demo_alignment --at 2031-05-15T04:00Z --csv ready.csv
    """  # noqa: D301 - click wants the character itself
    from viewer.ready_command import run_ready

    return run_ready(**options)


def _chords(context: click.Context, parameter: click.Parameter, given: tuple[str, ...]) -> tuple[Any, ...]:
    """Turn texts like 5/5 and 15/285/150 into chords."""
    if not given:
        return ()
    from geometry.placement.rail.chords import Chord

    chords = []
    for text in given:
        parts = [number_in(part) for part in text.split("/")]
        try:
            if not (2 <= len(parts) <= 3 and max(parts) <= 500):  # nan fails in the chord
                raise ValueError
            chords.append(Chord(*parts))
        except ValueError:
            expected = "expected REAR/FRONT or REAR/FRONT/APART in m, up to 500, with APART below FRONT"
            raise click.BadParameter(f"{expected}, found {text!r}", context, parameter) from None
    return tuple(chords)


@click.command(short_help="The rail that the slabs will carry, against its limits, before fasteners are adjusted.")
@PROJECT
@with_options((SURVEY_OPTIONS[0], READINGS_OPTION, *SURVEY_OPTIONS[1:]))
@click.option("--pose", "poses", type=click.Choice(["built", "target", "planned"]), default="built", show_default=True,
              help="Slabs as surveyed, exactly on their targets, or as the correction plan leaves them.")  # fmt: skip
@click.option("--chord", multiple=True, callback=_chords, metavar="REAR/FRONT[/APART]",
              help="Tell level and line from this chord too: m behind and ahead of the place; with APART the offset at "
                   "a second place so far ahead, less that at the first. Repeatable.")  # fmt: skip
@click.option("--all", "everything", is_flag=True, help="List undecided and unmeasured places too.")
@out_options("the rail at each seat")
def rail(**options: Any) -> int:
    """Forecast gauge, level, line, cant and twist of the rail from the poses of the slabs.

    Seats as the factory measured them (PROJECT/seats.csv) count; gauge is known only there.

    \b
    Example:
      slabpose rail demo_alignment --chord 20/20 --csv rail.csv
    """  # noqa: D301 - click wants the character itself
    from viewer.rail_command import run_rail

    return run_rail(**options)


@click.command(short_help="Shims and moves at the rail's fasteners, the fewest that keep its limits.")
@PROJECT
@with_options((SURVEY_OPTIONS[0], READINGS_OPTION, *SURVEY_OPTIONS[1:]))
@click.option("--pose", "poses", type=click.Choice(["built", "target", "planned"]), default="built", show_default=True,
              help="Slabs as surveyed, on their targets, or as the correction plan leaves them.")  # fmt: skip
@click.option("--most-seconds", callback=number("seconds from 0.1 to 3600", 0.1, 3600.0), metavar="S",
              help="Time that the search may take. [default: the project's]")  # fmt: skip
@click.option("--all", "everything", is_flag=True, help="List all of the work, not only its start.")
@out_options("what is done at each opened fastener")
@click.option("--order", "order_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE", help="Write the pieces to order as CSV.")  # fmt: skip
def fasteners(**options: Any) -> int:
    """Plan which fasteners of the rail get shims or move sideways, in whole steps and within their range.

    The rail keeps every limit of the project that is no range of wavelengths, and bends no further than it can; the
    fewest fasteners are opened, and the least is adjusted in sum. It is said what cannot be kept, and what is proven.

    \b
    Example:
      slabpose fasteners demo_alignment --from Q0176 --to Q0188 --csv work.csv --order pieces.csv
    """  # noqa: D301 - click wants the character itself
    from viewer.fastener_command import run_fasteners

    return run_fasteners(**options)


@click.command(short_help="Mortar gap and volume of every slab, the bed below it, the anchors beside it.")
@PROJECT
@with_options((SURVEY_OPTIONS[0], READINGS_OPTION, *SURVEY_OPTIONS[1:]))
@click.option("--pose", "poses", type=click.Choice(["built", "target", "planned"]), default="built", show_default=True,
              help="Gaps under the slabs as surveyed, as designed, or as the correction plan leaves them.")  # fmt: skip
@click.option("--all", "everything", is_flag=True, help="List every slab, not only those that need attention.")
@out_options("gaps, volume and verdict of each slab")
@click.option("--bed", "bed_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE", help="Write how far each bed point lies off its design as CSV.")  # fmt: skip
@click.option("--batches", "batch_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE", help="Write the batches of mortar as CSV.")  # fmt: skip
def mortar(**options: Any) -> int:
    """Tell the gap under every slab from the surveyed bed, its volume, and the clearance of the anchors.

    Bed points are the tables in PROJECT/bed, anchors are PROJECT/anchors.csv. What they do not cover is not
    measured, and never good.

    \b
    Example:
      slabpose mortar demo_alignment --csv mortar.csv --batches batches.csv
    """  # noqa: D301 - click wants the character itself
    from viewer.mortar_command import run_mortar

    return run_mortar(**options)


@click.command(short_help="Which slabs to touch and by how much, the fewest that bring the section within.")
@PROJECT
@with_options((SURVEY_OPTIONS[0], READINGS_OPTION, *SURVEY_OPTIONS[1:]))
@click.option("--fix", multiple=True, metavar="SLAB[:LAST]",
              help="A slab, or several in a row, that shall not be moved; repeatable.")  # fmt: skip
@click.option("--done", multiple=True, metavar="SLAB[:LAST]",
              help="Turned since it was measured: not moved again, and nothing told of it or its joints until it is "
                   "measured; repeatable.")  # fmt: skip
@click.option("--time-limit", callback=number("seconds from 0.1 to 3600", 0.1, 3600.0), metavar="S",
              help="Time that the search may take. [default: the project's]")  # fmt: skip
@click.option("--all", "everything", is_flag=True, help="List everything that was found, however long.")
@out_options("what is planned for each slab")
@click.option("--work", "work_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE", help="Write the work list, slabs in walking order, as CSV.")  # fmt: skip
def plan(**options: Any) -> int:
    """Plan the corrections of a section: fewest slabs touched, then least travel, in steps that a crew can turn.

    Every slab keeps its tolerances, every joint its steps and gaps, the rail its chords, and the mortar its gap, all
    with their guard bands, as far as screws can do that; it is said what cannot be kept, and what is proven. Exit
    status 0 only if after the plan every rule is kept and nothing is unknown.

    \b
    Example:
      slabpose plan demo_alignment --work work.csv
    """  # noqa: D301 - click wants the character itself
    from viewer.plan_command import run_plan

    return run_plan(**options)


@click.command(short_help="The record of a section before injection: PDF, web page, Excel workbook.")
@PROJECT
@with_options((SURVEY_OPTIONS[0], READINGS_OPTION, *SURVEY_OPTIONS[1:]))
@click.option("--at", callback=time_of, metavar="TIME",
              help="Time of the injection, UTC unless it says its zone: 2031-05-15T04:00Z. [default: now]")  # fmt: skip
@click.option("--title", metavar="TEXT", help="What stands over it. [default: Record before injection]")
@click.option("--pdf", "pdf_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE", help="Write pages to print and sign: A4, PDF.")  # fmt: skip
@click.option("--html", "html_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE", help="Write a web page: one file that needs nothing else.")  # fmt: skip
@click.option("--xlsx", "xlsx_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE", help="Write the same tables as an Excel workbook.")  # fmt: skip
def report(**options: Any) -> int:
    """Write what is known of a section before injection, to be read, signed and kept.

    Pictures, verdicts and reasons, joints, mortar, rail, every slab and corner; how they came about, with which
    uncertainty, from which files; cautions, and lines to sign on. Exit status 0 once it is written, whatever it says.

    \b
    Example:
      slabpose report demo_alignment --at 2031-05-15T04:00Z --pdf record.pdf --html record.html
    """  # noqa: D301 - click wants the character itself
    from viewer.report_command import run_report

    return run_report(**options)
