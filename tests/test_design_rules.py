"""The design against limits of running: formulas, worst values, remedies, speeds."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from project_copies import copy_of_demo, run

from geometry.alignment import Alignment, CantElement, HorizontalElement, TrackRules, VerticalElement, build
from geometry.alignment.design_rules import (
    QUANTITIES,
    DesignLimit,
    DesignQuantity,
    Measured,
    allowed_speed,
    measure,
    speed_profile,
)
from geometry.exchange.rules_files import shipped_limits

REFERENCE = Path(__file__).parent / "reference"
KINDS = ("clothoid", "bloss", "cosine", "sine", "helmert")
# largest slope of the laws on [0, 1], by hand from their formulas
STEEPEST = {"clothoid": 1.0, "bloss": 1.5, "cosine": math.pi / 2, "sine": 2.0, "helmert": 2.0, "viennese": 35 / 16}


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


def line(
    radius: float = 7000.0, length: float = 670.0, cant: float = 0.175, kind: str = "clothoid", base: float = 1.5,
    hand: int = 1, arc: float = 800.0, profile: tuple[VerticalElement, ...] = (),
) -> Alignment:  # fmt: skip
    """Straight, transition into an arc, transition out, straight."""
    bend, high = hand / radius, hand * cant
    law: Any = kind
    ramp: Any = "linear" if kind == "clothoid" else kind
    lengths = [500.0, length, arc, length, 500.0]
    starts = np.cumsum([0.0, *lengths])
    horizontal = [
        HorizontalElement("straight", 500.0, easting=1000.0, northing=2000.0, bearing=0.7),
        HorizontalElement(law, length, 0.0, bend),
        HorizontalElement("arc", arc, bend, bend),
        HorizontalElement(law, length, bend, 0.0),
        HorizontalElement("straight", 500.0),
    ]
    canted = (
        []
        if not cant
        else [
            CantElement("constant", 0.0, 500.0, 0.0, 0.0),
            CantElement(ramp, float(starts[1]), length, 0.0, high),
            CantElement("constant", float(starts[2]), arc, high, high),
            CantElement(ramp, float(starts[3]), length, high, 0.0),
            CantElement("constant", float(starts[4]), 500.0, 0.0, 0.0),
        ]
    )
    level = (VerticalElement("gradient", 0.0, float(starts[-1]), 0.005, 0.005, level=100.0),)
    return build(horizontal, profile or level, canted, TrackRules(cant_base=base))


def of(alignment: Alignment, quantity: DesignQuantity, speed: float = 350.0, slow: float | None = None) -> Measured:
    return measure(alignment, speed, slow).by_quantity[quantity]


def limit(quantity: DesignQuantity, normal: float, over: float = 0.0, upto: float = math.inf) -> DesignLimit:
    return DesignLimit(quantity, normal, None, over, upto, "test", "-", "from memory")


def test_curving_speeds_are_those_of_the_published_table() -> None:
    # 49 CFR Part 213, Appendix A, Table 1: its constant is that of a cant base of 60 inches, rounded by 0.04 percent
    table = json.loads((REFERENCE / "curving_speeds.json").read_text())
    inch, mile = 0.0254, 1.609344
    compared = 0
    for degrees, speeds in table["speed_mph"].items():
        whole, minutes = degrees.split("d")
        radius = 50 * 0.3048 / math.sin(math.radians(int(whole) + int(minutes) / 60) / 2)
        for cant_in, printed in zip(table["cant_in"], speeds, strict=True):
            alignment = line(radius, 60.0, cant_in * inch, base=60 * inch, arc=100.0)
            found = of(alignment, "cant_deficiency", 100.0)
            row = found.element.tolist().index(3)
            speed = allowed_speed(found, [limit("cant_deficiency", table["deficiency_in"] * 25.4)], "normal")[row]
            assert abs(speed / mile - printed) <= 0.56, (degrees, cant_in)
            compared += 1
    assert compared == 78


def test_a_high_speed_transition_by_hand() -> None:
    # 350 km/h, R 7000 m, 175 mm, 670 m: closed forms 11.8 V^2/R - D, D V / (3.6 L), I V / (3.6 L)
    alignment = line()
    assert of(alignment, "cant_deficiency").value[2] == pytest.approx(31.5, abs=1e-9)
    assert of(alignment, "cant_gradient").value.tolist() == pytest.approx([175 / 670] * 2, abs=1e-9)
    assert of(alignment, "cant_rate").value.tolist() == pytest.approx([25.3939] * 2, abs=5e-5)
    rates = of(alignment, "deficiency_rate")
    assert rates.value[[1, 3]].tolist() == pytest.approx([4.5709] * 2, abs=5e-5)
    assert of(alignment, "radius").value.tolist() == pytest.approx([7000.0] * 3, abs=1e-3)
    assert of(alignment, "running_time").value.tolist() == pytest.approx([800 * 3.6 / 350], abs=1e-9)
    # the constant 11.8 is g = 9.80665 m/s^2 on 1500 mm, rounded
    exact = 1500 * (350 / 3.6) ** 2 / (9.80665 * 7000)
    assert abs(31.5 + 175 - exact) < 0.05


def test_excess_is_for_the_slowest_train_and_for_cant_on_a_straight() -> None:
    excess = of(line(cant=0.150), "cant_excess", 350.0, 120.0)
    assert excess.value[2] == pytest.approx(150 - 11.8 * 120**2 / 7000, abs=1e-9)
    canted = build(
        [HorizontalElement("straight", 400.0, easting=0, northing=0, bearing=0)],
        [VerticalElement("gradient", 0.0, 400.0, 0.0, 0.0, level=0.0)],
        [CantElement("constant", 0.0, 400.0, -0.04, -0.04)],
    )
    assert of(canted, "cant_excess").value.tolist() == pytest.approx([40.0], abs=1e-9)
    assert of(canted, "cant_deficiency").value.tolist() == pytest.approx([-40.0], abs=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_the_steepest_place_of_every_law_counts(kind: str) -> None:
    alignment = line(kind=kind)
    steepest = STEEPEST[kind]
    assert of(alignment, "cant_gradient").value[0] == pytest.approx(steepest * 175 / 670, abs=1e-6)
    assert of(alignment, "deficiency_rate").value[1] == pytest.approx(steepest * 4.5709, abs=1e-4)


def test_either_hand_is_the_same() -> None:
    right, left = measure(line(hand=1), 350, 200), measure(line(hand=-1), 350, 200)
    for quantity, measured in right.by_quantity.items():
        other = left.by_quantity[quantity]
        assert measured.element.tolist() == other.element.tolist(), quantity
        np.testing.assert_allclose(measured.value, other.value, rtol=0, atol=1e-7)


@pytest.mark.parametrize("quantity", ["cant_deficiency", "cant_rate", "deficiency_rate", "running_time"])
def test_the_speed_that_is_said_to_pass_just_passes(quantity: DesignQuantity) -> None:
    bound = {"cant_deficiency": 60.0, "cant_rate": 20.0, "deficiency_rate": 15.0, "running_time": 10.0}[quantity]
    alignment = line(radius=5500.0, kind="bloss")
    speed = allowed_speed(of(alignment, quantity), [limit(quantity, bound)], "normal")
    for row, v in enumerate(speed.tolist()):
        if math.isfinite(v):
            assert of(alignment, quantity, v).value[row] == pytest.approx(bound, abs=1e-6), row
            assert not of(alignment, quantity, v).beyond(bound)[row]
            assert of(alignment, quantity, v * 1.001).beyond(bound)[row]
    assert np.isfinite(speed).any()


def test_the_length_that_is_said_to_pass_just_passes() -> None:
    alignment = line(length=250.0, kind="sine")
    for quantity, bound in (("cant_gradient", 0.5), ("cant_rate", 40.0), ("deficiency_rate", 20.0)):
        found = of(alignment, quantity)
        row = int(np.nanargmax(found.value))
        needed = found.length_for(bound)[row]
        assert needed > 250
        again = of(line(length=needed, kind="sine"), quantity)
        assert np.nanmax(again.value) == pytest.approx(bound, abs=1e-6)


def vertical(kind: Any = "parabola") -> Alignment:
    # +12 to -8 permille over R 25000 m: 500 m of parabola
    profile = (
        VerticalElement("gradient", 0.0, 900.0, 0.012, 0.012, level=100.0),
        VerticalElement(kind, 900.0, 500.0, 0.012, -0.008),
        VerticalElement("gradient", 1400.0, 1740.0, -0.008, -0.008),
    )
    return line(profile=profile)


def test_a_vertical_curve_by_hand() -> None:
    # V^2 / (12.96 R): 0.378 m/s^2 at 350 km/h and R 25000 m
    alignment = vertical()
    assert of(alignment, "vertical_radius").value.tolist() == pytest.approx([25000.0], abs=6.0)
    acceleration = of(alignment, "vertical_acceleration")
    assert acceleration.value.tolist() == pytest.approx([0.37809], abs=1e-4)
    assert acceleration.element.tolist() == [2]
    # 0.35 V^2 and 0.175 V^2 are the two limits that come with the program
    for quantity_limit, factor in (("normal", 0.35), ("exceptional", 0.175)):
        shipped = next(x for x in shipped_limits() if x.quantity == "vertical_acceleration")
        assert getattr(shipped, quantity_limit) == pytest.approx(1 / (12.96 * factor), abs=1e-5)
    speed = allowed_speed(acceleration, [limit("vertical_acceleration", 1 / (12.96 * 0.35))], "normal")
    assert speed.tolist() == pytest.approx([math.sqrt(25000 / 0.35)], abs=0.05)
    assert of(vertical("arc"), "vertical_radius").value.tolist() == pytest.approx([25000.0], abs=5.0)
    assert of(alignment, "gradient").value.tolist() == pytest.approx([12.0, 12.0, 8.0], abs=1e-4)
    assert of(alignment, "gradient_change").value.size == 0


def test_overlap_and_an_abrupt_change_of_gradient_are_found() -> None:
    # the transition out of the arc reaches from 1970 to 2640 m, that into it from 500 to 1170 m
    alignment = vertical()
    overlap = of(alignment, "overlap")
    assert overlap.element.tolist() == [2]
    assert overlap.value.tolist() == pytest.approx([270.0], abs=1e-6)
    assert overlap.place.tolist() == pytest.approx([900.0], abs=1e-6)
    kinked = (
        VerticalElement("gradient", 0.0, 900.0, 0.012, 0.012, level=100.0),
        VerticalElement("gradient", 900.0, 2240.0, 0.010, 0.010),
    )
    from geometry.alignment import AllowedJump

    base = line()
    built = build(base.horizontal, kinked, base.cant, base.rules, [AllowedJump("gradient", 2)])
    assert of(built, "gradient_change").value.tolist() == pytest.approx([2.0], abs=1e-9)


def test_limits_hold_in_their_range_of_speeds() -> None:
    alignment = line(radius=7000.0, cant=0.100)
    found = of(alignment, "cant_deficiency")
    limits = [limit("cant_deficiency", 130.0, 0.0, 300.0), limit("cant_deficiency", 60.0, 300.0)]
    speed = allowed_speed(found, limits, "normal")[2]
    assert speed == pytest.approx(math.sqrt(160 * 7000 / 11.8), abs=1e-6)
    # tighter: 100 + 60 allow less than 300 km/h, so only the limit up to 300 km/h is left, and it allows 300
    tight = of(line(radius=5000.0, cant=0.100), "cant_deficiency")
    assert allowed_speed(tight, limits, "normal")[2] == pytest.approx(300.0, abs=1e-9)


def test_the_speed_profile_is_the_least_of_what_elements_allow() -> None:
    alignment = line(radius=5500.0)
    limits = [limit("cant_deficiency", 100.0), limit("cant_rate", 25.0), limit("running_time", 10.0)]
    profile = speed_profile(alignment, measure(alignment, 350.0), limits, "normal")
    assert profile.start[0] == 0
    assert profile.end[-1] == alignment.length
    assert np.array_equal(profile.end[:-1], profile.start[1:])
    arc = np.searchsorted(profile.start, 500 + 670 + 400.0, side="right") - 1
    assert profile.speed[arc] == pytest.approx(min(math.sqrt(275 * 5500 / 11.8), 800 * 3.6 / 10), abs=1e-6)
    assert profile.governs[arc] == "running_time"
    ramp = np.searchsorted(profile.start, 800.0, side="right") - 1
    assert profile.speed[ramp] == pytest.approx(25.0 * 3.6 / (175 / 670), abs=1e-6)
    assert np.isinf(profile.speed[0])


def test_all_shipped_limits_say_where_they_are_from() -> None:
    limits = shipped_limits()
    assert {x.quantity for x in limits} == set(QUANTITIES)
    for x in limits:
        assert x.source
        assert x.clause
        # high-speed values that were not read in their source have to say so
        assert x.checked in ("read", "secondary", "from memory")
        if x.normal is not None and x.exceptional is not None:
            largest = QUANTITIES[x.quantity][1]
            assert (x.normal <= x.exceptional) if largest else (x.normal >= x.exceptional)


def test_the_command_tells_what_is_beyond_and_what_would_pass(demo: Path) -> None:
    slow = run("rules", demo, "--speed", "200")
    assert slow.status == 0
    assert "! beyond" not in slow.out
    fast = run("rules", demo, "--speed", "350", "--json", "-")
    assert fast.status == 1
    told = json.loads(fast.out)
    beyond = [row for row in told["findings"] if row["verdict"] == "beyond"]
    worst = next(row for row in beyond if row["quantity"] == "cant deficiency" and row["element"] == 3)
    assert worst["value"] == pytest.approx(11.8 * 350**2 / 5200 - 130, abs=1e-3)
    assert worst["exceptional"] == 100.0
    assert worst["passes_speed_kmh"] == pytest.approx(math.sqrt((80 + 130) * 5200 / 11.8), abs=1e-3)
    assert all(row["source"] for row in beyond)


def test_a_project_replaces_limits_quantity_by_quantity(demo: Path) -> None:
    (demo / "rules.toml").write_text(
        '[[limit]]\nquantity = "cant_deficiency"\nnormal = 200.0\nexceptional = 250.0\n'
        'source = "an example"\nchecked = "read"\n'
    )
    told = json.loads(run("rules", demo, "--speed", "350", "--json", "-").out)
    rows = [row for row in told["findings"] if row["quantity"] == "cant deficiency"]
    assert {row["verdict"] for row in rows} == {"within normal"}
    assert {row["source"] for row in rows} == {"an example"}
    assert any(row["verdict"] == "beyond" for row in told["findings"])
    assert "rules.toml" in told["made_from"]["inputs_sha256"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[[limit]]\nquantity = "cant_deficency"\nnormal = 1.0\nsource = "a"\nchecked = "read"\n', "quantity"),
        ('[[limit]]\nquantity = "cant"\nsource = "a"\nchecked = "read"\n', "found neither"),
        ('[[limit]]\nquantity = "cant"\nnormal = "160"\nsource = "a"\nchecked = "read"\n', "normal"),
        ('[[limit]]\nquantity = "cant"\nnormal = 160.0\nsource = "a"\nchecked = "yes"\n', "checked"),
        ('[[limit]]\nquantity = "cant"\nnormal = 160.0\nsource = "a"\nchecked = "read"\n' * 2, "one limit for cant"),
        ("limit = 3\n", "limit"),
    ],
)
def test_bad_limits_are_told(demo: Path, text: str, words: str) -> None:
    (demo / "rules.toml").write_text(text)
    answer = run("rules", demo, "--speed", "250")
    assert answer.status == 2
    assert "rules.toml" in answer.err
    assert words in answer.err
    assert "Traceback" not in answer.err


def test_bad_speeds_are_told(demo: Path) -> None:
    for arguments in (("--speed", "fast"), ("--speed", "-5"), (), ("--speed", "200", "--slow", "300")):
        answer = run("rules", demo, *arguments)
        assert answer.status == 2, arguments
        assert "Traceback" not in answer.err


def test_every_row_says_clause_memory_and_what_would_pass(demo: Path) -> None:
    answer = run("rules", demo, "--speed", "350", "--json", "-")
    rows = json.loads(answer.out)["findings"]
    assert all(row["clause"] and row["checked"] in ("read", "secondary", "from memory") for row in rows)
    page = " ".join(run("rules", demo, "--speed", "350").out.split())
    assert "clause: 4.2.4.3, table (from memory)" in page
    # on an arc all places are alike, though a vertical curve begins on it: the first one is told
    assert "plan 3, arc 27+840.0 cant deficiency" in page
    by = {(row["quantity"], row["profile"], row["element"]): row for row in rows}
    ramp = by["rate of change of cant", "cant", 4]
    assert ramp["kind"] == "linear"
    # 235 mm over 320 m: D V / (3.6 L), to be kept by length or speed, at 50 and at 60 mm/s
    assert ramp["value"] == pytest.approx(235 * 350 / 3.6 / 320, abs=1e-3)
    assert ramp["passes_length_m"] == pytest.approx(235 * 350 / 3.6 / 50, abs=1e-3)
    assert ramp["exceptional_length_m"] == pytest.approx(235 * 350 / 3.6 / 60, abs=1e-3)
    assert ramp["passes_speed_kmh"] == pytest.approx(50 * 3.6 * 320 / 235, abs=1e-3)
    assert ramp["exceptional_speed_kmh"] == pytest.approx(60 * 3.6 * 320 / 235, abs=1e-3)
    # beyond the normal limit only: nothing has to be done for the exceptional one
    rate = by["rate of change of deficiency", "horizontal", 2]
    assert rate["verdict"] == "exceptional"
    assert rate["passes_length_m"] is not None
    assert rate["exceptional_length_m"] is None
    assert rate["kind"] == "clothoid"


def test_a_radius_is_held_against_its_limit() -> None:
    radius = next(x for x in shipped_limits() if x.quantity == "radius")
    assert radius.normal == 150.0  # EN 13803-2:2006, 7.3
    assert of(line(radius=140.0, length=40.0, arc=50.0), "radius", 60.0).beyond(150.0).all()
    assert not of(line(radius=160.0, length=40.0, arc=50.0), "radius", 60.0).beyond(150.0).any()


def test_abrupt_deficiency_is_limited_by_speed() -> None:
    # Regulation (EU) 1299/2014, 4.2.4.4, from memory
    steps = [x for x in shipped_limits() if x.quantity == "deficiency_step"]
    for speed, exceptional in ((50.0, 130.0), (60.0, 130.0), (160.0, 125.0), (220.0, 85.0), (350.0, 25.0)):
        assert [x.exceptional for x in steps if x.holds_at(speed)] == [exceptional]
