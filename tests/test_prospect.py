"""What a planned set-up leaves of each tolerance, which one is best, and what has to be known of it."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from project_copies import copy_of_demo
from reference import load

from geometry.alignment import evaluate
from geometry.alignment import project as project_points
from geometry.alignment.frames import from_grid, to_grid
from geometry.exchange.project import Project, open_project
from geometry.exchange.prospect_tables import line_of
from geometry.placement import Tolerance, decide
from geometry.placement.expected_setup import SightPlan, within_range
from geometry.placement.prospect import (
    DECIDABLE,
    NARROW,
    NONE,
    UNDECIDABLE,
    Outlook,
    outlook,
)
from geometry.placement.prospect_findings import prospect_findings, ranges
from geometry.placement.verdict import WITHIN
from geometry.slabs import padded_marks
from geometry.survey.readings import Control, Instrument
from tests.planned_setups import (
    FINE,
    MM,
    PLAN,
    SECOND,
    beside,
    candidates,
    findings,
    foresee,
    pairs,
)

# -- what is left of a tolerance -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    return open_project(copy_of_demo(tmp_path_factory.mktemp("prospect")))


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
