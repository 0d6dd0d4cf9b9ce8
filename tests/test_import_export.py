"""Into a project and out of it, as a designer would."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from project_copies import copy_of_demo, run
from test_ifc import model_of
from test_landxml import LEVEL, MADE, alignment_of, document, line_of

from geometry.alignment import chainage_count, evaluate
from geometry.exchange.landxml_writing import landxml_of, to_bytes
from geometry.exchange.project import open_alignment


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


@pytest.mark.parametrize("suffix", [".ifc", ".xml"])
def test_a_project_goes_out_and_comes_back(project: Path, tmp_path: Path, suffix: str) -> None:
    file, folder = tmp_path / f"line{suffix}", tmp_path / "back"
    assert run("export", project, "--to", file).status == 0
    answer = run("import", file, folder)
    assert answer.status == 0
    assert "project.toml before anybody relies on a verdict" in answer.out
    was, count, *_ = open_alignment(project)
    is_now, counted, settings, _ = open_alignment(folder)
    assert settings.alignment.pivot == "low_rail"
    s = np.linspace(0, min(was.length, is_now.length), 3001)
    a, b = evaluate(was, s), evaluate(is_now, s)
    for name in ("easting", "northing", "level", "cant"):
        assert np.abs(getattr(a, name) - getattr(b, name)).max() < 1e-6, name
    assert counted.to_chainage(900.0) == pytest.approx(float(count.to_chainage(900.0)), abs=1e-9)
    assert run("layout", folder).status in (0, 1)
    text = (folder / "project.toml").read_text()
    assert f"Made from line{suffix}" in text
    assert "grid_scale = 1.0 # grid length over true length: not in the file" in text


@pytest.mark.parametrize("law", ["clothoid", "viennese", "cubic"])
def test_every_law_survives_the_tables_of_a_project(tmp_path: Path, law: str) -> None:
    line = line_of(law, False, -1, "centre")
    (tmp_path / "line.ifc").write_text(model_of(line, chainage_count(5000.0, line.length)).to_string())
    allow = ["--allow-jumps"] if law == "cubic" else []
    assert run("import", tmp_path / "line.ifc", tmp_path / "p", *allow).status == 0
    again, count, settings, warnings = open_alignment(tmp_path / "p")
    assert not warnings
    s = np.linspace(0, min(line.length, again.length), 2001)
    a, b = evaluate(line, s), evaluate(again, s)
    for name in ("easting", "northing", "level", "cant"):
        assert np.abs(getattr(a, name) - getattr(b, name)).max() < 1e-6, name
    assert settings.alignment.pivot == "centre"
    assert float(count.first[0]) == 5000.0


def test_a_file_stands_for_a_project(project: Path, tmp_path: Path) -> None:
    file = tmp_path / "line.xml"
    assert run("export", project, "--to", file).status == 0
    for command in (["stations", "--at", "28000"], ["rules", "--speed", "250"]):
        name, *options = command
        both = [json.loads(run(name, place, *options, "--json", "-").out) for place in (project, file)]
        rows = [answer.get("stations") or answer["findings"] for answer in both]
        if name == "stations":
            for key, value in rows[0][0].items():
                assert rows[1][0][key] == pytest.approx(value, abs=1e-6), key
        else:
            assert {r["verdict"] for r in rows[0]} == {r["verdict"] for r in rows[1]}
        assert list(both[1]["made_from"]["inputs_sha256"]) == ["line.xml"]
    points = project / "survey" / "fine_adjustment.csv"
    offsets = [json.loads(run("offsets", place, points, "--json", "-").out)["points"] for place in (project, file)]
    assert offsets[0][5]["offset_m"] == pytest.approx(offsets[1][5]["offset_m"], abs=1e-6)
    laid = run("layout", file, "--like", project, "--json", "-")
    assert laid.status == 0
    assert len(json.loads(laid.out)["slabs"]) > 250
    assert "line.xml" in json.loads(laid.out)["made_from"]["inputs_sha256"]


def test_what_was_taken_for_granted_is_told(tmp_path: Path) -> None:
    straight = "<CoordGeom><Line><Start>2000 1000</Start><End>2300 1400</End></Line></CoordGeom>"
    (tmp_path / "line.xml").write_text(document(alignment_of(straight, LEVEL.format(end=500))))
    answer = run("stations", tmp_path / "line.xml")
    assert answer.status == 0
    assert "note: line.xml: no cant in the file: none is assumed" in answer.err
    assert answer.out.startswith("a: the design line")


def test_jumps_have_to_be_allowed(tmp_path: Path) -> None:
    kink = (
        "<CoordGeom><Line><Start>0 0</Start><End>100 0</End></Line>"
        "<Line><Start>100 0</Start><End>500 1</End></Line></CoordGeom>"
    )
    (tmp_path / "line.xml").write_text(document(alignment_of(kink, LEVEL.format(end=500.01))))
    refused = run("import", tmp_path / "line.xml", tmp_path / "p")
    assert refused.status == 2
    assert "bearing jumps by" in refused.err
    assert "--allow-jumps" in refused.err
    assert not (tmp_path / "p").exists()
    taken = run("import", tmp_path / "line.xml", tmp_path / "p", "--allow-jumps")
    assert taken.status == 0
    assert "jump in bearing allowed at element 2" in taken.err
    assert 'reason = "stands in line.xml"' in (tmp_path / "p" / "project.toml").read_text()
    assert run("stations", tmp_path / "p").status == 0


def test_nothing_is_written_over(project: Path, tmp_path: Path) -> None:
    file = tmp_path / "line.xml"
    assert run("export", project, "--to", file).status == 0
    before = {p: p.read_bytes() for p in project.rglob("*") if p.is_file()}
    assert run("import", file, project).status == 2
    assert run("export", project, "--to", project / "horizontal.csv").status == 2
    assert run("stations", file, "--csv", file).status == 2
    assert {p: p.read_bytes() for p in project.rglob("*") if p.is_file()} == before


def test_set_out_columns_stand_in_the_order_asked_for(project: Path, tmp_path: Path) -> None:
    file = tmp_path / "set_out.csv"
    assert run("export", project, "--to", file, "--columns", "corner,level_m,slab").status == 0
    rows = [line for line in file.read_text().splitlines() if not line.startswith("#")]
    assert rows[0] == "corner,level_m,slab"
    assert rows[1].startswith("RL,")
    wrong = run("export", project, "--to", tmp_path / "b.csv", "--columns", "corner,levl_m")
    assert wrong.status == 2
    assert "did you mean level_m" in wrong.err


def test_what_cannot_be_done_is_told(project: Path, tmp_path: Path) -> None:
    for arguments, words in (
        (("export", project, "--to", tmp_path / "a.pdf"), "a file that ends in"),
        (("export", project), "--to"),
        (("import", tmp_path / "none.ifc", tmp_path / "p"), "nothing of that name"),
        (("import", project / "project.toml", tmp_path / "p"), "a file that ends in"),
        (("layout", tmp_path / "none.xml"), "--like"),
        (("layout", project, "--like", project), "a designer's file"),
        (("stations", tmp_path / "none.xml"), "nothing of that name"),
    ):
        answer = run(*arguments)
        assert answer.status == 2, arguments
        assert words in answer.err, answer.err
        assert "Traceback" not in answer.err


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    line = line_of("clothoid", False, 1)
    name = 'a"]\nx = 1 # <&> \u202e'
    root = landxml_of(line, chainage_count(0.0, line.length), name, MADE)
    (tmp_path / "line.xml").write_bytes(to_bytes(root))
    assert run("import", tmp_path / "line.xml", tmp_path / "p").status == 0
    _, _, settings, _ = open_alignment(tmp_path / "p")
    assert settings.name in (name, name.replace("\n", " "))  # an attribute of XML has no line ends
