# ruff: noqa: E501 - what is broken and what has to be told of it stand in one line
"""Options that name nothing, results that would overwrite, hostile names: told, and nothing is lost."""

from __future__ import annotations

from pathlib import Path

import pytest
from broken_projects import C, E, H, P, S, V, plus, told
from project_copies import SURVEY, change, copy_of_demo, read_rows, run, write_rows


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


HOSTILE = ["=cmd|'/c calc'!A1", "<script>alert(1)</script>", "\x1b[31mred\x1b[0m", "x" * 400, "\u202egnp.exe", "\U0001f600",
           "[bold red]b[/]", "a\u0000b".replace("\u0000", "\u0007"), "'; drop", "+1", "@x", "\u05e9\u05dc\u05d5\u05dd"]  # fmt: skip


def test_hostile_names_are_shown_and_written_as_what_they_are(project: Path) -> None:
    rows = read_rows(project)
    for i, name in enumerate(HOSTILE):
        rows[i] = {
            **rows[i],
            "point": name,
            "slab": name if i % 2 else "",
            "corner": "",
            "easting_m": plus(3)(rows[i]["easting_m"]),
        }
    write_rows(project, rows)
    change(project, P, "Quillmoor link, track 2", "\\u001b[31m<b>=1\\u202e")
    result = project / "v.csv"
    answer = run("check", project, "--all", "--csv", result)
    assert answer.status == 1
    for text in (answer.out, answer.err):
        assert "\x1b" not in text
        assert "\u202e" not in text
        assert "\x07" not in text
    assert "x" * 60 not in answer.out
    assert "[bold red]b[/]" in answer.out


def test_hostile_names_of_files_and_folders_are_shown_as_what_they_are(project: Path) -> None:
    hostile = "\x1b[31m\u202e"
    (project / "survey" / f"{hostile}.csv").write_text("point\n1\n")
    for arguments in ((project,), (project / hostile,), (project, "--from", hostile), (project, "--stage", hostile),
                      (project, "--survey", hostile), (project, "--csv", project / hostile / "x")):  # fmt: skip
        answer = run("check", *arguments)
        assert answer.status == 2
        assert "\x1b" not in answer.err
        assert "\u202e" not in answer.err
        assert "\\x1b[31m\\u202e" in answer.err


def test_hostile_slab_names_are_no_formulas_in_a_result(project: Path) -> None:
    lines = [f"{name},A520,{27500 + 5.28 * i:.3f}" for i, name in enumerate(HOSTILE)]
    (project / "layout.csv").write_text("slab,type,chainage_m\n" + "\n".join(lines) + "\n")
    result = project / "v.csv"
    answer = run("layout", project, "--csv", result)
    assert answer.status == 1  # the clearances of this layout
    assert "\x1b" not in answer.out + answer.err
    firsts = [line.split(",")[0].strip('"') for line in result.read_text().splitlines() if not line.startswith("#")]
    assert len(firsts) == 13
    assert not any(cell.startswith(("=", "+", "@", "-")) for cell in firsts)


@pytest.mark.parametrize("arguments", [
    ("check", "--csv"), ("check", "--json"), ("check", "--corners"), ("check", "--joints"), ("layout", "--csv"),
    ("layout", "--json"), ("stations", "--csv"), ("stations", "--json"), ("offsets", "--csv"), ("offsets", "--json"),
])  # fmt: skip
@pytest.mark.parametrize("name", [H, V, C, S, E, P, SURVEY, "layout.csv"])
def test_nothing_is_written_over_an_input(project: Path, arguments: tuple[str, str], name: str) -> None:
    command, option = arguments
    before = {path: path.read_bytes() for path in project.rglob("*") if path.is_file()}
    points = [project / SURVEY] if command == "offsets" else []
    answer = run(command, project, *points, option, project / "survey" / ".." / name)
    told(answer, "expected a file other than the inputs, found an input (give the result another name)")
    assert {path: path.read_bytes() for path in project.rglob("*") if path.is_file()} == before


