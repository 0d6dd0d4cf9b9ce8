"""Where a close view is taken, and the words that belong to its points."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from viewer.mesh import slab_vertices
from viewer.section import Section

__all__ = ["CAMERA", "FOCUS", "SIGHT", "Label", "Place", "label_at"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

CAMERA, FOCUS = (25.0, -14.0, 11.0), (0.0, 5.6, 0.25)
"""Where the eye is and looks: from the right of the track, so that chainage runs to the right as in the rows."""


SIGHT = np.subtract(FOCUS, CAMERA) / np.linalg.norm(np.subtract(FOCUS, CAMERA))
"""From the eye onwards."""


class Label(NamedTuple):
    """Words at a point of a view: ``kind`` is "slab", "arrow", "chainage" or "scale"."""

    point: tuple[float, float, float]
    text: str
    kind: str


def label_at(point: Floats, text: str, kind: str) -> Label:
    """Return words at a point, shape (3,)."""
    return Label((float(point[0]), float(point[1]), float(point[2])), text, kind)


@dataclass(frozen=True, eq=False)
class Place:
    """Where a close view is taken: its slabs, its exaggeration, and its frame in the grid."""

    section: Section
    slab: int
    slabs: Integers
    factor: float
    origin: Floats
    frame: Floats

    def points(self, slabs: Integers, vertices: Floats, factor: float) -> Floats:
        """Return points fixed to slabs, (v, 3) in the slab frame, as they are drawn: (s, v, 3) in the view's frame."""
        drawn, _ = slab_vertices(self.section, slabs, vertices, factor=factor, origin=self.origin)
        points: Floats = drawn @ self.frame
        return points

    @property
    def reach(self) -> float:
        """How far from the origin things belong to the view, m."""
        return float(np.linalg.norm(self.section.target_position[self.slabs] - self.origin, axis=1).max()) + 3.2

    def above(self, slabs: Integers, height: float | Floats) -> Floats:
        """Return points straight above the middle of built slabs, shape (s, 3)."""
        points = self.points(slabs, np.zeros((1, 3)), self.factor)[:, 0]
        points[:, 2] += height
        return points
