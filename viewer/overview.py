"""The whole section in rows, in three dimensions: blocks as high as the deviation.

The view is without perspective, so that every place in it is known to the step: words are set beside the
blocks by the same numbers that place the blocks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.bodies import arrow_body, symbol_body
from viewer.colours import CONCRETE, GROUND, INK, MUTED, PAPER, VERDICTS
from viewer.layer import Arrows, Layer, RailTrace, Scale
from viewer.mesh import SlabMesh, unrolled_mesh
from viewer.rows import Rows, line_of, rows_of
from viewer.section import WITHIN, Section
from viewer.stage import add_bodies, add_lines, add_values, light
from viewer.thinning import gravest, representatives, thinned_rails

__all__ = ["Overview", "Plan", "overview"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

ELEVATION = float(np.deg2rad(33.0))
"""How far the eye stands above the horizon."""
SIGHT = np.array([0.0, np.cos(ELEVATION), -np.sin(ELEVATION)])
"""From the eye onwards."""
ARROW_ROOM = 9.0
"""Slabs shorter than this in the picture carry no arrows, steps of the page."""
LEAST_FREE = 45.0
"""Rows with less room for their blocks show both rails as one, steps of the page."""
USUAL_APART = 1.5
"""Between the rails where none are drawn, m."""


@dataclass(frozen=True)
class Plan:
    """Where things lie in the overview, in steps of the page (1/100 inch) from the panel's top left corner.

    Parameters
    ----------
    width, height : float
        Of the panel.
    left, right : float
        Where rows begin and end.
    rows : Rows
    values : Scale
        Of what is drawn; heights count from its middle.
    slab_width : float
        The widest slab, m.
    walls : ndarray, shape (r,)
        Where rails stand across the track, m; empty for blocks.
    head, foot : float
        Left free at the top and bottom of the panel.
    """

    width: float
    height: float
    left: float
    right: float
    rows: Rows
    values: Scale
    slab_width: float
    walls: tuple[float, ...] = ()
    head: float = 0.0
    foot: float = 0.0

    @property
    def scale(self) -> float:
        """Steps of the page for one metre along a row."""
        return (self.right - self.left) / self.rows.length

    @property
    def pitch(self) -> float:
        """Steps from row to row."""
        return min((self.height - self.head - self.foot) / self.rows.count, 150.0)

    @property
    def free(self) -> float:
        """Steps of a row that are left for the blocks: words, symbols and structures have fixed heights."""
        return self.pitch - 50.0

    @property
    def _shares(self) -> tuple[float, float, float]:
        """Parts of the free height: slab width, range of values, and where the range's middle lies."""
        if len(self.walls) < 2:
            return 0.34, 0.62, 0.48
        # Two rails one behind the other: as far apart as the range of values is high, so that none hides the other.
        return 0.41 * self.slab_width / (max(self.walls) - min(self.walls)), 0.40, 0.42

    @property
    def width_factor(self) -> float:
        """Exaggeration across the track."""
        return float(self._shares[0] * self.free / (self.scale * np.sin(ELEVATION)) / self.slab_width)

    @property
    def height_factor(self) -> float:
        """Exaggeration of the values, against the scale along the row."""
        reach = 0.001 * (self.values.below + self.values.above)
        return float(self._shares[1] * self.free / (self.scale * np.cos(ELEVATION)) / reach)

    @property
    def guides(self) -> tuple[float, ...]:
        """Where zero and limits are drawn across the track: along the rails, or the front of the blocks, m."""
        return self.walls or (0.5 * self.slab_width,)

    def page(self, row: ArrayLike, along: ArrayLike, across: ArrayLike = 0.0, value_mm: ArrayLike = 0.0) -> Floats:
        """Return places on the panel, shape (..., 2).

        ``along`` counts from the row's beginning and ``across`` from the middle of the track, m; ``value_mm`` from
        the middle of the scale.
        """
        x = self.left + np.asarray(along) * self.scale
        depth = np.asarray(across) * self.width_factor * self.scale * np.sin(ELEVATION)
        height = np.asarray(value_mm) - 0.5 * (self.values.above - self.values.below)
        rise = 0.001 * height * self.height_factor * self.scale * np.cos(ELEVATION)
        y = self.head + np.asarray(row) * self.pitch + 15.0 + self._shares[2] * self.free + depth - rise
        return np.stack(np.broadcast_arrays(x, y), axis=-1)

    def front(self, row: ArrayLike) -> Floats:
        """Return how far down the panel the foot of a row's front lies."""
        y: Floats = self.page(row, 0.0, 0.5 * self.slab_width, self.values.floor)[..., 1]
        return y

    def place(self, row: ArrayLike, along: ArrayLike, across: ArrayLike, value_mm: ArrayLike) -> Floats:
        """Return points of the scene, shape (..., 3), m; arguments as for `page`."""
        y = -np.asarray(row) * self.pitch / (self.scale * np.sin(ELEVATION)) - np.asarray(across) * self.width_factor
        z = 0.001 * np.asarray(value_mm) * self.height_factor
        return np.stack(np.broadcast_arrays(np.asarray(along, dtype=np.float64), y, z), axis=-1)


