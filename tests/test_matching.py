"""Surveyed points find their marks; what contradicts its name is told and never used in silence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geometry.survey import NO_NAME, UNKNOWN_NAME, MeasuredMarks, SurveyPoints, match

RADIUS = 0.15
NAMES = ["A", "B", "C"]
MARKS = [("RL", "RR", "FL", "FR")] * 3
SLAB = np.array([[-1.05, -2.35, 0.0], [1.05, -2.35, 0.0], [-1.05, 2.35, 0.1], [1.05, 2.35, 0.1]])
TARGETS = np.array([431000.0, 187000.0, 88.0]) + np.array([[0, 5.28 * i, 0.0] for i in range(3)])[:, None] + SLAB
NO_TIME = np.datetime64("NaT", "us")


def points(rows: list[tuple[int, int, int, int]], off: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> SurveyPoints:
    """Return points as (slab and mark where they lie, slab and mark that they name)."""
    given = np.array(rows, dtype=np.intp).reshape(-1, 4)
    n = len(given)
    return SurveyPoints(
        xyz=TARGETS[given[:, 0], given[:, 1]] + off,
        sigma=np.tile([2e-4, 2e-4, 1e-4], (n, 1)),
        slab=given[:, 2],
        mark=given[:, 3],
        setup=np.zeros(n, dtype=np.intp),
        time=np.full(n, NO_TIME),
        label=lambda row: f"P{row}",
    )


EVERY = [(s, m, s, m) for s in range(3) for m in range(4)]


def matched(given: SurveyPoints) -> MeasuredMarks:
    return match(TARGETS, given, NAMES, MARKS, RADIUS)


def found(answer: MeasuredMarks) -> list[tuple[str, int, bool]]:
    return [(f.kind, f.slab, f.withholds) for f in answer.findings]


def test_points_by_name_and_by_place_are_the_same() -> None:
    by_name = matched(points(EVERY, (0.01, -0.02, 0.003)))
    by_place = matched(points([(s, m, NO_NAME, NO_NAME) for s, m, _, _ in EVERY[::-1]], (0.01, -0.02, 0.003)))
    for answer in (by_name, by_place):
        assert not answer.findings
        assert not answer.withheld.any()
        assert np.allclose(answer.xyz - TARGETS, (0.01, -0.02, 0.003), rtol=0, atol=1e-9)
        assert (answer.sigma == [2e-4, 2e-4, 1e-4]).all()


def test_no_points_measure_nothing() -> None:
    answer = matched(points([]))
    assert np.isnan(answer.xyz).all()
    assert np.isnan(answer.sigma).all()
    assert not answer.findings


@pytest.mark.parametrize(("away", "inside"), [(0.149, True), (0.151, False)])
@pytest.mark.parametrize("axis", range(3))
def test_the_radius_is_a_ball(away: float, inside: bool, axis: int) -> None:
    off = tuple(away * (i == axis) for i in range(3))
    answer = matched(points(EVERY[:1], off))  # type: ignore[arg-type]
    assert bool(np.isfinite(answer.xyz[0, 0]).all()) is inside
    assert found(answer) == ([] if inside else [("far", 0, True)])
    if not inside:
        assert answer.findings[0].text == "P0 lies 0.151 m from RL of slab A, further than 0.150 m: not used"


def test_two_corner_names_exchanged() -> None:
    rows = [(0, m, 0, {0: 1, 1: 0}.get(m, m)) for m in range(4)]
    answer = matched(points(rows))
    assert found(answer) == [("swapped corners", 0, True)]
    assert answer.findings[0].text.endswith("do not fit the places: RL lies at RR, RR lies at RL")
    assert np.allclose(answer.xyz[0], TARGETS[0], rtol=0, atol=1e-9)  # placed where they lie
    assert answer.withheld.tolist() == [True, False, False]


def test_all_names_turned_by_half_a_turn() -> None:
    answer = matched(points([(0, m, 0, 3 - m) for m in range(4)]))
    assert found(answer) == [("turned slab", 0, True)]
    assert "half a turn: names, or the slab itself" in answer.findings[0].text


def test_all_names_turned_by_a_quarter_are_not_half_a_turn() -> None:
    answer = matched(points([(0, m, 0, {0: 2, 2: 3, 3: 1, 1: 0}[m]) for m in range(4)]))
    assert found(answer) == [("swapped corners", 0, True)]


def test_a_corner_named_without_its_slab_has_to_lie_there_too() -> None:
    good = matched(points([(0, m, NO_NAME, m) for m in range(4)]))
    assert not good.findings
    bad = matched(points([(0, m, NO_NAME, 3 - m) for m in range(4)]))
    assert found(bad) == [("turned slab", 0, True)]


def test_a_slab_named_without_its_corners() -> None:
    assert not matched(points([(0, m, 0, NO_NAME) for m in range(4)])).findings
    assert found(matched(points([(1, m, 0, NO_NAME) for m in range(4)]))) == [("wrong slab", 0, True)]


def test_a_wrong_slab_number_withholds_both_slabs() -> None:
    answer = matched(points([(0, m, 1, m) for m in range(4)]))
    assert found(answer) == [("wrong slab", 1, True)]
    assert answer.findings[0].text == "4 points named slab B lie on slab A"
    assert answer.withheld.tolist() == [True, True, False]
    one = matched(points([(0, 2, 1, 2)]))
    assert one.findings[0].text == "1 point named slab B lies on slab A"


def test_two_slabs_exchanged_whole() -> None:
    rows = [({0: 1, 1: 0}.get(s, s), m, s, m) for s, m, _, _ in EVERY]
    answer = matched(points(rows))
    assert found(answer) == [("wrong slab", 0, True), ("wrong slab", 1, True)]
    assert answer.withheld.tolist() == [True, True, False]


def test_names_that_nobody_knows_are_told_where_they_lie() -> None:
    answer = matched(points([(0, m, UNKNOWN_NAME, m) for m in range(4)] + [(1, 0, 1, UNKNOWN_NAME)]))
    assert found(answer) == [("unknown slab", 0, True), ("unknown corner", 1, True)]
    texts = [f.text for f in answer.findings]
    assert texts == ["4 points, the first is P0, lie on slab A", "P4 lies at RL of slab B"]
    assert answer.withheld.tolist() == [True, True, False]


def test_points_that_lie_at_no_mark() -> None:
    off = (0.4, 0.0, 0.0)
    lost = matched(points([(0, 0, NO_NAME, NO_NAME), (0, 1, UNKNOWN_NAME, 1)], off))
    assert found(lost) == [("unknown slab", -1, False), ("no slab", -1, False)]
    assert not lost.withheld.any()
    many = matched(points([(0, m % 4, NO_NAME, NO_NAME) for m in range(9)], off))
    assert found(many) == [("no slab", -1, False)]
    assert many.findings[0].text.startswith("9 points, the first is P0, are within 0.150 m of no mark of any slab")
    named = matched(points([(0, 0, 0, NO_NAME)], off))
    assert found(named) == [("far", 0, True)]
    assert named.findings[0].text.startswith("P0 named slab A: at no mark of any slab, further than 0.150 m")
    together = matched(points([(0, m, 0, m) for m in range(4)], off))
    assert found(together) == [("far", 0, True)]
    assert "4 points, the first is P0, lie 0.400 to 0.400 m from the marks of slab A" in together.findings[0].text
    for answer in (lost, many, named, together):
        assert np.isnan(answer.xyz).all()


def test_of_two_measurements_the_later_counts() -> None:
    given = points([(0, 0, 0, 0), (0, 0, 0, 0)])
    given.xyz[1] += (0.001, 0.002, 0.003)
    times = np.array(["2031-05-14T08:00", "2031-05-14T07:00"], dtype="datetime64[us]")
    for order in ([0, 1], [1, 0]):
        answer = matched(replace(given, time=times[order]))
        assert found(answer) == [("measured again", 0, False)]
        latest = order.index(0)
        assert (answer.xyz[0, 0] == given.xyz[latest]).all()


@pytest.mark.parametrize("times", [["2031-05-14T08:00"] * 2, ["2031-05-14T08:00", "NaT"], ["NaT", "NaT"]])
def test_of_two_measurements_without_order_none_counts(times: list[str]) -> None:
    given = points([(0, 0, 0, 0), (0, 0, 0, 0), (0, 1, 0, 1)])
    given = replace(given, time=np.array([*times, "NaT"], "datetime64[us]"))
    given.xyz[1] += (0.0, 0.0, 0.0025)
    answer = matched(given)
    assert found(answer) == [("duplicate", 0, True)]
    assert "up to 2.5 mm apart" in answer.findings[0].text
    assert np.isnan(answer.xyz[0, 0]).all()
    assert np.isfinite(answer.xyz[0, 1]).all()


def test_set_ups_are_averaged_by_their_weights() -> None:
    given = points([(0, 0, 0, 0), (0, 0, 0, 0)])
    given.xyz[1] += (0.0002, -0.0001, 0.0001)
    given.sigma[1] *= 2
    answer = matched(replace(given, setup=np.array([1, 2])))
    assert not answer.findings
    # weights 1 and 1/4: the mean lies a fifth of the way, with sigma s / sqrt(1 + 1/4)
    assert np.allclose(answer.xyz[0, 0], TARGETS[0, 0] + np.array([0.0002, -0.0001, 0.0001]) / 5, rtol=0, atol=1e-9)
    assert np.allclose(answer.sigma[0, 0], np.array([2e-4, 2e-4, 1e-4]) / np.sqrt(1.25), rtol=1e-12, atol=0)
    assert not answer.disputed.any()


@pytest.mark.parametrize(("factor", "differ"), [(0.99, False), (1.01, True)])
def test_set_ups_differ_beyond_the_usual_level(factor: float, differ: bool) -> None:
    """Two-sided 0.1 percent of the normal distribution, 3.29 (any table of it); a difference has sigma s sqrt(2)."""
    given = points([(0, 0, 0, 0), (0, 0, 0, 0)])
    given.xyz[1, 2] += factor * 3.29 * np.sqrt(2) * 1e-4
    answer = matched(replace(given, setup=np.array([1, 2])))
    assert found(answer) == ([("set-ups differ", 0, True)] if differ else [])
    assert answer.disputed.sum() == differ
    assert bool(answer.disputed[0, 0]) is differ


def test_marks_that_a_type_lacks_are_matched_to_nothing() -> None:
    targets = TARGETS.copy()
    targets[1, 3] = np.nan
    answer = match(targets, points([(1, 3, NO_NAME, NO_NAME)]), NAMES, MARKS, RADIUS)
    assert found(answer) == [("no slab", -1, False)]
    assert np.isnan(answer.xyz).all()
