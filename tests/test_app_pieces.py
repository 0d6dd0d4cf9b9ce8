"""The pieces of the browser app without a browser: what they draw, what they choose, who comes in."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Coroutine
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import aiohttp
import numpy as np
import pytest
from aiohttp import CookieJar
from project_copies import AFTER_INJECTION, SURVEY, change, copy_of_demo, read_rows, run, write_rows

from viewer.app.book import LATEST, Book, Edition
from viewer.app.charts_svg import charts_svg
from viewer.app.choice import Choice, found, ordered, page_with, scaled, stepped, window_of
from viewer.app.controls_html import chips_html, guidance_html, scale_html
from viewer.app.far_slabs import GROUP, NEAR, far_plates
from viewer.app.gate import Gate
from viewer.app.help_drawings import TERMS, help_html
from viewer.app.markup import fills, ink_on, number, symbol, text
from viewer.app.section_svg import LEFT, RIGHT, cells_of, line_svg, stretch_svg, ticks
from viewer.app.server import Running, started
from viewer.app.slab_plan import plan_svg
from viewer.app.slab_sheet import sheet_html
from viewer.app.table_html import table_html
from viewer.chart_data import panels_of
from viewer.colours import INK, PAPER
from viewer.layer import Scale
from viewer.mesh import slab_vertices
from viewer.section import OUT, UNDECIDED


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copy_of_demo(tmp_path_factory.mktemp("app"))


@pytest.fixture(scope="module")
def edition(project: Path) -> Edition:
    book = Book(project)
    assert book.look()
    assert book.latest is not None
    return book.latest


def parsed(markup: str) -> ElementTree.Element:
    """Return markup as a tree: it has to be well-formed, whatever names there are."""
    return ElementTree.fromstring(f"<all>{markup}</all>")


def all_text(tree: ElementTree.Element) -> str:
    return "".join(tree.itertext())


# --- the plan of a slab


def test_plan_tells_every_move_of_the_check(edition: Edition) -> None:
    slab = edition.section.slab("Q0182")
    words = all_text(parsed(plan_svg(edition, slab)))
    moves = edition.check.moves
    for name, lift in zip(("RL", "RR", "FL", "FR"), (moves.lift[slab] * 1e3).tolist(), strict=True):
        assert name in words
        assert f"{abs(lift):.2f}" in words
    for push in (moves.push[slab] * 1e3).tolist():
        assert f"{abs(push):.2f}" in words


def test_plan_is_true_to_its_sides(edition: Edition) -> None:
    """Q0182 has to be lowered on the left and raised on the right, as the README's table of moves tells."""
    tree = parsed(plan_svg(edition, edition.section.slab("Q0182")))
    # filled triangles point up, open ones down
    triangles = [p for p in tree.iter("path") if re.match(r"M[\d.]+ [\d.]+h18L", p.get("d", ""))]
    assert len(triangles) == 4
    for path in triangles:
        x, foot, _, tip = (float(v) for v in re.findall(r"-?[\d.]+", path.get("d", "").replace("h18", " ")))
        rises = tip < foot
        assert rises == (x > 200)
        assert path.get("fill") == (INK if rises else PAPER)
    # a line from each box to its screw: ahead is up, left is left, and no line crosses the slab
    lines = [re.fullmatch(r"M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)", p.get("d", "")) for p in tree.iter("path")]
    ends = np.array([[float(v) for v in line.groups()] for line in lines if line])
    assert len(ends) == 4
    assert ((ends[:, 0] > 200) == (ends[:, 2] > 200)).all()
    middle = ends[:, 1].mean()
    assert ((ends[:, 1] > middle) == (ends[:, 3] > middle)).all()
    names = {t.text: float(t.get("x", "")) for t in tree.iter("text") if t.text in ("RL", "RR", "FL", "FR")}
    heights = {t.text: float(t.get("y", "")) for t in tree.iter("text") if t.text in names}
    assert names["FL"] == names["RL"] < 200 < names["FR"] == names["RR"]
    assert heights["FL"] == heights["FR"] < heights["RL"] == heights["RR"]
    arrows = [p.get("d", "") for p in tree.iter("path") if "H" in p.get("d", "")]
    pushes = [float(re.findall(r"H([\d.]+)", d)[0]) - float(re.findall(r"M([\d.]+)", d)[0]) for d in arrows]
    assert [np.sign(push) for push in pushes] == [1.0, 1.0]  # push R and F + to the right there


