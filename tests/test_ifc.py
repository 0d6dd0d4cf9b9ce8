"""IFC 4.3 (ISO 16739-1:2024): there and back, the library's own engine, files of strangers, and what is refused."""

from __future__ import annotations

import builtins
import math
from pathlib import Path
from typing import Any

import ifcopenshell
import ifcopenshell.api.alignment
import ifcopenshell.geom
import ifcopenshell.guid
import ifcopenshell.validate
import numpy as np
import pytest
from project_copies import DEMO
from test_landxml import JUMPS, LAWS, MADE, line_of

from geometry.alignment import Alignment, ChainageCount, chainage_count, evaluate, position
from geometry.alignment.frames import to_grid
from geometry.errors import Faults, SlabposeError
from geometry.exchange import ifc_files
from geometry.exchange.design import Design, build_design
from geometry.exchange.ifc_alignment import read_ifc
from geometry.exchange.ifc_slabs import write_slabs
from geometry.exchange.ifc_writing import ifc_model, write_alignment
from geometry.exchange.project import Project, open_project
from geometry.slabs import outline
from viewer.running import check_of


def model_of(line: Alignment, count: ChainageCount | None = None) -> Any:
    model, site, axis = ifc_model("line", MADE)
    write_alignment(model, site, axis, line, count or chainage_count(0.0, line.length), "line")
    return model


def read(tmp_path: Path, model: Any, name: str | None = None) -> tuple[Design | None, Faults]:
    path = tmp_path / "line.ifc"
    if isinstance(model, str | bytes):
        path.write_bytes(model.encode() if isinstance(model, str) else model)
    else:
        model.write(str(path))
    faults = Faults()
    return read_ifc(path, faults, name), faults


def again(tmp_path: Path, model: Any) -> tuple[Alignment, ChainageCount, Design, Faults]:
    design, faults = read(tmp_path, model)
    assert design is not None, faults.errors
    made = build_design(design, faults, allowed=JUMPS)
    assert made is not None, faults.errors
    return *made, design, faults


def same(a: Alignment, b: Alignment, tolerance: float = 1e-8) -> None:
    s = np.linspace(0, min(a.length, b.length), 3001)
    assert a.length == pytest.approx(b.length, abs=1e-6)
    was, is_now = evaluate(a, s), evaluate(b, s)
    for name, most in (("easting", tolerance), ("northing", tolerance), ("level", tolerance), ("bearing", 1e-9),
                       ("curvature", 1e-11), ("cant", 1e-10)):  # fmt: skip
        np.testing.assert_allclose(getattr(is_now, name), getattr(was, name), rtol=0, atol=most, err_msg=name)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("reverse", [False, True])
def test_a_round_trip_changes_nothing_and_the_file_is_valid(tmp_path: Path, law: str, reverse: bool) -> None:
    line = line_of(law, reverse, -1 if reverse else 1, "centre" if reverse else "low_rail")
    count = chainage_count(12000.0, line.length, [(12300.0, 12250.0), (12400.0, 12500.0)])
    model = model_of(line, count)
    log = ifcopenshell.validate.json_logger()
    ifcopenshell.validate.validate(model, log)
    assert not log.statements
    back, counted, _, faults = again(tmp_path, model)
    assert not faults.warnings  # above all: the curve that stands beside the segments agrees with them
    same(line, back)
    assert back.rules.pivot == line.rules.pivot
    np.testing.assert_allclose(counted.starts, count.starts, rtol=0, atol=1e-9)
    np.testing.assert_allclose(counted.first, count.first, rtol=0, atol=1e-9)


@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_the_rules_of_the_schema_hold_too() -> None:
    # the library leaves the file of its own rules open, which is none of ours
    log = ifcopenshell.validate.json_logger()
    ifcopenshell.validate.validate(model_of(line_of("helmert", True, -1)), log, express_rules=True)
    assert not log.statements


@pytest.mark.parametrize("law", LAWS)
def test_the_engine_of_the_library_draws_the_same_curve(law: str) -> None:
    # ifcopenshell's geometry engine evaluates the curve on its own: within 10 um in plan and level
    line = line_of(law, True, 1)
    model = model_of(line)
    curve = model.by_type("IfcGradientCurve")[0]
    settings = ifcopenshell.geom.settings()
    item = ifcopenshell.ifcopenshell_wrapper.map_shape(settings, curve)
    engine = ifcopenshell.ifcopenshell_wrapper.function_item_evaluator(settings, item)
    s = np.arange(0.0, line.length, 3.0)
    matrices = np.array([np.array(engine.evaluate(float(d))) for d in s])
    drawn = matrices[:, :3, 3] if np.abs(matrices[:, 3, :3]).max() == 0 else matrices[:, 3, :3]
    assert np.abs(drawn - position(line, s)).max() < 10e-6


