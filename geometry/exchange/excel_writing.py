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
from .writing import decimals_of, one_piece, run_by_spreadsheets

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
                   kept: tuple[Path, ...]) -> None:  # fmt: skip
    """Write sheets as an Excel workbook (ECMA-376).

    Texts that a spreadsheet might run carry the mark that makes a cell text for good. nan is an empty cell.

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
    library = excel_library()
    book = library.Workbook(write_only=True)
    book.properties.title, book.properties.creator = _legal(title), made["program"]
    for name, table in sheets.items():
        _sheet(book.create_sheet(name), table)
    content = io.BytesIO()
    book.save(content)
    with one_piece(path, kept) as file:
        file.write(content.getvalue())


class _Column:
    """A column of a sheet: its values, its number format (None for texts), and how wide it is in letters."""

    def __init__(self, name: str, values: npt.NDArray[Any]) -> None:
        self.name = name
        self.format: str | None = None
        self.values: list[Any] = values.tolist()
        self.runs: dict[str, bool] = {}
        kind = values.dtype.kind
        if kind in "fiu":
            places = _FINE.get(name, decimals_of(name)) if kind == "f" else 0
            self.format = f"0.{'0' * places}" if places else "0"
            finite = values[np.isfinite(values)]
            shown = [f"{value:.{places}f}" for value in ([finite.min(), finite.max()] if len(finite) else [])]
            self.values = [None if value != value else value for value in self.values]  # noqa: PLR0124 - nan
        elif kind == "b":
            self.format, shown = "General", ["FALSE"]
        else:
            self.values = [None if value is None or value == "" else _legal(str(value)) for value in self.values]
            shown = [value for value in dict.fromkeys(self.values) if value is not None]
            self.runs = dict(zip(shown, run_by_spreadsheets(shown).tolist(), strict=True))
        self.plain: Any = None
        self.marked: Any = None
        self.width = min(max(len(name), max(map(len, shown), default=0)) + 2.5, _WIDEST)

    def prepare(self, page: Any) -> None:
        """Make the cells that are written again and again: each row is written before the next one is put in."""
        from openpyxl.cell import WriteOnlyCell

        self.plain, self.marked = WriteOnlyCell(page), WriteOnlyCell(page)
        self.marked.quotePrefix = True
        if self.format is not None:
            self.plain.number_format = self.format

    def cell(self, value: Any) -> Any:
        """Return the cell of a value until the next one is asked for; None for an empty one."""
        if value is None:
            return None
        if self.format is not None:
            self.plain.value = value
            return self.plain
        cell = self.marked if self.runs[value] else self.plain
        cell.value = value
        cell.data_type = "s"  # the library takes what begins with = for a formula
        return cell


def _sheet(page: Any, table: Columns) -> None:
    """Fill a sheet: a header that stays in view, and columns as wide as what stands in them."""
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    page.freeze_panes = "A2"
    columns = [_Column(name, np.asarray(values)) for name, values in table.items()]
    runs = run_by_spreadsheets(list(table)).tolist()
    bold, grey = Font(bold=True), PatternFill("solid", start_color="E4E8EB")
    header = []
    for number, (column, risky) in enumerate(zip(columns, runs, strict=True), start=1):
        page.column_dimensions[get_column_letter(number)].width = column.width
        column.prepare(page)
        cell = WriteOnlyCell(page, _legal(column.name))
        cell.data_type = "s"
        if risky:
            cell.quotePrefix = True
        cell.font, cell.fill = bold, grey
        cell.alignment = Alignment(horizontal="left" if column.format is None else "right")
        header.append(cell)
    page.append(header)
    for row in zip(*(column.values for column in columns), strict=True):
        page.append([column.cell(value) for column, value in zip(columns, row, strict=True)])
    page.auto_filter.ref = f"A1:{get_column_letter(len(columns))}{len(columns[0].values) + 1}"


def _legal(text: str) -> str:
    """Return a text that XML can hold: signs of control as their pictures."""
    legal = "".join(
        chr(0x2400 + ord(letter)) if ord(letter) < 32 and letter not in "\t\n\r"
        else "\ufffd" if 0xD800 <= ord(letter) < 0xE000 or letter in "\ufffe\uffff" else letter
        for letter in text
    )  # fmt: skip
    return legal if len(legal) <= _LONGEST else legal[: _LONGEST - 1] + "…"