def test_plan_gives_no_move_where_none_may_be_made(edition: Edition, tmp_path: Path) -> None:
    words = all_text(parsed(plan_svg(edition, edition.section.slab("Q0160"))))
    assert "no move: namescontradict places" in words  # in two lines
    assert "mm" not in words
    injected = Book(copy_of_demo(tmp_path, injected=True))
    injected.look()
    after = injected.latest
    assert after is not None
    held = int(np.flatnonzero(after.check.held)[0])
    assert "heldbymortar" in all_text(parsed(plan_svg(after, held))).replace(" ", "")


# --- section and charts


def test_each_slab_of_the_stretch_lies_at_its_chainage(edition: Edition) -> None:
    layer = edition.layers("up")[0]
    slab = edition.section.slab("Q0137")
    choice = Choice(slab=slab, span=120.0)
    low, high = window_of(edition, choice)
    tree = parsed(stretch_svg(edition, layer, choice, (low, high), 1000.0))
    options = [g for g in tree.iter("g") if g.get("role") == "option"]
    per = (1000.0 - LEFT - RIGHT) / (high - low)
    shades = fills(cells_of(layer), layer.scale)
    checked = 0
    for option in options:
        at = int(option.get("data-slab", ""))
        rects = list(option.iter("rect"))
        left = min(float(r.get("x", "")) for r in rects)
        wanted = LEFT + (edition.section.distance[at] - edition.section.size[at, 1] / 2 - low) * per
        if wanted > LEFT:
            assert left == pytest.approx(wanted, abs=0.06)
            # left of the track on top; chainage to the right
            places = {
                (r.get("y") == min(q.get("y", "") for q in rects), float(r.get("x", "")) > left): r for r in rects
            }
            assert places[True, False].get("fill") == shades[4 * at]  # back left
            assert places[False, True].get("fill") == shades[4 * at + 3]  # forward right
            checked += 1
    assert checked > 15
    (chosen,) = [o for o in options if o.get("aria-selected") == "true"]
    assert chosen.get("aria-label") == "Q0137, out, +3.6 mm"


def test_cells_are_the_corners_of_the_field(edition: Edition) -> None:
    layer = edition.layers("up")[0]
    slab = edition.section.slab("Q0182")
    assert layer.field is not None
    np.testing.assert_array_equal(cells_of(layer)[slab], layer.field[slab])
    # high on the left, low on the right: the moves of the README's table undo it
    assert (cells_of(layer)[slab][:, 0] > 2.0).all()
    assert (cells_of(layer)[slab][:, 1] < -2.0).all()


def test_cells_of_the_rail_hold_the_furthest_values(edition: Edition) -> None:
    layer = edition.layers("rail")[0]
    assert layer.rails is not None
    cells = cells_of(layer)
    known = np.isfinite(layer.worst)
    furthest = layer.scale.extreme(cells, axis=(1, 2))
    assert known.any()
    np.testing.assert_allclose(np.abs(layer.scale.share(furthest[known])), layer.amount[known], rtol=0, atol=1e-12)


def test_coarse_columns_hide_no_slab_that_is_out(edition: Edition) -> None:
    layer = edition.layers("up")[0]
    choice = Choice(slab=0, span=0.0)
    window = window_of(edition, choice)
    for width in (390.0, 1000.0):
        for drawn in (
            stretch_svg(edition, layer, choice, window, width), line_svg(edition, layer, choice, window, width),
        ):  # fmt: skip
            worst = fills([layer.worst[edition.section.slab("Q0137")]], layer.scale)[0]
            assert worst in drawn
            assert drawn.count("<polygon") >= int((layer.verdict == OUT).sum())


