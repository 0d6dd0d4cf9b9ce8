"""The 3D view of a session: rendered here, sent as pictures, turned from the browser."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.app.book import Edition
from viewer.app.choice import Choice
from viewer.app.far_slabs import far_plates
from viewer.close import AHEAD, BEHIND, CloseView, close_view, exaggeration
from viewer.close_place import CAMERA, FOCUS, Label
from viewer.colours import INK, MUTED, PAPER
from viewer.layer import Layer, rectangles
from viewer.mesh import slab_vertices
from viewer.section import Section
from viewer.sheet import factor_text
from viewer.stage import add_lines, add_values, as_it_stands, on_page

__all__ = ["GROUND", "Solid"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

GROUND = "#f5f6f7"
_ANGLE = 14.5
_ASPECT = 2.4
"""Of the panel for which the close view is composed."""
_WIDEST = 1.75
"""How much wider an angle a narrow panel gets at most: it shows fewer slabs instead of smaller ones."""
_ASIDE = 2.8
"""How far the eye moves back along the line in a panel as high as it is wide, m."""
_HEAD = 1.1
"""Words of slabs stand at least so high, m."""
_STYLES = {
    "slab": (15, INK, (0, 10)),
    "chainage": (13, MUTED, (4, -18)),
    "scale": (13, INK, (6, 2)),
}
"""Size, ink, and shift in px of words by what they belong to."""


class Solid:
    """The 3D view.

    Parameters
    ----------
    server : trame_server.core.Server
        Of the session.
    """

    def __init__(self, server: Any) -> None:
        import pyvista

        self._server = server
        plotter: Any = pyvista.Plotter(off_screen=True, window_size=[800, 360], lighting="none")
        plotter.set_background(GROUND)
        self._plotter = plotter
        self._view: Any = None
        self._close: CloseView | None = None
        self._section: Section | None = None
        self._plates: tuple[Floats, Integers] = np.empty((0, 4, 3)), np.empty(0, dtype=np.int64)
        self._turned = False
        self._shape = 800, 360
        self._composed = np.zeros(3)

    def make_widget(self) -> None:
        """Add the widget that shows the pictures to the layout that is being made."""
        from trame_vtk.widgets.vtk import VtkRemoteView

        self._plotter.render()
        self._view = VtkRemoteView(
            self._plotter.render_window, trame_server=self._server, interactive_ratio=1, interactive_quality=70,
            still_quality=92, ref="solid",
        )  # fmt: skip

    def fitting(self, edition: Edition, layer: Layer, slab: int) -> float:
        """Return the exaggeration that fits what is shown about a slab."""
        section = edition.section
        first = max(0, min(slab - BEHIND, len(section) - 1 - BEHIND - AHEAD))
        return exaggeration(section, np.arange(first, min(len(section), first + BEHIND + AHEAD + 1)), layer)

    def show(self, edition: Edition, layer: Layer, choice: Choice) -> str:
        """Draw the chosen slab and what lies about it; return how it is to be read."""
        plotter, section = self._plotter, edition.section
        eye = plotter.camera.copy() if self._close is not None and self._moved() else None
        plotter.renderer.clear_actors()
        self._close = close_view(plotter, section, choice.slab, layer, factor=choice.factor or None)
        self._section = section
        self._far(section, layer, choice.slab)
        self._frame(section, choice.slab)
        self._compose()
        if eye is not None:
            plotter.camera = eye
        for label in self._readable(_lifted(self._close.labels)):
            self._sign(label)
        plotter.renderer.SetNearClippingPlaneTolerance(1e-4)
        plotter.renderer.ResetCameraClippingRange()
        if self._view is not None:
            self._view.update()
        times = f"\N{MULTIPLICATION SIGN}{factor_text(self._close.factor)}"
        what = "gap and displacement" if layer.mortar else "displacement"
        arrows = "; arrows: moves" if layer.arrows is not None else ""
        return f"{what} {times}, arms {self._close.step_mm:g} mm{arrows}"

    def resize(self, width: int, height: int) -> None:
        """Take the size of the view in the browser, px."""
        self._shape = width, height

    def zoom(self, factor: float) -> None:
        """Come nearer, or go away."""
        self._plotter.camera.zoom(factor)
        self._turned = True
        if self._view is not None:
            self._view.update()

    def home(self) -> None:
        """Look from where the view began."""
        self._turned = False
        if self._close is not None:
            self._compose()
            self._plotter.renderer.ResetCameraClippingRange()
            if self._view is not None:
                self._view.update()

    def pick(self, across: float, down: float) -> int | None:
        """Return the slab at a place of the picture, shares of its size from the top left; None beside all."""
        if self._close is None or self._section is None:
            return None
        section, close = self._section, self._close
        slabs = close.slabs
        frame = _heading(section.target_rotation[close.slab])
        corners = rectangles(section)
        points = np.empty((len(slabs), 4, 3))
        for at, slab in enumerate(slabs.tolist()):  # a dozen
            vertices = np.column_stack([corners[slab], np.zeros(4)])
            points[at] = slab_vertices(
                section, slabs[at : at + 1], vertices, factor=close.factor,
                origin=section.target_position[close.slab],
            )[0][0]  # fmt: skip
        every = np.concatenate([points @ frame, self._plates[0]])
        names = np.concatenate([slabs, self._plates[1]])
        width, height = self._plotter.window_size
        flat = on_page(self._plotter, every.reshape(-1, 3), float(width), float(height)).reshape(-1, 4, 2)
        wanted = np.array([across * width, down * height])
        edge = np.roll(flat, -1, axis=1) - flat
        aside = wanted - flat
        turn = edge[..., 0] * aside[..., 1] - edge[..., 1] * aside[..., 0]
        hit = np.flatnonzero((turn >= 0.0).all(axis=1) | (turn <= 0.0).all(axis=1))
        eye = np.array(self._plotter.camera.position)
        ahead = np.array(self._plotter.camera.focal_point) - eye
        depth = (every.mean(axis=1) - eye) @ ahead
        hit = hit[depth[hit] > 0.0]
        return int(names[hit[depth[hit].argmin()]]) if len(hit) else None

    def close(self) -> None:
        """Let go of the window."""
        self._plotter.close()

    def _moved(self) -> bool:
        """Return whether somebody has turned the view, or come nearer."""
        position = np.array(self._plotter.camera.position)
        return self._turned or float(np.abs(position - self._composed).max()) > 1e-6

    def _home(self) -> tuple[Floats, Floats]:
        # in a narrow panel the chosen slab moves to the middle
        width, height = self._shape
        aside = np.array([0.0, _ASIDE * min(max((_ASPECT - width / height) / (_ASPECT - 1.0), 0.0), 1.0), 0.0])
        return np.subtract(CAMERA, aside), np.subtract(FOCUS, aside)

    def _compose(self) -> None:
        """Set the camera so that a panel of this shape shows the dozen slabs."""
        camera = self._plotter.camera
        position, focus = self._home()
        width, height = self._shape
        camera.position, camera.focal_point = tuple(position), tuple(focus)
        camera.up = (0.0, 0.0, 1.0)
        self._composed = position
        half = np.tan(np.deg2rad(_ANGLE / 2)) * min(max(1.0, _ASPECT * height / max(width, 1)), _WIDEST)
        camera.view_angle = float(np.rad2deg(2.0 * np.arctan(half)))

    def _far(self, section: Section, layer: Layer, slab: int) -> None:
        assert self._close is not None  # drawn before
        points, faces, values, slabs = far_plates(
            section, layer, slab, self._close.slabs, self._close.factor, section.target_position[slab]
        )
        placed = points @ _heading(section.target_rotation[slab])
        self._plates = placed.reshape(-1, 4, 3), slabs
        if len(faces):
            add_values(self._plotter, placed, faces, values, layer.scale, side=None)

    def _frame(self, section: Section, slab: int) -> None:
        """Draw a frame around the chosen slab, as in the other views."""
        assert self._close is not None  # drawn before
        corners = np.column_stack([rectangles(section)[slab], np.full(4, 0.012)])
        placed = slab_vertices(
            section, np.array([slab]), corners, factor=self._close.factor, origin=section.target_position[slab]
        )[0][0] @ _heading(section.target_rotation[slab])
        for colour, width in ((PAPER, 9.0), (INK, 5.0)):
            add_lines(self._plotter, placed, np.roll(placed, -1, axis=0), colour, width, front=True)

    def _readable(self, labels: tuple[Label, ...]) -> list[Label]:
        """Return the words that neither stand on others nor reach over the edge, slabs first."""
        width, height = (float(side) for side in self._plotter.window_size)
        order = {"slab": 0, "scale": 1, "chainage": 2}  # what arrows come to stands in the drawing beside the view
        shown = [label for label in labels if label.kind in order]
        # how long the arms are is told above the picture
        short = [label._replace(text=label.text.split()[-1]) if label.kind == "scale" else label for label in shown]
        places = on_page(self._plotter, [label.point for label in short], width, height).tolist()
        kept: list[Label] = []
        boxes: list[tuple[float, float, float]] = []
        for label, (x, y) in sorted(zip(short, places, strict=True), key=lambda one: order[one[0].kind]):
            size, _, shift = _STYLES[label.kind]
            half = 0.31 * size * len(label.text) + 3.0  # of the usual letters of this font
            middle = x if label.kind == "slab" else x + shift[0] + half
            base = y - shift[1] - 0.4 * size
            inside = half <= middle <= width - half and 10.0 <= base <= height - 6.0
            apart = all(abs(middle - a) > half + b or abs(base - c) > 17.0 for a, b, c in boxes)
            if (label.kind == "slab" and not kept) or (inside and apart):
                kept.append(label)
                boxes.append((middle, half, base))
        return kept

    def _sign(self, label: Label) -> None:
        """Write words at a point of the scene."""
        from matplotlib import get_data_path
        from vtkmodules.vtkRenderingCore import vtkBillboardTextActor3D

        size, colour, shift = _STYLES[label.kind]
        actor = vtkBillboardTextActor3D()
        actor.SetInput(as_it_stands(label.text))
        actor.SetPosition(*label.point)
        actor.SetDisplayOffset(*shift)
        style = actor.GetTextProperty()
        style.SetFontFamily(4)  # VTK_FONT_FILE of vtkTextProperty.h, which Python does not name
        style.SetFontFile(f"{get_data_path()}/fonts/ttf/DejaVuSans.ttf")
        style.SetFontSize(size)
        style.SetColor(*(int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)))
        if label.kind == "slab":
            style.SetJustificationToCentered()
            style.BoldOn()
        self._plotter.add_actor(actor, reset_camera=False, render=False, name=f"sign {label}")


def _lifted(labels: tuple[Label, ...]) -> tuple[Label, ...]:
    """Return labels with those of slabs higher up: a slab within has no symbol that lifts its words off its frame."""
    return tuple(
        label._replace(point=(*label.point[:2], max(label.point[2], _HEAD))) if label.kind == "slab" else label
        for label in labels
    )


def _heading(rotation: Floats) -> Floats:
    """Return the level frame that looks along a slab: columns right, forward, up, in the grid."""
    forward = np.array([rotation[0, 1], rotation[1, 1], 0.0])
    forward /= np.linalg.norm(forward)
    return np.column_stack([[forward[1], -forward[0], 0.0], forward, [0.0, 0.0, 1.0]])
