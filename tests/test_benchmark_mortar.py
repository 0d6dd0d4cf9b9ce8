"""Speed of the mortar; on request: ``pytest -m benchmark -s tests/test_benchmark_mortar.py``."""

from __future__ import annotations

import time

import numpy as np
import pytest
import shapely
from mortar_scenes import NOTCHED, fine_outline
from scipy.spatial import Delaunay

from geometry.placement.mortar import build_bed, gaps_under

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(600)]


def test_a_thousand_slabs_with_fifty_bed_points_each() -> None:
    """Aim: under 3 s of processor time. Peer: shapely and scipy slab by slab, as one would write it down."""
    slabs, pitch = 1000, 5.28
    rng = np.random.default_rng(1)
    x, y = np.meshgrid(np.linspace(-1.45, 1.45, 5), np.arange(-3, slabs * pitch + 3, pitch / 10))
    xy = np.stack([x.ravel(), y.ravel()], axis=1) + rng.uniform(-0.03, 0.03, (x.size, 2))
    points = np.column_stack([xy, rng.normal(0, 0.003, len(xy))])
    position = np.stack([np.zeros(slabs), pitch * np.arange(slabs), np.full(slabs, 0.25)], axis=1)
    turned = np.tile(np.eye(3), (slabs, 1, 1))
    index = np.zeros(slabs, dtype=np.intp)

    start = time.process_time()
    bed = build_bed(points, np.full(len(points), 0.5e-3), 0.3e-3, 2.0)
    gaps = gaps_under(bed, position, turned, np.zeros((slabs, 6, 6)), [NOTCHED], index, 1.0, (0.04, 0.06))
    ours = time.process_time() - start
    assert gaps.measured.all()

    few = 20
    outline = fine_outline(NOTCHED, 32)
    start = time.process_time()
    volumes = []
    for i in range(few):
        near = points[np.abs(points[:, 1] - i * pitch) < 3.4] - [0, i * pitch, 0]
        total = 0.0
        for corners in near[Delaunay(near[:, :2]).simplices]:
            piece = shapely.Polygon(corners[:, :2]).intersection(outline)
            if piece.area > 0:
                plane = np.linalg.solve(np.column_stack([np.ones(3), corners[:, :2]]), corners[:, 2])
                total += piece.area * (0.05 - plane @ [1.0, piece.centroid.x, piece.centroid.y])
        volumes.append(total)
    theirs = (time.process_time() - start) / few * slabs
    difference = np.abs(gaps.volume[:few] - volumes).max()
    print(
        f"\nmortar: {slabs} slabs, {len(points)} bed points {ours:.2f} s (aim 3 s); slab by slab {theirs:.1f} s, "
        f"ratio {theirs / ours:.0f}; volumes differ by {difference * 1e3:.4f} l"
    )
    assert difference < 2e-6
    assert ours < 6.0
    assert theirs > 2 * ours
