"""What choices of slabs ask for on each element of the plan: a price that can be quoted for one curve."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from geometry.alignment import evaluate
from geometry.alignment.laws import Floats
from geometry.slabs import target_poses

from .results import Columns
from .review_section import stand_in
from .review_tables import MEASURES, Choice, sizes_of

__all__ = ["curve_table"]

_STRAIGHT = 1e-8  # curvature of what is as good as straight, 1/m: R of 100,000 km
_PLACES = 9  # of an element at which curvature and cant are looked at


def curve_table(choices: Sequence[Choice]) -> Columns:
    """Return one row per choice and element of the plan that carries slabs, element by element.

    ``radius_m`` is the smallest on the element, signed, nan on a straight, ``radius_start_m`` and ``radius_end_m`` are
    those at its ends; ``cant_mm`` is the farthest from zero.
    ``slabs`` are those with their middle on the element; ``*_largest_mm`` are sizes without a sign of those, and of
    joints, that lie wholly on it: what a slab over the end of an element has is a matter of where it happens to lie.
    Slabs stand in for those of spans that stay empty.
    """
    if not choices:
        return {}
    line, count = choices[0].project.alignment, choices[0].project.count
    edges = line.track.starts
    within = edges[:-1, None] + np.diff(edges)[:, None] * np.linspace(1e-9, 1 - 1e-9, _PLACES)
    at = evaluate(line, within.ravel())
    bend, cant = (_farthest(values.reshape(within.shape)) for values in (at.curvature, at.cant))
    parts = [_of(choice, edges) for choice in choices]
    element = np.repeat(np.arange(len(edges) - 1), len(choices))
    which = np.tile(np.arange(len(choices)), len(edges) - 1)
    at_ends = at.curvature.reshape(within.shape)[:, [0, -1]]
    table: Columns = {
        "element": element + 1,
        "kind": np.array([e.kind for e in line.horizontal])[element],
        "radius_m": _radius(bend)[element],
        "radius_start_m": _radius(at_ends[:, 0])[element],
        "radius_end_m": _radius(at_ends[:, 1])[element],
        "cant_mm": cant[element] * 1e3,
        "chainage_start_m": count.to_chainage(edges[:-1])[element],
        "chainage_end_m": count.to_chainage(edges[1:])[element],
        "choice": np.array([choice.name for choice in choices])[which],
        "longer_mm": np.array([choice.longer_mm for choice in choices])[which],
    }
    for name in ("slabs", *(f"{name}_largest_mm" for name in MEASURES)):
        table[name] = np.stack([part[name] for part in parts], axis=1).ravel()
    known = np.isfinite(table["versine_largest_mm"]).reshape(-1, len(choices)).all(axis=1)
    carries = np.repeat(known, len(choices))
    return {name: values[carries] for name, values in table.items()}


def _farthest(values: Floats) -> Floats:
    return np.asarray(np.take_along_axis(values, np.abs(values).argmax(axis=1)[:, None], 1)[:, 0])


def _radius(curvature: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return np.asarray(np.where(np.abs(curvature) > _STRAIGHT, 1 / curvature, np.nan))


def _of(choice: Choice, edges: Floats) -> dict[str, npt.NDArray[np.float64]]:
    """Return slabs and largest sizes of one choice on each element."""
    project, size = choice.project, len(edges) - 1
    half = np.array([t.length for t in project.types]) / 2
    slabs = np.zeros(size)
    largest = np.full((len(MEASURES), size), np.nan)
    layouts = [(project.layout, choice.targets)]
    empty = stand_in(project)
    if empty is not None:
        layouts.append((empty, target_poses(project.alignment, project.types, empty, choice.seating)))
    for layout, targets in layouts:
        reach = half[layout.type_index] * project.alignment.rules.grid_scale
        inside = layout.span[1:] == layout.span[:-1]
        rear, middle, front = (_owner(edges, layout.distance + side * reach) for side in (-1, 0, 1))
        slabs += np.bincount(middle, minlength=size)
        whole = rear == front
        joint = (whole[:-1] & whole[1:] & (rear[:-1] == rear[1:]))[inside]
        for row, (name, values) in enumerate(zip(MEASURES, sizes_of(choice, layout, targets), strict=True)):
            owner, chosen = (rear[:-1][inside], joint) if name == "joint_wedge" else (rear, whole)
            here = np.full(size, -np.inf)
            np.maximum.at(here, owner[chosen], np.abs(values[chosen]) * 1e3)
            largest[row] = np.fmax(largest[row], np.where(np.isfinite(here), here, np.nan))
    return {"slabs": slabs, **{f"{name}_largest_mm": row for name, row in zip(MEASURES, largest, strict=True)}}


def _owner(edges: Floats, place: Floats) -> npt.NDArray[np.intp]:
    return np.clip(np.searchsorted(edges, place, side="right") - 1, 0, len(edges) - 2)
