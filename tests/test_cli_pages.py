"""Pages on the terminal: they fit every width, need no colour, and show what somebody has to look at."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

import pytest
from command_line import PROGRAM, on_terminal
from project_copies import DEMO, copy_of_demo, read_rows, run, write_rows


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


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
