"""What a planned set-up will be worth: against published numbers, hand calculation, and set-ups made and solved."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from project_copies import copy_of_demo, run
from reference import load
from scipy import stats
from test_cli import UNITS, on_terminal

from geometry.alignment import evaluate
from geometry.alignment import project as project_points
from geometry.alignment.frames import from_grid, to_grid
from geometry.errors import Faults
from geometry.exchange.control_files import beside_line, read_control, read_places
from geometry.exchange.project import Project, open_project
from geometry.exchange.prospect_tables import line_of
from geometry.placement import JOINT_QUANTITIES, Tolerance, check_section, decide
from geometry.placement.deviation import deviation_at
from geometry.placement.expected_setup import SightPlan, expected_setups, planned_sights, within_range
from geometry.placement.joints import joints
from geometry.placement.prospect import (
    DECIDABLE,
    NARROW,
    NONE,
    UNDECIDABLE,
    Outlook,
    Prospect,
    outlook,
    prospect,
)
from geometry.placement.prospect_findings import ProspectFinding, prospect_findings, ranges
from geometry.placement.verdict import WITHIN
from geometry.slabs import Targets, padded_marks
from geometry.survey import SurveyPoints, fit_slabs
from geometry.survey.polar_uncertainty import Stands, points_seen
from geometry.survey.readings import Control, Instrument, Sights
from geometry.survey.setup import FreeSetup, free_setup

Floats = npt.NDArray[np.float64]
MM, SECOND, GON = 1e-3, math.radians(1 / 3600), math.pi / 200
PURE = {"ppm": 0.0, "centring": 0.0, "target_height": 0.0}
INSTRUMENT = Instrument()


# -- a project with control points ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    return open_project(copy_of_demo(tmp_path_factory.mktemp("prospect")))


def beside(project: Project, distance: object, offset: object, height: object) -> Floats:
    s, right, up = np.broadcast_arrays(*(np.atleast_1d(np.asarray(v, dtype=float)) for v in (distance, offset, height)))
    return beside_line(project.alignment, s, right, up)


def pairs(project: Project, sigma: tuple[float, float, float] = (0.5 * MM, 0.4 * MM, 0.3 * MM)) -> Control:
    """Control pairs every 50 m, the left ones a little further on, at different heights."""
    at = np.arange(15.0, 1490.0, 50.0)
    xyz = np.concatenate([beside(project, at + 3.0, -4.6, 0.9), beside(project, at, 5.1, 1.3)])
    names = [f"{side}{i:02d}" for side in "LR" for i in range(len(at))]
    return Control(names, xyz, np.tile(sigma, (len(names), 1)))


def foresee(
    project: Project, position: Floats, control: Control, plan: SightPlan, room: float = 0.5,
    sighted: npt.NDArray[np.bool_] | None = None,
) -> Prospect:  # fmt: skip
    some = within_range(position, control, plan) if sighted is None else sighted
    return prospect(position, control, some, line_of(project), project.check_rules, plan, room)


def findings(
    project: Project, seen: Prospect, control: Control, plan: SightPlan, setup: int = 0
) -> dict[str, ProspectFinding]:
    told = prospect_findings(seen, control, project.layout.names, project.check_rules, plan)
    return {f.kind: f for f in told if f.setup == setup}


# -- the expected set-up -------------------------------------------------------------------------------------


def test_a_published_free_station_before_it_was_measured() -> None:
    """E. Baumann 1995: its sigmas, less the factor s0 that only measuring tells, follow from the plan alone."""
    table = load("free_station")
    names = list(table["known_points_m"])
    known = np.array([table["known_points_m"][n] for n in names])
    prisms = known + np.array([[0, 0, table["target_height_m"][n]] for n in names])
    axis = np.array(table["published"]["position_m"]) + np.array([0, 0, table["instrument_height_m"]])
    instrument = Instrument(
        table["sigma_direction_gon"] * GON, table["sigma_zenith_gon"] * GON, table["sigma_distance_m"], **PURE
    )
    plan = SightPlan(instrument, refraction=1.0)
    control = Control(names, prisms, np.zeros((3, 3)))
    answer = expected_setups(axis[None], control, np.ones((1, 3), dtype=bool), plan)
    recomputed = table["recomputed"]
    np.testing.assert_allclose(
        answer.sigma[0, :3] * recomputed["s0"] * 1e3, table["published"]["sigma_mm"], rtol=0, atol=6e-3
    )
    assert answer.freedom.tolist() == [recomputed["freedom"]]
    column = {"direction": 0, "zenith": 1, "distance": 2}
    for row in recomputed["residuals"]:
        redundancy = answer.redundancy[names.index(row["target"]), column[row["kind"]]]
        assert redundancy == pytest.approx(row["redundancy"], abs=6e-4, rel=0)


@pytest.mark.parametrize(("plan_mm", "level_mm"), [(0.0, 0.0), (0.6, 0.3)])
def test_a_square_of_control_points_by_hand(plan_mm: float, level_mm: float) -> None:
    """Two points tell easting by direction and two by distance; the orientation is the mean of four."""
    d, a, z, b = 40.0, 1.5 * SECOND, 1.2 * SECOND, 0.8 * MM
    square = np.array([[d, 0, 0], [0, d, 0], [-d, 0, 0], [0, -d, 0]]) + np.array([5000.0, 7000.0, 90.0])
    sigma = np.tile([plan_mm * MM, plan_mm * MM, level_mm * MM], (4, 1))
    plan = SightPlan(Instrument(a, z, b, **PURE), rounds=2.0, refraction=1.0)
    one = expected_setups(
        np.array([[5000.0, 7000.0, 90.0]]), Control("abcd", square, sigma), np.ones((1, 4), dtype=bool), plan
    )
    across, along = a**2 / 2 + (plan_mm * MM / d) ** 2, b**2 / 2 + (plan_mm * MM) ** 2
    plane = 1 / (2 / (d**2 * across) + 2 / along)
    level = (d**2 * z**2 / 2 + (level_mm * MM) ** 2) / 4
    np.testing.assert_allclose(one.covariance[0], np.diag([plane, plane, level, across / 4]), rtol=0, atol=1e-15)
    major, minor, _ = one.ellipses()
    assert [major[0], minor[0]] == pytest.approx([math.sqrt(plane)] * 2, rel=1e-6)
    assert one.spread[0] == pytest.approx(1.5 * math.pi, abs=1e-12)


def test_the_ellipse_lies_across_a_narrow_sector() -> None:
    """Two points straight ahead, sharp distances and poor directions: the long axis is square to the sight."""
    bearing = math.radians(25.0)
    ahead = np.array([math.sin(bearing), math.cos(bearing), 0.0])
    side = np.array([math.cos(bearing), -math.sin(bearing), 0.0])
    control = Control("ab", np.stack([50 * ahead - 2 * side, 50 * ahead + 2 * side]), np.zeros((2, 3)))
    plan = SightPlan(Instrument(3 * SECOND, 3 * SECOND, 0.3 * MM, **PURE))
    one = expected_setups(np.zeros((1, 3)), control, np.ones((1, 2), dtype=bool), plan)
    major, minor, axis = (float(v[0]) for v in one.ellipses())
    assert major > 5 * minor
    assert math.degrees(axis) == pytest.approx(115.0, abs=1e-6)
    assert one.spread[0] == pytest.approx(2 * math.atan(2 / 50), abs=1e-9)


def test_the_angles_of_a_published_design_match_its_distances() -> None:
    """Sensors 2012: direction, zenith angle and distance are each good for 0.9 mm there; the table's last digits."""
    table = load("precision_design")
    for s, hz, z, a, b, c in zip(*(table[k] for k in (
        "slope_distance_m", "direction_deg", "zenith_deg", "sigma_direction_arcsec", "sigma_zenith_arcsec",
        "sigma_distance_mm")), strict=True):  # fmt: skip
        sight = Sights.of([0], [math.radians(hz)], [math.radians(z)], [float(s)])
        stand = Stands(np.zeros((1, 3)), np.zeros(1), np.zeros((1, 4, 4)))
        own = points_seen(stand, sight, Instrument(a * SECOND, b * SECOND, c * MM, **PURE)).own[0]
        np.testing.assert_allclose(np.sqrt(np.linalg.eigvalsh(own)) * 1e3, c, rtol=0, atol=0.05)


