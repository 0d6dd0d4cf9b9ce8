"""What a model knows of the keys at a place of its data."""

from __future__ import annotations

import types
from collections.abc import Sequence
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel

__all__ = ["description_at", "keys_of", "models_at"]


def keys_of(model: type[BaseModel]) -> list[str]:
    """Return the keys a model knows."""
    return [field.alias or name for name, field in model.model_fields.items()]


def description_at(model: type[BaseModel], location: Sequence[str | int]) -> str:
    """Return what the model says about a key, or ""."""
    if not location:  # the whole of it
        return ""
    for known in models_at(model, location[:-1]):
        for name, field in known.model_fields.items():
            if (field.alias or name) == location[-1] and field.description:
                return field.description
    return ""


def models_at(model: type[BaseModel], location: Sequence[str | int]) -> list[type[BaseModel]]:
    """Return the models that may stand at a location."""
    kinds: list[Any] = [model]
    for part in location:
        inner: list[Any] = []
        for kind in kinds:
            inner.extend(_inside(kind, part))
        if not inner and isinstance(part, str):
            # Not a key, so it tells which of several alternatives the model took.
            inner = [kind for kind in kinds if _is_alternative(kind, part)] or kinds
        kinds = inner
    return [kind for kind in kinds if isinstance(kind, type) and issubclass(kind, BaseModel)]


def _inside(kind: Any, part: str | int) -> list[Any]:
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        fields = kind.model_fields.items()
        return [one for name, field in fields if (field.alias or name) == part for one in _flat(field.annotation)]
    origin, arguments = get_origin(kind), get_args(kind)
    if isinstance(part, int) and origin in {list, tuple, Sequence}:
        return [one for argument in arguments for one in _flat(argument)]
    if isinstance(part, str) and origin is dict:
        return _flat(arguments[1])
    return []


def _flat(kind: Any) -> list[Any]:
    """Return the alternatives of a type, without what is annotated to it."""
    if hasattr(kind, "__metadata__"):
        return _flat(get_args(kind)[0])
    if get_origin(kind) in {Union, types.UnionType}:
        return [one for argument in get_args(kind) for one in _flat(argument)]
    return [kind]


def _is_alternative(kind: Any, tag: str) -> bool:
    if not (isinstance(kind, type) and issubclass(kind, BaseModel)):
        return False
    literals = [field.annotation for field in kind.model_fields.values() if get_origin(field.annotation) is Literal]
    return kind.__name__ == tag or any(tag in get_args(literal) for literal in literals)
