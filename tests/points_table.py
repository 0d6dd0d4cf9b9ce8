"""A table of points to read: its columns, its header, a good row."""

from pathlib import Path

from geometry.errors import Faults
from geometry.exchange.tables import Column, Table, read_table

__all__ = ["COLUMNS", "GOOD", "HEADER", "read"]

COLUMNS = (
    Column("slab", what="a slab name"),
    Column("corner", choices=("front_left", "front_right")),
    Column("stage", required=False, blank=True),
    Column("easting_m", "number"),
    Column("level_m", "number", low=40, high=120, what="a level"),
    Column("time", "time", required=False, blank=True),
)
HEADER = "slab,corner,easting_m,level_m\n"
GOOD = "S1,front_left,500000.5,50\n"


def read(path: Path, content: str | bytes, unique: tuple[str, ...] = ()) -> tuple[Table, Faults]:
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    faults = Faults()
    return read_table(path, COLUMNS, faults, unique), faults
