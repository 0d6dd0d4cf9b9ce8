"""The command ready: its page, its files, its exit status, and what a project may set."""

from __future__ import annotations

import csv
import json
import math
import re
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geometry.exchange.bed_files import read_anchors, read_bed
from geometry.exchange.mortar_section import mortar_of
from geometry.exchange.project import open_project
from geometry.exchange.ready_section import ready_section
from geometry.placement.ready_reasons import REASON_WORDS
from tests.project_copies import SURVEY, change, copy_of_demo, read_rows, run, write_rows
from viewer.ready_page import READY_CAUTIONS, age_words
from viewer.running import check_of

AT = ("--at", "2031-05-14T22:00Z", "--no-plan")
INJECTED = {f"Q0{number}" for number in range(364, 370)}  # at the end of the demo
WAIVED = """[[ready.waived]]
what = "mortar gap"
because = "measured by hand at every corner"

[[ready.waived]]
what = "anchor"
because = "measured by hand in both notches"

[[tolerance]]
quantity = "across"
"""


def without_bed(folder: Path) -> None:
    shutil.rmtree(folder / "bed")
    (folder / "anchors.csv").unlink()


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """The demo without its bed: what lies under the slabs is measured by hand."""
    folder = copy_of_demo(tmp_path)
    without_bed(folder)
    change(folder, "project.toml", '[[tolerance]]\nquantity = "across"\n', WAIVED)
    return folder


def without_rail_limits(text: str) -> str:
    """Return a project file that holds the rail against nothing, so that a plan is quick."""
    return re.sub(r"\[\[rail\.limit\]\].*?(?=\n\[)", "", text, flags=re.DOTALL)


def slabs_of(project: Path, *more: object) -> dict[str, dict[str, Any]]:
    answer = run("ready", project, *AT, *more, "--json", "-")
    assert answer.err == ""
    return {slab["slab"]: slab for slab in json.loads(answer.out)["slabs"]}


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(line for line in path.read_text().splitlines() if not line.startswith("#")))


# -- the demo's planted faults -------------------------------------------------------------------------------


def test_the_demo_says_what_was_planted(project: Path) -> None:
    slabs = slabs_of(project)
    told = {name: slab["reasons"] for name, slab in slabs.items() if slab["reasons"]}
    joints = "joint behind out, joint ahead out"
    assert told == {
        "Q0136": "joint ahead out", "Q0137": f"pose out, {joints}", "Q0138": "joint behind out",
        "Q0159": "joint ahead undecided", "Q0160": "survey contradicts itself", "Q0161": "joint behind undecided",
        "Q0181": "joint ahead out", "Q0182": f"pose out, {joints}", "Q0183": "joint behind out",
        "Q0212": "joint ahead undecided", "Q0213": "three corners only, survey contradicts itself",
        "Q0214": "joint behind undecided",
        "Q0251": "joint ahead out", "Q0252": "joint behind out",
        "Q0295": "joint ahead undecided", "Q0296": "survey contradicts itself", "Q0297": "joint behind undecided",
        "Q0317": "joint ahead not measured", "Q0318": "not measured", "Q0319": "joint behind not measured",
    }  # fmt: skip
    for name, slab in slabs.items():
        assert slab["state"] == ("not ready" if name in told else "ready")
    # bare points without a slab's name have an age as well
    assert slabs["Q0120"]["age_h"] == pytest.approx(slabs["Q0119"]["age_h"], rel=0, abs=0.5)
    assert slabs["Q0318"]["age_h"] is None


def test_without_bed_nothing_is_ready(tmp_path: Path) -> None:
    folder = copy_of_demo(tmp_path)
    without_bed(folder)
    answer = run("ready", folder, *AT)
    assert answer.status == 1
    assert "  ready          0\n# not ready    269\n= injected       0\n" in answer.out
    assert "all 269 wait for this: mortar gap not surveyed, anchor clearance not known; " in answer.out
    assert "No slab is ready." in answer.out


