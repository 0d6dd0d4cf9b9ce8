"""The layout with the fewest slab types: slabs set out as `fewest_types` counts them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from geometry.alignment import Alignment, true_length
from geometry.alignment.laws import Floats

from .layout import Ints, Layout, LayoutRules, Span, placed
from .options import Bools, TypeChoice, main_of
from .types import SlabType

__all__ = ["best_layout"]


def best_layout(
    alignment: Alignment, spans: Sequence[Span], types: Sequence[SlabType], rules: LayoutRules, layout: Layout,
    choice: TypeChoice, chosen: Bools,
) -> Layout:  # fmt: skip
    """Return a layout in which chosen spans are filled by the best set of types.

    Parameters
    ----------
    alignment : Alignment
    spans : sequence of Span
        s of them.
    types : sequence of SlabType
    rules : LayoutRules
    layout : Layout
        What lies on the other spans, and on spans that no set fills: it stays.
    choice : TypeChoice
        Of these spans.
    chosen : ndarray of bool, shape (s,)

    Returns
    -------
    Layout
        All slabs in order of distance, numbered anew by the rules.
    """
    filled = chosen & (choice.counts.sum(axis=1) > 0)
    counts = np.where(filled[:, None], choice.counts, 0)
    edges = true_length(alignment, np.array([[s.start, s.end] for s in spans]).reshape(-1, 2))
    lengths = np.array([t.length for t in types])
    # one slab alone has no gap; any number will do that is one
    gap, clearance = (np.where(filled, np.nan_to_num(v), 0.0) for v in (choice.gap, choice.clearance))
    fresh = placed(alignment, edges[:, 0], counts, main_of(types, choice.members[0]), gap, clearance, lengths, rules)
    # a slab outside of every span has -1, which finds what is added at the end
    stays = ~np.append(filled, False)[layout.span]
    order = np.argsort(np.concatenate([layout.distance[stays], fresh.distance]), kind="stable")

    def joined(kept: Floats | Ints, added: Floats | Ints) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.asarray(np.concatenate([kept[stays], added])[order], dtype=np.float64)

    numbers = rules.first_number + np.arange(len(order))
    width = max(4, len(str(rules.first_number + len(order))))
    return replace(
        fresh,
        names=np.char.add(rules.prefix, np.char.mod(f"%0{width}d", numbers)).astype(np.str_),
        type_index=joined(layout.type_index, fresh.type_index).astype(np.intp),
        distance=joined(layout.distance, fresh.distance),
        span=joined(layout.span, fresh.span).astype(np.intp),
        gap_ahead=joined(layout.gap_ahead, fresh.gap_ahead),
    )
