"""A TOML file with the line of everything in it, so that a fault can name its place."""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from geometry.errors import Faults
from geometry.exchange.cells import either, near, show, unit_of
from geometry.exchange.model_keys import description_at, keys_of, models_at
from geometry.exchange.text_file import read_text
from geometry.exchange.toml_places import locate

__all__ = ["TomlFile", "TomlPath", "read_toml", "validate"]

TomlPath = Sequence[str | int]
"""Keys and, for arrays, places counted from 0: ``("slab_type", 1, "length_m")``."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
Model = TypeVar("Model", bound=BaseModel)

_LIMITS = {
    "greater_than": ("more than", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("less than", "lt"),
    "less_than_equal": ("at most", "le"),
    "multiple_of": ("a multiple of", "multiple_of"),
}
_TYPES = {
    "float": "a number",
    "int": "a whole number",
    "string": "a text in quotes",
    "bool": "true or false",
    "list": "an array [...]",
    "tuple": "an array [...]",
    "dict": "a table",
    "model": "a table",
    "date": "a date like 2025-04-30",
    "datetime": "a time like 2025-04-30T14:05:00Z",
}


@dataclass(frozen=True)
class TomlFile:
    """What a TOML file says, and where.

    Parameters
    ----------
    path : Path
        The file.
    data : dict
        Its content.
    lines : mapping of tuple to int
        The 1-based line of each key, table and array entry.
    """

    path: Path
    data: dict[str, Any]
    lines: Mapping[tuple[str | int, ...], int]

    def line(self, place: TomlPath) -> int:
        """Return the line of a place, or of the nearest table around it; 1 for the file itself."""
        place = tuple(place)
        while place and place not in self.lines:
            place = place[:-1]
        return self.lines.get(place, 1)

    def where(self, place: TomlPath) -> str:
        """Return a place for a message: ``project.toml:34: slab_type[2].length_m``.

        Entries of arrays are counted from 1 there.
        """
        name = ""
        for part in place:
            if isinstance(part, int):
                name += f"[{part + 1}]"
            else:
                name += ("." if name else "") + (part if _BARE_KEY.fullmatch(part) else repr(part))
        return f"{self.path.name}:{self.line(place)}" + (f": {name}" if name else "")


def read_toml(path: Path | str, faults: Faults) -> TomlFile:
    """Read a TOML file.

    Parameters
    ----------
    path : Path or str
        The file.
    faults : Faults
        Takes what is wrong with it.

    Returns
    -------
    TomlFile
        Its content; empty if it cannot be read.
    """
    path = Path(path)
    nothing = TomlFile(path, {}, MappingProxyType({}))
    data = read_text(path, faults)
    if data is None:
        return nothing
    text = data.decode().replace("\r\n", "\n")
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        message, line, column = _place_of(str(fault), text)
        row = text.split("\n")[line - 1].strip()
        found = show(row) if row else "nothing"
        faults.error(f"{path.name}:{line}:{column}", "a line of TOML", found, _syntax_hint(row) or message)
        return nothing
    return TomlFile(path, content, MappingProxyType(locate(text)))


def _place_of(message: str, text: str) -> tuple[str, int, int]:
    """Return a syntax error's message in lower case, its line and its column."""
    told = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", message, re.DOTALL)
    if told is None:
        return message, 1, 1
    reason = told[1][:1].lower() + told[1][1:]
    if told[2] is None:
        lines = text.split("\n")
        return f"{reason} at the end of the file", len(lines), len(lines[-1]) + 1
    return reason, int(told[2]), int(told[3])


def _syntax_hint(row: str) -> str:
    if re.search(r"=\s*[+-]?\d+,\d", row):
        return "a decimal comma? write 12.5"
    if re.match(r"\s*[\w.-]+\s*=\s*[^\s\"'\[{\d+.-]", row):
        return "a text needs quotes"
    if re.match(r"\s*[\w.-]+\s*:", row):
        return "write = between a key and its value"
    return ""


