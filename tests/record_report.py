"""The record of the demo before injection: its files, what a reader of its page finds, numbers as it says them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache, cached_property
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pypdf
from project_copies import DEMO, run

__all__ = ["AT", "MINUS", "Made", "Page", "record_of_demo", "told"]

AT = ("--at", "2031-05-15T04:00Z")
MINUS = "\N{MINUS SIGN}"


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


@cache
def record_of_demo(place: Path) -> Made:
    """Return the record of the demo, made once in a run, in a new folder there."""
    folder = place / "record_of_demo"
    folder.mkdir()
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
