"""A dozen slabs close up: where each lies, exaggerated, over the outline of where it should lie.

The bodies go into a PyVista plotter; what has to be written, and where, is handed back: the picture and the
window write it in their own ways, so that no label vanishes silently behind another.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.bed import bed_surface, mortar_sides
from viewer.bodies import anchor_body, bed_body, symbol_body
from viewer.close_moves import draw_moves
from viewer.close_place import CAMERA, FOCUS, SIGHT, Label, Place, label_at
from viewer.close_rails import draw_rails
from viewer.colours import ANCHOR, BED, CONCRETE, INK, MORTAR, MUTED, PAPER, UNKNOWN, VERDICTS
from viewer.layer import Layer
from viewer.mesh import SlabMesh, slab_mesh
from viewer.rows import chainage_text, chainage_ticks, nice_below
from viewer.section import WITHIN, Section
from viewer.sheet import slab_word
from viewer.stage import add_bodies, add_lines, add_values, light

__all__ = ["CloseView", "Label", "close_view", "exaggeration"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

BEHIND, AHEAD = 3, 9
"""Slabs shown before and after the chosen one."""
SIGN_HEIGHT = 0.6
"""How far above a slab the symbol of its verdict stands, m."""
LARGEST_SHIFT = 0.6
"""The largest displacement is drawn at most this long, m."""
LARGEST_GAP = 0.75
"""The largest gap under a slab is drawn at most this high, m."""


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
    arrow_tails, arrow_tips : ndarray, shape (a, 3)
        Of the moves drawn, in the order of the layer's arrows of these slabs: first those up, then those sideways.
    rails : ndarray, shape (k, 3)
        Points of the rails as they are drawn by their values, in the view's frame.
    bed : ndarray, shape (p, 3)
        Points of the bed's body.
    """

    slab: int
    slabs: Integers
    factor: float
    step_mm: float
    labels: tuple[Label, ...]
    mesh: SlabMesh
    arrow_tails: Floats
    arrow_tips: Floats
    rails: Floats
    bed: Floats


def exaggeration(section: Section, slabs: ArrayLike, layer: Layer | None = None) -> float:
    """Return a round factor at which the displacements of these slabs can be seen and none leaves the bed's depth.

    Parameters
    ----------
    section : Section
    slabs : array_like of int
    layer : Layer, optional
        Its moves and rails count as well; for a layer of the gap under slabs the bed moves with the factor, and the
        largest gap is what has to find room.

    Returns
    -------
    float
        1, 2, 5, 10 ... up to 200; 200 if nothing was measured.
    """
    chosen = np.asarray(slabs, dtype=np.int64)
    if layer is not None and layer.mortar and layer.field is not None:
        gap = float(np.nan_to_num(layer.field[chosen]).max(initial=0.0)) * 0.001
        return max(nice_below(LARGEST_GAP / gap), 1.0) if gap > 0.0 else 10.0
    known = np.nan_to_num(section.corner_deviation_mm[chosen]) * 0.001
    largest = float(np.abs(known).max(initial=0.0))
    down = float(-known[..., 2].min(initial=0.0))
    if layer is not None and layer.arrows is not None:
        moves = layer.arrows.move_mm[np.isin(layer.arrows.slab, chosen)] * 0.001
        largest = max(largest, float(np.abs(moves).max(initial=0.0)))
    if layer is not None and layer.rails is not None:
        shifts = layer.rails.shift_mm[np.isin(layer.rails.slab, chosen)] * 0.001
        largest = max(largest, float(np.abs(np.nan_to_num(shifts)).max(initial=0.0)))
    wanted = min(LARGEST_SHIFT / max(largest, 1e-9), 0.85 * section.bed_depth / max(down, 1e-9), 200.0)
    return max(nice_below(wanted), 1.0)


def _heading(rotation: Floats) -> Floats:
    """Return the level frame that looks along a slab: columns right, forward, up, in the grid."""
    forward = np.array([rotation[0, 1], rotation[1, 1], 0.0])
    forward /= np.linalg.norm(forward)
    return np.column_stack([[forward[1], -forward[0], 0.0], forward, [0.0, 0.0, 1.0]])


