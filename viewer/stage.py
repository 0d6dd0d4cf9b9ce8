"""What both three-dimensional views are staged with: light, bodies, lines, image, and the way back to the page."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.colours import UNKNOWN, matplotlib_scale
from viewer.layer import Scale

__all__ = ["add_bodies", "add_lines", "add_values", "as_it_stands", "image", "light", "on_page", "stage"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

FINENESS = 2
"""An image is rendered this many times finer than it is shown, and averaged."""


def stage(width: float, height: float, background: str) -> Any:
    """Return an off-screen plotter for a panel of that many steps of 1/100 inch."""
    import pyvista

    size = (FINENESS * round(width), FINENESS * round(height))
    plotter = pyvista.Plotter(off_screen=True, window_size=list(size), lighting="none")
    put: Any = plotter.set_background
    put(background)
    return plotter


def image(plotter: Any) -> NDArray[np.uint8]:
    """Return what the plotter shows, averaged to one pixel for each step of the page, shape (rows, columns, 3)."""
    shot = np.asarray(plotter.screenshot(None, return_img=True))[..., :3]
    rows, columns = shot.shape[0] // FINENESS, shot.shape[1] // FINENESS
    blocks = shot[: rows * FINENESS, : columns * FINENESS].reshape(rows, FINENESS, columns, FINENESS, 3)
    averaged: NDArray[np.uint8] = np.rint(blocks.mean(axis=(1, 3))).astype(np.uint8)
    return averaged


def on_page(plotter: Any, points: ArrayLike, width: float, height: float) -> Floats:
    """Return where points of the scene are seen in a panel, in steps from its top left corner.

    Parameters
    ----------
    plotter : pyvista.Plotter
    points : array_like, shape (k, 3)
    width, height : float
        Of the panel.

    Returns
    -------
    ndarray, shape (k, 2)
    """
    matrix = plotter.camera.GetCompositeProjectionTransformMatrix(width / height, -1.0, 1.0)
    seen = np.array([[matrix.GetElement(i, j) for j in range(4)] for i in range(4)])
    point = np.atleast_2d(np.asarray(points, dtype=np.float64))
    clip = np.column_stack([point, np.ones(len(point))]) @ seen.T
    flat = clip[:, :2] / clip[:, 3:]
    return np.column_stack([0.5 * (1.0 + flat[:, 0]) * width, 0.5 * (1.0 - flat[:, 1]) * height])


def light(plotter: Any) -> None:
    """Light the scene from straight above, so that a level face shows the very colour of the scale."""
    import pyvista

    plotter.remove_all_lights()
    sun = pyvista.Light(position=(0.0, 0.0, 1.0), focal_point=(0.0, 0.0, 0.0), light_type="scene light", intensity=1.0)
    sun.positional = False
    plotter.add_light(sun)


def _triangles(points: Floats, faces: Integers) -> Any:
    import pyvista

    make: Any = pyvista.PolyData.from_regular_faces
    return make(points.astype(np.float32), faces)


def add_bodies(
    plotter: Any, points: Floats, faces: Integers, colour: str, *, side: float = 0.5, shaded: bool = True,
    front: bool = False,
) -> Any:  # fmt: skip
    """Add triangles of one colour; nothing if there are none. ``front`` draws them over what hides them, lines too.

    ``side`` is the brightness of an upright face where a level one has 1; without shading all have 1.
    """
    if not len(faces):
        return None
    shade = {"ambient": side, "diffuse": 1.0 - side, "specular": 0.0} if shaded else {"lighting": False}
    actor = plotter.add_mesh(_triangles(points, faces), color=colour, reset_camera=False, render=False, **shade)
    if front:
        actor.mapper.SetResolveCoincidentTopologyToPolygonOffset()
        actor.mapper.SetRelativeCoincidentTopologyPolygonOffsetParameters(0.0, -64_000.0)
    return actor


def add_lines(plotter: Any, starts: Floats, ends: Floats, colour: str, width: float, *, front: bool = False) -> Any:
    """Add straight lines from ``starts`` to ``ends``, both (k, 3); ``front`` draws them over what hides them."""
    import pyvista

    if not len(starts):
        return None
    points = np.stack([starts, ends], axis=1).reshape(-1, 3).astype(np.float32)
    cells = np.column_stack(
        [np.full(len(starts), 2), np.arange(0, 2 * len(starts), 2), np.arange(1, 2 * len(starts), 2)]
    )
    actor = plotter.add_mesh(
        pyvista.PolyData(points, lines=cells.ravel()), color=colour, line_width=width, lighting=False,
        reset_camera=False, render=False,
    )  # fmt: skip
    if front:
        actor.mapper.SetResolveCoincidentTopologyToPolygonOffset()
        actor.mapper.SetRelativeCoincidentTopologyLineOffsetParameters(0.0, -60_000.0)
    return actor


def as_it_stands(words: str) -> str:
    r"""Return words so that VTK writes them as they stand: between two dollar signs it would set a formula.

    Examples
    --------
    >>> print(as_it_stands("$x^2$"))
    \$x^2\$
    """
    return words.replace("$", r"\$")


def add_values(
    plotter: Any, points: Floats, faces: Integers, values: Floats, scale: Scale, *, side: float | None = 0.5
) -> Any:
    """Add triangles coloured by values at their points.

    Colours between two points are looked up along the scale, not mixed from the two colours. A point without a
    value takes the grey of what is unknown.

    Parameters
    ----------
    plotter : pyvista.Plotter
    points : ndarray, shape (p, 3)
    faces : ndarray of int, shape (f, 3)
    values : ndarray, shape (p,)
        mm.
    scale : Scale
    side : float, optional
        Brightness of an upright face, a level one has 1; all have their very colour without it.
    """
    body = _triangles(points, faces)
    body.point_data["share"] = scale.share(values)
    shade = {"lighting": False} if side is None else {"ambient": side, "diffuse": 1.0 - side, "specular": 0.0}
    return plotter.add_mesh(
        body, scalars="share", cmap=matplotlib_scale(), clim=(-1.0, 1.0), nan_color=UNKNOWN, show_scalar_bar=False,
        interpolate_before_map=True, reset_camera=False, render=False, **shade,
    )  # fmt: skip
