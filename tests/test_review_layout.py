"""The best set of types as a layout that a project reads back, and what other lengths cost, curve by curve."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from project_copies import change, copy_of_demo, run

from geometry.exchange.project import Project, layout_rules, open_project
from geometry.slabs import LayoutRules, fill_spans
from geometry.slabs.best_layout import best_layout
from geometry.slabs.options import fewest_types, room_of

THIRD = "A442"
# 40 odd spans behind each other, with room for slabs of three lengths (true lengths, m)
LENGTHS = [31.70, 24.86, 40.26, 32.49, 29.16, 27.60, 47.46]


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path)


@pytest.fixture
def viaduct(tmp_path: Path) -> Path:
    """A viaduct of 40 odd spans in the place of the demo's structures, and a third type of slab."""
    folder = copy_of_demo(tmp_path)
    text = (folder / "project.toml").read_text()
    at = text.index('[[slab_type]]\nname = "A364"')
    third = text[at:].replace("A364", THIRD).replace("length_m = 3.64", "length_m = 4.42").replace("1.57", "1.96")
    third = third.replace("special = true            # for span ends only\n", "")
    (folder / "project.toml").write_text(f"{text}\n{third}")
    rows, place = ["name,kind,distance_start_m,distance_end_m"], 20.0
    for i in range(40):
        length = LENGTHS[(i * i + 3 * i) % len(LENGTHS)] * 0.99988
        rows.append(f"Alder {i + 1},viaduct,{place:.4f},{place + length:.4f}")
        place += length + 0.06
    (folder / "structures.csv").write_text("\n".join(rows) + "\n")
    return folder


def _rules(project: Project) -> LayoutRules:
    return layout_rules(project.settings)


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(line for line in path.read_text().splitlines() if not line.startswith("#")))


def test_the_best_set_comes_back_as_the_layout_of_the_project(viaduct: Path, tmp_path: Path) -> None:
    before = open_project(viaduct)
    rules_made = np.bincount(before.layout.type_index, minlength=3)
    file = tmp_path / "best.csv"
    answer = run("review", viaduct, "--layout", file, "--json", tmp_path / "r.json")
    assert answer.status in (0, 1)
    assert "a project reads it as layout.csv" in answer.err
    best = json.loads((tmp_path / "r.json").read_text())
    assert "proven to be the fewest" in file.read_text()
    (viaduct / "layout.csv").write_bytes(file.read_bytes())
    after = open_project(viaduct)
    # what is read back is what was counted, span by span, and it keeps the rules
    counts = np.zeros((len(after.spans), 3), dtype=int)
    np.add.at(counts, (after.layout.span, after.layout.type_index), 1)
    for row, told in zip(counts, best["best_set_by_span"], strict=True):
        assert row.tolist() == [told[f"slabs_{t.name}"] for t in after.types]
    assert [f for f in after.layout_findings if "allowed" in str(f) or "overlap" in str(f)] == []
    assert (counts.sum(axis=0) > 0).sum() == best["type_sets"][0]["count"]
    # fewer types than the rules alone lay out, else this proves nothing
    assert best["type_sets"][0]["count"] < (rules_made > 0).sum()
    assert after.layout.names.tolist() == [f"Q{101 + i:04d}" for i in range(len(after.layout.names))]
    gaps = {told["span"]: told["gap_mm"] for told in best["best_set_by_span"]}
    inside = np.isfinite(after.layout.gap_ahead)
    wanted = np.array([gaps[after.spans[i].name] for i in after.layout.span[inside]], dtype=float)
    np.testing.assert_allclose(after.layout.gap_ahead[inside] * 1e3, wanted, rtol=0, atol=1e-3)
    # the commands take it
    listed = run("layout", viaduct, "--csv", tmp_path / "slabs.csv")
    assert listed.err == ""
    assert listed.status == 0
    assert len(rows_of(tmp_path / "slabs.csv")) == len(after.layout.names)
    again = json.loads(run("review", viaduct, "--json", "-").out)
    assert again["type_sets"][0]["types"] == best["type_sets"][0]["types"]
    assert [row["types"] for row in again["type_sets"] if row["in_use"]] == [again["type_sets"][0]["types"]]


