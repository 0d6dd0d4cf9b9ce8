"""The rail of slabs in known poses, its uncertainty against one dense covariance of everything, and its verdicts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geometry.placement.rail.bands import BANDS, band_pass, reach
from geometry.placement.rail.chords import Chord, chord_rows, twist_rows
from geometry.placement.rail.forecast import (
    NO_ROOM,
    RAIL_VERDICTS,
    LimitForecast,
    RailForecast,
    RailLimit,
    RailRules,
    rail_forecast,
)
from geometry.placement.rail.seats import CastSeats, RailSeats
from geometry.placement.rail.uncertainty import pose_spread, variance_of_rows
from geometry.placement.verdict import NO_LIMIT, NOT_MEASURED, OUT, UNDECIDED, WITHIN
from geometry.survey import Fits, fit_slabs, movement_rows

BASE, HEIGHT, PITCH = 1.5, 0.215, 5.28
PLACES = 0.65 * (np.arange(8) - 3.5)
MARKS = np.array([[[-1.05, -2.35, 0], [1.05, -2.35, 0], [-1.05, 2.35, 0], [1.05, 2.35, 0]]])
SYMMETRIC, SKEW, LONG = Chord(5.0, 5.0), Chord(2.0, 8.0), Chord(15.0, 15.0, 5.0)
UM = 1e-6


def straight_seats(n: int) -> RailSeats:
    """Seats of n slabs on a straight level line; one slab in five has two seats less."""
    kept = [PLACES if i % 5 else PLACES[1:-1] for i in range(n)]
    along = np.concatenate(kept)
    slab = np.repeat(np.arange(n), [len(k) for k in kept])
    places = np.stack(np.broadcast_arrays(np.array([-BASE / 2, BASE / 2]), along[:, None], HEIGHT), axis=-1)
    station = along + PITCH * slab
    number = np.concatenate([np.arange(len(k)) + 1 for k in kept])
    rows = movement_rows(places)[:, :, [0, 2]]
    return RailSeats(slab, station, np.zeros((len(slab), 2, 2)), rows, station, number)


def fits_of(n: int, rng: np.random.Generator, *, per_setup: int = 6, shared: float = 2e-4) -> Fits:
    """Fits of slabs seen by set-ups that overlap by two slabs, each with three causes."""
    setup = np.stack([np.arange(n) // per_setup, np.full(n, -1)], axis=1)
    again = (np.arange(n) % per_setup >= per_setup - 2) & (np.arange(n) < n - per_setup)
    setup[again, 1] = setup[again, 0] + 1
    common = rng.normal(size=(n, 12, 6)) * shared
    common[~again, :, 3:] = 0.0
    sigma = np.full((n, 4, 3), 1.0) * [2.5e-4, 3e-4, 1e-4]
    own = np.einsum("ni,ij->nij", sigma.reshape(n, 12) ** 2, np.eye(12))
    position = np.stack([np.zeros(n), PITCH * np.arange(n), np.zeros(n)], axis=1)
    xyz = position[:, None] + MARKS
    return fit_slabs(
        position, np.repeat(np.eye(3)[None], n, 0), MARKS, np.zeros(n, dtype=np.intp), xyz, sigma, 1.0,
        own + common @ np.swapaxes(common, 1, 2), (common, setup),
    )  # fmt: skip


def dense_covariance(fits: Fits) -> np.ndarray:
    """Return the covariance of all poses, (6n, 6n): own blocks, and factors of causes that set-ups share."""
    n = len(fits.group)
    several = fits.setup.shape[1]
    causes = fits.common.shape[2] // several
    factor = np.zeros((n, 6, fits.setup.max() + 1, causes))
    for slab in range(n):
        for which in range(several):
            if fits.setup[slab, which] >= 0:
                factor[slab, :, fits.setup[slab, which]] += fits.common[slab].reshape(6, several, causes)[:, which]
    flat = factor.reshape(6 * n, -1)
    full = flat @ flat.T
    for slab in range(n):
        block = slice(6 * slab, 6 * slab + 6)
        full[block, block] = fits.covariance[slab]
    return full


def carried(seats: RailSeats, n: int) -> np.ndarray:
    """Return how all poses move line left, line right, level left, level right and cant, (s, 5, 6n)."""
    rows = np.zeros((len(seats.slab), 5, 6 * n))
    for seat, slab in enumerate(seats.slab):
        block = slice(6 * slab, 6 * slab + 6)
        rows[seat, :2, block], rows[seat, 2:4, block] = seats.rows[seat, :, 0], seats.rows[seat, :, 1]
    rows[:, 4] = rows[:, 2] - rows[:, 3]
    return rows


def limit(quantity: str, mm: float = 2.0, **more: object) -> RailLimit:
    return RailLimit(quantity, -mm / 1e3, mm / 1e3, "example", **more)  # type: ignore[arg-type]


def rules(*limits: RailLimit, guard: float = 2.0, cast_sigma: float = 0.0) -> RailRules:
    return RailRules(limits, guard, cast_sigma)


def exact_cast(seats: RailSeats) -> CastSeats:
    zeros = np.zeros((len(seats.slab), 2, 2))
    return CastSeats(zeros, zeros)


def one(forecast: RailForecast) -> LimitForecast:
    assert len(forecast.limits) == 1
    return forecast.limits[0]


def test_poses_and_casting_add_up() -> None:
    seats = straight_seats(9)
    pose = np.zeros((9, 6))
    pose[4] = 1e-3, 0.0, 2e-3, 1e-3, 2e-3, 5e-4
    cast = exact_cast(seats)
    row = int(np.flatnonzero((seats.slab == 4) & (seats.seat == 7))[0])
    cast.offset[row, 1] = 3e-4, -4e-4
    found = rail_forecast(seats, pose, None, rules(), cast)
    y = PLACES[6]
    line, level = 1e-3 + HEIGHT * 2e-3 + y * 5e-4, 2e-3 + y * 1e-3
    np.testing.assert_allclose(found.deviation[row, 0], [line, level + 0.75 * 2e-3], rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.deviation[row, 1], [line + 3e-4, level - 0.75 * 2e-3 - 4e-4], rtol=0, atol=1e-12)
    assert found.gauge[row] == pytest.approx(3e-4, abs=1e-12)  # the right rail to the right: wider
    assert found.cant[row] == pytest.approx(BASE * 2e-3 + 4e-4, abs=1e-12)  # left side up, right seat low
    assert np.abs(np.delete(found.gauge, row)).max() < 1e-12


def test_gauge_is_measured_only_where_the_factory_measured_both_seats() -> None:
    seats = straight_seats(6)
    gauge = rules(limit("gauge", 1.0), cast_sigma=2e-4)
    nothing = rail_forecast(seats, np.zeros((6, 6)), None, gauge)
    assert np.isnan(nothing.gauge).all()
    assert (one(nothing).verdict == NOT_MEASURED).all()
    assert (nothing.verdict == NOT_MEASURED).all()
    assert not nothing.cast_known.any()

    cast = CastSeats(np.full((len(seats.slab), 2, 2), np.nan), np.full((len(seats.slab), 2, 2), np.nan))
    cast.offset[seats.slab == 2], cast.sigma[seats.slab == 2] = 0.0, 4e-5
    lone = int(np.flatnonzero(seats.slab == 3)[0])
    cast.offset[lone, 0], cast.sigma[lone, 0] = 0.0, 4e-5
    cast.offset[seats.slab == 2, 1, 0] = 1.2e-3
    found = rail_forecast(seats, np.full((6, 6), np.nan), None, gauge, cast)  # gauge needs no pose
    assert (one(found).verdict[:, 0] == np.where(seats.slab == 2, OUT, NOT_MEASURED)).all()
    np.testing.assert_allclose(found.gauge_sigma[seats.slab == 2], np.sqrt(2) * 4e-5, rtol=1e-12)
    assert np.isnan(found.gauge_sigma[seats.slab != 2]).all()
    assert found.cast_known[lone].tolist() == [True, False]


def test_unmeasured_seats_count_as_designed_with_their_scatter() -> None:
    seats = straight_seats(12)
    scatter = 2e-4
    found = rail_forecast(
        seats, np.zeros((12, 6)), None, rules(limit("level", chord=Chord(0.65, 0.65)), cast_sigma=scatter)
    )  # fmt: skip
    np.testing.assert_allclose(found.sigma, scatter, rtol=1e-12)
    np.testing.assert_allclose(found.cant_sigma, np.sqrt(2) * scatter, rtol=1e-12)
    # a chord from seat to seat: the place and half of either neighbour
    inside = (seats.seat > 1) & (np.append(np.diff(seats.slab), 1) == 0) & (np.append(1, np.diff(seats.slab)) == 0)
    np.testing.assert_allclose(one(found).sigma[inside], scatter * np.sqrt(1.5), rtol=1e-9)


def test_uncertainty_is_that_of_the_dense_covariance() -> None:
    """Everything at once: own poses, set-ups that slabs share, two set-ups on one slab, against plain matrices."""
    n = 20
    rng = np.random.default_rng(11)
    seats, fits = straight_seats(n), fits_of(n, rng)
    full, rows = dense_covariance(fits), carried(seats, n)
    chords = {chord: chord_rows(seats.station, chord) for chord in (SYMMETRIC, SKEW, LONG, Chord(15.0, 60.0, 40.0))}
    limits = [limit(q, chord=c) for c in chords for q in ("level", "line")]
    found = rail_forecast(
        seats, np.zeros((n, 6)), fits, rules(*limits, limit("twist", base=3.0), limit("level"), limit("cant")),
        exact_cast(seats),
    )  # fmt: skip

    def sigma(weights: np.ndarray, channels: list[int]) -> np.ndarray:
        moved = np.einsum("ks,scp->kcp", weights, rows[:, channels])
        return np.sqrt(np.einsum("kcp,pq,kcq->kc", moved, full, moved))

    for told in found.limits[: len(limits)]:
        assert told.limit.chord is not None
        laid = chords[told.limit.chord]
        expected = sigma(laid.rows.toarray(), [0, 1] if told.limit.quantity == "line" else [2, 3])
        np.testing.assert_allclose(told.sigma[laid.place], expected, rtol=1e-9)
        assert np.isnan(np.delete(told.sigma, laid.place, axis=0)).all()
    twist, level, cant = found.limits[-3:]
    laid = twist_rows(seats.station, 3.0)
    # over a single rigid slab there is none but the last bit
    np.testing.assert_allclose(twist.sigma[laid.place], sigma(laid.rows.toarray(), [4]), rtol=1e-9, atol=1e-15)
    plain = sigma(np.eye(len(seats.slab)), [0, 1, 2, 3, 4])
    np.testing.assert_allclose(found.sigma[:, :, 0], plain[:, :2], rtol=1e-9)
    np.testing.assert_allclose(level.sigma, plain[:, 2:4], rtol=1e-9)
    np.testing.assert_allclose(cant.sigma[:, 0], plain[:, 4], rtol=1e-9)


def test_what_a_set_up_does_to_all_slabs_drops_out_of_a_chord() -> None:
    """A cause that shifts every mark of a set-up alike adds nothing to a chord within it, and all to the level."""
    n = 12
    rng = np.random.default_rng(12)
    quiet = fits_of(n, rng, per_setup=n, shared=0.0)
    shift = np.zeros((n, 6, 6))
    shift[:, 2, 0] = 8e-4
    covariance = quiet.covariance + shift @ np.swapaxes(shift, 1, 2)
    loud = replace(
        quiet, common=shift, group=np.arange(n), design=replace(quiet.design, covariance=covariance)
    )  # fmt: skip
    seats, asked = straight_seats(n), rules(limit("level", chord=SKEW), limit("level"))
    still, moved = (rail_forecast(seats, np.zeros((n, 6)), f, asked, exact_cast(seats)) for f in (quiet, loud))
    np.testing.assert_allclose(moved.limits[0].sigma, still.limits[0].sigma, rtol=1e-6)
    np.testing.assert_allclose(moved.limits[1].sigma, np.hypot(still.limits[1].sigma, 8e-4), rtol=1e-9)


def test_uncertainty_in_a_band_against_the_filter_itself() -> None:
    """The filter on every column of the square root of the dense covariance, casting and poses together."""
    n, scatter = 30, 1.5e-4
    rng = np.random.default_rng(13)
    seats, fits = straight_seats(n), fits_of(n, rng)
    found = rail_forecast(
        seats, np.zeros((n, 6)), fits, rules(limit("level", band="D1"), limit("line", band="D1"), cast_sigma=scatter)
    )  # fmt: skip
    root = np.linalg.cholesky(dense_covariance(fits) + 1e-18 * np.eye(6 * n))
    rows = carried(seats, n)
    for told, channels in zip(found.limits, ([2, 3], [0, 1]), strict=True):
        columns = np.concatenate([
            np.einsum("scp,pq->scq", rows[:, channels], root),
            np.repeat(scatter * np.eye(len(seats.slab))[:, None], 2, axis=1),
        ], axis=2)  # fmt: skip
        passed = band_pass(seats.station, columns, *BANDS["D1", "level"]).value
        expected = np.sqrt((passed**2).sum(axis=2))
        answered = np.isfinite(expected[:, 0])
        assert answered.sum() > 100
        np.testing.assert_array_equal(np.isfinite(told.sigma[:, 0]), answered)
        ratio = told.sigma[answered] / expected[answered]
        # never much too small; a little too large, as the larger one of two places around is taken
        assert ratio.min() > 0.9
        assert np.median(ratio) == pytest.approx(1.0, abs=0.05)
        assert ratio.max() < 1.5


def test_bands_in_pieces_are_bands_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A long line is worked through in pieces so that memory stays small."""
    n = 60
    seats, fits = straight_seats(n), fits_of(n, np.random.default_rng(15))
    pose = np.random.default_rng(16).normal(size=(n, 6)) * 1e-4
    doubtful = np.arange(n) == 31
    asked = rules(limit("level", band="D1"), limit("line", band="D2"), cast_sigma=1e-4)
    whole = rail_forecast(seats, pose, fits, asked, None, doubtful)
    monkeypatch.setattr("geometry.placement.rail.forecast._MOST_WEIGHTS", 3000)
    pieces = rail_forecast(seats, pose, fits, asked, None, doubtful)
    for one_way, other in zip(whole.limits, pieces.limits, strict=True):
        np.testing.assert_array_equal(one_way.verdict, other.verdict)
        np.testing.assert_allclose(one_way.sigma, other.sigma, rtol=1e-12)
    assert {WITHIN, UNDECIDED, NO_ROOM} <= set(whole.limits[0].verdict.ravel().tolist())


