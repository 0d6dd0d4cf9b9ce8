"""Pages of the record before injection: they can be read, also aloud, its web page stands alone."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pypdf
import pypdfium2
import pytest
from record_report import MINUS, Made, record_of_demo

from viewer.help_drawings import TERMS
from viewer.sheet import text_width

A4 = (210.0, 297.0)  # ISO 216, mm


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return record_of_demo(tmp_path_factory.getbasetemp())


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
