"""The observations of one set-up, with what was found wrong taken out of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats

from .approximate import Start, rough_setup
from .observations import DIRECTION, DISTANCE, ZENITH, Places, SurveyModel, control, joined, sights
from .points import Ints
from .readings import Control, Instrument, Sights

__all__ = ["Case", "Cleared", "Posed", "rough"]

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Case:
    """One set-up as measured; all sights are its own.

    Attributes
    ----------
    name : str
    sights : Sights
    control : Control
    instrument : Instrument
    weighted : bool
        Whether control points may give way according to their sigmas.
    refraction, grid_scale : float
    """

    name: str
    sights: Sights
    control: Control
    instrument: Instrument
    weighted: bool
    refraction: float
    grid_scale: float

    @cached_property
    def read(self) -> Bools:
        """Which of direction, zenith angle and distance each sight has, shape (n, 3)."""
        s = self.sights
        return np.asarray(np.isfinite(np.stack([s.direction, s.zenith, s.distance], axis=1)))


@dataclass(frozen=True, eq=False)
class Cleared:
    """What is left out of a set-up or changed in it.

    Attributes
    ----------
    use : ndarray of bool, shape (n, 3)
        Directions, zenith angles and distances that count.
    target : ndarray of int, shape (n,)
        Control point of each sight, exchanged ones set right.
    constant, scale : bool
        Whether an additive constant or a scale of the distances is an unknown.
    """

    use: Bools
    target: Ints
    constant: bool = False
    scale: bool = False


class Posed:
    """A set-up made into a model.

    Attributes
    ----------
    model : SurveyModel
    sight : ndarray of int, shape (m,)
        Sight of each observation; -1 for coordinates of control points.
    known : ndarray of int, shape (k,)
        Control points that the model has, in its order; the instrument comes last.
    flat : bool
        No zenith angle counts: the sights are taken as level, and there is no level of the instrument.
    start : Start
    """

    def __init__(self, case: Case, cleared: Cleared, start: Start) -> None:
        self.start = start
        use, s = cleared.use, case.sights
        self.flat = not use[:, 1].any()
        self.known, target = np.unique(cleared.target[use.any(axis=1)], return_inverse=True)
        index = np.zeros(len(s), dtype=np.intp)
        index[use.any(axis=1)] = target
        k = len(self.known)
        xyz = np.concatenate([case.control.xyz[self.known], start.position[None]])
        sigma = case.control.sigma[self.known] if case.weighted else np.zeros((k, 3))
        heights = (s.instrument_height, s.target_height)
        xyz[k, 2] -= float(np.median(s.instrument_height))
        if self.flat:
            xyz[:, 2], heights, sigma = 0.0, (np.zeros(len(s)), np.zeros(len(s))), sigma * [1, 1, 0]
        away = xyz[index] - xyz[k]
        length = np.where(np.isfinite(s.distance), s.distance, np.linalg.norm(away, axis=1))
        spread = case.instrument.sigmas(length, s.zenith, s.repeats)
        none = np.zeros(len(s), dtype=np.intp)
        values = (s.direction, s.zenith, s.distance)
        parts, rows = [], []
        for kind in (DIRECTION, ZENITH, DISTANCE):
            there = np.flatnonzero(use[:, kind])
            parts.append(
                sights(
                    kind, np.full(len(there), k), index[there], values[kind][there], spread[kind][there],
                    none[there], heights[0][there], heights[1][there], none[there],
                )
            )  # fmt: skip
            rows.append(there)
        parts.append(control(np.arange(k), xyz[:k], sigma))
        rows.append(np.full(len(parts[-1]), -1))
        self.sight = np.concatenate(rows)
        fixed = np.zeros((k + 1, 3), dtype=bool)
        fixed[:k] = sigma <= 0
        fixed[k, 2] = self.flat
        aimed = use[:, 0].any()
        places = Places(
            xyz, fixed, np.array([start.orientation] if aimed else []),
            (*(case.control.names[i] for i in self.known.tolist()), f"set-up {case.name}"), (case.name,),
        )  # fmt: skip
        self.model = SurveyModel(
            joined(*parts), places, case.refraction, case.grid_scale, cleared.constant, cleared.scale
        )

    @property
    def columns(self) -> Ints:
        """Unknowns easting, northing, level, orientation of the set-up, shape (4,); -1 where there is none."""
        model = self.model
        aimed = model.constant_start > model.points_end
        return np.array([*model.column[-1], model.points_end if aimed else -1])


def rough(case: Case, cleared: Cleared) -> Start | None:
    """Return where the instrument stands, roughly."""
    some = np.flatnonzero(cleared.use.any(axis=1))
    if not some.size:
        return None
    s, use = case.sights, cleared.use

    def read(values: Floats, column: int) -> Floats:
        return np.where(use[some, column], values[some], np.nan)

    return rough_setup(
        case.control.xyz[cleared.target[some]], read(s.direction, 0), read(s.zenith, 1), read(s.distance, 2),
        s.target_height[some] if use[:, 1].any() else np.zeros(len(some)), case.refraction, case.grid_scale,
    )  # fmt: skip
