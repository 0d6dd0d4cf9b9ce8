"""The section and the layers as plain arrays for a page: what a small viewer in the browser draws."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon, get_coordinates

from viewer.bodies import anchor_body, bed_body, nearest_slab
from viewer.mesh import deviation_at_mm, slab_mesh
from viewer.present.bodies3d import boxes, sweep
from viewer.present.palette import Palette
from viewer.present.parts import parts_of
from viewer.present.show import Show
from viewer.present.staging import ground_body
from viewer.present.words import place_words, slab_words
from viewer.section import Section
from viewer.terminal import visible

__all__ = ["MOST_SLABS", "NO_VALUE", "SURROUNDINGS", "WebSection", "layers_data", "packed", "web_section"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MOST_SLABS: Final = 3000
"""Slabs on a page; of a longer section those nearest to the shown slab."""
FINE_SLABS: Final = 600
"""Up to so many slabs notches and fasteners are drawn; of more they are too small to be seen."""
NO_VALUE: Final = -9.0
"""Stands for what has no value, where browsers want a number."""
SURROUNDINGS: Final = ("bed", "anchor", "rail", "fastener", "ground")
"""What the numbers in the surroundings' key mean; the first two and the last are drawn lower where slabs need room."""
_BAR: Final = np.array([[-0.036, 0.0], [-0.036, -0.15], [0.036, -0.15], [0.036, 0.0]])
_ROUND: Final = 0.01  # an outline is simplified by so much at most, m


@dataclass(frozen=True, eq=False)
class WebSection:
    """A section as arrays about an origin; lengths in m.

    Parameters
    ----------
    arrays : mapping of str to ndarray
        ``base``, ``shift`` (p, 3): points at the target, and their deviation; ``share`` (p,): place on the colour
        scale, -1 to 1, `NO_VALUE` for unknown; ``slab`` (p,); ``faces`` (f, 3). ``moved`` (q,): points of slabs that
        the plan moves, ``moved_shift`` (q, 3) and ``moved_share`` (q,): the same of them after the moves. ``around``,
        ``around_key``, ``around_faces``: the surroundings. ``centre`` (n, 3), ``axes`` (n, 3, 3), ``half`` (n, 3),
        ``offset``, ``offset_after`` (n, 3): of each slab, for picking.
    slabs : list of mapping
        Name, place, verdict, words of each slab, and whether its move is computed.
    origin : ndarray, shape (3,)
    left_out : str
        What is not drawn, in words; may be empty.
    shown : int
        Which of them the page begins at.
    """

    arrays: Mapping[str, NDArray[Any]]
    slabs: Sequence[Mapping[str, Any]]
    origin: Floats
    left_out: str
    shown: int


def packed(array: NDArray[Any]) -> str:
    """Return an array's bytes, little-endian, in base64."""
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode("ascii")


def simpler(section: Section, *, notches: bool) -> Section:
    """Return a section whose outlines have fewer corners, or are rectangles."""
    rings = []
    for ring in section.outlines:
        polygon = Polygon(ring)
        shape = polygon.simplify(_ROUND) if notches else polygon.envelope
        rings.append(np.asarray(get_coordinates(shape.exterior)[:-1]))
    return replace(section, outlines=tuple(rings))


def _joined(bodies: list[tuple[int, Floats, Integers]]) -> tuple[Floats, NDArray[np.float32], Integers]:
    points, keys, faces, first = [np.empty((0, 3))], [np.empty(0)], [np.empty((0, 3), dtype=np.int64)], 0
    for key, body, triangles in bodies:
        points.append(body)
        keys.append(np.full(len(body), key))
        faces.append(triangles + first)
        first += len(body)
    return np.concatenate(points), np.concatenate(keys).astype(np.float32), np.concatenate(faces)


def _around(show: Show, slabs: Integers, origin: Floats, *, fine: bool) -> list[tuple[int, Floats, Integers]]:
    """Return what lies around slabs: number of its kind, points, triangles."""
    section = show.section
    bodies = [(0, *bed_body(section, slabs, origin)), (4, *ground_body(show, slabs, origin))]
    if len(section.anchor_position):
        near = np.flatnonzero(np.isin(nearest_slab(section, section.anchor_position), slabs))
        if len(near):
            bodies.append((1, *anchor_body(section, near, origin, sides=16 if fine else 8)))
    for rail in (section.rail_left, section.rail_right):
        beside = nearest_slab(section, rail) if len(rail) else np.empty(0, dtype=np.int64)
        run = np.flatnonzero(np.isin(beside, slabs))[:: 1 if fine else 3]
        if len(run) > 1:
            line, up = rail[run] - origin, section.target_rotation[beside[run], :, 2]
            right = np.cross(np.gradient(line, axis=0), up)
            right /= np.linalg.norm(right, axis=1, keepdims=True)
            bodies.append((2, *sweep(_BAR, line, right, up)))
    for number, kind in enumerate(show.types if fine else ()):
        members = slabs[section.type_index[slabs] == number]
        apart = float(np.linalg.norm(section.rail_right[0] - section.rail_left[0])) if len(section.rail_left) else 1.5
        seats = np.stack(np.meshgrid([-apart / 2, apart / 2], kind.seats, indexing="ij"), axis=-1).reshape(-1, 2)
        body, faces = boxes(np.column_stack([seats, np.full(len(seats), 0.03)]), [0.17, 0.08, 0.03])
        points = body @ section.target_rotation[members].swapaxes(-1, -2)
        points += (section.target_position[members] - origin)[:, None]
        start = len(body) * np.arange(len(members))
        bodies.append((3, points.reshape(-1, 3), (start[:, None, None] + faces).reshape(-1, 3)))
    return bodies


