"""What a drawing of slabs is made of: blocks with true arcs, places in space, texts that say nothing but themselves."""

from __future__ import annotations

import math
import re
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from geometry.alignment.laws import Floats
from geometry.slabs import SlabType

__all__ = ["block_name", "notched_outline", "object_system", "plain_words", "upright"]

_NOT_IN_NAMES: Final = re.compile(r'[<>/\\":;?*|=`,\x00-\x1f\x7f]')
_LONGEST_NAME: Final = 200
_LONGEST_TEXT: Final = 250


def notched_outline(slab_type: SlabType) -> list[tuple[float, float, float]]:
    """Return the outline of a slab as corners with bulges: across, along, m, and the bulge of the side that follows.

    A bulge is the tangent of a quarter of the angle of an arc, + to the left of its chord's middle (DXF reference,
    LWPOLYLINE, group code 42). The outline runs anticlockwise; the notches bend inwards, so theirs are negative.

    Examples
    --------
    >>> from geometry.slabs import Fitting
    >>> none = Fitting((), ())
    >>> slab_type = SlabType("S", 5.0, 2.4, 0.2, 0.26, 0.1, 0.4, np.array([0.0]), none, none, none)
    >>> [tuple(round(value, 3) for value in corner) for corner in notched_outline(slab_type)[:3]]
    [(-1.2, -2.5, 0.0), (-0.24, -2.5, -0.667), (0.24, -2.5, 0.0)]
    """
    half_width, half_length = slab_type.width / 2, slab_type.length / 2
    radius, beyond = slab_type.notch_radius, slab_type.notch_beyond
    if not radius > beyond:
        corners = [(-half_width, -half_length), (half_width, -half_length),
                   (half_width, half_length), (-half_width, half_length)]  # fmt: skip
        return [(*corner, 0.0) for corner in corners]
    mouth = math.sqrt(radius**2 - beyond**2)
    bulge = -math.tan(2 * math.acos(beyond / radius) / 4)
    return [
        (-half_width, -half_length, 0.0), (-mouth, -half_length, bulge), (mouth, -half_length, 0.0),
        (half_width, -half_length, 0.0), (half_width, half_length, 0.0), (mouth, half_length, bulge),
        (-mouth, half_length, 0.0), (-half_width, half_length, 0.0),
    ]  # fmt: skip


def object_system(position: Floats, rotation: Floats) -> tuple[Floats, Floats, Floats]:
    """Return how a frame is said of a flat object in space: extrusion, place and angle in the system of that.

    The arbitrary axis algorithm of the DXF reference makes the axes of the object's system out of its extrusion.

    Parameters
    ----------
    position : ndarray, shape (n, 3)
    rotation : ndarray, shape (n, 3, 3)
        Frame to grid.

    Returns
    -------
    extrusion : ndarray, shape (n, 3)
    place : ndarray, shape (n, 3)
        Of the position, in the object's system, m.
    angle : ndarray, shape (n,)
        From the object's x axis to that of the frame, degrees, anticlockwise.
    """
    up, right = rotation[:, :, 2], rotation[:, :, 0]
    near_up = np.all(np.abs(up[:, :2]) < 1 / 64, axis=1, keepdims=True)
    other = np.where(near_up, [0.0, 1.0, 0.0], [0.0, 0.0, 1.0])
    x = np.cross(other, up)
    x /= np.linalg.norm(x, axis=1, keepdims=True)
    y = np.cross(up, x)
    axes = np.stack([x, y, up], axis=1)
    place = np.einsum("nij,nj->ni", axes, position)
    angle = np.degrees(np.arctan2((right * y).sum(axis=1), (right * x).sum(axis=1)))
    return up, place, angle


def upright(bearing: Floats) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Return the rotation of words along lines with a bearing, and whether they run against it, shape (n,).

    Rotations are degrees anticlockwise from east, above -90 and up to 90, so that words are never upside down.

    Examples
    --------
    >>> [value.tolist() for value in upright(np.radians([60.0, 270.0, 180.0]))]
    [[30.0, 0.0, 90.0], [False, True, True]]
    """
    angle = 180.0 - (90.0 + np.degrees(bearing)) % 360.0  # above -180 and up to 180
    hair = 1e-9  # a line due south reads like one due north, whatever its bearing is rounded to
    against = np.asarray((angle > 90.0 + hair) | (angle <= -90.0 + hair), dtype=np.bool_)
    return np.where(against, angle + np.where(angle > 0.0, -180.0, 180.0), angle), against


def plain_words(text: str) -> str:
    r"""Return a text that a drawing shows as it is: one line, nothing in it taken for a sign of control.

    Examples
    --------
    >>> plain_words("50%%c^J"), plain_words("a\nb")
    ('50%%%%%%c^ J', 'a b')
    """
    text = "".join(" " if ord(letter) < 32 or ord(letter) == 127 else letter for letter in text)
    text = text.replace("^", "^ ")
    if "%%" in text:
        text = text.replace("%", "%%%")
    text = text.replace("\\U+", "\\ U+").replace("\\M+", "\\ M+")  # would be read as letters by their numbers
    return text if len(text) <= _LONGEST_TEXT else text[: _LONGEST_TEXT - 1] + "…"


def block_name(text: str, taken: Any) -> str:
    """Return a name that a block may have, unlike those taken; capitals are not told apart there."""
    name = _NOT_IN_NAMES.sub("_", text).strip()[:_LONGEST_NAME] or "_"
    name = f"_{name}" if name.startswith("*") else name
    result, number = name, 2
    while result in taken:
        result, number = f"{name} {number}", number + 1
    return result
