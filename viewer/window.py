"""The window: the section in rows above, a dozen slabs below, and keys for what is shown and how."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.errors import SlabposeError
from viewer.choosing import next_slab, slab_named
from viewer.close import CloseView
from viewer.gl import has_screen, prepare
from viewer.layer import Layer, Source
from viewer.overview import Overview
from viewer.section import WITHIN, Section
from viewer.window_choice import LATEST, Choice, Views
from viewer.window_close import draw_close, write_told
from viewer.window_keys import COLOUR_KEYS, VERDICT_KEYS, typed_after
from viewer.window_rows import draw_rows, lay_keys
from viewer.window_shown import SHARE, Shown

__all__ = ["LATEST", "Source", "Views", "Window", "show"]

FACTORS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
WEIGHTS: Any = [SHARE, 1.0 - SHARE]


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

        self.choice = Choice(views, name, stage, pose)
        self.told = ""
        self.typed: str | None = None
        """What has been typed of a slab's name; None while nothing is asked for."""
        self.helping = False
        self.size = size
        self.slab = self.choice.worst if slab is None else slab
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
            "w": lambda: self.go(self.choice.worst),
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
        self._draw()

    def resized(self) -> None:
        """Lay everything out anew if the window has another size than it was drawn for."""
        size = tuple(int(side) for side in self.plotter.render_window.GetSize())
        if size != tuple(self.size) and min(size) > 0:
            self.size = (size[0], size[1])
            camera = self.plotter.renderers[1].camera.copy()
            self._draw()
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
    def views(self) -> Views:
        """What there is to choose from."""
        return self.choice.views

    @property
    def section(self) -> Section:
        """The section as it is shown."""
        return self.choice.section

    @property
    def layer(self) -> Layer:
        """What slabs are coloured by."""
        return self.choice.layer

    @property
    def stage(self) -> str:
        """The stage shown."""
        return self.choice.stage

    @property
    def pose(self) -> str:
        """The pose shown."""
        return self.choice.pose

    @property
    def hidden(self) -> frozenset[int]:
        """Verdicts whose slabs are not drawn in rows and stepped over."""
        return self.choice.hidden

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Slabs that are not hidden by their verdict, shape (n,)."""
        return self._now.seen

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

    def _wait(self, words: str) -> None:
        """Say that something takes time, before it does."""
        self.told = words
        self._say()
        self.plotter.render()
        self.told = ""

    def _show(self, name: str) -> None:
        """Show the layers of a name, or the next of them if one is shown; say so where there are none."""
        if name in ("gap", "move", "rail") and not self.choice.is_made(name):
            self._wait(f"working out what {name} shows \N{HORIZONTAL ELLIPSIS}")
        try:
            self.choice.colour_by(name)
        except SlabposeError as fault:
            self.told = str(fault)
        else:
            self.factor = None
        self._draw()

    def _next_stage(self) -> None:
        self._wait("reading another stage of the survey \N{HORIZONTAL ELLIPSIS}")
        self._look_on(self.choice.next_stage)

    def _next_pose(self) -> None:
        self._wait("working out where the slabs lie \N{HORIZONTAL ELLIPSIS}")
        self._look_on(self.choice.next_pose)

    def _look_on(self, to_next: Callable[[], str]) -> None:
        """Show the next stage or pose, and say what has to be told of it."""
        before = self.stage, self.pose
        self.told = to_next()
        if (self.stage, self.pose) != before:
            self.factor = None
        self._draw()

    def _filter(self, verdict: int) -> None:
        """Hide the slabs of a verdict, or show them again."""
        self.choice.hide(verdict)
        self._draw()

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
        self._draw_rows()

    def _put_away(self) -> None:
        """Put away the keys, if they lie over the picture."""
        if self.helping:
            self._help()

    def _leave(self) -> None:
        if self.plotter.iren is not None:
            self.plotter.iren.terminate_app()

    def _rescale(self, step: int) -> None:
        """Let the scale of colours and heights end nearer, or further away."""
        self.choice.rescale(step)
        self._draw()

    def _exaggerate(self, step: int) -> None:
        place = FACTORS.index(min(FACTORS, key=lambda factor: abs(factor - self.close.factor)))
        self.factor = FACTORS[min(max(place + step, 0), len(FACTORS) - 1)]
        self._draw_close()

    @property
    def _now(self) -> Shown:
        """What both views are drawn from."""
        called = self.views.poses()[self.pose]
        return Shown(self.section, self.layer, self.slab, self.factor, self.hidden, called, self.stage, self.size)

    def _draw(self) -> None:
        self._draw_rows()
        self._draw_close()

    def _draw_rows(self) -> None:
        self.over = draw_rows(self.plotter, self._now)
        if self.helping:
            lay_keys(self.plotter, self._now)

    def _draw_close(self) -> None:
        self.close = draw_close(self.plotter, self._now)
        self._say()

    def _say(self) -> None:
        """Write what is asked for or has to be told."""
        asked = None if self.typed is None else f"slab or chainage: {self.typed}_    (Enter goes there, Esc back)"
        write_told(self.plotter, self._now, asked or self.told)


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
