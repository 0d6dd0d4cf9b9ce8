"""Files of differential levelling lines."""

from __future__ import annotations

from pathlib import Path

from geometry.errors import Faults
from geometry.survey.fieldwork import LevellingLines

from .tables import Column, read_table

__all__ = ["LEVELLING_FILE", "read_levelling"]

LEVELLING_FILE = "levelling.csv"


def read_levelling(path: Path, names: set[str], sigma_per_root_km: float, faults: Faults) -> LevellingLines | None:
    """Read levelling lines: start, end, difference_m (level of the end less that of the start), length_m.

    Parameters
    ----------
    path : Path
    names : set of str
        Control points and targets of readings, between which a line may run.
    sigma_per_root_km : float
        Standard uncertainty of one kilometre, m.
    faults : Faults
        Takes everything that is wrong.

    Returns
    -------
    LevellingLines, or None if there is no such file.
    """
    if not path.exists():
        return None
    columns = (
        Column("start", "text", what="a point name"),
        Column("end", "text", what="a point name"),
        Column("difference_m", "number", low=-500.0, high=500.0, what="a level difference"),
        Column("length_m", "number", low=0.1, high=100_000.0, what="the length of a line"),
    )
    table = read_table(path, columns, faults, sheet="levelling")
    if faults.errors or not len(table):
        return None
    for name in ("start", "end"):
        for row, text in enumerate(table[name].tolist()):
            if text not in names:
                faults.error(table.where(row, name), "a control point or a target of the readings", repr(text))
    for row, (a, b) in enumerate(zip(table["start"].tolist(), table["end"].tolist(), strict=True)):
        if a == b:
            faults.error(table.where(row, "end"), "another point than the start", repr(b))
    return LevellingLines(
        tuple(table["start"].tolist()), tuple(table["end"].tolist()), table["difference_m"], table["length_m"],
        sigma_per_root_km,
    )  # fmt: skip
