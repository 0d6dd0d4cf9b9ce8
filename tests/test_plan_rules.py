"""Rules of a plan: what rows foretell is what a second survey finds, and uncertainties are those of the check."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated_section import LIMITS, MM, RULES, Section, checked, section, uneven_type

from geometry.placement import SectionCheck
from geometry.placement.mortar.gap import GapPlaces
from geometry.placement.plan.planning import standing_of
from geometry.placement.plan.problem import broken_rules, sigma_after
from geometry.placement.plan.rail_rules import CarriedRail
from geometry.placement.plan.rule_table import KINDS, RuleTable
from geometry.placement.plan.rules import MortarRules, row_sigma, section_rules, slab_rows
from geometry.placement.plan.section_plan import DONE, DOUBTFUL, FIXED, FREE, HELD, OUTSIDE, UNKNOWN
from geometry.placement.plan.turns import drives
from geometry.placement.rail.chords import Chord
from geometry.placement.rail.forecast import RailLimit, rail_forecast
from geometry.placement.rail.forecast import RailRules as ForecastRules
from geometry.placement.rail.seats import CastSeats, rail_seats

UM = 1e-6
ROUGH = np.array([1.2, 2.0, 0.8, 0.4, 0.5, 0.4]) * MM
RAIL_LIMITS = (
    RailLimit("level", -2 * MM, 2 * MM, "test", Chord(5.0, 5.0)),
    RailLimit("line", -2 * MM, 2 * MM, "test", Chord(2.0, 8.0)),
    RailLimit("level", -2 * MM, 2 * MM, "test", Chord(8.0, 12.0, 5.0)),
)


@pytest.fixture(scope="module")
def where() -> Section:
    return section(7, uneven_type())


def carried(where: Section, seed: int = 3) -> tuple[CarriedRail, CastSeats]:
    seats = rail_seats(where.alignment, where.targets, where.types, where.layout)
    rng = np.random.default_rng(seed)
    cast = CastSeats(rng.normal(size=(len(seats.slab), 2, 2)) * 0.3 * MM, np.full((len(seats.slab), 2, 2), 0.05 * MM))
    return CarriedRail(seats, cast.offset, cast.sigma**2, RAIL_LIMITS), cast


def table_of(where: Section, check: SectionCheck, **more: object) -> RuleTable:
    known = np.ones(where.size, dtype=bool)
    kept, left = section_rules(check, where.types, where.kinds, LIMITS, RULES.rail_apart, known, **more)  # type: ignore[arg-type]
    assert not len(left)
    return kept


def test_rows_foretell_what_a_second_survey_finds(where: Section) -> None:
    """Against the check itself, of slabs that were moved in the survey by scipy's rotations."""
    rng = np.random.default_rng(1)
    pose = rng.normal(size=(where.size, 6)) * ROUGH
    move = rng.normal(size=(where.size, 6)) * ROUGH
    rail, _ = carried(where)
    before, after = (table_of(where, checked(where, p), rail=rail) for p in (pose, pose + move))
    assert {KINDS[k] for k in before.kind} == {*(t.quantity for t in LIMITS), "rail_level", "rail_line"}
    assert (before.kind == after.kind).all()
    foretold = before.value + before.rows @ move.ravel()
    # rotations of a milliradian do not add up to their sum: 2 um over 2 m
    assert np.abs(foretold - after.value).max() < 6 * UM
    assert np.abs(after.value - before.value).max() > 1 * MM


def test_values_and_uncertainties_are_those_of_the_check(where: Section) -> None:
    check = checked(where, np.random.default_rng(2).normal(size=(where.size, 6)) * ROUGH, setups=3)
    table = table_of(where, check)
    kinds = {kind: table.picked(table.kind == KINDS.index(kind)) for kind in KINDS}
    for axis, quantity in ((0, "across"), (1, "along"), (2, "up")):
        rules = kinds[quantity]
        there = rules.rear, rules.place, np.full(len(rules), axis)
        assert np.array_equal(rules.value, check.deviation[there])
        assert np.abs(rules.sigma - check.deviation_sigma[there]).max() < 1e-12
    joint = {int(rear): i for i, rear in enumerate(check.joints.rear)}
    for quantity in ("step_level", "step_line", "gap"):
        rules = kinds[quantity]
        at = [joint[int(rear)] for rear in rules.rear], rules.place
        assert np.array_equal(rules.value, getattr(check.joints, quantity)[at])
        # slabs of one set-up share what is wrong with its place; the check subtracts it in another way
        assert np.abs(rules.sigma - getattr(check.joints, f"{quantity}_sigma")[at]).max() < 1e-11
    wedge = kinds["gap_difference"]
    assert np.abs(wedge.sigma - check.joints.wedge_sigma[[joint[int(r)] for r in wedge.rear]]).max() < 1e-11
    assert (wedge.front == wedge.rear + 1).all()


