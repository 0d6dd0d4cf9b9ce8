"""Whether stated uncertainties of gaps and volumes hold: Monte Carlo over known surfaces, points and poses."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import shapely
from mortar_scenes import NOTCHED, THICKNESS, fine_outline, gaps_of, scene

from geometry.placement.mortar import build_bed, gap_rows, gaps_under, posed
from geometry.slabs import Targets

Surface = Callable[[np.ndarray, np.ndarray], np.ndarray]
PITCH, SIGMA, WAVES = 5.28, 0.5e-3, 150
OUTLINE = fine_outline(NOTCHED, 32)


def waves(rng: np.random.Generator, length: float, height: float, *, ragged: bool) -> Surface:
    """Return a Gaussian random surface: smooth at its correlation length, or ragged at all scales below it."""
    k = rng.normal(size=(WAVES, 2)) / length
    if ragged:  # frequencies with the long tail of an exponential correlation
        k /= np.abs(rng.normal(size=(WAVES, 1)))
    phase = rng.uniform(0, 2 * np.pi, WAVES)

    def surface(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        angle = np.multiply.outer(x, k[:, 0]) + np.multiply.outer(y, k[:, 1]) + phase
        return height * np.sqrt(2 / WAVES) * np.cos(angle).sum(axis=-1)

    return surface


def survey(rng: np.random.Generator, slabs: int, across: int, every: float, jitter: float) -> np.ndarray:
    grid = np.meshgrid(np.linspace(-1.6, 1.6, across), np.arange(-3.6, slabs * PITCH + 1, every))
    xy = np.stack(grid, axis=-1).reshape(-1, 2)
    return np.asarray(xy + rng.uniform(-jitter, jitter, xy.shape))


def known(surface: Surface, slabs: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return volume, smallest and largest gap of 50 mm less the surface, by 3,200 samples of each outline."""
    x, y = np.meshgrid(np.linspace(-1.21875, 1.21875, 40), np.linspace(-2.5675, 2.5675, 80))
    inside = shapely.contains_xy(OUTLINE, x.ravel(), y.ravel())
    x, y = x.ravel()[inside], y.ravel()[inside]
    gap = 0.05 - np.stack([surface(x, y + i * PITCH) for i in range(slabs)])
    return gap.mean(axis=1) * OUTLINE.area, gap.min(axis=1), gap.max(axis=1)


SMOOTH, RAGGED = False, True
BEDS = {
    "plane": lambda rng: lambda x, y: 0.01 * x + 0.002 * y,
    "sagging": lambda rng: lambda x, y: 0.005 * (x / 1.4) ** 2,
    "crowned": lambda rng: lambda x, y: -0.008 * (x / 1.4) ** 2,
    "long waves": lambda rng: waves(rng, 3.0, 0.004, ragged=SMOOTH),
    "waves of the spacing": lambda rng: waves(rng, 0.8, 0.0025, ragged=SMOOTH),
    "shorter than the spacing": lambda rng: waves(rng, 0.25, 0.002, ragged=SMOOTH),
    "ragged": lambda rng: waves(rng, 2.0, 0.003, ragged=RAGGED),
    "ragged and short": lambda rng: waves(rng, 0.5, 0.002, ragged=RAGGED),
}


@pytest.mark.parametrize("dense", [False, True])
@pytest.mark.parametrize("name", list(BEDS))
def test_two_sigmas_hold_nineteen_of_twenty(name: str, dense: bool) -> None:
    """40 slabs each: 95 percent less what chance takes (binomial: 34 or more in 99.7 of 100 tests) is asked for."""
    slabs = 40
    rng = np.random.default_rng(20310504 + list(BEDS).index(name) * 2 + dense)
    surface = BEDS[name](rng)
    xy = survey(rng, slabs, 5 if dense else 4, 0.65 if dense else 1.3, 0.1)
    level = surface(*xy.T) + rng.normal(0, SIGMA, len(xy))
    bed = build_bed(np.column_stack([xy, level]), np.full(len(xy), SIGMA), 0.0, 2.5)
    position = np.stack([np.zeros(slabs), PITCH * np.arange(slabs), np.full(slabs, 0.05 + THICKNESS)], axis=1)
    turned = np.tile(np.eye(3), (slabs, 1, 1))
    gaps = gaps_under(bed, position, turned, None, [NOTCHED], np.zeros(slabs, dtype=np.intp), 1.0, (0.04, 0.06))
    assert gaps.measured.all()
    volume, smallest, largest = known(surface, slabs)
    for found, true, sigma in (
        (gaps.volume, volume, gaps.volume_sigma),
        (gaps.smallest, smallest, gaps.smallest_sigma),
        (gaps.largest, largest, gaps.largest_sigma),
    ):
        assert (np.abs(found - true) <= 2 * sigma).sum() >= 34
    # and it is no excuse either: neither are the intervals wider than what is known of the surface at all
    assert np.median(gaps.volume_sigma) < 0.02  # of 0.64 m^3
    assert np.median(gaps.smallest_sigma) < 0.0045


