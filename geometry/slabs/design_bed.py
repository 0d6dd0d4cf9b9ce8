"""How the bed is meant to lie under the slabs, and so how thick the mortar is by design."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geometry.alignment import Alignment, track_frame
from geometry.alignment.frames import angles, from_grid, to_grid
from geometry.alignment.laws import Floats

from .layout import Ints
from .types import SlabType

__all__ = ["DesignBed"]

_CHUNK = 20_000  # slabs or points at a time, so that memory stays small


@dataclass(frozen=True, eq=False)
class DesignBed:
    """The bed by design, along a line.

    A bed that follows the cant is parallel to the design track: its surface is ruled square to the line with the
    cant of each place, so deep that a slab which followed the track everywhere would have the nominal gap below it.
    A bed that is level across follows the gradient but no cant, and lies so deep that this ideal slab would have the
    nominal gap under its lower edge: the gap becomes a wedge of the slab's width times the tangent of the cant angle.

    Attributes
    ----------
    alignment : Alignment
    nominal : float
        Nominal gap between the underside of a slab and the bed, m.
    follows_cant : bool
        Whether the bed is parallel to the design track, or level across.
    """

    alignment: Alignment
    nominal: float
    follows_cant: bool

    def gap(
        self, types: Sequence[SlabType], type_index: Ints, distance: Floats, position: Floats, rotation: Floats,
        across: Floats, along: Floats,
    ) -> Floats:  # fmt: skip
        """Return the gap between slabs and the bed by design, square to the slab.

        Parameters
        ----------
        types : sequence of SlabType
        type_index : ndarray of int, shape (n,)
        distance : ndarray, shape (n,)
            Of the middle of each slab along the line, m.
        position, rotation : ndarray, shape (n, 3) and (n, 3, 3)
            Poses, target or built: centre of the top face in the grid, m, and slab to grid; nan for none.
        across : ndarray, shape (n, m)
            Places in the frame of each slab, + right, m.
        along : ndarray, shape (n, k)
            Places in the frame of each slab, + forward, m; beyond the slab's ends too.

        Returns
        -------
        ndarray, shape (n, m, k)
            m; negative where the bed would be higher than the underside, nan for a slab without a pose.
        """
        result = np.full((len(type_index), across.shape[1], along.shape[1]), np.nan)
        posed = np.flatnonzero(np.isfinite(position).all(axis=1) & np.isfinite(rotation).all(axis=(1, 2)))
        size = np.array([[t.width / 2, t.rail_height] for t in types])[type_index]
        for rows in np.array_split(posed, -(-len(posed) // _CHUNK)) if posed.size else ():
            result[rows] = self._gap(
                size[rows], distance[rows], position[rows], rotation[rows], across[rows], along[rows]
            )  # fmt: skip
        return result

    def _gap(
        self, size: Floats, distance: Floats, position: Floats, rotation: Floats, across: Floats, along: Floats
    ) -> Floats:  # fmt: skip
        line, scale = self.alignment, self.alignment.rules.grid_scale
        (n, m), k = across.shape, along.shape[1]
        half, height = size.T
        # what the slab carries in place of the rails' plane: over the middle, and over the places
        x = np.concatenate([np.zeros((n, 1)), across], axis=1)
        local = np.empty((n, k, m + 1, 3))
        local[..., 0], local[..., 1], local[..., 2] = x[:, None], along[..., None], height[:, None, None]
        points = to_grid(position, rotation, local.reshape(n, -1, 3), scale).reshape(n, k, m + 1, 3)
        level_part = np.hypot(rotation[:, 0, 1], rotation[:, 1, 1])
        s = np.clip(distance[:, None] + scale * along * level_part[:, None], 0.0, line.length)
        for _ in range(4):
            frame = track_frame(line, s)
            seen = from_grid(frame.position, frame.rotation, points, scale)
            step = seen[..., 0, 1] * scale * np.hypot(frame.rotation[..., 0, 1], frame.rotation[..., 1, 1])
            if not (np.abs(step) > 1e-4).any():
                break  # a foot wrong by 0.1 mm changes the roll by 0.02 urad on a steep ramp
            s = np.clip(s + step, 0.0, line.length)
        over = seen[..., 1:, 2]
        if not self.follows_cant:
            slope = np.tan(angles(frame.rotation)[2])[..., None]
            # where the place lies over the track, not over the slab: a push along the wedge changes the gap too
            over = over + half[:, None, None] * np.abs(slope) - slope * seen[..., 1:, 0]
        return np.asarray(np.swapaxes(over, 1, 2) + self.nominal)

    def under_middle(self, types: Sequence[SlabType], type_index: Ints, rotation: Floats) -> Floats:
        """Return the gap under the middle line of slabs that follow the track, shape (n,), m.

        Parameters
        ----------
        types : sequence of SlabType
        type_index : ndarray of int, shape (n,)
        rotation : ndarray, shape (n, 3, 3)
            Of the target slabs.
        """
        half = np.array([t.width / 2 for t in types])[type_index]
        wedge = np.zeros(len(type_index)) if self.follows_cant else half * np.abs(np.tan(angles(rotation)[2]))
        return np.asarray(self.nominal + wedge)
