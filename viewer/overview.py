"""The whole section in rows, in three dimensions: blocks as high as the deviation.

The view is without perspective, so that every place in it is known to the step: words are set beside the
blocks by the same numbers that place the blocks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.bodies import symbol_body
from viewer.colours import GROUND, INK, MUTED, PAPER, VERDICTS, scale_limit_mm
from viewer.mesh import SlabMesh, unrolled_mesh
from viewer.rows import Rows, line_of, rows_of
from viewer.section import Section
from viewer.stage import add_bodies, add_lines, add_slabs, light
from viewer.thinning import gravest, representatives

__all__ = ["Overview", "Plan", "overview"]

Floats = NDArray[np.float64]

ELEVATION = float(np.deg2rad(33.0))
"""How far the eye stands above the horizon."""


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
    limit_mm : float
        Deviation at which blocks end.
    slab_width : float
        The widest slab, m.
    head, foot : float
        Left free at the top and bottom of the panel.
    """

    width: float
    height: float
    left: float
    right: float
    rows: Rows
    limit_mm: float
    slab_width: float
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
    def width_factor(self) -> float:
        """Exaggeration across the track."""
        return float(0.34 * self.free / (self.scale * np.sin(ELEVATION)) / self.slab_width)

    @property
    def height_factor(self) -> float:
        """Exaggeration of the deviation, against the scale along the row."""
        return float(0.31 * self.free / (self.scale * np.cos(ELEVATION)) / (0.001 * self.limit_mm))

    def page(self, row: ArrayLike, along: ArrayLike, across: ArrayLike = 0.0, value_mm: ArrayLike = 0.0) -> Floats:
        """Return places on the panel, shape (..., 2); ``along`` from the row's beginning and ``across`` in m."""
        x = self.left + np.asarray(along) * self.scale
        depth = np.asarray(across) * self.width_factor * self.scale * np.sin(ELEVATION)
        rise = 0.001 * np.asarray(value_mm) * self.height_factor * self.scale * np.cos(ELEVATION)
        y = self.head + np.asarray(row) * self.pitch + 15.0 + 0.48 * self.free + depth - rise
        return np.stack(np.broadcast_arrays(x, y), axis=-1)

    def front(self, row: ArrayLike) -> Floats:
        """Return how far down the panel the foot of a row's front lies."""
        y: Floats = self.page(row, 0.0, 0.5 * self.slab_width, -1.1 * self.limit_mm)[..., 1]
        return y


@dataclass(frozen=True, eq=False)
class Overview:
    """An overview as it was drawn: its plan, the mesh of the blocks, and the actor that shows the mesh.

    Where slabs are narrower than a step of the page, the mesh holds the worst slab of each step.
    """

    plan: Plan
    mesh: SlabMesh
    actor: Any


def _ground(plan: Plan, xs: ArrayLike, below: ArrayLike, row: ArrayLike) -> Floats:
    """Return points on the floor, ``below`` steps of the page in front of the foot of a row; ``xs`` in m."""
    floor = -0.0011 * plan.limit_mm * plan.height_factor
    front = 0.5 * plan.slab_width * plan.width_factor
    y = -np.asarray(row) * plan.pitch / (plan.scale * np.sin(ELEVATION)) - front
    y = y - np.asarray(below) / (plan.scale * np.sin(ELEVATION))
    return np.stack(np.broadcast_arrays(np.asarray(xs, dtype=np.float64), y, floor), axis=-1)