def test_noise_and_pose_and_what_is_shared_make_the_stated_spread() -> None:
    """3,000 surveys of one plane bed under one slab on cant; the roughness, which is none, is not asked."""
    rng = np.random.default_rng(77)
    grid = np.stack(np.meshgrid(np.linspace(-1.5, 1.5, 4), np.linspace(-2.9, 2.9, 6)), axis=-1).reshape(-1, 2)
    bed, position, matrix, scale = scene(lambda x, y: 0.05 + 0.001 * x + 0.002 * y, grid, shared=0.4e-3)
    deviations = np.array([0.2e-3, 0.3e-3, 0.3e-3, 0.10e-3, 0.15e-3, 0.1e-3])
    mixed = np.eye(6) + 0.4 * np.eye(6, k=2) + 0.4 * np.eye(6, k=-2)
    covariance = deviations[:, None] * mixed * deviations
    stated = gaps_of((bed, position, matrix, scale), covariance=covariance[None])
    rough = stated.roughness[0]
    # as many copies of slab and bed side by side, 9 m apart so that no triangle joins two of them
    runs = 3000
    apart = np.stack([9.0 * (np.arange(runs) % 60), 9.0 * (np.arange(runs) // 60), np.zeros(runs)], axis=1)
    poses = rng.multivariate_normal(np.zeros(6), covariance, runs)
    nothing = (np.zeros(runs) for _ in range(5))
    moved = posed(Targets(position + apart, np.repeat(matrix, runs, axis=0), *nothing), poses, scale)
    noise = rng.normal(0, 0.5e-3, (runs, len(grid))) + rng.normal(0, 0.4e-3, (runs, 1))
    points = bed.xyz + apart[:, None] + noise[..., None] * [0, 0, 1]
    copies = build_bed(points.reshape(-1, 3), np.tile(bed.sigma, runs), 0.4e-3, 2.5)
    gaps = gaps_under(copies, *moved, None, [NOTCHED], np.zeros(runs, dtype=np.intp), scale, (0.04, 0.06))
    volumes, corners = gaps.volume, gaps.corner
    assert rough == 0.0  # a plane without noise
    # 3 sigmas of a standard deviation from 3,000 values are 4 percent
    assert abs(np.std(volumes) / stated.volume_sigma[0] - 1) < 0.04
    assert np.abs(np.std(corners, axis=0) / stated.corner_sigma[0] - 1).max() < 0.05
    assert abs(stated.volume_shared[0] / (OUTLINE.area * 0.4e-3) - 1) < 1e-6
    assert abs(np.mean(volumes) - stated.volume[0]) < 4 * stated.volume_sigma[0] / np.sqrt(runs)
    # the variance of a place is that of its row: the pose alone
    alone = gaps_of(scene(lambda x, y: 0.05 + 0.0 * x, grid, sigma=1e-9), covariance=covariance[None])
    rows = gap_rows(alone.places.place)
    places = np.sqrt(np.einsum("vi,ij,vj->v", rows, covariance, rows))
    assert np.abs(alone.places.sigma_here / places - 1).max() < 1e-5


def test_without_a_known_roughness_nothing_is_certain() -> None:
    """Four points around a slab say nothing of what the bed does between them."""
    corners = np.array([[-1.4, -2.7], [1.4, -2.7], [1.4, 2.7], [-1.4, 2.7]])
    gaps = gaps_of(scene(lambda x, y: 0.05 + 0.0 * x, corners, longest=9.0))
    assert gaps.measured[0]
    assert np.isfinite(gaps.smallest[0])
    assert np.isnan(gaps.smallest_sigma[0])
    assert np.isnan(gaps.volume_sigma[0])
