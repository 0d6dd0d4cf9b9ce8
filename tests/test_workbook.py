"""Tables of a project that stand in a workbook: same checks as comma separated ones, and nothing is ever run.

The workbooks are written by openpyxl or, where it would not write such a thing, put together from the parts that
ECMA-376 asks for.
"""

from __future__ import annotations

import csv
import hashlib
import json
import sys
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from project_copies import SURVEY, change, copy_of_demo, run

from geometry.errors import Faults, InputError, SlabposeError
from geometry.exchange.project import open_alignment, open_project
from geometry.exchange.survey_files import read_survey
from geometry.exchange.tables import Column, read_table
from geometry.exchange.workbook_cells import read_workbook, sheet_text
from geometry.exchange.workbook_files import SHEETS
from geometry.exchange.workbook_sheets import WORKBOOK, text_at

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


def as_value(text: str) -> Any:
    try:
        return float(text)
    except ValueError:
        return text or None


def into_workbook(project: Path, *, keep: tuple[str, ...] = ()) -> Path:
    """Put the tables of a project into its workbook, in place of the files."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name in SHEETS:
        file = project / f"{name}.csv"
        if not file.exists() or name in keep:
            continue
        page = book.create_sheet(name)
        for row in csv.reader(file.read_text().splitlines()):
            page.append([as_value(text) for text in row])
        file.unlink()
    book.save(project / WORKBOOK)
    return project / WORKBOOK


def edit(path: Path, sheet: str, cell: str, value: Any) -> None:
    book = openpyxl.load_workbook(path)
    book[sheet][cell] = value
    book.save(path)


def patch(path: Path, part: str, old: str, new: str) -> None:
    """Change the XML of a part of a workbook, as no library would write it."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    assert old in parts[part].decode()
    parts[part] = parts[part].decode().replace(old, new, 1).encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)


def one_sheet(path: Path, rows: list[list[Any]], title: str = "points") -> Path:
    book = openpyxl.Workbook()
    book.active.title = title
    for row in rows:
        book.active.append(row)
    book.save(path)
    return path


def test_a_workbook_stands_for_the_files(project: Path) -> None:
    before = open_project(project)
    path = into_workbook(project)
    after = open_project(project)
    assert after.layout.names.tolist() == before.layout.names.tolist()
    np.testing.assert_array_equal(after.targets.position, before.targets.position)
    assert not after.warnings
    assert after.inputs[WORKBOOK] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert "horizontal.csv" not in after.inputs
    assert open_alignment(project)[1].to_chainage(900.0) == before.count.to_chainage(900.0)
    told = json.loads(run("stations", project, "--at", "28000", "--json", "-").out)["made_from"]["inputs_sha256"]
    assert sorted(told) == ["project.toml", WORKBOOK]


def test_files_and_sheets_may_be_mixed_but_not_doubled(project: Path) -> None:
    cant = (project / "cant.csv").read_text()
    into_workbook(project, keep=("cant",))
    assert not open_project(project).warnings
    edit(project / WORKBOOK, "vertical", "A1", "kind")
    book = openpyxl.load_workbook(project / WORKBOOK)
    for row in csv.reader(cant.splitlines()):
        (book["Cant"] if "Cant" in book.sheetnames else book.create_sheet("Cant")).append(row)
    book.save(project / WORKBOOK)
    with pytest.raises(InputError, match=r"either cant.csv or a sheet cant in tables.xlsx, found both"):
        open_project(project)
    (project / "cant.csv").unlink()
    assert not open_project(project).warnings  # names of sheets do not tell capitals apart


def test_faults_name_file_sheet_row_and_column(project: Path) -> None:
    path = into_workbook(project)
    edit(path, "horizontal", "C3", "12,5")
    edit(path, "horizontal", "B5", -3)
    edit(path, "structures", "C4", "north end")
    answer = run("check", project)
    assert answer.status == 2
    lines = answer.err.splitlines()
    assert any("tables.xlsx sheet horizontal:3: radius_start_m: " in line and "12.5" in line for line in lines)
    assert any("tables.xlsx sheet horizontal:5: length_m: expected a length of 0.001 to " in line for line in lines)
    assert any("tables.xlsx sheet structures:4: chainage_start_m: " in line for line in lines)
    assert len(lines) == 3


