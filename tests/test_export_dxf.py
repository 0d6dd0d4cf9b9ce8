"""The drawing of a section, read back by ezdxf: audit, places in space, true arcs, texts that do not touch."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
import shapely
from ezdxf.addons import text2path
from hostile_names import hostile_project
from project_copies import copy_of_demo, run

from geometry.alignment import evaluate, track_frame
from geometry.alignment.frames import to_grid
from geometry.alignment.projection import project as projected
from geometry.exchange.drawn_line import chainage_marks
from geometry.exchange.dxf_shapes import block_name, notched_outline, object_system, plain_words, upright
from geometry.exchange.dxf_writing import LAYERS
from geometry.exchange.project import Project, open_project
from geometry.exchange.results import slab_table
from geometry.slabs import Fitting, SlabType
from viewer.running import check_of


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> tuple[Project, Any, Any]:
    folder = tmp_path_factory.mktemp("dxf")
    project = copy_of_demo(folder)
    assert run("export", project, "--to", folder / "a.dxf").status == 0
    read = open_project(project)
    return read, check_of(read, (), None)[1], ezdxf.readfile(folder / "a.dxf")


def corners_of(insert: Any) -> np.ndarray[Any, Any]:
    """Return the corners of the outline in an inserted block as ezdxf has them in space."""
    (shape,) = insert.virtual_entities()
    return np.array([tuple(point) for point in shape.vertices_in_wcs()])


def test_the_file_passes_the_audit(drawn: tuple[Project, Any, Any]) -> None:
    read, _, document = drawn
    audit = document.audit()
    assert not audit.errors
    assert not audit.fixes
    assert document.dxfversion == "AC1032"  # R2018
    assert document.header["$INSUNITS"] == 6  # metres
    assert document.header["$MEASUREMENT"] == 1
    assert set(LAYERS) <= {layer.dxf.name for layer in document.layers}
    used = {entity.dxf.layer for entity in document.modelspace()}
    assert used == set(LAYERS)
    told = dict(document.header.custom_vars)
    assert told["made from horizontal.csv"] == read.inputs["horizontal.csv"]
    assert told["deviations"] == "mm, built less target"


def test_slabs_lie_in_space_where_they_belong(drawn: tuple[Project, Any, Any]) -> None:
    read, check, document = drawn
    scale = read.alignment.rules.grid_scale
    for layer, position, rotation, rows in (
        ("slab target", read.targets.position, read.targets.rotation, np.arange(len(read.layout.names))),
        ("slab built", check.fits.position, check.fits.rotation, np.flatnonzero(check.fits.determined)),
    ):
        inserts = list(document.modelspace().query(f'INSERT[layer=="{layer}"]'))
        assert len(inserts) == len(rows)
        for insert, row in zip(inserts[::7], rows[::7], strict=True):
            slab_type = read.types[read.layout.type_index[row]]
            plan = np.array([point[:2] for point in notched_outline(slab_type)])
            local = np.column_stack([plan, np.zeros(len(plan))])
            expected = to_grid(position[row], rotation[row], local, scale)
            # a block is scaled in its own plane, the grid in plan: 30 um at the edge of a canted slab
            assert np.abs(corners_of(insert) - expected).max() < 5e-5
    built = corners_of(document.modelspace().query('INSERT[layer=="slab built"]')[0])
    target = corners_of(document.modelspace().query('INSERT[layer=="slab target"]')[0])
    assert 1e-5 < np.abs(built - target).max() < 5e-3


def test_notches_are_true_arcs(drawn: tuple[Project, Any, Any]) -> None:
    read, _, document = drawn
    for insert in document.modelspace().query('INSERT[layer=="slab target"]')[:3]:
        slab_type = read.types[0] if read.types[0].name in insert.dxf.name else read.types[1]
        (shape,) = document.blocks[insert.dxf.name]
        arcs = [part for part in shape.virtual_entities() if part.dxftype() == "ARC"]
        assert len(arcs) == 2
        for arc, side in zip(arcs, (-1, 1), strict=True):
            assert arc.dxf.radius == pytest.approx(slab_type.notch_radius, abs=1e-9)
            centre = (0.0, side * (slab_type.length / 2 + slab_type.notch_beyond))
            assert tuple(arc.dxf.center)[:2] == pytest.approx(centre, abs=1e-9)
            # the arc bends into the slab
            assert abs(arc.construction_tool().start_point.y) <= slab_type.length / 2 + 1e-9
            middle = arc.construction_tool().angle_span
            assert 0 < middle <= 180 + 1e-9
        # a circle's segment has the area r^2 (angle - sin angle) / 2
        angle = 2 * np.arccos(slab_type.notch_beyond / slab_type.notch_radius)
        notch = slab_type.notch_radius**2 * (angle - np.sin(angle)) / 2
        # ezdxf walks arcs as Bezier curves, which miss 1e-5 m2 of it
        filled = shapely.Polygon([tuple(p)[:2] for p in ezdxf.path.make_path(shape).flattening(1e-6)])
        assert filled.area == pytest.approx(slab_type.width * slab_type.length - 2 * notch, abs=4e-5)


@pytest.mark.parametrize(("radius", "beyond"), [(0.0, 0.0), (0.2, 0.2), (0.2, 0.3)])
def test_slabs_without_notches_are_rectangles(radius: float, beyond: float) -> None:
    none = Fitting((), np.empty((0, 3)))
    slab_type = SlabType("a", 5.0, 2.4, 0.2, radius, beyond, 0.4, np.array([0.0, 1.0]), none, none, none)
    assert [bulge for _, _, bulge in notched_outline(slab_type)] == [0.0] * 4


def test_object_systems_follow_the_arbitrary_axis_algorithm() -> None:
    rng = np.random.default_rng(3)
    from geometry.alignment.frames import rotation

    turns = rotation(rng.uniform(0, 7, 50), rng.normal(0, 0.3, 50), rng.normal(0, 0.02, 50))
    places = rng.normal(0, 1e6, (50, 3))
    up, at, angle = object_system(places, turns)
    for k in range(50):
        ocs = ezdxf.math.OCS(tuple(up[k]))
        assert np.abs(np.array(ocs.to_wcs(tuple(at[k]))) - places[k]).max() < 1e-8
        right = ocs.to_wcs((np.cos(np.radians(angle[k])), np.sin(np.radians(angle[k])), 0.0))
        assert np.abs(np.array(tuple(right)) - turns[k][:, 0]).max() < 1e-12


def test_lines_and_chainages_stand_on_the_line(drawn: tuple[Project, Any, Any]) -> None:
    read, _, document = drawn
    space = document.modelspace()
    line = np.array([tuple(v.dxf.location) for v in space.query('POLYLINE[layer=="centre line"]')[0].vertices])
    at = evaluate(read.alignment, projected(read.alignment, line).distance)
    assert np.abs(line - np.stack([at.easting, at.northing, at.level], axis=1)).max() < 1e-9
    assert at.distance[[0, -1]] == pytest.approx([0.0, read.alignment.length], abs=1e-9)
    # no place of the line is further from its chords than half a millimetre
    exact = evaluate(read.alignment, np.linspace(0, read.alignment.length, 6001))
    for true, drawn_values in ((exact.easting, line[:, 0]), (exact.northing, line[:, 1]), (exact.level, line[:, 2])):
        assert np.abs(np.interp(exact.distance, at.distance, drawn_values) - true).max() < 5.5e-4
    assert len(line) < 450  # longer chords where the line is straight
    left, right = (np.array([tuple(v.dxf.location) for v in rail.vertices])
                   for rail in space.query('POLYLINE[layer=="rails"]'))  # fmt: skip
    assert np.linalg.norm(left - right, axis=1) == pytest.approx(np.full(len(left), 1.5), abs=3e-4)  # by the grid scale
    # + cant lifts the left rail; square to the line, so that its gradient takes 5e-5 of it here
    assert left[:, 2] - right[:, 2] == pytest.approx(at.cant, abs=1e-5)
    tilt = np.interp(exact.distance, at.distance, left[:, 2] - right[:, 2])
    assert tilt == pytest.approx(exact.cant, abs=5.5e-4)  # where the cant bends the rails, chords are shorter
    texts = {text.dxf.text: text for text in space.query('TEXT[layer=="chainage"]')}
    assert set(texts) == set(chainage_marks(read.count, read.alignment.length).text.tolist())
    assert "28+000" in texts
    spot = evaluate(read.alignment, read.count.to_distance(np.array([28000.0])))
    place = np.array(tuple(texts["28+000"].get_placement()[1]))
    away = place[:2] - [spot.easting[0], spot.northing[0]]
    forward = np.array([np.sin(spot.bearing[0]), np.cos(spot.bearing[0])])
    assert abs(away @ forward) < 0.02
    assert away @ [forward[1], -forward[0]] == pytest.approx(3.4, abs=0.02)  # right of the line


def test_words_are_never_upside_down() -> None:
    bearings = np.radians(np.arange(0.0, 720.0, 7.5))
    turned, against = upright(bearings)
    assert ((turned > -90) & (turned <= 90)).all()
    ways = np.radians(turned)
    along = np.cos(ways) * np.sin(bearings) + np.sin(ways) * np.cos(bearings)
    assert np.allclose(np.where(against, -along, along), 1.0, rtol=0, atol=1e-9)


def test_each_slab_has_its_name_and_its_deviations(drawn: tuple[Project, Any, Any]) -> None:
    read, check, document = drawn
    space = document.modelspace()
    names = [text.dxf.text for text in space.query('TEXT[layer=="slab names"]')]
    assert names == read.layout.names.tolist()
    table = slab_table(read, check)
    by_layer = {layer: [text.dxf.text for text in space.query(f'TEXT[layer=="{layer}"]')] for layer in LAYERS}
    counts = {verdict: int((table["verdict"] == verdict).sum()) for verdict in ("within", "out", "undecided")}
    assert len(by_layer["deviations beyond tolerance"]) == counts["out"] > 0
    assert len(by_layer["deviations undecided"]) == counts["undecided"] > 0
    assert by_layer["slabs not measured"] == ["not measured"] * (len(names) - sum(counts.values()))
    row = names.index("Q0137")
    assert f"up {table['up_mm'][row]:+.1f} mm" in by_layer["deviations beyond tolerance"][0]
    assert "across -0.1  along +0.6  up +3.6 mm" in by_layer["deviations beyond tolerance"]


def test_no_text_touches_another_or_leaves_its_slab(drawn: tuple[Project, Any, Any]) -> None:
    read, _, document = drawn
    texts = list(document.modelspace().query("TEXT"))
    near = [text for text in texts if abs(text.get_placement()[1].x - read.targets.position[60][0]) < 90]
    assert len(near) > 60
    # around the origin: letters are made in 32 bits somewhere on the way
    hulls = []
    for text in near:
        paths = text2path.make_paths_from_entity(text)
        points = np.array([tuple(p)[:2] for path in paths for p in path.flattening(0.01)])
        hulls.append(shapely.MultiPoint(points).convex_hull)
    first, second = shapely.STRtree(hulls).query(hulls, predicate="intersects")
    touching = [(near[a].dxf.text, near[b].dxf.text) for a, b in zip(first, second, strict=True) if a < b]
    assert not touching
    for text, hull in zip(near, hulls, strict=True):
        if text.dxf.layer == "slab names":
            row = read.layout.names.tolist().index(text.dxf.text)
            frame = to_grid(read.targets.position[row], read.targets.rotation[row],
                            np.array([[-1.2, -2.4, 0], [0, -2.4, 0], [0, 2.4, 0], [-1.2, 2.4, 0]]))  # fmt: skip
            assert shapely.Polygon(frame[:, :2]).contains(hull)  # left of the centre line


def test_structures_are_named_at_their_place(drawn: tuple[Project, Any, Any]) -> None:
    read, _, document = drawn
    lines = document.modelspace().query('LINE[layer=="structures"]')
    assert len(lines) == 2 * len(read.spans)
    starts = track_frame(read.alignment, np.array([read.spans[1].start])).position[0]
    middle = (np.array(tuple(lines[1].dxf.start)) + np.array(tuple(lines[1].dxf.end))) / 2
    assert np.abs(middle - starts).max() < 1e-6
    assert "Hollowgate tunnel, tunnel" in [text.dxf.text for text in document.modelspace().query("TEXT")]


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    project, names = hostile_project(tmp_path)
    assert run("export", project, "--to", tmp_path / "a.dxf").status == 0
    document = ezdxf.readfile(tmp_path / "a.dxf")
    audit = document.audit()
    assert not audit.errors
    assert not audit.fixes
    shown = [text.plain_text() for text in document.modelspace().query('TEXT[layer=="slab names"]')]
    assert shown[0] == names[0] == "<script>alert(1)</script>"
    assert shown[5] == "a b  c"
    assert shown[8] == names[8]
    assert shown[9] == "%%c %%u ^J \\ U+0041 {\\H9;x}"
    assert len(shown[10]) == 250
    assert shown[13:] == names[13:]
    told = dict(document.header.custom_vars)
    assert told["project"].startswith('=2+2 <i>" ')


@pytest.mark.parametrize(
    ("text", "shown"), [("%%c", "%%c"), ("100 %", "100 %"), ("a^Jb", "a^Jb"), ("a\tb\n", "a b "), ("%%%", "%%%")]
)
def test_signs_of_control_are_shown(text: str, shown: str) -> None:
    from ezdxf.tools.text import plain_text

    assert plain_text(plain_words(text)) == shown


def test_block_names_are_allowed_and_differ() -> None:
    blocks = ezdxf.new().blocks
    for text in ("A/B", "a|b", "A_B", "", "*Model_Space", "x" * 900):
        name = block_name(text, blocks)
        assert name not in blocks
        blocks.new(name)
    assert ezdxf.lldxf.validator.is_valid_block_name(name)


def test_without_a_survey_there_is_only_the_design(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    assert run("export", project, "--to", tmp_path / "a.dxf", "--design-only").status == 0
    used = {entity.dxf.layer for entity in ezdxf.readfile(tmp_path / "a.dxf").modelspace()}
    assert not [layer for layer in used if "built" in layer or "deviations" in layer or "surveyed" in layer]


def test_without_the_library_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    project = copy_of_demo(tmp_path)
    monkeypatch.setitem(sys.modules, "ezdxf", None)
    answer = run("export", project, "--to", tmp_path / "a.dxf")
    assert answer.status == 2
    assert answer.err == "slabpose: DXF needs a library more: pip install 'slabpose[dxf]'\n"
    assert not (tmp_path / "a.dxf").exists()
