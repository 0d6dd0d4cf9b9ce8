"""A report as texts: every number rounded once, so that page and web page say the same digits."""

from __future__ import annotations

from itertools import groupby
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from geometry.alignment import format_chainage
from geometry.exchange.report_blocks import (
    Block,
    Facts,
    Listing,
    Paragraph,
    Picture,
    Report,
    ReportTable,
    Section,
    Shown,
    Signatures,
)
from viewer.numbers import MINUS, with_minus
from viewer.terminal import visible

__all__ = ["MARKS", "cell_texts", "report_texts"]

DASH = "\N{EN DASH}"
MARKS: Final = {
    "within": "", "sound": "", "ready": "", "no limit": "", "out": "#", "not ready": "#", "not solved": "#",
    "undecided": "?", "in doubt": "?", "not measured": "-", "injected": "=",
}  # fmt: skip
"""What stands before a verdict, so that colour is never alone."""
_LONG = 56  # characters: a text that is longer than this wraps
_LEAST, _MOST = 12, 60  # characters that a column of words is given room for


def _number(value: float, shown: Shown) -> str:
    if value != value:  # noqa: PLR0124 - not known
        return DASH
    # Adding zero turns -0.0, which rounding makes of a small negative number, into 0.0.
    rounded = round(value, shown.decimals) + 0.0
    sign = "+" if shown.sign and rounded > 0 else ""
    return f"{sign}{rounded:.{shown.decimals}f}".replace("-", MINUS)


def _chainage(value: float) -> str:
    return DASH if value != value else format_chainage(round(value, 1))[:-2].replace("-", MINUS)  # noqa: PLR0124


def _word(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else visible(str(value))


def _sentence(text: str) -> str:
    return with_minus(visible(text))


def cell_texts(shown: Shown, values: npt.NDArray[Any]) -> list[str]:
    """Return a column's cells as texts; what is not known becomes a dash.

    Examples
    --------
    >>> cell_texts(Shown("up_mm", "up", "mm", "number", 2, sign=True), np.array([1.234, -0.004, -0.5, np.nan]))
    ['+1.23', '0.00', '\N{MINUS SIGN}0.50', '\N{EN DASH}']
    """
    kept = values.tolist()
    if shown.kind == "number":
        return [_number(value, shown) for value in kept]
    if shown.kind == "chainage":
        return [_chainage(value) for value in kept]
    if shown.kind == "words":
        return [with_minus(_word(value)) for value in kept]
    return [_word(value) for value in kept]


def _heads(shown: tuple[Shown, ...]) -> list[dict[str, Any]]:
    """Return the upper row of heads, each with the number of columns that it spans."""
    return [
        {"text": head, "span": len(columns), "kind": columns[0].kind}
        for head, columns in ((head, list(of)) for head, of in groupby(shown, key=lambda one: one.head))
    ]


def _share(shown: Shown, cells: list[str]) -> int:
    """Return the part of the free width that a column takes; 0 if it is as wide as what stands in it."""
    longest = max(map(len, cells), default=0)
    if shown.kind == "words" or (shown.kind == "text" and longest > _LONG):
        return int(np.clip(longest, _LEAST, _MOST))
    return 0


def _table(table: ReportTable) -> dict[str, Any]:
    columns = [cell_texts(one, np.asarray(table.columns[one.name])) for one in table.shown]
    rows = [list(row) for row in zip(*columns, strict=True)]
    return {
        "kind": "table",
        "caption": visible(table.caption),
        "notes": [_sentence(note) for note in table.notes],
        "heads": [{**head, "text": visible(head["text"])} for head in _heads(table.shown)],
        "columns": [
            {"kind": one.kind, "unit": visible(one.unit), "share": _share(one, cells)}
            for one, cells in zip(table.shown, columns, strict=True)
        ],
        "rows": rows,
        "groups": _groups([row[0] for row in rows], grouped=table.grouped),
    }


def _groups(first: list[str], *, grouped: bool) -> list[int]:
    """Return how many rows stand together, from top to bottom."""
    if not grouped:
        return [1] * len(first)
    return [len(list(same)) for _, same in groupby(first)]


def _block(block: Block) -> dict[str, Any]:
    match block:
        case ReportTable():
            return _table(block)
        case Paragraph():
            return {"kind": "answer" if block.answer else "paragraph", "text": _sentence(block.text)}
        case Listing():
            return {"kind": "list", "title": visible(block.title), "items": [_sentence(item) for item in block.items]}
        case Facts():
            return {"kind": "facts", "entries": [[visible(a), _sentence(b)] for a, b in block.entries]}
        case Picture():
            return {"kind": "picture", "key": block.key, "words": _sentence(block.words)}
        case Signatures():
            return {"kind": "signatures", "roles": [visible(role) for role in block.roles]}


def _section(number: int, section: Section) -> dict[str, Any]:
    return {
        "number": number,
        "title": visible(section.title),
        "wide": section.wide,
        "blocks": [_block(block) for block in section.blocks if not isinstance(block, ReportTable) or len(block)],
    }


def report_texts(report: Report) -> dict[str, Any]:
    """Return a report as texts, lists and mappings: what templates are filled from.

    What a reader or a screen would obey rather than show is made visible.
    """
    return {
        "title": visible(report.title),
        "project": visible(report.project),
        "description": visible(report.description),
        "place": visible(report.place),
        "program": report.made["program"],
        "made_at": report.made["made_at"].replace("T", " ").removesuffix("+00:00")[:16] + " UTC",
        "marks": MARKS,
        "sections": [_section(number, section) for number, section in enumerate(report.sections, start=1)],
    }
