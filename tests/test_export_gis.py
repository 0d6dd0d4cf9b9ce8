"""Maps of a project, opened by SQLite and shapely, and held against formulas of the transverse Mercator projection."""

from __future__ import annotations

import json
import math
import sqlite3
import struct
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pyproj
import pytest
import shapely
import tomlkit
from hostile_names import hostile_project
from project_copies import change, copy_of_demo, run

from geometry.errors import Faults, InputError
from geometry.exchange.gis_layers import map_layers
from geometry.exchange.grid_reference import grid_reference, to_geographic
from geometry.exchange.grid_settings import GridSettings
from geometry.exchange.project import open_project
from geometry.exchange.results import slab_table
from geometry.slabs import outline
from viewer.running import check_of

LAYERS = ["slabs_target", "slabs_built", "marks", "joints", "anchors", "centre_line", "chainage"]
UTM_32 = "EPSG:25832"


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


def on_earth(project: Path, crs: str = UTM_32, vertical: str | None = None) -> Path:
    more = "" if vertical is None else f"vertical = {json.dumps(vertical)}\n"
    change(project, "project.toml", "[layout]", f'[grid]\ncrs = "{crs}"\n{more}\n[layout]')
    return project


def shape_of(blob: bytes) -> Any:
    """Return the geometry in a GeoPackage (OGC 12-128, clause 2.1.3): a header, the envelope, then WKB."""
    assert blob[:2] == b"GP"
    envelope = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}[(blob[3] >> 1) & 7]
    assert struct.unpack("<i" if blob[3] & 1 else ">i", blob[4:8])[0] != 0
    return shapely.from_wkb(blob[8 + envelope :])


def layer_of(path: Path, name: str) -> tuple[list[Any], list[dict[str, Any]]]:
    with sqlite3.connect(path) as file:
        file.row_factory = sqlite3.Row
        rows = [dict(row) for row in file.execute(f"select * from {name} order by fid")]
    file.close()
    return [shape_of(row.pop("geom")) for row in rows], rows


def transverse_mercator(
    easting: float, northing: float, a: float, f: float, lat_0: float, lon_0: float, k_0: float, east_0: float,
    north_0: float,
) -> tuple[float, float]:  # fmt: skip
    """Return latitude and longitude by Krueger's series to the fourth order of n.

    L. Krueger, Konforme Abbildung des Erdellipsoids in der Ebene, 1912; formulas as in EPSG Guidance Note 7-2,
    method 9807; written down from memory, therefore held against the example of that note.
    """
    n = f / (2 - f)
    b = a / (1 + n) * (1 + n**2 / 4 + n**4 / 64)
    h = (n / 2 - 2 * n**2 / 3 + 37 * n**3 / 96 - n**4 / 360, n**2 / 48 + n**3 / 15 - 437 * n**4 / 1440,
         17 * n**3 / 480 - 37 * n**4 / 840, 4397 * n**4 / 161280)  # fmt: skip
    forward = (n / 2 - 2 * n**2 / 3 + 5 * n**3 / 16 + 41 * n**4 / 180,
               13 * n**2 / 48 - 3 * n**3 / 5 + 557 * n**4 / 1440,
               61 * n**3 / 240 - 103 * n**4 / 140, 49561 * n**4 / 161280)  # fmt: skip
    e = math.sqrt(2 * f - f * f)
    start = 0.0
    if lat_0:
        q = math.asinh(math.tan(lat_0)) - e * math.atanh(e * math.sin(lat_0))
        xi = math.atan(math.sinh(q))
        start = b * (xi + sum(c * math.sin(2 * (i + 1) * xi) for i, c in enumerate(forward)))
    eta_1, xi_1 = (easting - east_0) / (b * k_0), ((northing - north_0) + k_0 * start) / (b * k_0)
    xi = xi_1 - sum(c * math.sin(2 * (i + 1) * xi_1) * math.cosh(2 * (i + 1) * eta_1) for i, c in enumerate(h))
    eta = eta_1 - sum(c * math.cos(2 * (i + 1) * xi_1) * math.sinh(2 * (i + 1) * eta_1) for i, c in enumerate(h))
    beta = math.asin(math.sin(xi) / math.cosh(eta))
    q = math.asinh(math.tan(beta))
    inner = q
    for _ in range(8):
        inner = q + e * math.atanh(e * math.tanh(inner))
    return math.atan(math.sinh(inner)), lon_0 + math.asin(math.tanh(eta) / math.cos(beta))


