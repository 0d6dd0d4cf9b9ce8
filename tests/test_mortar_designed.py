"""Mortar where nobody surveyed the bed: gaps by the designed bed, told apart, and never good."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest
from project_copies import DEMO, change, copy_of_demo, run
from test_target import layout, slab, straight

from geometry.alignment import TrackRules, VerticalElement
from geometry.alignment.frames import rotation_of_vector, to_grid
from geometry.exchange.project import open_project
from geometry.exchange.review_section import review_of
from geometry.placement.mortar import BEDS, designed_field, map_bed
from geometry.placement.mortar.designed import designed_gaps
from geometry.slabs import DesignBed, target_poses
from geometry.slabs.quantities import quantities_of
from viewer.checked import section_of
from viewer.running import check_of

LEVEL = "mortar_nominal_mm = 55.0\nfollows_cant = false"
WIDTH, CANT = 2.34, 0.13
TANGENT = math.tan(math.asin(CANT / 1.5))


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(line for line in path.read_text().splitlines() if not line.startswith("#")))


def canted(hand: int = 1):  # type: ignore[no-untyped-def]
    line, lay, kind = straight(cant=(hand * CANT, hand * CANT)), layout([100.0]), slab()
    return line, lay, kind, target_poses(line, [kind], lay, "shared")


@pytest.mark.parametrize("hand", [1, -1])
def test_a_built_slab_over_a_level_bed(hand: int) -> None:
    # closed form: width times the tangent of the cant angle, and the slab's own place on top
    line, lay, kind, targets = canted(hand)
    bed = DesignBed(line, 0.05, follows_cant=False)
    high = WIDTH * TANGENT
    gaps = designed_gaps(bed, [kind], lay.type_index, lay.distance, targets.position, targets.rotation)
    left, right = (0.05 + high, 0.05) if hand > 0 else (0.05, 0.05 + high)
    np.testing.assert_allclose(gaps.corner[0], [left, right, left, right], rtol=0, atol=2e-6)
    assert gaps.smallest[0] == pytest.approx(0.05, abs=2e-6)
    assert gaps.largest[0] == pytest.approx(0.05 + high, abs=2e-6)
    # 3 mm up; 2 mm to the right, down the slope of the slab over the bed when the left rail is the higher one
    moved = to_grid(targets.position, targets.rotation, np.array([[[0.002, 0.0, 0.003]]]))[:, 0]
    gaps = designed_gaps(bed, [kind], lay.type_index, lay.distance, moved, targets.rotation)
    np.testing.assert_allclose(
        gaps.corner[0], np.array([left, right, left, right]) + 0.003 - hand * 0.002 * TANGENT, rtol=0, atol=2e-6
    )
    # 1 mrad forward end up: half a length further up in front, as far down behind
    turned = targets.rotation @ rotation_of_vector(np.array([[0.001, 0.0, 0.0]]))
    gaps = designed_gaps(bed, [kind], lay.type_index, lay.distance, targets.position, turned)
    wanted = np.array([left, right, left, right]) + 0.001 * kind.length / 2 * np.array([-1, -1, 1, 1])
    np.testing.assert_allclose(gaps.corner[0], wanted, rtol=0, atol=5e-6)
    nowhere = designed_gaps(bed, [kind], lay.type_index, lay.distance, targets.position * np.nan, turned)
    assert np.isnan([*nowhere.corner[0], nowhere.smallest[0], nowhere.volume[0]]).all()


def test_bed_points_are_held_against_the_bed_as_designed() -> None:
    """Points set out on the design by hand: on a plane for cant, on a level line for none."""
    line, lay, kind, targets = canted()
    x = np.array([-1.4, -0.6, 0.0, 1.0])  # the first beside the slab
    y = np.array([-2.0, 0.3, 1.1, 2.2])
    off = np.array([0.0, 0.004, -0.003, 0.001])
    for follows, under in ((True, np.full(4, 0.05)), (False, 0.05 + (WIDTH / 2 - x) * TANGENT)):
        local = np.column_stack([x, y, -kind.thickness - under + off])
        xyz = to_grid(targets.position, targets.rotation, local[None])[0]
        bed = DesignBed(line, 0.05, follows_cant=follows)
        found = map_bed(
            xyz, np.full(4, 0.5e-3), 0.0, targets, [kind], lay.type_index, lay.distance, bed, (-0.003, 0.003), 2.0
        )
        np.testing.assert_allclose(found.deviation, off, rtol=0, atol=2e-6)
        assert found.slab.tolist() == [0] * 4


def test_the_bed_bends_with_the_track_not_with_the_slab() -> None:
    # vertical arc of 5 km: the slab is a chord, the bed is not: L^2/8R = 0.61 mm between its ends and its middle
    profile = [VerticalElement("arc", 0.0, 200.0, -0.02, 0.02, level=0.0)]
    line = straight(profile=profile, rules=TrackRules(pivot="centre"))
    kind, lay = slab(), layout([100.0])
    targets = target_poses(line, [kind], lay, "ends")
    bed = DesignBed(line, 0.05, follows_cant=True)
    place = np.array([[0.0, -kind.length / 2, -kind.thickness - 0.05], [0.0, 0.0, -kind.thickness - 0.05]])
    xyz = to_grid(targets.position, targets.rotation, place[None])[0]
    found = map_bed(xyz, np.full(2, 1e-4), 0.0, targets, [kind], lay.type_index, lay.distance, bed, (-1.0, 1.0), 2.0)
    # in a sag the track in the middle is lower than the chord, so a bed parallel to the chord is too high there
    np.testing.assert_allclose(found.deviation * 1e3, [0.0, kind.length**2 / 8 / 5000 * 1e3], rtol=0, atol=2e-3)


def test_review_and_mortar_have_one_bed(project: Path) -> None:
    for settings in (None, LEVEL):
        if settings:
            change(project, "project.toml", "mortar_nominal_mm = 55.0", settings)
        read = open_project(project)
        layout_ = read.layout
        thickness = review_of(read).thickness
        gaps = designed_gaps(
            read.design_bed, read.types, layout_.type_index, layout_.distance, read.targets.position,
            read.targets.rotation,
        )  # fmt: skip
        # edges by ends: RL, RR, FL, FR
        np.testing.assert_allclose(gaps.corner, thickness[:, [0, 1, 0, 1], [0, 0, 2, 2]], rtol=0, atol=1e-9)
        total = quantities_of(read.types, layout_, thickness).mortar.sum()
        assert gaps.volume.sum() == pytest.approx(total, rel=2e-5)
        field = designed_field(
            read.design_bed, read.types, layout_.type_index, layout_.distance, read.targets.position,
            read.targets.rotation, 9, 5,
        )  # fmt: skip
        np.testing.assert_allclose(field[:, 0, 0], gaps.corner[:, 0], rtol=0, atol=1e-12)
        np.testing.assert_allclose(field[:, -1, -1], gaps.corner[:, 3], rtol=0, atol=1e-12)


def test_without_a_survey_gaps_are_those_of_the_design_and_nothing_is_within(project: Path, tmp_path: Path) -> None:
    for path in (project / "bed").glob("*.csv"):
        path.unlink()
    change(project, "project.toml", "mortar_nominal_mm = 55.0", LEVEL)
    answer = run("mortar", project, "--csv", tmp_path / "m.csv", "--json", tmp_path / "m.json", "--pose", "target")
    assert answer.status == 1
    told = "bed: expected a survey of the bed, found none (gaps are to the bed by design, and none is within)"
    assert answer.err == f"warning: {told}\n"
    text = " ".join(answer.out.split())
    assert "By design it is level across, 55 mm under the lower edge of a slab that follows the track" in text
    assert "By the designed bed, slabs as designed: gaps to be expected, nothing measured" in answer.out
    assert max(map(len, answer.out.splitlines())) <= 120
    document = json.loads((tmp_path / "m.json").read_text())
    assert document["summary"]["gap"]["within"] == document["summary"]["slabs"]["within"] == 0
    assert document["bed"] == {
        "follows_cant": False, "measured": 0, "measured in part": 0, "designed": 269, "no pose": 0
    }  # fmt: skip
    assert document["batches"] == []
    rows = rows_of(tmp_path / "m.csv")
    assert {row["bed"] for row in rows} == {"designed"}
    assert {row["gap_verdict"] for row in rows} == {"not measured"}
    assert {row["gap_RL_mm"] + row["volume_l"] + row["smallest_mm"] for row in rows} == {""}
    # R 5200 with 130 mm of cant, slabs 2.5 m wide
    on_arc = [row for row in rows if 27850 < float(row["chainage_m"]) < 28030]
    wanted = 2500 * math.tan(math.asin(130 / 1500))
    assert all(abs(float(row["design_wedge_mm"]) - wanted) < 1.0 for row in on_arc)
    assert all(abs(float(row["design_smallest_mm"]) - 55) < 1.0 for row in on_arc)
    assert "would leave 40 to 75 mm though the bed were as designed" in text


def test_measured_and_designed_are_told_slab_by_slab(project: Path, tmp_path: Path) -> None:
    (project / "bed" / "viaduct.csv").unlink()
    answer = run("mortar", project, "--csv", tmp_path / "m.csv", "--all")
    rows = {row["slab"]: row for row in rows_of(tmp_path / "m.csv")}
    beds = [row["bed"] for row in rows.values()]
    assert set(beds) == set(BEDS) - {"measured in part"} | ({"measured in part"} & set(beds))
    assert beds.count("designed") > 60
    for row in rows.values():
        if row["bed"] == "designed":
            assert row["gap_verdict"] == "not measured"
            assert row["gap_RL_mm"] == ""
            assert float(row["design_gap_RL_mm"]) > 40
        if row["bed"] == "measured":
            assert row["gap_RL_mm"] != ""
    assert rows["Q0318"]["bed"] == "no pose"
    assert f"by design under {beds.count('designed')}" in " ".join(answer.out.split())
    whole = run("mortar", DEMO, "--json", "-")
    assert json.loads(whole.out)["bed"]["designed"] == 0
    assert "By the designed bed" not in run("mortar", DEMO).out


def test_an_anchor_stands_on_the_bed_as_designed(project: Path) -> None:
    from geometry.exchange.results import anchor_table

    before = anchor_table(open_project(project))
    change(project, "project.toml", "mortar_nominal_mm = 55.0", LEVEL)
    read = open_project(project)
    after = anchor_table(read)
    at = int(np.flatnonzero(after["rear_slab"] == "Q0200")[0])
    row = read.layout.names.tolist().index("Q0200")
    down = 1.25 * math.tan(math.asin(0.130 / 1.5))
    assert read.design_bed.under_middle(read.types, read.layout.type_index, read.targets.rotation)[row] == (
        pytest.approx(0.055 + down, abs=2e-4)
    )
    lower = before["level_m"][at] - after["level_m"][at]
    assert lower == pytest.approx(down * math.cos(math.asin(0.130 / 1.5)), abs=3e-4)


def test_pictures_draw_the_bed_as_designed(project: Path, tmp_path: Path) -> None:
    from viewer.bed import bed_surface
    from viewer.bodies import bed_body

    change(project, "project.toml", "mortar_nominal_mm = 55.0", LEVEL)
    read = open_project(project)
    _, check = check_of(read, (), None)
    section = section_of(read, check)
    row = read.layout.names.tolist().index("Q0200")
    chosen = np.array([row, row + 1])
    origin = section.target_position[row]
    # level across: both edges of the bed at one height, 255 mm square to the slab under its lower, right edge
    points, _ = bed_body(section, chosen, origin)
    left, right = points[0, 2], points[1, 2]
    assert left == pytest.approx(right, abs=1e-9)
    under = section.bed_under(chosen[:1], np.array([[-1.25, 1.25]]))[0]
    np.testing.assert_allclose(under, [0.255 + 2.5 * math.tan(math.asin(0.13 / 1.5)), 0.255], rtol=0, atol=2e-4)
    nothing = np.full((len(section), 9, 5), np.nan)
    points, _ = bed_surface(section, chosen, nothing, 1.0, origin)
    ring = points.reshape(18, -1, 3)[4, :7]  # across the middle of the first slab
    assert np.ptp(ring[:, 2]) < 1e-6
    for path in (project / "bed").glob("*.csv"):
        path.unlink()
    answer = run("view", project, "--colour", "gap", "--flat", "--picture", tmp_path / "gap.svg")
    assert answer.status == 0
    assert (tmp_path / "gap.svg").stat().st_size > 10_000


def test_a_card_of_a_slab_whose_bed_was_not_measured(project: Path) -> None:
    from viewer.decided import layer_sources

    (project / "bed" / "viaduct.csv").unlink()
    change(project, "project.toml", "mortar_nominal_mm = 55.0", LEVEL)
    read = open_project(project)
    _, check = check_of(read, (), None)
    (layer,) = layer_sources(read, check, section_of(read, check))["gap"]()
    row = read.layout.names.tolist().index("Q0200")
    card = layer.card(row)
    assert card.told == "gap by the designed bed, mm"
    assert any("no verdict" in note for note in card.notes)
    assert layer.verdict[row] == 3
    assert layer.field is not None
    assert np.isnan(layer.field[row]).all()  # colours mean what was measured
    assert "bed by design under" in layer.heading
    (project / "bed" / "rest.csv").unlink()
    (layer,) = layer_sources(read, check, section_of(read, check))["gap"]()
    assert layer.title == "gap to the designed bed"
    assert layer.heading.endswith("bed by design, not measured")
    assert layer.field is not None
    assert layer.field[row].max() > 200
    assert set(layer.verdict.tolist()) == {3}
