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
from geometry.exchange.review_section import review_limits
from geometry.placement import SectionCheck
from geometry.placement.joints import joint_gaps
from geometry.slabs.review import design_thickness
from viewer.numbers import MINUS, number

__all__ = ["PANELS", "Panel", "Series", "panels_of"]

Floats = NDArray[np.float64]
PANELS: Final = ("curvature", "cant", "gradient", "versine", "warp", "gaps", "mortar", "deviations")
"""What can be shown, from top to bottom; the last five need slabs, the last one a survey."""
_NEAR = 1.6  # a limit is drawn if it is not further out than so many times what there is; else it is told
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
        Drawn as lines across, with words at their end.
    edges : ndarray
        Distance of element boundaries, m.
    words : tuple of (start, end, text)
        What stands over a stretch, such as the radius of an arc.
    from_zero : bool
        Whether zero belongs into the picture.
    """

    title: str
    unit: str
    sign: str
    series: tuple[Series, ...]
    limits: tuple[tuple[float, str], ...]
    edges: Floats
    words: tuple[tuple[float, float, str], ...] = ()
    from_zero: bool = True


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
        km/h; then the cant deficiency is shown below the cant.
    limits : sequence of DesignLimit
        Of cant, its deficiency and gradient; those far outside of what there is are told in words.
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
            (float(a), float(b), f"R {number(1 / e.curvature_start, 0, sign=True)} m" if e.kind == "arc" else e.kind)
            for a, b, e in zip(plan, plan[1:], alignment.horizontal, strict=False)
        )
        series = (Series("curvature", s, line.curvature * 1e3),)
        result.append(Panel("Curvature", "1/km", "+ to the right", series, (), plan, words))
    if "cant" in shown:
        result += _cant(alignment, s, line.cant * 1e3, line.curvature, canted, speed, limits)
    if "gradient" in shown:
        words = tuple(
            (
                float(a),
                float(b),
                number(e.gradient_start * 1e3, 2, sign=True) if e.kind == "gradient" else _curve_words(e),
            )
            for a, b, e in zip(profile, profile[1:], alignment.vertical, strict=False)
        )
        series = (Series("gradient", s, line.gradient * 1e3),)
        lines, far = _design_limits(limits, "gradient", speed, series)
        result.append(Panel("Gradient", "permille", f"{far}+ uphill", series, lines, profile, words))
    if project is not None:
        result += _of_slabs(project, check, shown, plan)
    return result


def _curve_words(element: object) -> str:
    length, g1, g2 = (getattr(element, name) for name in ("length", "gradient_start", "gradient_end"))
    return f"R {abs(length / (g2 - g1)):.0f} m"


def _design_limits(
    limits: Sequence[DesignLimit], quantity: str, speed: float | None, series: Sequence[Series], *, always: bool = False
) -> tuple[tuple[tuple[float, str], ...], str]:  # fmt: skip
    """Return the limits of a quantity to both sides that can be drawn, and words for those that lie too far out.

    Without a speed only limits that hold at any speed count. With `always` the normal limit is drawn in any case.
    """
    values = np.concatenate([one.value for one in series])
    reach = float(np.nanmax(np.abs(values), initial=0.0))
    found = [x for x in limits if x.quantity == quantity and (
        x.holds_at(speed) if speed is not None else x.over_kmh == 0 and np.isinf(x.upto_kmh))]  # fmt: skip
    lines: list[tuple[float, str]] = []
    far: list[str] = []
    for level, value in (("normal", found[0].normal), ("exceptional", found[0].exceptional)) if found else ():
        if value is None:
            continue
        if value <= _NEAR * reach or (always and level == "normal"):
            sides = (1.0, -1.0) if (values < 0).any() else (1.0,)
            lines += [(side * value, f"{number(side * value, _digits(value))} {level}") for side in sides]
        else:
            far.append(f"{value:g} {level}")
    return tuple(lines), f"limits beyond this chart: {', '.join(far)}; " if far else ""


def _digits(value: float) -> int:
    return 0 if value == round(value) else 1


def _cant(
    alignment: Alignment, s: Floats, cant: Floats, curvature: Floats, edges: Floats, speed: float | None,
    limits: Sequence[DesignLimit],
) -> list[Panel]:  # fmt: skip
    series = (Series("cant", s, cant),)
    words = tuple(
        (float(a), float(b), number(e.cant_start * 1e3, 0, sign=True) if e.kind == "constant" else e.kind)
        for a, b, e in zip(edges, edges[1:], alignment.cant, strict=False)
    )
    lines, far = _design_limits(limits, "cant", speed, series)
    result = [Panel("Cant", "mm", f"{far}+ left rail higher", series, lines, edges, words)]
    if speed is not None:
        side = np.where(curvature < 0, -1.0, 1.0)
        # as the rules have it: on a straight any cant is too much
        inward = np.where(np.abs(curvature) > 0, cant * side, np.abs(cant))
        lacking = EQUILIBRIUM * alignment.rules.cant_base / 1.5 * speed**2 * np.abs(curvature) - inward
        series = (Series("cant deficiency", s, lacking),)
        lines, far = _design_limits(limits, "cant_deficiency", speed, series, always=True)
        lines = tuple(line for line in lines if line[0] > 0)  # cant that is too much has limits for slow trains
        sign = f"{far}+ cant is lacking, {MINUS} there is too much"
        both = np.unique(np.concatenate([edges, alignment.track.starts]))
        result.append(Panel(f"Cant deficiency at {speed:g} km/h", "mm", sign, series, lines, both))
    return result


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
        series = (
            Series("left edge", between, gaps[:, 0], stepped=True),
            Series("right edge", between, gaps[:, 1], stepped=True),
        )
        result.append(
            Panel(
                "Joint gaps of the layout",
                "mm",
                "at the slabs' edges",
                series,
                _gap_limits(project),
                edges,
                from_zero=False,
            )
        )
    if "mortar" in shown and len(at):
        thickness = design_thickness(project.design_bed, project.types, layout, targets).reshape(len(at), 6) * 1e3
        series = (
            Series("thickest place", at, thickness.max(axis=1), stepped=True),
            Series("thinnest place", at, thickness.min(axis=1), stepped=True),
        )
        bed = "bed by design, parallel to the track" if project.design_bed.follows_cant else (
            "bed by design, level across")  # fmt: skip
        mortar = review_limits(project).mortar
        allowed = () if mortar is None else tuple(
            (v * 1e3, f"{v * 1e3:g} {word}") for v, word in ((mortar.low, "smallest"), (mortar.high, "largest"))
        )  # fmt: skip
        result.append(Panel("Mortar by design", "mm", bed, series, allowed, edges, from_zero=False))
    if "deviations" in shown and check is not None:
        result.append(_deviations(project, check, edges))
    return result


def _gap_limits(project: Project) -> tuple[tuple[float, str], ...]:
    """Return what gaps may be at the slabs' edges, or else in the middle, as the layout makes them."""
    gap, s = review_limits(project).gap, project.settings.layout
    low, high = (s.gap_min_mm, s.gap_max_mm) if gap is None else (gap.low * 1e3, gap.high * 1e3)
    where = " in the middle" * (gap is None)
    return (low, f"{low:g} smallest{where}"), (high, f"{high:g} largest{where}")


def _deviations(project: Project, check: SectionCheck, edges: Floats) -> Panel:
    series: list[Series] = []
    lines: list[tuple[float, str]] = []
    for quantity in ("up", "across"):
        judged = check.by_tolerance[quantity]
        series.append(Series(quantity, project.layout.distance, judged.value * 1e3, stepped=True))
    for tolerance in project.settings.tolerance:
        if tolerance.quantity in ("up", "across"):
            lines += [
                (value, f"{number(value, _digits(value), sign=True)} {tolerance.quantity}")
                for value in tolerance.range_mm
            ]
    return Panel(
        "Deviation, built less target, worst corner", "mm", "+ up, + right", tuple(series), tuple(lines), edges
    )
