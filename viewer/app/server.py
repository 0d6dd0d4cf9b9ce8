"""The server: one port, one page for each browser session, files from this machine only."""

from __future__ import annotations

import asyncio
import contextlib
import sys
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from aiohttp import WSMsgType, web

from viewer.app.book import Book
from viewer.app.gate import Gate
from viewer.app.page import document
from viewer.app.session import Session

__all__ = ["Running", "serve", "started"]

_STATIC = Path(__file__).parent / "static"
_MOST_SESSIONS = 40
_KEPT = 900.0
"""A session whose browser is gone is kept for it to come back, s."""
_LOOK = 0.5
"""Between two looks at the files, s."""
_MOST_MESSAGE = 1 << 20
"""Bytes of what a browser may say at once."""


@dataclass
class _Guest:
    session: Session
    connections: int = 0
    left: float = 0.0


class Running:
    """A server that runs, until `stop`.

    Attributes
    ----------
    address : str
        For people; with the key where it belongs there.
    """

    def __init__(self, book: Book, gate: Gate, solid: Callable[[Any], Any] | None, without_solid: str) -> None:
        self.book, self.gate = book, gate
        self._solid, self._without = solid, without_solid
        self._guests: dict[str, _Guest] = {}
        self._runner: web.AppRunner | None = None
        self._watch: asyncio.Task[None] | None = None
        self._client = _client_files()
        self._making = asyncio.Lock()
        self._spare: Session | None = None
        self._preparing: asyncio.Task[None] | None = None
        self.address = ""

    @property
    def sessions(self) -> int:
        """How many sessions there are."""
        return len(self._guests)

    async def start(self, port: int) -> None:
        """Bind and answer from now on.

        Raises
        ------
        OSError
            If the port is taken.
        """
        app = web.Application(middlewares=[self.gate.middleware()], client_max_size=1 << 16)
        app.add_routes([
            web.get("/", self._first),
            web.get("/s/{name}/", self._page),
            web.post("/s/{name}/paraview/", self._launch),
            web.get("/s/{name}/ws", self._talk),
            web.get("/s/{name}/{module}/{file:.+}", self._module),
            web.static("/static/client", self._client[0]),
            web.static("/static", _STATIC),
        ])  # fmt: skip
        self._runner = web.AppRunner(app, access_log=None, shutdown_timeout=1.0)
        await self._runner.setup()
        await web.TCPSite(self._runner, self.gate.host, port).start()
        self.gate.port = int(self._runner.addresses[0][1])
        host = f"[{self.gate.host}]" if ":" in self.gate.host else self.gate.host
        query = "" if self.gate.asks else f"?key={self.gate.key}"
        self._preparing = asyncio.get_running_loop().create_task(self._prepare())
        self.address = f"http://{host}:{self.gate.port}/{query}"
        self._watch = asyncio.get_running_loop().create_task(self._follow())

    async def stop(self) -> None:
        """End all sessions and let go of the port."""
        for task in (self._watch, self._preparing):
            if task is not None:
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await task
        for session in [g.session for g in self._guests.values()] + ([self._spare] if self._spare else []):
            await session.stop()
        self._guests.clear()
        if self._runner is not None:
            await self._runner.cleanup()

    async def _prepare(self) -> None:
        """Make a session while the browser of the first visitor still starts."""
        async with self._making:
            self._spare = await self._made()

    async def _made(self) -> Session:
        session = Session(self.book, self._solid, self._without)
        await session.start()
        return session

    # --- answers

    async def _first(self, _request: web.Request) -> web.StreamResponse:
        async with self._making:
            if len(self._guests) >= _MOST_SESSIONS:
                await self._forget(0.0)
            if len(self._guests) >= _MOST_SESSIONS:
                return web.Response(status=503, text="too many sessions are open; close one")
            session = self._spare or await self._made()
            self._spare = None
            session.begin()
            self._guests[session.name] = _Guest(session, left=asyncio.get_running_loop().time())
        return web.Response(status=303, headers={"Location": f"/s/{session.name}/"})

    def _guest(self, request: web.Request) -> _Guest:
        guest = self._guests.get(request.match_info["name"])
        if guest is None:
            raise web.HTTPNotFound(text="this session is over")
        return guest

    async def _page(self, request: web.Request) -> web.StreamResponse:
        if request.match_info["name"] not in self._guests:
            return web.Response(status=303, headers={"Location": "/"})
        return web.Response(text=document("/static", self._client[1:]), content_type="text/html")

    async def _launch(self, request: web.Request) -> web.StreamResponse:
        session = self._guest(request).session
        return web.json_response(
            {"sessionURL": f"ws://{request.headers['Host']}/s/{session.name}/ws", "secret": session.secret}
        )

    async def _module(self, request: web.Request) -> web.StreamResponse:
        """Serve a file of the widgets of a session."""
        session = self._guest(request).session
        folder = session.server.serve.get(request.match_info["module"])
        if folder is None:
            raise web.HTTPNotFound
        base = Path(folder[0] if isinstance(folder, (list, tuple)) else folder).resolve()
        path = (base / request.match_info["file"]).resolve()
        if not path.is_relative_to(base) or not path.is_file():
            raise web.HTTPNotFound
        return web.FileResponse(path)

    async def _talk(self, request: web.Request) -> web.StreamResponse:
        """Carry messages between a browser and the trame server of its session."""
        from wslink.backends.generic.core import WsConnection

        guest = self._guest(request)
        socket = web.WebSocketResponse(max_msg_size=_MOST_MESSAGE, heartbeat=30.0, compress=False)
        await socket.prepare(request)

        async def send(is_binary: bool, message: Any) -> None:
            if not socket.closed:
                with contextlib.suppress(ConnectionError):
                    await (socket.send_bytes(message) if is_binary else socket.send_str(message))

        endpoint = guest.session.server._server["ws"]
        connection = WsConnection()
        connection.on_message(send)
        endpoint.connections[connection.client_id] = connection
        guest.connections += 1
        try:
            await connection.on_connect(endpoint)
            async for message in socket:
                if message.type in (WSMsgType.TEXT, WSMsgType.BINARY):
                    await connection.send(message.type == WSMsgType.BINARY, message)
        finally:
            guest.connections -= 1
            guest.left = asyncio.get_running_loop().time()
            endpoint.connections.pop(connection.client_id, None)
        return socket

    # --- meanwhile

    async def _follow(self) -> None:
        """Look at the files again and again, and let sessions show what is new."""
        loop = asyncio.get_running_loop()
        while True:
            await asyncio.sleep(_LOOK)
            if await loop.run_in_executor(None, self.book.look):
                for guest in list(self._guests.values()):
                    guest.session.renewed()
            await self._forget(_KEPT)

    async def _forget(self, kept: float) -> None:
        now = asyncio.get_running_loop().time()
        over = [n for n, g in self._guests.items() if g.connections == 0 and now - g.left > max(kept, 5.0)]
        for name in over:
            await self._guests.pop(name).session.stop()


