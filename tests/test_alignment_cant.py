"""Cant and the canted track frame."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geometry.alignment import (
    CantElement,
    HorizontalElement,
    TrackRules,
    VerticalElement,
    build,
    evaluate,
    roll_of_cant,
    track_frame,
)
from geometry.alignment.alignment import Alignment
from tests.reference import load
from tests.reference.quadrature import mp, shape

OFFSETS = load("cant_offsets")["rows"]


def canted(cant: float, rules: TrackRules | None = None, *, bearing: float = 0.0, gradient: float = 0.0) -> Alignment:
    return build(
        [HorizontalElement("straight", 100.0, easting=1000.0, northing=2000.0, bearing=bearing)],
        [VerticalElement("gradient", 0.0, 100.0, gradient, gradient, level=50.0)],
        [CantElement("constant", 0.0, 100.0, cant, cant)],
        rules,
    )


@pytest.mark.parametrize("kind", ["linear", "bloss", "cosine", "sine", "helmert", "viennese"])
@pytest.mark.parametrize(("first", "last"), [(0.0, 0.175), (0.12, -0.03)])
def test_ramps_have_the_laws_of_their_curves(kind: str, first: float, last: float) -> None:
    line = build(
        [HorizontalElement("straight", 400.0, easting=0, northing=0, bearing=0)],
        [VerticalElement("gradient", 0.0, 400.0, 0, 0, level=0)],
        [
            CantElement("constant", 0.0, 50.0, first, first),
            CantElement(kind, 50.0, 300.0, first, last),
            CantElement("constant", 350.0, 50.0, last, last),
        ],
    )
    s = np.linspace(50, 350, 61)
    wanted = [float(first + (mp.mpf(last) - mp.mpf(first)) * shape(kind, (mp.mpf(v) - 50) / 300)) for v in s.tolist()]
    np.testing.assert_allclose(evaluate(line, s).cant, wanted, rtol=0, atol=1e-14)
    np.testing.assert_allclose(
        evaluate(line, [0.0, 49.9, 350.1, 400.0]).cant, [first, first, last, last], rtol=0, atol=1e-16
    )


@pytest.mark.parametrize("row", OFFSETS, ids=lambda r: f"{r[0]}mm")
def test_cant_angles(row: list[float]) -> None:
    cant, by_arcsin, by_arctan = row[0] / 1e3, row[1], row[2]
    rolls = {
        rule: math.degrees(float(roll_of_cant(np.array(cant), TrackRules(cant_angle=rule))))
        for rule in ("arcsin", "arctan", "ratio")
    }
    assert rolls["arcsin"] == pytest.approx(by_arcsin, abs=6e-6, rel=0)
    assert rolls["arctan"] == pytest.approx(by_arctan, abs=6e-6, rel=0)
    assert rolls["ratio"] == pytest.approx(math.degrees(cant / 1.5), abs=1e-12, rel=0)
    assert float(roll_of_cant(np.array(-cant), TrackRules())) == pytest.approx(
        -math.radians(rolls["arcsin"]), abs=1e-15, rel=0
    )


def test_the_cant_base_counts() -> None:
    # over 1435 mm instead of 1500 mm, at 1.25 m from the axis 180 mm of cant are 6.8 mm off
    wide, narrow = (math.sin(float(roll_of_cant(np.array(0.18), TrackRules(cant_base=b)))) for b in (1.5, 1.435))
    assert (narrow - wide) * 1250 == pytest.approx(6.79, abs=0.01, rel=0)


@pytest.mark.parametrize("row", OFFSETS, ids=lambda r: f"{r[0]}mm")
@pytest.mark.parametrize("hand", [1, -1])
def test_low_rail_as_pivot(row: list[float], hand: int) -> None:
    cant, rise, shift, lever, lift = row[0] / 1e3, *row[3:]
    for held, across in (("centre", 0.0), ("rail", shift)):
        rules = TrackRules(pivot="low_rail", plan_held=held)
        frame = track_frame(canted(hand * cant, rules), 40.0)
        east, north, level = frame.position
        # heading north, right is east; the low rail is the right one when cant is positive
        assert (east - 1000.0) * 1e3 == pytest.approx(hand * across, abs=6e-4, rel=0)
        assert (level - 50.0) * 1e3 == pytest.approx(rise, abs=6e-4, rel=0)
        assert north == pytest.approx(2040.0, abs=1e-12, rel=0)
        # the slab's reference point, 200 mm under the rails, swings out to the high side: left for cant > 0
        arm = frame.rotation @ [0.0, 0.0, -0.2]
        assert arm[0] * 1e3 == pytest.approx(-hand * lever, abs=6e-4, rel=0)
        assert (arm[2] + 0.2) * 1e3 == pytest.approx(lift, abs=6e-4, rel=0)


@pytest.mark.parametrize("hand", [1, -1])
def test_the_low_rail_stays(hand: int) -> None:
    """With plan_held="rail" the low rail keeps place and level; with "centre" only its level."""
    flat = track_frame(canted(0.0), 40.0)
    tilted = track_frame(canted(hand * 0.125, TrackRules(plan_held="rail")), 40.0)
    low, high = np.array([hand * 0.75, 0, 0]), np.array([-hand * 0.75, 0, 0])
    np.testing.assert_allclose(tilted.position + tilted.rotation @ low, flat.position + low, rtol=0, atol=1e-12)
    raised = (tilted.position + tilted.rotation @ high)[2] - flat.position[2]
    assert raised == pytest.approx(0.125, abs=1e-12, rel=0)
    centred = track_frame(canted(hand * 0.125), 40.0)
    assert (centred.position + centred.rotation @ low)[2] == pytest.approx(50.0, abs=1e-12, rel=0)
    np.testing.assert_allclose(centred.position[:2], flat.position[:2], rtol=0, atol=0)


def test_the_centre_as_pivot() -> None:
    frame = track_frame(canted(0.125, TrackRules(pivot="centre", plan_held="rail")), 40.0)
    np.testing.assert_allclose(frame.position, [1000.0, 2040.0, 50.0], rtol=0, atol=1e-12)
    left, right = (frame.position + frame.rotation @ [x, 0, 0] for x in (-0.75, 0.75))
    assert left[2] - right[2] == pytest.approx(0.125, abs=1e-12, rel=0)


def test_rails_keep_their_distance_and_height_difference_on_a_gradient() -> None:
    line = canted(0.15, bearing=math.radians(200), gradient=0.025)
    frame = track_frame(line, 40.0)
    left, right = (frame.position + frame.rotation @ [x, 0, 0] for x in (-0.75, 0.75))
    assert np.linalg.norm(left - right) == pytest.approx(1.5, abs=1e-12, rel=0)
    # measured square to the track: the gradient takes cos(pitch) of the height, 0.3 permille
    assert left[2] - right[2] == pytest.approx(0.15 * math.cos(math.atan(0.025)), abs=1e-12, rel=0)
    forward = frame.rotation[:, 1]
    heading = math.radians(200)
    slope = 1 / math.hypot(1, 0.025)
    np.testing.assert_allclose(
        forward, [math.sin(heading) * slope, math.cos(heading) * slope, 0.025 * slope], rtol=0, atol=1e-13
    )


def test_the_swing_about_the_rail_follows_the_bearing_and_the_grid_scale() -> None:
    heading = math.radians(115.0)
    line = canted(0.125, TrackRules(plan_held="rail", grid_scale=0.9996), bearing=heading)
    line_flat = canted(0.0, TrackRules(plan_held="rail", grid_scale=0.9996), bearing=heading)
    moved = track_frame(line, 30.0).position - track_frame(line_flat, 30.0).position
    swing = 0.75 * (1 - math.cos(math.asin(0.125 / 1.5))) * 0.9996
    np.testing.assert_allclose(
        moved, [swing * math.cos(heading), -swing * math.sin(heading), 0.0625], rtol=0, atol=2e-12
    )


@pytest.mark.parametrize("rule", ["arcsin", "ratio", "arctan"])
def test_the_frame_uses_the_chosen_angle(rule: str) -> None:
    frame = track_frame(canted(0.18, TrackRules(cant_angle=rule)), 10.0)
    angle = {"arcsin": math.asin, "ratio": float, "arctan": math.atan}[rule](0.12)
    right = frame.rotation[:, 0]
    np.testing.assert_allclose(right, [math.cos(angle), 0.0, -math.sin(angle)], rtol=0, atol=1e-15)
    assert frame.position[2] - 50 == pytest.approx(0.75 * math.sin(angle), abs=1e-12, rel=0)


def test_frames_are_rotations_with_the_shape_of_the_distances() -> None:
    line = canted(0.1, bearing=1.0, gradient=-0.02)
    frame = track_frame(line, np.linspace(0, 100, 6).reshape(2, 3))
    assert frame.position.shape == (2, 3, 3)
    np.testing.assert_allclose(
        frame.rotation @ np.swapaxes(frame.rotation, -1, -2),
        np.broadcast_to(np.eye(3), (2, 3, 3, 3)),
        rtol=0,
        atol=1e-15,
    )
    np.testing.assert_allclose(np.linalg.det(frame.rotation), 1.0, rtol=0, atol=1e-15)


def test_mirrored_track() -> None:
    def line(hand: int) -> Alignment:
        k = hand / 900
        return build(
            [
                HorizontalElement("clothoid", 120.0, 0, k, easting=0, northing=0, bearing=0),
                HorizontalElement("arc", 80.0, k, k),
            ],
            [VerticalElement("parabola", 0.0, 200.0, 0.02, -0.01, level=7.0)],
            [
                CantElement("linear", 0.0, 120.0, 0, hand * 0.14),
                CantElement("constant", 120.0, 80.0, hand * 0.14, hand * 0.14),
            ],
            TrackRules(plan_held="rail"),
        )

    s = np.linspace(0, 200, 41)
    right, left = track_frame(line(1), s), track_frame(line(-1), s)
    flip = np.diag([-1.0, 1.0, 1.0])
    np.testing.assert_allclose(left.position, right.position @ flip, rtol=0, atol=1e-12)
    np.testing.assert_allclose(left.rotation, flip @ right.rotation @ flip, rtol=0, atol=1e-14)
