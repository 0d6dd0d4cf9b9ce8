"""What a project file says of readiness for injection."""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from geometry.placement.readiness import ReadyRules
from geometry.placement.ready_reasons import NOTHING, Reason

from .settings_parts import Finite, Name, NotNegative, Part, Positive, all_differ

__all__ = ["ReadySettings", "WaivedSettings"]

How = Literal["reason", "warning"]
_RAIL: Final = Reason.RAIL_OUT | Reason.RAIL_UNDECIDED
_WAIVABLE: Final = {
    "mortar gap": Reason.GAP_UNKNOWN,
    "anchor": Reason.ANCHOR_UNKNOWN,
    "age": Reason.AGE_UNKNOWN | Reason.OLD,
}


class WaivedSettings(Part):
    """Something that is not looked at here because the project sees to it in another way.

    It waives that a thing is not known (mortar gap, anchor) or old (age), never that it is known to be wrong.
    """

    what: Literal["mortar gap", "anchor", "age"]
    because: Name


class ReadySettings(Part):
    """What holds a slab up before injection, and what is only told.

    ``temperature_difference_k`` is that of the top face less that of the underside.
    """

    oldest_hours: Positive = 24.0
    rail: How = "warning"
    bowing: How = "warning"
    heat: How = "warning"
    bed: How = "warning"
    temperature_difference_k: Annotated[Finite, Field(ge=-60, le=60)] | None = None
    expansion_per_k: Annotated[NotNegative, Field(le=1e-4)] = 1e-5
    waived: list[WaivedSettings] = Field(default_factory=list)

    @model_validator(mode="after")
    def _once(self) -> Self:
        all_differ("things that are waived", [w.what for w in self.waived])
        return self

    @property
    def rules(self) -> ReadyRules:
        """The rules as values."""
        told = NOTHING
        for how, reasons in (
            (self.rail, _RAIL), (self.bowing, Reason.BOWED), (self.heat, Reason.HEAT), (self.bed, Reason.BED_OUT),
        ):  # fmt: skip
            told |= reasons if how == "warning" else NOTHING
        waived = NOTHING
        for entry in self.waived:
            waived |= _WAIVABLE[entry.what]
        return ReadyRules(self.oldest_hours, told, waived)
