"""Slab types made longer or shorter, to see what that costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from .types import Fitting, SlabType

__all__ = ["lengthened", "with_longer_slabs"]


def _stretched(fitting: Fitting, by: float) -> Fitting:
    """Return a fitting whose places keep their distance to the nearer end; one in the middle stays there."""
    places = fitting.places.copy()
    places[:, 1] += np.sign(places[:, 1]) * by / 2
    return replace(fitting, places=places)


def lengthened(slab_type: SlabType, by: float) -> SlabType:
    """Return a slab type that is longer.

    What a designer keeps is the spacing of the rail seats, as sleepers have theirs, and their distance to the slab's
    end, as the spacing goes on over the joint. So the outermost seats move with the ends, and between them there are
    as many seats as bring their mean spacing nearest to the old one, spread evenly: half a metre more gives one more
    seat. Marks, screws and adjusters keep their distance to the nearer end; width, thickness and notches stay.

    Parameters
    ----------
    slab_type : SlabType
    by : float
        How much longer, m; negative for shorter.

    Raises
    ------
    ValueError
        If what remains of a shorter slab has no room for two seats between its ends, or for its notches.
    """
    seats = np.sort(slab_type.seats)
    spacing = (seats[-1] - seats[0]) / (len(seats) - 1)
    between = seats[-1] - seats[0] + by
    length = slab_type.length + by
    if not (between > spacing / 2 and length > 2 * slab_type.notch_radius):
        raise ValueError(f"{slab_type.name} of {slab_type.length:g} m cannot be {by * 1e3:+g} mm longer")
    count = max(2, round(float(between / spacing)) + 1)
    return replace(
        slab_type,
        name=f"{slab_type.name}{by * 1e3:+g}",
        length=length,
        seats=np.linspace(seats[0] - by / 2, seats[-1] + by / 2, count),
        marks=_stretched(slab_type.marks, by),
        screws=_stretched(slab_type.screws, by),
        adjusters=_stretched(slab_type.adjusters, by),
    )


def with_longer_slabs(types: Sequence[SlabType], by: float) -> tuple[SlabType, ...]:
    """Return slab types of which all but the special ones are longer: those fill what the others leave of a span."""
    return tuple(t if t.special else lengthened(t, by) for t in types)
