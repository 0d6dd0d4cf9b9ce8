"""How much mortar to mix: volumes per slab with losses, batches in walking order, and days."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

from .clipping import summed

__all__ = ["Batches", "plan_batches"]

Bools = npt.NDArray[np.bool_]
_HAIR = 1e-9  # a batch that is full to the last cubic millimetre is not too full, m^3


@dataclass(frozen=True, eq=False)
class Batches:
    """b batches of mortar for slabs in walking order.

    Attributes
    ----------
    batch : ndarray of int, shape (n,)
        Batch of each slab; -1 for a slab that gets none: not asked for, or its volume is not known.
    first, last : ndarray of int, shape (b,)
        Rows of the first and the last slab.
    slabs : ndarray of int, shape (b,)
    volume, volume_sigma : ndarray, shape (b,)
        To mix, with losses, m^3, and its standard uncertainty; of the losses nothing is known.
    fills : ndarray of int, shape (b,)
        How often the mixer has to be filled: more than once only where one slab takes more than it holds.
    day : ndarray of int, shape (b,)
        From 0.
    """

    batch: Ints
    first: Ints
    last: Ints
    slabs: Ints
    volume: Floats
    volume_sigma: Floats
    fills: Ints
    day: Ints

    def of_days(self) -> tuple[Ints, Floats]:
        """Return for each day the number of slabs and the volume to mix, m^3, both of shape (d,)."""
        days = int(self.day.max(initial=-1)) + 1
        return np.bincount(self.day, self.slabs, days).astype(np.intp), summed(self.day, self.volume, days)


def plan_batches(
    volume: Floats, own: Floats, shared: Floats, asked: Bools, loss: float, capacity: float, slabs_per_day: int
) -> Batches:
    """Share slabs among batches: as many as the mixer holds, in their order, no slab in two batches.

    Parameters
    ----------
    volume : ndarray, shape (n,)
        Of the gaps, m^3; nan where not known.
    own, shared : ndarray, shape (n,)
        Standard uncertainty of each volume: the part of the slab alone and the part that all slabs share, m^3.
    asked : ndarray of bool, shape (n,)
        Slabs that are to be injected.
    loss : float
        What is lost, as a part of the gap's volume.
    capacity : float
        What the mixer holds, m^3; infinite if that does not matter: then a day is a batch.
    slabs_per_day : int
        A batch ends with the day; 0 for one day.

    Examples
    --------
    >>> plan = plan_batches(np.array([0.6, 0.6, np.nan, 0.7, 2.5]), *np.zeros((2, 5)), np.full(5, True), 0.0, 1.3, 0)
    >>> plan.batch.tolist(), plan.fills.tolist()
    ([0, 0, -1, 1, 2], [1, 1, 2])
    """
    rows = np.flatnonzero(asked & np.isfinite(volume))
    needed = (1 + loss) * volume[rows]
    count = len(rows)
    per_day = slabs_per_day or max(count, 1)
    end_of_day = np.minimum((np.arange(count) // per_day + 1) * per_day, count)
    total = np.append(0.0, np.cumsum(needed))
    # where the next batch begins if one begins here
    following = np.searchsorted(total, total[:-1] + capacity + _HAIR, side="right") - 1
    following = np.minimum(np.maximum(following, np.arange(count) + 1), end_of_day)
    starts = _chain(following)
    of_slab = np.searchsorted(starts, np.arange(count), side="right") - 1
    batch = np.full(len(volume), -1, dtype=np.intp)
    batch[rows] = of_slab
    b = len(starts)
    mixed = summed(of_slab, needed, b)
    spread = np.hypot(np.sqrt(summed(of_slab, own[rows] ** 2, b)), summed(of_slab, shared[rows], b))
    return Batches(
        batch=batch,
        first=rows[starts],
        last=rows[np.append(starts[1:], count)[:b] - 1],
        slabs=np.bincount(of_slab, minlength=b),
        volume=mixed,
        volume_sigma=(1 + loss) * spread,
        fills=np.maximum(np.ceil((mixed - _HAIR) / capacity), 1.0).astype(np.intp),
        day=starts // per_day,
    )


def _chain(following: Ints) -> Ints:
    """Return 0 and what is reached from there step by step, below the number of steps."""
    chain, at, steps = [], 0, following.tolist()
    while at < len(steps):  # one step for each batch, not for each slab
        chain.append(at)
        at = steps[at]
    return np.array(chain, dtype=np.intp)
