"""The command fasteners on the demo: page, CSV, JSON, pieces to order, and inputs that are wrong."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from project_copies import change, copy_of_demo, run

from geometry.exchange.fastener_tables import lay_pieces, work_table
from geometry.exchange.project import open_project
from viewer.fastener_command import fastened_rail

PART = ("--from", "Q0180", "--to", "Q0184")  # around Q0182, which is tilted


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(line for line in path.read_text().splitlines() if not line.startswith("#")))


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, list[dict[str, str]], dict[str, Any], Path]:
    """Page, CSV, JSON of the part, and the folder with the other files."""
    folder = tmp_path_factory.mktemp("fasteners")
    project = copy_of_demo(folder)
    answer = run("fasteners", project, *PART, "--csv", folder / "work.csv", "--order", folder / "order.csv")
    assert answer.err == ""
    assert answer.status == 1  # the 300 m chord reaches over what is not measured
    document = json.loads(run("fasteners", project, *PART, "--json", "-").out)
    return answer.out, rows_of(folder / "work.csv"), document, folder


def test_the_page_says_what_to_do_and_what_is_proven(told: tuple[Any, ...]) -> None:
    page, rows, document, _ = told
    words = " ".join(page.split())
    summary = document["summary"]
    assert f"{summary['changed']} of {summary['fasteners']} fasteners are opened" in words
    assert "proven: no plan with fewer keeps the limits" in words
    assert "A value counts as inside or outside only if it is so by 2 times its standard uncertainty" in words
    assert "Work in walking order" in words
    assert "the licensed surveyor decide" in words
    assert summary["changed"] == summary["changed_at_least"] == len(rows)
    assert summary["gap_percent"] == 0
    assert summary["all_planned_limits_kept"]
    assert max(len(line.rstrip()) for line in page.splitlines()) <= 120
    assert sum(row["slab"] == "Q0182" for row in rows) > len(rows) / 2
    assert re.search(r"^Q0182 +27\+8\d\d\.\d .* in place of the 10", page, re.MULTILINE)


def test_the_rows_are_in_walking_order_and_add_up(told: tuple[Any, ...]) -> None:
    _, rows, document, _ = told
    order = [(row["slab"], int(row["seat"]), row["rail"]) for row in rows]
    assert order == sorted(order)
    assert len(set(order)) == len(order)
    for row in rows:
        assert float(row["shim_mm"]) % 0.5 == float(row["sideways_mm"]) % 0.5 == 0
        assert float(row["shim_mm"]) or float(row["sideways_mm"])
        for name, moved in (("level", "shim_mm"), ("line", "sideways_mm")):
            after = float(row[f"{name}_before_mm"]) + float(row[moved])
            assert float(row[f"{name}_after_mm"]) == pytest.approx(after, abs=0.0101)
        pieces = sum(map(float, re.findall(r"[\d.]+", row["pieces"].split(" in place")[0])))
        assert pieces == pytest.approx(float(row["shim_mm"]) + (10.0 if row["base_out"] == "true" else 0.0))
        assert (float(row["shim_mm"]) < 0) == (row["base_out"] == "true")
    assert len(document["fasteners"]) == len(rows)
    work = [(one["slab"], one["from_seat"], one["rail"]) for one in document["work"]]
    assert work == sorted(work)
    spread = sum(one["to_seat"] - one["from_seat"] + 1 for one in document["work"])
    assert spread == len(rows)


def test_the_pieces_are_those_of_the_rows(told: tuple[Any, ...]) -> None:
    _, rows, document, folder = told
    pieces = rows_of(folder / "order.csv")
    laid = [size for row in rows for size in re.findall(r"[\d.]+", row["pieces"].split(" in place")[0])]
    for kind in pieces:
        if kind["piece"] == "shim":
            assert int(kind["needed"]) == sum(float(size) == float(kind["size_mm"]) for size in laid)
        else:
            pairs = sum(abs(float(row["sideways_mm"])) == float(kind["size_mm"]) for row in rows)
            assert int(kind["needed"]) == pairs
        assert int(kind["to_order"]) == max(int(kind["needed"]) - int(kind["in_stock"]), 0)
    assert sum(int(kind["needed"]) for kind in pieces if kind["piece"] == "shim") == len(laid)
    assert document["summary"]["fewest_shims_to_order"] <= sum(
        int(kind["to_order"]) for kind in pieces if kind["piece"] == "shim"
    )


def test_limits_after_are_kept_and_before_were_not(told: tuple[Any, ...]) -> None:
    document = told[2]
    before = {one["limit"]: one for one in document["limits_before"]}
    after = {one["limit"]: one for one in document["limits_after"]}
    assert before["level"]["out"] > 10
    assert before["cant"]["out"] > 0
    for words, one in after.items():
        assert one["out"] == one["undecided"] == 0, words
    assert document["not_kept"] == []
    names = {one["limit"] for one in document["considered"]}
    assert not any("D1" in name for name in names)
    assert {"stiffness of the rail, in height", "stiffness of the rail, sideways"} < names


def test_the_stiffness_is_told(told: tuple[Any, ...]) -> None:
    page, _, document, _ = told
    height, sideways = document["stiffness"]
    assert height["largest_second_difference_mm"] == pytest.approx(
        height["largest_kink_mrad"] * height["seat_spacing_m"]
    )
    assert 0.5 < height["largest_second_difference_mm"] < 2.0
    assert f"{height['largest_kink_mrad']:.2f} mrad" in " ".join(page.split())
    assert sideways["hold_kn"] == 10.0


def test_slabs_on_their_targets_need_less(project: Path) -> None:
    answer = run("fasteners", project, *PART, "--pose", "target", "--json", "-")
    built = run("fasteners", project, *PART, "--json", "-")
    assert json.loads(answer.out)["summary"]["changed"] < json.loads(built.out)["summary"]["changed"]
    refused = run("fasteners", project, "--pose", "target", "--stage", "fine")
    assert refused.status == 2
    assert "--pose target: expected no survey" in refused.err


def test_slabs_whose_survey_contradicts_itself_get_no_shims(project: Path) -> None:
    answer = run("fasteners", project, "--from", "Q0159", "--to", "Q0161", "--json", "-")
    document = json.loads(answer.out)
    assert document["not_measured"] == ["Q0160"]
    assert all(one["slab"] != "Q0160" for one in document["fasteners"])
    assert answer.status == 1
    page = run("fasteners", project, "--from", "Q0159", "--to", "Q0161").out
    assert "Not measured, or with a survey that contradicts itself: left as they are\n  . Q0160. " in page


def test_what_cannot_be_mended_is_said(project: Path) -> None:
    change(project, "project.toml", "low_mm = -4.0\nhigh_mm = 26.0", "low_mm = -0.5\nhigh_mm = 0.5")
    answer = run("fasteners", project, *PART)
    assert answer.status == 1
    assert "What the fasteners cannot mend" in answer.out
    assert re.search(r"level +left +Q0182 \d", answer.out)
    document = json.loads(run("fasteners", project, *PART, "--json", "-").out)
    assert document["not_kept"][0]["excess_mm"] > 0
    assert not document["summary"]["all_planned_limits_kept"]
    assert document["summary"]["missed_sum_at_least_mm"] > 0


def test_a_given_pose_stands_in_for_the_built_one(project: Path) -> None:
    read = open_project(project)
    n = len(read.layout.names)
    pose = np.tile([0.0, 0.0, 0.0016, 0.0, 0.0, 0.0], (n, 1))
    slabs = (read.layout.names >= "Q0105") & (read.layout.names <= "Q0106")
    plan, after, _ = fastened_rail(read, None, pose, slabs, 20.0)
    chosen = slabs[after.seats.slab]
    assert (plan.height[chosen] <= 0).all()
    assert plan.changed[chosen].all()
    assert not plan.changed[~chosen].any()
    # the same on every seat of both, and yet each slab has rows of its own, left before right
    fastener = read.settings.fastener
    assert fastener is not None
    plan = replace(
        plan, height=np.where(chosen[:, None], -3, np.zeros_like(plan.height)), sideways=np.zeros_like(plan.sideways)
    )
    work = work_table(read, fastener, plan, lay_pieces(plan, fastener))
    assert list(zip(work["slab"], work["from_seat"], work["to_seat"], work["rail"], strict=True)) == [
        (slab, 1, 8, rail) for slab in ("Q0105", "Q0106") for rail in ("left", "right")
    ]
    assert set(work["pieces"]) == {"6 + 2 + 0.5 in place of the 10"}


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("[fastener]", "[fasteners]", "fasteners: expected"),
        ("most_shims = 4", "most_shims = 1", "pieces that make every height from low_mm to high_mm with most_shims"),
        ("hold_kn = 18.0", "hold_kn = -18.0", "fastener.hold_kn"),
    ],
)
def test_a_project_file_that_is_wrong(project: Path, old: str, new: str, said: str) -> None:
    change(project, "project.toml", old, new)
    answer = run("fasteners", project)
    assert answer.status == 2
    assert said in answer.err
    assert answer.out == ""


def without(project: Path, start: str, end: str) -> None:
    text = (project / "project.toml").read_text()
    a = text.index(start)
    (project / "project.toml").write_text(text[:a] + text[text.index(end, a) :])


def test_a_project_without_fasteners_or_limits(project: Path) -> None:
    without(project, "[fastener]", "[rail]")
    answer = run("fasteners", project)
    assert answer.status == 2
    assert "project.toml: fastener: expected a table [fastener]: steps, range and pieces, found none" in answer.err
    text = (project / "project.toml").read_text()
    heads = [m.start() for m in re.finditer(r"^\[\[rail\.limit\]\]", text, re.MULTILINE)]
    after = text.index("\n[", heads[-1] + 5)
    (project / "project.toml").write_text(text[: heads[0]] + text[after + 1 :])
    answer = run("fasteners", project)
    assert "project.toml: rail.limit: expected at least one limit at seats or over a chord or base, found none" in (
        answer.err
    )


def test_nothing_is_written_over_an_input(project: Path) -> None:
    before = (project / "project.toml").read_bytes()
    for option in ("--csv", "--json", "--order"):
        answer = run("fasteners", project, *PART, option, project / "project.toml")
        assert answer.status == 2
        assert "a file other than the inputs" in answer.err
    assert (project / "project.toml").read_bytes() == before


def test_all_of_the_work_on_request(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("viewer.fastener_page._MOST_WORK", 3)
    some = run("fasteners", project, *PART)
    full = run("fasteners", project, *PART, "--all")
    rows = json.loads(run("fasteners", project, *PART, "--json", "-").out)["work"]
    assert f"\n{len(rows) - 3} more rows: --all shows them, --csv and --json have them.\n" in some.out
    work = re.compile(r"^(?:Q\d{4}| {5}) +\d\d\+\d{3}\.\d .*(?:left|right)", re.MULTILINE)
    assert (len(work.findall(some.out)), len(work.findall(full.out))) == (3, len(rows))