def test_the_formulas_give_the_published_example() -> None:
    # EPSG Guidance Note 7-2, Transverse Mercator, British National Grid: 50 30 00 N, 0 30 00 E (from memory)
    lat, lon = transverse_mercator(577274.99, 69740.50, 6377563.396, 1 / 299.32496, math.radians(49), math.radians(-2),
                                   0.9996012717, 400000.0, -100000.0)  # fmt: skip
    assert math.degrees(lat) == pytest.approx(50.5, abs=1e-7)
    assert math.degrees(lon) == pytest.approx(0.5, abs=1e-7)


def test_slabs_of_a_geopackage_are_where_they_lie(project: Path, tmp_path: Path) -> None:
    on_earth(project)
    assert run("export", project, "--to", tmp_path / "a.gpkg").err.splitlines()[-1].endswith("a.gpkg")
    read = open_project(project)
    _, check = check_of(read, (), None)
    shapes, rows = layer_of(tmp_path / "a.gpkg", "slabs_target")
    assert [row["slab"] for row in rows] == read.layout.names.tolist()
    scale = read.alignment.rules.grid_scale
    for k in (0, 40, 200):
        slab_type = read.types[read.layout.type_index[k]]
        shape = shapes[k]
        assert shape.has_z
        assert shape.exterior.is_ccw
        # true lengths times the grid scale, once, and foreshortened by gradient and cant, 3e-4 here
        assert shape.area == pytest.approx(outline(slab_type).area * scale**2, rel=0.003)
        sides = np.linalg.norm(np.diff(shapely.get_coordinates(shape), axis=0), axis=1)
        forward = read.targets.rotation[k][:2, 1]
        assert sides.max() == pytest.approx(slab_type.length * scale * np.hypot(*forward), abs=1e-9)
        middle = shapely.get_coordinates(shape.envelope.centroid)[0]
        assert np.abs(middle - read.targets.position[k, :2]).max() < 0.01
    table = slab_table(read, check)
    for column in ("up_mm", "across_sigma_mm", "lift_RL_mm"):
        given = np.array([np.nan if row[column] is None else row[column] for row in rows])
        np.testing.assert_array_equal(given, table[column])
    assert [row["why"] or "" for row in rows] == table["why"].tolist()
    built, as_built = layer_of(tmp_path / "a.gpkg", "slabs_built")
    assert len(built) == int(check.fits.determined.sum())
    row = [entry["slab"] for entry in as_built].index("Q0137")
    k = read.layout.names.tolist().index("Q0137")
    up = shapely.get_coordinates(built[row], include_z=True) - shapely.get_coordinates(shapes[k], include_z=True)
    assert up[:, 2].max() * 1e3 == pytest.approx(3.58, abs=0.06)  # deviation at the worst corner, as the page says


def test_every_layer_is_there_for_others(project: Path, tmp_path: Path) -> None:
    on_earth(project)
    assert run("export", project, "--to", tmp_path / "a.gpkg").status == 0
    assert pyogrio.list_layers(tmp_path / "a.gpkg")[:, 0].tolist() == [*LAYERS, "made_from"]
    for name in LAYERS:
        info = pyogrio.read_info(tmp_path / "a.gpkg", layer=name)
        assert info["crs"] == UTM_32
        assert info["geometry_type"].endswith(" Z")
        for column, dtype in zip(info["fields"], info["dtypes"], strict=True):
            unit = column.rpartition("_")[2]
            known = {"m", "mm", "mrad", "deg", "km", "permille"}
            free = column.startswith(("turns_", "push_turns_", "w_", "redundancy_")) or column == "marks"
            assert dtype in ("object", "bool") or unit in known or free, column
    with sqlite3.connect(tmp_path / "a.gpkg") as file:
        assert file.execute("pragma application_id").fetchone()[0] == int.from_bytes(b"GPKG", "big")
        assert file.execute("pragma integrity_check").fetchone()[0] == "ok"
        told = dict(file.execute("select name, value from made_from"))
        assert file.execute("select count(*) from slabs_target where up_mm is null").fetchone()[0] == 1
    file.close()
    assert told["horizontal.csv"] == open_project(project).inputs["horizontal.csv"]
    shapes, rows = layer_of(tmp_path / "a.gpkg", "chainage")
    assert [row["chainage"] for row in rows][:2] == ["27+400", "27+500"]
    apart = np.diff(shapely.get_coordinates(shapes), axis=0)
    lengths = np.hypot(*apart.T)
    steps = np.diff([row["distance_m"] for row in rows])
    assert (lengths <= steps + 1e-9).all()
    assert (lengths > steps - 0.01).all()


