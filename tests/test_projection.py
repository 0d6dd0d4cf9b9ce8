"""Projection against an exhaustive search of the whole line, and against closed forms."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from geometry.alignment import (
    PLACES,
    Alignment,
    AllowedJump,
    HorizontalElement,
    VerticalElement,
    build,
    evaluate,
    position,
    project,
)

FIXED = settings(derandomize=True, database=None, deadline=None, max_examples=60)
ON_LINE, BEFORE_START, AFTER_END, AT_KINK = (
    PLACES.index(n) for n in ("on line", "before start", "after end", "at kink")
)


def line_of(
    *rows: tuple, start: tuple[float, float] = (0.0, 0.0), heading: float = 0.0, kinks: dict | None = None
) -> Alignment:
    """Build from (kind, length, k1, k2) rows; kinks gives bearings at the start of elements by number."""
    elements = [
        HorizontalElement(*row, bearing=(kinks or {}).get(i))
        if i > 1
        else HorizontalElement(*row, easting=start[0], northing=start[1], bearing=heading)
        for i, row in enumerate(rows, start=1)
    ]
    total = sum(row[1] for row in rows)
    profile = [
        VerticalElement("gradient", 0.0, total / 2, 0.01, 0.01, level=30.0),
        VerticalElement("parabola", total / 2, total / 2, 0.01, -0.02),
    ]
    allowed = [AllowedJump(q, i) for q in ("curvature", "bearing") for i in range(2, len(rows) + 1)]
    return build(elements, profile, allowed_jumps=allowed)


def mixed(start: tuple[float, float] = (0.0, 0.0), heading: float = 0.0) -> Alignment:
    r = 1 / 300
    return line_of(
        ("straight", 200.0, 0, 0),
        ("clothoid", 120.0, 0, r),
        ("arc", 260.0, r, r),
        ("bloss", 150.0, r, 0.0),
        ("sine", 100.0, 0, -r / 2),
        ("arc", 333.3, -r / 2, -r / 2),
        ("helmert", 180.0, -r / 2, r),
        ("cosine", 90.0, r, 0),
        ("cubic", 60.0, 0, r / 5),
        ("arc", 80.0, r / 5, r / 5),
        start=start,
        heading=heading,
    )


MIXED = mixed()
TIGHT = line_of(
    ("arc", 70.0, 1 / 40, 1 / 40),
    ("clothoid", 60.0, 1 / 40, -1 / 25),
    ("arc", 50.0, -1 / 25, -1 / 25),
    ("straight", 90.0, 0, 0),
)
# three and a half turns of a spiral ramp: branches pass each other 4 to 10 m apart
RAMP = line_of(("clothoid", 900.0, 1 / 30, 1 / 62))
HAIRPIN = line_of(("straight", 300.0, 0, 0), ("arc", 40 * math.pi, 1 / 40, 1 / 40), ("straight", 300.0, 0, 0))


@dataclass(frozen=True)
class Foot:
    distance: float
    away: float


def exhaustive(line: Alignment, point: np.ndarray, spacing: float = 1.0) -> list[Foot]:
    """Return every foot and end of the line by distance from the point: all sign changes, by Brent's method."""
    starts = line.track.starts
    samples = np.unique(np.concatenate([np.arange(0, line.length, spacing), starts[:-1], [line.length]]))

    def along(s: float | np.ndarray) -> np.ndarray:
        at = evaluate(line, s)
        return (point[0] - at.easting) * np.sin(at.bearing) + (point[1] - at.northing) * np.cos(at.bearing)

    low, high = samples[:-1], np.nextafter(samples[1:], 0)
    found = [*samples.tolist()]
    for a, b, fa, fb in zip(low, high, along(low), along(high), strict=True):
        if fa > 0 > fb:
            found.append(float(brentq(along, a, b, xtol=1e-13, rtol=8.9e-16)))
    xy = position(line, found)[:, :2]
    away = np.hypot(*(point[:2] - xy).T)
    return sorted((Foot(s, d) for s, d in zip(found, away.tolist(), strict=True)), key=lambda f: (f.away, f.distance))


