"""The keys of the window: what each does, in words, and what is typed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

__all__ = ["COLOUR_KEYS", "HELP", "TYPED", "VERDICT_KEYS", "KeyHelp", "typed_after"]

COLOUR_KEYS: Final[Mapping[str, str]] = {"x": "across", "y": "along", "z": "up", "g": "gap", "m": "move", "r": "rail"}
"""Which layers a key shows, by their name on the command line; pressed again it shows the next one of them."""
VERDICT_KEYS: Final = ("1", "2", "3", "4")
"""They show and hide slabs within, out, undecided, not measured."""


class KeyHelp(NamedTuple):
    """Keys by the names that a window system gives them, how they are written, and what they do."""

    names: tuple[str, ...]
    written: str
    does: str


HELP: Final = (
    KeyHelp(("x", "y", "z"), "x  y  z", "colour by the deviation across, along, up"),
    KeyHelp(("g",), "g", "colour by the mortar gap"),
    KeyHelp(("m",), "m", "colour by the planned moves"),
    KeyHelp(("r",), "r", "colour by the rail; again: its next limit"),
    KeyHelp(("n", "b"), "n  b", "next slab that needs work, the one before"),
    KeyHelp(("Right", "Left"), "right  left", "next slab, the one before (arrow keys)"),
    KeyHelp(("w",), "w", "worst slab"),
    KeyHelp(("slash", "f"), "/  f", "find a slab: type its name or a chainage, then Enter"),
    KeyHelp(("1", "2", "3", "4"), "1  2  3  4", "show or hide slabs within, out, undecided, not measured"),
    KeyHelp(("plus", "equal", "minus"), "+  \N{MINUS SIGN}", "larger, smaller exaggeration close up"),
    KeyHelp(("comma", "period"), ",  .", "nearer, wider ends of the scale"),
    KeyHelp(("s",), "s", "next stage of the survey"),
    KeyHelp(("p",), "p", "slabs as built, after the planned moves, on their targets"),
    KeyHelp(("Home",), "Home", "look from where the view began"),
    KeyHelp(("h", "question", "Escape"), "h", "these keys; again, or Esc: without them"),
    KeyHelp(("q",), "q", "close the window"),
)
"""All keys, as the help shows them."""

TYPED: Final = 40
"""Characters that may be typed at most."""


def typed_after(typed: str, key: str, character: str) -> str:
    r"""Return what has been typed after one more key.

    Examples
    --------
    >>> typed_after("Q01", "3", "3"), typed_after("Q01", "BackSpace", "\x08"), typed_after("Q01", "Shift_L", "")
    ('Q013', 'Q0', 'Q01')
    """
    if key == "BackSpace":
        return typed[:-1]
    return (typed + character)[:TYPED] if len(character) == 1 and character.isprintable() else typed
