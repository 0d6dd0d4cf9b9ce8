"""IFC files that are broken as files: what stood there is told, and never taken for something else.

How an instance is written is ISO 10303-21 (clear text encoding); which attributes it has, ISO 16739-1:2024.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ifcopenshell
import pytest
from test_ifc import model_of
from test_landxml import line_of

from geometry.errors import Faults
from geometry.exchange.design import Design, build_design, choose_alignment
from geometry.exchange.ifc_alignment import read_ifc
from geometry.exchange.ifc_broken import tell_parsed


@pytest.fixture(scope="module")
def text() -> str:
    return str(model_of(line_of("clothoid", False, 1)).to_string())


def read(tmp_path: Path, content: str) -> tuple[Design | None, list[str]]:
    (tmp_path / "line.ifc").write_text(content)
    design = read_ifc(tmp_path / "line.ifc", faults := Faults())
    return design, [str(fault) for fault in faults.errors]


def with_direction(text: str, value: str) -> str:
    """Put something else in the place of the start direction of the first segment in plan."""
    changed, count = re.subn(r"(IFCALIGNMENTHORIZONTALSEGMENT\(\$,\$,#\d+,)[^,]*,", rf"\g<1>{value},", text, count=1)
    assert count == 1
    return changed


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("0,46", "Expected 9 attribute values, found 10 for instance #"),  # every later number would be another one
        ("INF", "Entity with name 'INF' not found in schema"),
        ("#99999", "Instance reference #99999 used by instance #"),
        ("1e400", "token 1e400"),
        ("1.0.0", "token 1.0.0"),
    ],
)
def test_an_attribute_that_is_none_is_told_with_its_line(tmp_path: Path, text: str, value: str, words: str) -> None:
    content = with_direction(text, value)
    design, told = read(tmp_path, content)
    assert design is None
    line = next(k for k, row in enumerate(content.splitlines(), start=1) if "IFCALIGNMENTHORIZONTALSEGMENT" in row)
    number = re.match(r"#\d+", content.splitlines()[line - 1])
    assert number is not None
    place = f"{number[0]} IFCALIGNMENTHORIZONTALSEGMENT: expected entities as ISO 10303-21 and the schema have them"
    assert any(place in fault and words in fault for fault in told), told
    assert all(fault.startswith("line.ifc") for fault in told)
    if value != "0,46":
        assert any(fault.startswith(f"line.ifc:{line}: ") for fault in told), told
    else:
        assert told[0].endswith("(decimal comma?)")


def test_what_is_no_part_of_an_alignment_is_a_warning(tmp_path: Path, text: str) -> None:
    beside = "#90001=IFCBUILDINGELEMENTPROXY('0abcdefghijklmnopqrstu',$,$,$,$,#88888,#88889,$,$);\nENDSEC;\nEND-ISO"
    (tmp_path / "line.ifc").write_text(text.replace("ENDSEC;\nEND-ISO", beside))
    design = read_ifc(tmp_path / "line.ifc", faults := Faults())
    assert design is not None
    assert len(faults.warnings) == 1
    assert "#90001 IFCBUILDINGELEMENTPROXY" in str(faults.warnings[0])
    assert ", and 1 more like it (no part of an alignment)" in str(faults.warnings[0])
    # what an earlier file had wrong is not told of the next one
    (tmp_path / "line.ifc").write_text(text)
    assert read_ifc(tmp_path / "line.ifc", faults := Faults()) is not None
    assert not faults.warnings


def test_ten_broken_entities_are_ten_messages(tmp_path: Path, text: str) -> None:
    ten = iter(range(10))

    def broken(found: re.Match[str]) -> str:
        return f"{found[1]}0,5" if next(ten, None) is not None else found[0]

    content = re.sub(r"(IFCALIGNMENT(?:HORIZONTAL|VERTICAL|CANT)SEGMENT\(\$,\$,(?:#\d+,)?)[^,]*", broken, text)
    _, told = read(tmp_path, content)
    assert len(told) == 10
    log = "\n".join(
        f"[error] [2031-05-14 06:30:00] Instance reference #9 used by instance #{k} not found" for k in range(5000)
    )
    tell_parsed(log, b"", "a.ifc", faults := Faults(), stops=True)
    assert len(faults.errors) == 21
    assert faults.errors[-1].found == "4980 more like these"


def changed(**attributes: Any) -> Callable[[Any], None]:
    def change(model: Any) -> None:
        for place, value in attributes.items():
            kind, name = place.split("__")
            thing = model.by_type(kind)[0]
            if name == "Placement":
                thing.Placement.Location.Coordinates = value
            elif name == "StartPoint":
                thing.StartPoint.Coordinates = value
            else:
                setattr(thing, name, value)

    return change


def without_place(model: Any) -> None:
    """Leave the place of the first curve out, which the schema asks for."""
    segment = model.by_type("IfcCurveSegment")[0]
    model.remove(segment.Placement.Location)


def in_itself(model: Any) -> None:
    line = model.by_type("IfcAlignment")[0]
    zero = model.createIfcAxis2Placement3D(model.createIfcCartesianPoint((0.0, 0.0, 0.0)))
    line.ObjectPlacement = model.createIfcLocalPlacement(None, zero)
    line.ObjectPlacement.PlacementRelTo = line.ObjectPlacement


def part_of_itself(model: Any) -> None:
    line = model.by_type("IfcAlignment")[0]
    model.createIfcRelAggregates(ifcopenshell.guid.new(), None, None, None, line, [line])
    for relation in model.by_type("IfcRelNests"):
        relation.RelatedObjects = [o for o in relation.RelatedObjects if not o.is_a("IfcAlignmentHorizontal")] or [line]


def two_units(model: Any) -> None:
    units = model.by_type("IfcUnitAssignment")[0]
    units.Units = [*units.Units, model.createIfcSIUnit(None, "LENGTHUNIT", "MILLI", "METRE")]


BAD = [
    (changed(IfcAlignmentHorizontalSegment__StartPoint=(1.0,)), "StartPoint: expected two coordinates, found 1"),
    (changed(IfcCurveSegment__Placement=(1.0,)), "IfcCartesianPoint: expected two or three coordinates, found 1"),
    (without_place, "expected Location as the schema has it, found Attribute not optional"),
    (changed(IfcProject__UnitsInContext=None), "IfcUnitAssignment: expected one unit of length, found none"),
    (two_units, "IfcUnitAssignment: expected one unit of length, found 2"),
    (in_itself, "IfcLocalPlacement as its placement, found a placement within itself"),
    (changed(IfcAlignmentHorizontalSegment__SegmentLength=1e300), "SegmentLength: expected a number, found 1e+300"),
    (changed(IfcAlignmentHorizontalSegment__SegmentLength=2e6), "a length of at most 1e+06 m, found 2e+06 m"),
    (changed(IfcAlignmentVerticalSegment__StartHeight=1e12), "a level of at most 1e+08 m, found 1e+12 m"),
]


@pytest.mark.parametrize(("change", "words"), BAD)
def test_what_no_reader_can_use_is_told(tmp_path: Path, change: Callable[[Any], None], words: str) -> None:
    model = model_of(line_of("clothoid", False, 1))
    change(model)
    design, told = read(tmp_path, model.to_string())
    faults = Faults()
    if design is not None:
        assert build_design(design, faults) is None
    told += [str(fault) for fault in faults.errors]
    assert any(words in fault for fault in told), told


def test_an_alignment_that_is_part_of_itself_ends(tmp_path: Path) -> None:
    model = model_of(line_of("clothoid", False, 1))
    part_of_itself(model)
    (tmp_path / "line.ifc").write_text(model.to_string())
    design = read_ifc(tmp_path / "line.ifc", faults := Faults())
    assert not faults.errors
    assert design is not None
    assert any("only curves stand in the file" in note for note in design.notes)


def test_placements_upon_five_thousand_placements(tmp_path: Path) -> None:
    model = model_of(line_of("clothoid", False, 1))
    before, _ = read(tmp_path, model.to_string())
    place = None
    step = model.createIfcAxis2Placement3D(model.createIfcCartesianPoint((0.001, 0.0, 0.0)))
    for _ in range(5000):
        place = model.createIfcLocalPlacement(place, step)
    model.by_type("IfcAlignment")[0].ObjectPlacement = place
    after, told = read(tmp_path, model.to_string())
    assert not told
    assert before is not None
    assert after is not None
    assert after.horizontal[0].easting == pytest.approx((before.horizontal[0].easting or 0.0) + 5.0, abs=1e-9)


def test_one_way_to_choose_among_alignments() -> None:
    def choose(found: list[tuple[str, bool, int]], name: str | None = None) -> tuple[int | None, str]:
        chosen = choose_alignment(found, "an alignment", name, "a.xml", faults := Faults())
        return chosen, "".join(map(str, faults.errors))

    three = [("left", True, 1), ("right", False, 2), ("", False, 3)]
    assert choose(three) == (1, "")  # the only complete one
    assert choose(three[1:2]) == (2, "")  # the only one
    assert choose(three, "right") == (2, "")
    assert choose(three[1:])[1] == (
        "a.xml: expected one alignment with a profile, or the name of one, found 'right', an empty cell (name it with "
        "--alignment)"
    )
    assert choose(three, "Left") == (None, "a.xml: expected an alignment 'Left', found 'left', 'right', an empty cell "
                                     "(did you mean left?)")  # fmt: skip
    assert choose([("a", True, 1), ("a", True, 2)], "a") == (
        None,
        "a.xml: expected one alignment 'a', found 2 of that name",
    )
    assert choose([]) == (None, "a.xml: expected an alignment, found none")
    assert "'line 11' and 288 more" in choose([(f"line {k}", True, k) for k in range(300)])[1]
