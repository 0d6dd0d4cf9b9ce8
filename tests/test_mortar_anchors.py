"""Anchors: clearance in both directions and around, and which joint an anchor belongs to."""

from __future__ import annotations

import numpy as np
import pytest
from mortar_scenes import NOTCHED, slab_type

from geometry.alignment.frames import rotation, to_grid
from geometry.placement import NOT_MEASURED, OUT, UNDECIDED, WITHIN
from geometry.placement.mortar import Anchors, anchor_rings, match_anchors
from geometry.placement.verdict import NO_LIMIT

POSITION = np.array([[431_000.0, 186_000.0, 212.0]])
LIMITS = (0.035, 0.030, 0.030)


def rings_of(
    rear: tuple[float, float], front: tuple[float, float], *, radius: float = 0.21, sigma: float = 0.3e-3,
    covariance: np.ndarray | None = None, kind=NOTCHED, limits=LIMITS, level: bool = True, which=((0, 1),),
    up: float = 0.03, scale: float = 0.9997,
):  # fmt: skip
    """Return the rings of one canted slab with anchors at places of its frame, rear from its rear notch's centre."""
    matrix = rotation(np.array([2.1]), np.array([0.01]), np.array([-0.08]))
    centre = kind.length / 2 + kind.notch_beyond
    local = np.array([[rear[0], -centre + rear[1], up], [front[0], centre + front[1], up]])
    xyz = to_grid(POSITION, matrix, local[None], scale)[0]
    if not level:
        xyz[:, 2] = np.nan
    anchors = Anchors(("A", "B"), xyz, np.full(2, radius), np.full(2, sigma))
    pose = np.zeros((1, 6, 6)) if covariance is None else covariance
    return anchor_rings(
        POSITION, matrix, pose, [kind], np.zeros(1, dtype=np.intp), scale, anchors, np.array(which), np.array([up]),
        limits, 2.0,
    )  # fmt: skip


def test_in_the_middle_the_ring_is_the_difference_of_the_radii() -> None:
    rings = rings_of((0.0, 0.0), (0.0, 0.0))
    assert np.abs(rings.ring - 0.05).max() < 1e-9
    assert np.abs(rings.along - 0.05).max() < 1e-9
    # at the slab's end face, 40 mm from the centre: chords of circles of 260 and 210 mm
    face = np.sqrt(0.26**2 - 0.04**2) - np.sqrt(0.21**2 - 0.04**2)
    assert np.abs(np.stack([rings.left, rings.right]) - face).max() < 1e-9
    assert (rings.verdict == WITHIN).all()


def test_signs_and_ends() -> None:
    """An anchor 12 mm to the right and 7 mm ahead: closer to the front slab's body at its rear, away at its front."""
    rings = rings_of((0.012, 0.007), (0.012, 0.007))
    middle = rings_of((0.0, 0.0), (0.0, 0.0))
    assert (rings.right < middle.right - 0.010).all()
    assert (rings.left > middle.left + 0.010).all()
    assert rings.along[0, 0] < middle.along[0, 0] - 0.006  # ahead is towards the slab at its rear end
    assert rings.along[0, 1] > middle.along[0, 1] + 0.006
    close = rings_of((0.0, 0.025), (0.0, 0.025))
    assert close.verdict.tolist() == [[OUT, WITHIN]]


@pytest.mark.parametrize("seed", range(4))
def test_the_ring_is_the_smallest_of_all_places_of_the_arc(seed: int) -> None:
    """By brute force: 200,000 points of the notch's arc within the slab, and the circle of the anchor."""
    rng = np.random.default_rng(seed)
    kind = slab_type(notch=0.26, beyond=(0.04, 0.0, 0.1, 0.15)[seed])
    for _ in range(5):
        rear, front = rng.uniform(-0.06, 0.06, (2, 2))
        rings = rings_of(tuple(rear), tuple(front), radius=0.19, kind=kind, scale=1.0)
        for end, (u, v) in enumerate((rear * [1, -1], front)):
            angle = np.linspace(0, 2 * np.pi, 200_001)
            arc = 0.26 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
            arc = arc[arc[:, 1] <= -kind.notch_beyond]
            assert abs(rings.ring[0, end] - (np.linalg.norm(arc - [u, v], axis=1).min() - 0.19)) < 1e-5
            face = arc[np.abs(arc[:, 1] + kind.notch_beyond) < 1e-4]
            chord = np.sqrt(max(0.19**2 - (v + kind.notch_beyond) ** 2, 0.0))
            assert abs(rings.left[0, end] - (u - chord - face[:, 0].min())) < 2e-4
            assert abs(rings.right[0, end] - (face[:, 0].max() - u - chord)) < 2e-4
            bottom = arc[np.abs(arc[:, 0] - u).argmin(), 1]
            assert abs(rings.along[0, end] - (v - 0.19 - bottom)) < 1e-4


def test_an_anchor_that_overlaps_the_slab_has_a_negative_ring() -> None:
    rings = rings_of((0.06, 0.0), (0.0, 0.0))
    assert rings.ring[0, 0] < 0
    assert rings.right[0, 0] < 0
    assert rings.verdict.tolist() == [[OUT, WITHIN]]


def test_without_a_level_the_top_is_taken_where_the_design_has_it() -> None:
    with_level, without = (rings_of((0.004, 0.003), (-0.006, 0.002), level=known) for known in (True, False))
    for name in ("left", "right", "along", "ring"):
        assert np.abs(getattr(with_level, name) - getattr(without, name)).max() < 1e-7


