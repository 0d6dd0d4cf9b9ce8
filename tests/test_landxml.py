"""LandXML 1.2: what strangers write, what is refused and why, and a way there and back."""

from __future__ import annotations

import json
import math
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lxml import etree

from geometry.alignment import (
    Alignment,
    AllowedJump,
    CantElement,
    HorizontalElement,
    TrackRules,
    VerticalElement,
    build,
    chainage_count,
    evaluate,
)
from geometry.errors import Faults, InputError
from geometry.exchange import xml_files
from geometry.exchange.design import Design, build_design
from geometry.exchange.landxml_alignment import read_landxml
from geometry.exchange.landxml_points import MEASURED, read_cg_points
from geometry.exchange.landxml_writing import NAMESPACE, PointGroup, landxml_of, to_bytes

REFERENCE = Path(__file__).parent / "reference"
MADE = {"program": "slabpose 0.1.0", "made_at": "2031-05-15T08:00:00+00:00"}
LAWS = ("clothoid", "bloss", "cosine", "sine", "helmert", "cubic", "viennese")


def document(
    inside: str, units: str = "meter", direction: str = "decimal degrees", more: str = "", head: str = ""
) -> str:
    system = "Imperial" if "oot" in units else "Metric"
    return f"""{head}<LandXML xmlns="{NAMESPACE}" version="1.2"><Units><{system} linearUnit="{units}"
 areaUnit="squareMeter"
 volumeUnit="cubicMeter" temperatureUnit="celsius" pressureUnit="milliBars" angularUnit="{direction}"
 directionUnit="{direction}"/></Units>{more}<Alignments>{inside}</Alignments></LandXML>"""


LEVEL = """<Profile><ProfAlign name="p"><PVI>0 100</PVI><PVI>{end} 100</PVI></ProfAlign></Profile>"""
STRAIGHT = "<CoordGeom><Line><Start>2000 1000</Start><End>2300 1400</End></Line></CoordGeom>"


def alignment_of(geometry: str, profile: str = LEVEL.format(end=500), name: str = "a", attributes: str = "",
                 more: str = "") -> str:  # fmt: skip
    return f'<Alignment name="{name}" staStart="0" length="500" {attributes}>{geometry}{more}{profile}</Alignment>'


def read(tmp_path: Path, text: str, name: str | None = None) -> tuple[Design | None, Faults]:
    path = tmp_path / "line.xml"
    path.write_text(text)
    faults = Faults()
    return read_landxml(path, faults, name), faults


def built(tmp_path: Path, text: str, name: str | None = None) -> Alignment:
    design, faults = read(tmp_path, text, name)
    assert design is not None, faults.errors
    made = build_design(design, faults)
    assert made is not None, faults.errors
    return made[0]


def test_points_are_northing_easting(tmp_path: Path) -> None:
    # 400 m east and 300 m north: bearing atan2(400, 300)
    line = evaluate(built(tmp_path, document(alignment_of(STRAIGHT))), [0.0, 500.0])
    assert line.easting.tolist() == pytest.approx([1000.0, 1400.0], abs=1e-9)
    assert line.northing.tolist() == pytest.approx([2000.0, 2300.0], abs=1e-9)
    assert np.degrees(line.bearing[0]) == pytest.approx(53.13010235, abs=1e-7)


@pytest.mark.parametrize(
    ("unit", "metre"),
    [("foot", 0.3048), ("USSurveyFoot", 1200 / 3937), ("millimeter", 1e-3), ("kilometer", 1000.0)],
)
def test_lengths_of_every_unit_become_metres(tmp_path: Path, unit: str, metre: float) -> None:
    # NIST Special Publication 811, appendix B: the foot 0.3048 m exactly, the U.S. survey foot 1200/3937 m
    alignment = built(tmp_path, document(alignment_of(STRAIGHT), unit))
    assert alignment.length == pytest.approx(500 * metre, rel=0, abs=1e-9 * metre)
    assert evaluate(alignment, 0.0).level == pytest.approx(100 * metre, rel=0, abs=1e-9)