def _client_files() -> tuple[Path, str, str]:
    """Return the folder of the client's files, and its script and style there."""
    from trame_client.module import vue3

    folder = Path(vue3.www)
    (script,), (style,) = (sorted((folder / "assets").glob(f"index-*.{end}")) for end in ("js", "css"))
    return folder, f"assets/{script.name}", f"assets/{style.name}"


async def started(folder: Path, gate: Gate, port: int, *, flat: bool = False) -> Running:
    """Return a running server of a project folder.

    Parameters
    ----------
    folder : Path
    gate : Gate
    port : int
        0 for any that is free.
    flat : bool
        Leave out the 3D view.
    """
    loop = asyncio.get_running_loop()
    book = Book(folder)
    solid, without = (None, "") if flat else await loop.run_in_executor(None, _solid)
    reading = loop.run_in_executor(None, book.look)
    running = Running(book, gate, solid, without)
    await reading
    await running.start(port)
    return running


def _solid() -> tuple[Callable[[Any], Any] | None, str]:
    """Return what makes a 3D view, or None and why there is none."""
    from viewer.gl import prepare

    answer = prepare()
    if not answer.works:
        return None, answer.told.replace("; drawing flat instead", "")
    from viewer.app.solid import Solid

    return Solid, ""


def serve(folder: Path, host: str, port: int, token: str | None, *, open_browser: bool) -> None:
    """Serve until Ctrl-C; the address is told on standard output."""
    gate = Gate(host) if token is None else Gate(host, token)

    async def run() -> None:
        running = await started(folder, gate, port)
        sys.stdout.write(f"{running.address}\n")
        if gate.asks:
            sys.stdout.write(f"token: {gate.key}\n")
        sys.stdout.flush()
        sys.stderr.write("Ctrl-C ends it.\n")
        if open_browser:
            await asyncio.get_running_loop().run_in_executor(None, webbrowser.open, running.address)
        try:
            await asyncio.Event().wait()
        finally:
            await running.stop()

    asyncio.run(run())
