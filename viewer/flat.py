"""The overview as a flat drawing, by matplotlib alone: PNG, SVG or PDF on any machine.

The section runs in rows. In each row stand, from top to bottom: names of the worst slabs, symbols of slabs
that are not within, bars of the deviation between lines of the tolerance, the slabs in plan coloured by the
deviation at their corners, structures, chainage.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from viewer.colours import GROUND, INK, MUTED, PAPER
from viewer.flat_lanes import ARROW_ROOM, BOTTOM, LEFT, RIGHT, TOP, Chart, Lanes
from viewer.flat_values import draw_values, line_words
from viewer.layer import Layer
from viewer.rows import Rows, chainage_text, chainage_ticks, line_of, nice_below, rows_of
from viewer.section import NOT_MEASURED, OUT, UNDECIDED, WITHIN, Section
from viewer.sheet import Sheet, factor_text, mark_texts, shortened, slab_word, spread, structure_words, text_width
from viewer.thinning import gravest
from viewer.typeface import printed

__all__ = ["flat_picture", "flat_sheet"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


def _draw_ground(sheet: Sheet, section: Section, layer: Layer, rows: Rows, lanes: Lanes) -> None:
    """Draw what lies behind the slabs: band, middle, allowed range, structures and chainage of each row."""
    chart = Chart.of(layer, lanes)
    limits = layer.scale.allowed or ()
    texts = mark_texts(layer.scale, limits)
    scale = (RIGHT - LEFT) / rows.length
    along, shown = line_of(section)
    for row, x0, x1 in rows.spans(along[0], along[-1]):
        top, low, high = TOP + row * lanes.pitch, LEFT + x0 * scale, LEFT + x1 * scale
        sheet.box(low, top + lanes.chart[0], high - low, lanes.chart[1] - lanes.chart[0], facecolor="#f5f6f7", zorder=0)
        sheet.box(low, top + lanes.plan[0], high - low, lanes.plan[1] - lanes.plan[0], facecolor=GROUND, zorder=0)
        zero = top + chart.zero
        sheet.line([low, high], [zero, zero], lw=0.6, color=MUTED, zorder=2)
        for value, word in zip(limits, texts, strict=True):
            at = zero - (value - layer.scale.middle) * chart.unit
            sheet.line([low, high], [at, at], lw=0.8, ls=(0, (4, 2.5)), color=MUTED, zorder=4.5)
            if abs(at - zero) >= 9.0:
                sheet.text(LEFT - 8.0, at, word, 8.0, ha="right", color=MUTED)
        chainage = np.interp(rows.start + row * rows.length + x0, along, shown)
        sheet.text(32.0, top + 0.5 * sum(lanes.chart), chainage_text(float(chainage)), 10.0, weight="bold")
    for structure in section.structures:
        dark = "tunnel" in structure.kind.lower()
        stretch = max(structure.distance_start, along[0]), min(structure.distance_end, along[-1])
        for row, x0, x1 in rows.spans(*stretch):
            top, bottom = (TOP + row * lanes.pitch + edge for edge in lanes.structures)
            x, width, fill = LEFT + x0 * scale, (x1 - x0) * scale, MUTED if dark else PAPER
            sheet.box(x, top, width, bottom - top, facecolor=fill, edgecolor=MUTED, lw=0.8, zorder=2)
            word = shortened(printed(structure_words(structure)), 7.0, width - 8.0)
            if len(word) > 3:
                ink = PAPER if dark else INK
                middle = 0.5 * (top + bottom) + 0.3
                sheet.text(x + 0.5 * width, middle, word, 7.0, ha="center", color=ink, zorder=4)
    _draw_chainage(sheet, section, rows, lanes)


def _draw_chainage(sheet: Sheet, section: Section, rows: Rows, lanes: Lanes) -> None:
    """Write round chainages under each row, as many as have room."""
    scale = (RIGHT - LEFT) / rows.length
    room = text_width("000+000", 8.0) + 24.0
    step = nice_below(room / scale)
    while step * scale < room:
        step = nice_below(2.5 * step)
    along, shown = line_of(section)
    marks, values = chainage_ticks(shown, along, step)
    top = TOP + rows.row(marks) * lanes.pitch + lanes.ticks
    x = LEFT + rows.place(marks) * scale
    taken = np.full(rows.count, -np.inf)  # where the last word of a row ended: marks come close at a chainage break
    for at, y, row, value in zip(x, top, rows.row(marks), values, strict=True):
        sheet.line([at, at], [y, y + 4.0], lw=0.8, color=MUTED)
        if at - 0.5 * room > taken[row]:
            sheet.text(at, y + 10.5, chainage_text(float(value)), 8.0, ha="center", color=MUTED)
            taken[row] = at + 0.5 * (room - 24.0)


def _draw_names(sheet: Sheet, section: Section, layer: Layer, *, rows: Rows, lanes: Lanes, count: int) -> None:
    """Write name and value of the worst slabs above their row, with a line down to the slab."""
    scale = (RIGHT - LEFT) / rows.length
    worst = layer.ranked(count)
    for row in np.unique(rows.row(section.distance[worst])):
        members = worst[rows.row(section.distance[worst]) == row]
        words = {int(slab): f"{slab_word(section, int(slab))}  {layer.named(int(slab))}" for slab in members}
        widths = {slab: text_width(word, 8.5, "bold") for slab, word in words.items()}
        while sum(widths.values()) + 10.0 * len(widths) > RIGHT - LEFT:  # the least of them gives way
            widths.pop(list(widths)[-1])
        slabs = sorted(widths)
        wanted = LEFT + rows.place(section.distance[slabs]) * scale
        places = spread(wanted, [widths[slab] for slab in slabs], LEFT, RIGHT, gap=10.0)
        top = TOP + row * lanes.pitch
        for slab, place, at in zip(slabs, places, wanted, strict=True):
            sheet.text(place, top + lanes.names, words[slab], 8.5, weight="bold", ha="center", zorder=6)
            end = lanes.chart[0] if layer.verdict[slab] == WITHIN else lanes.symbols - 5.0
            foot = np.clip(at, place - 0.5 * widths[slab], place + 0.5 * widths[slab])
            sheet.line([foot, at], [top + lanes.names + 6.5, top + end], lw=0.8, zorder=4.6)


def _draw_symbols(sheet: Sheet, section: Section, layer: Layer, rows: Rows, lanes: Lanes) -> None:
    """Draw the symbols of all slabs that are not within; where they would cover each other, the gravest."""
    x = LEFT + rows.place(section.distance) * (RIGHT - LEFT) / rows.length
    y = TOP + rows.row(section.distance) * lanes.pitch + lanes.symbols
    slabs = gravest(section, layer.verdict, rows, int((RIGHT - LEFT) / 5.5))
    for verdict in (UNDECIDED, NOT_MEASURED, OUT):
        kind = slabs[layer.verdict[slabs] == verdict]
        sheet.symbols(x[kind], y[kind], verdict, 8.0)


def flat_sheet(section: Section, layer: Layer, *, labels: int = 8) -> Sheet:
    """Return the flat picture as a page; arguments as for ``flat_picture``."""
    rows = rows_of(section)
    lanes = Lanes.of(min((BOTTOM - TOP) / rows.count, 234.0), bool(section.structures))
    sheet = Sheet()
    sheet.heading(section, layer, f"the section in rows, {layer.heading}")
    _draw_ground(sheet, section, layer, rows, lanes)
    share = draw_values(sheet, section, layer, rows, lanes)
    _draw_symbols(sheet, section, layer, rows, lanes)
    _draw_names(sheet, section, layer, rows=rows, lanes=lanes, count=labels)
    _draw_foot(sheet, section, layer, rows=rows, lanes=lanes, share=share)
    return sheet


def flat_picture(section: Section, path: str | Path, layer: Layer, *, labels: int = 8) -> None:
    """Draw the section in rows, without any 3D library.

    Parameters
    ----------
    section : Section
    path : str or Path
        Ends in .png, .svg or .pdf.
    layer : Layer
        What is shown.
    labels : int
        How many of the worst slabs are named.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    flat_sheet(section, layer, labels=labels).save(path)


