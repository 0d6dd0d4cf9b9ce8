"""Points of a project for other programs, in groups that nobody can take for each other."""

from __future__ import annotations

import numpy as np

from geometry.errors import Faults
from geometry.placement import SectionCheck

from .control_files import CONTROL_FILE, read_control_and_given
from .landxml_points import CONTROL, MEASURED, TO_STAKE_OUT
from .landxml_writing import PointGroup
from .project import Project
from .results import corner_table, target_corner_table
from .workbook_sheets import table_file

__all__ = ["point_groups"]

_AXES = ("easting_m", "northing_m", "level_m")


def point_groups(project: Project, check: SectionCheck | None, faults: Faults) -> list[PointGroup]:
    """Return control points, target corners and surveyed corners of a project, as far as it has them.

    Parameters
    ----------
    project : Project
    check : SectionCheck, optional
        With it corners stand there as surveyed, under their names with ``built`` behind: nobody's program shall put
        them in the place of the target corners.
    faults : Faults
        Takes slabs whose surveyed corners are left out, since nobody can tell which of their points is which.

    Raises
    ------
    InputError
        If the control points have faults.
    """
    groups = [_control(project), _targets(project)]
    groups += [] if check is None else [_surveyed(project, check, faults)]
    return [group for group in groups if group is not None]


def _control(project: Project) -> PointGroup | None:
    path = table_file(project.folder / CONTROL_FILE)
    if not path.exists():
        return None
    faults = Faults()
    control, given = read_control_and_given(path, faults, (0.0, 0.0, 0.0))
    faults.stop_if_any()
    return PointGroup("control points", CONTROL, control.names, control.xyz, np.where(given, control.sigma, np.nan))


def _targets(project: Project) -> PointGroup | None:
    table = target_corner_table(project)
    if not len(table["point"]):
        return None
    return PointGroup("target corners", TO_STAKE_OUT, table["point"].tolist(),
                      np.stack([table[axis] for axis in _AXES], axis=1))  # fmt: skip


def _surveyed(project: Project, check: SectionCheck, faults: Faults) -> PointGroup | None:
    """Return the corners as measured, without those whose names contradict their places or each other."""
    table, measured = corner_table(project, check), check.measured
    xyz = np.stack([table[axis] for axis in _AXES], axis=1)
    exists = np.array([[mark < len(t.marks.names) for mark in range(measured.xyz.shape[1])] for t in project.types])
    rows = np.flatnonzero(exists[project.layout.type_index].ravel())
    unclear = (measured.withheld[:, None] | measured.disputed).ravel()[rows]
    seen = np.isfinite(xyz).all(axis=1)
    left_out = np.unique(table["slab"][seen & unclear])
    if len(left_out):
        many = f" and {len(left_out) - 1} more" if len(left_out) > 1 else ""
        faults.warn("surveyed corners", "points that are what their names say", f"others on {left_out[0]}{many}",
                    "left out")  # fmt: skip
    rows_of = seen & ~unclear
    if not rows_of.any():
        return None
    marks = zip(table["slab"][rows_of].tolist(), table["corner"][rows_of].tolist(), strict=True)
    names = [f"{slab}-{corner} built" for slab, corner in marks]
    return PointGroup("surveyed corners", MEASURED, names, xyz[rows_of], measured.sigma.reshape(-1, 3)[rows][rows_of])
