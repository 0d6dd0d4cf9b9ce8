"""Results as a workbook, read back by openpyxl and as the XML that ECMA-376 describes."""

from __future__ import annotations

import sys
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from hostile_names import HOSTILE, hostile_project
from lxml import etree
from project_copies import copy_of_demo, run

from geometry.exchange.excel_writing import write_workbook
from geometry.exchange.exports import Asked, export
from geometry.exchange.project import open_project
from geometry.exchange.results import anchor_table, made_from, slab_table, target_corner_table
from viewer.running import check_of

_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


def columns_of(page: Any) -> dict[str, list[Any]]:
    header, *rows = page.iter_rows(values_only=True)
    return dict(zip(header, map(list, zip(*rows, strict=True)), strict=True)) if rows else {name: [] for name in header}


def test_the_workbook_holds_the_tables(project: Path, tmp_path: Path) -> None:
    assert run("export", project, "--to", tmp_path / "a.xlsx").status == 0
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    assert book.sheetnames == ["slabs", "corners", "joints", "targets", "set-out corners", "anchors", "stations",
                               "layout findings", "made from"]  # fmt: skip
    read = open_project(project)
    _, check = check_of(read, (), None)
    corners = target_corner_table(read)
    for name, table in (
        ("slabs", slab_table(read, check)), ("anchors", anchor_table(read)), ("set-out corners", corners)
    ):  # fmt: skip
        found = columns_of(book[name])
        assert list(found) == list(table)
        for column, values in table.items():
            array = np.asarray(values)
            if array.dtype.kind == "f":
                given = np.array([np.nan if value is None else value for value in found[column]])
                # numbers in full, only shown rounded; a workbook keeps 16 digits
                np.testing.assert_allclose(given, array, rtol=0, atol=1e-9)
            else:
                assert found[column] == [value or None if isinstance(value, str) else value for value in array.tolist()]
    stations = columns_of(book["stations"])
    assert stations["chainage_m"][:3] == [27400.0, 27410.0, 27420.0]
    assert stations["distance_m"][-1] == pytest.approx(read.alignment.length, abs=1e-9)
    told = dict(zip(*columns_of(book["made from"]).values(), strict=True))
    assert told["sha256 of horizontal.csv"] == read.inputs["horizontal.csv"]
    assert any("licensed surveyor" in str(value) for value in columns_of(book["made from"])["value"])


def test_numbers_have_the_format_of_their_unit_and_headers_stay(project: Path, tmp_path: Path) -> None:
    assert run("export", project, "--to", tmp_path / "a.xlsx").status == 0
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    for page in book:
        assert page.freeze_panes == "A2"
        for column in page.iter_cols(max_row=min(page.max_row, 40)):
            widest = max(len(str(cell.value)) for cell in column if isinstance(cell.value, str))
            assert page.column_dimensions[column[0].column_letter].width >= min(widest + 2, 60)
    formats = {cell.value: book["slabs"].cell(2, cell.column).number_format for cell in book["slabs"][1]}
    assert formats["up_mm"] == "0.00"
    assert formats["chainage_m"] == "0.0000"
    assert formats["roll_mrad"] == "0.000"
    assert formats["marks"] == "0"
    assert book["set-out corners"]["D2"].number_format == "0.00000"


def test_design_only_says_nothing_of_what_was_built(project: Path, tmp_path: Path) -> None:
    assert run("export", project, "--to", tmp_path / "a.xlsx", "--design-only").status == 0
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    assert {"slabs", "corners", "joints"} & set(book.sheetnames) == set()
    assert book["targets"].max_row == len(open_project(project).layout.names) + 1


def test_no_cell_is_run(tmp_path: Path) -> None:
    project, names = hostile_project(tmp_path)
    assert run("export", project, "--to", tmp_path / "a.xlsx").status == 0
    with zipfile.ZipFile(tmp_path / "a.xlsx") as archive:
        parts = {name: etree.fromstring(archive.read(name)) for name in archive.namelist() if name.endswith(".xml")}
    sheets = [part for name, part in parts.items() if "worksheets" in name]
    assert len(sheets) == 9
    assert not [cell for sheet in sheets for cell in sheet.iter(f"{_MAIN}f")]
    assert not [name for name in parts if "external" in name or "vba" in name]
    # by the rule for texts, whatever a library makes of it: marked as text by the style of the cell
    marked = [f.get("quotePrefix") == "1" for f in parts["xl/styles.xml"].find(f"{_MAIN}cellXfs")]
    risky = 0
    for sheet in sheets:
        for cell in sheet.iter(f"{_MAIN}c"):
            assert cell.get("t", "n") in ("inlineStr", "n", "b")
            if cell.get("t") == "inlineStr":
                text = "".join(cell.itertext())
                risk = text.lstrip(" \t\r\n")[:1] in ("=", "+", "-", "@")
                assert marked[int(cell.get("s", 0))] == risk, text
                risky += risk
    assert risky > 30
    assert "<i>" in openpyxl.load_workbook(tmp_path / "a.xlsx").properties.title
    found = columns_of(openpyxl.load_workbook(tmp_path / "a.xlsx")["slabs"])["slab"]
    # XML of workbooks knows no carriage return but as a line end
    assert [name.replace("\r", "") for name in found] == [name.replace("\r", "") for name in names]
    assert len(HOSTILE) == 13


def test_what_xml_cannot_hold_is_shown(tmp_path: Path) -> None:
    texts = np.array(["a\x07b", "\ud800", "=x", None, "", "y" * 40_000], dtype=object)
    made = made_from({})
    write_workbook(tmp_path / "a.xlsx", {"s": {"name": texts, "up_mm": np.full(6, np.nan)}}, "t", made, ())
    page = openpyxl.load_workbook(tmp_path / "a.xlsx")["s"]
    values = [row[0] for row in page.iter_rows(min_row=2, values_only=True)]
    assert values[:5] == ["a\u2407b", "\ufffd", "=x", None, None]
    assert values[5].endswith("…")
    assert page["A4"].data_type == "s"


def test_what_does_not_fit_is_refused(project: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import geometry.exchange.excel_writing as module

    monkeypatch.setattr(module, "MOST_ROWS", 100)
    answer = run("export", project, "--to", tmp_path / "a.xlsx")
    assert answer.status == 2
    assert "a.xlsx: slabs: expected at most 99 rows" in answer.err
    assert not list(tmp_path.glob("*.xlsx"))


def test_without_the_library_nothing_is_written(project: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    answer = run("export", project, "--to", tmp_path / "a.csv", "--to", tmp_path / "a.xlsx")
    assert answer.status == 2
    assert answer.err == "slabpose: Excel needs a library more: pip install 'slabpose[excel]'\n"
    assert not (tmp_path / "a.csv").exists()


def test_a_workbook_is_there_whole_or_not_at_all(
    project: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a.xlsx").write_bytes(b"before")
    read = open_project(project)
    with monkeypatch.context() as patch:
        patch.setattr("os.fsync", lambda _: (_ for _ in ()).throw(OSError(28, "No space left on device")))
        with pytest.raises(OSError, match="No space"):
            export([tmp_path / "a.xlsx"], Asked(read, None, read.inputs))
    assert (tmp_path / "a.xlsx").read_bytes() == b"before"
    assert [path.name for path in tmp_path.iterdir() if path.is_file()] == ["a.xlsx"]