def test_the_whole_demo_with_its_bed_and_its_injected_slabs(tmp_path: Path) -> None:
    """Bed, anchors and the joint to an injected slab, as the demo's README says what was planted."""
    folder = copy_of_demo(tmp_path, injected=True)
    document = json.loads(run("ready", folder, *AT, "--json", "-").out)
    slabs = {slab["slab"]: slab for slab in document["slabs"]}
    assert {name for name, slab in slabs.items() if slab["state"] == "injected"} == INJECTED
    assert slabs["Q0232"]["reasons"] == "mortar gap too small"
    assert slabs["Q0284"]["reasons"] == "mortar gap too large"
    assert slabs["Q0267"]["reasons"] == "anchor too close to the notch"
    assert slabs["Q0363"]["reasons"] == "joint ahead out"
    # bed level is told beside it; the gap decides
    assert {name for name, slab in slabs.items() if "bed out" in slab["warnings"]} == {"Q0232", "Q0284"}
    assert "rail over it out" in slabs["Q0137"]["warnings"]
    assert "undecided" not in {word for slab in slabs.values() for word in slab["warnings"].split()}
    # what follows from a slab's own survey is said once, by its cause
    assert slabs["Q0318"]["reasons"] == "not measured"
    assert slabs["Q0160"]["reasons"] == slabs["Q0296"]["reasons"] == "survey contradicts itself"
    assert document["summary"] == {"ready": 239, "not ready": 24, "injected": 6}
    assert document["looked_at"] == {"mortar_gap": True, "correction_plan": False, "rail": True}
    assert {"bed/viaduct.csv", "anchors.csv"} <= set(document["made_from"]["inputs_sha256"])
    for run_of_slabs in document["runs"]:
        # 5.2 m x 2.5 m x 55 mm and two notches less make 0.69 m3 a slab; the bed is rough by a few percent of that
        assert run_of_slabs["mortar_m3"] == pytest.approx(0.69 * run_of_slabs["slabs"], rel=0.06)
    page = run("ready", folder, *AT).out
    assert "better plans" not in page
    assert " later" not in page.split("Ready without a break")[0]  # injected slabs were measured after this injection
    assert "whether the correction plan moves slabs that are good by themselves" in page


def test_limits_that_a_project_lacks_leave_things_unknown(tmp_path: Path) -> None:
    folder = copy_of_demo(tmp_path)
    text = (folder / "project.toml").read_text()
    (folder / "project.toml").write_text(re.sub(r"\[mortar\.anchor\].*?(?=\n\[)", "", text, flags=re.DOTALL))
    part = ("--from", "Q0105", "--to", "Q0110")
    assert {slab["reasons"] for slab in slabs_of(folder, *part).values()} == {"anchor clearance not known"}
    with_notches = (folder / "project.toml").read_text()
    # a slab without notches has no anchor to be clear of
    without_notches = with_notches.replace("notch_radius_m = 0.26", "notch_radius_m = 0.0")
    (folder / "project.toml").write_text(without_notches)
    assert {slab["reasons"] for slab in slabs_of(folder, *part).values()} == {""}
    lacking = re.sub(r"\[mortar(\.\w+)?\].*?(?=\n\[)", "", with_notches, flags=re.DOTALL)
    (folder / "project.toml").write_text(lacking)
    told = {slab["reasons"] for slab in slabs_of(folder, *part).values()}
    assert told == {"mortar gap not surveyed, anchor clearance not known"}


def test_a_hole_in_the_bed_survey(tmp_path: Path) -> None:
    """Slabs over the hole are not ready; waived they are, and then nobody knows their mortar."""
    folder = copy_of_demo(tmp_path)
    part = ("--from", "Q0105", "--to", "Q0115")
    whole = json.loads(run("ready", folder, *AT, *part, "--json", "-").out)["runs"]
    assert [(r["slabs"], r["mortar_m3"] is None) for r in whole] == [(11, False)]
    project = open_project(folder)
    at = project.layout.names.tolist().index("Q0110")
    middle = project.targets.position[at]
    for path in (folder / "bed").glob("*.csv"):
        rows = read_rows(folder, f"bed/{path.name}")
        away = [math.hypot(float(r["easting_m"]) - middle[0], float(r["northing_m"]) - middle[1]) for r in rows]
        write_rows(folder, [r for r, apart in zip(rows, away, strict=True) if apart > 2.4], f"bed/{path.name}")
    holed = {name for name, slab in slabs_of(folder, *part).items() if slab["state"] == "not ready"}
    assert "Q0110" in holed
    assert holed <= {"Q0109", "Q0110", "Q0111"}
    assert {slab["reasons"] for name, slab in slabs_of(folder, *part).items() if name in holed} == {
        "mortar gap not surveyed"
    }
    change(folder, "project.toml", '[[tolerance]]\nquantity = "across"\n', WAIVED)
    runs = json.loads(run("ready", folder, *AT, *part, "--json", "-").out)["runs"]
    assert [(r["slabs"], r["mortar_m3"]) for r in runs] == [(11, None)]


