"""What tests of the browser app's pieces share: the demo as it was read, and markup as a tree."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

from viewer.app.book import Book, Edition

__all__ = ["all_text", "edition_of", "parsed"]


def edition_of(project: Path) -> Edition:
    book = Book(project)
    assert book.look()
    assert book.latest is not None
    return book.latest


def parsed(markup: str) -> ElementTree.Element:
    """Return markup as a tree: it has to be well-formed, whatever names there are."""
    return ElementTree.fromstring(f"<all>{markup}</all>")


def all_text(tree: ElementTree.Element) -> str:
    return "".join(tree.itertext())