def test_the_vertical_reference_is_carried(project: Path, tmp_path: Path) -> None:
    on_earth(project, UTM_32, "EPSG:7837")
    assert run("export", project, "--to", tmp_path / "a.gpkg").status == 0
    with sqlite3.connect(tmp_path / "a.gpkg") as file:
        number = file.execute("select srs_id from gpkg_geometry_columns where table_name='marks'").fetchone()[0]
        text = file.execute("select definition from gpkg_spatial_ref_sys where srs_id=?", [number]).fetchone()[0]
    file.close()
    system = pyproj.CRS.from_wkt(text)
    assert system.is_compound
    assert [part.to_epsg() for part in system.sub_crs_list] == [25832, 7837]


@pytest.mark.parametrize(
    ("vertical", "called"),
    [("DHHN2016 height", "DHHN2016 height"), ('marks of the "contract" 1912', 'marks of the "contract" 1912'),
     ("ellipsoid", "the ellipsoid of ETRS89 / UTM zone 32N"), (None, "")],
)  # fmt: skip
def test_what_levels_count_from(vertical: str | None, called: str) -> None:
    reference = grid_reference(GridSettings(crs=UTM_32, vertical=vertical))
    assert reference is not None
    assert reference.vertical == called
    assert reference.plan.to_epsg() == 25832
    assert len(reference.whole.axis_info) == (2 if vertical is None else 3)
    if vertical not in (None, "ellipsoid"):
        assert reference.whole.sub_crs_list[1].name == called
    combined = grid_reference(GridSettings(crs="EPSG:5555"))
    assert combined is not None
    assert combined.vertical == "DHHN92 height"


@pytest.mark.parametrize(
    ("crs", "vertical", "words"),
    [
        ("EPSG:4326", None, "grid.crs: expected a projected system, of eastings and northings, found WGS 84"),
        ("EPSG:2053", None, "coordinates to the east and the north, found Hartebeesthoek94 / Lo29: to the west"),
        ("EPSG:2231", None, "coordinates in metres, found NAD83 / Colorado North (ftUS): in US survey foot"),
        ("EPSG:99999", None, "a coordinate reference system such as EPSG:25832, found 'EPSG:99999'"),
        ("Quillmoor", None, "found 'Quillmoor'"),
        (UTM_32, "EPSG:78370", "found 'EPSG:78370', which there is not"),
        (UTM_32, "EPSG:4326", "found WGS 84, which is none"),
        (UTM_32, "EPSG:6357", "which is none"),  # depths
        ("EPSG:5555", "EPSG:7837", "grid.vertical: expected none, as ETRS89 / UTM zone 32N + DHHN92 height says it"),
    ],
)
def test_what_is_no_reference_is_refused(
    project: Path, tmp_path: Path, crs: str, vertical: str | None, words: str
) -> None:
    on_earth(project, crs, vertical)
    answer = run("export", project, "--to", tmp_path / "a.csv", "--to", tmp_path / "a.gpkg")
    assert answer.status == 2
    assert words in answer.err
    assert answer.err.count("\n") == 1
    assert not list(tmp_path.glob("a.*"))  # before anything is written


def test_two_faults_are_told_together(project: Path, tmp_path: Path) -> None:
    answer = run("export", on_earth(project, "EPSG:4326", "EPSG:1"), "--to", tmp_path / "a.geojson")
    assert answer.err.count("project.toml: grid.") == 2


