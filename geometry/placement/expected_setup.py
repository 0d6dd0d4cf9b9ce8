"""How certain a free set-up will be, before anything is read: from the places of instrument and control alone.

The uncertainty of a least-squares solution does not depend on what is read, only on what is sighted from where
and how well. A listed control point is uncertain itself, so the three readings of one sight are correlated
through it; points of different sights are taken as independent.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.survey.observations import (
    DIRECTION,
    DISTANCE,
    EARTH_RADIUS,
    REFRACTION,
    ZENITH,
    Places,
    SurveyModel,
    joined,
    sights,
)
from geometry.survey.points import Ints
from geometry.survey.readings import Control, Instrument, Sights
from geometry.survey.reliability import smallest_found

__all__ = ["LEAST_PLAN", "ExpectedSetups", "SightPlan", "expected_setups", "planned_sights", "within_range"]

Bools = npt.NDArray[np.bool_]
LEAST_PLAN = 0.1  # nearer in plan than this a point stands over or under the instrument, m
_FELT = 1e-10  # smallest eigenvalue of the normal matrix with unit diagonal: below it something is not determined


@dataclass(frozen=True)
class SightPlan:
    """What will be used and which sights are good sights.

    The defaults are assumptions (common practice), not measured values.

    Attributes
    ----------
    instrument : Instrument
    rounds, mark_rounds : float
        How many independent readings of a control point and of a slab mark are averaged, each in two faces.
    control_range : tuple of float
        Shortest and longest sight to a control point, m.
    mark_range : tuple of float
        The same for slab marks: shorter sights are told, marks further away are not in reach.
    steep : float
        Sights steeper than this, up or down, are told, rad.
    grazing : float
        Sights that meet a slab's top face at less than this are told, rad.
    refraction : float
        Coefficient k.
    """

    instrument: Instrument = field(default_factory=Instrument)
    rounds: float = 1.0
    mark_rounds: float = 1.0
    control_range: tuple[float, float] = (10.0, 80.0)
    mark_range: tuple[float, float] = (3.0, 80.0)
    steep: float = math.radians(30.0)
    grazing: float = math.radians(1.0)
    refraction: float = REFRACTION

    def __post_init__(self) -> None:
        for name in ("control_range", "mark_range"):
            low, high = getattr(self, name)
            if not 0 <= low < high < math.inf:
                raise ValueError(f"{name} is {low!r} to {high!r}; it is a shorter and a longer distance")
        for name in ("rounds", "mark_rounds"):
            if not 1 <= getattr(self, name) < math.inf:
                raise ValueError(f"{name} is {getattr(self, name)!r}; it is at least one")
        if not (0 < self.steep < math.pi / 2 and 0 <= self.grazing < math.pi / 2):
            raise ValueError("steep and grazing are angles between level and upright")


@dataclass(frozen=True, eq=False)
class ExpectedSetups:
    """What c planned set-ups will be worth; their s sights to control points stand set-up by set-up.

    Attributes
    ----------
    position : ndarray, shape (c, 3)
        Easting, northing, level of the tilting axis in the grid, m.
    covariance : ndarray, shape (c, 4, 4)
        Of easting, northing, level, m, and orientation, rad; nan where not determined.
    freedom : ndarray of int, shape (c,)
        Degrees of freedom: readings less four unknowns; negative where not determined.
    spread : ndarray, shape (c,)
        Smallest sector that holds all sighted control points, 0 .. 2 pi, rad; nan without any.
    setup, target : ndarray of int, shape (s,)
        Set-up and control point of each sight.
    aim : Sights
        The sights themselves, directions counted from grid north.
    redundancy : ndarray, shape (s, 3)
        Part of an error of direction, zenith angle, distance that shows in its own residual, 0 .. 1; nan where not
        determined. The rest shows in the control points' residuals, or not at all.
    checked : ndarray, shape (s, 3)
        Part of an error of direction, zenith angle, distance that the other sights show, 0 .. 1, whether the reading
        is wrong or the point: low where the geometry is weak, not only where the point itself is uncertain.
    smallest_reading : ndarray, shape (s, 3)
        Smallest blunder in direction, zenith angle (rad), distance (m) that is found with 80 percent chance at a
        level of 0.1 percent; inf where nothing checks it.
    smallest_point : ndarray, shape (s, 3)
        The same for an error in the easting, northing, level of the control point, m.
    influence : ndarray, shape (s, 4, 3)
        How easting, northing, level and orientation of the set-up change with such an error, m/m and rad/m.
    """

    position: Floats
    covariance: Floats
    freedom: Ints
    spread: Floats
    setup: Ints
    target: Ints
    aim: Sights
    redundancy: Floats
    checked: Floats
    smallest_reading: Floats
    smallest_point: Floats
    influence: Floats

    @property
    def determined(self) -> Bools:
        """Whether each set-up has a position and an orientation, shape (c,)."""
        return np.asarray(self.freedom >= 0)

    @property
    def sigma(self) -> Floats:
        """Standard uncertainty of easting, northing, level, m, and orientation, rad, shape (c, 4)."""
        return np.asarray(np.sqrt(np.einsum("cii->ci", self.covariance)))

    def ellipses(self) -> tuple[Floats, Floats, Floats]:
        """Return semi-axes of the standard ellipses in plan, m, and the bearing of the major one, 0 .. pi, rad."""
        known = self.determined
        values, vectors = np.linalg.eigh(np.where(known[:, None, None], self.covariance[:, :2, :2], np.eye(2)))
        bearing = np.arctan2(vectors[:, 0, 1], vectors[:, 1, 1]) % np.pi
        minor, major = np.sqrt(np.maximum(values, 0.0)).T
        gone = np.where(known, 0.0, np.nan)
        return major + gone, minor + gone, bearing + gone


def planned_sights(
    delta: Floats, repeats: float, setup: Ints, target: Ints, refraction: float = REFRACTION, grid_scale: float = 1.0
) -> Sights:
    """Return the readings that an instrument will show, with the zero of its circle to grid north.

    Parameters
    ----------
    delta : ndarray, shape (s, 3)
        Target less tilting axis in the grid, m.
    repeats : float
    setup, target : ndarray of int, shape (s,)
    refraction, grid_scale : float

    Examples
    --------
    >>> one = planned_sights(np.array([[30.0, 0.0, -40.0]]), 1.0, np.array([0]), np.array([0]), refraction=1.0)
    >>> round(float(np.degrees(one.direction[0]))), round(float(one.distance[0]), 9)
    (90, 50.0)
    """
    level = np.hypot(delta[:, 0], delta[:, 1]) / grid_scale
    zenith = np.arctan2(level, delta[:, 2]) + (1.0 - refraction) * level / (2 * EARTH_RADIUS)
    return Sights.of(
        target, np.arctan2(delta[:, 0], delta[:, 1]) % (2 * np.pi), zenith, np.hypot(level, delta[:, 2]),
        repeats=repeats, setup=setup,
    )  # fmt: skip


def within_range(position: Floats, control: Control, plan: SightPlan) -> Bools:
    """Return which control points each place will sight: all within the plan's range, shape (c, k)."""
    delta = control.xyz[None] - position[:, None]
    away = np.linalg.norm(delta, axis=2)
    low, high = plan.control_range
    over = np.hypot(delta[..., 0], delta[..., 1]) < LEAST_PLAN
    return np.asarray((away >= low) & (away <= high) & ~over)


