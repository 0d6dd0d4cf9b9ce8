"""Marks that do not fit their slab: named where the geometry can name them, told where it cannot."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.survey import Fits, SurveyFinding
from geometry.survey.points import Ints

__all__ = ["Blunders", "find_blunders"]

Bools = npt.NDArray[np.bool_]
FitWithout = Callable[[Ints, Bools], tuple[Fits, Floats]]
StepsOf = Callable[[Ints, Fits], tuple[Floats, Floats]]


@dataclass(frozen=True, eq=False)
class Blunders:
    """What the blunder tests of n slabs came to.

    Attributes
    ----------
    dropped : ndarray of bool, shape (n, m)
        Marks named as wrong; to be left out of the fit.
    unnamed : ndarray of bool, shape (n,)
        Slabs whose marks contradict each other without telling which is wrong.
    findings : tuple of SurveyFinding
    """

    dropped: Bools
    unnamed: Bools
    findings: tuple[SurveyFinding, ...]


def find_blunders(
    fits: Fits, slab_names: Sequence[str], mark_names: Sequence[Sequence[str]], fit_without: FitWithout,
    steps_of: StepsOf, step_limit: float, disputed: Bools,
) -> Blunders:  # fmt: skip
    """Name the marks that do not fit.

    A mark is named when leaving it out, and only it, lets the rest of its slab pass the global test. Four
    heights leave one condition, so any of them explains its failure; then other evidence is asked. If set-ups
    do not agree on one mark, and only that one, it is likely it; else the levels of the neighbours speak: if the
    pose without one mark, and only that one, meets them. Likely is told, not acted on.

    Parameters
    ----------
    fits : Fits
        Of all slabs with all their marks.
    slab_names, mark_names : names by slab
    fit_without : callable
        ``fit_without(slabs, left_out)`` fits slabs (k,) again without the marks of left_out (k, m); returns
        the fits, and measured less fitted of all marks in the slab's frame, (k, m, 3), m.
    steps_of : callable
        ``steps_of(slabs, fits)`` returns level steps to the neighbours for such fits, shape (k, 4), m, nan
        where there is none, and their standard uncertainties.
    step_limit : float
        A step larger than this and three sigmas is no joint of placed slabs, m.
    disputed : ndarray of bool, shape (n, m)
        Marks on which set-ups do not agree.
    """
    dropped = fits.explained & (fits.explained.sum(axis=1) == 1)[:, None] & fits.suspicious[:, None]
    unnamed = fits.suspicious & ~dropped.any(axis=1)
    findings: list[SurveyFinding] = []

    named_slabs, named_marks = np.nonzero(dropped)
    if named_slabs.size:
        _, miss = fit_without(named_slabs, dropped[named_slabs])
        for row, (slab, mark) in enumerate(zip(named_slabs.tolist(), named_marks.tolist(), strict=True)):
            away = miss[row, mark] * 1e3
            text = (
                f"{mark_names[slab][mark]} of slab {slab_names[slab]} does not fit the other marks: it lies "
                f"{away[0]:+.1f} mm across, {away[1]:+.1f} mm along, {away[2]:+.1f} mm up from where they put it; "
                f"left out, measure it again"
            )
            findings.append(SurveyFinding("blunder", slab, text, withholds=True))

    slabs = np.flatnonzero(unnamed)
    if slabs.size:
        likely = _ask_neighbours(fits, slabs, fit_without, steps_of, step_limit)
        twice = disputed[slabs] & fits.explained[slabs]
        told_twice = np.where(twice.sum(axis=1) == 1, twice.argmax(axis=1), -1)
        untold = _untold(fits, slabs, slab_names, mark_names)
        for slab, told, one, near in zip(slabs.tolist(), untold, told_twice.tolist(), likely.tolist(), strict=True):
            evidence = ""
            if one >= 0:
                evidence = f"; the set-ups do not agree on {mark_names[slab][one]}"
            elif near >= 0:
                evidence = f"; the neighbours' levels speak for {mark_names[slab][near]}"
            text = f"{told}{evidence}; measure again"
            findings.append(SurveyFinding("blunder not named", slab, text, withholds=True))
    return Blunders(dropped, unnamed, tuple(findings))


def _ask_neighbours(fits: Fits, slabs: Ints, fit_without: FitWithout, steps_of: StepsOf, step_limit: float) -> Ints:
    """Return for each slab the one mark whose absence makes it meet its neighbours, or -1."""
    m = fits.measured.shape[1]
    each = np.repeat(slabs, m)
    alone = np.tile(np.eye(m, dtype=bool), (len(slabs), 1))
    steps, sigma = steps_of(each, fit_without(each, alone)[0])
    known = np.isfinite(steps)
    meets = (np.abs(steps) <= step_limit + 3 * sigma) | ~known
    # two known steps at either joint are needed to tell a tilt from a wrong mark
    good = (meets.all(axis=1) & (known.sum(axis=1) >= 2)).reshape(len(slabs), m) & fits.explained[slabs]
    return np.where(good.sum(axis=1) == 1, good.argmax(axis=1), -1)


def _untold(
    fits: Fits, slabs: Ints, slab_names: Sequence[str], mark_names: Sequence[Sequence[str]]
) -> Iterator[str]:  # fmt: skip
    """Yield for each slab what contradicts in it."""
    w, suspects = np.nan_to_num(np.abs(fits.of(slabs).w)), fits.explained[slabs]
    in_height = w[..., 2].max(axis=1) >= w[..., :2].max(axis=(1, 2))
    any_height = in_height & (suspects.sum(axis=1) == fits.measured[slabs].sum(axis=1))
    # r and -r in turn around the slab: one height off by 4 r explains it
    wrong = 4 * np.nanmean(np.abs(fits.residual[slabs, :, 2]), axis=1) * 1e3
    for slab, heights, away, marks in zip(
        slabs.tolist(), any_height.tolist(), wrong.tolist(), suspects.tolist(), strict=True
    ):
        name = slab_names[slab]
        if heights:
            yield (
                f"the heights of slab {name} do not lie in one plane: one of them is wrong by about {away:.1f} mm, "
                f"but four heights cannot tell which"
            )
        elif any(marks):
            named = " or ".join(mark for mark, suspect in zip(mark_names[slab], marks, strict=False) if suspect)
            yield f"the marks of slab {name} contradict each other: {named} is wrong"
        else:
            yield f"the marks of slab {name} contradict each other, and no single mark explains it"
