"""What trains ask of an alignment: cant deficiency, rates of change, lengths, vertical curves, against limits.

The formulas are those of EN 13803 and of the textbooks of railway design:

* equilibrium cant ``11.8 V^2 / R`` (mm, km/h, m) for a cant base of 1500 mm, in proportion for another base;
* cant deficiency is the equilibrium cant less the cant, cant excess the opposite, at the speed of a slow train;
* rates of change over time are those over length times the speed;
* vertical acceleration ``V^2 / (12.96 R)`` (m/s^2, km/h, m).

Where several laws act at once, values are taken at 65 places of every stretch between joints, ends and middle
included: that meets the largest rate of every law by itself, and of their sum within 0.1 percent.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal, get_args

import numpy as np
import numpy.typing as npt

from .alignment import Alignment, Profile
from .laws import Floats

__all__ = [
    "QUANTITIES",
    "DesignLimit",
    "DesignQuantity",
    "Measured",
    "Measures",
    "SpeedProfile",
    "allowed_speed",
    "measure",
    "speed_profile",
]

DesignQuantity = Literal[
    "radius", "cant", "cant_deficiency", "cant_excess", "cant_gradient", "cant_rate", "deficiency_rate",
    "deficiency_step", "running_time", "vertical_radius", "vertical_acceleration", "gradient", "gradient_change",
    "overlap",
]  # fmt: skip

QUANTITIES: Final[dict[DesignQuantity, tuple[str, bool, str]]] = {
    "radius": ("m", False, "radius"),
    "cant": ("mm", True, "cant"),
    "cant_deficiency": ("mm", True, "cant deficiency"),
    "cant_excess": ("mm", True, "cant excess"),
    "cant_gradient": ("mm_per_m", True, "cant gradient"),
    "cant_rate": ("mm_per_s", True, "rate of change of cant"),
    "deficiency_rate": ("mm_per_s", True, "rate of change of deficiency"),
    "deficiency_step": ("mm", True, "abrupt change of deficiency"),
    "running_time": ("s", False, "running time on the element"),
    "vertical_radius": ("m", False, "vertical radius"),
    "vertical_acceleration": ("m_per_s2", True, "vertical acceleration"),
    "gradient": ("permille", True, "gradient"),
    "gradient_change": ("permille", True, "abrupt change of gradient"),
    "overlap": ("m", True, "overlap with a transition"),
}
"""Unit, whether the limit is a largest value (else a smallest one), and words of each quantity."""
assert tuple(QUANTITIES) == get_args(DesignQuantity)

EQUILIBRIUM: Final = 11.8  # mm m h^2 / km^2 over a cant base of 1500 mm
_FINEST = 64  # steps of a stretch; even, so that its middle is met
_INSIDE = 1e-9  # places stay this part of a stretch away from its joints, so that each belongs to one element
_HAIR = 1e-9


@dataclass(frozen=True)
class DesignLimit:
    """A limit for a quantity within a range of speeds.

    Parameters
    ----------
    quantity : str
        One of `QUANTITIES`, which also say the unit and whether the limit is a largest or a smallest value.
    normal, exceptional : float, optional
        None where there is none.
    over_kmh, upto_kmh : float
        The speeds it holds for: above the first, up to and with the second.
    source, clause : str
    checked : str
        Whether the value was read in its source or is from memory.
    """

    quantity: DesignQuantity
    normal: float | None
    exceptional: float | None
    over_kmh: float
    upto_kmh: float
    source: str
    clause: str
    checked: str

    def holds_at(self, speed: float) -> bool:
        """Return whether the limit is one for a speed, km/h."""
        return self.over_kmh < speed <= self.upto_kmh


@dataclass(frozen=True, eq=False)
class Measured:
    """One quantity of every element, or joint, that has it; arrays of shape (k,).

    Attributes
    ----------
    quantity : str
    profile : {"horizontal", "vertical", "cant"}
        What `element` counts.
    element : ndarray of int
        Number of the element, from 1; of a joint the one that starts there.
    start, end : ndarray
        Distance along the alignment, m.
    value : ndarray
        The worst value, in the unit of `QUANTITIES`.
    place : ndarray
        Where that is, distance, m.
    speed_for, length_for : callable
        Return the largest speed, km/h, and the shortest length of the element, m, that keep a limit; nan where
        neither is a remedy.
    """

    quantity: DesignQuantity
    profile: Profile
    element: npt.NDArray[np.intp]
    start: Floats
    end: Floats
    value: Floats
    place: Floats
    speed_for: Callable[[float], Floats]
    length_for: Callable[[float], Floats]

    def beyond(self, limit: float) -> npt.NDArray[np.bool_]:
        """Return which values break a limit; what is not known does."""
        largest = QUANTITIES[self.quantity][1]
        hair = _HAIR * max(1.0, abs(limit))
        return np.asarray(~(self.value <= limit + hair) if largest else ~(self.value >= limit - hair))


@dataclass(frozen=True, eq=False)
class Measures:
    """All quantities of an alignment at one speed.

    Attributes
    ----------
    speed, slow : float
        Speed that it is for, and that of the slowest train, km/h.
    by_quantity : dict
    """

    speed: float
    slow: float
    by_quantity: dict[DesignQuantity, Measured]


@dataclass(frozen=True, eq=False)
class SpeedProfile:
    """The largest speed along the line; arrays of shape (k,), for the stretches between joints.

    Attributes
    ----------
    start, end : ndarray
        Distance, m.
    speed : ndarray
        km/h; infinite where nothing limits it, 0 where no speed keeps the limits.
    governs : ndarray of str
        The quantity that limits it; "" where none does.
    """

    start: Floats
    end: Floats
    speed: Floats
    governs: npt.NDArray[np.str_]


@dataclass(frozen=True, eq=False)
class _Stretches:
    """Values at 65 places, shape (c, 65), of every stretch between joints of all three profiles."""

    edges: Floats
    s: Floats
    curvature: Floats
    curvature_slope: Floats
    cant: Floats
    cant_slope: Floats


def _edges(alignment: Alignment) -> Floats:
    """Return the joints of all three profiles, distance, m; those a millimetre apart are one rounded twice."""
    vertical, cant = (np.array([e.start for e in profile]) for profile in (alignment.vertical, alignment.cant))
    edges = np.unique(np.clip(np.concatenate([alignment.track.starts, vertical, cant]), 0.0, alignment.length))
    return np.concatenate([edges[:-1][np.diff(edges) > 1e-3], edges[-1:]])


def _stretches(alignment: Alignment) -> _Stretches:
    edges = _edges(alignment)
    xi = np.linspace(_INSIDE, 1 - _INSIDE, _FINEST + 1)
    s = edges[:-1, None] + np.diff(edges)[:, None] * xi
    return _Stretches(
        edges, s, alignment.track.curve(s, 1)[..., 2], alignment.track.curve(s, 2)[..., 2],
        alignment.cant_curve(s)[..., 0] * 1e3, alignment.cant_curve(s, 1)[..., 0] * 1e3,
    )  # fmt: skip


def _worst(values: Floats, s: Floats, edges: Floats, starts: Floats) -> tuple[Floats, Floats]:
    """Return the largest value within each element and where it is first; nan where an element has no stretch."""
    middle = (edges[:-1] + edges[1:]) / 2
    owner = np.clip(np.searchsorted(starts, middle, side="right") - 1, 0, len(starts) - 1)
    best = _first_largest(values)[:, None]
    most, at = np.take_along_axis(values, best, 1)[:, 0], np.take_along_axis(s, best, 1)[:, 0]
    order = np.lexsort((-at, np.round(most, 9), owner))
    last = np.flatnonzero(np.diff(owner[order], append=-1))
    result, place = np.full(len(starts), np.nan), np.full(len(starts), np.nan)
    result[owner[order[last]]], place[owner[order[last]]] = most[order[last]], at[order[last]]
    return result, place


def _first_largest(values: Floats) -> npt.NDArray[np.intp]:
    """Return where each row is largest: the first place, as on an arc only rounding tells one from the other."""
    most = values.max(axis=1, keepdims=True)
    return np.asarray((values >= most - _HAIR * np.maximum(np.abs(most), 1e-6)).argmax(axis=1))


def _no_remedy(size: int) -> Callable[[float], Floats]:
    return lambda _limit: np.full(size, np.nan)


def measure(alignment: Alignment, speed: float, slow: float | None = None) -> Measures:
    """Measure an alignment at a speed.

    Parameters
    ----------
    alignment : Alignment
    speed : float
        km/h.
    slow : float, optional
        Speed of the slowest train, for the cant excess, km/h. Left out: all run at `speed`.

    Returns
    -------
    Measures

    Examples
    --------
    Equilibrium cant at 350 km/h and R 7000 m is 206.5 mm; with 175 mm of cant 31.5 mm are lacking.

    >>> from .alignment import build
    >>> from .elements import CantElement, HorizontalElement, VerticalElement
    >>> line = build([HorizontalElement("arc", 500.0, 1 / 7000, 1 / 7000, easting=0, northing=0, bearing=0)],
    ...              [VerticalElement("gradient", 0.0, 500.0, 0.01, 0.01, level=50.0)],
    ...              [CantElement("constant", 0.0, 500.0, 0.175, 0.175)])
    >>> measure(line, 350.0).by_quantity["cant_deficiency"].value.round(3).tolist()
    [31.5]
    """
    slow = speed if slow is None else slow
    found = [*_horizontal(alignment, speed, slow), *_vertical(alignment, speed)]
    return Measures(speed, slow, {m.quantity: m for m in found})


def _horizontal(alignment: Alignment, speed: float, slow: float) -> list[Measured]:
    c = _stretches(alignment)
    starts, edges = alignment.track.starts[:-1], c.edges
    cant_starts = np.array([e.start for e in alignment.cant])
    factor = EQUILIBRIUM * alignment.rules.cant_base / 1.5
    side = np.where(c.curvature < 0, -1.0, 1.0)
    bend, inward = np.abs(c.curvature), c.cant * side
    # on a straight cant is excess, whichever rail is the higher one
    inward = np.where(bend > 0, inward, np.abs(c.cant))

    def of_track(quantity: DesignQuantity, values: Floats, keep: npt.NDArray[np.bool_],
                 speed_for: Callable[[float, npt.NDArray[np.intp]], Floats] | None = None,
                 length_for: Callable[[Floats, Floats, float], Floats] | None = None) -> Measured:  # fmt: skip
        value, place = _worst(values, c.s, edges, starts)
        keep = keep & ~np.isnan(value)
        return _measured(quantity, "horizontal", alignment.track.starts, keep, value, place, speed_for, length_for)

    kinds = np.array([e.kind for e in alignment.horizontal])
    all_of = np.ones(len(kinds), dtype=bool)
    curved, bent = kinds != "straight", (kinds != "straight") & (kinds != "arc")
    lengths = np.diff(alignment.track.starts)
    # the first and the last element may go on beyond the file: how long they are is not known
    whole = (np.arange(len(kinds)) > 0) & (np.arange(len(kinds)) < len(kinds) - 1)

    largest_bend, tightest = _worst(bend, c.s, edges, starts)
    radius = 1 / np.where(largest_bend > 0, largest_bend, np.nan)

    def by_deficiency(limit: float, rows: npt.NDArray[np.intp]) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):
            room = np.sqrt(np.maximum(limit + inward, 0.0) / (factor * bend))
        return -_worst(np.where(bend > 0, -room, -np.inf), c.s, edges, starts)[0][rows]

    def by_rate(limit: float, rows: npt.NDArray[np.intp]) -> Floats:
        sign = np.where(c.curvature_slope < 0, -1.0, 1.0)
        largest = _speed_of_rate(factor * np.abs(c.curvature_slope), c.cant_slope * sign, limit)
        return -_worst(-largest, c.s, edges, starts)[0][rows]

    def stretched(length: Floats, value: Floats, limit: float) -> Floats:
        return length * value / limit

    jumps = alignment.track.curvature.jumps()
    step = factor * speed**2 * np.abs(jumps)
    at_joint = np.concatenate([[False], step > 1e-6])
    result = [
        _measured("radius", "horizontal", alignment.track.starts, curved & (largest_bend > 0), radius, tightest),
        of_track("cant_deficiency", factor * speed**2 * bend - inward, all_of, by_deficiency),
        of_track("cant_excess", inward - factor * slow**2 * bend, all_of),
        of_track("deficiency_rate", np.abs(factor * speed**2 * c.curvature_slope - c.cant_slope) * speed / 3.6,
                 all_of, by_rate, stretched),
        _measured("deficiency_step", "horizontal", alignment.track.starts, at_joint, np.concatenate([[0.0], step]),
                  starts, lambda limit, rows: speed * np.sqrt(limit / np.concatenate([[np.nan], step])[rows])),
        _measured("running_time", "horizontal", alignment.track.starts, ~bent & whole, lengths * 3.6 / speed, starts,
                  lambda limit, rows: lengths[rows] * 3.6 / limit,
                  lambda _length, value, limit: np.full(len(value), limit * speed / 3.6)),
    ]  # fmt: skip
    cant_ends = np.append(cant_starts, alignment.length)
    high, where = _worst(np.abs(c.cant), c.s, edges, cant_starts)
    steep, steepest = _worst(np.abs(c.cant_slope), c.s, edges, cant_starts)
    ramps = ~np.isnan(steep) & (steep > 0)
    result += [
        _measured("cant", "cant", cant_ends, ~np.isnan(high), high, where),
        _measured("cant_gradient", "cant", cant_ends, ramps, steep, steepest, None, stretched),
        _measured("cant_rate", "cant", cant_ends, ramps, steep * speed / 3.6, steepest,
                  lambda limit, rows: limit * 3.6 / steep[rows], stretched),
    ]  # fmt: skip
    return result


def _speed_of_rate(a: Floats, b: Floats, limit: float) -> Floats:
    """Return the largest V with ``|a V^2 - b| V <= 3.6 limit``, km/h: the upper root of a cubic.

    It is a V^3 - b V = 3.6 limit; with a = 0 only the cant changes, and b says how fast.
    """
    target = 3.6 * limit
    with np.errstate(divide="ignore", invalid="ignore"):
        # above both of these the cubic is over the target, and Newton comes down to the root from there
        v = np.where(a > 0, np.cbrt(2 * target / a) + np.sqrt(2 * np.maximum(b, 0.0) / a), target / np.abs(b))
        for _ in range(60):
            step = np.where(a > 0, (a * v**3 - b * v - target) / (3 * a * v**2 - b), 0.0)
            v = v - np.nan_to_num(step)
            if not (np.abs(step) > 1e-9 * v).any():
                break
    return np.asarray(v)


def _vertical(alignment: Alignment, speed: float) -> list[Measured]:
    elements = alignment.vertical
    starts = np.array([e.start for e in elements])
    ends = np.append(starts, alignment.length)
    xi = np.linspace(_INSIDE, 1 - _INSIDE, _FINEST + 1)
    s = np.clip(starts, 0.0, None)[:, None] + np.maximum(np.diff(ends), 0.0)[:, None] * xi
    s = np.clip(s, 0.0, alignment.length)
    slope, bend = (alignment.profile_curve(s, order)[..., 0] for order in (1, 2))
    # the gradient changes along the plan, but the curve is that of the profile
    bend = np.abs(bend) / (1 + slope**2) ** 1.5
    row = np.arange(len(elements))
    sharp, steep = _first_largest(bend), _first_largest(np.abs(slope))
    curved = np.array([e.kind != "gradient" for e in elements]) & (bend[row, sharp] > 0)
    with np.errstate(divide="ignore"):
        radius = 1 / bend[row, sharp]
    acceleration = speed**2 / (12.96 * radius)
    before = np.array([e.gradient_end for e in elements[:-1]])
    change = np.abs(np.array([e.gradient_start for e in elements[1:]]) - before) * 1e3
    change = np.concatenate([[0.0], change])
    overlap, at = _overlap(alignment, curved, ends)
    return [
        _measured("vertical_radius", "vertical", ends, curved, radius, s[row, sharp], None,
                  lambda length, value, limit: length * limit / value),
        _measured("vertical_acceleration", "vertical", ends, curved, acceleration, s[row, sharp],
                  lambda limit, rows: speed * np.sqrt(limit / acceleration[rows]),
                  lambda length, value, limit: length * value / limit),
        _measured("gradient", "vertical", ends, np.ones(len(row), dtype=bool), np.abs(slope)[row, steep] * 1e3,
                  s[row, steep]),
        _measured("gradient_change", "vertical", ends, change > 1e-3, change, starts),
        _measured("overlap", "vertical", ends, overlap > 1e-3, overlap, at),
    ]  # fmt: skip


def _overlap(alignment: Alignment, curved: npt.NDArray[np.bool_], ends: Floats) -> tuple[Floats, Floats]:
    """Return how much of each vertical curve lies on transitions, m, and where the first such place is."""
    bent = np.array([e.kind not in ("straight", "arc") for e in alignment.horizontal])
    low, high = alignment.track.starts[:-1][bent], alignment.track.starts[1:][bent]
    # curves and transitions are each in order and apart: length covered by sums up to a place
    reach = np.concatenate([[0.0], np.cumsum(high - low)])

    def covered(place: Floats) -> Floats:
        k = np.searchsorted(low, place, side="right")
        inside = np.where(k > 0, np.minimum(place, high[k - 1]) - low[k - 1], 0.0) if len(low) else np.zeros(len(place))
        return reach[np.maximum(k - 1, 0)] + np.maximum(inside, 0.0)

    total = np.where(curved, covered(ends[1:]) - covered(ends[:-1]), 0.0)
    k = np.searchsorted(high, ends[:-1], side="right")
    first = np.maximum(low[np.minimum(k, len(low) - 1)], ends[:-1]) if len(low) else ends[:-1]
    return total, first


def _measured(
    quantity: DesignQuantity, profile: Profile, edges: Floats, keep: npt.NDArray[np.bool_], value: Floats,
    place: Floats,
    speed_for: Callable[[float, npt.NDArray[np.intp]], Floats] | None = None,
    length_for: Callable[[Floats, Floats, float], Floats] | None = None,
) -> Measured:  # fmt: skip
    rows = np.flatnonzero(keep)
    start, end, kept = edges[:-1][rows], edges[1:][rows], value[rows]
    none = _no_remedy(len(rows))
    return Measured(
        quantity, profile, rows + 1, start, end, kept, place[rows],
        none if speed_for is None else lambda limit: np.asarray(speed_for(limit, rows)),
        none if length_for is None else lambda limit: np.asarray(length_for(end - start, kept, limit)),
    )  # fmt: skip


def _level_of(limit: DesignLimit, level: Literal["normal", "exceptional"]) -> float | None:
    return limit.normal if level == "normal" else limit.exceptional


def allowed_speed(
    measured: Measured, limits: Sequence[DesignLimit], level: Literal["normal", "exceptional"]
) -> Floats:  # fmt: skip
    """Return the largest speed at which each element keeps the limits of its quantity, km/h, shape (k,).

    nan where speed has no influence or there is no limit. Limits that differ by speed count in their range only.
    """
    best = np.full(len(measured.value), np.nan)
    for limit in limits:
        value = _level_of(limit, level)
        if limit.quantity != measured.quantity or value is None:
            continue
        speed = measured.speed_for(value)
        reached = np.minimum(speed, limit.upto_kmh)
        reached = np.where(np.isnan(speed), np.nan, np.where(speed > limit.over_kmh, reached, np.nan))
        best = np.fmax(best, reached)
    return best


def speed_profile(
    alignment: Alignment, measures: Measures, limits: Sequence[DesignLimit], level: Literal["normal", "exceptional"]
) -> SpeedProfile:
    """Return the largest speed along the line by all quantities that depend on it.

    The slow train and lengths stay as they are; what no speed can mend does not count.
    """
    cuts = _edges(alignment)
    middle = (cuts[:-1] + cuts[1:]) / 2
    speed, governs = np.full(len(middle), np.inf), np.full(len(middle), "", dtype="U30")
    for quantity, measured in measures.by_quantity.items():
        allowed = allowed_speed(measured, limits, level)
        known = np.flatnonzero(~np.isnan(allowed))
        if not known.size:
            continue
        if quantity == "deficiency_step":
            # a jump counts for both stretches that meet there
            at = np.searchsorted(cuts, measured.start[known] - 1e-3)
            pairs = [(np.clip(at - 1, 0, len(middle) - 1), known), (np.clip(at, 0, len(middle) - 1), known)]
        else:
            owner = np.searchsorted(measured.start[known], middle, side="right") - 1
            inside = (owner >= 0) & (middle < measured.end[known][np.maximum(owner, 0)])
            pairs = [(np.flatnonzero(inside), known[owner[inside]])]
        for cell, row in pairs:
            here = np.full(len(middle), np.inf)
            np.minimum.at(here, cell, allowed[row])
            lower = here < speed
            speed[lower], governs[lower] = here[lower], quantity
    # neighbours with one answer are one stretch
    differs = [True, *(a != b for a, b in pairwise(zip(speed.tolist(), governs.tolist(), strict=True)))]
    first = np.flatnonzero(differs)
    return SpeedProfile(cuts[:-1][first], np.append(cuts[:-1][first[1:]], cuts[-1]), speed[first], governs[first])
