"""The rails of a close view: as designed, and displaced and coloured where a layer has values along them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.close_place import Place
from viewer.colours import INK, RAIL
from viewer.layer import Layer, RailTrace
from viewer.stage import add_lines, add_values

__all__ = ["draw_rails"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


def draw_rails(plotter: Any, place: Place, layer: Layer) -> Floats:
    """Draw the design rails; with a layer of rails as thin lines, and beside them the rails displaced and coloured.

    Returns
    -------
    ndarray, shape (k, 3)
        Points of the displaced rails over their seats, the left rail's first, in the view's frame, m.
    """
    import pyvista

    rails = layer.rails
    line: Any = pyvista.lines_from_points
    none = np.empty((0, 3))
    for rail in (place.section.rail_left, place.section.rail_right):
        run = _near(rail, place.origin, place.reach) @ place.frame
        if len(run) < 2:
            continue
        if rails is None:
            tube = line(run.astype(np.float32)).tube(radius=0.035, n_sides=10)
            plotter.add_mesh(tube, color=RAIL, ambient=0.6, diffuse=0.4, specular=0.0, reset_camera=False, render=False)
        else:
            add_lines(plotter, run[:-1], run[1:], INK, 2.0, front=True)
    if rails is None:
        return none
    seats = np.flatnonzero(np.isin(rails.slab, place.slabs))
    drawn = [none]
    for which, rail in enumerate((place.section.rail_left, place.section.rail_right)):
        if len(rail) < 2 or len(seats) < 2:
            continue
        points = _on_rail(place, rail, rails, seats, which)
        value = rails.value_mm[seats, min(which, rails.value_mm.shape[1] - 1)]
        for part in np.split(np.arange(len(seats)), np.flatnonzero(~rails.joined[seats[:-1]]) + 1):
            # Pieces of a rail, so that one without a value stays without a colour from its neighbours.
            if len(part) > 1:
                body = line(points[part].astype(np.float32))
                body.point_data["value_mm"] = value[part]
                tube = body.tube(radius=0.07, n_sides=12).triangulate()
                faces = np.asarray(tube.faces).reshape(-1, 4)[:, 1:]
                points_of, values = (np.asarray(one, dtype=np.float64) for one in (tube.points, tube["value_mm"]))
                add_values(plotter, points_of, faces, values, layer.scale, side=0.85)
        drawn.append(points)
    return np.concatenate(drawn)


def _on_rail(place: Place, rail: Floats, rails: RailTrace, seats: Integers, which: int) -> Floats:
    """Return where a rail is drawn over seats: on the design rail, displaced by its exaggerated shift."""
    from scipy.spatial import KDTree

    section = place.section
    slab = rails.slab[seats]
    shift = np.nan_to_num(rails.shift_mm[seats, which]) * (0.001 * place.factor)
    # The design rail runs in points; over a seat it lies where it passes the plane square to the slab there.
    along = section.target_rotation[slab, :, 1]
    ahead = rails.distance[seats] - section.distance[slab]
    foot = section.target_position[slab] + along * ahead[:, None]
    nearest = KDTree(rail - place.origin).query(foot - place.origin)[1]
    before = np.clip(nearest - 1, 0, len(rail) - 2)
    for _ in range(2):  # the piece of the rail on which the plane is passed
        share = _passing(rail, before, foot, along)
        before = np.clip(before + np.where(share > 1.0, 1, 0) - np.where(share < 0.0, 1, 0), 0, len(rail) - 2)
    share = _passing(rail, before, foot, along)
    point = rail[before] + share[:, None] * (rail[before + 1] - rail[before]) - place.origin
    point += section.target_rotation[slab, :, 0] * shift[:, :1] + section.target_rotation[slab, :, 2] * shift[:, 1:]
    points: Floats = point @ place.frame
    return points


def _passing(rail: Floats, before: Integers, foot: Floats, along: Floats) -> Floats:
    """Return where pieces of a polyline pass planes square to ``along`` through ``foot``, as part of the piece."""
    start, way = rail[before], rail[before + 1] - rail[before]
    share: Floats = ((foot - start) * along).sum(axis=1) / (way * along).sum(axis=1)
    return share


def _near(line: Floats, origin: Floats, reach: float) -> Floats:
    """Return the part of a polyline within reach of the origin, about it."""
    about = line - origin
    return about[np.linalg.norm(about, axis=1) < reach] if len(line) else about
