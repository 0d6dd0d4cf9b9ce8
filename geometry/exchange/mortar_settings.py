"""What a project file says of the mortar: its gap, the bed below it, the anchors beside it, and how it is mixed."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from .settings_parts import LimitSettings, Name, NotNegative, Part, Positive

__all__ = ["AnchorSettings", "BedLimitSettings", "GapSettings", "MortarSettings"]


class GapSettings(LimitSettings):
    """Smallest and largest allowed gap; what it is meant to be is ``bed.mortar_nominal_mm``."""

    @model_validator(mode="after")
    def _a_gap(self) -> Self:
        if self.limit_mm is not None:
            raise ValueError("low_mm and high_mm, as a gap is not around zero, found limit_mm")
        if self.low_mm is not None and not self.low_mm > 0:
            raise ValueError(f"low_mm above 0, as mortar has to run everywhere, found {self.low_mm:g}")
        return self


class BedLimitSettings(LimitSettings):
    """How far the bed may be higher (+) or lower than designed: the target underside less the nominal gap."""


class AnchorSettings(Part):
    """Smallest allowed clearance between a built anchor and the notch around it."""

    source: Name
    across_mm: NotNegative | None = None
    along_mm: NotNegative | None = None
    ring_mm: NotNegative | None = None

    @model_validator(mode="after")
    def _some(self) -> Self:
        if self.across_mm is None and self.along_mm is None and self.ring_mm is None:
            raise ValueError("at least one of across_mm, along_mm and ring_mm, found none of them")
        return self


class MortarSettings(Part):
    """The mortar of a project.

    ``sigma_level_mm`` is that of a bed point where its file gives none, ``shared_level_mm`` that of what all bed
    levels share against those of the slabs. Bed points further apart than ``longest_edge_m`` have no bed between
    them. ``loss_percent`` is mixed on top of the gap's volume.
    """

    gap: GapSettings
    bed: BedLimitSettings | None = None
    anchor: AnchorSettings | None = None
    sigma_level_mm: Positive = 1.0
    shared_level_mm: NotNegative = 0.5
    longest_edge_m: Annotated[float, Field(gt=0, le=20)] = 2.5
    loss_percent: Annotated[float, Field(ge=0, le=100)] = 0.0
    mixer_capacity_l: Positive | None = None
    slabs_per_day: Annotated[int, Field(ge=1)] | None = None