@pytest.mark.parametrize("schema", ["IFC4X3", "IFC4X3_RC4", "IFC4X3_ADD1"])
def test_candidates_and_corrections_of_the_schema_are_read(tmp_path: Path, schema: str) -> None:
    line = line_of("bloss", False, 1)
    text = model_of(line).to_string().replace("IFC4X3_ADD2", schema)
    same(line, again(tmp_path, text)[0])


def scaled(line: Alignment, milli: bool, degrees: bool, count: ChainageCount) -> Any:  # noqa: PLR0912 - one file, all its units
    """The same line in a file with millimetres or degrees."""
    model = model_of(line, count)
    factor = 1e3 if milli else 1.0
    units = {u.UnitType: u for u in model.by_type("IfcSIUnit")}
    if milli:
        units["LENGTHUNIT"].Prefix = "MILLI"
    for p in model.by_type("IfcAlignmentHorizontalSegment"):
        p.StartPoint.Coordinates = tuple(c * factor for c in p.StartPoint.Coordinates)
        for name in ("StartRadiusOfCurvature", "EndRadiusOfCurvature", "SegmentLength"):
            setattr(p, name, getattr(p, name) * factor)
        if p.GravityCenterLineHeight:
            p.GravityCenterLineHeight *= factor
        if degrees:
            p.StartDirection = math.degrees(p.StartDirection)
    for p in model.by_type("IfcAlignmentVerticalSegment"):
        for name in ("StartDistAlong", "HorizontalLength", "StartHeight", "RadiusOfCurvature"):
            if getattr(p, name) is not None:
                setattr(p, name, getattr(p, name) * factor)
    for p in model.by_type("IfcAlignmentCantSegment"):
        for name in ("StartDistAlong", "HorizontalLength", "StartCantLeft", "EndCantLeft", "StartCantRight",
                     "EndCantRight"):  # fmt: skip
            setattr(p, name, getattr(p, name) * factor)
    model.by_type("IfcAlignmentCant")[0].RailHeadDistance *= factor
    for v in model.by_type("IfcPropertySingleValue"):
        v.NominalValue = model.createIfcLengthMeasure(v.NominalValue.wrappedValue * factor)
    for v in model.by_type("IfcPointByDistanceExpression"):
        v.DistanceAlong = model.createIfcLengthMeasure(v.DistanceAlong.wrappedValue * factor)
    model.by_type("IfcAlignment")[0].Representation = None
    if degrees:
        radian = model.createIfcMeasureWithUnit(
            model.createIfcPlaneAngleMeasure(math.pi / 180), units["PLANEANGLEUNIT"]
        )
        dimensions = model.createIfcDimensionalExponents(0, 0, 0, 0, 0, 0, 0)
        degree = model.createIfcConversionBasedUnit(dimensions, "PLANEANGLEUNIT", "DEGREE", radian)
        assignment = model.by_type("IfcUnitAssignment")[0]
        assignment.Units = [u for u in assignment.Units if u != units["PLANEANGLEUNIT"]] + [degree]
    return model


@pytest.mark.parametrize(("milli", "degrees"), [(True, False), (False, True), (True, True)])
def test_units_are_those_of_the_file(tmp_path: Path, milli: bool, degrees: bool) -> None:
    line = line_of("viennese", False, 1)
    count = chainage_count(12000.0, line.length)
    back, counted, _, _ = again(tmp_path, scaled(line, milli, degrees, count))
    same(line, back, 1e-7)
    assert counted.first.tolist() == pytest.approx([12000.0], abs=1e-6)
    assert back.rules.cant_base == pytest.approx(1.5, abs=1e-12)