def test_what_is_missing_is_not_measured_and_what_has_no_limit_has_none() -> None:
    rings = rings_of((0.0, 0.0), (0.0, 0.0), which=((-1, 1),))
    assert rings.verdict.tolist() == [[NOT_MEASURED, WITHIN]]
    assert np.isnan(rings.ring[0, 0])
    assert (rings_of((0.0, 0.0), (0.0, 0.0), limits=(-np.inf,) * 3).verdict == NO_LIMIT).all()
    only_ring = rings_of((0.0, 0.025), (0.0, 0.0), limits=(-np.inf, -np.inf, 0.03))
    assert only_ring.verdict.tolist() == [[OUT, WITHIN]]
    # 31 mm of ring, 30 asked for, 0.8 mm of sigma: nobody knows
    assert rings_of((0.0, 0.019), (0.0, 0.0), sigma=0.8e-3).verdict.tolist() == [[UNDECIDED, WITHIN]]


def test_the_stated_uncertainty_is_the_spread_of_simulated_surveys() -> None:
    rng = np.random.default_rng(12)
    deviations = np.array([0.4e-3, 0.5e-3, 0.3e-3, 0.1e-3, 0.1e-3, 0.2e-3])
    covariance = np.diag(deviations**2)[None]
    offset = np.array([0.02, 0.03])
    stated = rings_of(tuple(offset), (0.0, 0.0), sigma=0.6e-3, covariance=covariance, scale=1.0)
    runs = 4000
    # the anchor as seen from a slab that lies elsewhere by a small pose: across - y yaw, along + x yaw
    pose = rng.normal(size=(runs, 6)) * deviations
    seen = offset + rng.normal(size=(runs, 2)) * 0.6e-3
    seen[:, 0] -= pose[:, 0] + pose[:, 5] * -2.6
    seen[:, 1] -= pose[:, 1]
    away = np.hypot(seen[:, 0], -seen[:, 1])
    on_arc = 0.26 * -seen[:, 1] / away <= -0.04
    assert on_arc.all()
    ring = 0.26 - away - 0.21
    assert abs(np.std(ring) / stated.ring_sigma[0, 0] - 1) < 0.05
    assert abs(np.std(seen[:, 0]) / stated.across_sigma[0, 0] - 1) < 0.05
    assert abs(np.std(seen[:, 1]) / stated.along_sigma[0, 0] - 1) < 0.05
    # to the front the direction is turned round: yaw and across together do not cancel there
    correlated = covariance.copy()
    correlated[0, 0, 5] = correlated[0, 5, 0] = 0.9 * deviations[0] * deviations[5]
    rear, front = rings_of((0.03, 0.0), (0.03, 0.0), covariance=correlated).across_sigma[0]
    assert front > 1.5 * rear


def test_the_ring_is_uncertain_in_its_own_direction() -> None:
    """Across and along that err together: all of it on the diagonal to the right and ahead, none square to it."""
    s = 1.0e-3
    covariance = np.zeros((1, 6, 6))
    covariance[0, :2, :2] = s**2
    # to the right and towards the slab: ahead at its rear end, back at its front end
    rings = rings_of((0.02, 0.02), (0.02, -0.02), sigma=1e-9, covariance=covariance, scale=1.0)
    assert np.abs(rings.ring_sigma[0] - [np.sqrt(2) * s, 0.0]).max() < 1e-6
    assert np.abs(rings.ring - (0.05 - np.hypot(0.02, 0.02))).max() < 1e-9


def anchors_at(*places: tuple[float, float]) -> Anchors:
    xyz = np.array([(*place, np.nan) for place in places]).reshape(-1, 3) + np.array([431_000.0, 186_000.0, 0.0])
    return Anchors(tuple("ABCDEFG"[: len(places)]), xyz, np.full(len(places), 0.2), np.full(len(places), 1e-3))


ALONG = np.array([0, 5.28, 10.5, 10.52, 15.8])
JOINTS = np.column_stack([431_000.0 + ALONG, np.full(5, 186_000.0), np.full(5, 50.0)])


def test_each_anchor_goes_to_its_joint() -> None:
    found, stray, second = match_anchors(JOINTS, anchors_at((5.28, 0.01), (0.004, 0), (15.8, -0.02)), 0.12)
    assert found.tolist() == [1, 0, -1, -1, 2]
    assert stray.size == second.size == 0


def test_two_half_anchors_at_a_structure_joint_are_told_apart() -> None:
    """Both are nearest to the same place, 20 mm from the other one."""
    found, _, second = match_anchors(JOINTS, anchors_at((10.521, 0), (10.513, 0)), 0.12)
    assert found.tolist() == [-1, -1, 1, 0, -1]
    assert second.size == 0


def test_an_anchor_at_no_joint_and_two_at_one() -> None:
    found, stray, second = match_anchors(JOINTS, anchors_at((2.6, 0), (0.01, 0), (-0.02, 0), (5.28, 0)), 0.12)
    assert stray.tolist() == [0]
    assert second.tolist() == [[2, 0]]
    assert found.tolist() == [-1, 3, -1, -1, -1]  # neither of the two counts
    nothing = match_anchors(JOINTS, anchors_at(), 0.12)
    assert nothing[0].tolist() == [-1] * 5