@pytest.mark.parametrize(
    ("direction", "given", "words"),
    [
        ("decimal degrees", 53.13010235, "clockwise from north"),
        ("decimal degrees", 360 - 53.13010235, "counter-clockwise from north"),
        ("decimal degrees", 90 - 53.13010235, "counter-clockwise from east"),
        ("grads", 53.13010235 / 0.9, "clockwise from north"),
        ("radians", math.radians(53.13010235), "clockwise from north"),
        ("decimal dd.mm.ss", 53.074837, "clockwise from north"),
    ],
)
def test_the_coordinates_show_how_directions_count(
    tmp_path: Path, direction: str, given: float, words: str
) -> None:  # fmt: skip
    line = STRAIGHT.replace("<Line>", f'<Line dir="{given}">')
    design, faults = read(tmp_path, document(alignment_of(line), direction=direction))
    assert design is not None
    assert not faults.warnings
    assert any(f"directions count {words}" in note for note in design.notes)
    assert math.degrees(design.horizontal[0].bearing or 0) == pytest.approx(53.13010235, abs=1e-7)


def test_a_direction_that_fits_in_no_way_is_told(tmp_path: Path) -> None:
    _, faults = read(tmp_path, document(alignment_of(STRAIGHT.replace("<Line>", '<Line dir="200">'))))
    assert "directions that fit" in str(faults.warnings[0])
    assert "line.xml:4: Line: dir" in faults.warnings[0].where


CURVE = (
    '<CoordGeom><Curve rot="{rot}" radius="500"{more}><Start>0 0</Start>{centre}<End>{end}</End></Curve></CoordGeom>'
)


@pytest.mark.parametrize("centre", ["<Center>0 500</Center>", ""])
def test_a_curve_turns_the_way_it_says(tmp_path: Path, centre: str) -> None:
    # quarter circle about a centre 500 m east of its start: northwards and then to the right
    text = document(alignment_of(CURVE.format(rot="cw", end="500 500", centre=centre, more=""),
                                 LEVEL.format(end=250 * math.pi)))  # fmt: skip
    alignment = built(tmp_path, text)
    assert alignment.length == pytest.approx(250 * math.pi, abs=1e-6)
    ends = evaluate(alignment, [0.0, alignment.length])
    assert np.degrees(ends.bearing).tolist() == pytest.approx([0.0, 90.0], abs=1e-6)
    assert ends.curvature[0] == pytest.approx(0.002, abs=1e-12)


def test_a_length_that_contradicts_the_points_is_told(tmp_path: Path) -> None:
    curve = CURVE.format(rot="cw", end="500 500", centre="<Center>0 500</Center>", more=' length="700"')
    _, faults = read(tmp_path, document(alignment_of(curve, LEVEL.format(end=900))))
    assert "785.3982 m, as its points give, found 700.0000 m" in str(faults.warnings[0])


@pytest.mark.parametrize("spiral", ["clothoid", "bloss", "cosine", "sinusoid", "biquadratic"])
def test_spirals_end_where_the_published_tables_do(tmp_path: Path, spiral: str) -> None:
    # the tables of the railway alignment test set for ISO 16739-1 (see transitions.json): 100 m to R 300 m
    tables = json.loads((REFERENCE / "transitions.json").read_text())
    law = {"sinusoid": "sine", "biquadratic": "helmert"}.get(spiral, spiral)
    table = next(t for t in tables["tables"] if t["kind"] == law and t["radius_start_m"] is None)
    x, y = table["rows"][-1][1:3]
    turn = math.copysign(1.0, y)
    rot = "ccw" if turn > 0 else "cw"
    # in the table x is along the start tangent and y to its left: put the tangent due north
    geometry = (
        f'<CoordGeom><Spiral length="100" radiusStart="INF" radiusEnd="300" rot="{rot}" spiType="{spiral}">'
        f"<Start>0 0</Start><PI>60 0</PI><End>{x} {-y}</End></Spiral></CoordGeom>"
    )
    end = evaluate(built(tmp_path, document(alignment_of(geometry, LEVEL.format(end=100)))), 100.0)
    assert float(end.northing) == pytest.approx(x, abs=1e-9)
    assert float(end.easting) == pytest.approx(-y, abs=1e-9)


