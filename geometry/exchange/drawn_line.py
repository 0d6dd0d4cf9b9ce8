"""The line of a project as points to draw: centre line, rails, chainages, structures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geometry.alignment import ChainageCount, evaluate, format_chainage, position, track_frame
from geometry.alignment.frames import to_grid
from geometry.alignment.laws import Floats

from .project import Project

__all__ = ["ChainageMarks", "centre_line", "chainage_marks", "places_on_line", "rails"]

_OFF = 0.0005  # a chord may leave the line by so much, m
_SHORTEST, _LONGEST = 0.5, 25.0  # chords, m
_SAME = 1e-6  # m


@dataclass(frozen=True, eq=False)
class ChainageMarks:
    """Round chainages along the line.

    Attributes
    ----------
    distance, chainage : ndarray, shape (k,)
        m.
    text : ndarray of str, shape (k,)
        ``27+500``.
    """

    distance: Floats
    chainage: Floats
    text: npt.NDArray[np.str_]


def _along(project: Project) -> Floats:
    """Return distances along the line between which chords stay near it: the less it is bent, the longer they are."""
    length = project.alignment.length
    line = evaluate(project.alignment, np.linspace(0.0, length, int(np.ceil(length)) + 2))

    def change(values: Floats) -> Floats:
        return np.asarray(np.gradient(values, line.distance))

    # rails are bent by the cant as well
    bend = np.abs([line.curvature, change(line.gradient), change(change(line.cant))]).max(axis=0)
    step = np.clip(np.sqrt(8.0 * _OFF / np.maximum(bend, 1e-9)), _SHORTEST, _LONGEST)
    chords = np.append(0.0, np.cumsum(np.diff(line.distance) / np.minimum(step[1:], step[:-1])))
    even = np.interp(np.linspace(0.0, chords[-1], int(np.ceil(chords[-1])) + 1), chords, line.distance)
    # no chord cuts the corner where an element begins, as a ramp of the cant does
    line_of = project.alignment
    begins = [*(e.start for e in line_of.vertical), *(e.start for e in line_of.cant), *line_of.track.starts]
    all_of_them = np.unique(np.clip([*even, *begins], 0.0, length))
    return np.asarray(all_of_them[np.append(True, np.diff(all_of_them) > _SAME)])


def centre_line(project: Project) -> Floats:
    """Return the design line, shape (k, 3): easting, northing, level, m."""
    return position(project.alignment, _along(project))


def rails(project: Project) -> tuple[Floats, Floats]:
    """Return the tops of the left and the right design rail, shape (k, 3), half the cant base off the middle."""
    rules = project.alignment.rules
    frame = track_frame(project.alignment, _along(project))
    sides = np.array([[-1.0, 0.0, 0.0], [1.0, 0.0, 0.0]]) * rules.cant_base / 2
    points = to_grid(frame.position, frame.rotation, sides, rules.grid_scale)
    return points[:, 0], points[:, 1]


def places_on_line(project: Project, distance: Floats, local: Floats) -> tuple[Floats, Floats]:
    """Return points beside the line and the line's bearing there.

    Parameters
    ----------
    project : Project
    distance : ndarray, shape (k,)
        m.
    local : ndarray, shape (j, 3)
        Across, along, up in the track frame, m.

    Returns
    -------
    points : ndarray, shape (k, j, 3)
    bearing : ndarray, shape (k,)
        rad.
    """
    frame = track_frame(project.alignment, distance)
    points = to_grid(frame.position, frame.rotation, local, project.alignment.rules.grid_scale)
    forward = frame.rotation[:, :, 1]
    return points, np.arctan2(forward[:, 0], forward[:, 1])


def chainage_marks(count: ChainageCount, length: float, step: float = 100.0) -> ChainageMarks:
    """Return the chainages on the line that are multiples of a step, of every stretch between chainage equations.

    Examples
    --------
    >>> from geometry.alignment import chainage_count
    >>> marks = chainage_marks(chainage_count(1150.0, 400.0, [(1250.0, 1380.0)]), 400.0)
    >>> marks.text.tolist(), marks.distance.tolist()
    (['1+200', '1+400', '1+500', '1+600'], [50.0, 120.0, 220.0, 320.0])
    """
    starts, ends = count.starts[:-1], np.minimum(count.starts[1:], length)
    first = np.ceil(count.first / step - 1e-9) * step
    many = np.maximum(np.floor((count.first + ends - starts - first) / step + 1e-9).astype(np.intp) + 1, 0)
    stretch = np.repeat(np.arange(len(starts)), many)
    number = np.arange(len(stretch)) - np.repeat(np.cumsum(many) - many, many)
    chainage = first[stretch] + step * number
    distance = starts[stretch] + chainage - count.first[stretch]
    text = [format_chainage(value).removesuffix(".000") for value in chainage.tolist()]
    return ChainageMarks(distance, chainage, np.array(text, dtype=np.str_))
