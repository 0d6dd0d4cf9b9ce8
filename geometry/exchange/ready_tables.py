"""Readiness as tables: slabs, runs of ready slabs, stretches with the same reasons, reasons with next steps."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.placement import VERDICTS, SectionCheck
from geometry.placement.readiness import INJECTED, NOT_READY, READY, STATES, ready_runs
from geometry.placement.ready_reasons import NEXT_STEPS, REASON_WORDS
from geometry.survey.points import Ints

from .bowing_tables import bowing_table
from .project import Project
from .ready_section import ReadySection
from .results import Columns

__all__ = [
    "all_ready",
    "common_reasons",
    "reason_table",
    "reason_texts",
    "run_table",
    "slab_ready_table",
    "state_counts",
    "stretch_table",
]

Bools = npt.NDArray[np.bool_]
_FEW = 10  # slabs that are told one by one, whatever they have in common


def reason_texts(reasons: Ints) -> npt.NDArray[np.object_]:
    """Return reasons, (n,), in words, "" for none.

    Examples
    --------
    >>> reason_texts(np.array([0, 1 << 8 | 1 << 17])).tolist()
    ['', 'pose out, mortar gap not surveyed']
    """
    values, which = np.unique(reasons, return_inverse=True)
    texts = [", ".join(text for reason, text in REASON_WORDS.items() if value & reason) for value in values.tolist()]
    return np.array(texts, dtype=object)[which]


def slab_ready_table(project: Project, check: SectionCheck, section: ReadySection) -> Columns:
    """Return one row per slab: state, reasons, warnings, age, mortar gap, curl and twist."""
    ready, n = section.readiness, len(project.layout.names)
    table: Columns = {
        "slab": project.layout.names,
        "type": np.array([t.name for t in project.types])[project.layout.type_index],
        "chainage_m": project.chainage,
        "state": np.array(STATES)[ready.state],
        "reasons": reason_texts(ready.reasons),
        "warnings": reason_texts(ready.warnings),
        "waived": reason_texts(ready.waived),
        "pose_verdict": np.array(VERDICTS)[check.verdict],
        "measured_at": section.measured_at.astype("datetime64[s]"),
        "age_h": ready.age,
    }
    unknown = np.full(n, np.nan)
    gaps = None if section.mortar is None else section.mortar.gaps
    for name in ("smallest", "largest"):
        table[f"{name}_gap_mm"] = unknown if gaps is None else getattr(gaps, name) * 1e3
        table[f"{name}_gap_sigma_mm"] = unknown if gaps is None else getattr(gaps, f"{name}_sigma") * 1e3
    return table | bowing_table(section.bowing)


def _ends(project: Project, first: Ints, last: Ints) -> Columns:
    """Return columns of runs of slabs by their first and last ones, (r,)."""
    length = np.array([t.length for t in project.types])[project.layout.type_index]
    distance = project.layout.distance
    start, end = distance[first] - length[first] / 2, distance[last] + length[last] / 2
    # a slab may stand over the end of the line by a joint gap
    start, end = (np.clip(place, 0.0, project.alignment.length) for place in (start, end))
    return {
        "from_slab": project.layout.names[first],
        "to_slab": project.layout.names[last],
        "from_chainage_m": project.count.to_chainage(start),
        "to_chainage_m": project.count.to_chainage(end),
        "slabs": last - first + 1,
        "length_m": end - start,
    }


def run_table(project: Project, section: ReadySection, chosen: Bools) -> Columns:
    """Return one row per unbroken run of chosen slabs that are ready: from, to, and the mortar that they take."""
    first, last = ready_runs(section.readiness.ready & chosen)
    table = _ends(project, first, last)
    volume = np.full(len(first), np.nan)
    if section.mortar is not None:
        summed = np.concatenate([[0.0], np.cumsum(np.nan_to_num(section.mortar.gaps.volume))])
        known = np.concatenate([[0], np.cumsum(np.isfinite(section.mortar.gaps.volume))])
        whole = known[last + 1] - known[first] == last - first + 1
        volume = np.where(whole, summed[last + 1] - summed[first], np.nan)
    return table | {"mortar_m3": volume}


def common_reasons(section: ReadySection, chosen: Bools) -> int:
    """Return the reasons that all chosen slabs that are not ready have in common, as bits; 0 where they are few."""
    reasons = section.readiness.reasons[chosen & (section.readiness.state == NOT_READY)]
    return int(np.bitwise_and.reduce(reasons)) if len(reasons) > _FEW else 0


def stretch_table(project: Project, section: ReadySection, shown: Bools, without: int = 0) -> Columns:
    """Return one row per stretch of neighbouring slabs with the same state, reasons and warnings.

    Parameters
    ----------
    project : Project
    section : ReadySection
    shown : ndarray of bool, shape (n,)
        Slabs to be told.
    without : int
        Bits of reasons that are told elsewhere.
    """
    ready = section.readiness
    reasons = ready.reasons & ~without
    rows = np.flatnonzero(shown)
    told = np.stack([ready.state.astype(np.intp), reasons, ready.warnings], axis=1)[rows]
    new = np.ones(len(rows), dtype=bool)
    new[1:] = (np.diff(rows) > 1) | (np.diff(told, axis=0) != 0).any(axis=1)
    at = np.flatnonzero(new)
    first, last = rows[at], rows[np.append(at[1:], len(rows))[: len(at)] - 1]
    return _ends(project, first, last) | {
        "state": np.array(STATES)[ready.state[first]],
        "reasons": reason_texts(reasons[first]),
        "warnings": reason_texts(ready.warnings[first]),
    }


def reason_table(section: ReadySection, chosen: Bools) -> list[dict[str, Any]]:
    """Return every reason and warning that chosen slabs have, with their mask, how many they are, and the next step."""
    ready, found = section.readiness, []
    open_slabs = chosen & (ready.state != INJECTED)
    for kind, bits in (("reason", ready.reasons), ("warning", ready.warnings), ("waived", ready.waived)):
        for reason, words in REASON_WORDS.items():
            where = open_slabs & ((bits & int(reason)) > 0)
            if where.any():
                found.append({"kind": kind, "reason": words, "where": where, "slabs": int(where.sum()),
                              "next_step": NEXT_STEPS[reason]})  # fmt: skip
    return found


def state_counts(section: ReadySection, chosen: Bools) -> dict[str, int]:
    """Return how many of the chosen slabs have each state."""
    state = section.readiness.state[chosen]
    return {STATES[code]: int((state == code).sum()) for code in (READY, NOT_READY, INJECTED)}


def all_ready(section: ReadySection, chosen: Bools) -> bool:
    """Return whether every chosen slab is ready or injected; no slab is no section."""
    state = section.readiness.state[chosen]
    return bool(len(state) and ((state == READY) | (state == INJECTED)).all())
