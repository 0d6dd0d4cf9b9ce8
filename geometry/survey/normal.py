"""Normal equations: factorised once, solved for what is asked, never inverted.

Small ones are dense (Cholesky). Large ones are sparse; what the covariances of all observations need of the
inverse, and no more, comes from the factor by Takahashi's recursion (K. Takahashi, J. Fagan, M.-S. Chin,
"Formation of a sparse bus impedance matrix and its application to short circuit study", 8th PICA Conference
1973; A. M. Erisman, W. F. Tinney, Communications of the ACM 18, 1975, 177-179).
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp
from scipy import linalg
from scipy.linalg import lapack
from scipy.sparse.linalg import SuperLU, splu

from geometry.alignment.laws import Floats

from .points import Ints

__all__ = ["DENSE", "Jacobian", "Normal", "SingularError"]

Jacobian = Floats | sp.csr_array
DENSE = 250  # up to this many unknowns a dense factor is faster
# An unknown is taken as undetermined when the others explain all but this part of its diagonal element, that is
# when fixing them would lower its sigma by more than a factor of 1e5. Rounding alone leaves about 1e-13.
_LEFT = 1e-10
_CHUNK = 200  # columns solved for at a time
_SYMMETRIC = {"SymmetricMode": True}


class SingularError(ArithmeticError):
    """Normal equations without a unique solution.

    Attributes
    ----------
    free : ndarray, shape (n, k)
        Orthonormal changes of the unknowns that no observation feels.
    """

    def __init__(self, free: Floats) -> None:
        self.free = free
        super().__init__(f"{free.shape[1]} combinations of the unknowns are not determined")


class Normal:
    """The factorised matrix A^T A.

    Parameters
    ----------
    weighted : ndarray or csr_array, shape (m, n)
        Jacobian with every row divided by the sigma of its observation.

    Raises
    ------
    SingularError
        If A^T A has no inverse.
    """

    def __init__(self, weighted: Jacobian) -> None:
        self.size = int(weighted.shape[1])
        self._dense: Floats | None = None
        # units differ by the reach of a sight (radians and metres): with a unit diagonal pivots mean something
        if isinstance(weighted, np.ndarray):
            full = np.asarray(weighted.T @ weighted)
            self._scale = _unit(np.diagonal(full))
            self._factorise_dense(full)
        else:
            matrix = _normal_matrix(weighted)
            self._scale = _unit(matrix.diagonal())
            self._factorise_sparse(matrix)

    def _factorise_dense(self, matrix: Floats) -> None:
        unit = matrix * self._scale[:, None] * self._scale
        try:
            self._dense = linalg.cholesky(unit, lower=True, check_finite=False)
        except linalg.LinAlgError:
            raise SingularError(_free_dense(unit)) from None
        if self.size and not np.diagonal(self._dense).min() ** 2 > _LEFT:
            raise SingularError(_free_dense(unit))

    def _factorise_sparse(self, matrix: sp.csc_array) -> None:
        column = np.repeat(np.arange(self.size), np.diff(matrix.indptr))
        data = matrix.data * self._scale[matrix.indices] * self._scale[column]
        self._matrix = sp.csc_array((data, matrix.indices, matrix.indptr), shape=matrix.shape)
        try:
            self._sparse = _factor(self._matrix)
            pivots = np.asarray(self._sparse.U.diagonal())
        except RuntimeError:  # an exact zero on the diagonal
            pivots = np.zeros(1)
        if not pivots.min() > _LEFT:
            raise SingularError(_free_sparse(self._matrix))

    def solve(self, right: Floats) -> Floats:
        """Return x of (A^T A) x = right, shape (n,) or (n, k)."""
        scale = self._scale if right.ndim == 1 else self._scale[:, None]
        if self._dense is not None:
            answer = linalg.cho_solve((self._dense, True), right * scale, check_finite=False)
        else:
            answer = self._sparse.solve(np.asfortranarray(right * scale))
        return np.asarray(answer * scale)

    def columns(self, which: Ints) -> Floats:
        """Return columns of the covariance matrix, shape (n, k)."""
        right = np.zeros((self.size, len(which)))
        right[which, np.arange(len(which))] = 1.0
        return self.solve(right)

    def row_variances(self, rows: Jacobian) -> Floats:
        """Return a Q a^T of every row a, with Q the inverse of A^T A; shape (m,).

        Parameters
        ----------
        rows : ndarray or csr_array, shape (m, n)
            Fast for unknowns that were observed together, as in the rows of the Jacobian.
        """
        if self._dense is not None:
            full = rows if isinstance(rows, np.ndarray) else rows.toarray()
            half, _ = lapack.dtrtrs(self._dense, (full * self._scale).T, lower=1)
            return np.asarray(np.einsum("ij,ij->j", half, half))
        assert not isinstance(rows, np.ndarray)
        return self._sparse_variances(rows)

    def blocks(self, which: Ints) -> Floats:
        """Return covariance blocks, shape (b, k, k); -1 in `which` gives zeros. Fast for unknowns observed together.

        Parameters
        ----------
        which : ndarray of int, shape (b, k)
        """
        known = which >= 0
        index = np.where(known, which, 0)
        if self._dense is not None:
            full = self.columns(np.arange(self.size))
            values = full[index[:, :, None], index[:, None, :]]
        else:
            first, second = np.broadcast_arrays(index[:, :, None], index[:, None, :])
            values = self._entries(first.ravel(), second.ravel()).reshape(first.shape)
            values = values * self._scale[index][:, :, None] * self._scale[index][:, None, :]
        return np.where(known[:, :, None] & known[:, None, :], values, 0.0)

    def _sparse_variances(self, rows: sp.csr_array) -> Floats:
        rows = rows.copy()
        rows.eliminate_zeros()
        count = np.diff(rows.indptr)
        out = np.zeros(rows.shape[0])
        for width in np.unique(count[count > 0]).tolist():
            line = np.flatnonzero(count == width)
            at = rows.indptr[line][:, None] + np.arange(width)
            column = rows.indices[at].astype(np.intp)
            value = rows.data[at] * self._scale[column]
            for i in range(width):
                for j in range(i + 1):
                    both = self._entries(column[:, i], column[:, j]) * value[:, i] * value[:, j]
                    out[line] += both if i == j else 2 * both
        return out

    def _entries(self, first: Ints, second: Ints) -> Floats:
        """Return entries of the inverse of the scaled matrix."""
        key, value = self._selected
        place = self._sparse.perm_c.astype(np.int64)
        one, two = place[first], place[second]
        wanted = np.minimum(one, two) * self.size + np.maximum(one, two)
        at = np.minimum(np.searchsorted(key, wanted), len(key) - 1)
        out = value[at]
        # unknowns that never meet in an observation may still be correlated: solve for those
        lost = np.flatnonzero(key[at] != wanted)
        if lost.size:
            which, back = np.unique(second[lost], return_inverse=True)
            for low in range(0, len(which), _CHUNK):
                mine = np.flatnonzero((back >= low) & (back < low + _CHUNK))
                answer = self.columns(which[low : low + _CHUNK]) / self._scale[:, None]
                pick = first[lost[mine]], back[mine] - low
                out[lost[mine]] = answer[pick] / self._scale[second[lost[mine]]]
        return np.asarray(out)

    @cached_property
    def _selected(self) -> tuple[npt.NDArray[np.int64], Floats]:
        return selected_inverse(self._matrix, self._sparse)


def _normal_matrix(rows: sp.csr_array) -> sp.csc_array:
    """Return A^T A with every place where two unknowns meet, those that cancel to zero too."""
    shape = (abs(rows).T @ abs(rows)).tocsc()
    shape.sort_indices()
    product = (rows.T @ rows).tocoo()
    n = shape.shape[0]
    column = np.repeat(np.arange(n, dtype=np.int64), np.diff(shape.indptr))
    data = np.zeros(shape.nnz)
    data[np.searchsorted(column * n + shape.indices, product.col.astype(np.int64) * n + product.row)] = product.data
    return sp.csc_array((data, shape.indices, shape.indptr), shape=shape.shape)


def _unit(diagonal: Floats) -> Floats:
    return np.asarray(1 / np.sqrt(np.where(diagonal > 0, diagonal, 1.0)))


def _factor(matrix: sp.csc_array) -> SuperLU:
    return splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options=_SYMMETRIC)


def _free_dense(unit: Floats) -> Floats:
    values, vectors = np.linalg.eigh(unit)
    return np.asarray(vectors[:, : max(1, int((values < _LEFT * 10).sum()))])


def _free_sparse(unit: sp.csc_array, most: int = 12) -> Floats:
    """Return the null space by inverse iteration; at most `most` vectors."""
    shift = 1e-9
    factor = _factor((unit + shift * sp.eye_array(unit.shape[0])).tocsc())
    base = np.random.default_rng(1).normal(size=(unit.shape[0], min(most, unit.shape[0])))
    for _ in range(4):
        base, _ = np.linalg.qr(factor.solve(np.asfortranarray(base)))
    values, turn = np.linalg.eigh(base.T @ (unit @ base))
    return np.asarray((base @ turn)[:, : max(1, int((values < shift).sum()))])


def selected_inverse(matrix: sp.csc_array, factor: SuperLU) -> tuple[npt.NDArray[np.int64], Floats]:
    """Return the inverse of a symmetric positive matrix on the pattern of its factor.

    Parameters
    ----------
    matrix : csc_array, shape (n, n)
    factor : SuperLU
        Its factor, with the same order of rows and columns.

    Returns
    -------
    key : ndarray of int
        column * n + row in the factor's order, row >= column; ascending.
    value : ndarray
        Entries of the inverse.
    """
    n = matrix.shape[0]
    # the factor drops entries that cancel to zero, which the recursion needs: in a matrix with negative
    # off-diagonals nothing cancels, so its factor has the pattern that follows from the equations alone
    likeness = sp.csc_array((np.full(matrix.nnz, -1.0), matrix.indices, matrix.indptr), shape=matrix.shape)
    likeness.setdiag(np.diff(matrix.indptr) + 1e-3)
    pattern = _factor(likeness)
    if not ((pattern.perm_c == factor.perm_c).all() and (factor.perm_r == factor.perm_c).all()):
        raise ArithmeticError("the factor exchanged rows: the normal equations are not positive definite")
    shape = pattern.L.tocsc()
    shape.sort_indices()
    row, start = shape.indices.astype(np.int64), shape.indptr.astype(np.int64)
    column = np.repeat(np.arange(n), np.diff(start))
    key = column * n + row
    lower = np.zeros(len(key))
    numbers = factor.L.tocoo()
    lower[np.searchsorted(key, numbers.col.astype(np.int64) * n + numbers.row)] = numbers.data
    below = np.diff(start) - 1  # entries under the diagonal
    parent = np.where(below > 0, row[np.minimum(start[:-1] + 1, len(row) - 1)], -1)
    # where each entry under the diagonal stands in the list of its column's parent
    inner = np.flatnonzero(row != column)
    at = np.zeros(len(key), dtype=np.int64)
    up = parent[column[inner]]
    at[inner] = np.searchsorted(key, up * n + row[inner]) - start[up]
    depth = _depth(parent)
    value = np.zeros(len(key))
    pivot = 1 / np.asarray(factor.U.diagonal())
    order = np.lexsort((below, depth))
    cuts = np.flatnonzero(np.diff(depth[order]) | np.diff(below[order])) + 1
    upper: dict[int, Floats] = {}  # blocks of the level above, by size; those further up are no longer needed
    blocks: dict[int, Floats] = {}
    slot = np.zeros(n, dtype=np.int64)  # of each column's block among those of its size
    level = -1
    for group in np.split(order, cuts):
        if depth[group[0]] != level:
            level, upper, blocks = int(depth[group[0]]), blocks, {}
        size = int(below[group[0]])
        block = _level_blocks(group, size, start, at, lower, pivot, parent, below, upper, slot)
        slot[group] = np.arange(len(group))
        blocks[size] = block
        value[start[group][:, None] + np.arange(size + 1)] = block[:, 0]
    return key, value


def _depth(parent: Ints) -> Ints:
    """Return how many ancestors each node of a forest has; roots have parent -1."""
    depth = (parent >= 0).astype(np.int64)
    ancestor = parent.copy()
    while (ancestor >= 0).any():
        known = np.flatnonzero(ancestor >= 0)
        depth[known] += depth[ancestor[known]]
        ancestor[known] = ancestor[ancestor[known]]
    return depth


def _level_blocks(
    group: Ints, size: int, start: Ints, at: Ints, lower: Floats, pivot: Floats, parent: Ints, below: Ints,
    upper: dict[int, Floats], slot: Ints,
) -> Floats:  # fmt: skip
    """Return the inverse over each column and the rows of its pattern, shape (g, size + 1, size + 1)."""
    block = np.zeros((len(group), size + 1, size + 1))
    if size:
        entry = start[group][:, None] + np.arange(1, size + 1)
        own, place = lower[entry], at[entry]
        kind = below[parent[group]]
        for wide in np.unique(kind).tolist():
            mine = np.flatnonzero(kind == wide)
            which = slot[parent[group[mine]]][:, None, None]
            block[mine, 1:, 1:] = upper[wide][which, place[mine][:, :, None], place[mine][:, None, :]]
        side = -np.einsum("gij,gj->gi", block[:, 1:, 1:], own)
        block[:, 0, 1:] = block[:, 1:, 0] = side
        block[:, 0, 0] = pivot[group] - np.einsum("gi,gi->g", side, own)
    else:
        block[:, 0, 0] = pivot[group]
    return block
