"""The command line: every command tells what it does, lands its results whole, and ends with the right status."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import math
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from project_copies import DEMO, SURVEY, change, copy_of_demo, read_rows, run, write_rows

import viewer.check_command
from viewer.cli import _status, cli

README = (DEMO.parent / "README.md").read_text()
COMMANDS = sorted(cli.commands)
PROGRAM = [sys.executable, "-m", "viewer"]
# what a number's name may end with: a unit of the project's list, or a number without one
UNITS = ("_m", "_mm", "_deg", "_mrad", "_permille", "_km")
BARE = re.compile(r"marks|turns_\w+|push_turns_\w+|w_(across|along|up)|redundancy_(across|along|up)")


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


@pytest.fixture
def perfect(project: Path) -> Path:
    """A project whose survey is its own setting-out table."""
    assert run("layout", project, "--show", "corners", "--csv", project / "set_out.csv").status == 0
    shutil.move(project / "set_out.csv", project / SURVEY)
    return project


def tables(project: Path) -> Iterator[tuple[str, Path, Path]]:
    """Yield every table of every command as CSV and JSON, with its key in the document."""
    out = project.parent
    for key, arguments in {
        "slabs": ("check", project),
        "slabs ": ("layout", project),
        "corners": ("layout", project, "--show", "corners"),
        "anchors": ("layout", project, "--show", "anchors"),
        "stations": ("stations", project, "--every", "100"),
        "points": ("offsets", project, project / SURVEY),
    }.items():
        table, document = out / f"{key.strip()}.csv", out / f"{key.strip()}.json"
        answer = run(*arguments, "--csv", table, "--json", document)
        assert answer.status in (0, 1)
        assert answer.err == ""
        yield key.strip(), table, document


def rows_of(path: Path) -> list[dict[str, str]]:
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


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


def test_every_number_says_its_unit(project: Path) -> None:
    for key, table, document in tables(project):
        rows = rows_of(table)
        for name in rows[0]:
            numbers = [row[name] for row in rows if re.fullmatch(r"-?\d+(\.\d+)?", row[name])]
            assert not numbers or name.endswith(UNITS) or BARE.fullmatch(name), (key, name)
        assert list(rows[0]) == list(json.loads(document.read_text())[key][0])


def test_json_says_the_same_as_csv(project: Path) -> None:
    for key, table, document in tables(project):
        rows, records = rows_of(table), json.loads(document.read_text())[key]
        assert len(rows) == len(records) > 5
        for row, record in zip(rows, records, strict=True):
            for name, value in record.items():
                if value is None:
                    assert row[name] == ""
                elif isinstance(value, bool):
                    assert row[name] == str(value).lower()
                elif isinstance(value, float):
                    decimals = len(row[name].partition(".")[2])
                    assert abs(float(row[name]) - value) <= 0.5000001 * 10.0**-decimals
                else:
                    assert row[name] == str(value)


def test_json_on_standard_output_is_alone_there(project: Path) -> None:
    change(project, "project.toml", "sigma_plan_mm = 0.25", "sigma_plan_mm = 25.0")  # gives a warning
    for arguments in (("check",), ("layout",), ("stations",), ("offsets",)):
        points = [project / SURVEY] if arguments == ("offsets",) else []
        answer = run(*arguments, project, *points, "--json", "-")
        document = json.loads(answer.out)
        assert document["made_from"]["program"].startswith("slabpose ")
    answer = run("check", project, "--json", "-")
    assert "warning: project.toml: survey.sigma_plan_mm" in answer.err
    assert answer.status == 1


def test_only_json_writes_to_standard_output(project: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for option in ("--csv", "--corners", "--joints"):
        answer = run("check", project, option, "-")
        assert answer.status == 2
        assert "only --json writes to standard output" in answer.err
    assert not (tmp_path / "-").exists()


def test_results_carry_what_they_were_made_from(project: Path) -> None:
    import hashlib

    run("check", project, "--csv", project / "v.csv", "--json", project / "v.json", "--corners", project / "c.csv",
        "--joints", project / "j.csv")  # fmt: skip
    document = json.loads((project / "v.json").read_text())
    inputs = document["made_from"]["inputs_sha256"]
    assert set(inputs) == {"project.toml", "horizontal.csv", "vertical.csv", "cant.csv", "chainage.csv",
                           "structures.csv", SURVEY}  # fmt: skip
    for name, sha in inputs.items():
        assert hashlib.sha256((project / name).read_bytes()).hexdigest() == sha
        for result in ("v.csv", "c.csv", "j.csv"):
            assert f"made from {name} {sha}" in (project / result).read_text()
    assert document["decision_rule"]["guard_factor"] == 2.0
    assert {t["quantity"] for t in document["tolerances"]} >= {"across", "along", "up"}
    assert all(t["source"] for t in document["tolerances"])


def test_corner_and_joint_tables_follow_the_chosen_part(project: Path) -> None:
    answer = run("check", project, "--from", "Q0137", "--to", "Q0139", "--csv", project / "v.csv",
                 "--corners", project / "c.csv", "--joints", project / "j.csv")  # fmt: skip
    assert answer.status == 1
    assert [row["slab"] for row in rows_of(project / "v.csv")] == ["Q0137", "Q0138", "Q0139"]
    assert [row["rear_slab"] for row in rows_of(project / "j.csv")] == ["Q0137", "Q0138"]
    corners = rows_of(project / "c.csv")
    assert [(row["slab"], row["corner"]) for row in corners[:5]] == [
        ("Q0137", "RL"), ("Q0137", "RR"), ("Q0137", "FL"), ("Q0137", "FR"), ("Q0138", "RL"),
    ]  # fmt: skip
    assert len(corners) == 12
    # the decisive deviation of a slab is that of one of its corners
    high = rows_of(project / "v.csv")[0]
    assert high["up_mm"] in {row["up_mm"] for row in corners[:4]}
    assert float(high["up_mm"]) == max(float(row["up_mm"]) for row in corners[:4])


def test_joints_lie_in_the_gap_between_their_slabs(project: Path) -> None:
    change(project, "chainage.csv", "28112.500", "28100.000")  # one count, so that chainages may be compared
    for chainage in ("28266.500", "28266.560", "28467.180", "28467.240", "28862.500"):
        change(project, "structures.csv", chainage, f"{float(chainage) - 12.5:.3f}")
    run("check", project, "--csv", project / "v.csv", "--joints", project / "j.csv")
    slabs = {row["slab"]: row for row in rows_of(project / "v.csv")}
    kinds = set()
    for joint in rows_of(project / "j.csv"):
        rear, front = slabs[joint["rear_slab"]], slabs[joint["front_slab"]]
        kinds.add((rear["type"], front["type"]))
        ends = [float(row["chainage_m"]) + side * {"A520": 2.6, "A364": 1.82}[row["type"]]
                for row, side in ((rear, 1), (front, -1))]  # fmt: skip
        assert ends[0] < float(joint["chainage_m"]) < ends[1]
    assert ("A364", "A520") in kinds
    assert ("A520", "A364") in kinds


def test_anchors_stand_in_the_middle_of_the_joints_on_the_bed(project: Path) -> None:
    run("layout", project, "--csv", project / "s.csv")
    run("layout", project, "--show", "anchors", "--csv", project / "a.csv")
    slabs = {row["slab"]: row for row in rows_of(project / "s.csv")}
    anchors = rows_of(project / "a.csv")
    assert len(anchors) == 269 + 16  # one more than slabs on each of 16 spans

    def apart(anchor: dict[str, str], slab: dict[str, str]) -> float:
        """Return the true length in plan from the slab's end to the anchor, m."""
        plan = math.hypot(*(float(anchor[name]) - float(slab[name]) for name in ("easting_m", "northing_m")))
        return plan / 0.99988 - {"A520": 2.6, "A364": 1.82}[slab["type"]]

    for anchor in anchors:
        beside = [slabs[anchor[name]] for name in ("rear_slab", "front_slab") if anchor[name]]
        # a gap of 70 to 90 mm between slabs, of 80 mm where a row ends; square to a slab that climbs by 10 permille
        # the bed 255 mm below lies 2.6 mm off
        low, high = (0.032, 0.048) if len(beside) == 2 else (0.037, 0.043)
        for slab in beside:
            assert low < apart(anchor, slab) < high
            # 200 mm of slab and 55 mm of mortar below the top face, less where the line climbs over 2.6 m
            assert float(slab["level_m"]) - float(anchor["level_m"]) == pytest.approx(0.255, abs=0.03)
        if len(beside) == 2:
            assert abs(apart(anchor, beside[0]) - apart(anchor, beside[1])) < 0.0055


