"""The scene as glTF 2.0, read back by pygltflib and trimesh, and held against the poses of the slabs."""

from __future__ import annotations

import json
import struct
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pygltflib
import pytest
import trimesh
from hostile_names import hostile_project
from project_copies import copy_of_demo, run

from geometry.exchange.project import Project, open_project
from viewer.checked import section_of
from viewer.colours import RAIL, colours
from viewer.deviation_layer import deviation_layer
from viewer.gltf import document_of, y_up
from viewer.gltf_scene import scene_of
from viewer.prism import prism
from viewer.running import check_of
from viewer.section import Section


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Project, Section, Path]:
    folder = tmp_path_factory.mktemp("gltf")
    project = copy_of_demo(folder)
    assert run("export", project, "--to", folder / "a.glb", "--to", folder / "a.gltf").status == 0
    read = open_project(project)
    return read, section_of(read, check_of(read, (), None)[1]), folder / "a.glb"


class Reader:
    """Reads a document by the specification's own words: accessors, views, nodes."""

    def __init__(self, document: Any) -> None:
        self.document, self.blob = document, document.binary_blob()

    def array(self, number: int) -> np.ndarray[Any, Any]:
        accessor = self.document.accessors[number]
        view = self.document.bufferViews[accessor.bufferView]
        width = {"SCALAR": 1, "VEC3": 3, "VEC4": 4}[accessor.type]
        kind = {5123: "<u2", 5125: "<u4", 5126: "<f4"}[accessor.componentType]
        start = (view.byteOffset or 0) + (accessor.byteOffset or 0)
        assert start % 4 == 0
        values = np.frombuffer(self.blob, kind, accessor.count * width, start).reshape(-1, width)
        if accessor.normalized:
            return values / 65535.0
        return values.astype(np.float64 if kind == "<f4" else np.int64)

    def node(self, begins: str, slab: str) -> Any:
        return next(n for n in self.document.nodes
                    if n.mesh is not None and n.name.startswith(begins) and slab in n.extras["slabs"])  # fmt: skip

    def in_grid(self, node: Any) -> np.ndarray[Any, Any]:
        """Return the points of a node in the grid: x east, y up, z south of the origin that the asset names."""
        primitive = self.document.meshes[node.mesh].primitives[0]
        x, y, z = (self.array(primitive.attributes.POSITION) + node.translation).T
        origin = self.document.asset.extras["origin"]
        return np.stack([x + origin["easting_m"], -z + origin["northing_m"], y + origin["level_m"]], axis=1)


def test_built_slabs_are_drawn_at_target_plus_exaggerated_deviation(written: tuple[Project, Section, Path]) -> None:
    read, section, path = written
    reader = Reader(pygltflib.GLTF2().load(path))
    factor = reader.document.asset.extras["exaggeration"]
    assert factor in (20.0, 50.0, 100.0)
    scale = read.alignment.rules.grid_scale
    for name in ("Q0137", "Q0182", "Q0330"):
        k = section.slab(name)
        for begins, times in (("slabs built", factor), ("slabs target", 0.0)):
            points = reader.in_grid(reader.node(begins, name))
            # the corners of the top face, by the two poses alone
            kind = section.type_index[k]
            local = np.column_stack([section.outlines[kind], np.zeros(len(section.outlines[kind]))])
            target = local @ section.target_rotation[k].T + section.target_position[k]
            built = local @ section.built_rotation[k].T + section.built_position[k]
            if times:
                shift = section.built_position[k] - section.target_position[k]
                assert np.abs(np.cross(shift, [0, 0, 1])).max() < 0.01
            expected = target + times * (built - target)
            nearest = np.linalg.norm(points[None] - expected[:, None], axis=2).min(axis=1)
            assert nearest.max() < 2e-5  # what 32 bits make of 120 m
    assert scale != 1.0


def test_colours_are_those_of_the_scale_in_linear_light(written: tuple[Project, Section, Path]) -> None:
    _, section, path = written
    reader = Reader(pygltflib.GLTF2().load(path))
    layer = deviation_layer(section, "up")
    node = reader.node("slabs built", "Q0137")
    primitive = reader.document.meshes[node.mesh].primitives[0]
    linear, opaque = np.split(reader.array(primitive.attributes.COLOR_0), [3], axis=1)
    assert (opaque == 1.0).all()
    # IEC 61966-2-1, from linear light to the values that the scale is made of
    srgb = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055)
    places = reader.in_grid(node)
    k = section.slab("Q0137")
    for corner in range(4):
        place = section.marks[section.type_index[k]][corner]
        value = section.corner_deviation_mm[k, corner, 2]
        at = section.built_position[k] - section.target_position[k]
        drawn = section.target_position[k] + section.target_rotation[k] @ place + reader.document.asset.extras[
            "exaggeration"] * at  # fmt: skip
        nearest = np.linalg.norm(places - drawn, axis=1).argmin()
        wanted = colours(layer.scale.share(value), 1.0)
        assert np.abs(srgb[nearest] - wanted).max() < 0.15
    assert srgb[:, 0].max() > srgb[:, 2].min() + 0.3  # high is orange
    built = scene_of(section, layer).groups
    body = next(b for name, bodies in built.items() if name.startswith("slabs built") for b in bodies
                if "Q0137" in b.told["slabs"])  # fmt: skip
    assert np.abs(srgb - body.colour).max() < 2e-4


