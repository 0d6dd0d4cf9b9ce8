"""The values of a layer in the flat picture: bars and plans of slabs, lines of rails, arrows of moves."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.colours import CONCRETE, INK, PAPER, UNKNOWN, colours
from viewer.flat_lanes import ARROW_ROOM, LEFT, RIGHT, TOP, Chart, Lanes
from viewer.layer import Layer, RailTrace
from viewer.rows import Rows
from viewer.section import Section
from viewer.sheet import Sheet
from viewer.thinning import representatives, thinned_rails

__all__ = ["draw_values", "line_words"]

Floats = NDArray[np.float64]


def _quads(axes: Any, corners: Floats, fill: Floats | str, **style: Any) -> None:
    """Add many quadrilaterals, corners (n, 4, 2), as one collection."""
    from matplotlib.collections import PolyCollection

    if len(corners):
        polygons: Any = corners
        axes.add_collection(PolyCollection(polygons, facecolors=fill, **({"linewidths": 0.0} | style)), autolim=False)


def _spanned(x0: Any, x1: Any, y0: Any, y1: Any) -> Floats:
    """Return the corners of rectangles, shape (n, 4, 2)."""
    x0, x1, y0, y1 = np.broadcast_arrays(x0, x1, y0, y1)
    return np.stack([np.stack([x0, x1, x1, x0], axis=-1), np.stack([y0, y0, y1, y1], axis=-1)], axis=-1)


def draw_values(sheet: Sheet, section: Section, layer: Layer, rows: Rows, lanes: Lanes) -> int:
    """Draw bars and plan of the slabs, or flat slabs below the rails; return how many slabs one of them stands for."""
    scale = (RIGHT - LEFT) / rows.length
    shown = representatives(section, rows, layer.amount, int(RIGHT - LEFT))
    top: Floats = TOP + rows.row(section.distance[shown]).astype(np.float64) * lanes.pitch
    middle = LEFT + rows.place(section.distance[shown]) * scale
    # Ends of neighbours stay apart by their joint, but no slab gets so thin that it vanishes.
    half = np.maximum(0.5 * scale * section.size[shown, 1], 0.5)
    joint = 0.35 if half.min() > 1.5 else 0.0
    back, forward = middle - half + joint, middle + half - joint
    plan0, plan1 = (top + edge for edge in lanes.plan)
    wide = half.min() > 2.0
    if layer.field is None:
        assert layer.rails is not None  # a layer has either
        _quads(sheet.axes, _spanned(back, forward, plan0, plan1), CONCRETE, zorder=3)
        _draw_rails(sheet, layer, layer.rails, rows, lanes)
    else:
        field, known = layer.field[shown], layer.known[shown]
        _draw_bars(sheet, layer, field[known], back[known], forward[known], top[known], lanes, wide=wide)
        if not joint:  # too thin for quarters: the sides as a whole
            left, right = np.array_split(field, [field.shape[2] // 2], axis=2)
            field = np.stack([layer.scale.extreme(side, (1, 2)) for side in (left, right)], axis=1)[:, None]
        hatch = {"hatch": "////", "edgecolors": PAPER} if wide else {}
        cells = field[known]
        across, along = _edges(cells.shape[2]), _edges(cells.shape[1])
        for place in np.ndindex(cells.shape[1:]):
            x0, x1 = (back[known] + at * (forward - back)[known] for at in along[place[0] : place[0] + 2])
            y0, y1 = (plan0[known] + at * (plan1 - plan0)[known] for at in across[place[1] : place[1] + 2])
            value, boxes = layer.scale.share(cells[:, *place]), _spanned(x0, x1, y0, y1)
            found = np.isfinite(value)
            _quads(sheet.axes, boxes[found], colours(value[found], 1.0), zorder=3)
            _quads(sheet.axes, boxes[~found], UNKNOWN, zorder=3, **hatch)
        _quads(sheet.axes, _spanned(back, forward, plan0, plan1)[~known], UNKNOWN, zorder=3, **hatch)
    if wide:
        _quads(sheet.axes, _spanned(back, forward, plan0, plan1), "none", edgecolors=INK, linewidths=0.35, zorder=4)
    _draw_arrows(sheet, section, layer, rows, lanes)
    return round(len(section) / len(shown))


def _edges(count: int) -> Floats:
    """Return where cells around equally spaced points end, as parts of the way from the first point to the last."""
    if count == 1:
        return np.array([0.0, 1.0])
    inner: Floats = (np.arange(count - 1) + 0.5) / (count - 1)
    return np.concatenate([[0.0], inner, [1.0]])


def _draw_bars(
    sheet: Sheet, layer: Layer, field: Floats, back: Floats, forward: Floats, top: Floats, lanes: Lanes, *, wide: bool
) -> None:
    """Draw a bar from the middle of the scale for each slab: at each place along it the value furthest out."""
    chart = Chart.of(layer, lanes)
    larger = layer.scale.extreme(field, 2)
    zero = top + chart.zero
    height = layer.scale.height(larger)
    reach = zero[:, None] - np.nan_to_num(height) * chart.unit
    share = np.linspace(0.0, 1.0, field.shape[1])
    along = back[:, None] + share * (forward - back)[:, None]
    outline = np.stack([np.column_stack([back, along, forward]), np.column_stack([zero, reach, zero])], axis=2)
    counted = layer.scale.extreme(larger) if field.shape[1] > 2 else larger.mean(axis=1)
    fill = colours(layer.scale.share(counted), 1.0)
    _quads(sheet.axes, outline, fill, edgecolors=INK, linewidths=0.25 if wide else 0.0, zorder=3)
    furthest = layer.scale.extreme(larger)
    cut = np.abs(layer.scale.share(furthest)) > 1.0
    slit = zero[cut] - 0.82 * layer.scale.height(furthest[cut]) * chart.unit
    if field.shape[1] == 2:
        _quads(sheet.axes, _spanned(back[cut], forward[cut], slit - 1.2, slit + 1.2), PAPER, zorder=3.5)


def _rail_lines(layer: Layer) -> tuple[tuple[str, Any], ...]:
    """Return name and line style of each rail of a layer."""
    rails = layer.rails
    if rails is None or rails.value_mm.shape[1] == 1:
        return (("", "-"),)
    return ("left", "-"), ("right", (0, (1.6, 1.1)))


def _draw_rails(sheet: Sheet, layer: Layer, rails: RailTrace, rows: Rows, lanes: Lanes) -> None:
    """Draw each rail as a line in the chart, and in its colour along the slabs in plan."""
    from matplotlib.collections import LineCollection

    chart, scale = Chart.of(layer, lanes), (RIGHT - LEFT) / rows.length
    plan0, plan1 = lanes.plan
    columns = int(RIGHT - LEFT)
    crowded = len(rails.distance) * 2 > rows.count * columns
    if crowded:  # lines would be clouds: the height of each column is the rail further out
        start, end, worse, _ = thinned_rails(rails.together(layer.scale), 0, layer.scale, rows, columns)
        row = rows.row(0.5 * (start + end))
        x0, x1 = (LEFT + (at - rows.start - row * rows.length) * scale for at in (start, end))
        zero = TOP + row * lanes.pitch + chart.zero
        known = np.isfinite(worse)
        boxes = _spanned(x0, x1 + 0.1, zero, zero - np.nan_to_num(layer.scale.height(worse)) * chart.unit)[known]
        _quads(sheet.axes, boxes, colours(layer.scale.share(worse[known]), 1.0), zorder=3)
    for which, (_, style) in enumerate(_rail_lines(layer)):
        start, end, first, last = thinned_rails(rails, which, layer.scale, rows, columns)
        row = rows.row(0.5 * (start + end))
        top = TOP + row * lanes.pitch
        x0, x1 = (LEFT + (at - rows.start - row * rows.length) * scale for at in (start, end))
        known = np.isfinite(first) & np.isfinite(last)
        heights = [top - layer.scale.height(value) * chart.unit + chart.zero for value in (first, last)]
        lines: Any = np.stack([np.stack([x0, heights[0]], axis=1), np.stack([x1, heights[1]], axis=1)], axis=1)[known]
        if not crowded:
            sheet.axes.add_collection(_run_together(LineCollection, lines, style))
        parts = len(_rail_lines(layer))
        middle = plan0 + (plan1 - plan0) * (0.5 if parts == 1 else (0.22, 0.78)[which])
        half = min(0.17 * (plan1 - plan0), 7.0) * (1.5 if parts == 1 else 1.0)
        value = layer.scale.extreme(np.stack([first, last], axis=1))
        boxes = _spanned(x0, x1 + 0.1, top + middle - half, top + middle + half)
        _quads(sheet.axes, boxes[known], colours(layer.scale.share(value[known]), 1.0), zorder=4.2)
        hatch = {"hatch": "////", "edgecolors": PAPER} if len(x0) and float(np.median(x1 - x0)) > 4.0 else {}
        _quads(sheet.axes, boxes[~known], UNKNOWN, zorder=4.2, **hatch)


def _run_together(kind: Any, lines: Floats, style: Any) -> Any:
    """Return lines of which one begins where another ends as runs, so that a dashed style goes on over them."""
    if not len(lines):
        return kind([], zorder=5)
    breaks = np.flatnonzero(np.abs(lines[1:, 0] - lines[:-1, 1]).max(axis=1) > 0.5) + 1
    stepped = [np.concatenate([run[:, 0], run[-1:, 1]]) for run in np.split(lines, breaks)]
    return kind(stepped, colors=INK, linewidths=1.1, linestyles=[style], zorder=5)


def _draw_arrows(sheet: Sheet, section: Section, layer: Layer, rows: Rows, lanes: Lanes) -> None:
    """Draw lifts as arrows from zero in the chart, and pushes as open arrows on the slabs in plan."""
    scale = (RIGHT - LEFT) / rows.length
    if layer.arrows is None or scale * float(np.median(section.size[:, 1])) < ARROW_ROOM:
        return
    chart = Chart.of(layer, lanes)
    lifts, pushes = layer.arrows.by_end(section)
    slab, along, value = lifts
    x = LEFT + (rows.place(section.distance[slab]) + along) * scale
    zero: Floats = TOP + rows.row(section.distance[slab]).astype(np.float64) * lanes.pitch + chart.zero
    height = layer.scale.height(value) * chart.unit
    height = np.sign(height) * np.maximum(np.abs(height), 6.0)
    _arrow_shapes(sheet, x, zero, zero - height, 5.0, INK, INK, 5.0)
    slab, along, value = pushes
    x = LEFT + (rows.place(section.distance[slab]) + along) * scale
    row: Floats = TOP + rows.row(section.distance[slab]).astype(np.float64) * lanes.pitch
    middle, half = row + 0.5 * sum(lanes.plan), 0.5 * (lanes.plan[1] - lanes.plan[0]) - 2.5
    way = np.sign(value) * min(half, 9.0)
    _arrow_shapes(sheet, x, middle - way, middle + way, 7.0, PAPER, INK, 5.0)


def _arrow_shapes(
    sheet: Sheet, x: Floats, start: Floats, end: Floats, width: float, face: str, edge: str, zorder: float
) -> None:
    """Draw upright arrows from ``start`` to ``end``, ``width`` steps wide."""
    way = np.sign(end - start)
    neck = end - way * np.minimum(np.abs(end - start), 6.0)
    thin = 0.5 if face == edge else 0.16 * width
    wide = 0.5 * width
    outline = np.stack(
        [
            np.stack([x - thin, x - thin, x - wide, x, x + wide, x + thin, x + thin], axis=1),
            np.stack([start, neck, neck, end, neck, neck, start], axis=1),
        ],
        axis=2,
    )
    _quads(sheet.axes, outline, face, edgecolors=edge, linewidths=0.8, zorder=zorder)


def line_words(layer: Layer) -> str:
    """Return how the lines of the rails are told apart."""
    names = [name for name, _ in _rail_lines(layer) if name]
    return f"the rails, {names[0]} solid and {names[1]} dotted" if names else "of both rails together"
