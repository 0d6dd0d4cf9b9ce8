"""The whole chain from target poses and surveyed points to verdicts and moves, on a line made here."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference import load
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from geometry.alignment import CantElement, HorizontalElement, TrackRules, VerticalElement, build
from geometry.placement import NOTES, CheckRules, SectionCheck, Tolerance, check_section
from geometry.slabs import (
    Allowed,
    Fitting,
    Layout,
    LayoutRules,
    SlabType,
    Span,
    Targets,
    fill_spans,
    padded_marks,
    target_poses,
)
from geometry.survey import NO_NAME, SurveyPoints

Floats = npt.NDArray[np.float64]
WITHIN, OUT, UNDECIDED, NOT_MEASURED = range(4)
CORNERS = ("RL", "RR", "FL", "FR")
PLAN, LEVEL = 0.25e-3, 0.10e-3  # standard uncertainty of a mark, m
NM, UM, MM = 1e-9, 1e-6, 1e-3


def slab_type(
    name: str, length: float, *, special: bool = False, mirrored: bool = False, fifth: tuple[float, float] | None = None
) -> SlabType:
    """Return a type on which nothing is symmetric but the corner marks."""
    across, along = 1.05, length / 2 - 0.25
    marks = [(-across, -along, 0.02), (across, -along, 0.03), (-across, along, 0.01), (across, along, 0.0)]
    screws = [(-1.1, -0.3 * length, 0.0), (1.0, -0.31 * length, 0.0)]
    screws += [(-0.9, 0.32 * length, 0.0), (1.2, 0.28 * length, 0.0)]
    pushes = [(0.1, -0.3 * length, -0.1), (-0.2, 0.33 * length, -0.12)]
    names = CORNERS
    if mirrored:
        names = ("RR", "RL", "FR", "FL")
        marks, screws, pushes = ([(-x, y, z) for x, y, z in places] for places in (marks, screws, pushes))
    order = [names.index(corner) for corner in CORNERS]
    marks, screws = [marks[i] for i in order], [screws[i] for i in order]
    if fifth:
        marks = [*marks, (*fifth, 0.05)]
    return SlabType(
        name, length, 2.5, 0.2, 0.26, 0.04, 0.215, np.linspace(-0.44, 0.44, 8) * length,
        Fitting(("RL", "RR", "FL", "FR", "C") if fifth else CORNERS, np.array(marks)),
        Fitting(CORNERS, np.array(screws), 4 * MM, 25 * MM), Fitting(("R", "F"), np.array(pushes), 3 * MM, 15 * MM),
        special,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Section:
    types: tuple[SlabType, ...]
    layout: Layout
    targets: Targets
    scale: float

    @property
    def size(self) -> int:
        return len(self.layout.names)


def section(
    origin: tuple[float, float] = (431000.0, 187000.0),
    bearing: float = 1.1,
    hand: float = 1.0,
    fifth: tuple[float, float] | None = None,
) -> Section:
    """Return 46 slabs on straight, transition and curve with cant, over a crest, in two spans."""
    scale = 0.9998
    horizontal = [
        HorizontalElement("straight", 60.0, easting=origin[0], northing=origin[1], bearing=bearing),
        HorizontalElement("clothoid", 110.0, 0.0, hand / 900),
        HorizontalElement("arc", 90.0, hand / 900, hand / 900),
    ]
    vertical = [
        VerticalElement("gradient", 0.0, 80.0, 0.02, 0.02, level=88.0),
        VerticalElement("parabola", 80.0, 120.0, 0.02, -0.01),
        VerticalElement("gradient", 200.0, 60.0, -0.01, -0.01),
    ]
    cant = [
        CantElement("constant", 0.0, 60.0, 0.0, 0.0),
        CantElement("linear", 60.0, 110.0, 0.0, hand * 0.14),
        CantElement("constant", 170.0, 90.0, hand * 0.14, hand * 0.14),
    ]
    alignment = build(horizontal, vertical, cant, TrackRules(grid_scale=scale))
    types = (
        slab_type("A", 5.2, mirrored=hand < 0, fifth=fifth),
        slab_type("B", 3.7, special=True, mirrored=hand < 0, fifth=fifth),
    )
    rules = LayoutRules(Allowed(0.08, 0.06, 0.1), Allowed(0.05, 0.03, 0.1), "S", 1)
    spans = [Span("one", "bank", 5.0, 130.0), Span("two", "bank", 130.06, 255.0)]
    layout, findings = fill_spans(alignment, spans, types, rules)
    assert not findings
    assert set(layout.type_index.tolist()) == {0, 1}
    return Section(types, layout, target_poses(alignment, types, layout, "shared"), scale)


HERE = section()
LIMITS = (
    Tolerance("across", -2 * MM, 2 * MM, "common practice"),
    Tolerance("along", -5 * MM, 5 * MM, "common practice"),
    Tolerance("up", -1 * MM, 1 * MM, "common practice"),
    Tolerance("step_level", -1 * MM, 1 * MM, "common practice"),
    Tolerance("step_line", -2 * MM, 2 * MM, "common practice"),
    Tolerance("gap", 50 * MM, 110 * MM, "common practice"),
    Tolerance("gap_difference", -5 * MM, 5 * MM, "common practice"),
)


def placed(where: Section, moved: Floats) -> tuple[Floats, npt.NDArray[np.float64]]:
    """Return position and rotation of slabs moved across, along, up, m, by pitch, roll, yaw, rad; by scipy."""
    turn = Rotation.from_rotvec(moved[:, 3:] * (1.0, 1.0, -1.0)).as_matrix()  # yaw is clockwise, z is up
    plan = np.array([where.scale, where.scale, 1.0])
    shift = (where.targets.rotation @ moved[:, :3, None])[..., 0] * plan
    return where.targets.position + shift, where.targets.rotation @ turn


def marks_of(where: Section, moved: Floats) -> Floats:
    """Return the grid places of the marks of moved slabs, shape (n, m, 3), m; nan for marks a type lacks."""
    position, rotation = placed(where, moved)
    local = padded_marks(where.types)[where.layout.type_index]
    turned = np.einsum("nij,nmj->nmi", rotation, local)
    return np.asarray(position[:, None] + turned * (where.scale, where.scale, 1.0))


@dataclass(frozen=True, eq=False)
class Surveyed:
    """Points with their names, to be changed before they are checked."""

    xyz: Floats
    slab: npt.NDArray[np.intp]
    mark: npt.NDArray[np.intp]
    sigma: Floats
    setup: npt.NDArray[np.intp] = field(default_factory=lambda: np.zeros(0, dtype=np.intp))

    def points(self) -> SurveyPoints:
        n = len(self.xyz)
        setup = self.setup if len(self.setup) else np.zeros(n, dtype=np.intp)
        return SurveyPoints(
            self.xyz, self.sigma, self.slab, self.mark, setup, np.full(n, np.datetime64("NaT", "us")),
            lambda row: f"point {row}",
        )  # fmt: skip

    def kept(self, rows: npt.NDArray[np.bool_]) -> Surveyed:
        setup = self.setup[rows] if len(self.setup) else self.setup
        return Surveyed(self.xyz[rows], self.slab[rows], self.mark[rows], self.sigma[rows], setup)


def survey(where: Section, moved: Floats | None = None, noise: int | None = None) -> Surveyed:
    moved = np.zeros((where.size, 6)) if moved is None else moved
    xyz = marks_of(where, moved).reshape(-1, 3)
    m = len(xyz) // where.size
    slab, mark = np.divmod(np.arange(len(xyz)), m)
    sigma = np.tile([PLAN, PLAN, LEVEL], (len(xyz), 1))
    if noise is not None:
        xyz = xyz + np.random.default_rng(noise).normal(size=xyz.shape) * sigma
    return Surveyed(xyz, slab.astype(np.intp), mark.astype(np.intp), sigma)


def check(where: Section, made: Surveyed, guard: float = 2.0) -> SectionCheck:
    rules = CheckRules(LIMITS, guard, 0.15, 1.5, where.scale)
    return check_section(
        where.targets, where.types, where.layout.type_index, where.layout.span, where.layout.names.tolist(),
        made.points(), rules,
    )  # fmt: skip


def one(where: Section, slab: int, *pose: float) -> Floats:
    """Return moves of all slabs of which one is not zero: across, along, up, pitch, roll, yaw."""
    moved = np.zeros((where.size, 6))
    moved[slab, : len(pose)] = pose
    return moved


def scatter(where: Section, seed: int = 5) -> Floats:
    """Return poses in which a careful crew leaves slabs."""
    return np.random.default_rng(seed).uniform(-1, 1, (where.size, 6)) * np.array([0.5, 2, 0.2, 0.05, 0.1, 0.1]) * MM


def kinds(answer: SectionCheck) -> list[str]:
    return [finding.kind for finding in answer.findings]


def test_a_perfect_survey_has_no_deviation_and_all_is_within() -> None:
    answer = check(HERE, survey(HERE))
    assert np.abs(answer.deviation).max() < 2 * NM
    assert np.abs(answer.pose[:, 3:]).max() < 1e-9
    assert (answer.verdict == WITHIN).all()
    assert (answer.joint_verdict == WITHIN).all()
    assert np.abs(answer.joints.gap - answer.joints.target_gap).max() < 5 * NM
    assert np.nanmax(np.abs(answer.moves.lift)) < 5 * NM
    assert not answer.findings
    assert answer.released.all()


def test_a_planted_pose_is_recovered() -> None:
    moved = np.random.default_rng(3).uniform(-1, 1, (HERE.size, 6)) * np.array([20, 30, 15, 3, 5, 4]) * MM
    answer = check(HERE, survey(HERE, moved))
    assert np.abs(answer.pose - moved).max() < 5e-9


def test_noise_leaves_the_pose_within_its_stated_uncertainty() -> None:
    moved = scatter(HERE)
    off = np.concatenate([(check(HERE, survey(HERE, moved, noise)).pose - moved) for noise in range(20)])
    sigma = np.tile(check(HERE, survey(HERE, moved, 0)).pose_sigma, (20, 1))
    # the root mean square of 5520 standard normal values is 1 to within 4 / sqrt(2 * 5520)
    assert abs(np.sqrt(np.mean((off / sigma) ** 2)) - 1) < 4 / np.sqrt(2 * off.size)


def test_the_moves_bring_every_slab_to_its_target() -> None:
    """An independent rigid-body model: scipy looks for the motion that lifts and pushes as told."""
    moved = np.random.default_rng(8).uniform(-1, 1, (HERE.size, 6)) * np.array([6, 8, 7, 1.5, 3, 2]) * MM
    answer = check(HERE, survey(HERE, moved))
    position, rotation = placed(HERE, moved)
    plan = np.array([HERE.scale, HERE.scale, 1.0])
    for slab in (0, 9, 22, 30, HERE.size - 1):
        kind = HERE.types[HERE.layout.type_index[slab]]
        frame, origin = HERE.targets.rotation[slab], HERE.targets.position[slab]
        places = [kind.screws.places, kind.adjusters.places, np.zeros((1, 3)), kind.marks.places]
        # where they lie now, in the frame of the target, true lengths
        now = [((position[slab] - origin) / plan + p @ rotation[slab].T) @ frame for p in places]

        def missed(motion: Floats, now: list[Floats] = now, slab: int = slab) -> Floats:
            after = [Rotation.from_rotvec(motion[3:]).apply(p) + motion[:3] for p in now]
            return np.concatenate([
                (after[0] - now[0])[:, 2] - answer.moves.lift[slab],
                (after[1] - now[1])[:, 0] - answer.moves.push[slab],
                (after[2] - now[2])[:, 1] - answer.moves.along[slab],
            ])  # fmt: skip

        found = least_squares(missed, np.zeros(6), xtol=1e-15, ftol=1e-15, gtol=1e-15)
        assert np.abs(found.fun).max() < 10 * NM
        after = Rotation.from_rotvec(found.x[3:]).apply(now[3]) + found.x[:3]
        assert np.abs(after - kind.marks.places).max() < UM
    turns = answer.moves.lift / (4 * MM)
    assert np.allclose(answer.moves.turns, turns, rtol=0, atol=1e-12)


@pytest.mark.parametrize(("origin", "bearing"), [((1.0, 2.0), 0.0), ((-52000.0, 6.1e6), 4.4)])
def test_moving_the_whole_project_changes_nothing(origin: tuple[float, float], bearing: float) -> None:
    there = section(origin, bearing)
    moved = scatter(HERE) * 4
    a, b = check(HERE, survey(HERE, moved)), check(there, survey(there, moved))
    assert np.abs(a.deviation - b.deviation).max() < 20 * NM  # coordinates of 6e6 m resolve 1 nm
    assert np.nanmax(np.abs(a.moves.lift - b.moves.lift)) < 20 * NM
    assert np.abs(a.joints.gap - b.joints.gap).max() < 50 * NM
    assert (a.verdict == b.verdict).all()
    assert (a.joint_verdict == b.joint_verdict).all()
    assert np.abs(a.deviation_sigma - b.deviation_sigma).max() < 1 * NM


def test_mirroring_the_project_mirrors_the_answer() -> None:
    there = section((-431000.0, 187000.0), -1.1, hand=-1.0)
    moved = scatter(HERE) * 4
    mirrored = moved * np.array([-1, 1, 1, 1, -1, -1])
    a, b = check(HERE, survey(HERE, moved)), check(there, survey(there, mirrored))
    swap = [1, 0, 3, 2]
    assert np.abs(b.pose - a.pose * np.array([-1, 1, 1, 1, -1, -1])).max() < 20 * NM
    assert np.abs(b.deviation[:, swap] - a.deviation * np.array([-1, 1, 1])).max() < 20 * NM
    assert np.abs(b.moves.lift[:, swap] - a.moves.lift).max() < 20 * NM
    assert np.abs(b.moves.push + a.moves.push).max() < 20 * NM
    assert np.abs(b.joints.step_level[:, ::-1] - a.joints.step_level).max() < 20 * NM
    assert np.abs(b.joints.step_line[:, ::-1] + a.joints.step_line).max() < 20 * NM
    assert np.abs(b.joints.gap[:, ::-1] - a.joints.gap).max() < 50 * NM
    assert (a.verdict == b.verdict).all()


def test_step_and_gap_have_the_stated_signs() -> None:
    """Front less rear: a raised slab steps up at its rear joint and down at its front joint."""
    answer = check(HERE, survey(HERE, one(HERE, 10, 0.7 * MM, 3 * MM, 0.6 * MM)))
    assert np.allclose(answer.joints.step_level[9:11], [[0.6 * MM] * 2, [-0.6 * MM] * 2], rtol=0, atol=3 * UM)
    assert np.allclose(answer.joints.step_line[9:11], [[0.7 * MM] * 2, [-0.7 * MM] * 2], rtol=0, atol=3 * UM)
    wider = answer.joints.gap - answer.joints.target_gap
    assert np.allclose(wider[9:11], [[3 * MM] * 2, [-3 * MM] * 2], rtol=0, atol=3 * UM)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.integers(0, 2**16 - 1), st.integers(0, 2**16 - 1))
def test_fewer_points_never_turn_a_slab_that_is_not_measured_into_one_that_is(first: int, second: int) -> None:
    """Nested sets of points on the first four slabs."""
    made = survey(HERE, scatter(HERE), 1)
    bits = np.array([bool(first >> i & 1) for i in range(16)])
    fewer = bits & np.array([bool(second >> i & 1) for i in range(16)])
    rest = np.zeros(len(made.xyz) - 16, dtype=bool)
    many, few = (check(HERE, made.kept(np.append(part, rest))) for part in (bits, fewer))
    for answer, part in ((many, bits), (few, fewer)):
        count = part.reshape(4, 4).sum(axis=1)
        assert (answer.verdict[:4][count < 3] == NOT_MEASURED).all()
        assert (answer.verdict[4:] == NOT_MEASURED).all()
        assert (answer.joint_verdict[4:] == NOT_MEASURED).all()
        three = answer.notes[:4][count == 3]
        assert (three & 4 > 0).all()  # three corners have no check, which is said
    assert (few.verdict[many.verdict == NOT_MEASURED] == NOT_MEASURED).all()


def test_no_survey_at_all_is_not_measured() -> None:
    made = survey(HERE)
    answer = check(HERE, made.kept(np.zeros(len(made.xyz), dtype=bool)))
    assert (answer.verdict == NOT_MEASURED).all()
    assert (answer.joint_verdict == NOT_MEASURED).all()
    assert not answer.released.any()


@pytest.mark.parametrize("size", [8, 15, 60])
@pytest.mark.parametrize("mark", range(4))
@pytest.mark.parametrize("direction", [0.0, 1.0, 2.4, 4.0])
def test_a_blunder_in_plan_is_named_and_left_out(mark: int, size: int, direction: float) -> None:
    """Slab 20 lies on the transition, with cant."""
    made = survey(HERE, scatter(HERE), 2)
    wrong = made.xyz.copy()
    wrong[20 * 4 + mark] += size * MM * np.array([np.sin(direction), np.cos(direction), 0.0])
    answer = check(HERE, replace(made, xyz=wrong))
    assert kinds(answer) == ["blunder"]
    finding = answer.findings[0]
    assert finding.slab == 20
    assert finding.text.startswith(f"{CORNERS[mark]} of slab S0021 ")
    assert answer.fits.measured[20].tolist() == [i != mark for i in range(4)]
    assert answer.verdict[20] == UNDECIDED
    assert not answer.released[20]
    # the three good corners give the pose, within four sigmas
    assert (np.abs(answer.pose[20] - scatter(HERE)[20]) < 4 * answer.pose_sigma[20]).all()
    assert answer.verdict[[19, 21]].tolist() == [WITHIN, WITHIN]
    assert answer.joint_verdict[[19, 20]].tolist() == [UNDECIDED, UNDECIDED]
    assert answer.notes[20] & 16


@pytest.mark.parametrize("mark", range(4))
def test_a_height_blunder_is_found_not_named_and_the_neighbours_are_asked(mark: int) -> None:
    made = survey(HERE, scatter(HERE), 2)
    wrong = made.xyz.copy()
    wrong[20 * 4 + mark, 2] += 7 * MM
    made = replace(made, xyz=wrong)
    answer = check(HERE, made)
    assert kinds(answer) == ["blunder not named"]
    text = answer.findings[0].text
    assert "four heights cannot tell which" in text
    assert f"the neighbours' levels speak for {CORNERS[mark]};" in text
    size = float(text.split("by about ")[1].split(" mm")[0])
    assert size == pytest.approx(7.0, abs=4 * 2 * LEVEL / MM)  # closing error of four heights: 2 sigma each
    assert answer.fits.measured[20].all()  # likely is told, not acted on
    assert answer.verdict[20] == UNDECIDED
    assert answer.joint_verdict[[19, 20]].tolist() == [UNDECIDED, UNDECIDED]
    assert (np.delete(answer.verdict, 20) == WITHIN).all()

    alone = check(HERE, made.kept(made.slab == 20))
    assert kinds(alone) == ["blunder not named"]
    assert "neighbours" not in alone.findings[0].text


def test_a_neighbour_with_a_blunder_is_no_witness() -> None:
    made = survey(HERE, scatter(HERE), 2)
    wrong = made.xyz.copy()
    for slab, mark in ((20, 0), (21, 3)):
        wrong[slab * 4 + mark, 2] += 7 * MM
    only = np.isin(made.slab, (20, 21))
    answer = check(HERE, replace(made, xyz=wrong).kept(only))
    assert kinds(answer) == ["blunder not named"] * 2
    assert not any("neighbours" in finding.text for finding in answer.findings)


@pytest.mark.parametrize("mark", range(4))
def test_a_second_set_up_tells_which_height_is_wrong(mark: int) -> None:
    made = survey(HERE, scatter(HERE), 2)
    again = survey(HERE, scatter(HERE), 9)
    both = Surveyed(*(np.concatenate([getattr(made, name), getattr(again, name)[80:84]])
                      for name in ("xyz", "slab", "mark", "sigma")))  # fmt: skip
    both.xyz[80 + mark, 2] += 7 * MM
    setups = np.where(np.arange(len(both.xyz)) < len(made.xyz), 1, 2).astype(np.intp)
    answer = check(HERE, replace(both, setup=setups).kept(both.slab == 20))
    assert kinds(answer) == ["set-ups differ", "blunder not named"]
    assert answer.findings[0].text.startswith(f"{CORNERS[mark]} of slab S0021 differs by")
    assert f"the set-ups do not agree on {CORNERS[mark]};" in answer.findings[1].text
    assert answer.verdict[20] == UNDECIDED


@pytest.mark.parametrize("mark", range(4))
def test_a_fifth_mark_names_a_height_blunder(mark: int) -> None:
    """Off both diagonals it names the corner; where they cross it tells only which diagonal."""
    for place in ((0.6, -0.1), (0.0, 0.0)):
        where = section(fifth=place)
        made = survey(where, scatter(where), 2)
        wrong = made.xyz.copy()
        wrong[20 * 5 + mark, 2] += 7 * MM
        answer = check(where, replace(made, xyz=wrong))
        text = answer.findings[0].text
        if place[0]:
            assert kinds(answer) == ["blunder"]
            assert text.startswith(f"{CORNERS[mark]} of slab S0021 ")
            assert (np.abs(answer.pose[20] - scatter(where)[20]) < 4 * answer.pose_sigma[20]).all()
        else:
            assert kinds(answer) == ["blunder not named"]
            assert ("RL or FR is wrong" if mark in (0, 3) else "RR or FL is wrong") in text


def test_joints_beside_a_contradictory_slab_prove_nothing() -> None:
    """Half a turn of the names is corrected by position, but not believed."""
    made = survey(HERE, one(HERE, 20, 0, 0, 5 * MM))
    mark = made.mark.copy()
    mark[80:84] = [3, 2, 1, 0]
    answer = check(HERE, replace(made, mark=mark))
    assert kinds(answer) == ["turned slab"]
    assert answer.verdict[20] == UNDECIDED
    assert answer.joint_verdict[[19, 20]].tolist() == [UNDECIDED, UNDECIDED]


@pytest.mark.parametrize(("guard", "within", "out"), [(0.0, 0.99, 1.01), (1.0, 0.9, 1.1), (2.0, 0.8, 1.2)])
def test_decision_limits_move_with_the_guard_factor(guard: float, within: float, out: float) -> None:
    """JCGM 106:2012, section 8: acceptance and rejection limits are the tolerance less and plus g u."""
    made = survey(HERE)
    # four marks with level sigma s give a corner's level a sigma of s sqrt(3/4): the plane through four points
    sigma = made.sigma.copy()
    sigma[:, 2] = 0.1 * MM / np.sqrt(0.75)
    for value, verdict in ((within - 0.02, WITHIN), ((within + out) / 2, UNDECIDED), (out + 0.02, OUT)):
        if guard == 0 and verdict == UNDECIDED:
            continue
        moved = np.zeros((HERE.size, 6))
        moved[:, 2] = -value * MM
        answer = check(HERE, replace(made, xyz=survey(HERE, moved).xyz, sigma=sigma), guard)
        assert answer.by_tolerance["up"].verdict.tolist() == [verdict] * HERE.size
        assert answer.verdict.tolist() == [verdict] * HERE.size
        assert np.allclose(answer.by_tolerance["up"].sigma, 0.1 * MM, rtol=0, atol=2 * UM)


def test_the_acceptance_limit_of_a_published_rule() -> None:
    """JCGM 106:2012: tolerance 1 mm and u 0.2 mm accept up to 0.6 mm with a guard band of 2 u."""
    case = load("decision_rules")["slab_height"]
    made = survey(HERE)
    sigma = made.sigma.copy()
    sigma[:, 2] = case["u_mm"] * MM / np.sqrt(0.75)
    accepted, rejected = case["acceptance_limit_mm"], case["nonconforming_beyond_mm"]
    for value, verdict in ((accepted - 0.01, WITHIN), (accepted + 0.01, UNDECIDED), (rejected + 0.01, OUT)):
        moved = np.zeros((HERE.size, 6))
        moved[:, 2] = value * MM
        answer = check(HERE, replace(made, xyz=survey(HERE, moved).xyz, sigma=sigma))
        assert (answer.by_tolerance["up"].verdict == verdict).all()


def test_a_move_beyond_the_screws_is_noted() -> None:
    answer = check(HERE, survey(HERE, one(HERE, 4, 0, 0, 30 * MM)))
    assert answer.notes[4] == 64
    assert NOTES[64] == "a move is beyond the screws"
    assert answer.verdict[4] == OUT
    assert not answer.notes[:4].any()


def test_points_without_names_give_the_same_answer() -> None:
    made = survey(HERE, scatter(HERE), 4)
    bare = replace(made, slab=np.full_like(made.slab, NO_NAME), mark=np.full_like(made.mark, NO_NAME))
    order = np.random.default_rng(1).permutation(len(bare.xyz))
    mixed = Surveyed(bare.xyz[order], bare.slab[order], bare.mark[order], bare.sigma[order])
    a, b = check(HERE, made), check(HERE, mixed)
    assert not b.findings
    assert (a.pose == b.pose).all()


def test_weights_of_all_marks_scaled_leave_the_pose() -> None:
    made = survey(HERE, scatter(HERE), 4)
    a, b = check(HERE, made), check(HERE, replace(made, sigma=made.sigma * 3))
    assert np.abs(a.pose - b.pose).max() < 1 * NM
    assert np.allclose(b.pose_sigma, 3 * a.pose_sigma, rtol=1e-9, atol=0)
