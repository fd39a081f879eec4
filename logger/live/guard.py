"""Who may talk to the server: whoever holds the token, on this computer too, where others may be at work.

A page from elsewhere may reach a server on the loopback in two ways: by a name that it makes point here (so the Host
is checked, word for word), and by opening a WebSocket across sites (so the Origin is checked, and must be there).
Nothing changes by a GET, and a path is only ever looked up in a table.

The token stands in the address's fragment, which a browser sends nowhere and no log keeps. The page, which holds
nothing secret, hands it in once by a POST, gets a cookie that no script sees, and takes it out of the address.

So many connections are open and no more, and one that asks for nothing is ended.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import hmac
import secrets
import socket
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from aiohttp import web
from aiohttp.typedefs import Middleware

COOKIE = "strokeplane_token"
TOKEN_PATH = "/token"
MOST_TOKEN_BYTES = 200
MOST_EXCHANGES = 16
"""So many pages may come in by one token, and so many wrong ones be tried; then the door stays shut for new ones."""
MOST_CONNECTIONS = 64
SILENT_S = 10.0
"""Within this time a connection must have asked for something."""
OUT_OF_ROOM = (errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM)
Answer = Callable[[web.Request], Awaitable[web.StreamResponse]]

PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; media-src 'self'; "
    "font-src 'self'; connect-src 'self' ws://{host}; frame-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
REPORT_POLICY = (
    "sandbox allow-scripts allow-downloads allow-modals; default-src 'none'; script-src 'unsafe-inline'; "
    "style-src 'unsafe-inline'; img-src data: blob:; font-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'self'"
)
REPORT_HEADERS: Mapping[str, str] = {"Content-Security-Policy": REPORT_POLICY, "X-Frame-Options": "SAMEORIGIN"}
"""The report is one file with its scripts inside. In a sandbox it has no origin, so it can reach nothing here. Only
the page may show it in a frame."""

COMMON_HEADERS: Mapping[str, str] = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(self), geolocation=(), "
    "accelerometer=(), gyroscope=(), magnetometer=()",
    "Cache-Control": "no-store",
}


@dataclass(frozen=True)
class Guard:
    """What a request must bring.

    Attributes
    ----------
    hosts : frozenset of str
        ``name:port`` as a browser writes them in Host.
    token : str
        Empty: none is asked for, as in tests.
    scheme : {"http", "https"}
        Of the pages that it guards.
    posts : frozenset of str
        Paths to which whoever holds the key may post; their connections stay open for more.
    policy : str
        Content security policy of its pages.
    admits : callable
        Whether the token may still be exchanged.
    """

    hosts: frozenset[str]
    token: str = ""
    scheme: str = "http"
    posts: frozenset[str] = frozenset()
    policy: str = PAGE_POLICY
    admits: Callable[[], bool] = lambda: True
    _key: str = field(default_factory=lambda: secrets.token_urlsafe(24), repr=False)
    _tries: list[bool] = field(default_factory=list, repr=False)

    def middleware(self) -> Middleware:
        """The check, as aiohttp wants it.

        Returns
        -------
        Middleware
        """

        @web.middleware
        async def check(request: web.Request, handler: Answer) -> web.StreamResponse:
            refusal = self.refuse(request)
            response = refusal if refusal is not None else await handler(request)
            if not response.prepared:
                if refusal is not None or request.path not in self.posts:
                    # One request a connection: none is kept open by a page that says nothing.
                    response.force_close()
                policy = self.policy.format(host=request.headers.get("Host", "")) if refusal is None else "sandbox"
                for name, value in {**COMMON_HEADERS, "Content-Security-Policy": policy}.items():
                    response.headers.setdefault(name, value)
            return response

        return check

    def refuse(self, request: web.Request) -> web.StreamResponse | None:
        """A refusal, or a way to the page with the token kept; None where all is right.

        Parameters
        ----------
        request : Request

        Returns
        -------
        StreamResponse or None
        """
        host = request.headers.getall("Host", [])
        if len(host) != 1 or host[0].lower() not in self.hosts:
            return web.Response(status=421, text="This server answers only under its own address.\n")
        if request.method == "POST" and request.path == TOKEN_PATH and request.headers.get("Origin"):
            return self._refuse_origin(request, host[0])
        sends = request.method == "POST" and request.path in self.posts and bool(request.headers.get("Origin"))
        if not sends and request.method not in ("GET", "HEAD"):
            return web.Response(status=405, text="Only GET is answered here.\n", headers={"Allow": "GET, HEAD"})
        refusal = self._refuse_origin(request, host[0])
        if refusal is not None or not self.token:
            return refusal
        public = not sends and (request.path == "/" or request.path.startswith("/static/"))
        if public or self._holds_key(request):
            return None
        return web.Response(status=403, text="Open the address with the token that the terminal shows.\n")

    async def exchange(self, request: web.Request) -> web.StreamResponse:
        """Give a cookie for the token.

        Parameters
        ----------
        request : Request

        Returns
        -------
        StreamResponse
        """
        if len(self._tries) >= MOST_EXCHANGES or not self.admits():
            return web.Response(status=429, text="Too many came by this address; start the program anew.\n")
        given = await request.content.read(MOST_TOKEN_BYTES)
        right = bool(self.token) and hmac.compare_digest(given, self.token.encode())
        self._tries.append(right)
        if not right:
            return web.Response(status=403, text="That is not the token that the terminal shows.\n")
        response = web.Response(status=204)
        secure = self.scheme == "https"
        response.set_cookie(COOKIE, self._key, httponly=True, secure=secure, samesite="Strict", path="/")
        return response

    def _refuse_origin(self, request: web.Request, host: str) -> web.StreamResponse | None:
        origin = request.headers.getall("Origin", [])
        if origin and (len(origin) != 1 or origin[0].lower() != f"{self.scheme}://{host.lower()}"):
            return web.Response(status=403, text="Pages of other sites may not talk to this server.\n")
        return None

    def _holds_key(self, request: web.Request) -> bool:
        given = request.cookies.get(COOKIE, "")
        return hmac.compare_digest(given.encode("utf-8", "replace"), self._key.encode())


def came_from_page(request: web.Request) -> bool:
    """Whether a request names the page that it comes from; a WebSocket must."""
    return bool(request.headers.get("Origin"))


def lan_address() -> str | None:
    """Address of this computer in its network, None without one. Nothing is sent.

    Returns
    -------
    str or None
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
        except OSError:
            return None
        address = str(probe.getsockname()[0])
    return None if address.startswith(("127.", "0.")) else address


