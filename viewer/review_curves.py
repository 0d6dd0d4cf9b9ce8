"""What slabs of another length cost on each curve: a table, and sentences that can be quoted."""

from __future__ import annotations

import sys
from typing import Any

import numpy as np

from geometry.alignment import format_chainage
from geometry.exchange.results import Columns
from viewer.numbers import number
from viewer.terminal import TableColumn, print_table

__all__ = ["price_words", "show_curves"]

_MOST = 8  # elements of the plan on a page
_NOTICED = 0.1  # mm: less than this is not worth a word
_COLUMNS = (
    ("versine", "versine"), ("seat_across", "seat offset across"), ("seat_up", "seat offset up"), ("warp", "warp"),
    ("joint_wedge", "joint wedge"), ("mortar_wedge", "mortar wedge"),
)  # fmt: skip


def _place(chainage: float) -> str:
    return format_chainage(round(chainage, 1))[:-2]


def _element(curves: Columns, row: int) -> str:
    """Return what an element of the plan is called: by its radius if it has one."""
    if curves["kind"][row] == "arc":
        return f"R {number(float(curves['radius_m'][row]), 0, sign=True)} m"
    ends = [float(curves[f"radius_{end}_m"][row]) for end in ("start", "end")]
    told = ["straight" if np.isnan(r) else f"R {number(r, 0, sign=True)}" for r in ends]
    return f"{curves['kind'][row]}, {' to '.join(told)}"


def show_curves(curves: Columns) -> None:
    """Print the elements of the plan with the largest versines, choice by choice."""
    if not curves or not len(curves["element"]):
        return
    choices = len(set(curves["choice"].tolist()))
    first = np.arange(0, len(curves["element"]), choices)
    first = first[np.isfinite(curves["radius_m"][first])]
    if not first.size:
        return
    kept = np.sort(first[np.argsort(-curves["versine_largest_mm"][first], kind="stable")][:_MOST])
    rows = (kept[:, None] + np.arange(choices)).ravel()
    head = np.arange(len(rows)) % choices == 0
    shown = {name: values[rows] for name, values in curves.items()}
    names = [_element(curves, row) for row in rows.tolist()]
    columns = [
        TableColumn("on"), TableColumn("from", "km"), TableColumn("to", "km"), TableColumn("cant", "mm", 0),
        TableColumn("slabs of"), TableColumn("slabs", "", 0),
    ]  # fmt: skip
    values: list[Any] = [
        np.where(head, names, ""),
        *(np.where(head, [_place(c) for c in shown[f"chainage_{end}_m"].tolist()], "") for end in ("start", "end")),
        [number(v, 0, sign=True) if at else "" for at, v in zip(head.tolist(), shown["cant_mm"].tolist(), strict=True)],
        shown["choice"], shown["slabs"],
    ]  # fmt: skip
    for name, words in _COLUMNS:
        columns.append(TableColumn(words, "mm", 2))
        values.append(shown[f"{name}_largest_mm"])
    left = len(first) - len(kept)
    notes = ["Slabs: with their middle there. Sizes: the largest of slabs and joints that lie wholly on the element."]
    notes += [f"{left} more elements with smaller versines; --json has all."] if left else []
    sys.stdout.write("\n")
    print_table(columns, values, "The same, curve by curve", notes)


def price_words(lengths: Columns, curves: Columns) -> list[str]:
    """Return in sentences what each other length costs on the sharpest curve, and along the line.

    Parameters
    ----------
    lengths : mapping of str to ndarray
        As `comparison_table` gives it, the present length first.
    curves : mapping of str to ndarray
        As `curve_table` gives it, of the same choices.
    """
    if len(lengths.get("choice", ())) < 2:
        return []
    count = len(lengths["choice"])
    return [_price(lengths, curves, count, row) for row in range(1, count)]


def _price(lengths: Columns, curves: Columns, count: int, row: int) -> str:
    by = float(lengths["longer_mm"][row])
    words = f"A slab {abs(by):g} mm {'longer' if by > 0 else 'shorter'} ({lengths['main_length_m'][row]:.3f} m for "
    words += f"{lengths['main_length_m'][0]:.3f} m) asks"
    sharpest = _sharpest(curves, count)
    if sharpest is not None:
        words += f" on {_curve(curves, sharpest)} for {_measures(curves, sharpest, sharpest + row)}."
    else:
        words += " no more of anything on a straight."
    was, now = (lengths["slabs_per_km"][at] for at in (0, row))
    words += f" A km takes {now:.1f} slabs in place of {was:.1f} ({_percent(now, was)})"
    was, now = (lengths["fasteners_per_km"][at] for at in (0, row))
    words += f" and {now:.0f} fasteners in place of {was:.0f}"
    was, now = (lengths["seat_spacing_mm"][at] for at in (0, row))
    words += f", {now:.1f} mm apart in place of {was:.1f} mm."
    empty = int(lengths["spans_unfilled"][row])
    if empty:
        words += f" It cannot fill {empty} span{'s' * (empty > 1)} with the gaps and special slabs of this project."
    return words


def _sharpest(curves: Columns, count: int) -> int | None:
    """Return the first row of the arc with the smallest radius, or of what comes nearest to one; None without."""
    first = np.arange(0, len(curves["element"]), count)
    bent = first[np.isfinite(curves["radius_m"][first])]
    if not bent.size:
        return None
    arcs = bent[curves["kind"][bent] == "arc"]
    among = arcs if arcs.size else bent
    return int(among[np.abs(curves["radius_m"][among]).argmin()])


def _curve(curves: Columns, row: int) -> str:
    name = _element(curves, row)
    cant = number(float(curves["cant_mm"][row]), 0, sign=True)
    on = f"the curve of {name}" if name.startswith("R ") else f"the {name}"
    start, end = (_place(float(curves[f"chainage_{side}_m"][row])) for side in ("start", "end"))
    return f"{on} (cant {cant} mm, {start} to {end})"


def _measures(curves: Columns, was: int, now: int) -> str:
    parts = []
    for name, words in _COLUMNS:
        before, after = (float(curves[f"{name}_largest_mm"][row]) for row in (was, now))
        if max(before, after) >= _NOTICED:
            parts.append(f"{words} {after:.2f} in place of {before:.2f} mm ({_percent(after, before)})")
    return ", ".join(parts) if parts else f"less than {_NOTICED:g} mm of anything"


def _percent(now: float, was: float) -> str:
    return f"{number(100 * (now / was - 1), 0, sign=True)} %" if was > 0.005 else "from nothing"
