"""The layers of the rail before fastening: one for each limit, along the rails."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from viewer.layer import VERDICT_WORDS, Card, Layer, RailTrace, Scale
from viewer.numbers import number_mm, plain_number
from viewer.section import NOT_MEASURED, OUT, UNDECIDED, WITHIN

__all__ = ["RailValues", "rail_layer"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_SIGNS = {
    "level": "+ up", "line": "+ to the right", "gauge": "+ wide", "cant": "+ left rail higher",
    "twist": "+ left rail rises ahead",
}  # fmt: skip
_URGENCY = np.array([1, 4, 3, 2])  # within, out, undecided, not measured
_UNJUDGED = 0


@dataclass(frozen=True, eq=False)
class RailValues:
    """The rail over s seats held against one limit, in plain arrays.

    Parameters
    ----------
    words : str
        What the limit is for, such as ``level, chord 5 + 5 m``.
    quantity : str
        level, line, gauge, cant or twist.
    low_mm, high_mm : float
        Limits; infinite where there is none.
    trace : RailTrace
    sigma_mm : ndarray, shape (s, r)
        Standard uncertainty of the values.
    verdict : ndarray of int, shape (s, r)
        One of the verdicts of `viewer.section`; larger numbers where nothing is judged.
    seat : ndarray of int, shape (s,)
        Number of the seat on its slab.
    """

    words: str
    quantity: str
    low_mm: float
    high_mm: float
    trace: RailTrace
    sigma_mm: Floats
    verdict: Integers
    seat: Integers


def rail_layer(rail: RailValues, slabs: int) -> Layer:
    """Return the layer of a limit of the rail over that many slabs."""
    scale, trace = _scale(rail), rail.trace
    at_seat = scale.extreme(trace.value_mm, 1)
    worst = np.full(slabs, np.nan)
    known = np.flatnonzero(np.isfinite(at_seat))
    order = known[np.argsort(np.abs(scale.share(at_seat[known])), kind="stable")]
    worst[trace.slab[order]] = at_seat[order]  # the last one written is the furthest out
    limited = np.isfinite([rail.low_mm, rail.high_mm]).any()
    word = VERDICT_WORDS[WITHIN] if limited else "without a limit"
    return Layer(
        name="rail",
        heading=f"rail before fastening, {rail.words}",
        title=f"rail, {rail.words}",
        sign=_SIGNS[rail.quantity],
        scale=scale,
        worst=worst,
        verdict=_by_slab(rail, slabs) if limited else np.where(np.isfinite(worst), WITHIN, NOT_MEASURED),
        words={**VERDICT_WORDS, WITHIN: word, NOT_MEASURED: "not known"},
        named=lambda slab: f"{number_mm(worst[slab])} mm" if np.isfinite(worst[slab]) else "not known",
        card=lambda slab: _card(rail, slab),
        rails=trace,
        unknown="not known",
        largest="the largest irregularities",
    )


def _scale(rail: RailValues) -> Scale:
    low, high = rail.low_mm, rail.high_mm
    if np.isfinite([low, high]).all() and low < high:
        middle = 0.0 if low < 0.0 < high else 0.5 * (low + high)
        same = middle == 0.0 and low == -high
        two = f"limits {plain_number(low)} to {plain_number(high)} mm"
        word = f"limit \N{PLUS-MINUS SIGN}{high:g} mm" if same else two
        return Scale.of_range(low, middle, high, word)
    one = [limit for limit in (low, high) if np.isfinite(limit)]
    amounts = np.abs(rail.trace.value_mm[np.isfinite(rail.trace.value_mm)])
    reach = 2.0 * max(abs(one[0]), 0.5) if one else max(float(np.quantile(amounts, 0.99)) if len(amounts) else 0.0, 1.0)
    reach = float(np.ceil(reach))
    return Scale(-reach, 0.0, reach)


def _by_slab(rail: RailValues, slabs: int) -> Integers:
    """Return the gravest verdict of each slab's seats; a slab with none of them is not known."""
    judged = rail.verdict <= NOT_MEASURED
    urgency = np.where(judged, _URGENCY[np.where(judged, rail.verdict, 0)], _UNJUDGED).max(axis=1)
    gravest = np.zeros(slabs, dtype=np.int64)
    np.maximum.at(gravest, rail.trace.slab, urgency)
    verdicts: Integers = np.array([NOT_MEASURED, WITHIN, NOT_MEASURED, UNDECIDED, OUT])[gravest]
    return verdicts


def _card(rail: RailValues, slab: int) -> Card:
    seats = np.flatnonzero(rail.trace.slab == slab)
    both = rail.trace.value_mm.shape[1] == 1
    value, sigma = rail.trace.value_mm[seats], rail.sigma_mm[seats]
    rows = tuple(
        (
            f"seat {rail.seat[seat]}",
            *(number_mm(v, 2) if np.isfinite(v) else "unknown" for v in row),
            f"{2.0 * np.max(spread):.2f}" if np.isfinite(spread).all() else "",
        )
        for seat, row, spread in zip(seats, value, sigma, strict=True)
    )
    beyond = np.argwhere((value < rail.low_mm) | (value > rail.high_mm))
    limited = bool(np.isfinite([rail.low_mm, rail.high_mm]).all())
    same = rail.low_mm == -rail.high_mm
    two = f"{plain_number(rail.low_mm)} to {plain_number(rail.high_mm)}"
    limit = f"\N{PLUS-MINUS SIGN}{rail.high_mm:g}" if same else two
    columns = ("both rails",) if both else ("left", "right")
    return Card(
        f"{rail.quantity} and uncertainty (k = 2), mm",
        (*columns, "\N{PLUS-MINUS SIGN}"),
        rows,
        frozenset((int(row), int(column)) for row, column in beyond),
        ("limit", *([limit] * len(columns)), "") if limited else (),
        (f"{_SIGNS[rail.quantity]}. Bold: beyond the limit.",),
    )
