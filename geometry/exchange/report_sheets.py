"""A report as the sheets of a workbook: its tables with everything that is known, its words on a sheet of their own."""

from __future__ import annotations

from collections.abc import Iterator

from .report_blocks import Facts, Listing, Paragraph, Report, Section, columns_of
from .results import Columns

__all__ = ["report_sheets"]


def _words(section: Section) -> Iterator[tuple[str, str, str]]:
    for block in section.blocks:
        if isinstance(block, Paragraph):
            yield section.title, "", block.text
        elif isinstance(block, Facts):
            yield from ((section.title, term, words) for term, words in block.entries)
        elif isinstance(block, Listing):
            yield from ((section.title, block.title, item) for item in block.items)


def report_sheets(report: Report) -> dict[str, Columns]:
    """Return the sheets by their names: first the words, then every table, what notes say of it included."""
    head = [
        ("", "report", report.title), ("", "project", report.project), ("", "section", report.place),
        ("", "program", report.made["program"]), ("", "made at", report.made["made_at"]),
    ]  # fmt: skip
    told = [row for section in report.sections for row in _words(section)]
    notes = [("", f"sheet {table.key}", f"{table.caption}. {' '.join(table.notes)}") for table in report.tables()]
    sheets = {"report": columns_of([*head, *told, *notes], ("section", "of", "words"))}
    return sheets | {table.key: table.columns for table in report.tables() if len(table)}
