"""The coordinates of the marks at each epoch, by name and by place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.slabs import SlabType
from geometry.survey import MeasuredMarks, SurveyFinding, match
from geometry.survey.points import Ints

from .check import CheckRules
from .epochs import Epochs, StagedPoints

__all__ = ["IN_DOUBT", "EpochMarks", "marks_of"]

Bools = npt.NDArray[np.bool_]
IN_DOUBT = "set-up in doubt"
_MOST_NAMED = 6  # slabs that are named one by one


@dataclass(frozen=True, eq=False)
class EpochMarks:
    """The marks of e epochs.

    Attributes
    ----------
    xyz, sigma : ndarray, shape (e, m, 3)
        Grid coordinates and their standard uncertainties, m; nan where not measured.
    withheld : ndarray of bool, shape (e,)
        Epochs whose points contradict their names.
    doubted : ndarray of bool, shape (e,)
        Epochs that a set-up saw in which something was wrong.
    of_known : ndarray of bool, shape (e,)
        Epochs whose points all come with what their set-ups do to them.
    covariance, common
        As `fit_slabs` takes them.
    findings : list of SurveyFinding
        Each with the stage and round it belongs to.
    """

    xyz: Floats
    sigma: Floats
    withheld: Bools
    doubted: Bools
    of_known: Bools
    covariance: Floats | None
    common: tuple[Floats, Ints] | None
    findings: list[SurveyFinding]


def marks_of(
    target_marks: Floats, given: StagedPoints, epochs: Epochs, slab_names: Sequence[str], types: Sequence[SlabType],
    type_index: Ints, rules: CheckRules,
) -> EpochMarks:  # fmt: skip
    """Return the marks of each epoch."""
    n, m = target_marks.shape[:2]
    by_type = np.empty(len(types), dtype=object)
    for i, slab_type in enumerate(types):
        by_type[i] = slab_type.marks.names
    names: list[tuple[str, ...]] = by_type[type_index].tolist()
    xyz, sigma = np.full((len(epochs), m, 3), np.nan), np.full((len(epochs), m, 3), np.nan)
    withheld, doubted = np.zeros(len(epochs), dtype=bool), np.zeros(len(epochs), dtype=bool)
    findings: list[SurveyFinding] = []
    parts: list[tuple[Ints, MeasuredMarks, Ints]] = []
    ordinal = epochs.ordinal
    used = np.flatnonzero(epochs.of_point >= 0)
    number = ordinal[epochs.of_point[used]]
    for k in range(int(ordinal.max(initial=-1)) + 1):  # all slabs at once, epoch by epoch
        rows = used[number == k]
        epoch_of = np.full(n, -1)
        epoch_of[epochs.slab[ordinal == k]] = np.flatnonzero(ordinal == k)
        found = match(target_marks, given.points.rows(rows), slab_names, names, rules.match_radius)
        has = np.flatnonzero(epoch_of >= 0)
        xyz[epoch_of[has]], sigma[epoch_of[has]] = found.xyz[has], found.sigma[has]
        withheld[epoch_of[has]], doubted[epoch_of[has]] = found.withheld[has], found.doubted[has]
        parts.append((epoch_of[has], found, has))
        # which set-ups these are is told below, once for all epochs
        for finding in (f for f in found.findings if f.kind != IN_DOUBT):
            epoch = int(epoch_of[finding.slab]) if finding.slab >= 0 else -1
            stage = given.stages[int(epochs.stage[epoch])] or "no stage named" if epoch >= 0 else ""
            prefix = f"{stage}, round {epochs.round[epoch]}: " if epoch >= 0 else ""
            findings.append(SurveyFinding(finding.kind, finding.slab, prefix + finding.text, finding.withholds))
    known = _covariances(parts, len(epochs), m)
    covariance, common = known if known is not None else (_full(sigma), None)
    of_known = np.zeros(len(epochs), dtype=bool)
    if given.points.common is not None:
        of_known[:] = True
        # coordinates among them come without: nothing is known to be common to them
        bare = ~(given.points.common != 0).any(axis=(1, 2))
        of_known[epochs.of_point[used[bare[used]]]] = False
    findings += _doubtful_setups(given, epochs, slab_names)
    return EpochMarks(xyz, sigma, withheld, doubted, of_known, covariance, common, findings)


def _doubtful_setups(given: StagedPoints, epochs: Epochs, slab_names: Sequence[str]) -> list[SurveyFinding]:
    """Return a finding for every doubtful set-up: which slabs it saw."""
    doubtful = given.points.doubtful
    if doubtful is None:
        return []
    rows = np.flatnonzero(doubtful & (epochs.of_point >= 0))
    pairs = np.unique(np.stack([given.points.setup[rows], epochs.slab[epochs.of_point[rows]]]), axis=1)
    findings = []
    for code in np.unique(pairs[0]).tolist():
        slabs = [slab_names[i] for i in pairs[1][pairs[0] == code].tolist()]
        more = f" and {len(slabs) - _MOST_NAMED} more" if len(slabs) > _MOST_NAMED else ""
        text = (
            f"something is wrong with set-up {given.setups[code]}: no movement is called on what it saw of "
            f"{', '.join(slabs[:_MOST_NAMED])}{more}"
        )
        findings.append(SurveyFinding(IN_DOUBT, -1, text, withholds=True))
    return findings


def _covariances(
    parts: Sequence[tuple[Ints, MeasuredMarks, Ints]], count: int, m: int
) -> tuple[Floats, tuple[Floats, Ints]] | None:
    """Return covariance, common causes and set-ups of the epochs, gathered from parts; None where points lack them."""
    known = [(to, p.covariance[of], p.common[of], p.setups[of]) for to, p, of in parts
             if p.covariance is not None and p.common is not None and p.setups is not None]  # fmt: skip
    if not known or len(known) < len(parts):
        return None
    several = max(setups.shape[1] for _, _, _, setups in known)
    causes = max(common.shape[2] // max(setups.shape[1], 1) for _, _, common, setups in known)
    covariance, own = np.zeros((count, 3 * m, 3 * m)), np.zeros((count, 3 * m, several, causes))
    seen = np.full((count, several), -1)
    for to, by_slab, common, setups in known:
        covariance[to] = by_slab
        own[to, :, : setups.shape[1]] = common.reshape(len(to), 3 * m, setups.shape[1], -1)
        seen[to, : setups.shape[1]] = setups
    return covariance, (own.reshape(count, 3 * m, -1), seen)


def _full(sigma: Floats) -> Floats | None:
    """Return covariances in the grid, (e, 3m, 3m), m^2, where a mark's sigma is not the same all round in plan."""
    if not (np.abs(sigma[..., 0] - sigma[..., 1]) > 1e-9).any():
        return None
    variance = np.nan_to_num(sigma, nan=1.0).reshape(len(sigma), -1) ** 2
    return np.asarray(variance[:, :, None] * np.eye(variance.shape[1]))
