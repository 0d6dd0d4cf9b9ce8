"""Commands for files of others: into a project, and out of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from .options import ALIGNMENT_OPTION, PROJECT, number

__all__ = ["export", "import_"]


@click.command("import", short_help="Make a project out of an IFC or LandXML file.")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("folder", metavar="PROJECT", type=click.Path(path_type=Path))
@ALIGNMENT_OPTION
@click.option("--like", type=click.Path(path_type=Path), metavar="PROJECT",
              help="Take everything but the alignment from this project. [default: the demo]")  # fmt: skip
@click.option("--allow-jumps", is_flag=True, help="Allow every jump of the file in the project, and tell it.")
def import_(**options: Any) -> int:
    """Make a project folder, which must not exist yet, out of a designer's IFC 4.3 or LandXML 1.2 file.

    Points that a LandXML file marks as control points become its control.csv.

    \b
    Example:
      slabpose export demo_alignment --to line.xml
      slabpose import line.xml new-project
    """  # noqa: D301 - click wants the character itself
    from viewer.exchange_commands import run_import

    return run_import(**options)


@click.command(short_help="Write alignment and slabs for other programs.")
@PROJECT
@click.option("--to", required=True, multiple=True, type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
              help="What to write, by the end of its name; repeatable.")  # fmt: skip
@click.option("--columns", metavar="NAMES",
              help="Columns of a set-out CSV in their order: slab,corner,northing_m,easting_m,level_m")  # fmt: skip
@click.option("--colour", type=click.Choice(["up", "across", "along"]), default="up", show_default=True,
              help="The deviation that built slabs of a glTF scene are coloured by.")  # fmt: skip
@click.option("--exaggeration", callback=number("a number of 1 to 1000", 1.0, 1000.0), metavar="FACTOR",
              help="Of deviations in a glTF scene. [default: a round one at which they can be seen]")  # fmt: skip
@click.option("--design-only", is_flag=True, help="Leave out what the survey says.")
def export(**options: Any) -> int:
    """Write alignment and slabs for other programs; the end of a file's name says what.

    \b
      .csv         target corners for setting out
      .dxf         drawing of the section, DXF R2018
      .geojson     map in longitude and latitude; the project has to name its [grid]
      .glb         scene in space, glTF 2.0; also .gltf
      .gpkg        map in the coordinates of the grid, GeoPackage
      .ifc         alignment and slabs, IFC 4.3
      .xlsx        all tables of results, Excel
      .xml         alignment, control points, corners as designed and as surveyed, LandXML 1.2
      tables.xlsx  every table of the project folder, to be edited and read again, Excel

    \b
    Example:
      slabpose export demo_alignment --to line.xml
      slabpose export demo_alignment --to section.dxf --to results.xlsx
      slabpose export demo_alignment --to tables.xlsx
    """  # noqa: D301 - click wants the character itself
    from viewer.exchange_commands import run_export

    return run_export(**options)
