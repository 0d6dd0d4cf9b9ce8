"""Make the demo's control points and instrument readings: an invented crew, planted faults. Fixed seed.

Run it from the root of the repository, with slabpose installed:

    python demo_alignment/make_readings.py [FOLDER]

It writes ``control.csv`` and ``readings/fine_adjustment.csv`` into FOLDER (default: the folder of this script),
replacing the ones there.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from make_survey import left_poses

from geometry.alignment import track_frame
from geometry.alignment.frames import to_grid
from geometry.exchange.project import Project, open_project
from geometry.exchange.writing import write_csv
from geometry.slabs import padded_marks
from geometry.survey.air import Air, velocity_factor

SEED = 20310515
PAIRS_APART, BESIDE, ABOVE = 60.0, 5.3, 1.1  # control pairs along the line, beside it, over the rails, m
SLABS_PER_SETUP = 10
CONTROL_PER_SETUP = 8
SIGMA_CONTROL = np.array([0.4e-3, 0.4e-3, 0.2e-3])
SIGMA_ANGLE = 0.5 / 3600 * np.pi / 180  # of a mean of two faces, rad
SIGMA_DISTANCE, PPM, CENTRING, HEIGHT = 0.6e-3, 1e-6, 0.2e-3, 0.1e-3
COLLIMATION, INDEX = 4.0e-6, -6.0e-6  # errors of the instrument in face 1, rad
REFRACTION, EARTH = 0.13, 6_371_000.0
TEMPERATURE, PRESSURE, HUMIDITY = 19.4, 1008.2, 55.0

WRONG_POINT = ("S05", "C05R", np.array([7.0e-3, -5.0e-3, 0.0]))  # its prism sat beside the bolt
EXCHANGED = ("S10", "C10L", "C11L")  # booked under each other's name
PRISM = ("S15", -8.9e-3)  # the constant of another prism was set for the control
MOVED = ("S20", np.array([2.5e-3, 1.5e-3, 0.0]), 2.0e-5)  # trodden on before the last round: shift, m, and turn, rad


def control_points(project: Project, rng: np.random.Generator) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Return names, true places and listed coordinates of the control pairs."""
    along = np.arange(15.0, project.alignment.length - 10.0, PAIRS_APART)
    frame = track_frame(project.alignment, along)
    sides = np.array([[-BESIDE, 0.0, ABOVE], [BESIDE, 0.4, ABOVE + 0.1]])
    places = to_grid(frame.position, frame.rotation, sides, project.alignment.rules.grid_scale)
    names = [f"C{i:02d}{side}" for i in range(1, len(along) + 1) for side in "LR"]
    true = places.reshape(-1, 3)
    return names, true, true + rng.normal(size=true.shape) * SIGMA_CONTROL


def sight(stand: np.ndarray, orientation: float, places: np.ndarray, scale: float) -> tuple[np.ndarray, ...]:
    """Return direction, zenith angle and slope distance without error."""
    apart = places - stand
    level = np.hypot(apart[:, 0], apart[:, 1]) / scale
    direction = np.arctan2(apart[:, 0], apart[:, 1]) - orientation
    zenith = np.arctan2(level, apart[:, 2]) + (1 - REFRACTION) * level / (2 * EARTH)
    return direction, zenith, np.hypot(level, apart[:, 2])


def shown(
    stand: np.ndarray, orientation: float, places: np.ndarray, faces: int, scale: float, rng: np.random.Generator
) -> Iterator[tuple[np.ndarray, ...]]:
    """Yield what the instrument shows in face 1, and in face 2: directions and zenith angles in gon, distances in m."""
    direction, zenith, distance = sight(stand, orientation, places, scale)
    factor = float(velocity_factor(Air(), TEMPERATURE, PRESSURE, HUMIDITY))
    k, one_face = len(places), np.sqrt(2)
    for face in range(faces):
        d = direction + rng.normal(size=k) * SIGMA_ANGLE * one_face
        z = zenith + rng.normal(size=k) * SIGMA_ANGLE * one_face
        d = d + (COLLIMATION, -COLLIMATION)[face] / np.sin(zenith) + face * np.pi
        z = (z, 2 * np.pi - z)[face] + INDEX
        s = distance + rng.normal(size=k) * SIGMA_DISTANCE * one_face + rng.normal(size=k) * PPM * distance
        yield d % (2 * np.pi) * 200 / np.pi, z % (2 * np.pi) * 200 / np.pi, s / factor


