"""The window: the section in rows above, a dozen slabs below, and a few keys."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from geometry.errors import SlabposeError
from viewer.close import CloseView, Label, close_view
from viewer.colours import INK, MUTED, PAPER, VERDICTS
from viewer.gl import has_screen, prepare
from viewer.overview import ELEVATION, Overview, overview
from viewer.rows import chainage_text, line_of
from viewer.section import QUANTITIES, Section
from viewer.sheet import SIGNS, factor_text, number_mm
from viewer.stage import add_lines

__all__ = ["Window", "show"]

KEYS = (
    "keys:  x across   y along   z up   +/- exaggeration   q quit",
    "n next slab   b slab before   w worst slab   click a block above to see it here",
)
FACTORS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
SHARE = 0.52
"""The overview's share of the window's height."""
WEIGHTS: Any = [SHARE, 1.0 - SHARE]


class Window:
    """Both views in one window; every key is a method call away, so that a test can press it.

    Parameters
    ----------
    section : Section
    quantity : str
        What heights and colours show first.
    slab : int, optional
        The slab close up; the worst if left out.
    off_screen : bool
        Draw without a screen.
    size : (int, int)
        Pixels.
    """

    def __init__(
        self,
        section: Section,
        *,
        quantity: str = "up",
        slab: int | None = None,
        off_screen: bool = False,
        size: tuple[int, int] = (1600, 900),
    ) -> None:
        import pyvista

        section.quantity(quantity)
        self.section = section
        self.quantity = quantity
        self.size = size
        self.slab = self._worst() if slab is None else slab
        self.factor: float | None = None
        self.plotter: Any = pyvista.Plotter(
            shape=(2, 1),
            row_weights=WEIGHTS,
            off_screen=off_screen,
            window_size=[int(size[0]), int(size[1])],
            border=False,
            lighting="none",
            title=section.title,
        )
        self.keys: dict[str, Callable[[], None]] = {
            "x": lambda: self._show(QUANTITIES[0]),
            "y": lambda: self._show(QUANTITIES[1]),
            "z": lambda: self._show(QUANTITIES[2]),
            "n": lambda: self.go(self.slab + 1),
            "b": lambda: self.go(self.slab - 1),
            "w": lambda: self.go(self._worst()),
            "plus": lambda: self._exaggerate(1),
            "equal": lambda: self._exaggerate(1),
            "minus": lambda: self._exaggerate(-1),
        }
        self.over: Overview
        self.close: CloseView
        self._draw_over()
        self._draw_close()

    def press(self, key: str) -> None:
        """Do what a key does; an unknown key does nothing."""
        action = self.keys.get(key)
        if action is not None:
            action()
            self.plotter.render()

    def go(self, slab: int) -> None:
        """Show another slab close up; past the ends the last one stays."""
        self.slab = min(max(slab, 0), len(self.section) - 1)
        self.factor = None
        self._draw_close()

    def pick(self, x: int, y: int) -> int | None:
        """Return the slab of the overview at a pixel, counted from the lower left corner; None beside the blocks."""
        from vtkmodules.vtkRenderingCore import vtkCellPicker

        picker = vtkCellPicker()
        picker.SetTolerance(0.0)
        picker.PickFromListOn()
        picker.AddPickList(self.over.actor)
        if not picker.Pick(x, y, 0, self.plotter.renderers[0]):
            return None
        return int(self.over.mesh.slab_of_face[picker.GetCellId()])

    def _worst(self) -> int:
        worst = self.section.worst(self.quantity, 1)
        return int(worst[0]) if len(worst) else 0

    def _show(self, quantity: str) -> None:
        self.quantity = quantity
        self._draw_over()
        self._draw_close()

    def _exaggerate(self, step: int) -> None:
        place = FACTORS.index(min(FACTORS, key=lambda factor: abs(factor - self.close.factor)))
        self.factor = FACTORS[min(max(place + step, 0), len(FACTORS) - 1)]
        self._draw_close()

    def _text(
        self, words: str, place: tuple[float, float], size: int, colour: str = INK, *, right: bool = False
    ) -> None:
        """Write a line into the active view; ``place`` in pixels from its lower left corner."""
        from vtkmodules.vtkRenderingCore import vtkTextActor

        actor = vtkTextActor()
        actor.SetInput(words)
        actor.SetPosition(*place)
        self._font(actor.GetTextProperty(), size, colour)
        if right:
            actor.GetTextProperty().SetJustificationToRight()
        self.plotter.add_actor(actor, reset_camera=False, render=False, name=f"text {words} {place}")

    def _sign(self, label: Label, size: int, colour: str, shift: tuple[int, int], *, middle: bool = True) -> None:
        """Write words at a point of the scene, ``shift`` in pixels; never left out."""
        from vtkmodules.vtkRenderingCore import vtkBillboardTextActor3D

        actor = vtkBillboardTextActor3D()
        actor.SetInput(label.text)
        actor.SetPosition(*label.point)
        actor.SetDisplayOffset(*shift)
        self._font(actor.GetTextProperty(), size, colour)
        if middle:
            actor.GetTextProperty().SetJustificationToCentered()
        self.plotter.add_actor(actor, reset_camera=False, render=False, name=f"sign {label}")

    @staticmethod
    def _font(style: Any, size: int, colour: str) -> None:
        """Use the font that the flat pictures use: the built-in ones lack signs."""
        from matplotlib import get_data_path

        style.SetFontFamily(4)  # VTK_FONT_FILE of vtkTextProperty.h, which Python does not name
        style.SetFontFile(f"{get_data_path()}/fonts/ttf/DejaVuSans.ttf")
        style.SetFontSize(size)
        style.SetColor(*(int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)))

    def _draw_over(self) -> None:
        plotter, section = self.plotter, self.section
        plotter.subplot(0, 0)
        plotter.renderer.clear_actors()
        plotter.set_background(PAPER, all_renderers=False)
        width, height = float(self.size[0]), round(self.size[1] * SHARE)
        head, foot = 56.0, 6.0
        self.over = overview(plotter, section, quantity=self.quantity, width=width, height=height, head=head, foot=foot)
        plan = self.over.plan
        self._text(section.title, (16, height - 26), 17)
        counts = [int((section.verdict == verdict).sum()) for verdict in VERDICTS]
        words = "   ".join(f"{count} {look.word}" for count, look in zip(counts, VERDICTS.values(), strict=True))
        self._text(words, (width - 16, height - 24), 14, right=True)
        times = "\N{MULTIPLICATION SIGN}"
        about = "\N{PLUS-MINUS SIGN}"
        told = (
            f"{self.quantity}, built minus target, {SIGNS[self.quantity]}; "
            f"slab width {times}{factor_text(plan.width_factor)}, height {times}{factor_text(plan.height_factor)}, "
            f"cut at {about}{plan.limit_mm:g} mm; dashed: tolerance {about}{section.tolerance_mm[self.quantity]:g} mm"
        )
        self._text(told, (16, height - 48), 12, MUTED)
        along, shown = line_of(section)
        for row in range(plan.rows.count):
            chainage = float(np.interp(plan.rows.start + row * plan.rows.length, along, shown))
            y = float(plan.page(row, 0.0, 0.5 * plan.slab_width)[1])
            self._text(chainage_text(chainage), (10, height - y - 4), 12)
        self._name_worst()

    def _name_worst(self) -> None:
        """Write name and value of the worst slabs above their row; one that would cover a worse one is left out."""
        section, plan = self.section, self.over.plan
        blocks = dict(
            zip(self.over.mesh.slab_of_point[::8], self.over.mesh.points.reshape(-1, 8, 3)[:, :4], strict=True)
        )
        largest = section.largest(self.quantity)
        ceiling = 0.001 * plan.limit_mm * plan.height_factor
        # Nearer to the eye, at the same place of the view, so that no block hides the words.
        nearer = 100.0 / plan.scale * np.array([0.0, -np.cos(ELEVATION), np.sin(ELEVATION)])
        taken: list[tuple[int, float]] = []
        for slab in section.worst(self.quantity, 8):
            row = int(plan.rows.row(section.distance[slab]))
            x = float(plan.page(0, plan.rows.place(section.distance[slab]))[0])
            if slab in blocks and all(row != other or abs(x - place) > 140.0 for other, place in taken):
                taken.append((row, x))
                block = np.array([blocks[slab][:, 0].mean(), *blocks[slab][:, 1:].max(axis=0)]) + nearer
                head = np.array([block[0], block[1], ceiling + nearer[2]])
                add_lines(self.plotter, block[None], head[None], INK, 1.0)
                words = f"{section.slab_names[slab]}  {number_mm(largest[slab])} mm"
                self._sign(Label((float(head[0]), float(head[1]), float(head[2])), words, "slab"), 12, INK, (0, 3))

    def _draw_close(self) -> None:
        plotter, section = self.plotter, self.section
        plotter.subplot(1, 0)
        plotter.renderer.clear_actors()
        plotter.set_background("#f5f6f7", all_renderers=False)
        self.close = close_view(plotter, section, self.slab, quantity=self.quantity, factor=self.factor)
        for label in self.close.labels:
            if label.kind == "slab":
                self._sign(label, 14, INK, (0, 10))
            elif label.kind == "chainage":
                self._sign(label, 12, MUTED, (4, -18))
            else:
                up = label.text.endswith("up")
                self._sign(label, 12, INK, (0, 4) if up else (6, -4), middle=up)
        height = self.size[1] - round(self.size[1] * SHARE)
        name, verdict = section.slab_names[self.slab], VERDICTS[int(section.verdict[self.slab])].word
        chainage = chainage_text(float(section.chainage[self.slab]))
        self._text(f"{name}, chainage {chainage}: {verdict}", (16, height - 28), 16)
        factor = f"\N{MULTIPLICATION SIGN}{factor_text(self.close.factor)}"
        told = f"displacement {factor}, arms {self.close.step_mm:g} mm, dark outline: target"
        self._text(told, (16, height - 50), 12, MUTED)
        for line, words in enumerate(KEYS):
            self._text(words, (self.size[0] - 16, 28 - 18 * line), 12, MUTED, right=True)
        self._colour_bar()

    def _colour_bar(self) -> None:
        """Draw the scale into the active view."""
        from vtkmodules.vtkRenderingAnnotation import vtkScalarBarActor

        bar = vtkScalarBarActor()
        bar.SetLookupTable(self.over.actor.mapper.lookup_table)
        bar.SetTitle(f"{self.quantity} in mm; beyond the ends: end colour")
        bar.SetOrientationToHorizontal()
        bar.SetNumberOfLabels(5)
        bar.SetLabelFormat("%g")
        bar.SetPosition(0.70, 0.15)
        bar.SetPosition2(0.28, 0.13)
        bar.SetUnconstrainedFontSize(True)
        bar.SetVerticalTitleSeparation(4)
        self._font(bar.GetTitleTextProperty(), 12, INK)
        self._font(bar.GetLabelTextProperty(), 12, INK)
        self.plotter.add_actor(bar, reset_camera=False, render=False, name="colour bar")


def show(section: Section, *, quantity: str = "up", slab: str | None = None) -> None:
    """Open the window and wait until it is closed.

    Parameters
    ----------
    section : Section
    quantity : str
        What heights and colours show first; keys change it.
    slab : str, optional
        Name of the slab to show close up first.

    Raises
    ------
    SlabposeError
        If there is no screen, no OpenGL, or no such quantity or slab.
    """
    section.quantity(quantity)
    chosen = None if slab is None else section.slab(slab)
    if not has_screen():
        raise SlabposeError("there is no screen to open a window on; make a picture file instead")
    answer = prepare()
    if not answer.works:
        raise SlabposeError(answer.told.replace("; drawing flat instead", ""))
    window = Window(section, quantity=quantity, slab=chosen)
    plotter = window.plotter
    plotter.reset_key_events()
    for key in window.keys:
        plotter.add_key_event(key, lambda key=key: window.press(key))
    plotter.iren.add_observer("LeftButtonPressEvent", lambda *_: _clicked(window))
    plotter.show()


def _clicked(window: Window) -> None:
    """Show the clicked block of the overview close up."""
    x, y = window.plotter.iren.get_event_position()
    slab = window.pick(x, y) if y > window.size[1] * (1.0 - SHARE) else None
    if slab is not None:
        window.go(slab)
        window.plotter.render()
