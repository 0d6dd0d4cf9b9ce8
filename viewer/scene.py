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
from viewer.colours import INK, MUTED, PAPER, VERDICTS, scale_limit_mm
from viewer.flat import flat_picture
from viewer.gl import prepare
from viewer.overview import Overview, overview
from viewer.rows import chainage_text, chainage_ticks, line_of, nice_below
from viewer.section import QUANTITIES, Section
from viewer.sheet import Sheet, factor_text, number_mm, shortened, spread, structure_words, text_width
from viewer.stage import image, on_page, stage
from viewer.window import show

__all__ = ["Drawn", "close_view", "overview", "page", "picture", "show"]

Floats = NDArray[np.float64]

TIMES = "\N{MULTIPLICATION SIGN}"
PANEL = "#f5f6f7"
OVER = (32.0, 82.0, 1536.0, 384.0)  # left, top, width, height of the two panels on the page
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


def picture(
    section: Section, path: str | Path, *, quantity: str = "up", slab: str | None = None, labels: int = 8
) -> Drawn:
    """Draw overview and worst place onto one page; flat where there is no OpenGL.

    Parameters
    ----------
    section : Section
    path : str or Path
        Ends in .png, .svg or .pdf.
    quantity : str
        What heights and colours show.
    slab : str, optional
        Name of the slab to show close up; the one with the largest deviation if left out.
    labels : int
        How many of the worst slabs are named in the overview.

    Returns
    -------
    Drawn

    Raises
    ------
    SlabposeError
        If there is no such quantity or slab.
    OSError
        If the file cannot be written.
    """
    section.quantity(quantity)
    worst = section.worst(quantity, 1)
    chosen = section.slab(slab) if slab is not None else int(worst[0]) if len(worst) else 0
    answer = prepare()
    if not answer.works:
        flat_picture(section, path, quantity=quantity, labels=labels)
        return Drawn(Path(path), True, answer.told)
    page(section, chosen, quantity=quantity, labels=labels).save(path)
    return Drawn(Path(path), False, answer.told)


def page(section: Section, chosen: int, *, quantity: str, labels: int) -> Sheet:
    """Return overview and close view on one page; ``chosen`` is the slab close up. Needs OpenGL."""
    sheet = Sheet()
    sheet.heading(section, f"the section in rows, and {section.slab_names[chosen]} close up; deviation {quantity}")
    over = _overview_panel(sheet, section, quantity, labels)
    close = _close_panel(sheet, section, quantity, chosen)
    _card(sheet, section, chosen)
    _foot(sheet, section, quantity, over, close)
    return sheet


def _overview_panel(sheet: Sheet, section: Section, quantity: str, labels: int) -> Overview:
    """Draw the section in rows, with its words."""
    left, top, width, height = OVER
    plotter = stage(width, height, PAPER)
    drawn = overview(plotter, section, quantity=quantity, width=width, height=height)
    sheet.image(image(plotter), left, top, width, height)
    plotter.close()
    _row_words(sheet, section, quantity, drawn)
    _worst_words(sheet, section, quantity, drawn, labels)
    return drawn


def _row_words(sheet: Sheet, section: Section, quantity: str, drawn: Overview) -> None:
    """Write chainages, structures and the tolerance at the rows of the overview."""
    plan, rows = drawn.plan, drawn.plan.rows
    left, top = OVER[:2]
    tolerance = section.tolerance_mm[quantity]
    along, shown = line_of(section)
    begin, end = float(along[0]), float(along[-1])
    taken: dict[int, list[tuple[float, float]]] = {row: [] for row in range(rows.count)}
    for row, x0, _ in rows.spans(begin, end):
        chainage = float(np.interp(rows.start + row * rows.length + x0, along, shown))
        at = plan.page(row, x0, 0.5 * plan.slab_width, 0.0)
        sheet.text(left, top + float(at[1]) - 1.0, chainage_text(chainage), 9.0, weight="bold")
        for sign in (-1.0, 1.0):
            y = float(plan.page(row, x0, 0.5 * plan.slab_width, sign * tolerance)[1])
            word = number_mm(sign * tolerance, 0 if tolerance.is_integer() else 1)
            sheet.text(left + plan.left - 6.0, top + y, word, 7.5, ha="right", color=MUTED)
    for structure in section.structures:
        for row, x0, x1 in rows.spans(max(structure.distance_start, begin), min(structure.distance_end, end)):
            word = shortened(structure_words(structure), 8.0, (x1 - x0) * plan.scale - 4.0)
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


