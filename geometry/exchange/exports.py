"""What a project is written to for others: which writer a file's name asks for."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from geometry.errors import Fault, Faults, InputError
from geometry.placement import SectionCheck

from .cells import near
from .project import Project
from .results import made_from, target_corner_table
from .workbook_sheets import WORKBOOK
from .writing import one_piece, write_csv

__all__ = ["WRITERS", "Asked", "Writer", "export"]


@dataclass(frozen=True, eq=False)
class Asked:
    """What is to be written.

    Attributes
    ----------
    project : Project
    check : SectionCheck or None
        Deviations and verdicts, where there is a survey.
    inputs : mapping of str to str
        SHA-256 of what it was made from.
    columns : tuple of str
        Columns of a set-out table, in order; empty for all.
    kept : tuple of Path
        Files that must not be replaced.
    faults : Faults
        Takes warnings of what a format could not say.
    """

    project: Project
    check: SectionCheck | None
    inputs: Mapping[str, str]
    columns: tuple[str, ...] = ()
    kept: tuple[Path, ...] = ()
    faults: Faults = field(default_factory=Faults)


def _nothing_lacks(asked: Asked) -> None:
    """Do nothing: what is written needs neither a library more nor a setting."""


@dataclass(frozen=True)
class Writer:
    """A way to write a project.

    Attributes
    ----------
    words : str
        What stands in the file.
    write : callable
    ready : callable
        Raises if a library or a setting lacks; asked of all files before any is written.
    """

    words: str
    write: Callable[[Path, Asked], Any]
    ready: Callable[[Asked], Any] = _nothing_lacks


def _ifc(path: Path, asked: Asked) -> None:
    from .ifc_slabs import write_slabs
    from .ifc_writing import ifc_model, write_alignment

    project = asked.project
    name = project.settings.name
    model, site, axis = ifc_model(name, made_from(asked.inputs))
    write_alignment(model, site, axis, project.alignment, project.count, name)
    write_slabs(model, site, project, asked.check)
    with one_piece(path, asked.kept) as file:
        file.write(model.to_string().encode())


def _landxml(path: Path, asked: Asked) -> None:
    from .landxml_writing import landxml_of, to_bytes
    from .point_groups import point_groups

    project = asked.project
    groups = point_groups(project, asked.check, asked.faults)
    root = landxml_of(project.alignment, project.count, project.settings.name, made_from(asked.inputs), groups)
    with one_piece(path, asked.kept) as file:
        file.write(to_bytes(root))


def _set_out(path: Path, asked: Asked) -> None:
    table = target_corner_table(asked.project)
    unknown = [name for name in asked.columns if name not in table]
    if unknown:
        raise InputError([Fault("--columns", f"columns of {', '.join(table)}", repr(name), near(name, list(table)))
                          for name in unknown])  # fmt: skip
    chosen = {name: table[name] for name in asked.columns or table}
    made = made_from(asked.inputs)
    named = [f"made from {name} {sha}" for name, sha in asked.inputs.items()]
    fine = {"easting_m": 5, "northing_m": 5, "level_m": 5}
    write_csv(path, chosen, fine, list(asked.kept), [f"{made['program']}, {made['made_at']}", *named])


def _need_ifc(asked: Asked) -> None:
    from .ifc_files import library

    library()


def _need_dxf(asked: Asked) -> None:
    from .dxf_writing import dxf_library

    dxf_library()


def _dxf(path: Path, asked: Asked) -> None:
    from .dxf_writing import write_dxf

    write_dxf(path, asked.project, asked.check, made_from(asked.inputs), asked.kept)


def _need_excel(asked: Asked) -> None:
    from .workbook_cells import excel_library

    excel_library()


def _excel(path: Path, asked: Asked) -> None:
    from .excel_writing import sheets_of, write_workbook

    made = made_from(asked.inputs)
    sheets = sheets_of(asked.project, asked.check, made)
    write_workbook(path, sheets, asked.project.settings.name, made, asked.kept)


def _tables(path: Path, asked: Asked) -> None:
    from .excel_writing import write_workbook
    from .table_sheets import table_sheets

    made = made_from(asked.inputs)
    sheets = table_sheets(asked.project.folder, made)
    write_workbook(path, sheets, asked.project.settings.name, made, asked.kept, rounded=False)


def _need_map(asked: Asked) -> None:
    from .gis_writing import pyogrio_library
    from .grid_reference import grid_reference, pyproj_library

    pyproj_library()
    pyogrio_library()
    grid_reference(asked.project.settings.grid)


def _geopackage(path: Path, asked: Asked) -> None:
    from .gis_layers import map_layers
    from .gis_writing import write_geopackage
    from .grid_reference import grid_reference

    layers, reference = map_layers(asked.project, asked.check), grid_reference(asked.project.settings.grid)
    write_geopackage(path, layers, reference, made_from(asked.inputs), asked.kept, asked.faults)


def _need_places(asked: Asked) -> None:
    from .gis_writing import needs_reference
    from .grid_reference import grid_reference

    needs_reference(grid_reference(asked.project.settings.grid))


def _geojson(path: Path, asked: Asked) -> None:
    from .gis_layers import map_layers
    from .gis_writing import needs_reference, write_geojson
    from .grid_reference import grid_reference

    reference = needs_reference(grid_reference(asked.project.settings.grid))
    layers = map_layers(asked.project, asked.check)
    write_geojson(path, layers, reference, made_from(asked.inputs), asked.kept, asked.faults)


WRITERS: Final[Mapping[str, Writer]] = {
    ".csv": Writer("target corners for setting out", _set_out),
    ".dxf": Writer("drawing of the section, DXF R2018", _dxf, _need_dxf),
    ".geojson": Writer("map in longitude and latitude, GeoJSON", _geojson, _need_places),
    ".gpkg": Writer("map in the coordinates of the grid, GeoPackage", _geopackage, _need_map),
    ".ifc": Writer("alignment and slabs, IFC 4.3", _ifc, _need_ifc),
    ".xlsx": Writer("all tables of results, Excel", _excel, _need_excel),
    WORKBOOK: Writer("all tables of the project folder, to be read again, Excel", _tables, _need_excel),
    ".xml": Writer("alignment, control points, corners as designed and as surveyed, LandXML 1.2", _landxml),
}
"""What can be written, by the end of a file's name; the longest end counts."""


def export(paths: Sequence[Path], asked: Asked, writers: Mapping[str, Writer] = WRITERS) -> None:
    """Write a project to files, each by the end of its name.

    Parameters
    ----------
    paths : sequence of Path
    asked : Asked
    writers : mapping of str to Writer
        What can be written, by the end of a file's name.

    Raises
    ------
    InputError
        If a name asks for nothing that is known, or the format cannot say what the project holds; before anything
        is written where that can be seen.
    SlabposeError
        If a library lacks; before anything is written.
    """
    ends = [[end for end in writers if path.name.lower().endswith(end)] for path in paths]
    unknown = [path for path, found in zip(paths, ends, strict=True) if not found]
    if unknown:
        raise InputError([Fault("--to", f"a file that ends in {', '.join(writers)}", str(path)) for path in unknown])
    asked_for = [writers[max(found, key=len)] for found in ends]
    for writer in asked_for:
        writer.ready(asked)
    for path, writer in zip(paths, asked_for, strict=True):
        writer.write(path, asked)
