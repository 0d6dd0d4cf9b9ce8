"""Slabs that moved alike between the same two set-ups, so that the set-ups may be to blame."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from geometry.alignment.laws import Floats
from geometry.survey import CRITICAL_W, SurveyFinding
from geometry.survey.points import Ints

from .epochs import NO_SETUP

__all__ = ["common_shifts"]

_LEAST_SLABS = 3  # two may move alike by chance
_ALPHA = 0.001


def common_shifts(
    rotation: Floats, pose: Floats, covariance: Floats, shared: Floats, before: Ints, after: Ints,
    checked: npt.NDArray[np.bool_], setups: tuple[str, ...],
) -> list[SurveyFinding]:  # fmt: skip
    """Return a finding for every pair of set-ups between which three slabs or more moved alike.

    Parameters
    ----------
    rotation : ndarray, shape (v, 3, 3)
        Target slab to grid.
    pose, covariance : ndarray, shape (v, 6) and (v, 6, 6)
        Movements in the target's frame.
    shared : ndarray, shape (v, 6, 6)
        Part of the covariance that set-ups cause: all slabs have it alike, and a mean does not lessen it.
    before, after : ndarray of int, shape (v,)
        Codes of the set-ups.
    checked : ndarray of bool, shape (v,)
        Movements that count.
    setups : tuple of str
        Names by code.
    """
    rows = np.flatnonzero(checked & (before > NO_SETUP) & (after > NO_SETUP) & (before != after))
    if not rows.size:
        return []
    codes = before[rows] * len(setups) + after[rows]
    pairs, pair, count = np.unique(codes, return_inverse=True, return_counts=True)
    turn = rotation[rows]
    shift = np.einsum("vij,vj->vi", turn, pose[rows, :3])
    alike, variance = (
        np.einsum("vij,vjk,vik->vi", turn, part[rows, :3, :3], turn) for part in (shared, covariance - shared)
    )
    total, mean, spread, known = (np.zeros((len(pairs), 3)) for _ in range(4))
    np.add.at(total, pair, 1 / variance)
    np.add.at(mean, pair, shift / variance)
    mean /= total
    np.add.at(spread, pair, (shift - mean[pair]) ** 2 / variance)
    # on average away from zero, and no further apart from each other than their sigmas explain
    np.maximum.at(known, pair, alike)
    common = np.abs(mean) > CRITICAL_W * np.sqrt(1 / total + known)
    limit = special.chdtri(np.maximum(count - 1, 1), _ALPHA)[:, None]
    told = (common & (spread <= limit)).any(axis=1) & (count >= _LEAST_SLABS)
    findings = []
    for i in np.flatnonzero(told).tolist():
        first, second = (setups[int(code)] for code in divmod(int(pairs[i]), len(setups)))
        east, north, up = (mean[i] * 1e3).tolist()
        text = (
            f"all {count[i]} slabs measured from set-up {first} and then from {second} moved alike, on average "
            f"{east:+.2f} mm east, {north:+.2f} mm north, {up:+.2f} mm up: a set-up or its control points rather "
            f"than the slabs?"
        )
        findings.append(SurveyFinding("moved alike", -1, text, withholds=False))
    return findings
