"""The history of slabs from readings: epochs of set-ups with known uncertainty, alone and beside surveyed points."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from geometry.exchange.epoch_files import StagedReadings, read_epochs
from geometry.exchange.fieldwork_files import work_up
from geometry.exchange.project import Project, open_project
from geometry.exchange.survey_files import StagedSurvey
from geometry.placement.history import History
from geometry.placement.movement import MOVED, NO_CHECK, NOISE
from tests.placed_slabs import HEADER, READINGS_HEADER, Crew, marks_at, survey_rows
from tests.project_copies import DEMO, run
from viewer.history_page import history_of

SLABS = tuple(f"Q0{i}" for i in range(136, 144))
STILL = (0.0,) * 6


@pytest.fixture(scope="module")
def project() -> Project:
    return open_project(DEMO)


def written(folder: Path, name: str, rows: Sequence[bytes]) -> Path:
    path = folder / name
    path.write_bytes(READINGS_HEADER.encode() + b"".join(rows))
    return path


def history(
    project: Project, readings: Sequence[Path], survey: Sequence[Path] = ()
) -> tuple[StagedSurvey, StagedReadings, History]:
    read, worked = read_epochs(project, survey, readings)
    assert worked is not None
    return read, worked, history_of(project, read)


def one_setup(crew: Crew, setup: str, pose: dict[str, Sequence[float]], stage: str = "fine") -> list[bytes]:
    """Return a round to control, slabs, and control again."""
    crew.move_to(setup, "Q0139", stage)
    rows = crew.to_control()
    for slab, off in pose.items():
        rows += crew.to_slab(slab, off)
    return rows + crew.to_control()


def at(slabs: Sequence[str], pose: Sequence[float] = STILL) -> dict[str, Sequence[float]]:
    return dict.fromkeys(slabs, pose)


# --- set-ups of known uncertainty


def test_what_one_setup_does_to_both_measurements_drops_out_exactly(project: Project, tmp_path: Path) -> None:
    crew = Crew(project, 1)
    rows: list[bytes] = []
    for number, middle in enumerate((139, 169, 199, 229, 259, 289), start=1):
        crew.move_to(f"S{number}", f"Q0{middle}")
        rows += crew.to_control()
        slabs = [f"Q0{i}" for i in range(middle - 7, middle + 8)]
        for _ in range(2):
            for slab in slabs:
                rows += crew.to_slab(slab)
        rows += crew.to_control()
    _, _, told = history(project, [written(tmp_path, "a.csv", rows)])
    m = told.movements
    assert len(m.verdict) == 90
    assert set(m.assumed.tolist()) == {3}
    # one set-up of the two in the movement: what is left are the readings themselves
    own = told.fits.covariance - told.fits.common @ np.swapaxes(told.fits.common, 1, 2)
    assert m.covariance == pytest.approx(own[m.before] + own[m.after], abs=1e-14)
    assert (m.sigma[:, 1] < 0.9 * np.sqrt(2) * told.pose_sigma[m.after, 1]).mean() > 0.4
    # each reading anew, so that 90 slabs are 90 trials
    assert stats.kstest(m.statistic, stats.chi2(6).cdf).pvalue > 0.01
    assert (m.verdict == MOVED).sum() <= 4  # of 90 one percent: five or more in 2 of 1000 surveys


def test_two_setups_are_both_in_the_test(project: Project, tmp_path: Path) -> None:
    statistics: list[float] = []
    for seed in range(4):
        crew = Crew(project, 40 + seed)
        rows: list[bytes] = []
        for number, middle in enumerate(range(110, 360, 17), start=1):
            for turn in (0, 1):
                # control points of their own: shared ones would have the same error at both
                crew.move_to(f"S{number}{'ab'[turn]}", f"Q0{middle}", offset=0.4 - turn)
                control = crew.near(12)[turn::2]
                rows += crew.to_control(control) + crew.to_slab(f"Q0{middle}") + crew.to_control(control)
        _, _, told = history(project, [written(tmp_path, "a.csv", rows)])
        m = told.movements
        assert set(m.assumed.tolist()) == {4}
        statistics += m.statistic[m.verdict != NO_CHECK].tolist()
    # set-ups without faults that are named all the same are 2 in 1000
    assert len(statistics) >= 57
    assert stats.kstest(statistics, stats.chi2(6).cdf).pvalue > 0.01
    assert (np.array(statistics) > stats.chi2.isf(0.01, 6)).sum() <= 4


def test_a_common_shift_of_a_setup_is_no_move_of_every_slab(project: Project, tmp_path: Path) -> None:
    crew = Crew(project, 7, noise=0.3)
    rows = one_setup(crew, "S1", at(SLABS))
    # both set-ups are good to some 0.15 mm in level; one slab was raised by 2 mm besides
    crew.true = crew.true - [0.0, 0.0, 0.35e-3]
    rows += one_setup(crew.rest(24), "S2", at(SLABS) | {"Q0140": (0.0, 0.0, 2e-3)})
    _, worked, told = history(project, [written(tmp_path, "a.csv", rows)])
    assert all(state.sound for state in worked.work.states)
    m = told.movements
    up = m.pose[:, 2] * 1e3
    assert np.delete(up, 4) == pytest.approx(np.full(7, 0.35), abs=0.12)
    # by the marks' own readings alone every one of them would have moved
    own = told.fits.covariance - told.fits.common @ np.swapaxes(told.fits.common, 1, 2)
    alone = (m.pose[:, None] @ np.linalg.solve(own[m.before] + own[m.after], m.pose[..., None])).ravel()
    assert (stats.chi2.sf(alone, 6) < 0.01).sum() >= 6
    assert m.verdict.tolist() == [NOISE] * 4 + [MOVED] + [NOISE] * 3
    assert not [f for f in told.findings if f.kind == "moved alike"]


def test_moves_of_planted_sizes_are_found_as_often_as_stated(project: Project, tmp_path: Path) -> None:
    # the same set-up before and after: every slab is a trial of its own
    crew = Crew(project, 11)
    middles = (130, 160, 190, 220, 250, 280)
    plain: list[bytes] = []
    for middle in middles[:1]:
        crew.move_to("S1", f"Q0{middle}")
        plain += crew.to_control() + crew.to_slab(f"Q0{middle + 5}") + crew.to_slab(f"Q0{middle + 5}")
    least = history(project, [written(tmp_path, "plain.csv", plain)])[2].movements.least[0, 2]
    assert 0.2e-3 < least < 0.8e-3
    rows: list[bytes] = []
    for number, middle in enumerate(middles, start=1):
        crew.move_to(f"S{number}", f"Q0{middle}")
        rows += crew.to_control()
        for slab in [f"Q0{middle + k}" for k in (-6, -5, 4, 5, 6)]:
            rows += crew.to_slab(slab) + crew.to_slab(slab, (0.0, 0.0, least))
        rows += crew.to_control()
    m = history(project, [written(tmp_path, "a.csv", rows)])[2].movements
    found = (m.verdict == MOVED).sum()
    # power 0.8 at about the same distance, 30 trials: 15 to 29 in 999 of 1000 surveys, with room for the distances
    assert len(m.verdict) == 30
    assert 14 <= found <= 30
    assert (m.pose[:, 2] - least).mean() == pytest.approx(0, abs=4 * m.sigma[:, 2].mean() / np.sqrt(30))


def test_nothing_is_called_moved_on_a_setup_in_doubt(project: Project, tmp_path: Path) -> None:
    crew = Crew(project, 3)
    rows = one_setup(crew, "S1", at(SLABS))
    crew.rest(24).move_to("S2", "Q0139")
    rows += crew.to_control()
    for slab in SLABS[:4]:
        rows += crew.to_slab(slab, (0.0, 0.0, 3e-3))
    rows += crew.trodden_on(3e-3, 2e-3).to_control()
    read, worked, told = history(project, [written(tmp_path, "a.csv", rows)])
    assert [state.sound for state in worked.work.states] == [True, False]
    assert told.movements.verdict.tolist() == [NO_CHECK] * 4
    assert (told.movements.pose[:, 2] > 2e-3).all()
    after = told.epochs.setup == read.given.setups.index("S2")
    assert (told.notes[after] == 32).all()
    assert (told.notes[~after] == 0).all()
    (finding,) = (f for f in told.findings if f.kind == "set-up in doubt")
    assert finding.withholds
    assert "something is wrong with set-up S2" in finding.text
    assert "Q0136, Q0137, Q0138, Q0139" in finding.text


# --- which set-up is which


def test_a_name_of_another_day_is_another_setup(project: Project, tmp_path: Path) -> None:
    crew = Crew(project, 4)
    one = one_setup(crew, "S01", at(SLABS[:3]))
    two = one_setup(crew.rest(20), "S01", at(SLABS[:3]))
    for paths in ([written(tmp_path, "a.csv", one), written(tmp_path, "b.csv", two)],
                  [written(tmp_path, "both.csv", one + two)]):  # fmt: skip
        read, worked, told = history(project, paths)
        assert worked.book.setups == ("S01 of 2031-05-15", "S01 of 2031-05-16")
        assert all(state.sound for state in worked.work.states)
        assert told.movements.assumed.tolist() == [4, 4, 4]
        assert told.movements.verdict.tolist() == [NOISE] * 3
        assert read.given.setups[1:] == worked.book.setups


def test_coordinates_of_another_day_are_of_another_setup(project: Project, tmp_path: Path) -> None:
    days = [survey_rows(project, "Q0140", STILL, "08:00", day=f"2031-05-{day}") for day in (14, 15)]
    path = tmp_path / "a.csv"
    path.write_bytes(HEADER.encode() + b"".join(days))
    read, _ = read_epochs(project, [path], [])
    assert read.given.setups == ("", "S1 of 2031-05-14", "S1 of 2031-05-15")
    # with their own errors in the test, not cancelled
    assert history_of(project, read).movements.assumed.tolist() == [2]


def test_two_instruments_that_count_alike(project: Project, tmp_path: Path) -> None:
    one = one_setup(Crew(project, 4), "S01", at(SLABS[:3]))
    crew = Crew(project, 4)
    crew.rng = np.random.default_rng(99)
    two = one_setup(crew.rest(0.05), "S01", at(SLABS[3:6]))
    _, worked, told = history(project, [written(tmp_path, "a.csv", one), written(tmp_path, "b.csv", two)])
    assert worked.book.setups == ("S01 of 2031-05-15 21:00", "S01 of 2031-05-15 21:03")
    assert all(state.sound for state in worked.work.states)
    assert sorted(told.epochs.slab.tolist()) == list(range(35, 41))


def test_a_setup_that_goes_on_in_another_file_is_one(project: Project, tmp_path: Path) -> None:
    crew = Crew(project, 4).move_to("S01", "Q0139")
    one = crew.to_control() + crew.to_slab("Q0138")
    two = crew.to_slab("Q0139") + crew.to_control()
    _, worked, told = history(project, [written(tmp_path, "a.csv", one), written(tmp_path, "b.csv", two)])
    assert worked.book.setups == ("S01",)
    assert len(told.epochs) == 2
    whole = history(project, [written(tmp_path, "c.csv", one + two)])[2]
    assert told.pose == pytest.approx(whole.pose, abs=0)


def test_a_copy_of_a_file_that_grew_since_changes_nothing(project: Project, tmp_path: Path) -> None:
    rows = one_setup(Crew(project, 4), "S01", at(SLABS[:3]))
    alone = history(project, [written(tmp_path, "b.csv", rows)])[2]
    # the copy comes first by its name, so that the rest of the other file has no control of its own
    copy = written(tmp_path, "a.csv", rows[:20])
    read, worked, told = history(project, [copy, tmp_path / "b.csv"])
    assert len(worked.book.setups) == 1
    assert told.pose == pytest.approx(alone.pose, abs=0)
    (warning,) = read.warnings
    assert "b.csv:2: target: expected each reading once, found 20 that stand there already" in str(warning)


def test_files_in_any_order_and_times_in_any_order(project: Project, tmp_path: Path) -> None:
    crew = Crew(project, 5)
    one = one_setup(crew, "S1", at(SLABS[:2]))
    two = one_setup(crew.rest(20), "S2", at(SLABS[:2], (0.0, 0.0, 2e-3)))
    rows = [*one, *two]
    np.random.default_rng(1).shuffle(rows)  # type: ignore[arg-type]
    shuffled = history(project, [written(tmp_path, "a.csv", rows)])[2]
    straight = history(project, [written(tmp_path, "z.csv", one), written(tmp_path, "b.csv", two)])[2]
    for name in ("pose", "notes", "pose_sigma"):
        assert getattr(shuffled, name) == pytest.approx(getattr(straight, name), abs=1e-12)
    assert shuffled.epochs.start.tolist() == straight.epochs.start.tolist()
    assert shuffled.movements.verdict.tolist() == [MOVED, MOVED]


# --- stages, rounds, and readings beside coordinates


def test_a_setup_sees_a_slab_in_two_stages_and_in_two_rounds(project: Project, tmp_path: Path) -> None:
    crew = Crew(project, 6).move_to("S1", "Q0139")
    rows = crew.to_control() + crew.to_slab("Q0140", (0.0, 0.0, -3e-3))
    rows += crew.to_slab("Q0140", (0.0, 0.0, -1e-3))
    crew.stage = "recheck"
    rows += crew.to_slab("Q0140") + crew.to_control()
    read, _, told = history(project, [written(tmp_path, "a.csv", rows)])
    assert [read.given.stages[i] for i in told.epochs.stage.tolist()] == ["fine", "fine", "recheck"]
    assert told.epochs.round.tolist() == [1, 2, 1]
    assert told.pose[:, 2] * 1e3 == pytest.approx([-3, -1, 0], abs=0.5)
    assert np.diff(told.pose[:, 2] * 1e3) == pytest.approx([2, 1], abs=0.3)
    assert told.movements.verdict.tolist() == [MOVED, MOVED]


def test_both_faces_are_one_round_and_better(project: Project, tmp_path: Path) -> None:
    crew = Crew(project, 6).move_to("S1", "Q0139")
    rows = crew.to_control() + crew.to_slab("Q0144", faces=(1, 2)) + crew.to_slab("Q0145") + crew.to_control()
    read, _, told = history(project, [written(tmp_path, "a.csv", rows)])
    assert told.epochs.slab.tolist() == [43, 44]
    own = read.given.points.own
    assert own is not None
    # of the distance the reading gets better by the root of two, the prism over its mark does not
    assert (
        0.6 < np.sqrt(own[:4].trace(axis1=1, axis2=2)).mean() / np.sqrt(own[4:].trace(axis1=1, axis2=2)).mean() < 0.95
    )
    assert read.faces.tolist() == [2] * 4 + [1] * 4


def test_times_that_lack_are_not_made_up(project: Project, tmp_path: Path) -> None:
    crew = Crew(project, 6).move_to("S1", "Q0139")
    rows = crew.to_control() + crew.to_slab("Q0140")
    bare = [b",".join([*row.split(b",")[:8], b"", row.split(b",")[9]]) for row in rows]
    _, _, told = history(project, [written(tmp_path, "a.csv", bare)])
    assert np.isnat(told.epochs.start).all()
    bare[3] = rows[3]  # one time among none
    _, _, told = history(project, [written(tmp_path, "a.csv", bare)])
    assert np.isnat(told.epochs.start).all()


def test_rough_as_coordinates_and_fine_as_readings(project: Project, tmp_path: Path) -> None:
    rough = tmp_path / "rough.csv"
    rough.write_bytes(HEADER.encode() + b"".join(
        survey_rows(project, slab, (0.004, 0.0, -0.01), "08:00", stage="rough", setup="S1") for slab in SLABS[:2]
    ))  # fmt: skip
    rows = one_setup(Crew(project, 8), "S1", at(SLABS[:2]))
    read, _, told = history(project, [written(tmp_path, "a.csv", rows)], [rough])
    assert [read.given.stages[i] for i in told.epochs.stage.tolist()] == ["rough", "fine"] * 2
    assert read.given.setups == ("", "S1", "S1 of the readings")
    assert told.movements.verdict.tolist() == [MOVED, MOVED]
    # nothing is known of the errors that the coordinates share
    assert told.movements.assumed.tolist() == [2, 2]
    assert told.movements.pose[:, 2] * 1e3 == pytest.approx([10, 10], abs=0.6)
    # each has what it came with: 0.25 mm and 0.10 mm at four marks, or readings and set-up
    rough_sigma, fine_sigma = told.pose_sigma[0::2], told.pose_sigma[1::2]
    assert rough_sigma[:, 1] == pytest.approx(np.full(2, 0.125e-3), abs=2e-6)
    assert (fine_sigma[:, 1] > 0.2e-3).all()
    lift = told.movements.adjustments["lift"]
    assert (lift.asked * 1e3 == pytest.approx(np.full((2, 4), 10), abs=0.1)) is True


def test_what_stands_in_survey_and_readings_counts_once(project: Project, tmp_path: Path) -> None:
    rows = one_setup(Crew(project, 8), "S1", at(SLABS[:1]))
    read, *_ = history(project, [written(tmp_path, "a.csv", rows)])
    p = read.given.points
    shown = "".join(
        f"P{i},Q0136,{corner},{e:.5f},{n:.5f},{h:.5f},S1,fine,{time}Z\n"
        for i, (corner, (e, n, h), time) in enumerate(zip(("RL", "RR", "FL", "FR"), p.xyz, p.time, strict=True))
    )
    (tmp_path / "s.csv").write_text(HEADER + shown)
    both, _, told = history(project, [tmp_path / "a.csv"], [tmp_path / "s.csv"])
    assert len(told.epochs) == 1
    assert len(both.given.points) == 4
    assert (both.faces == 1).all()
    assert "point P0 (s.csv:2) and 3 more like it in both (those of the readings count)" in str(both.warnings[-1])


def test_a_setup_that_is_not_solved_keeps_the_others(project: Project, tmp_path: Path) -> None:
    crew = Crew(project, 9)
    rows = one_setup(crew, "S1", at(SLABS[:2]))
    crew.move_to("S2", "Q0142")
    rows += crew.to_control(crew.near(1)) + crew.to_slab("Q0142")
    _, worked, told = history(project, [written(tmp_path, "a.csv", rows)])
    assert "sight at least one more control point" in worked.work.states[1].problem
    assert told.epochs.slab.tolist() == [35, 36]


def test_what_is_wrong_with_units_is_told_and_not_used(project: Project, tmp_path: Path) -> None:
    crew = Crew(project, 9)
    rows = one_setup(crew, "S1", at(SLABS[:2]))
    degrees = tmp_path / "degrees.csv"
    degrees.write_bytes(READINGS_HEADER.replace("_gon", "_deg").encode() + b"".join(
        row.replace(row.split(b",")[5], str(float(row.split(b",")[5]) * 0.9).encode()) for row in rows
    ))  # fmt: skip
    # directions are degrees there, but zenith angles gon
    _, worked, told = history(project, [degrees])
    assert not worked.work.states[0].sound
    assert any("gon read as degrees" in text for text in worked.work.findings)
    assert not len(told.epochs)


# --- the command


@pytest.fixture(scope="module")
def life(project: Project, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a project with rough placing as coordinates, fine adjustment as readings, one set-up of these faulty."""
    folder = tmp_path_factory.mktemp("life") / "p"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("survey", "readings", "*.py", "__pycache__"))
    (folder / "survey").mkdir()
    (folder / "readings").mkdir()
    (folder / "survey" / "rough.csv").write_bytes(HEADER.encode() + b"".join(
        survey_rows(project, slab, (0.004, 0.0, -0.01), "08:00", stage="rough", setup="R1") for slab in SLABS[:3]
    ))  # fmt: skip
    crew = Crew(project, 12)
    rows = one_setup(crew, "S1", at(SLABS[:2], (0.0, 0.0, -0.002)))
    crew.rest(1).move_to("S2", "Q0141")
    rows += crew.to_control() + crew.to_slab(SLABS[0]) + crew.to_slab(SLABS[2])
    rows += crew.trodden_on(-3e-3, 2e-3).to_control()
    written(folder / "readings", "fine.csv", rows)
    return folder