@contextlib.asynccontextmanager
async def open_doors(
    runner: web.AppRunner,
    listening: Sequence[socket.socket],
    silent_s: float = SILENT_S,
    tls: ssl.SSLContext | None = None,
) -> AsyncIterator[None]:
    """Serve on sockets that listen already, as long as the block lasts.

    Parameters
    ----------
    runner : aiohttp.web.AppRunner
        Set up.
    listening : sequence of socket
    silent_s : float
        Time for a connection's first request.
    tls : ssl.SSLContext, optional
        Without it nothing is encrypted.

    Yields
    ------
    None
    """
    loop = asyncio.get_running_loop()
    doors = _Doors(runner, silent_s)
    loop.set_exception_handler(_quiet_when_full)
    patience = None if tls is None else silent_s
    servers = [
        await loop.create_server(doors, sock=each, ssl=tls, ssl_handshake_timeout=patience) for each in listening
    ]
    try:
        yield
    finally:
        for server in servers:
            server.close()
        if tls is not None:
            await doors.break_off()
        loop.set_exception_handler(None)


def _quiet_when_full(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """The loop waits a second and accepts again by itself; a page of traceback for each try helps nobody."""
    error = context.get("exception")
    if not (isinstance(error, OSError) and error.errno in OUT_OF_ROOM):
        loop.default_exception_handler(context)


class _Doors:
    """Makes a protocol for every connection that comes in."""

    def __init__(self, runner: web.AppRunner, silent_s: float) -> None:
        self._runner = runner
        self._silent_s = silent_s
        self._open = 0
        self._transports: set[asyncio.Transport] = set()

    def __call__(self) -> asyncio.Protocol:
        server = self._runner.server
        if server is None or self._open >= MOST_CONNECTIONS:
            return _Shut()
        return _Watched(self, server(), self._silent_s)

    def entered(self, transport: asyncio.BaseTransport) -> None:
        """One more is open."""
        self._open += 1
        if isinstance(transport, asyncio.Transport):
            self._transports.add(transport)

    def left(self, transport: asyncio.BaseTransport | None) -> None:
        """One less is open."""
        self._open -= 1
        self._transports.discard(transport)

    async def break_off(self) -> None:
        """End what is open at once: a polite end of TLS would outlast the loop."""
        for transport in list(self._transports):
            transport.abort()
        await asyncio.sleep(0.05)


class _Shut(asyncio.Protocol):
    """Ends a connection at once."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        transport.close()


class _Watched(asyncio.Protocol):
    """Hands everything to aiohttp's protocol; ends the connection if no whole request comes."""

    def __init__(self, doors: _Doors, inner: web.RequestHandler, silent_s: float) -> None:
        self._doors, self._inner, self._silent_s = doors, inner, silent_s
        self._timer: asyncio.TimerHandle | None = None
        self._transport: asyncio.BaseTransport | None = None
        self._end = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = transport
        self._doors.entered(transport)
        self._inner.connection_made(transport)
        self._timer = asyncio.get_running_loop().call_later(self._silent_s, transport.close)

    def data_received(self, data: bytes) -> None:
        if self._timer is not None:
            # The blank line that ends a request's head may come in two pieces.
            seen, self._end = self._end + data, (self._end + data)[-3:]
            if b"\r\n\r\n" in seen:
                self._timer.cancel()
                self._timer = None
        self._inner.data_received(data)

    def eof_received(self) -> bool | None:
        self._inner.eof_received()
        return None

    def pause_writing(self) -> None:
        self._inner.pause_writing()

    def resume_writing(self) -> None:
        self._inner.resume_writing()

    def connection_lost(self, exc: BaseException | None) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._doors.left(self._transport)
        self._inner.connection_lost(exc)
