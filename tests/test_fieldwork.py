"""From readings to marks with covariance: simulated set-ups, the demo's planted faults, and bad field books."""

from __future__ import annotations

import runpy
import shutil
import sys
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from geometry.errors import Faults, InputError
from geometry.exchange.fieldwork_files import WorkedUp, work_up
from geometry.exchange.fieldwork_tables import mark_table, observation_table, setup_table, step_table
from geometry.exchange.project import Project, open_project
from geometry.exchange.readings_files import read_field_book, readings_paths
from geometry.placement import OUT, UNDECIDED, WITHIN, SectionCheck, check_section
from geometry.survey.fieldwork import stands_of
from geometry.survey.observations import EASTING, HEIGHT, LEVEL, NORTHING
from geometry.survey.polar_uncertainty import Stands, points_seen
from geometry.survey.readings import Instrument, Sights

DEMO = Path(__file__).parent.parent / "demo_alignment"
FAULTS = {
    "S05": "wrong control point",
    "S10": "exchanged control points",
    "S15": "wrong prism constant",
    "S20": "moved instrument",
}


@pytest.fixture(scope="module")
def project() -> Project:
    return open_project(DEMO)


@pytest.fixture(scope="module")
def worked(project: Project) -> WorkedUp:
    return work_up(project, readings_paths(DEMO))


def checked(project: Project, worked: WorkedUp) -> SectionCheck:
    layout = project.layout
    return check_section(
        project.targets, project.types, layout.type_index, layout.span, layout.names.tolist(), worked.survey.points,
        project.check_rules,
    )  # fmt: skip


def test_covariances_of_points_are_those_of_simulated_sights() -> None:
    rng = np.random.default_rng(3)
    covariance = np.diag([0.5e-3, 0.7e-3, 0.3e-3, 1e-5]) ** 2
    covariance[0, 3] = covariance[3, 0] = 0.5 * 0.5e-3 * 1e-5
    stand = Stands(np.array([[1000.0, 2000.0, 100.0]]), np.array([0.7]), covariance[None])
    instrument, n = Instrument(), 100_000
    one = Sights.of([0], [1.1], [1.5], [45.0], instrument_height=1.5, target_height=0.1)
    stated = points_seen(stand, one, instrument, grid_scale=0.9997).covariance[0]
    sigma = [float(s[0]) for s in instrument.sigmas(one.distance, one.zenith, one.repeats)]
    moved = np.linalg.cholesky(covariance) @ rng.normal(size=(4, n))
    many = Sights.of(
        np.zeros(n, dtype=int), 1.1 + rng.normal(size=n) * sigma[0], 1.5 + rng.normal(size=n) * sigma[1],
        45.0 + rng.normal(size=n) * sigma[2], instrument_height=1.5, target_height=0.1, setup=np.arange(n),
    )  # fmt: skip
    stands = Stands(stand.position + moved[:3].T, 0.7 + moved[3], np.broadcast_to(covariance, (n, 4, 4)))
    seen = np.cov(points_seen(stands, many, instrument, grid_scale=0.9997).xyz.T)
    # a variance from 100,000 draws is known to 0.45 percent; five times that
    scale = np.sqrt(np.outer(np.diag(stated), np.diag(stated)))
    assert (np.abs(seen - stated) < 0.023 * scale).all()


def test_the_demo_files_come_out_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    copy = tmp_path / "demo"
    shutil.copytree(DEMO, copy, ignore=shutil.ignore_patterns("__pycache__"))
    (copy / "control.csv").unlink()
    shutil.rmtree(copy / "readings")
    monkeypatch.syspath_prepend(str(DEMO))
    monkeypatch.setattr(sys, "argv", ["make_readings.py", str(copy)])
    runpy.run_path(str(DEMO / "make_readings.py"), run_name="__main__")
    for name in ("control.csv", "readings/fine_adjustment.csv"):
        ours, theirs = pd.read_csv(copy / name), pd.read_csv(DEMO / name)
        # another machine may round a last digit the other way
        pd.testing.assert_frame_equal(ours, theirs, check_exact=False, rtol=0, atol=1.01e-5)


