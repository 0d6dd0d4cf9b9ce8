"""The plan of the fasteners as tables: changed fasteners, seats in walking order, pieces, limits that are not kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.placement.rail.fasteners import FastenerPlan
from geometry.placement.rail.forecast import RailForecast
from geometry.placement.rail.shims import Order, Stacks, fewest_to_order, hundredths, order, stacks
from geometry.survey.points import Ints

from .fastener_settings import FastenerSettings
from .project import Project
from .results import Columns

__all__ = ["FASTENER_DECIMALS", "Laid", "changed_table", "lay_pieces", "order_table", "shortfall_table", "work_table"]

Bools = npt.NDArray[np.bool_]
_RAILS = ("left", "right")
FASTENER_DECIMALS = {"largest_kink_mrad": 3}
"""Decimals of columns that need more or fewer than their unit usually has."""


@dataclass(frozen=True, eq=False)
class Laid:
    """The pieces of a plan.

    Attributes
    ----------
    stacks : Stacks
        Of s seats by 2 rails, left and right of the first seat, of the second and so on.
    shims : Order
        By the thickness of the settings' pieces.
    guides : Order
        Pairs, by their size in steps, from one step on.
    bases_out : int
        Bases that come out.
    could_order : int or None
        Fewest shims that would have to be ordered if other stacks made the same heights; None if not known.
    """

    stacks: Stacks
    shims: Order
    guides: Order
    bases_out: int
    could_order: int | None


def lay_pieces(plan: FastenerPlan, settings: FastenerSettings) -> Laid:
    """Return the pieces that make up a plan: the fewest on each seat, and what the stock lacks of them."""
    pieces = settings.pieces
    heights = hundredths(np.asarray(plan.height.ravel() * plan.rules.height.step, dtype=np.float64))
    found = stacks(heights, pieces)
    shims = order(found.count, settings.stock_of("shim", np.array(pieces.shims) / 100.0))
    steps = np.arange(1, settings.sideways.most + 1)
    pairs = (np.abs(plan.sideways).reshape(-1, 1) == steps).astype(np.intp)
    guides = order(pairs, settings.stock_of("guide", _guide_sizes(settings)))
    could = fewest_to_order(heights, pieces, shims.stock) if shims.short.any() else 0
    return Laid(found, shims, guides, int(found.base_out.sum()), could)


def _guide_sizes(settings: FastenerSettings) -> Floats:
    """Return how far each pair of guides moves the rail, mm."""
    return np.arange(1.0, settings.sideways.most + 1) * np.float64(settings.sideways_step_mm)


def _texts(laid: Laid, settings: FastenerSettings) -> npt.NDArray[np.object_]:
    """Return each stack in words, thickest piece first: ``2 + 0.5``; empty where the seat keeps its height."""
    count = laid.stacks.count
    kinds, which = np.unique(np.column_stack([count, laid.stacks.base_out]), axis=0, return_inverse=True)
    sizes = [f"{size / 100:g}" for size in settings.pieces.shims]
    told = []
    for row in kinds.tolist():
        parts = [size for size, many in zip(reversed(sizes), reversed(row[:-1]), strict=True) for _ in range(many)]
        told.append(" + ".join(parts) + (f" in place of the {settings.base_mm:g}" if row[-1] else ""))
    return np.array(told, dtype=object)[which.ravel()]


def _guides(steps: Ints, step_mm: float) -> npt.NDArray[np.object_]:
    """Return moves sideways in words, for instance ``1.5 right``; empty for none."""
    values, which = np.unique(steps, return_inverse=True)
    told = [f"{abs(v) * step_mm:g} {'right' if v > 0 else 'left'}" if v else "" for v in values.tolist()]
    return np.array(told, dtype=object)[which.ravel()]


def changed_table(
    project: Project, settings: FastenerSettings, plan: FastenerPlan, laid: Laid, after: RailForecast
) -> Columns:  # fmt: skip
    """Return one row per fastener that is opened, in walking order, the left rail first.

    ``shim`` is + up, ``sideways`` + to the right; ``level`` and ``line`` are rail less design rail before and after.
    """
    seats = plan.forecast.seats
    seat, rail = np.nonzero(plan.changed)
    flat = 2 * seat + rail
    table: Columns = {
        "slab": project.layout.names[seats.slab[seat]],
        "seat": seats.seat[seat],
        "rail": np.array(_RAILS)[rail],
        "chainage_m": project.count.to_chainage(seats.distance[seat]),
        "shim_mm": plan.height[seat, rail] * settings.step_mm,
        "pieces": _texts(laid, settings)[flat],
        "base_out": laid.stacks.base_out[flat],
        "sideways_mm": plan.sideways[seat, rail] * settings.sideways_step_mm,
    }
    for part, name in ((1, "level"), (0, "line")):
        table[f"{name}_before_mm"] = plan.forecast.deviation[seat, rail, part] * 1e3
        table[f"{name}_after_mm"] = after.deviation[seat, rail, part] * 1e3
    return table


def work_table(project: Project, settings: FastenerSettings, plan: FastenerPlan, laid: Laid) -> Columns:
    """Return one row per stretch of seats of one slab where a rail gets the same, in walking order, left before right.

    ``pieces`` and ``sideways`` are in words, empty where nothing is done.
    """
    seats = plan.forecast.seats
    rail, seat = np.nonzero(plan.changed.T)
    todo = np.stack([plan.height[seat, rail], plan.sideways[seat, rail]], axis=1)
    same = (
        (np.diff(rail) == 0) & (np.diff(seat) == 1) & (np.diff(seats.slab[seat]) == 0)
        & (np.diff(todo, axis=0) == 0).all(axis=1)
    )  # fmt: skip
    first = np.flatnonzero(np.append(True, ~same)[: len(seat)])
    last = np.append(first[1:] - 1, len(seat) - 1)[: len(first)]
    walk = np.lexsort((rail[first], seat[first]))
    start, end = first[walk], last[walk]
    return {
        "slab": project.layout.names[seats.slab[seat[start]]],
        "chainage_m": project.count.to_chainage(seats.distance[seat[start]]),
        "from_seat": seats.seat[seat[start]],
        "to_seat": seats.seat[seat[end]],
        "rail": np.array(_RAILS)[rail[start]],
        "shim_mm": todo[start, 0] * settings.step_mm,
        "pieces": _texts(laid, settings)[2 * seat[start] + rail[start]],
        "sideways": _guides(todo[start, 1], settings.sideways_step_mm),
    }


def order_table(settings: FastenerSettings, laid: Laid) -> Columns:
    """Return one row per kind of piece that is needed or in stock: shims, then pairs of guides."""
    sizes: list[tuple[str, Floats, Order]] = [
        ("shim", np.array(settings.pieces.shims) / 100.0, laid.shims),
        ("guide pair", _guide_sizes(settings), laid.guides),
    ]
    used = [(name, size, one, (one.needed > 0) | (one.stock > 0)) for name, size, one in sizes]
    return {
        "piece": np.concatenate([np.full(int(rows.sum()), name) for name, _, _, rows in used]),
        "size_mm": np.concatenate([size[rows] for _, size, _, rows in used]),
        "needed": np.concatenate([one.needed[rows] for _, _, one, rows in used]),
        "in_stock": np.concatenate([one.stock[rows] for _, _, one, rows in used]),
        "to_order": np.concatenate([one.short[rows] for _, _, one, rows in used]),
    }


def shortfall_table(project: Project, plan: FastenerPlan) -> Columns:
    """Return one row per stretch of seats where the plan cannot keep a limit, with the largest excess there.

    A value that lies inside its limit by less than its guard band counts as well.
    """
    seats, names = plan.forecast.seats, project.layout.names
    rows: list[dict[str, Any]] = []
    for kept in plan.kept:
        for rail in range(kept.excess.shape[1]):
            over = np.nan_to_num(kept.excess[:, rail])
            mine = np.flatnonzero(over > 0)
            for part in np.split(mine, np.flatnonzero(np.diff(mine) != 1) + 1) if mine.size else ():
                worst = part[int(over[part].argmax())]
                rows.append({
                    "limit": kept.words,
                    "rail": _RAILS[rail] if kept.excess.shape[1] == 2 else "",
                    "from_slab": str(names[seats.slab[part[0]]]),
                    "from_seat": int(seats.seat[part[0]]),
                    "to_slab": str(names[seats.slab[part[-1]]]),
                    "to_seat": int(seats.seat[part[-1]]),
                    "excess_mm": float(over[worst] * 1e3),
                    "worst_slab": str(names[seats.slab[worst]]),
                    "worst_seat": int(seats.seat[worst]),
                })  # fmt: skip
    columns = ("limit", "rail", "from_slab", "from_seat", "to_slab", "to_seat", "excess_mm", "worst_slab", "worst_seat")
    return {name: np.array([row[name] for row in rows]) for name in columns}
