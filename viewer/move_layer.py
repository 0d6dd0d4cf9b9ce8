"""The layer of the correction: what each slab is to be lifted and pushed by a plan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from viewer.layer import Arrows, Card, Layer, Scale
from viewer.numbers import number_mm
from viewer.section import NOT_MEASURED, OUT, UNDECIDED, WITHIN

__all__ = ["MoveValues", "move_layer"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_WORDS = {
    WITHIN: "good after the moves", OUT: "still out", UNDECIDED: "survey in doubt", NOT_MEASURED: "not measured",
}  # fmt: skip
_LEAST_REACH = 1.0
"""A scale ends no nearer to zero than this, mm."""


@dataclass(frozen=True, eq=False)
class MoveValues:
    """Planned moves of n slabs, with k screws and h lateral adjusters at most, in plain arrays.

    Parameters
    ----------
    field_mm : ndarray, shape (n, 2, 2)
        How far the plan lifts the corners of the rectangle around each slab: back left, back right; forward left,
        forward right. nan where the slab is not measured.
    lift_mm, turns : ndarray, shape (n, k)
        Of each screw, + raises; nan where a slab has fewer.
    push_mm, push_turns : ndarray, shape (n, h)
        Of each lateral adjuster, + to the right; nan where a slab has fewer.
    screw_place, adjuster_place : ndarray, shapes (n, k, 3) and (n, h, 3)
        In the slab's frame, m; nan where a slab has fewer.
    screw_name, adjuster_name : tuple of tuple of str
        Names by slab type.
    type_index : ndarray of int, shape (n,)
    touched : ndarray of bool, shape (n,)
    verdict : ndarray of int, shape (n,)
        ``WITHIN`` if the plan leaves no rule of the slab broken, ``OUT`` if it does, ``UNDECIDED`` if the survey
        contradicts itself, ``NOT_MEASURED``.
    standing : ndarray of str, shape (n,)
        Whether the slab may be moved, or why not.
    """

    field_mm: Floats
    lift_mm: Floats
    turns: Floats
    push_mm: Floats
    push_turns: Floats
    screw_place: Floats
    adjuster_place: Floats
    screw_name: tuple[tuple[str, ...], ...]
    adjuster_name: tuple[tuple[str, ...], ...]
    type_index: Integers
    touched: NDArray[np.bool_]
    verdict: Integers
    standing: NDArray[np.str_]


def move_layer(moves: MoveValues) -> Layer:
    """Return the layer of planned moves: colours show the lift, arrows lift and push."""
    lifts = _furthest(moves.lift_mm)
    pushes = _furthest(moves.push_mm)
    worst = np.where(moves.touched, np.where(lifts == 0.0, pushes, lifts), 0.0)
    worst[moves.verdict == NOT_MEASURED] = np.nan
    count = int(moves.touched.sum())
    slabs = "slab" if count == 1 else "slabs"
    return Layer(
        name="move",
        heading=f"planned moves: {count:,} {slabs} to touch".replace(",", "\N{NO-BREAK SPACE}"),
        title="planned lift at the screws",
        sign="+ raise",
        scale=_scale(moves),
        worst=worst,
        verdict=moves.verdict,
        words=_WORDS,
        named=lambda slab: _named(moves, slab),
        card=lambda slab: _card(moves, slab),
        field=moves.field_mm,
        arrows=_arrows(moves),
        largest="the largest moves",
    )


def _furthest(values: Floats) -> Floats:
    """Return the largest amount in each row with its sign, nan counted as zero, shape (n, k) to (n,)."""
    known = np.nan_to_num(values)
    if not known.shape[1]:
        return np.zeros(len(known))
    furthest: Floats = np.take_along_axis(known, np.abs(known).argmax(axis=1)[:, None], axis=1)[:, 0]
    return furthest


def _scale(moves: MoveValues) -> Scale:
    """Return a scale that ends at the next 1, 2 or 5 above nearly all lifts: a single large one would pale the rest."""
    lifts = np.abs(_furthest(moves.lift_mm))[moves.touched]
    wanted = float(np.quantile(lifts, 0.9)) if len(lifts) else _LEAST_REACH
    steps = np.array([1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0])
    reach = float(steps[min(int(np.searchsorted(steps, wanted)), len(steps) - 1)])
    return Scale(-reach, 0.0, reach)


def _arrows(moves: MoveValues) -> Arrows:
    slab, place, vector = [], [], []
    for values, places, axis in ((moves.lift_mm, moves.screw_place, 2), (moves.push_mm, moves.adjuster_place, 0)):
        known = np.nan_to_num(values)
        at, which = np.nonzero(known * moves.touched[:, None])
        move = np.zeros((len(at), 3))
        move[:, axis] = known[at, which]
        slab.append(at)
        place.append(places[at, which])
        vector.append(move)
    return Arrows(np.concatenate(slab), np.concatenate(place), np.concatenate(vector))


def _named(moves: MoveValues, slab: int) -> str:
    """Return the largest moves of a slab in each direction, such as ``3.6 mm down, 1.0 right``."""
    parts = []
    for values, words in ((moves.lift_mm[slab], ("up", "down")), (moves.push_mm[slab], ("right", "left"))):
        known = np.nan_to_num(values)
        ends = sorted(((float(known.max(initial=0.0)), words[0]), (-float(known.min(initial=0.0)), words[1])))
        parts += [(amount, word) for amount, word in reversed(ends) if amount > 0.0]
    if not parts:
        standing = str(moves.standing[slab])
        return "no move" if standing == "may move" else standing
    (first, word), *rest = parts
    return ", ".join([f"{first:.1f} mm {word}", *(f"{amount:.1f} {word}" for amount, word in rest)])


def _card(moves: MoveValues, slab: int) -> Card:
    kind = int(moves.type_index[slab])
    rows = [
        (f"{what} {name}", number_mm(move), number_mm(turn, 2))
        for what, names, values, turns in (
            ("screw", moves.screw_name[kind], moves.lift_mm[slab], moves.turns[slab]),
            ("adjuster", moves.adjuster_name[kind], moves.push_mm[slab], moves.push_turns[slab]),
        )
        for name, move, turn in zip(names, values, turns, strict=False)  # values go on with nan for longer types
    ]
    standing = str(moves.standing[slab])
    return Card(
        "move mm, thread in turns",
        ("move", "turns"),
        tuple(rows),
        notes=("+ raises, + to the right.", f"Slab: {standing}."),
    )
