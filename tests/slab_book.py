"""A survey of made-up slabs that grows pass by pass."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from geometry.alignment.frames import rotation, to_grid
from geometry.placement import CheckRules, Tolerance
from geometry.placement.epochs import StagedPoints
from geometry.placement.history import History, slab_history
from geometry.slabs import Fitting, SlabType, Targets
from geometry.survey import SurveyPoints

__all__ = [
    "MARKS", "MINUTE", "RULES", "SETUPS", "SIGMA", "STAGES", "START", "STILL", "TYPE", "Book", "row_of_slabs",
    "with_setups",
]  # fmt: skip

MARKS = Fitting(
    ("RL", "RR", "FL", "FR"), np.array([[-0.95, -2.25, 0], [0.95, -2.25, 0], [-0.95, 2.25, 0], [0.95, 2.25, 0]])
)
SCREWS = Fitting(
    ("a", "b", "c", "d"),
    np.array([[-1.1, -1.8, -0.19], [1.1, -1.8, -0.19], [-1.1, 1.8, -0.19], [1.1, 1.8, -0.19]]),
    0.002,
    0.03,
)
SIDES = Fitting(("rear", "front"), np.array([[1.2, -1.8, -0.1], [1.2, 1.8, -0.1]]), 0.0015, 0.02)
TYPE = SlabType("A", 4.93, 2.34, 0.19, 0.3, 0.04, 0.2, np.linspace(-2.2, 2.2, 9), MARKS, SCREWS, SIDES)
RULES = CheckRules((), guard=2.0, match_radius=0.15, rail_apart=1.5, grid_scale=0.9998)
STAGES = ("", "rough", "fine", "recheck", "after injection")
SETUPS = ("", "S1", "S2", "S3")
SIGMA = np.array([0.25e-3, 0.25e-3, 0.10e-3])
START = np.datetime64("2031-05-14T08:00:00", "us")
MINUTE = np.timedelta64(60_000_000, "us")
STILL = np.zeros(6)


def row_of_slabs(n: int) -> Targets:
    matrix = np.repeat(rotation(np.array([0.8]), np.array([0.02]), np.array([-0.08])), n, axis=0)
    position = np.array([431_000.0, 186_000.0, 50.0]) + np.arange(n)[:, None] * 5.0 * matrix[:, :, 1]
    zero = np.zeros(n)
    return Targets(position, matrix, zero, zero, zero, zero, zero)


def places_of(targets: Targets, pose: np.ndarray) -> np.ndarray:
    """Return the marks of slabs that lie across, along, up, m, pitch, roll, yaw, rad, off their targets."""
    pose = np.broadcast_to(pose, (len(targets.position), 6))
    scale = RULES.grid_scale
    position = to_grid(targets.position, targets.rotation, pose[:, None, :3], scale)[:, 0]
    turned = targets.rotation @ Rotation.from_rotvec(pose[:, 3:] * [1, 1, -1]).as_matrix()
    return to_grid(position, turned, np.broadcast_to(MARKS.places, (len(position), 4, 3)), scale)


class Book:
    """A survey that grows pass by pass."""

    def __init__(self, targets: Targets, rng: np.random.Generator | None = None) -> None:
        self.targets, self.rng = targets, rng
        self.rows: list[tuple[np.ndarray, int, int, int, int, np.datetime64]] = []

    def add(
        self, pose: np.ndarray, stage: str, minute: float | None, setup: str = "S1",
        marks: tuple[int, ...] = (0, 1, 2, 3), slabs: list[int] | None = None,
    ) -> Book:  # fmt: skip
        xyz = places_of(self.targets, pose)
        if self.rng is not None:
            xyz += self.rng.normal(size=xyz.shape) * SIGMA
        for slab in range(len(xyz)) if slabs is None else slabs:
            for mark in marks:
                time = np.datetime64("NaT", "us") if minute is None else START + int(minute * 60) * MINUTE // 60
                self.rows.append((xyz[slab, mark], slab, mark, STAGES.index(stage), SETUPS.index(setup), time))
        return self

    def given(self) -> StagedPoints:
        xyz, slab, mark, stage, setup, time = zip(*self.rows, strict=True)
        points = SurveyPoints(
            np.array(xyz), np.tile(SIGMA, (len(xyz), 1)), np.array(slab), np.array(mark), np.array(setup),
            np.array(time, dtype="datetime64[us]"), lambda row: f"line {row + 1}",
        )  # fmt: skip
        return StagedPoints(points, np.array(stage), STAGES, SETUPS)

    def history(self, settling: Tolerance | None = None, points: StagedPoints | None = None) -> History:
        n = len(self.targets.position)
        names = [f"Q{i}" for i in range(n)]
        return slab_history(self.targets, [TYPE], np.zeros(n, dtype=np.intp), names, points or self.given(), RULES,
                            "After injection", settling)  # fmt: skip


def with_setups(book: Book, setup: np.ndarray, *, rng: np.random.Generator | None) -> StagedPoints:
    """Return the points as seen from set-ups 40 m away whose place and orientation are uncertain: 4 causes each."""
    given = book.given()
    p = given.points
    away = p.xyz - book.targets.position[p.slab] - np.array([30.0, -25.0, 2.0])
    common = np.zeros((len(p), 3, 4))
    common[:, 0, 0], common[:, 1, 1], common[:, 2, 2] = 0.6e-3, 0.6e-3, 0.3e-3
    turn = 1e-5  # rad, 2 arc seconds
    common[:, 0, 3], common[:, 1, 3] = turn * away[:, 1], -turn * away[:, 0]
    own = np.repeat(np.diag(SIGMA**2)[None], len(p), axis=0)
    sigma = np.sqrt(np.einsum("pii->pi", own + common @ np.swapaxes(common, 1, 2)))
    xyz = p.xyz
    if rng is not None:
        of_setup = rng.normal(size=(setup.max() + 1, 4))
        xyz = p.xyz + np.einsum("pck,pk->pc", common, of_setup[setup])
    points = replace(p, xyz=xyz, sigma=sigma, setup=setup, own=own, common=common)
    names = ("", *(f"S{i}" for i in range(1, setup.max() + 1)))
    return replace(given, points=points, setups=names)
