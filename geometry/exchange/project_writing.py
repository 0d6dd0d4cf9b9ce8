"""A project folder made from a design of another format."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Sequence
from pathlib import Path

import tomlkit

from geometry.alignment import Alignment, ChainageCount
from geometry.errors import Fault, InputError

from .design import Design

__all__ = ["write_project"]

_EXAMPLE = (
    "Slab types, tolerances, survey and limits were taken over from an example. Replace them by those of the contract "
    "before anybody relies on a verdict."
)


def write_project(
    folder: Path, design: Design, alignment: Alignment, count: ChainageCount, like: Path, control: bytes | None = None
) -> None:  # fmt: skip
    """Write a project folder.

    Parameters
    ----------
    folder : Path
        Must not exist yet; it appears in one piece.
    design : Design
        Elements keep the coordinates that the file gave each of them.
    alignment, count : Alignment and ChainageCount
        As built of the design: jumps above rounding that it has become jumps that the project allows.
    like : Path
        A ``project.toml`` from which everything but the alignment is taken over.
    control : bytes, optional
        A table of control points.

    Raises
    ------
    InputError
        If the folder exists, or nothing can be written there.
    """
    if folder.exists():
        raise InputError([Fault(str(folder), "a folder that does not exist yet", "one that does",
                                "nothing is written over")])  # fmt: skip
    files = {
        "project.toml": _settings(design, alignment, count, like),
        "horizontal.csv": _horizontal(design),
        "vertical.csv": _vertical(design),
    }
    if design.cant:
        files["cant.csv"] = _cant(design)
    if design.equations:
        rows = [["chainage_back_m", "chainage_ahead_m"], *([_number(a), _number(b)] for a, b in design.equations)]
        files["chainage.csv"] = _csv(rows)
    if control is not None:
        files["control.csv"] = control.decode()
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".slabpose-", dir=folder.parent) as beside:
            draft = Path(beside) / "project"
            draft.mkdir()
            for name, text in files.items():
                (draft / name).write_text(text, encoding="utf-8")
            draft.rename(folder)
    except OSError as fault:
        raise InputError([Fault(str(folder), "a place to write to", (fault.strerror or str(fault)).lower())]) from fault


def _number(value: float | None) -> str:
    """Return a number to 1e-10, blank for none: what is beyond is the rounding of sums."""
    return "" if value is None else repr(round(float(value), 10))


def _csv(rows: Sequence[Sequence[str]]) -> str:
    return "".join(",".join(row) + "\n" for row in rows)


def _radius(curvature: float) -> str:
    return _number(1 / curvature) if curvature else ""


def _horizontal(design: Design) -> str:
    head = ["kind", "length_m", "radius_start_m", "radius_end_m", "easting_m", "northing_m", "bearing_deg"]
    counted = any(e.length_along != "arc" for e in design.horizontal)
    rows = [head + ["length_along"] * counted]
    for e in design.horizontal:
        bearing = None if e.bearing is None else math.degrees(e.bearing)
        row = [
            e.kind, _number(e.length), _radius(e.curvature_start), _radius(e.curvature_end), _number(e.easting),
            _number(e.northing), _number(bearing),
        ]  # fmt: skip
        rows.append(row + [e.length_along if e.kind == "cubic" else ""] * counted)
    return _csv(rows)


def _vertical(design: Design) -> str:
    rows = [[
        "kind", "distance_m", "length_m", "level_m", "gradient_start_permille", "gradient_end_permille",
        "radius_start_m", "radius_end_m",
    ]]  # fmt: skip
    for e in design.vertical:
        start, end = "", ""
        if e.kind == "clothoid":
            start, end = _radius(e.curvature_start), _radius(_end_curvature(e.gradient_start, e.gradient_end, e.length,
                                                                            e.curvature_start))  # fmt: skip
        rows.append([
            e.kind, _number(e.start), _number(e.length), _number(e.level), _number(e.gradient_start * 1e3),
            _number(e.gradient_end * 1e3), start, end,
        ])  # fmt: skip
    return _csv(rows)


def _end_curvature(first: float, last: float, length: float, start: float) -> float:
    """Return the curvature at the end of a vertical clothoid, 1/m; 0 where it ends straight.

    Only whether it is 0 is read again: the gradients and the start govern.
    """
    turn = math.atan(last) - math.atan(first)
    own = length * math.sqrt(1 + ((first + last) / 2) ** 2)
    end = 2 * turn / own - start
    return 0.0 if abs(end) < 1e-4 * abs(start) else end


def _cant(design: Design) -> str:
    rows = [["kind", "distance_m", "length_m", "cant_start_mm", "cant_end_mm"]]
    for e in design.cant:
        values = [e.start, e.length, e.cant_start * 1e3, e.cant_end * 1e3]
        rows.append([e.kind, *map(_number, values)])
    return _csv(rows)


def _settings(design: Design, alignment: Alignment, count: ChainageCount, like: Path) -> str:
    """Return the project file: another one with this alignment in place of its own."""
    document = tomlkit.parse(like.read_text(encoding="utf-8"))
    # what stands before the first table of the other one are remarks on that project
    fresh = tomlkit.document()
    fresh.add(tomlkit.comment(f"Made from {design.file}, alignment {design.name!r}."))
    fresh.add(tomlkit.comment(_EXAMPLE))
    for note in design.notes:
        fresh.add(tomlkit.comment(f"{design.file}: {note}."))
    fresh.add(tomlkit.nl())
    fresh["name"] = design.name
    rules = alignment.rules
    table = tomlkit.table()
    table["start_chainage_m"] = float(count.first[0])
    table["pivot"] = rules.pivot
    table["plan_held"] = rules.plan_held
    table["cant_base_mm"] = round(rules.cant_base * 1e3, 6)
    table["cant_angle"] = rules.cant_angle
    table["gravity_height_m"] = rules.gravity_height
    table["grid_scale"] = rules.grid_scale
    table["grid_scale"].comment("grid length over true length: not in the file, look it up")
    jumps = [j for j in alignment.joints if not abs(j.jump) <= j.tolerance]
    if jumps:
        allowed = tomlkit.aot()
        for j in jumps:
            row = tomlkit.table()
            row["quantity"] = j.quantity
            row["element"] = j.element
            row["reason"] = f"stands in {design.file}"
            allowed.append(row)
        table["allowed_jump"] = allowed
    fresh["alignment"] = table
    for key, value in document.items():
        if key not in ("name", "description", "alignment"):
            fresh[key] = value
    return tomlkit.dumps(fresh)
