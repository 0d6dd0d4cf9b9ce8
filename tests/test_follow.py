"""Following a survey that grows: only complete lines count, every change is told once, nothing is written."""

from __future__ import annotations

import io
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import viewer.follow
from geometry.errors import InputError
from geometry.exchange.project import Project, open_project
from tests.hands import Hands, told
from tests.placed_slabs import CORNERS, HEADER, survey_rows
from tests.project_copies import DEMO
from viewer.follow import follow
from viewer.watching import Folder, complete_lines, without_lines

A, B = Path("/watched/a.csv"), Path("/watched/b.csv")


@pytest.fixture(scope="module")
def project() -> Project:
    return open_project(DEMO)


@pytest.fixture
def hands(project: Project, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Hands:
    monkeypatch.setattr(viewer.follow, "open_project", lambda _folder: project)
    hands = Hands()
    hands.read = lambda: capsys.readouterr().out
    return hands


def run(hands: Hands, *steps: Callable[[], object], idle: int = 4) -> list[str]:
    """Follow while the steps are done, one before each look; return what was said at the start and after each."""
    hands.steps = list(steps)
    hands.out = []
    hands.good = follow(DEMO, None, 1.0, once=False, until_idle=float(idle), source=hands, clock=hands)
    return [*hands.out, hands.read()]


def lines(
    project: Project, slab: str, pose: tuple[float, ...], hour: str, corners: tuple[str, ...] = CORNERS,
    stage: str = "fine", setup: str = "S1",
) -> bytes:  # fmt: skip
    return survey_rows(project, slab, pose, hour, corners, stage, setup)


# --- which lines are complete


@pytest.mark.parametrize(
    ("content", "kept", "waits"),
    [
        (b"", b"", ""),
        (b"a,b", b"", "a last line without its end"),
        (b"a,b\n", b"", "a header without rows"),
        (b"a,b\n1,2", b"", "a last line without its end"),
        (b"a,b\n1,2\n", b"a,b\n1,2\n", ""),
        (b"a,b\n1,2\n3,4", b"a,b\n1,2\n", "a last line without its end"),
        (b"a,b\n1,2\n3\n", b"a,b\n1,2\n", "a last line with 1 of 2 cells"),
        (b"a,b\n1,2\n3,4,5\n", b"a,b\n1,2\n", "a last line with 3 of 2 cells"),
        (b"a,b\n1\n3,4\n", b"a,b\n1\n3,4\n", ""),  # no longer the last: a fault, told by who reads it
        (b'a,b\n1,2\n3,"x\n', b"a,b\n1,2\n", "a last line with an open quote"),
        (b'a,b\n1,2\n3,"x\ny"\n', b'a,b\n1,2\n3,"x\ny"\n', ""),
        (b'a,b\n3,"x\n1,2\n5,6\n', b'a,b\n3,"x\n1,2\n5,6\n', ""),  # open too long to be meant
        (b"a,b\r\n1,2\r\n3,4\r", b"a,b\r\n1,2\r\n", "a last line without its end"),
        (b"a,b\r1,2\r3,4", b"a,b\r1,2\r", "a last line without its end"),
        (b"a,b\n1,2\n\0\0\0\0", b"a,b\n1,2\n", "zero bytes where more will come"),
        (b"a,b\n1,2\n# note\n", b"a,b\n1,2\n# note\n", ""),
    ],
)
def test_only_complete_lines_count(content: bytes, kept: bytes, waits: str) -> None:
    assert complete_lines(content) == (kept, waits)


def test_no_byte_more_makes_a_number_that_was_never_written() -> None:
    rows = [b"Q1,212.58745", b"Q2,7", b'"Q,3",-0.5', b"Q4,1e-3"]
    content = b"slab,level_m\n" + b"\n".join(rows) + b"\n"
    whole = [b"", *(b"slab,level_m\n" + b"\n".join(rows[: k + 1]) + b"\n" for k in range(len(rows)))]
    seen = {complete_lines(content[:k])[0] for k in range(len(content) + 1)}
    assert seen == set(whole)


def test_lines_left_out_leave_the_numbers_of_the_others() -> None:
    assert without_lines(b'a,b\n1,"x\ny"\n# note\n3,4\n5,6\n', {2, 6}) == b"a,b\n\n\n\n3,4\n\n"


# --- what is told


def test_a_measurement_is_told_when_its_last_corner_is_there(project: Project, hands: Hands) -> None:
    rows = lines(project, "Q0140", (0.0, 0.0, 0.0034), "08:00").splitlines(keepends=True)
    hands.write(A, HEADER.encode())
    out = run(hands, *(lambda row=row: hands.add(A, row) for row in rows))
    assert "nothing measured yet; waiting" in out[0]
    assert [re.findall(r"\. (Q0140 .*)", text) for text in out[1:4]] == [
        ["Q0140  fine, round 1: 1 of 4 corners"],
        ["Q0140  fine, round 1: 2 of 4 corners"],
        ["Q0140  fine, round 1: 3 of 4 corners"],
    ]
    assert told(out[4]) == ["12:00:00  Q0140  27+644.0  fine, round 1, 4 corners"]
    # 3.4 mm too high on screws with a pitch of 4 mm
    assert "verdict   - not measured -> # out" in out[4]
    assert "up +3.40 ±0.09 mm" in out[4]
    assert re.search(r"lift +RL -3\.40 ±0\.08 mm -0\.85 turns", out[4])
    assert "joint     Q0139|Q0140  a neighbour is not measured" in out[4]
    assert not hands.good
    # the path of the folder is as long as it is
    assert max(len(line) for line in "".join(out).splitlines() if not line.startswith("watching ")) <= 80


def test_screws_turned_as_asked(project: Project, hands: Hands) -> None:
    rest = "Q0139", "Q0141"
    hands.write(A, HEADER.encode() + b"".join(lines(project, slab, (0.0,), "07:00") for slab in rest))
    hands.add(A, lines(project, "Q0140", (0.0, 0.0, -0.003), "08:00"))
    out = run(
        hands,
        lambda: hands.add(A, lines(project, "Q0140", (0.0, 0.0, 0.0001), "08:20")),
        lambda: hands.add(A, lines(project, "Q0140", (0.0, 0.0, 0.0001), "08:40")),
    )
    assert "2 within, 1 out, 0 undecided, 266 not measured" in out[0]
    # measured last, so told at the start
    assert told(out[0]) == ["12:00:00  Q0140  27+644.0  fine, round 1, 4 corners"]
    assert "verdict   # out -> within" in out[1]
    assert "change    # moved since fine, round 1" in out[1]
    assert re.search(r"made +RL 103 ±3 %   RR 103 ±3 %   FL 103 ±3 %   FR 103 ±3 % of the lift asked", out[1])
    assert "joint     Q0139|Q0140  within" in out[1]
    assert re.search(r"level L \+0\.10 R \+0\.10 ±0\.12", out[1])
    assert "change    not distinguishable from noise since fine, round 2" in out[2]
    assert "->" not in out[2]
    assert hands.good


def test_a_file_written_byte_by_byte(project: Project, hands: Hands) -> None:
    first = lines(project, "Q0140", (0.0012, 0.0, 0.0), "08:00")
    content = HEADER.encode() + first + lines(project, "Q0141", (), "08:05")
    hands.write(A, b"")
    out = run(hands, *(lambda k=k: hands.write(A, content[:k]) for k in range(1, len(content) + 1)))
    text = "".join(out)
    assert [line.split()[1] for line in told(text)] == ["Q0140", "Q0141"]
    assert "across +1.20" in text
    assert " ! " not in text
    # told in the very look in which the line end of its last corner came
    end = len(HEADER) + len(first)
    assert told(out[end])
    assert not told("".join(out[:end]))


def test_a_half_line_waits_without_being_an_error(project: Project, hands: Hands) -> None:
    rows = lines(project, "Q0140", (), "08:00")
    hands.write(A, HEADER.encode() + rows[:-40])
    out = run(hands, *[lambda: None] * 10, idle=13)
    assert "3 of 4 corners" in out[0]
    # mentioned once, when it has been half for ten looks, and never read
    assert [i for i, text in enumerate(out) if "a last line without its end" in text] == [10]
    assert "12:00:00  Q0140" in out[-1]
    assert "3 corners" in out[-1]
    assert "three corners, no check" in out[-1]


def test_too_few_cells_in_the_last_line_wait_and_in_another_are_a_fault(project: Project, hands: Hands) -> None:
    hands.write(A, HEADER.encode())
    rows = lines(project, "Q0140", (), "08:00").splitlines(keepends=True)
    out = run(
        hands,
        lambda: hands.add(A, b"".join(rows[:3]) + b"PX,Q0140\n"),
        lambda: hands.add(A, rows[3]),
        lambda: hands.add(A, lines(project, "Q0141", (), "08:05")),
    )
    assert " ! " not in out[1]
    assert len(re.findall(r"! a\.csv:5: .*; left out until it is mended", "".join(out))) == 1
    assert "! a.csv:5:" in out[2]
    # and the slab is told from the lines that are good
    assert told(out[2]) == ["12:00:00  Q0140  27+644.0  fine, round 1, 4 corners"]
    assert told(out[3])[0].split()[1] == "Q0141"


def test_a_real_fault_is_told_once_and_mended_later(project: Project, hands: Hands) -> None:
    rows = lines(project, "Q0140", (), "08:00")
    bad = rows.replace(b"PQ0140RR,Q0140,RR,", b"PQ0140RR,Q0140,RR,4312x4,")  # and a cell too many
    hands.write(A, HEADER.encode())
    out = run(
        hands,
        lambda: hands.add(A, bad),
        lambda: hands.add(A, lines(project, "Q0141", (), "08:05")),
        lambda: hands.write(A, HEADER.encode() + rows + lines(project, "Q0141", (), "08:05")),
    )
    text = "".join(out)
    assert text.count("! a.csv:3:") == 1
    assert "3 of 4 corners" in out[1]
    assert "a.csv is not only added to" in text
    assert "12:00:00  Q0140  27+644.0  fine, round 1, 4 corners" in told(text)


def test_a_faulty_header_stops_only_its_file(project: Project, hands: Hands) -> None:
    hands.write(A, HEADER.replace("level_m", "hight_m").encode() + lines(project, "Q0140", (), "08:00"))
    out = run(
        hands,
        lambda: hands.write(B, HEADER.encode() + lines(project, "Q0141", (), "08:05")),
        lambda: hands.write(A, HEADER.encode() + lines(project, "Q0140", (), "08:00")),
    )
    assert "a.csv cannot be used until that is mended; nothing of it counts" in out[0]
    assert told(out[1])[0].split()[1] == "Q0141"
    assert told("".join(out[2:]))[0].split()[1] == "Q0140"
    assert "".join(out).count("cannot be used") == 1


def test_a_new_file_of_another_stage(project: Project, hands: Hands) -> None:
    hands.write(B, HEADER.encode() + lines(project, "Q0140", (0.0, 0.0, 0.0002), "08:00"))
    out = run(
        hands,
        lambda: hands.write(A, HEADER.encode() + lines(project, "Q0140", (0.0, 0.0, 0.02), "06:00", stage="rough")),
        lambda: hands.write(Path("/watched/c.csv"), HEADER.encode() + lines(
            project, "Q0140", (0.0, 0.0, 0.0008), "18:00", stage="after injection")),
    )  # fmt: skip
    # an earlier stage that comes later changes nothing of where the slab lies
    assert not told(out[1])
    assert "Q0140  an earlier epoch has changed; fine, round 1 is still the last" in out[1]
    assert "after injection, round 1" in out[2]
    assert "moves     none, the slab is injected" in out[2]
    assert "lift" not in out[2]
    assert "made" not in out[2]


def test_a_file_that_shrinks_or_is_replaced_is_a_finding_once_it_stays_so(project: Project, hands: Hands) -> None:
    good = HEADER.encode() + lines(project, "Q0140", (), "08:00") + lines(project, "Q0141", (), "08:05")
    cut = HEADER.encode() + lines(project, "Q0140", (), "08:00")
    moved = HEADER.encode() + lines(project, "Q0140", (0.0, 0.0, 0.005), "08:00")
    hands.write(A, good)
    out = run(hands, lambda: hands.write(A, cut), lambda: hands.write(A, good), lambda: None, lambda: None)
    # written anew: seen half way, never said
    assert not any(out[1:])
    hands.write(A, good)
    still = [lambda: None] * 3
    out = run(hands, lambda: hands.write(A, cut), *still, lambda: hands.write(A, moved), *still)
    said = "".join(out[1:])
    assert "a.csv is not only added to" in out[3]
    assert "4 points that were read are gone or changed, first point PQ0141RL (a.csv:6)" in out[3]
    assert "Q0141  has no points any more" in out[3]
    assert "first point PQ0140RL (a.csv:2)" in said
    assert "verdict   within -> # out" in said


def test_a_file_that_goes_and_a_folder_that_is_lost(project: Project, hands: Hands) -> None:
    content = HEADER.encode() + lines(project, "Q0140", (), "08:00")
    hands.write(A, content)
    hands.write(B, HEADER.encode() + lines(project, "Q0141", (), "08:05"))

    def lose(*, lost: bool) -> None:
        hands.lost = lost

    out = run(
        hands, lambda: lose(lost=True), lambda: None, lambda: lose(lost=False), lambda: hands.files.pop(A),
        lambda: None, lambda: hands.write(A, content), lambda: hands.files.pop(B), *[lambda: None] * 4,
    )  # fmt: skip
    text = "".join(out)
    assert text.count("the folder cannot be read: input/output error; waiting for it") == 1
    assert "a.csv is gone" not in text
    assert text.count("b.csv is gone or empty") == 1
    assert "Q0141  has no points any more" in text


def test_a_file_that_is_locked_is_read_later(project: Project, hands: Hands) -> None:
    hands.write(A, HEADER.encode() + lines(project, "Q0140", (), "08:00"))
    out = run(
        hands,
        lambda: (hands.locked.add(A), hands.add(A, lines(project, "Q0141", (), "08:05"))),
        lambda: None,
        hands.locked.clear,
    )
    assert "a.csv cannot be read: permission denied; trying again" in out[1]
    assert not told(out[2])
    assert told(out[3])[0].split()[1] == "Q0141"


def test_who_goes_on_before_four_corners_is_told(project: Project, hands: Hands) -> None:
    hands.write(A, HEADER.encode() + lines(project, "Q0140", (), "08:00") + lines(project, "Q0141", (), "08:05"))
    out = run(
        hands,
        lambda: hands.add(A, lines(project, "Q0140", (0, 0, 0.004), "08:20", ("RL", "RR", "FL"))),
        lambda: hands.add(A, lines(project, "Q0141", (0, 0, 0.004), "08:25", ("RL", "RR"))),
        lambda: hands.add(A, lines(project, "Q0142", (), "08:30")),
    )
    assert "Q0140  fine, round 2: 3 of 4 corners" in out[1]
    assert not told(out[1])
    # the crew has gone on: told with what there is
    assert "three corners, no check" in out[2]
    assert "up +4.00" in out[2]
    assert "change    ? no check since fine, round 1" in out[2]
    assert "Q0141  fine, round 2: ended with 2 of 4 corners: not judged" in out[3]
    # the two corners do not mix with the four of before
    assert [line.split()[1] for line in told(out[3])] == ["Q0142"]
    assert "joint     Q0141|Q0142  within" in out[3]


def test_a_slab_half_measured_counts_at_the_joint_as_it_lay_before(project: Project, hands: Hands) -> None:
    hands.write(A, HEADER.encode() + lines(project, "Q0140", (), "08:00"))
    both = lines(project, "Q0140", (0, 0, 0.004), "08:20", ("RL", "RR", "FL")) + lines(project, "Q0141", (), "08:25")
    out = run(hands, lambda: hands.add(A, both))
    assert "Q0140  fine, round 2: 3 of 4 corners" in out[1]
    assert "joint     Q0140|Q0141  within" in out[1]
    assert "level L +0.00 R +0.00" in out[1]
    # nothing more comes: then its three corners are what there is
    assert "up +4.00" in out[-1]
    assert "joint     Q0140|Q0141  # out" in out[-1]


def test_readings_of_one_moment_that_differ_withhold_the_moves(project: Project, hands: Hands) -> None:
    hands.write(A, HEADER.encode() + lines(project, "Q0140", (), "08:00") + lines(project, "Q0141", (), "08:05"))
    out = run(
        hands,
        lambda: hands.write(B, HEADER.encode() + lines(project, "Q0140", (0, 0, 0.004), "08:00", ("RR",))),
        lambda: hands.add(A, lines(project, "Q0139", (), "08:30")),
    )
    assert "RR of slab Q0140 has two readings of one moment, 4.0 mm apart" in out[1]
    assert "(a.csv:3)" in out[1]
    assert "(b.csv:2)" in out[1]
    assert "verdict   within -> ? undecided  (two readings of one moment)" in out[1]
    assert "moves     none until the survey is cleared up" in out[1]
    assert "".join(out).count("two readings of one moment, 4.0") == 1


def test_rows_without_stage_time_and_names(project: Project, hands: Hands) -> None:
    keep = [0, 3, 4, 5]
    rows = [line.split(",") for line in lines(project, "Q0140", (0, 0, 0.002), "08:00").decode().splitlines()]
    bare = "point,easting_m,northing_m,level_m\n"
    text = "".join(",".join(row[i] for i in keep) + "\n" for row in rows)
    hands.write(A, bare.encode())
    out = run(hands, lambda: hands.add(A, text.encode()), lambda: hands.add(A, b"far,431400.0,186800.0,212.0\n"))
    assert told(out[1]) == ["12:00:00  Q0140  27+644.0  no stage, round 1, 4 corners"]
    assert "up +2.00" in out[1]
    assert "point far (a.csv:6) is within 0.120 m of no mark of any slab: not used" in out[2]


def test_findings_about_the_slab_are_told(project: Project, hands: Hands) -> None:
    hands.write(A, HEADER.encode())
    rows = lines(project, "Q0140", (), "08:00")
    swapped = rows.replace(b",FL,", b",XX,").replace(b",FR,", b",FL,").replace(b",XX,", b",FR,")
    out = run(hands, lambda: hands.add(A, swapped))
    assert "corner names of slab Q0140 do not fit the places" in out[1]
    assert "verdict   - not measured -> ? undecided  (names contradict places)" in out[1]
    assert "moves     none until the survey is cleared up" in out[1]


def test_the_same_state_is_never_told_twice(project: Project, hands: Hands) -> None:
    hands.write(A, HEADER.encode() + lines(project, "Q0140", (), "08:00"))
    note = b"# the crew has lunch\n"
    out = run(hands, lambda: hands.write(A, hands.files[A]), lambda: hands.add(A, note), lambda: None)
    assert not any(out[1:])


# --- the real folder, the real clock, the real command


def test_a_thread_writes_byte_by_byte_while_follow_runs(
    tmp_path: Path, project: Project, hands: Hands, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "fine.csv"
    content = HEADER.encode() + lines(project, "Q0140", (0.0, 0.0, 0.0021), "08:00")

    def write() -> None:
        with path.open("wb", buffering=0) as file:
            for k in range(len(content)):
                file.write(content[k : k + 1])
                if k % 16 == 0:
                    time.sleep(0.001)

    thread = threading.Thread(target=write)
    thread.start()
    follow(DEMO, tmp_path, 0.005, once=False, until_idle=0.5)
    thread.join()
    out = capsys.readouterr().out
    assert len(re.findall(r"Q0140 .*fine, round 1, 4 corners", out)) == 1
    assert "up +2.10 ±0.09" in out
    assert " ! " not in out
    assert path.read_bytes() == content
    assert os.listdir(tmp_path) == ["fine.csv"]  # noqa: PTH208


def test_folder_sees_growth_and_other_files_do_not_matter(tmp_path: Path) -> None:
    path = tmp_path / "one.CSV"
    path.write_bytes(b"a")
    (tmp_path / "one.csv.part").write_bytes(b"a")
    folder = Folder(tmp_path)
    first = folder.stamps()
    assert list(first) == [path]
    path.write_bytes(b"ab")
    os.utime(path, ns=(first[path][0], first[path][0]))  # a drive with coarse times: the size tells
    assert folder.stamps() != first
    assert folder.content(path) == b"ab"


def command(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "viewer", "follow", *arguments]


@pytest.fixture
def surveyed(tmp_path: Path, project: Project) -> Iterator[Path]:
    (tmp_path / "fine.csv").write_bytes(HEADER.encode() + lines(project, "Q0140", (), "08:00"))
    yield tmp_path
    assert os.listdir(tmp_path) == ["fine.csv"]  # noqa: PTH208


def test_once_in_a_process_without_a_terminal(surveyed: Path) -> None:
    done = subprocess.run(command(str(DEMO), "--survey", str(surveyed), "--once"), capture_output=True, check=False,
                          cwd=DEMO.parent, env={**os.environ, "PYTHONIOENCODING": "ascii"})  # fmt: skip
    assert done.returncode == 0
    assert done.stderr == b""
    assert b"1 within, 0 out, 0 undecided, 268 not measured" in done.stdout
    assert b"up +0.00 +-0.09 mm" in done.stdout
    assert done.stdout.isascii()


def _heed_interrupts() -> None:
    """What starts the tests in the background may have told them to ignore Ctrl-C, and they would pass that on."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def test_control_c_ends_with_130(surveyed: Path) -> None:
    process = subprocess.Popen(
        command(str(DEMO), "--survey", str(surveyed)), stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=DEMO.parent,
        preexec_fn=_heed_interrupts,  # noqa: PLW1509 - no threads between the two processes
    )  # fmt: skip
    assert process.stdout is not None
    # output comes at once, though no terminal is there
    while b"joint" not in process.stdout.readline():
        assert process.poll() is None
    process.send_signal(signal.SIGINT)
    _, error = process.communicate(timeout=20)
    assert process.returncode == 130
    assert error.strip() == b"interrupted"


def test_a_folder_that_is_not_there(tmp_path: Path, hands: Hands) -> None:
    with pytest.raises(InputError, match="a folder to watch, found nothing of that name"):
        follow(DEMO, tmp_path / "survey", 1.0, once=True, until_idle=None)


def test_output_that_knows_no_plus_minus(monkeypatch: pytest.MonkeyPatch) -> None:
    from viewer.follow_page import say

    stream = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", stream)
    say("up \u00b10.1 Gr\u00fcn\x1b[31m")
    stream.seek(0)
    assert stream.read() == "up +-0.1 Gr\\xfcn\\x1b[31m\n"
