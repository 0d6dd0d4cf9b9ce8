"""The section unrolled along chainage as SVG: the whole line as a strip, and a stretch of it slab by slab."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from viewer.app.book import Edition
from viewer.app.choice import Choice, shown
from viewer.app.markup import fills, ink_on, symbol, text
from viewer.colours import GROUND, INK, MUTED, PAPER
from viewer.layer import Layer
from viewer.rows import chainage_text, chainage_ticks, line_of, nice_below
from viewer.section import WITHIN
from viewer.sheet import number_mm, structure_words

__all__ = ["LEFT", "RIGHT", "cells_of", "line_svg", "stretch_svg", "ticks"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

LEFT, RIGHT = 46.0, 12.0
"""Free beside the stretch and the charts, px: they share their axis."""
LEAST_SLAB = 7.0
"""Slabs shorter than this are drawn together in columns, px."""
NAMED_SLAB = 44.0
"""Slabs at least this long carry name and value, px."""
_PALE = {False: "", True: ' opacity="0.25"'}
_TOP, _BODY, _STRUCTURE, _FOOT = 30.0, 58.0, 17.0, 22.0


def cells_of(layer: Layer) -> Floats:
    """Return values for the quarters of each slab, shape (n, 2, 2): back and forward by left and right, mm.

    Those at the corners of the field; of a layer along the rails those of either rail that are furthest out on the
    back and the forward half.
    """
    if layer.field is not None:
        return layer.field[:, [0, -1]][:, :, [0, -1]]
    rails = layer.rails
    assert rails is not None  # a layer has either
    n = len(layer.worst)
    values = np.broadcast_to(rails.value_mm, (len(rails.slab), 2)) if rails.value_mm.shape[1] == 1 else rails.value_mm
    first = np.searchsorted(rails.slab, np.arange(n), side="left")
    count = np.bincount(rails.slab, minlength=n)
    half = (np.arange(len(rails.slab)) - first[rails.slab]) * 2 >= count[rails.slab]
    result = np.full((n, 2, 2), np.nan)
    amount = np.where(np.isnan(values), -1.0, np.abs(layer.scale.share(values)))
    for side in (0, 1):
        # of equal cells the last one written stays: so the furthest out is written last
        order = np.argsort(amount[:, side], kind="stable")
        result[rails.slab[order], half[order].astype(np.int64), side] = values[order, side]
    return result


def ticks(edition: Edition, low: float, high: float, width: float) -> tuple[Floats, list[str]]:
    """Return places and words of round chainages from low to high, so that no words meet in `width` px."""
    along, told = line_of(edition.section)
    step = nice_below(max((high - low) * 84.0 / max(width, 1.0), 1.0))
    while (high - low) / step * 72.0 > width:
        step = nice_below(2.5 * step)
    marks, values = chainage_ticks(told, along, step)
    inside = (marks >= low) & (marks <= high)
    marks, values = marks[inside], values[inside]
    kept: list[int] = []
    for at, mark in enumerate(marks.tolist()):  # a chainage equation may bring two marks close together
        if not kept or (mark - marks[kept[-1]]) / (high - low) * width > 66.0:
            kept.append(at)
    return marks[kept], [chainage_text(float(value)) for value in values[kept]]


def _columns(
    edition: Edition, layer: Layer, low: float, high: float, count: int
) -> tuple[Integers, Integers, Integers]:
    """Return columns with slabs, and in each the slab furthest out and the one with the gravest verdict."""
    distance = edition.section.distance
    here = np.flatnonzero((distance >= low) & (distance <= high))
    column = np.clip(((distance[here] - low) / (high - low) * count).astype(np.int64), 0, count - 1)
    some, first = np.unique(column, return_index=True)

    def best(amount: Floats) -> Integers:
        order = np.lexsort((-amount, column))
        return here[order][first].astype(np.int64)

    furthest = best(np.nan_to_num(layer.amount[here], nan=-1.0))
    rank = np.array([0.0, 3.0, 2.0, 1.0])  # out, undecided, not measured
    return some, furthest, best(rank[layer.verdict[here]])


def line_svg(edition: Edition, layer: Layer, choice: Choice, window: tuple[float, float], width: float) -> str:
    """Return the whole line as a strip: the worst of each column, symbols of what is not within, the window."""
    section = edition.section
    along, told = line_of(section)
    low, high = float(along[0]), float(along[-1])
    inner = width - LEFT - RIGHT
    count = max(int(inner / 3.0), 1)
    per = inner / (high - low)
    some, furthest, gravest = _columns(edition, layer, low, high, count)
    step = inner / count
    wide = max(step, min(float(section.size[:, 1].max()) * per, inner))
    lit = shown(choice, layer)
    parts = [f'<rect x="{LEFT}" y="20" width="{inner:.1f}" height="18" fill="{GROUND}"/>']
    shades = fills(layer.worst[furthest], layer.scale)
    parts += [
        f'<rect x="{LEFT + at * step:.1f}" y="20" width="{wide + 0.3:.1f}" height="18" fill="{fill}"'
        f"{_PALE[not lit[slab]]}/>"
        for at, slab, fill in zip(some.tolist(), furthest.tolist(), shades, strict=True)
    ]
    last = -99.0
    for at, slab in zip(some.tolist(), gravest.tolist(), strict=True):
        verdict = int(layer.verdict[slab])
        x = LEFT + (at + 0.5) * step
        if verdict != WITHIN and lit[slab] and x - last >= 9.0:
            parts.append(symbol(verdict, x, 11.0, 4.5))
            last = x
    a, b = (LEFT + (edge - low) * per for edge in window)
    parts.append(
        f'<rect x="{a:.1f}" y="17" width="{max(b - a, 6.0):.1f}" height="24" fill="none" stroke="{INK}" '
        'stroke-width="2" rx="2"/>'
    )
    x = LEFT + (float(section.distance[choice.slab]) - low) * per
    parts.append(f'<path d="M{x:.1f} 41l-6 10h12z" fill="{INK}" class="here"/>')
    for end, anchor, value in ((LEFT, "start", told[0]), (width - RIGHT, "end", told[-1])):
        if abs(x - end) > 60.0:
            parts.append(
                f'<text x="{end}" y="52" text-anchor="{anchor}" class="small">{chainage_text(float(value))}</text>'
            )
    return (
        f'<svg class="strip" data-line="1" data-left="{LEFT}" data-right="{RIGHT}" width="{width:.0f}" height="56" '
        f'viewBox="0 0 {width:.0f} 56" aria-hidden="true">{"".join(parts)}</svg>'
    )


def stretch_svg(edition: Edition, layer: Layer, choice: Choice, window: tuple[float, float], width: float) -> str:
    """Return the stretch of the window: every slab, or columns of the worst where slabs would be too short to see.

    Chainage runs to the right, so the left side of the track is on top. Each slab is a list option of its own.
    """
    section = edition.section
    low, high = window
    inner = width - LEFT - RIGHT
    per = inner / (high - low)
    height = _TOP + _BODY + _STRUCTURE + _FOOT
    single = float(np.median(section.size[:, 1])) * per >= LEAST_SLAB
    body = _slabs(edition, layer, choice, window, per) if single else _coarse(edition, layer, choice, window, inner)
    frame = [
        f'<rect x="{LEFT}" y="{_TOP}" width="{inner:.1f}" height="{_BODY}" fill="{PAPER}"/>',
        f'<text x="{LEFT - 6}" y="{_TOP + 14}" text-anchor="end" class="small">left</text>',
        f'<text x="{LEFT - 6}" y="{_TOP + _BODY - 5}" text-anchor="end" class="small">right</text>',
    ]
    frame += _structures(edition, low, high, per)
    for mark, word in zip(*ticks(edition, low, high, inner), strict=True):
        x = LEFT + (float(mark) - low) * per
        y = _TOP + _BODY + _STRUCTURE
        anchor = "start" if x < LEFT + 24 else "end" if x > width - RIGHT - 24 else "middle"
        frame.append(f'<path d="M{x:.1f} {y}v5" stroke="{MUTED}"/>')
        frame.append(f'<text x="{x:.1f}" y="{y + 17}" text-anchor="{anchor}" class="small">{word}</text>')
    # frame first: slabs lie over it
    return (
        f'<svg class="stretch" data-window="{low},{high}" data-left="{LEFT}" data-right="{RIGHT}" '
        f'width="{width:.0f}" height="{height:.0f}" viewBox="0 0 {width:.0f} {height:.0f}">'
        f'<g aria-hidden="true">{"".join(frame)}</g>'
        f'<g role="listbox" aria-label="Slabs along the line">{body}</g></svg>'
    )


def _structures(edition: Edition, low: float, high: float, per: float) -> list[str]:
    parts = []
    for structure in edition.section.structures:
        a, b = max(structure.distance_start, low), min(structure.distance_end, high)
        if b <= a:
            continue
        x, wide, y = LEFT + (a - low) * per, (b - a) * per, _TOP + _BODY + 4.0
        parts.append(f'<path d="M{x:.1f} {y}v6h{wide:.1f}v-6" fill="none" stroke="{MUTED}"/>')
        room = int((wide - 12.0) / 6.8)
        whole = structure_words(structure)
        word = whole if len(whole) <= room else structure.name
        if room >= 4:
            told = word if len(word) <= room else word[: room - 1] + "\N{HORIZONTAL ELLIPSIS}"
            parts.append(
                f'<text x="{x + wide / 2:.1f}" y="{y + 9.5}" text-anchor="middle" class="small halo">'
                f"{text(told)}</text>"
            )
    return parts


def _slabs(edition: Edition, layer: Layer, choice: Choice, window: tuple[float, float], per: float) -> str:
    """Return every slab of the window in four quarters, coloured by the values at its corners."""
    section = edition.section
    low, high = window
    half = 0.5 * section.size[:, 1]
    here = np.flatnonzero((section.distance + half > low) & (section.distance - half < high))
    quarters = fills(cells_of(layer)[here], layer.scale)
    lit = shown(choice, layer)
    middle = _TOP + _BODY / 2
    parts = []
    chosen = ""
    last = (-99.0, -1)
    for at, slab in enumerate(here.tolist()):
        x0 = max(LEFT + (section.distance[slab] - half[slab] - low) * per, LEFT)
        x1 = min(LEFT + (section.distance[slab] + half[slab] - low) * per, LEFT + (high - low) * per)
        wide, x = x1 - x0, 0.5 * (x0 + x1)
        back_left, back_right, ahead_left, ahead_right = quarters[4 * at : 4 * at + 4]
        verdict = int(layer.verdict[slab])
        name, value = str(section.slab_names[slab]), layer.named(slab)
        sides = (
            (back_left, x0, _TOP), (ahead_left, x, _TOP), (back_right, x0, middle), (ahead_right, x, middle),
        )  # fmt: skip
        drawn = "".join(
            f'<rect x="{a:.1f}" y="{b:.1f}" width="{wide / 2 + 0.1:.1f}" height="{_BODY / 2:.1f}" fill="{fill}"/>'
            for fill, a, b in sides
        )
        if verdict != last[1] or x - last[0] >= 12.0:  # of many alike side by side not every one
            drawn += symbol(verdict, x, _TOP - 9.0, 5.5)
            last = x, verdict
        if wide >= NAMED_SLAB:
            room = int(wide / 7.2)
            short = name if len(name) <= room else name[: room - 1] + "\N{HORIZONTAL ELLIPSIS}"
            worst = number_mm(float(layer.worst[slab])) if np.isfinite(layer.worst[slab]) else ""
            told = (short, worst if layer.scale.middle == 0.0 else worst.removeprefix("+"))
            drawn += "".join(
                f'<text x="{x:.1f}" y="{middle + shift}" text-anchor="middle" class="on" '
                f'fill="{ink_on(ahead_left if shift < 0 else ahead_right)}">{text(word)}</text>'
                for word, shift in zip(told, (-9.0, 20.0), strict=True)
            )
        is_it = slab == choice.slab
        parts.append(
            f'<g role="option" id="slab-{slab}" data-slab="{slab}" aria-selected="{str(is_it).lower()}" '
            f'aria-label="{text(name)}, {text(layer.words[verdict])}, {text(value)}"'
            f"{_PALE[not lit[slab]]}><title>{text(name)}: {text(layer.words[verdict])}, "
            f"{text(value)}</title>{drawn}</g>"
        )
        if is_it:
            chosen = (
                f'<g aria-hidden="true" class="frame"><rect x="{x0:.1f}" y="{_TOP}" width="{wide:.1f}" '
                f'height="{_BODY}" fill="none" stroke="{PAPER}" stroke-width="6"/><rect x="{x0:.1f}" y="{_TOP}" '
                f'width="{wide:.1f}" height="{_BODY}" fill="none" stroke="{INK}" stroke-width="3.5"/></g>'
            )
    return "".join(parts) + chosen


def _coarse(edition: Edition, layer: Layer, choice: Choice, window: tuple[float, float], inner: float) -> str:
    """Return columns of the window, each coloured by the slab in it that is furthest out."""
    low, high = window
    count = max(int(inner / 3.0), 1)
    some, furthest, gravest = _columns(edition, layer, low, high, count)
    step = inner / count
    wide = max(step, float(np.median(edition.section.size[:, 1])) / (high - low) * inner)
    lit = shown(choice, layer)
    quarters = fills(layer.scale.extreme(cells_of(layer)[furthest], 1), layer.scale)
    parts = []
    last = -99.0
    for at, (column, slab) in enumerate(zip(some.tolist(), furthest.tolist(), strict=True)):
        x = LEFT + column * step
        pale = _PALE[not lit[slab]]
        for side in (0, 1):
            y = _TOP + side * _BODY / 2
            parts.append(
                f'<rect x="{x:.1f}" y="{y:.1f}" width="{min(wide + 0.3, LEFT + inner - x):.1f}" '
                f'height="{_BODY / 2:.1f}" '
                f'fill="{quarters[2 * at + side]}"{pale}/>'
            )
    for column, slab in zip(some.tolist(), gravest.tolist(), strict=True):
        verdict = int(layer.verdict[slab])
        x = LEFT + (column + 0.5) * step
        if verdict != WITHIN and lit[slab] and x - last >= 11.0:
            parts.append(symbol(verdict, x, _TOP - 9.0, 5.0))
            last = x
    x = LEFT + (float(edition.section.distance[choice.slab]) - low) / (high - low) * inner
    slab = choice.slab
    told = f"{edition.section.slab_names[slab]}, {layer.words[int(layer.verdict[slab])]}, {layer.named(slab)}"
    parts.append(
        f'<g role="option" id="slab-{slab}" aria-selected="true" aria-label="{text(told)}">'
        f'<rect x="{x - 6:.1f}" y="{_TOP}" width="12" height="{_BODY}" fill="none"/></g>'
    )
    parts.append(f'<path d="M{x:.1f} {_TOP - 1}v{_BODY + 2}" stroke="{PAPER}" stroke-width="5"/>')
    parts.append(f'<path d="M{x:.1f} {_TOP - 1}v{_BODY + 2}" stroke="{INK}" stroke-width="2.5" class="frame"/>')
    return "".join(parts)
