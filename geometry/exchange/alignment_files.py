"""The alignment's tables: horizontal, vertical, cant, chainage equations."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

from geometry.alignment import (
    CANT_KINDS,
    HORIZONTAL_KINDS,
    VERTICAL_KINDS,
    Alignment,
    AllowedJump,
    CantElement,
    ChainageCount,
    HorizontalElement,
    TrackRules,
    VerticalElement,
    build,
    chainage_count,
)
from geometry.alignment.compiling import curve_lengths
from geometry.errors import AlignmentError, ChainageError, Faults

from .places import FAR, distances, in_order, place_columns
from .profile_radii import clothoid_start, tell_radius
from .settings import AlignmentSettings
from .tables import Column, Table
from .workbook_files import FolderTables

__all__ = ["AlignmentTables", "build_alignment", "read_alignment_tables"]

_TIGHTEST = 10.0  # no track bends to less, m
_TIGHT = 150.0  # smaller radii are yards and trams; laws are exact from here on, m
_SHORT = 1.0  # elements shorter than this are rare, m
_LOW_CANT = 1.0  # cants that are all below this are rare, mm
_FAR_OFF = 1e5  # no element starts further from the first one, m
Element = TypeVar("Element", HorizontalElement, VerticalElement, CantElement)

_HORIZONTAL = (
    Column("kind", "text", choices=HORIZONTAL_KINDS, what="a kind of element"),
    Column("length_m", "number", low=1e-3, high=1e6, what="a length"),
    Column("radius_start_m", "number", required=False, blank=True, low=-1e7, high=1e7, what="a radius"),
    Column("radius_end_m", "number", required=False, blank=True, low=-1e7, high=1e7, what="a radius"),
    Column("easting_m", "number", required=False, blank=True, low=-FAR, high=FAR, what="an easting"),
    Column("northing_m", "number", required=False, blank=True, low=-FAR, high=FAR, what="a northing"),
    Column("bearing_deg", "number", required=False, blank=True, low=-360, high=360, what="a bearing"),
    Column("length_along", "text", required=False, blank=True, choices=("arc", "abscissa"), what="what a cubic counts"),
)


_VERTICAL = (
    Column("kind", "text", choices=VERTICAL_KINDS, what="a kind of element"),
    *place_columns(),
    Column("length_m", "number", low=1e-3, high=1e6, what="a length"),
    Column("level_m", "number", required=False, blank=True, low=-1000, high=10000, what="a level"),
    Column("gradient_start_permille", "number", low=-200, high=200, what="a gradient"),
    Column("gradient_end_permille", "number", required=False, blank=True, low=-200, high=200, what="a gradient"),
    Column("radius_start_m", "number", required=False, blank=True, low=-1e7, high=1e7, what="a radius"),
    Column("radius_end_m", "number", required=False, blank=True, low=-1e7, high=1e7, what="a radius"),
)
_CANT = (
    Column("kind", "text", choices=CANT_KINDS, what="a kind of element"),
    *place_columns(),
    Column("length_m", "number", low=1e-3, high=1e6, what="a length"),
    Column("cant_start_mm", "number", low=-250, high=250, what="a cant"),
    Column("cant_end_mm", "number", required=False, blank=True, low=-250, high=250, what="a cant"),
)
_EQUATIONS = (
    Column("chainage_back_m", "number", low=-FAR, high=FAR, what="the chainage where a count ends"),
    Column("chainage_ahead_m", "number", low=-FAR, high=FAR, what="the chainage where the next count starts"),
)


@dataclass(frozen=True)
class AlignmentTables:
    """The files of an alignment as they were read; without rows where a file cannot be read as a table.

    Attributes
    ----------
    horizontal, vertical : Table
    cant, equations : Table or None
        None where there is no such file.
    """

    horizontal: Table
    vertical: Table
    cant: Table | None
    equations: Table | None


def read_alignment_tables(given: FolderTables, faults: Faults) -> AlignmentTables:
    """Read the tables of an alignment, from comma separated files or a workbook.

    ``horizontal`` and ``vertical`` have to be there; ``cant`` and ``chainage`` may.
    """

    def read(name: str, columns: Sequence[Column]) -> Table:
        return given.read(name, columns, faults)

    return AlignmentTables(
        read("horizontal", _HORIZONTAL),
        read("vertical", _VERTICAL),
        read("cant", _CANT) if "cant" in given else None,
        read("chainage", _EQUATIONS) if "chainage" in given else None,
    )


def build_alignment(
    tables: AlignmentTables, settings: AlignmentSettings, faults: Faults
) -> tuple[Alignment, ChainageCount] | None:
    """Build the alignment of tables without faults.

    Returns
    -------
    Alignment and ChainageCount, or None if there are faults; they are in `faults`.
    """
    table, vertical_table, cant_table = tables.horizontal, tables.vertical, tables.cant
    horizontal = _horizontal(table, faults)
    if faults.errors:
        return None
    total = float(curve_lengths(horizontal).sum())
    equations: list[tuple[float, float]] = []
    if tables.equations is not None:
        ends = (tables.equations[name].tolist() for name in ("chainage_back_m", "chainage_ahead_m"))
        equations = list(zip(*ends, strict=True))
    try:
        count = chainage_count(settings.start_chainage_m, total, equations)
    except ChainageError as fault:
        where = tables.equations.path.name if tables.equations is not None else "chainage.csv"
        faults.error(where, "equations in order along the line", str(fault))
        return None
    vertical = _vertical(vertical_table, count, faults)
    cant = [] if cant_table is None else _cant(cant_table, count, faults)
    if faults.errors:
        return None
    rules = TrackRules(
        settings.pivot, settings.plan_held, settings.cant_base_mm / 1e3, settings.cant_angle,
        settings.gravity_height_m, settings.grid_scale,
    )  # fmt: skip
    allowed = [AllowedJump(jump.quantity, jump.element) for jump in settings.allowed_jump]
    try:
        alignment = build(horizontal, vertical, cant, rules, allowed)
    except AlignmentError as fault:
        read = {"horizontal": table, "vertical": vertical_table, "cant": cant_table}
        for profile, element, text in fault.problems:
            known = read.get(profile)
            where = known.where(element - 1) if known is not None and len(known) else "alignment"
            hint = _joint_hint(text, element, horizontal, cant)
            faults.error(where, "elements that join", text, hint)
        return None
    used = {(j.quantity, j.element) for j in alignment.joints if abs(j.jump) > j.tolerance}
    for jump in settings.allowed_jump:
        if (jump.quantity, jump.element) not in used:
            faults.warn("project.toml: alignment.allowed_jump", f"a jump in {jump.quantity}",
                        f"none where element {jump.element} starts")  # fmt: skip
    return alignment, count


def _joint_hint(text: str, element: int, horizontal: Sequence[HorizontalElement], cant: Sequence[CantElement]) -> str:
    """Return what may be behind a fault of a joint: a sign, a unit, exchanged columns, or intent."""
    quantity, jumps, size = text.partition(" jumps by ")
    hint = ""
    if quantity == "curvature":
        ends = horizontal[element - 2].curvature_end, horizontal[element - 1].curvature_start
        hint = _sign_or_unit(*ends, "a radius with the wrong sign? + curves to the right", "a radius in kilometres?")
    elif quantity == "cant":
        ends = cant[element - 2].cant_end, cant[element - 1].cant_start
        hint = _sign_or_unit(*ends, "a cant with the wrong sign? + raises the left rail", "a cant in metres?")
    elif quantity == "position":
        hint = _exchanged(horizontal[0], horizontal[element - 1])
    elif quantity == "bearing":
        # gon read as degrees are too many by a tenth of them
        mrad = float(size.partition(" ")[0])
        hint = "gon?" if math.isclose(mrad / 1e3, (horizontal[element - 1].bearing or 0.0) / 10, rel_tol=0.01) else ""
    return hint or ("allow a jump that is meant in project.toml" if jumps else "")


def _sign_or_unit(before: float, after: float, sign: str, unit: str) -> str:
    if before * after < 0 and math.isclose(before, -after, rel_tol=1e-3):
        return sign
    in_thousands = before * after != 0 and 500 < max(abs(before / after), abs(after / before)) < 2000
    return unit if in_thousands else ""


def _exchanged(first: HorizontalElement, here: HorizontalElement) -> str:
    start = np.array([first.easting, first.northing], dtype=np.float64)
    given = np.array([here.easting, here.northing], dtype=np.float64)  # nan where it names none
    exchanged = math.dist(given[::-1], start) < _FAR_OFF < math.dist(given, start)
    return "easting and northing exchanged?" if exchanged else ""


def _tell_short(table: Table, faults: Faults) -> None:
    for row in np.flatnonzero(table["length_m"] < _SHORT).tolist():
        faults.warn(table.where(row, "length_m"), "an element of 1 m or more", f"{table['length_m'][row]:g}",
                    "kilometres?")  # fmt: skip


def _rows(table: Table, faults: Faults, make: Callable[[int], Element]) -> list[Element]:
    """Return an element per row; a row that makes none becomes a fault."""
    elements = []
    for row in range(len(table)):
        told = len(faults.errors)
        try:
            elements.append(make(row))
        except AlignmentError as fault:
            if len(faults.errors) == told:  # else it follows from a cell that is wrong
                faults.error(table.where(row), "a possible element", str(fault))
    return elements


def _cell(table: Table, name: str, row: int) -> float | None:
    value = float(table[name][row]) if name in table else math.nan
    return None if math.isnan(value) else value


def _curvature(table: Table, name: str, row: int, faults: Faults) -> float:
    radius = _cell(table, name, row)
    if radius is None:
        return 0.0
    if not abs(radius) >= _TIGHTEST:
        faults.error(table.where(row, name), f"a radius of {_TIGHTEST:g} m or more, or nothing for a straight end",
                     f"{radius:g}", "kilometres?" if radius else "")  # fmt: skip
        return 0.0
    if abs(radius) < _TIGHT:
        faults.warn(table.where(row, name), f"a radius of {_TIGHT:g} m or more", f"{radius:g}", "kilometres?")
    return 1 / radius


def _horizontal(table: Table, faults: Faults) -> list[HorizontalElement]:
    def make(row: int) -> HorizontalElement:
        bearing = _cell(table, "bearing_deg", row)
        kind: Any = table["kind"][row]
        along: Any = (table["length_along"][row] if "length_along" in table else "") or "arc"
        start, end = (_curvature(table, name, row, faults) for name in ("radius_start_m", "radius_end_m"))
        return HorizontalElement(
            kind, float(table["length_m"][row]), start, end,
            _cell(table, "easting_m", row), _cell(table, "northing_m", row),
            None if bearing is None else math.radians(bearing), along,
        )  # fmt: skip

    for name in ("easting_m", "northing_m", "bearing_deg"):
        if _cell(table, name, 0) is None:
            faults.error(table.where(0, name), "the start of the alignment", "an empty cell")
    _tell_short(table, faults)
    since = len(faults.errors)
    elements = _rows(table, faults, make)
    in_order(faults, since)
    return elements


def _vertical(table: Table, count: ChainageCount, faults: Faults) -> list[VerticalElement]:
    since = len(faults.errors)
    start = distances(table, count, faults)
    _tell_short(table, faults)
    if _cell(table, "level_m", 0) is None:
        faults.error(table.where(0, "level_m"), "the level at the start of the profile", "an empty cell")

    def make(row: int) -> VerticalElement:
        kind: Any = table["kind"][row]
        first = float(table["gradient_start_permille"][row]) / 1e3
        last = _cell(table, "gradient_end_permille", row)
        last = first if last is None else last / 1e3
        length = float(table["length_m"][row])
        radii = _cell(table, "radius_start_m", row), _cell(table, "radius_end_m", row)
        bend = clothoid_start(radii, first, last, length) if kind == "clothoid" else 0.0
        element = VerticalElement(
            kind, 0.0 if math.isnan(start[row]) else float(start[row]), length, first, last,
            _cell(table, "level_m", row), bend,
        )  # fmt: skip
        for name, radius in zip(("radius_start_m", "radius_end_m"), radii, strict=True):
            tell_radius(element, radius, table.where(row, name), faults)
        return element

    elements = _rows(table, faults, make)
    in_order(faults, since)
    return elements


def _cant(table: Table, count: ChainageCount, faults: Faults) -> list[CantElement]:
    since = len(faults.errors)
    start = distances(table, count, faults)
    _tell_short(table, faults)
    given = np.concatenate([table[name] for name in ("cant_start_mm", "cant_end_mm") if name in table])
    largest = float(np.nanmax(np.abs(given)))
    if 0 < largest < _LOW_CANT:
        faults.warn(f"{table.path.name}: cant_start_mm", f"cants that reach {_LOW_CANT:g} mm",
                    f"{largest:g} at most", "metres?")  # fmt: skip

    def make(row: int) -> CantElement:
        kind: Any = table["kind"][row]
        first = float(table["cant_start_mm"][row]) / 1e3
        last = _cell(table, "cant_end_mm", row)
        at = 0.0 if math.isnan(start[row]) else float(start[row])
        return CantElement(kind, at, float(table["length_m"][row]), first, first if last is None else last / 1e3)

    elements = _rows(table, faults, make)
    in_order(faults, since)
    return elements
