"""Decisions before injection as parts of a report: readiness, mortar, rail."""

from __future__ import annotations

from typing import Final

import numpy as np

from geometry.placement import OUT
from geometry.placement.rail.forecast import RailForecast
from geometry.placement.readiness import NOT_READY

from .bed_files import BED_FOLDER
from .mortar_tables import batch_table, mortar_table
from .rail_tables import limit_table, place_table
from .ready_tables import reason_table, run_table, stretch_table
from .report_blocks import Block, Kind, Listing, Paragraph, ReportTable, Section, Shown, picked, with_u
from .report_evidence import Evidence
from .report_results import CHAINAGE, SLAB, VERDICT, WHY

__all__ = ["batch_section", "mortar_all", "mortar_section", "not_looked_at", "rail_section", "ready_section_of"]

_MOST_PLACES: Final = 120  # rows of the rail on paper: what is worse than that is no list to walk along
_FROM, _TO = Shown("from_slab", "from"), Shown("to_slab", "to")
_FROM_KM = Shown("from_chainage_m", "from", "km", "chainage")
_TO_KM = Shown("to_chainage_m", "to", "km", "chainage")


def not_looked_at(evidence: Evidence) -> tuple[str, ...]:
    """Return what nobody looked at, in words, and what the project waives."""
    lines = []
    settings = evidence.project.settings
    if evidence.mortar is None:
        lacks = "the project has no limits for it" if settings.mortar is None else f"no bed survey in {BED_FOLDER}"
        lines.append(f"Mortar gap, bed and anchors: not judged; {lacks}.")
    if evidence.rail is None:
        lines.append("Rail over the slabs: not judged; the project has no limits for it.")
    lines.append("The correction plan of the section: not part of this report. Whether it moves slabs that are good by "
                 "themselves says slabpose ready.")  # fmt: skip
    lines += [f"{w.what.capitalize()}: waived by the project, because {w.because}." for w in settings.ready.waived]
    return tuple(lines)


def _named(evidence: Evidence, where: np.ndarray) -> str:
    """Return slabs in words, those that follow each other as from and to."""
    rows, names = np.flatnonzero(where), evidence.project.layout.names
    parts = np.split(rows, np.flatnonzero(np.diff(rows) != 1) + 1)
    told = [str(names[p[0]]) if len(p) == 1 else f"{names[p[0]]} to {names[p[-1]]}" for p in parts[:12]]
    more = f" and {len(parts) - 12} more stretches" if len(parts) > 12 else ""
    return ", ".join(told) + more


def ready_section_of(evidence: Evidence) -> Section:
    """Return where slabs are ready for injection, and why the others are not."""
    project, section, chosen = evidence.project, evidence.ready, evidence.slabs
    blocks: list[Block] = []
    runs = run_table(project, section, chosen)
    if len(runs["slabs"]):
        shown = [_FROM, _TO, _FROM_KM, _TO_KM, Shown("slabs", "slabs", "", "number"),
                 Shown("length_m", "length", "m", "number", 1)]  # fmt: skip
        if section.mortar is not None:
            shown.append(Shown("mortar_m3", "mortar", "m\u00b3", "number", 2))
        notes = ("Mortar: volume of the gap, without losses.",) if section.mortar is not None else ()
        blocks.append(ReportTable("ready runs", "Ready without a break", runs, tuple(shown), notes))
    else:
        blocks.append(Paragraph("No slab is ready."))
    waiting = chosen & (section.readiness.state == NOT_READY)
    if waiting.any():
        shown = [
            _FROM, Shown("to", "to"), _FROM_KM, Shown("slabs", "slabs", "", "number"),
            Shown("reasons", "why not ready", kind="words"), Shown("warnings", "besides", kind="words"),
        ]  # fmt: skip
        table = stretch_table(project, section, waiting)
        table["to"] = np.where(table["slabs"] > 1, table["to_slab"], "")
        blocks.append(ReportTable("not ready", "Not ready", table, tuple(shown), (
            "Neighbours with the same reasons stand together. Besides: what is told and holds nothing up by the "
            "project's settings.",
        )))  # fmt: skip
    for kind, title in (("reason", "What to do"), ("warning", "What to look at besides")):
        items = tuple(
            f"{entry['reason'].capitalize()} ({entry['slabs']}): {_named(evidence, entry['where'])}. "
            f"{entry['next_step']}"
            for entry in reason_table(section, chosen)
            if entry["kind"] == kind
        )
        blocks += [Listing(title, items)] if items else []
    return Section("Readiness for injection", tuple(blocks))


