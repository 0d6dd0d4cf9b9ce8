"""What the browser app knows of the files: read again when they rest, kept when they break, solved once."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from project_copies import AFTER_INJECTION, SURVEY, change, copy_of_demo, read_rows, write_rows

from geometry.exchange.project import open_project
from geometry.exchange.readings_files import readings_paths
from geometry.survey import fieldwork
from viewer.app.book import LATEST, Book
from viewer.app.controls_html import guidance_html
from viewer.report_command import evidence_of
from viewer.section import OUT


def test_book_reads_again_when_a_file_rests(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    book = Book(project)
    assert book.look()
    assert not book.look()
    first = book.latest
    assert first is not None
    rows = read_rows(project)
    for row in rows:
        if row["slab"] == "Q0200":
            row["level_m"] = f"{float(row['level_m']) + 0.004:.5f}"
    write_rows(project, rows)
    assert not book.look()  # it may still be written
    assert book.look()
    assert book.latest is not None
    assert book.latest.number == first.number + 1
    assert book.latest.check.verdict[first.section.slab("Q0200")] == OUT


def test_book_leaves_out_what_is_half_written(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    whole = (project / SURVEY).read_text()
    counts = []
    for cut in (0, 3, 30):  # whole, within the last cell, without several cells
        (project / SURVEY).write_text(whole[: len(whole) - cut])
        book = Book(project)
        book.look()
        assert book.trouble == ()
        assert book.latest is not None
        counts.append(int(book.latest.check.fits.measured.sum()))
        assert book.stages
    assert counts == [counts[0], counts[0] - 1, counts[0] - 1]


def test_book_keeps_what_was_read_when_files_break(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    book = Book(project)
    book.look()
    before = book.latest
    change(project, SURVEY, "level_m", "hight_m")
    book.look()
    book.look()
    assert book.latest is before
    assert book.trouble
    assert "level_m" in str(book.trouble[0])
    assert "level_m" in guidance_html("p", book.trouble)


def test_book_by_stages(tmp_path: Path) -> None:
    book = Book(copy_of_demo(tmp_path, injected=True))
    book.look()
    assert book.stages[-1] == "after injection"
    fine, after = book.edition("fine"), book.edition("after injection")
    assert fine is not None
    assert after is not None
    measured = [int(e.section.measured.sum()) for e in (fine, after)]
    rows = read_rows(book.folder, AFTER_INJECTION)
    assert measured[1] == len({row["slab"] for row in rows})
    assert measured[0] > measured[1]
    assert book.edition(LATEST) is book.latest
    assert book.edition("nonsense") is book.latest


# --- readings


@pytest.fixture
def solving(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return a list that takes the name of every set-up that is solved."""
    solved: list[str] = []
    solve = fieldwork._solve

    def counted(name: str, *arguments: Any, **options: Any) -> fieldwork.SetupState:
        solved.append(name)
        return solve(name, *arguments, **options)

    monkeypatch.setattr(fieldwork, "_solve", counted)
    return solved


def with_readings(folder: Path) -> Path:
    project = copy_of_demo(folder)
    (project / SURVEY).unlink()
    return project


def again(book: Book) -> None:
    assert not book.look()  # it may still be written
    assert book.look()


def test_book_solves_each_setup_once(tmp_path: Path, solving: list[str]) -> None:
    project = with_readings(tmp_path)
    book = Book(project)
    book.look()
    assert book.latest is not None
    assert book.latest.epochs is not None
    every = sorted(solving)
    assert len(every) == len(set(every)) > 20
    # a stage by itself, and a file that says the same: nothing is solved again
    assert book.edition(book.stages[0]) is not None
    (path,) = readings_paths(project)
    path.write_text(path.read_text() + "\n")
    again(book)
    assert sorted(solving) == every


def test_book_solves_again_what_has_other_sights_control_or_rules(tmp_path: Path, solving: list[str]) -> None:
    project = with_readings(tmp_path)
    book = Book(project)
    book.look()
    every = set(solving)
    solving.clear()
    (path,) = readings_paths(project)
    lines = path.read_text().splitlines()
    # without its last sight to a control point
    last = max(at for at, line in enumerate(lines) if line.startswith("S07,") and re.search(r",C\d\d[LR],", line))
    path.write_text("\n".join([*lines[:last], *lines[last + 1 :], ""]))
    again(book)
    assert solving == ["S07"]
    for name, old, new in (
        ("control.csv", "431219.51042", "431219.52042"),
        ("project.toml", "refraction = 0.13", "refraction = 0.14"),
    ):
        solving.clear()
        change(project, name, old, new)
        again(book)
        assert set(solving) == every


def test_record_solves_each_setup_once(tmp_path: Path, solving: list[str]) -> None:
    project = open_project(with_readings(tmp_path))
    every = np.ones(len(project.layout.names), dtype=bool)
    evidence, _, _ = evidence_of(project, (), (), None, every, None)
    assert evidence.worked is not None
    assert len(solving) == len(set(solving)) == len(evidence.worked.work.states)