def test_a_cubic_parabola_counts_what_its_end_says(tmp_path: Path) -> None:
    # y = x^3 / (6 R L): with the abscissa counted its end has x = L, with the arc a little less
    radius, length = 7000.0, 300.0
    for abscissa in (True, False):
        probe = HorizontalElement("cubic", length, 0.0, 1 / radius, 0.0, 0.0, 0.0, "abscissa" if abscissa else "arc")
        made = build([probe], [VerticalElement("gradient", 0.0, 301.0, 0.0, 0.0, level=0.0)])
        end = evaluate(made, made.length)
        geometry = (
            f'<CoordGeom><Spiral length="{length}" radiusStart="INF" radiusEnd="{radius}" rot="cw" '
            f'spiType="cubicParabola"><Start>0 0</Start><PI>200 0</PI><End>{float(end.northing)!r} '
            f"{float(end.easting)!r}</End></Spiral></CoordGeom>"
        )
        design, faults = read(tmp_path, document(alignment_of(geometry, LEVEL.format(end=301))))
        assert design is not None, faults.errors
        assert design.horizontal[0].length_along == ("abscissa" if abscissa else "arc")
        if abscissa:
            assert float(end.northing) == pytest.approx(length, abs=1e-9)
            assert float(end.easting) == pytest.approx(length**2 / (6 * radius), abs=1e-9)


PROFILES = """<Profile><ProfAlign name="p"><PVI>0 100</PVI>
<ParaCurve length="100">100 101</ParaCurve>
<UnsymParaCurve lengthIn="40" lengthOut="60">250 99.5</UnsymParaCurve>
<CircCurve radius="5000">400 101</CircCurve>
<PVI>500 101</PVI></ProfAlign></Profile>"""


def test_vertical_curves_of_all_kinds(tmp_path: Path) -> None:
    alignment = built(tmp_path, document(alignment_of(STRAIGHT, PROFILES)))
    assert [e.kind for e in alignment.vertical] == [
        "gradient", "parabola", "gradient", "parabola", "parabola", "gradient", "arc", "gradient",
    ]  # fmt: skip
    # external distance of a parabola at its middle: L (g2 - g1) / 8
    middle = evaluate(alignment, 100.0)
    assert middle.level == pytest.approx(101 + 100 * (-0.01 - 0.01) / 8, abs=1e-9)
    # of an unsymmetric one: l1 l2 (g2 - g1) / (2 (l1 + l2))
    assert evaluate(alignment, 250.0).level == pytest.approx(99.5 + 40 * 60 * (0.01 + 0.01) / 200, abs=1e-9)
    # of a circle: the bisector, R (1/cos(turn/2) - 1), is nearly upright here
    turn = math.atan(0.01)
    assert evaluate(alignment, 400.0).level == pytest.approx(101 - 5000 * (1 / math.cos(turn / 2) - 1), abs=1e-6)
    assert (
        max(abs(j.jump) for j in alignment.joints if j.quantity in ("level", "gradient")) < 1e-9
        if [j for j in alignment.joints if j.quantity in ("level", "gradient")]
        else True
    )


CANT = """<Cant gauge="1.435" rotationPoint="{pivot}"><CantStation station="100" appliedCant="0" curvature="cw"
 transitionType="bloss"/><CantStation station="200" appliedCant="120" curvature="{hand}"/>
<CantStation station="300" appliedCant="120" curvature="{hand}"/></Cant>"""


@pytest.mark.parametrize(("hand", "sign"), [("cw", 1), ("ccw", -1)])
def test_cant_is_positive_on_a_right_hand_curve(tmp_path: Path, hand: str, sign: int) -> None:
    text = document(alignment_of(STRAIGHT, more=CANT.format(pivot="center", hand=hand)))
    alignment = built(tmp_path, text)
    # Bloss at a quarter: 3/16 - 2/64
    cant = evaluate(alignment, [0.0, 125.0, 150.0, 250.0, 500.0]).cant
    assert (cant * 1e3 * sign).tolist() == pytest.approx([0.0, 120 * 0.15625, 60.0, 120.0, 120.0], abs=1e-9)
    assert alignment.rules.pivot == "centre"


def test_inches_of_cant_in_an_imperial_file(tmp_path: Path) -> None:
    text = document(alignment_of(STRAIGHT, more=CANT.format(pivot="insideRail", hand="cw").replace('"120"', '"5"')),
                    "foot")  # fmt: skip
    alignment = built(tmp_path, text)
    assert float(evaluate(alignment, 250 * 0.3048).cant) == pytest.approx(0.127, abs=1e-12)
    assert alignment.rules.pivot == "low_rail"


def test_station_equations(tmp_path: Path) -> None:
    more = '<StaEquation staAhead="250" staBack="200" staInternal="200"/>'
    design, faults = read(tmp_path, document(alignment_of(STRAIGHT, more=more)))
    assert design is not None
    made = build_design(design, faults)
    assert made is not None
    assert made[1].to_chainage([100.0, 300.0]).tolist() == [100.0, 350.0]


