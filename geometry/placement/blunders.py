"""Marks that do not fit their slab: named where the geometry can name them, told where it cannot."""

from __future__ import annotations

from collections.abc import Callable, Sequence
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
        for row, slab in enumerate(slabs.tolist()):
            twice = np.flatnonzero(disputed[slab] & fits.explained[slab])
            evidence = ""
            if twice.size == 1:
                evidence = f"; the set-ups do not agree on {mark_names[slab][twice[0]]}"
            elif likely[row] >= 0:
                evidence = f"; the neighbours' levels speak for {mark_names[slab][likely[row]]}"
            findings.append(_untold(fits, slab, slab_names[slab], mark_names[slab], evidence))
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


def _untold(fits: Fits, slab: int, name: str, marks: Sequence[str], evidence: str) -> SurveyFinding:
    residual, w = fits.residual[slab], np.nan_to_num(np.abs(fits.w[slab]))
    suspects = np.flatnonzero(fits.explained[slab])
    in_height = w[:, 2].max() >= w[:, :2].max()
    if suspects.size == fits.measured[slab].sum() and in_height:
        # r and -r in turn around the slab: one height off by 4 r explains it
        wrong = 4 * float(np.nanmean(np.abs(residual[:, 2]))) * 1e3
        text = (
            f"the heights of slab {name} do not lie in one plane: one of them is wrong by about {wrong:.1f} mm, "
            f"but four heights cannot tell which"
        )
    elif suspects.size:
        named = " or ".join(marks[i] for i in suspects.tolist())
        text = f"the marks of slab {name} contradict each other: {named} is wrong"
    else:
        text = f"the marks of slab {name} contradict each other, and no single mark explains it"
    return SurveyFinding("blunder not named", slab, f"{text}{evidence}; measure again", withholds=True)
