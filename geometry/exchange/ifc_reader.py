"""One alignment of an IFC file while it is read: units, frame, and faults where they stand."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from geometry.errors import Faults

from .ifc_files import Frame, entity
from .places import MOST

__all__ = ["Reader", "nested"]


def nested(thing: Any) -> list[Any]:
    """Return what is nested in an entity, in order."""
    return [part for relation in thing.IsNestedBy or () for part in relation.RelatedObjects]


@dataclass(frozen=True)
class Reader:
    """What reading an alignment needs.

    Attributes
    ----------
    file : str
    faults : Faults
    unit, angle : float
        Metre per unit of length, rad per unit of angle.
    frame : Frame
    notes : list of str
    """

    file: str
    faults: Faults
    unit: float
    angle: float
    frame: Frame
    notes: list[str]

    def where(self, thing: Any) -> str:
        """Return file and entity in words."""
        name = getattr(thing, "Name", None)
        return f"{self.file}: {entity(thing)}{f' {name!r}' if name else ''}"

    def segments(self, layout: Any, kind: str) -> list[tuple[Any, Any]]:
        """Return segments with their parameters; one without is a fault."""
        result = []
        for segment in nested(layout):
            if not segment.is_a("IfcAlignmentSegment"):
                continue
            parameters = segment.DesignParameters
            if parameters is None or not parameters.is_a(kind):
                found = "nothing" if parameters is None else parameters.is_a()
                self.faults.error(self.where(segment), f"{kind} as its parameters", found)
                continue
            result.append((segment, parameters))
        if not result:
            self.faults.error(self.where(layout), "segments", "none")
        return result

    def numbers(self, segment: Any, parameters: Any, *names: str) -> list[float]:
        """Return attributes as numbers; nan, with a fault, where one is missing."""
        values = []
        for name in names:
            value = getattr(parameters, name)
            number = math.nan if value is None else float(value)
            if not abs(number) <= MOST:
                self.faults.error(f"{self.where(segment)}: {name}", "a number", "nothing" if value is None else value)
                number = math.nan
            values.append(number)
        return values
