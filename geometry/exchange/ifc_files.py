"""Opening IFC files: the optional library, schemas, units, placements."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from geometry.alignment.laws import Floats
from geometry.errors import Faults, SlabposeError

from .ifc_broken import tell_parsed

__all__ = ["LARGEST_IFC", "Frame", "entity", "frame_of", "library", "new_id", "open_ifc", "units_of"]

LARGEST_IFC = 1_000_000_000  # bytes
SCHEMA: Final = "IFC4X3_ADD2"
# the same entities for alignments under the names that candidates and corrections of the schema had
_SAME_SCHEMA: Final = re.compile(rb"(FILE_SCHEMA\s*\(\s*\(\s*')(IFC4X3[A-Z0-9_]*)('\s*\)\s*\))", re.IGNORECASE)


def library() -> Any:
    """Return the library for IFC.

    Raises
    ------
    SlabposeError
        If it is not installed.
    """
    try:
        import ifcopenshell
    except ImportError as missing:
        raise SlabposeError("IFC needs a library more: pip install 'slabpose[ifc]'") from missing
    return ifcopenshell


def new_id() -> str:
    """Return a new globally unique identifier, as the schema writes it."""
    identifier: str = library().guid.new()
    return identifier


def entity(thing: Any) -> str:
    """Return an entity in words: ``#12 IfcAlignmentSegment``."""
    return f"#{thing.id()} {thing.is_a()}"


def open_ifc(path: Path, faults: Faults) -> Any:
    """Return an opened file, or None with the reason in `faults`."""
    ifcopenshell = library()
    content = _content(path, faults)
    schema = None if content is None else _schema(content, path.name, faults)
    if content is None or schema is None:
        return None
    since = len(faults.errors)
    try:
        with _quiet(ifcopenshell):
            ifcopenshell.get_log()  # of files before this one
            if schema == SCHEMA:
                model = ifcopenshell.open(str(path))
            else:
                content = _SAME_SCHEMA.sub(rb"\g<1>" + SCHEMA.encode() + rb"\g<3>", content, count=1)
                model = ifcopenshell.file.from_string(content.decode("utf-8", "replace"))
    except Exception as fault:
        tell_parsed(ifcopenshell.get_log(), content, path.name, faults, stops=True)
        if len(faults.errors) == since:
            found = " ".join(str(fault).split())[:200] or "a broken one"
            faults.error(path.name, "an IFC file that can be read", found)
        return None
    tell_parsed(ifcopenshell.get_log(), content, path.name, faults)
    return model if len(faults.errors) == since else None


def _content(path: Path, faults: Faults) -> bytes | None:
    if path.is_dir() or not path.exists():
        faults.error(str(path), "a file", "a folder" if path.is_dir() else "nothing of that name")
        return None
    size = path.stat().st_size
    if size > LARGEST_IFC:
        faults.error(path.name, f"a file of at most {LARGEST_IFC / 1e6:.0f} MB", f"{size / 1e6:.0f} MB",
                     "export the alignment without the buildings")  # fmt: skip
        return None
    try:
        return path.read_bytes()
    except OSError as fault:
        faults.error(str(path), "a file that can be read", (fault.strerror or str(fault)).lower())
        return None


def _schema(content: bytes, file: str, faults: Faults) -> str | None:
    """Return the schema that a file names, if it has alignments."""
    found = _SAME_SCHEMA.search(content[:20_000])
    if not content.lstrip()[:20].startswith(b"ISO-10303-21"):
        faults.error(file, "an IFC file in STEP form, which starts with ISO-10303-21",
                     repr(content[:20].decode("latin-1")))  # fmt: skip
    elif b"END-ISO-10303-21" not in content[-2000:]:
        faults.error(file, "END-ISO-10303-21 at the end", "none", "cut off while it was written?")
    elif not found:
        named = re.search(rb"FILE_SCHEMA\s*\(\s*\(\s*'([^']*)'", content[:20_000])
        faults.error(file, "a schema of the family IFC4X3, which has alignments",
                     named[1].decode("latin-1") if named else "none")  # fmt: skip
    else:
        return found[2].decode().upper()
    return None


@contextmanager
def _quiet(ifcopenshell: Any) -> Iterator[None]:
    """Keep the library's remarks off standard output."""
    with suppress(AttributeError):
        ifcopenshell.ifcopenshell_wrapper.turn_off_detailed_logging()
    yield


