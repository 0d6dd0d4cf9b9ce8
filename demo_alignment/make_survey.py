"""Make the demo's survey: an invented crew, an invented instrument, planted faults. Fixed seed.

Run it from the root of the repository, with slabpose installed:

    python demo_alignment/make_survey.py [FOLDER]

It writes ``survey/fine_adjustment.csv`` and ``survey/after_injection.csv`` into FOLDER (default: the folder of this
script), replacing the ones there.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from geometry.alignment.frames import rotation_of_vector, to_grid
from geometry.exchange.project import Project, open_project
from geometry.exchange.writing import write_csv
from geometry.slabs import padded_marks

SEED = 20310521  # with it no coordinate lies so near the edge between two printed ones that another machine differs
SIGMA = np.array([0.25e-3, 0.25e-3, 0.10e-3])  # of a mark, easting, northing, level, m
PLACED = np.array([0.25e-3, 0.9e-3, 0.10e-3, 0.02e-3, 0.04e-3, 0.06e-3])  # of a placed slab, m and rad
SLABS_PER_SETUP = 8

# slab -> across, along, up, m; pitch, roll, yaw, rad: where it was left
LEFT_AT = {
    "Q0137": (0.0, 0.0, 3.4e-3, 0.0, 0.0, 0.0),  # high
    "Q0182": (0.0, 0.0, 0.0, 0.0, 2.6e-3, 0.0),  # tilted, left side up
    "Q0250": (0.0, 0.0, -0.3e-3, 0.0, 0.0, 0.0),
    "Q0251": (0.0, 0.0, -0.7e-3, 0.0, 0.0, 0.0),  # within, but with the next one a step
    "Q0252": (0.0, 0.0, 0.7e-3, 0.0, 0.0, 0.0),
    "Q0253": (0.0, 0.0, 0.3e-3, 0.0, 0.0, 0.0),
    # both within, but the next one, Q0364, will be injected and tilted the other way: see LIFTED
    "Q0362": (0.0, 0.0, 0.0, 0.0, -0.6e-3, 0.0),
    "Q0363": (0.0, 0.0, 0.0, 0.0, -0.5e-3, 0.0),
}
# placed without further scatter, so that only the step is out
CLEAN = ("Q0250", "Q0251", "Q0252", "Q0253", "Q0362", "Q0363")
INJECTED = ("Q0364", "Q0365", "Q0366", "Q0367", "Q0368", "Q0369")  # surveyed again when the mortar had set
LIFTED = ("Q0364", 1.1e-3)  # the mortar raised its left side: tilt, rad
SWAPPED = {"Q0160": ("FL", "FR"), "Q0296": ("RL", "RR")}
BLUNDER = ("Q0213", "FR", (11.0e-3, -6.0e-3, 0.0))  # slab, mark, how far its reading is off, m
NOT_MEASURED = "Q0318"
WITHOUT_NAMES = ("Q0120", "Q0121")  # surveyed as bare points


def left_poses(project: Project, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return where the crew left the slabs: target poses, scatter of placing, planted faults."""
    names = project.layout.names.tolist()
    # nobody leaves a slab three sigmas off and calls it placed
    move = np.clip(rng.normal(size=(len(names), 6)), -1.6, 1.6) * PLACED
    for name, pose in LEFT_AT.items():
        row = names.index(name)
        move[row] = np.array(pose) + (0.0 if name in CLEAN else move[row])
    targets = project.targets
    scale = project.alignment.rules.grid_scale
    position = to_grid(targets.position, targets.rotation, move[:, None, :3], scale)[:, 0]
    return position, targets.rotation @ rotation_of_vector(move[:, 3:] * (1.0, 1.0, -1.0))


