"""The surveyed bed: a triangulation of its points, where it ends, and what it may do between its points.

Between points nobody has looked. How much the bed departs there from the plane triangles is told by the points
themselves: each is compared with the plane through its neighbours, as if it had not been measured. What this
residual has more than the points' own noise is the roughness of the bed at the spacing of the survey.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import Delaunay, QhullError, cKDTree

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

__all__ = ["Bed", "build_bed"]

Bools = npt.NDArray[np.bool_]

_ONE_PLACE = 0.01  # points nearer to each other in plan are one place: a triangle between them is all noise, m
_THIN = 1e-3  # a triangle this thin lies on the rim, between points that are on one line but for rounding, m
_FAR_OUT = 1.0  # a point that its neighbours predict with more than their own variance lies on the rim


@dataclass(frozen=True, eq=False)
class Bed:
    """A surveyed bed of p places and t triangles.

    Attributes
    ----------
    xyz : ndarray, shape (p, 3)
        Easting, northing, level, m.
    sigma : ndarray, shape (p,)
        Standard uncertainty of each level that is its own, m.
    shared : float
        Standard uncertainty of what all levels share, m: the control of the bed's survey against that of the slabs.
    place_of : ndarray of int, shape (q,)
        Place of each surveyed point; points nearer than 10 mm to each other in plan are one place.
    spread : ndarray, shape (p,)
        Largest less smallest level of the points of a place, m; 0 for one point.
    triangles : ndarray of int, shape (t, 3)
        Delaunay in plan, without those that have an edge longer than was asked for.
    residual : ndarray, shape (p,)
        Level less the plane through the neighbours, m; nan where these do not surround the place.
    leverage : ndarray, shape (p,)
        Variance of that plane at the place for neighbours of variance 1; nan likewise.
    roughness2 : ndarray, shape (p,)
        Square of the residual less what noise makes of it, over 1 + leverage, m^2; may be negative, nan likewise.
        Its mean over places is the variance of the bed's roughness there.
    mesh : Delaunay, optional
        The triangulation with all triangles; None without any.
    row_of : ndarray of int
        Row in `triangles` of each triangle of the mesh; -1 for those that have no bed.
    """

    xyz: Floats
    sigma: Floats
    shared: float
    place_of: Ints
    spread: Floats
    triangles: Ints
    residual: Floats
    leverage: Floats
    roughness2: Floats
    mesh: Delaunay | None = field(default=None, repr=False)
    row_of: Ints = field(default_factory=lambda: np.empty(0, dtype=np.intp), repr=False)

    def level_at(self, xy: Floats) -> Floats:
        """Return the level of the triangulated bed, shape (...), m; nan where there is none.

        Parameters
        ----------
        xy : ndarray, shape (..., 2)
            Easting and northing, m.
        """
        result = np.full(xy.shape[:-1], np.nan)
        if self.mesh is None:
            return result
        local = xy - self.xyz[:, :2].mean(axis=0)
        known = np.asarray(np.isfinite(local).all(axis=-1))
        found = np.full(known.shape, -1, dtype=np.intp)
        found[known] = self.mesh.find_simplex(local[known])
        row = np.where(found >= 0, self.row_of[found], -1)
        known = row >= 0
        at = local[known]
        transform = self.mesh.transform[found[known]]
        first = np.einsum("mij,mj->mi", transform[:, :2], at - transform[:, 2])
        weights = np.concatenate([first, 1 - first.sum(axis=1, keepdims=True)], axis=1)
        result[known] = (weights * self.xyz[self.mesh.simplices[found[known]], 2]).sum(axis=1)
        return result

    @cached_property
    def limit(self) -> shapely.Geometry:
        """The surveyed bed in plan, a polygon or several, easting and northing, m; empty without triangles."""
        corners = self.xyz[self.triangles][..., :2]
        if not len(corners):
            return shapely.Polygon()
        # about a local origin, where the overlay has digits to spare
        origin = self.xyz[0, :2]
        union = shapely.coverage_union_all(shapely.polygons(corners - origin))
        return shapely.transform(union, lambda xy: xy + origin)


def build_bed(xyz: Floats, sigma: Floats, shared: float, longest_edge: float) -> Bed:
    """Triangulate surveyed bed points.

    Parameters
    ----------
    xyz : ndarray, shape (q, 3)
        Easting, northing, level, m; scattered or a grid, in any order, points may stand there twice.
    sigma : ndarray, shape (q,)
        Standard uncertainty of each level, m.
    shared : float
        Standard uncertainty of what all levels share, m.
    longest_edge : float
        Triangles with a longer edge in plan have no bed under them, m.

    Returns
    -------
    Bed
        Without triangles where the points span none: fewer than three, or all on one line.

    Notes
    -----
    Points of one place are averaged by their weights. Where they disagree, half their spread is the least
    uncertainty of the place: nobody knows which of them is right.
    """
    place_of, places, levels_sigma, spread = _merged(np.asarray(xyz, dtype=np.float64), np.asarray(sigma))
    mesh, kept = _triangles(places, longest_edge)
    triangles = np.empty((0, 3), dtype=np.intp) if mesh is None else mesh.simplices[kept].astype(np.intp)
    residual, leverage, noise = _left_out(places, levels_sigma, triangles)
    return Bed(
        xyz=places,
        sigma=levels_sigma,
        shared=float(shared),
        place_of=place_of,
        spread=spread,
        triangles=triangles,
        residual=residual,
        leverage=leverage,
        roughness2=(residual**2 - noise) / (1 + leverage),
        mesh=mesh,
        row_of=np.where(kept, np.cumsum(kept) - 1, -1).astype(np.intp),
    )


def _merged(xyz: Floats, sigma: Floats) -> tuple[Ints, Floats, Floats, Floats]:
    """Return the place of each point, and of the places: coordinates, sigma and spread of the levels."""
    count = len(xyz)
    if not count:
        return np.empty(0, dtype=np.intp), np.empty((0, 3)), np.empty(0), np.empty(0)
    origin = xyz[0]
    local = xyz - origin
    pairs = cKDTree(local[:, :2]).query_pairs(_ONE_PLACE, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    size, labels = connected_components(links, directed=False)
    place_of = labels.astype(np.intp)
    weight = sigma**-2.0
    total = np.bincount(place_of, weight, size)
    # in units of each place's own weight, so that a single point comes out as it went in
    share = weight / total[place_of]
    merged = np.stack([np.bincount(place_of, share * axis, size) for axis in local.T], axis=1)
    low, high = np.full(size, np.inf), np.full(size, -np.inf)
    np.minimum.at(low, place_of, local[:, 2])
    np.maximum.at(high, place_of, local[:, 2])
    spread = high - low
    return place_of, merged + origin, np.maximum(total**-0.5, spread / 2), spread


def _triangles(xyz: Floats, longest_edge: float) -> tuple[Delaunay | None, Bools]:
    """Return the triangulation in plan, and which of its triangles are neither long nor thin."""
    if len(xyz) < 3:
        return None, np.empty(0, dtype=bool)
    xy = xyz[:, :2] - xyz[:, :2].mean(axis=0)
    try:
        mesh = Delaunay(xy)
    except QhullError:  # all on one line
        return None, np.empty(0, dtype=bool)
    corners = xy[mesh.simplices]
    edges = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=-1)
    a, b = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    doubled = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
    longest = edges.max(axis=1)
    return mesh, np.asarray((longest <= longest_edge) & (doubled > _THIN * longest))


def _left_out(xyz: Floats, sigma: Floats, triangles: Ints) -> tuple[Floats, Floats, Floats]:
    """Return level less the plane through the neighbours, the leverage, and the variance that noise alone gives."""
    size = len(xyz)
    pairs = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    # one number for each pair: rows are sorted ten times slower
    pairs = np.unique(np.concatenate([pairs, pairs[:, ::-1]]) @ np.array([size, 1]))
    here, there = pairs // max(size, 1), pairs % max(size, 1)
    x, y, z = (xyz[there] - xyz[here]).T

    def summed(values: Floats) -> Floats:
        return np.bincount(here, values, size).astype(np.float64)

    terms = (np.ones_like(x), x, y)
    normal = np.stack([np.stack([summed(a * b) for a in terms], axis=-1) for b in terms], axis=-2)
    right = np.stack([summed(a * z) for a in terms], axis=-1)
    # neighbours on one line, or fewer than three, carry no plane
    unit = np.sqrt(np.maximum(np.einsum("pii->pi", normal), 1e-30))
    scaled = normal / (unit[:, :, None] * unit[:, None, :])
    solvable = (normal[:, 0, 0] >= 3) & (np.linalg.det(scaled) > 1e-6)
    scaled = np.where(solvable[:, None, None], scaled, np.eye(3))
    first = np.linalg.solve(scaled, np.broadcast_to(np.array([[1.0], [0.0], [0.0]]), (size, 3, 1)))[..., 0]
    leverage = first[:, 0] / unit[:, 0] ** 2
    predicted = (first * (right / unit)).sum(axis=1) / unit[:, 0]
    known = solvable & (leverage <= _FAR_OUT)
    neighbours = summed(sigma[there] ** 2) / np.maximum(normal[:, 0, 0], 1.0)
    noise = sigma**2 + leverage * neighbours
    return tuple(np.where(known, values, np.nan) for values in (-predicted, leverage, noise))  # type: ignore[return-value]