def test_one_second_at_sixty_metres() -> None:
    """0.29 mm (common practice; 60 m times 4.848e-6), across by the direction, up by the zenith angle."""
    stand = Stands(np.zeros((1, 3)), np.zeros(1), np.zeros((1, 4, 4)))
    sight = Sights.of([0], [0.3], [math.pi / 2], [60.0])
    own = points_seen(stand, sight, Instrument(SECOND, SECOND / 2, 1 * MM, **PURE)).own[0]
    ahead, right = np.array([math.sin(0.3), math.cos(0.3), 0]), np.array([math.cos(0.3), -math.sin(0.3), 0])
    assert math.sqrt(right @ own @ right) * 1e3 == pytest.approx(0.291, abs=5e-4)
    assert math.sqrt(own[2, 2]) * 1e3 == pytest.approx(0.145, abs=5e-4)
    assert math.sqrt(ahead @ own @ ahead) == pytest.approx(1 * MM, rel=1e-6)


def polar(direction: Floats, zenith: Floats, distance: Floats, stand: Floats, scale: float) -> Floats:
    """Points by plain trigonometry, without curvature and refraction."""
    plan = distance * np.sin(zenith) * scale
    bearing = direction + stand[3]
    return stand[:3] + np.stack([plan * np.sin(bearing), plan * np.cos(bearing), distance * np.cos(zenith)], axis=-1)


def test_own_and_common_parts_are_what_small_changes_do() -> None:
    rng = np.random.default_rng(11)
    n, scale = 7, 0.9996
    read = np.stack([rng.uniform(0, 6, n), rng.uniform(1.2, 2.0, n), rng.uniform(8, 70, n)])
    stand = np.array([120.0, -40.0, 9.0, 0.7])
    root = rng.normal(size=(4, 4)) * [[1e-3], [1e-3], [1e-3], [1e-5]]
    answer = points_seen(
        Stands(stand[None, :3], stand[3:], (root @ root.T)[None]), Sights.of(np.arange(n), *read), INSTRUMENT,
        refraction=1.0, grid_scale=scale,
    )  # fmt: skip
    np.testing.assert_allclose(answer.xyz, polar(*read, stand, scale), rtol=0, atol=1e-10)
    sigmas, step = INSTRUMENT.sigmas(read[2], read[1]), 1e-6
    own = np.zeros((n, 3, 3))
    for i in range(3):
        lift = np.where(np.arange(3) == i, step, 0.0)[:, None]
        by = (polar(*(read + lift), stand, scale) - polar(*(read - lift), stand, scale)) / (2 * step)
        own += np.einsum("na,nb->nab", by, by) * sigmas[i][:, None, None] ** 2
    np.testing.assert_allclose(answer.own, own, rtol=0, atol=1e-13)
    by_stand = np.stack([
        (polar(*read, stand + lift, scale) - polar(*read, stand - lift, scale)) / (2 * step)
        for lift in np.eye(4) * step
    ], axis=-1)  # fmt: skip
    np.testing.assert_allclose(
        answer.common @ np.swapaxes(answer.common, 1, 2), by_stand @ root @ root.T @ np.swapaxes(by_stand, 1, 2),
        rtol=0, atol=1e-12,
    )  # fmt: skip
    np.testing.assert_allclose(
        answer.covariance, answer.own + answer.common @ np.swapaxes(answer.common, 1, 2), rtol=0, atol=0
    )


# -- against set-ups that are made and solved ----------------------------------------------------------------


PLAN = SightPlan(Instrument(1.2 * SECOND, 0.9 * SECOND, 0.8 * MM), rounds=2.0, mark_rounds=1.5)


def solved(
    project: Project, axis: Floats, control: Control, plan: SightPlan, errors: Floats, shift: Floats
) -> FreeSetup:
    """Solve a set-up of sights to all control points, the points `shift` from the list, readings off by `errors`."""
    scale = project.alignment.rules.grid_scale
    index = np.arange(len(control))
    aim = planned_sights(control.xyz + shift - axis, plan.rounds, np.zeros_like(index), index, plan.refraction, scale)
    read = replace(
        aim, direction=aim.direction + errors[0], zenith=aim.zenith + errors[1], distance=aim.distance + errors[2]
    )
    return free_setup(read, control, plan.instrument, refraction=plan.refraction, grid_scale=scale)


def some_of(control: Control, which: npt.NDArray[np.bool_]) -> Control:
    rows = np.flatnonzero(which)
    return Control([control.names[i] for i in rows], control.xyz[rows], control.sigma[rows])


@pytest.fixture(scope="module")
def one_place(project: Project) -> tuple[Floats, Control, Prospect]:
    axis = beside(project, 330.0, 2.3, 1.45)
    every = pairs(project)
    control = some_of(every, within_range(axis, every, PLAN)[0])
    assert len(control) == 6
    return axis[0], control, foresee(project, axis, control, PLAN)


def test_redundancy_and_least_errors_are_those_of_the_solver(
    project: Project, one_place: tuple[Floats, Control, Prospect]
) -> None:
    axis, control, seen = one_place
    setup = solved(project, axis, control, PLAN, np.zeros((3, 1)), np.zeros(3))
    np.testing.assert_allclose(seen.setups.covariance[0], setup.covariance, rtol=1e-6, atol=0)
    assert seen.setups.freedom[0] == setup.freedom == 3 * 6 - 4
    rows = setup.rows
    for kind, table, column in (
        ("direction", seen.setups.smallest_reading, 0), ("zenith angle", seen.setups.smallest_reading, 1),
        ("distance", seen.setups.smallest_reading, 2), ("easting", seen.setups.smallest_point, 0),
        ("northing", seen.setups.smallest_point, 1), ("level", seen.setups.smallest_point, 2),
    ):  # fmt: skip
        mine = np.array([k == kind for k in rows.kind])
        at = rows.target[mine]
        np.testing.assert_allclose(table[at, column], rows.smallest_found[mine], rtol=1e-6, atol=0)
        if table is seen.setups.smallest_reading:
            np.testing.assert_allclose(seen.setups.redundancy[at, column], rows.redundancy[mine], rtol=0, atol=1e-8)
    # of 18 readings 4 are needed; an error of a sight shows the more the less the unknowns lean on it
    assert 0.3 < seen.setups.checked.min() < seen.setups.checked.max() < 1
    assert (seen.setups.checked > seen.setups.redundancy).all()


