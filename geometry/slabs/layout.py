"""Which slab lies where: filling spans between structure joints, and checking a layout."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from geometry.alignment import Alignment, true_length, true_length_to_distance
from geometry.alignment.laws import Floats

from .types import SlabType

__all__ = ["Allowed", "Layout", "LayoutFinding", "LayoutRules", "Span", "check_layout", "fill_spans"]

Ints = npt.NDArray[np.intp]
_MOST_OTHER = 8  # slabs of each type but the main one that a span may get
_MOST_TYPES_MIXED = 3  # types beside the main one that are tried together
_HAIR = 1e-9


@dataclass(frozen=True)
class Allowed:
    """A length with its nominal value and the range it may take, m."""

    nominal: float
    low: float
    high: float


@dataclass(frozen=True)
class LayoutRules:
    """Allowed joint gaps, and clearances from the last slab to a structure joint.

    ``first_number`` and ``prefix`` make the slab names, in order of chainage.
    """

    gap: Allowed
    clearance: Allowed
    prefix: str = ""
    first_number: int = 1


@dataclass(frozen=True)
class Span:
    """A stretch between two structure joints, which no slab crosses; distances along the line, m."""

    name: str
    kind: str
    start: float
    end: float


@dataclass(frozen=True, eq=False)
class Layout:
    """Slabs in order of chainage; arrays of shape (n,).

    Attributes
    ----------
    names : ndarray of str
    type_index : ndarray of int
        Into the sequence of slab types.
    distance : ndarray
        Distance of the slab's centre along the line, m.
    span : ndarray of int
        Into the sequence of spans; -1 outside every span.
    gap_ahead : ndarray
        True length along the line between this slab's end and the next slab's, m; nan for the last of a
        span.
    """

    names: npt.NDArray[np.str_]
    type_index: Ints
    distance: Floats
    span: Ints
    gap_ahead: Floats


@dataclass(frozen=True)
class LayoutFinding:
    """A rule that a layout breaks.

    Attributes
    ----------
    where : str
        Span or slabs concerned.
    rule : str
        "joint gap", "clearance", "overlap", "outside every span", "crosses a structure joint".
    value : float
        What it is, m.
    low, high : float
        What it may be, m; nan where the rule has no range.
    note : str
        More, in words; may be empty.
    """

    where: str
    rule: str
    value: float
    low: float
    high: float
    note: str = ""

    @property
    def excess(self) -> float:
        """By how much the value lies outside its range, m; nan without a range."""
        return max(self.low - self.value, self.value - self.high)

    def __str__(self) -> str:
        """Return the finding in words, lengths in mm."""
        note = f" {self.note}" if self.note else ""
        if np.isnan(self.low):
            return f"{self.where}: {self.rule}, by {self.value * 1e3:.1f} mm{note}"
        return (
            f"{self.where}: {self.rule} {self.value * 1e3:.1f} mm, allowed {self.low * 1e3:.1f} to "
            f"{self.high * 1e3:.1f} mm, so {self.excess * 1e3:.1f} mm outside{note}"
        )


def _other_counts(types: Sequence[SlabType], main: int) -> Ints:
    """Return every count of the types but the main one that is tried, shape (q, t)."""
    others = [i for i in range(len(types)) if i != main]
    most = _MOST_OTHER if len(others) <= 2 else max(1, _MOST_OTHER // len(others))
    rows = [
        counts
        for counts in product(range(most + 1), repeat=len(others))
        if sum(c > 0 for c in counts) <= _MOST_TYPES_MIXED
    ]
    table = np.zeros((len(rows), len(types)), dtype=np.intp)
    table[:, others] = np.array(rows, dtype=np.intp).reshape(len(rows), len(others))
    return table


def share_out(rest: Floats, slabs: Floats, rules: LayoutRules) -> tuple[Floats, Floats, Floats]:
    """Share what slabs leave of a span among joints and the two clearances, nearest to nominal.

    Parameters
    ----------
    rest : ndarray
        What the slabs leave of the span, m.
    slabs : ndarray
        How many they are, at least 1.
    rules : LayoutRules

    Returns
    -------
    gap, clearance : ndarray
        m.
    missing : ndarray
        By how much a joint gap (for one slab alone: a clearance) would leave its range, m; 0 if it does not.
    """
    joints = slabs - 1
    gap, clearance = rules.gap, rules.clearance
    surplus = (rest - joints * gap.nominal - 2 * clearance.nominal) / (joints + 2)
    c = np.clip(clearance.nominal + surplus, clearance.low, clearance.high)
    with np.errstate(divide="ignore", invalid="ignore"):
        # gaps take what the clearances cannot, then the clearances what the gaps cannot
        g = np.where(joints > 0, np.clip((rest - 2 * c) / joints, gap.low, gap.high), gap.nominal)
        c = np.clip((rest - joints * g) / 2, clearance.low, clearance.high)
        needed = np.where(joints > 0, (rest - 2 * c) / joints, gap.nominal + rest - 2 * c)
    missing = np.maximum(np.maximum(gap.low - needed, needed - gap.high), 0.0)
    alone = (joints == 0) & (np.abs(rest - 2 * c) > _HAIR)
    missing = np.where(alone, np.abs(rest - 2 * c) / 2, missing)
    return needed, c, np.where(missing > _HAIR, missing, 0.0)


def fill_spans(
    alignment: Alignment, spans: Sequence[Span], types: Sequence[SlabType], rules: LayoutRules
) -> tuple[Layout, tuple[LayoutFinding, ...]]:
    """Fill every span with slabs.

    Of all fillings whose gaps and clearances are in range, each span gets one with the fewest special
    slabs, then the one with gaps and clearances nearest to nominal (least squares). Within a span all
    gaps are equal and both clearances are. The main type is the first that is not special; of every other
    type up to eight are tried in a span.

    Parameters
    ----------
    alignment : Alignment
    spans : sequence of Span
        In order of distance.
    types : sequence of SlabType
        At least one that is not special.
    rules : LayoutRules

    Returns
    -------
    layout : Layout
        Without the spans that cannot be filled.
    findings : tuple of LayoutFinding
        For each such span the rule that fails and by how much, for the filling that comes nearest.
    """
    main = next((i for i, t in enumerate(types) if not t.special), 0)
    others = _other_counts(types, main)
    lengths = np.array([t.length for t in types])
    special = np.array([t.special for t in types])
    edges = true_length(alignment, np.array([[s.start, s.end] for s in spans]).reshape(-1, 2))
    available = edges[:, 1] - edges[:, 0]

    in_others = others @ lengths
    room = available[:, None] - in_others - 2 * rules.clearance.nominal + rules.gap.nominal
    room = room - others.sum(axis=1) * rules.gap.nominal
    base = np.floor(room / (lengths[main] + rules.gap.nominal))
    of_main = np.maximum(base[..., None] + np.arange(-1, 3), 0.0)  # (spans, others, 4)
    slabs = of_main + others.sum(axis=1)[:, None]
    rest = available[:, None, None] - in_others[:, None] - of_main * lengths[main]
    gap, clearance, missing = share_out(rest, np.maximum(slabs, 1.0), rules)
    off_nominal = (slabs - 1) * (gap - rules.gap.nominal) ** 2
    off_nominal += 2 * (clearance - rules.clearance.nominal) ** 2
    specials = (others[:, special].sum(axis=1)[:, None] + (special[main] * of_main)).astype(np.float64)
    missing = np.where(slabs >= 1, missing, np.inf)
    # specials count whole numbers, off-nominal is far below 1 m^2 per span: one sum orders by both
    cost = np.where(missing > 0, np.inf, specials + np.minimum(off_nominal, 0.5))

    flat = len(spans), cost[0].size if len(spans) else 1
    best = cost.reshape(flat).argmin(axis=1)
    filled = np.isfinite(np.take_along_axis(cost.reshape(flat), best[:, None], 1)[:, 0])
    nearest = missing.reshape(flat).argmin(axis=1)
    pick = np.where(filled, best, nearest)
    rows = np.arange(len(spans))
    counts = others[pick // 4].copy()
    counts[:, main] = of_main.reshape(flat)[rows, pick].astype(np.intp)
    gap, clearance, rest = (a.reshape(flat)[rows, pick] for a in (gap, clearance, rest))

    findings = tuple(
        _unfilled(spans[i], int(counts[i].sum()), float(rest[i]), float(gap[i]), float(clearance[i]), rules)
        for i in np.flatnonzero(~filled).tolist()
    )
    counts[~filled] = 0
    return placed(alignment, edges[:, 0], counts, main, gap, clearance, lengths, rules), findings


def _unfilled(span: Span, slabs: int, rest: float, gap: float, clearance: float, rules: LayoutRules) -> LayoutFinding:
    """Return the rule that the filling that comes nearest breaks; `rest` is what its slabs leave of the span."""
    if slabs == 1:
        return LayoutFinding(
            f"span {span.name}", "clearance", rest / 2, rules.clearance.low, rules.clearance.high,
            "with 1 slab, the filling that comes nearest",
        )  # fmt: skip
    return LayoutFinding(
        f"span {span.name}", "joint gap", gap, rules.gap.low, rules.gap.high,
        f"with {slabs} slabs and clearances of {clearance * 1e3:.1f} mm, the filling that comes nearest",
    )  # fmt: skip


def placed(
    alignment: Alignment, start: Floats, counts: Ints, main: int, gap: Floats, clearance: Floats,
    lengths: Floats, rules: LayoutRules,
) -> Layout:  # fmt: skip
    """Set the slabs of all spans one behind the other, special ones at both ends of their span.

    Parameters
    ----------
    alignment : Alignment
    start : ndarray, shape (s,)
        True length along the line at the start of each span, m.
    counts : ndarray of int, shape (s, t)
        Slabs of each type.
    main : int
        The type that lies in the middle.
    gap, clearance : ndarray, shape (s,)
        m.
    lengths : ndarray, shape (t,)
        Of the types, m.
    rules : LayoutRules
        For the names.
    """
    per_span = counts.sum(axis=1)
    span = np.repeat(np.arange(len(counts)), per_span)
    types = _in_order(counts, main)
    length = lengths[types]
    first = np.cumsum(per_span) - per_span
    step = length + gap[span]
    before = np.cumsum(step) - step
    in_span = before - before[first[per_span > 0]].repeat(per_span[per_span > 0])
    centre = (start + clearance)[span] + in_span + length / 2
    last = np.zeros(len(span), dtype=bool)
    last[(first + per_span - 1)[per_span > 0]] = True
    width = max(4, len(str(rules.first_number + len(span))))
    numbers = np.arange(rules.first_number, rules.first_number + len(span))
    names = np.char.add(rules.prefix, np.char.mod(f"%0{width}d", numbers))
    return Layout(
        names=names.astype(np.str_),
        type_index=types,
        distance=true_length_to_distance(alignment, centre),
        span=span.astype(np.intp),
        gap_ahead=np.where(last, np.nan, gap[span]),
    )


def _in_order(counts: Ints, main: int) -> Ints:
    """Return the types of all slabs: in each span half of the others, the main type, the rest of the others."""
    others = np.array([t for t in range(counts.shape[1]) if t != main], dtype=np.intp)
    other = counts[:, others]
    half = (other.sum(axis=1, keepdims=True) + 1) // 2
    front = np.clip(half - (np.cumsum(other, axis=1) - other), 0, other)
    blocks = np.concatenate([front, counts[:, [main]], (other - front)[:, ::-1]], axis=1)
    kinds = np.concatenate([others, [main], others[::-1]])
    return np.repeat(np.tile(kinds, len(counts)), blocks.ravel())


def check_layout(
    alignment: Alignment, names: npt.NDArray[np.str_], type_index: Ints, distance: Floats,
    spans: Sequence[Span], types: Sequence[SlabType], rules: LayoutRules,
) -> tuple[Layout, tuple[LayoutFinding, ...]]:  # fmt: skip
    """Take a layout as it is given, in order of distance, and hold it against the rules.

    Parameters
    ----------
    names, type_index, distance : ndarray, shape (n,)
        Name, type and distance of the centre of each slab, m; any order.

    Returns
    -------
    layout : Layout
        The same slabs in order of distance.
    findings : tuple of LayoutFinding
        Every gap and clearance out of range, every overlap, every slab across a structure joint or outside
        all spans.
    """
    order = np.argsort(distance, kind="stable")
    names, type_index, distance = names[order], type_index[order], distance[order]
    half = np.array([t.length for t in types])[type_index] / 2
    at = true_length(alignment, distance)
    edges = true_length(alignment, np.array([[s.start, s.end] for s in spans]).reshape(-1, 2))
    # an empty span at the end stands for none: index -1 finds it
    edges = np.concatenate([edges, [[np.inf, -np.inf]]])
    span = np.searchsorted(edges[:-1, 0], at, side="right") - 1
    span = np.where(at <= edges[span, 1], span, -1)
    same = (span[1:] == span[:-1]) & (span[1:] >= 0)
    between = (at[1:] - half[1:]) - (at[:-1] + half[:-1])
    none = np.full(min(len(at), 1), np.nan)  # the last slab has none ahead, and no slabs have no last
    gap_ahead = np.append(np.where(same, between, np.nan), none)
    rear = at - half - edges[span, 0]
    front = edges[span, 1] - at - half
    edge = np.ones(len(none), dtype=bool)
    first = np.append(edge, ~same) & (span >= 0)
    last = np.append(~same, edge) & (span >= 0)

    findings: list[LayoutFinding] = []

    def note(which: npt.NDArray[np.bool_], rule: str, value: Floats, allowed: Allowed | None, *, ahead: bool) -> None:
        for i in np.flatnonzero(which):
            where = f"slab {names[i]} and {names[i + 1]}" if ahead else f"slab {names[i]}"
            low, high = (allowed.low, allowed.high) if allowed else (np.nan, np.nan)
            findings.append(LayoutFinding(where, rule, float(value[i]), low, high))

    def outside(value: Floats, allowed: Allowed) -> npt.NDArray[np.bool_]:
        return ~((value >= allowed.low - 1e-6) & (value <= allowed.high + 1e-6))

    ahead = np.append(between, none)
    overlap = ahead < 0
    note(overlap, "overlap", -ahead, None, ahead=True)
    wrong_gap = ~np.isnan(gap_ahead) & ~overlap & outside(gap_ahead, rules.gap)
    note(wrong_gap, "joint gap", gap_ahead, rules.gap, ahead=True)
    note(span < 0, "outside every span", np.zeros(len(at)), None, ahead=False)
    for at_end, room in ((first, rear), (last, front)):
        note(at_end & (room < 0), "crosses a structure joint", -room, None, ahead=False)
        wrong = at_end & (room >= 0) & outside(room, rules.clearance)
        note(wrong, "clearance", room, rules.clearance, ahead=False)
    return Layout(names, type_index, distance, span.astype(np.intp), gap_ahead), tuple(findings)
