"""What a file leaves open of an element, settled by where the element has to end."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from geometry.alignment import HorizontalElement
from geometry.alignment.compiling import compile_horizontal
from geometry.alignment.laws import Floats

__all__ = ["ends_of", "settle"]


def ends_of(elements: Sequence[HorizontalElement]) -> Floats:
    """Return where elements with a start of their own end, easting and northing, m, shape (n, 2).

    A Viennese bend ends elsewhere if the cant changes along it.
    """
    track = compile_horizontal(elements, np.zeros(len(elements)), 0.0)
    return np.asarray(track.position.end + np.array(track.origin))


def settle(
    elements: list[HorizontalElement], places: Sequence[tuple[int, tuple[float, float]]], notes: list[str], *,
    reverse: bool,
) -> None:  # fmt: skip
    """Settle elements in place: what a cubic counts, and whether a transition leads into a reverse curve.

    Parameters
    ----------
    elements : list of HorizontalElement
    places : sequence of (index, (easting, northing))
        Elements that are open, and where each has to end, m; nan where that is not known.
    notes : list of str
        Takes what was found.
    reverse : bool
        Whether the file has no sign for the second radius, so that it may be that of a reverse curve.
    """
    known = [(row, end) for row, end in places if not math.isnan(end[0])]
    if not known:
        return
    ways = [(way, back) for back in ((False, True) if reverse else (False,)) for way in ("arc", "abscissa")]
    misses = np.full((len(ways), len(known)), np.inf)
    variants: list[list[HorizontalElement | None]] = []
    for miss, (way, back) in zip(misses, ways, strict=True):
        tried = [_variant(elements[row], way, reverse=back) for row, _ in known]
        variants.append(tried)
        rows = [k for k, element in enumerate(tried) if element is not None]
        if rows:
            ends = ends_of([element for element in tried if element is not None])
            miss[rows] = np.hypot(*(ends - np.array([known[k][1] for k in rows])).T)
    for k, which in enumerate(misses.argmin(axis=0).tolist()):
        settled = variants[which][k]
        if settled is not None:
            elements[known[k][0]] = settled
    cubics = [elements[row].length_along for row, _ in known if elements[row].kind == "cubic"]
    if cubics:
        counts = [f"{cubics.count(way)} count their {way}" for way in ("arc", "abscissa") if way in cubics]
        notes.append(f"cubic parabolas: {' and '.join(counts)}, as their end points show")


def _variant(element: HorizontalElement, way: str, *, reverse: bool) -> HorizontalElement | None:
    """Return an element that counts its arc or abscissa, with its curve reversed or not; None if there is none."""
    last = -element.curvature_end if reverse else element.curvature_end
    if (way == "abscissa" and element.kind != "cubic") or last == element.curvature_start:
        return None
    if reverse and not element.curvature_start * element.curvature_end:
        return None
    counted: Literal["arc", "abscissa"] = "arc" if way == "arc" else "abscissa"
    return replace(element, curvature_end=last, length_along=counted)
