"""The page that a phone opens, over TLS, and what it may do there: hand in its token once, and send readings."""

from __future__ import annotations

import json
import ssl
from collections.abc import Callable
from importlib import resources

from aiohttp import web

from analysis.model.errors import InputError
from logger.live.guard import TOKEN_PATH, Guard
from logger.phone.batches import (
    BATCHES_AT_ONCE,
    BATCHES_PER_S,
    MOST_BATCH_BYTES,
    READINGS_AT_ONCE,
    READINGS_PER_S,
    Allowance,
    Batch,
    read_batch,
)
from logger.phone.certificate import OwnCertificate
from logger.phone.phone_reader import PhoneStanding

READINGS_PATH = "/readings"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src data:; connect-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
PERMISSIONS = "accelerometer=(self), gyroscope=(self), camera=(), microphone=(), geolocation=(), magnetometer=()"
"""Motion is open on this one page, and on no other of this program."""
TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript"}
FILES = {"/": "phone.html", "/static/phone.js": "phone.js", "/static/phone.css": "phone.css"}


class PhoneServer:
    """Answers a phone.

    Parameters
    ----------
    take : callable
        Takes a batch, says how the phone stands.
    """

    def __init__(self, take: Callable[[Batch], PhoneStanding]) -> None:
        self._take = take
        self._batches = Allowance(BATCHES_PER_S, BATCHES_AT_ONCE)
        self._readings = Allowance(READINGS_PER_S, READINGS_AT_ONCE)
        folder = resources.files("logger.phone") / "static"
        self._files = {path: (folder / name).read_bytes() for path, name in FILES.items()}

    def application(self, guard: Guard) -> web.Application:
        """The aiohttp application."""
        application = web.Application(middlewares=[guard.middleware()], client_max_size=MOST_BATCH_BYTES)
        application.router.add_post(TOKEN_PATH, guard.exchange)
        application.router.add_post(READINGS_PATH, self._hear)
        application.router.add_get("/{path:.*}", self._file)
        return application

    async def _file(self, request: web.Request) -> web.StreamResponse:
        content = self._files.get(request.path)
        if content is None:
            return web.Response(status=404, text="There is no such page.\n")
        kind = TYPES["." + FILES[request.path].rpartition(".")[2]]
        headers = {"Permissions-Policy": PERMISSIONS}
        return web.Response(body=content, content_type=kind, charset="utf-8", headers=headers)

    async def _hear(self, request: web.Request) -> web.StreamResponse:
        if not self._batches.take(1.0):
            return _refusal(429, "Too many batches; send one every quarter of a second.")
        text = await request.read()
        try:
            batch = read_batch(text)
        except InputError as error:
            return _refusal(400, str(error))
        if not self._readings.take(float(batch.taken_s.size)):
            return _refusal(429, "Too many readings; a hundred a second are plenty.")
        standing = self._take(batch)
        answer = {
            "taken": batch.first + int(batch.taken_s.size),
            "rate_hz": None if standing.rate_hz is None else round(standing.rate_hz, 1),
            "sentence": standing.sentence,
        }
        return web.json_response(answer)


def _refusal(status: int, sentence: str) -> web.Response:
    return web.Response(status=status, text=json.dumps({"sentence": sentence}), content_type="application/json")


def phone_guard(host: str, token: str, admits: Callable[[], bool]) -> Guard:
    """Who may come in: a phone that holds the token, and it may only send readings.

    Parameters
    ----------
    host : str
        ``address:port`` as a browser writes it.
    token : str
    admits : callable
        Whether the token may still be exchanged: not once a phone has sent readings, so that it serves one phone.

    Returns
    -------
    Guard
    """
    return Guard(
        frozenset({host}),
        token,
        scheme="https",
        posts=frozenset({READINGS_PATH}),
        policy=POLICY,
        admits=admits,
    )


def tls_context(certificate: OwnCertificate) -> ssl.SSLContext:
    """TLS with the program's own certificate.

    Parameters
    ----------
    certificate : OwnCertificate

    Returns
    -------
    ssl.SSLContext
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.load_cert_chain(certificate.certificate, certificate.key)
    return context
