"""Room between an anchor and the round notch of a slab's end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geometry.alignment.laws import Floats

from .layout import Ints
from .types import SlabType

__all__ = ["NotchClearance", "notch_clearance"]


@dataclass(frozen=True, eq=False)
class NotchClearance:
    """Clearance at the rear and front end of n slabs; nan where there is no anchor or no notch.

    Attributes
    ----------
    left, right : ndarray, shape (n, 2)
        Across, at the face of the slab's end: from the anchor to the left and the right edge of the notch, m.
    along : ndarray, shape (n, 2)
        From the anchor to the bottom of the notch, m.
    ring : ndarray, shape (n, 2)
        Smallest width of the ring between anchor and notch, m; negative where they would overlap.
    normal : ndarray, shape (n, 2, 2)
        Direction across (+ right) and along (+ forward) in which the ring is smallest, from the anchor.
    """

    left: Floats
    right: Floats
    along: Floats
    ring: Floats
    normal: Floats


def notch_clearance(centre: Floats, radius: Floats, types: Sequence[SlabType], type_index: Ints) -> NotchClearance:
    """Return the clearance of anchors in the notches of n slabs; both are cylinders square to the slab.

    Parameters
    ----------
    centre : ndarray, shape (n, 2, 2)
        Across and along of the anchor in the rear and in the front notch, in the slab's frame, m.
    radius : ndarray, shape (n, 2)
        Of the anchors, m.
    types : sequence of SlabType
    type_index : ndarray of int, shape (n,)
    """
    notch = np.array([t.notch_radius for t in types])[type_index][:, None]
    beyond = np.array([t.notch_beyond for t in types])[type_index][:, None]
    half = np.array([t.length / 2 for t in types])[type_index][:, None]
    side = np.array([-1.0, 1.0])
    # about the notch's centre, u to the right and v away from the slab
    u, v = centre[..., 0], centre[..., 1] * side - half - beyond
    with np.errstate(invalid="ignore", divide="ignore"):
        edge = np.sqrt(notch**2 - beyond**2)
        chord = np.sqrt(np.maximum(radius**2 - (v + beyond) ** 2, 0.0))
        left, right = edge + u - chord, edge - u - chord
        along = v - radius + np.sqrt(notch**2 - u**2)
        ring, normal = _ring(u, v, radius, notch, beyond, edge)
    # v is along, turned round at the rear
    normal = normal * np.stack(np.broadcast_arrays(1.0, side), axis=-1)
    return NotchClearance(left, right, along, ring, normal)


def _ring(u: Floats, v: Floats, radius: Floats, notch: Floats, beyond: Floats, edge: Floats) -> tuple[Floats, Floats]:
    """Return the smallest distance from anchors to the arcs of the notches, and its direction in u and v.

    The point of a circle nearest to a point inside it lies straight outward. If that is beyond the slab's end, the
    nearest point of the arc is one of its two ends.
    """
    away = np.hypot(u, v)
    outward = np.stack([u, v], axis=-1) / np.where(away > 0, away, 1.0)[..., None]
    outward[away == 0] = (0.0, -1.0)
    on_arc = notch * outward[..., 1] <= -beyond
    to_end = np.stack([np.copysign(edge, u) - u, -beyond - v], axis=-1)
    length = np.linalg.norm(to_end, axis=-1)
    distance = np.where(on_arc, notch - away, length)
    return distance - radius, np.where(on_arc[..., None], outward, to_end / length[..., None])