def test_a_slab_without_a_pose_leaves_what_reaches_it_unmeasured() -> None:
    n = 16
    seats = straight_seats(n)
    pose = np.zeros((n, 6))
    pose[9] = np.nan
    found = rail_forecast(
        seats, pose, None, rules(limit("level", chord=SYMMETRIC), limit("line"), limit("twist", base=3.0)),
        exact_cast(seats),
    )  # fmt: skip
    chord, line, twist = found.limits
    station = seats.station
    gone = seats.slab == 9
    reached = chord_rows(station, SYMMETRIC)
    blind = (abs(reached.rows) @ gone.astype(float)) > 0
    expected = np.full(len(station), NO_ROOM)
    expected[reached.place] = np.where(blind, NOT_MEASURED, WITHIN)
    np.testing.assert_array_equal(chord.verdict[:, 0], expected)
    np.testing.assert_array_equal(chord.verdict[:, 1], expected)
    assert 8 < blind.sum() < 30
    np.testing.assert_array_equal(line.verdict[:, 0], np.where(gone, NOT_MEASURED, WITHIN))
    assert (twist.verdict[gone] == NOT_MEASURED).all()
    assert np.isnan(chord.value[(expected == NOT_MEASURED) | (expected == NO_ROOM)]).all()
    assert (found.verdict[gone] == NOT_MEASURED).all()


