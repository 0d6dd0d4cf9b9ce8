"""The section in three dimensions: as a picture on a page, or as a window to turn and to pick in.

The picture holds the whole section in rows, and below it the worst place close up with its numbers. Where
VTK cannot draw, the flat picture stands in, and the answer says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from viewer.close import CloseView, Label, close_view
from viewer.colours import INK, MUTED, PAPER
from viewer.flat import flat_picture
from viewer.gl import prepare
from viewer.layer import Layer
from viewer.overview import Overview, overview
from viewer.rows import chainage_text, chainage_ticks, line_of, nice_below
from viewer.section import WITHIN, Section
from viewer.sheet import Sheet, factor_text, mark_texts, shortened, slab_word, spread, structure_words, text_width
from viewer.stage import image, on_page, stage
from viewer.typeface import printed
from viewer.window import show

__all__ = ["Drawn", "close_view", "overview", "page", "picture", "show"]

Floats = NDArray[np.float64]

TIMES = "\N{MULTIPLICATION SIGN}"
PANEL = "#f5f6f7"
OVER = (32.0, 82.0, 1536.0, 384.0)  # left, top, width, height of the two panels on the page
WALL_WORDS = {0: (), 1: ("",), 2: ("left", "right")}
CLOSE = (32.0, 500.0, 1072.0, 294.0)


@dataclass(frozen=True)
class Drawn:
    """What became of a picture.

    Parameters
    ----------
    path : Path
    flat : bool
        Whether the flat picture had to stand in.
    told : str
        One line for the user: how it was drawn, or what to install to see it in three dimensions.
    """

    path: Path
    flat: bool
    told: str


def picture(section: Section, path: str | Path, layer: Layer, *, slab: str | None = None, labels: int = 8) -> Drawn:
    """Draw overview and worst place onto one page; flat where there is no OpenGL.

    Parameters
    ----------
    section : Section
    path : str or Path
        Ends in .png, .svg or .pdf.
    layer : Layer
        What heights and colours show.
    slab : str, optional
        Name of the slab to show close up; the worst of the layer if left out.
    labels : int
        How many of the worst slabs are named in the overview.

    Returns
    -------
    Drawn

    Raises
    ------
    SlabposeError
        If there is no such slab.
    OSError
        If the file cannot be written.
    """
    worst = layer.ranked(1)
    chosen = section.slab(slab) if slab is not None else int(worst[0]) if len(worst) else 0
    answer = prepare()
    if not answer.works:
        flat_picture(section, path, layer, labels=labels)
        return Drawn(Path(path), True, answer.told)
    page(section, chosen, layer, labels=labels).save(path)
    return Drawn(Path(path), False, answer.told)


def page(section: Section, chosen: int, layer: Layer, *, labels: int) -> Sheet:
    """Return overview and close view on one page; ``chosen`` is the slab close up. Needs OpenGL."""
    sheet = Sheet()
    name = slab_word(section, chosen)
    sheet.heading(section, layer, f"the section in rows, and {name} close up; {layer.heading}")
    over = _overview_panel(sheet, section, layer, labels)
    close = _close_panel(sheet, section, layer, chosen)
    _card(sheet, section, layer, chosen)
    _foot(sheet, section, layer, over, close)
    return sheet


def _overview_panel(sheet: Sheet, section: Section, layer: Layer, labels: int) -> Overview:
    """Draw the section in rows, with its words."""
    left, top, width, height = OVER
    plotter = stage(width, height, PAPER)
    drawn = overview(plotter, section, layer, width=width, height=height)
    sheet.image(image(plotter), left, top, width, height)
    plotter.close()
    _row_words(sheet, section, layer, drawn)
    _worst_words(sheet, section, layer, drawn, labels)
    return drawn


def _row_words(sheet: Sheet, section: Section, layer: Layer, drawn: Overview) -> None:
    """Write chainages, structures and the tolerance at the rows of the overview."""
    plan, rows = drawn.plan, drawn.plan.rows
    left, top = OVER[:2]
    limits = layer.scale.allowed or ()
    texts = mark_texts(layer.scale, limits)
    along, shown = line_of(section)
    begin, end = float(along[0]), float(along[-1])
    taken: dict[int, list[tuple[float, float]]] = {row: [] for row in range(rows.count)}
    for row, x0, _ in rows.spans(begin, end):
        chainage = float(np.interp(rows.start + row * rows.length + x0, along, shown))
        at = plan.page(row, x0, float(np.mean(plan.guides)), 0.0)
        sheet.text(left, top + float(at[1]) - 1.0, chainage_text(chainage), 9.0, weight="bold")
        heights = [float(plan.page(row, x0, plan.guides[0], value - layer.scale.middle)[1]) for value in limits]
        if len(plan.guides) == 1 and np.ptp(heights or [0.0]) > 10.0:
            for y, word in zip(heights, texts, strict=True):
                sheet.text(left + plan.left - 6.0, top + y, word, 7.5, ha="right", color=MUTED)
        for across, word in zip(plan.walls, WALL_WORDS[len(plan.walls)], strict=True):
            y = float(plan.page(row, x0, across, 0.0)[1])
            sheet.text(left + plan.left - 6.0, top + y, word, 7.5, ha="right", color=MUTED)
    for structure in section.structures:
        for row, x0, x1 in rows.spans(max(structure.distance_start, begin), min(structure.distance_end, end)):
            word = shortened(printed(structure_words(structure)), 8.0, (x1 - x0) * plan.scale - 4.0)
            if len(word) < 4:
                continue
            half_width = 0.5 * text_width(word, 8.0) + 8.0
            middle = plan.left + 0.5 * (x0 + x1) * plan.scale
            taken[row].append((middle - half_width, middle + half_width))
            sheet.text(left + middle, top + float(plan.front(row)) + 24.0, word, 8.0, ha="center")
    step = nice_below(110.0 / plan.scale)
    marks, values = chainage_ticks(shown, along, step)
    for row, place, value in zip(rows.row(marks), rows.place(marks), values, strict=True):
        word = chainage_text(float(value))
        x, half_width = plan.left + float(place) * plan.scale, 0.5 * text_width(word, 7.5) + 5.0
        y = top + float(plan.front(row))
        sheet.line([left + x] * 2, [y + 13.0, y + 17.5], lw=0.8, color=MUTED)
        if all(x + half_width < low or x - half_width > high for low, high in taken[int(row)]):
            taken[int(row)].append((x - half_width, x + half_width))
            sheet.text(left + x, y + 24.0, word, 7.5, ha="center", color=MUTED)


def _worst_words(sheet: Sheet, section: Section, layer: Layer, drawn: Overview, labels: int) -> None:
    """Write name and value of the worst slabs above their blocks or rails."""
    plan, rows = drawn.plan, drawn.plan.rows
    left, top = OVER[:2]
    worst = layer.ranked(labels)
    tops = np.zeros(len(section))
    if plan.walls:
        tops = np.nan_to_num(layer.scale.height(layer.worst))
    else:
        slabs = drawn.mesh.slab_of_point.reshape(len(drawn.mesh.rims), -1)[:, 0]
        tops[slabs] = drawn.mesh.rims[..., 2].max(axis=1) / (0.001 * plan.height_factor)
    for row in np.unique(rows.row(section.distance[worst])):
        slabs = np.sort(worst[rows.row(section.distance[worst]) == row])
        words = [f"{slab_word(section, int(slab))}  {layer.named(int(slab))}" for slab in slabs]
        widths = [text_width(word, 8.5, "bold") for word in words]
        behind = min(plan.walls) if plan.walls else -0.5 * plan.slab_width
        wanted = plan.page(row, rows.place(section.distance[slabs]), behind, tops[slabs])
        places = spread(wanted[:, 0], widths, plan.left, plan.right, gap=10.0)
        y = top + row * plan.pitch + 6.0
        for word, place, width, (x, block) in zip(words, places, widths, wanted, strict=True):
            foot = float(np.clip(x, place - 0.5 * width, place + 0.5 * width))
            sheet.line([left + foot, left + x], [y + 7.0, top + max(block, row * plan.pitch + 14.0)], lw=0.7)
            sheet.text(left + place, y, word, 8.5, weight="bold", ha="center")


def _close_panel(sheet: Sheet, section: Section, layer: Layer, chosen: int) -> CloseView:
    """Draw the close view, and write at its points what finds room: slabs first, then the scale, then chainages."""
    left, top, width, height = CLOSE
    plotter = stage(width, height, PANEL)
    drawn = close_view(plotter, section, chosen, layer)
    places = on_page(plotter, [label.point for label in drawn.labels], width, height)
    ends = [on_page(plotter, points, width, height) for points in (drawn.arrow_tails, drawn.arrow_tips)]
    sheet.image(image(plotter), left, top, width, height)
    plotter.close()
    what = "gap and displacement" if layer.mortar else "displacement"
    words = f"{slab_word(section, chosen)} and its neighbours in true size, {what} {TIMES}{factor_text(drawn.factor)}"
    told = "dark outline: target"
    if layer.mortar:
        told = "dark outline: target; between slab and bed: mortar"
    elif layer.rails is not None:
        told = "dark: design rails and target outline; coloured: the rails over their seats"
    elif layer.arrows is not None:
        told = "dark outline: target; arrows: planned moves, mm"
    sheet.text(left, top - 14.0, words, 11.0, weight="bold")
    sheet.text(left + text_width(words, 11.0, "bold") + 14.0, top - 14.0, told, 10.0, color=MUTED)
    # No words on arrows.
    least, most = np.minimum(*ends) - 4.0, np.maximum(*ends) + 4.0
    boxes = [(float(a[0]), float(a[1]), float(b[0]), float(b[1])) for a, b in zip(least, most, strict=True)]
    order = {"slab": 0, "arrow": 1, "scale": 2, "chainage": 3}
    inner = np.asarray(((places >= 0.0) & (places <= [width, height])).all(axis=1))
    inner[0] = True  # the chosen slab is named in any case
    found = [(label, place) for label, place, seen in zip(drawn.labels, places, inner, strict=True) if seen]
    for label, place in sorted(found, key=lambda entry: order[entry[0].kind]):
        size, weight = (9.5, "bold") if label.kind == "slab" else (8.5, "normal")
        wide = text_width(label.text, size, weight) + 10.0
        for centre in _candidates(label, place, wide):
            box = (centre[0] - 0.5 * wide, centre[1] - 8.0, centre[0] + 0.5 * wide, centre[1] + 8.0)
            inside = box[0] >= 0.0 and box[1] >= 0.0 and box[2] <= width and box[3] <= height
            if inside and all(
                box[2] < b[0] - 2 or box[0] > b[2] + 2 or box[3] < b[1] - 2 or box[1] > b[3] + 2 for b in boxes
            ):
                break
        else:
            continue
        boxes.append(box)
        if label.kind == "slab":
            x, y = np.clip(place, 0.0, [width, height])
            sheet.line([left + x, left + centre[0]], [top + y, top + centre[1] + 8.0], lw=0.9, zorder=6)
            sheet.box(left + box[0], top + box[1], wide, 16.0, facecolor=PAPER, edgecolor=INK, lw=0.6, zorder=6)
        halo = label.kind == "arrow"
        sheet.text(left + centre[0], top + centre[1], label.text, size, weight=weight, ha="center", zorder=7, halo=halo)
    return drawn


def _candidates(label: Label, place: Floats, wide: float) -> list[tuple[float, float]]:
    """Return centres to try for words of a width at a point of the close view, the best first."""
    x, y = float(place[0]), float(place[1])
    if label.kind == "slab":
        middle = float(np.clip(x, 0.5 * wide, CLOSE[2] - 0.5 * wide))
        return [(middle, y - lift) for lift in np.arange(22.0, CLOSE[3], 9.0)]
    if label.kind == "scale":
        return [(x, y - 8.0)] if label.text.endswith("up") else [(x + 0.5 * wide, y)]
    if label.kind == "arrow":
        side = 0.5 * wide + 2.0
        if label.text.endswith(("right", "left")):
            return [(x, y + 16.0), (x + side + 8.0, y + 8.0), (x + side + 8.0, y)]
        return [(x, y - 16.0), (x + side + 8.0, y), (x - side - 8.0, y), (x + side, y - 16.0), (x - side, y - 16.0)]
    return [(x + 8.0, y + 9.0)]


def _card(sheet: Sheet, section: Section, layer: Layer, slab: int) -> None:
    """Write the numbers of the chosen slab."""
    left, top, right = CLOSE[0] + CLOSE[2] + 32.0, CLOSE[1], sheet.width - 32.0
    verdict, card = int(layer.verdict[slab]), layer.card(slab)
    word = layer.words[verdict]
    x = right - text_width(word, 12.0)
    name = shortened(slab_word(section, slab), 16.0, x - 36.0 - left, "bold")
    sheet.text(left, top + 10.0, name, 16.0, weight="bold")
    sheet.text(x, top + 10.0, word, 12.0)
    sheet.symbols([x - 14.0], [top + 10.0], verdict, 13.0)
    sheet.text(left, top + 35.0, f"chainage {chainage_text(float(section.chainage[slab]), 2)}", 10.0, color=MUTED)
    sheet.text(right, top + 35.0, card.told, 10.0, color=MUTED, ha="right")
    apart = min(95.0, 270.0 / max(len(card.columns), 1))
    columns = [right - apart * place for place in reversed(range(len(card.columns)))]
    y = top + 64.0
    for column, head in zip(columns, card.columns, strict=True):
        sheet.text(column, y, head, 10.0, ha="right", weight="bold")
    sheet.line([left, right], [y + 11.0] * 2, lw=0.8)
    lines = len(card.rows) + bool(card.limits)
    step = min(26.0, (CLOSE[3] - 64.0 - 22.0 * len(card.notes) - 14.0) / max(lines, 1))
    size = 10.5 if step > 15.0 else 8.0
    for number, (head, *cells) in enumerate(card.rows):
        y += step
        sheet.text(left, y, head, size)
        for place, (column, cell) in enumerate(zip(columns, cells, strict=True)):
            sheet.text(column, y, cell, size, ha="right", weight="bold" if (number, place) in card.bold else "normal")
    if card.limits:
        y += step
        sheet.line([left, right], [y - 0.5 * step + 1.0] * 2, lw=0.8)
        sheet.text(left, y, card.limits[0], 10.0, color=MUTED)
        for column, cell in zip(columns, card.limits[1:], strict=True):
            sheet.text(column, y, cell, 10.0, ha="right", color=MUTED)
    for line, note in enumerate(card.notes):
        sheet.text(left, y + max(step, 22.0) + 19.0 * line, note, 9.0, color=MUTED)


def _foot(sheet: Sheet, section: Section, layer: Layer, over: Overview, close: CloseView) -> None:
    """Draw the scale, and say how both views are to be read."""
    sheet.line([32.0, sheet.width - 32.0], [806.0, 806.0], lw=0.6, color=MUTED)
    sheet.colour_bar(layer, 56.0, 838.0, 420.0)
    plan, x = over.plan, 560.0
    low, high = mark_texts(layer.scale, [layer.scale.low, layer.scale.high])
    cut = (
        f"\N{PLUS-MINUS SIGN}{high.removeprefix('+')}" if layer.scale.low == -layer.scale.high else f"{low} and {high}"
    )
    factors = f"Slab width {TIMES}{factor_text(plan.width_factor)}, height {TIMES}{factor_text(plan.height_factor)}"
    drawn = len(over.mesh.rims)
    share = "" if drawn == len(section) else f" A column: the worst of about {round(len(section) / drawn)} slabs."
    dashed = f" Dashed: {layer.scale.allowed_word.split(' ')[0]}." if layer.scale.allowed else ""
    solid = "zero" if layer.scale.middle == 0.0 else f"{mark_texts(layer.scale, [layer.scale.middle])[0]} mm"
    arrows = " Filled arrow: lift. Open arrow: push, down the page to the right." if len(over.arrow_slab) else ""
    if layer.rails is not None and layer.rails.value_mm.shape[1] > len(plan.walls):
        arrows = " Height: the rail that is further out."
    lines = (
        f"Rows: chainage to the right, left side of the track at the back. {factors}, cut at {cut} mm.",
        f"Solid line: {solid}.{dashed}{arrows} Named: {layer.largest}. Chainage in km+m.{share}",
    )
    for line, words in enumerate(lines):
        sheet.text(x, 824.0 + 21.0 * line, words, 10.0, color=MUTED)
    end = sheet.swatch_unknown(layer, x, 868.0)
    told = f"Symbols: slabs not {layer.words[WITHIN]}."
    arms = f"Close up: arms of {close.step_mm:g} mm show the displacement's scale."
    sheet.text(end + 24.0, 868.0, f"{told} {arms}", 10.0, color=MUTED)
