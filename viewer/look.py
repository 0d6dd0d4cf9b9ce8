"""What is known of slabs at one look at a survey that grows."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geometry.exchange.epoch_files import StagedReadings
from geometry.exchange.project import Project
from geometry.exchange.survey_files import StagedSurvey
from geometry.placement import UNDECIDED, SectionCheck, check_section
from geometry.placement.history import History
from geometry.survey.points import Ints

__all__ = ["CORNERS", "LEAST", "Keys", "Look", "lost_since", "told_of"]

Bools = npt.NDArray[np.bool_]
Keys = npt.NDArray[np.void]
CORNERS, LEAST = 4, 3


@dataclass(frozen=True, eq=False)
class Look:
    """What is known at one look.

    Attributes
    ----------
    project : Project
    survey : StagedSurvey
        Surveyed points and readings.
    history : History
    worked : StagedReadings, optional
        What the readings among them were worked up to.
    """

    project: Project
    survey: StagedSurvey
    history: History
    worked: StagedReadings | None

    def last(self, slab: int) -> int:
        """Return the last epoch of a slab."""
        return int(np.flatnonzero(self.history.epochs.slab == slab)[-1])

    def corners(self, slab: int) -> int:
        """Return how many corners the last epoch of a slab has."""
        return int(self.history.fits.measured[self.last(slab)].sum())

    def second_face(self, slab: int) -> int:
        """Return how many corners of the last epoch were read in the second face as well, where not all were."""
        faces = self.survey.faces[self.history.epochs.of_point == self.last(slab)]
        return int((faces == faces.max(initial=0)).sum()) if len(np.unique(faces)) > 1 else 0

    def name(self, epoch: int) -> str:
        """Return stage and round of an epoch for people."""
        epochs = self.history.epochs
        return f"{self.survey.given.stages[int(epochs.stage[epoch])] or 'no stage'}, round {epochs.round[epoch]}"

    def complete(self, slabs: Ints) -> Bools:
        """Return of which slabs the last epoch has as many corners as are to be expected, in as many faces each."""
        epochs = self.history.epochs
        count = self.history.fits.measured.sum(axis=1)
        last = np.zeros(len(self.project.layout.names), dtype=np.intp)
        last[epochs.slab[epochs.latest]] = epochs.latest
        at = last[slabs]
        has_before = epochs.ordinal[at] > 0
        # as many as the time before, if that was a whole measurement
        expected = np.where(has_before & (count[at - 1] >= LEAST), np.minimum(count[at - 1], CORNERS), CORNERS)
        on_slab = np.flatnonzero(epochs.of_point >= 0)
        least, most = np.full(len(epochs), np.iinfo(np.intp).max), np.zeros(len(epochs), dtype=np.intp)
        for extreme, faces in ((np.minimum, least), (np.maximum, most)):
            extreme.at(faces, epochs.of_point[on_slab], self.survey.faces[on_slab])
        return np.asarray((count[at] >= expected) & (least[at] == most[at]))

    def check(self, begun: Ints) -> SectionCheck:
        """Return the check of the last epoch with a pose of each slab; of those begun, of the one before."""
        epochs, given, project = self.history.epochs, self.survey.given, self.project
        usable = self.history.fits.determined.copy()
        usable[epochs.latest[np.isin(epochs.slab[epochs.latest], begun)]] = False
        # a slab without any pose keeps its last points, so that the check says what it lacks
        use = np.full(len(project.layout.names), -1)
        use[epochs.slab] = np.arange(len(epochs))
        use[epochs.slab[usable]] = np.flatnonzero(usable)
        points = given.points
        # a point on no slab is told by the check; a reading told differently would count as measured again
        counts = (epochs.of_point < 0) & (points.slab < 0)
        on_slab = np.flatnonzero(epochs.of_point >= 0)
        counts[on_slab] = use[epochs.slab[epochs.of_point[on_slab]]] == epochs.of_point[on_slab]
        rows = np.flatnonzero(counts)
        layout = project.layout
        answer = check_section(
            project.targets, project.types, layout.type_index, layout.span, layout.names.tolist(),
            points.rows(rows), project.check_rules,
        )  # fmt: skip
        # two numbers for one reading prove nothing
        verdict = answer.verdict.copy()
        disputed = use[epochs.slab[epochs.disputed]] == np.flatnonzero(epochs.disputed)
        verdict[epochs.slab[epochs.disputed][disputed]] = UNDECIDED
        return replace(answer, verdict=verdict)

    def read_last(self) -> int:
        """Return the epoch with the latest reading, or the one read last where no time is known."""
        end, of_point = self.history.epochs.end, self.history.epochs.of_point
        if np.isnat(end).all():
            return int(of_point[of_point >= 0][-1])
        return int(np.argmax(np.where(np.isnat(end), end[~np.isnat(end)].min(), end)))


def told_of(look: Look, before: Keys) -> tuple[Ints, Keys]:
    """Return the points that are new or were read in a face more, and what is known of with them.

    A reading is known of as long as it stands in a file: a set-up that stands otherwise, or is not solved for a
    while, makes nothing new of its points.

    Parameters
    ----------
    look : Look
    before : ndarray of void, shape (k,)
        What was known of before.

    Returns
    -------
    fresh : ndarray of int
    known : ndarray of void
    """
    keys = _with_faces(look.survey.read_as, look.survey.faces)
    fresh = np.flatnonzero(~np.isin(keys, before))
    if look.worked is None:
        return fresh, keys
    shown = look.worked.shown
    there = np.concatenate([_with_faces(shown, np.full(len(shown), faces)) for faces in (1, 2)])
    return fresh, np.unique(np.concatenate([keys, before[np.isin(before, there)]]))


def lost_since(before: Look | None, look: Look) -> Ints:
    """Return the points of before that stand nowhere any more."""
    if before is None:
        return np.empty(0, dtype=np.intp)
    gone = ~np.isin(before.survey.read_as, look.survey.read_as)
    if look.worked is not None:
        gone &= ~np.isin(before.survey.read_as, look.worked.shown)
    return np.flatnonzero(gone)


def _with_faces(read_as: Keys, faces: Ints) -> Keys:
    width = read_as.dtype.itemsize
    table = np.zeros((len(read_as), width + 1), dtype=np.uint8)
    table[:, :width] = np.ascontiguousarray(read_as).view(np.uint8).reshape(-1, width)
    table[:, width] = faces
    return table.view(np.dtype((np.void, width + 1))).ravel()
