"""Speed of the browser app in a real browser; on request: ``pytest -m benchmark -s``.

Absolute times depend on the machine, so each line prints what the project aims at; the assertions are looser and catch
a change for the worse, not a busy machine.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from app_browser import Visit, browser_path, launched, served, visited
from project_copies import copy_of_demo
from test_benchmarks import make_large_project

from viewer.gl import probe

pytestmark = [
    pytest.mark.benchmark,
    pytest.mark.timeout(900),
    pytest.mark.skipif(browser_path() is None or not probe().works, reason="needs Chromium and OpenGL"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]

# from the press of a key until the section, the sheet and the table show the next slab
_SELECTED = """async () => {
  const name = () => document.querySelector('#sheet-name').textContent;
  const times = [];
  for (let i = 0; i < 12; i++) {
    const before = name();
    const start = performance.now();
    window.trame.trigger('act', ['step', 1]);
    while (name() === before) await new Promise(r => setTimeout(r, 1));
    times.push(performance.now() - start);
    await new Promise(r => setTimeout(r, 400));
  }
  return times;
}"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with launched() as one:
        yield one


def load() -> str:
    return f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"


def frames(visit: Visit, seconds: float) -> float:
    """Return how many pictures a second come while the 3D view is turned."""
    visit.waits_for_picture()
    visit.page.evaluate(
        "() => { window.seen = new Set(); window.timer = setInterval(() => {"
        " for (const i of document.querySelectorAll('#solid img')) window.seen.add(i.src) }, 4) }"
    )
    box = visit.page.locator("#solid").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    visit.page.mouse.move(x, y)
    visit.page.mouse.down()
    start = time.perf_counter()
    step = 0
    while time.perf_counter() - start < seconds:
        visit.page.mouse.move(x + 90 * np.sin(step / 9), y + 20 * np.sin(step / 23))
        step += 1
        visit.page.wait_for_timeout(8)
    taken = time.perf_counter() - start
    visit.page.mouse.up()
    return len(visit.page.evaluate("() => { clearInterval(window.timer); return [...window.seen] }")) / taken


def test_first_picture_of_the_demo(tmp_path: Path, browser: Any) -> None:
    project = copy_of_demo(tmp_path)
    start = time.perf_counter()
    with served(project) as (address, _):
        up = time.perf_counter() - start
        with visited(address, "desktop", browser) as visit:
            visit.page.wait_for_selector("#stretch [role=option]")
            drawn = time.perf_counter() - start
            visit.page.wait_for_function("document.querySelector('#solid img')?.naturalWidth > 100")
            solid = time.perf_counter() - start
    print(f"\ndemo: answers after {up:.2f} s, section after {drawn:.2f} s, 3D after {solid:.2f} s (aim 3); {load()}")
    assert drawn < 12.0


@pytest.mark.parametrize("slabs", [269, 20_000])
def test_selection_and_frames(tmp_path: Path, browser: Any, slabs: int) -> None:
    if slabs == 269:
        project = copy_of_demo(tmp_path)
    else:
        project = tmp_path
        make_large_project(project, slabs)
    with served(project) as (address, _), visited(address, "bench", browser) as visit:
        visit.ready()
        visit.waits_for_picture()
        times = np.array(visit.page.evaluate(_SELECTED))
        rate = frames(visit, 4.0)
        told = f"{slabs} slabs: selection {np.median(times):.0f} ms, worst {times.max():.0f} (aim 150)"
        print(f"\n{told}; turned at {rate:.1f} pictures/s (aim 15); {load()}")
        assert np.median(times) < 600.0
        assert rate > 4.0
