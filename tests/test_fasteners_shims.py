"""Pieces under the rail: the fewest for each height, what the stock lacks, and settings that contradict themselves."""

from __future__ import annotations

from itertools import combinations_with_replacement
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from geometry.exchange.fastener_settings import FastenerSettings
from geometry.placement.rail.shims import Pieces, fewest_to_order, hundredths, impossible_heights, order, stacks

KINDS = (50, 100, 150, 200, 300, 600, 1000, 2000)


def every_stack(pieces: Pieces) -> dict[int, tuple[int, ...]]:
    """Return for every height that can be made the stack with the fewest pieces, by listing all of them."""
    found: dict[int, tuple[int, ...]] = {0: ()}
    for count in range(1, pieces.most + 1):
        for stack in combinations_with_replacement(reversed(pieces.shims), count):
            found.setdefault(sum(stack), stack)
    return found


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    st.sets(st.integers(1, 30), min_size=1, max_size=6), st.integers(1, 4), st.integers(0, 40),
    st.lists(st.integers(-45, 90), min_size=1, max_size=20),
)  # fmt: skip
def test_stacks_against_all_of_them(sizes: set[int], most: int, base: int, heights: list[int]) -> None:
    pieces = Pieces(tuple(sorted(sizes)), most, base)
    every = every_stack(pieces)
    found = stacks(np.array(heights), pieces)
    for height, count, out, possible in zip(heights, found.count, found.base_out, found.possible, strict=True):
        if height in every:
            assert possible
            assert not out
            assert count.sum() == len(every[height])
        elif base and height + base in every and height + base > 0:
            assert possible
            assert out
            assert count.sum() == len(every[height + base])
        else:
            assert not possible
            assert count.sum() == 0
            continue
        assert count @ np.array(pieces.shims) - (base if out else 0) == height
        assert count.sum() <= most


def test_a_stack_starts_with_its_thickest_piece() -> None:
    # 4 mm is 2 + 2 and 3 + 1: both of two pieces
    assert stacks(np.array([400]), Pieces((100, 200, 300), 3)).count.tolist() == [[1, 0, 1]]


def test_every_height_of_a_usual_fastener() -> None:
    """-4 to +26 mm by 0.5 mm (common practice, from memory), with four pieces on a seat."""
    pieces = Pieces(KINDS, 4, 1000)
    assert impossible_heights(pieces, 50, -8, 52).tolist() == []
    assert impossible_heights(Pieces(KINDS[:-1], 4, 1000), 50, -8, 52).tolist() == [2550]


def test_what_is_short_is_ordered() -> None:
    found = order(np.array([[1, 0], [2, 1]]), np.array([2, 5]))
    assert (found.needed.tolist(), found.short.tolist()) == ([3, 1], [1, 0])


@settings(max_examples=30, deadline=None, derandomize=True)
@given(
    st.lists(st.sampled_from([-100, 0, 100, 200, 300, 400]), min_size=1, max_size=4),
    st.lists(st.integers(0, 3), min_size=3, max_size=3),
)
def test_fewest_to_order_against_all_ways(heights: list[int], stock: list[int]) -> None:
    pieces = Pieces((100, 200, 300), 2, 400)
    ways = [np.zeros(3, dtype=int)]
    for height in heights:
        if height == 0:
            continue
        fits = [
            np.bincount([pieces.shims.index(p) for p in stack], minlength=3)
            for count in (1, 2)
            for stack in combinations_with_replacement(pieces.shims, count)
            if sum(stack) in (height, height + pieces.base)
        ]
        ways = [way + fit for way in ways for fit in fits]
    least = min(int(np.maximum(way - np.array(stock), 0).sum()) for way in ways)
    assert fewest_to_order(np.array(heights), pieces, np.array(stock)) == least


def test_a_fixed_choice_of_stacks_may_order_more_than_is_needed() -> None:
    pieces, heights, stock = Pieces((100, 200), 2), np.array([200, 200]), np.array([4, 0])
    assert order(stacks(heights, pieces).count, stock).short.sum() == 2
    assert fewest_to_order(heights, pieces, stock) == 0


def test_lengths_become_whole_hundredths() -> None:
    assert hundredths(np.array([-0.004, 0.0005, 3 * 0.0001])).tolist() == [-400, 50, 30]


SOUND: dict[str, Any] = {
    "source": "test", "step_mm": 0.5, "low_mm": -1.0, "high_mm": 3.0, "sideways_step_mm": 0.5, "sideways_mm": 2.0,
    "base_mm": 6.0, "shims_mm": [2.0, 0.5, 5.0, 1.0], "most_shims": 3,
}  # fmt: skip


def test_sound_settings() -> None:
    found = FastenerSettings(
        **SOUND, stock=[{"piece": "shim", "size_mm": 2.0, "count": 7}, {"piece": "guide", "size_mm": 1.5, "count": 2}]
    )
    assert found.pieces == Pieces((50, 100, 200, 500), 3, 600)
    assert (found.height.least, found.height.most) == (-2, 6)
    assert (found.sideways.least, found.sideways.most) == (-4, 4)
    assert found.stock_of("shim", np.array([0.5, 2.0])).tolist() == [0, 7]
    assert found.stock_of("guide", np.array([0.5, 1.5])).tolist() == [0, 2]
    assert found.rules(2.0, 5.0).seconds == 5.0
    assert found.rules(2.0).seconds == found.most_seconds


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"shims_mm": [2.0, 1.0]}, "pieces that make every height .* found none for -0.5, 0.5, 1.5, 2.5 mm"),
        ({"base_mm": 0.0}, "found none for -1, -0.5 mm"),
        ({"most_shims": 1}, "found none for"),
        ({"shims_mm": [0.5, 1.0, 1.0]}, "thicknesses of shims that differ, found 1.0 twice"),
        ({"step_mm": 0.333}, "whole hundredths of a millimetre, found 0.333"),
        ({"low_mm": 0.5}, "less than or equal to 0"),
        ({"high_mm": -0.5}, "greater than or equal to 0"),
        ({"stock": [{"piece": "shim", "size_mm": 3.0, "count": 1}]}, "a stock of shims that shims_mm names, found"),
        ({"stock": [{"piece": "guide", "size_mm": 0.7, "count": 1}]}, "guides in steps of 0.5 mm, found one of 0.7"),
        ({"stock": [{"piece": "guide", "size_mm": 0.5, "count": 1}] * 2}, "pieces of the stock that differ"),
        ({"hold_kn": 0.0}, "greater than 0"),
        ({"hold": 1.0}, "Extra inputs"),
    ],
)
def test_settings_that_contradict_themselves(change: dict[str, Any], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        FastenerSettings(**{**SOUND, **change})
