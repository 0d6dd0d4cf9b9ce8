"""Rows that are alike to the last digit."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["as_one"]


def as_one(*columns: npt.NDArray[Any]) -> npt.NDArray[np.void]:
    """Return one value for each row that differs wherever any of some columns does.

    Parameters
    ----------
    *columns : ndarray, shape (n,) each
        Of 8 bytes each: float64, int64 or datetime64. nan is like nan, and minus zero like zero.

    Returns
    -------
    ndarray of void, shape (n,)

    Examples
    --------
    >>> one = as_one(np.array([0.1, 0.1, np.nan, np.nan]), np.array([7, 8, 9, 9]))
    >>> one[1:] == one[:-1]
    array([False, False,  True])
    """
    # adding zero makes one of the two zeros
    whole = [(column + 0.0 if column.dtype.kind == "f" else column).view(np.int64) for column in columns]
    table = np.ascontiguousarray(np.column_stack(whole))
    return table.view(np.dtype((np.void, table.itemsize * table.shape[1]))).ravel()
