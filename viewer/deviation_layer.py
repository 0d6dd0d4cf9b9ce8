"""The layers of the three deviations: built less target, across, along and up."""

from __future__ import annotations

import numpy as np

from viewer.layer import VERDICT_WORDS, Card, Layer, Scale
from viewer.mesh import corner_values_mm
from viewer.numbers import number_mm
from viewer.section import QUANTITIES, Section

__all__ = ["SIGNS", "deviation_layer"]

SIGNS = {
    "across": "+ to the right",
    "along": "+ ahead",
    "up": "+ above the target",
}
"""What a positive deviation means."""


def deviation_layer(section: Section, quantity: str) -> Layer:
    """Return the layer of one part of the deviation.

    Parameters
    ----------
    section : Section
    quantity : str
        One of ``QUANTITIES``.

    Raises
    ------
    SlabposeError
        If there is no quantity of that name.
    """
    largest = section.largest(quantity)
    tolerance = section.tolerance_mm[quantity]
    corners = corner_values_mm(section, quantity)[1]
    return Layer(
        name=quantity,
        heading=f"deviation {quantity}",
        title=f"{quantity}, built minus target",
        sign=SIGNS[quantity],
        scale=Scale.of_range(-tolerance, 0.0, tolerance, f"tolerance \N{PLUS-MINUS SIGN}{tolerance:g} mm"),
        worst=largest,
        verdict=section.verdict,
        words=VERDICT_WORDS,
        named=lambda slab: f"{number_mm(largest[slab])} mm" if np.isfinite(largest[slab]) else "not measured",
        card=lambda slab: deviation_card(section, slab),
        field=corners[:, [[0, 1], [3, 2]]],
    )


def deviation_card(section: Section, slab: int) -> Card:
    """Return the deviation at each mark of a slab against the tolerance."""
    marks = section.marks[section.type_index[slab]]
    values = section.corner_deviation_mm[slab, : len(marks)]
    limits = [section.tolerance_mm[quantity] for quantity in QUANTITIES]
    rows = tuple(
        (
            f"{'left' if across < 0.0 else 'right'}, {'back' if along < 0.0 else 'ahead'}",
            *(number_mm(value, 2) if np.isfinite(value) else "unknown" for value in row),
        )
        for (across, along), row in zip(marks[:, :2], values, strict=True)
    )
    beyond = np.abs(values) > limits  # unknown has its word
    return Card(
        "built minus target, mm",
        QUANTITIES,
        rows,
        frozenset((int(row), int(column)) for row, column in np.argwhere(beyond)),
        ("tolerance", *(f"\N{PLUS-MINUS SIGN}{limit:g}" for limit in limits)),
        ("+ right, ahead, up. Bold: beyond the tolerance.",),
    )
