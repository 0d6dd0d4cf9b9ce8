"""Values of any kind as the plain ones that JSON knows."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from datetime import date
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np

__all__ = ["to_plain"]


def to_plain(value: Any) -> Any:
    """Return a value as dicts, lists, texts, numbers, truth values and None.

    nan and NaT become None; dataclasses and mappings become dicts, arrays and sequences lists,
    times ISO 8601 in UTC, paths their text and enumeration members their values.

    Raises
    ------
    TypeError
        If there is no such form, or a key is no text.

    Examples
    --------
    >>> to_plain({"up_mm": np.array([1.5, np.nan]), "slabs": np.int64(2), "of": Path("a")})
    {'up_mm': [1.5, None], 'slabs': 2, 'of': 'a'}
    """
    if isinstance(value, Enum):
        return to_plain(value.value)
    if isinstance(value, (np.ndarray, np.generic)):
        return _array(np.asarray(value))
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return None if math.isnan(value) else value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: to_plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    return _many(value) if isinstance(value, (Mapping, list, tuple, set, frozenset)) else _other(value)


def _many(value: Any) -> Any:
    if isinstance(value, Mapping):
        strange = [key for key in value if not isinstance(key, str)]
        if strange:
            raise TypeError(f"{strange[0]!r} is a key and no text")
        return {key: to_plain(part) for key, part in value.items()}
    parts = [to_plain(part) for part in value]
    return sorted(parts) if isinstance(value, (set, frozenset)) else parts


def _other(value: Any) -> str:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Path):
        return value.as_posix()
    raise TypeError(f"{type(value).__name__} has no plain form")


def _array(array: np.ndarray[Any, Any]) -> Any:
    if array.dtype.kind in "fM":
        blank = np.isnan(array)
        told = np.char.add(np.datetime_as_string(array), "Z") if array.dtype.kind == "M" else array
        plain = np.array(told, dtype=object)
        plain[blank] = None
        return plain.tolist()
    if array.dtype.kind in "biuUT":
        return array.tolist()
    if array.dtype.kind == "O":
        return [to_plain(part) for part in array] if array.ndim else to_plain(array.item())
    raise TypeError(f"an array of {array.dtype} has no plain form")
