"""The section set up for pictures and the film: bodies, light, and parts that can be moved between two frames."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.bodies import anchor_body, bed_body, nearest_slab
from viewer.colours import UNKNOWN
from viewer.mesh import slab_mesh
from viewer.present.bodies3d import boxes, fastener_body, rail_body
from viewer.present.palette import Palette
from viewer.present.parts import Part
from viewer.present.show import Show
from viewer.stage import add_bodies, add_values, light, on_page

__all__ = ["Stage", "ground_body", "lowered_by", "track_stage"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_VIEW_DEG: Final = 34.0
_GROUND: Final = 11.0  # half the width of the ground that is drawn, m
_DECK: Final = 3.4  # the same on a bridge or viaduct
_BRIDGES: Final = ("bridge", "viaduct")
POST_EVERY: Final = 100.0


class Stage:
    """A scene of VTK, off the screen.

    Parameters
    ----------
    size : (int, int)
        Pixels.
    palette : Palette
    finer : float
        Drawn with so many times more pixels along either side, which then become one: a processor draws that in half
        the time that samples within pixels take. With 1 there are samples.
    """

    def __init__(self, size: tuple[int, int], palette: Palette, finer: float = 1.0) -> None:
        import pyvista

        self.size, self.palette = size, palette
        self._finer = finer
        drawn = [round(side * finer) for side in size]
        self.plotter: Any = pyvista.Plotter(off_screen=True, window_size=drawn, lighting="none")
        put: Any = self.plotter.set_background
        put(palette.sky)
        if finer > 1.0:
            window: Any = self.plotter.render_window
            window.SetMultiSamples(0)
        else:
            self.plotter.enable_anti_aliasing("msaa", multi_samples=8)
        light(self.plotter)
        # From the side: it tells upright faces apart, and adds nothing to level ones, which keep the scale's colours.
        lamp = pyvista.Light(
            position=(-0.9, 0.45, 0.0), focal_point=(0.0, 0.0, 0.0), light_type="scene light", intensity=0.45
        )
        lamp.positional = False
        self.plotter.add_light(lamp)
        self.plotter.camera.view_angle = _VIEW_DEG
        self.low: list[Any] = []
        """What is drawn lower than it lies, so that exaggerated slabs do not sink into it."""
        self.lowered = self.lowered_now = 0.0

    def look(self, eye: ArrayLike, focus: ArrayLike) -> None:
        """Set the eye and what it looks at, (3,) each."""
        camera = self.plotter.camera
        camera.position, camera.focal_point = tuple(np.asarray(eye).tolist()), tuple(np.asarray(focus).tolist())
        camera.up = (0.0, 0.0, 1.0)
        self.plotter.renderer.SetNearClippingPlaneTolerance(1e-4)
        self.plotter.renderer.ResetCameraClippingRange()

    def shot(self) -> NDArray[np.uint8]:
        """Return what is seen, shape (rows, columns, 3)."""
        self.plotter.render()
        seen = np.array(self.plotter.screenshot(None, return_img=True))[..., :3]
        if self._finer == 1.0:
            return seen
        from PIL import Image

        whole = Image.fromarray(np.ascontiguousarray(seen)).resize(self.size, Image.Resampling.BILINEAR)
        return np.asarray(whole, dtype=np.uint8)

    def lower(self, share: float) -> None:
        """Draw bed and ground lower, by a share of what the full exaggeration needs."""
        self.lowered_now = self.lowered * share
        for actor in self.low:
            actor.SetPosition(0.0, 0.0, -self.lowered_now)

    def on_page(self, points: ArrayLike) -> Floats:
        """Return where points are seen, pixels from the top left corner, shape (k, 2)."""
        return on_page(self.plotter, points, *map(float, self.size))

    def close(self) -> None:
        """Give back what the scene holds."""
        self.plotter.close()

    def parts(self, parts: tuple[Part, ...]) -> dict[str, Any]:
        """Add the layers of a track by their own colours; return what stands for each."""
        return {part.name: add_bodies(self.plotter, part.points, part.faces, part.colour) for part in parts}


def _to_grid(show: Show, slabs: Integers, local: Floats, origin: Floats) -> Floats:
    """Return points of slabs' frames, (v, 3), at their targets, shape (s, v, 3)."""
    points: Floats = local @ show.section.target_rotation[slabs].swapaxes(-1, -2)
    points += (show.section.target_position[slabs] - origin)[:, None]
    return points


