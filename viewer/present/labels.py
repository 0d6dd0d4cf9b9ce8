"""Labels of layers and sentences on a pane, as film and stills have them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from viewer.present.canvas import Canvas
from viewer.present.leaders import leaders
from viewer.present.parts import Part

__all__ = ["label_parts", "story_panel"]

Floats = NDArray[np.float64]

_COLUMN, _STORY = 322.0, 446.0


def label_parts(canvas: Canvas, parts: Sequence[Part], holds: Floats, *, top: float, bottom: float) -> None:
    """Write the names of layers in a column at the right, with lines to them; places in steps of the canvas."""
    size, small = 17.0, 12.5
    left = canvas.width - _COLUMN
    room = canvas.width - 40.0 - left
    canvas.panel(left - 14.0, top - 14.0, canvas.width - 20.0, bottom + 10.0, 0.92)
    notes = [canvas.lines(part.note, small, room, 2) for part in parts]
    sizes = [(room, 24.0 + 17.0 * len(lines)) for lines in notes]
    for part, lines, place in zip(parts, notes, leaders(holds, sizes, left, top, bottom, 10.0), strict=True):
        canvas.line([place.start, place.end], canvas.palette.ink, 1.3)
        canvas.dot(*place.start)
        x, y = place.box[:2]
        canvas.patch(x - 6.0, y, x - 2.0, place.box[3], part.colour)
        canvas.text(x + 4.0, y + 11.0, part.title, size, weight="bold")
        for number, line in enumerate(lines):
            canvas.text(x + 4.0, y + 31.0 + 17.0 * number, line, small, colour=canvas.palette.muted)


def story_panel(canvas: Canvas, sentences: Sequence[str], top: float, edge: float) -> tuple[float, float]:
    """Write sentences on a pane at the right, the first one bold; return a place on its lower edge to point from."""
    size, pitch = 17.0, 24.0
    left, right = canvas.width - edge - _STORY, canvas.width - edge
    lines = [
        (line, number == 0)
        for number, told in enumerate(sentences)
        for line in [*canvas.lines(told, size, _STORY - 46.0, 4, "normal" if number else "bold"), ""]
    ][:-1]
    canvas.panel(left, top, right, top + 28.0 + pitch * len(lines), 0.94)
    for number, (line, first) in enumerate(lines):
        canvas.text(left + 23.0, top + 26.0 + pitch * number, line, size, weight="bold" if first else "normal")
    return left + 46.0, top + 28.0 + pitch * len(lines)
