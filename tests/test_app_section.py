"""What the browser app draws along the line: the section, its charts, and the far slabs of the 3D view."""

from __future__ import annotations

import re

import numpy as np
import pytest
from app_pieces import edition_of, parsed
from project_copies import copy_of_demo

from viewer.app.book import Edition
from viewer.app.charts_svg import charts_svg
from viewer.app.choice import Choice, window_of
from viewer.app.far_slabs import GROUP, NEAR, far_plates
from viewer.app.markup import fills
from viewer.app.section_svg import LEFT, RIGHT, cells_of, line_svg, stretch_svg, ticks
from viewer.chart_data import panels_of
from viewer.mesh import slab_vertices
from viewer.section import OUT


@pytest.fixture(scope="module")
def edition(tmp_path_factory: pytest.TempPathFactory) -> Edition:
    return edition_of(copy_of_demo(tmp_path_factory.mktemp("app")))


def test_each_slab_of_the_stretch_lies_at_its_chainage(edition: Edition) -> None:
    layer = edition.layers("up")[0]
    slab = edition.section.slab("Q0137")
    choice = Choice(slab=slab, span=120.0)
    low, high = window_of(edition, choice)
    tree = parsed(stretch_svg(edition, layer, choice, (low, high), 1000.0))
    options = [g for g in tree.iter("g") if g.get("role") == "option"]
    per = (1000.0 - LEFT - RIGHT) / (high - low)
    shades = fills(cells_of(layer), layer.scale)
    checked = 0
    for option in options:
        at = int(option.get("data-slab", ""))
        rects = list(option.iter("rect"))
        left = min(float(r.get("x", "")) for r in rects)
        wanted = LEFT + (edition.section.distance[at] - edition.section.size[at, 1] / 2 - low) * per
        if wanted > LEFT:
            assert left == pytest.approx(wanted, abs=0.06)
            # left of the track on top; chainage to the right
            places = {
                (r.get("y") == min(q.get("y", "") for q in rects), float(r.get("x", "")) > left): r for r in rects
            }
            assert places[True, False].get("fill") == shades[4 * at]  # back left
            assert places[False, True].get("fill") == shades[4 * at + 3]  # forward right
            checked += 1
    assert checked > 15
    (chosen,) = [o for o in options if o.get("aria-selected") == "true"]
    assert chosen.get("aria-label") == "Q0137, out, +3.6 mm"


def test_cells_are_the_corners_of_the_field(edition: Edition) -> None:
    layer = edition.layers("up")[0]
    slab = edition.section.slab("Q0182")
    assert layer.field is not None
    np.testing.assert_array_equal(cells_of(layer)[slab], layer.field[slab])
    # high on the left, low on the right: the moves of the README's table undo it
    assert (cells_of(layer)[slab][:, 0] > 2.0).all()
    assert (cells_of(layer)[slab][:, 1] < -2.0).all()


def test_cells_of_the_rail_hold_the_furthest_values(edition: Edition) -> None:
    layer = edition.layers("rail")[0]
    assert layer.rails is not None
    cells = cells_of(layer)
    known = np.isfinite(layer.worst)
    furthest = layer.scale.extreme(cells, axis=(1, 2))
    assert known.any()
    np.testing.assert_allclose(np.abs(layer.scale.share(furthest[known])), layer.amount[known], rtol=0, atol=1e-12)


def test_coarse_columns_hide_no_slab_that_is_out(edition: Edition) -> None:
    layer = edition.layers("up")[0]
    choice = Choice(slab=0, span=0.0)
    window = window_of(edition, choice)
    for width in (390.0, 1000.0):
        for drawn in (
            stretch_svg(edition, layer, choice, window, width), line_svg(edition, layer, choice, window, width),
        ):  # fmt: skip
            worst = fills([layer.worst[edition.section.slab("Q0137")]], layer.scale)[0]
            assert worst in drawn
            assert drawn.count("<polygon") >= int((layer.verdict == OUT).sum())


def test_ticks_never_meet_and_are_true(edition: Edition) -> None:
    section = edition.section
    for span in (60.0, 250.0, 1400.0):
        low = float(section.distance[40])
        marks, words = ticks(edition, low, low + span, 700.0)
        assert len(words) >= 2
        assert (np.diff(marks) / span * 700.0 > 60.0).all()
        for mark, word in zip(marks.tolist(), words, strict=True):
            km, m = word.split("+")
            assert float(edition.project.count.to_chainage(mark)) == pytest.approx(1000 * int(km) + int(m), abs=1e-3)


def test_charts_draw_values_at_their_height(edition: Edition) -> None:
    project = edition.project
    span = (100.0, 400.0)
    panels = panels_of(project.alignment, ("cant",), span, project=project, check=edition.check)
    tree = parsed(charts_svg(edition, panels, Choice(slab=20), span, 800.0))
    lines = [p for p in tree.iter("path") if p.get("stroke-width") == "1.8"]
    assert len(lines) == 1
    points = np.array([p.split(" ") for p in re.findall(r"[\d.]+ [\d.]+", lines[0].get("d", ""))], dtype=float)
    assert points[:, 0].min() == pytest.approx(LEFT, abs=0.1)
    assert points[:, 0].max() == pytest.approx(800.0 - RIGHT, abs=0.1)
    # height is linear in the value: the cant of the demo grows along the transition
    at = np.searchsorted(panels[0].series[0].distance, span[0] + (points[:, 0] - LEFT) / (800 - LEFT - RIGHT) * 300)
    value = panels[0].series[0].value[np.clip(at, 0, len(panels[0].series[0].value) - 1)]
    assert np.ptp(value) > 20.0
    assert np.corrcoef(points[:, 1], value)[0, 1] == pytest.approx(-1.0, abs=1e-4)


def test_plates_cover_all_slabs_once(edition: Edition) -> None:
    section, layer = edition.section, edition.layers("up")[0]
    whole = np.arange(10, 22)
    origin = section.target_position[12]
    points, faces, values, slabs = far_plates(section, layer, 12, whole, 100.0, origin)
    assert len(points) == 4 * len(slabs) == len(values)
    assert len(faces) == 2 * len(slabs)
    assert not np.isin(slabs, whole).any()
    near = np.flatnonzero(np.abs(np.arange(len(section)) - 12) <= NEAR)
    assert np.isin(np.setdiff1d(near, whole), slabs).all()
    assert len(slabs) <= len(near) + len(section) // GROUP + 2
    # a plate lies where its slab is drawn
    at = int(np.flatnonzero(slabs == 60)[0])
    assert layer.field is not None
    low = section.outlines[section.type_index[60]].min(axis=0)
    placed = slab_vertices(section, np.array([60]), np.array([[*low, 0.0]]), factor=100.0, origin=origin)[0][0, 0]
    np.testing.assert_allclose(points[4 * at], placed, rtol=0, atol=1e-9)
    assert values[4 * at] == layer.field[60, 0, 0]
