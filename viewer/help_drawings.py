"""Terms that explain themselves: a small drawing and a sentence or two for each."""

from __future__ import annotations

from typing import Final, NamedTuple

from viewer.app.markup import symbol, text
from viewer.colours import CONCRETE, INK, MORTAR, MUTED, PAPER, RAIL
from viewer.section import NOT_MEASURED, OUT, UNDECIDED

__all__ = ["TERMS", "Term", "term_svg", "tip_svg"]

_LINE = f'fill="none" stroke="{INK}" stroke-width="2"'
_THIN = f'fill="none" stroke="{MUTED}" stroke-width="1.2" stroke-dasharray="5 4"'
_SLAB = f'fill="{CONCRETE}" stroke="{INK}" stroke-width="2"'


class Term(NamedTuple):
    """A word of the trade with its drawing, 300 by 170, and what it means."""

    word: str
    drawing: str
    meaning: str


def _arrow(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<path d="M{x1} {y1}L{x2} {y2}" {_LINE} marker-end="url(#arrow-tip)"/>'


def _word(x: float, y: float, words: str, anchor: str = "middle") -> str:
    return f'<text x="{x}" y="{y}" text-anchor="{anchor}">{text(words)}</text>'


def _verdicts() -> str:
    rows = ((OUT, "out, also with its uncertainty"), (UNDECIDED, "undecided: too close to tell"),
            (NOT_MEASURED, "not measured"))  # fmt: skip
    drawn = "".join(
        symbol(v, 24, 62 + 40 * at, 9) + _word(44, 67 + 40 * at, w, "start") for at, (v, w) in enumerate(rows)
    )
    return (
        f'<circle cx="24" cy="22" r="6" {_LINE}/>' + _word(44, 27, "within, also with its uncertainty", "start") + drawn
    )


TERMS: Final[dict[str, Term]] = {
    "axes": Term(
        "Deviation: across, along, up",
        f'<path d="M60 128l62 -66h120l-62 66z" {_SLAB}/><path d="M50 118l62 -66h120l-62 66z" {_THIN}/>'
        + _arrow(150, 95, 262, 95) + _word(284, 114, "+ across", "end")
        + _arrow(150, 95, 196, 46) + _word(214, 40, "+ along", "start")
        + _arrow(150, 95, 150, 26) + _word(142, 30, "+ up", "end")
        + _word(14, 158, "dashed: target", "start"),
        "Where the slab lies, less where the design puts it, seen from the target slab: across + to the right, along "
        "+ ahead, up + above. The move that mends it has the opposite sign.",
    ),
    "cant": Term(
        "Cant",
        f'<path d="M40 148h220" {_THIN}/><path d="M60 118l180 26v-14l-180 -26z" {_SLAB}/>'
        f'<rect x="80" y="84" width="14" height="24" fill="{RAIL}"/>'
        f'<rect x="206" y="102" width="14" height="24" fill="{RAIL}"/>'
        f'<path d="M87 82H250M213 100H250" {_THIN}/>' + _arrow(240, 100, 240, 84)
        + _word(87, 72, "left rail") + _word(213, 165, "right rail") + _word(256, 96, "+", "start")
        + _word(150, 24, "looking ahead"),
        "How much higher one rail lies than the other, over the distance of the rail heads. Plus: the left rail is "
        "the higher one, as on a curve to the right.",
    ),
    "versine": Term(
        "Versine",
        f'<path d="M30 120Q150 30 270 120" {_LINE}/><path d="M30 120H270" {_THIN}/>'
        + _arrow(150, 120, 150, 77) + _word(158, 104, "versine", "start") + _word(150, 146, "chord from end to end"),
        "How far the middle of an arc lies from the straight line between its ends. A straight slab on a curve has to "
        "share this out between its ends and its middle. Plus on a curve to the right.",
    ),
    "joint": Term(
        "Joint: steps and gap",
        f'<rect x="20" y="80" width="112" height="34" {_SLAB}/><rect x="160" y="64" width="120" height="34" {_SLAB}/>'
        f'<path d="M132 80H206" {_THIN}/>' + _arrow(196, 80, 196, 65) + _word(204, 56, "step", "start")
        + f'<path d="M132 122v18m28 -18v18" {_LINE}/>' + _word(146, 158, "gap")
        + _word(76, 102, "behind") + _word(244, 86, "ahead"),
        "Where two slabs meet. Step in level: how much higher the slab ahead lies there; step in line: how much "
        "further right. Gap: the clear distance, on either side.",
    ),
    "chord": Term(
        "Offset from a chord",
        f'<path d="M24 96C70 40 110 120 150 62S240 60 276 92" {_LINE}/><path d="M24 96L276 92" {_THIN}/>'
        f'<circle cx="24" cy="96" r="5" fill="{PAPER}" stroke="{INK}" stroke-width="2"/>'
        f'<circle cx="276" cy="92" r="5" fill="{PAPER}" stroke="{INK}" stroke-width="2"/>'
        + _arrow(150, 94, 150, 66) + _word(164, 84, "offset", "start") + _word(150, 124, "chord, say 10 m")
        + _word(150, 150, "blind to waves of half its length"),
        "How far the rail lies from a straight line between two of its points. A chord cannot see waves that fit "
        "into it evenly, so more than one is looked at.",
    ),
    "moves": Term(
        "Moves",
        f'<rect x="70" y="30" width="160" height="110" {_SLAB}/>'
        f'<circle cx="92" cy="52" r="7" fill="{PAPER}" stroke="{INK}" stroke-width="2"/>'
        f'<path d="M24 58h20l-10 -16z" fill="{INK}"/>' + _word(34, 78, "raise")
        + f'<path d="M256 42h20l-10 16z" fill="{PAPER}" stroke="{INK}" stroke-width="2"/>' + _word(266, 78, "lower")
        + _arrow(110, 96, 190, 96) + _word(150, 120, "push") + _word(150, 160, "seen from above, ahead is up"),
        "What each screw lifts and each adjuster pushes so that the slab comes to its target. All of a slab's screws "
        "belong together: turn one at a time, in small steps. Turns + raise, or push to the right.",
    ),
    "gap": Term(
        "Mortar gap",
        f'<path d="M40 60h220v30h-220z" {_SLAB}/><path d="M20 130q130 -14 260 0v26h-260z" fill="{MORTAR}"/>'
        f'<path d="M20 130q130 -14 260 0" {_LINE}/>' + _arrow(90, 90, 90, 124) + _word(100, 112, "gap", "start")
        + _word(150, 80, "slab") + _word(150, 150, "bed"),
        "What lies between the underside of the slab and the bed: later the thickness of the mortar. Too thin does "
        "not fill, too thick may settle.",
    ),
    "history": Term(
        "History",
        f'<path d="M40 20v120h230" {_LINE}/><path d="M40 74H270" {_THIN}/>'
        f'<path d="M80 116L150 90L220 78" {_LINE}/>'
        + "".join(f'<circle cx="{x}" cy="{y}" r="6" fill="{PAPER}" stroke="{INK}" stroke-width="2"/>'
                  for x, y in ((80, 116), (150, 90), (220, 78)))
        + _word(264, 66, "target", "end") + _word(150, 160, "measured again and again"),
        "Every measurement of this slab. Moved: the difference is more than the measurements can explain; noise: it "
        "is not.",
    ),
    "verdict": Term(
        "Verdict",
        _verdicts(),
        "Within and out are said only if that is so by the guard factor times the standard uncertainty. Between them "
        "a slab is undecided. What was not measured is never within.",
    ),
}  # fmt: skip
"""What can be asked for, by name."""


def tip_svg() -> str:
    """Return the arrow tip that the drawings of a page share, as an SVG without size."""
    return (
        '<svg width="0" height="0" class="unseen" aria-hidden="true"><defs><marker id="arrow-tip" '
        'viewBox="0 0 10 10" refX="8" refY="5" markerWidth="8" markerHeight="8" orient="auto-start-reverse">'
        f'<path d="M0 0L10 5L0 10z" fill="{INK}"/></marker></defs></svg>'
    )


def term_svg(name: str) -> str:
    """Return the drawing of a term as an SVG that says what it is; it needs the tip of `tip_svg` beside it."""
    entry = TERMS[name]
    return f'<svg viewBox="0 0 300 170" role="img" aria-label="Drawing: {text(entry.word)}">{entry.drawing}</svg>'
