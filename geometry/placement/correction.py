"""What to turn and push so that a slab comes to its target."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.slabs import Fitting, SlabType, Targets
from geometry.survey import Fits
from geometry.survey.blocks import blocks
from geometry.survey.points import Ints

from .deviation import deviation_at

__all__ = ["Moves", "moves"]


@dataclass(frozen=True, eq=False)
class Moves:
    """Moves of n slabs; nan where a slab is not determined or has fewer screws.

    Attributes
    ----------
    lift : ndarray, shape (n, v)
        How far the slab has to rise at each vertical screw, m, + up.
    turns : ndarray, shape (n, v)
        The same in turns of the screw, + raises.
    push : ndarray, shape (n, h)
        How far the slab has to move at each lateral adjuster, m, + to the right.
    push_turns : ndarray, shape (n, h)
        In turns of the adjuster, + moves the slab to the right.
    along : ndarray, shape (n,)
        How far the slab has to move along the line, m, + forward.
    beyond_travel : ndarray of bool, shape (n,)
        Whether a screw or adjuster would have to travel further than its type allows.
    """

    lift: Floats
    turns: Floats
    push: Floats
    push_turns: Floats
    along: Floats
    beyond_travel: npt.NDArray[np.bool_]


def _padded(fittings: Sequence[Fitting]) -> tuple[Floats, Floats, Floats]:
    most = max(len(f.names) for f in fittings)
    places = np.full((len(fittings), most, 3), np.nan)
    for row, f in zip(places, fittings, strict=True):
        row[: len(f.places)] = f.places
    return places, np.array([f.pitch for f in fittings]), np.array([f.travel for f in fittings])


def moves(targets: Targets, fits: Fits, types: Sequence[SlabType], type_index: Ints, scale: float) -> Moves:
    """Return the moves that bring each slab from its built to its target pose.

    A move is minus the deviation at the place of the screw, in the frame of the target slab. The slab is
    rigid, so the vertical moves are those of a plane: all screws are turned, each by its own amount.
    """
    screw_places, screw_pitch, screw_travel = _padded([t.screws for t in types])
    side_places, side_pitch, side_travel = _padded([t.adjusters for t in types])
    middle = np.zeros((len(types), 1, 3))

    def back(places: Floats, axis: int) -> Floats:
        off = deviation_at(targets, fits, places, type_index, scale, slice(axis, axis + 1))[..., 0]
        return np.negative(off, out=off)

    lift, push = back(screw_places, 2), back(side_places, 0)
    far = np.zeros(len(type_index), dtype=bool)
    turns, push_turns = np.empty_like(lift), np.empty_like(push)
    for rows in blocks(len(type_index)):
        kinds = type_index[rows, None]
        far[rows] = (np.abs(lift[rows]) > screw_travel[kinds]).any(axis=1)
        far[rows] |= (np.abs(push[rows]) > side_travel[kinds]).any(axis=1)
        turns[rows] = lift[rows] / screw_pitch[kinds]
        push_turns[rows] = push[rows] / side_pitch[kinds]
    return Moves(
        lift=lift,
        turns=turns,
        push=push,
        push_turns=push_turns,
        along=back(middle, 1)[:, 0],
        beyond_travel=far,
    )