def test_names_and_extras_say_what_is_what(written: tuple[Project, Section, Path]) -> None:
    read, section, path = written
    document = pygltflib.GLTF2().load(path)
    extras = document.asset.extras
    assert document.asset.version == "2.0"
    assert extras["inputs_sha256"]["horizontal.csv"] == read.inputs["horizontal.csv"]
    assert extras["crs"] == "not named"
    assert extras["colours"]["tolerance_mm"] == [-1.0, 1.0]
    assert extras["bed_lowered_m"] > 0
    root = document.nodes[document.scenes[document.scene].nodes[0]]
    assert root.name == document.scenes[0].name == "Quillmoor link, track 2"
    groups = [document.nodes[child] for child in root.children]
    factor = extras["exaggeration"]
    built_name = f"slabs built, deviations \N{MULTIPLICATION SIGN}{factor:g}"
    assert [group.name for group in groups] == [
        "slabs target", built_name, "slabs not measured", "rails", "bed", "anchors"
    ]  # fmt: skip
    built = [document.nodes[child] for child in groups[1].children]
    slabs = [slab for node in built for slab in node.extras["slabs"]]
    assert slabs == section.slab_names[section.measured].tolist()
    verdicts = dict(zip(slabs, [v for node in built for v in node.extras["verdicts"]], strict=True))
    assert verdicts["Q0137"] == "out"
    assert verdicts["Q0160"] == "undecided"
    assert [s for c in groups[2].children for s in document.nodes[c].extras["slabs"]] == ["Q0318"]
    assert {node.extras["exaggeration"] for node in built} == {factor}
    assert "Q0137" in " ".join(node.name for node in built) or built[1].name.startswith("slabs built Q0")


def test_the_file_holds_to_the_format(written: tuple[Project, Section, Path]) -> None:
    _, _, path = written
    content = path.read_bytes()
    magic, version, length = struct.unpack("<4sII", content[:12])
    assert (magic, version, length) == (b"glTF", 2, len(content))
    size, kind = struct.unpack("<I4s", content[12:20])
    assert kind == b"JSON"
    document = json.loads(content[20 : 20 + size])
    assert size % 4 == 0
    (buffer,) = document["buffers"]
    assert "uri" not in buffer
    assert buffer["byteLength"] == sum(view["byteLength"] for view in document["bufferViews"])
    reader = Reader(pygltflib.GLTF2().load(path))
    for mesh in document["meshes"]:
        (primitive,) = mesh["primitives"]
        points = reader.array(primitive["attributes"]["POSITION"])
        accessor = document["accessors"][primitive["attributes"]["POSITION"]]
        assert accessor["min"] == points.min(axis=0).tolist()
        assert accessor["max"] == points.max(axis=0).tolist()
        faces = reader.array(primitive["indices"])
        assert faces.max() < len(points)
        assert np.isfinite(points).all()
        assert np.abs(points).max() < 200  # 32 bits keep 10 um
        if "COLOR_0" in primitive["attributes"]:
            light = reader.array(primitive["attributes"]["COLOR_0"])
            assert len(light) == len(points)
            assert light.min() >= 0
            assert light.max() <= 1
    both = pygltflib.GLTF2().load(path.with_suffix(".gltf"))
    assert both.buffers[0].uri.startswith("data:application/")
    assert len(both.nodes) == len(document["nodes"])


def test_another_library_sees_the_same_scene(written: tuple[Project, Section, Path]) -> None:
    _, section, path = written
    scene = trimesh.load(path)
    low, high = scene.bounds
    reach = np.ptp(section.target_position, axis=0)
    # y is up: a few metres; z runs south
    assert high[1] - low[1] < reach[2] + 3
    assert high[0] - low[0] == pytest.approx(reach[0], abs=30)
    assert high[2] - low[2] == pytest.approx(reach[1], abs=30)
    bodies = [part for name, part in scene.geometry.items() if name.startswith(("slabs", "bed", "anchors"))]
    for part in bodies:
        assert part.is_winding_consistent
    slabs = [part for name, part in scene.geometry.items() if name.startswith("slabs target")]
    volume = sum(part.volume for part in slabs)  # positive only if faces look outwards
    shapes = [prism(ring, thick) for ring, thick in zip(section.outlines, section.thickness, strict=True)]
    one = [trimesh.Trimesh(*shape).volume for shape in shapes]
    assert volume == pytest.approx(sum(one[kind] for kind in section.type_index), rel=1e-4)
    anchors = sum(part.volume for name, part in scene.geometry.items() if name.startswith("anchors"))
    assert anchors > 0
    rails = [part for name, part in scene.geometry.items() if "rail" in name]
    assert rails
    for part in rails:
        assert part.volume > 0
        assert part.is_watertight


