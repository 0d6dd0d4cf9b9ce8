"""Where things stand in the rows of the flat picture."""

from __future__ import annotations

from dataclasses import dataclass

from viewer.layer import Layer

__all__ = ["ARROW_ROOM", "BOTTOM", "LEFT", "RIGHT", "TOP", "Chart", "Lanes"]

LEFT, RIGHT, TOP, BOTTOM = 124.0, 1568.0, 92.0, 792.0
ARROW_ROOM = 9.0
"""Slabs shorter than this in the picture carry no arrows, steps of the page."""


@dataclass(frozen=True)
class Lanes:
    """Where the parts of a row lie, in steps below the top of the row."""

    pitch: float
    names: float
    symbols: float
    chart: tuple[float, float]
    plan: tuple[float, float]
    structures: tuple[float, float]
    ticks: float

    @classmethod
    def of(cls, pitch: float, structures: bool) -> Lanes:
        """Share out the height of a row; lanes with words keep the height of their words."""
        strip = 11.0 if structures else 0.0
        free = pitch - (15.0 + 11.0 + 4.0 + strip + 17.0 + 5.0)
        chart = 27.0 + 0.78 * free
        plan = chart + 2.0 + 0.22 * free
        ticks = plan + 2.0 + strip
        return cls(pitch, 6.0, 20.0, (27.0, chart), (chart + 2.0, plan), (plan + 2.0, plan + 2.0 + strip), ticks)


@dataclass(frozen=True)
class Chart:
    """Where values stand within the chart of a row, in steps below the top of the row."""

    zero: float
    unit: float

    @classmethod
    def of(cls, layer: Layer, lanes: Lanes) -> Chart:
        """Fit the scale of a layer into the chart's lane."""
        low, high = lanes.chart
        unit = (high - low) / (layer.scale.below + layer.scale.above)
        return cls(low + layer.scale.above * unit, unit)
