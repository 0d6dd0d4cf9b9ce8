"""Maps of a project: GeoPackage in the coordinates of its grid, GeoJSON (RFC 7946) in longitude and latitude."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geometry.errors import Fault, Faults, InputError, SlabposeError

from .gis_layers import MapLayer
from .grid_reference import UNDEFINED, GridReference, pyproj_library, to_geographic
from .plain import to_plain
from .results import CAUTIONS, Columns
from .writing import one_piece

__all__ = ["geojson_of", "needs_reference", "pyogrio_library", "write_geojson", "write_geopackage"]

_FINE = 9  # decimals of a degree: 0.1 mm


def pyogrio_library() -> Any:
    """Return the library for maps.

    Raises
    ------
    SlabposeError
        If it is not installed.
    """
    try:
        import pyogrio
        import pyogrio.raw
    except ImportError as missing:
        raise SlabposeError("maps need a library more: pip install 'slabpose[gis]'") from missing
    return pyogrio


def _fields(table: Columns) -> tuple[list[str], list[npt.NDArray[Any]], list[npt.NDArray[np.bool_] | None]]:
    """Return names, columns and what is empty in them; SQL does not tell capitals in names apart."""
    names: list[str] = []
    taken = {"fid", "geom"}
    columns: list[npt.NDArray[Any]] = []
    empty: list[npt.NDArray[np.bool_] | None] = []
    for given, values in table.items():
        name, number = " ".join(given.split()), 2
        while name.casefold() in taken:
            name, number = f"{given}_{number}", number + 1
        taken.add(name.casefold())
        names.append(name)
        column = np.asarray(values)
        empty.append(np.isnan(column) if column.dtype.kind == "f" else None)
        columns.append(np.array(column.tolist(), dtype=object) if column.dtype.kind in "UO" else column)
    return names, columns, empty


def write_geopackage(
    path: Path,
    layers: list[MapLayer],
    reference: GridReference | None,
    made: Mapping[str, Any],
    kept: tuple[Path, ...],
    faults: Faults,
) -> None:
    """Write layers as a GeoPackage (OGC 12-128), in the coordinates of the project.

    Parameters
    ----------
    path : Path
    layers : list of MapLayer
    reference : GridReference or None
        None leaves it open where on earth the grid is, with a warning.
    made : mapping
        What it was made from; becomes a table of its own.
    kept : tuple of Path
        Files that must not be replaced.
    faults : Faults
        Takes warnings.
    """
    write = pyogrio_library().raw.write
    pyproj = pyproj_library()
    if reference is None:
        faults.warn("project.toml: grid.crs", "a coordinate reference system", "none",
                    "the file has coordinates without a place on earth")  # fmt: skip
    system = (pyproj.CRS.from_wkt(UNDEFINED) if reference is None else reference.whole).to_wkt()
    with tempfile.TemporaryDirectory() as folder:
        # under a name of its own: others may mean something to the library
        part = Path(folder) / "map.gpkg"
        for layer in layers:
            names, columns, empty = _fields(layer.table)
            shapes = shapely.to_wkb(layer.shapes, output_dimension=3)
            write(part, np.array(list(shapes), dtype=object), columns, names, field_mask=empty, layer=layer.name,
                  driver="GPKG", geometry_type=f"{layer.kind} Z", crs=system)  # fmt: skip
        rows = [("program", made["program"]), ("made_at", made["made_at"]), *made["inputs_sha256"].items(),
                *(("mind", caution) for caution in CAUTIONS)]  # fmt: skip
        texts = [np.array([row[i] for row in rows], dtype=object) for i in (0, 1)]
        write(part, None, texts, ["name", "value"], layer="made_from", driver="GPKG", geometry_type=None, crs=None)
        with one_piece(path, kept) as file:
            file.write(part.read_bytes())


def needs_reference(reference: GridReference | None) -> GridReference:
    """Return a reference that is there.

    Raises
    ------
    InputError
        If it is not.
    """
    if reference is None:
        raise InputError([Fault("project.toml: grid.crs", "a coordinate reference system, as GeoJSON has longitudes "
                                "and latitudes", "none", 'set it: [grid] crs = "EPSG:..."')])  # fmt: skip
    return reference


def geojson_of(
    layers: list[MapLayer], reference: GridReference, made: Mapping[str, Any], faults: Faults
) -> dict[str, Any]:  # fmt: skip
    """Return layers as one collection of features (RFC 7946): WGS 84, longitude first, rings anticlockwise.

    The layer is a property of each feature. Heights are ellipsoidal; where the levels cannot be transformed, places
    have none, and the line has none at all.
    """
    every = np.concatenate([layer.shapes for layer in layers])
    xyz = shapely.get_coordinates(every, include_z=True)
    place = to_geographic(reference, xyz, faults)
    lonlat = place.lonlat.round(_FINE)
    moved = lonlat if place.height is None else np.column_stack([lonlat, place.height.round(4)])
    # shapes of as many dimensions as there are coordinates now
    shapes = shapely.set_coordinates(every if place.height is not None else shapely.force_2d(every), moved)
    properties = [
        dict(zip(["layer", *names], [layer.name, *row], strict=True))
        for layer in layers
        for names, columns in [(list(layer.table), [to_plain(np.asarray(c)) for c in layer.table.values()])]
        for row in zip(*columns, strict=True)
    ]
    geometries = [json.loads(text) for text in shapely.to_geojson(shapes).tolist()]
    features = [
        {"type": "Feature", "geometry": geometry, "properties": told}
        for geometry, told in zip(geometries, properties, strict=True)
    ]
    return {
        "type": "FeatureCollection",
        "features": features,
        "made_from": {**made, "crs": reference.plan.name, "levels_from": reference.vertical or "not named",
                      "transformation": place.operation},
        "cautions": list(CAUTIONS),
    }  # fmt: skip


def write_geojson(
    path: Path, layers: list[MapLayer], reference: GridReference, made: Mapping[str, Any], kept: tuple[Path, ...],
    faults: Faults,
) -> None:  # fmt: skip
    """Write layers as GeoJSON, a feature to a line; see `geojson_of` and `write_geopackage`."""
    document = geojson_of(layers, reference, made, faults)
    with one_piece(path, kept) as file:
        head = {name: value for name, value in document.items() if name != "features"}
        file.write((json.dumps(head, ensure_ascii=False)[:-1] + ', "features": [\n').encode())
        for number, feature in enumerate(document["features"]):
            text = json.dumps(feature, ensure_ascii=False, allow_nan=False)
            file.write(((",\n" if number else "") + text).encode())
        file.write(b"\n]}\n")