def test_near_the_ends_there_is_no_verdict() -> None:
    seats = straight_seats(16)
    found = one(rail_forecast(seats, np.zeros((16, 6)), None, rules(limit("line", chord=SKEW)), exact_cast(seats)))
    room = (seats.station - 2.0 >= seats.station[0]) & (seats.station + 8.0 <= seats.station[-1])
    np.testing.assert_array_equal(found.verdict[:, 0], np.where(room, WITHIN, NO_ROOM))
    band = one(rail_forecast(seats, np.zeros((16, 6)), None, rules(limit("line", band="D2")), exact_cast(seats)))
    assert (band.verdict == NO_ROOM).all()  # 84 m of rail, 104 m asked for to either side


def test_bands_tell_no_room_from_not_measured() -> None:
    n = 40
    seats = straight_seats(n)
    pose = np.zeros((n, 6))
    pose[20] = np.nan
    found = one(rail_forecast(seats, pose, None, rules(limit("level", band="D1")), exact_cast(seats)))
    station, far = seats.station, reach(*BANDS["D1", "level"])
    gap = station[seats.slab == 20]
    room = (station - station[0] >= far) & (station[-1] - station >= far)
    near = (station > station[seats.slab == 19][-1] - far) & (station < station[seats.slab == 21][0] + far)
    expected = np.where(~room, NO_ROOM, np.where(near, NOT_MEASURED, WITHIN))
    np.testing.assert_array_equal(found.verdict[:, 0], expected)
    assert (expected == WITHIN).sum() > 50
    assert near[(station > gap[0]) & (station < gap[-1])].all()


