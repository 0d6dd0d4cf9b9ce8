"""The layers of the track under one slab, as bodies that can be taken apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon, box, get_coordinates

from geometry.slabs import outline
from viewer.present.bodies3d import boxes, fastener_body, rail_body
from viewer.present.palette import Palette
from viewer.present.show import Show
from viewer.prism import prism

__all__ = ["APART", "Part", "parts_of"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

APART: Final = {"bed": 0.0, "anchor": 0.0, "mortar": 0.55, "slab": 1.15, "fastener": 1.75, "rail": 2.2}
"""How far each layer is lifted when all is taken apart, m."""
_BED: Final = 0.30
_BEYOND: Final = 0.62  # of the bed beyond either end of the slab, m
_CUTS: Final = {"mortar": (0.95, 1.55), "slab": (0.55, 2.35), "rail": (-9.0, 2.75)}
"""Where the corner nearest to the eye is cut away: across from here on, and so far back from the rear end, m."""


@dataclass(frozen=True, eq=False)
class Part:
    """One layer of the track in the slab's frame, put together.

    Attributes
    ----------
    name : str
    title, note : str
        What it is, and what it is for, in plain words.
    colour : str
    points : ndarray, shape (p, 3)
        m.
    faces : ndarray of int, shape (f, 3)
    hold : ndarray, shape (3,)
        Where the line from its label ends.
    lift : float
        How far it is raised when taken apart, m.
    """

    name: str
    title: str
    note: str
    colour: str
    points: Floats
    faces: Integers
    hold: Floats
    lift: float


def _cut(ring: Floats, name: str, cut: bool, rear: float) -> Floats:
    """Return an outline, with the corner at the right and the rear cut away."""
    if not cut:
        return ring
    across, back = _CUTS[name]
    left = Polygon(ring).difference(box(across, rear - 1.0, 9.0, rear + back))
    return np.asarray(get_coordinates(left.exterior)[:-1])


def parts_of(show: Show, palette: Palette, slab: int, *, cut: bool = True) -> tuple[Part, ...]:
    """Return the layers at a slab, from the rail down.

    Parameters
    ----------
    show : Show
    palette : Palette
    slab : int
    cut : bool
        Cut one corner away, so that each layer can be seen while all is together.
    """
    kind, sizes = show.types[int(show.section.type_index[slab])], show.sizes
    apart = float(np.linalg.norm(show.section.rail_right[0] - show.section.rail_left[0]))
    half, rear = kind.length / 2, -kind.length / 2
    ring = np.asarray(get_coordinates(outline(kind, 10).exterior)[:-1])
    under = -kind.thickness
    bed = under - sizes.mortar
    side = sizes.width / 2
    slab_body = prism(_cut(ring, "slab", cut, rear), kind.thickness)
    mortar = prism(_cut(ring, "mortar", cut, rear), sizes.mortar)
    base = boxes([[0.0, 0.0, bed - _BED / 2]], [side, half + _BEYOND, _BED / 2])
    turn = 2.0 * np.pi * np.arange(40) / 40
    circle = sizes.anchor_radius * np.column_stack([np.cos(turn), np.sin(turn)])
    post, post_faces = prism(circle, sizes.anchor_height)
    ends = np.array([-1.0, 1.0]) * (half + kind.notch_beyond)
    anchors = np.concatenate([post + np.array([0.0, end, bed + sizes.anchor_height]) for end in ends])
    anchor_faces = np.concatenate([post_faces, post_faces + len(post)])
    fasteners, fastener_faces = fastener_body(kind, apart)
    rails, rail_faces = [], []
    joint = kind.notch_beyond
    for number, sign in enumerate((-1.0, 1.0)):
        start = rear + (_CUTS["rail"][1] if cut and sign > 0.0 else -joint)
        ends_y = np.array([start, half + joint])
        line = np.column_stack([np.full(2, sign * apart / 2), ends_y, np.full(2, kind.rail_height)])
        body, triangles = rail_body(line, np.tile([0.0, 0.0, 1.0], (2, 1)))
        rails.append(body)
        rail_faces.append(triangles + number * len(body))
    if cut:  # no fastener without its rail
        kept = ~((fasteners[:, 0] > 0.0) & (fasteners[:, 1] < rear + _CUTS["rail"][1]))
        whole = kept.reshape(-1, 8).all(axis=1)
        fasteners = fasteners.reshape(-1, 8, 3)[whole].reshape(-1, 3)
        fastener_faces = boxes(np.zeros((int(whole.sum()), 3)), np.ones(3))[1]
    seat = float(np.asarray(kind.seats)[np.abs(np.asarray(kind.seats) - 0.15 * kind.length).argmin()])
    thick = f"{kind.thickness * 1000:.0f} mm"
    told = {
        "rail": ("Rail", "carries and guides the wheels", palette.rail),
        "fastener": ("Fastener", "holds the rail; can still adjust it by a few mm", palette.fastener),
        "slab": ("Slab", f"precast concrete, {kind.length:.1f} m long, {thick} thick", palette.slab),
        "mortar": ("Mortar", f"about {sizes.mortar * 1000:.0f} mm, injected last: locks the slab", palette.mortar),
        "anchor": ("Anchor", "keeps the slab from sliding", palette.anchor),
        "bed": ("Bed", "concrete, cast in place", palette.bed),
    }
    made = {
        "rail": (np.concatenate(rails), np.concatenate(rail_faces), [apart / 2, half - 0.2, kind.rail_height - 0.01]),
        "fastener": (fasteners, fastener_faces, [apart / 2 + 0.15, seat, 0.04]),
        "slab": (*slab_body, [kind.width / 2, 0.3 * half, -0.5 * kind.thickness]),
        "mortar": (mortar[0] + [0.0, 0.0, under], mortar[1], [kind.width / 2, 0.05 * half, under - 0.5 * sizes.mortar]),
        "anchor": (anchors, anchor_faces, [0.0, -half - kind.notch_beyond, bed + sizes.anchor_height]),
        "bed": (*base, [side, -0.35 * half, bed - 0.5 * _BED]),
    }
    return tuple(
        Part(name, *told[name], np.asarray(made[name][0]), np.asarray(made[name][1]), np.asarray(made[name][2]),
             APART[name])
        for name in told
    )  # fmt: skip