def validate(toml: TomlFile, model: type[Model], faults: Faults) -> Model | None:
    """Return a file's content as a model, or None after telling everything that is wrong.

    nan and inf are never accepted as numbers, whatever the model says.
    """
    told = Faults()
    endless = [place for place, value in _walk(toml.data, ()) if isinstance(value, float) and not math.isfinite(value)]
    for place in endless:
        told.error(toml.where(place), "a number", "nan or inf")
    places = list(endless)
    found = None
    try:
        # By way of JSON a strict model takes an array for a tuple and a text for a path, and
        # still no text for a number.
        found = model.model_validate_json(json.dumps(toml.data, default=_time_text))
    except ValidationError as failure:
        for error in failure.errors(include_url=False):
            place = _place(toml.data, error["loc"])
            if place not in endless:
                places.append(place)
                _tell(toml, place, error, model, told)
    order = sorted(range(len(places)), key=lambda index: toml.line(places[index]))
    faults.errors.extend(told.errors[index] for index in order)
    return None if told.errors else found


def _time_text(value: Any) -> str:
    if isinstance(value, (date, time)):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} has no form in JSON")


def _walk(value: Any, place: tuple[str | int, ...]) -> Iterator[tuple[tuple[str | int, ...], Any]]:
    yield place, value
    if isinstance(value, dict):
        for key, part in value.items():
            yield from _walk(part, (*place, key))
    elif isinstance(value, list):
        for index, part in enumerate(value):
            yield from _walk(part, (*place, index))


def _place(data: Any, location: Sequence[str | int]) -> tuple[str | int, ...]:
    """Return where an error stands in the file: its location without the names of alternatives."""
    place: list[str | int] = []
    for depth, part in enumerate(location):
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            if depth < len(location) - 1:
                continue
        place.append(part)
    return tuple(place)


def _tell(
    toml: TomlFile, place: tuple[str | int, ...], error: ErrorDetails, model: type[BaseModel], faults: Faults
) -> None:
    kind, value, details = error["type"], error["input"], error.get("ctx", {})
    where = toml.where(place)
    key = next((part for part in reversed(place) if isinstance(part, str)), "")
    if kind == "missing":
        faults.error(where, "a value", "none", description_at(model, error["loc"]))
    elif kind == "extra_forbidden":
        keys = [name for known in models_at(model, error["loc"][:-1]) for name in keys_of(known)]
        faults.error(where, "one of the keys " + ", ".join(keys), f"the unknown key {key}", near(key, keys))
    elif kind in _LIMITS:
        word, name = _LIMITS[kind]
        unit = f" {unit_of(key)}" if unit_of(key) else ""
        faults.error(where, f"{word} {details[name]:.12g}{unit}", f"{value:.12g}", description_at(model, error["loc"]))
    elif kind in {"union_tag_invalid", "union_tag_not_found"}:
        tag = details["discriminator"].strip("'")
        choices = re.findall(r"'([^']*)'", str(details.get("expected_tags", "")))
        given = value.get(tag) if isinstance(value, dict) else None
        expected = either([f"'{choice}'" for choice in choices]) or "a value"
        hint = near(given, choices) if isinstance(given, str) else ""
        faults.error(toml.where((*place, tag)), expected, _words(given), hint)
    elif kind in {"literal_error", "enum"}:
        choices = re.findall(r"'([^']*)'", str(details["expected"]))
        hint = near(value, choices) if isinstance(value, str) else ""
        faults.error(where, str(details["expected"]), _words(value), hint)
    elif kind == "value_error":
        # a rule of the model's own may say in its words what it found
        expected, _, found = str(details["error"]).partition(", found ")
        faults.error(where, expected, found or _words(value), description_at(model, error["loc"]))
    else:
        named = _TYPES.get(kind.removesuffix("_type").removesuffix("_from_float").removesuffix("_parsing"))
        message = error["msg"].removeprefix("Input should be ").removeprefix("Input should ")
        hint = "without the quotes" if isinstance(value, str) and _is_number(value) else ""
        faults.error(where, named or message[:1].lower() + message[1:], _words(value), hint)


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def _words(value: Any) -> str:
    if isinstance(value, str):
        return show(value) if value else "an empty text"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a table" if value else "an empty table"
    if isinstance(value, list):
        return f"an array of {len(value)}"
    return "none" if value is None else str(value)
