"""The plan of the fasteners: exact on small rails, keeps every limit, bends no further than the rail can."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_array

from geometry.placement.rail.beam import Beam, largest_kink
from geometry.placement.rail.chords import Chord, chord_rows, twist_rows
from geometry.placement.rail.fastener_milp import StepProblem, tightened
from geometry.placement.rail.fastener_search import part_of
from geometry.placement.rail.fasteners import FastenerPlan, FastenerRules, StepRange, adjusted, plan_fasteners
from geometry.placement.rail.forecast import (
    NO_ROOM,
    RailForecast,
    RailLimit,
    RailRules,
    rail_forecast,
)
from geometry.placement.rail.seats import RailSeats
from geometry.placement.verdict import NOT_MEASURED, OUT, UNDECIDED, WITHIN

STRAW = Beam(1.0, 1.0, 1e9)  # bends as it likes: no stiffness in the way
RAIL = Beam(6.38e6, 22.5e6, 18e3)
MM = 1e-3


def rail(
    level: np.ndarray, line: np.ndarray, limits: tuple[RailLimit, ...], *, station: np.ndarray | None = None,
    sigma: float = 0.0, guard: float = 0.0,
) -> tuple[RailForecast, RailSeats, RailRules]:  # fmt: skip
    """Return the forecast of a rail that lies as given, mm, one slab for each seat."""
    s = len(level)
    station = np.arange(s) * 0.65 if station is None else station
    seats = RailSeats(
        slab=np.arange(s), station=station, target_offset=np.stack([line, level], axis=-1) * MM,
        rows=np.zeros((s, 2, 2, 6)), distance=station, seat=np.ones(s, dtype=np.intp),
    )  # fmt: skip
    rules = RailRules(limits, guard, sigma)
    return rail_forecast(seats, np.zeros((s, 6)), None, rules), seats, rules


def rules_of(
    *, step: float = 0.5, low: float = -1.0, high: float = 1.0, sideways_step: float = 0.5, sideways: float = 0.5,
    vertical: Beam = STRAW, lateral: Beam = STRAW, guard: float = 0.0, seconds: float = 30.0,
) -> FastenerRules:  # fmt: skip
    return FastenerRules(
        StepRange(step * MM, low * MM, high * MM), StepRange(sideways_step * MM, -sideways * MM, sideways * MM),
        vertical, lateral, guard, seconds,
    )  # fmt: skip


def limit(quantity: str, mm: float, chord: Chord | None = None, base: float | None = None) -> RailLimit:
    return RailLimit(quantity, -mm * MM, mm * MM, "test", chord, None, base)  # type: ignore[arg-type]


def exhaustive(
    level: np.ndarray, limits: tuple[RailLimit, ...], station: np.ndarray, steps: list[float], kink: float = np.inf
) -> tuple[float, int, float]:  # fmt: skip
    """Return least excess, fewest changes and least sum over every combination of heights, by brute force, mm.

    The rows are taken from `chord_rows`, but put together here, one seat after the other and without any search.
    """
    s = len(level)
    every = np.array(list(product(steps, repeat=2 * s))).reshape(-1, s, 2)
    value = level + every
    excess = np.zeros(len(every))

    def count(values: np.ndarray, most: float) -> None:
        nonlocal excess
        beyond = np.maximum(np.abs(values) - most, 0.0)
        excess = excess + np.where(beyond < 1e-6, 0.0, beyond).reshape(len(every), -1).sum(axis=1)

    for one in limits:
        most = one.high / MM
        if one.quantity == "level" and one.chord is None:
            count(value, most)
        elif one.quantity == "level":
            assert one.chord is not None
            rows = chord_rows(station, one.chord).rows.toarray()
            count(np.einsum("ks,esr->ekr", rows, value), most)
        elif one.quantity == "cant":
            count(value[..., 0] - value[..., 1], most)
        else:
            assert one.base is not None
            count((value[..., 0] - value[..., 1]) @ twist_rows(station, one.base).rows.toarray().T, most)
    behind, ahead = np.diff(station)[:-1], np.diff(station)[1:]
    slope = np.diff(value, axis=1) / np.diff(station)[:, None]
    mean = ((behind + ahead) / 2)[:, None]
    beyond = np.maximum(np.abs(np.diff(slope, axis=1)) * mean - kink * mean * 1e3, 0.0)
    excess = excess + np.where(beyond < 1e-6, 0.0, beyond).reshape(len(every), -1).sum(axis=1)
    changes = (every != 0).reshape(len(every), -1).sum(axis=1)
    moved = np.abs(every).reshape(len(every), -1).sum(axis=1)
    best = np.lexsort((moved, changes, np.round(excess, 6)))[0]
    return float(excess[best]), int(changes[best]), float(moved[best])


SMALL_LIMITS = (
    limit("level", 0.7),
    limit("level", 0.5, Chord(0.65, 0.65)),
    limit("cant", 0.6),
    limit("twist", 0.6, base=1.3),
)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    st.lists(st.integers(-15, 15), min_size=8, max_size=8),
    st.sampled_from([(0, 1), (0,), (0, 1, 2), (0, 3), (1, 2, 3), (0, 1, 2, 3)]),
)
def test_the_plan_is_the_best_of_all_combinations(tenths: list[int], which: tuple[int, ...]) -> None:
    """Against exhaustive search: 3^8 combinations of heights on four seats, feasible or not."""
    level = np.array(tenths, dtype=np.float64).reshape(4, 2) / 10
    limits = tuple(SMALL_LIMITS[i] for i in which)
    forecast, seats, _ = rail(level, np.zeros((4, 2)), limits)
    plan = plan_fasteners(forecast, rules_of(low=-0.5, high=0.5))
    excess, changes, moved = exhaustive(level, limits, seats.station, [-0.5, 0.0, 0.5])
    assert sum(np.nansum(k.excess) for k in plan.kept) / MM == pytest.approx(excess, abs=1e-5)
    assert plan.opened == changes == plan.opened_bound
    assert plan.moved / MM == pytest.approx(moved, abs=1e-9)
    assert plan.moved_bound == pytest.approx(plan.moved, abs=1e-8)
    assert plan.finished
    assert plan.keeps_all == (excess == 0)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.lists(st.integers(-10, 10), min_size=8, max_size=8), st.sampled_from([0.4, 0.8, 1.2]))
def test_a_stiff_rail_against_all_combinations(tenths: list[int], second: float) -> None:
    """As above, with the stiffness in the way and seats that are not equally far apart."""
    level = np.array(tenths, dtype=np.float64).reshape(4, 2) / 10
    station = np.array([0.0, 0.65, 1.38, 2.0])
    limits = SMALL_LIMITS[:1]
    forecast, _, _ = rail(level, np.zeros((4, 2)), limits, station=station)
    beam = Beam(6.38e6, 22.5e6, 18e3)
    free = plan_fasteners(forecast, rules_of(vertical=beam)).kinks[0].kink
    beam = replace(beam, hold=beam.hold * second * MM / 0.65 / free)
    plan = plan_fasteners(forecast, rules_of(low=-0.5, high=0.5, vertical=beam))
    assert plan.kinks[0].kink == pytest.approx(second * MM / 0.65, rel=1e-9)
    assert plan.kinks[0].kink <= min(largest_kink(beam, float(apart)) for apart in np.diff(station)) * (1 + 1e-9)
    excess, changes, moved = exhaustive(level, limits, station, [-0.5, 0.0, 0.5], plan.kinks[0].kink)
    assert sum(np.nansum(k.excess) for k in plan.kept) / MM == pytest.approx(excess, abs=1e-5)
    assert (plan.opened, plan.moved / MM) == (changes, pytest.approx(moved, abs=1e-9))


def by_dynamic_programming(level: np.ndarray, heights: np.ndarray, most: float, cant: float, twist: float) -> float:
    """Return changes times a million plus the sum, mm, of the best plan of a chain of seats, (s, 2), mm.

    Limits on each rail, on cant, and on the change of cant to the next seat of the chain only tie neighbours: exact by
    Bellman's principle, over the pairs of heights of both rails.
    """
    pairs = np.array(list(product(heights, repeat=2)))
    value = level[:, None, :] + pairs
    across = value[..., 0] - value[..., 1]
    good = (np.abs(value) <= most + 1e-9).all(axis=-1) & (np.abs(across) <= cant + 1e-9)
    cost = np.where(good, (pairs != 0).sum(axis=1) * 1e6 + np.abs(pairs).sum(axis=1), np.inf)
    best = cost[0]
    for before, now, added in zip(across[:-1], across[1:], cost[1:], strict=True):
        allowed = np.abs(now[None, :] - before[:, None]) <= twist + 1e-9
        best = np.where(allowed, best[:, None], np.inf).min(axis=0) + added
    return float(best.min())


@pytest.mark.parametrize("seed", range(4))
def test_absolute_and_neighbour_limits_against_dynamic_programming(seed: int) -> None:
    """Twist over two spacings ties every other seat: two chains, each with its own shortest path."""
    level = np.round(np.random.default_rng(seed).normal(0.0, 0.55, (120, 2)), 2)
    limits = (limit("level", 0.8), limit("cant", 0.9), limit("twist", 0.9, base=1.3))
    forecast, _, _ = rail(level, np.zeros((120, 2)), limits)
    plan = plan_fasteners(forecast, rules_of(low=-1.5, high=1.5))
    heights = np.arange(-3, 4) * 0.5
    best = [by_dynamic_programming(level[start::2], heights, 0.8, 0.9, 0.9) for start in (0, 1)]
    assert np.isfinite(best).all()
    assert (plan.opened, plan.moved / MM) == (sum(b // 1e6 for b in best), pytest.approx(sum(b % 1e6 for b in best)))
    assert plan.keeps_all
    assert plan.opened > 20  # there was something to do
    assert plan.windows > 1


LIMITS = (
    limit("level", 1.0),
    limit("gauge", 1.0),
    limit("cant", 1.5),
    limit("twist", 1.5, base=3.0),
    limit("level", 1.5, Chord(5.0, 5.0)),
    limit("line", 1.5, Chord(5.0, 5.0)),
    limit("level", 1.5, Chord(2.0, 8.0)),
    limit("line", 1.5, Chord(2.0, 8.0)),
    limit("line", 2.0, Chord(15.0, 15.0, 5.0)),
)


def rough(seed: int, slabs: int, size: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return stations, level and line, mm, of a rail on slabs of eight seats that lie about their places."""
    rng = np.random.default_rng(seed)
    along = np.arange(8) * 0.65 - 2.275
    station = (np.arange(slabs)[:, None] * 5.28 + along).ravel()
    up, pitch, roll, across, yaw = (
        rng.normal(0.0, size, (5, slabs, 1)) * np.array([1, 0.4, 0.6, 1.2, 0.3])[:, None, None]
    )
    level = np.stack([up + pitch * along + 0.75 * roll, up + pitch * along - 0.75 * roll], axis=-1).reshape(-1, 2)
    line = np.repeat((across + yaw * along).reshape(-1, 1), 2, axis=1)
    return station, level, line