def test_placements_upon_placements_and_a_map_conversion(tmp_path: Path) -> None:
    line = line_of("clothoid", False, 1)
    model = model_of(line)
    alignment = model.by_type("IfcAlignment")[0]

    def placed(under: Any, xyz: tuple[float, float, float], turn: float) -> Any:
        x = model.createIfcDirection((math.cos(turn), math.sin(turn), 0.0))
        z = model.createIfcDirection((0.0, 0.0, 1.0))
        return model.createIfcLocalPlacement(
            under, model.createIfcAxis2Placement3D(model.createIfcCartesianPoint(xyz), z, x)
        )  # fmt: skip

    alignment.ObjectPlacement = placed(placed(None, (100.0, 50.0, 7.0), 0.3), (20.0, -30.0, 1.0), 0.2)
    context = model.by_type("IfcGeometricRepresentationContext", include_subtypes=False)[0]
    crs = model.createIfcProjectedCRS("EPSG:25832", None, None, None, None, None, None)
    turn, scale = 0.4, 0.9996
    model.createIfcMapConversion(context, crs, 5e5, 6e6, 30.0, math.cos(turn), math.sin(turn), scale)
    back, _, design, _ = again(tmp_path, model)

    def onto(x: float, y: float, at: tuple[float, float], angle: float, by: float = 1.0) -> tuple[float, float]:
        c, s = math.cos(angle), math.sin(angle)
        return at[0] + by * (c * x - s * y), at[1] + by * (s * x + c * y)

    for s in (0.0, 500.0, 700.0):
        east, north, level = position(line, s).tolist()
        inside = onto(*onto(east, north, (20.0, -30.0), 0.2), (100.0, 50.0), 0.3)
        grid = onto(*inside, (5e5, 6e6), turn, scale)
        got = position(back, s * scale).tolist()
        assert got[:2] == pytest.approx(grid, abs=1e-6)
        assert got[2] == pytest.approx(level + 38.0, abs=1e-7)
    assert back.rules.grid_scale == pytest.approx(scale, abs=1e-12)
    assert any("EPSG:25832" in note for note in design.notes)


def test_unsorted_segments_are_put_in_line(tmp_path: Path) -> None:
    line = line_of("sine", False, 1)
    model = model_of(line)
    for kind in ("IfcAlignmentHorizontal", "IfcAlignmentVertical", "IfcAlignmentCant"):
        nest = model.by_type(kind)[0].IsNestedBy[0]
        rows = list(nest.RelatedObjects)
        nest.RelatedObjects = [rows[2], rows[0], rows[-1], *rows[1:2], *rows[3:-1]]
    model.by_type("IfcAlignment")[0].Representation = None
    back, _, design, _ = again(tmp_path, model)
    same(line, back)
    assert any("put in line" in note for note in design.notes)


def test_unknown_property_sets_and_missing_cant_are_no_trouble(tmp_path: Path) -> None:
    line = line_of("cosine", False, 1)
    model = model_of(line)
    alignment = model.by_type("IfcAlignment")[0]
    value = model.createIfcPropertySingleValue("Colour", None, model.createIfcLabel("blue"), None)
    sheet = model.createIfcPropertySet(ifcopenshell.guid.new(), None, "Pset_Of_Someone", None, [value])
    model.createIfcRelDefinesByProperties(ifcopenshell.guid.new(), None, None, None, [alignment], sheet)
    nest = next(r for r in alignment.IsNestedBy if any(o.is_a("IfcAlignmentCant") for o in r.RelatedObjects))
    nest.RelatedObjects = [o for o in nest.RelatedObjects if not o.is_a("IfcAlignmentCant")]
    back, _, design, faults = again(tmp_path, model)
    assert not faults.warnings
    assert np.abs(evaluate(back, np.linspace(0, 800, 50)).cant).max() == 0
    assert "no cant in the file: none is assumed" in design.notes


def test_several_alignments_are_asked_for_by_name(tmp_path: Path) -> None:
    model, site, axis = ifc_model("two", MADE)
    for name, hand in (("up", 1), ("down", -1)):
        line = line_of("clothoid", False, hand)
        write_alignment(model, site, axis, line, chainage_count(0.0, line.length), name)
    design, faults = read(tmp_path, model)
    assert design is None
    assert "'up', 'down'" in str(faults.errors[0])
    design, _ = read(tmp_path, model, "down")
    assert design is not None
    assert design.horizontal[1].curvature_end < 0


