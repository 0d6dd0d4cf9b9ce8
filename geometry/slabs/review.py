"""What target slabs ask of the mortar below them and of the fasteners on them, by design."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geometry.alignment import Alignment
from geometry.alignment.laws import Floats

from .design_bed import DesignBed
from .layout import Layout
from .target import Targets, seat_offsets
from .types import SlabType

__all__ = ["FastenerMoves", "design_thickness", "fastener_moves", "mortar_wedge"]


@dataclass(frozen=True, eq=False)
class FastenerMoves:
    """How far fasteners have to move the rails of n target slabs to the design rails; arrays of shape (n,), m.

    A move is the design rail less the rail as the slab carries it, so the opposite of a seat's offset. Each is the
    extreme over all seats of a slab and both rails.

    Attributes
    ----------
    right_least, right_most : ndarray
        Smallest and largest move across, + right: the first is negative where a rail has to go left.
    up_least, up_most : ndarray
        The same in level, + up.
    """

    right_least: Floats
    right_most: Floats
    up_least: Floats
    up_most: Floats


def fastener_moves(
    alignment: Alignment, types: Sequence[SlabType], layout: Layout, targets: Targets
) -> FastenerMoves:  # fmt: skip
    """Return how far the fasteners of each target slab have to move the rails.

    The larger of both directions is `Targets.seat_across` and `Targets.seat_up`; here they are told apart, as a
    fastener can raise a rail further than lower it.

    Parameters
    ----------
    alignment : Alignment
    types : sequence of SlabType
    layout : Layout
        Of n slabs.
    targets : Targets
        Of the same slabs.
    """
    if not len(layout.distance):
        return FastenerMoves(*(np.empty(0) for _ in range(4)))
    seats = seat_offsets(alignment, types, layout, targets)
    first = np.flatnonzero(seats.seat == 0)
    extremes = []
    for axis in (0, 2):
        move = -seats.offset[:, :, axis]
        extremes.append(np.minimum.reduceat(move.min(axis=1), first))
        extremes.append(np.maximum.reduceat(move.max(axis=1), first))
    return FastenerMoves(*extremes)


def design_thickness(bed: DesignBed, types: Sequence[SlabType], layout: Layout, targets: Targets) -> Floats:
    """Return how thick the mortar under target slabs is by design, square to the slab.

    On a bed that follows the cant only what a rigid slab cannot follow remains, warp and vertical versine; on one that
    is level across a wedge comes on top: see `DesignBed`.

    Parameters
    ----------
    bed : DesignBed
    types : sequence of SlabType
    layout : Layout
        Of n slabs.
    targets : Targets
        Of the same slabs.

    Returns
    -------
    ndarray, shape (n, 2, 3)
        Under the left and right edge; at the rear end, the middle and the front end, m.
    """
    size = np.array([[t.width / 2, t.length / 2] for t in types])[layout.type_index]
    return bed.gap(
        types, layout.type_index, layout.distance, targets.position, targets.rotation,
        size[:, :1] * [-1.0, 1.0], size[:, 1:] * [-1.0, 0.0, 1.0],
    )  # fmt: skip


def mortar_wedge(thickness: Floats) -> Floats:
    """Return by how much the thickest corner of the mortar exceeds the thinnest one, shape (n,), m, not negative.

    Parameters
    ----------
    thickness : ndarray, shape (n, 2, 3)
        As `design_thickness` gives it; the middles of the edges are no corners.
    """
    corners = thickness[:, :, [0, 2]].reshape(-1, 4)
    return np.asarray(np.ptp(corners, axis=1))
