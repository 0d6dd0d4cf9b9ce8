"""Gaps under slabs against closed forms, shapely and sampling."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from mortar_scenes import NOTCHED, PLAIN, fine_outline, gaps_of, scene, slab_type
from scipy.interpolate import LinearNDInterpolator

from geometry.placement.mortar import gap_field, gap_rows, gaps_under, posed
from geometry.slabs import Targets


def spread(count: int = 60, seed: int = 1, over: tuple[float, float] = (1.6, 3.0)) -> np.ndarray:
    """Return scattered places with the corners of a rectangle around the slab among them."""
    rng = np.random.default_rng(seed)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * over
    return np.concatenate([corners, rng.uniform(-1, 1, (count, 2)) * over])


def notched_area(width: float, length: float, radius: float, beyond: float) -> float:
    """Return the area of a rectangle less two circular segments: r^2 acos(b/r) - b sqrt(r^2 - b^2) each."""
    segment = radius**2 * np.arccos(beyond / radius) - beyond * np.sqrt(radius**2 - beyond**2)
    return float(width * length - 2 * segment)


def test_the_prismoid_of_four_corner_gaps() -> None:
    """Closed form: a plane gap over a rectangle has the mean of its corners, 4.93 m x 2.34 m x 50 mm = 0.57681 m^3."""
    kind = slab_type(2.34, 4.93, 0.0, 0.0)
    rear_left, rear_right, front_left, front_right = 0.048, 0.052, 0.0490, 0.0530

    def plane(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return rear_left + (rear_right - rear_left) * (x / 2.34 + 0.5) + (front_left - rear_left) * (y / 4.93 + 0.5)

    gaps = gaps_of(scene(plane, spread(), longest=9.0), kind)
    assert np.abs(gaps.corner - [[rear_left, rear_right, front_left, front_right]]).max() < 1e-9
    assert abs(gaps.mean[0] - 0.0505) < 1e-9
    assert abs(gaps.volume[0] - 4.93 * 2.34 * 0.0505) < 1e-9
    assert abs(gaps.smallest[0] - 0.048) < 1e-9
    assert np.abs(gaps.smallest_place[0] - [-1.17, -2.465]).max() < 1e-9
    assert abs(gaps.largest[0] - 0.053) < 1e-9
    assert np.abs(gaps.largest_place[0] - [1.17, 2.465]).max() < 1e-9


def test_a_warped_gap_of_four_corners() -> None:
    """Corner gaps 48, 52, 51, 49 mm: two triangles over either diagonal; their means are 50.167 or 49.833 mm."""
    kind = slab_type(2.34, 4.93, 0.0, 0.0)
    xy = np.array([[-1.17, -2.465], [1.17, -2.465], [-1.17, 2.465], [1.17, 2.465]]) * 1.00001
    values = np.array([0.048, 0.052, 0.051, 0.049])
    gaps = gaps_of(scene(lambda x, y: values, xy, longest=9.0), kind)
    # over triangles abc and bcd (a + 2 b + 2 c + d) / 6, over the other diagonal (2 a + b + c + 2 d) / 6
    either = np.array([(0.048 + 2 * 0.052 + 2 * 0.051 + 0.049) / 6, (2 * 0.048 + 0.052 + 0.051 + 2 * 0.049) / 6])
    assert np.abs(gaps.volume[0] - either * 4.93 * 2.34).min() < 1e-6
    assert np.abs(gaps.corner - values).max() < 1e-6


def test_a_tilted_plane_over_an_outline_with_notches() -> None:
    """Closed form for the area, shapely with 8,000 chords a notch for the rest; 20 ml are allowed."""
    exact = fine_outline(NOTCHED)
    assert abs(exact.area - notched_area(2.5, 5.2, 0.26, 0.04)) < 1e-6
    slope = np.array([0.004, -0.003])
    gaps = gaps_of(scene(lambda x, y: 0.05 + slope[0] * x + slope[1] * y, spread(), longest=9.0))
    centre = shapely.get_coordinates(exact.centroid)[0]
    volume = exact.area * (0.05 + slope @ centre)
    assert abs(gaps.volume[0] - volume) < 5e-6  # 5 ml, as said beside the number of chords
    assert abs(gaps.covered[0] - 1) < 1e-9
    # where the gap is below 47 mm and above 56 mm: the outline cut by half planes
    for limits, level, sign in (((0.047, 0.056), 0.047, 1), ((0.047, 0.056), 0.056, -1)):
        found = gaps_of(scene(lambda x, y: 0.05 + slope[0] * x + slope[1] * y, spread(), longest=9.0), limits=limits)
        x0 = (level - 0.05) / slope[0]
        # the line 0.05 + a x + b y = level crosses y = +-9 at these x
        low, high = (x0 - slope[1] / slope[0] * y for y in (-9, 9))
        half = shapely.Polygon([(low, -9), (high, 9), (-sign * 40, 9), (-sign * 40, -9)])
        area = exact.intersection(half).area
        assert area > 0.3
        assert abs((found.under_area if sign > 0 else found.over_area)[0] - area) < 1e-4


def test_the_same_wherever_and_however_the_slab_lies() -> None:
    rng = np.random.default_rng(11)
    xy, z = spread(80), rng.normal(0.05, 0.004, 84)
    one = gaps_of(scene(lambda x, y: z, xy, longest=9.0, bearing=0.0, pitch=0.0, roll=0.0, scale=1.0))
    other = gaps_of(scene(lambda x, y: z, xy, longest=9.0, bearing=4.0, pitch=0.03, roll=-0.12, scale=0.9996))
    # Delaunay in plan: cant shortens the plan by 7 per mille, so that a few triangles may be others
    assert abs(one.smallest[0] - other.smallest[0]) < 2e-3
    flat = [gaps_of(scene(lambda x, y: z, xy, longest=9.0, bearing=b, pitch=0.0, roll=0.0, scale=s))
            for b, s in ((0.0, 1.0), (2.3, 1.0), (5.1, 1.0004))]  # fmt: skip
    for name in ("smallest", "largest", "mean", "volume", "under_area", "over_area"):
        assert np.ptp([getattr(g, name)[0] for g in flat]) < 1e-8, name


def test_a_rough_bed_against_sampling_with_a_reference_library() -> None:
    """scipy's piecewise linear interpolation at 1.3 million places of the outline."""
    rng = np.random.default_rng(4)
    xy, z = spread(70, 2), rng.normal(0.05, 0.004, 74)
    flat = scene(lambda x, y: z, xy, longest=9.0, pitch=0.0, roll=0.0, scale=1.0, bearing=0.0)
    gaps = gaps_of(flat, limits=(0.046, 0.054))
    step = 0.0025  # the middle of cells
    x = np.arange(-1.25 + step / 2, 1.25, step)
    y = np.arange(-2.6 + step / 2, 2.6, step)
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    centre = np.abs(places[:, 1]) - 2.64
    places = places[np.hypot(places[:, 0], centre) > 0.26]
    value = LinearNDInterpolator(xy, z)(places)
    assert abs(gaps.volume[0] - value.sum() * step**2) < 1.0e-5
    steepest = 0.05  # of this bed, per metre: no sample lies further than half a diagonal from an extreme
    assert 0 <= value.min() - gaps.smallest[0] < steepest * step
    assert 0 <= gaps.largest[0] - value.max() < steepest * step
    for place, extreme in ((gaps.smallest_place[0], value.argmin()), (gaps.largest_place[0], value.argmax())):
        assert np.linalg.norm(place - places[extreme]) < 2 * step
    assert abs(gaps.under_area[0] - (value < 0.046).sum() * step**2) < 2e-3
    assert min(gaps.under_area[0], gaps.over_area[0]) > 0.5
    assert abs(gaps.over_area[0] - (value > 0.054).sum() * step**2) < 2e-3
    bed, position, matrix, scale = flat
    field = gap_field(bed, position, matrix, [NOTCHED], np.zeros(1, dtype=np.intp), scale, rows=5, columns=4)
    asked = np.stack(np.meshgrid(np.linspace(-1.25, 1.25, 4), np.linspace(-2.6, 2.6, 5)), axis=-1)
    assert np.abs(field[0] - LinearNDInterpolator(xy, z)(asked)).max() < 1e-9


