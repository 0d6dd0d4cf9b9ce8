"""A dozen slabs close up: where each lies, exaggerated, over the outline of where it should lie.

The bodies go into a PyVista plotter; what has to be written, and where, is handed back: the picture and the
window write it in their own ways, so that no label vanishes silently behind another.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.bodies import anchor_body, bed_body, symbol_body
from viewer.colours import ANCHOR, BED, INK, MUTED, PAPER, RAIL, UNKNOWN, VERDICTS, scale_limit_mm
from viewer.mesh import SlabMesh, slab_mesh, slab_vertices
from viewer.rows import chainage_text, chainage_ticks, nice_below
from viewer.section import NOT_MEASURED, WITHIN, Section
from viewer.sheet import number_mm
from viewer.stage import add_bodies, add_lines, add_slabs, light

__all__ = ["CloseView", "Label", "close_view", "exaggeration"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

BEHIND, AHEAD = 3, 9
"""Slabs shown before and after the chosen one."""
SIGN_HEIGHT = 0.6
"""How far above a slab the symbol of its verdict stands, m."""
LARGEST_SHIFT = 0.6
"""The largest displacement is drawn at most this long, m."""


CAMERA, FOCUS = (25.0, -14.0, 11.0), (0.0, 5.6, 0.25)
"""Where the eye is and looks: from the right of the track, so that chainage runs to the right as in the rows."""


class Label(NamedTuple):
    """Words at a point of a view: ``kind`` is "slab", "chainage" or "scale"."""

    point: tuple[float, float, float]
    text: str
    kind: str


@dataclass(frozen=True, eq=False)
class CloseView:
    """A close view as it was drawn.

    Parameters
    ----------
    slab : int
        The slab in the middle.
    slabs : ndarray of int
        All slabs drawn.
    factor : float
        Exaggeration of the displacement.
    step_mm : float
        Length of the arms of the scale.
    labels : tuple of Label
    mesh : SlabMesh
        Of the slabs that were measured, in the view's frame.
    """

    slab: int
    slabs: Integers
    factor: float
    step_mm: float
    labels: tuple[Label, ...]
    mesh: SlabMesh


def exaggeration(section: Section, slabs: ArrayLike) -> float:
    """Return a round factor at which the displacements of these slabs can be seen and none leaves the bed's depth.

    Parameters
    ----------
    section : Section
    slabs : array_like of int

    Returns
    -------
    float
        1, 2, 5, 10 ... up to 200; 200 if nothing was measured.
    """
    corner = section.corner_deviation_mm[np.asarray(slabs, dtype=np.int64)]
    known = np.nan_to_num(corner) * 0.001
    largest = float(np.abs(known).max(initial=0.0))
    down = float(-known[..., 2].min(initial=0.0))
    wanted = min(LARGEST_SHIFT / max(largest, 1e-9), 0.85 * section.bed_depth / max(down, 1e-9), 200.0)
    return max(nice_below(wanted), 1.0)


def _heading(rotation: Floats) -> Floats:
    """Return the level frame that looks along a slab: columns right, forward, up, in the grid."""
    forward = np.array([rotation[0, 1], rotation[1, 1], 0.0])
    forward /= np.linalg.norm(forward)
    return np.column_stack([[forward[1], -forward[0], 0.0], forward, [0.0, 0.0, 1.0]])


def _near(line: Floats, origin: Floats, reach: float) -> Floats:
    """Return the part of a polyline within reach of the origin, about it."""
    about = line - origin
    return about[np.linalg.norm(about, axis=1) < reach] if len(line) else about


def close_view(
    plotter: Any, section: Section, slab: int, *, quantity: str = "up", factor: float | None = None, labels: int = 3
) -> CloseView:
    """Draw a dozen slabs in true shape, displaced by their exaggerated deviation, over the outlines of their targets.

    The view's frame is level, looks along the chosen slab, and has its origin at that slab's target: x right,
    y forward, z up, in m.

    Parameters
    ----------
    plotter : pyvista.Plotter
        Drawn into; its camera is set.
    section : Section
    slab : int
        The slab in the middle of the view.
    quantity : str
        What the colours show.
    factor : float, optional
        Exaggeration of the displacement; chosen if left out.
    labels : int
        How many of the worst slabs are named, the chosen one included.

    Returns
    -------
    CloseView
    """
    import pyvista

    first = max(0, min(slab - BEHIND, len(section) - 1 - BEHIND - AHEAD))
    slabs = np.arange(first, min(len(section), first + BEHIND + AHEAD + 1))
    factor = exaggeration(section, slabs) if factor is None else float(factor)
    origin, frame = section.target_position[slab], _heading(section.target_rotation[slab])
    place = _Place(section, slab, slabs, factor, origin, frame)
    light(plotter)

    points, faces = bed_body(section, slabs, origin)
    add_bodies(plotter, points @ frame, faces, BED)
    reach = float(np.linalg.norm(section.target_position[slabs] - origin, axis=1).max()) + 3.2
    anchors = np.flatnonzero(np.linalg.norm(section.anchor_position - origin, axis=1) < reach)
    points, faces = anchor_body(section, anchors, origin)
    add_bodies(plotter, points @ frame, faces, ANCHOR)
    for rail in (section.rail_left, section.rail_right):
        run = _near(rail, origin, reach) @ frame
        if len(run) > 1:
            line: Any = pyvista.lines_from_points
            tube = line(run.astype(np.float32)).tube(radius=0.035, n_sides=10)
            plotter.add_mesh(tube, color=RAIL, ambient=0.6, diffuse=0.4, specular=0.0, reset_camera=False, render=False)

    measured = section.measured[slabs]
    built = slab_mesh(section, slabs[measured], quantity=quantity, factor=factor, origin=origin)
    mesh = replace(built, points=built.points @ frame)
    if measured.any():
        add_slabs(plotter, mesh, scale_limit_mm(section.tolerance_mm[quantity]))
    if not measured.all():
        blank = slab_mesh(section, slabs[~measured], quantity=quantity, factor=0.0, origin=origin)
        add_bodies(plotter, blank.points @ frame, blank.faces, UNKNOWN)
    add_lines(plotter, *_edges(place, slabs, 0.0), INK, 2.6, front=True)
    add_lines(plotter, *_edges(place, slabs[measured], factor), MUTED, 1.0)
    _ways(plotter, place, slabs[measured])
    _verdict_symbols(plotter, place)
    step, arms = _scale(plotter, place)
    words = [*_names(place, quantity, labels), *arms, *_chainage_marks(plotter, place)]

    plotter.camera.position = CAMERA
    plotter.camera.focal_point = FOCUS
    plotter.camera.up = (0.0, 0.0, 1.0)
    plotter.camera.view_angle = 14.5
    # The default would cut off what is near the eye; much less would leave too few depths to tell edges from faces.
    plotter.renderer.SetNearClippingPlaneTolerance(1e-3)
    plotter.renderer.ResetCameraClippingRange()
    return CloseView(slab, slabs, factor, step, tuple(words), mesh)


@dataclass(frozen=True, eq=False)
class _Place:
    """Where a close view is taken: its slabs, its exaggeration, and its frame in the grid."""

    section: Section
    slab: int
    slabs: Integers
    factor: float
    origin: Floats
    frame: Floats

    def points(self, slabs: Integers, vertices: Floats, factor: float) -> Floats:
        """Return points fixed to slabs, (v, 3) in the slab frame, as they are drawn: (s, v, 3) in the view's frame."""
        drawn, _ = slab_vertices(self.section, slabs, vertices, factor=factor, origin=self.origin)
        points: Floats = drawn @ self.frame
        return points

    def above(self, slabs: Integers, height: float | Floats) -> Floats:
        """Return points straight above the middle of built slabs, shape (s, 3)."""
        points = self.points(slabs, np.zeros((1, 3)), self.factor)[:, 0]
        points[:, 2] += height
        return points