def test_warnings_of_bed_and_anchors_are_told(tmp_path: Path) -> None:
    folder = copy_of_demo(tmp_path)
    rows = read_rows(folder, "anchors.csv")
    write_rows(folder, [*rows, {**rows[0], "easting_m": str(float(rows[0]["easting_m"]) + 700)}], "anchors.csv")
    assert "anchors.csv" in run("ready", folder, *AT, "--from", "Q0105", "--to", "Q0110").err


def test_readiness_takes_the_mortar_only_as_built(tmp_path: Path) -> None:
    project = open_project(copy_of_demo(tmp_path))
    read, check = check_of(project, [], None)
    report = mortar_of(project, check, read_bed(project), read_anchors(project), "target")
    with pytest.raises(ValueError, match="as built"):
        ready_section(project, check, read.points, np.datetime64("2031-05-15", "us"), mortar=report)


def test_a_good_slab_that_the_plan_moves_is_not_ready(tmp_path: Path) -> None:
    """Q0362 is within, but the step to injected slabs ahead can only be mended by two slabs together."""
    folder = copy_of_demo(tmp_path, injected=True)
    without_bed(folder)
    text = (folder / "project.toml").read_text()
    (folder / "project.toml").write_text(
        without_rail_limits(text).replace('[[tolerance]]\nquantity = "across"\n', WAIVED)
    )
    part = ("--from", "Q0350", "--to", "Q0363", "--at", "2031-05-14T22:00Z")
    without = {s["slab"]: s for s in json.loads(run("ready", folder, *part, "--no-plan", "--json", "-").out)["slabs"]}
    assert without["Q0362"]["state"] == "ready"
    document = json.loads(run("ready", folder, *part, "--json", "-").out)
    with_plan = {slab["slab"]: slab for slab in document["slabs"]}
    assert with_plan["Q0362"]["reasons"] == "the plan moves it"
    assert with_plan["Q0363"]["reasons"] == "the plan moves it, joint ahead out"
    assert with_plan["Q0361"]["state"] == "ready"
    assert document["looked_at"]["correction_plan"] is True
    assert "slabs that are good by themselves" not in run("ready", folder, *part).out


def test_exit_status(project: Path) -> None:
    assert run("ready", project, *AT).status == 1
    assert run("ready", project, *AT, "--from", "Q0105", "--to", "Q0110").status == 0
    assert run("ready", project, *AT, "--from", "Q0137", "--to", "Q0137").status == 1
    # the joint of a chosen slab counts though its other slab is not chosen
    assert run("ready", project, *AT, "--from", "Q0251", "--to", "Q0251").status == 1
    assert run("ready", project, *AT, "--from", "Q9999").status == 2
    assert run("ready", project, "--at", "yesterday", "--no-plan").status == 2


def test_injected_slabs_are_no_fault(project: Path) -> None:
    rows = read_rows(project)
    write_rows(project, [{**row, "stage": "after injection"} if row["slab"] in {"Q0137", "Q0105"} else row
                         for row in rows])  # fmt: skip
    slabs = slabs_of(project)
    assert slabs["Q0137"]["state"] == slabs["Q0105"]["state"] == "injected"
    answer = run("ready", project, *AT, "--from", "Q0103", "--to", "Q0108")
    assert answer.status == 0
    assert "  ready          5\n# not ready      0\n= injected       1\n" in answer.out
    # what is wrong with an injected slab is nobody's next step here
    listed = json.loads(run("ready", project, *AT, "--json", "-").out)["reasons"]
    assert "Q0137" not in {name for entry in listed for name in entry["where"]}
    assert "Q0182" in {name for entry in listed for name in entry["where"] if entry["reason"] == "pose out"}
    # an injected slab parts a run of ready ones
    runs = json.loads(run("ready", project, *AT, "--from", "Q0103", "--to", "Q0108", "--json", "-").out)["runs"]
    assert [(r["from_slab"], r["to_slab"], r["slabs"]) for r in runs] == [("Q0103", "Q0104", 2), ("Q0106", "Q0108", 3)]