def independently_kept(
    plan: FastenerPlan, station: np.ndarray, level: np.ndarray, line: np.ndarray, limits: Sequence[RailLimit]
) -> bool:
    """Put the plan on the rail and evaluate limits with the rows of chords alone, mm."""
    level = level + plan.height * plan.rules.height.step / MM
    line = line + plan.sideways * plan.rules.sideways.step / MM
    cant = level[:, 0] - level[:, 1]
    values = {"level": level, "line": line, "cant": cant, "gauge": line[:, 1] - line[:, 0]}
    good = True
    for one in limits:
        if one.quantity == "twist":
            found = twist_rows(station, 3.0).rows @ cant
        else:
            found = values[one.quantity]
            found = chord_rows(station, one.chord).rows @ found if one.chord else found
        good &= bool((np.abs(found) <= one.high / MM + 1e-5).all())
    for value, rule in ((level, plan.kinks[0]), (line, plan.kinks[1])):
        slope = np.diff(value, axis=0) / np.diff(station)[:, None]
        good &= bool((np.abs(np.diff(slope, axis=0)) <= rule.kink / MM + 1e-5).all())
    return good


STIFF = rules_of(low=-4.0, high=26.0, sideways=6.0, vertical=RAIL, lateral=Beam(1.075e6, 30e6, 10e3))