def injected(
    project: Project, position: np.ndarray, rotation: np.ndarray, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    """Return the survey of the injected slabs, a day later and from one set-up."""
    names = project.layout.names
    rows = np.flatnonzero(np.isin(names, INJECTED))
    turn = np.zeros((len(names), 3))
    turn[names == LIFTED[0], 1] = LIFTED[1]
    marks = padded_marks(project.types)[project.layout.type_index[rows]]
    xyz = to_grid(
        position[rows], rotation[rows] @ rotation_of_vector(turn[rows]), marks, project.alignment.rules.grid_scale
    ).reshape(-1, 3)
    xyz += rng.normal(size=xyz.shape) * SIGMA
    count = len(xyz)
    return {
        "point": np.array([f"J{i:04d}" for i in range(1, count + 1)]),
        "slab": np.repeat(names[rows], 4),
        "corner": np.tile(["RL", "RR", "FL", "FR"], len(rows)),
        "easting_m": xyz[:, 0],
        "northing_m": xyz[:, 1],
        "level_m": xyz[:, 2],
        "setup": np.full(count, "J01"),
        "stage": np.full(count, "after injection"),
        "time": np.datetime64("2031-05-16T15:05:00") + np.arange(count) * np.timedelta64(41, "s"),
    }


def make(folder: Path) -> tuple[Path, Path]:
    """Write the surveys of the project in `folder`; return their paths."""
    project = open_project(folder)
    rng = np.random.default_rng(SEED)
    names = project.layout.names
    kinds = project.layout.type_index
    position, rotation = left_poses(project, rng)
    marks = padded_marks(project.types)[kinds]
    places = to_grid(position, rotation, marks, project.alignment.rules.grid_scale)

    # every set-up sees its own slabs and the last one of the set-up before
    slab = np.arange(len(names))
    own = slab // SLABS_PER_SETUP
    again = slab[(slab % SLABS_PER_SETUP == SLABS_PER_SETUP - 1) & (slab < len(slab) - 1)]
    slab_of, setup_of = np.concatenate([slab, again]), np.concatenate([own, own[again] + 1])
    order = np.lexsort((slab_of, setup_of))
    slab_of, setup_of = slab_of[order], setup_of[order]

    corner = np.tile(np.arange(4), len(slab_of))
    row = np.repeat(slab_of, 4)
    setup = np.repeat(setup_of, 4)
    xyz = places[row, corner] + rng.normal(size=(len(row), 3)) * SIGMA
    corner_names = np.array(["RL", "RR", "FL", "FR"])[corner]
    slab_names = names[row]
    for name, (a, b) in SWAPPED.items():
        mine = slab_names == name
        swap = {a: b, b: a}
        corner_names[mine] = [swap.get(c, c) for c in corner_names[mine]]
    name, mark, off = BLUNDER
    xyz[(slab_names == name) & (corner_names == mark)] += off

    time = np.datetime64("2031-05-14T07:20:00") + np.arange(len(row)) * np.timedelta64(41, "s")
    keep = slab_names != NOT_MEASURED
    bare = np.isin(slab_names, WITHOUT_NAMES)
    table = {
        "point": np.array([f"P{i:04d}" for i in range(1, len(row) + 1)]),
        "slab": np.where(bare, "", slab_names),
        "corner": np.where(bare, "", corner_names),
        "easting_m": xyz[:, 0],
        "northing_m": xyz[:, 1],
        "level_m": xyz[:, 2],
        "setup": np.array([f"S{i:02d}" for i in range(1, setup.max() + 2)])[setup],
        "stage": np.full(len(row), "fine"),
        "time": time,
    }
    fine = dict.fromkeys(("easting_m", "northing_m", "level_m"), 5)
    before, after = (folder / "survey" / name for name in ("fine_adjustment.csv", "after_injection.csv"))
    before.parent.mkdir(exist_ok=True)
    write_csv(before, {name: values[keep] for name, values in table.items()}, decimals=fine)
    write_csv(after, injected(project, position, rotation, rng), decimals=fine)
    return before, after


if __name__ == "__main__":
    for path in make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent):
        print(path)