def test_an_error_that_is_not_found_shifts_slabs_as_foretold(
    project: Project, one_place: tuple[Floats, Control, Prospect]
) -> None:
    """A tenth of the smallest error that is found, put into the list, moves the solution by a tenth."""
    axis, control, seen = one_place
    right = solved(project, axis, control, PLAN, np.zeros((3, 1)), np.zeros(3))
    targets, part = project.targets, 0.1
    views = seen.slab
    delta = targets.position[views] - axis
    for point in range(len(control)):
        shifts = []
        for coordinate in range(3):
            size = part * seen.setups.smallest_point[point, coordinate]
            wrong = control.xyz.copy()
            wrong[point, coordinate] += size
            listed = Control(control.names, wrong, control.sigma)
            off = np.where(np.arange(len(control))[:, None] == point, np.eye(3)[coordinate] * -size, 0.0)
            answer = solved(project, axis, listed, PLAN, np.zeros((3, 1)), off)
            assert answer.sound
            moved = answer.position - right.position
            turn = (answer.orientation - right.orientation + math.pi) % (2 * math.pi) - math.pi
            grid = moved + turn * np.stack([delta[:, 1], -delta[:, 0], np.zeros(len(delta))], axis=1)
            shifts.append(np.abs(np.einsum("vji,vj->vi", targets.rotation[views], grid)).max(axis=0) / part)
        np.testing.assert_allclose(seen.influence[point], np.max(shifts, axis=0), rtol=0.01, atol=0.01 * MM)


def test_made_set_ups_scatter_as_expected(project: Project, one_place: tuple[Floats, Control, Prospect]) -> None:
    """800 set-ups with noise, solved, two slabs measured from each and fitted: set-up, corners, joint as foretold."""
    axis, control, seen = one_place
    rng = np.random.default_rng(20310521)
    count, k = 800, len(control)
    scale, rules = project.alignment.rules.grid_scale, project.check_rules
    aim = seen.setups.aim
    sigmas = np.stack(PLAN.instrument.sigmas(aim.distance, aim.zenith, aim.repeats))
    view = int(np.flatnonzero(seen.slab == seen.slab[seen.joints.rear[3]])[0])
    assert seen.slab[view + 1] == seen.slab[view] + 1
    slabs = seen.slab[[view, view + 1]]
    types, kinds = project.types, project.layout.type_index[slabs]
    targets = Targets(**{n: getattr(project.targets, n)[slabs] for n in Targets.__dataclass_fields__})
    places = padded_marks(types)
    marks = to_grid(targets.position, targets.rotation, places[kinds], scale)
    m = marks.shape[1]
    sight = planned_sights(
        (marks - axis).reshape(-1, 3), PLAN.mark_rounds, np.zeros(2 * m, int), np.arange(2 * m), PLAN.refraction, scale
    )
    mark_sigmas = np.stack(PLAN.instrument.sigmas(sight.distance, sight.zenith, sight.repeats))
    off, measured, named = np.empty((count, 4)), np.empty((count, 2, m, 3)), 0
    for i in range(count):
        true = control.sigma * rng.normal(size=(k, 3))
        setup = solved(project, axis, control, PLAN, sigmas * rng.normal(size=(3, k)), true)
        named += bool(setup.faults)
        turn = (setup.orientation + math.pi) % (2 * math.pi) - math.pi
        off[i] = [*(setup.position - axis), turn]
        noise = mark_sigmas * rng.normal(size=(3, 2 * m))
        read = replace(
            sight, direction=sight.direction + noise[0], zenith=sight.zenith + noise[1],
            distance=sight.distance + noise[2],
        )  # fmt: skip
        stand = Stands(setup.position[None], np.array([setup.orientation]), setup.covariance[None])
        points = points_seen(stand, read, PLAN.instrument, PLAN.refraction, scale)
        measured[i] = points.xyz.reshape(2, m, 3)
    assert named <= 7  # of a thousand two are to be expected

    _is_of(off, seen.setups.covariance[0])
    points = points_seen(
        Stands(axis[None], np.zeros(1), seen.setups.covariance), sight, PLAN.instrument, PLAN.refraction, scale
    )
    whole = np.zeros((6 * m, 6 * m))
    for i in range(2 * m):
        whole[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] = points.own[i]
    factor = points.common.reshape(6 * m, 4)
    _is_of((measured - marks).reshape(count, -1), whole + factor @ factor.T)

    # as the check does it: fit, deviation, joint; all made set-ups in one go
    slab_covariance = np.stack([whole[: 3 * m, : 3 * m], whole[3 * m :, 3 * m :]])
    every = np.tile([0, 1], count)
    fits = fit_slabs(
        targets.position[every], targets.rotation[every], places, kinds[every], measured.reshape(-1, m, 3),
        np.full((2 * count, m, 3), 1e-3), scale, slab_covariance[every],
    )  # fmt: skip
    many = Targets(**{n: getattr(targets, n)[every] for n in Targets.__dataclass_fields__})
    deviation = deviation_at(many, fits, places, kinds[every], scale).reshape(count, 2, m, 3)
    for i in range(2):
        _has_sigma(deviation[:, i].reshape(count, -1), seen.deviation_sigma[view + i].ravel())
    between = joints(many, fits, types, kinds[every], np.zeros(2 * count, int), rules.rail_apart, scale)
    step = between.step_level
    joint = int(np.flatnonzero(seen.joints.rear == view)[0])
    assert len(step) == count
    _has_sigma(step, seen.joints.step_level_sigma[joint])
    _has_sigma(between.step_line, seen.joints.step_line_sigma[joint])
    _has_sigma(between.gap - between.target_gap, seen.joints.gap_sigma[joint])
    # the part that both slabs share drops out of the step
    apart = np.hypot(seen.deviation_sigma[view, :, 2].max(), seen.deviation_sigma[view + 1, :, 2].max())
    assert seen.joints.step_level_sigma[joint].max() < 0.9 * apart


def test_the_check_will_state_what_was_expected(project: Project, one_place: tuple[Floats, Control, Prospect]) -> None:
    """Points with their covariance, as they come from such a set-up, through the whole check."""
    axis, _, seen = one_place
    scale, kinds = project.alignment.rules.grid_scale, project.layout.type_index[seen.slab]
    places = padded_marks(project.types)
    targets = project.targets
    marks = to_grid(targets.position[seen.slab], targets.rotation[seen.slab], places[kinds], scale).reshape(-1, 3)
    n, m = len(marks), places.shape[1]
    sight = planned_sights(
        marks - axis, PLAN.mark_rounds, np.zeros(n, int), np.arange(n), PLAN.refraction, scale
    )  # fmt: skip
    stand = Stands(axis[None], np.zeros(1), seen.setups.covariance)
    points = points_seen(stand, sight, PLAN.instrument, PLAN.refraction, scale)
    np.testing.assert_allclose(points.xyz, marks, rtol=0, atol=1e-6)
    sigma = np.sqrt(np.einsum("nii->ni", points.covariance))
    surveyed = SurveyPoints(
        points.xyz, sigma, np.repeat(seen.slab, m), np.tile(np.arange(m), len(seen.slab)), np.ones(n, int),
        np.full(n, np.datetime64("NaT", "us")), str, points.own, points.common,
    )  # fmt: skip
    layout = project.layout
    check = check_section(
        targets, project.types, layout.type_index, layout.span, layout.names.tolist(), surveyed, project.check_rules
    )
    np.testing.assert_allclose(check.deviation_sigma[seen.slab], seen.deviation_sigma, rtol=1e-6, atol=0)
    np.testing.assert_allclose(check.pose_sigma[seen.slab], seen.pose_sigma, rtol=1e-6, atol=0)
    rear = np.searchsorted(check.joints.rear, seen.slab[seen.joints.rear])
    for name in ("step_level_sigma", "step_line_sigma", "gap_sigma"):
        stated, expected = getattr(check.joints, name)[rear], getattr(seen.joints, name)
        np.testing.assert_allclose(stated, expected, rtol=1e-6, atol=0)
    for quantity, one in check.by_tolerance.items():
        joint = quantity in JOINT_QUANTITIES
        stated = one.sigma[rear] if joint else one.sigma[seen.slab]
        # on its target every slab is within, unless nothing is left
        verdict = (one.verdict[rear] if joint else one.verdict[seen.slab]) == WITHIN
        state = seen.outlooks[quantity].state
        assert (verdict | (state == NONE) == (state != UNDECIDABLE)).all()
        if quantity in ("across", "along", "up"):
            np.testing.assert_allclose(stated, seen.outlooks[quantity].sigma, rtol=1e-4, atol=0)


