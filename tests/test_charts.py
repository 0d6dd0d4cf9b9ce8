"""Charts along the line: what is drawn is what was computed, and it can be read."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from project_copies import DEMO, copy_of_demo, run

from geometry.alignment import evaluate
from geometry.exchange.project import Project, open_project
from geometry.exchange.review_section import review_of
from geometry.exchange.rules_files import shipped_limits
from viewer.chart_data import PANELS, panels_of
from viewer.charts import chart_figure
from viewer.running import check_of


@pytest.fixture(scope="module")
def project() -> Project:
    return open_project(DEMO)


def drawn(project: Project, span: tuple[float, float] = (0.0, 1500.0), speed: float | None = 250.0):  # type: ignore[no-untyped-def]
    _, check = check_of(project, (), None)
    panels = panels_of(
        project.alignment, PANELS, span, project=project, check=check, speed=speed, limits=shipped_limits()
    )
    structures = [(s.name, s.kind, s.start, s.end) for s in project.spans]
    figure = chart_figure(panels, project.count, span, "title", "subtitle", structures)
    return panels, figure, check


def test_series_are_the_values_of_the_design(project: Project) -> None:
    panels, _, check = drawn(project)
    by_title = {panel.title: panel for panel in panels}
    assert len(panels) == len(PANELS) + 1  # cant and its deficiency
    series = by_title["Curvature"].series[0]
    line = evaluate(project.alignment, series.distance)
    np.testing.assert_allclose(series.value, line.curvature * 1e3, rtol=0, atol=1e-12)
    # both sides of every joint are there: a step of the curvature would be upright
    for edge in project.alignment.track.starts[1:-1]:
        assert np.abs(series.distance - edge).min() < 2e-6
    lacking = by_title["Cant deficiency at 250 km/h"].series[0]
    # 11.8 V^2 / R less the cant, in mm and km/h, + on either hand where cant is lacking
    for place, radius, cant in ((500.0, 5200, 130), (1050.0, 6400, 105)):
        here = np.searchsorted(lacking.distance, place)
        assert lacking.value[here] == pytest.approx(11.8 * 250**2 / radius - cant, abs=1e-6)
    assert by_title["Cant deficiency at 250 km/h"].limits == ((130.0, "130 normal"),)
    assert "153 exceptional" in by_title["Cant deficiency at 250 km/h"].sign  # too far out to be drawn
    assert dict(by_title["Cant"].limits) == {
        160.0: "160 normal", -160.0: "\u2212160 normal", 180.0: "180 exceptional", -180.0: "\u2212180 exceptional",
    }  # fmt: skip
    assert [text for _, _, text in by_title["Cant"].words] == [
        "0", "linear", "+130", "linear", "\u2212105", "bloss", "0"
    ]  # fmt: skip
    up = by_title["Deviation, built less target, worst corner"].series[0]
    np.testing.assert_array_equal(up.value, check.by_tolerance["up"].value * 1e3)
    assert np.isnan(up.value[project.layout.names == "Q0318"]).all()  # not measured: nothing is drawn there


def test_gaps_are_only_those_within_a_span(project: Project) -> None:
    panels, _, _ = drawn(project)
    gaps = next(panel for panel in panels if panel.title.startswith("Joint gaps"))
    known = np.isfinite(gaps.series[0].value)
    assert known.sum() == (project.layout.span[1:] == project.layout.span[:-1]).sum()
    assert gaps.series[0].value[known].min() > 60
    assert gaps.series[0].value[known].max() < 100


def test_mortar_is_that_of_the_designed_bed(project: Project) -> None:
    panels, _, _ = drawn(project)
    mortar = next(panel for panel in panels if panel.title == "Mortar by design")
    thickest, thinnest = (series.value for series in mortar.series)
    thickness = review_of(project).thickness.reshape(-1, 6) * 1e3
    np.testing.assert_array_equal(thickest, thickness.max(axis=1))
    np.testing.assert_array_equal(thinnest, thickness.min(axis=1))
    assert mortar.limits == ((40.0, "40 smallest"), (75.0, "75 largest"))
    assert mortar.sign == "bed by design, parallel to the track"
    gaps = next(panel for panel in panels if panel.title.startswith("Joint gaps"))
    # what the edges may have, not what the layout aims at in the middle
    assert gaps.limits == ((60.0, "60 smallest"), (100.0, "100 largest"))


def test_spans_in_a_row_share_a_name(project: Project) -> None:
    _, figure, _ = drawn(project)
    names = [text.get_text() for text in figure.axes[0].texts]
    assert "Tarn G1 to 12" in names
    assert "Hollowgate tunnel" in names
    _, figure, _ = drawn(project, (320.0, 480.0))
    names = [text.get_text() for text in figure.axes[0].texts]
    assert "Tarn G3" in names


@pytest.mark.parametrize("speed", [None, 350.0])
@pytest.mark.parametrize("span", [(0.0, 1500.0), (450.0, 900.0), (20.0, 60.0)])
def test_words_do_not_meet(project: Project, span: tuple[float, float], speed: float | None) -> None:
    _, figure, _ = drawn(project, span, speed)
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    page = figure.bbox
    boxes = []
    for axes in figure.axes:
        marks = axes.get_xticklabels() if axes.axison else []
        for text in [*axes.texts, *marks, axes.title, axes._left_title]:
            if text.get_text().strip() and text.get_visible():
                box = text.get_window_extent(renderer)
                assert page.x0 <= box.x0, text.get_text()
                assert box.x1 <= page.x1 + 1, text.get_text()
                boxes.append((text.get_text(), box.shrunk(0.98, 0.9)))
        if (legend := axes.get_legend()) is not None:
            boxes.append(("legend", legend.get_window_extent(renderer).shrunk(0.95, 0.6)))
    for (a, one), (b, other) in combinations(boxes, 2):
        assert not one.overlaps(other), (a, b, span)


@pytest.mark.parametrize("name", ["c.png", "c.svg", "c.pdf"])
def test_the_command_writes_a_picture(tmp_path: Path, name: str) -> None:
    answer = run(
        "chart", DEMO, "--picture", tmp_path / name, "--show", "cant", "--show", "deviations", "--speed", "250"
    )
    assert answer.status == 0
    head = (tmp_path / name).read_bytes()[:400]
    assert {"c.png": b"\x89PNG", "c.svg": b"<?xml", "c.pdf": b"%PDF"}[name] in head


def test_what_cannot_be_drawn_is_told(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    for arguments, words in (
        (("--picture", tmp_path / "c.bmp"), "ends in .png"),
        (("--picture", tmp_path / "c.png", "--from", "28+500", "--to", "28+000"), "in order"),
        (("--picture", tmp_path / "c.png", "--from", "Q9999"), "the name of a slab"),
        (("--picture", project / "horizontal.csv"), "ends in .png"),
    ):
        answer = run("chart", project, *arguments)
        assert answer.status == 2, arguments
        assert words in answer.err
    assert run("export", project, "--to", tmp_path / "line.xml").status == 0
    answer = run("chart", tmp_path / "line.xml", "--picture", tmp_path / "c.png", "--show", "gaps")
    assert answer.status == 2
    assert "slabs, which a designer's file has not" in answer.err
    assert run("chart", tmp_path / "line.xml", "--picture", tmp_path / "c.png").status == 0
