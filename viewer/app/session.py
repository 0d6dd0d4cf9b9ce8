"""One browser session: its choices, and what its page shows of them."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import Callable, Coroutine
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from geometry.errors import SlabposeError
from viewer.app.book import LATEST, Book, Edition
from viewer.app.charts_svg import charts_svg
from viewer.app.choice import (
    COLOURS,
    REACHES,
    SPANS,
    Choice,
    found,
    ordered,
    page_with,
    scaled,
    shown,
    stepped,
    window_of,
)
from viewer.app.controls_html import (
    FACTORS,
    charts_choice_html,
    chips_html,
    choices_html,
    factor_html,
    guidance_html,
    notice_html,
    scale_html,
    stale_html,
)
from viewer.app.page import GONE, STATE, template
from viewer.app.section_svg import line_svg, stretch_svg
from viewer.app.slab_sheet import sheet_html
from viewer.app.table_html import table_html
from viewer.chart_data import PANELS, Panel, panels_of
from viewer.deviation_layer import deviation_layer
from viewer.layer import Layer
from viewer.rows import chainage_text
from viewer.terminal import visible

if TYPE_CHECKING:
    from viewer.app.solid import Solid

__all__ = ["Session"]

_WIDEST = 4000.0
_MOST_TEXT = 200
_NARROW = 500.0
"""A section narrower than this begins with a shorter stretch, px."""


class Session:
    """The state of one browser session.

    Parameters
    ----------
    book : Book
        What is known of the project; all sessions share it.
    drawing : future, optional
        Of what makes the 3D view, given the trame server; None where there is no OpenGL. The page does not wait for it.
    without_solid : str
        Why there is no 3D view.
    """

    def __init__(
        self, book: Book, drawing: asyncio.Future[Callable[[Any], Solid]] | None, without_solid: str = ""
    ) -> None:
        from trame_client.ui.core import AbstractLayout
        from trame_client.widgets.html import Div
        from trame_server.core import Server

        self._book = book
        self.choice = Choice()
        self.said = ""
        self._number = -1
        self._panels: tuple[Edition, tuple[str, ...], list[Panel]] | None = None
        self._width = {"stretch": 800.0, "charts": 800.0}
        self._rendering: asyncio.TimerHandle | None = None
        self._aside: set[asyncio.Task[None]] = set()
        self._working: list[tuple[Edition, str]] = []
        self._fresh = True
        self._sized = False
        self.secret = secrets.token_hex(16)
        self.server = Server(name=secrets.token_hex(16))
        self.server.client_type = "vue3"
        state = self.server.state
        state.update(STATE)
        state.trame__title = "slabpose"
        state.trame__template_error = GONE
        state.solid_text = without_solid
        self.server.trigger("act")(self.act)
        self._drawing = drawing
        self.solid: Solid | None = None
        self._shape: tuple[int, int] | None = None
        state.solid = drawing is not None
        if drawing is not None:
            from trame_vtk.modules import common, vtk

            for module in (common, vtk):
                self.server.enable_module(module)  # before the server starts
            state.trame__scripts = []  # the document has brought them
        with AbstractLayout(self.server, Div(trame_server=self.server, classes="page")) as layout, layout.root as root:
            root.add_child(template())

    async def start(self) -> None:
        """Start the trame server of this session; it listens on no port."""
        server = self.server
        server.cli.parse_known_args = _no_arguments(server.cli)
        server.start(
            port=0, backend="generic", exec_mode="task", open_browser=False, show_connection_info=False,
            disable_logging=True,
        )  # fmt: skip
        await server.ready
        server.protocol.updateSecret(self.secret)
        if self._drawing is not None:
            self._aside_goes(self._add_solid(self._drawing))

    async def _add_solid(self, drawing: asyncio.Future[Callable[[Any], Solid]]) -> None:
        """Put the 3D view into its place in the page, once what it needs is imported."""
        from trame_client.ui.core import AbstractLayout
        from trame_client.widgets.html import Div

        solid = (await asyncio.shield(drawing))(self.server)
        if self._shape is not None:
            solid.resize(*self._shape)
        self.solid = solid
        if not self._fresh:
            self._draw()  # the first picture that is sent shows it already
        with AbstractLayout(self.server, Div(trame_server=self.server), template_name="solid") as layout, layout.root:
            solid.make_widget()
        self.server.state.solid_there = True
        if not self._fresh:
            self.refresh()

    def begin(self) -> None:
        """Fill the page with what is known now, before a browser asks for it."""
        self.refresh()

    async def stop(self) -> None:
        """End the session and let go of what it holds."""
        for task in self._aside:
            task.cancel()
        if self._rendering is not None:
            self._rendering.cancel()
        await self.server.stop()
        if self.solid is not None:
            self.solid.close()

    # --- what was asked for

    def act(self, what: str = "", value: Any = None) -> None:
        """Do what the page asks for; what makes no sense is left alone."""
        action = getattr(self, f"_on_{what}", None) if isinstance(what, str) and what.isidentifier() else None
        if action is None:
            return
        before = self.choice
        self.said = ""
        # whatever a browser sends: what cannot be read as a choice is none
        with contextlib.suppress(TypeError, ValueError, OverflowError, AttributeError, IndexError):
            action(value)
        if self.choice != before or self.said or what in ("size", "stage"):
            self.refresh(before)

    def _edition(self) -> Edition | None:
        try:
            return self._book.edition(self.choice.stage)
        except SlabposeError as fault:
            self.said = str(fault)
            self.choice = replace(self.choice, stage=LATEST)
            return self._book.latest

    def _layers(self, edition: Edition) -> list[Layer]:
        if edition.ready(self.choice.colour):
            with contextlib.suppress(SlabposeError):
                return edition.layers(self.choice.colour)
        return [deviation_layer(edition.section, "up")]

    def _layer(self, edition: Edition) -> Layer:
        layers = self._layers(edition)
        return layers[min(self.choice.limit, len(layers) - 1)]

    def _choose(self, slab: int) -> None:
        edition = self._edition()
        if edition is None:
            return
        slab = min(max(slab, 0), len(edition.section) - 1)
        self.choice = replace(self.choice, slab=slab)

    def _turn_page(self) -> None:
        edition = self._edition()
        if edition is not None:
            rows = ordered(self.choice, self._layer(edition))
            self.choice = replace(self.choice, page=page_with(self.choice, rows))

    def _on_slab(self, value: Any) -> None:
        self._choose(int(value))
        self._turn_page()

    def _on_share(self, value: Any) -> None:
        """Choose by a share of the whole line, 0 to 1."""
        edition = self._edition()
        if edition is not None:
            along = edition.section.distance
            self._on_distance(along[0] + min(max(float(value), 0.0), 1.0) * (along[-1] - along[0]))

    def _on_distance(self, value: Any) -> None:
        """Choose by a distance along the line, m."""
        edition = self._edition()
        if edition is not None and np.isfinite(float(value)):
            self._on_slab(int(np.abs(edition.section.distance - float(value)).argmin()))

    def _on_step(self, value: Any, *, working: bool = False) -> None:
        edition = self._edition()
        step = int(value)
        if edition is None or step == 0:
            return
        before = self.choice
        self.choice = stepped(self.choice, self._layer(edition), step, working=working)
        if self.choice == before:
            what = "that needs work" if working else "that is shown"
            self.said = f"no slab {'after' if step > 0 else 'before'} this one {what}"
        self._turn_page()

    def _on_work(self, value: Any) -> None:
        self._on_step(value, working=True)

    def _on_end(self, value: Any) -> None:
        edition = self._edition()
        if edition is not None:
            self._on_slab(0 if int(value) < 0 else len(edition.section) - 1)

    def _on_find(self, value: Any) -> None:
        edition = self._edition()
        if edition is None:
            return
        answer = found(edition, str(value)[:_MOST_TEXT])
        if isinstance(answer, str):
            self.said = visible(answer)
        else:
            self._on_slab(answer)

    def _on_verdict(self, value: Any) -> None:
        code = int(value)
        if 0 <= code <= 3:
            kept = self.choice.verdicts ^ {code}
            self.choice = replace(self.choice, verdicts=kept)
            self._turn_page()

    def _on_order(self, value: Any) -> None:
        if value in ("chainage", "worst"):
            self.choice = replace(self.choice, order=value, page=0)

    def _on_page(self, value: Any) -> None:
        edition = self._edition()
        if edition is not None:
            pages = -(-len(ordered(self.choice, self._layer(edition))) // 40)
            self.choice = replace(self.choice, page=min(max(int(value), 0), max(pages - 1, 0)))

    def _on_span(self, value: Any) -> None:
        if float(value) in SPANS:
            self.choice = replace(self.choice, span=float(value))

    def _on_reach(self, value: Any) -> None:
        if float(value) in REACHES:
            self.choice = replace(self.choice, reach=float(value))

    def _on_factor(self, value: Any) -> None:
        if float(value) in FACTORS:
            self.choice = replace(self.choice, factor=float(value))

    def _on_chart(self, value: Any) -> None:
        if value in PANELS:
            chosen = {*self.choice.charts} ^ {value}
            self.choice = replace(self.choice, charts=tuple(name for name in PANELS if name in chosen))

    def _on_limit(self, value: Any) -> None:
        edition = self._edition()
        if edition is not None and 0 <= int(value) < len(self._layers(edition)):
            self.choice = replace(self.choice, limit=int(value))
            self._turn_page()

    def _on_stage(self, value: Any) -> None:
        if value == LATEST or value in self._book.stages:
            self.choice = replace(self.choice, stage=str(value), limit=0)

    def _on_colour(self, value: Any) -> None:
        if value in COLOURS:
            self.choice = replace(self.choice, colour=str(value), limit=0, reach=1.0)

    def _on_size(self, value: Any) -> None:
        if not self._sized and 0.0 < float(value.get("stretch", 0.0)) < _NARROW:
            self.choice = replace(self.choice, span=SPANS[1])
        self._sized = True
        for name in self._width:
            given = float(value.get(name, self._width[name]))
            if 100.0 <= given <= _WIDEST:
                self._width[name] = given
        if value.get("solid"):
            wide, tall = (min(max(int(float(v)), 50), 4000) for v in value["solid"])
            self._shape = wide, tall
            if self.solid is not None:
                self.solid.resize(wide, tall)

    def _on_pick(self, value: Any) -> None:
        """Choose by a place in the 3D view, both as shares of its size from the top left corner."""
        if self.solid is not None:
            slab = self.solid.pick(float(value[0]), float(value[1]))
            if slab is not None:
                self._on_slab(slab)

    def _on_zoom(self, value: Any) -> None:
        if self.solid is not None:
            self.solid.zoom(1.25 if int(value) > 0 else 0.8)

    def _on_gaps(self, _value: Any) -> None:
        edition = self._edition()
        if edition is not None and not edition.ready("gap"):
            self._work_out(edition, "gap")

    def _on_home(self, _value: Any) -> None:
        if self.solid is not None:
            self.solid.home()

    def renewed(self) -> None:
        """Show what the book has read anew."""
        self.said = "the files have changed"
        self.refresh()

    # --- what is shown of it

    def refresh(self, before: Choice | None = None) -> None:
        """Bring the page up to date with book and choices; only what differs is sent."""
        state = self.server.state
        edition = self._edition()
        if edition is None:
            state.guide_html = guidance_html(str(self._book.folder), self._book.trouble)
            state.title_text, state.stand_text = "slabpose", ""
            state.flush()
            return
        state.guide_html = ""
        state.notice_html = stale_html(edition, self._book.trouble) + notice_html(edition)
        if self._fresh:
            self._fresh = False
            worst = np.flatnonzero(edition.needs_work & (edition.check.verdict == 1))
            layer = self._layer(edition)
            first = [*(layer.ranked(1).tolist() if edition.surveyed else []), *worst.tolist(), 0]
            self.choice = replace(self.choice, slab=int(first[0]))
            self._turn_page()
        self.choice = replace(self.choice, slab=min(self.choice.slab, len(edition.section) - 1))
        if not edition.ready(self.choice.colour):
            self._work_out(edition, self.choice.colour)
        self._show(edition)
        state.flush()
        self._draw_soon()

    def _work_out(self, edition: Edition, name: str) -> None:
        """Work out a layer in another thread, and show it then."""
        self.said = "working it out \N{HORIZONTAL ELLIPSIS}"
        if (edition, name) in self._working:
            return
        self._working.append((edition, name))

        async def work() -> None:
            loop = asyncio.get_running_loop()
            try:
                await loop.run_in_executor(None, edition.layers, name)
                self.said = ""
            except SlabposeError as fault:
                if self.choice.colour == name:
                    self.choice = replace(self.choice, colour="up", limit=0)
                self.said = f"cannot be shown: {fault}"
            self._working.remove((edition, name))
            self._turn_page()
            self.refresh()

        self._aside_goes(work())

    def _aside_goes(self, work: Coroutine[Any, Any, None]) -> None:
        """Let work go on beside the page."""
        task = asyncio.get_running_loop().create_task(work)
        self._aside.add(task)
        task.add_done_callback(self._aside.discard)

    def _show(self, edition: Edition) -> None:
        state, choice, section = self.server.state, self.choice, edition.section
        layers = self._layers(edition)
        plain = layers[min(choice.limit, len(layers) - 1)]
        layer = scaled(plain, choice.reach)
        window = window_of(edition, choice)
        slab = choice.slab
        name = visible(str(section.slab_names[slab]))
        state.title_text = visible(section.title)
        state.stand_text = f"{len(section):,} slabs, read at {edition.hour}, followed live"
        state.chips_html = chips_html(layer, choice)
        fitting = 0.0 if self.solid is None else self.solid.fitting(edition, layer, slab)
        shown_choice = replace(choice, colour=layer.name if edition.ready(choice.colour) else choice.colour)
        state.choices_html = choices_html(
            edition, layers, replace(shown_choice, limit=min(choice.limit, len(layers) - 1)), self._book.stages
        )
        state.factor_html = factor_html(choice, fitting)
        state.scale_html = scale_html(layer)
        state.line_html = line_svg(edition, layer, choice, window, self._width["stretch"])
        state.stretch_html = stretch_svg(edition, layer, choice, window, self._width["stretch"])
        state.chosen_id = f"slab-{slab}"
        state.at, state.last = slab + 1, len(section)
        word = layer.words[int(layer.verdict[slab])]
        state.place_text = f"{name}, km {chainage_text(float(section.chainage[slab]))}, {word}, {layer.named(slab)}"
        work = np.flatnonzero((layer.verdict != 0) & shown(choice, layer))
        place = int(np.searchsorted(work, slab))
        is_one = place < len(work) and work[place] == slab
        state.work_text = f"{place + 1} of {len(work)}" if is_one else f"{len(work)}"
        state.sheet_html = sheet_html(edition, layer, slab, lambda: _gap_of(edition))
        rows = ordered(choice, layer)
        state.table_html = table_html(edition, layer, choice, rows)
        state.chartpick_html = charts_choice_html(choice)
        panels = self._charts(edition)
        state.charts_html = charts_svg(edition, panels, choice, window, self._width["charts"]) if panels else ""
        state.said = self.said or state.place_text
        state.told = self.said

    def _charts(self, edition: Edition) -> list[Panel]:
        kept = self._panels
        if kept is None or kept[0] is not edition or kept[1] != self.choice.charts:
            section, project = edition.section, edition.project
            ends = float(section.distance[0]) - 5.0, float(section.distance[-1]) + 5.0
            span = max(ends[0], 0.0), min(ends[1], project.alignment.length)
            check = edition.check if edition.surveyed else None
            panels = panels_of(project.alignment, self.choice.charts, span, project=project, check=check)
            kept = self._panels = edition, self.choice.charts, panels
        return kept[2]

    def _draw_soon(self) -> None:
        """Render the 3D view when everything else has been sent; of several wishes only the last one counts."""
        if self.solid is None:
            return
        if self._rendering is not None:
            self._rendering.cancel()
        self._rendering = asyncio.get_running_loop().call_later(0.02, self._draw)

    def _draw(self) -> None:
        self._rendering = None
        edition = self._edition()
        if edition is None or self.solid is None:
            return
        told = self.solid.show(edition, scaled(self._layer(edition), self.choice.reach), self.choice)
        with self.server.state as state:
            state.solid_text = told


def _gap_of(edition: Edition) -> Layer | None:
    if not edition.ready("gap"):
        return None
    try:
        return edition.layers("gap")[0]
    except SlabposeError:
        return None


def _no_arguments(parser: Any) -> Callable[..., Any]:
    """Return a stand-in that parses nothing: the command line is not for the server of a session."""
    parse = parser.parse_known_args
    return lambda *_: parse([])
