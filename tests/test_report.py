"""The record before injection: its numbers are those of check, its pages can be read, its web page stands alone."""

from __future__ import annotations

import csv
import json
import re
import sys
from dataclasses import dataclass
from functools import cached_property
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pypdf
import pypdfium2
import pytest
from project_copies import AFTER_INJECTION, DEMO, change, copy_of_demo, run

from geometry.exchange.report_blocks import Shown
from viewer.help_drawings import TERMS
from viewer.report_cells import cell_texts
from viewer.sheet import text_width

AT = ("--at", "2031-05-15T04:00Z")
A4 = (210.0, 297.0)  # ISO 216, mm
MINUS = "\N{MINUS SIGN}"
CORNER_COLUMNS = (
    (-16, "easting_m", 4), (-15, "northing_m", 4), (-14, "level_m", 4), (-12, "across_mm", 2),
    (-11, "across_sigma_mm", 2), (-8, "up_mm", 2), (-7, "up_sigma_mm", 2), (-6, "residual_across_mm", 2),
    (-1, "w_up", 1),
)  # fmt: skip


class Page(HTMLParser):
    """What a reader of the page finds: texts, tables by caption, elements with their attributes."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.tables: dict[str, list[list[str]]] = {}
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self._rows: list[list[str]] | None = None
        self._caption = self._cell = False
        self._named = ""
        self.feed(source)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag == "table":
            self._rows = []
        elif tag == "caption":
            self._caption, self._named = True, ""
        elif tag == "tr" and self._rows is not None:
            self._rows.append([])
        elif tag in ("td", "th") and self._rows:
            self._rows[-1].append("")
            self._cell = True

    def handle_endtag(self, tag: str) -> None:
        if tag == "table" and self._rows is not None:
            self.tables[self._named.strip()] = self._rows
        elif tag == "caption":
            self._caption = False
        elif tag in ("td", "th"):
            self._cell = False

    def handle_data(self, data: str) -> None:
        self.texts.append(data)
        if self._caption:
            self._named = self._named or data
        elif self._cell and self._rows:
            self._rows[-1][-1] += data


@dataclass(frozen=True)
class Made:
    """The three files of one report, and the documents of the commands that say the same."""

    pdf: Path
    html: str
    xlsx: Path
    check: dict[str, Any]
    ready: dict[str, Any]
    mortar: dict[str, Any]

    @cached_property
    def page(self) -> Page:
        return Page(self.html)

    @cached_property
    def texts(self) -> list[str]:
        return [page.extract_text() for page in pypdf.PdfReader(self.pdf).pages]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("report")
    files = {kind: folder / f"record.{kind}" for kind in ("pdf", "html", "xlsx")}
    answer = run("report", DEMO, *AT, *(part for kind, path in files.items() for part in (f"--{kind}", path)))
    assert answer.status == 0
    assert answer.out == ""
    assert answer.err.splitlines() == [str(path) for path in files.values()]
    documents = {}
    for name, more in (("check", ()), ("ready", ("--no-plan", *AT)), ("mortar", ())):
        assert run(name, DEMO, *more, "--json", folder / f"{name}.json").status == 1
        documents[name] = json.loads((folder / f"{name}.json").read_text())
    return Made(files["pdf"], files["html"].read_text(), files["xlsx"], **documents)


def told(value: float | None, decimals: int, *, sign: bool = False) -> str:
    """Return a number of a document as a page says it, by Python's own formatting."""
    if value is None:
        return "\N{EN DASH}"
    text = f"{value:{'+' if sign else ''}.{decimals}f}"
    return text.lstrip("+-") if float(text) == 0 else text.replace("-", MINUS)


def slab_row(record: dict[str, Any]) -> list[str]:
    numbers = []
    for name in ("across", "along", "up"):
        numbers += [told(record[f"{name}_mm"], 2, sign=True), told(record[f"{name}_sigma_mm"], 2)]
    return numbers


