"""Worked-up readings as tables: set-ups, their observations, steps between them, and the marks they saw."""

from __future__ import annotations

import numpy as np

from .fieldwork_files import WorkedUp
from .project import Project
from .results import Columns

__all__ = ["mark_table", "observation_table", "setup_table", "step_table"]

_ARCSEC = 648_000 / np.pi


def setup_table(worked: WorkedUp) -> Columns:
    """Return one row per set-up: place, uncertainty, tests, errors of the instrument."""
    work, stands = worked.work, worked.work.stands
    results = [state.result for state in work.states]
    nan = np.nan
    sigma = np.sqrt(np.einsum("sii->si", stands.covariance))
    sigma = np.where(np.isnan(stands.orientation)[:, None], nan, sigma)
    state = ["not solved" if r is None else "sound" if r.sound else "in doubt" for r in results]
    ellipses = [
        (nan, nan, nan) if r is None else (r.ellipse.major, r.ellipse.minor, r.ellipse.bearing) for r in results
    ]
    major, minor, bearing = np.array(ellipses).T
    factor = [nan if r is None else r.ellipse.factor_95 for r in results]
    largest = [nan if r is None else float(np.nanmax(np.abs(r.rows.w), initial=0.0)) for r in results]
    return {
        "setup": np.array(worked.book.setups),
        "state": np.array(state),
        "control_points": np.array([s.control for s in work.states]),
        "easting_m": stands.position[:, 0],
        "northing_m": stands.position[:, 1],
        "level_m": stands.position[:, 2],
        "orientation_deg": np.degrees(stands.orientation),
        "sigma_easting_mm": sigma[:, 0] * 1e3,
        "sigma_northing_mm": sigma[:, 1] * 1e3,
        "sigma_level_mm": sigma[:, 2] * 1e3,
        "sigma_orientation_arcsec": sigma[:, 3] * _ARCSEC,
        "ellipse_95_major_mm": major * factor * 1e3,
        "ellipse_95_minor_mm": minor * factor * 1e3,
        "ellipse_bearing_deg": np.degrees(bearing),
        "freedom": np.array([0 if r is None else r.freedom for r in results]),
        "s0": np.array([nan if r is None else r.s0 for r in results]),
        "misfit": np.array([nan if r is None else r.misfit for r in results]),
        "misfit_limit": np.array([nan if r is None else r.limit for r in results]),
        "largest_w": np.array(largest),
        "collimation_arcsec": work.reduction.collimation * _ARCSEC,
        "index_error_arcsec": work.reduction.index_error * _ARCSEC,
        "scatter_direction_arcsec": work.reduction.scatter[:, 0] * _ARCSEC,
        "scatter_zenith_arcsec": work.reduction.scatter[:, 1] * _ARCSEC,
        "scatter_distance_mm": work.reduction.scatter[:, 2] * 1e3,
    }  # fmt: skip


def observation_table(worked: WorkedUp) -> Columns:
    """Return one row per observation that a set-up rests on; angles in seconds of arc, lengths in mm."""
    states = [state for state in worked.work.states if state.result is not None]
    results = [state.result for state in states if state.result is not None]
    kinds = np.array([kind for r in results for kind in r.rows.kind], dtype=object)
    angular = np.isin(kinds, ("direction", "zenith angle"))
    unit = np.where(angular, _ARCSEC, 1e3)
    names = np.array([*worked.control.names, ""], dtype=object)

    def joined(name: str) -> np.ndarray:
        return np.concatenate([getattr(r.rows, name) for r in results]) if results else np.empty(0)

    return {
        "setup": np.array([s.name for s, r in zip(states, results, strict=True) for _ in r.rows.kind], dtype=object),
        "target": names[joined("target").astype(np.intp)],
        "kind": kinds,
        "unit": np.where(angular, "arcsec", "mm"),
        "residual": joined("residual") * unit,
        "sigma": joined("sigma") * unit,
        "redundancy": joined("redundancy"),
        "w": joined("w"),
        "smallest_found": _finite(joined("smallest_found") * unit),
    }


def _finite(values: np.ndarray) -> np.ndarray:
    return np.where(np.isfinite(values), values, np.nan)


def step_table(worked: WorkedUp) -> Columns:
    """Return one row per pair of set-ups with common points: how far apart they see them."""
    names, steps = np.array(worked.book.setups), worked.work.steps
    return {
        "first_setup": names[steps.first],
        "second_setup": names[steps.second],
        "shared_points": steps.shared,
        "step_easting_mm": steps.step[:, 0] * 1e3,
        "step_northing_mm": steps.step[:, 1] * 1e3,
        "step_level_mm": steps.step[:, 2] * 1e3,
        "largest_mm": steps.largest * 1e3,
    }


def mark_table(project: Project, worked: WorkedUp) -> Columns:
    """Return one row per sight to a mark of a slab: coordinates and sigmas, as a survey file has them."""
    points = worked.survey.points
    setups = np.array(["", *worked.book.setups])
    stages = np.array(worked.book.stages)[worked.stage]
    kind = project.layout.type_index[points.slab]
    most = max(len(t.marks.names) for t in project.types)
    marks = np.array([[*t.marks.names, *[""] * (most - len(t.marks.names))] for t in project.types])
    slab, corner = project.layout.names[points.slab], marks[kind, points.mark]
    table: Columns = {"point": np.char.add(np.char.add(slab, "-"), corner), "slab": slab, "corner": corner}
    for i, axis in enumerate(("easting", "northing", "level")):
        table[f"{axis}_m"] = points.xyz[:, i]
    for i, axis in enumerate(("easting", "northing", "level")):
        table[f"sigma_{axis}_mm"] = points.sigma[:, i] * 1e3
    return table | {"setup": setups[points.setup], "stage": stages, "time": points.time}