def test_the_page_of_readings_and_coordinates_together(life: Path) -> None:
    answer = run("history", life, "--survey", life / "survey" / "rough.csv", "--readings", life / "readings/fine.csv")
    assert (answer.status, answer.err) == (0, "")
    text = " ".join(answer.out.split())
    assert "Q0136 rough 1" in text
    rows = {line[:20].strip(): line for line in answer.out.splitlines()}
    assert "# moved" in rows["fine 1"] or "? no check" in rows["fine 1"]
    assert "set-up in doubt" in rows["fine 2"]
    assert "? no check" in rows["fine 2"]
    assert "! something is wrong with set-up S2: no movement is called on what it saw of Q0136, Q0138" in text
    assert "! set-up S2: the instrument moved after sight" in text
    assert "what the sigmas of the marks do not hold is not in the test" in text
    assert max(map(len, answer.out.splitlines())) <= 120
    # nor is any part of such a movement called moved, however far the slab seems to be
    one = run("history", life, "--slab", "Q0136", "--readings", life / "readings" / "fine.csv").out
    parts = one[one.index("movement of the centre") : one.index("moves asked for")].splitlines()
    rows_of_parts = [line for line in parts if re.search(r" (across|along|up|pitch|roll|yaw) ", line)]
    assert len(rows_of_parts) == 6
    assert any("<0.0001" in line for line in rows_of_parts)
    assert all("? no check" in line for line in rows_of_parts)


