"""Rigid fit of slabs to their measured marks, all slabs at once, with tests for blunders.

In the slab's own frame the design matrix is constant, so slabs with the same type, the same measured marks
and the same covariance share one gain matrix. The frame is turned and the fit repeated until it stays;
freezing the frame at the target instead would leave errors of 5 to 120 um.

Arrays of many slabs are made in Fortran order: the slab is their first axis, but memory runs along the slabs, since
NumPy is fast along long axes and slow along those of three coordinates or four marks. Any order may be given.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import special

from geometry.alignment.frames import rotation_by_axes
from geometry.alignment.laws import Floats

from .blocks import blocks
from .points import Ints

__all__ = ["CRITICAL_W", "Design", "Fits", "designs", "fit_slabs", "movement_rows", "replaced", "times"]

Bools = npt.NDArray[np.bool_]
_ALPHA = 0.001  # level of the tests, two-sided (Baarda's usual choice)
CRITICAL_W = float(-special.ndtri(_ALPHA / 2))  # 3.29
_NO_CHECK = 0.01  # a redundancy number below this: the coordinate is practically unchecked
_ITERATIONS = 8
_SETTLED = 1e-7  # what comes after a step this small is a thousandth of it: residual over size of slab, m or rad


@dataclass(frozen=True, eq=False)
class Design:
    """Constant matrices of g groups of slabs; m marks, coordinates flattened mark by mark to 3 m.

    Attributes
    ----------
    gain : ndarray, shape (g, 6, 3m)
        From observed less computed coordinates in the slab's frame to the six corrections.
    covariance : ndarray, shape (g, 6, 6)
        Of across, along, up (m), pitch, roll, yaw (rad); nan where not determined.
    weight : ndarray, shape (g, 3m, 3m)
        Inverse covariance of the coordinates, 1/m^2; zero where not measured.
    redundancy : ndarray, shape (g, 3m)
        Part of an error of each coordinate that shows in its residual; nan where not measured.
    w_sigma : ndarray, shape (g, 3m)
        Standard deviation of weight times residual; nan without a check.
    removal : ndarray, shape (g, m, 3, 3)
        Quadratic form in weight times residual of one mark: how much the weighted sum of squares falls when
        it is left out; nan where the fit does not stand without it.
    freedom : ndarray, shape (g,)
        Degrees of freedom; negative where not determined.
    type_index : ndarray of int, shape (g,)
        Slab type of the group.
    """

    gain: Floats
    covariance: Floats
    weight: Floats
    redundancy: Floats
    w_sigma: Floats
    removal: Floats
    freedom: Ints
    type_index: Ints


_DESIGN = tuple(Design.__dataclass_fields__)
_FITTED = (
    "position", "rotation", "residual", "measured", "misfit", "suspicious", "explained", "common", "setup",
)  # fmt: skip


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
    measured : ndarray of bool, shape (n, m)
        Marks that the fit uses.
    misfit : ndarray, shape (n,)
        Weighted sum of squares; chi-square distributed with `design.freedom` degrees if all is well.
    suspicious : ndarray of bool, shape (n,)
        The global test fails at the 0.1 percent level.
    explained : ndarray of bool, shape (n, m)
        Where suspicious: marks whose removal alone lets the rest pass.
    common : ndarray, shape (n, 6, q k)
        What the uncertainty of the q set-ups that saw a slab does to its pose, as a factor with k causes
        for each: its product with its transpose is part of `covariance`, and slabs that one set-up saw share
        its causes. q is 0 if nothing is known of set-ups.
    setup : ndarray of int, shape (n, q)
        These set-ups; -1 for none.
    """

    position: Floats
    rotation: Floats
    group: Ints
    design: Design
    residual: Floats
    measured: Bools
    misfit: Floats
    suspicious: Bools
    explained: Bools
    common: Floats
    setup: Ints

    @property
    def determined(self) -> Bools:
        """Whether each slab has a pose, shape (n,): three marks or more that are not on one line."""
        return np.asarray(self.design.freedom[self.group] >= 0)

    @property
    def checked(self) -> Bools:
        """Whether anything checks the fit in height, shape (n,): four marks or more."""
        return np.asarray(self.determined & (self.measured.sum(axis=1) >= 4))

    @property
    def w(self) -> Floats:
        """Baarda's standardised residual of each coordinate, shape (n, m, 3).

        Normally distributed if all is well; nan without a check.
        """
        n, m = self.measured.shape
        w = np.empty((n, m, 3), order="F")
        for rows in blocks(n):
            miss = np.where(self.measured[rows].T, self.residual[rows].T, 0.0)
            group = self.group[rows]
            weighted = _product(self.design.weight, group, np.swapaxes(miss, 0, 1).reshape(3 * m, -1))
            w[rows] = (weighted / _in_columns(self.design.w_sigma, group)).reshape(m, 3, -1).transpose(2, 0, 1)
        return w

    def of(self, slabs: Ints) -> Fits:
        """Return the fits of some of the slabs, in the order asked for."""
        return replace(self, **{name: getattr(self, name)[slabs] for name in (*_FITTED, "group")})

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