def test_every_slab_has_the_numbers_of_check(made: Made) -> None:
    head, units, *rows = made.page.tables["Verdict and reasons of every slab"]
    assert head[:7] == ["slab", "type", "chainage", "verdict", "across", "along", "up"]
    assert units[:3] == ["km", "mm", "u"]
    assert len(rows) == len(made.check["slabs"]) == 269
    ready = {record["slab"]: record for record in made.ready["slabs"]}
    for row, record in zip(rows, made.check["slabs"], strict=True):
        assert row[0] == record["slab"]
        assert row[3].lstrip("#?-").strip() == record["verdict"]
        assert row[4:10] == slab_row(record)
        assert row[14] == (record["why"] or "")
        assert row[15].lstrip("#=").strip() == ready[record["slab"]]["state"]
        assert row[16] == ready[record["slab"]]["reasons"]


def test_every_corner_has_the_numbers_of_check(made: Made, tmp_path: Path) -> None:
    assert run("check", DEMO, "--corners", tmp_path / "corners.csv").status == 1
    with (tmp_path / "corners.csv").open(newline="") as file:
        records = list(csv.DictReader(line for line in file if not line.startswith("#")))
    _, _, *rows = made.page.tables["Every corner, its slab's fit and its own residual"]
    assert len(rows) == len(records) == 4 * 269
    for row, record in zip(rows, records, strict=True):
        assert row[-17] == record["corner"]  # names of slabs stand once for their four corners
        for place, name, decimals in CORNER_COLUMNS:
            shown, exact = row[place].replace(MINUS, "-"), record[name]
            if exact == "":
                assert shown == "\N{EN DASH}"
            else:
                assert float(shown) == pytest.approx(float(exact), rel=0, abs=0.51 * 10.0**-decimals + 1e-9)


def test_moves_have_the_numbers_of_check(made: Made) -> None:
    _, _, *rows = made.page.tables["Moves that bring them to the target"]
    moved = {record["slab"]: record for record in made.check["slabs"] if record["verdict"] == "out"}
    assert [row[0] for row in rows] == ["Q0137", "Q0182"]
    for row in rows:
        record = moved[row[0]]
        names = [name for screw in ("RL", "RR", "FL", "FR") for name in (f"lift_{screw}_mm", f"turns_{screw}")]
        names += [name for end in ("R", "F") for name in (f"push_{end}_mm", f"push_turns_{end}")]
        wanted = [told(record[name], 2, sign=True) for name in names]
        assert row[1 : 1 + len(wanted)] == wanted


def test_the_pages_say_the_same_digits(made: Made) -> None:
    text = " ".join(" ".join(made.texts).split())
    for record in made.check["slabs"]:
        numbers = " ".join(slab_row(record))
        row = rf"{record['slab']} A\d+ [\d+.]+ ?[#?-]? {record['verdict']} {re.escape(numbers)}"
        assert re.search(row, text), record


def test_the_summary_counts_like_check_and_ready(made: Made) -> None:
    table = {row[0]: row[1:] for row in made.page.tables["Verdicts"][1:]}
    for what, name in (("pose of the slabs", "slabs"), ("joints", "joints")):
        counts = list(made.check["summary"][name].values())
        assert table[what] == [str(sum(counts)), *map(str, counts)]
    for part in ("mortar gap", "bed", "anchors"):
        counts = list(made.mortar["summary"][part.split()[-1]].values())[:4]
        assert table[part][1:] == list(map(str, counts))
    state = made.ready["summary"]
    answer = f"{state['ready']} of {state['ready'] + state['not ready']} slabs that wait for injection are ready"
    assert answer in made.texts[0].replace("\n", " ")
    assert answer in made.html


def test_joints_and_mortar_have_the_numbers_of_their_commands(made: Made) -> None:
    _, _, *joints = made.page.tables["Steps and gaps of every joint"]
    for row, record in zip(joints, made.check["joints"], strict=True):
        assert row[0] == f"{record['rear_slab']} | {record['front_slab']}"
        assert row[3:5] == [told(record["step_level_left_mm"], 2, sign=True),
                            told(record["step_level_left_sigma_mm"], 2)]  # fmt: skip
        assert row[13] == told(record["gap_right_mm"], 1)
    _, _, *mortar = made.page.tables["Mortar gap, volume and anchors of every slab"]
    for row, record in zip(mortar, made.mortar["slabs"], strict=True):
        assert row[0] == record["slab"]
        assert row[3] == told(record["smallest_mm"], 1)
        assert row[-1] == record["why"]


