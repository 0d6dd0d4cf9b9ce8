"""Target poses: closed forms for curves, ramps and cant, independent optimisers, symmetries of the whole project."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq, linprog

from geometry.alignment import (
    Alignment,
    CantElement,
    HorizontalElement,
    TrackRules,
    VerticalElement,
    build,
    evaluate,
    position,
    track_frame,
)
from geometry.alignment.frames import angles, from_grid, to_grid
from geometry.slabs import SEATINGS, Fitting, Layout, SlabType, Targets, target_poses
from tests.reference import load

MARKS = Fitting(
    ("RL", "RR", "FL", "FR"), np.array([[-0.95, -2.25, 0], [0.95, -2.25, 0], [-0.95, 2.25, 0], [0.95, 2.25, 0]])
)
CURVES = load("slab_on_curve")
SEATS = np.linspace(-2.2, 2.2, 9)
NM = 1e-9
PROMISED = (
    1e-6  # "converged to below 1 um", on a line as sharp as the one below; usual lines come out a hundred times better
)


def slab(length: float = 4.93, seats: np.ndarray = SEATS, height: float = 0.2) -> SlabType:
    return SlabType("A", length, 2.34, 0.19, 0.3, 0.04, height, seats, MARKS, MARKS, MARKS)


def layout(distance: list[float] | np.ndarray, types: list[int] | None = None) -> Layout:
    s = np.array(distance, dtype=float)
    n = len(s)
    return Layout(
        np.array([f"{i}" for i in range(n)]),
        np.array(types or [0] * n, dtype=np.intp),
        s,
        np.zeros(n, dtype=np.intp),
        np.full(n, np.nan),
    )


def arc(radius: float, rules: TrackRules | None = None, *, length: float = 200.0, cant: float = 0.0) -> Alignment:
    return build(
        [HorizontalElement("arc", length, 1 / radius, 1 / radius, easting=0.0, northing=0.0, bearing=0.0)],
        [VerticalElement("gradient", 0.0, length, 0.0, 0.0, level=0.0)],
        [CantElement("constant", 0.0, length, cant, cant)],
        rules,
    )


def straight(
    *,
    cant: tuple[float, float] = (0.0, 0.0),
    length: float = 200.0,
    profile: list[VerticalElement] | None = None,
    rules: TrackRules | None = None,
    bearing: float = 0.0,
) -> Alignment:
    kind = "constant" if cant[0] == cant[1] else "linear"
    return build(
        [HorizontalElement("straight", length, easting=0.0, northing=0.0, bearing=bearing)],
        profile or [VerticalElement("gradient", 0.0, length, 0.0, 0.0, level=0.0)],
        [CantElement(kind, 0.0, length, *cant)],
        rules,
    )


def rail_middles(targets: Targets, slab_type: SlabType, y: np.ndarray) -> np.ndarray:
    local = np.stack([0 * y, y, 0 * y + slab_type.rail_height], axis=-1)
    return to_grid(targets.position, targets.rotation, np.broadcast_to(local, (len(targets.position), *local.shape)))


def radial(targets: Targets, slab_type: SlabType, y: np.ndarray, radius: float) -> np.ndarray:
    """Return how far right of the circle (inwards, for a right-hand one) the slab's rail middle lies, m."""
    points = rail_middles(targets, slab_type, y)
    return math.copysign(1, radius) * (abs(radius) - np.hypot(points[..., 0] - radius, points[..., 1]))


