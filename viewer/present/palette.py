"""Colours of what guests see, by day and by night."""

from __future__ import annotations

from dataclasses import dataclass

from geometry.exchange.presentation_settings import PAPERS, PresentationSettings

__all__ = ["Palette", "palette_of"]


@dataclass(frozen=True)
class Palette:
    """Colours as ``#rrggbb``.

    Parameters
    ----------
    dark : bool
    paper, panel, sky, ground : str
        What is written on, a second shade of it, behind a scene, and under it.
    ink, muted, accent : str
        Text: usual, less important, emphasised.
    rail, fastener, slab, mortar, bed, anchor : str
        The parts of the track.
    unknown : str
        What has no value.
    """

    dark: bool
    paper: str
    panel: str
    sky: str
    ground: str
    ink: str
    muted: str
    accent: str
    rail: str
    fastener: str
    slab: str
    mortar: str
    bed: str
    anchor: str
    unknown: str


# Parts differ in lightness, not only in hue, so that they stay apart for people who see no red or no green.
_LIGHT = {
    "panel": "#f3f5f7", "sky": "#e9eef2", "ground": "#dde2dd", "ink": "#18212a", "muted": "#53606b",
    "rail": "#46525e", "fastener": "#3d7fb6", "slab": "#c3cad0", "mortar": "#e3a72f", "bed": "#a39d92",
    "anchor": "#6f5f4c", "unknown": "#8f989f",
}  # fmt: skip
_DARK = {
    "panel": "#19222b", "sky": "#18212a", "ground": "#26302f", "ink": "#eef2f5", "muted": "#a6b3bf",
    "rail": "#74828f", "fastener": "#5aa8e2", "slab": "#cfd6db", "mortar": "#e3a72f", "bed": "#7a756d",
    "anchor": "#a98f6d", "unknown": "#79838b",
}  # fmt: skip


def palette_of(settings: PresentationSettings, *, dark: bool) -> Palette:
    """Return the colours of one half of the day, with the project's own accent."""
    base, name = (_DARK, "dark") if dark else (_LIGHT, "light")
    accent = settings.accent_dark if dark else settings.accent
    return Palette(dark=dark, paper=PAPERS[name], accent=accent, **base)
