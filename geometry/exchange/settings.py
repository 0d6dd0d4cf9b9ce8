"""What stands in a project file, checked when it is read.

The models mirror ``project.toml`` key by key; `project` turns them into the values the program works on.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from .fastener_settings import FastenerSettings
from .grid_settings import GridSettings
from .mortar_settings import MortarSettings
from .plan_settings import PlanSettings
from .presentation_settings import PresentationSettings
from .rail_settings import RailSettings
from .ready_settings import ReadySettings
from .report_settings import ReportSettings
from .settings_parts import Finite, LimitSettings, Name, NotNegative, Part, Positive, all_differ

__all__ = ["ProjectSettings", "SlabTypeSettings", "ToleranceSettings"]


AFTER_INJECTION = "after injection"  # the stage from which on mortar holds a slab, unless the project names another


class AllowedJumpSettings(Part):
    """A jump between elements that is meant."""

    quantity: Literal["position", "bearing", "curvature", "level", "gradient", "cant"]
    element: Annotated[int, Field(ge=2)]
    reason: Name


class AlignmentSettings(Part):
    """How the alignment's tables are to be read."""

    start_chainage_m: Finite = 0.0
    pivot: Literal["low_rail", "centre"] = "low_rail"
    plan_held: Literal["centre", "rail"] = "centre"
    cant_base_mm: Annotated[float, Field(ge=500, le=2500)] = 1500.0
    cant_angle: Literal["arcsin", "ratio", "arctan"] = "arcsin"
    gravity_height_m: Annotated[float, Field(ge=0, le=5)] = 1.8
    grid_scale: Annotated[float, Field(ge=0.99, le=1.01)] = 1.0
    allowed_jump: list[AllowedJumpSettings] = Field(default_factory=list)


class LayoutSettings(Part):
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
                raise ValueError(f"{name}_min_mm, {name}_nominal_mm and {name}_max_mm that ascend, "
                                 f"found {low:g}, {nominal:g}, {high:g}")  # fmt: skip
        return self


class BedSettings(Part):
    """What is meant to lie under and between the slabs.

    ``follows_cant`` says whether the bed is built parallel to the design track, or level across with the nominal gap
    under the lower edge of a slab: review, mortar and pictures go by it wherever no bed was surveyed, and bed points
    are compared with it.
    """

    mortar_nominal_mm: Positive = 50.0
    follows_cant: bool = True
    width_m: Positive = 2.8
    anchor_radius_mm: Positive = 200.0
    anchor_height_mm: Positive = 250.0


class SurveySettings(Part):
    """What is assumed of surveyed points where their file does not say it."""

    sigma_plan_mm: Positive
    sigma_level_mm: Positive
    match_radius_m: Annotated[float, Field(gt=0, le=1)] = 0.15
    stages: list[Name] = Field(default_factory=list)


class InstrumentSettings(Part):
    """What a reading is worth, what the air does to it, and how well control points are known."""

    sigma_direction_arcsec: Positive = 1.0
    sigma_zenith_arcsec: Positive = 1.0
    sigma_distance_mm: Positive = 1.0
    ppm: NotNegative = 1.0
    centring_mm: NotNegative = 0.3
    target_height_mm: NotNegative = 0.2
    refraction: Annotated[float, Field(ge=-5, le=5)] = 0.13
    air_correction: bool = True
    wavelength_um: Annotated[float, Field(ge=0.4, le=1.6)] = 0.658
    assumed_temperature_c: Annotated[float, Field(ge=-40, le=60)] = 12.0
    assumed_pressure_hpa: Annotated[float, Field(ge=500, le=1100)] = 1013.25
    assumed_humidity_percent: Annotated[float, Field(ge=0, le=100)] = 60.0
    control_sigma_plan_mm: NotNegative = 0.5
    control_sigma_level_mm: NotNegative = 0.3
    longest_sight_m: Positive = 120.0
    levelling_mm_per_root_km: Positive = 0.3


class InjectionSettings(Part):
    """How far a corner may rise or settle while mortar is injected under the slab, and from which stage on it has."""

    stage: Name = AFTER_INJECTION
    low_mm: Finite
    high_mm: Finite
    source: Name

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.low_mm < self.high_mm:
            raise ValueError(f"low_mm below high_mm, found {self.low_mm:g} and {self.high_mm:g}")
        return self


class DecisionSettings(Part):
    """The decision rule of verdicts."""

    guard_factor: Annotated[float, Field(ge=0, le=10)] = 2.0


class ToleranceSettings(LimitSettings):
    """A tolerance of slabs or joints."""

    quantity: Literal["across", "along", "up", "step_level", "step_line", "gap", "gap_difference"]

    @model_validator(mode="after")
    def _not_around_zero(self) -> Self:
        if self.quantity == "gap" and self.limit_mm is not None:
            raise ValueError("low_mm and high_mm, as a gap is not around zero, found limit_mm")
        return self


