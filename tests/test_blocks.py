"""Blocks of rows: together they are all rows, and each is small."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.survey.blocks import blocks


@pytest.mark.parametrize("size", [0, 1, 4095, 4096, 4097, 50_001])
def test_every_row_once_and_in_order(size: int) -> None:
    rows = np.arange(size)
    parts = [rows[block] for block in blocks(size)]
    assert np.concatenate([np.empty(0, dtype=int), *parts]).tolist() == rows.tolist()
    assert all(0 < len(part) <= 4096 for part in parts)