def test_what_hangs_on_a_doubtful_slab_is_undecided() -> None:
    n = 16
    seats = straight_seats(n)
    pose = np.zeros((n, 6))
    pose[4, 2] = pose[11, 2] = 8e-3  # high enough to be out
    doubtful = np.arange(n) == 11
    found = one(rail_forecast(
        seats, pose, None, rules(limit("level", chord=SYMMETRIC)), exact_cast(seats), doubtful
    ))  # fmt: skip
    laid = chord_rows(seats.station, SYMMETRIC)
    part = (abs(laid.rows) @ doubtful[seats.slab].astype(float)) / abs(laid.rows).sum(axis=1)
    hangs = np.zeros(len(seats.slab), dtype=bool)
    hangs[laid.place] = part > 0.01
    assert (found.verdict[hangs] == UNDECIDED).all()
    others = found.verdict[laid.place[part == 0.0]]
    assert set(others.ravel().tolist()) == {WITHIN, OUT}
    assert (found.verdict[(seats.slab == 4)] == OUT).any()


def test_guard_band_decides() -> None:
    """JCGM 106: with u = 0.2 mm and factor 2 a limit of 1 mm accepts up to 0.6 mm, and 1.4 mm proves out."""
    seats = straight_seats(5)
    level = np.array([0.59e-3, 0.61e-3, -1.39e-3, 1.41e-3, -0.6e-3])
    pose = np.zeros((5, 6))
    pose[:, 2] = level
    found = one(rail_forecast(seats, pose, None, rules(limit("level", 1.0), cast_sigma=2e-4)))
    expected = np.array([WITHIN, UNDECIDED, UNDECIDED, OUT, WITHIN])[seats.slab]
    np.testing.assert_array_equal(found.verdict[:, 0], expected)