def _is_of(sample: Floats, covariance: Floats) -> None:
    """Assert that a sample has mean zero and this covariance, each at a level of 1 in 1000."""
    n, d = sample.shape
    whitened = np.linalg.solve(np.linalg.cholesky(covariance), sample.T).T
    low, high = stats.chi2.ppf([0.0005, 0.9995], n * d)
    assert low < (whitened**2).sum() < high
    assert n * (whitened.mean(axis=0) ** 2).sum() < stats.chi2.ppf(0.999, d)
    product = whitened.T @ whitened / math.sqrt(n)
    pairs_of = product[np.triu_indices(d, 1)]
    assert (pairs_of**2).sum() < stats.chi2.ppf(0.999, len(pairs_of))


def _has_sigma(sample: Floats, sigma: Floats) -> None:
    """Assert columns' standard deviations about zero; 1 in 10,000 for each of the few columns."""
    n = len(sample)
    ratio = (sample**2).sum(axis=0) / sigma**2
    low, high = stats.chi2.ppf([0.00005, 0.99995], n)
    assert (ratio > low).all()
    assert (ratio < high).all()


# -- what is left of a tolerance -----------------------------------------------------------------------------


def left_of(
    sigma_mm: float, low_mm: float = -1.0, high_mm: float = 1.0, guard: float = 2.0, room: float = 0.5
) -> Outlook:
    limit = Tolerance("up", low_mm * MM, high_mm * MM, "test")
    return outlook(np.array([[sigma_mm * MM]]), limit, guard, room)


def test_what_is_left_by_hand() -> None:
    """JCGM 106:2012: the guard band goes off both sides; U = 0.4 of 1 mm leaves 0.6."""
    table = load("decision_rules")["slab_height"]
    assert left_of(table["u_mm"]).left[0] / MM == pytest.approx(table["acceptance_limit_mm"], abs=1e-9)
    assert left_of(0.5).left[0] == pytest.approx(0.0, abs=1e-12)
    assert left_of(0.3).left[0] / MM == pytest.approx(0.4, abs=1e-9)
    states = {0.5: UNDECIDABLE, 0.51: UNDECIDABLE, 0.49: NARROW, 0.3: NARROW, 0.251: NARROW, 0.25: DECIDABLE,
              0.2: DECIDABLE, math.nan: UNDECIDABLE, math.inf: UNDECIDABLE}  # fmt: skip
    assert {s: int(left_of(s).state[0]) for s in states} == states
    # a gap of 60 to 100 mm: half its width is 20 mm
    assert left_of(3.0, 60.0, 100.0).left[0] / MM == pytest.approx(14.0, abs=1e-9)
    assert left_of(0.4, room=0.2).state[0] == DECIDABLE
    assert left_of(0.4, guard=0.0).left[0] == pytest.approx(1 * MM, abs=1e-12)


@pytest.mark.parametrize("sigma_mm", [0.05, 0.3, 0.49])
def test_the_verdict_agrees_with_what_was_left(sigma_mm: float) -> None:
    """A measured value is called within exactly as far as was left."""
    limit = Tolerance("up", -0.7 * MM, 1.3 * MM, "test")
    left = float(outlook(np.array([[sigma_mm * MM]]), limit, 2.0, 0.5).left[0])
    for side in (-1, 1):
        inside, outside = (0.3 * MM + side * (left + more) for more in (-1e-8, 1e-8))
        assert decide(np.array(inside), np.array(sigma_mm * MM), limit, 2.0) == WITHIN
        assert decide(np.array(outside), np.array(sigma_mm * MM), limit, 2.0) != WITHIN


def test_the_least_certain_place_decides() -> None:
    sigma = np.array([[0.1, 0.4, np.nan, 0.2], [0.6, 0.1, 0.1, 0.1], [np.nan] * 4]) * MM
    one = outlook(sigma, Tolerance("up", -MM, MM, "test"), 2.0, 0.1)
    assert one.place[:2].tolist() == [1, 0]
    assert one.state.tolist() == [DECIDABLE, UNDECIDABLE, UNDECIDABLE]
    np.testing.assert_allclose(one.left / MM, [0.2, -0.2, np.nan], rtol=0, atol=1e-9)


# -- reach, ranking ------------------------------------------------------------------------------------------


FINE = SightPlan(Instrument(0.5 * SECOND, 0.5 * SECOND, 0.6 * MM, 1.0, 0.2 * MM, 0.1 * MM))


def candidates(project: Project) -> Floats:
    return beside(project, [330.0, 412.0, 7.0, 90.0, 700.0, 1180.0], [2.3, -2.0, 1.5, 30.0, 2.0, 0.4],
                  [1.45, 1.6, 1.5, 2.0, 0.4, 1.7])  # fmt: skip


def test_the_reach_is_the_longest_row_where_all_is_decidable(project: Project) -> None:
    control, position = pairs(project, (0.4 * MM, 0.4 * MM, 0.2 * MM)), candidates(project)
    seen = foresee(project, position, control, FINE)
    line, halves = line_of(project), line_of(project).half_length
    rows_tried = set()
    for bad, reach in ((NARROW, seen.reach), (UNDECIDABLE, seen.widest_reach)):
        for c in range(len(position)):
            views = np.flatnonzero(seen.setup == c).tolist()
            best, row = 0.0, (-1, -1)
            current: list[int] = []
            for v in views:
                good = all(seen.outlooks[q].state[v] < bad for q in ("across", "along", "up"))
                joint = np.flatnonzero(seen.joints.front == v)
                broken = bool(current) and any(
                    bad <= one.state[j] < NONE
                    for q, one in seen.outlooks.items() if q not in ("across", "along", "up") for j in joint
                )  # fmt: skip
                follows = bool(current) and seen.slab[v] == seen.slab[current[-1]] + 1
                current = ([*current, v] if follows and not broken else [v]) if good else []
                if current:
                    a, b = seen.slab[current[0]], seen.slab[current[-1]]
                    length = line.distance[b] + halves[b] - line.distance[a] + halves[a]
                    if length >= best:
                        best, row = length, (current[0], current[-1])
            assert tuple(reach[c].tolist()) == row
            rows_tried.add(row[1] - row[0] + 1)
            if bad == NARROW:
                assert seen.reach_length[c] == pytest.approx(best, abs=1e-9)
    assert len(rows_tried) > 4  # rows of many lengths, and none among them


