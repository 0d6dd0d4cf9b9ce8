"""The window: the section in rows above, a dozen slabs below, and keys for what is shown and how."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from geometry.errors import SlabposeError
from viewer.choosing import REACHES, next_slab, scaled, slab_named
from viewer.close import CloseView, Label, close_view
from viewer.colours import INK, MUTED, PAPER, VERDICTS
from viewer.gl import has_screen, prepare
from viewer.layer import Layer, Source
from viewer.overview import SIGHT, Overview, overview
from viewer.rows import chainage_text, line_of
from viewer.section import WITHIN, Section
from viewer.sheet import factor_text, mark_texts, shortened, slab_word, text_width
from viewer.stage import add_lines, on_page
from viewer.typeface import printed
from viewer.window_keys import COLOUR_KEYS, HELP, VERDICT_KEYS, typed_after
from viewer.window_writing import colour_bar, lay_pane, write_line, write_sign

__all__ = ["LATEST", "Source", "Views", "Window", "show"]

LATEST = ""
"""The stage that stands for the last one of each slab."""
ALWAYS = "h  all keys     n b  slabs that need work     /  find a slab     + \N{MINUS SIGN}  exaggeration     q  close"
FACTORS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
SHARE = 0.52
"""The overview's share of the window's height."""
PIXEL_POINT = 0.72
"""Points of a pixel at the pixels to the inch that the window's words are set with."""
WEIGHTS: Any = [SHARE, 1.0 - SHARE]
PANE = "#f5f6f7"


class Views(Protocol):
    """A section at the stages of its survey, and in the poses that its slabs can be shown in."""

    def stages(self) -> Sequence[str]:
        """Return what can be chosen, ``LATEST`` first."""

    def poses(self) -> Mapping[str, str]:
        """Return what can be chosen, and what slabs in it are called, as built first."""

    def view(self, stage: str, pose: str) -> tuple[Section, Mapping[str, Source]]:
        """Return the section, and what keys show of it; raise SlabposeError where there is none."""

    def to_distance(self, chainage: float) -> float:
        """Return the distance of a chainage, m."""