def designs(places: Floats, covariance: Floats, measured: Bools, type_index: Ints) -> Design:
    """Return the constant matrices of groups of slabs.

    Parameters
    ----------
    places : ndarray, shape (g, m, 3)
        Marks in the slab's frame, m.
    covariance : ndarray, shape (g, 3m, 3m)
        Of the measured coordinates across, along, up, mark by mark, m^2; what stands for marks that were not
        measured does not matter.
    measured : ndarray of bool, shape (g, m)
    type_index : ndarray of int, shape (g,)
        Kept with the result.
    """
    g, m = measured.shape
    flat = np.repeat(measured, 3, axis=1)
    both = flat[:, :, None] & flat[:, None, :]
    rows = np.where(flat[..., None], movement_rows(np.nan_to_num(places)).reshape(g, 3 * m, 6), 0.0)
    # in units of the mean sigma the matrices are near 1, and their condition numbers mean something
    unit = np.sqrt(np.where(flat, np.einsum("gii->gi", covariance), 0.0).sum(axis=1) / np.maximum(flat.sum(axis=1), 1))
    unit = np.where(unit > 0, unit, 1.0)[:, None, None]
    spread = np.where(both, covariance / unit**2, np.eye(3 * m))
    weight = np.where(both, np.linalg.solve(spread, np.broadcast_to(np.eye(3 * m), spread.shape)), 0.0)
    weighted = weight @ rows
    normal = np.swapaxes(rows, 1, 2) @ weighted
    determined = np.linalg.cond(normal) < 1e9
    safe = np.where(determined[:, None, None], normal, np.eye(6))
    pose = np.linalg.solve(safe, np.broadcast_to(np.eye(6), safe.shape))
    gain = np.linalg.solve(safe, np.swapaxes(weighted, 1, 2))
    # W Qvv W, with Qvv = C - A Q A^T the covariance of the residuals
    checking = weight - weighted @ pose @ np.swapaxes(weighted, 1, 2)
    redundancy = np.einsum("gij,gji->gi", spread, checking)
    # a diagonal element of W Qvv W over that of W is 0 where nothing checks a coordinate
    checked, own = np.einsum("gii->gi", checking), np.einsum("gii->gi", weight)
    share = np.divide(checked, own, where=flat, out=np.zeros((g, 3 * m)))
    w_sigma = np.sqrt(np.where(share >= _NO_CHECK, checked, np.nan)) / unit[..., 0]

    block = np.arange(3 * m).reshape(m, 3)
    one_mark = checking[:, block[:, :, None], block[:, None, :]]
    inner = np.where(measured[..., None, None], one_mark, np.eye(3))
    stands = measured & determined[:, None] & (np.linalg.cond(inner) < 1e6)
    removal = np.linalg.inv(np.where(stands[..., None, None], inner, np.eye(3))) * unit[..., None] ** 2
    known = determined[:, None]
    return Design(
        gain=np.where(known[..., None], gain, np.nan),
        covariance=np.where(known[..., None], pose * unit**2, np.nan),
        weight=weight / unit**2,
        redundancy=np.where(flat & known, redundancy, np.nan),
        w_sigma=np.where(flat & known, w_sigma, np.nan),
        removal=np.where(stands[..., None, None], removal, np.nan),
        freedom=np.where(determined, 3 * measured.sum(axis=1) - 6, -1).astype(np.intp),
        type_index=type_index,
    )