@pytest.mark.parametrize("row", CURVES["midordinate"]["rows"], ids=lambda r: f"R{r[0]}")
@pytest.mark.parametrize("hand", [1, -1])
def test_midordinate_and_its_split(row: list[float], hand: int) -> None:
    radius, f = hand * row[0], row[1]
    seats = np.linspace(-CURVES["midordinate"]["slab_length_m"] / 2, CURVES["midordinate"]["slab_length_m"] / 2, 9)
    kind = slab(CURVES["midordinate"]["slab_length_m"], seats)
    line = arc(radius)
    ends = np.array([seats[0], 0.0, seats[-1]])
    wanted = {"ends": (0.0, f, 0.0), "centre": (-f, 0.0, -f), "shared": (-f / 2, f / 2, -f / 2)}
    for seating, split in wanted.items():
        targets = target_poses(line, [kind], layout([100.0]), seating)
        # right-hand: the chord lies to the right of the arc's middle (inwards), the ends then to the left
        off = radial(targets, kind, ends, radius)[0] * 1e3
        # five decimals are printed; a tangent in the middle leaves f (1 - f/R) at the ends, a secant f
        np.testing.assert_allclose(off, hand * np.array(split), rtol=0, atol=1.2e-5 + 1.1 * f**2 / 1e3 / abs(radius))
        # the versine is chord less line, like curvature + on a right-hand curve; at the slab's ends
        assert targets.versine[0] * 1e3 == pytest.approx(hand * f, abs=2e-5 + 1.1 * f**2 / 1e3 / abs(radius), rel=0)
        assert targets.vertical_versine[0] == pytest.approx(0.0, abs=1e-12, rel=0)
        # the rails lie 0.75 m off the line and bend by that much more or less
        assert targets.seat_across[0] * 1e3 == pytest.approx(
            np.abs(split).max(), abs=2e-5 + 0.8 / abs(radius) * f, rel=0
        )


def test_least_squares_split_in_the_limit_of_many_seats() -> None:
    # ends -2f/3, middle +f/3 for a continuous seat; with 401 of them to 1/200 of that
    kind = slab(4.93, np.linspace(-2.465, 2.465, 401))
    targets = target_poses(arc(1000.0), [kind], layout([100.0]), "least_squares")
    f = 3.03812
    off = radial(targets, kind, np.array([-2.465, 0.0, 2.465]), 1000.0)[0] * 1e3
    np.testing.assert_allclose(off, [-2 * f / 3, f / 3, -2 * f / 3], rtol=0, atol=f / 200)


@pytest.mark.parametrize("row", CURVES["gap_difference"]["rows"], ids=lambda r: f"R{r[0]}")
def test_gaps_open_to_the_outside_of_a_curve(row: list[float]) -> None:
    radius, wanted = row
    pitch, width = CURVES["gap_difference"]["pitch_m"], CURVES["gap_difference"]["width_m"]
    kind = slab()
    targets = target_poses(arc(radius), [kind], layout([100.0, 100.0 + pitch]), "ends")
    corners = np.array([[-width / 2, 2.465, 0], [width / 2, 2.465, 0], [-width / 2, -2.465, 0], [width / 2, -2.465, 0]])
    at = to_grid(targets.position, targets.rotation, np.broadcast_to(corners, (2, 4, 3)))
    left, right = np.linalg.norm(at[1, 2:] - at[0, :2], axis=1)
    # right-hand: the left edge is the outer one. The table's pitch / R is the arc's; the slabs' turn is the same
    assert (left - right) * 1e3 == pytest.approx(wanted, abs=2e-3 + 1e-3 * wanted, rel=0)
    turn = np.diff(angles(targets.rotation)[0])[0]
    assert turn == pytest.approx(pitch / radius, abs=1e-9, rel=0)


@pytest.mark.parametrize("row", CURVES["cant_ramp"]["rows"], ids=lambda r: f"L{r[1]}D{r[2]}")
@pytest.mark.parametrize("hand", [1, -1])
@pytest.mark.parametrize("seating", ["ends", "shared", "least_squares"])
def test_a_plane_under_a_cant_ramp(row: list[float], hand: int, seating: str) -> None:
    _radius, length, cant, _gradient, twist, corner_warp, rest = row
    spacing_along, spacing_across = (
        CURVES["cant_ramp"]["corner_spacing_along_m"],
        CURVES["cant_ramp"]["corner_spacing_across_m"],
    )
    kind = slab(spacing_along, np.linspace(-spacing_along / 2, spacing_along / 2, 5))
    line = straight(cant=(0.0, hand * cant / 1e3), length=length, rules=TrackRules(pivot="centre"))
    targets = target_poses(line, [kind], layout([length / 2]), seating)
    # seen square to the canted track the difference of two cants grows by 1 / cos(cant angle): 2 um here
    seen = 1 / math.cos(math.asin(cant / 2 / 1500))
    assert targets.warp[0] * 1e3 == pytest.approx(hand * twist * seen, abs=1e-4, rel=0)
    # corners of the twisted target 1.9 m apart, in the slab's frame: +-T/4 in turn
    frame = track_frame(line, length / 2 + np.array([-1, 1]) * spacing_along / 2)
    sides = np.array([[-spacing_across / 2, 0, 0], [spacing_across / 2, 0, 0]])
    design = to_grid(frame.position, frame.rotation, np.broadcast_to(sides, (2, 2, 3))).reshape(1, 4, 3)
    up = (from_grid(targets.position, targets.rotation, design)[0, :, 2] - kind.rail_height) * 1e3
    np.testing.assert_allclose(up, hand * np.array([-rest, rest, rest, -rest]) * seen, rtol=0, atol=1e-4)
    assert abs(up[0] - up[1] + up[3] - up[2]) == pytest.approx(corner_warp * seen, abs=2e-4, rel=0)
    # on the rails, over the cant base, it is T/4 of the twist there
    assert targets.seat_up[0] * 1e3 == pytest.approx(twist / 4 * seen, abs=1e-4, rel=0)


