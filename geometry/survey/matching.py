"""Which surveyed point is which mark of which slab."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from geometry.alignment.laws import Floats

from .blocks import blocks
from .points import NO_NAME, UNKNOWN_NAME, Ints, SurveyFinding, SurveyPoints

__all__ = ["MeasuredMarks", "match"]

Bools = npt.NDArray[np.bool_]
_SETUPS_DIFFER = 3.29  # two-sided 0.1 percent of the normal distribution (Baarda's usual level)
_MOST_TOLD = 8  # findings of points without a slab that are told one by one


@dataclass(frozen=True, eq=False)
class MeasuredMarks:
    """What was measured of each mark of each slab.

    Attributes
    ----------
    xyz, sigma : ndarray, shape (n, m, 3)
        Grid coordinates and their standard uncertainties, m; nan where not measured.
    withheld : ndarray of bool, shape (n,)
        Slabs whose points contradict their names: fitted, but without a verdict.
    disputed : ndarray of bool, shape (n, m)
        Marks on which set-ups do not agree.
    doubted : ndarray of bool, shape (n,)
        Slabs that were seen from a doubtful set-up.
    findings : tuple of SurveyFinding
    covariance : ndarray, shape (n, 3m, 3m), optional
        Of the coordinates of each slab, mark by mark, m^2, where the points came with theirs.
    common : ndarray, shape (n, 3m, q k), optional
        What the k causes of each of the q set-ups that saw a slab do to them, m; part of `covariance`.
    setups : ndarray of int, shape (n, q), optional
        These set-ups; -1 for none.
    """

    xyz: Floats
    sigma: Floats
    withheld: Bools
    disputed: Bools
    doubted: Bools
    findings: tuple[SurveyFinding, ...]
    covariance: Floats | None = None
    common: Floats | None = None
    setups: Ints | None = None


def _grouped(keys: Ints) -> Iterator[tuple[int, Ints]]:
    """Yield every key, in order, with the places where it stands."""
    order = np.argsort(keys, kind="stable")
    starts = np.flatnonzero(np.append(True, np.diff(keys[order]) != 0)) if keys.size else order
    for key, places in zip(keys[order][starts].tolist(), np.split(order, starts[1:]), strict=False):
        yield int(key), places


class _Matching:
    """One run of `match`: points find their places step by step, findings gather."""

    def __init__(
        self, targets: Floats, points: SurveyPoints, slab_names: Sequence[str], mark_names: Sequence[Sequence[str]],
        radius: float,
    ) -> None:  # fmt: skip
        self.targets, self.points, self.radius = targets, points, radius
        self.slab_names, self.mark_names = slab_names, mark_names
        self.slabs, self.marks = targets.shape[:2]
        self.findings: list[SurveyFinding] = []
        self.withheld = np.zeros(self.slabs, dtype=bool)
        self.disputed = np.zeros((self.slabs, self.marks), dtype=bool)
        self.doubted = np.zeros(self.slabs, dtype=bool)

    def mark_name(self, slab: int, mark: int) -> str:
        names = self.mark_names[slab]
        return names[mark] if mark < len(names) else f"mark {mark + 1}"

    def find(self, kind: str, slab: int, text: str, *, withholds: bool) -> None:
        self.findings.append(SurveyFinding(kind, slab, text, withholds))
        if withholds and slab >= 0:
            self.withheld[slab] = True

    def place(self) -> Ints:
        """Return for each point the place it measures, slab * marks + mark, or -1."""
        p = self.points
        place, own = np.empty(len(p), dtype=np.intp), np.empty(len(p))
        for rows in blocks(len(p)):
            slab, mark = p.slab[rows], p.mark[rows]
            named = (slab >= 0) & (mark >= 0)
            away = p.xyz[rows].T - self.targets.T[:, np.maximum(mark, 0), np.maximum(slab, 0)]
            place[rows] = np.where(named, slab * self.marks + mark, -1)
            own[rows] = np.where(named, np.sqrt((away**2).sum(axis=0)), np.inf)
        doubtful = np.flatnonzero(~(own <= self.radius))
        if not doubtful.size:
            return place
        flat = self.targets.reshape(-1, 3)
        exists = np.flatnonzero(np.isfinite(flat).all(axis=1))
        apart, nearest = cKDTree(flat[exists]).query(p.xyz[doubtful], distance_upper_bound=self.radius)
        found = np.asarray(np.isfinite(apart))
        by_place = np.full(len(p), -1)
        by_place[doubtful[found]] = exists[np.asarray(nearest)[found]]
        self._unmatched(doubtful[~found], place, own)
        place[doubtful] = by_place[doubtful]
        self._renamed(doubtful[found], place)
        return place

    def _unmatched(self, rows: Ints, place: Ints, own: Floats) -> None:
        """Tell of points that lie at no mark at all: those of one slab together."""
        p = self.points
        of_slab = rows[p.slab[rows] >= 0]
        for slab, at in _grouped(p.slab[of_slab]):
            mine = of_slab[at]
            away = own[mine]
            known = away[np.isfinite(away)]
            if len(mine) == 1 and known.size:
                mark = self.mark_name(slab, int(place[mine[0]]) % self.marks)
                text = f"{p.label(int(mine[0]))} lies {away[0]:.3f} m from {mark} of slab {self.slab_names[slab]}"
            elif known.size:
                text = (
                    f"{self._some(mine)} lie {known.min():.3f} to {known.max():.3f} m from the marks of slab "
                    f"{self.slab_names[slab]} that they name"
                )
            else:
                text = f"{self._some(mine)} named slab {self.slab_names[slab]}: at no mark of any slab"
            self.find("far", slab, f"{text}, further than {self.radius:.3f} m: not used", withholds=True)
        for kind, code in (("unknown slab", UNKNOWN_NAME), ("no slab", NO_NAME)):
            lost = rows[p.slab[rows] == code]
            for part in [lost] if len(lost) > _MOST_TOLD else np.array_split(lost, max(1, len(lost))):
                if part.size:
                    verb = "is" if part.size == 1 else "are"
                    text = f"{self._some(part)} {verb} within {self.radius:.3f} m of no mark of any slab: not used"
                    self.find(kind, -1, text, withholds=False)

    def _some(self, rows: Ints) -> str:
        """Return points in words: how many, and the first of them."""
        first = self.points.label(int(rows[0]))
        return first if len(rows) == 1 else f"{len(rows)} points, the first is {first},"

    def _renamed(self, rows: Ints, place: Ints) -> None:
        """Tell of points whose names say something else than their place."""
        p = self.points
        true_slab, true_mark = np.divmod(place[rows], self.marks)
        for name, kind in ((p.slab[rows], "unknown slab"), (p.mark[rows], "unknown corner")):
            strange = np.flatnonzero(name == UNKNOWN_NAME)
            for slab, at in _grouped(true_slab[strange]):
                mine = strange[at]
                if mine.size == 1:
                    mark = self.mark_name(slab, int(true_mark[mine[0]]))
                    text = f"{p.label(int(rows[mine[0]]))} lies at {mark} of slab {self.slab_names[slab]}"
                else:
                    text = f"{self._some(rows[mine])} lie on slab {self.slab_names[slab]}"
                self.find(kind, slab, text, withholds=True)
        other = np.flatnonzero((p.slab[rows] >= 0) & (p.slab[rows] != true_slab))
        for pair, at in _grouped(p.slab[rows[other]] * self.slabs + true_slab[other]):
            named, lies = divmod(pair, self.slabs)
            count = len(at)
            text = (
                f"{count} point{'s' * (count > 1)} named slab {self.slab_names[named]} lie{'s' * (count == 1)} on slab "
                f"{self.slab_names[lies]}"
            )
            self.find("wrong slab", named, text, withholds=True)
            self.withheld[lies] = True
        # a corner named without its slab contradicts its place just as well
        same = (p.slab[rows] == true_slab) | (p.slab[rows] == NO_NAME)
        turned = np.flatnonzero(same & (p.mark[rows] >= 0) & (p.mark[rows] != true_mark))
        for slab, at in _grouped(true_slab[turned]):
            mine = turned[at]
            pairs = sorted(zip(p.mark[rows[mine]].tolist(), true_mark[mine].tolist(), strict=True))
            half_turn = dict(pairs) == {0: 3, 1: 2, 2: 1, 3: 0}
            told = ", ".join(f"{self.mark_name(slab, a)} lies at {self.mark_name(slab, b)}" for a, b in pairs)
            text = f"corner names of slab {self.slab_names[slab]} do not fit the places: {told}"
            if half_turn:
                text += " (half a turn: names, or the slab itself)"
            self.find("turned slab" if half_turn else "swapped corners", slab, text, withholds=True)

    def drop_duplicates(self, place: Ints) -> Ints:
        """Return rows to use: of points of one mark from one set-up the latest, if times tell, else none."""
        p = self.points
        rows = np.flatnonzero(place >= 0)
        if np.bincount(place[rows]).max(initial=0) <= 1:
            return rows
        key = place[rows] * (int(p.setup.max(initial=0)) + 1) + p.setup[rows]
        order = np.lexsort((p.time[rows], key))
        rows, key = rows[order], key[order]
        new = np.diff(key, prepend=-1) != 0
        if new.all():
            return rows
        group = np.cumsum(new) - 1
        size = np.bincount(group)
        starts = np.flatnonzero(new)
        keep = size[group] == 1
        for g in np.flatnonzero(size > 1).tolist():
            members = rows[starts[g] : starts[g] + size[g]]
            slab, mark = divmod(int(place[members[0]]), self.marks)
            times = p.time[members]
            what = f"{self.mark_name(slab, mark)} of slab {self.slab_names[slab]}"
            told = ", ".join(p.label(int(r)) for r in members)
            if not np.isnat(times).any() and times[-1] > times[-2]:
                keep[starts[g] + size[g] - 1] = True
                self.find("measured again", slab, f"{what} measured {size[g]} times: {told}; the latest is used",
                          withholds=False)  # fmt: skip
            else:
                spread = np.ptp(p.xyz[members], axis=0).max() * 1e3
                self.find("duplicate", slab, f"{what} measured {size[g]} times, up to {spread:.1f} mm apart, and "
                          f"neither set-up nor time tells which counts: {told}; none is used",
                          withholds=True)  # fmt: skip
        return np.asarray(rows[keep])

    def gather(self, place: Ints, rows: Ints) -> tuple[Floats, Floats, Floats]:
        """Return coordinates and sigmas by place, and the share of each row in its place, (rows, 3).

        Several set-ups are averaged by their weights.
        """
        p = self.points
        # a view that repeats one row takes no memory
        share = np.broadcast_to(1.0, (len(rows), 3))
        places = place[rows]
        if not rows.size:
            nowhere = np.full((self.slabs, self.marks, 3), np.nan)
            return nowhere, nowhere.copy(), share
        row_of = np.full(self.slabs * self.marks, -1)
        row_of[places] = rows
        row_of = row_of.reshape(self.slabs, self.marks)
        xyz, sigma = (np.empty((self.slabs, self.marks, 3), order="F") for _ in range(2))
        for slabs in blocks(self.slabs):
            at = np.ascontiguousarray(row_of[slabs].T)
            for result, values in ((xyz, p.xyz), (sigma, p.sigma)):
                of_marks = values.T[:, at]
                of_marks[:, at < 0] = np.nan
                result[slabs] = of_marks.T
        count = np.bincount(places)
        if count.max(initial=0) > 1:
            twice = np.flatnonzero(count[places] > 1)
            rows, places = rows[twice], places[twice]
            weight = p.sigma[rows] ** -2
            origin = self.targets.reshape(-1, 3)[places]  # small numbers average without loss
            several, which = np.unique(places, return_inverse=True)
            total, mean = np.zeros((len(several), 3)), np.zeros((len(several), 3))
            np.add.at(total, which, weight)
            np.add.at(mean, which, weight * (p.xyz[rows] - origin))
            mean /= total
            share = share.copy()
            share[twice] = weight / total[which]
            rest = np.abs(p.xyz[rows] - origin - mean[which])
            # variance of a value less the weighted mean it takes part in
            sigma_rest = np.sqrt(np.maximum(p.sigma[rows] ** 2 - 1 / total[which], 1e-18))
            bad = (rest > _SETUPS_DIFFER * sigma_rest).any(axis=1)
            for i in np.unique(places[bad]).tolist():
                slab, mark = divmod(i, self.marks)
                spread = np.ptp(p.xyz[rows[places == i]], axis=0).max() * 1e3
                name = f"{self.mark_name(slab, mark)} of slab {self.slab_names[slab]}"
                text = f"{name} differs by {spread:.1f} mm between set-ups, more than their sigmas explain"
                self.find("set-ups differ", slab, text, withholds=True)
                self.disputed[slab, mark] = True
            at_mark = np.divmod(several, self.marks)
            xyz[at_mark] = self.targets[at_mark] + mean
            sigma[at_mark] = total**-0.5
        return xyz, sigma, share

    def covariances(self, place: Ints, rows: Ints, share: Floats) -> tuple[Floats, Floats, Ints] | None:
        """Return covariance, common causes and set-ups of each slab; None if the points came without."""
        p, n, m = self.points, self.slabs, self.marks
        if p.own is None or p.common is None:
            return None
        slab, mark = np.divmod(place[rows], m)
        # the set-ups of a slab, counted from 0
        pairs, pair = np.unique(np.stack([slab, p.setup[rows]], axis=1), axis=0, return_inverse=True)
        turn = np.arange(len(pairs)) - np.searchsorted(pairs[:, 0], pairs[:, 0])
        most = int(turn.max(initial=0)) + 1
        setups = np.full((n, most), -1)
        setups[pairs[:, 0], turn] = pairs[:, 1]
        by_mark, by_setup = np.zeros((n, m, m, 3, 3)), np.zeros((n, m, most, 3, p.common.shape[2]))
        np.add.at(by_mark, (slab, mark, mark), share[:, :, None] * p.own[rows] * share[:, None, :])
        np.add.at(by_setup, (slab, mark, turn[pair.ravel()]), share[:, :, None] * p.common[rows])
        own = by_mark.transpose(0, 1, 3, 2, 4).reshape(n, 3 * m, 3 * m)
        common = by_setup.transpose(0, 1, 3, 2, 4).reshape(n, 3 * m, -1)
        return own + common @ np.swapaxes(common, 1, 2), common, setups

    def doubt(self, place: Ints, rows: Ints) -> None:
        """Withhold slabs that a doubtful set-up saw."""
        if self.points.doubtful is None:
            return
        seen = np.unique(place[rows][self.points.doubtful[rows]] // self.marks)
        self.doubted[seen] = True
        if seen.size:
            named = ", ".join(self.slab_names[i] for i in seen[:6].tolist())
            more = f" and {seen.size - 6} more" if seen.size > 6 else ""
            text = f"seen from a set-up in which something was wrong: slab {named}{more}"
            self.find("set-up in doubt", -1, text, withholds=True)


def match(
    targets: Floats, points: SurveyPoints, slab_names: Sequence[str], mark_names: Sequence[Sequence[str]],
    radius: float,
) -> MeasuredMarks:  # fmt: skip
    """Give every point its place, by name where it has one and by position where it has none.

    A name is believed only when the point lies within `radius` of that mark's target. A point named
    otherwise is placed by position and its slab gets no verdict until the names are cleared up. Points of
    one mark from several set-ups are averaged; from one set-up the latest counts, and without times none.

    Parameters
    ----------
    targets : ndarray, shape (n, m, 3)
        Target places of the marks in the grid, m; nan where a slab has fewer marks.
    points : SurveyPoints
        Points of one stage.
    slab_names : sequence of str, length n
    mark_names : sequence of sequences of str, length n
        Names of the marks of each slab.
    radius : float
        How far a mark may lie from its target, m. Below half the least distance of two marks.

    Returns
    -------
    MeasuredMarks
    """
    run = _Matching(targets, points, slab_names, mark_names, radius)
    place = run.place()
    rows = run.drop_duplicates(place)
    xyz, sigma, share = run.gather(place, rows)
    run.doubt(place, rows)
    known = run.covariances(place, rows, share) or (None, None, None)
    findings = sorted(run.findings, key=lambda f: (f.slab < 0, f.slab))
    return MeasuredMarks(xyz, sigma, run.withheld, run.disputed, run.doubted, tuple(findings), *known)
