"""The plan of one slab as SVG: seen from above, with what every screw and adjuster has to do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from viewer.app.book import Edition
from viewer.app.markup import number, text
from viewer.colours import CONCRETE, INK, PAPER
from viewer.sheet import spread

__all__ = ["plan_svg"]

Floats = NDArray[np.float64]

_WIDTH, _BOX, _TALL, _TOP, _FOOT = 400.0, 112.0, 62.0, 40.0, 34.0
_LEAST = 0.005
"""Moves smaller than this are told as none, mm."""


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


def plan_svg(edition: Edition, slab: int) -> str:
    """Return the drawing of a slab, forward up the page, with lifts in boxes beside it and pushes on it.

    Lifts in mm with a triangle, up or down, and turns of the screw; pushes as arrows to the side on which the slab
    has to go. Where no move may be made the drawing says why.
    """
    section, project, check = edition.section, edition.project, edition.check
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
    released = bool(check.released[slab])
    if not released:
        why = edition.slabs["why"][slab] or "no move"
        held = "held by mortar" if check.held[slab] else str(why)
        parts += _told(cx, cy, held, width * scale)
    else:
        parts += _lifts(edition, slab, kind.screws.names, kind.screws.places, page)
        parts += _pushes(edition, slab, kind.adjusters.names, kind.adjusters.places, page, width * scale)
        along = float(check.moves.along[slab]) * 1e3
        sense = "ahead" if along > 0.0 else "back"
        word = "none" if abs(along) < _LEAST else f"{number(abs(along), signed=False)} mm {sense}"
        parts.append(f'<text x="{cx}" y="{height - 10:.1f}" text-anchor="middle" class="plain">along: {word}</text>')
    told = _in_words(edition, slab) if released else "No move is given for this slab."
    return (
        f'<svg class="plan" viewBox="0 0 {_WIDTH:.0f} {height:.0f}" role="img" '
        f'aria-label="Slab seen from above. {text(told)}">{"".join(parts)}</svg>'
    )


def _told(cx: float, cy: float, why: str, room: float) -> list[str]:
    """Return words in the middle of the slab, a few to each line."""
    lines: list[str] = []
    for word in f"no move: {why}".split():
        if lines and len(lines[-1]) + 1 + len(word) <= room / 8.4:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    first = cy - 10.0 * (len(lines) - 1)
    return [
        f'<text x="{cx}" y="{first + 20.0 * at:.1f}" text-anchor="middle" class="strong">{text(line)}</text>'
        for at, line in enumerate(lines)
    ]


def _lifts(edition: Edition, slab: int, names: tuple[str, ...], places: Floats, page: object) -> list[str]:
    lifts = edition.check.moves.lift[slab, : len(names)] * 1e3
    turns = edition.check.moves.turns[slab, : len(names)]
    parts: list[str] = []
    put = page  # a function of across and along
    for side in (-1.0, 1.0):
        members = [at for at in range(len(names)) if (places[at, 0] < 0.0) == (side < 0.0)]
        members.sort(key=lambda at: -float(places[at, 1]))
        wanted = [put(float(places[at, 0]), float(places[at, 1]))[1] for at in members]  # type: ignore[operator]
        heights = spread(wanted, [_TALL] * len(members), _TOP - 4.0, 1e4, gap=8.0)
        left = 4.0 if side < 0.0 else _WIDTH - _BOX - 4.0
        for at, y in zip(members, np.asarray(heights).tolist(), strict=True):
            x1, y1 = put(float(places[at, 0]), float(places[at, 1]))  # type: ignore[operator]
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


def _pushes(
    edition: Edition, slab: int, names: tuple[str, ...], places: Floats, page: object, room: float
) -> list[str]:
    pushes = edition.check.moves.push[slab, : len(names)] * 1e3
    turns = edition.check.moves.push_turns[slab, : len(names)]
    parts: list[str] = []
    put = page
    for at, name in enumerate(names):
        x, y = put(float(places[at, 0]), float(places[at, 1]))  # type: ignore[operator]
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


def _in_words(edition: Edition, slab: int) -> str:
    """Return the moves of a slab as a sentence, for who does not see the drawing."""
    kind = edition.project.types[int(edition.project.layout.type_index[slab])]
    moves = edition.check.moves
    parts = [
        f"{name}: {number(abs(value), signed=False)} mm {'up' if value > 0 else 'down'}"
        for name, value in zip(kind.screws.names, (moves.lift[slab] * 1e3).tolist(), strict=False)
    ]
    parts += [
        f"push {name}: {number(abs(value), signed=False)} mm to the {'right' if value > 0 else 'left'}"
        for name, value in zip(kind.adjusters.names, (moves.push[slab] * 1e3).tolist(), strict=False)
    ]
    return "; ".join(parts) + "."
