"""Made-up sections of placed slabs with known truth, surveyed with a fixed seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from geometry.alignment import Alignment, CantElement, HorizontalElement, TrackRules, VerticalElement, build
from geometry.placement import CheckRules, SectionCheck, Tolerance, check_section
from geometry.slabs import (
    Allowed,
    Fitting,
    Layout,
    LayoutRules,
    SlabType,
    Span,
    Targets,
    fill_spans,
    padded_marks,
    target_poses,
)
from geometry.survey import SurveyPoints

__all__ = ["LIMITS", "MM", "RULES", "Section", "checked", "oblong_type", "section", "uneven_type"]

Floats = npt.NDArray[np.float64]
MM = 1e-3
CORNERS = ("RL", "RR", "FL", "FR")
SIGMA = np.array([0.25, 0.25, 0.10]) * MM
LIMITS = (
    Tolerance("across", -2 * MM, 2 * MM, "common practice"),
    Tolerance("along", -5 * MM, 5 * MM, "common practice"),
    Tolerance("up", -1 * MM, 1 * MM, "common practice"),
    Tolerance("step_level", -1 * MM, 1 * MM, "common practice"),
    Tolerance("step_line", -2 * MM, 2 * MM, "common practice"),
    Tolerance("gap", 50 * MM, 110 * MM, "common practice"),
    Tolerance("gap_difference", -5 * MM, 5 * MM, "common practice"),
)
RULES = CheckRules(LIMITS, 2.0, 0.15, 1.5, 0.9998)
_MARKS = np.array([(-1.05, -2.35, 0), (1.05, -2.35, 0), (-1.05, 2.35, 0), (1.05, 2.35, 0)])


def oblong_type(hand: float = 1.0) -> SlabType:
    """Return the usual type: screws in a rectangle, marks and screws alike on both sides."""
    screws = _MARKS * (1.1 / 1.05, 1.7 / 2.35, 0)
    pushes = np.array([(0, -1.7, 0), (0, 1.7, 0)])
    return SlabType(
        "A", 5.2, 2.5, 0.2, 0.26, 0.04, 0.215, np.linspace(-2.275, 2.275, 8),
        Fitting(CORNERS, _MARKS), Fitting(CORNERS, screws, 4 * MM, 25 * MM),
        Fitting(("R", "F"), pushes, 3 * MM, 15 * MM),
    )  # fmt: skip


def uneven_type(hand: float = 1.0) -> SlabType:
    """Return a type on which nothing is symmetric, with five screws and adjusters below the top face."""
    marks = np.array([(-1.05, -2.3, 0.02), (1.0, -2.35, 0.03), (-1.0, 2.3, 0.01), (1.05, 2.25, 0), (0.2, 0.3, 0.0)])
    screws = np.array([(-1.1, -1.6, 0), (1.0, -1.7, 0), (-0.9, 1.75, 0), (1.15, 1.5, 0), (0.1, -0.2, 0)])
    pushes = np.array([(0.1, -1.6, -0.1), (-0.2, 1.7, -0.12)])
    order = [0, 1, 2, 3, 4]
    if hand < 0:
        order = [1, 0, 3, 2, 4]
        marks, screws, pushes = (places * (-1, 1, 1) for places in (marks, screws, pushes))
    names = (*CORNERS, "C")
    return SlabType(
        "U", 5.2, 2.5, 0.2, 0.26, 0.04, 0.215, np.linspace(-2.275, 2.275, 8),
        Fitting(names, marks[order]), Fitting(names, screws[order], 4 * MM, 25 * MM),
        Fitting(("R", "F"), pushes, 3 * MM, 15 * MM),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Section:
    """A row of slabs on a line, before anybody placed them."""

    alignment: Alignment
    types: tuple[SlabType, ...]
    layout: Layout
    targets: Targets
    scale: float

    @property
    def size(self) -> int:
        return len(self.layout.names)

    @property
    def kinds(self) -> npt.NDArray[np.intp]:
        return self.layout.type_index


def section(
    count: int, slab_type: SlabType | None = None, hand: float = 1.0, origin: tuple[float, float] = (431e3, 187e3),
    bearing: float = 1.1, level: float = 88.0,
) -> Section:  # fmt: skip
    """Return a row of `count` slabs on a curve of 3000 m with cant, climbing."""
    scale, pitch = RULES.grid_scale, 5.28
    length = (count * pitch + 40) * scale
    alignment = build(
        [HorizontalElement("arc", length, hand / 3000, hand / 3000, easting=origin[0], northing=origin[1],
                           bearing=bearing)],
        [VerticalElement("gradient", 0.0, length, 0.012, 0.012, level=level)],
        [CantElement("constant", 0.0, length, hand * 0.12, hand * 0.12)], TrackRules(grid_scale=scale),
    )  # fmt: skip
    types = (slab_type or oblong_type(),)
    start = 10.0
    span = Span("one", "bank", start, start + (count * pitch - 0.08 + 0.1) * scale)
    rules = LayoutRules(Allowed(0.08, 0.06, 0.1), Allowed(0.05, 0.03, 0.1), "S", 1)
    layout, findings = fill_spans(alignment, [span], types, rules)
    assert not findings
    assert len(layout.names) == count
    return Section(alignment, types, layout, target_poses(alignment, types, layout, "shared"), scale)


def marks_of(where: Section, pose: Floats) -> Floats:
    """Return the grid places of the marks of slabs in these poses, shape (n, m, 3), m; by scipy's rotations."""
    turn = Rotation.from_rotvec(pose[:, 3:] * (1.0, 1.0, -1.0)).as_matrix()  # yaw is clockwise, z is up
    plan = np.array([where.scale, where.scale, 1.0])
    position = where.targets.position + (where.targets.rotation @ pose[:, :3, None])[..., 0] * plan
    local = padded_marks(where.types)[where.kinds]
    return np.asarray(position[:, None] + np.einsum("nij,nmj->nmi", where.targets.rotation @ turn, local) * plan)


def checked(
    where: Section, pose: Floats, noise: int | None = None, held: npt.NDArray[np.bool_] | None = None,
    missing: tuple[int, ...] = (), sigma: Floats = SIGMA, rules: CheckRules = RULES, setups: int = 0,
) -> SectionCheck:  # fmt: skip
    """Return the check of slabs surveyed in these poses, deviations from their targets.

    With `setups` so many slabs each were seen from one set-up whose place is uncertain by 0.3 mm.
    """
    xyz = marks_of(where, pose)
    n, m = xyz.shape[:2]
    slab, mark = np.repeat(np.arange(n), m), np.tile(np.arange(m), n)
    xyz = xyz.reshape(-1, 3)
    if noise is not None:
        xyz = xyz + np.random.default_rng(noise).normal(size=xyz.shape) * sigma
    rows = ~np.isin(slab, missing)
    xyz, slab, mark = xyz[rows], slab[rows], mark[rows]
    p = len(xyz)
    own = common = None
    spread = np.tile(sigma, (p, 1))
    if setups:
        own = np.broadcast_to(np.diag(sigma**2), (p, 3, 3)).copy()
        common = np.broadcast_to(0.3 * MM * np.eye(3), (p, 3, 3)).copy()
        spread = np.sqrt(spread**2 + (0.3 * MM) ** 2)
    points = SurveyPoints(
        xyz, spread, slab, mark, slab // setups + 1 if setups else np.zeros(p, dtype=np.intp),
        np.full(p, np.datetime64("NaT", "us")), lambda row: f"point {row}", own, common,
    )  # fmt: skip
    return check_section(
        where.targets, where.types, where.kinds, where.layout.span, where.layout.names.tolist(), points, rules, held
    )
