"""The rail of the demo from files to page: exactly what was planted, bad files, and the ways out."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from project_copies import DEMO, change, checked, copy_of_demo, demo_script, read_rows, run, write_rows

from geometry.alignment import evaluate
from geometry.errors import InputError
from geometry.exchange.project import Project, open_project
from geometry.exchange.rail_tables import limit_table, place_table, seat_table
from geometry.exchange.survey_files import read_survey, survey_paths
from geometry.placement import SectionCheck
from geometry.placement.rail.chords import Chord
from geometry.placement.rail.forecast import NO_ROOM, RailForecast
from geometry.placement.verdict import NOT_MEASURED, OUT, UNDECIDED, WITHIN
from viewer.rail_command import forecast_of

P, SEATS = "project.toml", "seats.csv"


@pytest.fixture(scope="module")
def script() -> ModuleType:
    return demo_script("make_seats")


@pytest.fixture(scope="module")
def demo() -> Project:
    return open_project(DEMO)


@pytest.fixture(scope="module")
def answer(demo: Project) -> SectionCheck:
    return checked(demo, read_survey(demo, survey_paths(DEMO), "fine"))


@pytest.fixture(scope="module")
def built(demo: Project, answer: SectionCheck) -> RailForecast:
    forecast, warnings = forecast_of(demo, answer)
    assert warnings == ()
    return forecast


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


def told(forecast: RailForecast, words: str) -> int:
    return [one.limit.words for one in forecast.limits].index(words)


def test_the_seats_are_made_again_byte_for_byte(script: ModuleType, tmp_path: Path) -> None:
    copy = tmp_path / "demo"
    shutil.copytree(DEMO, copy, ignore=shutil.ignore_patterns("*.csv.bak", "__pycache__"))
    (copy / SEATS).unlink()
    assert script.make(copy).read_bytes() == (DEMO / SEATS).read_bytes()
    assert (DEMO / SEATS).stat().st_size < 250_000


def test_no_printed_digit_of_a_seat_hangs_on_the_last_bit(script: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    made: dict[str, np.ndarray] = {}
    monkeypatch.setattr(script, "write_csv", lambda path, table, decimals: made.update(table))
    script.make(DEMO)
    for name in ("across_mm", "up_mm"):
        steps = made[name] * 1e2
        at_edge = np.abs(steps - np.floor(steps) - 0.5) < 1e-9
        # what is cut off at the factory's limit is printed the same by every machine
        assert (np.abs(made[name][at_edge]) == script.FACTORY_MM).all()


def test_exactly_the_planted_seat_is_out_of_gauge(script: ModuleType, demo: Project, built: RailForecast) -> None:
    gauge = built.limits[told(built, "gauge")]
    names = demo.layout.names[built.seats.slab]
    out = gauge.verdict[:, 0] == OUT
    slab, seat, rail, across = script.WIDE
    assert list(zip(names[out].tolist(), built.seats.seat[out].tolist(), strict=True)) == [(slab, seat)]
    other = next(
        float(row["across_mm"]) for row in read_rows(DEMO, SEATS)
        if (row["slab"], row["seat"], row["rail"]) == (slab, str(seat), "L")
    )  # fmt: skip
    assert rail == "R"
    assert gauge.value[out, 0] * 1e3 == pytest.approx(across - other, abs=0.002)
    assert not (gauge.verdict == UNDECIDED).any()
    unmeasured = np.isin(names, script.NOT_MEASURED)
    np.testing.assert_array_equal(gauge.verdict[:, 0] == NOT_MEASURED, unmeasured)
    readme = (DEMO / "README.md").read_text()
    for word in (slab, *script.NOT_MEASURED, str(script.SEED)):
        assert word in readme


def test_planted_slabs_show_in_level_and_cant(demo: Project, built: RailForecast) -> None:
    level, cant = (built.limits[told(built, words)] for words in ("level", "cant"))
    names = demo.layout.names[built.seats.slab]
    assert (level.verdict[names == "Q0137"] == OUT).all()
    assert built.deviation[names == "Q0137", :, 1].mean() == pytest.approx(3.4e-3, abs=0.3e-3)
    assert (cant.verdict[names == "Q0182"] == OUT).all()
    # 2.6 mrad over 1.5 m
    assert built.cant[names == "Q0182"].mean() == pytest.approx(2.6e-3 * 1.5, abs=0.3e-3)
    assert (level.verdict[names == "Q0318"] == NOT_MEASURED).all()
    for doubtful in ("Q0160", "Q0213", "Q0296"):
        assert (level.verdict[names == doubtful] == UNDECIDED).all()


def test_on_their_targets_only_seats_and_design_remain(demo: Project) -> None:
    forecast, _ = forecast_of(demo, None)
    names = demo.layout.names[forecast.seats.slab]
    gauge, twist, line = (
        forecast.limits[told(forecast, words)] for words in ("gauge", "twist over 3 m", "line, chord 5 + 5 m")
    )
    assert names[gauge.verdict[:, 0] == OUT].tolist() == ["Q0205"]
    # between the curves the cant turns over by 235 mm in 320 m: 2.2 mm over 3 m that a flat slab does not have
    out = forecast.seats.distance[twist.verdict[:, 0] == OUT]
    assert ((out > 640) & (out < 960)).sum() > 0.8 * out.size > 20
    cant = evaluate(demo.alignment, out + np.array([[-1.5], [1.5]])).cant
    assert (np.abs(cant[1] - cant[0]) > 1.4e-3).all()  # a seat of 0.2 mm cannot do it alone
    assert set(line.verdict.ravel().tolist()) == {WITHIN, NO_ROOM}
    assert np.nanmax(forecast.sigma) < 0.21e-3


def test_given_poses_take_the_place_of_the_measured_ones(demo: Project, answer: SectionCheck) -> None:
    corrected = np.where(np.isnan(answer.pose), np.nan, 0.0)
    planned, _ = forecast_of(demo, answer, corrected)
    target, _ = forecast_of(demo, None)
    known = ~np.isnan(planned.deviation)
    np.testing.assert_allclose(planned.deviation[known], target.deviation[known], rtol=0, atol=1e-12)
    assert (planned.sigma[known] > target.sigma[known]).all()


def test_tables_say_the_same_as_the_forecast(demo: Project, built: RailForecast) -> None:
    every = np.ones(len(built.seats.slab), dtype=bool)
    limits, seats = limit_table(demo, built, every), seat_table(demo, built)
    for i, one in enumerate(built.limits):
        counts = [int((one.verdict == code).sum()) for code in (WITHIN, OUT, UNDECIDED, NOT_MEASURED, NO_ROOM)]
        assert counts == [limits[n][i] for n in ("within", "out", "undecided", "not_measured", "no_room")]
        row = np.flatnonzero((seats["slab"] == limits["slab"][i]) & (seats["seat"] == limits["seat"][i]))
        if one.value.shape[1] == 2 and np.isfinite(limits["worst_mm"][i]):
            # limits of level and line are the same to either side: the worst is the largest
            assert abs(limits["worst_mm"][i]) == pytest.approx(np.nanmax(np.abs(one.value)) * 1e3, abs=1e-9)
            rail = 0 if limits["rail"][i] == "left" else 1
            assert one.value[row[0], rail] * 1e3 == pytest.approx(limits["worst_mm"][i], abs=1e-9)
    out = place_table(demo, built, every, OUT)
    assert int(out["seats"].sum()) == sum(int((one.verdict == OUT).sum()) for one in built.limits)
    assert (np.diff(out["from_chainage_m"]) >= 0).all()
    assert (np.abs(out["worst_mm"]) > out["high_mm"]).all()
    inside = (out["worst_chainage_m"] >= out["from_chainage_m"]) & (out["worst_chainage_m"] <= out["to_chainage_m"])
    assert inside.all()
    words = [one.limit.words for one in built.limits]
    for i in np.flatnonzero(out["seats"] > 2):
        of = built.limits[words.index(out["limit"][i])].value[:, 1 if out["rail"][i] == "right" else 0]
        rows = (seats["chainage_m"] >= out["from_chainage_m"][i]) & (seats["chainage_m"] <= out["to_chainage_m"][i])
        assert rows.sum() == out["seats"][i]
        assert abs(out["worst_mm"][i]) == pytest.approx(np.abs(of[rows]).max() * 1e3, abs=1e-9)
    gauge = out["limit"] == "gauge"
    assert (out["from_slab"][gauge].tolist(), out["seats"][gauge].tolist()) == (["Q0205"], [1])
    np.testing.assert_allclose(seats["gauge_mm"], 1435.0 + built.gauge * 1e3, rtol=0, atol=1e-9)


def test_worst_of_a_limit_that_is_not_the_same_to_either_side(project: Path) -> None:
    change(project, P, 'quantity = "level"\nlimit_mm = 1.0', 'quantity = "level"\nlow_mm = -0.2\nhigh_mm = 9.0')
    forecast, _ = forecast_of(open_project(project), None)
    every = np.ones(len(forecast.seats.slab), dtype=bool)
    table = limit_table(open_project(project), forecast, every)
    assert table["worst_mm"][0] == pytest.approx(np.nanmin(forecast.deviation[:, :, 1]) * 1e3, abs=1e-9)


def test_page_of_the_demo(project: Path) -> None:
    found = run("rail", project)
    assert found.status == 1
    assert found.err == ""
    lines = found.out.splitlines()
    assert max(map(len, lines)) <= 120
    assert lines[0] == "Quillmoor link, track 2: the rail before its fasteners are adjusted, slabs as built"
    assert re.search(r"^gauge +1 +\+1\.\d\d +0\.07 +Q0205 4 +27\+981\.4 +2121 +1 +0 +16 +0$", found.out, re.MULTILINE)
    assert "4,244 of 4,276 rail seats were measured" in found.out
    assert "gauge is not measured there" in " ".join(found.out.split())
    # the closed form at 5.28 m: 1 - cos(pi 10 / 5.28) = 0.06, and 1.87 for 2 + 8 m
    assert "chord 5 + 5 m: 0.06 (blind)" in " ".join(found.out.split())
    assert "chord 2 + 8 m: 1.87" in " ".join(found.out.split())
    assert "26 m in D1, 104 m in D2, 290 m in D3" in " ".join(found.out.split())
    assert "Slabs without a pose: Q0318." in found.out
    assert "Q0160, Q0213, Q0296" in found.out
    assert "furthest out of" in found.out
    assert "Places that are undecided" not in found.out
    longer = run("rail", project, "--all").out
    assert "Places that are undecided" in longer
    assert "Places that are not measured" in longer
    assert "furthest out of" not in longer


def test_without_a_file_of_seats_nothing_is_said_of_gauge(project: Path) -> None:
    (project / SEATS).unlink()
    found = run("rail", project, "--pose", "target")
    assert found.status == 1
    dash = "\N{EN DASH}"
    assert re.search(rf"^gauge +1 +{dash} +{dash} +0 +0 +0 +2138 +0$", found.out, re.MULTILINE)
    assert "No rail seat was measured on the cast slabs (seats.csv)." in found.out


def test_a_further_chord(project: Path) -> None:
    found = run("rail", project, "--chord", "20/20", "--chord", "5/5", "--chord", "3/12/4", "--json", "-")
    limits = [row["limit"] for row in json.loads(found.out)["limits"]]
    assert limits[18:] == [
        "level, chord 20 + 20 m", "line, chord 20 + 20 m",
        "level, chord 3 + 12 m, 4 m apart", "line, chord 3 + 12 m, 4 m apart",
    ]  # fmt: skip
    assert limits.count("level, chord 5 + 5 m") == 1
    for wrong in ("20", "20/", "a/5", "0/5", "5/5/5", "5/nan", "5/501", "1/2/3/4"):
        mistake = run("rail", project, "--chord", wrong)
        assert mistake.status == 2
        assert "expected REAR/FRONT or REAR/FRONT/APART in m" in " ".join(mistake.err.split())


def test_a_chord_adds_no_fault_and_hides_none(project: Path) -> None:
    (project / P).write_text(
        re.sub(r"\[\[rail\.limit\]\].*?(?=\n\[\[slab_type)", "", (project / P).read_text(), flags=re.S)
    )
    nothing = run("rail", project, "--pose", "target")
    assert nothing.status == 1
    assert "The project gives no limits of the rail" in nothing.out
    only = run("rail", project, "--pose", "target", "--chord", "5/5")
    assert only.status == 1  # nothing was judged
    assert "no" in only.out


def test_status_and_part_of_the_line(project: Path) -> None:
    text = (project / P).read_text()
    first = text.index("[[rail.limit]]")
    some = '[[rail.limit]]\nquantity = "gauge"\nlimit_mm = 1.0\nsource = "x"\n\n[[rail.limit]]\nquantity = "line"\n'
    some += 'rear_m = 5.0\nfront_m = 5.0\nlimit_mm = 2.0\nsource = "x"\n\n'
    (project / P).write_text(text[:first] + some + text[text.index("[[slab_type]]") :])
    assert run("rail", project, "--pose", "target", "--from", "Q0150", "--to", "Q0200").status == 0
    assert run("rail", project, "--pose", "target", "--from", "Q0150", "--to", "Q0210").status == 1  # out
    assert run("rail", project, "--pose", "target", "--from", "Q0140", "--to", "Q0150").status == 1  # not measured
    assert run("rail", project, "--from", "Q0220", "--to", "Q0240").status == 0
    assert run("rail", project, "--from", "Q0220", "--to", "Q0240", "--chord", "20/20").status == 0
    assert run("rail", project, "--from", "Q0158", "--to", "Q0162").status == 1  # undecided
    # the first slab has no room for the chord at all: nobody judged its line
    assert run("rail", project, "--from", "Q0101", "--to", "Q0101").status == 1
    assert run("rail", project, "--pose", "target", "--stage", "fine").status == 2
    assert run("rail", project, "--from", "Q0158", "--to", "nowhere").status == 2


def test_ways_out(project: Path) -> None:
    table, document = project.parent / "rail.csv", project.parent / "rail.json"
    assert run("rail", project, "--csv", table, "--json", document, "--from", "Q0204", "--to", "Q0206").status == 1
    lines = [line for line in table.read_text().splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    read = json.loads(document.read_text())
    assert [row["slab"] for row in rows] == ["Q0204"] * 8 + ["Q0205"] * 8 + ["Q0206"] * 8
    assert [row["slab"] for row in read["seats"]] == [row["slab"] for row in rows]
    assert list(read["seats"][0]) == list(rows[0])
    assert rows[11]["gauge_deviation_verdict"] == "out"
    assert float(rows[11]["gauge_mm"]) == pytest.approx(1436.27, abs=0.3)
    numbers = [name for name in rows[0] if re.fullmatch(r"[-+.\d]+", rows[0][name] or "x") and name != "seat"]
    assert all(name.endswith(("_m", "_mm")) for name in numbers)
    assert set(read["made_from"]["inputs_sha256"]) >= {P, SEATS, "survey/fine_adjustment.csv"}
    assert read["decision_rule"]["guard_factor"] == 2.0
    assert {place["limit"] for place in read["places_out"]} >= {"gauge"}
    for name in (SEATS, P, "horizontal.csv"):
        before = (project / name).read_bytes()
        assert run("rail", project, "--csv", project / name).status == 2
        assert (project / name).read_bytes() == before


_WHOLE = "a whole number of 1 to {}, counted from the rear of the slab"
FAULTS = {
    "unknown slab": ("Q0101,1,L", "Q9101,1,L", "seats.csv:2: slab: expected a slab of the layout, found 'Q9101'"),
    "seat beyond": ("Q0104,8,L", "Q0104,9,L", f"seat: expected {_WHOLE.format(8)}, found 9"),
    "half a seat": ("Q0101,2,L", "Q0101,2.5,L", f"seat: expected {_WHOLE.format(6)}, found 2.5"),
    "no such rail": ("Q0101,2,L", "Q0101,2,M", "seats.csv:4: rail: expected L or R, found 'M'"),
    "twice": ("Q0101,2,L", "Q0101,1,L", "seats.csv:4"),
    "metres": ("Q0101,2,L,0.34", "Q0101,2,L,340", "seats.csv:4: across_mm"),
    "no number": ("Q0101,2,L,0.34", "Q0101,2,L,nan", "seats.csv:4: across_mm"),
    "empty": ("Q0101,2,L,0.34", "Q0101,2,L,", "seats.csv:4: across_mm"),
    "seat zero": ("Q0101,2,L", "Q0101,0,L", "seats.csv:4: seat"),
    "column gone": ("up_mm", "upp_mm", "seats.csv"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_faults_of_the_seats(project: Path, fault: str) -> None:
    old, new, message = FAULTS[fault]
    change(project, SEATS, old, new)
    found = run("rail", project, "--pose", "target")
    assert found.status == 2
    assert message in found.err
    assert found.out == ""


def test_all_faults_of_the_seats_at_once(project: Path) -> None:
    change(project, SEATS, "Q0101,1,L", "Q9101,1,L")
    change(project, SEATS, "Q0104,8,L", "Q0104,9,L")
    with pytest.raises(InputError) as caught:
        forecast_of(open_project(project), None)
    assert len(caught.value.faults) == 2


def test_sigmas_of_single_seats(project: Path) -> None:
    rows = read_rows(project, SEATS)
    for row in rows:
        row["sigma_mm"] = "0.11" if row["slab"] == "Q0150" else ""
    write_rows(project, rows, SEATS)
    read = open_project(project)
    forecast, _ = forecast_of(read, None)
    names = read.layout.names[forecast.seats.slab]
    own = names == "Q0150"
    np.testing.assert_allclose(forecast.gauge_sigma[own], 0.11e-3 * np.sqrt(2), rtol=1e-9)
    measured = ~own & ~np.isin(names, ["Q0144", "Q0145"])
    np.testing.assert_allclose(forecast.gauge_sigma[measured], 0.05e-3 * np.sqrt(2), rtol=1e-9)


def test_the_order_of_the_rows_does_not_count(project: Path, demo: Project) -> None:
    rows = read_rows(project, SEATS)
    write_rows(project, rows[::-1], SEATS)
    turned, _ = forecast_of(open_project(project), None)
    as_is, _ = forecast_of(demo, None)
    np.testing.assert_array_equal(turned.deviation, as_is.deviation)
    np.testing.assert_array_equal(turned.gauge, as_is.gauge)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('quantity = "gauge"\nlimit_mm = 1.0', 'quantity = "gauge"\nrear_m = 5.0\nfront_m = 5.0\nlimit_mm = 1.0',
         "neither chord, band nor base for gauge"),
        ("base_m = 3.0\n", "", "base_m and nothing else for twist"),
        ("rear_m = 5.0\nfront_m = 5.0", "rear_m = 5.0", "rear_m and front_m of the chord, found only rear_m"),
        ("apart_m = 5.0", "apart_m = 15.0", "apart_m below front_m, found 15 and 15"),
        ('band = "D1"', 'band = "D4"', "D1"),
        ('band = "D1"', 'band = "D1"\nbase_m = 3.0', "a chord or a band for level, found band and base_m"),
        ("rear_m = 2.0\nfront_m = 8.0", "rear_m = 5.0\nfront_m = 5.0",
         "rail limits that differ, found 'level, chord 5 + 5 m' twice"),
        ("seat_sigma_mm = 0.05", "seat_sigma_mm = 0.0", "seat_sigma_mm"),
        ("unmeasured_seat_sigma_mm = 0.2", "unmeasured_seat_sigma_mm = -0.2", "unmeasured_seat_sigma_mm"),
    ],
)  # fmt: skip
def test_faults_of_the_settings(project: Path, old: str, new: str, message: str) -> None:
    change(project, P, old, new)
    found = run("rail", project, "--pose", "target")
    assert found.status == 2
    assert message in found.err


def test_a_misspelt_file_of_seats_is_told(project: Path) -> None:
    (project / SEATS).rename(project / "seat.csv")
    found = run("rail", project, "--pose", "target")
    assert "did you mean seats.csv?" in found.err


def test_chords_reach_the_rules(demo: Project) -> None:
    forecast, _ = forecast_of(demo, None, chords=(Chord(7.0, 3.0), Chord(5.0, 5.0)))
    assert [one.limit.words for one in forecast.limits[-2:]] == ["level, chord 7 + 3 m", "line, chord 7 + 3 m"]