def _draw_foot(sheet: Sheet, section: Section, layer: Layer, *, rows: Rows, lanes: Lanes, share: int) -> None:
    """Draw the scale, and say how to read the rows."""
    sheet.line([32.0, sheet.width - 32.0], [806.0, 806.0], lw=0.6, color=MUTED)
    sheet.colour_bar(layer, 56.0, 838.0, 420.0)
    scale = (RIGHT - LEFT) / rows.length
    wide = (lanes.plan[1] - lanes.plan[0]) / (scale * float(section.size[:, 0].max()))
    x, times = 560.0, "\N{MULTIPLICATION SIGN}"
    low, high = mark_texts(layer.scale, [layer.scale.low, layer.scale.high])
    cut = (
        f"\N{PLUS-MINUS SIGN}{high.removeprefix('+')}" if layer.scale.low == -layer.scale.high else f"{low} and {high}"
    )
    dashed = f" Dashed: {layer.scale.allowed_word.split(' ')[0]}." if layer.scale.allowed else ""
    plan = "each part takes the colour of its place" if share == 1 else f"each column: the worst of about {share} slabs"
    if layer.rails is not None:
        crowded = len(layer.rails.distance) * 2 > rows.count * int(RIGHT - LEFT)
        what = "Bars: the rail further out" if crowded else f"Lines: {line_words(layer)}"
        upper = f"{what}, cut at {cut} mm.{dashed}"
        lower = f"Below: rails in their colours on slabs in plan, left side on top, width {times}{factor_text(wide)}."
    elif layer.arrows is not None:
        fits = scale * float(np.median(section.size[:, 1])) >= ARROW_ROOM
        upper = f"Bars{' and filled arrows' if fits else ''}: lift at each slab end, up or down, cut at {cut} mm."
        pushes = "; open arrows: push, down the page to the right" if fits else f"; {plan}"
        lower = f"Below: slabs in plan, left side on top, width {times}{factor_text(wide)}{pushes}."
    else:
        slit = " with a slit" if layer.field is not None and layer.field.shape[1] == 2 else ""
        upper = f"Bars: the larger side along each slab, cut{slit} at {cut} mm.{dashed}"
        lower = f"Below: slabs in plan, left side on top, width {times}{factor_text(wide)}; {plan}."
    for line, words in enumerate((upper, lower)):
        sheet.text(x, 824.0 + 21.0 * line, words, 10.0, color=MUTED)
    end = sheet.swatch_unknown(layer, x, 868.0)
    told = f"Values in mm, chainage in km+m. Named: {layer.largest}."
    sheet.text(end + 24.0, 868.0, told, 10.0, color=MUTED)