def _worst_words(sheet: Sheet, section: Section, quantity: str, drawn: Overview, labels: int) -> None:
    """Write name and value of the worst slabs above their blocks."""
    plan, rows = drawn.plan, drawn.plan.rows
    left, top = OVER[:2]
    largest = section.largest(quantity)
    worst = section.worst(quantity, labels)
    tops = np.zeros(len(section))
    blocks = drawn.mesh.points.reshape(-1, 8, 3)
    tops[drawn.mesh.slab_of_point[::8]] = blocks[:, :4, 2].max(axis=1) / (0.001 * plan.height_factor)
    for row in np.unique(rows.row(section.distance[worst])):
        slabs = np.sort(worst[rows.row(section.distance[worst]) == row])
        words = [f"{section.slab_names[slab]}  {number_mm(largest[slab])} mm" for slab in slabs]
        widths = [text_width(word, 8.5, "bold") for word in words]
        wanted = plan.page(row, rows.place(section.distance[slabs]), -0.5 * plan.slab_width, tops[slabs])
        places = spread(wanted[:, 0], widths, plan.left, plan.right, gap=10.0)
        y = top + row * plan.pitch + 6.0
        for word, place, width, (x, block) in zip(words, places, widths, wanted, strict=True):
            foot = float(np.clip(x, place - 0.5 * width, place + 0.5 * width))
            sheet.line([left + foot, left + x], [y + 7.0, top + max(block, row * plan.pitch + 14.0)], lw=0.7)
            sheet.text(left + place, y, word, 8.5, weight="bold", ha="center")


def _close_panel(sheet: Sheet, section: Section, quantity: str, chosen: int) -> CloseView:
    """Draw the close view, and write at its points what finds room: slabs first, then the scale, then chainages."""
    left, top, width, height = CLOSE
    plotter = stage(width, height, PANEL)
    drawn = close_view(plotter, section, chosen, quantity=quantity)
    places = on_page(plotter, [label.point for label in drawn.labels], width, height)
    sheet.image(image(plotter), left, top, width, height)
    plotter.close()
    words = (
        f"{section.slab_names[chosen]} and its neighbours in true size, displacement {TIMES}{factor_text(drawn.factor)}"
    )
    sheet.text(left, top - 14.0, words, 11.0, weight="bold")
    sheet.text(left + text_width(words, 11.0, "bold") + 14.0, top - 14.0, "dark outline: target", 10.0, color=MUTED)
    boxes: list[tuple[float, float, float, float]] = []
    order = {"slab": 0, "scale": 1, "chainage": 2}
    for label, place in sorted(zip(drawn.labels, places, strict=True), key=lambda entry: order[entry[0].kind]):
        size, weight = (9.5, "bold") if label.kind == "slab" else (8.5, "normal")
        wide = text_width(label.text, size, weight) + 10.0
        for centre in _candidates(label, place, wide):
            box = (centre[0] - 0.5 * wide, centre[1] - 8.0, centre[0] + 0.5 * wide, centre[1] + 8.0)
            inside = box[0] >= 0.0 and box[1] >= 0.0 and box[2] <= width and box[3] <= height
            if inside and all(box[2] < b[0] or box[0] > b[2] or box[3] < b[1] or box[1] > b[3] for b in boxes):
                break
        else:
            continue
        boxes.append(box)
        if label.kind == "slab":
            sheet.line([left + place[0], left + centre[0]], [top + place[1], top + centre[1] + 8.0], lw=0.9, zorder=6)
            sheet.box(left + box[0], top + box[1], wide, 16.0, facecolor=PAPER, edgecolor=INK, lw=0.6, zorder=6)
        sheet.text(left + centre[0], top + centre[1], label.text, size, weight=weight, ha="center", zorder=7)
    return drawn


def _candidates(label: Label, place: Floats, wide: float) -> list[tuple[float, float]]:
    """Return centres to try for words of a width at a point of the close view, the best first."""
    x, y = float(place[0]), float(place[1])
    if label.kind == "slab":
        middle = float(np.clip(x, 0.5 * wide, CLOSE[2] - 0.5 * wide))
        return [(middle, y - lift) for lift in np.arange(22.0, CLOSE[3], 9.0)]
    if label.kind == "scale":
        return [(x, y - 8.0)] if label.text.endswith("up") else [(x + 0.5 * wide, y)]
    return [(x + 8.0, y + 9.0)]