def test_exactly_the_planted_faults_are_named(worked: WorkedUp) -> None:
    found = {s.name: [f.kind for f in s.result.faults] for s in worked.work.states if s.result is not None}
    assert len(found) == len(worked.work.states) == 27
    assert {name: kinds for name, kinds in found.items() if kinds} == {k: [v] for k, v in FAULTS.items()}
    assert [s.name for s in worked.work.states if not s.sound] == list(FAULTS)
    by_name = {s.name: s.result for s in worked.work.states}
    wrong = by_name["S05"].faults[0]
    assert wrong.points == ("C05R",)
    np.testing.assert_allclose(wrong.size, [7.0e-3, -5.0e-3, 0.0], rtol=0, atol=4 * max(wrong.sigma))
    assert set(by_name["S10"].faults[0].points) == {"C10L", "C11L"}


def test_verdicts_rest_on_sound_set_ups_only(project: Project, worked: WorkedUp) -> None:
    answer = checked(project, worked)
    names = project.layout.names
    doubtful = {
        name for state in worked.work.states if not state.sound for name in _slabs_of(project, worked, state.name)
    }
    assert set(names[answer.notes & 128 > 0]) == doubtful
    assert (answer.verdict[answer.notes & 128 > 0] == UNDECIDED).all()
    assert not answer.released[answer.notes & 128 > 0].any()
    rest = answer.notes & 128 == 0
    assert set(names[rest & (answer.verdict == OUT)]) == {"Q0137", "Q0182"}
    assert (answer.verdict[rest] == WITHIN).sum() > 200
    # weighted sum of squares over degrees of freedom: 1 if the covariances are true (here 6 of each slab)
    freedom = answer.fits.design.freedom[answer.fits.group]
    assert np.nansum(answer.fits.misfit) / freedom.sum() == pytest.approx(
        1.0, abs=4 * np.sqrt(2 / freedom.sum()), rel=0
    )


def _slabs_of(project: Project, worked: WorkedUp, setup: str) -> set[str]:
    points = worked.survey.points
    code = worked.book.setups.index(setup) + 1
    return set(project.layout.names[points.slab[points.setup == code]].tolist())


def test_what_a_set_up_does_to_both_slabs_drops_out_of_their_step(project: Project, worked: WorkedUp) -> None:
    answer = checked(project, worked)
    joints, fits = answer.joints, answer.fits
    alone = (fits.setup >= 0).sum(axis=1) == 1
    one = alone[joints.rear] & alone[joints.front] & (fits.setup[joints.rear, 0] == fits.setup[joints.front, 0])
    assert one.sum() > 150
    # by hand: the pose's own part only, at the end of the slab under the left rail
    row, front = int(np.flatnonzero(one)[0]), int(joints.front[np.flatnonzero(one)[0]])
    place = np.array([-0.75, -project.types[project.layout.type_index[front]].length / 2, 0.0])
    lift = np.array([0.0, 0.0, 1.0, place[1], -place[0], 0.0])
    own = fits.covariance - fits.common @ np.swapaxes(fits.common, 1, 2)
    rear = int(joints.rear[row])
    lift_rear = np.array([0.0, 0.0, 1.0, project.types[project.layout.type_index[rear]].length / 2, 0.75, 0.0])
    common = lift @ fits.common[front] - lift_rear @ fits.common[rear]
    variance = lift @ own[front] @ lift + lift_rear @ own[rear] @ lift_rear + common @ common
    assert joints.step_level_sigma[row, 0] == pytest.approx(np.sqrt(variance), rel=1e-9, abs=0)
    apart = np.hypot(
        np.sqrt(lift @ fits.covariance[front] @ lift), np.sqrt(lift_rear @ fits.covariance[rear] @ lift_rear)
    )
    assert joints.step_level_sigma[row, 0] < 0.95 * apart