def _mortar(evidence: Evidence) -> ReportTable | None:
    mortar = evidence.mortar
    if mortar is None:
        return None
    table = picked(mortar_table(evidence.project, mortar.report, mortar.batches), evidence.slabs)
    shown = [SLAB, CHAINAGE, VERDICT]
    for name, head in (("smallest", "smallest gap"), ("largest", "largest gap")):
        shown += [*with_u(name, head, 1, sign=False),
                  Shown(f"{name}_across_m", "at", "across", "number", 1, sign=True),
                  Shown(f"{name}_along_m", "at", "along", "number", 1, sign=True)]  # fmt: skip
    shown += [
        *(Shown(f"gap_{corner}_mm", "gap at the corners, mm", corner, "number", 1)
          for corner in ("RL", "RR", "FL", "FR")),
        Shown("volume_l", "volume", "l", "number"), Shown("volume_sigma_l", "volume", "u", "number"),
        *(Shown(f"anchor_{end}_ring_mm", "anchor, mm", end, "number", 1) for end in ("rear", "front")),
        Shown("batch", "batch", "", "number"), WHY,
    ]  # fmt: skip
    return ReportTable("mortar", "Mortar gap, volume and anchors of every slab", table, tuple(shown), (
        "Gap from underside to bed, square to the slab; at: where that is, m from the slab's centre, + right and "
        "+ forward. R rear, F front, L left, R right. u: standard uncertainty, with what the bed may do between its "
        "points. Volume of the gap without losses. Anchor: smallest clearance to the notch.",
    ))  # fmt: skip


def mortar_section(evidence: Evidence) -> Section:
    """Return the slabs whose mortar gap, bed or anchors need attention, and what to mix."""
    mortar, whole, settings = evidence.mortar, _mortar(evidence), evidence.project.settings.mortar
    if mortar is None or whole is None or settings is None:
        return Section("Mortar", (Paragraph(not_looked_at(evidence)[0]),))
    noted = np.asarray(whole.columns["verdict"] != "within")
    blocks: list[Block] = []
    if noted.any():
        shown = tuple(s for s in whole.shown if s.name not in ("volume_l", "volume_sigma_l", "batch"))
        blocks.append(ReportTable("", "Slabs whose gap, bed or anchors need attention", picked(whole.columns, noted),
                                  shown, whole.notes))  # fmt: skip
    else:
        blocks.append(Paragraph("Gap, bed and anchors of every slab are within."))
    batches = mortar.batches
    if len(batches.first):
        counts, volumes = batches.of_days()
        days = {
            "day": np.arange(1, len(counts) + 1), "slabs": counts,
            "batches": np.bincount(batches.day, minlength=len(counts)), "to_mix_m3": volumes,
        }  # fmt: skip
        number: Kind = "number"
        unknown = int((evidence.slabs & ~evidence.check.held & (batches.batch < 0)).sum())
        left = f" {unknown} slab{'s' * (unknown > 1)} without a known volume not in it." if unknown else ""
        blocks.append(ReportTable("mortar days", "Mortar to mix", days, (
            Shown("day", "day", "", number), Shown("slabs", "slabs", "", number),
            Shown("batches", "batches", "", number), Shown("to_mix_m3", "to mix", "m\u00b3", number, 2),
        ), (f"With {settings.loss_percent:g} percent of losses; slabs that are injected already are not in it.{left}",
            )))  # fmt: skip
    return Section("Mortar", tuple(blocks), wide=True)


def batch_section(evidence: Evidence) -> tuple[Section, ...]:
    """Return the batches to mix; nothing without a bed survey or a mixer."""
    mortar, settings = evidence.mortar, evidence.project.settings.mortar
    if mortar is None or settings is None or settings.mixer_capacity_l is None or not len(mortar.batches.first):
        return ()
    number: Kind = "number"
    shown = (
        Shown("day", "day", "", number), Shown("batch", "batch", "", number), _FROM, _TO, _FROM_KM, _TO_KM,
        Shown("slabs", "slabs", "", number), Shown("to_mix_l", "to mix", "l", number),
        Shown("to_mix_sigma_l", "to mix", "u", number), Shown("full_percent", "mixer full", "%", number),
    )  # fmt: skip
    table = batch_table(evidence.project, settings, mortar.batches)
    notes = (f"For a mixer of {settings.mixer_capacity_l:g} l, with {settings.loss_percent:g} percent of losses.",)
    return (Section("Batches of mortar", (ReportTable("batches", "Batches in walking order", table, shown, notes),)),)


