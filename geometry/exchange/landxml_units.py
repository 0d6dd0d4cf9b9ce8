"""Units and numbers of a LandXML 1.2 file."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from geometry.errors import Faults

from .places import MOST
from .xml_files import Element, element_name, where_is

__all__ = ["LENGTHS", "Reader", "Units", "child", "children", "units_of"]

LENGTHS: Final = {
    "millimeter": 1e-3,
    "centimeter": 1e-2,
    "meter": 1.0,
    "kilometer": 1e3,
    "foot": 0.3048,
    "USSurveyFoot": 1200 / 3937,
    "inch": 0.0254,
    "mile": 1609.344,
}
"""Metre per unit, for the names of the schema."""


def _from_dms(value: float) -> float:
    """Return degrees from the form dd.mmss, in which 12.3015 is 12 degrees 30 minutes 15 seconds."""
    sign, size = math.copysign(1.0, value), abs(value)
    degrees = math.floor(size + 1e-12)
    minutes = math.floor((size - degrees) * 100 + 1e-9)
    seconds = ((size - degrees) * 100 - minutes) * 100
    return sign * (degrees + minutes / 60 + seconds / 3600)


_ANGLES: Final[dict[str, Callable[[float], float]]] = {
    "radians": lambda a: a,
    "grads": lambda a: a * math.pi / 200,
    "decimal degrees": math.radians,
    "decimal dd.mm.ss": lambda a: math.radians(_from_dms(a)),
}


@dataclass(frozen=True)
class Units:
    """Units of a file.

    Attributes
    ----------
    length : float
        Metre per unit of length.
    cant : float
        Metre per unit of cant: millimetres in metric files, inches in imperial ones.
    direction : callable
        Turns a direction into rad.
    name : str
        Name of the unit of length.
    """

    length: float
    cant: float
    direction: Callable[[float], float]
    name: str


def children(parent: Element, *names: str) -> list[Element]:
    """Return the child elements of some names, in order, whatever their namespace."""
    return [e for e in parent if isinstance(e.tag, str) and element_name(e) in names]


def child(parent: Element, name: str) -> Element | None:
    """Return the first child element of a name."""
    return next(iter(children(parent, name)), None)


def units_of(root: Element, file: str, faults: Faults) -> Units | None:
    """Return the units that a file names; None with the reason in `faults`."""
    table = child(root, "Units")
    system = None if table is None else next(iter(children(table, "Metric", "Imperial")), None)
    if system is None:
        faults.error(f"{file}: Units", "Metric or Imperial units", "none", "a file without units can mean anything")
        return None
    unit = system.get("linearUnit", "")
    direction = system.get("directionUnit") or system.get("angularUnit") or "radians"
    if unit not in LENGTHS:
        faults.error(where_is(file, system), f"a linearUnit, one of {', '.join(LENGTHS)}", repr(unit))
    if direction not in _ANGLES:
        faults.error(where_is(file, system), f"a directionUnit, one of {', '.join(_ANGLES)}", repr(direction))
    if unit not in LENGTHS or direction not in _ANGLES:
        return None
    metric = element_name(system) == "Metric"
    return Units(LENGTHS[unit], 1e-3 if metric else 0.0254, _ANGLES[direction], unit)


@dataclass(frozen=True)
class Reader:
    """Numbers of a file, with faults where they stand."""

    file: str
    units: Units
    faults: Faults

    def where(self, element: Element, attribute: str = "") -> str:
        """Return the place of an element or of its attribute."""
        return where_is(self.file, element) + (f": {attribute}" if attribute else "")

    def number(self, element: Element, attribute: str, *, needed: bool = True, infinite: bool = False) -> float:
        """Return an attribute as a number; nan where it is missing or none. A radius may be ``infinite``, ``INF``."""
        text = element.get(attribute)
        if text is None:
            if needed:
                self.faults.error(self.where(element, attribute), "a number", "nothing")
            return math.nan
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not (abs(value) <= MOST or (infinite and not math.isnan(value))):
            hint = "decimal comma?" if "," in text else ""
            self.faults.error(self.where(element, attribute), "a number", repr(text[:60]), hint)
            return math.nan
        return value

    def length(self, element: Element, attribute: str, *, needed: bool = True, infinite: bool = False) -> float:
        """Return an attribute as a length, m."""
        return self.number(element, attribute, needed=needed, infinite=infinite) * self.units.length

    def numbers(self, element: Element, least: int, what: str) -> list[float]:
        """Return the numbers of an element's text; nan, as many as needed, where there are too few or none."""
        text = element.text or ""
        try:
            values = [float(part) for part in text.split()]
        except ValueError:
            values = []
        if len(values) < least or not all(abs(v) <= MOST for v in values):
            hint = "decimal comma?" if "," in text else ""
            found = repr(" ".join(text.split())[:60]) if text.strip() else "nothing"
            self.faults.error(self.where(element), what, found, hint)
            return [math.nan] * least
        return values

    def point(self, parent: Element, name: str, *, needed: bool = True) -> tuple[float, float]:
        """Return easting and northing, m, of a child element that holds "northing easting"; nan if missing."""
        found = child(parent, name)
        if found is None:
            if needed:
                self.faults.error(self.where(parent), f"a {name} point", "none")
            return math.nan, math.nan
        north, east = self.numbers(found, 2, "a point, northing and easting")[:2]
        return east * self.units.length, north * self.units.length
