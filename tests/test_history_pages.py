"""The command history: its page and its files."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from geometry.exchange.project import Project, open_project
from tests.placed_slabs import HEADER, survey_rows
from tests.project_copies import DEMO, run

LIMITS = '[injection]\nlow_mm = -0.5\nhigh_mm = 1.0\nsource = "example"\n\n[decision]'


def survey_of(project: Project, pose: dict[str, tuple[float, ...]], stage: str, hour: str, setup: str) -> str:
    """Return rows of slabs that lie so far across, along, up, m, off their targets."""
    day, clock = hour.split("T")
    rows = (survey_rows(project, slab, off, clock, stage=stage, setup=setup, day=day) for slab, off in pose.items())
    return b"".join(rows).decode()


@pytest.fixture(scope="module")
def life(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a project with three slabs from rough placing to after injection."""
    folder = tmp_path_factory.mktemp("life") / "p"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("survey", "*.py", "__pycache__"))
    settings = folder / "project.toml"
    settings.write_text(settings.read_text().replace("[decision]", LIMITS))
    (folder / "survey").mkdir()
    project = open_project(folder)
    slabs = ("Q0140", "Q0141", "Q0142")
    # the files stand in another order than the stages
    passes = (
        ("z", dict.fromkeys(slabs, (0.004, 0.0, -0.010)), "rough", "2031-05-12T08:00", "S1"),
        ("y", dict.fromkeys(slabs, (0.001, 0.0, -0.002)), "fine", "2031-05-13T08:00", "S2"),
        ("x", {"Q0140": (0.0, 0.0, 0.0005)}, "fine", "2031-05-13T09:00", "S2"),
        ("w", {"Q0140": (0.0, 0.0, 0.0008), "Q0141": (0.001, 0.0, 0.0)}, "after injection", "2031-05-20T08:00", "S3"),
    )
    for name, *rest in passes:
        (folder / "survey" / f"{name}.csv").write_text(HEADER + survey_of(project, *rest))  # type: ignore[arg-type]
    return folder


def told(*arguments: object) -> tuple[int, str, str]:
    answer = run(*arguments)
    return answer.status, answer.out, answer.err


