"""What target slabs ask of the mortar below them and of the fasteners on them, by design."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from geometry.alignment import Alignment, track_frame
from geometry.alignment.frames import angles
from geometry.alignment.laws import Floats

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


def design_thickness(
    alignment: Alignment, types: Sequence[SlabType], layout: Layout, targets: Targets, nominal: float, *,
    follows_cant: bool,
) -> Floats:  # fmt: skip
    """Return how thick the mortar under target slabs is by design, square to the slab.

    A bed that follows the cant is parallel to the design track: its surface is ruled square to the line with the
    cant of each place, so deep that a slab which followed the track everywhere would have the nominal thickness.
    Then only what a rigid slab cannot follow remains: warp and vertical versine. A bed that is level across follows
    the gradient but no cant, and lies so deep that this ideal slab would have the nominal thickness under its lower
    edge: the mortar becomes a wedge of the slab's width times the tangent of the cant angle.

    Parameters
    ----------
    alignment : Alignment
    types : sequence of SlabType
    layout : Layout
        Of n slabs.
    targets : Targets
        Of the same slabs.
    nominal : float
        Nominal thickness, m.
    follows_cant : bool
        Whether the bed is parallel to the design track, or level across.

    Returns
    -------
    ndarray, shape (n, 2, 3)
        Under the left and right edge; at the rear end, the middle and the front end, m.
    """
    places = [replace(t, seats=np.array([-0.5, 0.0, 0.5]) * t.length) for t in types]
    at = seat_offsets(alignment, places, layout, targets)
    n = len(layout.distance)
    half = np.array([t.width / 2 for t in types])[layout.type_index][:, None]
    # slab and bed are both straight across: two rails give every place between and beyond them
    left, right = at.offset[:, 0, 2].reshape(n, 3), at.offset[:, 1, 2].reshape(n, 3)
    middle, tilt = (left + right) / 2, (right - left) / alignment.rules.cant_base
    over = np.stack([middle - half * tilt, middle + half * tilt], axis=1)
    if not follows_cant:
        roll = angles(track_frame(alignment, at.distance).rotation)[2].reshape(n, 3)
        rise = half * np.tan(roll)  # of the design track at the left edge over its middle, square to it
        over += np.stack([np.abs(rise) + rise, np.abs(rise) - rise], axis=1)
    return over + nominal


def mortar_wedge(thickness: Floats) -> Floats:
    """Return by how much the thickest corner of the mortar exceeds the thinnest one, shape (n,), m, not negative.

    Parameters
    ----------
    thickness : ndarray, shape (n, 2, 3)
        As `design_thickness` gives it; the middles of the edges are no corners.
    """
    corners = thickness[:, :, [0, 2]].reshape(-1, 4)
    return np.asarray(np.ptp(corners, axis=1))
