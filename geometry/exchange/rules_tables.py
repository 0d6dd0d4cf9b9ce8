"""An alignment against its design limits as tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from geometry.alignment import Alignment, ChainageCount
from geometry.alignment.design_rules import (
    QUANTITIES,
    DesignLimit,
    Measured,
    Measures,
    SpeedProfile,
    allowed_speed,
)

from .results import Columns

__all__ = ["VERDICT_WORDS", "finding_table", "limit_table", "speed_table"]

Level = Literal["normal", "exceptional"]
VERDICT_WORDS = ("within normal", "exceptional", "beyond", "no limit")


def _limit_at(limits: Sequence[DesignLimit], measured: Measured, speed: float) -> DesignLimit | None:
    return next((x for x in limits if x.quantity == measured.quantity and x.holds_at(speed)), None)


def finding_table(
    measures: Measures, limits: Sequence[DesignLimit], count: ChainageCount, alignment: Alignment
) -> Columns:
    """Return one row per element and quantity: value, limits, verdict, and what would pass.

    A quantity without a limit at this speed has the verdict ``no limit``. ``passes_length_m`` and
    ``passes_speed_kmh`` are the shortest length and the largest speed that keep the normal limit, where it is broken
    and they help; ``exceptional_length_m`` and ``exceptional_speed_kmh`` the same for the exceptional limit. ``kind``
    is that of the element, or of the one that starts at a joint.
    """
    kinds = {
        profile: np.array([e.kind for e in elements], dtype=np.str_)
        for profile, elements in (
            ("horizontal", alignment.horizontal), ("vertical", alignment.vertical), ("cant", alignment.cant)
        )
    }  # fmt: skip
    parts: list[Columns] = []
    for quantity, measured in measures.by_quantity.items():
        unit, largest, words = QUANTITIES[quantity]
        limit = _limit_at(limits, measured, measures.speed)
        normal = None if limit is None else limit.normal
        exceptional = None if limit is None else limit.exceptional
        size = len(measured.value)
        beyond_normal = np.zeros(size, dtype=bool) if normal is None else measured.beyond(normal)
        # without an exceptional limit nothing forbids what goes beyond the normal one; without a normal one the
        # exceptional one is all there is
        beyond = np.zeros(size, dtype=bool) if exceptional is None else measured.beyond(exceptional)
        none = limit is None
        verdict = np.where(none, 3, np.where(beyond, 2, np.where(beyond_normal, 1, 0)))
        levels: tuple[tuple[float | None, npt.NDArray[np.bool_], Level], ...] = (
            (normal, beyond_normal, "normal"), (exceptional, beyond, "exceptional")
        )  # fmt: skip
        remedies: Columns = {}
        for (value, broken, level), name in zip(levels, ("passes", "exceptional"), strict=True):
            length = np.full(size, np.nan) if value is None else measured.length_for(value)
            speed = allowed_speed(measured, limits, level)
            remedies[f"{name}_length_m"] = np.where(broken, length, np.nan)
            remedies[f"{name}_speed_kmh"] = np.where(broken, speed, np.nan)
        parts.append(
            {
                "profile": np.full(size, measured.profile),
                "element": measured.element,
                "kind": kinds[measured.profile][measured.element - 1],
                "chainage_start_m": count.to_chainage(measured.start),
                "chainage_end_m": count.to_chainage(measured.end),
                "distance_start_m": measured.start,
                "quantity": np.full(size, words),
                "value": measured.value,
                "unit": np.full(size, unit.replace("_per_", "/")),
                "limit_is": np.full(size, "largest" if largest else "smallest"),
                "normal": np.full(size, np.nan if normal is None else normal),
                "exceptional": np.full(size, np.nan if exceptional is None else exceptional),
                "verdict": np.array(VERDICT_WORDS)[verdict],
                "chainage_worst_m": count.to_chainage(measured.place),
                **remedies,
                "source": np.full(size, "" if limit is None else limit.source),
                "clause": np.full(size, "" if limit is None else limit.clause),
                "checked": np.full(size, "" if limit is None else limit.checked),
            }
        )
    table = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    order = np.argsort(table["distance_start_m"], kind="stable")
    return {name: values[order] for name, values in table.items()}


def limit_table(limits: Sequence[DesignLimit]) -> Columns:
    """Return one row per limit with its source and whether it was read there."""

    def numbers(values: Sequence[float | None]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.array([np.nan if v is None or np.isinf(v) else v for v in values], dtype=np.float64)

    return {
        "quantity": np.array([QUANTITIES[x.quantity][2] for x in limits]),
        "unit": np.array([QUANTITIES[x.quantity][0].replace("_per_", "/") for x in limits]),
        "over_kmh": numbers([x.over_kmh for x in limits]),
        "upto_kmh": numbers([x.upto_kmh for x in limits]),
        "normal": numbers([x.normal for x in limits]),
        "exceptional": numbers([x.exceptional for x in limits]),
        "source": np.array([x.source for x in limits]),
        "clause": np.array([x.clause for x in limits]),
        "checked": np.array([x.checked for x in limits]),
    }


def speed_table(normal: SpeedProfile, exceptional: SpeedProfile, count: ChainageCount) -> Columns:
    """Return the largest speeds along the line, one row per stretch in which both levels have one answer."""
    edges = np.unique(np.concatenate([normal.start, normal.end, exceptional.start, exceptional.end]))
    middle = (edges[:-1] + edges[1:]) / 2
    table: Columns = {
        "chainage_start_m": count.to_chainage(edges[:-1]),
        "chainage_end_m": count.to_chainage(edges[1:]),
        "distance_start_m": edges[:-1],
        "distance_end_m": edges[1:],
    }
    for level, profile in (("normal", normal), ("exceptional", exceptional)):
        row = np.searchsorted(profile.start, middle, side="right") - 1
        speed = profile.speed[row]
        table[f"speed_{level}_kmh"] = np.where(np.isinf(speed), np.nan, speed)
        words = {name: text for name, (_, _, text) in QUANTITIES.items()}
        table[f"governed_{level}"] = np.array([words.get(name, "nothing") for name in profile.governs[row].tolist()])
    return table
