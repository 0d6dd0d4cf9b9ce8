"""Compile laws of any kind into one representation: polynomials on short pieces.

A law enters as a function of place. It is sampled at Chebyshev nodes; a piece whose last coefficients
are not yet below the rounding of a double is halved. All pieces of all elements are one batch, and
everything downstream sees only the scipy `PPoly` that comes out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from numpy.polynomial import chebyshev, polynomial
from scipy.interpolate import PPoly

from geometry.errors import AlignmentError

from .laws import Floats

__all__ = ["Pieces", "fit", "piecewise"]

NODES = 10  # values per piece; with fewer there are more pieces, with more each point costs more
_TAIL = 4e-16  # two units in the last place of 1: the noise floor of the samples
_MAX_HALVINGS = 20

Law = Callable[[npt.NDArray[np.intp], Floats, Floats], Floats]


@dataclass(frozen=True)
class Pieces:
    """Chebyshev coefficients of several functions on pieces of elements.

    Attributes
    ----------
    element : ndarray of int, shape (p,)
        Element each piece belongs to; ascending.
    start, stop : ndarray, shape (p,)
        Ends of the piece from the start of its element, m.
    coefficients : ndarray, shape (p, k, c)
        Chebyshev coefficients, lowest first, of c functions on the piece mapped to [-1, 1].
    """

    element: npt.NDArray[np.intp]
    start: Floats
    stop: Floats
    coefficients: Floats

    @property
    def half_width(self) -> Floats:
        """Half the length of each piece, m, shape (p,)."""
        return np.asarray((self.stop - self.start) / 2, dtype=np.float64)

    def integrated(self, function: int | slice) -> Floats:
        """Return coefficients of the integral from the start of each piece, shape (p, k + 1, ...)."""
        chosen = self.coefficients[:, :, function]
        width = self.half_width.reshape((-1,) + (1,) * (chosen.ndim - 1))
        return np.asarray(np.einsum("ij,pj...->pi...", _integral_matrix(chosen.shape[1]), chosen) * width)

    def padded(self, function: int | slice) -> Floats:
        """Return the coefficients with one zero more, to stand beside integrated ones."""
        chosen = self.coefficients[:, :, function]
        return np.concatenate([chosen, np.zeros_like(chosen[:, :1])], axis=1)


@cache
def _nodes() -> tuple[Floats, Floats]:
    """Return Chebyshev nodes in [-1, 1] and the matrix from values there to coefficients."""
    angle = np.pi * (np.arange(NODES) + 0.5) / NODES
    transform = 2 / NODES * np.cos(np.outer(np.arange(NODES), angle))
    transform[0] /= 2
    return np.cos(angle), transform


@cache
def _integral_matrix(size: int) -> Floats:
    """Return the matrix from coefficients to those of the integral from -1, shape (size + 1, size)."""
    return np.stack([chebyshev.chebint(row, lbnd=-1) if any(row) else row for row in np.eye(size)], axis=1)


@cache
def _power_matrix(size: int) -> Floats:
    """Return the matrix from Chebyshev coefficients on [-1, 1] to powers of (t + 1) / 2, lowest first."""
    matrix = np.zeros((size, size))
    for degree in range(size):
        in_t = chebyshev.cheb2poly(np.eye(size)[degree][: degree + 1])
        in_x = np.zeros(1)
        for coefficient in in_t[::-1]:  # Horner with t = 2 x - 1; all numbers are integers, hence exact
            in_x = polynomial.polyadd(polynomial.polymul(in_x, [-1.0, 2.0]), [coefficient])
        matrix[: degree + 1, degree] = in_x[: degree + 1]
    return matrix


def fit(
    law: Law, lengths: Floats, magnitude: Floats | None = None, breaks: dict[int, list[float]] | None = None
) -> Pieces:
    """Fit polynomials to functions of place on every element.

    Parameters
    ----------
    law : callable
        ``law(element, middle, s)`` with element (p,), middle of the piece (p, 1) and places s (p, k) from
        the start of the element, m, returns values of shape (p, k, c).
    lengths : ndarray, shape (n,)
        Length of each element, m, positive.
    magnitude : ndarray, shape (n,), optional
        Size of the largest number that enters each element's values; its rounding is noise in them that
        no halving removes. 1 if left out.
    breaks : dict, optional
        Places inside an element where the law is not smooth, as fractions of its length.

    Returns
    -------
    Pieces
        Error of each function about 1e-15 of its range on the piece.
    """
    nodes, transform = _nodes()
    noise = np.ones(len(lengths)) if magnitude is None else np.maximum(magnitude, 1.0)
    bounds = [
        (element, low, high)
        for element in range(len(lengths))
        for low, high in pairwise([0.0, *(breaks or {}).get(element, []), 1.0])
    ]
    element = np.array([b[0] for b in bounds], dtype=np.intp)
    low = np.array([b[1] for b in bounds]) * lengths[element]
    high = np.array([b[2] for b in bounds]) * lengths[element]
    done: list[tuple[npt.NDArray[np.intp], Floats, Floats, Floats]] = []
    for _ in range(_MAX_HALVINGS):
        middle = ((low + high) / 2)[:, None]
        values = law(element, middle, middle + (high - low)[:, None] / 2 * nodes)
        level = values[:, NODES // 2]  # the transform of a constant is not exactly a constant
        coefficients = np.einsum("ij,pjc->pic", transform, values - level[:, None])
        coefficients[:, 0] += level
        smooth = np.abs(coefficients[:, -2:]).max(axis=(1, 2)) <= _TAIL * noise[element]
        done.append((element[smooth], low[smooth], high[smooth], coefficients[smooth]))
        rough = ~smooth
        if not rough.any():
            break
        element, low, high, middle = element[rough], low[rough], high[rough], middle[rough, 0]
        element, low, high = np.tile(element, 2), np.r_[low, middle], np.r_[middle, high]
    else:
        raise AlignmentError(f"element {int(element[0]) + 1} bends too sharply to be computed")
    element, low, high, coefficients = (np.concatenate(parts) for parts in zip(*done, strict=True))
    order = np.lexsort((low, element))
    return Pieces(element[order], low[order], high[order], coefficients[order])


def piecewise(pieces: Pieces, element_start: Floats, coefficients: Floats, at_piece_start: Floats) -> PPoly:
    """Assemble a piecewise polynomial over continuous distance.

    Parameters
    ----------
    pieces : Pieces
        The pieces.
    element_start : ndarray, shape (n + 1,)
        Distance at the start of each element, and at the end of the last, m.
    coefficients : ndarray, shape (p, k, c)
        Chebyshev coefficients of c functions.
    at_piece_start : ndarray, shape (p, c)
        Added to each piece as a constant.

    Returns
    -------
    PPoly
        c functions of distance; powers of the distance from the start of the piece, highest first.
    """
    size = coefficients.shape[1]
    powers = np.einsum("ij,pjc->ipc", _power_matrix(size), coefficients)
    powers /= (2 * pieces.half_width)[None, :, None] ** np.arange(size)[:, None, None]
    powers[0] += at_piece_start
    breakpoints = np.append(element_start[pieces.element] + pieces.start, element_start[-1])
    return PPoly(np.ascontiguousarray(powers[::-1]), breakpoints)
