"""The section at a glance: a lane for everything that was judged, with a symbol wherever it is not within."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from viewer.colours import GROUND, INK, MUTED, PAPER, VERDICTS
from viewer.rows import chainage_text, chainage_ticks, nice_below
from viewer.section import NOT_MEASURED, OUT, UNDECIDED

__all__ = ["Lane", "strip_figure"]

Floats = NDArray[np.float64]
_WIDTH, _LANE, _FOOT, _HEAD = 6.7, 0.23, 0.34, 0.24  # inches, for a page of A4
_LEFT, _RIGHT = 1.15, 0.06
_APART = 0.085  # symbols closer than this give way to the gravest of them, inches
_SIZE: Final = 22.0  # of a symbol, points squared


@dataclass(frozen=True, eq=False)
class Lane:
    """Verdicts along the line.

    Attributes
    ----------
    words : str
        What was judged.
    distance : ndarray, shape (k,)
        m, ascending.
    verdict : ndarray of int, shape (k,)
        Of `viewer.section`; others show nothing.
    """

    words: str
    distance: Floats
    verdict: NDArray[np.int64]


def _gravest(lane: Lane, verdict: int, cell: float, start: float) -> Floats:
    """Return where this verdict is shown: the middle of each cell in which it is the gravest."""
    rank = np.zeros(NOT_MEASURED + 3, dtype=np.int64)
    rank[[NOT_MEASURED, UNDECIDED, OUT]] = 1, 2, 3
    of_slab = rank[np.clip(lane.verdict, 0, NOT_MEASURED + 2)]
    place = ((lane.distance - start) / cell).astype(np.int64)
    top = np.zeros(int(place.max(initial=0)) + 1, dtype=np.int64)
    np.maximum.at(top, place, of_slab)
    own = (of_slab == rank[verdict]) & (top[place] == rank[verdict])
    shown: Floats = start + (np.unique(place[own]) + 0.5) * cell
    return shown


def strip_figure(lanes: Sequence[Lane], along: Floats, chainage: Floats) -> Any:
    """Return the strip as a matplotlib figure, 6.7 inches wide.

    Parameters
    ----------
    lanes : sequence of Lane
        From top to bottom.
    along, chainage : ndarray, shape (m,)
        Places of the line and their displayed chainage, m.
    """
    from matplotlib.figure import Figure
    from matplotlib.path import Path

    height = _HEAD + _LANE * len(lanes) + _FOOT
    figure = Figure(figsize=(_WIDTH, height), facecolor=PAPER)
    box = (_LEFT / _WIDTH, _FOOT / height, 1 - (_LEFT + _RIGHT) / _WIDTH, _LANE * len(lanes) / height)
    axes = figure.add_axes(box)
    low, high = float(along[0]), float(along[-1])
    axes.set(xlim=(low, high), ylim=(len(lanes), 0))
    for side in axes.spines.values():
        side.set_visible(False)
    inches = _WIDTH - _LEFT - _RIGHT
    cell = (high - low) / inches * _APART
    for row, lane in enumerate(lanes):
        axes.axhspan(row + 0.12, row + 0.88, facecolor=GROUND, lw=0)
        axes.text(-0.012, row + 0.52, lane.words, transform=axes.get_yaxis_transform(), size=7.5, color=INK, ha="right",
                  va="center", parse_math=False)  # fmt: skip
        for verdict in (NOT_MEASURED, UNDECIDED, OUT):
            look = VERDICTS[verdict]
            marker = Path([*look.symbol, look.symbol[0]], closed=True)
            x = _gravest(lane, verdict, cell, low)
            axes.scatter(x, np.full(len(x), row + 0.5), s=_SIZE, marker=marker, lw=0.8, clip_on=False, zorder=3,
                         facecolors=INK if look.filled else PAPER, edgecolors=INK)  # fmt: skip
    step = nice_below((high - low) / inches)
    while step < 0.7 * (high - low) / inches:
        step = nice_below(2.5 * step)
    marks, values = chainage_ticks(chainage, along, step)
    # beside a jump of the count two marks may come too close for their words
    room = np.diff(marks, prepend=-np.inf) > 0.55 * (high - low) / inches
    axes.set_xticks(marks, [chainage_text(v) if some else "" for v, some in zip(values.tolist(), room, strict=True)])
    axes.set_yticks([])
    axes.tick_params(labelsize=7, colors=MUTED, length=2.5, width=0.5)
    _key(figure)
    return figure


def _key(figure: Any) -> None:
    """Say what the symbols mean."""
    from matplotlib.lines import Line2D
    from matplotlib.path import Path

    handles = []
    for verdict in (OUT, UNDECIDED, NOT_MEASURED):
        look = VERDICTS[verdict]
        marker: Any = Path([*look.symbol, look.symbol[0]], closed=True)
        words = "out, not ready" if verdict == OUT else look.word
        handles.append(Line2D([], [], ls="", marker=marker, ms=_SIZE**0.5, mec=INK, mew=0.8,
                              mfc=INK if look.filled else PAPER, label=words))  # fmt: skip
    figure.legend(handles=handles, loc="upper right", bbox_to_anchor=(1 - _RIGHT / _WIDTH, 1.0), ncols=3,
                  frameon=False, fontsize=7.5, labelcolor=INK, handletextpad=0.1, columnspacing=1.2, borderaxespad=0.0,
                  borderpad=0.1)  # fmt: skip