@pytest.mark.parametrize("row", load("cant_offsets")["rows"], ids=lambda r: f"{r[0]}mm")
@pytest.mark.parametrize("hand", [1, -1])
@pytest.mark.parametrize("seating", SEATINGS)
def test_the_lever_arm_under_the_rails(row: list[float], hand: int, seating: str) -> None:
    cant, _asin, _atan, rise, _shift, sideways, lift = row
    for pivot, raised in (("low_rail", rise), ("centre", 0.0)):
        line = straight(cant=(hand * cant / 1e3,) * 2, rules=TrackRules(pivot=pivot))
        targets = target_poses(line, [slab()], layout([100.0]), seating)
        # heading north, + cant: left side up, so the slab swings to the left (west) under the rails
        east, north, level = targets.position[0] * 1e3
        assert east == pytest.approx(-hand * sideways, abs=6e-4, rel=0)
        assert north == pytest.approx(100e3, abs=1e-6, rel=0)
        assert level == pytest.approx(-200 + raised + lift, abs=1e-3, rel=0)
        roll = angles(targets.rotation)[2][0]
        assert math.degrees(roll) == pytest.approx(hand * row[1], abs=6e-6, rel=0)


def test_vertical_versine() -> None:
    # chord less line is + in a sag: L^2/8R, 0.12 mm at R 25 km
    for sign in (1, -1):
        line = straight(profile=[VerticalElement("parabola", 0.0, 200.0, 0.0, sign * 200 / 25_000, level=5.0)])
        targets = target_poses(line, [slab()], layout([3.0]), "ends")
        assert targets.vertical_versine[0] * 1e3 == pytest.approx(sign * 4930 * 4.93 / 8 / 25_000, abs=1e-6, rel=0)
        assert targets.versine[0] == pytest.approx(0.0, abs=1e-12, rel=0)


def test_the_slab_on_a_gradient_has_its_own_length() -> None:
    line = straight(profile=[VerticalElement("gradient", 0.0, 200.0, 0.025, 0.025, level=5.0)], bearing=0.7)
    kind = slab()
    targets = target_poses(line, [kind], layout([100.0]), "ends")
    bearing, pitch, roll = (float(a[0]) for a in angles(targets.rotation))
    assert (bearing, pitch, roll) == pytest.approx((0.7, math.atan(0.025), 0.0), abs=1e-12, rel=0)
    # 0.2 m under the rails square to the track, not plumb: the centre lies 5 mm ahead of its station
    ahead = targets.position[0, 0] * math.sin(0.7) + targets.position[0, 1] * math.cos(0.7) - 100.0
    assert ahead == pytest.approx(0.2 * math.sin(pitch), abs=NM, rel=0)


def hard_line(
    rules: TrackRules | None = None, *, turn: float = 0.0, shift: tuple[float, float, float] = (0, 0, 0), hand: int = 1
) -> Alignment:
    """Return a short, sharply bent line on which everything changes at once."""
    k = hand / 350
    return build(
        [
            HorizontalElement("straight", 30.0, easting=shift[0], northing=shift[1], bearing=turn),
            HorizontalElement("clothoid", 60.0, 0.0, k),
            HorizontalElement("arc", 60.0, k, k),
            HorizontalElement("bloss", 50.0, k, -k / 2),
        ],
        [
            VerticalElement("gradient", 0.0, 40.0, 0.022, 0.022, level=100.0 + shift[2]),
            VerticalElement("arc", 40.0, 100.0, 0.022, -0.018),
            VerticalElement("gradient", 140.0, 60.0, -0.018, -0.018),
        ],
        [
            CantElement("constant", 0.0, 30.0, 0.0, 0.0),
            CantElement("linear", 30.0, 60.0, 0.0, hand * 0.15),
            CantElement("constant", 90.0, 60.0, hand * 0.15, hand * 0.15),
            CantElement("cosine", 150.0, 50.0, hand * 0.15, -hand * 0.07),
        ],
        rules,
    )


