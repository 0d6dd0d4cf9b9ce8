"""The command that writes the record before injection: parts, what is lacking, hostile names, refusals."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import openpyxl
import pypdf
import pytest
from project_copies import AFTER_INJECTION, DEMO, change, copy_of_demo, run
from record_report import AT, Page, told

HOSTILE = (
    "<script>alert(1)</script>", "\" onload='x' &amp; </td>", "#set text(red) $x$ *b* _i_ \\n @ref [x]",
    "\u05e9\u05dc\u05d5\u05dd \u0645\u0631\u062d\u0628\u0627", "\U0001f600\u200d\u20e3", "{{ 7*7 }}{% raw %}",
    "\u202egnirts\x07\u0000", "=HYPERLINK(\"http://a.example\")", "W" * 180,
)  # fmt: skip


def _quoted(text: str) -> str:
    """Return a text as TOML and JSON write it."""
    return json.dumps(text.replace("\x00", ""), ensure_ascii=False)


def test_hostile_names_are_text_and_nothing_else(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    change(project, "project.toml", '"Quillmoor link, track 2"', _quoted(HOSTILE[0] + HOSTILE[3] + HOSTILE[4]))
    change(project, "project.toml", '"A made-up double curve with a viaduct and a short tunnel"', _quoted(HOSTILE[2]))
    change(project, "project.toml", '"Placed by"', ", ".join(map(_quoted, (*HOSTILE[:6], HOSTILE[7]))))
    change(project, "project.toml", '"JSCE 64th annual conference 2009, IV-299, table 1"', _quoted(HOSTILE[8]))
    change(project, "project.toml", '"common practice"', _quoted(HOSTILE[6]))
    change(project, "project.toml", 'prefix = "Q"', f"prefix = {_quoted(HOSTILE[0] + chr(0x1F600))}")
    (project / "seats.csv").unlink()
    name = HOSTILE[0] + chr(0x1F600)
    survey = project / "survey/fine_adjustment.csv"
    survey.write_text(survey.read_text().replace(",Q0", f",{name}0"))
    change(project, "structures.csv", "Lapwing bank", HOSTILE[0])
    pdf, html, xlsx = (tmp_path / f"a.{kind}" for kind in ("pdf", "html", "xlsx"))
    part = ("--from", f"{name}0135", "--to", f"{name}0140")
    assert run("report", project, *AT, *part, "--title", HOSTILE[1] + "\u202e", "--pdf", pdf, "--html", html, "--xlsx",
               xlsx).status == 0  # fmt: skip
    page = Page(html.read_text())
    assert "script" not in {tag for tag, _ in page.elements}
    assert not [a for _, a in page.elements if any(key.startswith("on") for key in a)]
    shown = "".join(page.texts)
    for words in (*HOSTILE[:4], HOSTILE[5], HOSTILE[7], HOSTILE[8]):
        assert words in shown, words
    assert "\u202e" not in html.read_text()
    assert "\\u202e" in shown
    assert "49" not in next(text for text in page.texts if "{{" in text)
    text = "".join(part for page in pypdf.PdfReader(pdf).pages for part in page.extract_text().split())
    text = text.replace("\u200b", "")
    for words in (*HOSTILE[:3], HOSTILE[5], HOSTILE[7], HOSTILE[8]):
        assert "".join(words.split()) in text, words
    assert "\\u20e3" in text  # which no typeface here draws: its number stands in its place
    reader = pypdf.PdfReader(pdf)
    assert "/OpenAction" not in reader.trailer["/Root"]
    assert "/Names" not in reader.trailer["/Root"] or "/JavaScript" not in reader.trailer["/Root"]["/Names"]
    links = {str(note.get_object().get("/A", {}).get("/URI", "")) for page in reader.pages
             for note in page.get("/Annots", [])}  # fmt: skip
    assert links <= {""}
    book = openpyxl.load_workbook(xlsx)
    assert all(cell.data_type != "f" for sheet in book for row in sheet.iter_rows() for cell in row)


def test_what_nobody_looked_at_is_said(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    for path in (project / "bed").iterdir():
        path.unlink()
    text = (project / "project.toml").read_text()
    (project / "project.toml").write_text(re.sub(r"\[\[rail\.limit\]\][^\[]*", "", text))
    html = tmp_path / "a.html"
    assert run("report", project, *AT, "--html", html).status == 0
    page = Page(html.read_text())
    shown = " ".join("".join(page.texts).split())
    assert "Mortar gap, bed and anchors: not judged; no bed survey in bed." in shown
    assert "Rail over the slabs: not judged; the project has no limits for it." in shown
    assert "None of the 269 slabs that wait for injection is ready." in shown
    assert "mortar gap not surveyed" in shown
    assert [row[0] for row in page.tables["Verdicts"][1:]] == ["pose of the slabs", "joints"]
    assert "Mortar gap, volume and anchors of every slab" not in page.tables


def test_readings_bring_instrument_set_ups_and_control(tmp_path: Path) -> None:
    readings = DEMO / "readings/fine_adjustment.csv"
    html, document = tmp_path / "a.html", tmp_path / "setup.json"
    part = ("--from", "Q0140", "--to", "Q0150")
    assert run("report", DEMO, *AT, *part, "--readings", readings, "--html", html).status == 0
    run("setup", DEMO, "--json", document)
    page, setups = Page(html.read_text()), json.loads(document.read_text())
    rows = page.tables["Set-ups"][2:]
    assert [row[0] for row in rows] == [record["setup"] for record in setups["setups"]]
    for row, record in zip(rows, setups["setups"], strict=True):
        assert row[1].lstrip("?#").strip() == record["state"]
        assert row[6] == told(record["sigma_easting_mm"], 2)
    instrument = {row[0]: row[1] for row in page.tables["Standard uncertainties of readings and control"][1:]}
    assert instrument["direction"] == "0.50"
    assert instrument["distance, constant part"] == "0.60"
    sha = setups["made_from"]["inputs_sha256"]["control.csv"]
    assert f"control.csv, SHA-256 {sha}" in page.texts


def test_a_part_of_the_line_holds_that_part_only(tmp_path: Path) -> None:
    html = tmp_path / "a.html"
    assert run("report", DEMO, *AT, "--from", "Q0136", "--to", "Q0139", "--html", html).status == 0
    page = Page(html.read_text())
    assert [row[0] for row in page.tables["Verdict and reasons of every slab"][2:]] == [
        f"Q{n:04d}" for n in range(136, 140)
    ]
    assert len(page.tables["Steps and gaps of every joint"]) == 2 + 3
    assert "4 slabs from Q0136 to Q0139" in "".join(page.texts)
    assert run("report", DEMO, *AT, "--from", "Q0318", "--to", "Q0318", "--html", html).status == 0
    assert "slab Q0318 at km 28+591.1" in html.read_text()


def test_an_injected_part_is_told_as_such(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path, injected=True)
    assert (project / AFTER_INJECTION).exists()
    html = tmp_path / "a.html"
    assert run("report", project, *AT, "--from", "Q0365", "--html", html).status == 0
    assert re.search(r"All \d+ slabs have been injected\.", html.read_text())


def test_nothing_is_written_over_what_is_read(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    before = {path: path.read_bytes() for path in project.rglob("*") if path.is_file()}
    for option, name in (("--pdf", "project.toml"), ("--html", "survey/fine_adjustment.csv"),
                         ("--xlsx", "anchors.csv")):  # fmt: skip
        answer = run("report", project, *AT, "--from", "Q0101", "--to", "Q0102", option, project / name)
        assert answer.status == 2
        assert "expected a file other than the inputs" in answer.err
    assert run("report", project, *AT, "--pdf", tmp_path / "a", "--html", tmp_path / "a").status == 2
    assert {path: path.read_bytes() for path in project.rglob("*") if path.is_file()} == before
    assert not list(tmp_path.glob("*.part"))


def test_something_has_to_be_asked_for() -> None:
    answer = run("report", DEMO)
    assert answer.status == 2
    assert answer.err == "slabpose: report: expected at least one of --pdf, --html and --xlsx, found none\n"


@pytest.mark.parametrize(("library", "option"), [("typst", "--pdf"), ("jinja2", "--html"), ("openpyxl", "--xlsx")])
def test_a_library_that_lacks_is_told_in_a_line(
    library: str, option: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    answer = run("report", DEMO, option, tmp_path / "a")
    assert answer.status == 2
    assert re.fullmatch(r"slabpose: .* needs a library more: pip install 'slabpose\[\w+\]'\n", answer.err)
    assert not (tmp_path / "a").exists()


def test_signatures_of_a_project_differ(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    change(project, "project.toml", '"Placed by"', '"Surveyed by"')
    answer = run("report", project, "--html", tmp_path / "a")
    assert answer.status == 2
    assert "signatures that differ, found 'Surveyed by' twice" in answer.err