@dataclass(frozen=True, eq=False)
class Overview:
    """An overview as it was drawn: its plan, the mesh of the blocks, the actor that shows it, and the arrows.

    Where slabs are narrower than a step of the page, the mesh holds the worst slab of each step. Arrows are points
    of the scene, from (a, 3) to (a, 3), of the slabs that are named beside them.
    """

    plan: Plan
    mesh: SlabMesh
    actor: Any
    arrow_slab: Integers
    arrow_tails: Floats
    arrow_tips: Floats


def _ground(plan: Plan, xs: ArrayLike, below: ArrayLike, row: ArrayLike) -> Floats:
    """Return points on the floor, ``below`` steps of the page in front of the foot of a row; ``xs`` in m."""
    points = plan.place(row, xs, 0.5 * plan.slab_width, plan.values.floor)
    points[..., 1] -= np.asarray(below) / (plan.scale * np.sin(ELEVATION))
    return points


def overview(
    plotter: Any,
    section: Section,
    layer: Layer,
    *,
    width: float = 1536.0,
    height: float = 380.0,
    head: float = 0.0,
    foot: float = 0.0,
    most_rows: int = 5,
    shown: NDArray[np.bool_] | None = None,
) -> Overview:
    """Draw the section unrolled in rows, chainage to the right, left side of the track at the back.

    Parameters
    ----------
    plotter : pyvista.Plotter
        Drawn into; its camera is set to a view without perspective that fits the panel.
    section : Section
    layer : Layer
        Height and colour of the blocks, or of the rails over flat slabs.
    width, height : float
        Of the panel, in steps of 1/100 inch; the window may have any multiple of it.
    head, foot : float
        Left free at the top and bottom of the panel, steps.
    most_rows : int
    shown : ndarray of bool, shape (n,), optional
        Slabs that are drawn, with their symbols; all if left out.

    Returns
    -------
    Overview
    """
    rows = rows_of(section, most_rows)
    plan = Plan(
        width, height, 92.0, width - 8.0, rows, layer.scale, float(section.size[:, 0].max()),
        _walls(section, layer.rails), head, foot,
    )  # fmt: skip
    rails = layer.rails
    if rails is not None and len(plan.walls) > 1 and plan.free < LEAST_FREE:
        # Too low for one rail behind the other.
        rails = rails.together(layer.scale)
        plan = replace(plan, walls=(0.0,))
    row_pitch = plan.pitch / (plan.scale * np.sin(ELEVATION))
    every = np.ones(len(section), dtype=bool) if shown is None else shown
    if layer.arrows is not None:
        kept = every[layer.arrows.slab]
        layer = replace(layer, arrows=Arrows(*(of[kept] for of in (
            layer.arrows.slab, layer.arrows.place, layer.arrows.move_mm))))  # fmt: skip
    # a hidden slab stands for none of its neighbours
    amount = np.where(every, np.nan_to_num(layer.amount, nan=-0.5), np.nan)
    drawn = representatives(section, rows, amount, int(plan.right - plan.left))
    mesh = unrolled_mesh(
        section, rows, layer, row_pitch=row_pitch, width_factor=plan.width_factor,
        height_factor=plan.height_factor, slabs=drawn[every[drawn]], least_length=1.0 / plan.scale,
    )  # fmt: skip
    light(plotter)
    actor = None
    if not len(mesh.faces):
        pass
    elif rails is None:
        actor = add_values(plotter, mesh.points, mesh.faces, mesh.value_of_point, layer.scale, side=0.86)
    else:
        actor = add_bodies(plotter, mesh.points, mesh.faces, CONCRETE)
        _rails(plotter, plan, layer, rails)
    _frame(plotter, plan, mesh, layer)
    _symbols(plotter, section, plan, layer, every)
    _structures(plotter, section, plan)
    _guides(plotter, section, plan, layer)
    arrows = _arrows(plotter, section, plan, layer)

    # The centre of the panel, as a point of the floor of row 0.
    middle = _ground(plan, (0.5 * width - plan.left) / plan.scale, 0.5 * height - float(plan.front(0)), 0)
    away = 3.0 * (width + height) / plan.scale
    plotter.camera.focal_point = tuple(middle)
    plotter.camera.position = tuple(middle - away * SIGHT)
    plotter.camera.up = (0.0, 0.0, 1.0)
    plotter.camera.parallel_projection = True
    plotter.camera.parallel_scale = 0.5 * height / plan.scale
    plotter.renderer.SetNearClippingPlaneTolerance(1e-5)
    plotter.renderer.ResetCameraClippingRange()
    return Overview(plan, mesh, actor, *arrows)