@settings(max_examples=8, deadline=None, derandomize=True)
@given(st.integers(0, 10_000), st.floats(0.15, 0.35))
def test_the_rail_with_the_plan_keeps_every_limit(seed: int, size: float) -> None:
    station, level, line = rough(seed, 20, size)
    forecast, seats, rail_rules = rail(level, line, LIMITS, station=station)
    plan = plan_fasteners(forecast, STIFF)
    assert plan.height.dtype.kind == plan.sideways.dtype.kind == "i"
    assert plan.finished
    assert plan.keeps_all
    assert plan.excess_bound == 0
    assert independently_kept(plan, station, level, line, LIMITS)
    after = rail_forecast(adjusted(seats, plan), np.zeros((len(level), 6)), None, rail_rules)
    for told in after.limits:
        assert np.isin(told.verdict, (WITHIN, NO_ROOM)).all() or told.limit.quantity == "gauge"
    np.testing.assert_allclose(after.deviation - forecast.deviation, plan.change, rtol=0, atol=1e-12)


def test_the_guard_band_is_kept_too() -> None:
    """Level of each seat uncertain by 0.2 mm, factor 2: 1 mm counts as 0.6 mm (JCGM 106, see decision_rules.json)."""
    level = np.zeros((12, 2))
    level[5] = [0.7, -0.5]
    level[9] = [0.5, -0.7]
    forecast, seats, rail_rules = rail(level, np.zeros((12, 2)), (limit("level", 1.0),), sigma=0.2 * MM, guard=2.0)
    assert forecast.limits[0].verdict[5].tolist() == [UNDECIDED, WITHIN]
    plan = plan_fasteners(forecast, rules_of(guard=2.0))
    assert plan.height[5].tolist() == [-1, 0]
    assert plan.height[9].tolist() == [0, 1]
    assert np.count_nonzero(plan.height) == plan.opened == 2
    after = rail_forecast(adjusted(seats, plan), np.zeros((12, 6)), None, rail_rules)
    assert (after.limits[0].verdict == WITHIN).all()
    # without the guard band there is nothing to do
    assert plan_fasteners(forecast, rules_of(guard=0.0)).opened == 0