def test_rails_top_out_at_the_design_rails(written: tuple[Project, Section, Path]) -> None:
    _, section, path = written
    reader = Reader(pygltflib.GLTF2().load(path))
    nodes = [node for node in reader.document.nodes if node.mesh is not None and node.name.startswith("left rail")]
    points = np.concatenate([reader.in_grid(node).reshape(-1, 4, 3) for node in nodes])
    tops = (points[:, 0] + points[:, 1]) / 2
    apart = np.linalg.norm(tops[:, None] - section.rail_left[None], axis=2).min(axis=1)
    assert apart.max() < 2e-5
    assert np.ptp(np.linalg.norm(points[:, 0] - points[:, 1], axis=1)) < 1e-4
    material = reader.document.materials[reader.document.meshes[nodes[0].mesh].primitives[0].material]
    linear = np.array(material.pbrMetallicRoughness.baseColorFactor[:3])
    srgb = 1.055 * linear ** (1 / 2.4) - 0.055
    assert np.rint(srgb * 255).astype(int).tolist() == [int(RAIL[at : at + 2], 16) for at in (1, 3, 5)]


def test_the_bed_is_lowered_by_what_the_file_says(written: tuple[Project, Section, Path]) -> None:
    _, section, path = written
    reader = Reader(pygltflib.GLTF2().load(path))
    lowered = reader.document.asset.extras["bed_lowered_m"]
    down = -np.nanmin(section.corner_deviation_mm[..., 2]) * reader.document.asset.extras["exaggeration"] / 1e3
    gap = section.bed_depth - max(section.thickness)
    assert lowered == pytest.approx(down - gap, abs=1e-9)  # the deepest slab just lies on it
    node = next(node for node in reader.document.nodes if node.mesh is not None and node.name.startswith("bed"))
    assert node.extras["lowered_m"] == lowered
    points = reader.in_grid(node)
    slab = section.slab(node.name.split()[2])
    under = (points - section.target_position[slab]) @ section.target_rotation[slab]
    near = np.abs(under[:, 1]) < section.size[slab, 1]
    assert under[near, 2].max() == pytest.approx(-section.bed_depth - lowered, abs=2e-3)


def test_y_is_up_and_handedness_stays() -> None:
    east, north, up = y_up(np.eye(3))
    assert east.tolist() == [1, 0, 0]
    assert up.tolist() == [0, 1, 0]
    assert np.cross(east, north).tolist() == up.tolist()


def test_options_choose_colour_and_exaggeration(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    assert run("export", project, "--to", tmp_path / "a.glb", "--colour", "along", "--exaggeration", "1").status == 0
    document = pygltflib.GLTF2().load(tmp_path / "a.glb")
    assert document.asset.extras["exaggeration"] == 1.0
    assert document.asset.extras["bed_lowered_m"] == 0.0
    assert document.asset.extras["colours"]["quantity"] == "along, built less target"
    assert any("largest_along_mm" in (node.extras or {}) for node in document.nodes)
    assert run("export", project, "--to", tmp_path / "a.glb", "--exaggeration", "0").status == 2
    assert run("export", project, "--to", tmp_path / "a.glb", "--colour", "pink").status == 2


def test_without_a_survey_nothing_is_built(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    assert run("export", project, "--to", tmp_path / "a.glb", "--design-only").status == 0
    document = pygltflib.GLTF2().load(tmp_path / "a.glb")
    names = [node.name for node in document.nodes if node.mesh is None]
    assert not [name for name in names if name.startswith("slabs built")]
    assert "slabs not measured" in names


def test_a_corner_that_is_not_known_has_no_colour_of_others() -> None:
    grey = np.array([0x9A, 0xA3, 0xAB]) / 255
    assert np.abs(colours([np.nan], 1.0)[0] - grey).max() < 1e-9


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    project, names = hostile_project(tmp_path)
    assert run("export", project, "--to", tmp_path / "a.glb").status == 0
    document = pygltflib.GLTF2().load(tmp_path / "a.glb")
    slabs = [
        s for n in document.nodes if n.mesh is not None and n.name.startswith("slabs target") for s in n.extras["slabs"]
    ]
    assert [slab.replace("\r\n", "\n") for slab in slabs] == [name.replace("\r\n", "\n") for name in names]
    assert document.scenes[0].name.startswith('=2+2 <i>"')


def test_without_the_library_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    project = copy_of_demo(tmp_path)
    monkeypatch.setitem(sys.modules, "pygltflib", None)
    answer = run("export", project, "--to", tmp_path / "a.csv", "--to", tmp_path / "a.glb")
    assert answer.status == 2
    assert answer.err == "slabpose: glTF needs a library more: pip install 'slabpose[gltf]'\n"
    assert not (tmp_path / "a.csv").exists()


def test_a_document_needs_no_file(written: tuple[Project, Section, Path]) -> None:
    _, section, _ = written
    scene = scene_of(section, deviation_layer(section, "up"), 10.0)
    assert scene.factor == 10.0
    document = document_of(scene, {})
    assert document.asset.extras["origin"]["easting_m"] == scene.origin[0] == np.rint(scene.origin[0])