def test_candidates_rank_by_corners_then_by_the_largest_sigma(project: Project) -> None:
    control, position = pairs(project, (0.4 * MM, 0.4 * MM, 0.2 * MM)), candidates(project)
    seen = foresee(project, position, control, FINE)
    limits = {t.quantity: t for t in project.check_rules.tolerances}
    order = []
    for c in range(len(position)):
        alone = foresee(project, position[c : c + 1], control, FINE)
        # one by one as all together
        mine = seen.setup == c
        np.testing.assert_allclose(alone.deviation_sigma, seen.deviation_sigma[mine], rtol=1e-9, atol=0)
        np.testing.assert_allclose(alone.reach_length, seen.reach_length[c], rtol=0, atol=1e-9)
        np.testing.assert_allclose(alone.setups.covariance[0], seen.setups.covariance[c], rtol=1e-9, atol=0)
        assert len(alone.joints.front) == np.isin(seen.joints.front, np.flatnonzero(mine)).sum()
        good = [
            mark for row in alone.deviation_sigma for mark in row
            if all((limits[q].high - limits[q].low) / 2 - 2 * mark[i] >= (limits[q].high - limits[q].low) / 4 - 1e-9
                   for i, q in enumerate(("across", "along", "up")))
        ]  # fmt: skip
        assert len(good) == seen.marks_decidable[c]
        largest = max((max(mark) for mark in good), default=math.inf)
        if good:
            assert seen.largest_sigma[c] == largest
        order.append((-len(good), seen.largest_sigma[c], c))
    assert seen.ranking.tolist() == [c for *_, c in sorted(order)]
    assert len({a for a, *_ in order}) > 2
    backwards = foresee(project, position[::-1], control, FINE)
    assert (5 - backwards.ranking).tolist() == seen.ranking.tolist()


def test_of_equal_counts_the_smaller_sigma_is_better(project: Project) -> None:
    seen = foresee(project, candidates(project)[:3], pairs(project), FINE)
    same = replace(seen, marks_decidable=np.array([4, 8, 8]), largest_sigma=np.array([0.1, 0.3, 0.2]) * MM)
    assert same.ranking.tolist() == [2, 1, 0]


def test_slabs_out_of_reach_are_not_seen(project: Project) -> None:
    position = beside(project, 330.0, 2.3, 1.45)
    plan = replace(FINE, mark_range=(3.0, 31.0))
    seen = foresee(project, position, pairs(project), plan)
    scale = project.alignment.rules.grid_scale
    places = padded_marks(project.types)[project.layout.type_index]
    marks = to_grid(project.targets.position, project.targets.rotation, places, scale)
    away = np.linalg.norm(marks - position, axis=2).max(axis=1)
    assert seen.slab.tolist() == np.flatnonzero(away <= 31.0).tolist()
    assert seen.distance.max() <= 31.0
    assert len(seen.slab) > 8
    # where the slabs are, as their own frame has it: the face is 0.2 m below the rails, the axis 1.45 m above one
    targets = project.targets
    seen_from = from_grid(targets.position[seen.slab], targets.rotation[seen.slab], position[None], scale)
    height = seen_from[:, 0, 2] - np.array([t.marks.places[0, 2] for t in project.types])[0]
    np.testing.assert_allclose(np.sin(seen.face_angle) * seen.distance, height[:, None] + 0 * seen.distance, atol=2e-3)


def test_control_points_in_range_are_sighted(project: Project) -> None:
    control, position = pairs(project), candidates(project)
    away = np.linalg.norm(control.xyz - position[:, None], axis=2)
    # one stands 3 m from a control point
    position[1] = control.xyz[4] + [2.0, 2.2, 0.6]
    away[1] = np.linalg.norm(control.xyz - position[1], axis=1)
    chosen = within_range(position, control, replace(PLAN, control_range=(12.0, 70.0)))
    assert (chosen == ((away >= 12) & (away <= 70))).all()
    assert not chosen[1, 4]
    assert (away < 12).any(axis=1).sum() >= 2


def test_slabs_of_two_set_ups_have_no_joint(project: Project) -> None:
    """The last slab of the first and the first of the second are neighbours, but not seen from one place."""
    plan, control = replace(FINE, mark_range=(3.0, 31.0)), pairs(project)
    first = beside(project, 330.0, 2.3, 1.45)
    last = int(foresee(project, first, control, plan).slab[-1])
    for distance in np.arange(370.0, 400.0, 0.5):
        position = np.concatenate([first, beside(project, distance, 2.3, 1.45)])
        seen = foresee(project, position, control, plan)
        if seen.slab[seen.setup == 1][0] == last + 1:
            break
    assert (np.diff(seen.slab) == 1).all()
    assert (seen.setup[seen.joints.rear] == seen.setup[seen.joints.front]).all()
    assert len(seen.joints.rear) == len(seen.slab) - 2
    assert len(seen.outlooks["step_level"].state) == len(seen.joints.rear)


def test_worse_control_hurts_the_slabs_but_not_the_steps(project: Project) -> None:
    position = beside(project, 330.0, 2.3, 1.45)
    good = foresee(project, position, pairs(project, (0.3 * MM,) * 3), FINE)
    bad = foresee(project, position, pairs(project, (3 * MM,) * 3), FINE)
    assert (bad.deviation_sigma[..., 2] > 3 * good.deviation_sigma[..., 2]).all()
    np.testing.assert_allclose(bad.own, good.own, rtol=1e-12, atol=0)
    np.testing.assert_allclose(bad.joints.step_level_sigma, good.joints.step_level_sigma, rtol=0.02, atol=0)


def test_gaps_have_no_limit_at_structure_joints(project: Project) -> None:
    seen = foresee(project, beside(project, 330.0, 2.3, 1.45), pairs(project), FINE)
    at = seen.joints.at_structure
    assert at.any()
    assert not at.all()
    for quantity in ("gap", "gap_difference"):
        state = seen.outlooks[quantity].state
        assert (state[at] == NONE).all()
        assert (state[~at] != NONE).all()
    assert (seen.outlooks["step_level"].state != NONE).all()


# -- findings ------------------------------------------------------------------------------------------------


def test_good_places_have_nothing_weak(project: Project) -> None:
    control = pairs(project, (0.2 * MM, 0.2 * MM, 0.2 * MM))
    seen = foresee(project, beside(project, 330.0, 2.3, 1.45), control, FINE)
    told = findings(project, seen, control, FINE)
    assert not [f for f in told.values() if f.weak]


def test_weak_control_is_named(project: Project) -> None:
    control, position = pairs(project), beside(project, 330.0, 2.3, 1.45)
    feet = project_points(project.alignment, control.xyz).distance
    ahead = (feet > 340) & (feet < 420)
    told = findings(project, foresee(project, position, control, PLAN, sighted=ahead[None]), control, PLAN)
    assert told["one side"].weak
    span = int(re.search(r"within (\d+) degrees as seen", told["one side"].text)[1])  # type: ignore[index]
    seen = evaluate(project.alignment, np.array([330.0]))
    away = control.xyz[ahead] - position
    turned = np.degrees(np.arctan2(away[:, 0], away[:, 1]) - seen.bearing)
    assert span == round(np.ptp((turned + 180) % 360))

    two = np.isin(control.names, ["L05", "R07"])
    told = findings(project, foresee(project, position, control, PLAN, sighted=two[None]), control, PLAN)
    assert told["low redundancy"].weak
    assert re.search(r"with 2 control points the \w+ ?\w* to (L05|R07) is checked by the others to \d+% only",
                     told["low redundancy"].text)  # fmt: skip
    assert "an error below " in told["unseen error"].text
    # the limits of across, along and up are ±2, ±5 and ±1 mm: what is told is beyond
    assert float(re.search(r"shift slabs by ([\d.]+) mm", told["unseen error"].text)[1]) > 1  # type: ignore[index]


