"""A report as one HTML file: nothing in it is fetched or run, and every text is escaped by the template's library."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from lxml import etree

from geometry.errors import SlabposeError
from viewer.help_drawings import TERMS, term_svg, tip_svg

__all__ = ["html_library", "report_html"]

_FOLDER: Final = Path(__file__).parent / "report"
_TERMS: Final = ("axes", "verdict", "cant", "versine", "joint", "chord", "gap", "moves")
"""Terms that are explained at the end."""


def html_library() -> Any:
    """Return the library that fills templates.

    Raises
    ------
    SlabposeError
        If it is not installed.
    """
    try:
        import jinja2
    except ImportError as missing:
        raise SlabposeError("a web page needs a library more: pip install 'slabpose[report]'") from missing
    return jinja2


def report_html(texts: Mapping[str, Any], figures: Mapping[str, str]) -> str:
    """Return a report as a page that stands alone: read without scripts, on a phone, or printed.

    Parameters
    ----------
    texts : mapping
        See `report_cells.report_texts`.
    figures : mapping of str to str
        SVG by key, as `report_figures` makes it: no text of the data is markup in it.

    Raises
    ------
    SlabposeError
        If the library is not installed.
    """
    jinja2 = html_library()
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_FOLDER), autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    drawn = {key: jinja2.utils.markupsafe.Markup(_inline(figure)) for key, figure in figures.items()}
    mark = jinja2.utils.markupsafe.Markup
    words = [
        {"name": name, "word": TERMS[name].word, "meaning": TERMS[name].meaning, "drawing": mark(term_svg(name))}
        for name in _TERMS
    ]
    page: str = environment.get_template("report.html.j2").render(
        report=texts, figures=drawn, words=words, tip=mark(tip_svg())
    )
    return page


def _inline(figure: str) -> str:
    """Return an SVG as it stands within a web page: names without their spaces, as the page knows them."""
    root: Any = etree.fromstring(figure, etree.XMLParser(resolve_entities=False, no_network=True, huge_tree=True))
    for part in root.iter():
        part.tag = etree.QName(part).localname
        for name in list(part.attrib):
            if name.startswith("{"):
                part.set(etree.QName(name).localname, part.attrib.pop(name))
    etree.cleanup_namespaces(root)
    part_of_page: str = etree.tostring(root, encoding="unicode")
    return part_of_page
