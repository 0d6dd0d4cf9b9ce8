"""The surveyed bed: triangulation, its limit, points that stand twice, roughness."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.interpolate import LinearNDInterpolator

from geometry.placement.mortar import build_bed

ORIGIN = np.array([431_000.0, 186_000.0, 212.0])


def grid(columns: int = 5, rows: int = 7, step: float = 0.8) -> np.ndarray:
    x, y = np.meshgrid(np.arange(columns) * step, np.arange(rows) * step)
    return np.stack([x.ravel(), y.ravel()], axis=1)


def bed_of(xy: np.ndarray, z: np.ndarray, longest: float = 2.0, sigma: float = 0.5e-3):
    return build_bed(np.column_stack([xy, z]) + ORIGIN, np.full(len(xy), sigma), 0.0, longest)


def test_a_grid_is_covered_to_its_rim_and_no_further() -> None:
    bed = bed_of(grid(), np.zeros(35))
    assert len(bed.triangles) == 2 * 4 * 6  # Euler: two triangles for each cell of a grid
    assert abs(bed.limit.area - 3.2 * 4.8) < 1e-9
    west, south, east, north = shapely.bounds(bed.limit)
    assert np.abs(np.array([west, south, east, north]) - [431_000.0, 186_000.0, 431_003.2, 186_004.8]).max() < 1e-9


def test_no_bed_where_points_are_too_far_apart() -> None:
    two = np.concatenate([grid(3, 3), grid(3, 3) + np.array([10.0, 0.0])])
    bed = bed_of(two, np.zeros(18))
    assert abs(bed.limit.area - 2 * 1.6**2) < 1e-9
    assert np.isnan(bed.level_at(np.array([431_005.0, 186_000.5])))
    longest = np.linalg.norm(np.diff(bed.xyz[bed.triangles[:, [0, 1, 2, 0]]][..., :2], axis=1), axis=-1).max()
    assert longest <= 2.0
    assert len(bed_of(two, np.zeros(18), longest=0.5).triangles) == 0


def test_levels_between_points_are_those_of_a_reference_library() -> None:
    """Against scipy's piecewise linear interpolation over the same points."""
    rng = np.random.default_rng(3)
    xy, z = rng.uniform(0, 4, (60, 2)), rng.normal(0, 0.003, 60)
    bed = bed_of(xy, z, longest=20.0)
    asked = rng.uniform(-0.5, 4.5, (2000, 2))
    # the very same coordinates: of four points that are nearly on one circle, rounding decides the diagonal
    middle = bed.xyz[:, :2].mean(axis=0)
    reference = LinearNDInterpolator(bed.xyz[:, :2] - middle, bed.xyz[:, 2])(asked + ORIGIN[:2] - middle) - ORIGIN[2]
    levels = bed.level_at(asked + ORIGIN[:2]) - ORIGIN[2]
    # thin triangles at the rim are left out
    known = ~np.isnan(levels)
    assert known.sum() > 0.97 * np.isfinite(reference).sum()
    assert np.abs(levels - reference)[known].max() < 1e-9


def test_points_that_stand_twice_are_one_place() -> None:
    xy = np.concatenate([grid(), grid()[[7, 7]] + [[0.004, 0.0], [0.0, -0.003]]])
    z = np.zeros(37)
    z[[7, 35, 36]] = 0.001, 0.004, 0.001
    bed = bed_of(xy, z)
    assert len(bed.xyz) == 35
    assert bed.place_of[7] == bed.place_of[35] == bed.place_of[36]
    place = bed.place_of[7]
    assert abs(bed.xyz[place, 2] - 212.002) < 1e-9
    assert abs(bed.spread[place] - 0.003) < 1e-9
    assert abs(bed.sigma[place] - 0.0015) < 1e-12  # half of what they differ by, more than 0.5 mm / sqrt(3)
    others = np.delete(np.arange(35), place)
    assert np.abs(bed.sigma[others] - 0.5e-3).max() < 1e-15
    # points by their weights: one of 2 mm counts a sixteenth of one of 0.5 mm
    two = build_bed(
        np.array([[0, 0, 0.0], [0, 0.001, 0.0017], [1, 0, 0], [0, 1, 0]]) + ORIGIN, np.array([0.5, 2, 1, 1]) * 1e-3,
        0.0, 3.0,
    )  # fmt: skip
    assert abs(two.xyz[two.place_of[0], 2] - 212.0001) < 1e-9