def test_a_limit_without_a_limit_is_told_and_not_judged() -> None:
    seats = straight_seats(12)
    pose = np.zeros((12, 6))
    pose[3] = np.nan
    free = RailLimit("level", -np.inf, np.inf, "asked for", SYMMETRIC)
    found = one(rail_forecast(seats, pose, None, rules(free), exact_cast(seats)))
    assert set(found.verdict.ravel().tolist()) == {NO_LIMIT, NO_ROOM, NOT_MEASURED}
    assert RAIL_VERDICTS[NO_ROOM] == "no room"


def test_the_verdict_on_a_seat_is_its_worst() -> None:
    seats = straight_seats(12)
    pose = np.zeros((12, 6))
    pose[5, 2] = 3e-3
    pose[8] = np.nan
    found = rail_forecast(seats, pose, None, rules(limit("level", 1.0), limit("line", 1.0)), exact_cast(seats))
    np.testing.assert_array_equal(
        found.verdict, np.where(seats.slab == 5, OUT, np.where(seats.slab == 8, NOT_MEASURED, WITHIN))
    )
    nothing = rail_forecast(seats, pose, None, rules(), exact_cast(seats))
    assert (nothing.verdict == NO_ROOM).all()
    assert nothing.limits == ()


def test_a_repeating_error_of_one_slab_pitch_is_seen_by_the_skew_chord_only() -> None:
    """Every slab tilted alike, front end up: the 10 m chord, two pitches of 5 m, does not see it (closed form: 0)."""
    n = 30
    along = np.tile(PLACES[1:-1], n)
    slab = np.repeat(np.arange(n), 6)
    places = np.stack(np.broadcast_arrays(np.array([-BASE / 2, BASE / 2]), along[:, None], HEIGHT), axis=-1)
    station = along + 5.0 * slab
    rows, number = movement_rows(places)[:, :, [0, 2]], np.tile(np.arange(6) + 1, n)
    seats = RailSeats(slab, station, np.zeros((len(slab), 2, 2)), rows, station, number)
    pose = np.zeros((n, 6))
    pose[:, 3] = 1e-3
    found = rail_forecast(
        seats, pose, None, rules(limit("level", chord=SYMMETRIC), limit("level", chord=SKEW)), exact_cast(seats)
    )  # fmt: skip
    symmetric, skew = (np.nanmax(np.abs(told.value)) for told in found.limits)
    assert symmetric < UM / 1e3
    assert skew > 1e-3


def test_variances_of_no_rows_and_without_set_ups() -> None:
    seats, fits = straight_seats(8), fits_of(8, np.random.default_rng(14))
    spread = pose_spread(seats, replace(fits, common=np.zeros((8, 6, 0)), setup=np.zeros((8, 0), dtype=np.intp)))
    none = chord_rows(seats.station, Chord(400.0, 400.0))
    assert variance_of_rows(none.rows, seats, spread).shape == (4, 0)
    alone = chord_rows(seats.station, SYMMETRIC)
    rows = carried(seats, 8)
    block = np.zeros((48, 48))
    for slab in range(8):
        block[6 * slab : 6 * slab + 6, 6 * slab : 6 * slab + 6] = fits.covariance[slab]
    moved = np.einsum("ks,scp->kcp", alone.rows.toarray(), rows[:, [0, 2, 3, 4]])
    expected = np.einsum("kcp,pq,kcq->ck", moved, block, moved)
    np.testing.assert_allclose(variance_of_rows(alone.rows, seats, spread), expected, rtol=1e-9)
