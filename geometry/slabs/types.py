"""Slab types: what is known of a slab before it is placed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from geometry.alignment.laws import Floats

__all__ = ["Fitting", "SlabType", "outline", "padded_marks"]


@dataclass(frozen=True, eq=False)
class Fitting:
    """Things of one kind on a slab that have a name and a place: marks, screws, lateral adjusters.

    Attributes
    ----------
    names : tuple of str
        One name each.
    places : ndarray, shape (k, 3)
        Across, along, up from the centre of the top face, m.
    pitch : float
        Travel of the thread for one turn, m; nan for marks.
    travel : float
        Largest move from the present place in either direction, m; nan for marks.
    """

    names: tuple[str, ...]
    places: Floats
    pitch: float = float("nan")
    travel: float = float("nan")

    def __post_init__(self) -> None:
        places = np.array(self.places, dtype=np.float64).reshape(-1, 3)
        places.setflags(write=False)
        object.__setattr__(self, "places", places)
        if len(places) != len(self.names) or len(set(self.names)) != len(self.names):
            raise ValueError(f"{len(places)} places need as many different names, got {self.names}")


@dataclass(frozen=True, eq=False)
class SlabType:
    """A type of slab; lengths are true lengths in the slab's own frame, m.

    Attributes
    ----------
    name : str
    length, width, thickness : float
    notch_radius : float
        Radius of the round notch at each end, into which the anchor reaches; 0 for none.
    notch_beyond : float
        How far beyond the end of the slab the centre of that circle lies.
    rail_height : float
        Top of rail over the top face.
    seats : ndarray, shape (k,)
        Places of the rail seats along the slab.
    marks : Fitting
        Survey marks, four corner marks first: RL, RR, FL, FR (rear and front by growing chainage, left
        and right looking forward); a fifth and more may follow.
    screws : Fitting
        Vertical adjusting screws.
    adjusters : Fitting
        Lateral adjusters.
    special : bool
        Made for span ends only; a layout uses as few as it can.
    """

    name: str
    length: float
    width: float
    thickness: float
    notch_radius: float
    notch_beyond: float
    rail_height: float
    seats: Floats
    marks: Fitting
    screws: Fitting
    adjusters: Fitting
    special: bool = False


def outline(slab_type: SlabType, segments: int = 16) -> shapely.Polygon:
    """Return the outline of a slab seen from above: across and along, m, from the centre.

    Parameters
    ----------
    slab_type : SlabType
    segments : int
        Chords for a quarter circle of the notches. The area missed is below 2 percent of a notch at 16.
    """
    half = np.array([slab_type.width, slab_type.length]) / 2
    shape = shapely.box(-half[0], -half[1], half[0], half[1])
    for side in (-1.0, 1.0):
        centre = shapely.Point(0.0, side * (half[1] + slab_type.notch_beyond))
        shape = shape.difference(centre.buffer(slab_type.notch_radius, quad_segs=segments))
    return shape


def padded_marks(types: Sequence[SlabType]) -> Floats:
    """Return the mark places of all types, shape (t, m, 3), nan where a type has fewer marks."""
    most = max(len(t.marks.names) for t in types)
    marks = np.full((len(types), most, 3), np.nan)
    for row, t in zip(marks, types, strict=True):
        row[: len(t.marks.places)] = t.marks.places
    return marks