def test_runs_say_from_where_to_where(project: Path) -> None:
    document = json.loads(run("ready", project, *AT, "--json", "-").out)
    runs = document["runs"]
    assert sum(r["slabs"] for r in runs) == document["summary"]["ready"]
    first = runs[0]
    assert (first["from_slab"], first["to_slab"], first["slabs"]) == ("Q0101", "Q0135", 35)
    # 35 slabs, the first and last of a bank of the special type: length and 34 joints, no more
    assert first["length_m"] == pytest.approx(first["to_chainage_m"] - first["from_chainage_m"], rel=0, abs=1e-6)
    assert 34 * 5.2 < first["length_m"] < 35 * 5.2 + 34 * 0.09
    # the count jumps by 12.5 m at 28+100, the line does not
    over = next(r for r in runs if r["from_chainage_m"] < 28100 < r["to_chainage_m"])
    assert over["to_chainage_m"] - over["from_chainage_m"] - over["length_m"] == pytest.approx(12.5, rel=0, abs=1e-6)


# -- age -----------------------------------------------------------------------------------------------------


def test_the_time_of_injection(project: Path) -> None:
    young = slabs_of(project)["Q0101"]
    assert young["measured_at"] == "2031-05-14T07:20:00Z"
    assert young["age_h"] == pytest.approx(14 + 40 / 60, rel=0, abs=0.05)
    old = slabs_of(project, "--at", "2031-05-15T07:20:36Z")
    assert old["Q0101"]["reasons"] == "measurement too old"
    assert old["Q0362"]["reasons"] == ""
    same = slabs_of(project, "--at", "2031-05-14T23:00+01:00")
    assert same["Q0101"]["age_h"] == young["age_h"]
    early = run("ready", project, "--at", "2031-05-14T06:00", "--no-plan", "--from", "Q0105", "--to", "Q0120")
    assert early.status == 1
    assert "all 16 wait for this: measured later than the time asked for" in early.out


def test_without_a_time_it_is_now(project: Path) -> None:
    before = datetime.now(UTC).replace(microsecond=0)
    document = json.loads(run("ready", project, "--no-plan", "--json", "-").out)
    asked = datetime.fromisoformat(document["at"])
    assert before <= asked <= datetime.now(UTC)
    assert document["summary"]["ready"] == 0  # the demo is of another year
    assert run("ready", project, "--no-plan").status == 1


def test_a_survey_without_times_has_no_age(project: Path) -> None:
    rows = read_rows(project)
    write_rows(project, [{name: cell for name, cell in row.items() if name != "time"} for row in rows])
    slabs = slabs_of(project)
    assert slabs["Q0101"]["reasons"] == "time of measurement unknown"
    assert slabs["Q0101"]["measured_at"] is None
    assert "when the slabs were measured is not known" in run("ready", project, *AT).out
    limit = '[[tolerance]]\nquantity = "across"\n'
    change(project, "project.toml", limit, f'[[ready.waived]]\nwhat = "age"\nbecause = "seen to"\n\n{limit}')
    assert slabs_of(project)["Q0101"]["state"] == "ready"


def test_one_old_corner_makes_a_slab_old(project: Path) -> None:
    rows = read_rows(project)
    old = next(row for row in rows if row["slab"] == "Q0105" and row["corner"] == "FR")
    old["time"] = "2031-05-12T08:00:00Z"
    write_rows(project, rows)
    slabs = slabs_of(project)
    assert slabs["Q0105"]["reasons"] == "measurement too old"
    assert slabs["Q0105"]["age_h"] == pytest.approx(62.0, rel=0, abs=0.05)
    assert slabs["Q0104"]["state"] == slabs["Q0106"]["state"] == "ready"
    # the same corner measured again by the same set-up: the latest counts, as it does for the pose
    write_rows(project, [*rows, {**old, "point": "P9999", "time": "2031-05-14T12:00:00Z"}])
    assert slabs_of(project)["Q0105"]["state"] == "ready"
    # by another set-up both are averaged, so the old one still counts
    write_rows(project, [*rows, {**old, "point": "P9999", "setup": "S99", "time": "2031-05-14T12:00:00Z"}])
    assert slabs_of(project)["Q0105"]["reasons"] == "measurement too old"


