"""Spiral types of the LandXML 1.2 schema and the laws that they are."""

from __future__ import annotations

from typing import Final

from .cells import near

__all__ = ["CANT_LAWS", "NO_LAW", "SPIRALS", "law_or_reason"]

SPIRALS: Final[dict[str, str]] = {
    "clothoid": "clothoid",
    "bloss": "bloss",
    "revBloss": "bloss",
    "cosine": "cosine",
    "revCosinus": "cosine",
    "sinusoid": "sine",
    "revSinusoid": "sine",
    "biquadratic": "helmert",
    "revBiquadratic": "helmert",
    "cubicParabola": "cubic",
    "weinerBogen": "viennese",
}
"""Law for each spiral type of the schema that has one; the laws are symmetric, so a reversed one is the same."""
CANT_LAWS: Final[dict[str, str]] = {
    name: {"clothoid": "linear", "cubic": "linear"}.get(law, law) for name, law in SPIRALS.items()
}
NO_LAW: Final = {
    "cubic": "a series that is neither the cubic parabola nor the clothoid",
    "japaneseCubic": "a cubic of its own, by abscissas",
    "biquadraticParabola": "parabolas over the abscissa, not over the length",
    "sineHalfWave": "a curve over the abscissa, not over the length",
    "radioid": "curvature over the chord, not over the length",
}


def law_or_reason(spiral: str, laws: dict[str, str]) -> tuple[str | None, str, str]:
    """Return the law of a spiral type, or None with what it is and what may be meant."""
    law = laws.get(spiral)
    if law is not None:
        return law, "", ""
    if spiral in NO_LAW:
        return None, f"{spiral!r}, {NO_LAW[spiral]}", ""
    return None, f"{spiral!r}, no type of the schema" if spiral else "nothing", near(spiral, list(laws))