def test_marks_lie_where_the_slabs_were_left_within_their_sigmas(project: Project, worked: WorkedUp) -> None:
    sys.path.insert(0, str(DEMO))
    try:
        from make_readings import SEED
        from make_survey import left_poses
    finally:
        sys.path.remove(str(DEMO))
    position, rotation = left_poses(project, np.random.default_rng(SEED))
    points = worked.survey.points
    sound = ~points.doubtful
    places = np.stack([t.marks.places for t in project.types])[project.layout.type_index[points.slab], points.mark]
    scale = np.array([project.alignment.rules.grid_scale] * 2 + [1.0])
    true = position[points.slab] + np.einsum("nij,nj->ni", rotation[points.slab], places) * scale
    missed = ((points.xyz - true) / points.sigma)[sound]
    # standard deviations of about a thousand values: known to 2 percent, and set-ups share errors
    np.testing.assert_allclose(missed.std(axis=0), 1.0, rtol=0, atol=0.12)


def test_all_together_takes_the_steps_out(project: Project, worked: WorkedUp) -> None:
    together = work_up(project, readings_paths(DEMO), together=True)
    assert together.work.network is not None
    assert len(together.work.networked) == 23
    steps = step_table(together)
    assert len(steps["largest_mm"]) >= 18
    assert not np.isin([*steps["first_setup"], *steps["second_setup"]], list(FAULTS)).any()
    near = steps["shared_points"] >= 8  # set-ups beside each other
    assert near.sum() >= 15
    assert np.abs(steps["step_level_mm"][near]).max() < 0.15
    shared = np.bincount(worked.survey.points.slab, minlength=len(project.layout.names)) > 4
    assert shared.any()
    table = setup_table(together)
    assert (table["sigma_level_mm"][table["state"] == "sound"] < setup_table(worked)["sigma_level_mm"].max()).all()


def test_tables_say_their_units_and_hold_every_observation(project: Project, worked: WorkedUp) -> None:
    rows = observation_table(worked)
    # 27 set-ups, 8 points, 2 rounds, 3 readings, and 3 coordinates of each point
    assert len(rows["w"]) >= 27 * 8 * (2 * 3 + 3) - 4 * 30
    sound = np.isin(rows["setup"], list(FAULTS), invert=True)
    share = float((np.abs(rows["w"][sound]) > 1.96).mean())
    assert share == pytest.approx(0.05, abs=0.02, rel=0)  # of a normal distribution
    marks = mark_table(project, worked)
    assert {n for n in marks if "sigma" in n} == {"sigma_easting_mm", "sigma_northing_mm", "sigma_level_mm"}
    assert marks["point"][0] == "Q0101-RL"


def edited(tmp_path: Path, old: str, new: str, count: int = 1) -> Path:
    text = (DEMO / "readings" / "fine_adjustment.csv").read_text()
    assert old in text
    path = tmp_path / "readings.csv"
    path.write_text(text.replace(old, new, count))
    return path


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("direction_gon", "direction_deg", "a direction"),
        ("direction_gon", "bearing", "one of direction_deg, direction_gon and direction_dms"),
        ("S01,C01L", "S01,C99L", "the unknown target 'C99L'"),
        ("Q0101-RL,Q0101,RL", "Q0101-RL,Q9999,RL", "slab 'Q9999', corner 'RL'"),
        ("Q0101-RL,Q0101,RL", "Q0101-RL,Q0101,XX", "corner 'XX'"),
        ("S01,C01L,,,1", "S01,C01L,,,3", "face"),
    ],
)
def test_bad_field_books_are_told(project: Project, tmp_path: Path, old: str, new: str, told: str) -> None:
    path = edited(tmp_path, old, new)
    with pytest.raises(InputError) as caught:
        work_up(project, [path])
    assert told in str(caught.value)
    assert "readings.csv" in str(caught.value)


def test_degrees_minutes_seconds_are_the_same_angle(project: Project, tmp_path: Path) -> None:
    head = "setup,target,direction_dms,zenith_dms,distance_m\n"
    (tmp_path / "a.csv").write_text(head + "A,C01L,123-45-06.75,90-00-30,20\nA,C02L,7 05 09,89 59 59.5,30\n")
    faults = Faults()
    book = read_field_book(project, [tmp_path / "a.csv"], faults)
    assert not faults.errors
    assert book is not None
    degrees = np.degrees(book.readings.direction)
    np.testing.assert_allclose(degrees, [123 + 45 / 60 + 6.75 / 3600, 7 + 5 / 60 + 9 / 3600], rtol=0, atol=1e-12)
    (tmp_path / "b.csv").write_text(head + "A,C01L,123-75-06.75,90-00-30,20\nA,C02L,12.5,89-59-59.5,30\n")
    read_field_book(project, [tmp_path / "b.csv"], faults)
    assert [str(f).split(":")[1] for f in faults.errors] == ["2", "3"]


