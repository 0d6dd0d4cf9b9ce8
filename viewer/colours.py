"""The colour scale of deviations, and how a verdict looks without colour.

The scale runs from blue through a near-white to orange. It is made in Oklab, a space in which equal
distances look equally different (B. Ottosson, 2020, "A perceptual color space for image processing"): both
arms have the same lightness at the same amount, lightness falls evenly from the middle outwards, and
neighbouring colours lie equally far apart. Blue against orange stays apart for people who see no red or no
green, and the amount can be read in a grey copy too.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.section import NOT_MEASURED, OUT, UNDECIDED, WITHIN

__all__ = [
    "ANCHOR",
    "BED",
    "CONCRETE",
    "GROUND",
    "INK",
    "MORTAR",
    "MUTED",
    "PAPER",
    "RAIL",
    "UNKNOWN",
    "VERDICTS",
    "Look",
    "colours",
    "oklab_to_srgb",
    "srgb_to_oklab",
    "table",
]

Floats = NDArray[np.float64]

PAPER = "#ffffff"
INK = "#1d2730"
MUTED = "#5c6873"
GROUND = "#e4e8eb"
UNKNOWN = "#9aa3ab"
BED = "#d3cec4"
ANCHOR = "#bdb6a8"
CONCRETE = "#cfd4d8"
MORTAR = "#a69c8a"
RAIL = "#59636c"

# Rows of the two matrices of the cited paper: linear sRGB to cone responses, and their cube roots to L, a, b.
_TO_CONES = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)


def srgb_to_oklab(srgb: ArrayLike) -> Floats:
    """Return the Oklab coordinates (lightness, green-red, blue-yellow) of sRGB values in 0..1, shape (..., 3).

    Examples
    --------
    >>> srgb_to_oklab([1.0, 1.0, 1.0]).round(3)[0].item()
    1.0
    """
    value = np.asarray(srgb, dtype=np.float64)
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    lab: Floats = np.cbrt(linear @ _TO_CONES.T) @ _TO_LAB.T
    return lab


def oklab_to_srgb(lab: ArrayLike) -> Floats:
    """Return the sRGB values of Oklab coordinates, shape (..., 3); outside 0..1 where a screen cannot show them."""
    roots = np.linalg.solve(_TO_LAB, np.asarray(lab, dtype=np.float64)[..., None])
    linear = np.linalg.solve(_TO_CONES, roots**3)[..., 0]
    curve = 1.055 * np.maximum(linear, 0.0) ** (1.0 / 2.4) - 0.055
    srgb: Floats = np.where(linear <= 0.0031308, 12.92 * linear, curve)
    return srgb


def _arm(hue_deg: float, steps: int) -> Floats:
    """Return one arm of the scale from the middle outwards, equally spaced in Oklab, shape (steps, 3)."""
    reach = np.linspace(0.0, 1.0, 2001)
    lightness = 0.955 - 0.44 * reach
    # Chroma rises faster than lightness falls, as far as a screen can show both hues, and then levels off.
    chroma = 0.141 * np.sin(0.5 * np.pi * np.minimum(1.0, 1.12 * reach)) ** 1.15
    hue = np.deg2rad(hue_deg)
    lab = np.column_stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)])
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(lab, axis=0), axis=1))])
    even = np.linspace(0.0, length[-1], steps)
    return np.column_stack([np.interp(even, length, part) for part in lab.T])


@lru_cache
def table(steps: int = 257) -> Floats:
    """Return the scale from most negative (blue) through zero (near white) to most positive (orange).

    Parameters
    ----------
    steps : int
        Number of colours, odd so that zero has a colour of its own.

    Returns
    -------
    ndarray, shape (steps, 3)
        sRGB in 0..1, read-only.

    Raises
    ------
    ValueError
        If ``steps`` is even or below 3.
    """
    if steps < 3 or steps % 2 == 0:
        raise ValueError(f"the scale needs an odd number of colours, at least 3, not {steps}")
    half = steps // 2 + 1
    lab = np.vstack([_arm(254.0, half)[::-1], _arm(45.0, half)[1:]])
    srgb = np.clip(oklab_to_srgb(lab), 0.0, 1.0)
    srgb.flags.writeable = False
    return srgb


def colours(values: ArrayLike, limit: float) -> Floats:
    """Return the colour of each value on the scale from -limit to limit.

    Parameters
    ----------
    values : array_like, shape (...)
        In the unit of ``limit``. Values beyond the limit take the end colour, nan the colour ``UNKNOWN``.
    limit : float
        Positive.

    Returns
    -------
    ndarray, shape (..., 3)
        sRGB in 0..1.
    """
    value = np.asarray(values, dtype=np.float64)
    scale = table()
    known = np.isfinite(value)
    place = np.clip(np.where(known, value, 0.0) / limit, -1.0, 1.0)
    index = np.rint((place + 1.0) * 0.5 * (len(scale) - 1)).astype(np.int64)
    unknown = [int(UNKNOWN[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    return np.where(known[..., None], scale[index], unknown)


class Look(NamedTuple):
    """How a verdict is shown: its word, and a symbol within -1..1 that needs no colour."""

    word: str
    symbol: tuple[tuple[float, float], ...]
    filled: bool


def _diamond() -> tuple[tuple[float, float], ...]:
    return ((0.0, -1.0), (1.0, 0.0), (0.0, 1.0), (-1.0, 0.0))


def _cross(arm: float = 0.27) -> tuple[tuple[float, float], ...]:
    plus = [(arm, arm), (1.1, arm), (1.1, -arm), (arm, -arm)]
    turned = [
        (x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a))
        for a in np.pi * (0.25 + 0.5 * np.arange(4))
        for x, y in plus[:3]
    ]
    return tuple((float(x), float(y)) for x, y in turned)


VERDICTS: dict[int, Look] = {
    WITHIN: Look("within", (), False),
    OUT: Look("out", ((-1.0, -0.8), (1.0, -0.8), (0.0, 0.93)), True),
    UNDECIDED: Look("undecided", _diamond(), False),
    NOT_MEASURED: Look("not measured", _cross(), True),
}
"""By verdict. A slab within carries no symbol, so that the others stand out."""


def matplotlib_scale() -> Any:
    """Return the scale as a matplotlib colour map."""
    from matplotlib.colors import ListedColormap

    return ListedColormap(table(), name="deviation").with_extremes(bad=UNKNOWN)