def test_ticks_never_meet_and_are_true(edition: Edition) -> None:
    section = edition.section
    for span in (60.0, 250.0, 1400.0):
        low = float(section.distance[40])
        marks, words = ticks(edition, low, low + span, 700.0)
        assert len(words) >= 2
        assert (np.diff(marks) / span * 700.0 > 60.0).all()
        for mark, word in zip(marks.tolist(), words, strict=True):
            km, m = word.split("+")
            assert float(edition.project.count.to_chainage(mark)) == pytest.approx(1000 * int(km) + int(m), abs=1e-3)


def test_charts_draw_values_at_their_height(edition: Edition) -> None:
    project = edition.project
    span = (100.0, 400.0)
    panels = panels_of(project.alignment, ("cant",), span, project=project, check=edition.check)
    tree = parsed(charts_svg(edition, panels, Choice(slab=20), span, 800.0))
    lines = [p for p in tree.iter("path") if p.get("stroke-width") == "1.8"]
    assert len(lines) == 1
    points = np.array([p.split(" ") for p in re.findall(r"[\d.]+ [\d.]+", lines[0].get("d", ""))], dtype=float)
    assert points[:, 0].min() == pytest.approx(LEFT, abs=0.1)
    assert points[:, 0].max() == pytest.approx(800.0 - RIGHT, abs=0.1)
    # height is linear in the value: the cant of the demo grows along the transition
    at = np.searchsorted(panels[0].series[0].distance, span[0] + (points[:, 0] - LEFT) / (800 - LEFT - RIGHT) * 300)
    value = panels[0].series[0].value[np.clip(at, 0, len(panels[0].series[0].value) - 1)]
    assert np.ptp(value) > 20.0
    assert np.corrcoef(points[:, 1], value)[0, 1] == pytest.approx(-1.0, abs=1e-4)


# --- choices


def test_search_by_name_and_chainage(edition: Edition) -> None:
    names = edition.section.slab_names
    assert found(edition, " q0160 ") == int(np.flatnonzero(names == "Q0160")[0])
    assert found(edition, "27+745.0") == found(edition, "27745") == found(edition, "Q0160")
    assert isinstance(found(edition, "99000"), str)
    assert "did you mean" in str(found(edition, "Q016O"))  # the letter O
    assert isinstance(found(edition, ""), str)


def test_stepping_respects_the_filter(edition: Edition) -> None:
    layer = edition.layers("up")[0]
    choice = Choice(slab=0)
    seen = []
    while (following := stepped(choice, layer, 1, working=True)) != choice:
        choice = following
        seen.append(str(edition.section.slab_names[choice.slab]))
    assert seen == ["Q0137", "Q0160", "Q0182", "Q0213", "Q0296", "Q0318"]  # the README's table
    only = replace(choice, slab=0, verdicts=frozenset({UNDECIDED}))
    assert edition.section.slab_names[stepped(only, layer, 1, working=False).slab] == "Q0160"
    assert stepped(replace(only, verdicts=frozenset()), layer, 1, working=False).slab == 0
    assert stepped(Choice(slab=3), layer, -10, working=False).slab == 0


def test_table_pages(edition: Edition) -> None:
    layer = edition.layers("up")[0]
    choice = Choice(slab=100)
    rows = ordered(choice, layer)
    page = page_with(choice, rows)
    assert page == 2
    markup = table_html(edition, layer, replace(choice, page=page), rows)
    tree = parsed(markup.replace("class=value", 'class="value"').replace(" disabled", ' disabled="1"'))
    assert len(list(tree.iter("tr"))) == 41
    (picked,) = [r for r in tree.iter("tr") if r.get("class") == "picked"]
    assert picked.get("data-slab") == "100"
    worst = ordered(replace(choice, order="worst"), layer)
    assert edition.section.slab_names[worst[0]] == "Q0137"
    assert len(worst) == len(rows)
    assert not np.isfinite(layer.worst[worst[-1]])


