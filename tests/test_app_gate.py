"""Who comes in to the browser app, what a session makes of nonsense, and the command that serves it."""

from __future__ import annotations

import asyncio
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Coroutine
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from aiohttp import CookieJar
from project_copies import change, copy_of_demo, run

from viewer.app import server
from viewer.app.gate import Gate
from viewer.app.server import Running, started


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copy_of_demo(tmp_path_factory.mktemp("app"))


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
        assert len(addresses) == 7
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
            "/static/view/%2e%2e/__init__.py",
            f"/s/{name}/%2e%2e/x",
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
        session = await guest.session
        session.begin()
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


def test_short_token_and_taken_port_are_told(project: Path) -> None:
    answer = run("serve", project, "--token", "short", "--no-browser")
    assert answer.status == 2
    assert "12 characters" in answer.err


def test_missing_packages_are_told(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("viewer.app_command.NEEDED", ("no_such_package",))
    answer = run("serve", project, "--no-browser")
    assert answer.status == 2
    assert "pip install 'slabpose[app]'" in answer.err


# --- what is answered when


def test_nothing_heavy_is_imported_before_the_page_is_answered() -> None:
    """The page loads in the browser while the project is read: numpy alone would hold it up by a tenth of a second."""
    told = subprocess.run(
        [sys.executable, "-c", "import sys, viewer.app.server; print(*sorted(sys.modules))"],
        capture_output=True, text=True, check=True,
    ).stdout.split()  # fmt: skip
    assert "aiohttp" in told
    assert not {"numpy", "scipy", "pandas", "vtkmodules", "pyvista", "trame_server", "matplotlib"} & set(told)


def test_page_is_answered_while_the_project_is_read(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read, loaded = threading.Event(), server._loaded

    def slow(folder: Path, flat: bool) -> server._Loaded:
        read.wait(20)
        return loaded(folder, flat)

    monkeypatch.setattr(server, "_loaded", slow)

    async def work(running: Running, client: aiohttp.ClientSession) -> None:
        async with client.get(running.address) as answer:
            assert "Reading the section" in await answer.text()
            where = str(answer.url)
        launch = asyncio.create_task(client.post(f"{where}paraview/"))
        await asyncio.sleep(0.2)
        assert not launch.done()
        assert not running.loaded.done()
        read.set()
        async with await launch as answer:
            talk = (await answer.json())["sessionURL"]
        assert talk == f"{where}ws".replace("http:", "ws:")
        session = await next(iter(running._guests.values())).session
        assert "Q0137" in session.server.state.sheet_html  # the worst one, as the demo's README tells

    asked(project, Gate("127.0.0.1"), work)


def test_what_goes_wrong_in_reading_ends_the_server(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(folder: Path, flat: bool) -> server._Loaded:
        raise RuntimeError("a bug")

    monkeypatch.setattr(server, "_loaded", broken)

    async def work(running: Running, client: aiohttp.ClientSession) -> None:
        with pytest.raises(RuntimeError, match="a bug"):
            await running.settled()

    asked(project, Gate("127.0.0.1"), work)


def test_session_that_was_made_ahead_shows_what_the_files_say_now(tmp_path: Path) -> None:
    project = copy_of_demo(tmp_path)

    async def work(running: Running, client: aiohttp.ClientSession) -> None:
        assert running._spare is not None
        await running._spare
        change(project, "project.toml", 'name = "', 'name = "Newer ')
        book = (await running.loaded).book
        number = book.number
        while book.number == number:
            await asyncio.sleep(0.05)
        async with client.get(running.address) as answer:
            where = str(answer.url)
        async with client.post(f"{where}paraview/"):
            pass
        session = await next(iter(running._guests.values())).session
        assert session.server.state.title_text.startswith("Newer ")

    asked(project, Gate("127.0.0.1"), work)
