"""Blocks of slabs: what is worked out of some thousands at a time stays in the processor's cache."""

from __future__ import annotations

from collections.abc import Iterator

__all__ = ["blocks"]

# Threads over blocks were tried and gain nothing: steps of some ten microseconds spend their time on taking turns.
_BLOCK = 4096


def blocks(size: int) -> Iterator[slice]:
    """Yield slices that together cover rows 0 to `size`, in order.

    Examples
    --------
    >>> [*blocks(5000)]
    [slice(0, 4096, None), slice(4096, 5000, None)]
    """
    for low in range(0, size, _BLOCK):
        yield slice(low, min(low + _BLOCK, size))
