"""The plan of one slab as SVG: seen from above, with what every screw and adjuster has to do."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from geometry.slabs import SlabType
from viewer.app.book import Edition
from viewer.app.markup import number, text
from viewer.colours import CONCRETE, INK, PAPER
from viewer.sheet import spread

__all__ = ["Turned", "plan_svg", "planned", "to_the_target"]

Floats = NDArray[np.float64]
_Page = Callable[[float, float], tuple[float, float]]

_WIDTH, _BOX, _TALL, _TOP, _FOOT = 400.0, 112.0, 62.0, 40.0, 34.0
_LEAST = 0.005
"""Moves smaller than this are told as none, mm."""


class Turned(NamedTuple):
    """What is to be done with one slab.

    Attributes
    ----------
    lift, turns : ndarray, shape (k,)
        Of each screw, mm and turns, + raises.
    push, push_turns : ndarray, shape (h,)
        Of each adjuster, mm and turns, + to the right.
    along : float
        mm, + forward.
    refused : str
        Why no move is given; "" if one is.
    """

    lift: Floats
    turns: Floats
    push: Floats
    push_turns: Floats
    along: float
    refused: str


def to_the_target(edition: Edition, slab: int) -> Turned:
    """Return the moves that bring a slab to its target."""
    check = edition.check
    moves, refused = check.moves, ""
    if not check.released[slab]:
        refused = "held by mortar" if check.held[slab] else str(edition.slabs["why"][slab] or "no move")
    return Turned(
        moves.lift[slab] * 1e3, moves.turns[slab], moves.push[slab] * 1e3, moves.push_turns[slab],
        float(moves.along[slab]) * 1e3, refused,
    )  # fmt: skip


def planned(edition: Edition, slab: int) -> Turned:
    """Return the moves of the correction plan, which is worked out where it has not been yet."""
    from geometry.placement.plan.section_plan import FREE, STANDING  # with the solvers, which the first page leaves out

    plan = edition.planning.plan
    standing = int(plan.standing[slab])
    refused = "" if standing == FREE else STANDING[standing]
    return Turned(
        plan.lift[slab] * 1e3, plan.turns[slab], plan.push[slab] * 1e3, plan.push_turns[slab],
        float(plan.move[slab, 1]) * 1e3, refused,
    )  # fmt: skip


def _arrow(x: float, y: float, up: bool) -> str:
    """Return a triangle that points up, filled, or down, open: the sense of a lift in shape as well as in sign."""
    tip, foot = (-9.0, 7.0) if up else (9.0, -7.0)
    fill = INK if up else PAPER
    return (
        f'<path d="M{x - 9:.1f} {y + foot:.1f}h18L{x:.1f} {y + tip:.1f}z" fill="{fill}" stroke="{INK}" '
        'stroke-width="2" stroke-linejoin="round"/>'
    )


def _turns(value: float) -> str:
    return f"{number(value)} turns"


def plan_svg(edition: Edition, slab: int, turned: Turned) -> str:
    """Return the drawing of a slab, forward up the page, with lifts in boxes beside it and pushes on it.

    Lifts in mm with a triangle, up or down, and turns of the screw; pushes as arrows to the side on which the slab
    has to go. Where no move may be made the drawing says why.
    """
    section, project = edition.section, edition.project
    kind = project.types[int(project.layout.type_index[slab])]
    ring = section.outlines[section.type_index[slab]]
    width, length = np.ptp(ring, axis=0).tolist()
    scale = min((_WIDTH - 2 * _BOX - 28.0) / width, 380.0 / length)
    height = _TOP + length * scale + _FOOT
    cx, cy = _WIDTH / 2, _TOP + length * scale / 2

    def page(across: float, along: float) -> tuple[float, float]:
        return cx + across * scale, cy - along * scale

    points = " ".join("{:.1f},{:.1f}".format(*page(a, b)) for a, b in ring.tolist())
    parts = [
        f'<polygon points="{points}" fill="{CONCRETE}" fill-opacity="0.45" stroke="{INK}" stroke-width="2"/>',
        f'<path d="M{cx} {_TOP - 8}v-22m-6 8l6 -9l6 9" fill="none" stroke="{INK}" stroke-width="2"/>',
        f'<text x="{cx + 14}" y="{_TOP - 18}" class="plain">ahead</text>',
        f'<text x="{cx - width * scale / 2 - 4:.1f}" y="{_TOP - 18}" text-anchor="end" class="plain">left</text>',
        f'<text x="{cx + width * scale / 2 + 4:.1f}" y="{_TOP - 18}" class="plain">right</text>',
    ]
    if turned.refused:
        parts += _told(cx, cy, turned.refused, width * scale)
    else:
        parts += _lifts(turned, kind.screws.names, kind.screws.places, page)
        parts += _pushes(turned, kind.adjusters.names, kind.adjusters.places, page, width * scale)
        sense = "ahead" if turned.along > 0.0 else "back"
        none = abs(turned.along) < _LEAST
        word = "none" if none else f"{number(abs(turned.along), signed=False)} mm {sense}"
        parts.append(f'<text x="{cx}" y="{height - 10:.1f}" text-anchor="middle" class="plain">along: {word}</text>')
    told = "No move is given for this slab." if turned.refused else _in_words(kind, turned)
    return (
        f'<svg class="plan" viewBox="0 0 {_WIDTH:.0f} {height:.0f}" role="img" '
        f'aria-label="Slab seen from above. {text(told)}">{"".join(parts)}</svg>'
    )


def _told(cx: float, cy: float, why: str, room: float) -> list[str]:
    """Return words in the middle of the slab, a few to each line."""
    lines: list[str] = []
    for word in f"no move: {why}".split():
        if lines and len(lines[-1]) + 1 + len(word) <= room / 11.5:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    first = cy - 10.0 * (len(lines) - 1)
    return [
        f'<text x="{cx}" y="{first + 20.0 * at:.1f}" text-anchor="middle" class="strong">{text(line)}</text>'
        for at, line in enumerate(lines)
    ]


def _lifts(turned: Turned, names: tuple[str, ...], places: Floats, put: _Page) -> list[str]:
    lifts, turns = turned.lift[: len(names)], turned.turns[: len(names)]
    parts: list[str] = []
    for side in (-1.0, 1.0):
        members = [at for at in range(len(names)) if (places[at, 0] < 0.0) == (side < 0.0)]
        members.sort(key=lambda at: -float(places[at, 1]))
        wanted = [put(float(places[at, 0]), float(places[at, 1]))[1] for at in members]
        heights = spread(wanted, [_TALL] * len(members), _TOP - 4.0, 1e4, gap=8.0)
        left = 4.0 if side < 0.0 else _WIDTH - _BOX - 4.0
        for at, y in zip(members, np.asarray(heights).tolist(), strict=True):
            x1, y1 = put(float(places[at, 0]), float(places[at, 1]))
            edge = left + _BOX if side < 0.0 else left
            lift = float(lifts[at])
            none = abs(lift) < _LEAST
            parts += [
                f'<path d="M{edge:.1f} {y:.1f}L{x1:.1f} {y1:.1f}" stroke="{INK}" stroke-width="1.5"/>',
                f'<circle cx="{x1:.1f}" cy="{y1:.1f}" r="7" fill="{PAPER}" stroke="{INK}" stroke-width="2.5"/>',
                f'<rect x="{left:.1f}" y="{y - _TALL / 2:.1f}" width="{_BOX}" height="{_TALL}" rx="4" fill="{PAPER}" '
                f'stroke="{INK}" stroke-width="2"/>',
                f'<text x="{left + 8:.1f}" y="{y - 13:.1f}" class="plain">{text(names[at])}</text>',
                f'<text x="{left + _BOX - 8:.1f}" y="{y + 7:.1f}" text-anchor="end" class="big">'
                f"{'0' if none else number(abs(lift), signed=False)}</text>",
                f'<text x="{left + _BOX - 8:.1f}" y="{y + 25:.1f}" text-anchor="end" class="plain">'
                f"{_turns(float(turns[at]))}</text>",
                f'<text x="{left + _BOX - 8:.1f}" y="{y - 15:.1f}" text-anchor="end" class="plain">mm</text>',
            ]
            if not none:
                parts.append(_arrow(left + 19.0, y + 1.0, lift > 0.0))
    return parts


def _pushes(turned: Turned, names: tuple[str, ...], places: Floats, put: _Page, room: float) -> list[str]:
    pushes, turns = turned.push[: len(names)], turned.push_turns[: len(names)]
    parts: list[str] = []
    for at, name in enumerate(names):
        x, y = put(float(places[at, 0]), float(places[at, 1]))
        push = float(pushes[at])
        words = "0" if abs(push) < _LEAST else number(abs(push), signed=False)
        parts.append(f'<text x="{x:.1f}" y="{y - 3:.1f}" text-anchor="middle" class="big">{words}</text>')
        if abs(push) >= _LEAST:
            half, sense = 0.24 * room, 1.0 if push > 0.0 else -1.0
            parts.append(
                f'<path d="M{x - sense * half:.1f} {y + 10:.1f}H{x + sense * (half - 2):.1f}'
                f"m{-sense * 9:.1f} -7l{sense * 11:.1f} 7l{-sense * 11:.1f} 7"
                f'" fill="none" stroke="{INK}" stroke-width="3.5"/>'
            )
        parts.append(
            f'<text x="{x:.1f}" y="{y + 34:.1f}" text-anchor="middle" class="plain">{text(name)}: '
            f"{_turns(float(turns[at]))}</text>"
        )
    return parts


def _in_words(kind: SlabType, turned: Turned) -> str:
    """Return moves as a sentence, for who does not see the drawing."""
    parts = [
        f"{name}: {number(abs(value), signed=False)} mm {'up' if value > 0 else 'down'}"
        for name, value in zip(kind.screws.names, turned.lift.tolist(), strict=False)
    ]
    parts += [
        f"push {name}: {number(abs(value), signed=False)} mm to the {'right' if value > 0 else 'left'}"
        for name, value in zip(kind.adjusters.names, turned.push.tolist(), strict=False)
    ]
    return "; ".join(parts) + "."
