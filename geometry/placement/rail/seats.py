"""Where the rail lies over the rail seats of slabs, as designed and as their poses carry it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geometry.alignment import Alignment, true_length
from geometry.alignment.laws import Floats
from geometry.errors import SlabposeError
from geometry.slabs import Layout, SlabType, Targets, seat_offsets
from geometry.survey import movement_rows
from geometry.survey.points import Ints

__all__ = ["CastSeats", "RailSeats", "rail_seats"]

_APART = 1e-3  # seats nearer to each other than this are one place: two slabs cannot both have it, m


@dataclass(frozen=True, eq=False)
class RailSeats:
    """The rail seats of a row of slabs in order of chainage, s of them, each with a left and a right rail.

    The rail over a seat deviates from the design by ``target_offset + rows @ pose[slab]``, before any fastener is
    adjusted; see `rail_deviation`.

    Attributes
    ----------
    slab : ndarray of int, shape (s,)
        Row of the slab in the layout.
    station : ndarray, shape (s,)
        True length along the track's centre line, m, strictly increasing; only differences of it mean something.
    target_offset : ndarray, shape (s, 2, 2)
        Rail on the target slab less design rail: [left, right] by [line, + right; level, + up], m. A rigid slab
        cannot follow curve, sag and twist.
    rows : ndarray, shape (s, 2, 2, 6)
        How the deviation of the slab's pose (across, along, up, pitch, roll, yaw; m and rad) moves these. That a
        slab carries its seats along the line is left out: on a curve of 5000 m 5 mm along are 3 um of line.
    distance : ndarray, shape (s,)
        Distance along the alignment, m, from which the chainage follows.
    seat : ndarray of int, shape (s,)
        Number of the seat on its slab, from 1 at the rear.
    """

    slab: Ints
    station: Floats
    target_offset: Floats
    rows: Floats
    distance: Floats
    seat: Ints

    def rail_deviation(self, pose: Floats) -> Floats:
        """Return rail less design rail with slabs in these poses, shape (s, 2, 2), m.

        Parameters
        ----------
        pose : ndarray, shape (n, 6)
            Deviation of each slab of the layout: across, along, up, m, pitch, roll, yaw, rad. A slab that is nan
            leaves its seats nan.
        """
        carried = (self.rows.reshape(-1, 4, 6) @ pose[self.slab, :, None]).reshape(-1, 2, 2)
        return np.asarray(self.target_offset + carried)


@dataclass(frozen=True, eq=False)
class CastSeats:
    """How the rail seats were cast on their slabs, as the factory measured them.

    Attributes
    ----------
    offset : ndarray, shape (s, 2, 2)
        As cast less designed, in the slab's frame: [left, right] by [across, + right; up], m; nan where not
        measured.
    sigma : ndarray, shape (s, 2, 2)
        Its standard uncertainty, m; nan where not measured.
    """

    offset: Floats
    sigma: Floats


def rail_seats(alignment: Alignment, targets: Targets, types: Sequence[SlabType], layout: Layout) -> RailSeats:
    """Return the rail seats of all slabs of a layout, rails apart as far as the cant base.

    Parameters
    ----------
    alignment : Alignment
    targets : Targets
        Of the slabs of the layout.
    types : sequence of SlabType
        They may have different numbers of seats.
    layout : Layout

    Raises
    ------
    SlabposeError
        If slabs overlap so far that a seat lies on or before one of the slab behind.
    """
    found = seat_offsets(alignment, types, layout, targets)
    station = true_length(alignment, found.distance)
    behind = np.flatnonzero(~(np.diff(station) > _APART))
    if behind.size:
        first = int(behind[0])
        rear, front = (str(layout.names[found.slab[i]]) for i in (first, first + 1))
        raise SlabposeError(
            f"rail seats of slab {rear} and slab {front} lie in each other's place: slabs overlap at "
            f"{behind.size} joint{'s' if behind.size > 1 else ''}, and no rail can be told"
        )
    half, height = alignment.rules.cant_base / 2, np.array([t.rail_height for t in types])
    places = np.empty((len(found.slab), 2, 3))
    places[:, :, 0] = -half, half
    places[:, :, 1] = found.along[:, None]
    places[:, :, 2] = height[layout.type_index[found.slab]][:, None]
    return RailSeats(
        slab=found.slab,
        station=station,
        target_offset=np.ascontiguousarray(found.offset[..., [0, 2]]),
        rows=np.ascontiguousarray(movement_rows(places)[:, :, [0, 2]]),
        distance=found.distance,
        seat=found.seat + 1,
    )
