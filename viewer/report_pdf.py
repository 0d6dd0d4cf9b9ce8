"""A report as PDF: set by typst from a template that takes the report as data, so that no text in it is markup."""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from geometry.errors import SlabposeError

__all__ = ["pdf_library", "report_pdf"]

_TYPE: Final = "Libertinus Serif, DejaVu Sans"
_SIZE = re.compile(r"font-size: ?([\d.]+)px(?=[^<>]*>)")  # of a style, never in words
_LARGER: Final = 1.16
_TEMPLATE: Final = Path(__file__).parent / "report" / "report.typ"


def pdf_library() -> Any:
    """Return the library that sets PDFs.

    Raises
    ------
    SlabposeError
        If it is not installed.
    """
    try:
        import typst
    except ImportError as missing:
        raise SlabposeError("a PDF needs a library more: pip install 'slabpose[report]'") from missing
    return typst


def _type_folder() -> Path:
    """Return the folder of the fonts that come with matplotlib: what the page's type lacks is found there."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"


def _in_type(figure: str) -> str:
    """Return an SVG whose words are set in the type of the page, as large as the room they were laid out with allows.

    The pictures are laid out with a type that is wider by so much.
    """
    larger = _SIZE.sub(lambda found: f"font-size: {float(found[1]) * _LARGER:.2f}px", figure)
    return larger.replace("<svg ", f'<svg font-family="{_TYPE}" ', 1)


def report_pdf(texts: Mapping[str, Any], figures: Mapping[str, str], made_at: str) -> bytes:
    """Return a report as PDF: A4, figures as vectors.

    Parameters
    ----------
    texts : mapping
        See `report_cells.report_texts`.
    figures : mapping of str to str
        SVG by key.
    made_at : str
        ISO time, for the document's own date.

    Raises
    ------
    SlabposeError
        If the library is not installed.
    """
    typst = pdf_library()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "report.typ").write_bytes(_TEMPLATE.read_bytes())
        (folder / "report.json").write_text(json.dumps(texts, ensure_ascii=False), encoding="utf-8")
        for key, figure in figures.items():
            (folder / f"{key}.svg").write_text(_in_type(figure), encoding="utf-8")
        made: bytes = typst.compile(
            folder / "report.typ", root=folder, format="pdf", font_paths=[_type_folder()],
            sys_inputs={"figures": json.dumps(sorted(figures))},
            timestamp=datetime.fromisoformat(made_at).astimezone(UTC),
            pdf_tags=False,  # a tag for each cell makes the file ten times as large; the web page has them
        )  # fmt: skip
        return made
