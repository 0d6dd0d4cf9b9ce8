"""The window: the section in rows above, a dozen slabs below, and a few keys."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np

from geometry.errors import SlabposeError
from viewer.close import CloseView, Label, close_view
from viewer.colours import INK, MUTED, PAPER, VERDICTS, colours
from viewer.gl import has_screen, prepare
from viewer.layer import Layer
from viewer.overview import SIGHT, Overview, overview
from viewer.rows import chainage_text, line_of
from viewer.section import Section
from viewer.sheet import factor_text, mark_texts, shortened, text_width
from viewer.stage import add_lines, on_page

__all__ = ["KEYS", "Source", "Window", "show"]

Source = Callable[[], Sequence[Layer]]
"""Works out the layers of a key when the key is first pressed; raises SlabposeError where there are none."""

KEYS: Mapping[str, str] = {"x": "across", "y": "along", "z": "up", "g": "gap", "m": "move", "r": "rail"}
"""Which layers a key shows, by their name on the command line; pressed again it shows the next one of them."""
OTHER_KEYS = (
    "n next slab   b slab before   w worst slab   +/- exaggeration   q quit   click a block above to see it here"
)
FACTORS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
SHARE = 0.52
"""The overview's share of the window's height."""
PIXEL_POINT = 0.72
"""Points of a pixel at the pixels to the inch that the window's words are set with."""
WEIGHTS: Any = [SHARE, 1.0 - SHARE]


