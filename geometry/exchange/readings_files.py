"""Files of instrument readings: a field book as a table."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.errors import Faults
from geometry.survey import NO_NAME, UNKNOWN_NAME
from geometry.survey.points import Ints
from geometry.survey.readings import Readings, Sights

from .alike import as_one
from .project import Project
from .setup_names import told_apart
from .survey_names import indices, joined
from .tables import Column, Table, read_table
from .workbook_sheets import tables_in_folder, texts_at

__all__ = ["READINGS_FOLDER", "FieldBook", "read_field_book", "readings_paths"]

READINGS_FOLDER = "readings"
_UNITS = {"deg": np.pi / 180, "gon": np.pi / 200, "dms": np.pi / 180}
_TURN = {"deg": 360.0, "gon": 400.0, "dms": 360.0}
_DMS = r"^(?P<d>[0-9]{1,3})[-: \x{00B0}](?P<m>[0-5]?[0-9])[-: '\x{2032}](?P<s>[0-5]?[0-9](?:\.[0-9]+)?)[\"\x{2033}]?$"


@dataclass(frozen=True, eq=False)
class FieldBook:
    """Readings of a project, and what they were taken to.

    Attributes
    ----------
    readings : Readings
        ``setup`` and ``target`` count in `setups` and `targets`.
    setups, targets : tuple of str
        Names of set-ups and of points sighted.
    stages : tuple of str
        Stages by the places in `stage`; "" first.
    stage : ndarray of int, shape (t,)
        Stage of the mark that each target is: a mark is another target in every stage, as its slab is moved in
        between. 0 for points that are no marks.
    slab, mark : ndarray of int, shape (t,)
        Slab of the layout and mark of its type that each target is; `NO_NAME` for points that are no marks,
        `UNKNOWN_NAME` for names that do not exist.
    time : ndarray of datetime64, shape (n,)
        Of each reading; NaT where none is given.
    first : ndarray of int, shape (t,)
        The first reading to each target.
    label : callable
        ``label(reading)`` is file and line of a reading.
    """

    readings: Readings
    setups: tuple[str, ...]
    targets: tuple[str, ...]
    stages: tuple[str, ...]
    stage: Ints
    slab: Ints
    mark: Ints
    time: npt.NDArray[np.datetime64]
    first: Ints
    label: Callable[[int], str]

    def first_reading(self, sights: Sights) -> Ints:
        """Return the reading with which each sight begins, shape (m,)."""
        n = len(self.readings)
        key = self.readings.setup * n + self.readings.time.astype(np.intp)
        order = np.argsort(key)
        found = np.searchsorted(key, sights.setup * n + sights.order.astype(np.intp), sorter=order)
        return np.asarray(order[found])


def readings_paths(folder: Path) -> list[Path]:
    """Return the files of readings of a project, in order of name: CSV and Excel in its folder ``readings``.

    The last may be ``tables.xlsx``, if that has such a sheet.
    """
    return tables_in_folder(folder, READINGS_FOLDER)


def _number(name: str, what: str, low: float, high: float) -> Column:
    return Column(name, "number", required=False, blank=True, low=low, high=high, what=what)


def _columns() -> tuple[Column, ...]:
    angles = []
    for angle, what in (("direction", "a direction"), ("zenith", "a zenith angle")):
        angles += [_number(f"{angle}_{unit}", what, 0.0, _TURN[unit]) for unit in ("deg", "gon")]
        angles.append(Column(f"{angle}_dms", "text", required=False, blank=True, what=f"{what}, 123-45-06.7"))
    return (
        Column("setup", "text", what="a set-up name"),
        Column("target", "text", what="the name of the point sighted"),
        Column("slab", "text", required=False, blank=True, what="a slab name"),
        Column("corner", "text", required=False, blank=True, what="a mark of the slab"),
        _number("face", "face 1 or 2", 1, 2),
        *angles,
        _number("distance_m", "a slope distance", 0.5, 2000.0),
        _number("instrument_height_m", "an instrument height", -3.0, 5.0),
        _number("target_height_m", "a target height", -3.0, 5.0),
        _number("prism_mm", "a prism constant", -100.0, 100.0),
        _number("temperature_c", "a temperature", -40.0, 60.0),
        _number("pressure_hpa", "an air pressure", 500.0, 1100.0),
        _number("humidity_percent", "a relative humidity", 0.0, 100.0),
        Column("stage", "text", required=False, blank=True, what="a stage"),
        Column("time", "time", required=False, blank=True, what="a time"),
    )


def read_field_book(
    project: Project, paths: Sequence[Path | str], faults: Faults, contents: Mapping[Path, bytes] | None = None
) -> FieldBook | None:
    """Read readings.

    A file has one column for directions and one for zenith angles, whose name ends in the unit: ``deg``,
    ``gon`` or ``dms`` (degrees-minutes-seconds). A reading that stands there twice, to the last digit, counts once.
    The time of the readings in the result is their turn within the set-up: by their times if all of them have one,
    else in the order of files and lines.

    Parameters
    ----------
    project : Project
    paths : sequence of Path
    faults : Faults
        Takes everything that is wrong.
    contents : mapping of Path to bytes, optional
        What to read in place of the files; then it holds all of `paths`.

    Returns
    -------
    FieldBook, or None if there are faults.
    """
    places = [
        place for path in map(Path, paths)
        for place in (texts_at(path, READINGS_FOLDER, faults) if contents is None else [(path, contents[path])])
    ]  # fmt: skip
    tables = [read_table(path, _columns(), faults, content=content) for path, content in places]
    tables = [table for table in tables if len(table)]
    angles = [(_angle(table, "direction", faults), _angle(table, "zenith", faults)) for table in tables]
    if faults.errors or not tables:
        if not faults.errors:
            faults.error(READINGS_FOLDER, "readings", "none")
        return None
    direction, zenith = (np.concatenate([pair[i] for pair in angles]) for i in (0, 1))
    name, names = joined(tables, "setup")
    point, points = joined(tables, "target")
    stage, stages = joined(tables, "stage")
    time = np.concatenate([_times(table) for table in tables])
    file = np.repeat(np.arange(len(tables)), [len(table) for table in tables])
    slab, mark = _marks(project, tables, point, points[1:], faults)
    face = _filled(tables, "face", 1.0).astype(np.intp)
    distance = _filled(tables, "distance_m", np.nan)
    rows = _once(tables, [name, point, face, direction, zenith, distance, time], faults)
    setup, setups = told_apart(name[rows], names, time[rows], file[rows], (point[rows], direction[rows], zenith[rows]))
    # a mark is another target in every stage; counted in order of appearance
    staged = np.where(slab[point[rows] - 1] >= 0, stage[rows], 0)
    _, first, back = np.unique(point[rows] * len(stages) + staged, return_index=True, return_inverse=True)
    appears = np.argsort(first)
    target, first = np.argsort(appears)[back], first[appears]
    of_target = point[rows][first] - 1
    readings = Readings(
        setup=setup - 1,
        target=target,
        face=face[rows],
        direction=direction[rows],
        zenith=zenith[rows],
        distance=distance[rows],
        instrument_height=_filled(tables, "instrument_height_m", 0.0)[rows],
        target_height=_filled(tables, "target_height_m", 0.0)[rows],
        prism=_filled(tables, "prism_mm", 0.0)[rows] / 1e3,
        temperature=_filled(tables, "temperature_c", np.nan)[rows],
        pressure=_filled(tables, "pressure_hpa", np.nan)[rows],
        humidity=_filled(tables, "humidity_percent", np.nan)[rows],
        time=_turns(setup, time[rows]),
    )
    return FieldBook(
        readings, tuple(setups[1:]), tuple(points[i + 1] for i in of_target.tolist()), tuple(stages), staged[first],
        slab[of_target], mark[of_target], time[rows],
        first, lambda reading: _where(tables, int(rows[reading]), ""),
    )  # fmt: skip


def _once(tables: Sequence[Table], columns: Sequence[npt.NDArray[Any]], faults: Faults) -> Ints:
    """Return the rows without those that stand there already, and tell how many these are."""
    one = as_one(*columns)
    first, back = np.unique(one, return_index=True, return_inverse=True)[1:]
    again = np.flatnonzero(first[back] != np.arange(len(one)))
    if again.size:
        row = int(again[0])
        many = f"{again.size} that stand" if again.size > 1 else "one that stands"
        faults.warn(_where(tables, row), "each reading once", f"{many} there already, to the last digit",
                    f"first in {_where(tables, int(first[back[row]]))}; each counts once")  # fmt: skip
    return np.sort(first)


def _turns(setup: Ints, time: npt.NDArray[np.datetime64]) -> Floats:
    """Return the turn of each reading within its set-up, from 0."""
    lacking = np.zeros(int(setup.max(initial=0)) + 1, dtype=bool)
    lacking[setup[np.isnat(time)]] = True
    moment = np.where(lacking[setup], 0, time.astype("datetime64[us]").astype(np.int64))
    order = np.lexsort((np.arange(len(setup)), moment, setup))
    first = np.flatnonzero(np.diff(setup[order], prepend=-1) != 0)
    turn = np.empty(len(setup))
    turn[order] = np.arange(len(setup)) - np.repeat(first, np.diff(first, append=len(setup)))
    return turn


def _filled(tables: Sequence[Table], name: str, otherwise: float) -> Floats:
    parts = [table.columns.get(name, np.full(len(table), np.nan)) for table in tables]
    values = np.concatenate(parts)
    return np.where(np.isnan(values), otherwise, values)


def _times(table: Table) -> npt.NDArray[np.datetime64]:
    return np.asarray(table.columns.get("time", np.full(len(table), np.datetime64("NaT"))), dtype="datetime64[us]")


def _angle(table: Table, name: str, faults: Faults) -> Floats:
    """Return an angle in rad from the one column that has it."""
    given = [unit for unit in _UNITS if f"{name}_{unit}" in table]
    if len(given) != 1:
        found = " and ".join(f"{name}_{unit}" for unit in given) or "none"
        faults.error(table.path.name, f"one of {name}_deg, {name}_gon and {name}_dms", found,
                     "a file has one unit for each angle")  # fmt: skip
        return np.full(len(table), np.nan)
    unit = given[0]
    values = _from_dms(table, f"{name}_dms", faults) if unit == "dms" else table[f"{name}_{unit}"]
    return np.asarray(values * _UNITS[unit])


def _from_dms(table: Table, name: str, faults: Faults) -> Floats:
    """Return degrees from texts such as 123-45-06.7."""
    import pyarrow as pa
    import pyarrow.compute as pc

    texts = table.texts[name].combine_chunks()
    parts = pc.extract_regex(texts, _DMS)
    bad = pc.and_(pc.is_null(parts), pc.not_equal(texts, "")).to_numpy(zero_copy_only=False)
    for row in np.flatnonzero(bad)[:20].tolist():
        faults.error(table.where(row, name), "degrees-minutes-seconds as 123-45-06.7", repr(texts[row].as_py()))
    numbers = [
        pc.struct_field(parts, field).cast(pa.float64()).to_numpy(zero_copy_only=False).astype(np.float64)
        for field in ("d", "m", "s")
    ]
    return np.asarray(numbers[0] + numbers[1] / 60 + numbers[2] / 3600)


def _where(tables: Sequence[Table], row: int, column: str = "target") -> str:
    """Return file and line of a row counted over all tables."""
    ends = np.cumsum([len(table) for table in tables])
    which = int(np.searchsorted(ends, row, side="right"))
    return tables[which].where(row - (int(ends[which - 1]) if which else 0), column)


def _marks(
    project: Project, tables: Sequence[Table], target: Ints, targets: Sequence[str], faults: Faults
) -> tuple[Ints, Ints]:
    """Return slab and mark of each target, and tell targets that are booked as two marks."""
    slab_code, slabs = joined(tables, "slab")
    mark_code, marks = joined(tables, "corner")
    slab_of = indices(tables, "slab", project.layout.names)
    names = [t.marks.names for t in project.types]
    mark_of = np.array(
        [[n.index(t) if t in n else UNKNOWN_NAME if t else NO_NAME for t in marks] for n in names]
    )[project.layout.type_index[np.maximum(slab_of, 0)], mark_code]  # fmt: skip
    first = np.unique(target, return_index=True)[1]
    slab, mark = slab_of[first], mark_of[first]
    place = target - 1
    other = np.flatnonzero((slab_of != slab[place]) | (mark_of != mark[place]))
    for row in other[:20].tolist():
        found = f"slab {slabs[slab_code[row]] or '(none)'}, corner {marks[mark_code[row]] or '(none)'}"
        faults.error(_where(tables, row), f"{targets[place[row]]} booked as one mark everywhere", found)
    for i in np.flatnonzero((slab == UNKNOWN_NAME) | ((slab >= 0) & (mark < 0)))[:20].tolist():
        row = int(first[i])
        found = f"slab {slabs[slab_code[row]]!r}, corner {marks[mark_code[row]]!r}"
        faults.error(_where(tables, row), "a slab of the layout and a mark of its type", found)
    return slab.astype(np.intp), mark.astype(np.intp)
