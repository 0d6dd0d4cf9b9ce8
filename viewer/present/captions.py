"""What stands on each picture of the film: place, meaning of colours, exaggeration, and what is known how."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from viewer.present.camera import LANDED, Flight
from viewer.present.show import Show
from viewer.present.words import (
    COMPUTED,
    MEASURED,
    exaggeration_words,
    layer_words,
    lowered_words,
    place_words,
    slab_words,
)
from viewer.section import OUT

__all__ = [
    "LAYERS",
    "MARKED_UNTIL",
    "TITLE_UNTIL",
    "TOLD_FROM",
    "Caption",
    "apart_at",
    "caption_at",
    "eased",
    "factor_at",
]

TITLE_UNTIL: Final = 0.12
MARKED_UNTIL: Final = 0.17
"""Share of the film up to which slabs that are out are marked: from far above nobody would see them."""
LAYERS: Final = (0.54, 0.775)
"""Shares of the film between which the layers are shown at true size, by their own colours."""
TOLD_FROM: Final = 0.79
_APART, _TOGETHER, _FADE, _BACK = 0.55, 0.725, 0.045, 0.04


class Caption(NamedTuple):
    """Words on one picture of the film.

    Parameters
    ----------
    title : bool
        Whether title and subtitle are shown large.
    where : str
    colours : str
        Empty while the layers are taken apart: then each has a colour of its own.
    exaggeration : str
    known : str
        What is measured and what is computed.
    story : tuple of str
        The slab at the end, in sentences.
    """

    title: bool
    where: str
    colours: str
    exaggeration: str
    known: str
    story: tuple[str, ...]


def eased(share: float) -> float:
    """Return a share of a movement that begins and ends at rest, without a jerk (quintic).

    Examples
    --------
    >>> eased(-1.0), eased(0.5), eased(2.0)
    (0.0, 0.5, 1.0)
    """
    x = float(np.clip(share, 0.0, 1.0))
    return min(1.0, x**3 * (x * (6.0 * x - 15.0) + 10.0))


def apart_at(share: float) -> float:
    """Return how far the layers are taken apart at a share of the film, 0 together to 1."""
    return eased((share - _APART) / _FADE) * (1.0 - eased((share - _TOGETHER) / _FADE))


def factor_at(factor: float, share: float) -> float:
    """Return the exaggeration at a share of the film: true size while the layers are taken apart."""
    down = eased((share - LAYERS[0] + _BACK) / _BACK)
    back = eased((share - LAYERS[1]) / _BACK)
    return float(np.exp((1.0 - down * (1.0 - back)) * np.log(factor)))


def caption_at(show: Show, flight: Flight, share: float, lowered: float = 0.0) -> Caption:
    """Return the words at a share of the film, with bed and ground drawn so much lower, m."""
    layers = LAYERS[0] <= share < LAYERS[1]
    factor = factor_at(show.factor, share)
    story: tuple[str, ...] = ()
    if share >= TOLD_FROM:
        story = tuple(slab_words(show, show.slab))
    where = place_words(show.section, flight.at(share).distance)
    if share < MARKED_UNTIL:  # from above the whole section, one place of it means nothing
        count = show.section.verdict
        out = int((count == OUT).sum())
        where = f"{len(count)} slabs, {out or 'none'} of them out of place"
        where += "" if not out else ": marked"
    elif share >= LANDED:
        where += f", slab {show.name}"
    exaggeration = exaggeration_words(1.0 if factor < 1.01 else factor)
    if lower := lowered_words(lowered, why=False):
        exaggeration += f"; {lower}"
    return Caption(
        title=share < TITLE_UNTIL,
        where=where,
        colours="" if layers else layer_words(show),
        exaggeration=exaggeration,
        known="Layers drawn by their design sizes; the mortar is not there yet: it goes in last." if layers
        else f"{MEASURED} {COMPUTED}",
        story=story,
    )  # fmt: skip