def close_view(
    plotter: Any, section: Section, slab: int, layer: Layer, *, factor: float | None = None, labels: int = 3
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
    layer : Layer
        What the colours show; its moves are drawn as arrows, its rails displaced, its gap with bed and mortar.
    factor : float, optional
        Exaggeration of the displacement; chosen if left out.
    labels : int
        How many of the worst slabs are named, the chosen one included.

    Returns
    -------
    CloseView
    """
    first = max(0, min(slab - BEHIND, len(section) - 1 - BEHIND - AHEAD))
    slabs = np.arange(first, min(len(section), first + BEHIND + AHEAD + 1))
    factor = exaggeration(section, slabs, layer) if factor is None else float(factor)
    origin, frame = section.target_position[slab], _heading(section.target_rotation[slab])
    place = Place(section, slab, slabs, factor, origin, frame)
    light(plotter)

    bed, drop = _bed(plotter, place, layer)
    rails = draw_rails(plotter, place, layer)
    measured = section.measured[slabs]
    built = slab_mesh(section, slabs[measured], layer=layer, factor=factor, origin=origin)
    mesh = replace(built, points=built.points @ frame)
    if measured.any() and layer.field is not None:
        add_values(plotter, mesh.points, mesh.faces, mesh.value_of_point, layer.scale)
    elif measured.any():
        add_bodies(plotter, mesh.points, mesh.faces, CONCRETE)
    if not measured.all():
        blank = slab_mesh(section, slabs[~measured], factor=0.0, origin=origin)
        add_bodies(plotter, blank.points @ frame, blank.faces, UNKNOWN)
    add_lines(plotter, *_edges(place, slabs, 0.0), INK, 2.6, front=True)
    add_lines(plotter, *_edges(place, slabs[measured], factor), MUTED, 1.0)
    _ways(plotter, place, slabs[measured])
    _verdict_symbols(plotter, place, layer)
    tails, tips, moves = draw_moves(plotter, place, layer)
    step, arms = _scale(plotter, place, drop)
    words = [*_names(place, layer, labels), *moves, *arms, *_chainage_marks(plotter, place, drop)]

    plotter.camera.position = CAMERA
    plotter.camera.focal_point = FOCUS
    plotter.camera.up = (0.0, 0.0, 1.0)
    plotter.camera.view_angle = 14.5
    # The default would cut off what is near the eye; much less would leave too few depths to tell edges from faces.
    plotter.renderer.SetNearClippingPlaneTolerance(1e-3)
    plotter.renderer.ResetCameraClippingRange()
    return CloseView(slab, slabs, factor, step, tuple(words), mesh, tails, tips, rails, bed)


def _edges(place: Place, slabs: Integers, factor: float) -> tuple[Floats, Floats]:
    """Return the edges of the top faces as lines, 4 mm above the faces."""
    starts, ends = [np.empty((0, 3))], [np.empty((0, 3))]
    for kind, outline in enumerate(place.section.outlines):
        ring = np.column_stack([outline, np.full(len(outline), 0.004)])
        points = place.points(slabs[place.section.type_index[slabs] == kind], ring, factor)
        starts.append(points.reshape(-1, 3))
        ends.append(np.roll(points, -1, axis=1).reshape(-1, 3))
    return np.concatenate(starts), np.concatenate(ends)


def _ways(plotter: Any, place: Place, slabs: Integers) -> None:
    """Draw at each survey mark the way from target to built."""
    for kind, marks in enumerate(place.section.marks):
        members = slabs[place.section.type_index[slabs] == kind]
        vertices = np.column_stack([marks[:, :2], np.zeros(len(marks))])
        target, built = (place.points(members, vertices, factor).reshape(-1, 3) for factor in (0.0, place.factor))
        add_lines(plotter, target, built, INK, 2.0, front=True)


def _verdict_symbols(plotter: Any, place: Place, layer: Layer) -> None:
    """Set the symbol of its verdict over each slab that is not within, facing the eye."""
    sight = SIGHT
    right = np.cross(sight, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    up = np.cross(right, sight)
    for verdict, look in VERDICTS.items():
        members = place.slabs[layer.verdict[place.slabs] == verdict]
        if not look.symbol or not len(members):
            continue
        centre = place.above(members, SIGN_HEIGHT)
        for scale, colour, nearer in ((1.4, PAPER, 0.0), (1.0, INK, 1.0), (0.62, PAPER, 2.0)):
            if nearer < 2.0 or not look.filled:
                points, faces = symbol_body(look.symbol, centre - 0.02 * nearer * sight, 0.36 * right, 0.36 * up, scale)
                add_bodies(plotter, points, faces, colour, shaded=False, front=True)


def _scale(plotter: Any, place: Place, drop: float) -> tuple[float, list[Label]]:
    """Draw three arms of a round number of millimetres, at the displacement's scale, on the ground to the right."""
    step = nice_below(1.3 / (0.001 * place.factor))
    axes = place.section.target_rotation[place.slab].T @ place.frame  # rows: right, forward, up
    foot = np.array([place.section.bed_width / 2 + 4.2, 5.0, -place.section.bed_depth - 0.5 * drop]) @ axes
    arms = axes * (0.001 * place.factor * step)
    add_lines(plotter, np.tile(foot, (3, 1)), foot + arms, INK, 4.0, front=True)
    words = ("right", "ahead", "up")
    return step, [
        label_at(foot + 1.06 * arm, f"{step:g} mm {word}", "scale") for arm, word in zip(arms, words, strict=True)
    ]


def _names(place: Place, layer: Layer, count: int) -> list[Label]:
    """Return name and value of the chosen slab and of the worst beside it, above the middle of each."""
    section, slabs = place.section, place.slabs
    amount = np.nan_to_num(layer.amount[slabs], nan=-1.0)
    order = slabs[np.argsort(-amount, kind="stable")]
    told = (layer.verdict[order] != WITHIN) | (np.sort(-amount) < 0.0) & (layer.arrows is not None)
    order = order[told & (order != place.slab)]
    named = np.concatenate([[place.slab], order[: max(count - 1, 0)]]).astype(np.int64)
    # The line from the words ends on the symbol, or on the slab where there is none.
    top = place.above(named, np.where(layer.verdict[named] == WITHIN, 0.0, SIGN_HEIGHT + 0.34))
    return [
        label_at(point, f"{slab_word(section, int(one))}  {layer.named(int(one))}", "slab")
        for one, point in zip(named, top, strict=True)
    ]


def _bed(plotter: Any, place: Place, layer: Layer) -> tuple[Floats, float]:
    """Draw bed and anchors; with a layer of the gap the bed as it was surveyed, and mortar between it and the slabs.

    Returns the points of the bed, and how much lower than usual its surface is drawn, m.
    """
    section, origin, frame = place.section, place.origin, place.frame
    drop = 0.0
    if layer.mortar and layer.field is not None:
        points, faces = bed_surface(section, place.slabs, layer.field, place.factor, origin)
        # The surface stands as far down as the exaggeration takes it; its body ends below the lowest place of it.
        nominal = section.bed_depth - max(section.thickness)
        drop = (place.factor - 1.0) * nominal
        sides, walls = mortar_sides(section, place.slabs, layer.field, place.factor, origin)
        add_bodies(plotter, sides @ frame, walls, MORTAR, side=0.9)
    else:
        points, faces = bed_body(section, place.slabs, origin)
    bed: Floats = points @ frame
    add_bodies(plotter, bed, faces, BED)
    anchors = np.flatnonzero(np.linalg.norm(section.anchor_position - origin, axis=1) < place.reach)
    points, faces = anchor_body(section, anchors, origin, drop)
    add_bodies(plotter, points @ frame, faces, ANCHOR)
    return bed, drop


def _chainage_marks(plotter: Any, place: Place, drop: float) -> list[Label]:
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
    vertices[:, :, 2] = -section.bed_depth - drop
    points = vertices @ section.target_rotation[nearest].swapaxes(-1, -2)
    points = (points + (section.target_position[nearest] - place.origin)[:, None]) @ place.frame
    add_lines(plotter, points[:, 0], points[:, 1], INK, 2.5)
    return [
        label_at(point, chainage_text(float(value)), "chainage")
        for point, value in zip(points[:, 1], values, strict=True)
    ]
