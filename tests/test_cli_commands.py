"""Commands: what they tell of themselves, the status they end with, what is there when they fail."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from command_line import COMMANDS, PROGRAM
from project_copies import DEMO, SURVEY, copy_of_demo, run

import viewer.check_command

README = (DEMO.parent / "README.md").read_text()


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


@pytest.fixture
def perfect(project: Path) -> Path:
    """A project whose survey is its own setting-out table."""
    assert run("layout", project, "--show", "corners", "--csv", project / "set_out.csv").status == 0
    shutil.move(project / "set_out.csv", project / SURVEY)
    return project


def test_a_survey_that_is_the_setting_out_is_all_within(perfect: Path) -> None:
    answer = run("check", perfect)
    assert answer.status == 0
    assert answer.err.count("\n") == 1
    assert "fine_adjustment.csv: expected measured points, found designed ones: 538 of 538 looked at" in answer.err
    assert re.search(r"  within +269 +268\n# out +0 +0\n\? undecided +0 +0\n- not measured +0 +0\n", answer.out)
    assert "need attention" not in answer.out
    assert "Moves" not in answer.out


def test_the_status_says_whether_all_is_within(project: Path) -> None:
    assert run("check", project).status == 1
    assert run("check", project, "--from", "Q0105", "--to", "Q0110").status == 0
    assert run("check", project, "--from", "Q0137", "--to", "Q0137").status == 1  # out
    assert run("check", project, "--from", "Q0160", "--to", "Q0160").status == 1  # undecided
    assert run("check", project, "--from", "Q0318", "--to", "Q0318").status == 1  # not measured
    assert run("check", project, "--from", "Q0251", "--to", "Q0252").status == 1  # a joint is out
    assert run("check", project, "--from", "Q0251", "--to", "Q0251").status == 0
    assert run("check", project, "--from", "27+900.0", "--to", "27950").status == 0


@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.parametrize("flag", ["-h", "--help"])
def test_every_command_has_help_with_an_example(name: str, flag: str) -> None:
    answer = run(name, flag)
    assert answer.status == 0
    assert answer.err == ""
    assert "\n  Example:\n    slabpose " in answer.out
    assert "\\b" not in answer.out
    assert f"  slabpose {name} " in answer.out
    assert max(map(len, answer.out.splitlines())) <= 100


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_stands_in_the_readme(name: str) -> None:
    assert f"slabpose {name}" in README


@pytest.mark.parametrize("name", [name for name in COMMANDS if name not in ("demo", "follow", "serve")])
def test_every_example_runs(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(DEMO, tmp_path / "demo_alignment")
    monkeypatch.chdir(tmp_path)
    # with what comes before it: one command may need what another has written
    examples = re.findall(r"^ +slabpose (\w.*)$", run(name, "--help").out, re.MULTILINE)
    assert any(example.startswith(f"{name} ") for example in examples)
    for example in examples:
        answer = run(*shlex.split(example))
        assert answer.status in (0, 1), answer.err
        for word in shlex.split(example):
            if word.endswith((".csv", ".png", ".json")):
                assert (tmp_path / word).stat().st_size > 100


def test_the_help_of_all_says_what_a_newcomer_types(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    text = run("--help").out
    for name in COMMANDS:
        assert re.search(rf"^  {name} ", text, re.MULTILINE)
    assert "0 all within, 1 something is out, undecided or not measured, 2 bad input, 3 a bug" in " ".join(text.split())
    assert run("demo", "try-it").status == 0
    assert run("check", "try-it").status == 1
    assert run().status == 2


def test_version_and_mistakes_in_the_command() -> None:
    assert re.fullmatch(r"slabpose, version \d+\.\d+\.\d+\n", run("--version").out)
    for arguments in (("chek",), ("check",), ("check", "x", "--frm", "1"), ("layout", "x", "--show", "all")):
        answer = run(*arguments)
        assert answer.status == 2
        assert answer.out == ""
        assert "Error: " in answer.err


def test_help_answers_at_once() -> None:
    """By the time of the processor, of which other work on the machine takes nothing; the best of five."""
    seconds = []
    for _ in range(5):
        before = os.times()
        subprocess.run([*PROGRAM, "--help"], check=True, capture_output=True)
        after = os.times()
        seconds.append(after.children_user - before.children_user + after.children_system - before.children_system)
    assert min(seconds) < 0.4


def test_help_loads_nothing_heavy() -> None:
    code = "import sys; from viewer.cli import _status; _status(['check', '--help']); print(*sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout
    loaded = {name.partition(".")[0] for name in out.splitlines()[-1].split()}
    assert "click" in loaded
    assert not loaded & {"numpy", "scipy", "pandas", "pyarrow", "pyvista", "vtk", "vtkmodules", "matplotlib", "shapely",
                         "pydantic", "rich"}  # fmt: skip


def test_a_bug_is_told_as_such(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("of our own making")

    monkeypatch.setattr(viewer.check_command, "open_project", broken)
    answer = run("check", project)
    assert answer.status == 3
    assert answer.out == ""
    assert "ZeroDivisionError: of our own making" in answer.err
    assert answer.err.startswith("Traceback")
    assert answer.err.splitlines()[-1] == "slabpose: this is a bug in slabpose; please report it with the lines above"


def test_an_interrupt_ends_with_its_own_status(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(viewer.check_command, "open_project", stopped)
    answer = run("check", project)
    assert answer.status == 130
    assert "interrupted" in answer.err
    assert "Traceback" not in answer.err


def test_a_full_disk_is_no_bug(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    before = {path.name for path in project.iterdir()}
    answer = run("check", project, "--csv", project / "v.csv")
    assert answer.status == 2
    assert answer.err == "slabpose: no space left on device\n"
    assert {path.name for path in project.iterdir()} == before


@pytest.mark.parametrize("old", [None, b"of yesterday\n"])
@pytest.mark.parametrize("option", ["--csv", "--json", "--corners", "--joints"])
def test_a_result_is_there_whole_or_as_it_was(
    project: Path, option: str, old: bytes | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The process is stopped when all but the last step is done."""
    result = project / "result"
    if old is not None:
        result.write_bytes(old)

    def stopped(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", stopped)
    assert run("check", project, option, result).status == 130
    assert (result.read_bytes() if result.exists() else None) == old
    assert not list(project.glob(".*.part"))
    monkeypatch.undo()
    assert run("check", project, option, result).status == 1
    assert len(result.read_bytes()) > 1000


def test_a_picture_is_there_whole_or_not_at_all(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import viewer.flat

    def stopped(_section: object, path: Path, **_: object) -> None:
        path.write_bytes(b"half a pict")
        raise KeyboardInterrupt

    picture = project / "drawn.png"
    monkeypatch.setattr(viewer.flat, "flat_picture", stopped)
    assert run("view", project, "--flat", "--picture", picture).status == 130
    assert not picture.exists()
    assert not list(project.glob(".*.part"))
    monkeypatch.undo()
    answer = run("view", project, "--flat", "--picture", picture)
    assert answer.status == 0
    assert answer.out == ""  # a picture is its own result; the rest is talk
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert run("view", project, "--flat").status == 2
    assert run("view", project, "--picture", project / "drawn.jpg").status == 2
    assert "did you mean Q0299?" in run("view", project, "--picture", picture, "--slab", "Q0999").err


def test_the_demo_is_there_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "new" / "demo"
    copied: Callable[..., object] = shutil.copy2

    def full(source: str, target: str, **named: object) -> object:
        if Path(source).suffix == ".toml":
            raise OSError(28, "No space left on device")
        return copied(source, target, **named)

    monkeypatch.setattr(shutil.copytree, "__defaults__", (False, None, full, False, False))
    answer = run("demo", folder)
    assert answer.status == 2
    assert answer.err.startswith(f"slabpose: {folder}: expected a place to write to, found ")
    assert answer.err.endswith("no space left on device\n")
    assert list(folder.parent.iterdir()) == []
    targets: list[Path] = []

    def noted(source: str, target: str, **named: object) -> object:
        targets.append(Path(target))
        return copied(source, target, **named)

    monkeypatch.setattr(shutil.copytree, "__defaults__", (False, None, noted, False, False))
    assert run("demo", folder).status == 0
    assert targets
    assert not [target for target in targets if folder in target.parents]  # the folder appears as a whole
    monkeypatch.undo()
    for path in DEMO.rglob("*"):
        if path.is_file() and "__pycache__" not in path.parts:
            assert (folder / path.relative_to(DEMO)).read_bytes() == path.read_bytes()
    again = run("demo", folder)
    assert again.status == 2
    assert "nothing is written over" in again.err
    assert run("demo", folder / "project.toml" / "x").status == 2


@pytest.mark.parametrize(("arguments", "status"), [(("check", "--all"), 1), (("layout",), 0)])
def test_a_reader_that_leaves_changes_nothing(arguments: tuple[str, ...], status: int) -> None:
    """As with ``| head -1``: no complaint, and the status of the whole answer."""
    command, *options = arguments
    process = subprocess.Popen([*PROGRAM, command, str(DEMO), *options], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    assert process.stderr is not None
    assert process.stdout.readline().startswith(b"Quillmoor")
    process.stdout.close()
    with process.stderr as told:
        assert told.read() == b""
    assert process.wait() == status
