"""Connections that come in: so many and no more, none that says nothing for long, and a full table of descriptors."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import socket
from collections.abc import AsyncIterator, Sequence
from typing import Any

from aiohttp import web

MOST_CONNECTIONS = 64
SILENT_S = 10.0
"""Within this time a connection must have asked for something."""
OUT_OF_ROOM = (errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM)


@contextlib.asynccontextmanager
async def open_doors(
    runner: web.AppRunner, listening: Sequence[socket.socket], silent_s: float = SILENT_S
) -> AsyncIterator[None]:
    """Serve on sockets that listen already, as long as the block lasts.

    Parameters
    ----------
    runner : aiohttp.web.AppRunner
        Set up.
    listening : sequence of socket
    silent_s : float
        Time for a connection's first request.
    """
    loop = asyncio.get_running_loop()
    doors = _Doors(runner, silent_s)
    loop.set_exception_handler(_quiet_when_full)
    servers = [await loop.create_server(doors, sock=each) for each in listening]
    try:
        yield
    finally:
        for server in servers:
            server.close()
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

    def __call__(self) -> asyncio.Protocol:
        server = self._runner.server
        if server is None or self._open >= MOST_CONNECTIONS:
            return _Shut()
        return _Watched(self, server(), self._silent_s)

    def entered(self) -> None:
        """One more is open."""
        self._open += 1

    def left(self) -> None:
        """One less is open."""
        self._open -= 1


class _Shut(asyncio.Protocol):
    """Ends a connection at once."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        transport.close()


class _Watched(asyncio.Protocol):
    """Hands everything to aiohttp's protocol; ends the connection if no whole request comes."""

    def __init__(self, doors: _Doors, inner: web.RequestHandler, silent_s: float) -> None:
        self._doors, self._inner, self._silent_s = doors, inner, silent_s
        self._timer: asyncio.TimerHandle | None = None
        self._end = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._doors.entered()
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
        self._doors.left()
        self._inner.connection_lost(exc)