def test_history_from_what_is_there(life: Path, tmp_path: Path) -> None:
    # as check: the survey if there is one, and it is said what was not read
    answer = run("history", life)
    assert "no slab was measured more than once" in answer.out
    assert "for the files in readings name them with --readings" in " ".join(answer.out.split())
    document = json.loads(run("history", life, "--json", "-").out)
    assert "survey/rough.csv" in document["made_from"]["inputs_sha256"]
    assert "readings/fine.csv" not in document["made_from"]["inputs_sha256"]
    # named readings stand alone
    document = json.loads(run("history", life, "--readings", life / "readings/fine.csv", "--json", "-").out)
    assert "survey/rough.csv" not in document["made_from"]["inputs_sha256"]
    assert {e["stage"] for e in document["epochs"]} == {"fine"}
    assert {e["setup"] for e in document["epochs"]} == {"S1", "S2"}
    assert any(f["wrong"] and "S2" in f["text"] for f in document["findings_in_readings"])
    # without any survey the readings are found
    folder = tmp_path / "p"
    shutil.copytree(life, folder, ignore=shutil.ignore_patterns("survey"))
    assert "Q0136 fine 1" in run("history", folder).out


def test_readings_without_any_mark_are_no_history_and_no_fault(life: Path, project: Project, tmp_path: Path) -> None:
    crew = Crew(project, 12).move_to("S1", "Q0139")
    path = written(tmp_path, "a.csv", crew.to_control())
    answer = run("history", life, "--readings", path)
    assert answer.status == 0
    assert "no slab was measured more than once" in answer.out
    both = run("history", life, "--readings", path, "--survey", life / "survey" / "rough.csv", "--slab", "Q0136")
    assert "Q0136 rough 1" in both.out


