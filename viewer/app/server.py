"""The server: one port, one page for each browser session, files from this machine only."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import secrets
import sys
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from aiohttp import WSMsgType, web

from viewer.app.document import STATIC, client_files, document
from viewer.app.gate import Gate

if TYPE_CHECKING:  # imported in another thread while the browser already loads the page
    from viewer.app.book import Book
    from viewer.app.session import Session
    from viewer.app.solid import Solid

__all__ = ["Running", "serve", "started"]

_MOST_SESSIONS = 40
_KEPT = 900.0
"""A session whose browser is gone is kept for it to come back, s."""
_PROMPT = 0.0005
"""While one thread imports, browsers wait no longer than this for the other, s."""
_LOOK = 0.5
"""Between two looks at the files, s."""
_MOST_MESSAGE = 1 << 20
"""Bytes of what a browser may say at once."""


class _Loaded(NamedTuple):
    """What takes time to import and to read."""

    book: Book
    session: type[Session]
    without_solid: str


@dataclass
class _Guest:
    session: asyncio.Task[Session]
    connections: int = 0
    left: float = 0.0


class Running:
    """A server that runs, until `stop`.

    Parameters
    ----------
    folder : Path
        Of the project.
    gate : Gate
    flat : bool
        Leave out the 3D view.

    Attributes
    ----------
    address : str
        For people; with the key where it belongs there.
    loaded : asyncio.Task
        Done when the project has been read for the first time; a bug ends it with what was raised.
    """

    loaded: asyncio.Task[_Loaded]

    def __init__(self, folder: Path, gate: Gate, *, flat: bool) -> None:
        self.gate = gate
        self._folder, self._flat = folder, flat
        self._guests: dict[str, _Guest] = {}
        self._runner: web.AppRunner | None = None
        self._watch: asyncio.Task[None] | None = None
        self._spare: asyncio.Task[Session] | None = None
        self._drawing: asyncio.Future[Callable[[Any], Solid]] | None = None
        self._files = client_files()
        self.address = ""

    @property
    def sessions(self) -> int:
        """How many sessions there are."""
        return len(self._guests)

    async def start(self, port: int) -> None:
        """Bind and answer from now on; what a session shows is read meanwhile.

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
            web.static("/static/client", self._files.client),
            web.static("/static/view", self._files.view),
            web.static("/static", STATIC),
        ])  # fmt: skip
        self._runner = web.AppRunner(app, access_log=None, shutdown_timeout=1.0)
        await self._runner.setup()
        await web.TCPSite(self._runner, self.gate.host, port).start()
        self.gate.port = int(self._runner.addresses[0][1])
        host = f"[{self.gate.host}]" if ":" in self.gate.host else self.gate.host
        query = "" if self.gate.asks else f"?key={self.gate.key}"
        self.address = f"http://{host}:{self.gate.port}/{query}"
        loop = asyncio.get_running_loop()
        self.loaded = loop.create_task(self._load())
        self._spare = loop.create_task(self._made())
        self._watch = loop.create_task(self._follow())

    async def stop(self) -> None:
        """End all sessions and let go of the port."""
        await _ended(self._watch)
        for making in [guest.session for guest in self._guests.values()] + ([self._spare] if self._spare else []):
            session = await _ended(making)
            if session is not None:
                await session.stop()
        await _ended(self.loaded)
        self._guests.clear()
        if self._runner is not None:
            await self._runner.cleanup()

    async def _load(self) -> _Loaded:
        loop = asyncio.get_running_loop()
        loaded = await loop.run_in_executor(None, _loaded, self._folder, self._flat)
        if not loaded.without_solid and not self._flat:
            self._drawing = loop.run_in_executor(None, _drawing)  # after what the page needs
        return loaded

    async def settled(self) -> None:
        """Wait until everything is imported and the project is read; raise what went wrong in it."""
        await self.loaded
        if self._drawing is not None:
            await self._drawing

    async def _made(self) -> Session:
        loaded = await asyncio.shield(self.loaded)
        session = loaded.session(loaded.book, self._drawing, loaded.without_solid)
        await session.start()
        return session

    # --- answers

    async def _first(self, _request: web.Request) -> web.StreamResponse:
        if len(self._guests) >= _MOST_SESSIONS:
            await self._forget(0.0)
        if len(self._guests) >= _MOST_SESSIONS:
            return web.Response(status=503, text="too many sessions are open; close one")
        loop = asyncio.get_running_loop()
        name = secrets.token_hex(16)  # the client writes addresses in lower case
        spare, self._spare = self._spare, None
        self._guests[name] = _Guest(spare or loop.create_task(self._made()), left=loop.time())
        return web.Response(status=303, headers={"Location": f"/s/{name}/"})

    def _guest(self, request: web.Request) -> _Guest:
        guest = self._guests.get(request.match_info["name"])
        if guest is None:
            raise web.HTTPNotFound(text="this session is over")
        return guest

    async def _page(self, request: web.Request) -> web.StreamResponse:
        if request.match_info["name"] not in self._guests:
            return web.Response(status=303, headers={"Location": "/"})
        return web.Response(text=document("/static", self._files), content_type="text/html")

    async def _launch(self, request: web.Request) -> web.StreamResponse:
        """Tell the client where its session talks, once there is something to tell."""
        session = await asyncio.shield(self._guest(request).session)
        session.begin()
        return web.json_response(
            {
                "sessionURL": f"ws://{request.headers['Host']}/s/{request.match_info['name']}/ws",
                "secret": session.secret,
            }
        )

    async def _talk(self, request: web.Request) -> web.StreamResponse:
        """Carry messages between a browser and the trame server of its session."""
        from wslink.backends.generic.core import WsConnection

        guest = self._guest(request)
        session = await asyncio.shield(guest.session)
        socket = web.WebSocketResponse(max_msg_size=_MOST_MESSAGE, heartbeat=30.0, compress=False)
        await socket.prepare(request)

        async def send(is_binary: bool, message: Any) -> None:
            if not socket.closed:
                with contextlib.suppress(ConnectionError):
                    await (socket.send_bytes(message) if is_binary else socket.send_str(message))

        endpoint = session.server._server["ws"]
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
        book = (await asyncio.shield(self.loaded)).book
        while True:
            await asyncio.sleep(_LOOK)
            if await loop.run_in_executor(None, book.look):
                for guest in list(self._guests.values()):
                    if guest.session.done():
                        guest.session.result().renewed()
            await self._forget(_KEPT)

    async def _forget(self, kept: float) -> None:
        now = asyncio.get_running_loop().time()
        over = [n for n, g in self._guests.items() if g.connections == 0 and now - g.left > max(kept, 5.0)]
        for name in over:
            session = await _ended(self._guests.pop(name).session)
            if session is not None:
                await session.stop()