class Window:
    """Both views in one window; every key is a method call away, so that a test can press it.

    Parameters
    ----------
    views : Views
    name : str
        What is shown first, one of the colours of `COLOUR_KEYS`.
    stage, pose : str
        Shown first.
    slab : int, optional
        The slab close up; the worst if left out.
    off_screen : bool
        Draw without a screen.
    size : (int, int)
        Pixels.

    Raises
    ------
    SlabposeError
        If there is nothing of that name at that stage and in that pose.
    """

    def __init__(
        self,
        views: Views,
        *,
        name: str = "up",
        stage: str = LATEST,
        pose: str = "built",
        slab: int | None = None,
        off_screen: bool = False,
        size: tuple[int, int] = (1600, 900),
    ) -> None:
        import pyvista

        self.views, self.stage, self.pose = views, stage, pose
        self.section, self.sources = views.view(stage, pose)
        self._made: dict[tuple[str, str, str], Sequence[Layer]] = {}
        self._shown: dict[str, int] = {}
        self.told = ""
        self.typed: str | None = None
        """What has been typed of a slab's name; None while nothing is asked for."""
        self.helping = False
        self.hidden: frozenset[int] = frozenset()
        """Verdicts whose slabs are not drawn in rows and stepped over."""
        self.reach = 1.0
        self._plain = self._layers(name)[0]
        self.layer = self._plain
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
            title=self.section.title,
        )
        bigger = partial(self._exaggerate, 1)
        self.keys: dict[str, Callable[[], None]] = {
            **{key: partial(self._show, name) for key, name in COLOUR_KEYS.items()},
            **{key: partial(self._filter, verdict) for verdict, key in enumerate(VERDICT_KEYS)},
            "n": lambda: self._step(1),
            "b": lambda: self._step(-1),
            "Right": lambda: self.go(self.slab + 1),
            "Left": lambda: self.go(self.slab - 1),
            "w": lambda: self.go(self._worst()),
            "slash": self._ask,
            "f": self._ask,
            "plus": bigger,
            "equal": bigger,
            "minus": lambda: self._exaggerate(-1),
            "comma": lambda: self._rescale(-1),
            "period": lambda: self._rescale(1),
            "s": self._next_stage,
            "p": self._next_pose,
            "Home": self._draw_close,
            "h": self._help,
            "question": self._help,
            "Escape": self._put_away,
            "q": self._leave,
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

    def press(self, key: str, character: str = "") -> None:
        """Do what a key does, or add it to what is typed; an unknown key does nothing."""
        if self.typed is not None:
            self._type(key, character)
        elif key in self.keys:
            self.told = ""
            self._say()
            self.keys[key]()
        else:
            return
        self.plotter.render()

    def go(self, slab: int) -> None:
        """Show another slab close up; past the ends the last one stays."""
        self.slab = min(max(slab, 0), len(self.section) - 1)
        self.factor = None
        self._draw_close()

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Slabs that are not hidden by their verdict, shape (n,)."""
        return ~np.isin(self.layer.verdict, sorted(self.hidden))

    def pick(self, x: int, y: int) -> int | None:
        """Return the slab of the overview at a pixel, counted from the lower left corner; None beside the blocks."""
        from vtkmodules.vtkRenderingCore import vtkCellPicker

        if self.over.actor is None:
            return None
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
        key = (self.stage, self.pose, name)
        if key not in self._made:
            self._made[key] = self.sources[name]()
        return self._made[key]

    def _wait(self, words: str) -> None:
        """Say that something takes time, before it does."""
        self.told = words
        self._say()
        self.plotter.render()
        self.told = ""

    def _show(self, name: str) -> None:
        """Show the layers of a name, or the next of them if one is shown; say so where there are none."""
        if name in ("gap", "move", "rail") and (self.stage, self.pose, name) not in self._made:
            self._wait(f"working out what {name} shows \N{HORIZONTAL ELLIPSIS}")
        try:
            layers = self._layers(name)
        except SlabposeError as fault:
            self.told = str(fault)
        else:
            at = (self._shown.get(name, 0) + 1) % len(layers) if self.layer.name == name else 0
            self._shown[name], self._plain = at, layers[at]
            self.layer = scaled(self._plain, self.reach)
            self.factor = None
        self._draw_over()
        self._draw_close()

    def _look_at(self, stage: str, pose: str) -> str:
        """Show the section at another stage or in another pose; return why that cannot be, and change nothing then."""
        before = self.stage, self.pose, self.section, self.sources
        name = self.layer.name
        try:
            self.stage, self.pose = stage, pose
            self.section, self.sources = self.views.view(stage, pose)
            layers = self._layers(name)
        except SlabposeError as fault:
            self.stage, self.pose, self.section, self.sources = before
            return str(fault)
        self._plain = layers[min(self._shown.get(name, 0), len(layers) - 1)]
        self.layer = scaled(self._plain, self.reach)
        self.factor = None
        return ""

    def _next_stage(self) -> None:
        stages = list(self.views.stages())
        told = "the survey has no other stage"
        self._wait("reading another stage of the survey \N{HORIZONTAL ELLIPSIS}")
        at = stages.index(self.stage) if self.stage in stages else 0
        for stage in [*stages[at + 1 :], *stages[:at]]:
            told = self._look_at(stage, self.pose)
            if not told:
                break
        self.told = told
        self._draw_over()
        self._draw_close()

    def _next_pose(self) -> None:
        poses = list(self.views.poses())
        at = poses.index(self.pose)
        told = "there is no other pose"
        self._wait("working out where the slabs lie \N{HORIZONTAL ELLIPSIS}")
        for pose in [*poses[at + 1 :], *poses[:at]]:
            fault = self._look_at(self.stage, pose)
            if not fault:
                told = "" if told == "there is no other pose" else told
                break
            told = fault
        self.told = told
        self._draw_over()
        self._draw_close()

    def _filter(self, verdict: int) -> None:
        """Hide the slabs of a verdict, or show them again."""
        self.hidden = self.hidden ^ {verdict}
        self._draw_over()
        self._draw_close()

    def _step(self, step: int) -> None:
        """Show the next slab that is not within, of those that are not hidden; say so where there is none."""
        slab = next_slab(self.slab, self.seen & (self.layer.verdict != WITHIN), step)
        if slab == self.slab:
            self.told = f"no slab {'ahead' if step > 0 else 'behind'} that needs work"
        self.go(slab)

    def _ask(self) -> None:
        self.typed = ""
        self._say()

    def _type(self, key: str, character: str) -> None:
        """Take a key for what is typed; with Enter go there."""
        typed = self.typed or ""
        self.typed = typed_after(typed, key, character)
        if key == "Escape":
            self.typed = None
        elif key in ("Return", "KP_Enter"):
            self.typed = None
            found = slab_named(self.section, typed, self.views.to_distance)
            if isinstance(found, str):
                self.told = found
            else:
                self.go(found)
        self._say()

    def _help(self) -> None:
        self.helping = not self.helping
        self._draw_over()

    def _put_away(self) -> None:
        """Put away the keys, if they lie over the picture."""
        if self.helping:
            self._help()

    def _leave(self) -> None:
        if self.plotter.iren is not None:
            self.plotter.iren.terminate_app()

    def _rescale(self, step: int) -> None:
        """Let the scale of colours and heights end nearer, or further away."""
        place = REACHES.index(self.reach) + step
        self.reach = REACHES[min(max(place, 0), len(REACHES) - 1)]
        self.layer = scaled(self._plain, self.reach)
        self._draw_over()
        self._draw_close()

    def _exaggerate(self, step: int) -> None:
        place = FACTORS.index(min(FACTORS, key=lambda factor: abs(factor - self.close.factor)))
        self.factor = FACTORS[min(max(place + step, 0), len(FACTORS) - 1)]
        self._draw_close()

    def _draw_over(self) -> None:
        plotter, section = self.plotter, self.section
        plotter.subplot(0, 0)
        plotter.renderer.clear_actors()
        plotter.set_background(PAPER, all_renderers=False)
        width, height = float(self.size[0]), round(self.size[1] * SHARE)
        head, foot = 56.0, 6.0
        layer = self.layer
        self.over = overview(
            plotter, section, layer, width=width, height=height, head=head, foot=foot, shown=self.seen
        )  # fmt: skip
        plan = self.over.plan
        counts = np.bincount(layer.verdict, minlength=len(VERDICTS))
        words = "   ".join(
            f"{counts[verdict]} {layer.words[verdict]}{' (hidden)' if verdict in self.hidden else ''}"
            for verdict in VERDICTS
        )
        write_line(self.plotter, words, (width - 16, height - 24), 14, right=True)
        room = width - 48.0 - text_width(words, 14 * PIXEL_POINT)
        write_line(self.plotter, shortened(printed(section.title), 17 * PIXEL_POINT, room), (16, height - 26), 17)
        times = "\N{MULTIPLICATION SIGN}"
        ends = " and ".join(mark_texts(layer.scale, [layer.scale.low, layer.scale.high]))
        dashed = f"; dashed: {layer.scale.allowed_word}" if layer.scale.allowed else ""
        if len(self.over.arrow_slab):
            dashed += "; filled arrow: lift, open arrow: push, down the page to the right"
        if layer.rails is not None and layer.rails.value_mm.shape[1] > 1:
            dashed += "; left rail behind the right one" if len(plan.walls) > 1 else "; the rail that is further out"
        stage = f"stage {printed(self.stage)}" if self.stage else "latest stage"
        told = (
            f"slabs {self.views.poses()[self.pose]}, {stage}; {layer.title}, {layer.sign}; "
            f"slab width {times}{factor_text(plan.width_factor)}, height {times}{factor_text(plan.height_factor)}, "
            f"cut at {ends} mm{dashed}"
        )
        write_line(self.plotter, shortened(told, 12 * PIXEL_POINT, width - 32.0), (16, height - 48), 12, MUTED)
        along, shown = line_of(section)
        for row in range(plan.rows.count):
            chainage = float(np.interp(plan.rows.start + row * plan.rows.length, along, shown))
            y = float(plan.page(row, 0.0, float(np.mean(plan.guides)))[1])
            write_line(self.plotter, chainage_text(chainage), (10, height - y - 4), 12)
        self._name_worst()
        if self.helping:
            self._show_help()

    def _show_help(self) -> None:
        """Write all keys onto a pane over the rows."""
        height = round(self.size[1] * SHARE)
        top = height - 58.0
        pitch = min(22.0, (top - 8.0) / (len(HELP) + 1.3))
        left, wide, size = 16.0, min(620.0, self.size[0] - 32.0), round(0.64 * pitch)
        lay_pane(self.plotter, left, top - pitch * (len(HELP) + 1.2), left + wide, top)
        write_line(self.plotter, "Keys (h puts this away)", (left + 16.0, top - pitch), size + 1)
        for line, key in enumerate(HELP):
            y = top - pitch * (line + 2.0)
            write_line(self.plotter, key.written, (left + 16.0, y), size)
            write_line(
                self.plotter, shortened(key.does, size * PIXEL_POINT, wide - 140.0), (left + 120.0, y), size, MUTED
            )

    def _name_worst(self) -> None:
        """Write name and value of the worst slabs above their row; one that would cover a worse one is left out."""
        section, plan, layer, mesh = self.section, self.over.plan, self.layer, self.over.mesh
        each = len(mesh.slab_of_point) // max(len(mesh.rims), 1)
        blocks = dict(zip(mesh.slab_of_point[::each].tolist() if each else [], mesh.rims, strict=True))
        ceiling = 0.001 * layer.scale.above * plan.height_factor
        # Nearer to the eye, at the same place of the view, so that no block hides the words.
        nearer = -100.0 / plan.scale * SIGHT
        taken: list[tuple[int, float]] = []
        ranked = layer.ranked(len(section))
        for slab in ranked[self.seen[ranked]][:8].tolist():
            row = int(plan.rows.row(section.distance[slab]))
            x = float(plan.page(0, plan.rows.place(section.distance[slab]))[0])
            if slab in blocks and all(row != other or abs(x - place) > 140.0 for other, place in taken):
                taken.append((row, x))
                block = np.array([blocks[slab][:, 0].mean(), *blocks[slab][:, 1:].max(axis=0)]) + nearer
                head = np.array([block[0], block[1], ceiling + nearer[2]])
                if not plan.walls:
                    add_lines(self.plotter, block[None], head[None], INK, 1.0)
                words = f"{slab_word(section, slab)}  {layer.named(slab)}"
                write_sign(
                    self.plotter,
                    Label((float(head[0]), float(head[1]), float(head[2])), words, "slab"),
                    12,
                    INK,
                    (0, 3),
                )

    def _draw_close(self) -> None:
        plotter, section = self.plotter, self.section
        plotter.subplot(1, 0)
        plotter.renderer.clear_actors()
        plotter.set_background(PANE, all_renderers=False)
        layer = self.layer
        self.close = close_view(plotter, section, self.slab, layer, factor=self.factor)
        for label in self._clear_labels():
            if label.kind == "slab":
                write_sign(self.plotter, label, 14, INK, (0, 10))
            elif label.kind == "arrow":
                write_sign(self.plotter, label, 11, INK, (0, -16) if label.text.endswith(("left", "right")) else (0, 4))
            elif label.kind == "chainage":
                write_sign(self.plotter, label, 12, MUTED, (4, -18))
            else:
                up = label.text.endswith("up")
                write_sign(self.plotter, label, 12, INK, (0, 4) if up else (6, -4), middle=up)
        height = self.size[1] - round(self.size[1] * SHARE)
        name, verdict = slab_word(section, self.slab), layer.words[int(layer.verdict[self.slab])]
        chainage = chainage_text(float(section.chainage[self.slab]))
        write_line(self.plotter, f"{name}, chainage {chainage}: {verdict}", (16, height - 28), 16)
        factor = f"\N{MULTIPLICATION SIGN}{factor_text(self.close.factor)}"
        what = "gap and displacement" if layer.mortar else "displacement"
        arrows = "; arrows: planned moves, mm" if layer.arrows is not None else ""
        told = f"{what} {factor}, arms {self.close.step_mm:g} mm, dark outline: target{arrows}"
        write_line(self.plotter, told, (16, height - 50), 12, MUTED)
        colour = "colour by:  " + "   ".join(f"{key} {name}" for key, name in COLOUR_KEYS.items())
        for line, words in enumerate((colour, ALWAYS)):
            write_line(self.plotter, words, (self.size[0] - 16, 28 - 18 * line), 12, MUTED, right=True)
        self._say()
        colour_bar(self.plotter, self.layer, float(self.size[0]))

    def _say(self) -> None:
        """Write what is asked for or has to be told, in place of what stood there."""
        self.plotter.subplot(1, 0)
        height = self.size[1] - round(self.size[1] * SHARE)
        asked = None if self.typed is None else f"slab or chainage: {self.typed}_    (Enter goes there, Esc back)"
        words = shortened(printed(asked or self.told), 13 * PIXEL_POINT, 0.9 * self.size[0])
        write_line(self.plotter, words, (16, height - 74), 13, name="told")

    def _clear_labels(self) -> list[Label]:
        """Return the words of the close view without those that would stand on others at first sight.

        Slabs are named and the scale is labelled in any case; chainages and arrows give way.
        """
        height = self.size[1] - round(self.size[1] * SHARE)
        # Names over the arrows, where there are any, and else clear of a slab that has no symbol to carry its own.
        over = 2.0 if self.layer.arrows is not None else 0.8 * (self.layer.verdict[self.slab] == WITHIN)
        order = ("slab", "scale", "chainage", "arrow")
        labels = [
            label._replace(point=(*label.point[:2], label.point[2] + over * (label.kind == "slab")))
            for label in self.close.labels
        ]
        places = on_page(self.plotter, [label.point for label in labels], float(self.size[0]), float(height))
        kept: list[Label] = []
        boxes: list[tuple[float, float, float]] = []
        for label, (at, y) in sorted(zip(labels, places, strict=True), key=lambda entry: order.index(entry[0].kind)):
            big = 14 if label.kind == "slab" else 12
            half = 0.5 * text_width(label.text, big * PIXEL_POINT) + 4.0
            x = at
            if label.kind == "slab":
                middle = y - 17.0
            elif label.kind == "chainage":
                x, middle = x + 4.0, y + 13.0
            elif label.kind == "scale" and not label.text.endswith("up"):
                x, middle = x + 6.0 + half, y
            else:
                middle = y - 9.0
            taken = any(abs(x - a) < half + b and abs(middle - c) < 19.0 for a, b, c in boxes)
            if taken and label.kind in ("chainage", "arrow"):
                continue
            boxes.append((x, half, middle))
            kept.append(label)
        return kept


def show(views: Views, *, name: str = "up", stage: str = LATEST, pose: str = "built", slab: str | None = None) -> None:
    """Open the window and wait until it is closed.

    Parameters
    ----------
    views : Views
    name : str
        What is shown first; keys change it.
    stage, pose : str
        Shown first.
    slab : str, optional
        Name of the slab to show close up first.

    Raises
    ------
    SlabposeError
        If there is no screen, no OpenGL, no such slab, or nothing to show of that name.
    """
    if not has_screen():
        raise SlabposeError("there is no screen to open a window on; make a picture file instead")
    answer = prepare()
    if not answer.works:
        raise SlabposeError(answer.told.replace("; drawing flat instead", ""))
    chosen = None if slab is None else views.view(stage, pose)[0].slab(slab)
    window = Window(views, name=name, stage=stage, pose=pose, slab=chosen)
    plotter = window.plotter
    plotter.reset_key_events()
    interactor = plotter.iren.interactor
    # the library's own keys would draw wires, stereo pictures or turn the view under ours
    interactor.RemoveObservers("CharEvent")
    interactor.AddObserver("KeyPressEvent", lambda *_: _pressed(window))
    plotter.iren.add_observer("LeftButtonPressEvent", lambda *_: _clicked(window))
    plotter.render_window.AddObserver("WindowResizeEvent", lambda *_: window.resized())
    plotter.show()


def _pressed(window: Window) -> None:
    """Hand a key on."""
    interactor = window.plotter.iren.interactor
    window.press(interactor.GetKeySym() or "", interactor.GetKeyCode() or "")


def _clicked(window: Window) -> None:
    """Show the clicked block of the overview close up."""
    x, y = window.plotter.iren.get_event_position()
    slab = window.pick(x, y) if y > window.size[1] * (1.0 - SHARE) else None
    if slab is not None:
        window.go(slab)
        window.plotter.render()
