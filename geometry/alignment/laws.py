"""The shapes by which curvature and cant change along an element.

Every law is a shape ``f`` that runs from 0 to 1 while ``xi = s / L`` runs from 0 to 1. Curvature is
``kappa1 + (kappa2 - kappa1) f(xi)``, cant ``c1 + (c2 - c1) f(xi)``. The definitions are those of
ISO 16739-1:2024 (IFC 4.3): IfcClothoid, IfcThirdOrderPolynomialSpiral (Bloss), IfcCosineSpiral,
IfcSineSpiral, IfcSecondOrderPolynomialSpiral (Helmert), IfcSeventhOrderPolynomialSpiral (Viennese bend).

The cubic is no law of curvature over length but a curve ``y = a X^3``; its bearing stands in `cubic_bearing`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

__all__ = ["SHAPES", "Floats", "cubic_arc_length", "cubic_bearing", "shape", "shape_integral", "shape_slope"]

type_name = str
Floats = npt.NDArray[np.float64]
_Triple = tuple[Callable[[Floats], Floats], Callable[[Floats], Floats], Callable[[Floats], Floats]]


def _helmert(x: Floats) -> Floats:
    return np.where(x <= 0.5, 2 * x**2, 1 - 2 * (1 - x) ** 2)


def _helmert_integral(x: Floats) -> Floats:
    # second half: integral over [0, 1/2] is 1/12, and the branch integrates to (x - 1/2) - 2/3 (1/8 - (1-x)^3)
    return np.where(x <= 0.5, 2 * x**3 / 3, x - 0.5 + 2 * (1 - x) ** 3 / 3)


def _helmert_slope(x: Floats) -> Floats:
    return np.where(x <= 0.5, 4 * x, 4 * (1 - x))


_CLOTHOID: Final[_Triple] = (lambda x: x, lambda x: x**2 / 2, np.ones_like)

# kind -> (f, integral of f from 0, slope of f); Horner forms keep the polynomials exact to the last bits
SHAPES: Final[dict[type_name, _Triple]] = {
    "constant": (np.zeros_like, np.zeros_like, np.zeros_like),
    "clothoid": _CLOTHOID,
    "linear": _CLOTHOID,
    "bloss": (
        lambda x: x**2 * (3 - 2 * x),
        lambda x: x**3 * (1 - x / 2),
        lambda x: 6 * x * (1 - x),
    ),
    "cosine": (
        lambda x: np.sin(np.pi * x / 2) ** 2,
        lambda x: (x - np.sin(np.pi * x) / np.pi) / 2,
        lambda x: np.pi / 2 * np.sin(np.pi * x),
    ),
    "sine": (
        lambda x: x - np.sin(2 * np.pi * x) / (2 * np.pi),
        lambda x: x**2 / 2 - np.sin(np.pi * x) ** 2 / (2 * np.pi**2),
        lambda x: 2 * np.sin(np.pi * x) ** 2,
    ),
    "helmert": (_helmert, _helmert_integral, _helmert_slope),
    "viennese": (
        lambda x: x**4 * (35 + x * (-84 + x * (70 - 20 * x))),
        lambda x: x**5 * (7 + x * (-14 + x * (10 - 2.5 * x))),
        lambda x: 140 * x**3 * (1 - x) ** 3,
    ),
}


def _by_kind(which: int, kinds: npt.NDArray[np.str_], xi: Floats) -> Floats:
    """Evaluate one of the three functions for rows of different kinds at once."""
    values = np.empty_like(xi)
    for kind in np.unique(kinds):
        rows = kinds == kind
        values[rows] = SHAPES[str(kind)][which](xi[rows])
    return values


def shape(kinds: npt.NDArray[np.str_], xi: Floats) -> Floats:
    """Return the shape f of each row's kind.

    Parameters
    ----------
    kinds : ndarray of str, shape (n,)
        Kind of each row, a key of `SHAPES`.
    xi : ndarray, shape (n, ...)
        Place on the element, 0 at its start and 1 at its end.

    Returns
    -------
    ndarray, shape (n, ...)
        0 at the start, 1 at the end; 0 all along for "constant".

    Examples
    --------
    >>> shape(np.array(["clothoid", "bloss"]), np.array([[0.25], [0.25]])).ravel().tolist()
    [0.25, 0.15625]
    """
    return _by_kind(0, kinds, xi)


def shape_integral(kinds: npt.NDArray[np.str_], xi: Floats) -> Floats:
    """Return the integral of f from 0 to xi; shapes as in `shape`."""
    return _by_kind(1, kinds, xi)


def shape_slope(kinds: npt.NDArray[np.str_], xi: Floats) -> Floats:
    """Return df/dxi; shapes as in `shape`."""
    return _by_kind(2, kinds, xi)


def cubic_arc_length(a: Floats, x: Floats) -> Floats:
    """Return the length of ``y = a X^3`` from the origin to X, signed like X.

    Parameters
    ----------
    a : ndarray
        Coefficient of the cubic, 1/m^2.
    x : ndarray
        Abscissa, m; broadcasts with `a`.

    Returns
    -------
    ndarray
        Integral of sqrt(1 + 9 a^2 X^4), m, by Gauss's hypergeometric function.
    """
    # the series integrates term by term to X 2F1(-1/2, 1/4; 5/4; -(3 a X^2)^2)
    return np.asarray(x * special.hyp2f1(-0.5, 0.25, 1.25, -((3 * a * x**2) ** 2)), dtype=np.float64)


def cubic_bearing(a: Floats, from_inflection: Floats, s: Floats) -> Floats:
    """Return the bearing of a cubic ``y = a X^3`` relative to its start.

    Parameters
    ----------
    a : ndarray, shape (n, 1)
        (kappa2 - kappa1) / (6 L), 1/m^2; not zero. The end curvatures are met to first order only.
    from_inflection : ndarray, shape (n, 1)
        Length along the curve from its inflection at X = 0 to its start, m, signed like X.
    s : ndarray, shape (n, k)
        Arc length from the start of the element, m.

    Returns
    -------
    ndarray, shape (n, k)
        Bearing less the bearing at the start, rad, + to the right.
    """
    reached = np.concatenate([from_inflection, from_inflection + s], axis=1)
    x = reached.copy()
    for _ in range(60):  # Newton on a convex, monotonic function: the slope is at least 1
        step = (cubic_arc_length(a, x) - reached) / np.sqrt(1 + (3 * a * x**2) ** 2)
        x = x - step
        if np.all(np.abs(step) <= 4e-15 * (1 + np.abs(x))):
            break
    # atan(p) - atan(q) without the loss of digits of the difference
    slope = 3 * a * x**2
    p, q = slope[:, 1:], slope[:, :1]
    return np.asarray(np.arctan2(p - q, 1 + p * q), dtype=np.float64)