def test_what_is_not_determined_says_what_to_sight(project: Project) -> None:
    control, position = pairs(project), beside(project, 330.0, 2.3, 1.45)
    nothing = np.zeros((1, len(control)), dtype=bool)
    told = findings(project, foresee(project, position, control, PLAN, sighted=nothing), control, PLAN)
    assert list(told) == ["not determined"]
    assert told["not determined"].text.startswith("no control point is sighted (10 to 80 m are)")
    one = np.isin(control.names, ["R07"])[None]
    seen = foresee(project, position, control, PLAN, sighted=one)
    assert findings(project, seen, control, PLAN)["not determined"].text.startswith("only R07 is sighted")
    assert not seen.setups.determined[0]
    assert np.isnan(seen.setups.sigma).all()
    assert np.isnan(seen.setups.redundancy).all()
    assert len(seen.slab) == 0
    assert seen.largest_sigma[0] == math.inf
    assert seen.reach.tolist() == [[-1, -1]]
    above = Control(("low", "high"), control.xyz[:1] + np.array([[0, 0, 0], [0, 0, 1.0]]), control.sigma[:2])
    seen = foresee(project, control.xyz[:1] + np.array([[30.0, 9.0, 0.4]]), above, PLAN)
    assert findings(project, seen, above, PLAN)["not determined"].text.startswith("low, high lie at one place in plan")


def test_bad_sights_are_named(project: Project) -> None:
    control = pairs(project)
    names = project.layout.names
    low = beside(project, 330.0, 2.3, 0.35)  # half a metre over the slabs
    told = findings(project, foresee(project, low, control, PLAN), control, PLAN)
    seen = foresee(project, low, control, PLAN)
    grazing = np.flatnonzero((np.degrees(seen.face_angle) < 1).any(axis=1))
    assert ranges(names, seen.slab[grazing]) in told["grazing sights"].text
    furthest = seen.distance[seen.face_angle < math.radians(1)].max()
    # curvature of the ray by a coefficient of one: s^2 / 2R, with R = 6371 km
    assert f"a coefficient off by 1 makes {furthest**2 / 2 / 6371e3 * 1e3:.2f} mm" in told["grazing sights"].text
    high = beside(project, 330.0, 1.4, 4.0)
    told = findings(project, foresee(project, high, control, PLAN), control, PLAN)
    assert "steeper than 30 deg" in told["steep sights"].text
    assert "grazing sights" not in told
    near = beside(project, 330.0, 1.4, 1.0)
    told = findings(project, foresee(project, near, control, PLAN), control, PLAN)
    seen = foresee(project, near, control, PLAN)
    short = seen.distance < 3.0
    assert told["short sights"].text == (
        f"{short.sum()} sights shorter than 3 m, at {ranges(names, seen.slab[short.any(axis=1)])}"
    )
    far = np.isin(control.names, ["L05", "R05", "L06", "R07", "L09"])[None]
    told = findings(project, foresee(project, near, control, PLAN, sighted=far), control, PLAN)
    assert re.fullmatch(r"sights to control points not 10 to 80 m away: L09 \d+\.\d m", told["control range"].text)
    tall = Control([*control.names, "mast"], np.append(control.xyz, near + np.array([[6.0, 8.0, 20.0]]), axis=0),
                   np.append(control.sigma, control.sigma[:1], axis=0))  # fmt: skip
    told = findings(project, foresee(project, near, tall, PLAN), tall, PLAN)
    assert told["steep control"].text == "sights to control points steeper than 30 deg: mast +63 deg"
    aside = Control(control.names[:6], near + np.array([[430.0, 10 * i, i] for i in range(-3, 3)]), control.sigma[:6])
    off_line = findings(project, foresee(project, near + np.array([[400.0, 0, 0]]), aside, PLAN), aside, PLAN)
    assert off_line["no slab"].text == "no slab lies with all its marks within 80 m"


def test_what_cannot_be_decided_is_named(project: Project) -> None:
    poor = SightPlan(Instrument(3 * SECOND, 3 * SECOND, 3 * MM))
    control = pairs(project)
    seen = foresee(project, beside(project, 330.0, 2.3, 1.45), control, poor)
    told = [f.text for f in prospect_findings(seen, control, project.layout.names, project.check_rules, poor)
            if f.kind == "undecidable"]  # fmt: skip
    told = sorted(told, key=lambda text: not text.startswith("up "))
    bad = np.flatnonzero(seen.outlooks["up"].state == UNDECIDABLE)
    assert 0 < len(bad) < len(seen.slab)
    sizes = seen.outlooks["up"].sigma[bad] / MM
    assert told[0] == (
        f"up undecidable at {ranges(project.layout.names, seen.slab[bad])}: standard uncertainty {sizes.min():.2f} to "
        f"{sizes.max():.2f} mm, it has to be below 0.50 mm"
    )
    assert any(text.startswith("step in level undecidable at the joints before Q0") for text in told)


# -- files ---------------------------------------------------------------------------------------------------


def test_control_files(tmp_path: Path) -> None:
    path = tmp_path / "control.csv"
    path.write_text("point,easting_m,northing_m,level_m,sigma_easting_mm,sigma_level_mm\n"
                    "A,431208.4,186740.1,212.5,0.7,\nB,431218.4,186745.1,213.5,,0\n")  # fmt: skip
    faults = Faults()
    control = read_control(path, faults, (0.5 * MM, 0.6 * MM, 0.3 * MM))
    faults.stop_if_any()
    assert control.names == ("A", "B")
    assert control.xyz[1].tolist() == [431218.4, 186745.1, 213.5]
    np.testing.assert_allclose(control.sigma / MM, [[0.7, 0.6, 0.3], [0.5, 0.6, 0.0]], rtol=0, atol=1e-12)
    assert not faults.warnings
    path.write_text(path.read_text().replace("0.7,", "0.0007,"))
    read_control(path, faults, (0.5 * MM, 0.6 * MM, 0.3 * MM))
    assert [str(w) for w in faults.warnings] == [
        "control.csv:2: sigma_easting_mm: expected a sigma of 0 (fixed) or from 0.01 mm on, found 0.0007 (metres?)"
    ]


def test_bad_control_files_say_everything_at_once(tmp_path: Path) -> None:
    path = tmp_path / "control.csv"
    path.write_text("point,easting_m,northing_m,level_m,sigma_level_mm\nA,431208.4,x,212.5,0.3\n"
                    "B,431218.4,186745.1,,-1\n,431218.4,186745.1,213.0,0.3\n")  # fmt: skip
    faults = Faults()
    assert len(read_control(path, faults, (0.5 * MM,) * 3)) == 0
    assert sorted(fault.where for fault in faults.errors) == [
        "control.csv:2: northing_m", "control.csv:3: level_m", "control.csv:3: sigma_level_mm", "control.csv:4: point"
    ]  # fmt: skip
    path.write_text("point,easting_m,northing_m,level_m\nA,1,2,3\nB,2,3,4\nA,5,6,7\nB,5,6,8\n")
    faults = Faults()
    assert len(read_control(path, faults, (0.5 * MM,) * 3)) == 0
    assert [str(fault) for fault in faults.errors] == [
        "control.csv:4: point: expected each control point once, found 'A' again (first on line 2)",
        "control.csv:5: point: expected each control point once, found 'B' again (first on line 3)",
    ]
    bounds = np.array([431000.0, 186000.0, 100.0]), np.array([432000.0, 187000.0, 300.0])
    path.write_text("point,easting_m,northing_m,level_m\nA,186740.1,431208.4,212\nB,186750,431300,212\n")
    faults = Faults()
    read_control(path, faults, (0.5 * MM,) * 3, bounds)
    assert "easting and northing exchanged" in str(faults.errors[0])