def test_slabs_with_one_reason_stand_together_only_if_they_are_neighbours(project: Path) -> None:
    rows = read_rows(project)
    for row in rows:
        if row["slab"] in {"Q0105", "Q0106", "Q0108"}:
            row["time"] = "2031-05-12T08:00:00Z"
    write_rows(project, rows)
    page = run("ready", project, *AT, "--from", "Q0103", "--to", "Q0110").out
    lines = [line.split() for line in page.split("why not ready")[1].splitlines() if line.startswith("Q0")]
    assert [line[:2] for line in lines] == [["Q0105", "Q0106"], ["Q0108", lines[1][1]]]
    assert [line[-4:] for line in lines] == [["2", "measurement", "too", "old"], ["1", "measurement", "too", "old"]]


@pytest.mark.parametrize(("hours", "words"), [
    (0.0, "0 minutes"), (1 / 60, "1 minute"), (23.6, "24 hours"), (47.9, "48 hours"), (48.0, "2 days"),
    (800.0, "33 days"), (-3.0, "3 hours later"), (float("nan"), "unknown"),
])  # fmt: skip
def test_age_in_words(hours: float, words: str) -> None:
    assert age_words(hours) == words


# -- settings ------------------------------------------------------------------------------------------------


def test_what_is_waived_is_told_with_its_reason(project: Path) -> None:
    page = " ".join(run("ready", project, *AT).out.split())
    assert "mortar gap: waived by the project, because measured by hand at every corner" in page
    document = json.loads(run("ready", project, *AT, "--json", "-").out)
    assert [entry["what"] for entry in document["waived"]] == ["mortar gap", "anchor"]
    assert {slab["waived"] for slab in document["slabs"]} == {"mortar gap not surveyed, anchor clearance not known"}


@pytest.mark.parametrize(("old", "new", "told"), [
    ("oldest_hours = 24.0", "oldest_hours = 0.0", "oldest_hours"),
    ('rail = "warning"', 'rail = "maybe"', "ready.rail"),
    ('what = "anchor"', 'what = "mortar gap"', "waived that differ"),
    ('what = "anchor"', 'what = "pose"', "waived"),
    ("expansion_per_k = 1e-5", "temperature_difference_k = 99.0", "temperature_difference_k"),
    ("expansion_per_k = 1e-5", "expansion = 1e-5", "expansion_per_k"),
])  # fmt: skip
def test_settings_that_cannot_be_meant(project: Path, old: str, new: str, told: str) -> None:
    change(project, "project.toml", old, new)
    answer = run("ready", project, *AT)
    assert answer.status == 2
    assert told in answer.err


def test_oldest_hours_is_a_setting(project: Path) -> None:
    change(project, "project.toml", "oldest_hours = 24.0", "oldest_hours = 2.0")
    slabs = slabs_of(project)
    assert slabs["Q0101"]["reasons"] == "measurement too old"
    assert slabs["Q0362"]["reasons"] == ""


# -- bowing --------------------------------------------------------------------------------------------------


def test_a_temperature_difference_is_told_beside_the_verdict(project: Path) -> None:
    """6 K over 0.2 m with 1e-5 1/K: L^2/8 of 5.2 m makes 1.01 mm, by hand."""
    answer = run("ready", project, *AT, "--temperature-difference", "6", "--json", "-")
    document = json.loads(answer.out)
    curl = {row["type"]: row for row in document["curl_by_heat"]}
    assert curl["A520"]["curl_along_mm"] == pytest.approx(-1e-5 * 6 / 0.2 * 5.2**2 / 8 * 1e3, rel=1e-9)
    warned = {slab["slab"] for slab in document["slabs"] if "curled by heat" in slab["warnings"]}
    # Q0252 carries its step of 1.4 mm as about +0.7 mm, which 0.4 mm more puts out
    assert "Q0252" in warned
    assert {slab["slab"] for slab in document["slabs"] if slab["state"] == "ready"} & warned == warned - {"Q0252"}
    page = run("ready", project, *AT, "--temperature-difference", "-6").out
    assert "top 6 K colder than the underside" in page
    assert "A520: ends +1.01 mm, edges +0.23 mm to the middle" in page
    plain = run("ready", project, *AT).out
    assert "colder" not in plain
    assert "warmer" not in plain
    # as a reason it holds slabs up
    change(project, "project.toml", 'heat = "warning"', 'heat = "reason"')
    held = slabs_of(project, "--temperature-difference", "6")
    assert {name for name, slab in held.items() if "curled by heat" in slab["reasons"]} == warned


