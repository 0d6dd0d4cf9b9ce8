"""All tables of a project folder as the sheets of one workbook, from which the same numbers are read."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from geometry.errors import Faults

from .cells import NUMBER, unit_of
from .csv_lines import split_lines
from .landxml_points import cg_points_table
from .results import Columns
from .survey_files import POINTS_SUFFIXES
from .text_file import read_text
from .workbook_cells import cell_words
from .workbook_sheets import MANY, SINGLE, WORKBOOK, table_file, tables_in_folder, texts_at

__all__ = ["table_sheets"]

_LONGEST_TITLE: Final = 31  # letters, by every spreadsheet
_NOT_IN_TITLES: Final = re.compile(r"[\[\]:*?/\\\x00-\x1f]|^'|'$")
_MOST_TOLD = 20


def table_sheets(folder: Path, made: Mapping[str, Any]) -> dict[str, Columns]:
    """Return the tables of a project folder by the titles of their sheets.

    Parameters
    ----------
    folder : Path
        A project folder; its tables may be comma separated, in workbooks or, if of points, in LandXML.
    made : mapping
        What the workbook is made from; becomes a last sheet, which nobody reads as a table.

    Raises
    ------
    InputError
        With every table that is none.
    """
    faults, sheets = Faults(), dict[str, Columns]()

    def add(title: str, called: Path, content: bytes | None) -> None:
        table = _columns(called, content, faults)
        if table is not None:
            sheets[_free(title, sheets)] = table

    for name in SINGLE:
        file = table_file(folder / f"{name}.csv")
        if file.exists():
            for called, content in texts_at(file, name, faults)[:1]:
                add(name, called, content)
    for name in MANY:
        for file in tables_in_folder(folder, name, POINTS_SUFFIXES):
            texts = _texts(file, name, faults)
            for called, content in texts:
                sheet = called.name.partition(" sheet ")[2]
                own = sheet if file.name == WORKBOOK else f"{file.stem} {sheet}" if len(texts) > 1 else file.stem
                add(own if file.name == WORKBOOK else f"{name} {own}", called, content)
    faults.stop_if_any()
    rows = [("program", made["program"]), ("made_at", made["made_at"]),
            *((f"sha256 of {name}", sha) for name, sha in made["inputs_sha256"].items()),
            ("mind", "project.toml and perhaps rules.toml belong beside it: a workbook holds tables only")]  # fmt: skip
    sheets["made from"] = {
        name: np.array([row[i] for row in rows], dtype=object) for i, name in enumerate(("what", "value"))
    }
    return sheets


def _texts(file: Path, name: str, faults: Faults) -> list[tuple[Path, bytes | None]]:
    if file.suffix.lower() not in POINTS_SUFFIXES:
        return texts_at(file, name, faults)
    content = cg_points_table(file, faults, "survey")
    return [] if content is None else [(file, content)]


def _free(title: str, taken: Mapping[str, Any]) -> str:
    """Return a title that a sheet may have, unlike those taken; capitals are not told apart there."""
    plain = _NOT_IN_TITLES.sub("_", title)
    result, number, used = plain[:_LONGEST_TITLE], 2, {other.casefold() for other in taken}
    while result.casefold() in used:
        end = f" {number}"
        result, number = plain[: _LONGEST_TITLE - len(end)] + end, number + 1
    return result


def _columns(called: Path, content: bytes | None, faults: Faults) -> Columns | None:
    """Return the columns of a comma separated table, numbers as numbers; None with the reason in `faults`."""
    data = read_text(called, faults, content)
    lines = split_lines(data) if data else None
    if lines is None or not len(lines.numbers) or lines.unclosed:
        if data is not None:
            faults.error(called.name, "a table with a header", "an open quote" if lines and lines.unclosed else "none")
        return None
    records = bytes(lines.rest(0)).decode("utf-8", "replace")
    # lines without a record are empty ones there
    header, *rows = [[cell.strip() for cell in row] for row in csv.reader(io.StringIO(records, newline="")) if row]
    again = [name for name in dict.fromkeys(header) if header.count(name) > 1]
    for name in again:
        faults.error(f"{called.name}:{lines.numbers[0]}", f"one column {name}", f"{header.count(name)} of that name")
    wrong = [k for k, row in enumerate(rows) if len(row) != len(header)]
    for k in wrong[:_MOST_TOLD]:
        where = f"{called.name}:{lines.numbers[k + 1]}"
        faults.error(where, f"{len(header)} cells, as in the header", str(len(rows[k])))
    if again or wrong:
        return None
    columns = list(zip(*rows, strict=True)) or [()] * len(header)
    return {name: _values(name, texts) for name, texts in zip(header, columns, strict=True)}


def _values(name: str, texts: Sequence[str]) -> npt.NDArray[Any]:
    """Return the cells of a column: as numbers, if they are read from a sheet as they were read from the text.

    A column with a unit holds numbers. In another one, such as that of point names, they have to come back letter by
    letter: 0123 and 1.50 would not.
    """
    given = [text for text in dict.fromkeys(texts) if text]
    values = {text: float(text) for text in given if re.fullmatch(NUMBER, text)}
    plain = len(values) == len(given) > 0 and all(map(math.isfinite, values.values()))
    if plain and (unit_of(name) or all(cell_words(value) == text for text, value in values.items())):
        return np.array([values.get(text, math.nan) for text in texts])
    return np.array(texts, dtype=object)
