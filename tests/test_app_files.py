"""The browser app while files change, lack, break or carry hostile names, and while the server is gone."""

from __future__ import annotations

import shutil
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from app_browser import SIZES, browser_path, launched, served, until, visited
from hostile_names import hostile_project
from project_copies import SURVEY, change, copy_of_demo, read_rows, write_rows

from viewer.terminal import visible

pytestmark = [
    pytest.mark.skipif(browser_path() is None, reason="no Chromium here (Debian: chromium)"),
    # the transport of the driver outlives the loop it was made in, which is not ours to mend
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with launched() as one:
        yield one


def test_live(tmp_path: Path, browser: Any) -> None:
    project = copy_of_demo(tmp_path)
    rows = read_rows(project)
    q0200 = [row for row in rows if row["slab"] == "Q0200"]
    with served(project) as (address, _), visited(address, "desktop", browser) as visit:
        visit.ready()
        visit.act("find", "Q0200")
        visit.waits_for("Q0200")
        assert "within" in visit.page.text_content("#sheet .title")
        for row in q0200:
            row["level_m"] = f"{float(row['level_m']) + 0.004:.5f}"
        write_rows(project, rows)
        visit.page.wait_for_function(
            "document.querySelector('#sheet .title').textContent.includes('out')", timeout=10_000
        )
        # a line that is only half written counts as not there
        survey = project / SURVEY
        whole = survey.read_text()
        survey.write_text(whole[: len(whole) - 20])
        assert until(lambda: "read at" in visit.page.text_content("header"), 3)
        assert visit.page.locator("#notice .warn").count() == 0
        # a broken file: what was read stays, and the page says what is wrong
        survey.write_text(whole.replace("level_m", "hight_m", 1))
        visit.page.wait_for_selector("#notice .warn", timeout=10_000)
        assert "hight_m" in visit.page.text_content("#notice") or "level_m" in visit.page.text_content("#notice")
        assert visit.chosen["sheet"] == "Q0200"
        survey.write_text(whole)
        visit.page.wait_for_selector("#notice .warn", state="detached", timeout=10_000)
        assert visit.complaints == []


def test_missing_survey_then_first_points(tmp_path: Path, browser: Any) -> None:
    project = copy_of_demo(tmp_path)
    kept = tmp_path / "kept.csv"
    shutil.move(project / SURVEY, kept)
    shutil.rmtree(project / "readings")
    with served(project) as (address, _), visited(address, "tablet", browser) as visit:
        visit.ready()
        assert "No survey yet" in visit.page.text_content("#notice")
        assert "not measured" in visit.page.text_content("#sheet")
        assert "nan" not in visit.page.text_content("body")
        shutil.copy(kept, project / SURVEY)
        visit.page.wait_for_selector("#notice .warn", state="detached", timeout=10_000)
        assert visit.complaints == []


def test_broken_project_tells_what_to_mend(tmp_path: Path, browser: Any) -> None:
    project = copy_of_demo(tmp_path)
    good = (project / "horizontal.csv").read_text()
    change(project, "horizontal.csv", "length_m", "lenght_m")
    with served(project) as (address, _), visited(address, "phone", browser) as visit:
        visit.page.wait_for_selector(".guide li")
        assert "horizontal.csv" in visit.page.text_content(".guide")
        assert not visit.page.is_visible("#sheet")
        (project / "horizontal.csv").write_text(good)
        visit.page.wait_for_selector("#sheet-name", timeout=10_000)
        assert visit.complaints == []


def test_empty_folder_tells_what_to_do(tmp_path: Path, browser: Any) -> None:
    with served(tmp_path) as (address, _), visited(address, "phone", browser) as visit:
        visit.page.wait_for_selector(".guide li")
        assert "project.toml" in visit.page.text_content(".guide")
        assert "slabpose demo" in visit.page.text_content(".guide")


def test_hostile_names_are_text(tmp_path: Path, browser: Any) -> None:
    project = copy_of_demo(tmp_path)
    hostile = "<img src=x onerror=document.title=1>{{1+1}}"
    change(project, "project.toml", 'name = "', f'name = "{hostile}')
    structures = (project / "structures.csv").read_text()
    (project / "structures.csv").write_text(structures.replace("Lapwing bank", "<script>x</script>"))
    rows = read_rows(project)
    write_rows(project, [{**row, "stage": "<b>fine</b>"} for row in rows])
    with served(project) as (address, _), visited(address, "desktop", browser) as visit:
        visit.ready()
        assert hostile in visit.page.text_content("h1")
        assert visit.page.title() == "slabpose"
        assert visit.page.locator("#views script, #views img[src=x], header img, #views b:text-is('fine')").count() == 0
        assert "<b>fine</b>" in visit.page.text_content("#pick-stage")
        assert "<script>" in visit.page.text_content("#stretch")
        assert visit.complaints == []


def test_names_of_every_kind_are_text(tmp_path: Path, browser: Any) -> None:
    """Markup, formulas, line ends, directions of writing, very long ones: slabs, types, structures, the project."""
    project, names = hostile_project(tmp_path)
    with served(project) as (address, _), visited(address, "tablet", browser) as visit:
        visit.ready()
        seen = visit.page.text_content("body")
        assert "\u202e" not in seen  # it would turn round what follows it: Q0137 could read as 7310Q
        assert "\\u202e" in seen
        assert visit.page.title() == "slabpose"
        for name in names[:13]:
            visit.act("slab", names.index(name))
            told = visit.page.locator("#sheet-name")
            start = visible(name)[:60]
            assert until(lambda told=told, start=start: told.text_content().startswith(start))
            assert visit.page.locator("#sheet script, #table script, #sheet img, #table img").count() == 0
            assert visit.page.evaluate("document.documentElement.scrollWidth") <= SIZES["tablet"][0]
        assert visit.complaints == []


def test_page_comes_back_when_the_server_does(tmp_path: Path, browser: Any) -> None:
    project = copy_of_demo(tmp_path)
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port = str(one.getsockname()[1])
    options = ("--token", "the same for both", "--port", port)
    with served(project, *options) as (address, _):
        visiting = visited(address, "phone", browser)
        visit = visiting.__enter__()
        visit.ready()
    try:
        visit.page.wait_for_selector("#gone")
        assert "does not answer" in visit.page.text_content("#gone")
        assert visit.page.evaluate("document.documentElement.scrollWidth") <= SIZES["phone"][0]
        with served(project, *options):
            visit.ready()
            assert visit.page.locator("#gone").count() == 0
            assert set(visit.chosen.values()) == {"Q0137"}
    finally:
        visiting.__exit__(None, None, None)


def test_page_waits_for_a_slow_project(tmp_path: Path, browser: Any) -> None:
    """A section of thousands of slabs takes seconds to read: until then the page says so."""
    from test_benchmarks import make_large_project

    make_large_project(tmp_path, 5000)
    with served(tmp_path) as (address, _), visited(address, "tablet", browser) as visit:
        assert "Reading the section" in visit.page.text_content("body")
        visit.ready()
        assert "5,000 slabs" in visit.page.text_content("header")
        assert visit.complaints == []