def test_rows_keep_their_numbers(tmp_path: Path) -> None:
    rows: list[list[Any]] = [[], ["# a note, with commas, and more"], [None, None], ["name", "level_m"], ["a", 1.5], []]
    path = one_sheet(tmp_path / "a.xlsx", [*rows, ["b\nc", 2], ["#d", 3], ["e", "x"]])
    faults = Faults()
    found = text_at(path, "survey", faults)
    assert found is not None
    table = read_table(found[0], (Column("name"), Column("level_m", "number")), faults, content=found[1])
    assert table["name"].tolist() == ["a", "b c", "e"]
    assert table.lines.tolist() == [5, 7, 9]
    assert [fault.where for fault in faults.errors] == ["a.xlsx sheet points:9: level_m"]
    assert [fault.where for fault in faults.warnings] == ["a.xlsx sheet points:7: name", "a.xlsx sheet points:8"]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (180, "180"), (180.0, "180"), (0.1, "0.1"), (431208.455, "431208.455"), (1e-7, "1e-07"), (True, "true"),
        (datetime(2031, 5, 14, 6, 30), "2031-05-14T06:30:00"), ('a "b", c', '"a ""b"", c"'), ("  x ", "x"),
        ("\u202eabc \U0001f600", "\u202eabc \U0001f600"), ("<script>alert(1)</script>", "<script>alert(1)</script>"),
    ],
)  # fmt: skip
def test_what_stands_in_a_cell(tmp_path: Path, value: Any, text: str) -> None:
    path = one_sheet(tmp_path / "a.xlsx", [["a", "b"], [value, 1]])
    faults = Faults()
    found = text_at(path, "survey", faults)
    assert found is not None
    assert found[1].decode() == f"a,b\n{text},1\n"
    assert not faults.errors


def test_formulas_are_never_calculated(project: Path) -> None:
    path = into_workbook(project)
    edit(path, "structures", "C2", "=27000+440")
    told = (
        "slabpose: tables.xlsx sheet structures:2: chainage_start_m: expected a value, found the formula '=27000+440' "
        "in cell C2 (formulas are never calculated: copy the cells, and paste their values only)\n"
    )
    assert run("check", project).err == told
    # nor is the value believed that some program once kept with it
    sheet = "xl/worksheets/sheet5.xml"
    patch(path, sheet, "<f>27000+440</f><v></v>" if "<v></v>" in _part(path, sheet) else "<f>27000+440</f><v />",
          "<f>27000+440</f><v>27443</v>")  # fmt: skip
    assert run("check", project).err == told


def _part(path: Path, name: str) -> str:
    with zipfile.ZipFile(path) as archive:
        return archive.read(name).decode()


@pytest.mark.parametrize("formula", ['=HYPERLINK("http://127.0.0.1/")', "=cmd|'/c calc'!A1", "=WEBSERVICE(A1)", "=A1"])
def test_formulas_that_want_something_are_only_told(tmp_path: Path, formula: str) -> None:
    faults = Faults()
    text_at(one_sheet(tmp_path / "a.xlsx", [["point", "level_m"], ["a", formula]]), "survey", faults)
    assert [fault.where for fault in faults.errors] == ["a.xlsx sheet points:2: level_m"]
    assert "in cell B2" in faults.errors[0].found


def test_many_faults_of_a_kind_are_counted(tmp_path: Path) -> None:
    faults = Faults()
    text_at(one_sheet(tmp_path / "a.xlsx", [["level_m"], *[["=A1"]] * 70]), "survey", faults)
    assert len(faults.errors) == 21
    assert faults.errors[-1].found == "50 more like these"


def test_errors_and_cells_beyond_the_header_are_named(tmp_path: Path) -> None:
    path = one_sheet(tmp_path / "a.xlsx", [["point", "level_m"], ["a", "#DIV/0!"], ["b", 2, None, "stray"]])
    faults = Faults()
    text_at(path, "survey", faults)
    assert [str(fault) for fault in faults.errors] == [
        "a.xlsx sheet points:2: level_m: expected a value, found the error #DIV/0! in cell B2",
        "a.xlsx sheet points:3: expected nothing beyond the columns of the header, found 'stray' in cell D3",
    ]