def test_what_one_set_up_does_to_all_slabs_drops_out_of_steps(where: Section) -> None:
    pose = np.zeros((where.size, 6))
    apart, together = (table_of(where, checked(where, pose, setups=per)) for per in (1, where.size))
    step, up = (apart.kind == KINDS.index(kind) for kind in ("step_level", "up"))
    assert (together.sigma[step] < 0.5 * apart.sigma[step]).all()
    assert np.allclose(together.sigma[up], apart.sigma[up], rtol=0, atol=1e-12)


def test_chords_are_those_of_the_forecast(where: Section) -> None:
    check = checked(where, np.random.default_rng(4).normal(size=(where.size, 6)) * ROUGH)
    rail, cast = carried(where)
    table = table_of(where, check, rail=rail)
    forecast = rail_forecast(rail.seats, check.pose, check.fits, ForecastRules(RAIL_LIMITS, 2.0, 0.2 * MM), cast)
    seen = 0
    for number, limit in enumerate(forecast.limits):
        rules = table.picked(table.limit == number)
        seat, side = np.divmod(rules.place, 2)
        assert np.abs(rules.value - limit.value[seat, side]).max() < 1e-12
        assert np.abs(rules.sigma - limit.sigma[seat, side]).max() < 1e-12
        assert len(rules) == np.isfinite(limit.value).sum()
        seen += len(rules)
    assert seen == (table.limit >= 0).sum() > 100


def test_mortar_gaps_follow_the_slab(where: Section) -> None:
    check = checked(where, np.zeros((where.size, 6)))
    places = GapPlaces(
        np.array([2, 2, 5]), np.array([[1.0, 2.0], [-1.0, 2.0], [0.0, 0.0]]), np.array([0.050, 0.039, 0.08]),
        np.full(3, 0.4 * MM), np.full(3, 0.3 * MM),
    )  # fmt: skip
    table = table_of(where, check, mortar=MortarRules(places, 0.04, 0.075))
    rules = table.picked(table.kind == KINDS.index("mortar_gap"))
    assert rules.value.tolist() == [0.050, 0.039, 0.08]
    assert rules.sigma.tolist() == [0.4 * MM] * 3  # holds the pose's already
    move = np.zeros((where.size, 6))
    move[2] = (0, 0, 1 * MM, 0.1 * MM, 0.2 * MM, 0)
    # up, forward end up, left side up: in front on the right 1 + 2 x 0.1 - 1 x 0.2 mm
    assert np.allclose(rules.rows @ move.ravel() / MM, [1.0, 1.4, 0.0], rtol=0, atol=1e-9)
    broken = broken_rules(rules, rules.value, rules.sigma, 2.0, np.zeros(3, dtype=bool))
    assert broken.tolist() == [False, True, True]


def test_rules_on_a_slab_that_is_not_known_are_left_out(where: Section) -> None:
    check = checked(where, np.zeros((where.size, 6)), missing=(3,))
    known = np.arange(where.size) != 3
    rail, _ = carried(where)
    kept, left = section_rules(check, where.types, where.kinds, LIMITS, RULES.rail_apart, known, rail)
    touches = np.abs(left.rows[:, 18:24]).sum(axis=1) > 0
    assert touches.all()
    assert np.isnan(left.value).all()
    assert np.isfinite(kept.value).all()
    assert np.isfinite(kept.sigma).all()
    assert not (np.abs(kept.rows[:, 18:24]).sum(axis=1) > 0).any()
    # 5 marks by 3 quantities, 2 joints by 2 + 2 + 2 + 1, and chords
    assert (left.limit < 0).sum() == 15 + 14
    assert (left.limit >= 0).sum() > 0


def test_a_mortar_gap_without_uncertainty_is_left_out(where: Section) -> None:
    check = checked(where, np.zeros((where.size, 6)))
    places = GapPlaces(np.array([2]), np.array([[1.0, 2.0]]), np.array([0.05]), np.array([np.nan]), np.array([np.nan]))
    kept, left = section_rules(
        check, where.types, where.kinds, LIMITS, RULES.rail_apart, np.ones(where.size, dtype=bool), None,
        MortarRules(places, 0.04, 0.075),
    )  # fmt: skip
    assert (kept.kind != KINDS.index("mortar_gap")).all()
    assert left.kind.tolist() == [KINDS.index("mortar_gap")]