def test_several_alignments_are_asked_for_by_name(tmp_path: Path) -> None:
    both = alignment_of(STRAIGHT, name="up") + alignment_of(STRAIGHT, name="down")
    design, faults = read(tmp_path, document(both))
    assert design is None
    assert "'up', 'down'" in str(faults.errors[0])
    assert read(tmp_path, document(both), "down")[0].name == "down"  # type: ignore[union-attr]
    assert "did you mean" in str(read(tmp_path, document(both), "dwn")[1].errors[0])
    one = alignment_of(STRAIGHT, name="plan only", profile="") + alignment_of(STRAIGHT, name="whole")
    assert read(tmp_path, document(one))[0].name == "whole"  # type: ignore[union-attr]


# the end curvature of a cubic parabola is not exactly 1 / R
JUMPS = [AllowedJump("curvature", k) for k in range(2, 7)]


def line_of(law: Any, reverse: bool, hand: int, pivot: Any = "low_rail") -> Alignment:
    ramp: Any = {"clothoid": "linear", "cubic": "linear"}.get(law, law)
    bends = [0.0, hand / 900.0, -hand / 1200.0 if reverse else hand / 2500.0]
    cants = [0.0, hand * 0.11, -hand * 0.08 if reverse else hand * 0.05]
    horizontal = [
        HorizontalElement("straight", 120.0, easting=431208.455, northing=186740.118, bearing=5.9),
        HorizontalElement(law, 210.0, bends[0], bends[1]),
        HorizontalElement("arc", 150.0, bends[1], bends[1]),
        HorizontalElement(law, 260.0, bends[1], bends[2]),
        HorizontalElement("arc", 90.0, bends[2], bends[2]),
    ]
    starts = [0.0, 120.0, 330.0, 480.0, 740.0]
    cant = [
        CantElement("constant", starts[0], 120.0, 0.0, 0.0),
        CantElement(ramp, starts[1], 210.0, cants[0], cants[1]),
        CantElement("constant", starts[2], 150.0, cants[1], cants[1]),
        CantElement(ramp, starts[3], 260.0, cants[1], cants[2]),
        CantElement("constant", starts[4], 90.0, cants[2], cants[2]),
    ]
    vertical = [
        VerticalElement("parabola", 0.0, 200.0, 0.012, -0.004, level=86.123),
        VerticalElement("gradient", 200.0, 150.0, -0.004, -0.004),
        VerticalElement("arc", 350.0, 180.0, -0.004, 0.009),
        VerticalElement("gradient", 530.0, 300.0, 0.009, 0.009),
    ]
    return build(horizontal, vertical, cant, TrackRules(pivot=pivot), JUMPS)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("reverse", [False, True])
@pytest.mark.parametrize("hand", [1, -1])
def test_a_round_trip_changes_nothing(tmp_path: Path, law: str, reverse: bool, hand: int) -> None:
    line = line_of(law, reverse, hand, "centre" if reverse else "low_rail")
    count = chainage_count(12000.0, line.length, [(12300.0, 12250.0), (12400.0, 12500.0)])
    path = tmp_path / "line.xml"
    path.write_bytes(to_bytes(landxml_of(line, count, "both <ways> & back", MADE)))
    faults = Faults()
    design = read_landxml(path, faults)
    assert design is not None, faults.errors
    assert not faults.warnings
    made = build_design(design, faults, allowed=JUMPS)
    assert made is not None, faults.errors
    again, counted = made
    assert again.length == pytest.approx(line.length, abs=1e-9)
    s = np.linspace(0, min(line.length, again.length), 4001)
    was, is_now = evaluate(line, s), evaluate(again, s)
    for name, tolerance in (("easting", 1e-8), ("northing", 1e-8), ("level", 1e-9), ("bearing", 1e-10),
                            ("curvature", 1e-12), ("cant", 1e-12)):  # fmt: skip
        np.testing.assert_allclose(getattr(is_now, name), getattr(was, name), rtol=0, atol=tolerance, err_msg=name)
    assert again.rules.pivot == line.rules.pivot
    assert design.name == "both <ways> & back"
    np.testing.assert_allclose(counted.starts, count.starts, rtol=0, atol=1e-9)
    np.testing.assert_allclose(counted.first, count.first, rtol=0, atol=1e-9)