def _edges(place: _Place, slabs: Integers, factor: float) -> tuple[Floats, Floats]:
    """Return the edges of the top faces as lines, 4 mm above the faces."""
    starts, ends = [np.empty((0, 3))], [np.empty((0, 3))]
    for kind, outline in enumerate(place.section.outlines):
        ring = np.column_stack([outline, np.full(len(outline), 0.004)])
        points = place.points(slabs[place.section.type_index[slabs] == kind], ring, factor)
        starts.append(points.reshape(-1, 3))
        ends.append(np.roll(points, -1, axis=1).reshape(-1, 3))
    return np.concatenate(starts), np.concatenate(ends)


def _ways(plotter: Any, place: _Place, slabs: Integers) -> None:
    """Draw at each survey mark the way from target to built."""
    for kind, marks in enumerate(place.section.marks):
        members = slabs[place.section.type_index[slabs] == kind]
        vertices = np.column_stack([marks[:, :2], np.zeros(len(marks))])
        target, built = (place.points(members, vertices, factor).reshape(-1, 3) for factor in (0.0, place.factor))
        add_lines(plotter, target, built, INK, 2.0, front=True)


def _verdict_symbols(plotter: Any, place: _Place) -> None:
    """Set the symbol of its verdict over each slab that is not within, facing the eye."""
    sight = np.subtract(FOCUS, CAMERA) / np.linalg.norm(np.subtract(FOCUS, CAMERA))
    right = np.cross(sight, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    up = np.cross(right, sight)
    for verdict, look in VERDICTS.items():
        members = place.slabs[place.section.verdict[place.slabs] == verdict]
        if not look.symbol or not len(members):
            continue
        centre = place.above(members, SIGN_HEIGHT)
        for scale, colour, layer in ((1.4, PAPER, 0.0), (1.0, INK, 1.0), (0.62, PAPER, 2.0)):
            if layer < 2.0 or not look.filled:
                points, faces = symbol_body(look.symbol, centre - 0.02 * layer * sight, 0.36 * right, 0.36 * up, scale)
                add_bodies(plotter, points, faces, colour, shaded=False, front=True)


def _label(point: Floats, text: str, kind: str) -> Label:
    return Label((float(point[0]), float(point[1]), float(point[2])), text, kind)


def _scale(plotter: Any, place: _Place) -> tuple[float, list[Label]]:
    """Draw three arms of a round number of millimetres, at the displacement's scale, on the ground to the right."""
    step = nice_below(1.3 / (0.001 * place.factor))
    axes = place.section.target_rotation[place.slab].T @ place.frame  # rows: right, forward, up
    foot = np.array([place.section.bed_width / 2 + 4.2, 5.0, -place.section.bed_depth]) @ axes
    arms = axes * (0.001 * place.factor * step)
    add_lines(plotter, np.tile(foot, (3, 1)), foot + arms, INK, 4.0, front=True)
    words = ("right", "ahead", "up")
    return step, [
        _label(foot + 1.06 * arm, f"{step:g} mm {word}", "scale") for arm, word in zip(arms, words, strict=True)
    ]


def _names(place: _Place, quantity: str, count: int) -> list[Label]:
    """Return name and value of the chosen slab and of the worst beside it, above the middle of each."""
    section, slabs = place.section, place.slabs
    largest = section.largest(quantity)
    order = slabs[np.argsort(-np.nan_to_num(np.abs(largest[slabs]), nan=-1.0), kind="stable")]
    order = order[(section.verdict[order] != WITHIN) & (order != place.slab)]
    named = np.concatenate([[place.slab], order[: max(count - 1, 0)]]).astype(np.int64)
    # The line from the words ends on the symbol, or on the slab where there is none.
    top = place.above(named, np.where(section.verdict[named] == WITHIN, 0.0, SIGN_HEIGHT + 0.34))
    words = []
    for one, point in zip(named, top, strict=True):
        blank = VERDICTS[NOT_MEASURED].word if section.verdict[one] == NOT_MEASURED else "unknown"
        value = f"{number_mm(largest[one])} mm" if np.isfinite(largest[one]) else blank
        words.append(_label(point, f"{section.slab_names[one]}  {value}", "slab"))
    return words


def _chainage_marks(plotter: Any, place: _Place) -> list[Label]:
    """Draw a tick beside the bed at every round chainage, and return its words."""
    section, slabs = place.section, place.slabs
    marks, values = chainage_ticks(section.chainage[slabs], section.distance[slabs], 10.0)
    if not len(marks):
        return []
    nearest = slabs[np.abs(section.distance[slabs][None] - marks[:, None]).argmin(axis=1)]
    side = section.bed_width / 2
    vertices = np.zeros((len(marks), 2, 3))
    vertices[:, :, 0] = [side + 0.05, side + 0.55]
    vertices[:, :, 1] = (marks - section.distance[nearest])[:, None]
    vertices[:, :, 2] = -section.bed_depth
    points = vertices @ section.target_rotation[nearest].swapaxes(-1, -2)
    points = (points + (section.target_position[nearest] - place.origin)[:, None]) @ place.frame
    add_lines(plotter, points[:, 0], points[:, 1], INK, 2.5)
    return [
        _label(point, chainage_text(float(value)), "chainage")
        for point, value in zip(points[:, 1], values, strict=True)
    ]
