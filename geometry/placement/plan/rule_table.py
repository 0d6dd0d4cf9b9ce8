"""The rules that a plan has to keep, as rows over the moves of slabs."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array, vstack

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

__all__ = ["KINDS", "KIND_WORDS", "RuleTable", "joined_tables"]

KIND_WORDS: Final = {
    "across": "across",
    "along": "along",
    "up": "up",
    "step_level": "step in level",
    "step_line": "step in line",
    "gap": "gap",
    "gap_difference": "gap difference",
    "mortar_gap": "mortar gap",
    "rail_level": "rail level",
    "rail_line": "rail line",
}
KINDS: Final = tuple(KIND_WORDS)


@dataclass(frozen=True, eq=False)
class RuleTable:
    """Rules over the poses of n slabs, r of them: low <= value + rows @ move <= high, each with its uncertainty.

    Attributes
    ----------
    kind : ndarray of int, shape (r,)
        Index of `KINDS`.
    rear, front : ndarray of int, shape (r,)
        First and last slab that the rule depends on; the same one for a rule of one slab.
    place : ndarray of int, shape (r,)
        Where on them: number of the mark, 0 left or 1 right of a joint, rail seat times two plus side, or number of
        the place of a mortar gap.
    limit : ndarray of int, shape (r,)
        Which limit of the rail; -1 for other kinds.
    value, sigma : ndarray, shape (r,)
        Before any move, with standard uncertainty, m.
    low, high : ndarray, shape (r,)
        Plain limits, m; infinite where there is none.
    rows : sparse array, shape (r, 6 n)
        How moves of the poses change the value: across, along, up, pitch, roll, yaw of the first slab, then of the
        next.
    """

    kind: Ints
    rear: Ints
    front: Ints
    place: Ints
    limit: Ints
    value: Floats
    sigma: Floats
    low: Floats
    high: Floats
    rows: csr_array

    def __len__(self) -> int:
        return len(self.kind)

    def subjects(self, rules: Ints) -> Ints:
        """Return a number for what each of some rules is about, shape (r,): one for all places of a slab or joint."""
        of = np.stack([self.kind[rules], self.rear[rules], self.front[rules], self.limit[rules]], axis=1)
        return np.unique(of, axis=0, return_inverse=True)[1].reshape(-1)

    def picked(self, which: npt.NDArray[np.bool_] | Ints) -> RuleTable:
        """Return some of the rules."""
        return RuleTable(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


def joined_tables(tables: list[RuleTable]) -> RuleTable:
    """Return the rules of several tables over the same slabs in one."""
    columns = {f.name: [getattr(t, f.name) for t in tables] for f in fields(RuleTable)}
    rows = csr_array(vstack(columns.pop("rows"), format="csr"))
    return RuleTable(**{name: np.concatenate(parts) for name, parts in columns.items()}, rows=rows)
