"""Rigid fit of slabs to their measured marks, all slabs at once, with tests for blunders.

In the slab's own frame the design matrix is constant, so slabs with the same type, the same measured marks
and the same sigmas share one gain matrix. The frame is turned and the fit repeated until it stays; freezing
the frame at the target instead would leave errors of 5 to 120 um.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from geometry.alignment.frames import rotation_of_vector
from geometry.alignment.laws import Floats

from .points import Ints

__all__ = ["Design", "Fits", "designs", "fit_slabs", "movement_rows"]

Bools = npt.NDArray[np.bool_]
_ALPHA = 0.001  # level of the tests, two-sided (Baarda's usual choice)
CRITICAL_W = float(stats.norm.isf(_ALPHA / 2))  # 3.29
_NO_CHECK = 0.01  # a redundancy number below this: the coordinate is practically unchecked
_ITERATIONS = 6
_LARGE_GROUP = 64  # groups of at least this many slabs get a matrix product of their own


@dataclass(frozen=True, eq=False)
class Design:
    """Constant matrices of g groups of slabs; m marks, coordinates flattened mark by mark to 3 m.

    Attributes
    ----------
    gain : ndarray, shape (g, 6, 3m)
        From observed less computed coordinates in the slab's frame to the six corrections.
    covariance : ndarray, shape (g, 6, 6)
        Of across, along, up (m), pitch, roll, yaw (rad); nan where not determined.
    redundancy : ndarray, shape (g, 3m)
        Part of an error of each coordinate that shows in its residual, 0 to 1; nan where not measured.
    sigma : ndarray, shape (g, 3m)
        m; infinite where not measured.
    removal : ndarray, shape (g, m, 3, 3)
        Quadratic form giving how much the weighted sum of squares falls when a mark is left out; nan where
        the fit does not stand without it.
    freedom : ndarray, shape (g,)
        Degrees of freedom; negative where not determined.
    type_index : ndarray of int, shape (g,)
        Slab type of the group.
    """

    gain: Floats
    covariance: Floats
    redundancy: Floats
    sigma: Floats
    removal: Floats
    freedom: Ints
    type_index: Ints


@dataclass(frozen=True, eq=False)
class Fits:
    """Fitted poses of n slabs; everything nan where a slab is not determined.

    Attributes
    ----------
    position, rotation : ndarray, shape (n, 3) and (n, 3, 3)
        Built pose: centre of the top face in the grid, m, and slab to grid.
    group : ndarray of int, shape (n,)
        Row of `design` of each slab.
    design : Design
    residual : ndarray, shape (n, m, 3)
        Measured less fitted, in the slab's frame, m.
    w : ndarray, shape (n, m, 3)
        Standardised residual; nan without a check.
    measured : ndarray of bool, shape (n, m)
        Marks that the fit uses.
    misfit : ndarray, shape (n,)
        Weighted sum of squares; chi-square distributed with `design.freedom` degrees if all is well.
    suspicious : ndarray of bool, shape (n,)
        The global test fails at the 0.1 percent level.
    explained : ndarray of bool, shape (n, m)
        Where suspicious: marks whose removal alone lets the rest pass.
    """

    position: Floats
    rotation: Floats
    group: Ints
    design: Design
    residual: Floats
    w: Floats
    measured: Bools
    misfit: Floats
    suspicious: Bools
    explained: Bools

    @property
    def determined(self) -> Bools:
        """Whether each slab has a pose, shape (n,): three marks or more that are not on one line."""
        return np.asarray(self.design.freedom[self.group] >= 0)

    @property
    def checked(self) -> Bools:
        """Whether anything checks the fit in height, shape (n,): four marks or more."""
        return np.asarray(self.determined & (self.measured.sum(axis=1) >= 4))

    @property
    def covariance(self) -> Floats:
        """Covariance of each pose, shape (n, 6, 6): across, along, up, pitch, roll, yaw; m and rad."""
        return self.design.covariance[self.group]


def movement_rows(places: Floats) -> Floats:
    """Return how places of a slab move with across, along, up, pitch, roll, yaw.

    Parameters
    ----------
    places : ndarray, shape (..., 3)
        In the slab's frame, m.

    Returns
    -------
    ndarray, shape (..., 3, 6)
        Movement across, along, up of each place, per metre or per radian. Pitch + forward end up, roll + left
        side up, yaw + clockwise seen from above.
    """
    rows = np.zeros((*places.shape, 6))
    x, y, z = np.moveaxis(places, -1, 0)
    rows[..., 0, 0] = rows[..., 1, 1] = rows[..., 2, 2] = 1.0
    rows[..., 1, 3], rows[..., 2, 3] = -z, y
    rows[..., 0, 4], rows[..., 2, 4] = z, -x
    rows[..., 0, 5], rows[..., 1, 5] = y, -x
    return rows


def designs(places: Floats, sigma: Floats, type_index: Ints) -> Design:
    """Return the constant matrices of groups of slabs.

    Parameters
    ----------
    places : ndarray, shape (g, m, 3)
        Marks in the slab's frame, m.
    sigma : ndarray, shape (g, m, 3)
        Standard uncertainty across, along, up, m; nan for a mark that was not measured.
    type_index : ndarray of int, shape (g,)
        Kept with the result.
    """
    g, m = places.shape[:2]
    measured = np.asarray(np.isfinite(sigma).all(axis=2) & np.isfinite(places).all(axis=2))
    rows = movement_rows(np.where(measured[..., None], places, 0.0)).reshape(g, 3 * m, 6)
    weight = np.where(measured[..., None], np.nan_to_num(sigma, nan=1.0) ** -2.0, 0.0).reshape(g, 3 * m)
    # metres and radians over a slab's size are alike enough; weights are scaled to stay near 1
    scale = weight.max(axis=1, initial=0.0, keepdims=True)
    scale[scale == 0] = 1.0
    weighted = rows * (weight / scale)[..., None]
    normal = np.swapaxes(rows, 1, 2) @ weighted
    determined = np.linalg.cond(normal) < 1e9
    safe = np.where(determined[:, None, None], normal, np.eye(6))
    unscaled = np.linalg.solve(safe, np.broadcast_to(np.eye(6), safe.shape))
    gain = np.linalg.solve(safe, np.swapaxes(weighted, 1, 2))
    covariance = unscaled / scale[..., None]
    fitted = np.einsum("gik,gkl,gjl->gij", rows, covariance, rows)
    flat = np.repeat(measured, 3, axis=1)
    redundancy = np.where(flat, 1 - np.einsum("gii->gi", fitted) * weight, np.nan)

    blocks = np.arange(3 * m).reshape(m, 3)
    fitted_blocks = fitted[:, blocks[:, :, None], blocks[:, None, :]]
    mark_weight = weight.reshape(g, m, 3)
    # P (P Qvv P)^-1 P over one mark, with P Qvv P = P - P A Q A^T P
    inner = mark_weight[..., None] * np.eye(3) - mark_weight[..., :, None] * fitted_blocks * mark_weight[..., None, :]
    unit = mark_weight.max(axis=2)[..., None, None]
    inner = np.divide(inner, unit, out=np.broadcast_to(np.eye(3), inner.shape).copy(), where=unit > 0)
    stands = measured & (np.linalg.cond(inner) < 1e6)
    inverse = np.linalg.inv(np.where(stands[..., None, None], inner, np.eye(3)))
    removal = mark_weight[..., :, None] * inverse * mark_weight[..., None, :]
    removal = np.divide(removal, unit, out=np.zeros_like(removal), where=unit > 0)
    count = measured.sum(axis=1)
    return Design(
        gain=np.where(determined[:, None, None], gain, np.nan),
        covariance=np.where(determined[:, None, None], covariance, np.nan),
        redundancy=np.where(determined[:, None], np.clip(redundancy, 0.0, 1.0), np.nan),
        sigma=np.where(flat, np.nan_to_num(sigma.reshape(g, 3 * m), nan=np.inf), np.inf),
        removal=np.where((stands & determined[:, None])[..., None, None], removal, np.nan),
        freedom=np.where(determined, 3 * count - 6, -1).astype(np.intp),
        type_index=type_index,
    )


def _groups(type_index: Ints, sigma: Floats) -> tuple[Ints, Ints]:
    """Return one slab of each group, (g,), and the group of each slab, (n,)."""
    # one number per slab instead of sorting rows: sums of sigmas with weights that no two sets share
    weights = np.sqrt(np.arange(2, 2 + sigma[0].size) * 1.000123).reshape(sigma.shape[1:])
    key = np.einsum("nmc,mc->n", np.where(np.isnan(sigma), 7.0, sigma), weights) + 1e3 * type_index
    _, first, group = np.unique(key, return_index=True, return_inverse=True)
    return first, group


def _apply(matrices: Floats, group: Ints, values: Floats) -> Floats:
    """Return matrices[group] @ values: (g, i, j), (n,), (n, j) -> (n, i), without the large gather."""
    result = np.empty((len(values), matrices.shape[1]))
    size = np.bincount(group, minlength=len(matrices))
    large = np.flatnonzero(size >= _LARGE_GROUP)
    for g in large:
        rows = slice(None) if size[g] == len(group) else np.flatnonzero(group == g)
        result[rows] = values[rows] @ matrices[g].T
    rest = np.flatnonzero(size[group] < _LARGE_GROUP)
    result[rest] = np.einsum("nij,nj->ni", matrices[group[rest]], values[rest])
    return result


def fit_slabs(
    position: Floats, rotation: Floats, places: Floats, type_index: Ints, xyz: Floats, sigma: Floats, scale: float = 1.0
) -> Fits:
    """Fit a rigid slab to the measured marks of each slab.

    Parameters
    ----------
    position, rotation : ndarray, shape (n, 3) and (n, 3, 3)
        Where the fit starts: the target poses; a few degrees off is near enough.
    places : ndarray, shape (t, m, 3)
        Marks of each type in the slab's frame, m; nan for marks that a type does not have.
    type_index : ndarray of int, shape (n,)
    xyz : ndarray, shape (n, m, 3)
        Measured grid coordinates, m; nan where not measured.
    sigma : ndarray, shape (n, m, 3)
        Their standard uncertainties, m, taken along the slab's axes across, along, up. With cant up to
        180 mm this mixes plan and level by less than 1.5 percent of the variance.
    scale : float
        Grid length over true length in plan.

    Returns
    -------
    Fits
        Poses to about 1e-10 m of the least-squares solution.
    """
    n, m = xyz.shape[:2]
    measured = np.asarray(np.isfinite(xyz).all(axis=2) & np.isfinite(sigma).all(axis=2))
    sigma = np.where(measured[..., None], sigma, np.nan)
    first, group = _groups(type_index, sigma)
    design = designs(places[type_index[first]], sigma[first], type_index[first])
    determined = design.freedom[group] >= 0
    gain = np.nan_to_num(design.gain)
    mark = np.nan_to_num(places)[type_index]
    seen = np.where(measured[..., None], xyz, 0.0)
    plan = np.array([scale, scale, 1.0])
    # about the first pose: differences of large coordinates are taken once
    local = (seen - position[:, None]) / plan
    shift, matrix = np.zeros((n, 3)), rotation
    used = measured[..., None]
    for _ in range(_ITERATIONS):
        miss = np.where(used, (local - shift[:, None]) @ matrix - mark, 0.0).reshape(n, 3 * m)
        step = _apply(gain, group, miss)
        shift = shift + (matrix @ step[:, :3, None])[..., 0]
        matrix = matrix @ rotation_of_vector(step[:, 3:] * (1.0, 1.0, -1.0))
        if not (np.abs(step) > 1e-7).any():  # the next step would be its square
            break
    miss = np.where(used, (local - shift[:, None]) @ matrix - mark, np.nan)
    weighted = np.where(used, miss / design.sigma.reshape(-1, m, 3)[group], 0.0)
    misfit = np.where(determined, np.einsum("nmc,nmc->n", weighted, weighted), np.nan)
    redundancy = design.redundancy.reshape(-1, m, 3)
    root = np.sqrt(np.where(redundancy >= _NO_CHECK, redundancy, np.nan))[group]
    freedom = np.maximum(design.freedom, 0)
    limit = np.where(design.freedom > 0, stats.chi2.isf(_ALPHA, np.maximum(freedom, 1)), np.inf)
    suspicious = determined & (misfit > limit[group])
    explained = _explained(design, group, miss, misfit, suspicious)
    nan = np.where(determined, 1.0, np.nan)
    return Fits(
        position=(position + shift * plan) * nan[:, None],
        rotation=matrix * nan[:, None, None],
        group=group.astype(np.intp),
        design=design,
        residual=miss * nan[:, None, None],
        w=weighted / root * np.where(used, nan[:, None, None], np.nan),
        measured=measured,
        misfit=misfit,
        suspicious=suspicious,
        explained=explained,
    )


def _explained(design: Design, group: Ints, miss: Floats, misfit: Floats, suspicious: Bools) -> Bools:
    explained = np.zeros(miss.shape[:2], dtype=bool)
    rows = np.flatnonzero(suspicious)
    if rows.size:
        residual = np.nan_to_num(miss[rows])
        fall = np.einsum("nmi,nmij,nmj->nm", residual, design.removal[group[rows]], residual)
        freedom = np.maximum(design.freedom[group[rows]] - 3, 0)
        limit = np.where(freedom > 0, stats.chi2.isf(_ALPHA, np.maximum(freedom, 1)), 0.0)
        explained[rows] = misfit[rows, None] - fall <= limit[:, None]  # nan fails
    return explained
