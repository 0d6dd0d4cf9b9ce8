"""Decision rules against JCGM 106, ISO 14253-1 and a published placement tolerance."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from geometry.placement.verdict import NOT_MEASURED, OUT, UNDECIDED, VERDICTS, WITHIN, Tolerance, decide, judge, worst
from tests.reference import load

RULES = load("decision_rules")
FIXED = settings(derandomize=True, database=None, deadline=None, max_examples=200)


def one(value: float, sigma: float, tolerance: Tolerance, guard: float = 2.0) -> int:
    return int(decide(np.array([value]), np.array([sigma]), tolerance, guard)[0])


def test_acceptance_of_a_slab_height() -> None:
    rule = RULES["slab_height"]
    limit = rule["tolerance_mm"] / 1e3
    tolerance = Tolerance("up", -limit, limit, "example")
    sigma = rule["u_mm"] / 1e3
    for sign in (1, -1):
        for guard, accepted in (
            (2.0, rule["acceptance_limit_mm"]),
            (stats.norm.isf(0.05), rule["acceptance_limit_95_percent_mm"]),
            (0.0, limit * 1e3),
        ):
            assert one(sign * (accepted - 1e-3) / 1e3, sigma, tolerance, guard) == WITHIN
            assert one(sign * (accepted + 1e-3) / 1e3, sigma, tolerance, guard) == (UNDECIDED if guard else OUT)
        out = rule["nonconforming_beyond_mm"]
        assert one(sign * (out - 1e-3) / 1e3, sigma, tolerance) == UNDECIDED
        assert one(sign * (out + 1e-3) / 1e3, sigma, tolerance) == OUT


def test_the_limit_itself_is_good() -> None:
    tolerance = Tolerance("up", -0.001, 0.001, "example")
    assert one(0.0006, 0.0002, tolerance) == WITHIN
    assert one(-0.0006, 0.0002, tolerance) == WITHIN
    assert one(0.0014, 0.0002, tolerance) == UNDECIDED
    assert one(0.001, 0.0002, tolerance, guard=0.0) == WITHIN
    assert one(0.001002, 0.0002, tolerance, guard=0.0) == OUT


def test_the_promised_probability_at_the_acceptance_limit() -> None:
    # at 0.6 mm with u 0.2 mm a slab conforms with 97.7 percent
    rule = RULES["slab_height"]
    for text, wanted in rule["conformance_probability"].items():
        value = float(text)
        probability = stats.norm.cdf((1 - value) / 0.2) - stats.norm.cdf((-1 - value) / 0.2)
        assert probability == pytest.approx(wanted, abs=1e-5, rel=0)
        verdict = one(value / 1e3, 0.0002, Tolerance("up", -0.001, 0.001, ""))
        assert (verdict == WITHIN) == (probability >= 0.97724)
    two = RULES["two_sided"]
    assert stats.norm.cdf(two["upper"], two["y"], two["u"]) - stats.norm.cdf(
        two["lower"], two["y"], two["u"]
    ) == pytest.approx(two["probability"], abs=5e-5, rel=0)
    assert one(two["y"], two["u"], Tolerance("up", two["lower"], two["upper"], "")) == UNDECIDED


def test_zones_of_proof() -> None:
    zone = RULES["zones"]
    tolerance = Tolerance("gap", -math.inf, zone["upper_limit"], "example")
    sigma = zone["U"] / 2
    for value, verdict in (
        (zone["conforming_to"] - 1e-4, WITHIN),
        (zone["conforming_to"] + 1e-4, UNDECIDED),
        (zone["undecided_example"], UNDECIDED),
        (zone["nonconforming_from"] - 1e-4, UNDECIDED),
        (zone["nonconforming_from"] + 1e-4, OUT),
    ):
        assert one(value, sigma, tolerance) == verdict


def test_published_tolerances_before_injection() -> None:
    limits = load("placement_tolerances")
    sigma = 0.0001
    for quantity, mm in (("along", limits["along_mm"]), ("across", limits["across_mm"]), ("up", limits["up_mm"])):
        tolerance = Tolerance(quantity, -mm / 1e3, mm / 1e3, "JSCE 2009 IV-299")
        got = [one(v / 1e3, sigma, tolerance) for v in (mm - 0.21, mm - 0.19, mm + 0.19, mm + 0.21)]
        assert got == [WITHIN, UNDECIDED, UNDECIDED, OUT]


def test_nan_is_never_within() -> None:
    tolerance = Tolerance("up", -0.001, 0.001, "example")
    for guard in (0.0, 2.0):
        assert one(math.nan, 0.0002, tolerance, guard) == NOT_MEASURED
        assert one(math.nan, math.nan, tolerance, guard) == NOT_MEASURED
    assert one(0.0, math.nan, tolerance) == UNDECIDED
    assert one(0.0, math.inf, tolerance) == UNDECIDED
    assert one(math.inf, 0.0002, tolerance) == OUT
    nan_limits = Tolerance("up", math.nan, math.nan, "no limits")
    assert one(0.0, 0.0002, nan_limits) != WITHIN


def test_an_unknown_sigma_is_not_within_by_simple_acceptance() -> None:
    """The rule says: a value whose sigma is nan is undecided. Guard factor 0 does not know it either."""
    assert one(0.0, math.nan, Tolerance("up", -0.001, 0.001, ""), guard=0.0) == UNDECIDED


@FIXED
@given(st.floats(-5, 5), st.floats(0, 2), st.floats(-3, 0), st.floats(0.1, 3), st.floats(0, 3))
def test_rules_of_the_three_states(value: float, sigma: float, low: float, width: float, guard: float) -> None:
    tolerance = Tolerance("up", low, low + width, "")
    verdict = one(value, sigma, tolerance, guard)
    band, hair = guard * sigma, 2e-9
    if verdict == WITHIN:
        assert low - hair <= value - band
        assert value + band <= low + width + hair
    elif verdict == OUT:
        assert value + band < low or value - band > low + width
    else:
        assert verdict == UNDECIDED
        assert guard * sigma > 0
    # more uncertainty never proves more
    wider = one(value, sigma * 1.5 + 1e-6, tolerance, guard + 0.1)
    assert wider in (verdict, UNDECIDED)


def test_worst() -> None:
    table = {
        (WITHIN, WITHIN): WITHIN,
        (WITHIN, UNDECIDED): UNDECIDED,
        (UNDECIDED, OUT): OUT,
        (WITHIN, OUT): OUT,
        (NOT_MEASURED, NOT_MEASURED): NOT_MEASURED,
        (NOT_MEASURED, OUT): OUT,
        (NOT_MEASURED, WITHIN): WITHIN,
    }
    for pair, wanted in table.items():
        assert int(worst(np.array(pair, dtype=np.int8))) == wanted
        assert int(worst(np.array(pair[::-1], dtype=np.int8))) == wanted
    assert worst(np.empty((3, 0), dtype=np.int8)).tolist() == [NOT_MEASURED] * 3
    assert VERDICTS[WITHIN] == "within"


def test_judge_takes_the_worst_place() -> None:
    tolerance = Tolerance("up", -0.001, 0.002, "example")  # not symmetric: -1 to +2 mm
    value = np.array([[0.0015, -0.0009, 0.0], [np.nan, 0.0019, 0.0017], [np.nan] * 3, [0.0, -0.0016, 0.0025]])
    sigma = np.full((4, 3), 0.0001)
    sigma[1, 2] = 0.0004
    judged = judge(value, sigma, tolerance, 2.0)
    # -0.9 is 0.1 from its limit, +1.5 is 0.5 from its own
    assert judged.place.tolist()[:2] == [1, 2]
    assert judged.value[:2].tolist() == [-0.0009, 0.0017]
    assert judged.sigma[1] == 0.0004
    assert judged.verdict.tolist() == [UNDECIDED, UNDECIDED, NOT_MEASURED, OUT]
    assert np.isnan(judged.value[2])
    assert judged.place[3] == 1  # 0.6 beyond against 0.5


def test_judge_never_calls_a_slab_better_than_its_places() -> None:
    rng = np.random.default_rng(1)
    value, sigma = rng.normal(size=(500, 4)) * 0.001, rng.uniform(0, 0.0005, (500, 4))
    value[rng.random((500, 4)) < 0.2] = np.nan
    tolerance = Tolerance("up", -0.001, 0.0015, "example")
    judged = judge(value, sigma, tolerance, 2.0)
    np.testing.assert_array_equal(judged.verdict, worst(decide(value, sigma, tolerance, 2.0)))
    # the value shown is one that has the verdict shown
    shown = decide(judged.value, judged.sigma, tolerance, 2.0)
    np.testing.assert_array_equal(shown, judged.verdict)


def test_a_one_sided_tolerance_is_judged() -> None:
    """An open limit (no lower bound) is a limit like any other."""
    tolerance = Tolerance("gap", -math.inf, 0.002, "example")
    value = np.array([[0.001, 0.003], [0.0, -1.0]])
    judged = judge(value, np.full((2, 2), 0.0001), tolerance, 2.0)
    assert judged.verdict.tolist() == [OUT, WITHIN]
    assert judged.value[0] == 0.003


@FIXED
@given(
    st.lists(
        st.lists(
            st.tuples(
                st.sampled_from([-3e-3, -1.5e-3, -1e-3, -4e-4, 0.0, 3e-4, 8e-4, 1.2e-3, 2.5e-3, math.nan]),
                st.sampled_from([0.0, 1e-4, 3e-4, 9e-4, math.nan]),
            ),
            min_size=3,
            max_size=3,
        ),
        min_size=1,
        max_size=8,
    ),
    st.sampled_from([0.0, 1.0, 2.0]),
    st.booleans(),
)
def test_judge_follows_the_rule_place_by_place(
    things: list[list[tuple[float, float]]], guard: float, along: bool
) -> None:
    """JCGM 106:2012, 8.3: acceptance and rejection intervals by their end points, one place at a time."""
    low, high, hair = -0.0015, 0.001, 1e-9
    table = np.array(things)
    value, sigma = (np.asfortranarray(table[..., i]) if along else table[..., i] for i in range(2))
    judged = judge(value, sigma, Tolerance("up", low, high, ""), guard)
    for i, places in enumerate(things):
        verdicts, beyond = [], []
        for v, s in places:
            band = guard * s
            if math.isnan(v):
                verdicts.append(NOT_MEASURED)
            elif v - band >= low - hair and v + band <= high + hair:
                verdicts.append(WITHIN)
            elif v + band < low - hair or v - band > high + hair:
                verdicts.append(OUT)
            else:
                verdicts.append(UNDECIDED)
            beyond.append(max(low - v, v - high) + guard * (0.0 if math.isnan(s) else s))
        wanted = next((v for v in (OUT, UNDECIDED, WITHIN) if v in verdicts), NOT_MEASURED)
        assert judged.verdict[i] == wanted
        place = int(judged.place[i])
        np.testing.assert_array_equal([judged.value[i], judged.sigma[i]], places[place])
        if wanted != NOT_MEASURED:
            assert verdicts[place] == wanted
            furthest = max(b for b, v in zip(beyond, verdicts, strict=True) if v == wanted)
            assert beyond[place] == pytest.approx(furthest, abs=1e-15, rel=0)


def test_judge_over_many_blocks_is_judge_of_each() -> None:
    rng = np.random.default_rng(11)
    value, sigma = rng.normal(0, 8e-4, (10_000, 4)), rng.choice([1e-4, 4e-4, math.nan], (10_000, 4))
    tolerance = Tolerance("up", -0.001, 0.001, "")
    together = judge(value, sigma, tolerance, 2.0)
    some = slice(4000, 4300)
    apart = judge(value[some], sigma[some], tolerance, 2.0)
    for name in ("value", "sigma", "place", "verdict"):
        np.testing.assert_array_equal(getattr(together, name)[some], getattr(apart, name))