def test_window_keeps_the_slab_inside(edition: Edition) -> None:
    distance = edition.section.distance
    for slab in range(0, len(edition.section), 7):
        for span in (60.0, 250.0, 1000.0):
            low, high = window_of(edition, Choice(slab=slab, span=span))
            assert high - low == pytest.approx(span)
            assert low <= distance[slab] <= high


def test_scale_reaches_further(edition: Edition) -> None:
    gap = scaled(edition.layers("gap")[0], 2.0)
    assert (gap.scale.low, gap.scale.middle, gap.scale.high) == (-5.0, 55.0, 135.0)
    assert gap.scale.allowed == (40.0, 75.0)


# --- words and colours


def test_ink_stands_out_on_every_colour_of_the_scale() -> None:
    """Contrast of text at least 4.5 to 1, WCAG 2.2, success criterion 1.4.3 and its definition of contrast ratio."""

    def luminance(fill: str) -> float:
        channel = [int(fill[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channel]
        return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))

    for fill in fills(np.linspace(-1, 1, 201), Scale(-1.0, 0.0, 1.0)):
        a, b = sorted((luminance(fill), luminance(ink_on(fill))))
        assert (b + 0.05) / (a + 0.05) >= 4.5


def test_each_verdict_has_a_shape_of_its_own() -> None:
    shapes = [symbol(code, 0.0, 0.0) for code in range(4)]
    assert len(set(shapes)) == 4
    assert shapes[0] == ""


def test_sheet_has_corners_joints_and_history(edition: Edition) -> None:
    slab = edition.section.slab("Q0137")
    told = sheet_html(edition, edition.layers("up")[0], slab, lambda: None)
    for words in ("Corners, mm", "Joints, mm", "Mortar gap", "History", "Q0136", "Q0138", "fine 1"):
        assert words in told
    assert "+3.58!" in told  # the README: +3.58 mm up, out


def test_hostile_words_stay_text(edition: Edition) -> None:
    bad = "<img src=x onerror=alert(1)>"
    assert "<" not in text(bad)
    section = edition.section
    names = np.array(section.slab_names, dtype=np.str_).astype("<U40")
    names[5] = bad
    hostile = replace(edition, section=replace(section, slab_names=names), _made={})
    layer = hostile.layers("up")[0]
    choice = Choice(slab=5, span=60.0)
    window = window_of(hostile, choice)
    drawn = stretch_svg(hostile, layer, choice, window, 1400.0) + table_html(
        hostile, layer, choice, ordered(choice, layer)
    )
    drawn += sheet_html(hostile, layer, 5, lambda: None)
    assert "<img" not in drawn
    assert "&lt;img" in drawn


def test_help_draws_every_term() -> None:
    tree = parsed(help_html().replace("popover id", 'popover="" id'))
    dialogs = [d for d in tree.iter("div") if d.get("role") == "dialog"]
    assert len(dialogs) == len(TERMS) >= 9
    for dialog in dialogs:
        (drawing,) = dialog.iter("svg")
        assert len(list(drawing.iter())) > 4


def test_scale_and_chips_tell_numbers(edition: Edition) -> None:
    layer = edition.layers("up")[0]
    assert "tolerance \N{PLUS-MINUS SIGN}1 mm" in scale_html(layer)
    counts = [int(n) for n in re.findall(r"<b>(\d+)</b>", chips_html(layer, Choice()))]
    assert counts == np.bincount(layer.verdict, minlength=4).tolist()


@pytest.mark.parametrize(("value", "told"), [(-0.004, "0.00"), (-12.3, "\N{MINUS SIGN}12.30"), (np.inf, "\N{EN DASH}")])
def test_numbers(value: float, told: str) -> None:
    assert number(value) == told


# --- far slabs


