"""The overview as a flat drawing, by matplotlib alone: PNG, SVG or PDF on any machine.

The section runs in rows. In each row stand, from top to bottom: names of the worst slabs, symbols of slabs
that are not within, bars of the deviation between lines of the tolerance, the slabs in plan coloured by the
deviation at their corners, structures, chainage.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.colours import GROUND, INK, MUTED, PAPER, UNKNOWN, colours, scale_limit_mm
from viewer.mesh import corner_values_mm
from viewer.rows import Rows, chainage_text, chainage_ticks, line_of, nice_below, rows_of
from viewer.section import NOT_MEASURED, OUT, UNDECIDED, WITHIN, Section
from viewer.sheet import Sheet, factor_text, number_mm, shortened, spread, structure_words, text_width
from viewer.thinning import gravest, representatives

__all__ = ["Lanes", "flat_picture", "flat_sheet"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

LEFT, RIGHT, TOP, BOTTOM = 124.0, 1568.0, 92.0, 792.0


@dataclass(frozen=True)
class Lanes:
    """Where the parts of a row lie, in steps below the top of the row."""

    pitch: float
    names: float
    symbols: float
    chart: tuple[float, float]
    plan: tuple[float, float]
    structures: tuple[float, float]
    ticks: float

    @classmethod
    def of(cls, pitch: float, structures: bool) -> Lanes:
        """Share out the height of a row; lanes with words keep the height of their words."""
        strip = 11.0 if structures else 0.0
        free = pitch - (15.0 + 11.0 + 4.0 + strip + 17.0 + 5.0)
        chart = 27.0 + 0.78 * free
        plan = chart + 2.0 + 0.22 * free
        ticks = plan + 2.0 + strip
        return cls(pitch, 6.0, 20.0, (27.0, chart), (chart + 2.0, plan), (plan + 2.0, plan + 2.0 + strip), ticks)


def _quads(axes: Any, corners: Floats, fill: Floats | str, **style: Any) -> None:
    """Add many quadrilaterals, corners (n, 4, 2), as one collection."""
    from matplotlib.collections import PolyCollection

    if len(corners):
        polygons: Any = corners
        axes.add_collection(PolyCollection(polygons, facecolors=fill, **({"linewidths": 0.0} | style)), autolim=False)


def _larger(pair: Floats) -> Floats:
    """Return the one of two values with the larger amount, shape (n, 2) to (n,); nan if one is nan."""
    place = np.abs(np.nan_to_num(pair)).argmax(axis=1)
    larger: Floats = np.take_along_axis(pair, place[:, None], axis=1)[:, 0]
    return larger


def _spanned(x0: Any, x1: Any, y0: Any, y1: Any) -> Floats:
    """Return the corners of rectangles, shape (n, 4, 2)."""
    x0, x1, y0, y1 = np.broadcast_arrays(x0, x1, y0, y1)
    return np.stack([np.stack([x0, x1, x1, x0], axis=-1), np.stack([y0, y0, y1, y1], axis=-1)], axis=-1)


def _draw_slabs(sheet: Sheet, section: Section, quantity: str, rows: Rows, lanes: Lanes) -> int:
    """Draw bars and plan of the slabs; return how many slabs one of them stands for."""
    limit = scale_limit_mm(section.tolerance_mm[quantity])
    scale = (RIGHT - LEFT) / rows.length
    rectangle, value = corner_values_mm(section, quantity)
    shown = representatives(section, rows, quantity, int(RIGHT - LEFT))
    value, rectangle = value[shown], rectangle[shown]
    top = TOP + rows.row(section.distance[shown]) * lanes.pitch
    middle = LEFT + rows.place(section.distance[shown]) * scale
    # Ends of neighbours stay apart by their joint, but no slab gets so thin that it vanishes.
    half = np.maximum(0.5 * scale * np.ptp(rectangle[:, :, 1], axis=1), 0.5)
    joint = 0.35 if half.min() > 1.5 else 0.0
    back, forward = middle - half + joint, middle + half - joint
    known = np.isfinite(value).all(axis=1)

    larger = np.stack([_larger(value[:, [0, 1]]), _larger(value[:, [3, 2]])], axis=1)  # back end, forward end
    zero = top + 0.5 * sum(lanes.chart)
    unit = 0.5 * (lanes.chart[1] - lanes.chart[0]) / limit
    reach = zero[:, None] - np.clip(larger, -limit, limit) * unit
    bars = np.stack(
        [np.stack([back, back, forward, forward], axis=1), np.stack([zero, reach[:, 0], reach[:, 1], zero], axis=1)],
        axis=2,
    )
    bar = colours(larger.mean(axis=1), limit)
    _quads(sheet.axes, bars[known], bar[known], edgecolors=INK, linewidths=0.25 if half.min() > 2.0 else 0.0, zorder=3)
    cut = known & (np.abs(larger).max(axis=1) > limit)
    slit = zero[cut] - np.sign(_larger(larger[cut])) * 0.82 * limit * unit
    _quads(sheet.axes, _spanned(back[cut], forward[cut], slit - 1.2, slit + 1.2), PAPER, zorder=3.5)

    plan0, plan1 = (top + edge for edge in lanes.plan)
    split = 0.5 * (plan0 + plan1)
    if joint:  # wide enough to show the four corners by four quarters
        parts = [(back, middle, value[:, 0], value[:, 1]), (middle, forward, value[:, 3], value[:, 2])]
    else:
        parts = [(back, forward, _larger(value[:, [0, 3]]), _larger(value[:, [1, 2]]))]
    for x0, x1, left, right in parts:
        _quads(sheet.axes, _spanned(x0, x1, plan0, split)[known], colours(left, limit)[known], zorder=3)
        _quads(sheet.axes, _spanned(x0, x1, split, plan1)[known], colours(right, limit)[known], zorder=3)
    hatch = {"hatch": "////", "edgecolors": PAPER} if half.min() > 2.0 else {}
    _quads(sheet.axes, _spanned(back, forward, plan0, plan1)[~known], UNKNOWN, zorder=3, **hatch)
    if half.min() > 2.0:
        _quads(sheet.axes, _spanned(back, forward, plan0, plan1), "none", edgecolors=INK, linewidths=0.35, zorder=4)
    return round(len(section) / len(shown))


def _draw_ground(sheet: Sheet, section: Section, quantity: str, rows: Rows, lanes: Lanes) -> None:
    """Draw what lies behind the slabs: band, zero, tolerance, structures and chainage of each row."""
    limit, tolerance = scale_limit_mm(section.tolerance_mm[quantity]), section.tolerance_mm[quantity]
    scale = (RIGHT - LEFT) / rows.length
    along, shown = line_of(section)
    for row, x0, x1 in rows.spans(along[0], along[-1]):
        top, low, high = TOP + row * lanes.pitch, LEFT + x0 * scale, LEFT + x1 * scale
        sheet.box(low, top + lanes.chart[0], high - low, lanes.chart[1] - lanes.chart[0], facecolor="#f5f6f7", zorder=0)
        sheet.box(low, top + lanes.plan[0], high - low, lanes.plan[1] - lanes.plan[0], facecolor=GROUND, zorder=0)
        zero, unit = top + 0.5 * sum(lanes.chart), 0.5 * (lanes.chart[1] - lanes.chart[0]) / limit
        sheet.line([low, high], [zero, zero], lw=0.6, color=MUTED, zorder=2)
        for sign in (-1.0, 1.0):
            at = zero - sign * tolerance * unit
            sheet.line([low, high], [at, at], lw=0.8, ls=(0, (4, 2.5)), color=MUTED, zorder=4.5)
            if unit * tolerance >= 9.0:
                sheet.text(
                    LEFT - 8.0,
                    at,
                    number_mm(sign * tolerance, 0 if tolerance.is_integer() else 1),
                    8.0,
                    ha="right",
                    color=MUTED,
                )
        chainage = np.interp(rows.start + row * rows.length + x0, along, shown)
        sheet.text(32.0, zero, chainage_text(float(chainage)), 10.0, weight="bold")
    for structure in section.structures:
        dark = "tunnel" in structure.kind.lower()
        stretch = max(structure.distance_start, along[0]), min(structure.distance_end, along[-1])
        for row, x0, x1 in rows.spans(*stretch):
            top, bottom = (TOP + row * lanes.pitch + edge for edge in lanes.structures)
            x, width, fill = LEFT + x0 * scale, (x1 - x0) * scale, MUTED if dark else PAPER
            sheet.box(x, top, width, bottom - top, facecolor=fill, edgecolor=MUTED, lw=0.8, zorder=2)
            word = shortened(structure_words(structure), 7.0, width - 8.0)
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


def _draw_names(sheet: Sheet, section: Section, quantity: str, *, rows: Rows, lanes: Lanes, count: int) -> None:
    """Write name and value of the worst slabs above their row, with a line down to the slab."""
    scale = (RIGHT - LEFT) / rows.length
    largest = section.largest(quantity)
    worst = section.worst(quantity, count)
    for row in np.unique(rows.row(section.distance[worst])):
        members = worst[rows.row(section.distance[worst]) == row]
        words = {int(slab): f"{section.slab_names[slab]}  {number_mm(largest[slab])} mm" for slab in members}
        widths = {slab: text_width(word, 8.5, "bold") for slab, word in words.items()}
        while sum(widths.values()) + 10.0 * len(widths) > RIGHT - LEFT:  # the least of them gives way
            widths.pop(list(widths)[-1])
        slabs = sorted(widths)
        wanted = LEFT + rows.place(section.distance[slabs]) * scale
        places = spread(wanted, [widths[slab] for slab in slabs], LEFT, RIGHT, gap=10.0)
        top = TOP + row * lanes.pitch
        for slab, place, at in zip(slabs, places, wanted, strict=True):
            sheet.text(place, top + lanes.names, words[slab], 8.5, weight="bold", ha="center", zorder=6)
            end = lanes.chart[0] if section.verdict[slab] == WITHIN else lanes.symbols - 5.0
            foot = np.clip(at, place - 0.5 * widths[slab], place + 0.5 * widths[slab])
            sheet.line([foot, at], [top + lanes.names + 6.5, top + end], lw=0.8, zorder=4.6)


def _draw_symbols(sheet: Sheet, section: Section, rows: Rows, lanes: Lanes) -> None:
    """Draw the symbols of all slabs that are not within; where they would cover each other, the gravest."""
    x = LEFT + rows.place(section.distance) * (RIGHT - LEFT) / rows.length
    y = TOP + rows.row(section.distance) * lanes.pitch + lanes.symbols
    slabs = gravest(section, rows, int((RIGHT - LEFT) / 5.5))
    for verdict in (UNDECIDED, NOT_MEASURED, OUT):
        kind = slabs[section.verdict[slabs] == verdict]
        sheet.symbols(x[kind], y[kind], verdict, 8.0)


def flat_sheet(section: Section, *, quantity: str = "up", labels: int = 8) -> Sheet:
    """Return the flat picture as a page; arguments as for ``flat_picture``."""
    section.quantity(quantity)
    rows = rows_of(section)
    lanes = Lanes.of(min((BOTTOM - TOP) / rows.count, 234.0), bool(section.structures))
    sheet = Sheet()
    sheet.heading(section, f"the section in rows, deviation {quantity}")
    _draw_ground(sheet, section, quantity, rows, lanes)
    share = _draw_slabs(sheet, section, quantity, rows, lanes)
    _draw_symbols(sheet, section, rows, lanes)
    _draw_names(sheet, section, quantity, rows=rows, lanes=lanes, count=labels)
    _draw_foot(sheet, section, quantity, rows=rows, lanes=lanes, share=share)
    return sheet


def flat_picture(section: Section, path: str | Path, *, quantity: str = "up", labels: int = 8) -> None:
    """Draw the section in rows, without any 3D library.

    Parameters
    ----------
    section : Section
    path : str or Path
        Ends in .png, .svg or .pdf.
    quantity : str
        Which deviation is shown.
    labels : int
        How many of the worst slabs are named.

    Raises
    ------
    SlabposeError
        If there is no such quantity.
    OSError
        If the file cannot be written.
    """
    flat_sheet(section, quantity=quantity, labels=labels).save(path)


def _draw_foot(sheet: Sheet, section: Section, quantity: str, *, rows: Rows, lanes: Lanes, share: int) -> None:
    """Draw the scale, and say how to read the rows."""
    sheet.line([32.0, sheet.width - 32.0], [806.0, 806.0], lw=0.6, color=MUTED)
    sheet.colour_bar(section, quantity, 56.0, 838.0, 420.0)
    scale = (RIGHT - LEFT) / rows.length
    wide = (lanes.plan[1] - lanes.plan[0]) / (scale * float(section.size[:, 0].max()))
    limit = scale_limit_mm(section.tolerance_mm[quantity])
    x = 560.0
    if share == 1:
        plan = "each quarter takes the colour of its corner"
    else:
        plan = f"each column shows the worst of about {share} slabs"
    times, about = "\N{MULTIPLICATION SIGN}", "\N{PLUS-MINUS SIGN}"
    lines = (
        f"Bars: the larger side of each slab end, cut with a slit at {about}{limit:g} mm. Dashed: tolerance.",
        f"Below: slabs in plan, left side on top, width {times}{factor_text(wide)}; {plan}.",
    )
    for line, words in enumerate(lines):
        sheet.text(x, 824.0 + 21.0 * line, words, 10.0, color=MUTED)
    end = sheet.swatch_not_measured(x, 868.0)
    sheet.text(
        end + 24.0, 868.0, "Deviations in mm, chainage in km+m. Named: the largest deviations.", 10.0, color=MUTED
    )
