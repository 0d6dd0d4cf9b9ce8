"""Filling spans and checking layouts, worked by hand and against full enumeration."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geometry.alignment import Alignment, HorizontalElement, TrackRules, VerticalElement, build, true_length
from geometry.slabs import Allowed, Fitting, Layout, LayoutRules, SlabType, Span, check_layout, fill_spans

MARKS = Fitting(("RL", "RR", "FL", "FR"), np.array([[-1.0, -2.2, 0], [1, -2.2, 0], [-1, 2.2, 0], [1, 2.2, 0]]))
RULES = LayoutRules(Allowed(0.070, 0.060, 0.080), Allowed(0.050, 0.030, 0.120))
FIXED_GAPS = LayoutRules(Allowed(0.070, 0.070, 0.070), Allowed(0.050, 0.010, 0.300))
NM = 1e-9


def slab(name: str, length: float, special: bool = False) -> SlabType:
    return SlabType(
        name,
        length,
        2.4,
        0.19,
        0.3,
        0.04,
        0.2,
        np.linspace(0.3 - length / 2, length / 2 - 0.3, 8),
        MARKS,
        MARKS,
        MARKS,
        special,
    )


A, C, B = slab("A", 4.93), slab("C", 4.856), slab("B", 3.685, special=True)


def straight(length: float = 1000.0, gradient: float = 0.0, scale: float = 1.0) -> Alignment:
    return build(
        [HorizontalElement("straight", length, easting=0, northing=0, bearing=0.4)],
        [VerticalElement("gradient", 0.0, length, gradient, gradient, level=0)],
        rules=TrackRules(grid_scale=scale),
    )


LINE = straight()


def edges(line: Alignment, layout: Layout, types: list[SlabType]) -> tuple[np.ndarray, np.ndarray]:
    """Return true lengths along the line at the rear and front ends of all slabs."""
    half = np.array([t.length for t in types])[layout.type_index] / 2
    at = true_length(line, layout.distance)
    return at - half, at + half


def test_a_span_of_five_equal_slabs() -> None:
    # 25 m: 5 x 4.93 = 24.65 leave 350 mm for 4 joints of 70 and 2 clearances of 50, 30 mm short of 380: 5 mm each
    layout, findings = fill_spans(LINE, [Span("bridge", "girder", 100.0, 125.0)], [A], RULES)
    assert not findings
    np.testing.assert_allclose(layout.gap_ahead, [0.065] * 4 + [np.nan], rtol=0, atol=NM)
    np.testing.assert_allclose(layout.distance, 100 + 0.045 + 2.465 + 4.995 * np.arange(5), rtol=0, atol=NM)
    assert layout.span.tolist() == [0] * 5
    assert layout.names.tolist() == ["0001", "0002", "0003", "0004", "0005"]


def test_clearances_take_what_the_gaps_cannot() -> None:
    # 24.85 m: 200 mm for 4 joints and 2 clearances; 180 short of nominal, 30 each puts gaps at 40 < 60: gaps 60 take
    # 240 > 200 - so the clearances would be negative: it fails; 24.95 m: 300 mm, gaps 60, clearances 30: just
    layout, findings = fill_spans(LINE, [Span("s", "", 0.0, 24.95)], [A], RULES)
    assert not findings
    np.testing.assert_allclose(layout.gap_ahead[:-1], 0.060, rtol=0, atol=NM)
    rear, front = edges(LINE, layout, [A])
    np.testing.assert_allclose([rear[0], 24.95 - front[-1]], 0.030, rtol=0, atol=NM)
    # 25.13 m: 480 mm, 16.7 mm each over nominal: gaps stop at 80, clearances take 80 each
    layout, findings = fill_spans(LINE, [Span("s", "", 0.0, 25.13)], [A], RULES)
    np.testing.assert_allclose(layout.gap_ahead[:-1], 0.080, rtol=0, atol=NM)
    rear, front = edges(LINE, layout, [A])
    np.testing.assert_allclose([rear[0], 25.13 - front[-1]], 0.080, rtol=0, atol=NM)


def test_gaps_take_what_the_clearances_cannot() -> None:
    rules = LayoutRules(Allowed(0.070, 0.050, 0.100), Allowed(0.050, 0.045, 0.055))
    # 25.13 m: 480 mm: clearances stop at 55, gaps take (480 - 110)/4 = 92.5
    layout, findings = fill_spans(LINE, [Span("s", "", 0.0, 25.13)], [A], rules)
    assert not findings
    np.testing.assert_allclose(layout.gap_ahead[:-1], 0.0925, rtol=0, atol=NM)
    rear, _ = edges(LINE, layout, [A])
    assert rear[0] == pytest.approx(0.055, abs=NM, rel=0)


def test_one_slab_alone() -> None:
    layout, findings = fill_spans(LINE, [Span("s", "", 7.0, 12.05)], [A], RULES)
    assert not findings
    assert layout.distance.tolist() == pytest.approx([7 + 5.05 / 2], abs=NM, rel=0)
    assert np.isnan(layout.gap_ahead).all()


def test_fewest_special_slabs() -> None:
    # 32.6 m on 4.93 alone needs gaps of 556 or -328 mm; two short slabs: 5 x 4.93 + 2 x 3.685 = 32.02 leave 580
    layout, findings = fill_spans(LINE, [Span("s", "", 0.0, 32.6)], [A, B], RULES)
    assert not findings
    assert sorted(layout.type_index.tolist()) == [0] * 5 + [1] * 2
    # 580 = 6 x 70 + 2 x 50 + 60: 7.5 mm each
    np.testing.assert_allclose(layout.gap_ahead[:-1], 0.0775, rtol=0, atol=NM)
    assert layout.type_index.tolist() == [1, 0, 0, 0, 0, 0, 1]  # special ones at the ends of the span
    # without need there is none, even where one would be nearer to nominal
    layout, _ = fill_spans(LINE, [Span("s", "", 0.0, 24.95)], [A, B], RULES)
    assert layout.type_index.tolist() == [0] * 5


def test_a_special_first_type_is_not_the_main_one() -> None:
    layout, findings = fill_spans(LINE, [Span("s", "", 0.0, 25.0)], [B, A], RULES)
    assert not findings
    assert layout.type_index.tolist() == [1] * 5


def test_nearest_to_nominal_among_equals() -> None:
    # 24.85 m: five of 4.93 fail (200 mm for six places); 4.856 for one to five of them gives 274 ... 570 mm;
    # nominal is 380, nearest are two (348) and three (422) of 4.856: 348 is 32 off, 422 is 42 off
    layout, findings = fill_spans(LINE, [Span("s", "", 0.0, 24.85)], [A, C], RULES)
    assert not findings
    assert sorted(layout.type_index.tolist()) == [0, 0, 0, 1, 1]


@pytest.mark.parametrize(
    ("length", "types", "rule", "value", "excess", "note"),
    [
        # 6 x 4.93 = 29.58 in 32.0 leave 2.42: clearances 120 each, (2.42 - 0.24)/5 = 436 mm; 7 would need -507 mm
        (32.0, [A], "joint gap", 0.436, 0.356, "with 6 slabs and clearances of 120.0 mm"),
        # 7 x 4.93 = 34.51 in 34.90: 390 - 60 = 330 over 6 joints = 55 mm, 5 mm short
        (34.90, [A], "joint gap", 0.055, 0.005, "with 7 slabs and clearances of 30.0 mm"),
        # one slab in 5.20 m: 135 mm on both sides, 15 too many
        (5.20, [A], "clearance", 0.135, 0.015, "with 1 slab"),
        # one slab in 4.96 m: 15 mm on both sides, 15 short
        (4.96, [A], "clearance", 0.015, 0.015, "with 1 slab"),
        # not even one in 4.0 m: -465 mm on both sides
        (4.00, [A], "clearance", -0.465, 0.495, "with 1 slab"),
        # 8.0 m: one leaves 1535 mm on both sides, 1415 too many; two would need a gap of -1920, 1980 short
        (8.00, [A], "clearance", 1.535, 1.415, "with 1 slab"),
        # in 4.0 m a short one leaves 157.5 mm
        (4.00, [A, B], "clearance", 0.1575, 0.0375, "with 1 slab"),
    ],
)
def test_what_cannot_be_filled_says_rule_and_amount(
    length: float, types: list[SlabType], rule: str, value: float, excess: float, note: str
) -> None:
    layout, (finding,) = fill_spans(LINE, [Span("S7", "", 10.0, 10.0 + length)], types, RULES)
    assert len(layout.distance) == 0
    assert (finding.where, finding.rule) == ("span S7", rule)
    assert finding.value == pytest.approx(value, abs=NM, rel=0)
    assert finding.excess == pytest.approx(excess, abs=NM, rel=0)
    assert note in finding.note
    assert f"{value * 1e3:.1f} mm, allowed" in str(finding)
    assert f"so {excess * 1e3:.1f} mm outside" in str(finding)


def test_many_spans_and_a_bad_one_between() -> None:
    spans = [
        Span("a", "", 0.0, 25.0),
        Span("b", "", 25.0, 57.0),
        Span("c", "", 57.0, 82.0),
        Span("d", "", 300.0, 310.03),
    ]
    rules = LayoutRules(RULES.gap, RULES.clearance, prefix="K", first_number=9998)
    layout, findings = fill_spans(LINE, spans, [A], rules)
    assert [f.where for f in findings] == ["span b"]
    assert layout.span.tolist() == [0] * 5 + [2] * 5 + [3] * 2
    assert layout.names.tolist() == [f"K{i:05d}" for i in range(9998, 10010)]
    assert np.isnan(layout.gap_ahead).tolist() == [False] * 4 + [True] + [False] * 4 + [True, False, True]
    np.testing.assert_allclose(layout.distance[5:10], 57 + layout.distance[:5], rtol=0, atol=NM)
    np.testing.assert_allclose(layout.distance[10:], 300 + 0.05 + 2.465 + np.array([0, 5.0]), rtol=0, atol=NM)
    assert (np.diff(layout.distance) > 0).all()


@pytest.mark.parametrize(("gradient", "scale"), [(0.025, 1.0), (0.0, 0.9996), (-0.025, 0.9996), (0.025, 1.0003)])
def test_slab_lengths_are_true_lengths(gradient: float, scale: float) -> None:
    # a span of true length 25 m takes five slabs with 65 mm gaps, whatever its length in the grid is
    per_metre = math.hypot(1 / scale, gradient)
    span = Span("s", "", 200.0, 200.0 + 25.0 / per_metre)
    layout, findings = fill_spans(straight(gradient=gradient, scale=scale), [span], [A], RULES)
    assert not findings
    np.testing.assert_allclose(layout.gap_ahead[:-1], 0.065, rtol=0, atol=2 * NM)
    np.testing.assert_allclose(np.diff(layout.distance), 4.995 / per_metre, rtol=0, atol=2 * NM)


def test_the_pitch_in_plan_at_25_permille() -> None:
    layout, _ = fill_spans(straight(gradient=0.025), [Span("s", "", 0.0, 25.0 / math.hypot(1, 0.025))], [A], RULES)
    # 4.995 m in space are 4.995 / sqrt(1 + 0.025^2) in plan, 1.5602 mm less
    assert (4.995 - np.diff(layout.distance)[0]) * 1e3 == pytest.approx(1.5602, abs=1e-4, rel=0)


def test_a_layout_at_25_permille_loses_nothing_over_a_kilometre() -> None:
    # 200 pitches: in plan 0.312 m shorter; counted in chainage the last slab would be off by that much
    line = straight(2000.0, 0.025)
    layout, _ = fill_spans(
        line, [Span("s", "", 0.0, 1000.0)], [A], LayoutRules(Allowed(0.07, 0.06, 0.08), Allowed(0.05, 0.03, 0.3))
    )
    rear, front = edges(line, layout, [A])
    np.testing.assert_allclose(rear[1:] - front[:-1], layout.gap_ahead[:-1], rtol=0, atol=2 * NM)
    total = float(true_length(line, 1000.0))
    assert rear[0] == pytest.approx(total - front[-1], abs=2 * NM, rel=0)


def enumerate_span(length: float, types: list[SlabType], rules: LayoutRules) -> tuple[int, float] | None:
    """Return fewest specials and least square off nominal of all fillings, by trying all counts and a fine grid."""
    best: tuple[int, float] | None = None
    most = int(length // min(t.length for t in types)) + 1
    for counts in product(range(most + 1), repeat=len(types)):
        slabs = sum(counts)
        rest = length - sum(c * t.length for c, t in zip(counts, types, strict=True))
        if not slabs or rest < 0 or max(counts[1:], default=0) > 8:  # the stated limit for all types but the main one
            continue
        joints = slabs - 1
        # one unknown, the clearance; the gap follows; the square is convex: take the best of its range
        low, high = rules.clearance.low, rules.clearance.high
        if joints:
            low = max(low, (rest - joints * rules.gap.high) / 2)
            high = min(high, (rest - joints * rules.gap.low) / 2)
        else:
            low = high = rest / 2
            if not rules.clearance.low - 1e-12 <= low <= rules.clearance.high + 1e-12:
                continue
        if low > high + 1e-12:
            continue
        c = np.linspace(low, high, 4001)
        g = (rest - 2 * c) / joints if joints else np.full_like(c, rules.gap.nominal)
        off = (joints * (g - rules.gap.nominal) ** 2 + 2 * (c - rules.clearance.nominal) ** 2).min()
        specials = sum(k for k, t in zip(counts, types, strict=True) if t.special)
        if best is None or (specials, off) < best:
            best = (specials, float(off))
    return best


@settings(derandomize=True, database=None, deadline=None, max_examples=60)
@given(st.floats(3.0, 34.0), st.sampled_from(["A", "AB", "ACB", "CB"]), st.sampled_from([RULES, FIXED_GAPS]))
def test_against_full_enumeration(length: float, chosen: str, rules: LayoutRules) -> None:
    types = [{"A": A, "B": B, "C": C}[name] for name in chosen]
    layout, findings = fill_spans(LINE, [Span("s", "", 3.0, 3.0 + length)], types, rules)
    best = enumerate_span(length, types, rules)
    assert (best is None) == bool(findings)
    if best is None:
        return
    rear, front = edges(LINE, layout, types)
    clearance = np.array([rear[0] - 3.0, 3.0 + length - front[-1]])
    gaps = rear[1:] - front[:-1]
    hair = 2e-9
    assert ((clearance >= rules.clearance.low - hair) & (clearance <= rules.clearance.high + hair)).all()
    assert ((gaps >= rules.gap.low - hair) & (gaps <= rules.gap.high + hair)).all()
    specials = sum(types[i].special for i in layout.type_index)
    off = ((gaps - rules.gap.nominal) ** 2).sum() + ((clearance - rules.clearance.nominal) ** 2).sum()
    assert specials == best[0]
    # the enumeration's grid of clearances is coarse: it can only be worse, by less than 1e-7 m^2
    assert off <= best[1] + 1e-9
    assert off >= best[1] - 1e-7


def test_no_spans_no_slabs() -> None:
    layout, findings = fill_spans(LINE, [], [A], RULES)
    assert (len(layout.distance), len(layout.names), findings) == (0, 0, ())


# -- given layouts -------------------------------------------------------------------------------------------


def given_layout(
    distance: list[float], spans: list[Span], types: list[SlabType] | None = None, kinds: list[int] | None = None
):
    names = np.array([f"G{i}" for i in range(len(distance))])
    index = np.array(kinds or [0] * len(distance), dtype=np.intp)
    return check_layout(LINE, names, index, np.array(distance, dtype=float), spans, types or [A], RULES)


BRIDGE = [Span("b", "", 100.0, 125.0)]
GOOD = [100.045 + 2.465 + 4.995 * i for i in range(5)]


def test_a_good_layout_passes() -> None:
    layout, findings = given_layout(GOOD, BRIDGE)
    assert findings == ()
    np.testing.assert_allclose(layout.gap_ahead, [0.065] * 4 + [np.nan], rtol=0, atol=NM)
    assert layout.span.tolist() == [0] * 5


def test_a_filled_layout_passes_its_own_check() -> None:
    line = straight(gradient=0.025, scale=0.9996)
    spans = [Span("a", "", 10.0, 42.6), Span("b", "", 42.6, 67.6), Span("c", "", 80.0, 105.0)]
    layout, findings = fill_spans(line, spans, [A, C, B], RULES)
    assert not findings
    again, findings = check_layout(line, layout.names, layout.type_index, layout.distance, spans, [A, C, B], RULES)
    assert findings == ()
    np.testing.assert_allclose(again.gap_ahead, layout.gap_ahead, rtol=0, atol=5e-9)
    assert again.span.tolist() == layout.span.tolist()


def test_any_order_is_put_in_order() -> None:
    layout, findings = given_layout([GOOD[i] for i in (3, 0, 4, 1, 2)], BRIDGE)
    assert findings == ()
    assert layout.names.tolist() == ["G1", "G3", "G4", "G0", "G2"]
    np.testing.assert_allclose(layout.distance, GOOD, rtol=0, atol=0)


def test_a_gap_out_of_range() -> None:
    moved = [*GOOD[:2], *(d + 0.021 for d in GOOD[2:])]  # 65 + 21 = 86 mm; the last clearance 45 - 21 = 24 mm
    _, findings = given_layout(moved, BRIDGE)
    assert [(f.where, f.rule) for f in findings] == [("slab G1 and G2", "joint gap"), ("slab G4", "clearance")]
    assert findings[0].value == pytest.approx(0.086, abs=NM, rel=0)
    assert findings[0].excess == pytest.approx(0.006, abs=NM, rel=0)
    assert findings[1].value == pytest.approx(0.024, abs=NM, rel=0)
    assert findings[1].excess == pytest.approx(0.006, abs=NM, rel=0)
    assert str(findings[0]) == "slab G1 and G2: joint gap 86.0 mm, allowed 60.0 to 80.0 mm, so 6.0 mm outside"


def test_an_overlap() -> None:
    moved = [GOOD[0], GOOD[1] - 0.075, *GOOD[2:]]
    _, findings = given_layout(moved, BRIDGE)
    assert [(f.where, f.rule) for f in findings] == [("slab G0 and G1", "overlap"), ("slab G1 and G2", "joint gap")]
    assert findings[0].value == pytest.approx(0.010, abs=NM, rel=0)
    assert str(findings[0]) == "slab G0 and G1: overlap, by 10.0 mm"


def test_crossing_a_structure_joint() -> None:
    spans = [Span("a", "", 100.0, 112.0), Span("b", "", 112.0, 125.0)]
    _, findings = given_layout(GOOD, spans)
    # the third slab, from 110.035 to 114.965, has its centre in span b and reaches 1.965 m into a
    crossing = [f for f in findings if f.rule == "crosses a structure joint"]
    assert [f.where for f in crossing] == ["slab G2"]
    assert crossing[0].value == pytest.approx(112.0 - 110.035, abs=NM, rel=0)
    # the second ends 2.03 m short of the joint, which is no clearance either
    assert [(f.where, round(f.value, 6)) for f in findings if f.rule == "clearance"] == [("slab G1", 2.030)]


def test_crossing_forwards() -> None:
    _, findings = given_layout(GOOD, [Span("a", "", 100.0, 124.9)])
    # the last slab ends at 124.955
    assert [(f.where, f.rule) for f in findings] == [("slab G4", "crosses a structure joint")]
    assert findings[0].value == pytest.approx(0.055, abs=NM, rel=0)


def test_outside_every_span() -> None:
    layout, findings = given_layout([50.0, *GOOD, 200.0], BRIDGE)
    assert layout.span.tolist() == [-1, 0, 0, 0, 0, 0, -1]
    assert [(f.where, f.rule.startswith("outside")) for f in findings] == [("slab G0", True), ("slab G6", True)]
    assert np.isnan(layout.gap_ahead[[0, 5, 6]]).all()


def test_overlap_across_two_spans() -> None:
    spans = [Span("a", "", 0.0, 5.0), Span("b", "", 5.0, 10.0)]
    _, findings = given_layout([2.55, 7.45], spans)
    assert [f.rule for f in findings] == ["overlap", "crosses a structure joint", "crosses a structure joint"]
    assert findings[0].value == pytest.approx(0.030, abs=NM, rel=0)


def test_mixed_types_use_their_own_lengths() -> None:
    # 3.685 and 4.93: centres apart by half of both and 70 mm
    layout, findings = given_layout(
        [100.05 + 1.8425, 100.05 + 3.685 + 0.07 + 2.465],
        [Span("s", "", 100.0, 100.05 + 3.685 + 0.07 + 4.93 + 0.05)],
        [A, B],
        [1, 0],
    )
    assert findings == ()
    assert layout.gap_ahead[0] == pytest.approx(0.070, abs=NM, rel=0)


def test_a_layout_without_slabs() -> None:
    layout, findings = given_layout([], BRIDGE)
    assert findings == ()
    for values in (layout.names, layout.type_index, layout.distance, layout.span, layout.gap_ahead):
        assert values.shape == (0,)


def test_a_layout_without_spans() -> None:
    layout, findings = given_layout(GOOD, [])
    assert layout.span.tolist() == [-1] * 5
    assert len(findings) == 5
