"""Limits of the alignment's design: those that come with the program, and those of a project."""

from __future__ import annotations

import math
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal, Self, get_args

from pydantic import Field, model_validator

from geometry.alignment.design_rules import DesignLimit, DesignQuantity
from geometry.errors import Faults

from .settings_parts import Finite, Name, NotNegative, Part
from .toml import read_toml, validate

__all__ = ["RULES_FILE", "read_limits", "shipped_limits"]

RULES_FILE = "rules.toml"


class _LimitSettings(Part):
    quantity: DesignQuantity
    normal: Finite | None = None
    exceptional: Finite | None = None
    over_kmh: NotNegative = 0.0
    upto_kmh: NotNegative | None = None
    source: Name
    clause: Name = "-"
    checked: Literal["read", "secondary", "from memory"]

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.normal is None and self.exceptional is None:
            raise ValueError("normal, exceptional or both, found neither")
        if self.upto_kmh is not None and not self.over_kmh < self.upto_kmh:
            raise ValueError(f"over_kmh below upto_kmh, found {self.over_kmh:g} and {self.upto_kmh:g}")
        return self


class _LimitsFile(Part):
    limit: Annotated[list[_LimitSettings], Field(min_length=1)]

    @model_validator(mode="after")
    def _apart(self) -> Self:
        for quantity in get_args(DesignQuantity):
            rows = sorted((r for r in self.limit if r.quantity == quantity), key=lambda r: r.over_kmh)
            for row, following in pairwise(rows):
                if row.upto_kmh is None or row.upto_kmh > following.over_kmh:
                    raise ValueError(f"one limit for {quantity} at each speed, found two from "
                                     f"{following.over_kmh:g} km/h on")  # fmt: skip
        return self


def _read(path: Path, faults: Faults) -> tuple[DesignLimit, ...]:
    file = validate(read_toml(path, faults), _LimitsFile, faults) if path.is_file() else None
    if file is None:
        return ()
    return tuple(
        DesignLimit(
            row.quantity, row.normal, row.exceptional, row.over_kmh,
            math.inf if row.upto_kmh is None else row.upto_kmh, row.source, row.clause, row.checked,
        )
        for row in file.limit
    )  # fmt: skip


def shipped_limits() -> tuple[DesignLimit, ...]:
    """Return the limits that come with the program; each says where it is from and whether it was read there."""
    faults = Faults()
    with resources.as_file(resources.files("geometry.exchange") / "design_limits.toml") as path:
        limits = _read(path, faults)
    faults.stop_if_any()
    return limits


def read_limits(folder: Path, faults: Faults) -> tuple[DesignLimit, ...]:
    """Return the limits of a project: those of its ``rules.toml``, for other quantities those of the program.

    Parameters
    ----------
    folder : Path
    faults : Faults
    """
    own = _read(folder / RULES_FILE, faults)
    replaced = {limit.quantity for limit in own}
    return (*own, *(limit for limit in shipped_limits() if limit.quantity not in replaced))