class Window:
    """Both views in one window; every key is a method call away, so that a test can press it.

    Parameters
    ----------
    section : Section
    sources : mapping of str to Source
        By the names of ``KEYS``: what the keys show; keys without a source do nothing.
    name : str
        Whose first layer is shown first.
    slab : int, optional
        The slab close up; the worst if left out.
    off_screen : bool
        Draw without a screen.
    size : (int, int)
        Pixels.

    Raises
    ------
    SlabposeError
        If the source of the first layer has none.
    """

    def __init__(
        self,
        section: Section,
        sources: Mapping[str, Source],
        *,
        name: str = "up",
        slab: int | None = None,
        off_screen: bool = False,
        size: tuple[int, int] = (1600, 900),
    ) -> None:
        import pyvista

        self.section = section
        self.sources = sources
        self._made: dict[str, Sequence[Layer]] = {}
        self._shown: dict[str, int] = {}
        self.told = ""
        self.layer = self._layers(name)[0]
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
            **{key: partial(self._show, name) for key, name in KEYS.items() if name in sources},
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

    def resized(self) -> None:
        """Lay everything out anew if the window has another size than it was drawn for."""
        size = tuple(int(side) for side in self.plotter.render_window.GetSize())
        if size != tuple(self.size) and min(size) > 0:
            self.size = (size[0], size[1])
            camera = self.plotter.renderers[1].camera.copy()
            self._draw_over()
            self._draw_close()
            self.plotter.renderers[1].camera = camera
            self.plotter.render()

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
        worst = self.layer.ranked(1)
        return int(worst[0]) if len(worst) else 0

    def _layers(self, name: str) -> Sequence[Layer]:
        if name not in self._made:
            self._made[name] = self.sources[name]()
        return self._made[name]

    def _show(self, name: str) -> None:
        """Show the layers of a name, or the next of them if one is shown; say so where there are none."""
        self.told = ""
        try:
            layers = self._layers(name)
        except SlabposeError as fault:
            self.told = str(fault)
        else:
            at = (self._shown.get(name, 0) + 1) % len(layers) if self.layer.name == name else 0
            self._shown[name], self.layer = at, layers[at]
            self.factor = None
        self._draw_over()
        self._draw_close()

    def _exaggerate(self, step: int) -> None:
        place = FACTORS.index(min(FACTORS, key=lambda factor: abs(factor - self.close.factor)))
        self.factor = FACTORS[min(max(place + step, 0), len(FACTORS) - 1)]
        self._draw_close()

    def _text(
        self,
        words: str,
        place: tuple[float, float],
        size: int,
        colour: str = INK,
        *,
        right: bool = False,
        centre: bool = False,
    ) -> None:
        """Write a line into the active view; ``place`` in pixels from its lower left corner."""
        from vtkmodules.vtkRenderingCore import vtkTextActor

        actor = vtkTextActor()
        actor.SetInput(words)
        actor.SetPosition(*place)
        self._font(actor.GetTextProperty(), size, colour)
        if right:
            actor.GetTextProperty().SetJustificationToRight()
        elif centre:
            actor.GetTextProperty().SetJustificationToCentered()
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
        layer = self.layer
        self.over = overview(plotter, section, layer, width=width, height=height, head=head, foot=foot)
        plan = self.over.plan
        counts = np.bincount(layer.verdict, minlength=len(VERDICTS))
        words = "   ".join(f"{counts[verdict]} {layer.words[verdict]}" for verdict in VERDICTS)
        self._text(words, (width - 16, height - 24), 14, right=True)
        room = width - 48.0 - text_width(words, 14 * PIXEL_POINT)
        self._text(shortened(section.title, 17 * PIXEL_POINT, room), (16, height - 26), 17)
        times = "\N{MULTIPLICATION SIGN}"
        ends = " and ".join(mark_texts(layer.scale, [layer.scale.low, layer.scale.high]))
        dashed = f"; dashed: {layer.scale.allowed_word}" if layer.scale.allowed else ""
        if len(self.over.arrow_slab):
            dashed += "; filled arrow: lift, open arrow: push, down the page to the right"
        if layer.rails is not None and layer.rails.value_mm.shape[1] > 1:
            dashed += "; left rail behind the right one" if len(plan.walls) > 1 else "; the rail that is further out"
        told = (
            f"{layer.title}, {layer.sign}; "
            f"slab width {times}{factor_text(plan.width_factor)}, height {times}{factor_text(plan.height_factor)}, "
            f"cut at {ends} mm{dashed}"
        )
        self._text(shortened(told, 12 * PIXEL_POINT, width - 32.0), (16, height - 48), 12, MUTED)
        along, shown = line_of(section)
        for row in range(plan.rows.count):
            chainage = float(np.interp(plan.rows.start + row * plan.rows.length, along, shown))
            y = float(plan.page(row, 0.0, float(np.mean(plan.guides)))[1])
            self._text(chainage_text(chainage), (10, height - y - 4), 12)
        self._name_worst()

    def _name_worst(self) -> None:
        """Write name and value of the worst slabs above their row; one that would cover a worse one is left out."""
        section, plan, layer, mesh = self.section, self.over.plan, self.layer, self.over.mesh
        blocks = dict(zip(mesh.slab_of_point.reshape(len(mesh.rims), -1)[:, 0].tolist(), mesh.rims, strict=True))
        ceiling = 0.001 * layer.scale.above * plan.height_factor
        # Nearer to the eye, at the same place of the view, so that no block hides the words.
        nearer = -100.0 / plan.scale * SIGHT
        taken: list[tuple[int, float]] = []
        for slab in layer.ranked(8).tolist():
            row = int(plan.rows.row(section.distance[slab]))
            x = float(plan.page(0, plan.rows.place(section.distance[slab]))[0])
            if slab in blocks and all(row != other or abs(x - place) > 140.0 for other, place in taken):
                taken.append((row, x))
                block = np.array([blocks[slab][:, 0].mean(), *blocks[slab][:, 1:].max(axis=0)]) + nearer
                head = np.array([block[0], block[1], ceiling + nearer[2]])
                if not plan.walls:
                    add_lines(self.plotter, block[None], head[None], INK, 1.0)
                words = f"{section.slab_names[slab]}  {layer.named(slab)}"
                self._sign(Label((float(head[0]), float(head[1]), float(head[2])), words, "slab"), 12, INK, (0, 3))

    def _draw_close(self) -> None:
        plotter, section = self.plotter, self.section
        plotter.subplot(1, 0)
        plotter.renderer.clear_actors()
        plotter.set_background("#f5f6f7", all_renderers=False)
        layer = self.layer
        self.close = close_view(plotter, section, self.slab, layer, factor=self.factor)
        for label in self._clear_labels():
            if label.kind == "slab":
                self._sign(label, 14, INK, (0, 10))
            elif label.kind == "arrow":
                self._sign(label, 11, INK, (0, -16) if label.text.endswith(("left", "right")) else (0, 4))
            elif label.kind == "chainage":
                self._sign(label, 12, MUTED, (4, -18))
            else:
                up = label.text.endswith("up")
                self._sign(label, 12, INK, (0, 4) if up else (6, -4), middle=up)
        height = self.size[1] - round(self.size[1] * SHARE)
        name, verdict = section.slab_names[self.slab], layer.words[int(layer.verdict[self.slab])]
        chainage = chainage_text(float(section.chainage[self.slab]))
        self._text(f"{name}, chainage {chainage}: {verdict}", (16, height - 28), 16)
        factor = f"\N{MULTIPLICATION SIGN}{factor_text(self.close.factor)}"
        what = "gap and displacement" if layer.mortar else "displacement"
        arrows = "; arrows: planned moves, mm" if layer.arrows is not None else ""
        told = f"{what} {factor}, arms {self.close.step_mm:g} mm, dark outline: target{arrows}"
        self._text(told, (16, height - 50), 12, MUTED)
        shown = "   ".join(f"{key} {name}" for key, name in KEYS.items() if name in self.sources)
        for line, words in enumerate((f"keys:  {shown}", OTHER_KEYS)):
            self._text(words, (self.size[0] - 16, 28 - 18 * line), 12, MUTED, right=True)
        if self.told:
            self._text(shortened(self.told, 13 * PIXEL_POINT, 0.9 * self.size[0]), (16, height - 74), 13)
        self._colour_bar()

    def _clear_labels(self) -> list[Label]:
        """Return the words of the close view without those of arrows that would stand on others at first sight."""
        height = self.size[1] - round(self.size[1] * SHARE)
        # Names over the arrows, where there are any.
        over = {"slab": 2.0 if self.layer.arrows is not None else 0.0}
        labels = [
            label._replace(point=(*label.point[:2], label.point[2] + over.get(label.kind, 0.0)))
            for label in self.close.labels
        ]
        places = on_page(self.plotter, [label.point for label in labels], float(self.size[0]), float(height))
        kept: list[Label] = []
        boxes: list[tuple[float, float, float]] = []
        for label, (x, y) in sorted(zip(labels, places, strict=True), key=lambda entry: entry[0].kind == "arrow"):
            big = 14 if label.kind == "slab" else 11
            half, middle = 0.5 * text_width(label.text, big * PIXEL_POINT) + 4.0, y - (17.0 if big == 14 else 9.0)
            if label.kind == "arrow" and any(abs(x - a) < half + b and abs(middle - c) < 19.0 for a, b, c in boxes):
                continue
            boxes.append((x, half, middle))
            kept.append(label)
        return kept

    def _colour_bar(self) -> None:
        """Draw the scale into the active view, with its marks."""
        import pyvista
        from vtkmodules.vtkRenderingCore import vtkActor2D, vtkPolyDataMapper2D

        layer, scale = self.layer, self.layer.scale
        width = 0.22 * self.size[0]
        x, y, high, parts = self.size[0] - 40.0 - width, 84.0, 12.0, 65
        edge = x + np.linspace(0.0, width, parts + 1)
        across = np.column_stack([edge[:-1], edge[1:], edge[1:], edge[:-1]])
        corners = np.stack([across, np.tile([y, y, y + high, y + high], (parts, 1))], axis=2).reshape(-1, 2)
        make: Any = pyvista.PolyData.from_regular_faces
        body = make(np.column_stack([corners, np.zeros(len(corners))]), np.arange(4 * parts).reshape(-1, 4))
        shades = np.rint(255 * colours(np.linspace(-1.0, 1.0, parts), 1.0)).astype(np.uint8)
        body.cell_data["colour"] = shades
        body.GetCellData().SetActiveScalars("colour")
        mapper, actor = vtkPolyDataMapper2D(), vtkActor2D()
        mapper.SetInputData(body)
        actor.SetMapper(mapper)
        self.plotter.add_actor(actor, reset_camera=False, render=False, name="colour bar")
        values = scale.marks()
        for value, word in zip(values, mark_texts(scale, values), strict=True):
            at = x + 0.5 * width * (1.0 + float(scale.share(value)))
            self._text(word + (" mm" if value == scale.high else ""), (at, y - 17.0), 12, centre=True)
        self._text(f"{layer.title}; {layer.sign}", (self.size[0] - 16, y + high + 6.0), 12, right=True)


