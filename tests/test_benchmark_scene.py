"""Speed of the 3D scene off-screen; on request: ``pytest -m benchmark tests/test_benchmark_scene.py -s``.

Each line names what drew, as OpenGL tells it. The project aims at 60 pictures a second of 200,000 slabs on a GPU, drawn
as it shows them: with less detail further away. Where the processor draws in its place, and for every slab in its full
shape, the number is told and nothing is asked of it.
"""

from __future__ import annotations

import re
import time
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from test_viewer_section import curve_section

from viewer.app.choice import Choice
from viewer.app.solid import Solid
from viewer.colours import PAPER
from viewer.deviation_layer import deviation_layer
from viewer.gl import prepare
from viewer.layer import Layer
from viewer.mesh import slab_mesh
from viewer.overview import overview
from viewer.section import Section
from viewer.stage import add_values, light

pytestmark = [
    pytest.mark.benchmark,
    pytest.mark.timeout(900),
    pytest.mark.skipif(not prepare().works, reason="needs OpenGL"),
]

SLABS = 200_000
SIZE = (1280, 720)
AIM = 60.0
SECONDS = 4.0
# what the names of renderers that run on the processor have in common; Mesa's and SwiftShader's documents list them
_SOFTWARE = re.compile(r"llvmpipe|softpipe|swrast|swiftshader|software", re.IGNORECASE)


@dataclass(frozen=True)
class _Read:
    """As much of an edition as the 3D view asks for."""

    section: Section


@pytest.fixture(scope="module")
def section() -> Section:
    return curve_section(SLABS)


@pytest.fixture(scope="module")
def layer(section: Section) -> Layer:
    return deviation_layer(section, "up")


def renderer_of(plotter: Any) -> str:
    """Return the name of what draws, as OpenGL tells it."""
    found = re.search(r"OpenGL renderer string:\s*(.+)", plotter.render_window.ReportCapabilities())
    return found[1].strip() if found else "renderer without a name"


def pictures_a_second(plotter: Any, turn: float) -> tuple[float, float]:
    """Return pictures a second while the eye goes round the scene, and the slowest of them, ms.

    The eye goes on by `turn` degrees for each picture; with 0 it stands, and all is drawn anew.

    A picture counts when OpenGL has finished it, not when it was asked for.
    """
    window, camera = plotter.render_window, plotter.camera
    for _ in range(5):  # compiled, and brought to the card
        camera.Azimuth(turn)
        window.Render()
        window.WaitForCompletion()
    times = []
    start = time.perf_counter()
    while not times or time.perf_counter() - start < SECONDS:
        begun = time.perf_counter()
        camera.Azimuth(turn)
        plotter.renderer.ResetCameraClippingRange()
        window.Render()
        window.WaitForCompletion()
        times.append(time.perf_counter() - begun)
    return len(times) / (time.perf_counter() - start), 1e3 * max(times)


def tell(what: str, plotter: Any, aim: float, turn: float = 0.25) -> None:
    """Print the speed of a scene; on a GPU it has to reach the aim."""
    drawn = np.asarray(plotter.screenshot(None, return_img=True))
    assert drawn.shape[:2] == SIZE[::-1]
    assert (np.ptp(drawn.reshape(-1, drawn.shape[2]), axis=0) > 50).all()  # something is seen
    rate, worst = pictures_a_second(plotter, turn)
    name = renderer_of(plotter)
    by_processor = _SOFTWARE.search(name) is not None
    asked = "drawn by the processor, nothing asked" if by_processor else f"aim {aim:g}" if aim else "nothing asked"
    print(f"\n{what} at {SIZE[0]}x{SIZE[1]}: {rate:.1f} pictures/s, slowest {worst:.0f} ms ({asked}); {name}")
    assert by_processor or rate > aim


def test_view_of_the_browser_app(section: Section, layer: Layer) -> None:
    """A dozen slabs whole, plates near by, plates for several slabs together far away."""
    solid = Solid(None)
    solid.resize(*SIZE)
    solid._plotter.window_size = list(SIZE)
    start = time.perf_counter()
    solid.show(_Read(section), layer, Choice(slab=SLABS // 2))
    made = time.perf_counter() - start
    tell(f"{SLABS:,} slabs as the browser app shows them (made in {made:.2f} s)", solid._plotter, AIM)
    solid.close()


def test_section_in_rows(section: Section, layer: Layer) -> None:
    """The whole line unrolled: as many slabs as there are columns of pixels, the worst of those that share one.

    The window never turns it, but draws it again whenever the view below it is turned.
    """
    import pyvista

    start = time.perf_counter()
    plotter: Any = pyvista.Plotter(off_screen=True, window_size=list(SIZE), lighting="none")
    plotter.set_background(PAPER)
    overview(plotter, section, layer, width=SIZE[0], height=SIZE[1])
    made = time.perf_counter() - start
    tell(f"{SLABS:,} slabs in rows (made in {made:.2f} s)", plotter, AIM, turn=0.0)
    plotter.close()


def test_every_slab_in_its_shape(section: Section, layer: Layer) -> None:
    """No level of detail: every slab with its notches and its colours, all of them in sight."""
    import pyvista

    start = time.perf_counter()
    mesh = slab_mesh(section, layer=layer, factor=150.0)
    plotter: Any = pyvista.Plotter(off_screen=True, window_size=list(SIZE), lighting="none")
    plotter.set_background(PAPER)
    light(plotter)
    add_values(plotter, mesh.points, mesh.faces, mesh.value_of_point, layer.scale)
    plotter.reset_camera()
    made = time.perf_counter() - start
    what = f"{SLABS:,} slabs each in its shape, {len(mesh.faces) / 1e6:.1f} million triangles (made in {made:.2f} s)"
    tell(what, plotter, 0.0)
    plotter.close()
