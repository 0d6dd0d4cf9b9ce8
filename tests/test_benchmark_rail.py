"""Speed of the rail forecast; on request: ``pytest -m benchmark -s``. See test_benchmarks for what is asserted."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from geometry.alignment.frames import to_grid
from geometry.exchange.project import open_project
from geometry.placement.deviation import pose_deviation
from geometry.placement.rail.forecast import RailForecast, rail_forecast
from geometry.placement.rail.seats import CastSeats, RailSeats, rail_seats
from geometry.slabs import Layout, padded_marks, target_poses
from geometry.survey import Fits, fit_slabs
from tests.test_benchmarks import long_line

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(600)]
DEMO = Path(__file__).parent.parent / "demo_alignment"
PER_SETUP = 10


def timed(work: Callable[[], object], runs: int = 3) -> float:
    times = []
    for _ in range(runs):
        # of this process alone: other work on the machine does not count
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def test_hundred_kilometres_of_rail() -> None:
    """19,000 slabs in set-ups of ten that overlap by two; every fourth set-up turned and shifted as a whole."""
    project = open_project(DEMO)
    line, slabs = long_line(100_400.0), 19_000
    kind = project.types[0]
    place = 60 + 5.28 * np.arange(slabs)
    zeros = np.zeros(slabs, dtype=np.intp)
    layout = Layout(np.array([f"L{i:05d}" for i in range(slabs)]), zeros, place, zeros, np.full(slabs, 0.08))
    targets = target_poses(line, [kind], layout, "shared")
    rng = np.random.default_rng(8)
    marks = padded_marks([kind])
    sigma = np.full((slabs, 4, 3), 1.0) * [2.5e-4, 2.5e-4, 1e-4]
    xyz = to_grid(targets.position, targets.rotation, marks[zeros]) + rng.normal(size=sigma.shape) * sigma
    common = rng.normal(size=(slabs, 12, 8)) * 1e-4
    setup = np.stack([np.arange(slabs) // PER_SETUP, np.full(slabs, -1)], axis=1)
    again = (np.arange(slabs) % PER_SETUP >= PER_SETUP - 2) & (np.arange(slabs) < slabs - PER_SETUP)
    setup[again, 1] = setup[again, 0] + 1
    common[~again, :, 4:] = 0.0
    own = np.einsum("ni,ij->nij", sigma.reshape(slabs, 12) ** 2, np.eye(12))
    covariance = own + common @ np.swapaxes(common, 1, 2)
    fits: Fits = fit_slabs(
        targets.position, targets.rotation, marks, zeros, xyz, sigma, 1.0, covariance, (common, setup)
    )  # fmt: skip
    pose = pose_deviation(targets, fits, 1.0)
    pose[rng.choice(slabs, 40, replace=False)] = np.nan
    found: list[RailSeats] = []

    def seats() -> None:
        found[:] = [rail_seats(line, targets, [kind], layout)]

    seating = timed(seats)
    size = len(found[0].slab)
    cast = CastSeats(rng.normal(size=(size, 2, 2)) * 2e-4, np.full((size, 2, 2), 5e-5))
    rules = project.settings.rail.rules(2.0)
    told: list[RailForecast] = []

    def forecast() -> None:
        told[:] = [rail_forecast(found[0], pose, fits, rules, cast)]

    ours = timed(forecast)
    station, level = found[0].station, told[0].deviation[:, :, 1]
    peer = timed(lambda: [np.interp(station + x, station, level[:, 0]) for x in (-5.0, 5.0, 0.0)])
    print(
        f"\n100 km of rail, {size:,} seats, {len(rules.limits)} limits with their uncertainty: seats {seating:.2f} s, "
        f"forecast {ours:.2f} s, together {seating + ours:.2f} s (aim 5); {ours / peer:.0f} times three bare "
        "interpolations along one rail"
    )
    assert size > 150_000
    assert len(rules.limits) >= 15
    assert seating + ours < 15
