"""Slabs of the demo that lie where a test wants them, and the files that measure them there."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from geometry.alignment import track_frame
from geometry.alignment.frames import rotation_of_vector, to_grid
from geometry.errors import Faults
from geometry.exchange.control_files import read_control
from geometry.exchange.project import Project
from geometry.survey.readings import Instrument
from tests.simulated_survey import sighted

__all__ = ["CORNERS", "HEADER", "READINGS_HEADER", "Crew", "marks_at", "survey_rows"]

HEADER = "point,slab,corner,easting_m,northing_m,level_m,setup,stage,time\n"
READINGS_HEADER = "setup,target,slab,corner,face,direction_gon,zenith_gon,distance_m,time,stage\n"
CORNERS = ("RL", "RR", "FL", "FR")
_GON, _SECOND = 200 / math.pi, math.pi / 648_000
# what the demo's project file states: 0.5", 0.6 mm + 1 ppm, centring 0.2 mm, prism height 0.1 mm
WORTH = Instrument(0.5 * _SECOND, 0.5 * _SECOND, 0.6e-3, 1.0, 0.2e-3, 0.1e-3)
CONTROL = np.array([0.4e-3, 0.4e-3, 0.2e-3])


def marks_at(project: Project, slab: str, pose: Sequence[float]) -> np.ndarray:
    """Return the marks of a slab that lies across, along, up, m, pitch, roll, yaw, rad, off its target, (m, 3)."""
    at = project.layout.names.tolist().index(slab)
    t, scale = project.targets, project.alignment.rules.grid_scale
    off = np.array([*pose, *[0.0] * (6 - len(pose))])
    position = to_grid(t.position[[at]], t.rotation[[at]], off[None, None, :3], scale)[:, 0]
    matrix = t.rotation[[at]] @ rotation_of_vector(off[3:] * (1.0, 1.0, -1.0))
    marks = project.types[int(project.layout.type_index[at])].marks.places
    return to_grid(position, matrix, marks[None], scale)[0]


def survey_rows(
    project: Project, slab: str, pose: Sequence[float], hour: str, corners: Sequence[str] = CORNERS,
    stage: str = "fine", setup: str = "S1", day: str = "2031-05-14",
) -> bytes:  # fmt: skip
    """Return rows of a survey file."""
    xyz = marks_at(project, slab, pose)
    return "".join(
        f"P{slab}{c},{slab},{c},{e:.5f},{n:.5f},{h:.5f},{setup},{stage},{day}T{hour}:{10 + i}Z\n"
        for i, (c, (e, n, h)) in enumerate(zip(CORNERS, xyz.tolist(), strict=False))
        if c in corners
    ).encode()


class Crew:
    """A crew with an instrument: every call returns rows of readings, and time goes on.

    Control points lie off their list by the stated sigmas, the same for all set-ups; `noise` scales all errors.
    """

    def __init__(self, project: Project, seed: int, noise: float = 1.0) -> None:
        self.project, self.rng, self.noise = project, np.random.default_rng(seed), noise
        self.control = read_control(project.folder / "control.csv", Faults(), (4e-4, 4e-4, 2e-4))
        self.true = self.control.xyz + self.rng.normal(size=self.control.xyz.shape) * CONTROL * noise
        self.now = np.datetime64("2031-05-15T21:00:00")
        self.setup = self.stage = ""
        self.stand, self.turned = np.zeros(3), 0.0

    def move_to(self, setup: str, slab: str, stage: str = "fine", offset: float = 0.4) -> Crew:
        """Set up near a slab."""
        at = float(self.project.layout.distance[self.project.layout.names.tolist().index(slab)])
        frame = track_frame(self.project.alignment, at)
        self.stand = to_grid(frame.position, frame.rotation, np.array([[offset, 2.6, 1.45]]), 1.0)[0]
        self.turned = float(self.rng.uniform(0, 2 * math.pi))
        self.setup, self.stage = setup, stage
        return self

    def rest(self, hours: float) -> Crew:
        self.now += np.timedelta64(int(hours * 3600), "s")
        return self

    def trodden_on(self, east: float, north: float) -> Crew:
        self.stand = self.stand + np.array([east, north, 0.0])
        return self

    def near(self, count: int = 8) -> list[int]:
        """Return the control points that are nearest, and so on both sides."""
        away = np.hypot(*(self.true - self.stand)[:, :2].T)
        return np.argsort(away)[:count].tolist()

    def to_control(self, points: Sequence[int] | None = None, faces: Sequence[int] = (1, 2)) -> list[bytes]:
        chosen = self.near() if points is None else list(points)
        names = [(self.control.names[i], "", "") for i in chosen]
        return self._read(names, self.true[chosen], faces)

    def to_slab(
        self, slab: str, pose: Sequence[float] = (), corners: Sequence[str] = CORNERS, faces: Sequence[int] = (1,)
    ) -> list[bytes]:
        rows = [i for i, corner in enumerate(CORNERS) if corner in corners]
        names = [(f"{slab}-{CORNERS[i]}", slab, CORNERS[i]) for i in rows]
        return self._read(names, marks_at(self.project, slab, pose)[rows], faces)

    def _read(self, names: list[tuple[str, str, str]], xyz: np.ndarray, faces: Sequence[int]) -> list[bytes]:
        scale = self.project.alignment.rules.grid_scale
        away = xyz - self.stand
        away[:, :2] /= scale
        exact = sighted(self.rng, self.stand + away, self.stand, self.turned, 0.0)
        only = Instrument(WORTH.sigma_direction, WORTH.sigma_zenith, WORTH.sigma_distance, WORTH.ppm, 0.0, 0.0)
        of_face, of_prism = (i.sigmas(exact[2], exact[1], r) for i, r in ((only, 0.5), (WORTH, 1e12)))
        ppm = WORTH.ppm * 1e-6 * exact[2]
        prism = [self.rng.normal(size=len(xyz)) * s for s in of_prism]
        rows = []
        for face in faces:
            shake = [self.rng.normal(size=len(xyz)) * s for s in (*of_face[:2], np.sqrt(of_face[2] ** 2 - ppm**2))]
            d, z, s = (e + self.noise * (p + q) for e, p, q in zip(exact, prism, shake, strict=True))
            if face == 2:
                d, z = d + math.pi, 2 * math.pi - z
            for (target, slab, corner), *values in zip(names, (d * _GON) % 400, z * _GON, s, strict=True):
                a, b, c = values
                rows.append(
                    f"{self.setup},{target},{slab},{corner},{face},{a:.6f},{b:.6f},{c:.5f},{self.now}Z,{self.stage}\n"
                    .encode()
                )  # fmt: skip
                self.now += np.timedelta64(9, "s")
        return rows
