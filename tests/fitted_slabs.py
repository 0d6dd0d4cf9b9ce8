"""Slabs with known poses and their measured marks, for the tests of the fit."""

from __future__ import annotations

import math

import numpy as np

from geometry.alignment.frames import rotation, rotation_of_vector, to_grid
from geometry.survey import Fits, fit_slabs

MARKS = np.array([[-0.95, -2.25, 0.01], [0.95, -2.25, 0.0], [-0.95, 2.25, -0.01], [0.95, 2.25, 0.02]])
SIGMA = np.array([0.0008, 0.0009, 0.0004])
PM = 1e-12


def pose(n: int, seed: int = 1, at: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    matrix = rotation(rng.uniform(0, 2 * math.pi, n), rng.uniform(-0.03, 0.03, n), rng.uniform(-0.12, 0.12, n))
    return rng.normal(size=(n, 3)) * (50, 50, 5) + at, matrix


def measured(
    position: np.ndarray,
    matrix: np.ndarray,
    marks: np.ndarray = MARKS,
    noise: float | np.ndarray = 0.0,
    seed: int = 2,
    scale: float = 1.0,
) -> np.ndarray:
    """Return grid coordinates of marks, with noise (1 sigma) in the slab's frame."""
    rng = np.random.default_rng(seed)
    local = marks + rng.normal(size=(len(position), *marks.shape)) * noise
    return to_grid(position, matrix, local, scale)


def fit(
    start: tuple[np.ndarray, np.ndarray],
    xyz: np.ndarray,
    sigma: np.ndarray | float = SIGMA,
    marks: np.ndarray = MARKS,
    scale: float = 1.0,
) -> Fits:
    n, m = xyz.shape[:2]
    return fit_slabs(
        *start, marks[None], np.zeros(n, dtype=np.intp), xyz, np.broadcast_to(sigma, (n, m, 3)).astype(float), scale
    )


def disturbed(
    position: np.ndarray, matrix: np.ndarray, seed: int = 5, shift: float = 0.02, turn: float = 0.01
) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return position + rng.normal(size=position.shape) * shift, matrix @ rotation_of_vector(
        rng.normal(size=position.shape) * turn
    )