def test_moves_are_withheld_where_the_survey_contradicts_itself(project: Path) -> None:
    run("check", project, "--csv", project / "v.csv")
    rows = {row["slab"]: row for row in rows_of(project / "v.csv")}
    for name in ("Q0160", "Q0213", "Q0296", "Q0318"):
        assert {rows[name][f"lift_{corner}_mm"] for corner in ("RL", "RR", "FL", "FR")} == {""}
        assert rows[name]["move_along_mm"] == ""
    high = rows["Q0137"]
    assert -4.2 < float(high["lift_RL_mm"]) < -2.8
    assert float(high["turns_RL"]) == pytest.approx(float(high["lift_RL_mm"]) / 4.0, abs=0.002)


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


class Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def on_terminal(width: int, monkeypatch: pytest.MonkeyPatch, *arguments: object, colour: bool = False) -> str:
    for name in ("NO_COLOR", "FORCE_COLOR", "COLORTERM", "TTY_COMPATIBLE", "TTY_INTERACTIVE", "LINES"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("COLUMNS", str(width))
    monkeypatch.setenv("TERM", "xterm-256color")
    if not colour:
        monkeypatch.setenv("NO_COLOR", "1")
    out = Terminal()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        assert _status([str(argument) for argument in arguments]) in (0, 1)
    return out.getvalue()


@pytest.mark.parametrize("width", [60, 80, 120, 200])
def test_the_page_fits_every_terminal(width: int, monkeypatch: pytest.MonkeyPatch) -> None:
    for arguments in (("check", DEMO), ("layout", DEMO), ("stations", DEMO, "--every", "100")):
        page = on_terminal(width, monkeypatch, *arguments)
        plain = re.sub(r"\x1b\[[\d;]*m", "", page)
        assert max(len(line.rstrip()) for line in plain.splitlines()) <= width
        # whatever the width, the same numbers are there, none cut
        wide = re.sub(r"\x1b\[[\d;]*m", "", on_terminal(300, monkeypatch, *arguments))
        assert set(re.findall(r"[+-]\d+\.\d\d\b", plain)) == set(re.findall(r"[+-]\d+\.\d\d\b", wide))
        assert not re.search(r"\x1b\[[\d;]*3\dm", page)  # bold stays, colour does not


def test_verdicts_have_colour_and_a_mark_besides(monkeypatch: pytest.MonkeyPatch) -> None:
    page = on_terminal(120, monkeypatch, "check", DEMO, colour=True)
    assert re.search(r"\x1b\[1;31m# out", page)
    plain = re.sub(r"\x1b\[[\d;]*m", "", page)
    assert plain == re.sub(r"\x1b\[[\d;]*m", "", on_terminal(120, monkeypatch, "check", DEMO))
    for mark in ("# out", "? undecided", "- not measured", "  within"):
        assert mark in plain


def test_a_file_is_no_terminal(project: Path) -> None:
    page = run("check", project).out
    assert "\x1b" not in page
    assert max(len(line.rstrip()) for line in page.splitlines()) <= 120


def test_an_output_that_knows_ascii_only(project: Path) -> None:
    rows = read_rows(project)
    rows[0] = {**rows[0], "point": "Prüf-Ω", "level_m": f"{float(rows[0]['level_m']) + 1}"}
    write_rows(project, rows)
    environment = {**os.environ, "LANG": "C", "LC_ALL": "C", "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    done = subprocess.run([*PROGRAM, "check", str(project)], capture_output=True, env=environment, check=False)
    assert done.returncode == 1
    assert done.stderr == b""
    assert done.stdout.isascii()
    assert b"Pr\\xfcf-\\u03a9" in done.stdout
    assert b"# out" in done.stdout


def test_partial_surveys_do_not_drown_in_what_nobody_measured(project: Path) -> None:
    write_rows(project, [row for row in read_rows(project) if "Q0130" <= row["slab"] <= "Q0140"])
    answer = run("check", project)
    assert answer.status == 1
    assert "258 slabs: Q0101 to Q0129, Q0141 to Q0369" in " ".join(answer.out.split())
    assert answer.out.count("\n") < 50
    everything = run("check", project, "--all").out
    assert everything.count("- not measured") == 258 + 258 + 1


def test_many_findings_are_counted_and_shown_on_request(project: Path) -> None:
    rows = [{**row, "slab": f"X{i}"} for i, row in enumerate(read_rows(project))]
    write_rows(project, rows)
    page = run("check", project).out
    more = re.search(r"  \. (\d+) more; --all shows them, --json has them", page)
    assert more is not None
    everything = run("check", project, "--all").out
    # 268 slabs with unknown names, one of them with a blunder besides
    assert 40 + int(more[1]) == 269
    assert everything.count(" lie on slab ") == 268
    assert " more; --all" not in everything


def test_a_slab_within_without_a_check_is_shown_all_the_same(project: Path) -> None:
    write_rows(project, [r for r in read_rows(project) if (r["slab"], r["corner"]) != ("Q0105", "FL")])
    page = run("check", project).out
    assert re.search(r"Q0105 +27\+\S+ +within .*three corners, no check", page)


def test_stations_at_chainages_and_distances(project: Path) -> None:
    def places(*arguments: str) -> list[tuple[str, str]]:
        assert run("stations", project, *arguments, "--csv", project / "s.csv").status == 0
        return [(row["chainage_m"], row["distance_m"]) for row in rows_of(project / "s.csv")]

    assert places("--at", "27+500") == places("--at", "27500") == [("27500.0000", "100.0000")]
    assert places("--at", "28120.5", "--at-distance", "3") == [("27403.0000", "3.0000"), ("28120.5000", "708.0000")]
    regular = places("--every", "250")
    assert regular[0] == ("27400.0000", "0.0000")
    assert regular[-1] == ("28912.5000", "1500.0000")
    # round chainages on both sides of the jump in the count, and the jump itself is no round one
    assert [c for c, _ in regular[1:-1]] == [f"{c}.0000" for c in (27500, 27750, 28000, 28250, 28500, 28750)]


def test_offsets_of_points_on_and_beyond_the_line(project: Path) -> None:
    (project / "points.csv").write_text("point,easting_m,northing_m,level_m\nstart,431208.455,186740.118,213.480\n"
                                        "behind,431199.504,186735.660,212.480\n")  # fmt: skip
    answer = run("offsets", project, project / "points.csv", "--json", "-")
    on, behind = json.loads(answer.out)["points"]
    assert (on["chainage_m"], on["height_m"]) == (pytest.approx(27400.0, abs=1e-6), pytest.approx(1.0, abs=1e-6))
    assert abs(on["offset_m"]) < 1e-6
    # 10 m back along a bearing of 63.52 deg is -8.951 m east and -4.458 m north
    assert behind["place"] == "before start"
    assert behind["beyond_m"] == pytest.approx(-10.0, abs=1e-3)
    assert math.isclose(behind["offset_m"], 0.0, abs_tol=1e-3)