def make(folder: Path) -> tuple[Path, Path]:
    """Write control points and readings of the project in `folder`; return their paths."""
    project = open_project(folder)
    scale = project.alignment.rules.grid_scale
    rng = np.random.default_rng(SEED)
    names, true, listed = control_points(project, rng)
    position, rotation = left_poses(project, np.random.default_rng(SEED))
    marks = to_grid(position, rotation, padded_marks(project.types)[project.layout.type_index], scale)
    slabs, corners = project.layout.names.tolist(), np.array(["RL", "RR", "FL", "FR"])

    rows: list[tuple[object, ...]] = []
    clock = np.datetime64("2031-05-15T06:10:00")
    for number, first in enumerate(range(0, len(slabs), SLABS_PER_SETUP), start=1):
        setup = f"S{number:02d}"
        seen = list(range(max(0, first - 1), min(first + SLABS_PER_SETUP, len(slabs))))
        middle = float(project.layout.distance[seen].mean())
        frame = track_frame(project.alignment, middle)
        stand = to_grid(frame.position, frame.rotation, np.array([[0.35, 0.6, 1.45]]), scale)[0]
        orientation = float(rng.uniform(0, 2 * np.pi))
        near = np.sort(np.argsort(np.hypot(*(true - stand)[:, :2].T))[:CONTROL_PER_SETUP])
        control = true[near].copy()
        booked = [names[i] for i in near]
        if setup == WRONG_POINT[0]:
            control[booked.index(WRONG_POINT[1])] += WRONG_POINT[2]
        if setup == EXCHANGED[0]:
            a, b = (booked.index(name) for name in EXCHANGED[1:])
            booked[a], booked[b] = booked[b], booked[a]
        # a round to the control, the marks, and the control again
        mark_names = [(slabs[s], c) for s in seen for c in corners]
        blocks = [(booked, control, 2), (mark_names, marks[seen].reshape(-1, 3), 1), (booked, control, 2)]
        for turn, (labels, places, faces) in enumerate(blocks):
            at, turned = stand, orientation
            if setup == MOVED[0] and turn == 2:
                at, turned = stand + MOVED[1], orientation + MOVED[2]
            centred = places + rng.normal(size=places.shape) * np.array([CENTRING, CENTRING, HEIGHT])
            added = PRISM[1] if setup == PRISM[0] and turn != 1 else 0.0
            readings_of = shown(at, turned, centred, faces, scale, rng)
            for face, (direction, zenith, distance) in enumerate(readings_of, start=1):
                for i, label in enumerate(labels):
                    slab, corner = label if isinstance(label, tuple) else ("", "")
                    rows.append((
                        setup, f"{slab}-{corner}" if slab else label, slab, corner, face, direction[i], zenith[i],
                        distance[i] + added, clock,
                    ))  # fmt: skip
                    clock += np.timedelta64(9, "s")
        clock += np.timedelta64(600, "s")
    names_of = ("setup", "target", "slab", "corner", "face", "direction_gon", "zenith_gon", "distance_m", "time")
    table = {name: np.array(column) for name, column in zip(names_of, zip(*rows, strict=True), strict=True)}
    count = len(rows)
    for name, value in (("temperature_c", TEMPERATURE), ("pressure_hpa", PRESSURE), ("humidity_percent", HUMIDITY)):
        table[name] = np.full(count, value)
    table["stage"] = np.full(count, "fine")
    readings = folder / "readings" / "fine_adjustment.csv"
    readings.parent.mkdir(exist_ok=True)
    fine = {"direction_gon": 6, "zenith_gon": 6, "distance_m": 5, "temperature_c": 1, "pressure_hpa": 1}
    write_csv(readings, table, decimals={**fine, "humidity_percent": 0})
    points = folder / "control.csv"
    columns = {
        "point": np.array(names),
        **{f"{n}_m": listed[:, i] for i, n in enumerate(("easting", "northing", "level"))},
    }
    write_csv(points, columns, decimals=dict.fromkeys(("easting_m", "northing_m", "level_m"), 5))
    return points, readings


if __name__ == "__main__":
    for path in make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent):
        print(path)