def test_plates_cover_all_slabs_once(edition: Edition) -> None:
    section, layer = edition.section, edition.layers("up")[0]
    whole = np.arange(10, 22)
    origin = section.target_position[12]
    points, faces, values, slabs = far_plates(section, layer, 12, whole, 100.0, origin)
    assert len(points) == 4 * len(slabs) == len(values)
    assert len(faces) == 2 * len(slabs)
    assert not np.isin(slabs, whole).any()
    near = np.flatnonzero(np.abs(np.arange(len(section)) - 12) <= NEAR)
    assert np.isin(np.setdiff1d(near, whole), slabs).all()
    assert len(slabs) <= len(near) + len(section) // GROUP + 2
    # a plate lies where its slab is drawn
    at = int(np.flatnonzero(slabs == 60)[0])
    assert layer.field is not None
    low = section.outlines[section.type_index[60]].min(axis=0)
    placed = slab_vertices(section, np.array([60]), np.array([[*low, 0.0]]), factor=100.0, origin=origin)[0][0, 0]
    np.testing.assert_allclose(points[4 * at], placed, rtol=0, atol=1e-9)
    assert values[4 * at] == layer.field[60, 0, 0]


# --- the book of files


def test_book_reads_again_when_a_file_rests(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    book = Book(project)
    assert book.look()
    assert not book.look()
    first = book.latest
    assert first is not None
    rows = read_rows(project)
    for row in rows:
        if row["slab"] == "Q0200":
            row["level_m"] = f"{float(row['level_m']) + 0.004:.5f}"
    write_rows(project, rows)
    assert not book.look()  # it may still be written
    assert book.look()
    assert book.latest is not None
    assert book.latest.number == first.number + 1
    assert book.latest.check.verdict[first.section.slab("Q0200")] == OUT


def test_book_leaves_out_what_is_half_written(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    whole = (project / SURVEY).read_text()
    counts = []
    for cut in (0, 3, 30):  # whole, within the last cell, without several cells
        (project / SURVEY).write_text(whole[: len(whole) - cut])
        book = Book(project)
        book.look()
        assert book.trouble == ()
        assert book.latest is not None
        counts.append(int(book.latest.check.fits.measured.sum()))
        assert book.stages
    assert counts == [counts[0], counts[0] - 1, counts[0] - 1]


def test_book_keeps_what_was_read_when_files_break(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)
    book = Book(project)
    book.look()
    before = book.latest
    change(project, SURVEY, "level_m", "hight_m")
    book.look()
    book.look()
    assert book.latest is before
    assert book.trouble
    assert "level_m" in str(book.trouble[0])
    assert "level_m" in guidance_html("p", book.trouble)


def test_book_by_stages(tmp_path: Path) -> None:
    book = Book(copy_of_demo(tmp_path, injected=True))
    book.look()
    assert book.stages[-1] == "after injection"
    fine, after = book.edition("fine"), book.edition("after injection")
    assert fine is not None
    assert after is not None
    measured = [int(e.section.measured.sum()) for e in (fine, after)]
    rows = read_rows(book.folder, AFTER_INJECTION)
    assert measured[1] == len({row["slab"] for row in rows})
    assert measured[0] > measured[1]
    assert book.edition(LATEST) is book.latest
    assert book.edition("nonsense") is book.latest


# --- who comes in


def asked(
    project: Path, gate: Gate, work: Callable[[Running, aiohttp.ClientSession], Coroutine[Any, Any, None]]
) -> None:
    async def whole() -> None:
        running = await started(project, gate, 0, flat=True)
        try:
            async with aiohttp.ClientSession(cookie_jar=CookieJar(unsafe=True)) as client:
                await work(running, client)
        finally:
            await running.stop()

    asyncio.run(whole())


def test_key_host_and_origin(project: Path) -> None:
    async def work(running: Running, client: aiohttp.ClientSession) -> None:
        base = f"http://127.0.0.1:{running.gate.port}"
        assert running.address == f"{base}/?key={running.gate.key}"
        for path in ("/", "/static/app.js", "/s/x/", "/s/x/ws", "/?key=wrong"):
            async with client.get(base + path) as answer:
                assert answer.status == 403
                assert "key" not in (await answer.text()) or path in ("/", "/?key=wrong")
        assert running.sessions == 0
        for headers in ({"Host": "rebound.example:80"}, {"Host": f"rebound.example:{running.gate.port}"},
                        {"Origin": "http://elsewhere.example"}, {"Origin": "null"}):  # fmt: skip
            async with client.get(running.address, headers=headers) as answer:
                assert answer.status == 403
        assert running.sessions == 0
        async with client.get(running.address) as answer:
            assert answer.status == 200
            page = await answer.text()
            policy = answer.headers["Content-Security-Policy"]
            assert "key" not in str(answer.url)
        assert running.sessions == 1
        assert "default-src 'none'" in policy
        assert "http" not in policy
        addresses = re.findall(r'(?:src|href)="([^"]+)"', page)
        assert len(addresses) == 6
        for where in addresses:
            assert where.startswith("/static/")
            async with client.get(base + where) as answer:
                assert answer.status == 200
                assert answer.headers["X-Content-Type-Options"] == "nosniff"
        # the websocket asks too
        name = next(iter(running._guests))
        with pytest.raises(aiohttp.WSServerHandshakeError):
            await client.ws_connect(f"{base}/s/{name}/ws", origin="http://elsewhere.example")
        async with client.ws_connect(f"{base}/s/{name}/ws"):
            pass
        for path in (
            "/static/../gate.py",
            "/static/%2e%2e/gate.py",
            f"/s/{name}/__trame_client_external_scripts/%2e%2e/x",
        ):
            async with client.get(base + path) as answer:
                assert answer.status == 404

    asked(project, Gate("127.0.0.1"), work)


def test_token_for_other_hosts(project: Path) -> None:
    async def work(running: Running, client: aiohttp.ClientSession) -> None:
        base = f"http://127.0.0.1:{running.gate.port}"
        assert running.gate.key not in running.address
        async with client.get(f"{base}/?key={running.gate.key}") as answer:  # never by the address
            assert "token" in await answer.text()
        assert running.sessions == 0
        async with client.post(f"{base}/enter", data={"token": "a wrong token"}) as answer:
            assert answer.status == 403
        async with client.post(f"{base}/enter", data={"token": running.gate.key}) as answer:
            assert answer.status == 200
        assert running.sessions == 1
        async with client.get(base, headers={"Host": f"rebound.example:{running.gate.port}"}) as answer:
            assert answer.status == 403

    asked(project, Gate("0.0.0.0", "a token of some length"), work)


def test_nonsense_from_a_browser_changes_nothing(project: Path) -> None:
    async def work(running: Running, client: aiohttp.ClientSession) -> None:
        async with client.get(running.address):
            pass
        (guest,) = running._guests.values()
        session = guest.session
        before = session.choice
        for what, value in (
            ("slab", "x"), ("slab", None), ("slab", 1e400), ("colour", "red"), ("span", -5), ("verdict", 9),
            ("stage", []), ("__init__", 1), ("refresh", 1), (None, None), ("size", 3), ("size", {"stretch": 1e9}),
            ("pick", [1]), ("find", "x" * 100_000), ("page", 10**9), ("chart", {}), ("limit", 99), ("order", "up"),
        ):  # fmt: skip
            session.act(what, value)
        assert replace(session.choice, page=before.page) == before
        session.act("slab", -4)
        assert session.choice.slab == 0
        session.act("slab", 10**6)
        assert session.choice.slab == 268

    asked(project, Gate("127.0.0.1"), work)


# --- the command


def test_short_token_and_taken_port_are_told(project: Path) -> None:
    answer = run("serve", project, "--token", "short", "--no-browser")
    assert answer.status == 2
    assert "12 characters" in answer.err


def test_missing_packages_are_told(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("viewer.app_command.NEEDED", ("no_such_package",))
    answer = run("serve", project, "--no-browser")
    assert answer.status == 2
    assert "pip install 'slabpose[app]'" in answer.err
