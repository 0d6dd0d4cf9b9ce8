"""The mortar of a section as tables: slabs, bed points, anchors, batches; units in the names."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from geometry.alignment import project as project_on
from geometry.placement import NOT_MEASURED, OUT, UNDECIDED, VERDICTS, WITHIN
from geometry.placement.mortar import BEDS, Batches, MortarReport

from .bed_files import AnchorSurvey, BedSurvey
from .mortar_settings import MortarSettings
from .project import Project
from .results import Columns

__all__ = ["DECIMALS", "all_good", "batch_table", "bed_table", "mortar_reasons", "mortar_table", "ring_table"]

Bools = npt.NDArray[np.bool_]
CORNERS: Final = ("RL", "RR", "FL", "FR")
DECIMALS: Final = {
    "volume_l": 1, "volume_sigma_l": 1, "design_volume_l": 1, "to_mix_l": 1, "to_mix_sigma_l": 1, "covered_percent": 1,
    "smallest_across_m": 2, "smallest_along_m": 2, "largest_across_m": 2, "largest_along_m": 2,
    "across_m": 2, "along_m": 2, "offset_m": 3, "level_m": 5,
}  # fmt: skip


def mortar_reasons(report: MortarReport) -> npt.NDArray[np.object_]:
    """Return in words why each slab is not within, "" where it is, shape (n,)."""
    gaps, rings = report.gaps, report.anchors
    n = len(report.verdict)
    # an anchor that is there and still not judged: the slab beside it is not
    unseen = ((rings.verdict == NOT_MEASURED) & (rings.anchor >= 0)).any(axis=1)
    off, known = report.bed_map, ~report.doubted | (report.pose == "target")
    too = {sign: np.zeros(n, dtype=bool) for sign in (1, -1)}
    for sign, slabs in too.items():
        slabs[off.slab[(off.verdict == OUT) & (sign * off.deviation > 0)]] = True
    hits: list[tuple[str, Bools]] = [
        ("mortar gap too small", report.smallest_verdict == OUT),
        ("bed above the underside", np.nan_to_num(gaps.smallest, nan=1.0) < 0),
        ("mortar gap too large", report.largest_verdict == OUT),
        ("the slab's survey contradicts itself", report.doubted),
        ("mortar gap may be too small", (report.smallest_verdict == UNDECIDED) & known),
        ("mortar gap may be too large", (report.largest_verdict == UNDECIDED) & known),
        ("slab not measured", unseen if report.pose != "built" else unseen | np.isnan(gaps.covered)),
        ("no pose given", np.isnan(gaps.covered) & (report.pose == "given")),
        ("bed not surveyed", ~gaps.measured & (gaps.covered == 0)),
        ("bed surveyed in part", ~gaps.measured & (gaps.covered > 0)),
        ("bed too high", too[1]),
        ("bed too low", too[-1]),
        ("bed may be too high or low", report.bed_verdict == UNDECIDED),
        ("no bed point near", report.bed_verdict == NOT_MEASURED),
    ]
    for end, name in enumerate(("rear", "front")):
        verdict = rings.verdict[:, end]
        hits += [
            (f"{name} anchor too close", (verdict == OUT) & ~report.doubted),
            (f"{name} anchor may be too close", (verdict == UNDECIDED) & ~report.doubted),
            (f"{name} anchor not surveyed", (verdict == NOT_MEASURED) & (rings.anchor[:, end] < 0)),
        ]
    words = np.array([text for text, _ in hits])
    sets, of_slab = np.unique(np.stack([hit for _, hit in hits], axis=1), axis=0, return_inverse=True)
    texts = ["; ".join(words[which]) for which in sets]
    return np.array(texts, dtype=object)[of_slab.ravel()]


def mortar_table(project: Project, report: MortarReport, batches: Batches) -> Columns:
    """Return one row per slab: verdicts, gaps with their places and uncertainty, volume, anchors.

    ``bed`` is one of `BEDS`. Gaps are those down to the surveyed bed; ``design_*`` are those of the same slabs down to
    the bed by design, which prove nothing. ``wedge_mm`` is the largest gap of the four corners less the smallest.
    """
    layout, gaps, rings = project.layout, report.gaps, report.anchors
    table: Columns = {
        "slab": layout.names,
        "type": np.array([t.name for t in project.types])[layout.type_index],
        "chainage_m": project.chainage,
        "pose": np.full(len(layout.names), report.pose),
        "verdict": _texts(report.verdict),
        "why": mortar_reasons(report),
        "bed": np.array(BEDS)[report.bed_used],
        "gap_verdict": _texts(report.gap_verdict),
        "bed_verdict": _texts(report.bed_verdict),
        "anchor_verdict": _texts(report.anchor_verdict),
    }
    for i, corner in enumerate(CORNERS):
        table[f"gap_{corner}_mm"] = gaps.corner[:, i] * 1e3
        table[f"gap_{corner}_sigma_mm"] = gaps.corner_sigma[:, i] * 1e3
    for name in ("smallest", "largest"):
        place = getattr(gaps, f"{name}_place")
        table[f"{name}_mm"] = getattr(gaps, name) * 1e3
        table[f"{name}_sigma_mm"] = getattr(gaps, f"{name}_sigma") * 1e3
        table[f"{name}_across_m"], table[f"{name}_along_m"] = place[:, 0], place[:, 1]
        table[f"{name}_verdict"] = _texts(getattr(report, f"{name}_verdict"))
    table |= {
        "wedge_mm": np.ptp(gaps.corner, axis=1) * 1e3,
        "mean_mm": gaps.mean * 1e3,
        "covered_percent": gaps.covered * 100,
        "under_area_m2": gaps.under_area,
        "over_area_m2": gaps.over_area,
        "volume_l": gaps.volume * 1e3,
        "volume_sigma_l": gaps.volume_sigma * 1e3,
        "batch": np.where(batches.batch >= 0, batches.batch + 1, np.nan),
    }
    by_design = report.designed
    for i, corner in enumerate(CORNERS):
        table[f"design_gap_{corner}_mm"] = by_design.corner[:, i] * 1e3
    table |= {
        "design_smallest_mm": by_design.smallest * 1e3,
        "design_largest_mm": by_design.largest * 1e3,
        "design_wedge_mm": np.ptp(by_design.corner, axis=1) * 1e3,
        "design_volume_l": by_design.volume * 1e3,
    }
    for end, name in enumerate(("rear", "front")):
        for side in ("left", "right", "along", "ring"):
            table[f"anchor_{name}_{side}_mm"] = getattr(rings, side)[:, end] * 1e3
        table[f"anchor_{name}_ring_sigma_mm"] = rings.ring_sigma[:, end] * 1e3
        table[f"anchor_{name}_verdict"] = _texts(rings.verdict[:, end])
    return table


def _texts(verdict: npt.NDArray[np.int8]) -> npt.NDArray[np.str_]:
    return np.array(VERDICTS)[verdict]


def bed_table(project: Project, survey: BedSurvey, report: MortarReport) -> Columns:
    """Return one row per bed point: where it lies beside the line and under its slab, and how far off its design."""
    off = report.bed_map
    feet = project_on(project.alignment, survey.xyz)
    names = np.append(project.layout.names, "")[off.slab]
    return {
        "point": survey.names,
        "source": survey.source,
        "easting_m": survey.xyz[:, 0],
        "northing_m": survey.xyz[:, 1],
        "level_m": survey.xyz[:, 2],
        "chainage_m": project.count.to_chainage(feet.distance),
        "offset_m": feet.offset,
        "slab": names,
        "across_m": off.place[:, 0],
        "along_m": off.place[:, 1],
        "deviation_mm": off.deviation * 1e3,
        "sigma_mm": off.sigma * 1e3,
        "verdict": _texts(off.verdict),
        "time": survey.time,
    }


def ring_table(project: Project, anchors: AnchorSurvey, report: MortarReport) -> Columns:
    """Return one row per notch: its slab, its anchor, and the clearance between them."""
    rings = report.anchors
    names = np.array([*anchors.anchors.names, ""])
    table: Columns = {
        "slab": np.repeat(project.layout.names, 2),
        "end": np.tile(["rear", "front"], len(project.layout.names)),
        "anchor": names[rings.anchor.ravel()],
        "verdict": _texts(rings.verdict.ravel()),
    }
    for name in ("left", "right", "along", "ring", "across_sigma", "along_sigma", "ring_sigma"):
        table[f"{name}_mm"] = getattr(rings, name).ravel() * 1e3
    return table


def batch_table(project: Project, settings: MortarSettings, batches: Batches) -> Columns:
    """Return one row per batch: its slabs, what to mix with losses, how full the mixer is."""
    capacity = np.nan if settings.mixer_capacity_l is None else settings.mixer_capacity_l
    names, chainage = project.layout.names, project.chainage
    mixed = batches.volume * 1e3
    return {
        "day": batches.day + 1,
        "batch": np.arange(1, len(batches.first) + 1),
        "from_slab": names[batches.first],
        "to_slab": names[batches.last],
        "from_chainage_m": chainage[batches.first],
        "to_chainage_m": chainage[batches.last],
        "slabs": batches.slabs,
        "to_mix_l": mixed,
        "to_mix_sigma_l": batches.volume_sigma * 1e3,
        "fills": batches.fills,
        "full_percent": 100 * mixed / (batches.fills * capacity),
    }


def all_good(report: MortarReport, chosen: Bools) -> bool:
    """Return whether every chosen slab, (n,), is within; nothing unmeasured is, and no slab is no section."""
    return bool(chosen.any() and (report.verdict[chosen] == WITHIN).all())
