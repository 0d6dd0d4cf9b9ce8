"""What is written into the views of the window: lines, words at places of the scene, panes, the scale of colours."""

from __future__ import annotations

from typing import Any

import numpy as np

from viewer.close_place import Label
from viewer.colours import INK, MUTED, PAPER, colours
from viewer.layer import Layer
from viewer.sheet import mark_texts
from viewer.stage import as_it_stands
from viewer.typeface import type_folder

__all__ = ["colour_bar", "lay_pane", "write_line", "write_sign"]


def write_line(
    plotter: Any,
    words: str,
    place: tuple[float, float],
    size: int,
    colour: str = INK,
    *,
    right: bool = False,
    centre: bool = False,
    name: str = "",
) -> None:
    """Write a line into the active view; ``place`` in pixels from its lower left corner.

    A line of a ``name`` takes the place of the one before.
    """
    from vtkmodules.vtkRenderingCore import vtkTextActor

    actor = vtkTextActor()
    actor.SetInput(as_it_stands(words))
    actor.SetPosition(*place)
    _font(actor.GetTextProperty(), size, colour)
    if right:
        actor.GetTextProperty().SetJustificationToRight()
    elif centre:
        actor.GetTextProperty().SetJustificationToCentered()
    plotter.add_actor(actor, reset_camera=False, render=False, name=name or f"text {words} {place}")


def write_sign(
    plotter: Any, label: Label, size: int, colour: str, shift: tuple[int, int], *, middle: bool = True
) -> None:
    """Write words at a point of the scene, ``shift`` in pixels; never left out."""
    from vtkmodules.vtkRenderingCore import vtkBillboardTextActor3D

    actor = vtkBillboardTextActor3D()
    actor.SetInput(as_it_stands(label.text))
    actor.SetPosition(*label.point)
    actor.SetDisplayOffset(*shift)
    style = actor.GetTextProperty()
    _font(style, size, colour)
    if middle:
        style.SetJustificationToCentered()
    plotter.add_actor(actor, reset_camera=False, render=False, name=f"sign {label}")


def _font(style: Any, size: int, colour: str) -> None:
    """Use the font that the flat pictures use: the built-in ones lack signs."""
    style.SetFontFamily(4)  # VTK_FONT_FILE of vtkTextProperty.h, which Python does not name
    style.SetFontFile(str(type_folder() / "DejaVuSans.ttf"))
    style.SetFontSize(size)
    style.SetColor(*(int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)))


def lay_pane(plotter: Any, left: float, low: float, right: float, high: float) -> None:
    """Lay a pane of paper over the active view."""
    import pyvista
    from vtkmodules.vtkRenderingCore import vtkActor2D, vtkPolyDataMapper2D

    make: Any = pyvista.PolyData.from_regular_faces
    for grow, colour in ((1.0, MUTED), (0.0, PAPER)):
        corners = [[left - grow, low - grow, 0.0], [right + grow, low - grow, 0.0],
                   [right + grow, high + grow, 0.0], [left - grow, high + grow, 0.0]]  # fmt: skip
        mapper, actor = vtkPolyDataMapper2D(), vtkActor2D()
        mapper.SetInputData(make(np.array(corners), np.arange(4).reshape(1, 4)))
        actor.SetMapper(mapper)
        actor.GetProperty().SetColor(*(int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)))
        plotter.add_actor(actor, reset_camera=False, render=False, name=f"pane {colour}")


def colour_bar(plotter: Any, layer: Layer, page: float) -> None:
    """Draw the scale into the active view, with its marks; ``page`` is how wide the view is, pixels."""
    import pyvista
    from vtkmodules.vtkRenderingCore import vtkActor2D, vtkPolyDataMapper2D

    scale = layer.scale
    width = 0.22 * page
    x, y, high, parts = page - 40.0 - width, 84.0, 12.0, 65
    edge = x + np.linspace(0.0, width, parts + 1)
    across = np.column_stack([edge[:-1], edge[1:], edge[1:], edge[:-1]])
    corners = np.stack([across, np.tile([y, y, y + high, y + high], (parts, 1))], axis=2).reshape(-1, 2)
    make: Any = pyvista.PolyData.from_regular_faces
    body = make(np.column_stack([corners, np.zeros(len(corners))]), np.arange(4 * parts).reshape(-1, 4))
    shades = np.rint(255 * colours(np.linspace(-1.0, 1.0, parts), 1.0)).astype(np.uint8)
    body.cell_data["colour"] = shades
    body.GetCellData().SetActiveScalars("colour")
    mapper, actor = vtkPolyDataMapper2D(), vtkActor2D()
    mapper.SetInputData(body)
    actor.SetMapper(mapper)
    plotter.add_actor(actor, reset_camera=False, render=False, name="colour bar")
    values = scale.marks()
    for value, word in zip(values, mark_texts(scale, values), strict=True):
        at = x + 0.5 * width * (1.0 + float(scale.share(value)))
        write_line(plotter, word + (" mm" if value == scale.high else ""), (at, y - 17.0), 12, centre=True)
    write_line(plotter, f"{layer.title}; {layer.sign}", (page - 16, y + high + 6.0), 12, right=True)