def test_links_to_an_input_are_inputs(project: Path) -> None:
    (project / "link.csv").symlink_to(project / C)
    (project / "hard.csv").hardlink_to(project / C)
    before = (project / C).read_bytes()
    for name in ("link.csv", "hard.csv"):
        told(run("layout", project, "--csv", project / name), "found an input")
    assert (project / C).read_bytes() == before


def test_no_result_lands_among_the_surveys_or_on_another_result(project: Path) -> None:
    told(
        run("check", project, "--csv", project / "survey" / "verdicts.csv"), "every table in there is read as a survey"
    )
    one = project / "one.csv"
    told(
        run("check", project, "--csv", one, "--json", project / "survey/../one.csv"),
        "a file of its own for each result",
    )
    assert not one.exists()


def test_a_place_that_takes_no_result(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told(run("check", project, "--csv", project / "no" / "v.csv"), "no such file or directory (make the folder first)")
    told(run("check", project, "--csv", "/dev/null"), "/dev/null: expected a file, found a device")
    opened = Path.open

    def refuse(path: Path, mode: str = "r", *rest: object, **named: object) -> object:
        if "x" in mode:
            raise PermissionError(13, "Permission denied", str(path))
        return opened(path, mode, *rest, **named)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", refuse)
    told(run("check", project, "--csv", project / "v.csv"), "expected a place to write to, found permission denied")


PLACES = {
    "before the line": (("--from", "27000"), "--from: expected a chainage that names one place, found chainage 27+000.000 does not exist"),
    "in a jump of the count": (("--to", "28+105"), "--to: expected a chainage that names one place, found chainage 28+105.000 does not exist"),
    "turned round": (("--from", "28000", "--to", "27900"), "expected slabs between them, found none from 28000 to 27900"),
    "no number": (("--from", "nan"), "--from: expected the name of a slab, or a chainage in m, found 'nan'"),
    "no end": (("--to", "inf"), "--to: expected the name of a slab, or a chainage in m, found 'inf'"),
    "no slab": (("--from", "Q0999"), "found 'Q0999' (did you mean Q0299?)"),
    "no stage": (("--stage", "final"), "--stage: expected a stage of the survey ('fine'), found 'final' (did you mean fine?)"),
    "no file": (("--survey", "nowhere.csv"), "nowhere.csv: expected a file, found nothing of that name"),
}  # fmt: skip


@pytest.mark.parametrize(("options", "expected"), PLACES.values(), ids=PLACES)
def test_options_that_name_nothing(project: Path, options: tuple[str, ...], expected: str) -> None:
    told(run("check", project, *options), expected)


def test_a_chainage_that_occurs_twice_names_both_places(project: Path) -> None:
    (project / E).write_text("chainage_back_m,chainage_ahead_m\n28000.000,27950.000\n")
    (project / S).unlink()
    answer = run("check", project, "--from", "27+980")
    told(answer, "27+980.000 occurs twice, at distance 580.000 m and distance 630.000 m", "(or name a slab)")
    told(run("stations", project, "--at", "27980"), "distance 580.000 m and distance 630.000 m")
    assert run("check", project, "--from", "Q0200", "--to", "Q0202").status == 1


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "x", "", "1e999"])
@pytest.mark.parametrize("option", ["--at", "--at-distance", "--every"])
def test_stations_at_no_number(project: Path, option: str, text: str) -> None:
    answer = run("stations", project, option, text)
    assert answer.status == 2
    assert f"Invalid value for '{option}': expected " in answer.err
    assert answer.out == ""


def test_stations_too_many_or_off_the_line(project: Path) -> None:
    assert "expected a length of at least 0.001 m, found '0'" in run("stations", project, "--every", "0").err
    assert run("stations", project, "--at-distance", "1500.1").status == 2
    assert run("stations", project, "--every", "1e12").status == 0


def test_a_text_for_a_point_in_offsets(project: Path) -> None:
    (project / "points.csv").write_text("point,easting_m,northing_m,level_m\nA,431300,186800,here\nB,1,,3\n")
    told(run("offsets", project, project / "points.csv"), "points.csv:2: level_m: expected a level in m, found 'here'",
         "points.csv:3: northing_m: expected a northing in m, found an empty cell")  # fmt: skip
