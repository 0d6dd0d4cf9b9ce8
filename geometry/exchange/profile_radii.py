"""What radii say of the elements of a profile whose gradients are given."""

from __future__ import annotations

import math

from geometry.alignment import VerticalElement
from geometry.errors import AlignmentError, Faults

__all__ = ["clothoid_start", "tell_radius"]

_AGREES = 1e-3  # radii are printed rounded


def clothoid_start(radii: tuple[float | None, float | None], first: float, last: float, length: float) -> float:
    """Return the start curvature of a vertical clothoid, 1/m: one end is straight unless both radii stand there.

    Parameters
    ----------
    radii : tuple of float or None
        At its start and its end, m; None for a straight end.
    first, last : float
        Gradients at its ends.
    length : float
        Along the distance, m.

    Raises
    ------
    AlignmentError
        If neither radius is given.
    """
    if radii[0] is None and radii[1] is None:
        raise AlignmentError("a vertical clothoid needs radius_start_m or radius_end_m: which end is curved?")
    if radii[0] is None:
        return 0.0
    if radii[1] is not None:
        return 1 / radii[0]
    # straight at its end: the change of slope is half the start curvature times its own length
    turn = math.atan(last) - math.atan(first)
    own = length * math.sqrt(1 + ((first + last) / 2) ** 2)
    for _ in range(20):  # own length by Simpson on 1 / cos of the slope, as the curvature it gives settles
        bend = 2 * turn / own
        middle = math.atan(first) + bend * own / 2 - bend * own / 8
        mean_cosine = (math.cos(math.atan(first)) + 4 * math.cos(middle) + math.cos(math.atan(last))) / 6
        own = length / mean_cosine
    return 2 * turn / own


def tell_radius(element: VerticalElement, given: float | None, where: str, faults: Faults) -> None:
    """Warn of a radius, m, that contradicts the gradients of a parabola or an arc, which govern."""
    if given is None or element.kind not in ("parabola", "arc"):
        return
    change = element.gradient_end - element.gradient_start
    sines = [g / math.sqrt(1 + g * g) for g in (element.gradient_start, element.gradient_end)]
    radius = element.length / (change if element.kind == "parabola" else sines[1] - sines[0])
    if not abs(abs(given) - abs(radius)) <= _AGREES * abs(radius):
        faults.warn(where, f"the radius {radius:.1f} m that the gradients give", f"{given:g}", "the gradients govern")
