"""The header of a table: which column stands where, and which name may be meant by another."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from geometry.errors import Faults
from geometry.exchange.cells import Column, near, unit_of

__all__ = ["SEPARATORS", "match_header"]

SEPARATORS = {";": "semicolons", "\t": "tabs", "|": "vertical bars"}
"""What may stand between cells instead of commas, and its name."""


def match_header(
    path: Path, line: int, header: list[str], columns: Sequence[Column], faults: Faults
) -> dict[Column, int] | None:
    """Return where each known column stands, or None if the header is of no use.

    Reports columns that lack, stand twice or are unknown, with the name that may be meant.
    """
    where = f"{path.name}:{line}"
    names = [column.name for column in columns]
    if not set(header) & set(names):
        for separator, word in SEPARATORS.items():
            if {cell.strip().strip('"') for cell in ",".join(header).split(separator)} & set(names):
                hint = "save it as comma separated, numbers with a decimal point"
                faults.error(where, "commas between cells", word, hint)
                return None
    found = {name: header.index(name) for name in names if name in header}
    for name in dict.fromkeys(cell for cell in header if cell and header.count(cell) > 1):
        at = " and ".join(str(place + 1) for place, cell in enumerate(header) if cell == name)
        faults.error(where, f"one column {name}", f"{header.count(name)} of that name: columns {at}")
    unknown = [cell for cell in dict.fromkeys(header) if cell not in names]
    lacking = [column for column in columns if column.name not in found]
    used = set()
    for column in lacking:
        like = _like(column.name, unknown)
        if column.required:
            used.add(like)
            hint = "; ".join(part for part in (_rename_hint(column, like), column.hint) if part)
            faults.error(where, f"a column {column.name}", "none", hint)
    optional = [column.name for column in lacking if not column.required]
    for name in unknown:
        if name not in used:
            at = f"{where}: {name or f'column {header.index(name) + 1}'}"
            faults.warn(
                at,
                "a column that is used",
                "one that is left out",
                near(name, optional) if name else "no name",
            )
    return {column: found[column.name] for column in columns if column.name in found}


def _like(name: str, unknown: Sequence[str]) -> str:
    """Return the unknown column that is most likely meant by a name, or ""."""
    stem = name.rpartition("_")[0] if unit_of(name) else name
    for other in unknown:
        other_stem = other.rpartition("_")[0] if unit_of(other) else other
        if other_stem.casefold() == stem.casefold():
            return other
    hint = near(name, unknown)
    return hint.removeprefix("did you mean ").removesuffix("?")


def _rename_hint(column: Column, like: str) -> str:
    unit, other = unit_of(column.name), unit_of(like)
    if not like:
        return ""
    if unit and other and unit != other:
        return f"there is {like}: change its numbers from {other} to {unit}"
    if unit and not other:
        return f"rename {like} if it is in {unit}"
    return f"rename {like}?"
