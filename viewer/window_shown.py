"""What a window shows at a time, and how its two views share it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from viewer.layer import Layer
from viewer.section import Section

__all__ = ["PIXEL_POINT", "SHARE", "Shown"]

SHARE = 0.52
"""The share of the window's height that the rows have; the close view has the rest."""
PIXEL_POINT = 0.72
"""Points of a pixel at the pixels to the inch that the window's words are set with."""


@dataclass(frozen=True, eq=False)
class Shown:
    """What both views are drawn from.

    Parameters
    ----------
    section : Section
    layer : Layer
        What slabs are coloured by.
    slab : int
        The slab close up.
    factor : float or None
        Exaggeration close up; as large as the view has room for if None.
    hidden : frozenset of int
        Verdicts whose slabs are not drawn in rows.
    called : str
        What slabs in the pose shown are called.
    stage : str
        Of the survey; empty for the last one of each slab.
    size : (int, int)
        Of the window, pixels.
    """

    section: Section
    layer: Layer
    slab: int
    factor: float | None
    hidden: frozenset[int]
    called: str
    stage: str
    size: tuple[int, int]

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Slabs that are not hidden by their verdict, shape (n,)."""
        return ~np.isin(self.layer.verdict, sorted(self.hidden))

    @property
    def width(self) -> float:
        """Of both views, pixels."""
        return float(self.size[0])

    @property
    def rows_height(self) -> int:
        """Of the rows, pixels."""
        return round(self.size[1] * SHARE)

    @property
    def close_height(self) -> int:
        """Of the close view, pixels."""
        return self.size[1] - self.rows_height
