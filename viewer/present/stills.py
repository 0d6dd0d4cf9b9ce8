"""Stills for print: one slab among its neighbours, its layers together and apart, and before and after a move."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geometry.exchange.writing import one_piece
from viewer.mesh import slab_vertices
from viewer.present.canvas import TALL, WIDE, Canvas
from viewer.present.labels import label_parts, story_panel
from viewer.present.palette import Palette
from viewer.present.parts import APART, parts_of
from viewer.present.show import Show
from viewer.present.staging import Stage, track_stage
from viewer.present.words import (
    COMPUTED,
    MEASURED,
    exaggeration_words,
    layer_words,
    lowered_words,
    move_words,
    place_words,
    scale_words,
    slab_words,
)
from viewer.stage import add_bodies

__all__ = ["before_after", "layers_still", "section_still", "still_size", "stills_of", "write_still"]

_INCHES: Final = 11.0  # wide: 16 by 9 on a sheet of A4
_EDGE, _HEAD, _FOOT = 36.0, 118.0, 112.0
_FRESH: Final = (
    "After: computed, as the correction plan turns the screws in whole steps. The slabs are measured again once they "
    "have been moved."
)


def still_size(dpi: int) -> tuple[int, int]:
    """Return the pixels of a still 11 inches (279 mm) wide."""
    return round(_INCHES * dpi), round(_INCHES * dpi * TALL / WIDE)


def _page(size: tuple[int, int], palette: Palette) -> Canvas:
    shade = [int(palette.paper[at : at + 2], 16) for at in (1, 3, 5)]
    return Canvas(np.full((size[1], size[0], 3), shade, dtype=np.uint8), palette)


def _pane(canvas: Canvas, left: float, top: float, width: float, height: float) -> tuple[int, int]:
    """Return the pixels of a part of the page."""
    return max(16, round(width * canvas.step)), max(16, round(height * canvas.step))


def _heading(canvas: Canvas, title: str, subtitle: str) -> None:
    room = canvas.width - 2 * _EDGE
    canvas.text(_EDGE, 46.0, canvas.shortened(title, 30.0, room, "bold"), 30.0, weight="bold")
    canvas.text(_EDGE, 84.0, canvas.shortened(subtitle, 15.0, room), 15.0, colour=canvas.palette.muted)


def _foot(canvas: Canvas, show: Show, first: str, known: Sequence[str], *, scale: bool) -> None:
    top, half = canvas.height - _FOOT + 26.0, 0.5 * canvas.width
    room = half - 60.0 if scale else canvas.width - 2 * _EDGE
    canvas.text(_EDGE, top, canvas.shortened(first, 15.0, room, "bold"), 15.0, weight="bold",
                colour=canvas.palette.accent)  # fmt: skip
    y = top + 25.0
    for line in known:
        for piece in canvas.lines(line, 12.0, room, 2):
            canvas.text(_EDGE, y, piece, 12.0, colour=canvas.palette.muted)
            y += 17.0
    if scale:
        width = half - _EDGE - 20.0
        canvas.text(half + 20.0, top, canvas.shortened(layer_words(show), 12.0, width), 12.0)
        canvas.colour_scale(half + 20.0, top + 16.0, width, scale_words(show))


def _neighbours(show: Show, behind: int, ahead: int) -> NDArray[np.int64]:
    return np.arange(max(0, show.slab - behind), min(len(show.section), show.slab + ahead + 1))


def _frame(show: Show) -> NDArray[np.float64]:
    """Return the level frame along the shown slab: columns right, forward, up."""
    forward = show.section.target_rotation[show.slab, :, 1] * [1.0, 1.0, 0.0]
    forward /= np.linalg.norm(forward)
    return np.column_stack([[forward[1], -forward[0], 0.0], forward, [0.0, 0.0, 1.0]])


def _track_pane(
    show: Show, palette: Palette, size: tuple[int, int], eye: Sequence[float], focus: Sequence[float], *, after: bool
) -> Stage:
    """Return the stage of the shown slab and its neighbours from a place in its level frame."""
    slabs = _neighbours(show, 30, 30)
    origin, frame = show.section.target_position[show.slab], _frame(show)
    stage = track_stage(show, palette, size, slabs, origin, after=after)[0]
    stage.look(frame @ np.asarray(eye), frame @ np.asarray(focus))
    return stage


def section_still(show: Show, palette: Palette, size: tuple[int, int]) -> Canvas:
    """Return the shown slab among its neighbours, with its numbers in words."""
    canvas = _page(size, palette)
    height = canvas.height - _HEAD - _FOOT
    stage = _track_pane(show, palette, _pane(canvas, 0.0, _HEAD, canvas.width, height), (6.6, -9.2, 5.6),
                        (1.5, 2.5, -0.1), after=False)  # fmt: skip
    pixels = stage.shot()
    corner = np.array([[0.5 * show.kind.width, 0.12 * show.kind.length, 0.0]])
    held = slab_vertices(show.section, np.array([show.slab]), corner, factor=show.factor,
                         origin=show.section.target_position[show.slab])[0][0]  # fmt: skip
    x, y = stage.on_page(held)[0] / canvas.step
    lowered = lowered_words(stage.lowered_now)
    stage.close()
    _put(canvas, pixels, 0.0, _HEAD)
    _heading(canvas, show.title, show.subtitle)
    start = story_panel(canvas, slab_words(show, show.slab), _HEAD + 22.0, _EDGE)
    canvas.line([start, (x, _HEAD + y)], width=1.6)
    canvas.dot(x, _HEAD + y, 4.5)
    where = place_words(show.section, float(show.section.distance[show.slab]))
    first = exaggeration_words(show.factor)
    known = [where, f"{MEASURED} {COMPUTED}"]
    if lowered:
        known.insert(1, f"{lowered[0].upper()}{lowered[1:]}.")
    _foot(canvas, show, first, known, scale=True)
    return canvas


def _put(canvas: Canvas, pixels: NDArray[np.uint8], left: float, top: float) -> None:
    from PIL import Image

    canvas.image.paste(Image.fromarray(pixels), (round(left * canvas.step), round(top * canvas.step)))


def layers_still(show: Show, palette: Palette, size: tuple[int, int], apart: float) -> Canvas:
    """Return the layers under a slab with one corner cut away: 0 together to 1 apart."""
    canvas = _page(size, palette)
    height = canvas.height - _HEAD - 70.0
    stage = Stage(_pane(canvas, 0.0, _HEAD, canvas.width, height), palette)
    parts = parts_of(show, palette, show.slab)
    for part in parts:
        actor = add_bodies(stage.plotter, part.points, part.faces, part.colour)
        actor.SetPosition(0.0, 0.0, apart * APART[part.name])
    reach = 0.80 + 0.30 * apart
    eye, focus = np.array([7.4, -6.4, 5.0]) * reach, np.array([1.25, 0.95, -0.2 + 1.0 * apart])
    stage.look(eye + focus, focus)
    pixels = stage.shot()
    holds = stage.on_page([part.hold + np.array([0.0, 0.0, apart * part.lift]) for part in parts]) / canvas.step
    stage.close()
    _put(canvas, pixels, 0.0, _HEAD)
    label_parts(canvas, parts, holds + np.array([0.0, _HEAD]), top=_HEAD + 40.0, bottom=canvas.height - 70.0 - 40.0)
    state = "taken apart" if apart > 0.5 else "together, one corner cut away"
    _heading(canvas, "What lies under the rail", f"The layers of the track, {state}. {show.title}")
    canvas.text(_EDGE, canvas.height - 44.0, exaggeration_words(1.0), 15.0, weight="bold", colour=palette.accent)
    known = "Slab, mortar, bed and anchor by their design sizes; rail and fastener in a usual shape."
    canvas.text(_EDGE, canvas.height - 21.0, known, 12.0, colour=palette.muted)
    return canvas


def before_after(show: Show, palette: Palette, size: tuple[int, int]) -> Canvas:
    """Return the shown slab as measured beside the same after its computed move, drawn alike."""
    canvas = _page(size, palette)
    gap, lowered = 12.0, 0.0
    wide, height = (canvas.width - gap) / 2, canvas.height - _HEAD - _FOOT
    for number, (word, known) in enumerate((("Before", "as measured"), ("After", "as planned"))):
        left = number * (wide + gap)
        stage = _track_pane(show, palette, _pane(canvas, left, _HEAD, wide, height), (9.0, -8.6, 6.0), (0.0, 0.5, -0.1),
                            after=number == 1)  # fmt: skip
        _put(canvas, stage.shot(), left, _HEAD)
        lowered = stage.lowered_now
        stage.close()
        canvas.panel(left + 20.0, _HEAD + 18.0, left + 260.0, _HEAD + 62.0, 0.92)
        canvas.text(left + 36.0, _HEAD + 40.0, word, 19.0, weight="bold")
        canvas.text(left + 52.0 + canvas.text_width(word, 19.0, "bold"), _HEAD + 40.0, known, 15.0,
                    colour=palette.muted)  # fmt: skip
    _heading(canvas, f"Slab {show.name} before and after its planned move", move_words(show, show.slab))
    first = f"{exaggeration_words(show.factor)}, on both sides"
    told = [f"Before: measured. {_FRESH}"]
    if lower := lowered_words(lowered):
        told.insert(0, f"On both sides {lower}.")
    _foot(canvas, show, first, told, scale=True)
    return canvas


def stills_of(show: Show, palette: Palette, size: tuple[int, int]) -> Mapping[str, Callable[[], Canvas]]:
    """Return what makes each still, by the name of its file; before and after only if the slab is moved."""
    made: dict[str, Callable[[], Canvas]] = {
        "section.png": partial(section_still, show, palette, size),
        "layers-together.png": partial(layers_still, show, palette, size, 0.0),
        "layers-apart.png": partial(layers_still, show, palette, size, 1.0),
    }
    if show.moved[show.slab]:
        made["before-after.png"] = partial(before_after, show, palette, size)
    return made


def write_still(path: Path, canvas: Canvas, dpi: int, inputs: Sequence[Path]) -> None:
    """Write a still as PNG that says its resolution, in one piece."""
    with one_piece(path, inputs) as file:
        canvas.image.save(file, format="PNG", dpi=(dpi, dpi), compress_level=6)