def _card(sheet: Sheet, section: Section, slab: int) -> None:
    """Write the numbers of the chosen slab: deviation at each mark against the tolerance."""
    left, top, right = CLOSE[0] + CLOSE[2] + 32.0, CLOSE[1], sheet.width - 32.0
    look = VERDICTS[int(section.verdict[slab])]
    name = shortened(str(section.slab_names[slab]), 16.0, 220.0, "bold")
    sheet.text(left, top + 10.0, name, 16.0, weight="bold")
    x = right - text_width(look.word, 12.0)
    sheet.text(x, top + 10.0, look.word, 12.0)
    sheet.symbols([x - 14.0], [top + 10.0], int(section.verdict[slab]), 13.0)
    sheet.text(left, top + 35.0, f"chainage {chainage_text(float(section.chainage[slab]), 2)}", 10.0, color=MUTED)
    sheet.text(right, top + 35.0, "built minus target, mm", 10.0, color=MUTED, ha="right")
    columns = [right - 190.0, right - 95.0, right]
    y = top + 64.0
    for column, quantity in zip(columns, QUANTITIES, strict=True):
        sheet.text(column, y, quantity, 10.0, ha="right", weight="bold")
    sheet.line([left, right], [y + 11.0] * 2, lw=0.8)
    marks = section.marks[section.type_index[slab]]
    values = section.corner_deviation_mm[slab, : len(marks)]
    step = min(26.0, 150.0 / max(len(marks), 1))
    for (place_x, place_y), row in zip(marks[:, :2], values, strict=True):
        y += step
        sheet.text(left, y, f"{'left' if place_x < 0.0 else 'right'}, {'back' if place_y < 0.0 else 'ahead'}", 10.5)
        for column, value, quantity in zip(columns, row, QUANTITIES, strict=True):
            word = number_mm(value, 2) if np.isfinite(value) else "unknown"
            weight = "bold" if abs(value) > section.tolerance_mm[quantity] else "normal"  # unknown has its word
            sheet.text(column, y, word, 10.5, ha="right", weight=weight)
    y += step
    sheet.line([left, right], [y - 0.5 * step + 1.0] * 2, lw=0.8)
    sheet.text(left, y, "tolerance", 10.0, color=MUTED)
    for column, quantity in zip(columns, QUANTITIES, strict=True):
        sheet.text(column, y, f"\N{PLUS-MINUS SIGN}{section.tolerance_mm[quantity]:g}", 10.0, ha="right", color=MUTED)
    signs = "+ right, ahead, up. Bold: beyond the tolerance."
    sheet.text(left, y + step, signs, 9.0, color=MUTED)


def _foot(sheet: Sheet, section: Section, quantity: str, over: Overview, close: CloseView) -> None:
    """Draw the scale, and say how both views are to be read."""
    sheet.line([32.0, sheet.width - 32.0], [806.0, 806.0], lw=0.6, color=MUTED)
    sheet.colour_bar(section, quantity, 56.0, 838.0, 420.0)
    plan, x = over.plan, 560.0
    limit = f"\N{PLUS-MINUS SIGN}{scale_limit_mm(section.tolerance_mm[quantity]):g} mm"
    factors = f"Slab width {TIMES}{factor_text(plan.width_factor)}, height {TIMES}{factor_text(plan.height_factor)}"
    drawn = len(over.mesh.points) // 8
    share = (
        "" if drawn == len(section) else f" Each column shows the worst of about {round(len(section) / drawn)} slabs."
    )
    lines = (
        f"Rows: chainage to the right, left side of the track at the back. {factors}, cut at {limit}.",
        f"Solid line: zero. Dashed: tolerance. Named: the largest deviations. Chainage in km+m.{share}",
    )
    for line, words in enumerate(lines):
        sheet.text(x, 824.0 + 21.0 * line, words, 10.0, color=MUTED)
    end = sheet.swatch_not_measured(x, 868.0)
    sheet.text(
        end + 24.0,
        868.0,
        f"Symbols: slabs not within. Close up: arms of {close.step_mm:g} mm show the displacement's scale.",
        10.0,
        color=MUTED,
    )