def test_a_set_up_without_control_says_what_to_measure(project: Project, tmp_path: Path) -> None:
    lines = (DEMO / "readings" / "fine_adjustment.csv").read_text().splitlines()
    kept = [line for line in lines if not line.startswith("S01,C")]
    path = tmp_path / "readings.csv"
    path.write_text("\n".join(kept))
    worked = work_up(project, [path])
    assert "no control point was sighted" in worked.work.states[0].problem
    assert not np.isin(worked.survey.points.setup, 1).any()


def levelled(tmp_path: Path, rows: list[str]) -> Path:
    copy = tmp_path / "project"
    shutil.copytree(DEMO, copy, ignore=shutil.ignore_patterns("__pycache__", "survey"))
    (copy / "levelling.csv").write_text("\n".join(["start,end,difference_m,length_m", *rows]) + "\n")
    return copy


def test_levelling_joins_the_network_and_betters_its_levels(tmp_path: Path, worked: WorkedUp) -> None:
    level = dict(zip(worked.control.names, worked.control.xyz[:, 2].tolist(), strict=True))
    left = [name for name in worked.control.names if name.endswith("L")]
    rows = [f"{a},{b},{level[b] - level[a]:.5f},60" for a, b in pairwise(left)]
    copy = levelled(tmp_path, rows)
    with_lines = work_up(open_project(copy), readings_paths(copy), together=True)
    without = work_up(open_project(DEMO), readings_paths(DEMO), together=True)
    assert "levelling.csv" in with_lines.survey.inputs
    kinds = with_lines.work.network.observations.kind  # type: ignore[union-attr]
    assert (kinds == HEIGHT).sum() == len(rows)
    ours, theirs = (setup_table(w)["sigma_level_mm"][[0, 10, 25]] for w in (with_lines, without))
    assert (ours < theirs).all()


def test_bad_levelling_is_told(tmp_path: Path) -> None:
    copy = levelled(tmp_path, ["C01L,C99,0.1,60", "C02L,C02L,0.0,60", "C01L,C02L,x,60"])
    with pytest.raises(InputError) as caught:
        work_up(open_project(copy), readings_paths(copy), together=True)
    assert "levelling.csv:4: difference_m" in str(caught.value)
    copy = levelled(tmp_path / "again", ["C01L,C99,0.1,60", "C02L,C02L,0.0,60"])
    with pytest.raises(InputError) as caught:
        work_up(open_project(copy), readings_paths(copy), together=True)
    told = str(caught.value)
    assert "levelling.csv:2: end: expected a control point or a target of the readings, found 'C99'" in told
    assert "levelling.csv:3: end: expected another point than the start, found 'C02L'" in told


def test_a_free_network_says_how_well_the_sights_agree(project: Project) -> None:
    free = work_up(project, readings_paths(DEMO), together=True, free=True)
    assert free.work.network is not None
    assert not np.isin(free.work.network.observations.kind, (EASTING, NORTHING, LEVEL)).any()
    held = work_up(project, readings_paths(DEMO), together=True)
    moved = free.work.stands.position - held.work.stands.position
    used = list(free.work.networked)
    # control is good to 0.4 mm: free and held networks of 1.5 km agree to some millimetres
    assert np.abs(moved[used]).max() < 10e-3
    assert np.abs(moved[used]).max() > 1e-5


def readings_with(tmp_path: Path, change: Callable[[pd.DataFrame], pd.DataFrame]) -> Path:
    path = tmp_path / "readings.csv"
    book = pd.read_csv(DEMO / "readings" / "fine_adjustment.csv", dtype=str, keep_default_na=False)
    change(book).to_csv(path, index=False)
    return path


def swapped_faces(book: pd.DataFrame) -> pd.DataFrame:
    rows = (book.setup == "S02") & (book.target == "C02L")
    book.loc[rows, "face"] = book.loc[rows, "face"].map({"1": "2", "2": "1"})
    return book


