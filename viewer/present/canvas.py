"""Words and marks on a picture of pixels; every text keeps the box that it fills, so that none is written twice."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from viewer.colours import table
from viewer.present.palette import Palette
from viewer.typeface import drawable, type_folder

__all__ = ["Canvas", "font"]

Pixels = NDArray[np.uint8]

WIDE, TALL = 1280.0, 720.0
"""A page of this size has steps of one pixel; others are scaled."""
_FILES: Final = {"normal": "DejaVuSans.ttf", "bold": "DejaVuSans-Bold.ttf"}


@lru_cache(maxsize=64)
def font(size: int, weight: str) -> Any:
    """Return a font of so many pixels that comes with matplotlib, so that every machine writes alike."""
    from PIL import ImageFont

    return ImageFont.truetype(str(type_folder() / _FILES[weight]), size)


class Canvas:
    """A picture to write on.

    Places are in steps from the top left corner; ``step`` pixels each.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    palette : Palette
    """

    def __init__(self, pixels: Pixels, palette: Palette) -> None:
        from PIL import Image, ImageDraw

        self.image = Image.fromarray(pixels).convert("RGB")
        self.palette = palette
        columns, rows = self.image.size
        self.step = min(columns / WIDE, rows / TALL)
        self.width, self.height = columns / self.step, rows / self.step
        self.boxes: list[tuple[float, float, float, float, str]] = []
        self._draw: Any = ImageDraw.Draw(self.image, "RGBA")

    @property
    def pixels(self) -> Pixels:
        """What the picture has become, shape (rows, columns, 3)."""
        return np.asarray(self.image, dtype=np.uint8)

    def text_width(self, text: str, size: float, weight: str = "normal") -> float:
        """Return how wide a line is."""
        return float(font(max(1, round(size * self.step)), weight).getlength(drawable(text))) / self.step

    def shortened(self, text: str, size: float, room: float, weight: str = "normal") -> str:
        """Return a text, cut and ended with an ellipsis if it is wider than ``room``."""
        if self.text_width(text, size, weight) <= room:
            return text
        keep = len(text)
        while keep and self.text_width(text[:keep] + "\N{HORIZONTAL ELLIPSIS}", size, weight) > room:
            keep -= max(1, keep // 16)
        return text[:keep].rstrip() + "\N{HORIZONTAL ELLIPSIS}"

    def text(
        self, x: float, y: float, text: str, size: float, *, weight: str = "normal", colour: str = "", align: str = "l"
    ) -> None:
        """Write a line whose middle is at height ``y``; ``align`` is l, m or r."""
        if not text:
            return
        text = drawable(text)
        wide = self.text_width(text, size, weight)
        left = x - {"l": 0.0, "m": 0.5, "r": 1.0}[align] * wide
        self.boxes.append((left, y - 0.62 * size, left + wide, y + 0.62 * size, text))
        self._draw.text((left * self.step, y * self.step), text, font=font(max(1, round(size * self.step)), weight),
                        fill=colour or self.palette.ink, anchor="lm")  # fmt: skip

    def lines(self, text: str, size: float, room: float, most: int, weight: str = "normal") -> list[str]:
        """Return a text broken into lines no wider than ``room``; what goes beyond ``most`` of them is cut."""
        words, lines = text.split(" "), [""]  # a no-break space holds
        for word in words:
            longer = f"{lines[-1]} {word}".strip()
            if self.text_width(longer, size, weight) <= room or not lines[-1]:
                lines[-1] = longer
            else:
                lines.append(word)
        if len(lines) > most:
            lines = [*lines[: most - 1], " ".join(lines[most - 1 :])]
        return [self.shortened(line, size, room, weight) for line in lines]

    def panel(
        self, left: float, top: float, right: float, bottom: float, opacity: float = 0.86, round_by: float = 6.0
    ) -> None:
        """Lay a pane of paper over the picture."""
        colour = tuple(int(self.palette.paper[at : at + 2], 16) for at in (1, 3, 5))
        box = [value * self.step for value in (left, top, right, bottom)]
        self._draw.rounded_rectangle(box, radius=round_by * self.step, fill=(*colour, round(255 * opacity)))

    def line(self, points: list[tuple[float, float]], colour: str = "", width: float = 1.4) -> None:
        """Draw a line through points."""
        scaled = [(x * self.step, y * self.step) for x, y in points]
        self._draw.line(scaled, fill=colour or self.palette.ink, width=max(1, round(width * self.step)), joint="curve")

    def dot(self, x: float, y: float, radius: float = 3.2, colour: str = "", rim: str = "") -> None:
        """Draw a dot with a rim."""
        box = [(x - radius) * self.step, (y - radius) * self.step, (x + radius) * self.step, (y + radius) * self.step]
        self._draw.ellipse(box, fill=colour or self.palette.ink, outline=rim or self.palette.paper,
                           width=max(1, round(self.step)))  # fmt: skip

    def patch(self, left: float, top: float, right: float, bottom: float, colour: str) -> None:
        """Fill a rectangle."""
        self._draw.rectangle([value * self.step for value in (left, top, right, bottom)], fill=colour)

    def colour_scale(self, left: float, top: float, width: float, words: tuple[str, str, str]) -> None:
        """Draw the colours of deviations from blue to orange, with what ends and middle mean."""
        from PIL import Image

        height = 10.0
        size = (max(2, round(width * self.step)), max(2, round(height * self.step)))
        place = np.rint(np.linspace(0.0, 256.0, size[0])).astype(np.int64)
        ramp = np.rint(255.0 * table()[place]).astype(np.uint8)
        bar = Image.fromarray(np.ascontiguousarray(np.broadcast_to(ramp, (size[1], *ramp.shape))))
        self.image.paste(bar, (round(left * self.step), round(top * self.step)))
        y = top + height + 12.0
        self.text(left, y, words[0], 12.0)
        self.text(left + width / 2, y, words[1], 12.0, align="m", colour=self.palette.muted)
        self.text(left + width, y, words[2], 12.0, align="r")

    def faded(self, share: float) -> None:
        """Let the picture go over into paper: 0 leaves it, 1 leaves only paper."""
        if share <= 0.0:
            return
        from PIL import Image, ImageDraw

        paper = Image.new("RGB", self.image.size, self.palette.paper)
        self.image = Image.blend(self.image, paper, min(share, 1.0))
        self._draw = ImageDraw.Draw(self.image, "RGBA")
