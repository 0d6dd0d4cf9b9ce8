"""Who may come in: the key or token, and checks of host and origin for every request."""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import secrets
import socket
from dataclasses import dataclass, field
from html import escape
from urllib.parse import urlsplit

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

__all__ = ["Gate", "is_loopback"]

# the page's templates are compiled in the browser, which is what unsafe-eval is for; nothing comes from elsewhere
_POLICY = (
    "default-src 'none'; script-src 'self' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; img-src 'self' "
    "blob: data:; connect-src 'self'; font-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
_PATIENCE = 1.0
"""A wrong token is answered this late, s."""
_MOST_WAITING = 8
"""Wrong tokens that may wait for their answer at the same time."""


def is_loopback(host: str) -> bool:
    """Return whether a host to bind to is this machine alone.

    Examples
    --------
    >>> [is_loopback(host) for host in ("127.0.0.1", "localhost", "::1", "0.0.0.0", "192.168.1.4")]
    [True, True, True, False, False]
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


@dataclass
class Gate:
    """Lets in who knows the key.

    On this machine alone the key stands in the address that the program opens. For other hosts it is a token that a
    page asks for, and that never stands in an address.

    Parameters
    ----------
    host : str
        That the server is bound to.
    key : str
        Key or token.
    """

    host: str
    key: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    port: int = 0
    _waiting: int = 0

    @property
    def asks(self) -> bool:
        """Whether a page asks for the token."""
        return not is_loopback(self.host)

    @property
    def cookie(self) -> str:
        """Name of the cookie; cookies are shared by all ports of a host."""
        return f"slabpose-{self.port}"

    def middleware(self) -> Middleware:
        """Return the aiohttp middleware that checks every request and sets the headers of every answer."""

        @web.middleware
        async def check(request: web.Request, handler: Handler) -> web.StreamResponse:
            refused = self._refused(request)
            if refused is not None:
                response: web.StreamResponse = refused
            elif request.path == "/enter" and self.asks:
                response = await self._enter(request)
            elif not self._known(request):
                response = await self._stranger(request)
            else:
                try:
                    response = await handler(request)
                except web.HTTPException as answer:
                    response = answer
            if not response.prepared:
                response.headers.update(_HEADERS)
                # files of the program are asked for again, and sent only when they have changed
                kept = "no-cache" if request.path.startswith("/static/") else "no-store"
                response.headers.setdefault("Cache-Control", kept)
                if isinstance(response, web.HTTPException):
                    raise response
            return response

        return check

    def _refused(self, request: web.Request) -> web.Response | None:
        """Return an answer to who comes by another name or from another page; None to go on."""
        name = urlsplit(f"//{request.headers.get('Host', '')}")
        try:
            hostname, port = name.hostname or "", name.port
        except ValueError:
            return web.Response(status=403, text="no such host here")
        if (port or 80) != self.port or not self._is_mine(hostname):
            return web.Response(status=403, text="no such host here")
        origin = request.headers.get("Origin")
        if origin is not None and origin != f"http://{request.headers['Host']}":
            return web.Response(status=403, text="not from another page")
        return None

    def _is_mine(self, hostname: str) -> bool:
        """Return whether a name is one under which this server is reached; a stranger's domain is none."""
        if hostname in ("localhost", "127.0.0.1", "::1", self.host.lower()):
            return True
        if not self.asks:
            return False
        if hostname == socket.gethostname().lower():
            return True
        try:
            ipaddress.ip_address(hostname)
        except ValueError:
            return False
        return True  # an address cannot be pointed elsewhere, as a domain can

    def _right(self, given: str) -> bool:
        return hmac.compare_digest(given.encode(), self.key.encode())

    def _known(self, request: web.Request) -> bool:
        return self._right(request.cookies.get(self.cookie, ""))

    def _let_in(self) -> web.Response:
        response = web.Response(status=303, headers={"Location": "/"})
        response.set_cookie(self.cookie, self.key, httponly=True, samesite="Strict", path="/")
        return response

    async def _stranger(self, request: web.Request) -> web.StreamResponse:
        if request.path == "/" and not self.asks and "key" in request.query:
            if self._right(request.query["key"]):
                return self._let_in()
            return await self._wrong("This key is of another run. Open the address that slabpose serve tells now.")
        if request.path != "/":
            return web.Response(status=403, text="open the first page")
        if self.asks:
            return self._ask("")
        return _page("Open the address that <code>slabpose serve</code> tells: its end is the key.", 403)

    async def _enter(self, request: web.Request) -> web.StreamResponse:
        if request.method != "POST":
            return web.Response(status=303, headers={"Location": "/"})
        form = await request.post()
        if self._right(str(form.get("token", ""))):
            return self._let_in()
        return await self._wrong("That is not the token.")

    async def _wrong(self, words: str) -> web.Response:
        """Answer late, so that nobody can try many."""
        if self._waiting >= _MOST_WAITING:
            return web.Response(status=429, text="too many wrong keys; wait a moment")
        self._waiting += 1
        try:
            await asyncio.sleep(_PATIENCE)
        finally:
            self._waiting -= 1
        return self._ask(words) if self.asks else _page(escape(words), 403)

    @staticmethod
    def _ask(words: str) -> web.Response:
        return _page(
            f"{f'<strong role=alert>{escape(words)}</strong><br>' if words else ''}"
            '<form method="post" action="/enter"><label>Token that <code>slabpose serve</code> told'
            '<input name="token" type="password" autocomplete="off" required autofocus></label>'
            "<button>Enter</button></form>",
            403 if words else 200,
        )


def _page(body: str, status: int) -> web.Response:
    style = (
        "body{font:18px/1.5 system-ui,sans-serif;color:#1d2730;max-width:34rem;margin:15vh auto;padding:0 1rem}"
        "input,button{font:inherit;padding:.6rem;display:block;width:100%;box-sizing:border-box;margin:.5rem 0}"
    )
    page = (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>slabpose</title>'
        f'<link rel="icon" href="data:,"><meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<style>{style}</style></head><body><main><h1>slabpose</h1><div>{body}</div></main></body></html>"
    )
    return web.Response(text=page, content_type="text/html", status=status)