def test_limits_narrower_than_their_guard_band_are_held_to_themselves_and_told() -> None:
    level = np.zeros((6, 2))
    level[2, 0] = 1.4
    forecast, _, _ = rail(level, np.zeros((6, 2)), (limit("level", 1.0),), sigma=0.6 * MM, guard=2.0)
    plan = plan_fasteners(forecast, rules_of(guard=2.0))
    assert plan.kept[0].narrow == plan.kept[0].considered == 12
    assert plan.height[2].tolist() == [-1, 0]
    assert plan.keeps_all


def test_what_is_not_measured_gets_no_shim_and_is_counted() -> None:
    station, level, line = rough(3, 6, 0.1)
    level[20] = np.nan
    level[24] = [1.6, -1.6]
    forecast, _, _ = rail(level, line, LIMITS, station=station)
    plan = plan_fasteners(forecast, STIFF)
    assert not plan.measured[20]
    assert plan.measured.sum() == 47
    assert (plan.height[20] == 0).all()
    assert (plan.sideways[20] == 0).all()
    assert plan.height[24, 0] < 0 < plan.height[24, 1]
    for kept in plan.kept[: len(LIMITS)]:
        told = next(t for t in forecast.limits if t.limit == kept.limit)
        if kept.limit is not None and kept.limit.quantity != "gauge":
            assert kept.left_out == (told.verdict == NOT_MEASURED).sum()
            assert kept.considered == np.isfinite(told.value).sum()
    assert [kept.left_out for kept in plan.kept][:3] == [2, 0, 1]  # level on both rails, cant once


def test_what_cannot_be_mended_is_named_with_its_place_and_left_as_small_as_possible() -> None:
    level = np.zeros((8, 2))
    level[3] = [3.2, 0.1]
    forecast, seats, _ = rail(level, np.zeros((8, 2)), (limit("level", 1.0), limit("cant", 1.0)))
    plan = plan_fasteners(forecast, rules_of(low=-1.0, high=1.0))
    assert not plan.keeps_all
    level_excess, cant_excess, *stiffness = (k.excess for k in plan.kept)
    # the left rail goes down by 1 mm, and is 1.2 mm beyond; the right one up by 0.5 mm leaves cant 0.6 beyond, by 1 mm
    # level 0.1 and cant 0.1: all in all 1.4 instead of 1.8 mm
    assert plan.height[3].tolist() == [-2, 2]
    assert level_excess[3] / MM == pytest.approx([1.2, 0.1], abs=1e-6)
    assert cant_excess[3, 0] / MM == pytest.approx(0.1, abs=1e-6)
    assert np.nansum([np.nansum(e) for e in (level_excess, cant_excess, *stiffness)]) / MM == pytest.approx(
        1.4, abs=1e-5
    )
    assert plan.excess_bound / MM == pytest.approx(1.4, abs=1e-5)
    assert len(seats.slab) == 8


