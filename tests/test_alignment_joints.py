"""Jumps between elements, gaps and overlaps of the profiles, impossible elements: all told, with sizes."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from geometry.alignment import AllowedJump, CantElement, HorizontalElement, VerticalElement, build, evaluate
from geometry.errors import AlignmentError, SlabposeError

FLAT = [VerticalElement("gradient", 0.0, 1000.0, 0.0, 0.0, level=0.0)]


def straight(length: float = 100.0, **more: Any) -> HorizontalElement:
    return HorizontalElement("straight", length, **more)


FIRST = straight(easting=10.0, northing=20.0, bearing=0.0)


def faults(*args: Any, **more: Any) -> list[str]:
    with pytest.raises(AlignmentError) as caught:
        build(*args, **more)
    assert isinstance(caught.value, SlabposeError)
    return str(caught.value).splitlines()


def test_a_jump_in_place_is_told_with_its_size() -> None:
    # 3 mm east and 4 mm north: 5 mm
    (fault,) = faults([FIRST, straight(easting=10.003, northing=120.004)], FLAT)
    assert fault == "position jumps by +5 mm where element 2 starts, at distance 100.000 m (at most 0.2 mm)"


@pytest.mark.parametrize("angle", [0.001, -0.001])
def test_a_kink_is_told_with_its_size_and_hand(angle: float) -> None:
    (fault,) = faults([FIRST, straight(bearing=angle)], FLAT)
    assert fault.startswith(f"bearing jumps by {angle * 1e3:+g} mrad where element 2 starts, at distance 100.000 m")


def test_a_full_turn_is_no_kink() -> None:
    line = build([FIRST, straight(bearing=2 * math.pi), straight(bearing=-4 * math.pi)], FLAT)
    assert not [j for j in line.joints if j.quantity == "bearing"]


def test_values_at_a_joint_are_those_of_what_starts_there() -> None:
    elements = [FIRST, HorizontalElement("arc", 50.0, -1 / 500, -1 / 500, bearing=0.01)]
    profile = [
        VerticalElement("gradient", 0.0, 100.0, 0.01, 0.01, level=0.0),
        VerticalElement("gradient", 100.0, 50.0, -0.02, -0.02),
    ]
    cant = [CantElement("constant", 0.0, 100.0, 0.02, 0.02), CantElement("constant", 100.0, 50.0, -0.05, -0.05)]
    allowed = [AllowedJump(q, 2) for q in ("bearing", "curvature", "gradient", "cant")]
    at = evaluate(build(elements, profile, cant, allowed_jumps=allowed), [np.nextafter(100.0, 0), 100.0])
    np.testing.assert_allclose(at.bearing, [0.0, 0.01], rtol=0, atol=1e-15)
    np.testing.assert_allclose(at.curvature, [0.0, -1 / 500], rtol=0, atol=1e-13)
    np.testing.assert_allclose(at.gradient, [0.01, -0.02], rtol=0, atol=1e-14)
    np.testing.assert_allclose(at.cant, [0.02, -0.05], rtol=0, atol=1e-15)


def test_bearings_stay_within_one_turn() -> None:
    left = [straight(easting=0.0, northing=0.0, bearing=0.1), HorizontalElement("arc", 700.0, -1 / 50, -1 / 50)]
    at = evaluate(build(left, FLAT, allowed_jumps=[AllowedJump("curvature", 2)]), np.linspace(0, 800, 801))
    assert ((at.bearing >= 0) & (at.bearing < 2 * math.pi)).all()
    assert float(at.bearing[-1]) == pytest.approx((0.1 - 14.0) % (2 * math.pi), abs=1e-13, rel=0)


def test_a_jump_in_curvature_is_told() -> None:
    (fault,) = faults([FIRST, HorizontalElement("arc", 50.0, -1 / 500, -1 / 500)], FLAT)
    assert fault.startswith("curvature jumps by -2 1/km where element 2 starts")


def test_jumps_of_the_profile_and_cant_are_told() -> None:
    rows = faults(
        [FIRST],
        [
            VerticalElement("gradient", 0.0, 40.0, 0.01, 0.01, level=5.0),
            VerticalElement("gradient", 40.0, 60.0, 0.012, 0.012, level=5.3),
        ],
        [CantElement("constant", 0.0, 30.0, 0.1, 0.1), CantElement("linear", 30.0, 70.0, 0.105, 0.0)],
    )
    assert rows == [
        "level jumps by -100 mm where element 2 starts, at distance 40.000 m (at most 0.2 mm)",
        "gradient jumps by +2 permille where element 2 starts, at distance 40.000 m (at most 0.01 permille)",
        "cant jumps by +5 mm where element 2 starts, at distance 30.000 m (at most 0.1 mm)",
    ]


def test_all_jumps_come_together() -> None:
    elements = [
        FIRST,
        straight(easting=10.003, northing=120.004),
        HorizontalElement("arc", 50.0, 1 / 500, 1 / 500, bearing=0.01),
    ]
    rows = faults(elements, FLAT)
    assert [row.split()[0] for row in rows] == ["position", "bearing", "curvature"]
    assert "+10 mrad where element 3 starts, at distance 200.000 m" in rows[1]


def test_rounding_of_files_passes_and_is_kept() -> None:
    line = build([FIRST, straight(easting=10.00005, northing=120.0, bearing=5e-6)], FLAT)
    sizes = {j.quantity: j.jump for j in line.joints}
    assert sizes["position"] == pytest.approx(5e-5, abs=1e-10, rel=0)
    assert sizes["bearing"] == pytest.approx(5e-6, abs=1e-14, rel=0)


@pytest.mark.parametrize(("miss", "passes"), [(0.19e-3, True), (0.21e-3, False)])
def test_the_limit_for_places(miss: float, passes: bool) -> None:
    elements = [FIRST, straight(easting=10.0 + miss, northing=120.0)]
    if passes:
        assert build(elements, FLAT).joints[0].jump == pytest.approx(miss, abs=1e-9, rel=0)
    else:
        assert faults(elements, FLAT)


def test_allowed_jumps() -> None:
    elements = [FIRST, straight(bearing=0.01), straight(bearing=0.03)]
    assert len(faults(elements, FLAT)) == 2
    (left,) = faults(elements, FLAT, allowed_jumps=[AllowedJump("bearing", 2)])
    assert "+20 mrad where element 3 starts" in left
    line = build(elements, FLAT, allowed_jumps=[AllowedJump("bearing", 2), AllowedJump("bearing", 3)])
    assert [(j.element, round(j.jump, 12)) for j in line.joints] == [(2, 0.01), (3, 0.02)]
    # the same number for another quantity allows nothing
    assert len(faults(elements, FLAT, allowed_jumps=[AllowedJump("position", 2), AllowedJump("curvature", 3)])) == 2


def test_gaps_and_overlaps_come_together() -> None:
    rows = faults(
        [FIRST],
        [
            VerticalElement("gradient", 0.5, 39.5, 0.0, 0.0, level=5.0),
            VerticalElement("gradient", 40.25, 60.0, 0.0, 0.0),
        ],
        [
            CantElement("constant", 0.0, 30.0, 0.1, 0.1),
            CantElement("constant", 29.0, 30.0, 0.1, 0.1),
            CantElement("constant", 59.0, 40.0, 0.1, 0.1),
        ],
    )
    assert rows == [
        "vertical element 1 starts at distance 0.500 m, after the alignment does",
        "vertical element 1 leaves a gap of 0.250 m: it ends at distance 40.000 m, element 2 starts at 40.250 m",
        "cant element 1 overlaps the next by 1.000 m: it ends at distance 30.000 m, element 2 starts at 29.000 m",
        "cant elements end at distance 99.000 m, before the alignment does at 100.000 m",
    ]


@pytest.mark.parametrize(("end", "passes"), [(99.9995, True), (99.998, False)])
def test_the_end_may_miss_by_rounding(end: float, passes: bool) -> None:
    profile = [VerticalElement("gradient", 0.0, end, 0.0, 0.0, level=0.0)]
    if passes:
        assert build([FIRST], profile).length == 100.0
    else:
        assert "before the alignment does" in faults([FIRST], profile)[0]


@pytest.mark.parametrize(
    ("horizontal", "vertical", "what"),
    [
        ([], FLAT, "at least one horizontal"),
        ([FIRST], [], "at least one"),
        ([straight()], FLAT, "easting, northing and bearing"),
        ([straight(easting=1.0, northing=1.0)], FLAT, "bearing"),
        ([FIRST], [VerticalElement("gradient", 0.0, 100.0, 0.0, 0.0)], "needs a level"),
    ],
)
def test_what_is_missing_is_told(horizontal: list, vertical: list, what: str) -> None:
    assert what in "\n".join(faults(horizontal, vertical))


@pytest.mark.parametrize(
    ("kind", "arguments"),
    [
        (HorizontalElement, ("spiral", 10.0)),
        (HorizontalElement, ("straight", 10.0, 0.01)),
        (HorizontalElement, ("arc", 10.0, 0.01, 0.02)),
        (HorizontalElement, ("arc", 10.0, 0.0, 0.0)),
        (HorizontalElement, ("clothoid", 10.0, 0.01, 0.01)),
        (HorizontalElement, ("straight", 0.0)),
        (HorizontalElement, ("straight", -1.0)),
        (HorizontalElement, ("straight", math.nan)),
        (HorizontalElement, ("straight", math.inf)),
        (HorizontalElement, ("straight", 10.0, 0.0, 0.0, 5.0, None)),
        (HorizontalElement, ("clothoid", 10.0, 0.0, math.nan)),
        (HorizontalElement, ("bloss", 10.0, 0.0, 0.01, 0.0, 0.0, 0.0, "abscissa")),
        (VerticalElement, ("spline", 0.0, 10.0, 0.0, 0.0)),
        (VerticalElement, ("gradient", 0.0, 10.0, 0.0, 0.01)),
        (VerticalElement, ("parabola", 0.0, 10.0, 0.01, 0.01)),
        (VerticalElement, ("arc", 0.0, 0.0, 0.01, 0.02)),
        (VerticalElement, ("gradient", math.nan, 10.0, 0.0, 0.0)),
        (VerticalElement, ("gradient", 0.0, 10.0, 0.0, 0.0, math.nan)),
        (CantElement, ("clothoid", 0.0, 10.0, 0.0, 0.1)),
        (CantElement, ("linear", 0.0, 10.0, 0.1, 0.1)),
        (CantElement, ("constant", 0.0, 10.0, 0.0, 0.1)),
        (CantElement, ("linear", 0.0, -10.0, 0.0, 0.1)),
        (CantElement, ("linear", 0.0, 10.0, 0.0, math.inf)),
    ],
)
def test_impossible_elements_are_refused(kind: type, arguments: tuple) -> None:
    with pytest.raises(AlignmentError):
        kind(*arguments)


def test_the_smallest_radius() -> None:
    elements = [
        FIRST,
        HorizontalElement("clothoid", 50.0, 0.0, -1 / 400),
        HorizontalElement("arc", 50.0, -1 / 400, -1 / 400),
    ]
    assert build(elements, FLAT).smallest_radius == pytest.approx(400.0, abs=1e-6, rel=0)
    assert build([FIRST], FLAT).smallest_radius == math.inf
