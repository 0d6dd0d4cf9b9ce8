"""Charts along chainage as SVG, over the same stretch as the section above them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from viewer.app.book import Edition
from viewer.app.choice import Choice
from viewer.app.markup import number, text
from viewer.app.section_svg import LEFT, RIGHT, ticks
from viewer.chart_data import Panel, Series
from viewer.colours import GROUND, INK, MUTED, PAPER
from viewer.rows import nice_below

__all__ = ["HEIGHT", "charts_svg"]

Floats = NDArray[np.float64]

HEIGHT, _HEAD, _LEGEND = 96.0, 20.0, 16.0
_INKS = ("#1f4e79", "#b4550f")
"""Dark blue filled, dark orange open or dashed: apart for colour-blind eyes, in grey, and by their shape."""


def charts_svg(
    edition: Edition, panels: Sequence[Panel], choice: Choice, window: tuple[float, float], width: float
) -> str:
    """Return charts one above the other, with the chosen slab marked through all of them."""
    low, high = window
    inner = width - LEFT - RIGHT
    per = inner / (high - low)
    section = edition.section
    parts: list[str] = []
    half = 0.5 * float(section.size[choice.slab, 1])
    x = LEFT + (float(section.distance[choice.slab]) - half - low) * per
    wide = max(2 * half * per, 2.5)
    tops = np.cumsum([0.0, *(HEIGHT + _head(panel) for panel in panels)]).tolist()
    tall = tops[-1]
    for panel, top in zip(panels, tops[:-1], strict=True):
        base, side = top + _head(panel), HEIGHT - 8.0
        parts.append(
            f'<rect x="{x:.1f}" y="{base:.1f}" width="{wide:.1f}" height="{side}" fill="{GROUND}" class="here"/>'
        )
        parts += _panel(panel, low, high, per, inner, top)
    for mark, word in zip(*ticks(edition, low, high, inner), strict=True):
        place = LEFT + (float(mark) - low) * per
        anchor = "start" if place < LEFT + 24 else "end" if place > width - RIGHT - 24 else "middle"
        parts.append(f'<path d="M{place:.1f} {tall}v5" stroke="{MUTED}"/>')
        parts.append(f'<text x="{place:.1f}" y="{tall + 17}" text-anchor="{anchor}" class="small">{word}</text>')
    return (
        f'<svg class="charts" data-window="{low},{high}" data-left="{LEFT}" data-right="{RIGHT}" width="{width:.0f}" '
        f'height="{tall + 22:.0f}" viewBox="0 0 {width:.0f} {tall + 22:.0f}" aria-hidden="true">{"".join(parts)}</svg>'
    )


def _head(panel: Panel) -> float:
    return _HEAD + (_LEGEND if len(panel.series) > 1 else 0.0)


def _within(series: Series, low: float, high: float) -> tuple[Floats, Floats]:
    # one point beyond either end, so that lines run to the edge
    a = max(int(np.searchsorted(series.distance, low)) - 1, 0)
    b = min(int(np.searchsorted(series.distance, high, side="right")) + 1, len(series.distance))
    return series.distance[a:b], series.value[a:b]


def _panel(panel: Panel, low: float, high: float, per: float, inner: float, top: float) -> list[str]:
    seen = [_within(series, low, high) for series in panel.series]
    known = np.concatenate([*(value for _, value in seen), np.array([value for value, _ in panel.limits])])
    known = known[np.isfinite(known)]
    bottom, upper = (float(known.min()), float(known.max())) if len(known) else (-1.0, 1.0)
    if panel.from_zero:
        bottom, upper = min(bottom, 0.0), max(upper, 0.0)
    room = 0.1 * (upper - bottom) or 1.0
    bottom, upper = bottom - room, upper + room
    base, tall = top + _head(panel), HEIGHT - 8.0

    def height(value: float) -> float:
        return base + tall * (upper - value) / (upper - bottom)

    right = LEFT + inner
    sign = f'<tspan class="small" dx="8">{text(panel.sign)}</tspan>' if len(panel.series) == 1 else ""
    parts = [f'<text x="4" y="{top + 14:.1f}" class="head">{text(panel.title)}, {text(panel.unit)}{sign}</text>']
    step = nice_below((upper - bottom) / 2.5)
    decimals = max(0, int(-np.floor(np.log10(step) + 1e-9)))
    for value in (np.arange(np.ceil(bottom / step), np.floor(upper / step) + 1) * step).tolist():
        y = height(value)
        parts.append(
            f'<path d="M{LEFT} {y:.1f}H{right:.1f}" stroke="{MUTED}" stroke-width="{0.9 if value == 0 else 0.25}"/>'
        )
        told = number(value, decimals, signed=panel.sign.startswith("+"))
        parts.append(f'<text x="{LEFT - 6}" y="{y + 4:.1f}" text-anchor="end" class="small">{told}</text>')
    for value, _ in panel.limits:
        parts.append(f'<path d="M{LEFT} {height(value):.1f}H{right:.1f}" stroke="{INK}" stroke-dasharray="6 4"/>')
    zero = height(min(max(0.0, bottom), upper))
    for k, (series, (distance, value)) in enumerate(zip(panel.series, seen, strict=True)):
        xs = LEFT + np.clip((distance - low) * per, 0.0, inner)
        ys = np.array([height(v) for v in np.clip(value, bottom, upper).tolist()])
        if not series.stepped:
            parts.append(_line(xs, ys, k))
        else:
            parts += _bars(xs, ys, zero, k, len(panel.series), inner)
    if len(panel.series) > 1:
        parts += _legend(panel, top)
    return parts


def _line(xs: Floats, ys: Floats, k: int) -> str:
    path, pen = [], "M"
    for x, y in zip(xs.tolist(), ys.tolist(), strict=True):
        if not np.isfinite(y):
            pen = "M"
            continue
        path.append(f"{pen}{x:.1f} {y:.1f}")
        pen = "L"
    dash = ' stroke-dasharray="7 4"' if k else ""
    return f'<path d="{"".join(path)}" fill="none" stroke="{_INKS[k % 2]}" stroke-width="1.8"{dash}/>'


def _bars(xs: Floats, ys: Floats, zero: float, k: int, of: int, inner: float) -> list[str]:
    """Return bars, or, where there are more than the width can show, what each column reaches."""
    some = np.isfinite(ys)
    xs, ys = xs[some], ys[some]
    if not len(xs):
        return []
    pitch = float(np.median(np.diff(xs))) if len(xs) > 1 else 12.0
    colour = _INKS[k % 2]
    if pitch < 3.0:
        column = np.rint(xs / 2.0).astype(np.int64)
        order = np.lexsort((-np.abs(ys - zero), column))
        first = np.unique(column[order], return_index=True)[1]
        xs, ys, pitch = xs[order][first], ys[order][first], 2.0
        path = "".join(f"M{x:.1f} {zero:.1f}V{y:.1f}" for x, y in zip(xs.tolist(), ys.tolist(), strict=True))
        return [f'<path d="{path}" stroke="{colour}" stroke-width="1.6" opacity="{1.0 if k == 0 else 0.6}"/>']
    wide = 0.8 * pitch / of
    fill = colour if k == 0 else PAPER
    path = "".join(
        f"M{x + (k - of / 2) * wide:.1f} {zero:.1f}V{y:.1f}h{wide:.1f}V{zero:.1f}z"
        for x, y in zip(xs.tolist(), ys.tolist(), strict=True)
    )
    return [f'<path d="{path}" fill="{fill}" stroke="{colour}"/>']


def _legend(panel: Panel, top: float) -> list[str]:
    parts, x, y = [], LEFT, top + _HEAD + 6.0
    for k, series in enumerate(panel.series):
        colour = _INKS[k % 2]
        if series.stepped:
            fill = colour if k == 0 else PAPER
            parts.append(f'<rect x="{x:.1f}" y="{y - 5}" width="12" height="10" fill="{fill}" stroke="{colour}"/>')
        else:
            dash = ' stroke-dasharray="5 3"' if k else ""
            parts.append(f'<path d="M{x:.1f} {y}h14" stroke="{colour}" stroke-width="2"{dash}/>')
        parts.append(f'<text x="{x + 18:.1f}" y="{y + 4}" class="small">{text(series.name)}</text>')
        x += 6.6 * len(series.name) + 36.0
    parts.append(f'<text x="{x:.1f}" y="{y + 4}" class="small">{text(panel.sign)}</text>')
    return parts
