"""What a project file says of the rail that the slabs will carry."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from geometry.placement.rail.chords import Chord
from geometry.placement.rail.forecast import RailLimit, RailRules

from .settings_parts import LimitSettings, NotNegative, Part, Positive, all_differ

__all__ = ["RailLimitSettings", "RailSettings"]


class RailLimitSettings(LimitSettings):
    """A limit of the rail.

    ``level`` and ``line`` hold for each rail: with ``rear_m`` and ``front_m`` as offset from that chord, with
    ``apart_m`` as the difference of two offsets from one chord, with ``band`` as what is left in that range of
    wavelengths, with none of them as deviation from the design. ``gauge`` and ``cant`` are deviations from the
    design, ``twist`` is the change of cant over ``base_m`` less that of the design.
    """

    quantity: Literal["level", "line", "gauge", "cant", "twist"]
    rear_m: Annotated[float, Field(gt=0, le=500)] | None = None
    front_m: Annotated[float, Field(gt=0, le=500)] | None = None
    apart_m: Annotated[float, Field(gt=0, le=500)] | None = None
    band: Literal["D1", "D2", "D3"] | None = None
    base_m: Annotated[float, Field(gt=0, le=50)] | None = None

    @model_validator(mode="after")
    def _fits_quantity(self) -> Self:
        chord = [name for name in ("rear_m", "front_m", "apart_m") if getattr(self, name) is not None]
        given = [*chord, *(name for name in ("band", "base_m") if getattr(self, name) is not None)]
        if self.quantity == "twist":
            if given != ["base_m"]:
                raise ValueError(f"base_m and nothing else for twist, found {' and '.join(given) or 'none'}")
        elif self.quantity in ("gauge", "cant"):
            if given:
                raise ValueError(f"neither chord, band nor base for {self.quantity}, found {' and '.join(given)}")
        elif self.base_m is not None or (chord and self.band):
            raise ValueError(f"a chord or a band for {self.quantity}, found {' and '.join(given)}")
        if chord and (self.rear_m is None or self.front_m is None):
            raise ValueError(f"rear_m and front_m of the chord, found only {' and '.join(chord)}")
        if self.rear_m and self.front_m and (self.apart_m or 0.0) >= self.front_m:
            raise ValueError(f"apart_m below front_m, found {self.apart_m:g} and {self.front_m:g}")
        return self

    @property
    def chord(self) -> Chord | None:
        """The chord that the limit is for; None if it is for none."""
        if self.rear_m is None or self.front_m is None:
            return None
        return Chord(self.rear_m, self.front_m, self.apart_m or 0.0)

    @property
    def rail_limit(self) -> RailLimit:
        """The limit in metres."""
        low, high = self.range_mm
        return RailLimit(self.quantity, low / 1e3, high / 1e3, self.source, self.chord, self.band, self.base_m)

    @property
    def words(self) -> str:
        """What the limit is for."""
        return self.rail_limit.words


class RailSettings(Part):
    """The rail on its seats, and the limits it has to keep.

    ``seat_sigma_mm`` is the standard uncertainty of the factory's measurement of a seat where its file gives none,
    ``unmeasured_seat_sigma_mm`` how far seats scatter on their slabs, as a standard deviation, where nobody measured
    them.
    """

    gauge_mm: Positive = 1435.0
    seat_sigma_mm: Positive = 0.05
    unmeasured_seat_sigma_mm: NotNegative = 0.2
    limit: list[RailLimitSettings] = Field(default_factory=list)

    @field_validator("limit")
    @classmethod
    def _limits_differ(cls, limits: list[RailLimitSettings]) -> list[RailLimitSettings]:
        all_differ("rail limits", [one.words for one in limits])
        return limits

    def rules(self, guard: float) -> RailRules:
        """Return how the rail is judged, with this guard factor."""
        return RailRules(tuple(one.rail_limit for one in self.limit), guard, self.unmeasured_seat_sigma_mm / 1e3)