def test_a_vertical_clothoid_is_refused_since_the_schema_has_none() -> None:
    vertical = [VerticalElement("clothoid", 0.0, 100.0, 0.0, 0.01, level=0.0)]
    line = build([HorizontalElement("straight", 100.0, easting=0, northing=0, bearing=0)], vertical)
    with pytest.raises(InputError, match=r"vertical element 1: expected .* found clothoid"):
        landxml_of(line, chainage_count(0.0, 100.0), "v", MADE)


def test_points_there_and_back(tmp_path: Path) -> None:
    xyz = np.array([[431208.45512345, 186740.1187654, 212.48], [1.0, 2.0, -3.25]])
    path = tmp_path / "points.xml"
    path.write_bytes(to_bytes(landxml_of(None, None, "p", MADE, [PointGroup("g", MEASURED, ["C1", "<&>"], xyz)])))
    told = read_cg_points(path, Faults())
    assert told is not None
    assert told.names == ("C1", "<&>")
    assert np.array_equal(told.xyz, xyz)


BAD = [
    (document("<Alignment/>").replace("LandXML ", "LandXXX ").replace("/LandXML", "/LandXXX"), "outermost element"),
    ("<LandXML/>", "Metric or Imperial units"),
    (document(alignment_of(STRAIGHT), "furlong"), "linearUnit"),
    (document(alignment_of(STRAIGHT), direction="mils"), "directionUnit"),
    (document(""), "an alignment"),
    (document(alignment_of("<CoordGeom/>")), "elements in CoordGeom"),
    (document(alignment_of("<CoordGeom><IrregularLine/></CoordGeom>")), "Line, Curve or Spiral, found IrregularLine"),
    (document(alignment_of(STRAIGHT.replace("2300 1400", "2300,5 1400"))), "decimal comma?"),
    (document(alignment_of(STRAIGHT.replace("2300 1400", "2300"))), "northing and easting"),
    (document(alignment_of(STRAIGHT.replace("2300 1400", "nan 1400"))), "northing and easting"),
    (document(alignment_of(STRAIGHT.replace("<Start>2000 1000</Start>", ""))), "a Start point, found none"),
    (document(alignment_of(CURVE.format(rot="left", end="5 5", centre="", more=""))), "cw or ccw, found 'left'"),
    (document(alignment_of(STRAIGHT, profile="")), "a profile"),
    (document(alignment_of(STRAIGHT, LEVEL.format(end=-5))), "after that of the point before it"),
    (document(alignment_of(STRAIGHT, more=CANT.format(pivot="rightRail", hand="cw"))), "low rail or the centre line"),
    (document(alignment_of(STRAIGHT, more=CANT.format(pivot="center", hand="west"))), "cw or ccw, found 'west'"),
    (document(alignment_of(STRAIGHT)).replace("</Alignments>", ""), "well-formed XML"),
    (document(alignment_of(STRAIGHT))[:-40], "well-formed XML"),
    ("not xml at all", "well-formed XML"),
    ("", "well-formed XML"),
]


@pytest.mark.parametrize(("text", "words"), BAD)
def test_what_is_wrong_is_told_with_its_place(tmp_path: Path, text: str, words: str) -> None:
    design, faults = read(tmp_path, text)
    assert design is None
    assert any(words in str(fault) for fault in faults.errors), faults.errors
    assert all(fault.where.startswith("line.xml") for fault in faults.errors)


@pytest.mark.parametrize("spiral", ["radioid", "japaneseCubic", "biquadraticParabola", "sineHalfWave", "clothid", ""])
def test_spirals_without_a_law_here_are_refused_with_the_reason(tmp_path: Path, spiral: str) -> None:
    geometry = (
        f'<CoordGeom><Spiral length="100" radiusStart="INF" radiusEnd="300" rot="cw" spiType="{spiral}">'
        "<Start>0 0</Start><PI>60 0</PI><End>99 5</End></Spiral></CoordGeom>"
    )
    design, faults = read(tmp_path, document(alignment_of(geometry)))
    assert design is None
    assert "line.xml:4: Spiral: spiType: expected one of clothoid, bloss" in str(faults.errors[0])
    assert ("did you mean" in str(faults.errors[0])) == (spiral == "clothid")


def test_ten_faults_are_ten_messages(tmp_path: Path) -> None:
    lines = "".join(f"<Line><Start>0 {k}</Start><End>0 x{k}</End></Line>" for k in range(10))
    _, faults = read(tmp_path, document(alignment_of(f"<CoordGeom>{lines}</CoordGeom>")))
    assert sum("northing and easting" in str(fault) for fault in faults.errors) == 10