def mortar_all(evidence: Evidence) -> tuple[Section, ...]:
    """Return the mortar of every slab; nothing without a bed survey."""
    whole = _mortar(evidence)
    return () if whole is None else (Section("Mortar of all slabs", (whole,), wide=True),)


def _seat_names(slabs: np.ndarray, seats: np.ndarray, rails: np.ndarray | None = None) -> np.ndarray:
    """Return slab, number of the seat from its rear, and L or R for the rail; "" where there is no slab."""
    sides = [""] * len(slabs) if rails is None else [rail[:1].upper() for rail in rails.tolist()]
    return np.array([
        f"{slab} {seat} {side}".rstrip() if slab else ""
        for slab, seat, side in zip(slabs.tolist(), seats.tolist(), sides, strict=True)
    ], dtype=object)  # fmt: skip


def _places_out(evidence: Evidence, rail: RailForecast) -> ReportTable | None:
    """Return the stretches of the rail that are out, on paper no more of them than one can walk along."""
    table = place_table(evidence.project, rail, evidence.seats, OUT)
    size = len(table["limit"])
    if not size:
        return None
    beyond = np.maximum(table["low_mm"] - table["worst_mm"], table["worst_mm"] - table["high_mm"])
    places = picked(table, np.sort(np.argsort(-np.nan_to_num(beyond), kind="stable")[:_MOST_PLACES]))
    places["from"] = _seat_names(places["from_slab"], places["from_seat"])
    places["to"] = _seat_names(places["to_slab"], places["to_seat"])
    places["at"] = _seat_names(places["worst_slab"], places["worst_seat"])
    notes = ["Slab and number of the seat from its rear, for the first and the last of a stretch that is out."]
    if size > _MOST_PLACES:
        notes.append(f"The {_MOST_PLACES} that are furthest out, of {size}; slabpose rail lists all.")
    number: Kind = "number"
    return ReportTable("rail out", "Places of the rail that are out", places, (
        Shown("from", "from"), Shown("to", "to"), _FROM_KM, Shown("rail", "rail"), Shown("limit", "limit"),
        Shown("low_mm", "allowed, mm", "from", number, 1, sign=True),
        Shown("high_mm", "allowed, mm", "to", number, 1, sign=True), *with_u("worst", "worst"), Shown("at", "at"),
    ), tuple(notes))  # fmt: skip


def rail_section(evidence: Evidence) -> Section:
    """Return the limits of the rail with the worst places, and the places that are out."""
    project, rail = evidence.project, evidence.rail
    if rail is None:
        words = next(line for line in not_looked_at(evidence) if line.startswith("Rail"))
        return Section("Rail forecast", (Paragraph(words),))
    chosen = evidence.seats
    number: Kind = "number"
    limits = limit_table(project, rail, chosen)
    limits["place"] = _seat_names(limits["slab"], limits["seat"], limits["rail"])
    shown = (
        Shown("limit", "limit"), Shown("low_mm", "allowed, mm", "from", number, 1, sign=True),
        Shown("high_mm", "allowed, mm", "to", number, 1, sign=True), *with_u("worst", "worst"),
        Shown("place", "at"), CHAINAGE,
        *(Shown(name, "places", head, number) for name, head in (
            ("within", "within"), ("out", "out"), ("undecided", "undec."), ("not_measured", "unmeas."),
            ("no_room", "no room"))),
    )  # fmt: skip
    blocks: list[Block] = [ReportTable("rail limits", "The rail before its fasteners are adjusted", limits, shown, (
        f"Rail less design rail, + right, + up; gauge + wider than {project.settings.rail.gauge_mm:g} mm; cant + left "
        "rail higher. At: slab, number of the seat from its rear, rail L or R. Places are rail seats, those of both "
        "rails counted for level and line. No room: the rail ends before the chord, or the reach of the range, does.",
    ))]  # fmt: skip
    blocks += [Listing("What these limits see, and what not", evidence.told.rail)] if evidence.told.rail else []
    places = _places_out(evidence, rail)
    blocks += [places] if places is not None else []
    return Section("Rail forecast", tuple(blocks), wide=True)
