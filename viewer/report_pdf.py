"""A report as PDF: set by typst from a template that takes the report as data, so that no text in it is markup."""

from __future__ import annotations

import io
import json
import re
import tempfile
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from geometry.errors import SlabposeError
from viewer.typeface import drawable, type_folder

__all__ = ["pdf_library", "report_pdf"]

_TYPE: Final = "Libertinus Serif, DejaVu Sans"
_SIZE = re.compile(r"font-size: ?([\d.]+)px(?=[^<>]*>)")  # of a style, never in words
_LARGER: Final = 1.16
_UNDRAWN: Final = "could not be displayed"
_STANDARDS: Final = ("a-2a", "ua-1")
_TEMPLATE: Final = Path(__file__).parent / "report" / "report.typ"


def pdf_library() -> Any:
    """Return the library that sets PDFs.

    Raises
    ------
    SlabposeError
        If it is not installed.
    """
    try:
        import pikepdf  # noqa: F401 - packs what the other sets
        import typst
    except ImportError as missing:
        raise SlabposeError("a PDF needs a library more: pip install 'slabpose[report]'") from missing
    return typst


def _in_type(figure: str) -> str:
    """Return an SVG whose words are set in the type of the page, as large as the room they were laid out with allows.

    The pictures are laid out with a type that is wider by so much.
    """
    larger = _SIZE.sub(lambda found: f"font-size: {float(found[1]) * _LARGER:.2f}px", figure)
    return larger.replace("<svg ", f'<svg font-family="{_TYPE}" ', 1)


def report_pdf(texts: Mapping[str, Any], figures: Mapping[str, str], made_at: str) -> bytes:
    """Return a report as PDF: A4, figures as vectors, tagged to be read aloud, and fit for an archive.

    It keeps PDF/UA-1 (ISO 14289-1) and PDF/A-2a (ISO 19005-2), as far as a program can check them.

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
    try:
        made = _set(typst, texts, figures, made_at)
    except typst.TypstError as fault:
        if _UNDRAWN not in str(fault):
            raise
        # some name has a sign that no typeface here draws: an archive takes no empty boxes, so its number stands there
        made = _set(typst, _drawn(texts), {key: _drawn(figure) for key, figure in figures.items()}, made_at)
    return _packed(made)


def _set(typst: Any, texts: Mapping[str, Any], figures: Mapping[str, str], made_at: str) -> bytes:
    """Return a report as it is set, its objects not packed yet."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "report.typ").write_bytes(_TEMPLATE.read_bytes())
        (folder / "report.json").write_text(json.dumps(texts, ensure_ascii=False), encoding="utf-8")
        for key, figure in figures.items():
            (folder / f"{key}.svg").write_text(_in_type(figure), encoding="utf-8")
        made: bytes = typst.compile(
            folder / "report.typ", root=folder, format="pdf", font_paths=[type_folder()],
            sys_inputs={"figures": json.dumps(sorted(figures))},
            timestamp=datetime.fromisoformat(made_at).astimezone(UTC), pdf_standards=list(_STANDARDS),
        )  # fmt: skip
    return made


def _drawn(of: Any) -> Any:
    r"""Return texts, in lists and mappings too, with the number of each sign that the typeface does not draw.

    Examples
    --------
    >>> _drawn({"slab": ["K7", "d\u20e3"]})["slab"][1]
    'd\\u20e3'
    """
    if isinstance(of, Mapping):
        return {key: _drawn(value) for key, value in of.items()}
    if isinstance(of, list):
        return [_drawn(value) for value in of]
    return drawable(of) if isinstance(of, str) else of


def _packed(made: bytes) -> bytes:
    """Return a PDF with its objects in compressed streams: those of the tags, one for each cell, are most of it."""
    import pikepdf

    packed = io.BytesIO()
    with pikepdf.open(io.BytesIO(made)) as document:
        document.save(packed, object_stream_mode=pikepdf.ObjectStreamMode.generate, deterministic_id=True)
    return packed.getvalue()
