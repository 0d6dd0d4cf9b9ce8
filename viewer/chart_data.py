"""Series along the line for charts: plain arrays with their words, units and limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geometry.alignment import Alignment, evaluate
from geometry.alignment.design_rules import EQUILIBRIUM, DesignLimit
from geometry.exchange.project import Project
from geometry.placement import SectionCheck
from geometry.placement.joints import joint_gaps

__all__ = ["PANELS", "Panel", "Series", "panels_of"]

Floats = NDArray[np.float64]
PANELS: Final = ("curvature", "cant", "gradient", "versine", "warp", "gaps", "deviations")
"""What can be shown, from top to bottom; the last four need slabs, the last one a survey."""
_STEPS = 3000  # places at which a continuous quantity is drawn, besides the joints of its elements


@dataclass(frozen=True, eq=False)
class Series:
    """One quantity along the line.

    Attributes
    ----------
    name : str
        For the legend.
    distance, value : ndarray, shape (n,)
        m, and the panel's unit; nan where there is none.
    stepped : bool
        Whether it belongs to slabs or joints, to be drawn as bars, not as a line.
    """

    name: str
    distance: Floats
    value: Floats
    stepped: bool = False


@dataclass(frozen=True, eq=False)
class Panel:
    """One chart of the stack.

    Attributes
    ----------
    title, unit, sign : str
        What it shows, in which unit, and what + means.
    series : tuple of Series
    limits : tuple of (value, words)
        Drawn as lines across.
    edges : ndarray
        Distance of element boundaries, m.
    words : tuple of (start, end, text)
        What stands over a stretch, such as the radius of an arc.
    """

    title: str
    unit: str
    sign: str
    series: tuple[Series, ...]
    limits: tuple[tuple[float, str], ...]
    edges: Floats
    words: tuple[tuple[float, float, str], ...] = ()


def _places(alignment: Alignment, edges: Floats, low: float, high: float) -> Floats:
    """Return where to evaluate: evenly, and on both sides of every joint."""
    inside = edges[(edges > low) & (edges < high)]
    both = np.concatenate([inside - 1e-6, inside + 1e-6])
    return np.unique(np.clip(np.concatenate([np.linspace(low, high, _STEPS), both]), 0.0, alignment.length))


def panels_of(
    alignment: Alignment, shown: Sequence[str], span: tuple[float, float], *, project: Project | None = None,
    check: SectionCheck | None = None, speed: float | None = None, limits: Sequence[DesignLimit] = (),
) -> list[Panel]:  # fmt: skip
    """Return the charts asked for.

    Parameters
    ----------
    alignment : Alignment
    shown : sequence of str
        Of `PANELS`.
    span : (low, high)
        Part of the line, distance, m.
    project : Project, optional
        Then what concerns slabs can be shown.
    check : SectionCheck, optional
        Then deviations can be shown.
    speed : float, optional
        km/h; then the cant deficiency is shown, with its limits.
    limits : sequence of DesignLimit
    """
    low, high = span
    plan = alignment.track.starts
    profile = np.append([e.start for e in alignment.vertical], alignment.length)
    canted = np.append([e.start for e in alignment.cant], alignment.length)
    s = _places(alignment, np.concatenate([plan, profile, canted]), low, high)
    line = evaluate(alignment, s)
    result = []
    if "curvature" in shown:
        words = tuple(
            (float(a), float(b), f"R {1 / e.curvature_start:+.0f} m" if e.kind == "arc" else e.kind)
            for a, b, e in zip(plan, plan[1:], alignment.horizontal, strict=False)
        )
        series = (Series("curvature", s, line.curvature * 1e3),)
        result.append(Panel("Curvature", "1/km", "+ to the right", series, (), plan, words))
    if "cant" in shown:
        result.append(_cant(alignment, s, line.cant * 1e3, line.curvature, canted, speed, limits))
    if "gradient" in shown:
        words = tuple(
            (float(a), float(b), f"{e.gradient_start * 1e3:+.2f}" if e.kind == "gradient" else _curve_words(e))
            for a, b, e in zip(profile, profile[1:], alignment.vertical, strict=False)
        )
        series = (Series("gradient", s, line.gradient * 1e3),)
        result.append(Panel("Gradient", "permille", "+ uphill", series, (), profile, words))
    if project is not None:
        result += _of_slabs(project, check, shown, plan)
    return result


def _curve_words(element: object) -> str:
    length, g1, g2 = (getattr(element, name) for name in ("length", "gradient_start", "gradient_end"))
    return f"R {abs(length / (g2 - g1)):.0f} m"


def _cant(
    alignment: Alignment, s: Floats, cant: Floats, curvature: Floats, edges: Floats, speed: float | None,
    limits: Sequence[DesignLimit],
) -> Panel:  # fmt: skip
    series = [Series("cant", s, cant)]
    lines: list[tuple[float, str]] = []
    if speed is not None:
        lacking = EQUILIBRIUM * alignment.rules.cant_base / 1.5 * speed**2 * curvature - cant
        series.append(Series(f"cant deficiency at {speed:g} km/h, to the side of the curve", s, lacking))
        limit = next((x for x in limits if x.quantity == "cant_deficiency" and x.holds_at(speed)), None)
        for level, value in () if limit is None else (("normal", limit.normal), ("exceptional", limit.exceptional)):
            if value is not None:
                lines += [(sign * value, f"deficiency, {level}: {value:g}") for sign in (1.0, -1.0)]
    return Panel("Cant", "mm", "+ left rail higher", tuple(series), tuple(lines), edges)


def _of_slabs(project: Project, check: SectionCheck | None, shown: Sequence[str], edges: Floats) -> list[Panel]:
    layout, targets = project.layout, project.targets
    at = layout.distance
    result = []
    series: tuple[Series, ...]
    if "versine" in shown:
        series = (
            Series("versine in plan", at, targets.versine * 1e3, stepped=True),
            Series("in the profile", at, targets.vertical_versine * 1e3, stepped=True),
        )
        sign = "+ on a right-hand curve, in a sag"
        result.append(Panel("Versine of a slab", "mm", sign, series, (), edges))
    if "warp" in shown:
        series = (Series("warp", at, targets.warp * 1e3, stepped=True),)
        result.append(Panel("Warp that a rigid slab lacks", "mm", "+ left rail rises more", series, (), edges))
    if "gaps" in shown and len(at) > 1:
        gaps = joint_gaps(
            targets.position, targets.rotation, project.types, layout.type_index, project.alignment.rules.grid_scale
        )
        # the limits hold between slabs of one span: what lies over a structure joint is a clearance
        of_one_span = layout.span[1:] == layout.span[:-1]
        gaps = np.where(of_one_span[:, None], gaps, np.nan) * 1e3
        between = (at[:-1] + at[1:]) / 2
        s = project.settings.layout
        series = (
            Series("left", between, gaps[:, 0], stepped=True),
            Series("right", between, gaps[:, 1], stepped=True),
        )
        allowed = ((s.gap_min_mm, f"smallest {s.gap_min_mm:g}"), (s.gap_max_mm, f"largest {s.gap_max_mm:g}"))
        result.append(Panel("Joint gaps of the layout", "mm", "left and right edge", series, allowed, edges))
    if "deviations" in shown and check is not None:
        result.append(_deviations(project, check, edges))
    return result


def _deviations(project: Project, check: SectionCheck, edges: Floats) -> Panel:
    series: list[Series] = []
    lines: list[tuple[float, str]] = []
    for quantity in ("up", "across"):
        judged = check.by_tolerance[quantity]
        series.append(Series(quantity, project.layout.distance, judged.value * 1e3, stepped=True))
    for tolerance in project.settings.tolerance:
        if tolerance.quantity in ("up", "across"):
            lines += [(value, f"{tolerance.quantity} {value:+g}") for value in tolerance.range_mm]
    return Panel(
        "Deviation, built less target, worst corner", "mm", "+ up, + right", tuple(series), tuple(lines), edges
    )
