"""What guests see, before anything is drawn: words, captions, the way of the eye, labels, colours, arrays."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from project_copies import DEMO, change, copy_of_demo

from geometry.errors import InputError, SlabposeError
from geometry.exchange.presentation_settings import (
    ACCENTS,
    LEAST_CONTRAST,
    PAPERS,
    PresentationSettings,
    contrast,
    luminance,
)
from geometry.exchange.project import open_project
from geometry.placement.plan.rule_table import KINDS
from geometry.survey import movement_rows
from viewer.mesh import slab_mesh
from viewer.posed import Planning
from viewer.present.bodies3d import boxes, fastener_body, rail_body, sweep
from viewer.present.camera import LANDED, RESTING, flight_of
from viewer.present.captions import LAYERS, TOLD_FROM, apart_at, caption_at, factor_at
from viewer.present.film import FRAMES_A_SECOND, film_size
from viewer.present.leaders import crossing, leaders
from viewer.present.palette import palette_of
from viewer.present.parts import parts_of
from viewer.present.show import factor_for, show_of
from viewer.present.staging import ground_body, lowered_by
from viewer.present.stills import still_size
from viewer.present.web_data import NO_VALUE, SURROUNDINGS, simpler, web_section
from viewer.present.words import (
    COMPUTED,
    MEASURED,
    count_words,
    layer_words,
    lowered_words,
    move_words,
    place_words,
    plan_words,
    slab_words,
    uncertainty_mm,
)
from viewer.running import check_of
from viewer.section import NOT_MEASURED, OUT, UNDECIDED, WITHIN

NBSP = "\N{NO-BREAK SPACE}"


@pytest.fixture(scope="module")
def checked():
    project = open_project(DEMO)
    return project, check_of(project, (), None)[1]


@pytest.fixture(scope="module")
def planning(checked):
    return Planning(*checked)


@pytest.fixture(scope="module")
def show(checked, planning):
    return show_of(*checked, planning)


@pytest.fixture(scope="module", params=[False, True], ids=["light", "dark"])
def palette(request):
    return palette_of(PresentationSettings(), dark=request.param)


def signed_volume(points: np.ndarray, faces: np.ndarray) -> float:
    """Volume inside triangles, positive if they face outwards: the divergence theorem."""
    a, b, c = (points[faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


# --- words ---------------------------------------------------------------------------------------------------------


def test_the_worst_slab_of_the_demo_is_told_in_plain_words(show):
    assert show.name == "Q0137"
    told = slab_words(show, show.slab)
    assert told[0] == f"Slab Q0137 lies up to 3.6{NBSP}mm too high; 1{NBSP}mm is allowed."
    assert told[1] == f"The survey is good to about 0.2{NBSP}mm."
    # the work list of slabpose plan: RL -2.75, RR and FL -3.00, FR -3.25 mm
    lowered = f"The correction plan lowers it by 2.75 to 3.25{NBSP}mm."
    assert told[2] == f"{lowered} Then it lies at most 0.4{NBSP}mm too high (computed)."


def test_words_agree_with_the_plan_they_come_from(show, planning):
    plan = planning.plan
    assert show.moved.tolist() == plan.touched.tolist()
    assert show.moved.sum() >= 5
    for slab in np.flatnonzero(show.moved):
        lift, push = plan.lift[slab] * 1e3, plan.push[slab] * 1e3
        words = move_words(show, int(slab))
        assert ("raises" in words) == bool((lift >= 0.005).any())
        assert ("lowers" in words) == bool((lift <= -0.005).any())
        assert ("pushes" in words) == bool((np.abs(push) >= 0.005).any())
        assert words.startswith("For the sake of") == (show.section.verdict[slab] == WITHIN)
        steps = lift[np.abs(lift) > 0.005]
        if (steps < 0.0).all() and len(steps):
            assert f"{-steps.max():g}" in words
            assert f"{-steps.min():g}" in words


def test_a_slab_that_the_plan_leaves_is_told_why(show, checked, planning):
    out = np.flatnonzero((show.section.verdict == OUT) & ~show.moved)
    assert [show.section.slab_names[slab] for slab in out] == ["Q0364"]
    assert move_words(show, int(out[0])) == "Mortar holds it: it cannot be moved any more."
    free = replace(show, held=np.zeros_like(show.held))
    assert "somebody has to decide" in move_words(free, int(out[0]))
    within = int(np.flatnonzero((show.section.verdict == WITHIN) & ~show.moved)[0])
    assert move_words(show, within) == ""


def test_what_is_shown_after_the_moves_is_told(show, checked):
    assert plan_words(show) == (
        "After the moves: as the correction plan leaves the slabs. It moves 8 of 269, by whole steps of their screws; "
        "then one slab lies out of place."
    )
    without = show_of(*checked, None)
    assert plan_words(without).startswith("No correction plan could be made: shown is what was measured")
    assert not without.moved.any()
    still = replace(show, moved=np.zeros_like(show.moved))
    assert plan_words(still) == "The correction plan moves no slab: shown is what was measured."


def test_after_the_moves_slabs_lie_where_the_plan_puts_them(show, planning):
    """By the rules of the plan, which it works out on its own: value before plus rows times move."""
    plan = planning.plan
    up = np.flatnonzero(plan.rules.kind == KINDS.index("up"))
    slab, mark = plan.rules.rear[up], plan.rules.place[up]
    after = show.after.corner_deviation_mm[slab, mark, 2]
    np.testing.assert_allclose(after, plan.value_after[up] * 1e3, rtol=0, atol=1e-3)
    np.testing.assert_allclose(show.after_sigma_mm[slab, mark, 2], plan.sigma_after[up] * 1e3, rtol=0, atol=1e-6)
    still = ~show.moved
    same = show.section.corner_deviation_mm[still]
    np.testing.assert_array_equal(show.after.corner_deviation_mm[still], same)
    assert np.abs(show.after.corner_deviation_mm[~still] - show.section.corner_deviation_mm[~still]).max() > 2.0


def test_each_verdict_has_a_sentence_of_its_own(show):
    section = show.section
    for verdict, part in (
        (WITHIN, "lies where the design puts it"),
        (OUT, "lies up to"),
        (UNDECIDED, "cannot be judged for certain"),
        (NOT_MEASURED, "has not been measured"),
    ):
        slab = int(np.flatnonzero(section.verdict == verdict)[0])
        assert part in slab_words(show, slab)[0]


def test_directions_are_told_from_their_signs(show):
    section = show.section
    slab = show.slab
    for axis, low, high in ((0, "too far left", "too far right"), (1, "too far back", "too far ahead"),
                            (2, "too low", "too high")):  # fmt: skip
        for value, words in ((-30.0, low), (30.0, high)):
            deviation = np.zeros_like(section.corner_deviation_mm)
            deviation[slab, :, axis] = value
            other = replace(show, section=replace(section, corner_deviation_mm=deviation))
            assert words in slab_words(other, slab)[0]


def test_no_number_pretends_to_be_better_than_the_survey(show):
    worse = replace(show, sigma_mm=show.sigma_mm * 10.0)
    told = slab_words(worse, show.slab)
    assert told[0].startswith(f"Slab Q0137 lies up to 4{NBSP}mm too high")
    assert uncertainty_mm(0.6) == 1.2


def test_a_slab_that_mortar_holds_is_not_said_to_move(checked):
    project, check = checked
    held = replace(check, held=np.ones(len(check.verdict), dtype=bool))
    show = show_of(project, held, Planning(project, held))
    assert not show.moved.any()
    assert "cannot be moved" in slab_words(show, show.slab)[-1]
    assert "moves no slab" in plan_words(show)


def test_counts_are_those_of_the_check(show, checked):
    counts = {verdict: count for verdict, count, _ in count_words(show.section)}
    assert counts == {verdict: int((checked[1].verdict == verdict).sum()) for verdict in range(4)}
    assert sum(counts.values()) == len(show.section)


def test_places_are_named_by_kilometre_and_structure(show):
    section = show.section
    words = place_words(section, float(section.distance[show.slab]))
    assert words == "Kilometre 27.63, embankment Lapwing bank"


def test_colours_are_told_with_grey_only_where_something_is_not_measured(show):
    assert layer_words(show) == f"Blue: too low, orange: too high, grey: not measured; 1{NBSP}mm is allowed"
    section = show.section
    whole = replace(
        section,
        built_position=np.where(section.measured[:, None], section.built_position, section.target_position),
        built_rotation=np.where(section.measured[:, None, None], section.built_rotation, section.target_rotation),
    )
    assert "grey" not in layer_words(replace(show, section=whole))


def test_exaggeration_keeps_slabs_below_the_rail(show):
    assert show.factor == factor_for(show.section, np.arange(len(show.section)))
    largest = np.nanmax(np.abs(show.section.corner_deviation_mm)) * 0.001
    assert largest * show.factor < show.kind.rail_height


def test_a_slab_of_that_name_has_to_be_there(checked):
    with pytest.raises(SlabposeError, match="no slab is called 'Q9'"):
        show_of(*checked, None, slab="Q9")
    assert show_of(*checked, None, slab="Q0182").name == "Q0182"


# --- settings and colours ------------------------------------------------------------------------------------------


def test_contrast_is_that_of_wcag():
    # WCAG 2.2, "contrast ratio": black on white has 21; #767676 is the lightest grey with 4.5 on white (W3C,
    # Understanding success criterion 1.4.3, from memory)
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0, rel=0, abs=1e-12)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")
    assert luminance("#00ff00") == pytest.approx(0.7152, rel=0, abs=1e-12)


def test_text_stands_out_by_day_and_by_night(palette):
    for name in ("ink", "muted", "accent"):
        for behind in ("paper", "panel"):
            assert contrast(getattr(palette, name), getattr(palette, behind)) >= LEAST_CONTRAST, (name, behind)


def test_layers_that_touch_stay_apart_without_hue(palette):
    # WCAG 2.2, 1.4.11, asks for 3 for graphics by colour alone; here edges are shaded and words name each part
    pairs = (("rail", "fastener"), ("fastener", "slab"), ("slab", "mortar"), ("mortar", "bed"), ("bed", "anchor"))
    for one, other in pairs:
        assert contrast(getattr(palette, one), getattr(palette, other)) >= 1.2, (one, other)


def test_an_accent_that_cannot_be_read_is_refused_with_its_place(tmp_path):
    project = copy_of_demo(tmp_path)
    change(project, "project.toml", "[bed]\n", '[presentation]\naccent = "#ffe680"\n\n[bed]\n')
    with pytest.raises(InputError, match=r"accent with a contrast of at least 4\.5.*found 1\.2 for #ffe680"):
        open_project(project)


def test_titles_and_colours_come_from_the_project(tmp_path):
    project = copy_of_demo(tmp_path)
    given_words = 'title = "Open day"\nsubtitle = "Our new track"\naccent_dark = "#ffd166"'
    change(project, "project.toml", "[bed]\n", f"[presentation]\n{given_words}\n\n[bed]\n")
    read = open_project(project)
    show = show_of(read, check_of(read, (), None)[1], None)
    assert (show.title, show.subtitle) == ("Open day", "Our new track")
    assert palette_of(read.settings.presentation, dark=True).accent == "#ffd166"
    assert palette_of(read.settings.presentation, dark=False).accent == ACCENTS["light"]
    assert palette_of(read.settings.presentation, dark=True).paper == PAPERS["dark"]


# --- the way of the eye and its captions ---------------------------------------------------------------------------


@pytest.mark.parametrize("seconds", [5.0, 20.0, 60.0])
@pytest.mark.parametrize("slab", ["Q0101", "Q0137", "Q0369"])
def test_the_eye_moves_without_jumps_and_without_jerks(checked, seconds, slab):
    show = show_of(*checked, None, slab=slab)
    flight = flight_of(show, seconds)
    shares = np.linspace(0.0, 1.0, round(seconds * FRAMES_A_SECOND))
    ways = [flight.at(float(share)) for share in shares]
    eye = np.array([way.eye for way in ways])
    reach = np.linalg.norm(eye - [way.focus for way in ways], axis=1)
    step = np.linalg.norm(np.diff(eye, axis=0), axis=1)
    # from picture to picture never more than a share of how far away the eye is from what it looks at
    assert (step / reach[1:]).max() < 0.17 * 20.0 / min(seconds, 20.0)
    # nor does a step differ much from the one before: a jump would
    jerk = np.linalg.norm(np.diff(eye, n=2, axis=0), axis=1)
    assert (jerk / reach[1:-1]).max() < 0.0165 * (20.0 / min(seconds, 20.0)) ** 2
    towards = np.array([way.focus for way in ways]) - eye
    towards /= np.linalg.norm(towards, axis=1, keepdims=True)
    turned = np.arccos(np.clip(np.einsum("ij,ij->i", towards[1:], towards[:-1]), -1.0, 1.0))
    assert np.rad2deg(turned.max()) < 1.8 * 20.0 / min(seconds, 20.0)


def test_the_flight_ends_at_the_slab(show):
    flight = flight_of(show, 20.0)
    for share in (LANDED, 0.9, 1.0):
        assert flight.at(share).distance == pytest.approx(show.section.distance[show.slab], rel=0, abs=1e-6)
        assert np.linalg.norm(flight.at(share).focus) < 1e-6
    assert flight.at(1.0).eye[2] > 2.0


def test_on_its_way_the_flight_goes_at_the_speed_of_a_train(show):
    flight = flight_of(show, 20.0)
    way = abs(flight.at(0.42).distance - flight.at(0.32).distance)
    assert 10.0 < way / 2.0 < 60.0  # m/s; faster, slabs of 5 m would seem to stand still at 24 pictures a second


def test_captions_say_place_colours_exaggeration_and_what_is_known_how(show):
    flight = flight_of(show, 20.0)
    for share in np.linspace(0.0, 1.0, 101).tolist():
        caption = caption_at(show, flight, share)
        assert caption.where
        assert ("true size" in caption.exaggeration.lower()) == (factor_at(show.factor, share) < 1.01)
        layers = LAYERS[0] <= share < LAYERS[1]
        assert bool(caption.colours) != layers
        if not layers:
            assert MEASURED in caption.known
            assert COMPUTED in caption.known
    assert caption_at(show, flight, 0.05).title
    assert "3 of them out of place" in caption_at(show, flight, 0.05).where
    assert caption_at(show, flight, 0.4).where.startswith("Kilometre 27.")
    assert caption_at(show, flight, 1.0).story == tuple(slab_words(show, show.slab))
    assert "50 times" in caption_at(show, flight, 1.0).exaggeration


def test_the_eye_rests_while_the_last_words_are_read(show):
    flight = flight_of(show, 20.0)
    for share in (RESTING, 0.96, 1.0):
        np.testing.assert_array_equal(flight.at(share).eye, flight.at(1.0).eye)
    assert np.linalg.norm(flight.at(RESTING - 0.01).eye - flight.at(1.0).eye) > 1e-4
    assert caption_at(show, flight, RESTING).story
    assert factor_at(50.0, RESTING) == factor_at(50.0, 1.0)


def test_a_lowered_bed_is_told(show):
    slabs = np.arange(len(show.section))
    lowest = -np.nanmin(show.section.corner_deviation_mm[..., 2]) * 0.001
    lowered = lowered_by(show, slabs, 50.0)
    assert lowered == pytest.approx(50.0 * lowest - show.sizes.mortar, rel=0, abs=1e-9)
    assert lowered > 0.05
    assert lowered_by(show, slabs, 1.0) == 0.0
    flight = flight_of(show, 20.0)
    words = lowered_words(lowered, why=False)
    assert f"; {words}" in caption_at(show, flight, 0.3, lowered).exaggeration
    assert "lower" not in caption_at(show, flight, 0.3).exaggeration


def test_the_ground_has_one_edge_at_each_joint(show):
    slabs = np.arange(show.slab - 5, show.slab + 6)
    points, _ = ground_body(show, slabs, show.section.target_position[show.slab])
    ends = points.reshape(-1, 2, 2, 3)
    np.testing.assert_allclose(ends[1:, 0], ends[:-1, 1], rtol=0, atol=1e-12)


def test_layers_come_apart_only_at_true_size_and_go_together_again(show):
    shares = np.linspace(0.0, 1.0, 2001)
    apart = np.array([apart_at(share) for share in shares])
    factor = np.array([factor_at(50.0, share) for share in shares])
    assert apart.max() == 1.0
    assert apart[0] == apart[-1] == 0.0
    assert (factor[apart > 0.0] < 1.01).all()
    assert (apart[shares >= TOLD_FROM] == 0.0).all()
    assert np.abs(np.diff(np.log(factor))).max() < 0.1
    assert np.abs(np.diff(apart)).max() < 0.03


def test_sizes_are_whole_blocks_and_print_resolution():
    assert film_size((1281, 719)) == (1296, 720)
    assert still_size(300) == (3300, 1856)  # 11 inches by 6.19


# --- labels --------------------------------------------------------------------------------------------------------


def no_two_overlap(boxes_: list[tuple[float, float, float, float]]) -> bool:
    return all(a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1] for a, b in combinations(boxes_, 2))


@given(st.lists(st.tuples(st.floats(0, 700), st.floats(0, 700)), min_size=2, max_size=7, unique=True))
def test_lines_of_labels_never_cross_and_labels_never_overlap(holds):
    placed = leaders(holds, [(200.0, 30.0 + 10.0 * (k % 2)) for k in range(len(holds))], 800.0, 60.0, 660.0, 10.0)
    assert no_two_overlap([leader.box for leader in placed])
    for one, other in combinations(placed, 2):
        assert not crossing(*map(np.array, (one.start, one.end, other.start, other.end)))
    for leader in placed:
        assert leader.end[0] < leader.box[0]
        assert leader.box[1] < leader.end[1] < leader.box[3]


def test_lines_that_cross_are_seen():
    a, b, c, d = map(np.array, ([0.0, 0.0], [2.0, 2.0], [0.0, 2.0], [2.0, 0.0]))
    assert crossing(a, b, c, d)
    assert not crossing(a, c, b, d)


# --- bodies --------------------------------------------------------------------------------------------------------


def test_bodies_are_closed_and_face_outwards(show, palette):
    box_points, box_faces = boxes([[1.0, 2.0, 3.0]], [0.5, 1.0, 1.5])
    assert signed_volume(box_points, box_faces) == pytest.approx(6.0, rel=0, abs=1e-12)
    ring = np.array([[-1.0, -0.5], [1.0, -0.5], [1.0, 0.5], [-1.0, 0.5]])
    line = np.column_stack([np.zeros(4), np.arange(4.0), np.zeros(4)])
    swept = sweep(ring, line, np.tile([1.0, 0.0, 0.0], (4, 1)), np.tile([0.0, 0.0, 1.0], (4, 1)))
    assert signed_volume(*swept) == pytest.approx(6.0, rel=0, abs=1e-12)
    for part in parts_of(show, palette, show.slab):
        edges = np.sort(np.concatenate([part.faces[:, [0, 1]], part.faces[:, [1, 2]], part.faces[:, [2, 0]]]), axis=1)
        assert (np.unique(edges, axis=0, return_counts=True)[1] == 2).all(), part.name
        assert signed_volume(part.points, part.faces) > 0.0, part.name


def test_a_rail_has_the_section_of_its_kind():
    line = np.column_stack([np.zeros(3), np.arange(3.0), np.zeros(3)])
    points, faces = rail_body(line, np.tile([0.0, 0.0, 1.0], (3, 1)))
    # 60E1: 76.7 cm^2, 172 mm high, foot 150 mm (EN 13674-1, from memory); drawn with straight edges
    assert signed_volume(points, faces) / 2.0 * 1e4 == pytest.approx(76.7, rel=0, abs=8.0)
    assert np.ptp(points, axis=0) == pytest.approx([0.150, 2.0, 0.172], rel=0, abs=1e-9)


def test_layers_lie_on_each_other(show, palette):
    parts = {part.name: part for part in parts_of(show, palette, show.slab, cut=False)}
    kind, sizes = show.kind, show.sizes
    top = {name: part.points[:, 2].max() for name, part in parts.items()}
    low = {name: part.points[:, 2].min() for name, part in parts.items()}
    assert top["slab"] == pytest.approx(0.0, rel=0, abs=1e-12)
    assert low["slab"] == pytest.approx(top["mortar"], rel=0, abs=1e-12)
    assert top["mortar"] - low["mortar"] == pytest.approx(0.055, rel=0, abs=1e-12)
    assert low["mortar"] == pytest.approx(top["bed"], rel=0, abs=1e-12)
    assert low["anchor"] == pytest.approx(top["bed"], rel=0, abs=1e-12)
    assert low["fastener"] == pytest.approx(0.0, rel=0, abs=1e-12)
    assert top["rail"] == pytest.approx(kind.rail_height, rel=0, abs=1e-12)
    assert low["rail"] == pytest.approx(kind.rail_height - 0.172, rel=0, abs=1e-12)
    assert np.ptp(parts["bed"].points[:, 0]) == pytest.approx(sizes.width, rel=0, abs=1e-12)
    order = [parts[name].lift for name in ("bed", "mortar", "slab", "fastener", "rail")]
    assert order == sorted(set(order))


def test_there_is_a_fastener_at_every_seat(show):
    points, faces = fastener_body(show.kind, 1.5)
    assert len(faces) == 3 * 12 * 2 * len(show.kind.seats)
    assert points[:, 1].max() > max(show.kind.seats)


# --- arrays of the page --------------------------------------------------------------------------------------------


def test_arrays_of_the_page_are_those_of_the_mesh(show):
    web = web_section(show)
    plain = simpler(show.section, notches=True)
    origin = show.section.target_position[show.slab]
    target = slab_mesh(plain, layer=show.layer, factor=0.0, origin=origin)
    drawn = slab_mesh(plain, layer=show.layer, factor=show.factor, origin=origin)
    arrays = web.arrays
    assert np.abs(arrays["base"] - target.points).max() < 1e-4  # 32 bits, 1.2 km from the origin
    exaggerated = arrays["base"].astype(np.float64) + show.factor * arrays["shift"].astype(np.float64)
    assert np.abs(exaggerated - drawn.points).max() < 1e-4
    assert (arrays["faces"] == target.faces).all()
    assert (arrays["slab"] == target.slab_of_point).all()
    known = np.isfinite(target.value_of_point)
    share = np.clip(target.value_of_point[known] / show.layer.scale.high, -1.0, 1.0)
    assert np.abs(arrays["share"][known] - share).max() < 1e-6
    assert (arrays["share"][~known] == NO_VALUE).all()
    assert not known.all()
    assert all(np.isfinite(array).all() for array in arrays.values())
    assert web.slabs[web.shown]["name"] == "Q0137"
    assert set(np.unique(arrays["around_key"]).astype(int)) == set(range(len(SURROUNDINGS)))
    assert web.left_out == ""
    # what the plan moves, at its place after the moves
    moved = arrays["moved"]
    assert set(arrays["slab"][moved].astype(int)) == set(np.flatnonzero(show.moved))
    of_moved = np.flatnonzero(show.moved)
    after = slab_mesh(simpler(show.after, notches=True), of_moved, factor=1.0, origin=web.origin).points
    np.testing.assert_allclose(arrays["base"][moved] + arrays["moved_shift"], after, rtol=0, atol=2e-4)  # float32, 1 km
    worst = arrays["slab"][moved] == show.slab
    assert np.abs(arrays["moved_share"][worst]).max() < np.abs(arrays["share"][moved][worst]).max() / 2.0


def test_simpler_outlines_keep_within_a_centimetre(show):
    import shapely

    fine = simpler(show.section, notches=True)
    for given_ring, ring in zip(show.section.outlines, fine.outlines, strict=True):
        assert len(ring) < len(given_ring)
        assert shapely.Polygon(given_ring).hausdorff_distance(shapely.Polygon(ring)) <= 0.0101


def test_boxes_for_picking_hold_their_slabs(show):
    arrays = web_section(show).arrays
    slab = arrays["slab"].astype(int)
    local = np.einsum("pij,pi->pj", arrays["axes"][slab], arrays["base"] - arrays["centre"][slab])
    half = arrays["half"][slab]
    assert (np.abs(local[:, :2]) <= half[:, :2] + 1e-3).all()
    assert (np.abs(local[:, 2] + half[:, 2]) <= half[:, 2] + 1e-3).all()
    # and they go with their slabs
    pose = np.zeros((1, 1, 3))
    assert movement_rows(pose).shape[-2:] == (3, 6)
    lift = arrays["offset"][show.slab] @ show.section.target_rotation[show.slab]
    assert lift[2] * 1000.0 == pytest.approx(np.nanmean(show.section.quantity("up")[show.slab]), rel=0, abs=0.02)


def test_of_a_long_section_the_part_around_the_slab_is_shown_and_said(show):
    web = web_section(show, most=40)
    assert len(web.slabs) == 40
    assert web.slabs[web.shown]["name"] == "Q0137"
    assert web.left_out.startswith("Of 269 slabs the 40 around slab Q0137 are shown.")
