"""What a project file says of how the section is shown to guests: titles and colours."""

from __future__ import annotations

from typing import Annotated, Final, Self

from pydantic import Field, model_validator

from .settings_parts import Name, Part

__all__ = ["ACCENTS", "LEAST_CONTRAST", "PAPERS", "PresentationSettings", "contrast", "luminance"]

PAPERS: Final = {"light": "#ffffff", "dark": "#10161c"}
"""What is written on, by day and by night."""
ACCENTS: Final = {"light": "#1f5f9e", "dark": "#86b9ea"}
LEAST_CONTRAST: Final = 4.5
"""Between text and what it stands on: WCAG 2.2, success criterion 1.4.3, level AA."""

Colour = Annotated[str, Field(pattern=r"^#[0-9a-fA-F]{6}$")]


def luminance(colour: str) -> float:
    """Return the relative luminance of ``#rrggbb`` as WCAG 2.2 defines it: 0 for black, 1 for white.

    Examples
    --------
    >>> round(luminance("#ff0000"), 4), round(luminance("#0000ff"), 4)
    (0.2126, 0.0722)
    """
    channels = [int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours ``#rrggbb`` as WCAG 2.2 defines it: 1 for equal ones, at most 21.

    Examples
    --------
    >>> round(contrast("#000000", "#ffffff"), 2), round(contrast("#777777", "#ffffff"), 2)
    (21.0, 4.48)
    """
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


class PresentationSettings(Part):
    """How guests see the section.

    ``title`` is the project's name, and ``subtitle`` its description, unless given. ``accent`` is written on white,
    ``accent_dark`` on near-black, so both have to stand out there.
    """

    title: Name | None = None
    subtitle: Annotated[str, Field(max_length=300)] | None = None
    dark: bool = False
    accent: Colour = ACCENTS["light"]
    accent_dark: Colour = ACCENTS["dark"]

    @model_validator(mode="after")
    def _legible(self) -> Self:
        for name, colour, paper in (("accent", self.accent, PAPERS["light"]),
                                    ("accent_dark", self.accent_dark, PAPERS["dark"])):  # fmt: skip
            ratio = contrast(colour, paper)
            if not ratio >= LEAST_CONTRAST:
                raise ValueError(f"{name} with a contrast of at least {LEAST_CONTRAST:g} to its background {paper}, "
                                 f"found {ratio:.1f} for {colour}")  # fmt: skip
        return self