def _groups(type_index: Ints, sigma: Floats, measured: Bools) -> tuple[Ints, Ints]:
    """Return one slab of each group of equal sigmas, (g,), and the group of each slab, (n,)."""
    n = len(sigma)

    def columns(rows: slice | Ints) -> Floats:
        filled = np.where(measured[rows].T, sigma[rows].T, 7.0)
        return np.asarray(filled.reshape(int(np.prod(sigma.shape[1:])), -1))

    # one number per slab instead of sorting rows: sums of sigmas with weights that few sets share
    key, alike = np.empty(n), np.empty(n, dtype=bool)
    for rows in blocks(n):
        total = 1e3 * type_index[rows]
        for turn, column in enumerate(columns(rows), start=2):
            total += np.sqrt(turn * 1.000123) * column
        key[rows] = total
    _, first, group = np.unique(key, return_index=True, return_inverse=True)
    of_first = columns(first)
    for rows in blocks(n):
        same = (columns(rows) == of_first[:, group[rows]]).all(axis=0)
        alike[rows] = same & (type_index[rows] == type_index[first[group[rows]]])
    if not alike.all():  # two sets with one sum
        table = np.column_stack([type_index, *columns(slice(None))])
        _, first, group = np.unique(table, axis=0, return_index=True, return_inverse=True)
    return first, group


def _design_of(
    places: Floats, type_index: Ints, rotation: Floats, measured: Bools, sigma: Floats, covariance: Floats | None
) -> tuple[Design, Ints]:
    """Return the designs and the group of each slab: by equal sigmas, or one each with full covariances."""
    m = measured.shape[1]
    if covariance is None:
        first, group = _groups(type_index, sigma, measured)
        variance = np.where(measured[first][..., None], sigma[first] ** 2, 1.0).reshape(len(first), 3 * m)
        diagonal = variance[:, :, None] * np.eye(3 * m)
        return designs(places[type_index[first]], diagonal, measured[first], type_index[first]), group
    turn = np.zeros((len(rotation), 3 * m, 3 * m))
    for mark in range(m):
        part = slice(3 * mark, 3 * mark + 3)
        turn[:, part, part] = rotation
    flat = np.repeat(measured, 3, axis=1)
    known = np.where(flat[:, :, None] & flat[:, None, :], covariance, np.eye(3 * m))
    own = np.swapaxes(turn, 1, 2) @ known @ turn
    return designs(places[type_index], own, measured, type_index), np.arange(len(type_index))


def _in_columns(values: Floats, which: Ints) -> Floats:
    """Return values[which] for slabs in columns: (g, ...), (b,) -> (..., b), or (..., 1) if all have the same."""
    return np.moveaxis(values[which[:1] if (which == which[0]).all() else which], 0, -1)


def _product(matrices: Floats, group: Ints, values: Floats) -> Floats:
    """Return matrices[group] @ values for slabs in columns: (g, i, j), (b,), (j, b) -> (i, b)."""
    if (group == group[0]).all():
        return np.asarray(matrices[group[0]] @ values)
    return np.asarray(np.einsum("bij,jb->ib", matrices[group], values))