def show(section: Section, sources: Mapping[str, Source], *, name: str = "up", slab: str | None = None) -> None:
    """Open the window and wait until it is closed.

    Parameters
    ----------
    section : Section
    sources : mapping of str to Source
        As for `Window`.
    name : str
        What is shown first; keys change it.
    slab : str, optional
        Name of the slab to show close up first.

    Raises
    ------
    SlabposeError
        If there is no screen, no OpenGL, no such slab, or nothing to show of that name.
    """
    chosen = None if slab is None else section.slab(slab)
    if not has_screen():
        raise SlabposeError("there is no screen to open a window on; make a picture file instead")
    answer = prepare()
    if not answer.works:
        raise SlabposeError(answer.told.replace("; drawing flat instead", ""))
    window = Window(section, sources, name=name, slab=chosen)
    plotter = window.plotter
    plotter.reset_key_events()
    for key in window.keys:
        plotter.add_key_event(key, lambda key=key: window.press(key))
    plotter.iren.add_observer("LeftButtonPressEvent", lambda *_: _clicked(window))
    plotter.render_window.AddObserver("WindowResizeEvent", lambda *_: window.resized())
    plotter.show()


def _clicked(window: Window) -> None:
    """Show the clicked block of the overview close up."""
    x, y = window.plotter.iren.get_event_position()
    slab = window.pick(x, y) if y > window.size[1] * (1.0 - SHARE) else None
    if slab is not None:
        window.go(slab)
        window.plotter.render()