def test_gauge_is_mended_sideways_on_one_rail_and_its_own_change_is_held_where_it_is_unknown() -> None:
    line = np.zeros((10, 2))
    line[4, 1] = 1.3  # 1.3 mm wide as far as known
    forecast, _, _ = rail(np.zeros((10, 2)), line, (limit("gauge", 1.0),))
    assert (forecast.limits[0].verdict == NOT_MEASURED).all()
    plan = plan_fasteners(forecast, rules_of(sideways=2.0))
    assert plan.opened == 1
    assert plan.sideways[4].tolist() in ([1, 0], [0, -1])
    # a line that asks one rail to move by 2 mm takes the other one along
    line = np.zeros((10, 2))
    line[4] = 2.4
    forecast, _, _ = rail(np.zeros((10, 2)), line, (limit("line", 1.0), limit("gauge", 0.4)))
    plan = plan_fasteners(forecast, rules_of(sideways=2.0))
    assert plan.sideways[4].tolist() == [-3, -3]


@settings(max_examples=6, deadline=None, derandomize=True)
@given(st.integers(0, 10_000))
def test_a_mirrored_rail_has_a_plan_as_good(seed: int) -> None:
    """Left for right with line turned round, and the line walked the other way."""
    station, level, line = rough(seed, 12, 0.3)
    plan = plan_fasteners(rail(level, line, LIMITS, station=station)[0], STIFF)
    swapped = plan_fasteners(rail(level[:, ::-1], -line[:, ::-1], LIMITS, station=station)[0], STIFF)
    even = tuple(one for one in LIMITS if one.chord is None or one.chord == Chord(5.0, 5.0))
    there = plan_fasteners(rail(level, line, even, station=station)[0], STIFF)
    back = plan_fasteners(rail(level[::-1], line[::-1], even, station=(station[-1] - station)[::-1])[0], STIFF)
    for one, other in ((plan, swapped), (there, back)):
        assert one.gap == other.gap == 0
        assert one.opened == other.opened
        assert one.moved == pytest.approx(other.moved, rel=0.02)
    turned = replace(plan, height=swapped.height[:, ::-1], sideways=-swapped.sideways[:, ::-1])
    assert independently_kept(turned, station, level, line, LIMITS)


def test_a_lone_bump_has_one_plan_and_its_mirror_image() -> None:
    level = np.zeros((9, 2))
    level[2] = [1.2, -0.3]
    here = plan_fasteners(rail(level, np.zeros((9, 2)), LIMITS[:1])[0], rules_of())
    assert np.argwhere(here.height).tolist() == [[2, 0]]
    assert here.height[2, 0] == -1
    there = plan_fasteners(rail(level[:, ::-1], np.zeros((9, 2)), LIMITS[:1])[0], rules_of())
    np.testing.assert_array_equal(there.height, here.height[:, ::-1])


def test_only_chosen_seats_are_adjusted_and_looked_after() -> None:
    level = np.zeros((40, 2))
    level[[8, 30], 0] = 1.3
    forecast, _, _ = rail(level, np.zeros((40, 2)), LIMITS[:1])
    free = np.arange(40) >= 20
    plan = plan_fasteners(forecast, rules_of(), free)
    assert np.argwhere(plan.height).tolist() == [[30, 0]]
    assert plan.kept[0].considered == 40
    assert plan.keeps_all


def test_a_rail_that_is_good_needs_nothing() -> None:
    plan = plan_fasteners(rail(np.zeros((30, 2)), np.zeros((30, 2)), LIMITS)[0], STIFF)
    assert (plan.opened, plan.opened_bound, plan.moved, plan.windows) == (0, 0, 0.0, 0)
    assert plan.keeps_all
    assert plan.gap == 0


def test_one_joint_that_sticks_out_is_eased_over_several_seats_by_a_stiff_rail() -> None:
    """A step of 2 mm from one slab to the next: a rail of straw bears it, a real one does not."""
    level = np.repeat(np.where(np.arange(24) < 12, 0.9, -0.9)[:, None], 2, axis=1)
    forecast, _, _ = rail(level, np.zeros((24, 2)), LIMITS[:1])
    assert plan_fasteners(forecast, rules_of()).opened == 0
    plan = plan_fasteners(forecast, rules_of(vertical=RAIL))
    value = level[:, 0] + plan.height[:, 0] * 0.5
    assert plan.opened > 0
    assert np.abs(np.diff(value, 2)).max() <= plan.kinks[0].second_difference / MM + 1e-6
    assert np.abs(np.diff(level[:, 0], 2)).max() > plan.kinks[0].second_difference / MM


def test_nothing_is_printed(capfd: pytest.CaptureFixture[str]) -> None:
    station, level, line = rough(5, 15, 0.4)
    plan_fasteners(rail(level, line, LIMITS, station=station)[0], STIFF)
    assert capfd.readouterr() == ("", "")