SPREAD = np.arange(5.0, 196.0, 7.3)


def seen_by_track(
    line: Alignment, targets: Targets, distance: np.ndarray, kind: SlabType, y: np.ndarray, scale: float = 1.0
) -> np.ndarray:
    """Return across and up of the left and right rail over places of slabs from the design rails: (n, k, 2, 2).

    By root search for the foot of the rail middle, and plain dot products: nothing of the program but the track
    frame, which has tests of its own.
    """
    half = line.rules.cant_base / 2
    result = np.empty((len(distance), len(y), 2, 2))
    plan = np.array([scale, scale, 1.0])
    for i, (origin, axes) in enumerate(zip(targets.position, targets.rotation, strict=True)):
        for j, place in enumerate(y):

            def point(x: float, origin=origin, axes=axes, place=place) -> np.ndarray:
                return origin + (axes @ [x, place, kind.rail_height]) * plan

            def along(s: float, middle=point(0.0)) -> float:  # noqa: B008
                frame = track_frame(line, s)
                return float(((middle - frame.position) / plan) @ frame.rotation[:, 1])

            at = distance[i] + place * scale
            frame = track_frame(line, brentq(along, at - 0.2, at + 0.2, xtol=1e-12))
            for k, x in enumerate((-half, half)):
                local = ((point(x) - frame.position) / plan) @ frame.rotation
                result[i, j, k] = local[0] - x, local[2]
    return result


@pytest.mark.parametrize("scale", [1.0, 0.9996])
@pytest.mark.parametrize("seating", ["shared", "least_squares"])
def test_seatings_are_optimal(seating: str, scale: float) -> None:
    """No straight line through the seats does better, by linear programming and by numpy's least squares."""
    line = hard_line(TrackRules(grid_scale=scale))
    kind = slab()
    distance = SPREAD[::3]
    targets = target_poses(line, [kind], layout(distance), seating)
    seen = seen_by_track(line, targets, distance, kind, SEATS, scale)
    np.testing.assert_allclose(targets.seat_across, np.abs(seen[..., 0]).max(axis=(1, 2)), rtol=0, atol=NM)
    np.testing.assert_allclose(targets.seat_up, np.abs(seen[..., 1]).max(axis=(1, 2)), rtol=0, atol=NM)
    for values in seen:
        tilt = (values[:, 0, 1] - values[:, 1, 1])[:, None]
        for rest, columns in (
            (values[..., 0].mean(axis=1), np.stack([np.ones(9), SEATS], axis=1)),
            (values[..., 1].mean(axis=1), np.stack([np.ones(9), SEATS], axis=1)),
            (tilt[:, 0], np.ones((9, 1))),
        ):
            if seating == "least_squares":
                more = np.linalg.lstsq(columns, rest, rcond=None)[0]
                np.testing.assert_allclose(columns @ more, 0.0, rtol=0, atol=PROMISED)
            else:  # minimise t: -t <= rest - columns x <= t
                k = columns.shape[1]
                bound = np.ones((9, 1))
                answer = linprog(
                    [*[0.0] * k, 1.0],
                    A_ub=np.block([[columns, -bound], [-columns, -bound]]) * 1.0,
                    b_ub=np.concatenate([rest, -rest]) * 1e3,
                    bounds=[(None, None)] * (k + 1),
                    method="highs",
                )
                assert np.abs(rest).max() == pytest.approx(answer.fun / 1e3, abs=PROMISED, rel=0)


