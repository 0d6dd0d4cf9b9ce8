"""Results as an Excel workbook: numbers as numbers, texts as texts, and no cell that a spreadsheet would run."""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.errors import Fault, InputError
from geometry.placement import SectionCheck
from geometry.slabs import LayoutFinding

from .drawn_line import chainage_marks
from .project import Project
from .results import (
    CAUTIONS,
    Columns,
    anchor_table,
    corner_table,
    joint_table,
    slab_table,
    station_table,
    target_corner_table,
    target_table,
)
from .workbook_cells import MOST_ROWS, excel_library
from .workbook_rows import SheetColumn, copy_with_rows, marked_as_text, rows_of
from .writing import decimals_of, one_piece
from .xml_files import xml_words

__all__ = ["sheets_of", "write_workbook"]

_STATION_STEP = 10.0  # m
_FINE: Final = {"easting_m": 5, "northing_m": 5, "level_m": 5}
_WIDEST = 60
_LONGEST = 32_767  # letters of a cell, by ECMA-376


def sheets_of(project: Project, check: SectionCheck | None, made: Mapping[str, Any]) -> dict[str, Columns]:
    """Return the sheets of a workbook by their names, each with its columns.

    Parameters
    ----------
    project : Project
    check : SectionCheck, optional
        Without it nothing is said of what was built.
    made : mapping
        What it was made from.
    """
    sheets: dict[str, Columns] = {}
    if check is not None:
        sheets["slabs"] = slab_table(project, check)
        sheets["corners"] = corner_table(project, check)
        sheets["joints"] = joint_table(project, check)
    sheets["targets"] = target_table(project)
    sheets["set-out corners"] = target_corner_table(project)
    sheets["anchors"] = anchor_table(project)
    sheets["stations"] = station_table(project.alignment, project.count, _stations(project))
    sheets["layout findings"] = _findings(project.layout_findings)
    rows = [("project", project.settings.name), ("program", made["program"]), ("made_at", made["made_at"]),
            *((f"sha256 of {name}", sha) for name, sha in made["inputs_sha256"].items()),
            ("frame", "across + right, along + forward, up +; deviation: built less target; move: what to do"),
            *(("mind", caution) for caution in CAUTIONS)]  # fmt: skip
    sheets["made from"] = {
        name: np.array([row[i] for row in rows], dtype=object) for i, name in enumerate(("what", "value"))
    }
    return sheets


def _stations(project: Project) -> Floats:
    """Return round chainages along the line and its two ends, as distances, m."""
    length = project.alignment.length
    return np.unique(np.append(chainage_marks(project.count, length, _STATION_STEP).distance, [0.0, length]))


def _findings(findings: tuple[LayoutFinding, ...]) -> Columns:
    return {
        "where": np.array([f.where for f in findings], dtype=object),
        "rule": np.array([f.rule for f in findings], dtype=object),
        "value_mm": np.array([f.value for f in findings], dtype=np.float64) * 1e3,
        "low_mm": np.array([f.low for f in findings], dtype=np.float64) * 1e3,
        "high_mm": np.array([f.high for f in findings], dtype=np.float64) * 1e3,
        "note": np.array([f.note for f in findings], dtype=object),
    }


def write_workbook(path: Path, sheets: Mapping[str, Columns], title: str, made: Mapping[str, Any],
                   kept: tuple[Path, ...], *, rounded: bool = True) -> None:  # fmt: skip
    """Write sheets as an Excel workbook (ECMA-376).

    Texts that a spreadsheet might run carry the mark that makes a cell text for good. nan is an empty cell. Numbers
    stand there in full, and are shown `rounded` as their unit has it, or as the spreadsheet likes.

    Raises
    ------
    InputError
        If a sheet has more rows than a workbook can hold, or the path is an input or cannot be written.
    """
    for name, table in sheets.items():
        rows = len(next(iter(table.values())))
        if rows >= MOST_ROWS:
            raise InputError([Fault(f"--to {path.name}: {name}", f"at most {MOST_ROWS - 1} rows", str(rows),
                                    "ask the commands for CSV tables")])  # fmt: skip
    book = excel_library().Workbook(write_only=True)
    book.properties.title, book.properties.creator = _legal(title), made["program"]
    pages = {name: book.create_sheet(name) for name in sheets}
    filled = [(page, _sheet(page, sheets[name], rounded)) for name, page in pages.items()]
    content = io.BytesIO()
    book.save(content)
    below = {page.path.removeprefix("/"): rows_of(columns, first=2) for page, columns in filled}
    with one_piece(path, kept) as file:
        copy_with_rows(content, below, file)


def _sheet(page: Any, table: Columns, rounded: bool) -> list[SheetColumn]:
    """Write the header of a sheet, which stays in view, and return the columns below it."""
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    page.freeze_panes = "A2"
    bold, grey = Font(bold=True), PatternFill("solid", start_color="E4E8EB")
    header, columns = [], []
    for number, (name, given) in enumerate(table.items(), start=1):
        values, shape, width = _shown(name, np.asarray(given), rounded)
        letter = get_column_letter(number)
        page.column_dimensions[letter].width = width
        plain, marked = WriteOnlyCell(page), WriteOnlyCell(page)
        plain.number_format, marked.quotePrefix = shape or "General", True
        columns.append(SheetColumn(letter, values, plain.style_id, marked.style_id))
        cell = WriteOnlyCell(page, _legal(name))
        cell.data_type = "s"  # the library takes what begins with = for a formula
        if marked_as_text([name])[0]:
            cell.quotePrefix = True
        cell.font, cell.fill = bold, grey
        cell.alignment = Alignment(horizontal="left" if shape is None else "right")
        header.append(cell)
    page.append(header)
    page.auto_filter.ref = f"A1:{columns[-1].letter}{len(columns[0].values) + 1}"
    return columns


def _shown(name: str, values: npt.NDArray[Any], rounded: bool) -> tuple[npt.NDArray[Any], str | None, float]:
    """Return a column as it goes into cells, its number format (None for texts), and its width in letters."""
    kind, shape = values.dtype.kind, None
    if kind in "fiu":
        places = _FINE.get(name, decimals_of(name)) if kind == "f" and rounded else 0
        shape = f"0.{'0' * places}" if places else "0" if rounded or kind != "f" else "General"
        finite = values[np.isfinite(values)]
        ends = [finite.min(), finite.max()] if len(finite) else []
        shown = [f"{value:.{places}f}" if rounded else f"{value:.10g}" for value in ends]
    elif kind == "b":
        shape, shown = "General", ["FALSE"]
    else:
        legal = {text: _legal(str(text)) for text in dict.fromkeys(values.tolist()) if text is not None and text != ""}
        values = np.array([legal.get(text) for text in values.tolist()], dtype=object)
        shown = list(legal.values())
    return values, shape, min(max(len(name), max(map(len, shown), default=0)) + 2.5, _WIDEST)


def _legal(text: str) -> str:
    """Return a text that a cell can hold: signs of control as their pictures, and not too long."""
    legal = xml_words(text)
    return legal if len(legal) <= _LONGEST else legal[: _LONGEST - 1] + "…"
