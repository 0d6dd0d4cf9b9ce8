"""Batches and days of mortar."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from geometry.placement.mortar import plan_batches

VOLUMES = st.lists(st.one_of(st.floats(0.2, 1.2), st.just(float("nan"))), min_size=1, max_size=40)


def plan(volume, loss=0.05, capacity=2.5, per_day=0, asked=None, own=None, shared=None):
    volume = np.array(volume, dtype=float)
    n = len(volume)
    asked = np.ones(n, dtype=bool) if asked is None else np.array(asked)
    zero = np.zeros(n)
    return plan_batches(volume, zero if own is None else own, zero if shared is None else shared, asked, loss, capacity,
                        per_day)  # fmt: skip


def by_hand(volume: list[float], loss: float, capacity: float, per_day: int) -> list[list[int]]:
    """Return the slabs of each batch by going from slab to slab, as a foreman would."""
    batches: list[list[int]] = []
    fill, number = 0.0, 0
    for slab, v in enumerate(volume):
        if np.isnan(v):
            continue
        new_day = per_day and number % per_day == 0
        if not batches or new_day or fill + v * (1 + loss) > capacity + 1e-9:
            batches.append([])
            fill = 0.0
        batches[-1].append(slab)
        fill += v * (1 + loss)
        number += 1
    return batches


@given(volume=VOLUMES, capacity=st.sampled_from([0.7, 1.5, 2.5]), per_day=st.sampled_from([0, 1, 3, 7]))
def test_batches_are_those_of_going_from_slab_to_slab(volume: list[float], capacity: float, per_day: int) -> None:
    found = plan(volume, 0.05, capacity, per_day)
    wanted = by_hand(volume, 0.05, capacity, per_day)
    assert [np.flatnonzero(found.batch == b).tolist() for b in range(len(found.first))] == wanted
    assert found.first.tolist() == [b[0] for b in wanted]
    assert found.last.tolist() == [b[-1] for b in wanted]
    assert found.slabs.tolist() == [len(b) for b in wanted]
    # nothing is lost, and nothing but a single slab takes more than the mixer holds
    assert abs(found.volume.sum() - 1.05 * np.nansum(volume)) < 1e-9
    over = found.volume > capacity + 1e-6
    assert (found.slabs[over] == 1).all()
    assert (found.fills[~over] == 1).all()
    assert (found.fills * capacity >= found.volume - 1e-6).all()
    counts, volumes = found.of_days()
    assert counts.sum() == np.isfinite(volume).sum()
    assert abs(volumes.sum() - found.volume.sum()) < 1e-9
    if per_day:
        assert (counts[:-1] == per_day).all()


def test_a_slab_that_takes_more_than_the_mixer_is_said_to() -> None:
    found = plan([0.6, 2.6, 0.6], 0.0, 1.0)
    assert found.batch.tolist() == [0, 1, 2]
    assert found.fills.tolist() == [1, 3, 1]


def test_what_is_not_asked_for_or_not_known_gets_no_batch() -> None:
    found = plan([0.6, 0.6, np.nan, 0.6], 0.0, 1.3, asked=[True, False, True, True])
    assert found.batch.tolist() == [0, -1, -1, 0]
    nothing = plan([np.nan])
    assert len(nothing.first) == 0
    assert nothing.of_days()[0].size == 0


def test_without_a_mixer_a_day_is_a_batch() -> None:
    found = plan([0.5] * 10, 0.0, np.inf, 4)
    assert found.slabs.tolist() == [4, 4, 2]
    assert found.day.tolist() == [0, 1, 2]
    assert found.fills.tolist() == [1, 1, 1]


def test_what_slabs_share_does_not_average_out() -> None:
    own, shared = np.full(4, 3e-3), np.full(4, 4e-3)
    found = plan([0.5] * 4, 0.10, 9.0, own=own, shared=shared)
    assert abs(found.volume_sigma[0] - 1.1 * np.hypot(2 * 3e-3, 4 * 4e-3)) < 1e-12
