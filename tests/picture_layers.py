"""Samples of gaps, moves and rails over the section that the tests of pictures draw; their numbers are invented."""

import numpy as np

from viewer.gap_layer import GapValues, gap_layer
from viewer.layer import RailTrace
from viewer.move_layer import MoveValues, move_layer
from viewer.rail_layer import RailValues, rail_layer
from viewer.section import NOT_MEASURED, OUT, UNDECIDED, WITHIN

SCREWS = np.array([[-1.05, -1.7, 0.0], [1.05, -1.7, 0.0], [-1.05, 1.7, 0.0], [1.05, 1.7, 0.0]])
ADJUSTERS = np.array([[0.0, -1.6, 0.0], [0.0, 1.6, 0.0]])
SEATS = np.linspace(-2.2, 2.2, 8)
NO_ROOM = 5  # of the rail's verdicts: beyond those that slabs have


def gap_values(section, *, rows=9, columns=5, spots=True):
    """Gap of about 55 mm; a high spot of the bed inside slab n // 3, its corners good; part of slab n // 2 unknown."""
    n = len(section)
    along, across = (part.ravel() for part in np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns),
                                                          indexing="ij"))  # fmt: skip
    gap = 55.0 + 3.0 * np.sin(np.arange(n) / 5.0)[:, None] + 1.5 * np.cos(np.arange(n))[:, None] * along
    if spots:
        gap[n // 3] -= 28.0 * np.exp(-4.0 * ((across - 0.3) ** 2 + (along + 0.2) ** 2))
        gap[2 * n // 3] += 30.0 * np.exp(-3.0 * (across**2 + (along - 0.3) ** 2))
        gap[n // 2, -2 * columns :] = np.nan
    gap[~section.measured] = np.nan
    known = np.where(np.isfinite(gap).any(axis=1)[:, None], gap, 0.0)
    place = np.column_stack([across * 1.17, along * 2.465])
    low = np.nan_to_num(known, nan=1e3).argmin(axis=1)
    high = np.nan_to_num(known, nan=-1e3).argmax(axis=1)
    none = ~np.isfinite(gap).any(axis=1)
    smallest, largest = (np.where(none, np.nan, gap[np.arange(n), at]) for at in (low, high))
    verdict = np.where((smallest < 40.0) | (largest > 75.0), OUT, np.where(smallest < 42.0, UNDECIDED, WITHIN))
    verdict[np.isnan(gap).any(axis=1)] = NOT_MEASURED
    corner = gap[:, [0, columns - 1, -columns, -1]]
    mean = np.nanmean(np.where(none[:, None], 0.0, gap), axis=1)
    return GapValues(
        field_mm=gap.reshape(n, rows, columns), corner_mm=corner, corner_sigma_mm=np.full((n, 4), 0.6),
        smallest_mm=smallest, largest_mm=largest, smallest_sigma_mm=np.full(n, 0.7), largest_sigma_mm=np.full(n, 0.7),
        smallest_place=place[low], largest_place=place[high], volume_l=np.where(none, np.nan, 11.5 * mean),
        volume_sigma_l=np.full(n, 6.0), under_area=np.where(smallest < 40.0, 0.21, 0.0), low_mm=40.0, nominal_mm=55.0,
        high_mm=75.0, verdict=verdict, pose="as built", bed=np.where(none, "no pose", "measured"),
        design_corner_mm=np.full((n, 4), 55.0), design_smallest_mm=np.full(n, 55.0), design_largest_mm=np.full(n, 55.0),
    )  # fmt: skip


def move_values(section, lift=None, push=None):
    """Moves of the slabs that are out, unless they are given: lift (n, 4) and push (n, 2), mm."""
    n = len(section)
    mean = np.nan_to_num(section.corner_deviation_mm.mean(axis=1))
    out = section.verdict == OUT
    tilt = 0.2 * np.sign(SCREWS[:, 1])
    lift = np.where(out[:, None], -np.round(mean[:, 2:], 1) + tilt, 0.0) if lift is None else lift
    push = np.where(out[:, None], -np.round(mean[:, :1], 1), 0.0) * np.ones((n, 2)) if push is None else push
    verdict = np.where(section.measured, WITHIN, NOT_MEASURED)
    standing = np.where(section.measured, "may move", "not measured")
    if n > 50:
        verdict[5], standing[5] = UNDECIDED, "survey contradicts itself"
        verdict[40] = OUT
        standing = standing.astype("U30")
        standing[-3:] = "held by mortar"
    field = lift.reshape(n, 2, 2).astype(np.float64)
    field[~section.measured] = np.nan
    return MoveValues(
        field_mm=field, lift_mm=lift, turns=lift / 4.0, push_mm=push, push_turns=push / 3.0,
        screw_place=np.tile(SCREWS, (n, 1, 1)), adjuster_place=np.tile(ADJUSTERS, (n, 1, 1)),
        screw_name=(("RL", "RR", "FL", "FR"),) * 2, adjuster_name=(("R", "F"),) * 2, type_index=section.type_index,
        touched=np.asarray((lift != 0.0).any(axis=1) | (push != 0.0).any(axis=1)), verdict=verdict, standing=standing,
    )  # fmt: skip


def rail_values(section, rails=2):
    """Rail carried by the slabs; the first slab has no room for a chord."""
    n, s = len(section), len(SEATS)
    distance = (section.distance[:, None] + SEATS).ravel()
    slab = np.repeat(np.arange(n), s)
    mean = section.corner_deviation_mm.mean(axis=1)[slab]
    wave = 0.2 * np.sin(distance / 3.0)
    shift = np.stack([np.stack([mean[:, 0], mean[:, 2] + sign * wave], axis=1) for sign in (1.0, -1.0)], axis=1)
    value = shift[:, :, 1] if rails == 2 else shift[:, :1, 1] - shift[:, 1:, 1]
    value = value.copy()
    value[:s] = np.nan
    verdict = np.where(np.abs(value) > 2.0, OUT, np.where(np.abs(value) > 1.7, UNDECIDED, WITHIN))
    verdict[np.isnan(value)] = NOT_MEASURED
    verdict[:s] = NO_ROOM
    words, quantity = ("level, chord 5 + 5 m", "level") if rails == 2 else ("cant", "cant")
    return RailValues(
        words=words, quantity=quantity, low_mm=-2.0, high_mm=2.0, trace=RailTrace(distance, slab, value, shift),
        sigma_mm=np.full(value.shape, 0.15), verdict=verdict, seat=np.tile(np.arange(1, s + 1), n),
    )  # fmt: skip


MAKERS = {
    "gap": lambda section: gap_layer(gap_values(section)),
    "move": lambda section: move_layer(move_values(section)),
    "rail": lambda section: rail_layer(rail_values(section), len(section)),
    "cant": lambda section: rail_layer(rail_values(section, 1), len(section)),
}
"""How each sample layer is made of a section."""