def test_the_workbook_has_the_same_tables_unrounded(made: Made) -> None:
    book = openpyxl.load_workbook(made.xlsx)
    assert {"report", "summary", "slabs", "corners", "joints", "mortar", "rail limits", "tolerances", "inputs",
            "batches"} <= set(book.sheetnames)  # fmt: skip
    header, *rows = book["slabs"].iter_rows(values_only=True)
    at = {name: number for number, name in enumerate(header)}
    for row, record in zip(rows, made.check["slabs"], strict=True):
        for name in ("up_mm", "up_sigma_mm", "across_mm", "chainage_m"):
            value = row[at[name]]
            assert (np.nan if value is None else value) == pytest.approx(
                np.nan if record[name] is None else record[name], rel=0, abs=1e-9, nan_ok=True
            )
    words = [row[2] for row in book["report"].iter_rows(values_only=True)]
    assert "Record before injection" in words
    assert any("licensed surveyor" in str(word) for word in words)


def test_pages_are_numbered_and_carry_the_name_and_the_time(made: Made) -> None:
    texts = made.texts
    count = len(texts)
    assert 30 < count < 90
    for number, text in enumerate(texts, start=1):
        assert f"page {number} of {count}" in text
        assert "slabpose " in text
        if number > 1:
            assert "Quillmoor link, track 2" in text
            assert re.search(r"Record before injection, \d{4}-\d\d-\d\d \d\d:\d\d UTC", text)


