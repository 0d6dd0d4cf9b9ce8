"""Every table of a project from and to workbooks: the same numbers, and clear answers to what spreadsheets do to them.

Workbooks to be read are written by openpyxl. What is exported is read back by this program, and by openpyxl.
"""

from __future__ import annotations

import csv
import json
import re
import shutil
import sys
import zipfile
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from hostile_names import HOSTILE, hostile_project
from project_copies import SURVEY, change, copy_of_demo, run

from geometry.errors import Faults, InputError
from geometry.exchange.control_files import CONTROL_FILE, read_control
from geometry.exchange.excel_writing import write_workbook
from geometry.exchange.project import open_project
from geometry.exchange.results import made_from
from geometry.exchange.tables import Column, Table, read_table
from geometry.exchange.workbook_sheets import WORKBOOK, table_file, text_at, texts_at

READINGS = "readings/fine_adjustment.csv"
SIGMAS = (0.001, 0.001, 0.001)


@pytest.fixture
def project(tmp_path: Path) -> Path:
    project = copy_of_demo(tmp_path)
    (project / "levelling.csv").write_text("start,end,difference_m,length_m\nC01L,C02L,0.48025,61.3\n")
    return project


def as_value(text: str) -> Any:
    try:
        return float(text)
    except ValueError:
        return text or None


def book_of(file: Path, path: Path, title: str = "Tabelle1") -> Path:
    """Write a comma separated table as a workbook of one sheet."""
    rows = [[as_value(cell) for cell in row] for row in csv.reader(file.read_text().splitlines())]
    return book(path, {title: rows})


def book(path: Path, sheets: dict[str, list[list[Any]]]) -> Path:
    made = openpyxl.Workbook()
    made.remove(made.active)
    for title, rows in sheets.items():
        page = made.create_sheet(title)
        for row in rows:
            page.append(row)
    made.save(path)
    return path


def told(*command: object) -> Any:
    """Return what a command says in JSON, without what it was made from."""
    answer = run(*command, "--json", "-")
    assert answer.status in (0, 1), answer.err
    # where something stands is called otherwise, what stands there is not
    document = json.loads(re.sub(r"[\w/]+(\.csv|\.xlsx sheet [\w ]+)(?=:\d)", "table", answer.out))
    document.pop("made_from")
    return document


def points(path: Path, sheet: str = "points") -> tuple[Table, Faults]:
    columns = (Column("point"), Column("level_m", "number"), Column("time", "time", required=False))
    return read_table(path, columns, faults := Faults(), sheet=sheet), faults


COMMANDS = (
    ("check",), ("setup", "--together"), ("mortar",), ("rail",), ("layout",), ("history",),
    ("stations", "--every", "100"),
)  # fmt: skip


def test_a_folder_goes_into_one_workbook_and_comes_back(project: Path, tmp_path: Path) -> None:
    layout = list(csv.DictReader(_table(project, "layout")))
    rows = "".join(f"{r['slab']},{r['type']},{r['distance_m']}\n" for r in layout)
    (project / "layout.csv").write_text(f"slab,type,distance_m\n{rows}")
    before = {command: told(command[0], project, *command[1:]) for command in COMMANDS}
    assert run("export", project, "--to", tmp_path / WORKBOOK).status == 0
    alone = tmp_path / "alone"
    alone.mkdir()
    shutil.copy(project / "project.toml", alone)
    shutil.copy(tmp_path / WORKBOOK, alone)
    for command, was in before.items():
        assert told(command[0], alone, *command[1:]) == was, command
    # once more out of the workbook: the same sheets
    assert run("export", alone, "--to", tmp_path / "again.tables.xlsx").status == 0
    first, second = (_cells(path) for path in (tmp_path / WORKBOOK, tmp_path / "again.tables.xlsx"))
    assert first == second
    assert list(first) == ["horizontal", "vertical", "cant", "chainage", "structures", "layout", "control", "levelling",
                           "anchors", "seats", "survey fine_adjustment", "readings fine_adjustment", "bed rest",
                           "bed viaduct"]  # fmt: skip


