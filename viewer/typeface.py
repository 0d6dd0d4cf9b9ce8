"""The typeface of pictures and printed pages, which comes along, and what it cannot draw."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from viewer.terminal import visible

__all__ = ["drawable", "printed", "type_folder"]


def type_folder() -> Path:
    """Return the folder of the typefaces that come with matplotlib, so that every machine draws alike."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"


@lru_cache(maxsize=1)
def _signs() -> frozenset[int]:
    """Return the signs that the typeface draws; line ends and blanks are none."""
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(str(type_folder() / "DejaVuSans.ttf")).get_charmap()) | {0x9, 0xA, 0xD}


def drawable(text: str) -> str:
    r"""Return a text with the number of each sign that the typeface does not draw, in place of an empty box or nothing.

    Examples
    --------
    >>> print(drawable("K\u00fc7 d\u20e3"))
    Kü7 d\u20e3
    """
    if text.isascii():
        return text
    signs = _signs()
    return "".join(sign if ord(sign) in signs else sign.encode("unicode_escape").decode() for sign in text)


def printed(text: str) -> str:
    r"""Return a text as a picture has it: on one line, in its own order, every sign drawn or told by its number.

    Examples
    --------
    >>> print(printed("a\nb \u202e\U0001f682"))
    a\nb \u202e\U0001f682
    """
    return drawable(visible(text))