def expected_setups(
    position: Floats, control: Control, sighted: Bools, plan: SightPlan, grid_scale: float = 1.0
) -> ExpectedSetups:
    """Return how certain free set-ups will be, each on its own.

    Parameters
    ----------
    position : ndarray, shape (c, 3)
        Easting, northing, level of the tilting axis in the grid, m.
    control : Control
        k points; their sigmas count.
    sighted : ndarray of bool, shape (c, k)
        Which of them each set-up will sight, with direction, zenith angle and distance.
    plan : SightPlan
    grid_scale : float
        Grid length over true length in plan.

    Returns
    -------
    ExpectedSetups
        A set-up that its sights do not determine has nan.

    Raises
    ------
    ValueError
        If a sighted point stands over or under its instrument, or a place is no number.

    Examples
    --------
    >>> square = np.array([[40.0, 0, 0], [0, 40, 0], [-40, 0, 0], [0, -40, 0]])
    >>> marks = Control(tuple("ABCD"), square, np.zeros((4, 3)))
    >>> plan = SightPlan(Instrument(5e-6, 5e-6, 1e-3, ppm=0, centring=0, target_height=0))
    >>> one = expected_setups(np.zeros((1, 3)), marks, np.ones((1, 4), dtype=bool), plan)
    >>> (one.sigma[0, :3] * 1e3).round(3).tolist()  # mm; 1 / sqrt(2 / 0.2^2 + 2 / 1^2) in plan, 0.2 / sqrt(4) in level
    [0.139, 0.139, 0.1]
    """
    if not np.isfinite(position).all():
        raise ValueError("a planned place has a coordinate that is no number")
    setup, target = np.nonzero(sighted)
    delta = control.xyz[target] - position[setup]
    if (np.hypot(delta[:, 0], delta[:, 1]) < LEAST_PLAN).any():
        raise ValueError("a control point stands over or under the instrument")
    aim = planned_sights(delta, plan.rounds, setup, target, plan.refraction, grid_scale)
    sigma = np.stack(plan.instrument.sigmas(aim.distance, aim.zenith, aim.repeats), axis=1)
    jacobian = _jacobian(delta, plan.refraction, grid_scale)

    # readings feel differences of coordinates only: the point moves them as the instrument does, the other way
    toward = -jacobian[:, :, :3]
    by_point = toward * control.sigma[target][:, None, :]
    weight = np.linalg.inv(sigma[:, :, None] ** 2 * np.eye(3) + by_point @ np.swapaxes(by_point, 1, 2))
    normal = np.zeros((len(position), 4, 4))
    np.add.at(normal, setup, np.swapaxes(jacobian, 1, 2) @ weight @ jacobian)
    covariance, determined = _inverted(normal)

    known = determined[setup]
    gain = covariance[setup] @ np.swapaxes(jacobian, 1, 2) @ weight  # from readings to the unknowns
    checking = weight - weight @ jacobian @ gain  # W Qvv W
    own = np.einsum("sii->si", checking)
    redundancy = np.where(known[:, None], np.clip(sigma**2 * own, 0.0, 1.0), np.nan)
    felt = np.einsum("sia,sij,sja->sa", toward, weight, toward)
    shown = np.einsum("sia,sij,sja->sa", toward, checking, toward)
    return ExpectedSetups(
        position=position,
        covariance=np.where(determined[:, None, None], covariance, np.nan),
        freedom=np.where(determined, 3 * np.bincount(setup, minlength=len(position)) - 4, -1).astype(np.intp),
        spread=_sectors(setup, np.asarray(aim.direction), len(position)),
        setup=setup,
        target=target,
        aim=aim,
        redundancy=redundancy,
        checked=np.where(known[:, None], np.clip(own / np.einsum("sii->si", weight), 0.0, 1.0), np.nan),
        smallest_reading=smallest_found(sigma, np.nan_to_num(redundancy)),
        smallest_point=smallest_found(1 / np.sqrt(felt), np.where(known[:, None], shown / felt, 0.0)),
        influence=np.where(known[:, None, None], gain @ toward, np.nan),
    )