async def _ended(task: asyncio.Task[Any] | None) -> Any:
    """Return what a task that is done has brought; cancel it else."""
    if task is None:
        return None
    task.cancel()  # does nothing to one that is done
    await asyncio.wait([task])
    return None if task.cancelled() or task.exception() else task.result()


async def started(folder: Path, gate: Gate, port: int, *, flat: bool = False) -> Running:
    """Return a server of a project folder that answers.

    Parameters
    ----------
    folder : Path
    gate : Gate
    port : int
        0 for any that is free.
    flat : bool
        Leave out the 3D view.
    """
    running = Running(folder, gate, flat=flat)
    await running.start(port)
    return running


def _loaded(folder: Path, flat: bool) -> _Loaded:
    """Import what sessions are made of, and read the project."""
    from viewer.app.book import Book
    from viewer.app.session import Session

    book = Book(folder)
    book.look()
    without = ""
    if not flat:
        from viewer.gl import prepare

        answer = prepare()
        if answer.works:
            import trame_vtk.modules.vtk  # noqa: F401 - before the first session
        else:
            without = answer.told.replace("; drawing flat instead", "")
    return _Loaded(book, Session, without)


def _drawing() -> Callable[[Any], Solid]:
    """Return what makes a 3D view, with all that it needs imported."""
    import pyvista
    import trame_vtk.widgets.vtk  # noqa: F401

    from viewer.app.solid import Solid

    _ = pyvista.Plotter  # imported when it is asked for
    return Solid


def serve(folder: Path, host: str, port: int, token: str | None, *, open_browser: bool) -> None:
    """Serve until Ctrl-C; the address is told on standard output.

    Garbage may be left uncollected until here: it is looked for again once everything is loaded.
    """
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
        usual = sys.getswitchinterval()
        sys.setswitchinterval(_PROMPT)
        try:
            await running.settled()
            sys.setswitchinterval(usual)
            gc.freeze()
            gc.enable()
            await asyncio.Event().wait()
        finally:
            await running.stop()

    asyncio.run(run())