@pytest.mark.parametrize("law", ["clothoid", "bloss", "cosine", "sine", "helmert", "cubic"])
@pytest.mark.parametrize("hand", [1, -1])
def test_a_curve_without_segments_is_read_all_the_same(tmp_path: Path, law: str, hand: int) -> None:
    line = line_of(law, True, hand)
    model = model_of(line)
    alignment = model.by_type("IfcAlignment")[0]
    for relation in list(alignment.IsNestedBy):
        kept = [o for o in relation.RelatedObjects if o.is_a("IfcReferent")]
        if kept:
            relation.RelatedObjects = kept
        else:
            model.remove(relation)
    back, _, design, _ = again(tmp_path, model)
    s = np.linspace(0, line.length - 1e-6, 2001)
    assert np.abs(position(back, s) - position(line, s)).max() < 1e-6
    assert any("only curves stand in the file" in note for note in design.notes)


def test_a_viennese_bend_by_its_curve_alone_is_refused(tmp_path: Path) -> None:
    model = model_of(line_of("viennese", False, 1))
    for relation in list(model.by_type("IfcAlignment")[0].IsNestedBy):
        model.remove(relation)
    design, faults = read(tmp_path, model)
    assert design is None
    assert "IfcSeventhOrderPolynomialSpiral has no law" in str(faults.errors[0])


def test_where_segments_and_curve_disagree_is_told(tmp_path: Path) -> None:
    line = line_of("clothoid", False, 1)
    model = model_of(line)
    model.by_type("IfcClothoid")[0].ClothoidConstant *= 1.01
    segment = model.by_type("IfcCompositeCurve")[0].Segments[2]
    x, y = segment.Placement.Location.Coordinates
    segment.Placement.Location = model.createIfcCartesianPoint((x + 0.003, y - 0.004))
    back, _, _, faults = again(tmp_path, model)
    texts = [str(fault) for fault in faults.warnings]
    assert any("'plan 3'" in t and "the same start in its curve, found 5 mm apart" in t for t in texts)
    assert any("'plan 2'" in t and "curvature at its end" in t for t in texts)
    same(line, back)


def broken(**changes: Any) -> Any:
    model = model_of(line_of("clothoid", False, 1))
    for place, value in changes.items():
        kind, number, name = place.split("__")
        setattr(model.by_type(kind)[int(number)], name, value)
    return model


def high_rail() -> Any:
    model = model_of(line_of("clothoid", False, 1))
    for p in model.by_type("IfcAlignmentCantSegment"):
        for end in ("Start", "End"):
            left, right = getattr(p, f"{end}CantLeft"), getattr(p, f"{end}CantRight")
            setattr(p, f"{end}CantLeft", left - max(left, right))
            setattr(p, f"{end}CantRight", right - max(left, right))
    return model


def without(kind: str) -> Any:
    model = model_of(line_of("clothoid", False, 1))
    for relation in model.by_type("IfcRelNests"):
        kept = [o for o in relation.RelatedObjects if not o.is_a(kind)]
        if len(kept) < len(relation.RelatedObjects):
            if kept:
                relation.RelatedObjects = kept
            else:
                model.remove(relation)
    return model


BAD = [
    (lambda: broken(IfcAlignmentHorizontalSegment__1__SegmentLength=-5.0), "elements that join"),
    (lambda: broken(IfcAlignmentHorizontalSegment__2__EndRadiusOfCurvature=800.0), "an arc has one radius"),
    (lambda: broken(IfcAlignmentHorizontalSegment__1__StartDirection=4.2), "bearing jumps"),
    (lambda: broken(IfcAlignmentVerticalSegment__1__EndGradient=0.02), "one gradient, as it is constant"),
    (lambda: broken(IfcAlignmentVerticalSegment__1__StartHeight=90.0), "level jumps"),
    (lambda: broken(IfcAlignmentCantSegment__2__StartCantRight=-0.05), "one pivot for all of the cant"),
    (lambda: broken(IfcAlignmentCant__0__RailHeadDistance=1500.0), "RailHeadDistance: expected 0.5 to 2.5 m"),
    (high_rail, "found about the high rail"),
    (lambda: without("IfcAlignmentVertical"), "an IfcAlignmentVertical, found none"),
    (lambda: without("IfcAlignmentSegment"), "segments, found none"),
    (lambda: "ISO-10303-21;\nHEADER;\n", "END-ISO-10303-21 at the end"),
    (lambda: model_of(line_of("sine", False, 1)).to_string()[:5000], "cut off while it was written?"),
    (lambda: model_of(line_of("sine", False, 1)).to_string().replace("IFC4X3_ADD2", "IFC2X3"), "IFC4X3"),
    (lambda: b"\x89PNG" * 100, "which starts with ISO-10303-21"),
    (lambda: "", "which starts with ISO-10303-21"),
    (lambda: ifcopenshell.file(schema="IFC4X3_ADD2"), "an IfcAlignment, found none"),
]