def test_planned_places_by_grid_and_by_chainage(project: Project, tmp_path: Path) -> None:
    path = tmp_path / "places.csv"
    path.write_text("name,easting_m,northing_m,level_m,chainage_m,offset_m,height_m\n"
                    "grid,431300.5,186790.25,214.125,,,\nline,,,,28200.5,-3.25,1.5\n")  # fmt: skip
    faults = Faults()
    places = read_places(path, project.alignment, project.count, faults)
    faults.stop_if_any()
    assert places.names == ("grid", "line")
    assert places.xyz[0].tolist() == [431300.5, 186790.25, 214.125]
    foot = project_points(project.alignment, places.xyz[1])
    # the count jumps by 12.5 m at 28+100: 28200.5 is 788 m from the start
    found = [float(foot.distance), float(foot.offset), float(foot.height)]
    assert found == pytest.approx([788.0, -3.25, 1.5], abs=1e-6)


def test_bad_places_say_everything_at_once(project: Project, tmp_path: Path) -> None:
    path = tmp_path / "places.csv"
    path.write_text("name,easting_m,northing_m,level_m,chainage_m,offset_m,height_m\n"
                    "a,1,2,,,,\nb,1,2,3,27500,1,1\nc,,,,28105,1,1\nd,,,,,,\na,1,2,3,,,\ne,,,,27500,x,1\n")  # fmt: skip
    faults = Faults()
    places = read_places(path, project.alignment, project.count, faults)
    assert len(places.names) == 0
    told = sorted(str(fault) for fault in faults.errors)
    either = "expected easting_m, northing_m, level_m, or else chainage_m, offset_m, height_m, found"
    assert told[0] == f"places.csv:2: {either} easting_m, northing_m"
    assert told[1].startswith(f"places.csv:3: {either} easting_m, northing_m, level_m, chainage_m")
    assert told[2].startswith("places.csv:4: chainage_m: expected a chainage that names one place")
    assert told[3] == f"places.csv:5: {either} none of them"
    assert told[4].startswith("places.csv:6: name: expected each name once, found 'a' again")
    assert told[5].startswith("places.csv:7: offset_m: ")
    assert len(told) == 6


# -- the command ---------------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path, project: Project) -> Path:
    copy = copy_of_demo(tmp_path)
    control = pairs(project)
    lines = [f"{n},{e:.4f},{h:.4f},{z:.4f}" for n, (e, h, z) in zip(control.names, control.xyz.tolist(), strict=True)]
    (copy / "control.csv").write_text("\n".join(["point,easting_m,northing_m,level_m", *lines]) + "\n")
    (copy / "places.csv").write_text("name,chainage_m,offset_m,height_m\nout,28500,300,1.6\nS1,27730,2.3,1.45\n"
                                     "S2,27812,-2,1.6\n")  # fmt: skip
    return copy


HERE = ("--at-chainage", "27+730", "--offset", "2.3", "--height", "1.45")
POOR_OPTIONS = ("--instrument", "2", "--centring-mm", "0.3", "--prism-height-mm", "0.2", "--control-level-mm", "0.3",
                "--control-plan-mm", "0.5")  # fmt: skip


def test_the_command_says_what_the_geometry_does(folder: Path, project: Project) -> None:
    answer = run("plan-setup", folder, *HERE, "--json", "-")
    assert answer.status == 0, answer.err
    document = json.loads(answer.out)
    control = pairs(project, (0.4 * MM, 0.4 * MM, 0.2 * MM))
    seen = foresee(project, beside(project, 330.0, 2.3, 1.45), control, FINE)
    (place,) = document["positions"]
    assert place["offset_m"] == pytest.approx(2.3, abs=1e-6)
    assert place["chainage_m"] == pytest.approx(27730.0, abs=1e-6)
    sigma = seen.setups.sigma[0]
    assert place["sigma_level_mm"] == pytest.approx(sigma[2] * 1e3, rel=1e-4)
    assert place["orientation_sigma_arcsec"] == pytest.approx(sigma[3] / SECOND, rel=1e-4)
    assert place["corners_decidable"] == seen.marks_decidable[0]
    assert place["reach_m"] == pytest.approx(seen.reach_length[0], abs=1e-3)
    first, last = seen.slab[seen.reach[0]]
    line = line_of(project)
    start = float(project.count.to_chainage(line.distance[first] - line.half_length[first]))
    end = float(project.count.to_chainage(line.distance[last] + line.half_length[last]))
    assert [place["reach_start_chainage_m"], place["reach_end_chainage_m"]] == pytest.approx([start, end], abs=1e-6)
    assert [row["up_sigma_mm"] for row in document["slabs"]] == pytest.approx(
        (seen.outlooks["up"].sigma * 1e3).tolist(), rel=1e-4
    )
    assert len(document["corners"]) == 4 * len(document["slabs"])
    assert len(document["joints"]) == len(seen.joints.front)
    assert {row["point"] for row in document["control"]} == {control.names[i] for i in seen.setups.target}
    assert document["decision_rule"] == {
        "rule": "JCGM 106:2012 guard band on both sides of each limit", "guard_factor": 2.0, "left_percent": 50.0
    }  # fmt: skip
    assert {"control.csv", "project.toml"} <= set(document["made_from"]["inputs_sha256"])
    covariance = np.array(document["covariances"][0]["easting_northing_level_m_orientation_rad"])
    np.testing.assert_allclose(covariance, seen.setups.covariance[0], rtol=1e-3, atol=0)
    assumed = " ".join(document["assumptions"])
    # the project file says these: what the check will state of readings of this instrument
    assert 'mean of two faces: directions 0.5", zenith angles 0.5", distances 0.6 mm, and 1 ppm, prisms' in assumed
    assert "6 control points without all sigmas: 0.4 mm in plan, 0.2 mm in level." in assumed


def test_what_nobody_said_is_assumed(folder: Path) -> None:
    def assumed(*options: str) -> str:
        return " ".join(json.loads(run("plan-setup", folder, *HERE, *options, "--json", "-").out)["assumptions"])

    text = assumed("--instrument", "1", "--zenith-arcsec", "0.7")
    assert 'directions 1" (assumed), zenith angles 0.7", distances 1 mm (assumed), and 1 ppm (assumed)' in text
    assert "prisms 0.2 mm off their points in plan, 0.1 mm in height." in text
    toml = (folder / "project.toml").read_text()
    (folder / "project.toml").write_text(re.sub(r"\[instrument\].*?\n\n", "", toml, flags=re.DOTALL))
    text = assumed()
    assert 'directions 1" (assumed), zenith angles 1" (assumed)' in text
    assert "0.2 mm in height (assumed)" in text
    assert "0.5 mm in plan (assumed), 0.3 mm in level (assumed)." in text