def test_a_survey_is_checked_against_it(project: Path, tmp_path: Path) -> None:
    """The demo's best layout is the one that it has: written and read back, every verdict stays."""
    first = run("check", project, "--csv", tmp_path / "a.csv")
    assert run("review", project, "--layout", project / "layout.csv").status == 0
    second = run("check", project, "--csv", tmp_path / "b.csv")
    assert first.status == second.status
    one, other = rows_of(tmp_path / "a.csv"), rows_of(tmp_path / "b.csv")
    assert [(r["slab"], r["verdict"]) for r in one] == [(r["slab"], r["verdict"]) for r in other]
    for row, same in zip(one, other, strict=True):
        for name in ("up_mm", "across_mm", "along_mm"):
            assert row[name] == same[name] or abs(float(row[name]) - float(same[name])) <= 0.011
    assert run("layout", project).err == ""


def test_only_the_named_spans_change(viaduct: Path, tmp_path: Path) -> None:
    before = open_project(viaduct)
    run("review", viaduct, "--layout", tmp_path / "one.csv", "--span", "Alder 3", "--span", "Alder 7")
    (viaduct / "layout.csv").write_bytes((tmp_path / "one.csv").read_bytes())
    after = open_project(viaduct)
    changed = [i for i, s in enumerate(after.spans) if s.name in ("Alder 3", "Alder 7")]
    for i in range(len(after.spans)):
        had, has = (p.layout.distance[p.layout.span == i] for p in (before, after))
        if i not in changed:
            np.testing.assert_allclose(had, has, rtol=0, atol=1e-8)
    choice = fewest_types(room_of(before.alignment, before.spans), before.types, _rules(before))
    for i in changed:
        kinds = np.bincount(after.layout.type_index[after.layout.span == i], minlength=3)
        assert kinds.tolist() == choice.counts[i].tolist()


def test_slabs_that_lie_elsewhere_stay(viaduct: Path) -> None:
    """A span that no set fills keeps what lies there; slabs outside of every span stay too."""
    read = open_project(viaduct)
    rules, line = _rules(read), read.alignment
    choice = fewest_types(room_of(line, read.spans), read.types, rules)
    layout, _ = fill_spans(line, read.spans, read.types, rules)
    choice.counts[5] = 0
    span = layout.span.copy()
    span[:3] = -1
    chosen = np.arange(len(read.spans)) > 0
    made = best_layout(line, read.spans, read.types, rules, replace(layout, span=span), choice, chosen)
    assert (np.diff(made.distance) > 0).all()
    np.testing.assert_array_equal(made.distance[made.span == 5], layout.distance[layout.span == 5])
    np.testing.assert_array_equal(made.distance[made.span == -1], layout.distance[:3])


def test_special_slabs_lie_at_the_ends_whatever_the_order_of_types(viaduct: Path) -> None:
    read = open_project(viaduct)
    types, rules, line = read.types[::-1], _rules(read), read.alignment  # the longest comes last now
    choice = fewest_types(room_of(line, read.spans), types, rules)
    empty = replace(read.layout, **{
        name: getattr(read.layout, name)[:0] for name in ("names", "type_index", "distance", "span", "gap_ahead")
    })  # fmt: skip
    made = best_layout(line, read.spans, types, rules, empty, choice, np.ones(len(read.spans), dtype=bool))
    assert made.names[0] == "Q0101"
    long = int(np.argmax([t.length for t in types]))
    assert choice.members[0][long]
    mixed = 0
    for i in range(len(read.spans)):
        kinds = made.type_index[made.span == i]
        others = np.flatnonzero(kinds != long)
        if 0 < len(others) < len(kinds):
            mixed += 1
            at = np.flatnonzero(kinds == long)
            assert (np.diff(at) == 1).all()  # the long ones lie together, the others before and behind them
            assert 0 <= (others < at[0]).sum() - (others > at[-1]).sum() <= 1
    assert mixed > 5