def ground_body(show: Show, slabs: Integers, origin: Floats) -> tuple[Floats, Integers]:
    """Return a ribbon of ground under consecutive slabs, narrow on bridges."""
    section = show.section
    half = 0.5 * section.size[slabs, 1]
    on_bridge = np.zeros(len(slabs), dtype=bool)
    for structure in section.structures:
        if any(word in structure.kind.lower() for word in _BRIDGES):
            inside = (section.distance[slabs] >= structure.distance_start) & (
                section.distance[slabs] <= structure.distance_end
            )
            on_bridge |= inside
    side = np.where(on_bridge, _DECK, _GROUND)
    level = -section.bed_depth - 0.3
    corners = np.empty((len(slabs), 2, 2, 3))
    corners[..., 0] = np.stack([-side, side], axis=-1)[:, None]
    corners[:, 0, :, 1], corners[:, 1, :, 1] = -half[:, None] - 0.06, half[:, None] + 0.06
    corners[..., 2] = level
    points = np.einsum("sij,sepj->sepi", section.target_rotation[slabs], corners)
    points += (section.target_position[slabs] - origin)[:, None, None]
    # one edge in the middle of a joint: two that overlap shine through each other from afar
    joined = (side[1:] == side[:-1]) & (np.linalg.norm(points[1:, 0] - points[:-1, 1], axis=-1) < 1.0).all(axis=1)
    middle = 0.5 * (points[1:, 0] + points[:-1, 1])[joined]
    points[1:, 0][joined], points[:-1, 1][joined] = middle, middle
    start = 4 * np.arange(len(slabs))[:, None, None]
    return points.reshape(-1, 3), (start + np.array([[0, 1, 3], [0, 3, 2]])).reshape(-1, 3)


def _rails(show: Show, slabs: Integers, origin: Floats, without: int | None) -> list[tuple[Floats, Integers]]:
    bodies = []
    section = show.section
    for given in (section.rail_left, section.rail_right):
        if len(given) < 2:
            continue
        rail = given if without is None else _finer_beside(show, given, without)
        beside = nearest_slab(section, rail)
        near = np.isin(beside, slabs)
        if without is not None:
            near &= beside != without
        runs = np.split(np.flatnonzero(near), np.flatnonzero(np.diff(np.flatnonzero(near)) > 1) + 1)
        for run in runs:
            if len(run) > 1:
                up = section.target_rotation[beside[run], :, 2]
                bodies.append(rail_body(rail[run] - origin, up))
    return bodies


def _finer_beside(show: Show, rail: Floats, slab: int) -> Floats:
    """Return a rail with points every few centimetres beside a slab, so that it ends where the slab's own begins."""
    near = np.flatnonzero(np.abs(nearest_slab(show.section, rail) - slab) <= 1)
    if len(near) < 2:
        return rail
    stretch = rail[near[0] : near[-1] + 1]
    place = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(stretch, axis=0), axis=1))])
    fine = np.linspace(0.0, place[-1], max(2, int(place[-1] / 0.04)))
    between = np.column_stack([np.interp(fine, place, part) for part in (stretch - stretch[0]).T]) + stretch[0]
    return np.concatenate([rail[: near[0]], between, rail[near[-1] + 1 :]])


def _fasteners(show: Show, slabs: Integers, origin: Floats) -> tuple[Floats, Integers]:
    apart = float(np.linalg.norm(show.section.rail_right[0] - show.section.rail_left[0]))
    points, faces, first = [np.empty((0, 3))], [np.empty((0, 3), dtype=np.int64)], 0
    for number, kind in enumerate(show.types):
        members = slabs[show.section.type_index[slabs] == number]
        body, triangles = fastener_body(kind, apart)
        placed = _to_grid(show, members, body, origin)
        start = first + len(body) * np.arange(len(members))
        points.append(placed.reshape(-1, 3))
        faces.append((start[:, None, None] + triangles).reshape(-1, 3))
        first += len(body) * len(members)
    return np.concatenate(points), np.concatenate(faces)


