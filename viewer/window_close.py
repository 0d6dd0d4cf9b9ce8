"""The lower view of the window: a dozen slabs close up, their words, the scale, and what keys are at hand."""

from __future__ import annotations

from typing import Any

from viewer.close import CloseView, Label, close_view
from viewer.colours import INK, MUTED
from viewer.rows import chainage_text
from viewer.section import WITHIN
from viewer.sheet import factor_text, shortened, slab_word, text_width
from viewer.stage import on_page
from viewer.typeface import printed
from viewer.window_keys import COLOUR_KEYS
from viewer.window_shown import PIXEL_POINT, Shown
from viewer.window_writing import colour_bar, write_line, write_sign

__all__ = ["ALWAYS", "draw_close", "write_told"]

ALWAYS = "h  all keys     n b  slabs that need work     /  find a slab     + \N{MINUS SIGN}  exaggeration     q  close"
"""The keys that are named at any time."""
PANE = "#f5f6f7"
ORDER = ("slab", "scale", "chainage", "arrow")
"""Kinds of labels: which one stays where two would stand on each other."""


def draw_close(plotter: Any, shown: Shown) -> CloseView:
    """Draw slabs close up into the lower view of a window, in place of what stood there."""
    section, layer, slab = shown.section, shown.layer, shown.slab
    plotter.subplot(1, 0)
    plotter.renderer.clear_actors()
    plotter.set_background(PANE, all_renderers=False)
    drawn = close_view(plotter, section, slab, layer, factor=shown.factor)
    _write_labels(plotter, _clear_labels(plotter, shown, drawn))
    height = shown.close_height
    verdict = layer.words[int(layer.verdict[slab])]
    chainage = chainage_text(float(section.chainage[slab]))
    write_line(plotter, f"{slab_word(section, slab)}, chainage {chainage}: {verdict}", (16, height - 28), 16)
    factor = f"\N{MULTIPLICATION SIGN}{factor_text(drawn.factor)}"
    what = "gap and displacement" if layer.mortar else "displacement"
    arrows = "; arrows: planned moves, mm" if layer.arrows is not None else ""
    told = f"{what} {factor}, arms {drawn.step_mm:g} mm, dark outline: target{arrows}"
    write_line(plotter, told, (16, height - 50), 12, MUTED)
    colour = "colour by:  " + "   ".join(f"{key} {name}" for key, name in COLOUR_KEYS.items())
    for line, words in enumerate((colour, ALWAYS)):
        write_line(plotter, words, (shown.size[0] - 16, 28 - 18 * line), 12, MUTED, right=True)
    colour_bar(plotter, layer, shown.width)
    return drawn


def write_told(plotter: Any, shown: Shown, words: str) -> None:
    """Write what is asked for or has to be told into the lower view, in place of what stood there."""
    plotter.subplot(1, 0)
    line = shortened(printed(words), 13 * PIXEL_POINT, 0.9 * shown.width)
    write_line(plotter, line, (16, shown.close_height - 74), 13, name="told")


def _write_labels(plotter: Any, labels: list[Label]) -> None:
    """Write the words that belong to points of the view."""
    for label in labels:
        if label.kind == "slab":
            write_sign(plotter, label, 14, INK, (0, 10))
        elif label.kind == "arrow":
            write_sign(plotter, label, 11, INK, (0, -16) if label.text.endswith(("left", "right")) else (0, 4))
        elif label.kind == "chainage":
            write_sign(plotter, label, 12, MUTED, (4, -18))
        else:
            up = label.text.endswith("up")
            write_sign(plotter, label, 12, INK, (0, 4) if up else (6, -4), middle=up)


def _clear_labels(plotter: Any, shown: Shown, drawn: CloseView) -> list[Label]:
    """Return the words of the close view without those that would stand on others at first sight.

    Slabs are named and the scale is labelled in any case; chainages and arrows give way.
    """
    layer = shown.layer
    # Names over the arrows, where there are any, and else clear of a slab that has no symbol to carry its own.
    over = 2.0 if layer.arrows is not None else 0.8 * (layer.verdict[shown.slab] == WITHIN)
    labels = [
        label._replace(point=(*label.point[:2], label.point[2] + over * (label.kind == "slab")))
        for label in drawn.labels
    ]
    places = on_page(plotter, [label.point for label in labels], shown.width, float(shown.close_height))
    kept: list[Label] = []
    boxes: list[tuple[float, float, float]] = []
    for label, (at, y) in sorted(zip(labels, places, strict=True), key=lambda entry: ORDER.index(entry[0].kind)):
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
