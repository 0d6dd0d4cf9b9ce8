"""Speed of reading designs: a line of 500 km with 5,000 segments (pytest -m benchmark -s)."""

from __future__ import annotations

import time
from pathlib import Path

import ifcopenshell
import numpy as np
import pytest
from lxml import etree
from test_landxml import MADE

from geometry.alignment import (
    Alignment,
    CantElement,
    HorizontalElement,
    VerticalElement,
    build,
    chainage_count,
    evaluate,
)
from geometry.alignment.design_rules import measure, speed_profile
from geometry.errors import Faults
from geometry.exchange.design import build_design
from geometry.exchange.ifc_alignment import read_ifc
from geometry.exchange.ifc_writing import ifc_model, write_alignment
from geometry.exchange.landxml_alignment import read_landxml
from geometry.exchange.landxml_writing import landxml_of, to_bytes
from geometry.exchange.rules_files import shipped_limits

pytestmark = pytest.mark.benchmark


@pytest.fixture(scope="module")
def line() -> Alignment:
    """500 km: straights, clothoids and Bloss transitions into arcs of both hands, 5,000 elements in plan."""
    rng = np.random.default_rng(7)
    horizontal = [HorizontalElement("straight", 100.0, easting=4e5, northing=5e6, bearing=0.9)]
    cant = [CantElement("constant", 0.0, 100.0, 0.0, 0.0)]
    start = 100.0
    for k in range(1249):
        bend = (-1) ** k / rng.uniform(4000, 9000)
        high = float(np.sign(bend)) * 0.1
        law, ramp = [("clothoid", "linear"), ("bloss", "bloss")][k % 2]
        for kind, canting, length, bends, cants in (
            (law, ramp, 120.0, (0.0, bend), (0.0, high)),
            ("arc", "constant", 100.0, (bend, bend), (high, high)),
            (law, ramp, 120.0, (bend, 0.0), (high, 0.0)),
            ("straight", "constant", 60.0, (0.0, 0.0), (0.0, 0.0)),
        ):
            horizontal.append(HorizontalElement(kind, length, *bends))  # type: ignore[arg-type]
            cant.append(CantElement(canting, start, length, *cants))  # type: ignore[arg-type]
            start += length
    vertical = [VerticalElement("gradient", 0.0, start, 0.001, 0.001, level=50.0)]
    return build(horizontal, vertical, cant)


def test_reading_5000_segments(line: Alignment, tmp_path: Path) -> None:
    count = chainage_count(0.0, line.length)
    (tmp_path / "line.xml").write_bytes(to_bytes(landxml_of(line, count, "line", MADE)))
    model, site, axis = ifc_model("line", MADE)
    write_alignment(model, site, axis, line, count, "line")
    model.write(str(tmp_path / "line.ifc"))

    begun = time.perf_counter()
    etree.fromstring((tmp_path / "line.xml").read_bytes())
    parse_xml = time.perf_counter() - begun
    begun = time.perf_counter()
    ifcopenshell.open(str(tmp_path / "line.ifc"))
    parse_ifc = time.perf_counter() - begun

    for name, reader, parse, most in (
        ("line.xml", read_landxml, parse_xml, 2.0),
        ("line.ifc", read_ifc, parse_ifc, 10.0),
    ):
        faults = Faults()
        begun = time.perf_counter()
        design = reader(tmp_path / name, faults)
        read = time.perf_counter() - begun
        assert design is not None, faults.errors[:3]
        made = build_design(design, faults)
        built = time.perf_counter() - begun - read
        assert made is not None, faults.errors[:3]
        size = (tmp_path / name).stat().st_size / 1e6
        print(
            f"\n{name}: {len(design.horizontal)} elements in plan, {line.length / 1e3:.0f} km, {size:.1f} MB: read "
            f"{read:.2f} s, of which {parse:.2f} s by the library's parser alone ({read / parse:.1f} times it), "
            f"built {built:.2f} s"
        )
        s = np.linspace(0, line.length - 1, 1001)
        assert np.abs(evaluate(made[0], s).easting - evaluate(line, s).easting).max() < 1e-6
        assert read + built < most


def test_rules_of_5000_segments(line: Alignment) -> None:
    begun = time.perf_counter()
    measures = measure(line, 350.0, 200.0)
    speeds = speed_profile(line, measures, shipped_limits(), "normal")
    took = time.perf_counter() - begun
    print(f"\nrules of {len(line.horizontal)} elements: {took:.2f} s, {len(speeds.start)} stretches")
    assert took < 5