# --- check: where slabs stand in the end


def test_check_does_not_average_what_lies_before_and_after_a_move(project: Project, tmp_path: Path) -> None:
    crew = Crew(project, 6).move_to("S1", "Q0139")
    rows = crew.to_control() + crew.to_slab("Q0140", (0.0, 0.0, -3e-3)) + crew.to_slab("Q0141")
    rows += crew.to_slab("Q0140") + crew.to_slab("Q0141") + crew.to_control()
    worked = work_up(project, [written(tmp_path, "a.csv", rows)])
    points = worked.survey.points
    assert len(points) == 8
    for slab, index in (("Q0140", 39), ("Q0141", 40)):
        mine = points.slab == index
        order = np.argsort(points.mark[mine])
        off = points.xyz[mine][order] - marks_at(project, slab, STILL)
        assert np.abs(off[:, 2]).max() < 0.6e-3
    (warning,) = worked.survey.warnings
    assert "rounds to a mark that agree, found Q0140-" in str(warning)
    assert "the slab was moved in between: only the last round counts" in str(warning)
    # of the slab that stood still the mean of two rounds, surer than one; of the other one the last round
    single = work_up(project, [written(tmp_path, "b.csv", rows[:24] + rows[-16:])]).survey.points
    for index, least, most in ((40, 0.6, 0.95), (39, 0.999, 1.001)):
        both, one = (np.sqrt(p.own[p.slab == index][:, 1, 1]).mean() for p in (points, single))  # type: ignore[index]
        assert least < both / one < most
