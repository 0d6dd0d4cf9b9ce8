"""Speed of reading a table of many points, beside general-purpose readers."""

import time
from pathlib import Path

import numpy as np
import pytest
from points_table import COLUMNS

from geometry.errors import Faults
from geometry.exchange.tables import Column, read_table


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "points.csv"


@pytest.mark.benchmark
@pytest.mark.parametrize("quoted", [False, True])
def test_speed(path: Path, quoted: bool) -> None:
    import pandas as pd
    import pyarrow as pa
    from pyarrow import csv as arrow

    count = 800_000
    numbers = np.arange(count)
    random = np.random.default_rng(1)
    table = pa.table(
        {
            "slab": [f"S{slab:06d}" for slab in (numbers // 8).tolist()],
            "corner": np.array(["front_left", "front_right"])[numbers % 2].tolist(),
            "stage": np.array(["set", "final", "again", "last"])[numbers // 2 % 4].tolist(),
            "easting_m": np.round(random.uniform(5e5, 5.1e5, count), 4),
            "northing_m": np.round(random.uniform(4e6, 4.1e6, count), 4),
            "level_m": np.round(random.uniform(50, 60, count), 4),
        }
    )
    arrow.write_csv(table, path, arrow.WriteOptions(quoting_style="all_valid" if quoted else "none"))
    columns = (*COLUMNS, Column("northing_m", "number"))

    def seconds(work: object) -> float:
        assert callable(work)
        taken = []
        for _ in range(4):
            start = time.perf_counter()
            work()
            taken.append(time.perf_counter() - start)
        return min(taken)

    def own() -> None:
        faults = Faults()
        assert len(read_table(path, columns, faults, unique=("slab", "corner", "stage"))) == count
        faults.stop_if_any()

    def unchecked() -> None:
        names = ("slab", "corner", "stage")
        convert = arrow.ConvertOptions(column_types={name: pa.dictionary(pa.int32(), pa.string()) for name in names})
        arrow.read_csv(path, convert_options=convert).to_pandas()

    mine, peer, pandas = seconds(own), seconds(unchecked), seconds(lambda: pd.read_csv(path))
    print(f"\nread, quoted {quoted}: {mine:.3f} s; pyarrow {mine / peer:.2f} x, pandas {mine / pandas:.2f} x")
    assert mine < 8 * peer