def _table(project: Path, what: str) -> list[str]:
    run(what, project, "--csv", project / "x.csv")
    lines = [line for line in (project / "x.csv").read_text().splitlines() if not line.startswith("#")]
    (project / "x.csv").unlink()
    return lines


def _cells(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    made = openpyxl.load_workbook(path)
    return {page.title: list(page.iter_rows(values_only=True)) for page in made if page.title != "made from"}


@pytest.mark.parametrize(
    ("name", "command"),
    [
        ("horizontal", ("stations", "--every", "50")), ("vertical", ("stations", "--every", "50")),
        ("cant", ("stations", "--every", "50")), ("chainage", ("stations", "--every", "50")),
        ("structures", ("layout",)), ("control", ("setup",)), ("levelling", ("setup", "--together")),
        ("anchors", ("mortar",)), ("seats", ("rail",)),
    ],
)  # fmt: skip
def test_each_table_may_be_a_workbook_of_its_own(project: Path, name: str, command: tuple[str, ...]) -> None:
    before = told(command[0], project, *command[1:])
    file = project / f"{name}.csv"
    book_of(file, project / f"{name}.xlsx")
    # in two places nobody knows which counts
    doubled = run(command[0], project, *command[1:])
    assert doubled.status == 2
    assert f"{name}.csv: expected either {name}.csv or {name}.xlsx, found both (delete one of them)" in doubled.err
    file.unlink()
    assert told(command[0], project, *command[1:]) == before
    (project / f"{name}.xlsx").unlink()
    lacking = run(command[0], project, *command[1:], "--json", "-")
    assert lacking.status == 2 or {k: v for k, v in json.loads(lacking.out).items() if k != "made_from"} != before


def test_folders_of_tables_may_hold_workbooks(project: Path) -> None:
    for folder, command in (("survey", ("check",)), ("readings", ("setup",)), ("bed", ("mortar",))):
        before = told(command[0], project)
        for file in sorted((project / folder).iterdir()):
            book_of(file, file.with_suffix(".xlsx"))
            file.unlink()
        assert told(command[0], project) == before, folder
    made = json.loads(run("mortar", project, "--json", "-").out)["made_from"]["inputs_sha256"]
    assert {"bed/rest.xlsx", "bed/viaduct.xlsx", "survey/fine_adjustment.xlsx"} <= set(made)


def test_commands_take_workbooks_where_they_take_tables(project: Path, tmp_path: Path) -> None:
    files = {kind: book_of(project / file, tmp_path / f"{kind}.xlsx")
             for kind, file in (("survey", SURVEY), ("readings", READINGS), ("control", CONTROL_FILE))}  # fmt: skip
    assert told("check", project, "--survey", files["survey"]) == told("check", project)
    before = told("setup", project)
    assert told("setup", project, "--readings", files["readings"], "--control", files["control"]) == before
    places = tmp_path / "places.csv"
    places.write_text("name,chainage_m,offset_m,height_m\na,27700,4,1.6\nb,27760,-4,1.6\n")
    plan = ("plan-setup", project, "--candidates")
    assert told(*plan, book_of(places, tmp_path / "places.xlsx")) == told(*plan, places)
    assert told("offsets", project, files["control"]) == told("offsets", project, project / CONTROL_FILE)
    # one workbook of several sheets serves all of them, each by its name
    all_in_one = book(tmp_path / "all.xlsx", {
        title: [[as_value(c) for c in row] for row in csv.reader((project / file).read_text().splitlines())]
        for title, file in (("Survey", SURVEY), ("readings", READINGS), ("CONTROL", CONTROL_FILE))
    })  # fmt: skip
    assert told("check", project, "--survey", all_in_one) == told("check", project)
    assert told("setup", project, "--readings", all_in_one, "--control", all_in_one) == before


def test_a_result_replaces_no_table(project: Path) -> None:
    for name in ("control.xlsx", "seats.xlsx", "horizontal.xlsx", "tables.xlsx", "control.csv"):
        answer = run("check", project, "--csv", project / name)
        assert answer.status == 2
        assert "an input" in answer.err
        assert not (project / name).exists() or name == "control.csv"
    for folder in ("survey", "bed", "readings"):
        assert f"a place outside the {folder} folder" in run("check", project, "--csv", project / folder / "x.csv").err


def test_a_table_on_a_sheet_and_in_a_file_is_told(project: Path) -> None:
    book_of(project / "control.csv", project / WORKBOOK, "control")
    answer = run("setup", project)
    assert answer.status == 2
    assert "control.csv: expected either control.csv or a sheet control in tables.xlsx, found both" in answer.err
    (project / "control.csv").unlink()
    assert table_file(project / "control.csv") == project / WORKBOOK
    assert run("setup", project).status == 1  # as by the table: a set-up of the demo is wrong
    book_of(project / "seats.csv", project / WORKBOOK, "seat")
    assert (
        "tables.xlsx sheet seat: expected a sheet that is used" not in run("check", project).err
    )  # seats.csv is there
    (project / "seats.csv").unlink()
    assert (
        "tables.xlsx sheet seat: expected a sheet that is used, found one that is left out (did you mean seats?)"
        in (run("check", project).err)
    )


def test_several_sheets_are_several_surveys(project: Path) -> None:
    rows = [[as_value(c) for c in row] for row in csv.reader((project / SURVEY).read_text().splitlines())]
    before = told("check", project)
    (project / SURVEY).unlink()
    (project / "survey").rmdir()
    half = len(rows) // 8 * 4 + 1
    book(project / WORKBOOK, {"survey north": rows[:half], "Survey south": [rows[0], *rows[half:]], "notes": [["any"]]})
    after = told("check", project)
    assert [s["verdict"] for s in after["slabs"]] == [s["verdict"] for s in before["slabs"]]
    assert [s["up_mm"] for s in after["slabs"]] == [s["up_mm"] for s in before["slabs"]]
    made = openpyxl.load_workbook(project / WORKBOOK)
    made["Survey south"]["F9"] = "high"
    made.save(project / WORKBOOK)
    answer = run("check", project)
    assert answer.status == 2
    assert "tables.xlsx sheet Survey south:9: level_m: expected a level" in answer.err
    assert answer.err.count("\n") == 1


def test_control_is_one_table(tmp_path: Path) -> None:
    rows = [["point", "level_m"], ["a", 1.0]]
    path = book(tmp_path / "a.xlsx", {"control": rows, "control ": rows})
    assert text_at(path, "control", faults := Faults()) is None
    assert str(faults.errors[0]) == "a.xlsx: expected one sheet called control, found 2: control, control "
    assert len(texts_at(book(tmp_path / "b.xlsx", {"bed": rows, "bed 2": rows, "x": rows}), "bed", Faults())) == 2


def test_hidden_sheets_are_not_read(project: Path, tmp_path: Path) -> None:
    book(tmp_path / "a.xlsx", {"points": [["point", "level_m"], ["a", 1.5]], "lists": [["any"]]})
    made = openpyxl.load_workbook(tmp_path / "a.xlsx")
    made["lists"].sheet_state = "hidden"
    made.save(tmp_path / "a.xlsx")
    table, faults = points(tmp_path / "a.xlsx", "survey")
    assert not faults.errors
    assert table["level_m"].tolist() == [1.5]  # the only one that can be seen
    made["points"].title, made["lists"].title = "seen", "Survey"
    made.save(tmp_path / "a.xlsx")
    _, faults = points(tmp_path / "a.xlsx", "survey")
    assert str(faults.errors[0]) == (
        "a.xlsx sheet Survey: expected a sheet that can be seen, found a hidden one (show it or delete it)"
    )
    assert len(faults.errors) == 1
    book_of(project / "cant.csv", project / WORKBOOK, "cant")
    (project / "cant.csv").unlink()
    made = openpyxl.load_workbook(project / WORKBOOK)
    made.create_sheet("x")
    made["cant"].sheet_state = "veryHidden"
    made.save(project / WORKBOOK)
    assert (
        "tables.xlsx sheet cant: expected a sheet that can be seen, found a hidden one" in run("stations", project).err
    )


def test_merged_cells_are_a_fault_where_they_hide_something(tmp_path: Path) -> None:
    rows = [["# all of it", None], ["point", "level_m"], ["a", 1.5], ["b", None], ["c", 2.5]]
    path = book(tmp_path / "a.xlsx", {"points": rows})
    made = openpyxl.load_workbook(path)
    for cells in ("A1:B1", "D3:E4", "A20:B21"):  # in a comment, beside the table, below it
        made["points"].merge_cells(cells)
    made.save(path)
    _, faults = points(path)
    assert [str(fault) for fault in faults.errors] == [
        "a.xlsx sheet points:4: level_m: expected a number in m, found an empty cell"
    ]
    made["points"].merge_cells("B3:B4")
    made.save(path)
    _, faults = points(path)
    assert [str(fault) for fault in faults.errors] == [
        "a.xlsx sheet points:3: level_m: expected cells that each stand for themselves, found cells merged up to B4 in "
        "cell B3 (split them, and fill every one)"
    ]


def test_dates_numbers_as_texts_and_empty_rows(tmp_path: Path) -> None:
    rows: list[list[Any]] = [
        ["point", "level_m", "time"], ["a", "1.50", datetime(2031, 5, 14, 6, 30, 1)], ["b", 2, "2031-05-14T06:30Z"],
        ["c", 3.25, date(2031, 5, 15)],
    ]  # fmt: skip
    path = book(tmp_path / "a.xlsx", {"points": [*rows, *[[None, "", "  "]] * 400]})
    table, faults = points(path)
    assert not faults.errors
    assert table["level_m"].tolist() == [1.5, 2.0, 3.25]
    assert table["time"].tolist() == [
        datetime(2031, 5, 14, 6, 30, 1),
        datetime(2031, 5, 14, 6, 30),
        datetime(2031, 5, 15),
    ]
    _, faults = points(
        book(tmp_path / "b.xlsx", {"points": [rows[0], ["a", datetime(2031, 5, 12), None], ["b", "1,5"]]})
    )
    assert [str(fault) for fault in faults.errors if "time" not in fault.where] == [
        "b.xlsx sheet points:2: level_m: expected a number in m, found '2031-05-12T00:00:00' (a date: did a "
        "spreadsheet take a number for one?)",
        "b.xlsx sheet points:3: level_m: expected a number in m, found '1,5' (write the decimal mark as a point: 1.5)",
    ]


@pytest.mark.parametrize("end", [".xlsm", ".xls", ".xlsb", ".ods", ".XLSM"])
def test_other_workbooks_are_refused_by_name(project: Path, end: str) -> None:
    words = f"expected a comma separated table, or a workbook that ends in .xlsx, found one that ends in {end} (save it"
    book_of(project / SURVEY, project / "survey" / f"a{end}")
    assert f"slabpose: a{end}: {words}" in run("check", project).err
    assert f"slabpose: a{end}: {words}" in run("setup", project, "--control", project / "survey" / f"a{end}").err


def test_a_workbook_with_macros_is_refused_whatever_its_name_says(tmp_path: Path) -> None:
    path = book(tmp_path / "a.xlsx", {"points": [["point", "level_m"], ["a", 1.5]]})
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("xl/vbaProject.bin", b"\0" * 64)
    _, faults = points(path)
    assert [str(fault) for fault in faults.errors] == [
        "a.xlsx: expected a workbook without macros, found one with macros, whatever its name says (save it as .xlsx)"
    ]


def test_ten_faults_of_a_workbook_are_ten_messages(tmp_path: Path) -> None:
    rows: list[list[Any]] = [["point", "level_m"], *([f"p{k}", "=A1" if k % 2 else "#REF!"] for k in range(10))]
    _, faults = points(book(tmp_path / "a.xlsx", {"points": rows}))
    assert [fault.where for fault in faults.errors] == [f"a.xlsx sheet points:{k + 2}: level_m" for k in range(10)]
    assert all(f"in cell B{k + 2}" in fault.found for k, fault in enumerate(faults.errors))


def test_every_number_comes_back(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    values = np.concatenate([
        rng.uniform(-1, 1, 400) * 10.0 ** rng.integers(-9, 8, 400),
        [0.1 + 0.2, 5412345.123456789, 1e-7, 0.0, 180.0, 1e20],
        np.nextafter(np.arange(1.0, 50.0), 0),
    ])  # fmt: skip
    names = np.array([f"p{k}" for k in range(len(values))], dtype=object)
    for rounded in (True, False):
        sheets = {"points": {"point": names, "level_m": values}}
        write_workbook(tmp_path / "a.xlsx", sheets, "t", made_from({}), (), rounded=rounded)
        table, faults = points(tmp_path / "a.xlsx")
        assert not faults.errors
        np.testing.assert_array_equal(table["level_m"], values)
        page = openpyxl.load_workbook(tmp_path / "a.xlsx")["points"]
        assert [row[1] for row in page.iter_rows(min_row=2, values_only=True)] == values.tolist()
        assert page["B2"].number_format == ("0.00000" if rounded else "General")


def test_names_come_back_letter_by_letter(project: Path, tmp_path: Path) -> None:
    names = ["#1", "0123", "1.50", "1e5", "12", "=1+1", "007", "TRUE", "-", "2031-05-14", " b ", "a,b", 'c"d', "#"]
    rows = "".join(f'"{name.replace(chr(34), chr(34) * 2)}",{k},2,3\n' for k, name in enumerate(names))
    (project / CONTROL_FILE).write_text(f"# from the office\npoint,easting_m,northing_m,level_m\n{rows}")
    was = read_control(project / CONTROL_FILE, Faults(), SIGMAS)
    assert run("export", project, "--to", tmp_path / WORKBOOK).status == 0
    now = read_control(tmp_path / WORKBOOK, faults := Faults(), SIGMAS)
    assert not faults.errors
    assert not faults.warnings
    assert now.names == was.names == tuple(name.strip() for name in names)
    np.testing.assert_array_equal(now.xyz, was.xyz)


@pytest.mark.parametrize("names", [("0123", "4"), ("1.50", "2"), ("1e5", "7"), ("12", "-3"), ("+4", "5")])
def test_names_that_look_like_numbers_come_back(project: Path, tmp_path: Path, names: tuple[str, ...]) -> None:
    rows = "".join(f"{name},{k}.250,2,3\n" for k, name in enumerate(names))
    (project / CONTROL_FILE).write_text(f"point,easting_m,northing_m,level_m\n{rows}")
    assert run("export", project, "--to", tmp_path / WORKBOOK).status == 0
    assert read_control(tmp_path / WORKBOOK, Faults(), SIGMAS).names == names
    page = openpyxl.load_workbook(tmp_path / WORKBOOK)["control"]
    assert page["B2"].value == 0.25  # numbers are numbers, to calculate with
    assert isinstance(page["A2"].value, int) == (names == ("12", "-3"))


def test_hostile_tables_come_back_and_nothing_is_run(tmp_path: Path) -> None:
    project, names = hostile_project(tmp_path)
    assert run("export", project, "--to", tmp_path / WORKBOOK).status == 0
    made = openpyxl.load_workbook(tmp_path / WORKBOOK)
    risky = 0
    for page in made:
        for cell in (cell for row in page.iter_rows() for cell in row if cell.value is not None):
            assert cell.data_type in "sn"
            if isinstance(cell.value, str) and cell.value.lstrip()[:1] in ("=", "+", "-", "@"):
                assert cell.quotePrefix, cell.value
                risky += 1
    assert risky > 10
    alone = tmp_path / "alone"
    alone.mkdir()
    shutil.copy(project / "project.toml", alone)
    shutil.copy(tmp_path / WORKBOOK, alone)
    read = open_project(alone)
    assert read.layout.names.tolist() == [" ".join(name.split()) if "\n" in name else name for name in names]
    assert len({span.name for span in read.spans} & set(HOSTILE)) >= 10
    assert [s["verdict"] for s in told("check", alone)["slabs"]] == [
        s["verdict"] for s in told("check", project)["slabs"]
    ]


def test_a_table_that_is_none_stops_the_export(project: Path, tmp_path: Path) -> None:
    (project / "seats.csv").write_text("slab,slab,rail\nQ0101,1\nQ0101,2,L\n")
    (project / READINGS).write_text('setup,target\nS01,"open\n')
    answer = run("export", project, "--to", tmp_path / WORKBOOK)
    assert answer.status == 2
    assert answer.err.splitlines() == [
        "slabpose: seats.csv:1: expected one column slab, found 2 of that name",
        "slabpose: seats.csv:2: expected 3 cells, as in the header, found 2",
        "slabpose: fine_adjustment.csv: expected a table with a header, found an open quote",
    ]
    assert not (tmp_path / WORKBOOK).exists()


def test_long_and_like_names_of_files_become_titles(project: Path, tmp_path: Path) -> None:
    for name in ("a" * 60, "a" * 59, "A" * 60, "x[1]", "x'"):
        shutil.copy(project / SURVEY, project / "survey" / f"{name}.csv")
    assert run("export", project, "--design-only", "--to", tmp_path / WORKBOOK).status == 0
    titles = [title for title in openpyxl.load_workbook(tmp_path / WORKBOOK).sheetnames if title.startswith("survey ")]
    assert len(titles) == 6
    assert max(map(len, titles)) == 31
    assert len({title.casefold() for title in titles}) == 6
    assert len(texts_at(tmp_path / WORKBOOK, "survey", Faults())) == 6


def test_the_report_tells_of_the_setups_of_a_workbook(project: Path, tmp_path: Path) -> None:
    shutil.rmtree(project / "survey")
    at = ("--at", "2031-05-15T12:00Z", "--html", tmp_path / "a.html")
    assert run("report", project, *at).status == 0
    before = (tmp_path / "a.html").read_text()
    book(project / WORKBOOK, {
        title: [[as_value(c) for c in row] for row in csv.reader((project / file).read_text().splitlines())]
        for title, file in (("readings", READINGS), ("control", CONTROL_FILE))
    })  # fmt: skip
    (project / CONTROL_FILE).unlink()
    (project / READINGS).unlink()
    assert run("report", project, *at).status == 0
    assert before.count("S07") == (tmp_path / "a.html").read_text().count("S07") > 0


def test_follow_says_what_it_does_not_watch(project: Path) -> None:
    book_of(project / SURVEY, project / "survey" / "more.xlsx")
    out = run("follow", project, "--once").out
    assert f"not watching {project / 'survey' / 'more.xlsx'}: only comma separated files" in " ".join(out.split())
    (project / "survey" / "more.xlsx").unlink()
    book_of(project / SURVEY, project / WORKBOOK, "survey")
    assert f"not watching {project / WORKBOOK}: only comma separated" in " ".join(
        run("follow", project, "--once").out.split()
    )
    shutil.rmtree(project / "survey")
    shutil.rmtree(project / "readings")
    assert "a folder to watch" in run("follow", project, "--once").err


def test_without_the_library_it_is_told(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book_of(project / "control.csv", project / "control.xlsx")
    (project / "control.csv").unlink()
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    assert "pip install 'slabpose[excel]'" in run("setup", project).err
    assert run("check", project).status == 1  # who needs no workbook needs no library
    change(project, SURVEY, "P0001", "P0001")
    with pytest.raises(InputError):
        open_project(project / "nowhere")