def test_surveys_may_be_workbooks(project: Path) -> None:
    read = open_project(project)
    files = project / SURVEY, project / "survey" / "fine_adjustment.xlsx"
    before = read_survey(read, files[:1])
    rows = list(csv.reader(files[0].read_text().splitlines()))
    times = rows[0].index("time") if "time" in rows[0] else -1
    body = [[as_value(text) for text in row] for row in rows]
    for row in body[1:]:
        if times >= 0 and row[times]:
            row[times] = datetime.fromisoformat(row[times]).astimezone(UTC).replace(tzinfo=None)
    one_sheet(files[1], body, "Tabelle1")
    files[0].unlink()
    (project / "survey" / "~$fine_adjustment.xlsx").write_bytes(b"\x00" * 160)  # beside an open workbook
    after = read_survey(read, [files[1]])
    np.testing.assert_array_equal(after.points.xyz, before.points.xyz)
    np.testing.assert_array_equal(after.points.mark, before.points.mark)
    assert after.points.time.tolist() == before.points.time.tolist()
    assert list(after.inputs) == ["survey/fine_adjustment.xlsx"]
    assert "Surveyed points used: fine: " in run("check", project).out
    assert run("offsets", project, files[1], "--json", "-").status == 0
    assert run("check", project, "--csv", project / "survey" / "b.xlsx").status == 2
    edit(files[1], "Tabelle1", "D9", "high")
    answer = run("check", project)
    assert answer.status == 2
    assert "fine_adjustment.xlsx sheet Tabelle1:9: " in answer.err


def test_a_workbook_of_several_sheets_says_which(tmp_path: Path) -> None:
    path = one_sheet(tmp_path / "a.xlsx", [["point"], ["a"]], "first")
    book = openpyxl.load_workbook(path)
    book.create_sheet("second")
    book.save(path)
    faults = Faults()
    assert text_at(path, "survey", faults) is None
    assert "one that is called survey, found 2 sheets: first, second" in str(faults.errors[0])
    book["second"].title = "Survey"
    book["Survey"].append(["point"])
    book["Survey"].append(["b"])
    book.save(path)
    found = text_at(path, "survey", Faults())
    assert found is not None
    assert found[1] == b"point\nb\n"


def test_names_a_little_wrong_are_told(project: Path) -> None:
    into_workbook(project)
    book = openpyxl.load_workbook(project / WORKBOOK)
    book["cant"].title = "cants"
    book.save(project / WORKBOOK)
    assert "a sheet that is used, found one that is left out (did you mean cant?)" in run("stations", project).err
    book["horizontal"].title = "plan"
    book.save(project / WORKBOOK)
    assert "tables.xlsx: expected a sheet horizontal, found none" in run("stations", project).err
    (project / WORKBOOK).rename(project / "table.xlsx")
    told = run("stations", project).err
    assert (
        "horizontal.csv: expected a file, found nothing of that name (is table.xlsx meant to be tables.xlsx?)" in told
    )


def packed(path: Path, sheet: bytes) -> Path:
    """Put a workbook of one sheet together by hand."""
    types = (
        '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Override PartName="/xl/workbook.xml" '
        'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/><Override '
        'PartName="/s.xml" '
        'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/></Types>'
    )
    of = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    rels = '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">{}</Relationships>'
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", types)
        archive.writestr("_rels/.rels", rels.format(
            f'<Relationship Id="r" Type="{of}/officeDocument" Target="xl/workbook.xml"/>'))  # fmt: skip
        archive.writestr("xl/_rels/workbook.xml.rels", rels.format(
            f'<Relationship Id="r" Type="{of}/worksheet" Target="/s.xml"/>'))  # fmt: skip
        archive.writestr("xl/workbook.xml", f'<workbook xmlns="{_MAIN}" xmlns:r="{of}"><sheets>'
                         '<sheet name="points" sheetId="1" r:id="r"/></sheets></workbook>')  # fmt: skip
        archive.writestr("s.xml", sheet)
    return path


