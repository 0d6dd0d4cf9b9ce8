"""The demo's bed and anchors: made again byte for byte, and exactly what was planted is found."""

from __future__ import annotations

import shutil
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from project_copies import DEMO, checked, demo_script

from geometry.exchange.bed_files import AnchorSurvey, BedSurvey, read_anchors, read_bed
from geometry.exchange.mortar_section import batches_of, mortar_of, mortar_warnings
from geometry.exchange.mortar_tables import bed_table, mortar_table, ring_table
from geometry.exchange.project import Project, open_project
from geometry.exchange.survey_files import read_survey, survey_paths
from geometry.placement import NOT_MEASURED, OUT, UNDECIDED, WITHIN, SectionCheck
from geometry.placement.mortar import MortarReport, posed

HIGH, LOW, CLOSE = "Q0232", "Q0284", "Q0267"
FILES = ("bed/viaduct.csv", "bed/rest.csv", "anchors.csv")


@pytest.fixture(scope="module")
def script() -> ModuleType:
    return demo_script("make_bed")


@pytest.fixture(scope="module")
def project() -> Project:
    return open_project(DEMO)


@pytest.fixture(scope="module")
def check(project: Project) -> SectionCheck:
    return checked(project, read_survey(project, survey_paths(DEMO)))


@pytest.fixture(scope="module")
def bed(project: Project) -> BedSurvey:
    return read_bed(project)


@pytest.fixture(scope="module")
def anchors(project: Project) -> AnchorSurvey:
    return read_anchors(project)


@pytest.fixture(scope="module")
def report(project: Project, check: SectionCheck, bed: BedSurvey, anchors: AnchorSurvey) -> MortarReport:
    return mortar_of(project, check, bed, anchors)


def names_of(project: Project, which: np.ndarray) -> list[str]:
    return [str(name) for name in project.layout.names[which]]


def test_bed_and_anchors_are_made_again_byte_for_byte(script: ModuleType, tmp_path: Path) -> None:
    copy = tmp_path / "demo"
    shutil.copytree(DEMO, copy, ignore=shutil.ignore_patterns("bed", "anchors.csv", "__pycache__"))
    made = script.make(copy)
    assert [path.relative_to(copy).as_posix() for path in made] == list(FILES)
    for name in FILES:
        assert (copy / name).read_bytes() == (DEMO / name).read_bytes(), name
    assert sum((DEMO / name).stat().st_size for name in FILES) < 400_000


