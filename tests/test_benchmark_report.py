"""Speed of the report; on request: ``pytest -m benchmark -s tests/test_benchmark_report.py``."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pypdf
import pytest
from project_copies import change, copy_of_demo, read_rows, run, write_rows

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(900)]


def _long_project(folder: Path) -> Path:
    """Return the demo on a line with a longer straight at its end: 500 slabs and more, each with bed below it."""
    project = copy_of_demo(folder)
    change(project, "horizontal.csv", "straight,120", "straight,1400")
    change(project, "vertical.csv", "gradient,1152,348", "gradient,1152,1628")
    change(project, "cant.csv", "constant,1380,120", "constant,1380,1400")
    change(project, "structures.csv", "28862.500", "30142.500")
    run("layout", project, "--show", "corners", "--csv", project / "set_out.csv")
    comment = [line for line in (project / "set_out.csv").read_text().splitlines() if not line.startswith("#")]
    (project / "set_out.csv").write_text("\n".join(comment) + "\n")
    rows = read_rows(project, "set_out.csv")
    surveyed = read_rows(project)
    known = {row["slab"] for row in surveyed}
    more = [dict(zip(surveyed[0], (row["point"], row["slab"], row["corner"], row["easting_m"], row["northing_m"],
                                   row["level_m"], "S99", "fine", "2031-05-14T20:00:00Z"), strict=True))
            for row in rows if row["slab"] not in known and row["slab"] > "Q0369"]  # fmt: skip
    write_rows(project, [*surveyed, *more])
    xyz = np.array([[float(row[f"{axis}_m"]) for axis in ("easting", "northing", "level")] for row in rows])
    rear_left, rear_right, front_left, _ = xyz.reshape(-1, 4, 3).transpose(1, 0, 2)
    across, along = np.meshgrid(np.linspace(-0.15, 1.15, 3), np.linspace(-0.08, 1.08, 6))
    points = np.concatenate([
        rear_left + a * (rear_right - rear_left) + b * (front_left - rear_left) - [0, 0, 0.255]
        for a, b in zip(across.ravel(), along.ravel(), strict=True)
    ])  # fmt: skip
    for path in (project / "bed").iterdir():
        path.unlink()
    lines = [f"B{i},{e:.4f},{n:.4f},{h:.4f}" for i, (e, n, h) in enumerate(points.tolist())]
    (project / "bed/all.csv").write_text("\n".join(["point,easting_m,northing_m,level_m", *lines]) + "\n")
    (project / "set_out.csv").unlink()
    return project


def test_five_hundred_slabs(tmp_path: Path) -> None:
    """Aim: PDF, web page and workbook of 500 slabs together in under 20 s of processor time."""
    project = _long_project(tmp_path)
    files = {kind: tmp_path / f"a.{kind}" for kind in ("pdf", "html", "xlsx")}
    times = {}
    for kinds in (("pdf",), ("html",), ("pdf", "html", "xlsx")):
        start, wall = time.process_time(), time.perf_counter()
        answer = run("report", project, "--at", "2031-05-15T04:00Z",
                     *(part for kind in kinds for part in (f"--{kind}", files[kind])))  # fmt: skip
        assert answer.status == 0, answer.err
        times["+".join(kinds)] = time.process_time() - start, time.perf_counter() - wall
    pages = pypdf.PdfReader(files["pdf"]).pages
    slabs = files["html"].read_text().partition("Verdict and reasons of every slab")[2].partition("</table>")[0]
    count = slabs.count("<tr><th")
    assert count >= 500
    sizes = ", ".join(f"{kind} {path.stat().st_size / 1e6:.1f} MB" for kind, path in files.items())
    told = "; ".join(f"{kinds} {spent:.1f} s ({wall:.1f} s by the clock)" for kinds, (spent, wall) in times.items())
    print(f"\nreport: {count} slabs, {len(pages)} pages: {told}; {sizes}")
    assert times["pdf+html+xlsx"][0] < 20.0
