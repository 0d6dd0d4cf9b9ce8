"""The history of slabs as tables: epochs, movements by corner, and moves asked and achieved by screw."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.placement.epochs import MIXED_SETUPS, StagedPoints
from geometry.placement.history import EPOCH_NOTES, History
from geometry.placement.movement import MOVEMENT_WORDS
from geometry.placement.verdict import VERDICTS
from geometry.slabs import Fitting
from geometry.survey.points import Ints

from .project import Project
from .results import Columns

__all__ = ["EPOCH_DECIMALS", "corner_movements", "epoch_names", "epoch_table", "screw_movements", "worst_corner"]

_PLACE = ("across", "along", "up")
_TURN = ("pitch", "roll", "yaw")
_UNIT = dict.fromkeys(_PLACE, "mm") | dict.fromkeys(_TURN, "mrad")
EPOCH_DECIMALS = {f"{name}_{part}_mm": 3 for name in _PLACE for part in ("pose_sigma", "moved_sigma")}
"""Decimals of columns that need more than their unit usually has: sigmas of poses are some hundredths."""


def epoch_names(given: StagedPoints, history: History) -> npt.NDArray[np.object_]:
    """Return stage and round of each epoch for people, shape (e,)."""
    e = history.epochs
    stages = np.array([stage or "no stage" for stage in given.stages], dtype=object)[e.stage]
    return np.asarray(stages + " " + e.round.astype(str).astype(object), dtype=object)


def worst_corner(deviation: Floats) -> Ints:
    """Return the corner with the largest deviation either way, by component: shape (e, 3) of (e, m, 3)."""
    size = np.where(np.isnan(deviation), -1.0, np.abs(deviation))
    return np.asarray(size.argmax(axis=1))


def epoch_table(project: Project, given: StagedPoints, history: History) -> Columns:
    """Return one row per epoch: where the slab lay, and how it had moved since the epoch before.

    Deviations are those of the corner that is furthest off in that direction; ``pose`` ones those of the centre
    of the top face. ``least`` is the least movement in that direction alone that the test finds with 80 percent.
    """
    e, m = history.epochs, history.movements
    worst = worst_corner(history.deviation)[:, None]
    off = np.take_along_axis(history.deviation, worst, 1)[:, 0] * 1e3
    sigma = np.take_along_axis(history.deviation_sigma, worst, 1)[:, 0] * 1e3
    stages = np.array(given.stages, dtype=object)
    setups = np.array([*given.setups, "several"], dtype=object)
    table: Columns = {
        "slab": project.layout.names[e.slab],
        "chainage_m": project.chainage[e.slab],
        "stage": stages[e.stage],
        "round": e.round,
        "time": e.start,
        "time_end": e.end,
        "setup": setups[np.where(e.setup == MIXED_SETUPS, len(given.setups), e.setup)],
        "corners": history.fits.measured.sum(axis=1),
    }
    for i, name in enumerate(_PLACE):
        table[f"{name}_mm"] = off[:, i]
        table[f"{name}_sigma_mm"] = sigma[:, i]
    for i, name in enumerate((*_PLACE, *_TURN)):
        table[f"{name}_pose_{_UNIT[name]}"] = history.pose[:, i] * 1e3
        table[f"{name}_pose_sigma_{_UNIT[name]}"] = history.pose_sigma[:, i] * 1e3
    table["notes"] = _notes(history.notes)

    def spread(values: npt.NDArray[Any], empty: Any) -> npt.NDArray[Any]:
        column = np.full(len(e), empty, dtype=object if isinstance(empty, str) else np.float64)
        column[m.after] = values
        return column

    names = epoch_names(given, history)
    table["moved_since"] = spread(names[m.before], "")
    table["moved"] = spread(np.array(MOVEMENT_WORDS)[m.verdict], "")
    table["congruency_test"] = spread(m.statistic, np.nan)
    table["congruency_p"] = spread(m.p, np.nan)
    for i, name in enumerate((*_PLACE, *_TURN)):
        table[f"{name}_moved_{_UNIT[name]}"] = spread(m.pose[:, i] * 1e3, np.nan)
        table[f"{name}_moved_sigma_{_UNIT[name]}"] = spread(m.sigma[:, i] * 1e3, np.nan)
        table[f"{name}_moved_p"] = spread(m.component_p[:, i], np.nan)
        table[f"{name}_least_{_UNIT[name]}"] = spread(m.least[:, i] * 1e3, np.nan)
    return table


def _notes(notes: Ints) -> npt.NDArray[np.object_]:
    values, inverse = np.unique(notes, return_inverse=True)
    texts = ["; ".join(text for bit, text in EPOCH_NOTES.items() if value & bit) for value in values.tolist()]
    return np.array(texts, dtype=object)[inverse]


def _named(fittings: Sequence[Fitting], kinds: Ints, width: int) -> npt.NDArray[np.object_]:
    """Return names by slab and place, shape (v, width), "" where a type has fewer."""
    names = np.full((len(fittings), width), "", dtype=object)
    for row, fitting in zip(names, fittings, strict=True):
        row[: len(fitting.names)] = fitting.names
    return np.asarray(names[kinds])


def _ends(project: Project, given: StagedPoints, history: History) -> tuple[npt.NDArray[Any], Columns]:
    m, names = history.movements, epoch_names(given, history)
    slab = history.epochs.slab[m.after]
    return slab, {"slab": project.layout.names[slab], "from": names[m.before], "to": names[m.after]}


def corner_movements(project: Project, given: StagedPoints, history: History) -> Columns:
    """Return one row per movement and corner; during injection with its verdict."""
    m = history.movements
    slab, ends = _ends(project, given, history)
    width = m.marks.shape[1]
    corner = _named([t.marks for t in project.types], project.layout.type_index[slab], width).ravel()
    rows = np.flatnonzero(corner != "")
    table: Columns = {name: np.repeat(values, width)[rows] for name, values in ends.items()}
    table["corner"] = corner[rows]
    for i, name in enumerate(_PLACE):
        table[f"{name}_moved_mm"] = m.marks[..., i].ravel()[rows] * 1e3
        table[f"{name}_moved_sigma_mm"] = m.marks_sigma[..., i].ravel()[rows] * 1e3
    table["injection"] = np.repeat(m.injection, width)[rows]
    judged = project.settings.injection is not None
    verdict = np.where(table["injection"] & judged, np.array(VERDICTS)[m.settling.ravel()[rows]], "")
    table["injection_verdict"] = verdict.astype(object)
    return table


def screw_movements(project: Project, given: StagedPoints, history: History) -> Columns:
    """Return one row per movement and screw, adjuster, and along the line: asked, achieved, rest.

    Asked is minus the deviation at the earlier epoch. Movements during injection have no rows: nobody turned a
    screw.
    """
    m = history.movements
    slab, ends = _ends(project, given, history)
    kinds = project.layout.type_index[slab]
    fittings = {"lift": [t.screws for t in project.types], "push": [t.adjusters for t in project.types]}
    parts: list[Columns] = []
    for number, (kind, adjustment) in enumerate(m.adjustments.items()):
        width = adjustment.asked.shape[1]
        names = _named(fittings[kind], kinds, width) if kind in fittings else np.full((len(slab), 1), "centre", object)
        part: Columns = {name: np.repeat(values, width) for name, values in ends.items()}
        part |= {"move": np.full(names.size, kind, dtype=object), "place": names.ravel()}
        for what in ("asked", "achieved", "rest"):
            part[f"{what}_mm"] = getattr(adjustment, what).ravel() * 1e3
            part[f"{what}_sigma_mm"] = getattr(adjustment, f"{what}_sigma").ravel() * 1e3
        part["achieved_percent"] = adjustment.ratio.ravel() * 100
        part["achieved_sigma_percent"] = adjustment.ratio_sigma.ravel() * 100
        part["order"] = np.repeat(np.arange(len(slab)) * 3 + number, width)
        kept = (part["place"] != "") & ~np.repeat(m.injection, width)
        parts.append({name: values[kept] for name, values in part.items()})
    joined = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    order = np.argsort(joined.pop("order"), kind="stable")
    return {name: values[order] for name, values in joined.items()}