@pytest.mark.parametrize("seating", ["ends", "centre"])
def test_ends_and_centre_touch_the_line(seating: str) -> None:
    line = hard_line()
    kind = slab()
    targets = target_poses(line, [kind], layout(SPREAD), seating)
    y = np.array([-2.465, 0.0, 2.465])
    seen = seen_by_track(line, targets, SPREAD, kind, y)
    middle = seen.mean(axis=2)
    if seating == "ends":
        np.testing.assert_allclose(middle[:, [0, 2]], 0.0, rtol=0, atol=1e-7)
        tilt = seen[..., 0, 1] - seen[..., 1, 1]
        np.testing.assert_allclose(tilt[:, 0] + tilt[:, 2], 0.0, rtol=0, atol=1e-7)
    else:
        np.testing.assert_allclose(middle[:, 1], 0.0, rtol=0, atol=1e-7)
        np.testing.assert_allclose(middle[:, 0], middle[:, 2], rtol=0, atol=1e-7)
        np.testing.assert_allclose(seen[:, 1, 0, 1], seen[:, 1, 1, 1], rtol=0, atol=1e-7)
    # definitions of versine and warp, taken from the rails; feet wrong by 1 um on a ramp of 5 permille: 5 nm
    bend = middle[:, 1] - (middle[:, 0] + middle[:, 2]) / 2
    np.testing.assert_allclose(targets.versine, bend[:, 0], rtol=0, atol=1e-8)
    np.testing.assert_allclose(targets.vertical_versine, bend[:, 1], rtol=0, atol=1e-8)
    tilt = seen[..., 0, 1] - seen[..., 1, 1]
    np.testing.assert_allclose(targets.warp, tilt[:, 0] - tilt[:, 2], rtol=0, atol=1e-8)
    cant = evaluate(line, SPREAD + 2.465).cant - evaluate(line, SPREAD - 2.465).cant
    # a line that turns on a gradient twists of itself, by base * turn * gradient: 0.4 mm on this bend
    at = evaluate(line, SPREAD)
    twist = cant / np.sqrt(1 - (at.cant / 1.5) ** 2) - 1.5 * 4.93 * at.curvature * at.gradient
    np.testing.assert_allclose(targets.warp, twist, rtol=0, atol=2e-5)
    assert np.abs(targets.warp - cant).max() > 2e-4


@pytest.mark.parametrize("seating", SEATINGS)
@pytest.mark.parametrize("scale", [1.0, 0.9996])
def test_the_middle_stays_at_its_distance(seating: str, scale: float) -> None:
    line = hard_line(TrackRules(grid_scale=scale))
    kind = slab()
    targets = target_poses(line, [kind], layout(SPREAD), seating)
    plan = np.array([scale, scale, 1.0])
    middle = targets.position + (targets.rotation @ [0.0, 0.0, kind.rail_height]) * plan
    frame = track_frame(line, SPREAD)
    along = np.einsum("ni,ni->n", (middle - frame.position) / plan, frame.rotation[..., 1])
    np.testing.assert_allclose(along, 0.0, rtol=0, atol=NM)


@pytest.mark.parametrize("seating", SEATINGS)
def test_moving_the_project_moves_the_targets(seating: str) -> None:
    turn, shift = 2.1, (300.0, -120.0, 7.0)
    base = target_poses(hard_line(), [slab()], layout(SPREAD), seating)
    moved = target_poses(hard_line(turn=turn, shift=shift), [slab()], layout(SPREAD), seating)
    c, n = math.cos(turn), math.sin(turn)
    about_up = np.array([[c, n, 0], [-n, c, 0], [0, 0, 1]])
    np.testing.assert_allclose(moved.position, base.position @ about_up.T + shift, rtol=0, atol=1e-7)
    np.testing.assert_allclose(moved.rotation, about_up @ base.rotation, rtol=0, atol=1e-7)
    for name in ("versine", "vertical_versine", "seat_across", "seat_up", "warp"):
        np.testing.assert_allclose(getattr(moved, name), getattr(base, name), rtol=0, atol=1e-7)


@pytest.mark.parametrize("seating", SEATINGS)
@pytest.mark.parametrize("held", ["centre", "rail"])
def test_the_mirrored_project_has_mirrored_targets(seating: str, held: str) -> None:
    rules = TrackRules(plan_held=held)
    right = target_poses(hard_line(rules), [slab()], layout(SPREAD), seating)
    left = target_poses(hard_line(rules, hand=-1), [slab()], layout(SPREAD), seating)
    flip = np.diag([-1.0, 1.0, 1.0])
    np.testing.assert_allclose(left.position, right.position @ flip, rtol=0, atol=1e-7)
    np.testing.assert_allclose(left.rotation, flip @ right.rotation @ flip, rtol=0, atol=1e-7)
    np.testing.assert_allclose(left.versine, -right.versine, rtol=0, atol=1e-7)
    np.testing.assert_allclose(left.warp, -right.warp, rtol=0, atol=1e-7)
    np.testing.assert_allclose(left.seat_across, right.seat_across, rtol=0, atol=1e-7)