def test_candidates_are_ranked_and_written(folder: Path) -> None:
    out = folder.parent
    answer = run("plan-setup", folder, "--candidates", folder / "places.csv", "--csv", out / "s.csv",
                 "--corners", out / "c.csv", "--positions", out / "p.csv", "--json", out / "d.json")  # fmt: skip
    assert answer.status == 0, answer.err

    def rows(name: str) -> list[dict[str, str]]:
        text = (out / name).read_text()
        assert "# made from control.csv " in text
        assert "# made from places.csv " in text
        return list(csv.DictReader(io.StringIO("".join(x for x in text.splitlines(True) if not x.startswith("#")))))

    places = rows("p.csv")
    assert [row["rank"] for row in places] == ["1", "2", "3"]
    assert places[2]["setup"] == "out"
    assert places[2]["sigma_level_mm"] == ""
    assert int(places[0]["corners_decidable"]) >= int(places[1]["corners_decidable"]) > 0
    slabs, corners = rows("s.csv"), rows("c.csv")
    assert {row["setup"] for row in slabs} == {"S1", "S2"}
    assert len(corners) == 4 * len(slabs)
    decidable = sum(row["decidable"] == "true" for row in corners if row["setup"] == places[0]["setup"])
    assert decidable == int(places[0]["corners_decidable"])
    bare = re.compile(r"rank|slabs|control_points|corners_decidable|\w*checked\w*|redundancy_\w+")
    for table in (places, slabs, corners):
        for name in table[0]:
            numbers = [row[name] for row in table if re.fullmatch(r"-?\d+(\.\d+)?", row[name])]
            assert not numbers or name.endswith((*UNITS, "_arcsec")) or bare.fullmatch(name), name
    told = {f["kind"]: f for f in json.loads((out / "d.json").read_text())["findings"] if f["setup"] == "out"}
    assert told["not determined"]["weak"]


def test_the_status_says_whether_anything_can_be_decided(folder: Path) -> None:
    assert run("plan-setup", folder, *HERE).status == 0
    assert run("plan-setup", folder, *HERE, *POOR_OPTIONS).status == 1
    assert run("plan-setup", folder, *HERE, *POOR_OPTIONS, "--left-percent", "5").status == 0


def test_named_control_points_only(folder: Path) -> None:
    answer = run("plan-setup", folder, *HERE, "--sight", "L05", "--sight", "R07", "--sight", "L08", "--json", "-")
    assert {row["point"] for row in json.loads(answer.out)["control"]} == {"L05", "R07", "L08"}


def test_rounds_and_values_of_the_instrument_count(folder: Path) -> None:
    def sigma(*options: str) -> dict[str, float]:
        document = json.loads(run("plan-setup", folder, *HERE, *options, "--json", "-").out)
        mark = document["corners"][0]
        place = document["positions"][0]
        return {
            "level": place["sigma_level_mm"],
            "turn": place["orientation_sigma_arcsec"],
            "own_up": mark["up_own_mm"],
            "own_along": mark["along_own_mm"],
            "own_across": mark["across_own_mm"],
        }

    base = sigma()
    assert sigma("--rounds", "4")["level"] < base["level"]
    assert sigma("--rounds", "4")["own_up"] == pytest.approx(base["own_up"], rel=1e-9)
    assert sigma("--mark-rounds", "4")["own_up"] < 0.9 * base["own_up"]
    assert sigma("--mark-rounds", "4")["level"] == base["level"]
    for option, key in (("--zenith-arcsec", "own_up"), ("--direction-arcsec", "own_across"),
                        ("--distance-mm", "own_along"), ("--prism-height-mm", "own_up"),
                        ("--centring-mm", "own_across")):  # fmt: skip
        assert sigma(option, "5")[key] > 2 * base[key], option
    assert sigma("--distance-ppm", "50")["own_along"] > 2 * base["own_along"]
    assert sigma("--control-level-mm", "3")["level"] > 3 * base["level"]
    assert sigma("--control-plan-mm", "3")["turn"] > 3 * base["turn"]


def test_bad_options_and_files_are_told_together(folder: Path) -> None:
    (folder / "control.csv").write_text("point,easting_m,northing_m,level_m\nA,431208.4,x,212.5\nB,431208,186740,212\n")
    answer = run("plan-setup", folder, "--at-chainage", "27730", "--range-min", "90")
    assert answer.status == 2
    assert answer.out == ""
    assert "control.csv:2: northing_m" in answer.err
    assert "--offset, --height: expected a value, found none" in answer.err
    assert "--range-min and --range-max: expected the shorter sight first, found 90 and 80" in answer.err
    (folder / "control.csv").unlink()
    answer = run("plan-setup", folder)
    assert answer.status == 2
    assert "control.csv: expected a file of control points, found none (name it with --control FILE)" in answer.err
    assert "--at-chainage, --offset and --height: expected a planned position, found none" in answer.err
    for options in (("--instrument", "3"), ("--rounds", "0"), ("--left-percent", "100"), ("--steep-deg", "95"),
                    ("--distance-mm", "0"), ("--offset", "left"), ("--reach", "nan")):  # fmt: skip
        assert run("plan-setup", folder, *options).status == 2


def test_mistaken_names_and_places_are_told(folder: Path) -> None:
    answer = run("plan-setup", folder, *HERE, "--sight", "L5", "--candidates", folder / "places.csv")
    assert answer.status == 2
    assert "--sight: expected a control point of control.csv, found 'L5' (did you mean L" in answer.err
    assert "expected a position, or else a file of --candidates, found both" in answer.err
    answer = run("plan-setup", folder, "--at-chainage", "28+105", "--offset", "2", "--height", "1")
    assert answer.status == 2
    assert "--at-chainage: expected a chainage that names one place" in answer.err
    # the left point of the sixth pair: 3 m further on than 27+665, 4.6 m to the left
    over = ("--at-chainage", "27668", "--offset", "-4.6", "--height", "2.0")
    answer = run("plan-setup", folder, *over, "--sight", "L05")
    assert answer.status == 2
    assert "L05 straight over or under it" in answer.err


def test_results_do_not_replace_what_they_are_made_from(folder: Path) -> None:
    before = (folder / "control.csv").read_bytes()
    assert run("plan-setup", folder, *HERE, "--csv", folder / "control.csv").status == 2
    places = folder / "places.csv"
    assert run("plan-setup", folder, "--candidates", places, "--positions", places).status == 2
    assert (folder / "control.csv").read_bytes() == before


@pytest.mark.parametrize("width", [80, 100, 120])
def test_the_page_fits(width: int, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for where in (HERE, ("--candidates", folder / "places.csv")):
        arguments = ("plan-setup", folder, *where, *POOR_OPTIONS[:2])
        page = re.sub(r"\x1b\[[\d;]*m", "", on_terminal(width, monkeypatch, *arguments))
        assert max(len(line.rstrip()) for line in page.splitlines()) <= width
        for text in ("What they can decide", "standard error ellipse", "2.45 times as large", "~ narrow",
                     "slabs and joints in reach", "Taken for granted", "(assumed)"):  # fmt: skip
            assert text in " ".join(page.split())
        assert ", the best first" in page if where is not HERE else ", the best first" not in page


def test_the_page_without_any_determined_position(folder: Path) -> None:
    answer = run("plan-setup", folder, "--at-chainage", "28500", "--offset", "300", "--height", "1.6")
    assert answer.status == 1
    assert "! no control point is sighted (10 to 80 m are): position and orientation are not" in answer.out
