"""The elements an alignment is given by: horizontal, vertical and cant."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from geometry.errors import AlignmentError

__all__ = [
    "CANT_KINDS",
    "HORIZONTAL_KINDS",
    "VERTICAL_KINDS",
    "CantElement",
    "HorizontalElement",
    "VerticalElement",
]

HorizontalKind = Literal["straight", "arc", "clothoid", "bloss", "cosine", "sine", "helmert", "cubic", "viennese"]
VerticalKind = Literal["gradient", "parabola", "arc", "clothoid"]
CantKind = Literal["constant", "linear", "bloss", "cosine", "sine", "helmert", "viennese"]

HORIZONTAL_KINDS: Final = (
    "straight", "arc", "clothoid", "bloss", "cosine", "sine", "helmert", "cubic", "viennese",
)  # fmt: skip
VERTICAL_KINDS: Final = ("gradient", "parabola", "arc", "clothoid")
CANT_KINDS: Final = ("constant", "linear", "bloss", "cosine", "sine", "helmert", "viennese")


def _require(condition: bool, message: str) -> None:
    if not condition:
        raise AlignmentError(message)


@dataclass(frozen=True)
class HorizontalElement:
    """One element of the horizontal alignment.

    Parameters
    ----------
    kind : str
        One of `HORIZONTAL_KINDS`.
    length : float
        Length along the curve in the grid, m. For a cubic with ``length_along="abscissa"`` the extent
        along its own tangent axis instead; its length along the curve is then a little more.
    curvature_start, curvature_end : float
        1/m, + to the right.
    easting, northing : float, optional
        Start in the grid, m. Left out: where the element before it ends.
    bearing : float, optional
        Bearing at the start, rad, clockwise from grid north. Left out: that of the end before it.
    length_along : {"arc", "abscissa"}
        What `length` of a cubic counts; see above. The two differ by 14 mm at R 7000, L 300.
    """

    kind: HorizontalKind
    length: float
    curvature_start: float = 0.0
    curvature_end: float = 0.0
    easting: float | None = None
    northing: float | None = None
    bearing: float | None = None
    length_along: Literal["arc", "abscissa"] = "arc"

    def __post_init__(self) -> None:
        _require(self.kind in HORIZONTAL_KINDS, f"unknown kind of horizontal element {self.kind!r}")
        numbers = (self.length, self.curvature_start, self.curvature_end, self.easting, self.northing, self.bearing)
        _require(all(n is None or math.isfinite(n) for n in numbers), f"{self.kind}: a number is not finite")
        _require(self.length > 0, f"{self.kind}: length must be positive, is {self.length} m")
        _require((self.easting is None) == (self.northing is None), f"{self.kind}: start needs both coordinates")
        change = self.curvature_end - self.curvature_start
        if self.kind == "straight":
            _require(self.curvature_start == 0 == self.curvature_end, "a straight has no radius")
        elif self.kind == "arc":
            _require(self.curvature_start != 0 and change == 0, "an arc has one radius, at both ends")
        else:
            _require(change != 0, f"a {self.kind} needs two different radii")
        _require(self.kind == "cubic" or self.length_along == "arc", "only a cubic can count its abscissa")


@dataclass(frozen=True)
class VerticalElement:
    """One element of the profile.

    Parameters
    ----------
    kind : str
        One of `VERTICAL_KINDS`. An arc has the sine of its slope angle linear in the distance; a clothoid
        has its curvature linear in its own length.
    start : float
        Distance of its start along the horizontal alignment, m.
    length : float
        Horizontal length, m.
    gradient_start, gradient_end : float
        Rise over run, + upwards. The gradients govern; radii are only checked against them.
    level : float, optional
        Level at the start, m. Left out: where the element before it ends.
    curvature_start : float
        Clothoid only: curvature of the profile at its start, 1/m, + in a sag. The other end follows
        from the gradients.
    """

    kind: VerticalKind
    start: float
    length: float
    gradient_start: float
    gradient_end: float
    level: float | None = None
    curvature_start: float = 0.0

    def __post_init__(self) -> None:
        _require(self.kind in VERTICAL_KINDS, f"unknown kind of vertical element {self.kind!r}")
        numbers = (self.start, self.length, self.gradient_start, self.gradient_end, self.level, self.curvature_start)
        _require(all(n is None or math.isfinite(n) for n in numbers), f"{self.kind}: a number is not finite")
        _require(self.length > 0, f"{self.kind}: length must be positive, is {self.length} m")
        if self.kind == "gradient":
            _require(self.gradient_start == self.gradient_end, "a constant gradient has one gradient")
        else:
            _require(self.gradient_start != self.gradient_end, f"a vertical {self.kind} needs two gradients")


@dataclass(frozen=True)
class CantElement:
    """One element of the cant.

    Parameters
    ----------
    kind : str
        One of `CANT_KINDS`.
    start : float
        Distance of its start along the horizontal alignment, m.
    length : float
        Length along the horizontal alignment, m.
    cant_start, cant_end : float
        Height of the left rail over the right one, m, over the cant base.
    """

    kind: CantKind
    start: float
    length: float
    cant_start: float
    cant_end: float

    def __post_init__(self) -> None:
        _require(self.kind in CANT_KINDS, f"unknown kind of cant element {self.kind!r}")
        numbers = (self.start, self.length, self.cant_start, self.cant_end)
        _require(all(math.isfinite(n) for n in numbers), f"{self.kind} cant: a number is not finite")
        _require(self.length > 0, f"{self.kind} cant: length must be positive, is {self.length} m")
        same = self.cant_start == self.cant_end
        _require(same == (self.kind == "constant"), f"a {self.kind} cant needs "
                 f"{'one value' if self.kind == 'constant' else 'two different values'}")  # fmt: skip
