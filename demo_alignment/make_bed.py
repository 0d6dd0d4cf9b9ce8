"""Make the demo's bed and anchors: an invented concrete bed as it was surveyed. Fixed seed.

Run it from the root of the repository, with slabpose installed:

    python demo_alignment/make_bed.py [FOLDER]

It writes ``bed/viaduct.csv``, ``bed/rest.csv`` and ``anchors.csv`` into FOLDER (default: the folder of this script),
replacing the ones there.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from geometry.alignment import project as project_on
from geometry.alignment.frames import from_grid, to_grid
from geometry.exchange.project import Project, open_project
from geometry.exchange.results import anchor_table
from geometry.exchange.writing import write_csv

SEED = 20310504
SIGMA_LEVEL = 0.5e-3  # of a bed point, m
ROW_EVERY, BEYOND = 1.35, 0.04  # rows of points along the bed; how far the outer ones lie beyond the slabs, m
ACROSS = (-1.38, -0.46, 0.46, 1.38)  # points of a row, m from the centre line
SCATTER = 0.03  # of a point in plan, m
WAVES = 300  # of which the surface is made
ROUGH, LONG = 1.4e-3, (1.5, 8.0)  # standard deviation of the surface, range of its wavelengths, m
ANCHOR_SIGMA = 1.0e-3  # of a surveyed anchor's centre, m
ANCHOR_PLACED = np.array([1.5e-3, 2.5e-3])  # scatter of the anchors across and along, m

# slab -> how much the bed is higher there, m, and at which place of the slab, across and along, m
SPOTS = {"Q0232": (19e-3, (0.46, 0.9)), "Q0284": (-24e-3, (-0.46, -1.1))}
SPOT_RADIUS = 0.45
MOVED_ANCHOR = ("Q0266", "Q0267", 29e-3)  # the joint, and how far its anchor stands too far ahead, m


def surface(rng: np.random.Generator, distance: np.ndarray, offset: np.ndarray) -> np.ndarray:
    """Return how far a bed that was struck off by hand lies over its design, m: waves of many lengths."""
    length = np.exp(rng.uniform(*np.log(LONG), WAVES))
    turn, phase = rng.uniform(0, np.pi, WAVES), rng.uniform(0, 2 * np.pi, WAVES)
    k = 2 * np.pi / length * np.array([np.cos(turn), np.sin(turn)])
    at = np.multiply.outer(distance, k[0]) + np.multiply.outer(offset, k[1]) + phase
    return ROUGH * np.sqrt(2 / WAVES) * np.cos(at).sum(axis=-1)


def bed_points(project: Project, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the slab, the place on it (across, along, m) and the true height over the design of each bed point."""
    layout, scale = project.layout, project.alignment.rules.grid_scale
    half = np.array([t.length for t in project.types])[layout.type_index] / 2
    slabs, places = [], []
    for span in range(len(project.spans)):
        own = np.flatnonzero(layout.span == span)
        rear = layout.distance[own] - half[own] * scale
        start, end = rear[0] - BEYOND, layout.distance[own[-1]] + half[own[-1]] * scale + BEYOND
        count = int(np.ceil((end - start) / ROW_EVERY)) + 1
        rows = np.linspace(start, end, count)
        jitter = rng.uniform(-SCATTER, SCATTER, (count, len(ACROSS), 2))
        jitter[[0, -1], :, 1] = 0.0  # the first and the last row shall reach over the corners
        slab = own[np.clip(np.searchsorted(rear, rows, side="right") - 1, 0, len(own) - 1)]
        along = (rows - layout.distance[slab]) / scale
        place = np.stack(np.broadcast_arrays(ACROSS, along[:, None]), axis=-1) + jitter
        slabs.append(np.repeat(slab, len(ACROSS)))
        places.append(place.reshape(-1, 2))
    slab, place = np.concatenate(slabs), np.concatenate(places)
    high = surface(rng, layout.distance[slab] + place[:, 1], place[:, 0])
    for name, (height, centre) in SPOTS.items():
        # the crew looks at the worst place of what it sees
        own = np.flatnonzero(slab == layout.names.tolist().index(name))
        nearest = own[np.linalg.norm(place[own] - centre, axis=1).argmin()]
        away = np.linalg.norm(place[own] - place[nearest], axis=1)
        high[own] += height * np.exp(-((away / SPOT_RADIUS) ** 2) / 2)
    return slab, place, high


def anchors(project: Project, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Return the surveyed anchors."""
    table = anchor_table(project)
    names, targets = project.layout.names, project.targets
    rear, front = table["rear_slab"], table["front_slab"]
    slab = np.array([names.tolist().index(f or r) for r, f in zip(rear, front, strict=True)])
    foot = np.stack([table[f"{axis}_m"] for axis in ("easting", "northing", "level")], axis=1)
    scale = project.alignment.rules.grid_scale
    off = np.clip(rng.normal(size=(len(foot), 2)), -1.6, 1.6) * ANCHOR_PLACED
    off[(rear == MOVED_ANCHOR[0]) & (front == MOVED_ANCHOR[1]), 1] += MOVED_ANCHOR[2]
    off += rng.normal(size=off.shape) * ANCHOR_SIGMA
    seen = from_grid(targets.position[slab], targets.rotation[slab], foot[:, None], scale)
    seen[:, 0] += np.column_stack([off, np.full(len(off), project.settings.bed.anchor_height_mm / 1e3)])
    top = to_grid(targets.position[slab], targets.rotation[slab], seen, scale)[:, 0]
    return {
        "name": np.array([f"D{i:03d}" for i in range(1, len(top) + 1)]),
        "easting_m": top[:, 0],
        "northing_m": top[:, 1],
        "level_m": top[:, 2],
        "sigma_plan_mm": np.full(len(top), ANCHOR_SIGMA * 1e3),
    }


def make(folder: Path) -> list[Path]:
    """Write bed and anchors of the project in `folder`; return their paths."""
    project = open_project(folder)
    rng = np.random.default_rng(SEED)
    layout, targets = project.layout, project.targets
    slab, place, high = bed_points(project, rng)
    measured = high + rng.normal(size=len(high)) * SIGMA_LEVEL
    thickness = np.array([t.thickness for t in project.types])[layout.type_index[slab]]
    up = measured - thickness - project.settings.bed.mortar_nominal_mm / 1e3
    local = np.column_stack([place, up])[:, None]
    xyz = to_grid(targets.position[slab], targets.rotation[slab], local, project.alignment.rules.grid_scale)[:, 0]
    order = np.lexsort((place[:, 0], project_on(project.alignment, xyz).distance.round(1)))
    xyz, slab = xyz[order], slab[order]
    kinds = np.array([span.kind for span in project.spans])[layout.span[slab]]
    names = np.array([f"B{i:04d}" for i in range(1, len(xyz) + 1)])
    written = []
    for name, rows in (("viaduct", kinds == "viaduct"), ("rest", kinds != "viaduct")):
        path = folder / "bed" / f"{name}.csv"
        path.parent.mkdir(exist_ok=True)
        columns = {"point": names, "easting_m": xyz[:, 0], "northing_m": xyz[:, 1], "level_m": xyz[:, 2]}
        write_csv(path, {title: values[rows] for title, values in columns.items()}, decimals={
            "easting_m": 3, "northing_m": 3, "level_m": 4,
        })  # fmt: skip
        written.append(path)
    path = folder / "anchors.csv"
    write_csv(path, anchors(project, rng), decimals={"sigma_plan_mm": 1})
    return [*written, path]


if __name__ == "__main__":
    for made in make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent):
        print(made)
