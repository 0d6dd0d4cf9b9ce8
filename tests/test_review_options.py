"""Ways to fill spans and sets of types, against every filling there is and against a solver of another kind."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp
from test_layout import FIXED_GAPS, LINE, RULES, A, B, C, slab, straight

from geometry.slabs import Allowed, LayoutRules, SlabType, Span, fill_spans
from geometry.slabs import options as of_options
from geometry.slabs.options import fewest_types, room_of, span_options


def fillings(room: float, types: list[SlabType], rules: LayoutRules) -> list[tuple[int, ...]]:
    """Return every count of slabs that keeps the rules, by the two inequalities of gaps and clearances."""
    most = [int(room / t.length) + 1 for t in types]
    found = []
    for counts in product(*(range(m + 1) for m in most)):
        slabs = sum(counts)
        length = sum(n * t.length for n, t in zip(counts, types, strict=True))
        low = length + (slabs - 1) * rules.gap.low + 2 * rules.clearance.low
        high = length + (slabs - 1) * rules.gap.high + 2 * rules.clearance.high
        if slabs and low <= room + 1e-9 and room <= high + 1e-9:
            found.append(counts)
    return found


def specials(counts: tuple[int, ...], types: list[SlabType]) -> int:
    return sum(n for n, t in zip(counts, types, strict=True) if t.special)


TYPES = [A, C, B, slab("D", 4.2), slab("E", 3.1, special=True)]
WIDE = LayoutRules(Allowed(0.070, 0.050, 0.100), Allowed(0.050, 0.030, 0.150))


@pytest.mark.parametrize("rules", [RULES, FIXED_GAPS, WIDE], ids=["usual", "fixed", "wide"])
@pytest.mark.parametrize("seed", range(12))
def test_options_are_all_there_are(seed: int, rules: LayoutRules) -> None:
    rng = np.random.default_rng(seed)
    types = [A, *[TYPES[i] for i in rng.permutation(np.arange(1, 5))[: rng.integers(0, 3)]]]
    room = float(rng.uniform(4.0, 34.0))
    every = fillings(room, types, rules)
    options = span_options(room, types, rules, most=100)
    assert options.complete
    assert options.found == len(every)
    if not every:
        assert len(options.gap) == 1
        assert options.missing[0] > 0
        return
    listed = [tuple(row) for row in options.counts.tolist()]
    assert len(listed) == len(set(listed)) == len(every)
    assert set(listed) == set(every)
    assert options.specials.tolist() == sorted(specials(counts, types) for counts in listed)
    slabs = options.counts.sum(axis=1)
    length = options.counts @ np.array([t.length for t in types])
    gap = np.where(slabs > 1, options.gap, 0.0)
    np.testing.assert_allclose(length + (slabs - 1) * gap + 2 * options.clearance, room, rtol=0, atol=1e-9)
    assert (np.isnan(options.gap) == (slabs == 1)).all()


@pytest.mark.parametrize("room", [24.95, 32.6, 24.85, 31.7])
def test_the_first_option_is_what_is_laid_out(room: float) -> None:
    layout, findings = fill_spans(LINE, [Span("s", "", 10.0, 10.0 + room)], [A, C, B], RULES)
    options = span_options(room, [A, C, B], RULES)
    assert bool(findings) == (options.missing[0] > 0)
    if not findings:
        assert options.counts[0].tolist() == np.bincount(layout.type_index, minlength=3).tolist()
        np.testing.assert_allclose(layout.gap_ahead[:-1], options.gap[0], rtol=0, atol=1e-9)


def test_a_long_span_lists_the_best_of_many() -> None:
    room, rules = 1000.0, RULES
    options = span_options(room, [A, B], rules, most=7)
    # every count that fits, by the two inequalities; 220 kinds of mixtures
    every = fillings(room, [A, B], rules)
    assert options.found == len(every) > 200
    length = np.array([A.length, B.length])

    def rank(counts: tuple[int, ...]) -> tuple[int, float]:
        slabs, rest = sum(counts), room - float(np.array(counts) @ length)
        surplus = (rest - (slabs - 1) * 0.070 - 0.100) / (slabs + 1)
        if -0.010 <= surplus <= 0.010:  # neither gaps nor clearances at an end of their range
            return specials(counts, [A, B]), (slabs + 1) * surplus**2
        return specials(counts, [A, B]), np.inf

    wanted = sorted(every, key=rank)[:2]
    assert [tuple(row) for row in options.counts[:2].tolist()] == wanted
    assert options.specials.tolist() == sorted(options.specials.tolist())


def test_counts_of_one_type_in_order() -> None:
    # 3000 m: 599 or 600 slabs of 4.93 at the nominal 70 mm; one more or less changes each gap by 8.3 mm of 50 to 100
    n = np.arange(500, 700)
    surplus = (3000 - n * A.length - (n - 1) * 0.070 - 0.100) / (n + 1)
    fits = n[(surplus >= -0.020) & (surplus <= 0.030)]
    options = span_options(3000.0, [A], WIDE, most=20)
    wanted = sorted(fits.tolist(), key=lambda k: (k + 1) * surplus[k - 500] ** 2)
    assert len(wanted) >= 5
    assert options.counts[: len(wanted) - 1, 0].tolist() == wanted[:-1]  # at the limit the clearances help
    assert options.found == len(fillings_of_one(3000.0))


def fillings_of_one(room: float) -> list[int]:
    return [n for n in range(1, 1000) if n * A.length + (n - 1) * 0.050 + 0.060 <= room
            <= n * A.length + (n - 1) * 0.100 + 0.300]  # fmt: skip


def test_nothing_is_no_filling() -> None:
    # gaps and clearances alone would fill 0.1 m
    options = span_options(0.1, [A, B], RULES)
    assert options.found == 0
    assert options.missing[0] > 0
    assert fewest_types(np.array([0.1, 24.95]), [A, B], RULES).impossible.tolist() == [True, False]


@pytest.mark.parametrize("seed", range(10))
def test_the_best_set_takes_the_filling_nearest_to_nominal(seed: int) -> None:
    rng = np.random.default_rng(40 + seed)
    rooms = rng.uniform(20.0, 300.0, 4)
    types = [A, C, B]
    choice = fewest_types(rooms, types, WIDE)
    chosen = np.flatnonzero(choice.members[0])
    for room, counts, gap, impossible in zip(rooms, choice.counts, choice.gap, choice.impossible, strict=True):
        options = span_options(float(room), [types[i] for i in chosen], WIDE)
        assert impossible or counts[chosen].tolist() == options.counts[0].tolist()
        assert impossible or gap == pytest.approx(options.gap[0], abs=1e-12)


@pytest.mark.parametrize("room", [3000.0, 3002.0, 2998.0])
def test_one_type_takes_the_count_nearest_to_nominal(room: float) -> None:
    nominal = (room - 0.100 + 0.070) / (A.length + 0.070)
    choice = fewest_types(np.array([room]), [A, B], WIDE)
    assert choice.counts.tolist() == [[round(nominal), 0]]


def test_a_set_of_special_types_has_as_few_slabs_as_it_can() -> None:
    room = 1000.0
    choice = fewest_types(np.array([room]), [A, B], WIDE)
    alone = choice.members.tolist().index([False, True])
    fewest = next(n for n in range(1, 400) if n * B.length + (n - 1) * 0.100 + 0.300 >= room)
    most = next(n for n in range(400, 1, -1) if n * B.length + (n - 1) * 0.050 + 0.060 <= room)
    nominal = (room - 0.100 + 0.070) / (B.length + 0.070)
    assert fewest < int(nominal) < most
    assert choice.specials[alone] == fewest


def by_search(rooms: list[float], types: list[SlabType], rules: LayoutRules) -> tuple[int, int, int]:
    """Return spans that can be filled, fewest types and fewest specials, from every filling of every span."""
    every = [fillings(room, types, rules) for room in rooms]
    every = [found for found in every if found]
    for size in range(1, len(types) + 1):
        totals = []
        for chosen in combinations(range(len(types)), size):
            fewest = [min((specials(f, types) for f in found
                           if all(n == 0 or i in chosen for i, n in enumerate(f))), default=-1)
                      for found in every]  # fmt: skip
            if min(fewest, default=0) >= 0:
                totals.append(sum(fewest))
        if totals:
            return len(every), size, min(totals)
    raise AssertionError


@pytest.mark.parametrize("rules", [RULES, WIDE], ids=["usual", "wide"])
@pytest.mark.parametrize("seed", range(15))
def test_fewest_types_against_every_filling(seed: int, rules: LayoutRules) -> None:
    rng = np.random.default_rng(100 + seed)
    types = [TYPES[i] for i in rng.permutation(5)[: rng.integers(2, 5)]]
    rooms = rng.choice([24.85, 24.95, 32.6, 20.1, 15.2, 27.7, 9.1, 33.0, 29.4], rng.integers(1, 5)).tolist()
    fillable, size, fewest = by_search(rooms, types, rules)
    choice = fewest_types(np.array(rooms), types, rules)
    assert choice.complete
    assert int((~choice.impossible).sum()) == fillable
    if not fillable:
        return
    assert int(choice.members[0].sum()) == size
    assert int(choice.specials[0]) == fewest
    assert choice.unfilled[0] == 0
    used = choice.counts.sum(axis=0) > 0
    assert not (used & ~choice.members[0]).any()
    assert choice.counts[:, [t.special for t in types]].sum() == fewest
    for room, counts, impossible in zip(rooms, choice.counts.tolist(), choice.impossible.tolist(), strict=True):
        assert impossible or tuple(counts) in fillings(room, types, rules)


@pytest.mark.parametrize("seed", range(6))
def test_fewest_types_against_a_mixed_integer_program(seed: int) -> None:
    """All spans in one program: counts, and one yes or no for each type; types count more than all specials."""
    rng = np.random.default_rng(seed)
    types = [A, C, B, slab("E", 3.1, special=True)]
    rooms = rng.uniform(18.0, 60.0, 6)
    choice = fewest_types(rooms, types, RULES)
    rooms_left = rooms[~choice.impossible]
    s, t = len(rooms_left), len(types)
    length = np.array([k.length for k in types])
    rows, low, high = [], [], []
    for i, room in enumerate(rooms_left):
        for gap, clearance, upper in ((0.060, 0.030, True), (0.080, 0.120, False)):
            row = np.zeros(s * t + t)
            row[i * t : i * t + t] = length + gap
            rows.append(row)
            value = room + gap - 2 * clearance
            low.append(-np.inf if upper else value)
            high.append(value if upper else np.inf)
        for k in range(t):
            row = np.zeros(s * t + t)
            row[i * t + k], row[s * t + k] = 1.0, -30.0
            rows.append(row)
            low.append(-np.inf)
            high.append(0.0)
    cost = np.concatenate([np.tile([float(k.special) for k in types], s), np.full(t, 1000.0)])
    most = np.append(np.full(s * t, 30.0), np.ones(t))
    found = milp(cost, constraints=LinearConstraint(np.array(rows), low, high), integrality=np.ones(len(cost)),
                 bounds=Bounds(0, most), options={"mip_rel_gap": 0.0})  # fmt: skip
    assert found.success
    assert int(choice.members[0].sum()) * 1000 + int(choice.specials[0]) == round(found.fun)


def test_sets_are_ranked_and_go_one_type_further() -> None:
    # 24.95 m takes five of 4.93; 32.6 m takes five and two of 3.685, or other mixes with 4.856
    choice = fewest_types(np.array([24.95, 32.6]), [A, C, B], RULES)
    ranks = list(zip(choice.unfilled.tolist(), choice.members.sum(axis=1).tolist(), choice.specials.tolist(),
                     strict=True))  # fmt: skip
    assert ranks == sorted(ranks)
    assert choice.members[0].tolist() == [True, False, True]
    assert choice.specials[0] == 2
    assert choice.counts.tolist() == [[5, 0, 0], [5, 0, 2]]
    assert choice.gap.tolist() == pytest.approx([0.060, 0.0775])
    assert choice.clearance.tolist() == pytest.approx([0.030, 0.0575])
    # all three types together are listed beside the two, as they could have saved specials
    assert [True, True, True] in choice.members.tolist()


def test_a_span_that_nothing_fills_does_not_hide_the_others() -> None:
    choice = fewest_types(np.array([24.95, 2.0, 32.0]), [A], RULES)
    assert choice.impossible.tolist() == [False, True, True]
    assert choice.unfilled.tolist() == [0]
    assert choice.counts.tolist() == [[5], [0], [0]]
    assert np.isnan(choice.gap[1:]).all()


def test_what_was_not_tried_is_not_called_proven(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(of_options, "_MOST_ROWS", 20)
    monkeypatch.setattr(of_options, "_MOST_LISTED_ROWS", 20)
    rooms = np.array([60.0, 24.85])
    assert not of_options.fewest_types(rooms, [A, C, B, TYPES[3]], FIXED_GAPS).complete
    members = np.ones(3, dtype=bool)
    table, whole = of_options._table([A, C, B], members, 0, 60.0, RULES, 20)
    assert len(table) <= 20
    assert not whole


def test_room_is_a_true_length() -> None:
    steep = straight(gradient=0.025, scale=0.9998)
    assert room_of(steep, [Span("s", "", 100.0, 132.0)])[0] == pytest.approx(
        np.hypot(32.0 / 0.9998, 0.8), abs=1e-6
    )  # levels have no scale