def test_time_that_runs_out_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    station, level, line = rough(6, 60, 0.6)
    plan = plan_fasteners(rail(level, line, LIMITS, station=station)[0], replace(STIFF, seconds=0.2))
    assert plan.seconds < 20
    assert not plan.finished or plan.gap > 0
    assert not plan.keeps_all or plan.finished
    assert plan.opened_bound <= plan.opened


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("seed", [2, 3, 4, 8])
def test_a_window_that_is_cut_is_bracketed_by_its_bounds(
    seed: int, sign: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    station, level, line = rough(seed, 10, 0.5)
    level, line = sign * level, sign * line
    forecast, _, _ = rail(level, line, LIMITS[:5], station=station)
    monkeypatch.setattr("geometry.placement.rail.fasteners.MOST_SEATS", 1000)
    whole = plan_fasteners(forecast, STIFF)
    assert not whole.cut
    monkeypatch.setattr("geometry.placement.rail.fasteners.MOST_SEATS", 14)
    cut = plan_fasteners(forecast, STIFF)
    assert cut.cut
    assert cut.opened_bound <= whole.opened
    assert whole.opened_bound <= cut.opened <= whole.opened * 1.3
    assert cut.keeps_all  # for these only after the seams were mended
    assert independently_kept(cut, station, level, line, LIMITS[:5])


def test_a_part_of_a_problem_counts_what_stays_outside_on_both_sides() -> None:
    rows = csr_array(np.array([[0.5, 0.5, 0.0], [1.0, -1.0, 2.0]]))
    problem = StepProblem(rows, np.array([-1.0, -2.0]), np.array([1.0, 2.0]), np.full(3, -9), np.full(3, 9),
                          np.arange(3), np.ones(3))  # fmt: skip
    part = part_of(problem, np.array([4, 3, -1]), np.array([0]), np.array([0, 1]))
    assert part.rows.toarray().tolist() == [[0.5], [1.0]]
    assert (part.low.tolist(), part.high.tolist()) == ([-2.5, 3.0], [-0.5, 7.0])


def test_ranges_of_single_adjustments_as_tight_as_the_rows_on_them() -> None:
    rows = csr_array(np.array([[0.5, 0.0, 0.0], [0.0, -2.0, 0.0], [1.0, 1.0, 0.0]]))
    low, high = np.array([-0.7, -3.0, 0.0]), np.array([0.9, np.inf, 0.0])
    problem = StepProblem(rows, low, high, np.full(3, -9), np.full(3, 9), np.arange(3), np.ones(3))
    least, most = tightened(problem)
    assert (least.tolist(), most.tolist()) == ([-1, -9, -9], [1, 1, 9])


def test_each_direction_has_its_own_steps_and_range() -> None:
    level, line = np.zeros((5, 2)), np.zeros((5, 2))
    level[2, 0], line[2, 1] = 1.2, 3.4
    forecast, _, _ = rail(level, line, (limit("level", 1.0), limit("line", 1.0)))
    plan = plan_fasteners(forecast, rules_of(step=0.3, low=-0.9, high=0.0, sideways_step=1.5, sideways=4.0))
    assert plan.height[2].tolist() == [-1, 0]
    assert plan.sideways[2].tolist() == [0, -2]
    assert plan.moved / MM == pytest.approx(3.3)
    # up is out of its range
    level[2, 0] = -1.2
    forecast, _, _ = rail(level, line, (limit("level", 1.0), limit("line", 1.0)))
    plan = plan_fasteners(forecast, rules_of(step=0.3, low=-0.9, high=0.0, sideways_step=1.5, sideways=4.0))
    assert not plan.height.any()
    assert plan.kept[0].excess[2, 0] / MM == pytest.approx(0.2, abs=1e-6)


def test_verdicts_before_and_after_use_the_same_rule() -> None:
    level = np.zeros((5, 2))
    level[2, 1] = -2.0
    forecast, seats, rail_rules = rail(level, np.zeros((5, 2)), (limit("level", 1.0),))
    assert forecast.limits[0].verdict[2, 1] == OUT
    plan = plan_fasteners(forecast, rules_of(low=-2.0, high=2.0))
    assert plan.height[2, 1] == 2
    after = rail_forecast(adjusted(seats, plan), np.zeros((5, 6)), None, rail_rules)
    assert (after.limits[0].verdict == WITHIN).all()
