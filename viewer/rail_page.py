"""How the rail forecast is told: the terminal page and the JSON document."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.alignment import format_chainage
from geometry.exchange.project import Project
from geometry.exchange.rail_tables import limit_table, place_table
from geometry.exchange.results import CAUTIONS, Columns, made_from
from geometry.exchange.seat_files import SEATS_FILE
from geometry.exchange.writing import table_to_records
from geometry.placement.rail.bands import BANDS, reach
from geometry.placement.rail.chords import chord_response
from geometry.placement.rail.forecast import RAIL_VERDICTS, RailForecast
from geometry.placement.verdict import NOT_MEASURED, OUT, UNDECIDED, WITHIN
from viewer.check_page import show_list
from viewer.terminal import TableColumn, print_table

__all__ = ["RailPage", "keeps_all", "rail_document", "show_rail"]

Bools = npt.NDArray[np.bool_]
_MOST_PLACES = 40
_MOST_NAMES = 8
_BLIND, _DULL = 0.1, 0.35  # a chord that shows less of a wave than this is blind to it, or nearly
_POSES = {"built": "slabs as built", "target": "slabs on their targets", "given": "slabs as planned"}
_FOLLOWS = (
    "The rail is told as if it followed every seat, without load: its stiffness will bridge single seats, and pads and "
    "plates that sit wrong are not in it."
)
_SIDES = {"left": "L", "right": "R", "": ""}


@dataclass(frozen=True, eq=False)
class RailPage:
    """What is told: the forecast, the seats that are asked for, (s,), whose poses they are, and what they rest on."""

    project: Project
    forecast: RailForecast
    chosen: Bools
    poses: str
    inputs: dict[str, str]
    doubtful: Bools
    """Slabs whose survey contradicts itself, (n,)."""


def keeps_all(page: RailPage) -> bool:
    """Return whether every limit is kept wherever there is room, and each somewhere: what nobody judged is not good."""
    verdicts = [told.verdict[page.chosen] for told in page.forecast.limits if np.isfinite(told.limit.high)]
    bad = (OUT, UNDECIDED, NOT_MEASURED)
    return bool(verdicts) and all((one == WITHIN).any() and not np.isin(one, bad).any() for one in verdicts)


def _pitch(page: RailPage) -> float:
    """Return the usual distance from slab to slab, m; nan with fewer than two."""
    seats = page.forecast.seats
    first = np.flatnonzero(np.append(True, np.diff(seats.slab) != 0))
    return float(np.median(np.diff(seats.station[first]))) if len(first) > 1 else np.nan


def _chord_lines(page: RailPage) -> list[str]:
    """Say what the chords show of a wave that repeats with every slab."""
    pitch = _pitch(page)
    chords = list(dict.fromkeys(t.limit.chord for t in page.forecast.limits if t.limit.chord is not None))
    if not chords or np.isnan(pitch):
        return []
    gains = [float(np.abs(chord_response(chord, np.array([pitch]))[0])) for chord in chords]
    told = []
    for chord, gain in zip(chords, gains, strict=True):
        apart = f", {chord.apart:g} m apart" if chord.apart else ""
        blind = " (blind)" if gain < _BLIND else " (nearly blind)" if gain < _DULL else ""
        told.append(f"chord {chord.rear:g} + {chord.front:g} m{apart}: {gain:.2f}{blind}")
    lines = [
        f"What a chord shows of a wave of 1 mm that repeats with every slab, {pitch:.2f} m, in mm: {'; '.join(told)}."
    ]
    if min(gains) < _DULL <= max(gains):
        lines.append("What one chord is blind to another one sees: an error common to all slabs shows only there.")
    elif min(gains) < _DULL:
        lines.append("No chord sees an error common to all slabs: set an asymmetric one beside them, such as 2 + 8 m.")
    return lines


def _seat_line(page: RailPage) -> str:
    known = page.forecast.cast_known[page.chosen]
    measured, every = int(known.sum()), known.size
    settings = page.project.settings.rail
    if measured == every:
        return f"All {every:,} rail seats were measured on the cast slabs ({SEATS_FILE})."
    some = f"{measured:,} of {every:,} rail seats were" if measured else "No rail seat was"
    return (
        f"{some} measured on the cast slabs ({SEATS_FILE}). The others count as designed, with a standard uncertainty "
        f"of {settings.unmeasured_seat_sigma_mm:g} mm; gauge is not measured there."
    )


def _named(page: RailPage, slabs: Bools) -> str:
    """Return the names of some of the chosen slabs, not more than a line holds; "" for none."""
    own = np.unique(page.forecast.seats.slab[page.chosen])
    names = page.project.layout.names[own[slabs[own]]].tolist()
    more = f" and {len(names) - _MOST_NAMES:,} more" if len(names) > _MOST_NAMES else ""
    return ", ".join(names[:_MOST_NAMES]) + more


def _slab_lines(page: RailPage) -> list[str]:
    """Say which slabs keep a verdict from the rail over and around them."""
    absent = np.zeros(len(page.doubtful), dtype=bool)
    absent[page.forecast.seats.slab[np.isnan(page.forecast.deviation).any(axis=(1, 2))]] = True
    absent_names, doubtful_names = _named(page, absent), _named(page, page.doubtful & ~absent)
    lines = [f"Slabs without a pose: {absent_names}. What reaches to them is not measured."] if absent_names else []
    if doubtful_names:
        lines.append(f"Slabs whose survey contradicts itself: {doubtful_names}. What hangs on them is undecided.")
    return lines


def _band_line(page: RailPage) -> list[str]:
    ranges = {
        told.limit.band: BANDS[told.limit.band, told.limit.quantity]
        for told in sorted(page.forecast.limits, key=lambda t: t.limit.quantity, reverse=True)
        if told.limit.band is not None
    }
    if not ranges:
        return []
    told = ", ".join(f"{reach(*edges):.0f} m in {band}" for band, edges in sorted(ranges.items()))
    return [
        f"Ranges of wavelengths as in EN 13848-1 (from memory): no answer nearer to an end of the rail, or to what is "
        f"not measured, than {told}."
    ]


def rail_document(page: RailPage, seats: Columns) -> dict[str, Any]:
    """Return the whole answer as a document of plain values, with these rows of the table of seats."""
    project, forecast, chosen = page.project, page.forecast, page.chosen
    return {
        "made_from": made_from(page.inputs),
        "project": project.settings.name,
        "poses": _POSES[page.poses],
        "decision_rule": {
            "rule": "JCGM 106:2012 guard band on both sides of each limit",
            "guard_factor": project.settings.decision.guard_factor,
        },
        "nominal_gauge_mm": project.settings.rail.gauge_mm,
        "unmeasured_seat_sigma_mm": project.settings.rail.unmeasured_seat_sigma_mm,
        "limits": table_to_records(limit_table(project, forecast, chosen)),
        "places_out": table_to_records(place_table(project, forecast, chosen, OUT)),
        "places_undecided": table_to_records(place_table(project, forecast, chosen, UNDECIDED)),
        "places_not_measured": table_to_records(place_table(project, forecast, chosen, NOT_MEASURED)),
        "seats": table_to_records(seats),
        "notes": [_seat_line(page), *_slab_lines(page), *_chord_lines(page), *_band_line(page), _FOLLOWS],
        "cautions": list(CAUTIONS),
    }


def _kilometres(chainage: npt.NDArray[np.float64]) -> list[str]:
    """Return chainages to 0.1 m: enough to walk there."""
    return ["" if np.isnan(c) else format_chainage(round(c, 1))[:-2] for c in chainage.tolist()]


def _limit_words(table: Columns) -> list[str]:
    return [
        "none" if np.isnan(low) else f"\u00b1{high:g}" if low == -high else f"{low:g} to {high:g}"
        for low, high in zip(np.round(table["low_mm"], 3).tolist(), np.round(table["high_mm"], 3).tolist(), strict=True)
    ]


def _places(slabs: Any, seats: Any, rails: Any) -> list[str]:
    return [
        f"{slab} {seat} {_SIDES[rail]}".rstrip() if slab else ""
        for slab, seat, rail in zip(slabs.tolist(), seats.tolist(), rails.tolist(), strict=True)
    ]


def show_rail(page: RailPage, *, everything: bool) -> None:
    """Print the answer for people: a row for each limit, then the places that are out."""
    settings, rules = page.project.settings, page.project.settings.rail
    title = f"{settings.name}: the rail before its fasteners are adjusted, {_POSES[page.poses]}"
    if not page.forecast.limits:
        sys.stdout.write(f"{title}\nThe project gives no limits of the rail: [[rail.limit]] in project.toml.\n")
        return
    _show_limits(page, title, [
        f"At: slab, number of the seat from its rear, rail L or R. Rail less design, + right, + up; gauge + wider than "
        f"{rules.gauge_mm:g} mm; cant + left rail higher. Level and line count each rail.",
        f"A value counts as inside or outside only if it is so by {settings.decision.guard_factor:g} times its "
        "standard uncertainty u.",
        _seat_line(page), *_slab_lines(page),
        "No room: the rail ends before the chord, or the reach of the range, does.",
    ])  # fmt: skip
    _show_places(page, "Places that are out", OUT, everything=everything)
    if everything:
        _show_places(page, "Places that are undecided", UNDECIDED, everything=True)
        _show_places(page, "Places that are not measured", NOT_MEASURED, everything=True)
    seen = (*_chord_lines(page), *_band_line(page), _FOLLOWS)
    show_list("What these limits see, and what not", [(".", line) for line in seen], None)
    show_list("Where the limits come from", [(".", line) for line in _source_lines(page)], None)
    show_list("Mind", [(".", caution) for caution in CAUTIONS], None)


def _source_lines(page: RailPage) -> list[str]:
    by_source: dict[str, list[str]] = {}
    for told in page.forecast.limits:
        by_source.setdefault(told.limit.source, []).append(told.limit.words)
    return [f"{source}: {'; '.join(words)}." for source, words in by_source.items()]


def _show_limits(page: RailPage, title: str, notes: list[str]) -> None:
    table = limit_table(page.project, page.forecast, page.chosen)
    columns = [
        TableColumn("limit"), TableColumn("\u00b1", "mm"), TableColumn("worst", "mm", 2, sign=True),
        TableColumn("\u00b1 u", "mm", 2), TableColumn("at"), TableColumn("chainage", "km"),
    ]  # fmt: skip
    values: list[Any] = [
        table["limit"], [text.removeprefix("\u00b1") for text in _limit_words(table)], table["worst_mm"],
        table["worst_sigma_mm"], _places(table["slab"], table["seat"], table["rail"]), _kilometres(table["chainage_m"]),
    ]  # fmt: skip
    for key, name, unit in (
        ("within", "within", ""), ("out", "out", ""), ("undecided", "un-", "decided"),
        ("not_measured", "not", "measured"), ("no_limit", "no", "limit"), ("no_room", "no", "room"),
    ):  # fmt: skip
        if table[key].any() or key in ("within", "out", "undecided"):
            columns.append(TableColumn(name, unit))
            values.append(table[key])
    print_table(columns, values, title, notes)


def _show_places(page: RailPage, title: str, verdict: int, *, everything: bool) -> None:
    table = place_table(page.project, page.forecast, page.chosen, verdict)
    size = len(table["limit"])
    if not size:
        return
    most = size if everything else min(size, _MOST_PLACES)
    if most < size:
        # the worst ones, in the order of the line
        low, high = table["low_mm"], table["high_mm"]
        beyond = np.maximum(low - table["worst_mm"], table["worst_mm"] - high) / (high - low)
        kept = np.sort(np.argsort(-np.nan_to_num(beyond), kind="stable")[:most])
        table = {name: values[kept] for name, values in table.items()}
    sys.stdout.write("\n")
    first = _places(table["from_slab"], table["from_seat"], np.full(most, ""))
    last = _places(table["to_slab"], table["to_seat"], np.full(most, ""))
    columns = [
        TableColumn("from"), TableColumn("to"), TableColumn("chainage", "km"), TableColumn("rail"),
        TableColumn("limit"), TableColumn("\u00b1", "mm"), TableColumn("worst", "mm", 2, sign=True),
        TableColumn("\u00b1 u", "mm", 2), TableColumn("at"),
    ]  # fmt: skip
    values: list[Any] = [
        first, ["" if a == b else b for a, b in zip(first, last, strict=True)],
        _kilometres(table["from_chainage_m"]), [_SIDES[rail] for rail in table["rail"].tolist()], table["limit"],
        [text.removeprefix("\u00b1") for text in _limit_words(table)], table["worst_mm"], table["worst_sigma_mm"],
        _places(table["worst_slab"], table["worst_seat"], np.full(most, "")),
    ]  # fmt: skip
    more = f" The {most} that are furthest out of {size}; --all shows all." if most < size else ""
    notes = [f"Slab and number of the seat; a stretch of seats in a row that are {RAIL_VERDICTS[verdict]}.{more}"]
    print_table(columns, values, title, notes)