def test_large_coordinates_change_nothing() -> None:
    base = target_poses(hard_line(), [slab()], layout(SPREAD), "shared")
    far = target_poses(hard_line(shift=(512_345.0, 5_234_567.0, 0.0)), [slab()], layout(SPREAD), "shared")
    np.testing.assert_allclose(far.position - [512_345.0, 5_234_567.0, 0.0], base.position, rtol=0, atol=4e-9)
    np.testing.assert_allclose(far.rotation, base.rotation, rtol=0, atol=3e-9)


def test_grid_scale_keeps_true_lengths() -> None:
    # on a straight with constant gradient the slab is the same true body; only its grid image shrinks
    line = straight(rules=TrackRules(grid_scale=0.9996), cant=(0.12, 0.12))
    targets = target_poses(line, [slab()], layout([100.0]), "shared")
    assert targets.position[0, 0] == pytest.approx(-0.2 * 0.08 * 0.9996, abs=NM, rel=0)
    assert targets.position[0, 2] == pytest.approx(0.06 - 0.2 * math.sqrt(1 - 0.08**2), abs=NM, rel=0)
    assert targets.seat_across[0] < NM


def test_types_are_fitted_by_their_own_numbers() -> None:
    short = slab(3.685, np.linspace(-1.6, 1.6, 7), height=0.25)
    mixed = target_poses(hard_line(), [slab(), short], layout(SPREAD[:4], [0, 1, 1, 0]), "least_squares")
    for kind, rows in ((slab(), [0, 3]), (short, [1, 2])):
        alone = target_poses(hard_line(), [kind], layout(SPREAD[rows]), "least_squares")
        np.testing.assert_allclose(mixed.position[rows], alone.position, rtol=0, atol=1e-10)
        np.testing.assert_allclose(mixed.versine[rows], alone.versine, rtol=0, atol=1e-10)


def test_unsorted_seats_are_the_same_seats() -> None:
    shuffled = slab(seats=SEATS[[3, 0, 8, 1, 7, 2, 6, 4, 5]])
    a, b = (target_poses(hard_line(), [kind], layout(SPREAD), "shared") for kind in (slab(), shuffled))
    np.testing.assert_allclose(a.position, b.position, rtol=0, atol=1e-12)


def test_uneven_seats_are_fitted_by_least_squares() -> None:
    uneven = np.array([-2.2, -1.9, -1.0, 0.4, 1.1, 2.3])
    kind = slab(seats=uneven)
    line = arc(350.0)
    targets = target_poses(line, [kind], layout([100.0]), "least_squares")
    off = radial(targets, kind, uneven, 350.0)[0]
    rest = np.linalg.lstsq(np.stack([np.ones(6), uneven], axis=1), off, rcond=None)[0]
    np.testing.assert_allclose(rest, 0.0, rtol=0, atol=1e-7)
    # an arc is a parabola here: what is left is y^2/2R less its own regression line
    bow = -(uneven**2) / 700
    line_out = np.polynomial.Polynomial.fit(uneven, bow, 1)(uneven)
    np.testing.assert_allclose(off, bow - line_out, rtol=0, atol=2e-7)


def test_no_slabs() -> None:
    targets = target_poses(hard_line(), [slab()], layout([]), "shared")
    assert targets.position.shape == (0, 3)
    assert targets.rotation.shape == (0, 3, 3)


def test_slabs_at_the_very_ends_of_the_line() -> None:
    """A slab that starts where the line starts (its end overhangs by nothing) is fitted like any other."""
    line = arc(500.0)
    targets = target_poses(line, [slab()], layout([2.465, 100.0, 197.535]), "ends")
    np.testing.assert_allclose(targets.versine, targets.versine[1], rtol=0, atol=1e-7)
    assert position(line, 100.0).shape == (3,)
