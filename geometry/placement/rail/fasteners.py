"""The plan of the fasteners: which seats get shims or move sideways, so that the rail keeps its limits."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.survey.points import Ints

from .beam import Beam, largest_kink
from .chords import LONGEST
from .fastener_rows import StepRange, demands, kink_demand, step_problem
from .fastener_search import search
from .forecast import RailForecast, RailLimit
from .seats import RailSeats

__all__ = ["FastenerPlan", "FastenerRules", "Kept", "KinkRule", "StepRange", "adjusted", "plan_fasteners"]

Bools = npt.NDArray[np.bool_]
_LINE, _LEVEL = 0, 1
MOST_SEATS = 100  # of a window that is solved at once, 65 m: longer ones are seldom proven within seconds


@dataclass(frozen=True)
class FastenerRules:
    """What the fastener of one rail on one seat can do, m; the same at all of them.

    Attributes
    ----------
    height, sideways : StepRange
        Steps up (+) and to the right (+), and their ranges, which hold 0.
    vertical, lateral : Beam
        The rail in both directions, and what holds it.
    guard : float
        Guard factor of the decision rule: limits are kept by so many standard uncertainties.
    seconds : float
        Time that the search may take.
    """

    height: StepRange
    sideways: StepRange
    vertical: Beam
    lateral: Beam
    guard: float
    seconds: float


@dataclass(frozen=True)
class KinkRule:
    """How far the slope may change from seat to seat, since the rail is a beam; see `geometry.placement.rail.beam`.

    Attributes
    ----------
    beam : Beam
    kink : float
        Largest change of slope, rad.
    spacing : float
        Usual spacing of the seats, m.
    """

    beam: Beam
    kink: float
    spacing: float

    @property
    def second_difference(self) -> float:
        """Largest second difference of seats at the usual spacing, m."""
        return self.kink * self.spacing


@dataclass(frozen=True, eq=False)
class Kept:
    """What the plan does for one limit, or for the stiffness of the rail.

    Attributes
    ----------
    limit : RailLimit or None
        None for the stiffness.
    words : str
        What it is for.
    considered : int
        Values that the plan looks after.
    left_out : int
        Values that it cannot, as something under their chord is not measured.
    narrow : int
        Values whose guard band is wider than the limits: they are held to the limits themselves.
    excess : ndarray, shape (s, r)
        How far each value stays beyond its limits, less the guard band where there is one, m; 0 where it is kept,
        nan where it is not considered.
    """

    limit: RailLimit | None
    words: str
    considered: int
    left_out: int
    narrow: int
    excess: Floats


@dataclass(frozen=True, eq=False)
class FastenerPlan:
    """Steps for each fastener of s seats, left and right, and what is proven of them.

    Attributes
    ----------
    forecast : RailForecast
        The rail that it was made for.
    rules : FastenerRules
    height, sideways : ndarray of int, shape (s, 2)
        Steps up, and to the right, of the left and the right rail.
    measured : ndarray of bool, shape (s,)
        Seats whose place is known; the others are left as they are.
    kept : tuple of Kept
        What becomes of each limit that is no range of wavelengths, then of the stiffness in height and sideways.
    kinks : tuple of KinkRule
        In height, sideways.
    opened, opened_bound : int
        Fasteners that are opened, and how many at least any plan opens that stays as near to the limits.
    moved, moved_bound : float
        Sum of all adjustments, m, and the least possible with so many opened.
    excess_bound : float
        No plan stays nearer to the limits in sum, m; 0 if they can all be kept.
    windows : int
        Parts that were solved each by itself.
    cut : bool
        Whether some part was too long to be solved at once: its pieces were, and their seams mended.
    finished : bool
        False if time ran out before each limit was looked after.
    seconds : float
        What it took.
    """

    forecast: RailForecast
    rules: FastenerRules
    height: Ints
    sideways: Ints
    measured: Bools
    kept: tuple[Kept, ...]
    kinks: tuple[KinkRule, KinkRule]
    opened: int
    opened_bound: int
    moved: float
    moved_bound: float
    excess_bound: float
    windows: int
    cut: bool
    finished: bool
    seconds: float

    @property
    def change(self) -> Floats:
        """What the plan does to the rail, shape (s, 2, 2): [left, right] by [line, level], m."""
        return np.stack([self.sideways * self.rules.sideways.step, self.height * self.rules.height.step], axis=-1)

    @property
    def changed(self) -> Bools:
        """Fasteners that are opened, shape (s, 2)."""
        return np.asarray((self.height != 0) | (self.sideways != 0))

    @property
    def gap(self) -> float:
        """Part of the opened fasteners that is not proven to be needed, 0 to 1."""
        return (self.opened - self.opened_bound) / max(self.opened, 1)

    @property
    def excess(self) -> float:
        """Sum by which limits are missed, m."""
        return float(sum(np.nansum(kept.excess) for kept in self.kept))

    @property
    def excess_proven(self) -> bool:
        """Whether no plan misses the limits by less in sum."""
        return self.finished and self.excess <= self.excess_bound + 1e-7

    @property
    def keeps_all(self) -> bool:
        """Whether every limit that was considered is kept."""
        return self.finished and not any((kept.excess > 0).any() for kept in self.kept)


def adjusted(seats: RailSeats, plan: FastenerPlan) -> RailSeats:
    """Return the seats as the plan makes them, to forecast the rail once more."""
    return replace(seats, target_offset=seats.target_offset + plan.change)


def plan_fasteners(forecast: RailForecast, rules: FastenerRules, free: Bools | None = None) -> FastenerPlan:
    """Return the plan that opens the fewest fasteners, and among those adjusts the least in sum.

    It keeps every limit of the forecast at every place where it is known, by the guard band, and the stiffness of the
    rail. Ranges of wavelengths are no conditions of the plan. Where a limit cannot be kept, the sum by which limits
    are missed is as small as it can be, before all else. Gauge that is not measured counts as designed.

    Parameters
    ----------
    forecast : RailForecast
        Of the rail before; seats whose level or line is nan are left as they are.
    rules : FastenerRules
    free : ndarray of bool, shape (s,), optional
        Seats that may be adjusted, all if not given; only what hangs on them is looked after.

    Returns
    -------
    FastenerPlan
    """
    start = time.monotonic()
    station, deviation = forecast.seats.station, forecast.deviation
    measured = np.asarray(np.isfinite(deviation).all(axis=(1, 2)))
    chosen = np.ones(len(station), dtype=bool) if free is None else free
    up, across = _kink_rule(rules.vertical, station), _kink_rule(rules.lateral, station)
    asked = [
        *demands(forecast, rules.guard),
        kink_demand(station, deviation[:, :, _LEVEL], up.kink, "stiffness of the rail, in height", upright=True),
        kink_demand(station, deviation[:, :, _LINE], across.kink, "stiffness of the rail, sideways", upright=False),
    ]
    asked = [demand.on(chosen) for demand in asked]
    answer = search(*step_problem(asked, measured & chosen, rules.height, rules.sideways), rules.seconds, MOST_SEATS)
    height, sideways = answer.steps.reshape(2, -1, 2)
    moves = {
        True: np.asarray(height * rules.height.step, dtype=np.float64),
        False: np.asarray(sideways * rules.sideways.step, dtype=np.float64),
    }
    return FastenerPlan(
        forecast=forecast,
        rules=rules,
        height=height,
        sideways=sideways,
        measured=measured,
        kept=tuple(
            Kept(d.limit, d.words, len(d.place), len(d.left_out), int(d.narrow.sum()), d.excess(moves[d.upright]))
            for d in asked
        ),
        kinks=(up, across),
        opened=answer.opened,
        opened_bound=answer.opened_bound,
        moved=answer.moved_mm / 1e3,
        moved_bound=answer.moved_bound_mm / 1e3,
        excess_bound=answer.excess_bound_mm / 1e3,
        windows=answer.windows,
        cut=answer.cut,
        finished=answer.finished,
        seconds=time.monotonic() - start,
    )


def _kink_rule(beam: Beam, station: Floats) -> KinkRule:
    """Return the bound that is safe for every spacing found."""
    spacing = np.diff(station)
    spacing = spacing[spacing <= LONGEST]
    if not spacing.size:
        return KinkRule(beam, np.inf, np.nan)  # no three seats in a row
    some = np.linspace(spacing.min(), spacing.max(), 5).tolist()
    return KinkRule(beam, min(largest_kink(beam, apart) for apart in some), float(np.median(spacing)))