def test_nothing_is_written_over_without_being_told(project: Path, tmp_path: Path) -> None:
    own = project / "layout.csv"
    assert run("review", project, "--layout", own).status == 0
    before = own.read_bytes()
    answer = run("review", project, "--layout", own)
    assert answer.status == 2
    assert "expected a new file for the layout, found one that is there (--replace lets it go)" in answer.err
    assert own.read_bytes() == before
    assert run("review", project, "--layout", own, "--replace").status == 0
    assert len(rows_of(own)) == 269
    for name in ("structures.csv", "project.toml"):
        held = (project / name).read_bytes()
        answer = run("review", project, "--layout", project / name, "--replace")
        assert answer.status == 2
        assert "an input" in answer.err
        assert (project / name).read_bytes() == held
    answer = run("review", project, "--replace")
    assert answer.status == 2
    assert "--replace: expected --layout" in answer.err
    for file in ("-", str(project / "survey" / "x.csv")):
        assert run("review", project, "--layout", file).status == 2
    assert not (project / "survey" / "x.csv").exists()


def test_names_that_would_not_come_back_are_refused(project: Path) -> None:
    change(project, "project.toml", 'prefix = "Q"', 'prefix = "=Q"')
    answer = run("review", project, "--layout", project / "layout.csv")
    assert answer.status == 2
    assert "that no spreadsheet takes for a formula, found =Q0101" in answer.err
    assert not (project / "layout.csv").exists()


def test_a_designers_file_gets_a_layout_too(project: Path, tmp_path: Path) -> None:
    line = tmp_path / "line.xml"
    assert run("export", project, "--to", line).status == 0
    answer = run("review", line, "--like", project, "--layout", tmp_path / "l.csv")
    assert answer.status in (0, 1)
    assert len(rows_of(tmp_path / "l.csv")) > 250


def test_half_a_metre_more_on_one_curve_in_words_that_can_be_quoted(project: Path) -> None:
    """L^2/8R of the arc R 5200 m for 5.2 and 5.7 m, by hand 0.650 and 0.781 mm; width times pitch over R the wedge."""
    document = json.loads(run("review", project, "--longer", 500, "--json", "-").out)
    rows = [row for row in document["lengths_by_element"] if row["kind"] == "arc" and row["radius_m"] > 0]
    assert [row["longer_mm"] for row in rows] == [0.0, 500.0]
    for row, length in zip(rows, (5.2, 5.7), strict=True):
        # the vertical curve of 25 km leans into the canted track by sin 5 degrees of its own versine
        assert row["versine_largest_mm"] == pytest.approx(length**2 / 8 / 5200 * 1e3, abs=0.013)
        assert row["warp_largest_mm"] < 0.02  # the cant does not change there; what lies over the ends is left out
        assert row["joint_wedge_largest_mm"] == pytest.approx(2.5 * (length + 0.08) / 5200 * 1e3, abs=0.05)
    (words,) = document["lengths_in_words"]
    assert words.startswith("A slab 500 mm longer (5.700 m for 5.200 m) asks on the curve of R +5200 m (cant +130 mm, ")
    assert re.search(r"versine 0\.79 in place of 0\.66 mm \(\+20 %\)", words)  # (5.7/5.2)^2 = 1.20
    assert "warp" not in words
    assert "It cannot fill 12 spans" in words
    by_km = document["lengths"]
    laid = 1.4135  # km of spans, less gaps and clearances: 190.9 slabs of 5.2 m take 0.99 km of each
    assert by_km[0]["slabs_per_km"] * laid == pytest.approx(269, abs=3)
    assert by_km[1]["stand_ins"] > 90
    assert by_km[1]["slabs_per_km"] == pytest.approx(1000 / 5.785, rel=0.02)
    page = run("review", project, "--longer", 500, "--longer", -650).out
    assert "The same, curve by curve" in page
    assert "clothoid, R +5200 to R \u22126400" in page
    assert page.count("asks on the curve of R +5200 m") == 2
    assert "curve by curve" not in run("review", project).out


def test_a_straight_line_has_no_price(project: Path) -> None:
    (project / "horizontal.csv").write_text(
        "kind,length_m,radius_start_m,radius_end_m,easting_m,northing_m,bearing_deg\n"
        "straight,1500,,,431208.455,186740.118,63.52\n"
    )
    (project / "cant.csv").unlink()
    (project / "structures.csv").unlink()
    change(project, "chainage.csv", "28100.000,28112.500\n", "")
    (project / "chainage.csv").unlink()
    document = json.loads(run("review", project, "--longer", 500, "--json", "-").out)
    (words,) = document["lengths_in_words"]
    assert "asks no more of anything on a straight." in words