def _jacobian(delta: Floats, refraction: float, grid_scale: float) -> Floats:
    """Return the derivatives of direction, zenith angle and distance by the set-up, shape (s, 3, 4).

    As the readings know differences only, all sights are taken from one instrument at the origin.
    """
    s = len(delta)
    if not s:
        return np.zeros((0, 3, 4))
    station, index, nothing = np.full(s, s), np.arange(s), np.zeros(s)
    model = SurveyModel(
        joined(*(sights(kind, station, index, nothing, 1.0, np.zeros(s, dtype=np.intp))
                 for kind in (DIRECTION, ZENITH, DISTANCE))),
        Places(
            np.concatenate([delta, np.zeros((1, 3))]), np.append(np.ones((s, 3), bool), np.zeros((1, 3), bool), axis=0),
            np.zeros(1), (*map(str, range(s)), "instrument"), ("1",),
        ),
        refraction, grid_scale,
    )  # fmt: skip
    _, rows = model.linearise(model.start)
    assert isinstance(rows, np.ndarray)  # four unknowns
    return np.swapaxes(rows.reshape(3, s, 4), 0, 1)


def _inverted(normal: Floats) -> tuple[Floats, Bools]:
    """Return covariances, zero where not determined, and whether they are, by solving at unit diagonal."""
    diagonal = np.einsum("cii->ci", normal)
    unit = 1 / np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
    both = unit[:, :, None] * unit[:, None, :]
    scaled = normal * both
    determined = np.linalg.eigvalsh(scaled)[:, 0] > _FELT
    safe = np.where(determined[:, None, None], scaled, np.eye(4))
    answer = np.linalg.solve(safe, np.broadcast_to(np.eye(4), safe.shape)) * both
    answer = (answer + np.swapaxes(answer, 1, 2)) / 2
    return np.where(determined[:, None, None], answer, 0.0), np.asarray(determined)


def _sectors(setup: Ints, bearing: Floats, count: int) -> Floats:
    """Return the smallest sector that holds all bearings of each set-up, rad, shape (count,)."""
    result = np.full(count, np.nan)
    if not len(setup):
        return result
    order = np.lexsort((bearing, setup))
    which, sorted_bearing = setup[order], bearing[order]
    first = np.flatnonzero(np.diff(which, prepend=-1))
    last = np.append(first[1:], len(which)) - 1
    gap = np.diff(sorted_bearing, append=0.0)
    gap[last] = sorted_bearing[first] + 2 * np.pi - sorted_bearing[last]
    result[which[first]] = 2 * np.pi - np.maximum.reduceat(gap, first)
    return result
