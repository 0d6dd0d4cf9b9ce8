"""The design alignment: built from elements, checked for jumps, compiled once."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

import numpy as np
from scipy.interpolate import PPoly

from geometry.errors import AlignmentError

from .compiling import Track, compile_cant, compile_horizontal, compile_vertical, curve_lengths
from .elements import CantElement, HorizontalElement, VerticalElement
from .laws import Floats

__all__ = ["Alignment", "AllowedJump", "Joint", "TrackRules", "build"]

Profile = Literal["horizontal", "vertical", "cant"]

# quantity -> (unit shown, factor to that unit, largest jump at a joint). Design files print coordinates to
# 0.1 mm or coarser and bearings to about 1e-6 rad, so smaller jumps are rounding; larger ones bend a slab row
_JUMPS = {
    "position": ("mm", 1e3, 0.2e-3),
    "bearing": ("mrad", 1e3, 1e-5),
    "curvature": ("1/km", 1e3, 1e-6),
    "level": ("mm", 1e3, 0.2e-3),
    "gradient": ("permille", 1e3, 1e-5),
    "cant": ("mm", 1e3, 0.1e-3),
}
_TOUCH = 1e-3  # ends of profile and cant elements may miss each other by the rounding of a chainage, m


@dataclass(frozen=True)
class TrackRules:
    """How cant turns the track, and how the grid shows lengths.

    Parameters
    ----------
    pivot : {"low_rail", "centre"}
        What keeps the level of the profile when the track is canted.
    plan_held : {"centre", "rail"}
        With the low rail as pivot: whether the centre line stays on the horizontal alignment (as in
        ISO 16739-1) or swings about the rail, up to 2.6 mm sideways at 125 mm of cant.
    cant_base : float
        Distance between the rail head centres, m.
    cant_angle : {"arcsin", "ratio", "arctan"}
        How roll follows from cant over cant base.
    gravity_height : float
        Height of the centre of gravity that a Viennese bend keeps on its line, m over the rails.
    grid_scale : float
        Combined scale factor: grid length over true length.
    """

    pivot: Literal["low_rail", "centre"] = "low_rail"
    plan_held: Literal["centre", "rail"] = "centre"
    cant_base: float = 1.5
    cant_angle: Literal["arcsin", "ratio", "arctan"] = "arcsin"
    gravity_height: float = 1.8
    grid_scale: float = 1.0


@dataclass(frozen=True)
class AllowedJump:
    """A jump that the project accepts: `quantity` at the start of element number `element` (from 1)."""

    quantity: str
    element: int


@dataclass(frozen=True)
class Joint:
    """A jump between two elements.

    Attributes
    ----------
    quantity : str
        position, bearing, curvature, level, gradient or cant.
    element : int
        Number of the element that starts here, from 1.
    distance : float
        Distance along the alignment, m.
    jump : float
        Size of the jump, start of the next less end of the last; m, rad, 1/m or rise over run.
    """

    quantity: str
    element: int
    distance: float
    jump: float

    @property
    def profile(self) -> Profile:
        """Which of horizontal, vertical and cant the joint belongs to."""
        return {"level": "vertical", "gradient": "vertical", "cant": "cant"}.get(self.quantity, "horizontal")  # type: ignore[return-value]

    @property
    def tolerance(self) -> float:
        """Largest jump that counts as rounding, in the same unit."""
        return _JUMPS[self.quantity][2]

    def __str__(self) -> str:
        """Return the jump in words."""
        unit, factor, largest = _JUMPS[self.quantity]
        return (
            f"{self.quantity} jumps by {self.jump * factor:+.4g} {unit} where element {self.element} starts, "
            f"at distance {self.distance:.3f} m (at most {largest * factor:g} {unit})"
        )


@dataclass(frozen=True, eq=False)
class Alignment:
    """A compiled alignment; make one with `build`.

    Attributes
    ----------
    horizontal, vertical, cant : tuple
        The elements it was made from.
    rules : TrackRules
        Pivot, cant base, grid scale.
    length : float
        Length along the horizontal alignment in the grid, m.
    joints : tuple of Joint
        Every jump above rounding of float64, small ones too.
    track, profile_curve, cant_curve, length_curve
        Compiled forms; see `compiling`.
    """

    horizontal: tuple[HorizontalElement, ...]
    vertical: tuple[VerticalElement, ...]
    cant: tuple[CantElement, ...]
    rules: TrackRules
    length: float
    joints: tuple[Joint, ...]
    track: Track = field(repr=False)
    profile_curve: PPoly = field(repr=False)
    cant_curve: PPoly = field(repr=False)
    length_curve: PPoly = field(repr=False)

    @property
    def smallest_radius(self) -> float:
        """Smallest radius at the ends of elements, m; infinite for a straight line."""
        largest = float(max(np.abs(self.track.curvature.start).max(), np.abs(self.track.curvature.end).max()))
        return 1 / largest if largest > 0 else float("inf")


def build(
    horizontal: Sequence[HorizontalElement],
    vertical: Sequence[VerticalElement],
    cant: Sequence[CantElement] = (),
    rules: TrackRules | None = None,
    allowed_jumps: Collection[AllowedJump] = (),
) -> Alignment:
    """Build an alignment.

    Parameters
    ----------
    horizontal, vertical, cant : sequence
        Elements in order. Profile and cant have to reach from the start of the horizontal alignment to
        its end; without cant elements there is no cant.
    rules : TrackRules, optional
        Pivot, cant base, grid scale.
    allowed_jumps : collection of AllowedJump
        Jumps that are meant.

    Returns
    -------
    Alignment

    Raises
    ------
    AlignmentError
        If elements are missing, overlap, leave gaps, or jump by more than rounding; all faults together.

    Examples
    --------
    >>> line = build([HorizontalElement("straight", 100.0, easting=0, northing=0, bearing=0)],
    ...              [VerticalElement("gradient", 0.0, 100.0, 0.01, 0.01, level=50.0)])
    >>> line.length
    100.0
    """
    rules = rules or TrackRules()
    if not horizontal or not vertical:
        raise AlignmentError("an alignment needs at least one horizontal and one vertical element")
    if horizontal[0].easting is None or horizontal[0].bearing is None:
        raise AlignmentError("the first horizontal element needs easting, northing and bearing")
    if vertical[0].level is None:
        raise AlignmentError("the first vertical element needs a level")
    lengths = curve_lengths(horizontal)
    total = float(lengths.sum())
    cant = cant or (CantElement("constant", 0.0, total, 0.0, 0.0),)
    faults = [*_covering("vertical", vertical, total), *_covering("cant", cant, total)]
    if faults:
        raise AlignmentError(faults)

    cant_curve, cant_ends = compile_cant(cant)
    edges = np.concatenate([[0.0], np.cumsum(lengths)])
    at_edges = cant_curve(np.clip(edges, cant_curve.x[0], cant_curve.x[-1]))[:, 0]
    track = compile_horizontal(horizontal, np.diff(at_edges) / rules.cant_base, rules.gravity_height)
    profile, true_length, level_ends, gradient_ends = compile_vertical(vertical, rules.grid_scale)

    gap = np.hypot(*track.position.jumps().T)
    turn = np.remainder(track.bearing.jumps() + np.pi, 2 * np.pi) - np.pi
    vertical_starts = np.array([e.start for e in vertical])
    joints = [
        *_joints("position", track.starts, gap),
        *_joints("bearing", track.starts, turn),
        *_joints("curvature", track.starts, track.curvature.jumps()),
        *_joints("level", vertical_starts, level_ends.jumps()),
        *_joints("gradient", vertical_starts, gradient_ends.jumps()),
        *_joints("cant", np.array([e.start for e in cant]), cant_ends.jumps()),
    ]
    allowed = {(a.quantity, a.element) for a in allowed_jumps}
    faults = [
        (j.profile, j.element, str(j))
        for j in joints
        if not abs(j.jump) <= j.tolerance and (j.quantity, j.element) not in allowed
    ]
    if faults:
        raise AlignmentError(faults)
    return Alignment(
        tuple(horizontal), tuple(vertical), tuple(cant), rules, float(track.starts[-1]), tuple(joints),
        track, profile, cant_curve, true_length,
    )  # fmt: skip


def _covering(
    name: Profile, elements: Sequence[VerticalElement | CantElement], total: float
) -> list[tuple[str, int, str]]:
    """Return what keeps elements from covering [0, total] once: profile, element, words."""
    faults: list[tuple[str, int, str]] = []
    if not elements[0].start <= _TOUCH:
        text = f"{name} element 1 starts at distance {elements[0].start:.3f} m, after the alignment does"
        faults.append((name, 1, text))
    for number, (this, following) in enumerate(pairwise(elements), start=1):
        miss = following.start - (this.start + this.length)
        if not abs(miss) <= _TOUCH:
            what = "leaves a gap of" if miss > 0 else "overlaps the next by"
            text = (
                f"{name} element {number} {what} {abs(miss):.3f} m: it ends at distance "
                f"{this.start + this.length:.3f} m, element {number + 1} starts at {following.start:.3f} m"
            )
            faults.append((name, number, text))
    end = elements[-1].start + elements[-1].length
    if not end >= total - _TOUCH:
        text = f"{name} elements end at distance {end:.3f} m, before the alignment does at {total:.3f} m"
        faults.append((name, len(elements), text))
    return faults


def _joints(quantity: str, starts: Floats, jumps: Floats) -> list[Joint]:
    rounding = 1e-3 * _JUMPS[quantity][2]
    return [
        Joint(quantity, int(i) + 2, float(starts[i + 1]), float(jumps[i]))
        for i in np.flatnonzero(~(np.abs(jumps) <= rounding))
    ]
