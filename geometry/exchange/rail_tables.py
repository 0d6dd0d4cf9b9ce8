"""The rail forecast as tables: seats, limits, and the places where a limit is not kept."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.placement.rail.forecast import RAIL_VERDICTS, LimitForecast, RailForecast, RailLimit

from .project import Project
from .results import Columns

__all__ = ["limit_key", "limit_table", "place_table", "rails_of", "seat_table"]

Bools = npt.NDArray[np.bool_]
_RAILS = ("left", "right")
_COUNTED = ("within", "out", "undecided", "not measured", "no limit", "no room")


def limit_key(limit: RailLimit) -> str:
    """Return what columns of a limit begin with.

    Examples
    --------
    >>> from geometry.placement.rail.chords import Chord
    >>> limit_key(RailLimit("line", -0.002, 0.002, "example", Chord(2.5, 7.5)))
    'line_chord_2.5_7.5'
    """
    if limit.chord is not None:
        parts = [limit.chord.rear, limit.chord.front, *([limit.chord.apart] if limit.chord.apart else [])]
        return f"{limit.quantity}_chord_{'_'.join(f'{part:g}' for part in parts)}"
    if limit.band is not None:
        return f"{limit.quantity}_{limit.band.lower()}"
    if limit.quantity == "twist":
        return f"twist_{limit.base:g}"
    return f"{limit.quantity}_deviation" if limit.quantity in ("gauge", "cant") else limit.quantity


def rails_of(told: LimitForecast) -> tuple[str, ...]:
    """Return the rails that a limit is for: left and right, or one without a name."""
    return _RAILS if told.value.shape[1] == 2 else ("",)


def seat_table(project: Project, forecast: RailForecast) -> Columns:
    """Return one row per rail seat: the rail over it, and what every limit says there.

    ``level`` (+ up) and ``line`` (+ right) are rail less design rail, ``gauge`` is the gauge itself.
    """
    seats = forecast.seats
    table: Columns = {
        "slab": project.layout.names[seats.slab],
        "seat": seats.seat,
        "chainage_m": project.count.to_chainage(seats.distance),
        "verdict": np.array(RAIL_VERDICTS)[forecast.verdict],
    }
    for i, rail in enumerate(_RAILS):
        table[f"cast_measured_{rail}"] = forecast.cast_known[:, i]
    for part, name in ((1, "level"), (0, "line")):
        for i, rail in enumerate(_RAILS):
            table[f"{name}_{rail}_mm"] = forecast.deviation[:, i, part] * 1e3
            table[f"{name}_{rail}_sigma_mm"] = forecast.sigma[:, i, part] * 1e3
    table["gauge_mm"] = project.settings.rail.gauge_mm + forecast.gauge * 1e3
    table["gauge_sigma_mm"] = forecast.gauge_sigma * 1e3
    table["cant_deviation_mm"] = forecast.cant * 1e3
    table["cant_deviation_sigma_mm"] = forecast.cant_sigma * 1e3
    for told in forecast.limits:
        key = limit_key(told.limit)
        for i, rail in enumerate(rails_of(told)):
            start = f"{key}_{rail}" if rail else key
            table[f"{start}_mm"] = told.value[:, i] * 1e3
            table[f"{start}_sigma_mm"] = told.sigma[:, i] * 1e3
            table[f"{start}_verdict"] = np.array(RAIL_VERDICTS)[told.verdict[:, i]]
    return table


def _beyond(told: LimitForecast) -> Floats:
    """Return by how much values lie beyond their limits, negative inside, shape (s, r); nan where not known."""
    low, high = told.limit.low, told.limit.high
    if np.isfinite(low) or np.isfinite(high):
        return np.maximum(low - told.value, told.value - high)
    return np.abs(told.value)


def _limits_mm(limit: RailLimit) -> tuple[float, float]:
    """Return the limits in mm, nan where there is none."""
    low, high = (value * 1e3 if np.isfinite(value) else np.nan for value in (limit.low, limit.high))
    return low, high


def limit_table(project: Project, forecast: RailForecast, chosen: Bools) -> Columns:
    """Return one row per limit: the worst value of the chosen seats, (s,), and how many have each verdict.

    Worst is the value furthest beyond the limit, or least inside. Level and line count each rail.
    """
    chainage = project.count.to_chainage(forecast.seats.distance)
    rows: list[dict[str, Any]] = []
    for told in forecast.limits:
        beyond = np.where(chosen[:, None], np.nan_to_num(_beyond(told), nan=-np.inf), -np.inf)
        seat, rail = np.unravel_index(int(beyond.argmax()), beyond.shape)
        known = bool(beyond[seat, rail] > -np.inf)
        low, high = _limits_mm(told.limit)
        counts = np.bincount(told.verdict[chosen].ravel(), minlength=len(RAIL_VERDICTS)).tolist()
        rows.append({
            "limit": told.limit.words,
            "low_mm": low,
            "high_mm": high,
            "source": told.limit.source,
            "worst_mm": told.value[seat, rail] * 1e3 if known else np.nan,
            "worst_sigma_mm": told.sigma[seat, rail] * 1e3 if known else np.nan,
            "slab": str(project.layout.names[forecast.seats.slab[seat]]) if known else "",
            "seat": int(forecast.seats.seat[seat]) if known else 0,
            "rail": rails_of(told)[rail] if known else "",
            "chainage_m": chainage[seat] if known else np.nan,
            **{text.replace(" ", "_"): counts[RAIL_VERDICTS.index(text)] for text in _COUNTED},
        })  # fmt: skip
    return {name: np.array([row[name] for row in rows]) for name in rows[0]} if rows else {}


def place_table(project: Project, forecast: RailForecast, chosen: Bools, verdict: int) -> Columns:
    """Return one row per stretch of chosen seats, (s,), that follow each other with this verdict on one limit.

    Stretches are in order of chainage, those at one place in the order of the limits.
    """
    seats, names = forecast.seats, project.layout.names
    parts: list[npt.NDArray[np.intp]] = [np.empty((5, 0), dtype=np.intp)]
    sizes: list[Floats] = [np.empty((2, 0))]
    for number, told in enumerate(forecast.limits):
        beyond = np.nan_to_num(_beyond(told), nan=-np.inf)
        for rail in range(told.value.shape[1]):
            mine = chosen & (told.verdict[:, rail] == verdict)
            first = np.flatnonzero(mine & ~np.append(False, mine[:-1]))
            last = np.flatnonzero(mine & ~np.append(mine[1:], False))
            if not first.size:
                continue
            rows = np.flatnonzero(mine)
            stretch = np.repeat(np.arange(len(first)), last - first + 1)
            # the first of the largest in each stretch
            order = np.lexsort((rows, -beyond[rows, rail], stretch))
            worst = rows[order][np.searchsorted(stretch, np.arange(len(first)))]
            which = np.full(len(first), number), np.full(len(first), rail)
            parts.append(np.stack([first, last, worst, *which]))
            sizes.append(np.stack([told.value[worst, rail], told.sigma[worst, rail]]) * 1e3)
    columns = np.concatenate(parts, axis=1)
    order = np.lexsort((columns[4], columns[3], columns[0]))
    first, last, worst, limit_of, rail_of = columns[:, order]
    value, sigma = np.concatenate(sizes, axis=1)[:, order]
    limits = forecast.limits
    chainage = project.count.to_chainage(seats.distance)
    texts = np.array([told.limit.words for told in limits], dtype=object)
    ranges = np.array([_limits_mm(told.limit) for told in limits], dtype=np.float64).reshape(-1, 2)
    rails = np.array([[*rails_of(told), ""][:2] for told in limits], dtype=object).reshape(-1, 2)
    return {
        "limit": texts[limit_of],
        "rail": rails[limit_of, rail_of],
        "from_slab": names[seats.slab[first]],
        "from_seat": seats.seat[first],
        "to_slab": names[seats.slab[last]],
        "to_seat": seats.seat[last],
        "from_chainage_m": chainage[first],
        "to_chainage_m": chainage[last],
        "seats": last - first + 1,
        "worst_mm": value,
        "worst_sigma_mm": sigma,
        "low_mm": ranges[limit_of, 0],
        "high_mm": ranges[limit_of, 1],
        "worst_slab": names[seats.slab[worst]],
        "worst_seat": seats.seat[worst],
        "worst_chainage_m": chainage[worst],
    }