def units_of(model: Any, file: str, faults: Faults) -> tuple[float, float]:
    """Return metre per unit of length and rad per unit of angle; nan with the reason in `faults`."""
    from ifcopenshell.util.unit import calculate_unit_scale

    contexts = [project.UnitsInContext for project in model.by_type("IfcProject")[:1]]
    units = [unit for context in contexts if context is not None for unit in context.Units]
    scales = []
    for kind, words in (("LENGTHUNIT", "one unit of length"), ("PLANEANGLEUNIT", "one unit of angle")):
        named = sum(getattr(unit, "UnitType", "") == kind for unit in units)
        if named != 1:
            faults.error(f"{file}: IfcUnitAssignment", words, named or "none",
                         "without units a file can mean anything")  # fmt: skip
            scales.append(math.nan)
            continue
        try:
            scale = float(calculate_unit_scale(model, kind))
        except Exception:
            scale = math.nan
        if not scale > 0:
            faults.error(f"{file}: IfcUnitAssignment", words, "none that can be read")
            scale = math.nan
        scales.append(scale)
    return scales[0], scales[1]


@dataclass(frozen=True)
class Frame:
    """How coordinates of an alignment come into the grid.

    Attributes
    ----------
    origin : ndarray, shape (3,)
        Easting, northing, level of the alignment's origin, m.
    turn : float
        Turn of its x axis from east, counter-clockwise, rad.
    scale : float
        Grid length over length in the file, in plan.
    """

    origin: Floats
    turn: float
    scale: float

    def grid(self, x: float, y: float) -> tuple[float, float]:
        """Return easting and northing of a point of the alignment, m."""
        cosine, sine = math.cos(self.turn), math.sin(self.turn)
        east = self.origin[0] + self.scale * (cosine * x - sine * y)
        north = self.origin[1] + self.scale * (sine * x + cosine * y)
        return float(east), float(north)


def frame_of(model: Any, alignment: Any, length: float, file: str, faults: Faults, notes: list[str]) -> Frame:
    """Return the frame of an alignment: its placements, one upon another, and the map conversion."""
    matrix = _placement(alignment, file, faults)
    if not np.allclose(matrix[2, :3], (0, 0, 1), rtol=0, atol=1e-9):
        faults.error(f"{file}: {entity(alignment)}", "an upright z axis", "a tilted placement",
                     "heights would not be levels")  # fmt: skip
    origin, turn, scale = matrix[:3, 3] * length, math.atan2(matrix[1, 0], matrix[0, 0]), 1.0
    if np.abs(matrix - np.eye(4)).max() > 1e-12:
        notes.append(f"the alignment is placed at {origin[0]:.4f}, {origin[1]:.4f}, {origin[2]:.4f} m, "
                     f"turned by {math.degrees(turn):.6f} deg")  # fmt: skip
    maps = model.by_type("IfcMapConversion")
    if maps:
        return _on_map(maps[0], origin, turn, length, notes)
    return Frame(origin, turn, scale)


def _placement(alignment: Any, file: str, faults: Faults) -> Floats:
    """Return where an alignment is placed, one placement upon another, shape (4, 4)."""
    from ifcopenshell.util.placement import get_axis2placement

    matrix, seen, place = np.eye(4), set[int](), alignment.ObjectPlacement
    while place is not None:
        if not place.is_a("IfcLocalPlacement") or place.id() in seen:
            found = "a placement within itself" if place.id() in seen else place.is_a()
            faults.error(f"{file}: {entity(alignment)}", "IfcLocalPlacement as its placement", found)
            return np.eye(4)
        seen.add(place.id())
        matrix = np.asarray(get_axis2placement(place.RelativePlacement), dtype=np.float64) @ matrix
        place = place.PlacementRelTo
    return matrix


def _on_map(conversion: Any, origin: Floats, turn: float, length: float, notes: list[str]) -> Frame:
    unit = getattr(conversion.TargetCRS, "MapUnit", None)
    from ifcopenshell.util.unit import get_prefix_multiplier

    metre = length if unit is None else 1.0
    if unit is not None and unit.is_a("IfcSIUnit"):
        metre = float(get_prefix_multiplier(unit.Prefix))  # type: ignore[no-untyped-call]
    elif unit is not None and unit.is_a("IfcConversionBasedUnit"):
        metre = float(unit.ConversionFactor.ValueComponent.wrappedValue)
    # the factor of the schema goes from numbers to numbers, with both units in it
    factor = 1.0 if conversion.Scale is None else float(conversion.Scale) * metre / length
    x, y = conversion.XAxisAbscissa, conversion.XAxisOrdinate
    rotation = math.atan2(y, x) if x is not None and y is not None else 0.0
    cosine, sine = math.cos(rotation), math.sin(rotation)
    east = conversion.Eastings * metre + factor * (cosine * origin[0] - sine * origin[1])
    north = conversion.Northings * metre + factor * (sine * origin[0] + cosine * origin[1])
    level = conversion.OrthogonalHeight * metre + origin[2]
    name = getattr(conversion.TargetCRS, "Name", None) or "a map grid"
    notes.append(f"coordinates are those of {name}" + (f", grid scale {factor:.8f}" if abs(factor - 1) > 1e-12 else ""))
    return Frame(np.array([east, north, level]), turn + rotation, factor)
