"""The checked section as plain arrays: all that a picture is drawn from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geometry.errors import SlabposeError

__all__ = ["NOT_MEASURED", "OUT", "QUANTITIES", "UNDECIDED", "WITHIN", "Section", "Structure"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

WITHIN, OUT, UNDECIDED, NOT_MEASURED = range(4)
"""Verdict of a slab against its tolerances."""

QUANTITIES = ("across", "along", "up")
"""The three parts of a deviation, in the order of its last axis; + right, + forward, + up."""


class Structure(NamedTuple):
    """A bridge, tunnel, embankment or the like under the section, by continuous distance in m."""

    name: str
    kind: str
    distance_start: float
    distance_end: float


def _frozen(values: ArrayLike, dtype: Any, name: str, shape: tuple[int | None, ...]) -> NDArray[Any]:
    """Return a read-only copy, of the shape in which ``None`` stands for any length."""
    array = np.array(values, dtype=dtype)
    if array.ndim != len(shape) or any(want not in (None, have) for want, have in zip(shape, array.shape, strict=True)):
        wanted = ", ".join("any" if want is None else str(want) for want in shape)
        raise ValueError(f"{name} must have shape ({wanted}), not {array.shape}")
    array.flags.writeable = False
    return array


def _rings(values: tuple[ArrayLike, ...], name: str, widths: tuple[int, ...]) -> tuple[Floats, ...]:
    """Return read-only finite copies of per-type point lists, whose width is one of ``widths``."""
    arrays = []
    for kind, value in enumerate(values):
        array = _frozen(value, np.float64, f"{name}[{kind}]", (None, None))
        if array.shape[1] not in widths or not np.isfinite(array).all():
            raise ValueError(f"{name}[{kind}] must be finite points of width {widths}, not {array.shape}")
        arrays.append(array)
    return tuple(arrays)


@dataclass(frozen=True, eq=False)
class Section:
    """A checked section, ready to be drawn.

    Every array is copied and made read-only. Slabs stand in the order of their distance. Grid points are
    (easting, northing, level) in m; the slab frame is x right, y forward, z up, origin in the centre of the
    top face. nan stands for what was not measured; a slab that was not measured has verdict
    ``NOT_MEASURED``, never ``WITHIN``.

    Parameters
    ----------
    title, subtitle : str
        What the section is, and what it was made from.
    slab_names : array_like of str, shape (n,)
    chainage, distance : array_like, shape (n,)
        Of the slab's reference point, m: as displayed, and continuous along the line, increasing.
    type_index : array_like of int, shape (n,)
        Which of the slab types below.
    outlines : tuple of array_like, shape (k, 2)
        Per type: corners of the outline, (across, along) in m, either sense of turning, not closed.
    thickness : tuple of float
        Per type, m.
    marks : tuple of array_like, shape (m, 2) or (m, 3)
        Per type: survey marks in the slab frame, m.
    target_position, built_position : array_like, shape (n, 3)
        Reference point in the grid, m; built is nan where not measured.
    target_rotation, built_rotation : array_like, shape (n, 3, 3)
        Slab to grid; the columns point right, forward and up.
    corner_deviation_mm : array_like, shape (n, m, 3)
        Built minus target at each mark, (across, along, up) in the target slab's frame, mm; nan where unknown.
    verdict : array_like of int, shape (n,)
        ``WITHIN``, ``OUT``, ``UNDECIDED`` or ``NOT_MEASURED``.
    tolerance_mm : mapping
        Half width of the tolerance for each of ``QUANTITIES``, mm.
    rail_left, rail_right : array_like, shape (k, 3)
        Top of rail, grid, m; may be empty.
    axis : array_like, shape (k, 3)
        Reference line, grid, m.
    axis_chainage : array_like, shape (k,)
        Its displayed chainage, m.
    bed_depth, bed_width : float
        From the top face down to the bed by design, along the slab's z axis, and the bed's width; m.
    anchor_position : array_like, shape (a, 3)
        Centre of each anchor where it leaves the bed, grid, m; may be empty.
    anchor_radius, anchor_height : float
        m.
    structures : tuple of Structure
        By continuous distance; may be empty.
    bed_follows_cant : bool
        Whether the bed by design is parallel to the targets; else it is level across, and `bed_depth` is that under
        the lower edge of a slab.

    Raises
    ------
    ValueError
        If shapes, orders or values contradict each other.
    """

    title: str
    subtitle: str
    slab_names: NDArray[np.str_]
    chainage: Floats
    distance: Floats
    type_index: Integers
    outlines: tuple[Floats, ...]
    thickness: tuple[float, ...]
    marks: tuple[Floats, ...]
    target_position: Floats
    target_rotation: Floats
    built_position: Floats
    built_rotation: Floats
    corner_deviation_mm: Floats
    verdict: Integers
    tolerance_mm: Mapping[str, float]
    rail_left: Floats
    rail_right: Floats
    axis: Floats
    axis_chainage: Floats
    bed_depth: float
    bed_width: float
    anchor_position: Floats
    anchor_radius: float
    anchor_height: float
    structures: tuple[Structure, ...] = ()
    bed_follows_cant: bool = True

    def __post_init__(self) -> None:
        n = len(self.slab_names)
        types = len(self.outlines)
        shapes: dict[str, tuple[Any, tuple[int | None, ...]]] = {
            "slab_names": (np.str_, (n,)),
            "chainage": (np.float64, (n,)),
            "distance": (np.float64, (n,)),
            "type_index": (np.int64, (n,)),
            "target_position": (np.float64, (n, 3)),
            "target_rotation": (np.float64, (n, 3, 3)),
            "built_position": (np.float64, (n, 3)),
            "built_rotation": (np.float64, (n, 3, 3)),
            "corner_deviation_mm": (np.float64, (n, None, 3)),
            "verdict": (np.int64, (n,)),
            "rail_left": (np.float64, (None, 3)),
            "rail_right": (np.float64, (None, 3)),
            "axis": (np.float64, (None, 3)),
            "axis_chainage": (np.float64, (len(self.axis),)),
            "anchor_position": (np.float64, (None, 3)),
        }
        for name, (dtype, shape) in shapes.items():
            object.__setattr__(self, name, _frozen(getattr(self, name), dtype, name, shape))
        object.__setattr__(self, "outlines", _rings(self.outlines, "outlines", (2,)))
        object.__setattr__(self, "marks", _rings(self.marks, "marks", (2, 3)))
        object.__setattr__(self, "thickness", tuple(float(value) for value in self.thickness))
        object.__setattr__(self, "structures", tuple(Structure(*entry) for entry in self.structures))
        tolerances = MappingProxyType({name: float(self.tolerance_mm[name]) for name in QUANTITIES})
        object.__setattr__(self, "tolerance_mm", tolerances)
        self._agree(n, types)

    def _agree(self, n: int, types: int) -> None:
        """Raise ValueError if the fields contradict each other."""
        finite = ("chainage", "distance", "target_position", "target_rotation", "rail_left", "rail_right")
        rules = [
            (n > 0, "a section needs at least one slab"),
            (types == len(self.thickness) == len(self.marks), "outlines, thickness and marks: one for each type"),
            (all(len(ring) >= 3 for ring in self.outlines), "an outline needs three corners"),
            (all(value > 0.0 for value in self.thickness), "a thickness must be positive"),
            (bool(((self.type_index >= 0) & (self.type_index < types)).all()), "type_index names no type"),
            (bool(((self.verdict >= WITHIN) & (self.verdict <= NOT_MEASURED)).all()), "verdict must be 0 to 3"),
            (bool((np.diff(self.distance) > 0.0).all()), "slabs must stand in the order of their distance"),
            (all(value > 0.0 for value in self.tolerance_mm.values()), "a tolerance must be positive"),
            (self.bed_depth > 0.0 and self.bed_width > 0.0, "bed_depth and bed_width must be positive"),
            (max((len(mark) for mark in self.marks), default=0) <= self.corner_deviation_mm.shape[1],
             "corner_deviation_mm has fewer corners than a slab type has marks"),
            (bool((self.measured | (self.verdict != WITHIN)).all()), "a slab without a pose cannot be within"),
        ]  # fmt: skip
        rules += [(bool(np.isfinite(getattr(self, name)).all()), f"{name} must be finite") for name in finite]
        for kept, rule in rules:
            if not kept:
                raise ValueError(rule)

    def __repr__(self) -> str:
        return f"Section({self.title!r}, {len(self)} slabs, {len(fields(self))} fields)"

    def __len__(self) -> int:
        return len(self.slab_names)

    def bed_under(self, slabs: Integers, across: ArrayLike) -> Floats:
        """Return how far the bed by design lies below the top face of target slabs, along their z axis, m.

        Parameters
        ----------
        slabs : ndarray of int, shape (s,)
        across : array_like, shape (s, ...) or one that goes with it
            Places, + right of the middle of a slab, m.
        """
        place = np.asarray(across, dtype=np.float64)
        place = np.broadcast_to(place, (len(slabs), *place.shape[1:]))
        if self.bed_follows_cant:
            return np.full(place.shape, self.bed_depth)
        half = np.array([np.abs(ring[:, 0]).max() for ring in self.outlines])[self.type_index[slabs]]
        slope = -self.target_rotation[slabs, 2, 0] / self.target_rotation[slabs, 2, 2]  # + left side up
        half, slope = (part.reshape(-1, *[1] * (place.ndim - 1)) for part in (half, slope))
        return np.asarray(self.bed_depth + half * np.abs(slope) - slope * place)

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Which slabs have a built pose, shape (n,)."""
        pose = np.concatenate([self.built_position, self.built_rotation.reshape(-1, 9)], axis=1)
        measured: NDArray[np.bool_] = np.isfinite(pose).all(axis=1)
        return measured

    @property
    def size(self) -> Floats:
        """Width and length of each slab's outline, m, shape (n, 2)."""
        spans: Floats = np.array([np.ptp(ring, axis=0) for ring in self.outlines])[self.type_index]
        return spans

    def quantity(self, name: str) -> Floats:
        """Return one part of the deviation at each slab's marks.

        Parameters
        ----------
        name : str
            One of ``QUANTITIES``.

        Returns
        -------
        ndarray, shape (n, m)
            mm; + right, + forward or + up; nan where unknown.

        Raises
        ------
        SlabposeError
            If there is no quantity of that name.
        """
        if name not in QUANTITIES:
            raise SlabposeError(f"there is no quantity {name!r}; choose one of {', '.join(QUANTITIES)}")
        values: Floats = self.corner_deviation_mm[:, :, QUANTITIES.index(name)]
        return values

    def largest(self, name: str) -> Floats:
        """Return each slab's largest corner value by amount, with its sign, mm, shape (n,); nan if none is known."""
        values = self.quantity(name)
        if values.shape[1] == 0:
            return np.full(len(self), np.nan)
        amounts = np.where(np.isnan(values), -1.0, np.abs(values))
        corner = amounts.argmax(axis=1)
        largest: Floats = np.take_along_axis(values, corner[:, None], axis=1)[:, 0]
        return largest

    def worst(self, name: str, count: int) -> Integers:
        """Return the slabs with the largest amounts of a quantity, largest first; slabs without a value never.

        Parameters
        ----------
        name : str
            One of ``QUANTITIES``.
        count : int
            How many at most.

        Returns
        -------
        ndarray of int
            Slab indices.
        """
        amount = np.abs(self.largest(name))
        order: Integers = np.argsort(-amount, kind="stable")  # nan sorts last
        return order[np.isfinite(amount[order])][:count]

    def slab(self, name: str) -> int:
        """Return the index of the slab of that name.

        Raises
        ------
        SlabposeError
            If no slab has it; tells the first and last name.
        """
        found = np.flatnonzero(self.slab_names == name)
        if not len(found):
            raise SlabposeError(
                f"no slab is called {name!r}; they run from {self.slab_names[0]} to {self.slab_names[-1]}"
            )
        return int(found[0])
