"""Can this machine draw in 3D, and by which way? Found out in another process, because a missing library kills it.

VTK ends in a segmentation fault where there is no OpenGL library, or one that does not work; no Python
package brings one. So a child process draws one cube first, and the answer is kept in the user's cache until
VTK, the libraries or the environment change.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

__all__ = ["Answer", "has_screen", "prepare", "probe"]

WINDOW = "VTK_DEFAULT_OPENGL_WINDOW"
LIMIT_S = 60.0
ADVICE = (
    "no OpenGL library that VTK can draw with; on Debian or Ubuntu install "
    "libegl1 libgl1-mesa-dri (or libosmesa6); drawing flat instead"
)

_CUBE = """
import sys
import vtkmodules.vtkRenderingOpenGL2
from vtkmodules.vtkFiltersSources import vtkCubeSource
from vtkmodules.vtkRenderingCore import vtkActor, vtkPolyDataMapper, vtkRenderer, vtkRenderWindow
from vtkmodules.vtkRenderingCore import vtkWindowToImageFilter
window = vtkRenderWindow()
window.SetOffScreenRendering(1)
window.SetSize(64, 64)
renderer, mapper, actor = vtkRenderer(), vtkPolyDataMapper(), vtkActor()
cube = vtkCubeSource()  # named, since an output port does not keep its source alive
mapper.SetInputConnection(cube.GetOutputPort())
actor.SetMapper(mapper)
renderer.AddActor(actor)
window.AddRenderer(renderer)
window.Render()
grab = vtkWindowToImageFilter()
grab.SetInput(window)
grab.Update()
low, high = grab.GetOutput().GetPointData().GetScalars().GetRange(0)
sys.stdout.write("drawn " + window.GetClassName() if high - low > 50.0 else "blank")
sys.stdout.flush()
"""


@dataclass(frozen=True)
class Answer:
    """What the probe found.

    Parameters
    ----------
    works : bool
        Whether a cube was drawn.
    window : str
        What ``VTK_DEFAULT_OPENGL_WINDOW`` has to be; empty to leave it alone.
    told : str
        One line for the user: how it is drawn, or what to install.
    """

    works: bool
    window: str
    told: str


def has_screen(environment: Mapping[str, str] | None = None) -> bool:
    """Return whether a window can be opened: always on Windows and macOS, else if a display is named."""
    environment = os.environ if environment is None else environment
    return sys.platform in ("win32", "darwin") or bool(environment.get("DISPLAY") or environment.get("WAYLAND_DISPLAY"))


def _ways(environment: Mapping[str, str]) -> list[str]:
    """Return the values of ``VTK_DEFAULT_OPENGL_WINDOW`` to try, in order; empty is VTK's own choice."""
    given = environment.get(WINDOW, "")
    if given:
        return [given]
    if sys.platform in ("win32", "darwin"):
        return [""]
    offscreen = ["vtkEGLRenderWindow", "vtkOSOpenGLRenderWindow"]
    # Without a display VTK's own choice complains about it in every run before it takes EGL.
    return ["", *offscreen] if has_screen(environment) else offscreen


def _draws(window: str, environment: Mapping[str, str]) -> str:
    """Draw a cube in a child process; return the class of its window, or nothing if it did not live to tell."""
    child = {name: value for name, value in environment.items() if name != WINDOW}
    if window:
        child[WINDOW] = window
    try:
        done = subprocess.run(
            [sys.executable, "-c", _CUBE],
            env=child,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=LIMIT_S,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired):
        return ""
    word, _, name = done.stdout.strip().rpartition(" ")
    return name if done.returncode == 0 and word.endswith("drawn") else ""


def _key(environment: Mapping[str, str]) -> str:
    """Return what the answer depends on, as a hash: VTK, interpreter, settings, and the list of system libraries."""
    try:
        vtk = version("vtk")
    except PackageNotFoundError:
        vtk = "none"
    marks = ("DISPLAY", "WAYLAND_DISPLAY", WINDOW, "LD_LIBRARY_PATH", "LD_PRELOAD")
    heads = ("LIBGL_", "MESA_", "EGL_", "GALLIUM_", "VTK_", "__EGL", "__GL")
    settings = {name: value for name, value in environment.items() if name in marks or name.startswith(heads)}
    libraries = 0
    with suppress(OSError):  # rewritten whenever a library is installed or removed
        libraries = Path("/etc/ld.so.cache").stat().st_mtime_ns
    parts = [vtk, sys.executable, sys.version, sys.platform, libraries, sorted(settings.items())]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:24]


def _cache_file(environment: Mapping[str, str]) -> Path | None:
    """Return the file of the answer; none where there is no home."""
    try:
        base = environment.get("XDG_CACHE_HOME", "")
        folder = Path(base) if base and Path(base).is_absolute() else Path.home() / ".cache"
    except RuntimeError:
        return None
    return folder / "slabpose" / f"gl-{_key(environment)}.json"


def probe(*, fresh: bool = False) -> Answer:
    """Return whether VTK can draw here; takes about a second the first time, nothing after.

    Never raises, and never kills this process. What cannot be kept in the cache is found out again.

    Parameters
    ----------
    fresh : bool
        Ask again although an answer is kept.
    """
    environment = dict(os.environ)
    file = _cache_file(environment)
    if file is not None and not fresh:
        with suppress(OSError, ValueError, TypeError):
            kept = Answer(**json.loads(file.read_text(encoding="utf-8")))
            if isinstance(kept.works, bool) and isinstance(kept.window, str) and isinstance(kept.told, str):
                return kept
    answer = Answer(False, "", ADVICE)
    for window in _ways(environment):
        name = _draws(window, environment)
        if name:
            answer = Answer(True, window, f"drawn with {name}")
            break
    if file is not None:
        with suppress(OSError):
            file.parent.mkdir(parents=True, exist_ok=True)
            draft = file.with_suffix(f".{os.getpid()}")
            draft.write_text(json.dumps(asdict(answer)), encoding="utf-8")
            draft.replace(file)
    return answer


def prepare() -> Answer:
    """Probe, and set the environment so that VTK, imported after this, draws the way that worked."""
    answer = probe()
    if answer.works and answer.window:
        os.environ[WINDOW] = answer.window
    return answer
