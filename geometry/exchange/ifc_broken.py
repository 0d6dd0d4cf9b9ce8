"""What is broken in an IFC file: what the library found while it parsed it, and entities that do not keep the schema.

The library goes on after most faults. An attribute that it cannot read is left out, and then every later one of that
entity stands one place too early: a decimal comma would make a radius out of a bearing. So what it found is told.
"""

from __future__ import annotations

import re
from typing import Any, Final

from geometry.errors import Faults

from .cells import show
from .file_report import MOST_LIKE_EACH_OTHER

__all__ = ["tell_invalid", "tell_parsed"]

_FOUND: Final = re.compile(r"\[(?:error|warning)\](?: \[\w+\])? \[[^\]]*\] (.*)")
_NUMBER: Final = re.compile(r"(?:by |for )?instance (?:with name )?#(\d+)")
_OFFSET: Final = re.compile(r" at offset (\d+)")
_STEP: Final = "entities as ISO 10303-21 and the schema have them"
_LONGEST, _MOST_LOOKED_AT = 160, 200
# an alignment is read from these; whatever is wrong with others, such as those of buildings, changes nothing
_OF_ALIGNMENTS: Final = re.compile(
    r"IFC(ALIGNMENT|AXIS2PLACEMENT|\w*LOCALPLACEMENT|LINEARPLACEMENT|CARTESIANPOINT|DIRECTION|VECTOR|\w*CURVE|POLYLINE"
    r"|CLOTHOID|LINE$|CIRCLE$|\w*SPIRAL|REFERENT|RELNESTS|RELAGGREGATES|MAPCONVERSION|UNITASSIGNMENT|SIUNIT"
    r"|CONVERSIONBASEDUNIT|MEASUREWITHUNIT|PSET_STATIONING)",
    re.IGNORECASE,
)


def tell_parsed(log: str, content: bytes, file: str, faults: Faults, *, stops: bool = False) -> None:
    """Tell what the library found while it parsed a file, with line and entity.

    Parameters
    ----------
    log : str
        Of the library.
    content : bytes
        Of the file.
    file : str
        For messages.
    faults : Faults
        Takes what is wrong with entities of which alignments are made; of others it takes a warning.
    stops : bool
        The file could not be read to its end: then all is an error.
    """
    wrong: list[tuple[str, str]] = []
    beside: list[tuple[str, str]] = []
    texts = _FOUND.findall(log)
    for text in texts[:_MOST_LOOKED_AT]:
        offset, number = _OFFSET.search(text), _NUMBER.search(text)
        at = int(offset[1]) if offset else -1
        named = int(number[1]) if number else _entity_at(content, at)
        kind = _kind_of(content, named)
        line = ":" + str(content.count(b"\n", 0, at) + 1) if at >= 0 else ""
        where = f"{file}{line}" + (f": #{named} {kind}".rstrip() if named else "")
        found = _OFFSET.sub("", text)[:_LONGEST]
        (wrong if stops or not named or _OF_ALIGNMENTS.match(kind) else beside).append((where, found))
    for where, found in wrong[:MOST_LIKE_EACH_OTHER]:
        faults.error(where, _STEP, found, _hint(found))
    rest = max(len(texts) - _MOST_LOOKED_AT, 0)
    if len(wrong) > MOST_LIKE_EACH_OTHER:
        faults.error(file, _STEP, f"{len(wrong) - MOST_LIKE_EACH_OTHER + rest} more like these")
    if beside:
        many = len(beside) - 1 + rest
        more = f", and {many} more like it" if many else ""
        faults.warn(beside[0][0], _STEP, f"{beside[0][1]}{more}", "no part of an alignment")


def _hint(found: str) -> str:
    """Return what may be behind too many or too few attributes."""
    return "decimal comma?" if re.match(r"Expected \d+ attribute values", found) else ""


def _entity_at(content: bytes, offset: int) -> int:
    """Return the number of the entity that an offset lies in, 0 for none."""
    if offset < 0:
        return 0
    start = content.rfind(b"\n#", 0, offset + 1)
    found = re.match(rb"\s*#(\d+)", content[start : start + 40]) if start >= 0 else None
    return int(found[1]) if found else 0


def _kind_of(content: bytes, number: int) -> str:
    """Return the class of an entity, "" if it is not found at the start of a line."""
    start = content.find(b"\n#%d=" % number) if number else -1
    found = re.match(rb"\s*#\d+=\s*(\w+)", content[start : start + 100]) if start >= 0 else None
    return found[1].decode("latin-1") if found else ""


def tell_invalid(model: Any, file: str, faults: Faults) -> bool:
    """Tell entities that do not keep the schema, at most as many as anyone reads; return whether there are any."""
    from ifcopenshell.validate import json_logger, validate

    log = json_logger()  # type: ignore[no-untyped-call]
    validate(model, log)
    told: list[tuple[Any, Any, str]] = [
        (entry.get("instance"), entry.get("attribute"), entry["message"]) for entry in log.statements
    ]
    for instance, attribute, message in told[:MOST_LIKE_EACH_OTHER]:
        where = f"{file}: #{instance.id()} {instance.is_a()}" if hasattr(instance, "is_a") else file
        value = re.search(r"Value:\s*(.*)", message)
        found = show(value[1].strip()) if value else " ".join(message.split())[:_LONGEST]
        faults.error(where, f"{(attribute or '').rpartition('.')[2] or 'attributes'} as the schema has it", found)
    if len(told) > MOST_LIKE_EACH_OTHER:
        faults.error(file, "entities as the schema has them", f"{len(told) - MOST_LIKE_EACH_OTHER} more that are not")
    # by a rule of the schema, which the validation leaves out
    short = [point for point in model.by_type("IfcCartesianPoint") if not told and len(point.Coordinates or ()) < 2]
    for point in short[:MOST_LIKE_EACH_OTHER]:
        faults.error(f"{file}: #{point.id()} IfcCartesianPoint", "two or three coordinates", len(point.Coordinates))
    return bool(told or short)
