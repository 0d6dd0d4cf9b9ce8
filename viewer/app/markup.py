"""Small pieces of SVG and HTML: text that cannot become markup, symbols of verdicts, colours."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

import numpy as np
from numpy.typing import ArrayLike

from viewer.colours import INK, PAPER, VERDICTS, colours
from viewer.layer import Scale
from viewer.terminal import visible

__all__ = ["fills", "ink_on", "number", "row", "shade", "symbol", "term", "text", "verdict_word"]


def text(value: object) -> str:
    r"""Return what a value says, safe inside an element and inside a quoted attribute; control characters are shown.

    Examples
    --------
    >>> text('<b title="x">'), text("\u202e7310Q")
    ('&lt;b title=&quot;x&quot;&gt;', '\\u202e7310Q')
    """
    return escape(visible(str(value)), quote=True)


def number(value: float, decimals: int = 2, *, signed: bool = True) -> str:
    """Return a number for people, with a true minus sign; a dash for what is not known.

    Examples
    --------
    >>> number(-3.456), number(0.001), number(float("nan")), number(7.25, 1, signed=False)
    ('\N{MINUS SIGN}3.46', '0.00', '\N{EN DASH}', '7.2')
    """
    if not np.isfinite(value):
        return "\N{EN DASH}"
    told = f"{value:+.{decimals}f}"
    if float(told) == 0.0 or not signed:
        told = told.removeprefix("+") if float(told) != 0.0 else told[1:]
    return told.replace("-", "\N{MINUS SIGN}")


def fills(values: ArrayLike, scale: Scale) -> list[str]:
    """Return the colour of each value on a scale as ``#rrggbb``; of nan the grey of what is unknown."""
    shades = np.rint(255.0 * colours(scale.share(np.asarray(values, dtype=np.float64)), 1.0)).astype(np.int64)
    return [f"#{r:02x}{g:02x}{b:02x}" for r, g, b in shades.reshape(-1, 3).tolist()]


def shade(value: float, scale: Scale) -> str:
    """Return the colour of one value."""
    return fills([value], scale)[0]


def ink_on(fill: str) -> str:
    """Return black or white, whichever stands out more on a fill: by 4.5 to 1 at least (WCAG 2.2, contrast ratio)."""
    channels = np.array([int(fill[at : at + 2], 16) / 255.0 for at in (1, 3, 5)])
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    luminance = float(linear @ [0.2126, 0.7152, 0.0722])
    return "#000000" if (luminance + 0.05) ** 2 > 1.05 * 0.05 else "#ffffff"


def symbol(verdict: int, x: float, y: float, half: float = 6.0) -> str:
    """Return the symbol of a verdict as SVG: nothing for a slab within, a shape of its own for each other one."""
    look = VERDICTS[verdict]
    if not look.symbol:
        return ""
    points = " ".join(f"{x + half * a:.1f},{y - half * b:.1f}" for a, b in look.symbol)
    inside = INK if look.filled else PAPER
    return f'<polygon points="{points}" fill="{inside}" stroke="{INK}" stroke-width="1.6" stroke-linejoin="round"/>'


def verdict_word(verdict: int, word: str) -> str:
    """Return a verdict as HTML: its symbol, drawn, and its word."""
    drawn = symbol(verdict, 9, 9, 6.5) or f'<circle cx="9" cy="9" r="4" fill="none" stroke="{INK}" stroke-width="1.6"/>'
    return (
        f'<span class="verdict v{verdict}"><svg class="sign" width="18" height="18" viewBox="0 0 18 18" '
        f'aria-hidden="true">{drawn}</svg>{text(word)}</span>'
    )


def row(cells: Iterable[str], tag: str = "td") -> str:
    """Return a table row of cells that are markup already; the first one heads the row."""
    first, *rest = cells
    head = f'<th scope="{"col" if tag == "th" else "row"}">{first}</th>'
    scope = ' scope="col"' if tag == "th" else ""
    return f"<tr>{head}{''.join(f'<{tag}{scope}>{cell}</{tag}>' for cell in rest)}</tr>"


def term(name: str, words: str) -> str:
    """Return words as a button that opens the drawing that explains them."""
    return (
        f'<button type="button" class="term" popovertarget="help-{text(name)}">{text(words)}'
        '<span class="what" aria-hidden="true">?</span><span class="unseen">: what is that?</span></button>'
    )
