"""Make the demo's rail seats as an invented factory measured them on the cast slabs. Fixed seed.

Run it from the root of the repository, with slabpose installed:

    python demo_alignment/make_seats.py [FOLDER]

It writes ``seats.csv`` into FOLDER (default: the folder of this script), replacing the one there.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from geometry.exchange.project import open_project
from geometry.exchange.writing import write_csv

SEED = 20310402
SCATTER_MM = 0.2  # of a cast seat, standard deviation across and up
FACTORY_MM = 0.35  # what leaves the factory is no further off
WIDE = ("Q0205", 4, "R", 1.62)  # slab, seat from the rear, rail, how far across it was cast, mm
NOT_MEASURED = ("Q0144", "Q0145")


def make(folder: Path) -> Path:
    """Write the seats of the slabs of the project in `folder`; return the path."""
    project = open_project(folder)
    rng = np.random.default_rng(SEED)
    count = np.array([len(t.seats) for t in project.types])[project.layout.type_index]
    slab = np.repeat(np.arange(len(count)), 2 * count)
    rail = np.tile(np.array(["L", "R"]), count.sum())
    seat = np.arange(len(slab)) // 2 - np.repeat(np.cumsum(count) - count, 2 * count) + 1
    cast = np.clip(rng.normal(0.0, SCATTER_MM, (len(slab), 2)), -FACTORY_MM, FACTORY_MM)
    names = project.layout.names[slab]
    wide, at, on, across = WIDE
    cast[(names == wide) & (seat == at) & (rail == on), 0] = across
    keep = ~np.isin(names, NOT_MEASURED)
    table = {"slab": names, "seat": seat, "rail": rail, "across_mm": cast[:, 0], "up_mm": cast[:, 1]}
    path = folder / "seats.csv"
    write_csv(path, {name: values[keep] for name, values in table.items()}, decimals={"across_mm": 2, "up_mm": 2})
    return path


if __name__ == "__main__":
    print(make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent))
