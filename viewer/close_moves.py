"""Planned moves of a close view as arrows beside the slabs."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.bodies import arrow_body
from viewer.close_place import SIGHT, Label, Place, label_at
from viewer.colours import INK, PAPER
from viewer.layer import Layer
from viewer.stage import add_bodies

__all__ = ["draw_moves"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

LEAST_ARROW, MOST_ARROW = 0.4, 0.95
"""How long an arrow is drawn for a move that is hardly one, and for the largest in the view, m."""


def draw_moves(plotter: Any, place: Place, layer: Layer) -> tuple[Floats, Floats, list[Label]]:
    """Draw moves as arrows beside the slabs; return tails, tips and words.

    Arrows up and down stand over the slab, those to the side before its right edge, on which the eye looks. They are
    the longer, the larger the move; the words tell how large.
    """
    none = np.empty((0, 3))
    if layer.arrows is None:
        return none, none, []
    chosen = np.isin(layer.arrows.slab, place.slabs)
    slab, spot, move = layer.arrows.slab[chosen], layer.arrows.place[chosen], layer.arrows.move_mm[chosen]
    tails, tips, words = [none], [none], []
    longest = float(np.abs(move).max(initial=0.0))
    for axis in (2, 0):
        some = np.flatnonzero(np.abs(move[:, axis]) > 0.0)
        if not len(some):
            continue
        of, value = slab[some], move[some, axis]
        where = spot[some].copy()
        where[:, 2] = 0.0
        if axis == 0:
            edge = 0.5 * place.section.size[of, 0]
            where[:, 0] = edge
        built = _fixed(place, of, where)
        turned = place.section.target_rotation[of, :, axis] @ place.frame
        length = (LEAST_ARROW + (MOST_ARROW - LEAST_ARROW) * np.abs(value) / longest)[:, None]
        near, far = built + turned * 0.03, built + turned * (0.03 + length)
        away = value[:, None] > 0.0
        tail, tip = np.where(away, near, far), np.where(away, far, near)
        tails.append(tail)
        tips.append(tip)
        word = ("right", "left") if axis == 0 else ("up", "down")
        # Words only at the chosen slab: the names of its neighbours tell their largest moves.
        words += [
            label_at(far[one], f"{abs(value[one]):.1f} {word[0] if value[one] > 0.0 else word[1]}", "arrow")
            for one in np.flatnonzero(of == place.slab)
        ]
    ends = np.concatenate(tails), np.concatenate(tips)
    for grow, colour, nearer in ((1.45, PAPER, 0.0), (1.0, INK, 0.02)):
        points, faces = arrow_body(
            ends[0] - nearer * SIGHT, ends[1] - nearer * SIGHT, SIGHT,
            head=0.24 * grow**0.5, half_width=0.11 * grow, shaft=0.03 * grow**2,
        )  # fmt: skip
        add_bodies(plotter, points, faces, colour, shaded=False, front=True)
    return *ends, words


def _fixed(place: Place, slabs: Integers, points: Floats) -> Floats:
    """Return one point fixed to each of some slabs, (s, 3) in the slab's frame, as it is drawn."""
    drawn = np.empty_like(points)
    for kind in np.unique(points, axis=0):
        same = (points == kind).all(axis=1)
        drawn[same] = place.points(slabs[same], kind[None], place.factor)[:, 0]
    return drawn