def test_what_is_put_together_by_hand_is_read(tmp_path: Path) -> None:
    first = '<row r="1"><c r="A1" t="str"><v>a</v></c></row>'
    sheet = f'<worksheet xmlns="{_MAIN}"><sheetData>{first}{{}}</sheetData></worksheet>'
    path = packed(tmp_path / "a.xlsx", sheet.format('<row r="3"><c r="A3"><v>1.5</v></c></row>').encode())
    found = text_at(path, "survey", Faults())
    assert found is not None
    assert found[1] == b"a\n\n1.5\n"
    # cells and rows far out, more of them than anybody could go through
    for row in ('<row r="999999999999"><c><v>1</v></c></row>', '<row r="2"><c r="XFD2"><v>1</v></c></row>'):
        packed(path, sheet.format(row).encode())
        text_at(path, "survey", faults := Faults())
        assert len(faults.errors) == ("XFD" in row), row


def test_bombs_are_not_unpacked(tmp_path: Path) -> None:
    path = packed(tmp_path / "a.xlsx", b" " * (300 << 20))
    assert path.stat().st_size < 1 << 20
    faults = Faults()
    assert text_at(path, "survey", faults) is None
    assert "a.xlsx: expected a workbook of at most 128 MiB unpacked in 2000 parts, found 300 MiB" in str(
        faults.errors[0]
    )
    laughs = '<!DOCTYPE w [<!ENTITY a "ha">' + "".join(
        f'<!ENTITY {chr(98 + i)} "{f"&{chr(97 + i)};" * 10}">' for i in range(12)
    )
    packed(path, b"<c/>" * 6_100_000)
    assert text_at(path, "survey", faults := Faults()) is None
    assert "a workbook of at most 1500000 cells, found some 1525" in str(faults.errors[0])
    packed(path, f'<?xml version="1.0"?>{laughs}]><worksheet xmlns="{_MAIN}"><sheetData><row><c t="str"><v>&m;</v></c>'
           "</row></sheetData></worksheet>".encode())  # fmt: skip
    assert text_at(path, "survey", faults := Faults()) is None
    assert "a broken one" in str(faults.errors[0])


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "another, a broken or an encrypted file"),
        (b"point,level_m\na,1\n", "another, a broken or an encrypted file"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "save it as .xlsx without a password"),
        (b"PK\x05\x06" + b"\0" * 18, "a broken one"),
    ],
)
def test_no_workbook_at_all(project: Path, content: bytes, words: str) -> None:
    into_workbook(project)
    (project / WORKBOOK).write_bytes(content)
    answer = run("check", project)
    assert answer.status == 2
    assert words in answer.err
    assert answer.err.count("\n") == 1
    whole = Path(project / "whole.xlsx")
    one_sheet(whole, [["point"]])
    for cut in (100, 2000, len(whole.read_bytes()) - 30):
        (project / WORKBOOK).write_bytes(whole.read_bytes()[:cut])
        assert run("check", project).status == 2


def test_an_input_is_not_written_over(project: Path) -> None:
    path = into_workbook(project)
    before = path.read_bytes()
    assert run("export", project, "--to", path).status == 2
    assert path.read_bytes() == before


def test_without_the_library_it_says_what_to_install(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    into_workbook(project)
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    answer = run("check", project)
    assert answer.status == 2
    assert answer.err == "slabpose: Excel needs a library more: pip install 'slabpose[excel]'\n"


def test_a_refusal_inside_is_not_taken_for_a_broken_file(tmp_path: Path) -> None:
    path = one_sheet(tmp_path / "a.xlsx", [["a"], [1]])

    def refuse(book: Any) -> None:
        raise SlabposeError(sheet_text(book, "points", "p", Faults()).decode())

    with pytest.raises(SlabposeError, match="a\n1\n"):
        read_workbook(path, Faults(), refuse)


def test_a_line_break_in_an_unused_column_is_no_fault(project: Path) -> None:
    path = into_workbook(project)
    edit(path, "structures", "E1", "remarks")
    edit(path, "structures", "E2", "two\nlines")
    read = open_project(project)
    assert [fault.where for fault in read.warnings] == [
        "tables.xlsx sheet structures:2: remarks", "tables.xlsx sheet structures:1: remarks"
    ]  # fmt: skip
    change(project, "project.toml", 'name = "Quillmoor link, track 2"', 'name = "b"')