def overview(
    plotter: Any,
    section: Section,
    *,
    quantity: str = "up",
    width: float = 1536.0,
    height: float = 380.0,
    head: float = 0.0,
    foot: float = 0.0,
    most_rows: int = 5,
) -> Overview:
    """Draw the section unrolled in rows, chainage to the right, left side of the track at the back.

    Parameters
    ----------
    plotter : pyvista.Plotter
        Drawn into; its camera is set to a view without perspective that fits the panel.
    section : Section
    quantity : str
        Height and colour of the blocks.
    width, height : float
        Of the panel, in steps of 1/100 inch; the window may have any multiple of it.
    head, foot : float
        Left free at the top and bottom of the panel, steps.
    most_rows : int

    Returns
    -------
    Overview
    """
    rows = rows_of(section, most_rows)
    limit = scale_limit_mm(section.tolerance_mm[quantity])
    plan = Plan(width, height, 92.0, width - 8.0, rows, limit, float(section.size[:, 0].max()), head, foot)
    row_pitch = plan.pitch / (plan.scale * np.sin(ELEVATION))
    shown = representatives(section, rows, quantity, int(plan.right - plan.left))
    mesh = unrolled_mesh(
        section, rows, quantity=quantity, row_pitch=row_pitch, width_factor=plan.width_factor,
        height_factor=plan.height_factor, limit_mm=limit, slabs=shown, least_length=1.0 / plan.scale,
    )  # fmt: skip
    light(plotter)
    actor = add_slabs(plotter, mesh, limit, side=0.86)
    _frame(plotter, section, plan, mesh)
    _symbols(plotter, section, plan)
    _structures(plotter, section, plan)
    _guides(plotter, section, plan, quantity)

    # The centre of the panel, as a point of the floor of row 0.
    middle = _ground(plan, (0.5 * width - plan.left) / plan.scale, 0.5 * height - float(plan.front(0)), 0)
    eye = np.array([0.0, -np.cos(ELEVATION), np.sin(ELEVATION)])
    away = 3.0 * (width + height) / plan.scale
    plotter.camera.focal_point = tuple(middle)
    plotter.camera.position = tuple(middle + away * eye)
    plotter.camera.up = (0.0, 0.0, 1.0)
    plotter.camera.parallel_projection = True
    plotter.camera.parallel_scale = 0.5 * height / plan.scale
    plotter.renderer.SetNearClippingPlaneTolerance(1e-5)
    plotter.renderer.ResetCameraClippingRange()
    return Overview(plan, mesh, actor)


def _frame(plotter: Any, section: Section, plan: Plan, mesh: SlabMesh) -> None:
    """Draw the edges of the block tops where slabs are wide enough, and hatch those not measured."""
    corners = mesh.points.reshape(-1, 8, 3)[:, :4] + np.array([0.0, 0.0, 0.2 / plan.scale])
    if plan.scale * 5.0 > 12.0:
        add_lines(plotter, corners.reshape(-1, 3), np.roll(corners, -1, axis=1).reshape(-1, 3), MUTED, 1.0)
    blank = corners[~section.measured[mesh.slab_of_point.reshape(-1, 8)[:, 0]]]
    back_left, back_right, forward_right, forward_left = (blank[:, None, place] for place in range(4))
    share = np.linspace(0.0, 1.0, 6)[1:, None]
    # From the near to the back edge in one half, from the far to the front edge in the other.
    near = [back_right + share * (back_left - back_right), back_left + share * (forward_left - back_left)]
    far = [back_right + share * (forward_right - back_right), forward_right + share * (forward_left - forward_right)]
    starts, ends = (np.concatenate(half, axis=1).reshape(-1, 3) for half in (near, far))
    add_lines(plotter, starts, ends, PAPER, 1.5)


def _symbols(plotter: Any, section: Section, plan: Plan) -> None:
    """Lay the symbols of slabs that are not within on the floor in front of their blocks."""
    size = 4.6 / plan.scale
    right, up = np.array([[size, 0.0, 0.0]]), np.array([[0.0, size / np.sin(ELEVATION), 0.0]])
    shown = gravest(section, plan.rows, int((plan.right - plan.left) / 6.0))
    for layer, (verdict, look) in enumerate(VERDICTS.items()):
        slabs = shown[section.verdict[shown] == verdict]
        if not len(slabs) or not look.symbol:
            continue
        centres = _ground(plan, plan.rows.place(section.distance[slabs]), 7.0, plan.rows.row(section.distance[slabs]))
        centres[:, 2] += (4.0 - layer) / plan.scale
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


def _guides(plotter: Any, section: Section, plan: Plan, quantity: str) -> None:
    """Draw zero and tolerance as lines along the front of every row; the tolerance dashed."""
    along, _ = line_of(section)
    front = 0.5 * plan.slab_width * plan.width_factor + 0.4 / plan.scale
    tolerance = section.tolerance_mm[quantity]
    dash = 9.0 / plan.scale
    for row, x0, x1 in plan.rows.spans(along[0], along[-1]):
        y = -row * plan.pitch / (plan.scale * np.sin(ELEVATION)) - front
        for value, starts in (
            (0.0, np.array([x0])),
            (tolerance, np.arange(x0, x1, dash)),
            (-tolerance, np.arange(x0, x1, dash)),
        ):
            ends = np.array([x1]) if value == 0.0 else np.minimum(starts + 0.6 * dash, x1)
            z = 0.001 * value * plan.height_factor
            first, last = (np.stack(np.broadcast_arrays(xs, y, z), axis=-1) for xs in (starts, ends))
            add_lines(plotter, first, last, INK, 1.6 if value else 1.0)