def test_a_peak_under_the_anchor_does_not_count_but_its_slope_does() -> None:
    """The peak lies in the notch; the smallest gap is where a ridge meets the arc: 60 mm less 30 mm * (1 - t)."""
    peak = np.array([0.0, 2.55])
    around = np.array([[-1.5, -3], [1.5, -3], [-1.5, 3], [1.5, 3], [0.0, 0.95]])
    xy = np.concatenate([around, peak[None]])
    made = scene(lambda x, y: np.where((x == 0) & (y == 2.55), 0.03, 0.06), xy, longest=9.0, pitch=0.0, roll=0.0)
    gaps = gaps_of(made)
    arc = 2.64 - 0.26  # the ridge runs along x = 0 from 0.95 to the peak at 2.55
    assert np.abs(gaps.smallest_place[0] - [0.0, arc]).max() < 1e-6
    assert abs(gaps.smallest[0] - (0.06 - 0.03 * (arc - 0.95) / (2.55 - 0.95))) < 1e-6
    # no place on the arc but where an edge of a triangle meets it: no extreme can lie between
    on_arc = np.abs(np.hypot(gaps.places.place[:, 0], gaps.places.place[:, 1] - 2.64) - 0.26) < 1e-4
    assert 3 <= on_arc.sum() <= 8


