"""The upper view of the window: the section in rows, what it says, and all keys laid over it."""

from __future__ import annotations

from typing import Any

import numpy as np

from viewer.close_place import label_at
from viewer.colours import INK, MUTED, PAPER, VERDICTS
from viewer.overview import SIGHT, Overview, overview
from viewer.rows import chainage_text, line_of
from viewer.sheet import factor_text, mark_texts, shortened, slab_word, text_width
from viewer.stage import add_lines
from viewer.typeface import printed
from viewer.window_keys import HELP
from viewer.window_shown import PIXEL_POINT, Shown
from viewer.window_writing import lay_pane, write_line, write_sign

__all__ = ["draw_rows", "lay_keys"]

HEAD, FOOT = 56.0, 6.0
"""Room above and below the rows, pixels."""
NAMED = 8
"""Worst slabs that are named at most."""
APART = 140.0
"""Names in one row stand at least this far from each other, pixels."""


def draw_rows(plotter: Any, shown: Shown) -> Overview:
    """Draw the section in rows into the upper view of a window, in place of what stood there."""
    plotter.subplot(0, 0)
    plotter.renderer.clear_actors()
    plotter.set_background(PAPER, all_renderers=False)
    drawn = overview(
        plotter, shown.section, shown.layer, width=shown.width, height=shown.rows_height, head=HEAD, foot=FOOT,
        shown=shown.seen,
    )  # fmt: skip
    _write_head(plotter, shown, drawn)
    _write_chainages(plotter, shown, drawn)
    _name_worst(plotter, shown, drawn)
    return drawn


def _write_head(plotter: Any, shown: Shown, drawn: Overview) -> None:
    """Write title, counts of verdicts, and how to read the rows."""
    layer, plan, width, height = shown.layer, drawn.plan, shown.width, shown.rows_height
    counts = np.bincount(layer.verdict, minlength=len(VERDICTS))
    words = "   ".join(
        f"{counts[verdict]} {layer.words[verdict]}{' (hidden)' if verdict in shown.hidden else ''}"
        for verdict in VERDICTS
    )
    write_line(plotter, words, (width - 16, height - 24), 14, right=True)
    room = width - 48.0 - text_width(words, 14 * PIXEL_POINT)
    write_line(plotter, shortened(printed(shown.section.title), 17 * PIXEL_POINT, room), (16, height - 26), 17)
    times = "\N{MULTIPLICATION SIGN}"
    ends = " and ".join(mark_texts(layer.scale, [layer.scale.low, layer.scale.high]))
    more = f"; dashed: {layer.scale.allowed_word}" if layer.scale.allowed else ""
    if len(drawn.arrow_slab):
        more += "; filled arrow: lift, open arrow: push, down the page to the right"
    if layer.rails is not None and layer.rails.value_mm.shape[1] > 1:
        more += "; left rail behind the right one" if len(plan.walls) > 1 else "; the rail that is further out"
    stage = f"stage {printed(shown.stage)}" if shown.stage else "latest stage"
    told = (
        f"slabs {shown.called}, {stage}; {layer.title}, {layer.sign}; "
        f"slab width {times}{factor_text(plan.width_factor)}, height {times}{factor_text(plan.height_factor)}, "
        f"cut at {ends} mm{more}"
    )
    write_line(plotter, shortened(told, 12 * PIXEL_POINT, width - 32.0), (16, height - 48), 12, MUTED)


def _write_chainages(plotter: Any, shown: Shown, drawn: Overview) -> None:
    """Write where each row begins."""
    plan = drawn.plan
    along, chainages = line_of(shown.section)
    for row in range(plan.rows.count):
        chainage = float(np.interp(plan.rows.start + row * plan.rows.length, along, chainages))
        y = float(plan.page(row, 0.0, float(np.mean(plan.guides)))[1])
        write_line(plotter, chainage_text(chainage), (10, shown.rows_height - y - 4), 12)


def _name_worst(plotter: Any, shown: Shown, drawn: Overview) -> None:
    """Write name and value of the worst slabs above their row; one that would cover a worse one is left out."""
    section, layer, plan, mesh = shown.section, shown.layer, drawn.plan, drawn.mesh
    each = len(mesh.slab_of_point) // max(len(mesh.rims), 1)
    blocks = dict(zip(mesh.slab_of_point[::each].tolist() if each else [], mesh.rims, strict=True))
    ceiling = 0.001 * layer.scale.above * plan.height_factor
    # Nearer to the eye, at the same place of the view, so that no block hides the words.
    nearer = -100.0 / plan.scale * SIGHT
    taken: list[tuple[int, float]] = []
    ranked = layer.ranked(len(section))
    for slab in ranked[shown.seen[ranked]][:NAMED].tolist():
        row = int(plan.rows.row(section.distance[slab]))
        x = float(plan.page(0, plan.rows.place(section.distance[slab]))[0])
        if slab in blocks and all(row != other or abs(x - place) > APART for other, place in taken):
            taken.append((row, x))
            block = np.array([blocks[slab][:, 0].mean(), *blocks[slab][:, 1:].max(axis=0)]) + nearer
            head = np.array([block[0], block[1], ceiling + nearer[2]])
            if not plan.walls:
                add_lines(plotter, block[None], head[None], INK, 1.0)
            words = f"{slab_word(section, slab)}  {layer.named(slab)}"
            write_sign(plotter, label_at(head, words, "slab"), 12, INK, (0, 3))


def lay_keys(plotter: Any, shown: Shown) -> None:
    """Write all keys onto a pane over the rows."""
    top = shown.rows_height - 58.0
    pitch = min(22.0, (top - 8.0) / (len(HELP) + 1.3))
    left, wide, size = 16.0, min(620.0, shown.width - 32.0), round(0.64 * pitch)
    plotter.subplot(0, 0)
    lay_pane(plotter, left, top - pitch * (len(HELP) + 1.2), left + wide, top)
    write_line(plotter, "Keys (h puts this away)", (left + 16.0, top - pitch), size + 1)
    for line, key in enumerate(HELP):
        y = top - pitch * (line + 2.0)
        write_line(plotter, key.written, (left + 16.0, y), size)
        write_line(plotter, shortened(key.does, size * PIXEL_POINT, wide - 140.0), (left + 120.0, y), size, MUTED)
