"""What stands in a project file, checked when it is read.

The models mirror ``project.toml`` key by key; `project` turns them into the values the program works on.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

__all__ = ["ProjectSettings", "SlabTypeSettings", "ToleranceSettings"]

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1, max_length=200)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class AllowedJumpSettings(_Part):
    """A jump between elements that is meant."""

    quantity: Literal["position", "bearing", "curvature", "level", "gradient", "cant"]
    element: Annotated[int, Field(ge=2)]
    reason: Name


class AlignmentSettings(_Part):
    """How the alignment's tables are to be read."""

    start_chainage_m: Finite = 0.0
    pivot: Literal["low_rail", "centre"] = "low_rail"
    plan_held: Literal["centre", "rail"] = "centre"
    cant_base_mm: Annotated[float, Field(ge=500, le=2500)] = 1500.0
    cant_angle: Literal["arcsin", "ratio", "arctan"] = "arcsin"
    gravity_height_m: Annotated[float, Field(ge=0, le=5)] = 1.8
    grid_scale: Annotated[float, Field(ge=0.99, le=1.01)] = 1.0
    allowed_jump: list[AllowedJumpSettings] = []


class LayoutSettings(_Part):
    """How slabs are laid out and seated."""

    seating: Literal["ends", "centre", "shared", "least_squares"] = "shared"
    prefix: Annotated[str, Field(max_length=40)] = ""
    first_number: Annotated[int, Field(ge=0)] = 1
    gap_nominal_mm: NotNegative = 70.0
    gap_min_mm: NotNegative = 60.0
    gap_max_mm: NotNegative = 80.0
    clearance_nominal_mm: NotNegative = 50.0
    clearance_min_mm: NotNegative = 30.0
    clearance_max_mm: NotNegative = 100.0

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        for name in ("gap", "clearance"):
            low, nominal, high = (getattr(self, f"{name}_{part}_mm") for part in ("min", "nominal", "max"))
            if not low <= nominal <= high:
                raise ValueError(f"{name}_min_mm, {name}_nominal_mm and {name}_max_mm have to ascend")
        return self


class BedSettings(_Part):
    """What lies under and between the slabs; used for pictures."""

    mortar_nominal_mm: Positive = 50.0
    width_m: Positive = 2.8
    anchor_radius_mm: Positive = 200.0
    anchor_height_mm: Positive = 250.0


class SurveySettings(_Part):
    """What is assumed of surveyed points where their file does not say it."""

    sigma_plan_mm: Positive
    sigma_level_mm: Positive
    match_radius_m: Annotated[float, Field(gt=0, le=1)] = 0.15
    stages: list[Name] = []


class DecisionSettings(_Part):
    """The decision rule of verdicts."""

    guard_factor: Annotated[float, Field(ge=0, le=10)] = 2.0


class ToleranceSettings(_Part):
    """A tolerance: either ``limit_mm`` for plus and minus, or ``low_mm`` and ``high_mm``."""

    quantity: Literal["across", "along", "up", "step_level", "step_line", "gap", "gap_difference"]
    source: Name
    limit_mm: Positive | None = None
    low_mm: Finite | None = None
    high_mm: Finite | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        pair = self.low_mm is not None and self.high_mm is not None
        if (self.limit_mm is None) != pair or (self.low_mm is None) != (self.high_mm is None):
            raise ValueError("give either limit_mm, or low_mm and high_mm")
        if pair and not (self.low_mm or 0.0) < (self.high_mm or 0.0):
            raise ValueError("low_mm has to be below high_mm")
        if self.quantity == "gap" and self.limit_mm is not None:
            raise ValueError("a gap has low_mm and high_mm, it is not around zero")
        return self

    @property
    def range_mm(self) -> tuple[float, float]:
        """Smallest and largest good value, mm."""
        if self.limit_mm is not None:
            return -self.limit_mm, self.limit_mm
        return float(self.low_mm or 0.0), float(self.high_mm or 0.0)


