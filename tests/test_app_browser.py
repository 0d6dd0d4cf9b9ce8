"""The browser app in a real browser: four views of one selection, live, alone by keyboard, at three widths."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
from app_browser import SIZES, Visit, browser_path, launched, served, until, visited
from project_copies import copy_of_demo

from viewer.app.book import Book
from viewer.gl import probe

pytestmark = [
    pytest.mark.skipif(browser_path() is None, reason="no Chromium here (Debian: chromium)"),
    # the transport of the driver outlives the loop it was made in, which is not ours to mend
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]
with_gl = pytest.mark.skipif(not probe().works, reason="no OpenGL here")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with launched() as one:
        yield one


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copy_of_demo(tmp_path_factory.mktemp("app"))


@pytest.fixture(scope="module")
def address(project: Path) -> Iterator[str]:
    with served(project) as (address, _):
        yield address


@pytest.fixture
def visit(address: str, browser: Any) -> Iterator[Visit]:
    with visited(address, "desktop", browser) as one:
        one.ready()
        yield one
        assert one.complaints == []


def slab_of(project: Path, name: str) -> int:
    book = Book(project)
    book.look()
    assert book.latest is not None
    return book.latest.section.slab(name)


def test_all_views_show_one_slab(visit: Visit) -> None:
    # the demo's worst slab: 3.6 mm up, as its README tells
    assert set(visit.chosen.values()) == {"Q0137"}


def test_click_in_the_table(visit: Visit) -> None:
    visit.page.click("#table tbody tr:nth-child(5) td:nth-child(2)")
    name = visit.page.text_content("#table tbody tr:nth-child(5) th")
    visit.waits_for(name)
    assert set(visit.chosen.values()) == {name}


def test_click_in_the_section(visit: Visit) -> None:
    option = visit.page.locator("#stretch [role=option]").nth(7)
    name = option.get_attribute("aria-label").split(",")[0]
    option.click()
    visit.waits_for(name)
    assert set(visit.chosen.values()) == {name}


def test_click_on_the_whole_line_and_in_the_charts(visit: Visit) -> None:
    box = visit.page.locator("#strip svg").bounding_box()
    visit.page.mouse.click(box["x"] + box["width"] - 13, box["y"] + 28)  # at the very end
    visit.waits_for("Q0369")
    box = visit.page.locator("#charts svg").bounding_box()
    visit.page.mouse.click(box["x"] + 47, box["y"] + 60)  # at the start of the stretch
    assert until(lambda: len(set(visit.chosen.values())) == 1 and visit.chosen["sheet"] != "Q0369")
    assert visit.chosen["sheet"] < "Q0369"


@with_gl
def test_click_in_3d(visit: Visit) -> None:
    visit.waits_for_picture()
    box = visit.page.locator("#solid").bounding_box()
    before = visit.picture()
    # the next slab lies ahead, to the right and further up
    visit.page.mouse.click(box["x"] + 0.56 * box["width"], box["y"] + 0.47 * box["height"])
    assert until(lambda: visit.chosen["sheet"] != "Q0137")
    name = visit.chosen["sheet"]
    assert name in ("Q0138", "Q0139")
    assert until(lambda: set(visit.chosen.values()) == {name})
    assert until(lambda: visit.picture() != before)


@with_gl
def test_turning_the_3d_view_chooses_nothing(visit: Visit) -> None:
    visit.waits_for_picture()
    before = visit.picture()
    box = visit.page.locator("#solid").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    visit.page.mouse.move(x, y)
    visit.page.mouse.down()
    visit.page.mouse.move(x + 80, y + 10, steps=4)
    visit.page.mouse.up()
    assert until(lambda: visit.picture() != before)
    assert visit.chosen["sheet"] == "Q0137"


@pytest.mark.parametrize(
    ("typed", "name"), [("q0160", "Q0160"), ("27+745", "Q0160"), ("27745.0", "Q0160"), ("27+861.5", "Q0182")]
)
def test_search(visit: Visit, typed: str, name: str) -> None:
    # chainages as the README's table tells them
    visit.page.fill("#wanted", typed)
    visit.page.press("#wanted", "Enter")
    visit.waits_for(name)
    assert set(visit.chosen.values()) == {name}


def test_search_for_what_is_not_there(visit: Visit) -> None:
    visit.page.fill("#wanted", "Q9999")
    visit.page.press("#wanted", "Enter")
    visit.page.wait_for_function("document.querySelector('#said').textContent.includes('no slab is called Q9999')")
    assert set(visit.chosen.values()) == {"Q0137"}


@pytest.mark.parametrize("where", ["#strip", "#stretch", "#charts"])
def test_arrow_keys(visit: Visit, where: str) -> None:
    visit.page.focus(where)
    visit.page.keyboard.press("ArrowRight")
    visit.waits_for("Q0138")
    visit.page.keyboard.press("ArrowRight")
    visit.waits_for("Q0139")
    visit.page.keyboard.press("ArrowLeft")
    visit.waits_for("Q0138")
    visit.page.keyboard.press("Home")
    visit.waits_for("Q0101")
    visit.page.keyboard.press("End")
    visit.waits_for("Q0369")


def test_arrow_keys_in_the_table_keep_the_focus(visit: Visit) -> None:
    visit.page.focus("#row-36")
    for name in ("Q0138", "Q0139"):
        visit.page.keyboard.press("ArrowDown")
        visit.waits_for(name)
        visit.page.wait_for_function("name => document.activeElement.textContent === name", arg=name)


def test_steps_through_what_needs_work(visit: Visit) -> None:
    # the six that the README's table lists
    for name in ("Q0160", "Q0182", "Q0213", "Q0296", "Q0318"):
        visit.page.click("#work-on")
        visit.waits_for(name)
    visit.page.click("#work-on")
    visit.page.wait_for_function("document.querySelector('#told').textContent.includes('no slab after this one')")
    assert visit.chosen["sheet"] == "Q0318"


def test_filter(visit: Visit) -> None:
    assert visit.page.locator("#table tbody tr").count() == 40
    visit.page.click("#chip-0")
    visit.page.wait_for_function("document.querySelectorAll('#table tbody tr').length === 6")
    assert visit.page.get_attribute("#chip-0", "aria-pressed") == "false"
    names = visit.page.locator("#table tbody th").all_text_contents()
    assert names == ["Q0137", "Q0160", "Q0182", "Q0213", "Q0296", "Q0318"]
    # the arrow keys go through what is shown
    visit.page.focus("#stretch")
    visit.page.keyboard.press("ArrowRight")
    visit.waits_for("Q0160")


def test_table_by_the_worst(visit: Visit) -> None:
    visit.page.click("#sort-worst")
    visit.page.wait_for_function("document.querySelector('#table tbody th').textContent === 'Q0137'")
    assert visit.page.locator("#table thead th").nth(3).get_attribute("aria-sort") == "descending"
    values = visit.page.locator("#table tbody td.value").all_text_contents()
    amounts = [abs(float(text.split()[0].replace("\N{MINUS SIGN}", "-"))) for text in values]
    assert amounts == sorted(amounts, reverse=True)


def test_pages_of_the_table(visit: Visit) -> None:
    visit.page.click("#page-on")
    visit.page.wait_for_function("document.querySelector('.pages span').textContent.startsWith('41')")
    assert visit.page.locator("#table tbody th").first.text_content() == "Q0141"


@pytest.mark.parametrize(
    ("colour", "word"),
    [("up", "up, built minus"), ("across", "across, built minus"), ("along", "along, built minus"),
     ("gap", "mortar gap"), ("move", "planned lift"), ("rail", "rail")],
)  # fmt: skip
def test_colours(visit: Visit, colour: str, word: str) -> None:
    fills = "() => [...document.querySelectorAll('#stretch rect')].map(r => r.getAttribute('fill')).join()"
    before = visit.page.evaluate(fills)
    visit.page.select_option("#pick-colour", colour)
    visit.page.wait_for_function(
        "word => document.querySelector('#scale').textContent.startsWith(word)", arg=word, timeout=60_000
    )
    assert visit.page.input_value("#pick-colour") == colour
    assert (visit.page.evaluate(fills) == before) == (colour == "up")


def test_stage(visit: Visit, tmp_path: Path) -> None:
    assert visit.page.locator("#pick-stage option").count() == 2  # latest, fine
    visit.page.select_option("#pick-stage", "fine")
    assert until(lambda: visit.page.input_value("#pick-stage") == "fine")
    assert set(visit.chosen.values()) == {"Q0137"}


@with_gl
def test_exaggeration_and_limits(visit: Visit) -> None:
    visit.page.select_option("#pick-factor", "20")
    visit.page.wait_for_function(
        "document.querySelector('.solid .sub').textContent.includes('\N{MULTIPLICATION SIGN}20,')"
    )
    visit.page.select_option("#pick-reach", "5")
    visit.page.wait_for_function("document.querySelector('#scale svg').textContent.includes('+10')")


def test_stretch(visit: Visit) -> None:
    for span, count in (("60", 12), ("120", 25)):
        visit.page.select_option("#pick-span", span)
        # about so many slabs of 5.3 m in it
        visit.page.wait_for_function(
            "n => Math.abs(document.querySelectorAll('#stretch [data-slab]').length - n) < 4", arg=count
        )
    visit.page.select_option("#pick-span", "0")
    visit.page.wait_for_function("document.querySelectorAll('#stretch [data-slab]').length === 0")
    assert set(visit.chosen.values()) == {"Q0137"}


def test_two_sessions_have_their_own_choices(address: str, browser: Any) -> None:
    with visited(address, "desktop", browser) as one, visited(address, "tablet", browser) as other:
        one.ready()
        other.ready()
        one.act("find", "Q0200")
        other.act("verdict", 0)
        one.waits_for("Q0200")
        other.page.wait_for_function("document.querySelectorAll('#table tbody tr').length === 6")
        assert other.chosen["sheet"] == "Q0137"
        assert one.page.locator("#table tbody tr").count() == 40


def test_reload_keeps_the_session(visit: Visit) -> None:
    visit.act("find", "Q0200")
    visit.waits_for("Q0200")
    visit.page.reload()
    visit.waits_for("Q0200")


def test_nothing_leaves_this_machine(visit: Visit) -> None:
    visit.act("colour", "across")
    visit.page.wait_for_function("document.querySelector('#scale').textContent.startsWith('across')")
    assert len(visit.requests) > 5
    hosts = {urlsplit(url.removeprefix("blob:")).hostname for url in visit.requests}
    assert hosts == {"127.0.0.1"}


@pytest.mark.parametrize("size", list(SIZES))
def test_widths(address: str, browser: Any, size: str) -> None:
    with visited(address, size, browser) as visit:
        visit.ready()
        width = SIZES[size][0]
        assert visit.page.evaluate("document.documentElement.scrollWidth") <= width
        boxes = visit.page.evaluate(
            "() => [...document.querySelectorAll('#views > section, header button, header input')].map(e => {"
            " const b = e.getBoundingClientRect(); return [b.left, b.right, b.width] })"
        )
        assert all(left >= -1 and right <= width + 1 and wide > 0 for left, right, wide in boxes)
        if size == "desktop":  # one screen: what scrolls does so inside its part
            assert visit.page.evaluate("document.documentElement.scrollHeight") <= SIZES[size][1]
        # drawings fill what they have been given
        drawn = visit.page.evaluate(
            "() => ['stretch', 'charts'].map(id => { const e = document.getElementById(id);"
            " return [e.clientWidth, e.querySelector('svg').getBoundingClientRect().width] })"
        )
        assert all(abs(given - taken) <= 1 for given, taken in drawn)


def test_words_of_the_charts_do_not_meet(address: str, browser: Any) -> None:
    for size in SIZES:
        with visited(address, size, browser) as visit:
            visit.ready()
            boxes = np.array(visit.page.evaluate(
                "() => [...document.querySelectorAll('#charts text')].map(t => { const b = t.getBoundingClientRect();"
                " return [b.left, b.top, b.right, b.bottom] })"
            ))  # fmt: skip
            over = np.minimum(boxes[:, None, 2:], boxes[None, :, 2:]) - np.maximum(
                boxes[:, None, :2], boxes[None, :, :2]
            )
            meet = (over > [1.0, 4.0]).all(axis=2)
            assert not meet[~np.eye(len(boxes), dtype=bool)].any()


@pytest.mark.parametrize("size", list(SIZES))
def test_accessible(address: str, browser: Any, size: str) -> None:
    """Check with axe-core: names, roles, contrast (WCAG 2.2 AA rules and best practice)."""
    from axe_playwright_python.sync_playwright import Axe

    with visited(address, size, browser) as visit:
        visit.ready()
        visit.act("span", 120)
        visit.page.wait_for_timeout(300)
        found = Axe().run(visit.page)
        told = [
            (v["id"], v["impact"], [node["html"][:160] for node in v["nodes"][:3]])
            for v in found.response["violations"]
        ]
        assert told == []
        visit.page.click("#sheet .term >> nth=0")
        visit.page.wait_for_selector(".help:popover-open")
        told = [v["id"] for v in Axe().run(visit.page).response["violations"]]
        assert told == []


def test_keyboard_alone_reaches_everything(address: str, browser: Any) -> None:
    with visited(address, "desktop", browser) as visit:
        visit.ready()
        wanted = visit.page.evaluate(
            "() => [...document.querySelectorAll('button:not(:disabled), select, input, a, [tabindex=\"0\"]')]"
            ".filter(e => e.checkVisibility() && !e.closest('[popover]')).length"
        )
        reached = set()
        for _ in range(wanted + 20):
            visit.page.keyboard.press("Tab")
            reached.add(visit.page.evaluate(
                "() => { const e = document.activeElement;"
                " return e.id || e.outerHTML.slice(0, 120) + [...document.querySelectorAll('*')].indexOf(e) }"
            ))  # fmt: skip
        assert len(reached) >= wanted
        for name in ("wanted", "step-on", "work-on", "chip-1", "pick-colour", "strip", "stretch", "charts", "row-36"):
            assert name in reached


def test_help_opens_and_closes_by_keyboard(visit: Visit) -> None:
    visit.page.focus("#scale .term")
    visit.page.keyboard.press("Enter")
    visit.page.wait_for_selector("#help-axes:popover-open svg")
    visit.page.keyboard.press("Escape")
    visit.page.wait_for_function("!document.querySelector(':popover-open')")


def test_colour_is_never_alone(visit: Visit) -> None:
    # every verdict that is not within has a shape in the section and a word in the table
    shapes = visit.page.evaluate(
        "() => [...document.querySelectorAll('#chips svg')].map(s => s.innerHTML.replace(/[\\d.]+/g, '0'))"
    )
    assert len(set(shapes)) == 4
    visit.act("span", 60)
    visit.page.wait_for_function("document.querySelectorAll('#stretch text.on').length > 10")
    signs = visit.page.locator("#stretch text.on").all_text_contents()
    assert any(re.fullmatch(r"[+\N{MINUS SIGN}]\d\.\d", sign) for sign in signs)


def test_token_for_other_hosts(project: Path, browser: Any) -> None:
    with served(project, "--host", "0.0.0.0") as (address, token):
        port = urlsplit(address).port
        assert token
        assert token not in address
        with visited(f"http://127.0.0.1:{port}/", "phone", browser) as visit:
            visit.page.fill("input[name=token]", "not the token")
            visit.page.click("button")
            visit.page.wait_for_selector("[role=alert]")
            visit.page.fill("input[name=token]", token)
            visit.page.click("button")
            visit.ready()
