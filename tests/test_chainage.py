"""Chainage and its equations, worked by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geometry.alignment import chainage_count, format_chainage
from geometry.errors import ChainageError

PLAIN = chainage_count(1000.0, 500.0)
AHEAD = chainage_count(1000.0, 500.0, [(1200.0, 1250.0)])  # 1200 to 1250 do not exist
BACK = chainage_count(1000.0, 500.0, [(1200.0, 1150.0)])  # 1150 to 1200 occur twice


def test_without_equations() -> None:
    assert PLAIN.to_distance([1000.0, 1234.5, 1500.0]).tolist() == [0.0, 234.5, 500.0]
    assert PLAIN.to_chainage([0.0, 234.5, 500.0]).tolist() == [1000.0, 1234.5, 1500.0]


def test_shapes() -> None:
    assert PLAIN.to_distance(1234.5).shape == ()
    assert PLAIN.to_chainage(np.zeros((2, 3))).shape == (2, 3)
    assert PLAIN.to_distance(np.full((2, 3), 1100.0)).shape == (2, 3)
    assert PLAIN.to_distance([]).shape == (0,)
    assert BACK.to_distance(np.full((2, 3), 1100.0)).tolist() == [[100.0] * 3] * 2


def test_a_jump_ahead() -> None:
    assert AHEAD.to_distance([1199.0, 1251.0, 1550.0]).tolist() == [199.0, 201.0, 500.0]
    assert AHEAD.to_chainage([199.0, 200.0, 201.0, 500.0]).tolist() == [1199.0, 1250.0, 1251.0, 1550.0]


def test_both_numbers_of_an_equation_are_its_point() -> None:
    assert AHEAD.to_distance([1200.0, 1250.0]).tolist() == [200.0, 200.0]
    assert AHEAD.to_chainage(200.0) == 1250.0  # the number that goes on
    assert AHEAD.to_chainage(np.nextafter(200.0, 0)) == pytest.approx(1200.0, abs=1e-9, rel=0)


@pytest.mark.parametrize("missing", [1200.001, 1225.0, 1249.999])
def test_what_the_jump_leaves_out_does_not_exist(missing: float) -> None:
    with pytest.raises(ChainageError) as caught:
        AHEAD.to_distance([1100.0, missing])
    assert str(caught.value) == (
        f"chainage {format_chainage(missing)} does not exist on this line, which counts "
        "1+000.000 to 1+200.000, 1+250.000 to 1+550.000"
    )


def test_a_fall_back_makes_chainages_ambiguous() -> None:
    assert BACK.to_distance([1149.0, 1201.0, 1450.0]).tolist() == [149.0, 251.0, 500.0]
    with pytest.raises(ChainageError) as caught:
        BACK.to_distance([1100.0, 1175.0])
    # 1175 is 175 m along, and 25 m after the equation at 200 m
    assert str(caught.value) == (
        "chainage 1+175.000 occurs twice, at distance 175.000 m and distance 225.000 m: give the distance instead"
    )


def test_the_ends_of_a_fall_back_are_ambiguous_too() -> None:
    # 1200 is the equation's point at 200 m by the old count, and 250 m by the new; 1150 likewise
    for value, places in ((1200.0, "200.000 m and distance 250.000"), (1150.0, "150.000 m and distance 200.000")):
        with pytest.raises(ChainageError, match=places):
            BACK.to_distance(value)


def test_a_fall_back_of_centimetres_is_ambiguous_too() -> None:
    count = chainage_count(1000.0, 500.0, [(1200.0, 1199.95)])
    with pytest.raises(ChainageError, match=r"199\.970 m and distance 200\.020 m"):
        count.to_distance(1199.97)
    assert float(count.to_distance(1200.01)) == pytest.approx(200.06, abs=1e-9, rel=0)


def test_all_places_of_a_chainage() -> None:
    first, places = BACK.candidates([1100.0, 1175.0, 1300.0])
    np.testing.assert_array_equal(first, [100.0, 175.0, 350.0])
    np.testing.assert_array_equal(places, [[100.0, np.nan], [175.0, 225.0], [np.nan, 350.0]])


def test_three_stretches_with_one_chainage() -> None:
    count = chainage_count(0.0, 300.0, [(100.0, 0.0), (100.0, 0.0)])
    with pytest.raises(ChainageError, match=r"50\.000 m and distance 150\.000 m and distance 250\.000 m"):
        count.to_distance(50.0)


@pytest.mark.parametrize("outside", [999.99, 1500.01, -5.0])
def test_beyond_the_ends(outside: float) -> None:
    with pytest.raises(ChainageError, match="does not exist on this line, which counts"):
        PLAIN.to_distance(outside)


def test_outside_distances_count_on() -> None:
    # a projection may ask a hair outside; the count simply goes on
    assert AHEAD.to_chainage([-1.0, 501.0]).tolist() == [999.0, 1551.0]


def test_rounding_at_the_ends_passes() -> None:
    assert float(PLAIN.to_distance(1500.0000005)) == pytest.approx(500.0, abs=1e-6, rel=0)


def test_nan_stays_nan() -> None:
    assert np.isnan(PLAIN.to_distance([1100.0, np.nan])).tolist() == [False, True]
    assert np.isnan(BACK.to_distance([1100.0, np.nan])).tolist() == [False, True]
    assert np.isnan(PLAIN.to_chainage([np.nan])).all()


@pytest.mark.parametrize("back", [999.0, 1000.0, 1500.0, 1600.0])
def test_equations_outside_their_stretch_are_refused(back: float) -> None:
    with pytest.raises(ChainageError, match="equation 1"):
        chainage_count(1000.0, 500.0, [(back, 2000.0)])


def test_the_second_equation_is_counted_by_the_first() -> None:
    count = chainage_count(1000.0, 500.0, [(1200.0, 5000.0), (5100.0, 0.0)])
    assert count.to_distance([1100.0, 5050.0, 150.0]).tolist() == [100.0, 250.0, 450.0]
    with pytest.raises(ChainageError, match=r"equation 2 ends the count at 1\+300\.000.* 5\+000\.000 to 5\+300\.000"):
        chainage_count(1000.0, 500.0, [(1200.0, 5000.0), (1300.0, 0.0)])


@settings(derandomize=True, database=None, deadline=None, max_examples=100)
@given(st.floats(0, 3000.0))
def test_round_trip(distance: float) -> None:
    # jumps ahead only, so that every chainage is one point
    count = chainage_count(-200.0, 3000.0, [(500.0, 510.0), (1500.0, 100_000.0)])
    assert float(count.to_distance(count.to_chainage(distance))) == pytest.approx(distance, abs=2e-11, rel=0)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (12345.678, "12+345.678"),
        (0.0, "0+000.000"),
        (999.9996, "1+000.000"),
        (5.0004, "0+005.000"),
        (-5.25, "-0+005.250"),
        (-0.0001, "0+000.000"),
        (123456.7, "123+456.700"),
        (1e6, "1000+000.000"),
        (1000.05, "1+000.050"),
        (np.float64(2500.5), "2+500.500"),
    ],
)
def test_format(value: float, text: str) -> None:
    assert format_chainage(value) == text
