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
from viewer.sheet import text_width

__all__ = ["Stretch", "chart_figure", "save_chart"]

Floats = NDArray[np.float64]
Stretch = tuple[str, str, float, float]
"""Name, kind, start and end of a structure, distance in m."""

# two inks that stay apart for colour-blind eyes and in grey: dark blue, and orange with dashes or open bars
_INKS: Final = ("#1f4e79", "#c8651b")
_WIDTH, _PANEL, _HEAD, _FOOT, _STRIP = 12.0, 1.55, 0.75, 0.55, 0.28  # inches
_LEFT, _RIGHT = 0.95, 1.25  # what is right of the charts are the words of limits
_MOST_BARS = 120  # more of them would be thinner than what lies between them: then lines
_MOST_CELLS = 1500
_ALONGSIDE = 5.0  # spans no further apart than this are one row of them, m
_LABEL = 7.8  # points from one limit's words to the next


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
    left_out: list[tuple[str, float, float]] = []
    for name, kind, start, end in structures:
        low, high = max(start, span[0]), min(end, span[1])
        if not high > low:
            continue
        dark = "tunnel" in kind.lower()
        chart.fill_between([low, high], 0.1, 0.9, facecolor=MUTED if dark else PAPER, edgecolor=MUTED, lw=0.7)
        room = int((high - low) * per_metre / 0.062)
        if len(name) <= room:
            chart.text((low + high) / 2, 0.48, name, size=6.5, ha="center", va="center",
                       color=PAPER if dark else INK, parse_math=False)  # fmt: skip
        else:
            left_out.append((name, low, high))
    for name, low, high in _together(left_out):
        if len(name) * 0.062 <= (high - low) * per_metre:
            chart.text((low + high) / 2, 1.0, name, size=6.5, ha="center", va="bottom", color=MUTED,
                       parse_math=False)  # fmt: skip


def _together(names: Sequence[tuple[str, float, float]]) -> list[tuple[str, float, float]]:
    """Return one name for each run of neighbours that are called alike but for a number at the end."""
    runs: list[list[tuple[str, float, float]]] = []
    for one in names:
        stem = one[0].rstrip("0123456789")
        if runs and stem and stem == runs[-1][-1][0].rstrip("0123456789") and one[1] - runs[-1][-1][2] < _ALONGSIDE:
            runs[-1].append(one)
        else:
            runs.append([one])
    return [
        (f"{run[0][0]} to {run[-1][0][len(run[0][0].rstrip('0123456789')) :]}", run[0][1], run[-1][2])
        for run in runs
        if len(run) > 1
    ]


def _draw(chart: Any, panel: Panel, span: tuple[float, float], inches: float) -> None:
    values = [s.value[(s.distance >= span[0]) & (s.distance <= span[1])] for s in panel.series]
    known = np.concatenate([*values, [value for value, _ in panel.limits], [0.0] * panel.from_zero])
    known = known[np.isfinite(known)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 0.0)
    room = 0.12 * (high - low) or 1.0
    # words over stretches stand between the curve and the frame
    more = 0.1 * (high - low) if panel.words else 0.0
    chart.set_ylim(low - room - more, high + room + more)
    if panel.from_zero:
        chart.axhline(0.0, color=MUTED, lw=0.6)
    for edge in panel.edges[(panel.edges > span[0]) & (panel.edges < span[1])].tolist():
        chart.axvline(edge, color="#c3cad0", lw=0.6, zorder=0)
    _draw_limits(chart, panel)
    for k, series in enumerate(panel.series):
        _draw_series(chart, series, k, span)
    chart.set_title(f"{panel.title}, {panel.unit}", loc="left", size=9, color=INK, weight="bold", pad=4)
    legend = "    ".join(s.name for s in panel.series) if len(panel.series) > 1 else ""
    chart.text(1, 1.06, panel.sign, transform=chart.transAxes, size=7.5, color=MUTED, ha="right", va="bottom",
               parse_math=False)  # fmt: skip
    if legend:
        many = [len(values[k]) > _MOST_BARS for k in range(len(panel.series))]
        handles = [_handle(series, k, lines=many[k]) for k, series in enumerate(panel.series)]
        after = text_width(f"{panel.title}, {panel.unit}", 9, "bold") / 100 + 0.3
        chart.legend(handles=handles, loc="lower left", bbox_to_anchor=(after / inches, 0.99), ncols=2, frameon=False,
                     fontsize=7.5, labelcolor=INK, handlelength=1.6, borderaxespad=0.0, columnspacing=1.6)  # fmt: skip
    _draw_words(chart, panel, span, inches)