def test_heads_are_repeated_and_no_page_holds_a_single_row(made: Made) -> None:
    pages = [text.partition("Steps and gaps of every joint")[0] for text in made.texts if "residual, mm" in text]
    assert len(pages) > 10
    corners = re.compile(r"^(?:(Q\d{4}) )?(RL|RR|FL|FR) [\d.]+ [\d.]+ [\d.]+ ", re.MULTILINE)
    count = 0
    for text in pages:
        # words of the head come before the first row, on every page
        assert text.index("easting") < text.index("residual, mm") < text.index(" RL ")
        # the four corners of a slab stay together, its name before the first of them
        rows = corners.findall(text)
        assert [corner for _, corner in rows] == ["RL", "RR", "FL", "FR"] * (len(rows) // 4)
        assert all(bool(slab) == (at % 4 == 0) for at, (slab, _) in enumerate(rows))
        count += len(rows)
    # of the slab that was not measured no corner has coordinates
    assert count == 4 * 268
    joints = [len(re.findall(r"Q\d{4} \| Q\d{4}", text)) for text in made.texts if "target, mm" in text]
    assert sum(joints) == 268
    assert min(joints) >= 2


def test_pages_are_of_a4_and_hold_nothing_beyond_their_edges(made: Made) -> None:
    document = pypdfium2.PdfDocument(made.pdf)
    wide = 0
    for page in document:
        size = sorted(side / 72 * 25.4 for side in page.get_size())
        assert size == pytest.approx(A4, rel=0, abs=0.2)
        wide += page.get_width() > page.get_height()
        ink = page.render(scale=0.5).to_numpy()[..., :3].min(axis=2) < 200
        rows, columns = np.flatnonzero(ink.any(axis=1)), np.flatnonzero(ink.any(axis=0))
        margin = 10.0 / 25.4 * 72 * 0.5  # common practice: 10 mm are left for punching and for printers
        assert len(rows)
        assert rows[0] > margin
        assert columns[0] > margin
        assert ink.shape[1] - columns[-1] > margin
        assert ink.shape[0] - rows[-1] > 0.6 * margin
    assert 5 < wide < len(document) - 5


def test_figures_are_vectors_with_words(made: Made) -> None:
    reader = pypdf.PdfReader(made.pdf)
    page = next(page for page in reader.pages if "The section in pictures" in page.extract_text()
                and page.mediabox.width > page.mediabox.height)  # fmt: skip
    assert "Q0137" in page.extract_text()
    # ISO 32000: the dictionary of an image is never packed away
    assert not re.search(rb"/Subtype\s*/Image", made.pdf.read_bytes())
    assert page.get_contents().get_data().count(b" l\n") > 500


def tags_of(element: Any) -> list[tuple[str, Any]]:
    """Return the tags below an element of the structure tree with their elements, in reading order."""
    kids = element.get("/K", [])
    found = []
    for kid in kids if isinstance(kids, list) else [kids]:
        one = kid.get_object()
        if isinstance(one, dict) and "/S" in one:
            found += [(str(one["/S"]), one), *tags_of(one)]
    return found


def test_the_pdf_is_tagged_to_be_read_aloud_and_kept(made: Made) -> None:
    """ISO 14289-1 (PDF/UA-1), 7.1 to 7.5: language, title, structure, table heads, words for figures; from memory."""
    reader = pypdf.PdfReader(made.pdf)
    root: Any = reader.trailer["/Root"]
    assert root["/Lang"] == "en-GB"
    assert root["/MarkInfo"]["/Marked"]
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert reader.metadata is not None
    assert reader.metadata.title == "Record before injection, Quillmoor link, track 2"
    about = root["/Metadata"].get_data().decode()
    assert re.search(r"pdfuaid:part>1<|pdfuaid:part=.1", about)
    assert re.search(r"pdfaid:part>2<|pdfaid:part=.2", about)
    assert re.search(r"pdfaid:conformance>A<|pdfaid:conformance=.A", about)
    assert all(page["/Tabs"] == "/S" for page in reader.pages if "/Annots" in page)
    tags = tags_of(root["/StructTreeRoot"])
    names = [name for name, _ in tags]
    assert names.count("/Title") == 1
    assert names.count("/H1") == 17
    figures = [element for name, element in tags if name == "/Figure"]
    assert len(figures) == 6
    alts = [str(element["/Alt"]) for element in figures]
    _, _, *corners = made.page.tables["Every corner, its slab's fit and its own residual"]
    up = [float(row[-8].replace(MINUS, "-")) for row in corners if row[-8] != "\N{EN DASH}"]
    assert max(up) > 3.0
    (words,) = [alt for alt in alts if alt.startswith("Deviation in level of 269 slabs")]
    low, high = re.findall(rf"[+{MINUS}]\d\.\d", words)
    assert float(low.replace(MINUS, "-")) == pytest.approx(min(up), rel=0, abs=0.06)
    assert float(high) == pytest.approx(max(up), rel=0, abs=0.06)
    tables = [tags_of(element) for name, element in tags if name == "/Table"]
    # one more that is signed; every table follows a heading
    assert len(tables) == len(made.page.tables)
    for inner in tables:
        heads = [element for name, element in inner if name == "/TH"]
        assert next(name for name, _ in inner) == "/THead"
        assert all(element["/A"] for element in heads)
    cells = sum(name == "/TD" for name in names)
    web = sum(len(row) for table in made.page.tables.values() for row in table)
    assert 0.9 * web < cells < 1.1 * web
    assert made.pdf.stat().st_size < 3_000_000  # tags packed: without that it is ten


def test_the_page_says_what_it_rests_on(made: Made) -> None:
    text = " ".join(" ".join(made.texts).replace("\u200b", "").split())
    for name, sha in {**made.check["made_from"]["inputs_sha256"], **made.mortar["made_from"]["inputs_sha256"]}.items():
        assert name in text
        assert sha in text
        assert sha in made.html
    for tolerance in made.check["tolerances"]:
        assert tolerance["source"] in text
    for words in (
        "JCGM 106:2012", "guard factor 2", "at most 2.3 percent", "least squares", "What is not in it", "SHA-256",
        "slabpose 0.1.0", "Surveyed by", "Placed by", "Released for injection by", "licensed surveyor",
        "Four heights can show that one of them is wrong, not which", "EN 13848-1",
    ):  # fmt: skip
        assert words in text, words
        assert words.replace("'", "&#39;") in made.html, words


def test_the_risk_that_is_named_is_that_of_the_normal_distribution(made: Made) -> None:
    # Abramowitz and Stegun 1964, table 26.1: Q(2) = 0.02275
    assert "with a probability of at most 2.3 percent" in " ".join(" ".join(made.texts).split())


def test_the_web_page_draws_what_its_words_mean(made: Made) -> None:
    drawn = [given["aria-label"] for tag, given in made.page.elements
             if tag == "svg" and (given.get("aria-label") or "").startswith("Drawing: ")]  # fmt: skip
    assert {"Drawing: Deviation: across, along, up", "Drawing: Cant", "Drawing: Versine",
            "Drawing: Joint: steps and gap", "Drawing: Offset from a chord"} <= set(drawn)  # fmt: skip
    identities = [given["id"] for _, given in made.page.elements if given.get("id")]
    assert len(identities) == len(set(identities))
    used = set(re.findall(r"url\(#([^)]+)\)", made.html))
    assert "arrow-tip" in used
    assert used <= set(identities)
    for entry in TERMS.values():
        # a word of the drawings is no longer than what is left of 300 to its right or around its middle
        for x, anchor, words in re.findall(
            r'<text x="([\d.]+)" y="[\d.]+" text-anchor="(\w+)">([^<]*)<', entry.drawing
        ):
            wide = text_width(words, 15 * 0.72) + 2.0  # 15 px of a sans serif
            left = float(x) - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * wide
            assert left >= 0.0, words
            assert left + wide <= 300.0, words


def test_no_hyphen_stands_for_a_minus(made: Made) -> None:
    styled = next(words for words in made.page.texts if ".skip" in words)
    for words in (*(words for words in made.page.texts if words is not styled), *made.texts):
        found = re.search(r"(?<![\w.\-])-\s?\d", words.replace("\n", " "))
        assert not found, words[max(found.start() - 40, 0) : found.end() + 20]
    assert any(f"twist {MINUS}0.22 mm" in words for words in made.page.texts)


def test_the_web_page_stands_alone(made: Made) -> None:
    page = made.page
    tags = [tag for tag, _ in page.elements]
    for tag in ("script", "iframe", "object", "embed", "form", "base"):
        assert tag not in tags
    for tag, attributes in page.elements:
        assert not [name for name in attributes if name.startswith("on")], tag
        for name in ("src", "href", "xlink:href", "srcset", "action", "data"):
            value = attributes.get(name) or "#"
            assert value.startswith(("#", "data:")), (tag, value)
    assert not re.search(r"https?://|@import|url\((?!#)", made.html)
    policy = next(a["content"] for t, a in page.elements if a.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    assert policy.startswith("default-src 'none'")
    assert "script-src" not in policy


def test_the_web_page_is_built_to_be_read_aloud(made: Made) -> None:
    page = made.page
    assert ("html", {"lang": "en"}) in page.elements
    assert [tag for tag, _ in page.elements if tag in ("h1", "h2", "h3")][:2] == ["h1", "h2"]
    heads = [attributes for tag, attributes in page.elements if tag == "th"]
    assert len(heads) > 1000
    assert all(a.get("scope") in ("col", "row", "colgroup", "rowgroup") for a in heads)
    tables = [tag for tag, _ in page.elements].count("table")
    assert [tag for tag, _ in page.elements].count("caption") == tables > 10
    ids = [a["id"] for _, a in page.elements if "id" in a]
    assert len(ids) == len(set(ids))
    named = {a["aria-labelledby"] for _, a in page.elements if "aria-labelledby" in a}
    assert named <= set(ids)
    for tag, attributes in page.elements:
        if attributes.get("role") in ("img", "region"):
            assert attributes.get("aria-label") or attributes.get("aria-labelledby"), tag


def _luminance(colour: str) -> float:
    parts = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("scheme", [0, 1, 2])
def test_colours_of_words_have_contrast(made: Made, scheme: int) -> None:
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1 in light, dark, and print."""
    block = re.findall(r":root \{([^}]+)\}", made.html)[scheme]
    colours = dict(re.findall(r"--(\w+): (#\w{6})", block))
    paper = _luminance(colours["paper"])
    for name in ("ink", "muted", "link", "out", "undecided", "absent", "injected"):
        high, low = sorted((_luminance(colours[name]), paper), reverse=True)
        assert (high + 0.05) / (low + 0.05) >= 4.5, name


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


def test_numbers_are_rounded_once_with_their_signs() -> None:
    shown = Shown("a_mm", "a", "mm", "number", 2, sign=True)
    values = np.array([0.005, 0.015, -0.0049, -1.235, 12.0, np.nan])
    assert cell_texts(shown, values) == [*(told(v, 2, sign=True) for v in values[:5].tolist()), "\N{EN DASH}"]
    km = Shown("chainage_m", "chainage", "km", "chainage")
    assert cell_texts(km, np.array([27999.96, -12.34, np.nan])) == ["28+000.0", f"{MINUS}0+012.3", "\N{EN DASH}"]
