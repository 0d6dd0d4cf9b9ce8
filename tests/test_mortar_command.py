"""The command mortar, its files, and everything that can be wrong with them."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import numpy as np
import pytest
from project_copies import DEMO, change, copy_of_demo, read_rows, run, write_rows

REST = "bed/rest.csv"
NEAR_HIGH = ("--from", "Q0230", "--to", "Q0234")


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


def rows_of(path: Path) -> list[dict[str, str]]:
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def test_the_status_says_whether_all_is_within() -> None:
    assert run("mortar", DEMO, "--from", "Q0105", "--to", "Q0120").status == 0
    for slab in ("Q0232", "Q0284", "Q0267", "Q0160", "Q0318"):  # high, low, anchor, contradicted, not measured
        assert run("mortar", DEMO, "--from", slab, "--to", slab).status == 1
    assert run("mortar", DEMO, "--from", "Q0266", "--to", "Q0266").status == 0
    # as designed the slab that nobody measured has a gap; its anchors are seen as built, and it is not built
    answer = run("mortar", DEMO, "--pose", "target", "--from", "Q0318", "--to", "Q0318")
    assert answer.status == 1
    assert "slabs as designed" in answer.out
    assert re.search(r"Q0318 .* - not measured .* slab not measured", answer.out)


def test_the_page_says_what_a_crew_needs() -> None:
    answer = run("mortar", DEMO)
    assert answer.status == 1
    assert answer.err == ""
    assert max(map(len, answer.out.splitlines())) <= 120
    text = " ".join(answer.out.split())
    for words in (
        "mortar gap too small; bed too high", "mortar gap too large; bed too low", "rear anchor too close",
        "the slab's survey contradicts itself", "slab not measured", "gap 40 to 75 mm", "Batches for a mixer of 2500 l",
        "5 percent of losses are in it", "+ right and + forward", "licensed surveyor",
    ):  # fmt: skip
        assert words in text, words
    everything = run("mortar", DEMO, "--all").out
    assert everything.count("Q0105") >= 4
    assert "on other days" not in everything


def test_tables_and_document_say_the_same(tmp_path: Path) -> None:
    files = {name: tmp_path / f"{name}.csv" for name in ("slabs", "bed", "batches")}
    answer = run("mortar", DEMO, *NEAR_HIGH, "--csv", files["slabs"], "--bed", files["bed"], "--batches",
                 files["batches"], "--json", tmp_path / "all.json")  # fmt: skip
    assert answer.status == 1
    document = json.loads((tmp_path / "all.json").read_text())
    slabs = rows_of(files["slabs"])
    assert [row["slab"] for row in slabs] == [f"Q0{i}" for i in range(230, 235)]
    assert [row["slab"] for row in document["slabs"]] == [row["slab"] for row in slabs]
    high = slabs[2]
    assert high["verdict"] == high["smallest_verdict"] == high["bed_verdict"] == "out"
    assert float(high["smallest_mm"]) < 40
    assert float(high["under_area_m2"]) > 0.05
    assert abs(float(document["slabs"][2]["smallest_mm"]) - float(high["smallest_mm"])) < 0.01
    # l and mm: 12.8 m^2 less two notches times the mean
    for row in slabs:
        area = 2.5 * float({"A520": 5.2, "A364": 3.64}[row["type"]]) - 2 * (
            0.26**2 * np.arccos(0.04 / 0.26) - 0.04 * np.sqrt(0.26**2 - 0.04**2)
        )
        assert abs(float(row["volume_l"]) - area * float(row["mean_mm"])) < 0.15
    points = rows_of(files["bed"])
    assert {row["slab"] for row in points} == {row["slab"] for row in slabs}
    out = [row for row in points if row["verdict"] == "out"]
    assert len(out) == len(document["bed_points"]["not_within"]) == 1
    assert float(out[0]["deviation_mm"]) > 15
    assert out[0]["source"].startswith("bed/rest.csv:")
    # the line in the file is the point of that name
    line = (DEMO / REST).read_text().splitlines()[int(out[0]["source"].split(":")[1]) - 1]
    assert line.startswith(out[0]["point"] + ",")
    batches = rows_of(files["batches"])
    mixed = sum(float(row["to_mix_l"]) for row in batches)
    assert abs(mixed - 1.05 * sum(float(row["volume_l"]) for row in slabs)) < 0.5
    assert document["days"] == [{"day": 1, "slabs": 5, "to_mix_l": pytest.approx(mixed, abs=0.3)}]
    assert document["limits"]["gap_low_mm"] == 40.0
    assert set(document["made_from"]["inputs_sha256"]) >= {"project.toml", REST, "bed/viaduct.csv", "anchors.csv"}
    assert sum(document["summary"]["slabs"].values()) == 5


def test_nothing_is_written_over_bed_or_anchors(project: Path) -> None:
    for name in ("anchors.csv", REST):
        before = (project / name).read_bytes()
        answer = run("mortar", project, "--csv", project / name)
        assert answer.status == 2
        assert "an input" in answer.err
        assert (project / name).read_bytes() == before
    assert run("check", project, "--csv", project / REST).status == 2
    answer = run("mortar", project, "--bed", project / "bed" / "result.csv")
    assert answer.status == 2
    assert "outside the bed folder" in answer.err
    assert run("mortar", project, "--csv", project / "a.csv", "--batches", project / "a.csv").status == 2


def test_without_settings_or_bed_there_is_no_answer(project: Path) -> None:
    for path in (project / "bed").glob("*.csv"):
        path.unlink()
    answer = run("mortar", project)  # the bed by design, and nothing proven
    assert answer.status == 1
    assert "where nobody surveyed it nothing is within" in " ".join(answer.out.split())
    text = (project / "project.toml").read_text()
    start, end = text.index("[mortar]"), text.index("[survey]")
    (project / "project.toml").write_text(text[:start] + text[end:])
    answer = run("mortar", project)
    assert answer.status == 2
    assert "project.toml: expected a table mortar.gap with low_mm, high_mm and source, found none" in answer.err
    assert run("check", project, "--from", "Q0105", "--to", "Q0110").status == 0


def test_a_missing_anchor_and_a_missing_piece_of_bed_are_not_measured(project: Path, tmp_path: Path) -> None:
    anchors = read_rows(project, "anchors.csv")
    write_rows(project, [row for row in anchors if row["name"] != "D005"], "anchors.csv")
    points = rows_of(run_bed(tmp_path, "Q0108"))
    gone = {row["point"] for row in points if float(row["along_m"]) > 1.0}
    rows = read_rows(project, REST)
    write_rows(project, [row for row in rows if row["point"] not in gone], REST)
    change(project, "project.toml", "longest_edge_m = 2.0", "longest_edge_m = 1.9")
    answer = run("mortar", project, "--from", "Q0103", "--to", "Q0109", "--csv", tmp_path / "m.csv")
    assert answer.status == 1
    found = {row["slab"]: row for row in rows_of(tmp_path / "m.csv")}
    without = [slab for slab, row in found.items() if row["anchor_verdict"] == "not measured"]
    assert without == ["Q0104", "Q0105"]  # D005 stands between them
    assert "front anchor not surveyed" in found["Q0104"]["why"]
    assert "rear anchor not surveyed" in found["Q0105"]["why"]
    assert found["Q0104"]["verdict"] == "not measured"
    part = found["Q0108"]
    assert part["gap_verdict"] == part["verdict"] == "not measured"
    assert "bed surveyed in part" in part["why"]
    assert 40 < float(part["covered_percent"]) < 95
    assert part["gap_FL_mm"] == part["volume_l"] == part["batch"] == ""
    assert part["gap_RL_mm"] != ""
    (project / "anchors.csv").unlink()
    answer = run("mortar", project, "--from", "Q0110", "--to", "Q0112")
    assert answer.status == 1
    assert "anchor not surveyed" in answer.out


def run_bed(folder: Path, slab: str) -> Path:
    run("mortar", DEMO, "--from", slab, "--to", slab, "--bed", folder / "points.csv")
    return folder / "points.csv"


def test_a_wrong_anchor_is_told(project: Path) -> None:
    rows = read_rows(project, "anchors.csv")
    nowhere, twin = dict(rows[3]), dict(rows[10])
    nowhere |= {"name": "X1", "easting_m": f"{float(nowhere['easting_m']) + 1.7:.4f}"}
    twin |= {"name": "X2", "easting_m": f"{float(twin['easting_m']) + 0.03:.4f}"}
    write_rows(project, [*rows, nowhere, twin], "anchors.csv")
    answer = run("mortar", project, "--from", "Q0105", "--to", "Q0106")
    assert answer.status == 0
    last = len(rows) + 1
    assert (
        f"warning: anchors.csv:{last + 1} (X1): expected an anchor within 0.12 m of a joint of the layout" in answer.err
    )
    assert f"anchors.csv:{last + 2} (X2): expected one anchor at each joint, found a second one beside" in answer.err
    assert run("mortar", project, "--from", "Q0110", "--to", "Q0111").status == 1


def test_points_need_no_names_and_may_come_in_any_number_of_files(project: Path, tmp_path: Path) -> None:
    rows = read_rows(project, REST)
    for part in range(3):
        some = [{k: v for k, v in row.items() if k != "point"} for row in rows[part::3]]
        write_rows(project, some, f"bed/part_{part}.csv")
    (project / REST).unlink()
    named, bare = tmp_path / "named.csv", tmp_path / "bare.csv"
    run("mortar", DEMO, *NEAR_HIGH, "--csv", named)
    answer = run("mortar", project, *NEAR_HIGH, "--csv", bare)
    assert answer.err == ""
    one, other = rows_of(named), rows_of(bare)
    assert [r["verdict"] for r in one] == [r["verdict"] for r in other]
    assert max(abs(float(a["volume_l"]) - float(b["volume_l"])) for a, b in zip(one, other, strict=True)) <= 0.1


def test_everything_wrong_with_a_bed_file_is_told_at_once(project: Path) -> None:
    rows = read_rows(project, REST)
    rows[4]["level_m"] = "98.2x"
    rows[9]["easting_m"] = ""
    rows[20]["northing_m"] = "nan"
    write_rows(project, rows, REST)
    answer = run("mortar", project)
    assert answer.status == 2
    for words in ("rest.csv:6: level_m", "rest.csv:11: easting_m", "rest.csv:22: northing_m"):
        assert words in answer.err
    swapped = [row | {"easting_m": row["northing_m"], "northing_m": row["easting_m"]} for row in read_rows(DEMO, REST)]
    write_rows(project, swapped, REST)
    answer = run("mortar", project)
    assert answer.status == 2
    assert "easting and northing exchanged" in answer.err


def test_doubtful_bed_surveys_are_told(project: Path) -> None:
    rows = read_rows(project, REST)
    again = dict(rows[100]) | {"point": "B9999", "level_m": f"{float(rows[100]['level_m']) + 0.009:.4f}"}
    write_rows(project, [*rows, again], REST)
    answer = run("mortar", project, "--from", "Q0105", "--to", "Q0105")
    assert "expected readings of one place that agree, found 9.0 mm between them, at 1 place in all" in answer.err
    (project / "bed" / "copy.csv").write_bytes((project / REST).read_bytes())
    answer = run("mortar", project)
    assert answer.status == 2
    assert "each survey once" in answer.err
    (project / "bed" / "copy.csv").unlink()
    # the top of the slabs in place of the bed
    for name in (REST, "bed/viaduct.csv"):
        high = [row | {"level_m": f"{float(row['level_m']) + 0.255:.4f}"} for row in read_rows(DEMO, name)]
        write_rows(project, high, name)
    answer = run("mortar", project, "--from", "Q0105", "--to", "Q0106")
    assert answer.status == 1
    assert "points on the slabs, another level datum" in answer.err
    assert "bed above the underside" in " ".join(answer.out.split())


@pytest.mark.parametrize(("old", "new", "words"), [
    ("low_mm = 40.0\nhigh_mm = 75.0", "low_mm = 75.0\nhigh_mm = 40.0", "low_mm below high_mm"),
    ("low_mm = 40.0\nhigh_mm = 75.0", "limit_mm = 5.0", "low_mm and high_mm, as a gap is not around zero"),
    ("low_mm = 40.0\nhigh_mm = 75.0", "low_mm = 0.0\nhigh_mm = 75.0", "low_mm above 0"),
    ("across_mm = 35.0\nalong_mm = 30.0\nring_mm = 30.0\n", "", "at least one of across_mm, along_mm and ring_mm"),
    ("longest_edge_m = 2.0", "longest_edge_m = 0.0", "longest_edge_m"),
    ("loss_percent = 5.0", "loss_percent = -5.0", "loss_percent"),
    ("slabs_per_day = 38", "slabs_per_day = 0", "slabs_per_day"),
    ("mixer_capacity_l = 2500.0", "mixer_l = 2500.0", "mixer_l"),
])  # fmt: skip
def test_settings_that_cannot_be(project: Path, old: str, new: str, words: str) -> None:
    change(project, "project.toml", old, new)
    answer = run("mortar", project)
    assert answer.status == 2
    assert "project.toml" in answer.err
    assert words in answer.err


def test_a_nominal_gap_that_is_not_allowed_is_told(project: Path) -> None:
    change(project, "project.toml", "high_mm = 75.0", "high_mm = 54.0")
    answer = run("mortar", project, "--from", "Q0105", "--to", "Q0106")
    assert answer.status == 1
    assert "bed.mortar_nominal_mm: expected a gap that mortar.gap allows, found 55" in answer.err
    assert "mortar gap too large" in " ".join(answer.out.split())


def test_a_slab_that_takes_more_than_the_mixer_is_said_to(project: Path) -> None:
    change(project, "project.toml", "mixer_capacity_l = 2500.0", "mixer_capacity_l = 500.0")
    answer = run("mortar", project, "--from", "Q0105", "--to", "Q0107")
    assert answer.status == 0
    assert "filled from several mixes" in answer.out
    change(project, "project.toml", "mixer_capacity_l = 500.0\nslabs_per_day = 38\n", "")
    answer = run("mortar", project, "--from", "Q0105", "--to", "Q0107")
    assert "Batches" not in answer.out
    assert "Mortar to mix" in answer.out


def test_a_limit_that_the_project_does_not_have_holds_nothing_up(project: Path) -> None:
    text = (project / "project.toml").read_text()
    start, end = text.index("[mortar.bed]"), text.index("[survey]")
    (project / "project.toml").write_text(text[:start] + text[end:])
    (project / "anchors.csv").unlink()
    assert run("mortar", project, "--from", "Q0105", "--to", "Q0110").status == 0
    assert run("mortar", project, "--from", "Q0267", "--to", "Q0267").status == 0
    answer = run("mortar", project, "--from", "Q0232", "--to", "Q0232")
    assert answer.status == 1  # the gap itself is too small
    assert "bed too high" not in answer.out