def test_a_bed_above_the_underside_has_a_negative_gap() -> None:
    xy = np.concatenate([spread(40), [[0.4, 0.6]]])
    gaps = gaps_of(scene(lambda x, y: np.where((x == 0.4) & (y == 0.6), -0.007, 0.05), xy, longest=9.0))
    assert abs(gaps.smallest[0] + 0.007) < 1e-9
    assert np.abs(gaps.smallest_place[0] - [0.4, 0.6]).max() < 1e-6


def test_what_has_no_bed_below_it_is_not_measured() -> None:
    grid = np.stack(np.meshgrid(np.linspace(-1.5, 1.5, 6), np.linspace(-3, 3, 11)), axis=-1).reshape(-1, 2)

    def gaps(which: np.ndarray):
        return gaps_of(scene(lambda x, y: 0.05 + 0.0 * x, grid[which], longest=1.0, roll=0.0, pitch=0.0, scale=1.0))

    whole = gaps(np.ones(66, dtype=bool))
    assert whole.measured[0]
    assert abs(whole.covered[0] - 1) < 1e-9
    # nothing in front of 1.2 m: a rectangle of 2.5 m by 1.4 m less the notch is missing
    part = gaps(grid[:, 1] <= 1.2 + 1e-9)
    missing = fine_outline(NOTCHED).intersection(shapely.box(-2, 1.2, 2, 3)).area / fine_outline(NOTCHED).area
    assert abs(part.covered[0] - (1 - missing)) < 1e-5
    assert not part.measured[0]
    assert np.isnan(part.corner[0]).tolist() == [False, False, True, True]
    assert np.isnan(part.volume[0])
    assert np.isnan(part.volume_sigma[0])
    assert np.isnan(part.mean[0])
    assert abs(part.smallest[0] - 0.05) < 1e-9  # of what is there
    # a hole in the middle: all four corners are known, and still the slab is not measured
    hole = gaps(~((np.abs(grid[:, 0]) < 0.4) & (np.abs(grid[:, 1]) < 0.7)))
    assert np.isfinite(hole.corner).all()
    # cells between x = -0.9 and 0.9, y = -1.2 and 1.2, but for the halves of four cells at the corners of that
    assert abs(hole.covered[0] - (1 - (1.8 * 2.4 - 4 * 0.18) / fine_outline(NOTCHED).area)) < 1e-5
    assert not hole.measured[0]
    # a corner of 10 mm by 20 mm has no bed: next to nothing of the area, but nobody knows the gap there
    cut = np.concatenate([grid[grid[:, 1] < 2.5], [[-1.5, 2.9], [0.0, 3.0], [1.2, 2.62], [1.27, 2.54]]])
    nearly = gaps_of(scene(lambda x, y: 0.05 + 0.0 * x, cut, longest=1.9, roll=0.0, pitch=0.0, scale=1.0))
    assert 0.999 < nearly.covered[0] < 1 - 1e-6
    assert np.isnan(nearly.corner[0]).tolist() == [False, False, False, True]
    assert not nearly.measured[0]
    none = gaps(grid[:, 1] < -2.9)
    assert none.covered[0] == 0
    assert np.isnan(none.smallest[0])
    assert np.isnan(none.under_area[0])


def test_a_slab_without_a_pose_has_no_gaps() -> None:
    bed, position, matrix, scale = scene(lambda x, y: 0.05 + 0.0 * x, spread(), longest=9.0)
    two = np.concatenate([position, np.full((1, 3), np.nan)]), np.concatenate([matrix, np.full((1, 3, 3), np.nan)])
    pose = np.stack([np.zeros((6, 6)), np.full((6, 6), np.nan)])
    gaps = gaps_under(bed, *two, pose, [NOTCHED], np.zeros(2, dtype=np.intp), scale, (0.04, 0.06))
    assert gaps.measured.tolist() == [True, False]
    for name in ("smallest", "largest", "volume", "volume_own", "mean", "covered", "under_area"):
        assert np.isfinite(getattr(gaps, name)).tolist() == [True, False], name
    assert (gaps.places.slab == 0).all()


