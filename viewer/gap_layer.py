"""The layer of the mortar gap: what lies between the underside of each slab and the bed, surveyed or by design."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.placement.mortar import BEDS
from viewer.layer import VERDICT_WORDS, Card, Layer, Scale
from viewer.sheet import number_mm

__all__ = ["GapValues", "gap_layer"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_CORNERS = ("left, back", "right, back", "left, ahead", "right, ahead")


@dataclass(frozen=True, eq=False)
class GapValues:
    """Gaps under n slabs in plain arrays; nan where the bed or the slab is not known.

    Parameters
    ----------
    field_mm : ndarray, shape (n, r, c)
        On a grid over the rectangle around each slab, as `viewer.layer.Layer` has it.
    corner_mm, corner_sigma_mm : ndarray, shape (n, 4)
        At the corners, back left, back right, forward left, forward right, and its standard uncertainty.
    smallest_mm, largest_mm, smallest_sigma_mm, largest_sigma_mm : ndarray, shape (n,)
    smallest_place, largest_place : ndarray, shape (n, 2)
        Across and along from the middle of the slab, m.
    volume_l, volume_sigma_l : ndarray, shape (n,)
        Litres, without losses.
    under_area : ndarray, shape (n,)
        Where the gap is below the smallest allowed, m^2.
    low_mm, nominal_mm, high_mm : float
        Smallest allowed, nominal and largest allowed gap.
    verdict : ndarray of int, shape (n,)
        One of the verdicts of `viewer.section` each.
    pose : str
        Of which slabs: "as built".
    bed : ndarray of str, shape (n,)
        Which bed is under each slab: one of `geometry.placement.mortar.BEDS`. If none was surveyed at all, the field
        is that of the bed by design; else it has surveyed places only.
    design_corner_mm : ndarray, shape (n, 4)
        Down to the bed by design; nan for a slab without a pose.
    design_smallest_mm, design_largest_mm : ndarray, shape (n,)
    """

    field_mm: Floats
    corner_mm: Floats
    corner_sigma_mm: Floats
    smallest_mm: Floats
    largest_mm: Floats
    smallest_sigma_mm: Floats
    largest_sigma_mm: Floats
    smallest_place: Floats
    largest_place: Floats
    volume_l: Floats
    volume_sigma_l: Floats
    under_area: Floats
    low_mm: float
    nominal_mm: float
    high_mm: float
    verdict: Integers
    pose: str
    bed: NDArray[np.str_]
    design_corner_mm: Floats
    design_smallest_mm: Floats
    design_largest_mm: Floats

    @property
    def only_designed(self) -> bool:
        """Whether no bed was surveyed under any slab: then the picture shows the bed by design, and says so."""
        return not np.isin(self.bed, BEDS[:2]).any()


def gap_layer(gaps: GapValues) -> Layer:
    """Return the layer of the gap, on a scale about the nominal gap with the allowed range marked."""
    low, high = gaps.low_mm, gaps.high_mm
    middle = gaps.nominal_mm if low < gaps.nominal_mm < high else 0.5 * (low + high)
    scale = Scale.of_range(low, middle, high, f"allowed {low:g} to {high:g} mm")
    pairs = (gaps.design_smallest_mm, gaps.design_largest_mm) if gaps.only_designed else (
        gaps.smallest_mm, gaps.largest_mm)  # fmt: skip
    worst = scale.extreme(np.stack(pairs, axis=1))
    designed = int((gaps.bed == BEDS[2]).sum())
    words = ", bed by design, not measured" if gaps.only_designed else (
        f", bed by design under {designed}" * bool(designed))  # fmt: skip
    return Layer(
        name="gap",
        heading=f"mortar gap, slabs {gaps.pose}{words}",
        title="gap to the designed bed" if gaps.only_designed else f"mortar gap, slabs {gaps.pose}",
        sign="larger: more mortar",
        scale=scale,
        worst=worst,
        verdict=gaps.verdict,
        words=VERDICT_WORDS,
        named=lambda slab: f"{worst[slab]:.0f} mm" if np.isfinite(worst[slab]) else "not measured",
        card=lambda slab: _card(gaps, slab),
        field=gaps.field_mm,
        mortar=True,
        unknown="slab not measured" if gaps.only_designed else "slab or bed not measured",
        largest="the gaps furthest from nominal",
    )


def _number(value: float, decimals: int = 1) -> str:
    return number_mm(value, decimals).removeprefix("+") if np.isfinite(value) else "unknown"


def _spread(sigma: float) -> str:
    return f"{2.0 * sigma:.1f}" if np.isfinite(sigma) else ""


def _place_words(place: Floats) -> str:
    """Return a place on a slab in words, such as ``0.4 m right, 1.2 m back``."""
    if not np.isfinite(place).all():
        return ""
    across, along = place
    sides = "left" if across < 0.0 else "right", "back" if along < 0.0 else "ahead"
    return f", {abs(across):.1f} m {sides[0]}, {abs(along):.1f} m {sides[1]}"


def _designed_card(gaps: GapValues, slab: int) -> Card:
    """Return the gaps by design, where nobody measured the bed: no uncertainty, and nothing is good by them."""
    values = np.array([*gaps.design_corner_mm[slab], gaps.design_smallest_mm[slab], gaps.design_largest_mm[slab]])
    beyond = (values < gaps.low_mm) | (values > gaps.high_mm)
    return Card(
        "gap by the designed bed, mm",
        ("gap",),
        tuple((name, _number(value)) for name, value in zip((*_CORNERS, "smallest", "largest"), values, strict=True)),
        frozenset((int(row), 0) for row in np.flatnonzero(beyond)),
        (f"allowed {gaps.low_mm:g} to {gaps.high_mm:g}, nominal {gaps.nominal_mm:g}", ""),
        ("Bed not measured: no verdict. Bold: not allowed.",),
    )


def _card(gaps: GapValues, slab: int) -> Card:
    if gaps.bed[slab] == BEDS[2]:
        return _designed_card(gaps, slab)
    corners = tuple(
        (name, _number(value), _spread(sigma))
        for name, value, sigma in zip(_CORNERS, gaps.corner_mm[slab], gaps.corner_sigma_mm[slab], strict=True)
    )
    extremes = tuple(
        (f"{name}{_place_words(place[slab])}", _number(value[slab]), _spread(sigma[slab]))
        for name, value, sigma, place in (
            ("smallest", gaps.smallest_mm, gaps.smallest_sigma_mm, gaps.smallest_place),
            ("largest", gaps.largest_mm, gaps.largest_sigma_mm, gaps.largest_place),
        )
    )
    values = np.array([*gaps.corner_mm[slab], gaps.smallest_mm[slab], gaps.largest_mm[slab]])
    beyond = (values < gaps.low_mm) | (values > gaps.high_mm)
    volume = f"{gaps.volume_l[slab]:.0f} l \N{PLUS-MINUS SIGN}{2.0 * gaps.volume_sigma_l[slab]:.0f} l"
    notes = (
        f"Volume {volume} without losses." if np.isfinite(gaps.volume_l[slab]) else "Volume unknown.",
        f"Below the smallest allowed: {_number(gaps.under_area[slab], 2)} m\N{SUPERSCRIPT TWO}. Bold: not allowed.",
    )
    return Card(
        "gap and its uncertainty (k = 2), mm",
        ("gap", "\N{PLUS-MINUS SIGN}"),
        (*corners, *extremes),
        frozenset((int(row), 0) for row in np.flatnonzero(beyond)),
        (f"allowed {gaps.low_mm:g} to {gaps.high_mm:g}, nominal {gaps.nominal_mm:g}", "", ""),
        notes,
    )
