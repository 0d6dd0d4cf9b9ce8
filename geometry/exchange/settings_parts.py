"""What the settings of a project file are made of."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

__all__ = ["Finite", "LimitSettings", "Name", "NotNegative", "Part", "Positive", "all_differ"]

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1, max_length=200)]


class Part(BaseModel):
    """A table of the project file: no other keys than those named, no conversions, never changed."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def all_differ(what: str, values: Iterable[object]) -> None:
    """Raise a rule's fault, worded ``what is expected, found what``, naming the values that stand twice."""
    seen: list[object] = []
    twice = [value for value in values if value in seen or seen.append(value)]  # type: ignore[func-returns-value]
    if twice:
        raise ValueError(f"{what} that differ, found {', '.join(f'{value!r} twice' for value in dict.fromkeys(twice))}")


class LimitSettings(Part):
    """A limit with its source: either ``limit_mm`` for plus and minus, or ``low_mm`` and ``high_mm``."""

    source: Name
    limit_mm: Positive | None = None
    low_mm: Finite | None = None
    high_mm: Finite | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        pair = self.low_mm is not None and self.high_mm is not None
        if (self.limit_mm is None) != pair or (self.low_mm is None) != (self.high_mm is None):
            given = [name for name in ("limit_mm", "low_mm", "high_mm") if getattr(self, name) is not None]
            raise ValueError(f"either limit_mm, or low_mm and high_mm, found {' and '.join(given) or 'none of them'}")
        if pair and not self.range_mm[0] < self.range_mm[1]:
            raise ValueError(f"low_mm below high_mm, found {self.low_mm:g} and {self.high_mm:g}")
        return self

    @property
    def range_mm(self) -> tuple[float, float]:
        """Smallest and largest good value, mm."""
        if self.limit_mm is not None:
            return -self.limit_mm, self.limit_mm
        return float(self.low_mm or 0.0), float(self.high_mm or 0.0)
