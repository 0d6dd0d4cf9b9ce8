"""Charts along the line, one above the other: what the design does, what slabs make of it, what was built."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from geometry.alignment import ChainageCount
from viewer.chart_data import Panel, Series
from viewer.colours import INK, MUTED, PAPER
from viewer.rows import chainage_text, chainage_ticks, nice_below

__all__ = ["Stretch", "chart_figure", "save_chart"]

Floats = NDArray[np.float64]
Stretch = tuple[str, str, float, float]
"""Name, kind, start and end of a structure, distance in m."""

# two inks that stay apart for colour-blind eyes and in grey: dark blue, and orange with dashes or open bars
_INKS: Final = ("#1f4e79", "#c8651b")
_WIDTH, _PANEL, _HEAD, _FOOT, _STRIP = 12.0, 1.55, 0.75, 0.55, 0.28  # inches
_LEFT, _RIGHT = 0.95, 0.35
_MOST_BARS = 400


def chart_figure(
    panels: Sequence[Panel], count: ChainageCount, span: tuple[float, float], title: str, subtitle: str,
    structures: Sequence[Stretch] = (),
) -> Any:  # fmt: skip
    """Return the charts as a matplotlib figure.

    Parameters
    ----------
    panels : sequence of Panel
    count : ChainageCount
        For what stands under the charts.
    span : (low, high)
        Part of the line that is shown, distance, m.
    title, subtitle : str
    structures : sequence of Stretch
    """
    from matplotlib.figure import Figure

    strip = _STRIP if structures else 0.0
    height = _HEAD + strip + _PANEL * len(panels) + _FOOT
    figure = Figure(figsize=(_WIDTH, height), facecolor=PAPER)
    figure.text(
        _LEFT / _WIDTH, 1 - 0.28 / height, title, size=13, weight="bold", color=INK, va="center", parse_math=False
    )
    figure.text(_LEFT / _WIDTH, 1 - 0.52 / height, subtitle, size=8.5, color=MUTED, va="center", parse_math=False)
    inner = _WIDTH - _LEFT - _RIGHT

    def axes(top: float, tall: float) -> Any:
        box = (_LEFT / _WIDTH, 1 - (top + tall) / height, inner / _WIDTH, tall / height)
        made = figure.add_axes(box)
        made.set_xlim(*span)
        made.tick_params(labelsize=7.5, colors=MUTED, length=3)
        for side in ("top", "right"):
            made.spines[side].set_visible(False)
        for side in ("left", "bottom"):
            made.spines[side].set_color(MUTED)
            made.spines[side].set_linewidth(0.7)
        return made

    if structures:
        _draw_structures(axes(_HEAD, strip * 0.75), structures, span, inner)
    marks, texts = _ticks(count, span, inner)
    for k, panel in enumerate(panels):
        chart = axes(_HEAD + strip + k * _PANEL + 0.32, _PANEL - 0.42)
        _draw(chart, panel, span, inner)
        chart.set_xticks(marks, texts if k == len(panels) - 1 else [""] * len(marks))
        for jump in count.starts[1:-1].tolist():
            if span[0] < jump < span[1]:
                chart.axvline(jump, color=MUTED, lw=0.8, ls=(0, (1, 1.5)))
    jumps = "; dotted: the chainage jumps" if any(span[0] < j < span[1] for j in count.starts[1:-1].tolist()) else ""
    figure.text(_LEFT / _WIDTH, 0.14 / height, f"chainage, km{jumps}; thin lines: elements begin and end", size=7.5,
                color=MUTED, va="center")  # fmt: skip
    return figure


def _ticks(count: ChainageCount, span: tuple[float, float], inches: float) -> tuple[Floats, list[str]]:
    step = nice_below(max((span[1] - span[0]) / inches * 0.9, 1e-3))
    while (span[1] - span[0]) / step > inches / 0.75:
        step = nice_below(2.5 * step)
    along = np.unique(np.clip(np.concatenate([np.linspace(*span, 2001), count.starts, count.starts - 1e-6]), *span))
    marks, values = chainage_ticks(count.to_chainage(along), along, step)
    # next to a jump of the count two marks may come too close for their words
    texts, last = [], -np.inf
    for mark, value in zip(marks.tolist(), values.tolist(), strict=True):
        room = (mark - last) / (span[1] - span[0]) * inches > 0.62
        texts.append(chainage_text(value) if room else "")
        last = mark if room else last
    return marks, texts


def _draw_structures(chart: Any, structures: Sequence[Stretch], span: tuple[float, float], inches: float) -> None:
    chart.set_ylim(0, 1)
    chart.axis("off")
    per_metre = inches / (span[1] - span[0])
    for name, kind, start, end in structures:
        low, high = max(start, span[0]), min(end, span[1])
        if not high > low:
            continue
        dark = "tunnel" in kind.lower()
        chart.fill_between([low, high], 0.1, 0.9, facecolor=MUTED if dark else PAPER, edgecolor=MUTED, lw=0.7)
        room = int((high - low) * per_metre / 0.062)
        text = name if len(name) <= room else ""
        if text:
            chart.text((low + high) / 2, 0.48, text, size=6.5, ha="center", va="center",
                       color=PAPER if dark else INK, parse_math=False)  # fmt: skip


def _draw(chart: Any, panel: Panel, span: tuple[float, float], inches: float) -> None:
    values = [s.value[(s.distance >= span[0]) & (s.distance <= span[1])] for s in panel.series]
    known = np.concatenate([*values, np.array([value for value, _ in panel.limits]), [0.0]])
    known = known[np.isfinite(known)]
    low, high = float(known.min()), float(known.max())
    if panel.title.startswith("Joint gaps"):  # not around zero
        low = float(known[known != 0].min()) if (known != 0).any() else 0.0
    room = 0.12 * (high - low) or 1.0
    chart.set_ylim(low - room, high + room)
    chart.axhline(0.0, color=MUTED, lw=0.6)
    for edge in panel.edges[(panel.edges > span[0]) & (panel.edges < span[1])].tolist():
        chart.axvline(edge, color="#c3cad0", lw=0.6, zorder=0)
    _draw_limits(chart, panel)
    for k, series in enumerate(panel.series):
        _draw_series(chart, series, k, span)
    chart.set_title(f"{panel.title}, {panel.unit}", loc="left", size=9, color=INK, weight="bold", pad=4)
    legend = "    ".join(s.name for s in panel.series) if len(panel.series) > 1 else ""
    chart.text(1, 1.06, panel.sign, transform=chart.transAxes, size=7.5, color=MUTED, ha="right", va="bottom")
    if legend:
        handles = [_handle(series, k) for k, series in enumerate(panel.series)]
        chart.legend(handles=handles, loc="lower left", bbox_to_anchor=(0.32, 0.99), ncols=2, frameon=False,
                     fontsize=7.5, labelcolor=INK, handlelength=1.6, borderaxespad=0.0, columnspacing=1.6)  # fmt: skip
    _draw_words(chart, panel, span, inches)


def _draw_limits(chart: Any, panel: Panel) -> None:
    """Draw limits with their words: outside of the outer lines, inside of the inner ones, so that none meet."""
    lines = dict(panel.limits)
    for sign in (1.0, -1.0):
        values = sorted((v for v in lines if v * sign > 0), key=abs)
        for k, value in enumerate(values):
            chart.axhline(value, color=INK, lw=0.8, ls=(0, (5, 3)))
            above = (k == len(values) - 1) == (sign > 0)
            chart.annotate(lines[value], (1, value), xycoords=("axes fraction", "data"), size=6.5, ha="right",
                           xytext=(-2, 1.5 if above else -1.5), textcoords="offset points", color=INK,
                           va="bottom" if above else "top", parse_math=False, zorder=5,
                           bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6})  # fmt: skip


def _handle(series: Series, k: int) -> Any:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    if series.stepped:
        return Patch(facecolor=_INKS[k] if k == 0 else PAPER, edgecolor=_INKS[k], label=series.name)
    return Line2D([], [], color=_INKS[k], lw=1.4, ls="-" if k == 0 else (0, (4, 2)), label=series.name)


def _draw_series(chart: Any, series: Series, k: int, span: tuple[float, float]) -> None:
    here = (series.distance >= span[0]) & (series.distance <= span[1])
    x, y = series.distance[here], series.value[here]
    if not series.stepped:
        chart.plot(x, y, color=_INKS[k], lw=1.3, ls="-" if k == 0 else (0, (4, 2)))
        return
    if len(x) > _MOST_BARS:
        # many slabs: what their values reach within each of a few hundred stretches
        cut = np.linspace(*span, _MOST_BARS + 1)
        cell = np.clip(np.searchsorted(cut, x, side="right") - 1, 0, _MOST_BARS - 1)
        top, bottom = np.full(_MOST_BARS, -np.inf), np.full(_MOST_BARS, np.inf)
        finite = np.isfinite(y)
        np.maximum.at(top, cell[finite], y[finite])
        np.minimum.at(bottom, cell[finite], y[finite])
        some = top >= bottom
        middle = (cut[:-1] + cut[1:]) / 2
        chart.fill_between(middle, bottom, top, where=some, color=_INKS[k], alpha=1.0 if k == 0 else 0.45, lw=0.4)
        return
    width = float(np.median(np.diff(x))) * 0.4 if len(x) > 1 else (span[1] - span[0]) / 100
    base = chart.get_ylim()[0] if chart.get_ylim()[0] > 0 else 0.0
    chart.bar(x + (k - 0.5) * width, y - base, width * 0.92, bottom=base, facecolor=_INKS[k] if k == 0 else PAPER,
              edgecolor=_INKS[k], lw=0.5)  # fmt: skip


def _draw_words(chart: Any, panel: Panel, span: tuple[float, float], inches: float) -> None:
    """Write what stands over each stretch, where there is room for it."""
    per_metre = inches / (span[1] - span[0])
    low, high = chart.get_ylim()
    for start, end, text in panel.words:
        a, b = max(start, span[0]), min(end, span[1])
        if (b - a) * per_metre < 0.062 * len(text) + 0.08:
            continue
        middle = (a + b) / 2
        near = np.interp(middle, panel.series[0].distance, panel.series[0].value)
        # on the side of the zero line where the curve is not
        up = near <= (low + high) / 2
        chart.text(middle, high if up else low, text, size=7, ha="center", va="top" if up else "bottom", color=MUTED,
                   parse_math=False)  # fmt: skip


def save_chart(figure: Any, path: Path) -> None:
    """Write a figure as PNG (200 dots an inch), SVG or PDF, by the end of the name."""
    figure.savefig(path, dpi=200, metadata={"Software": "slabpose"} if path.suffix.lower() == ".png" else None)
