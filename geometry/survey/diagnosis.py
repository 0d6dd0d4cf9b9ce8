"""What may be wrong with a set-up, tested as alternatives to "nothing", each with its likely cause.

Every cause is a pattern of errors with one or a few parameters. The gain in the weighted sum of squares by a
pattern is chi-square distributed if nothing is wrong; the cause with the smallest chance is named, if that chance
times the number of patterns tried stays under 1 in 1000.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from geometry.alignment.laws import Floats

from .observations import DISTANCE, KINDS
from .points import Ints
from .reliability import ALPHA, CRITICAL, NO_CHECK, alternatives, global_limit, log_chance
from .single_setup import Case, Cleared, Posed

__all__ = ["CAUSES", "POINT", "READING", "Cause", "Evidence", "causes", "exchanged", "likely"]

READING, POINT, CONSTANT, SCALE, MOVED, EXCHANGED = (
    "wrong reading", "wrong control point", "wrong prism constant", "wrong distance scale", "moved instrument",
    "exchanged control points",
)  # fmt: skip
CAUSES = (READING, POINT, CONSTANT, SCALE, MOVED, EXCHANGED)
_AXES = ("easting", "northing", "level")
_LEAST = CRITICAL**2  # no fall below this is significant, whatever its rank
_ALIKE = 3.0  # causes whose logarithms of chance differ less are told as "or"


@dataclass(frozen=True, eq=False)
class Cause:
    """A cause that would explain what does not fit.

    Attributes
    ----------
    kind : str
        One of `CAUSES`.
    points : tuple of str
        Control points concerned.
    size, sigma : ndarray, shape (q,)
        By how much, and its standard uncertainty: observed less true, rad or m, of a reading; true less listed
        easting, northing, level, m, of a control point; metres, or a ratio, that all distances are too long;
        later less earlier easting, northing, level, m, and orientation, rad, of an instrument.
    score : float
        Logarithm of the chance that this comes without an error, times the number of patterns tried.
    passes : bool
        Whether the rest passes the global test once this is taken out.
    text : str
        What to tell people.
    cleared : Cleared
        The set-up without it.
    """

    kind: str
    points: tuple[str, ...]
    size: Floats
    sigma: Floats
    score: float
    passes: bool
    text: str
    cleared: Cleared


class Evidence:
    """A set-up linearised at some place, ready for tests.

    Parameters
    ----------
    posed : Posed
    unknowns : ndarray, shape (n,)
        Near enough to the truth that the good observations are linear: within millimetres.
    """

    def __init__(self, posed: Posed, unknowns: Floats) -> None:
        self.posed = posed
        miss, jacobian = posed.model.linearise(unknowns)
        assert isinstance(jacobian, np.ndarray)
        self.jacobian = jacobian
        weight = 1 / posed.model.sigma
        rows = jacobian * weight[:, None]
        # an orthonormal base of the columns: the projection stays accurate where a product with the inverse would not
        base, _ = np.linalg.qr(rows)
        self.checking = (np.eye(len(miss)) - base @ base.T) * weight[:, None] * weight
        self.pull = self.checking @ miss
        self.misfit = float(miss @ self.pull)
        self.freedom = len(miss) - jacobian.shape[1]
        # how the readings change when their control point moves: they feel differences only
        columns = posed.columns
        self.toward = np.where(columns[:3] >= 0, -jacobian[:, np.maximum(columns[:3], 0)], 0.0)
        self.toward[posed.sight < 0] = 0.0


def causes(case: Case, cleared: Cleared, evidence: Evidence) -> list[Cause]:
    """Return every cause that is significant, the most likely first."""
    found = []
    tried = list(_patterns(case, cleared, evidence))
    readings = _reading_falls(evidence)
    count = math.log(len(tried) + int(np.isfinite(readings).sum()))
    if readings.size and np.isfinite(readings).any():
        row = int(np.nanargmax(readings))
        score = log_chance(float(readings[row]), 1) + count
        if score < math.log(ALPHA):
            found.append(_wrong_reading(case, cleared, evidence, row, score))
    for width in sorted({pattern.shape[1] for pattern, _ in tried}):
        same = [one for one in tried if one[0].shape[1] == width]
        gain = alternatives(evidence.checking, evidence.pull, np.stack([pattern for pattern, _ in same]))
        for i in np.flatnonzero(gain.fall > _LEAST).tolist():
            tell, fall, rank = same[i][1], float(gain.fall[i]), int(gain.rank[i])
            # one coordinate of a point sighted once looks like one reading: that one is quicker to check
            score = log_chance(fall, rank) + count + (1.0 if tell.kind == POINT and width == 1 else 0.0)
            if score < math.log(ALPHA):
                passes = evidence.misfit - fall <= global_limit(evidence.freedom - rank)
                points, text, after = tell(gain.size[i], gain.sigma[i])
                found.append(Cause(tell.kind, points, gain.size[i], gain.sigma[i], score, passes, text, after))
    return sorted(found, key=lambda c: (not c.passes, c.score))


def likely(found: list[Cause]) -> Cause | None:
    """Return the most likely cause; its text names others that explain it nearly as well."""
    if not found:
        return None
    first = found[0]
    others = [
        c.text
        for c in found[1:]
        if c.passes == first.passes
        and c.score < first.score + _ALIKE
        and (c.kind, c.points) != (first.kind, first.points)
    ]
    return replace(first, text="; or ".join([first.text, *others[:2]])) if others else first


def _reading_falls(evidence: Evidence) -> Floats:
    """Return w^2 of every reading, shape (m,); nan where nothing checks it or it is no reading."""
    own = np.diagonal(evidence.checking)
    share = own * evidence.posed.model.sigma**2
    good = (share >= NO_CHECK) & (evidence.posed.sight >= 0)
    return np.asarray(np.divide(evidence.pull**2, own, where=good, out=np.full(len(own), np.nan)))


def _wrong_reading(case: Case, cleared: Cleared, evidence: Evidence, row: int, score: float) -> Cause:
    posed = evidence.posed
    kind, sight = int(posed.model.observations.kind[row]), int(posed.sight[row])
    own = float(evidence.checking[row, row])
    size, sigma = evidence.pull[row] / own, 1 / math.sqrt(own)
    fall = float(evidence.pull[row] ** 2 / own)
    use = cleared.use.copy()
    use[sight, kind] = False
    name = case.control.names[int(cleared.target[sight])]
    reach = float(np.linalg.norm(evidence.toward[row]))
    shown = f"{abs(size) * 1e3:.1f} mm" if kind == DISTANCE else f'{math.degrees(abs(size)) * 3600:.0f}" '
    shown += "" if kind == DISTANCE else f"({abs(size) / max(reach, 1e-9) * 1e3:.1f} mm there)"
    text = f"the {KINDS[kind]} to {name} is {shown} too {'large' if size > 0 else 'small'}: measure it again"
    passes = evidence.misfit - fall <= global_limit(evidence.freedom - 1)
    return Cause(READING, (name,), np.array([size]), np.array([sigma]), score, passes, text, replace(cleared, use=use))


def _patterns(case: Case, cleared: Cleared, evidence: Evidence) -> Iterator[tuple[Floats, _Teller]]:
    posed = evidence.posed
    target = np.where(posed.sight >= 0, cleared.target[posed.sight], -1)
    for point in posed.known.tolist():
        mine = (target == point)[:, None]
        shift = np.where(mine, evidence.toward, 0.0)
        seen = np.flatnonzero(np.abs(shift).max(axis=0) > 0)
        yield shift[:, seen], _Teller(case, cleared, POINT, point, seen)
        for axis in seen.tolist():
            yield shift[:, [axis]], _Teller(case, cleared, POINT, point, np.array([axis]))
    distance = posed.model.observations.kind == DISTANCE
    if distance.any() and not cleared.constant:
        yield distance[:, None].astype(np.float64), _Teller(case, cleared, CONSTANT)
    if distance.any() and not cleared.scale:
        length = np.where(distance, posed.model.observations.value, 0.0)
        yield length[:, None], _Teller(case, cleared, SCALE)
    yield from _splits(case, cleared, evidence)


def _splits(case: Case, cleared: Cleared, evidence: Evidence) -> Iterator[tuple[Floats, _Teller]]:
    """Yield the instrument moved between any two sights that follow each other."""
    posed = evidence.posed
    used = np.flatnonzero(cleared.use.any(axis=1))
    order = case.sights.order
    moments = np.unique(order[used])
    columns = posed.columns
    move = np.where(columns >= 0, evidence.jacobian[:, np.maximum(columns, 0)], 0.0)
    when = np.where(posed.sight >= 0, order[posed.sight], -np.inf)
    for moment in moments[:-1].tolist():
        early = order[used] <= moment
        before, after = np.unique(cleared.target[used[early]]), np.unique(cleared.target[used[~early]])
        if len(before) >= 2 and len(after) >= 2:
            pattern = np.where((when > moment)[:, None], move, 0.0)[:, columns >= 0]
            yield pattern, _Teller(case, cleared, MOVED, split=moment, axes=np.flatnonzero(columns >= 0))


@dataclass(frozen=True, eq=False)
class _Teller:
    """Puts a cause into words and takes it out of a set-up."""

    case: Case
    cleared: Cleared
    kind: str
    point: int = -1
    axes: Ints | None = None
    split: float = math.nan

    def __call__(self, size: Floats, sigma: Floats) -> tuple[tuple[str, ...], str, Cleared]:
        if self.kind == POINT:
            return self._point(size, sigma)
        if self.kind == MOVED:
            return self._moved(size)
        if self.kind == SCALE:
            text = (
                f"all distances are {size[0] * 1e6:+.0f} ppm ({sigma[0] * 1e6:.0f}) off in scale: check temperature, "
                f"pressure and the grid scale of the instrument"
            )
            return (), text, replace(self.cleared, scale=True)
        text = (
            f"all distances are {abs(size[0]) * 1e3:.1f} mm ({sigma[0] * 1e3:.1f}) too "
            f"{'long' if size[0] > 0 else 'short'}: check the prism constant"
        )
        return (), text, replace(self.cleared, constant=True)

    def _point(self, size: Floats, sigma: Floats) -> tuple[tuple[str, ...], str, Cleared]:
        assert self.axes is not None
        name = self.case.control.names[self.point]
        shifts = ", ".join(
            f"{_AXES[axis]} {value * 1e3:+.1f} mm ({spread * 1e3:.1f})"
            for axis, value, spread in zip(self.axes.tolist(), size.tolist(), sigma.tolist(), strict=True)
            if math.isfinite(value)
        )
        text = f"control point {name} does not lie where the list has it: {shifts or 'it does not fit'}"
        if self.axes.tolist() == [2]:
            text += ", or its prism height is wrong"
        use = self.cleared.use & (self.cleared.target != self.point)[:, None]
        return (name,), text, replace(self.cleared, use=use)

    def _moved(self, size: Floats) -> tuple[tuple[str, ...], str, Cleared]:
        order, use = self.case.sights.order, self.cleared.use
        assert self.axes is not None
        parts = []
        for axis, value in zip(self.axes.tolist(), size.tolist(), strict=True):
            if math.isfinite(value):
                parts.append(
                    f"{_AXES[axis]} {value * 1e3:+.1f} mm" if axis < 3 else f'turned {math.degrees(value) * 3600:+.0f}"'
                )
        last = int(np.flatnonzero((order <= self.split) & use.any(axis=1))[-1])
        name = self.case.control.names[int(self.cleared.target[last])]
        text = (
            f"the instrument moved after sight {last + 1} (to {name}): {', '.join(parts)}; "
            f"only the sights after it count: set up anew"
        )
        return (), text, replace(self.cleared, use=use & (order > self.split)[:, None])


def exchanged(case: Case, cleared: Cleared, evidence: Evidence, unknowns: Floats, suspects: list[int]) -> Cause | None:
    """Return two suspect control points that fit when they take each other's place."""
    best: Cause | None = None
    posed = evidence.posed
    target = np.where(posed.sight >= 0, cleared.target[posed.sight], -1)
    for i, one in enumerate(suspects):
        for two in suspects[i + 1 :]:
            pattern = np.concatenate(
                [np.where((target == p)[:, None], evidence.toward, 0.0) for p in (one, two)], axis=1
            )
            both = alternatives(evidence.checking, evidence.pull, pattern[None])
            rank, fall = int(both.rank[0]), float(both.fall[0])
            swapped = cleared.target.copy()
            swapped[cleared.target == one], swapped[cleared.target == two] = two, one
            after = replace(cleared, target=swapped)
            other = Posed(case, after, posed.start)
            if other.model.size != posed.model.size:
                continue
            there = Evidence(other, _carried(other, unknowns))
            rest = evidence.misfit - fall
            fits = there.misfit - rest <= global_limit(rank)
            if fits and evidence.misfit > there.misfit + global_limit(1):
                names = (case.control.names[one], case.control.names[two])
                text = f"control points {names[0]} and {names[1]} are exchanged: with their places swapped they fit"
                score = -(evidence.misfit - there.misfit) / 2
                passes = there.misfit <= global_limit(there.freedom)
                cause = Cause(EXCHANGED, names, np.zeros(0), np.zeros(0), score, passes, text, after)
                if best is None or score < best.score:
                    best = cause
    return best


def _carried(posed: Posed, unknowns: Floats) -> Floats:
    """Return unknowns with the set-up's own values kept and the control points where the list has them."""
    out = posed.model.start
    columns = posed.columns[posed.columns >= 0]
    # both models have the same points, so that their origins and columns are the same
    out[columns] = unknowns[columns]
    return out
