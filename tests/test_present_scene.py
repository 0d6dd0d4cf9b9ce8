"""The scene for guests, before anything is drawn: its colours, its bodies, the arrays of the page."""

import numpy as np
import pytest
from project_copies import change, copy_of_demo
from shown_demo import demo_show

from geometry.errors import InputError
from geometry.exchange.presentation_settings import (
    ACCENTS,
    LEAST_CONTRAST,
    PAPERS,
    PresentationSettings,
    contrast,
    luminance,
)
from geometry.exchange.project import open_project
from geometry.survey import movement_rows
from viewer.mesh import slab_mesh
from viewer.present.bodies3d import boxes, fastener_body, rail_body, sweep
from viewer.present.palette import palette_of
from viewer.present.parts import parts_of
from viewer.present.show import show_of
from viewer.present.web_data import NO_VALUE, SURROUNDINGS, simpler, web_section
from viewer.running import check_of


@pytest.fixture(scope="module")
def show():
    return demo_show()


@pytest.fixture(scope="module", params=[False, True], ids=["light", "dark"])
def palette(request):
    return palette_of(PresentationSettings(), dark=request.param)


def signed_volume(points: np.ndarray, faces: np.ndarray) -> float:
    """Volume inside triangles, positive if they face outwards: the divergence theorem."""
    a, b, c = (points[faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


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