@pytest.mark.parametrize(("make", "words"), BAD)
def test_what_is_wrong_is_told_with_its_place(tmp_path: Path, make: Any, words: str) -> None:
    design, faults = read(tmp_path, make())
    if design is not None:
        assert build_design(design, faults) is None
    assert any(words in str(fault) for fault in faults.errors), faults.errors
    assert all(fault.where.startswith("line.ifc") for fault in faults.errors)


def test_ten_faults_are_ten_messages(tmp_path: Path) -> None:
    model = model_of(line_of("clothoid", False, 1))
    for p in model.by_type("IfcAlignmentHorizontalSegment")[:5]:
        p.StartRadiusOfCurvature, p.EndRadiusOfCurvature = 700.0, 700.0 if p.PredefinedType != "CIRCULARARC" else 800.0
    model.by_type("IfcAlignmentCant")[0].RailHeadDistance = 15.0
    for s in model.by_type("IfcAlignmentSegment"):
        if s.Name.startswith(("profile", "cant")) and s.Name[-1] in "123":
            s.DesignParameters = None
    design, faults = read(tmp_path, model)
    assert design is None
    assert len(faults.errors) == 5, faults.errors  # the plan is wrong, and nothing can be said of what lies along it
    for p in model.by_type("IfcAlignmentHorizontalSegment"):
        p.PredefinedType, p.StartRadiusOfCurvature, p.EndRadiusOfCurvature = "LINE", 0.0, 0.0
    design, faults = read(tmp_path, model)
    assert len(faults.errors) == 7, faults.errors


def test_a_file_that_is_too_large_is_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ifc_files, "LARGEST_IFC", 1000)
    design, faults = read(tmp_path, model_of(line_of("clothoid", False, 1)))
    assert design is None
    assert "a file of at most" in str(faults.errors[0])


def test_without_the_library_one_line_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    true_import = builtins.__import__

    def lacking(name: str, *rest: Any, **more: Any) -> Any:
        if name.startswith("ifcopenshell"):
            raise ImportError(name)
        return true_import(name, *rest, **more)

    model_of(line_of("clothoid", False, 1)).write(str(tmp_path / "line.ifc"))
    monkeypatch.setattr(builtins, "__import__", lacking)
    with pytest.raises(SlabposeError, match=r"pip install 'slabpose\[ifc\]'"):
        read_ifc(tmp_path / "line.ifc", Faults())


@pytest.fixture(scope="module")
def demo() -> Project:
    return open_project(DEMO)


def test_slabs_lie_at_their_target_and_once_more_as_built(demo: Project) -> None:
    _, check = check_of(demo, (), None)
    model, site, axis = ifc_model("slabs", MADE)
    write_alignment(model, site, axis, demo.alignment, demo.count, "slabs")
    write_slabs(model, site, demo, check)
    log = ifcopenshell.validate.json_logger()
    ifcopenshell.validate.validate(model, log)
    assert not log.statements
    elements = {e.Name: e for e in model.by_type("IfcTrackElement")}
    n = len(demo.layout.names)
    assert len(elements) == n + int(check.fits.determined.sum())
    settings = ifcopenshell.geom.settings()
    settings.set("use-world-coords", True)
    for k in (0, 36, n - 1):
        name = str(demo.layout.names[k])
        kind = demo.types[int(demo.layout.type_index[k])]
        ring = np.array(outline(kind).exterior.coords)[:-1]
        top = np.column_stack([ring, np.zeros(len(ring))])
        for words, at, turned in (
            (name, demo.targets.position[k], demo.targets.rotation[k]),
            (f"{name} as built", check.fits.position[k], check.fits.rotation[k]),
        ):
            # the engine of the library draws the solid: its highest points are the outline of the top face
            vertices = np.array(ifcopenshell.geom.create_shape(settings, elements[words]).geometry.verts).reshape(-1, 3)
            wanted = to_grid(at[None], turned[None], top[None], 1.0)[0]
            miss = np.linalg.norm(vertices[:, None] - wanted[None], axis=2).min(axis=0)
            assert miss.max() < 1e-5
    sheet = ifcopenshell.util.element.get_psets(elements["Q0137"])["SlabCheck"]
    assert sheet["verdict"] == "out"
    assert sheet["up"] == pytest.approx(0.0036, abs=3e-4)
