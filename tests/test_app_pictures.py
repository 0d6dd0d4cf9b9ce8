"""Pictures of the browser app against reference pictures that were looked at: regression values.

A picture is compared by the mean colour of its blocks of 8 x 8 pixels: at most two blocks in a thousand may differ by
more than 16 of 255 in any channel. Words are hidden before, as fonts differ between machines; those of the 3D view are
drawn by a font that comes along. ``SLABPOSE_KEEP_PICTURES=1`` writes the reference pictures anew: look at them before
they are kept.
"""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from app_browser import Visit, browser_path, launched, served, visited
from PIL import Image
from project_copies import copy_of_demo

from viewer.gl import probe

pytestmark = [
    pytest.mark.skipif(browser_path() is None, reason="no Chromium here (Debian: chromium)"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]

REFERENCE = Path(__file__).parent / "reference" / "pictures"
BLOCK, LEAST, SHARE = 8, 16.0, 0.002
_WORDLESS = "svg text { visibility: hidden !important } * { caret-color: transparent !important }"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with launched() as one:
        yield one


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with served(copy_of_demo(tmp_path_factory.mktemp("app"))) as (address, _):
        yield address


def blocks(picture: Image.Image) -> npt.NDArray[np.float64]:
    pixels = np.asarray(picture.convert("RGB"), dtype=np.float64)
    rows, columns = pixels.shape[0] // BLOCK, pixels.shape[1] // BLOCK
    whole = pixels[: rows * BLOCK, : columns * BLOCK].reshape(rows, BLOCK, columns, BLOCK, 3)
    return np.asarray(whole.mean(axis=(1, 3)))


def differing(one: Image.Image, other: Image.Image) -> float:
    """Return the share of blocks that differ; 1 where the sizes do."""
    a, b = blocks(one), blocks(other)
    return 1.0 if a.shape != b.shape else float((np.abs(a - b).max(axis=2) > LEAST).mean())


def shot(visit: Visit, selector: str) -> Image.Image:
    """Return what is seen of an element; the page may put another one in its place meanwhile."""
    visit.page.wait_for_timeout(400)
    visit.page.evaluate("selector => document.querySelector(selector).scrollIntoView()", selector)
    box = visit.page.evaluate(
        "selector => { const b = document.querySelector(selector).getBoundingClientRect();"
        " return { x: b.x, y: b.y, width: b.width, height: b.height } }",
        selector,
    )
    return Image.open(io.BytesIO(visit.page.screenshot(clip=box, animations="disabled")))


def assert_as_kept(picture: Image.Image, name: str) -> None:
    path = REFERENCE / f"{name}.png"
    if os.environ.get("SLABPOSE_KEEP_PICTURES"):
        path.parent.mkdir(parents=True, exist_ok=True)
        picture.convert("RGB").quantize(128).save(path, optimize=True)
    share = differing(picture, Image.open(path))
    assert share <= SHARE, f"{1000 * share:.1f} of 1000 blocks differ from {path.name}"


@pytest.mark.parametrize(
    ("name", "size", "selector", "what", "value"),
    [
        ("section", "desktop", "#stretch svg", "colour", "across"),
        ("line", "desktop", "#strip svg", "colour", "across"),
        ("charts", "tablet", "#charts svg", "span", 60),
        ("moves", "tablet", "#sheet svg.plan", "find", "Q0182"),
    ],
)
def test_drawings(address: str, browser: Any, name: str, size: str, selector: str, what: str, value: Any) -> None:
    with visited(address, size, browser) as visit:
        visit.ready()
        if probe().works:
            visit.waits_for_picture()  # nothing is sent after it
        visit.page.add_style_tag(content=_WORDLESS)
        picture = shot(visit, selector)
        assert_as_kept(picture, name)
        # the comparison sees another choice
        visit.act(what, value)
        assert differing(shot(visit, selector), picture) > SHARE


@pytest.mark.skipif(not probe().works, reason="no OpenGL here")
def test_view_in_3d(address: str, browser: Any) -> None:
    with visited(address, "phone", browser) as visit:
        visit.ready()
        visit.waits_for_picture()
        picture = shot(visit, "#solid")
        assert_as_kept(picture, "solid")
        visit.act("factor", 20)
        visit.waits_for_picture()
        assert differing(shot(visit, "#solid"), picture) > SHARE
