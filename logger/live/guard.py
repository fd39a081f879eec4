"""Who may talk to the server: this computer's own pages, and with ``--lan`` whoever holds the token.

A page from elsewhere may reach a server on the loopback in two ways: by a name that it makes point here (so the Host
is checked, word for word), and by opening a WebSocket across sites (so the Origin is checked, and must be there).
Nothing changes by a GET, and a path is only ever looked up in a table.
"""

from __future__ import annotations

import hmac
import socket
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass

from aiohttp import web
from aiohttp.typedefs import Middleware

COOKIE = "strokeplane_token"
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
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
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
        Empty: none is asked for.
    """

    hosts: frozenset[str]
    token: str = ""

    def middleware(self) -> Middleware:
        """The check, as aiohttp wants it."""

        @web.middleware
        async def check(request: web.Request, handler: Answer) -> web.StreamResponse:
            refusal = self.refuse(request)
            response = refusal if refusal is not None else await handler(request)
            if not response.prepared:
                policy = PAGE_POLICY.format(host=request.headers.get("Host", "")) if refusal is None else "sandbox"
                for name, value in {**COMMON_HEADERS, "Content-Security-Policy": policy}.items():
                    response.headers.setdefault(name, value)
            return response

        return check

    def refuse(self, request: web.Request) -> web.StreamResponse | None:
        """A refusal, or a way to the page with the token kept; None where all is right."""
        host = request.headers.getall("Host", [])
        if len(host) != 1 or host[0].lower() not in self.hosts:
            return web.Response(status=421, text="This server answers only under its own address.\n")
        if request.method not in ("GET", "HEAD"):
            return web.Response(status=405, text="Only GET is answered here.\n", headers={"Allow": "GET, HEAD"})
        origin = request.headers.getall("Origin", [])
        if origin and (len(origin) != 1 or origin[0].lower() != f"http://{host[0].lower()}"):
            return web.Response(status=403, text="Pages of other sites may not talk to this server.\n")
        if not self.token:
            return None
        if self._matches(request.cookies.get(COOKIE, "")):
            return None
        if request.path == "/" and self._matches(request.query.get("token", "")):
            return self._keep_token()
        return web.Response(status=403, text="Open the address with the token that the terminal shows.\n")

    def _matches(self, given: str) -> bool:
        return hmac.compare_digest(given.encode("utf-8", "replace"), self.token.encode())

    def _keep_token(self) -> web.Response:
        """Keep the token in a cookie that no script sees, and take it out of the address."""
        response = web.Response(status=303, headers={"Location": "/"})
        response.set_cookie(COOKIE, self.token, httponly=True, samesite="Strict", path="/")
        return response


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