def elevation_angles(book: pd.DataFrame) -> pd.DataFrame:
    rows = book.setup == "S02"
    zenith = book.loc[rows, "zenith_gon"].astype(float)
    book.loc[rows, "zenith_gon"] = ((100 - zenith) % 400).map("{:.6f}".format)
    return book


def feet(book: pd.DataFrame) -> pd.DataFrame:
    rows = book.setup == "S02"
    book.loc[rows, "distance_m"] = (book.loc[rows, "distance_m"].astype(float) / 0.3048).map("{:.5f}".format)
    return book


def degrees(book: pd.DataFrame) -> pd.DataFrame:
    rows = book.setup == "S02"
    for name in ("direction_gon", "zenith_gon"):
        book.loc[rows, name] = (book.loc[rows, name].astype(float) * 0.9).map("{:.6f}".format)
    return book


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (swapped_faces, "booked as face"),
        (elevation_angles, "are they elevation angles?"),
        (feet, "feet"),
        (degrees, "degrees read as gon"),
    ],
)
def test_mistakes_of_the_booker_are_named(
    project: Project, tmp_path: Path, change: Callable[[pd.DataFrame], pd.DataFrame], told: str
) -> None:
    worked = work_up(project, [readings_with(tmp_path, change)])
    findings = [text for text in worked.work.findings if told in text]
    assert len(findings) == (2 if change is swapped_faces else 1)  # either face by itself
    assert all("S02" in text for text in findings)
    # the other set-ups are as they were; a wrong face is put right, the rest is not used
    sound = {state.name for state in worked.work.states if state.sound}
    assert {"S01", "S03"} <= sound
    assert ("S02" in sound) == (change is swapped_faces)


def test_steps_between_set_ups_are_told_without_a_network_too(worked: WorkedUp) -> None:
    assert worked.work.network is None
    table = step_table(worked)
    pairs = list(zip(table["first_setup"].tolist(), table["second_setup"].tolist(), strict=True))
    assert ("S01", "S02") in pairs
    # by hand: the mean of what both make of the marks they share
    points, codes = worked.survey.points, worked.book.setups
    one, two = (points.setup == codes.index(name) + 1 for name in ("S01", "S02"))
    place = points.slab * 4 + points.mark
    shared = np.intersect1d(place[one], place[two])
    by_place = [dict(zip(place[m].tolist(), points.xyz[m], strict=True)) for m in (one, two)]
    marks = [by_place[1][p] - by_place[0][p] for p in shared.tolist()]
    assert len(marks) == 4
    row = pairs.index(("S01", "S02"))
    assert table["shared_points"][row] > 4  # control as well
    assert abs(table["step_level_mm"][row] - np.mean(marks, axis=0)[2] * 1e3) < 1.0
    assert table["largest_mm"][row] >= np.linalg.norm(marks, axis=1).max() * 1e3 - 1e-9


def test_a_place_without_a_known_uncertainty_gives_no_points(worked: WorkedUp) -> None:
    first = worked.work.states[0]
    assert first.result is not None
    unknown = replace(first.result, covariance=np.full((4, 4), np.nan))
    stands = stands_of((replace(first, result=unknown), worked.work.states[1]))
    assert np.isnan(stands.position[0]).all()
    assert np.isfinite(stands.position[1]).all()


def test_many_set_ups_are_not_all_named(worked: WorkedUp) -> None:
    told = next(text for text in worked.work.findings if "one face only" in text)
    assert "S01, S02, S03, S04, S05, S06 and 21 more" in told


def test_readings_without_every_time_count_in_the_order_of_the_file(project: Project, tmp_path: Path) -> None:
    head = "setup,target,direction_gon,zenith_gon,distance_m,time\n"
    rows = "A,C01L,1,100,20,2031-05-15T09:00:00Z\nA,C02L,2,100,20,\nA,C03L,3,100,20,2031-05-15T08:00:00Z\n"
    (tmp_path / "a.csv").write_text(head + rows)
    book = read_field_book(project, [tmp_path / "a.csv"], Faults())
    assert book is not None
    assert book.readings.time.tolist() == [0.0, 1.0, 2.0]