def _walls(section: Section, rails: RailTrace | None) -> tuple[float, ...]:
    """Return where the rails of a layer stand across the track, m: one for each column of values."""
    if rails is None:
        return ()
    if rails.value_mm.shape[1] == 1:
        return (0.0,)
    apart = USUAL_APART
    if len(section.rail_left) and len(section.rail_left) == len(section.rail_right):
        apart = float(np.median(np.linalg.norm(section.rail_right - section.rail_left, axis=1)))
    return -0.5 * apart, 0.5 * apart


def _rails(plotter: Any, plan: Plan, layer: Layer, rails: RailTrace) -> None:
    """Draw each rail as an upright wall from the floor to its value, in the colour of the value."""
    for which, across in enumerate(plan.walls):
        start, end, first, last = thinned_rails(rails, which, layer.scale, plan.rows, int(plan.right - plan.left))
        row = plan.rows.row(0.5 * (start + end))
        at = np.stack([start, end, end, start], axis=1) - (plan.rows.start + row * plan.rows.length)[:, None]
        value = np.stack([first, last, last, first], axis=1)
        height = np.nan_to_num(layer.scale.height(value))
        height[:, :2] = plan.values.floor
        points = plan.place(row[:, None], at, across, height).reshape(-1, 3)
        faces = 4 * np.arange(len(start))[:, None, None] + np.array([[0, 1, 2], [0, 2, 3]])
        if len(start):
            add_values(plotter, points, faces.reshape(-1, 3), value.ravel(), layer.scale, side=None)
            top = points.reshape(-1, 4, 3)
            known = np.isfinite(value).all(axis=1)
            nearer = top - 0.3 / plan.scale * SIGHT
            add_lines(plotter, nearer[known, 3], nearer[known, 2], INK, 1.6)
            if plan.scale * float(np.median(end - start)) > 4.0:
                add_lines(plotter, nearer[~known, 0], nearer[~known, 2], PAPER, 1.5)


def _frame(plotter: Any, plan: Plan, mesh: SlabMesh, layer: Layer) -> None:
    """Draw the edges of the block tops where slabs are wide enough, and hatch those without a value."""
    corners = mesh.rims + np.array([0.0, 0.0, 0.2 / plan.scale])
    if plan.scale * 5.0 > 12.0:
        add_lines(plotter, corners.reshape(-1, 3), np.roll(corners, -1, axis=1).reshape(-1, 3), MUTED, 1.0)
    if layer.field is None or not len(corners):
        return
    rows, columns = layer.field.shape[1:]
    four = corners[:, [0, columns - 1, columns + rows - 2, 2 * columns + rows - 3]]
    slabs = mesh.slab_of_point.reshape(len(four), -1)[:, 0]
    blank = four[~layer.known[slabs]]
    back_left, back_right, forward_right, forward_left = (blank[:, None, place] for place in range(4))
    share = np.linspace(0.0, 1.0, 6)[1:, None]
    # From the near to the back edge in one half, from the far to the front edge in the other.
    near = [back_right + share * (back_left - back_right), back_left + share * (forward_left - back_left)]
    far = [back_right + share * (forward_right - back_right), forward_right + share * (forward_left - forward_right)]
    starts, ends = (np.concatenate(half, axis=1).reshape(-1, 3) for half in (near, far))
    add_lines(plotter, starts, ends, PAPER, 1.5)