def test_without_a_reference(project: Path, tmp_path: Path) -> None:
    answer = run("export", project, "--to", tmp_path / "a.gpkg")
    assert answer.status == 0
    assert "warning: project.toml: grid.crs: expected a coordinate reference system, found none" in answer.err
    with sqlite3.connect(tmp_path / "a.gpkg") as file:
        number = file.execute("select distinct srs_id from gpkg_geometry_columns").fetchall()
        text = file.execute("select definition from gpkg_spatial_ref_sys where srs_id=?", number[0]).fetchone()[0]
    file.close()
    assert len(number) == 1
    assert text.startswith("LOCAL_CS[")  # an engineering system in the WKT that GeoPackage has
    refused = run("export", project, "--to", tmp_path / "b.geojson")
    assert refused.status == 2
    assert refused.err.count("\n") == 1
    assert 'set it: [grid] crs = "EPSG:..."' in refused.err
    assert not (tmp_path / "b.geojson").exists()


def test_geojson_is_as_rfc_7946_asks(project: Path, tmp_path: Path) -> None:
    on_earth(project, UTM_32, "ellipsoid")
    assert run("export", project, "--to", tmp_path / "a.geojson").status == 0
    document = json.loads((tmp_path / "a.geojson").read_text())
    assert document["type"] == "FeatureCollection"
    assert "crs" not in document  # left out since the RFC
    assert list(dict.fromkeys(f["properties"]["layer"] for f in document["features"])) == LAYERS
    read = open_project(project)
    for feature in document["features"]:
        assert set(feature) == {"type", "geometry", "properties"}
        if feature["geometry"]["type"] == "Polygon":
            (ring,) = feature["geometry"]["coordinates"]
            assert ring[0] == ring[-1]
            assert shapely.LinearRing(ring).is_ccw  # right-hand rule, clause 3.1.6
        whole = shapely.get_coordinates(shapely.from_geojson(json.dumps(feature["geometry"])), include_z=True)
        assert (np.abs(whole[:, 0] - 8.38) < 0.02).all()  # longitude first, clause 3.1.1
        assert (np.abs(whole[:, 1] - 1.69) < 0.02).all()
        assert ((whole[:, 2] > 200) & (whole[:, 2] < 230)).all()
    marks = [f for f in document["features"] if f["properties"]["layer"] == "marks"]
    away = pyproj.Transformer.from_crs("EPSG:4326", UTM_32, always_xy=True)
    for mark in marks[::97]:
        p, (lon, lat, height) = mark["properties"], mark["geometry"]["coordinates"]
        by_series = transverse_mercator(p["easting_m"], p["northing_m"], 6378137.0, 1 / 298.257222101, 0.0,
                                        math.radians(9), 0.9996, 500000.0, 0.0)  # fmt: skip
        assert math.degrees(by_series[0]) == pytest.approx(lat, abs=2e-9)  # 0.2 mm
        assert math.degrees(by_series[1]) == pytest.approx(lon, abs=2e-9)
        assert away.transform(lon, lat) == pytest.approx((p["easting_m"], p["northing_m"]), abs=2e-4)
        assert height == pytest.approx(p["level_m"], abs=1e-4)
    slabs = [f["properties"] for f in document["features"] if f["properties"]["layer"] == "slabs_target"]
    assert [slab["slab"] for slab in slabs] == read.layout.names.tolist()
    assert slabs[36]["up_mm"] > 3
    assert None in [slab["up_mm"] for slab in slabs]
    assert document["made_from"]["crs"] == "ETRS89 / UTM zone 32N"


def test_levels_without_a_way_to_the_ellipsoid_stay_levels(project: Path, tmp_path: Path) -> None:
    on_earth(project, UTM_32, "EPSG:7837")
    pyproj.network.set_network_enabled(True)  # nothing is fetched even where somebody else has allowed it
    answer = run("export", project, "--to", tmp_path / "a.geojson")
    assert answer.status == 0
    assert "grid.vertical: expected a way from DHHN2016 height to the ellipsoid, found none" in answer.err
    marks = [f for f in json.loads((tmp_path / "a.geojson").read_text())["features"]
             if f["properties"]["layer"] == "marks"]  # fmt: skip
    assert {len(mark["geometry"]["coordinates"]) for mark in marks} == {2}
    assert 200 < marks[0]["properties"]["level_m"] < 230
    assert not pyproj.network.is_network_enabled()


