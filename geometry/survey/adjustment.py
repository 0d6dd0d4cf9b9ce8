"""Least squares over any model: Gauss-Newton with step control, constrained or free; and its robust forerunner.

The same solver serves a resection, a network, a levelling and a regression. It is given a model that can say
what is observed less computed, and how that changes with the unknowns.

With a gross error among the observations, a direction a radian off, least squares has no solution near the truth
to settle at, wherever it starts: measured, a start by robust weights makes no difference to that. What helps is to
find where most observations agree, set aside what is grossly off from there, and say so: `robust_unknowns`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
import scipy.sparse as sp
from scipy import linalg

from geometry.alignment.laws import Floats
from geometry.errors import SlabposeError

from .normal import Jacobian, Normal, SingularError
from .points import Ints
from .reliability import global_limit, smallest_found, standardised

__all__ = [
    "Adjustment", "AdjustmentError", "Model", "UndeterminedError", "adjust", "robust_unknowns", "weighted_rows",
]  # fmt: skip

_ITERATIONS = 40
_ROBUST = 30  # iterations of the robust search at most
_DOUBT = 2.5  # sigmas at which a residual counts half there
_SETTLED = 1e-5  # a step of so many sigmas changes nothing that anyone measures
_HALVINGS = 10
_NOT_FELT = 1e-7  # a move that changes observations by this part of what moves that are felt do


class AdjustmentError(SlabposeError):
    """An adjustment that finds no answer."""


class UndeterminedError(AdjustmentError):
    """Unknowns that the observations do not determine.

    Parameters
    ----------
    unknowns : tuple of str
        What is not determined.
    text : str
        With what to measure, where that can be said.
    """

    def __init__(self, unknowns: tuple[str, ...], text: str) -> None:
        self.unknowns = unknowns
        super().__init__(text)


class Model(Protocol):
    """What `adjust` needs to know of a survey."""

    sigma: Floats

    def linearise(self, unknowns: Floats) -> tuple[Floats, Jacobian]:
        """Return observed less computed and the derivatives of what is computed."""
        ...

    def label(self, unknown: int) -> str:
        """Return the name of an unknown."""
        ...


@dataclass(frozen=True, eq=False)
class Adjustment:
    """A least-squares solution; m observations, n unknowns.

    Covariances are those of the stated sigmas; multiplied by `s0` squared they are those of the residuals.

    Attributes
    ----------
    unknowns : ndarray, shape (n,)
    residual : ndarray, shape (m,)
        Observed less adjusted; textbooks often print the opposite sign.
    sigma : ndarray, shape (m,)
        Standard uncertainties that the adjustment assumed.
    misfit : float
        Weighted sum of squares of the residuals.
    freedom : int
        Degrees of freedom.
    iterations : int
    converged : bool
    """

    unknowns: Floats
    residual: Floats
    sigma: Floats
    misfit: float
    freedom: int
    iterations: int
    converged: bool
    _normal: Normal
    _weighted: Jacobian  # of the unknowns that the normal equations hold
    _kept: Ints  # which of all unknowns those are
    _moves: Floats  # moves that a free network does not feel, (n, d)
    _onto: Floats  # (d, n): how much of each move is in a change of the unknowns

    @property
    def s0(self) -> float:
        """Standard deviation of unit weight from the residuals; nan without redundancy."""
        return math.sqrt(self.misfit / self.freedom) if self.freedom > 0 else math.nan

    @property
    def limit(self) -> float:
        """Misfit that only one in a thousand adjustments without a blunder exceeds."""
        return global_limit(self.freedom)

    @property
    def passes(self) -> bool:
        """Whether the global test finds nothing."""
        return bool(self.misfit <= self.limit)

    @cached_property
    def redundancy(self) -> Floats:
        """Part of an error of each observation that shows in its residual, 0 .. 1, shape (m,)."""
        return np.asarray(np.clip(1.0 - self._normal.row_variances(self._weighted), 0.0, 1.0))

    @property
    def w(self) -> Floats:
        """Standardised residuals of Baarda, shape (m,); nan where nothing checks an observation."""
        return standardised(self.residual, self.sigma, self.redundancy)

    @property
    def smallest_found(self) -> Floats:
        """Smallest blunder found with 80 percent chance at a level of 0.1 percent, shape (m,)."""
        return smallest_found(self.sigma, self.redundancy)

    def covariance(self, which: Ints) -> Floats:
        """Return the covariance of some unknowns, shape (k, k), by solving for them."""
        which = np.asarray(which)
        picks = np.zeros((len(self.unknowns), len(which)))
        picks[which, np.arange(len(which))] = 1.0
        picks -= self._onto.T @ self._moves[which].T
        columns = np.zeros(picks.shape)
        columns[self._kept] = self._normal.solve(picks[self._kept])
        columns -= self._moves @ (self._onto @ columns)
        answer = columns[which]
        return np.asarray((answer + answer.T) / 2)

    def blocks(self, which: Ints) -> Floats:
        """Return many small covariance blocks of unknowns that were observed together.

        Parameters
        ----------
        which : ndarray of int, shape (b, k)
            Unknowns of each block; -1 for a place to be left zero.

        Returns
        -------
        ndarray, shape (b, k, k)
        """
        place = np.full(len(self.unknowns) + 1, -1)
        place[self._kept] = np.arange(len(self._kept))
        out = self._normal.blocks(place[which])
        if not self._moves.shape[1]:
            return out
        # S Q S^T with S = I - moves onto, block by block
        kept = np.zeros(self._onto.T.shape)
        kept[self._kept] = self._normal.solve(np.ascontiguousarray(self._onto.T[self._kept]))
        inner = self._onto @ kept
        there = (which >= 0)[..., None]
        move, side = np.where(there, self._moves[which], 0.0), np.where(there, kept[which], 0.0)
        cross = np.einsum("bid,bjd->bij", move, side)
        return np.asarray(out - cross - np.swapaxes(cross, 1, 2) + np.einsum("bid,de,bje->bij", move, inner, move))


def weighted_rows(jacobian: Jacobian, weight: Floats) -> Jacobian:
    """Return the rows of a Jacobian times a factor each."""
    if isinstance(jacobian, np.ndarray):
        return np.asarray(jacobian * weight[:, None])
    data = jacobian.data * np.repeat(weight, np.diff(jacobian.indptr))
    return sp.csr_array((data, jacobian.indices, jacobian.indptr), shape=jacobian.shape)


def adjust(
    model: Model, start: Floats, free_moves: Callable[[Floats], Floats] | None = None, datum: Floats | None = None
) -> Adjustment:
    """Return the least-squares solution.

    Parameters
    ----------
    model : Model
    start : ndarray, shape (n,)
        Where to start.
    free_moves : callable, optional
        For a free network: returns moves that the survey may not feel, shape (n, d).
    datum : ndarray, shape (n,), optional
        With it: 1 for unknowns whose changes from the start shall have no part of those moves (the inner
        constraints of E. Mittermayer, Zeitschrift fuer Vermessungswesen 97, 1972), else 0.

    Raises
    ------
    UndeterminedError
        If the observations leave unknowns free.
    AdjustmentError
        If the steps do not become small.
    """
    x = np.array(start, dtype=np.float64)
    miss, jacobian = model.linearise(x)
    kept, moves, onto = np.arange(len(x)), np.zeros((len(x), 0)), np.zeros((0, len(x)))
    size = 1.0 / model.sigma
    converged, count = False, 0
    while count < _ITERATIONS and not converged:
        count += 1
        if free_moves is not None:
            moves, kept, onto = _datum(model, jacobian, size, free_moves(x), datum)
        rows = weighted_rows(_columns(jacobian, kept), size)
        normal = _factorised(model, rows, kept)
        step = np.zeros(len(x))
        step[kept] = normal.solve(rows.T @ (miss * size))
        if moves.shape[1]:
            step -= moves @ (onto @ (x + step - start))
        converged = float(np.linalg.norm(rows @ step[kept])) < _SETTLED
        x, miss, jacobian = _stepped(model, x, step, miss, size)
    if not (converged and np.isfinite(miss).all()):
        raise AdjustmentError(
            f"the adjustment did not settle in {count} iterations: the observations contradict each other grossly, "
            f"or the approximate coordinates are too far off"
        )
    rows = weighted_rows(_columns(jacobian, kept), size)
    misfit = float(((miss * size) ** 2).sum())
    normal = _factorised(model, rows, kept)
    return Adjustment(
        x, miss, model.sigma, misfit, len(miss) - len(kept), count, converged, normal, rows, kept, moves, onto
    )


def robust_unknowns(model: Model, start: Floats, free_moves: Callable[[Floats], Floats] | None = None) -> Floats:
    """Return unknowns that the majority of observations agrees with.

    Weights 1 / (1 + (v / 2.5 sigma)^2) (P. W. Holland, R. E. Welsch, Communications in Statistics A6, 1977,
    813-827). Least squares spreads a gross error over everything; from here it shows where it is. The start has to
    be near: within centimetres and minutes of arc.

    Parameters
    ----------
    model, start, free_moves
        As in `adjust`; a free network keeps some unknowns where they are.
    """
    x = np.array(start, dtype=np.float64)
    for _ in range(_ROBUST):
        miss, jacobian = model.linearise(x)
        kept = np.arange(len(x))
        if free_moves is not None:
            _, kept, _ = _datum(model, jacobian, 1 / model.sigma, free_moves(x), None)
        ratio = np.abs(miss / model.sigma)
        weight = 1 / (model.sigma * np.sqrt(1 + (ratio / _DOUBT) ** 2))
        rows = weighted_rows(_columns(jacobian, kept), weight)
        there = x.copy()
        try:
            there[kept] += Normal(rows).solve(rows.T @ (miss * weight))
            model.linearise(there)
        except (SingularError, ValueError):
            return x
        settled = float(np.abs(rows @ (there - x)[kept]).max(initial=0.0)) < 1e-3
        x = there
        if settled:
            break
    return x


def _length(matrix: Jacobian) -> float:
    return float(np.linalg.norm(matrix if isinstance(matrix, np.ndarray) else matrix.data))


def _columns(jacobian: Jacobian, kept: Ints) -> Jacobian:
    if len(kept) == jacobian.shape[1]:
        return jacobian
    if isinstance(jacobian, np.ndarray):
        return np.ascontiguousarray(jacobian[:, kept])
    out = jacobian[:, kept].tocsr()
    out.sort_indices()
    return out


def _stepped(model: Model, x: Floats, step: Floats, miss: Floats, weight: Floats) -> tuple[Floats, Floats, Jacobian]:
    """Take a step, or as large a part of it as lowers the weighted sum of squares."""
    before = float(((miss * weight) ** 2).sum())
    part = 1.0
    for _ in range(_HALVINGS):
        there = x + part * step
        after, jacobian = model.linearise(there)
        # near the minimum rounding may raise the sum by a hair
        if float(((after * weight) ** 2).sum()) <= before * (1 + 1e-9) + 1e-9:
            break
        part /= 2
    return there, after, jacobian


def _datum(
    model: Model, jacobian: Jacobian, size: Floats, candidates: Floats, datum: Floats | None
) -> tuple[Floats, Ints, Floats]:
    """Return the moves that are not felt, the unknowns left when as many are held, and the inner constraints."""
    n = jacobian.shape[1]
    norm = np.linalg.norm(candidates, axis=0)
    unit = candidates[:, norm > 0] / norm[norm > 0]
    effect = weighted_rows(jacobian, size) @ unit
    strength = _length(weighted_rows(jacobian, size)) / math.sqrt(n)
    _, values, turned = np.linalg.svd(effect, full_matrices=True)
    values = np.concatenate([values, np.zeros(unit.shape[1] - len(values))])
    moves = unit @ turned.T[:, values < _NOT_FELT * strength]
    d = moves.shape[1]
    if not d:
        return moves, np.arange(n), np.zeros((0, n))
    chosen = moves if datum is None else moves * datum[:, None]
    inner = moves.T @ chosen
    if not np.linalg.cond(inner) < 1e10:
        raise AdjustmentError("the points chosen as datum do not hold the network: choose more, or others")
    # to hold: unknowns that stop the moves best, one by one (pivoting)
    _, _, order = linalg.qr(moves.T, mode="economic", pivoting=True)
    return moves, np.sort(order[d:]), np.asarray(np.linalg.solve(inner, chosen.T))


def _factorised(model: Model, rows: Jacobian, kept: Ints) -> Normal:
    if not math.isfinite(_length(rows)):
        raise AdjustmentError("the adjustment ran away: an observation is not finite, or contradicts all others")
    try:
        return Normal(rows)
    except SingularError as error:
        share = np.linalg.norm(error.free, axis=1)
        order = np.argsort(-share)
        names = tuple(model.label(int(kept[i])) for i in order[:200] if share[i] > 0.1 * share.max())
        shown = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
        raise UndeterminedError(names, f"the observations do not determine: {shown}") from None
