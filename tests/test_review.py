"""What slabs ask for by design: closed forms for curves and ramps, hand counts, an anchor seen by another library."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from project_copies import change, copy_of_demo
from test_target import CURVES, arc, layout, slab, straight

from geometry.alignment import TrackRules, VerticalElement
from geometry.alignment.frames import from_grid
from geometry.exchange.project import open_project
from geometry.exchange.results import anchor_table, target_table
from geometry.exchange.review_section import longer, review_limits, review_of, seated, stand_in
from geometry.exchange.review_tables import Choice, comparison_table, review_table, worst_table
from geometry.slabs import DesignBed, Fitting, SlabType, outline, target_poses
from geometry.slabs.longer import lengthened, with_longer_slabs
from geometry.slabs.quantities import footprint, quantities_of
from geometry.slabs.review import design_thickness, fastener_moves, mortar_wedge

NOMINAL = 0.05


def thickness_of(line, kind: SlabType, at: float, *, follows_cant: bool = True, seating: str = "shared"):
    lay = layout([at])
    targets = target_poses(line, [kind], lay, seating)
    return design_thickness(DesignBed(line, NOMINAL, follows_cant), [kind], lay, targets)[0] * 1e3


@pytest.mark.parametrize("row", CURVES["cant_ramp"]["rows"], ids=lambda r: f"L{r[1]}D{r[2]}")
@pytest.mark.parametrize("hand", [1, -1])
def test_mortar_takes_the_warp_that_a_slab_has_not(row: list[float], hand: int) -> None:
    # closed form: a plane under a ramp leaves T/4 at each corner in turn, so the mortar's corners differ by T/2
    _radius, length, cant, _gradient, _twist, _corner_warp, rest = row
    along, across = CURVES["cant_ramp"]["corner_spacing_along_m"], CURVES["cant_ramp"]["corner_spacing_across_m"]
    kind = replace(slab(along, np.linspace(-along / 2, along / 2, 5)), width=across)
    line = straight(cant=(0.0, hand * cant / 1e3), length=length, rules=TrackRules(pivot="centre"))
    found = thickness_of(line, kind, length / 2)
    seen = 1 / math.cos(math.asin(cant / 2 / 1500))  # cants seen square to the track
    rest *= hand * seen
    # + cant that grows: the left rail rises, so the flat slab is too high at its left rear, too low at its left front
    wanted = 50 + np.array([[rest, 0, -rest], [-rest, 0, rest]])
    np.testing.assert_allclose(found, wanted, rtol=0, atol=2e-4)
    assert mortar_wedge(found[None] / 1e3)[0] * 1e3 == pytest.approx(2 * abs(rest), abs=2e-4, rel=0)


@pytest.mark.parametrize("hand", [1, -1])
def test_mortar_takes_the_vertical_versine(hand: int) -> None:
    # closed form L^2/8R: 0.12 mm for a slab of 4.93 m at 25 000 m; + in a sag, where the middle of the slab is too high
    radius = hand * 25_000.0
    profile = [VerticalElement("arc", 0.0, 200.0, -100 / radius, 100 / radius, level=0.0)]
    line = straight(profile=profile, rules=TrackRules(pivot="centre"))
    kind = slab(seats=np.array([-2.465, 0.0, 2.465]))
    found = thickness_of(line, kind, 100.0)
    f = hand * 4.93**2 / 8 / 25_000 * 1e3
    assert abs(f) == pytest.approx(0.1215, abs=1e-4)
    np.testing.assert_allclose(found, np.tile(50 + f * np.array([-0.5, 0.5, -0.5]), (2, 1)), rtol=0, atol=2e-5)
    assert mortar_wedge(found[None])[0] < 1e-5


@pytest.mark.parametrize("cant", [0.13, -0.13, 0.0])
@pytest.mark.parametrize("gradient", [0.0, 0.03])
def test_a_level_bed_makes_a_wedge_of_the_width_times_the_cant(cant: float, gradient: float) -> None:
    profile = [VerticalElement("gradient", 0.0, 200.0, gradient, gradient, level=0.0)]
    line = straight(cant=(cant, cant), profile=profile)
    found = thickness_of(line, slab(), 100.0, follows_cant=False)
    high = 2.34 * math.tan(math.asin(abs(cant) / 1.5)) * 1e3
    left, right = (high, 0.0) if cant > 0 else (0.0, high)
    # 203.6 mm at 130 mm; a gradient of 3 percent changes the cross-section by less than a thousandth of that
    np.testing.assert_allclose(found, 50 + np.array([[left] * 3, [right] * 3]), rtol=0, atol=1e-3 + 2e-3 * high)
    np.testing.assert_allclose(thickness_of(line, slab(), 100.0), 50.0, rtol=0, atol=1e-6)


@pytest.mark.parametrize("row", CURVES["midordinate"]["rows"][3:6], ids=lambda r: f"R{r[0]}")
@pytest.mark.parametrize("hand", [1, -1])
def test_fasteners_take_the_versine(row: list[float], hand: int) -> None:
    # 0.552, 0.434, 0.338 mm for 4.93 m: half of it when shared, all of it and to one side when held at the ends
    radius, f = row
    kind = slab(4.93, np.linspace(-2.465, 2.465, 9))
    line, lay = arc(hand * radius), layout([100.0])
    ends = fastener_moves(line, [kind], lay, target_poses(line, [kind], lay, "ends"))
    shared = fastener_moves(line, [kind], lay, target_poses(line, [kind], lay, "shared"))
    # a chord lies inside its curve, on a right-hand curve to the right: the rail in the middle goes left, outward
    wanted = (-f, 0.0) if hand > 0 else (0.0, f)
    assert (ends.right_least[0] * 1e3, ends.right_most[0] * 1e3) == pytest.approx(wanted, abs=3e-4)
    assert (shared.right_least[0] * 1e3, shared.right_most[0] * 1e3) == pytest.approx((-f / 2, f / 2), abs=3e-4)
    assert np.abs([shared.up_least, shared.up_most]).max() < 1e-9


def test_fasteners_raise_and_lower() -> None:
    # in a sag with the slab held at its ends the rail in the middle is too high: it has to come down, and never up
    profile = [VerticalElement("arc", 0.0, 200.0, -0.02, 0.02, level=0.0)]  # R 5000
    line, lay = straight(profile=profile), layout([100.0])
    kind = slab(4.93, np.linspace(-2.465, 2.465, 9))
    moves = fastener_moves(line, [kind], lay, target_poses(line, [kind], lay, "ends"))
    assert moves.up_least[0] * 1e3 == pytest.approx(-(4.93**2) / 8 / 5000 * 1e3, abs=1e-3)
    assert moves.up_most[0] * 1e3 == pytest.approx(0.0, abs=1e-6)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory):
    return open_project(copy_of_demo(tmp_path_factory.mktemp("demo")))


def test_the_demo_on_its_arc(demo) -> None:
    """R 5200 m, slabs of 5.2 x 2.5 m every 5.28 m: L^2/8R and W pitch/R."""
    table = review_table(review_of(demo), review_limits(demo))
    # the arc from 440 to 640 m, one pitch inside
    usual = (table["type"] == "A520") & np.append(table["type"][1:] == "A520", False)
    on_arc = usual & (table["distance_m"] > 446) & (table["distance_m"] < 634)
    assert on_arc.sum() > 30
    line_scale = demo.alignment.rules.grid_scale  # the radius is one of the grid
    wanted = 5.2**2 / 8 / 5200 * line_scale * 1e3
    # seen in the canted track: times cos of 5 degrees, and sin of it times 0.135 mm where the profile bends (R 25 km)
    assert np.abs(table["versine_mm"][on_arc] - wanted).max() < 0.012
    inside = on_arc & np.isfinite(table["wedge_mm"])
    pitch = 5.2 + demo.layout.gap_ahead
    assert np.abs(table["wedge_mm"] - 2.5 * pitch / 5200 * 1e3)[inside].max() < 0.12
    assert (table["radius_m"][on_arc].round(3) == 5200).all()
    assert (table["verdict"] == "within").all()
    # what is told elsewhere is not told otherwise here
    target = target_table(demo)
    for name in ("versine_mm", "seat_across_mm", "seat_up_mm", "warp_mm", "wedge_mm", "chainage_m"):
        np.testing.assert_array_equal(table[name], target[name])
    gaps = np.stack([target["gap_left_mm"], target["gap_right_mm"]])
    np.testing.assert_allclose(table["gap_least_mm"], gaps.min(axis=0), rtol=0, atol=1e-9)
    np.testing.assert_allclose(table["gap_most_mm"], gaps.max(axis=0), rtol=0, atol=1e-9)
    largest = np.maximum(-table["fastener_left_mm"], table["fastener_right_mm"])
    np.testing.assert_allclose(largest, table["seat_across_mm"], rtol=0, atol=1e-6)
    largest = np.maximum(-table["fastener_down_mm"], table["fastener_up_mm"])
    np.testing.assert_allclose(largest, table["seat_up_mm"], rtol=0, atol=1e-6)


@pytest.mark.parametrize("row", [0, 40, 80, 150, 268])
def test_anchors_against_polygons(demo, row: int) -> None:
    """The ring as the distance between two shapes of a general-purpose geometry library."""
    rings, anchors = review_of(demo).anchors, anchor_table(demo)
    kind = demo.types[demo.layout.type_index[row]]
    body = outline(kind, segments=2000)
    name = demo.layout.names[row]
    for end, column in enumerate(("front_slab", "rear_slab")):
        at = int(np.flatnonzero(anchors[column] == name)[0])
        xyz = np.array([[anchors[f"{axis}_m"][at] for axis in ("easting", "northing", "level")]])
        place = from_grid(demo.targets.position[row], demo.targets.rotation[row], xyz,
                          demo.alignment.rules.grid_scale)[0]  # fmt: skip
        assert np.sign(place[1]) == (1 if end else -1)
        apart = body.distance(shapely.Point(place[:2])) - 0.21
        assert rings.ring[row, end] == pytest.approx(apart, abs=2e-6)


def test_across_is_the_smaller_side_of_both_ends(demo) -> None:
    review = review_of(demo)
    table = review_table(review, review_limits(demo))
    every = np.concatenate([review.anchors.left, review.anchors.right], axis=1) * 1e3
    assert np.ptp(every, axis=1).max() > 0.1  # on a curve the sides differ
    np.testing.assert_array_equal(table["anchor_across_mm"], every.min(axis=1))
    np.testing.assert_array_equal(table["anchor_along_mm"], review.anchors.along.min(axis=1) * 1e3)


def test_a_gap_wider_by_so_much_moves_the_anchor_out_by_half(demo) -> None:
    # on the straight at the start: anchor in the middle, so 260 - 210 mm + half of gap less nominal
    review = review_of(demo)
    half = (demo.layout.gap_ahead[2] - 0.080) / 2
    assert review.anchors.along[2, 1] == pytest.approx(0.050 + half, abs=1e-6)
    assert review.anchors.left[2, 1] == pytest.approx(float(review.anchors.right[2, 1]), abs=1e-6)


def test_out_is_what_the_project_does_not_allow(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    change(project, "project.toml", "sideways_mm = 6.0", "sideways_mm = 0.5")
    change(project, "project.toml", "low_mm = -4.0", "low_mm = -0.5")
    change(project, "project.toml", "shims_mm = [0.5,", "shims_mm = [0.5, 9.5,")
    change(project, "project.toml", 'seating = "shared"', 'seating = "ends"')
    read = open_project(project)
    table = review_table(review_of(read), review_limits(read))
    # a micrometre is nothing
    left, down = table["fastener_left_mm"] < -0.501, table["fastener_down_mm"] < -0.501
    right = table["fastener_right_mm"] > 0.501
    assert left.any()
    assert down.any()
    assert ((table["verdict"] == "out") == (left | down | right)).all()
    for flags, words in ((left, "fastener, to the left"), (right, "fastener, to the right"), (down, "fastener, down")):
        assert [words in why.split("; ") for why in table["why"].tolist()] == flags.tolist()


def test_nan_is_out_but_a_joint_that_is_none_is_not(demo) -> None:
    review = review_of(demo)
    thickness = review.thickness.copy()
    thickness[7] = np.nan
    gap = review.gap.copy()
    gap[20] = np.nan
    table = review_table(replace(review, thickness=thickness, gap=gap), review_limits(demo))
    assert np.flatnonzero(table["verdict"] == "out").tolist() == [7, 20]
    assert table["why"][7] == "mortar, thinnest; mortar, thickest"
    assert np.isnan(table["gap_least_mm"][-1])  # the last slab has no joint ahead
    limits = replace(review_limits(demo), gap=None, mortar=None, across=None, along=None, ring=None, sideways=None,
                     height=None)  # fmt: skip
    assert set(review_table(review, limits)["verdict"].tolist()) == {"no limit"}


def test_worst_cases_are_the_extremes(demo) -> None:
    table = review_table(review_of(demo), review_limits(demo))
    worst = worst_table(table, review_limits(demo), 3)
    for words, column, key in (
        ("versine", "versine_mm", np.abs), ("warp", "warp_mm", np.abs),
        ("joint gap, smallest", "gap_least_mm", np.negative), ("mortar, thickest", "mortar_most_mm", np.positive),
        ("anchor, all around", "anchor_ring_mm", np.negative),
    ):  # fmt: skip
        mine = worst["quantity"] == words
        known = table[column][np.isfinite(table[column])]
        np.testing.assert_allclose(key(worst["value_mm"][mine]), np.sort(key(known))[::-1][:3], rtol=0, atol=1e-4)
        rows = [table["slab"].tolist().index(name) for name in worst["slab"][mine].tolist()]
        np.testing.assert_array_equal(table[column][rows], worst["value_mm"][mine])
    ring = worst["quantity"] == "anchor, all around"
    assert worst["low_mm"][ring].tolist() == pytest.approx([30.0] * 3)
    assert np.isnan(worst["high_mm"][ring]).all()
    assert np.isnan(worst["low_mm"][worst["quantity"] == "versine"]).all()


def test_a_longer_slab_keeps_ends_and_spacing() -> None:
    screws = Fitting(("R", "M", "F"), np.array([[0.1, -1.7, 0], [0, 0, 0], [0.2, 1.7, 0]]), 0.004, 0.02)
    kind = replace(slab(5.2, np.linspace(-2.275, 2.275, 8)), screws=screws)
    longer_by = lengthened(kind, 0.5)
    assert longer_by.length == pytest.approx(5.7)
    # 5.05 m between the outermost seats, at 0.65 m each: 7.8, so 8 spaces of 631 mm
    np.testing.assert_allclose(longer_by.seats, np.linspace(-2.525, 2.525, 9), rtol=0, atol=1e-12)
    assert longer_by.length / 2 - longer_by.seats[-1] == pytest.approx(5.2 / 2 - 2.275)
    assert longer_by.screws.places[:, 1].tolist() == pytest.approx([-1.95, 0.0, 1.95])
    assert longer_by.screws.places[:, 0].tolist() == [0.1, 0.0, 0.2]
    assert longer_by.screws.pitch == 0.004
    np.testing.assert_allclose(lengthened(kind, 0.65).seats, np.linspace(-2.6, 2.6, 9), rtol=0, atol=1e-12)
    assert len(lengthened(kind, -0.65).seats) == 7
    short = replace(kind, special=True)
    assert with_longer_slabs([kind, short], 0.5)[1] is short
    with pytest.raises(ValueError, match=r"A of 5\.2 m cannot be -4600 mm longer"):
        lengthened(kind, -4.6)


def test_what_half_a_metre_costs(demo) -> None:
    """On the arc the versine grows with the square of the length; it does so for the demo as a whole, nearly."""
    (other,) = longer(demo, [500.0])
    rows = comparison_table([
        Choice("as it is", demo, "shared", demo.targets),
        Choice("+500 mm", other, "shared", other.targets, 500.0),
    ])  # fmt: skip
    assert rows["main_length_m"].tolist() == pytest.approx([5.2, 5.7])
    assert rows["seat_spacing_mm"].tolist() == pytest.approx([650.0, 631.25])
    grown = rows["versine_mean_mm"][1] / rows["versine_mean_mm"][0]
    # the present layout has short slabs too, and places along the transitions differ
    assert grown == pytest.approx((5.7 / 5.2) ** 2, rel=0.03)
    assert rows["warp_mean_mm"][1] / rows["warp_mean_mm"][0] == pytest.approx(5.7 / 5.2, rel=0.03)
    # 31.7 m of the viaduct's spans: 5 x 5.78 + ... leaves 2.8 m over, no filling; they are counted as empty
    assert rows["spans_unfilled"].tolist() == [0, 12]
    assert rows["slabs"][0] == 269
    assert rows["slabs"][1] == len(other.layout.names)
    assert rows["joints"][1] == np.isfinite(other.layout.gap_ahead).sum()
    seats = [len(t.seats) for t in other.types]
    assert rows["fasteners"][1] == 2 * sum(seats[kind] for kind in other.layout.type_index.tolist())


def test_slabs_stand_in_on_empty_spans(demo) -> None:
    assert stand_in(demo) is None
    (other,) = longer(demo, [500.0])
    more = stand_in(other)
    assert more is not None
    empty = sorted(set(range(len(demo.spans))) - set(other.layout.span.tolist()))
    assert [demo.spans[i].name for i in empty][:3] == ["Lapwing bank", "Tarn G1", "Tarn G2"]
    first, last = demo.spans[empty[0]].start, demo.spans[empty[-1]].end
    assert (more.distance > first).all()
    assert (more.distance < last).all()
    # five slabs of 5.7 m in 31.7 m
    assert np.diff(more.distance[more.span == 1]) == pytest.approx([5.78 * 0.99988] * 4, abs=2e-3)
    # in the middle of the span, which hardly bends
    middle = (demo.spans[1].start + demo.spans[1].end) / 2
    assert more.distance[more.span == 1].mean() == pytest.approx(middle, abs=1e-3)
    # without them the sharpest curve, on the viaduct, would not count
    alone = np.abs(other.targets.versine).max()
    row = comparison_table([Choice("longer", other, "shared", other.targets)])
    assert row["versine_largest_mm"][0] > alone * 1e3 + 0.005


def test_seatings_differ_as_closed_forms_say(demo) -> None:
    names = ("ends", "centre", "shared", "least_squares")
    rows = comparison_table([Choice(n, demo, n, t) for n, t in zip(names, seated(demo, names), strict=True)])
    across = dict(zip(names, rows["seat_across_largest_mm"].tolist(), strict=True))
    # seats reach 4.55 m of 5.2: ends take all of the versine, shared half of it over the seats
    assert across["shared"] == pytest.approx(across["ends"] * (4.55 / 5.2) ** 2 / 2, rel=0.02)
    assert across["shared"] < across["least_squares"] < across["centre"] < across["ends"]
    assert len(set(rows["versine_largest_mm"].round(2).tolist())) == 1


def test_quantities_by_hand() -> None:
    # 4.93 x 2.34 m: 11.54 litres to the millimetre, 0.577 m3 at 50 mm (closed form)
    plain = replace(slab(), notch_radius=0.0, notch_beyond=0.0)
    assert footprint(plain) == pytest.approx(11.5362, abs=1e-9)
    short = replace(plain, name="B", length=3.685, seats=np.linspace(-1.5, 1.5, 6))
    lay = replace(layout([10.0, 15.0, 20.0, 40.0], [0, 0, 1, 0]), span=np.array([0, 0, 0, 1]))
    thickness = np.full((4, 2, 3), 0.05)
    thickness[3] = [[0.05, 0.05, 0.05], [0.07, 0.07, 0.07]]  # a wedge: 60 mm in the mean
    found = quantities_of([plain, short], lay, thickness)
    assert found.slabs.tolist() == [3, 1]
    assert found.seats.tolist() == [27, 6]
    assert found.fasteners.tolist() == [54, 12]
    assert found.mortar.tolist() == pytest.approx([11.5362 * 0.16, 3.685 * 2.34 * 0.05])
    assert found.length.tolist() == pytest.approx([14.79, 3.685])
    assert (found.anchors_between, found.anchors_at_ends) == (2, 4)
    bent = np.tile(np.array([0.05, 0.056, 0.05]), (4, 2, 1))  # a parabola: two thirds of its height
    assert quantities_of([plain, short], lay, bent).mortar[1] == pytest.approx(3.685 * 2.34 * 0.054)


def test_footprint_against_polygons(demo) -> None:
    for kind in (*demo.types, slab()):
        assert footprint(kind) == pytest.approx(outline(kind, segments=2000).area, abs=1e-6)
    assert footprint(replace(slab(), notch_beyond=0.5)) == pytest.approx(4.93 * 2.34)


def test_quantities_of_the_demo(demo) -> None:
    found = quantities_of(demo.types, demo.layout, review_of(demo).thickness)
    assert len(anchor_table(demo)["level_m"]) == found.anchors_between + found.anchors_at_ends
    by_hand = sum(footprint(demo.types[k]) for k in demo.layout.type_index.tolist()) * 0.055
    assert found.mortar.sum() == pytest.approx(by_hand, rel=1e-3)
