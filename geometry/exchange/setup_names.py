"""Which set-up a name stands for: crews begin with S01 again every day, and on every instrument.

A name stands for one set-up until it is silent for `LEFT_FOR`; what is read under it after that is another one.
Where a reading lacks its time, the name alone tells.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

__all__ = ["LEFT_FOR", "told_apart"]

Times = npt.NDArray[np.datetime64]
LEFT_FOR = np.timedelta64(6, "h")
"""A set-up does not last over a pause as long as this: an instrument is not left standing (common practice)."""
_SAME_CIRCLE = 2e-3  # an instrument that was trodden on turns by less, another one reads anything, rad


def told_apart(
    code: Ints, names: Sequence[str], time: Times, file: Ints | None = None,
    aims: tuple[Ints, Floats, Floats] | None = None,
) -> tuple[Ints, list[str]]:  # fmt: skip
    """Return a code for each set-up, and names that tell them apart.

    Parameters
    ----------
    code : ndarray of int, shape (n,)
        Place in `names` of what each row calls its set-up; "" stays as it is.
    names : sequence of str
        Beginning with "".
    time : ndarray of datetime64, shape (n,)
    file : ndarray of int, shape (n,), optional
    aims : tuple of ndarray, shape (n,) each, optional
        Target of each row, and direction and zenith angle as the circles show them, rad: a set-up that goes on in
        another file reads the same directions to the targets that both have; two instruments that are called S01
        in two files do not. Files without a target in common are taken as one set-up.

    Returns
    -------
    code : ndarray of int, shape (n,)
        In order of appearance.
    names : list of str
        A name that stands for several set-ups is followed by their day, or day and hour, or a number.

    Examples
    --------
    >>> hours = np.array(["2031-05-14T22", "2031-05-15T02", "2031-05-15T21"], dtype="datetime64[us]")
    >>> told_apart(np.array([1, 1, 1]), ["", "S1"], hours)
    (array([1, 1, 2]), ['', 'S1 of 2031-05-14', 'S1 of 2031-05-15'])
    """
    part = _pauses(code, time)
    if file is not None and aims is not None:
        circle = _circles(code * (int(part.max(initial=0)) + 1) + part, file, *aims)
        part = part * (int(circle.max(initial=0)) + 1) + circle
    part = np.where(code == 0, 0, part)
    one = code * (int(part.max(initial=0)) + 1) + part
    _, first, back = np.unique(one, return_index=True, return_inverse=True)
    named = code[first] > 0
    place = np.zeros(len(first), dtype=np.intp)
    place[np.argsort(np.where(named, first, -1), kind="stable")] = np.arange(len(first)) + (0 if (~named).any() else 1)
    result = place[back]
    begin = np.full(int(place.max(initial=0)) + 1, np.datetime64("NaT", "us"))
    np.fmin.at(begin, result, time)
    texts = [""] * len(begin)
    for i, row in zip(place.tolist(), first.tolist(), strict=True):
        texts[i] = names[int(code[row])]
    for name in sorted({text for text in texts if text and texts.count(text) > 1}):
        same = [i for i, text in enumerate(texts) if text == name]
        for i, told in zip(same, _distinct(begin[same]), strict=True):
            texts[i] = f"{name} {told}"
    return result, texts


def _distinct(begin: Times) -> list[str]:
    """Return what tells set-ups of one name apart."""
    for unit in ("D", "m"):
        told = [text.replace("T", " ") for text in np.datetime_as_string(begin, unit=unit).tolist()]
        if len(set(told)) == len(told) and "NaT" not in told:
            return [f"of {text}" for text in told]
    return [f"no. {i}" for i in range(1, len(begin) + 1)]


def _pauses(code: Ints, time: Times) -> Ints:
    """Return how often the name of each row had been silent for long before it, 0 where times lack."""
    lacking = np.zeros(int(code.max(initial=0)) + 1, dtype=bool)
    lacking[code[np.isnat(time)]] = True
    order = np.lexsort((time, code))
    later = np.zeros(len(code), dtype=bool)
    later[1:] = (np.diff(time[order]) > LEFT_FOR) & (np.diff(code[order]) == 0)
    count = np.cumsum(later)
    first = np.flatnonzero(np.diff(code[order], prepend=-1) != 0)
    result = np.empty(len(code), dtype=np.intp)
    result[order] = count - np.repeat(count[first], np.diff(first, append=len(code)))
    return np.where(lacking[code], 0, result)


def _circles(code: Ints, file: Ints, target: Ints, direction: Floats, zenith: Floats) -> Ints:
    """Return for each row which instrument of those that share a name it is of, shape (n,)."""
    result = np.zeros(len(code), dtype=np.intp)
    pairs = np.unique(np.stack([code, file]), axis=1)
    several = np.unique(pairs[0][1:][np.diff(pairs[0]) == 0])
    if not several.size:
        return result
    # face 2 shows the other end of the circle
    aim = np.exp(1j * (direction - np.pi * (np.nan_to_num(zenith) > np.pi)))
    for name in several.tolist():
        groups: list[dict[int, complex]] = []
        for one in pairs[1][pairs[0] == name].tolist():
            rows = np.flatnonzero((code == name) & (file == one) & np.isfinite(aim))
            points, back = np.unique(target[rows], return_inverse=True)
            total = np.bincount(back, aim[rows].real) + 1j * np.bincount(back, aim[rows].imag)
            seen = dict(zip(points.tolist(), total.tolist(), strict=True))
            fits = [_agree(seen, group) for group in groups]
            which = fits.index(True) if True in fits else len(groups) if groups and False in fits else 0
            if which == len(groups):
                groups.append({})
            groups[which] |= seen
            result[(code == name) & (file == one)] = which
    return result


def _agree(one: dict[int, complex], other: dict[int, complex]) -> bool | None:
    """Return whether two instruments read the same directions; None where they have no point in common."""
    shared = sorted(one.keys() & other.keys())
    if not shared:
        return None
    apart = np.abs(np.angle([one[point] / other[point] for point in shared]))
    return bool(np.median(apart) <= _SAME_CIRCLE)
