"""Curl and twist of the slabs of a project, and the curl that heat could make, as columns."""

from __future__ import annotations

import numpy as np

from geometry.placement import SectionCheck
from geometry.placement.bowing import BOWING_TERMS, Bowing, section_bowing, seen_words
from geometry.placement.thermal_curl import ThermalCurl, thermal_curl

from .project import Project
from .results import Columns

__all__ = ["bowing_of", "bowing_table", "curl_of", "curl_table"]


def bowing_of(project: Project, check: SectionCheck) -> Bowing:
    """Return curl and twist of all slabs of a checked project, as far as their marks show them."""
    scale = project.alignment.rules.grid_scale
    return section_bowing(check, project.types, project.layout.type_index, scale)


def bowing_table(bowing: Bowing) -> Columns:
    """Return one row per slab: curl over length and width, twist at the corner, what is seen, what is beyond noise.

    ``bowl`` is curl over the length where the marks show curl along and across only together, as if it were of one
    curvature both ways.
    """
    table: Columns = {}
    for i, name in enumerate(BOWING_TERMS):
        table[f"{name}_mm"] = bowing.value[:, i] * 1e3
        table[f"{name}_sigma_mm"] = bowing.sigma[:, i] * 1e3
        table[f"w_{name}"] = bowing.w[:, i]
    table["bowing_seen"] = seen_words(bowing.seen)
    table["bowed"] = np.asarray(bowing.significant.any(axis=1))
    return table


def curl_of(project: Project, difference: float | None = None) -> ThermalCurl | None:
    """Return the curl by heat of each slab type; None if neither the argument nor the project gives a difference, K."""
    given = project.settings.ready.temperature_difference_k if difference is None else difference
    return None if given is None else thermal_curl(project.types, given, project.settings.ready.expansion_per_k)


def curl_table(project: Project, curl: ThermalCurl) -> Columns:
    """Return one row per slab type: largest curl by heat, and what it does to marks and middle on the screws."""
    marks = curl.marks
    worst = np.nanargmax(np.abs(marks), axis=1)[:, None]
    return {
        "type": np.array([t.name for t in project.types]),
        "curl_along_mm": curl.along * 1e3,
        "curl_across_mm": curl.across * 1e3,
        "mark_mm": np.take_along_axis(marks, worst, 1)[:, 0] * 1e3,
        "middle_mm": curl.middle * 1e3,
    }
