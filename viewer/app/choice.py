"""What one browser session has chosen: values that are replaced, never changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from viewer.app.book import LATEST, Edition
from viewer.choosing import REACHES, scaled, slab_named
from viewer.layer import Layer
from viewer.section import NOT_MEASURED

__all__ = [
    "COLOURS",
    "PAGE",
    "REACHES",
    "SPANS",
    "Choice",
    "found",
    "limit_names",
    "ordered",
    "page_with",
    "scaled",
    "shown",
    "stepped",
    "window_of",
]

Integers = NDArray[np.int64]
Bools = NDArray[np.bool_]
Order = Literal["chainage", "worst"]

COLOURS: Final = ("up", "across", "along", "gap", "move", "rail")
"""What can be coloured by."""
SPANS: Final = (60.0, 120.0, 250.0, 500.0, 1000.0, 2500.0, 0.0)
"""How much of the line the section and the charts show, m; 0 is all of it."""
PAGE: Final = 40
"""Rows of the table on one page."""


@dataclass(frozen=True)
class Choice:
    """The choices of a session.

    Parameters
    ----------
    slab : int
        The chosen slab.
    colour : str
        One of ``COLOURS``.
    limit : int
        Which of the layers of that colour: the rail has one for each of its limits.
    stage : str
        ``LATEST`` or a stage of the survey.
    factor : float
        Exaggeration in the 3D view; 0 stands for a fitting one.
    reach : float
        One of ``REACHES``.
    span : float
        One of ``SPANS``.
    verdicts : frozenset of int
        Verdicts that are shown; the others are paled, and left out of the table.
    order : str
        Of the table: by chainage or from the worst.
    page : int
        Of the table.
    charts : tuple of str
        Charts shown, from top to bottom.
    """

    slab: int = 0
    colour: str = "up"
    limit: int = 0
    stage: str = LATEST
    factor: float = 0.0
    reach: float = 1.0
    span: float = 250.0
    verdicts: frozenset[int] = frozenset(range(NOT_MEASURED + 1))
    order: Order = "chainage"
    page: int = 0
    charts: tuple[str, ...] = ("deviations", "cant", "curvature")


def found(edition: Edition, text: str) -> int | str:
    """Return the slab that a text names, by its name or by a chainage that it covers or is nearest to.

    Returns
    -------
    int or str
        The slab, or why there is none, for people.
    """
    return slab_named(edition.section, text, lambda chainage: float(edition.project.count.to_distance(chainage)))


def shown(choice: Choice, layer: Layer) -> Bools:
    """Return which slabs the filter lets through, shape (n,)."""
    return np.isin(layer.verdict, sorted(choice.verdicts))


def stepped(choice: Choice, layer: Layer, step: int, *, working: bool) -> Choice:
    """Return the choice of the next slab that the filter lets through; with `working` of one that is not within.

    Past the last one the choice stays.
    """
    allowed = shown(choice, layer)
    if working:
        allowed = allowed & (layer.verdict != 0)
    rows = np.flatnonzero(allowed)
    if step > 0:
        place = int(np.searchsorted(rows, choice.slab, side="right")) + step - 1
        some = bool((rows > choice.slab).any())
    else:
        place = int(np.searchsorted(rows, choice.slab, side="left")) + step
        some = bool((rows < choice.slab).any())
    return replace(choice, slab=int(rows[min(max(place, 0), len(rows) - 1)])) if some else choice


def ordered(choice: Choice, layer: Layer) -> Integers:
    """Return the slabs of the table in its order."""
    rows: Integers = np.flatnonzero(shown(choice, layer)).astype(np.int64)
    if choice.order == "worst":
        amount = np.nan_to_num(layer.amount[rows], nan=-1.0)
        rows = rows[np.argsort(-amount, kind="stable")]
    return rows


def page_with(choice: Choice, rows: Integers) -> int:
    """Return the page of the table on which the chosen slab stands; the present one where it does not stand at all."""
    place = np.flatnonzero(rows == choice.slab)
    pages = max(1, -(-len(rows) // PAGE))
    return int(place[0]) // PAGE if len(place) else min(choice.page, pages - 1)


def window_of(edition: Edition, choice: Choice) -> tuple[float, float]:
    """Return the part of the line that is shown about the chosen slab, distance from and to, m."""
    section = edition.section
    half = 0.5 * section.size[[0, -1], 1]
    low, high = float(section.distance[0] - half[0]), float(section.distance[-1] + half[1])
    if choice.span == 0.0 or choice.span >= high - low:
        return low, high
    # steps of half a window, so that the view rests while slabs are gone through
    step = 0.5 * choice.span
    place = np.floor((float(section.distance[choice.slab]) - low - 0.5 * step) / step) * step
    start = min(max(low + float(place), low), high - choice.span)
    return start, start + choice.span


def limit_names(layers: Sequence[Layer]) -> list[str]:
    """Return what several layers of one colour are called."""
    return [layer.title.removeprefix("rail, ") for layer in layers]