def test_a_rough_transformation_is_told() -> None:
    reference, faults = grid_reference(GridSettings(crs="EPSG:27700")), Faults()
    assert reference is not None
    place = to_geographic(reference, np.array([[431208.0, 186740.0, 100.0]]), faults)
    assert "good to 1 m, found" in str(faults.warnings[0])
    assert "OSGB36 to WGS 84" in place.operation
    assert place.height is None
    # of an airport nearby, common knowledge to a hundredth of a degree: Oxfordshire, 51.58 N 1.55 W
    assert place.lonlat[0] == pytest.approx([-1.55, 51.58], abs=0.01)
    unknown = grid_reference(GridSettings(crs="+proj=tmerc +lon_0=9 +ellps=bessel +units=m"))
    assert unknown is not None
    with pytest.raises(InputError, match="a system with a known way to WGS 84"):
        to_geographic(unknown, np.zeros((1, 3)), faults)


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    project, names = hostile_project(tmp_path)
    on_earth(project)
    assert run("export", project, "--to", tmp_path / "a.gpkg", "--to", tmp_path / "a.geojson").status == 0
    # quotes in a CSV keep line ends; a carriage return before one goes, as everywhere in text files
    given = [name.replace("\r\n", "\n") for name in names]
    _, rows = layer_of(tmp_path / "a.gpkg", "slabs_target")
    assert [row["slab"].replace("\r\n", "\n") for row in rows] == given
    slabs = [f["properties"] for f in json.loads((tmp_path / "a.geojson").read_text())["features"]
             if f["properties"]["layer"] == "slabs_target"]  # fmt: skip
    assert [slab["slab"].replace("\r\n", "\n") for slab in slabs] == given
    assert "=1+1 <b>\u202e%%c" in {slab["type"] for slab in slabs}


def test_columns_that_differ_in_capitals_only(project: Path, tmp_path: Path) -> None:
    on_earth(project)
    document = tomlkit.parse((project / "project.toml").read_text())
    for slab_type in document["slab_type"]:
        assert [place["name"] for place in slab_type["screws"]["places"]][:2] == ["RL", "RR"]
        slab_type["screws"]["places"][1]["name"] = "rl"
    (project / "project.toml").write_text(tomlkit.dumps(document))
    assert run("export", project, "--to", tmp_path / "a.gpkg", "--to", tmp_path / "a.geojson").status == 0
    _, rows = layer_of(tmp_path / "a.gpkg", "slabs_target")
    assert "lift_RL_mm" in rows[0]
    assert "lift_rl_mm_2" in rows[0]


def test_design_only_has_no_built_slabs(project: Path) -> None:
    read = open_project(project)
    assert [layer.name for layer in map_layers(read, None)] == [
        "slabs_target", "marks", "anchors", "centre_line", "chainage"
    ]  # fmt: skip


@pytest.mark.parametrize("module", ["pyogrio", "pyproj"])
@pytest.mark.parametrize("suffix", [".gpkg", ".geojson"])
def test_without_the_libraries(project: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, module: str,
                               suffix: str) -> None:  # fmt: skip
    on_earth(project)
    monkeypatch.setitem(sys.modules, module, None)
    answer = run("export", project, "--to", tmp_path / f"a{suffix}")
    if (module, suffix) == ("pyogrio", ".geojson"):
        assert answer.status == 0
        return
    assert answer.status == 2
    assert answer.err == "slabpose: maps need a library more: pip install 'slabpose[gis]'\n"
    assert not (tmp_path / f"a{suffix}").exists()


def test_an_existing_map_is_replaced_as_a_whole(project: Path, tmp_path: Path) -> None:
    (tmp_path / "a.gpkg").write_bytes(b"no map at all")
    assert run("export", project, "--to", tmp_path / "a.gpkg").status == 0
    assert run("export", project, "--to", tmp_path / "a.gpkg", "--design-only").status == 0
    names = pyogrio.list_layers(tmp_path / "a.gpkg")[:, 0].tolist()
    assert "slabs_built" not in names
    assert [path.name for path in tmp_path.iterdir() if path.is_file()] == ["a.gpkg"]
