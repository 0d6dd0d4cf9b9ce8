"""A server in a process of its own, and a real browser that visits it."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

__all__ = ["SIZES", "Visit", "browser_path", "launched", "served", "until", "visited"]

SIZES = {"phone": (390, 844), "tablet": (820, 1180), "desktop": (1440, 900)}
_OTHER = {"bench": (1280, 720)}
_NAMES = ("chromium", "chromium-browser", "google-chrome")
# nothing that the browser does by itself may reach for the network
_FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
)  # fmt: skip


def browser_path() -> str | None:
    """Return where the browser is, or None: named by SLABPOSE_CHROMIUM, or found on the path."""
    given = os.environ.get("SLABPOSE_CHROMIUM")
    return given or next((found for name in _NAMES if (found := shutil.which(name))), None)


@contextmanager
def served(project: Path, *options: str) -> Iterator[tuple[str, str]]:
    """Serve a project; yield its address, with the key, and the token if there is one."""
    process = subprocess.Popen(
        [sys.executable, "-c", "from viewer.cli import main; main()", "serve", str(project), "--port", "0",
         "--no-browser", *options],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        assert process.stderr is not None
        address = process.stdout.readline().strip()
        if not address:
            raise AssertionError(process.stderr.read())
        second = process.stdout.readline().strip() if "--host" in options else ""
        yield address, second.removeprefix("token: ")
    finally:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        for pipe in (process.stdout, process.stderr):
            if pipe is not None:
                pipe.close()


@dataclass
class Visit:
    """A page that is open, what it asked the network for, and what it complained about."""

    page: Any
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def act(self, what: str, value: Any) -> None:
        self.page.evaluate("([what, value]) => window.trame.trigger('act', [what, value])", [what, value])

    @property
    def chosen(self) -> dict[str, str]:
        """Return the slab that each view shows as chosen."""
        found = self.page.evaluate(
            """() => ({
                 section: document.querySelector('#stretch [aria-selected=true]')?.getAttribute('aria-label') ?? '',
                 strip: document.querySelector('#strip').getAttribute('aria-valuetext'),
                 charts: document.querySelector('#charts').getAttribute('aria-valuetext'),
                 table: document.querySelector('#table tr.picked th')?.textContent ?? '',
                 sheet: document.querySelector('#sheet-name').textContent })"""
        )
        return {view: re.split(",", text)[0] for view, text in found.items()}

    def ready(self) -> None:
        """Wait until the page is there, and its drawings have the size of the page."""
        self.page.wait_for_selector("#sheet-name", state="attached")
        self.page.wait_for_function(
            "() => ['stretch', 'charts'].every(id => { const e = document.getElementById(id);"
            " const s = e.querySelector('svg'); return s && Math.abs(e.clientWidth - s.clientWidth) <= 1 })"
        )

    def waits_for_picture(self) -> None:
        """Wait until the 3D view shows a picture and gets no more of them."""
        self.page.wait_for_function("document.querySelector('#solid img')?.naturalWidth > 100")
        last = ""
        for _ in range(40):
            now = self.picture()
            if now == last:
                return
            last = now
            self.page.wait_for_timeout(400)

    def waits_for(self, name: str) -> None:
        """Wait until every view shows a slab."""
        self.page.wait_for_function(
            "name => document.querySelector('#sheet-name')?.textContent === name"
            " && document.querySelector('#stretch [aria-selected=true]')?.getAttribute('aria-label')"
            "?.startsWith(name + ',')",
            arg=name,
        )

    def picture(self) -> str:
        """Return what the 3D view shows, as the address of its image."""
        return str(self.page.evaluate("document.querySelector('#solid img')?.src ?? ''"))


@contextmanager
def visited(address: str, size: str = "desktop", browser: Any = None) -> Iterator[Visit]:
    """Open a page in a browser of its own, or in a new context of one that is there."""
    if browser is None:
        with launched() as one, visited(address, size, one) as visit:
            yield visit
        return
    width, height = (SIZES | _OTHER)[size]
    context = browser.new_context(viewport={"width": width, "height": height})
    page = context.new_page()
    visit = Visit(page)
    page.on("request", lambda request: visit.requests.append(request.url))
    page.on("console", lambda m: visit.complaints.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: visit.complaints.append(str(error)))
    try:
        page.goto(address)
        yield visit
    finally:
        with suppress(Exception):
            context.close()


@contextmanager
def launched() -> Iterator[Any]:
    """Start the browser; skip the test where there is none."""
    path = browser_path()
    if path is None:
        pytest.skip("no Chromium here (Debian: chromium); SLABPOSE_CHROMIUM names one that is elsewhere")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(_FLAGS))
        try:
            yield browser
        finally:
            browser.close()


def until(condition: Any, seconds: float = 15.0) -> bool:
    """Wait until something is so; return whether it came to be."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.05)
    return False