def test_the_project_may_give_the_temperature_difference(project: Path) -> None:
    change(project, "project.toml", "expansion_per_k = 1e-5", "temperature_difference_k = 6.0")
    by_project = slabs_of(project)
    assert {s["slab"] for s in by_project.values() if "curled by heat" in s["warnings"]}
    assert "top 6 K warmer than the underside" in run("check", project).out
    # the option is stronger
    assert not [s for s in slabs_of(project, "--temperature-difference", "0").values() if "curled" in s["warnings"]]


def test_a_twisted_slab_is_told_on_both_pages(project: Path) -> None:
    rows = read_rows(project)
    for row in rows:
        if row["slab"] == "Q0105":
            up = 0.4 if row["corner"] in {"RL", "FR"} else -0.4
            row["level_m"] = f"{float(row['level_m']) + up / 1e3:.5f}"
    write_rows(project, rows)
    twist = slabs_of(project)["Q0105"]
    # at the slab's corner, not at the mark: (2.6 x 1.25) / (2.35 x 1.05) of it
    assert twist["twist_mm"] == pytest.approx(0.4 * 2.6 * 1.25 / (2.35 * 1.05), rel=0, abs=4 * twist["twist_sigma_mm"])
    assert twist["bowed"] is True
    assert twist["curl_along_mm"] is None
    for command in ("ready", "check"):
        page = run(command, project, *(AT if command == "ready" else ())).out
        assert "Q0105: twist +0." in page
        assert "its marks cannot tell this from one wrong height" in " ".join(page.split())
    assert "only twist is seen, curl is not: 26" in run("ready", project, *AT).out


# -- page and files ------------------------------------------------------------------------------------------


def test_the_page_fits_and_says_who_decides(project: Path) -> None:
    for more in ((), ("--all",), ("--temperature-difference", "8")):
        page = run("ready", project, *AT, *more).out
        assert max(map(len, page.splitlines())) <= 120
        words = " ".join(page.split())
        for caution in READY_CAUTIONS:
            assert caution in words
    assert run("ready", project, *AT, "--all").out.count("\nQ0") == 269 + len(
        json.loads(run("ready", project, *AT, "--json", "-").out)["runs"]
    )
    words = " ".join(READY_CAUTIONS).lower()
    # what the trade expects before an injection (common practice)
    for word in ("press", "measure again", "trial", "rain", "step", "burns", "licensed surveyor", "contract", "local"):
        assert word in words


def test_csv_and_json_say_the_same(project: Path, tmp_path: Path) -> None:
    table, document = tmp_path / "ready.csv", tmp_path / "ready.json"
    assert run("ready", project, *AT, "--csv", table, "--json", document).status == 1
    rows, slabs = rows_of(table), json.loads(document.read_text())["slabs"]
    assert len(rows) == len(slabs) == 269
    for row, slab in zip(rows, slabs, strict=True):
        assert list(row) == list(slab)
        assert row["state"] == slab["state"]
        assert row["reasons"] == slab["reasons"]
    assert table.read_text().startswith("# slabpose ")
    assert SURVEY in table.read_text()
    known = set(REASON_WORDS.values())
    for slab in slabs:
        assert {text for text in slab["reasons"].split(", ") if text} <= known


def test_no_result_replaces_an_input(project: Path) -> None:
    before = (project / SURVEY).read_bytes()
    assert run("ready", project, *AT, "--csv", project / SURVEY).status == 2
    assert (project / SURVEY).read_bytes() == before


def test_readings_have_an_age_too(project: Path) -> None:
    document = json.loads(run("ready", project, "--readings", project / "readings/fine_adjustment.csv",
                              "--at", "2031-05-16T06:00Z", "--no-plan", "--json", "-").out)  # fmt: skip
    ages = [slab["age_h"] for slab in document["slabs"] if slab["age_h"] is not None]
    assert len(ages) > 200
    assert all(0 < age < 48 for age in ages)
    doubted = [slab for slab in document["slabs"] if "set-up in doubt" in slab["reasons"]]
    assert len(doubted) >= 30
