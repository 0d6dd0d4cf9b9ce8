"""What a project file says of the fasteners of the rail: their range, their pieces, what holds the rail."""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from geometry.alignment.laws import Floats
from geometry.placement.rail.beam import Beam
from geometry.placement.rail.fasteners import FastenerRules, StepRange
from geometry.placement.rail.shims import Pieces, impossible_heights
from geometry.survey.points import Ints

from .settings_parts import Name, NotNegative, Part, Positive, all_differ

__all__ = ["FastenerSettings", "StockSettings"]

_HUNDREDTHS: Final = 100.0
_MOST_NAMED = 4


def _whole(value_mm: float) -> int:
    """Return hundredths of a millimetre; a rule's fault if it is not a whole number of them."""
    found = value_mm * _HUNDREDTHS
    if abs(found - round(found)) > 1e-6:
        raise ValueError(f"thicknesses and steps in whole hundredths of a millimetre, found {value_mm:g}")
    return round(found)


class StockSettings(Part):
    """How many pieces of a kind are there: shims under the rail, or pairs of guides beside it."""

    piece: Literal["shim", "guide"]
    size_mm: Positive
    count: Annotated[int, Field(ge=0)]


class FastenerSettings(Part):
    """The fastener of one rail on one seat, and the rail that it holds.

    Stiffness and forces have defaults from memory: rail 60E1 of EN 13674-1 (3038 and 512 cm4), two clips of 9 kN, a
    pad of 22.5 kN/mm as is common under slab track; sideways the values are assumed and cautious. The fastener's own
    papers decide.
    """

    source: Name
    step_mm: Positive
    low_mm: Annotated[float, Field(le=0, allow_inf_nan=False)]
    high_mm: NotNegative
    sideways_step_mm: Positive
    sideways_mm: NotNegative
    base_mm: NotNegative = 0.0
    shims_mm: Annotated[list[Positive], Field(min_length=1, max_length=30)]
    most_shims: Annotated[int, Field(ge=1, le=10)]
    stock: list[StockSettings] = Field(default_factory=list)
    elasticity_gpa: Positive = 210.0
    inertia_vertical_cm4: Positive = 3038.0
    inertia_lateral_cm4: Positive = 512.0
    hold_kn: Positive = 18.0
    pad_kn_per_mm: Positive = 22.5
    lateral_hold_kn: Positive = 10.0
    lateral_kn_per_mm: Positive = 30.0
    most_seconds: Annotated[float, Field(gt=0, le=3600)] = 60.0

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        all_differ("thicknesses of shims", self.shims_mm)
        sideways = _whole(self.sideways_step_mm)
        for item in self.stock:
            if item.piece == "shim" and item.size_mm not in self.shims_mm:
                raise ValueError(f"a stock of shims that shims_mm names, found one of {item.size_mm:g} mm")
            if item.piece == "guide" and _whole(item.size_mm) % sideways:
                raise ValueError(f"guides in steps of {self.sideways_step_mm:g} mm, found one of {item.size_mm:g} mm")
        all_differ("pieces of the stock", [(item.piece, item.size_mm) for item in self.stock])
        lacking = impossible_heights(self.pieces, _whole(self.step_mm), self.height.least, self.height.most)
        if lacking.size:
            named = ", ".join(f"{value:g}" for value in (lacking / _HUNDREDTHS)[:_MOST_NAMED].tolist())
            more = f" and {lacking.size - _MOST_NAMED} more" if lacking.size > _MOST_NAMED else ""
            raise ValueError(f"pieces that make every height from low_mm to high_mm with most_shims, found none for "
                             f"{named}{more} mm")  # fmt: skip
        return self

    @property
    def pieces(self) -> Pieces:
        """What may lie under the rail."""
        return Pieces(tuple(sorted(_whole(size) for size in self.shims_mm)), self.most_shims, _whole(self.base_mm))

    @property
    def height(self) -> StepRange:
        """Steps up, m."""
        return StepRange(self.step_mm / 1e3, self.low_mm / 1e3, self.high_mm / 1e3)

    @property
    def sideways(self) -> StepRange:
        """Steps to the right, m."""
        return StepRange(self.sideways_step_mm / 1e3, -self.sideways_mm / 1e3, self.sideways_mm / 1e3)

    def rules(self, guard: float, seconds: float | None = None) -> FastenerRules:
        """Return what the plan of the fasteners needs to know; `seconds` stands in for the project's time limit."""
        elasticity = self.elasticity_gpa * 1e9
        return FastenerRules(
            height=self.height,
            sideways=self.sideways,
            vertical=Beam(elasticity * self.inertia_vertical_cm4 * 1e-8, self.pad_kn_per_mm * 1e6, self.hold_kn * 1e3),
            lateral=Beam(
                elasticity * self.inertia_lateral_cm4 * 1e-8, self.lateral_kn_per_mm * 1e6, self.lateral_hold_kn * 1e3
            ),
            guard=guard,
            seconds=self.most_seconds if seconds is None else seconds,
        )

    def stock_of(self, piece: Literal["shim", "guide"], sizes_mm: Floats) -> Ints:
        """Return how many pieces of each size are there, 0 where the project does not say."""
        there = {round(item.size_mm * _HUNDREDTHS): item.count for item in self.stock if item.piece == piece}
        return np.array([there.get(round(size * _HUNDREDTHS), 0) for size in sizes_mm.tolist()], dtype=np.intp)