def test_no_printed_digit_hangs_on_the_last_bit(script: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    """Machines differ by 1e-10 m at such coordinates; the files shall come out the same on all of them."""
    made: list[tuple[dict[str, np.ndarray], dict[str, int]]] = []
    monkeypatch.setattr(script, "write_csv", lambda path, table, decimals: made.append((table, decimals)))
    script.make(DEMO)
    for table, decimals in made:
        for name in ("easting_m", "northing_m", "level_m"):
            unit = 10.0 ** -decimals.get(name, 4)
            steps = table[name] / unit
            assert np.abs(steps - np.floor(steps) - 0.5).min() * unit > 1e-9


def test_they_read_without_a_warning(
    project: Project, bed: BedSurvey, anchors: AnchorSurvey, report: MortarReport
) -> None:
    assert bed.warnings == anchors.warnings == mortar_warnings(project, bed, report) == ()
    assert (anchors.anchor_of >= 0).all()
    per_slab = np.bincount(report.bed_map.slab)
    assert 12 <= np.median(per_slab) <= 20
    assert per_slab.min() >= 8
    assert (report.gaps.covered[np.isfinite(report.gaps.covered)] > 1 - 1e-9).all()


def test_exactly_what_was_planted_is_found(project: Project, check: SectionCheck, report: MortarReport) -> None:
    assert names_of(project, report.verdict == OUT) == [HIGH, CLOSE, LOW]
    assert names_of(project, report.smallest_verdict == OUT) == [HIGH]
    assert names_of(project, report.largest_verdict == OUT) == [LOW]
    assert names_of(project, report.bed_verdict == OUT) == [HIGH, LOW]
    assert names_of(project, report.anchor_verdict == OUT) == [CLOSE]
    points = report.bed_map.verdict == OUT
    assert names_of(project, report.bed_map.slab[points]) == [HIGH, LOW]
    assert [v[1] for v in zip(report.bed_map.deviation[points] > 0, ("high", "low"), strict=True)] == ["high", "low"]
    # besides, only slabs without a sound survey are not within
    assert (check.verdict[report.verdict == OUT] == WITHIN).all()
    for verdict in (report.verdict, report.gap_verdict, report.anchor_verdict):
        assert names_of(project, verdict == UNDECIDED) == names_of(project, report.doubted)
    assert names_of(project, report.verdict == NOT_MEASURED) == names_of(project, ~check.fits.determined)
    assert (report.bed_verdict == WITHIN).sum() == len(report.verdict) - 2


def test_the_sizes_are_those_that_were_planted(
    project: Project, report: MortarReport, bed: BedSurvey, anchors: AnchorSurvey, script: ModuleType
) -> None:
    table = bed_table(project, bed, report)
    for name, sign in ((HIGH, 1), (LOW, -1)):
        height, place = script.SPOTS[name]
        mine = np.flatnonzero(table["slab"] == name)
        worst = mine[(sign * table["deviation_mm"][mine]).argmax()]
        # the surface around and the survey come on top
        assert abs(table["deviation_mm"][worst] - height * 1e3) < 3 * 1.4 + 2
        assert np.hypot(table["across_m"][worst] - place[0], table["along_m"][worst] - place[1]) < 0.7
        slab = project.layout.names.tolist().index(name)
        extreme = report.gaps.smallest_place if sign > 0 else report.gaps.largest_place
        assert np.abs(extreme[slab] - [table["across_m"][worst], table["along_m"][worst]]).max() < 5e-3
    rings = ring_table(project, anchors, report)
    close = np.flatnonzero(rings["verdict"] == "out")
    assert [(rings["slab"][i], rings["end"][i]) for i in close] == [(CLOSE, "rear")]
    assert abs(rings["along_mm"][close[0]] - (50 - script.MOVED_ANCHOR[2] * 1e3)) < 4 + 1.5 + 3
    off = report.bed_map.deviation * 1e3
    assert np.abs(report.bed_map.sigma - np.hypot(0.5e-3, 0.3e-3)).max() < 1e-12  # own and shared, of project.toml
    quiet = np.abs(off) < 10
    assert 1.2 < np.std(off[quiet]) < 2.0  # 1.4 mm of surface, 0.5 mm of survey


def test_the_gap_is_the_nominal_one_plus_pose_less_bed(project: Project, check: SectionCheck, report: MortarReport,
                                                       bed: BedSurvey, anchors: AnchorSurvey) -> None:  # fmt: skip
    designed = mortar_of(project, check, bed, anchors, "target")
    assert designed.pose == "target"
    known = np.isfinite(report.gaps.mean)
    # the mean rises by as much as the slab does; 5 um for the slab's move over the slope of the bed
    rise = (report.gaps.mean - designed.gaps.mean)[known]
    assert np.abs(rise - check.pose[known, 2]).max() < 3e-5
    assert abs(np.median(designed.gaps.mean) - 0.055) < 5e-4
    assert np.isfinite(designed.gaps.mean).all()  # the slab that was not surveyed has a target all the same
    assert (designed.gaps.volume_own < report.gaps.volume_own + 1e-12)[known].all()
    # a given pose: that of the survey, as deviation
    given = mortar_of(project, check, bed, anchors, "given", (check.pose, check.fits.covariance))
    for name in ("smallest", "largest", "volume", "volume_own", "under_area"):
        assert np.nanmax(np.abs(getattr(given.gaps, name) - getattr(report.gaps, name))) < 1e-9, name
    assert np.abs(posed(check.targets, check.pose, project.alignment.rules.grid_scale)[0] - check.fits.position)[
        known
    ].max() < 1e-8  # fmt: skip
    with pytest.raises(ValueError, match="deviations"):
        mortar_of(project, check, bed, anchors, "given")


def test_injected_slabs_are_not_mixed_for(project: Project, check: SectionCheck, report: MortarReport) -> None:
    everything = np.ones(len(report.verdict), dtype=bool)
    batches = batches_of(project, check, report, everything)
    mixed = batches.batch >= 0
    assert not (mixed & check.held).any()
    assert (mixed == (report.gaps.measured & ~check.held)).all()
    assert abs(batches.volume.sum() - 1.05 * report.gaps.volume[mixed].sum()) < 1e-9
    assert (batches.volume <= 2.5 + 1e-9).all()
    few = everything & (np.arange(len(everything)) < 10)
    assert batches_of(project, check, report, few).slabs.sum() == 10
    table = mortar_table(project, report, batches)
    assert np.nanmax(table["batch"]) == len(batches.first)


def test_the_readme_of_the_demo_tells_all_of_it(script: ModuleType) -> None:
    text = (DEMO / "README.md").read_text()
    for name in (*FILES, "make_bed.py", HIGH, LOW, *script.MOVED_ANCHOR[:2], str(script.SEED)):
        assert name in text
    for value in (script.SPOTS[HIGH][0], -script.SPOTS[LOW][0], script.MOVED_ANCHOR[2]):
        assert f"{value * 1e3:g} mm" in text
    for name in FILES:
        for column in (DEMO / name).read_text().splitlines()[0].split(","):
            assert f"`{column}`" in text
