"""Speed of the plan of the fasteners, on request: ``pytest -m benchmark -s tests/test_benchmark_fasteners.py``.

The peer is the same problem given to the solver whole, which is what one would write first.
"""

from __future__ import annotations

import resource
import time

import numpy as np
import pytest
from test_fasteners import LIMITS, STIFF, rail, rough

from geometry.placement.rail.fastener_milp import solve_window
from geometry.placement.rail.fastener_rows import demands, kink_demand, step_problem
from geometry.placement.rail.fasteners import plan_fasteners

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(1800)]


def test_five_thousand_seats() -> None:
    """Slabs that scatter by 0.2 mm, twice what a good crew reaches; then by 0.3 mm. Aim: proven, under 10 and 60 s."""
    for size, aim in ((0.2, 10.0), (0.3, 60.0)):
        station, level, line = rough(1, 625, size)
        forecast, _, _ = rail(level, line, LIMITS, station=station)
        plan = plan_fasteners(forecast, STIFF)
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        print(f"\n5,000 seats, slabs +-{size} mm: {plan.seconds:.1f} s (aim {aim:g} s), {plan.opened} opened, gap "
              f"{plan.gap:.1%}, {plan.windows} windows, {memory:.2f} GiB")  # fmt: skip
        assert plan.keeps_all
        assert plan.gap <= 0.01
        assert plan.seconds < 3 * aim


def test_windows_against_the_whole_problem() -> None:
    """400 seats at 0.3 mm."""
    station, level, line = rough(2, 50, 0.3)
    forecast, _, _ = rail(level, line, LIMITS, station=station)
    plan = plan_fasteners(forecast, STIFF)
    asked = demands(forecast, 0.0)
    asked += [
        kink_demand(station, forecast.deviation[:, :, part], rule.kink, "", upright=part == 1)
        for part, rule in ((1, plan.kinks[0]), (0, plan.kinks[1]))
    ]
    problem, _, _ = step_problem(asked, np.ones(len(station), dtype=bool), STIFF.height, STIFF.sideways)
    start = time.perf_counter()
    whole = solve_window(problem, 120.0)
    spent = time.perf_counter() - start
    assert whole is not None
    opened = len(np.unique(problem.fastener[whole.steps != 0]))
    print(f"\n400 seats: windows {plan.seconds:.2f} s for {plan.opened}, whole {spent:.2f} s for {opened} (at least "
          f"{whole.opened_bound:.0f}), ratio {spent / plan.seconds:.0f}")  # fmt: skip
    assert plan.opened_bound <= opened
    assert plan.opened >= whole.opened_bound
    assert plan.seconds < spent
