"""What whoever looks at a section can choose: a slab by name or chainage, and where a scale ends."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from geometry.errors import ChainageError
from geometry.exchange.cells import near
from viewer.cli.options import number_in
from viewer.layer import Layer, Scale
from viewer.section import Section

__all__ = ["REACHES", "next_slab", "scaled", "slab_named"]

REACHES = (0.5, 1.0, 2.0, 5.0)
"""Where a scale of colours may end, as parts of where it usually does."""


def slab_named(section: Section, text: str, to_distance: Callable[[float], float]) -> int | str:
    """Return the slab that a text names, by its name or by a chainage that it covers or is nearest to.

    Parameters
    ----------
    section : Section
    text : str
        As somebody typed it.
    to_distance : function of a chainage
        Its distance along the line, m; raises ChainageError where there is none, or more than one.

    Returns
    -------
    int or str
        The slab, or why there is none, for people.
    """
    names, wanted = section.slab_names, text.strip()
    if not wanted:
        return "type the name of a slab, or a chainage such as 27+628"
    same = np.flatnonzero(np.char.lower(names) == wanted.lower())
    if len(same):
        return int(same[0])
    chainage = number_in(wanted.replace(",", "."))
    if np.isfinite(chainage):
        try:
            distance = float(to_distance(chainage))
        except ChainageError as fault:
            return str(fault)
        half = 0.5 * section.size[[0, -1], 1]
        if section.distance[0] - half[0] <= distance <= section.distance[-1] + half[1]:
            return int(np.abs(section.distance - distance).argmin())
        ends = section.chainage[[0, -1]].tolist()
        return f"no slab at that chainage; they lie from {ends[0]:.0f} to {ends[1]:.0f} m"
    hint = near(wanted, names.tolist())
    return f"no slab is called {wanted}" + (f"; {hint}" if hint else f"; they run from {names[0]} to {names[-1]}")


def next_slab(slab: int, among: NDArray[np.bool_], step: int) -> int:
    """Return the next slab of some, step +1, or the one before, -1; past the last of them the slab itself.

    Examples
    --------
    >>> some = np.array([True, False, False, True, False])
    >>> next_slab(1, some, 1), next_slab(1, some, -1), next_slab(3, some, 1)
    (3, 0, 3)
    """
    rows = np.flatnonzero(among)
    rows = rows[rows > slab] if step > 0 else rows[rows < slab]
    return int(rows[0 if step > 0 else -1]) if len(rows) else slab


def scaled(layer: Layer, reach: float) -> Layer:
    """Return a layer whose scale ends at a part of its usual reach, or beyond it."""
    if reach == 1.0:
        return layer
    scale = layer.scale
    ends = scale.middle - reach * scale.below, scale.middle + reach * scale.above
    return replace(layer, scale=Scale(ends[0], scale.middle, ends[1], scale.allowed, scale.allowed_word))
