"""From a checked section to the rules of its plan: every limit as a sparse row over the moves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array, csr_array

from geometry.alignment.laws import Floats
from geometry.placement.check import SectionCheck
from geometry.placement.mortar.gap import GapPlaces, gap_rows
from geometry.placement.verdict import SLAB_QUANTITIES, Tolerance
from geometry.slabs import SlabType, padded_marks
from geometry.survey import Fits, movement_rows
from geometry.survey.points import Ints

from .rail_rules import CarriedRail, rail_tables
from .rule_table import KINDS, RuleTable, joined_tables

__all__ = ["MortarRules", "row_sigma", "section_rules", "slab_rows"]

Bools = npt.NDArray[np.bool_]
_MORTAR = KINDS.index("mortar_gap")


@dataclass(frozen=True, eq=False)
class MortarRules:
    """Gaps of the mortar that a plan has to keep.

    Attributes
    ----------
    places : GapPlaces
        Of the poses as built; their sigma holds everything.
    low, high : float
        Smallest and largest allowed gap, m.
    """

    places: GapPlaces
    low: float
    high: float


def slab_rows(slab: Ints, rows: Floats, slabs: int) -> csr_array:
    """Return dense rows, shape (r, 6), of one slab each as sparse rows over all slabs, shape (r, 6 n)."""
    column = 6 * slab[:, None] + np.arange(6)
    row = np.repeat(np.arange(len(slab)), 6)
    return csr_array(coo_array((rows.ravel(), (row, column.ravel())), shape=(len(slab), 6 * slabs)))


def row_sigma(rows: csr_array, fits: Fits, known: Bools) -> Floats:
    """Return the standard uncertainty of rows over the poses, shape (r,), m.

    What one set-up does to several slabs of a row is counted once, so that a common shift drops out of a difference.
    The frames of the slabs are taken as parallel.

    Parameters
    ----------
    rows : sparse array, shape (r, 6 n)
    fits : Fits
        Of n slabs.
    known : ndarray of bool, shape (n,)
        Slabs with a pose; rows must not touch others.
    """
    n = len(known)
    common = np.where(known[:, None, None], fits.common, 0.0)
    several = fits.setup.shape[1]
    causes = common.shape[2] // max(several, 1)
    seen = np.repeat((fits.setup >= 0) & known[:, None], causes, axis=1)
    common = np.where(seen[:, None], np.nan_to_num(common), 0.0)
    own = np.where(known[:, None, None], fits.covariance, 0.0) - common @ np.swapaxes(common, 1, 2)
    six = np.arange(6 * n).reshape(n, 6)
    left, right = np.broadcast_to(six[:, :, None], (n, 6, 6)), np.broadcast_to(six[:, None], (n, 6, 6))
    spread = csr_array(coo_array((own.ravel(), (left.ravel(), right.ravel())), shape=(6 * n, 6 * n)))
    variance = np.asarray((rows @ spread).multiply(rows).sum(axis=1)).ravel()
    if seen.any():
        cause = np.maximum(np.repeat(fits.setup, causes, axis=1), 0) * causes + np.tile(np.arange(causes), several)
        column = np.broadcast_to(cause[:, None], common.shape)
        row = np.broadcast_to(six[:, :, None], common.shape)
        shape = (6 * n, int(cause.max()) + 1)
        shared = rows @ csr_array(coo_array((common.ravel(), (row.ravel(), column.ravel())), shape=shape))
        variance += np.asarray(shared.multiply(shared).sum(axis=1)).ravel()
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def _table(
    kind: str, slabs: int, rear: Ints, front: Ints, place: Ints, value: Floats, limits: tuple[float, float],
    rows: csr_array,
) -> RuleTable:  # fmt: skip
    r = len(rear)
    return RuleTable(
        kind=np.full(r, KINDS.index(kind)), rear=rear, front=front, place=place, limit=np.full(r, -1), value=value,
        sigma=np.full(r, np.nan), low=np.full(r, limits[0]), high=np.full(r, limits[1]), rows=rows,
    )  # fmt: skip


def _mark_table(check: SectionCheck, types: Sequence[SlabType], kinds: Ints, tolerance: Tolerance) -> RuleTable:
    axis = SLAB_QUANTITIES.index(tolerance.quantity)
    places = padded_marks(types)
    exists = np.isfinite(places[:, :, 0])[kinds]
    slab, mark = np.nonzero(exists)
    rows = movement_rows(places)[kinds[slab], mark, axis]
    return _table(
        tolerance.quantity, len(kinds), slab, slab, mark, check.deviation[slab, mark, axis],
        (tolerance.low, tolerance.high), slab_rows(slab, rows, len(kinds)),
    )  # fmt: skip


def _ends(types: Sequence[SlabType], half_apart: Sequence[float]) -> Floats:
    """Return how rear left, rear right, front left, front right of each type move, shape (t, 4, 3, 6)."""
    sides = np.array([[-1, -1, 0], [1, -1, 0], [-1, 1, 0], [1, 1, 0]], dtype=np.float64)
    size = np.array([[half, t.length / 2, 0.0] for half, t in zip(half_apart, types, strict=True)])
    return movement_rows(sides * size[:, None])


def _joint_tables(
    check: SectionCheck, types: Sequence[SlabType], kinds: Ints, tolerance: Tolerance, rail_apart: float
) -> RuleTable:
    j, n = check.joints, len(kinds)
    quantity = tolerance.quantity
    steps = quantity in ("step_level", "step_line")
    ends = _ends(types, [rail_apart / 2] * len(types) if steps else [t.width / 2 for t in types])
    axis = {"step_line": 0, "step_level": 2}.get(quantity, 1)
    front, rear = ends[kinds[j.front], :2, axis], ends[kinds[j.rear], 2:, axis]
    value = {"step_level": j.step_level, "step_line": j.step_line}.get(quantity, j.gap)
    if quantity == "gap_difference":
        front, rear = front[:, :1] - front[:, 1:], rear[:, :1] - rear[:, 1:]
        value = value[:, :1] - value[:, 1:] - (j.target_gap[:, :1] - j.target_gap[:, 1:])
    of = np.arange(len(j.rear)) if steps else np.flatnonzero(~j.at_structure)
    sides = value.shape[1]
    joint, side = np.repeat(of, sides), np.tile(np.arange(sides), len(of))
    rows = slab_rows(j.front[joint], front[joint, side], n) - slab_rows(j.rear[joint], rear[joint, side], n)
    return _table(
        quantity, n, j.rear[joint], j.front[joint], side, value[joint, side], (tolerance.low, tolerance.high),
        csr_array(rows),
    )  # fmt: skip


def _mortar_table(mortar: MortarRules, slabs: int) -> RuleTable:
    places = mortar.places
    table = _table(
        "mortar_gap", slabs, places.slab, places.slab, np.arange(len(places.slab)), places.gap,
        (mortar.low, mortar.high), slab_rows(places.slab, gap_rows(places.place), slabs),
    )  # fmt: skip
    table.sigma[:] = places.sigma
    return table


def section_rules(
    check: SectionCheck, types: Sequence[SlabType], type_index: Ints, tolerances: Sequence[Tolerance],
    rail_apart: float, known: Bools, rail: CarriedRail | None = None, mortar: MortarRules | None = None,
) -> tuple[RuleTable, RuleTable]:  # fmt: skip
    """Return the rules of a section.

    Parameters
    ----------
    check : SectionCheck
        Of n slabs.
    types : sequence of SlabType
    type_index : ndarray of int, shape (n,)
    tolerances : sequence of Tolerance
    rail_apart : float
        Distance between the rail head centres, m.
    known : ndarray of bool, shape (n,)
        Slabs whose pose is known beyond doubt.
    rail : CarriedRail, optional
    mortar : MortarRules, optional

    Returns
    -------
    considered, left_out : RuleTable
        Rules that can be told, and those that touch a slab whose pose is not known (value nan), or whose own
        uncertainty is not.
    """
    tables = [
        _mark_table(check, types, type_index, t) if t.quantity in SLAB_QUANTITIES
        else _joint_tables(check, types, type_index, t, rail_apart)
        for t in tolerances
    ]  # fmt: skip
    if mortar is not None:
        tables.append(_mortar_table(mortar, len(type_index)))
    if rail is not None:
        pose = np.where(known[:, None], check.pose, np.nan)
        tables += rail_tables(rail, pose)
    table = joined_tables(tables)
    unknown = np.repeat(~known, 6).astype(np.float64)
    touches = (abs(table.rows) @ unknown) > 0
    good = ~touches & np.isfinite(table.value) & (np.isfinite(table.sigma) | (table.kind != _MORTAR))
    kept, left = table.picked(good), table.picked(~good)
    sigma = row_sigma(kept.rows, check.fits, known)
    # the sigma of a mortar gap holds that of the pose already, that of a rail only what casting brings in
    complete = kept.kind == _MORTAR
    kept.sigma[:] = np.where(complete, kept.sigma, np.hypot(np.nan_to_num(kept.sigma), sigma))
    left.value[:] = np.nan
    return kept, left
