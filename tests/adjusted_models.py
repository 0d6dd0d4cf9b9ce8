"""Networks and free stations made up for the tests of the adjustment."""

from __future__ import annotations

import math

import numpy as np

from geometry.survey.observations import (
    DIRECTION,
    DISTANCE,
    ZENITH,
    Observations,
    Places,
    SurveyModel,
    control,
    joined,
    levelled,
    sights,
)

GON = math.pi / 200
NO_BENDING = 1.0  # coefficient of refraction that takes curvature away as well


def places(xyz: object, fixed: object, orientations: int = 0) -> Places:
    xyz = np.array(xyz, dtype=float)
    names = tuple(f"P{i}" for i in range(len(xyz)))
    setups = tuple(f"S{i}" for i in range(orientations))
    return Places(xyz, np.broadcast_to(np.array(fixed), xyz.shape).copy(), np.zeros(orientations), names, setups)


def with_values(observed: Observations, **more: np.ndarray) -> Observations:
    return Observations(**(vars(observed) | more))


def mixed(
    seed: int = 1, constants: bool = False, scales: bool = False, grid_scale: float = 0.9997,
    points: int = 6, count: int = 3,
) -> SurveyModel:  # fmt: skip
    """Return a small network with every kind of observation, far from the grid's origin, exact values."""
    rng = np.random.default_rng(seed)
    xyz = rng.uniform(-40, 40, (points + count, 3)) * [1, 1, 0.1] + [512_345.0, 4_003_456.0, 87.0]
    start = np.repeat(np.arange(points, points + count), points)
    end = np.tile(np.arange(points), count)
    setup = start - points
    m = len(start)
    tall, prism = rng.uniform(1.4, 1.7, m), rng.uniform(0.1, 1.5, m)
    group = np.zeros(m, dtype=int)
    observed = joined(
        sights(DIRECTION, start, end, np.zeros(m), 5e-6, setup=setup),
        sights(ZENITH, start, end, np.full(m, 1.5), 7e-6, start_height=tall, end_height=prism),
        sights(DISTANCE, start, end, np.full(m, 50.0), 1e-3, start_height=tall, end_height=prism, group=group),
        levelled(np.array([0, 1]), np.array([1, 4]), np.zeros(2), 5e-4, np.array([60.0, 90.0])),
        control(np.arange(3), xyz[:3], np.full((3, 3), 7e-4)),
    )
    where = places(xyz, False, count)
    where = Places(xyz, where.fixed, rng.uniform(0, 6, count), where.names, where.setups)
    model = SurveyModel(observed, where, grid_scale=grid_scale, constants=constants, scales=scales)
    miss, _ = model.linearise(model.start)
    exact = observed.value - miss
    observed = with_values(observed, value=exact)
    return SurveyModel(observed, where, grid_scale=grid_scale, constants=constants, scales=scales)


def noisy(model: SurveyModel, seed: int, blunder: dict[int, float] | None = None) -> SurveyModel:
    o = model.observations
    value = o.value + np.random.default_rng(seed).normal(size=len(o)) * o.sigma
    for row, size in (blunder or {}).items():
        value[row] += size
    return SurveyModel(with_values(o, value=value), model.places, grid_scale=model.grid_scale)


def large(free: bool, seed: int = 3) -> SurveyModel:
    """Return a chain of set-ups large enough to be adjusted sparsely."""
    rng = np.random.default_rng(seed)
    points, count, per = 90, 15, 18
    along = np.arange(points) * 5.0
    xyz = np.zeros((points + count, 3))
    xyz[:points] = np.stack([along, 8.0 * (-1) ** np.arange(points), rng.uniform(0, 3, points)], axis=1)
    xyz[points:] = np.stack([np.arange(count) * 30.0 + 15, rng.uniform(-2, 2, count), rng.uniform(1, 2, count)], axis=1)
    start = np.repeat(np.arange(count), per)
    end = np.clip(start * 6 + np.tile(np.arange(per), count) - 6, 0, points - 1)
    start, end = np.unique(np.stack([start, end]), axis=1)
    setup = start
    start = start + points
    m = len(start)
    parts = [
        sights(DIRECTION, start, end, np.zeros(m), 5e-6, setup=setup),
        sights(ZENITH, start, end, np.full(m, 1.5), 5e-6),
        sights(DISTANCE, start, end, np.full(m, 50.0), 1e-3),
        levelled(np.arange(0, 80, 8), np.arange(8, 88, 8), np.zeros(10), 3e-4, np.full(10, 40.0)),
    ]
    if not free:
        parts.append(control(np.array([0, 1, 88, 89]), xyz[[0, 1, 88, 89]], np.full((4, 3), 5e-4)))
    observed = joined(*parts)
    where = Places(xyz, np.zeros(xyz.shape, dtype=bool), rng.uniform(0, 6, count), tuple(map(str, range(len(xyz)))),
                   tuple(map(str, range(count))))  # fmt: skip
    model = SurveyModel(observed, where)
    exact = observed.value - model.linearise(model.start)[0]
    noise = rng.normal(size=len(observed)) * observed.sigma
    return SurveyModel(with_values(observed, value=exact + noise), where)
