"""What a planned set-up will be worth: against published numbers, hand calculation, and set-ups made and solved."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from project_copies import copy_of_demo
from reference import load
from scipy import stats

from geometry.alignment.frames import to_grid
from geometry.exchange.project import Project, open_project
from geometry.placement import JOINT_QUANTITIES, check_section
from geometry.placement.deviation import deviation_at
from geometry.placement.expected_setup import SightPlan, expected_setups, planned_sights, within_range
from geometry.placement.joints import joints
from geometry.placement.prospect import (
    NONE,
    UNDECIDABLE,
    Prospect,
)
from geometry.placement.verdict import WITHIN
from geometry.slabs import Targets, padded_marks
from geometry.survey import SurveyPoints, fit_slabs
from geometry.survey.polar_uncertainty import Stands, points_seen
from geometry.survey.readings import Control, Instrument, Sights
from geometry.survey.setup import FreeSetup, free_setup
from tests.planned_setups import (
    GON,
    INSTRUMENT,
    MM,
    PLAN,
    PURE,
    SECOND,
    Floats,
    beside,
    foresee,
    pairs,
)

# -- the expected set-up -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    return open_project(copy_of_demo(tmp_path_factory.mktemp("prospect")))


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