def test_jumps_name_the_element_that_starts_there(tmp_path: Path) -> None:
    geometry = (
        "<CoordGeom>\n<Line><Start>0 0</Start><End>100 0</End></Line>\n"
        '<Line name="second"><Start>100.5 0</Start><End>500.5 0</End></Line></CoordGeom>'
    )
    design, faults = read(tmp_path, document(alignment_of(geometry)))
    assert design is not None
    assert build_design(design, faults) is None
    assert "line.xml:6: Line 'second': expected elements that join, found position jumps by +500 mm" in str(
        faults.errors[0]
    )


def test_entities_are_not_expanded(tmp_path: Path) -> None:
    bomb = '<!DOCTYPE b [<!ENTITY a "1234567890">' + "".join(
        f'<!ENTITY {chr(98 + k)} "{f"&{chr(97 + k)};" * 10}">' for k in range(9)
    )
    begun = time.perf_counter()
    design, faults = read(tmp_path, document(alignment_of(STRAIGHT.replace("2000", "&j;")), head=bomb + "]>"))
    assert design is None
    assert "document type declaration" in str(faults.errors[0]) or "well-formed" in str(faults.errors[0])
    outside = f'<!DOCTYPE b [<!ENTITY x SYSTEM "file://{tmp_path}/secret">]>'
    (tmp_path / "secret").write_text("2000")
    design, faults = read(tmp_path, document(alignment_of(STRAIGHT.replace("2000", "&x;")), head=outside))
    assert design is None
    assert time.perf_counter() - begun < 2


def test_depth_and_size_are_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    design, faults = read(tmp_path, "<a>" * 100_000 + "</a>" * 100_000)
    assert design is None
    assert "well-formed XML" in str(faults.errors[0])
    monkeypatch.setattr(xml_files, "LARGEST_XML", 100)
    design, faults = read(tmp_path, document(alignment_of(STRAIGHT)))
    assert design is None
    assert "a file of at most" in str(faults.errors[0])


def test_what_is_written_names_its_namespace_and_units() -> None:
    line = line_of("clothoid", False, 1)
    root = etree.fromstring(to_bytes(landxml_of(line, chainage_count(0.0, line.length), "n", MADE)))
    assert root.tag == f"{{{NAMESPACE}}}LandXML"
    assert root.get("version") == "1.2"
    assert root.find(f"{{{NAMESPACE}}}Units/{{{NAMESPACE}}}Metric").get("linearUnit") == "meter"


def test_a_curve_without_a_centre_is_the_smaller_arc(tmp_path: Path) -> None:
    # 30 degrees of a circle of 500 m to the left, from due north: x = -R (1 - cos), y = R sin
    x, y = -500 * (1 - math.cos(math.pi / 6)), 500 * math.sin(math.pi / 6)
    text = document(alignment_of(CURVE.format(rot="ccw", end=f"{y!r} {x!r}", centre="", more=""),
                                 LEVEL.format(end=500 * math.pi / 6)))  # fmt: skip
    alignment = built(tmp_path, text)
    assert alignment.length == pytest.approx(500 * math.pi / 6, abs=1e-6)
    ends = evaluate(alignment, [0.0, alignment.length])
    assert np.degrees(ends.bearing).tolist() == pytest.approx([0.0, 330.0], abs=1e-6)


def test_adverse_cant_leans_outwards(tmp_path: Path) -> None:
    cant = CANT.format(pivot="center", hand="cw").replace('appliedCant="120"', 'appliedCant="20" adverse="true"')
    alignment = built(tmp_path, document(alignment_of(STRAIGHT, more=cant)))
    assert float(evaluate(alignment, 250.0).cant) == pytest.approx(-0.020, abs=1e-12)


def test_places_of_the_cant_stay_with_their_elements(tmp_path: Path) -> None:
    # before the first station and after the last one the cant is drawn out: four elements, two of them the file's
    cant = CANT.format(pivot="center", hand="cw").replace("<CantStation", "\n\n\n<CantStation")
    design, _ = read(tmp_path, document(alignment_of(STRAIGHT, more=cant)))
    assert design is not None
    assert [e.kind for e in design.cant] == ["constant", "bloss", "constant", "constant"]
    assert len(design.where["cant"]) == len(design.cant)
    lines = [where.split(":")[1] for where in design.where["cant"]]
    assert lines[0] == lines[1]
    assert lines[2] == lines[3] != lines[1]
