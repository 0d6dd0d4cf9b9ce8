"""How a span can be filled with slabs, and with how few types all spans can be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from geometry.alignment import Alignment, true_length
from geometry.alignment.laws import Floats

from .layout import Ints, LayoutRules, Span, share_out
from .types import SlabType

__all__ = ["SpanOptions", "TypeChoice", "fewest_types", "main_of", "room_of", "span_options"]

Bools = npt.NDArray[np.bool_]
_MOST_ROWS = 1_000_000  # counts of slabs that are tried for a span, and at a time
_MOST_LISTED_ROWS = 100_000  # the same for a list of fillings, with more counts of the main type for each
_AROUND = 6  # counts of the main type on either side of the nominal one that a list may hold
_HAIR = 1e-9


@dataclass(frozen=True, eq=False)
class SpanOptions:
    """Fillings of one span, the best first; q of them, with t types.

    Those that keep the rules come first, by special slabs and then by gaps and clearances nearest to nominal (least
    squares), as `fill_spans` decides. Without any the one that comes nearest stands alone.

    Attributes
    ----------
    counts : ndarray of int, shape (q, t)
        Slabs of each type.
    specials : ndarray of int, shape (q,)
        Special slabs among them.
    gap, clearance : ndarray, shape (q,)
        Every joint gap and both clearances, m; a gap without meaning (one slab alone) is nan.
    missing : ndarray, shape (q,)
        By how much a joint gap, or the clearance of one slab alone, leaves its range, m; 0 where the rules are kept.
    found : int
        How many fillings keep the rules, also those that are not listed.
    complete : bool
        Whether every count of slabs was tried that the span has room for.
    """

    counts: Ints
    specials: Ints
    gap: Floats
    clearance: Floats
    missing: Floats
    found: int
    complete: bool


@dataclass(frozen=True, eq=False)
class TypeChoice:
    """Sets of slab types compared over all spans, and the best one; q sets, s spans, t types.

    The best set fills every span that can be filled at all, has the fewest types of all such sets, and of those needs
    the fewest special slabs. Sets are listed in this order, those that leave spans unfilled last; there are all sets
    up to one type more than the best.

    Attributes
    ----------
    members : ndarray of bool, shape (q, t)
        Types of each set; the best set is the first.
    specials : ndarray of int, shape (q,)
        Fewest special slabs on the spans that a set fills.
    unfilled : ndarray of int, shape (q,)
        Spans that a set cannot fill though all types together can.
    counts : ndarray of int, shape (s, t)
        Slabs of each type on each span with the best set, of those with the fewest specials the filling nearest to
        nominal; zeros where nothing fills the span.
    gap, clearance : ndarray, shape (s,)
        Of that filling, m; nan where nothing fills the span, gaps also under one slab alone.
    impossible : ndarray of bool, shape (s,)
        Spans that no set fills.
    complete : bool
        Whether every count of slabs was tried: then the best set is proven to be the best.
    """

    members: Bools
    specials: Ints
    unfilled: Ints
    counts: Ints
    gap: Floats
    clearance: Floats
    impossible: Bools
    complete: bool


@dataclass(frozen=True, eq=False)
class _Tried:
    """Fillings that were tried, shape (spans, rows, k): counts of the main type are the last axis.

    ``fitting``, shape (spans, rows), is how many counts of the main type keep the rules, tried or not.
    """

    others: Ints  # (rows, t)
    main: int
    of_main: Floats
    gap: Floats
    clearance: Floats
    missing: Floats
    specials: Floats
    off_nominal: Floats
    fitting: Floats

    def counts(self, row: Ints, candidate: Ints, span: Ints) -> Ints:
        counts = self.others[row].copy()
        counts[:, self.main] = self.of_main[span, row, candidate].astype(np.intp)
        return counts


def room_of(alignment: Alignment, spans: Sequence[Span]) -> Floats:
    """Return the true length of each span along the line, shape (s,), m."""
    edges = true_length(alignment, np.array([[s.start, s.end] for s in spans]).reshape(-1, 2))
    return np.asarray(edges[:, 1] - edges[:, 0])


def main_of(types: Sequence[SlabType], members: Bools) -> int:
    """Return the type whose count follows from those of the others: the longest that is not special, if any."""
    rows = np.flatnonzero(members).tolist()
    return max(rows, key=lambda i: (not types[i].special, types[i].length))


def _table(
    types: Sequence[SlabType], members: Bools, main: int, room: float, rules: LayoutRules, most: int
) -> tuple[Ints, bool]:
    """Return every count of the types but the main one that a span has room for, shape (rows, t), and if it is all."""
    others = [i for i in np.flatnonzero(members).tolist() if i != main]
    place = room - 2 * rules.clearance.low + rules.gap.low
    limits = [max(int(place / (types[i].length + rules.gap.low) + _HAIR), 0) for i in others]
    cap = max(limits, default=0)
    while cap and np.prod([min(limit, cap) + 1.0 for limit in limits]) > most:
        cap = cap * 9 // 10
    sizes = [min(limit, cap) + 1 for limit in limits]
    table = np.zeros((int(np.prod(sizes, dtype=np.intp)), len(types)), dtype=np.intp)
    if others:
        table[:, others] = np.indices(sizes).reshape(len(others), -1).T
    lengths = np.array([t.length for t in types]) + rules.gap.low
    return table[table @ lengths <= place + _HAIR], cap == max(limits, default=0)


def _tried(
    types: Sequence[SlabType], main: int, others: Ints, room: Floats, rules: LayoutRules, around: int = 1
) -> _Tried:
    """Fill spans with given counts of the other types and, for each, the counts of the main type that can be best.

    With gaps and clearances anywhere in their ranges a count of the main type that fits lies between two real numbers,
    and the nominal one lies there too: if any whole number does, so does one of its two neighbours. `around` of them
    are tried on either side. The last one that is tried is the smallest that fits, for a main type that is special
    itself.
    """
    lengths = np.array([t.length for t in types])
    special = np.array([t.special for t in types])
    taken, of_others = others @ lengths, others.sum(axis=1)
    length = lengths[main]

    def main_count(gap: float, clearance: float) -> Floats:
        free = room[:, None] - taken - 2 * clearance + gap - of_others * gap
        return np.asarray(free / (length + gap))

    nominal = np.floor(main_count(rules.gap.nominal, rules.clearance.nominal) + _HAIR)
    least = np.ceil(main_count(rules.gap.high, rules.clearance.high) - _HAIR)
    tries = np.concatenate([nominal[..., None] + np.arange(1 - around, around + 1), least[..., None]], axis=-1)
    of_main = np.maximum(tries, 0.0)
    largest = np.floor(main_count(rules.gap.low, rules.clearance.low) + _HAIR)
    fitting = np.maximum(largest - np.maximum(least, of_others == 0) + 1, 0.0)
    slabs = of_main + of_others[:, None]
    rest = room[:, None, None] - taken[:, None] - of_main * length
    gap, clearance, missing = share_out(rest, np.maximum(slabs, 1.0), rules)
    off = (slabs - 1) * (gap - rules.gap.nominal) ** 2 + 2 * (clearance - rules.clearance.nominal) ** 2
    specials = (others @ special)[:, None] + special[main] * of_main
    return _Tried(
        others, main, of_main, np.where(slabs > 1, gap, np.nan), clearance, np.where(slabs >= 1, missing, np.inf),
        specials, off, fitting,
    )  # fmt: skip


def span_options(room: float, types: Sequence[SlabType], rules: LayoutRules, most: int = 12) -> SpanOptions:
    """Return how a span can be filled.

    Parameters
    ----------
    room : float
        True length of the span along the line, m.
    types : sequence of SlabType
    rules : LayoutRules
    most : int
        How many fillings are listed at most.
    """
    members = np.ones(len(types), dtype=bool)
    main = main_of(types, members)
    others, complete = _table(types, members, main, room, rules, _MOST_LISTED_ROWS)
    tried = _tried(types, main, others, np.array([room]), rules, max(_AROUND, -(-most // 2)))
    missing, specials, off = (a.ravel() for a in (tried.missing, tried.specials, tried.off_nominal))
    # counts of the main type may coincide: those cut off at none, and the smallest with one beside the nominal one
    of_main = tried.of_main[0]
    again = np.zeros(of_main.shape, dtype=bool)
    again[:, 1:-1] = of_main[:, 1:-1] == of_main[:, :-2]
    again[:, -1] = (of_main[:, -1:] == of_main[:, :-1]).any(axis=1)
    again = again.ravel()
    good = np.flatnonzero((missing == 0) & ~again)
    order = good[np.lexsort((off[good], specials[good]))][:most] if good.size else np.array([missing.argmin()])
    row, candidate = np.divmod(order, of_main.shape[1])
    return SpanOptions(
        counts=tried.counts(row, candidate, np.zeros(len(order), dtype=np.intp)),
        specials=specials[order].astype(np.intp),
        gap=tried.gap.ravel()[order],
        clearance=tried.clearance.ravel()[order],
        missing=missing[order],
        found=int(tried.fitting.sum()),
        complete=complete,
    )


@dataclass(frozen=True, eq=False)
class _Filled:
    """All s spans filled with the fewest specials of one set; infinite specials where it does not fill."""

    specials: Floats
    counts: Ints
    gap: Floats
    clearance: Floats
    complete: bool


def _fewest_specials(
    types: Sequence[SlabType], members: Bools, room: Floats, rules: LayoutRules, *, nearest: bool
) -> _Filled:  # fmt: skip
    """Fill every span with one set of types; with `nearest` the filling nearest to nominal of those with as few."""
    main = main_of(types, members)
    result = _Filled(
        np.full(len(room), np.inf), np.zeros((len(room), len(types)), dtype=np.intp), np.full(len(room), np.nan),
        np.full(len(room), np.nan), complete=True,
    )  # fmt: skip
    complete = True

    def fill(spans: Ints, others: Ints) -> None:
        tried = _tried(types, main, others, room[spans], rules)
        # specials count whole numbers, off-nominal is far below 1 m^2: one sum orders by both
        cost = np.where(tried.missing == 0, tried.specials + np.minimum(tried.off_nominal, 0.5), np.inf)
        cost = cost.reshape(len(spans), -1)
        best = cost.argmin(axis=1)
        at = np.arange(len(spans))
        fits = np.isfinite(cost[at, best])
        row, candidate = np.divmod(best, tried.of_main.shape[2])
        done = spans[fits]
        result.specials[done] = tried.specials[at, row, candidate][fits]
        result.counts[done] = tried.counts(row, candidate, at)[fits]
        result.gap[done] = tried.gap[at, row, candidate][fits]
        result.clearance[done] = tried.clearance[at, row, candidate][fits]

    order = np.argsort(room, kind="stable")
    if not nearest and not types[main].special:
        # most spans need the main type only: nothing has fewer specials than none
        for some in np.array_split(order, max(1, -(-len(order) // _MOST_ROWS))):
            fill(some, np.zeros((1, len(types)), dtype=np.intp))
        order = order[result.specials[order] > 0]
    while len(order):
        # from the longest span down: those that are as long share the table of counts
        others, whole = _table(types, members, main, float(room[order[-1]]), rules, _MOST_ROWS)
        shares = max(1, _MOST_ROWS // len(others))
        alike = room[order] > 0.8 * room[order[-1]]
        some = order[alike][-shares:]
        fill(some, others)
        complete &= whole
        order = order[: len(order) - len(some)]
    return _Filled(result.specials, result.counts, result.gap, result.clearance, complete)


def fewest_types(room: Floats, types: Sequence[SlabType], rules: LayoutRules) -> TypeChoice:
    """Find the smallest number of slab types that fills all spans, and then the fewest special slabs.

    Within a set of types spans do not depend on each other. So sets are tried by size, and for each of them every
    span by itself with all counts of slabs that it has room for: what comes out first is proven to be the best.

    Parameters
    ----------
    room : ndarray, shape (s,)
        True length of each span along the line, m.
    types : sequence of SlabType
    rules : LayoutRules
    """
    t = len(types)
    everything = _fewest_specials(types, np.ones(t, dtype=bool), room, rules, nearest=False)
    possible = np.isfinite(everything.specials)
    complete = everything.complete
    members: list[Bools] = []
    specials: list[int] = []
    unfilled: list[int] = []
    last = t
    for size in range(1, t + 1):
        if size > last:
            break
        for chosen in combinations(range(t), size):
            mine = np.isin(np.arange(t), chosen)
            of_set = everything if size == t else _fewest_specials(types, mine, room, rules, nearest=False)
            fills = np.isfinite(of_set.specials)
            members.append(mine)
            specials.append(int(of_set.specials[fills & possible].sum()))
            unfilled.append(int((possible & ~fills).sum()))
            complete &= of_set.complete
        if 0 in unfilled:
            last = min(last, size + 1)
    order = np.lexsort((specials, [int(m.sum()) for m in members], unfilled))
    table = np.array(members)[order]
    best = _fewest_specials(types, table[0], room, rules, nearest=True)
    return TypeChoice(
        members=table,
        specials=np.array(specials, dtype=np.intp)[order],
        unfilled=np.array(unfilled, dtype=np.intp)[order],
        counts=best.counts,
        gap=best.gap,
        clearance=best.clearance,
        impossible=~(possible | np.isfinite(best.specials)),
        complete=complete,
    )
