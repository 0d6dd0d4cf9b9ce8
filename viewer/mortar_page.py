"""How the mortar of a section is told: the terminal page and the JSON document."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.alignment import format_chainage
from geometry.exchange.bed_files import AnchorSurvey, BedSurvey
from geometry.exchange.mortar_settings import MortarSettings
from geometry.exchange.mortar_tables import batch_table, bed_table, ring_table
from geometry.exchange.project import Project
from geometry.exchange.results import CAUTIONS, Columns, made_from
from geometry.exchange.writing import table_to_records
from geometry.placement import VERDICTS, SectionCheck
from geometry.placement.mortar import BEDS, Batches, MortarReport
from viewer.check_page import show_list
from viewer.numbers import with_minus
from viewer.terminal import TableColumn, print_table

__all__ = ["MORTAR_CAUTIONS", "MortarSection", "mortar_document", "show_mortar"]

Bools = npt.NDArray[np.bool_]
_MARKS = {"within": "  within", "out": "# out", "undecided": "? undecided", "not measured": "- not measured",
          "no limit": "  no limit"}  # fmt: skip
_STYLES = {"  within": "green", "# out": "bold red", "? undecided": "yellow", "- not measured": "magenta"}
_POSES = {"built": "as built", "target": "as designed", "given": "as planned"}
_DESIGNS = {
    True: "parallel to the design track, {nominal:g} mm under a slab that follows it",
    False: "level across, {nominal:g} mm under the lower edge of a slab that follows the track",
}
_MOST = 40

MORTAR_CAUTIONS = (
    CAUTIONS[0],
    "The bed between its points is estimated from the points around: look along a straightedge where it decides.",
    "Volumes hold for a gap that is filled to the slab's edges: bags, formwork and what runs off are not in them.",
    "A slab that is moved has another gap: measure it again, and ask again, before the mortar is mixed.",
)


@dataclass(frozen=True, eq=False)
class MortarSection:
    """The mortar of a project and what it was made from; `chosen`, (n,), are the slabs that were asked for."""

    project: Project
    settings: MortarSettings
    check: SectionCheck
    bed: BedSurvey
    anchors: AnchorSurvey
    report: MortarReport
    batches: Batches
    chosen: Bools


def _counts(section: MortarSection) -> dict[str, dict[str, int]]:
    report = section.report
    parts = {"slabs": report.verdict, "gap": report.gap_verdict, "bed": report.bed_verdict,
             "anchors": report.anchor_verdict}  # fmt: skip
    return {
        part: {text: int((verdict[section.chosen] == code).sum()) for code, text in enumerate(VERDICTS)}
        for part, verdict in parts.items()
    }


def _beds(section: MortarSection) -> dict[str, int]:
    """Return how many of the chosen slabs have which bed under them."""
    used = np.bincount(section.report.bed_used[section.chosen], minlength=len(BEDS))
    return dict(zip(BEDS, used.tolist(), strict=True))


def _near(section: MortarSection) -> Bools:
    """Return which bed points lie under or beside the chosen slabs, shape (p,)."""
    return np.append(section.chosen, False)[section.report.bed_map.slab]


def mortar_document(section: MortarSection, inputs: Mapping[str, str], slabs: Columns) -> dict[str, Any]:
    """Return the whole answer as a document of plain values."""
    settings, project = section.settings, section.project
    anchor = settings.anchor
    near, notches = _near(section), np.repeat(section.chosen, 2)
    bed = bed_table(project, section.bed, section.report)
    not_good = near & (section.report.bed_map.verdict > 0) & (section.report.bed_map.verdict < 3)
    counts, volumes = section.batches.of_days()
    return {
        "made_from": made_from(inputs),
        "project": project.settings.name,
        "pose": section.report.pose,
        "bed": {"follows_cant": project.settings.bed.follows_cant, **_beds(section)},
        "decision_rule": {
            "rule": "JCGM 106:2012 guard band on both sides of each limit",
            "guard_factor": project.settings.decision.guard_factor,
        },
        "limits": {
            "gap_nominal_mm": project.settings.bed.mortar_nominal_mm,
            "gap_low_mm": settings.gap.range_mm[0],
            "gap_high_mm": settings.gap.range_mm[1],
            "gap_source": settings.gap.source,
            "bed_low_mm": settings.bed.range_mm[0] if settings.bed else None,
            "bed_high_mm": settings.bed.range_mm[1] if settings.bed else None,
            "bed_source": settings.bed.source if settings.bed else None,
            "anchor_across_mm": anchor.across_mm if anchor else None,
            "anchor_along_mm": anchor.along_mm if anchor else None,
            "anchor_ring_mm": anchor.ring_mm if anchor else None,
            "anchor_source": anchor.source if anchor else None,
        },
        "loss_percent": settings.loss_percent,
        "mixer_capacity_l": settings.mixer_capacity_l,
        "slabs_per_day": settings.slabs_per_day,
        "summary": _counts(section),
        "slabs": table_to_records(slabs),
        "anchors": table_to_records(_rows(ring_table(project, section.anchors, section.report), notches)),
        "bed_points": {
            "count": int(near.sum()),
            "not_within": table_to_records(_rows(bed, not_good)),
        },
        "batches": table_to_records(batch_table(project, settings, section.batches)),
        "days": [
            {"day": day, "slabs": int(count), "to_mix_l": round(float(volume) * 1e3, 1)}
            for day, (count, volume) in enumerate(zip(counts, volumes, strict=True), start=1)
        ],
        "cautions": list(MORTAR_CAUTIONS),
    }


def _rows(table: Columns, which: Bools) -> Columns:
    return {name: values[which] for name, values in table.items()}


def _chainages(values: npt.NDArray[np.float64]) -> list[str]:
    return [format_chainage(round(c, 1))[:-2] for c in values.tolist()]


def _marked(texts: npt.NDArray[Any]) -> list[str]:
    return [_MARKS[text] for text in texts.tolist()]


def _verdict(name: str = "verdict") -> TableColumn:
    return TableColumn(name, styles=_STYLES)


def show_mortar(section: MortarSection, slabs: Columns, *, everything: bool) -> None:
    """Print the answer for people: summary, slabs that need attention, bed, anchors, what to mix."""
    counts = _counts(section)
    shown = [text for text in VERDICTS if text != "no limit" or any(of[text] for of in counts.values())]
    print_table(
        [_verdict(), *(TableColumn(part) for part in counts)],
        [[_MARKS[text] for text in shown], *([of[text] for text in shown] for of in counts.values())],
        f"{section.project.settings.name}: mortar, slabs {_POSES[section.report.pose]}",
        [*_limits(section), _bed_words(section)],
    )  # fmt: skip
    most = None if everything else _MOST
    _show_slabs(slabs, everything=everything)
    _show_corners(slabs, everything=everything)
    _show_designed(section, slabs, most)
    _show_bed(section, most)
    _show_anchors(section, everything=everything)
    _show_days(section)
    _show_batches(section, everything=everything)
    show_list("Mind", [(".", caution) for caution in MORTAR_CAUTIONS], None)


def _limits(section: MortarSection) -> list[str]:
    settings, guard = section.settings, section.project.settings.decision.guard_factor
    parts = [f"gap {settings.gap.range_mm[0]:g} to {settings.gap.range_mm[1]:g} mm"]
    if settings.bed:
        low, high = settings.bed.range_mm
        parts.append(with_minus(f"bed {low:+g} to {high:+g} mm off its design"))
    if settings.anchor:
        least = [f"{name} {value:g}" for name, value in (("across", settings.anchor.across_mm), ("along", settings.
                 anchor.along_mm), ("all around", settings.anchor.ring_mm)) if value is not None]  # fmt: skip
        parts.append(f"anchor to notch at least {', '.join(least)} mm")
    return [f"Limits: {'; '.join(parts)}. A value counts as inside or outside only if it is so by {guard:g} times its "
            "standard uncertainty."]  # fmt: skip


def _bed_words(section: MortarSection) -> str:
    """Return which bed the gaps are of, and what the bed is by design."""
    counts, bed = _beds(section), section.project.settings.bed
    words = {"measured": "measured under", "measured in part": "in part under", "designed": "by design under"}
    told = ", ".join(f"{text} {counts[name]}" for name, text in words.items() if counts[name])
    slabs = f"Bed: {told} slab{'s' * (sum(counts.values()) != 1)}. " if told else ""
    design = _DESIGNS[bed.follows_cant].format(nominal=bed.mortar_nominal_mm)
    return f"{slabs}By design it is {design}; where nobody surveyed it nothing is within."


def _picked(slabs: Columns, everything: bool) -> Columns:
    """Return the slabs to show; where the bed is known by design only, they have a table of their own."""
    shown = _rows(slabs, slabs["bed"] != "designed")
    return shown if everything else _rows(shown, shown["verdict"] != "within")


def _show_slabs(slabs: Columns, *, everything: bool) -> None:
    shown = _picked(slabs, everything)
    if not len(shown["slab"]):
        return
    left = 0 if everything else max(len(shown["slab"]) - _MOST, 0)
    shown = {name: cells[: len(cells) - left] for name, cells in shown.items()}
    sys.stdout.write("\n")
    columns = [TableColumn("slab"), TableColumn("chainage", "km"), _verdict()]
    values: list[Any] = [shown["slab"], _chainages(shown["chainage_m"]), _marked(shown["verdict"])]
    for name in ("smallest", "largest"):
        columns += [TableColumn(f"{name} gap", "mm", 1), TableColumn("\u00b1 u", "mm", 1),
                    TableColumn("across", "m", 1, sign=True), TableColumn("along", "m", 1, sign=True)]  # fmt: skip
        values += [shown[f"{name}_mm"], shown[f"{name}_sigma_mm"], shown[f"{name}_across_m"], shown[f"{name}_along_m"]]
    columns.append(TableColumn("why"))
    values.append(shown["why"])
    print_table(columns, values, "All slabs" if everything else "Slabs that need attention", [
        "Gap from underside to bed, square to the slab; behind it where it is, from the slab's centre, + right and + "
        "forward. u: standard uncertainty, with what the bed may do between its points.",
        *_more(left),
    ])  # fmt: skip


def _more(left: int) -> list[str]:
    return [f"{left} more; --all shows them, --csv and --json have all."] if left else []


def _show_corners(slabs: Columns, *, everything: bool) -> None:
    shown = _picked(slabs, everything)
    if not everything:
        shown = {name: cells[:_MOST] for name, cells in shown.items()}
    shown = _rows(shown, np.isfinite(shown["smallest_mm"]))
    if not len(shown["slab"]):
        return
    sys.stdout.write("\n")
    columns, values = [TableColumn("slab"), TableColumn("bed")], [shown["slab"], shown["bed"]]
    for corner, words in (("RL", "rear left"), ("RR", "rear right"), ("FL", "front left"), ("FR", "front right")):
        columns.append(TableColumn(words, "mm", 1))
        values.append(shown[f"gap_{corner}_mm"])
    for name, words, unit, decimals in (
        ("wedge_mm", "wedge", "mm", 1), ("mean_mm", "mean", "mm", 1), ("under_area_m2", "too small on", "m\u00b2", 2),
        ("over_area_m2", "too large on", "m\u00b2", 2), ("covered_percent", "bed known under", "%", 0),
        ("volume_l", "volume", "l", 0), ("volume_sigma_l", "\u00b1 u", "l", 0),
    ):  # fmt: skip
        columns.append(TableColumn(words, unit, decimals))
        values.append(shown[name])
    print_table(columns, values, "Their gaps at the corners, and their volumes without losses")


def _show_designed(section: MortarSection, slabs: Columns, most: int | None) -> None:
    """Print the gaps down to the designed bed, where no more is known of it."""
    shown = _rows(slabs, np.isin(slabs["bed"], BEDS[1:3]))
    count = len(shown["slab"])
    if not count:
        return
    # the widest wedges first to be kept, and then in order of place
    kept = np.sort(np.argsort(-shown["design_wedge_mm"], kind="stable")[:most])
    shown = _rows(shown, np.isin(np.arange(count), kept))
    sys.stdout.write("\n")
    columns = [TableColumn("slab"), TableColumn("chainage", "km"), _verdict("gap"), TableColumn("bed")]
    values: list[Any] = [shown["slab"], _chainages(shown["chainage_m"]), _marked(shown["gap_verdict"]), shown["bed"]]
    for name, words in (("gap_RL", "rear left"), ("gap_RR", "rear right"), ("gap_FL", "front left"),
                        ("gap_FR", "front right"), ("smallest", "smallest"), ("largest", "largest"),
                        ("wedge", "wedge")):  # fmt: skip
        columns.append(TableColumn(words, "mm", 1))
        values.append(shown[f"design_{name}_mm"])
    columns.append(TableColumn("volume", "l", 0))
    values.append(shown["design_volume_l"])
    left = count - len(kept)
    notes = ["Wedge: largest gap of the corners less the smallest. Volume without losses, and in no batch."]
    beyond = int((section.chosen & np.isin(section.report.bed_used, (1, 2)) & _beyond_by_design(section)).sum())
    if beyond:
        low, high = section.settings.gap.range_mm
        notes.append(f"{beyond} of these {count} would leave {low:g} to {high:g} mm though the bed were as designed.")
    notes += [f"{left} more with a smaller wedge; --all shows them, --csv and --json have all."] if left else []
    print_table(
        columns, values, f"By the designed bed, slabs {_POSES[section.report.pose]}: gaps to be expected, nothing "
        "measured", notes,
    )  # fmt: skip


def _beyond_by_design(section: MortarSection) -> Bools:
    """Return which slabs would have a gap that is not allowed over a bed as designed, shape (n,)."""
    designed, limits = section.report.designed, section.report.limits
    return ~((designed.smallest >= limits.gap_low) & (designed.largest <= limits.gap_high))


def _show_bed(section: MortarSection, most: int | None) -> None:
    off = section.report.bed_map
    rows = np.flatnonzero(_near(section) & ((off.verdict == 1) | (off.verdict == 2)))
    if not rows.size:
        return
    sys.stdout.write("\n")
    order = rows[np.argsort(-np.abs(off.deviation[rows]), kind="stable")]
    kept = np.sort(order[:most])
    shown = _rows(bed_table(section.project, section.bed, section.report), np.isin(np.arange(len(off.slab)), kept))
    left = len(rows) - len(kept)
    notes = [f"{left} more; --all shows them, --bed writes all points."] if left else []
    print_table(
        [TableColumn("slab"), TableColumn("chainage", "km"), _verdict(), TableColumn("bed", "mm", 1, sign=True),
         TableColumn("\u00b1 u", "mm", 1), TableColumn("across", "m", 1, sign=True),
         TableColumn("along", "m", 1, sign=True), TableColumn("point")],
        [shown["slab"], _chainages(shown["chainage_m"]), _marked(shown["verdict"]), shown["deviation_mm"],
         shown["sigma_mm"], shown["across_m"], shown["along_m"],
         [f"{name} {source}".strip() for name, source in zip(shown["point"], shown["source"], strict=True)]],
        "Bed points that are too high (+) or too low, or may be", notes,
    )  # fmt: skip


def _show_anchors(section: MortarSection, *, everything: bool) -> None:
    table = ring_table(section.project, section.anchors, section.report)
    chosen = np.repeat(section.chosen, 2)
    # an anchor beside a slab without a pose is told by the slab
    noted = np.isin(table["verdict"], ["out", "undecided"]) | ((table["verdict"] == "not measured") & (
        section.report.anchors.anchor.ravel() < 0))  # fmt: skip
    shown = _rows(table, chosen & (everything | noted))
    if not len(shown["slab"]):
        return
    sys.stdout.write("\n")
    columns = [TableColumn("slab"), TableColumn("notch"), _verdict()]
    values: list[Any] = [shown["slab"], shown["end"], _marked(shown["verdict"])]
    for name, words in (("left", "left"), ("right", "right"), ("across_sigma", "\u00b1 u"), ("along", "along"),
                        ("along_sigma", "\u00b1 u"), ("ring", "all around"), ("ring_sigma", "\u00b1 u")):  # fmt: skip
        columns.append(TableColumn(words, "mm", 1))
        values.append(shown[f"{name}_mm"])
    columns.append(TableColumn("anchor"))
    values.append(shown["anchor"])
    title = "Clearance of the anchors" if everything else "Anchors that need attention"
    print_table(columns, values, title, [
        "From anchor to notch, slabs as built: left and right at the slab's end face, along to the bottom of the "
        "notch, all around the smallest.",
    ])  # fmt: skip


def _show_days(section: MortarSection) -> None:
    settings, batches = section.settings, section.batches
    counts, volumes = batches.of_days()
    lines = [f"{settings.loss_percent:g} percent of losses are in it."]
    unknown = int((section.chosen & ~section.check.held & (batches.batch < 0)).sum())
    held = int((section.chosen & section.check.held).sum())
    if unknown:
        lines.append(f"{unknown} slab{'s' * (unknown > 1)} without a measured volume not in it.")
    only_designed = section.chosen & ~section.check.held & np.isin(section.report.bed_used, (1, 2))
    if only_designed.any():
        expected = float(section.report.designed.volume[only_designed].sum()) * (1 + settings.loss_percent / 100)
        lines.append(f"Of these {int(only_designed.sum())} would take {expected:.2f} m\u00b3 by the designed bed.")
    if held:
        lines.append(f"{held} slab{'s are' if held > 1 else ' is'} injected already and not in it.")
    if (batches.fills > 1).any():
        lines.append("A slab that takes more than the mixer holds has to be filled from several mixes without a break.")
    sys.stdout.write("\n")
    print_table(
        [TableColumn("day"), TableColumn("slabs"), TableColumn("batches"), TableColumn("to mix", "m\u00b3", 2)],
        [np.arange(1, len(counts) + 1), counts, np.bincount(batches.day, minlength=len(counts)), volumes],
        "Mortar to mix", [" ".join(lines)],
    )  # fmt: skip


def _show_batches(section: MortarSection, *, everything: bool) -> None:
    """Print the batches of the first day: who mixes works through one day."""
    settings, batches = section.settings, section.batches
    if settings.mixer_capacity_l is None or not len(batches.first):
        return
    sys.stdout.write("\n")
    table = batch_table(section.project, settings, batches)
    shown = _rows(table, np.asarray(everything | (table["day"] == 1)))
    left = len(batches.first) - len(shown["day"])
    columns = [TableColumn("day"), TableColumn("batch"), TableColumn("from"), TableColumn("to"),
               TableColumn("from", "km"), TableColumn("slabs"), TableColumn("to mix", "l", 0),
               TableColumn("\u00b1 u", "l", 0), TableColumn("mixer full", "%", 0)]  # fmt: skip
    values: list[Any] = [shown["day"], shown["batch"], shown["from_slab"], shown["to_slab"],
                         _chainages(shown["from_chainage_m"]), shown["slabs"], shown["to_mix_l"],
                         shown["to_mix_sigma_l"], shown["full_percent"]]  # fmt: skip
    if (shown["fills"] > 1).any():
        columns.append(TableColumn("mixes"))
        values.append(shown["fills"])
    print_table(
        columns, values, f"Batches for a mixer of {settings.mixer_capacity_l:g} l",
        [f"{left} more on other days; --all shows them, --batches writes them."] if left else [],
    )  # fmt: skip