@pytest.mark.parametrize("count", [0, 1, 2, 9])
def test_points_on_one_line_are_no_bed(count: int) -> None:
    along = np.arange(count) * 0.7
    bed = bed_of(np.stack([along * 0.6, along * 0.8], axis=1), np.zeros(count))
    assert len(bed.triangles) == 0
    assert bed.limit.is_empty
    assert np.isnan(bed.level_at(ORIGIN[None, :2])).all()
    assert np.isnan(bed.roughness2).all()


def test_a_plane_has_no_roughness_and_a_sag_has_that_of_its_bend() -> None:
    """Closed form: of z = c r^2 / 2 the plane through neighbours on a circle of radius d misses c d^2 / 2."""
    xy = grid(9, 9, 0.5)
    plane = bed_of(xy, 0.02 * xy[:, 0] - 0.01 * xy[:, 1])
    assert np.nanmax(np.abs(plane.residual)) < 1e-12
    hexagon = np.array([[0, 0], *[(0.5 * np.cos(a), 0.5 * np.sin(a)) for a in np.arange(6) * np.pi / 3 + 0.1]])
    sag = bed_of(hexagon, 0.02 * (hexagon**2).sum(axis=1) / 2)
    assert abs(sag.residual[0] + 0.02 * 0.25 / 2) < 1e-12
    assert abs(sag.leverage[0] - 1 / 6) < 1e-12  # of the mean of six
    assert abs(sag.roughness2[0] - ((0.0025**2) - 0.25e-6 * (7 / 6)) / (7 / 6)) < 1e-12


def test_points_of_the_rim_say_something_and_its_corners_nothing() -> None:
    xy = grid(9, 9, 0.5)
    bed = bed_of(xy, 0.01 * xy[:, 0])
    sides = np.isin(xy, (0.0, 4.0)).sum(axis=1)[np.argsort(bed.place_of)]
    known = np.isfinite(bed.residual)
    assert known[sides == 0].all()
    assert (bed.leverage[sides == 0] < 0.26).all()
    assert known[sides == 1].mean() > 0.9  # from one side only, but the plane still reaches there
    assert np.nanmin(bed.leverage[sides == 1]) > 0.26
    assert not known[sides == 2].all()  # two neighbours or three and far out


def test_roughness_is_that_of_the_surface_without_the_noise_of_its_points() -> None:
    rng = np.random.default_rng(8)
    xy = grid(40, 40, 0.6) + rng.uniform(-0.1, 0.1, (1600, 2))
    rough, noise = 2.0e-3, 1.5e-3
    z = rng.normal(0, rough, 1600) + rng.normal(0, noise, 1600)
    found = np.nanmean(bed_of(xy, z, sigma=noise).roughness2)
    # of 1500 residuals that share neighbours: 3 sigmas are about 8 percent of all variance
    assert abs(found - rough**2) < 0.08 * (rough**2 + noise**2)
    quiet = np.nanmean(bed_of(xy, rng.normal(0, noise, 1600), sigma=noise).roughness2)
    assert abs(quiet) < 0.08 * noise**2


def test_the_order_of_the_points_does_not_matter() -> None:
    rng = np.random.default_rng(5)
    xy, z = rng.uniform(0, 4, (50, 2)), rng.normal(0, 0.003, 50)
    order = rng.permutation(50)
    one, other = bed_of(xy, z), bed_of(xy[order], z[order])
    assert np.abs(one.limit.symmetric_difference(other.limit).area) < 1e-9
    back = one.residual[one.place_of[order]] - other.residual[other.place_of]
    assert np.nanmax(np.abs(back)) < 1e-12