class PlaceSettings(Part):
    """A named place on a slab, from the centre of its top face."""

    name: Name
    across_m: Annotated[float, Field(ge=-10, le=10)]
    along_m: Annotated[float, Field(ge=-20, le=20)]
    up_m: Annotated[float, Field(ge=-2, le=2)] = 0.0


class ThreadSettings(Part):
    """Screws or lateral adjusters of a slab type."""

    pitch_mm: Positive
    travel_mm: Positive
    places: Annotated[list[PlaceSettings], Field(min_length=1)]

    @field_validator("places")
    @classmethod
    def _names_differ(cls, places: list[PlaceSettings]) -> list[PlaceSettings]:
        all_differ("names", [place.name for place in places])
        return places


class SlabTypeSettings(Part):
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

    @field_validator("marks")
    @classmethod
    def _corners(cls, marks: list[PlaceSettings]) -> list[PlaceSettings]:
        names = [mark.name for mark in marks]
        all_differ("names of marks", names)
        corners = {"RL": (-1, -1), "RR": (1, -1), "FL": (-1, 1), "FR": (1, 1)}
        if names[:4] != list(corners):
            raise ValueError("RL, RR, FL, FR (rear and front, left and right) as the first four marks, "
                             f"found {', '.join(names[:4])}")  # fmt: skip
        for mark in marks[:4]:
            across, along = corners[mark.name]
            if not (mark.across_m * across > 0 and mark.along_m * along > 0):
                raise ValueError(f"{mark.name} in the corner that its name says, found it {mark.across_m:g} m across "
                                 f"(+ right) and {mark.along_m:g} m along (+ front)")  # fmt: skip
        return marks

    @field_validator("seats_along_m")
    @classmethod
    def _seats(cls, seats: list[float]) -> list[float]:
        all_differ("places of rail seats", seats)
        return seats

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        for place in (*self.marks, *self.screws.places, *self.adjusters.places):
            if abs(place.along_m) > self.length_m / 2 + 0.5 or abs(place.across_m) > self.width_m / 2 + 0.5:
                raise ValueError(f"{place.name} on the slab of {self.length_m:g} x {self.width_m:g} m, found it "
                                 f"{place.along_m:g} m along and {place.across_m:g} m across")  # fmt: skip
        for seat in self.seats_along_m:
            if abs(seat) > self.length_m / 2:
                raise ValueError(f"rail seats on the slab of {self.length_m:g} m, found one {seat:g} m along")
        if self.notch_radius_m >= min(self.width_m / 2, self.length_m / 2):
            raise ValueError(f"notches that leave a slab of {self.length_m:g} x {self.width_m:g} m, "
                             f"found a radius of {self.notch_radius_m:g} m")  # fmt: skip
        return self


class ProjectSettings(Part):
    """A whole project file."""

    name: Name
    description: str = ""
    alignment: AlignmentSettings = AlignmentSettings()
    grid: GridSettings | None = None
    layout: LayoutSettings = LayoutSettings()
    bed: BedSettings = BedSettings()
    survey: SurveySettings
    instrument: InstrumentSettings = InstrumentSettings()
    decision: DecisionSettings = DecisionSettings()
    injection: InjectionSettings | None = None
    mortar: MortarSettings | None = None
    rail: RailSettings = RailSettings()
    fastener: FastenerSettings | None = None
    ready: ReadySettings = ReadySettings()
    report: ReportSettings = ReportSettings()
    plan: PlanSettings = PlanSettings()
    presentation: PresentationSettings = PresentationSettings()
    tolerance: Annotated[list[ToleranceSettings], Field(min_length=1)]
    slab_type: Annotated[list[SlabTypeSettings], Field(min_length=1)]

    @property
    def injection_stage(self) -> str:
        """The stage from which on mortar holds a slab."""
        return self.injection.stage if self.injection else AFTER_INJECTION

    @field_validator("slab_type")
    @classmethod
    def _types(cls, types: list[SlabTypeSettings]) -> list[SlabTypeSettings]:
        all_differ("names of slab types", [t.name for t in types])
        if all(t.special for t in types):
            raise ValueError("at least one slab type that is not special, found none")
        return types

    @field_validator("tolerance")
    @classmethod
    def _tolerances(cls, tolerances: list[ToleranceSettings]) -> list[ToleranceSettings]:
        quantities = [t.quantity for t in tolerances]
        all_differ("quantities of tolerances", quantities)
        lacking = [name for name in ("across", "along", "up") if name not in quantities]
        if lacking:
            raise ValueError(f"tolerances for across, along and up, found none for {' and '.join(lacking)}")
        return tolerances