def _settle(
    gain: Floats, group: Ints, local: Floats, mark: Floats, used: Floats, matrix: Floats
) -> tuple[Floats, Floats, Floats]:
    """Iterate one block of slabs, which stand in columns.

    Parameters
    ----------
    gain : ndarray, shape (g, 6, 3m)
    group : ndarray of int, shape (b,)
    local : ndarray, shape (3, m, b)
        Measured marks less the first position, in true lengths along the grid's axes.
    mark : ndarray, shape (3, m, b) or (3, m, 1)
        Marks in the slab's frame.
    used : ndarray, shape (m, b)
        1 for marks that count, else 0.
    matrix : ndarray, shape (3, 3, b)
        First rotation, slab to grid.

    Returns
    -------
    shift, matrix, miss
        From the first position, (3, b); the rotation; measured less fitted in the slab's frame, (3, m, b).
    """
    m, b = used.shape
    shift = np.zeros((3, b))
    for _ in range(_ITERATIONS):
        miss = _seen(local, shift, matrix) - mark
        step = _product(gain, group, np.swapaxes(miss * used, 0, 1).reshape(3 * m, b))
        shift = shift + times(matrix, step[:3, None])[:, 0]
        matrix = times(matrix, rotation_by_axes(step[3:] * np.array([[1.0], [1.0], [-1.0]])))
        if not (np.abs(step) > _SETTLED).any():
            break
    return shift, matrix, _seen(local, shift, matrix) - mark


def _seen(local: Floats, shift: Floats, matrix: Floats) -> Floats:
    """Return points in the slab's frame, (3, m, b): the transposed rotation times them."""
    return times(np.swapaxes(matrix, 0, 1), local - shift[:, None])


def times(a: Floats, b: Floats) -> Floats:
    """Return matrix products with the slabs last: (i, 3, b), (3, k, b) -> (i, k, b)."""
    product = a[:, 0, None] * b[0]
    product += a[:, 1, None] * b[1]
    product += a[:, 2, None] * b[2]
    return np.asarray(product)


