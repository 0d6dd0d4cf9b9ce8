"""Results of the commands: with units, the same in every form, and what they say of the demo."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from command_line import UNITS, rows_of
from project_copies import SURVEY, change, copy_of_demo, run

# names of numbers that have no unit
BARE = re.compile(r"marks|turns_\w+|push_turns_\w+|w_(across|along|up)|redundancy_(across|along|up)")


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


def tables(project: Path) -> Iterator[tuple[str, Path, Path]]:
    """Yield every table of every command as CSV and JSON, with its key in the document."""
    out = project.parent
    for key, arguments in {
        "slabs": ("check", project),
        "slabs ": ("layout", project),
        "corners": ("layout", project, "--show", "corners"),
        "anchors": ("layout", project, "--show", "anchors"),
        "stations": ("stations", project, "--every", "100"),
        "points": ("offsets", project, project / SURVEY),
    }.items():
        table, document = out / f"{key.strip()}.csv", out / f"{key.strip()}.json"
        answer = run(*arguments, "--csv", table, "--json", document)
        assert answer.status in (0, 1)
        assert answer.err == ""
        yield key.strip(), table, document


def test_every_number_says_its_unit(project: Path) -> None:
    for key, table, document in tables(project):
        rows = rows_of(table)
        for name in rows[0]:
            numbers = [row[name] for row in rows if re.fullmatch(r"-?\d+(\.\d+)?", row[name])]
            assert not numbers or name.endswith(UNITS) or BARE.fullmatch(name), (key, name)
        assert list(rows[0]) == list(json.loads(document.read_text())[key][0])


def test_json_says_the_same_as_csv(project: Path) -> None:
    for key, table, document in tables(project):
        rows, records = rows_of(table), json.loads(document.read_text())[key]
        assert len(rows) == len(records) > 5
        for row, record in zip(rows, records, strict=True):
            for name, value in record.items():
                if value is None:
                    assert row[name] == ""
                elif isinstance(value, bool):
                    assert row[name] == str(value).lower()
                elif isinstance(value, float):
                    decimals = len(row[name].partition(".")[2])
                    assert abs(float(row[name]) - value) <= 0.5000001 * 10.0**-decimals
                else:
                    assert row[name] == str(value)


def test_json_on_standard_output_is_alone_there(project: Path) -> None:
    change(project, "project.toml", "sigma_plan_mm = 0.25", "sigma_plan_mm = 25.0")  # gives a warning
    for arguments in (("check",), ("layout",), ("stations",), ("offsets",)):
        points = [project / SURVEY] if arguments == ("offsets",) else []
        answer = run(*arguments, project, *points, "--json", "-")
        document = json.loads(answer.out)
        assert document["made_from"]["program"].startswith("slabpose ")
    answer = run("check", project, "--json", "-")
    assert "warning: project.toml: survey.sigma_plan_mm" in answer.err
    assert answer.status == 1


def test_only_json_writes_to_standard_output(project: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for option in ("--csv", "--corners", "--joints"):
        answer = run("check", project, option, "-")
        assert answer.status == 2
        assert "only --json writes to standard output" in answer.err
    assert not (tmp_path / "-").exists()


def test_results_carry_what_they_were_made_from(project: Path) -> None:
    import hashlib

    run("check", project, "--csv", project / "v.csv", "--json", project / "v.json", "--corners", project / "c.csv",
        "--joints", project / "j.csv")  # fmt: skip
    document = json.loads((project / "v.json").read_text())
    inputs = document["made_from"]["inputs_sha256"]
    assert set(inputs) == {"project.toml", "horizontal.csv", "vertical.csv", "cant.csv", "chainage.csv",
                           "structures.csv", SURVEY}  # fmt: skip
    for name, sha in inputs.items():
        assert hashlib.sha256((project / name).read_bytes()).hexdigest() == sha
        for result in ("v.csv", "c.csv", "j.csv"):
            assert f"made from {name} {sha}" in (project / result).read_text()
    assert document["decision_rule"]["guard_factor"] == 2.0
    assert {t["quantity"] for t in document["tolerances"]} >= {"across", "along", "up"}
    assert all(t["source"] for t in document["tolerances"])


def test_corner_and_joint_tables_follow_the_chosen_part(project: Path) -> None:
    answer = run("check", project, "--from", "Q0137", "--to", "Q0139", "--csv", project / "v.csv",
                 "--corners", project / "c.csv", "--joints", project / "j.csv")  # fmt: skip
    assert answer.status == 1
    assert [row["slab"] for row in rows_of(project / "v.csv")] == ["Q0137", "Q0138", "Q0139"]
    assert [row["rear_slab"] for row in rows_of(project / "j.csv")] == ["Q0137", "Q0138"]
    corners = rows_of(project / "c.csv")
    assert [(row["slab"], row["corner"]) for row in corners[:5]] == [
        ("Q0137", "RL"), ("Q0137", "RR"), ("Q0137", "FL"), ("Q0137", "FR"), ("Q0138", "RL"),
    ]  # fmt: skip
    assert len(corners) == 12
    # the decisive deviation of a slab is that of one of its corners
    high = rows_of(project / "v.csv")[0]
    assert high["up_mm"] in {row["up_mm"] for row in corners[:4]}
    assert float(high["up_mm"]) == max(float(row["up_mm"]) for row in corners[:4])


def test_joints_lie_in_the_gap_between_their_slabs(project: Path) -> None:
    change(project, "chainage.csv", "28112.500", "28100.000")  # one count, so that chainages may be compared
    for chainage in ("28266.500", "28266.560", "28467.180", "28467.240", "28862.500"):
        change(project, "structures.csv", chainage, f"{float(chainage) - 12.5:.3f}")
    run("check", project, "--csv", project / "v.csv", "--joints", project / "j.csv")
    slabs = {row["slab"]: row for row in rows_of(project / "v.csv")}
    kinds = set()
    for joint in rows_of(project / "j.csv"):
        rear, front = slabs[joint["rear_slab"]], slabs[joint["front_slab"]]
        kinds.add((rear["type"], front["type"]))
        ends = [float(row["chainage_m"]) + side * {"A520": 2.6, "A364": 1.82}[row["type"]]
                for row, side in ((rear, 1), (front, -1))]  # fmt: skip
        assert ends[0] < float(joint["chainage_m"]) < ends[1]
    assert ("A364", "A520") in kinds
    assert ("A520", "A364") in kinds


def test_anchors_stand_in_the_middle_of_the_joints_on_the_bed(project: Path) -> None:
    run("layout", project, "--csv", project / "s.csv")
    run("layout", project, "--show", "anchors", "--csv", project / "a.csv")
    slabs = {row["slab"]: row for row in rows_of(project / "s.csv")}
    anchors = rows_of(project / "a.csv")
    assert len(anchors) == 269 + 16  # one more than slabs on each of 16 spans

    def apart(anchor: dict[str, str], slab: dict[str, str]) -> float:
        """Return the true length in plan from the slab's end to the anchor, m."""
        plan = math.hypot(*(float(anchor[name]) - float(slab[name]) for name in ("easting_m", "northing_m")))
        return plan / 0.99988 - {"A520": 2.6, "A364": 1.82}[slab["type"]]

    for anchor in anchors:
        beside = [slabs[anchor[name]] for name in ("rear_slab", "front_slab") if anchor[name]]
        # a gap of 70 to 90 mm between slabs, of 80 mm where a row ends; square to a slab that climbs by 10 permille
        # the bed 255 mm below lies 2.6 mm off
        low, high = (0.032, 0.048) if len(beside) == 2 else (0.037, 0.043)
        for slab in beside:
            assert low < apart(anchor, slab) < high
            # 200 mm of slab and 55 mm of mortar below the top face, less where the line climbs over 2.6 m
            assert float(slab["level_m"]) - float(anchor["level_m"]) == pytest.approx(0.255, abs=0.03)
        if len(beside) == 2:
            assert abs(apart(anchor, beside[0]) - apart(anchor, beside[1])) < 0.0055


