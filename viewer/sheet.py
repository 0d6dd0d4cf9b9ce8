"""A page for pictures with words: heading, key, colour bar, and labels that keep clear of each other.

Everything is placed in steps of 1/100 inch from the top left corner, one step being one pixel of the usual
PNG, so that every text has a place of its own whatever is drawn behind it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.colours import INK, MUTED, PAPER, UNKNOWN, VERDICTS, matplotlib_scale
from viewer.layer import Layer, Scale
from viewer.numbers import number_mm
from viewer.section import WITHIN, Section, Structure
from viewer.typeface import printed

__all__ = [
    "Sheet",
    "factor_text",
    "mark_texts",
    "number_mm",
    "shortened",
    "slab_word",
    "spread",
    "structure_words",
    "text_width",
]

Floats = NDArray[np.float64]

PIXELS_PER_POINT = 100.0 / 72.0
_LONGEST_NAME = 28  # characters


def mark_texts(scale: Scale, values: Sequence[float]) -> list[str]:
    """Return values of a scale as texts with as many decimals as its marks need; signed if its middle is zero.

    Examples
    --------
    >>> mark_texts(Scale.of_range(-0.5, 0.0, 0.5, ""), [-0.5, 1.0])
    ['\N{MINUS SIGN}0.5', '+1.0']
    >>> mark_texts(Scale.of_range(40.0, 50.0, 70.0, ""), [40.0, 90.0])
    ['40', '90']
    """
    decimals = next((few for few in (0, 1) if all(abs(v - round(v, few)) < 1e-6 for v in scale.marks())), 2)
    texts = [number_mm(value, decimals) for value in values]
    return texts if scale.middle == 0.0 else [text.removeprefix("+") for text in texts]


@lru_cache(maxsize=4096)
def text_width(text: str, size: float, weight: str = "normal") -> float:
    """Return the width of a line of text in steps of 1/100 inch, for a size in points."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    if not text.strip():
        return 0.0
    path = TextPath((0.0, 0.0), text, size=size, prop=FontProperties(weight=weight), usetex=False)
    return float(path.get_extents().x1) * PIXELS_PER_POINT


def spread(centres: ArrayLike, widths: ArrayLike, low: float, high: float, gap: float = 6.0) -> Floats:
    """Return places on a line for labels, near their centres and clear of each other.

    Parameters
    ----------
    centres, widths : array_like, shape (n,)
        Wanted centre and width of each label, in the order of their centres.
    low, high : float
        Ends of the line.
    gap : float
        Least clear space between two labels.

    Returns
    -------
    ndarray, shape (n,)
        Centres. If the labels are longer than the line, they run over its high end.
    """
    width = np.asarray(widths, dtype=np.float64)
    if not len(width):
        return np.empty(0)
    # With the least places of all labels taken off, keeping clear means not to decrease.
    packed = np.concatenate([[0.0], np.cumsum(0.5 * (width[:-1] + width[1:]) + gap)])
    room = max(high - 0.5 * width[-1] - packed[-1], low + 0.5 * width[0])
    wanted = np.clip(np.asarray(centres, dtype=np.float64) - packed, low + 0.5 * width[0], room)
    # Half way between pushing all to the right and all to the left: neighbours share the shift.
    pushed = 0.5 * (np.maximum.accumulate(wanted) + np.minimum.accumulate(wanted[::-1])[::-1])
    places: Floats = pushed + packed
    return places


def factor_text(factor: float) -> str:
    """Return an exaggeration to two digits.

    Examples
    --------
    >>> factor_text(1003.0), factor_text(1.16), factor_text(14.0)
    ('1000', '1.2', '14')
    """
    return f"{float(f'{factor:.2g}'):g}"


def slab_word(section: Section, slab: int) -> str:
    """Return the name of a slab as a picture has room for it: on one line, its end left out if it is very long."""
    name = printed(str(section.slab_names[slab]))
    return name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}\N{HORIZONTAL ELLIPSIS}"


def structure_words(structure: Structure) -> str:
    """Return the name of a structure, with its kind if the name does not tell it.

    Examples
    --------
    >>> structure_words(Structure("Mill brook", "bridge", 0.0, 40.0))
    'Mill brook, bridge'
    """
    told = structure.kind.lower() in structure.name.lower()
    return structure.name if told else f"{structure.name}, {structure.kind}"


