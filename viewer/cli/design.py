"""Commands that look at the design, the whole section, or the demo."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from .options import ALIGNMENT_OPTION, LINE, file_only, number, out_options

__all__ = ["chart", "demo", "layout", "offsets", "review", "rules", "stations"]


@click.command(short_help="Slabs with their target poses, and corners for setting out.")
@LINE
@ALIGNMENT_OPTION
@click.option("--like", type=click.Path(path_type=Path), metavar="PROJECT",
              help="Take slab types and rules from this project, to lay slabs on the alignment of a file.")  # fmt: skip
@click.option("--show", "what", type=click.Choice(["slabs", "corners", "anchors"]), default="slabs", show_default=True,
              help="Slabs with target poses, target corners for setting out, or anchors.")  # fmt: skip
@out_options("the table")
def layout(**options: Any) -> int:
    """Lay out the slabs between the structure joints and give their target poses.

    \b
    Example:
      slabpose layout demo_alignment --show corners --csv set_out.csv
    """  # noqa: D301 - click wants the character itself
    from viewer.design_commands import run_layout

    return run_layout(**options)


@click.command(short_help="The layout on its curves: worst cases, seatings, slab lengths, types, quantities.")
@LINE
@ALIGNMENT_OPTION
@click.option("--like", type=click.Path(path_type=Path), metavar="PROJECT",
              help="Take slab types and rules from this project, to lay slabs on the alignment of a file.")  # fmt: skip
@click.option("--longer", "longer_mm", multiple=True,
              callback=number("a length of -10000 to 10000 mm", -10000.0, 10000.0), metavar="MM",
              help="Compare with slabs so much longer (- shorter), laid out anew; repeatable.")  # fmt: skip
@click.option("--seating", multiple=True, type=click.Choice(["ends", "centre", "shared", "least_squares"]),
              help="Compare this way to seat slabs on a curve; repeatable. [default: all four]")  # fmt: skip
@click.option("--span", multiple=True, metavar="NAME", help="Show the ways to fill this span; repeatable.")
@click.option("--worst", type=click.IntRange(1, 1000), default=2, show_default=True, metavar="N",
              help="Slabs listed for each quantity.")  # fmt: skip
@click.option("--layout", "layout_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE",
              help="Write slabs by the fewest types as layout.csv; with --span, only there they change.")  # fmt: skip
@click.option("--replace", is_flag=True, help="Let --layout replace a file that is there.")
@out_options("every slab")
def review(**options: Any) -> int:
    """Review the layout before anything is cast: what each slab asks of rails, fasteners, joints, anchors, mortar.

    Worst cases, seatings and slab lengths side by side, the fewest slab types that fill all spans, quantities; --json
    has all of it. Exit status 1 if a slab is out of what the project allows, or a span stays empty.

    \b
    Example:
      slabpose review demo_alignment --longer 500 --span "Tarn G6"
      slabpose review demo_alignment --layout layout.csv
    """  # noqa: D301 - click wants the character itself
    from viewer.review_command import run_review

    return run_review(**options)


@click.command(short_help="Values of the design along the line.")
@LINE
@ALIGNMENT_OPTION
@click.option("--at", "chainage", multiple=True, callback=number("a chainage in metres, 27500 or 27+500.000"),
              metavar="CHAINAGE_M", help="At this chainage; repeatable.")  # fmt: skip
@click.option("--at-distance", "distance", multiple=True, callback=number("a distance in metres"),
              metavar="DISTANCE_M", help="At this distance from the start; repeatable.")  # fmt: skip
@click.option("--every", callback=number("a length of at least 0.001 m", 0.001), metavar="M",
              help="At regular chainages. [default: 20]")  # fmt: skip
@out_options("the table")
def stations(**options: Any) -> int:
    """Give position, bearing, radius, gradient and cant of the design along the line.

    \b
    Example:
      slabpose stations demo_alignment --at 27500 --at 28120
    """  # noqa: D301 - click wants the character itself
    from viewer.design_commands import run_stations

    return run_stations(**options)


_speed = number("a speed of 1 to 1000 km/h", 1.0, 1000.0)


@click.command(short_help="The design against the limits of running, and the speed it allows.")
@LINE
@ALIGNMENT_OPTION
@click.option("--speed", required=True, callback=_speed, metavar="KMH", help="Speed of the fastest trains.")
@click.option("--slow", callback=_speed, metavar="KMH",
              help="Speed of the slowest trains, for the excess of cant. [default: that of --speed]")  # fmt: skip
@click.option("--all", "everything", is_flag=True, help="List every value, not only those beyond a normal limit.")
@out_options("the value of every element")
@click.option("--speeds", "speed_file", type=click.Path(dir_okay=False, path_type=Path), callback=file_only,
              metavar="FILE", help="Write the largest speed along the line as CSV.")  # fmt: skip
def rules(**options: Any) -> int:
    """Compare each element of the design with limits for cant, its deficiency, rates, lengths, curves.

    The limits come with the program, each with its source; rules.toml of the project replaces them. Exit status 0 if
    no value is beyond an exceptional limit, else 1.

    \b
    Example:
      slabpose rules demo_alignment --speed 250
    """  # noqa: D301 - click wants the character itself
    from viewer.rules_command import run_rules

    return run_rules(**options)


@click.command()
@LINE
@ALIGNMENT_OPTION
@click.argument("points", type=click.Path(path_type=Path))
@out_options("the table")
def offsets(**options: Any) -> int:
    """Give chainage, offset and height of points from the design line.

    POINTS is a table (CSV or Excel) with point, easting_m, northing_m, level_m, or a LandXML file with points.

    \b
    Example:
      slabpose offsets demo_alignment demo_alignment/survey/fine_adjustment.csv
    """  # noqa: D301 - click wants the character itself
    from viewer.design_commands import run_offsets

    return run_offsets(**options)


@click.command(short_help="Charts of design, slabs and deviations along the line.")
@LINE
@ALIGNMENT_OPTION
@click.option("--picture", required=True, type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
              help="Picture to write: .png, .svg or .pdf.")  # fmt: skip
@click.option("--show", "shown", multiple=True,
              type=click.Choice(["curvature", "cant", "gradient", "versine", "warp", "gaps", "mortar", "deviations"]),
              help="Draw only this; repeatable. [default: all there is]")  # fmt: skip
@click.option("--speed", callback=_speed, metavar="KMH", help="Show the cant deficiency at this speed with its limits.")
@click.option("--from", "start", metavar="PLACE", help="Start here: a slab's name or a chainage in m.")
@click.option("--to", "end", metavar="PLACE", help="End here: a slab's name or a chainage in m.")
def chart(**options: Any) -> int:
    """Draw charts along the line, one above the other: curvature, cant, gradient, slabs, deviations.

    \b
    Example:
      slabpose chart demo_alignment --speed 250 --picture charts.png
    """  # noqa: D301 - click wants the character itself
    from viewer.chart_command import run_chart

    return run_chart(**options)


@click.command(short_help="Write a copy of the demo project.")
@click.argument("folder", type=click.Path(path_type=Path))
def demo(folder: Path) -> int:
    """Write a copy of the demo project into FOLDER, which must not exist yet.

    \b
    Example:
      slabpose demo try-it
    """  # noqa: D301 - click wants the character itself
    from viewer.design_commands import run_demo

    return run_demo(folder)