def lowered_by(show: Show, slabs: Integers, factor: float) -> float:
    """Return how much lower bed and ground have to be drawn under slabs at an exaggeration, m.

    The same as measured and after the moves, so that two pictures of one place can be compared.
    """
    up = [of.corner_deviation_mm[slabs, :, 2] for of in (show.section, show.after)]
    down = float(-np.nan_to_num(up).min(initial=0.0)) * 0.001 * factor
    return max(0.0, down - show.sizes.mortar)


def track_stage(
    show: Show, palette: Palette, size: tuple[int, int], slabs: Integers, origin: Floats, *, after: bool = False,
    without: int | None = None, factor: float | None = None, finer: float = 1.0,
) -> tuple[Stage, Any, Floats, Floats]:  # fmt: skip
    """Return a stage with consecutive slabs on their bed, with rails and fasteners.

    Parameters
    ----------
    show : Show
    palette : Palette
    size : (int, int)
        Pixels.
    slabs : ndarray of int, shape (s,)
    origin : ndarray, shape (3,)
        In the grid, m.
    after : bool
        Whether the slabs lie as the correction plan leaves them, in place of as measured.
    without : int, optional
        A slab that is left out, with its rails and fasteners.
    factor : float, optional
        Exaggeration; that of the show if not given.
    finer : float
        See `Stage`.

    Returns
    -------
    stage : Stage
    slabs_shown : actor
        Of the measured slabs.
    target, shift : ndarray, shape (p, 3)
        Points of that body at the target, and what their deviation adds to them at exaggeration 1, m.
    """
    section, layer = (show.after, show.after_layer) if after else (show.section, show.layer)
    factor = show.factor if factor is None else factor
    stage = Stage(size, palette, finer)
    chosen = slabs if without is None else slabs[slabs != without]
    measured = chosen[section.measured[chosen]]
    here = slab_mesh(section, measured, layer=layer, factor=1.0, origin=origin)
    there = slab_mesh(section, measured, layer=layer, factor=0.0, origin=origin)
    shift = here.points - there.points
    actor = None
    if len(measured):
        actor = add_values(stage.plotter, there.points + factor * shift, here.faces, here.value_of_point, layer.scale)
    blank = chosen[~section.measured[chosen]]
    if len(blank):
        body = slab_mesh(section, blank, factor=0.0, origin=origin)
        add_bodies(stage.plotter, body.points, body.faces, UNKNOWN)
    stage.lowered = lowered_by(show, slabs, show.factor)
    low = [add_bodies(stage.plotter, *bed_body(section, slabs, origin), palette.bed)]
    near = np.empty(0, dtype=np.int64)
    if len(section.anchor_position):
        near = np.flatnonzero(np.isin(nearest_slab(section, section.anchor_position), slabs))
    if len(near):
        low.append(add_bodies(stage.plotter, *anchor_body(section, near, origin), palette.anchor))
    for rail, faces in _rails(show, slabs, origin, without):
        add_bodies(stage.plotter, rail, faces, palette.rail)
    add_bodies(stage.plotter, *_fasteners(show, chosen, origin), palette.fastener)
    low.append(add_bodies(stage.plotter, *ground_body(show, slabs, origin), palette.ground, shaded=False))
    low.append(add_bodies(stage.plotter, *_posts(show, slabs, origin), palette.muted))
    stage.low = [one for one in low if one is not None]
    stage.lower(min(1.0, (factor - 1.0) / max(show.factor - 1.0, 1.0)))
    return stage, actor, there.points, shift


def _posts(show: Show, slabs: Integers, origin: Floats) -> tuple[Floats, Integers]:
    """Return a post beside the track at every slab that stands first after a hundred metres."""
    section = show.section
    hundred = np.floor(section.chainage[slabs] / POST_EVERY)
    first = slabs[1:][np.diff(hundred) > 0]
    body, faces = boxes([[2.6, 0.0, -section.bed_depth + 0.35]], [0.05, 0.05, 0.65])
    placed = _to_grid(show, first, body, origin)
    start = len(body) * np.arange(len(first))
    return placed.reshape(-1, 3), (start[:, None, None] + faces).reshape(-1, 3)