class PlaceSettings(_Part):
    """A named place on a slab, from the centre of its top face."""

    name: Name
    across_m: Annotated[float, Field(ge=-10, le=10)]
    along_m: Annotated[float, Field(ge=-20, le=20)]
    up_m: Annotated[float, Field(ge=-2, le=2)] = 0.0


class ThreadSettings(_Part):
    """Screws or lateral adjusters of a slab type."""

    pitch_mm: Positive
    travel_mm: Positive
    places: Annotated[list[PlaceSettings], Field(min_length=1)]


class SlabTypeSettings(_Part):
    """A slab type."""

    name: Name
    length_m: Annotated[float, Field(gt=0, le=40)]
    width_m: Annotated[float, Field(gt=0, le=10)]
    thickness_m: Annotated[float, Field(gt=0, le=2)]
    notch_radius_m: NotNegative
    notch_beyond_m: NotNegative
    rail_height_m: Annotated[float, Field(ge=0, le=2)]
    seats_along_m: Annotated[list[Finite], Field(min_length=2)]
    marks: Annotated[list[PlaceSettings], Field(min_length=4)]
    screws: ThreadSettings
    adjusters: ThreadSettings
    special: bool = False

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        names = [mark.name for mark in self.marks]
        if names[:4] != ["RL", "RR", "FL", "FR"]:
            raise ValueError("the first four marks are RL, RR, FL, FR: rear and front, left and right")
        for place in (*self.marks, *self.screws.places, *self.adjusters.places):
            if abs(place.along_m) > self.length_m / 2 + 0.5 or abs(place.across_m) > self.width_m / 2 + 0.5:
                raise ValueError(f"{place.name} lies off the slab")
        corners = {"RL": (-1, -1), "RR": (1, -1), "FL": (-1, 1), "FR": (1, 1)}
        for mark in self.marks[:4]:
            across, along = corners[mark.name]
            if not (mark.across_m * across > 0 and mark.along_m * along > 0):
                raise ValueError(f"{mark.name} lies in another corner than its name says")
        if any(abs(seat) > self.length_m / 2 for seat in self.seats_along_m):
            raise ValueError("a rail seat lies off the slab")
        if len(set(self.seats_along_m)) != len(self.seats_along_m):
            raise ValueError("two rail seats lie at the same place")
        for what, group in (("marks", names), *(
            (what, [p.name for p in thread.places])
            for what, thread in (("screws", self.screws), ("adjusters", self.adjusters))
        )):  # fmt: skip
            if len(set(group)) != len(group):
                raise ValueError(f"two {what} have the same name")
        if self.notch_radius_m >= min(self.width_m / 2, self.length_m / 2):
            raise ValueError("the notches would cut the slab apart")
        return self


class ProjectSettings(_Part):
    """A whole project file."""

    name: Name
    description: str = ""
    alignment: AlignmentSettings = AlignmentSettings()
    layout: LayoutSettings = LayoutSettings()
    bed: BedSettings = BedSettings()
    survey: SurveySettings
    decision: DecisionSettings = DecisionSettings()
    tolerance: Annotated[list[ToleranceSettings], Field(min_length=1)]
    slab_type: Annotated[list[SlabTypeSettings], Field(min_length=1)]

    @model_validator(mode="after")
    def _names_differ(self) -> Self:
        types = [t.name for t in self.slab_type]
        if len(set(types)) != len(types):
            raise ValueError("two slab types have the same name")
        quantities = [t.quantity for t in self.tolerance]
        if len(set(quantities)) != len(quantities):
            raise ValueError("two tolerances have the same quantity")
        if not {"across", "along", "up"} <= set(quantities):
            raise ValueError("tolerances for across, along and up are needed for a verdict on a slab")
        if all(t.special for t in self.slab_type):
            raise ValueError("at least one slab type has to be not special")
        return self
