"""Commands that show a section: in a window or a picture, in the browser app, and to guests."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from .options import PROJECT, READINGS_OPTION, SURVEY_OPTIONS, number, with_options

__all__ = ["present", "serve", "view"]


@click.command()
@PROJECT
@with_options((SURVEY_OPTIONS[0], READINGS_OPTION, SURVEY_OPTIONS[1]))
@click.option("--pose", "poses", type=click.Choice(["built", "target", "planned"]), default="built", show_default=True,
              help="Slabs as surveyed, on their targets, or as the correction plan leaves them.")  # fmt: skip
@click.option("--picture", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
              help="Write a picture (.png, .svg, .pdf) instead of opening a window; needs no screen.")  # fmt: skip
@click.option("--colour", type=click.Choice(["up", "across", "along", "gap", "move", "rail"]), default="up",
              show_default=True,
              help="What colours and heights show: a deviation, the mortar gap, planned moves, the rail.")  # fmt: skip
@click.option("--limit", metavar="NAME",
              help="With --colour rail: the limit to show, or a part of its name. [default: the worst]")  # fmt: skip
@click.option("--slab", metavar="NAME", help="Slab to show close up. [default: the worst]")
@click.option("--flat", is_flag=True, help="Draw the flat overview, without any 3D library.")
def view(**options: Any) -> int:
    """Show the slabs in 3D, coloured by deviation, mortar gap, planned move or rail.

    In the window the key h shows what can be done there.

    \b
    Example:
      slabpose view demo_alignment --picture section.png
      slabpose view demo_alignment --pose planned --picture planned.png
      slabpose view demo_alignment --colour rail --limit "twist" --picture rail.pdf --flat
    """  # noqa: D301 - click wants the character itself
    from viewer.view_command import run_view

    return run_view(**options)


@click.command(short_help="The section in a browser: one selection in four views, followed live.")
@PROJECT
@click.option("--host", default="127.0.0.1", show_default=True, metavar="ADDRESS",
              help="Address to bind to; anything but this machine alone asks each visitor for a token.")  # fmt: skip
@click.option("--port", type=click.IntRange(0, 65535), default=8420, show_default=True, metavar="NUMBER",
              help="0 for any that is free.")  # fmt: skip
@click.option("--token", metavar="TEXT", envvar="SLABPOSE_TOKEN", show_envvar=True,
              help="Token in place of a random one, 12 characters or more.")  # fmt: skip
@click.option("--browser/--no-browser", default=True, show_default=True, help="Open the browser of this machine.")
def serve(**options: Any) -> int:
    """Serve the section as a page for browsers; all of it comes from this machine.

    Ctrl-C ends it.

    \b
    Example:
      slabpose serve demo_alignment
      slabpose serve demo_alignment --host 0.0.0.0 --no-browser
    """  # noqa: D301 - click wants the character itself
    from viewer.app_command import run_serve

    return run_serve(**options)


def _size(context: click.Context, parameter: click.Parameter, given: str) -> tuple[int, int]:
    """Return a size in pixels from a text like 1280x720."""
    wide, _, high = given.lower().partition("x")
    try:
        size = int(wide), int(high)
    except ValueError:
        size = 0, 0
    if not all(160 <= side <= 4096 for side in size):
        raise click.BadParameter(f"expected a size like 1280x720, each 160 to 4096 pixels, found {given!r}", context,
                                 parameter)  # fmt: skip
    return size


@click.command(short_help="Page, film, stills and scene of the section for guests.")
@PROJECT
@click.argument("folder", type=click.Path(path_type=Path))
@with_options((SURVEY_OPTIONS[0], READINGS_OPTION, SURVEY_OPTIONS[1]))
@click.option("--slab", metavar="NAME", help="Slab to end at. [default: the one furthest out]")
@click.option("--film/--no-film", default=True, show_default=True, help="Make the film.")
@click.option("--seconds", default="20", callback=number("a number of 5 to 120", 5.0, 120.0), show_default=True,
              metavar="NUMBER", help="How long the film is.")  # fmt: skip
@click.option("--size", default="1280x720", callback=_size, show_default=True, metavar="WIDTHxHEIGHT",
              help="Pixels of the film, in whole blocks of 16.")  # fmt: skip
@click.option("--stills-dpi", type=click.IntRange(72, 600), default=300, show_default=True, metavar="NUMBER",
              help="Pixels to the inch of the stills, 279 mm wide.")  # fmt: skip
@click.option("--exaggeration", callback=number("a number of 1 to 1000", 1.0, 1000.0), metavar="FACTOR",
              help="Of deviations. [default: a round one at which they can be seen]")  # fmt: skip
@click.option("--dark/--light", default=None, help="Dark or light pictures. [default: as the project says]")
def present(**options: Any) -> int:
    """Show the section to people who are no engineers.

    FOLDER gets a page with the section in 3D that opens offline in any browser, a film, stills for print, and a scene
    for other programs. Titles and colours are those of [presentation] in the project file.

    \b
    Example:
      slabpose present demo_alignment for-guests --no-film
      slabpose present demo_alignment short --slab Q0182 --seconds 6 --size 480x272 --stills-dpi 100
    """  # noqa: D301 - click wants the character itself
    from viewer.present_command import run_present

    return run_present(**options)
