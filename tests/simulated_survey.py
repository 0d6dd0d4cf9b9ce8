"""Made-up set-ups and networks with known truth and a fixed seed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geometry.survey.network import Levelling, Network
from geometry.survey.readings import Control, Instrument, Sights

__all__ = ["INSTRUMENT", "Made", "corridor", "sighted", "station"]

INSTRUMENT = Instrument()
REFRACTION, RADIUS = 0.13, 6_371_000.0


@dataclass
class Made:
    """Truth about one set-up: true and listed control, axis of the instrument, orientation."""

    true: np.ndarray
    listed: np.ndarray
    position: np.ndarray
    orientation: float

    def control(self, sigma: float = 0.0005) -> Control:
        n = len(self.listed)
        return Control([f"C{i}" for i in range(n)], self.listed, np.full((n, 3), sigma))


def station(rng: np.random.Generator, count: int = 8, sigma: float = 0.0005) -> Made:
    """Return a set-up between control pairs 60 m apart, 14 m across."""
    along, side = np.repeat(np.arange(count // 2) * 60.0 - 90, 2), np.tile([-7.0, 7.0], count // 2)
    true = np.column_stack([side, along, np.full(count, 1.2)]) + rng.normal(size=(count, 3)) * [0.5, 1.0, 0.3]
    true += [500_000.0, 4_000_000.0, 100.0]
    position = np.array([500_000.0, 4_000_000.0, 101.6]) + rng.uniform(-1, 1, 3) * [3.0, 24.0, 0.3]
    return Made(true, true + rng.normal(size=true.shape) * sigma, position, float(rng.uniform(0, 2 * math.pi)))


def sighted(
    rng: np.random.Generator, points: np.ndarray, position: np.ndarray, orientation: float, noise: float = 1.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return directions, zenith angles and distances, written down independently of the model under test."""
    away = points - position
    plan = np.hypot(away[:, 0], away[:, 1])
    slope = np.sqrt((away**2).sum(axis=1))
    zenith = math.pi / 2 - np.arctan(away[:, 2] / plan) + (1 - REFRACTION) * plan / (2 * RADIUS)
    direction = (math.pi / 2 - np.arctan2(away[:, 1], away[:, 0]) - orientation) % (2 * math.pi)
    sigma = INSTRUMENT.sigmas(slope, zenith)
    shake = rng.normal(size=(3, len(points))) * noise
    return direction + shake[0] * sigma[0], zenith + shake[1] * sigma[1], slope + shake[2] * sigma[2]


def corridor(
    count: int, per: int = 10, reach: int = 2, seed: int = 1, control_every: float = 500.0, noise: float = 1.0
) -> tuple[Network, np.ndarray, np.ndarray]:
    """Return a network along a curve of R 7000, set-ups 60 m apart, and its true points and set-ups."""
    rng = np.random.default_rng(seed)
    n, radius = count * per, 7000.0
    along = np.arange(n) * 60.0 / per

    def place(distance: np.ndarray, offset: np.ndarray, level: np.ndarray) -> np.ndarray:
        turn = distance / radius
        east = 5e5 + radius - (radius - offset) * np.cos(turn)
        return np.column_stack([east, 4e6 + (radius - offset) * np.sin(turn), level])

    points = place(along, rng.choice([-7.0, 7.0], n) + rng.normal(size=n) * 0.3, 100 + rng.uniform(0, 2, n))
    setups = place(np.arange(count) * 60.0 + 30, rng.uniform(-2, 2, count), 101.6 + rng.normal(size=count) * 0.1)
    wide = per * (2 * reach - 1) // 2 + per // 2
    setup = np.repeat(np.arange(count), 2 * wide)
    target = setup * per + np.tile(np.arange(-wide, wide), count) + per // 2
    seen = (target >= 0) & (target < n)
    setup, target = setup[seen], target[seen]
    turn = rng.uniform(0, 2 * math.pi, count)
    direction, zenith, distance = np.empty(len(setup)), np.empty(len(setup)), np.empty(len(setup))
    for i in range(count):
        mine = setup == i
        direction[mine], zenith[mine], distance[mine] = sighted(rng, points[target[mine]], setups[i], turn[i], noise)
    known, sigma = np.full((n, 3), np.nan), np.full((n, 3), np.inf)
    held = np.unique([*np.searchsorted(along, np.arange(0, along[-1], control_every)).tolist(), 1, n - 2, n - 1])
    known[held] = points[held] + rng.normal(size=(len(held), 3)) * 0.0005 * noise
    sigma[held] = 0.0005
    first = np.arange(0, n - per, per)
    rise = points[first + per, 2] - points[first, 2] + rng.normal(size=len(first)) * 0.0003 * math.sqrt(0.06) * noise
    line = Levelling(first, first + per, rise, np.full(len(first), 60.0))
    names = [f"P{i}" for i in range(n)], [f"S{i}" for i in range(count)]
    sights = Sights.of(target, direction, zenith, distance, setup=setup)
    return Network(names[0], known, sigma, names[1], sights, line), points, setups