def test_the_places_bound_the_gap_of_a_slab_that_is_moved() -> None:
    """The linear rows against gaps computed anew for the moved slab, to 2 um for moves of millimetres."""
    rng = np.random.default_rng(9)
    xy = spread(60, 5)
    made = scene(lambda x, y: 0.05 + 0.002 * np.sin(3 * x) + 0.003 * np.cos(2 * y), xy, longest=9.0)
    bed, position, matrix, scale = made
    targets = Targets(position, matrix, *(np.zeros(1) for _ in range(5)))
    before = gaps_of(made)
    assert np.all(np.diff(before.places.slab) >= 0)
    for _ in range(5):
        move = rng.uniform(-1, 1, 6) * [0.0, 0.0, 4e-3, 1e-3, 1e-3, 0.0]
        after = gaps_of((bed, *posed(targets, move[None], scale), scale))
        predicted = before.places.gap + gap_rows(before.places.place) @ move
        assert abs(predicted.min() - after.smallest[0]) < 2e-5 * np.abs(move).max() / 1e-3
        assert abs(predicted.max() - after.largest[0]) < 2e-5 * np.abs(move).max() / 1e-3
        assert abs(after.mean[0] - before.mean[0] - move[2]) < 1e-5


def test_the_field_for_pictures_meets_the_corners_on_cant() -> None:
    """Square below the slab, not plumb: on this cant and slope the difference is 30 um at the corners."""
    made = scene(lambda x, y: 0.05 + 0.03 * x - 0.02 * y, spread(), longest=9.0, roll=0.11, pitch=0.03)
    bed, position, matrix, scale = made
    field = gap_field(bed, position, matrix, [NOTCHED], np.zeros(1, dtype=np.intp), scale, rows=3, columns=2)
    corners = gaps_of(made).corner[0]
    assert np.abs(field[0][[0, 0, 2, 2], [0, 1, 0, 1]] - corners).max() < 1e-9
    assert np.abs(corners - [0.05 - 0.0375 + 0.052, 0.05 + 0.0375 + 0.052, 0.0605 - 0.1, 0.0355]).max() < 1e-9


def test_signs_of_a_move() -> None:
    made = scene(lambda x, y: 0.05 + 0.0 * x, spread(), longest=9.0)
    bed, position, matrix, scale = made
    targets = Targets(position, matrix, *(np.zeros(1) for _ in range(5)))
    for move, corners in (
        ((0, 0, 2e-3, 0, 0, 0), (0.052, 0.052, 0.052, 0.052)),  # up
        ((0, 0, 0, 1e-3, 0, 0), (0.0474, 0.0474, 0.0526, 0.0526)),  # forward end up
        ((0, 0, 0, 0, 1e-3, 0), (0.05125, 0.04875, 0.05125, 0.04875)),  # left side up
        ((3e-3, 2e-3, 0, 0, 0, 1e-3), (0.05, 0.05, 0.05, 0.05)),  # in the plane of the slab
    ):
        gaps = gaps_of((bed, *posed(targets, np.array([move]), scale), scale))
        assert np.abs(gaps.corner[0] - corners).max() < 1e-5


@pytest.mark.parametrize("kind", [NOTCHED, PLAIN])
def test_many_slabs_of_two_types_are_as_each_alone(kind) -> None:
    rng = np.random.default_rng(6)
    bed, position, matrix, scale = scene(
        lambda x, y: 0.05 + 0.002 * np.sin(4 * x + y), spread(300, 7, (9, 9)), longest=25.0
    )
    short = slab_type(length=3.64)
    poses = np.repeat(position, 4, axis=0) + rng.uniform(-4, 4, (4, 3)) * [1, 1, 0.001]
    turned = np.repeat(matrix, 4, axis=0)
    index = np.array([0, 1, 1, 0], dtype=np.intp)
    together = gaps_under(bed, poses, turned, None, [kind, short], index, scale, (0.04, 0.06))
    for i in range(4):
        alone = gaps_under(bed, poses[[i]], turned[[i]], None, [kind, short], index[[i]], scale, (0.04, 0.06))
        for name in ("smallest", "largest", "volume", "under_area", "covered"):
            assert abs(getattr(alone, name)[0] - getattr(together, name)[i]) < 1e-12, name
