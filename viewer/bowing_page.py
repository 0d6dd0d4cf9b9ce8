"""Curl and twist of slabs in words."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geometry.exchange.bowing_tables import curl_table
from geometry.exchange.project import Project
from geometry.placement.bowing import BOWING_TERMS, Bowing, seen_words
from geometry.placement.thermal_curl import ThermalCurl

__all__ = ["bowed_lines", "curl_lines", "seen_lines"]

Bools = npt.NDArray[np.bool_]
_NAMES = ("curl along", "curl across", "twist", "curl both ways")
_MOST_ROWS = 40


def seen_lines(bowing: Bowing, chosen: Bools) -> list[str]:
    """Say which curl and twist the marks of the chosen slabs can show."""
    kinds, counts = np.unique(seen_words(bowing.seen[chosen]).astype(str), return_counts=True)
    return [
        f"{text}: {count} slab{'s' * (count != 1)}" for text, count in zip(kinds.tolist(), counts.tolist(), strict=True)
    ]


def bowed_lines(project: Project, bowing: Bowing, chosen: Bools) -> list[str]:
    """Tell the chosen slabs whose curl or twist is more than noise; nothing if there is none."""
    names = project.layout.names
    bowed = np.flatnonzero(chosen & bowing.significant.any(axis=1)).tolist()
    lines = []
    for slab in bowed[:_MOST_ROWS]:
        sizes = ", ".join(
            f"{_NAMES[i]} {bowing.value[slab, i] * 1e3:+.2f} mm (u {bowing.sigma[slab, i] * 1e3:.2f} mm, "
            f"w {bowing.w[slab, i]:+.1f})"
            for i in range(len(BOWING_TERMS))
            if bowing.significant[slab, i]
        )
        agrees = "; taken as bowed its marks no longer contradict each other" if bowing.explains[slab] else ""
        doubt = "" if bowing.told_from_error[slab] else "; its marks cannot tell this from one wrong height"
        lines.append(f"{names[slab]}: {sizes}{agrees}{doubt}")
    if len(bowed) > _MOST_ROWS:
        lines.append(f"{len(bowed) - _MOST_ROWS} more; --csv and --json have them")
    if bowed:
        lines.append("curl: ends or edges over the middle, + up; twist: front right and rear left corner over the "
                     "plane, + up; u: standard uncertainty, w: size over u; of a thousand plane slabs one shows as "
                     "much by chance")  # fmt: skip
    return lines


def curl_lines(project: Project, curl: ThermalCurl | None, difference: float | None) -> list[str]:
    """Say what a temperature difference, K, could do to the slabs; nothing if none is given."""
    if curl is None or difference is None:
        return []
    table = curl_table(project, curl)
    limit = next((t for t in project.check_rules.tolerances if t.quantity == "up"), None)
    against = f" (limit of up {limit.low * 1e3:+g} to {limit.high * 1e3:+g} mm)" if limit else ""
    warmer = "warmer" if difference > 0 else "colder"
    lines = [
        f"top {abs(difference):g} K {warmer} than the underside; the sizes below are those of a slab free to "
        f"bend (curvature: expansion x difference / thickness); weight, screws and holding-down keep it flatter"
    ]
    for i, name in enumerate(table["type"].tolist()):
        along, across, mark, middle = (table[f"{key}_mm"][i] for key in ("curl_along", "curl_across", "mark", "middle"))
        lines.append(
            f"{name}: ends {along:+.2f} mm, edges {across:+.2f} mm to the middle; on its screws the marks stand "
            f"{mark:+.2f} mm and the middle {middle:+.2f} mm to the flat slab{against}"
        )
    return lines