def check(line: Alignment, points: np.ndarray, spacing: float = 1.0, tolerance: float = 1e-9) -> None:
    """Compare with the search; a foot is well placed as far as the line's bend lets it be."""
    seen = project(line, points)
    for i, point in enumerate(points):
        best = exhaustive(line, point, spacing)[0]
        s, offset = float(seen.distance[i]), float(seen.offset[i])
        reached = math.hypot(*(point[:2] - position(line, s)[:2]))
        assert reached <= best.away + tolerance, (i, point, s, best)
        if seen.unique[i]:
            stretch = 1 / max(1e-4, abs(1 - float(evaluate(line, s).curvature) * offset))
            assert s == pytest.approx(
                best.distance, abs=2 * tolerance * stretch + 1e-9 * reached * stretch / 50, rel=0
            ), (i, point, best)
        if seen.place[i] == ON_LINE:
            assert abs(offset) == pytest.approx(best.away, abs=tolerance, rel=0)
        if seen.place[i] == AT_KINK:
            assert abs(offset) == pytest.approx(best.away, abs=tolerance, rel=0)
        if seen.place[i] in (BEFORE_START, AFTER_END):
            assert math.hypot(offset, seen.beyond[i]) == pytest.approx(best.away, abs=tolerance, rel=0)


def scattered(line: Alignment, count: int, reach: float, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    foot = position(line, rng.uniform(0, line.length, count))
    return foot + rng.normal(size=(count, 3)) * (reach, reach, 1.0)


@pytest.mark.parametrize("reach", [2.0, 25.0, 200.0])
@pytest.mark.parametrize("line", [MIXED, TIGHT, RAMP, HAIRPIN], ids=["mixed", "tight", "ramp", "hairpin"])
def test_random_points_have_the_nearest_foot(line: Alignment, reach: float) -> None:
    check(line, scattered(line, 40, reach, seed=int(reach)))


def test_points_at_grid_coordinates() -> None:
    line = mixed((512_345.6, 5_234_567.8), 2.2)
    check(line, scattered(line, 40, 20.0, seed=3), tolerance=4e-9)  # the spacing of doubles there is 0.9 nm


def test_far_points() -> None:
    angle = np.linspace(0, 2 * math.pi, 24, endpoint=False)
    points = np.stack([50_000 * np.sin(angle), 50_000 * np.cos(angle), np.zeros(24)], axis=1)
    check(MIXED, points, tolerance=1e-7)


@FIXED
@given(st.floats(0, 1), st.floats(-12.0, 12.0), st.sampled_from(["mixed", "tight", "grid"]))
def test_round_trip(part: float, offset: float, which: str) -> None:
    line = {"mixed": MIXED, "tight": TIGHT, "grid": GRID}[which]
    s = part * line.length
    at = evaluate(line, s)
    point = position(line, s) + np.array([offset * math.cos(at.bearing), -offset * math.sin(at.bearing), 0.7])
    foot = project(line, point)
    assert float(foot.distance) == pytest.approx(s, abs=2e-9 if which == "grid" else 1e-9, rel=0)
    assert float(foot.offset) == pytest.approx(offset, abs=2e-9 if which == "grid" else 1e-9, rel=0)
    assert float(foot.height) == pytest.approx(0.7, abs=1e-9, rel=0)
    assert foot.place == ON_LINE
    assert foot.beyond == 0


GRID = mixed((512_345.6, 5_234_567.8), 2.2)


def test_hand() -> None:
    line = line_of(("straight", 100.0, 0, 0), heading=math.pi / 2)  # eastwards: right is south
    foot = project(line, [[30.0, -2.0, 31.0], [30.0, 2.0, 30.0]])
    np.testing.assert_allclose(foot.offset, [2.0, -2.0], rtol=0, atol=1e-12)
    np.testing.assert_allclose(foot.height, [31.0 - 30.3, -0.3], rtol=0, atol=1e-12)


@pytest.mark.parametrize("hand", [1, -1])
@pytest.mark.parametrize("radius", [60.0, 500.0, 7000.0])
def test_a_circle_has_its_closed_form(radius: float, hand: int) -> None:
    # foot: the angle at the centre times R; offset: R less the distance from the centre (to the right of a
    # right-hand curve is inwards)
    arc = 1.2 * radius
    line = line_of(("arc", arc, hand / radius, hand / radius))
    rng = np.random.default_rng(5)
    angle, away = rng.uniform(0.01, 1.19, 50), radius * rng.uniform(0.2, 3.0, 50)
    points = np.stack([hand * (radius - away * np.cos(angle)), away * np.sin(angle), np.zeros(50)], axis=1)
    foot = project(line, points)
    np.testing.assert_allclose(foot.distance, radius * angle, rtol=0, atol=1e-9 * max(1, radius / 500))
    np.testing.assert_allclose(foot.offset, hand * (radius - away), rtol=0, atol=1e-9 * max(1, radius / 500))
    assert (foot.place == ON_LINE).all()
    assert foot.unique.all()


def test_the_centre_of_curvature_has_no_foot() -> None:
    line = line_of(("straight", 50.0, 0, 0), ("arc", 100.0, 1 / 80, 1 / 80), ("straight", 50.0, 0, 0))
    centre = np.array([80.0, 50.0, 0.0])
    foot = project(line, centre)
    assert not foot.unique
    assert float(foot.offset) == pytest.approx(80.0, abs=1e-9, rel=0)
    assert 50.0 - 1e-6 <= float(foot.distance) <= 150.0 + 1e-6


def test_the_centre_of_curvature_at_the_sharpest_place() -> None:
    # two clothoids meet at R 100: seen from that centre the foot is the joint, but it is infinitely loose
    line = line_of(("clothoid", 80.0, 1 / 300, 1 / 100), ("clothoid", 80.0, 1 / 100, 1 / 300))
    at = evaluate(line, 80.0)
    right = np.array([math.cos(at.bearing), -math.sin(at.bearing), 0.0])
    foot = project(line, position(line, 80.0) + 100.0 * right)
    assert not foot.unique
    assert float(foot.offset) == pytest.approx(100.0, abs=1e-9, rel=0)
    nearer = project(line, position(line, 80.0) + 99.0 * right)
    assert nearer.unique
    assert float(nearer.distance) == pytest.approx(80.0, abs=1e-8, rel=0)


@pytest.mark.parametrize("miss", [1e-2, 1e-4, 1e-6])
@pytest.mark.parametrize("side", [1, -1])
def test_near_the_centre_of_curvature(miss: float, side: int) -> None:
    # a point `miss` from the centre towards the line at 100 m still has one foot there
    line = line_of(("straight", 50.0, 0, 0), ("arc", 100.0, 1 / 80, 1 / 80), ("straight", 50.0, 0, 0))
    towards = position(line, 100.0)[:2] - [80.0, 50.0]
    point = np.array([80.0, 50.0]) + side * miss * towards / 80
    foot = project(line, [*point, 0.0])
    if side > 0:
        assert float(foot.offset) == pytest.approx(80 - miss, abs=1e-9, rel=0)
        # the foot swings 80/miss times as far as the point: 1e-14 of rounding times that
        assert float(foot.distance) == pytest.approx(100.0, abs=max(1e-9, 1e-12 * 80 / miss), rel=0)
    else:  # beyond the centre the arc's middle is the farthest place; the ends of the arc are nearest
        best = exhaustive(line, np.array([*point, 0.0]))[0]
        assert float(foot.offset) == pytest.approx(best.away, abs=1e-9, rel=0)


def test_beyond_the_ends() -> None:
    line = line_of(("clothoid", 100.0, 0, 1 / 400), start=(100.0, 200.0), heading=0.5)
    end = evaluate(line, 100.0)
    for s, heading, sign, place in ((0.0, 0.5, -1, BEFORE_START), (100.0, float(end.bearing), 1, AFTER_END)):
        forward = np.array([math.sin(heading), math.cos(heading)])
        right = np.array([math.cos(heading), -math.sin(heading)])
        at = position(line, s)
        for beyond, across in ((12.5, 3.0), (0.001, -4.0), (300.0, 0.0)):
            point = np.append(at[:2] + sign * beyond * forward + across * right, at[2] + 0.25)
            foot = project(line, point)
            assert foot.place == place
            assert float(foot.distance) == pytest.approx(s, abs=1e-12, rel=0)
            assert float(foot.beyond) == pytest.approx(sign * beyond, abs=1e-9, rel=0)
            assert float(foot.offset) == pytest.approx(across, abs=1e-9, rel=0)
            assert float(foot.height) == pytest.approx(0.25, abs=1e-9, rel=0)


def test_the_ends_themselves_are_on_the_line() -> None:
    for line in (MIXED, TIGHT, GRID):
        foot = project(line, position(line, [0.0, line.length]))
        assert foot.place.tolist() == [ON_LINE, ON_LINE]
        np.testing.assert_allclose(foot.distance, [0.0, line.length], rtol=0, atol=2e-9)
        np.testing.assert_allclose(foot.offset, 0.0, rtol=0, atol=2e-9)
        assert foot.unique.all()


def test_at_joints() -> None:
    joints = MIXED.track.starts[1:-1]
    at = evaluate(MIXED, joints)
    for offset in (-20.0, 0.0, 5.0):
        points = position(MIXED, joints) + offset * np.stack(
            [np.cos(at.bearing), -np.sin(at.bearing), 0 * joints], axis=1
        )
        foot = project(MIXED, points)
        np.testing.assert_allclose(foot.distance, joints, rtol=0, atol=1e-9)
        np.testing.assert_allclose(foot.offset, offset, rtol=0, atol=1e-9)
        assert (foot.place == ON_LINE).all()
        assert foot.unique.all()


KINK = line_of(("straight", 100.0, 0, 0), ("straight", 100.0, 0, 0), kinks={2: math.radians(-30)})  # to the left


def test_the_convex_side_of_a_kink() -> None:
    for degrees in (5.0, 15.0, 25.0):  # right of both sides: the corner is nearest
        angle = math.radians(degrees)
        foot = project(KINK, [3 * math.cos(angle), 100 + 3 * math.sin(angle), 31.0])
        assert foot.place == AT_KINK
        assert float(foot.distance) == pytest.approx(100.0, abs=1e-9, rel=0)
        assert float(foot.offset) == pytest.approx(3.0, abs=1e-9, rel=0)
        assert foot.beyond == 0
        assert float(foot.height) == pytest.approx(0.0, abs=1e-9, rel=0)


def test_the_concave_side_of_a_kink() -> None:
    # the bisector is equally near to both sides; the smaller distance is given
    bisector = np.array([math.sin(math.radians(-105)), math.cos(math.radians(-105))])
    foot = project(KINK, [*(np.array([0, 100.0]) + 4 * bisector), 0.0])
    assert not foot.unique
    assert float(foot.distance) == pytest.approx(100 - 4 * math.sin(math.radians(15)), abs=1e-8, rel=0)
    assert float(foot.offset) == pytest.approx(-4 * math.cos(math.radians(15)), abs=1e-9, rel=0)
    # a millimetre to either side of it the nearer side wins
    for step, wanted in ((-1e-3, -1), (1e-3, 1)):
        tangent = np.array([-bisector[1], bisector[0]])
        tangent *= np.sign(tangent @ [0, 1])
        near = project(KINK, [*(np.array([0, 100.0]) + 4 * bisector + step * tangent), 0.0])
        assert near.unique
        assert np.sign(float(near.distance) - 100.0) == wanted


@pytest.mark.parametrize("degrees", [-30.0, 45.0, 0.02])
def test_random_points_about_a_kink(degrees: float) -> None:
    line = line_of(("straight", 100.0, 0, 0), ("arc", 100.0, 1 / 90, 1 / 90), kinks={2: math.radians(degrees)})
    points = np.array([0.0, 100.0, 0.0]) + np.random.default_rng(11).normal(size=(60, 3)) * (8, 8, 1)
    check(line, points)


def test_between_the_branches_of_a_hairpin() -> None:
    foot = project(HAIRPIN, [[40.0, 150.0, 0.0], [39.999, 150.0, 0.0], [40.001, 150.0, 0.0], [40.0, 300.0, 0.0]])
    # the middle is 40 m from both branches; the smaller distance is given
    assert foot.unique.tolist() == [False, True, True, False]
    other = 300 + 40 * math.pi + 150
    np.testing.assert_allclose(foot.distance[:3], [150.0, 150.0, other], rtol=0, atol=1e-9)
    np.testing.assert_allclose(foot.offset, [40.0, 39.999, 39.999, 40.0], rtol=0, atol=1e-9)


def test_a_wide_curve_that_comes_back_to_itself() -> None:
    """The nearest place searched from may lie on the branch that is not the nearest: 24 m apart, radii of 90 m."""
    r = 1 / 90
    turn = math.acos((90 + 12) / 180)  # puts the way back 24 m beside the way out
    line = line_of(
        ("straight", 120.0, 0, 0),
        ("arc", 90 * turn, -r, -r),
        ("arc", 90 * (math.pi + 2 * turn), r, r),
        ("arc", 90 * turn, -r, -r),
        ("straight", 117.0, 0, 0),  # not 120: the search must not see both branches at the same places
    )
    ends = position(line, [60.0, line.length - 57.0])
    apart = float(np.hypot(*(ends[1] - ends[0])[:2]))
    assert apart == pytest.approx(24.0, abs=1e-9, rel=0)
    assert line.smallest_radius > 75.0
    across = np.array([1.0, 0.0, 0.0]) * np.sign(ends[1, 0] - ends[0, 0])
    s = np.arange(20.0, 110.0, 1.7)
    points = position(line, s)[:, None] + across * (apart / 2 + np.array([-0.4, -0.05, 0.05, 0.4]))[:, None]
    check(line, points.reshape(-1, 3))


def test_a_spiral_ramp_gives_the_branch_that_is_nearest() -> None:
    s = np.linspace(5, 895, 90)
    at = evaluate(RAMP, s)
    for offset in (-2.0, 1.5):  # less than half of the branches' distance everywhere
        points = position(RAMP, s) + offset * np.stack([np.cos(at.bearing), -np.sin(at.bearing), 0 * s], axis=1)
        foot = project(RAMP, points)
        own = np.abs(foot.offset) > abs(offset) - 1e-9
        np.testing.assert_allclose(foot.distance[own], s[own], rtol=0, atol=1e-9)
        assert own.mean() > 0.6
        check(RAMP, points[::3])


@pytest.mark.parametrize("line", ["kinked by a rounding", "tight"])
def test_feet_a_few_millimetres_after_a_multiple_of_ten_metres(line: str) -> None:
    """Wherever the search divides the line, a foot just behind the division is no corner.

    Within 1 um in distance from the point two places are told apart only by being square to the line: at 1 m
    that is 1.4 mm along, at 50 m 10 mm.
    """
    track = TIGHT if line == "tight" else line_of(("straight", 60.0, 0, 0), ("straight", 60.0, 0, 0), kinks={2: 3e-7})
    s = (np.arange(10.0, 110.0, 10.0)[:, None] + [-3e-3, -1e-3, -1e-4, 1e-4, 5e-4, 1e-3, 3e-3]).ravel()
    if line == "tight":
        edges = track.track.starts
        counts = np.ceil(np.diff(edges) / np.minimum(10.0, 0.15 * np.array([40, 25, 25, 1e12]))).astype(int)
        inner = np.concatenate(
            [a + (b - a) * np.arange(1, n) / n for a, b, n in zip(edges, edges[1:], counts, strict=False)]
        )
        s = (inner[:, None] + [-1e-3, 1e-4, 5e-4, 1e-3]).ravel()
    at = evaluate(track, s)
    for offset in (-1.1, 1.3, 8.0):
        points = position(track, s) + offset * np.stack([np.cos(at.bearing), -np.sin(at.bearing), 0 * s], axis=1)
        foot = project(track, points)
        np.testing.assert_allclose(foot.distance, s, rtol=0, atol=1e-9)
        assert (foot.place == ON_LINE).all()
        assert foot.unique.all()


def test_a_jump_in_place() -> None:
    elements = [
        HorizontalElement("straight", 100.0, easting=0, northing=0, bearing=0),
        HorizontalElement("straight", 100.0, easting=2.0, northing=100.0),
    ]
    line = build(
        elements, [VerticalElement("gradient", 0.0, 200.0, 0, 0, level=0)], allowed_jumps=[AllowedJump("position", 2)]
    )
    foot = project(line, [[0.5, 90.0, 0], [0.5, 101.0, 0], [2.5, 150.0, 0], [1.8, 99.5, 0]])
    np.testing.assert_allclose(foot.distance[:3], [90.0, 100.0, 150.0], rtol=0, atol=1e-9)
    assert foot.place[[0, 2]].tolist() == [ON_LINE, ON_LINE]
    assert abs(float(foot.offset[1])) == pytest.approx(math.hypot(0.5, 1.0), abs=1e-9, rel=0)
    assert float(foot.distance[3]) == pytest.approx(100.0, abs=1e-9, rel=0)


def test_nan_and_empty_and_shapes() -> None:
    foot = project(MIXED, [[np.nan, 5.0, 1.0], [3.0, 100.0, 30.5], [3.0, 100.0, np.nan], [3.0, np.inf, 0.0]])
    assert np.isnan(foot.distance).tolist() == [True, False, False, True]
    assert np.isnan(foot.offset).tolist() == [True, False, False, True]
    assert np.isnan(foot.height).tolist() == [True, False, True, True]
    assert foot.unique.tolist() == [False, True, True, False]
    for shape in ((0, 3), (3,), (1, 3), (2, 3, 3), (0, 4, 3)):
        points = np.broadcast_to([3.0, 100.0, 30.5], shape)
        foot = project(MIXED, points)
        for values in (foot.distance, foot.offset, foot.height, foot.beyond, foot.place, foot.unique):
            assert values.shape == shape[:-1]
        np.testing.assert_allclose(foot.distance, 100.0, rtol=0, atol=1e-9)
        np.testing.assert_allclose(foot.offset, 3.0, rtol=0, atol=1e-9)


def test_only_nan() -> None:
    foot = project(MIXED, np.full((3, 3), np.nan))
    assert np.isnan(foot.distance).all()
    assert not foot.unique.any()


def test_order_does_not_matter() -> None:
    points = scattered(MIXED, 200, 30.0, seed=9)
    order = np.random.default_rng(2).permutation(200)
    one, other = project(MIXED, points), project(MIXED, points[order])
    for name in ("distance", "offset", "height", "beyond", "place", "unique"):
        np.testing.assert_array_equal(getattr(one, name)[order], getattr(other, name))


@FIXED
@given(st.floats(-50, 50), st.floats(-50, 50), st.floats(0, 6.28), st.integers(0, 2000))
def test_moving_the_project_moves_nothing_else(east: float, north: float, turn: float, seed: int) -> None:
    point = scattered(TIGHT, 1, 15.0, seed=seed)[0]
    c, n = math.cos(turn), math.sin(turn)
    moved_line = line_of(
        ("arc", 70.0, 1 / 40, 1 / 40),
        ("clothoid", 60.0, 1 / 40, -1 / 25),
        ("arc", 50.0, -1 / 25, -1 / 25),
        ("straight", 90.0, 0, 0),
        start=(east, north),
        heading=turn,
    )
    moved = [c * point[0] + n * point[1] + east, -n * point[0] + c * point[1] + north, point[2]]
    one, other = project(TIGHT, point), project(moved_line, moved)
    if one.unique and other.unique:
        near = abs(1 - float(evaluate(TIGHT, one.distance).curvature) * float(one.offset))
        assert float(other.distance) == pytest.approx(float(one.distance), abs=1e-9 + 1e-11 / near, rel=0)
        assert float(other.beyond) == pytest.approx(float(one.beyond), abs=1e-9, rel=0)
        assert one.place == other.place
    assert float(other.offset) == pytest.approx(float(one.offset), abs=1e-9, rel=0)
