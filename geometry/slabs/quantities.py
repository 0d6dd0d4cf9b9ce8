"""What a layout takes: slabs, anchors, mortar, fasteners."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geometry.alignment.laws import Floats

from .layout import Ints, Layout
from .types import SlabType

__all__ = ["Quantities", "footprint", "quantities_of"]


@dataclass(frozen=True, eq=False)
class Quantities:
    """Quantities of a layout; arrays of shape (t,), one for each slab type.

    Attributes
    ----------
    slabs : ndarray of int
    length : ndarray
        All slabs of a type together, m.
    seats : ndarray of int
        Rail seats, each with the seats of both rails counted as one.
    fasteners : ndarray of int
        One for each rail on each seat.
    mortar : ndarray
        Volume under the slabs by design, m^3, without losses.
    anchors_between : int
        Anchors between two slabs of a span.
    anchors_at_ends : int
        Those before the first and behind the last slab of a span, at structure joints.
    """

    slabs: Ints
    length: Floats
    seats: Ints
    fasteners: Ints
    mortar: Floats
    anchors_between: int
    anchors_at_ends: int


def footprint(slab_type: SlabType) -> float:
    """Return the area of a slab seen from above without its notches, m^2.

    A notch is a segment of its circle, whose centre lies beyond the slab's end: r^2 arccos(b/r) - b sqrt(r^2 - b^2).
    """
    r, b = slab_type.notch_radius, slab_type.notch_beyond
    notch = r**2 * math.acos(b / r) - b * math.sqrt(r**2 - b**2) if b < r else 0.0
    return slab_type.length * slab_type.width - 2 * notch


def quantities_of(types: Sequence[SlabType], layout: Layout, thickness: Floats) -> Quantities:
    """Return the quantities of a layout.

    Parameters
    ----------
    types : sequence of SlabType
    layout : Layout
        Of n slabs.
    thickness : ndarray, shape (n, 2, 3)
        Of the mortar by design, as `design_thickness` gives it, m. Along a slab it bends like a parabola, so that its
        mean follows from ends and middle (Simpson); what the notches take out counts with the mean of the slab, which
        is right to 0.1 litre.
    """
    slabs = np.bincount(layout.type_index, minlength=len(types))
    mean = (thickness @ np.array([1.0, 4.0, 1.0]) / 6).mean(axis=1)
    area = np.array([footprint(t) for t in types])
    seats = slabs * np.array([len(t.seats) for t in types])
    inside = int((layout.span[1:] == layout.span[:-1]).sum())
    return Quantities(
        slabs=slabs,
        length=slabs * np.array([t.length for t in types]),
        seats=seats,
        fasteners=2 * seats,
        mortar=area * np.bincount(layout.type_index, mean, minlength=len(types)),
        anchors_between=inside,
        anchors_at_ends=2 * (len(layout.span) - inside),
    )
