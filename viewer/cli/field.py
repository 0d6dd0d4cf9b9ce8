"""Commands for the survey team: readings, set-ups, epochs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from .options import PROJECT, file_only, number, out_options, with_options

__all__ = ["follow", "history", "plan_setup", "reduce", "setup"]

_field_options = (
    click.option("--readings", multiple=True, type=click.Path(path_type=Path), metavar="FILE",
                 help="Instrument readings; may be repeated. [default: every table in PROJECT/readings]"),
    click.option("--control", type=click.Path(path_type=Path), metavar="FILE",
                 help="Control points. [default: PROJECT/control.csv]"),
    click.option("--together", is_flag=True, help="Adjust all sound set-ups in one network, with marks they share."),
)  # fmt: skip


@click.command(short_help="Where the instrument stood, how certain that is, and what does not fit.")
@PROJECT
@with_options(_field_options)
@out_options("the set-ups")
@click.option("--free", is_flag=True, help="Together, and hold no control point: how well the sights agree.")
@click.option("--observations", "row_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE", help="Write residual, redundancy and test of each observation as CSV.")  # fmt: skip
def setup(**options: Any) -> int:
    """Solve free set-ups from readings to control points, and name what is wrong with one.

    \b
    Example:
      slabpose setup demo_alignment --together
    """  # noqa: D301 - click wants the character itself
    from viewer.field_commands import run_setup

    return run_setup(**options)


@click.command(short_help="Coordinates of slab marks from readings.")
@PROJECT
@with_options(_field_options)
@click.option("--stage", metavar="NAME", help="Use only this stage. [default: the last stage of each slab]")
@out_options("the marks, in the form of a survey file,")
def reduce(**options: Any) -> int:
    """Turn readings into coordinates of slab marks with their uncertainty.

    \b
    Example:
      slabpose reduce demo_alignment --csv marks.csv
    """  # noqa: D301 - click wants the character itself
    from viewer.field_commands import run_reduce

    return run_reduce(**options)


@click.command(short_help="How slabs moved from one measurement to the next.")
@PROJECT
@click.option("--survey", "survey", multiple=True, type=click.Path(path_type=Path), metavar="FILE",
              help="Surveyed points; may be repeated. [default: every table in PROJECT/survey, unless readings are "
                   "named]")  # fmt: skip
@click.option("--readings", multiple=True, type=click.Path(path_type=Path), metavar="FILE",
              help="Instrument readings, alone or beside surveyed points that are named; may be repeated. "
                   "[default: PROJECT/readings if there is no survey]")  # fmt: skip
@click.option("--slab", "named", multiple=True, metavar="NAME",
              help="Show this slab with every corner and screw; repeatable. "
                   "[default: slabs measured twice or more]")  # fmt: skip
@out_options("every epoch")
def history(**options: Any) -> int:
    """Tell how slabs moved from one measurement to the next: moved or noise, made of asked, injection.

    From surveyed points, from instrument readings, or from both together: rough placing as coordinates, say, and
    fine adjustment as readings. What a set-up does to all its marks alike is in the test; what one set-up did at
    both measurements cancels. Nothing is called moved on what was seen from a set-up in which something is wrong.

    \b
    Example:
      slabpose history demo_alignment --slab Q0108
    """  # noqa: D301 - click wants the character itself
    from viewer.epoch_commands import run_history

    return run_history(**options)


@click.command(short_help="Verdict and remaining moves while screws are turned.")
@PROJECT
@click.option("--survey", type=click.Path(file_okay=False, path_type=Path), metavar="FOLDER",
              help="Folder of surveyed points to watch. [default: PROJECT/survey, unless readings are "
                   "named]")  # fmt: skip
@click.option("--readings", type=click.Path(file_okay=False, path_type=Path), metavar="FOLDER",
              help="Folder of instrument readings to watch, alone or beside a survey folder that is named. [default: "
                   "PROJECT/readings if there is no survey]")  # fmt: skip
@click.option("--interval", default="1", show_default=True, callback=number("a time of at least 0.05 s", 0.05),
              metavar="S", help="Look every so many seconds.")  # fmt: skip
@click.option("--once", is_flag=True, help="Look once, tell of the slab measured last, and end.")
@click.option("--until-idle", callback=number("a time of at least 0 s", 0.0), metavar="S",
              help="End when nothing has changed for so many seconds. [default: Ctrl-C ends]")  # fmt: skip
def follow(**options: Any) -> int:
    """Watch surveyed points and readings while screws are turned: verdict and remaining moves at every measurement.

    Of readings the set-up is solved again with every sight to control: one that lacks some waits and says what it
    needs, and slabs seen from one that turns out to have moved are told again. Only CSV files are watched, as no
    others can be read while they grow. Nothing is written. The design is read once, at the start. Ctrl-C ends with
    exit status 130.

    \b
    Example:
      slabpose follow demo_alignment --once
    """  # noqa: D301 - click wants the character itself
    from viewer.epoch_commands import run_follow

    return run_follow(**options)


_instrument_options = (
    click.option("--instrument", type=click.Choice(["0.5", "1", "2"]),
                 help="Assume this class, by a direction's standard uncertainty in seconds of arc. "
                      "[default: values of the project file]"),
    *(click.option(f"--{name}", callback=number("a number over 0", 1e-6), metavar=unit, help=text)
      for name, unit, text in (
          ("direction-arcsec", "ARCSEC", "Standard uncertainty of a direction, mean of two faces."),
          ("zenith-arcsec", "ARCSEC", "Standard uncertainty of a zenith angle, mean of two faces."),
          ("distance-mm", "MM", "Standard uncertainty of a distance, constant part."))),
    *(click.option(f"--{name}", callback=number("a number of at least 0", 0.0), metavar=unit, help=text)
      for name, unit, text in (
          ("distance-ppm", "PPM", "Standard uncertainty of a distance, part that grows with it."),
          ("centring-mm", "MM", "Standard uncertainty of a prism over its point in plan."),
          ("prism-height-mm", "MM", "Standard uncertainty of a prism's height over its point."))),
    click.option("--rounds", default="1", show_default=True, callback=number("a number of at least 1", 1.0),
                 metavar="N", help="Rounds to control points, each in two faces."),
    click.option("--mark-rounds", default="1", show_default=True, callback=number("a number of at least 1", 1.0),
                 metavar="N", help="Rounds to slab marks, each in two faces."),
)  # fmt: skip
_range_options = (
    click.option("--range-min", default="10", show_default=True, callback=number("a distance of at least 0 m", 0.0),
                 metavar="M", help="Shortest sight to a control point."),
    click.option("--range-max", default="80", show_default=True, callback=number("a distance of at least 1 m", 1.0),
                 metavar="M", help="Longest sight to a control point."),
    click.option("--reach", default="80", show_default=True, callback=number("a distance of at least 1 m", 1.0),
                 metavar="M", help="Longest sight to a slab mark."),
    click.option("--steep-deg", default="30", show_default=True, metavar="DEG",
                 callback=number("an angle of 1 to 89 degrees", 1.0, 89.0), help="Tell of sights steeper than this."),
    click.option("--grazing-deg", default="1", show_default=True, metavar="DEG",
                 callback=number("an angle of 0 to 45 degrees", 0.0, 45.0),
                 help="Tell of sights that meet a slab's top face flatter than this."),
)  # fmt: skip
_sigma = number("a standard uncertainty over 0 mm", 1e-3)


@click.command("plan-setup", short_help="What a planned set-up of the instrument will be able to decide.")
@PROJECT
@click.option("--at-chainage", "chainage", callback=number("a chainage in metres, 27500 or 27+500.000"),
              metavar="CHAINAGE_M", help="Planned position of the instrument, with --offset and --height.")  # fmt: skip
@click.option("--offset", callback=number("an offset in metres"), metavar="M", help="From the line, + to the right.")
@click.option("--height", callback=number("a height in metres"), metavar="M",
              help="Of the tilting axis over the profile.")  # fmt: skip
@click.option("--candidates", type=click.Path(path_type=Path), metavar="FILE",
              help="Rank positions of a table: name with easting_m, northing_m, level_m, or with chainage_m, offset_m, "
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
              callback=number("a percentage of 0 to 99", 0.0, 99.0),
              help="Part of a tolerance that has to be left after the guard bands.")  # fmt: skip
@with_options(_instrument_options)
@with_options(_range_options)
@out_options("the outlook of each slab")
@click.option("--corners", "corner_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE", help="Write the expected uncertainty of each corner as CSV.")  # fmt: skip
@click.option("--positions", "position_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
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