def _arrows(plotter: Any, section: Section, plan: Plan, layer: Layer) -> tuple[Integers, Floats, Floats]:
    """Draw what each slab has to rise as an arrow from zero, and where it is pushed as an open one in front of it.

    Where slabs are too narrow nothing is drawn: height and colour of the blocks show it then.
    """
    none = np.empty(0, dtype=np.int64), np.empty((0, 3)), np.empty((0, 3))
    lifts, pushes = (None, None) if layer.arrows is None else layer.arrows.by_end(section)
    if lifts is None or pushes is None or plan.scale * float(np.median(section.size[:, 1])) < ARROW_ROOM:
        return none
    step, front = 1.0 / plan.scale, 0.5 * plan.slab_width
    slabs, along, value = lifts
    place = plan.rows.place(section.distance[slabs]) + along
    row = plan.rows.row(section.distance[slabs])
    height = layer.scale.height(value)
    least = 7.5 / (0.001 * plan.height_factor * plan.scale * np.cos(ELEVATION))
    height = np.sign(height) * np.maximum(np.abs(height), least)
    tails, tips = (plan.place(row, place, front, z) - 2.0 * step * SIGHT for z in (np.zeros(len(slabs)), height))
    for grow, colour, nearer in ((1.5, PAPER, 0.0), (1.0, INK, 1.0)):
        shape = {"head": 7.5 * step * np.sqrt(grow), "half_width": 3.6 * step * grow, "shaft": 0.7 * step * grow**2}
        add_bodies(plotter, *arrow_body(tails - nearer * step * SIGHT, tips - nearer * step * SIGHT, SIGHT, **shape),
                   colour, shaded=False)  # fmt: skip
    slabs, along, value = pushes
    row = plan.rows.row(section.distance[slabs])
    middle = _ground(plan, plan.rows.place(section.distance[slabs]) + along, 7.0, row)
    half = np.zeros((len(slabs), 3))
    half[:, 1] = -np.sign(value) * 6.0 * step / np.sin(ELEVATION)
    for grow, colour, nearer in ((1.0, INK, 3.0), (0.5, PAPER, 3.5)):
        up = np.array([0.0, 0.0, nearer * step])
        shape = {"head": 6.5 * step * grow / np.sin(ELEVATION), "half_width": 4.6 * step * grow,
                 "shaft": 1.5 * step * grow}  # fmt: skip
        tail, tip = middle - half * grow + up, middle + half * grow + up
        add_bodies(plotter, *arrow_body(tail, tip, [0.0, 0.0, -1.0], **shape), colour, shaded=False)
    return lifts[0], tails, tips


def _symbols(plotter: Any, section: Section, plan: Plan, layer: Layer, every: NDArray[np.bool_]) -> None:
    """Lay the symbols of slabs that are not within on the floor in front of their blocks."""
    size = 4.6 / plan.scale
    right, up = np.array([[size, 0.0, 0.0]]), np.array([[0.0, size / np.sin(ELEVATION), 0.0]])
    verdicts = np.where(every, layer.verdict, WITHIN)
    shown = gravest(section, verdicts, plan.rows, int((plan.right - plan.left) / 6.0))
    for nearer, (verdict, look) in enumerate(VERDICTS.items()):
        slabs = shown[layer.verdict[shown] == verdict]
        if not len(slabs) or not look.symbol:
            continue
        centres = _ground(plan, plan.rows.place(section.distance[slabs]), 7.0, plan.rows.row(section.distance[slabs]))
        centres[:, 2] += (4.0 - nearer) / plan.scale
        add_bodies(plotter, *symbol_body(look.symbol, centres, right, up), INK, shaded=False)
        if not look.filled:
            centres[:, 2] += 0.5 / plan.scale
            add_bodies(plotter, *symbol_body(look.symbol, centres, right, up, 0.55), PAPER, shaded=False)


def _structures(plotter: Any, section: Section, plan: Plan) -> None:
    """Draw structures as strips in front of the rows."""
    along, _ = line_of(section)
    _strip(plotter, plan, (along[0], along[-1]), 13.0, 14.0, GROUND)
    for structure in section.structures:
        stretch = max(structure.distance_start, along[0]), min(structure.distance_end, along[-1])
        _strip(plotter, plan, stretch, 12.5, 16.5, MUTED if "tunnel" in structure.kind.lower() else "#aab4bc")


def _strip(plotter: Any, plan: Plan, stretch: tuple[float, float], above: float, below: float, colour: str) -> None:
    """Draw a stretch of the section as a strip on the floor, from ``above`` to ``below`` in front of the blocks."""
    for row, x0, x1 in plan.rows.spans(*stretch):
        points = _ground(plan, [x0, x1, x1, x0], [below, below, above, above], row)
        points[:, 2] += (below - above) * 0.1 / plan.scale  # structures over the plain strip
        add_bodies(plotter, points, np.array([[0, 1, 2], [0, 2, 3]]), colour, shaded=False)


def _guides(plotter: Any, section: Section, plan: Plan, layer: Layer) -> None:
    """Draw the middle of the scale and the allowed range as lines along every row; the latter dashed."""
    along, _ = line_of(section)
    dash, scale = 9.0 / plan.scale, layer.scale
    levels = [(0.0, 1.0), *((limit - scale.middle, 1.6) for limit in scale.allowed or ())]
    nearer = 0.4 / plan.scale * SIGHT
    for row, x0, x1 in plan.rows.spans(along[0], along[-1]):
        for across in plan.guides:
            for value, thick in levels:
                starts = np.arange(x0, x1, dash) if value else np.array([x0])
                ends = np.minimum(starts + 0.6 * dash, x1) if value else np.array([x1])
                first, last = (plan.place(row, xs, across, value) - nearer for xs in (starts, ends))
                add_lines(plotter, first, last, INK, thick)