def test_moves_are_withheld_where_the_survey_contradicts_itself(project: Path) -> None:
    run("check", project, "--csv", project / "v.csv")
    rows = {row["slab"]: row for row in rows_of(project / "v.csv")}
    for name in ("Q0160", "Q0213", "Q0296", "Q0318"):
        assert {rows[name][f"lift_{corner}_mm"] for corner in ("RL", "RR", "FL", "FR")} == {""}
        assert rows[name]["move_along_mm"] == ""
    high = rows["Q0137"]
    assert -4.2 < float(high["lift_RL_mm"]) < -2.8
    assert float(high["turns_RL"]) == pytest.approx(float(high["lift_RL_mm"]) / 4.0, abs=0.002)


def test_stations_at_chainages_and_distances(project: Path) -> None:
    def places(*arguments: str) -> list[tuple[str, str]]:
        assert run("stations", project, *arguments, "--csv", project / "s.csv").status == 0
        return [(row["chainage_m"], row["distance_m"]) for row in rows_of(project / "s.csv")]

    assert places("--at", "27+500") == places("--at", "27500") == [("27500.0000", "100.0000")]
    assert places("--at", "28120.5", "--at-distance", "3") == [("27403.0000", "3.0000"), ("28120.5000", "708.0000")]
    regular = places("--every", "250")
    assert regular[0] == ("27400.0000", "0.0000")
    assert regular[-1] == ("28912.5000", "1500.0000")
    # round chainages on both sides of the jump in the count, and the jump itself is no round one
    assert [c for c, _ in regular[1:-1]] == [f"{c}.0000" for c in (27500, 27750, 28000, 28250, 28500, 28750)]


def test_offsets_of_points_on_and_beyond_the_line(project: Path) -> None:
    (project / "points.csv").write_text("point,easting_m,northing_m,level_m\nstart,431208.455,186740.118,213.480\n"
                                        "behind,431199.504,186735.660,212.480\n")  # fmt: skip
    answer = run("offsets", project, project / "points.csv", "--json", "-")
    on, behind = json.loads(answer.out)["points"]
    assert (on["chainage_m"], on["height_m"]) == (pytest.approx(27400.0, abs=1e-6), pytest.approx(1.0, abs=1e-6))
    assert abs(on["offset_m"]) < 1e-6
    # 10 m back along a bearing of 63.52 deg is -8.951 m east and -4.458 m north
    assert behind["place"] == "before start"
    assert behind["beyond_m"] == pytest.approx(-10.0, abs=1e-3)
    assert math.isclose(behind["offset_m"], 0.0, abs_tol=1e-3)