def test_turning_adds_to_the_uncertainty_of_a_slab_and_its_joints(where: Section) -> None:
    check = checked(where, np.zeros((where.size, 6)))
    table = table_of(where, check)
    drive = drives(where.types, 1 / 16, 0.15 * MM)
    touched = np.arange(where.size) == 2
    after = sigma_after(table, drive, where.kinds, touched)
    mine = (table.rear == 2) | (table.front == 2)
    along = np.isin(table.kind, [KINDS.index("along"), KINDS.index("gap")])
    assert (after[mine & ~along] > table.sigma[mine & ~along]).all()
    assert np.allclose(after[~mine], table.sigma[~mine], rtol=0, atol=1e-15)
    # by simulation: every screw and adjuster off by its own error, the slab where it fits them best
    rng = np.random.default_rng(5)
    kind = where.types[0]
    rows = np.concatenate([
        slab_move_rows(kind.screws.places, 2), slab_move_rows(kind.adjusters.places, 0)
    ])  # fmt: skip
    free = [0, 2, 3, 4, 5]
    error = rng.normal(size=(40_000, len(rows))) * 0.15 * MM
    poses = np.zeros((len(error), 6))
    poses[:, free] = np.linalg.lstsq(rows[:, free], error.T, rcond=None)[0].T
    for rule in np.flatnonzero(mine & ~along)[::7]:
        row = table.rows[[rule]].toarray()[0][12:18]
        added = np.sqrt(after[rule] ** 2 - table.sigma[rule] ** 2)
        assert added == pytest.approx((poses @ row).std(), rel=0.02)


def slab_move_rows(places: np.ndarray, axis: int) -> np.ndarray:
    """Return how places move up (2) or across (0), written down anew."""
    x, y, z = places.T
    zero, one = np.zeros(len(places)), np.ones(len(places))
    rows = {0: [one, zero, zero, zero, z, y], 2: [zero, zero, one, y, -x, zero]}
    return np.stack(rows[axis], axis=1)


def test_sums_of_rows_are_as_uncertain_as_the_full_covariance_says(where: Section) -> None:
    """Against one matrix over all slabs, made by hand."""
    check = checked(where, np.zeros((where.size, 6)), setups=2)
    n = where.size
    fits = check.fits
    full = np.zeros((6 * n, 6 * n))
    causes = fits.common.shape[2] // fits.setup.shape[1]
    for a in range(n):
        for b in range(n):
            if a == b:
                full[6 * a : 6 * a + 6, 6 * a : 6 * a + 6] = fits.covariance[a]
            elif fits.setup[a, 0] == fits.setup[b, 0]:
                full[6 * a : 6 * a + 6, 6 * b : 6 * b + 6] = fits.common[a, :, :causes] @ fits.common[b, :, :causes].T
    rows = np.random.default_rng(6).normal(size=(20, 6 * n))
    sparse = sum((slab_rows(np.full(20, s), rows[:, 6 * s : 6 * s + 6], n) for s in range(1, n)),
                 start=slab_rows(np.zeros(20, dtype=int), rows[:, :6], n))  # fmt: skip
    sigma = row_sigma(sparse, fits, np.ones(n, dtype=bool))
    assert np.allclose(sigma, np.sqrt(np.einsum("ri,ij,rj->r", rows, full, rows)), rtol=1e-9, atol=0)


def test_who_may_be_moved(where: Section) -> None:
    n = where.size
    held = np.arange(n) == 1
    check = checked(where, np.zeros((n, 6)), held=held, missing=(2,))
    notes = check.notes.copy()
    notes[3] |= 8
    check = replace(check, notes=notes)
    one = [np.arange(n) == i for i in range(n)]
    standing = standing_of(check, fixed=one[4] | one[2], done=one[5], chosen=~one[6])
    assert standing.tolist() == [FREE, HELD, UNKNOWN, DOUBTFUL, FIXED, DONE, OUTSIDE]


def test_nan_is_broken() -> None:
    row = slab_rows(np.zeros(2, dtype=int), np.zeros((2, 6)), 1)
    ones = np.ones(2, dtype=int)
    table = RuleTable(ones, ones, ones, ones, -ones, np.zeros(2), np.zeros(2), np.full(2, -1.0), np.full(2, 1.0), row)
    nothing = np.zeros(2, dtype=bool)
    assert broken_rules(table, np.array([np.nan, 0.5]), np.zeros(2), 2.0, nothing).tolist() == [True, False]
    assert broken_rules(table, np.zeros(2), np.array([np.nan, 0.1]), 2.0, nothing).tolist() == [True, False]