def fit_slabs(
    position: Floats, rotation: Floats, places: Floats, type_index: Ints, xyz: Floats, sigma: Floats,
    scale: float = 1.0, covariance: Floats | None = None, common: tuple[Floats, Ints] | None = None,
) -> Fits:  # fmt: skip
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
        Their standard uncertainties across, along and up, m; nan leaves a mark out. For marks with one sigma
        in plan and another in level this is exact on a level slab; with cant up to 180 mm the variances
        are off by less than 1.5 percent of their difference.
    scale : float
        Grid length over true length in plan.
    covariance : ndarray, shape (n, 3m, 3m), optional
        Of easting, northing, level, mark by mark, m^2: used in place of `sigma`, which then only tells which
        marks count.
    common : tuple of ndarray, shapes (n, 3m, q k) and (n, q), optional
        What k causes of one standard deviation each, shared by all that a set-up saw, do to these
        coordinates, m, for each of q set-ups; and these set-ups, -1 for none. Part of `covariance` already.

    Returns
    -------
    Fits
        Poses to about 1e-10 m of the least-squares solution.
    """
    n, m = xyz.shape[:2]
    measured = np.empty((n, m), dtype=bool, order="F")
    for rows in blocks(n):
        across, along, up = (np.isfinite(xyz[rows]) & np.isfinite(sigma[rows])).transpose(2, 0, 1)
        measured[rows] = across & along & up
    design, group = _design_of(places, type_index, rotation, measured, sigma, covariance)
    gain = np.nan_to_num(design.gain)
    plan = np.array([scale, scale, 1.0])[:, None]
    built, turned = np.empty((n, 3), order="F"), np.empty((n, 3, 3), order="F")
    residual, misfit = np.empty((n, m, 3), order="F"), np.empty(n)
    marks = np.nan_to_num(places).transpose(0, 2, 1)
    for rows in blocks(n):
        used = np.ascontiguousarray(measured[rows].T, dtype=np.float64)
        start = position[rows].T
        # differences of large coordinates are taken once, about the first position
        local = np.where(measured[rows].T, (xyz[rows].T - start[:, None]) / plan[:, None], 0.0)
        first = np.ascontiguousarray(rotation[rows].transpose(1, 2, 0))
        shift, matrix, miss = _settle(
            gain, group[rows], np.ascontiguousarray(local), _in_columns(marks, type_index[rows]), used, first
        )
        column = np.swapaxes(miss * used, 0, 1).reshape(3 * m, -1)
        misfit[rows] = (_product(design.weight, group[rows], column) * column).sum(axis=0)
        built[rows] = (start + shift * plan).T
        turned[rows] = matrix.transpose(2, 0, 1)
        residual[rows] = miss.T
    residual[~measured] = np.nan
    lost = design.freedom[group] < 0
    if lost.any():
        for values in (built, turned, residual, misfit):
            values[lost] = np.nan
    limit = np.where(design.freedom > 0, special.chdtri(np.maximum(design.freedom, 1), _ALPHA), np.inf)
    suspicious = np.asarray(misfit > limit[group])
    return Fits(
        position=built,
        rotation=turned,
        group=group.astype(np.intp),
        design=design,
        residual=residual,
        measured=measured,
        misfit=misfit,
        suspicious=suspicious,
        explained=_explained(design, group, residual, misfit, suspicious),
        common=_common_of_pose(design, group, rotation, measured, common),
        setup=np.zeros((n, 0), dtype=np.intp) if common is None else common[1],
    )


def _common_of_pose(
    design: Design, group: Ints, rotation: Floats, measured: Bools, common: tuple[Floats, Ints] | None
) -> Floats:
    """Carry the common causes from coordinates to poses, shape (n, 6, q k)."""
    n, m = measured.shape
    if common is None:
        return np.zeros((n, 6, 0))
    causes = common[0].shape[2]
    of_marks = np.where(measured[..., None, None], common[0].reshape(n, m, 3, causes), 0.0)
    in_slab = np.einsum("nij,nmik->nmjk", rotation, of_marks).reshape(n, 3 * m, causes)
    return np.asarray(design.gain[group] @ in_slab)


def replaced(fits: Fits, rows: Ints, part: Fits, *, take_over: bool = False) -> Fits:
    """Return fits with the rows of some slabs taken from another fit, which has these slabs only.

    With `take_over` the result keeps the arrays of `fits`, which must not be used any more.
    """
    values = {}
    for name in _FITTED:
        values[name] = getattr(fits, name) if take_over else getattr(fits, name).copy(order="K")
        values[name][rows] = getattr(part, name)
    group = fits.group.copy()
    group[rows] = part.group + len(fits.design.freedom)
    joined = {name: np.concatenate([getattr(fits.design, name), getattr(part.design, name)]) for name in _DESIGN}
    return Fits(group=group, design=Design(**joined), **values)


def _explained(design: Design, group: Ints, residual: Floats, misfit: Floats, suspicious: Bools) -> Bools:
    """Return the marks whose removal lets the rest of a suspicious slab pass the global test, shape (n, m)."""
    explained = np.zeros(residual.shape[:2], dtype=bool)
    rows = np.flatnonzero(suspicious)
    if rows.size:
        groups = group[rows]
        column = np.nan_to_num(residual[rows]).reshape(len(rows), -1)
        weighted = np.einsum("nij,nj->ni", design.weight[groups], column).reshape(len(rows), -1, 3)
        fall = np.einsum("nmi,nmij,nmj->nm", weighted, design.removal[groups], weighted)
        freedom = np.maximum(design.freedom[groups] - 3, 0)
        limit = np.where(freedom > 0, special.chdtri(np.maximum(freedom, 1), _ALPHA), 0.0)
        explained[rows] = misfit[rows, None] - fall <= limit[:, None]  # nan fails
    return explained
