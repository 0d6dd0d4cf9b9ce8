"""The gap under slabs by the design of the bed: what is known where nobody surveyed the bed, and never a proof."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.slabs import DesignBed, SlabType
from geometry.slabs.quantities import footprint
from geometry.survey.points import Ints

from .gap import Gaps

__all__ = ["BEDS", "DesignedGaps", "beds_used", "designed_field", "designed_gaps"]

BEDS: Final = ("measured", "measured in part", "designed", "no pose")
"""Which bed gaps are of: surveyed under all of a slab, under a part, not at all; or there is no gap without a pose."""
_MEASURED, _IN_PART, _DESIGNED, _NO_POSE = range(4)
_ALONG = np.linspace(-0.5, 0.5, 9)
# composite rule of Simpson over the nine places: along a slab the gap bends like a parabola or is kinked once
_SIMPSON = np.array([1, 4, 2, 4, 2, 4, 2, 4, 1]) / 24


@dataclass(frozen=True, eq=False)
class DesignedGaps:
    """Gaps under n slabs in one pose down to the bed by design; nan for a slab without a pose.

    Attributes
    ----------
    corner : ndarray, shape (n, 4)
        Rear left, rear right, front left, front right, m.
    smallest, largest : ndarray, shape (n,)
        Of 27 places: both edges and the middle, at nine places along each, m.
    volume : ndarray, shape (n,)
        m^3, without losses.
    """

    corner: Floats
    smallest: Floats
    largest: Floats
    volume: Floats


def designed_gaps(
    bed: DesignBed, types: Sequence[SlabType], type_index: Ints, distance: Floats, position: Floats, rotation: Floats
) -> DesignedGaps:
    """Return the gaps under slabs by the design of the bed.

    Parameters
    ----------
    bed : DesignBed
    types : sequence of SlabType
    type_index : ndarray of int, shape (n,)
    distance : ndarray, shape (n,)
        Of the middle of each slab along the line, m.
    position, rotation : ndarray, shape (n, 3) and (n, 3, 3)
        Poses, nan for none.
    """
    gap = _over(bed, types, type_index, distance, position, rotation, np.array([-0.5, 0.0, 0.5]), _ALONG)
    flat = gap.reshape(len(gap), -1)
    # straight across, so the mean of both edges is that of all places; notches lie about the middle
    mean = (gap[:, [0, 2]] @ _SIMPSON).mean(axis=1)
    area = np.array([footprint(t) for t in types])[type_index]
    return DesignedGaps(
        corner=np.stack([gap[:, 0, 0], gap[:, 2, 0], gap[:, 0, -1], gap[:, 2, -1]], axis=1),
        smallest=np.asarray(flat.min(axis=1)),
        largest=np.asarray(flat.max(axis=1)),
        volume=area * mean,
    )


def designed_field(
    bed: DesignBed, types: Sequence[SlabType], type_index: Ints, distance: Floats, position: Floats, rotation: Floats,
    rows: int, columns: int,
) -> Floats:  # fmt: skip
    """Return the gap by design on a grid over each slab, as `gap_field` has it, shape (n, rows, columns), m."""
    gap = _over(
        bed, types, type_index, distance, position, rotation, np.linspace(-0.5, 0.5, columns),
        np.linspace(-0.5, 0.5, rows),
    )  # fmt: skip
    return np.asarray(np.swapaxes(gap, 1, 2))


def _over(
    bed: DesignBed, types: Sequence[SlabType], type_index: Ints, distance: Floats, position: Floats, rotation: Floats,
    across: Floats, along: Floats,
) -> Floats:  # fmt: skip
    size = np.array([[t.width, t.length] for t in types])[type_index]
    return bed.gap(types, type_index, distance, position, rotation, size[:, :1] * across, size[:, 1:] * along)


def beds_used(gaps: Gaps, designed: DesignedGaps) -> npt.NDArray[np.int8]:
    """Return which of `BEDS` each slab has, shape (n,)."""
    seen = np.nan_to_num(gaps.covered) > 0
    known = np.isfinite(designed.smallest)
    return np.select([gaps.measured, seen, known], [_MEASURED, _IN_PART, _DESIGNED], _NO_POSE).astype(np.int8)