def _draw_limits(chart: Any, panel: Panel) -> None:
    """Draw limits across, with their words to the right of the chart, apart from each other."""
    words: dict[float, list[str]] = {}
    for value, text in sorted(panel.limits):
        words.setdefault(value, []).append(text)
    low, high = chart.get_ylim()
    per_point = (high - low) / ((_PANEL - 0.42) * 72)
    place = -np.inf
    for value, texts in words.items():
        chart.axhline(value, color=INK, lw=0.8, ls=(0, (5, 3)))
        place = max(value, place + _LABEL * per_point)
        chart.annotate(", ".join(dict.fromkeys(texts)), (1, place), xycoords=("axes fraction", "data"), size=6.5,
                       xytext=(4, 0), textcoords="offset points", color=INK, ha="left", va="center",
                       parse_math=False, annotation_clip=False)  # fmt: skip


def _handle(series: Series, k: int, *, lines: bool) -> Any:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    if series.stepped and not lines:
        return Patch(facecolor=_INKS[k] if k == 0 else PAPER, edgecolor=_INKS[k], label=series.name)
    return Line2D([], [], color=_INKS[k], lw=1.4, ls="-" if k == 0 else (0, (4, 2)), label=series.name)


def _draw_series(chart: Any, series: Series, k: int, span: tuple[float, float]) -> None:
    here = (series.distance >= span[0]) & (series.distance <= span[1])
    x, y = series.distance[here], series.value[here]
    if not series.stepped:
        chart.plot(x, y, color=_INKS[k], lw=1.3, ls="-" if k == 0 else (0, (4, 2)))
        return
    if len(x) > _MOST_BARS:
        _draw_as_steps(chart, x, y, k, span)
        return
    width = float(np.median(np.diff(x))) * 0.4 if len(x) > 1 else (span[1] - span[0]) / 100
    base = chart.get_ylim()[0] if chart.get_ylim()[0] > 0 else 0.0
    chart.bar(x + (k - 0.5) * width, y - base, width * 0.92, bottom=base, facecolor=_INKS[k] if k == 0 else PAPER,
              edgecolor=_INKS[k], lw=0.5)  # fmt: skip


def _draw_as_steps(chart: Any, x: Floats, y: Floats, k: int, span: tuple[float, float]) -> None:
    """Draw many slabs as one line with a break wherever slabs are missing: filled for the first series."""
    if len(x) > _MOST_CELLS:
        # what the values reach within each of a good thousand stretches
        cut = np.linspace(*span, _MOST_CELLS + 1)
        cell = np.clip(np.searchsorted(cut, x, side="right") - 1, 0, _MOST_CELLS - 1)
        top, bottom = np.full(_MOST_CELLS, -np.inf), np.full(_MOST_CELLS, np.inf)
        finite = np.isfinite(y)
        np.maximum.at(top, cell[finite], y[finite])
        np.minimum.at(bottom, cell[finite], y[finite])
        middle = (cut[:-1] + cut[1:]) / 2
        chart.fill_between(
            middle, bottom, top, where=top >= bottom, color=_INKS[k], alpha=1.0 if k == 0 else 0.6, lw=0.6
        )
        return
    between = np.diff(x)
    breaks = np.flatnonzero(between > 1.9 * np.median(between)) + 1
    x, y = np.insert(x, breaks, (x[breaks - 1] + x[breaks]) / 2), np.insert(y, breaks, np.nan)
    low, high = chart.get_ylim()
    base = min(max(0.0, low), high)
    if k == 0:
        chart.fill_between(x, y, base, step="mid", color=_INKS[0], alpha=0.25, lw=0)
    chart.plot(x, y, color=_INKS[k], lw=1.1, drawstyle="steps-mid", ls="-" if k == 0 else (0, (4, 2)))


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
        chart.annotate(text, (middle, high if up else low), xytext=(0, -1.0 if up else 1.8), size=7, ha="center",
                       textcoords="offset points", va="top" if up else "bottom", color=MUTED, parse_math=False,
                       bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6})  # fmt: skip


def save_chart(figure: Any, path: Path) -> None:
    """Write a figure as PNG (200 dots an inch), SVG or PDF, by the end of the name."""
    figure.savefig(path, dpi=200, metadata={"Software": "slabpose"} if path.suffix.lower() == ".png" else None)