class Sheet:
    """One page of 1600 by 900 steps of 1/100 inch; y runs down the page."""

    width, height = 1600.0, 900.0

    def __init__(self) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.figure: Any = Figure(figsize=(self.width / 100.0, self.height / 100.0), dpi=100, facecolor=PAPER)
        FigureCanvasAgg(self.figure)
        self.axes: Any = self.figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self.axes.set(xlim=(0.0, self.width), ylim=(self.height, 0.0))
        self.axes.axis("off")

    def text(self, x: float, y: float, text: str, size: float, *, halo: bool = False, **style: Any) -> Any:
        """Write a line; ``size`` in points; a dollar sign stands for itself; ``halo`` for a pale rim on a picture."""
        from matplotlib.patheffects import withStroke

        style = {"color": INK, "va": "center", "ha": "left", "parse_math": False} | style
        if halo:
            style["path_effects"] = [withStroke(linewidth=2.5, foreground=PAPER)]
        return self.axes.text(x, y, text, size=size, **style)

    def line(self, xs: ArrayLike, ys: ArrayLike, **style: Any) -> None:
        """Draw one line."""
        from matplotlib.lines import Line2D

        look: dict[str, Any] = {"color": INK, "lw": 0.8} | style
        self.axes.add_line(Line2D(np.asarray(xs), np.asarray(ys), **look))

    def box(self, x: float, y: float, width: float, height: float, **style: Any) -> None:
        """Draw a rectangle from its top left corner."""
        from matplotlib.patches import Rectangle

        self.axes.add_patch(Rectangle((x, y), width, height, **({"lw": 0.0} | style)))

    def image(self, pixels: NDArray[np.uint8], x: float, y: float, width: float, height: float) -> None:
        """Put an image of one pixel a step onto the page."""
        self.axes.imshow(
            pixels,
            extent=(x, x + width, y + height, y),
            aspect="auto",
            interpolation="nearest",
            resample=False,
            zorder=1,
        )
        self.axes.set(xlim=(0.0, self.width), ylim=(self.height, 0.0))

    def save(self, path: str | Path) -> None:
        """Write the page; without a date, so that the same section gives the same drawing."""
        from matplotlib import rc_context

        dates = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}}
        with rc_context({"svg.hashsalt": "section"}):  # names of parts inside an SVG are random otherwise
            self.figure.savefig(path, metadata=dates.get(Path(path).suffix.lower()))

    def symbols(self, x: ArrayLike, y: ArrayLike, verdict: int, size: float = 9.0, zorder: float = 5.0) -> None:
        """Draw the symbol of a verdict at places, ``size`` steps wide, with a pale rim."""
        from matplotlib.path import Path

        look = VERDICTS[verdict]
        if not look.symbol:
            return
        marker = Path([*look.symbol, look.symbol[0]], closed=True)
        area = (size / PIXELS_PER_POINT) ** 2
        style: dict[str, Any] = {"s": area, "marker": marker, "zorder": zorder, "clip_on": False}
        self.axes.scatter(x, y, facecolors="none", edgecolors=PAPER, linewidths=3.0, **style)
        face = INK if look.filled else PAPER
        self.axes.scatter(x, y, facecolors=face, edgecolors=INK, linewidths=0.4 if look.filled else 1.3, **style)

    def heading(self, section: Section, layer: Layer, picture: str) -> None:
        """Write title and subtitle, and the key of the verdicts with their counts at the right."""
        right = self.verdict_key(layer, self.width - 32.0, 34.0)
        self.text(32.0, 34.0, shortened(printed(section.title), 19.0, right - 60.0, "bold"), 19.0, weight="bold")
        room = self.width - 64.0 - text_width(picture, 11.0) - 40.0
        self.text(32.0, 64.0, shortened(printed(section.subtitle), 11.0, room), 11.0, color=MUTED)
        self.text(self.width - 32.0, 64.0, picture, 11.0, color=MUTED, ha="right")

    def verdict_key(self, layer: Layer, right: float, y: float) -> float:
        """Write word, symbol and count of every verdict, ending at ``right``; return where it begins."""
        counts = np.bincount(layer.verdict, minlength=len(VERDICTS))
        x = right
        for verdict in sorted(VERDICTS, reverse=True):
            word = layer.words[verdict]
            amount = f"{counts[verdict]:,}".replace(",", "\N{NO-BREAK SPACE}")
            x -= text_width(word, 12.0)
            self.text(x, y, word, 12.0)
            x -= text_width(amount, 12.0, "bold") + 9.0
            self.text(x, y, amount, 12.0, weight="bold")
            if verdict != WITHIN:
                x -= 14.0
                self.symbols([x], [y], verdict, 13.0)
                x -= 36.0
        return x

    def colour_bar(self, layer: Layer, x: float, y: float, width: float) -> None:
        """Draw the scale with its ends, its allowed range and its sign; ``y`` is the top of the bar."""
        scale, height, tip = layer.scale, 14.0, 12.0
        self.text(x - tip, y - 17.0, layer.title, 11.0, weight="bold")
        room = width + 2.0 * tip - text_width(layer.title, 11.0, "bold") - 12.0
        self.text(x + width + tip, y - 17.0, shortened(layer.sign, 10.0, room), 10.0, color=MUTED, ha="right")
        shades = matplotlib_scale()
        ramp = np.linspace(0.0, 1.0, shades.N)[None]
        image = self.axes.imshow(
            ramp, cmap=shades, extent=(x, x + width, y + height, y), aspect="auto", interpolation="nearest", zorder=2
        )
        image.set_clip_on(False)
        self.axes.set(xlim=(0.0, self.width), ylim=(self.height, 0.0))
        for end, sign, colour in ((x, -1.0, shades(0)), (x + width, 1.0, shades(shades.N - 1))):
            self.axes.fill(
                [end, end + sign * tip, end], [y, y + 0.5 * height, y + height], color=colour, lw=0, zorder=2
            )
        outline = [x, x + width, x + width + tip, x + width, x, x - tip, x]
        self.line(outline, [y, y, y + height / 2, y + height, y + height, y + height / 2, y], lw=0.7, zorder=3)
        values = scale.marks()
        places = x + 0.5 * width * (1.0 + scale.share(values))
        for value, at, word in zip(values, places, mark_texts(scale, values), strict=True):
            inner = scale.allowed is not None and value in scale.allowed
            self.line([at, at], [y if inner else y + height, y + height + 4.0], lw=1.2 if inner else 0.8, zorder=3)
            unit = " mm" if value == scale.high else ""
            self.text(at, y + height + 13.0, word + unit, 10.0, ha="center")
        for end, align in ((x - tip, "left"), (x + width + tip, "right")):
            self.text(end, y + height + 25.5, "tip: beyond", 9.0, ha=align, color=MUTED)
        if scale.allowed is None:
            return
        low, high = x + 0.5 * width * (1.0 + scale.share(scale.allowed))
        self.line([low, high], [y + height + 25.0] * 2, lw=1.0)
        for end in (low, high):
            self.line([end, end], [y + height + 22.0, y + height + 28.0], lw=1.0)
        half = 0.5 * text_width(scale.allowed_word, 9.0) + 5.0
        middle = 0.5 * (low + high)
        self.box(middle - half, y + height + 19.0, 2 * half, 13.0, facecolor=PAPER, zorder=3)
        self.text(middle, y + height + 25.5, scale.allowed_word, 9.0, ha="center", color=MUTED, zorder=4)

    def swatch_unknown(self, layer: Layer, x: float, y: float) -> float:
        """Draw the fill of a slab without a value, with its words; return where the words end."""
        self.box(x, y - 6.0, 26.0, 12.0, facecolor=UNKNOWN, edgecolor=PAPER, hatch="////")
        self.text(x + 33.0, y, layer.unknown, 10.0, color=MUTED)
        return x + 33.0 + text_width(layer.unknown, 10.0)


def shortened(text: str, size: float, room: float, weight: str = "normal") -> str:
    """Return the text, cut and ended with an ellipsis if it is wider than ``room``."""
    if text_width(text, size, weight) <= room:
        return text
    ellipsis = "\N{HORIZONTAL ELLIPSIS}"
    keep = bisect_right(range(len(text)), room, key=lambda count: text_width(text[:count] + ellipsis, size, weight)) - 1
    return text[: max(keep, 0)].rstrip() + ellipsis