def web_section(show: Show, most: int = MOST_SLABS) -> WebSection:
    """Return a section for a page.

    Parameters
    ----------
    show : Show
    most : int
        Slabs on the page at most.
    """
    section = show.section
    first = int(np.clip(show.slab - most // 2, 0, max(len(section) - most, 0)))
    slabs = np.arange(first, min(len(section), first + most))
    fine = len(slabs) <= FINE_SLABS
    plain = simpler(section, notches=fine)
    origin = section.target_position[show.slab]
    here, there = (slab_mesh(plain, slabs, layer=show.layer, factor=factor, origin=origin) for factor in (1.0, 0.0))
    share = np.clip(show.layer.scale.share(here.value_of_point), -1.0, 1.0)
    moved = np.flatnonzero(show.moved[here.slab_of_point])
    after = slab_mesh(
        replace(show.after, outlines=plain.outlines), slabs, layer=show.after_layer, factor=1.0, origin=origin
    )
    moved_share = np.clip(show.layer.scale.share(after.value_of_point[moved]), -1.0, 1.0)
    around, key, around_faces = _joined(_around(show, slabs, origin, fine=fine))
    size = np.column_stack([section.size[slabs] / 2, np.array(section.thickness)[section.type_index[slabs]] / 2])
    offset, offset_after = (
        np.einsum("sij,sj->si", of.target_rotation[slabs],
                  np.nan_to_num(deviation_at_mm(of, slabs, np.zeros((1, 3)))[:, 0] * 0.001))
        for of in (section, show.after)
    )  # fmt: skip
    arrays: dict[str, NDArray[Any]] = {
        "base": there.points.astype("<f4"),
        "shift": (here.points - there.points).astype("<f4"),
        "share": np.where(np.isnan(share), NO_VALUE, share).astype("<f4"),
        "slab": (here.slab_of_point - first).astype("<f4"),
        "faces": here.faces.astype("<u4"),
        "moved": moved.astype("<u4"),
        "moved_shift": (after.points - there.points)[moved].astype("<f4"),
        "moved_share": np.where(np.isnan(moved_share), NO_VALUE, moved_share).astype("<f4"),
        "around": around.astype("<f4"),
        "around_key": key.astype("<f4"),
        "around_faces": around_faces.astype("<u4"),
        "centre": (section.target_position[slabs] - origin).astype("<f4"),
        "axes": section.target_rotation[slabs].astype("<f4"),
        "half": size.astype("<f4"),
        "offset": offset.astype("<f4"),
        "offset_after": offset_after.astype("<f4"),
    }
    told = [
        {
            "name": visible(str(section.slab_names[slab])),
            "place": place_words(section, float(section.distance[slab])),
            "verdict": int(section.verdict[slab]),
            "words": slab_words(show, slab),
            "moved": bool(show.moved[slab]),
        }
        for slab in slabs.tolist()
    ]
    left_out = ""
    if len(slabs) < len(section):
        left_out = f"Of {len(section)} slabs the {len(slabs)} around slab {show.name} are shown. "
    left_out += "" if fine else "Notches and fasteners are too small to be seen here, and left out."
    return WebSection(arrays, told, origin, left_out.strip(), show.slab - first)


def layers_data(show: Show, light: Palette, dark: Palette) -> dict[str, Any]:
    """Return the layers of the track under the shown slab for a page: arrays in base64, names, lifts, colours."""
    parts, others = parts_of(show, light, show.slab), parts_of(show, dark, show.slab)
    points, key, faces = _joined([(number, part.points, part.faces) for number, part in enumerate(parts)])
    return {
        "points": packed(points.astype("<f4")),
        "key": packed(key.astype("<f4")),
        "faces": packed(faces.astype("<u4")),
        "parts": [
            {"title": part.title, "note": part.note, "hold": part.hold.tolist(), "lift": part.lift,
             "light": part.colour, "dark": other.colour}
            for part, other in zip(parts, others, strict=True)
        ],
    }  # fmt: skip
