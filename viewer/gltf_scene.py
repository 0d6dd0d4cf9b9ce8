"""The section as bodies of a scene for other programs: slabs at target and as built, rails, bed, anchors.

Bodies are short stretches of the line with an origin of their own: their numbers stay small, so that what a reader
keeps in 32 bits is good to 10 micrometres on a line of any length.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.bodies import anchor_body, bed_body, nearest_slab
from viewer.close import exaggeration
from viewer.colours import ANCHOR, BED, RAIL, UNKNOWN, colours
from viewer.layer import VERDICT_WORDS, Layer
from viewer.mesh import slab_mesh
from viewer.section import Section
from viewer.sheet import factor_text

__all__ = ["Body", "Scene3D", "scene_of"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_STRETCH = 24  # slabs of a body, about 120 m
_CELLS = (4, 4)  # parts along and across a slab into which its face is cut
_TARGET = "#5b7f9d"
_HEAD, _TALL = 0.036, 0.15  # half the width of a drawn rail, and its height, m


@dataclass(frozen=True, eq=False)
class Body:
    """Triangles of one kind.

    Attributes
    ----------
    name : str
    origin : ndarray, shape (3,)
        In the grid, m.
    points : ndarray, shape (p, 3)
        Grid directions, m about the origin.
    faces : ndarray of int, shape (f, 3)
        Anticlockwise seen from outside.
    colour : ndarray, shape (p, 3), or str
        sRGB of each point, 0 to 1, or one colour for all.
    told : mapping
        What else is known of it, plain values.
    """

    name: str
    origin: Floats
    points: Floats
    faces: Integers
    colour: Floats | str
    told: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Scene3D:
    """A section in space.

    Attributes
    ----------
    title : str
    origin : ndarray, shape (3,)
        Whole metres in the grid near the middle of the section, m.
    groups : mapping of str to list of Body
        By what they are.
    factor : float
        Exaggeration of the deviations.
    bed_lowered : float
        How much lower than it lies the bed is drawn, m.
    """

    title: str
    origin: Floats
    groups: Mapping[str, list[Body]]
    factor: float
    bed_lowered: float


def scene_of(section: Section, layer: Layer, factor: float | None = None) -> Scene3D:
    """Return the bodies of a section; built slabs are coloured by a layer with a field.

    Parameters
    ----------
    section : Section
    layer : Layer
    factor : float, optional
        Exaggeration of the deviations; a round one at which they can be seen if not given.
    """
    every = np.arange(len(section))
    layer = _finer(layer)
    factor = exaggeration(section, every) if factor is None else factor
    stretches = np.array_split(every, max(1, -(-len(every) // _STRETCH)))
    # built slabs that are drawn below the true bed would be hidden by it
    down = float(-np.nan_to_num(section.corner_deviation_mm[..., 2]).min(initial=0.0)) * 0.001 * factor
    lowered = max(0.0, down - (section.bed_depth - max(section.thickness)))
    target = [_slabs(section, slabs, None, 0.0, "target") for slabs in stretches]
    built, missing = [], []
    for slabs in stretches:
        measured = section.measured[slabs]
        built += [_slabs(section, slabs[measured], layer, factor, "built")] if measured.any() else []
        missing += [] if measured.all() else [_slabs(section, slabs[~measured], None, 0.0, "not measured")]
    groups = {
        "slabs target": target,
        f"slabs built, deviations \N{MULTIPLICATION SIGN}{factor_text(factor)}": built,
        "slabs not measured": missing,
        "rails": _rails(section, stretches),
        "bed": [_bed(section, slabs, lowered) for slabs in stretches],
        "anchors": _anchors(section, stretches, lowered),
    }
    origin = np.rint(section.target_position[len(section) // 2])
    return Scene3D(section.title, origin, {name: bodies for name, bodies in groups.items() if bodies}, factor, lowered)


def _finer(layer: Layer) -> Layer:
    """Return a layer whose field has more points: a colour half way between two is not that of the value half way."""
    if layer.field is None or layer.field.shape[1:] != (2, 2):
        return layer
    along, across = (np.linspace(0.0, 1.0, cells + 1) for cells in _CELLS)
    weights = [np.stack([1.0 - share, share], axis=1) for share in (along, across)]
    # matrix products, as nan at one corner has to be nan wherever that corner has a share
    return replace(layer, field=weights[0] @ layer.field @ weights[1].T)


def _from_to(section: Section, slabs: Integers) -> str:
    first, last = (str(section.slab_names[slab]) for slab in (slabs[0], slabs[-1]))
    return first if len(slabs) == 1 else f"{first} to {last}"


def _slabs(section: Section, slabs: Integers, layer: Layer | None, factor: float, what: str) -> Body:
    mesh = slab_mesh(section, slabs, layer=layer, factor=factor)
    told: dict[str, Any] = {"slabs": section.slab_names[slabs].tolist()}
    colour: Floats | str = UNKNOWN if what == "not measured" else _TARGET
    if layer is not None:
        colour = colours(layer.scale.share(mesh.value_of_point), 1.0)
        told |= {
            "verdicts": [VERDICT_WORDS[int(verdict)] for verdict in section.verdict[slabs]],
            f"largest_{layer.name}_mm": layer.worst[slabs],
            "exaggeration": factor,
        }
    return Body(f"slabs {what} {_from_to(section, slabs)}", mesh.origin, mesh.points, mesh.faces, colour, told)


def _rails(section: Section, stretches: list[Integers]) -> list[Body]:
    """Return both rails beside stretches of slabs as upright bars whose tops are the design rails."""
    bodies = []
    for side, rail in (("left", section.rail_left), ("right", section.rail_right)):
        if len(rail) < 2:
            continue
        beside = nearest_slab(section, rail)
        for slabs in stretches:
            near = np.flatnonzero((beside >= slabs[0]) & (beside <= slabs[-1]))
            # one point more at the end, so that bars of neighbouring stretches meet
            run = rail[near[0] : near[-1] + 2] if len(near) else rail[:0]
            if len(run) < 2:
                continue
            origin = section.target_position[slabs[0]]
            points, faces = _bar(run - origin)
            bodies.append(Body(f"{side} rail beside {_from_to(section, slabs)}", origin, points, faces, RAIL))
    return bodies


def _bar(line: Floats) -> tuple[Floats, Integers]:
    """Return an upright bar below a line, shape (k, 3)."""
    along = np.gradient(line[:, :2], axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    right = np.column_stack([along[:, 1], -along[:, 0], np.zeros(len(line))]) * _HEAD
    low = np.array([0.0, 0.0, -_TALL])
    points = np.stack([line - right, line + right, line + right + low, line - right + low], axis=1)
    start = 4 * np.arange(len(line) - 1)[:, None]
    here, following = np.arange(4), (np.arange(4) + 1) % 4
    first = np.stack([start + here, start + following, start + 4 + following], axis=-1)
    second = np.stack([start + here, start + 4 + following, start + 4 + here], axis=-1)
    last = 4 * (len(line) - 1)
    ends = np.array([[0, 3, 2], [0, 2, 1], [last, last + 1, last + 2], [last, last + 2, last + 3]])
    return points.reshape(-1, 3), np.concatenate([first.reshape(-1, 3), second.reshape(-1, 3), ends])


def _bed(section: Section, slabs: Integers, lowered: float) -> Body:
    origin = section.target_position[slabs[0]]
    points, faces = bed_body(section, slabs, origin)
    points[:, 2] -= lowered
    return Body(f"bed under {_from_to(section, slabs)}", origin, points, faces, BED, {"lowered_m": lowered})


def _anchors(section: Section, stretches: list[Integers], lowered: float) -> list[Body]:
    if not len(section.anchor_position):
        return []
    beside = nearest_slab(section, section.anchor_position)
    bodies = []
    for slabs in stretches:
        mine = np.flatnonzero(np.isin(beside, slabs))
        if len(mine):
            origin = section.target_position[slabs[0]]
            points, faces = anchor_body(section, mine, origin, drop=lowered)
            bodies.append(Body(f"anchors beside {_from_to(section, slabs)}", origin, points, faces, ANCHOR))
    return bodies