def test_history_as_json_and_csv(life: Path, tmp_path: Path) -> None:
    status, out, err = told("history", life, "--json", "-", "--csv", tmp_path / "h.csv")
    assert (status, err) == (0, "")
    document = json.loads(out)
    assert list(document["made_from"]["inputs_sha256"])[-4:] == [f"survey/{name}.csv" for name in "wxyz"]
    epochs = document["epochs"]
    assert [(e["slab"], e["stage"], e["round"]) for e in epochs] == [
        ("Q0140", "rough", 1), ("Q0140", "fine", 1), ("Q0140", "fine", 2), ("Q0140", "after injection", 1),
        ("Q0141", "rough", 1), ("Q0141", "fine", 1), ("Q0141", "after injection", 1),
        ("Q0142", "rough", 1), ("Q0142", "fine", 1),
    ]  # fmt: skip
    third = epochs[2]
    assert third["up_mm"] == pytest.approx(0.5, abs=0.01)
    assert third["up_sigma_mm"] == pytest.approx(0.1 * np.sqrt(3) / 2, abs=1e-3)
    assert third["up_moved_mm"] == pytest.approx(2.5, abs=0.01)
    assert third["up_moved_sigma_mm"] == pytest.approx(0.05 * np.sqrt(2), abs=1e-3)
    assert (third["moved_since"], third["moved"], third["setup"]) == ("fine 1", "moved", "S2")
    assert epochs[0]["moved"] == ""
    assert epochs[0]["congruency_p"] is None
    # along nothing was done
    assert third["along_moved_p"] > 0.9
    corner = next(c for c in document["corners"] if c["slab"] == "Q0141" and c["to"] == "after injection 1")
    assert corner["up_moved_mm"] == pytest.approx(2.0, abs=0.01)
    assert (corner["injection"], corner["injection_verdict"]) == (True, "out")
    lifts = [m for m in document["moves"] if (m["slab"], m["to"], m["move"]) == ("Q0140", "fine 2", "lift")]
    assert [m["place"] for m in lifts] == ["RL", "RR", "FL", "FR"]
    for move in lifts:
        assert move["asked_mm"] == pytest.approx(2.0, abs=0.02)
        assert move["achieved_mm"] == pytest.approx(2.5, abs=0.02)
        assert move["rest_mm"] == pytest.approx(-0.5, abs=0.02)
        assert move["achieved_percent"] == pytest.approx(125, abs=1)
    # nobody turns a screw of a slab that is injected
    assert not [m for m in document["moves"] if m["to"] == "after injection 1"]
    errors = {(a["slab"], a["to"]): a["errors"].split(":")[0] for a in document["assumed"]}
    assert errors["Q0140", "fine 2"] == "one set-up"
    assert errors["Q0140", "after injection 1"] == "two set-ups"

    with (tmp_path / "h.csv").open(newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert [row["slab"] for row in rows] == [e["slab"] for e in epochs]
    assert float(rows[2]["up_moved_mm"]) == pytest.approx(2.5, abs=0.01)
    assert rows[2]["up_pose_sigma_mm"] == "0.050"
    assert rows[0]["up_moved_mm"] == ""
    assert rows[2]["time"] == "2031-05-13T09:00:10Z"


def test_history_page(life: Path) -> None:
    status, out, _ = told("history", life)
    assert status == 0
    lines = [line.rstrip() for line in out.splitlines()]
    (row,) = (line for line in lines if line.startswith("      fine 2 "))
    assert row.split()[2:4] == ["05-13", "09:00"]
    assert "+0.50 ±0.09   # moved  lift" in row
    assert any(line.startswith("Q0142 rough 1") for line in lines)
    (up,) = (line for line in lines if line.startswith("Q0141 fine 1 > after injection 1"))
    assert up.split()[-2:] == ["#", "out"]
    assert "+2.00 ±0.12" in up
    (up,) = (line for line in lines if line.startswith("Q0140 fine 2 > after injection 1"))
    assert up.endswith("  within")
    assert "Limits: -0.5 to +1 mm (example)." in out
    assert "two set-ups: their errors taken as independent" in out
    assert max(map(len, lines)) <= 120


def test_history_of_one_slab(life: Path) -> None:
    _, out, _ = told("history", life, "--slab", "Q0142")
    assert "Q0140" not in out
    assert "Q0142: moves asked for and achieved" in out
    assert "Q0142: movement of each corner" in out
    assert "during injection" not in out
    (row,) = (line for line in out.splitlines() if "lift FR" in line and line.startswith(" "))
    cells = row.split()
    # coordinates are written to 0.01 mm
    assert [float(cells[i]) for i in (2, 4, 6)] == pytest.approx([10.0, 8.0, 2.0], abs=0.021)
    assert cells[3::2] == ["±0.08", "±0.11", "±0.08", "±1"]
    assert cells[8] == "+80"


def test_history_of_slabs_measured_once_and_unknown_ones(life: Path) -> None:
    status, out, _ = told("history", life, "--survey", life / "survey" / "z.csv")
    assert status == 0
    assert out.startswith("Quillmoor link, track 2: no slab was measured more than once.")
    status, out, _ = told("history", life, "--survey", life / "survey" / "z.csv", "--slab", "Q0141")
    assert "Q0141 rough 1" in out
    status, _, err = told("history", life, "--slab", "Q0143", "--slab", "Q014l")
    assert status == 2
    assert "--slab: expected the name of a slab, found 'Q014l' (did you mean" in err


def test_history_of_conflicting_files(life: Path, tmp_path: Path) -> None:
    folder = tmp_path / "p"
    shutil.copytree(life, folder)
    rows = (folder / "survey" / "x.csv").read_text()
    level = rows.splitlines()[1].split(",")[5]
    (folder / "survey" / "x2.csv").write_text(rows.replace(level, f"{float(level) + 0.003:.5f}", 1))
    status, out, _ = told("history", folder)
    assert status == 0
    text = " ".join(out.split())
    assert "! RL of slab Q0140 has two readings of one moment, 3.0 mm apart: point PQ0140RL (x.csv:2)" in text
    assert "(x2.csv:2)" in text
    assert "3 readings stand in the survey twice and count once" in text
    (row,) = (line for line in out.splitlines() if line.startswith("      fine 2 "))
    assert "+0.50 ±0.09" in row
    assert "? no check" in row
    assert "two readings of one moment" in text


def test_limits_of_injection_that_make_no_sense(life: Path, tmp_path: Path) -> None:
    folder = tmp_path / "p"
    shutil.copytree(life, folder)
    settings = folder / "project.toml"
    settings.write_text(settings.read_text().replace("high_mm = 1.0", "high_mm = -1.0"))
    status, _, err = told("history", folder)
    assert status == 2
    assert "low_mm below high_mm, found -0.5 and -1" in err
