"""The alignment's tables: horizontal, vertical, cant, chainage equations, structures."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
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
from geometry.alignment.laws import Floats
from geometry.errors import AlignmentError, ChainageError, Faults
from geometry.slabs import Span

from .settings import AlignmentSettings
from .tables import Column, Table, read_table

__all__ = ["distances", "place_columns", "read_alignment", "read_spans"]

_FAR = 1e8
_RADIUS_AGREES = 1e-3  # radii are printed rounded; the gradients govern
Element = TypeVar("Element", HorizontalElement, VerticalElement, CantElement)

_HORIZONTAL = (
    Column("kind", "text", choices=HORIZONTAL_KINDS, what="a kind of element"),
    Column("length_m", "number", low=1e-3, high=1e6, what="a length"),
    Column("radius_start_m", "number", required=False, blank=True, low=-1e7, high=1e7, what="a radius"),
    Column("radius_end_m", "number", required=False, blank=True, low=-1e7, high=1e7, what="a radius"),
    Column("easting_m", "number", required=False, blank=True, low=-_FAR, high=_FAR, what="an easting"),
    Column("northing_m", "number", required=False, blank=True, low=-_FAR, high=_FAR, what="a northing"),
    Column("bearing_deg", "number", required=False, blank=True, low=-360, high=360, what="a bearing"),
    Column("length_along", "text", required=False, blank=True, choices=("arc", "abscissa"), what="what a cubic counts"),
)


def place_columns() -> tuple[Column, Column]:
    """Return the two columns either of which says where something is along the line."""
    return (
        Column("chainage_m", "number", required=False, blank=True, low=-_FAR, high=_FAR, what="a chainage"),
        Column("distance_m", "number", required=False, blank=True, low=-1e3, high=_FAR, what="a distance"),
    )


def distances(table: Table, count: ChainageCount, faults: Faults, suffix: str = "") -> Floats:
    """Return the distance of each row from its chainage or distance column, m; nan where faulty.

    Parameters
    ----------
    table : Table
        With ``chainage{suffix}_m`` or ``distance{suffix}_m``; where both are filled the distance counts.
    count : ChainageCount
    faults : Faults
        Takes chainages that do not exist or occur twice, and rows without either.
    suffix : str
        "", "_start" or "_end".
    """
    chainage, distance = f"chainage{suffix}_m", f"distance{suffix}_m"
    nothing = np.full(len(table), np.nan)
    given, named = (table.columns.get(name, nothing) for name in (distance, chainage))
    result = np.array(given, dtype=np.float64)
    for row in np.flatnonzero(np.isnan(given) & np.isnan(named)).tolist():
        faults.error(table.where(row, chainage), "a chainage or a distance", "neither")
    for row in np.flatnonzero(np.isnan(given) & ~np.isnan(named)).tolist():
        try:
            result[row] = count.to_distance(named[row])
        except ChainageError as fault:
            faults.error(table.where(row, chainage), "a chainage that names one place", str(fault))
    return result


def read_alignment(
    folder: Path, settings: AlignmentSettings, faults: Faults
) -> tuple[Alignment, ChainageCount] | None:
    """Read and build the alignment of a project folder.

    ``horizontal.csv`` and ``vertical.csv`` have to be there; ``cant.csv`` and ``chainage.csv`` may.

    Returns
    -------
    Alignment and ChainageCount, or None if there are faults; they are in `faults`.
    """
    table = read_table(folder / "horizontal.csv", _HORIZONTAL, faults)
    horizontal = _horizontal(table, faults) if len(table) and not faults.errors else []
    equations = _equations(folder, faults)
    if faults.errors or not horizontal:
        return None
    total = float(curve_lengths(horizontal).sum())
    try:
        count = chainage_count(settings.start_chainage_m, total, equations)
    except ChainageError as fault:
        faults.error("chainage.csv", "equations in order along the line", str(fault))
        return None
    vertical_table, vertical = _vertical(folder, count, faults)
    cant_table, cant = _cant(folder, count, faults)
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
        tables = {"horizontal": table, "vertical": vertical_table, "cant": cant_table}
        for profile, element, text in fault.problems:
            known = tables.get(profile)
            where = known.where(element - 1) if known is not None and len(known) else "alignment"
            faults.error(where, "elements that join", text, "allow a jump that is meant in project.toml")
        return None
    used = {(j.quantity, j.element) for j in alignment.joints if abs(j.jump) > j.tolerance}
    for jump in settings.allowed_jump:
        if (jump.quantity, jump.element) not in used:
            faults.warn("project.toml: alignment.allowed_jump", f"a jump in {jump.quantity}",
                        f"none where element {jump.element} starts")  # fmt: skip
    return alignment, count


def _rows(table: Table, faults: Faults, make: Callable[[int], Element]) -> list[Element]:
    """Return an element per row; a row that makes none becomes a fault."""
    elements = []
    for row in range(len(table)):
        try:
            elements.append(make(row))
        except AlignmentError as fault:
            faults.error(table.where(row), "a possible element", str(fault))
    return elements


def _cell(table: Table, name: str, row: int) -> float | None:
    value = float(table[name][row]) if name in table else math.nan
    return None if math.isnan(value) else value


def _curvature(table: Table, name: str, row: int, faults: Faults) -> float:
    radius = _cell(table, name, row)
    if radius is None:
        return 0.0
    if radius == 0:
        faults.error(table.where(row, name), "a radius, or nothing for a straight end", "0")
        return 0.0
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
    return _rows(table, faults, make)


def _equations(folder: Path, faults: Faults) -> list[tuple[float, float]]:
    path = folder / "chainage.csv"
    if not path.exists():
        return []
    columns = (
        Column("chainage_back_m", "number", low=-_FAR, high=_FAR, what="the chainage where a count ends"),
        Column("chainage_ahead_m", "number", low=-_FAR, high=_FAR, what="the chainage where the next count starts"),
    )
    table = read_table(path, columns, faults)
    if not len(table) or faults.errors:
        return []
    return list(zip(table["chainage_back_m"].tolist(), table["chainage_ahead_m"].tolist(), strict=True))


def _vertical(folder: Path, count: ChainageCount, faults: Faults) -> tuple[Table, list[VerticalElement]]:
    columns = (
        Column("kind", "text", choices=VERTICAL_KINDS, what="a kind of element"),
        *place_columns(),
        Column("length_m", "number", low=1e-3, high=1e6, what="a length"),
        Column("level_m", "number", required=False, blank=True, low=-1000, high=10000, what="a level"),
        Column("gradient_start_permille", "number", low=-200, high=200, what="a gradient"),
        Column("gradient_end_permille", "number", required=False, blank=True, low=-200, high=200, what="a gradient"),
        Column("radius_start_m", "number", required=False, blank=True, low=-1e7, high=1e7, what="a radius"),
        Column("radius_end_m", "number", required=False, blank=True, low=-1e7, high=1e7, what="a radius"),
    )
    table = read_table(folder / "vertical.csv", columns, faults)
    if not len(table) or faults.errors:
        return table, []
    start = distances(table, count, faults)
    if _cell(table, "level_m", 0) is None:
        faults.error(table.where(0, "level_m"), "the level at the start of the profile", "an empty cell")

    def make(row: int) -> VerticalElement:
        kind: Any = table["kind"][row]
        first = float(table["gradient_start_permille"][row]) / 1e3
        last = _cell(table, "gradient_end_permille", row)
        last = first if last is None else last / 1e3
        length = float(table["length_m"][row])
        radii = _cell(table, "radius_start_m", row), _cell(table, "radius_end_m", row)
        bend = _clothoid_start(radii, first, last, length) if kind == "clothoid" else 0.0
        element = VerticalElement(
            kind, 0.0 if math.isnan(start[row]) else float(start[row]), length, first, last,
            _cell(table, "level_m", row), bend,
        )  # fmt: skip
        _tell_radius(table, row, element, radii, faults)
        return element

    return table, _rows(table, faults, make)


def _clothoid_start(radii: tuple[float | None, float | None], first: float, last: float, length: float) -> float:
    """Return the start curvature of a vertical clothoid: one end is straight unless both radii stand there."""
    if radii[0] is None and radii[1] is None:
        raise AlignmentError("a vertical clothoid needs radius_start_m or radius_end_m: which end is curved?")
    if radii[0] is None:
        return 0.0
    if radii[1] is not None:
        return 1 / radii[0]
    # straight at its end: the change of slope is half the start curvature times its own length
    turn = math.atan(last) - math.atan(first)
    own = length * math.sqrt(1 + ((first + last) / 2) ** 2)
    for _ in range(20):  # own length by Simpson on 1 / cos of the slope, as the curvature it gives settles
        bend = 2 * turn / own
        middle = math.atan(first) + bend * own / 2 - bend * own / 8
        mean_cosine = (math.cos(math.atan(first)) + 4 * math.cos(middle) + math.cos(math.atan(last))) / 6
        own = length / mean_cosine
    return 2 * turn / own


def _tell_radius(
    table: Table, row: int, element: VerticalElement, radii: tuple[float | None, float | None], faults: Faults
) -> None:
    """Warn of a radius that contradicts the gradients, which govern."""
    if element.kind not in ("parabola", "arc"):
        return
    change = element.gradient_end - element.gradient_start
    sines = [g / math.sqrt(1 + g * g) for g in (element.gradient_start, element.gradient_end)]
    radius = element.length / (change if element.kind == "parabola" else sines[1] - sines[0])
    for name, given in zip(("radius_start_m", "radius_end_m"), radii, strict=True):
        if given is not None and not abs(abs(given) - abs(radius)) <= _RADIUS_AGREES * abs(radius):
            faults.warn(table.where(row, name), f"the radius {radius:.1f} m that the gradients give", f"{given:g}",
                        "the gradients govern")  # fmt: skip


def _cant(folder: Path, count: ChainageCount, faults: Faults) -> tuple[Table | None, list[CantElement]]:
    path = folder / "cant.csv"
    if not path.exists():
        return None, []
    columns = (
        Column("kind", "text", choices=CANT_KINDS, what="a kind of element"),
        *place_columns(),
        Column("length_m", "number", low=1e-3, high=1e6, what="a length"),
        Column("cant_start_mm", "number", low=-250, high=250, what="a cant"),
        Column("cant_end_mm", "number", required=False, blank=True, low=-250, high=250, what="a cant"),
    )
    table = read_table(path, columns, faults)
    if not len(table) or faults.errors:
        return table, []
    start = distances(table, count, faults)

    def make(row: int) -> CantElement:
        kind: Any = table["kind"][row]
        first = float(table["cant_start_mm"][row]) / 1e3
        last = _cell(table, "cant_end_mm", row)
        at = 0.0 if math.isnan(start[row]) else float(start[row])
        return CantElement(kind, at, float(table["length_m"][row]), first, first if last is None else last / 1e3)

    return table, _rows(table, faults, make)


def read_spans(folder: Path, alignment: Alignment, count: ChainageCount, faults: Faults) -> Sequence[Span]:
    """Read ``structures.csv``: name, kind, and where each starts and ends; without it one span is all."""
    path = folder / "structures.csv"
    if not path.exists():
        return (Span("line", "line", 0.0, alignment.length),)
    columns = [
        Column("name", "text", what="a name"),
        Column("kind", "text", what="a kind of structure"),
    ]
    columns += [
        Column(f"{what}{suffix}_m", "number", required=False, blank=True, low=-_FAR, high=_FAR, what=f"a {what}")
        for suffix in ("_start", "_end")
        for what in ("chainage", "distance")
    ]
    table = read_table(path, columns, faults, unique=("name",))
    if not len(table) or faults.errors:
        return ()
    start, end = distances(table, count, faults, "_start"), distances(table, count, faults, "_end")
    spans = []
    for row in range(len(table)):
        if not start[row] < end[row]:
            faults.error(table.where(row), "an end after the start", f"{start[row]:.3f} to {end[row]:.3f} m")
        elif not (start[row] >= -1e-6 and end[row] <= alignment.length + 1e-6):
            faults.error(table.where(row), f"a span on the alignment, 0 to {alignment.length:.3f} m",
                         f"{start[row]:.3f} to {end[row]:.3f} m")  # fmt: skip
        spans.append(Span(str(table["name"][row]), str(table["kind"][row]), float(start[row]), float(end[row])))
    order = sorted(range(len(spans)), key=lambda i: spans[i].start)
    for this, following in pairwise(order):
        if spans[following].start < spans[this].end - 1e-6:
            faults.error(table.where(following), f"a start at or after the end of {spans[this].name}, "
                         f"{spans[this].end:.3f} m", f"{spans[following].start:.3f} m", "spans overlap")  # fmt: skip
    return tuple(spans[i] for i in order)
